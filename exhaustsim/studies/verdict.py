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
from dataclasses import dataclass

from exhaustsim.constants import AR, GAS_NAMES, N2, O2, REFERENCE_TEMPERATURE
from exhaustsim.engine.result import Run
from exhaustsim.studies.flags import CHECKS, LEVELS, Check, Limits
from exhaustsim.studies.readings import Reading
from exhaustsim.units import PASCAL_LITRE, convert, format_number, show

MOST_REASONS = 3  # in one sentence
STAGE_PLACES = {2: "standing after tip-off", 3: "ageing", 4: "on the shelf"}


@dataclass(frozen=True)
class Flag:
    """A limit passed. `value` and `limit` are in `unit`; the sentence is complete in itself."""

    name: str
    level: str  # "stop", "warn" or "note"
    position: int | None  # from 1; None after the machine or where no position applies
    time_s: float | None  # since the port first opened
    value: float
    limit: float
    unit: str
    sentence: str
    remedy: str
    phrase: str  # the reading and its limit without the place, for use inside a sentence
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


@dataclass(frozen=True, eq=False)
class Verdict:
    """A run, judged."""

    run: Run
    targets: tuple[TargetCheck, ...]
    flags: tuple[Flag, ...]  # worst first
    pressure_unit: str  # in which the sentences tell pressures

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
    def sentence(self) -> str:
        """What the schedule does and why, in one sentence."""
        pressure = self.target("bulb_pressure")
        figures = _against(pressure.value, pressure.limit, "pressure", self.pressure_unit, "against")
        missed = [self._miss(check) for check in self.targets if not check.met and check is not pressure]
        missed_names = {check.name for check in self.targets if not check.met}
        stops = [f.phrase for f in self.flags if f.level == "stop" and f.covers_target not in missed_names]
        reasons = [*missed, *stops]
        more = len(reasons) - MOST_REASONS + 1
        shown = list_of(reasons if more < 2 else [*reasons[: MOST_REASONS - 1], f"{more} limits more"])
        if not pressure.met:
            text = f"{self.name} fails: bulb pressure {figures} just before {_event(self.run)}"
            return f"{text}; also {shown}." if reasons else f"{text}."
        if reasons:
            return f"{self.name} meets its target bulb pressure ({figures}) and still fails: {shown}."
        text = f"{self.name} meets every target (bulb pressure {figures})"
        return f"{text} and warns of {list_of(self.warned)}." if self.warned else f"{text}."

    def _miss(self, check: TargetCheck) -> str:
        if check.name == "converted_fraction":
            left = show(self.carbon_dioxide_left, "amount", "Pa L", 2)
            value = _apart(check.value, check.limit, 2)[0]
            return f"converted fraction {value}, {left} of CO2 is left in the coating"
        if check.unit == "Pa":
            figures = _against(check.value, check.limit, "pressure", self.pressure_unit, "against")
            return f"{check.what} {figures}"
        return f"{check.what} {_against(check.value, check.limit, 'share', '%', 'against')}"

    def to_json(self) -> dict:
        """The verdict as plain data, keys with their units."""
        run, sample = self.run, self.run.judged_at
        tip = run.tip_off_sample
        sealed = self.target("sealed_pressure")
        after_tip = tip is not None
        pressure = run.bulb_pressure
        return {
            "schedule": self.name,
            "valve": run.schedule.valve.name,
            "machine": run.schedule.machine.name,
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
    flags = [flag for check in CHECKS if (flag := raise_flag(run, check, pressure_unit)) is not None]
    # Worst level first; within it what also misses a target, then in order of time.
    flags.sort(key=lambda f: (-LEVELS.index(f.level), not f.covers_target, f.time_s is None, f.time_s or 0.0))
    return Verdict(run, tuple(_targets(run)), tuple(flags), pressure_unit)


def limits_of(run: Run, check: Check) -> Limits:
    """The limits of `check` for this valve: its own if the valve file sets them, else the usual ones."""
    own = run.schedule.valve.thresholds.get(check.key)
    if own is not None:
        return Limits(warn=own.warn, stop=own.stop, reason=own.reason)
    return check.limits if isinstance(check.limits, Limits) else check.limits(run)


def raise_flag(run: Run, check: Check, pressure_unit: str = "Pa") -> Flag | None:
    """The flag of `check`, or None when its limits are kept or it never came to be watched."""
    reading = check.measure(run)
    if reading is None or not math.isfinite(reading.value):
        return None
    limits = limits_of(run, check)
    for level in reversed(LEVELS):
        limit = getattr(limits, level)
        if limit is not None and (reading.value < limit if check.too_low else reading.value > limit):
            return _flag(run, check, reading, level, limit, limits.reason, pressure_unit)
    return None


def _flag(run: Run, check: Check, reading: Reading, level: str, limit: float, reason: str, pressure_unit: str) -> Flag:
    unit = pressure_unit if check.kind == "pressure" else check.unit
    side = "below" if check.too_low else "above"
    figures = _against(reading.value, limit, check.kind, unit, f"{side} the {level} limit of")
    own = f" (set for this valve: {reason})" if reason else ""
    position, place = _place(run, reading)
    where = f"{place}: " if place else ""
    phrase = f"{check.what} {_against(reading.value, limit, check.kind, unit, 'against')}"
    return Flag(
        name=check.name,
        level=level,
        position=position,
        time_s=float(run.time[reading.sample]) if reading.sample is not None else None,
        value=convert(reading.value, check.kind, check.unit),
        limit=convert(limit, check.kind, check.unit),
        unit=check.unit,
        sentence=f"{where}{check.what} {figures}{own}; {check.consequence}.",
        remedy=check.remedy,
        phrase=phrase,
        covers_target=check.covers_target,
    )


def _place(run: Run, reading: Reading) -> tuple[int | None, str]:
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
    position = int(run.position[sample])
    where = f"position {position}, just before {_event(run)}" if position else "end of the run"
    pressure = float(run.total_bulb_pressure[sample])
    air = _air(run, sample)
    converted = float(run.converted_fraction[_leaving(run)])
    yield TargetCheck(
        "bulb_pressure", "bulb pressure", pressure, target.bulb_pressure, "Pa", pressure <= target.bulb_pressure, where
    )
    yield TargetCheck("air_share", "air share", air, target.air_share, "Pa", air <= target.air_share, where)
    yield TargetCheck(
        "converted_fraction", "converted fraction", converted, target.converted_fraction, "1",
        converted >= target.converted_fraction, "on leaving the pump",
    )  # fmt: skip
    if run.tip_off_sample is None:
        return
    end = run.end_of_ageing
    spent = float(run.barium_spent[end])
    # The bulb is still warm then; an amount of gas is what the limit means.
    sealed = float(run.total_bulb_pressure[end] * REFERENCE_TEMPERATURE / run.node(run.schedule.valve.bulb_node)[end])
    yield TargetCheck(
        "barium_spent", "barium spent", spent, target.barium_spent, "1", spent <= target.barium_spent, "by the end of ageing"
    )
    yield TargetCheck(
        "sealed_pressure", "sealed pressure after ageing", sealed, target.sealed_pressure, "Pa",
        sealed <= target.sealed_pressure, "at the end of ageing, referred to 20 degC",
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


def _against(value: float, limit: float, kind: str, unit: str, between: str) -> str:
    """Value and limit with their unit, such as 0.030 Pa against 0.050 Pa."""
    shown = convert(value, kind, unit), convert(limit, kind, unit)
    figures = len(f"{abs(shown[0]):.0f}") if kind == "temperature" else 2  # temperatures to the degree
    texts = _apart(*shown, figures)
    mark = "" if unit == "1" else "%" if unit == "%" else f" {unit}"
    return f"{texts[0]}{mark} {between} {texts[1]}{mark}"


def list_of(phrases: list[str]) -> str:
    """The phrases as one: a, b and c."""
    if len(phrases) < 2:
        return "".join(phrases)
    return ", ".join(phrases[:-1]) + " and " + phrases[-1]
