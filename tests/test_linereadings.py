"""Water left in the pumps and oil that may come back, on made-up lines with figures worked by hand."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fake_run import fake_run, with_values

from exhaustsim.constants import GAS_NAMES, H2O, N2
from exhaustsim.data import published
from exhaustsim.plant.designfile import DesignFault, load_machine
from exhaustsim.studies.linereadings import idle_pressure_untrapped, water_in_pump
from exhaustsim.units import PASCAL_LITRE


def with_inflow(run, name, **pascal_litres):
    """`run` with a steady inflow of one line, Pa L/s by gas."""
    inflow = np.zeros_like(run.lines[0].inflow)
    for gas, amount in pascal_litres.items():
        inflow[:, GAS_NAMES.index(gas)] = amount * PASCAL_LITRE

    def change(wave):
        return replace(wave, inflow=inflow, chain_flow=np.zeros_like(wave.chain_flow) + inflow[:, None]) if wave.name == name else wave

    return with_values(run, lines=tuple(change(w) for w in run.lines))


def test_pure_water_is_all_left_in_the_pump():
    """0.1 Pa L/s for 28 800 s are 2880 Pa L at 20 degC, 1.1816e-3 mol, 21.29 mg."""
    reading = water_in_pump(with_inflow(fake_run(), "F1", H2O=0.1))
    assert reading.value * 1e6 == pytest.approx(21.29, rel=1e-3)
    assert (reading.position, reading.place) == (5, "line F1")


def test_dry_gas_carries_its_share_of_water_out():
    """At 311.8 of 1.1 x 1013.25 hPa water may be 28 % of what is blown out."""
    share = 311.76 / (published.value("pumps.rotary.exhaust_pressure_ratio") * 1013.25)
    most = share / (1.0 - share)
    assert water_in_pump(with_inflow(fake_run(), "F1", H2O=0.999 * most, N2=1.0)).value == 0.0
    left = water_in_pump(with_inflow(fake_run(), "F1", H2O=most + 0.1, N2=1.0)).value
    assert left == pytest.approx(water_in_pump(with_inflow(fake_run(), "F1", H2O=0.1)).value, rel=1e-2)  # four figures of 312 hPa


def test_the_gulp_of_room_air_leaves_no_water(runs):
    """A hundredth of room air is water, far below what the air carries."""
    run = runs["standard"]
    gulp = next(wave for wave in run.lines if wave.name == "G")
    mean = np.trapezoid(gulp.inflow, gulp.time, axis=0)
    assert 0.005 < mean[H2O] / mean.sum() < 0.02 and mean[N2] > 0.7 * mean.sum()
    assert water_in_pump(run).place in ("line R", "line F1")


def test_standard_cards_stay_below_what_the_oil_takes_up(runs):
    for run in runs.values():
        assert 0.0 < water_in_pump(run).value < published.value("pumps.rotary.water_dissolved")


def test_lines_are_taken_as_trapped_unless_the_file_says_otherwise(tmp_path):
    run = fake_run()
    assert idle_pressure_untrapped(run) is None
    machine = run.schedule.machine
    text = Path(machine.source).read_text(encoding="utf-8")
    place = tmp_path / "machine.toml"
    for given, wanted in (("true", True), ("false", False)):
        place.write_text(text.replace("[lines.R] ", f"[lines.R]\ntrapped = {given} "), encoding="utf-8")
        assert {line.name: line.trapped for line in load_machine(place).lines}["R"] is wanted
    place.write_text(text.replace("[lines.R] ", '[lines.R]\ntrapped = "no" '), encoding="utf-8")
    with pytest.raises(DesignFault, match='trapped = "no"\n.*needs true or false'):
        load_machine(place)


def test_diffusion_lines_do_not_count_as_idle_rotary_lines():
    run = fake_run()
    machine = run.schedule.machine
    bare = replace(machine, lines=tuple(replace(line, trapped=False) for line in machine.lines))
    reading = idle_pressure_untrapped(with_values(run, schedule=replace(run.schedule, machine=bare)))
    assert reading.place != "line D" and reading.value == pytest.approx(1.0)


def test_without_lines_there_is_nothing_to_tell():
    bare = with_values(fake_run(), lines=())
    assert water_in_pump(bare) is None and idle_pressure_untrapped(bare) is None
