"""The shortest index time at which a card still does, what stands in the way of a shorter one, and what comes next.

Planning asks "10 s instead of 12?"  `shortest_index` runs the card at a grid of index times, finds where the
verdict turns and closes in on every such place by halving.  Candidates are judged by full runs, ageing
included, as `exhaustsim.judge` does; drafts are not used.  How RF seconds go with the dwell is told in
`exhaustsim.studies.indextime`.

A longer index time is not always the better one: a cathode that is lit longer gets hotter, a mirror waits
longer.  So every stretch of index times that pass is told (`spans`), and between the points of the grid the
course of each limit is looked at as well: where it could cross its limit and come back, a run is made there.
An island narrower than that shows can still be missed.

Not weighed: scatter from valve to valve (a card that just does in the mean fails for half the valves), the
constants trusted least (`exhaustsim.band`), and whether the machine's drive can go that fast.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from dataclasses import dataclass

import numpy as np

from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.indextime import RF_RULES, least_index_time, with_index_time
from exhaustsim.studies.slack import Slack, position_slack
from exhaustsim.studies.trials import Requirement, Trials, Tried, unknown_keys
from exhaustsim.studies.verdict import Verdict, judge, list_of
from exhaustsim.units import format_number

FIRST_LOOK = 16  # points of the grid
SHORTEST_LOOK, LONGEST_LOOK = 0.3, 2.0  # of the index time of the card: where to look when nothing is said
MOST_SECOND_LOOKS = 12  # runs between the points of the grid
INFEASIBLE = "index_infeasible"


@dataclass(frozen=True)
class Bound:
    """A limit that a shorter index time runs into."""

    requirement: Requirement  # as it stands where it has just been passed
    index_time: float  # s, the shortest at which it is kept
    verified: bool  # by a run this side and one beyond, `resolution` apart; else somewhere within `unsure` below
    unsure: float = 0.0  # s

    @property
    def phrase(self) -> str:
        near = "" if self.verified else f", {format_number(self.unsure, 2)} s at most below it"
        return f"{self.requirement.phrase} (kept from {self.index_time:.5g} s on{near})"

    def to_json(self) -> dict:
        r = self.requirement
        return {
            "name": r.key, "level": r.level, "what": r.what, "sentence": r.phrase, "index_time_s": self.index_time,
            "valves_per_hour": 3600.0 / self.index_time, "verified": self.verified, "unsure_s": self.unsure,
        }  # fmt: skip


@dataclass(frozen=True, eq=False)
class Dwell:
    """The answer of `shortest_index`."""

    schedule: Schedule  # as given
    found: Schedule | None  # at the shortest index time, None when nothing passes
    verdict: Verdict | None  # of it
    bounds: tuple[Bound, ...]  # what binds first, then what binds next, and so on
    spans: tuple[tuple[float, float], ...]  # stretches of index times that pass [s]
    tried: tuple[Tried, ...]  # in order of index time
    lowest: float  # s, where the search began
    highest: float  # s
    resolution: float  # s
    rf: str
    runs: int
    slack: Slack | None = None

    @property
    def shortest(self) -> float | None:
        """Shortest index time that passes [s]."""
        return None if self.found is None else self.found.index_time

    @property
    def binding(self) -> Bound | None:
        """What stands in the way of a shorter index time; None when the search began below it."""
        return self.bounds[0] if self.bounds else None

    @property
    def next(self) -> Bound | None:
        """What would bind if the first were out of the way."""
        return self.bounds[1] if len(self.bounds) > 1 else None

    @property
    def never_met(self) -> tuple[Requirement, ...]:
        """What no index time tried keeps, each as it stood where it was nearest to its limit."""
        keys = set.intersection(*({r.key for r in t.failed} for t in self.tried)) if self.tried else set()
        return tuple(min((t.requirements[key] for t in self.tried), key=lambda r: r.beyond) for key in sorted(keys))

    @property
    def sentence(self) -> str:
        """The answer in a sentence or two."""
        name = self.schedule.name
        if self.found is None:
            where = f"from {self.lowest:.4g} to {self.highest:.4g} s"
            if self.never_met:
                return f"No index time {where} will do for {name}: {list_of([r.phrase for r in self.never_met])} at best."
            nearest = min(self.tried, key=lambda t: t.worst.beyond)
            why = list_of([r.phrase for r in nearest.failed[:3]])
            return f"No index time {where} will do for {name}; the nearest is {nearest.schedule.index_time:.4g} s, with {why}."
        own = self.schedule.index_time
        per_hour = 3600.0 / self.shortest
        more = 100.0 * (own / self.shortest - 1.0)
        than = "as now" if abs(more) < 0.05 else f"{abs(more):.0f}% {'more' if more > 0.0 else 'less'} than at {own:.4g} s"
        text = f"{name}: shortest index time {self.shortest:.5g} s ({per_hour:.0f} valves per hour, {than})"
        if self.binding is None:
            text += "; nothing binds down to where the search began"
        else:
            text += f"; {self.binding.phrase} binds"
            text += f", next {self.next.phrase}" if self.next else ""
        edges = [f"{a:.4g} to {b:.4g} s" for a, b in self.spans]
        if len(edges) > 1 or self.spans[-1][1] < self.highest - self.resolution:
            text += f". It passes from {list_of(edges)} only, and not from there to {self.highest:.4g} s" if len(edges) == 1 else (
                f". It passes in {len(edges)} stretches: {list_of(edges)}"
            )  # fmt: skip
        return text + "."

    def to_json(self) -> dict:
        """Plain data, keys with their units."""
        return {
            "schedule": self.schedule.name, "sentence": self.sentence, "index_time_s": self.schedule.index_time,
            "shortest_index_s": self.shortest, "valves_per_hour": None if self.shortest is None else 3600.0 / self.shortest,
            "bounds": [bound.to_json() for bound in self.bounds], "passing_s": [list(span) for span in self.spans],
            "never_met": [{"name": r.key, "sentence": r.phrase} for r in self.never_met],
            "looked_from_s": self.lowest, "looked_to_s": self.highest, "resolution_s": self.resolution, "rf_seconds": self.rf,
            "tried": [{"index_time_s": t.schedule.index_time, "passes": t.passes, "failed": [r.key for r in t.failed]} for t in self.tried],
            "runs": self.runs, "slack": None if self.slack is None else self.slack.to_json(),
        }  # fmt: skip

    def text_rows(self) -> list[tuple[str, ...]]:
        """Heading and rows of the limits in the order in which they bind, as text."""
        rows = [("limit", "level", "kept from, s", "valves per hour", "just below")]
        for bound in self.bounds:
            about = "" if bound.verified else "about "
            r = bound.requirement
            rows.append((r.what, r.level, f"{about}{bound.index_time:.5g}", f"{3600.0 / bound.index_time:.0f}", r.phrase))
        return rows


def shortest_index(
    schedule: Schedule, *, lowest: float | None = None, highest: float | None = None, resolution: float = 0.01, rf: str = "follow",
    only: Collection[str] = (), warn: bool = False, grid: int = FIRST_LOOK, slack: bool = False, tolerance: float = 1e-3,
    progress: Callable[[str], None] | None = None, cancel: Callable[[], bool] | None = None,
) -> Dwell:  # fmt: skip
    """Find the shortest index time at which `schedule` meets every target and raises no stop.

    Parameters
    ----------
    schedule : Schedule
    lowest, highest : float, optional
        Where to look [s]; by default from three tenths of the card's index time (or the shortest that its RF fits
        into) to twice its index time.
    resolution : float
        Of the answer [s]; index times are whole multiples of it.
    rf : str
        How RF seconds go with the dwell: "follow", "keep" or "scale", see `exhaustsim.studies.indextime`.
    only : collection of str
        Names of the targets and limits that count; all when empty.
    warn : bool
        Whether nothing may warn either.
    grid : int
        Points of the first look.
    slack : bool
        Find the slack of every position too (a hundred runs and more), see `exhaustsim.studies.slack`.
    tolerance : float
        Of every run, see `exhaustsim.simulate`.
    progress, cancel : callable, optional
        See `exhaustsim.studies.trials.Trials`.

    Returns
    -------
    Dwell
        With `found` None where nothing passes: a target that cannot be met is an answer.

    Raises
    ------
    DesignFault
        With everything that is wrong with the question.
    Cancelled
        `cancel` said so.
    """
    from_, to, step = _range(schedule, lowest, highest, resolution, rf, only, grid)
    trials = Trials(only, warn, tolerance, progress, cancel)
    trials.words = f"shortest index time of {schedule.name}"
    search = _Search(schedule, trials, resolution, rf)
    search.several(sorted({int(k) for k in np.rint(np.geomspace(from_, to, grid) / step)}))
    search.look_between()
    search.close_in()
    found = search.first_passing()
    bounds = search.bounds(found) if found is not None else ()
    chosen = verdict = None
    if found is not None:
        chosen = search.schedule_at(found)
        verdict = judge(trials.run(chosen))
    given = None
    if slack and chosen is not None:
        own = search.known.get(search.number(schedule.index_time)) or trials.of(schedule)
        given = position_slack(schedule if own.passes else chosen, only=only, warn=warn, tolerance=tolerance, progress=progress, cancel=cancel)
    return Dwell(
        schedule, chosen, verdict, tuple(bounds), search.spans(), search.tried(), from_, to, resolution, rf,
        trials.runs + (given.runs if given else 0), given,
    )  # fmt: skip


def _range(schedule, lowest, highest, resolution, rf, only, grid) -> tuple[float, float, float]:
    """From, to and step [s] of a question that makes sense."""
    source = schedule.source or "shortest_index"
    faults = unknown_keys(only, source)

    def fault(key, given, need, cure):
        faults.append(Fault(source, key, str(given), need, cure))

    if rf not in RF_RULES:
        fault("rf", f'"{rf}"', "no such rule for RF seconds", f"use one of {', '.join(RF_RULES)}")
    if not (math.isfinite(resolution) and 0.0 < resolution <= 1.0):
        fault("resolution", resolution, "must be above 0 s and at most 1 s", "0.01 s will do")
    if not isinstance(grid, int) or not 2 <= grid <= 1000:
        fault("grid", grid, "must be a whole number from 2 to 1000", f"{FIRST_LOOK} will do")
    for key, value in (("lowest", lowest), ("highest", highest)):
        if value is not None and not (math.isfinite(value) and value > 0.0):
            fault(key, value, "must be a time above 0 s", "give seconds, or leave it out")
    if faults:
        raise DesignFault(faults)
    least = least_index_time(schedule, rf)
    # The first whole multiple at which the RF fits; "keep" may fit exactly.
    first = resolution * (math.floor(least / resolution + 1e-6) + 1) if rf != "keep" else resolution * math.ceil(least / resolution - 1e-6)
    from_ = max(first, SHORTEST_LOOK * schedule.index_time) if lowest is None else max(lowest, first)
    to = max(LONGEST_LOOK * schedule.index_time, from_) if highest is None else highest
    from_, to = resolution * math.ceil(from_ / resolution - 1e-6), resolution * math.floor(to / resolution + 1e-6)
    if to < from_:
        fault("highest", f"{highest:g}" if highest is not None else "", f"must not be below {from_:.4g} s, where the search would begin",
              f"index time is transfer ({schedule.machine.transfer_time:g} s) plus a dwell that holds the RF")
        raise DesignFault(faults)
    return from_, to, resolution


class _Search:
    """Index times as whole multiples of the resolution, and what is known at them."""

    def __init__(self, schedule: Schedule, trials: Trials, resolution: float, rf: str):
        self.schedule, self.trials, self.resolution, self.rf = schedule, trials, resolution, rf
        self.known: dict[int, Tried] = {}

    def number(self, index_time: float) -> int:
        return round(index_time / self.resolution)

    def schedule_at(self, number: int) -> Schedule:
        return with_index_time(self.schedule, round(number * self.resolution, 9), self.rf)

    def several(self, numbers: list[int]) -> None:
        new = [k for k in numbers if k not in self.known]
        for k, tried in zip(new, self.trials.several([self.schedule_at(k) for k in new]), strict=True):
            self.known[k] = tried

    def at(self, number: int) -> Tried:
        self.several([number])
        return self.known[number]

    def tried(self) -> tuple[Tried, ...]:
        return tuple(self.known[k] for k in sorted(self.known))

    def look_between(self) -> None:
        """Runs where limits, drawn as parabolas through the points tried, would turn the verdict and turn it back."""
        for _ in range(MOST_SECOND_LOOKS):
            place = self._suspect()
            if place is None:
                return
            self.at(place)

    def _suspect(self) -> int | None:
        numbers = sorted(self.known)
        if len(numbers) < 3:
            return None
        keys = sorted({key for t in self.known.values() for key in t.requirements})
        time = np.log(numbers)
        logs = np.array([[self.known[k].log_of(key) for key in keys] for k in numbers])
        for i in range(len(numbers) - 1):
            a, b = numbers[i], numbers[i + 1]
            if self.known[a].passes != self.known[b].passes or b - a < 2:
                continue
            inner = np.unique(np.linspace(a, b, 11)[1:-1].astype(int))
            inner = inner[(inner > a) & (inner < b)]
            for j in {max(i - 1, 0), min(i, len(numbers) - 3)}:
                drawn = _parabola(time[j : j + 3], logs[j : j + 3], np.log(inner)).max(axis=1)
                passing = drawn <= 0.0
                if passing.any() if not self.known[a].passes else not passing.all():
                    return int(inner[np.argmin(drawn) if not self.known[a].passes else np.argmax(drawn)])
        return None

    def close_in(self) -> None:
        """Halve every interval in which the verdict turns until it is one step wide."""
        while True:
            numbers = sorted(self.known)
            open_ = [
                (a, b) for a, b in zip(numbers, numbers[1:], strict=False)
                if b - a > 1 and self.known[a].passes != self.known[b].passes
            ]  # fmt: skip
            if not open_:
                return
            self.several([(a + b) // 2 for a, b in open_])

    def first_passing(self) -> int | None:
        return next((k for k in sorted(self.known) if self.known[k].passes), None)

    def spans(self) -> tuple[tuple[float, float], ...]:
        """Stretches of neighbouring points tried that all pass."""
        out: list[list[int]] = []
        before = False
        for k in sorted(self.known):
            if self.known[k].passes:
                if before:
                    out[-1][1] = k
                else:
                    out.append([k, k])
            before = self.known[k].passes
        return tuple((round(a * self.resolution, 9), round(b * self.resolution, 9)) for a, b in out)

    def bounds(self, found: int) -> list[Bound]:
        """What binds below `found`, in order; the first two are closed in on."""
        below = {key: self._last_failing(key, found) for key in {r.key for k, t in self.known.items() if k < found for r in t.failed}}
        said = set()
        for _ in range(2):
            # Halve the interval of whatever could bind highest, until one has it for certain.
            while True:
                open_ = {key: self._bracket(key, found) for key in below if key not in said}
                if not open_:
                    break
                top = max(open_, key=lambda key: (open_[key][1], self.known[open_[key][0]].log_of(key)))
                a, b = open_[top]
                if b - a <= 1:
                    said.add(top)
                    same = self.known[a].requirements.get(top)
                    said |= {key for key in open_ if open_[key] == (a, b) and self._says_the_same(key, same, a)}
                    break
                self.at((a + b) // 2)
        found_bounds = []
        told: list[Requirement] = []
        for key in below:
            a, b = self._bracket(key, found)
            requirement = self.known[a].requirements.get(key) or self.known[a].worst
            found_bounds.append(Bound(requirement, round(b * self.resolution, 9), b - a <= 1, round((b - a) * self.resolution, 9)))
        found_bounds.sort(key=lambda bound: (-bound.index_time, bound.unsure, -bound.requirement.beyond))
        out = []
        for bound in found_bounds:
            r = bound.requirement
            if any(r.same_as == other.key or other.same_as == r.key for other in told):
                continue
            told.append(r)
            out.append(bound)
        return out

    def _says_the_same(self, key: str, other: Requirement | None, at: int) -> bool:
        mine = self.known[at].requirements.get(key)
        return mine is not None and other is not None and (mine.same_as == other.key or other.same_as == mine.key)

    def _last_failing(self, key: str, found: int) -> int:
        return max(k for k, t in self.known.items() if k < found and any(r.key == key for r in t.failed))

    def _bracket(self, key: str, found: int) -> tuple[int, int]:
        """Last point at which this limit is passed, and the next point tried above it."""
        a = self._last_failing(key, found)
        return a, min(k for k in self.known if k > a)


def _parabola(x, y, at):
    """(points, limits) values at `at` of the parabolas through three points (3, limits)."""
    out = 0.0
    for i in range(3):
        j, k = (n for n in range(3) if n != i)
        out = out + ((at - x[j]) * (at - x[k]) / ((x[i] - x[j]) * (x[i] - x[k])))[:, None] * y[i][None, :]
    return out
