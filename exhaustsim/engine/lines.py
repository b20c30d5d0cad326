"""The pumping lines of a machine whose heads are all alike, over one index.

A line gets gas only while ports are open, so its inflow is a waveform over the dwell; its
pressure matters to a valve only then, so the pressure waveform covers the dwell too.  Both
are cubic between the knots of the index grid, with the slopes that the rates give there:
the inflow as the slope of the gas handed over so far, which keeps the amount exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from exhaustsim.compiled import kernel
from exhaustsim.constants import GAS_CONSTANT
from exhaustsim.engine import rates
from exhaustsim.engine.jacobian import line_shape
from exhaustsim.engine.march import DONE, KIND_LINE, MAX_STEPS_PER_PHASE, SENTENCES, march
from exhaustsim.engine.network import index_grid, jumps_of, line_tables, room_air
from exhaustsim.engine.rates import G, LINE_CORE, LINE_SIZE, HeadTables, Waveform
from exhaustsim.engine.result import FailedRun, LineWaveform, Run
from exhaustsim.plant.schedule import Schedule


class LineHistory(NamedTuple):
    """Every line over one index; arrays are (line, time, ...), times are transfer grid then dwell grid."""

    pressure: np.ndarray  # Pa
    slope: np.ndarray  # Pa/s
    inflow: np.ndarray  # mol/s
    backing: np.ndarray  # Pa, NaN for a rotary line
    running: np.ndarray
    end: np.ndarray  # (line, state) at the end of the index
    imbalance: np.ndarray  # (line,) gas taken in less exhausted less stored, as a share of what passed


class Lines:
    """The lines of `schedule.machine`, numbered, with the grid they share with the valve."""

    def __init__(self, schedule: Schedule):
        self.machine = schedule.machine
        self.tables = [line_tables(line, self.machine) for line in self.machine.lines]
        self.air = room_air(self.machine.air_humidity, schedule.valve.tables)
        self.moving, self.dwelling = index_grid(schedule)
        self.rt = GAS_CONSTANT * self.machine.room_temperature
        inside = {t for setting in schedule.positions for t in jumps_of(schedule, setting)}
        opening = self.machine.transfer_time
        self._edges = np.array(sorted({0.0, *inside, schedule.dwell})) + opening
        self._edges[-1] = self.dwelling[-1]

    def at_rest(self) -> LineHistory:
        """Constant pressures to begin with: ultimate pressure and in-leak."""
        count = len(self.moving) + len(self.dwelling)
        number = len(self.tables)
        pressure = np.zeros((number, count, G))
        end = np.zeros((number, LINE_SIZE))
        for k, line in enumerate(self.machine.lines):
            ports = sum(name == line.name for name in self.machine.line_of_position.values())
            leak = ports * line.in_leak_per_port * self.rt * self.air
            pressure[k] = self.tables[k].ultimate + leak / line.pump.speed
            end[k, :G] = pressure[k, 0] * line.manifold_volume / self.rt
            if self.tables[k].kind == 1:
                backing = self.tables[k].backing_ultimate + leak / line.pump.backing_pump.speed
                end[k, G : 2 * G] = backing * line.pump.backing_volume / self.rt
            end[k, 2 * G] = 1.0
        empty = np.zeros_like(pressure)
        return LineHistory(pressure, empty, empty, empty[:, :, 0], empty[:, :, 0] + 1.0, end, np.zeros(number))

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
        end[:, 2 * G] = np.minimum(end[:, 2 * G], 1.0)
        return first._replace(pressure=pressure, slope=total * pressure, end=end)

    def dwell_waves(self, history: LineHistory) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Knots, pressures and slopes that a valve standing on the lines meets (at least one line long)."""
        first = len(self.moving)
        if not self.tables:
            nothing = np.zeros((1, len(self.dwelling), G))
            return self.dwelling, nothing, nothing
        return (
            self.dwelling,
            np.ascontiguousarray(history.pressure[:, first:]),
            np.ascontiguousarray(history.slope[:, first:]),
        )

    def march(self, handed_over, flow, start, tolerance, counts, periods) -> LineHistory:
        """March all lines over `periods` indices with the same inflow in each.

        handed_over, flow : (line, dwell knot, gas) gas given to the line since the ports opened
        [mol] and its rate [mol/s]; start : (line, state).
        """
        moving, dwelling = self.moving, self.dwelling
        opening = self.machine.transfer_time
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
        shape = line_shape()
        number = len(self.tables)
        pressure = np.zeros((number, len(times), G))
        slope = np.zeros_like(pressure)
        inflow = np.zeros_like(pressure)
        backing = np.full((number, len(times)), np.nan)
        running = np.ones((number, len(times)))
        end = start.copy()
        imbalance = np.zeros(number)
        head = NO_HEAD
        for k, line in enumerate(self.tables):
            y = start[k].copy()
            volume = line.numbers[rates.L_VOLUME]
            absolute = np.full(LINE_SIZE, 1e-7 * volume / self.rt)
            absolute[G : 2 * G] = 1e-7 * line.numbers[rates.L_BACK_VOLUME] / self.rt
            absolute[2 * G] = 1e-5
            absolute *= tolerance / 1e-3
            states = np.zeros((len(times), LINE_SIZE))
            nothing = np.zeros_like(flow[k])
            for _ in range(periods):
                before = y.copy()
                status, _ = march(
                    KIND_LINE, head, line, shape, np.zeros((phase_count, 1)), np.diff(edges), edges[:-1].copy(),
                    wave_of_phase, dwelling, np.stack([nothing, handed_over[k]]), np.stack([nothing, flow[k]]),
                    sample_ptr, times, y, absolute, tolerance, 0, G, MAX_STEPS_PER_PHASE, states, counts,
                )  # fmt: skip
                if status != DONE:
                    raise FailedRun(f"{SENTENCES[status]} It happened in line {self.machine.lines[k].name}.")
            end[k] = y
            # Every gas that came in is in the manifold, behind the pump, or exhausted.
            gone = (y - before)[LINE_CORE:] + (y - before)[:G] + (y - before)[G : 2 * G]
            passed = np.abs(handed_over[k, -1]).sum() + np.abs((y - before)[LINE_CORE:]).sum()
            imbalance[k] = np.abs(handed_over[k, -1] - gone).sum() / max(passed, 1e-300)
            inflow[k, len(moving) :] = flow[k]
            pressure[k] = states[:, :G] * self.rt / volume
            _slopes(states, line, inflow[k], Waveform(dwelling, nothing, nothing), slope[k])
            slope[k] *= self.rt / volume
            if line.kind == 1:
                backing[k] = states[:, G : 2 * G].sum(axis=1) * self.rt / line.numbers[rates.L_BACK_VOLUME]
                running[k] = states[:, 2 * G]
        return LineHistory(pressure, slope, inflow, backing, running, end, imbalance)

    def waveforms(self, history: LineHistory) -> tuple[LineWaveform, ...]:
        """Results for the user, one per line."""
        times = np.concatenate([self.moving, self.dwelling])
        return tuple(
            LineWaveform(
                line.name, times, history.pressure[k], history.inflow[k], history.backing[k], history.running[k],
                float(history.imbalance[k]),
            )
            for k, line in enumerate(self.machine.lines)
        )


def _over(above, below):
    """Quotient, 0 where there is nothing below."""
    return np.divide(above, below, out=np.zeros_like(above), where=below > 0.0)


@kernel
def _slopes(states, line, inflow, no_flow, out):
    """Fill `out` (time, gas) with the rate of change of the manifold gas, each sample with its own inflow."""
    work = np.zeros(2 * G)
    dy = np.zeros(LINE_SIZE)
    for j in range(states.shape[0]):
        rates.line_rates(0.0, states[j], line, no_flow, work, dy)
        for g in range(G):
            out[j, g] = dy[g] + inflow[j, g]


def _no_head() -> HeadTables:
    """Tables without a valve: what the common loop is handed when it marches a line."""
    one, two, three = np.zeros(1), np.zeros((1, 2)), np.zeros((1, 3))
    nodes = np.zeros(1, dtype=np.int64)
    pairs = np.zeros((1, 2), dtype=np.int64)
    share = np.zeros((1, G))
    places = rates.HeadPlaces(*[0] * len(rates.HeadPlaces._fields))
    return HeadTables(
        places, one, one, one, one, one, one, one, one, one, pairs, one, pairs, one, pairs, three, nodes, nodes, nodes,
        np.zeros((1, 4)), one, nodes, three, share, nodes, three, share, nodes, two, one, one, one, nodes, one,
        np.zeros((1, 1, 1, 2)), one, one, one,
    )  # fmt: skip


NO_HEAD = _no_head()
