"""The desk of notebook 01 in a real browser, in JupyterLab and as a page of its own, worked by keyboard.

Each test also fails on an error that the app shows, on an error output, and on an error in the browser's console.
"""

import pytest

pytest.importorskip("playwright")
pytest.importorskip("jupyterlab")
pytest.importorskip("voila")

from findbrowser import DID_NOT_RUN, find
from labpage import LabPage, browsing, serving

NOTEBOOK = "01_compare_schedules.ipynb"
BROWSER = find()

pytestmark = [
    pytest.mark.skipif(BROWSER is None, reason=DID_NOT_RUN),
    pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning"),
]


def move_and_see(lab: LabPage) -> None:
    """One key on a slider changes the picture, and a draft is marked before the full answer."""
    before, said = lab.picture(), lab.verdict()
    lab.slider("heater step [V]").focus()
    lab.page.keyboard.press("PageUp")
    lab.new_picture(before)
    lab.full_answer()
    assert "(edited)" in lab.verdict()
    assert lab.verdict() != said


def lower_the_index_time(lab: LabPage) -> None:
    """The verdict turns when the index time is halved by keyboard."""
    assert "FAILS" not in lab.verdict()
    entry = lab.entry("index time [s]")
    entry.fill("6")
    entry.press("Enter")
    lab.page.wait_for_function("() => document.querySelector('.exhaust-desk .verdict').innerText.includes('FAILS')")
    lab.full_answer()
    assert "fails" in lab.verdict()


def ten_rapid_moves(lab: LabPage) -> None:
    """The last of ten values is the one that is shown in the end: the same picture as that value set at leisure."""
    slider = lab.slider("oven air [degC]")
    slider.focus()
    for _ in range(10):
        lab.page.keyboard.press("ArrowLeft")
    settle(lab)
    last, hurried, said = lab.entry("oven air [degC]").input_value(), lab.picture(), lab.verdict()
    assert last == "410 degC"  # ten steps of five below the 460 degC of the card
    lab.page.keyboard.press("ArrowRight")
    settle(lab)
    assert lab.picture() != hurried
    entry = lab.entry("oven air [degC]")
    entry.fill(last)
    entry.press("Enter")
    settle(lab)
    assert (lab.picture(), lab.verdict()) == (hurried, said)


def settle(lab: LabPage) -> None:
    """Wait until the full answer has stood for half a second."""
    lab.page.wait_for_timeout(150)
    before = ""
    while (now := lab.picture()) != before:
        before = now
        lab.full_answer()
        lab.page.wait_for_timeout(500)
    lab.full_answer()


def bad_value(lab: LabPage) -> None:
    """A bad value is told beside its field, the last good picture stays, and a good value takes the fault away."""
    good = lab.picture()
    entry = lab.entry("heater step [V]")
    kept = entry.input_value()
    entry.fill("5 W")
    entry.press("Enter")
    fault = lab.desk.locator("[role=alert]")
    fault.wait_for()
    assert "voltage" in fault.inner_text()
    assert abs(fault.bounding_box()["y"] - entry.bounding_box()["y"]) < 60
    lab.page.wait_for_timeout(600)
    assert lab.picture() == good
    lab.keep_screenshot("bad_value")
    entry.fill(kept)
    entry.press("Enter")
    fault.wait_for(state="detached")


def cancel_the_band(lab: LabPage) -> None:
    """A long study tells its progress, is cancelled within a second, and leaves the sliders answering."""
    lab.desk.get_by_role("tab", name="how sure", exact=True).click()
    lab.desk.get_by_role("button", name="find the band", exact=True).click()
    cancel = lab.desk.get_by_role("button", name="cancel", exact=True)
    lab.page.wait_for_function("() => document.querySelector('.exhaust-desk .progress-bar')?.style.width > '5%'")
    # Timed in the browser: from the click to the frame in which the desk says so.
    lab.page.evaluate("""() => {
        addEventListener('click', event => { window.clicked = event.timeStamp; }, true);
        const said = () => [...document.querySelectorAll('.exhaust-desk [role=status]')].some(e => e.textContent === 'cancelled');
        window.cancelled = new Promise(done => { const look = () =>
            said() ? done(performance.now() - window.clicked) : requestAnimationFrame(look); look(); });
    }""")
    cancel.click()
    assert lab.page.evaluate("() => window.cancelled") < 1000.0
    before = lab.picture()
    lab.slider("heater step [V]").focus()
    lab.page.keyboard.press("ArrowDown")
    lab.new_picture(before)
    lab.full_answer()


def ask_what_a_change_bought(lab: LabPage) -> None:
    """A question of the page of answers gives a picture with its table, of the schedule as set."""
    lab.desk.get_by_role("tab", name="answers", exact=True).click()
    lab.desk.get_by_role("button", name="What each change bought", exact=True).click()
    lab.desk.get_by_text("The card after each change").wait_for()
    assert "DT-1 standard to DT-1 standard (edited)" in lab.desk.inner_text()
    lab.keep_screenshot("answers")


def test_in_jupyterlab(tmp_path):
    with serving(tmp_path) as address, browsing(BROWSER, tmp_path) as (page, complaints):
        lab = LabPage(page, address)
        lab.open_in_lab(NOTEBOOK)
        lab.desk.scroll_into_view_if_needed()
        lab.keep_screenshot("lab_opened")
        move_and_see(lab)
        ten_rapid_moves(lab)
        bad_value(lab)
        cancel_the_band(lab)
        lower_the_index_time(lab)
        lab.keep_screenshot("lab_changed")
        assert lab.alerts() == []
        assert lab.error_outputs() == []
        assert complaints == []


def test_as_a_page(tmp_path):
    with serving(tmp_path, "01") as address, browsing(BROWSER, tmp_path) as (page, complaints):
        stranger = page.request.get(address.partition("?")[0], max_redirects=0)
        assert stranger.status in (302, 401, 403)  # without the token nobody is let in
        lab = LabPage(page, address)
        lab.open_alone()
        lab.keep_screenshot("page_opened")
        move_and_see(lab)
        bad_value(lab)
        lower_the_index_time(lab)
        ask_what_a_change_bought(lab)
        for number, name in enumerate(("positions", "targets", "temperatures", "gas ledger", "margins", "constants")):
            lab.desk.get_by_role("tab", name=name, exact=True).click()
            page.wait_for_timeout(400)
            lab.keep_screenshot(f"page_{number}_{name.replace(' ', '_')}")
        assert lab.alerts() == []
        assert page.locator(".jp-RenderedText[data-mime-type='application/vnd.jupyter.stderr']").count() == 0
        assert complaints == []
