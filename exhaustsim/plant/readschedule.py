"""A schedule file to a `Schedule`: what each position does, ageing, shelf time, limits.

The valve and the machine are read first, because a schedule is checked against both: its
positions against the machine's, its watts against the valve's thermal nodes and the coils.
Positions that a schedule does not mention do nothing but pump.
"""

from __future__ import annotations

import math

from exhaustsim.plant.coil import is_whole, most_square_amperes
from exhaustsim.plant.entries import Entries
from exhaustsim.plant.faults import quoted
from exhaustsim.plant.machine import RotaryMachine
from exhaustsim.plant.readvalve import read_target
from exhaustsim.plant.schedule import AgeingStep, PositionSetting, RfSetting, Schedule
from exhaustsim.plant.valve import ValveDesign

ACTIONS = ("load", "spark_test", "flash", "tip_off", "eject")


def read_schedule(entries: Entries, valve: ValveDesign | None, machine: RotaryMachine | None) -> Schedule | None:
    """The schedule in `entries`, or None when its valve or machine could not be read at all."""
    entries.asked("valve", "machine")
    name = entries.text("name")
    intention = entries.text("intention", default="")
    index_time = entries.quantity("index_time", "time", above=0.0)
    dwell = _dwell(entries, index_time, machine)
    oven_temperature = entries.quantity("oven_temperature", "temperature", above=0.0)
    positions = _positions(entries, valve, machine, dwell)
    ageing = tuple(_ageing_step(step) for step in entries.subs("ageing"))
    shelf_time = entries.quantity("shelf_time", "time", default=0.0, at_least=0.0)
    target = read_target(entries.sub("target", required=False), valve.target) if valve is not None else None
    entries.finish()
    if valve is None or machine is None:
        return None
    return Schedule(name, intention, entries.file, valve, machine, index_time, oven_temperature, positions, ageing,
                    shelf_time, target)


def _dwell(entries: Entries, index_time: float, machine: RotaryMachine | None) -> float:
    """Index time less transfer time, or not-a-number when that is not known."""
    if machine is None:
        return math.nan
    if index_time <= machine.transfer_time:
        entries.fault("index_time", f"must be longer than the transfer time of {machine.transfer_time:g} s",
                      "index time is transfer plus dwell; leave a dwell of some seconds")
        return math.nan
    return index_time - machine.transfer_time


def _positions(
    entries: Entries, valve: ValveDesign | None, machine: RotaryMachine | None, dwell: float
) -> tuple[PositionSetting, ...]:
    # A machine whose number of positions could not be read has its own fault already.
    count = (machine.positions or None) if machine is not None else None
    settings: dict[int, PositionSetting] = {}
    places: dict[int, Entries] = {}
    for entry in entries.subs("position"):
        number = entry.whole_number("number")
        setting = _position(entry, number or 0, valve, machine, dwell)
        if number is None:
            continue
        if number < 1:
            entry.fault("number", f"there is no position {number}", "positions count from 1")
        elif count is not None and number > count:
            entry.fault("number", f"there is no position {number}", f'machine "{machine.name}" has {count} positions')
        elif number in settings:
            entry.fault("number", f"position {number} stands there twice", "put both settings under one [[position]]")
        else:
            settings[number] = setting
            places[number] = entry
    _check_actions(entries, settings, places)
    _check_lines(settings, places, machine)
    return tuple(settings.get(n, PositionSetting(n)) for n in range(1, (count or 0) + 1))


def _position(
    entry: Entries, number: int, valve: ValveDesign | None, machine: RotaryMachine | None, dwell: float
) -> PositionSetting:
    setting = PositionSetting(
        position=number,
        action=entry.word("action", ACTIONS, "action", default=""),
        heater_voltage=entry.quantity("heater", "voltage", default=0.0, at_least=0.0),
        rf=_rf(entry.sub("rf"), number, valve, machine, dwell) if "rf" in entry else None,
    )
    entry.finish()
    return setting


def _rf(
    rf: Entries, number: int, valve: ValveDesign | None, machine: RotaryMachine | None, dwell: float
) -> RfSetting:
    by_coil = [key for key in ("current", "field") if key in rf]
    if by_coil:
        rf.asked("power")
        current = _coil_current(rf, by_coil, number, valve, machine)
        start, duration = _rf_times(rf, dwell)
        _check_coil_there(rf, number, machine)
        rf.finish()
        return RfSetting(power={}, start=start, duration=duration, current=current)
    stated = rf.table.get("power")
    # Without a valve nobody knows its nodes: the names are taken as they stand.
    names = [n.name for n in valve.nodes] if valve is not None else list(stated) if isinstance(stated, dict) else []
    power = rf.numbers_by_name("power", names, "thermal node", "power", at_least=0.0)
    rf.asked("current", "field")
    start, duration = _rf_times(rf, dwell)
    _check_coil_there(rf, number, machine)
    if machine is not None and machine.positions >= number >= 1 and sum(power.values()) > machine.rf_power_limit:
        rf.fault("power", f"{sum(power.values()):g} W are more than the {machine.rf_power_limit:g} W of the coil",
                 "lower the watts absorbed")
    rf.finish()
    return RfSetting(power=power, start=start, duration=duration)


def _rf_times(rf: Entries, dwell: float) -> tuple[float, float]:
    """Start and duration [s], which must fit into the dwell."""
    start = rf.quantity("start", "time", default=0.0, at_least=0.0)
    duration = rf.quantity("duration", "time", default=dwell - start, above=0.0)
    if start >= dwell:
        rf.fault("start", f"RF must come on within the dwell of {dwell:g} s", "start earlier or lengthen the index")
    elif start + duration > dwell * (1.0 + 1e-9):
        rf.fault(
            "duration" if "duration" in rf else "start",
            f"RF would last to {start + duration:g} s of a dwell of {dwell:g} s",
            f"at most {dwell - start:g} s after this start; RF is off in the transfer",
        )
    return start, duration


def _check_coil_there(rf: Entries, number: int, machine: RotaryMachine | None) -> None:
    if machine is not None and machine.positions >= number >= 1:
        coils_known = not any(f.file == machine.source and f.key == "rf.positions" for f in rf.faults)
        if coils_known and number not in machine.rf_positions:
            coils = ", ".join(map(str, machine.rf_positions)) or "no position"
            rf.fault("", f"position {number} has no RF coil", f'machine "{machine.name}" has coils at {coils}')


def _coil_current(
    rf: Entries, given: list[str], number: int, valve: ValveDesign | None, machine: RotaryMachine | None
) -> float:
    """Current in the coil [A], stated or from the field in its empty middle."""
    key = given[0]
    for other in ("power", *given[1:]):
        if other in rf:
            rf.fault(other, f'contradicts "{key}"', "give the watts absorbed, the current in the coil or its field, one of them")
    amount = rf.quantity("current", "current", above=0.0) if key == "current" else rf.quantity("field", "field", above=0.0)
    rf.asked("current", "field")
    if machine is None or number not in machine.rf_positions:
        return amount  # the fault of a position without coil is told elsewhere
    coil = next((c for c in machine.coils if number in c.positions), None)
    if coil is None:
        rf.fault(key, f'machine "{machine.name}" does not describe the coil at position {number}',
                 "add [rf.coils.NAME] with positions, frequency, turns, length and diameter to it, or give rf.power in watts")
        return amount
    if not is_whole(coil):
        return amount
    current = amount if key == "current" else coil.current(amount)
    if current > coil.current_limit:
        rf.fault(key, f'{current:.4g} A are more than the {coil.current_limit:g} A of coil "{coil.name}"', "lower it")
    if valve is None:
        return current
    loads = {n.name: n.in_coil for n in valve.nodes if n.in_coil is not None}
    if not loads:
        rf.fault(key, f'valve "{valve.name}" does not say how any part lies in a coil',
                 "add [nodes.anode.in_coil] with material, radius, wall and height to it, or give rf.power in watts")
    wide = next((name for name, load in loads.items() if 2.0 * load.radius >= coil.diameter), None)
    if wide is not None:
        rf.fault(key, f'{wide} is {2e3 * loads[wide].radius:g} mm wide and coil "{coil.name}" {1e3 * coil.diameter:g} mm',
                 "correct the radius of the part or the diameter of the coil")
    elif loads and all(map(is_whole, loads.values())) and machine.rf_power_limit > 0.0:
        most, at = most_square_amperes(coil, list(loads.values()), machine.rf_power_limit)
        if current**2 > most * (1.0 + 1e-9) and not current > coil.current_limit:
            watts = machine.rf_power_limit * current**2 / most
            rf.fault(key, f"parts at {at:.0f} K would take {watts:.4g} W, more than the {machine.rf_power_limit:g} W of the coil",
                     f"at most {most**0.5:.3g} A")
    return current


def _check_actions(entries: Entries, settings: dict[int, PositionSetting], places: dict[int, Entries]) -> None:
    by_action: dict[str, list[int]] = {}
    for number, setting in sorted(settings.items()):
        if setting.action:
            by_action.setdefault(setting.action, []).append(number)
    for action, numbers in by_action.items():
        for number in numbers[1:]:
            need = f'"{action}" already stands at position {numbers[0]}'
            places[number].fault("action", need, "keep it at one position")
    first = {action: numbers[0] for action, numbers in by_action.items()}
    if "tip_off" not in first and not any(e.table.get("action") == "tip_off" for e in places.values()):
        entries.fault("position", "no position tips the valve off", 'add action = "tip_off" to one position')
    if "flash" in first:
        _check_flash(settings, places, first["flash"])
    if "tip_off" in first and "eject" in first and first["eject"] < first["tip_off"]:
        places[first["eject"]].fault("action", f"ejected before tip-off at position {first['tip_off']}",
                                     "eject after tip-off")


def _check_flash(settings: dict[int, PositionSetting], places: dict[int, Entries], flash: int) -> None:
    heated = [n for n, s in settings.items() if s.heater_voltage > 0.0]
    if not heated:
        places[flash].fault("action", "the getter is flashed but no position heats the cathode",
                            "add heater = \"... V\" to the breakdown positions")
    elif flash < min(heated):
        places[flash].fault("action", f"the getter is flashed before the first heater step at position {min(heated)}",
                            "flash after breakdown, or the barium is spent on the coating's CO2")
    if settings[flash].rf is None:
        places[flash].fault("rf", "missing; a flash position needs RF watts and seconds", "add [position.rf]")


def _check_lines(
    settings: dict[int, PositionSetting], places: dict[int, Entries], machine: RotaryMachine | None
) -> None:
    """A valve that is still to be tipped off must not have its coating broken down on a blanked port."""
    if machine is None:
        return
    tip_off = next((n for n, s in settings.items() if s.action == "tip_off"), 0)
    for number, setting in settings.items():
        if setting.heater_voltage > 0.0 and number < tip_off and number not in machine.line_of_position:
            lines = quoted(line.name for line in machine.lines)
            places[number].fault(
                "heater",
                f"position {number} opens to no line and the cathode would gas into the bulb",
                f"heat where the port is open to a line ({lines})",
            )


def _ageing_step(entries: Entries) -> AgeingStep:
    step = AgeingStep(
        heater_voltage=entries.quantity("heater", "voltage", at_least=0.0),
        anode_power=entries.quantity("anode_power", "power", default=0.0, at_least=0.0),
        anode_current=entries.quantity("anode_current", "current", default=0.0, at_least=0.0),
        duration=entries.quantity("duration", "time", above=0.0),
        label=entries.text("label", default=""),
    )
    entries.finish()
    return step
