"""What a fuzzer does to a text, to a table of a design file and to options: changes that a careless or ill-meaning hand makes.

All chance comes from the generator that is handed in, so a run can be repeated by its seed.
"""

from __future__ import annotations

import copy
import random

from exhaustsim.units import KINDS

UNITS = sorted({unit for kind in KINDS.values() for unit in kind.units})
NUMBERS = (
    "0", "-0", "1", "-1", "+1", "1e400", "-1e400", "1e308", "1.7976931348623157e308", "5e-324", "1e-400", "nan", "inf", "-inf", "1e", "1e+", ".", "1.",
    ".5", "1,5", "1_000", "0x10", "1e3e3", "--1", "1 2", "-273.15", "-273.16", "\u0663", "\uff13", "\u2212 3", "1e-9", "9" * 400, "0" * 300 + "1", "1" * 5000,
)  # fmt: skip
WORDS = (
    "", " ", "\t", "\n", "\r\n", "\x00", "\x1b[31m", "\u202e", "\ufeff", "\ud800".encode("utf-8", "surrogatepass").decode("utf-8", "replace"), "\U0001f525",
    "<script>alert(1)</script>", "&amp;", "'", '"', '"""', "\\", "\\u0000", "../../etc/passwd", "/dev/null", "/dev/zero", ".", "CON", "%s%n", "{0}", "$HOME",
    "a" * 300, "(", ")", "/", "//", "*", "^", "m" * 40, "/s" * 30, " " * 2000, "=", "@", ",", "-", "#", "[", "]", "[[", "]]", "{", "}", "true", "1979-05-27",
    "nan", "inf",
)  # fmt: skip
OPENINGS = ("[" * 3000, "{a=" * 1500, "x=" + "[" * 1200 + "]" * 1200, "a." * 1500 + "b=1", "\n[" + "a." * 800 + "a]\n")


def text(given: str, dice: random.Random, words: tuple[str, ...] = WORDS) -> str:
    """`given` with one to four changes."""
    for _ in range(1 + int(dice.random() * dice.random() * 4)):
        place = dice.randrange(len(given) + 1)
        end = min(len(given), place + 1 + int(dice.random() ** 3 * 20))
        what = dice.randrange(9)
        if what == 0:
            given = given[:place] + given[end:]
        elif what == 1:
            given = given[:place] + given[place:end] * 2 + given[end:]
        elif what == 2:
            given = given[:place] + dice.choice(words) + given[place:]
        elif what == 3:
            given = given[:place] + dice.choice(NUMBERS) + given[end:]
        elif what == 4:
            given = given[:place] + dice.choice(UNITS) + given[end:]
        elif what == 5:
            given = given[:place] + chr(dice.choice((dice.randrange(128), dice.randrange(0x250), dice.randrange(0xD800)))) + given[end:]
        elif what == 6:
            given = given[:place] + given[place:end].swapcase() + given[end:]
        elif what == 7:
            other = dice.randrange(len(given) + 1)
            given = given[:place] + given[other : other + end - place] + given[end:]
        else:
            given = given[:place] + given[place:end] * dice.choice((3, 10, 200)) + given[end:]
    return given


def file_text(given: str, dice: random.Random) -> str:
    """A file with whole lines changed, moved, doubled or lost, or with characters changed as by `text`."""
    if dice.random() < 0.5:
        return text(given, dice)
    lines = given.split("\n")
    for _ in range(1 + dice.randrange(3)):
        k = dice.randrange(len(lines))
        key, equals, _ = lines[k].partition("=")
        what = dice.randrange(6)
        if what == 0:
            del lines[k]
            lines = lines or [""]
        elif what == 1:
            lines.insert(dice.randrange(len(lines) + 1), lines[k])
        elif what == 2 and equals:
            lines[k] = f"{key}= {dice.choice(VALUE_TEXTS)}"
        elif what == 3:
            lines[k] = lines[k].replace("[", "[[", 1).replace("]", "]]", 1) if "[[" not in lines[k] else lines[k].replace("[[", "[").replace("]]", "]")
        elif what == 4:
            lines[k] = text(lines[k], dice)
        else:
            lines.insert(k, dice.choice(OPENINGS))
    return "\n".join(lines)


VALUE_TEXTS = (
    '""', "0", "-1", "true", "[]", "{}", "nan", "inf", "1e300", '"1e400 mm"', '"1e300 h"', "[[1]]", '"\\u0000"', '[1, "a"]', "{ a = 1 }", "9" * 30, "9" * 400,
    "1" * 5000, "1979-05-27", "07:32:00", "[1000000000]", "1000000000", '["anode", "anode"]', "{ H2 = nan }", '"H2"', "0x7fffffffffffffff", '"""x',
)  # fmt: skip
VALUES = (
    "", 0, -1, True, [], {}, float("nan"), float("inf"), 1e300, -1e300, "1e400 mm", "1e308 h", "1e308 years", "-1e308 degC", [[1]], "\x00", [1, "a"], {"a": 1},
    int("9" * 30), int("9" * 400), [10**9], 10**9, -(10**9), ["anode", "anode"], {"H2": float("nan")}, {"H2": 2}, "H2", None, "0 mm", "-1 mm", "1e-320 m",
    "1 m", "1e30 s", "1e-30 s", [1, 1], ["x"], [0], [-1], {"": ""}, {"value": "1"}, "5 degC", "\u202e", "<b>&\"'", "../x", "a" * 5000, 1.5, [1.5], [True],
)  # fmt: skip


def table(given: dict, dice: random.Random, donor: dict | None = None) -> dict:
    """A copy of `given` with one to three values changed, lost, renamed, or taken from elsewhere in it or in `donor`."""
    out = copy.deepcopy(given)
    for _ in range(1 + int(dice.random() ** 2 * 3)):
        holder, key = _somewhere(out, dice)
        if holder is None:
            return out
        what = dice.randrange(9)
        old = holder[key]
        if what == 0:
            del holder[key]
        elif what == 1 and isinstance(holder, dict):
            holder[text(key, dice)] = holder.pop(key)
        elif what == 2:
            other, name = _somewhere(donor or out, dice)
            holder[key] = copy.deepcopy(other[name]) if other is not None else ""
        elif what == 3 and isinstance(old, str):
            holder[key] = text(old, dice)
        elif what == 4 and isinstance(old, str) and old[:1].isdigit():
            number, _, unit = old.partition(" ")
            holder[key] = f"{dice.choice(NUMBERS) if dice.random() < 0.5 else number} {unit if dice.random() < 0.7 else dice.choice(UNITS)}"
        elif what >= 7 and isinstance(old, str) and old[:1].isdigit():
            number, _, unit = old.partition(" ")
            holder[key] = f"{_scaled(number, dice)} {unit}"
        elif what == 5 and isinstance(old, list):
            old.append(copy.deepcopy(dice.choice(old)) if old else dice.choice(VALUES))
        elif what == 6 and isinstance(old, int | float) and not isinstance(old, bool) and abs(old) < 1e300:
            holder[key] = dice.choice((old * 10**6, -old, old + 1, 0, old * 1e-9, old / 3))
        else:
            holder[key] = copy.deepcopy(dice.choice(VALUES))
    return out


def _scaled(number: str, dice: random.Random) -> str:
    """Another number that may well be right."""
    try:
        return f"{float(number) * dice.choice((0.1, 0.5, 0.9, 1.1, 2.0, 10.0)):g}"
    except ValueError:
        return number


def _somewhere(given, dice: random.Random):
    """(table or list, key) of a value anywhere in `given`; (None, None) of nothing."""
    holder, key = None, None
    while isinstance(given, dict | list) and given:
        if holder is not None and dice.random() < 0.25:
            break
        key = dice.choice(list(given)) if isinstance(given, dict) else dice.randrange(len(given))
        holder, given = given, given[key]
    return holder, key
