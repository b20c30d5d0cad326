"""A valve file with some values replaced by fitted ones: the overlay file and its reading.

A fit finds how much gas a part held, not a new valve.  What it found is written beside the valve
file, not into it: an overlay names the valve file and lists the values it replaces, each with
what stood there, the interval, and the log it came from.  A schedule names the overlay where it
would name the valve.

    [overlay]
    of = "../valves/dt1.toml"
    log = "L1_clean_ride.csv"
    log_sha256 = "..."
    standing = "fitted"
    level = 0.95

    [[overlay.value]]
    quantity = "glass_water"
    key = "parts.bulb_glass.surface_gas[1].per_area"
    was = "0.10 Pa L/cm2"
    value = "0.104 Pa L/cm2"
    low = "0.099 Pa L/cm2"
    high = "0.110 Pa L/cm2"

A value whose `was` no longer stands in the valve file is refused, because the fit was made with it.
The changed table is read as a valve file is, with the same faults.

Not possible: an overlay of an overlay, and values that the valve file leaves to the data tables.
"""

from __future__ import annotations

import copy
import math
import os
import re
from collections.abc import Mapping

from exhaustsim.plant.entries import Entries, read_table
from exhaustsim.plant.faults import Fault
from exhaustsim.units import UnitFault, parse_any

STANDING = "fitted"


class NoSuchKey(KeyError):
    """A key that a table does not hold."""

    def __str__(self) -> str:
        return str(self.args[0])


def text_at(table: Mapping, key: str) -> str:
    """The text under a dotted key; `[n]` counts the tables of an array from 1.

    Raises
    ------
    NoSuchKey
        Nothing stands there, or a table does.

    >>> text_at({"parts": {"anode": {"diffusing_gas": [{"per_mass": "0.6 Pa L/g"}]}}}, "parts.anode.diffusing_gas[1].per_mass")
    '0.6 Pa L/g'
    """
    holder, last = _holder(table, key)
    if not isinstance(holder, Mapping) or last not in holder or isinstance(holder[last], dict | list):
        raise NoSuchKey(f'no value under "{key}"')
    return holder[last] if isinstance(holder[last], str) else repr(holder[last])


def with_values(table: Mapping, values: Mapping[str, str]) -> dict:
    """The table with the texts of `values`, by dotted key, in the place of those that stand there.

    Raises
    ------
    NoSuchKey
        Nothing stands under one of the keys.
    """
    out = copy.deepcopy(dict(table))
    for key, text in values.items():
        text_at(out, key)
        holder, last = _holder(out, key)
        holder[last] = text
    return out


def _holder(table: Mapping, key: str):
    """The table in which the last part of a dotted key stands, and that part."""
    *way, last = key.split(".")
    here = table
    for step in way:
        match = re.fullmatch(r"(.+?)(?:\[(\d+)\])?", step)
        name, number = match.groups() if match else (step, None)
        here = here.get(name) if isinstance(here, Mapping) else None
        if number is not None:
            entries = here if isinstance(here, list) else []
            here = entries[int(number) - 1] if 1 <= int(number) <= len(entries) else None
        if here is None:
            raise NoSuchKey(f'no value under "{key}"')
    return here, last


def laid_over(table: dict, path: str, faults: list[Fault]) -> dict | None:
    """The valve table that the overlay `table` of the file at `path` stands for; None after a fault."""
    before = len(faults)
    top = Entries(table, path, "", faults)
    overlay = top.sub("overlay")
    top.finish()
    relative = overlay.text("of")
    overlay.text("log")
    if not re.fullmatch(r"[0-9a-f]{64}", overlay.text("log_sha256") or "0" * 64):
        overlay.fault("log_sha256", "needs 64 hexadecimal digits", "write the overlay anew from the fit")
    overlay.word("standing", [STANDING], "standing")
    overlay.quantity("level", "share", above=0.0, at_most=1.0)
    overlay.text("note", default="")
    values = overlay.subs("value")
    if not values:
        overlay.fault("value", "no value is replaced", "write [[overlay.value]] for each, or name the valve file itself")
    overlay.finish()
    base = _base(overlay, path, relative, faults) if relative else None
    changes: dict[str, str] = {}
    for entries in values:
        _value(entries, base, changes)
    if len(faults) > before or base is None:
        return None
    out = with_values(base, changes)
    if isinstance(out.get("data"), list):
        # Data files are named from where the valve file lies; the overlay may lie elsewhere.
        folder = os.path.dirname(relative)
        out["data"] = [os.path.join(folder, name) if isinstance(name, str) else name for name in out["data"]]
    told = f"{len(changes)} value{'s' if len(changes) > 1 else ''} fitted to {table['overlay']['log']}"
    out["description"] = f"{out['description']}; {told}" if isinstance(out.get("description"), str) else told
    return out


def _base(overlay: Entries, path: str, relative: str, faults: list[Fault]) -> dict | None:
    """The table of the valve file under the overlay."""
    joined = os.path.normpath(os.path.join(os.path.dirname(path), relative))
    if not os.path.exists(joined):
        overlay.fault("of", f'no such file "{joined}"', "give the path of the valve file relative to the overlay")
        return None
    base = read_table(joined, faults, "bulb")
    if base is not None and "overlay" in base:
        overlay.fault("of", "this is an overlay itself", "name the valve file, and put all values into one overlay")
        return None
    if base is not None and "bulb" not in base:
        overlay.fault("of", "this is not a valve file", "name the valve file that was fitted")
        return None
    return base


def _value(entries: Entries, base: dict | None, changes: dict[str, str]) -> None:
    """One replaced value, put into `changes` if nothing is wrong with it."""
    entries.text("quantity")
    key, was, text = entries.text("key"), entries.text("was"), entries.text("value")
    sizes = {name: _size(entries, name) for name in ("was", "value", "low", "high")}
    entries.finish()
    kinds = {kind for _, kind in sizes.values() if kind}
    if len(kinds) > 1:
        entries.fault("value", "was, value, low and high are not of one kind", "give all four in the unit of the valve file")
    elif not sizes["low"][0] <= sizes["value"][0] <= sizes["high"][0] and not any(math.isnan(size) for size, _ in sizes.values()):
        entries.fault("value", "does not lie between low and high", "correct the three")
    if key in changes:
        entries.fault("key", "is replaced twice", "keep one of the two")
    if not key or base is None:
        return
    try:
        stands = text_at(base, key)
    except NoSuchKey:
        entries.fault("key", "the valve file holds no such value", "name a value that stands in the valve file")
        return
    if was and was != stands:
        entries.fault("was", f'the valve file says "{stands}" now; the fit was made with another value', "fit the log again")
    changes[key] = text


def _size(entries: Entries, name: str) -> tuple[float, str]:
    """SI value and kind of a text with its unit, not-a-number and no kind after a fault."""
    text = entries.text(name)
    if not text:
        return math.nan, ""
    try:
        value, _, kind = parse_any(text)
    except UnitFault as problem:
        entries.fault(name, problem.need, problem.cure)
        return math.nan, ""
    return value, kind
