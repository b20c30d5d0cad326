"""A second type of valve on a machine: can it run there at all, and what do both owe one another?

The other valve's schedule is first run on the machine with all heads alike: if it fails there it cannot run
there, whatever stands beside it.  Then some heads are loaded with it and the loaded machine is turned until
both types have gone round among each other; each is judged, and the line whose mean pressure has risen most
is named.

Not weighed: what a change of heads, coils and rubber costs; whether the oven's temperature suits both is seen
only by what each makes of its own schedule's oven.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass

from exhaustsim.engine.loaded import MachineRun, simulate_machine
from exhaustsim.engine.result import FailedRun
from exhaustsim.engine.run import simulate
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.incidents import OtherValves
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.stops import failings
from exhaustsim.studies.verdict import judge, list_of

OVEN_AGREEMENT = 5.0  # K by which two schedules may differ on the oven that they share, practice


@dataclass(frozen=True)
class MixedValves:
    """What became of both types."""

    valve: str
    other: str
    machine: str
    other_alone: dict[str, str]  # why the other valve is unfit with all heads alike: name -> sentence; empty if it is fit
    new_for_valve: dict[str, str]  # what makes the first valve unfit among the others and not among its like
    new_for_other: dict[str, str]  # the same for the other valve
    line: str | None  # whose mean pressure rises most against the first valve alone; None without a mixed run
    line_rise: float | None  # by this factor
    no_result: str = ""  # why a run came to no result

    @property
    def sentence(self) -> str:
        """Feasible or not, and why."""
        if self.no_result:
            return f"{self.other} cannot run on {self.machine}: {self.no_result}"
        if self.other_alone:
            return f"{self.other} cannot run on {self.machine}: {list_of(list(self.other_alone.values())[:3])}."
        suffers = [(name, why) for name, why in ((self.valve, self.new_for_valve), (self.other, self.new_for_other)) if why]
        line = f"line {self.line} bears most of it (mean pressure {self.line_rise:.2g} times that with {self.valve} alone)"
        if suffers:
            told = list_of([f"{name} ({list_of(list(why.values())[:2])})" for name, why in suffers])
            return f"{self.other} can run on {self.machine}, but mixed with {self.valve} it spoils {told}; {line}."
        return f"{self.other} can run on {self.machine} mixed with {self.valve}; {line}."

    def to_json(self) -> dict:
        return asdict(self) | {"sentence": self.sentence}


def mixed_valves(schedule: Schedule, other: Schedule, heads: Iterable[int]) -> MixedValves:
    """Load `heads` by `other`, all the rest by `schedule`.

    Raises
    ------
    DesignFault
        The two schedules are not for one machine, one index time and one oven; heads that are not there.
    FailedRun
        `schedule` comes to no result on the machine as it is.
    """
    heads = tuple(heads)
    apart = abs(other.oven_temperature - schedule.oven_temperature)
    if apart > OVEN_AGREEMENT:
        need = f"sets the oven {apart:.0f} K off that of {schedule.name}"
        raise DesignFault([Fault(other.source, "oven_temperature", f"{other.oven_temperature - 273.15:.0f} degC", need, "one machine has one oven")])
    machine = schedule.machine
    before = simulate(schedule)
    names = (schedule.valve.name, other.valve.name, machine.name)
    try:
        single = simulate(other)
        unfit = failings(judge(single))
        if unfit:
            return MixedValves(*names, unfit, {}, {}, None, None)
        run = simulate_machine(schedule, [OtherValves(heads, other)], indices=2 * machine.positions + 1)
    except FailedRun as failure:
        return MixedValves(*names, {}, {}, {}, None, None, str(failure))
    now = {wave.name: _mean(run, wave.name) for wave in before.lines}
    rises = {wave.name: now[wave.name] / wave.mean_pressure for wave in before.lines}
    worst = max(rises, key=rises.get)
    mine = _new(run, [h for h in range(1, machine.positions + 1) if h not in heads], failings(judge(before)))
    return MixedValves(*names, {}, mine, _new(run, heads, {}), worst, rises[worst])


def _mean(run: MachineRun, line: str) -> float:
    """Mean pressure of a line over the last rotation [Pa]."""
    last = run.indices[-run.schedule.machine.positions :]
    return sum(next(w.mean_pressure for w in index.lines if w.name == line) for index in last) / len(last)


def _new(run: MachineRun, heads: Iterable[int], usual: dict[str, str]) -> dict[str, str]:
    """What makes a valve of these heads unfit that has gone round among all the others."""
    out: dict[str, str] = {}
    for journey in run.journeys:
        if journey.head in heads and journey.entered >= 1:
            out |= {name: why for name, why in failings(judge(journey.run)).items() if name not in usual and name not in out}
    return out
