"""The process card: one page for the machine, black on white, A4, marked DRAFT FOR TRIAL.

Everything a setter needs stands in one table, a row for each position, with the line gauge's
expected reading; bulb pressure appears only in the strip below, marked as calculated.  What a
simulation cannot know (coil numbers, meter settings, colours agreed on, sample sizes, rubber
changes, signatures) is left as a ruled blank to be filled in by hand.

The tool prints no other status than DRAFT.  Not on the card: margins of every limit (the report
has them), and how long a stopped machine may stand.
"""

from __future__ import annotations

import base64
import datetime
import hashlib
import io
import os
import textwrap
from dataclasses import dataclass
from html import escape
from pathlib import Path

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

import exhaustsim
from exhaustsim.constants import ZERO_CELSIUS
from exhaustsim.data import published
from exhaustsim.engine.draft import is_draft
from exhaustsim.engine.filewrite import replace_whole
from exhaustsim.plant.machine import DiffusionPump
from exhaustsim.reporting.canvas import decades, shortened, svg, unit_words
from exhaustsim.reporting.filenames import file_name
from exhaustsim.reporting.plots import places, pressures
from exhaustsim.studies.binding import margins
from exhaustsim.studies.positions import position_rows
from exhaustsim.studies.verdict import Verdict
from exhaustsim.units import convert, format_number

A4 = (8.27, 11.69)  # inches
BLANK = "________"
STATUS = "DRAFT FOR TRIAL"
NOT_MEASURED = "Calculated, not measured: temperatures and line readings are what to expect, not what is."
SAFETY = (
    "Trial under supervision; the plant's own rules come first. Implosion and hot glass: eye protection, guards. RF burns: no rings, no "
    "implants near coils. High voltage: spark tester, ageing rack. Moving machine: isolate before reaching in. Barium compounds poison: no "
    "dry sweeping, wash hands. “Within limit” means within the number typed in, nothing more."
)
LINE_LIMIT = 2.0  # a line gauge reading of this many times the expected one is to be looked into: practice, no source
POSITION_HEAD = (
    "pos", "line", "oven", "RF coil", "RF setting", "RF, W absorbed", "RF, s", "heater, V", "cathode, degC", "anode, degC", "work",
)  # fmt: skip


@dataclass(frozen=True)
class Card:
    """The words of a card, so that PDF and HTML say the same."""

    title: str
    heading: tuple[tuple[str, str], ...]
    positions: tuple[tuple[str, ...], ...]  # heading row first
    blocks: tuple[tuple[str, tuple[str, ...]], ...]  # title and lines
    footer: tuple[str, ...]


def card_words(verdict: Verdict, day: datetime.date | None = None) -> Card:
    """What stands on the card of `verdict`.

    Raises
    ------
    ValueError
        The run is a draft between two settings; nothing is pinned up on that.
    """
    if is_draft(verdict.run):
        raise ValueError("a card needs the full answer, not a draft of it")
    schedule = verdict.run.schedule
    machine = schedule.machine
    tip = schedule.position_of("tip_off")
    day = day or datetime.date.today()
    heading = (
        ("valve", schedule.valve.name), ("machine", machine.name), ("schedule", schedule.name),
        ("card no.", BLANK), ("issue", BLANK), ("date", day.isoformat()), ("supersedes", BLANK), ("prepared", BLANK),
        ("approved", BLANK),
        ("index time", f"{schedule.index_time:g} s"), ("transfer", f"{machine.transfer_time:g} s"), ("dwell", f"{schedule.dwell:.4g} s"),
        ("gross per hour", f"{3600.0 / schedule.index_time:.0f} valves"), ("net per hour", BLANK),
        ("load to tip-off", f"{tip * schedule.index_time - machine.transfer_time:.0f} s" if tip else "no tip-off"),
        ("calculated verdict", verdict.word.upper() if not verdict.passes else verdict.word),
    )  # fmt: skip
    return Card(
        f"Process card: {schedule.valve.name} on {machine.name}", heading, _position_table(verdict), _blocks(verdict), _footer(verdict, day)
    )


def _position_table(verdict: Verdict) -> tuple[tuple[str, ...], ...]:
    run, unit = verdict.run, verdict.pressure_unit
    mark = unit_words(unit)
    settings = {p.position: p for p in run.schedule.positions}
    machine = run.schedule.machine

    def pressure(value):
        return "-" if value is None else format_number(convert(value, "pressure", unit), 2)

    rows = [(*POSITION_HEAD, f"line gauge, {mark}, expected", f"line gauge, {mark}, limit", "set")]
    for row in position_rows(run):
        setting = settings[row.position]
        rf = setting.rf
        gauge = (pressure(row.line_mean), pressure(None if row.line_mean is None else LINE_LIMIT * row.line_mean))
        rows.append((
            str(row.position), row.line or "-", "yes" if row.position in machine.oven_positions else "no",
            "___" if rf else "", "____" if rf else "", f"{sum(rf.power.values()):.1f}" if rf else "",
            f"{rf.start:g} to {rf.start + rf.duration:.3g}" if rf else "",
            f"{row.heater_voltage:.2f}" if row.heater_voltage else "", f"{row.cathode - ZERO_CELSIUS:.0f}" if row.heater_voltage else "",
            f"{row.anode - ZERO_CELSIUS:.0f}" if rf and row.anode and rf.power.get("anode", 0.0) > 0.0 else "", row.action.replace("_", " "), *gauge, "[  ]",
        ))  # fmt: skip
    return tuple(rows)


def _blocks(verdict: Verdict) -> tuple[tuple[str, tuple[str, ...]], ...]:
    run, unit = verdict.run, verdict.pressure_unit
    schedule, machine = run.schedule, run.schedule.machine
    mark = unit_words(unit)

    def pressure(value):
        return f"{format_number(convert(value, 'pressure', unit), 2)} {mark}"

    stalls = [
        f"line {line.name} backing {pressure(line.pump.critical_backing_pressure)}"
        for line in machine.lines
        if isinstance(line.pump, DiffusionPump)
    ]
    bore = schedule.valve.exhaust_stem.bore * 1e3
    judged = verdict.target("bulb_pressure")
    tightest = [m for m in margins(verdict) if m.kept][:2]
    passed = [m for m in margins(verdict) if not m.kept]
    told = [f"{k}. {m.phrase}" for k, m in enumerate(tightest, start=1)] or ["no limit is kept"]
    told += [f"PASSED: {m.what} {m.figures}" for m in passed[:2]]
    diffusion = [wave for wave in run.lines if any(w.name == wave.name and isinstance(w.pump, DiffusionPump) for w in machine.lines)]
    hold = [f"line {wave.name} above {pressure(LINE_LIMIT * wave.mean_pressure)}: hold tip-off, call" for wave in diffusion]
    return (
        ("Settings off the table", (
            f"oven air {schedule.oven_temperature - ZERO_CELSIUS:.0f} degC, alarm {BLANK}",
            f"RF generator {BLANK}; tip fires {BLANK}",
            f"diffusion pump gives up at {'; '.join(stalls)}" if stalls else "no diffusion pump",
            f"exhaust stem bore gauge {bore:.2g} mm; rubber change every {BLANK}",
        )),
        ("What good looks like (usage of the trade; put your own)", (
            f"anode under RF: {_anode_colour(verdict)}", "spark test: dark, or faint and even", "mirror: bright, even, edge sharp",
            "pip: closed, round, no thread",
        )),
        ("Stop rules", (
            f"stopped more than {BLANK} s: scrap heads at positions {BLANK}",
            *(hold or (f"line above {BLANK}: hold tip-off, call",)),
            f"first {BLANK} valves after start-up: scrap",
        )),
        ("Acceptance after ageing", (
            f"gas current below {BLANK} uA; emission above {BLANK} mA", f"sample {BLANK}; hold the lot if {BLANK} fail",
        )),
        ("Margins (calculated)", (
            f"verdict: {verdict.word}; bulb pressure {pressure(judged.value)} against {pressure(judged.limit)} {judged.where}", *told,
        )),
    )  # fmt: skip


#: Colour of bright metal in a dim shop above these true temperatures [degC]: practice, no source.
COLOURS = ((1050, "yellow"), (950, "orange"), (850, "bright cherry red"), (700, "cherry red"), (600, "dull red"))


def _anode_colour(verdict: Verdict) -> str:
    """The colour at the hottest RF position of the anode."""
    settings = {p.position: p for p in verdict.run.schedule.positions}
    heated = [r for r in position_rows(verdict.run) if (rf := settings[r.position].rf) and rf.power.get("anode", 0.0) > 0.0 and r.anode]
    if not heated:
        return "not heated"
    celsius = max(row.anode for row in heated) - ZERO_CELSIUS
    return next((colour for above, colour in COLOURS if celsius >= above), "no glow")


def _footer(verdict: Verdict, day: datetime.date) -> tuple[str, ...]:
    schedule = verdict.run.schedule
    digest = hashlib.sha256()
    missing = False
    for source in (schedule.source, schedule.valve.source, schedule.machine.source):
        try:
            digest.update(Path(source).read_bytes())
        except OSError:
            missing = True
    inputs = "not from files" if missing else digest.hexdigest()[:12]
    if not missing and schedule.name.endswith(")"):
        inputs += ", changed at the desk"
    return (
        f"exhaustsim {exhaustsim.__version__}, simulation, not an interlock; inputs {inputs}; constants {_constants_fingerprint(schedule.valve.tables)}, "
        f"{day.isoformat()}. {NOT_MEASURED}",
        SAFETY,
    )


def _constants_fingerprint(tables: published.Tables) -> str:
    """First digits of the SHA-256 of every value that the run looks up in, own rows with them, so that two cards can be told to rest on the same constants."""
    text = "\n".join(f"{row.name} {row.text}" for row in tables.rows())
    return hashlib.sha256(text.encode()).hexdigest()[:12]


# ---- the strip -------------------------------------------------------------------------


def _strip(axes, verdict: Verdict, size: float) -> None:
    """Bulb and line pressure against position: black lines, told apart by width and dashes, with their names."""
    run, unit = verdict.run, verdict.pressure_unit
    x, on = places(run)
    bulb, line = (p[on] for p in pressures(run, unit))
    limit = convert(run.schedule.target.bulb_pressure, "pressure", unit)
    later = run.position[on] > 1
    low, high = decades([*bulb[later], *line[later], limit], 1e-7 * convert(1.0, "pressure", unit))
    axes.set_yscale("log")
    axes.set_ylim(low, high)
    axes.set_xlim(0.5, len(run.schedule.positions) + 0.5)
    axes.set_xticks(range(1, len(run.schedule.positions) + 1))
    axes.minorticks_off()
    axes.tick_params(labelsize=size, length=2)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.plot(x, bulb, color="black", linewidth=1.2)
    axes.plot(x, line, color="black", linewidth=0.9, linestyle=(0, (4, 1.5)))
    axes.axhline(limit, color="black", linewidth=0.8, linestyle=(0, (1, 1.6)))
    axes.set_ylabel(f"pressure, {unit_words(unit)}", fontsize=size)
    axes.set_xlabel(
        "position   (solid: bulb pressure, calculated, not a reading;  dashes: line pressure;  dots: target bulb pressure)", fontsize=size
    )


# ---- PDF -------------------------------------------------------------------------------


def card_figure(verdict: Verdict, day: datetime.date | None = None) -> Figure:
    """The card as one A4 page."""
    card = card_words(verdict, day)
    figure = Figure(figsize=A4, dpi=100, facecolor="white")
    FigureCanvasAgg(figure)
    page = _Page(figure)
    page.text(0.06, shortened(card.title, 64), 14.0, bold=True)
    page.box(0.72, STATUS)
    page.down(24)
    columns, step = 4, 0.22
    for start in range(0, len(card.heading), columns):
        for k, (name, value) in enumerate(card.heading[start : start + columns]):
            page.text(0.06 + k * step, f"{name}: {shortened(value, 24)}", 8.2)
        page.down(13)
    page.down(2)
    page.table(card.positions)
    height = 118.0
    axes = figure.add_axes((0.115, (page.y - height + 24.0) / page.height, 0.825, (height - 30.0) / page.height))
    _strip(axes, verdict, 7.0)
    page.down(height + 4.0)
    top, lowest = page.y, page.y
    for number, (title, lines) in enumerate(card.blocks):
        left = 0.06 if number in (0, 1, 4) else 0.54
        if number == 2:
            lowest, page.y = page.y, top
        elif number == 4:
            page.y = min(lowest, page.y)
        page.text(left, title, 8.8, bold=True)
        page.down(12.0)
        for line in lines:
            page.wrapped(left + 0.012, line, 8.0, 60 if number < 4 else 118)
        page.down(3.0)
    page.rule()
    for line in card.footer:
        page.wrapped(0.06, line, 6.8, 142)
    if page.y < 14.0:
        raise ValueError(f"the card of {verdict.name} does not fit on one page")
    return figure


class _Page:
    """An A4 page written from the top; heights in points."""

    def __init__(self, figure: Figure):
        self.figure = figure
        self.height = 72.0 * A4[1]
        self.y = self.height - 36.0

    def down(self, points: float) -> None:
        self.y -= points

    def text(self, x: float, words: str, size: float, bold: bool = False, align: str = "left") -> None:
        self.figure.text(
            x, self.y / self.height, words, fontsize=size, fontweight="bold" if bold else "normal", color="black", va="top", ha=align,
            parse_math=False,
        )  # fmt: skip

    def box(self, x: float, words: str) -> None:
        self.figure.text(
            x, (self.y - 1.0) / self.height, words, fontsize=12, fontweight="bold", color="black", va="top", parse_math=False,
            bbox={"facecolor": "white", "edgecolor": "black", "linewidth": 1.5, "pad": 3.0},
        )  # fmt: skip

    def rule(self) -> None:
        y = (self.y + 1.0) / self.height
        self.figure.add_artist(Line2D([0.06, 0.94], [y, y], color="black", linewidth=0.8))
        self.down(4.0)

    def wrapped(self, x: float, words: str, size: float, letters: int) -> None:
        for line in textwrap.wrap(words, letters, break_on_hyphens=False) or [""]:
            self.text(x, line, size)
            self.down(1.32 * size)

    def table(self, rows) -> None:
        head, *body = rows
        shares = (0.032, 0.044, 0.040, 0.044, 0.056, 0.066, 0.088, 0.060, 0.066, 0.058, 0.090, 0.072, 0.066, 0.038)
        left, width = 0.06, 0.88
        edges = [left]
        for share in shares:
            edges.append(edges[-1] + width * share / sum(shares))
        size = 8.0 if len(body) <= 17 else 7.2
        step = 1.6 * size
        top = self.y + 1.0
        for k, words in enumerate(head):
            self.figure.text(
                edges[k] + 0.003, self.y / self.height, words.replace(", ", ",\n").replace("RF ", "RF\n").replace("W abs", "W\nabs"),
                fontsize=6.8, color="black", va="top", linespacing=1.05,
            )  # fmt: skip
        self.down(29.0)
        lines = [top, self.y]
        for row in body:
            self.y -= step
            for k, words in enumerate(row):
                self.figure.text(
                    edges[k] + 0.003, (self.y + 0.30 * step) / self.height, words, fontsize=size, color="black", va="baseline",
                    parse_math=False,
                )  # fmt: skip
            lines.append(self.y)
        for y in lines:
            self.figure.add_artist(Line2D([left, left + width], [y / self.height] * 2, color="black", linewidth=0.5))
        for x in edges:
            self.figure.add_artist(Line2D([x, x], [top / self.height, self.y / self.height], color="black", linewidth=0.5))
        self.down(4.0)


def card_pdf(verdict: Verdict, day: datetime.date | None = None) -> bytes:
    """The card as a PDF of one A4 page."""
    buffer = io.BytesIO()
    info = {"Creator": None, "Producer": None, "CreationDate": None, "Title": card_words(verdict, day).title}
    with PdfPages(buffer, metadata=info) as pages:
        pages.savefig(card_figure(verdict, day))
    return buffer.getvalue()


# ---- HTML ------------------------------------------------------------------------------

CARD_STYLE = """
* { box-sizing: border-box; color: #000; }
body { margin: 0 auto; padding: 6mm; max-width: 200mm; background: #fff; font: 9pt/1.25 "DejaVu Sans", Verdana, sans-serif; }
header { display: flex; justify-content: space-between; align-items: center; margin-bottom: 2mm; }
h1 { font-size: 14pt; margin: 0; } h2 { font-size: 9.5pt; margin: 1.6mm 0 0.4mm; }
.status { border: 1.5pt solid #000; padding: 1mm 3mm; font-weight: bold; font-size: 12pt; }
dl { display: flex; flex-wrap: wrap; gap: 0.6mm 5mm; margin: 0 0 2mm; } dl div { display: flex; gap: 1.2mm; } dt::after { content: ":"; }
dd { margin: 0; font-weight: bold; }
table { border-collapse: collapse; width: 100%; font-size: 8pt; } th, td { border: 0.5pt solid #000; padding: 0.4mm 1mm; text-align: left; }
td { white-space: nowrap; } .blocks { columns: 2; column-gap: 6mm; } .blocks section { break-inside: avoid; }
th { font-weight: normal; vertical-align: bottom; font-size: 7pt; }
img { display: block; width: 100%; margin: 1mm 0; } ul { margin: 0; padding-left: 4mm; }
footer { border-top: 1pt solid #000; margin-top: 2mm; padding-top: 1mm; font-size: 7pt; } footer p { margin: 0 0 0.6mm; }
@page { size: A4; margin: 8mm; } @media print { body { padding: 0; max-width: none; font-size: 8pt; } table { font-size: 7.4pt; } }
"""


def card_html(verdict: Verdict, day: datetime.date | None = None) -> str:
    """The card as one HTML page that needs nothing else."""
    card = card_words(verdict, day)
    strip = Figure(figsize=(7.6, 1.75), facecolor="white")
    FigureCanvasAgg(strip)
    _strip(strip.add_axes((0.075, 0.25, 0.915, 0.72)), verdict, 7.0)
    picture = base64.b64encode(svg(strip)).decode("ascii")
    head, *body = card.positions
    heads = "".join(f"<th>{escape(cell)}</th>" for cell in head)
    rows = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in body)
    terms = "".join(f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>" for name, value in card.heading)
    blocks = "".join(
        f"<section><h2>{escape(title)}</h2><ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul></section>"
        for title, lines in card.blocks
    )
    foot = "".join(f"<p>{escape(line)}</p>" for line in card.footer)
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(card.title)}, {STATUS}</title>'
        f"<style>{CARD_STYLE}</style></head><body>\n<header><h1>{escape(card.title)}</h1><span class=status>{STATUS}</span></header>\n"
        f"<dl>{terms}</dl>\n<table><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>\n"
        f'<img src="data:image/svg+xml;base64,{picture}" alt="calculated bulb pressure and line pressure against position">\n'
        f'<div class="blocks">{blocks}</div>\n<footer>{foot}</footer>\n</body></html>\n'
    )


def write_card(verdict: Verdict, folder: str | os.PathLike) -> list[Path]:
    """Write the card of `verdict` as PDF and HTML to `folder`; each file whole or not at all.

    Raises
    ------
    OSError
        The folder cannot be written.
    """
    name = file_name(verdict.name)
    pdf, html = Path(folder) / f"card_{name}.pdf", Path(folder) / f"card_{name}.html"
    day = datetime.date.today()
    data, text = card_pdf(verdict, day), card_html(verdict, day)
    with replace_whole(pdf, binary=True) as file:
        file.write(data)
    with replace_whole(html) as file:
        file.write(text)
    return [pdf, html]
