"""The pumping lines of a machine, numbered into pumping groups.

Lines whose pumps, or pumps behind these, name the same backing line are one group.  Every volume has one
pump that takes gas from it; the pump of a manifold is that of the line, the pump of a backing volume
the one behind.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from exhaustsim.constants import GAS_CONSTANT, GAS_NAMES
from exhaustsim.data.published import BUILT_IN, Tables
from exhaustsim.engine import pumping
from exhaustsim.engine.network import gas_array, room_air
from exhaustsim.engine.pumping import G, NO_STATE, NUMBER_COUNT, ROOM, GroupTables
from exhaustsim.physics.hotmetal import monotone_slopes
from exhaustsim.physics.pumps import booster_slip
from exhaustsim.plant.machine import (
    BackedPump, BoosterPump, DiffusionPump, Pump, RotaryMachine, RotaryPump, TablePump, TurbomolecularPump,
)  # fmt: skip

KINDS = {
    RotaryPump: pumping.ROTARY, DiffusionPump: pumping.DIFFUSION, BoosterPump: pumping.BOOSTER,
    TurbomolecularPump: pumping.TURBOMOLECULAR, TablePump: pumping.TABLE,
}  # fmt: skip


class Group(NamedTuple):
    """One pumping group: its tables, and which line and pump is where."""

    tables: GroupTables
    lines: tuple[int, ...]  # number in the machine of the line of each manifold
    pumps: tuple[Pump, ...]  # by volume


def number_groups(machine: RotaryMachine, tables: Tables = BUILT_IN) -> tuple[Group, ...]:
    """The pumping groups of `machine`, in the order of their first lines; `tables` with the shares of room air.

    Raises
    ------
    ValueError
        Two pumps name the same backing line but do not agree on what stands there.
    """
    members: list[tuple[set[str], list[int]]] = []
    for number, line in enumerate(machine.lines):
        names, lines = _shared_names(line.pump), [number]
        apart = []
        for other_names, other_lines in members:
            if names & other_names:
                names, lines = names | other_names, other_lines + lines
            else:
                apart.append((other_names, other_lines))
        members = [*apart, (names, lines)]
    return tuple(_group(machine, sorted(lines), room_air(machine.air_humidity, tables)) for _, lines in sorted(members, key=lambda m: min(m[1])))


def _shared_names(pump: Pump | None) -> set[str]:
    if not isinstance(pump, BackedPump):
        return set()
    return {pump.backing_line} - {""} | _shared_names(pump.backing_pump)


def _group(machine: RotaryMachine, lines: list[int], air: np.ndarray) -> Group:
    volumes = [machine.lines[k].manifold_volume for k in lines]
    pumps = [machine.lines[k].pump for k in lines]
    target: list[int] = []
    shared: dict[str, tuple[int, float, Pump]] = {}
    at = 0
    while at < len(pumps):  # volumes behind are added at the end while going through
        pump = pumps[at]
        at += 1
        if not isinstance(pump, BackedPump) or pump.backing_pump is None:
            target.append(ROOM)
            continue
        name = pump.backing_line
        if name in shared:
            place, volume, behind = shared[name]
            if (volume, behind) != (pump.backing_volume, pump.backing_pump):
                raise ValueError(f'pumps do not agree on the volume or the pump of backing line "{name}"')
            target.append(place)
            continue
        target.append(len(volumes))
        if name:
            shared[name] = (len(volumes), pump.backing_volume, pump.backing_pump)
        volumes.append(pump.backing_volume)
        pumps.append(pump.backing_pump)
    return Group(_tables(machine, air, len(lines), volumes, pumps, target), tuple(lines), tuple(pumps))


def _tables(machine: RotaryMachine, air: np.ndarray, manifolds: int, volumes, pumps, target) -> GroupTables:
    count = len(pumps)
    numbers = np.zeros((count, NUMBER_COUNT))
    ultimate, compression = np.zeros((count, G)), np.ones((count, G))
    state = np.full(count, NO_STATE, dtype=np.int64)
    tables, start = [], [0]
    core = count * G
    for k, pump in enumerate(pumps):
        x = numbers[k]
        x[pumping.P_SPEED] = 1.0 if isinstance(pump, TablePump) else pump.speed  # a table holds the speeds themselves
        ultimate[k] = own_ultimate(pump, air)
        start.append(start[-1])
        if isinstance(pump, DiffusionPump | TurbomolecularPump):
            state[k] = core
            core += 1
            x[pumping.P_KNEE] = pump.knee_pressure
            x[pumping.P_CRITICAL] = pump.critical_backing_pressure
            x[pumping.P_STALL] = pump.stall_time
            x[pumping.P_RECOVER] = pump.recovery_time
        if isinstance(pump, DiffusionPump):
            x[pumping.P_STALLED] = pump.stalled_conductance
        elif isinstance(pump, TurbomolecularPump):
            compression[k] = np.log(compressions(pump))
        elif isinstance(pump, BoosterPump):
            x[pumping.P_DIFFERENCE] = pump.pressure_difference
            compression[k] = compressions(pump)
        elif isinstance(pump, TablePump):
            tables.append(_speed_table(pump))
            start[-1] += len(pump.pressures)
    joined = [np.concatenate(t, axis=-1) for t in zip(*tables, strict=True)] or [np.zeros(0), np.zeros((G, 0)), np.zeros((G, 0))]
    return GroupTables(
        manifolds, core, GAS_CONSTANT * machine.room_temperature, np.array(volumes, dtype=float),
        np.array([KINDS[type(p)] for p in pumps], dtype=np.int64), np.arange(count, dtype=np.int64),
        np.array(target, dtype=np.int64), state, numbers, ultimate, compression, np.array(start, dtype=np.int64), *joined,
    )  # fmt: skip


def _speed_table(pump: TablePump):
    """Logarithms of pressures (point,) and of speeds (gas, point), and slopes."""
    pressure = np.log(np.array(pump.pressures))
    by_gas = dict(pump.speeds)
    speed = np.log(np.array([by_gas[gas] for gas in GAS_NAMES]))
    slope = np.zeros_like(speed)
    for g in range(G):
        monotone_slopes(pressure, speed[g], slope[g])
    slope[:, [0, -1]] = 0.0  # the speed is held beyond the table
    return pressure, speed, slope


def compressions(pump: Pump) -> np.ndarray:
    """(gas,) compression at no flow; infinite for pumps that let nothing back."""
    if isinstance(pump, BoosterPump):
        return np.full(G, pump.compression)
    if isinstance(pump, TurbomolecularPump):
        return gas_array(pump.compression)
    return np.full(G, np.inf)


def own_ultimate(pump: Pump, air: np.ndarray) -> np.ndarray:
    """(gas,) Pa: partial ultimate pressures of a pump with nothing behind it; `air` shares of the room air."""
    if isinstance(pump, BoosterPump):
        return np.zeros(G)
    own = gas_array(pump.ultimate_gases) * pump.ultimate_pressure
    if isinstance(pump, RotaryPump) and pump.gas_ballast > 0.0:
        own = own + air * max(pump.ballast_ultimate_pressure - pump.ultimate_pressure, 0.0)
    return own


def ultimate_pressures(pump: Pump, machine: RotaryMachine, tables: Tables = BUILT_IN) -> np.ndarray:
    """(gas,) Pa: partial pressures at which a pump takes nothing more, with all that stands behind it."""
    own = own_ultimate(pump, room_air(machine.air_humidity, tables))
    if isinstance(pump, BoosterPump | TurbomolecularPump):
        behind = ultimate_pressures(pump.backing_pump, machine, tables)
        own = own + behind / compressions(pump)
    return own


def resting_pressures(group: Group, leaks: np.ndarray) -> np.ndarray:
    """(volume, gas) Pa in a group whose manifolds take in `leaks` (manifold, gas) [Pa m^3/s] all the time.

    Good to start from, not exact: knees, stalls and slips are left out.
    """
    tables = group.tables
    count = len(group.pumps)
    through = np.zeros((count, G))
    through[: len(leaks)] = leaks
    # A volume behind has a higher number than some pump that feeds it, but shared ones not than all of them.
    for k in sorted(range(count), key=lambda k: -_depth(tables, k)):
        if tables.target[k] != ROOM:
            through[tables.target[k]] += through[k]
    pressure = np.zeros((count, G))
    for k in sorted(range(count), key=lambda k: _depth(tables, k)):
        pressure[k] = tables.ultimate[k] + through[k] / group.pumps[k].speed
        if isinstance(group.pumps[k], BoosterPump | TurbomolecularPump):
            pressure[k] += pressure[tables.target[k]] / compressions(group.pumps[k])
            total = pressure[k].sum()
            lift = pressure[tables.target[k]].sum() - total
            if isinstance(group.pumps[k], BoosterPump):
                pressure[k] /= booster_slip(lift, group.pumps[k].pressure_difference)[0]
    return pressure


def _depth(tables: GroupTables, volume: int) -> int:
    """How many pumps stand between a volume and the room."""
    depth = 1
    while tables.target[volume] != ROOM:
        volume = int(tables.target[volume])
        depth += 1
    return depth
