"""What the terminal shows of a fitted log: the answer first, then figures with intervals, evidence, what cannot be told, and what was read.

The table of figures as rows of text serves the page and the desk too.
"""

from __future__ import annotations

import math
import os
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from exhaustsim.plant.pressurelog import PressureLog
from exhaustsim.plant.trace import MARKS
from exhaustsim.reporting.grid import WIDTH, grid
from exhaustsim.reporting.screen import CAUTION
from exhaustsim.studies.logstudy import KINDS, LogAnswer, looks_like
from exhaustsim.units import format_number

MOST_ROWS = 30  # figures told one by one
WORDS_OF_UNIT = {"1": "", "factor": "times as assumed"}


@dataclass(frozen=True)
class Look:
    """What a log looks like, before a question is chosen."""

    files: tuple[str, ...]
    read: tuple[str, ...]
    marked: tuple[str, ...]
    traces: tuple[tuple[str, ...], ...]  # heading and rows
    suits: tuple[tuple[str, str], ...]  # kind and why
    stands: bool = True  # nothing was asked, so nothing is refused

    @classmethod
    def of(cls, logs: Sequence[PressureLog]) -> Look:
        """A look at one log or two."""
        rows = [("trace", "readings", "good", "bounds", "from, s", "to, s", "lowest, Pa", "highest, Pa", "gauge", "calibrated for")]
        for log in logs:
            for t in log.traces:
                use = t.usable()
                counts = [int((t.mark == k).sum()) for k in range(len(MARKS))]
                span = (t.reading[use].min(), t.reading[use].max()) if use.any() else (math.nan, math.nan)
                rows.append((
                    t.name, str(len(t)), str(counts[0]), str(counts[1] + counts[2]), f"{t.time[0]:.4g}", f"{t.time[-1]:.4g}",
                    *(format_number(x, 3) if math.isfinite(x) else "-" for x in span), t.gauge or "not said", t.calibration_gas or "not said",
                ))  # fmt: skip
        suits = dict.fromkeys(pair for log in logs for pair in looks_like(log))
        return cls(
            tuple(log.path for log in logs), tuple(s for log in logs for s in log.assumed), tuple(s for log in logs for s in log.marked), tuple(rows),
            tuple(suits),
        )  # fmt: skip

    def to_json(self) -> dict:
        """Plain text."""
        head, *rows = self.traces
        return {
            "files": [os.path.basename(f) for f in self.files], "read": list(self.read), "marked": list(self.marked),
            "traces": [dict(zip(head, row, strict=True)) for row in rows], "would_suit": [{"kind": k, "why": why} for k, why in self.suits],
        }  # fmt: skip


def fit_text(answer: LogAnswer | Look) -> str:
    """Everything, for the terminal."""
    if isinstance(answer, Look):
        return _look_text(answer)
    parts = [textwrap.fill(answer.answer, WIDTH)]
    rows = figure_rows(answer)
    if len(rows) > 1:
        parts.append(f"Figures ({interval_words(answer)})\n" + grid(rows, left=(0, 1, 5)))
        if len(answer.figures) > MOST_ROWS:
            parts[-1] += f"\nand {len(answer.figures) - MOST_ROWS} more in the JSON"
    drawn = bootstrap_rows(answer)
    if len(drawn) > 1:
        parts.append("By logs drawn anew (bootstrap), SI\n" + grid(drawn, left=(0, 1)))
    for title, words in sections(answer):
        parts.append(f"{title}\n" + listed(words))
    parts.append(textwrap.fill(CAUTION, WIDTH))
    return "\n\n".join(parts)


def sections(answer: LogAnswer) -> list[tuple[str, tuple[str, ...]]]:
    """Headings with their sentences, those with nothing to say left out."""
    refused = tuple(f"{no.name}: {r.words}" for no in answer.refused for r in no.reasons)
    every = (
        ("No fit, because", refused), ("Evidence", answer.evidence), ("What these data cannot tell apart", answer.cannot_tell),
        ("What to measure next", answer.following), ("Read and assumed", answer.read), ("Marked in the log", answer.marked),
    )  # fmt: skip
    return [(title, words) for title, words in every if words]


def interval_words(answer: LogAnswer) -> str:
    """What the intervals are."""
    return f"{100.0 * answer.level:.4g} % intervals; they take the curve to be right"


def figure_rows(answer: LogAnswer) -> list[tuple[str, ...]]:
    """Figures with their intervals: a heading, then a row for each."""
    rows = [("of", "what", "value", "from", "to", "unit")]
    for f in answer.figures[:MOST_ROWS]:
        signed = "+" if f.unit == "K" or f.low < 0.0 else ""
        ends = (_end(f.low, signed), _end(f.high, signed))
        unit = WORDS_OF_UNIT.get(f.unit, f.unit) + ("" if f.told else " (not told by the readings)")
        value = "at most" if math.isnan(f.value) else _end(f.value, signed)
        rows.append((f.of, f.name, value, *ends, unit.strip()))
    return rows


def bootstrap_rows(answer: LogAnswer) -> list[tuple[str, ...]]:
    """Ends of the intervals by logs drawn anew beside those of the fit."""
    rows = [("of", "parameter", "value", "drawn: from", "to", "fit: from", "to", "unit")]
    for part in answer.parts:
        for p in part.fit.parameters:
            if p.name in part.bootstrap:
                low, high = (math.nan if x is None else x for x in part.bootstrap[p.name])
                rows.append((part.name, p.name, _end(p.value), _end(low), _end(high), _end(p.low), _end(p.high), WORDS_OF_UNIT.get(p.unit, p.unit)))
    return rows


def _end(value: float, sign: str = "") -> str:
    if not math.isfinite(value):
        return "open"
    return ("+" if sign and value > 0.0 else "") + format_number(value, 3)


def listed(words: Iterable[str], width: int = WIDTH) -> str:
    """Sentences one below the other, set in, in lines of `width` letters at most (a notebook shows 88)."""
    return "\n".join(textwrap.fill(sentence(w), width, initial_indent="  ", subsequent_indent="    ") for w in words)


def sentence(words: str) -> str:
    """`words` with a capital, unless they begin with the name of a column or an option.

    >>> sentence("the readings fall"), sentence("pressure_raw: good")
    ('The readings fall', 'pressure_raw: good')
    """
    return words[0].upper() + words[1:] if words.split()[0].rstrip(":,").isalpha() else words


def _look_text(look: Look) -> str:
    names = ", ".join(os.path.basename(f) for f in look.files)
    parts = [textwrap.fill(f"{names}: read, and nothing fitted, because no --kind was given.", WIDTH), grid(list(look.traces), left=(0, 8, 9))]
    if look.suits:
        parts.append("It would bear\n" + listed(f"--kind {kind}: {why}" for kind, why in look.suits))
    else:
        parts.append("Nothing speaks for one kind rather than another: the readings neither rise nor fall.")
    parts.append("Every kind\n" + listed(f"--kind {kind}: {words}" for kind, words in KINDS.items()))
    for title, words in (("Read and assumed", look.read), ("Marked in the log", look.marked)):
        if words:
            parts.append(f"{title}\n" + listed(words))
    return "\n\n".join(parts)
