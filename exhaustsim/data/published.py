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

`value`, `row`, `rows`, `group` and `groups` look into the built-in tables; a `Tables` does the
same with the rows of a user's own data files over them (read in `exhaustsim.plant.readdata`).

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
    own: bool = False  # from a data file of the user's
    replaces: str = ""  # the text of the built-in value that this row stands in for
    reason: str = ""  # why it is replaced

    @property
    def standing_told(self) -> str:
        """The standing as lists show it: rows of the user's say so."""
        return f"own data, {self.standing}" if self.own else self.standing

    @property
    def source_told(self) -> str:
        """The source as lists show it: rows of the user's name their file, and what they replace and why."""
        if not self.own:
            return self.source
        replaced = f"; replaces {self.replaces}: {self.reason}" if self.replaces else ""
        return f"{self.source} ({self.file}){replaced}"


@dataclass(frozen=True)
class Tables:
    """The built-in rows with the rows of a user's own data files over them.

    A record that is handed through reading and run, so that what one schedule brings along
    reaches no other.  Two are equal when their own rows are.

    >>> BUILT_IN.value("carbonates.needle_radius")
    1.1e-06
    """

    own: tuple[Row, ...] = ()
    files: tuple[str, ...] = ()  # paths of the data files, as they were opened

    @functools.cached_property
    def _own(self) -> dict[str, Row]:
        return {row.name: row for row in self.own}

    def __reduce__(self):
        return Tables, (self.own, self.files)

    def __contains__(self, name: str) -> bool:
        return name in self._own or name in _table()

    def _all(self) -> list[tuple[str, Row]]:
        return sorted({**_table(), **self._own}.items())

    def names(self) -> list[str]:
        """All names, in order."""
        return [name for name, _ in self._all()]

    def value(self, name: str) -> float:
        """SI value of the row called `name`; raises `DataFault` as `row` does."""
        return self.row(name).value

    def row(self, name: str) -> Row:
        """The whole row called `name`; an unknown name is refused (`DataFault`) with the nearest known ones."""
        found = self._own.get(name) or _table().get(name)
        if found is None:
            raise DataFault(f'no value "{name}" in the data tables{_nearest(name, self.names())}')
        return found

    def rows(self, pattern: str = "*") -> list[Row]:
        """All rows whose name matches `pattern` (`*` and `?` as in file names), by name."""
        return [row for name, row in self._all() if fnmatchcase(name, pattern)]

    def group(self, prefix: str) -> dict[str, Row]:
        """The rows directly under `prefix`, by their last name: `group("gases.H2")["molar_mass"]`."""
        start = prefix + "."
        return {n[len(start):]: row for n, row in self._all() if n.startswith(start) and "." not in n[len(start):]}

    def groups(self, prefix: str) -> list[str]:
        """Names of the groups under `prefix`: `groups("materials")` lists the materials."""
        start = prefix + "."
        return sorted({n[len(start):].split(".")[0] for n in self.names() if n.startswith(start) and "." in n[len(start):]})


#: The tables as they come with the package.
BUILT_IN = Tables()


def value(name: str) -> float:
    """SI value of the built-in row called `name`, such as "carbonates.needle_radius"; raises `DataFault`."""
    return BUILT_IN.value(name)


def row(name: str) -> Row:
    """The built-in row called `name`; an unknown name is refused (`DataFault`) with the nearest known ones."""
    return BUILT_IN.row(name)


def rows(pattern: str = "*") -> list[Row]:
    """All built-in rows whose name matches `pattern` (`*` and `?` as in file names), by name."""
    return BUILT_IN.rows(pattern)


def group(prefix: str) -> dict[str, Row]:
    """The built-in rows directly under `prefix`, by their last name."""
    return BUILT_IN.group(prefix)


def groups(prefix: str) -> list[str]:
    """Names of the built-in groups under `prefix`."""
    return BUILT_IN.groups(prefix)


def entries_of(tables: dict, prefix: str = ""):
    """Name and entry of every row in parsed TOML; a table without a value is a group."""
    for key, entry in tables.items():
        if isinstance(entry, dict):
            if "value" in entry:
                yield prefix + key, entry
            else:
                yield from entries_of(entry, f"{prefix}{key}.")


def _nearest(name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, n=3, cutoff=0.5)
    if not near:
        near = [n for n in known if n.split(".")[-1] == name.split(".")[-1]][:3]
    return "; nearest: " + ", ".join(f'"{n}"' for n in near) if near else ""


@functools.cache
def _table() -> dict[str, Row]:
    table: dict[str, Row] = {}
    for file in sorted(resources.files("exhaustsim.data").iterdir(), key=lambda f: f.name):
        if file.name.endswith(".toml"):
            for name, entry in entries_of(tomllib.loads(file.read_text(encoding="utf-8"))):
                if name in table:
                    raise DataFault(f'"{name}" stands in both {table[name].file} and {file.name}')
                table[name] = _read_row(name, entry, file.name)
    return table


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
