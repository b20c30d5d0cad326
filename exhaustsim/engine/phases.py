"""Cut a schedule into phases: stretches of constant controls, with the times at which results are kept.

`stretches_at` gives the phases of one head in one index, `phases_of` those of a valve from its gulp to
the shelf.  An index may have a halt in it: the turret stands, and what its cams do waits with it.
Nothing here integrates.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from exhaustsim.constants import STEFAN_BOLTZMANN
from exhaustsim.engine import rates
from exhaustsim.engine.network import ValveArrays
from exhaustsim.engine.rates import CONTROL_COUNT
from exhaustsim.physics.heating import heater_law_temperature
from exhaustsim.plant.machine import RotaryMachine
from exhaustsim.plant.schedule import AgeingStep, PositionSetting, Schedule
from exhaustsim.plant.valve import ValveDesign

STANDING_TIME = 300.0  # s between leaving the machine and the first ageing step, practice


class Halt(NamedTuple):
    """What makes an index unlike the others: the turret stands still in the middle of it, every head waits where it is."""

    moment: float  # s after the beginning of the index (of the transfer)
    duration: float  # s
    rf_stays: bool  # whether RF that is on stays on; else it trips and goes on when the machine does
    strikes: tuple[float, ...] = ()  # s after the beginning of the index: something else jumps, so look closely there

    def later(self, schedule: Schedule, time: float) -> float:
        """When a setting due `time` s after the port opens comes, counted from the same instant."""
        waits = time > self.moment - schedule.machine.transfer_time >= 0.0
        return time + self.duration if waits else time


NO_HALT = Halt(np.inf, 0.0, False)


def transfer_of(schedule: Schedule, halt: Halt) -> float:
    """Length of a transfer, with the halt if it falls into it [s]."""
    transfer = schedule.machine.transfer_time
    return transfer + halt.duration if halt.moment < transfer else transfer


def dwell_edges(schedule: Schedule, halt: Halt, jumps) -> list[float]:
    """Times after the port opens between which no control jumps, from 0 to the end of the dwell."""
    edges = {0.0, *(halt.later(schedule, t) for t in jumps), halt.later(schedule, schedule.dwell)}
    stands = halt.moment - schedule.machine.transfer_time
    if 0.0 <= stands < schedule.dwell:
        edges |= {stands, stands + halt.duration}
    transfer = transfer_of(schedule, halt)
    edges |= {t - transfer for t in halt.strikes if transfer < t < transfer + max(edges)}
    return sorted(edges)


def index_grid(schedule: Schedule, halt: Halt = NO_HALT) -> tuple[np.ndarray, np.ndarray]:
    """Times within one index at which results are kept: (transfer, dwell), both from 0 of the index.

    Fine after every jump of a control anywhere on the machine, because all positions share
    the lines; the last transfer time and the first dwell time are the same instant.
    """
    transfer = transfer_of(schedule, halt)
    edges = dwell_edges(schedule, halt, {t for setting in schedule.positions for t in jumps_of(schedule, setting)})
    inside = np.concatenate([_refined(b - a)[:-1] + a for a, b in zip(edges, edges[1:], strict=False)] + [edges[-1:]])
    moving = _refined(transfer) if transfer > 0.0 else np.zeros(1)
    return moving, inside + transfer


def _refined(length: float) -> np.ndarray:
    """From 0 to `length`: dense after the start, then at most 0.25 s apart, or a hundred and twentieth of a long wait."""
    start = np.concatenate([[0.0], np.geomspace(2e-4, 0.25, 26)])
    start = start[start < 0.5 * length]
    coarse = max(12, int(np.ceil((length - start[-1]) / max(0.25, length / 120.0))))
    return np.concatenate([start[:-1], np.linspace(start[-1], length, coarse)])


def jumps_of(schedule: Schedule, setting: PositionSetting) -> list[float]:
    """Times after the port opens at which a control of this position jumps."""
    out = []
    if setting.rf is not None:
        out += [setting.rf.start, setting.rf.start + setting.rf.duration]
    if setting.action == "tip_off":
        out.append(schedule.dwell - schedule.sealing_time)
    # To the nanosecond, so that sums of rounded times make no phase of nothing.
    return [round(t, 9) for t in out if 1e-9 < t < schedule.dwell - 1e-9]


class Phases(NamedTuple):
    """Stretches of constant controls with the samples wanted in each."""

    controls: np.ndarray  # (phases, numbers)
    duration: np.ndarray  # (phases,) s
    start: np.ndarray  # (phases,) s, local time at the beginning
    line: np.ndarray  # (phases,) line number, -1 none
    sample_ptr: np.ndarray  # (phases + 1,)
    sample_time: np.ndarray  # local time
    time: np.ndarray  # (samples,) s since the port first opened
    position: np.ndarray  # (samples,)
    stage: np.ndarray
    step: np.ndarray
    grid_place: np.ndarray  # (samples,) place in the index grid, -1 off the machine


class Stretch(NamedTuple):
    """A phase of one head: constant controls, and the samples wanted in it."""

    control: np.ndarray
    start: float  # s, local time: from the beginning of the index on the machine
    duration: float  # s
    line: int  # line number, -1 none
    sample_time: np.ndarray  # local time
    places: np.ndarray  # places in the index grid, or -1
    stage: int


def leak_of_position(machine: RotaryMachine, position: int) -> float:
    """Air that one open port lets in at `position` [mol/s]; without a line, that of the last position that has one."""
    leaks = {line.name: line.in_leak_per_port for line in machine.lines}
    while position >= 1:
        name = machine.line_of_position.get(position)
        if name in leaks:
            return leaks[name]
        position -= 1
    return 0.0


def stretches_at(
    schedule: Schedule, valve: ValveArrays, setting: PositionSetting, clock: float, grid, halt: Halt = NO_HALT
) -> list[Stretch]:
    """The phases of one head in the index that brings it to the position of `setting`.

    `clock` is the time since the valve's port first opened, at the beginning of the transfer (of the dwell at
    position 1, where a new valve has no transfer); `grid` is the `index_grid` of schedule and halt.
    """
    machine = schedule.machine
    here = setting.position
    number = {line.name: k for k, line in enumerate(machine.lines)}
    line = number.get(machine.line_of_position.get(here), -1)
    leak = leak_of_position(machine, here)
    tip = schedule.position_of("tip_off")
    sealed = tip is not None and here > tip
    ejected = setting.action == "eject"
    moving, dwelling = grid
    transfer = transfer_of(schedule, halt)
    out = []
    if here > 1 and transfer > 0.0:
        control = _controls(schedule, valve, schedule.positions[here - 2], sealed)
        if not ejected:
            control[rates.C_PORT_LEAK] = leak * machine.blanked_leak_share
            control[rates.C_RUBBER] = machine.rubber_gas
        control[rates.C_CLOCK] = clock
        out.append(Stretch(control, 0.0, transfer, -1, moving, np.arange(len(moving)), 1))
        clock += transfer
    own = set(jumps_of(schedule, setting))
    if line >= 0:
        for other in schedule.positions:
            if number.get(machine.line_of_position.get(other.position)) == line:
                own |= set(jumps_of(schedule, other))
    edges = dwell_edges(schedule, halt, own)
    stands = halt.moment - machine.transfer_time
    closes = halt.later(schedule, schedule.dwell - schedule.sealing_time)
    if setting.action == "tip_off" and closes + schedule.sealing_time < edges[-1] - 1e-9:
        edges = sorted({*edges, closes + schedule.sealing_time})
    for first, last in zip(edges, edges[1:], strict=False):
        waiting = 0.0 <= stands <= first + 1e-9 and last <= stands + halt.duration + 1e-9
        # What the cams have come to by now; they wait while the turret does.
        due = stands if waiting else first if first <= stands or stands < 0.0 else first - halt.duration
        control = _controls(schedule, valve, setting, sealed)
        if not ejected:
            # After tip-off the head still carries the stub: its port and leaks go on until eject.
            control[rates.C_PORT] = 1.0 if line >= 0 else 0.0
            control[rates.C_PORT_LEAK] = leak * (1.0 if line >= 0 else machine.blanked_leak_share)
            control[rates.C_RUBBER] = machine.rubber_gas
        if setting.rf is not None and setting.rf.start <= due + 1e-9 < setting.rf.start + setting.rf.duration and (not waiting or halt.rf_stays):
            for name, power in setting.rf.power.items():
                control[CONTROL_COUNT + valve.node_names.index(name)] += power
            if setting.rf.current > 0.0:
                control[rates.C_COIL] = _coil_number(machine, here)
                control[rates.C_COIL_SQUARE] = setting.rf.current**2
        if setting.action == "tip_off" and first >= closes - 1e-9:
            _close_bore(control, schedule, transfer + closes, first - closes)
        start = transfer + first
        control[rates.C_CLOCK] = clock - start
        inside = (dwelling > start + 1e-12) | (first == 0.0)
        inside &= (dwelling >= start - 1e-12) & (dwelling <= transfer + last + 1e-12)
        places = np.flatnonzero(inside)
        out.append(Stretch(control, start, last - first, line, dwelling[places], places + len(moving), 0))
        clock += last - first
    return out


def phases_of(schedule: Schedule, valve: ValveArrays) -> Phases:
    """Cut a schedule into phases: position 1 opens at time 0, then transfer and dwell of each position,
    standing, ageing steps, shelf (only if the schedule tips the valve off)."""
    rows = []  # stretch, position, ageing step
    times = []  # (samples,) since the port first opened
    clock = 0.0

    def add(stretch, position, step=0):
        nonlocal clock
        rows.append((stretch, position, step))
        times.append(clock + (stretch.sample_time - stretch.start))
        clock += stretch.duration

    grid = index_grid(schedule)
    for setting in schedule.positions:
        for stretch in stretches_at(schedule, valve, setting, clock, grid):
            add(stretch, setting.position)
    if schedule.position_of("tip_off") is not None:
        for stretch, step in sealed_stretches(schedule, valve, clock):
            add(stretch, 0, step)
    per_phase = [len(stretch.sample_time) for stretch, _, _ in rows]
    return Phases(
        controls=np.array([s.control for s, _, _ in rows]),
        start=np.array([s.start for s, _, _ in rows]),
        duration=np.array([s.duration for s, _, _ in rows]),
        line=np.array([s.line for s, _, _ in rows], dtype=np.int64),
        sample_ptr=np.concatenate([[0], np.cumsum(per_phase)]).astype(np.int64),
        sample_time=np.concatenate([s.sample_time for s, _, _ in rows]),
        time=np.concatenate(times),
        position=np.repeat([position for _, position, _ in rows], per_phase),
        stage=np.repeat([s.stage for s, _, _ in rows], per_phase),
        step=np.repeat([step for _, _, step in rows], per_phase),
        grid_place=np.concatenate([s.places for s, _, _ in rows]),
    )


def _coil_number(machine: RotaryMachine, position: int) -> int:
    """Number of the coil that the machine describes at `position`."""
    return next(k for k, coil in enumerate(machine.coils) if position in coil.positions)


def sealed_stretches(schedule: Schedule, valve: ValveArrays, clock: float) -> list[tuple[Stretch, int]]:
    """(phase, ageing step) of a tipped-off valve that left the machine `clock` s after its port first opened."""
    out = []

    def rest(length, stage, step=0, ageing=None):
        nonlocal clock
        control = _controls(schedule, valve, PositionSetting(position=0), True)
        control[rates.C_CLOCK] = clock
        if ageing is not None:
            _age(control, schedule, valve, ageing)
        wanted = _sparse(length)
        out.append((Stretch(control, 0.0, length, -1, wanted, np.full(len(wanted), -1), stage), step))
        clock += length

    rest(STANDING_TIME, 2)
    for k, step in enumerate(schedule.ageing, start=1):
        rest(step.duration, 3, k, step)
    if schedule.shelf_time > 0.0:
        rest(schedule.shelf_time, 4)
    return out


def _sparse(length: float) -> np.ndarray:
    return np.concatenate([[0.0], np.geomspace(min(1e-2, length / 10.0), length, 60)])


def _controls(schedule: Schedule, valve: ValveArrays, setting: PositionSetting, sealed: bool) -> np.ndarray:
    """Controls while the valve feels the heat of `setting`; port, leak and RF are added by the caller."""
    machine, design = schedule.machine, schedule.valve
    n = len(valve.node_names)
    c = np.zeros(CONTROL_COUNT + 3 * n)
    in_oven = setting.position in machine.oven_positions
    c[rates.C_BORE] = 0.0 if sealed else 1.0
    c[rates.C_AIR] = schedule.oven_temperature if in_oven else machine.room_temperature
    c[rates.C_ROOM] = machine.room_temperature
    c[rates.C_SURROUNDINGS] = c[rates.C_AIR]
    for i, node in enumerate(design.nodes):
        if in_oven:
            c[CONTROL_COUNT + n + i] = machine.oven_heat_transfer * node.outer_area * node.oven_share
            c[CONTROL_COUNT + 2 * n + i] = node.room_heat_transfer_in_oven * node.outer_area
        else:
            c[CONTROL_COUNT + n + i] = machine.room_heat_transfer * node.outer_area
    c[rates.C_BULB_LEAK] = design.in_leak
    _light(c, schedule, setting.heater_voltage)
    return c


def _light(control: np.ndarray, schedule: Schedule, volts: float) -> None:
    control[rates.C_HEATER_TEMPERATURE] = heater_temperature(schedule.valve, volts)
    control[rates.C_HEATER_POWER] = heater_power_needed(
        schedule.valve, control[rates.C_HEATER_TEMPERATURE], schedule.machine.room_temperature
    )


def heater_temperature(valve: ValveDesign, volts: float) -> float:
    """Sleeve temperature at `volts` with everything round it at room temperature [K]."""
    heater = valve.heater
    return heater_law_temperature(volts, heater.rated_voltage, heater.rated_temperature, heater.voltage_exponent)


def heater_power_needed(valve: ValveDesign, temperature: float, room: float) -> float:
    """Power that holds the sleeve at `temperature` in vacuum with all other nodes at `room` [W]."""
    if temperature <= room:
        return 0.0
    ends = {valve.cathode_node}
    area = sum(r.emissivity_area for r in valve.radiation if ends & {r.first, r.second})
    lead = sum(c.conductance for c in valve.conduction if ends & {c.first, c.second})
    return STEFAN_BOLTZMANN * area * (temperature**4 - room**4) + lead * (temperature - room)


def _age(control: np.ndarray, schedule: Schedule, valve: ValveArrays, step: AgeingStep) -> None:
    """One step on the ageing rack: heater, anode power and current."""
    _light(control, schedule, step.heater_voltage)
    if step.anode_power > 0.0:
        control[CONTROL_COUNT + valve.node_names.index("anode")] = step.anode_power
    control[rates.C_CURRENT] = step.anode_current
    if step.anode_current > 0.0 and step.heater_voltage > 0.0:
        control[rates.C_CLEANUP] = schedule.valve.methane_cleanup


def _close_bore(control: np.ndarray, schedule: Schedule, begins: float, since: float) -> None:
    """Tip-off: the bore goes from full to nothing in the sealing time from local time `begins`; softened glass gives gas.

    The fires do not wait for a turret that stands: `since` s after they came on the bore may be shut already.
    """
    sealing = schedule.sealing_time
    stem = schedule.valve.exhaust_stem
    if since >= sealing - 1e-9:
        control[rates.C_BORE] = 0.0
        return
    control[rates.C_BORE] = (begins + sealing) / sealing
    control[rates.C_BORE_RATE] = -1.0 / sealing
    burst = stem.burst_amount / sealing
    control[rates.C_BURST_BULB] = burst * stem.burst_share_to_bulb
    control[rates.C_BURST_HEAD] = burst * (1.0 - stem.burst_share_to_bulb)
