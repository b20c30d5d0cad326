"""Pictures of the loaded machine: the ring of positions with heads and lines, line pressures over one
index, what a machine's incidents or neighbours do to each position, and the stop each position bears.

Each function returns a matplotlib figure of 900 x 450 pixels.  Lines are told apart by hatch and name,
spoiled heads by shape and word, curves by dashes and labels, so that a black and white print can be read.
"""

from __future__ import annotations

from itertools import groupby

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Wedge

from exhaustsim.plant.incidents import BrokenValve, Leaker, ScoredPlate
from exhaustsim.plant.machine import RotaryMachine
from exhaustsim.reporting.canvas import (
    BAND, FAINT, INK, LEFT, LIMIT, PENS, SMALL, TEXT, Labels, boxes, decades, fitted, heading, log_pressure_axis, new_figure, place, shortened,
    tick_words, unit_words, words_below,
)  # fmt: skip
from exhaustsim.reporting.machinefindings import Findings, incident_words, leak_words, listed, spans, unbroken
from exhaustsim.studies.neighbours import CROSS_TALK_LIMITS
from exhaustsim.studies.stops import STOP_LIMITS
from exhaustsim.units import convert, format_number

#: One for each line in turn: neighbours on the ring always differ in hatch and in lightness.
HATCHES = (("#ffffff", ""), ("#d9d9d9", ""), ("#ffffff", "////"), ("#bdbdbd", ""), ("#ffffff", "...."), ("#ececec", "xxxx"))
HEAD_STRUCK = (Leaker, BrokenValve, ScoredPlate)  # incidents that strike one head, which is crossed
MOST_OTHERS = 4  # other incidents told beside the ring
SHORT_BAR = 60.0  # s: a shorter bar has no room for words
CROWD = 24  # positions: with more of them numbers shrink, and values stand upright
FLOOR = 1e-7  # Pa: no pressure axis reaches lower


def line_diagram(findings: Findings) -> Figure:
    """The ring of positions with the lines they stand on and the heads where they stood in the index of the first incident."""
    run = findings.run
    machine = run.schedule.machine
    figure = new_figure()
    heading(figure, f"{shortened(run.schedule.name, 40)} on {shortened(machine.name, 20)}: lines and heads", left=14.0)
    axes = place(figure, 8, 6, 468, 26)
    axes.set_axis_off()
    axes.set_aspect("equal")
    axes.set_xlim(-1.22, 1.22)
    axes.set_ylim(-1.22, 1.22)
    index = next((i for i in run.indices if i.begin <= findings.since < i.begin + i.length), run.indices[0])
    head_at = {position: head for head, position in index.position.items()}
    struck, scrap = _marked(findings, index)
    _ring(axes, machine)
    count = machine.positions
    size = min(0.082, 0.92 * np.pi * 0.70 / count)
    for position in range(1, count + 1):
        angle = _angle(position, count)
        x, y = np.cos(angle), np.sin(angle)
        axes.text(1.07 * x, 1.07 * y, str(position), fontsize=_fit(count, TEXT, 40), color=INK, ha="center", va="center")
        head = head_at[position]
        empty = head not in index.bulb_pressure
        fill = INK if head in struck else "#b4b4b4" if head in scrap else "white"
        axes.add_patch(Circle(
            (0.7 * x, 0.7 * y), size, facecolor=fill, edgecolor=FAINT if empty else INK, linestyle=":" if empty else "-", linewidth=1.1,
            zorder=3,
        ))  # fmt: skip
        axes.text(
            0.7 * x, 0.697 * y, str(head), fontsize=_fit(count, SMALL), color="white" if head in struck else INK, ha="center", va="center",
            zorder=4, fontweight="bold" if head in struck or head in scrap else "normal",
        )  # fmt: skip
        if head in struck or head in scrap:
            axes.plot([0.54 * x], [0.54 * y], marker="X" if head in struck else "v", markersize=7, color=INK, zorder=4)
    axes.text(0.0, 0.12, "outside: position", fontsize=SMALL, color=FAINT, ha="center", va="center")
    axes.text(0.0, 0.0, "ring: pumping line", fontsize=SMALL, color=FAINT, ha="center", va="center")
    axes.text(0.0, -0.12, f"circle: head, index {index.number}", fontsize=SMALL, color=FAINT, ha="center", va="center")
    _told_beside(figure, findings, struck, scrap, any(h not in index.bulb_pressure for h in index.position))
    return figure


def line_pressures(findings: Findings, number: int | None = None) -> Figure:
    """Line pressures over index `number` (by default the worst), with the incidents and, thin, without."""
    run, unit = findings.run, findings.pressure_unit
    number = number or findings.worst_index
    index = run.indices[number - 1]
    figure = new_figure()
    without = "; thin: without incident" if run.incidents else ""
    heading(figure, f"{shortened(run.schedule.name, 40)}: line pressures over index {number}{without}")
    axes = place(figure, LEFT, 42, 16, 46)
    size = convert(1.0, "pressure", unit)
    waves = [(w, size * w.pressure.sum(axis=1)) for w in index.lines]
    usual = [(w, size * w.pressure.sum(axis=1)) for w in findings.usual.last.lines]
    axes.set_xlim(0.0, index.length)
    words_below(axes, "time since the beginning of the index, s")
    scale = decades(np.concatenate([p for _, p in (*waves, *usual)]), FLOOR * size)
    log_pressure_axis(axes, *scale, unit, "line pressure")
    transfer = run.schedule.machine.transfer_time
    if transfer > 0.0:
        boxes(
            axes, [(0.0, 0.0, transfer, 1.0)], ["#f2f2f2"], axes.get_xaxis_transform(), edgecolors="#c4c4c4", hatch="/////", linewidths=0.0,
            zorder=0,
        )  # fmt: skip
        axes.text(0.0, 1.01, "hatched: transfer, ports blanked", transform=axes.transAxes, fontsize=SMALL, color=FAINT, va="bottom")
    if index.halt.duration > 0.0:
        axes.axvspan(index.halt.moment, index.halt.moment + index.halt.duration, facecolor=BAND, zorder=0)
        middle = index.halt.moment + 0.5 * index.halt.duration
        axes.text(
            middle, 1.01, f"grey: the turret stands, {index.halt.duration:g} s", transform=axes.get_xaxis_transform(), fontsize=SMALL, color=FAINT,
            va="bottom", ha="center",
        )  # fmt: skip
    labels = Labels(axes)
    for k, ((wave, pressure), (before, normal)) in enumerate(zip(waves, usual, strict=True)):
        pen = PENS[k % len(PENS)]
        if run.incidents:
            axes.plot(before.time, normal, color=FAINT, linewidth=0.7, zorder=2)
            labels.curve(before.time, normal)
        pen.plot(axes, wave.time, pressure, zorder=4)
        labels.curve(wave.time, pressure, f"line {wave.name}", pen.colour)
    labels.draw()
    return figure


def incident_excess(findings: Findings) -> Figure:
    """Bulb pressure at every position at the end of the worst index over that without incidents."""
    run = findings.run
    index = run.indices[findings.worst_index - 1]
    words = f"{shortened(run.schedule.name, 40)}: bulb pressure over the usual one, end of index {index.number}"
    head_at = {position: head for head, position in index.position.items()}
    struck = {head for head, _ in _culprits(findings)}
    marks = {p for p in head_at if head_at[p] in struck}
    return _excess(run.schedule.machine, findings.excess, words, "times the usual bulb pressure", marks, ())


def neighbours_excess(findings: Findings) -> Figure:
    """Bulb pressure at every position on the full machine over that of a valve alone, with the limits of `cross_talk`.

    Raises
    ------
    ValueError
        Cross-talk was not asked for.
    """
    if not findings.talk:
        raise ValueError("these findings hold no cross-talk; ask for it with neighbours=True")
    machine = findings.run.schedule.machine
    ratio = np.full(machine.positions, np.nan)
    for row in findings.talk:
        ratio[row.position - 1] = 1.0 + row.excess
    limits = ((1.0 + CROSS_TALK_LIMITS.warn, "warn, +25 %"), (1.0 + CROSS_TALK_LIMITS.stop, "stop, +100 %"))
    judged = [str(row.position) for row in findings.talk if row.judged]
    words = f"{shortened(findings.run.schedule.name, 40)}: bulb pressure with neighbours over alone (limits hold at {listed(judged)})"
    return _excess(machine, ratio, words, "times the bulb pressure alone", {r.position for r in findings.talk if r.level}, limits)


def stop_bars(findings: Findings) -> Figure:
    """The longest stop that the valve at each position bears, logarithmic, with the limits of `stop_tolerance`.

    Raises
    ------
    ValueError
        Stop tolerance was not asked for.
    """
    rows = findings.tolerances
    if not rows:
        raise ValueError("these findings hold no stop tolerance; ask for it with tolerances=True")
    machine = findings.run.schedule.machine
    figure = new_figure()
    heading(figure, f"{shortened(findings.run.schedule.name, 40)}: stop that the valve at each position bears, and what fails first")
    axes = place(figure, LEFT, 42, 60, 66)
    _positions(axes, machine)
    longest = max(max(r.seconds, r.fails_at or 0.0) for r in rows)
    foot, top = 1.0, 10.0 ** np.ceil(np.log10(max(longest, 100.0)))
    axes.set_yscale("log")
    axes.set_ylim(foot, top)
    axes.set_yticks([10.0**d for d in range(int(np.log10(top)) + 1)], [f"{10**d:,}".replace(",", " ") for d in range(int(np.log10(top)) + 1)])
    axes.set_yticks([], minor=True)
    axes.set_ylabel("stop, s", fontsize=TEXT, color=INK)
    axes.yaxis.set_label_coords(-(LEFT - 14.0) / axes.get_window_extent().width, 0.5)
    axes.grid(axis="y", color=BAND, linewidth=0.7)
    axes.set_axisbelow(True)
    for limit, words in ((STOP_LIMITS.warn, "warn 30 s"), (STOP_LIMITS.stop, "stop 10 s")):
        axes.axhline(limit, color=INK, linewidth=1.2, linestyle=LIMIT.dashes, zorder=2)
        axes.text(1.005, limit, words, transform=axes.get_yaxis_transform(), fontsize=SMALL, color=INK, va="center")
    crowded, small = machine.positions > CROWD, _fit(machine.positions, SMALL - 1)
    shades = {"": ("#ffffff", ""), "warn": ("#d0d0d0", ""), "stop": ("#ffffff", "xxxx")}
    for row in rows:
        tall = max(row.seconds, 1.06 * foot)
        fill, hatch = shades[row.level]
        axes.bar(row.position, tall - foot, bottom=foot, width=0.66, facecolor=fill, edgecolor=INK, hatch=hatch, linewidth=0.9, zorder=3)
        number = format_number(row.seconds, 2) + ("" if row.fails_at is not None else " +")
        clear = {"facecolor": "white", "edgecolor": "none", "pad": 0.2 if crowded else 0.8}
        axes.text(
            row.position, 1.1 * tall, number, fontsize=small, color=INK, ha="center", va="bottom", rotation=90 if crowded else 0, zorder=5, bbox=clear,
        )  # fmt: skip
        if row.first:
            # Inside the bar if it is long and plain, else above its number.
            inside = row.seconds > SHORT_BAR and not hatch
            axes.text(
                row.position, 1.7 * foot if inside else (4.0 if crowded else 2.0) * tall, shortened(row.first.replace("_", " "), 22), fontsize=small, color=INK,
                ha="center", va="bottom", rotation=90, zorder=5, bbox=clear,
            )  # fmt: skip
    axes.text(
        0.0, -38.0 / axes.get_window_extent().height, "+: bears the longest stop tried", transform=axes.transAxes, fontsize=SMALL, color=FAINT, va="bottom",
    )  # fmt: skip
    return figure


def pictures(findings: Findings) -> list[tuple[str, Figure, str]]:
    """(name, figure, what it shows) of everything that these findings hold."""
    ring = "Positions (outside) with their pumping lines, and the heads as they stood; crossed: struck by an incident"
    out = [("lines", line_diagram(findings), ring)]
    if findings.lines:
        out.append(("line_pressures", line_pressures(findings), "Line pressures over the worst index, thin: without incident"))
    if findings.run.incidents:
        out.append(("excess", incident_excess(findings), "Bulb pressure by position over that of a machine without incidents"))
    if findings.talk:
        out.append(("cross_talk", neighbours_excess(findings), "Bulb pressure on the full machine over that of a valve alone"))
    if findings.tolerances:
        words = "How long the turret may stand before the valve at each position is spoiled, and by what"
        out.append(("stop_tolerance", stop_bars(findings), words))
    return out


# ---- pieces ----------------------------------------------------------------------------


def _angle(position: float, count: int) -> float:
    """Position 1 at the top, clockwise."""
    return 0.5 * np.pi - 2.0 * np.pi * (position - 1.0) / count


def _fit(count: int, points: float, room: int = CROWD) -> float:
    """Size of words of which `count` stand beside one another; `room` of them fit as they are."""
    return points if count <= room else max(points * room / count, 6.3)


def _groups(machine: RotaryMachine) -> list[tuple[str, list[int]]]:
    """Neighbouring positions on one line, in order."""
    names = [(p, machine.line_of_position.get(p, "")) for p in range(1, machine.positions + 1)]
    return [(name, [p for p, _ in group]) for name, group in groupby(names, key=lambda pair: pair[1])]


def _dress(machine: RotaryMachine, line: str) -> tuple[str, str]:
    names = [item.name for item in machine.lines]
    return HATCHES[names.index(line) % len(HATCHES)] if line in names else ("#ffffff", "")


def _ring(axes, machine: RotaryMachine) -> None:
    """Sectors of the lines with their names, and what stands outside them."""
    count = machine.positions
    half = 180.0 / count
    for line, positions in _groups(machine):
        ends = np.degrees([_angle(positions[-1], count), _angle(positions[0], count)]) + (-half + 0.8, half - 0.8)
        fill, hatch = _dress(machine, line)
        style = {"linestyle": "-"} if line else {"linestyle": ":"}
        edge = INK if line else FAINT
        axes.add_patch(Wedge((0, 0), 0.99, *ends, width=0.19, facecolor=fill, edgecolor=edge, hatch=hatch, linewidth=0.8, **style))
        middle = _angle(0.5 * (positions[0] + positions[-1]), count)
        axes.text(
            0.895 * np.cos(middle), 0.895 * np.sin(middle), shortened(line or "-", 10), fontsize=TEXT, fontweight="bold", color=INK, ha="center",
            va="center", parse_math=False, zorder=4, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.2},
        )  # fmt: skip
    for positions in unbroken(machine.oven_positions):
        ends = np.degrees([_angle(positions[-1], count), _angle(positions[0], count)]) + (-half, half)
        axes.add_patch(Wedge((0, 0), 1.16, *ends, width=0.018, facecolor=INK, edgecolor="none"))
    for position in machine.rf_positions:
        angle = _angle(position, count)
        axes.text(
            1.17 * np.cos(angle), 1.17 * np.sin(angle), "RF", fontsize=_fit(count, SMALL - 1.0), color=INK, ha="center", va="center", style="italic",
        )  # fmt: skip


def _culprits(findings: Findings) -> list[tuple[int, str]]:
    """(head, what befell it) of incidents that strike one head."""
    out = []
    for incident in findings.run.incidents:
        if isinstance(incident, Leaker):
            out.append((incident.head, f"leaks {leak_words(incident.throughput)}"))
        elif isinstance(incident, BrokenValve):
            out.append((incident.head, "broken"))
        elif isinstance(incident, ScoredPlate):
            out.append((incident.head, f"plate scored, {leak_words(incident.throughput)}"))
    return out


def _marked(findings: Findings, index) -> tuple[dict[int, str], dict[int, str]]:
    """Heads struck by an incident, and other heads whose valve of that index is to be scrapped, with words."""
    struck = dict(_culprits(findings))
    riding = {s.head: s for s in findings.scrap if s.position is not None and index.position[s.head] == s.position}
    return struck, {head: s.reasons[0].replace("_", " ") for head, s in riding.items() if head not in struck}


def _told_beside(figure: Figure, findings: Findings, struck, scrap, empty: bool) -> None:
    """Lines and spoiled heads in words, right of the ring."""
    width, height = figure.get_size_inches() * figure.dpi
    machine = findings.run.schedule.machine
    axes = figure.add_axes((450.0 / width, 0.0, 440.0 / width, (height - 26.0) / height))
    axes.set_axis_off()
    axes.set_xlim(0.0, 440.0)
    axes.set_ylim(height - 26.0, 0.0)
    y = 14.0

    def write(x, text, points=SMALL, room=420.0, **more):
        words, size = fitted(text, room, points)
        axes.text(x, y, words, fontsize=size, color=INK, ha="left", va="center", parse_math=False, **more)

    unit = findings.pressure_unit
    write(0.0, f"line: positions; mean line pressure, {unit_words(unit)}, usual / worst index", fontweight="bold", room=430.0)
    for line in findings.lines:
        y += 18.0
        fill, hatch = _dress(machine, line.worst.line)
        boxes(axes, [(2.0, y - 6.0, 26.0, 12.0)], [fill], axes.transData, edgecolors=INK, hatch=hatch, linewidths=0.8)
        pressures = (format_number(convert(p.mean_pressure, "pressure", unit), 2) for p in (line.usual, line.worst))
        write(36.0, f"{line.worst.line}: {spans(line.worst.positions)}; {' / '.join(pressures)}", room=390.0)
    y += 18.0
    write(0.0, "bar outside: oven; RF: coil; dash: no line")
    y += 24.0
    others = [incident_words(i) for i in findings.run.incidents if not isinstance(i, HEAD_STRUCK)]
    write(0.0, "Incidents" if findings.run.incidents else "No incident", fontweight="bold")
    for words in others[:MOST_OTHERS] + ([f"and {len(others) - MOST_OTHERS} more"] if len(others) > MOST_OTHERS else []):
        y += 17.0
        write(16.0, words, room=400.0)
    spoiled = {s.head for s in findings.scrap}
    entries = [("X", (head,), words + (", to scrap" if head in spoiled else "")) for head, words in struck.items()]
    for reason in dict.fromkeys(words for _, words in sorted(scrap.items())):
        entries.append(("v", tuple(head for head, words in sorted(scrap.items()) if words == reason), f"to scrap: {reason}"))
    for number, (mark, heads, words) in enumerate(entries):
        y += 17.0
        if y > height - 60.0:
            write(14.0, f"and {len(entries) - number} more")
            break
        axes.plot([6.0], [y], marker=mark, markersize=7, color=INK)
        write(16.0, f"head{'s' if len(heads) > 1 else ''} {spans(heads)} {words}", room=400.0)
    later = sorted(spoiled - set(struck) - set(scrap))
    if later:
        y += 17.0
        write(0.0, f"Loaded later and to scrap: head{'s' if len(later) > 1 else ''} {spans(later)}")
    if empty:
        y += 17.0
        write(0.0, "dotted circle: empty head")


def _positions(axes, machine: RotaryMachine) -> None:
    """Axis of positions with the lines as a strip above."""
    count = machine.positions
    axes.set_xlim(0.4, count + 0.6)
    tick_words(axes, range(1, count + 1), [str(p) for p in range(1, count + 1)])
    axes.tick_params(axis="x", length=0, labelsize=_fit(count, TEXT, 32))
    words_below(axes, "position")
    window = axes.get_window_extent()
    where = axes.get_xaxis_transform()
    for line, positions in _groups(machine):
        if not line:
            continue
        fill, hatch = _dress(machine, line)
        foot, tall = 1.0 + 14.0 / window.height, 16.0 / window.height
        box = (positions[0] - 0.48, foot, len(positions) - 0.04, tall)
        boxes(axes, [box], [fill], where, edgecolors=INK, hatch=hatch, linewidths=0.7, clip_on=False)
        axes.text(
            0.5 * (positions[0] + positions[-1]), foot + 0.5 * tall, shortened(line, 5 * len(positions) + 5), transform=where, fontsize=SMALL, color=INK,
            ha="center", va="center_baseline", parse_math=False, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8}, zorder=6,
        )  # fmt: skip
    axes.text(-8.0 / window.width, 1.0 + 22.0 / window.height, "line", transform=axes.transAxes, fontsize=SMALL, color=FAINT, ha="right", va="center")


def _excess(machine: RotaryMachine, ratio: np.ndarray, words: str, what: str, marks, limits) -> Figure:
    """Ratios by position on a logarithmic axis, with the lines above and limits across."""
    figure = new_figure()
    heading(figure, words)
    axes = place(figure, LEFT, 42, 84 if limits else 16, 66)
    _positions(axes, machine)
    seen = np.concatenate([ratio[np.isfinite(ratio) & (ratio > 0.0)], [1.0], [limit for limit, _ in limits]])
    low, high = max(min(seen.min() / 1.25, 0.8), 1e-3), max(1.5 * seen.max(), 2.5)
    crowded = machine.positions > CROWD
    if crowded:  # room for values that stand upright
        high *= (high / low) ** 0.12
        low /= (high / low) ** 0.08
    axes.set_yscale("log")
    axes.set_ylim(low, high)
    steps = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0) if high / low < 20.0 else (1.0, 2.0, 5.0) if high / low < 200.0 else (1.0,)
    ticks = [s * 10.0**d for d in range(-3, 13) for s in steps if low <= s * 10.0**d <= high]
    axes.set_yticks(ticks, [f"{t:g}" if t < 1e4 else f"{t:.0e}".replace("e+0", "e").replace("e+", "e") for t in ticks])
    axes.set_yticks([], minor=True)
    axes.set_ylabel(what, fontsize=TEXT, color=INK)
    axes.yaxis.set_label_coords(-(LEFT - 20.0) / axes.get_window_extent().width, 0.5)
    axes.grid(axis="y", color=BAND, linewidth=0.7)
    axes.set_axisbelow(True)
    axes.axhline(1.0, color=INK, linewidth=1.0, zorder=2)
    for limit, told in limits:
        axes.axhline(limit, color=INK, linewidth=1.2, linestyle=LIMIT.dashes, zorder=2)
        axes.text(1.005, limit, told, transform=axes.get_yaxis_transform(), fontsize=SMALL, color=INK, va="center")
    for position, value in enumerate(ratio, start=1):
        if not (np.isfinite(value) and value > 0.0):
            axes.text(
                position, 1.03, "none", fontsize=_fit(machine.positions, SMALL - 1), color=FAINT, ha="center", va="bottom", rotation=90 if crowded else 0,
            )  # fmt: skip
            continue
        axes.plot([position, position], [1.0, value], color=INK, linewidth=1.4, zorder=3)
        marked = position in marks
        axes.plot([position], [value], marker="X" if marked else "o", markersize=9 if marked else 6, color=INK if marked else "#555555", zorder=4)
        if abs(value - 1.0) >= 0.005:
            axes.annotate(
                format_number(value, 3 if value < 10.0 else 2), (position, value), (0, 7 if value > 1.0 else -7), textcoords="offset points",
                fontsize=_fit(machine.positions, SMALL - 0.5), color=INK, ha="center", va="bottom" if value > 1.0 else "top",
                rotation=90 if crowded else 0, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.2} if crowded else None,
            )  # fmt: skip
    return figure
