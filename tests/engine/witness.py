"""The same right-hand side handed to general-purpose stiff solvers: scipy and a SUNDIALS binding.

Used by tests (agreement at position ends) and by the benchmark (processor time).
"""

import numpy as np
from scipy.integrate import solve_ivp

from exhaustsim.compiled import kernel
from exhaustsim.engine import jacobian, rates, stiff


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


class Problem:
    """One valve's rates over the phases of a schedule with given line waveforms."""

    def __init__(self, valve, phases, waves):
        self.valve, self.phases, self.waves = valve, phases, waves
        self.shape = jacobian.head_shape(valve.tables)
        self.jac = stiff.new_jacobian(self.shape)
        self.work = np.zeros(jacobian.JACOBIAN_WORK)
        self.dy = np.zeros_like(valve.start)

    def phase(self, k):
        """(rates, Jacobian) of phase `k` as functions of t and y, and its start and end."""
        c = self.phases.controls[k]
        line = max(self.phases.line[k], 0)
        wave = rates.Waveform(self.waves[0], self.waves[1][line], self.waves[2][line])
        head, size = self.valve.tables, len(self.valve.start)

        def rate(t, y):
            out = np.zeros(size)
            rates.head_rates(t, y, head, c, wave, self.work, out)
            return out

        def matrix(t, y):
            rates.head_rates(t, y, head, c, wave, self.work, self.dy)
            jacobian.head_jacobian(t, y, self.dy, head, c, wave, self.work, self.jac)
            full = np.zeros((size, size))
            dense_jacobian(self.shape, self.jac, full)
            return full

        start = self.phases.start[k]
        return rate, matrix, start, start + self.phases.duration[k]

    def absolute(self, rtol):
        """Absolute tolerances for the witnesses: those of the engine, gases a hundred times coarser.

        Multistep codes estimate their error from differences of the history and take the rounding of
        sealed partial pressures (1e-12 Pa and less beside exchange flows 1e10 times larger) for error.
        """
        out = self.valve.absolute * max(rtol / 1e-3, 1e-5)
        out[self.valve.tables.at.head : self.valve.tables.at.core] *= 100.0
        return out

    def phase_ends(self, solve, last=None):
        """(phases, states) state at the end of every phase, by `solve(rate, matrix, t0, t1, y)`."""
        y = self.valve.start.copy()
        ends = []
        for k in range(last or len(self.phases.duration)):
            y = solve(*self.phase(k), y)
            ends.append(y)
        return np.array(ends)


def by_scipy(problem, rtol, method="BDF", last=None):
    """State at the end of every phase by scipy's implicit methods with the exact Jacobian."""
    absolute = problem.absolute(rtol)

    def solve(rate, matrix, t0, t1, y):
        result = solve_ivp(rate, (t0, t1), y, method=method, jac=matrix, rtol=rtol, atol=absolute, first_step=1e-6)
        assert result.success, result.message
        return result.y[:, -1]

    return problem.phase_ends(solve, last)


def by_sundials(problem, rtol, last=None):
    """State at the end of every phase by CVODE (BDF, dense, exact Jacobian)."""
    from sksundae.cvode import CVODE

    absolute = problem.absolute(rtol)

    def solve(rate, matrix, t0, t1, y):
        def into(t, z, out):
            out[:] = rate(t, z)

        def jac(t, z, _, out):
            out[:, :] = matrix(t, z)

        solver = CVODE(into, rtol=rtol, atol=absolute, jacfn=jac, linsolver="dense", max_num_steps=100_000)
        result = solver.solve(np.array([t0, t1]), y)
        assert result.success, result.message
        return result.y[-1]

    return problem.phase_ends(solve, last)
