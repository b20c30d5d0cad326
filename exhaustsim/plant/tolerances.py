"""A tolerance file to `Tolerances`: how much valves made to one drawing differ from each other.

Each tolerance names a quantity in the words of the trade (`QUANTITIES`), how it scatters and at what
level: from valve to valve, or from lot to lot.  Widths are text with a unit, or in % of what the drawing
says.  Correlations say which quantities go up together.  Four distributions:

- normal: `sigma`, one standard deviation about the drawing (or about the drawing plus `offset`);
- truncated_normal: the same, with everything beyond `low` and `high` sorted out before exhaust;
- uniform: anything within `half_width` of the drawing, equally likely;
- lognormal: `factor`, by which one standard deviation multiplies or divides; the drawing is the median.

A leak is either there or not: `in_leak` takes a `probability` and the `median` of the leaks that there are.

Not here: what a tolerance moves in a valve (`exhaustsim.studies.scattered`).  Not modelled: drift in the
course of a lot, and correlations between a lot and its valves.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from exhaustsim.plant.entries import Entries, read_table
from exhaustsim.plant.faults import DesignFault, Fault, quoted
from exhaustsim.plant.readdata import TELLING_KEYS
from exhaustsim.units import KINDS, UnitFault, parse

TELLING_KEY = "tolerance"  # the table that only a tolerance file has
DISTRIBUTIONS = ("normal", "truncated_normal", "uniform", "lognormal")
LEVELS = ("valve", "lot")
ROUNDING = 1e-10  # an eigenvalue of a correlation matrix this far below zero is rounding
LEAST_LEFT = 1e-6  # share of a normal distribution that a truncation must leave


@dataclass(frozen=True)
class Quantity:
    """Something that scatters: what it is, the kind of its unit, and the unit it is shown in."""

    what: str
    kind: str  # key of `units.KINDS`; "share": only in % of what the drawing says
    unit: str


#: What may scatter, by the name used in tolerance files.
QUANTITIES = {
    "cathode_temperature": Quantity("cathode temperature at the hottest heater step of the machine, the others in proportion", "temperature", "degC"),
    "coating_mass": Quantity("mass of the carbonate coating, with its binder", "mass", "mg"),
    "needle_radius": Quantity("needle radius of the carbonate", "length", "um"),
    "bore": Quantity("bore of the exhaust stem", "length", "mm"),
    "exhaust_stem_length": Quantity("length of the exhaust stem", "length", "mm"),
    "barium": Quantity("barium in the getter", "mass", "mg"),
    "mirror_area": Quantity("area of the getter mirror", "area", "cm2"),
    "glass_water": Quantity("water on the bulb glass", "amount", "Pa L"),
    "mica_water": Quantity("water on the micas", "amount", "Pa L"),
    "anode_co": Quantity("CO in the anode", "amount", "Pa L"),
    "anode_hydrogen": Quantity("hydrogen in the anode", "amount", "Pa L"),
    "tip_off_burst": Quantity("gas set free by tip-off", "amount", "Pa L"),
    "oven_air": Quantity("oven air temperature", "temperature", "degC"),
    "rf_power": Quantity("RF power absorbed before the flash", "share", "%"),
    "getter_rf_power": Quantity("RF power absorbed at the flash position", "share", "%"),
    "heater_voltage": Quantity("heater volts on the machine and in ageing", "share", "%"),
    "plate_leak": Quantity("in-leak at the port plate under the valve's head", "share", "%"),
    "in_leak": Quantity("leak of the bulb", "throughput", "Pa L/s"),
}  # fmt: skip


@dataclass(frozen=True)
class Tolerance:
    """How one quantity scatters; widths in SI, or as shares of the drawing when `relative`."""

    quantity: str
    distribution: str
    level: str = "valve"
    relative: bool = False
    sigma: float = 0.0  # standard deviation; of a lognormal the logarithm of its factor; of a uniform the half width
    offset: float = 0.0  # of the middle from the drawing
    low: float = -math.inf  # departures from the drawing between which a truncated normal lies
    high: float = math.inf
    median: float | None = None  # of the leaks that there are
    probability: float = 1.0  # that there is a leak at all

    @property
    def name(self) -> str:
        """Quantity, with its level where that is the lot."""
        return self.quantity if self.level == "valve" else f"{self.quantity} (lot)"


@dataclass(frozen=True)
class Correlation:
    """Two quantities of one level that go up together, or against each other."""

    first: str
    second: str
    coefficient: float  # of the normal scores of both, -1 to 1
    level: str = "valve"


@dataclass(frozen=True)
class Tolerances:
    """What scatters in a batch of valves made to one drawing."""

    name: str
    source: str
    tolerances: tuple[Tolerance, ...]
    correlations: tuple[Correlation, ...] = ()
    lot_size: int | None = None  # valves made from one lot of materials

    def at(self, level: str) -> tuple[Tolerance, ...]:
        """The tolerances of one level, in the order of the file."""
        return tuple(t for t in self.tolerances if t.level == level)

    @property
    def has_lots(self) -> bool:
        """Whether anything scatters from lot to lot."""
        return bool(self.at("lot"))


def load_tolerances(path: str | os.PathLike) -> Tolerances:
    """The tolerances in the file at `path`.

    Raises
    ------
    DesignFault
        With every fault of the file.

    >>> [t.name for t in load_tolerances("demo_data/tolerances/dt1.toml").tolerances]
    ['cathode_temperature', 'coating_mass', 'bore', 'barium']
    """
    faults: list[Fault] = []
    found = read_tolerances(os.fspath(path), faults)
    if faults:
        raise DesignFault(faults)
    return found


def read_tolerances(path: str, faults: list[Fault]) -> Tolerances | None:
    """The tolerances in the file at `path`; faults are recorded, and what is returned is of no use if there are any."""
    table = read_table(path, faults, TELLING_KEY)
    if table is None:
        return None
    other = next((sort for sort, key in TELLING_KEYS.items() if key in table and TELLING_KEY not in table), None)
    if other is not None:
        faults.append(Fault(path, "", "", f"this is a {other} file; needs a tolerance file", "name one of demo_data/tolerances, or your own"))
        return None
    entries = Entries(table, path, "", faults)
    name = entries.text("name")
    listed = entries.subs("tolerance")
    read = [(entry, _tolerance(entry)) for entry in listed]
    if not listed:
        entries.fault("tolerance", "says of nothing how it scatters", "write [[tolerance]] with a quantity for each thing that scatters")
    seen: set[str] = set()
    for entry, tolerance in read:
        if tolerance is not None and tolerance.name in seen:
            entry.fault("quantity", f"{tolerance.name} is there twice", 'keep one of them, or give one of them level = "lot"')
        elif tolerance is not None:
            seen.add(tolerance.name)
    tolerances = tuple(tolerance for _, tolerance in read if tolerance is not None)
    lot_size = _lot_size(entries, tolerances)
    correlations = tuple(c for e in entries.subs("correlation") if (c := _correlation(e, tolerances)) is not None)
    entries.finish()
    found = Tolerances(name, path, tolerances, correlations, lot_size)
    faults += correlation_faults(found)
    return found


def _lot_size(entries: Entries, tolerances: Sequence[Tolerance]) -> int | None:
    if "lot_size" not in entries:
        if any(t.level == "lot" for t in tolerances):
            entries.fault("lot_size", "missing; a tolerance from lot to lot needs to know how many valves a lot is", "such as lot_size = 500")
        return None
    size = entries.whole_number("lot_size")
    if size is not None and size < 1:
        entries.fault("lot_size", "must be at least 1", "such as lot_size = 500")
        return None
    return size


def _tolerance(entries: Entries) -> Tolerance | None:
    quantity = entries.word("quantity", QUANTITIES, "quantity that scatters")
    distribution = entries.word("distribution", DISTRIBUTIONS, "distribution")
    level = entries.word("level", LEVELS, "level", default="valve")
    if not quantity or not distribution:
        entries.asked(*entries.table)  # what else it may hold depends on these two
        return None
    of = QUANTITIES[quantity]
    leak = quantity == "in_leak"
    more: dict = {}
    relative = None
    if distribution == "lognormal":
        factor = entries.quantity("factor", "number", above=1.0, limit_cure="1.5 means that one standard deviation is half as much again")
        sigma = math.log(factor) if factor > 0.0 else math.nan
        if leak:
            more = {
                "median": entries.quantity("median", of.kind, above=0.0),
                "probability": entries.share("probability"),
            }
    elif leak:
        entries.fault("distribution", "leaks are of any size over decades", 'use distribution = "lognormal" with a median and a factor')
        entries.asked(*entries.table)
        return None
    else:
        key = "half_width" if distribution == "uniform" else "sigma"
        width = _departure(entries, key, of)
        if width is None:
            sigma = math.nan
        else:
            sigma, relative = width
            if not sigma > 0.0:
                entries.fault(key, "must be above zero", "leave the tolerance out if the quantity does not scatter")
        bounds = ["offset"] + (["low", "high"] if distribution == "truncated_normal" else [])
        for bound in bounds:
            if bound in entries:
                given = _departure(entries, bound, of)
                if given is not None and relative is not None and given[1] != relative:
                    entries.fault(bound, f"{key} is {'in %' if relative else 'not in %'} and this is not" if relative else f"{key} is not in % and this is", "give both in the same way")
                elif given is not None:
                    more[bound] = given[0]
        if distribution == "truncated_normal" and math.isfinite(sigma):
            _check_cut(entries, sigma, more)
    entries.finish()
    return Tolerance(quantity, distribution, level or "valve", bool(relative), sigma, **more)


def _check_cut(entries: Entries, sigma: float, more: dict) -> None:
    """A truncation cuts something, and leaves something."""
    if "low" not in entries and "high" not in entries:
        entries.fault("low", "missing; a truncated distribution needs low or high", 'such as low = "-5 %"')
        return
    offset = more.get("offset", 0.0)
    low, high = ((more.get(key, default) - offset) / sigma for key, default in (("low", -math.inf), ("high", math.inf)))
    left = 0.5 * (math.erf(high / math.sqrt(2.0)) - math.erf(low / math.sqrt(2.0)))
    if low >= high:
        entries.fault("high", "low and high leave nothing between them", "low is the smaller of the two; both count from the drawing")
    elif left < LEAST_LEFT:
        entries.fault("low" if low > 0.0 else "high", f"truncated to nothing: {left:.1g} of all parts lie between low and high",
                      "both count from the drawing; widen them")  # fmt: skip


def _departure(entries: Entries, key: str, of: Quantity) -> tuple[float, bool] | None:
    """A departure from the drawing, in SI or as a share of it, and whether it is a share; None after a fault."""
    entries.asked(key)
    example = '"6 %"' if of.kind == "share" else '"12 K" or "1 %"' if of.kind == "temperature" else f'"{_small(of)}" or "2 %"'
    words = "a share of the drawing in %" if of.kind == "share" else "a temperature difference, or %" if of.kind == "temperature" else f"{KINDS[of.kind].words}, or %"
    need = f"needs {words}, such as {example}"
    if key not in entries:
        entries.fault(key, f"missing; {need}", f"add {key}")
        return None
    given = entries.table[key]
    if not isinstance(given, str):
        entries.fault(key, f"no unit; {need}", "write it as text with its unit")
        return None
    text = given.strip().replace("−", "-")
    sign = -1.0 if text.startswith("-") else 1.0
    text = text.removeprefix("-").removeprefix("+").strip()
    relative = "%" in text
    kind = "share" if relative else of.kind
    if not relative and (of.kind == "share" or "C" in text and of.kind == "temperature"):
        cure = "a difference of temperature is written in K" if of.kind == "temperature" else "write it in %"
        entries.fault(key, need, cure)
        return None
    try:
        return sign * parse(text, kind), relative
    except UnitFault as problem:
        entries.fault(key, need, problem.cure)
        return None


def _small(of: Quantity) -> str:
    """An example of a small amount of the quantity with its unit."""
    return f"0.05 {of.unit}"


# ---- correlations ----------------------------------------------------------------------


def _correlation(entries: Entries, tolerances: Sequence[Tolerance]) -> Correlation | None:
    level = entries.word("level", LEVELS, "level", default="valve") or "valve"
    coefficient = entries.quantity("coefficient", "number")
    entries.asked("between")
    between = entries.table.get("between")
    entries.finish()
    if not isinstance(between, list) or len(between) != 2 or not all(isinstance(name, str) for name in between):
        entries.fault("between", "needs a list of two quantities", 'such as between = ["coating_mass", "barium"]')
        return None
    known = [t.quantity for t in tolerances if t.level == level]
    for name in between:
        if name not in known:
            entries.fault("between", f'"{name}" has no tolerance of level "{level}" in this file', f"known: {quoted(known) or 'none'}")
    if between[0] == between[1]:
        entries.fault("between", "a quantity goes with itself anyway", "name two different quantities")
    if any(name not in known for name in between) or between[0] == between[1]:
        return None
    if not -1.0 <= coefficient <= 1.0:
        if math.isfinite(coefficient):
            entries.fault("coefficient", f"a correlation of {between[0]} with {between[1]} lies between -1 and 1", "such as 0.5")
        return None
    return Correlation(between[0], between[1], coefficient, level)


def correlation_matrix(tolerances: Tolerances, level: str) -> np.ndarray:
    """Correlations of the normal scores of one level, (tolerance, tolerance) [1]."""
    names = [t.quantity for t in tolerances.at(level)]
    out = np.eye(len(names))
    for c in tolerances.correlations:
        if c.level == level:
            i, j = names.index(c.first), names.index(c.second)
            out[i, j] = out[j, i] = c.coefficient
    return out


def correlation_faults(tolerances: Tolerances) -> list[Fault]:
    """What is impossible about the correlations: pairs told twice, and coefficients that cannot all be true together."""
    faults: list[Fault] = []
    for level in LEVELS:
        pairs = [frozenset((c.first, c.second)) for c in tolerances.correlations if c.level == level]
        faults += [
            Fault(tolerances.source, "correlation", "", f"{quoted(sorted(pair))} are there twice", "keep one of them")
            for pair in dict.fromkeys(pairs) if pairs.count(pair) > 1
        ]  # fmt: skip
        matrix = correlation_matrix(tolerances, level)
        if matrix.size and _least(matrix) < -ROUNDING:
            faults.append(_impossible(tolerances, level, matrix))
    return faults


def _impossible(tolerances: Tolerances, level: str, matrix: np.ndarray) -> Fault:
    """The pair whose coefficient is most at odds with the others, and between what values it could lie."""
    names = [t.quantity for t in tolerances.at(level)]

    def with_pair(pair: Correlation, coefficient: float) -> np.ndarray:
        out = matrix.copy()
        i, j = names.index(pair.first), names.index(pair.second)
        out[i, j] = out[j, i] = coefficient
        return out

    scan = np.linspace(-1.0, 1.0, 201)
    best = {pair: [_least(with_pair(pair, x)) for x in scan] for pair in tolerances.correlations if pair.level == level}
    pair = max(best, key=lambda p: max(best[p]))
    possible = scan[np.array(best[pair]) >= -ROUNDING]
    cure = f"with the others as they are it can lie between {possible[0]:.2f} and {possible[-1]:.2f}" if possible.size else "make several of them smaller"
    return Fault(
        tolerances.source, "correlation", f"{pair.coefficient:g}",
        f"the correlation of {pair.first} with {pair.second} cannot be true together with the others (matrix not positive semidefinite)", cure,
    )  # fmt: skip


def _least(matrix: np.ndarray) -> float:
    return float(np.linalg.eigvalsh(matrix)[0])
