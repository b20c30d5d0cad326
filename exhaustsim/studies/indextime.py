"""Another index time for the same card: what heater, RF and flash settings do when the dwell changes.

Heater volts are set by cams that turn with the machine, so they stay on for the dwell, however long it is.
RF is timed, and there are three ways to take its seconds along:

* "follow": RF that ended with the dwell still does, as on the desk and as in a file without seconds; other RF
  keeps its seconds as long as they fit and is cut off by the end of the dwell when they do not.
* "keep": every second is kept; an index time whose dwell cannot hold them is infeasible.
* "scale": starts and seconds shrink and grow with the dwell.

Watts and volts are not changed with the index time: that is the business of `exhaustsim.studies.bestsettings`.
"""

from __future__ import annotations

from dataclasses import replace

from exhaustsim.plant.schedule import PositionSetting, RfSetting, Schedule

RF_RULES = ("follow", "keep", "scale")
ROUNDING = 1e-9  # s, between times that are meant to be the same


def with_index_time(schedule: Schedule, index_time: float, rf: str = "follow") -> Schedule:
    """`schedule` at another index time [s], its RF seconds taken along by the rule `rf`.

    Raises
    ------
    ValueError
        No such rule, or an index time that is not above `least_index_time`.
    """
    least = least_index_time(schedule, rf)
    if not index_time > least - ROUNDING or not index_time > schedule.machine.transfer_time:
        raise ValueError(f"an index time of {index_time:g} s is infeasible: it must be above {least:g} s")
    new = replace(schedule, index_time=index_time)
    return replace(new, positions=tuple(taken_along(p, schedule.dwell, new.dwell, rf) for p in schedule.positions))


def taken_along(setting: PositionSetting, before: float, after: float, rf: str = "follow") -> PositionSetting:
    """The setting of one position when the dwell goes from `before` to `after` [s]."""
    old = setting.rf
    if old is None or before == after:
        return setting
    if rf == "scale":
        start, duration = old.start * after / before, old.duration * after / before
    elif ends_with_dwell(old, before) and rf == "follow":
        start, duration = old.start, after - old.start
    else:
        start, duration = old.start, old.duration if rf == "keep" else min(old.duration, after - old.start)
    return replace(setting, rf=replace(old, start=start, duration=max(0.0, min(duration, after - start))))


def ends_with_dwell(rf: RfSetting, dwell: float) -> bool:
    """Whether RF goes off as the dwell ends."""
    return abs(rf.start + rf.duration - dwell) < ROUNDING


def least_index_time(schedule: Schedule, rf: str = "follow") -> float:
    """Index time [s] above which (with "keep": from which on) the RF fits into the dwell.

    Raises
    ------
    ValueError
        No such rule.
    """
    if rf not in RF_RULES:
        raise ValueError(f'no rule "{rf}" for RF seconds; there are {", ".join(RF_RULES)}')
    settings = [p.rf for p in schedule.positions if p.rf is not None]
    within = {"follow": [s.start for s in settings], "keep": [s.start + s.duration for s in settings], "scale": []}[rf]
    return schedule.machine.transfer_time + max(within, default=0.0)
