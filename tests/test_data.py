"""The data tables: every row complete, in range, and found by name."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from pathlib import Path

import pytest

import exhaustsim
from exhaustsim.data import published
from exhaustsim.data.published import STANDINGS, DataFault
from exhaustsim.units import convert

FOLDER = resources.files("exhaustsim.data")
ROWS = published.rows()


def raw_rows():
    def walk(table, prefix):
        for key, entry in table.items():
            if isinstance(entry, dict) and "value" in entry:
                yield prefix + key, entry
            elif isinstance(entry, dict):
                yield from walk(entry, f"{prefix}{key}.")
            else:
                raise AssertionError(f"{prefix}{key} stands outside any row")

    for file in FOLDER.iterdir():
        if file.name.endswith(".toml"):
            yield from walk(tomllib.loads(file.read_text(encoding="utf-8")), "")


def test_every_row_of_every_file_is_found():
    assert sorted(name for name, _ in raw_rows()) == [r.name for r in ROWS]


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r.name)
def test_row_is_complete_and_inside_its_range(row):
    assert row.standing in STANDINGS
    assert row.source.strip()
    if row.standing not in ("published", "computed"):
        assert row.low is not None, f"{row.name}: a {row.standing} value needs a range"
    if row.low is not None:
        assert row.low <= row.value <= row.high


def test_no_row_has_a_key_that_nobody_reads():
    known = {"value", "range", "standing", "source", "note"}
    assert [name for name, entry in raw_rows() if not set(entry) <= known] == []


def bibliography_keys():
    return re.findall(r"^@\w+\{(\w+),", FOLDER.joinpath("references.bib").read_text(encoding="utf-8"), re.M)


def test_keys_of_sources_stand_in_the_bibliography():
    cited = {key for r in ROWS for key in re.findall(r"\[(\w+)\]", r.source + r.note)}
    for module in Path(exhaustsim.__file__).parent.rglob("*.py"):
        # In code, square brackets hold units as well: a key there ends in a year.
        cited.update(re.findall(r"\[([A-Z][A-Za-z]+\d{4})\]", module.read_text(encoding="utf-8")))
    assert cited
    assert cited <= set(bibliography_keys()), f"not in references.bib: {sorted(cited - set(bibliography_keys()))}"


def test_bibliography_has_no_key_twice():
    keys = bibliography_keys()
    assert keys and len(keys) == len(set(keys))


def test_unknown_name_is_refused_with_the_nearest():
    with pytest.raises(DataFault, match='no value "carbonates.needle_radios".*"carbonates.needle_radius"'):
        published.value("carbonates.needle_radios")
    with pytest.raises(DataFault, match='no value "nickel_density"'):
        published.row("nickel_density")


def test_row_carries_what_the_table_says():
    row = published.row("carbonates.needle_radius")
    assert (row.value, row.low, row.high) == (1.1e-6, 0.5e-6, 3e-6)
    assert (row.unit, row.kind, row.file) == ("um", "length", "carbonates.toml")


def test_groups_and_patterns():
    assert {"nickel", "molybdenum", "mica", "soda_lime", "lead"} <= set(published.groups("materials"))
    assert {r.name for r in published.rows("getters.sticking.*")} == {
        f"getters.sticking.{gas}" for gas in published.group("getters.sticking")
    }


@pytest.mark.parametrize("pump", ["rotary", "diffusion"])
def test_composition_of_an_ultimate_pressure_adds_up(pump):
    shares = published.group(f"pumps.{pump}.ultimate_gases")
    assert sum(r.value for r in shares.values()) == pytest.approx(1.0, abs=1e-9)


def test_appetite_of_barium_stays_below_what_chemistry_allows():
    # Ceilings per mg of barium at 20 degC: O2 8.9 Pa L (as BaO), H2 17.7 Pa L (as BaH2).
    for gas, ceiling in (("O2", 8.9), ("H2", 17.75)):
        assert convert(published.value(f"getters.appetite.{gas}"), "amount_per_mass", "Pa L/mg") < ceiling
