"""A batch of valves that differ by their tolerances, marched and judged one by one.

The machine is full of valves made to the drawing; each valve of the batch is marched against the line
pressures that such a machine has, as one odd valve among them would be, and is judged like any other run.
What a lot has in common its neighbours have too: for each lot the lines are settled anew with its own
values.  Results are one row for each valve, in a table of fixed form.

Not modelled: that the neighbours of a valve scatter as well.  Their scatter averages out over the heads of
a line; a leaker that spoils its neighbours does not, and is the business of `exhaustsim.studies.neighbours`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from exhaustsim.engine.lines import Lines
from exhaustsim.engine.network import ValveArrays, number_valve
from exhaustsim.engine.observe import histories, ledger_of, rates_of
from exhaustsim.engine.phases import Phases, phases_of
from exhaustsim.engine.result import FailedRun, LineWaveform, Outcome, Run
from exhaustsim.engine.run import LEDGER_LIMIT, march_valve, phases_on_machine, simulate
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.tolerances import Tolerances
from exhaustsim.studies.draws import dice_of, uniforms
from exhaustsim.studies.flags import CHECKS
from exhaustsim.studies.scattered import nominal_values, with_values
from exhaustsim.studies.trials import TARGETS, Cancelled
from exhaustsim.studies.verdict import Verdict, judge, limits_of, peak_bulb_pressure, times_beyond

NO_RESULT = "no_result"
#: What a valve may be rejected by: targets, checks that may say stop, and a march that came to no result.
CAUSES = (*TARGETS, *dict.fromkeys(check.key for check in CHECKS), NO_RESULT)
#: What is kept of each valve, SI; `beyond` is its worst target or stop limit as a multiple of the limit.
REACHED = (*TARGETS, "peak_bulb_pressure", "carbon_dioxide_left", "getter_taken", "barium_spent_in_life", "beyond")
NEVER = 1e-9  # of a limit: what stays this far below it is told as this


@dataclass(frozen=True, eq=False)
class Neighbours:
    """The line pressures of a machine full of valves alike, for one valve to be marched against."""

    waves: tuple  # knots, pressures, slopes over the dwell
    lines: tuple[LineWaveform, ...]


def neighbours_of(run: Run) -> Neighbours:
    """The lines as `run`, from `simulate`, has settled them."""
    return Neighbours(Lines(run.schedule).dwell_waves(run.line_history), run.lines)


def march_among(schedule: Schedule, neighbours: Neighbours, tolerance: float = 1e-3) -> Run:
    """The valve of `schedule` as one odd valve among neighbours whose lines are known; evolution only at the flash position.

    Raises
    ------
    FailedRun
        The stepper gave up, or the gas ledger did not close.
    """
    valve = number_valve(schedule.valve, schedule.machine)
    phases = phases_of(schedule, valve)
    counts = np.zeros(3, dtype=np.int64)
    states, _ = march_valve(valve, phases, 0, len(phases.duration), neighbours.waves, valve.start.copy(), tolerance, counts)
    ledger = ledger_of(schedule, valve, phases, states)
    if not ledger.error < LEDGER_LIMIT:
        raise FailedRun(f"The gas ledger is open by {ledger.error:.1e} of the inventory (limit {LEDGER_LIMIT:.0e}).")
    return Run(
        schedule=schedule,
        outcome=Outcome(True, "One valve among neighbours made to the drawing.", *map(int, counts), 0, math.nan),
        ledger=ledger,
        lines=neighbours.lines,
        tolerance=tolerance,
        **histories(schedule, valve, phases, states, _rates_at_flash(schedule, valve, phases, states, neighbours.waves), neighbours.waves),
    )


def _rates_at_flash(schedule: Schedule, valve: ValveArrays, phases: Phases, states: np.ndarray, waves: tuple) -> np.ndarray:
    """(samples, states) rates while the valve stands at the flash position, where a limit on evolution is judged; else not a number.

    To evaluate them everywhere would cost a sixth of the march.
    """
    out = np.full_like(states, np.nan)
    position = schedule.position_of("flash")
    if position is not None:
        of_phase = phases.position[phases.sample_ptr[:-1]]
        first, last = np.searchsorted(of_phase[: phases_on_machine(phases)], [position, position + 1])
        rows = slice(phases.sample_ptr[first], phases.sample_ptr[last])
        part = phases._replace(
            controls=phases.controls[first:last], line=phases.line[first:last],
            sample_ptr=phases.sample_ptr[first : last + 1] - phases.sample_ptr[first], sample_time=phases.sample_time[rows],
        )  # fmt: skip
        out[rows] = rates_of(valve, part, states[rows], waves)
    return out


@dataclass(frozen=True, eq=False)
class Batch:
    """All that is needed to march any valve of a batch, wherever that is done."""

    schedule: Schedule
    tolerances: Tolerances
    seed: int
    quasi_random: bool
    neighbours: Neighbours  # made to the drawing
    step_tolerance: float = 1e-3

    @property
    def lot_size(self) -> int | None:
        """Valves in a lot, or None when nothing scatters from lot to lot."""
        return self.tolerances.lot_size if self.tolerances.has_lots else None

    def rows(self, first: int, last: int, cancelled: Callable[[], bool] | None = None) -> np.ndarray:
        """Results of the valves [first, last), counted from 0; raises `Cancelled` between two valves."""
        size = self.lot_size or last
        parts = []
        while first < last:
            until = min(last, (first // size + 1) * size)
            parts.append(self._of_lot(first // size if self.lot_size else 0, range(first, until), cancelled))
            first = until
        return np.concatenate(parts)

    def _of_lot(self, lot: int, numbers: range, cancelled) -> np.ndarray:
        own, common = self.tolerances.at("valve"), self.tolerances.at("lot")
        schedule, neighbours, shared = self.schedule, self.neighbours, np.empty(0)
        if common:
            shared = self._drawn(schedule, "lot", range(lot, lot + 1))[0]
            schedule = with_values(schedule, common, shared)
            try:
                neighbours = neighbours_of(simulate(schedule, self.step_tolerance))
            except FailedRun:
                neighbours = None
        drawn = self._drawn(schedule, "valve", numbers)
        out = empty_rows(self.tolerances, len(numbers))
        order = [*own, *common]
        places = [order.index(t) for t in self.tolerances.tolerances]
        for row, number in enumerate(numbers):
            if cancelled is not None and cancelled():
                raise Cancelled("stopped between two valves")
            out[row]["valve"], out[row]["lot"] = number, lot
            out[row]["drawn"] = np.concatenate([drawn[row], shared])[places]
            fill_row(out[row], None if neighbours is None else with_values(schedule, own, drawn[row]), neighbours, self.step_tolerance)
        return out

    def _drawn(self, schedule: Schedule, level: str, numbers: range) -> np.ndarray:
        """(number, tolerance) values [SI] of one level."""
        dice = dice_of(self.tolerances, level, nominal_values(schedule, self.tolerances.at(level)))
        if not dice.tolerances:
            return np.empty((len(numbers), 0))
        return dice.values(uniforms(self.seed, level, numbers, len(dice.tolerances), self.quasi_random))


def row_type(tolerances: Tolerances) -> np.dtype:
    """The form of a row of results."""
    return np.dtype([
        ("valve", "<i8"), ("lot", "<i8"), ("drawn", "<f8", (len(tolerances.tolerances),)), ("reached", "<f8", (len(REACHED),)),
        ("failed", "?", (len(CAUSES),)), ("first", "<i2"), ("passed", "?"),
    ])  # fmt: skip


def empty_rows(tolerances: Tolerances, count: int) -> np.ndarray:
    """Rows to be filled."""
    return np.zeros(count, dtype=row_type(tolerances))


def fill_row(row: np.void, schedule: Schedule | None, neighbours: Neighbours | None, step_tolerance: float = 1e-3) -> None:
    """March and judge one valve; without neighbours, or without a result, it is a reject by `no_result`."""
    try:
        if neighbours is None:
            raise FailedRun("the lines of this lot have no steady state")
        verdict = judge(march_among(schedule, neighbours, step_tolerance))
    except FailedRun:
        row["reached"], row["passed"] = math.nan, False
        row["first"] = CAUSES.index(NO_RESULT)
        row["failed"][CAUSES.index(NO_RESULT)] = True
        return
    row["passed"] = verdict.passes
    row["reached"] = reached(verdict)
    reasons = [reason.key for reason in verdict.reasons]
    row["first"] = CAUSES.index(reasons[0]) if reasons else -1
    for key in reasons:
        row["failed"][CAUSES.index(key)] = True


def reached(verdict: Verdict) -> tuple[float, ...]:
    """The numbers kept of one valve, in the order of `REACHED`; not a number for what the schedule does not come to."""
    run = verdict.run
    values = {check.name: check.value for check in verdict.targets}
    life = run.barium_spent[-1] if (run.stage == 4).any() else math.nan
    return (
        *(values.get(name, math.nan) for name in TARGETS), peak_bulb_pressure(run), verdict.carbon_dioxide_left, getter_taken(verdict),
        float(life), worst_beyond(verdict),
    )  # fmt: skip


def getter_taken(verdict: Verdict) -> float:
    """Share of the CO2 that the getter's barium could bury which is still locked in the coating when the valve leaves the pump [1]."""
    getter = verdict.run.schedule.valve.getter
    return verdict.carbon_dioxide_left / (getter.barium * getter.yield_limit * getter.appetite["CO2"])


def worst_beyond(verdict: Verdict) -> float:
    """The worst target or stop limit as a multiple of its limit [1]: below 1 for a valve that passes."""
    run = verdict.run
    found = [check.beyond for check in verdict.targets]
    told = {check.name for check in verdict.targets}
    for check in CHECKS:
        if check.covers_target in told:
            continue
        limit = limits_of(run, check).stop
        if limit is None or limit == 0.0:
            continue
        reading = verdict.readings[check.measure]
        if reading is not None and math.isfinite(reading.value):
            found.append(times_beyond(reading.value, limit, check.kind, check.too_low))
    return max([x for x in found if math.isfinite(x)], default=NEVER)


def mean_batch(schedule: Schedule, tolerances: Tolerances, seed: int, quasi_random: bool, run: Run) -> Batch:
    """The batch round the valve made to the drawing, whose `run` is from `simulate`."""
    return Batch(schedule, tolerances, seed, quasi_random, neighbours_of(run), run.tolerance)
