"""Do the intervals of pass rates cover the truth?  `python benchmarks/spread_coverage.py [FOLDER]`

One study of 20 000 valves is the truth; cut into 400 stretches of 50 valves it is also 400 small studies of
real, independent valves, none of them drawn twice.  The share of the stretches whose 95 % interval holds the pass rate
of the whole must be 95 % or more, less what chance may take from 400 repeats.  The index time is one at which
some valves fail: at a pass rate of 100 % every interval holds it.

A quarter of an hour of processor time; interrupted, it goes on in the same folder.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from pathlib import Path

import numpy as np
from scipy import stats

from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.tolerances import load_tolerances
from exhaustsim.studies.batch import row_type
from exhaustsim.studies.intervals import pass_interval
from exhaustsim.studies.spread import spread
from exhaustsim.studies.spreadstore import ChunkFolder
from exhaustsim.studies.yieldcurve import between

DEMO = Path(__file__).parent.parent / "demo_data"
REPEATS, EACH = 400, 50
INDEX_TIME = 7.5  # s
CHANCE = 1e-3  # that a sound interval is called a bad one


def coverage(passed: np.ndarray, repeats: int, each: int) -> tuple[float, float]:
    """Share of `repeats` stretches of `each` valves whose interval holds the pass rate of all, and the least that chance explains."""
    truth = float(passed.mean())
    counts = passed[: repeats * each].reshape(repeats, each).sum(axis=1)
    held = [low <= truth <= high for low, high in (pass_interval(int(count), each) for count in counts)]
    return float(np.mean(held)), float(stats.binom.ppf(CHANCE, repeats, 0.95)) / repeats


def main(folder: str) -> int:
    cards = [load_schedule(DEMO / "schedules" / f"dt1_{name}.toml") for name in ("standard", "too_fast")]
    schedule = between(*cards, INDEX_TIME)
    tolerances = load_tolerances(DEMO / "tolerances" / "dt1.toml")
    began, n = time.process_time(), REPEATS * EACH

    def tell(done: int, of: int) -> None:
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
        print(f"\r{done} of {of} valves, {time.process_time() - began:.0f} s of processor time, peak {peak:.0f} MB", end="", file=sys.stderr, flush=True)

    found = spread(schedule, tolerances, n, seed=11, workers=1, out=folder, progress=tell)
    print(f"\n{found.sentence}")
    print(found.getter.sentence)
    manifest = json.loads((Path(folder) / "manifest.json").read_text(encoding="utf-8"))
    passed = np.concatenate([rows["passed"] for rows in ChunkFolder(Path(folder), manifest, row_type(tolerances)).chunks()])
    for each in (50, 100, 200):
        held, least = coverage(passed, n // each, each)
        print(f"{n // each} studies of {each} valves: {100 * held:.1f}% of the intervals hold {100 * passed.mean():.2f}% (at least {100 * least:.1f}% by chance)")
    held, least = coverage(passed, REPEATS, EACH)
    return 0 if held >= least else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1] if len(sys.argv) > 1 else "out/spread_coverage"))
