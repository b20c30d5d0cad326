"""What the terminal shows: the answer first, then the table, then the flags with their remedies.

Plain text no wider than `grid.WIDTH` columns, so that it can be read on a machine-side screen and
printed in a monospaced face.  Pressures have two figures.  Everything returns text; nothing prints.
"""

from __future__ import annotations

import textwrap

from exhaustsim.constants import GAS_NAMES
from exhaustsim.engine.ledger import GasLedger
from exhaustsim.reporting.grid import WIDTH, grid
from exhaustsim.studies.band import Band
from exhaustsim.studies.comparison import Comparison
from exhaustsim.studies.positions import position_rows
from exhaustsim.studies.verdict import Flag, Verdict
from exhaustsim.units import PASCAL_LITRE, convert, format_number, show

CAUTION = (
    "Calculated with stated assumptions; not a substitute for measurement, supervision or the plant's safety rules. "
    "Trial under supervision before use."
)


def comparison_text(comparison: Comparison) -> str:
    """Answer, table, flags of every schedule."""
    parts = [textwrap.fill(comparison.answer, WIDTH), grid(comparison.text_rows(), left=(0, 9, 10))]
    parts += [f"{v.name}\n{flags_text(v.flags)}" for v in comparison.verdicts]
    parts += [band_text(band) for band in comparison.bands]
    parts.append(textwrap.fill(CAUTION, WIDTH))
    return "\n\n".join(parts)


def run_text(verdict: Verdict, band: Band | None = None) -> str:
    """Sentence, position table, sealed life, ledger, flags and, if given, the band of one schedule."""
    run, unit = verdict.run, verdict.pressure_unit
    targets = [("target", "value", "limit", "", "judged")]
    for check in verdict.targets:
        if check.unit == "Pa":
            value, limit = (show(x, "pressure", unit) for x in (check.value, check.limit))
        else:
            value, limit = (f"{x:.4f}" for x in (check.value, check.limit))
        targets.append((check.what, value, limit, "met" if check.met else "MISSED", check.where))
    counts = run.outcome
    parts = [
        textwrap.fill(verdict.sentence, WIDTH),
        grid(targets, left=(0, 3, 4)),
        f"Positions (bulb and line pressure in {unit}; temperatures are the highest of the dwell, degC)\n"
        + grid(_position_table(verdict), left=(1, 2, 12)),
        "Gas ledger, Pa L at 20 degC (released and admitted = pumped + sorbed + consumed + left in the gas)\n"
        + grid(ledger_table(run.ledger)),
        textwrap.fill(
            f"Ledger error {run.ledger.error:.1e} of the inventory; {counts.steps} steps, {counts.rejected} rejected, "
            f"{counts.evaluations} evaluations, {counts.line_iterations} passes of valve against lines.", WIDTH,
        ),
        f"Flags\n{flags_text(verdict.flags)}",
        *([band_text(band)] if band else []),
        textwrap.fill(CAUTION, WIDTH),
    ]  # fmt: skip
    return "\n\n".join(parts)


def flags_text(flags: tuple[Flag, ...]) -> str:
    """Flags with remedies, worst first."""
    if not flags:
        return "  no flags"
    lines = []
    for flag in flags:
        text = f"{flag.level:<4}  {flag.name.replace('_', ' ')}: {flag.sentence} Try: {flag.remedy}."
        lines.append(textwrap.fill(text, WIDTH, initial_indent="  ", subsequent_indent="        "))
    return "\n".join(lines)


def band_text(band: Band) -> str:
    """How sure the verdict is, the range of each target quantity, and what each constant does to the verdict."""
    return "\n\n".join((
        "How sure\n" + textwrap.fill(band.sentence, WIDTH, initial_indent="  ", subsequent_indent="  "),
        grid(band.text_rows(), left=(0, 6)),
        grid(band.constant_rows(), left=(0, 1, 2, 3)),
    ))  # fmt: skip


def _position_table(verdict: Verdict) -> list[tuple[str, ...]]:
    unit = verdict.pressure_unit
    raised: dict[int, list[str]] = {}
    for flag in verdict.flags:
        if flag.position is not None:
            names = raised.setdefault(flag.position, [])
            text = f"{flag.level}: {flag.name.replace('_', ' ')}"
            if text not in names:
                names.append(text)

    def pressure(value):
        return "-" if value is None else format_number(convert(value, "pressure", unit), 2)

    def celsius(value):
        return "-" if value is None else f"{convert(value, 'temperature', 'degC'):.0f}"

    table = [(
        "pos", "line", "work", "shut peak", "open peak", "end", "line mean", "wall", "anode", "cathode", "getter",
        "conv.", "flags",
    )]  # fmt: skip
    for row in position_rows(verdict.run):
        work = row.action.replace("_", " ") or (f"{row.heater_voltage:.3g} V" if row.heater_voltage else "")
        table.append((
            str(row.position), row.line or "-", work, pressure(row.blanked_peak), pressure(row.open_peak), pressure(row.end),
            pressure(row.line_mean), celsius(row.wall), celsius(row.anode), celsius(row.cathode), celsius(row.getter),
            f"{row.converted_fraction:.3f}", "; ".join(raised.get(row.position, [])),
        ))  # fmt: skip
    return table


def ledger_table(ledger: GasLedger) -> list[tuple[str, ...]]:
    """One row for each gas that is there at all, Pa L."""
    table = [(
        "gas", "at start", "admitted", "released", "formed", "pumped", "sorbed", "consumed", "in the gas", "still held",
    )]  # fmt: skip

    def total(group):
        return sum(group.values(), start=0.0 * ledger.initial)

    columns = (
        ledger.initial, total(ledger.admitted), total(ledger.released), total(ledger.formed), total(ledger.pumped),
        ledger.sorbed, total(ledger.consumed), ledger.in_bulb + ledger.in_head, total(ledger.held),
    )  # fmt: skip
    for k, gas in enumerate(GAS_NAMES):
        amounts = [float(column[k]) / PASCAL_LITRE for column in columns]
        if max(map(abs, amounts)) > 0.0:
            table.append((gas, *(format_number(amount, 3) for amount in amounts)))
    return table
