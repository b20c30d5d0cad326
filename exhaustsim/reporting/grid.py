"""Plain-text tables: any rows of text, and the rows of the data tables.

Light to import, so that looking up a constant does not load the simulator.
"""

from __future__ import annotations

import textwrap

from exhaustsim.data.published import Row
from exhaustsim.units import show

WIDTH = 110  # columns of a page
LONGEST_WORD = 24  # letters


def constants_text(rows: list[Row]) -> str:
    """The rows of the data tables with range, standing and source."""
    table = [("name", "value", "range", "standing", "source")]
    for row in rows:
        span = "-" if row.low is None else f"{_shown(row, row.low)} to {_shown(row, row.high)}"
        table.append((row.name, row.text, span, row.standing_told, row.source_told))
    text = grid(table, left=(0, 1, 2, 3, 4), whole=(0,))  # a name is there to be copied
    if len(rows) == 1 and rows[0].note:
        text += "\n\n" + textwrap.fill(rows[0].note, WIDTH)
    return text


def _shown(row: Row, value: float) -> str:
    return show(value, row.kind, row.unit)


def grid(rows: list[tuple[str, ...]], left: tuple[int, ...] = (0,), whole: tuple[int, ...] = ()) -> str:
    """Rows as a table of at most `WIDTH` columns; the first row is the heading.

    Headings break at spaces; of the columns in `left` (set flush left) the widest break too,
    until the table fits, those in `whole` never.
    """
    columns = list(zip(*rows, strict=True))
    widths = [max([*map(len, column[1:]), *map(len, column[0].split()), 1]) for column in columns]
    room = WIDTH - 2 * (len(widths) - 1)
    # Paths and the like may be broken, words may not as long as there is anything else to make narrower.
    words = [max((len(w) for cell in column for w in cell.split() if len(w) <= LONGEST_WORD), default=1) for column in columns]
    while sum(widths) > room:
        narrow = [k for k in left if k not in whole and widths[k] > max(words[k], 8)]
        narrow = narrow or [k for k in left if k not in whole and widths[k] > 8]
        if not narrow:
            break
        widths[max(narrow, key=lambda k: widths[k])] -= 1
    lines = []
    for number, row in enumerate(rows):
        cells = [textwrap.wrap(cell, width, break_on_hyphens=False) or [""] for cell, width in zip(row, widths, strict=True)]
        height = max(map(len, cells))
        for i in range(height):
            # Headings stand on the line below them, cells hang from their first line.
            picked = [cell[i - height + len(cell)] if number == 0 and i >= height - len(cell) else
                      cell[i] if number and i < len(cell) else "" for cell in cells]  # fmt: skip
            lines.append("  ".join(
                text.ljust(width) if k in left else text.rjust(width)
                for k, (text, width) in enumerate(zip(picked, widths, strict=True))
            ).rstrip())  # fmt: skip
        if number == 0:
            lines.append("-" * (sum(widths) + 2 * (len(widths) - 1)))
    return "\n".join(lines)
