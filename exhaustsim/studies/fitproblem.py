"""A model held against readings: residuals, starts, spikes, and the scatter that is left.

Readings of value are compared by the logarithm; those at the foot or the end of the scale by the
chance that a reading would lie beyond it.  Of a long log, neighbouring readings are averaged before
the fit, in blocks short enough that the curve is straight across them; how much less a mean of so
many scatters than one reading is measured in the log, not assumed.

Not modelled: readings below the foot of the scale that hang together (each counts for less, by the
same share as the readings beside it).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from exhaustsim.plant.trace import AT_LEAST, AT_MOST, GOOD, SPOILED, Trace
from exhaustsim.studies.fitmodel import FitRefused, Model, Reason
from exhaustsim.studies.leastsquares import Minimum, differences, solve
from exhaustsim.studies.scatter import Scatter, memory, resolution, whiten

#: Most readings that may be left out as struck by something; above it the curve is wrong, not the readings.  Our own choice.
MOST_STRUCK = 0.1
#: Readings above which neighbours are averaged, and starts are tried on a part only.
MANY = 4000
#: Scatters from curve and neighbours beyond which a reading is struck, at the least.  Our own choice: a spark or RF
#: makes tens of them, and a scatter that hangs together can look smaller than it is in the middle of its readings.
_STRUCK = 5.0
#: Readings looked at before and after one that may be struck: a spike that lasts longer is an event.  Our own choice.
_BESIDE = 15


@dataclass(frozen=True, eq=False)
class Readings:
    """What a fit uses of a trace."""

    index: np.ndarray  # (n,) into the trace
    time: np.ndarray  # (n,) s
    log: np.ndarray  # (n,) logarithm of the reading
    share: np.ndarray  # (n,) step of the meter as a share of the reading, as a standard deviation
    breadth: np.ndarray  # (n,) scatter of a reading over that of one of full worth: above 1 for means of fewer readings
    span: np.ndarray  # (n,) number of the range of the gauge, from 0
    bound_time: np.ndarray  # (m,) s
    bound_log: np.ndarray  # (m,)
    side: np.ndarray  # (m,) 1: no more than; -1: no less than
    averaged: int = 1  # most readings in one mean

    def only(self, kept: np.ndarray) -> Readings:
        """The readings at which `kept` (n,) is true; the bounds stay."""
        columns = ("index", "time", "log", "share", "breadth", "span")
        return replace(self, **{name: getattr(self, name)[kept] for name in columns})


@dataclass(frozen=True, eq=False)
class Problem:
    """A model and the readings it is held against, with the parameters as they are fitted (logarithms of positive ones)."""

    model: Model
    readings: Readings
    range_step: float

    def inside(self, values) -> np.ndarray:
        with np.errstate(divide="ignore"):
            return np.array([math.log(v) if p.positive else v for p, v in zip(self.model.parameters, values, strict=True)])

    def values(self, inside) -> np.ndarray:
        return np.array([math.exp(u) if p.positive else u for p, u in zip(self.model.parameters, inside, strict=False)])

    @property
    def ranges(self) -> int:
        """Number of ranges whose scales are fitted; 0 where there is only one."""
        last = int(self.readings.span.max(initial=0))
        return last + 1 if self.range_step > 0.0 and last else 0

    def bounds(self) -> tuple[np.ndarray, np.ndarray]:
        low, high = self.inside([p.low for p in self.model.parameters]), self.inside([p.high for p in self.model.parameters])
        return np.append(low, np.full(self.ranges, -1.0)), np.append(high, np.full(self.ranges, 1.0))

    def log_curve(self, inside: np.ndarray, time: np.ndarray) -> np.ndarray:
        with np.errstate(all="ignore"):
            pressure = self.model.pressure(self.values(inside), time)
            return np.log(np.where(pressure > 0.0, pressure, np.nan))

    def log_slope(self, inside: np.ndarray, time: np.ndarray) -> np.ndarray:
        """(n, k) derivatives of the logarithm of the pressure by the parameters as fitted."""
        if self.model.derivatives is None:
            low, high = self.bounds()
            size = len(self.model.parameters)
            return differences(lambda u: self.log_curve(u, time), inside, low[:size], high[:size])
        values = self.values(inside)
        with np.errstate(all="ignore"):
            pressure = self.model.pressure(values, time)
            factor = np.array([v if p.positive else 1.0 for p, v in zip(self.model.parameters, values, strict=True)])
            return self.model.derivatives(values, time) * factor / pressure[:, None]

    def raw(self, inside: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Residuals of the readings (n,) and their derivatives (n, k + ranges), neither weighted nor whitened."""
        size = len(self.model.parameters)
        error = self.readings.log - self.log_curve(inside[:size], self.readings.time)
        slope = -self.log_slope(inside[:size], self.readings.time)
        if self.ranges:
            steps = (self.readings.span[:, None] == np.arange(self.ranges)).astype(float)
            error = error - steps @ inside[size:]
            slope = np.hstack([slope, -steps])
        return error, slope

    def residuals(self, inside: np.ndarray, scatter: Scatter) -> tuple[np.ndarray, np.ndarray]:
        """Everything whose squares are added up, in units of the logarithm, with derivatives."""
        error, slope = self.raw(inside)
        both = np.column_stack([error, slope]) / self.readings.breadth[:, None]
        whitened, _ = whiten(self.readings.time, both, scatter, self.readings.share)
        errors, slopes = [whitened[:, 0]], [whitened[:, 1:]]
        if len(self.readings.side):
            size = len(self.model.parameters)
            curve = self.log_curve(inside[:size], self.readings.bound_time)
            away, by_curve = bounded(self.readings, curve, scatter)
            errors.append(away)
            bound_slope = self.log_slope(inside[:size], self.readings.bound_time) * by_curve[:, None]
            slopes.append(np.hstack([bound_slope, np.zeros((len(away), self.ranges))]))
        if self.ranges:
            size = len(self.model.parameters)
            pull = scatter.sigma / self.range_step
            errors.append(inside[size:] * pull)
            slopes.append(np.hstack([np.zeros((self.ranges, size)), np.eye(self.ranges) * pull]))
        known = [k for k, p in enumerate(self.model.parameters) if p.spread is not None]
        if known:
            start = self.inside([p.start for p in self.model.parameters])
            pulls = scatter.sigma / np.array([self.model.parameters[k].spread for k in known])
            errors.append((inside[known] - start[known]) * pulls)
            slopes.append(np.eye(len(inside))[known] * pulls[:, None])
        return np.concatenate(errors), np.vstack(slopes)


@dataclass(frozen=True, eq=False)
class State:
    """What a fit leaves behind for intervals."""

    problem: Problem
    scatter: Scatter
    minimum: Minimum
    freedom: np.ndarray


def bounded(readings: Readings, curve: np.ndarray, scatter: Scatter) -> tuple[np.ndarray, np.ndarray]:
    """Residuals of readings that are bounds, (m,), and their derivatives by the logarithm of the curve.

    The square of a residual is minus twice the logarithm of the chance that the reading lies beyond
    the bound, times sigma squared.  Where readings hang together each counts for the share
    (1 - r) / (1 + r) of one, r being the correlation with its neighbour.
    """
    from scipy.special import log_ndtr

    away = readings.side * (readings.bound_log - curve) / scatter.sigma
    chance = log_ndtr(away)
    share = worth(readings.bound_time, scatter)
    error = scatter.sigma * np.sqrt(np.maximum(-2.0 * share * chance, 1e-300))
    # d(e)/d(curve): the slope of log Phi is the density over the chance.
    density = np.exp(-0.5 * away**2 - 0.5 * math.log(2.0 * math.pi) - chance)
    return error, scatter.sigma * share * density * readings.side / error


def worth(time: np.ndarray, scatter: Scatter) -> float:
    """How much a reading counts for beside others that hang together with it [1]."""
    if scatter.time <= 0.0 or len(time) < 2:
        return 1.0
    kept = (1.0 - scatter.own) * math.exp(-float(np.median(np.diff(time))) / scatter.time)
    return (1.0 - kept) / (1.0 + kept)


def read(trace: Trace, range_step: float) -> Readings:
    """What a fit may use of a trace; with a step between ranges above 0, readings are told apart by the ranges they stand in."""
    usable = trace.usable()
    good = usable & (trace.mark == GOOD)
    bound = usable & ((trace.mark == AT_MOST) | (trace.mark == AT_LEAST))
    changes = np.cumsum((trace.mark == SPOILED)[:-1] & (trace.mark != SPOILED)[1:]) if len(trace) > 1 else np.zeros(0)
    span = np.append(0, changes).astype(int)[: len(trace)] if range_step > 0.0 else np.zeros(len(trace), int)
    return Readings(
        np.flatnonzero(good), trace.time[good].astype(float), np.log(trace.reading[good].astype(float)),
        resolution(trace)[good] / math.sqrt(12.0), np.ones(int(good.sum())), span[good],
        trace.time[bound].astype(float), np.log(trace.reading[bound].astype(float)),
        np.where(trace.mark[bound] == AT_MOST, 1.0, -1.0),
    )  # fmt: skip


def _middle(numbers: np.ndarray) -> float:
    """Standard deviation of numbers about zero, from the middle half of them (1.4826: normal law)."""
    return 1.4826 * float(np.median(np.abs(numbers)))


def prepare(problem: Problem, loss: str) -> tuple[Problem, np.ndarray, float, np.ndarray]:
    """Everything before the fit proper: a start, the spikes found and left out, a long log averaged.

    Returns the problem to fit, where to start (k,), the scatter there, and which readings were struck (n,).
    """
    start, sigma = _start(problem)
    readings = problem.readings
    struck = np.zeros(len(readings.time), bool)
    if loss == "robust":
        start, struck, sigma = _strike(problem, start, sigma)
        problem = replace(problem, readings=readings.only(~struck))
    if len(problem.readings.time) > MANY:
        problem, sigma = _averaged(problem, start, sigma)
    return problem, start, sigma, struck


def _start(problem: Problem) -> tuple[np.ndarray, float]:
    """Best of the starts, by a loss that spikes do not sway, and the scatter about it."""
    part = _thinned(problem)
    readings, model = part.readings, problem.model
    low, high = problem.bounds()
    lowest, highest = [p.low for p in model.parameters], [p.high for p in model.parameters]
    starts = [np.array([p.start for p in model.parameters])]
    if model.starts is not None:
        starts = [np.asarray(s, float) for s in model.starts(readings.time, np.exp(readings.log))] or starts
    best = None
    for values in starts:
        inside = np.clip(np.append(problem.inside(np.clip(values, lowest, highest)), np.zeros(part.ranges)), low, high)
        error, _ = part.raw(inside)
        if not np.isfinite(error).all():
            continue
        sigma = max(_middle(error), 1e-9)
        for _ in range(3):
            inside = solve(_robust(part, sigma), inside, low, high, steps=60, tolerance=1e-6).values
            error, _ = part.raw(inside)
            sigma = max(_middle(error), 1e-9)
        # One yardstick for all starts.
        height = float(np.mean(np.abs(error)))
        if best is None or height < best[0]:
            best = height, inside, sigma
    if best is None:
        raise FitRefused(model.name, [Reason("the model gives no pressure above zero from any start")])
    return best[1], best[2]


def _thinned(problem: Problem) -> Problem:
    """The problem with every so-manyth reading of a long log: for starts and spikes only."""
    count = len(problem.readings.time)
    if count <= MANY:
        return problem
    kept = np.zeros(count, bool)
    kept[:: count // (MANY // 2)] = True
    return replace(problem, readings=problem.readings.only(kept))


def _averaged(problem: Problem, start: np.ndarray, sigma: float) -> tuple[Problem, float]:
    """The problem with means of neighbouring readings.

    A block is at most a fiftieth of the time since the log began, so that the early part keeps its
    shape, and at most as long as makes `MANY` / 2 of them.  The scatter of a mean of so many
    neighbours is measured on the residuals about the start.
    """
    readings = problem.readings
    count = len(readings.time)
    gone = readings.time - readings.time[0]
    cap = gone[-1] / (0.4 * MANY)
    # Blocks of equal width in a coordinate that is logarithmic first and straight later.
    early = 50.0 * cap
    place = np.where(gone < early, 50.0 * np.log(np.maximum(gone, cap / 50.0) * 50.0 / cap), 50.0 * math.log(2500.0) + (gone - early) / cap)
    block = np.floor(place).astype(int) + (readings.span * (int(place.max()) + 2))
    firsts = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
    sizes = np.diff(np.append(firsts, count))

    def mean(column):
        return np.add.reduceat(column, firsts) / sizes

    error, _ = problem.raw(start)
    # Differences of neighbouring means tell their scatter apart from a curve that is not quite right yet.
    lengths = np.unique(np.geomspace(1, max(sizes.max(), 2), 12).astype(int))
    scatters = []
    for length in lengths:
        means = error[: count // length * length].reshape(-1, length).mean(axis=1)
        scatters.append(max(float(np.std(means)), 1e-12))
    breadth = np.exp(np.interp(np.log(sizes), np.log(lengths), np.log(scatters)))
    full = float(np.median(breadth))
    new = replace(
        readings, index=readings.index[firsts], time=mean(readings.time), log=mean(readings.log), share=np.zeros(len(firsts)),
        breadth=breadth / full, span=readings.span[firsts], averaged=int(sizes.max()),
    )  # fmt: skip
    every = max(len(readings.side) // (MANY // 2), 1)
    new = replace(new, bound_time=new.bound_time[::every], bound_log=new.bound_log[::every], side=new.side[::every])
    return replace(problem, readings=new), full


_KNEE = 1.5  # scatters beyond which a residual counts by its size instead of its square; usual


def _soft(scaled: np.ndarray) -> np.ndarray:
    size = np.abs(scaled)
    return np.where(size <= _KNEE, size**2, 2.0 * _KNEE * size - _KNEE**2)


def _robust(problem: Problem, sigma: float):
    """Residuals whose squares are Huber's loss."""

    def residuals(inside):
        error, slope = problem.residuals(inside, Scatter(sigma, 0.0))
        count = len(problem.readings.time)
        scaled = error[:count] / sigma
        soft = np.sqrt(_soft(scaled))
        far = np.abs(scaled) > _KNEE
        factor = np.where(far, _KNEE / np.maximum(soft, 1e-300), 1.0)
        error, slope = error.copy(), slope.copy()
        error[:count] = np.sign(scaled) * soft * sigma
        slope[:count] *= factor[:, None]
        return error, slope

    return residuals


def _strike(problem: Problem, start: np.ndarray, sigma: float) -> tuple[np.ndarray, np.ndarray, float]:
    """Readings that are struck by something: beyond what one good reading in twenty logs would reach.

    Beyond it both from the curve and from the middle of their neighbours: scatter that hangs
    together wanders, and does not jump.  So seldom is a good reading lost that what is left has its
    scatter unchanged, and the intervals are those of plain least squares.
    """
    from scipy.ndimage import median_filter
    from scipy.stats import norm

    count = len(problem.readings.time)
    limit = max(_STRUCK, float(norm.isf(0.025 / count)))
    window = min(2 * _BESIDE + 1, 2 * (count // 8) + 1)
    low, high = problem.bounds()
    part = _thinned(problem)
    struck = np.zeros(count, bool)
    for _ in range(3):
        start = solve(_robust(part, sigma), start, low, high, tolerance=1e-8).values
        error, _ = problem.raw(start)
        # Rounding of the meter comes on top.
        weighted = error / np.sqrt(1.0 + (problem.readings.share / max(sigma, 1e-12)) ** 2)
        sigma = max(_middle(weighted), 1e-9)
        jump = weighted - median_filter(weighted, window, mode="nearest")
        new = (np.abs(weighted) > limit * sigma) & (np.abs(jump) > limit * sigma)
        if np.array_equal(new, struck):
            break
        struck = new
    if struck.mean() > MOST_STRUCK:
        struck = np.zeros(count, bool)
    return start, struck, sigma


def settle(problem: Problem, start: np.ndarray, sigma: float) -> State:
    """Parameters, scatter and correlation time in turn, until they agree."""
    low, high = problem.bounds()
    scatter = Scatter(max(sigma, 1e-9), 0.0)
    readings = problem.readings
    freedom = None
    for turn in range(4):
        minimum = solve(lambda u, s=scatter: problem.residuals(u, s), start, low, high)
        start = minimum.values
        error, slope = problem.raw(start)
        # Parameters at a bound do not move, and swallow no scatter.
        free = minimum.free
        here = clear(problem, start, scatter.sigma)
        breadth = readings.breadth[here]
        known = memory(
            readings.time[here], slope[np.ix_(here, free)] / breadth[:, None], error[here] / breadth, readings.share[here], scatter, turn > 0
        )
        left = max(len(readings.time) - int(free.sum()), 1)
        freedom = np.full(len(start), float(left))
        freedom[free] = known.freedom
        new = replace(known.scatter, sigma=_sigma(problem, start, known.scatter, left))
        # Well inside what is known of them from any log of this kind.
        agreed = abs(math.log(new.sigma / scatter.sigma)) < 5e-3 and abs(new.time - scatter.time) <= 0.05 * new.time
        scatter = new
        if agreed and turn:
            break
    minimum = solve(lambda u: problem.residuals(u, scatter), start, low, high)
    return State(problem, scatter, minimum, freedom)


#: Scatters that the curve must keep from the ends of the scale for a reading to tell of the scatter; beyond 2 lie 2 % of them.
_CLEAR = 2.0


def clear(problem: Problem, inside: np.ndarray, sigma: float) -> np.ndarray:
    """(n,) bool: readings that would have been of value wherever their scatter had taken them.

    Near the foot only the higher readings are of value.  They lie on one side of the curve as if they
    hung together, and a long memory found in them lets the curve go anywhere.  All, when too few are clear.
    """
    readings = problem.readings
    curve = problem.log_curve(inside[: len(problem.model.parameters)], readings.time)
    foot = float(np.max(readings.bound_log[readings.side > 0.0], initial=-np.inf))
    end = float(np.min(readings.bound_log[readings.side < 0.0], initial=np.inf))
    found = (curve > foot + _CLEAR * sigma) & (curve < end - _CLEAR * sigma)
    return found if found.sum() >= max(10, 3 * len(problem.model.parameters)) else np.ones(len(curve), bool)


def _sigma(problem: Problem, inside: np.ndarray, known: Scatter, left: int) -> float:
    """Most likely scatter: from the good readings, and from the bounds where there are any."""
    readings = problem.readings
    if not len(readings.side):
        return max(known.sigma, 1e-9)
    # About the curve as it is: the likelihood of the good readings alone would move it to suit them.
    error, _ = problem.raw(inside)
    whitened, _ = whiten(readings.time, error / readings.breadth, known, readings.share)
    squares = float(whitened @ whitened)
    sigma = max(math.sqrt(squares / left), 1e-9)
    from scipy.optimize import minimize_scalar
    from scipy.special import log_ndtr

    curve = problem.log_curve(inside[: len(problem.model.parameters)], readings.bound_time)
    away, share = readings.side * (readings.bound_log - curve), worth(readings.bound_time, known)

    def height(log_sigma: float) -> float:
        s = math.exp(log_sigma)
        return left * log_sigma + 0.5 * squares / s**2 - share * float(np.sum(log_ndtr(away / s)))

    return math.exp(minimize_scalar(height, bounds=(math.log(sigma) - 1.0, math.log(sigma) + 1.0), method="bounded").x)


