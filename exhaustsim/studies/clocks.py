"""By how much are the clocks of two loggers apart?

Both loggers saw the same machine, so what one gauge showed is found again in the other, shifted.
The slopes of the logarithms of both readings are laid over one another at every shift; where they
agree best is the offset.  Slopes are taken because two gauges rarely show the same height.

How sure that is comes from drawing pieces of the record again and again: where single pieces
disagree, the interval is wide.  Not modelled: a clock that runs fast or slow (the offsets of the
first and the last half are given, so that it is seen), lag of a gauge, which counts as offset.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np

from exhaustsim.plant.trace import Trace
from exhaustsim.studies.fitmodel import FitRefused, Reason

FEWEST_READINGS = 30  # in common
PIECES = 20  # that the record is cut into
DRAWS = 1000
FINER = 4  # shifts tried for every step of the grid, so that the top of their likeness is round
LEAST_LIKENESS = 0.3  # correlation at the best shift below which nothing was found again


@dataclass(frozen=True)
class ClockOffset:
    """What is to be added to the times of the second trace to bring it onto the first."""

    offset: float  # s
    low: float  # s
    high: float  # s
    level: float
    likeness: float  # correlation of the slopes at that shift
    first_half: float  # s, from the first half alone
    last_half: float  # s
    by_events: float | None  # s, median over events that both loggers wrote down; None without any

    @property
    def sentence(self) -> str:
        text = f"Add {self.offset:.2f} s ({self.low:.2f} to {self.high:.2f}, {100 * self.level:.0f} % interval) to the second clock"
        if abs(self.last_half - self.first_half) > 2.0 * (self.high - self.low):
            text += f"; it is {self.first_half:.2f} s in the first half and {self.last_half:.2f} s in the last: a clock runs wrong"
        if self.by_events is not None:
            text += f"; events that both wrote down give {self.by_events:.2f} s"
        return text + "."

    def to_json(self) -> dict:
        return {**asdict(self), "sentence": self.sentence}


def clock_offset(first: Trace, second: Trace, most: float, step: float | None = None, level: float = 0.95, seed: int = 1) -> ClockOffset:
    """Offset between the clocks of two loggers that saw the same happenings.

    Parameters
    ----------
    first, second : Trace
        Of gauges that follow one another: on one line, or on line and head.
    most : float
        Largest offset that is thought possible, either way [s].
    step : float, optional
        Of the common grid [s]; by default the coarser of the two median intervals.
    level : float
        Of the interval [1].
    seed : int
        Of the draws: same seed, same interval.

    Returns
    -------
    ClockOffset

    Raises
    ------
    FitRefused
        Too few readings in common, or nothing of one trace found again in the other.
    ValueError
        `most` or `step` not above zero.

    Examples
    --------
    >>> from exhaustsim.studies.instrument import Instrument, log_of
    >>> t = np.arange(0.0, 400.0)
    >>> p = lambda t: 1.0 + 0.5 * np.sin(t / 7.0) + 0.3 * np.sin(t / 3.1)
    >>> a, b = (log_of(Instrument(scatter=0.01), t, p(t + shift), seed) for shift, seed in ((0.0, 1), (5.0, 2)))
    >>> round(clock_offset(a, b, most=15.0).offset, 1)
    5.0
    """
    if not most > 0.0 or (step is not None and not step > 0.0):
        raise ValueError("the largest offset and the step of the grid must be above 0 s")
    times, logs = zip(*(_usable(trace) for trace in (first, second)), strict=True)
    step = step or max(float(np.median(np.diff(t))) for t in times)
    # The second record must reach `most` beyond what is laid under it, on both sides.
    start, end = max(times[0][0], times[1][0] + most), min(times[0][-1], times[1][-1] - most)
    count = int((end - start) / step) if end > start else 0
    if count < FEWEST_READINGS:
        words = f"{max(count, 0)} readings in common that stay so at an offset of {most:g} s: {FEWEST_READINGS} are needed"
        raise FitRefused("clock offset", [Reason(words, "log for longer, or allow a smaller offset only")])
    grid = start + step * np.arange(count)
    fine = step / FINER
    shifts = fine * np.arange(-int(most / fine), int(most / fine) + 1)
    slope = _slopes(grid, times[0], logs[0], step)
    # sums[k, piece] for: product of both, square of the second, both less their means over the whole
    others = np.stack([_slopes(grid - shift, times[1], logs[1], step) for shift in shifts])
    slope, others = slope - slope.mean(), others - others.mean(axis=1, keepdims=True)
    piece = np.minimum(np.arange(count) * PIECES // count, PIECES - 1)
    member = np.equal.outer(np.arange(PIECES), piece).astype(float)
    products, squares, own = (others * slope) @ member.T, others**2 @ member.T, member @ slope**2

    def best(weights: np.ndarray) -> tuple[float, float]:
        """Shift of the best agreement and the correlation there, each piece counted `weights` times."""
        likeness = products @ weights / np.sqrt(np.maximum(squares @ weights * (own @ weights), 1e-300))
        k = int(np.argmax(likeness))
        if 0 < k < len(shifts) - 1:
            left, top, right = likeness[k - 1 : k + 2]
            bend = left - 2.0 * top + right
            return float(shifts[k] + (0.5 * fine * (left - right) / bend if bend < 0.0 else 0.0)), float(likeness[k])
        return float(shifts[k]), float(likeness[k])

    offset, likeness = best(np.ones(PIECES))
    if likeness < LEAST_LIKENESS:
        words = f"nothing of the second trace is found again in the first within {most:g} s (best correlation {likeness:.2f})"
        cure = "allow a larger offset, or make both gauges see one clear event, such as a valve closed and opened"
        raise FitRefused("clock offset", [Reason(words, cure)])
    if abs(offset) >= shifts[-1] - 0.5 * step:
        raise FitRefused("clock offset", [Reason(f"the best agreement lies at the end of the range searched, {offset:g} s", "allow a larger offset")])
    random = np.random.default_rng(seed)
    drawn = np.array([best(weights)[0] for weights in random.multinomial(PIECES, np.full(PIECES, 1.0 / PIECES), DRAWS).astype(float)])
    half = 0.5 * (1.0 - level)
    low, high = np.quantile(drawn, [half, 1.0 - half])
    early = (np.arange(PIECES) < PIECES // 2).astype(float)
    shared = [a.time - b.time for a in first.events for b in second.events if a.text.strip().casefold() == b.text.strip().casefold()]
    shared = [s for s in shared if abs(s) <= most]
    return ClockOffset(
        offset, min(float(low), offset), max(float(high), offset), level, likeness, best(early)[0], best(1.0 - early)[0],
        float(np.median(shared)) if shared else None,
    )  # fmt: skip


def _usable(trace: Trace) -> tuple[np.ndarray, np.ndarray]:
    """Times and logarithms of the readings that can be used; a bound stands for what was shown."""
    use = trace.usable()
    if use.sum() < FEWEST_READINGS:
        raise FitRefused("clock offset", [Reason(f'trace "{trace.name}" has {int(use.sum())} usable readings: {FEWEST_READINGS} are needed', "log for longer")])
    # A coarse clock gives several readings one time; a slope needs times that rise, so the first of them stands for all.
    time, first = np.unique(trace.time[use], return_index=True)
    return time, np.log(trace.reading[use])[first]


def _slopes(grid: np.ndarray, time: np.ndarray, log: np.ndarray, step: float) -> np.ndarray:
    """Slope of the logarithm at each place of the grid, over one step to either side [1/s]."""
    from scipy.interpolate import CubicSpline

    # Straight pieces between readings would pull the offset towards whole steps.
    course = CubicSpline(time, log)
    ends = np.clip([grid - step, grid + step], time[0], time[-1])
    return (course(ends[1]) - course(ends[0])) / (2.0 * step)
