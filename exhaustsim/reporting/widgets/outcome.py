"""What the desk says of a run, as HTML: the verdict with its flags, targets, positions, ledger, margins.

The words and tables are those of terminal and report; here they only get their frame.
"""

from __future__ import annotations

from html import escape

from exhaustsim.engine.draft import is_draft
from exhaustsim.reporting.canvas import unit_words
from exhaustsim.reporting.screen import CAUTION, ledger_table
from exhaustsim.reporting.widgets.fields import table
from exhaustsim.studies.band import Band
from exhaustsim.studies.binding import binding_sentence, margins
from exhaustsim.studies.comparison import Comparison
from exhaustsim.studies.positions import position_rows
from exhaustsim.studies.verdict import Verdict
from exhaustsim.units import convert, format_number

MOST_MARGINS = 12


def verdict_html(verdict: Verdict) -> str:
    """Word, sentence and flags in short; says when it rests on a draft."""
    draft = is_draft(verdict.run)
    raised = [f"{f.level}: {f.name.replace('_', ' ')}" for f in verdict.flags]
    flags = "; ".join(raised[:4]) + (f" and {len(raised) - 4} more" if len(raised) > 4 else "") if raised else "no flags"
    hint = "draft, line pressures as before the change; " if draft else ""
    return (
        f'<div class="verdict" data-draft="{str(draft).lower()}"><span class="word">{escape(verdict.word)}</span> '
        f"{escape(hint)}{escape(verdict.sentence)}<br><span class=small>Flags: {escape(flags)}.</span></div>"
    )


def targets_html(verdict: Verdict) -> str:
    rows = [("target", "value", "limit", "", "judged")]
    for check in verdict.targets:
        rows.append((check.what, *check.texts(verdict.pressure_unit), "met" if check.met else "MISSED", check.where))
    missed = {k for k, check in enumerate(verdict.targets) if not check.met}
    flags = [("level", "flag", "what", "first thing to try")]
    flags += [(f.level, f.name.replace("_", " "), f.sentence, f.remedy) for f in verdict.flags]
    raised = table(flags, texts=(0, 1, 2, 3), strong={k for k, f in enumerate(verdict.flags) if f.level == "stop"})
    return table(rows, texts=(0, 3, 4), strong=missed) + (raised if verdict.flags else '<p class="small">No flags.</p>')


def positions_html(verdict: Verdict) -> str:
    run, unit = verdict.run, verdict.pressure_unit
    mark = unit_words(unit)

    def pressure(value):
        return "-" if value is None else format_number(convert(value, "pressure", unit), 2)

    def celsius(value):
        return "-" if value is None else f"{convert(value, 'temperature', 'degC'):.0f}"

    rows = [(
        "position", "line", "oven", "work", "heater, V", "RF, W", "RF, s", f"bulb, blanked, {mark}", f"bulb, open, {mark}",
        f"bulb, end, {mark}", f"line, mean, {mark}", "wall, degC", "anode, degC", "cathode, degC", "conv. fraction",
    )]  # fmt: skip
    settings = {s.position: s for s in run.schedule.positions}
    for row in position_rows(run):
        rf = settings[row.position].rf
        rows.append((
            str(row.position), row.line or "-", "oven" if row.position in run.schedule.machine.oven_positions else "",
            row.action.replace("_", " "), f"{row.heater_voltage:.2f}" if row.heater_voltage else "",
            f"{sum(rf.power.values()):.1f}" if rf else "", f"{rf.duration:.1f}" if rf else "",
            pressure(row.blanked_peak), pressure(row.open_peak), pressure(row.end), pressure(row.line_mean), celsius(row.wall),
            celsius(row.anode), celsius(row.cathode), f"{row.converted_fraction:.3f}",
        ))  # fmt: skip
    caption = "Bulb pressure is calculated, not a reading: highest with the port blanked and open, and at the end; highest temperatures"
    return table(rows, texts=(1, 2, 3), caption=caption)


def ledger_html(verdict: Verdict) -> str:
    error = f"Ledger error {verdict.run.ledger.error:.1e} of the inventory."
    caption = "Gas ledger, Pa L at 20 degC (released and admitted = pumped + sorbed + consumed + left in the gas)"
    return table(ledger_table(verdict.run.ledger), caption=caption) + f'<p class="small">{error}</p>'


def margins_html(verdict: Verdict) -> str:
    found = margins(verdict)
    rows = [("limit", "level", "where", "reading", "margin, %")]
    for m in found[:MOST_MARGINS]:
        rows.append((m.what, m.level, m.where, m.figures, format_number(100.0 * m.margin, 2)))
    passed = {k for k, m in enumerate(found[:MOST_MARGINS]) if not m.kept}
    return f'<p class="small">{escape(binding_sentence(found))}</p>' + table(rows, texts=(0, 1, 2, 3), strong=passed)


def band_html(band: Band) -> str:
    return (
        f'<p class="small"><b>{escape(band.sentence)}</b></p>' + table(band.text_rows(), texts=(0, 6))
        + table(band.constant_rows(), texts=(0, 1, 2, 3))
    )  # fmt: skip


def comparison_html(comparison: Comparison) -> str:
    best = {comparison.best(valve) for valve in comparison.valves}
    rows = comparison.text_rows()
    numbered = [("", *rows[0]), *((str(k), *row) for k, row in enumerate(rows[1:], start=1))]
    return f'<p class="small"><b>{escape(comparison.answer)}</b></p>' + table(numbered, texts=(1, 10, 11), strong=best)


def caution_html() -> str:
    return f'<div class="small">A calculation aid, not an interlock. {escape(CAUTION)}</div>'
