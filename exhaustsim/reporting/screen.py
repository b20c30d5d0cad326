"""What the terminal shows: the answer first, then the table, then the flags with their remedies.

Plain text no wider than `grid.WIDTH` columns, so that it can be read on a machine-side screen and
printed in a monospaced face.  Pressures have two figures.  Everything returns text; nothing prints.
"""

from __future__ import annotations

import textwrap

from exhaustsim.constants import GAS_NAMES
from exhaustsim.engine.ledger import GasLedger
from exhaustsim.reporting.assumptions import own_data_sentence
from exhaustsim.reporting.grid import WIDTH, grid
from exhaustsim.studies.band import Band
from exhaustsim.studies.comparison import Comparison
from exhaustsim.studies.explanation import Explanation
from exhaustsim.studies.station import OutOfReach
from exhaustsim.studies.verdict import Flag
from exhaustsim.units import PASCAL_LITRE, convert, format_number, share_text

CAUTION = (
    "Calculated with stated assumptions; not a substitute for measurement, supervision or the plant's own rules. "
    "Trial under supervision before use."
)
POSITION_LEGEND = "shut: peak, port blanked in transfer; open: peak of the dwell; end: at its end; conv.: converted fraction"
RESISTANCE_LEGEND = (
    "evolution: of the source that gives off most in transfer and dwell, Pa L/s; flow: to the line, Pa L/s, first second left out; "
    "shares: of the pressure drop from bulb to pump at the largest flow, less what heat alone keeps between bulb and head"
)


def comparison_text(comparison: Comparison) -> str:
    """Answer, table, flags of every schedule."""
    parts = [textwrap.fill(comparison.answer, WIDTH), grid(comparison.text_rows(), left=(0, 9, 10))]
    parts += [f"{v.name}\n{flags_text(v.flags)}" for v in comparison.verdicts]
    parts += [band_text(band) for band in comparison.bands]
    if comparison.dwells:
        parts.append("Shortest index times\n" + "\n".join(_indented(dwell.sentence) for dwell in comparison.dwells))
    own = own_data_sentence(v.run.schedule for v in comparison.verdicts)
    parts += [textwrap.fill(text, WIDTH) for text in (own, CAUTION) if text]
    return "\n\n".join(parts)


def run_text(explanation: Explanation, band: Band | None = None) -> str:
    """One schedule: sentence, targets, positions, gas and resistance, ledger, flags, stations, band, and what binds."""
    verdict = explanation.verdict
    run, unit = verdict.run, verdict.pressure_unit
    targets = [("target", "value", "limit", "", "judged")]
    for check in verdict.targets:
        targets.append((check.what, *check.texts(unit), "met" if check.met else "MISSED", check.where))
    counts = run.outcome
    parts = [
        textwrap.fill(verdict.sentence, WIDTH),
        grid(targets, left=(0, 3, 4)),
        f"Positions (bulb and line pressure in {unit}; temperatures are the highest of the dwell, degC)\n{POSITION_LEGEND}\n"
        + grid(_position_table(explanation), left=(1, 2, 12)),
        f"Gas given off and pumped (bulb pressure in {unit})\n{textwrap.fill(RESISTANCE_LEGEND, WIDTH)}\n"
        + grid(resistance_table(explanation), left=(1, 3, 6, 9)),
        textwrap.fill(explanation.resistance_sentence, WIDTH),
        *sizing_text(explanation),
        "Gas ledger, Pa L at 20 degC (released and admitted = pumped + sorbed + consumed + left in the gas)\n"
        + grid(ledger_table(run.ledger)),
        textwrap.fill(
            f"Ledger error {run.ledger.error:.1e} of the inventory; {counts.steps} steps, {counts.rejected} rejected, "
            f"{counts.evaluations} evaluations, {counts.line_iterations} passes of valve against lines.", WIDTH,
        ),
        f"Flags\n{flags_text(verdict.flags)}",
        *(["RF by coil\n" + "\n".join(_indented(row.sentence) for row in explanation.coils)] if explanation.coils else []),
        *([f"RF stations\n{grid(rf_table(explanation), left=(1,))}"] if explanation.rf else []),
        *([stations_text(explanation)] if explanation.stations else []),
        *([band_text(band)] if band else []),
        f"What binds\n{_indented(explanation.binding_sentence)}",
        *(textwrap.fill(text, WIDTH) for text in (own_data_sentence([run.schedule]), CAUTION) if text),
    ]  # fmt: skip
    return "\n\n".join(parts)


def sizing_text(explanation: Explanation) -> list[str]:
    """The pumps of every line against what goes through them; nothing for a machine without lines."""
    unit = explanation.verdict.pressure_unit
    if not explanation.sizing:
        return []

    def litres(speed):
        return "-" if speed is None else format_number(convert(speed, "speed", "L/s"), 2)

    def pressure(value):
        return "-" if value is None else format_number(convert(value, "pressure", unit), 2)

    def water_cells(water):
        shown = (pressure(p) for p in (water.pressure, water.tolerated_closed, water.tolerated_open))
        return *shown, format_number(convert(water.condensed, "mass", "g"), 2)

    table = [(
        "line", "pump", "flow, most", "at pos", "load, %", "backing needs", "has, L/s", "backing, most", "limit",
        "water", "carried", "with ballast", "in oil, g", "too small",
    )]  # fmt: skip
    for row in explanation.sizing:
        table.append((
            row.line if row.stage == 1 else "", row.pump, format_number(row.peak_flow / PASCAL_LITRE, 2),
            str(row.worst_position or "-"), "-" if row.load is None else f"{100.0 * row.load:.2g}", litres(row.backing_needed),
            litres(row.backing_speed), pressure(row.backing_peak), pressure(row.backing_limit),
            *(water_cells(row.water) if row.water else "----"),
            ", ".join(row.faults),
        ))  # fmt: skip
    title = f"Pumps (flow in Pa L/s at 20 degC, pressures in {unit}; water taken in, carried out, left in a shift of 8 h)"
    return [f"{title}\n" + grid(table, left=(0, 1, 13)), textwrap.fill(explanation.sizing_sentence, WIDTH)]


def stations_text(explanation: Explanation) -> str:
    """What the stations asked about need."""
    told = [f"{answer}." if isinstance(answer, OutOfReach) else answer.sentence for answer in explanation.stations]
    return "Stations\n" + "\n".join(textwrap.fill(t, WIDTH, initial_indent="  ", subsequent_indent="    ") for t in told)


def _indented(text: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent="  ", subsequent_indent="  ")


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
        "How sure\n" + _indented(band.sentence),
        grid(band.text_rows(), left=(0, 6)),
        grid(band.constant_rows(), left=(0, 1, 2, 3)),
    ))  # fmt: skip


def _position_table(explanation: Explanation) -> list[tuple[str, ...]]:
    verdict = explanation.verdict
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
        "pos", "line", "work", "bulb, shut", "bulb, open", "bulb, end", "line, mean", "wall", "anode", "cathode", "getter",
        "conv., %", "flags",
    )]  # fmt: skip
    for row in explanation.positions:
        work = row.action.replace("_", " ") or (f"{row.heater_voltage:.3g} V" if row.heater_voltage else "")
        table.append((
            str(row.position), row.line or "-", work, pressure(row.blanked_peak), pressure(row.open_peak), pressure(row.end),
            pressure(row.line_mean), celsius(row.wall), celsius(row.anode), celsius(row.cathode), celsius(row.getter),
            share_text(row.converted_fraction).removesuffix("%"), "; ".join(raised.get(row.position, [])),
        ))  # fmt: skip
    return table


def rf_table(explanation: Explanation) -> list[tuple[str, ...]]:
    """Watts and seconds that the schedule gives each part by RF, and what they bring it to."""
    table = [("pos", "part heated by RF", "W absorbed", "for s", "W, all parts", "W left in coil", "from degC", "to degC")]
    for s in explanation.rf:
        before, reached = (f"{convert(t, 'temperature', 'degC'):.0f}" for t in (s.temperature_before, s.reached))
        watts = (format_number(w, 3) for w in (s.watts, s.watts_of_all, s.watts_left))
        absorbed, everything, left = watts
        table.append((
            str(s.position), s.node.replace("_", " "), absorbed, f"{s.seconds:.3g}", everything, left, before, reached,
        ))  # fmt: skip
    return table


def resistance_table(explanation: Explanation) -> list[tuple[str, ...]]:
    """Gas given off and pumped at each position, and where the pressure drops between bulb and pump."""
    unit = explanation.verdict.pressure_unit

    def throughput(value):
        return format_number(value / PASCAL_LITRE, 2)

    table = [(
        "pos", "line", "peak evolution", "of", "largest flow", "at, s", "mostly", "from bulb, %", "bulb",
        "exhaust stem / port / line, %",
    )]  # fmt: skip
    flows = {row.position: row for row in explanation.resistances}
    for row in explanation.positions:
        flow = flows.get(row.position)
        given = (throughput(row.peak_evolution), row.main_source) if row.main_source else ("-", "")
        pumped = ("-", "-", "", "-", "-", "") if flow is None else (
            throughput(flow.flow), f"{flow.since_opening:.1f}", flow.main_gas,
            f"{100.0 * flow.from_bulb / flow.flow:.0f}" if min(flow.flow, flow.from_bulb) > 0.0 else "-",
            format_number(convert(flow.bulb_pressure, "pressure", unit), 2), flow.split,
        )  # fmt: skip
        table.append((str(row.position), row.line or "-", *given, *pumped))
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
