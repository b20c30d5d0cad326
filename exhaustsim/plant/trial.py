"""A schedule on trial: the settings of a schedule file, changed one by one before anything is run.

What is changed is the text that stands in the files, so that a trial is checked by the same
reading as the files themselves, with the same faults, and saved as files of the same kind.
Which line serves a position, and which positions the oven covers, are the machine's: a trial
that changes them has a machine of its own.

The constants trusted least may be tried with other values too; those belong to the valve and
are not saved with a schedule.
"""

from __future__ import annotations

import copy
import math
import os
import tomllib
from pathlib import Path

from exhaustsim.plant.designfile import load_schedule, load_valve
from exhaustsim.plant.entries import Entries
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.readmachine import read_machine
from exhaustsim.plant.readschedule import read_schedule
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.valve import ValveDesign
from exhaustsim.plant.writeschedule import quantity_text, toml_text
from exhaustsim.units import UnitFault, parse

EDITED = " (edited)"


class Trial:
    """The settings of the schedule file at `path`, free to be changed.

    Raises
    ------
    DesignFault
        The files as they stand cannot be used.
    """

    def __init__(self, path: str | os.PathLike):
        self.path = os.fspath(path)
        schedule = load_schedule(self.path)
        self.valve_path, self.machine_path = schedule.valve.source, schedule.machine.source
        self._valves: dict[str, ValveDesign] = {self.valve_path: schedule.valve}
        self.reset()

    def reset(self) -> None:
        """Back to the schedule file as it stands, on its own valve and machine."""
        self.settings = _table(self.path)
        folder = os.path.dirname(self.path)
        self.valve_path, self.machine_path = (os.path.normpath(os.path.join(folder, self.settings[k])) for k in ("valve", "machine"))
        self._standard = copy.deepcopy(self.settings)
        self._standard_places = self.valve_path, self.machine_path
        self.machine = _table(self.machine_path)
        self._standard_machine = copy.deepcopy(self.machine)
        self._to_the_end = {e["number"] for e in self.settings.get("position", []) if self._lasts_to_the_end(e)}

    # ---- what may be changed -----------------------------------------------------------

    def put_on(self, machine_path: str) -> None:
        """Another machine, as its file describes it."""
        self.machine_path = machine_path
        self.machine = _table(machine_path)
        self._standard_machine = copy.deepcopy(self.machine)

    def set_index_time(self, text: str) -> list[int]:
        """Another index time; RF that ended with the dwell still does.

        Returns the positions whose RF seconds were changed with it.
        """
        self.settings["index_time"] = text
        dwell = _seconds(text) - _seconds(self.machine.get("transfer_time"))
        changed = []
        for position in sorted(self._to_the_end):
            rf = self.at(position).get("rf", {})
            start = _seconds(rf.get("start", "0 s"))
            if dwell > start and "duration" in rf:
                rf["duration"] = quantity_text(round(dwell - start, 9), "time")
                changed.append(position)
        return changed

    def set_oven_temperature(self, text: str) -> None:
        self.settings["oven_temperature"] = text

    def set_action(self, position: int, action: str) -> None:
        """What is done at a position; "" for nothing."""
        _put(self._entry(position), "action", action)

    def set_heater(self, position: int, text: str) -> None:
        """Heater volts; nought or empty text for none."""
        _put(self._entry(position), "heater", "" if _is_nought(text) else text)

    def set_rf_power(self, position: int, watts: dict[str, str]) -> None:
        """Watts absorbed by each part; an empty table turns the RF off."""
        entry = self._entry(position)
        if watts:
            entry.setdefault("rf", {})["power"] = watts
        else:
            entry.pop("rf", None)

    def set_rf_times(self, position: int, start: str, duration: str) -> None:
        """When the RF comes on after the port opens, and for how long; empty text for the whole dwell."""
        rf = self._entry(position).setdefault("rf", {"power": {}})
        _put(rf, "start", "" if _is_nought(start) else start)
        _put(rf, "duration", duration)
        self._to_the_end.discard(position)
        if self._lasts_to_the_end(self.at(position)):
            self._to_the_end.add(position)

    def set_line(self, position: int, name: str) -> None:
        """The pumping line that serves a position; "" for none."""
        ports = self.machine["ports"]
        for served in ports.values():
            if position in served:
                served.remove(position)
        if name:
            ports.setdefault(name, []).append(position)
            ports[name].sort()

    def set_oven(self, position: int, covered: bool) -> None:
        """Whether the oven covers a position."""
        oven = self.machine.setdefault("oven", {})
        kept = [p for p in oven.get("positions", []) if p != position]
        oven["positions"] = sorted([*kept, position] if covered else kept)

    # ---- what stands there ---------------------------------------------------------------

    def at(self, position: int) -> dict:
        """The settings of a position as they stand, {} when it does nothing."""
        return next((e for e in self.settings.get("position", []) if e.get("number") == position), {})

    def line_of(self, position: int) -> str:
        return next((name for name, served in self.machine["ports"].items() if position in served), "")

    def in_oven(self, position: int) -> bool:
        return position in self.machine.get("oven", {}).get("positions", [])

    @property
    def changed(self) -> bool:
        """Whether anything differs from the files."""
        return self.settings != self._standard or self.machine_changed or (self.valve_path, self.machine_path) != self._standard_places

    @property
    def machine_changed(self) -> bool:
        """Whether the machine differs from its file."""
        return self.machine != self._standard_machine

    # ---- reading and saving --------------------------------------------------------------

    def read(self) -> Schedule:
        """The schedule as it now stands.

        Raises
        ------
        DesignFault
            With every fault of the settings.
        """
        faults: list[Fault] = []
        if self.valve_path not in self._valves:
            self._valves[self.valve_path] = load_valve(self.valve_path)
        settings = copy.deepcopy(self.settings)
        if self.changed and isinstance(settings.get("name"), str):
            settings["name"] += EDITED
        machine = copy.deepcopy(self.machine)
        if self.machine_changed and isinstance(machine.get("name"), str):
            machine["name"] += EDITED
        machine = read_machine(Entries(machine, self.machine_path, "", faults))
        schedule = read_schedule(Entries(settings, self.path, "", faults), self._valves[self.valve_path], machine)
        if faults:
            raise DesignFault(faults)
        return schedule

    def texts(self, path: str | os.PathLike, notes=()) -> dict[str, str]:
        """The files that hold this trial when saved as `path`: name to text.

        A machine that was changed is one of them, with the name of the schedule file and "_machine".
        """
        self.read()
        path = Path(path)
        settings = copy.deepcopy(self.settings)
        if self.changed:
            settings["name"] += EDITED
        settings["valve"] = _relative(self.valve_path, path.parent)
        files = {}
        if self.machine_changed:
            own = path.with_name(f"{path.stem}_machine.toml")
            machine = copy.deepcopy(self.machine)
            machine["name"] += EDITED
            files[str(own)] = toml_text(machine, notes)
            settings["machine"] = own.name
        else:
            settings["machine"] = _relative(self.machine_path, path.parent)
        return {str(path): toml_text(settings, notes), **files}

    def _entry(self, position: int) -> dict:
        entries = self.settings.setdefault("position", [])
        found = self.at(position)
        if not found:
            found = {"number": position}
            entries.append(found)
            entries.sort(key=lambda e: e["number"])
        return found

    def _lasts_to_the_end(self, entry: dict) -> bool:
        """Whether the stated RF seconds end with the dwell."""
        rf = entry.get("rf", {})
        dwell = _seconds(self.settings.get("index_time")) - _seconds(self.machine.get("transfer_time"))
        return abs(_seconds(rf.get("start", "0 s")) + _seconds(rf.get("duration")) - dwell) < 1e-9


def _table(path: str) -> dict:
    return tomllib.loads(Path(path).read_text(encoding="utf-8-sig"))


def _relative(path: str, folder: Path) -> str:
    return os.path.relpath(path, folder).replace(os.sep, "/")


def _put(table: dict, key: str, text: str) -> None:
    if text:
        table[key] = text
    else:
        table.pop(key, None)


def _seconds(text) -> float:
    try:
        return parse(text, "time")
    except UnitFault:
        return math.nan


def _is_nought(text: str) -> bool:
    try:
        return float(text.split()[0]) == 0.0
    except (IndexError, ValueError):
        return not text.strip()
