"""The same equations handed to general-purpose stiff solvers: scipy, and CVODE through its Python binding.

Every solver is restarted where the controls jump, as the engine is, and gets the engine's absolute
tolerances for each kind of state (see `Equations.absolute`).  Used by the benchmark for processor time and
by the tests for agreement at position ends.
"""

from __future__ import annotations

import warnings
from functools import cached_property

import numba
import numpy as np
from numba.experimental import jitclass
from scipy.integrate import solve_ivp
from scipy.sparse import csc_matrix

from exhaustsim.compiled import PURE_PYTHON, kernel
from exhaustsim.engine.jacobian import JACOBIAN_WORK, head_jacobian
from exhaustsim.engine.rates import head_rates
from exhaustsim.engine.stiff import new_jacobian


class Refused(RuntimeError):
    """A solver gave up; the message says in which phase and why."""


@kernel
def dense_jacobian(shape, jac, full):
    """Write the arrowhead out as a dense matrix."""
    full[:, :] = 0.0
    n, m = shape.core, shape.leaves
    full[:n, :n] = jac.core
    for leaf in range(m):
        full[n + leaf, n + leaf] = jac.leaf_diagonal[leaf]
        for c in range(shape.leaf_ptr[leaf], shape.leaf_ptr[leaf + 1]):
            full[n + leaf, shape.leaf_col[c]] += jac.leaf[c]
        for r in range(shape.back_ptr[leaf], shape.back_ptr[leaf + 1]):
            full[shape.back_row[r], n + leaf] += jac.back[r]
    for quad in range(shape.quadratures):
        for c in range(shape.quad_ptr[quad], shape.quad_ptr[quad + 1]):
            full[n + m + quad, shape.quad_col[c]] += jac.quad[c]


@kernel
def held_rates(t, y, held, out):
    """Rates of the valve and phase that `held` keeps."""
    head_rates(t, y, held.head, held.controls, held.wave, held.work, out)


@kernel
def held_matrix(t, y, held, full):
    """Dense exact Jacobian of the valve and phase that `held` keeps."""
    head_rates(t, y, held.head, held.controls, held.wave, held.work, held.rate)
    head_jacobian(t, y, held.rate, held.head, held.controls, held.wave, held.work, held.jac)
    dense_jacobian(held.shape, held.jac, full)


@kernel
def held_entries(t, y, held, full, rows, columns, values):
    """The entries (row, column) of the exact Jacobian, into `values`."""
    held_matrix(t, y, held, full)
    for k in range(rows.size):
        values[k] = full[rows[k], columns[k]]


class _Held:
    def __init__(self, head, controls, wave, work, rate, jac, shape):
        self.head = head
        self.controls = controls
        self.wave = wave
        self.work = work
        self.rate = rate
        self.jac = jac
        self.shape = shape


_TYPES = {}


def _held(head, controls, wave, work, rate, jac, shape):
    """Tables and controls in one compiled object: handing them over one by one costs more than the rates."""
    values = {
        "head": head, "controls": controls, "wave": wave, "work": work, "rate": rate, "jac": jac, "shape": shape,
    }  # fmt: skip
    if PURE_PYTHON:
        return _Held(**values)
    spec = tuple((name, numba.typeof(value)) for name, value in values.items())
    if spec not in _TYPES:
        _TYPES[spec] = jitclass(list(spec))(_Held)
    return _TYPES[spec](**values)


class CompiledRates:
    """Rates and Jacobians of one phase as functions of t and y, compiled, with little cost to the call."""

    def __init__(self, case, phase):
        self.size = case.size
        self.buffer, self.full = np.zeros(case.size), np.zeros((case.size, case.size))
        self.held = _held(
            case.valve.tables, np.ascontiguousarray(case.phases.controls[phase]), case.wave(phase), np.zeros(JACOBIAN_WORK),
            np.zeros(case.size), new_jacobian(case.shape), case.shape,
        )  # fmt: skip

    def rate(self, t, y):
        out = np.empty(self.size)
        held_rates(t, y, self.held, out)
        return out

    def matrix(self, t, y):
        out = np.empty((self.size, self.size))
        held_matrix(t, y, self.held, out)
        return out

    def sparse(self, pattern):
        """The Jacobian as a sparse matrix of the entries in `pattern` (a CSC matrix)."""
        rows, columns = _entries(pattern)

        def matrix(t, y):
            values = np.empty(rows.size)
            held_entries(t, y, self.held, self.full, rows, columns, values)
            return csc_matrix((values, pattern.indices, pattern.indptr), shape=pattern.shape)

        return matrix


def _entries(pattern):
    return pattern.indices.astype(np.int64), np.repeat(np.arange(pattern.shape[1]), np.diff(pattern.indptr))


class Equations:
    """What the solvers are given: a case with its compiled rates phase by phase.

    Parameters
    ----------
    case : Case
    plain : PlainRates, optional
        The same rates in NumPy.
    """

    def __init__(self, case, plain=None):
        self.case, self.plain = case, plain
        self.compiled = [CompiledRates(case, phase) for phase in range(len(case.phases.duration))]

    @cached_property
    def pattern(self):
        """Entries of the Jacobian that are anywhere other than zero along the march, and the diagonal (CSC)."""
        case = self.case
        ends, _ = case.own(1e-2)
        found = np.eye(case.size, dtype=bool)
        y = case.valve.start
        for phase, compiled in enumerate(self.compiled):
            middle = case.phases.start[phase] + 0.5 * case.phases.duration[phase]
            for state in (y, 0.5 * (y + ends[phase]), ends[phase]):
                found |= compiled.matrix(middle, state) != 0.0
            y = ends[phase]
        return csc_matrix(found.astype(float))

    def absolute(self, rtol):
        """The engine's absolute tolerance of each kind of state, for multistep and collocation codes.

        Gases a hundred times coarser: these codes estimate their error from differences of the history and take
        the rounding of sealed partial pressures (1e-12 Pa and less beside exchange flows 1e10 times larger) for
        error.  Running totals, on which nothing depends, are left out of the error test, as in the engine.
        """
        at = self.case.valve.tables.at
        out = self.case.valve.absolute * max(rtol / 1e-3, 1e-5)
        out[at.head : at.core] *= 100.0
        out[at.quads :] = 1e6
        return out

    def phase_ends(self, solve, last=None):
        """State at the end of every phase up to `last`, by `solve(phase, begin, end, state)`."""
        phases = self.case.phases
        y = self.case.valve.start.copy()
        ends = []
        for phase in range(len(phases.duration) if last is None else last):
            y = solve(phase, phases.start[phase], phases.start[phase] + phases.duration[phase], y)
            ends.append(y)
        return np.array(ends)


def by_scipy(equations, rtol, method="BDF", jacobian="dense", rates="compiled", last=None):
    """State at the end of every phase by scipy's implicit methods.

    Parameters
    ----------
    equations : Equations
    rtol : float
    method : str
        "BDF" or "Radau".
    jacobian : str
        "none" (the solver differences the rates), or the exact one "dense" or "sparse".
    rates : str
        "compiled"; "plain" (NumPy, one state in a call); "columns" (NumPy, and the solver hands over all
        states of a difference Jacobian in one call).
    last : int, optional
        Number of phases; all of them if left out.

    Raises
    ------
    Refused
        The solver gave up.
    """
    absolute = equations.absolute(rtol)
    case, plain = equations.case, equations.plain

    def solve(phase, begin, end, y):
        compiled = equations.compiled[phase]
        rate = compiled.rate
        if rates != "compiled":
            controls, wave = case.phases.controls[phase], case.wave(phase)

            def rate(t, z):
                return plain(t, z, controls, wave)

        jac = {"none": None, "dense": compiled.matrix}.get(jacobian)
        if jacobian == "sparse":
            jac = compiled.sparse(equations.pattern)
        # A small first step, as the engine takes: the codes' own guess trusts the derivatives at the jump.
        with np.errstate(all="ignore"):
            found = solve_ivp(
                rate, (begin, end), y, method=method, jac=jac, rtol=rtol, atol=absolute, first_step=min(1e-6, end - begin),
                vectorized=rates == "columns", t_eval=(end,),
            )  # fmt: skip
        if not found.success:
            raise Refused(f"scipy {method} at {rtol:.0e}, phase {phase}: {found.message}")
        return found.y[:, -1]

    return equations.phase_ends(solve, last)


def by_sundials(equations, rtol, linear="dense", last=None):
    """State at the end of every phase by CVODE (variable-order BDF) with the exact Jacobian.

    linear : "dense" or "sparse" (SuperLU).  Raises `Refused` if the solver gives up.
    """
    from sksundae.cvode import CVODE

    options = {"rtol": rtol, "atol": equations.absolute(rtol), "linsolver": linear, "max_num_steps": 100_000}
    if linear == "sparse":
        options["sparsity"] = equations.pattern
        rows, columns = _entries(equations.pattern)

    def solve(phase, begin, end, y):
        compiled = equations.compiled[phase]
        held, buffer, full = compiled.held, compiled.buffer, compiled.full

        # The solver's arrays are read-only, which the compiled code has no version for.
        def rate(t, z, out):
            buffer[:] = z
            held_rates(t, buffer, held, out)

        def dense(t, z, _, out):
            buffer[:] = z
            held_matrix(t, buffer, held, full)
            out[:, :] = full

        def entries(t, z, _, out):
            buffer[:] = z
            held_entries(t, buffer, held, full, rows, columns, out)

        with warnings.catch_warnings():
            # The pattern is needed for the sparse matrix; that the exact Jacobian is then used is what is wanted.
            warnings.filterwarnings("ignore", "Custom sparse Jacobian")
            solver = CVODE(rate, jacfn=entries if linear == "sparse" else dense, **options)
        found = solver.solve(np.array([begin, end]), y)
        if not found.success:
            raise Refused(f"CVODE at {rtol:.0e}, phase {phase}: {found.message}")
        return found.y[-1]

    return equations.phase_ends(solve, last)
