"""Old card against new card, one change at a time: what did each change buy?

Two schedules of one valve on one machine differ in a few things: index time, oven, the RF that fires the parts, the
flash, the heater steps, ageing.  `waterfall` applies these changes one after another, runs and judges the card after
each, and tells what each bought in every target, in output and in the worst margin.

What a change buys depends on what was changed before it.  So the changes are also applied in other orders: every
order when there are at most five changes (which takes a run for each of the 2^n cards between, not for each order),
else the stated order backwards and a few orders drawn by lot.  For each change the least, the most and the mean over
these orders are told; where they lie far apart, the change works only together with another.

RF that lasts to the end of its card's dwell lasts to the end of whatever dwell it meets; other RF keeps its seconds
as long as they fit (`exhaustsim.studies.indextime`), and none where it would begin after the dwell.  Not here: changes of valve or machine.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from itertools import combinations
from math import factorial

from exhaustsim.constants import ZERO_CELSIUS
from exhaustsim.plant.faults import DesignFault, Fault, nearest
from exhaustsim.plant.schedule import PositionSetting, Schedule
from exhaustsim.studies.indextime import ROUNDING, taken_along
from exhaustsim.studies.trials import TARGETS, Trials
from exhaustsim.studies.verdict import Verdict, judge, list_of
from exhaustsim.units import format_number, show

MOST_FOR_ALL_ORDERS = 5
DRAWN_ORDERS = 8
OUTPUT, MARGIN = "valves_per_hour", "margin"
UNITS = {name: "1" if name in ("converted_fraction", "barium_spent") else "Pa" for name in TARGETS} | {OUTPUT: "1/h", MARGIN: "1"}


@dataclass(frozen=True)
class Change:
    """One thing that differs between the cards."""

    name: str  # "index time", "oven", "RF", "flash", "heater steps", "ageing" or of one position: "heater step 11"
    words: str  # from what to what
    positions: tuple[int, ...] = ()  # those whose settings change
    part: str = ""  # of a position: "rf", "heater_voltage", "action"


@dataclass(frozen=True)
class Step:
    """The card after one change more."""

    change: Change
    schedule: Schedule
    before: dict[str, float]  # target, output or margin -> value; missing where it cannot be judged
    after: dict[str, float]
    passes: bool
    sentence: str  # the verdict

    @property
    def bought(self) -> dict[str, float]:
        """What the change did to each of them."""
        return {name: self.after[name] - self.before[name] for name in self.after if name in self.before}


@dataclass(frozen=True)
class Influence:
    """What a change buys over the orders looked at, target by target."""

    least: dict[str, float]
    mean: dict[str, float]
    most: dict[str, float]


@dataclass(frozen=True, eq=False)
class Waterfall:
    """Two cards and the steps between them."""

    first: Verdict
    last: Verdict
    limits: dict[str, float]  # of the new card's targets
    start: dict[str, float]
    steps: tuple[Step, ...]  # in the stated order
    influence: dict[str, Influence]  # by name of the change
    orders: str  # which orders were looked at, in words
    runs: int

    @property
    def end(self) -> dict[str, float]:
        return self.steps[-1].after if self.steps else self.start

    def mover(self, name: str) -> Step | None:
        """The step that moves a target, the output or the margin most."""
        moved = [step for step in self.steps if name in step.bought]
        return max(moved, key=lambda step: abs(step.bought[name]), default=None)

    @property
    def turning(self) -> tuple[Step, ...]:
        """Steps at which the verdict turns."""
        before, out = self.first.passes, []
        for step in self.steps:
            if step.passes != before:
                out.append(step)
            before = step.passes
        return tuple(out)

    @property
    def sentence(self) -> str:
        """What did it, in a sentence or two."""
        names = f"{self.first.name} to {self.last.name}"
        if not self.steps:
            return f"{names}: the cards do not differ in anything that a run feels."
        gain = self.end[OUTPUT] - self.start[OUTPUT]
        text = f"{names}, {len(self.steps)} change{'s' if len(self.steps) > 1 else ''}: {gain:+.0f} valves per hour"
        for step in self.turning:
            text += f"; {step.change.name} ({step.change.words}) makes it {'pass' if step.passes else 'fail'}"
        if not self.turning:
            text += "; every card on the way passes" if self.last.passes else "; no card on the way passes"
        movers = {}
        for name in TARGETS:
            step = self.mover(name)
            if step is not None and step.bought[name] != 0.0:
                movers.setdefault(step.change.name, []).append(name.replace("_", " "))
        told = [f"{list_of(what)} by {name}" for name, what in movers.items()]
        return f"{text}. Moved most: {list_of(told)}." if told else text + "."

    def to_json(self) -> dict:
        """Plain data; pressures in Pa, shares as fractions."""
        return {
            "from": self.first.name, "to": self.last.name, "sentence": self.sentence, "orders": self.orders, "runs": self.runs,
            "units": {name: UNITS[name] for name in self.start}, "limits": self.limits, "start": self.start, "end": self.end,
            "steps": [
                {"change": s.change.name, "words": s.change.words, "after": s.after, "bought": s.bought, "passes": s.passes,
                 "sentence": s.sentence, "least": self.influence[s.change.name].least, "mean": self.influence[s.change.name].mean,
                 "most": self.influence[s.change.name].most}
                for s in self.steps
            ],
        }  # fmt: skip

    def text_rows(self) -> list[tuple[str, ...]]:
        """Heading and rows as text: the values after each change."""
        names = list(self.start)
        rows = [("change", "from what to what", *(name.replace("_", " ") for name in names), "verdict")]
        rows.append(("as it was", "", *(_shown(name, self.start[name]) for name in names), self.first.word))
        for step in self.steps:
            values = (_shown(name, step.after[name]) if name in step.after else "-" for name in names)
            rows.append((step.change.name, step.change.words, *values, "passes" if step.passes else "fails"))
        return rows


def _shown(name: str, value: float) -> str:
    if UNITS[name] == "Pa":
        return f"{format_number(value, 2)} Pa"
    if name == MARGIN and value < -1.0:
        return "below -100%"
    if name == OUTPUT:
        return f"{value:.0f}"
    # Close below 100 % a fourth figure keeps 99.46 apart from a target of 99.5.
    return f"{100.0 * value:.{4 if 0.99 <= value < 1.0 else 3}g}%"


# ---- what differs ---------------------------------------------------------------------------


def changes_between(first: Schedule, last: Schedule, by_position: bool = False) -> tuple[Change, ...]:
    """What differs between two cards, in the order in which a setter would tell it.

    RF, heater steps and actions are told each as one change of all their positions, or with `by_position` one by one.

    Raises
    ------
    DesignFault
        The cards are of different valves or machines.
    """
    faults = []
    for key in ("valve", "machine"):
        a, b = getattr(first, key), getattr(last, key)
        if a != b:
            need = f'must be the same; the other card has "{a.name}"' if a.name != b.name else "must be the same; they differ in their files"
            faults.append(Fault(last.source or last.name, key, f'"{b.name}"', need, "compare cards of one valve on one machine"))
    if faults:
        raise DesignFault(faults)
    found = []
    if first.index_time != last.index_time:
        found.append(Change("index time", f"{first.index_time:.4g} to {last.index_time:.4g} s"))
    if first.oven_temperature != last.oven_temperature:
        found.append(Change("oven", f"{first.oven_temperature - ZERO_CELSIUS:.0f} to {last.oven_temperature - ZERO_CELSIUS:.0f} degC"))
    flash = {p for p in (first.position_of("flash"), last.position_of("flash")) if p is not None}
    pairs = list(zip(first.positions, last.positions, strict=True))
    rf = [b.position for a, b in pairs if b.position not in flash and not _same_rf(first, a, last, b)]
    found += _grouped("RF", rf, "rf", by_position, lambda p: f"{_watts(first, p)} to {_watts(last, p)}")
    found += _grouped(
        "heater steps", [b.position for a, b in pairs if a.heater_voltage != b.heater_voltage], "heater_voltage", by_position,
        lambda p: f"{first.positions[p - 1].heater_voltage:g} to {last.positions[p - 1].heater_voltage:g} V",
    )  # fmt: skip
    at_flash = [p for p in sorted(flash) if first.positions[p - 1].action != last.positions[p - 1].action or not _same_rf(
        first, first.positions[p - 1], last, last.positions[p - 1])]  # fmt: skip
    if at_flash:
        words = f"{_watts(first, first.position_of('flash'))} to {_watts(last, last.position_of('flash'))}"
        found.append(Change("flash", words, tuple(at_flash), "flash"))
    moved = [b.position for a, b in pairs if a.action != b.action and b.position not in flash]
    if moved:
        # Tip-off and eject move together: a card with two of them, or none, is no card.
        words = ", ".join(f"{last.positions[p - 1].action or 'nothing'} at {p}" for p in moved)
        found.append(Change("actions", words, tuple(moved), "action"))
    if first.ageing != last.ageing:
        found.append(Change("ageing", f"{len(first.ageing)} to {len(last.ageing)} steps" if len(first.ageing) != len(last.ageing) else "other steps"))
    if first.shelf_time != last.shelf_time:
        found.append(Change("shelf time", f"{show(first.shelf_time, 'time', 'day')} to {show(last.shelf_time, 'time', 'day')}"))
    if first.target != last.target:
        names = [f.name.replace("_", " ") for f in fields(first.target) if getattr(first.target, f.name) != getattr(last.target, f.name)]
        found.append(Change("targets", list_of(names)))
    return tuple(found)


def _grouped(name: str, positions: list[int], part: str, by_position: bool, words) -> list[Change]:
    if by_position:
        return [Change(f"{name.removesuffix('s')} {p}", words(p), (p,), part) for p in positions]
    return [Change(name, ", ".join(f"{p}: {words(p)}" for p in positions), tuple(positions), part)] if positions else []


def _same_rf(first: Schedule, a: PositionSetting, last: Schedule, b: PositionSetting) -> bool:
    """Whether the RF differs in nothing but what follows from the dwell."""
    one, two = taken_along(a, first.dwell, last.dwell).rf, b.rf
    if one is None or two is None:
        return one is two
    # Seconds read from a file and seconds reckoned from the dwell differ in the last digit.
    seconds = (one.start - two.start, one.duration - two.duration)
    return one.power == two.power and one.current == two.current and max(map(abs, seconds)) < ROUNDING


def _watts(schedule: Schedule, position: int | None) -> str:
    rf = schedule.positions[position - 1].rf if position is not None else None
    if rf is None:
        return "none"
    return f"{rf.current:.4g} A" if rf.current else f"{sum(rf.power.values()):.4g} W"


def with_changes(first: Schedule, last: Schedule, changes: Sequence[Change]) -> Schedule:
    """The first card with some of its changes to the last one made; all of them give the last one."""
    names = {c.name for c in changes}
    index_time = last.index_time if "index time" in names else first.index_time
    dwell = index_time - first.machine.transfer_time
    changed = {part: {p for c in changes if c.part == part for p in c.positions} for part in ("rf", "heater_voltage", "action", "flash")}
    positions = []
    for a, b in zip(first.positions, last.positions, strict=True):
        p = a.position
        new_rf = p in changed["rf"] or p in changed["flash"]
        rf = taken_along(b, last.dwell, dwell).rf if new_rf else taken_along(a, first.dwell, dwell).rf
        if rf is not None and rf.duration <= 0.0:
            rf = None  # it would begin after the dwell has ended
        positions.append(PositionSetting(
            p, b.action if p in changed["action"] or p in changed["flash"] else a.action,
            b.heater_voltage if p in changed["heater_voltage"] else a.heater_voltage, rf,
        ))  # fmt: skip
    others = {"oven": "oven_temperature", "ageing": "ageing", "shelf time": "shelf_time", "targets": "target"}
    taken = {field: getattr(last, field) for name, field in others.items() if name in names}
    name = f"{first.name} with {list_of([c.name for c in changes])} of {last.name}" if changes else first.name
    return replace(first, name=name, index_time=index_time, positions=tuple(positions), **taken)


# ---- the study --------------------------------------------------------------------------------


def waterfall(
    first: Schedule, last: Schedule, *, order: Sequence[str] = (), by_position: bool = False, seed: int = 1, tolerance: float = 1e-3,
    progress: Callable[[str], None] | None = None, cancel: Callable[[], bool] | None = None,
) -> Waterfall:  # fmt: skip
    """Go from one card to another one change at a time.

    Parameters
    ----------
    first, last : Schedule
        Cards of one valve on one machine.
    order : sequence of str
        Names of the changes in the order in which they are to be made; those not named follow in the usual order.
    by_position : bool
        RF and heater steps position by position instead of all together.
    seed : int
        Of the orders drawn by lot.
    tolerance, progress, cancel
        See `exhaustsim.studies.trials.Trials`.

    Raises
    ------
    DesignFault
        Different valves or machines, or an order that names what does not change.
    FailedRun
        A card on the way comes to no result.
    Cancelled
        `cancel` said so.
    """
    changes = changes_between(first, last, by_position)
    names = [c.name for c in changes]
    faults = [
        Fault(last.source or last.name, "order", f'"{name}"', "is no change between these cards", nearest(name, names))
        for name in order if name not in names
    ]  # fmt: skip
    faults += [Fault(last.source or last.name, "order", f'"{name}"', "stands there twice", "name it once") for name in {n for n in order if list(order).count(n) > 1}]
    if faults:
        raise DesignFault(faults)
    changes = tuple(sorted(changes, key=lambda c: (list(order).index(c.name) if c.name in order else len(order), names.index(c.name))))
    trials = Trials(tolerance=tolerance, progress=progress, cancel=cancel)
    trials.words = f"{first.name} to {last.name}"
    cards: dict[frozenset[int], tuple[Verdict, dict[str, float]]] = {}

    def card(made: frozenset[int]):
        if made not in cards:
            wanted = first if not made else last if len(made) == len(changes) else with_changes(first, last, [c for k, c in enumerate(changes) if k in made])
            verdict = judge(trials.run(wanted))
            cards[made] = verdict, _values(verdict, trials)
        return cards[made]

    count = len(changes)
    if count <= MOST_FOR_ALL_ORDERS:
        influence = [_over_all(k, count, card) for k in range(count)]
        orders = "all orders" if count > 1 else "one change, one order"
    else:
        lot = random.Random(seed)
        looked_at = [list(range(count)), list(range(count))[::-1], *(lot.sample(range(count), count) for _ in range(DRAWN_ORDERS))]
        influence = _over_some(looked_at, card)
        orders = f"the stated order, backwards, and {DRAWN_ORDERS} drawn by lot (seed {seed})"
    steps = []
    for k, change in enumerate(changes):
        before, (verdict, after) = card(frozenset(range(k)))[1], card(frozenset(range(k + 1)))
        steps.append(Step(change, verdict.run.schedule, before, after, verdict.passes, verdict.sentence))
    begin, start = card(frozenset())
    limits = {f.name: getattr(last.target, f.name) for f in fields(last.target)}
    end = card(frozenset(range(count)))[0]
    return Waterfall(begin, end, limits, start, tuple(steps), {c.name: i for c, i in zip(changes, influence, strict=True)}, orders, trials.runs)


def _values(verdict: Verdict, trials: Trials) -> dict[str, float]:
    """Targets, output and worst margin of one card."""
    out = {check.name: check.value for check in verdict.targets}
    out[OUTPUT] = 3600.0 / verdict.run.schedule.index_time
    out[MARGIN] = trials.weighed(verdict.run).margin
    return out


def _over_all(k: int, count: int, card) -> Influence:
    """Over all orders, from the cards with every subset of the other changes; each weighs as many orders as it stands for."""
    others = [n for n in range(count) if n != k]
    bought, weights = [], []
    for size in range(count):
        for made in combinations(others, size):
            bought.append(_difference(card(frozenset(made))[1], card(frozenset(made) | {k})[1]))
            weights.append(factorial(size) * factorial(count - size - 1) / factorial(count))
    return _influence(bought, weights)


def _over_some(orders: list[list[int]], card) -> list[Influence]:
    bought: list[list[dict[str, float]]] = [[] for _ in orders[0]]
    for order in orders:
        for place, k in enumerate(order):
            bought[k].append(_difference(card(frozenset(order[:place]))[1], card(frozenset(order[: place + 1]))[1]))
    return [_influence(mine, [1.0 / len(orders)] * len(orders)) for mine in bought]


def _difference(before: dict[str, float], after: dict[str, float]) -> dict[str, float]:
    return {name: after[name] - before[name] for name in after if name in before}


def _influence(bought: list[dict[str, float]], weights: list[float]) -> Influence:
    names = [name for name in bought[0] if all(name in one for one in bought)]
    return Influence(
        {name: min(one[name] for one in bought) for name in names},
        {name: sum(w * one[name] for w, one in zip(weights, bought, strict=True)) for name in names},
        {name: max(one[name] for one in bought) for name in names},
    )
