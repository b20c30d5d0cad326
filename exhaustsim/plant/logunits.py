"""Units as people write them over a column of a log: "mbar", "[e-3 mbar]", "microns", "Torr x10^-3".

A log may name its unit in the heading, in a row under it, in a column of its own, in a sentence or
behind every number.  This module reads those words.  A factor that may be meant either way (does
"p x 1000" show too much or too little?) is refused, and so is "mpa", which is a million millionths of itself.

Not read: gauge pressures against the atmosphere, decibels, units of other kinds than pressure, time and voltage.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

from exhaustsim.plant.faults import nearest
from exhaustsim.units import UnitFault, parse

#: Prefixes that `units` does not carry for a pressure.
_SMALL = {"m": 1e-3, "u": 1e-6, "n": 1e-9}
#: Spelling -> unit as `units` knows it.
_SAME = {
    "pa": "Pa", "pascal": "Pa", "pascals": "Pa", "hpa": "hPa", "kpa": "kPa", "bar": "bar", "mbar": "mbar", "millibar": "mbar",
    "millibars": "mbar", "torr": "torr", "mtorr": "mtorr", "millitorr": "mtorr", "mmhg": "mmHg", "umhg": "umHg", "uhg": "umHg", "micron": "umHg",
    "microns": "umHg", "micronhg": "umHg", "micronshg": "umHg", "atm": "atm",
}  # fmt: skip
_TIMES = {
    "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "msec": 1e-3, "min": 60.0, "mins": 60.0,
    "minute": 60.0, "minutes": 60.0, "h": 3600.0, "hr": 3600.0, "hrs": 3600.0, "hour": 3600.0, "hours": 3600.0, "d": 86400.0,
    "day": 86400.0, "days": 86400.0,
}  # fmt: skip
_FACTOR = re.compile(r"^(?:[x*×]\s*)?(?:(\d+(?:\.\d*)?)?\s*[eE]\s*([+-]?\d+)|10\s*(?:\^|\*\*)?\s*([+-]\d+)|10\^(\d+)|(\d+(?:\.\d+)?))\s*[x*×·]?\s*(?=[A-Za-zµμ])")
_SUPERSCRIPT = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻⁺", "0123456789-+")


@dataclass(frozen=True)
class LogUnit:
    """A unit over a column."""

    text: str  # as we write it
    factor: float  # SI units in one of it
    kind: str  # "pressure", "time" or "voltage"
    note: str = ""  # what was taken for granted


class UnitUnclear(ValueError):
    """A unit that may mean two things; the message says which."""


def pressure_unit(text: str) -> LogUnit | None:
    """A unit of pressure, with its factor in front if it has one; None for anything else.

    Raises `UnitUnclear` for what may mean two things.

    >>> pressure_unit("mbar").factor, pressure_unit("e-3 mbar").text, pressure_unit("microns").text
    (100.0, '1e-3 mbar', 'umHg')
    >>> pressure_unit("pa l") is None
    True
    """
    bare = text.strip().strip("[]()").strip().translate(_SUPERSCRIPT)
    for sign in "µμ":
        bare = bare.replace(sign, "u")
    bare = bare.replace("−", "-")
    found = _FACTOR.match(bare)
    share, shown = 1.0, ""
    if found:
        digits, power, ten, high, plain = found.groups()
        power = int(power or ten or high or 0)
        number = float(digits or plain or 1.0)
        share = number * 10.0**power
        shown = f"{number:g}{f'e{power}' if power else ''}"
        bare = bare[found.end() :].strip()
    word = re.sub(r"[\s.]", "", bare)
    unit = _plain_unit(word)
    if unit is None:
        return None
    return LogUnit(f"{shown} {unit.text}".strip(), share * unit.factor, "pressure", unit.note)


def _plain_unit(word: str) -> LogUnit | None:
    folded = word.lower()
    if folded == "mpa":
        if word == "MPa":
            return LogUnit("MPa", 1e6, "pressure")
        if word == "mPa":
            return LogUnit("mPa", 1e-3, "pressure")
        raise UnitUnclear(f'"{word}" may be mPa or MPa')
    same = _SAME.get(folded)
    if same:
        note = f'"{word}" taken as micrometres of mercury' if folded in ("micron", "microns") else ""
        return LogUnit(same, parse(f"1 {same}", "pressure"), "pressure", note)
    for prefix, share in _SMALL.items():
        for base in ("bar", "torr", "Pa"):
            if folded == prefix + base.lower() and (prefix != "m" or word[0] == "m"):
                return LogUnit(prefix + base, share * parse(f"1 {base}", "pressure"), "pressure")
    if folded in ("microbar", "millipascal", "micropascal"):
        base = "bar" if folded.endswith("bar") else "Pa"
        share = 1e-3 if folded.startswith("milli") else 1e-6
        return LogUnit(("m" if share == 1e-3 else "u") + base, share * parse(f"1 {base}", "pressure"), "pressure")
    return None


def time_unit(text: str) -> LogUnit | None:
    """A unit of time; None for anything else.

    >>> time_unit("[min]").factor
    60.0
    """
    word = text.strip().strip("[]().").strip()
    if word.lower() in _TIMES and word != "M":
        return LogUnit(word.lower(), _TIMES[word.lower()], "time")
    return None


def volt_unit(text: str) -> LogUnit | None:
    """Volts or millivolts; None for anything else."""
    word = text.strip().strip("[]()").strip()
    return {"V": LogUnit("V", 1.0, "voltage"), "volt": LogUnit("V", 1.0, "voltage"), "volts": LogUnit("V", 1.0, "voltage"),
            "mV": LogUnit("mV", 1e-3, "voltage")}.get(word if len(word) < 3 else word.lower())  # fmt: skip


def any_unit(text: str) -> bool:
    """Whether a cell is a unit of any kind that stands in rows of units.

    >>> any_unit("[mbar]"), any_unit("bulb")
    (True, False)
    """
    word = text.strip().strip("[]()").strip()
    try:
        return bool(pressure_unit(word) or time_unit(word) or volt_unit(word)) or word in ("degC", "°C", "C", "K", "A", "mA", "W", "%")
    except UnitUnclear:
        return True


_BRACKET = re.compile(r"^(.*?)\s*[\[(]([^\])]*)[\])]?\s*$")
_ENDINGS = (r"^(.+?)\s+in\s+(.+)$", r"^(.+?)\s*/\s*([^/]+)$", r"^(.+?)\s*,\s*([^,]+)$", r"^(.+?)[\s_]+([^\s_]+\s+Hg)$", r"^(.+?)[\s_]+([^\s_]+)$")


def split_name(name: str) -> tuple[str, LogUnit | None]:
    """Name of a column without its unit, and the unit; (name, None) when it holds none.

    Raises `UnitUnclear` for a factor that may be meant either way.

    >>> split_name("IG1 [e-3 mbar]")[1].text, split_name("bulb_pressure_pa")[0], split_name("sorbed_CO2_pa_l")[1]
    ('1e-3 mbar', 'bulb_pressure', None)
    """
    if re.search(r"[\s_]pa[\s_.]?l$", name, re.IGNORECASE):  # an amount of gas
        return name, None
    for pattern in (_BRACKET, *map(re.compile, _ENDINGS)):
        found = pattern.match(name)
        if found and found.group(1).strip():
            unit = pressure_unit(found.group(2)) or time_unit(found.group(2)) or volt_unit(found.group(2))
            if unit:
                return _without_factor(found.group(1), name), unit
            if pattern is _BRACKET and difflib.get_close_matches(found.group(2).lower(), [k for k in _SAME if len(k) > 2], 1, 0.7):
                raise UnitUnclear(f'the unit "{found.group(2)}" is not known; {nearest(found.group(2), dict.fromkeys(_SAME.values()))}')
    return name, None


def _without_factor(bare: str, name: str) -> str:
    if re.search(r"[x*×]\s*(10|1e|1000|0\.0)", bare, re.IGNORECASE) or re.search(r"(?:^|\s)10\s*\^|\b1?e[+-]?\d+\b", bare):
        raise UnitUnclear(f'"{name}" has a factor before the unit, which may be meant either way')
    return bare.strip().strip("_,/:").strip()


_SENTENCE = re.compile(
    r"(?:\b(?:in|units?(?:\s+of)?|unit\s+is|are|is|of)\b\s*[:=]?|[\[(:=])\s*"
    r"((?:(?:\d+(?:\.\d*)?)?[eE][+-]?\d+\s*|10\s*\^?\s*[-+⁻]?[\d⁰¹²³⁴⁵⁶⁷⁸⁹]+\s*)?(?:mm|u|µ|μ)?\s?[A-Za-zµμ]+)",
    re.IGNORECASE,
)


def unit_in_sentence(text: str) -> LogUnit | None:
    """The unit of pressure that a sentence names as the unit of readings ("pressures in mbar", "unit: torr").

    A value with its unit ("before start 2e-6 mbar") names none.

    >>> unit_in_sentence("All pressures in torr.").text, unit_in_sentence("before start 2e-6 mbar")
    ('torr', None)
    """
    for found in _SENTENCE.finditer(text):
        unit = pressure_unit(found.group(1))
        if unit:
            return unit
    return None


def stated_unit(text: str) -> LogUnit:
    """A unit given by the user: of pressure, or volts; raises `UnitFault` for anything else."""
    try:
        unit = pressure_unit(text) or volt_unit(text)
    except UnitUnclear as unclear:
        raise UnitFault('needs a unit of pressure, such as "mbar"', str(unclear)) from None
    if unit is None:
        raise UnitFault('needs a unit of pressure, such as "mbar"', nearest(text, dict.fromkeys(_SAME.values())))
    return unit
