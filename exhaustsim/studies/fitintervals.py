"""How far each fitted parameter may be off: profile intervals, and intervals from logs drawn anew.

A profile interval holds the values for which the sum of squares, the other parameters following,
has not grown beyond what the scatter explains; Student's t allows for the scatter being known
from few readings only.  The other way draws logs from blocks of the residuals, fits each, and takes
the middle 95 % of what comes out.  The two rest on different grounds; where they disagree widely,
trust neither.

Not modelled: uncertainty of which model is right.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from exhaustsim.studies.fitmodel import Model, Parameter
from exhaustsim.studies.fitproblem import Problem, Readings, State
from exhaustsim.studies.leastsquares import solve, walk
from exhaustsim.studies.scatter import colour, whiten


#: Ends of one interval; None where the readings set none.
Ends = tuple[float | None, float | None]


def widened(parameter: Parameter, value: float, ends: Ends, level: float, scale_error: float) -> Ends:
    """Ends of an interval with the scale error of the gauge, in quadrature of logarithms.

    >>> rate = Parameter("leak", 1.0, 0.0, 9.0, "Pa")
    >>> [round(e, 3) for e in widened(rate, 1.0, (0.9, 1.1), 0.95, 0.1)]
    [0.8, 1.243]
    """
    from scipy.stats import norm

    if not scale_error or not parameter.follows_scale or value == 0.0:
        return ends

    def moved(end: float | None) -> float | None:
        if end is None or end / value <= 0.0 or end == value:
            return end
        away = math.log(end / value)
        return value * math.exp(math.copysign(math.hypot(away, norm.isf(0.5 * (1.0 - level)) * scale_error), away))

    return moved(ends[0]), moved(ends[1])


def profile(state: State, level: float, say: Callable[[float, str], None]) -> list[Ends]:
    """Ends of the profile intervals: the sum of squares grown by its variance times the square of Student's t."""
    from scipy.stats import t

    low, high = state.problem.bounds()
    found = []
    parameters = state.problem.model.parameters
    for k, p in enumerate(parameters):
        say(0.3 + 0.6 * k / len(parameters), f"interval of {p.name}")
        growth = (t.isf(0.5 * (1.0 - level), state.freedom[k]) * state.scatter.sigma) ** 2
        ends = [
            walk(lambda u: state.problem.residuals(u, state.scatter), state.minimum, k, growth, low, high, towards=towards)
            for towards in (-1, 1)
        ]
        found.append(tuple(math.exp(end) if end is not None and p.positive else end for end in ends))
    return found


def drawn(state: State, level: float, seed: int, draws: int, say: Callable[[float, str], None]) -> list[Ends]:
    """Percentiles of the parameters over logs drawn from blocks of the whitened residuals.

    Blocks carry along what whitening has left of the correlation.  Drawn readings beyond the ends of
    the scale become bounds, as in the log.  What was known of a parameter beforehand is drawn anew as well: it is one
    reading more.  Scales of ranges are not.
    """
    problem, scatter, readings = state.problem, state.scatter, state.problem.readings
    size = len(problem.model.parameters)
    inside = state.minimum.values
    error, _ = problem.raw(inside)
    count, bounds = len(error), len(readings.side)
    whitened, _ = whiten(readings.time, error / readings.breadth, scatter, readings.share)
    whitened = (whitened - whitened.mean()) * math.sqrt(count / max(count - int(state.minimum.free.sum()), 1))
    gap = float(np.median(np.diff(readings.time)))
    length = int(min(max(count ** (1.0 / 3.0), 3.0 * scatter.time / gap, 2.0), max(count // 4, 1)))
    # Good readings and bounds on one axis of time.
    time = np.concatenate([readings.time, readings.bound_time])
    order = np.argsort(time, kind="stable")
    time = time[order]
    middle = np.concatenate([readings.log - error, problem.log_curve(inside[:size], readings.bound_time)])[order]
    share = np.concatenate([readings.share, np.zeros(bounds)])[order]
    breadth = np.concatenate([readings.breadth, np.ones(bounds)])[order]
    span = np.concatenate([readings.span, np.zeros(bounds, int)])[order]
    floor = float(np.min(readings.bound_log[readings.side > 0.0])) if (readings.side > 0.0).any() else -np.inf
    ceiling = float(np.max(readings.bound_log[readings.side < 0.0])) if (readings.side < 0.0).any() else np.inf
    random = np.random.default_rng(seed)
    low, high = problem.bounds()
    kept = []
    for draw in range(draws):
        if draw % 20 == 0:
            say(0.3 + 0.65 * draw / draws, "drawing logs")
        firsts = random.integers(0, count - length + 1, len(time) // length + 1)
        blocks = whitened[(firsts[:, None] + np.arange(length)).ravel()[: len(time)]]
        shown = middle + colour(time, blocks, scatter, share) * breadth
        under, over = shown <= floor, shown >= ceiling
        good = ~(under | over)
        if good.sum() <= size:
            continue
        new = Readings(
            np.flatnonzero(good), time[good], shown[good], share[good], breadth[good], span[good],
            time[~good], np.where(under, floor, ceiling)[~good], np.where(under, 1.0, -1.0)[~good],
        )  # fmt: skip
        part = replace(problem, readings=new, model=_known_anew(problem, inside, random))
        found = solve(lambda u, part=part: part.residuals(u, scatter), inside, low, high, tolerance=1e-5, steps=60, damping=1e-3)
        kept.append(part.values(found.values[:size]))
    tail = 50.0 * (1.0 - level)
    return [tuple(float(e) for e in np.percentile(column, [tail, 100.0 - tail])) for column in np.array(kept).T]


def _known_anew(problem: Problem, inside: np.ndarray, random: np.random.Generator) -> Model:
    """The model with what is known of parameters beforehand as it might as well have been, about the values fitted."""
    changed = []
    for p, u in zip(problem.model.parameters, inside, strict=False):
        if p.spread is not None:
            moved = float(u) + p.spread * float(random.standard_normal())
            p = replace(p, start=math.exp(moved) if p.positive else moved)
        changed.append(p)
    return replace(problem.model, parameters=tuple(changed))
