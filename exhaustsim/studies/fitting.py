"""Fitting a curve to a logged pressure: the parameters, how far each may be off, and what the readings cannot tell.

A `Model` is a curve of pressure against time with a few parameters.  `fit` finds the parameters
by least squares of the logarithm of the pressure.  Readings at the foot or the end of the scale
count as "no more than" or "no less than"; spikes are found, left out and listed; scatter that
hangs together is allowed for, so that many readings do not pass for much knowledge.  Each
parameter comes with an interval that need not be symmetric.  `choose` says how many terms the
readings support.  Where they support nothing, `FitRefused` says why and what to measure next.

The scale error of the gauge is the same for all readings and does not average out: it widens the
interval of every rate and pressure, and leaves times and exponents alone.

Not modelled: a gauge whose scale error differs from decade to decade, other than steps where the
range is changed; scatter that grows along the log; readings below the foot of the scale that hang
together (each counts for less, by the same share as the readings beside it).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from exhaustsim.plant.trace import GOOD, Trace
from exhaustsim.studies import fitintervals
from exhaustsim.studies.fitmodel import FitRefused, Model, Parameter, Reason
from exhaustsim.studies.fitproblem import Problem, Readings, State, bounded, clear, prepare, read, settle, worth
from exhaustsim.studies.leastsquares import covariance, solve
from exhaustsim.studies.scatter import LEAST, likeliest, runs_test, whiten

#: Readings that a parameter wants at the least; practice of the trade.
PER_PARAMETER = 5
#: Points of the corrected information criterion within which the simpler model is taken; usage of the criterion.
#: Lead of the criterion that a curve with more parameters must have.  Two points are usage for one spare parameter; here a dozen curves
#: stand by, and a spare term whose time constant means nothing is worth more than one: on made logs four keep the too complex below one in ten.
WITHIN = 4.0
#: Chance below which the runs of the residuals speak against a model; our own choice.
RUNS_LIMIT = 0.01
#: Correlation of two parameters above which they are told as trading off; our own choice.
TRADES_OFF = 0.9

__all__ = ["Choice", "Fit", "FitRefused", "Fitted", "Model", "Parameter", "Reason", "choose", "fit", "with_intervals"]


@dataclass(frozen=True)
class Fitted:
    """A parameter with its interval, SI."""

    name: str
    value: float
    low: float  # minus infinity or the bound where the readings set no lower end
    high: float
    unit: str
    freedom: float  # degrees of freedom behind the interval [1]
    open_low: bool = False  # the readings set no lower end
    open_high: bool = False


@dataclass(frozen=True, eq=False)
class Fit:
    """A model fitted to a trace."""

    model: Model
    trace: Trace
    parameters: tuple[Fitted, ...]
    level: float  # of the intervals [1]
    intervals: str | None  # "profile", "bootstrap", "both" or None
    scatter: float  # standard deviation of the logarithm of a reading [1]
    correlation_time: float  # s
    scale_error: float  # standard deviation of the logarithm of the gauge's scale [1]
    criterion: float  # corrected information criterion, smaller is better
    runs_test: float  # chance of so few changes of side of the residuals
    residuals: np.ndarray  # (n,) logarithm of reading over curve; NaN where there is no good reading
    down_weighted: np.ndarray  # indices into the trace of readings left out as struck
    correlation: np.ndarray  # (k, k) between the parameters as fitted
    used: int  # good readings that were fitted
    bounds_used: int  # readings that count as a bound
    averaged: int = 1  # most readings in one mean, where a long log was averaged before the fit
    cautions: tuple[Reason, ...] = ()
    bootstrap: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    _state: State | None = field(default=None, repr=False)

    def __getitem__(self, name: str) -> Fitted:
        for found in self.parameters:
            if found.name == name:
                return found
        raise KeyError(f"no parameter {name!r}; there are {', '.join(p.name for p in self.parameters)}")

    @property
    def values(self) -> np.ndarray:
        """(k,) best values, SI."""
        return np.array([p.value for p in self.parameters])

    def pressure(self, time) -> np.ndarray:
        """The fitted curve [Pa] at moments [s]."""
        return self.model.pressure(self.values, np.asarray(time, float))

    def term(self, name: str, time) -> np.ndarray:
        """One term of the fitted curve [Pa] at moments [s]."""
        if name not in self.model.terms:
            raise KeyError(f"no term {name!r}; there are {', '.join(self.model.terms)}")
        return self.model.terms[name](self.values, np.asarray(time, float))

    def band(self, time) -> tuple[np.ndarray, np.ndarray]:
        """Lower and upper end [Pa] of the fitted curve at moments [s], to first order, scale error included."""
        from scipy.stats import norm, t

        time = np.asarray(time, float)
        state = self._state
        at = state.minimum.values[: len(self.parameters)]
        slope = state.problem.log_slope(at, time)
        spread = covariance(state.minimum)[: len(at), : len(at)] * state.scatter.sigma**2
        own = np.maximum(np.einsum("ij,jk,ik->i", slope, spread, slope), 0.0)
        far = t.isf(0.5 * (1.0 - self.level), min((p.freedom for p in self.parameters), default=1.0))
        half = np.sqrt(far**2 * own + (norm.isf(0.5 * (1.0 - self.level)) * self.scale_error) ** 2)
        middle = self.pressure(time)
        return middle * np.exp(-half), middle * np.exp(half)

    def extrapolate(self, time: float) -> tuple[float, float, float]:
        """Pressure at a moment beyond the log [s], with its interval [Pa].

        Raises
        ------
        FitRefused
            More than a decade beyond the readings in time, or in pressure.
        """
        here = self.trace.usable()
        seen = self.trace.time[here]
        zero = min(float(seen[0]), 0.0)
        pressure = float(self.pressure(np.array([time]))[0])
        low, high = (float(x[0]) for x in self.band(np.array([time])))
        reasons = []
        if time - zero > 10.0 * (seen[-1] - zero):
            reasons.append(Reason(
                f"{time:.4g} s is more than a decade beyond the last reading at {seen[-1]:.4g} s",
                f"go on reading until {0.1 * time:.3g} s at the least"))  # fmt: skip
        lowest = float(np.min(self.trace.reading[here]))
        if pressure < 0.1 * lowest:
            reasons.append(Reason(
                f"the curve gives {pressure:.3g} Pa, more than a decade below the lowest reading of {lowest:.3g} Pa",
                "read on with a gauge that reaches lower"))  # fmt: skip
        if reasons:
            raise FitRefused(self.model.name, reasons)
        return pressure, low, high

    def in_words(self) -> list[str]:
        """What a person should know of the fit, a sentence each."""
        return _told(self)

    def to_json(self) -> dict:
        """Plain numbers; keys of SI values end in their unit where it is not that of the parameter."""
        return {
            "model": self.model.name, "words": self.model.words, "trace": self.trace.name, "level": self.level,
            "intervals": self.intervals,
            "parameters": [
                {"name": p.name, "value": p.value, "low": None if p.open_low else p.low, "high": None if p.open_high else p.high,
                 "unit": p.unit, "freedom": p.freedom}
                for p in self.parameters
            ],
            "bootstrap": {name: list(ends) for name, ends in self.bootstrap.items()},
            "scatter": self.scatter, "correlation_time_s": self.correlation_time, "scale_error": self.scale_error,
            "criterion": self.criterion, "runs_test": self.runs_test,
            "used": self.used, "bounds_used": self.bounds_used, "averaged": self.averaged,
            "down_weighted": self.down_weighted.tolist(), "correlation": self.correlation.tolist(),
            "told": self.in_words(), "cautions": [r.words for r in self.cautions],
        }  # fmt: skip


def fit(
    model: Model, trace: Trace, *, scale_error: float = 0.0, loss: str = "robust", intervals: str | None = "profile",
    level: float = 0.95, seed: int = 0, progress: Callable[[float, str], None] | None = None, range_step: float = 0.0,
) -> Fit:  # fmt: skip
    """Fit a model to a trace.

    Parameters
    ----------
    model : Model
    trace : Trace
    scale_error : float
        Standard deviation of the logarithm of the gauge's scale [1]; 0.1 for a gauge good to 10 %.
    loss : str
        "robust" finds spikes and leaves them out; "squares" takes every reading as it is.
    intervals : str or None
        "profile", "bootstrap" (blocks of residuals), "both", or None for values alone.
    level : float
        Of the intervals [1].
    seed : int
        Of the bootstrap.
    progress : callable, optional
        Called with the share done [1] and a word.
    range_step : float
        Standard deviation of the logarithm of the scale of one range about that of the gauge [1]; a
        range ends where readings are marked as spoiled.  0: no steps.

    Returns
    -------
    Fit

    Raises
    ------
    FitRefused
        What speaks against the fit, all of it, with what to measure next.
    ValueError
        Options that do not exist.

    Examples
    --------
    >>> from exhaustsim.studies.instrument import Instrument, log_of
    >>> falling = Model("decay", "one exponential", (Parameter("first", 1.0, 1e-9, 1e9, "Pa"), Parameter("time", 1.0, 1e-3, 1e3, "s")),
    ...     lambda v, t: v[0] * np.exp(-t / v[1]))
    >>> t = np.linspace(0.0, 6.0, 60)
    >>> found = fit(falling, log_of(Instrument(scatter=0.03), t, 5.0 * np.exp(-t / 2.0), seed=1))
    >>> bool(found["time"].low < 2.0 < found["time"].high)
    True
    """
    if loss not in ("robust", "squares"):
        raise ValueError(f'no loss {loss!r}; there are "robust" and "squares"')
    if intervals not in (None, "profile", "bootstrap", "both"):
        raise ValueError(f'no intervals {intervals!r}; there are "profile", "bootstrap", "both" and None')
    say = progress or (lambda share, words: None)
    readings = read(trace, range_step)
    reasons = _refusals(model, trace, readings)
    if reasons:
        raise FitRefused(model.name, reasons)
    say(0.0, "looking for a start and for spikes")
    problem, start, sigma, struck = prepare(Problem(model, readings, range_step), loss)
    say(0.2, "fitting")
    found = _fitted(problem, start, sigma, trace, readings.index[struck], level, scale_error)
    if intervals is not None:
        found = with_intervals(found, intervals, seed=seed, progress=progress)
    say(1.0, "fitted")
    return found


def _fitted(problem: Problem, start: np.ndarray, sigma: float, trace: Trace, struck: np.ndarray, level: float, scale_error: float) -> Fit:
    """The fit of a prepared problem, without intervals; refused where the model says so."""
    found = _gather(problem, settle(problem, start, sigma), trace, struck, level, scale_error)
    reasons = list(problem.model.after(found)) if problem.model.after is not None else []
    if reasons:
        raise FitRefused(problem.model.name, reasons)
    return found


def _refusals(model: Model, trace: Trace, readings: Readings) -> list[Reason]:
    """What speaks against the fit before it is made."""
    reasons = []
    count, need = len(readings.time), PER_PARAMETER * len(model.parameters)
    if count + len(readings.side) == 0:
        reasons.append(Reason("there is no usable reading", "look at what the reader marked, and why"))
    elif count < need:
        reasons.append(Reason(
            f"{count} good readings for {len(model.parameters)} parameters; {need} are needed, five for each",
            "read more often, or for longer"))  # fmt: skip
    if count and model.before is not None:
        reasons.extend(model.before(trace))
    return reasons


def _gather(problem: Problem, state: State, trace: Trace, struck: np.ndarray, level: float, scale_error: float) -> Fit:
    """The fit, without intervals."""
    readings, scatter = problem.readings, state.scatter
    inside = state.minimum.values
    size = len(problem.model.parameters)
    error, _ = problem.raw(inside)
    whitened, _ = whiten(readings.time, error / readings.breadth, scatter, readings.share)
    count = len(error)
    spread = covariance(state.minimum)[:size, :size]
    own = np.sqrt(np.maximum(np.diag(spread), 1e-300))
    correlation = spread / np.outer(own, own)
    np.fill_diagonal(correlation, 1.0)
    residuals = np.full(len(trace), np.nan)
    good = trace.usable() & (trace.mark == GOOD)
    with np.errstate(all="ignore"):
        residuals[good] = np.log(trace.reading[good]) - problem.log_curve(inside[:size], trace.time[good])
    values = problem.values(inside[:size])
    parameters = tuple(
        Fitted(p.name, float(v), math.nan, math.nan, p.unit, float(f))
        for p, v, f in zip(problem.model.parameters, values, state.freedom, strict=False)
    )
    cautions = []
    if scatter.sigma <= 1.01 * LEAST:
        cautions.append(Reason("the readings do not scatter: they were calculated, or the meter did not move; the intervals mean nothing"))
    independent = len(readings.time) * worth(readings.time, scatter)
    if independent < PER_PARAMETER * size:
        cautions.append(Reason(
            f"the scatter hangs together over {scatter.time:.3g} s: {count} readings are worth about {max(independent, 1.0):.0f}",
            "read for longer; reading more often brings nothing"))  # fmt: skip
    # Means of what hangs together lean on the mean before by more than the law of the scatter says, on none further back.
    chance = runs_test(whitened[clear(problem, inside, scatter.sigma)][:: 2 if readings.averaged > 1 else 1])
    if chance < RUNS_LIMIT:
        cautions.append(Reason(
            f"the residuals change side too seldom (chance {chance:.1g}): the curve bends otherwise than the readings",
            "try a model with another term, or look for an event in the log"))  # fmt: skip
    criterion = _criterion(problem, inside, scatter.sigma)
    return Fit(
        problem.model, trace, parameters, level, None, scatter.sigma, scatter.time, scale_error, criterion, chance, residuals, struck,
        correlation, int(good.sum()) - len(struck), len(readings.side), readings.averaged, tuple(cautions), {}, state,
    )  # fmt: skip


def _criterion(problem: Problem, inside: np.ndarray, sigma: float) -> float:
    """Corrected information criterion, by the scatter that suits the curve best."""
    readings, size = problem.readings, len(problem.model.parameters)
    low, high = problem.bounds()
    for _ in range(2):
        error = problem.raw(inside)[0] / readings.breadth
        here = clear(problem, inside, sigma)
        scatter, _ = likeliest(readings.time[here], error[here], readings.share[here], sigma)
        inside = solve(lambda u, s=scatter: problem.residuals(u, s), inside, low, high, steps=20, tolerance=1e-6, damping=1e-3).values
    whitened, logs = whiten(readings.time, problem.raw(inside)[0] / readings.breadth, scatter, readings.share)
    count = len(whitened)
    deviance = count * (math.log(2.0 * math.pi * max(float(whitened @ whitened) / count, LEAST**2)) + 1.0) + logs
    deviance += 2.0 * float(np.sum(np.log(readings.breadth)))
    if len(readings.side):
        away, _ = bounded(readings, problem.log_curve(inside[:size], readings.bound_time), scatter)
        deviance += float(away @ away) / scatter.sigma**2
    if problem.ranges:
        deviance += float(np.sum((inside[size:] / problem.range_step) ** 2))
    known = size + 2 + (scatter.own > 0.0)  # size and memory of the scatter too
    return deviance + 2.0 * known + 2.0 * known * (known + 1) / max(len(readings.time) - known - 1, 1)


def with_intervals(found: Fit, intervals: str = "profile", *, seed: int = 0, progress=None, draws: int = 400) -> Fit:
    """The same fit with intervals.

    Parameters
    ----------
    found : Fit
    intervals : str
        "profile", "bootstrap" or "both"; with both the parameters carry the profile intervals.
    seed : int
        Of the bootstrap.
    progress : callable, optional
        Called with the share done [1] and a word.
    draws : int
        Logs drawn for the bootstrap.

    Returns
    -------
    Fit

    Raises
    ------
    ValueError
        Intervals that do not exist.
    """
    say = progress or (lambda share, words: None)
    state = found._state
    if intervals not in ("profile", "bootstrap", "both"):
        raise ValueError(f'no intervals {intervals!r}; there are "profile", "bootstrap" and "both"')

    def with_scale(pairs):
        each = zip(found.model.parameters, found.parameters, pairs, strict=True)
        return {p.name: fitintervals.widened(p, at.value, pair, found.level, found.scale_error) for p, at, pair in each}

    drawn = with_scale(fitintervals.drawn(state, found.level, seed, draws, say)) if intervals != "profile" else {}
    ends = with_scale(fitintervals.profile(state, found.level, say)) if intervals != "bootstrap" else drawn
    parameters = []
    for p, at in zip(found.model.parameters, found.parameters, strict=True):
        low, high = ends[p.name]
        outer_low, outer_high = (0.0 if p.positive else p.low), p.high
        parameters.append(replace(
            at, low=outer_low if low is None else low, high=outer_high if high is None else high,
            open_low=low is None, open_high=high is None))  # fmt: skip
    return replace(found, parameters=tuple(parameters), intervals=intervals, bootstrap=drawn)


def _told(found: Fit) -> list[str]:
    """Sentences on a fit."""
    told = []
    for p in found.parameters:
        if math.isnan(p.low):
            told.append(f"{p.name}: {p.value:.3g} {p.unit}")
        elif p.open_low and p.open_high:
            told.append(f"{p.name}: the readings say nothing of it")
        elif p.open_low:
            told.append(f"{p.name}: no more than {p.high:.3g} {p.unit}; the readings set no lower end")
        elif p.open_high:
            told.append(f"{p.name}: no less than {p.low:.3g} {p.unit}; the readings set no upper end")
        else:
            told.append(f"{p.name}: {p.value:.3g} {p.unit}, {p.low:.3g} to {p.high:.3g}")
    names = [p.name for p in found.parameters]
    for a in range(len(names)):
        for b in range(a):
            if abs(found.correlation[a, b]) > TRADES_OFF:
                told.append(
                    f"{names[b]} and {names[a]} trade off: the readings fix the two together (correlation {found.correlation[a, b]:.2f}), not each"
                )
    told.append(f"scatter {100.0 * found.scatter:.2g} %" + (f", hangs together over {found.correlation_time:.3g} s" if found.correlation_time else ""))
    if found.averaged > 1:
        told.append(
            f"a long log: neighbouring readings were averaged before the fit, up to {found.averaged} in one; the scatter of such means was measured"
        )
    if found.bounds_used:
        told.append(f"{found.bounds_used} readings count as bounds: they stand at an end of the scale")
    if len(found.down_weighted):
        moments = ", ".join(f"{t:.4g}" for t in found.trace.time[found.down_weighted][:8])
        more = f" and {len(found.down_weighted) - 8} more" if len(found.down_weighted) > 8 else ""
        told.append(f"left out as struck: {len(found.down_weighted)} readings, at {moments}{more} s")
    if found.scale_error:
        told.append(f"the scale of the gauge, good to {100.0 * found.scale_error:.2g} %, widens every rate and pressure and does not average out")
    return told + [r.words for r in found.cautions]


@dataclass(frozen=True, eq=False)
class Choice:
    """Which of several models the readings support."""

    fit: Fit
    fits: tuple[Fit, ...]  # all that were fitted, simplest first
    refused: Mapping[str, FitRefused]
    words: tuple[str, ...]

    def in_words(self) -> list[str]:
        """Why this one, a sentence each."""
        return list(self.words)

    def to_json(self) -> dict:
        """Plain numbers and sentences."""
        return {
            "chosen": self.fit.model.name, "words": list(self.words), "fit": self.fit.to_json(),
            "criteria": {f.model.name: f.criterion for f in self.fits},
            "runs_tests": {f.model.name: f.runs_test for f in self.fits},
            "refused": {name: [r.words for r in no.reasons] for name, no in self.refused.items()},
        }  # fmt: skip


def choose(
    models: Sequence[Model], trace: Trace, *, intervals: str | None = "profile", seed: int = 0,
    progress: Callable[[float, str], None] | None = None, **options,
) -> Choice:  # fmt: skip
    """The simplest model that the readings support.

    Every model is fitted.  Of those whose corrected information criterion is within 4 of the best
    the one with the fewest parameters is taken; if its residuals change side too seldom, the next
    one that does not.

    Parameters
    ----------
    models : sequence of Model
    trace : Trace
    intervals, seed, progress, **options
        As for `fit` [as there].

    Returns
    -------
    Choice

    Raises
    ------
    FitRefused
        Every model is refused; the reasons of all.
    """
    fits, refused, prepared = [], {}, {}
    loss, range_step = options.pop("loss", "robust"), options.pop("range_step", 0.0)
    level, scale_error = options.pop("level", 0.95), options.pop("scale_error", 0.0)
    if options:
        raise TypeError(f"no option {', '.join(options)}")
    readings = read(trace, range_step)
    for number, model in enumerate(models):
        if progress:
            progress(0.4 * number / len(models), model.name)
        try:
            reasons = _refusals(model, trace, readings)
            if reasons:
                raise FitRefused(model.name, reasons)
            prepared[model.name] = prepare(Problem(model, readings, range_step), loss)
        except FitRefused as no:
            refused[model.name] = no
    if prepared:
        # All models are held against the same readings, those that the closest curve leaves: otherwise a
        # curve could win by calling what it misses struck.
        common, _, _, struck = min(prepared.values(), key=lambda found: found[2])
        for name, (problem, start, sigma, _) in prepared.items():
            try:
                problem = replace(problem, readings=common.readings)
                fits.append(_fitted(problem, start, sigma, trace, readings.index[struck], level, scale_error))
            except FitRefused as no:
                refused[name] = no
    if not fits:
        raise FitRefused(trace.name, [r for no in refused.values() for r in no.reasons])
    fits.sort(key=lambda f: (len(f.parameters), f.criterion))
    best = min(f.criterion for f in fits)
    near = [f for f in fits if f.criterion <= best + WITHIN]
    taken = next((f for f in near if f.runs_test >= RUNS_LIMIT), near[0])
    words = [f"{taken.model.name}: {taken.model.words}"]
    others = [f for f in near if f is not taken]
    if others:
        words.append(f"the readings do not tell it from {', '.join(f.model.name for f in others)}; the simplest within {WITHIN:g} of the best is taken")
    worse = sorted((f for f in fits if f not in near), key=lambda f: f.criterion)
    if worse:
        told = ", ".join(f"{f.model.name} by {f.criterion - best:.1f}" for f in worse[:3])
        more = f", {len(worse) - 3} others by more" if len(worse) > 3 else ""
        words.append(f"worse by the corrected information criterion: {told}{more}")
    words += [f"{name} is ruled out: {no.reasons[0].words}" for name, no in refused.items()]
    if intervals is not None:
        taken = with_intervals(taken, intervals, seed=seed, progress=progress)
    return Choice(taken, tuple(fits), refused, tuple(words))
