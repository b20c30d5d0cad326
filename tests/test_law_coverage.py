"""Every public law of `exhaustsim.physics` is held by a number from outside: a row of `tests/published`, or a test named
in `tests/published/checked_elsewhere.toml` with the reference that it uses.

Differences hold a derivative only if the law itself is held.  Data rows are looked at in `test_data.py`: every default
constant has a value, a standing and a source there.
"""

import ast
import tomllib
from pathlib import Path

import pytest

from exhaustsim.studies.publishedchecks import law_named, rows_of

TREE = Path(__file__).parents[1]
PHYSICS = TREE / "exhaustsim" / "physics"
ELSEWHERE = tomllib.loads((TREE / "tests" / "published" / "checked_elsewhere.toml").read_text(encoding="utf-8"))["check"]
ROWS = [row.entry for row in rows_of(TREE / "tests" / "published")]
HELD = {row["law"] for row in ROWS}


def public_laws():
    for path in sorted(PHYSICS.glob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                yield f"{path.stem}.{node.name}"


def test_every_law_is_held():
    """A kernel counts as well as a traced shape: all that another module may call."""
    laws = set(public_laws())
    assert len(laws) > 140, "the laws were not found"
    assert sorted(laws - HELD - {check["law"] for check in ELSEWHERE}) == []


def test_no_law_is_named_twice():
    """A row of its own is worth more than a test named elsewhere: that line is then to go."""
    named = [check["law"] for check in ELSEWHERE]
    assert sorted(law for law in named if law in HELD or named.count(law) > 1) == []


@pytest.mark.parametrize("check", ELSEWHERE, ids=lambda check: check["law"])
def test_what_is_named_exists(check):
    assert set(check) - {"slope_of"} == {"law", "test", "reference"}
    assert callable(law_named(check["law"])) and check["reference"].strip()
    file, _, function = check["test"].partition("::")
    text = (TREE / file).read_text(encoding="utf-8")
    assert function in {node.name for node in ast.parse(text).body if isinstance(node, ast.FunctionDef)}
    if check["law"].endswith(("_slope", "_slopes")) and check["law"] != "hotmetal.monotone_slopes":
        assert "slope_of" in check, "the law that it is the derivative of"
    if "slope_of" in check:
        assert check["slope_of"] in HELD, "differences hold nothing if the law itself is not held"


def test_there_are_enough_worked_examples():
    """Twenty-five whole problems, of each sort one at least."""
    worked = [row for row in ROWS if row.get("kind") == "worked example"]
    assert len(worked) >= 25
    assert {row.get("kind") for row in ROWS} == {None, "worked example"}
    laws = {row["law"] for row in worked}
    sorts = {
        "pump-down": "pumps.pump_down_time", "backing pump": "pumps.required_backing_speed", "virtual leak": "pumps.pump_down_pressure",
        "rate of rise": "getter.sealed_pressure_constant_speed", "getter life": "getter.sealed_life", "helium in a bulb": "permeation.sealed_time_constant",
        "breakdown pressure": "carbonates.coating_dioxide", "induction power": "heating.heat_to_reach", "conductance": "conductance.tube_conductance_molecular",
    }  # fmt: skip
    assert {sort for sort, law in sorts.items() if law not in laws} == set()
