"""The discharge strip: forms in order of pressure, told in words, legible without colour, and driven without a browser."""

import io

import numpy as np
import pytest

pytest.importorskip("ipywidgets")
from PIL import Image

from exhaustsim.constants import GAS_NAMES
from exhaustsim.reporting.glow import COLOURS, HIGHEST, LOWEST, STANDING, form_at, forms, sentence
from exhaustsim.reporting.widgets.glowstrip import GlowStrip

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")


def test_forms_cover_the_strip_without_gap():
    found = forms()
    assert found[0].high == HIGHEST and found[-1].low == LOWEST
    for above, below in zip(found[:-1], found[1:], strict=True):
        assert above.low == below.high
    assert set(GAS_NAMES) <= set(COLOURS)
    assert "usage" in STANDING and "recalled" in STANDING


def test_forms_beside_each_other_differ_without_colour():
    found = forms()
    assert all((a.hatch, a.strength == 0.0) != (b.hatch, b.strength == 0.0) for a, b in zip(found[:-1], found[1:], strict=True))


@pytest.mark.parametrize(("pressure", "words"), [(1e5, "thin spark"), (200.0, "broad column"), (0.02, "black"), (1e-6, "black")])
def test_what_is_seen(pressure, words):
    assert words in form_at(pressure).words
    assert words in sentence(pressure, "air")


def test_strip_follows_pressure_and_gas():
    strip = GlowStrip(threaded=False)
    first = bytes(strip.picture.value)
    assert Image.open(io.BytesIO(first)).size == (900, 270)
    strip.gas.value = "CO2"
    strip.pressure.entry.value = "20"
    assert bytes(strip.picture.value) != first and "CO2 at 20" in strip.said.value and "bluish white" in strip.said.value
    good = bytes(strip.picture.value)
    strip.pressure.entry.value = "5 m"
    assert 'role="alert"' in strip.alerts and bytes(strip.picture.value) == good
    strip.pressure.entry.value = "1e-4 Pa"
    assert 'role="alert"' in strip.alerts
    strip.pressure.entry.value = "1 Pa"
    assert strip.alerts == "" and strip.wait()
    grey = np.asarray(Image.open(io.BytesIO(good)).convert("L"))
    assert grey.min() < 60 and grey.max() > 250  # dark below, white above, in grey too
