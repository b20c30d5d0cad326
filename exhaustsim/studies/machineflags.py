"""The flags of the loaded machine: bad neighbours, a leaker at the spark test, too short a stop tolerance.

One run of one good valve cannot raise them; they are judged from what `exhaustsim.studies.neighbours`
and `exhaustsim.studies.stops` have found.  Limits are those of the trade (practice), or those that the
valve file sets under `[thresholds.cross_talk]`, `[thresholds.leaker]` and `[thresholds.stop_tolerance]`.

A stop tolerance counts here where a temperature is what fails first; a flash that the stop cuts off is scrap whatever one does.

Not judged here: whether a leaker is a leaker, or a gassy valve.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from exhaustsim.engine.loaded import MachineRun
from exhaustsim.engine.result import Run
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.flags import LEVELS, Limits, limits_for
from exhaustsim.studies.neighbours import CROSS_TALK_LIMITS, LEAKER_LIMITS, CrossTalk, leaker_ratio
from exhaustsim.studies.stops import STOP_LIMITS, StopTolerance
from exhaustsim.studies.verdict import Flag, texts_of, times_beyond


@dataclass(frozen=True)
class MachineCheck:
    """One thing watched on the loaded machine; the name is also the key under which a valve file sets limits."""

    name: str
    what: str
    kind: str  # of quantity, a key of `units.KINDS`
    unit: str
    limits: Limits
    consequence: str
    remedy: str
    too_low: bool = False


MACHINE_CHECKS = {
    check.name: check
    for check in (
        MachineCheck(
            "cross_talk", "share by which neighbours raise the bulb pressure", "share", "%", CROSS_TALK_LIMITS,
            "good valves are spoiled by bad company", "change the line map",
        ),
        MachineCheck(
            "leaker", "bulb pressure at the spark test over that of a good valve", "number", "1", LEAKER_LIMITS,
            "it spoils its neighbours", "cut the head off",
        ),
        MachineCheck(
            "stop_tolerance", "longest stop that the valve bears", "time", "s", STOP_LIMITS,
            "scrap on every jam", "lift the oven and trip the RF on a stop", too_low=True,
        ),
    )
}  # fmt: skip


def machine_flags(
    schedule: Schedule, talk: Iterable[CrossTalk] = (), stops: Iterable[StopTolerance] = (), run: MachineRun | None = None,
    good: Run | None = None,
) -> tuple[Flag, ...]:  # fmt: skip
    """Flags of the loaded machine, worst first.

    Parameters
    ----------
    schedule : Schedule
        Whose valve may set its own limits.
    talk : iterable of CrossTalk
        From `neighbours.cross_talk`.
    stops : iterable of StopTolerance
        From `stops.stop_tolerance`.
    run, good
        A loaded machine whose valves are held, at the spark test, against the good valve of `simulate`; both or neither.

    Raises
    ------
    ValueError
        Only one of `run` and `good` is given.
    """
    if (run is None) != (good is None):
        raise ValueError("a machine run is judged against a good valve: give both run and good")
    found = [_flag(schedule, "cross_talk", row.position, row.excess) for row in talk if row.judged]
    found += [
        _flag(schedule, "stop_tolerance", row.position, row.seconds, detail=f" ({row.sentence.rstrip('.')})")
        for row in stops if row.by_temperature
    ]  # fmt: skip
    if run is not None:
        found += _leaker_flags(run, good)
    flags = [flag for flag in found if flag is not None]
    return tuple(sorted(flags, key=lambda f: (-LEVELS.index(f.level), f.position or 0)))


def _leaker_flags(run: MachineRun, good: Run) -> Sequence[Flag | None]:
    schedule = run.schedule
    position = schedule.position_of("spark_test")
    if position is None:
        return []
    out = []
    for journey in run.journeys:
        if journey.entered >= 1 and journey.run.schedule.position_of("spark_test") == position:
            time = float(journey.run.time[journey.run.end_of(position)])
            ratio = leaker_ratio(journey.run, good)
            out.append(_flag(schedule, "leaker", position, ratio, time, f" (valve {journey.number} in head {journey.head})"))
    return out


def _flag(schedule: Schedule, name: str, position: int, value: float, time: float | None = None, detail: str = "") -> Flag | None:
    check = MACHINE_CHECKS[name]
    limits = limits_for(schedule.valve, name, check.limits)
    for level in reversed(LEVELS):
        limit = getattr(limits, level)
        if limit is None or not (value < limit if check.too_low else value > limit):
            continue
        shown, bound = texts_of(value, limit, check.kind, check.unit)
        own = schedule.valve.thresholds.get(name)
        why = f" (set for this valve: {own.reason})" if own is not None and limit in (own.warn, own.stop) else ""
        side = "below" if check.too_low else "above"
        scale = 100.0 if check.unit == "%" else 1.0
        return Flag(
            name=name, level=level, position=position, time_s=time, value=scale * value, limit=scale * limit, unit=check.unit,
            sentence=f"position {position}: {check.what} is {shown}{detail}, {side} the {level} limit of {bound}{why}; {check.consequence}.",
            remedy=check.remedy, phrase=f"{check.what} {shown} against {bound}",
            beyond=times_beyond(value, limit, check.kind, check.too_low) if value > 0.0 else float("inf"), key=name,
        )  # fmt: skip
    return None
