"""Schedules tried one after another, each held against everything that it must keep.

A search for the quickest schedule, for slack or for better settings asks the same of every candidate: does it
meet its targets without a stop, and how far is it from each of these limits?  `Trials` runs and judges the
candidates, several at once where there are cores for it, counts them, tells how far it has come, and gives up
when asked to.  How far a limit is off is told as times the limit (`beyond`: above 1 it is passed), as
`exhaustsim.studies.verdict.times_beyond` counts.

A candidate whose simulation comes to no result counts as one that fails, with the reason.  Limits that only
note, and the checks on the computation itself, are not held against anybody.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

from exhaustsim.compiled import spread
from exhaustsim.engine.result import FailedRun, Run
from exhaustsim.engine.run import simulate
from exhaustsim.plant.faults import Fault, nearest
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.flags import CHECKS
from exhaustsim.studies.readings import ledger_error
from exhaustsim.studies.verdict import Verdict, against, judge, limits_of, place_of, times_beyond

FAILED = "failed_run"
MOST_TOLD = 148.0  # times the limit: logarithms are cut at plus and minus 5
TARGETS = ("bulb_pressure", "air_share", "converted_fraction", "barium_spent", "sealed_pressure")


class Cancelled(RuntimeError):
    """The study was given up because it was asked to; what it has written is kept."""


@dataclass(frozen=True)
class Requirement:
    """One limit that a schedule must keep, and where it stands to it."""

    key: str  # of the target or check
    level: str  # "target", "stop" or "warn"
    what: str
    beyond: float  # times the limit; above 1 it is passed
    phrase: str  # the reading against its limit, in words
    same_as: str = ""  # the target that says the same

    @property
    def kept(self) -> bool:
        return self.beyond <= 1.0

    @property
    def log(self) -> float:
        """Logarithm of `beyond`, cut where it says no more than "far off"."""
        return math.log(min(max(self.beyond, 1.0 / MOST_TOLD), MOST_TOLD))


@dataclass(frozen=True, eq=False)
class Tried:
    """One candidate and what it keeps; what it fails stands first."""

    schedule: Schedule
    requirements: dict[str, Requirement]

    @property
    def passes(self) -> bool:
        """Everything required is kept."""
        return all(r.kept for r in self.requirements.values())

    @property
    def worst(self) -> Requirement:
        """What is furthest beyond its limit, or nearest to it."""
        return max(self.requirements.values(), key=lambda r: r.beyond)

    @property
    def failed(self) -> list[Requirement]:
        """What is not kept, furthest beyond first."""
        return sorted((r for r in self.requirements.values() if not r.kept), key=lambda r: -r.beyond)

    @property
    def margin(self) -> float:
        """Share of the limit that is left where least is left; below 0 where a limit is passed."""
        return 1.0 - self.worst.beyond

    def log_of(self, key: str) -> float:
        """`Requirement.log` under `key`; of what could not be judged in this run, that of a failed one, or far within."""
        found = self.requirements.get(key)
        if found is not None:
            return found.log
        return math.log(MOST_TOLD) * (1.0 if FAILED in self.requirements else -1.0)


def requirements(verdict: Verdict, warn: bool = False, only: Collection[str] = ()) -> dict[str, Requirement]:
    """Every target and every limit that says stop, by key; with `warn` those that warn too, with `only` none but these keys."""
    run, found = verdict.run, {}
    for check in verdict.targets:
        texts = check.texts(verdict.pressure_unit)
        beyond = _told(check.beyond, not check.met)
        found[check.name] = Requirement(check.name, "target", check.what, beyond, f"{check.what} {texts[0]} against the target of {texts[1]}")
    for check in CHECKS:
        if check.measure is ledger_error:
            continue
        limits = limits_of(run, check)
        level, limit = ("warn", limits.warn) if warn and limits.warn is not None else ("stop", limits.stop)
        reading = None if limit is None else check.measure(run)
        if reading is None or not math.isfinite(reading.value):
            continue
        passed = reading.value < limit if check.too_low else reading.value > limit
        beyond = _told(times_beyond(reading.value, limit, check.kind, check.too_low), passed) if limit else math.inf if passed else 0.0
        unit = verdict.pressure_unit if check.kind == "pressure" else check.unit
        place = place_of(run, reading)[1]
        figures = against(reading.value, limit, check.kind, unit, f"against the {level} limit of")
        what = check.what.removesuffix(",")
        phrase = f"{what}{f' ({place})' if place else ''} {figures}"
        found[check.key] = Requirement(check.key, level, what, beyond, phrase, check.covers_target)
    return {key: r for key, r in found.items() if not only or key in only}


def _told(beyond: float, passed: bool) -> float:
    """`beyond` on the side of 1 that the verdict has it on: the two round differently."""
    return max(beyond, math.nextafter(1.0, 2.0)) if passed else min(beyond, 1.0)


def unknown_keys(only: Collection[str], source: str) -> list[Fault]:
    """A fault for every name in `only` that is no target and no limit."""
    known = [*TARGETS, *(check.key for check in CHECKS)]
    return [Fault(source, "only", f'"{key}"', "no target or limit of that name", nearest(key, known)) for key in only if key not in known]


class Trials:
    """The candidates of one study.

    Parameters
    ----------
    only : collection of str
        Keys of the targets and limits that count; all when empty.
    warn : bool
        Whether limits that warn must be kept too.
    tolerance : float
        Of every run, see `exhaustsim.simulate`.
    progress : callable, optional
        Called with a line of text after every run.
    cancel : callable, optional
        Asked between runs and within them; when it returns True, `Cancelled` is raised.
    """

    def __init__(
        self, only: Collection[str] = (), warn: bool = False, tolerance: float = 1e-3, progress: Callable[[str], None] | None = None,
        cancel: Callable[[], bool] | None = None,
    ):  # fmt: skip
        self.only, self.warn, self.tolerance = tuple(only), warn, tolerance
        self.progress, self.cancel = progress, cancel
        self.runs = 0
        self.words = ""  # what is being looked for, for the progress line

    def check(self) -> None:
        """Give up if asked to.

        Raises
        ------
        Cancelled
        """
        if self.cancel is not None and self.cancel():
            raise Cancelled("given up when asked to")

    def run(self, schedule: Schedule) -> Run:
        """A full run of `schedule`, counted."""
        self.check()
        run = simulate(schedule, self.tolerance, between_passes=self.check)
        self._count()
        return run

    def of(self, schedule: Schedule) -> Tried:
        """Run and judge one candidate."""
        self.check()
        try:
            return self.judged(simulate(schedule, self.tolerance, between_passes=self.check))
        except FailedRun as failure:
            self._count()
            return Tried(schedule, {FAILED: Requirement(FAILED, "stop", "the run", math.inf, f"the run fails: {failure}")})

    def judged(self, run: Run) -> Tried:
        """What a run just made keeps."""
        self._count()
        return self.weighed(run)

    def weighed(self, run: Run) -> Tried:
        """What a run keeps that was counted before."""
        return Tried(run.schedule, requirements(judge(run), self.warn, self.only))

    def several(self, schedules: Sequence[Schedule]) -> list[Tried]:
        """The candidates in their order, as many at once as there are cores."""
        found: list[Tried | None] = [None] * len(schedules)

        def job(number):
            found[number] = self.of(schedules[number])

        if schedules:
            spread(job, len(schedules))
        return found

    def _count(self) -> None:
        self.runs += 1
        if self.progress is not None:
            self.progress(f"{self.words}: run {self.runs}" if self.words else f"run {self.runs}")
