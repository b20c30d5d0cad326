"""What the user says about a log, checked before the file is opened.

Units, the law of a gauge in volts, ends of the scale, kind of gauge and gas of calibration: whatever
the file itself does not tell.  All that is wrong with it is told at once.

Not checked here: whether it goes with the file, see `logchoice`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from exhaustsim.constants import GAS_NAMES
from exhaustsim.plant.faults import DesignFault, Fault, nearest, quoted
from exhaustsim.plant.logunits import LogUnit, stated_unit, time_unit as unit_of_time
from exhaustsim.plant.trace import PLACES
from exhaustsim.units import UnitFault, parse

_GAS_WORDS = {
    "nitrogen": "N2", "air": "N2", "dry air": "N2", "argon": "Ar", "hydrogen": "H2", "helium": "He", "methane": "CH4", "water": "H2O",
    "water vapour": "H2O", "oxygen": "O2", "carbon monoxide": "CO", "carbon dioxide": "CO2",
}  # fmt: skip


@dataclass(frozen=True)
class VoltLaw:
    """Pressure from the output of a gauge: p = 10^(slope V + intercept), in `unit`."""

    slope: float  # decades per volt [1/V]
    intercept: float  # decades [1]
    unit: str = "Pa"
    lowest: float = -math.inf  # V, below it the output is no reading but a fault
    highest: float = math.inf  # V


@dataclass(frozen=True)
class Wishes:
    """What the user says about a log."""

    unit: LogUnit | None
    units: Mapping[str, LogUnit]  # by column
    chosen: tuple | None
    time_column: str | int | None
    time_unit: str | None
    day_first: bool | None
    decimal: str | None
    gauge: str | None
    calibration_gas: str | None
    place: str | None
    floor: float | None
    ceiling: float | None
    volts: VoltLaw | None



def checked_wishes(file, tables, unit, time_column, time_unit, day_first, decimal, gauge, calibration_gas, place, floor, ceiling, columns, volts) -> Wishes:
    """What the user says, checked; all that is wrong with it told at once."""
    faults = []

    def checked(key, text, read):
        try:
            return None if text is None else read(text)
        except UnitFault as fault:
            faults.append(Fault(file, key, str(text), fault.need, fault.cure))
            return None

    def pressure(given):
        value = parse(given, "pressure") if isinstance(given, str) else float(given) if isinstance(given, (int, float)) else math.nan
        if not (math.isfinite(value) and value > 0.0):
            raise UnitFault("needs a pressure above nought, such as 5e-3 Pa")
        return value

    stated = checked("unit", unit, stated_unit)
    by_column = {name: checked(f"columns[{name!r}]", text, stated_unit) for name, text in columns.items()} if isinstance(columns, Mapping) else {}
    lowest, highest = checked("floor", floor, pressure), checked("ceiling", ceiling, pressure)
    if time_unit not in (None, "h:min", "min:s") and unit_of_time(time_unit) is None:
        faults.append(Fault(file, "time_unit", str(time_unit), 'needs a unit of time, such as "s" or "min"'))
    if decimal not in (None, ".", ","):
        faults.append(Fault(file, "decimal", str(decimal), 'needs "." or ","'))
    if gauge is not None and gauge not in tables.groups("gauges"):
        faults.append(Fault(file, "gauge", gauge, "no gauge of that name in the data tables", nearest(gauge, tables.groups("gauges"))))
    gas = gas_named(calibration_gas) if calibration_gas is not None else None
    if calibration_gas is not None and gas is None:
        faults.append(Fault(file, "calibration_gas", calibration_gas, "no gas of that name", nearest(calibration_gas, GAS_NAMES)))
    if place is not None and place not in PLACES:
        faults.append(Fault(file, "place", place, "no such place", f"use one of {quoted(PLACES)}"))
    try:
        law = VoltLaw(*volts) if isinstance(volts, tuple) else volts
    except TypeError:
        faults.append(Fault(file, "volts", str(volts), "needs slope and intercept, and the unit of the pressure", 'such as (1.5, -9.5, "mbar")'))
        law = None
    if law is not None:
        checked("volts.unit", law.unit, stated_unit)
        if not (math.isfinite(law.slope) and math.isfinite(law.intercept) and law.slope != 0.0 and law.lowest < law.highest):
            faults.append(Fault(file, "volts", f"{law.slope}, {law.intercept}", "needs a slope that is not nought, an intercept, and lowest below highest"))
    if faults:
        raise DesignFault(faults)
    if isinstance(columns, (str, int)):
        columns = (columns,)
    chosen = tuple(columns) if columns is not None else None
    return Wishes(stated, by_column, chosen, time_column, time_unit, day_first, decimal, gauge, gas, place, lowest, highest, law)


def gas_named(text: str) -> str | None:
    """The gas called so, by symbol or by word."""
    folded = text.strip().lower()
    return next((g for g in GAS_NAMES if g.lower() == folded), _GAS_WORDS.get(folded))
