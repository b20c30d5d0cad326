"""What each column of a log is: clock, reading, unit, state of the gauge, event or something else.

Names are read as a person reads them, also misspelt and with their unit attached; a name that
could not be placed is left aside and said.  The names are those of the trade's logs (machine log,
head trace, rise test, run log of the simulator) and what loggers commonly write.

Not read: names in other languages than English but for a few words, columns told apart by colour or place.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

from exhaustsim.constants import GAS_NAMES
from exhaustsim.plant.faults import Fault
from exhaustsim.plant.logunits import LogUnit, UnitUnclear, pressure_unit, split_name, time_unit, volt_unit

_TIME = frozenset({
    "t", "time", "zeit", "elapsed", "elapsed time", "time elapsed", "sec", "secs", "second", "seconds", "s", "min", "minutes", "h", "hours",
    "timestamp", "time stamp", "datetime", "date time", "date", "datum", "uhrzeit", "clock", "time iso", "unix", "unix time", "epoch", "ms",
    "local time", "time of day", "date and time",
})  # fmt: skip
_UNIT_AS_NAME = frozenset({"sec", "secs", "second", "seconds", "s", "min", "minutes", "h", "hours", "ms"})
_PRESSURE = frozenset({"pressure", "pressures", "press", "p", "druck", "vacuum", "gauge", "ionisation", "ionization", "reading", "readings"})
#: Names that stand for a gauge when they stand alone.
_PLACES_ALONE = frozenset({"bulb", "line", "manifold"})
#: Units of other kinds at the end of a name.
_OTHER_UNIT = re.compile(r"[\s_](c|k|degc|v|a|ma|ua|w|cm3|mm|mg|hz|l|pct)$", re.IGNORECASE)
_GAUGE_NUMBER = re.compile(r"^(p|pg|ig|tc|cg|cc|g|gauge|ch|channel|pressure)\d{0,2}$")
_ROLES = {
    "unit": {"pressure unit", "unit", "units"},
    "status": {"gauge status", "status"},
    "range": {"gauge range", "range"},
    "gauge": {"gauge type"},
    "calibration gas": {"gauge cal gas", "cal gas", "calibration gas"},
    "remark": {"event", "events", "note", "notes", "comment", "comments", "remark", "remarks", "operator note", "action", "spark result"},
    "state": {"position", "stage", "port open", "rf on"},
    "group": {"test id", "line id", "valve id", "head no", "gauge id", "gauge name", "sensor"},
}
_KNOWN = {name: role for role, names in _ROLES.items() for name in names}
#: Words of the trade's logs that stand on no gauge.
_OTHER = frozenset({"index", "stop", "heater", "oven", "anode", "cathode", "rotation", "held", "sorbed", "converted", "volume", "temperature",
                    "setting", "sd", "coating", "lot", "card", "machine"})  # fmt: skip
_MISSPELT = ("pressure", "elapsed", "timestamp", "seconds", "datetime", "time")


@dataclass(frozen=True)
class Column:
    """One column of a log."""

    number: int  # from 0
    header: str  # as in the file
    name: str  # without its unit
    role: str  # "time", "pressure", "unit", ..., "other"
    unit: LogUnit | None = None
    gas: str | None = None
    place: str | None = None


def _folded(name: str) -> str:
    return re.sub(r"[\W_]+", " ", name).strip().lower()


def gas_in(name: str) -> str | None:
    """The gas that a name of a column holds as a word of its own.

    >>> gas_in("bulb_CO2_pa"), gas_in("p (H2)"), gas_in("cold")
    ('CO2', 'H2', None)
    """
    words = _folded(name).split()
    return next((gas for gas in GAS_NAMES if gas.lower() in words), None)


def role_of(number: int, header: str, unit_below: str = "") -> tuple[Column, str]:
    """What one column is, and a sentence where a misspelt name was read; raises `UnitUnclear`."""
    whole = _folded(header)
    if whole in _KNOWN:
        return Column(number, header, header, _KNOWN[whole]), ""
    name, unit = split_name(header)
    if unit_below:
        below = pressure_unit(unit_below) or time_unit(unit_below) or volt_unit(unit_below)
        if unit and below and unit.factor != below.factor:
            raise UnitUnclear(f'"{header}" says {unit.text}, the row below says {below.text}')
        unit = unit or below
    bare = _folded(name)
    words = bare.split()
    if bare in _TIME and (unit is None or unit.kind == "time"):
        return Column(number, header, name, "time", unit or (time_unit(bare) if bare in _UNIT_AS_NAME else None)), ""
    if unit and unit.kind == "time":
        close = difflib.get_close_matches(bare, ("time", "elapsed"), n=1, cutoff=0.7)
        if close:
            return Column(number, header, name, "time", unit), f'"{header}" read as a time.'
        return Column(number, header, name, "other", unit), ""
    place = next((p for p in ("line", "bulb", "head") if p in words), None)
    if unit and unit.kind == "pressure":
        return Column(number, header, name, "pressure", unit, gas_in(name), place), ""
    looks = any(w in _PRESSURE or _GAUGE_NUMBER.match(w) for w in words) and not _OTHER.intersection(words)
    looks = (looks or bare in _PLACES_ALONE) and not _OTHER_UNIT.search(header)
    if unit and unit.kind == "voltage":
        return Column(number, header, name, "pressure" if looks else "other", unit, None, place), ""
    if looks or (gas_in(name) and len(words) <= 2):
        return Column(number, header, name, "pressure", None, gas_in(name), place), ""
    for word in words:
        close = difflib.get_close_matches(word, _MISSPELT, n=1, cutoff=0.75) if len(word) >= 4 and word not in _OTHER else []
        if close:
            role = "pressure" if close[0] == "pressure" else "time"
            return Column(number, header, name, role, unit, None, place), f'"{header}" read as a {role}.'
    close = difflib.get_close_matches(whole, _KNOWN, n=1, cutoff=0.85)
    if close and not _OTHER.intersection(words):
        return Column(number, header, header, _KNOWN[close[0]]), f'"{header}" read as "{close[0]}".'
    return Column(number, header, name, "other", unit), ""


def columns_of(header, units_below, count: int, file: str, line: int, faults: list[Fault], assumed: list[str]) -> list[Column]:
    """All columns of a log; names that stand twice get a number.

    Parameters
    ----------
    header, units_below : tuple of str
        Names and the row of units under them; both may be empty.
    count : int
        Number of columns.
    file : str
        For the faults.
    line : int
        Line of the heading, for the faults.
    faults, assumed : list
        Filled with what is not clear and with what was taken for granted.
    """
    columns, seen = [], {}
    for number in range(count):
        name = header[number] if number < len(header) and header[number] else f"column {number + 1}"
        below = units_below[number] if number < len(units_below) else ""
        try:
            if number < len(header) and header[number]:
                column, said = role_of(number, name, below)
            else:
                column, said = Column(number, name, name, "other", pressure_unit(below) if below else None), ""
        except UnitUnclear as unclear:
            faults.append(Fault(file, f"line {line}, column {number + 1}", name, str(unclear),
                                f'give its unit, as in columns = {{"{name}": "mbar"}}'))  # fmt: skip
            column, said = Column(number, name, name, "unclear"), ""
        if said:
            assumed.append(said)
        if column.unit is not None and column.unit.note:
            assumed.append(f"{name}: {column.unit.note}.")
        seen[column.name] = seen.get(column.name, 0) + 1
        if seen[column.name] > 1:
            again = f"{column.name} ({seen[column.name]})"
            if column.role in ("pressure", "time"):
                assumed.append(f'The name "{column.name}" stands more than once: column {number + 1} called "{again}".')
            column = Column(number, column.header, again, column.role, column.unit, column.gas, column.place)
        columns.append(column)
    return columns
