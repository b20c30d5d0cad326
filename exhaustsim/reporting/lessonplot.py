"""The picture of a lesson: curves on fixed axes, each with its label, beside the one of the standard setting.

The frame with its axes is drawn once for a lesson; when something is moved only curves, points and labels are
drawn over it, so that the picture follows the hand and its axes never jump.
"""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

from exhaustsim.reporting.canvas import (
    BAND, DPI, FAINT, HEIGHT, INK, LEFT, LIMIT, PENS, SMALL, TEXT, WIDTH, Labels, Pen, heading, log_pressure_axis, new_figure, place,
    plain_power, unit_words, words_below,
)  # fmt: skip
from exhaustsim.studies.lessons.record import Axis, Curve, Exploration, Lesson, Shown
from exhaustsim.units import convert

GUIDE = Pen(FAINT, (0, (6, 3)), 1.0)
BEFORE = Pen(FAINT, (0, (2, 2)), 1.3)
DRAFT_WORDS = "DRAFT, pumping lines as before the change; the full answer follows"
MOST_DECADES = 8  # that are each labelled


class LessonPicture:
    """Draws what a lesson shows; `draw` returns the figure, its live part drawn on the canvas.

    Parameters
    ----------
    title : str
        The line above the picture.
    x, y : Axis
        Fixed for the life of the picture.
    """

    def __init__(self, title: str, x: Axis, y: Axis):
        self.x, self.y = x, y
        self.figure: Figure = new_figure()
        heading(self.figure, title)
        self.axes = place(self.figure, LEFT, 42, 16, 40)
        self._axis_across()
        self._axis_up()
        self.figure.canvas.draw()
        self._background = self.figure.canvas.copy_from_bbox(self.figure.bbox)
        self._live: list = []

    @classmethod
    def of(cls, lesson: Lesson | Exploration) -> LessonPicture:
        """An empty picture with the heading and axes of a lesson."""
        return cls(lesson.heading, lesson.x, lesson.y)

    def draw(self, shown: Shown, standard: Shown | None = None) -> Figure:
        """Draw `shown`, and the main curve of `standard` behind it."""
        for artist in self._live:
            artist.remove()
        before = set(self.axes.get_children()) | set(self.figure.texts)
        labels = Labels(self.axes)
        others = 0
        if standard is not None:
            for curve in standard.curves:
                if curve.role == "main" and not _same(curve, shown.curves):
                    self._curve(labels, curve, BEFORE, "standard")
        for curve in shown.curves:
            if curve.role == "other":
                others += 1
            pen = {"main": PENS[0], "guide": GUIDE, "limit": LIMIT}.get(curve.role) or PENS[1 + (others - 1) % (len(PENS) - 1)]
            self._curve(labels, curve, pen, curve.label)
        for across, up, text in shown.points:
            x, y = convert(across, self.x.kind, self.x.unit), convert(up, self.y.kind, self.y.unit)
            self.axes.plot([x], [y], marker="o", markersize=6.5, markerfacecolor="white", markeredgecolor=INK, markeredgewidth=1.4, zorder=5)
            labels.point(x, y, text)
        labels.draw()
        self._mark(shown)
        self._live = [a for a in (*self.axes.get_children(), *self.figure.texts) if a not in before]
        self.figure.canvas.restore_region(self._background)
        for artist in sorted(self._live, key=lambda a: a.get_zorder()):
            self.figure.draw_artist(artist)
        return self.figure

    def _curve(self, labels: Labels, curve: Curve, pen: Pen, label: str) -> None:
        x, y = (convert(np.asarray(v, dtype=float), a.kind, a.unit) for v, a in ((curve.x, self.x), (curve.y, self.y)))
        low, high = self.axes.get_ylim()
        if self.y.logarithmic:
            y = np.where(y > 0.0, y, np.nan)
        pen.plot(self.axes, x, y, zorder=2 if pen in (GUIDE, BEFORE, LIMIT) else 4)
        with np.errstate(invalid="ignore"):
            seen = np.where((y >= low) & (y <= high), y, np.nan)
        labels.curve(x, seen, label if np.isfinite(seen).any() else "", pen.colour if pen.colour != FAINT else INK)

    def _mark(self, shown: Shown) -> None:
        words = DRAFT_WORDS if shown.draft and shown.progress is None else ""
        if shown.progress is not None:
            words = f"drafts; {100.0 * shown.progress:.0f} % of the valves done"
        if words:
            self.figure.text(
                1.0 - 16.0 / (WIDTH * DPI), 6.0 / (HEIGHT * DPI), words, fontsize=SMALL, color=INK, ha="right", va="bottom", style="italic"
            )

    def _axis_across(self) -> None:
        axis, axes = self.x, self.axes
        low, high = (convert(v, axis.kind, axis.unit) for v in (axis.low, axis.high))
        if axis.logarithmic:
            axes.set_xscale("log")
            axes.set_xlim(low, high)
            powers = np.arange(np.ceil(np.log10(low) - 1e-9), np.floor(np.log10(high) + 1e-9) + 1)
            marks = 10.0 ** powers[:: 1 + (len(powers) - 1) // MOST_DECADES]
            if high < 30.0 * low:  # within a decade or so, numbers between
                marks = np.array([m * 10.0**p for p in range(int(np.floor(np.log10(low))), int(powers[-1]) + 1) for m in (1, 2, 3, 4, 6, 8)])
                marks = marks[(marks >= low * (1.0 - 1e-9)) & (marks <= high * (1.0 + 1e-9))]
            axes.xaxis.set_major_locator(FixedLocator(marks))
            axes.xaxis.set_major_formatter(FixedFormatter([plain_power(m) for m in marks]))
            axes.xaxis.set_minor_locator(NullLocator())
        else:
            axes.set_xlim(low, high)
        axes.grid(True, axis="x", color=BAND, linewidth=0.7)
        axes.set_axisbelow(True)
        words_below(axes, _name(axis))

    def _axis_up(self) -> None:
        axis, axes = self.y, self.axes
        low, high = (convert(v, axis.kind, axis.unit) for v in (axis.low, axis.high))
        if axis.logarithmic:
            log_pressure_axis(axes, low, high, axis.unit, axis.what)
        else:
            axes.set_ylim(low, high)
            axes.grid(True, axis="y", color=BAND, linewidth=0.7)
            axes.set_ylabel(_name(axis), fontsize=TEXT, color=INK)
            axes.yaxis.set_label_coords(-(LEFT - 22.0) / axes.get_window_extent().width, 0.5)


def _same(curve: Curve, others) -> bool:
    """Whether one of `others` lies on `curve`, so that it needs no showing."""
    return any(
        c.role != "limit" and c.y.shape == curve.y.shape and np.allclose(c.x, curve.x) and np.allclose(c.y, curve.y, rtol=1e-6, atol=0.0) for c in others
    )


def _name(axis: Axis) -> str:
    return axis.what if axis.unit == "1" else f"{axis.what}, {unit_words(axis.unit)}"
