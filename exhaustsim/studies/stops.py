"""How long the machine may stand before valves are spoiled, and which to scrap when it has stood.

A stop of so many seconds is run on the loaded machine, every valve that stood on it is followed to
its end and judged; a valve is spoiled by the stop when it raises a stop flag, or misses a target,
that it does not without the stop.  `stop_tolerance` searches for the longest stop that each position
stands; `scrap_list` names the heads after one stop, or after any other incident.

RF trips on a stop unless told otherwise; oven, heaters and pumps stay on; the fires of the tip-off
do not wait for the turret.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass

import numpy as np

from exhaustsim.compiled import spread
from exhaustsim.engine.loaded import Journey, MachineRun, simulate_machine
from exhaustsim.engine.run import simulate
from exhaustsim.plant.incidents import Stop
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.flags import CHECKS, Limits, limits_for
from exhaustsim.studies.verdict import Verdict, judge

STOP_LIMITS = Limits(warn=30.0, stop=10.0)  # s, practice
LADDER = (10.0, 30.0, 100.0, 300.0, 1000.0, 3600.0)  # s, stops tried first
TEMPERATURES = frozenset(check.name for check in CHECKS if check.kind == "temperature" and not check.too_low)
STOP_AGREEMENT = 0.1  # relative width at which the search for a position's tolerance ends


@dataclass(frozen=True)
class Scrap:
    """A valve not fit to go on, and why."""

    head: int
    position: int | None  # where it stood when it happened
    number: int  # valve, counted in the order of loading from the beginning of the run
    reasons: tuple[str, ...]  # names of stop flags and missed targets that a good valve does not have
    sentence: str  # of the first of them

    def to_json(self) -> dict:
        return asdict(self)


@dataclass(frozen=True)
class StopTolerance:
    """One position: the longest stop that the valve standing there bears."""

    position: int
    seconds: float  # longest stop tried that it bears; 0 if it bears none
    fails_at: float | None  # s, shortest stop tried that spoils it; None if none does
    first: str  # what fails first, by its name; "" if nothing does
    sentence: str
    limits: Limits = STOP_LIMITS

    @property
    def by_temperature(self) -> bool:
        """What fails first is a temperature that is too high."""
        return self.first in TEMPERATURES

    @property
    def level(self) -> str:
        """Level of the `stop_tolerance` flag, or ""; it watches temperatures, so a flash cut off by the stop does not raise it."""
        if not self.by_temperature:
            return ""
        return "stop" if self.seconds < self.limits.stop else "warn" if self.seconds < self.limits.warn else ""

    def to_json(self) -> dict:
        told = asdict(self) | {"level": self.level}
        return {name: value for name, value in told.items() if name != "limits"}


def failings(verdict: Verdict) -> dict[str, str]:
    """What makes a valve unfit, name to sentence: missed targets and stop flags, in the order of their happening."""
    out = {f.name: f.sentence for f in sorted(verdict.flags, key=lambda f: (f.time_s is None, f.time_s or 0.0)) if f.level == "stop"}
    for check in verdict.targets:
        if not check.met:
            value, limit = check.texts(verdict.pressure_unit)
            out.setdefault(check.name, f"{check.what} {value} against the target of {limit}")
    return out


def scrap_list(run: MachineRun, good: Verdict, since: float = 0.0, pressure_unit: str = "Pa") -> tuple[Scrap, ...]:
    """Valves spoiled by what happened: those unfit for a reason that `good`, a valve without incidents, does not have.

    `since` [s]: when it happened, for the position at which each valve stood.
    """
    usual = failings(good)
    happened = next((i for i in run.indices if i.begin <= since < i.begin + i.length), run.last)
    out = []
    for journey in run.journeys:
        found = {name: why for name, why in failings(judge(journey.run, pressure_unit)).items() if name not in usual}
        if found:
            stood = happened.position[journey.head] if _rode(run, journey, happened.number) else None
            out.append(Scrap(journey.head, stood, journey.number, tuple(found), next(iter(found.values()))))
    return tuple(out)


def _rode(run: MachineRun, journey: Journey, number: int) -> bool:
    return journey.entered <= number < journey.entered + run.schedule.machine.positions


def after_stop(
    schedule: Schedule, seconds: float, moment: float | None = None, rf_stays: bool = False, positions: Iterable[int] | None = None
) -> MachineRun:
    """The loaded machine through one stop and until the valves that stood at `positions` have left, by default all.

    moment : s after the beginning of the index; by default the middle of the dwell.
    """
    if moment is None:
        moment = schedule.machine.transfer_time + 0.5 * schedule.dwell
    rotation = schedule.machine.positions
    stop = Stop(moment, seconds, rf_stays)
    # In the first index every head stands at the position of its own number.
    heads = frozenset(range(1, rotation + 1) if positions is None else positions)
    return simulate_machine(schedule, [stop], indices=rotation + 2 - min(heads), follow=True if positions is None else heads)


def stop_tolerance(
    schedule: Schedule, moment: float | None = None, rf_stays: bool = False, ladder: tuple[float, ...] = LADDER,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[StopTolerance, ...]:  # fmt: skip
    """The longest stop that the valve at each position bears, to a tenth.

    Parameters
    ----------
    schedule : Schedule
    moment : float, optional
        When in the index the turret stands [s after its beginning]; by default the middle of the dwell.
    rf_stays : bool
        Whether the RF stays on.
    ladder : tuple of float
        Stops tried first [s], rising.
    progress : callable, optional
        Called with (machine runs done, machine runs at most).

    Raises
    ------
    FailedRun
        As `simulate_machine`.
    """
    good = failings(judge(simulate(schedule)))
    positions = range(1, schedule.machine.positions + 1)
    bears = {p: 0.0 for p in positions}
    fails: dict[int, tuple[float, str, str]] = {}
    runs = 0
    most = len(ladder) + 12

    def open_at(seconds):
        return [p for p in positions if bears[p] < seconds < fails.get(p, (np.inf,))[0]]

    def look(several):
        nonlocal runs
        asked = [open_at(seconds) for seconds in several]
        found: list[dict[int, dict[str, str]]] = [{} for _ in several]

        def job(number):
            run = after_stop(schedule, several[number], moment, rf_stays, asked[number])
            for journey in run.journeys:
                if _rode(run, journey, 1):
                    unfit = failings(judge(journey.run))
                    found[number][run.indices[0].position[journey.head]] = {name: why for name, why in unfit.items() if name not in good}

        spread(job, len(several))
        for seconds, outcome in zip(several, found, strict=True):
            for position, reasons in outcome.items():
                if reasons and seconds < fails.get(position, (np.inf,))[0]:
                    fails[position] = (seconds, *next(iter(reasons.items())))
                elif not reasons and seconds < fails.get(position, (np.inf,))[0]:
                    bears[position] = max(bears[position], seconds)
        runs += len(several)
        if progress is not None:
            progress(runs, most)

    for k in range(0, len(ladder), 2):
        rungs = [seconds for seconds in ladder[k : k + 2] if open_at(seconds)]
        if not rungs or len(fails) == len(bears):
            break
        look(rungs)
    while runs < most:
        open_ = [
            (bears[p], fails[p][0]) for p in positions if p in fails and fails[p][0] - bears[p] > STOP_AGREEMENT * fails[p][0] and fails[p][0] > 1.0
        ]
        if not open_:
            break
        # The brackets that most positions share first.
        ranked = sorted(set(open_), key=lambda pair: (-open_.count(pair), pair[1]))[: min(2, most - runs)]
        look([float(np.sqrt(low * high)) if low > 0.0 else high / 4.0 for low, high in ranked])
    limits = limits_for(schedule.valve, "stop_tolerance", STOP_LIMITS)
    return tuple(
        StopTolerance(p, bears[p], *(fails[p] if p in fails else (None, "", f"bears the longest stop tried, {ladder[-1]:g} s")), limits)
        for p in positions
    )
