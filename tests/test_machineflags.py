"""Flags of the loaded machine: limits of the trade, own limits, places; made-up findings, and one real leaker."""

from dataclasses import replace

import pytest

from exhaustsim.engine.loaded import simulate_machine
from exhaustsim.plant.incidents import Leaker
from exhaustsim.plant.valve import Threshold
from exhaustsim.studies.machineflags import machine_flags
from exhaustsim.studies.neighbours import CrossTalk, cross_talk, leaker_ratio
from exhaustsim.studies.stops import StopTolerance
from exhaustsim.units import PASCAL_LITRE


@pytest.fixture(scope="module")
def schedule(schedules):
    return schedules["standard"]


def with_limits(schedule, **thresholds):
    return replace(schedule, valve=replace(schedule.valve, thresholds=schedule.valve.thresholds | thresholds))


@pytest.mark.parametrize(("excess", "level"), [(0.2, None), (0.3, "warn"), (1.2, "stop")])
def test_cross_talk_counts_where_a_target_is_judged(schedule, excess, level):
    """Limits of 25 % and 100 %; breakdown positions are excepted."""
    rows = [CrossTalk(11, "F2", 9.0, 1.0, False), CrossTalk(14, "D", 1.0 + excess, 1.0, True)]
    flags = machine_flags(schedule, rows)
    assert [(f.name, f.level, f.position) for f in flags] == ([("cross_talk", level, 14)] if level else [])
    assert rows[1].level == (level or "")
    if level:
        assert flags[0].value == pytest.approx(100 * excess)
        assert flags[0].unit == "%"
        assert flags[0].limit == {"warn": 25.0, "stop": 100.0}[level]
        assert flags[0].remedy
        assert flags[0].sentence.startswith("position 14: ")


@pytest.mark.parametrize(("seconds", "level"), [(45.0, None), (20.0, "warn"), (5.0, "stop")])
def test_stop_tolerance_of_30_and_10_seconds(schedule, seconds, level):
    hot = StopTolerance(10, seconds, 1.1 * seconds, "anode_over_temperature", "anode too hot.")
    cut = StopTolerance(14, 1.0, 2.0, "under_flash", "barium yield is 40 %.")  # scrap whatever one does
    flags = machine_flags(schedule, stops=[hot, cut, StopTolerance(1, 3600.0, None, "", "bears it")])
    assert [(f.level, f.position, f.value, f.unit) for f in flags] == ([(level, 10, seconds, "s")] if level else [])
    assert (hot.level or None) == level


def test_a_valve_sets_its_own_limits(schedule):
    own = with_limits(schedule, stop_tolerance=Threshold(90.0, 40.0, "old oven"), cross_talk=Threshold(0.02, None, "shy valve"))
    flags = machine_flags(
        own, [CrossTalk(14, "D", 1.03, 1.0, True)], [StopTolerance(10, 35.0, 40.0, "anode_over_temperature", "anode too hot.")]
    )
    assert [(f.name, f.level, f.limit) for f in flags] == [("stop_tolerance", "stop", 40.0), ("cross_talk", "warn", 2.0)]
    assert "(set for this valve: old oven)" in flags[0].sentence


def test_a_leaker_stands_out_at_the_spark_test(schedule, runs):
    good = runs["standard"]
    run = simulate_machine(schedule, [Leaker(1, PASCAL_LITRE)], indices=17)
    flags = machine_flags(schedule, run=run, good=good)
    valve = next(j for j in run.journeys if j.head == 1 and j.entered == 1)
    assert [(f.name, f.level, f.position) for f in flags] == [("leaker", "stop", schedule.position_of("spark_test"))]
    assert flags[0].value == pytest.approx(leaker_ratio(valve.run, good))
    assert "in head 1" in flags[0].sentence
    with pytest.raises(ValueError, match="give both"):
        machine_flags(schedule, run=run)


def test_todays_card_has_no_bad_neighbours(schedule, runs):
    assert machine_flags(schedule, cross_talk(schedule, runs["standard"])) == ()
