"""A log as it lies on the disk, cut into rows and columns of text.

Loggers write commas, semicolons, tabs, blanks or a mixture, end their lines in three ways, and
put remarks, rows of units and the heading once more between the readings.  This module finds
out which of these a file has, says what it found, and refuses a file that it cannot cut up.
No cell is turned into a number here.

Not read: several tables side by side, tables lying on their side, workbooks of spreadsheet programs.
"""

from __future__ import annotations

import codecs
import csv
import os
import re
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.logunits import any_unit

NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
TIME_OF_DAY = r"\d{1,3}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:[\s_]*[AaPp]\.?[Mm]\.?)?"
DATE = r"(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/. ](?:\d{1,2}|[A-Za-z]{3,9})[-/. ]\d{2,4})"
ZONE = r"(?:Z|\s?[+-]\d{2}:?\d{2})?"

#: Words that a logger writes where it has no number.  What each is worth is said in `logreadings`.
NO_NUMBER = frozenset({
    "", "off", "on", "ol", "o.l.", "ur", "u.r.", "or", "o.r.", "ul", "lo", "hi", "low", "high", "over", "under", "overrange",
    "underrange", "over range", "under range", "overload", "nan", "inf", "+inf", "-inf", "n/a", "na", "none", "null", "-", "--",
    "---", "----", "err", "error", "fail", "fault", "#n/a", "no reading", "no sensor", "sensor off", "saturated",
})  # fmt: skip

_PLAIN = re.compile(rf"\s*[<>]?\s*(?:{NUMBER})\s*$")
_MOMENT = re.compile(rf"\s*(?:{DATE}(?:[T ,_]+{TIME_OF_DAY})?|{TIME_OF_DAY}){ZONE}\s*$")
_DATE_IN_WORDS = re.compile(r"\b(\d{1,2}) ([A-Za-z]{3,9}) (\d{2,4})(?=[ \t]+\d{1,2}:)")
_DATE_THEN_TIME = re.compile(rf"({DATE})[ \t]+(?=\d{{1,2}}:\d)")
_DATE_AND_TIME_FIRST = re.compile(rf"{DATE.replace('[-/. ]', '[-/.]')}[ \t]+\d{{1,2}}:\d{{2}}(?::\d{{2}}(?:[.,]\d+)?)?[ \t]+[^AaPp\s]")
_TIME_THEN_HALF = re.compile(r"(:\d{2}(?:[.,]\d+)?)[ \t]+(?=[AaPp]\.?[Mm]\b)")
_THOUSANDS = re.compile(r"\s*[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?\s*$|\s*[+-]?\d{1,3}(?:\.\d{3})+,\d+\s*$")
_COMMENT = ("#", "%", "!", "//")
#: Names of columns that a row may leave out at its end.
_MAY_BE_ABSENT = re.compile(r"note|event|comment|remark|action", re.IGNORECASE)
SEPARATORS = {";": "semicolons", "\t": "tabs", ",\t": "commas and tabs", ",": "commas", " ": "blanks"}
#: A share of rows with another number of cells from which the file is refused and not marked.
TOO_MANY_BROKEN = 0.1


@dataclass(frozen=True)
class Remark:
    """A line that is no row of readings."""

    line: int  # from 1
    row: int  # rows of readings that stand before it
    text: str


@dataclass(frozen=True, eq=False)
class Sheet:
    """A log as rows and columns of text."""

    file: str
    header: tuple[str, ...]  # names of the columns; empty when the file has none
    header_line: int  # 0 when the file has none
    units: tuple[str, ...]  # row of units under the header; empty when the file has none
    columns: tuple[tuple[str, ...], ...]
    line: np.ndarray  # (n,) int, line of every row in the file, from 1
    broken: np.ndarray  # (n,) bool, rows with another number of cells
    before: tuple[Remark, ...]  # lines before the first row
    remarks: tuple[Remark, ...]  # lines between the rows
    assumed: list[str] = field(default_factory=list)
    marked: list[str] = field(default_factory=list)


def refusal(file: str, need: str, cure: str = "", key: str = "", given: str = "") -> DesignFault:
    """One fault of a log, ready to be raised."""
    return DesignFault([Fault(os.path.basename(file), key, given, need, cure)])


def is_number(cell: str) -> bool:
    """Whether a cell is a number, with decimal point or comma, or a bound such as "<1e-6".

    >>> is_number("1,3E-4"), is_number("<1e-6"), is_number("12:00"), is_number("P1")
    (True, True, False, False)
    """
    return _PLAIN.match(cell) is not None


def is_moment(cell: str) -> bool:
    """Whether a cell is a date, a time of day or both.

    >>> is_moment("04-Aug-2023 12:00"), is_moment("1:02:03 PM"), is_moment("1.5")
    (True, True, False)
    """
    return _MOMENT.match(cell) is not None


def _says_something(cell: str) -> bool:
    """A number, a moment, or a word that stands for a number."""
    return is_number(cell) or is_moment(cell) or _THOUSANDS.match(cell) is not None or cell.strip().lower() in NO_NUMBER


# ---- bytes to lines -------------------------------------------------------------------------


def text_of(path: str | os.PathLike) -> tuple[str, list[str]]:
    """The text of a file, with line ends made alike, and sentences on how it was read.

    Raises
    ------
    DesignFault
        No such file, a directory, an empty file, or one that is not text.
    """
    file = os.fspath(path)
    try:
        with open(file, "rb") as opened:
            raw = opened.read()
    except IsADirectoryError:
        raise refusal(file, "is a directory, needs one log file", "give the path of a file in it") from None
    except OSError as problem:
        raise refusal(file, f"cannot be read: {problem.strerror or problem}", "check the path and the rights") from None
    if not raw.strip(b"\x00 \t\r\n\x1a\xef\xbb\xbf\xff\xfe"):
        raise refusal(file, "is empty, needs rows of readings", "check that the logger had closed the file")
    text, how = _decoded(file, raw)
    text = text.replace("\r\n", "\n").rstrip("\x1a")
    if "\r" in text:
        if "\n" not in text:
            how.append("Lines end with a carriage return alone.")
        text = text.replace("\r", "\n")
    return text.replace("\f", "\n"), how


def _decoded(file: str, raw: bytes) -> tuple[str, list[str]]:
    """Bytes as text, by mark, by the pattern of noughts, as UTF-8, and else as Latin-1."""
    not_text = "is not a text file, needs a log written as text"
    cure = "export it from its program as text with separators (CSV)"
    for mark, code in ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16")):
        if raw.startswith(mark):
            try:
                text = raw.decode(code)
            except UnicodeDecodeError:
                raise refusal(file, f"begins as {code[:6].upper()} and does not go on so", cure) from None
            if "\x00" in text:
                raise refusal(file, not_text, cure)
            return text, [f"Text read as {code[:6].upper()}."]
    if b"\x00" in raw:
        even, odd = raw[0::2].count(b"\x00"), raw[1::2].count(b"\x00")
        half = 0.8 * len(raw) / 2
        code = "utf-16-le" if odd > half and even == 0 else "utf-16-be" if even > half and odd == 0 else None
        if code is None or len(raw) % 2:
            where = raw[: raw.index(b"\x00")].count(b"\n") + 1
            raise refusal(file, f"{not_text}; the first byte that is no text stands in line {where}", cure)
        return raw.decode(code), ["Text read as UTF-16, by the noughts between its letters."]
    try:
        text, how = raw.decode("utf-8"), []
    except UnicodeDecodeError:
        windows = any(0x80 <= b <= 0x9F for b in set(raw))
        text, how = raw.decode("cp1252" if windows else "latin-1", errors="replace"), ["Text read as Latin-1: it is not UTF-8."]
    strange = re.search(r"[\x01-\x08\x0e-\x19\x1b-\x1f\ufffd]", text)
    if strange:
        where = text[: strange.start()].count("\n") + 1
        raise refusal(file, f"{not_text}; the first character that is no text stands in line {where}", cure)
    return text, how


# ---- lines to cells -------------------------------------------------------------------------


def cut(line: str, separator: str) -> list[str]:
    """One line in cells; quotation marks keep a separator inside a cell.

    >>> cut('1.0;"a;b";2', ";")
    ['1.0', 'a;b', '2']
    """
    if separator == ",\t":
        line, separator = re.sub(r",\t|,", "\t", line), "\t"
    if separator == " ":
        if '"' in line:
            return ["".join(pair) for pair in re.findall(r'"([^"]*)"|(\S+)', line)]
        return line.split()
    if '"' in line:
        return next(csv.reader([line], delimiter=separator, skipinitialspace=True))
    return line.split(separator)


def _separator(sample: list[str], heading: list[str]) -> str | None:
    """The separator that makes most sense of sampled lines; None when none gives two columns."""
    best, merit = None, 0.0
    for separator in SEPARATORS:
        lines = [_joined(line) for line in sample] if separator == " " else sample
        if not any((mark in line) for line in lines for mark in separator):
            continue
        if separator == ",\t" and not all(any(mark in line for line in lines) for mark in separator):
            continue
        cells = [cut(line, separator) for line in lines]
        common, often = Counter(map(len, cells)).most_common(1)[0]
        if common < 2:
            continue
        worth = often / len(cells) * sum(_worth(row, separator) for row in cells) / len(cells)
        if worth > merit + 1e-9 or (worth > merit - 1e-9 and separator == ",\t" and best == "\t" and _mixed(heading)):
            best, merit = separator, worth
    return best


def _worth(row: list[str], separator: str) -> float:
    """How much sense a row makes: 0 with a cell that still holds several values, 1 with numbers throughout."""
    commas_cut = "," in separator
    told = numbers = 0
    for cell in row:
        plain = cell.replace(",", "x") if commas_cut else cell
        if _PLAIN.match(plain):
            numbers += 1
        if _says_something(plain) or (commas_cut and _says_something(cell)):
            told += 1
        elif re.match(rf"\s*(?:{NUMBER}|{TIME_OF_DAY})\s*[\s;,]\s*(?:{NUMBER}|{TIME_OF_DAY})", cell):
            return 0.0
    return (0.2 + 0.8 * told / len(row)) * (numbers > 0)


def _mixed(heading: list[str]) -> bool:
    """Whether the names of a heading are separated by commas as well as tabs (and not names from their units)."""
    for line in heading:
        cells = [c.strip() for c in cut(line, ",\t")]
        if "\t" in line and "," in line and all(len(c) > 1 and not re.fullmatch(r"m?(bar|torr|pa|s|v)", c.lower()) for c in cells):
            return True
    return False


def _tied(lines: list[str]) -> list[str]:
    """Lines with one blank between cells, and date and time of day tied together."""
    sample = [line for line in lines[:: max(1, len(lines) // 200)] if line[:1].isdigit()]
    if len(lines) > 10000 and all(_DATE_AND_TIME_FIRST.match(line) for line in sample):
        # A line that differs from the sampled ones then has another number of cells, and is looked at by itself.
        single = [" ".join(line.split()) if '"' not in line else line for line in lines]
        return [line.replace(" ", "_", 1) if line[:1].isdigit() else line for line in single]
    if any(":" in line for line in lines[:: max(1, len(lines) // 200)]):
        lines = _joined("\n".join(lines)).split("\n")
    return [" ".join(line.split()) if '"' not in line else line for line in lines]


def _joined(text: str) -> str:
    """Date and time of day tied together by a stroke, so that the blank between them separates nothing."""
    text = _DATE_THEN_TIME.sub(r"\1_", _DATE_IN_WORDS.sub(r"\1-\2-\3", text))
    return _TIME_THEN_HALF.sub(r"\1_", text) if re.search(r"[AaPp]\.?[Mm]\b", text) else text


def read_sheet(path: str | os.PathLike) -> Sheet:
    """Rows and columns of text of a log.

    Raises
    ------
    DesignFault
        A file that is no text, has fewer than two columns or no row of readings, names that do not
        go with the columns, a second and other heading, too many rows of another length.
    """
    file = os.fspath(path)
    text, assumed = text_of(path)
    every = text.split("\n")
    numbers = [k for k, line in enumerate(every, start=1) if line and not line.isspace()]
    lines = every[:-1] if len(numbers) == len(every) - 1 and not every[-1] else [every[k - 1] for k in numbers]
    separator = _separator_of(file, lines)
    assumed.append(f"Columns separated by {SEPARATORS[separator]}.")
    ended = text.endswith("\n")
    broken_off = ended or _drop_broken_end(numbers, lines, separator)
    sheet = _sheet(_Lines(file, numbers, lines, separator), assumed)
    if isinstance(broken_off, str):
        sheet.marked.append(broken_off)
    elif not ended and len(sheet.line) > 3:
        _last_row(sheet)
    return sheet


def _drop_broken_end(numbers: list[int], lines: list[str], separator: str) -> str | None:
    """Takes a last line that has fewer cells than those before it and no end off; says so."""
    if len(lines) < 4 or lines[-1].lstrip().startswith(_COMMENT) or '"' in "".join(lines[-4:]):
        return None
    sizes = [len(cut(_joined(line) if separator == " " else line, separator)) for line in lines[-4:]]
    if not sizes[-1] < min(sizes[:-1]):
        return None
    lines.pop()
    return f"line {numbers.pop()}: the last line breaks off; left out."


def _separator_of(file: str, lines: list[str]) -> str:
    """The separator of a file, from lines here and there."""
    plain = [line for line in lines[:: max(1, len(lines) // 400)] if not line.lstrip(' \t"').startswith(_COMMENT)]
    if not plain:
        raise refusal(file, "has remarks only, needs rows of readings", "check that the logger had closed the file")
    told = [line for line in plain if re.search(r"\d", line)] or plain
    tail = told[len(told) // 4 :]
    separator = _separator(tail[:: max(1, len(tail) // 60)], plain[:5])
    if separator is None and not any(is_number(c) or is_moment(c) for line in plain for c in re.split(r"[;,\t ]+", line)):
        raise refusal(file, "has a heading and no row of readings", "check that the logger had closed the file")
    if separator is None:
        raise refusal(
            file, "has no rows of two columns, needs a time and a reading in every row",
            "separate the columns by comma, semicolon, tab or blank",
        )  # fmt: skip
    return separator


class _Lines:
    """The lines of a file that are not blank, with what is needed to cut them.

    Long logs are cut in one go, so rows are made singly only where a line is asked for.
    """

    def __init__(self, file: str, numbers: list[int], lines: list[str], separator: str):
        self.file, self.numbers, self.separator = file, numbers, separator
        self.mark = separator if len(separator) == 1 else "\t"
        if separator == ",\t":
            lines = [re.sub(r",\t|,", "\t", line) if '"' not in line else line for line in lines]
        self.as_written = lines
        if separator == " ":
            lines = _tied(lines)
        self.lines = lines
        self.lead = [line.lstrip(' \t"')[:2] for line in lines]
        signs = "#%!" if separator == ";" else "#%!;"
        self.comment = [lead[:1] in signs or lead == "//" for lead in self.lead]

    def __len__(self) -> int:
        return len(self.lines)

    def cells(self, i: int) -> list[str] | None:
        """The cells of a line, None of a remark."""
        if self.comment[i]:
            return None
        line = self.lines[i]
        if '"' in line:
            if line.count('"') % 2:
                raise refusal(self.file, "has a quotation mark that is not closed", "close or remove it", f"line {self.numbers[i]}", line.strip()[:60])
            return cut(line, self.separator)
        return line.split(self.mark)

    def said(self, i: int) -> str:
        """A remark without its sign."""
        return self.as_written[i].strip().lstrip("".join(_COMMENT) + ' ;"').strip(' ;,"')

    def width(self) -> int:
        """The number of cells that most lines have."""
        counts = Counter(
            line.count(self.mark) + 1 if '"' not in line else len(self.cells(i) or ())
            for i, line in enumerate(self.lines) if not self.comment[i]
        )  # fmt: skip
        return counts.most_common(1)[0][0]


def _sheet(lines: _Lines, assumed: list[str]) -> Sheet:
    """Rows of readings, heading, units and remarks told apart."""
    file, width = lines.file, lines.width()
    first, typical = _first_row(lines, width)
    if first is None:
        raise refusal(file, "has a heading and no row of readings", "check that the logger had closed the file")
    at, units = _heading(lines, first)
    if at is not None:
        header, header_line = tuple(c.strip() for c in lines.cells(at)), lines.numbers[at]
        if lines.separator == " ":
            header = _header_of_blanks(lines.as_written[at], width)
    else:
        header, header_line = _commented_header(lines, first, width)
        if header:
            assumed.append(f"Names of the columns taken from the remark in line {header_line}.")
    below = tuple(c.strip() for c in lines.cells(at + 1)) if units else ()
    before = tuple(
        Remark(lines.numbers[i], 0, lines.said(i))
        for i in range(first) if i != at and not (units and i == at + 1) and lines.numbers[i] != header_line
    )  # fmt: skip
    width, header = _width(lines, header, header_line, width, first)
    sheet = _body(lines, first, width, header, header_line, below, before, typical, assumed)
    bad = np.flatnonzero(sheet.broken)
    if len(bad) > max(1, TOO_MANY_BROKEN * len(sheet.line)):
        raise refusal(
            file, f"{len(bad)} of {len(sheet.line)} rows have another number of cells than {width}", "see whether a decimal comma "
            "meets a comma between columns, and write the file with semicolons", lines_text(sheet.line[bad]),
        )  # fmt: skip
    if len(bad):
        sheet.marked.append(f"{lines_text(sheet.line[bad])}: another number of cells than {width}; readings spoiled.")
    return sheet


def lines_text(numbers) -> str:
    """Numbers of lines in words.

    >>> lines_text([4]), lines_text([4, 7]), lines_text(range(2, 20))
    ('line 4', 'lines 4 and 7', 'lines 2, 3, 4 and 15 more')
    """
    numbers = [int(n) for n in numbers]
    if len(numbers) == 1:
        return f"line {numbers[0]}"
    shown = numbers if len(numbers) <= 4 else numbers[:3]
    rest = f"{len(numbers) - 3} more" if len(numbers) > 4 else str(shown.pop())
    return f"lines {', '.join(map(str, shown))} and {rest}"


def _sense(row: list[str]) -> int:
    return sum(1 for c in row if c.strip() and _says_something(c))


def _first_row(lines: _Lines, width: int) -> tuple[int | None, float]:
    """Number of the first row of readings, and how many cells of a row say something."""
    sampled = [lines.cells(i) for i in range(len(lines) // 2, len(lines), max(1, len(lines) // 120)) if not lines.comment[i]]
    typical = float(np.median([_sense(row) for row in sampled if len(row) == width] or [1]))
    for i in range(len(lines)):
        row = lines.cells(i)
        if not row or len(row) < 2:
            continue
        if len(row) == width and (is_number(row[0]) or is_moment(row[0])):
            return i, typical
        if any(is_number(c) or is_moment(c) for c in row) and _sense(row) > 0.5 * typical:
            return i, typical
    return None, typical


def _heading(lines: _Lines, first: int) -> tuple[int | None, bool]:
    """Number of the heading among the rows before the first row of readings, and whether a row of units follows it."""
    named = []
    for i in range(first):
        row = lines.cells(i)
        if row and len([c for c in row if c.strip()]) >= 2 and not any(is_number(c) or is_moment(c) for c in row):
            named.append(i)
    if not named:
        return None, False
    last = named[-1]
    cells = [c.strip() for c in lines.cells(last) if c.strip()]
    if len(named) > 1 and named[-2] == last - 1 and all(any_unit(c) or c in ("-", "1") for c in cells):
        return last - 1, True
    return last, False


def _header_of_blanks(line: str, width: int) -> tuple[str, ...]:
    """Names that are separated by blanks and may hold some: "Time (s)  Pressure (mbar)"."""
    for pattern in (r"\s{2,}|\t", r"\s+(?![\[(])", r"\s+"):
        names = [n.strip('"') for n in re.split(pattern, line.strip())]
        folded = [n.lower() for n in names]
        if len(names) == width + 1 and folded[:2] == ["date", "time"]:
            names = ["date time", *names[2:]]
        if len(names) == width:
            break
    return tuple(names)


def _commented_header(lines: _Lines, first: int, width: int) -> tuple[tuple[str, ...], int]:
    """Names in the last remark before the readings, when it has as many cells as they."""
    for i in range(first - 1, -1, -1):
        if lines.comment[i]:
            bare = lines.as_written[i].strip().lstrip("".join(_COMMENT) + ' ;"')
            cells = _header_of_blanks(bare, width) if lines.separator == " " else [c.strip() for c in cut(bare, lines.separator)]
            if len(cells) == width and all(c and not is_number(c) for c in cells):
                return tuple(cells), lines.numbers[i]
            return (), 0
    return (), 0


def _width(lines: _Lines, header: tuple, header_line: int, width: int, first: int) -> tuple[int, tuple]:
    """Number of columns, after comparing names with cells; empty cells at the ends of rows do not count."""
    while header and not header[-1]:
        header = header[:-1]
    if not header or len(header) == width:
        return width, header
    if len(header) < width and not any(c.strip() for i in range(first, len(lines)) for c in (lines.cells(i) or ())[len(header) :]):
        return len(header), header
    if len(header) > width and all(_MAY_BE_ABSENT.search(n) for n in header[width:]):
        return len(header), header
    cure = "give every column a name"
    if width > len(header):
        cure += "; if commas are decimal commas, separate the columns by semicolons"
    raise refusal(
        lines.file, f"the heading has {len(header)} names, the rows have {width} cells", cure, f"line {header_line}", ", ".join(header)
    )


def _body(lines: _Lines, first, width, header, header_line, below, before, typical, assumed) -> Sheet:
    """The rows from the first one on, and what stands between them."""
    mark, digits = lines.mark, "+-.0123456789"
    numeric = lines.lead[first][:1] in digits
    regular = np.array([
        not aside and line.count(mark) == width - 1 and (lead[:1] in digits) == numeric and '"' not in line and "#" not in line
        for line, lead, aside in zip(lines.lines[first:], lines.lead[first:], lines.comment[first:], strict=True)
    ])  # fmt: skip
    plain = np.flatnonzero(regular) + first
    flat = mark.join([lines.lines[i] for i in plain.tolist()]).split(mark) if len(plain) else []
    columns = [flat[k::width] for k in range(width)]
    odd, remarks, repeated = [], [], []  # odd: (line, cells, broken)
    for i in (np.flatnonzero(~regular) + first).tolist():
        row = int(np.searchsorted(plain, i)) + len(odd)
        if lines.comment[i]:
            remarks.append(Remark(lines.numbers[i], row, lines.said(i)))
            continue
        kept = _odd_row(lines, i, row, width, header, typical, numeric, remarks, repeated)
        if kept is not None:
            odd.append((i, *kept))
    if odd:
        where = np.concatenate([plain, [i for i, _, _ in odd]]).astype(int)
        order = np.argsort(where, kind="stable")
        columns = [np.array(cells + [row[k] for _, row, _ in odd], object)[order].tolist() for k, cells in enumerate(columns)]
        broken = np.array([False] * len(plain) + [b for _, _, b in odd])[order]
        plain = where[order]
    else:
        broken = np.zeros(len(plain), bool)
    if not len(plain):
        raise refusal(lines.file, "has a heading and no row of readings", "check that the logger had closed the file")
    line = np.array(lines.numbers)[plain]
    sheet = Sheet(lines.file, header, header_line, below, tuple(map(tuple, columns)), line, broken, before, tuple(remarks), assumed)
    if repeated:
        sheet.marked.append(f"The heading stands again in {lines_text(repeated)}: left out.")
    return sheet


def _odd_row(lines: _Lines, i, row, width, header, typical, numeric, remarks, repeated) -> tuple[list[str], bool] | None:
    """Cells of a line that is not cut like the others and whether it is broken; None when it is no row of readings."""
    line, number = lines.lines[i], lines.numbers[i]
    cells = [c.strip() for c in lines.cells(i)]
    folded = [c.lower() for c in header]
    if "#" in line and "#N/A" not in line.upper() and '"' not in line:
        data, _, said = line.partition("#")
        before = [c.strip() for c in data.rstrip().rstrip(lines.mark).split(lines.mark)]
        if _sense(before) > 0.5 * typical:
            remarks.append(Remark(number, row, said.strip()))
            cells = (before + [""] * width)[: max(width, len(before))] if width - len(before) <= 1 else before
    if len(cells) == width and (lines.lead[i][:1] in "+-.0123456789") == numeric:
        return cells, False
    if folded and [c.lower() for c in cells][: len(folded)] == folded:
        repeated.append(number)
        return None
    numbers = sum(1 for c in cells if is_number(c))
    if len(cells) == width and not numbers and not any(map(is_moment, cells)) and all(cells) and folded:
        raise refusal(
            lines.file, "another heading begins here, needs one heading for all rows", "cut the file into two logs",
            f"line {number}", line.strip()[:60],
        )  # fmt: skip
    words = any(c[:1].isalpha() and c.lower() not in NO_NUMBER for c in cells)
    if len(cells) != width and (not numbers or (len(cells) < width and words and _sense(cells) <= 0.5 * typical)):
        remarks.append(Remark(number, row, lines.said(i)))
        return None
    while len(cells) > width and not cells[-1]:
        cells.pop()
    absent = header[len(cells) :]
    harmless = len(cells) == width or (len(cells) < width and bool(absent) and all(_MAY_BE_ABSENT.search(n) for n in absent))
    return (cells + [""] * width)[:width], not harmless


def _last_row(sheet: Sheet) -> None:
    """A last line without a line end may be broken off in mid-number: "1.3E-0" for "1.3E-04"."""
    last = next((c for c in reversed(sheet.columns) if any(x.strip() for x in c[-4:-1])), None)
    if last is None:
        return
    lengths = {len(c.strip()) for c in last[max(0, len(last) - 200) : -1]}
    if len(last[-1].strip()) < min(lengths):
        sheet.broken[-1] = True
        sheet.marked.append(f"{lines_text(sheet.line[-1:])}: the last line is shorter than all others and has no end; readings spoiled.")
