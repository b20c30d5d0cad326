"""A second type of valve on a machine: can it run there at all, and what do both owe one another?

The other valve's schedule is first run on the machine with all heads alike: if it fails there it cannot run
there, whatever stands beside it.  Then some heads are loaded with it and the loaded machine is turned until
both types have gone round among each other; each is judged, and the line whose mean pressure has risen most
is named.

A card that is written for another machine is put onto this one by a plain rule (`put_on`), so that the question can be
asked before anybody has written one; what the rule left out is told.

Not weighed: what a change of heads, coils and rubber costs; whether the oven's temperature suits both is seen
only by what each makes of its own schedule's oven.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace

from exhaustsim.engine.loaded import MachineRun, simulate_machine
from exhaustsim.engine.result import FailedRun
from exhaustsim.engine.run import simulate
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.incidents import OtherValves, check_incidents
from exhaustsim.plant.schedule import PositionSetting, Schedule
from exhaustsim.studies.stops import failings
from exhaustsim.studies.verdict import judge, list_of

FELT = 1.05  # times its mean pressure from which a line is worth a word
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
    put_on: str = ""  # what was changed in a card written for another machine

    @property
    def feasible(self) -> bool:
        """The other valve can run there, and neither spoils the other."""
        return not (self.no_result or self.other_alone or self.new_for_valve or self.new_for_other)

    @property
    def sentence(self) -> str:
        """Feasible or not, and why."""
        return f"{self._finding} {self.put_on}".strip()

    @property
    def _finding(self) -> str:
        if self.no_result:
            return f"{self.other} cannot run on {self.machine}: {self.no_result}"
        if self.other_alone:
            return f"{self.other} cannot run on {self.machine}: {list_of(list(self.other_alone.values())[:3])}."
        suffers = [(name, why) for name, why in ((self.valve, self.new_for_valve), (self.other, self.new_for_other)) if why]
        if self.line_rise is None or self.line_rise < FELT:
            line = "no line feels it"
        else:
            line = f"line {self.line} bears most of it (mean line pressure {self.line_rise:.2f} times that with {self.valve} alone)"
        if suffers:
            told = list_of([f"{name} ({list_of(list(why.values())[:2])})" for name, why in suffers])
            return f"{self.other} can run on {self.machine}, but mixed with {self.valve} it spoils {told}; {line}."
        return f"{self.other} can run on {self.machine} mixed with {self.valve}; {line}."

    def to_json(self) -> dict:
        return asdict(self) | {"feasible": self.feasible, "sentence": self.sentence}


def put_on(other: Schedule, schedule: Schedule) -> tuple[Schedule, str]:
    """The card of `other` on the machine of `schedule`, and in words what was changed; as it is if written for that machine.

    Index time, oven and the places of load, spark test, flash, tip-off and eject are those of `schedule`.  RF settings go in their order
    to the machine's coils before the flash, no longer than the dwell; heater steps to where `schedule` has its own, the first and the
    last of them and evenly between.

    Raises
    ------
    DesignFault
        RF that the coils here cannot give, or that begins after the dwell.
    """
    machine = schedule.machine
    if other.machine.name == machine.name:
        return other, ""
    flash, theirs = schedule.position_of("flash"), other.position_of("flash")
    settings = [p.rf for p in other.positions if p.rf is not None and p.position != theirs]
    rf = dict(zip([p for p in machine.rf_positions if flash is None or p < flash], settings, strict=False))
    told = f"{len(rf)} of {len(settings)} RF settings"
    if flash in machine.rf_positions and theirs is not None and other.positions[theirs - 1].rf is not None:
        rf[flash] = other.positions[theirs - 1].rf
    longest = max((setting.start + setting.duration for setting in rf.values()), default=0.0)
    if longest > schedule.dwell + 1e-9:
        told += f" cut to the dwell of {schedule.dwell:g} s"
    faults = []
    for position, setting in rf.items():
        place = f"position[{position}].rf"
        if setting.start >= schedule.dwell:
            need = f"begins after the dwell of {schedule.dwell:g} s on {machine.name}"
            faults.append(Fault(other.source, f"{place}.start", f"{setting.start:g} s", need, f"write a schedule for {machine.name}"))
        if setting.current > 0.0 and not any(position in coil.positions for coil in machine.coils):
            need = f"is given by current, and {machine.name} does not describe that coil"
            faults.append(Fault(other.source, f"{place}.current", f"{setting.current:g} A", need, "describe the coil, or give watts"))
        watts = sum(setting.power.values())
        if watts > machine.rf_power_limit:
            need = f"the coils of {machine.name} give {machine.rf_power_limit:g} W"
            faults.append(Fault(other.source, f"{place}.power", f"{watts:g} W", need, f"write a schedule for {machine.name}"))
    if faults:
        raise DesignFault(faults)
    rf = {p: replace(setting, duration=min(setting.duration, schedule.dwell - setting.start)) for p, setting in rf.items()}
    steps = [p.heater_voltage for p in other.positions if p.heater_voltage > 0.0]
    places = [p.position for p in schedule.positions if p.heater_voltage > 0.0][: len(steps)]
    volts = {place: steps[round(k * (len(steps) - 1) / max(len(places) - 1, 1))] for k, place in enumerate(places)}
    positions = tuple(PositionSetting(p.position, p.action, volts.get(p.position, 0.0), rf.get(p.position)) for p in schedule.positions)
    words = (
        f"Its card for {other.machine.name} was put onto {machine.positions} positions of {schedule.index_time:g} s by rule: "
        f"{len(places)} of {len(steps)} heater steps, {told}, the oven of {schedule.name}."
    )
    return replace(
        other, name=f"{other.name} put on {machine.name}", machine=machine, positions=positions, index_time=schedule.index_time,
        oven_temperature=schedule.oven_temperature,
    ), words  # fmt: skip


def faults_of_mix(schedule: Schedule, other: Schedule, heads: Iterable[int], source: str = "incidents") -> list[Fault]:
    """Why the two cannot share the machine; empty if they can."""
    heads = tuple(heads)
    faults = []
    try:
        other, _ = put_on(other, schedule)
    except DesignFault as fault:
        return fault.faults
    apart = abs(other.oven_temperature - schedule.oven_temperature)
    if apart > OVEN_AGREEMENT:
        need = f"sets the oven {apart:.0f} K off that of {schedule.name}"
        faults.append(Fault(other.source, "oven_temperature", f"{other.oven_temperature - 273.15:.0f} degC", need, "one machine has one oven"))
    try:
        check_incidents(schedule, [OtherValves(heads, other)], schedule.index_time, source)
    except DesignFault as fault:
        faults += fault.faults
    if set(heads) >= set(range(1, schedule.machine.positions + 1)):
        need = f"leaves no head to {schedule.name}"
        faults.append(Fault(source, "OtherValves.heads", "all", need, "name some of the heads; all heads alike are asked by exhaustsim run"))
    return faults


def mixed_valves(schedule: Schedule, other: Schedule, heads: Iterable[int]) -> MixedValves:
    """Load `heads` by `other`, all the rest by `schedule`.

    Raises
    ------
    DesignFault
        The two schedules are not for one index time and one oven, or cannot be put on one machine; heads that are not there, or all of them.
    FailedRun
        `schedule` comes to no result on the machine as it is.
    """
    heads = tuple(heads)
    if faults := faults_of_mix(schedule, other, heads):
        raise DesignFault(faults)
    other, changed = put_on(other, schedule)
    machine = schedule.machine
    before = simulate(schedule)
    names = (schedule.valve.name, other.valve.name, machine.name)
    try:
        single = simulate(other)
        unfit = failings(judge(single))
        if unfit:
            return MixedValves(*names, unfit, {}, {}, None, None, put_on=changed)
        run = simulate_machine(schedule, [OtherValves(heads, other)], indices=2 * machine.positions + 1)
    except FailedRun as failure:
        return MixedValves(*names, {}, {}, {}, None, None, str(failure), changed)
    now = {wave.name: _mean(run, wave.name) for wave in before.lines}
    rises = {wave.name: now[wave.name] / wave.mean_pressure for wave in before.lines}
    worst = max(rises, key=rises.get)
    mine = _new(run, [h for h in range(1, machine.positions + 1) if h not in heads], failings(judge(before)))
    return MixedValves(*names, {}, mine, _new(run, heads, {}), worst, rises[worst], put_on=changed)


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
