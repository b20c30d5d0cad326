"""A run in which one position's heat comes late: heater volts or oven, some seconds after the port has opened.

A schedule cannot say so, because cams and ovens know no seconds; as a question it is sensible all the same: how
much of this position's heat could be done without?  Until the heater step comes, the volts of the position before
stay on; until the oven covers the valve, it stands in room air.  All valves are treated so, and the pumping lines
are settled anew.

The moment is one of those at which results are kept (at most a quarter of a second apart).  Not here: RF, whose
seconds a schedule does say.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.engine import rates
from exhaustsim.engine.lines import Lines
from exhaustsim.engine.march import DONE, SENTENCES
from exhaustsim.engine.network import number_valve
from exhaustsim.engine.observe import histories, ledger_of, rates_of
from exhaustsim.engine.phases import Phases, phases_of
from exhaustsim.engine.rates import CONTROL_COUNT
from exhaustsim.engine.result import FailedRun, Outcome, Run
from exhaustsim.engine.run import LEDGER_LIMIT, march_valve, phases_on_machine, settle_lines
from exhaustsim.plant.schedule import Schedule

KINDS = ("heater", "oven")


def moments(schedule: Schedule, position: int) -> np.ndarray:
    """Moments at which the heat may begin [s after the port opens], from 0 to the end of the dwell."""
    phases = phases_of(schedule, number_valve(schedule.valve, schedule.machine))
    inside = (phases.position == position) & (phases.stage == 0)
    return np.unique(np.round(phases.sample_time[inside] - phases.sample_time[inside][0], 12))


def run_with_late_heat(schedule: Schedule, position: int, moment: float, kind: str, near: Run, tolerance: float = 1e-3, between_passes=None) -> Run:
    """The schedule with the heat of one position beginning at `moment` [s after the port opens].

    Parameters
    ----------
    moment : float
        One of `moments`.
    kind : str
        "heater" or "oven".
    near : Run
        The run of `schedule` as it stands, from whose line pressures this one begins.
    tolerance, between_passes
        See `exhaustsim.simulate`.

    Raises
    ------
    FailedRun
        As `exhaustsim.simulate`.
    """
    valve = number_valve(schedule.valve, schedule.machine)
    phases = _delayed(phases_of(schedule, valve), position, moment, kind, len(valve.node_names), schedule.machine.room_temperature)
    lines = Lines(schedule)
    counts = np.zeros(3, dtype=np.int64)
    settled = settle_lines(schedule, valve, phases, lines, tolerance, counts, near.line_history, between_passes)
    states = settled.states
    on_machine = phases_on_machine(phases)
    if on_machine < len(phases.duration):
        later, _ = march_valve(valve, phases, on_machine, len(phases.duration), settled.waves, settled.reached, tolerance, counts)
        states = states + later
    ledger = ledger_of(schedule, valve, phases, states)
    if not ledger.error < LEDGER_LIMIT:
        raise FailedRun(f"The gas ledger is open by {ledger.error:.1e} of the inventory (limit {LEDGER_LIMIT:.0e}).")
    outcome = Outcome(True, SENTENCES[DONE], *map(int, counts), settled.passes, settled.change)
    return Run(
        schedule=schedule, outcome=outcome, ledger=ledger, lines=lines.waveforms(settled.history), line_history=settled.history,
        tolerance=tolerance, **histories(schedule, valve, phases, states, rates_of(valve, phases, states, settled.waves), settled.waves),
    )  # fmt: skip


def _delayed(phases: Phases, position: int, moment: float, kind: str, nodes: int, room: float) -> Phases:
    """The phases with the controls of the heat changed in the first `moment` seconds of the dwell, one phase cut in two if need be."""
    first_sample = phases.sample_ptr[:-1]
    mine = np.flatnonzero((phases.position[first_sample] == position) & (phases.stage[first_sample] == 0))
    if kind == "heater":
        which = [rates.C_HEATER_TEMPERATURE, rates.C_HEATER_POWER]
        # The transfer that brings the valve here still has the volts of the position before.
        before = phases.controls[mine[0] - 1] if mine[0] > 0 else np.zeros(phases.controls.shape[1])
    else:
        which = [rates.C_AIR, rates.C_SURROUNDINGS, *range(CONTROL_COUNT + nodes, CONTROL_COUNT + 3 * nodes)]
        before = phases.controls[np.flatnonzero(phases.controls[:, rates.C_AIR] == room)[0]]
    late = phases.start[mine[0]] + moment
    ends = phases.start[mine] + phases.duration[mine]
    controls = phases.controls.copy()
    controls[np.ix_(mine[ends <= late + 1e-9], which)] = before[which]
    cut = mine[(phases.start[mine] < late - 1e-9) & (ends > late + 1e-9)]
    if cut.size == 0:
        return phases._replace(controls=controls)
    k = int(cut[0])
    early = controls[k].copy()
    early[which] = before[which]
    samples = phases.sample_time[phases.sample_ptr[k] : phases.sample_ptr[k + 1]]
    pointer = phases.sample_ptr[k] + int(np.count_nonzero(samples <= late + 1e-9))
    return phases._replace(
        controls=np.insert(controls, k, early, axis=0),
        duration=np.concatenate([phases.duration[:k], [late - phases.start[k], ends[mine == k][0] - late], phases.duration[k + 1 :]]),
        start=np.insert(phases.start, k + 1, late),
        line=np.insert(phases.line, k, phases.line[k]),
        sample_ptr=np.insert(phases.sample_ptr, k + 1, pointer),
    )  # fmt: skip
