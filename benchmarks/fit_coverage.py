"""`python -m benchmarks.fit_coverage`: do the intervals of fits hold what they promise, and do the readings choose the right law?

Logs of known truth are spoiled by `studies/instrument.py` and fitted.  For each parameter: in how
many logs the truth lies inside its 95 % interval.  For each law: how often `choose` takes it, one
of the same number of parameters, or one of more.

Every log has: readings every 0.5 s from 1 s to 100 s after time zero (two decades); 3 % scatter
that hangs together over 1 s; a scale error drawn with 10 %; a step where the range is changed at
0.1 Pa drawn with 2 %; a meter of three digits; a floor where the case has one; two spikes of
tenfold height.  The fit is told the sizes (10 %, 2 %), not the draws.

Measured with 2,000 logs each for the intervals, none refused (95 % interval of a share of 0.95: 0.940 to 0.960), and the
number of logs given for the choice among the thirteen sums of `SUMS`:

    law                     truth inside                                        right order  more complex  logs
    constant + 1/t          constant 0.945, 1/t 0.950                           0.91         0.09          100
    constant + exponential  constant 0.946, exponential 0.943, time 0.959       0.98         0.02          100
    1/sqrt(t), floor        root 0.962                                          0.92         0.08           60
    power law, floor        power 0.964, exponent 0.952                         1.00         0.00           60
    rise, leak              start 0.957, throughput 0.958                       1.00         0.00           20

The choices of this table asked for a lead of 2 points.  For constant + 1/t that stood at the limit: held against constant + power and
constant + 1/t + exponential alone, 25 of 240 more logs took the more complex one, with a lead of 3 points 17, of 4 points 14, and 4 are
asked for since (`fitting.WITHIN`).  By the law of chi-squared one spare parameter passes 4 points in 1 of 100 logs; a spare term whose
time constant means nothing passes more often, which may be the reason and has not been shown.

Other models: put a `Case` into `CASES`, or give your own to `coverage` and `orders`.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time as clock
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from multiprocessing import get_context

import numpy as np

from exhaustsim.plant.trace import Trace
from exhaustsim.studies.fitting import FitRefused, Model, choose, fit
from exhaustsim.studies.instrument import Instrument, log_of
from exhaustsim.studies.pumpdownfit import SUMS, pumpdown_model
from exhaustsim.studies.rise import leak_rise, reservoir_rise
from exhaustsim.studies.risecurves import rising_curves

SCATTER, MEMORY, SCALE, STEP = 0.03, 1.0, 0.10, 0.02
TIME = np.arange(1.0, 100.25, 0.5)
CLOSED = 15e-6  # m3, volume of the rises


@dataclass(frozen=True)
class Case:
    """A law of known truth."""

    name: str
    true: Callable[[np.ndarray], np.ndarray]  # time [s] to pressure [Pa]
    model: Callable[[Trace], Model]  # the law that is true
    truth: dict[str, float]  # parameters, SI
    candidates: Callable[[Trace], list[Model]] | None = None  # what `choose` is given
    time: np.ndarray = field(default_factory=lambda: TIME)
    floor: float = 0.0  # Pa
    range_end: float = 0.1  # Pa
    spikes: tuple[float, ...] = (20.0, 61.5)
    scatter: float = SCATTER
    memory: float = MEMORY  # s


def _all_sums(trace: Trace) -> list[Model]:
    return [pumpdown_model(terms, trace, reference=1.0) for terms in SUMS]


def _pumpdown(*terms: str) -> Callable[[Trace], Model]:
    return lambda trace: pumpdown_model(terms, trace, reference=1.0)


def _rises(trace: Trace) -> list[Model]:
    return rising_curves(trace, CLOSED, None, 0.0)


def _rise(name: str) -> Callable[[Trace], Model]:
    return lambda trace: next(model for model in _rises(trace) if model.name == name)


CASES = {
    case.name: case
    for case in (
        Case("constant + 1/t", lambda t: 0.01 + 0.5 / t, _pumpdown("constant", "inverse"), {"constant": 0.01, "inverse": 0.5}, _all_sums),
        Case("constant + exponential", lambda t: 0.02 + 0.5 * np.exp(-(t - 1.0) / 15.0), _pumpdown("constant", "exponential"),
             {"constant": 0.02, "exponential": 0.5, "time constant": 15.0}, _all_sums),
        Case("1/sqrt(t), floor", lambda t: t**-0.5, _pumpdown("root"), {"root": 1.0}, _all_sums, floor=0.11),
        Case("power law, floor", lambda t: t**-0.8, _pumpdown("power"), {"power": 1.0, "exponent": 0.8}, _all_sums, floor=0.03),
        Case("rise, leak", lambda t: leak_rise(t, 0.05, 3e-8, CLOSED), _rise("straight"), {"start": 0.05, "throughput": 3e-8}, _rises),
        Case("rise, trapped gas", lambda t: reservoir_rise(t, 0.05, 7.5e-6 / 20.0, 20.0, CLOSED), _rise("levelling"),
             {"start": 0.05, "amount": 7.5e-6, "time constant": 20.0}, _rises),
    )
}  # fmt: skip


def spoiled(case: Case, seed: int) -> Trace:
    """A log of the case: scale and step of the range drawn anew for every seed."""
    random = np.random.default_rng([seed, len(case.name)])
    instrument = Instrument(
        scatter=case.scatter, correlation_time=case.memory, scale_error=float(np.expm1(SCALE * random.standard_normal())), digits=3,
        floor=case.floor, range_ends=(case.range_end,), range_step=float(np.expm1(STEP * random.standard_normal())), spikes=case.spikes,
    )  # fmt: skip
    # The scale belongs to the gauge, the foot to the meter: a log whose scale reads low meets its foot sooner.
    return log_of(instrument, case.time, case.true(case.time), seed)


def one_fit(case: Case, seed: int) -> dict | None:
    """Which parameters of one log have their truth inside; None when the fit is refused."""
    trace = spoiled(case, seed)
    try:
        found = fit(case.model(trace), trace, scale_error=SCALE, range_step=STEP)
    except FitRefused:
        return None
    return {p.name: [int(p.low <= case.truth[p.name] <= p.high), p.value, p.low, p.high] for p in found.parameters}


def one_choice(case: Case, seed: int) -> list:
    """Name and number of parameters of the law chosen; None, 0 when all are refused."""
    trace = spoiled(case, seed)
    try:
        found = choose(case.candidates(trace), trace, scale_error=SCALE, range_step=STEP, intervals=None).fit
    except FitRefused:
        return [None, 0]
    return [found.model.name, len(found.parameters)]


def coverage(case: Case, outcomes: list[dict | None]) -> dict:
    """Share of logs whose interval holds the truth, by parameter."""
    fitted = [o for o in outcomes if o is not None]
    return {"logs": len(outcomes), "refused": len(outcomes) - len(fitted)} | {
        name: float(np.mean([o[name][0] for o in fitted])) for name in case.truth
    }


def orders(case: Case, outcomes: list[list]) -> dict:
    """How often the right number of parameters, and more, was chosen; and the right law by name."""
    right = case.model(spoiled(case, 0))
    sizes = np.array([size for _, size in outcomes])
    return {
        "logs": len(outcomes), "right law": float(np.mean([name == right.name for name, _ in outcomes])),
        "right order": float(np.mean(sizes == len(right.parameters))), "more complex": float(np.mean(sizes > len(right.parameters))),
        "chosen": {str(n): sum(1 for name, _ in outcomes if name == n) for n in {name for name, _ in outcomes}},
    }  # fmt: skip


def _work(job: tuple[str, str, int]):
    kind, name, seed = job
    return (one_fit if kind == "coverage" else one_choice)(CASES[name], seed)


def _in_child():
    os.nice(5)


def main(arguments=None) -> int:
    """Run the study and print its table; 0 when done."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.fit_coverage", description=__doc__.splitlines()[0])
    parser.add_argument("--logs", type=int, default=2000, help="logs for the intervals of each law (default: 2000)")
    parser.add_argument("--choices", type=int, default=500, help="logs for the choice of each law (default: 500)")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--case", action="append", choices=list(CASES), help="only this law; may be given again")
    parser.add_argument("--out", help="write the figures here as JSON")
    asked = parser.parse_args(arguments)
    table = {}
    with ProcessPoolExecutor(asked.workers, mp_context=get_context("spawn"), initializer=_in_child) as pool:
        for name in asked.case or CASES:
            table[name] = {}
            for kind, logs, summed in (("coverage", asked.logs, coverage), ("orders", asked.choices, orders)):
                if not logs or (kind == "orders" and CASES[name].candidates is None):
                    continue
                started = clock.time()
                outcomes = list(pool.map(_work, [(kind, name, seed) for seed in range(logs)], chunksize=10))
                table[name][kind] = summed(CASES[name], outcomes)
                print(f"{name}: {kind} {json.dumps(table[name][kind])}  ({clock.time() - started:.0f} s)", flush=True)
    if asked.out:
        from exhaustsim.engine.filewrite import replace_whole

        with replace_whole(asked.out) as file:
            file.write(json.dumps(table, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
