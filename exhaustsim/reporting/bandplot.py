"""The band on a verdict as a picture: how far each target quantity goes against its limit while the
constants trusted least run over their ranges.

One row for each target.  The bar is the range with one constant moved at a time, the thin line
with its ends the range with all moved together as well, the mark the value as the valve has it,
filled when it is beyond the limit.  The axis is the quantity over its limit, logarithmic; of the
converted fraction it is what is left unconverted over what may be left.

Not shown: the verdict's other limits, which may turn it too; they stand in the table.
"""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from exhaustsim.reporting.canvas import FAINT, INK, SMALL, TEXT, heading, new_figure, place, shortened, tick_words
from exhaustsim.studies.band import Band, TargetRange

NEAREST, FURTHEST = 1e-2, 1e3  # of the limit: the axis reaches no further
ROW = 38.0  # pixels
ABOVE, BELOW = 60.0, 34.0  # pixels above and below the rows


def band_picture(band: Band) -> Figure:
    """The ranges of the target quantities against their limits."""
    targets = list(band.targets.items())
    figure = new_figure((len(targets) * ROW + ABOVE + BELOW) / 100.0)
    heading(figure, f"{shortened(band.schedule.name, 50)}: target quantities over the ranges of the constants", left=14.0)
    axes = place(figure, 210, BELOW, 204, ABOVE)
    low, high = _reach([_over_limit(name, t, x) for name, t in targets for x in (t.low, t.nominal, t.high)])
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    axes.set_ylim(len(targets), 0.0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    powers = [10.0**d for d in range(round(np.log10(low)), round(np.log10(high)) + 1)]
    tick_words(axes, powers, ["limit" if p == 1.0 else f"{p:g} x" for p in powers])
    axes.axvspan(1.0, high, facecolor="#f2f2f2", edgecolor="#c4c4c4", hatch="/////", linewidth=0.0, zorder=0)
    axes.axvline(1.0, color=INK, linewidth=1.2, zorder=1)
    for x, words, side in ((0.0, "within", "left"), (1.0, "beyond the limit", "right")):
        axes.text(x, 1.02, words, transform=axes.transAxes, fontsize=SMALL, color=FAINT, ha=side, va="bottom")
    beside = axes.get_yaxis_transform()
    axes.text(1.02, -0.12, "moved most by", transform=beside, fontsize=SMALL, color=FAINT, ha="left", va="bottom")
    for row, (name, target) in enumerate(targets):
        _row(axes, row + 0.68, name, target, band, (low, high))
        axes.text(-0.03, row + 0.68, target.what, transform=beside, fontsize=TEXT, color=INK, ha="right", va="center")
        mover = band.moved(target.mover).constant.what if target.mover else "none of them"
        axes.text(1.02, row + 0.68, shortened(mover, 32), transform=beside, fontsize=SMALL, color=INK, ha="left", va="center")
    return figure


def _row(axes, height: float, name: str, target: TargetRange, band: Band, reach: tuple[float, float]) -> None:
    """Range, bar, mark and the two end values of one target."""

    def across(value):
        return float(np.clip(_over_limit(name, target, value), *reach))

    # Of the converted fraction the high value lies on the left.
    left, right = sorted((target.low, target.high), key=lambda value: _over_limit(name, target, value))
    ends = [across(left), across(right)]
    axes.plot(ends, [height, height], color=INK, linewidth=1.1, marker="|", markersize=9, zorder=3, clip_on=False)
    axes.plot([across(x) for x in target.alone], [height, height], color="#8f8f8f", linewidth=7.0, solid_capstyle="butt", zorder=2)
    at = across(target.nominal)
    beyond = _over_limit(name, target, target.nominal) > 1.0
    axes.plot([at], [height], marker="D", markersize=6.5, markerfacecolor=INK if beyond else "white", markeredgecolor=INK, zorder=4, clip_on=False)
    arrows = ["← " if _over_limit(name, target, left) < reach[0] else "", " →" if _over_limit(name, target, right) > reach[1] else ""]
    texts = [band.shown(target, left), band.shown(target, right)]
    if np.log(ends[1] / ends[0]) < 0.3 * np.log(reach[1] / reach[0]):
        # No room for two numbers: one text.
        both = texts[1] if texts[0] == texts[1] else f"{texts[0].removesuffix(' ' + band.pressure_unit)} to {texts[1]}"
        _write(axes, ends, height - 0.36, arrows[0] + both + arrows[1], reach)
    else:
        _write(axes, [ends[0], ends[0]], height - 0.36, arrows[0] + texts[0], reach)
        _write(axes, [ends[1], ends[1]], height - 0.36, texts[1] + arrows[1], reach)


def _write(axes, ends: list[float], height: float, text: str, reach: tuple[float, float]) -> None:
    """A number over its place, clear of the edges of the axes and of the limit where that can be."""
    middle = float(np.sqrt(ends[0] * ends[1]))
    share = np.log(middle / reach[0]) / np.log(reach[1] / reach[0])
    x, side = middle, "center"
    if share < 0.1:
        x, side = ends[0], "left"
    elif share > 0.9:
        x, side = ends[1], "right"
    elif ends[1] <= 1.0 and middle > 0.1:
        x, side = min(1.3 * ends[1], 0.95), "right"
    elif ends[0] >= 1.0 and middle < 10.0:
        x, side = max(ends[0] / 1.3, 1.05), "left"
    axes.text(
        x, height, text, fontsize=SMALL, color=INK, ha=side, va="center", zorder=5,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
    )  # fmt: skip


def _over_limit(name: str, target: TargetRange, value: float) -> float:
    """The quantity over its limit; of the converted fraction, what is left over what may be left."""
    if name == "converted_fraction":
        return (1.0 - value) / max(1.0 - target.limit, 1e-12)
    return value / target.limit


def _reach(ratios: list[float]) -> tuple[float, float]:
    """Whole decades round the ratios with the limit between them."""
    kept = np.clip([r for r in ratios if r > 0.0] or [1.0], NEAREST, FURTHEST)
    low = 10.0 ** np.floor(np.log10(min(kept.min(), 0.1) * 1.001))
    high = 10.0 ** np.ceil(np.log10(max(kept.max(), 10.0) * 0.999))
    return float(max(low, NEAREST)), float(min(high, FURTHEST))
