"""What a valve on a loaded machine owes to its neighbours, and what a leaker does to them.

`cross_talk` holds every position against the same valve alone on the machine; `leaker_limits` finds
the leak at which a neighbour misses its target, and so the leak that the spark test must catch.

A leak rate is told as throughput of air into a vacuum.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass

import numpy as np

from exhaustsim.compiled import spread
from exhaustsim.constants import AR, N2, O2
from exhaustsim.engine.loaded import Journey, MachineRun, simulate_machine
from exhaustsim.engine.run import simulate
from exhaustsim.plant.incidents import EmptyHead, Leaker
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.flags import Limits, limits_for

CROSS_TALK_LIMITS = Limits(warn=0.25, stop=1.0)  # practice: share by which neighbours raise the bulb pressure
LEAKER_LIMITS = Limits(warn=3.0, stop=10.0)  # practice: bulb pressure at the spark test over that of a good valve
FIRST_GUESS = 1e-2  # of the largest leak to try
LEAK_AGREEMENT = 0.02  # relative width at which the search for a leak ends


@dataclass(frozen=True)
class CrossTalk:
    """One position: bulb pressure at its end (when the getter RF comes on, at the flash position) with and without neighbours."""

    position: int
    line: str | None
    bulb_pressure: float  # Pa, machine full
    alone: float  # Pa, all other heads empty
    judged: bool  # a target or the tip-off is judged here
    limits: Limits = CROSS_TALK_LIMITS

    @property
    def excess(self) -> float:
        """Share by which the neighbours raise the bulb pressure."""
        return self.bulb_pressure / self.alone - 1.0

    @property
    def share(self) -> float:
        """Share of the bulb pressure that is the neighbours'."""
        return 1.0 - self.alone / self.bulb_pressure

    @property
    def level(self) -> str:
        """Level of the `cross_talk` flag, or ""; breakdown positions and others without a target are excepted."""
        if not self.judged:
            return ""
        return "stop" if self.excess > self.limits.stop else "warn" if self.excess > self.limits.warn else ""

    def to_json(self) -> dict:
        told = asdict(self) | {"excess": self.excess, "level": self.level}
        return {name: value for name, value in told.items() if name != "limits"}


def alone(schedule: Schedule, tolerance: float = 1e-3) -> Journey:
    """One valve on an otherwise empty machine (port plates leak as ever).

    Raises
    ------
    FailedRun
        As `simulate_machine`.
    """
    empty = [EmptyHead(head) for head in range(2, schedule.machine.positions + 1)]
    rotation = schedule.machine.positions + 1
    return simulate_machine(schedule, empty, indices=rotation, from_empty=True, tolerance=tolerance).journeys[0]


def cross_talk(schedule: Schedule, run=None) -> tuple[CrossTalk, ...]:
    """Every position that has a line, with and without neighbours; `run` from `simulate` saves one run.

    Raises
    ------
    FailedRun
        As `simulate`.
    """
    full = simulate(schedule) if run is None else run
    single = alone(schedule).run
    judged = {int(full.position[full.judged_at]), schedule.position_of("tip_off")}
    limits = limits_for(schedule.valve, "cross_talk", CROSS_TALK_LIMITS)
    out = []
    for setting in schedule.positions:
        line = schedule.machine.line_of_position.get(setting.position)
        if line is not None:
            pressures = [float(r.total_bulb_pressure[_told_at(r, setting.position)]) for r in (full, single)]
            out.append(CrossTalk(setting.position, line, *pressures, setting.position in judged, limits))
    return tuple(out)


def _told_at(run, position: int) -> int:
    if position == int(run.position[run.judged_at]):
        return run.judged_at
    if position == run.schedule.position_of("tip_off"):
        return run.tip_off_sample
    return run.end_of(position)


@dataclass(frozen=True)
class LeakerLimits:
    """Leaks [mol/s of air] from which on something is spoiled; None where no leak up to the largest tried does."""

    own_target: float | None  # the leaker itself misses its target of bulb pressure or air share
    neighbours: float | None  # a neighbour does, so this is what the spark test must catch
    behind: int | None  # how many indices after the leaker the first neighbour to miss was loaded; minus: before
    largest_tried: float

    def to_json(self) -> dict:
        return asdict(self)


def over_target(run) -> float:
    """Bulb pressure or air share, where they are judged, over their target: the worse of the two."""
    sample, target = run.judged_at, run.schedule.target
    pressure = run.bulb_pressure[sample]
    air = pressure[N2] + pressure[O2] + pressure[AR]
    return max(float(pressure.sum()) / target.bulb_pressure, float(air) / target.air_share)


def worst_neighbour(machine_run: MachineRun, head: int) -> tuple[float, Journey]:
    """(`over_target`, valve) of the worst valve that did not ride on `head`."""
    return max(((over_target(j.run), j) for j in machine_run.journeys if j.head != head), key=lambda pair: pair[0])


def leaker_limits(schedule: Schedule, largest: float, progress: Callable[[int], None] | None = None) -> LeakerLimits:
    """Find the leaks at which the leaker itself and a neighbour miss a target of the bulb.

    The leaker is loaded into head 1 and rides the whole machine; every valve that shares a line with it on the
    way is followed to its judgement.

    Parameters
    ----------
    schedule : Schedule
    largest : float
        Largest leak to try [mol/s of air].
    progress : callable, optional
        Called with the number of machine runs done.

    Raises
    ------
    FailedRun
        As `simulate_machine`.
    ValueError
        `largest` is not above zero.
    """
    if not largest > 0.0:
        raise ValueError(f"the largest leak to try must be above 0, not {largest!r} mol/s")
    seen: dict[float, tuple[float, float, int]] = {}

    def look(leak):
        if leak not in seen:
            # Lines forget within seconds, so only valves that stand on a line together with the leaker are spoiled.
            run = simulate_machine(schedule, [Leaker(1, leak)], indices=schedule.machine.positions + _span(schedule) + 1)
            over, neighbour = worst_neighbour(run, 1)
            own = next(j for j in run.journeys if j.head == 1 and j.entered == 1)
            seen[leak] = (over_target(own.run), over, neighbour.entered - 1)
            if progress is not None:
                progress(len(seen))
        return seen[leak]

    beginnings = (0.0, FIRST_GUESS * largest)
    spread(lambda number: look(beginnings[number]), len(beginnings))
    found: list[float | None] = [None, None]

    def search(number):
        found[number] = _crossing(lambda leak: look(leak)[number], largest)

    spread(search, 2)
    own, neighbours = found
    return LeakerLimits(own, neighbours, None if neighbours is None else seen[neighbours][2], largest)


def _span(schedule: Schedule) -> int:
    """Most positions by which two valves on one line are apart."""
    places: dict[str, list[int]] = {}
    for position, name in schedule.machine.line_of_position.items():
        places.setdefault(name, []).append(position)
    return max((max(p) - min(p) for p in places.values()), default=0)


def _crossing(over, largest: float) -> float | None:
    """Smallest leak known at which `over` (rising with the leak) is above 1, to `LEAK_AGREEMENT`; None if not even `largest`.

    What a leak adds is nearly in proportion to it, so the search goes along the secant, a little beside it, so that
    the bracket closes from both sides.
    """
    low, high = 0.0, None
    guess = FIRST_GUESS * largest
    if over(low) > 1.0:
        return low
    for _ in range(40):
        if over(guess) > 1.0:
            high = guess
        else:
            low = guess
        if low == largest:
            return None
        if high is not None and high - low <= LEAK_AGREEMENT * high:
            break
        reference = low if high is None else high
        straight = largest
        if over(reference) > over(0.0):
            straight = reference * (1.0 - over(0.0)) / (over(reference) - over(0.0))
        if high is None:
            guess = min(max(1.01 * straight, 1.1 * low), largest)
        else:
            if low > 0.0:
                straight = low + (high - low) * (1.0 - over(low)) / (over(high) - over(low))
            side = 0.3 * LEAK_AGREEMENT * straight
            guess = straight + side if high - straight > straight - low else straight - side
            guess = min(max(guess, low + 0.05 * (high - low)), high - 0.05 * (high - low))
    return high


def leaker_ratio(run, good) -> float:
    """Bulb pressure at the end of the spark test over that of a good valve.

    Raises
    ------
    ValueError
        The schedule has no spark test.
    """
    position = run.schedule.position_of("spark_test")
    if position is None:
        raise ValueError(f"schedule {run.schedule.name} has no position with the spark test")
    return float(run.total_bulb_pressure[run.end_of(position)] / good.total_bulb_pressure[good.end_of(position)])


def leaker_level(run, good) -> tuple[float, str]:
    """(`leaker_ratio`, level of the `leaker` flag).

    Raises
    ------
    ValueError
        The schedule has no spark test.
    """
    ratio = leaker_ratio(run, good)
    limits = limits_for(run.schedule.valve, "leaker", LEAKER_LIMITS)
    if not math.isfinite(ratio):
        return ratio, ""
    return ratio, "stop" if ratio > limits.stop else "warn" if ratio > limits.warn else ""


def excess_of_neighbours(machine_run: MachineRun, good: MachineRun, number: int) -> np.ndarray:
    """(position,) bulb pressure at the end of index `number` over that of a machine without incidents, NaN without a valve."""
    index, before = machine_run.indices[number - 1], good.last
    stood = {p: h for h, p in before.position.items()}
    out = np.full(machine_run.schedule.machine.positions, np.nan)
    for head, position in index.position.items():
        now, then = index.bulb_pressure.get(head), before.bulb_pressure.get(stood[position])
        if now is not None and then is not None:
            out[position - 1] = now.sum() / then.sum()
    return out
