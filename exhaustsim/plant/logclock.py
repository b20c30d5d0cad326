"""The clock of a log: cells of dates, times of day and counted seconds to seconds that rise.

A logger writes elapsed seconds, seconds since 1970, ISO times, "04-Aug-2023", "28/09/2022", or a
twelve-hour clock; it is switched off and on again, put back an hour in autumn, or counts the turns
of its loop and calls them seconds.  What a date means is decided by the dates of the file or by the
user, never guessed; where a clock steps back the readings go on, the step is said and becomes an event.

Not modelled: two loggers out of step (that offset is fitted), a clock that runs wrong by itself.
"""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass, field

import numpy as np

from exhaustsim.plant.faults import Fault
from exhaustsim.plant.logtext import lines_text
from exhaustsim.plant.trace import Event

DAY = 86400.0
_MONTHS = {m: k for k, m in enumerate("jan feb mar apr may jun jul aug sep oct nov dec".split(), start=1)}
_EPOCH = datetime.date(1970, 1, 1).toordinal()
_WHOLE = re.compile(
    r"\s*(?:(?P<date>\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/. ](?:\d{1,2}|[A-Za-z]{3,9})[-/. ]\d{2,4}|[A-Za-z]{3,9} \d{1,2},? \d{4})(?:[T ,_]+|$))?"
    r"(?:(?P<time>\d{1,3}:\d{2}(?::\d{2}(?:[.,]\d+)?)?)(?:[\s_]*(?P<half>[AaPp])\.?[Mm]\.?)?)?(?P<zone>Z|\s?[+-]\d{2}:?\d{2})?\s*$"
)
#: Seconds since 1970 of a plausible logger: from September 2001 to 2096.
_UNIX = (1e9, 4e9)
#: More steps back than this share of the rows, and the column is no clock.
_TOO_MANY_STEPS = 0.02


@dataclass(eq=False)
class Clock:
    """Moments of the rows of a log."""

    seconds: np.ndarray  # (n,) s; not-a-number where the cell is no moment
    kind: str  # "elapsed", "unix", "wall", "time of day"
    start: str = ""  # date and time of the first row of a wall clock, ISO
    assumed: list[str] = field(default_factory=list)
    zero: float = 0.0  # what was taken off the seconds so that they begin at nought [s]


def read_moments(cells, file: str, name: str, faults: list[Fault], day_first: bool | None = None, two_parts: str | None = None) -> Clock | None:
    """Cells of dates and times of day as seconds since the first of them; None, with a fault told, when that cannot be.

    Parameters
    ----------
    cells : (n,) sequence of str
        Date, time of day or both.
    file, name : str
        For the faults: the log and the column.
    faults : list of Fault
        Filled with what cannot be read.
    day_first : bool, optional
        Whether 03/04/2022 is the third of April.
    two_parts : str, optional
        What "12:03" means where it stands alone: "h:min" or "min:s".

    >>> read_moments(["04-Aug-2023 12:00:00", "04-Aug-2023 12:00:01.5"], "a.csv", "time", []).seconds.tolist()
    [0.0, 1.5]
    """
    quick = _iso(cells)
    if quick is not None:
        return _begun(quick, Clock(quick, "wall"))
    uniform = _uniform(cells, file, name, day_first)
    if uniform is not None:
        return uniform
    # Of a long log only the parts are kept: date, time of day, half of the day, zone.
    matched = [m.group(1, 2, 3, 4) if m else (None,) * 4 for m in map(_WHOLE.match, cells)]
    dates = {date for date, _, _, _ in matched if date}
    zones = {zone for date, time, _, zone in matched if date or time}
    clock = Clock(np.full(len(cells), np.nan), "wall" if dates else "time of day")
    days = _days(dates, file, name, faults, day_first, clock.assumed)
    if days is None:
        return None
    if None in zones and len(zones) > 1:
        faults.append(Fault(file, name, "", "some times carry a time zone and some do not", "write it everywhere or nowhere"))
        return None
    halves = {half is not None for _, time, half, _ in matched if time}
    if len(halves) > 1:
        faults.append(Fault(file, name, "", "some times carry AM or PM and some do not", "write it everywhere or nowhere"))
        return None
    short = any(time.count(":") == 1 for _, time, _, _ in matched if time)
    scale = 1.0
    if not dates and short and True not in halves:
        if two_parts not in ("h:min", "min:s"):
            given = next(c for c in cells if c.strip()).strip()
            faults.append(Fault(file, name, given, "may be hours and minutes or minutes and seconds", 'give time_unit = "h:min" or "min:s"'))
            return None
        scale = 1.0 if two_parts == "h:min" else 1.0 / 60.0
    for k, (date, time, half, zone) in enumerate(matched):
        if (date is None and time is None) or (dates and date is None):
            continue
        seconds = _of_day(time, half) if time else 0.0
        if seconds is not None:
            clock.seconds[k] = (days[date] * DAY if date else 0.0) + seconds * scale - (_zone(zone) if zone else 0.0)
    return _begun(clock.seconds, clock)


def _begun(seconds: np.ndarray, clock: Clock) -> Clock:
    """The same with its first moment at nought."""
    good = np.flatnonzero(np.isfinite(seconds))
    if len(good) and clock.kind == "time of day":
        clock.zero = float(seconds[good[0]])
        clock.seconds = seconds - clock.zero
        clock.assumed.append(f"Time of day, counted from the first reading at {datetime.timedelta(seconds=round(clock.zero, 3))}; no date.")
    elif len(good):
        clock.zero = float(seconds[good[0]])
        whole, part = divmod(clock.zero, 1.0)
        moment = datetime.datetime(1970, 1, 1) + datetime.timedelta(seconds=whole, microseconds=round(part * 1e6))
        clock.start = moment.isoformat()
        clock.assumed.append(f"Time counted from the first reading, {clock.start.replace('T', ' ')}.")
        clock.seconds = seconds - clock.zero
    return clock


_ANY_FIGURE = str.maketrans("123456789", "000000000")


def _iso(cells) -> np.ndarray | None:
    """ISO times all of one form, by the reader of numpy; None when they are not."""
    first = cells[0].strip()
    if not re.fullmatch(r"\d{4}-\d\d-\d\d[T _]\d\d:\d\d(:\d\d(\.\d{1,6})?)?Z?", first):
        return None
    if len(set(map(len, cells))) > 1:
        return None
    text = "\n".join(cells).replace("_", "T")
    # numpy also reads zones, cut-off times and words for "no time": figures and signs must be where the first cell has them.
    if len(set(text.translate(_ANY_FIGURE).split("\n"))) > 1:
        return None
    text = text.replace("Z", "")
    try:
        moments = np.array([c.strip() for c in text.split("\n")], dtype="U26").astype("datetime64[us]")
    except ValueError:
        return None
    return np.where(np.isnat(moments), np.nan, moments.astype(np.int64) * 1e-6)


def _uniform(cells, file: str, name: str, day_first: bool | None) -> Clock | None:
    """Cells of date and time of day that all have their figures in the same places, read at once; None for any others."""
    first = _WHOLE.match(cells[0])
    if len(cells) < 1000 or first is None or not (first["date"] and first["time"]) or first["zone"] or len(set(map(len, cells))) > 1:
        return None
    begin, end = first.span("time")
    letters = np.array(cells, dtype=f"U{len(cells[0])}").view(np.uint32).reshape(len(cells), -1)
    figures = letters[:, begin:end] - np.uint32(ord("0"))  # wraps round to something large for what is no figure
    template = first["time"]
    places = [k for k, c in enumerate(template) if c.isdigit()]
    if template.find(":") != 2 or (figures[:, places] > 9).any():
        return None
    after = list(range(first.span("half")[0] + 1, letters.shape[1])) if first["half"] else list(range(end, letters.shape[1]))
    fixed = [first.span("date")[1], *(begin + k for k, c in enumerate(template) if not c.isdigit()), *after]
    if (letters[:, fixed] != letters[0, fixed]).any():
        return None
    begin_date, end_date = first.span("date")
    texts = [c[begin_date:end_date] for c in cells]
    distinct = set(texts)
    clock = Clock(np.empty(0), "wall")
    if any((m := _WHOLE.match(d)) is None or m["date"] != d for d in distinct):
        return None
    days = _days(distinct, file, name, [], day_first, clock.assumed)
    if days is None:  # the slow way tells what is wrong
        return None
    weight = {0: 36000.0, 1: 3600.0, 3: 600.0, 4: 60.0, 6: 10.0, 7: 1.0}
    seconds = sum(figures[:, k] * (weight[k] if k in weight else 10.0 ** (8 - k)) for k in places)
    hours = figures[:, 0] * 10 + figures[:, 1]
    if first["half"]:
        letter = letters[:, first.span("half")[0]] | 32
        if not np.isin(letter, (ord("a"), ord("p"))).all() or hours.max() > 12 or hours.min() < 1:
            return None
        seconds = seconds + 43200.0 * (letter == ord("p")) - 43200.0 * (hours == 12)
    if hours.max() > 24 or figures[:, 3].max() > 5 or (len(template) > 5 and figures[:, 6].max() > 5):
        return None
    return _begun(np.array([days[t] for t in texts]) * DAY + seconds, clock)


def _of_day(time: str, half: str | None) -> float | None:
    """Seconds of a time of day; None for one that no clock shows."""
    parts = time.replace(",", ".").split(":")
    hours, minutes, seconds = int(parts[0]), int(parts[1]), float(parts[2]) if len(parts) > 2 else 0.0
    if minutes > 59 or seconds >= 61.0 or (half and not 1 <= hours <= 12):
        return None
    if half:
        hours = hours % 12 + (12 if half in "pP" else 0)
    return hours * 3600.0 + minutes * 60.0 + seconds


def _zone(zone: str | None) -> float:
    if zone is None or zone == "Z":
        return 0.0
    zone = zone.strip().replace(":", "")
    return (1 if zone[0] == "+" else -1) * (int(zone[1:3]) * 3600.0 + int(zone[3:5]) * 60.0)


def _days(dates, file, name, faults, day_first, assumed) -> dict[str, int] | None:
    """Day numbers of the dates of a log, which must all be written one way; None with a fault told."""
    split = {d: re.split(r"[-/. ,]+", d) for d in dates}
    mixed = [d for d in dates if (len(split[d][0]) == 4) != (len(split[next(iter(dates))][0]) == 4)]
    if mixed:
        faults.append(Fault(file, name, mixed[0], "dates begin with the year in some rows and not in others", "write all dates alike"))
        return None
    plain = {d: (int(p[0]), int(p[1])) for d, p in split.items() if len(p[0]) != 4 and p[0].isdigit() and p[1].isdigit()}
    first = [d for d, (a, b) in plain.items() if a > 12]
    second = [d for d, (a, b) in plain.items() if b > 12]
    if first and second:
        faults.append(Fault(file, name, f"{first[0]} and {second[0]}", "dates with the day first and with the month first", "write all dates alike"))
        return None
    if plain:
        told = True if first else False if second else None
        if told is None and day_first is None and any(a != b for a, b in plain.values()):
            faults.append(Fault(file, name, min(plain), "day and month cannot be told apart", "give day_first = true or false"))
            return None
        if told is not None and day_first is not None and told != day_first:
            faults.append(Fault(file, name, (first or second)[0], "the dates of the file contradict day_first", "leave day_first out"))
            return None
        day_first = told if told is not None else bool(day_first) if day_first is not None else True
        if told is not None:
            assumed.append(f"Dates read with the {'day' if day_first else 'month'} first, as {(first or second)[0]} tells.")
    years = [p[-1] if len(p[0]) != 4 else p[0] for p in split.values()]
    if any(len(y) == 2 for y in years):
        assumed.append("Years of two digits taken as 20xx.")
    days = {}
    for date, parts in split.items():
        if len(parts[0]) == 4:
            year, month, day = parts
        elif parts[0].isalpha():
            month, day, year = parts
        elif parts[1].isalpha() or day_first:
            day, month, year = parts
        else:
            month, day, year = parts
        number = _MONTHS.get(month[:3].lower()) if month.isalpha() else int(month)
        try:
            days[date] = datetime.date(int(year) + (2000 if len(year) == 2 else 0), number or 0, int(day)).toordinal() - _EPOCH
        except ValueError:
            faults.append(Fault(file, name, date, "there is no such date", "correct it"))
            return None
    return days


def unix_clock(values: np.ndarray) -> Clock | None:
    """Numbers as seconds, or thousandths of seconds, since 1970; None when they are not that.

    >>> unix_clock(__import__("numpy").array([1.7e9, 1.7e9 + 2.0])).seconds.tolist()
    [0.0, 2.0]
    """
    good = values[np.isfinite(values)]
    if not len(good):
        return None
    for share, words in ((1.0, "seconds"), (1e-3, "thousandths of seconds")):
        if good.min() * share > _UNIX[0] and good.max() * share < _UNIX[1]:
            clock = _begun(values * share, Clock(values * share, "unix"))
            clock.assumed.insert(0, f"Time read as {words} since 1970, by its size.")
            return clock
    return None


@dataclass(eq=False)
class Rising:
    """Moments that rise, and what had to be done for it."""

    seconds: np.ndarray  # (n,) s
    order: np.ndarray  # (n,) int, rows of the log in this order
    doubtful: np.ndarray  # (n,) bool, moments that are out of turn or missing, in the new order
    events: tuple[Event, ...]
    assumed: list[str]
    marked: list[str]


def rising(clock: Clock, rows: np.ndarray, line: np.ndarray, one_instant: bool = False) -> Rising | str:
    """Seconds of some rows of a log made to rise; a sentence when they are no clock at all.

    Parameters
    ----------
    clock : Clock
    rows : (n,) int array
        Rows of the log.
    line : (n,) int array
        Their lines in the file, for the sentences.
    one_instant : bool
        Whether rows with one time were read at one instant; else a coarse clock is spread over its stamps.

    A clock that begins again, or is put back, goes on with its usual step; a twelve-hour clock and
    midnight are told by the size of the step.  A single moment out of turn is put between its
    neighbours and marked.
    """
    seconds = clock.seconds[rows]
    found = Rising(np.array(seconds, float), np.arange(len(seconds)), ~np.isfinite(seconds), (), [], [])
    missing = found.doubtful.copy()
    if missing.all():
        return "holds no moment that can be read"
    if missing.any():
        if missing.mean() > 0.1:
            return f"{missing.sum()} of {len(missing)} cells hold no moment, first in {lines_text(line[missing][:1])}"
        found.marked.append(f"{lines_text(line[missing])}: no moment that can be read; readings spoiled.")
        where = np.flatnonzero(~missing)
        found.seconds[missing] = np.interp(np.flatnonzero(missing), where, found.seconds[where])
    steps = np.diff(found.seconds)
    if len(steps) and (steps <= 0.0).all() and (steps < 0.0).any():
        found.order = found.order[::-1]
        found.seconds, found.doubtful = found.seconds[::-1].copy(), found.doubtful[::-1].copy()
        found.assumed.append("The log runs from the last reading to the first: turned round.")
        steps = np.diff(found.seconds)
    _out_of_turn(found, line)
    back = np.flatnonzero(np.diff(found.seconds) < 0.0)
    if len(back) > max(3, _TOO_MANY_STEPS * len(seconds)):
        return f"the time goes back in {len(back)} of {len(seconds)} rows, first in {lines_text(line[found.order][back[:1] + 1])}"
    _carry_on(found, clock, line, back)
    _spread(found, one_instant)
    _gaps(found, line)
    return found


def _out_of_turn(found: Rising, line: np.ndarray) -> None:
    """Single moments that lie before or beyond both their neighbours."""
    t = found.seconds
    if len(t) < 4:
        return
    middle, before, after = t[1:-1], t[:-2], t[2:]
    alone = np.concatenate([[False], (before <= after) & ((middle < before) | (middle > after)), [False]])
    # Of two neighbours that both look out of turn (rows exchanged) only the first is moved.
    alone[1:] &= ~alone[:-1]
    if 0 < alone.sum() <= max(3, _TOO_MANY_STEPS * len(t)):
        where = np.flatnonzero(alone)
        t[where] = 0.5 * (t[where - 1] + t[where + 1])
        found.doubtful[where] = True
        found.marked.append(f"{lines_text(line[found.order][where])}: time out of turn; put between its neighbours, readings spoiled.")


def _carry_on(found: Rising, clock: Clock, line: np.ndarray, back: np.ndarray) -> None:
    """Steps backwards undone: midnight, a twelve-hour clock, summer time, and else a clock that began again."""
    t, kind = found.seconds, clock.kind
    steps = np.diff(t)
    forward = steps[steps > 0.0]
    usual = float(np.median(forward)) if len(forward) else 0.0
    slack = max(10.0 * usual, 120.0)
    highest = t.max() + clock.zero
    events = list(found.events)
    for at in back:
        step, where = steps[at], line[found.order][at + 1]
        if kind == "time of day" and step < -0.5 * DAY - slack:
            add, said = DAY, "midnight passed"
        elif kind == "time of day" and abs(step + DAY / 2) < slack and highest < 13 * 3600.0:
            add, said = DAY / 2, "twelve-hour clock without AM and PM, twelve hours added"
        elif kind in ("wall", "time of day") and abs(step + 3600.0) < min(slack, 1800.0) and step + 3600.0 >= 0.0:
            add, said = 3600.0, "clock put back by an hour"
        else:
            add, said = usual - step, f"clock goes back by {-step:g} s; goes on with its usual step of {usual:g} s, the true gap is not known"
            events.append(Event(float(t[at] + usual), "clock went back"))
        t[at + 1 :] += add
        (found.marked if "not known" in said else found.assumed).append(f"line {where}: {said}.")
    found.events = tuple(events)


def _spread(found: Rising, one_instant: bool) -> None:
    """Readings that share a stamp of a coarse clock lie evenly until the next stamp."""
    t = found.seconds
    same = np.diff(t) == 0.0
    if len(t) < 6 or same.mean() < 0.3 or one_instant:
        if same.any():
            count = int(same.sum())
            found.marked.append(f"{count} reading{'s carry' if count > 1 else ' carries'} the time of the one before.")
        return
    stamps, first, size = np.unique(t, return_index=True, return_counts=True)
    if len(stamps) < 3:
        return
    span = np.diff(stamps)
    usual = float(np.median(span))
    length = np.append(np.minimum(span, usual), usual)
    group = np.searchsorted(stamps, t)
    found.seconds = t + length[group] * (np.arange(len(t)) - first[group]) / size[group]
    found.assumed.append(f"The clock moves in steps of {usual:g} s: readings under one stamp spread evenly over it.")


def _gaps(found: Rising, line: np.ndarray) -> None:
    """Stretches without readings."""
    steps = np.diff(found.seconds)
    if len(steps) < 5:
        return
    usual = float(np.median(steps))
    wide = np.flatnonzero(steps > 10.0 * usual) if usual > 0.0 else np.array([], int)
    # A log with a step that grows on purpose has no gaps.
    if 0 < len(wide) <= max(3, 0.02 * len(steps)):
        found.events += tuple(Event(float(found.seconds[k]), f"no readings for {steps[k]:g} s") for k in wide)
        k = wide[np.argmax(steps[wide])]
        found.marked.append(f"{len(wide)} gap{'s' if len(wide) > 1 else ''} without readings, the longest {steps[k]:g} s before {lines_text(line[found.order][k + 1 : k + 2])}.")
