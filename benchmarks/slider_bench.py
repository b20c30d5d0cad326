"""From a key on a slider to the painted picture, in a real browser.

Notebook 01 is opened in JupyterLab and the heater step of the desk moved by arrow keys.  The time
runs from the key's own time stamp in the browser to the first animation frame in which the new
picture (900 x 450) has been decoded.  The next key follows at once, while the hand does not rest: the
pictures timed are drafts, as in use; the full answer follows when the hand rests.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "browser"))

NOTEBOOK = "01_compare_schedules.ipynb"
LABEL = "heater step [V]"
#: Watches the picture; `window.awaited()` resolves with the time stamp of the frame after the next picture was decoded.
WATCH = """() => {
    const img = document.querySelector('.exhaust-desk img');
    addEventListener('keydown', event => { window.pressed = event.timeStamp; }, true);
    window.painted = () => new Promise(done => {
        const seen = img.src;
        const look = () => {
            if (img.src === seen) return requestAnimationFrame(look);
            img.decode().then(() => requestAnimationFrame(() => done(performance.now() - window.pressed)), () => requestAnimationFrame(look));
        };
        requestAnimationFrame(look);
    });
}"""


def slider_to_picture(moves: int = 30, warm_up: int = 4, pause: float = 0.0) -> dict | None:
    """Median and worst milliseconds over `moves` keys; None where there is no browser.

    `pause` [s] between a picture and the next key; above a quarter of a second the full answer comes in between.
    """
    from findbrowser import find
    from labpage import LabPage, browsing, serving

    browser = find()
    if browser is None:
        return None
    with tempfile.TemporaryDirectory() as folder, serving(Path(folder)) as address, browsing(browser, Path(folder)) as (page, complaints):
        lab = LabPage(page, address)
        lab.open_in_lab(NOTEBOOK)
        page.evaluate(WATCH)
        lab.slider(LABEL).focus()
        times = []
        for k in range(warm_up + moves):
            page.evaluate("() => { window.waiting = window.painted(); }")
            page.keyboard.press("ArrowRight" if k % 20 < 10 else "ArrowLeft")
            times.append(page.evaluate("() => window.waiting"))
            if pause:
                page.wait_for_timeout(1e3 * pause)
        lab.full_answer()
        if lab.alerts() or complaints:
            raise RuntimeError(f"the desk complained: {lab.alerts()} {complaints}")
    kept = times[warm_up:]
    return {"slider_ms_median": statistics.median(kept), "slider_ms_worst": max(kept), "moves": moves}


if __name__ == "__main__":
    for rest in (0.0, 0.3, 1.0):
        found = slider_to_picture(pause=rest)
        print("no Chromium-family browser: not measured" if found is None else f"pause {rest} s: {found}")
