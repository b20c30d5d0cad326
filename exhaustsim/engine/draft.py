"""A quick draft of a run, for a picture that follows the hand.

The valve is marched once through the schedule against the line pressures that an earlier run
on the same lines found.  A setting that is moved a little changes the lines a little, so that
the bulb pressure is nearly that of the full answer; what the change does to the lines, and
through them back to the valve, is left out.  The ledger of the valve closes all the same.

A draft is to be shown as a draft and followed by `exhaustsim.engine.run.simulate`: nothing is
judged for good on it.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.engine.lines import Lines
from exhaustsim.engine.network import number_valve
from exhaustsim.engine.phases import phases_of
from exhaustsim.engine.observe import histories, ledger_of, rates_of
from exhaustsim.engine.result import Outcome, Run
from exhaustsim.engine.run import march_valve
from exhaustsim.plant.schedule import Schedule

TOLERANCE = 1e-2


def draft(schedule: Schedule, known: Run) -> Run:
    """One march of the valve against the line pressures of `known`, a run on lines of the same names.

    Raises
    ------
    ValueError
        `known` was on other lines.
    FailedRun
        The stepper gave up.
    """
    lines = Lines(schedule)
    if [line.name for line in schedule.machine.lines] != [wave.name for wave in known.lines]:
        raise ValueError("a draft needs a run on the same pumping lines")
    valve = number_valve(schedule.valve, schedule.machine)
    phases = phases_of(schedule, valve)
    waves = _as_before(lines, schedule, known)
    counts = np.zeros(3, dtype=np.int64)
    states, _ = march_valve(valve, phases, 0, len(phases.duration), waves, valve.start.copy(), TOLERANCE, counts)
    outcome = Outcome(
        True, f"Draft: line pressures as for {known.schedule.name} before the change.", int(counts[0]), int(counts[1]), int(counts[2]), 0,
        float("nan"),
    )  # fmt: skip
    return Run(
        schedule=schedule,
        outcome=outcome,
        ledger=ledger_of(schedule, valve, phases, states),
        lines=known.lines,
        tolerance=TOLERANCE,
        **histories(schedule, valve, phases, states, rates_of(valve, phases, states, waves), waves),
    )


def is_draft(run: Run) -> bool:
    """Whether `run` came from `draft`; a full answer takes at least two passes of valve against lines."""
    return run.outcome.line_iterations == 0


def _as_before(lines: Lines, schedule: Schedule, known: Run):
    """Knots, pressures and slopes over the dwell of `schedule`: those of `known`, stretched to the new dwell."""
    if not lines.groups:
        return lines.dwell_waves(lines.at_rest())
    knots = lines.dwelling
    opening = known.schedule.machine.transfer_time
    share = (knots - knots[0]) / schedule.dwell
    pressure = []
    for wave in known.lines:
        dwell = wave.time >= opening
        # The last transfer time and the first dwell time are the same instant; np.interp takes the later of them.
        before = (wave.time[dwell] - opening) / known.schedule.dwell
        pressure.append(np.column_stack([np.interp(share, before, gas) for gas in wave.pressure[dwell].T]))
    pressure = np.array(pressure)
    return knots, pressure, np.gradient(pressure, knots, axis=1)
