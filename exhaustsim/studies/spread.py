"""What scatter in production does to a schedule: how many valves pass, and what the others are rejected for.

The valve made to the drawing may look healthy at an index time at which an eighth of the batch is bad.
`spread` marches a batch of valves that differ by stated tolerances, judges each by the same targets and
limits as any run, and tells the pass rate with its exact interval, the causes of rejects in order, how
near the worst hundredth of the valves comes to the end of its getter, and good valves per hour.

A long study is written to a folder in chunks; an interrupted one goes on where it stopped and comes to the same
numbers.  Valves are marched against the lines of a machine full of valves made to the drawing
(`exhaustsim.studies.batch` says what that leaves out).

Not here: what each tolerance contributes (`exhaustsim.studies.contributions`) and the pass rate at other index times
(`exhaustsim.studies.yieldcurve`).  Not known: whether valves scatter as the tolerance file says.
"""

from __future__ import annotations

import html
import os
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from exhaustsim.engine.run import simulate
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.tolerances import Tolerances, correlation_faults
from exhaustsim.studies.batch import CAUSES, NO_RESULT, REACHED, mean_batch, row_type
from exhaustsim.studies.chunkwork import do_missing
from exhaustsim.studies.flags import CHECKS
from exhaustsim.studies.intervals import CONFIDENCE, pass_interval, quantile_interval
from exhaustsim.studies.scattered import schedule_faults, told
from exhaustsim.studies.spreadflags import scatter_flag
from exhaustsim.studies.spreadstore import ChunkFolder, fingerprint, program_fingerprint
from exhaustsim.studies.verdict import Flag, Verdict, judge, list_of
from exhaustsim.units import format_number, share_text, show

CHUNK = 64  # valves written at a time: two or three seconds of work
TAIL = 0.99  # share of the valves that a getter must do for
MOST_SEED = 2**63
WORDS_OF_TARGET = {
    "bulb_pressure": "bulb pressure", "air_share": "air share", "converted_fraction": "converted fraction",
    "barium_spent": "barium spent", "sealed_pressure": "sealed pressure after ageing", NO_RESULT: "no result of the computation",
}  # fmt: skip


@dataclass(frozen=True)
class Cause:
    """What valves were rejected for."""

    name: str  # of the target, or key of the check
    what: str  # in words
    first: int  # valves for which it is told first: causes come before what they bring about
    all: int  # valves that fail by it at all

    def share(self, n: int) -> float:
        """Share of all valves for which it is told first."""
        return self.first / n


@dataclass(frozen=True)
class GetterMargin:
    """The barium spent in the worst hundredth of the valves, and what that leaves of the getter.

    The least fill takes it that a smaller getter has the same gas to take up; verify with `yieldcurve.getter_curve`.
    """

    spent: float  # share of the barium spent by the end of ageing that 99 % of the valves stay below
    interval: tuple[float, float]  # the upper end infinite when the valves are too few
    limit: float  # target
    barium: float  # kg, as drawn

    @property
    def margin(self) -> float:
        """Share of the limit left; below zero it is passed."""
        return 1.0 - self.spent / self.limit

    @property
    def least_barium(self) -> float:
        """Fill [kg] at which the worst hundredth would just meet the target."""
        return self.barium * self.spent / self.limit

    @property
    def sentence(self) -> str:
        """The margin and the fill that would do, in one sentence."""
        low, high = (share_text(x) if np.isfinite(x) else "more" for x in self.interval)
        text = f"All but 1 in 100 valves spend less than {share_text(self.spent)} of their barium by the end of ageing (95% interval {low} to {high}"
        text += ", too few valves for an upper end)" if high == "more" else ")"
        if self.margin < 0.0:
            return f"{text}, more than the target of {share_text(self.limit)}: this getter is too small."
        sure = self.barium * self.interval[1] / self.limit
        least = show(self.least_barium, "mass", "mg", 2)
        text += f" against the target of {share_text(self.limit)}: "
        if not np.isfinite(sure):
            return f"{text}as far as these valves show, {least} of barium in place of {show(self.barium, 'mass', 'mg', 2)} would do for this target."
        return f"{text}with the same gas to take up, {show(max(sure, self.least_barium), 'mass', 'mg', 2)} of barium in place of {show(self.barium, 'mass', 'mg', 2)} would do for this target."

    def to_json(self) -> dict:
        """As plain data; masses in kg."""
        return {
            "spent": self.spent, "interval": [x if np.isfinite(x) else None for x in self.interval], "limit": self.limit, "barium_kg": self.barium,
            "least_barium_kg": self.least_barium, "margin": self.margin, "share_of_valves": TAIL, "sentence": self.sentence,
        }  # fmt: skip


@dataclass(frozen=True, eq=False)
class Spread:
    """A batch of valves, judged."""

    schedule: Schedule
    tolerances: Tolerances
    n: int
    seed: int
    quasi_random: bool
    passed: int
    interval: tuple[float, float]  # of the pass rate, 95 %
    causes: tuple[Cause, ...]  # most frequent first cause first
    mean: Verdict  # of the valve made to the drawing
    quantiles: Mapping[str, tuple[float, ...]]  # of what the valves reached, SI; at `QUANTILES`
    getter: GetterMargin | None  # None without tip-off
    lots: tuple[int, float, float] | None  # number of lots, lowest and highest pass rate among them
    no_result: int

    @property
    def pass_rate(self) -> float:
        """Share of the valves that meet every target and raise no stop."""
        return self.passed / self.n

    @property
    def valves_per_hour(self) -> float:
        """Output of the machine."""
        return 3600.0 / self.schedule.index_time

    @property
    def good_per_hour(self) -> float:
        """Good valves per hour, machine running without a stop."""
        return self.valves_per_hour * self.pass_rate

    @property
    def flag(self) -> Flag | None:
        """The flag `sub_target_by_scatter`: the valve made to the drawing passes and too many others do not."""
        return scatter_flag(self.schedule, self.mean.passes, self.pass_rate, self.interval)

    @property
    def sentence(self) -> str:
        """The answer in a few sentences."""
        low, high = (share_text(x) for x in self.interval)
        mean = "passes" if self.mean.passes else "fails"
        text = (
            f"{self.schedule.name} at {show(self.schedule.index_time, 'time', 's')}: {share_text(self.pass_rate)} of {self.n} valves pass "
            f"(95% interval {low} to {high}); the valve made to the drawing {mean}."
        )
        told_causes = [f"{c.what} ({share_text(c.share(self.n))})" for c in self.causes if c.first][:3]
        if told_causes:
            text += f" Rejects go first by {list_of(told_causes)}."
        text += f" {format_number(self.good_per_hour, 3)} good valves per hour of {format_number(self.valves_per_hour, 3)}."
        if self.lots is not None:
            lots, lowest, highest = self.lots
            text += f" From lot to lot the pass rate goes from {share_text(lowest)} to {share_text(highest)} ({lots} lot{'s' if lots > 1 else ''}; the interval holds for these lots only)."
        if self.no_result:
            text += f" {self.no_result} valves came to no result and count as rejects."
        return text

    def cause_rows(self) -> list[tuple[str, ...]]:
        """Heading and one row for each cause of rejects, as text for a person."""
        rows = [("rejected for", "first cause", "also fails by it", "share of all valves")]
        rows += [(c.what, str(c.first), str(c.all), share_text(c.share(self.n))) for c in self.causes]
        return rows

    def tolerance_rows(self) -> list[tuple[str, ...]]:
        """Heading and one row for each tolerance, as text for a person."""
        return [("scatter", "distribution"), *((told(t), t.distribution.replace("_", " ")) for t in self.tolerances.tolerances)]

    def to_json(self) -> dict:
        """The spread as plain data, SI."""
        flag = self.flag
        return {
            "schedule": self.schedule.name,
            "index_time_s": self.schedule.index_time,
            "sentence": self.sentence,
            "valves": self.n,
            "seed": self.seed,
            "quasi_random": self.quasi_random,
            "passed": self.passed,
            "pass_rate": self.pass_rate,
            "interval": list(self.interval),
            "confidence": CONFIDENCE,
            "mean_valve_passes": self.mean.passes,
            "causes": [{"name": c.name, "what": c.what, "first": c.first, "all": c.all} for c in self.causes],
            "no_result": self.no_result,
            "quantiles": {name: dict(zip(map(str, QUANTILES), values, strict=True)) for name, values in self.quantiles.items()},
            "getter": self.getter.to_json() if self.getter else None,
            "lots": None if self.lots is None else {"number": self.lots[0], "lowest": self.lots[1], "highest": self.lots[2]},
            "good_valves_per_hour": self.good_per_hour,
            "valves_per_hour": self.valves_per_hour,
            "flag": None if flag is None else {"name": flag.name, "level": flag.level, "sentence": flag.sentence, "remedy": flag.remedy},
            "tolerances": {
                "name": self.tolerances.name,
                "rows": [{"quantity": t.quantity, "distribution": t.distribution, "level": t.level, "told": told(t)} for t in self.tolerances.tolerances],
            },
        }  # fmt: skip

    def _repr_html_(self) -> str:
        head, *body = ("".join(f"<td>{html.escape(cell)}</td>" for cell in row) for row in self.cause_rows())
        rows = "".join(f"<tr>{row}</tr>" for row in body)
        return f"<p><b>{html.escape(self.sentence)}</b></p><table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


QUANTILES = (0.01, 0.05, 0.5, 0.95, 0.99)


def spread(
    schedule: Schedule, tolerances: Tolerances, n: int, *, seed: int = 1, quasi_random: bool = False, workers: int | None = None,
    executor=None, out: str | os.PathLike | None = None, progress: Callable[[int, int], None] | None = None,
    cancel: Callable[[], bool] | None = None, chunk: int = CHUNK, tolerance: float = 1e-3,
) -> Spread:  # fmt: skip
    """March and judge `n` valves that differ by `tolerances`.

    Parameters
    ----------
    schedule : Schedule
        From `exhaustsim.load_schedule`.
    tolerances : Tolerances
        From `exhaustsim.plant.tolerances.load_tolerances`.
    n : int
        Valves.
    seed : int
        Of the random numbers; valve k draws the same whatever `n`, `workers` and `chunk` are.
    quasi_random : bool
        Spread the valves evenly in place of leaving it to chance; the interval is then wider than it need be.
    workers : int, optional
        Threads, by default one for each core; with an executor, how many workers it has.
    executor : optional
        Anything with `submit` as in `concurrent.futures`, to do the work elsewhere: a `ProcessPoolExecutor`, or the
        `get_executor()` of a Dask client.
    out : path, optional
        Folder for the results; a study of the same inputs that was interrupted there goes on.
    progress : callable, optional
        Called with (valves done, valves in all) after every chunk.
    cancel : callable, optional
        Asked now and then whether to stop.
    chunk : int
        Valves written at a time.
    tolerance : float
        Relative tolerance of a step [1], see `exhaustsim.simulate`.

    Returns
    -------
    Spread

    Raises
    ------
    DesignFault
        With every fault of the request: no valves, tolerances that this schedule has nothing of, impossible correlations, a folder
        with another study.
    Cancelled
        `cancel` said so; results so far stay in `out`.
    FailedRun
        The valve made to the drawing comes to no result.
    TypeError
        `schedule` is not a schedule, or `tolerances` are not tolerances.

    Notes
    -----
    An interval of the pass rate says how sure the count is, not whether laws and tolerances are right.

    >>> from exhaustsim import load_schedule
    >>> from exhaustsim.plant.tolerances import load_tolerances
    >>> standard = load_schedule("demo_data/schedules/dt1_standard.toml")
    >>> found = spread(standard, load_tolerances("demo_data/tolerances/dt1.toml"), 4)
    >>> found.passed, round(found.interval[0], 3)
    (4, 0.398)
    """
    found, _ = spread_with_columns(
        schedule, tolerances, n, (), seed=seed, quasi_random=quasi_random, workers=workers, executor=executor, out=out, progress=progress,
        cancel=cancel, chunk=chunk, tolerance=tolerance,
    )  # fmt: skip
    return found


def spread_with_columns(
    schedule: Schedule, tolerances: Tolerances, n: int, columns: Sequence[int], *, seed: int = 1, quasi_random: bool = False,
    workers: int | None = None, executor=None, out=None, progress=None, cancel=None, chunk: int = CHUNK, tolerance: float = 1e-3,
) -> tuple[Spread, list[np.ndarray]]:  # fmt: skip
    """`spread`, and beside it what every valve reached in some `columns` of `REACHED`, (valve,) each."""
    if not isinstance(schedule, Schedule) or not isinstance(tolerances, Tolerances):
        given = f"{type(schedule).__name__} and {type(tolerances).__name__}"
        raise TypeError(f"a spread needs a Schedule and Tolerances, not {given}; read them with load_schedule and load_tolerances")
    faults = request_faults(schedule, tolerances, n, seed, workers, chunk)
    if faults:
        raise DesignFault(faults)
    manifest = {
        "what": "spread", "schedule": schedule.name, "schedule_fingerprint": fingerprint(schedule), "tolerances": tolerances.name,
        "tolerances_fingerprint": fingerprint(tolerances), "valves": n, "seed": seed, "quasi_random": quasi_random, "chunk": chunk,
        "step_tolerance": tolerance, "program": program_fingerprint(), "reached": list(REACHED), "causes": list(CAUSES),
    }  # fmt: skip
    with tempfile.TemporaryDirectory(prefix="exhaustsim-spread-") as scratch:
        # Without a folder of the user's the chunks go to one that is thrown away: memory does not grow with n either way.
        folder = ChunkFolder(Path(scratch) / "chunks" if out is None else Path(out), manifest, row_type(tolerances))
        run = simulate(schedule, tolerance)
        batch = mean_batch(schedule, tolerances, seed, quasi_random, run)
        do_missing(folder, batch.rows, workers, executor, progress, cancel)
        found = spread_of(folder, schedule, tolerances, seed, quasi_random, judge(run))
        if out is not None:
            folder.write_result(found.to_json())
        return found, [folder.column("reached", place) for place in columns]


def request_faults(
    schedule: Schedule, tolerances: Tolerances, n: int, seed: int, workers: int | None = None, chunk: int = CHUNK
) -> list[Fault]:
    """All that is wrong with a request for a spread."""
    faults = number_faults(n, seed, workers, chunk)
    if not tolerances.tolerances:
        faults.append(Fault(tolerances.source, "tolerance", "", "says of nothing how it scatters", "add a tolerance"))
    return faults + correlation_faults(tolerances) + schedule_faults(schedule, tolerances)


def number_faults(n: int, seed: int, workers: int | None = None, chunk: int = CHUNK, whole: str = "spread") -> list[Fault]:
    """What is wrong with the numbers of a request."""
    faults = []
    for name, value, least in (("valves", n, 1), ("seed", seed, 0), ("workers", workers, 1), ("chunk", chunk, 1)):
        if value is None and name == "workers":
            continue
        if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < least:
            faults.append(Fault(whole, name, str(value), f"needs a whole number, at least {least}", f"such as {max(least, 2000 if name == 'valves' else 1)}"))
        elif name == "seed" and value >= MOST_SEED:
            faults.append(Fault(whole, name, str(value), "is too large", f"needs a whole number below {MOST_SEED}"))
    return faults


def spread_of(
    folder: ChunkFolder, schedule: Schedule, tolerances: Tolerances, seed: int, quasi_random: bool, mean: Verdict
) -> Spread:
    """The result from chunks that are all there, read one after the other."""
    n = passed = 0
    first, every = np.zeros(len(CAUSES), dtype=int), np.zeros(len(CAUSES), dtype=int)
    of_lot: dict[int, list[int]] = {}
    for rows in folder.chunks():
        n += len(rows)
        passed += int(rows["passed"].sum())
        every += rows["failed"].sum(axis=0)
        first += np.bincount(rows["first"][rows["first"] >= 0], minlength=len(CAUSES))
        if tolerances.has_lots:
            for lot in np.unique(rows["lot"]).tolist():
                mine = rows["passed"][rows["lot"] == lot]
                count = of_lot.setdefault(lot, [0, 0])
                count[0] += int(mine.sum())
                count[1] += len(mine)
    causes = [Cause(name, words_of(name), int(first[k]), int(every[k])) for k, name in enumerate(CAUSES) if every[k]]
    quantiles = {}
    for place, name in enumerate(REACHED):
        values = folder.column("reached", place)
        values = values[np.isfinite(values)]
        if values.size:
            quantiles[name] = tuple(float(q) for q in np.quantile(values, QUANTILES))
    rates = [good / count for good, count in of_lot.values()]
    return Spread(
        schedule=schedule, tolerances=tolerances, n=n, seed=seed, quasi_random=quasi_random, passed=passed, interval=pass_interval(passed, n),
        causes=tuple(sorted(causes, key=lambda c: (-c.first, -c.all, c.name))), mean=mean, quantiles=quantiles,
        getter=_getter_margin(folder, schedule), lots=(len(rates), min(rates), max(rates)) if rates else None,
        no_result=int(every[CAUSES.index(NO_RESULT)]),
    )  # fmt: skip


def _getter_margin(folder: ChunkFolder, schedule: Schedule) -> GetterMargin | None:
    spent = folder.column("reached", REACHED.index("barium_spent"))
    spent = spent[np.isfinite(spent)]
    if spent.size == 0:
        return None
    value, low, high = quantile_interval(spent, TAIL)
    return GetterMargin(value, (max(low, 0.0), high), schedule.target.barium_spent, schedule.valve.getter.barium)


def words_of(cause: str) -> str:
    """A cause of rejects in words."""
    if cause in WORDS_OF_TARGET:
        return WORDS_OF_TARGET[cause]
    check = next(check for check in CHECKS if check.key == cause)
    return check.what.removesuffix(",")
