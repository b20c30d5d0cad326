"""A `Schedule` back to a schedule file, and any table of a design file to TOML.

The text is what a person would have typed: values with their unit, positions that do nothing
left out, RF that lasts the whole dwell without a duration, limits only where they differ from
those of the valve.  Read again it gives the same schedule to the last digit.

Not written: comments of an earlier file, and changes made to the valve or the machine in
Python; a schedule file only names those two by their files.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import fields

from exhaustsim.plant.schedule import PositionSetting, RfSetting, Schedule
from exhaustsim.units import UnitFault, convert, parse

#: Units in which a person gives each kind of quantity here, the first that needs few figures is taken.
UNITS = {
    "time": ("s", "min", "h", "day", "year"),
    "temperature": ("degC", "K"),
    "voltage": ("V",),
    "power": ("W",),
    "current": ("mA", "A"),
    "pressure": ("Pa",),
    "share": ("1",),
}
TARGET_KINDS = {
    "bulb_pressure": "pressure", "air_share": "pressure", "converted_fraction": "share", "barium_spent": "share",
    "sealed_pressure": "pressure",
}  # fmt: skip


def quantity_text(value: float, kind: str) -> str:
    """`value` (SI) as text with a unit that `exhaustsim.units.parse` reads back to the same bits.

    >>> quantity_text(733.15, "temperature"), quantity_text(31557600.0, "time"), quantity_text(0.008, "current")
    ('460 degC', '1 year', '8 mA')
    """
    found = [text for unit in UNITS[kind] if (text := _exact(value, kind, unit)) is not None]
    # The SI unit always reads back: seventeen figures tell every double apart.
    return min(found, key=lambda text: len(text.split()[0]))


def _exact(value: float, kind: str, unit: str) -> str | None:
    shown = convert(value, kind, unit)
    for figures in range(1, 18):
        number = f"{shown:.{figures}g}"
        number = number if "e" not in number or figures > 6 else _plain(number)
        text = number if unit == "1" else f"{number} {unit}"
        with contextlib.suppress(UnitFault):  # a few figures of -272.15 degC may lie below absolute zero
            if parse(text, kind) == value:
                return text
    return None


def _plain(number: str) -> str:
    """5e+01 as 50; very small and very large numbers keep their exponent."""
    return f"{float(number):g}" if 1e-4 <= abs(float(number)) < 1e6 else number


def schedule_table(schedule: Schedule, folder: str | os.PathLike = ".") -> dict:
    """`schedule` as the table of a schedule file that lies in `folder`.

    Raises
    ------
    ValueError
        Valve or machine did not come from a file, so that the schedule cannot name it.
    """
    table: dict = {"name": schedule.name}
    if schedule.intention:
        table["intention"] = schedule.intention
    for sort, design in (("valve", schedule.valve), ("machine", schedule.machine)):
        if not design.source:
            raise ValueError(f"the {sort} {design.name} came from no file, so a schedule file cannot name it")
        table[sort] = os.path.relpath(design.source, folder).replace(os.sep, "/")
    table["index_time"] = quantity_text(schedule.index_time, "time")
    table["oven_temperature"] = quantity_text(schedule.oven_temperature, "temperature")
    if schedule.shelf_time:
        table["shelf_time"] = quantity_text(schedule.shelf_time, "time")
    usual = schedule.valve.target
    target = {
        f.name: quantity_text(getattr(schedule.target, f.name), TARGET_KINDS[f.name])
        for f in fields(usual)
        if getattr(schedule.target, f.name) != getattr(usual, f.name)
    }
    target = {key: float(text) if TARGET_KINDS[key] == "share" else text for key, text in target.items()}
    if target:
        table["target"] = target
    table["position"] = [position_table(p, schedule.dwell) for p in schedule.positions if p != PositionSetting(p.position)]
    if schedule.ageing:
        table["ageing"] = [_ageing_table(step) for step in schedule.ageing]
    return table


def position_table(setting: PositionSetting, dwell: float) -> dict:
    """The `[[position]]` table of one setting."""
    table: dict = {"number": setting.position}
    if setting.action:
        table["action"] = setting.action
    if setting.heater_voltage:
        table["heater"] = quantity_text(setting.heater_voltage, "voltage")
    if setting.rf is not None:
        table["rf"] = _rf_table(setting.rf, dwell)
    return table


def _rf_table(rf: RfSetting, dwell: float) -> dict:
    table: dict = {"power": {name: quantity_text(watts, "power") for name, watts in rf.power.items()}}
    if rf.start:
        table["start"] = quantity_text(rf.start, "time")
    if rf.duration != dwell - rf.start:
        table["duration"] = quantity_text(rf.duration, "time")
    return table


def _ageing_table(step) -> dict:
    table: dict = {"label": step.label} if step.label else {}
    table["heater"] = quantity_text(step.heater_voltage, "voltage")
    if step.anode_power:
        table["anode_power"] = quantity_text(step.anode_power, "power")
    if step.anode_current:
        table["anode_current"] = quantity_text(step.anode_current, "current")
    table["duration"] = quantity_text(step.duration, "time")
    return table


def schedule_text(schedule: Schedule, folder: str | os.PathLike = ".", notes: Iterable[str] = ()) -> str:
    """`schedule` as the text of a schedule file that lies in `folder`, with `notes` as comments at its head.

    Raises
    ------
    ValueError
        Valve or machine did not come from a file.
    """
    return toml_text(schedule_table(schedule, folder), notes)


# ---- TOML ----------------------------------------------------------------------------


def toml_text(table: Mapping, notes: Iterable[str] = ()) -> str:
    """The table of a design file as TOML text, comments first.

    >>> print(toml_text({"name": "a", "position": [{"number": 8, "rf": {"power": {"anode": "38.6 W"}}}]}), end="")
    name = "a"
    <BLANKLINE>
    [[position]]
    number = 8
    rf.power = { anode = "38.6 W" }
    """
    lines = [f"# {line}".rstrip() for note in notes for line in note.splitlines()]
    _table_lines(table, (), lines)
    return "\n".join(lines).strip("\n") + "\n"


def _table_lines(table: Mapping, place: tuple[str, ...], lines: list[str]) -> None:
    for key, value in table.items():
        if not isinstance(value, Mapping) and not _is_array_of_tables(value):
            lines.append(f"{_key(key)} = {_value(value)}")
    for key, value in table.items():
        name = ".".join(map(_key, (*place, key)))
        if isinstance(value, Mapping):
            if not value or any(not isinstance(inner, Mapping) for inner in value.values()):
                lines += ["", f"[{name}]"]
            _table_lines(value, (*place, key), lines)
        elif _is_array_of_tables(value):
            for one in value:
                lines += ["", f"[[{name}]]"]
                _entry_lines(one, "", lines)


def _entry_lines(table: Mapping, prefix: str, lines: list[str]) -> None:
    """Lines of one entry of an array of tables: a table in it as dotted keys, one further in as an inline table."""
    for key, value in table.items():
        if isinstance(value, Mapping) and value and not prefix:
            _entry_lines(value, f"{_key(key)}.", lines)
        else:
            lines.append(f"{prefix}{_key(key)} = {_value(value)}")


def _is_array_of_tables(value) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(one, Mapping) for one in value)


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _value(key)


def _value(value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }" if value else "{}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, str):
        # A JSON string is a TOML string but for the delete character.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)
