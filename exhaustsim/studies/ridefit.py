"""A head ride fitted with the full simulator: from the trace of a gauge valve to the gas in the parts.

A gauge valve rides a head through all positions of a schedule.  Which gas came from where is told by
when it came: water in the oven, hydrogen and CO under RF, CO2 when the cathode is lit.  `fit_ride`
moves the gas content of the parts, the cathode temperature and the conductance of the exhaust stem
until the simulated reading lies on the logged one, with the scale of the gauge, the speed of the
pumps and the start of the log as far off as they may be.

Each turn simulates once, takes the differences with every setting over the same steps, and hands
the curve to `exhaustsim.studies.fitting`, straight in the settings about the last point; intervals,
spikes, bounds and scatter that hangs together are dealt with there.  The ends of the intervals are
then moved to where the full simulation has them (`exhaustsim.studies.ridecurve`).

Readings after the getter RF comes on are shown and not fitted: the mirror's constants are
trusted too little.  The intervals take the model to be right; what it leaves out is not in them, nor are
the errors of the simulation itself, a thousandth of a pressure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from exhaustsim.constants import GAS_NAMES
from exhaustsim.engine.result import FailedRun
from exhaustsim.plant.faults import DesignFault
from exhaustsim.plant.overlay import text_at
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.trace import GOOD, Trace
from exhaustsim.studies.closure import calibrated
from exhaustsim.studies.fitmodel import FitRefused, Reason
from exhaustsim.studies.fitproblem import MANY
from exhaustsim.studies.fitting import Fit, fit
from exhaustsim.studies.gauges import Gauge, gauge_named
from exhaustsim.studies.ridecurve import FARTHEST, Curve, model_of, seen_in, spread_of, with_ends
from exhaustsim.studies.rideforward import CLOCK_REACH, OTHERS, Ride, Setting
from exhaustsim.studies.ridequantities import NAMES, quantities_named
from exhaustsim.studies.ridesegments import Segment, segments_of
from exhaustsim.units import convert, format_number, parse_any

PLACES = ("bulb", "line")
TURNS = 20  # of simulation and straight curve
SETTLED = 0.1  # standard deviations that a setting may still move in the last turn
FREELY = 6  # turns after which a setting moves only half the way
WORSE = 1.3  # times as far from the readings as before, at which a turn went too far
STRAIGHT = 2.0  # standard deviations that a setting may lie from where the derivatives were taken last, on the way
FROM_LINES = 1.0  # standard deviations that a setting may lie from where the lines were settled last
STARTS = 3  # that are tried
LIKELY = 0.1  # scatter of the logarithm below which no other start is tried; our own choice
NO_LIKENESS = 0.3  # scatter of the logarithm above which the simulation is not that of the log; our own choice
CLOSEST = 0.09  # s between two readings that are fitted; our own choice, a little under 10 Hz
#: What the simulation resolves of a setting, its own errors being a thousandth: logarithm of a factor, K, s.
RESOLVED = {"1": 1e-3, "K": 0.1, "s": 1e-3}
#: How far a setting moves in one turn: logarithm of a factor, K, s.
REACH = {"1": 0.7, "K": 60.0, "s": 0.5}
#: Share by which the full simulation may leave the straight curve at the ends of an interval before it is told; our own choice.
BENT = 0.15
#: Correlation of two settings above which they are told as trading off; as in `studies/fitting.py`.
TRADES_OFF = 0.9
#: How far an interval may reach from the value and still say something: logarithm of a factor (twice as much), K; our own choice.
SAYS_NOTHING = {"1": 0.7, "K": 50.0}
#: Share of the spread known beforehand that must not be left for a log to have told more; our own choice.
SHARPENED = 0.7


@dataclass(frozen=True)
class RideValue:
    """One setting as found: a factor on what the valve file says, or a difference in K or s."""

    name: str
    what: str
    unit: str  # "factor", "K", "s"
    value: float
    low: float
    high: float
    stated: bool  # whether the readings say enough for the interval to be used
    bent: float  # share by which the full simulation leaves the straight curve at the ends of the interval
    texts: tuple[tuple[str, str, str, str, str], ...] = ()  # key in the valve file, what stood there, value, low, high

    @property
    def sentence(self) -> str:
        """Value and interval in words."""
        if self.unit == "factor":
            told = f"{self.what}: {format_number(self.value, 3)} times as assumed ({format_number(self.low, 3)} to {format_number(self.high, 3)})"
        else:
            told = f"{self.what}: {self.value:+.3g} {self.unit} ({self.low:+.3g} to {self.high:+.3g})"
        if self.texts:
            key, _, value, low, high = self.texts[0]
            # The conductance of a stem stands in the valve file as its bore.
            told += f", that is {'a bore of ' if key.endswith('.bore') else ''}{figures_of(value)} ({figures_of(low, unit=False)} to {figures_of(high, unit=False)})"
        return told if self.stated else f"{self.what}: the readings do not tell it ({told.partition(': ')[2]})"


def figures_of(text: str, unit: bool = True) -> str:
    """A value text with three figures, of a temperature four, with or without its unit."""
    value, found, kind = parse_any(text)
    number = format_number(convert(value, kind, found), 4 if kind == "temperature" else 3)
    return number if not unit or found == "1" else f"{number} {found}"


@dataclass(frozen=True, eq=False)
class RideFit:
    """A head ride fitted with the full simulator."""

    trace: Trace  # all readings
    schedule: Schedule  # as it was before the fit
    values: tuple[RideValue, ...]  # of the valve
    nuisances: tuple[RideValue, ...]  # of gauge, pumps and clock
    fitted: np.ndarray  # (n,) bool: readings of `trace` that were fitted, as value or bound
    curve: np.ndarray  # (n,) Pa that the scale would have shown; NaN where nothing was simulated
    segments: tuple[Segment, ...]
    inference: Fit  # of the last turn; its parameters are settings
    correlation: np.ndarray  # (k, k) between values and nuisances, in that order
    turns: int
    ride: Ride = field(repr=False)

    def __getitem__(self, name: str) -> RideValue:
        for found in (*self.values, *self.nuisances):
            if found.name == name:
                return found
        raise KeyError(f"no {name!r} in this fit; there are {', '.join(v.name for v in (*self.values, *self.nuisances))}")

    @property
    def fitted_schedule(self) -> Schedule:
        """The schedule with the valve as fitted."""
        return self.ride.schedule_at(self.inference.values)

    def in_words(self) -> list[str]:
        """What a person should know, a sentence each."""
        told = [v.sentence for v in self.values] + [v.sentence for v in self.nuisances if v.stated]
        told += [
            f"{v.what} is no better known than before ({v.low:.2f} to {v.high:.2f})" if v.unit == "factor"
            else f"{v.what} is no better known than before ({v.low:+.2g} to {v.high:+.2g} {v.unit})"
            for v in self.nuisances if not v.stated
        ]  # fmt: skip
        everything = (*self.values, *self.nuisances)
        for a in range(len(everything)):
            for b in range(a):
                r = self.correlation[a, b]
                if abs(r) > TRADES_OFF:
                    told.append(f"{everything[b].what} and {everything[a].what} trade off: the readings fix the two together "
                                f"(correlation {r:.2f}), not each")  # fmt: skip
        told += [
            f"the interval of {v.what} is bent: there the simulation leaves the straight curve by {100 * v.bent:.0f} %"
            for v in everything if v.stated and v.bent > BENT
        ]  # fmt: skip
        found = self.inference
        told.append(f"scatter {100 * found.scatter:.2g} %" + (
            f", hangs together over {found.correlation_time:.2g} s" if found.correlation_time else ""))  # fmt: skip
        if found.bounds_used:
            told.append(f"{found.bounds_used} readings count as bounds: they stand at an end of the scale")
        if len(found.down_weighted):
            where = ", ".join(f"{t:.1f}" for t in found.trace.time[found.down_weighted][:8])
            more = f" and {len(found.down_weighted) - 8} more" if len(found.down_weighted) > 8 else ""
            told.append(f"left out as struck: {len(found.down_weighted)} readings, at {where}{more} s")
        return told + [r.words for r in found.cautions]


def fit_ride(
    trace: Trace, schedule: Schedule, *, free: Sequence[str] = NAMES, gauge: str | Gauge | None = None, place: str | None = None,
    others: str = "alike", ranges=None, level: float = 0.95, seed: int = 0, progress: Callable[[float, str], None] | None = None,
) -> RideFit:  # fmt: skip
    """Fit the trace of a gauge that rode a head through the positions of `schedule`.

    Parameters
    ----------
    trace : Trace
        Readings against time [s]; nought is about when the port first opened.
    schedule : Schedule
        That was ridden; valve and machine from their files, with the values to start from.
    free : sequence of str
        Quantities of the valve that may move, names of `exhaustsim.studies.ridequantities.NAMES`.
    gauge : str or Gauge, optional
        Kind of gauge; by default that of the trace.
    place : str, optional
        "bulb" (a gauge valve) or "line" (gauge at the manifold to which the head is connected); by default that of the trace.
    others : str
        "alike": the valves on the other heads are like this one.  "as scheduled": they are as their file says.
    ranges : (n,) int array, optional
        Number of the range of the gauge at each reading, from 0; steps between ranges are then fitted too.
    level : float
        Of the intervals [1].
    seed : int
        Kept with the fit; nothing is drawn, so the outcome does not depend on it.
    progress : callable, optional
        Called with the share done [1] and a word.

    Returns
    -------
    RideFit

    Raises
    ------
    FitRefused
        The readings do not support the fit, or the simulation fails at what they ask for.
    ValueError
        A name that does not exist, or a valve that came from no file.
    """
    say = progress or (lambda share, words: None)
    quantities = quantities_named(free)
    factors, place = _gauge(trace, schedule, gauge, place)
    if others not in OTHERS:
        raise ValueError(f"no others {others!r}; there are {', '.join(OTHERS)}")
    ranges = np.zeros(len(trace), int) if ranges is None else np.asarray(ranges, int)
    if len(ranges) != len(trace):
        raise ValueError(f"{len(ranges)} range numbers for {len(trace)} readings")
    here = _window(trace, schedule)
    say(0.0, "line pressures")
    try:
        ride = Ride(_part(trace, here), schedule, quantities, factors, place, others, ranges[here])
        part, found, shares, turns = _fitted(_part(trace, here), ride, level, say)
        curve = np.full(len(trace), np.nan)
        curve[here] = np.exp(ride.log_reading(found.values))
    except (FailedRun, DesignFault) as problem:
        words = f"the simulation fails at what the readings ask for: {problem}"
        raise FitRefused("head ride", [Reason(words, "look whether log and schedule belong together")]) from problem
    values = tuple(_value(ride, s, p, b) for s, p, b in zip(ride.settings, found.parameters, shares, strict=True))
    of_valve = sum(s.quantity is not None for s in ride.settings)
    fitted = np.zeros(len(trace), bool)
    fitted[np.flatnonzero(here)[part.usable()]] = True
    clock = float(found.values[ride.names.index("clock")])
    residuals = np.full(len(trace), np.nan)
    residuals[np.flatnonzero(here)] = found.residuals
    segments = segments_of(schedule, trace, clock, residuals)
    say(1.0, "fitted")
    return RideFit(trace, schedule, values[:of_valve], values[of_valve:], fitted, curve, segments, found, found.correlation, turns, ride)


def _gauge(trace: Trace, schedule: Schedule, gauge: str | Gauge | None, place: str | None) -> tuple[np.ndarray, str]:
    """Factors by the gas that the log says, and the place; refuses what is not stated."""
    reasons = []
    named = gauge if gauge is not None else trace.gauge
    if named is None:
        reasons.append(Reason("no kind of gauge is stated, so its factors are not known", "name the gauge"))
    if trace.calibration_gas not in GAS_NAMES:
        reasons.append(Reason("no gas of calibration is stated", f"name one of {', '.join(GAS_NAMES)}"))
    place = place or trace.place
    if place not in PLACES:
        reasons.append(Reason("it is not stated where the gauge is", f"name one of {', '.join(PLACES)}"))
    if reasons:
        raise FitRefused("head ride", reasons)
    found = named if isinstance(named, Gauge) else gauge_named(named, schedule.valve.tables)
    factors = calibrated(found, trace.calibration_gas)
    if factors is None:
        words = f"a gauge of kind {found.name} does not see {trace.calibration_gas}, for which the log says it was calibrated"
        raise FitRefused("head ride", [Reason(words, "look at the gauge's own certificate")])
    return factors, place


def _window(trace: Trace, schedule: Schedule) -> np.ndarray:
    """Readings up to the getter RF, or to tip-off without one."""
    flash, tip = schedule.position_of("flash"), schedule.position_of("tip_off")
    end = np.inf
    if flash is not None and (tip is None or flash < tip):
        setting = schedule.positions[flash - 1]
        end = (flash - 1) * schedule.index_time + (setting.rf.start if setting.rf else 0.0)
    elif tip is not None:
        end = tip * schedule.index_time - schedule.machine.transfer_time - schedule.sealing_time
    else:
        end = len(schedule.positions) * schedule.index_time - schedule.machine.transfer_time
    # As far before it as the start of the log may be off.
    margin = CLOCK_REACH * schedule.valve.tables.value("rides.clock_spread")
    here = (trace.time >= 0.0) & (trace.time <= end - margin)
    # The simulator's own log is dense after every jump; such readings hang together and tell no more than one.
    kept, last = [], -np.inf
    for k in np.flatnonzero(here & trace.usable()):
        if trace.time[k] >= last + CLOSEST:
            kept.append(k)
            last = trace.time[k]
    # The fitting core averages neighbours of longer logs, which a port that opens between them forbids.
    here = np.zeros(len(trace), bool)
    here[kept[:: -(-len(kept) // MANY) or 1]] = True
    if not here.any():
        raise FitRefused("head ride", [Reason("no usable reading lies between the first opening of the port and the flash",
                                              "give the time since the port of the first position opened")])  # fmt: skip
    return here


def _part(trace: Trace, here: np.ndarray) -> Trace:
    """The readings `here` of a trace."""
    return Trace(
        trace.name, trace.time[here], trace.reading[here], trace.mark[here], trace.original[here], trace.unit, trace.gauge,
        trace.calibration_gas, trace.place, trace.gas, trace.events,
    )  # fmt: skip


def _fitted(part: Trace, ride: Ride, level: float, say) -> tuple[Trace, Fit, list[float], int]:
    """Readings that were seen, the fit with intervals, how much each setting bends, and the turns taken: from the likeliest start, or from
    another where that one comes to rest far from the readings."""
    good = part.usable() & (part.mark == GOOD)
    if not good.any():
        raise FitRefused("head ride", [Reason("there is no good reading before the flash", "look at what the reader marked, and why")])
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(part.reading)
    best, refused, taken = None, None, 0
    for start in ride.starts(logs, good, STARTS):
        try:
            found, turns = _turns(part, ride, start, logs, good, level, say)
        except FitRefused as no:
            refused = no
            continue
        taken += turns
        if best is None or found.scatter < best.scatter:
            best = found
        if best.scatter <= LIKELY:
            break
    if best is None:
        raise refused
    if best.scatter > NO_LIKENESS:
        words = f"the readings scatter by {100 * best.scatter:.0f} % about the simulation at its best: they are not this ride"
        raise FitRefused("head ride", [Reason(words, "look at the kind of gauge, its units, the schedule and the start of the log")])
    say(0.7, "intervals")
    x = best.values
    if best is not found:
        ride.resettle(x)
    middle = ride.log_reading(x, given=False)
    curve = Curve(x, middle, ride.slopes(x, middle))
    seen = seen_in(part, ride, curve)
    found = fit(model_of(ride, part.time, curve, FARTHEST), seen, intervals="profile", level=level)
    say(0.9, "the simulation at the ends of the intervals")
    found, shares = with_ends(ride, seen, found, curve)
    return seen, found, shares, taken


def _turns(part: Trace, ride: Ride, start: np.ndarray, logs: np.ndarray, good: np.ndarray, level: float, say) -> tuple[Fit, int]:
    """Simulate, straighten, fit, until the settings stay, the lines settled anew where they have gone far; and the turns taken."""
    x = start
    if np.any(x != ride.base_x):
        ride.resettle(x)
    best = np.inf
    before, slope, straight_at, own = x, None, x, np.ones(len(x))
    for turn in range(1, TURNS + 1):
        say(0.1 + 0.6 * turn / TURNS, f"turn {turn}")
        middle = ride.log_reading(x, given=False)
        away = float(np.median(np.abs(logs - middle)[good & np.isfinite(middle)]))
        if away > WORSE * best:
            # Too far at once: half the way back.
            x = 0.5 * (x + before)
            continue
        best, before = min(best, away), x
        if slope is None or np.any(np.abs(x - straight_at) > STRAIGHT * own):
            slope, straight_at = ride.slopes(x, middle), x
        curve = Curve(x, middle, slope)
        found = fit(model_of(ride, part.time, curve, REACH), seen_in(part, ride, curve), intervals=None, level=level)
        own = np.maximum(np.sqrt(np.diag(spread_of(found))), [RESOLVED[setting.unit] for setting in ride.settings])
        moved = np.abs(found.values - x) / own
        # Turns that go to and fro, a reading struck in one and not in the next, are met half-way.
        x = found.values if turn <= FREELY else 0.5 * (x + found.values)
        if np.any(np.abs(x - ride.base_x) > FROM_LINES * own):
            ride.resettle(x)
            best = np.inf
        elif np.all(moved <= SETTLED):
            return found, turn
    raise FitRefused("head ride", [Reason(f"the settings do not come to rest in {TURNS} turns",
                                          "free fewer quantities, or look whether log and schedule belong together")])  # fmt: skip


def _value(ride: Ride, setting: Setting, p, bent: float) -> RideValue:
    stated = not (p.open_low or p.open_high)
    widest = SAYS_NOTHING[setting.unit] if setting.spread is None else SHARPENED * 1.96 * setting.spread
    stated = stated and max(p.high - p.value, p.value - p.low) < widest
    if setting.unit == "1":
        value, low, high = (float(np.exp(end)) for end in (p.value, p.low, p.high))
        unit = "factor"
    else:
        value, low, high, unit = p.value, p.low, p.high, setting.unit
    texts = ()
    if setting.quantity is not None:
        table = ride.valve.table
        was, at, lowest, highest = (setting.quantity.texts(table, end) for end in (0.0, p.value, p.low, p.high))
        texts = tuple((key, text_at(table, key), at[key], lowest[key], highest[key]) for key in was)
    return RideValue(setting.name, setting.what, unit, float(value), float(low), float(high), stated, bent, texts)
