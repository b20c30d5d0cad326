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

from exhaustsim.compiled import kernel_on_arrays

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

# Sums of the stages' increments over the step and for the dense output, when an increment is written as
# what the rates gave (the coefficients gamma_ij, from which C was made): for unknowns that nothing depends on.
_SUMS = np.vstack([STAGE_A[7] + np.eye(8)[7], DENSE])
QUADRATURE = np.linalg.solve((np.eye(8) / GAMMA - STAGE_C).T, _SUMS.T).T.copy()
QUADRATURE[np.abs(QUADRATURE) < 1e-14] = 0.0  # rounding where a stage has no weight
QUADRATURE_TIME = QUADRATURE @ STAGE_D

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
    runs: np.ndarray  # (runs, 2) first and end of stretches of two leaves and more that share columns and rows
    lone_back: np.ndarray  # (n, 3) of the other leaves: place in back_row, leaf, core equation
    lone_leaf: np.ndarray  # (n, 3) of the other leaves: place in leaf_col, leaf, core unknown


def _pointers(lists: list[list[int]]) -> tuple[np.ndarray, np.ndarray]:
    ptr = np.zeros(len(lists) + 1, dtype=np.int64)
    ptr[1:] = np.cumsum([len(entries) for entries in lists])
    return ptr, np.array([e for entries in lists for e in entries], dtype=np.int64)


def shape_of(core: int, leaf: list[list[int]], back: list[list[int]], quad: list[list[int]]) -> Shape:
    """Shape from lists: core unknowns in each leaf's equation, core equations each leaf acts on,
    unknowns in each quadrature (core + leaf number for a leaf)."""
    starts = [k for k in range(len(leaf)) if k == 0 or leaf[k] != leaf[k - 1] or back[k] != back[k - 1]]
    stretches = list(zip(starts, [*starts[1:], len(leaf)], strict=False))
    leaf_ptr, leaf_col = _pointers(leaf)
    back_ptr, back_row = _pointers(back)
    alone = [first for first, end in stretches if end == first + 1]
    lone_back = [(e, k, back_row[e]) for k in alone for e in range(back_ptr[k], back_ptr[k + 1])]
    lone_leaf = [(e, k, leaf_col[e]) for k in alone for e in range(leaf_ptr[k], leaf_ptr[k + 1])]
    return Shape(
        core, len(leaf), len(quad), leaf_ptr, leaf_col, back_ptr, back_row, *_pointers(quad),
        _rows([pair for pair in stretches if pair[1] > pair[0] + 1], 2), _rows(lone_back, 3), _rows(lone_leaf, 3),
    )  # fmt: skip


def _rows(rows: list, width: int) -> np.ndarray:
    return np.array(rows, dtype=np.int64).reshape(-1, width)


class Jacobian(NamedTuple):
    """Values that belong to a `Shape`."""

    core: np.ndarray  # (core, core)
    leaf_diagonal: np.ndarray  # (leaves,)
    leaf: np.ndarray  # like Shape.leaf_col
    back: np.ndarray  # like Shape.back_row
    quad: np.ndarray  # like Shape.quad_col
    time: np.ndarray  # (states,) explicit time derivative of the rates


class Factors(NamedTuple):
    """What `factorise` leaves behind for a `Shape`."""

    matrix: np.ndarray  # (blocks, 4 blocks, 4) L and U of the core: block of four rows, column, row in the block
    leaf_inverse: np.ndarray  # (leaves,) 1/W_ll
    back: np.ndarray  # Jacobian.back / W_ll, run by run: one row after the other, leaves along memory
    leaf: np.ndarray  # Jacobian.leaf / W_ll, run by run: one column after the other, leaves along memory
    x: np.ndarray  # (4 blocks,) work space of the solution


@kernel_on_arrays
def block_shape(core):
    """Shape of the blocked matrix of `core` unknowns, filled up to whole blocks of four."""
    blocks = (core + 3) // 4
    return blocks, 4 * blocks, 4


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


def new_factors(shape: Shape) -> Factors:
    """Empty arrays for `factorise`."""
    return Factors(
        np.zeros(block_shape(shape.core)), np.zeros(shape.leaves), np.zeros(len(shape.back_row)),
        np.zeros(len(shape.leaf_col)), np.zeros(block_shape(shape.core)[1]),
    )  # fmt: skip


@kernel_on_arrays
def factorise(shape, jacobian, shift, factors):
    """Factorise W = shift * 1 - J: leaves by scalars, then the core by elimination without pivoting.

    Fills `factors`.  The core is kept in blocks of four rows, so that the work on a block stays in
    registers; unknowns added to fill the last block stand for themselves.  The diagonal dominates
    for the shifts that a converging step uses, so no pivoting is needed; a useless factorisation
    shows as a not-a-number or a rejected step.
    """
    n = shape.core
    matrix = factors.matrix
    for block in range(matrix.shape[0]):
        rows = matrix[block]
        for column in range(matrix.shape[1]):
            for r in range(4):
                row = 4 * block + r
                if row < n and column < n:
                    rows[column, r] = (shift if row == column else 0.0) - jacobian.core[row, column]
                else:
                    rows[column, r] = 1.0 if row == column else 0.0
    leaf_inverse = factors.leaf_inverse
    for leaf in range(shape.leaves):
        leaf_inverse[leaf] = 1.0 / (shift - jacobian.leaf_diagonal[leaf])
    for run in range(shape.runs.shape[0]):
        first = shape.runs[run, 0]
        length = shape.runs[run, 1] - first
        c0 = shape.leaf_ptr[first]
        r0 = shape.back_ptr[first]
        columns = shape.leaf_ptr[first + 1] - c0
        rows = shape.back_ptr[first + 1] - r0
        for r in range(rows):
            for k in range(length):
                factors.back[r0 + r * length + k] = jacobian.back[r0 + k * rows + r] * leaf_inverse[first + k]
        for c in range(columns):
            for k in range(length):
                factors.leaf[c0 + c * length + k] = jacobian.leaf[c0 + k * columns + c] * leaf_inverse[first + k]
        for r in range(rows):
            row = shape.back_row[r0 + r]
            for c in range(columns):
                total = 0.0
                for k in range(length):
                    total += factors.back[r0 + r * length + k] * jacobian.leaf[c0 + k * columns + c]
                matrix[row // 4, shape.leaf_col[c0 + c], row % 4] -= total
    for e in range(shape.lone_leaf.shape[0]):
        entry = shape.lone_leaf[e, 0]
        factors.leaf[entry] = jacobian.leaf[entry] * leaf_inverse[shape.lone_leaf[e, 1]]
    for e in range(shape.lone_back.shape[0]):
        entry = shape.lone_back[e, 0]
        leaf = shape.lone_back[e, 1]
        row = shape.lone_back[e, 2]
        value = jacobian.back[entry] * leaf_inverse[leaf]
        factors.back[entry] = value
        for c in range(shape.leaf_ptr[leaf], shape.leaf_ptr[leaf + 1]):
            matrix[row // 4, shape.leaf_col[c], row % 4] -= value * jacobian.leaf[c]
    factorise_core(matrix)


@kernel_on_arrays
def factorise_core(matrix):
    """Replace the blocked matrix by its factors L (ones on the diagonal) and U (diagonal inverted)."""
    blocks = matrix.shape[0]
    for block in range(blocks):
        d = matrix[block]
        f = 4 * block
        # The four by four on the diagonal.
        p0 = 1.0 / d[f, 0]
        l10 = d[f, 1] * p0
        l20 = d[f, 2] * p0
        l30 = d[f, 3] * p0
        u01 = d[f + 1, 0]
        u02 = d[f + 2, 0]
        u03 = d[f + 3, 0]
        p1 = 1.0 / (d[f + 1, 1] - l10 * u01)
        u12 = d[f + 2, 1] - l10 * u02
        u13 = d[f + 3, 1] - l10 * u03
        l21 = (d[f + 1, 2] - l20 * u01) * p1
        l31 = (d[f + 1, 3] - l30 * u01) * p1
        p2 = 1.0 / (d[f + 2, 2] - l20 * u02 - l21 * u12)
        u23 = d[f + 3, 2] - l20 * u03 - l21 * u13
        l32 = (d[f + 2, 3] - l30 * u02 - l31 * u12) * p2
        p3 = 1.0 / (d[f + 3, 3] - l30 * u03 - l31 * u13 - l32 * u23)
        d[f, 0], d[f, 1], d[f, 2], d[f, 3] = p0, l10, l20, l30
        d[f + 1, 1], d[f + 1, 2], d[f + 1, 3] = p1, l21, l31
        d[f + 2, 1], d[f + 2, 2], d[f + 2, 3] = u12, p2, l32
        d[f + 3, 1], d[f + 3, 2], d[f + 3, 3] = u13, u23, p3
        # The rest of these rows of U.
        for j in range(f + 4, 4 * blocks):
            x0 = d[j, 0]
            x1 = d[j, 1] - l10 * x0
            x2 = d[j, 2] - l20 * x0 - l21 * x1
            d[j, 1], d[j, 2] = x1, x2
            d[j, 3] = d[j, 3] - l30 * x0 - l31 * x1 - l32 * x2
        for below in range(block + 1, blocks):
            w = matrix[below]
            # Four by four of L ...
            a0, a1, a2, a3 = w[f, 0] * p0, w[f, 1] * p0, w[f, 2] * p0, w[f, 3] * p0
            b0, b1 = (w[f + 1, 0] - a0 * u01) * p1, (w[f + 1, 1] - a1 * u01) * p1
            b2, b3 = (w[f + 1, 2] - a2 * u01) * p1, (w[f + 1, 3] - a3 * u01) * p1
            c0, c1 = (w[f + 2, 0] - a0 * u02 - b0 * u12) * p2, (w[f + 2, 1] - a1 * u02 - b1 * u12) * p2
            c2, c3 = (w[f + 2, 2] - a2 * u02 - b2 * u12) * p2, (w[f + 2, 3] - a3 * u02 - b3 * u12) * p2
            e0, e1 = w[f + 3, 0] - a0 * u03 - b0 * u13 - c0 * u23, w[f + 3, 1] - a1 * u03 - b1 * u13 - c1 * u23
            e2, e3 = w[f + 3, 2] - a2 * u03 - b2 * u13 - c2 * u23, w[f + 3, 3] - a3 * u03 - b3 * u13 - c3 * u23
            e0, e1, e2, e3 = e0 * p3, e1 * p3, e2 * p3, e3 * p3
            w[f, 0], w[f, 1], w[f, 2], w[f, 3] = a0, a1, a2, a3
            w[f + 1, 0], w[f + 1, 1], w[f + 1, 2], w[f + 1, 3] = b0, b1, b2, b3
            w[f + 2, 0], w[f + 2, 1], w[f + 2, 2], w[f + 2, 3] = c0, c1, c2, c3
            w[f + 3, 0], w[f + 3, 1], w[f + 3, 2], w[f + 3, 3] = e0, e1, e2, e3
            # ... and what it takes from the columns that follow.
            for j in range(f + 4, 4 * blocks):
                x0, x1, x2, x3 = d[j, 0], d[j, 1], d[j, 2], d[j, 3]
                r0 = w[j, 0] - a0 * x0 - b0 * x1 - c0 * x2 - e0 * x3
                r1 = w[j, 1] - a1 * x0 - b1 * x1 - c1 * x2 - e1 * x3
                r2 = w[j, 2] - a2 * x0 - b2 * x1 - c2 * x2 - e2 * x3
                r3 = w[j, 3] - a3 * x0 - b3 * x1 - c3 * x2 - e3 * x3
                w[j, 0], w[j, 1], w[j, 2], w[j, 3] = r0, r1, r2, r3


@kernel_on_arrays
def _take_block(w, f, g, x0, x1, x2, x3, x):
    """Take the columns f to f + 3 of the block of rows `w` times x0 to x3 from x[g : g + 4]."""
    r0 = x[g] - w[f, 0] * x0 - w[f + 1, 0] * x1 - w[f + 2, 0] * x2 - w[f + 3, 0] * x3
    r1 = x[g + 1] - w[f, 1] * x0 - w[f + 1, 1] * x1 - w[f + 2, 1] * x2 - w[f + 3, 1] * x3
    r2 = x[g + 2] - w[f, 2] * x0 - w[f + 1, 2] * x1 - w[f + 2, 2] * x2 - w[f + 3, 2] * x3
    r3 = x[g + 3] - w[f, 3] * x0 - w[f + 1, 3] * x1 - w[f + 2, 3] * x2 - w[f + 3, 3] * x3
    x[g], x[g + 1], x[g + 2], x[g + 3] = r0, r1, r2, r3


@kernel_on_arrays
def solve_core(matrix, x):
    """Solve L U x = b in place with the factors of `factorise_core`."""
    blocks = matrix.shape[0]
    for block in range(blocks):
        w = matrix[block]
        f = 4 * block
        x0 = x[f]
        x1 = x[f + 1] - w[f, 1] * x0
        x2 = x[f + 2] - w[f, 2] * x0 - w[f + 1, 2] * x1
        x3 = x[f + 3] - w[f, 3] * x0 - w[f + 1, 3] * x1 - w[f + 2, 3] * x2
        x[f + 1], x[f + 2], x[f + 3] = x1, x2, x3
        for below in range(block + 1, blocks):
            _take_block(matrix[below], f, 4 * below, x0, x1, x2, x3, x)
    for block in range(blocks - 1, -1, -1):
        w = matrix[block]
        f = 4 * block
        x3 = x[f + 3] * w[f + 3, 3]
        x2 = (x[f + 2] - w[f + 3, 2] * x3) * w[f + 2, 2]
        x1 = (x[f + 1] - w[f + 3, 1] * x3 - w[f + 2, 1] * x2) * w[f + 1, 1]
        x0 = (x[f] - w[f + 3, 0] * x3 - w[f + 2, 0] * x2 - w[f + 1, 0] * x1) * w[f, 0]
        x[f], x[f + 1], x[f + 2], x[f + 3] = x0, x1, x2, x3
        for above in range(block):
            _take_block(matrix[above], f, 4 * above, x0, x1, x2, x3, x)


@kernel_on_arrays
def solve_coupled(shape, factors, x):
    """Solve W x = b in place for core and leaves with the factors of `factorise`."""
    n = shape.core
    core = factors.x
    for i in range(n):
        core[i] = x[i]
    for i in range(n, core.size):
        core[i] = 0.0  # also after a step that failed with not-a-numbers
    for run in range(shape.runs.shape[0]):
        first = shape.runs[run, 0]
        length = shape.runs[run, 1] - first
        r0 = shape.back_ptr[first]
        for r in range(shape.back_ptr[first + 1] - r0):
            e = r0 + r * length
            p = n + first
            # Four sums in turn, so that none waits for the one before.
            t0 = t1 = t2 = t3 = 0.0
            for _ in range(length // 4):
                t0 += factors.back[e] * x[p]
                t1 += factors.back[e + 1] * x[p + 1]
                t2 += factors.back[e + 2] * x[p + 2]
                t3 += factors.back[e + 3] * x[p + 3]
                e += 4
                p += 4
            for _ in range(length % 4):
                t0 += factors.back[e] * x[p]
                e += 1
                p += 1
            core[shape.back_row[r0 + r]] += (t0 + t1) + (t2 + t3)
    for e in range(shape.lone_back.shape[0]):
        core[shape.lone_back[e, 2]] += factors.back[shape.lone_back[e, 0]] * x[n + shape.lone_back[e, 1]]
    solve_core(factors.matrix, core)
    for i in range(n):
        x[i] = core[i]
    for leaf in range(shape.leaves):
        x[n + leaf] *= factors.leaf_inverse[leaf]
    for run in range(shape.runs.shape[0]):
        first = shape.runs[run, 0]
        length = shape.runs[run, 1] - first
        c0 = shape.leaf_ptr[first]
        for c in range(shape.leaf_ptr[first + 1] - c0):
            known = core[shape.leaf_col[c0 + c]]
            e = c0 + c * length
            for k in range(length):
                x[n + first + k] += factors.leaf[e + k] * known
    for e in range(shape.lone_leaf.shape[0]):
        x[n + shape.lone_leaf[e, 1]] += factors.leaf[shape.lone_leaf[e, 0]] * core[shape.lone_leaf[e, 2]]


@kernel_on_arrays
def solve(shape, jacobian, shift, factors, x):
    """Solve W x = b in place (`x` holds b on entry), quadratures too, with the factors of `factorise`."""
    solve_coupled(shape, factors, x)
    first = shape.core + shape.leaves
    inverse = 1.0 / shift
    for quad in range(shape.quadratures):
        total = x[first + quad]
        for c in range(shape.quad_ptr[quad], shape.quad_ptr[quad + 1]):
            total += jacobian.quad[c] * x[shape.quad_col[c]]
        x[first + quad] = total * inverse


@kernel_on_arrays
def add_rows(weights, many, factor, rows, out):
    """Add factor * sum of weights[j] * rows[j] over the first `many` rows to `out`, four rows at a time."""
    n = rows.shape[1]
    j = 0
    while j + 4 <= many:
        w0 = factor * weights[j]
        w1 = factor * weights[j + 1]
        w2 = factor * weights[j + 2]
        w3 = factor * weights[j + 3]
        for i in range(n):
            out[i] += w0 * rows[j, i] + w1 * rows[j + 1, i] + w2 * rows[j + 2, i] + w3 * rows[j + 3, i]
        j += 4
    if j + 2 <= many:
        w0 = factor * weights[j]
        w1 = factor * weights[j + 1]
        for i in range(n):
            out[i] += w0 * rows[j, i] + w1 * rows[j + 1, i]
        j += 2
    if j < many:
        w0 = factor * weights[j]
        for i in range(n):
            out[i] += w0 * rows[j, i]


@kernel_on_arrays
def stage_state(stage, y, increments, out):
    """State at which stage `stage` (from 0) evaluates the rates; stages are taken in turn with the same `out`.

    The last two stages add one increment to the state of the stage before.
    """
    if stage > 5:
        for i in range(increments.shape[1]):
            out[i] += increments[stage - 1, i]
        return
    for i in range(increments.shape[1]):
        out[i] = y[i]
    add_rows(STAGE_A[stage], stage, 1.0, increments, out)


@kernel_on_arrays
def stage_right_side(stage, h, rate, time_derivative, increments):
    """Put the right side of stage `stage` into `increments[stage]`."""
    d = h * STAGE_D[stage]
    own = increments[stage]
    for i in range(own.size):
        own[i] = rate[i] + d * time_derivative[i]
    add_rows(STAGE_C[stage], stage, 1.0 / h, increments, own)


@kernel_on_arrays
def quadrature_sum(which, h, shape, jacobian, rates, increments, combined, out):
    """Fill `out` (quadratures,) with a weighted sum of the stages' increments of the quadratures.

    `which` 0: the sum that carries them over the step; 1 to 3: those of the dense output.  Nothing
    depends on a quadrature, so its eight linear equations are put together first and solved once:
    rates (8, states) are the rates at the stages, increments (8, core + leaves) what the stages
    gave, combined (core + leaves,) is work space.
    """
    first = shape.core + shape.leaves
    weights = QUADRATURE[which]
    combined[:] = 0.0
    add_rows(weights, 8, h, increments, combined)
    time = h * h * QUADRATURE_TIME[which]
    for quad in range(shape.quadratures):
        total = 0.0
        for c in range(shape.quad_ptr[quad], shape.quad_ptr[quad + 1]):
            total += jacobian.quad[c] * combined[shape.quad_col[c]]
        out[quad] = total + time * jacobian.time[first + quad]
    for stage in range(8):
        w = h * weights[stage]
        if w != 0.0:
            for quad in range(shape.quadratures):
                out[quad] += w * rates[stage, first + quad]


@kernel_on_arrays
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


@kernel_on_arrays
def dense_weights(increments, weights):
    """Fill `weights` (3, states) for `dense_state`, as far as there are increments."""
    for k in range(3):
        weights[k, :] = 0.0
        add_rows(DENSE[k], 8, 1.0, increments, weights[k])


@kernel_on_arrays
def dense_state(theta, y_old, y_new, weights, out):
    """State at the fraction `theta` of the step, order 4."""
    for i in range(y_old.size):
        inner = weights[0, i] + theta * (weights[1, i] + theta * weights[2, i])
        out[i] = (1.0 - theta) * y_old[i] + theta * (y_new[i] + (1.0 - theta) * inner)
