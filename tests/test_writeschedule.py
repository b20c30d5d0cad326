"""A schedule written and read again is the same schedule."""

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.schedule import PositionSetting, RfSetting
from exhaustsim.plant.writeschedule import UNITS, quantity_text, schedule_text, toml_text
from exhaustsim.units import parse

DEMO = sorted((Path(__file__).parent.parent / "demo_data" / "schedules").glob("*.toml"))


def without_places(schedule):
    valve, machine = replace(schedule.valve, source=""), replace(schedule.machine, source="")
    return replace(schedule, source="", valve=valve, machine=machine)


def round_trip(schedule, folder):
    path = folder / "written.toml"
    path.write_text(schedule_text(schedule, folder, ["A note.", "Two\nlines."]), encoding="utf-8")
    return load_schedule(path)


@pytest.mark.parametrize("path", DEMO, ids=lambda path: path.stem)
def test_every_demo_schedule_comes_back_the_same(path, tmp_path):
    schedule = load_schedule(path)
    assert without_places(round_trip(schedule, tmp_path)) == without_places(schedule)


def test_awkward_values_come_back_the_same(schedules, tmp_path):
    standard = schedules["standard"]
    positions = list(standard.positions)
    positions[7] = PositionSetting(8, "", 0.1 + 0.2, RfSetting({"anode": 1.0 / 3.0, "grids": 2e-5}, 0.7, 1.0 / 7.0))
    awkward = replace(
        standard, name='Quotes " and \\ and µ', index_time=12.3, oven_temperature=733.1500000001, positions=tuple(positions),
        target=replace(standard.target, bulb_pressure=0.04321, barium_spent=0.123), shelf_time=1234567.0,
    )  # fmt: skip
    # RF that lasts the whole dwell lasts another dwell now: state it, as a person would see it.
    assert without_places(round_trip(awkward, tmp_path)) == without_places(awkward)


def test_what_came_from_no_file_cannot_be_named(schedules):
    with pytest.raises(ValueError, match="came from no file"):
        schedule_text(replace(schedules["standard"], valve=replace(schedules["standard"].valve, source="")))


@given(st.sampled_from(sorted(UNITS)), st.floats(1e-9, 1e9))
def test_a_quantity_reads_back_to_the_same_bits(kind, value):
    assert parse(quantity_text(value, kind), kind) == value


TEXT = st.text(st.characters(exclude_categories=("Cs",)), max_size=20)
LEAF = st.one_of(TEXT, st.integers(-(2**63), 2**63 - 1), st.booleans(), st.floats(allow_nan=False, allow_infinity=False))
ENTRY = st.dictionaries(TEXT, st.one_of(LEAF, st.lists(LEAF, max_size=3), st.dictionaries(TEXT, LEAF, max_size=3)), min_size=1, max_size=4)


@given(st.dictionaries(TEXT, st.one_of(LEAF, ENTRY, st.lists(ENTRY, min_size=1, max_size=3)), max_size=5))
def test_any_table_reads_back(table):
    """The reader is Python's own TOML parser."""
    assert tomllib.loads(toml_text(table)) == table
