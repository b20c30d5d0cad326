"""Rates and exact derivatives of a pumping group: volumes joined by pumps.

A line with its manifold, the pump on it and all that stands behind is a group; lines that share a
backing line are one group together.  Each pump takes gas from one volume and gives it to another
one, or to the room.

State of a group, in moles (`GroupTables` says how many of each):

    gas in volume 0 | gas in volume 1 | ... | running shares | exhausted to the room (quads)

The manifolds come first, in the order of the lines.  The running share of a pump tells how much of
its vapour jet or of its rotor speed is there.  All volumes are at room temperature.

Not modelled: tubes between a pump and the one behind it (give net speeds), valves between volumes.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from exhaustsim.compiled import kernel_on_arrays
from exhaustsim.constants import GAS_COUNT
from exhaustsim.engine.rates import waveform_at
from exhaustsim.engine.stiff import Shape, shape_of
from exhaustsim.physics.pumps import (
    booster_slip, diffusion_speed, jet_target, turbomolecular_factors, turbomolecular_target,
)  # fmt: skip
from exhaustsim.physics.speedtable import table_speed

G = GAS_COUNT
ROOM = -1  # a pump that gives its gas to the room
NO_STATE = -1  # a pump without a running share

ROTARY, DIFFUSION, BOOSTER, TURBOMOLECULAR, TABLE = range(5)

# Places in the numbers of a pump.
(P_SPEED, P_KNEE, P_CRITICAL, P_STALL, P_RECOVER, P_STALLED, P_DIFFERENCE) = range(7)
NUMBER_COUNT = 7


class GroupTables(NamedTuple):
    """Everything about one pumping group that does not change during a run."""

    manifolds: int
    core: int  # size of the core of the state, after which the exhausted gas comes
    rt: float  # J/mol, gas constant times room temperature
    volume: np.ndarray  # (volume,) m^3
    kind: np.ndarray  # (pump,) ROTARY ...
    source: np.ndarray  # (pump,) volume it takes gas from
    target: np.ndarray  # (pump,) volume it gives gas to, or ROOM
    state: np.ndarray  # (pump,) place of its running share in the state, or NO_STATE
    numbers: np.ndarray  # (pump, P_*)
    ultimate: np.ndarray  # (pump, gas) Pa, partial ultimate pressures
    compression: np.ndarray  # (pump, gas) booster: compression; turbomolecular: its natural logarithm
    table_start: np.ndarray  # (pump + 1,) first point of a pump's table in the two arrays below
    table_pressure: np.ndarray  # (point,) logarithm of Pa
    table_speed: np.ndarray  # (gas, point) logarithm of m^3/s
    table_slope: np.ndarray  # (gas, point)


def no_group() -> GroupTables:
    """Tables without volumes: what the common loop is handed when it marches a head."""
    none, numbers = np.zeros(0, dtype=np.int64), np.zeros((0, NUMBER_COUNT))
    by_gas = np.zeros((0, G))
    return GroupTables(
        0, 0, 1.0, np.zeros(0), none, none, none, none, numbers, by_gas, by_gas, np.zeros(1, dtype=np.int64),
        np.zeros(0), np.zeros((G, 0)), np.zeros((G, 0)),
    )  # fmt: skip


NO_GROUP = no_group()


def group_shape(group: GroupTables) -> Shape:
    """Entries of the Jacobian of a group, in the order in which `group_jacobian` fills them."""
    columns = [[] for _ in range(G)]
    for g in range(G):
        for p in np.flatnonzero(group.target == ROOM):
            first = int(group.source[p]) * G
            columns[g] += [first + g] if group.kind[p] == ROTARY else list(range(first, first + G))
    return shape_of(int(group.core), [], [], columns)


@kernel_on_arrays
def _total(y, first):
    """All gas [mol] of the volume whose gases begin at `first` of the state."""
    total = 0.0
    for g in range(G):
        total += y[first + g]
    return total


@kernel_on_arrays
def pump_flow(p, y, group, flow):
    """Fill `flow` (gas,) with what pump `p` takes from its volume [mol/s]."""
    kind, source, target = group.kind[p], group.source[p], group.target[p]
    x, ultimate, compression = group.numbers[p], group.ultimate[p], group.compression[p]
    rt = group.rt
    v = group.volume[source]
    first = source * G
    if kind == ROTARY:
        for g in range(G):
            flow[g] = x[P_SPEED] * (y[first + g] / v - ultimate[g] / rt)
        return
    total = _total(y, first) * rt / v
    if kind == TABLE:
        low, high = group.table_start[p], group.table_start[p + 1]
        for g in range(G):
            speed, _ = table_speed(
                total, group.table_pressure[low:high], group.table_speed[g, low:high], group.table_slope[g, low:high]
            )
            flow[g] = x[P_SPEED] * speed * (y[first + g] / v - ultimate[g] / rt)
        return
    behind = target * G
    back_volume = group.volume[target]
    if kind == DIFFUSION:
        running = y[group.state[p]]
        speed, _ = diffusion_speed(total, x[P_SPEED], x[P_KNEE])
        passing = x[P_STALLED] * (1.0 - running)
        for g in range(G):
            here = y[first + g] / v
            flow[g] = speed * running * (here - ultimate[g] / rt) + passing * (here - y[behind + g] / back_volume)
    elif kind == BOOSTER:
        kept, _ = booster_slip(_total(y, behind) * rt / back_volume - total, x[P_DIFFERENCE])
        for g in range(G):
            flow[g] = x[P_SPEED] * (kept * y[first + g] / v - y[behind + g] / back_volume / compression[g])
    else:
        running = y[group.state[p]]
        speed, _ = diffusion_speed(total, x[P_SPEED], x[P_KNEE])
        for g in range(G):
            forward, backward, _, _ = turbomolecular_factors(running, compression[g])
            drive = forward * (y[first + g] / v - ultimate[g] / rt) - backward * y[behind + g] / back_volume
            flow[g] = speed * drive


@kernel_on_arrays
def _settling(p, y, group):
    """Running share that pump `p` tends to, its derivative by pressure on either side [1/Pa], and the time [s].

    A jet or rotor fails in dense gas whichever side that comes from: a flooded inlet counts like backing pressure
    (practice).  In work the inlet is thin and the critical backing pressure is what it is said to be.
    """
    x = group.numbers[p]
    source, target = group.source[p], group.target[p]
    dense = (_total(y, target * G) / group.volume[target] + _total(y, source * G) / group.volume[source]) * group.rt
    if group.kind[p] == DIFFUSION:
        aim, slope = jet_target(dense, x[P_CRITICAL])
    else:
        aim, slope = turbomolecular_target(dense, x[P_CRITICAL])
    return aim, slope, x[P_STALL] if aim < y[group.state[p]] else x[P_RECOVER]


@kernel_on_arrays
def group_rates(t, y, group, wave, work, dy):
    """Fill `dy` with the rates of a pumping group [mol/s, 1/s].

    `wave` (knot, manifold x gas) is the gas handed over so far to each manifold and its rate; the slope of the
    cubic through it is the inflow.  `work` holds three times as many numbers as the state.
    """
    columns = group.manifolds * G
    inflow = work[columns : 2 * columns]
    flow = work[2 * columns : 2 * columns + G]
    waveform_at(wave, t, work[:columns], inflow)
    dy[:] = 0.0
    for i in range(columns):
        dy[i] = inflow[i]
    for p in range(group.kind.size):
        pump_flow(p, y, group, flow)
        source, target = group.source[p], group.target[p]
        into = group.core if target == ROOM else target * G
        for g in range(G):
            dy[source * G + g] -= flow[g]
            dy[into + g] += flow[g]
        if group.state[p] != NO_STATE:
            aim, _, time = _settling(p, y, group)
            dy[group.state[p]] = (aim - y[group.state[p]]) / time


@kernel_on_arrays
def _book(core, first, behind, state, g, own, by_total, own_behind, by_total_behind, by_running):
    """Book the derivatives of the flow of gas `g` from one volume to another, per mol of what they are by.

    first, behind : places of the gases of both volumes; state : place of the running share, or NO_STATE;
    own, by_total : by this gas, and by any gas, in the volume it is taken from; the same for the volume behind.
    """
    row, other = first + g, behind + g
    core[row, row] -= own
    core[other, row] += own
    core[row, other] -= own_behind
    core[other, other] += own_behind
    for j in range(G):
        core[row, first + j] -= by_total
        core[other, first + j] += by_total
    if by_total_behind != 0.0:
        for j in range(G):
            core[row, behind + j] -= by_total_behind
            core[other, behind + j] += by_total_behind
    if state != NO_STATE:
        core[row, state] -= by_running
        core[other, state] += by_running


@kernel_on_arrays
def group_jacobian(t, y, group, wave, jac):
    """Fill `jac` for a pumping group at `y`."""
    jac.core[:, :] = 0.0
    jac.quad[:] = 0.0
    jac.time[:] = 0.0
    # The inflow is the slope of the cubic between two knots; its time derivative is the cubic's second.
    knots = wave.time
    low = min(max(np.searchsorted(knots, t, side="right") - 1, 0), knots.size - 2)
    h = knots[low + 1] - knots[low]
    at_knot = (t - knots[low]) / h
    for i in range(group.manifolds * G):
        step = wave.value[low + 1, i] - wave.value[low, i]
        d0 = wave.slope[low, i] * h
        d1 = wave.slope[low + 1, i] * h
        jac.time[i] = (2.0 * (3.0 * step - 2.0 * d0 - d1) + 6.0 * at_knot * (d0 + d1 - 2.0 * step)) / (h * h)
    width = jac.quad.size // G
    offset = 0
    for p in range(group.kind.size):
        if group.kind[p] == ROTARY:
            first, per_mol = group.source[p] * G, group.numbers[p, P_SPEED] / group.volume[group.source[p]]
            for g in range(G):
                jac.core[first + g, first + g] -= per_mol
                jac.quad[g * width + offset] = per_mol
            offset += 1
            continue
        _book_pump(p, y, group, offset, width, jac)
        if group.target[p] == ROOM:
            offset += G
        state = group.state[p]
        if state != NO_STATE:
            _, slope, time = _settling(p, y, group)
            for volume in (group.source[p], group.target[p]):
                for j in range(G):
                    jac.core[state, volume * G + j] += slope * group.rt / group.volume[volume] / time
            jac.core[state, state] -= 1.0 / time


@kernel_on_arrays
def _book_pump(p, y, group, offset, width, jac):
    """Book everything that the flow through pump `p`, no rotary pump, depends on."""
    kind, source, target = group.kind[p], group.source[p], group.target[p]
    x, ultimate, compression = group.numbers[p], group.ultimate[p], group.compression[p]
    rt = group.rt
    v = group.volume[source]
    first, behind, state = source * G, target * G, group.state[p]
    core = jac.core
    total = _total(y, first) * rt / v
    per_total = rt / v
    if kind == TABLE:
        low, high = group.table_start[p], group.table_start[p + 1]
        for g in range(G):
            speed, slope = table_speed(
                total, group.table_pressure[low:high], group.table_speed[g, low:high], group.table_slope[g, low:high]
            )
            drive = y[first + g] / v - ultimate[g] / rt
            by_total = x[P_SPEED] * slope * per_total * drive
            own = x[P_SPEED] * speed / v
            if target != ROOM:
                _book(core, first, behind, state, g, own, by_total, 0.0, 0.0, 0.0)
                continue
            core[first + g, first + g] -= own
            for j in range(G):
                core[first + g, first + j] -= by_total
                jac.quad[g * width + offset + j] = by_total
            jac.quad[g * width + offset + g] += own
        return
    back_volume = group.volume[target]
    if kind == BOOSTER:
        kept, slope = booster_slip(_total(y, behind) * rt / back_volume - total, x[P_DIFFERENCE])
        for g in range(G):
            by_difference = x[P_SPEED] * slope * y[first + g] / v * rt
            _book(
                core, first, behind, state, g, x[P_SPEED] * kept / v, -by_difference / v, -x[P_SPEED] / back_volume / compression[g],
                by_difference / back_volume, 0.0,
            )  # fmt: skip
        return
    running = y[state]
    speed, by_pressure = diffusion_speed(total, x[P_SPEED], x[P_KNEE])
    if kind == DIFFUSION:
        passing = x[P_STALLED] * (1.0 - running)
        for g in range(G):
            here, there = y[first + g] / v, y[behind + g] / back_volume
            drive = here - ultimate[g] / rt
            _book(
                core, first, behind, state, g, (speed * running + passing) / v, by_pressure * per_total * running * drive, -passing / back_volume, 0.0,
                speed * drive - x[P_STALLED] * (here - there),
            )  # fmt: skip
        return
    for g in range(G):
        here, there = y[first + g] / v - ultimate[g] / rt, y[behind + g] / back_volume
        forward, backward, more_forward, more_backward = turbomolecular_factors(running, compression[g])
        _book(
            core, first, behind, state, g, speed * forward / v, by_pressure * per_total * (forward * here - backward * there),
            -speed * backward / back_volume, 0.0, speed * (more_forward * here - more_backward * there),
        )  # fmt: skip
