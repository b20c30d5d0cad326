"""Exhaust stems given as sections: reading and refusing them, tracing once, and what they do to a run."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from altered import stem_with

from exhaustsim.compiled import kept_results_folder
from exhaustsim.engine import exhauststem, network
from exhaustsim.engine.result import FailedRun
from exhaustsim.engine.run import simulate
from exhaustsim.physics import transmission
from exhaustsim.physics.rarefaction import transmission_probability
from exhaustsim.physics.tracedmolecules import TracedMolecules
from exhaustsim.physics.tracedshapes import trace_elbow
from exhaustsim.plant.designfile import DesignFault, load_valve
from exhaustsim.plant.valve import StemSection

FEW = 40_000


def section(kind, bore="3 mm", **keys):
    lines = [f'{key} = "{value}"' for key, value in {"kind": kind, "bore": bore, **keys}.items()]
    return "\n".join(["[[exhaust_stem.section]]", *lines])


BENT = [
    section("tube", length="20 mm"),
    section("elbow", length="20 mm", angle="90 deg"),
    section("tube", length="5 mm"),
    section("pinch", length="5 mm", waist_bore="2 mm", shoulder="2 mm"),
    section("cone", end_bore="2.5 mm", length="5 mm"),
    section("step", bore="2.5 mm", end_bore="2 mm"),
    section("tube", bore="2 mm", length="5 mm"),
]


@pytest.fixture
def valve_file(tmp_path):
    """Writes the demo triode with its exhaust stem as the sections given."""
    from fake_run import DEMO

    text = (DEMO.parent / "valves" / "dt1.toml").read_text(encoding="utf-8")
    lines = text.splitlines(keepends=True)
    at = lines.index("[exhaust_stem]\n")
    straight = [k for k in range(at, at + 3) if lines[k].startswith(("bore", "length"))]

    def write(sections, keep=(), change=("", "")):
        kept = [line for k, line in enumerate(lines) if k not in straight or line.split()[0] in keep]
        body = "".join(kept).replace(*change) if change[0] else "".join(kept)
        end = body.index("# Thermal nodes")
        path = tmp_path / "bent.toml"
        path.write_text(body[:end] + "\n".join(sections) + "\n\n" + body[end:], encoding="utf-8")
        return path

    return write


@pytest.fixture
def few(monkeypatch, tmp_path):
    """Few molecules, kept in a folder of the test's own."""
    monkeypatch.setattr(exhauststem, "MOLECULES", FEW)
    monkeypatch.setattr(exhauststem, "kept_results_folder", lambda: tmp_path / "kept")
    exhauststem._traced.cache_clear()
    yield tmp_path / "kept" / "traced"
    exhauststem._traced.cache_clear()


# Reading


def test_sections_are_read(valve_file):
    stem = load_valve(valve_file(BENT)).exhaust_stem
    assert [s.kind for s in stem.sections] == ["tube", "elbow", "tube", "pinch", "cone", "step", "tube"]
    assert stem.length == pytest.approx(60e-3)
    assert stem.bore == pytest.approx(3e-3)  # at the pip, 8 mm from the bulb
    assert stem.sections[1].angle == pytest.approx(math.pi / 2)
    shape = exhauststem.profile(stem)
    assert shape.lengths == pytest.approx((30e-3, 15e-3, 2e-3, 1e-3, 2e-3, 5e-3, 5e-3))
    assert shape.bends == pytest.approx((math.pi / 2, 0, 0, 0, 0, 0))
    assert shape.start_radii == pytest.approx((1.5e-3, 1.5e-3, 1.5e-3, 1e-3, 1e-3, 1.5e-3, 1e-3))
    assert shape.end_radii == pytest.approx((1.5e-3, 1.5e-3, 1e-3, 1e-3, 1.5e-3, 1.25e-3, 1e-3))


@pytest.mark.parametrize(
    ("sections", "bore"),
    [
        ([section("cone", end_bore="2 mm", length="16 mm"), section("tube", bore="2 mm", length="40 mm")], 2.5e-3),
        ([section("pinch", length="16 mm", waist_bore="1.8 mm", shoulder="3 mm"), section("tube", length="9 mm")], 1.8e-3),
    ],
)
def test_bore_is_the_one_that_is_tipped_off(valve_file, sections, bore):
    assert load_valve(valve_file(sections)).exhaust_stem.bore == pytest.approx(bore)


def test_all_faults_of_sections_are_told_at_once(valve_file):
    sections = [
        section("step", end_bore="3 mm"),
        section("tube", length="-2 mm"),
        section("pinch", bore="2 mm", length="6 mm", waist_bore="2.5 mm", shoulder="4 mm"),
        section("elbow", bore="2 mm", length="1 mm", angle="90 deg"),
        section("elbow", bore="2 mm", length="9 mm", angle="170 deg"),
        section("elbow", bore="2 mm", length="9 mm", angle="0 deg"),
        section("elbo", bore="2 mm", length="9 mm", angle="9 deg"),
        section("cone", bore="2 mm", length="9 mm", angel="9 deg"),
        section("tube", bore="2 mm", length="9 mm"),
        section("tube", bore="2.2 mm", length="9"),
    ]
    with pytest.raises(DesignFault) as refused:
        load_valve(valve_file(sections, keep=("bore",)))
    found = {f.key.removeprefix("exhaust_stem."): f.need for f in refused.value.faults}
    expected = {
        "bore": "contradicts the sections", "section[1].end_bore": "two bores that differ", "section[1]": "on each side",
        "section[2].length": "must be above zero", "section[3].bore": "ends with 3 mm",
        "section[3].waist_bore": "narrower than bore", "section[3].shoulder": "longer than the pinch", "section[4].length": "mitre alone takes 2 mm",
        "section[5].angle": "must be from -120 deg to 120 deg", "section[6].angle": "and not zero",
        "section[7].kind": "no kind of section of that name", "section[8].end_bore": "missing", "section[8].angel": "unknown key",
        "section[10].bore": "ends with 2 mm", "section[10].length": "no unit",
    }  # fmt: skip
    assert found.keys() == expected.keys()
    for key, need in expected.items():
        assert need in found[key]


@pytest.mark.parametrize(
    ("sections", "key", "need"),
    [
        ([section("tube", length="7 mm")], "exhaust_stem.pip_length", "shorter than the exhaust stem"),
        (["section = []"], "exhaust_stem.section", "at least one section"),
        (["section = 3"], "exhaust_stem.section", "tables in double brackets"),
    ],
)
def test_a_row_that_is_no_stem_is_refused(valve_file, sections, key, need):
    with pytest.raises(DesignFault) as refused:
        load_valve(valve_file(sections))
    assert [(f.key, need in f.need) for f in refused.value.faults] == [(key, True)]


def test_a_bore_written_in_another_unit_is_the_same_bore(valve_file, few):
    sections = [section("elbow", bore="2.4 mm", length="20 mm", angle="90 deg"), section("tube", bore="0.24 cm", length="2 cm")]
    stem = load_valve(valve_file(sections)).exhaust_stem
    assert len(exhauststem.profile(stem).lengths) == 2
    exhauststem.straight_tube(stem)


# The straight tube that stands for it


def pieces(*rows):
    return tuple(StemSection(*row) for row in rows)


def test_a_straight_tube_in_sections_is_the_straight_tube(schedules, few):
    """Exactly, and without tracing a molecule."""
    stem = schedules["standard"].valve.exhaust_stem
    halves = replace(stem, sections=pieces(("tube", stem.bore, stem.bore, 0.03), ("tube", stem.bore, stem.bore, 0.03)))
    assert np.array_equal(network.stem_tube(halves), network.tube(stem.bore, stem.length))
    assert not few.exists()


def test_traced_halves_are_the_straight_tube_to_the_error_of_tracing(few):
    """The way a bent stem goes, taken by a straight one: transmission, radius and length come out."""
    shape = exhauststem.Profile((0.03, 0.03), (1.5e-3,) * 2, (1.5e-3,) * 2, (0.0,))
    found, radius = exhauststem.transmission(shape)
    assert radius == 1.5e-3
    assert abs(found.probability - transmission.round_tube(40.0)) < 3.0 * found.standard_error


def test_elbow_is_traced_as_an_elbow(schedules, few):
    stem = replace(schedules["standard"].valve.exhaust_stem, sections=pieces(("elbow", 3e-3, 3e-3, 12e-3, math.pi / 2)))
    straight = exhauststem.straight_tube(stem)
    assert (straight.radius, straight.length) == pytest.approx((1.5e-3, 12e-3), rel=1e-12)
    assert straight.transmission == trace_elbow(6e-3, 6e-3, 1.5e-3, math.pi / 2, molecules=FEW, seed=exhauststem.SEED).probability
    assert straight.transmission < transmission_probability(8.0)


def test_tracing_starts_at_the_narrower_end_and_tells_the_same_from_both(schedules, few):
    there = pieces(("cone", 3e-3, 2e-3, 0.02), ("tube", 2e-3, 2e-3, 0.01))
    back = pieces(("tube", 2e-3, 2e-3, 0.01), ("cone", 2e-3, 3e-3, 0.02))
    stems = [replace(schedules["standard"].valve.exhaust_stem, sections=s) for s in (there, back)]
    one, other = (exhauststem.straight_tube(s) for s in stems)
    assert one == pytest.approx(other, rel=1e-12)
    assert len(list(few.glob("stem-*.json"))) == 1


def test_a_bent_and_pinched_stem_slows_the_run_and_its_ledger_closes(schedules, few):
    standard = schedules["standard"]
    elbow, pinch = ("elbow", 3e-3, 3e-3, 54e-3, math.pi / 2), ("pinch", 3e-3, 3e-3, 6e-3, 0.0, 1.5e-3, 2e-3)
    bent = stem_with(standard, sections=pieces(elbow, pinch))
    straight, slow = simulate(standard), simulate(bent)
    assert slow.outcome.ok
    assert slow.ledger.error < 1e-9
    # At the oven exit gas evolves as before, against 1.46 times the molecular resistance in one of the drops.
    oven_exit = [run.total_bulb_pressure[run.dwell_samples(7)[-1]] for run in (straight, slow)]
    assert 1.1 < oven_exit[1] / oven_exit[0] < 1.46


# Keeping what was traced

SHAPE = exhauststem.Profile((0.02, 0.01), (1.5e-3, 1e-3), (1.5e-3, 1e-3), (0.0,))


@pytest.fixture
def counted(monkeypatch, few):
    """How often molecules are traced."""
    times = []

    def trace(*shape, **options):
        times.append(options)
        return real(*shape, **options)

    real = exhauststem.trace_sections
    monkeypatch.setattr(exhauststem, "trace_sections", trace)
    return times


def again():
    exhauststem._traced.cache_clear()
    return exhauststem.transmission(SHAPE)[0]


def test_traced_once_and_read_after_that(counted, few):
    first = again()
    assert again() == first
    assert len(counted) == 1
    assert exhauststem.transmission(SHAPE._replace(lengths=(0.02, 0.011)))[0] != first
    assert len(counted) == 2


@pytest.mark.parametrize(
    "damage",
    [
        lambda text: text[: len(text) // 2],
        lambda text: "",
        lambda text: "[]",
        lambda text: "null",
        lambda text: text.replace('"transmitted": ', '"transmitted": 1'),
        lambda text: text.replace('"seed": 1', '"seed": 2'),
        lambda text: json.dumps({**json.loads(text), "counts": {}}),
        lambda text: text.replace('"molecules"', '"molecule"'),
    ],
)
def test_a_damaged_file_is_traced_again(counted, few, damage):
    first = again()
    (file,) = few.glob("*.json")
    whole = file.read_text()
    damaged = damage(whole)
    assert damaged != whole
    file.write_text(damaged)
    assert again() == first
    assert len(counted) == 2
    assert file.read_text() == whole


def test_a_file_of_bytes_or_a_folder_in_its_place_does_no_harm(counted, few):
    first = again()
    (file,) = few.glob("*.json")
    file.write_bytes(b"\xff\xfe\x00")
    assert again() == first
    file.unlink()
    file.mkdir()
    assert again() == first
    assert not list(few.glob(".*"))


def test_where_nothing_can_be_kept_it_is_traced_and_no_more_is_said(counted, few, monkeypatch, capfd):
    few.parent.parent.mkdir(exist_ok=True)
    few.parent.write_text("a file where the folder should be")
    first = again()
    assert again() == first
    assert len(counted) == 2
    assert capfd.readouterr() == ("", "")


def test_long_tracing_says_so_once(few, monkeypatch, capfd):
    monkeypatch.setattr(exhauststem, "PATIENCE", 0.0)
    again()
    out, err = capfd.readouterr()
    assert out == ""
    assert err == f"tracing {FEW} molecules through the exhaust stem, once for this shape ...\n"


def test_lost_molecules_are_no_result(few, monkeypatch):
    monkeypatch.setattr(exhauststem, "trace_sections", lambda *_, **__: TracedMolecules(10, 5, 4, 1, 30))
    with pytest.raises(FailedRun, match="1 of 40000 molecules came to no end"):
        again()
    assert not few.exists()


def test_results_lie_beside_the_compiled_code():
    from exhaustsim.compiled import cache_folder

    assert kept_results_folder() == cache_folder().parent
