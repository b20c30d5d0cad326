"""Paper and pens for the pictures: figures of one size, lines that survive a black and white
printer, and labels that stand at their curves instead of in a legend.

A figure is 900 x 450 pixels on the bench screen and as wide as the text on A4.  Nothing here
knows valves or machines, and nothing here keeps state between figures: they are built as
objects and drawn without a window.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.markers import TICKLEFT
from matplotlib.textpath import text_to_path
from matplotlib.ticker import NullLocator

from exhaustsim.units import format_number

DPI = 100
WIDTH, HEIGHT = 9.0, 4.5  # inches at DPI: 900 x 450 pixels
TEXT, SMALL = 9.0, 8.0  # points
LEFT = 68.0  # pixels left of the axes
INK, FAINT, BAND = "#1a1a1a", "#777777", "#e4e4e4"


@dataclass(frozen=True)
class Pen:
    """Colour, dashes and width of a curve; told apart by dashes and lightness alone if need be."""

    colour: str
    dashes: str | tuple = "-"
    width: float = 1.6

    def plot(self, axes: Axes, x, y, **more):
        return axes.plot(x, y, color=self.colour, linestyle=self.dashes, linewidth=self.width, **more)[0]


#: For curves of equal standing, in order of use.
PENS = (
    Pen("#16305e", "-", 2.0),
    Pen("#b4561a", (0, (5, 1.6)), 1.8),
    Pen("#2f8f83", (0, (1.2, 1.2)), 2.2),
    Pen("#7a7a7a", "-", 2.4),
    Pen("#5d2b82", (0, (7, 1.5, 1.2, 1.5)), 1.6),
    Pen("#a98600", (0, (3, 1)), 1.4),
    Pen("#3f6a22", (0, (8, 2.5)), 1.3),
    Pen("#16305e", (0, (1, 2.4)), 1.6),
)
BULB, LINE = Pen("#16305e", "-", 1.9), Pen("#b4561a", (0, (4, 1.3)), 1.5)
LIMIT = Pen(INK, (0, (1.2, 1.8)), 1.3)


def new_figure(height: float = HEIGHT) -> Figure:
    """An empty figure of the usual width, `height` inches high."""
    figure = Figure(figsize=(WIDTH, height), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def place(figure: Figure, left: float, bottom: float, right: float, top: float, **more) -> Axes:
    """Axes whose four margins are given in pixels of the bench size, plainly framed."""
    width, height = figure.get_size_inches() * DPI
    axes = figure.add_axes((left / width, bottom / height, 1.0 - (left + right) / width, 1.0 - (bottom + top) / height), **more)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(labelsize=TEXT, colors=INK, length=3)
    return axes


def heading(figure: Figure, text: str, left: float = LEFT) -> None:
    """The line above the picture that says what it shows; `text` may come from a file."""
    width, height = figure.get_size_inches() * DPI
    figure.text(
        left / width, 1.0 - 6.0 / height, text, fontsize=TEXT + 1, fontweight="bold", color=INK, va="top", parse_math=False
    )


def svg(figure: Figure) -> bytes:
    """The figure as an SVG that needs no font of the reader's; the same figure gives the same bytes."""
    buffer = io.BytesIO()
    with rc_context({"svg.hashsalt": "exhaustsim", "svg.fonttype": "path"}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return buffer.getvalue()


def words_below(axes: Axes, words: str) -> None:
    """What the horizontal axis is, a fixed distance below its numbers."""
    axes.set_xlabel(words, fontsize=TEXT, color=INK)
    axes.xaxis.set_label_coords(0.5, -25.0 / axes.get_window_extent().height)


def tick_words(axes: Axes, places, words) -> None:
    """Words along the lower edge, on one base line."""
    axes.set_xticks(places, words)
    axes.set_xticks([], minor=True)
    axes.tick_params(axis="x", pad=12.0)
    for label in axes.get_xticklabels():
        label.set_verticalalignment("baseline")


def boxes(axes: Axes, rectangles, shades, transform, **more) -> None:
    """Rectangles (left, bottom, width, height) as one drawing object, each with its shade."""
    corners = [((x, y), (x + w, y), (x + w, y + h), (x, y + h)) for x, y, w, h in rectangles]
    axes.add_collection(PolyCollection(corners, facecolors=list(shades), transform=transform, **more), autolim=False)


def unit_words(unit: str) -> str:
    """The unit as it is written on an axis; a micron is never left without its mercury."""
    return "micron Hg" if unit in ("umHg", "uHg", "micron_hg") else unit


def log_pressure_axis(axes: Axes, low: float, high: float, unit: str, what: str) -> None:
    """A logarithmic pressure axis from `low` to `high` (whole decades, in `unit`), each decade labelled in plain numbers.

    Without `what` it has neither numbers nor name, for axes that stand beside others with the same scale.
    """
    axes.set_yscale("log")
    axes.set_ylim(low, high)
    # Marks and grid as a few lines: a tick object for each would take most of the drawing time.
    axes.yaxis.set_major_locator(NullLocator())
    axes.yaxis.set_minor_locator(NullLocator())
    first, last = round(np.log10(low)), round(np.log10(high))
    powers = [10.0**d for d in range(first, last + 1)]
    between = [m * 10.0**d for d in range(first, last) for m in range(2, 10)]
    where, width = axes.get_yaxis_transform(), axes.get_window_extent().width
    for places, size, colour in ((between, 2.5, FAINT), (powers, 3.5, INK)):
        axes.plot(
            np.zeros(len(places)), places, transform=where, linestyle="none", marker=TICKLEFT, markersize=size, clip_on=False,
            markeredgewidth=0.7, color=colour, scalex=False, scaley=False,
        )  # fmt: skip
    axes.plot(
        np.tile([0.0, 1.0, np.nan], len(powers)), np.repeat(powers, 3), transform=where, color=BAND, linewidth=0.7, zorder=0.5,
        scalex=False, scaley=False,
    )  # fmt: skip
    if what:
        for power in powers:
            axes.text(-7.0 / width, power, plain_power(power), transform=where, fontsize=TEXT, color=INK, ha="right", va="center_baseline")
        axes.set_ylabel(f"{what}, {unit_words(unit)}", fontsize=TEXT, color=INK)
        axes.yaxis.set_label_coords(-(LEFT - 22.0) / width, 0.5)


def plain_power(value: float) -> str:
    """A power of ten in plain digits, thousands set apart; below a thousandth with an exponent."""
    return f"{value:,.0f}".replace(",", " ") if value >= 1e4 else format_number(value, 1)


def decades(values, floor: float) -> tuple[float, float]:
    """Whole decades round the positive finite `values`, not below `floor`."""
    values = np.asarray(values, dtype=float)
    kept = values[np.isfinite(values) & (values > 0.0)]
    if kept.size == 0:
        return floor, 10.0 * floor
    low = 10.0 ** np.floor(np.log10(max(float(kept.min()), floor)))
    high = 10.0 ** np.ceil(np.log10(1.05 * max(float(kept.max()), floor)))
    return float(low), float(max(high, 10.0 * low))


def shortened(text: str, length: int = 34) -> str:
    """`text` cut to `length` characters for a picture, in one line."""
    line = " ".join(text.split())
    return line if len(line) <= length else line[: length - 1].rstrip() + "…"


SMALLEST = 6.0  # points: smaller cannot be read on paper


def text_width(text: str, points: float) -> float:
    """Width of `text` in pixels."""
    return text_to_path.get_text_width_height_descent(text, FontProperties(size=points), False)[0] * DPI / 72.0


def fitted(text: str, pixels: float, points: float) -> tuple[str, float]:
    """`text` for a box so many pixels wide, and the size in points: smaller if need be, then in two lines, cut last of all."""
    text = " ".join(text.split())
    before, plus, after = text.partition(" + ")
    for words in (text, f"{before}\n+ {after}") if plus else (text,):
        size = points if words is text else min(points, SMALLEST)
        while size >= SMALLEST:
            if max(text_width(line, size) for line in words.split("\n")) <= pixels:
                return words, size
            size -= 0.5
    length = len(text)
    while length > 1 and text_width(shortened(text, length), SMALLEST) > pixels:
        length -= 1
    return shortened(text, length), SMALLEST


# ---- labels at curves ------------------------------------------------------------------

CHARACTER = 0.66  # mean width of a character, in font sizes
CELL = 3.0  # pixels: width of the columns in which curves are looked at
ROOMY = 30.0  # pixels of free space beyond which more is no better
TOUCHING = -300.0  # score of a label that lies on something


class Labels:
    """Puts a label beside each curve of one pair of axes, where it touches no curve and no other label.

    Curves and points are told first, labels are placed by `draw`; the limits of the axes must be final.
    """

    def __init__(self, axes: Axes):
        self.axes = axes
        box = axes.get_window_extent()
        self.left, self.bottom, self.width, self.height = box.x0, box.y0, box.width, box.height
        self.columns = max(int(self.width / CELL), 1)
        self.curves: list[tuple[np.ndarray, np.ndarray, str, str]] = []
        self.points: list[tuple[float, float, str, str]] = []
        self.boxes: list[tuple[float, float, float, float]] = []

    def curve(self, x, y, text: str = "", colour: str = INK) -> None:
        """A curve (data coordinates, x rising) that labels keep clear of, with its own label if `text` is given."""
        low, high = self._seen(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
        self.curves.append((low, high, text, colour))

    def point(self, x: float, y: float, text: str, colour: str = INK) -> None:
        """A marked point that labels keep clear of, with its own label."""
        across, up = self.axes.transData.transform((x, y)) - (self.left, self.bottom)
        if np.isfinite([across, up]).all():
            self.points.append((float(across), float(up), text, colour))
            self.boxes.append((across - 6.0, up - 6.0, across + 6.0, up + 6.0))

    def keep_clear(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """A box in pixels from the lower left corner of the axes where no label may stand."""
        self.boxes.append((x0, y0, x1, y1))

    def draw(self) -> None:
        """Place every label: those of points first, then those of curves, the longest texts first."""
        for across, up, text, colour in self.points:
            wide, tall = _size(text)
            aside = np.array([9.0, 30.0, 60.0, -wide / 2.0, -20.0, 20.0 - wide, -wide - 9.0, -wide - 30.0, -wide - 60.0])
            above = np.array([-tall / 2.0, 9.0, 30.0, 60.0, 90.0, -tall - 9.0, -tall - 30.0, -tall - 60.0, -tall - 90.0])
            lefts, bottoms = (grid.ravel() for grid in np.meshgrid(across + aside, up + above))
            inside = (lefts > 0.0) & (lefts + wide < self.width)
            middle = across - np.clip(across, lefts, lefts + wide), up - np.clip(up, bottoms, bottoms + tall)
            if self._settle(text, colour, lefts[inside], bottoms[inside], -np.hypot(*middle)[inside]):
                x0, y0, x1, y1 = self.boxes[-1]
                nearest = (np.clip(across, x0, x1), np.clip(up, y0 + 2.0, y1 - 2.0))
                away = np.hypot(nearest[0] - across, nearest[1] - up)
                if away > 13.0:
                    edge = 5.0 / away  # the line begins at the mark's edge
                    self._line((across + edge * (nearest[0] - across), up + edge * (nearest[1] - up)), nearest, colour)
        for number in sorted(range(len(self.curves)), key=lambda k: -len(self.curves[k][2])):
            if self.curves[number][2]:
                self._beside(number)

    def _seen(self, x, y) -> tuple[np.ndarray, np.ndarray]:
        """Lowest and highest pixel of a curve in each column, NaN where it is not."""
        with np.errstate(invalid="ignore", divide="ignore"):
            across, up = (self.axes.transData.transform(np.column_stack([x, y])) - (self.left, self.bottom)).T
        up[~np.isfinite(up)] = np.nan
        edges = np.interp(np.arange(self.columns + 1) * CELL, across, up, left=np.nan, right=np.nan)
        low, high = np.fmin(edges[:-1], edges[1:]), np.fmax(edges[:-1], edges[1:])
        inside = np.isfinite(up) & (across >= 0.0) & (across < self.columns * CELL)
        column = (across[inside] // CELL).astype(int)
        for row, extreme in ((low, np.fmin), (high, np.fmax)):
            extreme.at(row, column, up[inside])
        return low, high

    def _beside(self, number: int) -> None:
        """Choose a place above or below a curve."""
        low, high, text, colour = self.curves[number]
        wide, tall = _size(text)
        span = int(np.ceil(wide / CELL))
        if span + 2 >= self.columns:
            return
        present = _windows(np.isfinite(low).astype(float), span).mean(axis=1) > 0.5
        top, foot = _windows(np.where(np.isnan(high), -np.inf, high), span), _windows(np.where(np.isnan(low), np.inf, low), span)
        lefts = np.flatnonzero(present) * CELL
        top, foot = top[present], foot[present]
        steep = 0.15 * (top.max(axis=1) - foot.min(axis=1)) + self._crowding(number, span)[present]
        above, below = top.max(axis=1) + 3.0, foot.min(axis=1) - tall - 3.0
        # How far the label's middle stands off the curve just there.
        middle = span // 2
        off_above, off_below = above - top[:, middle], foot[:, middle] - tall - below
        merit = -np.concatenate([0.6 * off_above + steep, 0.6 * off_below + steep])
        if self._settle(text, colour, np.concatenate([lefts, lefts]), np.concatenate([above, below]), merit, number):
            return
        # No room beside the curve: further off, with a thin line to it.
        away = np.concatenate([[30.0, 50.0, 80.0, 120.0], [-30.0, -50.0, -80.0, -120.0]])
        lefts, aims = np.tile(lefts, len(away)), np.tile(top[:, middle], len(away))
        away = np.repeat(away, len(aims) // len(away))
        bottoms = aims + away - tall / 2.0
        self._settle(text, colour, lefts, bottoms, -0.3 * np.abs(away), None, aims)

    def _crowding(self, number: int, span: int) -> np.ndarray:
        """Penalty for each place along a curve where another runs so close that a label could be read as either's."""
        low, high, *_ = self.curves[number]
        close = np.full(self.columns, np.inf)
        for k, (other_low, other_high, *_) in enumerate(self.curves):
            if k != number:
                close = np.fmin(close, np.fmax(other_low - high, low - other_high))
        nearest = _windows(close, span)[:, span // 2]
        return 5.0 * np.clip(12.0 - np.maximum(nearest, 0.0), 0.0, None)

    def _settle(self, text, colour, lefts, bottoms, merit, own=None, aims=None) -> bool:
        """Write `text` at the candidate with most clear space and merit, if it touches nothing.

        With `aims`, heights on the curve under the middle of each candidate, a line leads there.
        """
        wide, tall = _size(text)
        score = np.where((bottoms > 1.0) & (bottoms + tall < self.height - 1.0), merit, -np.inf)
        score = np.where(np.isfinite(score), score + self._clearance(lefts, bottoms, wide, tall, own), -np.inf)
        chosen = int(np.argmax(score)) if score.size else 0
        if score.size == 0 or score[chosen] < (TOUCHING / 2.0 if aims is None else -np.inf):
            return False
        left, bottom = float(lefts[chosen]), float(bottoms[chosen])
        if aims is not None:
            middle, edge = left + wide / 2.0, bottom if aims[chosen] < bottom else bottom + tall
            self._line((middle, edge), (middle, float(aims[chosen])), colour, marker="o", markersize=3.0, markevery=[1])
        self.boxes.append((left, bottom, left + wide, bottom + tall))
        self.axes.text(
            (left + wide / 2.0) / self.width, (bottom + tall / 2.0) / self.height, text, transform=self.axes.transAxes,
            ha="center", va="center", fontsize=SMALL, color=colour, parse_math=False, zorder=6,
        )  # fmt: skip
        return True

    def _line(self, start, end, colour, **more) -> None:
        """A thin line between two points in pixels."""
        self.axes.plot(
            [start[0] / self.width, end[0] / self.width], [start[1] / self.height, end[1] / self.height],
            transform=self.axes.transAxes, color=colour, linewidth=0.7, zorder=6, scalex=False, scaley=False, **more,
        )  # fmt: skip

    def _clearance(self, lefts, bottoms, wide, tall, own) -> np.ndarray:
        """Pixels between each candidate and what is nearest to it, at most `ROOMY`; `TOUCHING` when it lies on something."""
        clear = np.full(len(lefts), ROOMY)
        # Three columns more on each side, so that a label does not seem to belong to what passes beside it.
        span = int(np.ceil(wide / CELL)) + 6
        first = np.clip((lefts / CELL).astype(int), 0, self.columns - 1)
        for k, (low, high, *_) in enumerate(self.curves):
            if k == own:
                continue
            lowest = _windows(np.pad(np.where(np.isnan(low), np.inf, low), (3, span), constant_values=np.inf), span).min(axis=1)
            highest = _windows(np.pad(np.where(np.isnan(high), -np.inf, high), (3, span), constant_values=-np.inf), span).max(axis=1)
            clear = np.minimum(clear, np.maximum(lowest[first] - (bottoms + tall), bottoms - highest[first]))
        for x0, y0, x1, y1 in self.boxes:
            gap = np.max([x0 - lefts - wide, lefts - x1, y0 - bottoms - tall, bottoms - y1], axis=0)
            clear = np.minimum(clear, gap)
        return np.where(clear > 1.0, clear, TOUCHING + np.maximum(clear, -50.0))


def _size(text: str) -> tuple[float, float]:
    """Width and height of a label in pixels."""
    pixels = SMALL * DPI / 72.0
    return CHARACTER * pixels * len(text), 1.25 * pixels


def _windows(values, span: int) -> np.ndarray:
    return np.lib.stride_tricks.sliding_window_view(values, span)
