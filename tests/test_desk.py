"""The desk of the process engineer, driven without a browser by setting values.

Expected values come from elsewhere in the package, which has its own outside checks: the desk holds no physics, so what
it shows must be what `simulate` and `judge` give for the same schedule.  Agreement of the draft with the full
answer is measured, and its limits are stated where they are asserted.
"""

import io
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("ipywidgets")
from PIL import Image

from exhaustsim.engine.draft import draft, is_draft
from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.faults import DesignFault
from exhaustsim.plant.trial import Trial
from exhaustsim.reporting.widgets import comparedesk
from exhaustsim.reporting.widgets.comparedesk import CompareDesk
from exhaustsim.reporting.widgets.livepicture import LivePicture
from exhaustsim.reporting.widgets.worker import LatestWins, Stopped
from exhaustsim.studies.leasttrusted import CONSTANTS, ranges
from exhaustsim.studies.verdict import judge

DEMO = Path(__file__).parent.parent / "demo_data"

# Widgets without a kernel close their comms when collected.
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    return CompareDesk(DEMO, schedule="dt1_standard.toml", out=tmp_path_factory.mktemp("out"), threaded=False)


@pytest.fixture
def desk(shared):
    """A desk back at the DT-1 standard schedule."""
    standard = str(DEMO / "schedules" / "dt1_standard.toml")
    shared.unit.value = "Pa"
    if shared.schedule.value != standard:
        shared.schedule.value = standard
    shared.reset()
    shared.pages.clear_kept()
    shared.pages.turn_to("positions")
    assert shared.alerts == ""
    return shared


def heater_step(schedule, position, volts):
    settings = list(schedule.positions)
    settings[position - 1] = replace(settings[position - 1], heater_voltage=volts)
    return replace(schedule, positions=tuple(settings))


# ---- draft ---------------------------------------------------------------------------


def test_a_draft_is_near_the_full_answer_and_says_that_it_is_one(schedules, runs):
    changed = heater_step(schedules["standard"], 10, 8.82)
    rough, full = draft(changed, runs["standard"]), simulate(changed)
    assert is_draft(rough) and not is_draft(full)
    assert rough.ledger.error < 1e-10
    open_port = full.port_open & (full.position > 1)
    apart = np.abs(rough.total_bulb_pressure / full.total_bulb_pressure - 1.0)[open_port]
    # Measured: median 2e-4, worst 8 % in the steep fall after breakdown.
    assert np.median(apart) < 2e-3 and apart.max() < 0.15
    assert judge(rough).word == judge(full).word


def test_a_draft_at_another_index_time_stretches_the_lines_known(schedules, runs):
    quicker = replace(schedules["too_fast"], index_time=6.4)
    rough, full = draft(quicker, runs["too_fast"]), simulate(quicker)
    end = [full.end_of(p) for p in range(2, 16)]
    apart = np.abs(np.log(rough.total_bulb_pressure[end] / full.total_bulb_pressure[end]))
    assert apart.max() < 0.3  # the lines carry 7 % more time for the same gas; a draft leaves that out


def test_a_draft_on_other_lines_is_refused(runs):
    with pytest.raises(ValueError, match="same pumping lines"):
        draft(load_schedule(DEMO / "schedules" / "dp2_standard.toml"), runs["standard"])


# ---- worker --------------------------------------------------------------------------


def test_the_newest_value_wins_and_old_work_is_given_up():
    seen, given_up, started = [], [], threading.Event()

    def work(value, check):
        started.set()
        for _ in range(200):
            time.sleep(0.005)
            check()
        seen.append(value)

    worker = LatestWins(work, seen.append, lambda: given_up.append(1), threaded=True)
    worker.post(1)
    started.wait(5.0)
    for value in range(2, 11):
        worker.post(value)
    assert worker.wait(20.0)
    assert seen == [10] and given_up


def test_cancel_ends_the_work_and_leaves_the_worker_usable():
    seen, started = [], threading.Event()

    def work(value, check):
        started.set()
        if value == "long":
            check.rest(30.0)
        seen.append(value)

    worker = LatestWins(work, seen.append, threaded=True)
    worker.post("long")
    started.wait(5.0)
    worker.cancel()
    assert worker.wait(20.0), "the work would have taken 30 s"
    worker.post("short")
    assert worker.wait(5.0) and seen == ["short"]


def test_errors_of_the_work_are_told_not_lost():
    told = []
    worker = LatestWins(lambda value, check: 1 / value, told.append, threaded=False)
    worker.post(0)
    assert isinstance(told[0], ZeroDivisionError)


def test_overtaken_work_stops_in_the_middle_of_a_simulation(schedules):
    passes = []

    def check():
        passes.append(1)
        raise Stopped

    with pytest.raises(Stopped):
        simulate(schedules["standard"], between_passes=check)
    assert len(passes) == 1


# ---- the desk ------------------------------------------------------------------------


def test_the_desk_shows_what_simulate_and_judge_give(desk, runs):
    assert desk.verdict.sentence == judge(runs["standard"]).sentence
    assert desk.verdict.sentence in desk.said.value
    assert Image.open(io.BytesIO(bytes(desk.picture.value))).size == (900, 450)
    assert 'data-draft="false"' in desk.said.value


def test_a_slider_changes_schedule_picture_and_verdict(desk):
    before, drafts = bytes(desk.picture.value), desk.drafts
    assert desk.settings.position.value == 9
    desk.settings.heater.slider.value = 5.35
    assert desk.settings.heater.entry.value == "5.35 V"
    assert bytes(desk.picture.value) != before and desk.drafts == drafts + 1
    expected = replace(heater_step(load_schedule(desk.trial.path), 9, 5.35), name="DT-1 standard (edited)")
    assert desk.verdict.run.schedule.positions == expected.positions
    assert desk.verdict.sentence == judge(simulate(expected)).sentence


def test_what_the_browser_sends_back_is_nobodys_change(desk):
    """The handle stands on a step near 4.36 V, and the front end sends that place back; the setting must stay 4.36 V."""
    heater = desk.settings.heater
    placed = heater.slider.value
    assert placed == pytest.approx(4.35) and heater.entry.value == "4.36 V"
    heater.slider.value = placed + 1e-12
    assert heater.entry.value == "4.36 V" and not desk.trial.changed


def test_index_time_takes_the_flash_with_it_and_says_so(desk):
    desk.settings.index_time.entry.value = "10"
    assert desk.settings.index_time.entry.value == "10 s"
    flash = desk.verdict.run.schedule.positions[13]
    assert flash.rf.start + flash.rf.duration == pytest.approx(10.0 - 1.2)
    assert "position 14" in desk.settings.notes.value and desk.alerts == ""
    desk.settings.index_time.entry.value = "1 s"  # no dwell is left
    assert "transfer time" in desk.settings.index_time.note.value
    desk.settings.index_time.entry.value = "12 s"
    assert desk.alerts == "" and desk.verdict.run.schedule.positions[13].rf.duration == pytest.approx(8.8)


def test_a_bad_value_is_told_beside_its_field_and_the_last_picture_stays(desk):
    good, verdict = bytes(desk.picture.value), desk.verdict
    desk.settings.heater.entry.value = "5 W"
    assert 'role="alert"' in desk.settings.heater.note.value and "voltage" in desk.settings.heater.note.value
    assert bytes(desk.picture.value) == good and desk.verdict is verdict
    assert "not calculated" in desk.status.value
    desk.settings.heater.entry.value = "4.36 V"
    assert desk.alerts == ""


def test_a_fault_at_another_position_says_where(desk):
    desk.settings.heater.entry.value = "5 W"
    desk.settings.position.value = 3
    assert desk.settings.heater.note.value == ""
    assert "position 9" in desk.settings.notes.value


def test_rf_watts_keep_their_split_and_rf_seconds_are_checked(desk):
    desk.settings.position.value = 8
    before = load_schedule(desk.trial.path).positions[7].rf.power
    desk.settings.rf_power.entry.value = "50 W"
    after = desk.verdict.run.schedule.positions[7].rf.power
    assert sum(after.values()) == pytest.approx(50.0, rel=1e-3)
    assert after["grids"] / after["anode"] == pytest.approx(before["grids"] / before["anode"], rel=1e-3)
    desk.settings.rf_duration.entry.value = "20 s"
    assert "dwell" in desk.settings.rf_duration.note.value
    desk.settings.rf_duration.entry.value = "5 s"
    assert desk.alerts == "" and desk.verdict.run.schedule.positions[7].rf.duration == 5.0
    desk.settings.rf_power.entry.value = "0"
    assert desk.verdict.run.schedule.positions[7].rf is None


def test_line_oven_and_work_of_a_position(desk):
    desk.settings.line.value = "F1"
    desk.settings.oven.value = True
    desk.settings.action.value = "spark_test"
    assert "already stands at position 2" in desk.settings.notes.value
    desk.settings.action.value = ""
    machine = desk.verdict.run.schedule.machine
    assert machine.line_of_position[9] == "F1" and 9 in machine.oven_positions and machine.name == "RX16 (edited)"


def test_a_position_without_a_coil_hides_its_rf_fields(desk):
    desk.settings.position.value = 3
    assert desk.settings.rf_power.layout.visibility == "hidden"
    desk.settings.position.value = 8
    assert desk.settings.rf_power.layout.visibility == "visible"


@pytest.mark.parametrize("constant", CONSTANTS, ids=lambda c: c.name)
def test_a_constant_is_moved_and_put_back(desk, constant):
    slider = desk.constants.sliders[constant.name]
    used = constant.used(load_schedule(desk.trial.path).valve)
    (span,) = [r for r in ranges(desk.verdict.run.schedule.valve) if r.name == constant.name]
    slider.slider.value = slider.slider.base**slider.slider.max
    moved = constant.used(desk.verdict.run.schedule.valve)
    # The high end of its range in the tables, in proportion about the value that the valve uses.
    assert moved == pytest.approx(used * span.row.high / span.row.value, rel=2e-3, abs=0.0)
    assert slider.entry.value.endswith(span.row.unit) or span.row.unit == "1"
    assert desk.verdict.name.endswith("(constants moved)")
    desk.constants.reset()
    assert constant.used(desk.verdict.run.schedule.valve) == used


def test_a_constant_that_cannot_be_used_is_told_beside_its_slider(desk):
    slider = desk.constants.sliders["needle_radius"]
    good = bytes(desk.picture.value)
    slider.entry.value = "-1 um"
    assert "above zero" in slider.note.value and bytes(desk.picture.value) == good
    desk.constants.reset()
    assert desk.alerts == ""


def test_units_are_a_matter_of_showing(desk):
    full = desk.full_answers
    desk.unit.value = "mbar"
    assert "9.9e-5 mbar against 5.0e-4 mbar" in desk.said.value and desk.full_answers == full + 1
    desk.unit.value = "umHg"
    assert "micron" in desk.pages.positions.value


def test_every_page_is_filled_when_it_is_looked_at(desk):
    pages = desk.pages
    for name in pages.names:
        pages.turn_to(name)
    assert "Gas ledger" in pages.ledger.value and "margin" in pages.margins.value and "MISSED" not in pages.targets.value
    for picture in (pages.temperatures, pages.ledger_picture):
        assert Image.open(io.BytesIO(bytes(picture.value))).size == (900, 450)
    assert desk.alerts == ""


def test_up_to_four_schedules_side_by_side(desk):
    desk.pages.keep_all.click()
    assert [v.name for v in desk.pages.kept] == ["DT-1 faster", "DT-1 standard", "DT-1 too fast"]
    assert "DT-1 faster is the quickest that meets every target" in desk.pages.compared.value
    desk.settings.heater.entry.value = "5 V"
    desk.pages.keep.click()
    assert [v.name for v in desk.pages.kept][3] == "DT-1 standard (edited)"
    desk.settings.heater.entry.value = "5.2 V"
    desk.pages.keep.click()
    assert "clear the comparison" in desk.pages.said.value and len(desk.pages.kept) == 4
    desk.pages.clear.click()
    assert desk.pages.kept == []


def test_the_band_comes_with_progress_and_can_be_cancelled(tmp_path):
    desk = CompareDesk(DEMO, schedule="dt1_standard.toml", out=tmp_path, threaded=True)
    assert desk.wait()
    desk.pages.find_band.click()
    until = time.monotonic() + 20.0
    while desk.pages.bar.value < 2 and time.monotonic() < until:
        time.sleep(0.01)
    assert desk.pages.bar.value >= 2 and not desk.pages.stop.disabled and desk.pages.find_band.disabled
    desk.pages.stop.click()
    assert desk.pages.wait(20.0)
    assert "cancelled" in desk.pages.said.value and desk.pages.band is None and not desk.pages.find_band.disabled
    for volts in (4.6, 4.7, 4.8, 4.9, 5.0, 5.1, 5.2, 5.3, 5.4, 5.5):
        desk.settings.heater.slider.value = volts
    assert desk.wait()
    assert desk.verdict.run.schedule.positions[8].heater_voltage == 5.5 and desk.alerts == ""
    assert bytes(desk.picture.value) == LivePicture().full(desk.verdict.run, "Pa")  # that of the last value


def test_the_band_at_the_desk_is_the_band(desk):
    desk.pages.start_band()
    assert desk.pages.band.sentence in desk.pages.band_said.value and len(desk.pages.band.cases) == 21
    assert desk.pages.band_picture.children


def test_save_report_and_card(desk, tmp_path):
    desk.out = tmp_path / "new"
    desk.settings.heater.entry.value = "5 V"
    desk.settings.line.value = "F1"
    desk.pages.place.value = str(tmp_path / "new" / "mine.toml")
    desk.pages.save.click()
    saved = load_schedule(tmp_path / "new" / "mine.toml")
    shown = desk.verdict.run.schedule
    assert saved.positions == shown.positions and saved.machine.line_of_position == shown.machine.line_of_position
    assert "saved" in desk.pages.said.value
    desk.pages.save.click()
    assert "is there already" in desk.pages.said.value
    desk.pages.place.value = str(tmp_path / "mine")
    desk.pages.save.click()
    assert "needs the ending" in desk.pages.said.value
    desk.pages.report.click()
    assert "DT-1 standard (edited)" in (tmp_path / "new" / "report.html").read_text(encoding="utf-8")
    desk.pages.card.click()
    assert sorted(p.suffix for p in (tmp_path / "new").glob("card_*")) == [".html", ".pdf"]


def test_a_folder_that_cannot_be_written_is_told(desk):
    desk.out = Path("/proc/nowhere")
    desk.pages.card.click()
    assert 'role="alert"' in desk.pages.said.value
    desk.pages.said.value = ""


def test_another_machine_that_does_not_fit_is_refused_with_reasons(desk):
    desk.machine.value = str(DEMO / "machines" / "rx24.toml")
    assert "position 8 has no RF coil" in desk.alerts
    desk.reset()
    assert desk.alerts == "" and desk.verdict.run.schedule.machine.name == "RX16"


def test_other_schedules_with_other_valve_and_machine(desk):
    desk.schedule.value = str(DEMO / "schedules" / "dp2_standard.toml")
    assert desk.verdict.name == "DP-2 standard" and desk.alerts == ""
    assert desk.machine.value.endswith("rx24.toml") and desk.valve.value.endswith("dp2.toml")


def test_a_failure_within_is_shown_not_lost(desk, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("broken on purpose")

    monkeypatch.setattr(comparedesk, "simulate", broken)
    desk.settings.heater.entry.value = "6 V"
    assert "broken on purpose" in desk.errors.value and 'role="alert"' in desk.errors.value
    monkeypatch.undo()
    desk.reset()
    assert desk.alerts == ""


def test_every_control_has_a_label_with_its_unit_and_a_tooltip(desk):
    for name, field in desk.settings.fields.items():
        assert field.slider.description.endswith(f"[{field.unit}]"), name
        assert field.slider.tooltip and field.entry.tooltip


def test_no_folder_no_desk(tmp_path):
    with pytest.raises(FileNotFoundError, match="no schedule files"):
        CompareDesk(tmp_path, threaded=False)


# ---- picture -------------------------------------------------------------------------


def test_a_draft_moves_only_what_is_alive(schedules, runs):
    picture = LivePicture()
    picture.full(runs["standard"], "Pa")
    changed = draft(heater_step(schedules["standard"], 10, 8.5), runs["standard"])
    picture.draft(changed, "Pa")
    assert picture.redrawn == 1
    picture.draft(changed, "mbar")  # another axis: all of it anew
    assert picture.redrawn == 2


def test_draft_and_full_picture_of_the_same_run_differ_by_the_mark_alone(runs):
    picture = LivePicture()
    picture.full(runs["standard"], "Pa")
    full = picture.pixels()
    sent = picture.draft(runs["standard"], "Pa")
    different = np.argwhere((picture.pixels() != full).any(axis=2))
    assert different.size and different[:, 0].min() > 430 and different[:, 1].min() > 450  # lower right corner
    # Few colours are sent: no pixel is far off (measured: 13 of 255), and paper stays white.
    packed = np.asarray(Image.open(io.BytesIO(sent)).convert("RGB"), dtype=int)
    assert np.abs(packed - picture.pixels()).max() < 32 and (packed[5, 5] == 255).all()


# ---- trial ---------------------------------------------------------------------------


def test_a_trial_unchanged_is_the_file(schedules):
    trial = Trial(DEMO / "schedules" / "dt1_standard.toml")
    assert not trial.changed and trial.read().positions == schedules["standard"].positions
    trial.set_oven_temperature("nonsense")
    with pytest.raises(DesignFault, match="oven_temperature"):
        trial.read()
    trial.reset()
    assert trial.read().name == "DT-1 standard"
