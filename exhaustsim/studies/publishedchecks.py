"""The published, recalled and independently computed values that the laws are held against, row by row.

The rows stand with the tests, in `tests/published/*.toml` of the source tree: they are not part of an installed
package.  Each names its law, its source with page or table, its standing, and why its tolerance is what it is; a
row goes either by the law's own arguments or by a small function of `routes_<file>.py` beside it.
"""

from __future__ import annotations

import functools
import importlib
import importlib.util
import math
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

BESIDE_PACKAGE = Path(__file__).parents[2] / "tests" / "published"


class ChecksFault(RuntimeError):
    """The rows cannot be found or worked out; the text says what to do."""


@dataclass(frozen=True)
class Row:
    """One row as it stands in its file."""

    file: str  # without ending
    folder: Path
    entry: dict

    @property
    def law(self):
        """The law the row is about."""
        return law_named(self.entry["law"])

    def outcome(self) -> float:
        """What the model gives for the row, in the unit of the source."""
        if "route" in self.entry:
            return float(getattr(routes_of(self.folder, self.file), self.entry["route"])(self.entry))
        return float(self.law(**self.entry["args"]))


@dataclass(frozen=True)
class Check:
    """A row worked out."""

    row: Row
    got: float

    @property
    def expected(self) -> float:
        return float(self.row.entry["value"])

    @property
    def off(self) -> float:
        """Difference relative to the expected value; absolute where that is zero."""
        return self.got - self.expected if self.expected == 0.0 else self.got / self.expected - 1.0

    @property
    def kept(self) -> bool:
        """Whether it lies within the tolerance of the row."""
        return math.isfinite(self.got) and abs(self.off) <= self.row.entry["tolerance"]


def folder_of_rows(given=None) -> Path:
    """The folder with the rows: the one given, `tests/published` here or one folder up, or that of the source tree.

    Raises
    ------
    ChecksFault
        There are none.
    """
    places = [Path(given)] if given else [Path("tests/published"), Path("../tests/published"), BESIDE_PACKAGE]
    for place in places:
        if any(place.glob("*.toml")):
            return place.resolve()
    raise ChecksFault(f"no rows in {' or '.join(map(str, places))}: they come with the source tree, not with the installed package; name their folder")


def rows_of(given=None, files: tuple[str, ...] | None = None) -> list[Row]:
    """Every row, or those of the files named (without ending), in the order of the files."""
    folder = folder_of_rows(given)
    paths = [p for p in sorted(folder.glob("*.toml")) if files is None or p.stem in files]
    found = {p.stem: tomllib.loads(p.read_text(encoding="utf-8")).get("row", []) for p in paths}  # one file only names tests
    return [Row(file, folder, entry) for file, entries in found.items() for entry in entries]


def work_out(rows: list[Row], told: Callable[[float], None] = lambda share: None) -> list[Check]:
    """What the model gives for each row; `told` hears the share that is done.

    Raises
    ------
    ChecksFault
        Something that the rows need is not installed.
    """
    checks = []
    for number, row in enumerate(rows, start=1):
        try:
            checks.append(Check(row, row.outcome()))
        except ImportError as missing:
            raise ChecksFault(f"{missing.name} is not installed: pip install 'exhaustsim[test]'") from missing
        told(number / len(rows))
    return checks


def law_named(name: str):
    """The law of `exhaustsim.physics` called `module.function`."""
    module, _, function = name.partition(".")
    return getattr(importlib.import_module(f"exhaustsim.physics.{module}"), function)


@functools.cache
def routes_of(folder: Path, file: str):
    """The module `routes_<file>.py` beside the rows."""
    path = folder / f"routes_{file}.py"
    spec = importlib.util.spec_from_file_location(f"routes_{file}", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
