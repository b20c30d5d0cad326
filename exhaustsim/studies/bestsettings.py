"""The best a machine can do for a valve: heater steps, RF and oven chosen together for the shortest index time.

`shortest_index` keeps volts and watts as the card has them.  Here they are free inside limits: the oven set-point,
the watts of the RF that fires the parts (one factor for all its positions), watts and start of the flash, and every
heater step.  A constrained optimiser of a general library (linear models of the logarithms of all limits in a region that shrinks,
every point a full run) looks for the shortest index time at which every limit is kept with the margin asked for.  The answer is rounded to settings that a setter can set, and then every single setting is
tried one step either way: as long as one of them allows a shorter index time, it is taken.

`frontier` asks the same for several margins: output per hour against margin.  A margin is the share of a limit that
is left at the worst limit; temperatures count in degC.

The optimum is one that no single step betters; that no combination of steps far away does is shown by experiment
only (`python -m benchmarks.dwell_scan`).  Not weighed: scatter from valve to valve (that is what the margin is for),
the wear of hotter parts, and what is not a target or limit, such as gas left in the anode.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from exhaustsim.constants import ZERO_CELSIUS
from exhaustsim.engine.loaded import simulate_machine
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.writeschedule import schedule_text
from exhaustsim.studies.indextime import ROUNDING, ends_with_dwell, least_index_time, with_index_time
from exhaustsim.studies.trials import FAILED, Requirement, Trials, Tried, requirements, unknown_keys
from exhaustsim.studies.verdict import Verdict, judge, list_of

STEPS = {"oven": 1.0, "heater": 0.02, "rf": 0.005, "flash_watts": 0.05, "flash_start": 0.1}  # K, V, 1, W, s: what a setter can set
INDEX_STEP = 0.02  # s
FAR, FAR_DOWN = 1.5, 0.6  # times the setting of the card: how far each setting may go when nothing is said
OVEN_FAR = 80.0  # K either way
# First steps of the searches, of the range of every setting.  The second begins where the first came to rest and steps
# out as far again: DT-1 standard with four settings free comes to 7.50 s with it and stays at 7.64 s without.
REACHES = (0.1, 0.1, 0.04)
MOST_STEPS = 150  # runs of one search
MOST_REPAIRS = 8  # single steps after rounding
OUTPUT_WEIGHT = 10.0  # of the index time against the logarithms of the limits, so that both count in the search
MARGINS = (0.0, 0.01, 0.02, 0.03, 0.05, 0.08)


@dataclass(frozen=True)
class Setting:
    """One thing that may be set, and between what."""

    name: str  # "oven", "rf", "flash_watts", "flash_start", "heater 11"
    what: str
    low: float
    high: float
    step: float
    unit: str  # "K", "V", "1", "W", "s"

    def shown(self, value: float) -> str:
        """The value for a person."""
        if self.unit == "K":
            return f"{value - ZERO_CELSIUS:.0f} degC"
        return f"{100.0 * value:.1f}%" if self.unit == "1" else f"{value:.4g} {self.unit}"


@dataclass(frozen=True, eq=False)
class Best:
    """The answer of `best_settings`."""

    schedule: Schedule  # as given
    found: Schedule | None  # None when no settings inside the limits keep the margin
    verdict: Verdict | None
    margin: float  # asked for
    reached: float  # margin that the answer has; without one, the best that was come by
    binding: tuple[Requirement, ...]  # limits nearest to their margin, nearest first
    settings: tuple[Setting, ...]
    before: tuple[float, ...]  # settings of the card
    after: tuple[float, ...]
    runs: int
    loaded: str = ""  # what the run of the loaded machine found; "" when it was not asked for
    loaded_passes: bool | None = None

    @property
    def valves_per_hour(self) -> float | None:
        return None if self.found is None else 3600.0 / self.found.index_time

    @property
    def at_their_ends(self) -> tuple[str, ...]:
        """Settings that went to an end of their limits."""
        out = []
        for setting, value in zip(self.settings, self.after, strict=True):
            if setting.high > setting.low and not setting.low + setting.step < value < setting.high - setting.step:
                out.append(f"{setting.what} at {setting.shown(value)}")
        return tuple(out)

    @property
    def sentence(self) -> str:
        """The answer in words."""
        name, margin = self.schedule.name, f"{100.0 * self.margin:.3g}%"
        if self.found is None:
            why = list_of([r.phrase for r in self.binding[:2]])
            return f"No settings inside the limits keep a margin of {margin} for {name}; the best come by has {100.0 * self.reached:.2g}%: {why}."
        changes = [
            f"{s.what} {s.shown(a)} to {s.shown(b)}"
            for s, a, b in zip(self.settings, self.before, self.after, strict=True) if abs(a - b) > 0.5 * s.step
        ]  # fmt: skip
        text = (
            f"{name}: {self.found.index_time:.4g} s ({self.valves_per_hour:.0f} valves per hour) with a margin of {margin}, instead of "
            f"{self.schedule.index_time:.4g} s; {list_of(changes) or 'nothing else'} changed; nearest limit: {self.binding[0].phrase}"
        )
        if self.at_their_ends:
            text += f"; at the end of its limits: {list_of(list(self.at_their_ends))}"
        return f"{text}; {self.loaded}." if self.loaded else text + "."

    def to_json(self) -> dict:
        """Plain data, keys with their units."""
        return {
            "schedule": self.schedule.name, "sentence": self.sentence, "margin_asked": self.margin, "margin": self.reached,
            "index_time_before_s": self.schedule.index_time, "index_time_s": None if self.found is None else self.found.index_time,
            "valves_per_hour": self.valves_per_hour,
            "settings": [
                {"name": s.name, "what": s.what, "unit": s.unit, "low": s.low, "high": s.high, "before": a, "after": b}
                for s, a, b in zip(self.settings, self.before, self.after, strict=True)
            ],
            "binding": [{"name": r.key, "level": r.level, "sentence": r.phrase} for r in self.binding],
            "loaded_machine": self.loaded, "loaded_machine_passes": self.loaded_passes, "runs": self.runs,
        }  # fmt: skip

    def text(self, folder: str | os.PathLike = ".") -> str:
        """The found schedule as the text of a schedule file that lies in `folder`.

        Raises
        ------
        ValueError
            Nothing was found, or valve or machine came from no file.
        """
        if self.found is None:
            raise ValueError("no settings were found, so there is no schedule to write")
        return schedule_text(self.found, folder, ["Found by a search over settings; calculated, for trial under supervision.", self.sentence])


@dataclass(frozen=True, eq=False)
class Frontier:
    """Output per hour against margin."""

    schedule: Schedule
    own_margin: float  # of the card as it stands, at its own index time
    points: tuple[Best, ...]  # in order of margin asked for
    runs: int

    @property
    def sentence(self) -> str:
        """Ends of the frontier in words."""
        reached = [p for p in self.points if p.found is not None]
        if not reached:
            return self.points[0].sentence
        told = [f"{p.valves_per_hour:.0f} per hour at {100.0 * p.margin:.3g}%" for p in reached]
        own = f"the card as it stands gives {3600.0 / self.schedule.index_time:.0f} at {100.0 * self.own_margin:.2g}%"
        return f"{self.schedule.name}, output against margin: {list_of(told)}; {own}."

    def to_json(self) -> dict:
        """Plain data."""
        return {
            "schedule": self.schedule.name, "sentence": self.sentence, "own_margin": self.own_margin,
            "points": [p.to_json() for p in self.points], "runs": self.runs,
        }  # fmt: skip

    def text_rows(self) -> list[tuple[str, ...]]:
        """Heading and rows as text."""
        rows = [("margin", "valves per hour", "index s", *(s.what for s in self.points[0].settings), "nearest limit")]
        for p in self.points:
            if p.found is None:
                rows.append((f"{100.0 * p.margin:.3g}%", "none", "-", *("-" for _ in p.settings), p.binding[0].phrase))
                continue
            shown = [s.shown(x) for s, x in zip(p.settings, p.after, strict=True)]
            rows.append((f"{100.0 * p.margin:.3g}%", f"{p.valves_per_hour:.0f}", f"{p.found.index_time:.4g}", *shown, p.binding[0].phrase))
        return rows


# ---- settings ------------------------------------------------------------------------------


def settings_of(schedule: Schedule, limits: dict[str, tuple[float, float]] | None = None) -> tuple[Setting, ...]:
    """What may be set on this card, and between what; `limits` replaces (low, high) by name, in SI.

    Raises
    ------
    DesignFault
        Limits for what cannot be set here, or upside down.
    """
    limits = dict(limits or {})
    machine, found, faults = schedule.machine, [], []
    source = schedule.source or "best_settings"

    def add(name, what, value, unit, low, high, step):
        low, high = limits.pop(name, (low, high))
        if not (math.isfinite(low) and math.isfinite(high) and low <= high):
            faults.append(Fault(source, f"limits.{name}", f"{low:g} to {high:g}", "must be two numbers, the lower one first", "swap or correct them"))
        else:
            found.append(Setting(name, what, low, high, step, unit))

    if machine.oven_positions:
        t = schedule.oven_temperature
        add("oven", "oven air", t, "K", t - OVEN_FAR, t + OVEN_FAR, STEPS["oven"])
    firing = _firing(schedule)
    if firing:
        most = max(sum(p.rf.power.values()) for p in firing)
        # Watts absorbed may not pass the power limit of the coil.
        high = FAR if most <= 0.0 else min(FAR, machine.rf_power_limit / most)
        add("rf", "RF watts, times the card's", 1.0, "1", min(FAR_DOWN, high), high, STEPS["rf"])
    flash = _flash(schedule)
    if flash is not None:
        watts = sum(flash.rf.power.values())
        add("flash_watts", "flash RF", watts, "W", FAR_DOWN * watts, min(FAR * watts, machine.rf_power_limit), STEPS["flash_watts"])
        if flash.rf.start > 0.0:
            # Started sooner the mirror has longer; the bulb pressure is judged at that moment.
            add("flash_start", "flash RF from", flash.rf.start, "s", min(0.5, flash.rf.start), flash.rf.start, STEPS["flash_start"])
    for p in schedule.positions:
        if p.heater_voltage > 0.0:
            v = p.heater_voltage
            add(f"heater {p.position}", f"heater at {p.position}", v, "V", FAR_DOWN * v, FAR * v, STEPS["heater"])
    known = [s.name for s in found]
    for name in limits:
        faults.append(Fault(source, f"limits.{name}", "", "cannot be set on this card", f"there are {', '.join(known) or 'no settings'}"))
    if not found and not faults:
        faults.append(Fault(source, "", "", "has no oven, RF or heater to set", "give a card that heats the valve"))
    if faults:
        raise DesignFault(faults)
    return tuple(found)


def values_of(schedule: Schedule, settings: Sequence[Setting]) -> tuple[float, ...]:
    """The settings as the card has them."""
    flash = _flash(schedule)

    def value(name):
        match name.split():
            case ["oven"]:
                return schedule.oven_temperature
            case ["rf"]:
                return 1.0
            case ["flash_watts"]:
                return sum(flash.rf.power.values())
            case ["flash_start"]:
                return flash.rf.start
            case ["heater", position]:
                return schedule.positions[int(position) - 1].heater_voltage

    return tuple(value(s.name) for s in settings)


def with_settings(schedule: Schedule, settings: Sequence[Setting], values: Sequence[float], index_time: float) -> Schedule:
    """The card with other settings and index time; RF seconds follow the dwell, see `exhaustsim.studies.indextime`."""
    given = dict(zip((s.name for s in settings), values, strict=True))
    firing = {p.position for p in _firing(schedule)}
    new = schedule
    if "oven" in given:
        new = replace(new, oven_temperature=float(given["oven"]))
    positions = []
    for p in new.positions:
        if (volts := given.get(f"heater {p.position}")) is not None:
            p = replace(p, heater_voltage=float(volts))
        if p.rf is not None and p.position in firing and "rf" in given:
            p = replace(p, rf=_scaled(p.rf, float(given["rf"])))
        if p.rf is not None and p.action == "flash":
            rf = p.rf
            if "flash_watts" in given:
                rf = _scaled(rf, float(given["flash_watts"]) / sum(rf.power.values()))
            if "flash_start" in given:
                start = float(given["flash_start"])
                # What ended with the dwell still does.
                duration = rf.duration + rf.start - start if ends_with_dwell(rf, schedule.dwell) else rf.duration
                rf = replace(rf, start=start, duration=duration)
            p = replace(p, rf=rf)
        positions.append(p)
    return with_index_time(replace(new, positions=tuple(positions)), round(float(index_time), 9))


def _scaled(rf, factor: float):
    """RF with so many times the watts, written to the milliwatt."""
    return replace(rf, power={name: round(watts * factor, 3) for name, watts in rf.power.items()})


def _firing(schedule: Schedule):
    """Positions whose RF is given in watts and fires the parts."""
    return [p for p in schedule.positions if p.rf is not None and p.rf.power and p.action != "flash"]


def _flash(schedule: Schedule):
    return next((p for p in schedule.positions if p.action == "flash" and p.rf is not None and sum(p.rf.power.values()) > 0.0), None)


# ---- the search ---------------------------------------------------------------------------------


def best_settings(
    schedule: Schedule, *, margin: float = 0.0, limits: dict[str, tuple[float, float]] | None = None, only: Collection[str] = (), warn: bool = False,
    loaded: bool = True, tolerance: float = 1e-3, progress: Callable[[str], None] | None = None, cancel: Callable[[], bool] | None = None,
) -> Best:  # fmt: skip
    """The shortest index time that heater steps, RF and oven allow when they are chosen together.

    Parameters
    ----------
    schedule : Schedule
        The card to begin from.
    margin : float
        Share of every limit that must be left [1].
    limits : dict, optional
        Setting to (low, high) in SI, for settings that shall not go so far (by default 0.6 to 1.5 times the card, the oven 80 K either way); see `settings_of`.
    only, warn, tolerance, progress, cancel
        See `exhaustsim.studies.trials.Trials`.
    loaded : bool
        Whether the answer is verified by a run of the loaded machine.

    Raises
    ------
    DesignFault
        With everything that is wrong with the question.
    Cancelled
        `cancel` said so.
    """
    settings = _checked(schedule, (margin,), limits, only)
    trials = Trials(only, warn, tolerance, progress, cancel)
    trials.words = f"best settings of {schedule.name}"
    best = _Optimum(schedule, settings, margin, trials).find()
    return _verified(best, trials) if loaded and best.found is not None else best


def frontier(
    schedule: Schedule, *, margins: Sequence[float] = MARGINS, limits: dict[str, tuple[float, float]] | None = None, only: Collection[str] = (),
    warn: bool = False, loaded: bool = False, tolerance: float = 1e-3, progress: Callable[[str], None] | None = None,
    cancel: Callable[[], bool] | None = None,
) -> Frontier:  # fmt: skip
    """Output per hour against margin: `best_settings` for several margins, each begun from the answer before.

    Parameters and errors as `best_settings`; margins rise, and the first that nothing keeps ends the frontier.
    """
    margins = tuple(margins)
    settings = _checked(schedule, margins, limits, only)
    trials = Trials(only, warn, tolerance, progress, cancel)
    own = trials.of(schedule).margin
    points, start, runs = [], None, trials.runs
    for margin in margins:
        trials = Trials(only, warn, tolerance, progress, cancel)
        trials.words = f"frontier of {schedule.name}, margin {100.0 * margin:.3g}%"
        best = _Optimum(schedule, settings, margin, trials).find(start)
        best = _verified(best, trials) if loaded and best.found is not None else best
        points.append(best)
        runs += best.runs
        if best.found is None:
            break
        start = (*best.after, best.found.index_time)
    return Frontier(schedule, own, tuple(points), runs)


def _checked(schedule: Schedule, margins: tuple[float, ...], limits, only) -> tuple[Setting, ...]:
    """The settings of a question that makes sense; all faults of another one at once."""
    source = schedule.source or "best_settings"
    faults = unknown_keys(only, source)
    faults += [
        Fault(source, "margin", str(m), "must be from 0 to below 1", "give a share, such as 0.03")
        for m in margins if not (math.isfinite(m) and 0.0 <= m < 1.0)
    ]  # fmt: skip
    if not margins or any(b <= a for a, b in zip(margins, margins[1:], strict=False)):
        faults.append(Fault(source, "margins", str(margins), "must be rising shares", "such as 0, 0.02, 0.05"))
    settings: tuple[Setting, ...] = ()
    try:
        settings = settings_of(schedule, limits)
    except DesignFault as found:
        faults += found.faults
    if faults:
        raise DesignFault(faults)
    return settings


def _verified(best: Best, trials: Trials) -> Best:
    """The answer with what a run of the loaded machine, all heads followed, says to it."""
    trials.check()
    run = simulate_machine(best.found, indices=best.found.machine.positions + 1, tolerance=trials.tolerance)
    last = requirements(judge(run.journeys[-1].run), trials.warn, trials.only)
    fails = [r.phrase for r in last.values() if not r.kept]
    words = f"on the loaded machine it fails: {list_of(fails)}" if fails else "a run of the loaded machine bears it out"
    return replace(best, loaded=words, loaded_passes=not fails, runs=best.runs + 1)


class _Optimum:
    """Search in the space of the settings and the index time, each scaled to 0 to 1 over its limits."""

    def __init__(self, schedule: Schedule, settings: Sequence[Setting], margin: float, trials: Trials):
        self.schedule, self.settings, self.margin, self.trials = schedule, settings, margin, trials
        shortest = schedule.machine.transfer_time + 0.25 * schedule.dwell
        shortest = max(shortest, _least(schedule, settings) + INDEX_STEP)
        self.low = np.array([*(s.low for s in settings), shortest])
        self.high = np.array([*(s.high for s in settings), 2.0 * schedule.index_time])
        self.step = np.array([*(s.step for s in settings), INDEX_STEP])
        self.known: dict[tuple, Tried] = {}
        self.keys: list[str] = []

    def tried(self, several) -> list[Tried]:
        """Runs at points (settings and index time), known ones not made again."""
        keys = [tuple(np.round(x, 9)) for x in several]
        new = [k for k in dict.fromkeys(keys) if k not in self.known]
        made = self.trials.several([with_settings(self.schedule, self.settings, k[:-1], k[-1]) for k in new])
        self.known.update(zip(new, made, strict=True))
        return [self.known[k] for k in keys]

    def free(self, tried: Tried) -> bool:
        """Every limit is kept with the margin asked for."""
        return tried.worst.beyond <= 1.0 - self.margin

    def logs(self, tried: Tried) -> np.ndarray:
        """Logarithm of what is left to each limit with its margin; positive where it is kept."""
        return np.array([math.log(1.0 - self.margin) - tried.log_of(key) for key in self.keys])

    def find(self, start=None) -> Best:
        """The best from the card, or from `start`."""
        card = values_of(self.schedule, self.settings)
        x = np.clip(np.array([*card, self.schedule.index_time] if start is None else start), self.low, self.high)
        first = self.tried([x])[0]
        self.keys = sorted(first.requirements.keys() - {FAILED})
        for reach in REACHES:
            x = self._optimise(x, reach)
        best = self._settled(x)
        if best is None:
            nearest = min(self.known.values(), key=lambda t: t.worst.beyond)
            return self._answer(None, nearest, card, card)
        tried = self.tried([best])[0]
        return self._answer(tried.schedule, tried, card, tuple(best[:-1]))

    def _answer(self, found, tried: Tried, before, after) -> Best:
        binding = sorted(tried.requirements.values(), key=lambda r: -r.beyond)[:4]
        verdict = judge(self.trials.run(found)) if found is not None else None
        return Best(
            self.schedule, found, verdict, self.margin, tried.margin, tuple(binding), tuple(self.settings), tuple(map(float, before)),
            tuple(map(float, after)), self.trials.runs,
        )  # fmt: skip

    def _optimise(self, x: np.ndarray, reach: float) -> np.ndarray:
        """The library's search from `x` with first steps of `reach` times the limits; the best point met that keeps everything."""
        from scipy.optimize import minimize

        # What may not move is left out: the library takes it out by itself, but not for the limits.
        free = self.high > self.low
        low, span = self.low[free], (self.high - self.low)[free]

        def left(u):
            y = x.copy()
            y[free] = low + np.clip(u, 0.0, 1.0) * span
            return self.logs(self.tried([y])[0])

        minimize(
            lambda u: OUTPUT_WEIGHT * u[-1], (x[free] - low) / span, method="COBYLA", bounds=[(0.0, 1.0)] * len(span),
            constraints=[{"type": "ineq", "fun": left}], options={"rhobeg": reach, "maxiter": MOST_STEPS, "tol": 0.02 * reach},
        )  # fmt: skip
        return self._best_met(x)

    def _best_met(self, otherwise: np.ndarray) -> np.ndarray:
        """The quickest point tried that keeps everything; `otherwise` when there is none."""
        return min((np.array(k) for k, t in self.known.items() if self.free(t)), key=lambda k: k[-1], default=otherwise)

    def _settled(self, x: np.ndarray) -> np.ndarray | None:
        """Rounded to what can be set, made to keep every limit, and bettered one setting at a time; None when nothing keeps them.

        Where rounding spoils the point and single steps do not mend it, the point stays as the search met it.
        """
        met = x if self.free(self.tried([x])[0]) else None
        x = self._freed(self._rounded(x))
        x = met if x is None else x
        if x is None:
            return None
        while (better := self._neighbour(x)) is not None:
            x = better
        return x

    def _rounded(self, x: np.ndarray) -> np.ndarray:
        low, high = np.ceil(self.low / self.step - 1e-6), np.floor(self.high / self.step + 1e-6)
        offset = np.array([ZERO_CELSIUS if s.unit == "K" else 0.0 for s in self.settings] + [0.0])
        near = np.round((x - offset) / self.step) * self.step + offset
        return np.where(high > low, np.clip(near, self.low, self.high), x)

    def _freed(self, x: np.ndarray) -> np.ndarray | None:
        """A point near `x` that keeps everything, come by one setting at a time, each the one that mends most."""
        amiss = self._amiss(self.tried([x])[0])
        for _ in range(MOST_REPAIRS):
            if amiss == 0.0:
                return self._shortened(x)
            points = [self._at(x, n) for n in (1, 4, 16)] + self._beside(x) + self._beside(self._at(x, 4))
            points = [y for y in points if y[-1] <= self.high[-1]]
            worths = [self._amiss(t) for t in self.tried(points)]
            best = int(np.argmin(worths))
            if worths[best] >= amiss:
                return None
            x, amiss = points[best], worths[best]
        return None

    def _amiss(self, tried: Tried) -> float:
        """How far the limits are passed, with their margins, in all."""
        if self.free(tried):
            return 0.0
        return float(np.maximum(-self.logs(tried), 0.0).sum()) + 1e-12

    def _free_among(self, points) -> list[np.ndarray]:
        return [y for y, t in zip(points, self.tried(points), strict=True) if self.free(t)]

    def _beside(self, x: np.ndarray) -> list[np.ndarray]:
        """The points with one setting moved by one or by four steps, inside the limits."""
        points = []
        for i in range(len(x) - 1):
            for steps in (-4.0, -1.0, 1.0, 4.0):
                y = x.copy()
                y[i] += steps * self.step[i]
                if self.low[i] - ROUNDING <= y[i] <= self.high[i] + ROUNDING:
                    points.append(y)
        return points

    def _at(self, x, steps: int) -> np.ndarray:
        y = x.copy()
        y[-1] = round(x[-1] + steps * INDEX_STEP, 9)
        return y

    def _shortened(self, x: np.ndarray) -> np.ndarray:
        """As far down as the limits allow, in doubling and then halving steps."""
        step = 1
        while step >= 1:
            y = self._at(x, -step)
            if y[-1] >= self.low[-1] and self.free(self.tried([y])[0]):
                x, step = y, 2 * step
            elif step == 1:
                break
            else:
                step = 1 if step <= 2 else step // 4
        return x

    def _neighbour(self, x: np.ndarray) -> np.ndarray | None:
        """The best of the points with one setting moved and a shorter index time; None when none keeps everything."""
        quicker = self._at(x, -1)
        free = self._free_among(self._beside(quicker)) if quicker[-1] >= self.low[-1] else []
        return min((self._shortened(y) for y in free), key=lambda y: y[-1], default=None)


def _least(schedule: Schedule, settings: Sequence[Setting]) -> float:
    """Index time [s] above which the flash still fits, at its earliest start."""
    start = next((s.high for s in settings if s.name == "flash_start"), None)
    return least_index_time(schedule) if start is None else max(least_index_time(schedule), schedule.machine.transfer_time + start)
