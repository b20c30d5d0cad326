"""From ageing results back to the cause: a cause put into the simulated valve is found again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.studies.aftermath import AGEING, CHECK_FIRST, EMISSION, GasReading, causes_of_gas, causes_of_slump
from exhaustsim.studies.fitmodel import FitRefused
from exhaustsim.studies.flags import CHECKS
from exhaustsim.studies.leasttrusted import CONSTANTS, ranges, with_moved

SCHEDULES = Path(__file__).parents[1] / "demo_data" / "schedules"
DAYS = (60.0, 2 * 86400.0, 14 * 86400.0)


@pytest.fixture(scope="module")
def schedule():
    return load_schedule(SCHEDULES / "dt1_standard.toml")


@pytest.fixture(scope="module")
def base(schedule):
    return simulate(schedule)


@pytest.fixture(scope="module")
def remembered(base, schedule):
    """`simulate`, each schedule once."""
    known = [(schedule, base)]

    def run(one):
        for old, found in known:
            if old == one:
                return found
        known.append((one, simulate(one)))
        return known[-1][1]

    return run


def gas(run, after):
    """Total bulb pressure so long after ageing [Pa]."""
    shelf = run.stage == 4
    return float(np.interp(after, run.time[shelf] - run.time[run.stage == 3][-1], run.bulb_pressure[shelf].sum(axis=1)))


def readings(pressures, error=0.05):
    return [GasReading(after, float(p), error) for after, p in zip(DAYS, pressures, strict=True)]


def test_gas_as_the_run_says_needs_no_cause(schedule, base, remembered):
    found = causes_of_gas(schedule, readings([gas(base, a) for a in DAYS]), base=base, run=remembered)
    assert found.normal and "nothing to explain" in found.sentence


def test_a_leak_grows_and_is_named_first(schedule, base, remembered):
    """1e-9 Pa m3/s of air into the sealed valve: argon, 0.934 % of dry air, stays; the rest is taken up."""
    grown = [gas(base, a) + 0.00934 * 1e-9 * (a + 5000.0) / schedule.valve.bulb.volume for a in DAYS]
    found = causes_of_gas(schedule, readings(grown), base=base, run=remembered)
    assert found.consistent[0].name == "leak"
    # Room air is a little damp, and the time on the ageing rack is not quite 5000 s.
    assert found.consistent[0].needed == pytest.approx(1e-9, rel=0.05)
    assert "air_at_tip_off" not in {c.name for c in found.consistent}
    assert "seals and pip" in found.sentence and found.to_json()["normal"] is False


def test_air_at_tip_off_stays_as_it_is(schedule, base, remembered):
    found = causes_of_gas(schedule, readings([gas(base, a) + 0.00934 * 0.05 for a in DAYS]), base=base, run=remembered)
    assert "air_at_tip_off" in {c.name for c in found.consistent}
    assert "leak" not in {c.name for c in found.consistent}
    air = next(c for c in found.causes if c.name == "air_at_tip_off")
    assert air.needed == pytest.approx(0.05, rel=0.05)


def test_a_left_over_that_was_put_in_is_among_those_found(schedule, base, remembered):
    """The anode's CO at the far end of its range, simulated: methane from it stays."""
    moved = next(m for m in ranges(schedule.valve) if m.name == "anode_carbon_monoxide")
    dirty = remembered(replace(schedule, valve=with_moved(schedule.valve, {moved: "high"})))
    found = causes_of_gas(schedule, readings([gas(dirty, a) for a in DAYS], error=1e-3), base=base, run=remembered)
    cause = next(c for c in found.causes if c.name == "anode_carbon_monoxide")
    assert cause.explains and cause.needed == pytest.approx(1.0, rel=0.05)


def test_what_no_single_cause_explains_says_so(schedule, base, remembered):
    falling = [gas(base, DAYS[0]) * factor for factor in (50.0, 5.0, 1.0)]
    found = causes_of_gas(schedule, readings(falling, error=0.02), base=base, run=remembered)
    assert not found.consistent and "No single left-over" in found.sentence


def test_several_causes_are_all_named(schedule, base, remembered):
    found = causes_of_gas(schedule, [GasReading(60.0, gas(base, 60.0) * 1.5, 0.1)], base=base, run=remembered)
    assert len(found.consistent) > 1 and "cannot be told apart" in found.sentence


def test_gas_that_cannot_be_asked_about(schedule, base, remembered):
    with pytest.raises(ValueError, match="above 0"):
        causes_of_gas(schedule, [GasReading(0.0, -1.0, 0.1)], base=base, run=remembered)
    with pytest.raises(FitRefused, match="no gas reading"):
        causes_of_gas(schedule, [], base=base, run=remembered)
    with pytest.raises(FitRefused, match="shelf time"):
        causes_of_gas(schedule, [GasReading(1e9, 1.0, 0.1)], base=base, run=remembered)
    with pytest.raises(FitRefused, match="no shelf time"):
        causes_of_gas(schedule, [GasReading(0.0, 1.0, 0.1)], base=replace(base, stage=np.minimum(base.stage, AGEING)), run=remembered)
    with pytest.raises(FitRefused, match="no ageing"):
        causes_of_gas(schedule, [GasReading(1.0, 1.0, 0.1)], base=replace(base, stage=np.zeros_like(base.stage)), run=remembered)


def test_slump_of_a_breakdown_that_was_not_finished():
    """Speed doubled with the heater steps of the slow card: the converted fraction is what is wrong, by construction."""
    found = causes_of_slump(simulate(load_schedule(SCHEDULES / "dt1_too_fast.toml")))
    assert "incomplete_breakdown" in {s.key for s in found.suspects[:3]} and found.suspects[0].times > 1.0
    assert "Most likely" in found.sentence and found.to_json()["suspects"]


def test_slump_of_a_good_run_looks_at_the_machine(base):
    found = causes_of_slump(base)
    assert found.suspects[0].times < 1.0 and "passes no limit" in found.sentence


def test_everything_asked_about_exists():
    assert set(EMISSION) <= {check.key for check in CHECKS}
    assert {c.name for c in CONSTANTS} | {"leak", "air_at_tip_off"} == set(CHECK_FIRST)
