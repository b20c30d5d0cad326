"""The rise tests of the demo logs as traces, and the truth that belongs to them."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

import numpy as np

from exhaustsim.plant.trace import AT_LEAST, AT_MOST, GOOD, Trace

LOGS = Path(__file__).parents[1] / "demo_data" / "logs"
LOWEST, HIGHEST = {"cold_cathode": 1e-4, "capacitance": 0.1}, {"cold_cathode": 1.0, "capacitance": 1000.0}


def truth(name: str) -> dict:
    return tomllib.loads((LOGS / "truth" / f"{name}.toml").read_text(encoding="utf-8"))


def rise_tests(file: str) -> dict[str, tuple[Trace, dict]]:
    """Trace and first row of every rise test of a file, by its name; readings at an end of the scale are bounds."""
    lines = [line for line in (LOGS / file).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    found = {}
    for test in dict.fromkeys(row.get("test_id", "R") for row in rows):
        mine = [row for row in rows if row.get("test_id", "R") == test]
        time, shown = (np.array([float(row[key]) for row in mine]) for key in ("t_s", "pressure_raw"))
        gauge = mine[0]["gauge_type"]
        mark = np.where(shown <= LOWEST[gauge], AT_MOST, np.where(shown >= HIGHEST[gauge], AT_LEAST, GOOD)).astype(np.int8)
        found[test] = Trace(test, time, shown, mark, shown, gauge=gauge), mine[0]
    return found
