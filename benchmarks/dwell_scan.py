"""`python -m benchmarks.dwell_scan`: the dwell studies against brute force, too long for every day.

Part "scan": every index time of a fine grid is run and judged for the standard and the quicker card of all three
valves, and the passing stretches are held against those that `shortest_index` finds with a few dozen runs.

Part "optimum": `best_settings` against differential evolution over the same settings and limits with ten times its
runs.  By default four settings of DT-1 standard are free; `--all` frees every one (an hour and more).
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

from exhaustsim.plant.designfile import load_schedule
from exhaustsim.studies.bestsettings import INDEX_STEP, best_settings, settings_of, values_of, with_settings
from exhaustsim.studies.dwell import shortest_index
from exhaustsim.studies.indextime import with_index_time
from exhaustsim.studies.trials import Trials

DEMO = Path(__file__).parent.parent / "demo_data" / "schedules"
CARDS = ("dt1_standard", "dt1_faster", "dp2_standard", "dr3_standard")
FREE = ("oven", "flash_watts", "heater 11", "heater 12")


def stretches(schedule, low: float, high: float, step: float) -> tuple[list[tuple[float, float]], int]:
    """Passing stretches on the grid of whole multiples of `step` between `low` and `high` [s], and the runs made."""
    trials = Trials()
    times = [round(k * step, 9) for k in range(int(np.ceil(low / step)), int(np.floor(high / step)) + 1)]
    passes = [t.passes for t in trials.several([with_index_time(schedule, x) for x in times])]
    out = []
    for k, good in enumerate(passes):
        if good and (k == 0 or not passes[k - 1]):
            out.append([times[k], times[k]])
        elif good:
            out[-1][1] = times[k]
    return [tuple(pair) for pair in out], trials.runs


def scan(step: float) -> bool:
    """Print both answers for every card; whether they agree to the step of the grid."""
    agree = True
    for name in CARDS:
        schedule = load_schedule(DEMO / f"{name}.toml")
        found = shortest_index(schedule)
        start = time.process_time()
        brute, runs = stretches(schedule, found.lowest, found.highest, step)
        same = len(brute) == len(found.spans) and all(
            0.0 <= a - x < step + 1e-9 and 0.0 <= y - b < step + 1e-9 for (a, b), (x, y) in zip(brute, found.spans, strict=True)
        )
        agree &= same
        print(
            f"{schedule.name}: search {found.spans} in {found.runs} runs; grid of {step:g} s {brute} in {runs} runs, "
            f"{time.process_time() - start:.0f} s of processor time: {'agree' if same else 'DIFFER'}", flush=True,
        )  # fmt: skip
    return agree


def optimum(everything: bool, seed: int = 1) -> bool:
    """Print both optima; whether the global search does not beat the study's."""
    from scipy.optimize import differential_evolution

    schedule = load_schedule(DEMO / "dt1_standard.toml")
    settings = settings_of(schedule)
    card = values_of(schedule, settings)
    limits = {} if everything else {s.name: (x, x) for s, x in zip(settings, card, strict=True) if s.name not in FREE}
    start = time.process_time()
    ours = best_settings(schedule, limits=limits, loaded=False)
    print(f"best settings: {ours.sentence} {ours.runs} runs, {time.process_time() - start:.0f} s of processor time", flush=True)
    settings = settings_of(schedule, limits)
    free = [k for k, s in enumerate(settings) if s.high > s.low]
    trials = Trials()
    quickest = [np.inf]

    def worth(u):
        values = np.array(card)
        values[free] = u[:-1]
        tried = trials.of(with_settings(schedule, settings, values, u[-1]))
        if tried.passes:
            quickest[0] = min(quickest[0], u[-1])
            return u[-1]
        # What fails is worse than any index time, the more so the further off.
        return 3.0 * schedule.index_time + sum(max(r.log, 0.0) for r in tried.requirements.values())

    bounds = [(settings[k].low, settings[k].high) for k in free] + [(0.25 * schedule.index_time + 2.0, 2.0 * schedule.index_time)]
    budget = 10 * ours.runs
    people = 8
    # The library rounds the number of members up to a power of two for this kind of start.
    members = 2 ** int(np.ceil(np.log2(people * len(bounds))))
    rounds = int(np.ceil(budget / members))
    start = time.process_time()
    differential_evolution(worth, bounds, maxiter=rounds, popsize=people, polish=False, rng=seed, tol=0.0, init="sobol")
    print(
        f"differential evolution: {quickest[0]:.3f} s in {trials.runs} runs, {time.process_time() - start:.0f} s of processor time", flush=True
    )
    return ours.found is not None and ours.found.index_time <= quickest[0] + INDEX_STEP


def main(arguments=None) -> int:
    """0 when the studies agree with brute force."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.dwell_scan", description=__doc__.splitlines()[0])
    parser.add_argument("part", nargs="?", choices=("scan", "optimum"), help="one of them only")
    parser.add_argument("--step", type=float, default=0.05, help="grid of the scan [s]")
    parser.add_argument("--all", action="store_true", help="free every setting for the optimum")
    asked = parser.parse_args(arguments)
    parts = [asked.part] if asked.part else ["scan", "optimum"]
    good = True
    if "scan" in parts:
        good &= scan(asked.step)
    if "optimum" in parts:
        good &= optimum(asked.all)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
