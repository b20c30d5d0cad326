"""Answers to questions asked of a card, for terminal, page and desk: shortest index time, pass rate under scatter, what each change bought.

An `Answer` is a sentence with parts below it, and each part has sentences, a table and pictures, any of which may be
missing.  The studies find what is in it; here it only gets its order.  The page is in the style of the report, with
its pictures beside it as PNG and the same data as JSON.

Not here: what the studies leave out, which each of them says itself.
"""

from __future__ import annotations

import math
import os
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path

from matplotlib.figure import Figure

from exhaustsim.engine.filewrite import replace_whole
from exhaustsim.plant.schedule import Schedule
from exhaustsim.reporting.dwellplots import frontier_picture, slack_bars, waterfall_picture
from exhaustsim.reporting.grid import WIDTH, grid
from exhaustsim.reporting.report import cautions_html, footer_html, page_html, picture_html, table_html
from exhaustsim.reporting.screen import CAUTION
from exhaustsim.reporting.spreadplots import cause_picture, contribution_picture, yield_picture
from exhaustsim.studies.bestsettings import Best, Frontier
from exhaustsim.studies.contributions import Contributions
from exhaustsim.studies.dwell import Dwell
from exhaustsim.studies.energy import Energy
from exhaustsim.studies.slack import Slack
from exhaustsim.studies.spread import Spread
from exhaustsim.studies.waterfall import MARGIN, OUTPUT, UNITS, Waterfall
from exhaustsim.studies.yieldcurve import YieldCurve
from exhaustsim.units import format_number

LEAST_POINTS, MOST_POINTS = 0.01, 1000.0  # of per cent: beyond these a difference is told as under, below or above
UNMOVED = 0.005  # of the larger of both ends: a change that moves a quantity by less is not told of it
DRAWN = ("bulb_pressure", "converted_fraction", "barium_spent", "sealed_pressure", OUTPUT, MARGIN)  # by the waterfall


@dataclass(frozen=True)
class Picture:
    """One picture, drawn when it is wanted."""

    name: str  # part of a file name
    words: str
    draw: Callable[[], Figure]


@dataclass(frozen=True)
class Part:
    """One piece of an answer."""

    title: str
    sentences: tuple[str, ...] = ()
    rows: Sequence[tuple[str, ...]] = ()  # heading first
    texts: tuple[int, ...] = (0,)  # columns set flush left
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True, eq=False)
class Answer:
    """What came of one question."""

    name: str  # of its files: "dwell", "spread", "waterfall"
    title: str
    sentence: str
    parts: tuple[Part, ...]
    schedules: tuple[Schedule, ...]
    data: dict  # for JSON
    passes: bool
    best: Best | None = None  # its schedule is written as TOML

    @property
    def pictures(self) -> list[Picture]:
        """Pictures of all parts."""
        return [picture for part in self.parts for picture in part.pictures]


# ---- shortest index time -----------------------------------------------------------------------


def dwell_answer(found: Dwell, energies: Sequence[Energy] = (), best: Best | None = None, frontier: Frontier | None = None) -> Answer:
    """Shortest index time with what binds, slack, energy (of the card as given, then of the found one), joint choice and frontier."""
    parts = []
    if found.verdict is not None:
        said = [f"At {found.shortest:.5g} s: {found.verdict.sentence}"]
        parts.append(Part("What binds", tuple(said), found.text_rows() if found.bounds else (), (0, 1, 4)))
    if found.slack is not None:
        parts += slack_parts(found.slack)
    if energies:
        shown = energies[-1]
        said = tuple(f"At {e.schedule.index_time:.5g} s: {e.sentence}" for e in energies)
        parts.append(Part(f"Energy of a good valve at {shown.schedule.index_time:.5g} s index", said, shown.text_rows(), (0, 5)))
    if best is not None:
        parts.append(Part("Heater steps, RF and oven chosen together", (best.sentence,), _setting_rows(best), (0,)))
    if frontier is not None:
        picture = Picture("frontier", "Output per hour against the margin at the worst limit", lambda: frontier_picture(frontier))
        parts.append(Part("Output against margin", (frontier.sentence,), _across(frontier.text_rows()), (0,), (picture,)))
    data = found.to_json() | {
        "energy": [e.to_json() for e in energies], "best": None if best is None else best.to_json(),
        "frontier": None if frontier is None else frontier.to_json(),
    }  # fmt: skip
    passes = found.found is not None and (best is None or best.loaded_passes is not False)
    return Answer("dwell", f"Shortest index time of {found.schedule.name}", found.sentence, tuple(parts), (found.schedule,), _finite(data), passes, best)


def slack_parts(slack: Slack) -> list[Part]:
    """What each position has to spare, and positions that could be given up or put to use."""
    at = f"at {slack.schedule.index_time:.5g} s index"
    bars = Picture("slack", "Slack of each position: filled what is needed, white what is to spare", lambda: slack_bars(slack))
    rows = [("position", "without it", "what then fails or warns")]
    for given in slack.given_up:
        word = "idle" if given.idle else "could be given up" if given.can_go else "fails" if not given.passes else "passes, and warns"
        rows.append((str(given.position), word, "; ".join(given.spoiled[:2]) or "-"))
    return [
        Part(f"Slack {at}", (slack.sentence,), slack.text_rows(), (1, 4, 6, 7), (bars,)),
        Part(f"Positions taken out one at a time, {at}", tuple(f"Worth re-using: {r.sentence}." for r in slack.reuses), rows, (1, 2)),
    ]


def _setting_rows(best: Best) -> list[tuple[str, ...]]:
    rows = [("setting", "card", "chosen", "allowed")]
    for s, before, after in zip(best.settings, best.before, best.after, strict=True):
        rows.append((s.what, s.shown(before), s.shown(after) if best.found is not None else "-", f"{s.shown(s.low)} to {s.shown(s.high)}"))
    return rows


def _across(rows: Sequence[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Rows as columns: a dozen settings stand better below one another."""
    return [tuple(column) for column in zip(*rows, strict=True)]


# ---- pass rate under scatter ----------------------------------------------------------------------


def spread_answer(
    found: Spread, contributions: Contributions | None = None, curve: YieldCurve | None = None, getter: YieldCurve | None = None
) -> Answer:
    """Pass rate with causes, and beside it what else was asked of the batch."""
    flag = found.flag
    said = [] if found.causes else ["None was rejected."]
    said += [] if flag is None else [f"{flag.level.capitalize()}: {flag.sentence} Try: {flag.remedy}."]
    said += [] if found.getter is None else [found.getter.sentence]
    causes = Picture("causes", "What valves are rejected for: bar, first cause; line, all that fail by it", lambda: cause_picture(found))
    parts = [
        Part("What valves are rejected for", tuple(said), found.cause_rows() if found.causes else (), (0,), (causes,) if found.causes else ()),
        Part(f"What scatters: {found.tolerances.name}", (), found.tolerance_rows(), (0, 1)),
    ]
    if contributions is not None:
        picture = Picture("contributions", "What each tolerance brings to the scatter", lambda: contribution_picture(contributions))
        parts.append(Part("Which tolerance brings it", (contributions.sentence,), contributions.text_rows(), (0,), (picture,)))
    for one, name, title in ((curve, "yield", "Pass rate against index time"), (getter, "getter", "Pass rate against the fill of the getter")):
        if one is not None:
            picture = Picture(name, f"{title}; grey: 95% interval", lambda one=one: yield_picture(one))
            parts.append(Part(title, (one.sentence,), one.text_rows(), (), (picture,)))
    data = found.to_json() | {
        "contributions": None if contributions is None else contributions.to_json(), "yield_curve": None if curve is None else curve.to_json(),
        "getter_curve": None if getter is None else getter.to_json(),
    }  # fmt: skip
    title = f"{found.schedule.name}: pass rate under scatter, {found.n} valves"
    passes = found.mean.passes and (flag is None or flag.level != "stop")
    return Answer("spread", title, found.sentence, tuple(parts), (found.schedule,), _finite(data), passes)


# ---- what each change bought -------------------------------------------------------------------------


def waterfall_answer(found: Waterfall) -> Answer:
    """From card to card one change at a time."""
    title = f"{found.first.name} to {found.last.name}, one change at a time"
    schedules = (found.first.run.schedule, found.last.run.schedule)
    parts = []
    if found.steps:
        rows = _bought_rows(found)
        moved = {row[1] for row in rows[1:]}  # what stays is told by the table
        drawn = [name for name in DRAWN if _words(name) in moved]
        pictures = tuple(
            Picture(name, f"{_words(name)}, one change at a time; thin lines: {found.orders}", lambda name=name: waterfall_picture(found, name))
            for name in drawn
        )  # fmt: skip
        parts = [
            Part("The card after each change", (), found.text_rows(), (0, 1, len(found.start) + 2), pictures),
            Part(f"What each change bought in the stated order, and over {found.orders} (points: of per cent)", (), rows, (0, 1)),
        ]
    return Answer("waterfall", title, found.sentence, tuple(parts), schedules, _finite(found.to_json()), found.last.passes)


def _bought_rows(found: Waterfall) -> list[tuple[str, ...]]:
    rows = [("change", "what it moved", "by", "least", "mean", "most")]
    for step in found.steps:
        over = found.influence[step.change.name]
        for name, bought in step.bought.items():
            others = [table.get(name, bought) for table in (over.least, over.mean, over.most)]
            if name in found.start and name in found.end and max(map(abs, (bought, *others))) >= UNMOVED * max(abs(found.start[name]), abs(found.end[name])):
                rows.append((step.change.name, _words(name), *(_by(name, x) for x in (bought, *others))))
    return rows


def _by(name: str, value: float) -> str:
    """A difference with its sign."""
    if value == 0.0:
        return "0"
    if name == OUTPUT:
        return f"{value:+.0f}"
    sign = "-" if value < 0.0 else "+"
    if UNITS[name] == "Pa":
        return f"{sign}{format_number(abs(value), 2)} Pa"
    points = 100.0 * abs(value)
    if points < LEAST_POINTS:
        return f"under {LEAST_POINTS:g} points"
    if points > MOST_POINTS:
        return f"{'below -' if value < 0.0 else 'above +'}{MOST_POINTS:g} points"
    return f"{sign}{points:.3g} points"


def _words(name: str) -> str:
    return {OUTPUT: "valves per hour", MARGIN: "margin at the worst limit"}.get(name, name.replace("_", " "))


# ---- terminal, page, files ---------------------------------------------------------------------------


def answer_text(answer: Answer) -> str:
    """What the terminal shows."""
    parts = [textwrap.fill(answer.sentence, WIDTH)]
    for part in answer.parts:
        lines = [part.title, *(textwrap.fill(s, WIDTH, initial_indent="  ", subsequent_indent="  ") for s in part.sentences)]
        if len(part.rows) > 1:
            lines.append(grid(list(part.rows), left=part.texts))
        parts.append("\n".join(lines))
    return "\n\n".join([*parts, textwrap.fill(CAUTION, WIDTH)])


def answer_html(answer: Answer, drawn: Sequence[tuple[Picture, Figure]] = ()) -> str:
    """The page as one HTML text; `drawn` holds the pictures that are drawn already."""
    made = {picture.name: figure for picture, figure in drawn}
    first, *rest = answer.sentence.split("; ")
    why = "".join(f"<span>{escape(words)}</span>" for words in rest)
    body = [
        f"<h1>{escape(answer.title)}</h1>", f'<p class="answer">{escape(first)}{why}</p>',
        f'<p class="caution">A calculation aid, not an interlock. {escape(CAUTION)}</p>',
    ]  # fmt: skip
    for part in answer.parts:
        body.append(f"<h2>{escape(part.title)}</h2>")
        body += [f"<p>{escape(words)}</p>" for words in part.sentences]
        for picture in part.pictures:
            figure = made.get(picture.name) or picture.draw()
            body.append(picture_html(figure, f"{answer.title}: {picture.words}", f"{picture.words}."))
        if len(part.rows) > 1:
            body.append(table_html(part.rows, "", "small", texts=part.texts))  # the heading above says what it is
    body += [cautions_html(), footer_html(answer.schedules)]
    return page_html(answer.title, "\n".join(body))


def write_answer(answer: Answer, folder: str | os.PathLike) -> list[Path]:
    """Write the page, a PNG of each picture and the schedule that was found into `folder`; returns their paths.

    Raises
    ------
    OSError
        When the folder cannot be written.
    """
    folder = Path(folder)
    drawn = [(picture, picture.draw()) for picture in answer.pictures]
    files: list[tuple[Path, str | Figure]] = [(folder / f"{answer.name}.html", answer_html(answer, drawn))]
    files += [(folder / f"{answer.name}_{picture.name}.png", figure) for picture, figure in drawn]
    if answer.best is not None and answer.best.found is not None:
        # Two schedules of one name could not be compared.
        renamed = replace(answer.best, found=replace(answer.best.found, name=f"{answer.best.found.name}, best settings"))
        files.append((folder / f"{Path(answer.best.schedule.source).stem or 'schedule'}_best.toml", renamed.text(folder)))
    for path, content in files:
        with replace_whole(path, binary=isinstance(content, Figure)) as file:
            if isinstance(content, Figure):
                content.savefig(file, format="png")
            else:
                file.write(content)
    return [path for path, _ in files]


def _finite(data):
    """`data` with None for what no number tells: the margin of a run that came to no result."""
    if isinstance(data, dict):
        return {key: _finite(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_finite(value) for value in data]
    return None if isinstance(data, float) and not math.isfinite(data) else data
