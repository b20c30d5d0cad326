"""Questions asked at the desk, without a browser: what is shown is what the studies give, and nothing stands in the way of the sliders."""

import io
import time
from functools import partial
from pathlib import Path

import pytest

pytest.importorskip("ipywidgets")
from PIL import Image

from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.tolerances import load_tolerances
from exhaustsim.reporting.widgets import answerspage
from exhaustsim.reporting.widgets.comparedesk import CompareDesk
from exhaustsim.studies.indextime import with_index_time
from exhaustsim.studies.spread import spread
from exhaustsim.studies.waterfall import waterfall

DEMO = Path(__file__).parent.parent / "demo_data"

# Widgets without a kernel close their comms when collected.
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    return CompareDesk(DEMO, schedule="dt1_standard.toml", out=tmp_path_factory.mktemp("out"), threaded=False)


@pytest.fixture
def answers(desk):
    desk.reset()
    desk.pages.said.value = ""
    assert desk.alerts == ""
    return desk.pages.answers


@pytest.fixture
def small_search(monkeypatch):
    monkeypatch.setattr(answerspage, "shortest_index", partial(answerspage.shortest_index, lowest=10.0, highest=12.0, grid=2, resolution=0.1))


def html(answers) -> str:
    return "".join(w.value for w in answers.shown.children if isinstance(w.value, str))


def pictures(answers) -> list:
    return [Image.open(io.BytesIO(bytes(w.value))) for w in answers.shown.children if not isinstance(w.value, str)]


def test_the_shortest_index_time_of_the_schedule_as_set(answers, desk, small_search):
    desk.settings.index_time.entry.value = "11 s"
    answers.ask_dwell.click()
    assert answers.answer.schedules[0] == desk.current() and answers.answer.data["index_time_s"] == 11.0
    assert answers.answer.data["shortest_index_s"] == pytest.approx(10.3)
    assert "barium yield" in html(answers) and "Slack" not in html(answers) and desk.alerts == ""
    assert "Shortest index time of DT-1 standard (edited)" in desk.pages.said.value and not answers.ask_dwell.disabled


def test_pass_rate_with_the_tolerances_of_the_valve(answers, desk):
    answers.valves.value = 6
    assert Path(answers.tolerances.value).stem == "dt1"
    answers.ask_spread.click()
    expected = spread(load_schedule(DEMO / "schedules" / "dt1_standard.toml"), load_tolerances(DEMO / "tolerances" / "dt1.toml"), 6)
    assert expected.sentence in html(answers) and "one sigma 12 K" in html(answers)
    assert desk.pages.bar.value == 6 and desk.alerts == ""


def test_what_each_change_since_the_file_bought(answers, desk):
    answers.ask_waterfall.click()
    assert "do not differ" in html(answers) and not pictures(answers)
    desk.settings.index_time.entry.value = "11 s"
    answers.ask_waterfall.click()
    standard = load_schedule(DEMO / "schedules" / "dt1_standard.toml")
    expected = waterfall(standard, with_index_time(standard, 11.0))
    assert [s["change"] for s in answers.answer.data["steps"]] == ["index time"]  # the flash goes with the dwell, to the last digit
    assert answers.answer.data["end"] == pytest.approx(expected.end) and "index time" in html(answers)
    assert [p.size for p in pictures(answers)] == [(900, 450)] * 2
    answers.save.click()
    assert (desk.out / "waterfall.html").exists() and "written" in desk.pages.said.value


def test_errors_are_alerts(answers, desk, monkeypatch):
    answers.old.value = str(DEMO / "schedules" / "dp2_standard.toml")
    answers.ask_waterfall.click()
    assert 'role="alert"' in desk.pages.said.value and "one valve on one machine" in desk.pages.said.value
    desk.settings.index_time.entry.value = "0.5 s"
    answers.ask_dwell.click()
    assert 'role="alert"' in desk.errors.value
    desk.reset()
    answers.answer = None
    answers.save.click()
    assert "Nothing is answered yet" in desk.pages.said.value
    monkeypatch.setattr(type(answers.tolerances), "value", None)
    answers.start_spread()
    assert "no tolerance files" in desk.pages.said.value


def test_another_valve_proposes_its_card_and_tolerances(answers, desk):
    desk.schedule.value = str(DEMO / "schedules" / "dr3_standard.toml")
    assert (Path(answers.old.value).stem, Path(answers.tolerances.value).stem) == ("dr3_standard", "dr3")
    desk.schedule.value = str(DEMO / "schedules" / "dt1_standard.toml")
    assert (Path(answers.old.value).stem, Path(answers.tolerances.value).stem) == ("dt1_standard", "dt1")


def test_a_question_is_cancelled_and_the_sliders_answer_meanwhile(tmp_path):
    desk = CompareDesk(DEMO, schedule="dt1_standard.toml", out=tmp_path, threaded=True)
    assert desk.wait()
    answers, pages = desk.pages.answers, desk.pages
    for start in (answers.ask_dwell, answers.ask_spread):
        start.click()
        until = time.monotonic() + 30.0
        while pages.bar.value < 2 and time.monotonic() < until:
            time.sleep(0.01)
        assert pages.bar.value >= 2 and start.disabled and not pages.stop.disabled
        before = desk.full_answers
        desk.settings.heater.slider.value += 0.1
        assert desk.worker.wait(60.0) and desk.full_answers == before + 1 and start.disabled
        pages.stop.click()
        assert pages.wait(20.0)
        assert "cancelled" in pages.said.value and answers.answer is None and not start.disabled
    assert desk.alerts == ""
