"""The loaded machine against one system of equations for all heads and lines, integrated by scipy.

The witness takes the same rates of head and line, but writes every head and every line into one state and hands
it to a general-purpose stiff solver (BDF), control change by control change: nothing is iterated there, no
pressure is a waveform.  So it is independent of the sweeps, the interpolation and the stepper.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.sparse import lil_matrix
from tiny import tiny

from exhaustsim.constants import AR
from exhaustsim.engine import rates
from exhaustsim.engine.lines import Lines
from exhaustsim.engine.loaded import simulate_machine
from exhaustsim.engine.network import number_valve
from exhaustsim.engine.phases import index_grid, stretches_at
from exhaustsim.engine.pumping import group_rates
from exhaustsim.engine.rates import G, Waveform
from exhaustsim.plant.incidents import Leaker
from exhaustsim.units import PASCAL_LITRE

INDICES = 4
LEAK = 0.02 * PASCAL_LITRE
LEAK_START = 7.3  # s: in the third index, in mid-dwell
LEAKING = 4  # head that carries a valve then: from empty, heads 1, 4, 3, 2 are loaded in turn


@pytest.fixture(scope="module")
def schedule(schedules):
    return tiny(schedules["standard"])


class Together:
    """All heads and lines of a machine in one state, from empty."""

    def __init__(self, schedule, incident):
        self.schedule, self.incident = schedule, incident
        self.valve = number_valve(schedule.valve, schedule.machine)
        self.lines = Lines(schedule)
        self.size = len(self.valve.start)
        self.work = np.zeros(rates.WORK_SIZE)

    def run(self, indices, rtol):
        """[(bulb pressures by head, line pressures)] at the end of every index."""
        heads = {}
        clocks = {}
        leaks = {}
        y_lines = self.lines.at_rest().end.copy()
        out = []
        positions = self.schedule.machine.positions
        for n in range(indices):
            begin = n * self.schedule.index_time
            for head in range(1, positions + 1):
                if (head - 1 + n) % positions == 0:
                    heads[head], clocks[head] = self.valve.start.copy(), 0.0
                    leaks.pop(head, None)
            if begin <= self.incident.start < begin + self.schedule.index_time:
                leaks[self.incident.head] = self.incident
            stretches = {
                head: stretches_at(
                    self.schedule, self.valve, self.schedule.positions[(head - 1 + n) % positions], clocks[head], index_grid(self.schedule)
                )
                for head in heads
            }
            edges = {0.0, self.schedule.index_time}
            edges |= {s.start for mine in stretches.values() for s in mine} | {leak.start - begin for leak in leaks.values()}
            edges = sorted(e for e in edges if 0.0 <= e <= self.schedule.index_time)
            for first, last in zip(edges, edges[1:], strict=False):
                y_lines = self._stretch(heads, stretches, leaks, y_lines, begin, first, last, rtol, self._idle(heads, n, first))
            for head in heads:
                clocks[head] += sum(s.duration for s in stretches[head])
            out.append((
                {h: self._bulb(y) for h, y in heads.items()},
                self.lines.pressure_in(y_lines),
            ))  # fmt: skip
        return out

    def _idle(self, heads, n, first):
        """(line, gas) in-leak and rubber gas of the heads without a valve, while ports are open."""
        machine = self.schedule.machine
        out = np.zeros((len(machine.lines), G))
        for head in range(1, machine.positions + 1):
            name = machine.line_of_position.get((head - 1 + n) % machine.positions + 1)
            if head not in heads and name and first >= machine.transfer_time - 1e-9:
                k, line = next((k, line) for k, line in enumerate(machine.lines) if line.name == name)
                out[k] += line.in_leak_per_port * self.valve.tables.air
                out[k] += machine.rubber_gas * self.valve.tables.rubber_share
        return out

    def _sparsity(self, heads):
        """Which entries of the Jacobian exist: every head in itself, lines among themselves, head gas with line gas."""
        at, size = self.valve.tables.at, self.size
        lines = slice(heads * size, heads * size + self.lines.offset[-1])
        out = lil_matrix((lines.stop,) * 2)
        out[lines, lines] = 1
        for h in range(heads):
            own = slice(h * size, (h + 1) * size)
            out[own, own] = 1
            for first in (at.head, at.pumped):
                out[h * size + first : h * size + first + G, lines] = 1
            out[lines, h * size + at.head : h * size + at.head + G] = 1
        return out

    def _bulb(self, y):
        at, s = self.valve.tables.at, self.valve.tables.scalars
        return y[at.bulb : at.bulb + G] * rates.R * y[at.wall] / s[rates.S_BULB_VOLUME]

    def _stretch(self, heads, stretches, leaks, y_lines, begin, first, last, rtol, idle):
        at = self.valve.tables.at
        order = sorted(heads)
        now = {}
        for head in order:
            mine = [s for s in stretches[head] if s.start <= first + 1e-9 < s.start + s.duration]
            if mine:  # a new valve waits outside while the turret moves
                control = mine[0].control.copy()
                leak = leaks.get(head)
                if leak is not None and leak.start <= begin + first + 1e-9:
                    control[rates.C_BULB_LEAK] += leak.throughput
                now[head] = (control, mine[0].line)

        def together(t, y):
            dy = np.zeros_like(y)
            split = y[: len(order) * self.size].reshape(len(order), self.size)
            into = dy[: len(order) * self.size].reshape(len(order), self.size)
            line_y = y[len(order) * self.size :]
            knots = np.array([t - 1.0, t + 1.0])
            flow = idle.copy()
            for k, head in enumerate(order):
                if head not in now:
                    continue
                control, line = now[head]
                pressure = self.lines.pressure_in(line_y)[max(line, 0)]
                wave = Waveform(knots, np.stack([pressure, pressure]), np.zeros((2, G)))
                rates.head_rates(t, split[k].copy(), self.valve.tables, control, wave, self.work, into[k])
                if line >= 0:
                    flow[line] += into[k, at.pumped : at.pumped + G]
            for i, (group, described) in enumerate(zip(self.lines.groups, self.lines.described, strict=True)):
                given = flow[list(described.lines)].ravel()
                wave = Waveform(knots, np.stack([-given, given]), np.stack([given, given]))
                mine = slice(self.lines.offset[i], self.lines.offset[i + 1])
                out = np.zeros(mine.stop - mine.start)
                group_rates(t, line_y[mine].copy(), group, wave, self.work, out)
                dy[len(order) * self.size :][mine] = out
            return dy

        start = np.concatenate([*(heads[h] for h in order), y_lines])
        absolute = np.concatenate([*(self.valve.absolute for _ in order), np.full(len(y_lines), 1e-15)]) * max(rtol / 1e-3, 1e-4)
        end = solve_ivp(
            together, (first, last), start, method="BDF", rtol=rtol, atol=absolute, first_step=1e-6,
            jac_sparsity=self._sparsity(len(order)),
        )  # fmt: skip
        assert end.success, end.message
        y = end.y[:, -1]
        for k, head in enumerate(order):
            heads[head] = y[k * self.size : (k + 1) * self.size]
        return y[len(order) * self.size :]


@pytest.fixture(scope="module")
def leaker():
    return Leaker(head=LEAKING, throughput=LEAK, start=LEAK_START)


@pytest.fixture(scope="module")
def witness(schedule, leaker):
    return Together(schedule, leaker).run(INDICES, 1e-6)


@pytest.mark.parametrize(("tolerance", "agreement"), [(1e-3, 2e-3), (1e-5, 1e-4)])
def test_one_system_of_equations_agrees(schedule, leaker, witness, tolerance, agreement):
    """Agreement: the tolerance of a step twice over; at 1e-5 what the cubic waveforms leave (a few 1e-5)."""
    run = simulate_machine(schedule, [leaker], indices=INDICES, from_empty=True, tolerance=tolerance, follow=False)
    for (bulbs, lines), index in zip(witness, run.indices, strict=True):
        assert set(bulbs) == set(index.bulb_pressure)
        for head, pressure in bulbs.items():
            assert index.bulb_pressure[head] == pytest.approx(pressure, rel=agreement, abs=1e-7), (index.number, head)
        for k, pressure in enumerate(lines):
            assert index.lines[k].pressure[-1] == pytest.approx(pressure, rel=agreement, abs=1e-7), (index.number, k)


def test_the_leaker_of_the_witness_leaks(schedule, witness):
    """Without it the comparison above would say nothing of leakers."""
    tight = simulate_machine(schedule, indices=INDICES, from_empty=True, follow=False)
    for n in (2, 3):
        assert witness[n][0][LEAKING][AR] > 20.0 * tight.indices[n].bulb_pressure[LEAKING][AR]
