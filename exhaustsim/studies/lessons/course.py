"""The twenty lessons in the order in which they are given."""

from __future__ import annotations

from exhaustsim.studies.lessons import flow, heat, schedule, sealed
from exhaustsim.studies.lessons.record import Lesson

COURSE: tuple[Lesson, ...] = tuple(sorted((*flow.LESSONS, *heat.LESSONS, *schedule.LESSONS, *sealed.LESSONS), key=lambda lesson: lesson.number))


def lesson(number: int) -> Lesson:
    """The lesson with that number, from 1.

    Raises
    ------
    KeyError
        There is none.
    """
    found = next((one for one in COURSE if one.number == number), None)
    if found is None:
        raise KeyError(f"lesson {number}: there are {len(COURSE)}")
    return found
