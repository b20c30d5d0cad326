"""Do two lots of valves differ by more than their valves differ among themselves?

Each valve brings one figure, for instance a fitted rate, with its own relative error.  Valves of
one lot scatter, quite apart from that error; the lots are held against this scatter, not
against the much smaller error of a fit.  The question is asked of logarithms, so the answer is a ratio.

Both lots are taken to scatter alike, by a normal law of the logarithm.  With equal errors the
interval is that of Student's t, which is exact.  Not modelled: valves that hang together because
they rode one head or one tray, and errors that all valves share, such as that of one gauge: these
do not widen the ratio if one gauge read both lots, and are not in it if two did.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np

from exhaustsim.studies.fitmodel import FitRefused, Reason

FEWEST_VALVES = 3  # of each lot: with fewer their scatter cannot be judged


@dataclass(frozen=True)
class ValveFigure:
    """What was found for one valve."""

    valve: str
    value: float  # above 0, in any unit, the same for all
    error: float = 0.0  # relative standard error of the value itself [1]


@dataclass(frozen=True)
class LotRatio:
    """Second lot over first."""

    names: tuple[str, str]
    valves: tuple[int, int]
    ratio: float
    low: float
    high: float
    level: float  # of the intervals
    chance: float  # of a ratio as far from 1 as this, if the lots were alike
    scatter: float  # between valves of one lot, standard deviation of the logarithm
    scatter_low: float
    scatter_high: float
    error: float  # typical relative error of one valve's figure

    @property
    def sentence(self) -> str:
        first, second = self.names
        differ = f"{second} is {self.ratio:.2g} times {first} ({self.low:.2g} to {self.high:.2g}, {100 * self.level:.0f} % interval)"
        if not self.low <= 1.0 <= self.high:
            verdict = "more than the valves scatter"
        else:
            verdict = "which scatter between valves alone could make: no difference is shown"
        return (
            f"{differ}, {verdict}; {self.valves[0]} and {self.valves[1]} valves; between valves of a lot "
            f"{100 * self.scatter:.0f} % ({100 * self.scatter_low:.0f} to {100 * self.scatter_high:.0f} %), error of one figure {100 * self.error:.2g} %."
        )

    def to_json(self) -> dict:
        return {**asdict(self), "sentence": self.sentence}


def compare_lots(
    first: Sequence[ValveFigure], second: Sequence[ValveFigure], names: tuple[str, str] = ("first lot", "second lot"), level: float = 0.95
) -> LotRatio:
    """Ratio of the second lot to the first, with its interval.

    Parameters
    ----------
    first, second : sequence of ValveFigure
        One figure per valve; repeats of one valve are to be put together beforehand.
    names : pair of str
        For the sentence.
    level : float
        Of the intervals [1].

    Returns
    -------
    LotRatio
        Ratio of geometric means.  The scatter between valves is what is left beyond the errors
        given (moment estimate, interval by inverting its chi-square); the interval of the ratio is
        Student's with so many valves less two, never narrower than the errors alone allow.

    Raises
    ------
    FitRefused
        Fewer than three valves in a lot.
    ValueError
        A value that is not above zero, an error below zero, a valve named twice in a lot.

    Examples
    --------
    >>> old = [ValveFigure(f"A{k}", v) for k, v in enumerate([1.0, 1.2, 0.8, 1.1])]
    >>> new = [ValveFigure(f"B{k}", v) for k, v in enumerate([1.7, 1.5, 2.1, 1.6])]
    >>> compare_lots(old, new).sentence[:68]
    'second lot is 1.7 times first lot (1.3 to 2.2, 95 % interval), more '
    """
    from scipy import stats
    from scipy.optimize import brentq

    lots = (list(first), list(second))
    for name, lot in zip(names, lots, strict=True):
        _check(name, lot)
    y = np.log([v.value for lot in lots for v in lot])
    variance = np.array([v.error**2 for lot in lots for v in lot])
    lot = np.repeat([0, 1], [len(lots[0]), len(lots[1])])
    freedom = len(y) - 2

    def spread(between: float) -> float:
        """Squared residuals over their variances; falls as `between` grows."""
        return sum(_weighted(y[lot == k], variance[lot == k] + between)[2] for k in (0, 1))

    def between_at(wanted: float) -> float:
        least = 1e-12 * (1.0 + variance.max())
        if spread(least) <= wanted:
            return 0.0
        most = 1.0
        while spread(most) > wanted:
            most *= 10.0
        return brentq(lambda x: spread(x) - wanted, least, most)

    between = between_at(freedom)
    half = 0.5 * (1.0 - level)
    low2, high2 = between_at(stats.chi2.ppf(1.0 - half, freedom)), between_at(stats.chi2.ppf(half, freedom))
    total = variance + max(between, 1e-24)
    means = [_weighted(y[lot == k], total[lot == k]) for k in (0, 1)]
    # Where valves agree better than their errors say, that is chance: the errors stay.
    inflate = max(1.0, spread(max(between, 1e-24)) / freedom)
    wide = np.sqrt((means[0][1] + means[1][1]) * inflate)
    difference = means[1][0] - means[0][0]
    reach = stats.t.ppf(1.0 - half, freedom) * wide
    chance = 2.0 * stats.t.sf(abs(difference) / wide, freedom) if wide > 0.0 else 0.0
    ratio, low, high = np.exp([difference, difference - reach, difference + reach])
    return LotRatio(
        names, (len(lots[0]), len(lots[1])), float(ratio), float(low), float(high), level, float(chance),
        float(np.sqrt(between)), float(np.sqrt(low2)), float(np.sqrt(high2)), float(np.sqrt(np.mean(variance))),
    )  # fmt: skip


def _check(name: str, lot: list[ValveFigure]) -> None:
    wrong = [f"{v.valve}: value {v.value:g}, error {v.error:g}" for v in lot if not (0.0 < v.value < np.inf and 0.0 <= v.error < np.inf)]
    if wrong:
        raise ValueError(f"{name}: values must be above 0 and errors 0 or more, not {'; '.join(wrong)}")
    seen = [v.valve for v in lot]
    twice = sorted({v for v in seen if seen.count(v) > 1})
    if twice:
        raise ValueError(f"{name}: {', '.join(twice)} stands there more than once; put the repeats of a valve together first")
    if len(lot) < FEWEST_VALVES:
        raise FitRefused(name, [Reason(f"{len(lot)} valves: their scatter cannot be judged from fewer than {FEWEST_VALVES}", "measure more valves of it")])


def _weighted(y: np.ndarray, variance: np.ndarray) -> tuple[float, float, float]:
    """Weighted mean, its variance, and the squared residuals over their variances."""
    weight = 1.0 / variance
    mean = float(weight @ y / weight.sum())
    return mean, float(1.0 / weight.sum()), float(weight @ (y - mean) ** 2)
