"""The flag of a batch: the valve made to the drawing passes, and too many of the others do not.

One run of one valve cannot raise it; it is judged from the pass rate that `exhaustsim.studies.spread` has found.
Its limits are those of the trade (practice), or those that the valve file sets under
`[thresholds.sub_target_by_scatter]`.  Not weighed: how sure the pass rate is, which the sentence tells.
"""

from __future__ import annotations

import math

from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.flags import LEVELS, Limits, limits_for
from exhaustsim.studies.verdict import Flag
from exhaustsim.units import share_text, share_texts

NAME = "sub_target_by_scatter"
KIND = "share"  # of its limits
LIMITS = Limits(warn=0.97, stop=0.90)
CONSEQUENCE = "rejects at the gas test"
REMEDY = "more margin on the first cause of rejects"


def scatter_flag(schedule: Schedule, mean_passes: bool, pass_rate: float, interval: tuple[float, float]) -> Flag | None:
    """The flag on a pass rate [1] with its interval, or None when it is high enough or the drawing itself fails."""
    if not mean_passes:
        return None
    limits = limits_for(schedule.valve, NAME, LIMITS)
    for level in reversed(LEVELS):
        limit = getattr(limits, level)
        if limit is None or not pass_rate < limit:
            continue
        value, bound = share_texts(pass_rate, limit)
        own = schedule.valve.thresholds.get(NAME)
        why = f" (set for this valve: {own.reason})" if own is not None and limit in (own.warn, own.stop) else ""
        low, high = (share_text(x) for x in interval)
        return Flag(
            name=NAME, level=level, position=None, time_s=None, value=100.0 * pass_rate, limit=100.0 * limit, unit="%",
            sentence=f"the valve made to the drawing passes, but only {value} of the batch ({low} to {high}), below the {level} limit of {bound}{why}; {CONSEQUENCE}.",
            remedy=REMEDY, phrase=f"pass rate {value} against {bound}", beyond=limit / pass_rate if pass_rate > 0.0 else math.inf, key=NAME,
        )  # fmt: skip
    return None
