"""The page of a loaded machine: one HTML file in the style of the report, with the pictures beside it as PNG.

The first screen is the answer with the lines; below stand pictures, valves to scrap, flags, and what else was asked,
then the cautions and where it came from.
"""

from __future__ import annotations

import os
from html import escape
from pathlib import Path

from exhaustsim.engine.filewrite import replace_whole
from exhaustsim.plant.incidents import OtherValves
from exhaustsim.reporting import machineplots, machinetext
from exhaustsim.reporting.machinefindings import Findings
from exhaustsim.reporting.report import cautions_html, footer_html, page_html, picture_html, table_html
from exhaustsim.reporting.screen import CAUTION
from exhaustsim.studies.linemoves import move_sentence


def write_page(findings: Findings, folder: str | os.PathLike) -> list[Path]:
    """Write machine.html and a PNG of each picture into `folder`; returns their paths.

    Raises
    ------
    OSError
        When the folder cannot be written.
    """
    folder = Path(folder)
    made = machineplots.pictures(findings)
    paths = [folder / "machine.html"]
    with replace_whole(paths[0]) as file:
        file.write(machine_html(findings, made))
    for name, figure, _ in made:
        paths.append(folder / f"machine_{name}.png")
        with replace_whole(paths[-1], binary=True) as file:
            figure.savefig(file, format="png")
    return paths


def machine_html(findings: Findings, pictures=None) -> str:
    """The page as one HTML text; `pictures` as from `machineplots.pictures`, made here unless given."""
    schedule = findings.run.schedule
    title = f"{schedule.name} on the loaded machine {schedule.machine.name}"
    first, *rest = findings.answer.split("; ")
    why = "".join(f"<span>{escape(part)}</span>" for part in rest)
    parts = [
        f"<h1>{escape(title)}</h1>",
        f'<p class="answer">{escape(first)}{why}</p>',
        f'<p class="caution">A calculation aid, not an interlock. {escape(CAUTION)}</p>',
        table_html(machinetext.line_table(findings), machinetext.line_title(findings), texts=(0, 1)),
        f'<p class="legend">{escape(machinetext.LINE_LEGEND)}.</p>',
    ]
    for _, figure, words in machineplots.pictures(findings) if pictures is None else pictures:
        parts.append(picture_html(figure, f"{schedule.name}: {words}", f"{words}."))
    parts.append("<h2>Valves to scrap</h2>")
    if findings.scrap:
        caption = "Unfit for a reason that a valve without incident does not have"
        parts.append(table_html(machinetext.scrap_table(findings), caption, texts=(3, 4)))
        more = len(findings.scrap) - machinetext.MOST_ROWS
        parts.append(f"<p>And {more} more.</p>" if more > 0 else "")
    else:
        parts.append(f"<p>{escape(machinetext.scrap_text(findings).strip().capitalize())}.</p>")
    parts += ["<h2>Flags of the machine</h2>", _flags(findings)]
    if findings.talk:
        parts.append(table_html(machinetext.talk_table(findings), machinetext.talk_title(findings), texts=(1, 6)))
    if findings.limits is not None:
        parts.append("<h2>Leak limits</h2>" + "".join(f"<p>{escape(words)}</p>" for words in machinetext.limit_sentences(findings)))
    if findings.tolerances:
        caption = f"Stop tolerance: {machinetext.STOP_LEGEND}"
        parts.append(table_html(machinetext.tolerance_table(findings), caption, texts=(3, 4, 5)))
    if findings.cold is not None:
        parts.append(f"<h2>Cold start</h2><p>{escape(findings.cold.sentence)}</p>")
    if findings.moves:
        parts.append(table_html(machinetext.move_table(findings), machinetext.MOVES_TITLE, texts=(1, 2, 5)))
        parts.append(f"<p>{escape(move_sentence(findings.moves))}</p>")
    for mix in findings.mixed:
        parts.append(f"<h2>{escape(mix.other)} among {escape(mix.valve)}</h2><p>{escape(mix.sentence)}</p>")
    parts.append(f"<p>{escape(machinetext.run_sentence(findings))}</p>")
    others = [i.schedule for i in findings.run.incidents if isinstance(i, OtherValves)]
    parts += [cautions_html(), footer_html([schedule, *others])]
    return page_html(title, "\n".join(parts))


def _flags(findings: Findings) -> str:
    if not findings.flags:
        return "<p>None.</p>"
    items = "".join(
        f'<li><span class="mark {escape(f.level)}">{escape(f.level.upper())}</span> <strong>{escape(f.name.replace("_", " "))}</strong>: '
        f"{escape(f.sentence)} Try: {escape(f.remedy)}.</li>"
        for f in findings.flags
    )
    return f'<ul class="flags">{items}</ul>'
