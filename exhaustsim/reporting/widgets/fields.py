"""Fields of the desk: a slider with an exact entry beside it, faults beside the field they belong to,
and callbacks that tell of their own errors instead of losing them.

Every label carries its unit.  A slider moves in steps by the arrow keys; the entry beside it
takes any value, with its unit or without.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from contextlib import contextmanager
from html import escape

import ipywidgets as widgets

from exhaustsim.engine.result import FailedRun
from exhaustsim.plant.faults import DesignFault
from exhaustsim.units import UnitFault, convert, format_number, parse

LABEL, WIDE_LABEL = "150px", "330px"

#: Scoped by the class of the desk, so that nothing of the notebook's own page is touched.
STYLE = """<style>
.exhaust-desk { font-size: 13px; }
.exhaust-desk table.desk { border-collapse: collapse; font-size: 12px; line-height: 1.35; }
.exhaust-desk table.desk th, .exhaust-desk table.desk td { padding: 2px 7px; text-align: right; vertical-align: top;
  border-bottom: 1px solid var(--jp-border-color2, #bbb); color: var(--jp-ui-font-color1, #1a1a1a); background: none; }
.exhaust-desk table.desk th { font-weight: normal; border-bottom: 1.5px solid var(--jp-ui-font-color1, #1a1a1a); }
.exhaust-desk table.desk .text { text-align: left; white-space: normal; }
.exhaust-desk table.desk tr.strong td { font-weight: bold; }
.exhaust-desk .fault { border-left: 5px solid currentColor; padding: 1px 6px; line-height: 1.3; font-size: 12px; font-weight: bold;
  color: var(--jp-ui-font-color1, #1a1a1a); }
.exhaust-desk .verdict { font-size: 14px; line-height: 1.4; border-left: 6px solid var(--jp-ui-font-color1, #1a1a1a); padding: 3px 10px;
  min-height: 100px; color: var(--jp-ui-font-color1, #1a1a1a); }
.exhaust-desk .verdict .word { font-weight: bold; text-transform: uppercase; }
.exhaust-desk .small { font-size: 12px; line-height: 1.35; color: var(--jp-ui-font-color1, #1a1a1a); }
.exhaust-desk :focus-visible { outline: 2px solid var(--jp-ui-font-color1, #1a1a1a); outline-offset: 1px; }
</style>"""


def alert(text: str) -> str:
    """`text` so that it is seen, and read out by a screen reader at once."""
    return f'<div class="fault" role="alert">{escape(text)}</div>' if text else ""


def problem_alert(problem: Exception) -> str:
    """What went wrong at a desk, as an alert: a failed run, a fault of the user's, or one of the program."""
    if isinstance(problem, FailedRun):
        words = f"The run failed: {problem}"
    elif isinstance(problem, (DesignFault, OSError)):
        words = str(problem)
    else:
        words = f"The desk itself failed ({type(problem).__name__}: {problem}). What is shown may not belong to the settings."
    return alert(words)


def told(method: Callable) -> Callable:
    """Wrap a method of a desk that answers a control: an exception is shown at the desk (`tell`), never lost."""

    @functools.wraps(method)
    def answering(desk, *arguments):
        try:
            return method(desk, *arguments)
        except Exception as problem:  # whatever it is, it must be seen
            desk.tell(problem)
            return None

    return answering


class Quantity(widgets.VBox):
    """A quantity of one kind: slider, exact entry, and room for a fault.

    Parameters
    ----------
    words : str
        What it is, without unit; the unit is added in brackets.
    kind, unit : str
        Kind of quantity and the unit of slider and label, see `exhaustsim.units`.
    low, high, step : float
        Ends and step of the slider, in `unit`.
    changed : callable
        Called with the new text (number and unit) whenever the person changes it.
    """

    def __init__(self, words, kind, unit, low, high, step, changed: Callable[[str], None], logarithmic=False, help_text="",
                 wide=False, placeholder=""):  # fmt: skip
        self.kind, self.unit, self._changed, self._quiet = kind, unit, changed, False
        self._placed = low  # where the slider was put last; the browser may send it back, which is nobody's change
        label = f"{words} [{unit}]" if unit != "1" else words
        width = {"description_width": WIDE_LABEL if wide else LABEL}
        layout = widgets.Layout(flex="1 1 auto", width="auto", min_width="0")
        help_text = help_text or f"{label}: arrow keys one step, page keys five steps"
        if logarithmic:
            self.slider = widgets.FloatLogSlider(
                value=low, base=10.0, min=math.log10(low), max=math.log10(high), step=(math.log10(high) - math.log10(low)) / 40.0,
                description=label, readout=False, style=width, layout=layout, tooltip=help_text,
            )  # fmt: skip
        else:
            self.slider = widgets.FloatSlider(
                value=low, min=low, max=high, step=step, description=label, readout=False, style=width, layout=layout, tooltip=help_text
            )
        self.entry = widgets.Text(
            continuous_update=False, layout=widgets.Layout(width="92px", flex="0 0 92px"), tooltip=f"{label}: exact value, then Enter",
            placeholder=placeholder,
        )  # fmt: skip
        if wide:
            self.entry.layout = widgets.Layout(width="180px", flex="0 0 180px")
        self.note = widgets.HTML(layout=widgets.Layout(margin="0"))
        self.slider.observe(self._slid, "value")
        self.entry.observe(self._typed, "value")
        super().__init__([widgets.HBox([self.slider, self.entry], layout=widgets.Layout(align_items="center")), self.note])

    def show(self, text: str) -> None:
        """Show `text`, a value with unit or nothing, without telling anybody."""
        with self.quietly():
            self.entry.value = text
            self.note.value = ""
            self._follow(text)

    def fault(self, text: str) -> None:
        """Say beside the field what is wrong; empty text takes it away."""
        told_now = alert(text)
        if self.note.value != told_now:
            self.note.value = told_now

    @contextmanager
    def quietly(self):
        """Changes within are not the person's, and nobody is told of them."""
        before, self._quiet = self._quiet, True
        try:
            yield
        finally:
            self._quiet = before

    def _follow(self, text: str) -> None:
        """Put the slider where the entry says, if it can be read."""
        try:
            shown = convert(parse(text, self.kind), self.kind, self.unit) if text.strip() else 0.0
        except UnitFault:
            return
        # The handle stands on the nearest step, as the browser would put it; the entry keeps the exact value.
        slider = self.slider
        along = math.log(max(shown, 1e-300), slider.base) if self._logarithmic else shown
        steps = round((min(max(along, slider.min), slider.max) - slider.min) / slider.step)
        along = min(slider.min + steps * slider.step, slider.max)
        self._placed = slider.value = slider.base**along if self._logarithmic else along

    @property
    def _logarithmic(self) -> bool:
        return isinstance(self.slider, widgets.FloatLogSlider)

    def _slid(self, change) -> None:
        noise = 0.0 if self._logarithmic else 1e-6 * self.slider.step
        if self._quiet or math.isclose(change["new"], self._placed, rel_tol=1e-6, abs_tol=noise):
            return
        self._placed = change["new"]
        text = _with_unit(format_number(change["new"], 4).rstrip("."), self.unit)
        with self.quietly():
            self.entry.value = text
        self._changed(text)

    def _typed(self, change) -> None:
        if self._quiet:
            return
        text = change["new"].strip()
        if _is_bare(text):
            text = _with_unit(text, self.unit)
        with self.quietly():
            self.entry.value = text
            self._follow(text)
        self._changed(text)


def _with_unit(number: str, unit: str) -> str:
    if "." in number and "e" not in number:
        number = number.rstrip("0").rstrip(".")
    return number if unit == "1" else f"{number} {unit}"


def _is_bare(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def button(words: str, pressed: Callable, help_text: str = "") -> widgets.Button:
    """A button as wide as its words."""
    made = widgets.Button(description=words, tooltip=help_text or words, layout=widgets.Layout(width="auto", flex="0 0 auto"))
    made.on_click(lambda _: pressed())
    return made


def choice(words: str, options, changed: Callable, value=None, help_text: str = "", width: str = "100%") -> widgets.Dropdown:
    """A list to choose from."""
    made = widgets.Dropdown(
        options=options, value=value, description=words, tooltip=help_text or words, style={"description_width": LABEL},
        layout=widgets.Layout(width=width),
    )  # fmt: skip
    made.observe(lambda change: changed(change["new"]), "value")
    return made


def table(rows, texts=(0,), strong=(), caption: str = "") -> str:
    """Rows of text as a table, the first its heading; columns in `texts` flush left, rows in `strong` bold."""
    head, *body = rows

    def line(cells, tag, style=""):
        inner = "".join(
            f'<{tag}{" class=text" if k in texts else ""}>{escape(cell)}</{tag}>' for k, cell in enumerate(cells)
        )
        return f"<tr{style}>{inner}</tr>"

    lines = "".join(line(row, "td", " class=strong" if k in strong else "") for k, row in enumerate(body))
    title = f'<caption style="text-align:left">{escape(caption)}</caption>' if caption else ""
    return f'<table class="desk">{title}<thead>{line(head, "th")}</thead><tbody>{lines}</tbody></table>'
