"""How many molecules a second are traced through each shape.

    python benchmarks/transmission_bench.py

prints one line for each shape and number of threads; `molecules_per_second` returns the figures.
"""

from __future__ import annotations

import os
import statistics
import time

import numpy as np

from exhaustsim.physics import tracedmolecules as traced
from exhaustsim.physics import tracedshapes

#: Shapes about as long as wide, and the demo exhaust stem; lengths in bore radii.
SHAPES = {
    "tube": lambda **o: tracedshapes.trace_tube(10.0, **o),
    "exhaust stem 3 mm by 60 mm": lambda **o: tracedshapes.trace_tube(40.0, **o),
    "elbow": lambda **o: tracedshapes.trace_elbow(5.0, 5.0, 1.0, np.pi / 2, **o),
    "cone": lambda **o: tracedshapes.trace_cone(5.0, 1.0, 0.5, **o),
    "step": lambda **o: tracedshapes.trace_step(10.0, 1.0, 10.0, 0.5, **o),
    "pinch": lambda **o: tracedshapes.trace_pinch(10.0, 1.0, 1.0, 2.0, 0.5, **o),
    "annulus": lambda **o: traced.trace_annulus(5.0, 0.5, 1.0, **o),
    "duct": lambda **o: traced.trace_duct(5.0, 1.0, 1.0, **o),
}


def molecules_per_second(molecules: int = 200_000, repeats: int = 5) -> dict[str, dict[str, float]]:
    """Medians by shape: molecules per second of processor time, wall hits per second of processor time, and
    molecules per second by the clock, on one thread and on two.

    On a loaded machine only the processor figures mean something.
    """
    found = {}
    for name, trace in SHAPES.items():
        trace(molecules=64)  # compiles
        figures = {}
        for threads in (1, 2):
            processor, clock = [], []
            for _ in range(repeats):
                started, began = time.process_time(), time.perf_counter()
                result = trace(molecules=molecules, threads=threads)
                processor.append(time.process_time() - started)
                clock.append(time.perf_counter() - began)
            figures[f"molecules_per_cpu_s_{threads}_thread"] = molecules / statistics.median(processor)
            figures[f"hits_per_cpu_s_{threads}_thread"] = result.wall_hits / statistics.median(processor)
            figures[f"molecules_per_s_{threads}_thread"] = molecules / statistics.median(clock)
        found[name] = figures
    return found


def main() -> None:
    print(f"{os.cpu_count()} cores; million molecules per s of processor time on 1 and 2 threads, by the clock on 1 and 2")
    for name, f in molecules_per_second().items():
        keys = ("molecules_per_cpu_s_1_thread", "molecules_per_cpu_s_2_thread", "molecules_per_s_1_thread", "molecules_per_s_2_thread")
        print(f"{name:28s}" + "".join(f"{f[k] / 1e6:8.2f}" for k in keys))


if __name__ == "__main__":
    main()
