"""The desk of the process engineer: change a schedule, see the picture and the verdict change, compare, save.

`CompareDesk` holds a schedule on trial, a live picture of bulb and line pressure with the target,
the verdict, and pages with positions, temperatures, gas ledger, margins, band, constants,
comparison and export.  While the hand moves a draft is shown and marked; when it rests for a
quarter of a second the full answer follows.  A new value overtakes an old calculation.

Without a browser: set `desk.settings.heater.entry.value = "5 V"`, then `desk.wait()`, then read
`desk.verdict`, `desk.picture.value`.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import ipywidgets as widgets

from exhaustsim.engine.draft import draft
from exhaustsim.engine.result import Run
from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import load_schedules
from exhaustsim.plant.faults import DesignFault
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.trial import Trial
from exhaustsim.reporting.widgets import outcome
from exhaustsim.reporting.widgets.constantspanel import ConstantsPanel
from exhaustsim.reporting.widgets.deskpages import DeskPages
from exhaustsim.reporting.widgets.fields import STYLE, button, choice, problem_alert, told
from exhaustsim.reporting.widgets.livepicture import LivePicture
from exhaustsim.reporting.widgets.settings import SettingsPanel
from exhaustsim.reporting.widgets.worker import LatestWins
from exhaustsim.studies.verdict import Verdict, judge

RESTS = 0.25  # s without a new value after which the full answer is worked out
UNITS = (("Pa", "Pa"), ("mbar", "mbar"), ("torr", "torr"), ("micron Hg", "umHg"))


class Snapshot(NamedTuple):
    """What was set when a calculation was asked for."""

    schedule: Schedule
    unit: str


class CompareDesk(widgets.VBox):
    """Choose, change, judge, compare and save schedules.

    Parameters
    ----------
    folder : path
        Holds `schedules`, `valves` and `machines`, such as `demo_data`.
    schedule : str, optional
        File name of the schedule to begin with; the first one by default.
    out : path
        Folder for everything that is saved; made when it is needed.
    threaded : bool, optional
        False works on the spot, for scripts and tests; by default only a notebook uses threads.

    Raises
    ------
    FileNotFoundError
        There are no schedules in the folder.
    DesignFault
        The first schedule cannot be used.
    """

    def __init__(self, folder="demo_data", schedule: str | None = None, out="out", threaded: bool | None = None):
        self.folder, self.out = Path(folder), Path(out)
        files = sorted((self.folder / "schedules").glob("*.toml"))
        if not files:
            raise FileNotFoundError(f"no schedule files (*.toml) in {self.folder / 'schedules'}")
        self._known: Run | None = None  # last full answer: its line pressures serve the next draft
        self.verdict: Verdict | None = None
        self.drafts = self.full_answers = 0
        self._live = LivePicture()
        self.worker = LatestWins(self._work, self._failed, threaded=threaded)
        self._quiet = True

        chosen = next((f for f in files if f.name == (schedule or "")), files[0])
        self.trial = Trial(chosen)
        self.schedule = choice("schedule", [(f.stem.replace("_", " "), str(f)) for f in files], self._choose_schedule, str(chosen))
        self.valve = choice("valve", self._designs("valves"), self._choose_valve, self.trial.valve_path)
        self.machine = choice("machine", self._designs("machines"), self._choose_machine, self.trial.machine_path)
        self.unit = choice("pressures in", UNITS, self._choose_unit, "Pa", width="300px")
        self.back = button("back to the schedule file", self.reset, "undo every change: schedule, machine, valve and constants")
        self.errors = widgets.HTML()
        self.picture = widgets.Image(format="png", layout=widgets.Layout(width="100%", max_width="900px"))
        self.status = widgets.HTML('<div class="small" role="status">calculating</div>')
        self.said = widgets.HTML()
        self.settings = SettingsPanel(self._changed, self.tell)
        self.constants = ConstantsPanel(self._changed, self.tell)
        self.pages = DeskPages(self)
        self._show_trial(self.trial.read())
        self._quiet = False

        left = widgets.VBox(
            [self.schedule, self.valve, self.machine, self.settings, self.back],
            layout=widgets.Layout(min_width="360px", flex="1 1 380px", max_width="480px"),
        )
        right = widgets.VBox(
            [widgets.HBox([self.unit, self.status]), self.picture, self.said, self.errors],
            layout=widgets.Layout(flex="3 1 560px", min_width="0"),
        )
        upper = widgets.Box([left, right], layout=widgets.Layout(display="flex", flex_flow="row wrap", width="100%"))
        super().__init__([widgets.HTML(STYLE), upper, self.pages, widgets.HTML(outcome.caution_html())])
        self.add_class("exhaust-desk")
        self._changed()

    # ---- for scripts and tests -----------------------------------------------------------

    def wait(self, timeout: float = 60.0) -> bool:
        """Wait until nothing is being worked out; False when the time has run out first."""
        return self.worker.wait(timeout) and self.pages.wait(timeout)

    @property
    def alerts(self) -> str:
        """What the desk complains of at the moment."""
        fields = (*self.settings.fields.values(), *self.constants.sliders.values())
        places = (self.errors, self.settings.notes, self.pages.said, *(field.note for field in fields))
        return "".join(place.value for place in places if 'role="alert"' in place.value)

    # ---- choices -------------------------------------------------------------------------

    def _designs(self, sort: str) -> list[tuple[str, str]]:
        own = self.trial.valve_path if sort == "valves" else self.trial.machine_path
        paths = dict.fromkeys([own, *map(str, sorted((self.folder / sort).glob("*.toml")))])
        return [(Path(p).stem.replace("_", " "), p) for p in paths]

    @told
    def _choose_schedule(self, path) -> None:
        if not self._quiet and path:
            trial = Trial(path)
            schedule = trial.read()
            self.trial = trial
            self._show_trial(schedule)
            self._changed()

    @told
    def _choose_valve(self, path) -> None:
        if not self._quiet and path:
            self.trial.valve_path = path
            self._changed()

    @told
    def _choose_machine(self, path) -> None:
        if not self._quiet and path:
            self.trial.put_on(path)
            try:
                self.settings.show(self.trial, self.trial.read())
            except DesignFault:
                pass  # told by what follows; the fields stay as they are
            self._changed()

    @told
    def _choose_unit(self, _unit) -> None:
        if not self._quiet:
            self._changed()

    @told
    def reset(self) -> None:
        """Back to the schedule file on its own machine and valve, with the constants of that valve."""
        self.trial.reset()
        self._show_trial(self.trial.read())
        self.constants.reset()

    def _show_trial(self, schedule: Schedule) -> None:
        before, self._quiet = self._quiet, True
        try:
            for field, path in ((self.valve, self.trial.valve_path), (self.machine, self.trial.machine_path)):
                if path not in [p for _, p in field.options]:
                    field.options = [*field.options, (Path(path).stem, path)]
                field.value = path
            self.settings.show(self.trial, schedule)
            self.constants.show(schedule.valve)
            self.pages.propose(self.trial)
        finally:
            self._quiet = before

    # ---- calculation ---------------------------------------------------------------------

    @told
    def _changed(self) -> None:
        """Something was set: read it, and work it out if it can be used."""
        self.errors.value = ""
        try:
            schedule = self.trial.read()
        except DesignFault as fault:
            self.worker.cancel()
            self.settings.show_faults(fault)
            self._say("not calculated: see what is wrong with the settings; the picture shows the last settings that could be used")
            return
        self.settings.show_faults(None)
        self.constants.show(schedule.valve)
        schedule = self.constants.apply(schedule)
        if schedule is None:
            self.worker.cancel()
            self._say("not calculated: see the constants; the picture shows the last values that could be used")
            return
        if self.constants.moved and not schedule.name.endswith("constants moved)"):
            schedule = replace(schedule, name=f"{schedule.name} (constants moved)")
        self._say("calculating")
        self.worker.post(Snapshot(schedule, self.unit.value))

    def _work(self, snapshot: Snapshot, check: Callable) -> None:
        schedule, unit = snapshot
        started = time.perf_counter()
        run = self._known
        if run is None or run.schedule != schedule:
            if run is not None and [w.name for w in run.lines] == [line.name for line in schedule.machine.lines]:
                rough = draft(schedule, run)
                check()
                self.picture.value = self._live.draft(rough, unit)
                self.said.value = outcome.verdict_html(judge(rough, unit))
                self.drafts += 1
                self._say("draft")
                check.rest(RESTS)
            run = simulate(schedule, between_passes=check)
            check()
            self._known = run
        self.verdict = judge(run, unit)
        self.full_answers += 1
        self.picture.value = self._live.full(run, unit)
        self.said.value = outcome.verdict_html(self.verdict)
        self._say(f"full answer, {time.perf_counter() - started:.2f} s")
        check()
        self.pages.show(self.verdict)

    def _failed(self, problem: Exception) -> None:
        self.tell(problem)
        self._say("not calculated; the picture shows the last settings that could be used")

    def tell(self, problem: Exception) -> None:
        """Show what went wrong."""
        self.errors.value = problem_alert(problem)

    def _say(self, words: str) -> None:
        self.status.value = f'<div class="small" role="status" aria-live="polite">{words}</div>'

    # ---- for the pages -------------------------------------------------------------------

    def current(self) -> Schedule:
        """The schedule as set, with the constants that were moved.

        Raises
        ------
        DesignFault
            The settings cannot be used.
        ValueError
            A constant cannot be used.
        """
        schedule = self.constants.apply(self.trial.read())
        if schedule is None:
            raise ValueError("one of the constants trusted least cannot be used as it stands")
        return replace(schedule, name=f"{schedule.name} (constants moved)") if self.constants.moved else schedule

    def same_valve(self) -> list[Schedule]:
        """The schedules in the folder for the valve and machine of the one chosen."""
        chosen = self.trial.read()
        found = load_schedules(sorted((self.folder / "schedules").glob("*.toml")))
        return [s for s in found if (s.valve.name, s.machine.source) == (chosen.valve.name, self.trial.machine_path)]
