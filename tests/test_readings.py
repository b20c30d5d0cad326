"""Readings of a run that never came into the situation they watch: None, not a made-up number."""

from dataclasses import replace

import pytest
from tiny import tiny

from exhaustsim.engine.run import simulate
from exhaustsim.plant.schedule import PositionSetting
from exhaustsim.studies import readings
from exhaustsim.studies.positions import position_rows

# What the schedule lacks, and the readings that then have nothing to tell.
SILENT = {
    "heater": ("converted_after_heating", "heater_overvoltage", "breakdown_bulb_pressure"),
    "hot cathode": ("binder_left_when_hot", "carbon_dioxide_on_cooling"),
    "flash": ("barium_yield", "carbon_dioxide_at_flash", "carbon_dioxide_evolving_at_flash", "flash_duration"),
    "tip-off": (
        "argon_at_tip_off", "barium_spent_in_ageing", "bulb_pressure_at_tip_off", "fall_at_tip_off", "glass_water_left",
        "sealing_time_left", "tip_burst_clearing", "exhaust_stem_bore", "inert_tip_burst", "sealed_oxidant", "sealed_oxygen",
    ),
    "RF": ("dwell_left_after_rf", "water_on_hot_getter"),
    "oven": ("wall_at_oven_exit",),
    "shelf": ("helium_after_shelf", "barium_spent_in_life"),
    "diffusion pump": ("backing_pressure_share", "diffusion_inlet_pressure"),
    "foot and mica": ("foot_temperature", "mica_temperature", "film_on_mica"),
}  # fmt: skip


@pytest.fixture(scope="module")
def bare(schedules):
    """Four positions on a rotary line, nothing else."""
    schedule = tiny(schedules["standard"])
    machine = schedule.machine
    cold = replace(
        machine, oven_positions=(), lines=machine.lines[:1], line_of_position=dict.fromkeys(range(1, 5), "G")
    )
    return simulate(
        replace(
            schedule, machine=cold, positions=tuple(PositionSetting(k) for k in range(1, 5)), ageing=(), shelf_time=0.0
        )
    )


@pytest.mark.parametrize(("lacking", "name"), [(lacking, name) for lacking, names in SILENT.items() for name in names])
def test_reading_is_none_only_without_the_situation(bare, runs, lacking, name):
    reading = getattr(readings, name)
    assert reading(bare) is None, f"no {lacking}"
    assert reading(runs["standard"]).value >= 0.0


def test_samples_of_a_bare_run(bare):
    assert readings.flash_sample(bare) is None
    assert readings.last_heated_position(bare) is None
    assert readings.end_of_heating(bare) is None
    assert bare.tip_off_sample is None
    assert bare.judged_at == len(bare.time) - 1


def test_rise_needs_a_second(runs):
    run = runs["standard"]
    samples = run.dwell_samples(14)
    short = (run.time >= run.time[samples[0]]) & (run.time <= run.time[samples[0]] + 0.9)
    assert readings.rise_in_a_second(run, run.time, short) is None
    long = (run.time >= run.time[samples[0]]) & (run.time <= run.time[samples[0]] + 1.5)
    assert readings.rise_in_a_second(run, 3.0 * run.time, long).value == pytest.approx(3.0)


def test_fall_at_tip_off_is_not_told_of_a_sealing_that_begins_with_the_opening(schedules):
    """Dwell of 1.5 s, the bore closes from 0.75 s on: before the first second after the opening is over."""
    schedule = tiny(schedules["standard"])
    stem = replace(schedule.valve.exhaust_stem, sealing_time=100.0)
    slow = replace(schedule, index_time=2.0, valve=replace(schedule.valve, exhaust_stem=stem))
    slow = replace(
        slow, positions=tuple(replace(p, rf=replace(p.rf, duration=1.2)) if p.rf else p for p in slow.positions)
    )
    run = simulate(slow)
    assert run.tip_off_sample is not None
    assert readings.fall_at_tip_off(run) is None


def test_position_rows_are_those_the_run_passed_through(runs):
    rows = position_rows(runs["standard"])
    assert [row.position for row in rows] == list(range(1, 17))
