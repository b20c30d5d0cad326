"""A user's own data file to rows of the data tables: materials, gases, pumps, gauges, getters.

A data file has the form of the built-in tables: one row per number under a dotted name, with
`value`, `range`, `standing`, `source` and `note`.  A row under a new name adds a material, a
diffusion law, a pump type, a getter type or a gauge, which must be complete in its file.  A row
under a name that the tables have already must say `replaces = true` and give a `reason`.

The rows reach only the runs whose design files name the data file.  Paths stay as written and
nothing in a file is evaluated.

Not possible: a tenth gas, which the compiled arrays, the getter and the element ledger would all
have to know; values of the nine may be replaced.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterable

from exhaustsim.constants import GAS_NAMES
from exhaustsim.data.published import BUILT_IN, STANDINGS, Row, Tables
from exhaustsim.plant.coil import RESISTIVITY
from exhaustsim.plant.entries import HIDDEN, SHARE_SUM_TOLERANCE, Entries, read_table
from exhaustsim.plant.faults import DesignFault, Fault, nearest, quoted
from exhaustsim.units import KINDS, UnitFault, parse, parse_any

#: A table that only one sort of design file has, to tell a file given in the wrong place.
TELLING_KEYS = {"valve": "bulb", "machine": "lines", "schedule": "index_time"}

#: Groups that may get new members; what a member may hold is what the built-in members hold.
OPEN_GROUPS = ("materials", "surfaces", "permeation", "diffusion", "gauges")

#: What a pump type may hold, by kind of pump.
_PUMP = {"speed": "speed", "ultimate_pressure": "pressure"} | {f"ultimate_gases.{gas}": "share" for gas in GAS_NAMES}
PUMP_TYPES = {
    "rotary": _PUMP | {"gas_ballast": "speed", "ballast_ultimate_pressure": "pressure", "temperature": "temperature"},
    "diffusion": _PUMP
    | {"knee_pressure": "pressure", "critical_backing_pressure": "pressure", "stall_time": "time", "recovery_time": "time",
       "stalled_conductance": "speed", "backing_volume": "volume"},
    "booster": {"speed": "speed", "compression": "number", "pressure_difference": "pressure", "backing_volume": "volume"},
    "turbomolecular": _PUMP
    | {"knee_pressure": "pressure", "critical_backing_pressure": "pressure", "stall_time": "time", "recovery_time": "time",
       "backing_volume": "volume"},
}  # fmt: skip

#: What a getter type may hold; kinds are those of the built-in rows of the same names.
GETTER_TYPE = (
    "barium", "yield_limit", "emitting_area", "flash_gas", "mirror_area", "area_ratio", "site_density", "hydrogen_returned",
)  # fmt: skip
GETTER_TYPE_BY_GAS = ("flash_gases", "sticking", "burial_rate", "appetite")

GLASS = ("density", "strain_point", "softening_point")
GLASS_HELIUM = ("conductivity", "energy", "diffusion_prefactor", "diffusion_energy")
SHARES_OF_ONE = ("ultimate_gases", "flash_gases", "gases")  # groups of mole shares that add up to 1
AT_MOST_ONE = ("emissivity", "accommodation", "air_share", "activity", "yield_limit", *SHARES_OF_ONE, "sticking")
ROW_KEYS = ("value", "range", "standing", "source", "note", "replaces", "reason")


def load_tables(paths: Iterable[str | os.PathLike]) -> Tables:
    """The built-in tables with the rows of the data files at `paths`.

    Raises
    ------
    DesignFault
        With every fault of every file.
    """
    faults: list[Fault] = []
    parts = [read_data_file(os.fspath(path), os.fspath(path), faults) for path in dict.fromkeys(paths)]
    tables = merged(parts, faults)
    if faults:
        raise DesignFault(faults)
    return tables


def read_data_file(path: str, written: str, faults: list[Fault]) -> Tables:
    """The rows of one data file; `written` is its name as the user gave it.  Faults are recorded."""
    table = read_table(path, faults, *sorted({name.split(".")[0] for name in BUILT_IN.names()}))
    if table is None:
        return BUILT_IN
    other = next((sort for sort, key in TELLING_KEYS.items() if key in table), "")
    if other:
        faults.append(Fault(path, "", "", f"this is a {other} file; needs a data file", "name a file with rows of data only"))
        return BUILT_IN
    top = Entries(table, path, "", faults)
    places: dict[str, Entries] = {}
    _find_rows(top, places)
    rows = {}
    refused: set[str] = set()
    for name, entries in places.items():
        row = _row(name, entries, written, refused)
        if row is not None:
            rows[name] = row
    _check_members(top, places)
    return Tables(tuple(rows.values()), (path,))


def merged(parts: Iterable[Tables], faults: list[Fault]) -> Tables:
    """The tables of several data files together; a name that two files hold is a fault."""
    rows: dict[str, Row] = {}
    home: dict[str, str] = {}
    files = []
    for part in dict.fromkeys(parts):
        files += part.files
        for row in part.own:
            if row.name in rows:
                faults.append(Fault(part.files[0], row.name, f'"{row.text}"', f"stands in {home[row.name]} as well",
                                    "keep it in one data file"))
            rows[row.name] = row
            home[row.name] = part.files[0]
    if not rows:
        return BUILT_IN
    tables = Tables(tuple(rows.values()), tuple(files))
    _check_shares(tables, home, faults)
    return tables


# ---- rows ------------------------------------------------------------------------------


def _find_rows(entries: Entries, places: dict[str, Entries]) -> None:
    """Every table that is a row, by its full name; a table of tables is a group."""
    for key, given in entries.table.items():
        if not isinstance(given, dict):
            entries.fault(key, "stands outside any row", "write each value as a table with value, range, standing, source")
            continue
        inside = entries.sub(key)
        if not given:
            inside.fault("", "holds nothing", "add value, range, standing and source, or take it out")
        elif not set(given).isdisjoint(ROW_KEYS):
            places[f"{entries.place}.{key}" if entries.place else key] = inside
        else:
            _find_rows(inside, places)


def _row(name: str, entries: Entries, written: str, refused: set[str]) -> Row | None:
    """One row; None after a fault that leaves nothing to go on with."""
    replaces = entries.table.get("replaces", False)
    entries.asked(*ROW_KEYS)
    if not isinstance(replaces, bool):
        entries.fault("replaces", "needs true or false", "replaces = true")
    if HIDDEN.search(name):
        entries.fault("", "its name holds codes that a screen hides or obeys", "type it again without them")
        return None
    kind = _kind_of(name, entries, refused)
    standing = entries.word("standing", STANDINGS, "standing")
    source = entries.text("source")
    note = entries.text("note", default="")
    entries.finish()
    if kind is None:
        return None
    built_in = BUILT_IN.row(name) if name in BUILT_IN else None
    reason = entries.table.get("reason", "")
    if built_in is not None:
        if replaces is False:
            entries.fault("", f"the tables have this value already ({built_in.text}, {built_in.standing})",
                          "add replaces = true and a reason, or give it another name")
        elif not isinstance(reason, str) or not reason.strip():
            entries.fault("reason", "needs text that says why the built-in value is replaced", 'such as reason = "measured here"')
            return None
    elif replaces is True:
        entries.fault("replaces", "there is no built-in value of this name to replace", nearest(name, _neighbours(name)))
    value = _parsed(entries, "value", entries.table.get("value"), kind)
    low, high = _range(entries, kind, standing, value)
    _check_size(name, entries, value, kind)
    if math.isnan(value) or not standing:
        return None
    text = str(entries.table["value"])
    unit = parse_any(text)[1]
    return Row(name, value, low, high, text, unit, kind, standing, source, note, written, True,
               built_in.text if built_in is not None else "", reason if built_in is not None else "")


def _kind_of(name: str, entries: Entries, refused: set[str]) -> str | None:
    """Kind of quantity that stands under `name`; None with a fault when nobody would read it."""
    if name in BUILT_IN:
        return BUILT_IN.row(name).kind
    family, _, inside = name.partition(".")
    member, _, rest = inside.partition(".")
    if family == "gases" and member not in GAS_NAMES:
        if member not in refused:
            refused.add(member)
            entries.faults.append(Fault(
                entries.file, f"gases.{member}", "",
                f"no gas of that name, and a tenth cannot be added by a data file: arrays, getter and element ledger know {len(GAS_NAMES)}",
                f"{nearest(member, GAS_NAMES)} Vapours such as pump oil are not modelled.",
            ))  # fmt: skip
        return None
    known = members_of(family, member)
    if family == "pumps" and member in PUMP_TYPES and "." in rest:
        known, rest = PUMP_TYPES[member], rest.partition(".")[2]
    if rest in known:
        return known[rest]
    if family == "materials" and RESISTIVITY.fullmatch(rest):
        return "resistivity"  # at whatever temperature it was measured
    if known and rest:
        entries.fault("", f'"{rest}" is not read there', nearest(rest, known))
    else:
        entries.fault("", "nobody reads a value of that name", nearest(name, _neighbours(name)))
    return None


def members_of(family: str, member: str = "") -> dict[str, str]:
    """What a new member of a group may hold, with the kind of each quantity; nothing for a closed group."""
    if family in OPEN_GROUPS:
        return {row.name.split(".", 2)[2]: row.kind for row in BUILT_IN.rows(f"{family}.*.*")}
    if family == "getters":
        by_gas = [row.name.split(".", 1)[1] for key in GETTER_TYPE_BY_GAS for row in BUILT_IN.rows(f"getters.{key}.*")]
        return {rest: BUILT_IN.row(f"getters.{rest}").kind for rest in (*GETTER_TYPE, *by_gas)}
    if family == "gases":
        return {row.name.split(".", 2)[2]: row.kind for row in BUILT_IN.rows(f"gases.{GAS_NAMES[0]}.*")}
    return PUMP_TYPES.get(member, {}) if family == "pumps" else {}


def _neighbours(name: str) -> list[str]:
    """Built-in names to offer for a mistyped one: those of its own group, or the groups when that is mistyped."""
    family = name.partition(".")[0]
    names = [n for n in BUILT_IN.names() if n.startswith(family + ".")]
    return names or sorted({n.partition(".")[0] for n in BUILT_IN.names()})


def _parsed(entries: Entries, key: str, given: object, kind: str) -> float:
    if given is None:
        entries.fault(key, f'missing; needs {KINDS[kind].words}, such as "{KINDS[kind].example}"', f"add {key}")
        return math.nan
    try:
        # A bare number in the built-in tables may be meant as a share: both spellings are taken.
        return parse(given, "share" if kind == "number" else kind)
    except UnitFault as problem:
        entries.fault(key, f'needs {KINDS[kind].words}, such as "{KINDS[kind].example}"', problem.cure or "write the unit beside the number")
        return math.nan


def _range(entries: Entries, kind: str, standing: str, value: float) -> tuple[float | None, float | None]:
    given = entries.table.get("range")
    if given is None:
        if standing and standing not in ("published", "computed"):
            entries.fault("range", f"missing; a {standing} value needs the range in which the truth may lie", 'range = ["...", "..."]')
        return None, None
    if not isinstance(given, list) or len(given) != 2:
        entries.fault("range", "needs two values, the lowest and the highest", 'range = ["...", "..."]')
        return None, None
    low, high = (_parsed(entries, "range", bound, kind) for bound in given)
    if low > high:
        entries.fault("range", "the lowest stands after the highest", "swap the two")
    elif not math.isnan(value) and (value < low or value > high):
        entries.fault("value", f"lies outside its own range {given[0]} to {given[1]}", "correct value or range")
    return low, high


def _check_size(name: str, entries: Entries, value: float, kind: str) -> None:
    parts = name.split(".")
    alike = [row for row in BUILT_IN.rows(f"*.{parts[-1]}") if row.kind == kind]
    may_vanish = any((row.low if row.low is not None else row.value) <= 0.0 for row in alike)
    may_be_negative = any(row.value < 0.0 for row in alike)
    if value < 0.0 and not may_be_negative or value == 0.0 and not may_vanish:
        entries.fault("value", "must not be below zero" if may_vanish else "must be above zero", "correct the value")
    elif value > 1.0 and not set(AT_MOST_ONE).isdisjoint(parts[-2:]):
        entries.fault("value", "must be at most 1", "give a share, such as 0.15 or 15 %")
    elif parts[-1] == "heat_capacity_ratio" and value <= 1.0:
        entries.fault("value", "must be above 1", "ratio of the heat capacities at constant pressure and volume, such as 1.4")


# ---- groups ----------------------------------------------------------------------------


def _check_members(top: Entries, places: dict[str, Entries]) -> None:
    """What a data file adds must be complete in it."""
    def lacking(member: str, wanted: Iterable[str], why: str) -> None:
        missing = [name for name in wanted if f"{member}.{name}" not in places and f"{member}.{name}" not in BUILT_IN]
        if missing:
            top.faults.append(Fault(top.file, member, "", f"has no {', '.join(missing)}; {why}", f"add [{member}.{missing[0]}]"))

    def added(family: str) -> list[str]:
        """New members of a group, in the order of the file."""
        depth = family.count(".") + 2
        found = dict.fromkeys(".".join(n.split(".")[:depth]) for n in places if n.startswith(family + ".") and n.count(".") >= depth)
        return [m for m in found if not any(n.startswith(m + ".") for n in BUILT_IN.names())]

    glasses = {m.partition(".")[2] for m in added("permeation")}
    glasses |= {m.partition(".")[2] for m in added("materials") if any(f"{m}.{point}" in places for point in GLASS[1:])}
    for name in sorted(glasses):
        lacking(f"materials.{name}", GLASS, "a glass needs them")
        lacking(f"permeation.{name}", GLASS_HELIUM, "a glass lets helium through")
    for member in added("materials"):
        if member.partition(".")[2] not in glasses:
            lacking(member, ["density"], "parts are checked by it")
    for member in added("diffusion"):
        lacking(member, ["prefactor", "energy"], "a diffusion law needs both")
    for member in added("gauges"):
        # Without a scale error a gauge can still be read; `studies/gaugetreatment` then says that it is not known.
        lacking(member, [key for key in members_of("gauges") if key != "scale_error"], "a gauge needs its range and every gas")
        factors = [_plain_number(places, f"{member}.relative_sensitivity.{gas}") for gas in GAS_NAMES]
        if None not in factors and 1.0 not in factors:
            top.faults.append(Fault(top.file, f"{member}.relative_sensitivity", "", "no gas has the factor 1",
                                    "give 1 to the gas the gauge is calibrated with"))
    for kind in PUMP_TYPES:
        for member in added(f"pumps.{kind}"):
            if member.count(".") == 2 and member.split(".")[2] != "ultimate_gases":
                lacking(member, [key for key in ("speed", "ultimate_pressure") if key in PUMP_TYPES[kind]], "a pump type needs them")
    for member in added("getters"):
        lacking(member, ["barium"], "a getter type needs its fill")
    for gas in GAS_NAMES:
        pair = {f"gases.{gas}.viscosity", f"gases.{gas}.diameter"}
        if len(pair & set(places)) == 1:
            missing = min(pair - set(places))
            top.faults.append(Fault(top.file, f"gases.{gas}", "", f"{missing.split('.')[2]} is missing: viscosity and "
                                    "hard-sphere diameter belong together", f"add [{missing}]"))


def _plain_number(places: dict[str, Entries], name: str) -> float | None:
    """The plain number under `name`, or None."""
    try:
        return parse(places[name].table["value"], "share") if name in places else None
    except (KeyError, UnitFault):
        return None


def _check_shares(tables: Tables, home: dict[str, str], faults: list[Fault]) -> None:
    """Mole shares that own rows touch must add up to 1."""
    groups = dict.fromkeys(n.rpartition(".")[0] for n in home if n.split(".")[-2] in SHARES_OF_ONE)
    for group in groups:
        rows = tables.group(group)
        total = sum(row.value for row in rows.values())
        if abs(total - 1.0) > SHARE_SUM_TOLERANCE:
            file = next(home[row.name] for row in rows.values() if row.own)
            faults.append(Fault(file, group, "", f"shares must add up to 1, not {total:.6g} ({quoted(rows)})", "correct the shares"))
