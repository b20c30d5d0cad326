"""The pictures of a batch say in words what they draw, inside the paper, whatever the result is.

Drawn from studies made up by hand: nothing is marched.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fake_run import fake_run

from exhaustsim.plant.tolerances import load_tolerances
from exhaustsim.reporting.spreadplots import cause_picture, contribution_picture, yield_picture
from exhaustsim.studies.contributions import of_outcome
from exhaustsim.studies.intervals import pass_interval
from exhaustsim.studies.spread import Cause, Spread
from exhaustsim.studies.verdict import judge
from exhaustsim.studies.yieldcurve import YieldCurve, YieldPoint

TOLERANCES = load_tolerances(Path(__file__).parent.parent / "demo_data" / "tolerances" / "dt1.toml")


@pytest.fixture(scope="module")
def good():
    run = fake_run()
    return Spread(run.schedule, TOLERANCES, 200, 1, False, 200, pass_interval(200, 200), (), judge(run), {}, None, None, 0)


def texts(figure) -> str:
    """Every word of a figure; drawing it first, which finds what cannot be drawn."""
    figure.canvas.draw()
    width, height = figure.get_size_inches() * figure.dpi
    found = []
    for axes in figure.axes:
        for text in [*axes.texts, axes.xaxis.label, axes.yaxis.label]:
            if text.get_text():
                box = text.get_window_extent()
                assert box.x0 > 0 and box.x1 < width and box.y0 > 0 and box.y1 < height, text.get_text()
                found.append(text.get_text())
    return " | ".join([*found, *(t.get_text() for t in figure.texts)])


def bad(good, passed: int):
    causes = (
        Cause("converted_fraction", "converted fraction", 200 - passed - 2, 200 - passed),
        Cause("sealed_oxidant", "partial bulb pressure of H2O or CO2 on the lit cathode of the sealed valve", 2, 30),
    )
    return replace(good, passed=passed, interval=pass_interval(passed, 200), causes=causes)


def test_causes(good):
    words = texts(cause_picture(bad(good, 150)))
    assert "24%, 25% in all" in words and "converted fraction" in words and "75% of 200 valves pass (68% to 81%)" in words
    assert "no rejects" in texts(cause_picture(good))


@pytest.mark.parametrize("over", ["index_time", "barium"])
def test_yield(good, over):
    points = tuple(
        YieldPoint(x * (1.0 if over == "index_time" else 1e-6), bad(good, passed) if passed < 200 else good, (passed, min(200, passed + 30)))
        for x, passed in ((6.0, 4), (8.0, 170), (12.0, 200))
    )
    curve = YieldCurve(good.schedule, TOLERANCES, over, points)
    figure = yield_picture(curve)
    words = texts(figure)
    assert "warn below 97%" in words and "CO2 left takes under 10% of getter" in words and "200 valves each" in words
    assert ("index time, s" if over == "index_time" else "barium in the getter, mg") in words
    rates = next(line for line in figure.axes[0].lines if len(line.get_xdata()) == 3)
    assert rates.get_ydata().tolist() == [2.0, 85.0, 100.0] and rates.get_xdata()[0] == pytest.approx(6.0)


def test_yield_of_a_single_setting(good):
    curve = YieldCurve(good.schedule, TOLERANCES, "index_time", (YieldPoint(12.0, good, (200, 200)),))
    assert "pass by the whole verdict" in texts(yield_picture(curve))


def test_contributions(good):
    rng = np.random.default_rng(3)
    found = of_outcome(good.schedule, TOLERANCES, 1, 8, "beyond", np.exp(rng.normal(size=48)))
    words = texts(contribution_picture(found))
    assert "cathode temperature, one sigma 12 K" in words and "worst target" in words
    flat = of_outcome(good.schedule, TOLERANCES, 1, 8, "beyond", np.ones(48))
    assert "0%" in texts(contribution_picture(flat))
