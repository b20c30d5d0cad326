"""Carry one valve through its schedule on a machine whose heads are all alike.

The pressure of every pumping line is periodic over one index.  A line is fed by all its
positions at once: by a valve of age k index for each of them.  With heads all alike this is
one valve seen at several ages, so the valve is marched through all positions with the line
pressures as given waveforms, the flows it gave to each position are added up line by line,
each line is marched over one index with that inflow, and the two are repeated until no line
pressure changes by more than a thousandth (root mean square over the index).  The first pass
is a draft at a looser tolerance.

Not here: unlike heads, leakers, stops, cold start (`exhaustsim.engine.loaded`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from exhaustsim.engine.jacobian import head_shape
from exhaustsim.engine.lines import LineHistory, Lines
from exhaustsim.engine.march import DONE, KIND_HEAD, MAX_STEPS_PER_PHASE, SENTENCES, march
from exhaustsim.engine.network import ValveArrays, number_valve
from exhaustsim.engine.phases import Phases, phases_of
from exhaustsim.engine.observe import histories, ledger_of, ports_of, rates_of
from exhaustsim.engine.pumping import NO_GROUP
from exhaustsim.engine.rates import G
from exhaustsim.engine.result import FailedRun, Outcome, Run
from exhaustsim.plant.machine import DiffusionPump, TurbomolecularPump
from exhaustsim.plant.schedule import Schedule

LINE_AGREEMENT = 1e-3  # root-mean-square relative change of a line pressure between the last two passes
LINE_FLOOR = 1e-6  # Pa: a line far below this is as good as empty, and its relative change is rounding
STILL = 0.2  # share of the agreement asked for within which a line counts as not having moved between two passes
DRAFTS = (1e-2,)  # tolerances of the first passes, whose line pressures are still far off
MAX_PASSES = 30
LEDGER_LIMIT = 1e-9  # of the inventory; above this a run has failed


def simulate(
    schedule: Schedule, tolerance: float = 1e-3, near: Sequence[Run] = (), between_passes: Callable[[], None] | None = None
) -> Run:
    """Simulate one valve through `schedule`, the lines being fed by valves like itself.

    Parameters
    ----------
    schedule : Schedule
        From `exhaustsim.plant.designfile.load_schedule`.
    tolerance : float
        Relative tolerance of a step [1], between 1e-9 and 1e-2.  1e-3 gives partial pressures
        at position ends to about 1e-3 (measured in the tests); line pressures repeat to 1e-3 or
        ten times `tolerance`, whichever is less.
    near : sequence of Run
        A run of nearly the same valve with the same lines and timing, and runs that differ from it each in one
        thing that this one has too.  The lines begin at the pressures to be expected from them, which saves
        passes; they are settled to the same agreement as without.
    between_passes : callable, optional
        Called after each pass of valve against lines; what it raises ends the simulation.

    Returns
    -------
    Run

    Raises
    ------
    ValueError
        Tolerance outside its range, or `near` has other lines or another timing.
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
    begin = lines.like(near) if near else None
    settled = settle_lines(schedule, valve, phases, lines, tolerance, counts, begin, between_passes)
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
        line_history=settled.history,
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


def settle_lines(
    schedule: Schedule, valve: ValveArrays, phases: Phases, lines: Lines, tolerance, counts, begin: LineHistory | None = None,
    between_passes=None,
) -> SettledLines:
    """March valve and lines in turn until the line pressures repeat themselves.

    From the pressures in `begin`, which are close already, no draft is made.

    Raises
    ------
    FailedRun
        No periodic state in `MAX_PASSES` passes, or the stepper gave up.
    """
    # Step selection alone moves line pressures by about the tolerance, so no more is asked than that.
    agreement = min(LINE_AGREEMENT, max(10.0 * tolerance, 1e-7))
    drafts = DRAFTS if begin is None else ()
    history = lines.at_rest() if begin is None else begin
    on_machine = phases_on_machine(phases)
    met = None  # the waves that the valve met last, marched at `met_tolerance`
    met_tolerance = np.nan
    for passes in range(1, MAX_PASSES + 1):
        step_tolerance = _step_tolerance(passes, tolerance, drafts)
        waves = lines.dwell_waves(history)
        first = 0
        if step_tolerance == met_tolerance:
            # Up to the first line that has moved the valve would do the same again.
            waves, first = _moved_waves(phases, on_machine, met, waves, STILL * agreement)
        if first == 0:
            states, reached = march_valve(valve, phases, 0, on_machine, waves, valve.start.copy(), step_tolerance, counts)
        elif first < on_machine:
            row = phases.sample_ptr[first]
            later, reached = march_valve(
                valve, phases, first, on_machine, waves, states[row - 1].copy(), step_tolerance, counts
            )
            states = np.concatenate([states[:row], later[row:]])
        met, met_tolerance = waves, step_tolerance
        handed_over, flow = _handed_over(schedule, valve, phases, states, waves, len(lines.moving))
        latest = lines.march(
            handed_over, flow, history.end, min(tolerance, step_tolerance), counts, periods=2 if passes <= len(drafts) else 1
        )
        change = _relative_change(lines, history.pressure, latest.pressure)
        history = latest
        if between_passes is not None:
            between_passes()
        if change <= agreement and step_tolerance <= tolerance:
            return SettledLines(states, reached, waves, history, passes, change)
    raise FailedRun(
        f"The pumping lines found no periodic pressure in {MAX_PASSES} passes (last change {change:.1e}); {_why_unsettled(lines, history)}"
    )


def _why_unsettled(lines: Lines, history: LineHistory) -> str:
    """What keeps the lines from a periodic state, and what to do, in words."""
    time = np.concatenate([lines.moving, lines.dwelling])
    for k, line in enumerate(lines.machine.lines):
        if not isinstance(line.pump, DiffusionPump | TurbomolecularPump):
            continue
        # What comes in beyond the throughput that the pump has left at its knee stays in the manifold.
        offered = np.trapezoid(history.inflow[k].sum(axis=1), time) / time[-1] * lines.rt
        most = line.pump.speed * line.pump.knee_pressure
        if offered > most:
            return (
                f'line {line.name} is overloaded: its heads give it {offered * 1e3:.2g} Pa L/s in the mean, more than the '
                f"{most * 1e3:.2g} Pa L/s that its pump can pass (speed x knee pressure); move gas load to another line."
            )
    for k, line in enumerate(lines.machine.lines):
        if isinstance(line.pump, DiffusionPump | TurbomolecularPump) and history.running[k].min() < 0.9:
            return f"the high-vacuum pump of line {line.name} stalls and recovers in turn; give it a larger backing pump or less gas."
    return "the pressures jitter more than the tolerance asks; try a smaller tolerance."


def _moved_waves(phases: Phases, on_machine: int, met, latest, still: float):
    """The latest waves of the lines that moved by more than `still` and the old ones of the others, and the first phase
    that stands on a line that moved (`on_machine` when none did); phases count from that position's transfer on.
    """
    knots, old, old_slope = met
    _, new, new_slope = latest
    before, after = old.sum(axis=2), new.sum(axis=2)
    square = np.trapezoid(((after - before) / (np.abs(after) + LINE_FLOOR)) ** 2, knots, axis=1) / (knots[-1] - knots[0])
    moved = np.sqrt(square) > still
    pick = moved[:, None, None]
    line = phases.line[:on_machine]
    hit = np.flatnonzero((line >= 0) & moved[np.maximum(line, 0)])
    if hit.size == 0:
        return met, on_machine
    position = phases.position[phases.sample_ptr[:on_machine]]
    first = int(np.argmax(position == position[hit[0]]))
    return (knots, np.where(pick, new, old), np.where(pick, new_slope, old_slope)), first


def _step_tolerance(passes: int, tolerance: float, drafts: tuple[float, ...]) -> float:
    """Draft passes first; when the pressures still jitter after six passes, finer steps quiet them.

    A line driven near the knee of its diffusion pump passes on the noise of step selection enlarged.
    """
    if passes <= len(drafts):
        return max(tolerance, drafts[passes - 1])
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
        KIND_HEAD, valve.tables, NO_GROUP, head_shape(valve.tables), phases.controls[first:last],
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
