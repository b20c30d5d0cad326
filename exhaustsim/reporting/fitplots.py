"""Pictures of fitted logs: readings with their marks, curve, terms and interval, what is left over; a ride with its positions;
two lots valve by valve; the intervals side by side.

A reading that is only a bound is a triangle that points to where the truth lies; one that is spoiled, or was left out as
struck, is a faint cross.  A rise is drawn on plain scales, on which a leak is straight; everything else on a
logarithmic scale of pressure.
"""

from __future__ import annotations

import math

import numpy as np
from matplotlib.figure import Figure

from exhaustsim.plant.trace import AT_LEAST, AT_MOST, GOOD, SPOILED, Trace
from exhaustsim.reporting.canvas import (
    BAND, FAINT, INK, LEFT, LIMIT, PENS, SMALL, TEXT, Labels, decades, heading, log_pressure_axis, new_figure, place, shortened, tick_words,
    unit_words, words_below,
)  # fmt: skip
from exhaustsim.studies.logstudy import Figure as Found, LogAnswer, Part
from exhaustsim.studies.ridefit import RideFit
from exhaustsim.units import convert, format_number

MOST_POINTS = 1500  # drawn of a long log
MOST_ROWS = 10  # intervals in one picture
MOST_FITS = 4  # pictures of single traces
SPREAD = "#cccccc"  # shade of the interval: lighter than any reading, darker than the grid
WORDS = {
    "fit": "Readings, curve and what is left over. Triangles: at an end of the scale, pointing to where the truth lies; crosses: spoiled or left out as struck",
    "ride": "The ride through the positions, and what is left over; white: port open, grey: port blanked. Triangles: at an end of the scale; crosses: spoiled or struck",
    "intervals": "Intervals side by side",
    "lots": "Gas flow at closing, valve by valve, with its interval; bars: geometric mean of each lot",
    "log": "The log as read, with its marks; nothing was fitted",
}


def pictures(answer: LogAnswer, unit: str = "Pa") -> list[tuple[str, Figure, str]]:
    """(name, figure, words) of every picture that belongs to an answer."""
    made = []
    if "lots" in answer.others:
        made.append(("lots", lots_picture(answer), WORDS["lots"]))
    elif answer.kind == "ride" and answer.parts:
        made.append(("ride", ride_picture(answer.parts[0].result, unit), WORDS["ride"]))
    else:
        for number, part in enumerate(answer.parts[:MOST_FITS], start=1):
            name = "fit" if len(answer.parts) == 1 else f"fit_{number}"
            made.append((name, fit_picture(part, answer.kind, unit), WORDS["fit"]))
    if not answer.parts and answer.shown:
        made.append(("log", log_picture(answer.shown[0], unit), WORDS["log"]))
    if interval_rows(answer):
        made.append(("intervals", interval_picture(answer), WORDS["intervals"]))
    return made


# ---- one fit -------------------------------------------------------------------------


def fit_picture(part: Part, kind: str, unit: str = "Pa") -> Figure:
    """Readings, curve, terms and interval of one trace, residuals below."""
    fit, trace = part.fit, part.fit.trace
    scale = convert(1.0, "pressure", unit)
    figure = new_figure()
    heading(figure, f"{shortened(part.name, 40)}: {shortened(fit.model.name, 50)}")
    axes, below = _two_axes(figure, 24)
    use = trace.usable()
    first, last = float(trace.time[use][0]), float(trace.time[use][-1])
    along_log = kind in ("exhaust", "orifice") and first > 0.0 and last > 5.0 * first
    time = np.geomspace(first, last, 300) if along_log else np.linspace(first, last, 300)
    curve, (low, high) = scale * fit.pressure(time), (scale * end for end in fit.band(time))
    terms = [(name, scale * fit.term(name, time)) for name in fit.model.terms] if len(fit.model.terms) > 1 else []
    shown = scale * trace.reading[use]
    struck = np.zeros(len(trace), bool)
    struck[fit.down_weighted] = True
    for one in (axes, below):
        if along_log:
            one.set_xscale("log")
            one.set_xlim(first / 1.1, last * 1.1)
        else:
            one.set_xlim(first - 0.02 * (last - first), last + 0.02 * (last - first))
    if kind == "rise":
        axes.set_ylim(0.0, 1.08 * max(float(shown.max()), float(curve.max())))
        axes.set_ylabel(f"pressure in the closed volume, {unit_words(unit)}", fontsize=TEXT, color=INK)
        axes.yaxis.set_label_coords(-(LEFT - 22.0) / axes.get_window_extent().width, 0.5)
    else:
        seen = np.concatenate([shown, curve])
        bottom, top = decades(seen, 1e-3 * float(seen.min()))
        # A term that dies away must not stretch the scale beyond reading.
        least = min((float(y.min()) for _, y in terms), default=bottom)
        bottom = max(10.0 ** math.floor(math.log10(max(least, 1e-300))), 0.1 * bottom) if least < bottom else bottom
        log_pressure_axis(axes, bottom, top, unit, "flow over conductance" if kind == "orifice" else "pressure at the gauge")
    axes.fill_between(time, low, high, color=SPREAD, linewidth=0.0, zorder=1)
    _readings(axes, trace, scale, struck)
    labels = Labels(axes)
    if np.median(high / np.maximum(low, 1e-300)) > 1.02:
        labels.curve(time, np.maximum(high, 1e-300), f"grey: {100.0 * fit.level:.3g} % interval" + (", scale of the gauge in it" if fit.scale_error else ""), FAINT)
    PENS[0].plot(axes, time, curve, zorder=4)
    labels.curve(time, curve, shortened(f"curve: {fit.model.name}", 44), PENS[0].colour)
    for k, (name, values) in enumerate(terms, start=1):
        pen = PENS[1 + (k - 1) % (len(PENS) - 1)]
        pen.plot(axes, time, values, zorder=3)
        labels.curve(time, values, shortened(name, 30), pen.colour)
    labels.draw()
    _left_over(below, trace.time, fit.residuals, struck, fit.scatter)
    words_below(below, "time since closing, s" if kind == "rise" else "time, s")
    return figure


def log_picture(trace: Trace, unit: str = "Pa") -> Figure:
    """Readings alone, with their marks."""
    figure = new_figure()
    heading(figure, f"{shortened(trace.name, 60)}: as read, nothing fitted")
    axes = place(figure, LEFT, 46, 24, 34)
    scale = convert(1.0, "pressure", unit)
    values = scale * trace.reading[trace.usable()]
    log_pressure_axis(axes, *decades(values, 1e-12), unit, "pressure at the gauge")
    span = max(float(trace.time[-1] - trace.time[0]), 1e-9)
    axes.set_xlim(trace.time[0] - 0.02 * span, trace.time[-1] + 0.02 * span)
    _readings(axes, trace, scale, np.zeros(len(trace), bool), size=4.0)
    words_below(axes, "time, s")
    return figure


def _two_axes(figure: Figure, right: float):
    """Axes of the picture and, below it, those of the residuals."""
    axes = place(figure, LEFT, 152, right, 34)
    below = place(figure, LEFT, 46, right, 318)
    axes.tick_params(labelbottom=False)
    return axes, below


def _readings(axes, trace: Trace, scale: float, struck: np.ndarray, size: float = 3.0) -> None:
    """Readings as dots, bounds as triangles, spoiled and struck ones as faint crosses."""
    finite = np.isfinite(trace.reading)
    spoiled = finite & ((trace.mark == SPOILED) | struck)
    for here, marker, colour, width in (
        (finite & (trace.mark == GOOD) & ~struck, "o", "#555555", size),
        (finite & (trace.mark == AT_MOST) & ~struck, "v", INK, size + 2.5),
        (finite & (trace.mark == AT_LEAST) & ~struck, "^", INK, size + 2.5),
        (spoiled, "x", FAINT, size + 2.0),
    ):  # fmt: skip
        chosen = np.flatnonzero(here)
        chosen = chosen[:: max(1, len(chosen) // MOST_POINTS)]
        axes.plot(
            trace.time[chosen], scale * trace.reading[chosen], linestyle="none", marker=marker, markersize=width, markerfacecolor="white" if marker in "v^" else colour,
            markeredgecolor=colour, markeredgewidth=0.7, zorder=2, scalex=False, scaley=False,
        )  # fmt: skip


def _left_over(axes, time: np.ndarray, residuals: np.ndarray, struck: np.ndarray, scatter: float) -> None:
    """Reading over curve in per cent, with twice the scatter either side."""
    with np.errstate(over="ignore"):
        away = 100.0 * np.expm1(np.clip(residuals, -3.0, 3.0))
    reach = max(200.0 * scatter, 1e-6)
    inside = np.isfinite(away) & ~struck
    most = max(1.15 * reach, float(np.percentile(np.abs(away[inside]), 99.5)) if inside.any() else 0.0)
    axes.set_ylim(-1.2 * most, 1.2 * most)
    axes.axhspan(-reach, reach, color=BAND, linewidth=0.0, zorder=0)
    axes.axhline(0.0, color=INK, linewidth=0.8, zorder=1)
    chosen = np.flatnonzero(inside)
    chosen = chosen[:: max(1, len(chosen) // MOST_POINTS)]
    axes.plot(time[chosen], away[chosen], linestyle="none", marker="o", markersize=1.8, color="#555555", zorder=2, scalex=False, scaley=False)
    axes.set_ylabel("left over, %", fontsize=TEXT, color=INK)
    axes.yaxis.set_label_coords(-(LEFT - 22.0) / axes.get_window_extent().width, 0.5)
    axes.text(0.995, 0.96, "grey: twice the scatter", transform=axes.transAxes, fontsize=SMALL, color=FAINT, ha="right", va="top")


# ---- a ride --------------------------------------------------------------------------


def ride_picture(found: RideFit, unit: str = "Pa") -> Figure:
    """A head ride: readings and simulated readings through the positions, residuals below."""
    trace, scale = found.trace, convert(1.0, "pressure", unit)
    figure = new_figure()
    heading(figure, f"{shortened(found.schedule.name, 40)}: ride of {shortened(trace.name, 30)}")
    axes, below = _two_axes(figure, 24)
    struck = np.zeros(len(trace), bool)
    struck[np.flatnonzero(np.isin(trace.time, found.inference.trace.time[found.inference.down_weighted]))] = True
    # The gulp of air goes off the scale of the gauge, and of the picture.
    values = scale * trace.reading[trace.usable()]
    log_pressure_axis(axes, *decades(values, 1e-12), unit, "reading in the bulb" if found.ride.place == "bulb" else "reading on the line")
    span = float(trace.time[-1] - trace.time[0])
    for one in (axes, below):
        one.set_xlim(trace.time[0] - 0.01 * span, trace.time[-1] + 0.01 * span)
    axes.set_xticks([])
    for segment in found.segments:
        if not segment.port_open:
            for one in (axes, below):
                one.axvspan(segment.start, segment.end, color=BAND, linewidth=0.0, zorder=0)
    _readings(axes, trace, scale, struck, size=2.4)
    seen = np.isfinite(found.curve)
    labels = Labels(axes)
    PENS[0].plot(axes, trace.time[seen], scale * found.curve[seen], zorder=4)
    labels.curve(trace.time[seen], scale * found.curve[seen], "simulated reading of the fitted valve", PENS[0].colour)
    unfitted = trace.time[~found.fitted & (trace.time > trace.time[found.fitted][-1])] if found.fitted.any() else []
    if len(unfitted):
        axes.axvline(unfitted[0], color=LIMIT.colour, linestyle=LIMIT.dashes, linewidth=LIMIT.width)
        axes.text(unfitted[0] + 0.006 * span, 0.97, "from here on\nnot fitted", transform=axes.get_xaxis_transform(), fontsize=SMALL, color=INK, va="top")
    starts: dict[int, float] = {}
    ends: dict[int, float] = {}
    for segment in found.segments:
        starts.setdefault(segment.position, segment.start)
        ends[segment.position] = segment.end
    labels.draw()
    residuals = np.full(len(trace), np.nan)
    good = found.fitted & (trace.mark == GOOD) & seen
    residuals[good] = np.log(trace.reading[good] / found.curve[good])
    _left_over(below, trace.time, residuals, struck, found.inference.scatter)
    tick_words(below, [0.5 * (starts[p] + ends[p]) for p in starts], [str(p) for p in starts])
    words_below(below, f"position, {format_number(found.schedule.index_time, 3)} s each")
    return figure


# ---- lots and intervals --------------------------------------------------------------


def lots_picture(answer: LogAnswer) -> Figure:
    """Two lots valve by valve."""
    compared, lot_of = answer.others["lots"], answer.others["lot of"]
    figure = new_figure()
    heading(figure, f"{compared.names[1]} over {compared.names[0]}: {compared.ratio:.2g} times ({compared.low:.2g} to {compared.high:.2g})")
    axes = place(figure, 82, 46, 24, 40)
    lots = list(dict.fromkeys(lot_of.values()))
    flows = {f.of: f for f in answer.figures if f.of in lot_of}
    values = np.array([f.value for f in flows.values()])
    axes.set_yscale("log")
    axes.set_ylim(0.6 * values.min(), 1.6 * values.max())
    ticks = [m * 10.0**k for k in range(-14, 6) for m in (1, 2, 5) if 0.6 * values.min() <= m * 10.0**k <= 1.6 * values.max()]
    axes.set_yticks(ticks, [format_number(t, 1) for t in ticks])
    axes.set_yticks([], minor=True)
    axes.grid(True, axis="y", color=BAND, linewidth=0.7)
    axes.set_axisbelow(True)
    places, words, at = [], [], 0.0
    for number, lot in enumerate(lots):
        mine = [f for name, f in flows.items() if lot_of[name] == lot]
        here = at + np.arange(len(mine))
        face = ("white", INK)[number % 2]
        for x, f in zip(here, mine, strict=True):
            axes.plot([x, x], [f.low, f.high], color=INK, linewidth=1.2, marker="_", markersize=7, zorder=3)
            axes.plot([x], [f.value], marker="os"[number % 2], markersize=7, markerfacecolor=face, markeredgecolor=INK, zorder=4)
        mean = math.exp(float(np.mean(np.log([f.value for f in mine]))))
        axes.plot([here[0] - 0.4, here[-1] + 0.4], [mean, mean], color=PENS[0].colour, linewidth=2.0, zorder=2)
        axes.text(here[-1] + 0.45, mean, f"mean of {shortened(compared.names[number], 18)}", fontsize=SMALL, color=PENS[0].colour, va="center", parse_math=False)
        places += list(here)
        words += [shortened(f.of.rpartition(", ")[2], 9) for f in mine]
        at = here[-1] + 3.0
    axes.set_xlim(-0.8, at - 0.8)
    tick_words(axes, places, words)
    axes.set_ylabel("gas flow at closing, Pa L/s", fontsize=TEXT, color=INK)
    words_below(axes, "valve")
    return figure


def interval_rows(answer: LogAnswer) -> list[Found]:
    """Figures that can be drawn beside one another: factors where there are any, of lots their ratio, else those of the first thing with the same unit, else all."""
    finite = [f for f in answer.figures if math.isfinite(f.value) and f.value != 0.0]
    factors = [f for f in finite if f.unit == "factor"]
    if factors:
        return factors[:MOST_ROWS]
    if answer.kind == "batches":  # the valves stand in the picture of the lots
        return finite[:1]
    signed = [f for f in finite if f.low < 0.0 and f.unit != "K"] or ([f for f in finite if f.unit == "K"] if answer.kind == "machine" else [])
    if signed:
        return [f for f in finite if f.unit == signed[0].unit and f.of == signed[0].of][:MOST_ROWS]
    return [f for f in finite if f.value > 0.0 and f.unit != "K"][:MOST_ROWS]


def interval_picture(answer: LogAnswer) -> Figure:
    """Intervals side by side: factors as they are, effects on a plain scale, other figures over their values."""
    rows = interval_rows(answer)
    plain = any(f.low < 0.0 for f in rows)
    factors = all(f.unit == "factor" for f in rows)
    ratios = answer.kind in ("machine", "batches") and all(f.unit == "1" for f in rows)  # their dotted line is no change
    figure = new_figure()
    heading(figure, f"{100.0 * answer.level:.3g} % intervals", left=14.0)
    axes = place(figure, 300, 46, 210, 44)
    axes.set_ylim(max(len(rows), 5) - 0.4, -0.7)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    over = [1.0 if plain or factors or ratios else f.value for f in rows]
    ends = [
        tuple(x / by if math.isfinite(x) and (plain or x > 0.0) else math.nan for x in (f.low, f.value, f.high)) for f, by in zip(rows, over, strict=True)
    ]
    known = np.array([x for row in ends for x in row if math.isfinite(x)] + [0.0 if plain else 1.0])
    if plain:
        margin = 0.08 * max(float(np.ptp(known)), 1e-9)
        limits = (known.min() - margin, known.max() + margin)
    else:
        axes.set_xscale("log")
        margin = max((known.max() / known.min()) ** 0.08, 1.02)
        limits = (known.min() / margin, known.max() * margin)
        ticks = _factor_ticks(*limits)
        axes.set_xticks(ticks, [format_number(t, 3).rstrip("0").rstrip(".") if "." in format_number(t, 3) else format_number(t, 3) for t in ticks])
        axes.set_xticks([], minor=True)
    axes.set_xlim(*limits)
    axes.axvline(0.0 if plain else 1.0, color=LIMIT.colour, linestyle=LIMIT.dashes, linewidth=LIMIT.width, zorder=1)
    where = axes.get_yaxis_transform()
    for row, (f, (low, value, high)) in enumerate(zip(rows, ends, strict=True)):
        left, right = (limits[0] if math.isnan(low) else low), (limits[1] if math.isnan(high) else high)
        axes.plot([left, right], [row, row], color=INK, linewidth=1.6, zorder=3)
        for x, is_open, arrow in ((left, math.isnan(low), "<"), (right, math.isnan(high), ">")):
            axes.plot([x], [row], marker=arrow if is_open else "|", markersize=7 if is_open else 10, color=INK, zorder=3, clip_on=False)
        axes.plot([value], [row], marker="D", markersize=7, markerfacecolor=INK if f.told else "white", markeredgecolor=INK, zorder=4)
        name = shortened(f"{f.of}: {f.name}" if not factors else f.name, 80)
        if len(name) > 42:
            cut = max(name.rfind(" ", 0, 42), 1)
            name = f"{name[:cut]}\n{name[cut + 1:]}"
        axes.text(-0.02, row, name, transform=where, fontsize=SMALL, color=INK, ha="right", va="center", linespacing=1.05, parse_math=False)
        low_text, high_text = (format_number(x, 3) if math.isfinite(x) else "open" for x in (f.low, f.high))
        unit = "" if f.unit in ("1", "factor") else f" {f.unit}"
        told = f"{format_number(f.value, 3)}{unit}\n{low_text} to {high_text}"
        axes.text(1.03, row, told, transform=where, fontsize=SMALL, color=INK, va="center", linespacing=1.05, parse_math=False)
    open_words = "" if all(f.told for f in rows) else ("; open: within chance" if answer.kind == "machine" else "; open: not told by the readings")
    words_below(axes, (f"effect, {rows[0].unit}" if plain else "times as assumed" if factors else rows[0].name if ratios else "interval over value") + open_words)
    return figure


def _factor_ticks(low: float, high: float) -> list[float]:
    """A handful of round factors between two ends."""
    for steps in ((1.0,), (1.0, 3.0), (1.0, 2.0, 5.0), tuple(np.arange(10, 100, 5) / 10.0), tuple(np.arange(100, 1000, 10) / 100.0), tuple(np.arange(1000, 10000, 20) / 1000.0)):
        first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
        ticks = [float(s * 10.0**k) for k in range(first, last + 1) for s in steps if low <= s * 10.0**k <= high]
        if len(ticks) >= 3:
            return ticks[:: max(1, math.ceil(len(ticks) / 6))]
    return [1.0]
