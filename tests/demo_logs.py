"""The rise tests of the demo logs as traces, and the truth that belongs to them."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np

from exhaustsim.plant.pressurelog import load_log
from exhaustsim.plant.trace import Trace

LOGS = Path(__file__).parents[1] / "demo_data" / "logs"
ENDS = {"cold_cathode": (1e-4, 1.0), "capacitance": (0.1, 1000.0)}  # of the scales, Pa


def truth(name: str) -> dict:
    return tomllib.loads((LOGS / "truth" / f"{name}.toml").read_text(encoding="utf-8"))


def rise_tests(file: str) -> dict[str, tuple[Trace, dict]]:
    """Trace and first row of every rise test of a file, by its name; readings at an end of the scale are bounds."""
    floor, ceiling = ENDS[load_log(LOGS / file).traces[0].gauge]
    log = load_log(LOGS / file, floor=floor, ceiling=ceiling)
    names = log.table.get("test_id", np.full(len(log.time), "R", object))
    found = {}
    for trace, name in zip(log.traces, dict.fromkeys(names), strict=True):
        first = int(np.argmax(names == name))
        found[name] = trace, {column: cells[first] for column, cells in log.table.items()}
    return found
