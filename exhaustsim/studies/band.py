"""How sure a verdict is: the six constants trusted least, run to the ends of their ranges.

How fast the carbonate breaks down (its needle radius), the CO in the anode, the water on the
bulb glass, the barium's appetite for CO2, the helium that the glass lets through and the gas
set free by tip-off are known to a factor only.  `band` runs the schedule with each of them at
either end of its range, the others as they are, and then with all of them moved together in
eight runs.  A `Band` tells between what limits each target quantity lies, and at which ends
the verdict turns.

The ranges are those of the data tables, in proportion about the value that the valve uses.
Eight runs are a fraction of the sixty-four corners, so the true extremes may lie somewhat
further out; the corner with every constant at its dirtier end is among the eight.

Not in it: the other constants (the activity of the mixed carbonate, for one, and burial and
sticking on the mirror), scatter of temperatures and parts from valve to valve, and faults of
the laws themselves.  A band is a range between stated ends, not a probability.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import product

from exhaustsim.engine.result import FailedRun, Run
from exhaustsim.engine.run import simulate
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.leasttrusted import ENDS, Constant, Moved, ranges, with_moved
from exhaustsim.studies.verdict import Verdict, after_life, judge, list_of, worst_of
from exhaustsim.units import convert, share_text, show

#: The two-level design of the runs with all constants moved together: a 2^(6-3) fraction of resolution III.
#: The first three constants take all eight sign combinations, the others follow from them.  +1 is the dirtier end.
GENERATORS = "D = AB, E = AC, F = BC"
DESIGN = tuple((a, b, c, a * b, a * c, b * c) for a, b, c in product((-1, 1), repeat=3))
NUMBERS = ("no", "one", "two", "three", "four", "five", "six")


# ---- the result ----------------------------------------------------------------------


@dataclass(frozen=True)
class Case:
    """What one run made of the targets."""

    ends: Mapping[str, str]  # constant -> "low" or "high"; those not named are as the valve has them
    values: Mapping[str, float]  # target -> value, in Pa or as a share
    missed: tuple[str, ...]  # targets, in words
    stops: tuple[str, ...]  # flags that say stop and are not a missed target told again
    stop_phrases: tuple[str, ...]  # the same with reading and limit
    after_life: float | None  # Pa, sealed pressure at the end of the shelf time

    @property
    def meets_target(self) -> bool:
        """Every target is met."""
        return not self.missed

    @property
    def passes(self) -> bool:
        """Every target is met and no flag says stop."""
        return not self.missed and not self.stops

    @property
    def reasons(self) -> list[str]:
        """What it fails by."""
        return list(dict.fromkeys([*self.missed, *self.stops]))

    @property
    def word(self) -> str:
        """Passes, or fails with the reasons."""
        return "passes" if self.passes else f"fails ({list_of(self.reasons)})"

    @property
    def figures(self) -> str:
        """What it fails by, with the figures of the stops."""
        return worst_of([*self.missed, *self.stop_phrases])


@dataclass(frozen=True)
class TargetRange:
    """Where one target quantity lies over all the runs, in `unit`."""

    low: float
    nominal: float
    high: float
    limit: float | None  # None for a quantity without a target
    unit: str
    what: str
    missed: int  # runs that miss the limit
    mover: str  # the constant that moves it most when moved alone; "" when none moves it
    alone: tuple[float, float]  # lowest and highest with one constant moved at a time


@dataclass(frozen=True)
class Flip:
    """An end of one constant at which the verdict turns, or the targets if it fails all the same."""

    constant: str
    end: str  # "low" or "high"
    what: str  # "verdict" or "targets"
    to: str  # "passes" or "fails"; "met" or "missed"
    case: Case


@dataclass(frozen=True, eq=False)
class Band:
    """One schedule over the ranges of the constants trusted least."""

    schedule: Schedule
    constants: tuple[Moved, ...]
    nominal: Case
    singles: tuple[Case, ...]  # low and high end of each constant in turn
    together: tuple[Case, ...]  # rows of the design
    targets: Mapping[str, TargetRange]
    after_life: TargetRange | None  # sealed pressure at the end of the shelf time; there is no target for it
    pressure_unit: str = "Pa"

    @property
    def cases(self) -> tuple[Case, ...]:
        """All runs, the nominal one first."""
        return (self.nominal, *self.singles, *self.together)

    def single(self, constant: str, end: str) -> Case:
        """The run with one constant at one end, the others as they are."""
        return next(case for case in self.singles if case.ends == {constant: end})

    @property
    def flips(self) -> tuple[Flip, ...]:
        """The ends of single constants at which the verdict turns, or the targets if it fails all the same."""
        found = []
        for case in self.singles:
            ((constant, end),) = case.ends.items()
            if case.passes != self.nominal.passes:
                found.append(Flip(constant, end, "verdict", "passes" if case.passes else "fails", case))
            elif case.meets_target != self.nominal.meets_target:
                found.append(Flip(constant, end, "targets", "met" if case.meets_target else "missed", case))
        return tuple(found)

    @property
    def holds(self) -> bool:
        """The verdict is the same in every run."""
        return all(case.passes == self.nominal.passes for case in self.cases)

    @property
    def sentence(self) -> str:
        """How sure the verdict is, in one sentence."""
        number = NUMBERS[len(self.constants)]
        text = f"{self.schedule.name} {'passes' if self.nominal.passes else 'fails'}"
        turned, others = [], []
        for flip in self.flips:
            at, figures = self.moved(flip.constant).at(flip.end), flip.case.figures
            if flip.what == "verdict":
                turned.append(f"{at}, where it {f'fails by {figures}' if flip.to == 'fails' else 'passes'}")
            else:
                others.append(f"at {at} it {'meets every target and is stopped by' if flip.to == 'met' else 'fails by'} {figures}")
        if turned:
            text += f", but the verdict is not sure: it turns at {'; at '.join(turned)}"
        else:
            text += f" at both ends of each of the {number} constants trusted least"
        if others:
            text += f"{';' if turned else ', but not always for the same reason:'} {'; '.join(others)}"
        passing, meeting, total = sum(c.passes for c in self.together), sum(c.meets_target for c in self.together), len(self.together)
        if not self.flips and (passing, meeting) == (total * self.nominal.passes, total * self.nominal.meets_target):
            return f"{text}, and in all {total} runs with them moved together."
        met = "" if meeting == passing else f", though {'all' if meeting == total else meeting} of them meet{'s' if meeting == 1 else ''} every target"
        return f"{text}; with all {number} moved together {passing or 'none'} of {total} runs {'passes' if passing < 2 else 'pass'}{met}."

    def text_rows(self) -> list[tuple[str, ...]]:
        """Heading and one row for each target quantity, as text for a person."""
        rows = [("target", "low", "nominal", "high", "limit", "missed in", "moved most by")]
        for target in [*self.targets.values(), *([self.after_life] if self.after_life else [])]:
            low, nominal, high = (self.shown(target, x) for x in (target.low, target.nominal, target.high))
            limit = "none" if target.limit is None else self.shown(target, target.limit)
            missed = "-" if target.limit is None else f"{target.missed} of {len(self.cases)}"
            mover = self.moved(target.mover).constant.what if target.mover else "none of them"
            rows.append((target.what, low, nominal, high, limit, missed, mover))
        return rows

    def constant_rows(self) -> list[tuple[str, ...]]:
        """Heading and one row for each constant moved alone: its ends, and what becomes of the verdict there."""
        rows = [("constant moved alone", "low / used / high", "at the low end", "at the high end")]
        for moved in self.constants:
            rows.append((moved.constant.what, moved.span, *(self._change(self.single(moved.name, end)) for end in ENDS)))
        return rows

    def shown(self, target: TargetRange, value: float) -> str:
        """A value of a target quantity as text."""
        return show(value, "pressure", self.pressure_unit) if target.unit == "Pa" else share_text(value)

    def moved(self, name: str) -> Moved:
        """The constant of that name with its ends."""
        return next(moved for moved in self.constants if moved.name == name)

    def _change(self, case: Case) -> str:
        if case.passes != self.nominal.passes:
            return f"TURNS: {case.word}"
        gone = [reason for reason in self.nominal.reasons if reason not in case.reasons]
        new = [reason for reason in case.reasons if reason not in self.nominal.reasons]
        told = [f"{words} {list_of(reasons)}" for words, reasons in (("no longer by", gone), ("also by", new)) if reasons]
        return f"fails, {', '.join(told)}" if told else "the same"

    def to_json(self) -> dict:
        """The band as plain data, pressures in Pa."""

        def span(name, target):
            return {
                "name": name, "low": target.low, "nominal": target.nominal, "high": target.high, "limit": target.limit,
                "unit": target.unit, "missed_in": target.missed, "moved_most_by": target.mover or None,
            }  # fmt: skip

        def run(case):
            return {
                "ends": dict(case.ends), "values": dict(case.values), "after_life_pa": case.after_life, 
                "meets_target": case.meets_target, "passes": case.passes,
                "missed": list(case.missed), "stops": list(case.stops),
            }  # fmt: skip

        return {
            "sentence": self.sentence,
            "holds": self.holds,
            "runs": len(self.cases),
            "targets": [span(name, target) for name, target in self.targets.items()],
            "after_life": span("after_life", self.after_life) if self.after_life else None,
            "constants": [
                {
                    "name": m.name, "what": m.constant.what, "row": m.row.name, "standing": m.row.standing, "source": m.row.source,
                    **{end: convert(getattr(m, end), m.row.kind, m.row.unit) for end in ("low", "used", "high")},
                    "unit": m.row.unit, "at_low": run(self.single(m.name, "low")), "at_high": run(self.single(m.name, "high")),
                }
                for m in self.constants
            ],
            "flips": [
                {"constant": f.constant, "end": f.end, "what": f.what, "to": f.to, "reasons": f.case.reasons} for f in self.flips
            ],
            "together": {"generators": GENERATORS, "runs": [run(case) for case in self.together]},
        }  # fmt: skip

    def _repr_html_(self) -> str:
        def table(rows):
            head, *body = ("".join(f"<td>{html.escape(cell)}</td>" for cell in row) for row in rows)
            return f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(f'<tr>{row}</tr>' for row in body)}</tbody></table>"

        return f"<p><b>{html.escape(self.sentence)}</b></p>{table(self.text_rows())}{table(self.constant_rows())}"


# ---- the runs ------------------------------------------------------------------------


def band(
    schedule: Schedule,
    progress: Callable[[str], None] | None = None,
    tolerance: float = 1e-3,
    pressure_unit: str = "Pa",
) -> Band:
    """Run `schedule` with the constants trusted least at the ends of their ranges.

    Parameters
    ----------
    schedule : Schedule
        From `exhaustsim.load_schedule`.
    progress : callable, optional
        Called with a line of text before each run.
    tolerance : float
        Relative tolerance of a step [1], see `exhaustsim.simulate`.
    pressure_unit : str
        Unit in which tables tell pressures.

    Raises
    ------
    TypeError
        `schedule` is not a schedule.
    FailedRun
        One of the runs came to no result that may be believed; the text says which.
    """
    if not isinstance(schedule, Schedule):
        raise TypeError(f"a band needs a Schedule, not {type(schedule).__name__}; read one with exhaustsim.load_schedule")
    if progress is not None:
        progress(f"simulating {schedule.name}")
    return band_of(judge(simulate(schedule, tolerance), pressure_unit), progress)


def band_of(verdict: Verdict, progress: Callable[[str], None] | None = None) -> Band:
    """The band on a verdict that is there already; its run is the nominal one."""
    schedule = verdict.run.schedule
    constants = ranges(schedule.valve)
    alone = [{moved.name: end} for moved in constants for end in ENDS]
    plan = [*alone, *design(constants)]
    cases = []
    runs: dict[tuple[str, str], Run] = {}  # with one constant moved, by constant and end
    for number, ends in enumerate(plan, start=1):
        moved = {m: ends[m.name] for m in constants if m.name in ends}
        said = next(m.at(end) for m, end in moved.items()) if len(moved) == 1 else "all moved together"
        if progress is not None:
            progress(f"band of {schedule.name}: run {number} of {len(plan)}, {said}")
        try:
            # The lines begin where the nominal run, and the runs with one of these constants moved, have left them.
            near = (verdict.run, *(single for name, end in ends.items() if (single := runs.get((name, end))) is not None))
            run = simulate(replace(schedule, valve=with_moved(schedule.valve, moved)), verdict.run.tolerance, near)
            if len(ends) == 1:
                runs[next(iter(ends.items()))] = run
        except FailedRun as failure:
            where = ", ".join(m.at(end) for m, end in moved.items())
            raise FailedRun(f"band of {schedule.name}, with {where}: {failure}") from failure
        cases.append(_case(judge(run, verdict.pressure_unit), ends))
    nominal = _case(verdict, {})
    every = [nominal, *cases]
    return Band(
        schedule=schedule,
        constants=constants,
        nominal=nominal,
        singles=tuple(cases[: len(alone)]),
        together=tuple(cases[len(alone) :]),
        targets={
            check.name: _range(every, lambda case, name=check.name: case.values[name], check.limit, check.unit, check.what)
            for check in verdict.targets
        },
        after_life=None
        if nominal.after_life is None
        else _range(every, lambda case: case.after_life, None, "Pa", "sealed pressure after life"),
        pressure_unit=verdict.pressure_unit,
    )


def design(constants: tuple[Moved, ...]) -> list[dict[str, str]]:
    """The runs with all constants moved together, as constant -> end."""
    signs = dict.fromkeys(row[: len(constants)] for row in DESIGN)  # with fewer than three constants rows repeat themselves
    return [{m.name: _end(m.constant, sign) for m, sign in zip(constants, row, strict=True)} for row in signs]


def _end(constant: Constant, sign: int) -> str:
    cleaner = ENDS[1 - ENDS.index(constant.dirtier)]
    return constant.dirtier if sign > 0 else cleaner


def _case(verdict: Verdict, ends: Mapping[str, str]) -> Case:
    missed = [check for check in verdict.targets if not check.met]
    told = {check.name for check in missed}
    stops = [f for f in verdict.flags if f.level == "stop" and f.covers_target not in told]
    return Case(
        ends=dict(ends),
        values={check.name: check.value for check in verdict.targets},
        missed=tuple(check.what for check in missed),
        stops=tuple(dict.fromkeys(f.name.replace("_", " ") for f in stops)),
        stop_phrases=tuple(dict.fromkeys(f.phrase for f in sorted(stops, key=lambda f: -f.beyond))),
        after_life=after_life(verdict.run),
    )


def _range(cases: list[Case], value: Callable[[Case], float], limit: float | None, unit: str, what: str) -> TargetRange:
    every = [value(case) for case in cases]
    alone = [value(case) for case in cases if len(case.ends) < 2]
    spans: dict[str, float] = {}
    for case in cases:
        if len(case.ends) == 1:
            (name,) = case.ends
            spans[name] = max(spans.get(name, 0.0), abs(value(case) - every[0]))
    mover = max(spans, key=spans.__getitem__)
    # Less than a hundredth does not show in two figures.
    moved = spans[mover] > 1e-2 * abs(every[0])
    return TargetRange(
        min(every), every[0], max(every), limit, unit, what, sum(what in case.missed for case in cases), mover if moved else "",
        (min(alone), max(alone)),
    )  # fmt: skip
