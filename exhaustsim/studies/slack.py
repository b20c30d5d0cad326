"""Where a card has something to spare: slack per position in seconds and degrees, and positions that could be given up.

For every position that heats, `position_slack` asks how much of its heat the valve could do without before the
first target is missed or the first stop raised, the rest of the card staying as it is:

* seconds: RF goes off so much sooner; a heater step, or the cover of the oven, comes so much later.
* degrees: the heater step settles so much colder; the oven air is so much colder at all its positions; the part
  that takes most of the RF gets so much less hot, because its watts are lowered.

Each figure is found by bracketing on the verdict of full runs and is the largest loss that a run has borne.
Where the heat can be left out altogether, that is told.  The position with least slack is the bottleneck.

A position can be given up when the card still does after it has been taken out of the machine, and nothing new
warns; it is idle when that does not even bring any limit nearer (by more than a hundredth of it).  An idle one is
worth re-using when heat that is given beside it, put on it as well, allows a shorter index time.  Positions that
load, test, flash, tip off or eject are not asked.

Not here: slack in two places at once (that of one position is used up by taking that of another), and what the
opposite, more heat, would do.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

import numpy as np

from exhaustsim.compiled import spread
from exhaustsim.engine.phases import heater_temperature
from exhaustsim.engine.result import FailedRun, Run
from exhaustsim.engine.run import simulate
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.schedule import PositionSetting, Schedule
from exhaustsim.studies.indextime import with_index_time
from exhaustsim.studies.lateheat import moments, run_with_late_heat
from exhaustsim.studies.trials import Trials, Tried, unknown_keys
from exhaustsim.studies.verdict import judge, list_of
from exhaustsim.units import format_number

SECONDS_AGREEMENT, DEGREES_AGREEMENT = 0.1, 0.5  # s, K: to which slack is told
MOST_HALVINGS = 12
KEPT_ACTIONS = ("load", "spark_test", "flash", "tip_off", "eject")  # a position that does this cannot be given up
UNMOVED = 0.01  # of a limit: what moves by less counts as not changed (ours)
SAID = {"oven": "oven", "rf": "RF", "heater": "heater step"}


@dataclass(frozen=True)
class PositionSlack:
    """What the heat of one position could lose before something fails."""

    position: int
    heat: str  # "oven", "rf" or "heater"
    seconds: float  # s, largest loss that a run has borne
    seconds_of: float  # s, how long the heat is on
    fails_by_seconds: str  # what fails first, in words; "" when it can be left out
    degrees: float  # K, largest loss that a run has borne
    degrees_of: str  # what is so much colder
    fails_by_degrees: str  # "" when it can be left out
    runs: int

    @property
    def dispensable(self) -> bool:
        """The card does without this heat (of a heater step: with that of the position before in its place)."""
        return not self.fails_by_seconds

    @property
    def share(self) -> float:
        """Seconds to spare as a share of those given."""
        return self.seconds / self.seconds_of if self.seconds_of > 0.0 else 1.0

    @property
    def sentence(self) -> str:
        """The row in words."""
        text = f"position {self.position}, {SAID[self.heat]}: "
        if self.dispensable:
            text += f"all of its {self.seconds_of:.1f} s to spare"
        else:
            text += f"{self.seconds:.1f} of {self.seconds_of:.1f} s to spare (then {self.fails_by_seconds})"
        if not self.fails_by_degrees:
            return f"{text}; {self.degrees_of} may stay as cold as without it."
        again = self.fails_by_degrees.split(" (")[0] == self.fails_by_seconds.split(" (")[0]
        return f"{text}; {self.degrees_of} {format_number(self.degrees, 2)} K to spare{'' if again else f' (then {self.fails_by_degrees})'}."

    def to_json(self) -> dict:
        """Plain data, keys with their units."""
        return {
            "position": self.position, "heat": self.heat, "slack_s": self.seconds, "heat_lasts_s": self.seconds_of,
            "fails_first_by_seconds": self.fails_by_seconds, "slack_k": self.degrees, "colder": self.degrees_of,
            "fails_first_by_degrees": self.fails_by_degrees, "dispensable": self.dispensable, "sentence": self.sentence,
        }  # fmt: skip


@dataclass(frozen=True)
class Given:
    """A position taken out of the machine, and what that does."""

    position: int
    passes: bool
    spoiled: tuple[str, ...]  # what fails or newly warns without it, in words
    moved: float  # largest growth of any limit's use, as a share of the limit

    @property
    def can_go(self) -> bool:
        """The card does without the position, and nothing new warns."""
        return self.passes and not self.spoiled

    @property
    def idle(self) -> bool:
        """And no limit comes nearer."""
        return self.can_go and self.moved < UNMOVED

    def to_json(self) -> dict:
        return {
            "position": self.position, "passes": self.passes, "can_go": self.can_go, "idle": self.idle, "spoiled": list(self.spoiled),
            "moved_share": self.moved if np.isfinite(self.moved) else None,
        }  # fmt: skip


@dataclass(frozen=True)
class Reuse:
    """An idle position put to use, and the index time that this allows."""

    position: int
    use: str  # in words
    index_time: float  # s, shortest that passes with it, searched downwards only
    before: float  # s, the index time without it

    @property
    def sentence(self) -> str:
        return f"position {self.position}: {self.use} allows {self.index_time:.4g} s instead of {self.before:.4g} s"

    def to_json(self) -> dict:
        return {"position": self.position, "use": self.use, "index_time_s": self.index_time, "index_time_before_s": self.before}


@dataclass(frozen=True, eq=False)
class Slack:
    """Slack of all positions of one card; least slack in seconds first."""

    schedule: Schedule
    rows: tuple[PositionSlack, ...]
    given_up: tuple[Given, ...]
    reuses: tuple[Reuse, ...]  # worth doing, best first
    runs: int

    @property
    def idle(self) -> tuple[int, ...]:
        """Positions whose removal, one at a time, changes nothing."""
        return tuple(g.position for g in self.given_up if g.idle)

    @property
    def can_go(self) -> tuple[int, ...]:
        """Positions, the idle ones among them, that the card does without, one at a time."""
        return tuple(g.position for g in self.given_up if g.can_go)

    @property
    def bottleneck(self) -> PositionSlack | None:
        """The heat with least seconds to spare, as a share of those it has."""
        return self.rows[0] if self.rows else None

    @property
    def sentence(self) -> str:
        """Bottleneck, what comes next, idle positions and what to do with them."""
        parts = []
        if self.rows:
            parts.append(f"{self.schedule.name}: the bottleneck is {self.rows[0].sentence.removesuffix('.')}")
            needed = [row for row in self.rows[1:] if not row.dispensable]
            parts += [f"next {row.sentence.removesuffix('.')}" for row in needed[:1]]
        which = list_of([str(p) for p in self.idle])
        parts.append(f"idle: position{'s' if len(self.idle) > 1 else ''} {which}" if self.idle else "no position is idle")
        others = [str(p) for p in self.can_go if p not in self.idle]
        if others:
            parts.append(f"one of {list_of(others)} could be given up")
        parts.append("worth re-using: " + list_of([r.sentence for r in self.reuses[:2]]) if self.reuses else "none is worth re-using as it stands")
        return "; ".join(parts) + "."

    def to_json(self) -> dict:
        """Plain data, keys with their units."""
        return {
            "schedule": self.schedule.name, "index_time_s": self.schedule.index_time, "sentence": self.sentence,
            "positions": [row.to_json() for row in self.rows], "given_up": [g.to_json() for g in self.given_up],
            "idle": list(self.idle), "can_go": list(self.can_go),
            "worth_reusing": [r.to_json() for r in self.reuses], "runs": self.runs,
        }  # fmt: skip

    def text_rows(self) -> list[tuple[str, ...]]:
        """Heading and rows as text, least slack first."""
        rows = [("position", "heat", "seconds to spare", "of s", "fails first", "degrees to spare, K", "of", "fails first")]
        for row in self.rows:
            seconds = "all" if row.dispensable else f"{row.seconds:.1f}"
            degrees = "all" if not row.fails_by_degrees else format_number(row.degrees, 2)
            rows.append((
                str(row.position), SAID[row.heat], seconds, f"{row.seconds_of:.1f}", row.fails_by_seconds or "nothing", degrees, row.degrees_of,
                row.fails_by_degrees or "nothing",
            ))  # fmt: skip
        return rows


def position_slack(
    schedule: Schedule, *, positions: Collection[int] = (), only: Collection[str] = (), warn: bool = False, reuse: bool = True,
    tolerance: float = 1e-3, progress: Callable[[str], None] | None = None, cancel: Callable[[], bool] | None = None,
) -> Slack:  # fmt: skip
    """Find the slack of every position of a card that does, its idle positions, and which of them to re-use.

    Parameters
    ----------
    schedule : Schedule
        One that passes; the slack of one that does not is nought everywhere and is not looked for.
    positions : collection of int
        The positions asked about; all when empty.
    only, warn, tolerance, progress, cancel
        See `exhaustsim.studies.trials.Trials`.
    reuse : bool
        Whether uses of the idle positions are tried.

    Raises
    ------
    DesignFault
        `only` names what is no target or limit, or `positions` what is no position.
    ValueError
        The card fails as it stands.
    FailedRun
        The card itself comes to no result.
    Cancelled
        `cancel` said so.
    """
    source = schedule.source or "position_slack"
    faults = unknown_keys(only, source)
    last = schedule.machine.positions
    faults += [Fault(source, "positions", str(p), "there is no such position", f"the machine has 1 to {last}") for p in positions if p not in range(1, last + 1)]
    if faults:
        raise DesignFault(faults)
    asked = set(positions) or set(range(1, last + 1))
    trials = Trials(only, warn, tolerance, progress, cancel)
    trials.words = f"slack of {schedule.name}"
    run = trials.run(schedule)
    now = trials.weighed(run)
    if not now.passes:
        why = list_of([r.phrase for r in now.failed[:3]])
        raise ValueError(f"{schedule.name} fails as it stands ({why}); slack is asked of a card that does")
    search = _Losses(schedule, run, trials, asked)
    found: list[PositionSlack | None] = [None] * len(search.heats)

    def job(number):
        found[number] = search.row(*search.heats[number])

    if search.heats:
        spread(job, len(search.heats))
    rows = sorted(found, key=lambda row: (row.dispensable, row.share, row.position))
    given = _given_up(schedule, run, trials, asked)
    idle = [g.position for g in given if g.idle]
    reuses = _reuses(schedule, idle, trials) if reuse else ()
    return Slack(schedule, tuple(rows), tuple(given), tuple(reuses), trials.runs)


# ---- losses at one position ------------------------------------------------------------


class _Losses:
    """Searches for the largest loss that each heat bears."""

    def __init__(self, schedule: Schedule, run: Run, trials: Trials, asked: set[int]):
        self.schedule, self.run, self.trials = schedule, run, trials
        before_tip = schedule.position_of("tip_off") or schedule.machine.positions
        oven = [p for p in schedule.machine.oven_positions if p <= before_tip]
        self.heats = [("oven", p) for p in oven]
        self.heats += [("rf", p.position) for p in schedule.positions if p.rf is not None and p.position <= before_tip]
        self.heats += [("heater", p.position) for p in schedule.positions if p.heater_voltage > 0.0 and p.position < before_tip]
        self.heats = [(heat, position) for heat, position in self.heats if position in asked]
        # One oven has one set-point: its degrees are looked for once.
        self.oven_degrees = self._oven() if any(heat == "oven" for heat, _ in self.heats) else None

    def row(self, heat: str, position: int) -> PositionSlack:
        setting = self.schedule.positions[position - 1]
        if heat == "rf":
            lasts = setting.rf.duration
            seconds, by_seconds, runs = self._rf_seconds(setting)
            degrees, of, by_degrees, more = self._rf_degrees(setting)
        else:
            lasts = self.schedule.dwell
            seconds, by_seconds, runs = self._late(position, heat)
            degrees, of, by_degrees, more = self.oven_degrees if heat == "oven" else self._heater_degrees(setting)
        return PositionSlack(position, heat, seconds, lasts, by_seconds, degrees, of, by_degrees, runs + more)

    def _late(self, position: int, heat: str):
        """Latest moment at which the heat may begin: (seconds, what fails then, runs)."""
        places = moments(self.schedule, position)
        places = places[np.concatenate([[True], np.diff(np.floor(places / SECONDS_AGREEMENT)) > 0.0])]
        places = np.append(places[:-1], self.schedule.dwell) if places[-1] < self.schedule.dwell else places

        def failing(moment):
            try:
                run = run_with_late_heat(
                    self.schedule, position, moment, heat, self.run, self.trials.tolerance, between_passes=self.trials.check
                )  # fmt: skip
            except FailedRun as failure:
                return f"the run fails: {failure}"
            return _first_failed(self.trials.judged(run))

        why = failing(places[-1])
        if not why:
            return float(places[-1]), "", 1
        low, high, runs = 0, len(places) - 1, 1
        while high - low > 1:
            middle = (low + high) // 2
            reason = failing(places[middle])
            runs += 1
            low, high, why = (middle, high, why) if not reason else (low, middle, reason)
        return float(places[low]), why, runs

    def _rf_seconds(self, setting: PositionSetting):
        def shorter(seconds):
            left = setting.rf.duration - seconds
            return self._with(setting, rf=replace(setting.rf, duration=left) if left > 1e-6 else None)

        return self._largest(shorter, setting.rf.duration, SECONDS_AGREEMENT)

    def _rf_degrees(self, setting: PositionSetting):
        """Kelvin that the part taking most watts gets less hot, with what fails then."""
        rf = setting.rf
        node = max(rf.power, key=rf.power.get) if rf.power else next(n.name for n in self.schedule.valve.nodes if n.in_coil is not None)

        def weaker(share):
            power = {name: watts * (1.0 - share) for name, watts in rf.power.items()}
            return self._with(setting, rf=replace(rf, power=power, current=rf.current * (1.0 - share) ** 0.5))

        share, why, runs = self._largest(weaker, 1.0, 0.005)
        samples = self.run.dwell_samples(setting.position)
        colder = simulate(weaker(min(share, 1.0)), self.trials.tolerance, between_passes=self.trials.check)
        lost = float(self.run.node(node)[samples].max() - colder.node(node)[colder.dwell_samples(setting.position)].max())
        return lost, node.replace("_", " "), why, runs + 1

    def _heater_degrees(self, setting: PositionSetting):
        valve = self.schedule.valve
        settles = heater_temperature(valve, setting.heater_voltage)
        room = self.schedule.machine.room_temperature

        def colder(kelvin):
            return self._with(setting, heater_voltage=volts_for(valve, settles - kelvin, room))

        kelvin, why, runs = self._largest(colder, settles - room, DEGREES_AGREEMENT)
        return kelvin, "cathode step", why, runs

    def _oven(self):
        def colder(kelvin):
            return replace(self.schedule, oven_temperature=self.schedule.oven_temperature - kelvin)

        kelvin, why, runs = self._largest(colder, self.schedule.oven_temperature - self.schedule.machine.room_temperature, DEGREES_AGREEMENT)
        return kelvin, "oven air", why, runs

    def _with(self, setting: PositionSetting, **changes) -> Schedule:
        new = replace(setting, **changes)
        return replace(self.schedule, positions=tuple(new if p.position == setting.position else p for p in self.schedule.positions))

    def _largest(self, changed, whole: float, agreement: float):
        """Largest loss that passes, to `agreement`: (loss, what fails first just beyond it, runs)."""
        tried = self.trials.of(changed(whole))
        why = _first_failed(tried)
        if not why:
            return whole, "", 1
        low, high, runs = 0.0, whole, 1
        at_low, at_high = _log_margin(self.trials.weighed(self.run)), _log_margin(tried)
        for _ in range(MOST_HALVINGS):
            if high - low <= agreement:
                break
            # Where a straight line between the margins crosses nought, but well inside; halving where it says little.
            guess = at_low / (at_low - at_high) if at_low > at_high else 0.5
            at = low + (high - low) * min(max(guess, 0.15), 0.85) if runs % 3 else 0.5 * (low + high)
            tried = self.trials.of(changed(at))
            runs += 1
            reason = _first_failed(tried)
            if reason:
                high, at_high, why = at, _log_margin(tried), reason
            else:
                low, at_low = at, _log_margin(tried)
        return low, why, runs


def volts_for(valve, temperature: float, room: float) -> float:
    """Heater volts that settle the sleeve at `temperature` [K] with everything round it at 20 degC; none at room temperature."""
    heater = valve.heater
    if temperature <= room + 1e-9:
        return 0.0
    return heater.rated_voltage * (temperature / heater.rated_temperature) ** (1.0 / heater.voltage_exponent)


def _first_failed(tried: Tried) -> str:
    """What fails, in words; "" when nothing does."""
    return tried.failed[0].phrase if tried.failed else ""


def _log_margin(tried: Tried) -> float:
    """Positive while everything is kept."""
    return -tried.worst.log


# ---- positions taken out, and put to use ------------------------------------------------


def without_position(schedule: Schedule, position: int) -> Schedule:
    """The schedule on a machine that lacks one position, those behind it moved up by one.

    Raises
    ------
    ValueError
        No such position.
    """
    machine = schedule.machine
    if not 1 <= position <= machine.positions:
        raise ValueError(f"there is no position {position}; the machine has {machine.positions}")

    def moved(places):
        return tuple(p - (p > position) for p in places if p != position)

    smaller = replace(
        machine, positions=machine.positions - 1, oven_positions=moved(machine.oven_positions), rf_positions=moved(machine.rf_positions),
        line_of_position={p - (p > position): line for p, line in machine.line_of_position.items() if p != position},
        coils=tuple(replace(coil, positions=moved(coil.positions)) for coil in machine.coils),
    )  # fmt: skip
    # A line whose only position is gone has nothing to pump.
    used = set(smaller.line_of_position.values())
    smaller = replace(smaller, lines=tuple(line for line in machine.lines if line.name in used))
    settings = tuple(replace(p, position=p.position - (p.position > position)) for p in schedule.positions if p.position != position)
    return replace(schedule, machine=smaller, positions=settings)


def _given_up(schedule: Schedule, run: Run, trials: Trials, asked: set[int]) -> list[Given]:
    """Every position that carries no work of its own, taken out in turn."""
    before = judge(run)
    known = trials.weighed(run).requirements
    warned = {f.key for f in before.flags if f.level != "note"}
    places = [p.position for p in schedule.positions if p.action not in KEPT_ACTIONS and p.position in asked]
    found: list[Given | None] = [None] * len(places)

    def job(number):
        try:
            after = judge(trials.run(without_position(schedule, places[number])))
        except FailedRun as failure:
            found[number] = Given(places[number], False, (f"the run fails: {failure}",), np.inf)
            return
        tried = trials.weighed(after.run)
        new = [f.phrase for f in after.flags if f.level == "warn" and f.key not in warned]
        moved = max(r.beyond - known[key].beyond for key, r in tried.requirements.items() if key in known)
        found[number] = Given(places[number], tried.passes, tuple([r.phrase for r in tried.failed] + new), float(moved))

    if places:
        spread(job, len(places))
    return found


def _reuses(schedule: Schedule, idle: list[int], trials: Trials) -> tuple[Reuse, ...]:
    """Uses of idle positions that allow a shorter index time, best first."""
    best = _shorter(schedule, schedule.index_time, trials)
    found = []
    for position in idle:
        for use, changed in _uses(schedule, position):
            if not trials.of(changed).passes:
                continue
            reached = _shorter(changed, best, trials)
            if reached < best - 1e-9:
                found.append(Reuse(position, use, reached, best))
    return tuple(sorted(found, key=lambda r: r.index_time))


def _uses(schedule: Schedule, position: int):
    """(words, schedule) of the heat beside an idle position put on it as well."""
    machine, here = schedule.machine, schedule.positions[position - 1]
    beside = [schedule.positions[p - 1] for p in (position - 1, position + 1) if 1 <= p <= machine.positions]

    def with_setting(**changes):
        return replace(schedule, positions=tuple(replace(p, **changes) if p is here else p for p in schedule.positions))

    before = beside[0] if beside and beside[0].position < position else None
    if before is not None and before.heater_voltage > here.heater_voltage and position in machine.line_of_position:
        yield f"the heater step of position {before.position}", with_setting(heater_voltage=before.heater_voltage)
    if position in machine.rf_positions and here.rf is None:
        for other in beside:
            if other.rf is not None and other.action != "flash":
                yield f"the RF of position {other.position}", with_setting(rf=other.rf)
    if position not in machine.oven_positions and {position - 1, position + 1} & set(machine.oven_positions):
        longer = replace(machine, oven_positions=tuple(sorted([*machine.oven_positions, position])))
        yield "the oven", replace(schedule, machine=longer)


def _shorter(schedule: Schedule, index_time: float, trials: Trials) -> float:
    """Shortest index time that passes in one stretch below `index_time`, to a two-hundredth of it; RF follows the dwell."""
    best, step = index_time, 0.08 * index_time
    while step > 0.004 * index_time:
        try:
            tried = trials.of(with_index_time(schedule, best - step))
        except ValueError:  # the RF does not fit any more
            step *= 0.5
            continue
        if tried.passes:
            best -= step
        else:
            step *= 0.5
    return best
