"""The trainer's answer sheet: every question with its right answer as the model gives it, and what to point at."""

from __future__ import annotations

import os
from html import escape

from exhaustsim.engine.filewrite import replace_whole
from exhaustsim.reporting.screen import CAUTION
from exhaustsim.reporting.stylesheet import STYLESHEET
from exhaustsim.studies.lessons.course import COURSE
from exhaustsim.studies.lessons.record import Lesson, Stand


def write_answers(path: str | os.PathLike, folder="demo_data") -> None:
    """Write the answer sheet as one HTML page; replaces `path` whole or not at all.

    Raises
    ------
    DesignFault
        The demo files cannot be used.
    OSError
        The place cannot be written.
    """
    page = answers_html(Stand(folder))
    with replace_whole(path) as file:
        file.write(page)


def answers_html(stand: Stand, lessons: tuple[Lesson, ...] = COURSE) -> str:
    """The answer sheet; the model is asked anew."""
    inner = "".join(_lesson(lesson, stand) for lesson in lessons)
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Answer sheet</title><style>{STYLESHEET}</style></head><body>'
        "<h1>exhaustsim, evacuation physics</h1><h2>Answer sheet for the trainer</h2>"
        f'<p class="caution">For the trainer, not for the class. Demo valve and machine are invented. {escape(CAUTION)} The right answers are those the model gives '
        f"for the setting asked about; bands of a factor of a few stand behind all that rests on gas held in parts.</p>{inner}</body></html>"
    )


def _lesson(lesson: Lesson, stand: Stand) -> str:
    asked = {**lesson.standard, **lesson.asked}
    before, after = lesson.last(stand, lesson.standard), lesson.last(stand, asked)
    value = after.answer / before.answer if lesson.ratio else after.answer
    right = lesson.choice_of(value)
    choices = "".join(
        f"<li>{'<b>' if k == right else ''}{escape(choice.words)}{'</b> (right)' if k == right else ''}</li>" for k, choice in enumerate(lesson.choices)
    )
    setting = ", ".join(f"{knob.words} {lesson.standard[knob.name]} → {lesson.asked[knob.name]}" for knob in lesson.knobs if knob.name in lesson.asked)
    times = f" Ratio {value:.3g}." if lesson.ratio else ""
    return (
        f"<section><h3>{lesson.number} {escape(lesson.title)}</h3><p>{escape(lesson.question)}</p><ul class='plain'>{choices}</ul>"
        f"<p>Move: {escape(setting)}.<br>Standard: {escape(before.reading)}<br>Then: {escape(after.reading)}{times}</p>"
        f"<p><b>{escape(lesson.lesson)}</b></p><p>{escape(lesson.watch)}</p><p class='caution'>Rests on: {escape(lesson.rests_on)}.</p></section>"
    )
