"""Reading one table of a design file, key by key, without stopping at a fault.

`Entries` wraps a TOML table.  Each question it is asked ("a length above zero under
`bore`") gives an SI value, or records a fault and gives a stand-in (not-a-number, or an
empty word) so that reading can go on; the stand-in never gets out, because a file with
faults is refused as a whole.  `finish` reports every key that nobody asked for, with the
nearest key that was.

Also here: reading a file's text, with the faults a file as a whole can have.
"""

from __future__ import annotations

import math
import os
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path

from exhaustsim.constants import GAS_NAMES
from exhaustsim.data.published import BUILT_IN, Tables
from exhaustsim.plant.faults import Fault, nearest, quoted
from exhaustsim.units import KINDS, UnitFault, format_number, parse

_REQUIRED = object()
LONGEST_QUOTE = 90  # characters of the file that a fault repeats
DEEPEST = 20  # tables within tables; the deepest design file has six
LONGEST_NAME = 120  # characters; it stands in headings, tables and on the process card
#: What a screen obeys or hides and nobody types: control codes but for tab and line ends, and marks that turn the direction of writing.
HIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
LARGEST_FILE = 10_000_000  # bytes
LARGEST_WHOLE = 2**63  # TOML promises no more
SHARE_SUM_TOLERANCE = 1e-6  # shares are typed by hand with few decimals, so they can be made to fit exactly


class Entries:
    """One table of a design file, with the place it stands and the faults found so far."""

    def __init__(self, table: dict, file: str, place: str, faults: list[Fault], tables: Tables = BUILT_IN):
        self.table = table
        self.file = file
        self.place = place
        self.faults = faults
        self.tables = tables  # for what the file leaves out
        self.type_rows = ""  # group of the data tables with the values of the pump or getter type named here
        self._asked: dict[str, None] = {}

    def __contains__(self, key: str) -> bool:
        return key in self.table

    def key(self, key: str) -> str:
        """The full name of `key`, as faults give it."""
        if not key:
            return self.place
        name = _cut(key) if re.fullmatch(r"[\w-]+(\[\d+\])?", key) else f'"{_cut(key)}"'
        return f"{self.place}.{name}" if self.place else name

    def fault(self, key: str, need: str, cure: str = "") -> None:
        """Record a fault at `key` of this table, or at the table as a whole when `key` is empty."""
        if key:
            given = _as_written(self.table[key]) if key in self.table else ""
        else:
            given = _as_written(self.table)
        self.faults.append(Fault(self.file, self.key(key), _cut(given), need, cure))

    def quantity(
        self,
        key: str,
        kind: str,
        *,
        default: object = _REQUIRED,
        from_data: str = "",
        above: float | None = None,
        at_least: float | None = None,
        at_most: float | None = None,
        limit_cure: str = "",
    ):
        """SI value of a quantity of `kind`; absent, the row of the type named, the row `from_data`, or its default."""
        self._asked[key] = None
        if key not in self.table:
            if self._of_type(key) in self.tables:
                from_data = self._of_type(key)
            if from_data:
                value = self.tables.value(from_data)
            elif default is _REQUIRED:
                self.fault(key, f'missing; needs {KINDS[kind].words}, such as "{KINDS[kind].example}"',
                           f"add {key} to {self.place or 'the file'}")
                return math.nan
            else:
                return default
        else:
            from_data = ""
            try:
                value = parse(self.table[key], kind)
            except UnitFault as problem:
                self.fault(key, problem.need, problem.cure)
                return math.nan
        need = ""
        if above is not None and not value > above:
            need = f"must be above {_limit(above, kind)}"
        elif at_least is not None and value < at_least:
            need = f"must be at least {_limit(at_least, kind)}"
        elif at_most is not None and value > at_most:
            need = f"must be at most {_limit(at_most, kind)}"
        if need:
            if from_data:
                row = self.tables.row(from_data)
                need = f'{need}, but "{from_data}" of {row.file} says {row.text}'
            self.fault(key, need, limit_cure or f'give {KINDS[kind].words}, such as "{KINDS[kind].example}"')
            return math.nan
        return value

    def quantities(self, key: str, kind: str, *, above: float | None = None) -> tuple[float, ...]:
        """SI values of a list of quantities of one kind; empty after a fault."""
        self._asked[key] = None
        given = self.table.get(key)
        example = f'such as {key} = ["{KINDS[kind].example}", ...]'
        if not isinstance(given, list) or not given:
            self.fault(key, f"{'' if key in self.table else 'missing; '}needs a list, {KINDS[kind].words} each", example)
            return ()
        found = []
        for number, entry in enumerate(given, start=1):
            try:
                value = parse(entry, kind)
            except UnitFault as problem:
                self.fault(key, f"entry {number}: {problem.need}", problem.cure)
                return ()
            if above is not None and not value > above:
                self.fault(key, f"entry {number} must be above {_limit(above, kind)}", example)
                return ()
            found.append(value)
        return tuple(found)

    def share(self, key: str, **options):
        """A share between 0 and 1, as a bare number or in %."""
        return self.quantity(key, "share", at_least=0.0, at_most=1.0, **options)

    def text(self, key: str, default: object = _REQUIRED) -> str:
        """Free text; empty text counts as missing."""
        self._asked[key] = None
        if key not in self.table and default is not _REQUIRED:
            return default
        given = self.table.get(key)
        if not isinstance(given, str) or not given.strip():
            self.fault(key, "needs text in quotation marks" if key in self.table else "missing; needs text",
                       f'such as {key} = "..."')
            return ""
        return given if self._legible(key, given, key == "name") else ""

    def _legible(self, key: str, words: str, is_name: bool) -> bool:
        """Whether text, or the name of a table, can be shown as it stands; else a fault at `key`."""
        if HIDDEN.search(words):
            self.fault(key, "holds codes that a screen hides or obeys", "type it again without them")
        elif is_name and (len(words) > LONGEST_NAME or "\n" in words or "\r" in words):
            self.fault(key, f"a name must stand on one line and have at most {LONGEST_NAME} characters", "shorten it; the rest can go into description")
        else:
            return True
        return False

    def word(self, key: str, known: Iterable[str], what: str, default: object = _REQUIRED) -> str:
        """One of the `known` words; a mistyped one is answered with the nearest."""
        known = list(known)
        if key in self.table and isinstance(self.table[key], str) and self.table[key].strip():
            self._asked[key] = None
            given = self.table[key]
            if given not in known:
                self.fault(key, f"no {what} of that name", nearest(given, known))
                return ""
            return given
        return self.text(key, default)

    def yes_no(self, key: str, default: bool) -> bool:
        """true or false."""
        self._asked[key] = None
        given = self.table.get(key, default)
        if not isinstance(given, bool):
            self.fault(key, "needs true or false, without quotation marks", f"such as {key} = true")
            return default
        return given

    def whole_numbers(self, key: str, default: object = _REQUIRED) -> tuple[int, ...]:
        """A list of whole numbers, such as positions."""
        self._asked[key] = None
        if key not in self.table and default is not _REQUIRED:
            return default
        given = self.table.get(key)
        if not isinstance(given, list) or any(isinstance(n, bool) or not isinstance(n, int) for n in given):
            self.fault(key, "needs a list of whole numbers", f"such as {key} = [8, 9, 10]")
            return ()
        return tuple(given)

    def whole_number(self, key: str) -> int | None:
        """One whole number, or None after a fault."""
        self._asked[key] = None
        given = self.table.get(key)
        if isinstance(given, bool) or not isinstance(given, int):
            self.fault(key, "needs a whole number" if key in self.table else "missing; needs a whole number",
                       f"such as {key} = 16")
            return None
        return given

    def type_of(self, prefix: str, known: Iterable[str]) -> None:
        """Let `type = "..."` name one of the `known` groups under `prefix`; its rows give what is left out here."""
        name = self.word("type", known, "type in the data tables", default="")
        self.type_rows = f"{prefix}.{name}" if name else ""

    def by_gas_of_type(self, key: str) -> dict[str, float]:
        """The values by gas that the type named here has under `key`, in the order of the gases."""
        rows = self.tables.group(self._of_type(key)) if self.type_rows else {}
        return {gas: rows[gas].value for gas in GAS_NAMES if gas in rows}

    def _of_type(self, key: str) -> str:
        return f"{self.type_rows}.{key}" if self.type_rows else ""

    def gas_shares(self, key: str, default: object = _REQUIRED) -> tuple[tuple[str, float], ...]:
        """Mole shares by gas, which must add up to 1."""
        if key not in self.table and (usual := self.by_gas_of_type(key)):
            self._asked[key] = None
            return tuple(usual.items())
        if key not in self.table and default is not _REQUIRED:
            self._asked[key] = None
            return default
        shares = self.numbers_by_name(key, GAS_NAMES, "gas", "share", at_least=0.0, at_most=1.0)
        total = sum(shares.values())
        if shares and math.isfinite(total) and abs(total - 1.0) > SHARE_SUM_TOLERANCE:
            self.fault(key, f"shares must add up to 1, not {total:.6g}", "correct the shares, in numbers or in %")
        return tuple(sorted(shares.items(), key=lambda item: GAS_NAMES.index(item[0])))

    def numbers_by_name(self, key: str, known: Iterable[str], what: str, kind: str, **bounds) -> dict[str, float]:
        """A small table of quantities of one kind under known names, such as watts by part."""
        known = list(known)
        entries = self.sub(key)
        values = {}
        for name in entries.table:
            entries._asked[name] = None
            if name not in known:
                entries.fault(name, f"no {what} of that name", nearest(name, known))
            else:
                values[name] = entries.quantity(name, kind, **bounds)
        return values

    def sub(self, key: str, required: bool = True) -> Entries:
        """The table under `key`; an empty one after a fault or when it may be left out."""
        self._asked[key] = None
        given = self.table.get(key, {} if not required else None)
        if not isinstance(given, dict):
            missing = key not in self.table
            self.fault(key, "missing; needs a table" if missing else "needs a table",
                       f"write {key} = {{ ... }}" if "[" in self.place else f"write [{self.key(key)}]")
            given = {}
            # Nothing in a table that is not there can be missing from it a second time.
            return Entries(given, self.file, self.key(key), [], self.tables)
        return Entries(given, self.file, self.key(key), self.faults, self.tables)

    def subs(self, key: str) -> list[Entries]:
        """The tables of the array `[[key]]`, counted from 1; none when it is left out."""
        self._asked[key] = None
        given = self.table.get(key, [])
        if not isinstance(given, list) or not all(isinstance(t, dict) for t in given):
            heading = re.sub(r"\[\d+\]", "", self.key(key))
            self.fault(key, "needs tables in double brackets", f"write [[{heading}]] before each")
            return []
        return [
            Entries(t, self.file, self.key(f"{key}[{i}]"), self.faults, self.tables) for i, t in enumerate(given, start=1)
        ]

    def named(self, key: str) -> dict[str, Entries]:
        """The tables `[key.name]` by name."""
        entries = self.sub(key)
        return {name: entries.sub(name) for name in entries.table if entries._legible(name, name, True)}

    def one_of(self, keys: Iterable[str]) -> str:
        """The one key of `keys` that is given; a fault when none or several are."""
        keys = list(keys)
        given = [k for k in keys if k in self.table]
        self._asked.update(dict.fromkeys(keys))
        if len(given) == 1:
            return given[0]
        if given:
            self.fault(given[1], f"contradicts {quoted(given[:1])}", f"keep only one of {quoted(given)}")
        else:
            self.fault(keys[0], f"missing; needs one of {quoted(keys)}", "say how much gas the part holds")
        return ""

    def asked(self, *keys: str) -> None:
        """Take note of keys that are read from the table itself."""
        self._asked.update(dict.fromkeys(keys))

    def finish(self) -> None:
        """Report every key that was never asked for."""
        for key in self.table:
            if key not in self._asked:
                self.fault(key, "unknown key", nearest(key, self._asked))


def read_table(path: str | os.PathLike, faults: list[Fault], *telling_keys: str) -> dict | None:
    """The TOML table in the file at `path`, or None with a fault that says why not.

    In place of a file that is not there only files with one of `telling_keys` in them are offered.
    """
    file = os.fspath(path)

    def refuse(need: str, cure: str, given: str = "") -> None:
        faults.append(Fault(file, "", given, need, cure))

    try:
        # A device may have no end; a pipe is how a shell hands over what a command prints.
        if (place := Path(path)).exists() and not (place.is_file() or place.is_dir() or place.is_fifo()):
            refuse("this is a device; needs a TOML file", "name a file")
            return None
        if place.is_file() and place.stat().st_size > LARGEST_FILE:
            refuse(f"the file is larger than {LARGEST_FILE // 10**6} MB; a design file has some thousand lines at most", "name a TOML file")
            return None
        raw = place.read_bytes()
    except FileNotFoundError:
        refuse("no such file", _nearest_file(Path(path), telling_keys))
    except IsADirectoryError:
        refuse("this is a directory; needs a TOML file", "name one of the files in it")
    except PermissionError:
        refuse("the file may not be read", "give yourself leave to read it")
    except (OSError, ValueError) as problem:
        refuse(f"the file cannot be read ({problem})", "check the name and the disk")
    else:
        return _parse_table(raw, refuse)
    return None


def _parse_table(raw: bytes, refuse) -> dict | None:
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = raw[: problem.start].count(b"\n") + 1
        refuse(f"line {line} is not UTF-8 text", "save the file as UTF-8")
        return None
    if not text.strip():
        refuse("the file is empty", "write the tables it should hold; see demo_data for an example")
        return None
    try:
        table = tomllib.loads(text)
    except RecursionError:
        refuse("tables or lists stand too deep within one another", f"no more than {DEEPEST} deep")
    except tomllib.TOMLDecodeError as problem:
        place = re.search(r"line (\d+)", str(problem))
        number = int(place.group(1)) if place else text.count("\n") + 1
        lines = text.splitlines()
        # An unfinished table at the end of the file is reported past the last line.
        line = lines[min(number, len(lines)) - 1].strip()
        reason = re.sub(r" \(at .*\)$", "", str(problem))
        refuse(f"not TOML: {reason}", "correct this line or the one before it", f"line {number}: {_cut(line)}")
    except ValueError as problem:  # a whole number of thousands of digits
        refuse(f"not TOML: {problem}", "shorten the number")
    else:
        unusable = _unusable(table)
        if not unusable:
            return table
        refuse(*unusable)
    return None


def _unusable(table: dict) -> tuple[str, str] | None:
    """(need, cure) of a table that is TOML but too deep, or with whole numbers that are too large, to be looked at further."""
    layer: list = [table]
    for _ in range(DEEPEST):
        inner = [value for holder in layer for value in (holder.values() if isinstance(holder, dict) else holder)]
        if any(isinstance(value, int) and abs(value) >= LARGEST_WHOLE for value in inner):
            return "a whole number is too large", "give fewer than 19 digits"
        layer = [value for value in inner if isinstance(value, dict | list)]
        if not layer:
            return None
    return "tables or lists stand too deep within one another", f"no more than {DEEPEST} deep"


def _nearest_file(path: Path, telling_keys: Iterable[str]) -> str:
    folder = path.parent
    if not folder.is_dir():
        return f'there is no folder "{folder}" either'
    known = [f.name for f in sorted(folder.glob("*.toml")) if _has_key(f, telling_keys)]
    return nearest(path.name, known) if known else "check the name and the folder"


def _has_key(path: Path, keys: Iterable[str]) -> bool:
    try:
        return not set(keys).isdisjoint(tomllib.loads(path.read_text(encoding="utf-8-sig")))
    except (OSError, ValueError, RecursionError):
        return False


def _cut(words: str) -> str:
    return words if len(words) <= LONGEST_QUOTE else words[: LONGEST_QUOTE - 4] + " ..."


def _as_written(given: object) -> str:
    if isinstance(given, str):
        return f'"{given}"'
    if isinstance(given, bool):
        return "true" if given else "false"
    if isinstance(given, dict):
        return "{ " + ", ".join(f"{k} = {_as_written(v)}" for k, v in given.items()) + " }" if given else "{}"
    if isinstance(given, list):
        return "[" + ", ".join(_as_written(v) for v in given) + "]"
    return str(given)


def _limit(bound: float, kind: str) -> str:
    if bound == 0.0:
        return "zero"
    unit = next(iter(KINDS[kind].units))
    return format_number(bound / KINDS[kind].units[unit], 4) + ("" if unit == "1" else f" {unit}")
