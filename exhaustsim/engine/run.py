"""Carry one valve through its schedule on a machine whose heads are all alike.

The pressure of every pumping line is periodic over one index.  A line is fed by all its
positions at once: by a valve of age k index for each of them.  With heads all alike this is
one valve seen at several ages, so the valve is marched through all positions with the line
pressures as given waveforms, the flows it gave to each position are added up line by line,
each line is marched over one index with that inflow, and the two are repeated until no line
pressure changes by more than a thousandth (root mean square over the index).  The first pass
is a draft at a looser tolerance.

Not here: unlike heads, leakers, stops, cold start.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from exhaustsim.engine.jacobian import head_shape
from exhaustsim.engine.lines import LineHistory, Lines
from exhaustsim.engine.march import DONE, KIND_HEAD, MAX_STEPS_PER_PHASE, SENTENCES, march
from exhaustsim.engine.network import Phases, ValveArrays, number_valve, phases_of
from exhaustsim.engine.observe import histories, ledger_of, ports_of, rates_of
from exhaustsim.engine.rates import G, LineTables
from exhaustsim.engine.result import FailedRun, Outcome, Run
from exhaustsim.plant.schedule import Schedule

LINE_AGREEMENT = 1e-3  # root-mean-square relative change of a line pressure between the last two passes
LINE_FLOOR = 1e-6  # Pa: a line far below this is as good as empty, and its relative change is rounding
DRAFTS = (1e-2,)  # tolerances of the first passes, whose line pressures are still far off
MAX_PASSES = 30
LEDGER_LIMIT = 1e-9  # of the inventory; above this a run has failed
NO_LINE = LineTables(0, np.zeros(9), np.zeros(G), np.zeros(G))


def simulate(schedule: Schedule, tolerance: float = 1e-3) -> Run:
    """Simulate one valve through `schedule`, the lines being fed by valves like itself.

    Parameters
    ----------
    schedule : Schedule
        From `exhaustsim.plant.designfile.load_schedule`.
    tolerance : float
        Relative tolerance of a step [1], between 1e-9 and 1e-2.  1e-3 gives partial pressures
        at position ends to about 1e-3 (measured in the tests); line pressures repeat to 1e-3 or
        ten times `tolerance`, whichever is less.

    Returns
    -------
    Run

    Raises
    ------
    ValueError
        Tolerance outside its range.
    FailedRun
        The stepper gave up, the lines found no periodic state, or the gas ledger did not close.
    """
    if not 1e-9 <= tolerance <= 1e-2:
        raise ValueError(f"tolerance {tolerance!r} is outside 1e-9 to 1e-2")
    valve = number_valve(schedule.valve, schedule.machine)
    phases = phases_of(schedule, valve)
    lines = Lines(schedule)
    counts = np.zeros(3, dtype=np.int64)
    on_machine = phases_on_machine(phases)
    settled = settle_lines(schedule, valve, phases, lines, tolerance, counts)
    states, waves = settled.states, settled.waves
    if on_machine < len(phases.duration):
        later, _ = march_valve(
            valve, phases, on_machine, len(phases.duration), waves, settled.reached, tolerance, counts
        )
        states += later
    outcome = Outcome(True, SENTENCES[DONE], int(counts[0]), int(counts[1]), int(counts[2]), settled.passes, settled.change)
    ledger = ledger_of(schedule, valve, phases, states)
    if not ledger.error < LEDGER_LIMIT:
        raise FailedRun(f"The gas ledger is open by {ledger.error:.1e} of the inventory (limit {LEDGER_LIMIT:.0e}).")
    return Run(
        schedule=schedule,
        outcome=outcome,
        ledger=ledger,
        lines=lines.waveforms(settled.history),
        tolerance=tolerance,
        **histories(schedule, valve, phases, states, rates_of(valve, phases, states, waves), waves),
    )


class SettledLines(NamedTuple):
    """The valve's march on the machine and the line pressures that agree with it."""

    states: np.ndarray  # (samples, states); rows after the machine are zero
    reached: np.ndarray  # (states,) at the end of the last position
    waves: tuple  # knots, pressures, slopes that the valve met
    history: LineHistory
    passes: int
    change: float  # root-mean-square relative change of a line pressure in the last pass, worst line


def settle_lines(schedule: Schedule, valve: ValveArrays, phases: Phases, lines: Lines, tolerance, counts) -> SettledLines:
    """March valve and lines in turn until the line pressures repeat themselves.

    Raises
    ------
    FailedRun
        No periodic state in `MAX_PASSES` passes, or the stepper gave up.
    """
    # Step selection alone moves line pressures by about the tolerance, so no more is asked than that.
    agreement = min(LINE_AGREEMENT, max(10.0 * tolerance, 1e-7))
    history = lines.at_rest()
    for passes in range(1, MAX_PASSES + 1):
        step_tolerance = _step_tolerance(passes, tolerance)
        waves = lines.dwell_waves(history)
        states, reached = march_valve(
            valve, phases, 0, phases_on_machine(phases), waves, valve.start.copy(), step_tolerance, counts
        )
        handed_over, flow = _handed_over(schedule, valve, phases, states, waves, len(lines.moving))
        latest = lines.march(handed_over, flow, history.end, min(tolerance, step_tolerance), counts, periods=2 if passes == 1 else 1)
        change = _relative_change(lines, history.pressure, latest.pressure)
        history = latest
        if change <= agreement and step_tolerance <= tolerance:
            return SettledLines(states, reached, waves, history, passes, change)
    raise FailedRun(
        f"The pumping lines found no periodic pressure in {MAX_PASSES} passes (last change {change:.1e}); "
        "a diffusion pump may be stalling and recovering in turn."
    )


def _step_tolerance(passes: int, tolerance: float) -> float:
    """Draft passes first; when the pressures still jitter after six passes, finer steps quiet them.

    A line driven near the knee of its diffusion pump passes on the noise of step selection enlarged.
    """
    if passes <= len(DRAFTS):
        return max(tolerance, DRAFTS[passes - 1])
    return max(1e-9, tolerance * (1.0 if passes <= 6 else 0.1 if passes <= 14 else 0.01))


def phases_on_machine(phases: Phases) -> int:
    """How many phases the valve spends on the machine."""
    return int(np.searchsorted(phases.sample_ptr, np.count_nonzero(phases.position > 0)))


def march_valve(valve: ValveArrays, phases: Phases, first, last, waves, y, tolerance, counts):
    """March the valve through the phases [first, last); returns (states, end state).

    Rows of samples outside these phases stay zero.
    """
    at = valve.tables.at
    states = np.zeros((len(phases.time), at.size))
    status, phase = march(
        KIND_HEAD, valve.tables, NO_LINE, head_shape(valve.tables), phases.controls[first:last],
        phases.duration[first:last], phases.start[first:last], np.maximum(phases.line[first:last], 0), *waves,
        phases.sample_ptr[first : last + 1], phases.sample_time, y, valve.absolute * (tolerance / 1e-3), tolerance,
        at.head, at.bulb + G, MAX_STEPS_PER_PHASE, states, counts,
    )  # fmt: skip
    if status != DONE:
        place = phases.position[phases.sample_ptr[first + phase]]
        where = f"at position {place}" if place else "after the machine"
        raise FailedRun(f"{SENTENCES[status]} It happened {where}.")
    return states, y


def _handed_over(schedule: Schedule, valve: ValveArrays, phases: Phases, states, waves, first_place):
    """(line, dwell knot, gas) gas that all positions of a line gave it since the ports opened, and its rate."""
    at = valve.tables.at
    machine = schedule.machine
    knots = len(waves[0])
    total = np.zeros((len(machine.lines), knots, G))
    rate = np.zeros_like(total)
    _, _, flow = ports_of(valve, phases, states, waves)
    number = {line.name: k for k, line in enumerate(machine.lines)}
    for position, name in machine.line_of_position.items():
        rows = np.flatnonzero((phases.position == position) & (phases.stage == 0))
        places = phases.grid_place[rows] - first_place
        pumped = states[rows, at.pumped : at.pumped + G]
        total[number[name], places] += pumped - pumped[0]
        rate[number[name], places] += flow[rows]
    return total, rate


def _relative_change(lines: Lines, before, after) -> float:
    """Largest root-mean-square (over the index) relative change of a total line pressure."""
    if after.size == 0:
        return 0.0
    old, new = before.sum(axis=2), after.sum(axis=2)
    time = np.concatenate([lines.moving, lines.dwelling])
    square = np.trapezoid(((new - old) / (np.abs(new) + LINE_FLOOR)) ** 2, time, axis=1) / time[-1]
    return float(np.sqrt(square.max()))
