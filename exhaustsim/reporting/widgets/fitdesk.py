"""A desk for pressure logs: pick a log, the question, the volume and the terms, and see the picture and the words.

Without a browser: `desk = FitDesk(folder)`, set `desk.file.value`, `desk.kind.value`, `desk.volume.value`, then `desk.fit()`,
`desk.wait()`, and read `desk.words.value`, `desk.picture.value`, `desk.answer` and `desk.alerts`.  A head ride takes several
seconds and a schedule, and is left to `exhaustsim fit`.
"""

from __future__ import annotations

import os
from html import escape
from pathlib import Path

import ipywidgets as widgets

from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.pressurelog import load_log
from exhaustsim.reporting.fitplots import pictures
from exhaustsim.reporting.fittext import figure_rows, interval_words, sections, sentence
from exhaustsim.reporting.widgets.fields import LABEL, STYLE, alert, button, choice, problem_alert, table, told
from exhaustsim.reporting.widgets.livepicture import png
from exhaustsim.reporting.widgets.worker import DRAWING, Check, LatestWins
from exhaustsim.studies.logstudy import KINDS, Asked, LogAnswer, looks_like, study
from exhaustsim.studies.pumpdownfit import TERMS
from exhaustsim.units import UnitFault, parse

CHOOSE = "choose a question"
AUTOMATIC = "as many as the readings support"
ASKED_HERE = ("rise", "exhaust", "batches")
TERM_CHOICES = (AUTOMATIC, "constant", "inverse", "constant, inverse", "constant, root", "constant, exponential", "constant, power")


class FitDesk(widgets.VBox):
    """Logs of a folder, asked one question at a time.

    Parameters
    ----------
    folder : path
        With the logs (.csv); `DesignFault` is raised where there is none.
    threaded : bool, optional
        False works on the spot, for scripts and tests; by default only a notebook uses a thread.
    """

    def __init__(self, folder: str | os.PathLike, threaded: bool | None = None):
        self.folder = Path(folder)
        self.answer: LogAnswer | None = None
        names = sorted(path.name for path in self.folder.glob("*.csv"))
        if not names:
            raise DesignFault([Fault(str(folder), "", "", "holds no log (.csv)", "name the folder of the logs")])
        self.worker = LatestWins(self._work, self.tell, lambda: None, threaded=threaded)
        self.file = choice("log", names, self._looked, names[0], width="460px")
        self.kind = choice("question", [CHOOSE, *ASKED_HERE], self._changed, CHOOSE, "nothing is chosen for you", width="460px")
        self.volume = self._entry("closed volume", "from the log", 'of valve, exhaust stem and gauge, as "15 cm3"')
        self.terms = choice("terms", TERM_CHOICES, self._changed, AUTOMATIC, "of a pump-down", width="460px")
        self.start = self._entry("from, s", "the first", "first second of the log that is used")
        self.end = self._entry("to, s", "the last", "last second of the log that is used")
        self.go = button("fit", self.fit, "fit the log")
        self.status = widgets.HTML()
        self.look = widgets.HTML()
        self.picture = widgets.Image(format="png", layout=widgets.Layout(width="100%", max_width="900px", min_height="200px"))
        self.words = widgets.HTML()
        self.errors = widgets.HTML()
        super().__init__([
            widgets.HTML(STYLE), self.file, self.look, self.kind, self.volume, self.terms, widgets.HBox([self.start, self.end]),
            widgets.HBox([self.go, self.status], layout=widgets.Layout(align_items="center")), self.errors, self.picture, self.words,
        ])  # fmt: skip
        self.add_class("exhaust-desk")
        self._looked(self.file.value)

    def _entry(self, words: str, placeholder: str, help_text: str) -> widgets.Text:
        entry = widgets.Text(
            description=words, placeholder=placeholder, tooltip=help_text, continuous_update=False, style={"description_width": LABEL},
            layout=widgets.Layout(width="300px"),
        )  # fmt: skip
        entry.observe(lambda change: self._changed(change["new"]), "value")
        return entry

    # ---- for scripts and tests -----------------------------------------------------------

    def wait(self, timeout: float = 60.0) -> bool:
        """Wait until nothing is being worked out; False when the time has run out first."""
        return self.worker.wait(timeout)

    @property
    def alerts(self) -> str:
        """What it complains of at the moment."""
        return self.errors.value if 'role="alert"' in self.errors.value else ""

    # ---- the person's changes ------------------------------------------------------------

    @told
    def _looked(self, name: str) -> None:
        """Another log: say what it looks like and choose nothing."""
        self._changed()
        self.look.value = ""
        try:
            suits = looks_like(load_log(self.folder / name))
        except DesignFault as fault:
            self.errors.value = alert(str(fault))
            return
        lines = "; ".join(f"{kind}: {why}" for kind, why in suits) or "nothing speaks for one question rather than another"
        self.look.value = f'<div class="small">It looks like {escape(lines)}.</div>'

    def _changed(self, _=None) -> None:
        """What is shown no longer belongs to the settings."""
        self.worker.cancel()
        self.answer = None
        self.errors.value = self.words.value = ""
        self.picture.value = b""
        self._say("")

    @told
    def fit(self) -> None:
        """Fit the log as set."""
        self._changed()
        kind, problems, read = self.kind.value, [], {}
        if kind == CHOOSE:
            problems.append(f"Choose a question: {'; '.join(f'{k}, {KINDS[k]}' for k in ASKED_HERE)}.")
        if self.volume.value.strip():
            try:
                read["volume"] = parse(self.volume.value, "volume")
                if not read["volume"] > 0.0:
                    problems.append("The closed volume must be above 0.")
            except UnitFault as fault:
                problems.append(f"Closed volume: {fault}.")
        for name, entry in (("start", self.start), ("end", self.end)):
            if entry.value.strip():
                try:
                    read[name] = float(entry.value)
                except ValueError:
                    problems.append(f"{entry.description}: {entry.value!r} is not a number of seconds.")
        if problems:
            self.errors.value = alert(" ".join(problems))
            return
        if self.terms.value != AUTOMATIC and kind == "exhaust":
            read["terms"] = tuple(term for term in self.terms.value.split(", ") if term in TERMS)
        self._say("fitting")
        self.worker.post((self.file.value, kind, Asked(**read)))

    def _work(self, wanted: tuple[str, str, Asked], check: Check) -> None:
        name, kind, asked = wanted
        answer = study(kind, [load_log(self.folder / name)], asked, lambda words: check())
        check()
        with DRAWING:
            made = pictures(answer)
            image = png(made[0][1]) if made else b""
        check()
        self.answer = answer
        self.picture.value = image
        parts = [f'<div class="verdict" role="status" aria-live="polite">{escape(answer.answer)}</div>']
        if answer.figures:
            parts.append(table(figure_rows(answer), texts=(0, 1, 5), caption=interval_words(answer)))
        for title, words in sections(answer):
            items = "".join(f"<li>{escape(sentence(w))}</li>" for w in words)
            parts.append(f'<details{"" if title.startswith(("Read", "Marked", "Evidence")) else " open"}><summary>{escape(title)}</summary><ul>{items}</ul></details>')
        self.words.value = "".join(parts)
        self._say("")

    def _say(self, words: str) -> None:
        self.status.value = f'<div class="small" role="status">{escape(words)}</div>'

    def tell(self, problem: Exception) -> None:
        """Show what went wrong."""
        self.errors.value = problem_alert(problem)
        self._say("")
