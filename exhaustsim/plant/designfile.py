"""Design files to records: `load_valve`, `load_machine`, `load_schedule`, `load_schedules`.

Valve, machine and schedule stand in separate TOML files whose values are text with a unit
("3.0 mm", "2.2 L/s", "460 degC"); a schedule names its valve and its machine by a path
relative to itself, so that naming schedules is enough to run them.  In the place of a valve file
there may be an overlay of one with fitted values (`exhaustsim.plant.overlay`).  Each of the three may name
data files of its own with `data = ["our_materials.toml"]`; the rows of all of them hold for
that schedule and no other.

Nothing is repaired and nothing is guessed: unknown keys, missing units and contradictions
are refused, and one `DesignFault` tells all faults of all files at once.
"""

from __future__ import annotations

import os
from collections.abc import Iterable

from exhaustsim.data.published import Tables
from exhaustsim.plant.entries import Entries, read_table
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.machine import RotaryMachine
from exhaustsim.plant.overlay import laid_over
from exhaustsim.plant.readdata import TELLING_KEYS, merged, read_data_file
from exhaustsim.plant.readmachine import read_machine
from exhaustsim.plant.readschedule import read_schedule
from exhaustsim.plant.readvalve import read_valve
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.valve import ValveDesign

ENDING = ".toml"

__all__ = ["DesignFault", "Fault", "load_machine", "load_schedule", "load_schedules", "load_valve"]


def load_valve(path: str | os.PathLike) -> ValveDesign:
    """The valve described in the file at `path`; raises `DesignFault`."""
    return _Reading().alone("valve", path)


def load_machine(path: str | os.PathLike) -> RotaryMachine:
    """The machine described in the file at `path`; raises `DesignFault`."""
    return _Reading().alone("machine", path)


def load_schedule(path: str | os.PathLike, valve: str | os.PathLike | None = None) -> Schedule:
    """The schedule at `path` with its valve and machine; raises `DesignFault`.

    `valve` names another valve file, or an overlay with fitted values, than the schedule does.
    """
    reading = _Reading()
    schedule = reading.schedule(os.fspath(path), os.fspath(valve) if valve is not None else None)
    reading.refuse_faults()
    return schedule


def load_schedules(paths: Iterable[str | os.PathLike]) -> list[Schedule]:
    """All schedules at `paths`; one `DesignFault` tells the faults of all files they need."""
    reading = _Reading()
    schedules = [reading.schedule(os.fspath(path)) for path in paths]
    reading.refuse_faults()
    return schedules


class _Reading:
    """One reading of a set of files: each valve and machine is read, and its faults told, once."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []
        self._known: dict[tuple[str, str, Tables], ValveDesign | RotaryMachine | None] = {}
        self._data: dict[str, Tables] = {}

    def refuse_faults(self) -> None:
        if self.faults:
            raise DesignFault(self.faults)

    def alone(self, sort: str, path: str | os.PathLike):
        entries = self._open(sort, os.fspath(path))
        design = self._design(sort, entries, self._tables([entries]))
        self.refuse_faults()
        return design

    def schedule(self, path: str, valve: str | None = None) -> Schedule | None:
        entries = self._open("schedule", path)
        if entries is None:
            return None
        opened = {}
        for sort in ("valve", "machine"):
            relative = entries.text(sort)
            if sort == "valve" and valve is not None:
                opened[sort] = self._open(sort, os.path.normpath(valve))
                continue
            joined = _beside(path, relative)
            opened[sort] = None
            if relative and not _may_be_design(joined):
                entries.fault(sort, f"needs the name of a {ENDING} file", "give the path relative to the schedule")
            elif relative and not os.path.exists(joined):
                entries.fault(sort, f'no such file "{joined}"', "give the path relative to the schedule")
            elif relative:
                opened[sort] = self._open(sort, joined)
        entries.tables = self._tables([*opened.values(), entries])
        return read_schedule(entries, *(self._design(sort, file, entries.tables) for sort, file in opened.items()))

    def _design(self, sort: str, entries: Entries | None, tables: Tables):
        """The valve or machine in an opened file with what the tables of the whole run fill in; None without a file."""
        if entries is None:
            return None
        known = (sort, entries.file, tables)
        if known not in self._known:
            entries.tables = tables
            self._known[known] = read_valve(entries) if sort == "valve" else read_machine(entries)
        return self._known[known]

    def _tables(self, files: Iterable[Entries | None]) -> Tables:
        """The data tables with the rows of every data file that `files` name."""
        parts = []
        for entries in files:
            for number, relative in enumerate(_data_files(entries), start=1):
                path = _beside(entries.file, relative)
                if not _may_be_design(path):
                    entries.fault("data", f'needs the names of {ENDING} files, not "{path}"', f"correct path {number}")
                    continue
                if not os.path.exists(path):
                    entries.fault("data", f'no such file "{path}"', f"give path {number} relative to this file")
                    continue
                if path not in self._data:
                    self._data[path] = read_data_file(path, relative, self.faults)
                parts.append(self._data[path])
        return merged(parts, self.faults)

    def _open(self, sort: str, path: str) -> Entries | None:
        table = read_table(path, self.faults, TELLING_KEYS[sort])
        if table is None:
            return None
        if sort == "valve" and "overlay" in table:
            table = laid_over(table, path, self.faults)
            return None if table is None else Entries(table, path, "", self.faults)
        other = next((s for s, key in TELLING_KEYS.items() if key in table), sort)
        if other != sort:
            need = f"this is a {other} file; needs a {sort} file"
            self.faults.append(Fault(path, "", "", need, f"name a {sort} file"))
            return None
        return Entries(table, path, "", self.faults)


def _may_be_design(path: str) -> bool:
    """Whether a file that another file names may be opened at all: a fault quotes lines, and should quote no other kind of file."""
    return path.lower().endswith(ENDING)


def _beside(path: str, relative: str) -> str:
    """The path of a file that the file at `path` names."""
    return os.path.normpath(os.path.join(os.path.dirname(path), relative))


def _data_files(entries: Entries | None) -> list[str]:
    """Data files that a design file names under `data`, as written there."""
    if entries is None:
        return []
    entries.asked("data")
    given = entries.table.get("data", [])
    if not isinstance(given, list) or not all(isinstance(name, str) and name.strip() for name in given):
        entries.fault("data", "needs a list of file names", 'such as data = ["our_materials.toml"]')
        return []
    return given
