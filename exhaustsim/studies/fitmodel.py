"""What is fitted to a logged pressure: a curve with a few parameters, and the reasons for which a fit is refused.

A `Model` knows how to draw its curve, where to start, and what speaks against it: a log too short
for a power law, a leak below the foot of the gauge's scale.  Each `Reason` says what is lacking and
what to measure next.

Not here: particular curves (`studies/pumpdownfit.py` and others) and the fitting itself
(`studies/fitting.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from exhaustsim.plant.trace import Trace

if TYPE_CHECKING:
    from exhaustsim.studies.fitting import Fit


@dataclass(frozen=True)
class Reason:
    """Why a fit is refused, or with what it must be taken, and what to measure next."""

    words: str
    next_experiment: str = ""


class FitRefused(ValueError):
    """The readings do not support the fit; `reasons` holds all that stand against it."""

    def __init__(self, name: str, reasons: Sequence[Reason]):
        self.name = name
        self.reasons = tuple(dict.fromkeys(reasons))
        super().__init__(str(self))

    @property
    def next_experiments(self) -> tuple[str, ...]:
        """What to measure next, each once."""
        return tuple(dict.fromkeys(r.next_experiment for r in self.reasons if r.next_experiment))

    def __str__(self) -> str:
        lines = [f"{self.name}: no fit"] + [f"  {r.words}" for r in self.reasons]
        return "\n".join(lines + [f"  next: {n}" for n in self.next_experiments])


@dataclass(frozen=True)
class Parameter:
    """One parameter of a model, SI; a positive one is fitted in its logarithm."""

    name: str
    start: float
    low: float
    high: float
    unit: str
    positive: bool = True
    scaled: bool | None = None  # whether a scale error of the gauge multiplies it; None: when the unit has Pa or mol
    spread: float | None = None  # known beforehand: standard deviation about `start`, of the logarithm for a positive one

    @property
    def follows_scale(self) -> bool:
        """Whether the scale error of the gauge passes into it."""
        return ("Pa" in self.unit or "mol" in self.unit) if self.scaled is None else self.scaled


@dataclass(frozen=True, eq=False)
class Model:
    """A curve of pressure against time.

    `pressure(values, time)` takes the values in the order of `parameters` and returns (n,) Pa.
    """

    name: str
    words: str
    parameters: tuple[Parameter, ...]
    pressure: Callable[[np.ndarray, np.ndarray], np.ndarray]
    terms: Mapping[str, Callable[[np.ndarray, np.ndarray], np.ndarray]] = field(default_factory=dict)  # name to (values, time) -> Pa
    derivatives: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None  # (values, time) -> (n, k) of the pressure
    starts: Callable[[np.ndarray, np.ndarray], Sequence[np.ndarray]] | None = None  # (time, pressure) -> values to start from
    before: Callable[[Trace], Sequence[Reason]] | None = None  # what of a trace speaks against the model beforehand
    after: Callable[[Fit], Sequence[Reason]] | None = None  # what of a fit speaks against it


