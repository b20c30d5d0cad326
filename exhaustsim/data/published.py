"""Look-up of the values in the data tables, each with its range, standing and source.

Every row stands in one of the TOML files beside this module under a dotted name:

    [carbonates.needle_radius]
    value = "1.1 um"
    range = ["0.5 um", "3 um"]
    standing = "recalled"
    source = "..., page or table"
    note = "..."

The unit written in the row decides what kind of quantity it is; `value` gives it in SI,
gas amounts in moles.  The standing is one of `STANDINGS`: "published" values were read in
the source named, "computed" ones follow by the route in the note, "recalled" ones are of
the right order only, "practice" is usage of the trade, "invented" belongs to the demo.

Not here: laws (see `exhaustsim.physics`), and numbers of one particular valve or machine,
which stand in its design file.
"""

from __future__ import annotations

import difflib
import functools
import tomllib
from dataclasses import dataclass
from fnmatch import fnmatchcase
from importlib import resources

from exhaustsim.units import UnitFault, parse, parse_any

STANDINGS = ("published", "computed", "recalled", "practice", "invented")


class DataFault(LookupError):
    """A name that no data table holds, or a row that cannot be read."""

    def __str__(self) -> str:
        return str(self.args[0])


@dataclass(frozen=True)
class Row:
    """One value of the data tables; `value`, `low` and `high` are SI."""

    name: str
    value: float
    low: float | None
    high: float | None
    text: str  # as written in the table
    unit: str
    kind: str
    standing: str
    source: str
    note: str
    file: str


def value(name: str) -> float:
    """SI value of the row called `name`, such as "carbonates.needle_radius"."""
    return row(name).value


def row(name: str) -> Row:
    """The whole row called `name`; an unknown name is refused with the nearest known ones."""
    found = _table().get(name)
    if found is None:
        raise DataFault(f'no value "{name}" in the data tables{_nearest(name)}')
    return found


def rows(pattern: str = "*") -> list[Row]:
    """All rows whose name matches `pattern` (`*` and `?` as in file names), by name."""
    return [r for name, r in sorted(_table().items()) if fnmatchcase(name, pattern)]


def group(prefix: str) -> dict[str, Row]:
    """The rows directly under `prefix`, by their last name: `group("gases.H2")["molar_mass"]`."""
    start = prefix + "."
    return {n[len(start):]: r for n, r in _table().items() if n.startswith(start) and "." not in n[len(start):]}


def groups(prefix: str) -> list[str]:
    """Names of the groups under `prefix`: `groups("materials")` lists the materials."""
    start = prefix + "."
    return sorted({n[len(start):].split(".")[0] for n in _table() if n.startswith(start) and "." in n[len(start):]})


def _nearest(name: str) -> str:
    near = difflib.get_close_matches(name, _table(), n=3, cutoff=0.5)
    if not near:
        near = [n for n in sorted(_table()) if n.split(".")[-1] == name.split(".")[-1]][:3]
    return "; nearest: " + ", ".join(f'"{n}"' for n in near) if near else ""


@functools.cache
def _table() -> dict[str, Row]:
    table: dict[str, Row] = {}
    for file in sorted(resources.files("exhaustsim.data").iterdir(), key=lambda f: f.name):
        if file.name.endswith(".toml"):
            for name, entry in _entries(tomllib.loads(file.read_text(encoding="utf-8")), ""):
                if name in table:
                    raise DataFault(f'"{name}" stands in both {table[name].file} and {file.name}')
                table[name] = _read_row(name, entry, file.name)
    return table


def _entries(tables: dict, prefix: str):
    for key, entry in tables.items():
        if isinstance(entry, dict):
            if "value" in entry:
                yield prefix + key, entry
            else:
                yield from _entries(entry, f"{prefix}{key}.")


def _read_row(name: str, entry: dict, file: str) -> Row:
    try:
        number, unit, kind = parse_any(entry["value"])
        # A bare number has the unit 1, and so must its range.
        low, high = (parse(bound, kind) for bound in entry["range"]) if "range" in entry else (None, None)
        return Row(
            name=name,
            value=number,
            low=low,
            high=high,
            text=str(entry["value"]),
            unit=unit,
            kind=kind,
            standing=entry["standing"],
            source=entry["source"],
            note=entry.get("note", ""),
            file=file,
        )
    except (UnitFault, KeyError, ValueError) as fault:
        raise DataFault(f'{file}: row "{name}" cannot be read: {fault}') from fault
