"""Which columns of a log are its clock and its readings, and in what unit: from the file and from what the user says.

A unit is taken from the user, the heading, a column of units, behind the numbers or a sentence, in
this order, and never guessed; two of them that contradict each other are refused.  Where a wall clock
and a column of seconds stand side by side, the seconds are used if they agree with it.

Not done: no unit is told from the size of the readings.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from exhaustsim.plant.faults import Fault, nearest, quoted
from exhaustsim.plant.logclock import Clock, read_moments, unix_clock
from exhaustsim.plant.logcolumns import Column
from exhaustsim.plant.logreadings import NumbersUnclear, decimal_sign, numbers_of, units_behind_numbers
from exhaustsim.plant.logtext import Sheet, is_moment, is_number
from exhaustsim.plant.logunits import LogUnit, UnitUnclear, pressure_unit, time_unit as unit_of_time, unit_in_sentence
from exhaustsim.plant.logwishes import Wishes



def _is_called(column: Column, key) -> bool:
    if isinstance(key, int):
        return column.number == key - 1
    return str(key).strip().lower() in (column.header.lower(), column.name.lower())


def choose(file: str, sheet: Sheet, every: list[Column], wishes: Wishes, faults: list[Fault]) -> tuple[list[Column], list[Column]]:
    """The columns of the clock and those of readings."""
    if wishes.time_column is not None:
        clocks = [c for c in every if _is_called(c, wishes.time_column)][:1]
        if not clocks:
            faults.append(Fault(file, "time_column", str(wishes.time_column), "no such column", nearest(str(wishes.time_column), [c.header for c in every])))
    else:
        clocks = [c for c in every if c.role == "time"]
        if not clocks:
            clocks = [c for c in every if _holds_moments(sheet, c)][:1]
        if not clocks and not sheet.header and wishes.time_unit is not None:
            clocks = every[:1]
        if not clocks:
            names = quoted(c.header for c in every) if sheet.header else f"{len(every)} columns without names"
            cure = 'name it as time_column, with its unit as time_unit, as in time_column = 1, time_unit = "s"'
            faults.append(Fault(file, "time", names, "no column is a clock", cure))
    if wishes.chosen is not None:
        readings = []
        for key in wishes.chosen:
            found = [c for c in every if _is_called(c, key)]
            if not found:
                faults.append(Fault(file, "columns", str(key), "no such column", nearest(str(key), [c.header for c in every])))
            readings += found
        # What is not clear about a column that nobody asked for, or whose unit is given here, is no fault.
        asked = [c.header for c in readings if not any(_is_called(c, key) for key in wishes.units)]
        unclear = [c.header for c in every if c.role == "unclear" and c.header not in asked]
        faults[:] = [f for f in faults if f.given not in unclear or f.key == "columns"]
        return clocks, readings
    readings = [c for c in every if c.role == "pressure" and c not in clocks]
    if not readings:
        others = [c for c in every if c not in clocks and c.role == "other" and _numeric(sheet, c)]
        units_of = [c for c in others if c.unit is not None and c.unit.kind == "pressure"]
        if units_of:
            readings = units_of
        elif len(others) == 1 and (not sheet.header or len(every) == len(clocks) + 1):
            readings = others
        elif others and not sheet.header and not faults:
            faults.append(Fault(file, "columns", f"{len(every)} columns without names", "which of them are readings cannot be known",
                                'give them by number, as in columns = {2: "mbar"}'))  # fmt: skip
    # A gauge in volts beside one in a unit of pressure is the same gauge, unless a law is given.
    if wishes.volts is None and any(c.unit and c.unit.kind == "pressure" for c in readings):
        readings = [c for c in readings if not (c.unit and c.unit.kind == "voltage")]
    return clocks, readings


def _some(cells) -> list[str]:
    return [c for c in cells[:200] if c.strip()][:50]


def _holds_moments(sheet: Sheet, column: Column) -> bool:
    cells = _some(sheet.columns[column.number])
    return bool(cells) and sum(map(is_moment, cells)) > 0.8 * len(cells)


def _numeric(sheet: Sheet, column: Column) -> bool:
    cells = _some(sheet.columns[column.number])
    return bool(cells) and sum(map(is_number, cells)) > 0.5 * len(cells)


def no_pressure(file: str, every: list[Column]) -> Fault:
    """The fault of a log in which no column is a pressure."""
    names = quoted(c.header for c in every)
    return Fault(file, "columns", names[:200], "no column is a pressure", 'name the columns of readings and their units, as in columns = {"IG1": "mbar"}')


@dataclass(frozen=True)
class Reading:
    """A column of readings with its unit."""

    column: Column
    unit: LogUnit
    factors: np.ndarray | None = None  # (rows,) Pa in one unit, where a column of units says it row by row
    cells: tuple | None = None  # numbers cut from the units behind them


def with_unit(file, sheet: Sheet, column: Column, every, wishes: Wishes, faults, assumed) -> Reading:
    """A column of readings with the unit that the user, the heading, a column or a sentence gives it."""
    nothing = Reading(column, LogUnit("Pa", 1.0, "pressure"))
    asked = next((u for key, u in wishes.units.items() if _is_called(column, key)), None)
    if asked is not None:
        if column.unit is not None and column.unit.factor != asked.factor:
            assumed.append(f"{column.name}: unit {asked.text} as you say, over {column.unit.text} in the heading.")
        return _checked_volts(file, Reading(column, asked), wishes, faults)
    if column.unit is not None:
        if wishes.unit is not None and (wishes.unit.factor, wishes.unit.kind) != (column.unit.factor, column.unit.kind):
            faults.append(Fault(file, f"unit of {column.header}", wishes.unit.text, f"the heading says {column.unit.text}",
                                f'leave unit out, or give columns = {{"{column.name}": "{wishes.unit.text}"}} to override the heading'))  # fmt: skip
        assumed.append(f"{column.name}: unit {column.unit.text}, from the heading.")
        return _checked_volts(file, Reading(column, column.unit), wishes, faults)
    from_column = _units_by_row(file, sheet, column, every, faults, assumed)
    if from_column is not None:
        return from_column
    behind = units_behind_numbers(sheet.columns[column.number])
    if behind is not None:
        cells, words = behind
        try:
            unit = pressure_unit(next(iter(words))) if len(words) == 1 else None
        except UnitUnclear:
            unit = None
        if unit is None:
            faults.append(Fault(file, column.header, ", ".join(sorted(words)), "needs one unit of pressure behind all numbers", "write one unit"))
            return nothing
        assumed.append(f"{column.name}: unit {unit.text}, behind its numbers.")
        return Reading(column, unit, None, tuple(cells))
    told = {}
    for remark in sheet.before:
        try:
            unit = unit_in_sentence(remark.text)
        except UnitUnclear as unclear:
            faults.append(Fault(file, f"line {remark.line}", remark.text[:60], str(unclear), f'give columns = {{"{column.name}": "mbar"}}'))
            return nothing
        if unit is not None:
            told.setdefault(unit.text, (unit, remark))
    if len(told) > 1:
        faults.append(Fault(file, column.header, ", ".join(told), "the remarks name several units", f'give columns = {{"{column.name}": "mbar"}}'))
        return nothing
    if told:
        unit, remark = next(iter(told.values()))
        if wishes.unit is not None and wishes.unit.factor != unit.factor:
            faults.append(Fault(file, f"unit of {column.header}", wishes.unit.text, f"line {remark.line} says {unit.text}",
                                f'leave unit out, or give columns = {{"{column.name}": "{wishes.unit.text}"}} to override it'))  # fmt: skip
        assumed.append(f'{column.name}: unit {unit.text}, from line {remark.line}: "{remark.text[:60]}".')
        return Reading(column, unit)
    if wishes.unit is not None:
        assumed.append(f"{column.name}: unit {wishes.unit.text}, as you say.")
        return _checked_volts(file, Reading(column, wishes.unit), wishes, faults)
    written = re.search(r"[\[(]([^\])]+)[\])]", column.header)
    if written:
        faults.append(Fault(file, column.header, "", f'"{written[1]}" is not a unit of pressure that is known here; no unit is guessed',
                            f'give columns = {{"{column.name}": "mbar"}} with the right one'))  # fmt: skip
        return nothing
    faults.append(Fault(file, column.header, "", "no unit in heading, row of units, column of units or remarks; it is not guessed",
                        f'give unit = "mbar", or columns = {{"{column.name}": "mbar"}}'))  # fmt: skip
    return nothing


def _checked_volts(file, reading: Reading, wishes: Wishes, faults) -> Reading:
    if reading.unit.kind == "voltage" and wishes.volts is None:
        faults.append(Fault(file, reading.column.header, "V", "volts need the law of the gauge, p = 10^(slope V + intercept)",
                            'give volts = (slope, intercept, "mbar")'))  # fmt: skip
    return reading


def _units_by_row(file, sheet: Sheet, column: Column, every, faults, assumed) -> Reading | None:
    """Units from a column of units; None when there is none."""
    holder = next((c for c in every if c.role == "unit"), None)
    if holder is None:
        return None
    words = sheet.columns[holder.number]
    units, bad = {}, None
    for word in dict.fromkeys(words):
        try:
            units[word] = pressure_unit(word)
        except UnitUnclear:
            units[word] = None
        bad = word if units[word] is None and word.strip() else bad
    if bad is not None:
        line = sheet.line[words.index(bad)]
        faults.append(Fault(file, f"line {line}, {holder.header}", bad, "needs a unit of pressure", "correct it"))
        return Reading(column, LogUnit("Pa", 1.0, "pressure"))
    known = {u.text: u for u in units.values() if u is not None}
    if not known:
        return None
    assumed.append(f"{column.name}: unit {' and '.join(known)}, from the column {holder.header}.")
    one = next(iter(known.values()))
    # A row without a unit has no reading: its factor is not-a-number.
    factors = np.array([units[w].factor if units[w] else np.nan for w in words])
    return Reading(column, one if len(known) == 1 else LogUnit("as in each row", one.factor, "pressure"), factors)


# ---- the clock ------------------------------------------------------------------------------


def clock_of(file, sheet: Sheet, columns: list[Column], wishes: Wishes, faults, assumed) -> Clock | None:
    """Seconds of every row, from the one or two columns that tell the time."""
    walls = [c for c in columns if _holds_moments(sheet, c)]
    counted = [c for c in columns if c not in walls]
    wall = None
    if walls:
        cells = sheet.columns[walls[0].number]
        if len(walls) > 1 and not any(":" in c for c in _some(cells)) and any(":" in c for c in _some(sheet.columns[walls[1].number])):
            cells = tuple(f"{d.strip()} {t.strip()}" for d, t in zip(cells, sheet.columns[walls[1].number], strict=True))
        elif len(walls) > 1 and ":" in "".join(_some(cells)) and not any(re.search(r"[-/.]", c) for c in _some(cells)) and ":" not in "".join(_some(sheet.columns[walls[1].number])):
            cells = tuple(f"{d.strip()} {t.strip()}" for t, d in zip(cells, sheet.columns[walls[1].number], strict=True))
        wall = read_moments(cells, file, walls[0].header, faults, wishes.day_first, wishes.time_unit)
        if wall is None:
            return None
    if not counted:
        if wall is not None:
            assumed += wall.assumed
        return wall
    column = counted[0]
    said: list[str] = []
    elapsed = _counted(file, sheet, column, wishes, [] if wall is not None else faults, said)
    if wall is None or elapsed is None:
        assumed += wall.assumed if wall is not None else said
        return wall if wall is not None else elapsed
    both = np.flatnonzero(np.isfinite(wall.seconds) & np.isfinite(elapsed.seconds))
    if len(both) > 1:
        by_wall = wall.seconds[both[-1]] - wall.seconds[both[0]]
        by_count = elapsed.seconds[both[-1]] - elapsed.seconds[both[0]]
        # A wall clock to the minute is a minute out at most; beyond that and one per cent the two do not agree.
        if abs(by_wall - by_count) > 0.01 * abs(by_wall) + 60.0 * (by_wall > 6000.0) + 2.0:
            assumed += [*wall.assumed, f'"{column.header}" counts {by_count:g} while the wall clock passes {by_wall:g} s (turns of a loop?): '
                                       "the wall clock is used."]  # fmt: skip
            return wall
    assumed += said
    assumed.append(f'Elapsed time "{column.header}" used; it agrees with the wall clock, begun {wall.start.replace("T", " ")}.')
    elapsed.start = wall.start
    return elapsed


def _counted(file, sheet: Sheet, column: Column, wishes: Wishes, faults, assumed) -> Clock | None:
    """A clock of numbers: elapsed time with a unit, or seconds since 1970."""
    cells = sheet.columns[column.number]
    try:
        values = numbers_of(cells, decimal_sign(cells, wishes.decimal, commas_elsewhere(sheet, column))).value
    except NumbersUnclear as unclear:
        faults.append(Fault(file, column.header, unclear.cell, str(unclear), unclear.cure))
        return None
    unit = column.unit
    asked = unit_of_time(wishes.time_unit) if wishes.time_unit not in (None, "h:min", "min:s") else None
    if unit is not None and asked is not None and unit.factor != asked.factor:
        faults.append(Fault(file, "time_unit", wishes.time_unit, f"the heading says {unit.text}", "leave time_unit out, or rename the column"))
        return None
    unit = unit or asked
    since_1970 = unix_clock(values) if unit is None or unit.factor in (1.0, 1e-3) else None
    if since_1970 is not None:
        assumed += since_1970.assumed
        return since_1970
    if unit is None:
        faults.append(Fault(file, column.header, "", "no unit of time in the heading; it is not guessed", 'give time_unit = "s"'))
        return None
    assumed.append(f"Time: {column.header}, elapsed {unit.text}.")
    return Clock(values * unit.factor, "elapsed")


def commas_elsewhere(sheet: Sheet, column: Column) -> bool:
    """Whether other columns have decimal commas, by their first cells."""
    return any(
        re.fullmatch(r"\s*[+-]?\d*,\d+(?:[eE][+-]?\d+)?\s*", c) for k, cells in enumerate(sheet.columns) if k != column.number for c in _some(cells)
    )
