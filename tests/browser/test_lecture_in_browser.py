"""The lecture of notebook 02 in a real browser, in JupyterLab and as a page, worked by keyboard.

Each test also fails on an error that the app shows, on an error output, and on an error in the browser's console.
"""

import pytest

pytest.importorskip("playwright")
pytest.importorskip("jupyterlab")
pytest.importorskip("voila")

from findbrowser import DID_NOT_RUN, find
from labpage import LabPage, browsing, serving

NOTEBOOK = "02_evacuation_physics.ipynb"
BROWSER = find()

pytestmark = [
    pytest.mark.skipif(BROWSER is None, reason=DID_NOT_RUN),
    pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning"),
]


class LecturePage(LabPage):
    """The lecture; `desk` is its box, the discharge strip has one of its own."""

    def ready(self) -> None:
        self.page.wait_for_function(
            "() => { const all = [...document.querySelectorAll('.exhaust-desk')];"
            " return all.length >= 2 && all.every(one => [...one.querySelectorAll('img')].some(img => img.naturalWidth >= 900)); }"
        )

    def strip(self) -> str:
        """The picture of the discharge strip, the last one on the page, by its address."""
        return self.page.evaluate("() => [...document.querySelectorAll('.exhaust-desk img')].at(-1).src")

    def choose(self, number: int) -> None:
        """A demonstration from the list, by its number."""
        names = self.desk.first.locator("select").first
        label = next(text for text in names.locator("option").all_inner_texts() if text.split()[0] == str(number))
        names.select_option(label=label)
        self.desk.first.get_by_text("Predict first", exact=False).first.wait_for()
        self.page.wait_for_function("() => document.querySelector('.exhaust-desk img')?.naturalWidth >= 900")

    def predict(self, words: str) -> None:
        self.desk.first.get_by_label(words, exact=True).first.check()
        button = self.desk.first.get_by_role("button", name="this is my prediction")
        self.page.wait_for_function("() => [...document.querySelectorAll('button')].some(b => b.innerText === 'this is my prediction' && !b.disabled)")
        button.first.focus()
        self.page.keyboard.press("Enter")
        self.desk.first.get_by_text("You predicted", exact=False).first.wait_for()


def predict_then_move(lecture: LecturePage) -> None:
    """Locked before the prediction; afterwards one key changes the picture and brings the lesson."""
    before = lecture.picture()
    lecture.slider("pump, times as fast").focus()
    lecture.page.keyboard.press("PageUp")
    lecture.page.wait_for_timeout(600)
    assert lecture.picture() == before
    assert lecture.desk.locator(".lesson").count() == 0
    lecture.predict("falls to about a tenth")
    lecture.slider("pump, times as fast").focus()
    lecture.page.keyboard.press("PageUp")
    lecture.new_picture(before)
    lesson = lecture.desk.locator(".lesson").first
    lesson.wait_for()
    assert "hardly moves" in lesson.inner_text() and "straw" in lesson.inner_text()
    lecture.desk.first.get_by_role("button", name="back to standard").first.focus()
    lecture.page.keyboard.press("Enter")
    lecture.page.wait_for_timeout(800)
    assert lecture.picture() == before


def breakdown_by_keyboard(lecture: LecturePage) -> None:
    """A demonstration that runs the machine: draft while the hand moves, then the full answer."""
    lecture.choose(12)
    lecture.predict("nearly twice as long")
    before = lecture.picture()
    lecture.slider("bore [mm]").focus()
    for _ in range(5):
        lecture.page.keyboard.press("ArrowLeft")
    lecture.new_picture(before)
    lesson = lecture.desk.locator(".lesson").first
    lesson.wait_for()
    assert "hardly any longer" in lesson.inner_text()


def clean(lecture: LecturePage, complaints: list) -> None:
    assert lecture.alerts() == []
    assert complaints == []


def test_in_jupyterlab(tmp_path):
    with serving(tmp_path) as address, browsing(BROWSER, tmp_path) as (page, complaints):
        lecture = LecturePage(page, address)
        lecture.open_in_lab(NOTEBOOK, lecture.ready)
        predict_then_move(lecture)
        lecture.desk.first.scroll_into_view_if_needed()
        lecture.keep_screenshot("lecture_lab")
        breakdown_by_keyboard(lecture)
        assert lecture.error_outputs() == []
        clean(lecture, complaints)


def test_as_a_page(tmp_path):
    with serving(tmp_path, "02") as address, browsing(BROWSER, tmp_path) as (page, complaints):
        lecture = LecturePage(page, address)
        lecture.open_alone(lecture.ready)
        lecture.keep_screenshot("lecture_page_opened")
        predict_then_move(lecture)
        breakdown_by_keyboard(lecture)
        lecture.keep_screenshot("lecture_page_breakdown")
        before = lecture.strip()
        lecture.slider("pressure in the bulb [Pa]").focus()
        lecture.page.keyboard.press("PageDown")
        lecture.page.wait_for_function("old => [...document.querySelectorAll('.exhaust-desk img')].at(-1).src !== old", arg=before)
        lecture.desk.last.scroll_into_view_if_needed()
        lecture.keep_screenshot("lecture_page_glow")
        assert page.locator(".jp-RenderedText[data-mime-type='application/vnd.jupyter.stderr']").count() == 0
        clean(lecture, complaints)
