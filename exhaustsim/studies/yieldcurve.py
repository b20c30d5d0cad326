"""Pass rate against index time, and against the getter's fill: the same batch of valves at several settings.

At every setting the batch is the same, valve by valve: the same seed gives each valve the same draws, so that
what differs along the curve is the setting and not the luck.  Beside the verdict the curve tells how many
valves leave the pump with so little CO2 in the coating that it would take less than a tenth, or three tenths, of what
the getter can bury.

Another index time changes nothing else but RF that lasted to the end of the dwell, which still does, and RF that
would outlast it, which is cut.  A shop that turns its machine faster raises oven and RF with it: given a second
card for a quicker index, settings between the two are taken.  Not here: the shortest index time of the valve made to
the drawing.
"""

from __future__ import annotations

import html
import math
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.schedule import RfSetting, Schedule
from exhaustsim.plant.tolerances import Tolerances
from exhaustsim.studies.batch import REACHED
from exhaustsim.studies.indextime import ROUNDING, least_index_time, with_index_time
from exhaustsim.studies.intervals import CONFIDENCE, pass_interval
from exhaustsim.studies.spread import Spread, request_faults, spread_with_columns
from exhaustsim.studies.spreadflags import LIMITS
from exhaustsim.studies.verdict import list_of
from exhaustsim.units import format_number, share_text, show

TAKEN = (0.10, 0.30)  # of what the getter can bury, by CO2 left in the coating


@dataclass(frozen=True, eq=False)
class YieldPoint:
    """The batch at one setting."""

    setting: float  # s or kg
    spread: Spread
    taken: tuple[int, ...]  # valves whose CO2 left would take less than the shares `TAKEN` of the getter

    @property
    def taken_intervals(self) -> tuple[tuple[float, float], ...]:
        """Intervals of these shares [1]."""
        return tuple(pass_interval(count, self.spread.n) for count in self.taken)


@dataclass(frozen=True, eq=False)
class YieldCurve:
    """Pass rate against a setting, smallest setting first."""

    schedule: Schedule
    tolerances: Tolerances
    over: str  # "index_time" or "barium"
    points: tuple[YieldPoint, ...]

    def shown(self, setting: float) -> str:
        """A setting as text."""
        return show(setting, "time", "s") if self.over == "index_time" else show(setting, "mass", "mg")

    @property
    def best(self) -> YieldPoint:
        """The setting with most good valves per hour."""
        return max(self.points, key=lambda point: (point.spread.good_per_hour, point.setting))

    @property
    def least(self) -> YieldPoint | None:
        """The smallest setting from which on the pass rate stays above the warn limit of `sub_target_by_scatter`; None when none does."""
        found = None
        for point in reversed(self.points):
            if point.spread.pass_rate < LIMITS.warn:
                break
            found = point
        return found

    @property
    def sentence(self) -> str:
        """What the curve says, in one sentence."""
        n = self.points[0].spread.n
        ends = [f"{share_text(p.spread.pass_rate)} at {self.shown(p.setting)}" for p in (self.points[-1], self.points[0])]
        text = f"{self.schedule.name}: of {n} valves {ends[0]} pass, {ends[1]}"
        least = self.least
        bound = share_text(LIMITS.warn)
        word = "index time" if self.over == "index_time" else "fill"
        kept = [self.shown(p.setting) for p in self.points if p.spread.pass_rate >= LIMITS.warn]
        if least is not None:
            text += f"; {bound} are kept down to {self.shown(least.setting)}"
        else:
            text += f"; {bound} are kept at {list_of(kept)} only" if kept else f"; no {word} tried keeps {bound}"
        if self.over == "index_time":
            best = self.best
            text += f"; most good valves per hour, {format_number(best.spread.good_per_hour, 3)}, at {self.shown(best.setting)}"
        return f"{text}."

    def text_rows(self) -> list[tuple[str, ...]]:
        """Heading and one row for each setting, as text for a person."""
        heading = "index time" if self.over == "index_time" else "barium"
        rows = [(heading, "pass", "95% interval", *(f"CO2 left takes under {share_text(x)} of the getter" for x in TAKEN), "drawing", "good per hour")]
        for p in self.points:
            low, high = p.spread.interval
            rows.append((
                self.shown(p.setting), share_text(p.spread.pass_rate), f"{share_text(low)} to {share_text(high)}",
                *(share_text(count / p.spread.n) for count in p.taken), "passes" if p.spread.mean.passes else "fails",
                format_number(p.spread.good_per_hour, 3),
            ))  # fmt: skip
        return rows

    def to_json(self) -> dict:
        """The curve as plain data, SI."""
        unit = "s" if self.over == "index_time" else "kg"
        return {
            "schedule": self.schedule.name, "sentence": self.sentence, "over": self.over, "unit": unit, "confidence": CONFIDENCE,
            "points": [
                {"setting": p.setting, "getter_taken_below": {str(x): c / p.spread.n for x, c in zip(TAKEN, p.taken, strict=True)}, **p.spread.to_json()}
                for p in self.points
            ],
        }  # fmt: skip

    def _repr_html_(self) -> str:
        head, *body = ("".join(f"<td>{html.escape(cell)}</td>" for cell in row) for row in self.text_rows())
        rows = "".join(f"<tr>{row}</tr>" for row in body)
        return f"<p><b>{html.escape(self.sentence)}</b></p><table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def yield_curve(
    schedule: Schedule, tolerances: Tolerances, indices: Sequence[float], n: int, *, quicker: Schedule | None = None, seed: int = 1,
    quasi_random: bool = False, workers: int | None = None, executor=None, out: str | os.PathLike | None = None,
    progress: Callable[[int, int], None] | None = None, cancel: Callable[[], bool] | None = None,
) -> YieldCurve:  # fmt: skip
    """Pass rate of the batch at each of the index times `indices` [s].

    With `quicker`, a card of the same valve and machine for another index time, oven, RF and heaters are those between
    the two cards (`between`); without it they stay as `schedule` has them (`indextime.with_index_time`).  In `out`
    every index time gets a folder of its own, such as that of `spread`, from which an interrupted curve goes on.

    Raises
    ------
    DesignFault
        With every fault of the request, as `spread`; index times that leave no dwell, or end before RF comes on, or
        lie outside the two cards; cards that do not do the same things at the same positions.
    Cancelled
        `cancel` said so.
    FailedRun
        The valve made to the drawing comes to no result at one of them.
    """
    times = sorted(set(map(float, indices)))
    faults = request_faults(schedule, tolerances, n, seed, workers) + index_faults(schedule, times, quicker)
    if faults:
        raise DesignFault(faults)
    changed = [with_index_time(schedule, t) if quicker is None else between(schedule, quicker, t) for t in times]
    return _curve(schedule, tolerances, "index_time", times, changed, n, seed, quasi_random, workers, executor, out, progress, cancel)


def index_faults(schedule: Schedule, times: Sequence[float], quicker: Schedule | None = None) -> list[Fault]:
    """All that is wrong with the index times [s] of a curve, and with the second card."""
    if not times:
        return [Fault("yield curve", "indices", "", "needs an index time at least", "such as 12.0")]
    least = least_index_time(schedule)
    need = f"must be above {least:g} s: the transfer time and the start of the RF"
    faults = [Fault("yield curve", "indices", f"{t:g} s", need, "leave it out") for t in times if not least < t < math.inf]
    return faults if quicker is None else faults + _cards_apart(schedule, quicker, times)


def fill_faults(fills: Sequence[float]) -> list[Fault]:
    """All that is wrong with the fills [kg] of a curve."""
    if fills and all(0.0 < m < math.inf for m in fills):
        return []
    return [Fault("getter curve", "fills", ", ".join(f"{m:g}" for m in fills), "needs masses of barium above zero", "leave the others out")]


def getter_curve(
    schedule: Schedule, tolerances: Tolerances, fills: Sequence[float], n: int, *, seed: int = 1, quasi_random: bool = False,
    workers: int | None = None, executor=None, out: str | os.PathLike | None = None,
    progress: Callable[[int, int], None] | None = None, cancel: Callable[[], bool] | None = None,
) -> YieldCurve:  # fmt: skip
    """Pass rate of the batch with each of the getter fills `fills` [kg of barium]; ring, opening and mirror stay as they are; `out` as for `yield_curve`.

    Raises
    ------
    DesignFault
        With every fault of the request, as `spread`, and fills that are not above zero.
    Cancelled
        `cancel` said so.
    FailedRun
        The valve made to the drawing comes to no result with one of them.
    """
    masses = sorted(set(map(float, fills)))
    faults = request_faults(schedule, tolerances, n, seed, workers) + fill_faults(masses)
    if faults:
        raise DesignFault(faults)
    changed = [with_fill(schedule, m) for m in masses]
    return _curve(schedule, tolerances, "barium", masses, changed, n, seed, quasi_random, workers, executor, out, progress, cancel)


def _curve(schedule, tolerances, over, settings, schedules, n, seed, quasi_random, workers, executor, out, progress, cancel) -> YieldCurve:
    points = []
    place = REACHED.index("getter_taken")
    for number, (setting, changed) in enumerate(zip(settings, schedules, strict=True)):
        def tell(done, _, number=number):
            if progress is not None:
                progress(number * n + done, len(settings) * n)

        found, taken = spread_with_columns(
            changed, tolerances, n, (place,), seed=seed, quasi_random=quasi_random, workers=workers, executor=executor, progress=tell, cancel=cancel,
            out=None if out is None else Path(out) / f"{over}_{setting!r}",
        )  # fmt: skip
        points.append(YieldPoint(setting, found, tuple(int(np.count_nonzero(taken[0] < limit)) for limit in TAKEN)))
    return YieldCurve(schedule, tolerances, over, tuple(points))


def between(schedule: Schedule, other: Schedule, index_time: float) -> Schedule:
    """A card between two cards of one valve and machine: volts and oven in proportion to the reciprocal of the dwell, watts to that of the RF's seconds.

    So many joules bring a part to its temperature, whether in a long dwell or a short one; watts therefore go with the reciprocal.

    >>> from exhaustsim import load_schedule
    >>> cards = [load_schedule(f"demo_data/schedules/dt1_{name}.toml") for name in ("standard", "too_fast")]
    >>> round(between(*cards, 9.5).positions[7].rf.power["anode"], 1)  # the card for 9.5 s has 48.9 W
    47.9
    """
    dwell = index_time - schedule.machine.transfer_time
    share = (1.0 / dwell - 1.0 / schedule.dwell) / (1.0 / other.dwell - 1.0 / schedule.dwell)

    def mixed(first: float, second: float, share: float = share) -> float:
        return first + share * (second - first)

    def mixed_rf(first: RfSetting, second: RfSetting) -> RfSetting:
        start = mixed(first.start, second.start)
        # RF ends so long before the dwell does as between the two.
        left = mixed(schedule.dwell - first.start - first.duration, other.dwell - second.start - second.duration)
        seconds = dwell - start - left
        same = abs(first.duration - second.duration) < ROUNDING
        by_time = share if same else (1.0 / seconds - 1.0 / first.duration) / (1.0 / second.duration - 1.0 / first.duration)
        power = {name: mixed(first.power.get(name, 0.0), second.power.get(name, 0.0), by_time) for name in {**first.power, **second.power}}
        return RfSetting(power, start, seconds, mixed(first.current, second.current, by_time))

    positions = tuple(
        replace(one, heater_voltage=mixed(one.heater_voltage, two.heater_voltage), rf=None if one.rf is None else mixed_rf(one.rf, two.rf))
        for one, two in zip(schedule.positions, other.positions, strict=True)
    )  # fmt: skip
    return replace(
        schedule, index_time=index_time, positions=positions, oven_temperature=mixed(schedule.oven_temperature, other.oven_temperature)
    )


def _cards_apart(schedule: Schedule, other: Schedule, times: Sequence[float]) -> list[Fault]:
    """Why there is nothing between two cards."""
    faults = []
    where = f"{schedule.name} and {other.name}"
    if other.valve != schedule.valve or other.machine != schedule.machine:
        faults.append(Fault("yield curve", "quicker", other.name, f"{where} are not for the same valve and machine", "give two cards of one valve on one machine"))
        return faults
    if abs(other.index_time - schedule.index_time) < ROUNDING:
        faults.append(Fault("yield curve", "quicker", other.name, f"{where} have the same index time", "give a card for another index time"))
    for one, two in zip(schedule.positions, other.positions, strict=True):
        if one.action != two.action or (one.rf is None) != (two.rf is None):
            faults.append(Fault("yield curve", "quicker", other.name, f"{where} do different things at position {one.position}", "give cards that differ in settings only"))
    low, high = sorted((schedule.index_time, other.index_time))
    faults += [
        Fault("yield curve", "indices", f"{t:g} s", f"must lie between {low:g} and {high:g} s, the index times of the two cards", "leave it out")
        for t in times if not low - ROUNDING <= t <= high + ROUNDING
    ]  # fmt: skip
    return faults


def with_fill(schedule: Schedule, barium: float) -> Schedule:
    """The schedule with another getter fill [kg]; the flash gas goes with it."""
    getter = schedule.valve.getter
    getter = replace(getter, barium=barium, flash_gas=getter.flash_gas * barium / getter.barium)
    return replace(schedule, valve=replace(schedule.valve, getter=getter))
