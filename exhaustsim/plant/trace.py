"""One gauge's readings against time, as logged: what was written down, and what each reading is worth.

A reading below the foot of the scale still says "no more than this"; one above its end says "no
less"; one taken while the range was changed says nothing.  A `Trace` therefore keeps every
reading and marks it, and the fits of `studies` use each for what it is worth.

Readings are as the gauge showed them, in Pa, before any gas factor; what stood in the file is
kept beside them.

Not modelled here: what the gauge does to the reading, see `studies/instrument.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: What a reading is worth, the numbers of `Trace.mark`.
GOOD, AT_MOST, AT_LEAST, SPOILED, NO_READING = range(5)
MARKS = ("good", "at most", "at least", "spoiled", "no reading")

#: Where the gauge is: on the line, in the bulb (a gauge valve), or in the dead volume of a head.
PLACES = ("line", "bulb", "head")


@dataclass(frozen=True)
class Event:
    """Something written beside the readings: an index, RF on, a comment."""

    time: float  # s
    text: str


@dataclass(frozen=True, eq=False)
class Trace:
    """The readings of one gauge."""

    name: str
    time: np.ndarray  # (n,) s, rising
    reading: np.ndarray  # (n,) Pa as shown; for AT_MOST and AT_LEAST the end of the scale, NaN where there is none
    mark: np.ndarray  # (n,) int8, one of the five above
    original: np.ndarray  # (n,) as it stood in the file: numbers in `unit`, or text
    unit: str = "Pa"  # of `original`
    gauge: str | None = None  # kind of gauge in the data tables
    calibration_gas: str | None = None
    place: str | None = None  # one of PLACES
    gas: str | None = None  # a partial pressure of this gas; None for the total
    events: tuple[Event, ...] = ()

    def __post_init__(self):
        lengths = {len(self.time), len(self.reading), len(self.mark), len(self.original)}
        if len(lengths) > 1:
            raise ValueError(f'trace "{self.name}": columns of different lengths {sorted(lengths)}')

    def __len__(self) -> int:
        return len(self.time)

    def usable(self) -> np.ndarray:
        """(n,) bool: readings that a fit may use, as a value or as a bound.

        >>> import numpy as np
        >>> t = Trace("line", np.arange(3.0), np.ones(3), np.array([GOOD, AT_MOST, SPOILED], np.int8), np.ones(3))
        >>> t.usable().tolist()
        [True, True, False]
        """
        return (self.mark < SPOILED) & np.isfinite(self.reading) & (self.reading > 0.0)

    def between(self, start: float, end: float) -> Trace:
        """The same trace from `start` to `end` [s], both included.

        >>> import numpy as np
        >>> len(Trace("line", np.arange(5.0), np.ones(5), np.zeros(5, np.int8), np.ones(5)).between(1.0, 3.0))
        3
        """
        here = (self.time >= start) & (self.time <= end)
        events = tuple(e for e in self.events if start <= e.time <= end)
        return Trace(
            self.name, self.time[here], self.reading[here], self.mark[here], self.original[here],
            self.unit, self.gauge, self.calibration_gas, self.place, self.gas, events,
        )  # fmt: skip
