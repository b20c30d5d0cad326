"""How long a log takes to be fitted with intervals: 2,000 readings, and 300,000.

    python -m benchmarks.fit_bench
"""

from __future__ import annotations

import statistics
import time

import numpy as np

from exhaustsim.studies.instrument import Instrument, log_of
from exhaustsim.studies.pumpdownfit import fit_outgassing

TERMS = ("constant", "inverse")
#: Scatter that hangs together over 0.5 s, three figures on the meter: the usual log of a line.
GAUGE = Instrument(scatter=0.03, correlation_time=0.5)


def seconds(readings: int, repeats: int, terms=TERMS) -> float:
    """Median CPU time [s] of a pump-down of so many readings over two decades of time, profile intervals included."""
    moments = np.linspace(10.0, 1000.0, readings)
    log = log_of(GAUGE, moments, 2e-3 + 0.5 / moments, seed=1)
    taken = []
    for _ in range(repeats):
        start = time.process_time()
        fit_outgassing(log, net_speed=1e-3, terms=terms)
        taken.append(time.process_time() - start)
    return statistics.median(taken)


def fit_figures(bench=None) -> dict:
    """Figures of `bench.json`; `bench` is told the words of the report."""
    seconds(200, 1)  # compiled and warm
    found = {
        "fit_2000_s": seconds(2000, 3), "fit_2000_chosen_of_13_s": seconds(2000, 1, "auto"), "fit_300000_s": seconds(300_000, 1),
        "fit_300000_chosen_of_13_s": seconds(300_000, 1, "auto"),
    }  # fmt: skip
    if bench is not None:
        bench.report(
            "Fits of logs, constant + 1/t, with profile intervals, CPU seconds",
            "\n".join(f"{name}: {value:.2f}" for name, value in found.items()),
        )
    return found


if __name__ == "__main__":
    for name, value in fit_figures().items():
        print(f"{name} {value:.2f}")
