"""Pictures of the dwell studies: output against margin, slack of every position, and what each change between two
cards bought.

Frontier: valves an hour over the margin that is left at the worst limit, with the card as it stands.  Slack: one bar
for each heat, as much of it filled as is needed; what is left white could be spared, and the words say what fails
then.  Waterfall: one quantity from the old card to the new one, a bar for each change, and a thin line over the range
of what the same change does in other orders.

Pressures stand on a logarithmic axis; a bar that would end at or below nought there ends at the edge.
"""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from exhaustsim.reporting.canvas import (
    BAND, FAINT, INK, LEFT, LIMIT, PENS, SMALL, TEXT, Labels, decades, heading, log_pressure_axis, new_figure, place, shortened, words_below,
)  # fmt: skip
from exhaustsim.studies.bestsettings import Frontier
from exhaustsim.studies.slack import SAID, Slack
from exhaustsim.studies.waterfall import MARGIN, OUTPUT, UNITS, Waterfall
from exhaustsim.units import format_number

SHADES = {"oven": "#b4b4b4", "rf": "#16305e", "heater": "#6f6f6f"}
HATCHES = {"oven": "", "rf": "", "heater": "////"}
BETTER, WORSE, ENDS = "#dfe8f2", "#b4561a", "#4a4a4a"
ROW = 22.0  # pixels of a bar in the slack picture
LEAST_HEIGHT = 2.0  # inches


def frontier_picture(frontier: Frontier) -> Figure:
    """Valves an hour against margin."""
    reached = [p for p in frontier.points if p.found is not None]
    figure = new_figure()
    heading(figure, f"{shortened(frontier.schedule.name, 50)}: output against margin, settings chosen for each")
    axes = place(figure, LEFT, 44, 24, 40)
    margin = [100.0 * p.margin for p in reached]
    output = [p.valves_per_hour for p in reached]
    own = 100.0 * frontier.own_margin, 3600.0 / frontier.schedule.index_time
    across, up = [*margin, own[0]], [*output, own[1]]
    wide = max(max(across) - min(across), 1.0)
    axes.set_xlim(min(across) - 0.06 * wide, max(across) + 0.14 * wide)
    axes.set_ylim(0.9 * min(up), 1.12 * max(up))
    axes.set_ylabel("valves per hour, gross", fontsize=TEXT, color=INK)
    words_below(axes, "margin at the worst limit, % of the limit")
    axes.grid(axis="y", color=BAND, linewidth=0.7)
    labels = Labels(axes)
    if reached:
        PENS[0].plot(axes, margin, output, marker="o", markersize=5)
        labels.curve(margin, output)
        for x, y, point in zip(margin, output, reached, strict=True):
            labels.point(x, y, f"{point.found.index_time:.4g} s", PENS[0].colour)
    if own[0] < 0.0:
        axes.axvline(0.0, color=INK, linewidth=1.0)
    axes.plot(*own, marker="D", markersize=7, markerfacecolor="white", markeredgecolor=INK)
    labels.point(*own, f"card as it stands, {frontier.schedule.index_time:.4g} s")
    labels.draw()
    return figure


def slack_bars(slack: Slack) -> Figure:
    """Seconds and degrees to spare, least first."""
    rows = slack.rows
    figure = new_figure(max(LEAST_HEIGHT, (len(rows) * ROW + 96.0) / 100.0))
    heading(figure, f"{shortened(slack.schedule.name, 44)}: slack of each position at {slack.schedule.index_time:.4g} s index", left=14.0)
    axes = place(figure, 128, 40, 440, 52)
    axes.set_xlim(0.0, 100.0)
    axes.set_ylim(len(rows), 0.0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    words_below(axes, "share of the heat's seconds, %: filled what is needed, white what is to spare")
    beside = axes.get_yaxis_transform()
    for x, words in ((1.03, "to spare"), (1.42, "then fails first")):
        axes.text(x, 0.0, words, transform=beside, fontsize=SMALL, color=FAINT, ha="left", va="bottom")
    for number, row in enumerate(rows):
        middle = number + 0.5
        needed = 100.0 * (1.0 - row.share)
        axes.barh(middle, 100.0, height=0.66, facecolor="white", edgecolor=FAINT, linewidth=0.8)
        axes.barh(
            middle, needed, height=0.66, facecolor="white" if row.heat == "heater" else SHADES[row.heat], edgecolor=SHADES[row.heat],
            hatch=HATCHES[row.heat], linewidth=0.8,
        )  # fmt: skip
        axes.text(-0.03, middle, f"{row.position}  {SAID[row.heat]}", transform=beside, fontsize=TEXT, color=INK, ha="right", va="center")
        seconds = "all seconds" if row.dispensable else f"{row.seconds:.1f} of {row.seconds_of:.1f} s"
        degrees = "any K" if not row.fails_by_degrees else f"{format_number(row.degrees, 2)} K"
        axes.text(1.03, middle, f"{seconds}, {degrees}", transform=beside, fontsize=SMALL, color=INK, ha="left", va="center")
        fails = row.fails_by_seconds or row.fails_by_degrees
        axes.text(1.42, middle, shortened(fails.split(" (")[0], 44) or "nothing", transform=beside, fontsize=SMALL, color=INK, ha="left", va="center")
    return figure


def waterfall_picture(waterfall: Waterfall, name: str = "bulb_pressure") -> Figure:
    """One target, the output (`valves_per_hour`) or the worst margin (`margin`) from card to card.

    Raises
    ------
    ValueError
        The cards have no such quantity.
    """
    if name not in waterfall.start or name not in waterfall.end:
        raise ValueError(f"no quantity {name!r} in this waterfall; there are {', '.join(waterfall.start)}")
    figure = new_figure()
    heading(figure, f"{shortened(waterfall.first.name, 30)} to {shortened(waterfall.last.name, 30)}: {_words(name)}, one change at a time")
    axes = place(figure, LEFT + 6, 54, 20, 40)
    log = UNITS[name] == "Pa"
    factor = 1.0 if log or name == OUTPUT else 100.0
    steps = [s for s in waterfall.steps if name in s.bought]
    bars = [(factor * s.before[name], factor * s.after[name]) for s in steps]
    ranges = [_range(waterfall, s, name, factor) for s in steps]
    limit = waterfall.limits.get(name)
    limit = None if limit is None else factor * limit
    ends = factor * waterfall.start[name], factor * waterfall.end[name]
    seen = [*ends, *(x for pair in (*bars, *ranges) for x in pair), *([] if limit is None else [limit])]
    axes.set_xlim(-0.6, len(steps) + 1.6)
    if log:
        # Every bar and the target stand on the scale, over however many decades; only the thin lines may leave it.
        least = min(x for x in (*ends, *(x for pair in bars for x in pair), *([] if limit is None else [limit])) if x > 0.0)
        floor, high = decades([x for x in seen if x > 0.0], 0.9 * least)
        log_pressure_axis(axes, floor, high, "Pa", _words(name))
    else:
        least = max(min(seen), -100.0) if name == MARGIN else min(seen)
        room = 0.08 * (max(seen) - least) or 1.0
        floor, high = least - 1.6 * room, max(seen) + 1.6 * room
        if least >= 0.0:  # a share has nothing below nought to show
            floor = max(floor, 0.0)
        axes.set_ylim(floor, high)
        axes.set_ylabel("valves per hour" if name == OUTPUT else f"{_words(name)}, %", fontsize=TEXT, color=INK)
        axes.grid(axis="y", color=BAND, linewidth=0.7)
    axes.set_axisbelow(True)

    def kept(value):
        return float(np.clip(value, floor, high))

    def bar(x, a, b, colour, **more):
        low, top = sorted((kept(a), kept(b)))
        axes.bar(x, top - low, bottom=low, width=0.56, facecolor=colour, edgecolor=INK, linewidth=0.9, **more)

    places = list(range(len(steps) + 2))
    bar(0, floor, ends[0], ENDS)
    bar(places[-1], floor, ends[1], ENDS)
    for x, ((a, b), (least, most)) in enumerate(zip(bars, ranges, strict=True), start=1):
        bad = _worse(name, a, b)
        bar(x, a, b, WORSE if bad else BETTER, hatch="" if bad else "....")
        axes.plot([x + 0.38] * 2, [kept(least), kept(most)], color=INK, linewidth=1.0, marker="_", markersize=6)
        axes.plot([x - 0.72, x - 0.28], [kept(a)] * 2, color=INK, linewidth=0.7)
    axes.plot([places[-1] - 0.72, places[-1] - 0.28], [kept(ends[1])] * 2, color=INK, linewidth=0.7)
    told = [(0, ends[0], False), *((k, b, b < a) for k, (a, b) in enumerate(bars, start=1)), (places[-1], ends[1], False)]
    for x, value, falls in told:
        # The figure stands at the end that the bar leads to, and above the foot of the scale: below it are the names.
        falls = falls and kept(value) > floor
        axes.annotate(
            _figure(name, value), (x, kept(value)), xytext=(0, -4 if falls else 4), textcoords="offset points", fontsize=SMALL, color=INK,
            ha="center", va="top" if falls else "bottom", bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6}, zorder=5,
        )  # fmt: skip
    if limit is not None:
        LIMIT.plot(axes, axes.get_xlim(), [limit, limit])
        axes.annotate(
            f"target {_figure(name, limit)}", (axes.get_xlim()[1], limit), xytext=(-2, 3), textcoords="offset points", fontsize=SMALL, color=INK, ha="right", va="bottom"
        )
    axes.set_xticks(places, ["old card", *(shortened(s.change.name, 16) for s in steps), "new card"])
    axes.tick_params(axis="x", labelsize=SMALL if len(steps) <= 8 else SMALL - 1.5)
    words_below(axes, f"thin lines: what the same change does over {waterfall.orders}")
    return figure


def _range(waterfall: Waterfall, step, name: str, factor: float) -> tuple[float, float]:
    """From where the bar begins, to where the change leads at least and at most over the orders."""
    influence = waterfall.influence[step.change.name]
    bought = (influence.least.get(name), influence.most.get(name))
    return tuple(factor * (step.before[name] + (step.bought[name] if x is None else x)) for x in bought)


def _worse(name: str, before: float, after: float) -> bool:
    higher_is_better = name in ("converted_fraction", OUTPUT, MARGIN)
    return after < before if higher_is_better else after > before


def _words(name: str) -> str:
    return {"sealed_pressure": "sealed pressure after ageing", MARGIN: "margin at the worst limit"}.get(name, name.replace("_", " "))


def _figure(name: str, value: float) -> str:
    if UNITS[name] == "Pa":
        return format_number(value, 2)
    if name == OUTPUT:
        return f"{value:.0f}"
    return "below -100%" if name == MARGIN and value < -100.0 else f"{value:.3g}%"
