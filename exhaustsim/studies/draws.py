"""The dice: what each valve of a batch drew, quantity by quantity.

Every valve has a random stream of its own, numbered by the seed and the valve, and every lot one by the
seed and the lot.  What a valve draws therefore does not depend on who computes it, in what order, or how
many others there are.  The quasi-random choice spreads the valves evenly over all that can happen
(a scrambled Sobol sequence) in place of leaving that to chance; means settle sooner with it.

Correlated quantities are drawn as correlated normal scores, each of which is then turned into its own
distribution.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from exhaustsim.plant.tolerances import Tolerance, Tolerances, correlation_matrix

LEVEL_STREAM = {"valve": 0, "lot": 1}
HALF_STEP = 2.0**-54  # puts a random number between the bounds, never on them


def uniforms(seed: int, level: str, numbers: Sequence[int], dimensions: int, quasi_random: bool) -> np.ndarray:
    """Random numbers between 0 and 1 of the valves or lots `numbers`, (number, dimension) [1]."""
    if quasi_random:
        # Two sequences that have nothing to do with each other, each at the place of the first number asked for.
        sequence = qmc.Sobol(dimensions, scramble=True, seed=np.random.default_rng([seed, LEVEL_STREAM[level]]))
        if numbers[0] > 0:
            sequence.fast_forward(int(numbers[0]))
        return _inside(sequence.random(len(numbers)))
    out = np.empty((len(numbers), dimensions))
    key = np.array([seed, LEVEL_STREAM[level]], dtype=np.uint64)
    for row, number in enumerate(numbers):
        # The last word of the counter is the valve: its stream meets no other for 2^192 numbers.
        counter = np.array([0, 0, 0, number], dtype=np.uint64)
        out[row] = np.random.Generator(np.random.Philox(key=key, counter=counter)).random(dimensions)
    return _inside(out)


def _inside(numbers: np.ndarray) -> np.ndarray:
    return np.clip(numbers, HALF_STEP, 1.0 - HALF_STEP)


@dataclass(frozen=True, eq=False)
class Dice:
    """Tolerances of one level with what the drawing says [SI] and the root of their correlations."""

    tolerances: tuple[Tolerance, ...]
    nominal: tuple[float, ...]
    root: np.ndarray  # (tolerance, tolerance): correlated scores are root @ independent ones

    def values(self, uniform: np.ndarray) -> np.ndarray:
        """What the random numbers `uniform` (valve, tolerance) come to, (valve, tolerance) [SI]."""
        scores = ndtri(uniform) @ self.root.T
        columns = [value_of(t, nominal, scores[:, k]) for k, (t, nominal) in enumerate(zip(self.tolerances, self.nominal, strict=True))]
        return np.column_stack(columns) if columns else np.empty((len(uniform), 0))


def dice_of(tolerances: Tolerances, level: str, nominal: Sequence[float], correlated: bool = True) -> Dice:
    """The dice of one level."""
    matrix = correlation_matrix(tolerances, level)
    root = _root(matrix) if correlated and matrix.size else np.eye(len(matrix))
    return Dice(tolerances.at(level), tuple(nominal), root)


def value_of(tolerance: Tolerance, nominal: float, score: np.ndarray) -> np.ndarray:
    """The value [SI] of a quantity at normal scores [1] of its scatter.

    >>> float(value_of(Tolerance("bore", "normal", sigma=5e-5), 3e-3, np.array([2.0]))[0])
    0.0031
    """
    if tolerance.quantity == "in_leak":
        # The most lucky valves have no leak; the others share the sizes of leaks among them.
        leaks = ndtr(-score) < tolerance.probability
        size = ndtri(_inside(np.where(leaks, ndtr(-score) / max(tolerance.probability, HALF_STEP), 0.5)))
        return np.where(leaks, tolerance.median * np.exp(-tolerance.sigma * size), 0.0)
    if tolerance.distribution == "lognormal":
        return nominal * np.exp(tolerance.sigma * score)
    unit = nominal if tolerance.relative else 1.0
    if tolerance.distribution == "uniform":
        departure = tolerance.offset + tolerance.sigma * (2.0 * ndtr(score) - 1.0)
    elif tolerance.distribution == "truncated_normal":
        low, high = ((x - tolerance.offset) / tolerance.sigma for x in (tolerance.low, tolerance.high))
        # Counted from the nearer tail, so that a cut far out loses no figures.
        side = -1.0 if low > 0.0 else 1.0
        ends = (-high, -low) if side < 0.0 else (low, high)
        share = ndtr(ends[0]) + ndtr(side * score) * (ndtr(ends[1]) - ndtr(ends[0]))
        departure = np.clip(tolerance.offset + side * tolerance.sigma * ndtri(share), tolerance.low, tolerance.high)
    else:
        departure = tolerance.offset + tolerance.sigma * score
    return nominal + unit * departure


def _root(matrix: np.ndarray) -> np.ndarray:
    """A square root of a correlation matrix, which may be singular: two quantities may go together wholly."""
    if np.array_equal(matrix, np.eye(len(matrix))):
        return matrix
    value, vector = np.linalg.eigh(matrix)
    return vector * np.sqrt(np.maximum(value, 0.0))
