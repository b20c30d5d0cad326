"""Pumps against what goes through them: hand-made lines whose figures follow by arithmetic, and chains of the pattern machine."""

import json
from dataclasses import replace

import numpy as np
import pytest
from fake_run import DEMO, fake_run

from exhaustsim.constants import ATMOSPHERE, GAS_CONSTANT, GAS_COUNT, H2O, N2
from exhaustsim.engine.run import simulate
from exhaustsim.physics.ballast import water_saturation_pressure
from exhaustsim.plant.designfile import load_machine
from exhaustsim.plant.machine import chain_of
from exhaustsim.studies.sizing import sizing, sizing_sentence, speed_at

PATTERN = DEMO.parent / "machines" / "rx16_pumps.toml"
RT = GAS_CONSTANT * 293.15


@pytest.fixture(scope="module")
def pattern(schedules):
    return simulate(replace(schedules["standard"], machine=load_machine(PATTERN)))


def steady(line, **flows):
    """A made-up run in which this line carries a steady throughput by gas [Pa m^3/s], 10 Pa behind its pump."""
    run = fake_run()
    waves = []
    for wave, described in zip(run.lines, run.schedule.machine.lines, strict=True):
        stages = len(chain_of(described.pump))
        flow = np.zeros((len(wave.time), stages, GAS_COUNT))
        if wave.name == line:
            for gas, value in flows.items():
                flow[:, :, {"N2": N2, "H2O": H2O}[gas]] = value / RT
        waves.append(replace(wave, chain_flow=flow, chain_pressure=np.full_like(flow, 10.0 / GAS_COUNT)))
    return replace(run, lines=tuple(waves))


def row_of(run, line, stage):
    return next(row for row in sizing(run) if (row.line, row.stage) == (line, stage))


def test_backing_pump_of_the_diffusion_line_by_hand():
    """2 x 0.02 Pa m3/s over 40 Pa is 1 L/s; the pump behind has 1.4 L/s less what its 0.5 Pa give back."""
    row = row_of(steady("D", N2=0.02), "D", 1)
    assert row.backing_needed == pytest.approx(1.0e-3, rel=1e-9)
    assert row.backing_speed == pytest.approx(1.4e-3 * (1.0 - 0.5 / 40.0), rel=1e-9)
    assert row.backed_well and row.backing_peak == pytest.approx(10.0)
    # 0.02 Pa m3/s over 25 L/s x 0.1 Pa.
    assert row.load == pytest.approx(8.0, rel=1e-9) and row.faults == ("overloaded",)


def test_backing_pump_that_is_too_small():
    rows = sizing(steady("D", N2=0.04))
    row = next(r for r in rows if r.line == "D" and r.stage == 1)
    assert row.backed_well is False and "backing pump too small" in row.faults
    assert "too small for that as a steady stream" in row.sentence()
    assert sizing_sentence(rows).startswith("Not big enough for what goes through: line D, diffusion pump: overloaded, backing pump")


def test_backing_pressure_of_the_run_decides_by_itself():
    run = steady("D", N2=1e-4)
    high = [replace(w, chain_pressure=5.0 * w.chain_pressure) if w.name == "D" else w for w in run.lines]
    row = row_of(replace(run, lines=tuple(high)), "D", 1)
    assert row.backed_well and row.faults == ("backing pressure too high",)


def test_water_without_ballast_by_hand():
    """The share of water that stays vapour is the saturation pressure over that of the exhaust valve."""
    share = water_saturation_pressure(343.15) / (1.1 * ATMOSPHERE)
    row = row_of(steady("R", N2=1e-3, H2O=3e-3), "R", 1)
    assert row.water.pressure == pytest.approx(3e-3 / 2.2e-3, rel=1e-9)
    assert row.water.tolerated_closed == pytest.approx(1e-3 / 2.2e-3 * share / (1.0 - share), rel=1e-9)
    left = 3e-3 - 1e-3 * share / (1.0 - share)
    assert row.water.condensed == pytest.approx(left / RT * 8 * 3600 * 18.015e-3, rel=1e-4)
    assert row.water.condenses and row.faults == ("water in the oil",)
    assert not row.water.open and "would carry it out" in row.sentence()


def test_the_least_ballast_carries_all_water_out():
    run = steady("R", N2=1e-3, H2O=1e-3)
    least = row_of(run, "R", 1).water.least_ballast

    def with_ballast(speed):
        machine = run.schedule.machine
        lines = tuple(
            replace(line, pump=replace(line.pump, gas_ballast=speed)) if line.name == "R" else line for line in machine.lines
        )
        return row_of(replace(run, schedule=replace(run.schedule, machine=replace(machine, lines=lines))), "R", 1).water

    assert with_ballast(1.001 * least).condensed == 0.0
    some = with_ballast(0.5 * least)
    assert some.open and 0.0 < some.condensed < row_of(run, "R", 1).water.condensed


def test_room_air_too_damp_to_help():
    run = steady("R", H2O=3e-3)
    machine = replace(run.schedule.machine, air_humidity=0.5)
    row = row_of(replace(run, schedule=replace(run.schedule, machine=machine)), "R", 1)
    assert np.isnan(row.water.least_ballast) and "too damp" in row.sentence()
    assert json.loads(json.dumps(row.to_json(), allow_nan=False))["water"]["least_ballast_m3_s"] is None


def test_little_water_is_taken_up_by_the_oil():
    row = row_of(steady("R", H2O=1e-5), "R", 1)
    assert row.water.condensed > 0.0 and not row.water.condenses and not row.faults
    assert "which takes it up" in row.sentence()


def test_rotary_lines_alone_need_no_backing():
    run = steady("G", N2=1.0)
    machine = run.schedule.machine
    kept = tuple(line for line in machine.lines if line.name == "G")
    rows = sizing(replace(run, lines=run.lines[:1], schedule=replace(run.schedule, machine=replace(machine, lines=kept))))
    assert "No pump needs another one" in sizing_sentence(rows)


def test_every_pump_of_every_chain_is_told(pattern):
    told = [(row.line, row.stage, row.pump) for row in sizing(pattern)]
    assert told == [
        ("G", 1, "rotary"), ("R", 1, "table"), ("F1", 1, "booster"), ("F1", 2, "rotary"), ("F2", 1, "diffusion"), ("F2", 2, "rotary"),
        ("D", 1, "diffusion"), ("D", 2, "booster"), ("D", 3, "rotary"), ("T", 1, "turbomolecular"), ("T", 2, "booster"), ("T", 3, "rotary"),
    ]  # fmt: skip
    assert sizing_sentence(sizing(pattern)).startswith("Every pump is backed well enough")
    assert json.dumps([row.to_json() for row in sizing(pattern)], allow_nan=False)


def test_what_goes_in_goes_through_every_pump_of_a_chain(pattern):
    """In the periodic state the mean throughputs of a chain agree; a shared line carries both streams."""
    rows = {(row.line, row.stage): row.mean_flow for row in sizing(pattern)}
    assert rows["F1", 2] == pytest.approx(rows["F1", 1], rel=1e-2)
    assert rows["D", 2] == rows["T", 2] == pytest.approx(rows["D", 1] + rows["T", 1], rel=1e-2)
    assert rows["D", 3] == pytest.approx(rows["D", 2], rel=1e-2)


def test_worst_position_of_the_gulp_line_is_the_first(pattern):
    assert row_of(pattern, "G", 1).worst_position == 1


def test_speed_of_a_chain_at_a_pressure():
    machine = load_machine(PATTERN)
    pumps = {line.name: line.pump for line in machine.lines}
    # 12 L/s with compression 20 in front of 2.2 L/s: 1/(1/12 + 1/44) L/s, ultimate 0.3/20 Pa.
    net = 1.0 / (1.0 / 12e-3 + 1.0 / (20.0 * 2.2e-3 * (1.0 - 0.3 / 100.0)))
    assert speed_at(pumps["F1"], 100.0, machine) == pytest.approx(net * (1.0 - 0.015 / 100.0), rel=1e-9)
    assert speed_at(pumps["R"], 10.0, machine) == pytest.approx(2.1e-3, rel=1e-12)
    assert speed_at(pumps["G"], 20.0, machine) == pytest.approx(0.0, abs=1e-15)  # the ultimate pressure with gas ballast open
