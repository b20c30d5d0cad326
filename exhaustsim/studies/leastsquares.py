"""Least squares of numbers: parameters within bounds, and how far each may move before the readings object.

`solve` seeks the parameters at which the sum of squares of the residuals is smallest; `walk`
moves one parameter away from there, lets the others follow, and finds where the sum has grown by
a stated amount.  The two ends of that walk are a profile interval, which need not be symmetric.

Damped Gauss-Newton steps; parameters that press against a bound are held there for the step.  A
step costs one evaluation of the residuals and one triangular factor.  General-purpose solvers do
the same with several times the overhead per step, and a profile takes hundreds of steps.

Not here: what residuals mean, see `studies/fitting.py`.  Only the nearest minimum is found: start
from several places.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

#: A residual function: parameters (k,) to residuals (n,) and their derivatives (n, k).
Residuals = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]

# Damping: below which a step counts as a full one, and how it falls and rises.  Any values of this order do.
_FULL, _EASED, _RAISED, _GIVEN_UP = 1e-3, 0.15, 4.0, 1e16


@dataclass(frozen=True, eq=False)
class Minimum:
    """Where the sum of squares is smallest."""

    values: np.ndarray  # (k,)
    squares: float  # sum of squares there
    factor: np.ndarray  # (k, k) upper triangle R with R'R = J'J
    free: np.ndarray  # (k,) bool: not held at a bound
    settled: bool  # False when the steps ran out
    steps: int


def differences(function: Callable[[np.ndarray], np.ndarray], at: np.ndarray, low, high, least: float = 1e-3) -> np.ndarray:
    """Derivatives of a vector of numbers by differences, inside the bounds.

    Parameters
    ----------
    function : callable
        Parameters (k,) to numbers (n,).
    at, low, high : (k,) float array
        Where, and the bounds [units of each parameter].
    least : float
        A parameter nearer to nought is moved as if it were this far from it [units of each parameter].

    Returns
    -------
    (n, k) float array
        Derivatives [units of the numbers per unit of each parameter]; error about 1e-10 of the scale.

    >>> differences(lambda x: x**2, np.array([3.0]), [0.0], [9.0]).round(6).tolist()
    [[6.0]]
    """
    at = np.asarray(at, float)
    columns = []
    for k, value in enumerate(at):
        move = 6e-6 * max(abs(value), least)
        above, below = at.copy(), at.copy()
        above[k], below[k] = min(value + move, high[k]), max(value - move, low[k])
        columns.append((function(above) - function(below)) / (above[k] - below[k]))
    return np.stack(columns, axis=1)


def solve(residuals: Residuals, start, low, high, *, held=None, steps: int = 200, tolerance: float = 1e-10, damping: float = 0.1) -> Minimum:
    """Parameters at which the sum of squares is smallest, from one start.

    Parameters
    ----------
    residuals : callable
        Parameters (k,) to residuals (n,) and derivatives (n, k).
    start, low, high : (k,) float array
        Start and bounds [units of each parameter].
    held : (k,) bool array, optional
        Parameters that stay at their start.
    steps : int
        Steps at most.
    tolerance : float
        Settled when a full step would lower the sum by less than this share of it [1].
    damping : float
        Of the first step [1]: small near the minimum, larger where the curve may mislead.

    Returns
    -------
    Minimum

    Raises
    ------
    ValueError
        Residuals at the start are not finite.

    Examples
    --------
    >>> line = lambda x: (np.array([x[0] - 3.0, 2.0 * x[0] - 6.0]), np.array([[1.0], [2.0]]))
    >>> solve(line, [0.0], [-9.0], [9.0]).values.round(9).tolist()
    [3.0]
    """
    low, high = np.asarray(low, float), np.asarray(high, float)
    at = np.clip(np.asarray(start, float), low, high)
    held = np.zeros(len(at), bool) if held is None else np.asarray(held, bool)
    error, slope = residuals(at)
    squares = float(error @ error)
    if not np.isfinite(squares):
        raise ValueError("the residuals at the start are not finite numbers")
    settled, taken = False, 0
    factor, projected = _factor(slope, error)
    scale = np.linalg.norm(factor, axis=0)
    while taken < steps:
        taken += 1
        downhill = -(factor.T @ projected)
        stuck = ((at <= low) & (downhill < 0.0)) | ((at >= high) & (downhill > 0.0))
        free = ~(held | stuck)
        if not free.any():
            settled = True
            break
        scale = np.maximum(scale, np.linalg.norm(factor, axis=0))
        step = np.zeros(len(at))
        step[free] = _damped(factor[:, free], projected, np.maximum(scale[free], 1e-300), damping)
        new = np.clip(at + step, low, high)
        moved = new - at
        promised = float(projected @ projected) - float(np.sum((projected + factor @ moved) ** 2))
        settled = promised <= (tolerance if damping <= _FULL else 1e-15) * squares
        error_new, slope_new = residuals(new)
        with np.errstate(all="ignore"):
            squares_new = float(error_new @ error_new)
        if np.isfinite(squares_new) and squares_new <= squares and np.isfinite(slope_new).all():
            at, squares = new, squares_new
            factor, projected = _factor(slope_new, error_new)
            damping = max(damping * _EASED, 1e-15)
        else:
            damping *= _RAISED
            if settled or damping > _GIVEN_UP:
                settled = True
                break
        if settled:
            break
    stuck = (at <= low) | (at >= high)
    return Minimum(at, squares, factor, ~(held | stuck), settled, taken)


def _factor(slope: np.ndarray, error: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Triangle R of the derivatives and the residuals turned with them, (k, k) and (k,).

    What of the residuals lies outside the derivatives cannot be lowered, and is not needed.
    """
    k = slope.shape[1]
    both = np.column_stack([slope, error])
    if len(both) <= k:
        both = np.vstack([both, np.zeros((k + 1 - len(both), k + 1))])
    turned = np.linalg.qr(both, mode="r")
    return turned[:k, :k], turned[:k, k]


def _damped(factor: np.ndarray, projected: np.ndarray, scale: np.ndarray, damping: float) -> np.ndarray:
    """The step of damped least squares, without forming J'J."""
    rows = np.vstack([factor / scale, np.sqrt(damping) * np.eye(len(scale))])
    wanted = np.concatenate([-projected, np.zeros(len(scale))])
    return np.linalg.lstsq(rows, wanted, rcond=None)[0] / scale


def covariance(minimum: Minimum) -> np.ndarray:
    """Inverse of J'J over the free parameters, (k, k); zero rows for parameters at a bound, huge where nothing is known.

    >>> one = Minimum(np.ones(1), 1.0, np.array([[2.0]]), np.array([True]), True, 1)
    >>> covariance(one).tolist()
    [[0.25]]
    """
    free = minimum.free
    size = len(free)
    found = np.zeros((size, size))
    if free.any():
        chosen = np.linalg.qr(minimum.factor[:, free], mode="r")
        # Scaled to columns of length one, so that units do not decide what counts as nothing.
        length = np.linalg.norm(chosen, axis=0)
        length[length == 0.0] = 1.0
        _, sizes, turn = np.linalg.svd(chosen / length)
        kept = np.maximum(sizes, 1e-14 * sizes[0] if sizes[0] > 0.0 else 1e-300)
        inverse = (turn.T / kept**2) @ turn / np.outer(length, length)
        found[np.ix_(free, free)] = inverse
    return found


def walk(residuals: Residuals, best: Minimum, which: int, growth: float, low, high, *, towards: int) -> float | None:
    """How far one parameter moves before the sum of squares has grown by `growth`, the others following.

    Parameters
    ----------
    residuals : callable
        As for `solve`.
    best : Minimum
        Where the sum is smallest.
    which : int
        The parameter, from 0.
    growth : float
        Growth of the sum that is allowed [units of the sum].
    low, high : (k,) float array
        Bounds [units of each parameter].
    towards : int
        -1 for the lower end, 1 for the upper.

    Returns
    -------
    float or None
        The end [units of the parameter]; None when the sum has not grown so far at the bound.

    Raises
    ------
    ValueError
        Residuals are not finite.

    Examples
    --------
    >>> line = lambda x: (np.array([x[0] - 3.0, 2.0 * x[0] - 6.0]), np.array([[1.0], [2.0]]))
    >>> best = solve(line, [0.0], [-9.0], [9.0])
    >>> round(walk(line, best, 0, 5.0, [-9.0], [9.0], towards=1), 6)
    4.0
    """
    low, high = np.asarray(low, float), np.asarray(high, float)
    bound = high[which] if towards > 0 else low[which]
    spread = covariance(best)
    own = spread[which, which]
    follow = spread[:, which] / own if own > 0.0 else np.zeros(len(low))
    follow[which] = 1.0
    wanted = np.sqrt(growth)
    held = np.zeros(len(low), bool)
    held[which] = True

    def height(value: float, start: np.ndarray) -> tuple[float, np.ndarray]:
        start = start.copy()
        start[which] = value
        found = solve(residuals, start, low, high, held=held, steps=40, tolerance=1e-5 * growth / max(best.squares, 1e-300), damping=_FULL)
        return np.sqrt(max(found.squares - best.squares, 0.0)), found.values

    # The root of the growth is a straight line where the model is linear: secant steps on it settle fast.
    first = np.sqrt(own * growth) if own > 0.0 else 1e-3 * max(abs(bound - best.values[which]), 1e-12)
    inside, inside_height, inside_values = best.values[which], 0.0, best.values
    outside = outside_height = None
    value = best.values[which] + towards * first
    for _ in range(40):
        if (value - bound) * towards >= 0.0:
            value = bound
        reached, values = height(value, np.clip(inside_values + follow * (value - inside), low, high))
        if abs(reached - wanted) <= 2e-3 * wanted:
            return float(value)
        if reached > wanted:
            outside, outside_height = value, reached
        else:
            if value == bound:
                return None
            inside, inside_height, inside_values = value, reached, values
        if outside is None:
            # Not there yet: on at the slope so far, at most fourfold, since a flat foot says nothing of the distance.
            gone = abs(value - best.values[which])
            value = best.values[which] + towards * gone * float(np.clip(wanted / max(reached, 1e-300), 1.2, 4.0))
        else:
            share = (wanted - inside_height) / max(outside_height - inside_height, 1e-300)
            value = inside + (outside - inside) * float(np.clip(share, 0.05, 0.95))
            if abs(outside - inside) <= 1e-9 * max(1.0, abs(value)):
                return float(value)
    return float(value)
