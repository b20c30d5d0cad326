"""A picture with something to move: the common frame of lessons, of the getter pages and of the sorption bench.

`Explorer` puts the knobs of a lesson beside its picture and a sentence of figures; a new value overtakes an
old calculation.  It asks nothing; `exhaustsim.reporting.widgets.lecture` adds the question.

Without a browser: set `explorer.set("bore", "2.5 mm")`, then `explorer.wait()`, then read `explorer.reading.value`,
`explorer.picture.value`, `explorer.shown`.
"""

from __future__ import annotations

from html import escape

import ipywidgets as widgets

from exhaustsim.reporting.lessonplot import LessonPicture
from exhaustsim.reporting.widgets.fields import STYLE, Quantity, alert, button, choice, told
from exhaustsim.reporting.widgets.livepicture import png_of
from exhaustsim.reporting.widgets.worker import DRAWING, Check, LatestWins
from exhaustsim.studies.lessons.record import Exploration, Knob, Lesson, Shown, Stand
from exhaustsim.units import convert, parse

RESTS = 0.25  # s without a new value after which the full answer is worked out


class Explorer(widgets.VBox):
    """Knobs, picture and a sentence for one lesson or exploration.

    Parameters
    ----------
    lesson : Lesson or Exploration
    stand : Stand
        The demo valve that the lesson is shown on.
    threaded : bool, optional
        False works on the spot, for scripts and tests; by default only a notebook uses threads.
    """

    def __init__(self, lesson: Lesson | Exploration, stand: Stand, threaded: bool | None = None):
        self.lesson, self.stand = lesson, stand
        self.texts = lesson.standard
        self.shown: Shown | None = None
        self.standard: Shown | None = None
        self._drawing: LessonPicture | None = None
        self.worker = LatestWins(self._work, self.tell, self._stopped, threaded=threaded)
        self.knobs = {knob.name: self._field(knob) for knob in lesson.knobs}
        self.back = button("back to standard", self.reset, "every slider back to the standard setting")
        self.cancel = button("cancel", self.give_up, "give up what is being worked out")
        self.picture = widgets.Image(format="png", layout=widgets.Layout(width="100%", max_width="900px", min_height="200px"))
        self.reading = widgets.HTML(layout=widgets.Layout(min_height="24px"))
        self.status = widgets.HTML()
        self.errors = widgets.HTML()
        super().__init__([
            widgets.HTML(STYLE), *self._above(), widgets.VBox(list(self.knobs.values()), layout=widgets.Layout(max_width="900px")),
            widgets.HBox([self.back, self.cancel, self.status], layout=widgets.Layout(align_items="center")),
            self.reading, *self._between(), self.picture, self.errors,
            widgets.HTML(f'<div class="small">Rests on: {escape(lesson.rests_on)}.</div>'),
        ])  # fmt: skip
        self.add_class("exhaust-desk")
        self._changed()

    def _above(self) -> list[widgets.Widget]:
        """What stands above the knobs."""
        return []

    def _between(self) -> list[widgets.Widget]:
        """What stands between the figures and the picture, where it is seen without scrolling."""
        return []

    def _field(self, knob: Knob) -> Quantity | widgets.Dropdown:
        if knob.options:
            return choice(knob.words, knob.options, lambda text: self._moved(knob.name, text), knob.standard, width="420px")
        low, high = (convert(parse(t, knob.kind), knob.kind, knob.unit) for t in (knob.low, knob.high))
        field = Quantity(
            knob.words, knob.kind, knob.unit, low, high, knob.step, lambda text: self._moved(knob.name, text), logarithmic=knob.logarithmic,
            wide=True,
        )  # fmt: skip
        field.show(knob.standard)
        return field

    # ---- for scripts and tests -----------------------------------------------------------

    def set(self, name: str, text: str) -> None:
        """Move a knob as a person would."""
        field = self.knobs[name]
        if isinstance(field, Quantity):
            field.entry.value = text
        else:
            field.value = text

    def wait(self, timeout: float = 60.0) -> bool:
        """Wait until nothing is being worked out; False when the time has run out first."""
        return self.worker.wait(timeout)

    @property
    def alerts(self) -> str:
        """What it complains of at the moment."""
        notes = [field.note.value for field in self.knobs.values() if isinstance(field, Quantity)]
        return "".join(text for text in (self.errors.value, *notes) if 'role="alert"' in text)

    # ---- the person's changes ------------------------------------------------------------

    @told
    def _moved(self, name: str, text: str) -> None:
        field = self.knobs[name]
        try:
            self.lesson.values({**self.texts, name: text})
        except ValueError as problem:
            self.worker.cancel()
            field.fault(str(problem))
            return
        if isinstance(field, Quantity):
            field.fault("")
        self.texts = {**self.texts, name: text}
        self._changed()

    @told
    def reset(self) -> None:
        """Every knob back to its standard."""
        self.texts = self.lesson.standard
        for knob in self.lesson.knobs:
            field = self.knobs[knob.name]
            if isinstance(field, Quantity):
                field.show(knob.standard)
                field.fault("")
            elif field.value != knob.standard:
                field.value = knob.standard
        self._changed()

    def give_up(self) -> None:
        """Stop what is under way; the picture stays."""
        self.worker.cancel()
        self._say("cancelled")

    def _changed(self) -> None:
        self.errors.value = ""
        self._say("calculating")
        self.worker.post(dict(self.texts))

    # ---- calculation ---------------------------------------------------------------------

    def _work(self, texts: dict[str, str], check: Check) -> None:
        lesson = self.lesson
        if self.standard is None and not lesson.long:
            self.standard = lesson.last(self.stand, lesson.standard)
        for shown in lesson.compute(self.stand, lesson.values(texts), check):
            check()
            self._show(shown)
            if shown.draft and shown.progress is None:
                check.rest(RESTS)
        self._finished(texts, shown)
        self._say("")

    def _show(self, shown: Shown) -> None:
        with DRAWING:
            if self._drawing is None:
                self._drawing = LessonPicture.of(self.lesson)
            image = png_of(self._drawing.draw(shown, self.standard))
        self.shown = shown
        self.picture.value = image
        self.reading.value = f'<div class="small" role="status" aria-live="polite">{escape(shown.reading)}</div>'

    def _finished(self, texts: dict[str, str], shown: Shown) -> None:
        """The final answer for `texts` stands in the picture."""

    def _stopped(self) -> None:
        """Work was overtaken or given up: the picture stays as it is."""

    def _say(self, words: str) -> None:
        self.status.value = f'<div class="small" role="status">{escape(words)}</div>'

    def tell(self, problem: Exception) -> None:
        """Show what went wrong."""
        self.errors.value = alert(f"Not calculated ({type(problem).__name__}: {problem}). The picture may not belong to the settings.")
        self._say("")

