"""Side by side: the answer, the table and the data, on made-up runs."""

import json
from dataclasses import replace

import numpy as np
import pytest
from fake_run import DEMO, fake_run, opening_time, with_values

from exhaustsim.engine.result import FailedRun
from exhaustsim.plant.faults import DesignFault
from exhaustsim.reporting.grid import WIDTH, grid
from exhaustsim.reporting.screen import comparison_text, run_text
from exhaustsim.studies import comparison as comparison_module
from exhaustsim.studies.comparison import Comparison, compare
from exhaustsim.studies.explanation import explain
from exhaustsim.studies.positions import position_rows
from exhaustsim.studies.verdict import judge

KEYS = {
    "schedule", "meets_target", "target_pressure", "tip_off", "sealed", "converted_fraction", "barium_spent_fraction",
    "index_time_s", "valves_per_hour", "peak_bulb_pressure_pa", "flags", "ledger_error",
}  # fmt: skip


def named(run, name, index_time=None):
    schedule = replace(run.schedule, name=name, index_time=index_time or run.schedule.index_time)
    return with_values(run, schedule=schedule)


def unfinished(run):
    start = opening_time(run.schedule, 10)
    converted = np.interp(run.time, [start, start + 25.0], [0.0, 0.93])
    return with_values(run, converted_fraction=converted, barium_spent=0.55 * (run.stage >= 3))


@pytest.fixture(scope="module")
def three():
    good = fake_run()
    hot = good.temperature.copy()
    hot[good.position == 12, good.node_names.index("cathode_sleeve")] = 1440.0
    faster = named(with_values(good, temperature=hot), "faster", 12.5)
    return Comparison(tuple(judge(r) for r in (named(good, "standard", 15.0), faster, named(unfinished(good), "too fast"))))


def test_the_quickest_that_passes_is_the_answer(three):
    assert three.best() == 1
    assert three.answer == (
        "faster is the quickest that meets every target (12.5 s index, 288 valves per hour, 20% more than standard), "
        "and warns of cathode over temperature; too fast meets its target bulb pressure (0.012 Pa against 0.050 Pa) and "
        "still fails: converted fraction on leaving the pump 93% (3.0 Pa L of CO2 left in the coating) and barium spent 55% against 15%."
    )


def test_nothing_passes(three):
    alone = Comparison((three.verdicts[2], three.verdicts[2]))
    assert alone.best() is None
    assert alone.answer.startswith("No schedule for DT-1 will do; too fast meets its target bulb pressure")


def test_valves_are_answered_one_by_one(three):
    run = three.verdicts[0].run
    other = with_values(run, schedule=replace(run.schedule, name="other", valve=replace(run.schedule.valve, name="DX-9")))
    mixed = Comparison((*three.verdicts, judge(other)))
    assert mixed.valves == ["DT-1", "DX-9"]
    assert "; other is the quickest that meets every target" in mixed.answer
    assert mixed.best("DX-9") == 3


def test_the_table_has_a_row_for_each_schedule(three):
    rows = three.table()
    assert [row["schedule"] for row in rows] == ["standard", "faster", "too fast"]
    assert [row["verdict"] for row in rows] == ["passes", "warns", "fails"]
    assert [row["quickest"] for row in rows] == [False, True, False]
    assert rows[2]["worst_flag"] == "incomplete_breakdown"
    assert rows[0]["valves_per_hour"] == pytest.approx(240.0)
    assert list(three.dataframe().index) == [row["schedule"] for row in rows]


def test_json_has_the_promised_keys_and_no_nan(three):
    data = json.loads(json.dumps(three.to_json(), allow_nan=False))
    for one in data:
        assert KEYS <= set(one)
    failing = data[2]
    assert not failing["meets_target"]
    assert failing["carbon_dioxide_left_pa_l"] == pytest.approx(0.07 * 43.0, rel=0.02)
    assert set(failing["target_pressure"]) == {"bulb_pressure_pa", "limit_pa", "air_share_pa", "judged_at"}
    assert {"name", "level", "position", "time_s", "value", "limit", "unit", "remedy"} <= set(failing["flags"][0])
    assert sum(failing["tip_off"]["by_gas"].values()) == pytest.approx(failing["tip_off"]["bulb_pressure_pa"])


def test_the_peak_leaves_out_the_gulp_and_counts_the_blanked_port(three):
    assert three.verdicts[0].to_json()["peak_bulb_pressure_pa"] == pytest.approx(180.0)


def test_the_screen_shows_the_answer_first_and_keeps_its_width(three):
    long_names = Comparison(tuple(judge(named(v.run, v.name + " with a long name of its own"), "micron_hg") for v in three.verdicts))
    for comparison in (three, long_names):
        text = comparison_text(comparison)
        lines = text.splitlines()
        assert max(map(len, lines)) <= WIDTH
        assert " ".join(text.split("\n\n")[0].split()) == comparison.answer
        assert "Try: raise the last heater steps" in " ".join(text.split())
    for verdict in three.verdicts:
        assert max(map(len, run_text(explain(verdict)).splitlines())) <= WIDTH


def test_html_escapes_names(three):
    odd = Comparison((judge(named(three.verdicts[0].run, "<b>1 & 2")),))
    assert "<b>1 & 2" not in odd._repr_html_()
    assert "&lt;b&gt;1 &amp; 2" in odd._repr_html_()


def test_grid_wraps_only_what_it_may():
    text = grid([("name", "a heading", "words"), ("x", "1.0", "word " * 40)], left=(0, 2))
    assert max(map(len, text.splitlines())) <= WIDTH
    assert sum("word" in line for line in text.splitlines()[1:]) > 1


def test_position_rows_follow_the_histories(three):
    run = three.verdicts[0].run
    rows = position_rows(run)
    assert [row.position for row in rows] == list(range(1, 17))
    assert rows[0].blanked_peak is None
    assert rows[2].line_mean == pytest.approx(run.total_line_pressure[run.dwell_samples(3)].mean(), rel=0.02)
    assert rows[10].blanked_peak == pytest.approx(180.0)
    assert rows[10].line == "F2"
    assert rows[11].cathode == pytest.approx(run.node("cathode_sleeve")[run.dwell_samples(12)].max())


def test_compare_reads_simulates_and_judges(monkeypatch):
    seen = []
    monkeypatch.setattr(comparison_module, "simulate", lambda schedule, tolerance: fake_run(schedule))
    result = compare([DEMO / "dt1_standard.toml", replace(fake_run().schedule, name="DT-1 again")], progress=seen.append, pressure_unit="mbar")
    assert [v.name for v in result.verdicts] == ["DT-1 standard", "DT-1 again"]
    assert seen == ["simulating DT-1 standard (1 of 2)", "simulating DT-1 again (2 of 2)"]
    assert result.verdicts[0].pressure_unit == "mbar"


def test_a_failed_run_is_named(monkeypatch):
    def fail(schedule, tolerance):
        raise FailedRun("The gas ledger is open.")

    monkeypatch.setattr(comparison_module, "simulate", fail)
    with pytest.raises(FailedRun, match="^DT-1 standard: The gas ledger is open"):
        compare([DEMO / "dt1_standard.toml"])


def test_faults_of_all_files_come_back_before_anything_is_simulated(monkeypatch, tmp_path):
    monkeypatch.setattr(comparison_module, "simulate", lambda *_: pytest.fail("simulated"))
    paths = [tmp_path / "a.toml", tmp_path / "b.toml"]
    for path in paths:
        path.write_text('name = "x"\nindex_time = "12"\n', encoding="utf-8")
    with pytest.raises(DesignFault) as caught:
        compare([DEMO / "dt1_standard.toml", *paths])
    assert {f.file for f in caught.value.faults} == {str(p) for p in paths}


def test_nothing_to_compare_is_refused():
    with pytest.raises(ValueError, match="no schedule"):
        compare([])


def test_namesakes_are_refused_with_both_files_and_the_cure(monkeypatch, tmp_path):
    monkeypatch.setattr(comparison_module, "simulate", lambda *_: pytest.fail("simulated"))
    copy = tmp_path / "changed.toml"
    text = (DEMO / "dt1_standard.toml").read_text(encoding="utf-8")
    copy.write_text(text.replace("../", f"{DEMO.parent}/").replace('index_time = "12 s"', 'index_time = "13 s"'), encoding="utf-8")
    with pytest.raises(DesignFault) as caught:
        compare([DEMO / "dt1_standard.toml", DEMO / "dt1_faster.toml", copy])
    (fault,) = caught.value.faults
    assert (fault.file, fault.key, fault.given) == (str(copy), "name", '"DT-1 standard"')
    assert str(DEMO / "dt1_standard.toml") in fault.need and fault.cure == "give one of the two another name"
    with pytest.raises(DesignFault, match="a schedule described in Python has the same name"):
        compare([replace(fake_run().schedule, source=""), fake_run().schedule])


def test_words_of_a_table_are_not_broken_while_there_is_room():
    rows = [("name", *"abcdefghi", "worst flag")] + [("a schedule of many words " * 2, *["1234567"] * 9, "bulb over temperature")]
    text = grid(rows, left=(0, 10))
    assert "temperature" in text and max(map(len, text.splitlines())) <= WIDTH
