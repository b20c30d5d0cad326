"""Structured stiff stepper: one-step Rosenbrock method over an arrowhead of arrays.

The stepper knows arrays only.  A state is laid out as [core | leaves | quadratures]:

* core: a few dozen unknowns that all act on one another (temperatures, gas amounts, mirror);
* leaves: many unknowns, each coupled to itself and to a few of the core (surface populations,
  stocks, diffusion clocks); they are eliminated by scalars before the core is factorised;
* quadratures: running totals that nothing depends on; they follow by substitution.

Because every flow enters the equations twice with opposite sign and the linear systems are
solved exactly, totals that the equations keep are kept by the steps to round-off, whatever
the tolerance.

Method: Rodas5P, order 5(4), 8 stages, stiffly accurate, with a dense output of order 4
[Steinebach2023].
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from exhaustsim.compiled import kernel

GAMMA = 0.21193756319429014

# Stage weights A, C; stage times; weights of the time derivative (rows: stages 1 to 8) [Steinebach2023].
STAGE_A = np.zeros((8, 8))
STAGE_A[1, :1] = [3.0]
STAGE_A[2, :2] = [2.849394379747939, 0.45842242204463923]
STAGE_A[3, :3] = [-6.954028509809101, 2.489845061869568, -10.358996098473584]
STAGE_A[4, :4] = [2.8029986275628964, 0.5072464736228206, -0.3988312541770524, -0.04721187230404641]
STAGE_A[5, :5] = [
    -7.502846399306121, 2.561846144803919, -11.627539656261098, -0.18268767659942256, 0.030198172008377946,
]  # fmt: skip
STAGE_A[6, :6] = [*STAGE_A[5, :5], 1.0]
STAGE_A[7, :7] = [*STAGE_A[5, :5], 1.0, 1.0]
STAGE_C = np.zeros((8, 8))
STAGE_C[1, :1] = [-14.155112264123755]
STAGE_C[2, :2] = [-17.97296035885952, -2.859693295451294]
STAGE_C[3, :3] = [147.12150275711716, -1.41221402718213, 71.68940251302358]
STAGE_C[4, :4] = [165.43517024871676, -0.4592823456491126, 42.90938336958603, -5.961986721573306]
STAGE_C[5, :5] = [
    24.854864614690072, -3.0009227002832186, 47.4931110020768, 5.5814197821558125, -0.6610691825249471,
]  # fmt: skip
STAGE_C[6, :6] = [
    30.91273214028599, -3.1208243349937974, 77.79954646070892, 34.28646028294783, -19.097331116725623,
    -28.087943162872662,
]  # fmt: skip
STAGE_C[7, :7] = [
    37.80277123390563, -3.2571969029072276, 112.26918849496327, 66.9347231244047, -40.06618937091002,
    -54.66780262877968, -9.48861652309627,
]  # fmt: skip
STAGE_TIME = np.array([0.0, 0.6358126895828704, 0.4095798393397535, 0.9769306725060716, 0.4288403609558664, 1.0, 1.0, 1.0])
STAGE_D = np.array([
    0.21193756319429014, -0.42387512638858027, -0.3384627126235924, 1.8046452872882734, 2.325825639765069, 0.0, 0.0, 0.0,
])  # fmt: skip
DENSE = np.array([
    [25.948786856663858, -2.5579724845846235, 10.433815404888879, -2.3679251022685204, 0.524948541321073,
     1.1241088310450404, 0.4272876194431874, -0.17202221070155493],
    [-9.91568850695171, -0.9689944594115154, 3.0438037242978453, -24.495224566215796, 20.176138334709044,
     15.98066361424651, -6.789040303419874, -6.710236069923372],
    [11.419903575922262, 2.8879645146136994, 72.92137995996029, 80.12511834622643, -52.072871366152654,
     -59.78993625266729, -0.15582684282751913, 4.883087185713722],
])  # fmt: skip

STEP_GROWTH = 8.0
STEP_SHRINK = 0.1
STEP_MARGIN = 0.9


class Shape(NamedTuple):
    """Which entries of the Jacobian exist.  Integer arrays; `*_ptr[i]:*_ptr[i+1]` belongs to row i."""

    core: int  # unknowns in the core
    leaves: int
    quadratures: int
    leaf_ptr: np.ndarray  # (leaves + 1,) entries of a leaf's own equation ...
    leaf_col: np.ndarray  # ... that depend on these core unknowns
    back_ptr: np.ndarray  # (leaves + 1,) core equations ...
    back_row: np.ndarray  # ... that depend on the leaf
    quad_ptr: np.ndarray  # (quadratures + 1,)
    quad_col: np.ndarray  # core unknowns, or core + leaf number


class Jacobian(NamedTuple):
    """Values that belong to a `Shape`."""

    core: np.ndarray  # (core, core)
    leaf_diagonal: np.ndarray  # (leaves,)
    leaf: np.ndarray  # like Shape.leaf_col
    back: np.ndarray  # like Shape.back_row
    quad: np.ndarray  # like Shape.quad_col
    time: np.ndarray  # (states,) explicit time derivative of the rates


def new_jacobian(shape: Shape) -> Jacobian:
    """Empty value arrays for `shape`."""
    return Jacobian(
        np.zeros((shape.core, shape.core)),
        np.zeros(shape.leaves),
        np.zeros(len(shape.leaf_col)),
        np.zeros(len(shape.back_row)),
        np.zeros(len(shape.quad_col)),
        np.zeros(shape.core + shape.leaves + shape.quadratures),
    )


@kernel
def factorise(shape, jacobian, shift, matrix, leaf_inverse):
    """Factorise W = shift * 1 - J: leaves by scalars, then the core by elimination without pivoting.

    Fills `matrix` (core, core) with L and U, one column after the other (`matrix[column, row]`), so
    that every inner loop runs along memory, and `leaf_inverse` (leaves,) with 1/W_ll.
    The diagonal dominates for the shifts that a converging step uses, so no pivoting is
    needed; a useless factorisation shows as a not-a-number or a rejected step.
    """
    n = shape.core
    for i in range(n):
        for j in range(n):
            matrix[j, i] = -jacobian.core[i, j]
        matrix[i, i] += shift
    for leaf in range(shape.leaves):
        inverse = 1.0 / (shift - jacobian.leaf_diagonal[leaf])
        leaf_inverse[leaf] = inverse
        for r in range(shape.back_ptr[leaf], shape.back_ptr[leaf + 1]):
            factor = jacobian.back[r] * inverse
            row = shape.back_row[r]
            for c in range(shape.leaf_ptr[leaf], shape.leaf_ptr[leaf + 1]):
                matrix[shape.leaf_col[c], row] -= factor * jacobian.leaf[c]
    for k in range(n):
        column = matrix[k]
        inverse = 1.0 / column[k]
        for i in range(k + 1, n):
            column[i] *= inverse
        for j in range(k + 1, n):
            other = matrix[j]
            factor = other[k]
            if factor != 0.0:
                for i in range(k + 1, n):
                    other[i] -= column[i] * factor
        column[k] = inverse


@kernel
def solve(shape, jacobian, shift, matrix, leaf_inverse, x):
    """Solve W x = b in place (`x` holds b on entry) with the factors of `factorise`."""
    n = shape.core
    for leaf in range(shape.leaves):
        part = x[n + leaf] * leaf_inverse[leaf]
        for r in range(shape.back_ptr[leaf], shape.back_ptr[leaf + 1]):
            x[shape.back_row[r]] += jacobian.back[r] * part
    for j in range(n):
        column = matrix[j]
        known = x[j]
        for i in range(j + 1, n):
            x[i] -= column[i] * known
    for j in range(n - 1, -1, -1):
        column = matrix[j]
        known = x[j] * column[j]
        x[j] = known
        for i in range(j):
            x[i] -= column[i] * known
    for leaf in range(shape.leaves):
        total = x[n + leaf]
        for c in range(shape.leaf_ptr[leaf], shape.leaf_ptr[leaf + 1]):
            total += jacobian.leaf[c] * x[shape.leaf_col[c]]
        x[n + leaf] = total * leaf_inverse[leaf]
    first = n + shape.leaves
    inverse = 1.0 / shift
    for quad in range(shape.quadratures):
        total = x[first + quad]
        for c in range(shape.quad_ptr[quad], shape.quad_ptr[quad + 1]):
            total += jacobian.quad[c] * x[shape.quad_col[c]]
        x[first + quad] = total * inverse


@kernel
def stage_state(stage, y, increments, out):
    """State at which stage `stage` (from 0) evaluates the rates."""
    n = y.size
    for i in range(n):
        out[i] = y[i]
    for j in range(stage):
        a = STAGE_A[stage, j]
        for i in range(n):
            out[i] += a * increments[j, i]


@kernel
def stage_right_side(stage, h, rate, time_derivative, increments):
    """Put the right side of stage `stage` into `increments[stage]`."""
    n = rate.size
    d = h * STAGE_D[stage]
    for i in range(n):
        increments[stage, i] = rate[i] + d * time_derivative[i]
    for j in range(stage):
        c = STAGE_C[stage, j] / h
        for i in range(n):
            increments[stage, i] += c * increments[j, i]


@kernel
def error_norm(count, y_old, y_new, error, absolute, relative, watched_first, watched_last):
    """Size of the error in units of the tolerance: mean square over all, or a tenth of the worst watched."""
    square = 0.0
    worst = 0.0
    for i in range(count):
        size = max(abs(y_old[i]), abs(y_new[i]))
        e = error[i] / (absolute[i] + relative * size)
        square += e * e
        if watched_first <= i < watched_last:
            worst = max(worst, abs(e))
        if e != e:
            return np.nan
    return max(np.sqrt(square / count), 0.1 * worst)


@kernel
def dense_weights(y_old, y_new, increments, weights):
    """Fill `weights` (3, states) for `dense_state`."""
    n = y_old.size
    for k in range(3):
        for i in range(n):
            weights[k, i] = 0.0
        for j in range(8):
            w = DENSE[k, j]
            for i in range(n):
                weights[k, i] += w * increments[j, i]


@kernel
def dense_state(theta, y_old, y_new, weights, out):
    """State at the fraction `theta` of the step, order 4."""
    for i in range(y_old.size):
        inner = weights[0, i] + theta * (weights[1, i] + theta * weights[2, i])
        out[i] = (1.0 - theta) * y_old[i] + theta * (y_new[i] + (1.0 - theta) * inner)
