"""Design files to records: `load_valve`, `load_machine`, `load_schedule`, `load_schedules`.

Valve, machine and schedule stand in separate TOML files whose values are text with a unit
("3.0 mm", "2.2 L/s", "460 degC"); a schedule names its valve and its machine by a path
relative to itself, so that naming schedules is enough to run them.

Nothing is repaired and nothing is guessed: unknown keys, missing units and contradictions
are refused, and one `DesignFault` tells all faults of all files at once.
"""

from __future__ import annotations

import os
from collections.abc import Iterable

from exhaustsim.plant.entries import Entries, read_table
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.machine import RotaryMachine
from exhaustsim.plant.readmachine import read_machine
from exhaustsim.plant.readschedule import read_schedule
from exhaustsim.plant.readvalve import read_valve
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.valve import ValveDesign

__all__ = ["DesignFault", "Fault", "load_machine", "load_schedule", "load_schedules", "load_valve"]

#: A table that only one sort of file has, to tell a file given in the wrong place.
_TELLING_KEYS = {"valve": "bulb", "machine": "lines", "schedule": "index_time"}


def load_valve(path: str | os.PathLike) -> ValveDesign:
    """The valve described in the file at `path`; raises `DesignFault`."""
    return _Reading().alone("valve", path)


def load_machine(path: str | os.PathLike) -> RotaryMachine:
    """The machine described in the file at `path`; raises `DesignFault`."""
    return _Reading().alone("machine", path)


def load_schedule(path: str | os.PathLike) -> Schedule:
    """The schedule at `path` with its valve and machine; raises `DesignFault`."""
    return load_schedules([path])[0]


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
        self._known: dict[tuple[str, str], ValveDesign | RotaryMachine | None] = {}

    def refuse_faults(self) -> None:
        if self.faults:
            raise DesignFault(self.faults)

    def alone(self, sort: str, path: str | os.PathLike):
        design = self._design(sort, os.fspath(path))
        self.refuse_faults()
        return design

    def schedule(self, path: str) -> Schedule | None:
        entries = self._open("schedule", path)
        if entries is None:
            return None
        designs = []
        for sort in ("valve", "machine"):
            relative = entries.text(sort)
            joined = os.path.normpath(os.path.join(os.path.dirname(path), relative))
            if relative and not os.path.exists(joined):
                entries.fault(sort, f'no such file "{joined}"', "give the path relative to the schedule")
            designs.append(self._design(sort, joined) if relative and os.path.exists(joined) else None)
        return read_schedule(entries, *designs)

    def _design(self, sort: str, path: str):
        if (sort, path) not in self._known:
            entries = self._open(sort, path)
            read = read_valve if sort == "valve" else read_machine
            self._known[sort, path] = read(entries) if entries is not None else None
        return self._known[sort, path]

    def _open(self, sort: str, path: str) -> Entries | None:
        table = read_table(path, self.faults, _TELLING_KEYS[sort])
        if table is None:
            return None
        other = next((s for s, key in _TELLING_KEYS.items() if key in table), sort)
        if other != sort:
            need = f"this is a {other} file; needs a {sort} file"
            self.faults.append(Fault(path, "", "", need, f"name a {sort} file"))
            return None
        return Entries(table, path, "", self.faults)
