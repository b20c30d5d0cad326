"""Which reason a headline gives first when a schedule fails by several.

What is furthest beyond its limit is told first, but a consequence never before its cause: carbon
dioxide in the sealed valve is told after the breakdown that was not finished.  What brings what about
stands in `CAUSES`; of several causes the worst is enough, and nothing is taken for the cause of what
was there before it.
"""

from __future__ import annotations

from dataclasses import dataclass

#: What follows from what: target or check -> the targets and checks that bring it about.
CAUSES = {
    "bulb_pressure": ("line_overload", "forepressure", "converted_fraction", "incomplete_breakdown"),
    "converted_fraction": ("recarbonation",),
    "breakdown_pressure": ("violent_breakdown",),
    "transfer_spike": ("violent_breakdown",),
    "backstreaming": ("line_overload",),
    "backstreaming_by_stall": ("forepressure",),
    "line_overload": ("forepressure", "violent_breakdown"),
    "co2_at_flash": ("converted_fraction", "incomplete_breakdown"),
    "oxidant_exposure": ("line_overload",),
    "mica_over_temperature": ("anode_over_temperature",),
    "suck_in": ("bulb_over_temperature", "anode_over_temperature"),
    "under_flash": ("premature_flash", "getter_wet_bake"),
    "sealed_oxidant": ("converted_fraction", "incomplete_breakdown"),
    "barium_spent": ("converted_fraction", "incomplete_breakdown", "premature_flash", "co2_at_flash"),
    "getter_insufficient": ("converted_fraction", "incomplete_breakdown", "premature_flash", "co2_at_flash"),
    "getter_life": ("converted_fraction", "incomplete_breakdown", "premature_flash", "co2_at_flash"),
    "sealed_pressure": ("converted_fraction", "incomplete_breakdown", "barium_spent", "getter_insufficient", "inert_from_flash"),
}


@dataclass(frozen=True)
class Reason:
    """Why a schedule fails: a target missed or a flag that says stop."""

    key: str  # of the target or the check
    beyond: float  # how many times the limit
    time_s: float | None
    phrase: str


def told_in_order(reasons: list[Reason]) -> list[Reason]:
    """The reasons as a headline tells them: furthest beyond its limit first, but each after the worst of what brings it about."""
    ranked = sorted(reasons, key=lambda reason: -reason.beyond)
    told: list[Reason] = []

    def tell(reason: Reason) -> None:
        if reason in told:
            return
        causes = [cause for cause in ranked if cause.key in CAUSES.get(reason.key, ()) and not _after(cause, reason)]
        if causes and not any(cause in told for cause in causes):
            tell(causes[0])
        told.append(reason)

    for reason in ranked:
        tell(reason)
    return told


def _after(one: Reason, other: Reason) -> bool:
    return None not in (one.time_s, other.time_s) and one.time_s > other.time_s
