"""The report: one HTML file that needs nothing else, read on a screen or pinned up on paper.

The first screen is the answer with its reason and the table of schedules.  Below stand the
pictures, then for each schedule its targets, flags with remedies, pictures, positions, what binds
and what stands in the way, and gas ledger, then what all of it rests on, the cautions, and where it came from.  Pictures are inside
the file; there are no scripts and no links.  Every text that comes from a file is escaped.

Not in it: the spread over many valves (`exhaustsim.reporting.answers`), and the process card.
"""

from __future__ import annotations

import base64
import datetime
import hashlib
import os
from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path

import exhaustsim
from exhaustsim.constants import ZERO_CELSIUS
from exhaustsim.engine.filewrite import replace_whole
from exhaustsim.reporting import plots
from exhaustsim.reporting.assumptions import least_trusted, other_rows
from exhaustsim.reporting.bandplot import band_picture
from exhaustsim.reporting.canvas import svg, unit_words
from exhaustsim.reporting.screen import CAUTION, RESISTANCE_LEGEND, ledger_table, resistance_table, rf_table
from exhaustsim.reporting.stylesheet import STYLESHEET
from exhaustsim.studies.band import GENERATORS, Band
from exhaustsim.studies.comparison import Comparison
from exhaustsim.studies.dwell import Dwell
from exhaustsim.studies.explanation import Explanation, explain
from exhaustsim.studies.positions import position_rows
from exhaustsim.studies.station import OutOfReach
from exhaustsim.studies.verdict import Verdict
from exhaustsim.units import PASCAL_LITRE, convert, format_number, share_text

#: Stocks smaller than this at the end are not worth a line [Pa L].
SMALLEST_STOCK = 1e-3

ABOUT_THE_TOOL = (
    "A calculation aid for training and for planning trials. It is not an interlock, alarm, control or protective system: "
    "do not drive a machine from it, and do not raise any guard, trip or temperature limit on its word.",
    "Temperatures of glass, cathode and getter are estimates; measure before changing heat settings. Try a changed schedule on "
    "a small supervised lot, one change at a time, the valves kept apart until they are aged and tested again.",
    "Constants that nobody has measured here are right to an order of magnitude; calibrate with your own logs. "
    "Demo valves, machines and schedules are invented.",
    "“Within limit” means within the number typed in, nothing more.",
)
ABOUT_THE_WORK = (
    "Implosion and hot glass: eye protection and guards; locked-in strain can let go days later.",
    "RF heating burns deep and without warning: no rings, watches, pacemakers or implants near the coils; "
    "the generator holds lethal d.c. after it is switched off.",
    "High voltage: spark testers and ageing racks are lethal; above about 15 kV think of X-rays.",
    "Moving machine: pinch points; isolate before reaching in; after a stop, oven and RF off first.",
    "Fires and ovens: gas flames, carbon monoxide, burns; ventilate.",
    "Barium and its carbonate are poisonous: no dry sweeping, wash hands, never open a flashed valve wet.",
    "Binder and its solvents are highly flammable; dust of lead glass, and mercury, asbestos or beryllia in old plant: "
    "identify before touching.",
    "Pumps: never let air into a hot diffusion pump; vent exhausts and gas ballast outdoors.",
)


def write_report(comparison: Comparison, path: str | os.PathLike, explanations: Sequence[Explanation] | None = None) -> None:
    """Write the report of `comparison` to `path`, whole or not at all.

    Parameters
    ----------
    explanations : sequence of Explanation, optional
        One for each schedule, from `exhaustsim.explain`; made here unless given (one run more for each schedule).

    Raises
    ------
    OSError
        When the place cannot be written; an older file of that name is then left as it was.
    """
    if explanations is None:
        explanations = [explain(verdict) for verdict in comparison.verdicts]
    text = report_html(comparison, explanations)
    with replace_whole(path) as file:
        file.write(text)


def report_html(comparison: Comparison, explanations: Sequence[Explanation] = ()) -> str:
    """The report as one HTML text; without explanations it does not tell what stands in the way."""
    valves = ", ".join(comparison.valves)
    machines = ", ".join(dict.fromkeys(v.run.schedule.machine.name for v in comparison.verdicts))
    # The answer is one sentence; its parts are set apart so that the first can be read across the room.
    head, *rest = (part.removesuffix(".") + "." for part in comparison.answer.split("; "))
    why = "".join(f"<span>{escape(part)}</span>" for part in rest)
    sections = [
        f"<h1>Exhaust schedules for {escape(valves)} on {escape(machines)}</h1>",
        f'<p class="answer">{escape(head)}{why}</p>',
        f'<p class="caution">A calculation aid, not an interlock. {escape(CAUTION)}</p>',
        _comparison_table(comparison),
    ]
    if len(comparison.verdicts) > 1:
        caption = (
            "Left: bulb pressure of each schedule along the positions. Right: each target quantity over its limit; a filled mark "
            "is beyond it, and a mark at the edge lies further out still."
        )
        sections.append(picture_html(plots.side_by_side(comparison), "Bulb pressure and target quantities of the schedules", caption))
    if comparison.bands:
        sections.append(_bands_section(comparison.bands))
    told = [*explanations, *[None] * (len(comparison.verdicts) - len(explanations))]
    dwells = comparison.dwells or [None] * len(comparison.verdicts)
    sections += [_schedule_section(*of_one) for of_one in zip(comparison.verdicts, told, dwells, strict=True)]
    sections += [_assumptions_section(comparison), cautions_html(), footer_html(v.run.schedule for v in comparison.verdicts)]
    body = "\n".join(sections)
    return page_html(f"Exhaust schedules for {valves}", body)


def page_html(title: str, body: str) -> str:
    """A whole page in the style of the report."""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLESHEET}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


# ---- pieces ----------------------------------------------------------------------------


def _comparison_table(comparison: Comparison) -> str:
    head, *rows = comparison.text_rows()
    best = {comparison.best(valve) for valve in comparison.valves}
    verdict_column = head.index("verdict")
    lines = []
    for number, row in enumerate(rows):
        cells = [
            f'<td class="text"><span class="mark {escape(cell)}">{escape(cell)}</span></td>' if k == verdict_column
            else _cell(cell, text=k == 0 or k > verdict_column)
            for k, cell in enumerate(row)
        ]  # fmt: skip
        lines.append(_row(cells, "best" if number in best else ""))
    heads = "".join(_cell(cell, tag="th", text=k == 0 or k >= verdict_column) for k, cell in enumerate(head))
    return f"<table><thead><tr>{heads}</tr></thead><tbody>{''.join(lines)}</tbody></table>"


def _bands_section(bands: tuple[Band, ...]) -> str:
    parts = [
        "<h2>How sure the verdicts are</h2>",
        "<p>The six constants trusted least, run to the ends of their ranges: one at a time, and all together in a two-level "
        f"design of up to eight runs ({escape(GENERATORS)}; +1 is the end that leaves more gas). A range between stated ends, "
        "not a probability.</p>",
    ]
    for band in bands:
        parts += [
            f'<div class="band"><h3>{escape(band.schedule.name)}</h3>',
            f"<p><strong>{escape(band.sentence)}</strong></p>",
            picture_html(
                band_picture(band), f"{band.schedule.name}: target quantities over the ranges of the constants",
                "Each target quantity over its limit; of the converted fraction, what is left over what may be left. Bar: one "
                "constant moved at a time; line: all runs; mark: as the valve has it, filled when beyond the limit.",
            ),
            table_html(band.text_rows(), "Lowest and highest of all runs", "small", texts=(0, 6)),
            table_html(
                band.constant_rows(), "The verdict with one constant moved", "small", texts=(0, 1, 2, 3),
                strong={k for k, moved in enumerate(band.constants) if any(f.constant == moved.name for f in band.flips)},
            ),
            "</div>",
        ]  # fmt: skip
    return f'<section class="sure">{"".join(parts)}</section>'


def _schedule_section(verdict: Verdict, explanation: Explanation | None, dwell: Dwell | None) -> str:
    run, unit = verdict.run, verdict.pressure_unit
    schedule = run.schedule
    counts = run.outcome
    about = f"Index time {schedule.index_time:g} s; oven air {schedule.oven_temperature - ZERO_CELSIUS:.0f} degC."
    intention = f" Intention: {schedule.intention}." if schedule.intention else ""
    parts = [
        f"<h2>{escape(verdict.name)}</h2>",
        f"<p><strong>{escape(verdict.sentence)}</strong></p>",
        f"<p>{escape(about + intention)}</p>",
        _targets_table(verdict),
        "<h3>Flags</h3>",
        _flags(verdict),
        picture_html(
            plots.pressure_by_position(run, unit), f"{verdict.name}: bulb pressure and line pressure by position",
            "Within each position time runs from the transfer (hatched: port blanked) to the end of the dwell. "
            "The ring marks where the target bulb pressure is judged. The gauge sees the line pressure only.",
        ),
        picture_html(
            plots.pressure_against_time(run, unit), f"{verdict.name}: bulb pressure and line pressure in time",
            "The same in time, and on the right the sealed valve: tip-off burst, ageing, shelf.",
        ),
        picture_html(
            plots.temperatures(run), f"{verdict.name}: temperatures of the parts",
            "Temperatures are calculated together with the gas, and are estimates.",
        ),
        _positions_table(verdict),
        *([] if explanation is None else _explained(explanation)),
        *([] if dwell is None else _shortest(dwell)),
        "<h3>Gas ledger</h3>",
        picture_html(
            plots.ledger_bars(run), f"{verdict.name}: gas ledger by gas, source and sink",
            "For each gas: all that was released by source, and all that was removed by sink, each bar on its own scale. "
            "Gas once mixed carries no source.",
        ),
        table_html(ledger_table(run.ledger), "Gas ledger, Pa L at 20 degC", "small", texts=(0,)),
        f"<p>{escape(_still_held(verdict))}</p>",
        f"<p>{escape(counts.sentence)} Gas ledger closed to {run.ledger.error:.1e} of the inventory; {counts.steps} steps, "
        f"{counts.rejected} rejected, {counts.line_iterations} passes of valve against lines, tolerance {run.tolerance:.0e}.</p>",
    ]  # fmt: skip
    return f'<section class="schedule">{"".join(parts)}</section>'


def _explained(explanation: Explanation) -> list[str]:
    """What binds, where the pressure drops between bulb and pump, and what the RF does."""
    mark = unit_words(explanation.verdict.pressure_unit)
    parts = ["<h3>What binds, and what stands in the way</h3>", f"<p>{escape(explanation.binding_sentence)}</p>"]
    parts.append(f"<p>{escape(explanation.resistance_sentence)}</p>")
    parts.append(table_html(
        resistance_table(explanation), f"Gas given off (Pa L/s), pumped (Pa L/s) and bulb pressure ({mark}) at the largest flow",
        "small", texts=(1, 3, 6, 9),
    ))  # fmt: skip
    parts.append(f'<p class="legend">{escape(RESISTANCE_LEGEND)}.</p>')
    if explanation.rf:
        parts.append(table_html(rf_table(explanation), "RF stations: what the schedule gives, and what it brings each part to", "small", texts=(1,)))
    parts += [f"<p>{escape(str(a) + '.' if isinstance(a, OutOfReach) else a.sentence)}</p>" for a in explanation.stations]
    return parts


def _shortest(dwell: Dwell) -> list[str]:
    """The shortest index time, and the limits in the order in which a shorter one runs into them."""
    parts = ["<h3>Shortest index time</h3>", f"<p>{escape(dwell.sentence)}</p>"]
    return parts + ([table_html(dwell.text_rows(), "What binds, one after the other", "small", texts=(0, 1, 4))] if dwell.bounds else [])


def _targets_table(verdict: Verdict) -> str:
    rows = [("target", "value", "limit", "", "judged")]
    for check in verdict.targets:
        rows.append((check.what, *check.texts(verdict.pressure_unit), "met" if check.met else "MISSED", check.where))
    return table_html(rows, "Targets", texts=(0, 3, 4), strong={k for k, c in enumerate(verdict.targets) if not c.met})


def _flags(verdict: Verdict) -> str:
    if not verdict.flags:
        return "<p>None.</p>"
    items = "".join(
        f'<li><span class="mark {escape(f.level)}">{escape(f.level.upper())}</span> <strong>{escape(f.name.replace("_", " "))}</strong>: '
        f"{escape(f.sentence)}<em>First thing to try: {escape(f.remedy)}.</em></li>"
        for f in verdict.flags
    )
    return f'<ul class="flags">{items}</ul>'


def _positions_table(verdict: Verdict) -> str:
    unit = verdict.pressure_unit
    mark = unit_words(unit)

    def pressure(value):
        return "-" if value is None else format_number(convert(value, "pressure", unit), 2)

    def celsius(value):
        return "-" if value is None else f"{value - ZERO_CELSIUS:.0f}"

    rows = [(
        "position", "line", "work", "heater, V", f"bulb, blanked, {mark}", f"bulb, open, {mark}", f"bulb, end, {mark}",
        f"line, mean, {mark}", "wall, degC", "anode, degC", "cathode, degC", "getter holder, degC", "converted, %",
    )]  # fmt: skip
    for row in position_rows(verdict.run):
        rows.append((
            str(row.position), row.line or "-", row.action.replace("_", " "), f"{row.heater_voltage:.2f}" if row.heater_voltage else "",
            pressure(row.blanked_peak), pressure(row.open_peak), pressure(row.end), pressure(row.line_mean), celsius(row.wall),
            celsius(row.anode), celsius(row.cathode), celsius(row.getter), share_text(row.converted_fraction).removesuffix("%"),
        ))  # fmt: skip
    caption = "Position by position: highest bulb pressure with the port blanked and open, and at the end; highest temperatures"
    return table_html(rows, caption, "small", texts=(1, 2))


def _still_held(verdict: Verdict) -> str:
    """The stocks of gas that never left the parts, largest first."""
    stocks = sorted(
        ((float(amount.sum()) / PASCAL_LITRE, name) for name, amount in verdict.run.ledger.held.items()), reverse=True
    )
    told = [f"{name.replace('_', ' ')} {format_number(amount, 2)}" for amount, name in stocks if amount >= SMALLEST_STOCK]
    return f"Still held at the end, Pa L at 20 degC: {'; '.join(told)}." if told else "Nothing is still held in the parts."


def _assumptions_section(comparison: Comparison) -> str:
    valves = {}
    for verdict in comparison.verdicts:
        valve = verdict.run.schedule.valve
        # One valve may be judged with own data by one schedule and without by another.
        valves[valve.name + (f" with {', '.join(valve.tables.files)}" if valve.tables.own else "")] = valve
    parts = [
        "<h2>Assumptions and their standing</h2>",
        "<p>Six constants are trusted least, and a verdict close to a limit may turn with any of them. "
        "Standing: published, read in the source; computed, follows from others; recalled, of the right order only; "
        "practice, usage of the trade; invented, for the demonstration; own data, from a data file of the user's.</p>",
    ]
    for name, valve in valves.items():
        rows = [("trusted least", "used", "range", "standing", "source")]
        rows += [(a.what, a.used, a.span, a.standing, a.source) for a in least_trusted(valve)]
        parts.append(table_html(rows, f"{name}: the constants known least", texts=(0, 1, 2, 3, 4)))
    rows = [("constant", "value", "range", "standing", "source")]
    rows += [(a.what, a.used, a.span, a.standing, a.source) for a in other_rows(valves.values())]
    title = "The other constants, least certain first; a valve or machine file may set its own"
    parts.append(table_html(rows, title, "small", texts=(0, 1, 2, 3, 4)))
    parts.append("<p>Properties of gases and materials: <code>exhaustsim constants</code> lists every value with its source.</p>")
    return f'<section class="rests">{"".join(parts)}</section>'


def cautions_html() -> str:
    """The cautions about tool and work that every page carries."""
    tool = "".join(f"<li>{escape(text)}</li>" for text in ABOUT_THE_TOOL)
    work = "".join(f"<li>{escape(text)}</li>" for text in ABOUT_THE_WORK)
    return (
        f'<section><h2>Cautions</h2><p><strong>{escape(CAUTION)}</strong></p><h3>About the tool</h3><ul class="plain">{tool}</ul>'
        f'<h3>About the work</h3><ul class="plain">{work}</ul></section>'
    )


def footer_html(schedules) -> str:
    """Version, day, and the files that the schedules were read from with their fingerprints."""
    files = dict.fromkeys(
        source
        for schedule in schedules
        for source in (schedule.source, schedule.valve.source, schedule.machine.source, *schedule.valve.tables.files)
    )
    return files_html((source for source in files if source), "Calculated, not measured.")


def files_html(files: Iterable[str], standing: str) -> str:
    """Version, day, `standing`, and files with their fingerprints."""
    told = "; ".join(f"{escape(Path(file).name)} {_fingerprint(file)}" for file in files)
    day = datetime.date.today().isoformat()
    return (
        f"<footer><p>exhaustsim {escape(exhaustsim.__version__)}, {day}. {escape(standing)}</p>"
        f"<p>Input files with the first twelve digits of their SHA-256: {told or 'none, described in Python'}.</p></footer>"
    )


def _fingerprint(source: str) -> str:
    """First twelve hexadecimal digits of the SHA-256 of the file as it now is."""
    try:
        return hashlib.sha256(Path(source).read_bytes()).hexdigest()[:12]
    except OSError:
        return "(can no longer be read)"


# ---- HTML ------------------------------------------------------------------------------


def picture_html(figure, name: str, caption: str) -> str:
    """A figure within the page, as SVG, with what it is called and a caption."""
    width, height = figure.get_size_inches() * figure.dpi
    data = base64.b64encode(svg(figure)).decode("ascii")
    return (
        f'<figure><img src="data:image/svg+xml;base64,{data}" alt="{escape(name)}" width="{width:.0f}" height="{height:.0f}">'
        f"<figcaption>{escape(caption)}</figcaption></figure>"
    )


def table_html(rows, caption: str, style: str = "", texts=(), strong=()) -> str:
    """Rows of text as a table, the first as its heading; columns in `texts` are set flush left, rows in `strong` bold."""
    head, *body = rows
    heads = "".join(_cell(cell, tag="th", text=k in texts) for k, cell in enumerate(head))
    lines = "".join(
        _row([_cell(cell, text=k in texts) for k, cell in enumerate(row)], "missed" if number in strong else "")
        for number, row in enumerate(body)
    )
    return (
        f'<table class="{style}"><caption>{escape(caption)}</caption><thead><tr>{heads}</tr></thead><tbody>{lines}</tbody></table>'
    )


def _row(cells, style: str) -> str:
    return f'<tr class="{style}">{"".join(cells)}</tr>'


def _cell(value: str, tag: str = "td", text: bool = False) -> str:
    style = "text" if text else "value"
    return f'<{tag} class="{style}">{escape(value)}</{tag}>'
