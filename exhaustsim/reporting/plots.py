"""Pictures of a run: bulb and line pressure position by position and in time, temperatures of
the parts, and several schedules side by side.

Each function takes results and returns a matplotlib figure of the size of the bench screen,
900 x 450 pixels; save it with `figure.savefig(path)`.  Pressures are on a logarithmic axis in
the unit asked for.  Along the axis of positions each position is as wide as the next, and
within it time runs from the beginning of the transfer to the end of the dwell; transfers, in
which the port is blanked, are hatched.

Not shown: pressure differences within the bulb, and temperatures within a part.
"""

from __future__ import annotations

from itertools import groupby

import numpy as np
from matplotlib.figure import Figure

from exhaustsim.constants import ZERO_CELSIUS
from exhaustsim.engine.result import Run
from exhaustsim.reporting.canvas import (
    BAND, BULB, FAINT, INK, LEFT, LIMIT, LINE, PENS, SMALL, TEXT, Labels, boxes, decades, fitted, heading, log_pressure_axis, new_figure, place,
    shortened, tick_words, unit_words, words_below,
)  # fmt: skip
from exhaustsim.reporting.ledgerbars import ledger_bars
from exhaustsim.studies.comparison import Comparison
from exhaustsim.units import YEAR, convert, format_number

__all__ = ["ledger_bars", "pressure_against_time", "pressure_by_position", "side_by_side", "temperatures"]

FLOOR = 1e-7  # Pa: no pressure axis reaches lower
MOST_SCHEDULES = 4  # side by side in one picture
DURATIONS = ((1.0, "1 s"), (60.0, "1 min"), (3600.0, "1 h"), (86400.0, "1 day"), (YEAR, "1 year"))


def pressure_by_position(run: Run, pressure_unit: str = "Pa") -> Figure:
    """Bulb and line pressure against position, with the target and what is done at each position."""
    figure = new_figure()
    heading(figure, f"{shortened(run.schedule.name, 60)}: bulb pressure and line pressure")
    axes = place(figure, LEFT, 42, 16, 92)
    x, on = places(run)
    bulb, line = pressures(run, pressure_unit)
    limit = convert(run.schedule.target.bulb_pressure, "pressure", pressure_unit)
    _position_axis(axes, run)
    after_gulp = on & (run.position > 1)
    scale = _pressure_range([bulb[after_gulp], line[after_gulp], [limit]], pressure_unit)
    log_pressure_axis(axes, *scale, pressure_unit, "bulb and line pressure")
    _hatch_transfers(axes, run, lambda time, position: _place_of(run, time, position))
    # The names let a live picture find what moves.
    BULB.plot(axes, x, bulb[on], zorder=4, gid="bulb pressure")
    LINE.plot(axes, x, line[on], zorder=3, gid="line pressure")
    _strip(axes, run)
    labels = Labels(axes)
    _gulp(axes, labels)
    labels.curve(x, bulb[on], "bulb pressure", BULB.colour)
    labels.curve(x, line[on], "line pressure", LINE.colour)
    _target(axes, labels, run, pressure_unit, axes.get_xlim(), x[np.searchsorted(np.flatnonzero(on), run.judged_at)])
    labels.draw()
    return figure


def pressure_against_time(run: Run, pressure_unit: str = "Pa") -> Figure:
    """Bulb and line pressure against time on the machine, then of the sealed valve on a logarithmic time axis."""
    figure = new_figure()
    sealed = bool((run.stage >= 2).any())
    heading(figure, f"{shortened(run.schedule.name, 60)}: bulb pressure and line pressure in time")
    axes = place(figure, LEFT, 42, 360 if sealed else 16, 46)
    on = run.stage <= 1
    bulb, line = pressures(run, pressure_unit)
    target = run.schedule.target
    limits = [convert(target.bulb_pressure, "pressure", pressure_unit), convert(target.sealed_pressure, "pressure", pressure_unit)]
    scale = _pressure_range([bulb[run.position != 1], line[run.position != 1], limits], pressure_unit)
    axes.set_xlim(0.0, run.time[on][-1])
    words_below(axes, "time on the machine, s")
    log_pressure_axis(axes, *scale, pressure_unit, "bulb and line pressure")
    _hatch_transfers(axes, run, lambda time, position: time)
    BULB.plot(axes, run.time[on], bulb[on], zorder=4)
    LINE.plot(axes, run.time[on], line[on], zorder=3)
    _position_numbers(axes, run)
    labels = Labels(axes)
    _gulp(axes, labels)
    labels.curve(run.time[on], bulb[on], "bulb pressure", BULB.colour)
    labels.curve(run.time[on], line[on], "line pressure", LINE.colour)
    _target(axes, labels, run, pressure_unit, axes.get_xlim(), run.time[run.judged_at])
    labels.draw()
    if sealed:
        _sealed_panel(place(figure, 566, 42, 24, 46), run, bulb, scale, pressure_unit)
    return figure


def temperatures(run: Run) -> Figure:
    """Temperatures of the parts [degC] against position."""
    figure = new_figure()
    heading(figure, f"{shortened(run.schedule.name, 60)}: temperatures of the parts")
    axes = place(figure, LEFT, 42, 16, 92)
    x, on = places(run)
    celsius = run.temperature[on] - ZERO_CELSIUS
    top = max(float(celsius.max()), 100.0)
    axes.set_ylim(0.0, 1.12 * top)
    axes.set_ylabel("temperature, degC", fontsize=TEXT, color=INK)
    axes.grid(axis="y", color=BAND, linewidth=0.7)
    axes.set_axisbelow(True)
    _position_axis(axes, run)
    _hatch_transfers(axes, run, lambda time, position: _place_of(run, time, position))
    _strip(axes, run)
    labels = Labels(axes)
    for k, name in enumerate(run.node_names):
        pen = PENS[k % len(PENS)]
        pen.plot(axes, x, celsius[:, k], zorder=3)
        labels.curve(x, celsius[:, k], shortened(name.replace("_", " ")), pen.colour)
    labels.draw()
    return figure


def side_by_side(comparison: Comparison) -> Figure:
    """Bulb pressure of up to four schedules against position, and their target quantities over the limits."""
    figure = new_figure()
    verdicts = comparison.verdicts[:MOST_SCHEDULES]
    left_out = len(comparison.verdicts) - len(verdicts)
    heading(figure, "Bulb pressure of the schedules" + (f" (first {MOST_SCHEDULES} of {left_out + len(verdicts)})" if left_out else ""))
    axes = place(figure, LEFT, 42, 246, 46)
    unit = comparison.pressure_unit
    longest = max((v.run for v in verdicts), key=lambda run: len(run.schedule.positions))
    _position_axis(axes, longest)
    words_below(axes, "position (spikes: port blanked in transfer)")
    curves = []
    for verdict in verdicts:
        x, on = places(verdict.run)
        curves.append((x, pressures(verdict.run, unit)[0][on], verdict.run.position[on] > 1))
    limits = sorted({convert(v.run.schedule.target.bulb_pressure, "pressure", unit) for v in verdicts})
    log_pressure_axis(axes, *_pressure_range([*(y[later] for _, y, later in curves), limits], unit), unit, "bulb pressure")
    labels = Labels(axes)
    _gulp(axes, labels)
    for number, ((x, y, _), verdict) in enumerate(zip(curves, verdicts, strict=True)):
        pen = PENS[number]
        pen.plot(axes, x, y, zorder=5 - number / 10)
        labels.curve(x, y, f"{number + 1} {shortened(verdict.name, 26)}: {verdict.word}", pen.colour)
    for limit in limits:
        LIMIT.plot(axes, axes.get_xlim(), [limit, limit], zorder=2)
        labels.curve(axes.get_xlim(), [limit, limit], f"target {format_number(limit, 2)} {unit_words(unit)}", INK)
    labels.draw()
    _targets_panel(place(figure, 700, 42, 16, 46), verdicts)
    return figure


# ---- axes ------------------------------------------------------------------------------


def places(run: Run) -> tuple[np.ndarray, np.ndarray]:
    """Places of the samples on the machine along the axis of positions, and the mask of those samples."""
    on = run.stage <= 1
    return _place_of(run, run.time[on], run.position[on]), on


def _place_of(run: Run, time, position):
    """Position k reaches from k - 1/2, where its transfer begins, to k + 1/2, where its dwell ends."""
    index_time = run.schedule.index_time
    begins = (position - 1) * index_time - run.schedule.machine.transfer_time
    return position - 0.5 + (time - begins) / index_time


def pressures(run: Run, unit: str) -> tuple[np.ndarray, np.ndarray]:
    """Bulb and line pressure in `unit`; what cannot stand on a logarithmic axis is left blank."""
    size = convert(1.0, "pressure", unit)
    with np.errstate(invalid="ignore"):
        return tuple(np.where(p > 0.0, p * size, np.nan) for p in (run.total_bulb_pressure, run.total_line_pressure))


def _gulp(axes, labels: Labels) -> None:
    """Says where the curve comes from that runs off the upper edge at position 1."""
    axes.text(
        26.0 / labels.width, 1.0, "from room air", transform=axes.transAxes, fontsize=SMALL, color=FAINT, ha="left", va="top", zorder=6,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
    )  # fmt: skip
    labels.keep_clear(0.0, labels.height - 16.0, 110.0, labels.height)


def _pressure_range(values, unit: str) -> tuple[float, float]:
    return decades(np.concatenate([np.ravel(v) for v in values]), FLOOR * convert(1.0, "pressure", unit))


def _position_axis(axes, run: Run) -> None:
    count = len(run.schedule.positions)
    axes.set_xlim(0.5, count + 0.5)
    axes.set_xticks([])
    foot = -6.0 / axes.get_window_extent().height
    for position in range(1, count + 1):
        axes.text(
            position, foot, str(position), transform=axes.get_xaxis_transform(), fontsize=TEXT, color=INK, ha="center", va="top"
        )
    words_below(axes, "position")


def _hatch_transfers(axes, run: Run, where) -> None:
    """Hatched bands over the transfers in which the port is blanked; `where(time, position)` gives places along the axis."""
    tip = run.tip_off_sample
    bands = []  # left, bottom, width, height
    for setting in run.schedule.positions:
        samples = run.transfer_samples(setting.position)
        if samples.size == 0 or (tip is not None and samples[0] > tip):
            continue
        start, end = (float(where(run.time[i], setting.position)) for i in (samples[0], samples[-1]))
        bands.append((start, 0.0, end - start, 1.0))
    boxes(axes, bands, ["#f2f2f2"], axes.get_xaxis_transform(), edgecolors="#c4c4c4", hatch="/////", linewidths=0.0, zorder=0)


def _position_numbers(axes, run: Run) -> None:
    """Position numbers along the upper edge of a time axis."""
    for setting in run.schedule.positions:
        dwell = run.dwell_samples(setting.position)
        if dwell.size:
            middle = 0.5 * (run.time[dwell[0]] + run.time[dwell[-1]])
            axes.text(
                middle, 1.01, str(setting.position), transform=axes.get_xaxis_transform(), fontsize=SMALL, color=FAINT,
                ha="center", va="bottom",
            )  # fmt: skip
    axes.text(-0.01, 1.01, "position", transform=axes.transAxes, fontsize=SMALL, color=FAINT, ha="right", va="bottom")


def _target(axes, labels: Labels, run: Run, unit: str, span, judged: float) -> None:
    """The target line, with a ring where the bulb pressure is held against it."""
    limit = convert(run.schedule.target.bulb_pressure, "pressure", unit)
    reached = float(run.total_bulb_pressure[run.judged_at])
    LIMIT.plot(axes, span, [limit, limit], zorder=2)
    labels.curve(span, [limit, limit], f"target {format_number(limit, 2)} {unit_words(unit)}", INK)
    if reached > 0.0:
        value = convert(reached, "pressure", unit)
        axes.plot([judged], [value], marker="o", markersize=8, markerfacecolor="none", markeredgecolor=INK, zorder=6, gid="judged")
        labels.point(judged, value, judged_words(value, unit), BULB.colour)


def judged_words(value: float, unit: str) -> str:
    """The label of the ring: the bulb pressure, in `unit`, that is held against the target."""
    return f"judged: {format_number(value, 2)} {unit_words(unit)}"


def _work(run: Run, position: int) -> str:
    """What is done at a position beside heater and pumping, in a word or two."""
    setting, machine = run.schedule.positions[position - 1], run.schedule.machine
    words = []
    if position in machine.oven_positions:
        words.append("oven")
    if setting.action in ("flash", "tip_off", "spark_test", "load", "eject"):
        words.append({"tip_off": "tip-off", "spark_test": "spark"}.get(setting.action, setting.action))
    elif setting.rf is not None:
        words.append("RF")
    return " + ".join(words)


def strip_rows(run: Run) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Names of the three rows above the picture, and the words of each position in each row."""
    schedule, positions = run.schedule, range(1, len(run.schedule.positions) + 1)
    lines = tuple(schedule.machine.line_of_position.get(p, "") for p in positions)
    volts = tuple(f"{p.heater_voltage:.1f}" if p.heater_voltage > 0.0 else "" for p in schedule.positions)
    return ("line", "work", "heater, V"), (lines, tuple(_work(run, p) for p in positions), volts)


def _strip(axes, run: Run) -> None:
    """Three rows above the picture: pumping line, work, heater volts of each position."""
    count = len(run.schedule.positions)
    window = axes.get_window_extent()
    room = window.width / count  # pixels for one position
    rows = zip(*strip_rows(run), ("#ffffff", "#ececec", "#d6d6d6"), strict=True)
    where = axes.get_xaxis_transform()
    rectangles, shades = [], []
    for row, (name, entries, shade) in enumerate(rows):
        foot = 1.0 + (68.0 - 21.0 * (row + 1)) / window.height
        middle = foot + 9.0 / window.height
        axes.text(0.42, middle, name, transform=where, fontsize=SMALL - 1, color=FAINT, ha="right", va="center")
        position = 1
        for text, group in groupby(entries):
            wide = len(list(group))
            if text:
                rectangles.append((position - 0.48, foot, wide - 0.04, 18.0 / window.height))
                shades.append(shade)
                words, size = fitted(text, wide * room - 4.0, SMALL - 0.5)
                axes.text(
                    position - 0.5 + wide / 2.0, middle, words, transform=where, fontsize=size, color=INK, ha="center", va="center",
                    parse_math=False, linespacing=0.85, gid=f"{name} {position}",
                )  # fmt: skip
            position += wide
    boxes(axes, rectangles, shades, where, edgecolors=FAINT, linewidths=0.6, clip_on=False)


def _sealed_panel(axes, run: Run, bulb, limits, unit: str) -> None:
    """Bulb pressure of the sealed valve against the time since it left the machine."""
    after = run.stage >= 2
    since = run.time[after] - run.time[run.stage <= 1][-1]
    first = 0.3
    axes.set_xscale("log")
    axes.set_xlim(first, max(float(since[-1]), 10.0 * first))
    ticks = [(t, words) for t, words in DURATIONS if first <= t <= 1.001 * since[-1]]
    tick_words(axes, [t for t, _ in ticks], [words for _, words in ticks])
    words_below(axes, "time since the machine")
    log_pressure_axis(axes, *limits, unit, "")
    shown = np.maximum(since, 1e-6)
    BULB.plot(axes, shown, bulb[after])
    labels = Labels(axes)
    labels.curve(shown, bulb[after], "bulb pressure, sealed", BULB.colour)
    target = convert(run.schedule.target.sealed_pressure, "pressure", unit)
    LIMIT.plot(axes, axes.get_xlim(), [target, target], zorder=2)
    labels.curve(axes.get_xlim(), [target, target], f"target {format_number(target, 2)} {unit_words(unit)}", INK)
    ageing = np.flatnonzero(run.stage[after] == 3)
    if ageing.size:
        start, end = since[ageing[0]], since[ageing[-1]]
        axes.axvspan(start, end, facecolor=BAND, zorder=0)
        axes.text(
            np.sqrt(start * end), 1.01, "ageing", transform=axes.get_xaxis_transform(), fontsize=SMALL, color=FAINT,
            ha="center", va="bottom",
        )  # fmt: skip
    labels.draw()


# ---- targets ---------------------------------------------------------------------------

TARGET_WORDS = {
    "bulb_pressure": "bulb pressure",
    "air_share": "air share",
    "converted_fraction": "carbonate left",
    "barium_spent": "barium spent",
    "sealed_pressure": "sealed pressure",
}
REACH = 30.0  # times the limit, either way, that the panel shows


def _targets_panel(axes, verdicts) -> None:
    """Target quantities over their limits: one row of numbered marks for each, the limit down the middle."""
    names = [name for name in TARGET_WORDS if any(v.target(name) for v in verdicts)]
    axes.set_xscale("log")
    axes.set_xlim(1.0 / (1.6 * REACH), 1.6 * REACH)
    axes.set_ylim(len(names), 0.0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    tick_words(axes, [0.1, 1.0, 10.0], ["0.1 x", "limit", "10 x"])
    axes.axvspan(1.0, 1.6 * REACH, facecolor="#f2f2f2", edgecolor="#c4c4c4", hatch="/////", linewidth=0.0, zorder=0)
    axes.axvline(1.0, color=INK, linewidth=1.2)
    axes.text(0.03, 1.01, "within", transform=axes.transAxes, fontsize=SMALL, color=FAINT, ha="left", va="bottom")
    axes.text(0.97, 1.01, "beyond the limit", transform=axes.transAxes, fontsize=SMALL, color=FAINT, ha="right", va="bottom")
    for row, name in enumerate(names):
        axes.text(-0.04, row + 0.13, TARGET_WORDS[name], transform=axes.get_yaxis_transform(), fontsize=SMALL, color=INK, va="center")
        for number, verdict in enumerate(verdicts):
            check = verdict.target(name)
            if check is None:
                continue
            pen = PENS[number]
            ratio = _over_limit(check)
            axes.plot(
                [np.clip(ratio, 1.0 / REACH, REACH)], [row + 0.33 + 0.17 * number], marker="o", markersize=9,
                markerfacecolor="white" if check.met else pen.colour, markeredgecolor=pen.colour, markeredgewidth=1.3,
            )  # fmt: skip
            axes.text(
                np.clip(ratio, 1.0 / REACH, REACH), row + 0.335 + 0.17 * number, str(number + 1), fontsize=SMALL - 1.5,
                color=pen.colour if check.met else "white", ha="center", va="center_baseline", fontweight="bold",
            )  # fmt: skip


def _over_limit(check) -> float:
    """The quantity over its limit; of the converted fraction, what is left over what may be left."""
    if check.name == "converted_fraction":
        return (1.0 - check.value) / max(1.0 - check.limit, 1e-12)
    return check.value / check.limit
