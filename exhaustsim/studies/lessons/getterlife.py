"""Explorations of getter and life: barium budget, the sealed valve in ageing and on the shelf, the sorption bench."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from exhaustsim.constants import GAS_NAMES
from exhaustsim.engine.draft import is_draft
from exhaustsim.engine.result import Run
from exhaustsim.engine.run import simulate
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.lessons.record import Axis, Curve, Exploration, Knob, Shown, Stand
from exhaustsim.studies.sorptionbench import constant_flow, constant_pressure
from exhaustsim.units import YEAR, parse, show

CARDS = ("standard", "faster", "too fast")
ACTIVE = ("H2", "H2O", "N2", "CO", "O2", "CO2")
PRESSURE_MODE, FLOW_MODE = "constant pressure", "constant flow"


def _card(stand: Stand, knobs: dict) -> Schedule:
    schedule = stand.card(knobs["card"].replace(" ", "_"))
    getter = schedule.valve.getter
    if "barium" in knobs and abs(knobs["barium"] - getter.barium) > 1e-12:
        schedule = replace(schedule, valve=replace(schedule.valve, getter=replace(getter, barium=knobs["barium"])))
    return schedule


def _runs(stand: Stand, schedule: Schedule, check):
    """A draft, then the full answer; the standard schedule is known already."""
    if schedule == stand.schedule:
        yield stand.run
        return
    yield stand.draft(schedule)
    check()
    yield simulate(schedule, between_passes=check)


def _sealed(run: Run) -> tuple[np.ndarray, np.ndarray]:
    """Samples of the sealed valve, and the seconds since tip-off began."""
    start = run.tip_off_sample
    samples = np.arange(start + 1, len(run.time))
    return samples, np.maximum(run.time[samples] - run.time[start], 1e-3)


def barium_budget(stand: Stand, knobs: dict, check):
    for run in _runs(stand, _card(stand, knobs), check):
        samples, since = _sealed(run)
        spent = run.barium_spent
        aged, end = run.end_of_ageing, len(run.time) - 1
        evaporated = float(run.barium_evaporated[end])
        limit = run.schedule.target.barium_spent
        yield Shown(
            (
                Curve("barium spent", since, spent[samples]),
                Curve("target by the end of ageing", since, np.full(len(since), limit), "limit"),
            ),
            float(spent[aged]),
            f"{show(evaporated, 'mass', 'mg')} on the glass; spent: {100.0 * spent[run.tip_off_sample]:.2g} % before tip-off, "
            f"{100.0 * spent[aged]:.2g} % by the end of ageing, {100.0 * spent[end]:.2g} % after {show(run.schedule.shelf_time, 'time', 'year', 2)}.",
            ((max(run.time[aged] - run.time[run.tip_off_sample], 1e-3), float(spent[aged]), "end of ageing"),), draft=is_draft(run),
        )  # fmt: skip


def sealed_life(stand: Stand, knobs: dict, check):
    for run in _runs(stand, _card(stand, knobs), check):
        samples, since = _sealed(run)
        partial = {gas: run.bulb_pressure[samples, GAS_NAMES.index(gas)] for gas in GAS_NAMES}
        total = run.total_bulb_pressure[samples]
        aged = run.end_of_ageing
        yield Shown(
            (
                Curve("all gases", since, total), Curve("gases that barium takes", since, sum(partial[gas] for gas in ACTIVE), "other"),
                Curve("argon", since, partial["Ar"], "other"), Curve("helium", since, partial["He"], "other"),
                Curve("methane", since, partial["CH4"], "other"),
                Curve("target after ageing", since[samples >= aged], np.full(int((samples >= aged).sum()), run.schedule.target.sealed_pressure), "limit"),
            ),
            float(run.total_bulb_pressure[aged]),
            f"Highest after tip-off {show(float(total.max()), 'pressure', 'Pa')}; end of ageing {show(float(run.total_bulb_pressure[aged]), 'pressure', 'Pa')}; "
            f"after {show(run.schedule.shelf_time, 'time', 'year', 2)} {show(float(total[-1]), 'pressure', 'Pa')}.", draft=is_draft(run),
        )  # fmt: skip


def sorption(stand: Stand, knobs: dict, check):
    getter, gas = stand.schedule.valve.getter, knobs["gas"]
    if knobs["mode"] == PRESSURE_MODE:
        test = constant_pressure(getter, gas, knobs["pressure"], stand.temperature, knobs["barium"], knobs["end"])
    else:
        test = constant_flow(getter, gas, knobs["flow"], stand.temperature, knobs["barium"], knobs["end"])
    check()
    last = len(test.time) - 1 if test.end is None else test.end
    limit = knobs["end"] * test.speed[0]
    reached = f"end point after {_long(test.time[last])}" if test.end is not None else f"no end point within {_long(test.time[last])}"
    points = ((float(test.taken[last]), float(test.speed[last]), "end point"),) if test.end is not None else ()
    yield Shown(
        (
            Curve(f"speed for {gas}", test.taken[1:], test.speed[1:]),
            Curve("end point: this share of the first speed", test.taken[1:], np.full(len(test.taken) - 1, limit), "limit"),
        ),
        float(test.taken[last]),
        f"First speed {show(float(test.speed[0]), 'speed', 'L/s')}; {reached}, {show(float(test.taken[last]), 'amount', 'Pa L')} taken, pressure at the film "
        f"{show(float(test.pressure[last]), 'pressure', 'Pa')}, {100.0 * test.spent[last]:.2g} % of the barium spent.", points,
    )  # fmt: skip


def _long(seconds: float) -> str:
    unit = next(u for u, most in (("s", 300.0), ("min", 2e4), ("h", 3e5), ("days", float("inf"))) if seconds < most)
    return show(float(seconds), "time", unit, 2)


_SEALED = Axis("time since tip-off", "time", "s", 0.1, 2.0 * YEAR)
_FILM = "the film of the simulation: sites, burial, appetite, right in order of magnitude only; bench volume neglected"

BUDGET = Exploration(
    "Barium budget: what the mirror has spent",
    (Knob("card", "schedule", options=CARDS, standard="standard"), Knob("barium", "barium in the ring", "mass", "mg", "1 mg", "8 mg", 0.5, "4 mg")),
    _SEALED, Axis("share of the barium spent", "share", "%", 1e-5, 1.0), barium_budget, "draft, then full run with ageing and a year on the shelf",
)  # fmt: skip
LIFE = Exploration(
    "The sealed valve: ageing and shelf", (Knob("card", "schedule", options=CARDS, standard="standard"),),
    _SEALED, Axis("bulb pressure", "pressure", "Pa", 1e-9, 10.0), sealed_life, "draft, then full run with ageing and a year on the shelf",
)  # fmt: skip
BENCH = Exploration(
    "Sorption bench: speed against quantity taken",
    (
        Knob("mode", "test at", options=(PRESSURE_MODE, FLOW_MODE), standard=PRESSURE_MODE),
        Knob("gas", "gas", options=ACTIVE, standard="CO"),
        Knob("pressure", "pressure at the film (constant pressure)", "pressure", "Pa", "1e-5 Pa", "0.1 Pa", 0.0, "0.004 Pa", logarithmic=True),
        Knob("flow", "flow to the film (constant flow)", "throughput", "Pa L/s", "1e-5 Pa L/s", "1 Pa L/s", 0.0, "0.01 Pa L/s", logarithmic=True),
        Knob("barium", "barium on the glass", "mass", "mg", "0.1 mg", "10 mg", 0.0, "2.8 mg", logarithmic=True),
        Knob("end", "end point, of the first speed", "share", "%", "1 %", "50 %", 1.0, "5 %"),
    ),
    Axis("quantity taken", "amount", "Pa L", parse("1e-4 Pa L", "amount"), parse("100 Pa L", "amount")),
    Axis("sorption speed", "speed", "L/s", 1e-6, 1e-1), sorption, _FILM,
)  # fmt: skip
