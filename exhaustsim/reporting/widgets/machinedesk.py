"""The loaded machine at the desk: let a valve leak, break or the turret stand, and see lines and neighbours.

`MachineDesk` shows the ring of heads and lines, line pressures, what every position gets of it, and the valves to
scrap.  A run takes seconds: it is worked out behind the hand, tells how far it is, and a new setting overtakes it.  Stop tolerance,
cross-talk and leak limits are asked for by button and can be cancelled.

Without a browser: set `desk.leak.entry.value = "1 Pa L/s"`, then `desk.wait()`, then read `desk.findings`.
"""

from __future__ import annotations

import time
from html import escape
from pathlib import Path
from typing import NamedTuple

import ipywidgets as widgets

from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.incidents import BrokenValve, Incident, Leaker, Stop
from exhaustsim.plant.schedule import Schedule
from exhaustsim.reporting import machineplots, machinetext
from exhaustsim.reporting.machinefindings import Findings, find
from exhaustsim.reporting.machinepage import write_page
from exhaustsim.reporting.widgets import outcome
from exhaustsim.reporting.widgets.comparedesk import RESTS, UNITS
from exhaustsim.reporting.widgets.fields import LABEL, STYLE, Quantity, button, choice, problem_alert, table, told
from exhaustsim.reporting.widgets.livepicture import png
from exhaustsim.reporting.widgets.worker import DRAWING, LatestWins
from exhaustsim.units import PASCAL_LITRE, UnitFault, parse

SMALLEST_LEAK, LARGEST_LEAK = 1e-3, 100.0  # Pa L/s, ends of the slider
LONGEST_STOP = 600.0  # s, end of the slider


class Setting(NamedTuple):
    """What was set when a run was asked for."""

    schedule: Schedule
    incidents: tuple[Incident, ...]
    from_empty: bool
    rf_stays: bool
    unit: str
    neighbours: bool = False
    tolerances: bool = False
    largest_leak: float | None = None


class MachineDesk(widgets.VBox):
    """One machine with its incidents.

    Parameters
    ----------
    folder : path
        Holds `schedules`, such as `demo_data`.
    schedule : str, optional
        File name of the schedule to begin with; the first one by default.
    out : path
        Folder for the page that is saved.
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
        self.out = Path(out)
        files = sorted((Path(folder) / "schedules").glob("*.toml"))
        if not files:
            raise FileNotFoundError(f"no schedule files (*.toml) in {Path(folder) / 'schedules'}")
        self.findings: Findings | None = None
        self._quiet = True
        self.worker = LatestWins(self._work, self._failed, self._stopped, threaded=threaded)
        chosen = next((f for f in files if f.name == (schedule or "")), files[0])
        self._schedule = load_schedule(chosen)

        self.schedule = choice("schedule", [(f.stem.replace("_", " "), str(f)) for f in files], self._choose, str(chosen))
        self.unit = choice("pressures in", UNITS, self._changed, "Pa", width="300px")
        self.struck = choice("what happens", [("nothing", ""), ("a valve leaks", "leak"), ("a valve breaks", "broken")], self._changed, "leak")
        self.head = widgets.IntSlider(
            value=1, min=1, max=self._schedule.machine.positions, description="on head", tooltip="on head: arrow keys one head",
            continuous_update=False, style={"description_width": LABEL}, layout=widgets.Layout(width="100%"),
        )  # fmt: skip
        self.head.observe(self._changed, "value")
        self.leak = Quantity("leak", "throughput", "Pa L/s", SMALLEST_LEAK, LARGEST_LEAK, 0.1, self._changed, logarithmic=True)
        self.leak.show("0.3 Pa L/s")
        self.stop = Quantity("the turret stands", "time", "s", 0.0, LONGEST_STOP, 5.0, self._changed)
        self.stop.show("0 s")
        tick = {"indent": False, "layout": widgets.Layout(width="auto")}
        self.rf_stays = widgets.Checkbox(description="RF stays on when it stands", **tick)
        self.from_empty = widgets.Checkbox(description="begin with empty heads", **tick)
        for box in (self.rf_stays, self.from_empty):
            box.observe(self._changed, "value")

        def picture():
            return widgets.Image(format="png", layout=widgets.Layout(width="100%", max_width="900px"))

        self.pictures = {name: picture() for name in ("heads and lines", "line pressures", "positions")}
        self.lines, self.scrap, self.asked = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self.asked_pictures = widgets.VBox()
        self.find_talk = button("cross-talk", lambda: self._ask({"neighbours": True}), "how much of each bulb pressure is the neighbours'")
        self.find_limits = button("leak limits", lambda: self._ask({"largest_leak": LARGEST_LEAK * PASCAL_LITRE}), "about 10 machine runs")
        self.find_tolerance = button("stop tolerance", lambda: self._ask({"tolerances": True}), "about 15 machine runs, half a minute or more")
        self.save = button("write the page", self.write_page, "HTML page and PNG pictures of what is shown")
        self.cancel_button = button("cancel", self.cancel, "stop what is being worked out")
        pages = {
            **{name: [image] for name, image in self.pictures.items()},
            "lines": [self.lines],
            "valves to scrap": [self.scrap],
            "asked": [widgets.HBox([self.find_talk, self.find_limits, self.find_tolerance]), self.asked, self.asked_pictures],
        }
        self.tab = widgets.Tab([widgets.VBox(children) for children in pages.values()], titles=list(pages))
        self.errors = widgets.HTML()
        self.said = widgets.HTML('<div class="verdict">calculating</div>')
        self.status = widgets.HTML()
        left = widgets.VBox(
            [self.schedule, self.struck, self.head, self.leak, self.stop, self.rf_stays, self.from_empty, self.save, self.cancel_button],
            layout=widgets.Layout(min_width="360px", flex="1 1 360px", max_width="460px"),
        )
        right = widgets.VBox(
            [widgets.HBox([self.unit, self.status]), self.said, self.errors, self.tab], layout=widgets.Layout(flex="3 1 560px", min_width="0")
        )
        upper = widgets.Box([left, right], layout=widgets.Layout(display="flex", flex_flow="row wrap", width="100%"))
        super().__init__([widgets.HTML(STYLE), upper, widgets.HTML(outcome.caution_html())])
        self.add_class("exhaust-desk")
        self._quiet = False
        self._changed()

    # ---- for scripts and tests -----------------------------------------------------------

    def wait(self, timeout: float = 120.0) -> bool:
        """Wait until nothing is being worked out; False when the time has run out first."""
        return self.worker.wait(timeout)

    @property
    def alerts(self) -> str:
        """What the desk complains of at the moment."""
        return "".join(place.value for place in (self.errors, self.leak.note, self.stop.note) if 'role="alert"' in place.value)

    # ---- settings ------------------------------------------------------------------------

    @told
    def _choose(self, path) -> None:
        self._schedule = load_schedule(path)
        before, self._quiet = self._quiet, True
        self.head.max = self._schedule.machine.positions
        self._quiet = before
        self._changed()

    @told
    def _changed(self, *_) -> None:
        """Something was set: run the machine anew."""
        if not self._quiet:
            self._post()

    @told
    def _ask(self, what: dict) -> None:
        """Run a study on the machine as set."""
        self._post(**what)

    @told
    def cancel(self) -> None:
        """Stop what is under way; what is shown stays."""
        self.worker.cancel()
        self._say("cancelled; what is shown belongs to the settings before")

    def _post(self, **what) -> None:
        self.errors.value = ""
        setting = self._read(**what)
        if setting is None:
            self.worker.cancel()
            self._say("not calculated: see what is wrong with the settings; what is shown belongs to the settings before")
            return
        self.worker.post(setting)

    def _read(self, **what) -> Setting | None:
        """The settings, or None after saying what is wrong beside the field."""
        values = {}
        for name, field in (("leak", self.leak), ("stop", self.stop)):
            field.fault("")
            try:
                value = parse(field.entry.value, field.kind)
                if value < 0.0:
                    raise UnitFault("must be 0 or more")
                values[name] = value
            except UnitFault as fault:
                field.fault(str(fault))
        if len(values) < 2:
            return None
        incidents: list[Incident] = []
        if self.struck.value == "leak" and values["leak"] > 0.0:
            incidents.append(Leaker(self.head.value, values["leak"]))
        elif self.struck.value == "broken":
            incidents.append(BrokenValve(self.head.value))
        schedule = self._schedule
        if values["stop"] > 0.0:
            incidents.append(Stop(schedule.machine.transfer_time + 0.5 * schedule.dwell, values["stop"], self.rf_stays.value))
        return Setting(schedule, tuple(incidents), self.from_empty.value, self.rf_stays.value, self.unit.value, **what)

    # ---- calculation ---------------------------------------------------------------------

    def _work(self, setting: Setting, check) -> None:
        if self.worker.threaded:
            check.rest(RESTS)
        started = time.perf_counter()

        def progress(words):
            check()
            self._say(escape(words))

        findings = find(
            setting.schedule, setting.incidents, from_empty=setting.from_empty, largest_leak=setting.largest_leak, tolerances=setting.tolerances,
            neighbours=setting.neighbours, rf_stays=setting.rf_stays, pressure_unit=setting.unit, progress=progress,
        )  # fmt: skip
        check()
        self.findings = findings
        self._show(findings)
        self._say(f"done, {time.perf_counter() - started:.1f} s")

    def _show(self, findings: Findings) -> None:
        word = "good" if findings.passes else "scrap" if findings.scrap else "look"
        self.said.value = f'<div class="verdict"><span class="word">{word}</span> {escape(findings.answer)}</div>'
        with DRAWING:
            drawn = {name: figure for name, figure, _ in machineplots.pictures(findings)}
            shown = {"heads and lines": "lines", "line pressures": "line_pressures", "positions": "excess"}
            for name, image in self.pictures.items():
                figure = drawn.get(shown[name])
                image.value = b"" if figure is None else png(figure)
            asked = [
                widgets.Image(value=png(drawn[name]), format="png", layout=widgets.Layout(width="100%", max_width="900px"))
                for name in ("cross_talk", "stop_tolerance") if name in drawn
            ]  # fmt: skip
        self.lines.value = table(machinetext.line_table(findings), texts=(0, 1), caption=machinetext.line_title(findings))
        self.scrap.value = (
            table(machinetext.scrap_table(findings), texts=(3, 4)) if findings.scrap
            else f'<p class="small">{escape(machinetext.scrap_text(findings).strip())}</p>'
        )  # fmt: skip
        parts = [f"<p><b>{f.level}</b> {escape(f.name.replace('_', ' '))}: {escape(f.sentence)}</p>" for f in findings.flags]
        if findings.talk:
            parts.append(table(machinetext.talk_table(findings), texts=(1, 6), caption=machinetext.talk_title(findings)))
        if findings.limits is not None:
            parts += [f"<p>{escape(words)}</p>" for words in machinetext.limit_sentences(findings)]
        if findings.tolerances:
            parts.append(table(machinetext.tolerance_table(findings), texts=(3, 4, 5), caption=machinetext.STOP_LEGEND))
        self.asked.value = f'<div class="small">{"".join(parts) or "Ask by the buttons; each takes some seconds to a minute."}</div>'
        self.asked_pictures.children = tuple(asked)

    @told
    def write_page(self) -> None:
        """Write what is shown as a page with its pictures."""
        if self.findings is None:
            self._say("nothing is worked out yet")
            return
        self.out.mkdir(parents=True, exist_ok=True)
        with DRAWING:
            paths = write_page(self.findings, self.out)
        self._say(f"written: {escape(', '.join(map(str, paths)))}")

    def _stopped(self) -> None:
        self._say("stopped; what is shown belongs to the settings before")

    def _failed(self, problem: Exception) -> None:
        self.tell(problem)
        self._say("not calculated; what is shown belongs to the settings before")

    def tell(self, problem: Exception) -> None:
        """Show what went wrong."""
        self.errors.value = problem_alert(problem)

    def _say(self, words: str) -> None:
        self.status.value = f'<div class="small" role="status" aria-live="polite">{words}</div>'
