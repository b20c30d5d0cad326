"""What a spread costs: valves in a second of processor time, what a second thread buys, and memory against the number of valves.

Each function takes the `Bench` of `benchmarks.figures` and returns its keys.  Alone: `python -m benchmarks.spread_bench [VALVES]`,
where VALVES is the larger of the two numbers whose peaks of memory are compared.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.tolerances import load_tolerances
from exhaustsim.studies.spread import CHUNK, spread

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "demo_data"
VALVES, ROUNDS = 128, 3
FEW, MANY = 64, 640  # valves whose peaks of memory are compared; a longer command takes 20 000
AT_ONCE = 16  # valves in a chunk where threads are compared: small enough that two of them end together

_PEAK = """
import sys
from benchmarks.spread_bench import study
study(int(sys.argv[1]), 1)
with open("/proc/self/status") as status:
    print(next(int(line.split()[1]) for line in status if line.startswith("VmHWM")))
"""


def study(valves: int, workers: int, schedule: str = "dt1_standard", tolerances: str = "dt1", chunk: int = CHUNK):
    """A spread of a demo schedule."""
    return spread(
        load_schedule(DEMO / "schedules" / f"{schedule}.toml"), load_tolerances(DEMO / "tolerances" / f"{tolerances}.toml"), valves, seed=1,
        workers=workers, chunk=chunk,
    )  # fmt: skip


def spread_speed(bench) -> dict:
    """Valves a second of processor time, whole study with its files; and what two threads do in the time of one."""
    study(2, 1)
    by_valve = {}
    for valve in ("dt1", "dp2", "dr3"):
        rates = []
        for _ in range(ROUNDS if valve == "dt1" else 1):
            began = time.process_time()
            study(VALVES, 1, f"{valve}_standard", valve)
            rates.append(VALVES / (time.process_time() - began))
        by_valve[valve] = float(np.median(rates))
    ratios = []
    for _ in range(ROUNDS):
        walls = []
        for workers in (1, 2):
            began = time.perf_counter()
            study(VALVES, workers, chunk=AT_ONCE)
            walls.append(time.perf_counter() - began)
        ratios.append(walls[0] / walls[1])
    bench.say(f"valves a second of processor time: {by_valve}; two threads against one, wall: {np.round(ratios, 2).tolist()}")
    return {"valves_per_cpu_s": by_valve["dt1"], "valves_per_cpu_s_by_valve": by_valve, "spread_two_threads": float(np.median(ratios))}


def spread_memory(bench, many: int = MANY) -> dict:
    """Peak memory of a study of few and of many valves, each in a process of its own."""
    peaks = []
    for valves in (FEW, many):
        done = subprocess.run(
            [sys.executable, "-c", _PEAK, str(valves)], cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=True
        )
        peaks.append(int(done.stdout) / 1024.0)
    bench.say(f"peak memory: {peaks[0]:.1f} MB with {FEW} valves, {peaks[1]:.1f} MB with {many}")
    return {"spread_memory_mb": peaks[1], "spread_memory_growth_mb": peaks[1] - peaks[0], "spread_memory_valves": many}


class _Voice:
    """In place of a `Bench`: says what was found."""

    def say(self, what: str) -> None:
        print(f"  {what}", flush=True)


if __name__ == "__main__":
    print(spread_speed(_Voice()))
    print(spread_memory(_Voice(), int(sys.argv[1]) if len(sys.argv) > 1 else MANY))
