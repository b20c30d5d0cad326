"""Does this schedule do?  A run held against its targets and limits, with the reason in one sentence.

The target bulb pressure alone is a poor judge: a cathode nine tenths broken down passes it
and gives the rest of its CO2 to the getter on the ageing rack.  A schedule passes when every
target is met, those of converted fraction, barium and sealed pressure included, and no flag
says stop.

`judge` gives a `Verdict`: the target checks, the flags (see `exhaustsim.studies.flags`), and
the sentence.  Not weighed here: how sure the verdict is.  The constants behind it are known
to a factor only, and a verdict close to a limit may turn with them: see `exhaustsim.studies.band`.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from exhaustsim.constants import AR, GAS_NAMES, N2, O2, REFERENCE_TEMPERATURE, ZERO_CELSIUS
from exhaustsim.engine.result import Run
from exhaustsim.studies.flags import CHECKS, LEVELS, Check, Limits, limits_for
from exhaustsim.studies.headline import Reason, told_in_order
from exhaustsim.studies.readings import Reading
from exhaustsim.units import PASCAL_LITRE, convert, format_number, share_texts, show

MOST_REASONS = 3  # named in one sentence before the others are counted
DUST = 1e-30  # of any SI unit: too small to mean anything
STAGE_PLACES = {2: "standing after tip-off", 3: "ageing", 4: "on the shelf"}


@dataclass(frozen=True)
class Flag:
    """A limit passed. `value` and `limit` are in `unit`; the sentence is complete in itself."""

    name: str
    level: str  # "stop", "warn" or "note"
    position: int | None  # from 1; None after the machine or where no position applies
    time_s: float | None  # since the port first opened; None where no position applies
    value: float
    limit: float
    unit: str
    sentence: str
    remedy: str
    phrase: str  # the reading and its limit without the place, for use inside a sentence
    beyond: float  # how many times the limit, as `times_beyond` counts
    key: str  # of the check that raised it
    covers_target: str = ""  # the target whose miss says the same


@dataclass(frozen=True)
class TargetCheck:
    """One target and what the run made of it, in `unit`."""

    name: str  # field of `Target`
    what: str  # in words
    value: float
    limit: float
    unit: str
    met: bool
    where: str  # at which place and time it is judged
    time_s: float  # the same in s since the port first opened

    @property
    def beyond(self) -> float:
        """How many times the limit, as `times_beyond` counts; below 1 for a target that is met."""
        return times_beyond(self.value, self.limit, "share" if self.unit == "1" else "pressure", self.name == "converted_fraction")

    def texts(self, pressure_unit: str) -> tuple[str, str]:
        """Value and limit as a table shows them: pressures in `pressure_unit`, shares in %."""
        if self.unit == "Pa":
            return texts_of(self.value, self.limit, "pressure", pressure_unit)
        return texts_of(self.value, self.limit, "share", "%")


@dataclass(frozen=True, eq=False)
class Verdict:
    """A run, judged."""

    run: Run
    targets: tuple[TargetCheck, ...]
    flags: tuple[Flag, ...]  # worst first
    pressure_unit: str  # in which the sentences tell pressures
    readings: Mapping[Callable, Reading | None] = field(default_factory=dict, repr=False)  # by the `measure` of the checks

    @property
    def name(self) -> str:
        """Name of the schedule."""
        return self.run.schedule.name

    @property
    def meets_target(self) -> bool:
        """Every target is met."""
        return all(check.met for check in self.targets)

    @property
    def passes(self) -> bool:
        """Every target is met and no flag says stop."""
        return self.meets_target and self.worst != "stop"

    @property
    def worst(self) -> str:
        """Worst level among the flags; "" without flags."""
        return self.flags[0].level if self.flags else ""

    @property
    def warned(self) -> list[str]:
        """What it warns of, in words."""
        return list(dict.fromkeys(f.name.replace("_", " ") for f in self.flags if f.level == "warn"))

    @property
    def word(self) -> str:
        """The verdict in a word."""
        if not self.passes:
            return "fails"
        return "warns" if self.worst == "warn" else "passes"

    def target(self, name: str) -> TargetCheck | None:
        """The check of one target, or None when the run does not reach the point at which it is judged."""
        return next((check for check in self.targets if check.name == name), None)

    @property
    def carbon_dioxide_left(self) -> float:
        """CO2 still locked in the coating when the valve leaves the pump [mol]."""
        sample = _leaving(self.run)
        return (1.0 - float(self.run.converted_fraction[sample])) * self.run.schedule.valve.coating.carbonate

    @functools.cached_property
    def reasons(self) -> list[Reason]:
        """What it fails by, as a headline tells it: targets missed, and flags that say stop and are not such a miss told again."""
        pressure = self.target("bulb_pressure")
        missed_names = {check.name for check in self.targets if not check.met}
        reasons = [
            Reason(check.name, check.beyond if check is not pressure else math.inf, self._since(check), self._miss(check))
            for check in self.targets if not check.met
        ]  # fmt: skip
        reasons += [
            Reason(f.key, f.beyond, f.time_s, f.phrase)
            for f in self.flags if f.level == "stop" and f.covers_target not in missed_names
        ]  # fmt: skip
        return told_in_order(reasons)

    @functools.cached_property
    def sentence(self) -> str:
        """What the schedule does and why, in one sentence; see `told_in_order` for which reason comes first."""
        pressure = self.target("bulb_pressure")
        figures = against(pressure.value, pressure.limit, "pressure", self.pressure_unit, "against")
        # Two flags may be raised by one reading.
        shown = worst_of(list(dict.fromkeys(reason.phrase for reason in self.reasons)))
        if not pressure.met:
            return f"{self.name} fails: {shown}."
        if self.reasons:
            return f"{self.name} meets its target bulb pressure ({figures}) and still fails: {shown}."
        text = f"{self.name} meets every target (bulb pressure {figures})"
        return f"{text} and warns of {list_of(self.warned)}." if self.warned else f"{text}."

    def _since(self, check: TargetCheck) -> float:
        """When a missed target was lost: as it is judged, or as a flag that says the same was raised before."""
        return min([check.time_s, *(f.time_s for f in self.flags if f.covers_target == check.name and f.time_s is not None)])

    def _miss(self, check: TargetCheck) -> str:
        if check.name == "converted_fraction":
            left = show(self.carbon_dioxide_left, "amount", "Pa L", 2)
            value = share_texts(check.value, check.limit)[0]
            return f"converted fraction on leaving the pump {value} ({left} of CO2 left in the coating)"
        if check.unit == "Pa":
            figures = against(check.value, check.limit, "pressure", self.pressure_unit, "against")
            return f"{check.what} {figures}{f' just before {_event(self.run)}' if check.name == 'bulb_pressure' else ''}"
        return f"{check.what} {against(check.value, check.limit, 'share', '%', 'against')}"

    def to_json(self) -> dict:
        """The verdict as plain data, keys with their units."""
        run, sample = self.run, self.run.judged_at
        tip = run.tip_off_sample
        sealed = self.target("sealed_pressure")
        after_tip = tip is not None
        return {
            "schedule": self.name,
            "valve": run.schedule.valve.name,
            "machine": run.schedule.machine.name,
            "own_data": [
                {"name": r.name, "value": r.text, "standing": r.standing, "source": r.source, "file": r.file, "replaces": r.replaces,
                 "reason": r.reason}
                for r in run.schedule.valve.tables.own
            ],
            "meets_target": self.meets_target,
            "passes": self.passes,
            "sentence": self.sentence,
            "target_pressure": {
                "bulb_pressure_pa": float(run.total_bulb_pressure[sample]),
                "limit_pa": run.schedule.target.bulb_pressure,
                "air_share_pa": _air(run, sample),
                "judged_at": self.target("bulb_pressure").where,
            },
            "tip_off": {
                "bulb_pressure_pa": float(run.total_bulb_pressure[tip]),
                "by_gas": _by_gas(run, tip),
            } if after_tip else None,
            "sealed": {
                "after_ageing_pa": sealed.value,
                "after_life_pa": after_life(run),
                "by_gas_after_ageing": _by_gas(run, run.end_of_ageing),
            } if after_tip else None,
            "converted_fraction": self.target("converted_fraction").value,
            "carbon_dioxide_left_pa_l": self.carbon_dioxide_left / PASCAL_LITRE,
            "barium_spent_fraction": self.target("barium_spent").value if after_tip else None,
            "index_time_s": run.schedule.index_time,
            "valves_per_hour": 3600.0 / run.schedule.index_time,
            "peak_bulb_pressure_pa": peak_bulb_pressure(run),
            "targets": [
                {"name": c.name, "value": c.value, "limit": c.limit, "unit": c.unit, "met": c.met, "where": c.where}
                for c in self.targets
            ],
            "flags": [
                {
                    "name": f.name, "level": f.level, "position": f.position, "time_s": f.time_s, "value": f.value,
                    "limit": f.limit, "unit": f.unit, "sentence": f.sentence, "remedy": f.remedy,
                }
                for f in self.flags
            ],
            "ledger_error": run.ledger.error,
            "steps": run.outcome.steps,
            "tolerance": run.tolerance,
        }  # fmt: skip


def judge(run: Run, pressure_unit: str = "Pa") -> Verdict:
    """Hold `run` against the targets of its schedule and the limits of its valve.

    Parameters
    ----------
    run : Run
        From `exhaustsim.simulate`.
    pressure_unit : str
        Unit in which sentences tell pressures; values in flags and checks stay in Pa.
    """
    # Several limits may hang on one reading, which is taken once.
    readings = {measure: measure(run) for measure in dict.fromkeys(check.measure for check in CHECKS)}
    found = (flag_from(run, check, readings[check.measure], pressure_unit) for check in CHECKS)
    flags = [flag for flag in found if flag is not None]
    # Worst level first; within it what also misses a target, then in order of time.
    flags.sort(key=lambda f: (-LEVELS.index(f.level), not f.covers_target, f.time_s is None, f.time_s or 0.0))
    return Verdict(run, tuple(_targets(run)), tuple(flags), pressure_unit, readings)


def limits_of(run: Run, check: Check) -> Limits:
    """The limits of `check` for this valve: those that the valve file sets, else the usual ones."""
    usual = check.limits if isinstance(check.limits, Limits) else check.limits(run)
    return limits_for(run.schedule.valve, check.key, usual)


def raise_flag(run: Run, check: Check, pressure_unit: str = "Pa") -> Flag | None:
    """The flag of `check`, or None when its limits are kept or it never came to be watched."""
    return flag_from(run, check, check.measure(run), pressure_unit)


def flag_from(run: Run, check: Check, reading: Reading | None, pressure_unit: str) -> Flag | None:
    """The flag of `check` on a reading that was taken already."""
    if reading is None or not math.isfinite(reading.value):
        return None
    limits = limits_of(run, check)
    for level in reversed(LEVELS):
        limit = getattr(limits, level)
        if limit is not None and (reading.value < limit if check.too_low else reading.value > limit):
            return _flag(run, check, reading, level, limit, pressure_unit)
    return None


def _flag(run: Run, check: Check, reading: Reading, level: str, limit: float, pressure_unit: str) -> Flag:
    unit = pressure_unit if check.kind == "pressure" else check.unit
    value, bound = texts_of(reading.value, limit, check.kind, unit)
    if check.told_short and limit == 0.0:
        told = check.told_short.format(value=value.removeprefix("-"))
    else:
        told = check.told.format(value=value) if check.told else f"{check.what} is {value}"
        told += f", {'below' if check.too_low else 'above'} the {level} limit of {bound}"
    own = run.schedule.valve.thresholds.get(check.key)
    why = f" (set for this valve: {own.reason})" if own is not None and limit in (own.warn, own.stop) else ""
    position, place = place_of(run, reading)
    where = f"{place}: " if place else ""
    phrase = f"{check.what} {against(reading.value, limit, check.kind, unit, 'against')}"
    return Flag(
        name=check.name,
        level=level,
        position=position,
        time_s=_time_of(run, reading, position),
        value=convert(reading.value, check.kind, check.unit),
        limit=convert(limit, check.kind, check.unit),
        unit=check.unit,
        sentence=f"{where}{told}{why}; {check.consequence}.",
        remedy=check.remedy,
        phrase=phrase,
        beyond=times_beyond(reading.value, limit, check.kind, check.too_low),
        key=check.key,
        covers_target=check.covers_target,
    )


def _time_of(run: Run, reading: Reading, position: int | None) -> float | None:
    """When a reading was taken: at its sample, or as the port opened at its position; None for what belongs to no place."""
    if reading.sample is not None:
        return float(run.time[reading.sample])
    return None if position is None else float(run.time[run.dwell_samples(position)[0]])


def place_of(run: Run, reading: Reading) -> tuple[int | None, str]:
    """Position and words for where a reading was taken."""
    if reading.place:
        return reading.position, reading.place
    if reading.sample is None:
        return reading.position, f"position {reading.position}" if reading.position else ""
    stage = int(run.stage[reading.sample])
    if stage in STAGE_PLACES:
        return None, STAGE_PLACES[stage]
    position = reading.position or int(run.position[reading.sample])
    return position, f"transfer to position {position}" if stage == 1 and reading.position is None else f"position {position}"


# ---- targets -------------------------------------------------------------------------


def _targets(run: Run):
    target = run.schedule.target
    sample = run.judged_at
    judged = float(run.time[sample])
    position = int(run.position[sample])
    where = f"position {position}, just before {_event(run)}" if position else "end of the run"
    pressure = float(run.total_bulb_pressure[sample])
    air = _air(run, sample)
    converted = float(run.converted_fraction[_leaving(run)])
    yield TargetCheck(
        "bulb_pressure", "bulb pressure", pressure, target.bulb_pressure, "Pa", pressure <= target.bulb_pressure, where, judged,
    )  # fmt: skip
    yield TargetCheck("air_share", "air share", air, target.air_share, "Pa", air <= target.air_share, where, judged)
    yield TargetCheck(
        "converted_fraction", "converted fraction", converted, target.converted_fraction, "1",
        converted >= target.converted_fraction, "on leaving the pump", float(run.time[_leaving(run)]),
    )  # fmt: skip
    if run.tip_off_sample is None:
        return
    end = run.end_of_ageing
    spent = float(run.barium_spent[end])
    # The bulb is still warm then; an amount of gas is what the limit means.
    sealed = float(run.total_bulb_pressure[end] * REFERENCE_TEMPERATURE / run.node(run.schedule.valve.bulb_node)[end])
    yield TargetCheck(
        "barium_spent", "barium spent", spent, target.barium_spent, "1", spent <= target.barium_spent, "by the end of ageing",
        float(run.time[end]),
    )  # fmt: skip
    yield TargetCheck(
        "sealed_pressure", "sealed pressure after ageing", sealed, target.sealed_pressure, "Pa",
        sealed <= target.sealed_pressure, "at the end of ageing, referred to 20 degC", float(run.time[end]),
    )  # fmt: skip


def _leaving(run: Run) -> int:
    """Last sample before tip-off, or on the machine for a valve that is not tipped off."""
    tip = run.tip_off_sample
    return tip if tip is not None else int((run.stage <= 1).nonzero()[0][-1])


def _event(run: Run) -> str:
    flash, tip = run.schedule.position_of("flash"), run.schedule.position_of("tip_off")
    if flash is not None and (tip is None or flash < tip):
        return "the flash"
    return "tip-off" if tip is not None else "the end"


def _air(run: Run, sample: int) -> float:
    """N2, O2 and Ar in the bulb [Pa]."""
    return float(run.bulb_pressure[sample, [N2, O2, AR]].sum())


def _by_gas(run: Run, sample: int) -> dict[str, float]:
    return {gas: float(p) for gas, p in zip(GAS_NAMES, run.bulb_pressure[sample], strict=True)}


def after_life(run: Run) -> float | None:
    """Sealed pressure at the end of the shelf time [Pa]; None when the schedule asks for none."""
    return float(run.total_bulb_pressure[-1]) if (run.stage == 4).any() else None


def peak_bulb_pressure(run: Run) -> float:
    """Highest bulb pressure on the machine after position 1, port open or blanked, before the bore closes [Pa]."""
    chosen = (run.stage <= 1) & (run.position > 1)
    chosen[_leaving(run) + 1 :] = False
    return float(run.total_bulb_pressure[chosen].max())


# ---- figures in words ----------------------------------------------------------------


def _apart(value: float, limit: float, figures: int) -> tuple[str, str]:
    """Both numbers with so many figures, or with as many more as it takes to tell them apart."""
    while figures < 6 and value != limit and format_number(value, figures) == format_number(limit, figures):
        figures += 1
    return format_number(value, figures), format_number(limit, figures)


def against(value: float, limit: float, kind: str, unit: str, between: str) -> str:
    """Value and limit with their unit, such as 0.030 Pa against 0.050 Pa."""
    texts = texts_of(value, limit, kind, unit)
    return f"{texts[0]} {between} {texts[1]}"


def texts_of(value: float, limit: float, kind: str, unit: str) -> tuple[str, str]:
    """Value and limit, each with its unit; shares in %, a rate of change as a share in a second."""
    if kind == "share":
        return share_texts(value, limit)
    # What a decay leaves after years is told as none.
    shown = convert(value if abs(value) > DUST else 0.0, kind, unit), convert(limit, kind, unit)
    if kind == "rate":
        shown, unit = (100.0 * shown[0], 100.0 * shown[1]), "% per second"
    figures = len(f"{abs(shown[0]):.0f}") if kind == "temperature" else 2  # temperatures to the degree
    mark = "" if unit == "1" else unit if unit.startswith("%") else f" {unit}"
    return tuple(f"{text}{mark}" for text in _apart(*shown, figures))


def times_beyond(value: float, limit: float, kind: str, too_low: bool) -> float:
    """How many times the limit a value is, so that unlike quantities can be put in order; above 1 when the limit is passed.

    Temperatures count in degC.  Of a share that ought to be high, what is missing counts over what may be missing.
    """
    if kind == "temperature":
        value, limit = value - ZERO_CELSIUS, limit - ZERO_CELSIUS
    if too_low and kind == "share":
        value, limit = 1.0 - value, 1.0 - limit
    elif too_low:
        value, limit = limit, value
    return value / limit if limit > 0.0 else math.inf


def worst_of(reasons: list[str]) -> str:
    """The reasons as one phrase: the first few named, the rest counted."""
    more = len(reasons) - MOST_REASONS
    return list_of(reasons if more < 2 else [*reasons[:MOST_REASONS], f"{more} limits more"])


def list_of(phrases: list[str]) -> str:
    """The phrases as one: a, b and c."""
    if len(phrases) < 2:
        return "".join(phrases)
    return ", ".join(phrases[:-1]) + " and " + phrases[-1]
