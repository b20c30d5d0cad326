"""The page of the desk that answers questions: shortest index time, pass rate under scatter, what each change bought.

Each is asked by button of the schedule as set and worked out behind the hand, with progress and cancel; sliders go on answering
meanwhile.  The answer stands as pictures with their tables below, and can be written as the page that the commands
`dwell`, `spread` and `waterfall` write.
"""

from __future__ import annotations

from html import escape
from pathlib import Path

import ipywidgets as widgets

from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.tolerances import load_tolerances
from exhaustsim.reporting.answers import Answer, Part, dwell_answer, spread_answer, waterfall_answer, write_answer
from exhaustsim.reporting.widgets.fields import alert, button, choice, table, told
from exhaustsim.reporting.widgets.livepicture import png
from exhaustsim.reporting.widgets.worker import DRAWING, Stopped
from exhaustsim.studies.dwell import shortest_index
from exhaustsim.studies.spread import spread
from exhaustsim.studies.trials import Cancelled
from exhaustsim.studies.waterfall import waterfall

VALVES, MOST_VALVES = 200, 100_000
AT_A_TIME = 16  # valves between two steps of the progress bar
RUNS = {"dwell": 40, "slack": 140, "waterfall": 32}  # to be expected; the bar grows when it takes more
MOST_PICTURES = 2  # of one part; the page that is written has them all


class AnswersPage(widgets.VBox):
    """Questions asked of the schedule at the desk; `pages` does the work and shows how far it has come."""

    def __init__(self, pages, desk):
        self.pages, self.desk = pages, desk
        self.answer: Answer | None = None
        folder = desk.folder
        self.tolerance_files = {str(p): p.stem.replace("_", " ") for p in sorted((folder / "tolerances").glob("*.toml"))}
        cards = [(p.stem.replace("_", " "), str(p)) for p in sorted((folder / "schedules").glob("*.toml"))]
        self.with_slack = widgets.Checkbox(
            description="with slack of every position", indent=False, tooltip="a hundred runs more", layout=widgets.Layout(width="auto")
        )
        self.tolerances = choice(
            "tolerances", [(name, path) for path, name in self.tolerance_files.items()], lambda _: None, None, "what scatters (TOML)", "320px"
        )
        self.valves = widgets.BoundedIntText(
            value=VALVES, min=1, max=MOST_VALVES, description="valves", tooltip="valves in the batch", style={"description_width": "50px"},
            layout=widgets.Layout(width="140px"),
        )  # fmt: skip
        self.old = choice("from the card", cards, lambda _: None, cards[0][1], "card from which the changes are told", "320px")
        self.ask_dwell = button("Shortest index time", self.start_dwell, "about 40 runs; volts and watts stay as they are set")
        self.ask_spread = button("Pass rate under scatter", self.start_spread, "25 valves a second and more")
        self.ask_waterfall = button("What each change bought", self.start_waterfall, "up to 32 runs, more when there are many changes")
        self.save = button("write this answer", self.write, "HTML page and PNG pictures of the answer shown")
        self.starters = (self.ask_dwell, self.ask_spread, self.ask_waterfall, self.save)
        self.shown = widgets.VBox([widgets.HTML('<div class="small">Ask about the schedule as it is set.</div>')])
        row = {"align_items": "center"}
        super().__init__([
            widgets.HBox([self.ask_dwell, self.with_slack], layout=widgets.Layout(**row)),
            widgets.HBox([self.ask_spread, self.tolerances, self.valves], layout=widgets.Layout(flex_flow="row wrap", **row)),
            widgets.HBox([self.ask_waterfall, self.old, self.save], layout=widgets.Layout(flex_flow="row wrap", **row)),
            self.shown,
        ])  # fmt: skip

    def propose(self, trial) -> None:
        """Begin from the card chosen at the desk, with the tolerances of its valve where there are some."""
        self.old.value = next((path for _, path in self.old.options if Path(path) == Path(trial.path)), self.old.value)
        stem = Path(trial.valve_path).stem
        self.tolerances.value = next((p for p in self.tolerance_files if Path(p).stem == stem), self.tolerances.value)

    def tell(self, problem: Exception) -> None:
        self.desk.tell(problem)

    # ---- questions -------------------------------------------------------------------------

    @told
    def start_dwell(self) -> None:
        """Ask for the shortest index time of the schedule as set."""
        with_slack = self.with_slack.value
        work = self._studied(lambda schedule, **more: dwell_answer(shortest_index(schedule, slack=with_slack, **more)))
        self.pages.start("the shortest index time", work, self.desk.current(), RUNS["slack" if with_slack else "dwell"])

    @told
    def start_spread(self) -> None:
        """Ask for the pass rate of a batch made to the schedule as set."""
        if self.tolerances.value is None:
            self.pages.said.value = alert(f"There are no tolerance files (*.toml) in {self.desk.folder / 'tolerances'}.")
            return
        tolerances, valves = load_tolerances(self.tolerances.value), self.valves.value
        work = self._studied(lambda schedule, **more: spread_answer(spread(schedule, tolerances, valves, chunk=AT_A_TIME, **more)))
        self.pages.start("the pass rate", work, self.desk.current(), valves)

    @told
    def start_waterfall(self) -> None:
        """Ask what each change from the old card to the schedule as set bought."""
        old = load_schedule(self.old.value)
        work = self._studied(lambda schedule, **more: waterfall_answer(waterfall(old, schedule, **more)))
        self.pages.start("what each change bought", work, self.desk.current(), RUNS["waterfall"])

    def _studied(self, study):
        """`study` as work for the pages: with progress, given up when they are asked to, and shown in the end."""

        def work(schedule, _unit, check) -> str:
            def progress(*how_far) -> None:
                if len(how_far) == 2:
                    self.pages.bar.value = how_far[0]
                    return
                bar = self.pages.bar
                bar.max = max(bar.max, bar.value + 2)
                bar.value += 1

            try:
                answer = study(schedule, progress=progress, cancel=check.stopped)
            except Cancelled:
                raise Stopped from None
            check()
            self._show(answer)
            return escape(answer.title)

        return work

    # ---- answers ---------------------------------------------------------------------------

    def _show(self, answer: Answer) -> None:
        children = [widgets.HTML(f'<p class="small"><b>{escape(answer.sentence)}</b></p>')]
        for part in answer.parts:
            children += self._part(part)
        self.answer = answer
        self.shown.children = tuple(children)

    @staticmethod
    def _part(part: Part) -> list[widgets.Widget]:
        out = []
        for picture in part.pictures[:MOST_PICTURES]:
            with DRAWING:
                data = png(picture.draw())
            out.append(widgets.Image(value=data, format="png", layout=widgets.Layout(width="100%", max_width="900px")))
        words = "".join(f'<p class="small">{escape(s)}</p>' for s in part.sentences)
        rows = table(part.rows, texts=part.texts) if len(part.rows) > 1 else ""
        return [*out, widgets.HTML(f'<p class="small"><b>{escape(part.title)}</b></p>{words}{rows}')]

    @told
    def write(self) -> None:
        """Write the answer shown as a page with its pictures."""
        if self.answer is None:
            self.pages.said.value = alert("Nothing is answered yet; ask by one of the buttons.")
            return
        self.desk.out.mkdir(parents=True, exist_ok=True)
        with DRAWING:
            paths = write_answer(self.answer, self.desk.out)
        self.pages.said.value = f'<div class="small" role="status">written: {escape(", ".join(map(str, paths)))}</div>'
