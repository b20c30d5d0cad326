"""The pumping lines of a machine whose heads are all alike, over one index.

A line gets gas only while ports are open, so its inflow is a waveform over the dwell; its
pressure matters to a valve only then, so the pressure waveform covers the dwell too.  Both
are cubic between the knots of the index grid, with the slopes that the rates give there:
the inflow as the slope of the gas handed over so far, which keeps the amount exact.

Lines are marched group by group (`exhaustsim.engine.groups`): a line by itself, or lines that
share a backing line together.  The state of all groups is one flat array, group after group.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from exhaustsim.compiled import kernel
from exhaustsim.constants import GAS_CONSTANT
from exhaustsim.engine import pumping, rates
from exhaustsim.engine.groups import number_groups, resting_pressures
from exhaustsim.engine.march import DONE, KIND_LINE, KIND_LINE_EXACT, MAX_STEPS_PER_PHASE, SENTENCES, march
from exhaustsim.engine.network import room_air
from exhaustsim.engine.phases import NO_HALT, Halt, dwell_edges, index_grid, jumps_of, transfer_of
from exhaustsim.engine.pumping import G, NO_STATE, ROOM, group_rates, group_shape, pump_flow
from exhaustsim.engine.rates import HeadTables, Waveform
from exhaustsim.engine.result import FailedRun, LineWaveform, Run
from exhaustsim.plant.machine import RotaryMachine
from exhaustsim.plant.schedule import Schedule

# The error of a step is judged over this many unknowns, however many a group has: a volume behind another
# does not thin out the error of the one in front.  It is the number of a diffusion line.
JUDGED = 19


class LineHistory(NamedTuple):
    """Every line over one index; arrays are (line, time, ...), times are transfer grid then dwell grid."""

    pressure: np.ndarray  # Pa
    slope: np.ndarray  # Pa/s
    inflow: np.ndarray  # mol/s
    backing: np.ndarray  # Pa behind the pump of the line, NaN where it blows out into the room
    running: np.ndarray
    end: np.ndarray  # (states,) of all groups at the end of the index
    imbalance: np.ndarray  # (line,) gas taken in less exhausted less stored, as a share of what passed its group
    states: tuple[np.ndarray, ...]  # by group: (time, state)


class Lines:
    """The lines of `schedule.machine`, numbered, with the grid they share with the valve."""

    def __init__(self, schedule: Schedule):
        self.machine = schedule.machine
        self.air = room_air(self.machine.air_humidity, schedule.valve.tables)
        numbered = number_groups(self.machine, schedule.valve.tables)
        self.described = numbered
        self.groups = [group.tables for group in numbered]
        self._shapes = [group_shape(group) for group in self.groups]
        self.offset = np.cumsum([0, *(group.core + G for group in self.groups)])
        #: of each line: its group and the number of its manifold there
        self.place = {k: (i, m) for i, group in enumerate(numbered) for m, k in enumerate(group.lines)}
        self.rt = GAS_CONSTANT * self.machine.room_temperature
        self.set_grid(schedule, NO_HALT)

    def set_grid(self, schedule: Schedule, halt: Halt) -> None:
        """Take the times of an index with this halt."""
        self.moving, self.dwelling = index_grid(schedule, halt)
        self.opening = transfer_of(schedule, halt)
        inside = {t for setting in schedule.positions for t in jumps_of(schedule, setting)}
        self._edges = np.array(dwell_edges(schedule, halt, inside)) + self.opening
        self._edges[-1] = self.dwelling[-1]

    # ---- states of all groups, one flat array --------------------------------------------

    def _of_group(self, states: np.ndarray, number: int) -> np.ndarray:
        return states[self.offset[number] : self.offset[number + 1]]

    def gas_in(self, states: np.ndarray) -> np.ndarray:
        """(gas,) mol in all manifolds and backing volumes."""
        found = np.zeros(G)
        for i, group in enumerate(self.groups):
            found += self._of_group(states, i)[: group.volume.size * G].reshape(-1, G).sum(axis=0)
        return found

    def exhausted(self, states: np.ndarray) -> np.ndarray:
        """(gas,) mol blown out into the room since the account was cleared."""
        return sum((self._of_group(states, i)[g.core :] for i, g in enumerate(self.groups)), np.zeros(G))

    def cleared(self, states: np.ndarray) -> np.ndarray:
        """The same states with nothing exhausted yet."""
        out = states.copy()
        for i, group in enumerate(self.groups):
            self._of_group(out, i)[group.core :] = 0.0
        return out

    def bounded(self, states: np.ndarray) -> np.ndarray:
        """The same states with every running share between 0 and 1."""
        out = states.copy()
        for i, group in enumerate(self.groups):
            jets = self._of_group(out, i)[group.volume.size * G : group.core]
            np.clip(jets, 0.0, 1.0, out=jets)
        return out

    def pressure_in(self, states: np.ndarray) -> np.ndarray:
        """(line, gas) Pa in the manifolds."""
        out = np.zeros((len(self.place), G))
        for k, (i, m) in self.place.items():
            out[k] = self._of_group(states, i)[m * G : (m + 1) * G] * self.rt / self.groups[i].volume[m]
        return out

    def weaken(self, shares: dict[str, float]) -> None:
        """Leave the pumps at the manifolds of the named lines this share of their speed; all others are well."""
        self.groups = [group.tables for group in self.described]
        for k, line in enumerate(self.machine.lines):
            if line.name in shares:
                i, m = self.place[k]
                numbers = self.groups[i].numbers.copy()
                numbers[m, pumping.P_SPEED] *= shares[line.name]
                self.groups[i] = self.groups[i]._replace(numbers=numbers)

    def take_pumps_of(self, machine: RotaryMachine, tables) -> None:
        """Go on with the pumps of `machine`, which has the same lines and kinds of pumps."""
        self.described = number_groups(machine, tables)
        self.groups = [group.tables for group in self.described]

    def at_rest(self) -> LineHistory:
        """Constant pressures to begin with: ultimate pressure and in-leak."""
        count = len(self.moving) + len(self.dwelling)
        number = len(self.place)
        end = np.zeros(self.offset[-1])
        for i, group in enumerate(self.described):
            lines = [self.machine.lines[k] for k in group.lines]
            leaks = []
            for line in lines:
                ports = sum(name == line.name for name in self.machine.line_of_position.values())
                leaks.append(ports * line.in_leak_per_port * self.rt * self.air)
            state, tables = self._of_group(end, i), group.tables
            volumes = tables.volume.size
            state[: volumes * G] = (resting_pressures(group, np.array(leaks)) * tables.volume[:, None] / self.rt).ravel()
            state[volumes * G : tables.core] = 1.0
        pressure = np.repeat(self.pressure_in(end)[:, None, :], count, axis=1)
        empty = np.zeros_like(pressure)
        return LineHistory(pressure, empty, empty, empty[:, :, 0], empty[:, :, 0] + 1.0, end, np.zeros(number), ())

    def like(self, runs: Sequence[Run]) -> LineHistory:
        """Pressures to begin with: those of the first run times what each of the others changes on them.

        Raises
        ------
        ValueError
            A run has other lines or another timing.
        """
        time = np.concatenate([self.moving, self.dwelling])
        names = [line.name for line in self.machine.lines]
        for run in runs:
            same = [wave.name for wave in run.lines] == names and all(np.array_equal(w.time, time) for w in run.lines)
            if not same or run.line_history is None:
                raise ValueError("a run to begin with needs the same lines, index time and RF times as the schedule")
        first, *others = (run.line_history for run in runs)
        pressure, end = first.pressure.copy(), first.end.copy()
        growth = _over(first.slope, first.pressure)  # 1/s
        total = growth.copy()
        for other in others:
            pressure *= np.where(first.pressure > 0.0, _over(other.pressure, first.pressure), 1.0)
            end *= np.where(first.end > 0.0, _over(other.end, first.end), 1.0)
            total += _over(other.slope, other.pressure) - growth
        return first._replace(pressure=pressure, slope=total * pressure, end=self.bounded(end))

    def part(self, first: int, last: int) -> Lines:
        """These lines over the dwell knots first to last only, with the transfer before if first is 0."""
        out = copy.copy(self)
        out.dwelling = self.dwelling[first : last + 1]
        begin, end = out.dwelling[0], out.dwelling[-1]
        out._edges = np.array([begin, *(t for t in self._edges if begin < t < end), end])
        if first > 0:
            out.moving, out.opening = out.dwelling[:1], 0.0
        return out

    def dwell_waves(self, history: LineHistory) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Knots, pressures and slopes that a valve standing on the lines meets (at least one line long)."""
        first = len(self.moving)
        if not self.groups:
            nothing = np.zeros((1, len(self.dwelling), G))
            return self.dwelling, nothing, nothing
        return (
            self.dwelling,
            np.ascontiguousarray(history.pressure[:, first:]),
            np.ascontiguousarray(history.slope[:, first:]),
        )

    def march(self, handed_over, flow, start, tolerance, counts, periods, exact=False) -> LineHistory:
        """March all lines over `periods` indices with the same inflow in each.

        handed_over, flow : (line, dwell knot, gas) gas given to the line since the ports opened
        [mol] and its rate [mol/s]; start : (states,) as in `LineHistory.end`; exact : take the inflow in to round-off,
        in more steps.
        """
        moving, dwelling = self.moving, self.dwelling
        opening = self.opening
        edges = self._edges if opening == 0.0 else np.concatenate([[0.0], self._edges])
        phase_count = len(edges) - 1
        times = np.concatenate([moving, dwelling])
        in_transfer = 1 if opening > 0.0 else 0
        sample_ptr = np.zeros(phase_count + 1, dtype=np.int64)
        sample_ptr[in_transfer:] = [
            len(moving) + np.count_nonzero(dwelling <= edge + 1e-12) for edge in edges[in_transfer:]
        ]
        if in_transfer:
            sample_ptr[1] = len(moving)
        sample_ptr[0], sample_ptr[-1] = 0, len(times)
        wave_of_phase = np.ones(phase_count, dtype=np.int64)
        wave_of_phase[:in_transfer] = 0  # nothing flows while the ports are blanked
        number = len(self.place)
        pressure = np.zeros((number, len(times), G))
        slope = np.zeros_like(pressure)
        inflow = np.zeros_like(pressure)
        backing = np.full((number, len(times)), np.nan)
        running = np.ones((number, len(times)))
        end = start.copy()
        imbalance = np.zeros(number)
        sampled = []
        for i, group in enumerate(self.groups):
            lines = list(self.described[i].lines)
            y = self._of_group(end, i)
            given = np.concatenate([handed_over[k] for k in lines], axis=1)
            rate = np.concatenate([flow[k] for k in lines], axis=1)
            nothing = np.zeros_like(rate)
            weight = np.sqrt(JUDGED / group.core)
            absolute = np.full(y.size, 1e-5 * tolerance / 1e-3 * weight)
            gas = group.volume.size * G
            absolute[:gas] = np.repeat(1e-7 * group.volume / self.rt, G) * (tolerance / 1e-3 * weight)
            states = np.zeros((len(times), y.size))
            for _ in range(periods):
                before = y.copy()
                status, _ = march(
                    KIND_LINE_EXACT if exact else KIND_LINE, NO_HEAD, group, self._shapes[i], np.zeros((phase_count, 1)), np.diff(edges), edges[:-1].copy(),
                    wave_of_phase, dwelling, np.stack([nothing, given]), np.stack([nothing, rate]),
                    sample_ptr, times, y, absolute, tolerance * weight, 0, group.manifolds * G, MAX_STEPS_PER_PHASE, states, counts,
                )  # fmt: skip
                if status != DONE:
                    names = " and ".join(self.machine.lines[k].name for k in lines)
                    raise FailedRun(f"{SENTENCES[status]} It happened in line {names}.")
            # Every gas that came in is in a volume, or exhausted.
            change = y - before
            gone = change[group.core :] + change[:gas].reshape(-1, G).sum(axis=0)
            came = given[-1].reshape(-1, G)
            passed = np.abs(came).sum() + np.abs(change[group.core :]).sum()
            imbalance[lines] = np.abs(came.sum(axis=0) - gone).sum() / max(passed, 1e-300)
            all_rates = np.zeros_like(states)
            _rates_without_inflow(states, group, Waveform(dwelling, nothing, nothing), all_rates)
            for m, k in enumerate(lines):
                columns = slice(m * G, (m + 1) * G)
                inflow[k, len(moving) :] = flow[k]
                pressure[k] = states[:, columns] * self.rt / group.volume[m]
                slope[k] = (all_rates[:, columns] + inflow[k]) * (self.rt / group.volume[m])
                behind = group.target[m]
                if behind != ROOM:
                    backing[k] = states[:, behind * G : (behind + 1) * G].sum(axis=1) * self.rt / group.volume[behind]
                if group.state[m] != NO_STATE:
                    running[k] = states[:, group.state[m]]
            sampled.append(states)
        return LineHistory(pressure, slope, inflow, backing, running, end, imbalance, tuple(sampled))

    def waveforms(self, history: LineHistory) -> tuple[LineWaveform, ...]:
        """Results for the user, one per line."""
        times = np.concatenate([self.moving, self.dwelling])
        found = []
        for k, line in enumerate(self.machine.lines):
            i, m = self.place[k]
            chain = [m]
            while (behind := self.groups[i].target[chain[-1]]) != ROOM:
                chain.append(behind)
            stages = np.array(chain, dtype=np.int64)
            pressure, through = np.zeros((2, len(times), len(stages), G))
            _chain(history.states[i], self.groups[i], stages, pressure, through)
            found.append(LineWaveform(
                line.name, times, history.pressure[k], history.inflow[k], history.backing[k], history.running[k],
                float(history.imbalance[k]), pressure, through,
            ))  # fmt: skip
        return tuple(found)


def _over(above, below):
    """Quotient, 0 where there is nothing below."""
    return np.divide(above, below, out=np.zeros_like(above), where=below > 0.0)


@kernel
def _rates_without_inflow(states, group, no_flow, out):
    """Fill `out` (time, state) with the rates of a group at every sample, no gas coming in."""
    work = np.zeros(3 * states.shape[1])
    for j in range(states.shape[0]):
        group_rates(0.0, states[j], group, no_flow, work, out[j])


@kernel
def _chain(states, group, stages, pressure, through):
    """Fill pressures [Pa] in the volumes `stages` and flows [mol/s] through their pumps (time, stage, gas)."""
    for j in range(states.shape[0]):
        for s in range(stages.size):
            v = stages[s]
            for g in range(G):
                pressure[j, s, g] = states[j, v * G + g] * group.rt / group.volume[v]
            pump_flow(v, states[j], group, through[j, s])


def _no_head() -> HeadTables:
    """Tables without a valve: what the common loop is handed when it marches a line."""
    one, two, three = np.zeros(1), np.zeros((1, 2)), np.zeros((1, 3))
    nodes = np.zeros(1, dtype=np.int64)
    pairs = np.zeros((1, 2), dtype=np.int64)
    share = np.zeros((1, G))
    places = rates.HeadPlaces(*[0] * len(rates.HeadPlaces._fields))
    return HeadTables(
        places, one, one, one, one, one, one, one, one, one, one, pairs, one, pairs, one, pairs, three, nodes, nodes, nodes,
        np.zeros((1, 4)), one, nodes, three, share, nodes, three, share, nodes, two, one, one, one, nodes, one,
        np.zeros((1, 1, 1, 2)), one, one, one,
    )  # fmt: skip


NO_HEAD = _no_head()
