"""The bench picture kept alive: bulb and line pressure by position, redrawn while a slider moves.

A full answer is drawn anew, with labels placed where they are free.  A draft on the same frame
moves only the curves, the ring at the judged instant, and the heater volts in the strip; that
takes a sixth of the time, and nothing else moves under the reader's eyes.
"""

from __future__ import annotations

import io
from itertools import groupby

import numpy as np
from matplotlib.figure import Figure
from PIL import Image

from exhaustsim.engine.result import Run
from exhaustsim.reporting.canvas import DPI, HEIGHT, INK, SMALL, WIDTH
from exhaustsim.reporting.plots import judged_words, places, pressure_by_position, pressures, strip_rows
from exhaustsim.reporting.widgets.worker import DRAWING
from exhaustsim.units import convert

DRAFT_WORDS = "DRAFT, pumping lines as before the change; the full answer follows"


COLOURS = 128  # of the picture as it is sent: few, so that it is packed and sent in a fifth of the time


def png(figure: Figure) -> bytes:
    """A figure as PNG, packed for speed."""
    with DRAWING:
        figure.canvas.draw()
        return png_of(figure)


def png_of(figure: Figure) -> bytes:
    """What stands on the canvas of a figure, as PNG packed for speed; call it under `DRAWING`."""
    return _packed(_image(figure).quantize(COLOURS, method=Image.Quantize.MAXCOVERAGE))


def _image(figure: Figure) -> Image.Image:
    size = figure.canvas.get_width_height()
    return Image.frombuffer("RGBA", size, figure.canvas.buffer_rgba(), "raw", "RGBA", 0, 1).convert("RGB")


def _packed(image: Image.Image) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, "png", compress_level=1)
    return buffer.getvalue()


class LivePicture:
    """Bulb and line pressure of the run shown last, as PNG of 900 x 450 pixels."""

    def __init__(self) -> None:
        self._figure: Figure | None = None
        self._frame: tuple = ()
        self.redrawn = 0  # times that the whole picture was drawn, for tests and benchmarks

    def full(self, run: Run, unit: str) -> bytes:
        """The picture of a full answer."""
        with DRAWING:
            self._build(run, unit, draft=False)
            return _packed(self._palette)

    def draft(self, run: Run, unit: str) -> bytes:
        """The picture of a draft, marked as such."""
        with DRAWING:
            if self._figure is None or self._frame != _frame(run, unit) or not self._move(run, unit):
                self._build(run, unit, draft=True)
            return _packed(_image(self._figure).quantize(palette=self._palette, dither=Image.Dither.NONE))

    def pixels(self) -> np.ndarray:
        """(450, 900, 3) the picture as drawn last, before its colours are counted."""
        return np.asarray(_image(self._figure))

    def _build(self, run: Run, unit: str, draft: bool) -> None:
        figure = pressure_by_position(run, unit)
        axes = figure.axes[0]
        named = {artist.get_gid(): artist for artist in (*axes.lines, *axes.texts) if artist.get_gid()}
        self._curves = named["bulb pressure"], named["line pressure"]
        self._ring = named.get("judged")
        self._judged = next((text for text in axes.texts if text.get_text().startswith("judged: ")), None)
        self._volts = {int(gid.split()[-1]): text for gid, text in named.items() if gid.startswith("heater, V ")}
        self._mark = figure.text(
            1.0 - 16.0 / (WIDTH * DPI), 6.0 / (HEIGHT * DPI), DRAFT_WORDS, fontsize=SMALL, color=INK, ha="right", va="bottom",
            visible=draft, style="italic",
        )  # fmt: skip
        self._live = sorted(
            (a for a in (*self._curves, self._ring, self._judged, *self._volts.values(), self._mark) if a is not None),
            key=lambda artist: artist.get_zorder(),
        )
        for artist in self._live:
            artist.set_animated(True)
        figure.canvas.draw()
        self._background = figure.canvas.copy_from_bbox(figure.bbox)
        self._figure, self._frame = figure, _frame(run, unit)
        self.redrawn += 1
        self._draw_live()
        self._palette = _image(figure).quantize(COLOURS, method=Image.Quantize.MAXCOVERAGE)

    def _move(self, run: Run, unit: str) -> bool:
        """Move what is alive; False when the run does not fit the axes and they must be drawn anew."""
        axes = self._figure.axes[0]
        x, on = places(run)
        bulb, line = (p[on] for p in pressures(run, unit))
        low, high = axes.get_ylim()
        later = run.position[on] > 1
        with np.errstate(invalid="ignore"):
            if (bulb[later] > high).any() or (line[later] > high).any() or (bulb[later] < 0.1 * low).any():
                return False
        for curve, y in zip(self._curves, (bulb, line), strict=True):
            curve.set_data(x, y)
        reached = float(run.total_bulb_pressure[run.judged_at])
        if (reached > 0.0) != (self._ring is not None):
            return False
        if self._ring is not None:
            value = convert(reached, "pressure", unit)
            self._ring.set_data([x[np.searchsorted(np.flatnonzero(on), run.judged_at)]], [value])
            if self._judged is not None:
                self._judged.set_text(judged_words(value, unit))
        volts = strip_rows(run)[1][2]
        for position, text in self._volts.items():
            text.set_text(volts[position - 1])
        self._mark.set_visible(True)
        self._draw_live()
        return True

    def _draw_live(self) -> None:
        self._figure.canvas.restore_region(self._background)
        for artist in self._live:
            self._figure.draw_artist(artist)


def _frame(run: Run, unit: str) -> tuple:
    """What the unmoving part of the picture depends on."""
    schedule = run.schedule
    _, (lines, work, volts) = strip_rows(run)
    groups = tuple((bool(text), len(list(group))) for text, group in groupby(volts))
    blanked = round(schedule.machine.transfer_time / schedule.index_time, 2)  # to half a pixel
    return schedule.name, schedule.target.bulb_pressure, unit, lines, work, groups, blanked
