"""The case that is timed: one valve through a whole schedule with given line pressures.

DT-1 standard on the 16-position machine, its ageing, and one year sealed.  The line pressures are
those that its own run settles at, so every solver integrates the same equations: the rates of the
head with its valve, phase by phase of constant controls.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from exhaustsim.constants import GAS_CONSTANT
from exhaustsim.engine import rates
from exhaustsim.engine.jacobian import head_shape
from exhaustsim.engine.lines import Lines
from exhaustsim.engine.network import number_valve
from exhaustsim.engine.phases import phases_of
from exhaustsim.engine.rates import G, Waveform
from exhaustsim.engine.run import march_valve, phases_on_machine, settle_lines
from exhaustsim.plant.designfile import load_schedule

DEMO = Path(__file__).parent.parent / "demo_data" / "schedules"
FLOOR = 1e-7  # Pa: partial pressures far below this do not count (targets start at 2e-4 Pa)


class Case:
    """One valve's equations over the phases of a schedule with given line pressures.

    Attributes
    ----------
    valve, phases, waves
        As from `number_valve`, `phases_of` and `Lines.dwell_waves`.
    on_machine : int
        Number of phases on the machine; the rest is ageing and shelf.
    """

    def __init__(self, valve, phases, waves):
        self.valve, self.phases, self.waves = valve, phases, waves
        self.on_machine = phases_on_machine(phases)
        self.shape = head_shape(valve.tables)
        self.size = len(valve.start)

    def wave(self, phase):
        """The pressure of the line that the valve stands on in `phase`."""
        line = max(self.phases.line[phase], 0)
        return Waveform(self.waves[0], self.waves[1][line], self.waves[2][line])

    def own(self, tolerance, first=0, last=None, start=None):
        """(state at the end of each phase, counts: steps, rejected, evaluations) by the engine."""
        last = len(self.phases.duration) if last is None else last
        counts = np.zeros(3, dtype=np.int64)
        y = (self.valve.start if start is None else start).copy()
        states, _ = march_valve(self.valve, self.phases, first, last, self.waves, y, tolerance, counts)
        return states[self.phases.sample_ptr[first + 1 : last + 1] - 1], counts

    def pressures(self, states):
        """(rows, gas) bulb partial pressures [Pa]."""
        at, scalars = self.valve.tables.at, self.valve.tables.scalars
        per_mol = GAS_CONSTANT * states[:, at.wall] / scalars[rates.S_BULB_VOLUME]
        return states[:, at.bulb : at.bulb + G] * per_mol[:, None]

    def error(self, states, truth):
        """Worst relative difference of a bulb partial pressure at any phase end, above `FLOOR`."""
        a, b = self.pressures(states), self.pressures(truth)
        return float(np.max(np.abs(a - b) / (np.abs(b) + FLOOR)))


def case_of(schedule) -> Case:
    """The case of `schedule` with the line pressures of its own run at the default tolerance."""
    valve = number_valve(schedule.valve, schedule.machine)
    phases = phases_of(schedule, valve)
    settled = settle_lines(schedule, valve, phases, Lines(schedule), 1e-3, np.zeros(3, dtype=np.int64))
    return Case(valve, phases, settled.waves)


def standard_schedule():
    """DT-1 standard on RX16, with ageing and one year sealed."""
    return load_schedule(DEMO / "dt1_standard.toml")


def processor_seconds(work, repeats: int) -> float:
    """Median processor seconds of `work()` over `repeats` calls."""
    spent = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    return float(np.median(spent))
