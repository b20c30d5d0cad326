"""Pressure logs as they come, read into traces: what was written, in Pa, with a mark on every reading that is no plain one.

`load_log` reads machine logs, head traces, rise tests, the run log of the simulator and whatever a
logger makes of a time and a few gauges.  It says in sentences what it assumed and what it marked and
why.  What it would have to guess, above all a unit, it refuses and says how to give it.

Readings are left as the gauge showed them: gas factors and zero come in `studies/gaugetreatment`.
Not read: result logs of finished valves (they hold no pressure), two loggers out of step as one.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from exhaustsim.data.published import BUILT_IN, Tables
from exhaustsim.plant.faults import DesignFault, Fault, nearest, quoted
from exhaustsim.plant.logchoice import Reading, choose, clock_of, commas_elsewhere, no_pressure, with_unit
from exhaustsim.plant.logclock import Clock, read_moments, rising
from exhaustsim.plant.logcolumns import Column, columns_of
from exhaustsim.plant.logreadings import BELIEVED, NumbersUnclear, decimal_sign, numbers_of, range_steps, resolution, scale_ends
from exhaustsim.plant.logtext import Sheet, is_moment, lines_text, read_sheet
from exhaustsim.plant.logunits import stated_unit
from exhaustsim.plant.logwishes import VoltLaw, Wishes, checked_wishes, gas_named
from exhaustsim.plant.trace import AT_LEAST, AT_MOST, GOOD, NO_READING, SPOILED, Event, Trace

_STATUS = {
    "over": AT_LEAST, "under": AT_MOST, "range_change": SPOILED, "range change": SPOILED, "off": NO_READING, "error": NO_READING,
    "fault": NO_READING, "fail": NO_READING,
}  # fmt: skip
_STATUS_FINE = ("", "ok", "good", "on", "normal")
_CALIBRATED = re.compile(r"calibrat\w*\s*(?:for|with|gas|on)?\s*[:=]?\s*([A-Za-z][A-Za-z0-9]*(?: (?:air|vapour|monoxide|dioxide))?)", re.IGNORECASE)
#: Cells that cannot be read, as a share of a column, from which the log is refused.
_TOO_MANY_UNREADABLE = 0.1


@dataclass(frozen=True, eq=False)
class PressureLog:
    """A log, read."""

    path: str
    traces: tuple[Trace, ...]
    events: tuple[Event, ...]
    assumed: tuple[str, ...]  # sentences: what was taken for granted
    marked: tuple[str, ...]  # sentences: what was marked, and why
    start: str = ""  # date and time of the first row, ISO; empty for a log of elapsed time
    time: np.ndarray = field(default_factory=lambda: np.empty(0))  # (rows,) s, of every row of the file; not-a-number where it has none
    table: Mapping[str, np.ndarray] = field(default_factory=dict)  # column of the file -> (rows,) text as it stands

    def trace(self, name: str | None = None) -> Trace:
        """The trace of that name, or the only one.

        Raises
        ------
        DesignFault
            No trace of that name, or several and no name.
        """
        if name is None and len(self.traces) == 1:
            return self.traces[0]
        names = [t.name for t in self.traces]
        found = [t for t in self.traces if name is not None and t.name.lower() == name.lower()]
        if len(found) == 1:
            return found[0]
        need = f"holds {len(names)} traces: {quoted(names)}"
        cure = "name one of them" if name is None else nearest(name, names)
        raise DesignFault([Fault(os.path.basename(self.path), "trace", name or "", need, cure)])

    def numbers(self, name: str) -> np.ndarray:
        """A column of the table as numbers, not-a-number where it holds none; raises `KeyError` for an unknown one."""
        cells = self.table[name].tolist()
        return numbers_of(cells, decimal_sign(cells)).value


def load_log(
    path,
    *,
    unit: str | None = None,
    time_column: str | int | None = None,
    time_unit: str | None = None,
    day_first: bool | None = None,
    decimal: str | None = None,
    gauge: str | None = None,
    calibration_gas: str | None = None,
    place: str | None = None,
    floor: str | float | None = None,
    ceiling: str | float | None = None,
    columns: Sequence | Mapping | None = None,
    volts: VoltLaw | tuple | None = None,
    tables: Tables = BUILT_IN,
) -> PressureLog:
    """A pressure log, read.

    Parameters
    ----------
    path : str or path
        The file.
    unit : str, optional
        Unit of the columns for which the file names none: "mbar", "1e-3 torr", "V".
    time_column : str or int, optional
        Name, or number from 1, of the clock.
    time_unit : str, optional
        Unit of elapsed time where the file names none: "s"; for times as "12:03" alone "h:min" or "min:s".
    day_first : bool, optional
        Whether 03/04/2022 is the third of April, where the file does not tell.
    decimal : str, optional
        "." or ",", where "1,234" may be either.
    gauge : str, optional
        Kind of gauge in the data tables; of every trace for which the file names none.
    calibration_gas : str, optional
        Likewise.
    place : str, optional
        "line", "bulb" or "head"; likewise.
    floor, ceiling : str or float, optional
        Ends of the scale, "5e-3 Pa" or a number [Pa]: readings at and beyond them become bounds.
    columns : sequence or mapping, optional
        Columns to read, by name or by number from 1; a mapping gives each its unit, over that in the file.
    volts : VoltLaw or tuple, optional
        Law of a gauge logged in volts; a tuple is slope [1/V], intercept [1] and unit of the pressure.
    tables : Tables
        Data tables with the kinds of gauge.

    Returns
    -------
    PressureLog
        One trace for each gauge, and for each line or test of a file that holds several.

    Raises
    ------
    DesignFault
        All that is wrong with the file, or cannot be known from it, with the way to give it.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> path = Path(tempfile.mkdtemp()) / "line.csv"
    >>> _ = path.write_text("t_s;P [mbar]\\n0;1,5\\n1;0,8\\n2;0,5\\n")
    >>> load_log(path).trace().reading.tolist()
    [150.0, 80.0, 50.0]
    """
    wishes = checked_wishes(
        os.path.basename(os.fspath(path)), tables, unit, time_column, time_unit, day_first, decimal, gauge, calibration_gas, place, floor,
        ceiling, columns, volts,
    )  # fmt: skip
    sheet = read_sheet(path)
    file = os.path.basename(sheet.file)
    faults: list[Fault] = []
    assumed, marked = list(sheet.assumed), list(sheet.marked)
    if not sheet.header:
        assumed.append("No names of columns: they are called by their numbers.")
    every = columns_of(sheet.header, sheet.units, len(sheet.columns), file, sheet.header_line, faults, assumed)
    clock_columns, readings = choose(file, sheet, every, wishes, faults)
    readings = [with_unit(file, sheet, column, every, wishes, faults, assumed) for column in readings]
    clock = clock_of(file, sheet, clock_columns, wishes, faults, assumed)
    if not readings and not faults:
        faults.append(no_pressure(file, every))
    if faults:
        raise DesignFault(faults)
    made = any("simulation, not a reading" in r.text.lower() for r in sheet.before)
    if made:
        assumed.append("A log of the simulator: repeated values are taken as they are.")
    rows_of = _groups(every, sheet, readings, assumed)
    traces, time, marks_of_columns = [], np.full(len(sheet.line), np.nan), {}
    of_lines = any(c.header.lower() == "line_id" for c in every)
    for label, rows in rows_of.items():
        if of_lines:
            rows = _once(sheet, clock, readings, rows, label, marked)
        found = rising(clock, rows, sheet.line[rows], one_instant=of_lines)
        if isinstance(found, str):
            raise DesignFault([Fault(file, quoted(c.header for c in clock_columns), "", f"{found}; needs a clock that rises",
                                     "sort the rows, or name another column as time_column")])  # fmt: skip
        where = f" ({label})" if label else ""
        assumed += [f"{said[:-1]}{where}." for said in found.assumed]
        marked += [f"{said[:-1]}{where}." for said in found.marked]
        order = rows[found.order]
        time[order] = found.seconds
        events = _events(sheet, every, order, found.seconds, clock) + found.events
        events = tuple(sorted(events, key=lambda e: e.time))
        for column in readings:
            traces.append(_trace(file, sheet, column, every, label, order, found, events, wishes, tables, made, faults, assumed, marked, marks_of_columns))
    if not faults and not any(trace.usable().any() for trace in traces):
        why = f": {marked[-1].rstrip('.')}" if marked else ""
        faults.append(Fault(file, quoted(t.name for t in traces), "", f"not one reading that can be used{why}", "see whether the gauge was on"))
    if faults:
        raise DesignFault(faults)
    if of_lines:  # rows taken once have the time of the row that stands for them
        known = np.flatnonzero(np.isfinite(time))
        shift = np.interp(np.arange(len(time)), known, time[known] - clock.seconds[known])
        time = np.where(np.isfinite(time), time, clock.seconds + shift)
    events = tuple(dict.fromkeys(e for t in traces for e in t.events))
    table = {}
    for column in every:  # a name that stands twice is told by its number
        table[column.name if column.header in table else column.header] = np.array(sheet.columns[column.number], object)
    return PressureLog(sheet.file, tuple(traces), events, tuple(dict.fromkeys(assumed)), tuple(dict.fromkeys(marked)), clock.start, time, table)


# ---- groups, events, traces --------------------------------------------------------------------


def _groups(every: list[Column], sheet: Sheet, readings: list[Reading], assumed: list[str]) -> dict[str, np.ndarray]:
    """Rows of every line, test or gauge of the file; one group with an empty label when there is only one."""
    whole = {"": np.arange(len(sheet.line))}
    names = {c.header.lower().replace(" ", "_"): c for c in every if c.role in ("group", "gauge")}
    if "line_id" in names:
        names = {k: c for k, c in names.items() if k in ("line_id", "gauge_type")}
    several = [c for c in names.values() if len({w.strip() for w in sheet.columns[c.number]}) > 1]
    if not several:
        return whole
    label_of = {}
    keys = list(zip(*(sheet.columns[c.number] for c in several), strict=True))
    for k, key in enumerate(keys):
        label_of.setdefault(" ".join(w.strip() for w in key), []).append(k)
    assumed.append(f"One trace for each {' and '.join(c.header for c in several)}: {len(label_of)}.")
    return {label: np.array(rows) for label, rows in label_of.items()}


def _once(sheet: Sheet, clock: Clock, readings: list[Reading], rows: np.ndarray, label: str, marked: list[str]) -> np.ndarray:
    """Rows of a line without those that repeat time and reading: a machine log writes them once for every head on the line."""
    cells = [sheet.columns[r.column.number] for r in readings]
    keys = list(zip(clock.seconds[rows].tolist(), *([c[k] for k in rows] for c in cells), strict=True))
    kept = np.array([True, *(a != b for a, b in zip(keys[1:], keys[:-1], strict=True))])
    if not kept.all():
        name = f"line {label}" if label else "the line"
        marked.append(f"{name}: {int((~kept).sum())} rows repeat time and reading of the row before (heads on one line); taken once.")
    return rows[kept]


def _events(sheet: Sheet, every, order: np.ndarray, seconds: np.ndarray, clock: Clock) -> tuple[Event, ...]:
    """Events from remarks between the rows, columns of remarks and changes of state."""
    found = []
    time_of = dict(zip(order.tolist(), seconds.tolist(), strict=True)) if sheet.remarks else {}
    for remark in sheet.remarks:
        row = next((r for r in (remark.row, remark.row - 1) if r in time_of), None)
        if row is None:
            continue
        moment, text = _moment_of(remark.text, clock)
        early, late = time_of.get(remark.row - 1, -math.inf), time_of.get(remark.row, math.inf)
        inside = moment is not None and early - 1.0 <= moment <= late + 1.0
        found.append(Event(moment if inside else time_of[row], text if inside else remark.text))
    for column in every:
        if column.role not in ("remark", "state"):
            continue
        cells = np.array(sheet.columns[column.number], object)[order]
        changed = np.flatnonzero(np.concatenate([[True], cells[1:] != cells[:-1]]))
        name = column.header.replace("_", " ")
        for moment, word in zip(seconds[changed].tolist(), cells[changed], strict=True):
            if word.strip():
                found.append(Event(moment, word.strip() if column.role == "remark" else f"{name} {word.strip()}"))
    return tuple(found)


def _moment_of(text: str, clock: Clock) -> tuple[float | None, str]:
    """The moment with which a remark begins, on the clock of the log, and the rest of it."""
    words = text.replace(",", " ").replace(";", " ").split()
    for count in (3, 2, 1):
        head = " ".join(words[:count])
        rest = " ".join(words[count:])
        if not rest or len(words) < count:
            continue
        if clock.kind == "elapsed" and count == 1 and re.fullmatch(r"[+-]?\d+(\.\d*)?(s)?", head):
            return float(head.rstrip("s")), rest
        if clock.kind in ("wall", "time of day") and is_moment(head) and (":" in head):
            read = read_moments([head], "", "", [], True)
            if read is not None and math.isfinite(read.seconds[0]) and read.kind == clock.kind:
                return float(read.seconds[0] + read.zero - clock.zero), rest
    return None, text


def _one_word(sheet: Sheet, every, role: str, rows: np.ndarray) -> str | None:
    """What a column says throughout these rows; None when there is none or it changes."""
    column = next((c for c in every if c.role == role), None)
    if column is None:
        return None
    words = {sheet.columns[column.number][r].strip() for r in rows[:: max(1, len(rows) // 2000)]} - {""}
    return words.pop() if len(words) == 1 else None


def _trace(file, sheet, reading: Reading, every, label, order, found, events, wishes: Wishes, tables, made, faults, assumed, marked, kept) -> Trace:
    """One gauge's readings in Pa, with marks."""
    column = reading.column
    only = sum(c.role == "pressure" for c in every) == 1 and column.header.lower().startswith("pressure")
    name = column.name if not label else label if only else f"{column.name} {label}"
    if column.number not in kept:
        kept[column.number] = _column_numbers(file, sheet, reading, wishes, faults, assumed, marked)
    numbers = kept[column.number]
    value, mark = numbers.value[order].copy(), numbers.mark[order].copy()
    line = sheet.line[order]
    shown = value.copy()
    if reading.unit.kind == "voltage" and wishes.volts is not None:
        value = _by_volts(value, mark, reading.unit.factor, wishes.volts, line, name, marked)
    else:
        with np.errstate(over="ignore"):
            value = value * (reading.factors[order] if reading.factors is not None else reading.unit.factor)
    mark[~np.isfinite(value) & (mark == GOOD)] = NO_READING
    believed = value[(mark == GOOD) & (value > 0.0)]
    if len(believed) > 3 and np.median(believed) > BELIEVED:
        faults.append(Fault(file, column.header, reading.unit.text, f"the readings lie about {np.median(believed):.2g} Pa, far above the atmosphere",
                            "see whether the unit is right"))  # fmt: skip
    words = (mark == NO_READING) & ~numbers.unreadable[order]
    if words.any():
        marked.append(f"{name}, {lines_text(line[words])}: no number; no reading.")
    _by_status(sheet, every, order, mark, line, name, assumed, marked)
    scale_ends(value, mark, line, name, made, marked)
    said = "" if made else resolution(shown, mark, name, reading.unit.text)
    if said and reading.unit.kind == "pressure":
        assumed.append(said)
    if not made and not any(c.role in ("status", "range") for c in every):
        steps = range_steps(shown, mark) if reading.unit.kind == "pressure" else []
        if len(steps):
            mark[steps] = SPOILED
            events = tuple(sorted((*events, *(Event(float(found.seconds[k]), "range changed?") for k in steps)), key=lambda e: e.time))
            marked.append(f"{name}, {lines_text(line[steps])}: a lasting step where ranges end, perhaps a change of range; that reading spoiled.")
    for end, worth, beyond in ((wishes.floor, AT_MOST, np.less_equal), (wishes.ceiling, AT_LEAST, np.greater_equal)):
        if end is not None:
            here = ((mark == GOOD) | (mark == worth)) & (beyond(value, end) | ((mark == worth) & np.isnan(value)))
            if here.any():
                mark[here], value[here] = worth, end
                marked.append(f"{name}, {lines_text(line[here])}: at or beyond {end:g} Pa, the {'foot' if worth == AT_MOST else 'end'} of the scale you gave.")
    open_ended = ((mark == AT_MOST) | (mark == AT_LEAST)) & np.isnan(value)
    if open_ended.any():
        marked.append(f"{name}, {lines_text(line[open_ended])}: off the scale; of no use until you give floor or ceiling.")
    spoiled = (sheet.broken[order] | found.doubtful) & (mark != NO_READING)
    mark[spoiled] = SPOILED
    original = shown if numbers.all_numbers and reading.cells is None else np.array(sheet.columns[column.number], object)[order]
    gauge, gas = _gauge_and_gas(sheet, every, order, wishes, tables, assumed)
    place = wishes.place or column.place or ("line" if any(c.header.lower() == "line_id" for c in every) else None)
    return Trace(name, found.seconds, value, mark, original, reading.unit.text, gauge, gas, place, column.gas, events)


def _column_numbers(file, sheet: Sheet, reading: Reading, wishes: Wishes, faults, assumed, marked):
    """A column of readings as numbers; too many that cannot be read are a fault."""
    column = reading.column
    cells = reading.cells if reading.cells is not None else sheet.columns[column.number]
    try:
        sign = decimal_sign(cells, wishes.decimal, commas_elsewhere(sheet, column))
    except NumbersUnclear as unclear:
        first = unclear.cell.split(" and ")[0]  # where two cells do not agree, the first of them
        line = next((int(n) for n, c in zip(sheet.line, cells, strict=True) if c.strip() == first), int(sheet.line[0]))
        faults.append(Fault(file, f"line {line}, {column.header}", unclear.cell, str(unclear), unclear.cure))
        return numbers_of([""] * len(cells))
    if sign != ".":
        assumed.append(f"{column.name}: {'decimal comma' if sign == ',' else 'commas set off thousands'}.")
    numbers = numbers_of(cells, sign)
    bad = np.flatnonzero(numbers.unreadable)
    if len(bad):
        shown = quoted(dict.fromkeys(cells[k].strip()[:20] for k in bad[:3]))
        if len(bad) > max(1, _TOO_MANY_UNREADABLE * len(cells)):
            faults.append(Fault(file, f"{lines_text(sheet.line[bad])}, {column.header}", shown, f"{len(bad)} of {len(cells)} cells are no numbers",
                                "see whether this is a column of readings, and whether all numbers are written alike"))  # fmt: skip
        else:
            marked.append(f"{column.name}, {lines_text(sheet.line[bad])}: {shown} cannot be read; no reading.")
    return numbers


def _by_volts(value, mark, factor, law: VoltLaw, line, name, marked) -> np.ndarray:
    """Pressure from volts by the law of the gauge; outside its volts there is no reading."""
    volts = value * factor
    outside = (mark == GOOD) & ((volts < law.lowest) | (volts > law.highest))
    if outside.any():
        mark[outside] = NO_READING
        marked.append(f"{name}, {lines_text(line[outside])}: outside {law.lowest:g} to {law.highest:g} V; no reading.")
    with np.errstate(over="ignore"):
        pressure = 10.0 ** (law.slope * volts + law.intercept) * stated_unit(law.unit).factor
    return np.where(mark == NO_READING, np.nan, pressure)


def _by_status(sheet: Sheet, every, order, mark, line, name, assumed, marked) -> None:
    """Marks from the columns of gauge status and range."""
    status = next((c for c in every if c.role == "status"), None)
    if status is not None:
        cells = np.array(sheet.columns[status.number], object)[order]
        for word in dict.fromkeys(cells):
            worth = _STATUS.get(word.strip().lower())
            if worth is None and word.strip().lower() not in _STATUS_FINE:
                assumed.append(f'Gauge status "{word.strip()}" is not known: its readings taken as they are.')
            elif worth is not None:
                here = (cells == word) & (mark != NO_READING)
                if here.any():
                    mark[here] = worth
                    marked.append(f"{name}, {lines_text(line[here])}: gauge status \"{word.strip()}\".")
    ranges = next((c for c in every if c.role == "range"), None)
    if ranges is not None:
        cells = np.array(sheet.columns[ranges.number], object)[order]
        changed = np.concatenate([[False], cells[1:] != cells[:-1]]) & (mark == GOOD)
        if changed.any():
            mark[changed] = SPOILED
            marked.append(f"{name}, {lines_text(line[changed])}: first reading after a change of range; spoiled.")


def _gauge_and_gas(sheet: Sheet, every, order, wishes: Wishes, tables: Tables, assumed) -> tuple[str | None, str | None]:
    """Kind of gauge and gas of calibration, from the user, the columns or the remarks."""
    kind = wishes.gauge or _one_word(sheet, every, "gauge", order)
    if kind is not None and kind not in tables.groups("gauges"):
        assumed.append(f'Gauge "{kind}" is not in the data tables: kind of gauge left open.')
        kind = None
    word = _one_word(sheet, every, "calibration gas", order)
    if word is None:
        said = next((m for m in map(_CALIBRATED.search, (r.text for r in sheet.before)) if m), None)
        word = said[1] if said else None
    gas = wishes.calibration_gas or (gas_named(word) if word else None)
    if word and not gas:
        assumed.append(f'Calibration gas "{word}" is not known: left open.')
    elif gas and not wishes.calibration_gas:
        assumed.append(f"Calibrated with {gas}, as the log says.")
    if wishes.calibration_gas and word and gas_named(word) not in (None, gas):
        assumed.append(f"Calibrated with {gas} as you say; the log says {word}.")
    return kind, gas
