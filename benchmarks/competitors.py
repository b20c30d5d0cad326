"""Processor time of general-purpose stiff solvers over that of the engine, at equal achieved error.

Every solver integrates exactly the engine's equations over the same phases, restarted where controls
jump.  Error is the worst relative difference of a bulb partial pressure at any phase end (all position
ends are among them), above 1e-7 Pa, from the engine's own march at 1e-9.  Tolerances mean different
things to different codes, so each is tightened by half decades until its error is not above that of the
engine at its default, and its time is read off between the last two rungs (straight line in the logarithms).
Before and after each of these runs the engine is timed, and the ratio is taken to the mean of the two.

NumPy rates are far too slow for a ladder: that is climbed with the compiled rates, which
give the same steps up to rounding, and the NumPy run is made once at the tolerance found; its own
error is printed.  They are handed over both ways that scipy knows: one state in a call, which is its default and
what most users write, and all the differences of a Jacobian in one call, which is several times quicker.
"""

from __future__ import annotations

import time
from typing import NamedTuple

import numpy as np

from benchmarks.plain_rates import PlainRates
from benchmarks.solvers import Equations, Refused, by_scipy, by_sundials

DEFAULT = 1e-3  # the engine's default tolerance
RUNGS = tuple(10.0 ** (-k / 2.0) for k in range(7, 17))  # 3e-4 to 1e-8
REPEATS = 5  # of the two rungs that matter, if a run takes less than QUICK seconds
QUICK = 0.6


class Matched(NamedTuple):
    """One solver at the engine's error."""

    name: str
    phases: str  # "whole" or "machine"
    rtol: float
    error: float  # at the run timed (NumPy) or at the tighter rung
    seconds: float
    own_seconds: float
    rungs: tuple  # (rtol, error, seconds)
    note: str = ""

    @property
    def ratio(self) -> float:
        return self.seconds / self.own_seconds


def read_off(rungs, target):
    """(tolerance, ratio) at the error `target`, on straight lines in the logarithms between the last two rungs.

    rungs : [(tolerance, error, ratio)], the last of them with an error of at most `target`.

    >>> [f"{x:.2g}" for x in read_off([(1e-3, 1e-2, 4.0), (1e-5, 1e-4, 16.0)], 1e-3)]
    ['0.0001', '8']
    """
    if len(rungs) == 1:
        return rungs[0][0], rungs[0][2]
    (rtol_0, error_0, ratio_0), (rtol_1, error_1, ratio_1) = rungs[-2:]
    along = np.log(error_0 / target) / np.log(error_0 / error_1)
    return float(rtol_0 * (rtol_1 / rtol_0) ** along), float(ratio_0 * (ratio_1 / ratio_0) ** along)


class Arena:
    """The case with the truth to compare against, and the clock that sets each run against the engine."""

    def __init__(self, schedule, case, say):
        self.case, self.say = case, say
        self.equations = Equations(case, PlainRates(schedule.valve, schedule.machine, case.valve.tables))
        self.last = {"whole": len(case.phases.duration), "machine": case.on_machine}
        self.truth, _ = case.own(1e-9)
        ends, self.counts = case.own(DEFAULT)
        self.own_error = {name: case.error(ends[:last], self.truth[:last]) for name, last in self.last.items()}
        self.own_seen = {name: [] for name in self.last}

    def error(self, ends) -> float:
        return self.case.error(ends, self.truth[: len(ends)])

    def own_seconds(self, phases, repeats=5) -> float:
        spent = []
        for _ in range(repeats):
            start = time.process_time()
            self.case.own(DEFAULT, last=self.last[phases])
            spent.append(time.process_time() - start)
        self.own_seen[phases] += spent
        return float(np.median(spent))

    def timed(self, run, phases, repeats=1):
        """(ends, seconds, engine's seconds around it): medians of interleaved runs."""
        theirs, ours = [], []
        before = self.own_seconds(phases)
        for _ in range(repeats):
            start = time.process_time()
            ends = run()
            theirs.append(time.process_time() - start)
            after = self.own_seconds(phases)
            ours.append(0.5 * (before + after))
            before = after
        return ends, float(np.median(theirs)), float(np.median(ours))

    def matched(self, name, solve, phases="whole", note="") -> Matched:
        """Tighten `solve(rtol, last)` until it is as exact as the engine; time the rungs on either side."""
        target = self.own_error[phases]
        last = self.last[phases]
        rungs, tried = [], []
        for rtol in RUNGS:
            self.say(f"{name}, {phases} phases, tolerance {rtol:.1e}")
            try:
                ends, seconds, ours = self.timed(lambda rtol=rtol: solve(rtol, last), phases)
            except Refused as reason:
                tried.append(str(reason))
                continue
            rungs.append((rtol, self.error(ends), seconds / ours))
            quick = seconds < QUICK
            if rungs[-1][1] <= target:
                break
        if not rungs or rungs[-1][1] > target:
            return Matched(name, phases, np.nan, np.nan, np.nan, np.nan, tuple(rungs), "; ".join(tried) or "never that exact")
        around = []
        for rtol, error, ratio in rungs[-2:]:
            if quick:
                _, seconds, ours = self.timed(lambda rtol=rtol: solve(rtol, last), phases, REPEATS)
                ratio = seconds / ours
            around.append((rtol, error, ratio))
        rtol, ratio = read_off(around, target)
        error = rungs[-1][1]
        ours = float(np.median(self.own_seen[phases]))
        return Matched(name, phases, rtol, error, ratio * ours, ours, tuple(rungs), "; ".join([note, *tried]).strip("; "))

    def once(self, name, solve, like: Matched, note="") -> Matched:
        """One run of `solve(rtol, last)` at the tolerance of `like`, or at its tighter rung if that is not exact enough."""
        for rtol in sorted({like.rtol, like.rungs[-1][0] if like.rungs else like.rtol}, reverse=True):
            self.say(f"{name}, {like.phases} phases, tolerance {rtol:.1e}, {note}: up to a minute")
            ends, seconds, ours = self.timed(lambda rtol=rtol: solve(rtol, self.last[like.phases]), like.phases)
            error = self.error(ends)
            if error <= self.own_error[like.phases]:
                break
        return Matched(name, like.phases, rtol, error, seconds, ours, (), note)


def scipy_solver(equations, method, jacobian, rates="compiled"):
    return lambda rtol, last: by_scipy(equations, rtol, method, jacobian, rates, last)


def sundials_solver(equations, linear):
    return lambda rtol, last: by_sundials(equations, rtol, linear, last)


def compete(schedule, case, say=lambda text: None) -> tuple[Arena, list[Matched]]:
    """Every solver of the benchmark; the arena tells the engine's own error and time."""
    arena = Arena(schedule, case, say)
    equations = arena.equations
    for linear in ("sparse", "dense"):  # compiles what both families call
        by_sundials(equations, 1e-3, linear, last=1)
    rows = []
    for linear, phases in (("sparse", "machine"), ("sparse", "whole"), ("dense", "machine")):
        name = f"CVODE, compiled rates, exact {linear} Jacobian"
        rows.append(arena.matched(name, sundials_solver(equations, linear), phases))
    for method, jacobian in (("BDF", "sparse"), ("BDF", "dense"), ("Radau", "sparse")):
        name = f"scipy {method}, compiled rates, exact {jacobian} Jacobian"
        rows.append(arena.matched(name, scipy_solver(equations, method, jacobian)))
    for method in ("BDF", "Radau"):
        bare = arena.matched(f"scipy {method}, compiled rates, no Jacobian given", scipy_solver(equations, method, "none"))
        rows.append(bare)
        if np.isnan(bare.rtol):
            continue
        name = f"scipy {method}, NumPy rates, no Jacobian given"
        quick = arena.once(name, scipy_solver(equations, method, "none", "columns"), bare, "differences in one call")
        rows.append(quick)
        if method == "BDF":
            rows.append(arena.once(name, scipy_solver(equations, method, "none", "plain"), quick, "one state in a call"))
    return arena, rows


def competition_text(arena: Arena, rows: list[Matched]) -> str:
    """The table of `compete` as text."""
    lines = []
    for phases, error in arena.own_error.items():
        ms = 1e3 * np.median(arena.own_seen[phases])
        lines.append(f"engine at {DEFAULT:.0e}, {phases} phases: {ms:.1f} ms, worst error at a phase end {error:.1e}")
    lines.append(f"{'times the engine, at its error':54}{'phases':>9}{'tolerance':>11}{'error':>9}{'CPU s':>8}{'ratio':>8}")
    for row in rows:
        if np.isnan(row.rtol):
            lines.append(f"{row.name:54}{row.phases:>9}   not reached: {row.note}")
            continue
        lines.append(
            f"{row.name:54}{row.phases:>9}{row.rtol:>11.1e}{row.error:>9.1e}{row.seconds:>8.2f}{row.ratio:>8.1f}  {row.note}"
        )
    return "\n".join(line.rstrip() for line in lines)
