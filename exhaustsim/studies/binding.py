"""What binds: which limit a run comes nearest to, and which comes next.

Targets and the warn and stop limits of `exhaustsim.studies.flags` are put in one order by their
margin: the share of the limit that is left, below zero when the limit is passed.  Of things watched
by several limits the worst one passed and the nearest one kept are told.  Temperatures count in degC;
of a share that ought to be high, what is missing counts over what may be missing.

Left out: notes, the checks on the computation itself, and limits of nought, to which no margin can be
told in proportion (time left in the dwell).  A small margin is not a small risk: how far a constant
may move a reading is the business of `exhaustsim.studies.band`.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

from exhaustsim.studies.flags import CHECKS
from exhaustsim.studies.readings import ledger_error
from exhaustsim.studies.verdict import Verdict, against, limits_of, place_of, times_beyond
from exhaustsim.units import convert, format_number


@dataclass(frozen=True)
class Margin:
    """One limit and what is left of it; `value` and `limit` in `unit`."""

    name: str  # of the target or flag
    what: str
    level: str  # "target", "stop" or "warn"
    value: float
    limit: float
    unit: str
    margin: float  # share of the limit left; below zero it is passed
    position: int | None
    where: str
    figures: str  # value and limit in words

    @property
    def kept(self) -> bool:
        return self.margin >= 0.0

    @property
    def phrase(self) -> str:
        """Reading and limit in words, with the margin of a limit that is kept."""
        place = f" ({self.where})" if self.where else ""
        margin = f", margin {format_number(100.0 * self.margin, 2)}%" if self.kept else ""
        return f"{self.what}{place} {self.figures}{margin}"

    def to_json(self) -> dict:
        return asdict(self)


def margins(verdict: Verdict) -> tuple[Margin, ...]:
    """Every limit with its margin, smallest margin (or furthest passed) first."""
    found = [*_of_targets(verdict), *_of_checks(verdict)]
    return tuple(sorted(found, key=lambda m: m.margin))


def binding_sentence(found: tuple[Margin, ...]) -> str:
    """What is passed, what is nearest to its limit, and what comes next."""
    passed = sorted((m for m in found if not m.kept), key=lambda m: (m.level == "warn", m.margin))
    kept = [m for m in found if m.kept]
    parts = []
    if passed:
        others = f" (and {len(passed) - 1} more)" if len(passed) > 1 else ""
        parts.append(f"Passed: {passed[0].phrase}{others}")
    if kept:
        parts.append(f"{'Nearest of the limits kept' if passed else 'Nearest limit'}: {kept[0].phrase}")
    parts += [f"Next: {m.phrase}" for m in kept[1:2]]
    return ". ".join(parts) + "."


def _of_targets(verdict: Verdict):
    for check in verdict.targets:
        value, limit = check.texts(verdict.pressure_unit)
        if math.isfinite(check.beyond):
            yield Margin(
                check.name, check.what, "target", check.value, check.limit, check.unit, 1.0 - check.beyond, None, check.where,
                f"{value} against the target of {limit}",
            )  # fmt: skip


def _of_checks(verdict: Verdict):
    """For each thing watched the worst limit passed and the nearest one kept.

    What a target says as well is left to the target.
    """
    run, told = verdict.run, {check.name for check in verdict.targets}
    watched: dict = {}
    for check in CHECKS:
        if check.covers_target not in told and check.measure is not ledger_error:
            watched.setdefault(check.measure, []).append(check)
    for measure, checks in watched.items():
        reading = measure(run)
        if reading is None or not math.isfinite(reading.value):
            continue
        mine = []
        for check in checks:
            limits = limits_of(run, check)
            for level, limit in (("warn", limits.warn), ("stop", limits.stop)):
                beyond = math.inf if limit is None else times_beyond(reading.value, limit, check.kind, check.too_low)
                if math.isfinite(beyond):
                    mine.append(_margin(verdict, check, reading, level, limit, 1.0 - beyond))
        passed = [m for m in mine if not m.kept]
        kept = [m for m in mine if m.kept]
        if passed:
            yield max(passed, key=lambda m: (m.level == "stop", m.margin))
        if kept:
            yield min(kept, key=lambda m: m.margin)


def _margin(verdict, check, reading, level, limit, margin) -> Margin:
    unit = verdict.pressure_unit if check.kind == "pressure" else check.unit
    position, place = place_of(verdict.run, reading)
    return Margin(
        check.name, check.what.removesuffix(","), level, convert(reading.value, check.kind, check.unit),
        convert(limit, check.kind, check.unit), check.unit, margin, position, place,
        against(reading.value, limit, check.kind, unit, f"against the {level} limit of"),
    )  # fmt: skip
