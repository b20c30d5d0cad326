"""What is wrong with a set of design files, collected and told all at once.

A person who has mistyped three keys wants three answers, not the first of them three times.
Reading therefore goes on past a fault wherever it can, and `DesignFault` carries them all:
file, key, what stands there, what is needed, and the cure.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

LONGEST_WORD = 80  # characters; a longer one is no slip of the keyboard, and comparing it would take long


@dataclass(frozen=True)
class Fault:
    """One fault of one file."""

    file: str
    key: str  # "bulb.volume", "position[3].heater"; "" for the file as a whole
    given: str  # what stands in the file, as text; "" when nothing does
    need: str
    cure: str = ""

    def __str__(self) -> str:
        place = visible(f"{self.key} = {self.given}" if self.key and self.given else self.key or self.given)
        text = visible(f"{self.need}; {self.cure}" if self.cure else self.need)
        return f"  {place}\n      {text}" if place else f"      {text}"


class DesignFault(ValueError):
    """Design files that cannot be used; `faults` holds every fault found in them."""

    def __init__(self, faults: Iterable[Fault]):
        self.faults = list(dict.fromkeys(faults))
        super().__init__(str(self))

    def __str__(self) -> str:
        lines = []
        for file in dict.fromkeys(f.file for f in self.faults):
            here = [f for f in self.faults if f.file == file]
            lines.append(f"{visible(file)}: {len(here)} fault{'s' if len(here) > 1 else ''}")
            lines.extend(str(f) for f in here)
        return "\n".join(lines)


def visible(text: str) -> str:
    """`text` on one line, with what a screen would obey or hide (control codes, marks of direction) written out.

    >>> print(visible("two\\nlines, \\x1b[31mred"))
    two\\nlines, \\x1b[31mred
    """
    return text if text.isprintable() else "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def quoted(names: Iterable[str]) -> str:
    """The names in quotation marks, separated by commas."""
    return ", ".join(f'"{n}"' for n in names)


def nearest(word: str, known: Iterable[str]) -> str:
    """A cure for a mistyped word: the nearest right one, or the list of right ones."""
    known = list(known)
    if len(word) > LONGEST_WORD:
        return f"use one of {quoted(known)}" if known else "nothing is allowed here"
    folded = {_fold(k): k for k in known}
    near = difflib.get_close_matches(_fold(word), folded, n=1, cutoff=0.6)
    if near:
        return f'did you mean "{folded[near[0]]}"?'
    return f"use one of {quoted(known)}" if known else "nothing is allowed here"


def _fold(word: str) -> str:
    """The word as a careless eye sees it: no capitals, noughts as letters ("H20"), no spaces."""
    return word.lower().replace("0", "o").replace(" ", "_").replace("-", "_")
