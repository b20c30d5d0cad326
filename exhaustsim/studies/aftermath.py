"""From the ageing results back to the cause: too much gas, or too little emission with gas as usual.

Too much gas: what was measured after ageing, and again days later, is held against the run of the
same schedule.  For every left-over that is known badly (and for a leak of the sealed valve, and air
caught at tip-off) it is asked how much of it would explain the readings, whether that much is
thinkable, and whether the course over time agrees.  A mirror takes all gases but argon, helium and methane,
so most left-overs show only while it works, and what grows for days is a leak or helium.

Emission slump with gas as usual: what the run says of exposures of the hot cathode, of its
temperature and of the breakdown, nearest to its limit first.

Consistent is not proved: several causes may agree with the same readings, and are then all named.
Not modelled: two causes together, gas from heated parts in service, a grid current that gas did not make.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from exhaustsim.constants import AR
from exhaustsim.engine.network import room_air
from exhaustsim.engine.result import STAGES, Run
from exhaustsim.engine.run import simulate
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.fitmodel import FitRefused, Reason
from exhaustsim.studies.flags import CHECKS
from exhaustsim.studies.leasttrusted import ranges, with_moved
from exhaustsim.studies.verdict import limits_of, place_of, texts_of, times_beyond

AGEING = STAGES.index("ageing")
SHELF = STAGES.index("shelf")
NO_EFFECT = 0.01  # a left-over that moves no reading by this share cannot explain it, own choice
HIGHEST = 1e6  # times the end of a range, beyond which nothing is sought

#: What to look at first, by cause.
CHECK_FIRST = {
    "needle_radius": "the coating: weigh it, look at its grain, and check the converted fraction when the heater goes off",
    "anode_carbon_monoxide": "the anodes: lot, storage, furnace; rise test on valves of both lots",
    "glass_water": "the oven: air temperature at the bulb, and how long the bulbs stood unsealed in damp air",
    "carbon_dioxide_appetite": "the mirror: size and colour, holder temperature at the flash, getter lot",
    "helium_permeability": "nothing on the machine: helium through the glass, set by glass and shelf time",
    "tip_off_burst": "tip-off: fires, bore of the exhaust stem, order of flash and tip-off",
    "leak": "seals and pip: leak test, and gas again after some days",
    "air_at_tip_off": "air at tip-off: line pressure at that position, rubber and port plate of that head",
}
WORDS = {"leak": "leak of the sealed valve", "air_at_tip_off": "air caught at tip-off"}

#: Checks that bear on emission, with what to look at first; no lead in gas.
EMISSION = {
    "incomplete_breakdown": "heater steps: volts at the contacts, and the converted fraction",
    "cathode_over_temperature": "last heater step: volts, and the sleeve by pyrometer",
    "cathode_poisoning": "air on the line after the breakdown: leak on head or port plate",
    "oxidant_exposure": "water and CO2 on the line after the breakdown: recovery before lighting again",
    "sealed_oxygen": "air at tip-off, and time for the mirror before ageing",
    "sealed_oxidant": "breakdown finished on the pump, and time for the mirror before ageing",
    "recarbonation": "CO2 over the cooling cathode: keep it hot until on a clean line",
    "carbon_dioxide_on_cooling": "CO2 over the cooling cathode: keep it hot until on a clean line",
    "nickel_exposure": "pace of the breakdown: long and mild oxidises the sleeve",
    "binder_late": "binder: light the heater low while still in the oven",
}


@dataclass(frozen=True)
class GasReading:
    """Gas in a valve, measured."""

    after: float  # s since the end of ageing; 0 for at its end
    pressure: float  # Pa, total
    error: float  # relative standard error [1]


@dataclass(frozen=True)
class Cause:
    """One left-over, and what it would take."""

    name: str
    what: str
    explains: bool  # agrees with the readings at some amount that is thinkable
    needed: float  # 0: as the design says; 1: the worst end of the range of that constant. Leak: Pa m3/s of air; tip-off: Pa of air
    thinkable: bool  # not beyond the range
    misfit: float  # squared differences over their variances, with the best amount
    chance: float  # of a larger misfit if this were the cause
    check_first: str


@dataclass(frozen=True)
class Causes:
    """Causes of high gas, most consistent first."""

    causes: tuple[Cause, ...]
    readings: int
    expected: tuple[float, ...]  # Pa by the run at the moments measured
    measured: tuple[float, ...]  # Pa
    normal: bool  # the run explains the readings as they are

    @property
    def consistent(self) -> tuple[Cause, ...]:
        return tuple(c for c in self.causes if c.explains)

    @property
    def sentence(self) -> str:
        if self.normal:
            return "The gas is as the run says: nothing to explain."
        ratio = self.measured[0] / self.expected[0]
        text = f"Gas is {ratio:.2g} times what the run says at the first reading. "
        if not self.consistent:
            return text + f"No single left-over explains it; nearest: {self.causes[0].what}. Measure again after some days, and suspect two causes, or a grid current that is not gas."
        text += f"Consistent: {', '.join(c.what for c in self.consistent)}. Look first at {self.consistent[0].check_first}."
        if len(self.consistent) > 1:
            text += " They cannot be told apart by these readings; gas again after some days, and in the valves of the next lot, would."
        return text

    def to_json(self) -> dict:
        return {**asdict(self), "sentence": self.sentence}


def causes_of_gas(
    schedule: Schedule, measured: Sequence[GasReading], scale_error: float = 0.0, base: Run | None = None, run: Callable[[Schedule], Run] = simulate
) -> Causes:
    """Which left-over explains the gas after ageing.

    Parameters
    ----------
    schedule : Schedule
        Of the valves measured, with ageing; and shelf time as long as the last reading needs.
    measured : sequence of GasReading
    scale_error : float
        Relative standard error that all readings share [1]: the constant of the gauge.
    base : Run, optional
        Of the schedule, if there is one already.
    run : callable
        How a schedule is run.

    Returns
    -------
    Causes

    Raises
    ------
    FitRefused
        No reading, a reading later than the run goes, a schedule without ageing or without shelf time.
    ValueError
        A pressure or an error that is not above zero.
    """
    from scipy.stats import chi2

    readings = sorted(measured, key=lambda r: r.after)
    if any(not (r.pressure > 0.0 and r.error > 0.0 and r.after >= 0.0) for r in readings):
        raise ValueError("pressures and errors of gas readings must be above 0, times 0 or more")
    base = base or run(schedule)
    reasons = []
    sealed = _sealed_time(base)
    if not readings:
        reasons.append(Reason("there is no gas reading", "measure the gas at the end of ageing, and again after some days"))
    if sealed is None:
        reasons.append(Reason("the schedule has no ageing", "add the ageing steps to the schedule"))
    elif not (base.stage == SHELF).any():
        reasons.append(Reason("the schedule has no shelf time, and gas is measured in the cold valve after ageing", "give the schedule a shelf time"))
    elif readings and readings[-1].after > base.time[-1] - sealed:
        reasons.append(Reason(f"the last reading is {readings[-1].after:.3g} s after ageing, the run goes to {base.time[-1] - sealed:.3g} s", "lengthen the shelf time of the schedule"))
    if reasons:
        raise FitRefused(schedule.name, reasons)
    after = np.array([r.after for r in readings])
    log = np.log([r.pressure for r in readings])
    variance = np.diag([r.error**2 for r in readings]) + scale_error**2
    weights = np.linalg.inv(variance)
    expected = _gas(base, after)

    def misfit(pressure: np.ndarray) -> float:
        off = log - np.log(pressure)
        return float(off @ weights @ off)

    courses = {}
    for moved in ranges(schedule.valve):
        worse = run(replace(schedule, valve=with_moved(schedule.valve, {moved: moved.constant.dirtier})))
        courses[moved.name] = (moved.constant.what, _gas(worse, after) - expected, 1.0)
    # Of air only argon stays: the mirror takes the rest.
    argon = float(room_air(schedule.machine.air_humidity, schedule.valve.tables)[AR])
    left_machine = float(base.time[np.flatnonzero(base.stage <= STAGES.index("transfer"))[-1]])
    courses["leak"] = (WORDS["leak"], argon * (after + sealed - left_machine) / schedule.valve.bulb.volume, math.inf)
    courses["air_at_tip_off"] = (WORDS["air_at_tip_off"], np.full(len(after), argon), math.inf)
    freedom = max(len(readings) - 1, 1)
    found = []
    for name, (what, course, most) in courses.items():
        moves = math.isinf(most) or float(np.max(np.abs(course) / expected)) >= NO_EFFECT
        amount = _best_amount(misfit, expected, course) if moves else 0.0
        rest = misfit(np.maximum(expected + amount * course, 1e-300))
        chance = float(chi2.sf(rest, freedom))
        thinkable = amount <= most
        explains = chance > 0.05 and thinkable and amount > 0.0
        found.append(Cause(name, what, explains, amount, thinkable, rest, chance, CHECK_FIRST[name]))
    found.sort(key=lambda c: (not c.explains, c.misfit, c.needed))
    normal = float(chi2.sf(misfit(expected), len(readings))) > 0.05
    return Causes(tuple(found), len(readings), tuple(map(float, expected)), tuple(r.pressure for r in readings), normal)


@dataclass(frozen=True)
class Suspect:
    """Something that bears on emission, and how near the run came to its limit."""

    key: str
    what: str
    figures: str  # reading and limit in words
    times: float  # how many times the limit
    where: str
    check_first: str


@dataclass(frozen=True)
class Slump:
    """What a run says on an emission slump with gas as usual, nearest to its limit first."""

    suspects: tuple[Suspect, ...]

    @property
    def sentence(self) -> str:
        first = self.suspects[0]
        place = f" ({first.where})" if first.where else ""
        if first.times >= 1.0:
            return f"Most likely by the run: {first.what}{place}, {first.figures}. Look first at {first.check_first}."
        return (
            f"The run passes no limit that bears on emission; nearest is {first.what}{place}, {first.figures}. The machine may not have done what the card says: "
            f"look first at {first.check_first}."
        )

    def to_json(self) -> dict:
        return {**asdict(self), "sentence": self.sentence}


def causes_of_slump(run: Run) -> Slump:
    """What in a run bears on emission: exposures of the hot cathode, its temperature, the breakdown.

    Raises
    ------
    FitRefused
        The run has no cathode that was lit.
    """
    found: dict[str, Suspect] = {}
    for check in CHECKS:
        if check.key not in EMISSION:
            continue
        reading = check.measure(run)
        limits = limits_of(run, check)
        limit = next((x for x in (limits.warn, limits.stop, limits.note) if x is not None), None)
        if reading is None or limit is None or not math.isfinite(reading.value):
            continue
        times = times_beyond(reading.value, limit, check.kind, check.too_low)
        value, bound = texts_of(reading.value, limit, check.kind, check.unit)
        found[check.key] = Suspect(check.key, check.what, f"{value} against the limit of {bound}", times, place_of(run, reading)[1], EMISSION[check.key])
    if not found:
        raise FitRefused(run.schedule.name, [Reason("the cathode was never lit in this run", "run the schedule with its heater steps")])
    return Slump(tuple(sorted(found.values(), key=lambda s: -s.times)))


def _sealed_time(run: Run) -> float | None:
    """End of ageing [s]."""
    aged = np.flatnonzero(run.stage == AGEING)
    return float(run.time[aged[-1]]) if len(aged) else None


def _gas(run: Run, after: np.ndarray) -> np.ndarray:
    """Total bulb pressure at moments after the end of ageing [Pa], cold valve."""
    later = run.stage == SHELF
    since = run.time[later] - _sealed_time(run)
    return np.interp(after, since, run.bulb_pressure[later].sum(axis=1))


def _best_amount(misfit, expected: np.ndarray, course: np.ndarray) -> float:
    """Amount, 0 or more, of a course that explains the readings best; 0 where none of it is best."""
    from scipy.optimize import minimize_scalar

    size = float(np.max(course / expected))
    if size <= 0.0:
        return 0.0

    def height(log_amount: float) -> float:
        return misfit(np.maximum(expected + math.exp(log_amount) * course, 1e-300))

    low, high = math.log(1e-3 / size), math.log(HIGHEST / size)
    coarse = np.linspace(low, high, 60)
    k = int(np.argmin([height(x) for x in coarse]))
    best = minimize_scalar(height, bounds=(coarse[max(k - 1, 0)], coarse[min(k + 1, 59)]), method="bounded")
    return float(math.exp(best.x)) if best.fun < misfit(expected) else 0.0
