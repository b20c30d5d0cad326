"""The lecture: twenty demonstrations, each with a prediction that must be given before anything can be moved.

`Demonstration` locks its knobs until a choice has been made and given; once a knob has been moved to another
place, it says what was predicted, what the model gives, and the one line to take home.  `Lecture` leads through
all of them.  Neither knows any physics, and neither writes a right answer down: see `exhaustsim.studies.lessons`.

Without a browser: `lecture.go_to(2)`, `d = lecture.demonstration`, `d.predict(0)`, `d.set("bore", "6 mm")`, `d.wait()`.
"""

from __future__ import annotations

from html import escape

import ipywidgets as widgets

from exhaustsim.reporting.widgets.explorer import Explorer
from exhaustsim.reporting.widgets.fields import STYLE, Quantity, alert, button, told
from exhaustsim.reporting.widgets.outcome import caution_html
from exhaustsim.studies.lessons.course import COURSE
from exhaustsim.studies.lessons.record import Lesson, Shown, Stand


class Demonstration(Explorer):
    """One lesson with its question: predict, then move, then read what it teaches."""

    def __init__(self, lesson: Lesson, stand: Stand, threaded: bool | None = None):
        self._built = False
        self.predicted: int | None = None
        self.right: int | None = None
        self.question = widgets.HTML(f'<div class="verdict" style="min-height:0"><b>{escape(lesson.question)}</b></div>')
        self.choices = widgets.RadioButtons(
            options=[(c.words, k) for k, c in enumerate(lesson.choices)], value=None, layout=widgets.Layout(width="auto")
        )
        self.choices.observe(self._chosen, "value")
        self.give = button("this is my prediction", self.predict, "give the prediction; then the sliders can be moved")
        self.give.disabled = True
        self.again = button("ask again", self.ask_again, "take the prediction back, for the next listener")
        self.told = widgets.HTML(layout=widgets.Layout(min_height="66px"))
        super().__init__(lesson, stand, threaded)
        self._built = True
        self._lock(True)
        self._tell_lesson()

    def _above(self):
        return [self.question, self.choices, widgets.HBox([self.give, self.again])]

    def _between(self):
        return [self.told]

    # ---- prediction ----------------------------------------------------------------------

    def _chosen(self, change) -> None:
        self.give.disabled = change["new"] is None or self.predicted is not None

    @told
    def predict(self, choice: int | None = None) -> None:
        """Give the prediction: the choice marked, or the one numbered from 0; frees the knobs."""
        if choice is not None:
            self.choices.value = choice
        if self.choices.value is None or self.predicted is not None:
            return
        self.predicted = self.choices.value
        self.choices.disabled = self.give.disabled = True
        self._lock(False)
        self._tell_lesson()

    @told
    def ask_again(self) -> None:
        """Back to the question: knobs at their standard and locked, no prediction."""
        self.predicted = None
        self.choices.disabled = False
        self.choices.value = None
        self.give.disabled = True
        self._lock(True)
        super().reset()
        self._tell_lesson()

    @property
    def locked(self) -> bool:
        """Whether the knobs still wait for a prediction."""
        return self.predicted is None

    def _lock(self, locked: bool) -> None:
        for field in self.knobs.values():
            for control in (field.slider, field.entry) if isinstance(field, Quantity) else (field,):
                control.disabled = locked

    @told
    def _moved(self, name: str, text: str) -> None:
        if self._built and self.locked and text != self.texts[name]:
            # A disabled control still takes keys in some browsers, and code can set it: back it goes.
            field = self.knobs[name]
            if isinstance(field, Quantity):
                field.show(self.texts[name])
                field.fault("the prediction comes first")
            else:
                field.value = self.texts[name]
            return
        super()._moved(name, text)

    # ---- lesson --------------------------------------------------------------------------

    def _work(self, texts, check) -> None:
        super()._work(texts, check)
        if self.predicted is not None and texts != self.lesson.standard:
            if self.right is None:
                self._say("working out what was asked")
                self.right = self.lesson.right(self.stand, check)
                self._say("")
            self._tell_lesson(moved=True)

    def _tell_lesson(self, moved: bool = False) -> None:
        choices = self.lesson.choices
        if self.predicted is None:
            words = '<div class="small">Predict first; the sliders are locked until then.</div>'
        elif not moved:
            words = f'<div class="small">You predicted: {escape(choices[self.predicted].words)}. Now move the slider.</div>'
        else:
            verdict = "as predicted" if self.predicted == self.right else f"predicted: {choices[self.predicted].words}"
            words = (
                f'<div class="verdict lesson" style="min-height:0">Answer: {escape(choices[self.right].words)} ({escape(verdict)}).<br>'
                f"<b>{escape(self.lesson.lesson)}</b></div>"
            )
        self.told.value = words

    def _finished(self, texts: dict[str, str], shown: Shown) -> None:
        for field in self.knobs.values():
            if isinstance(field, Quantity) and not self.locked:
                field.fault("")


class Lecture(widgets.VBox):
    """All demonstrations, one at a time.

    Parameters
    ----------
    folder : path
        Holds `schedules`, `valves` and `machines`, such as `demo_data`.
    first : int
        Number of the demonstration to begin with.
    threaded : bool, optional
        False works on the spot, for scripts and tests.

    Raises
    ------
    DesignFault
        The demo files cannot be used.
    """

    def __init__(self, folder="demo_data", first: int = 1, threaded: bool | None = None):
        self.stand, self._threaded = Stand(folder), threaded
        self._made: dict[int, Demonstration] = {}
        self.list = widgets.Dropdown(
            options=[(f"{one.number}  {one.title}", one.number) for one in COURSE], value=first, description="demonstration",
            tooltip="which demonstration", style={"description_width": "110px"}, layout=widgets.Layout(width="460px"),
        )  # fmt: skip
        self.list.observe(self._chosen, "value")
        self.before = button("before", lambda: self._step(-1), "the demonstration before")
        self.next = button("next", lambda: self._step(1), "the next demonstration")
        self.errors = widgets.HTML()
        self.place = widgets.VBox()
        super().__init__([widgets.HTML(STYLE), widgets.HBox([self.list, self.before, self.next]), self.place, self.errors, widgets.HTML(caution_html())])
        self.add_class("exhaust-desk")
        self.go_to(first)

    @property
    def demonstration(self) -> Demonstration:
        """The one that is shown."""
        return self._made[self.list.value]

    @told
    def go_to(self, number: int) -> None:
        """Show the demonstration with that number."""
        if self.list.value != number:
            self.list.value = number  # comes back here
            return
        if number not in self._made:
            self._made[number] = Demonstration(next(one for one in COURSE if one.number == number), self.stand, self._threaded)
        self.place.children = (self._made[number],)
        numbers = [one.number for one in COURSE]
        self.before.disabled, self.next.disabled = number == numbers[0], number == numbers[-1]

    def _chosen(self, change) -> None:
        self.go_to(change["new"])

    def _step(self, by: int) -> None:
        numbers = [one.number for one in COURSE]
        place = numbers.index(self.list.value) + by
        if 0 <= place < len(numbers):
            self.go_to(numbers[place])

    def wait(self, timeout: float = 60.0) -> bool:
        """Wait until nothing is being worked out; False when the time has run out first."""
        return all(one.wait(timeout) for one in self._made.values())

    @property
    def alerts(self) -> str:
        """What it complains of at the moment."""
        return self.errors.value + "".join(one.alerts for one in self._made.values())

    def tell(self, problem: Exception) -> None:
        """Show what went wrong."""
        self.errors.value = alert(f"The lecture itself failed ({type(problem).__name__}: {problem}).")
