"""Every published, recalled or independently computed value that a law is held against.

The rows stand in `tests/published/*.toml`; each names its source, its standing, and the
reason for its tolerance.  A row either calls a law of `exhaustsim.physics` directly (`args`)
or goes by a small function of `routes_<file>.py` (`route`).
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from exhaustsim.studies.publishedchecks import Check, ChecksFault, folder_of_rows, law_named, routes_of, rows_of

FOLDER = Path(__file__).parent / "published"
STANDINGS = {"read", "recalled", "computed"}
REQUIRED = {"id", "law", "what", "value", "unit", "source", "standing", "tolerance", "tolerance_reason"}
FOUND = rows_of(FOLDER)
ROWS = [(row.file, row.entry) for row in FOUND]


@pytest.mark.parametrize("found", FOUND, ids=[row.entry.get("id", "no id") for row in FOUND])
def test_value(found):
    check, row = Check(found, found.outcome()), found.entry
    assert math.isfinite(check.got)
    assert check.kept, (
        f"{row['id']} {row['what']}: {check.got:.8g} against {check.expected:.8g} {row['unit']}, "
        f"off by {abs(check.off):.2g}, allowed {row['tolerance']:.2g} ({row['tolerance_reason']}); {row['source']}"
    )


def test_rows_are_found_from_the_tree_and_named_when_missing(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert folder_of_rows() == FOLDER.resolve()
    with pytest.raises(ChecksFault, match="source tree"):
        folder_of_rows(tmp_path)


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
    """A hundred and fifty rows, sixty of them read in a source, twenty-five distinct sources."""
    assert len(ROWS) >= 150
    assert sum(row["standing"] == "read" for _, row in ROWS) >= 60
    assert len({row["source"] for _, row in ROWS if row["standing"] == "read"}) >= 25


def test_no_route_is_left_unused():
    used = {(stem, row["route"]) for stem, row in ROWS if "route" in row}
    for path in FOLDER.glob("routes_*.py"):
        stem = path.stem.removeprefix("routes_")
        there = {(stem, name) for name in vars(routes_of(FOLDER.resolve(), stem)) if name.startswith("route_")}
        assert there <= used, sorted(there - used)
