"""Every published, recalled or independently computed value that a law is held against.

The rows stand in `tests/published/*.toml`; each names its source, its standing, and the
reason for its tolerance.  A row either calls a law of `exhaustsim.physics` directly (`args`)
or goes by a small function of `routes_<file>.py` (`route`).
"""

from __future__ import annotations

import importlib
import importlib.util
import math
import tomllib
from pathlib import Path

import pytest

FOLDER = Path(__file__).parent / "published"
STANDINGS = {"read", "recalled", "computed"}
REQUIRED = {"id", "law", "what", "value", "unit", "source", "standing", "tolerance", "tolerance_reason"}
ROWS = [
    (path.stem, row)
    for path in sorted(FOLDER.glob("*.toml"))
    for row in tomllib.loads(path.read_text(encoding="utf-8"))["row"]
]


def law_named(name: str):
    module, _, function = name.partition(".")
    return getattr(importlib.import_module(f"exhaustsim.physics.{module}"), function)


_ROUTES: dict[str, object] = {}


def routes_of(stem: str):
    if stem not in _ROUTES:
        path = FOLDER / f"routes_{stem}.py"
        spec = importlib.util.spec_from_file_location(f"routes_{stem}", path)
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        _ROUTES[stem] = module
    return _ROUTES[stem]


def outcome(stem: str, row: dict) -> float:
    if "route" in row:
        return getattr(routes_of(stem), row["route"])(row)
    return law_named(row["law"])(**row["args"])


@pytest.mark.parametrize(("stem", "row"), ROWS, ids=[row.get("id", "no id") for _, row in ROWS])
def test_value(stem, row):
    got = float(outcome(stem, row))
    assert math.isfinite(got)
    expected = float(row["value"])
    off = abs(got - expected) if expected == 0.0 else abs(got / expected - 1.0)
    assert off <= row["tolerance"], (
        f"{row['id']} {row['what']}: {got:.8g} against {expected:.8g} {row['unit']}, "
        f"off by {off:.2g}, allowed {row['tolerance']:.2g} ({row['tolerance_reason']}); {row['source']}"
    )


@pytest.mark.parametrize(("stem", "row"), ROWS, ids=[row.get("id", "no id") for _, row in ROWS])
def test_row_is_complete(stem, row):
    assert REQUIRED <= set(row), f"missing: {REQUIRED - set(row)}"
    assert row["standing"] in STANDINGS
    assert row["source"].strip() and row["tolerance_reason"].strip()
    assert 0.0 < row["tolerance"] < 1.0 or row["tolerance"] >= 1.0 and "order" in row["tolerance_reason"], (
        "a tolerance of 1 or more holds nothing, unless the source gives an order of magnitude only and the row says so"
    )
    assert ("args" in row) != ("route" in row), "a row goes either by args or by a route"
    assert callable(law_named(row["law"])), "the law the row is about exists"


def test_ids_are_unique():
    ids = [row["id"] for _, row in ROWS]
    assert len(ids) == len(set(ids)), sorted({i for i in ids if ids.count(i) > 1})


def test_there_are_enough_rows_to_trust_the_laws():
    """Sixty rows, twenty-five of them read in a source, a dozen distinct sources."""
    assert len(ROWS) >= 60
    assert sum(row["standing"] == "read" for _, row in ROWS) >= 25
    assert len({row["source"] for _, row in ROWS if row["standing"] == "read"}) >= 12


def test_no_route_is_left_unused():
    used = {(stem, row["route"]) for stem, row in ROWS if "route" in row}
    for path in FOLDER.glob("routes_*.py"):
        stem = path.stem.removeprefix("routes_")
        there = {(stem, name) for name in vars(routes_of(stem)) if name.startswith("route_")}
        assert there <= used, sorted(there - used)
