"""Lessons on the whole valve: the gauge at the wrong end, breakdown, the innocent gauge, the flash, the lucky average.

Runs of the demo triode on its machine.  While the hand moves, a draft against the line pressures of the
standard schedule; then the full answer.  The scatter of the last lesson is done in drafts only.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from exhaustsim.constants import GAS_NAMES
from exhaustsim.engine.draft import is_draft
from exhaustsim.engine.result import Run
from exhaustsim.engine.run import simulate
from exhaustsim.physics.carbonates import dissociation_pressure_barium
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.indextime import with_index_time
from exhaustsim.studies.lessons.record import Axis, Choice, Curve, Knob, Lesson, Shown, Stand
from exhaustsim.studies.readings import SETTLING
from exhaustsim.units import PASCAL_LITRE, show

VALVES, SEED = 60, 1
#: One sigma of the scatter, invented: cathode temperature [K], coating mass, bore [m], barium.
SCATTER = (12.0, 0.06, 0.05e-3, 0.12)
ALLOWED = 0.10  # share of the getter that CO2 left in the coating may take
AT_HEAT = 1340.0  # K, cathode temperature at which the scatter of temperature is meant
EVERY = 3  # valves between two pictures


def draft_then_full(stand: Stand, schedule: Schedule, check: Callable, tell: Callable[[Run], Shown]):
    """Show a draft of a changed schedule, then the full answer; the standard one is known already."""
    if schedule == stand.schedule:
        yield tell(stand.run)
        return
    schedule = stand.on_machine(schedule)
    yield tell(stand.draft(schedule))
    check()
    yield tell(simulate(schedule, between_passes=check))


def at_positions(run: Run, low: int = 2, high: int = 15) -> np.ndarray:
    """Samples on the machine between two positions, both included."""
    return np.flatnonzero((run.stage <= 1) & (run.position >= low) & (run.position <= high))


def place(run: Run, samples) -> np.ndarray:
    """Position along the machine: k where the transfer to it begins, k + 1 where its dwell ends."""
    return 1.0 + (run.time[samples] + run.schedule.machine.transfer_time) / run.schedule.index_time


def locked(run: Run) -> np.ndarray:
    """(t,) CO2 still in the coating [mol]."""
    return run.held[:, [s.part for s in run.sources].index("coating")]


# ---- 5 gauge at the wrong end ----------------------------------------------------------


def wrong_end(stand: Stand, knobs: dict, check):
    run = stand.run
    on = at_positions(run)
    opened = np.array([run.time[run.dwell_samples(p)[0]] for p in run.position[on]])
    lit = on[(run.stage[on] == 0) & (run.time[on] - opened >= SETTLING) & (run.position[on] >= 9) & (run.position[on] <= 12)]
    top = lit[np.argmax(run.total_bulb_pressure[lit])]
    bulb, line = float(run.total_bulb_pressure[top]), float(run.total_line_pressure[top])
    curves = [Curve("line pressure: what the gauge sees", place(run, on), run.total_line_pressure[on], "other")]
    reading = f"At the height of the breakdown the line gauge stands at {show(line, 'pressure', 'Pa')}"
    points = ((float(place(run, top)), line, show(line, "pressure", "Pa")),)
    if knobs["bulb"] == "shown":
        curves.insert(0, Curve("bulb pressure: what the valve has", place(run, on), run.total_bulb_pressure[on]))
        reading += f", the bulb at {show(bulb, 'pressure', 'Pa')}"
        points += ((float(place(run, top)), bulb, show(bulb, "pressure", "Pa")),)
    yield Shown(tuple(curves), bulb / line, reading + ".", points)


# ---- 12 breakdown chokes itself --------------------------------------------------------


def breakdown(stand: Stand, knobs: dict, check):
    standard = stand.schedule
    schedule = standard
    if knobs["bore"] != standard.valve.exhaust_stem.bore:
        stem = replace(standard.valve.exhaust_stem, bore=knobs["bore"])
        schedule = replace(schedule, valve=replace(standard.valve, exhaust_stem=stem))
    if abs(knobs["heater"] - standard.positions[9].heater_voltage) > 1e-9:
        settings = list(schedule.positions)
        settings[9] = replace(settings[9], heater_voltage=knobs["heater"])
        schedule = replace(schedule, positions=tuple(settings))

    def tell(run: Run) -> Shown:
        on = at_positions(run, 9, 12)
        since = run.time[on] - run.time[on[0]]
        dioxide = run.bulb_pressure[on, GAS_NAMES.index("CO2")]
        valve = run.schedule.valve
        balance = valve.coating.activity * np.array([dissociation_pressure_barium(t) for t in run.node(valve.cathode_node)[on]])
        balance[run.converted_fraction[on] > 0.9999] = np.nan  # no carbonate, no balance
        converted = run.converted_fraction[on]
        done = float(np.interp(0.99, converted, since)) if converted[-1] >= 0.99 else math.inf
        half = int(np.searchsorted(converted, 0.5))
        opening = run.dwell_samples(10)
        steady = opening[run.time[opening] - run.time[opening[0]] >= SETTLING]
        peak = float(run.total_bulb_pressure[steady].max())
        points = ((since[half], float(dioxide[half]), "half converted"),) if half < len(on) else ()
        time = f"99 % converted after {done:.1f} s" if math.isfinite(done) else f"only {100.0 * converted[-1]:.0f} % converted"
        return Shown(
            (
                Curve("CO2 in the bulb", since, dioxide),
                Curve("CO2 at which this coating would stop", since, balance, "other"),
            ),
            done, f"{time}; highest at position 10, port open, {show(peak, 'pressure', 'Pa')}.", points, draft=is_draft(run),
        )  # fmt: skip

    yield from draft_then_full(stand, schedule, check, tell)


# ---- 13 the innocent gauge -------------------------------------------------------------


def innocent_gauge(stand: Stand, knobs: dict, check):
    share = knobs["volts"]
    schedule = stand.schedule
    if abs(share - 1.0) > 1e-9:
        schedule = replace(schedule, positions=tuple(replace(s, heater_voltage=share * s.heater_voltage) for s in schedule.positions))

    def tell(run: Run) -> Shown:
        on, judged = at_positions(run, 2, 14), run.judged_at
        on = on[on <= judged]
        pressure, left = float(run.total_bulb_pressure[judged]), float(locked(run)[judged])
        limit = run.schedule.target.bulb_pressure
        word = "meets" if pressure <= limit else "misses"
        at = float(place(run, judged))
        held = f"{left / PASCAL_LITRE:.2g} Pa L" if left > 1e-6 * PASCAL_LITRE else "nothing"
        points = ((at, pressure, "judged here"),)
        return Shown(
            (
                Curve("bulb pressure", place(run, on), run.total_bulb_pressure[on]),
                Curve("CO2 locked in the coating, Pa L", place(run, on), locked(run)[on] / PASCAL_LITRE, "other"),
                Curve("target bulb pressure", place(run, on), np.full(len(on), limit), "limit"),
            ),
            left / PASCAL_LITRE,
            f"Before the flash {show(pressure, 'pressure', 'Pa')}, which {word} the target; {held} of CO2 still locked in the coating.",
            points, draft=is_draft(run),
        )  # fmt: skip

    yield from draft_then_full(stand, schedule, check, tell)


# ---- 14 flash --------------------------------------------------------------------------


def flash(stand: Stand, knobs: dict, check):
    standard = stand.schedule
    schedule = standard
    if abs(knobs["barium"] - standard.valve.getter.barium) > 1e-12:
        schedule = replace(schedule, valve=replace(standard.valve, getter=replace(standard.valve.getter, barium=knobs["barium"])))
    place_of_flash = standard.position_of("flash")
    if abs(knobs["seconds"] - standard.positions[place_of_flash - 1].rf.duration) > 1e-9:
        settings = list(schedule.positions)
        s = settings[place_of_flash - 1]
        settings[place_of_flash - 1] = replace(s, rf=replace(s.rf, duration=knobs["seconds"]))
        schedule = replace(schedule, positions=tuple(settings))

    def tell(run: Run) -> Shown:
        on = at_positions(run, place_of_flash, place_of_flash + 1)
        start = run.time[run.judged_at]
        mirror = float(run.barium_evaporated[on[-1]])
        at_line = run.total_line_pressure[on]
        return Shown(
            (
                Curve("bulb pressure", run.time[on] - start, run.total_bulb_pressure[on]),
                Curve("line pressure", run.time[on] - start, at_line, "other"),
            ),
            mirror, f"RF for {show(knobs['seconds'], 'time', 's')}: {show(mirror, 'mass', 'mg')} of barium on the glass.", draft=is_draft(run),
        )  # fmt: skip

    yield from draft_then_full(stand, schedule, check, tell)


# ---- 20 the lucky average --------------------------------------------------------------


def scattered(schedule: Schedule, draw) -> Schedule:
    """The schedule with a valve that differs from the drawing by `draw` (in sigmas)."""
    valve = schedule.valve
    hotter, coating, bore, barium = (sigma * d for sigma, d in zip(SCATTER, draw, strict=True))
    return replace(schedule, valve=replace(
        valve,
        heater=replace(valve.heater, rated_temperature=valve.heater.rated_temperature * (1.0 + hotter / AT_HEAT)),
        coating=replace(valve.coating, mass=valve.coating.mass * (1.0 + coating), carbonate=valve.coating.carbonate * (1.0 + coating)),
        exhaust_stem=replace(valve.exhaust_stem, bore=valve.exhaust_stem.bore + bore),
        getter=replace(valve.getter, barium=valve.getter.barium * (1.0 + barium)),
    ))  # fmt: skip


def getter_taken(run: Run) -> float:
    """Share of what the getter's barium can bury that CO2 left in the coating before the flash would take."""
    getter = run.schedule.valve.getter
    return float(locked(run)[run.judged_at]) / (getter.barium * getter.yield_limit * getter.appetite["CO2"])


def lucky_average(stand: Stand, knobs: dict, check):
    schedule = stand.on_machine(with_index_time(stand.schedule, knobs["index"]))
    mean = getter_taken(stand.draft(schedule))
    draws = np.random.default_rng(SEED).normal(size=(VALVES, 4))
    taken: list[float] = []
    for number, draw in enumerate(draws, start=1):
        check()
        taken.append(getter_taken(stand.draft(scattered(schedule, draw))))
        if number % EVERY == 0 or number == VALVES:
            yield _told(knobs["index"], mean, taken, number / VALVES)


FLOOR = 1e-4  # what is less is drawn here


def _told(index_time: float, mean: float, taken: list[float], progress: float) -> Shown:
    sorted_out = np.maximum(np.sort(taken), FLOOR)
    ranks = np.arange(1, len(taken) + 1) / len(taken)
    failing = sum(t > ALLOWED for t in taken)
    ends = np.array([0.0, 1.0])
    word = "passes" if mean <= ALLOWED else "fails"
    return Shown(
        (
            Curve("valves, best first", ranks, sorted_out), Curve("valve made to the drawing", ends, np.full(2, max(mean, FLOOR)), "other"),
            Curve("allowed", ends, np.full(2, ALLOWED), "limit"),
        ),
        failing / len(taken), f"Index {show(index_time, 'time', 's')}: the valve made to the drawing {word}, {failing} of {len(taken)} valves fail.",
        draft=True, progress=progress,
    )  # fmt: skip


INF = math.inf
_MACHINE = Axis("position", "number", "1", 2.0, 16.0, logarithmic=False)

LESSONS = (
    Lesson(
        5, "The gauge at the wrong end",
        "During breakdown the gauge on the line reads about 1 Pa. What stands in the bulb at that instant?",
        (Choice("about 1 Pa: they are connected", 2.0), Choice("a few pascals", 10.0), Choice("fifty or more", INF)),
        (Knob("bulb", "bulb pressure", options=("hidden", "shown"), standard="hidden"),), {"bulb": "shown"}, False,
        "The gauge is on the wrong end of the straw: line pressure is not bulb pressure while gas comes off.",
        "Point at the end of the curves too: with nothing coming off, the two do meet, near the line's own pressure.",
        _MACHINE, Axis("bulb and line pressure", "pressure", "Pa", 1e-4, 1e3), wrong_end, "full run of the standard schedule",
    ),
    Lesson(
        12, "Breakdown chokes itself",
        "The bore goes from 3.0 to 2.5 mm: little more than half the conductance. How much longer does the breakdown take?",
        (Choice("hardly any longer", 1.2), Choice("half as long again", 1.6), Choice("nearly twice as long", INF)),
        (
            Knob("bore", "bore", "length", "mm", "1.5 mm", "4.5 mm", 0.1, "3 mm"),
            Knob("heater", "heater step 2, position 10", "voltage", "V", "6 V", "11 V", 0.1, "8.32 V"),
        ), {"bore": "2.5 mm"}, True,
        "Temperature sets how long the breakdown takes, the bore how high its pressure; only near the balance with the carbonate does pressure hold it back.",
        "Silence while the curve hardly moves in time and rises in pressure. Then half a volt more: that moves it.",
        Axis("time since position 9 opened", "time", "s", 0.0, 48.0, logarithmic=False), Axis("CO2 pressure", "pressure", "Pa", 1e-3, 1e4), breakdown,
        "draft, then full run; the balance is that of barium carbonate times the activity of the mixed crystal, which is assumed",
    ),
    Lesson(
        13, "The innocent gauge",
        "All heater steps run at 80 % of their volts. The pressure before the flash meets its target of 0.05 Pa. How much CO2 is still locked in the coating?",
        (Choice("none: the pressure says so", 0.05), Choice("traces, under 1 Pa L", 1.0), Choice("more than the getter can bury, over 5 Pa L", INF)),
        (Knob("volts", "heater volts, of the card", "share", "%", "60 %", "105 %", 2.5, "100 %"),), {"volts": "80 %"}, False,
        "A cold coating gives no gas and hides what it holds: ask the ledger, not the gauge.",
        "The pressure at the flash hardly changes all the way down. Ask what the ageing rack will say.",
        _MACHINE, Axis("bulb pressure, or gas locked in", "pressure", "Pa", 1e-4, 1e3), innocent_gauge, "draft, then full run",
    ),
    Lesson(
        14, "The flash",
        "The flash RF lasts 6 s instead of 8.8 s. How much of the usual barium lands on the glass?",
        (Choice("almost none", 0.1), Choice("about a third", 0.5), Choice("two thirds, as the seconds", 0.85), Choice("all of it", INF)),
        (
            Knob("seconds", "flash RF lasts", "time", "s", "3 s", "8.8 s", 0.2, "8.8 s"),
            Knob("barium", "barium in the ring", "mass", "mg", "1 mg", "8 mg", 0.5, "4 mg"),
        ), {"seconds": "6 s"}, True,
        "The first trace of barium pulls the bulb below the line, the ring's own gas lifts it again; most of the mirror comes in the last seconds.",
        "The pressure ends as low for a thin mirror as for a thick one: again the gauge does not tell.",
        Axis("time since the RF came on", "time", "s", -2.0, 20.0, logarithmic=False), Axis("bulb and line pressure", "pressure", "Pa", 1e-5, 1.0), flash,
        "draft, then full run",
    ),
    Lesson(
        20, "The lucky average",
        "At an index time of 8 s the valve made to the drawing still passes. Of sixty valves with the usual scatter, how many fail?",
        (Choice("none or one", 0.03), Choice("a few, fewer than one in three", 0.33), Choice("about half or more", INF)),
        (Knob("index", "index time, heater as on the card", "time", "s", "6 s", "12 s", 0.5, "12 s"),), {"index": "8 s"}, False,
        "The mean passes while the tail fails: set the index time by the slowest valve, not by the average one.",
        "Walk down from 9 s in halves. The valve made to the drawing is the last to know.",
        Axis("share of the valves", "share", "%", 0.0, 1.0, logarithmic=False), Axis("share of the getter that CO2 left behind takes", "share", "%", FLOOR, 10.0),
        lucky_average, "drafts, seeded; scatter of one sigma: cathode 12 K, coating 6 %, bore 0.05 mm, barium 12 %, all invented",
        long=True,
    ),
)  # fmt: skip
