"""What the terminal shows of a loaded machine: the answer first, then lines, heads to scrap, flags, and what else was asked.

Tables as rows of text serve the page and the desk too.
"""

from __future__ import annotations

import textwrap

from exhaustsim.reporting.canvas import unit_words
from exhaustsim.reporting.grid import WIDTH, grid
from exhaustsim.reporting.machinefindings import Findings, excess_text, leak_words, pressure_text, spans
from exhaustsim.reporting.screen import CAUTION
from exhaustsim.studies.linemoves import move_sentence
from exhaustsim.units import PASCAL_LITRE, format_number

MOST_ROWS = 24  # valves told one by one
MOST_REASONS = 4  # of one valve
LINE_LEGEND = (
    "worst index: the one with the highest mean line pressure; load: its mean flow over what the diffusion pump takes at its knee; "
    "stalled, overloaded: seconds of the whole run"
)
MOVES_TITLE = "One position on another line (heads alike, no incidents; worse of bulb pressure and air share before the flash, in % of its target)"
STOP_LEGEND = "longest stop tried that the valve standing there bears; warn below 30 s, stop below 10 s"


def machine_text(findings: Findings) -> str:
    """Everything, for the terminal."""
    parts = [
        textwrap.fill(findings.answer, WIDTH),
        f"{line_title(findings)}\n{textwrap.fill(LINE_LEGEND, WIDTH)}\n" + grid(line_table(findings), left=(0, 1)),
        "Valves to scrap\n" + scrap_text(findings),
    ]
    cut = [str(j.head) for j in findings.run.journeys if j.cut_off]
    if cut:
        parts.append(_filled(f"Blanked from the spark test on, or broken: head {', '.join(dict.fromkeys(cut))}."))
    flags = [f"{f.level:<4}  {f.name.replace('_', ' ')}: {f.sentence} Try: {f.remedy}." for f in findings.flags]
    lines = (textwrap.fill(flag, WIDTH, initial_indent="  ", subsequent_indent="        ") for flag in flags)
    parts.append("Flags of the machine\n" + ("\n".join(lines) or "  no flags"))
    if findings.talk:
        parts.append(f"{talk_title(findings)}\n" + grid(talk_table(findings), left=(1, 6)))
    if findings.limits is not None:
        parts.append("Leak limits\n" + "\n".join(_filled(words) for words in limit_sentences(findings)))
    if findings.tolerances:
        parts.append(f"Stop tolerance ({STOP_LEGEND})\n" + grid(tolerance_table(findings), left=(3, 4, 5)))
    if findings.cold is not None:
        parts.append("Cold start\n" + _filled(findings.cold.sentence))
    if findings.moves:
        parts.append(textwrap.fill(MOVES_TITLE, WIDTH) + "\n" + grid(move_table(findings), left=(1, 2, 5)) + "\n" + _filled(move_sentence(findings.moves)))
    for mix in findings.mixed:
        parts.append(f"{mix.other} among {mix.valve}\n" + _filled(mix.sentence))
    parts.append(_filled(run_sentence(findings)))
    parts.append(textwrap.fill(CAUTION, WIDTH))
    return "\n\n".join(parts)


def _filled(text: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent="  ", subsequent_indent="  ")


def line_title(findings: Findings) -> str:
    """What stands above the table of lines."""
    return f"Lines (pressures in {unit_words(findings.pressure_unit)}, flow in Pa L/s at room temperature)"


def line_table(findings: Findings) -> list[tuple[str, ...]]:
    """The lines: usual mean, worst index, load, backing, trouble."""
    unit = findings.pressure_unit
    rows = [(
        "line", "positions", "usual mean", "worst mean", "in index", "peak", "mean flow", "load, %", "backing, peak", "critical",
        "stalled, s", "over- loaded, s",
    )]  # fmt: skip
    for line in findings.lines:
        worst = line.worst
        diffusion = worst.most_throughput is not None
        rows.append((
            worst.line, spans(worst.positions), pressure_text(line.usual.mean_pressure, unit), pressure_text(worst.mean_pressure, unit),
            str(worst.index), pressure_text(worst.peak_pressure, unit), format_number(1e3 * worst.throughput, 2),
            "-" if line.load is None else format_number(100.0 * line.load, 2),
            pressure_text(worst.backing_peak, unit), pressure_text(worst.backing_limit, unit),
            *(f"{seconds:.1f}" if diffusion else "-" for seconds in (line.stalled, line.overloaded)),
        ))  # fmt: skip
    return rows


def scrap_table(findings: Findings) -> list[tuple[str, ...]]:
    """Valves to scrap, in the order of loading."""
    rows = [("head", "stood at", "loaded in index", "fails by", "first of all")]
    for scrap in findings.scrap[:MOST_ROWS]:
        loaded = str(scrap.number) if scrap.number > 0 else "before"
        told = [r.replace("_", " ") for r in scrap.reasons[:MOST_REASONS]]
        more = len(scrap.reasons) - MOST_REASONS
        reasons = ", ".join(told) + (f" and {more} more" if more > 0 else "")
        rows.append((str(scrap.head), "-" if scrap.position is None else str(scrap.position), loaded, reasons, scrap.sentence))
    return rows


def scrap_text(findings: Findings) -> str:
    """The table, or that there are none."""
    if not findings.scrap:
        return "  none" if findings.run.journeys else "  no valve left the machine"
    more = len(findings.scrap) - MOST_ROWS
    return grid(scrap_table(findings), left=(3, 4)) + (f"\n  and {more} more" if more > 0 else "")


def talk_title(findings: Findings) -> str:
    """What stands above the table of cross-talk."""
    return f"Cross-talk (bulb pressure in {unit_words(findings.pressure_unit)} at the end of the position; alone: all other heads empty)"


def talk_table(findings: Findings) -> list[tuple[str, ...]]:
    """Every position with and without neighbours."""
    rows = [("position", "line", "machine full", "alone", "raised by", "neighbours' share", "flag")]
    for row in findings.talk:
        pressures = (pressure_text(p, findings.pressure_unit) for p in (row.bulb_pressure, row.alone))
        flag = row.level or ("" if row.judged else "not judged here")
        rows.append((str(row.position), row.line or "-", *pressures, excess_text(row.excess), excess_text(row.share), flag))
    return rows


def limit_sentences(findings: Findings) -> list[str]:
    """What leak spoils the leaker and a neighbour."""
    limits = findings.limits
    most = leak_words(limits.largest_tried)
    own = f"from {leak_words(limits.own_target)} on" if limits.own_target is not None else f"with no leak up to {most}"
    out = [f"The leaker itself misses a target of the bulb {own}."]
    if limits.neighbours is None:
        return [*out, f"No neighbour misses one with any leak up to {most}."]
    places = abs(limits.behind)
    where = f"loaded {places} {'index' if places == 1 else 'indices'} {'after' if limits.behind > 0 else 'before'} it"
    return [*out, f"A neighbour, {where}, misses one from {leak_words(limits.neighbours)} on: the spark test must catch that much."]


def tolerance_table(findings: Findings) -> list[tuple[str, ...]]:
    """Every position: how long a stop it bears, and what gives way first."""
    rows = [("position", "bears, s", "spoiled by, s", "first", "why", "flag")]
    for row in findings.tolerances:
        spoiled = "-" if row.fails_at is None else format_number(row.fails_at, 2)
        rows.append((
            str(row.position), format_number(row.seconds, 2), spoiled, row.first.replace("_", " ") or "-", row.sentence, row.level,
        ))  # fmt: skip
    return rows


def move_table(findings: Findings) -> list[tuple[str, ...]]:
    """Every move that was tried, best first."""
    rows = [("position", "from line", "to line", "now, %", "moved, %", "new reasons to scrap")]
    for move in findings.moves:
        moved = "no result" if move.over_target is None else format_number(100.0 * move.over_target, 2)
        new = ", ".join(name.replace("_", " ") for name in move.new_failings) or "-"
        rows.append((str(move.position), move.from_line, move.to_line, format_number(100.0 * move.before, 2), moved, new))
    return rows


def run_sentence(findings: Findings) -> str:
    """How far the machine was followed, and how well the account closes."""
    run = findings.run
    settled = f"pressures repeat themselves from index {run.settled} on" if run.settled else "pressures did not repeat themselves by then"
    back = run.ledger.head_surfaces.sum()
    surfaces = f"Heads that had stood open to room air gave back {format_number(back / PASCAL_LITRE, 2)} Pa L. " if back > 0.0 else ""
    return (
        f"{len(run.indices)} indices run, {len(run.journeys)} valves left the machine; {settled}. {surfaces}"
        f"Gas ledger of the machine closed to {run.ledger.error:.1e} of the inventory."
    )
