"""A batch of valves in pictures: pass rate against index time, what valves are rejected for, and which tolerance brings it.

Bands and thin lines are 95 % intervals: of a pass rate the exact one of its count, of a contribution the one by
resampling.  Not shown: how sure the constants of the laws are, which moves every valve of a batch alike
(`exhaustsim.reporting.bandplot`).
"""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from exhaustsim.reporting.canvas import BAND, FAINT, INK, LIMIT, PENS, SMALL, TEXT, heading, new_figure, place, shortened, words_below
from exhaustsim.studies.contributions import OUTCOMES, Contributions, percent
from exhaustsim.studies.spread import Spread
from exhaustsim.studies.spreadflags import LIMITS
from exhaustsim.studies.yieldcurve import TAKEN, YieldCurve
from exhaustsim.units import share_text

MOST_ROWS = 8  # causes or tolerances drawn
NAMES = 290  # pixels left of the bars, for their names
BAR = "#8f8f8f"
APART = 6.5  # % between two labels at the edge


def yield_picture(curve: YieldCurve) -> Figure:
    """Pass rate against index time (or getter fill) with its interval, and the share of valves whose breakdown was finished."""
    figure = new_figure()
    over = "index time" if curve.over == "index_time" else "barium in the getter"
    heading(figure, f"{shortened(curve.schedule.name, 50)}: pass rate against {over}, {curve.points[0].spread.n} valves each")
    axes = place(figure, 68, 46, 250, 40)
    scale, unit = (1.0, "s") if curve.over == "index_time" else (1e6, "mg")
    x = np.array([p.setting for p in curve.points]) * scale
    low, high = 100.0 * np.array([p.spread.interval for p in curve.points]).T
    axes.fill_between(x, low, high, color=BAND, linewidth=0.0, zorder=1)
    rate = 100.0 * np.array([p.spread.pass_rate for p in curve.points])
    PENS[0].plot(axes, x, rate, zorder=4)
    passes = np.array([p.spread.mean.passes for p in curve.points])
    for chosen, face in ((passes, PENS[0].colour), (~passes, "white")):
        axes.plot(x[chosen], rate[chosen], "o", markersize=7, markerfacecolor=face, markeredgecolor=PENS[0].colour, zorder=5, clip_on=False)
    labels = [(rate[-1], "pass by the whole verdict", PENS[0].colour)]
    for k, share in enumerate(TAKEN):
        pen = PENS[k + 1]
        values = 100.0 * np.array([p.taken[k] / p.spread.n for p in curve.points])
        pen.plot(axes, x, values, zorder=3)
        axes.annotate(share_text(share), (x[0], values[0]), xytext=(8, -2), textcoords="offset points", fontsize=SMALL, color=pen.colour, va="top", zorder=6)
        labels.append((values[-1], f"CO2 left takes under {share_text(share)} of getter", pen.colour))
    for limit, word in ((LIMITS.warn, "warn"), (LIMITS.stop, "stop")):
        axes.axhline(100.0 * limit, color=LIMIT.colour, linestyle=LIMIT.dashes, linewidth=LIMIT.width, zorder=2)
        axes.text(0.99, 100.0 * limit - 0.8, f"{word} below {share_text(limit)}", transform=axes.get_yaxis_transform(), fontsize=SMALL, color=INK, ha="right", va="top", zorder=6)
    axes.set_ylim(-3.0, 103.0)
    margin = 0.03 * max(x[-1] - x[0], 0.1 * x[-1])
    axes.set_xlim(x[0] - margin, x[-1] + margin)
    axes.set_ylabel("share of the valves, %", fontsize=TEXT, color=INK)
    words_below(axes, f"{over}, {unit}")
    _at_edge(axes, labels)
    beside = axes.transAxes
    for row, text in enumerate(("grey: 95% interval of the pass rate", "filled: the drawing passes", "open: the drawing fails")):
        axes.text(1.02, 0.16 - 0.06 * row, text, transform=beside, fontsize=SMALL, color=FAINT, va="center")
    return figure


def cause_picture(spread: Spread) -> Figure:
    """What valves are rejected for: first causes as bars, all valves that fail by it as thin lines."""
    causes = spread.causes[:MOST_ROWS]
    figure = new_figure()
    low, high = (share_text(x) for x in spread.interval)
    heading(figure, f"{shortened(spread.schedule.name, 40)}: {share_text(spread.pass_rate)} of {spread.n} valves pass ({low} to {high})", left=14.0)
    axes = _rows(figure, len(causes))
    if not causes:
        axes.text(0.5, 0.5, "no rejects", transform=axes.transAxes, ha="center", va="center", fontsize=TEXT, color=INK)
        axes.set_xticks([])
        axes.spines[:].set_visible(False)
        return figure
    top = 100.0 * max(c.all for c in causes) / spread.n
    for row, cause in enumerate(causes):
        first, every = 100.0 * cause.first / spread.n, 100.0 * cause.all / spread.n
        axes.plot([0.0, every], [row, row], color=INK, linewidth=1.1, marker="|", markersize=9, markevery=[1], zorder=3)
        axes.plot([0.0, first], [row, row], color=BAR, linewidth=12.0, solid_capstyle="butt", zorder=2)
        _name(axes, row, cause.what)
        text = share_text(cause.first / spread.n) + (f", {share_text(cause.all / spread.n)} in all" if cause.all > cause.first else "")
        axes.text(every + 0.015 * top, row, text, fontsize=SMALL, color=INK, va="center")
    axes.set_xlim(0.0, 1.28 * top)
    axes.set_xticks([tick for tick in axes.get_xticks() if tick <= 100.0])
    words_below(axes, "share of the valves, %: bar, rejected for it first; line, failing by it at all")
    return figure


def contribution_picture(found: Contributions) -> Figure:
    """What each tolerance brings to the scatter of an outcome: alone as marks, with others as bars."""
    rows = found.rows[:MOST_ROWS]
    figure = new_figure()
    heading(figure, f"{shortened(found.schedule.name, 30)}: scatter in {shortened(OUTCOMES[found.outcome], 60)}", left=14.0)
    axes = _rows(figure, len(rows))
    for row, r in enumerate(rows):
        axes.plot([0.0, 100.0 * r.in_all], [row, row], color=BAR, linewidth=12.0, solid_capstyle="butt", zorder=2)
        ends = 100.0 * np.array(r.in_all_interval)
        axes.plot(ends, [row, row], color=INK, linewidth=1.1, marker="|", markersize=9, zorder=3)
        axes.plot([100.0 * r.alone], [row], marker="D", markersize=6, markerfacecolor="white", markeredgecolor=INK, zorder=4)
        _name(axes, row, r.what)
        axes.text(max(ends[1], 100.0 * r.alone, 0.0) + 3.0, row, percent(r.in_all), fontsize=SMALL, color=INK, va="center")
    reach = max([100.0, *(100.0 * r.in_all_interval[1] for r in rows)])
    axes.set_xlim(min([0.0, *(100.0 * r.alone - 3.0 for r in rows)]), 1.1 * reach)
    words_below(axes, "share of the variance, %: bar and line, with others, and its 95% interval; diamond, by itself")
    return figure


def _rows(figure: Figure, count: int):
    """Axes for named rows, the first on top."""
    axes = place(figure, NAMES, 46, 30, 44)
    # Eight rows fill the picture; fewer stand closer to the top, not thicker.
    axes.set_ylim(max(count, 5) - 0.4, -0.7)
    axes.set_yticks([])
    axes.spines["left"].set_position(("data", 0.0))
    return axes


def _name(axes, row: int, text: str) -> None:
    """The name of a row, left of the axes, in two lines if it is long."""
    words = shortened(text, 84)
    if len(words) > 44:
        cut = words.rfind(" ", 0, 44)
        words = f"{words[:cut]}\n{words[cut + 1:]}"
    axes.text(-0.02, row, words, transform=axes.get_yaxis_transform(), fontsize=SMALL, color=INK, ha="right", va="center", linespacing=1.05, parse_math=False)


def _at_edge(axes, labels) -> None:
    """Labels right of the curves' ends, moved apart, each with a line to its curve."""
    right = axes.get_xlim()[1]
    height = 103.0
    for value, text, colour in sorted(labels, key=lambda label: -label[0]):
        at = min(value, height - APART)
        height = at
        axes.annotate(
            text, (1.0, value), xytext=(1.03, at), xycoords=axes.get_yaxis_transform(), textcoords=axes.get_yaxis_transform(), fontsize=SMALL,
            color=colour, va="center", arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.7, "relpos": (0.0, 0.5)}, annotation_clip=False,
        )  # fmt: skip
    axes.set_xlim(right=right)
