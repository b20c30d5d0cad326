"""The pages below the bench picture: positions, targets and flags, temperatures, gas ledger, margins,
how sure, constants, comparison, answers to questions, saving.

A page is filled when it is looked at.  What takes longer than a moment (the band, runs for the
comparison, reports) goes to a thread of its own with progress and cancel, so that the
sliders go on answering.
"""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from html import escape
from pathlib import Path

import ipywidgets as widgets

from exhaustsim.engine.filewrite import replace_whole
from exhaustsim.engine.run import simulate
from exhaustsim.reporting import plots
from exhaustsim.reporting.bandplot import band_picture
from exhaustsim.reporting.card import write_card
from exhaustsim.reporting.report import write_report
from exhaustsim.reporting.widgets import outcome
from exhaustsim.reporting.widgets.answerspage import AnswersPage
from exhaustsim.reporting.widgets.fields import LABEL, alert, button, told
from exhaustsim.reporting.widgets.livepicture import png
from exhaustsim.reporting.widgets.worker import DRAWING, LatestWins
from exhaustsim.studies.band import Band, band_of
from exhaustsim.studies.comparison import Comparison
from exhaustsim.studies.verdict import Verdict, judge

MOST_COMPARED = plots.MOST_SCHEDULES
BAND_RUNS = 20


class DeskPages(widgets.VBox):
    """The pages of a desk; `desk` gives the schedule as set and tells errors."""

    def __init__(self, desk):
        self.desk = desk
        self._showing = threading.RLock()
        self._verdict: Verdict | None = None
        self._shown: dict[str, Verdict] = {}
        self.kept: list[Verdict] = []
        self.band: Band | None = None
        self.study = LatestWins(self._study, self._failed, self._stopped, threaded=desk.worker.threaded)

        def picture():
            return widgets.Image(format="png", layout=widgets.Layout(width="100%", max_width="900px"))

        self.positions, self.targets, self.margins = (widgets.HTML() for _ in range(3))
        self.temperatures, self.ledger_picture, self.ledger = picture(), picture(), widgets.HTML()
        self.band_said = widgets.HTML('<div class="small">Twenty runs with the six constants trusted least at their ends.</div>')
        self.band_picture = widgets.VBox()
        self.find_band = button("find the band", self.start_band, "run the six constants trusted least to their ends")
        self.keep = button("add this schedule", self.add_current, "add the schedule as set to the comparison")
        self.keep_all = button("add the files of this valve", self.add_files, "add the schedule files for this valve and machine")
        self.clear = button("clear", self.clear_kept, "take everything out of the comparison")
        self.compared = widgets.HTML('<div class="small">Up to four schedules side by side.</div>')
        self.compared_picture = widgets.VBox()
        entry = {"style": {"description_width": LABEL}, "layout": widgets.Layout(width="520px"), "continuous_update": False}
        self.place = widgets.Text(description="schedule file", tooltip="where the schedule is saved (TOML)", **entry)
        self.over = widgets.Checkbox(description="replace a file of that name", indent=False, layout=widgets.Layout(width="auto"))
        self.save = button("save the schedule", self.save_schedule, "write the schedule as set to this file")
        self.report = button("write the report", self.start_report, "HTML report of the comparison, or of this schedule")
        self.card = button("write the process card", self.start_card, "one page, PDF and HTML, marked DRAFT")
        self.answers = AnswersPage(self, desk)
        self._starters = (self.find_band, self.keep, self.keep_all, self.clear, self.report, self.card, *self.answers.starters)
        self.bar = widgets.IntProgress(min=0, max=BAND_RUNS, layout=widgets.Layout(width="260px", visibility="hidden"))
        self.stop = button("cancel", self.cancel, "stop what is being worked out")
        self.stop.disabled = True
        self.said = widgets.HTML()

        row = widgets.HBox
        pages = {
            "positions": [self.positions],
            "targets": [self.targets],
            "temperatures": [self.temperatures],
            "gas ledger": [self.ledger_picture, self.ledger],
            "margins": [self.margins],
            "how sure": [self.find_band, self.band_said, self.band_picture],
            "constants": [desk.constants],
            "compare": [row([self.keep, self.keep_all, self.clear]), self.compared, self.compared_picture],
            "answers": [self.answers],
            "save": [row([self.place, self.over]), row([self.save, self.report, self.card])],
        }
        self.names = list(pages)
        self.tab = widgets.Tab([widgets.VBox(children) for children in pages.values()], titles=self.names)
        self.tab.observe(lambda _: self._turned(), "selected_index")
        # Above the pages, where it is seen however long a page is.
        progress = row([self.bar, self.stop, self.said], layout=widgets.Layout(min_height="34px", align_items="center"))
        super().__init__([progress, self.tab])

    def wait(self, timeout: float = 60.0) -> bool:
        """Wait until no study is under way; False when the time has run out first."""
        return self.study.wait(timeout)

    def propose(self, trial) -> None:
        """Propose a file name for `trial`, and what to ask of it."""
        self.answers.propose(trial)
        self.place.value = str(self.desk.out / f"{Path(trial.path).stem}_edited.toml")

    def turn_to(self, name: str) -> None:
        """Show the page of that name."""
        self.tab.selected_index = self.names.index(name)

    # ---- pages of a run ------------------------------------------------------------------

    def show(self, verdict: Verdict) -> None:
        """A full answer has come: fill the page that is looked at."""
        self._verdict = verdict
        self._fill()

    @told
    def _turned(self) -> None:
        self._fill()

    def tell(self, problem: Exception) -> None:
        self.desk.tell(problem)

    def _fill(self) -> None:
        with self._showing:
            verdict, page = self._verdict, self.names[self.tab.selected_index or 0]
            if verdict is None or self._shown.get(page) is verdict:
                return
            if page == "positions":
                self.positions.value = outcome.positions_html(verdict)
            elif page == "targets":
                self.targets.value = outcome.targets_html(verdict)
            elif page == "margins":
                self.margins.value = outcome.margins_html(verdict)
            elif page == "temperatures":
                with DRAWING:
                    self.temperatures.value = png(plots.temperatures(verdict.run))
            elif page == "gas ledger":
                with DRAWING:
                    self.ledger_picture.value = png(plots.ledger_bars(verdict.run))
                self.ledger.value = outcome.ledger_html(verdict)
            self._shown[page] = verdict

    # ---- studies -------------------------------------------------------------------------

    @told
    def start_band(self) -> None:
        """Find the band on the schedule as set."""
        self.start("the band", self._find_band, self.desk.current(), BAND_RUNS)

    @told
    def add_current(self) -> None:
        """Add the schedule as set to the comparison, with a number when one of that name stands there."""
        schedule = self.desk.current()
        names, number = {v.name for v in self.kept}, 2
        if schedule in [v.run.schedule for v in self.kept]:
            self.said.value = alert(f"{schedule.name} stands in the comparison already.")
            return
        while schedule.name in names:
            schedule = replace(schedule, name=f"{self.desk.current().name} {number}")
            number += 1
        self._add([schedule])

    @told
    def add_files(self) -> None:
        """Add the schedule files for this valve and machine, as many as there is room for."""
        names = [v.name for v in self.kept]
        new = [s for s in self.desk.same_valve() if s.name not in names]
        self._add(new[: max(MOST_COMPARED - len(self.kept), 1)])

    def _add(self, schedules) -> None:
        if len(self.kept) + len(schedules) > MOST_COMPARED:
            self.said.value = alert(f"Four schedules stand there already; clear the comparison before adding {schedules[0].name}.")
        elif schedules:
            self.start("the comparison", self._run_and_keep, schedules, len(schedules))

    @told
    def clear_kept(self) -> None:
        """Take everything out of the comparison."""
        self.kept = []
        self._show_kept()
        self.said.value = ""

    @told
    def start_report(self) -> None:
        """Write the HTML report of what is compared, or of the schedule as set when nothing is."""
        self.start("the report", self._write_report, None if self.kept else self.desk.current(), 1)

    @told
    def start_card(self) -> None:
        """Write the process card of the schedule as set."""
        self.start("the process card", self._write_card, self.desk.current(), 1)

    @told
    def cancel(self) -> None:
        """Stop the study that is under way."""
        self.study.cancel()

    def start(self, words: str, work, subject, steps: int) -> None:
        """Post `work(subject, unit, check)`, which is expected to take so many steps; what it returns is told in the end."""
        self.said.value = f'<div class="small" role="status">working out {words}</div>'
        for starter in self._starters:
            starter.disabled = True
        self.stop.disabled = False
        self.bar.max, self.bar.value, self.bar.layout.visibility = steps, 0, "visible"
        self.study.post((words, work, subject, self.desk.unit.value))

    def _study(self, job, check) -> None:
        words, work, subject, unit = job
        started = time.perf_counter()
        told_at_end = work(subject, unit, check)
        self._end(f'<div class="small" role="status">{told_at_end or words} ({time.perf_counter() - started:.1f} s)</div>')

    def _failed(self, problem: Exception) -> None:
        self._end(alert(str(problem)))

    def _stopped(self) -> None:
        self._end('<div class="small" role="status">cancelled</div>')

    def _end(self, said: str) -> None:
        for starter in self._starters:
            starter.disabled = False
        self.stop.disabled = True
        self.bar.layout.visibility = "hidden"
        self.said.value = said

    def _judged(self, schedule, unit, check) -> Verdict:
        """The verdict on `schedule`, the one shown when it is that."""
        shown = self._verdict
        if shown is not None and shown.run.schedule == schedule and shown.pressure_unit == unit:
            return shown
        run = simulate(schedule, between_passes=check)
        return judge(run, unit)

    def _find_band(self, schedule, unit, check) -> str:
        def progress(_text: str) -> None:
            check()
            self.bar.value += 1

        verdict = self._judged(schedule, unit, check)
        self.band = band = band_of(verdict, progress)
        check()
        self.band_said.value = outcome.band_html(band)
        with DRAWING:
            self._picture(self.band_picture, png(band_picture(band)))
        return f"band of {escape(schedule.name)}: {'the verdict holds' if band.holds else 'the verdict is not sure'}"

    def _run_and_keep(self, schedules, unit, check) -> str:
        found = []
        for schedule in schedules:
            found.append(self._judged(schedule, unit, check))
            self.bar.value += 1
            check()
        self.kept = [*self.kept, *found]
        self._show_kept()
        return f"{len(self.kept)} schedules side by side"

    def _show_kept(self) -> None:
        if not self.kept:
            self.compared.value, self.compared_picture.children = '<div class="small">Up to four schedules side by side.</div>', ()
            return
        comparison = self._comparison()
        self.compared.value = outcome.comparison_html(comparison)
        with DRAWING:
            self._picture(self.compared_picture, png(plots.side_by_side(comparison)))

    def _comparison(self) -> Comparison:
        unit = self.desk.unit.value
        return Comparison(tuple(judge(v.run, unit) for v in self.kept), unit)

    @staticmethod
    def _picture(box, data: bytes) -> None:
        image = widgets.Image(value=data, format="png", layout=widgets.Layout(width="100%", max_width="900px"))
        box.children = (image,)

    # ---- files ---------------------------------------------------------------------------

    @told
    def save_schedule(self) -> None:
        """Write the schedule as set, and a machine of its own when lines or oven were changed."""
        path = Path(self.place.value)
        if path.suffix != ".toml":
            self.said.value = alert(f"{path} needs the ending .toml")
            return
        notes = ["Saved from the desk; a schedule on trial."]
        moved = self.desk.constants.moved
        if moved:
            tried = "; ".join(f"{what} {text}" for what, text in moved.items())
            notes.append(f"Constants tried at the desk and not saved here: {tried}.")
        texts = self.desk.trial.texts(path, notes)
        there = [name for name in texts if Path(name).exists()]
        if there and not self.over.value:
            self.said.value = alert(f"{there[0]} is there already; tick \u201creplace\u201d or give another name.")
            return
        path.parent.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            with replace_whole(name) as file:
                file.write(text)
        self.said.value = f'<div class="small" role="status">saved: {escape(", ".join(texts))}</div>'

    def _write_report(self, schedule, unit, check) -> str:
        comparison = self._comparison() if schedule is None else Comparison((self._judged(schedule, unit, check),), unit)
        check()
        path = self.desk.out / "report.html"
        path.parent.mkdir(parents=True, exist_ok=True)
        with DRAWING:
            write_report(comparison, path)
        return f"report written: {escape(str(path))}"

    def _write_card(self, schedule, unit, check) -> str:
        verdict = self._judged(schedule, unit, check)
        check()
        self.desk.out.mkdir(parents=True, exist_ok=True)
        with DRAWING:
            paths = write_card(verdict, self.desk.out)
        return f"process card written: {escape(', '.join(map(str, paths)))}"
