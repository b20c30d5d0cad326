"""What came of a run of the loaded machine: lines at their worst, heads to scrap, neighbours, limits, and the answer in one sentence.

`find` runs the machine and the studies that are asked for; terminal, page, pictures and the desk show the same findings.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import asdict, dataclass, replace

import numpy as np

from exhaustsim.constants import GAS_NAMES
from exhaustsim.engine.loaded import MachineRun, simulate_machine
from exhaustsim.engine.run import simulate
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.incidents import (
    AiredHeads, BrokenValve, EmptyHead, Incident, Leaker, OtherValves, ScoredPlate, SlackCoil, Stop, WeakPump,
)  # fmt: skip
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.coldheads import ColdStart, heads_to_scrap
from exhaustsim.studies.lineload import LineLoad, line_loads
from exhaustsim.studies.linemoves import LineMove, line_moves
from exhaustsim.studies.machineflags import machine_flags
from exhaustsim.studies.mixedvalves import MixedValves, mixed_valves
from exhaustsim.studies.neighbours import CrossTalk, LeakerLimits, cross_talk, excess_of_neighbours, leaker_limits
from exhaustsim.studies.stops import Scrap, StopTolerance, scrap_list, stop_tolerance
from exhaustsim.studies.verdict import Flag, Verdict, judge
from exhaustsim.units import PASCAL_LITRE, convert, format_number, share_text, show

NOTHING = 2e-3  # share: two runs of tolerance 1e-3 differ by as much
RAISED = 1.2  # times its usual mean pressure at which a line is worth a word in the answer


@dataclass(frozen=True)
class LineFinding:
    """One line: as it usually is, in its worst index, and how long its pump was in trouble in the whole run."""

    usual: LineLoad
    worst: LineLoad  # index with the highest mean line pressure
    stalled: float  # s of the run
    overloaded: float  # s of the run

    @property
    def load(self) -> float | None:
        """Mean throughput of the worst index over what the pump takes at its knee; None where it has no knee."""
        most = self.worst.most_throughput
        return None if most is None else self.worst.throughput / most

    def to_json(self) -> dict:
        names = ("usual", "worst")
        return {n: getattr(self, n).to_json() for n in names} | {"load": self.load, "stalled": self.stalled, "overloaded": self.overloaded}


@dataclass(frozen=True, eq=False)
class Findings:
    """A machine run and what was asked of it."""

    run: MachineRun
    usual: MachineRun  # one index of the same machine without incidents
    verdict: Verdict  # of a valve without incidents
    lines: tuple[LineFinding, ...]
    scrap: tuple[Scrap, ...]
    flags: tuple[Flag, ...]  # that only a loaded machine can raise
    talk: tuple[CrossTalk, ...]  # empty unless asked
    limits: LeakerLimits | None
    tolerances: tuple[StopTolerance, ...]
    pressure_unit: str
    cold: ColdStart | None = None  # unless asked
    moves: tuple[LineMove, ...] = ()  # empty unless asked
    mixed: tuple[MixedValves, ...] = ()  # empty unless asked

    @property
    def passes(self) -> bool:
        """No valve to scrap, no flag that says stop, and a good valve meets its targets."""
        return self.verdict.passes and not self.scrap and all(flag.level != "stop" for flag in self.flags)

    @property
    def since(self) -> float:
        """When the first leaker, breakage or stop came, or the first other incident if there is none [s]."""
        return first_blow(self.run.incidents)

    @property
    def worst_index(self) -> int:
        """Index, from 1, in which a line stands furthest above its usual pressure."""
        usual = {line.name: line.mean_pressure for line in self.usual.last.lines}
        rise = [max((w.mean_pressure / usual[w.name] for w in i.lines), default=1.0) for i in self.run.indices]
        return int(np.argmax(rise)) + 1

    @property
    def excess(self) -> np.ndarray:
        """(position,) bulb pressure at the end of the worst index over the usual one, NaN without a valve."""
        return excess_of_neighbours(self.run, self.usual, self.worst_index)

    @property
    def heads(self) -> tuple[int, ...]:
        """Heads with a valve to scrap."""
        return tuple(sorted({s.head for s in self.scrap}))

    @property
    def answer(self) -> str:
        """The answer in one sentence."""
        schedule = self.run.schedule
        told = [incident_words(i) for i in self.run.incidents]
        begin = f"{schedule.name} on {schedule.machine.name}, {listed(told) or 'no incident'}: "
        parts = []
        if self.scrap:
            count = len(self.scrap)
            parts.append(
                f"{count} valve{'s' if count > 1 else ''} of {len(self.run.journeys)} to scrap, "
                f"head{'s' if len(self.heads) > 1 else ''} {listed(map(str, self.heads))}"
            )
        elif self.run.journeys:
            every = "every valve that left the machine" if len(self.run.journeys) > 1 else "the valve that left the machine"
            parts.append(f"{every} is as good as one of the steady machine, which {self.verdict.word}")
        else:
            parts.append("no valve left the machine in this run")
        raised = sorted((line for line in self.lines if _rise(line) > RAISED), key=_rise, reverse=True)
        if raised:
            line = raised[0]
            was, rose = (show(load.mean_pressure, "pressure", self.pressure_unit) for load in (line.usual, line.worst))
            others = f" (also raised: {listed(r.worst.line for r in raised[1:])})" if raised[1:] else ""
            parts.append(f"line {line.worst.line} rises from {was} to {rose}, mean of its worst index{others}")
        elif self.lines:
            parts.append("no line rises by a fifth")
        stalled = [f.worst.line for f in self.lines if f.stalled > 0.0]
        if stalled:
            parts.append(f"the diffusion pump of line {listed(stalled)} stalls")
        return begin + "; ".join(parts) + "."

    def to_json(self) -> dict:
        """Everything, SI units in the names' documentation; leaks in mol/s."""
        run = self.run
        return {
            "answer": self.answer,
            "schedule": run.schedule.name,
            "machine": run.schedule.machine.name,
            "incidents": [incident_words(i) for i in run.incidents],
            "indices": len(run.indices),
            "settled_by_index": run.settled,
            "good_valve_meets_target": self.verdict.passes,
            "lines_si": [line.to_json() for line in self.lines],
            "worst_index": self.worst_index,
            "bulb_pressure_over_usual": [None if np.isnan(x) else float(x) for x in self.excess],
            "scrap": [s.to_json() for s in self.scrap],
            "blanked_after_spark_test": [j.head for j in run.journeys if j.cut_off],
            "flags": [asdict(flag) for flag in self.flags],
            "cross_talk_si": [t.to_json() for t in self.talk],
            "leak_limits_mol_s": None if self.limits is None else self.limits.to_json(),
            "stop_tolerance": [t.to_json() for t in self.tolerances],
            "cold_start": None if self.cold is None else self.cold.to_json(),
            "line_moves": [move.to_json() for move in self.moves],
            "mixed_valves": [mix.to_json() for mix in self.mixed],
            "head_surfaces_mol": dict(zip(GAS_NAMES, map(float, run.ledger.head_surfaces), strict=True)),
            "ledger_error": run.ledger.error,
        }


def find(
    schedule: Schedule, incidents: Iterable[Incident] = (), *, indices: int | None = None, seconds: float | None = None, from_empty: bool = False,
    spark_test_catches: float | None = None, largest_leak: float | None = None, tolerances: bool = False, neighbours: bool = False,
    cold_start: float | None = None, moves: Collection[tuple[int, str]] | None = None, mixes: Iterable[tuple[tuple[int, ...], Schedule]] = (),
    rf_stays: bool = False, pressure_unit: str = "Pa", tolerance: float = 1e-3, progress: Callable[[str], None] = lambda words: None,
) -> Findings:  # fmt: skip
    """Run the machine and the studies asked for.

    Parameters
    ----------
    largest_leak : float, optional
        Look for the leaks that spoil something, up to this one [mol/s].
    tolerances, neighbours : bool
        Whether to look for the stop that each position bears, and for the cross-talk.
    cold_start : float, optional
        Count the valves to scrap when loading begins so many seconds after switching on.
    moves : collection of (position, line), optional
        Move each of these positions to that line, by itself; an empty one: every move to a neighbouring line.
    mixes : iterable of (heads, schedule)
        Whether heads loaded by another schedule go together with the rest.
    progress : callable
        Told in words what is being done.

    The other parameters are those of `simulate_machine`.

    Raises
    ------
    DesignFault, FailedRun
        As `simulate_machine`.
    """
    incidents = tuple(incidents)
    if faults := bench_faults(schedule):
        raise DesignFault(faults)
    if indices is None and seconds is None:
        indices = _while_heads_give_back(schedule, incidents)
    progress(f"{schedule.name}: one valve without incidents")
    good = judge(simulate(schedule, tolerance), pressure_unit)
    usual = simulate_machine(schedule, indices=1, follow=False, tolerance=tolerance)
    run = simulate_machine(
        schedule, incidents, indices=indices, seconds=seconds, from_empty=from_empty, spark_test_catches=spark_test_catches,
        tolerance=tolerance, progress=lambda n, most: progress(f"{schedule.name}: loaded machine, index {n} (at most {most})"),
    )  # fmt: skip
    progress(f"{schedule.name}: judging {len(run.journeys)} valves")
    scrap = _scrap(run, good, first_blow(incidents), pressure_unit, tolerance)
    talk, limits, bears = (), None, ()
    if neighbours:
        progress(f"{schedule.name}: the valve alone on the machine")
        talk = cross_talk(schedule, good.run)
    if largest_leak is not None:
        progress(f"{schedule.name}: leak limits, first machine run")
        limits = leaker_limits(schedule, largest_leak, lambda n: progress(f"{schedule.name}: leak limits, {n} machine runs done"))
    if tolerances:
        progress(f"{schedule.name}: stop tolerance, first machine run")
        bears = stop_tolerance(
            schedule, rf_stays=rf_stays, progress=lambda n, most: progress(f"{schedule.name}: stop tolerance, {n} machine runs of at most {most}")
        )
    cold, moved, mixed = None, (), []
    if cold_start is not None:
        aired = [i for i in incidents if isinstance(i, AiredHeads)]
        cold = heads_to_scrap(schedule, cold_start, lambda n, most: progress(f"{schedule.name}: cold start, index {n} (at most {most})"), aired)
    if moves is not None:
        progress(f"{schedule.name}: moving positions to other lines")
        moved = line_moves(schedule, good.run, lambda n, most: progress(f"{schedule.name}: line moves, {n} of {most}"), moves or None)
    for heads, other in mixes:
        progress(f"{schedule.name}: mixed with {other.name}")
        mixed.append(mixed_valves(schedule, other, heads))
    flags = machine_flags(run.schedule, talk, bears, run, good.run)
    return Findings(
        run, usual, good, line_findings(run, usual), scrap, flags, talk, limits, bears, pressure_unit, cold, moved, tuple(mixed)
    )


def _while_heads_give_back(schedule: Schedule, incidents) -> int | None:
    """Three rotations after heads that had stood in room air are loaded; None when none had.

    What they took up comes back as one over the root of time, which has no end: such a machine is never periodic.
    """
    starts = [incident.start for incident in incidents if isinstance(incident, AiredHeads)]
    if not starts:
        return None
    last = max(incident.start for incident in incidents)
    return int(last // schedule.index_time) + 1 + 3 * schedule.machine.positions


def bench_faults(schedule: Schedule) -> list[Fault]:
    """A bench, whose one head is moved from line to line without a transfer, is no loaded machine."""
    if schedule.machine.transfer_time > 0.0:
        return []
    need = "has one head and no neighbours: what stands in the file as positions are steps of one valve"
    return [Fault(schedule.source or schedule.name, "machine", schedule.machine.name, need, "use exhaustsim run, or a rotary machine")]


def line_findings(run: MachineRun, usual: MachineRun) -> tuple[LineFinding, ...]:
    """The lines in their worst index, beside the usual one."""
    loads = [line_loads(run, index.number) for index in run.indices]
    out = []
    for k, before in enumerate(line_loads(usual)):
        mine = [row[k] for row in loads]
        worst = max(mine, key=lambda load: load.mean_pressure)
        out.append(LineFinding(before, worst, sum(load.stalled for load in mine), sum(load.overloaded for load in mine)))
    return tuple(out)


def first_blow(incidents: Iterable[Incident]) -> float:
    """When the first leaker, breakage or stop came, or the first other incident if there is none [s]."""
    blows = [i.start for i in incidents if isinstance(i, (Leaker, BrokenValve, Stop))]
    return min(blows or (i.start for i in incidents), default=0.0)


def incident_words(incident: Incident) -> str:
    """An incident as a person tells it; rates as throughput of air."""
    when = f" at {incident.start:g} s" if incident.start > 0.0 else ""
    match incident:
        case Leaker():
            return f"leaker of {leak_words(incident.throughput)} on head {incident.head}{when}"
        case BrokenValve():
            return f"broken valve on head {incident.head}{when}"
        case Stop():
            return f"stop of {incident.duration:g} s{when}{', RF stays on' if incident.rf_stays else ''}"
        case ScoredPlate():
            return f"port plate scored under head {incident.head}, {leak_words(incident.throughput)}{when}"
        case SlackCoil():
            return f"RF coil at position {incident.position} at {share_text(incident.power_share)} of its power{when}"
        case EmptyHead():
            return f"head {incident.head} empty{when}"
        case WeakPump():
            return f"pump of line {incident.line} at {share_text(incident.speed_share)} of its speed{when}"
        case OtherValves():
            return f"{incident.schedule.name} on head{'s' if len(incident.heads) > 1 else ''} {listed(map(str, incident.heads))}{when}"
        case AiredHeads():
            many = "s" if len(incident.heads) > 1 else ""
            return f"head{many} {spans(incident.heads)} open to room air for {duration_words(incident.duration)}{when}"


def duration_words(seconds: float) -> str:
    """A time in the unit that a person would choose."""
    unit, size = next(((u, s) for u, s in (("h", 3600.0), ("min", 60.0)) if seconds >= 2.0 * s), ("s", 1.0))
    return f"{format_number(seconds / size, 2)} {unit}"


def unbroken(positions: Iterable[int]) -> list[list[int]]:
    """Positions in runs without a gap, rising."""
    runs: list[list[int]] = []
    for position in sorted(positions):
        if runs and position == runs[-1][-1] + 1:
            runs[-1].append(position)
        else:
            runs.append([position])
    return runs


def spans(positions: Iterable[int]) -> str:
    """Positions in words: "1 to 4, 7"."""
    return ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in unbroken(positions)) or "-"


def leak_words(rate: float) -> str:
    """A leak [mol/s of air] in Pa L/s."""
    return f"{format_number(rate / PASCAL_LITRE, 2)} Pa L/s"


def listed(words: Iterable[str]) -> str:
    """a, b and c."""
    words = list(words)
    return " and ".join(filter(None, [", ".join(words[:-1]), words[-1]])) if words else ""


def _rise(line: LineFinding) -> float:
    return line.worst.mean_pressure / line.usual.mean_pressure


def _scrap(run: MachineRun, good: Verdict, since: float, unit: str, tolerance: float) -> tuple[Scrap, ...]:
    """Every valve is held against a good one of its own schedule."""
    out = []
    for schedule in {id(j.run.schedule): j.run.schedule for j in run.journeys}.values():
        mine = replace(run, journeys=tuple(j for j in run.journeys if j.run.schedule is schedule))
        standard = good if schedule is run.schedule else judge(simulate(schedule, tolerance), unit)
        out += scrap_list(mine, standard, since, unit)
    return tuple(sorted(out, key=lambda s: s.number))


def excess_text(share: float) -> str:
    """By how much something is raised, in %; what is no more than the error of a run is called nothing."""
    return f"{format_number(100.0 * share, 2)}%" if abs(share) >= NOTHING else "nothing"


def pressure_text(value: float | None, unit: str) -> str:
    """A pressure in `unit` without the unit, or a dash."""
    return "-" if value is None else format_number(convert(value, "pressure", unit), 2)
