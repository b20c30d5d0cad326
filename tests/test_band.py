"""The band on a verdict: what is moved, how the runs are laid out, and that its turns are real."""

import contextlib
import io
import itertools
import json
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from fake_run import DEMO, fake_run, with_values
from matplotlib.text import Text

import exhaustsim
from exhaustsim import cli
from exhaustsim.data import published
from exhaustsim.engine.result import FailedRun
from exhaustsim.engine.run import simulate
from exhaustsim.reporting.bandplot import _over_limit, band_picture
from exhaustsim.reporting.canvas import svg
from exhaustsim.reporting.grid import WIDTH
from exhaustsim.reporting.report import report_html
from exhaustsim.reporting.screen import band_text
from exhaustsim.studies import band as band_module
from exhaustsim.studies.band import DESIGN, Band, band, band_of, design
from exhaustsim.studies.comparison import Comparison
from exhaustsim.studies.leasttrusted import CONSTANTS, ENDS, glass_water, ranges, with_moved
from exhaustsim.studies.verdict import judge

NAMES = [constant.name for constant in CONSTANTS]
COUNT = {"standard": 21, "too_fast": 21}


@pytest.fixture(scope="module")
def bands(runs):
    return {name: band_of(judge(runs[name])) for name in ("standard", "too_fast")}


@pytest.fixture
def counted(monkeypatch):
    """Made-up runs in place of simulated ones; gives the valves that were asked for."""
    valves = []

    def made_up(schedule, tolerance, near=()):
        valves.append(schedule.valve)
        return with_values(fake_run(), schedule=schedule)

    monkeypatch.setattr(band_module, "simulate", made_up)
    return valves


# ---- what is moved -------------------------------------------------------------------


def test_ends_are_those_of_the_data_tables(schedules):
    """The demo valve leaves four of the six to the tables and states the tables' value for the others."""
    moved = ranges(schedules["standard"].valve)
    assert [m.name for m in moved] == NAMES
    for m in moved:
        # Of the gas that the row counts as CO, the demo valve gives half a percent as methane.
        close = 6e-3 if m.name == "anode_carbon_monoxide" else 1e-12
        assert (m.low, m.used, m.high) == pytest.approx((m.row.low, m.row.value, m.row.high), rel=close, abs=0.0), m.name
        assert m.low < m.used < m.high


@pytest.mark.parametrize(("name", "down", "up"), [
    ("needle_radius", 2.2, 2.73), ("anode_carbon_monoxide", 5.0, 5.0), ("glass_water", 3.33, 3.0),
    ("carbon_dioxide_appetite", 2.86, 3.0), ("helium_permeability", 10.0, 10.0), ("tip_off_burst", 2.86, 5.0),
])  # fmt: skip
def test_factors_either_way(schedules, name, down, up):
    m = next(m for m in ranges(schedules["standard"].valve) if m.name == name)
    assert (1.0 / m.factor("low"), m.factor("high")) == pytest.approx((down, up), rel=2e-3)


@pytest.mark.parametrize("constant", CONSTANTS, ids=NAMES)
def test_moving_a_constant_moves_it_and_no_other(schedules, constant):
    valve = schedules["standard"].valve
    changed = constant.scaled(valve, 2.5)
    for other in CONSTANTS:
        factor = 2.5 if other is constant else 1.0
        assert other.used(changed) == pytest.approx(factor * other.used(valve), rel=1e-12), other.name
    assert changed.target == valve.target and changed.nodes == valve.nodes


def test_carbon_monoxide_is_moved_in_the_anode_only_and_leaves_its_hydrogen(schedules):
    valve = schedules["standard"].valve
    m = next(m for m in ranges(valve) if m.name == "anode_carbon_monoxide")
    changed = with_moved(valve, {m: "high"})
    for before, after in zip(valve.parts, changed.parts, strict=True):
        if before.name != "anode":
            assert after == before
            continue
        hydrogen, carbon = before.diffusing_gases
        assert after.diffusing_gases[0] == hydrogen
        assert after.diffusing_gases[1].amount == pytest.approx(5.0 * carbon.amount)
        assert dict(after.diffusing_gases[1].gases) == pytest.approx(dict(carbon.gases))
        assert after.first_order_gases == before.first_order_gases


def test_a_stock_of_mixed_gas_keeps_what_is_not_carbon(schedules):
    valve = schedules["standard"].valve
    anode = next(p for p in valve.parts if p.name == "anode")
    mixed = replace(anode.diffusing_gases[1], gases=(("H2", 0.5), ("CO", 0.4), ("CH4", 0.1)))
    valve = replace(valve, parts=(replace(anode, diffusing_gases=(mixed,)),))
    changed = CONSTANTS[1].scaled(valve, 3.0).parts[0].diffusing_gases[0]
    amounts = {gas: changed.amount * share for gas, share in changed.gases}
    expected = {"H2": 0.5, "CO": 1.2, "CH4": 0.3}
    assert amounts == pytest.approx({gas: mixed.amount * share for gas, share in expected.items()})


def test_a_valve_that_states_its_own_value_keeps_the_range_in_proportion(schedules):
    valve = schedules["standard"].valve
    own = replace(valve, coating=replace(valve.coating, needle_radius=0.8e-6))
    m = ranges(own)[0]
    assert m.used == 0.8e-6
    assert (m.low / m.used, m.high / m.used) == pytest.approx((0.5 / 1.1, 3.0 / 1.1))


def test_other_glass_and_carbonised_anode_find_their_own_rows(schedules):
    valve = schedules["standard"].valve
    parts = tuple(replace(p, material="carbonised_nickel") if p.name == "anode" else p for p in valve.parts)
    other = replace(valve, bulb=replace(valve.bulb, glass="borosilicate"), parts=parts)
    rows = {m.name: m.row.name for m in ranges(other)}
    assert rows["helium_permeability"] == "permeation.borosilicate.conductivity"
    assert rows["anode_carbon_monoxide"] == "outgassing.carbonised_nickel_carbon_monoxide"


# ---- how the runs are laid out -------------------------------------------------------


def test_design_is_balanced_orthogonal_and_holds_the_dirtiest_corner():
    signs = np.array(DESIGN)
    assert signs.shape == (8, 6) and set(signs.ravel()) == {-1, 1}
    assert len({tuple(row) for row in DESIGN}) == 8
    assert (signs.sum(axis=0) == 0).all()
    assert (signs.T @ signs == 8 * np.eye(6)).all()
    a, b, c, d, e, f = signs.T
    assert (d == a * b).all() and (e == a * c).all() and (f == b * c).all()
    assert (1,) * 6 in DESIGN


def test_dirtier_end_is_high_save_for_the_appetite(schedules):
    constants = ranges(schedules["standard"].valve)
    dirtiest = {m.name: "low" if m.name == "carbon_dioxide_appetite" else "high" for m in constants}
    assert dirtiest in design(constants)
    assert all(set(row) == set(NAMES) for row in design(constants))


@pytest.mark.parametrize(("count", "rows"), [(1, 2), (2, 4), (3, 8), (5, 8)])
def test_fewer_constants_repeat_no_run(schedules, count, rows):
    plan = design(ranges(schedules["standard"].valve)[:count])
    assert len(plan) == len({tuple(sorted(row.items())) for row in plan}) == rows


def test_twenty_runs_besides_the_nominal_one(counted, schedules):
    said = []
    result = band(schedules["standard"], said.append)
    assert len(counted) == 1 + 2 * 6 + 8
    assert counted[0] == schedules["standard"].valve
    assert len({repr(valve) for valve in counted}) == 21, "two runs with the same valve"
    for constant in CONSTANTS:
        seen = sorted({constant.used(valve) for valve in counted})
        m = next(m for m in result.constants if m.name == constant.name)
        assert seen == pytest.approx([m.low, m.used, m.high])
    assert len(said) == 21 and said[0] == "simulating DT-1 standard"
    assert said[1] == "band of DT-1 standard: run 1 of 20, radius of the carbonate needles 0.50 um"
    assert said[-1] == "band of DT-1 standard: run 20 of 20, all moved together"


def test_a_valve_without_some_of_them_is_run_with_the_rest(counted, schedules):
    schedule = schedules["standard"]
    stem = replace(schedule.valve.exhaust_stem, burst_amount=0.0)
    bare = replace(schedule, valve=replace(schedule.valve, exhaust_stem=stem))
    result = band(bare)
    assert [m.name for m in result.constants] == NAMES[:5]
    assert len(counted) == 1 + 2 * 5 + 8
    assert "each of the five constants" in result.sentence


# ---- real runs -----------------------------------------------------------------------


@pytest.mark.parametrize("name", ["standard", "too_fast"])
def test_nominal_is_the_plain_run(bands, runs, name):
    verdict = judge(runs[name])
    for check in verdict.targets:
        assert bands[name].targets[check.name].nominal == check.value
        assert bands[name].targets[check.name].limit == check.limit
    assert bands[name].nominal.passes == verdict.passes
    assert bands[name].nominal.meets_target == verdict.meets_target
    assert len(bands[name].cases) == COUNT[name]


@pytest.mark.parametrize("name", ["standard", "too_fast"])
def test_ranges_hold_every_run(bands, name):
    result = bands[name]
    for key, target in result.targets.items():
        values = [case.values[key] for case in result.cases]
        assert (target.low, target.high) == (min(values), max(values))
        assert target.low <= target.alone[0] <= target.nominal <= target.alone[1] <= target.high
        assert target.missed == sum(target.what in case.missed for case in result.cases)


def test_coarser_needles_are_left_less_converted(bands):
    result = bands["too_fast"]
    fraction = [result.single("needle_radius", end).values["converted_fraction"] for end in ENDS]
    assert fraction[0] > result.nominal.values["converted_fraction"] > fraction[1]
    assert result.targets["converted_fraction"].mover == "needle_radius"


def test_more_helium_through_the_glass_raises_the_pressure_after_life_alone(bands):
    result = bands["standard"]
    life = [result.single("helium_permeability", end).after_life for end in ENDS]
    assert life[0] < result.nominal.after_life < life[1]
    # Ten times the helium against a tenth of it: the sealed air is the same, so the rise is as good as all of it.
    rise = (life[1] - result.nominal.after_life) / (result.nominal.after_life - life[0])
    assert rise == pytest.approx(10.0, rel=0.05)  # (10 - 1)/(1 - 0.1); the glass fills with a lag that is the same in all
    assert result.after_life.mover == "helium_permeability"


def test_a_larger_burst_spends_more_barium(bands):
    for name in ("standard", "too_fast"):
        result = bands[name]
        spent = [result.single("tip_off_burst", end).values["barium_spent"] for end in ENDS]
        assert spent[0] < result.nominal.values["barium_spent"] < spent[1]


def test_more_appetite_spends_less_of_the_barium(bands):
    result = bands["too_fast"]  # where CO2 is what spends it
    spent = [result.single("carbon_dioxide_appetite", end).values["barium_spent"] for end in ENDS]
    assert spent[0] > result.nominal.values["barium_spent"] > spent[1]


def test_more_carbon_monoxide_in_the_anode_spends_more_barium(bands):
    result = bands["standard"]
    spent = [result.single("anode_carbon_monoxide", end).values["barium_spent"] for end in ENDS]
    assert spent[0] < result.nominal.values["barium_spent"] < spent[1]


def test_too_fast_says_that_it_hangs_on_the_needle_radius(bands):
    """Fine needles convert nearly all: the targets turn, though a cold bake still stops the schedule."""
    result = bands["too_fast"]
    fine = result.single("needle_radius", "low")
    assert not result.nominal.meets_target and fine.meets_target
    assert [(f.constant, f.end, f.to) for f in result.flips if f.constant == "needle_radius" and f.end == "low"] == [
        ("needle_radius", "low", "passes" if fine.passes else "met")
    ]
    assert "radius of the carbonate needles 0.50 um" in result.sentence


@pytest.mark.parametrize("name", ["standard", "too_fast"])
def test_turns_are_real(bands, schedules, name):
    """Each end that turns the verdict, and its opposite end, run again by hand through the valve's own fields."""
    result, schedule = bands[name], schedules[name]
    assert result.flips
    for flip in result.flips:
        value = getattr(result.moved(flip.constant), flip.end)
        verdict = judge(simulate(replace(schedule, valve=by_hand(schedule.valve, flip.constant, value))))
        assert verdict.passes == flip.case.passes and verdict.meets_target == flip.case.meets_target
        nominal = result.nominal
        assert (verdict.passes, verdict.meets_target) != (nominal.passes, nominal.meets_target)
        for check in verdict.targets:
            # The lines settle to a thousandth, from wherever they begin; the band begins at the nominal run.
            assert check.value == pytest.approx(flip.case.values[check.name], rel=1e-3)


def by_hand(valve, constant, value):
    """The valve with the needle radius or the water on its glass set to `value`."""
    if constant == "needle_radius":
        return replace(valve, coating=replace(valve.coating, needle_radius=value))
    assert constant == "glass_water", f"write {constant} down here"
    glass = next(p for p in valve.parts if p.name == "bulb_glass")
    wet = replace(glass, surface_gases=(replace(glass.surface_gases[0], amount=value * valve.bulb.area),))
    return replace(valve, parts=tuple(wet if p is glass else p for p in valve.parts))


def test_water_turns_the_standard_schedule_by_the_water_left(bands):
    """Three times the water in the same oven leaves more than the limit on the glass."""
    result = bands["standard"]
    assert result.nominal.passes
    wet = result.single("glass_water", "high")
    assert wet.meets_target and wet.stops == ("cold bake",)
    assert "surface water left on the glass" in wet.figures
    assert not result.holds and "not sure" in result.sentence


# ---- words and data ------------------------------------------------------------------


def test_words_when_nothing_turns(counted, schedules):
    result = band(schedules["standard"])
    assert result.holds and not result.flips
    assert result.sentence == (
        "DT-1 standard passes at both ends of each of the six constants trusted least, and in all 8 runs with them moved together."
    )
    assert {row[2] for row in result.constant_rows()[1:]} == {"the same"}
    assert {row[6] for row in result.text_rows()[1:]} == {"none of them"}


def test_words_when_a_verdict_turns_to_pass(monkeypatch, schedules):
    """A made-up valve that converts only with fine needles."""
    used = schedules["standard"].valve.coating.needle_radius

    def made_up(schedule, tolerance, near=()):
        run = fake_run()
        share = 1.0 if schedule.valve.coating.needle_radius < 0.9 * used else 0.9
        return with_values(run, schedule=schedule, converted_fraction=share * run.converted_fraction)

    monkeypatch.setattr(band_module, "simulate", made_up)
    result = band(schedules["standard"])
    assert [(f.constant, f.end, f.what, f.to) for f in result.flips] == [("needle_radius", "low", "verdict", "passes")]
    assert result.sentence == (
        "DT-1 standard fails, but the verdict is not sure: it turns at radius of the carbonate needles 0.50 um, where it passes; "
        "with all six moved together 4 of 8 runs pass."
    )
    assert result.constant_rows()[1][2] == "TURNS: passes"
    assert result.targets["converted_fraction"].missed == 21 - 5


def test_json_is_plain_and_complete(bands):
    data = json.loads(json.dumps(bands["too_fast"].to_json(), allow_nan=False))
    assert data["runs"] == 21 and len(data["together"]["runs"]) == 8 and len(data["constants"]) == 6
    assert data["flips"] and data["flips"][0]["constant"] == "needle_radius"
    for one in data["constants"]:
        row = published.row(one["row"])
        assert one["low"] < one["used"] < one["high"] and (one["standing"], one["source"]) == (row.standing, row.source)
        assert one["at_low"]["ends"] == {one["name"]: "low"}
    for one in data["targets"]:
        assert one["low"] <= one["nominal"] <= one["high"] and one["limit"] > 0.0


def test_text_fits_the_page_and_tells_the_unit_asked_for(bands):
    text = band_text(bands["too_fast"])
    assert max(map(len, text.splitlines())) <= WIDTH
    count = f"{bands['too_fast'].targets['converted_fraction'].missed} of 21"
    for words in ("missed", count, "0.50 / 1.1 / 3.0 um", "sealed pressure after life"):
        assert words in text, words
    other = replace(bands["standard"], pressure_unit="mbar")
    pressures = [cell for row in other.text_rows()[1:] if "pressure" in row[0] for cell in row[1:4]]
    assert pressures and all(cell.endswith(" mbar") for cell in pressures)
    low = bands["standard"].targets["bulb_pressure"].low
    assert float(pressures[0].split()[0]) == pytest.approx(0.01 * low, rel=0.05)


def test_notebook_view_is_escaped(bands):
    nasty = replace(bands["standard"], schedule=replace(bands["standard"].schedule, name="<script>&"))
    text = nasty._repr_html_()
    assert "<script>" not in text and "&lt;script&gt;&amp;" in text
    opened = []

    class Reader(HTMLParser):
        def handle_starttag(self, tag, attributes):
            opened.append(tag)

        def handle_endtag(self, tag):
            assert opened.pop() == tag

    Reader().feed(text)
    assert not opened


# ---- pictures, report, command -------------------------------------------------------


def test_picture_shows_ranges_against_limits(bands):
    result = bands["too_fast"]
    figure = band_picture(result)
    (axes,) = figure.axes
    texts = [t.get_text() for t in axes.texts]
    for target in result.targets.values():
        assert target.what in texts
    marks = [line for line in axes.lines if line.get_marker() == "D"]
    assert len(marks) == len(result.targets)
    for (name, target), mark in zip(result.targets.items(), marks, strict=True):
        beyond = _over_limit(name, target, target.nominal) > 1.0
        assert (mark.get_markerfacecolor() != "white") == beyond == ((name, target.nominal) in missed(result))
        assert mark.get_xdata()[0] == pytest.approx(_over_limit(name, target, target.nominal))
    assert svg(band_picture(result)) == svg(figure)


def missed(result):
    return {(name, t.nominal) for name, t in result.targets.items() if t.what in result.nominal.missed}


def test_texts_of_the_picture_do_not_touch(bands):
    for result in bands.values():
        figure = band_picture(result)
        figure.canvas.draw()
        boxes = [t.get_window_extent() for t in figure.axes[0].texts if t.get_text()]
        for one, other in itertools.combinations(boxes, 2):
            assert not one.overlaps(other)
        assert min(b.x0 for b in boxes) > 0.0 and max(b.x1 for b in boxes) < figure.bbox.x1


def test_report_has_a_section_only_when_there_are_bands(bands):
    verdict = judge(fake_run())
    plain = report_html(Comparison((verdict,)))
    assert "How sure the verdicts are" not in plain
    with_bands = report_html(Comparison((verdict,), "Pa", (bands["standard"],)))
    assert with_bands.index("How sure the verdicts are") < with_bands.index("<h3>Flags")
    assert with_bands.count("<img") == plain.count("<img") + 1
    assert "D = AB, E = AC, F = BC" in with_bands


def run_command(*words):
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        code = cli.main(list(words))
    return code, out.getvalue()


def test_command_gives_the_band_when_asked(counted, monkeypatch):
    monkeypatch.setattr("exhaustsim.studies.comparison.simulate", lambda schedule, tolerance: with_values(fake_run(), schedule=schedule))
    standard = str(DEMO / "dt1_standard.toml")
    for command in ("compare", "run"):
        code, text = run_command(command, standard, "--band")
        assert code == 0 and "How sure" in text and "constant moved alone" in text
        code, text = run_command(command, standard)
        assert code == 0 and "How sure" not in text
        told = json.loads(run_command(command, standard, "--band", "--json")[1])
        one = told[0] if command == "compare" else told
        assert one["band"]["runs"] == 21
        plain = json.loads(run_command(command, standard, "--json")[1])
        assert "band" not in (plain[0] if command == "compare" else plain)
    assert len(counted) == 4 * 20, "a run that was there already was made again, or one was left out"


def test_interrupt_ends_the_command(monkeypatch, capsys):
    monkeypatch.setattr("exhaustsim.studies.comparison.simulate", lambda schedule, tolerance: fake_run())

    def interrupted(schedule, tolerance, near=()):
        raise KeyboardInterrupt

    monkeypatch.setattr(band_module, "simulate", interrupted)
    assert cli.main(["run", str(DEMO / "dt1_standard.toml"), "--band"]) == 130
    assert "Interrupted" in capsys.readouterr().err


# ---- bad input -----------------------------------------------------------------------


@pytest.mark.parametrize("wrong", ["dt1_standard.toml", None, 3.0])
def test_what_is_not_a_schedule_is_refused(wrong):
    with pytest.raises(TypeError, match="needs a Schedule, not .*load_schedule"):
        exhaustsim.band(wrong)


def test_tolerance_out_of_range_is_refused(schedules):
    with pytest.raises(ValueError, match="tolerance"):
        band(schedules["standard"], tolerance=1.0)


def test_a_run_that_fails_is_named(monkeypatch, schedules):
    used = glass_water(schedules["standard"].valve)

    def made_up(schedule, tolerance, near=()):
        if glass_water(schedule.valve) > 2.0 * used:
            raise FailedRun("no periodic state")
        return with_values(fake_run(), schedule=schedule)

    monkeypatch.setattr(band_module, "simulate", made_up)
    with pytest.raises(FailedRun, match=r"band of DT-1 standard, with water on the bulb glass 0\.30 Pa L/cm2: no periodic state"):
        band(schedules["standard"])


def test_names_are_offered():
    assert exhaustsim.band is band and exhaustsim.Band is Band


def test_shares_are_told_in_per_cent_in_table_and_picture(bands):
    """Not as 0.9624: of what is nearly all, what is left has two figures."""
    result = bands["too_fast"]
    rows = {row[0]: row[1:5] for row in result.text_rows()}
    assert rows["converted fraction"] == ("62%", "96.2%", "100%", "99.5%")
    assert rows["barium spent"] == ("1.7%", "31%", "100%", "15%")
    told = " ".join(text.get_text() for text in band_picture(result).findobj(Text))
    assert "62%" in told and "1.7%" in told and "0.62" not in told
