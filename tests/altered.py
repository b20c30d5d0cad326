"""Demo schedules with one thing altered: what tests of landmarks, orderings and ledger have in common.

Everything is done with `dataclasses.replace`; the schedules handed in stay as they are.
"""

from __future__ import annotations

from dataclasses import replace

from exhaustsim.engine.phases import STANDING_TIME
from exhaustsim.plant.machine import DiffusionPump, RotaryPump
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.valve import EmpiricalGas
from exhaustsim.units import PASCAL_LITRE

NO_COATING = 1e-12  # mol of carbonate: 2.4e-6 Pa L, against 43 Pa L


def valve_with(schedule: Schedule, **changes) -> Schedule:
    return replace(schedule, valve=replace(schedule.valve, **changes))


def machine_with(schedule: Schedule, **changes) -> Schedule:
    return replace(schedule, machine=replace(schedule.machine, **changes))


def parts_with(schedule: Schedule, change) -> Schedule:
    """Every part replaced by `change(part)`, which gives one part or several."""
    parts = []
    for part in schedule.valve.parts:
        new = change(part)
        parts += new if isinstance(new, list) else [new]
    return valve_with(schedule, parts=tuple(parts))


def lines_with(schedule: Schedule, change) -> Schedule:
    return machine_with(schedule, lines=tuple(change(line) for line in schedule.machine.lines))


def coating_with(schedule: Schedule, **changes) -> Schedule:
    return valve_with(schedule, coating=replace(schedule.valve.coating, **changes))


def stem_with(schedule: Schedule, **changes) -> Schedule:
    return valve_with(schedule, exhaust_stem=replace(schedule.valve.exhaust_stem, **changes))


def without_coating_chemistry(schedule: Schedule) -> Schedule:
    return coating_with(schedule, carbonate=NO_COATING, recarbonation_rate=0.0)


def with_sticking(schedule: Schedule, sticking: float) -> Schedule:
    """The same sticking of water on all surfaces; 0 turns readsorption off."""
    return parts_with(
        schedule,
        lambda part: replace(part, surface_gases=tuple(replace(g, sticking=sticking) for g in part.surface_gases)),
    )


def without_mirror(schedule: Schedule) -> Schedule:
    """No barium leaves the getter: not in the flash, nor the trace that a warm holder gives before it."""
    return valve_with(schedule, getter=replace(schedule.valve.getter, emitting_area=0.0))


def without_heat(schedule: Schedule) -> Schedule:
    """Oven at room temperature, heater and RF off."""
    cold = tuple(replace(p, rf=None, heater_voltage=0.0) for p in schedule.positions)
    return replace(schedule, positions=cold, oven_temperature=schedule.machine.room_temperature)


def without_gas(schedule: Schedule) -> Schedule:
    """Parts, coating, getter fill, tip-off and glass give no gas; air fills bulb and head at the start all the same."""
    empty = parts_with(
        without_coating_chemistry(schedule),
        lambda part: replace(part, surface_gases=(), diffusing_gases=(), first_order_gases=(), empirical_gases=()),
    )
    valve = empty.valve
    return valve_with(
        stem_with(empty, burst_amount=0.0),
        getter=replace(valve.getter, flash_gas=0.0),
        permeation=replace(valve.permeation, conductivity=0.0),
    )


def without_leaks(schedule: Schedule) -> Schedule:
    return lines_with(schedule, lambda line: replace(line, in_leak_per_port=0.0))


def with_ultimate(schedule: Schedule, pressure: float) -> Schedule:
    """Every pump, backing pumps included, with this ultimate pressure [Pa]; composition kept."""

    def change(line):
        pump = replace(line.pump, ultimate_pressure=pressure)
        if isinstance(pump, DiffusionPump):
            pump = replace(pump, backing_pump=replace(pump.backing_pump, ultimate_pressure=pressure))
        return replace(line, pump=pump)

    return lines_with(schedule, change)


def with_wide_pumps(schedule: Schedule, ultimate: float) -> Schedule:
    """A rotary pump of 1 m^3/s on every line: no line stands in the way and none is overloaded."""
    gases = schedule.machine.lines[0].pump.ultimate_gases
    pump = RotaryPump(speed=1.0, ultimate_pressure=ultimate, ultimate_gases=gases)
    return lines_with(schedule, lambda line: replace(line, pump=pump))


def bleeding(schedule: Schedule, gas: str, rate: float) -> Schedule:
    """A constant stream of `gas` into the bulb all through the run, `rate` in Pa L/s at 20 degC.

    The stock it comes from lasts the run and as long again: the stream is 0.1 to 0.2 % less than
    `rate`, because a fitted law fades with the last thousandth of its stock.
    """
    flow = rate * PASCAL_LITRE
    seconds = schedule.index_time * len(schedule.positions) + sum(step.duration for step in schedule.ageing)
    stock = 2.0 * flow * (seconds + STANDING_TIME + schedule.shelf_time)
    source = EmpiricalGas(gas=gas, rate_at_one_hour=flow, exponent=0.0, age=3600.0, amount=stock)
    first, *others = schedule.valve.parts
    return valve_with(
        schedule, parts=(replace(first, empirical_gases=(*first.empirical_gases, source)), *others)
    )


def with_index(schedule: Schedule, index_time: float, dwell: float | None = None) -> Schedule:
    """Another index time at the same settings: RF that lasted the whole dwell still does, the flash keeps its seconds.

    `dwell` is the dwell that the RF settings were made for, if it is not the schedule's own.
    """
    before = schedule.dwell if dwell is None else dwell
    new = replace(schedule, index_time=index_time)

    def change(setting):
        rf = setting.rf
        if rf is None:
            return setting
        if rf.start > 0.0:
            assert rf.start + rf.duration <= new.dwell + 1e-9, "no time for the flash"
            return replace(setting, rf=replace(rf, duration=min(rf.duration, new.dwell - rf.start)))
        assert abs(rf.duration - before) < 1e-9
        return replace(setting, rf=replace(rf, duration=new.dwell))

    return replace(new, positions=tuple(change(p) for p in schedule.positions))


def hotter_cathode(schedule: Schedule, kelvin: float) -> Schedule:
    """Every heater step raised by so many kelvin on the heater's own law."""
    heater = schedule.valve.heater

    def change(setting):
        if setting.heater_voltage == 0.0:
            return setting
        settles = heater.rated_temperature * (setting.heater_voltage / heater.rated_voltage) ** heater.voltage_exponent
        volts = heater.rated_voltage * ((settles + kelvin) / heater.rated_temperature) ** (1.0 / heater.voltage_exponent)
        return replace(setting, heater_voltage=volts)

    return replace(schedule, positions=tuple(change(p) for p in schedule.positions))


class Named(dict):
    """Schedules or runs by name, told by their names only when a test fails on them."""

    def __repr__(self):
        return f"<{', '.join(self)}>"
