"""The page of a fitted log: one HTML file in the style of the report, with the pictures beside it as PNG.

The answer stands first, then pictures and figures with their intervals, the evidence, what these data cannot tell apart and
what to measure next, what was read and marked, and the cautions.  Names from the log are told as they stand there, escaped.
"""

from __future__ import annotations

import os
from html import escape
from pathlib import Path

from exhaustsim.engine.filewrite import replace_whole
from exhaustsim.reporting import fitplots
from exhaustsim.reporting.fittext import bootstrap_rows, figure_rows, interval_words, sections, sentence
from exhaustsim.reporting.report import cautions_html, files_html, page_html, picture_html, table_html
from exhaustsim.reporting.screen import CAUTION
from exhaustsim.studies.logstudy import KINDS, LogAnswer


def write_page(answer: LogAnswer, folder: str | os.PathLike, unit: str = "Pa") -> list[Path]:
    """Write fit.html and a PNG of each picture into `folder`; returns their paths.

    Raises
    ------
    OSError
        When the folder cannot be written.
    """
    folder = Path(folder)
    made = fitplots.pictures(answer, unit)
    paths = [folder / "fit.html"]
    with replace_whole(paths[0]) as file:
        file.write(fit_html(answer, made))
    for name, figure, _ in made:
        paths.append(folder / ("fit.png" if name == "fit" else f"fit_{name.removeprefix('fit_')}.png"))
        with replace_whole(paths[-1], binary=True) as file:
            figure.savefig(file, format="png")
    return paths


def fit_html(answer: LogAnswer, pictures=None) -> str:
    """The page as one HTML text; `pictures` as from `fitplots.pictures`, made here unless given."""
    names = ", ".join(os.path.basename(file) for file in answer.files)
    first, stop, rest = answer.answer.partition(". ")
    more = f"<span>{escape(rest)}</span>" if rest else ""
    parts = [
        f"<h1>{escape(names)}: {escape(KINDS[answer.kind])}</h1>",
        f'<p class="answer">{escape(first + stop.rstrip())}{more}</p>',
        f'<p class="caution">A calculation aid, not an interlock. {escape(CAUTION)}</p>',
    ]
    for _, figure, words in fitplots.pictures(answer) if pictures is None else pictures:
        parts.append(picture_html(figure, f"{names}: {words}", f"{words}."))
    if answer.figures:
        parts.append(table_html(figure_rows(answer), f"Figures with {interval_words(answer)}", texts=(0, 1, 5)))
    drawn = bootstrap_rows(answer)
    if len(drawn) > 1:
        parts.append(table_html(drawn, "By logs drawn anew (bootstrap), SI", texts=(0, 1)))
    for title, words in sections(answer):
        items = "".join(f"<li>{escape(sentence(w))}</li>" for w in words)
        parts.append(f'<h2>{escape(title)}</h2><ul class="plain">{items}</ul>')
    parts += [cautions_html(), files_html(answer.files, "The log is measured or invented by others; everything else is calculated.")]
    return page_html(f"Fit of {names}", "\n".join(parts))
