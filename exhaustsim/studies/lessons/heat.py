"""Lessons on heat: water off glass, baking twice, hydrogen and CO out of the anode, a machine that stands still.

By law, the standing machine then also as a run of the loaded machine, with the constants of the data tables and the parts of the demo triode.  Water that leaves the glass does
not come back here; in the simulation it may.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from exhaustsim.constants import GAS_CONSTANT
from exhaustsim.data import published
from exhaustsim.engine.loaded import simulate_machine
from exhaustsim.physics.desorption import band_desorption_flux, erosion_front_energy
from exhaustsim.physics.outgassing import diffusivity, rate_constant, slab_released
from exhaustsim.plant.incidents import Stop
from exhaustsim.plant.valve import DiffusingGas
from exhaustsim.studies.lessons.record import Axis, Choice, Curve, Knob, Lesson, Shown, Stand
from exhaustsim.units import convert, parse, show

WEEK = 7.0 * 86400.0
BAKE = 60.0  # s of each bake in the lesson on baking twice
FIRST_BAKE = parse("370 degC", "temperature")
RF_SECONDS = 30.0
LAST_INSTANT = 0.01  # s before the turret would have moved on, when it comes to stand
ROUGH = 1e-2  # tolerance: good to a kelvin, and half the time


def _band() -> tuple[float, float, float]:
    return tuple(published.value(f"outgassing.water_band.{name}") for name in ("low", "high", "attempt_frequency"))


def _glass(stand: Stand):
    return next(p for p in stand.schedule.valve.parts if p.node == stand.schedule.valve.bulb_node)


def _surface_water(stand: Stand) -> float:
    return sum(g.amount for g in _glass(stand).surface_gases)


# ---- 8 warm it or wait -----------------------------------------------------------------


def warm_or_wait(stand: Stand, knobs: dict, check):
    low, high, attempt = _band()
    room, hot = stand.temperature, knobs["oven"]
    times = np.geomspace(1.0, WEEK, 120)
    amount = _surface_water(stand)

    def rate(temperature):
        # What lies below a thousandth of the first value is not worth a decade of the picture.
        return np.array([band_desorption_flux(amount, low, high, attempt, temperature, t) for t in times])

    front = erosion_front_energy(attempt, room, WEEK)
    as_good = math.exp(front / (GAS_CONSTANT * hot)) / attempt
    yield Shown(
        (Curve(f"glass at {show(hot, 'temperature', 'degC', 3)}", times, rate(hot)), Curve("glass at 20 degC", times, rate(room), "other")),
        as_good, f"A week at 20 degC does what {_long(as_good)} at {show(hot, 'temperature', 'degC', 3)} does.",
    )  # fmt: skip


def _long(seconds: float) -> str:
    """A time in the unit that suits it."""
    unit = next(u for u, most in (("s", 90.0), ("min", 5400.0), ("h", 1.3e5), ("days", math.inf)) if seconds < most)
    return show(seconds, "time", unit, 2)


# ---- 9 bake once, bake twice -----------------------------------------------------------


def bake_twice(stand: Stand, knobs: dict, check):
    low, high, attempt = _band()
    second = knobs["second"]
    glass = _glass(stand)
    energies = np.linspace(low, high, 241)
    times = np.concatenate([np.geomspace(0.1, BAKE, 60), BAKE + np.geomspace(0.1, BAKE, 60)])
    fast = {t: np.array([rate_constant(attempt, e, t) for e in energies]) for t in {FIRST_BAKE, second}}
    first_part, second_part = np.minimum(times, BAKE), np.maximum(times - BAKE, 0.0)
    left = np.exp(-fast[FIRST_BAKE] * first_part[:, None] - fast[second] * second_part[:, None])
    surface = _surface_water(stand) * (1.0 - left.mean(axis=1))
    bulk = sum((_released(gas, [(FIRST_BAKE, first_part), (second, second_part)]) for gas in glass.diffusing_gases), np.zeros_like(times))
    total = surface + bulk
    middle = 59
    gained = float(total[-1] - total[middle])
    share = gained / total[middle]
    points = ((BAKE, total[middle], "first bake"), (2.0 * BAKE, gained, "second bake"))
    yield Shown(
        (
            Curve("given off so far", times, total),
            Curve("in the second bake", times[middle + 1 :], total[middle + 1 :] - total[middle], "other"),
        ),
        share, f"First bake {show(total[middle], 'amount', 'Pa L')}; second, at {show(second, 'temperature', 'degC', 3)}, "
        f"{show(gained, 'amount', 'Pa L') if gained > 1e-6 * total[middle] else 'nothing'}.", points,
    )  # fmt: skip


def _released(gas: DiffusingGas, spans) -> np.ndarray:
    """Moles that a sheet has released after spans of (temperature, seconds there)."""
    clock = gas.prior_age + sum(
        seconds * diffusivity(gas.diffusion_prefactor, gas.diffusion_energy, temperature) / gas.thickness**2 for temperature, seconds in spans
    )
    before = slab_released(gas.prior_age)
    return gas.amount * np.array([slab_released(c) - before for c in np.atleast_1d(clock)]) / (1.0 - before)


# ---- 10 hydrogen quick, CO slow --------------------------------------------------------


def quick_and_slow(stand: Stand, knobs: dict, check):
    anode = next(p for p in stand.schedule.valve.parts if p.node == "anode")
    hydrogen, carbon = (next(g for g in anode.diffusing_gases if dict(g.gases).get(name, 0.0) > 0.5) for name in ("H2", "CO"))
    times = np.geomspace(0.05, 1000.0, 110)
    share = {name: _released(gas, [(knobs["anode"], times)]) / gas.amount for name, gas in (("H2", hydrogen), ("CO", carbon))}
    after = float(_released(carbon, [(knobs["anode"], RF_SECONDS)])[0] / carbon.amount)
    yield Shown(
        (Curve("CO", times, share["CO"]), Curve("hydrogen", times, share["H2"], "other")),
        after, f"Anode at {show(knobs['anode'], 'temperature', 'degC', 3)} for {RF_SECONDS:.0f} s: {100.0 * after:.0f} % of its CO has gone.",
        ((RF_SECONDS, after, "CO after 30 s"),),
    )  # fmt: skip


# ---- 19 jammed machine -----------------------------------------------------------------


def wall_time_constant(stand: Stand) -> float:
    """Time constant of the bulb wall in the oven: heat capacity of wall and hot spot over their heat transfer [s]."""
    valve, machine = stand.schedule.valve, stand.schedule.machine
    walls = [n for n in valve.nodes if n.name in (valve.bulb_node, "hot_spot")]
    return sum(n.heat_capacity for n in walls) / (machine.oven_heat_transfer * sum(n.outer_area for n in walls))


def jammed(stand: Stand, knobs: dict, check):
    run = stand.run
    air, stop = knobs["oven"], knobs["stop"]
    scale = (air - stand.temperature) / (stand.schedule.oven_temperature - stand.temperature)
    tau = wall_time_constant(stand)
    times = np.linspace(0.0, 180.0, 91)
    positions = stand.schedule.machine.oven_positions

    def wall(position, time):
        # Walls already in the oven rose in proportion to its air over the room.
        start = stand.temperature + scale * (float(run.node(stand.schedule.valve.bulb_node)[run.end_of(position)]) - stand.temperature)
        return air - (air - start) * np.exp(-np.asarray(time) / tau)

    strain = published.value(f"materials.{stand.schedule.valve.bulb.glass}.strain_point")
    shown = (positions[0], positions[2], positions[-1])
    oven = Curve("oven air", times, np.full_like(times, air), "guide")
    limit = Curve(f"strain point of the glass, {show(strain, 'temperature', 'degC', 3)}", times, np.full_like(times, strain), "limit")

    def tell(walls: dict, draft: bool) -> Shown:
        reached = float(np.interp(stop, times, walls[shown[0]]))
        beyond = np.flatnonzero(walls[shown[-1]] >= strain)
        tolerance = f" Position {shown[-1]} passes the strain point after {times[beyond[0]]:.0f} s." if beyond.size else ""
        curves = [Curve(f"position {p}", times, walls[p], "main" if p == shown[0] else "other") for p in shown]
        return Shown(
            (*curves, oven, limit), reached,
            f"After {show(stop, 'time', 's')} the wall at position {shown[0]} has gone to {show(reached, 'temperature', 'degC', 3)}.{tolerance}",
            ((stop, reached, f"{convert(reached, 'temperature', 'degC'):.0f} degC"),), draft=draft,
        )  # fmt: skip

    yield tell({p: wall(p, times) for p in shown}, True)
    yield tell(stand.kept(("standing", air), lambda: _walls_while_standing(stand, air, shown, times, check)), False)


def _walls_while_standing(stand: Stand, air: float, positions, times, check) -> dict[int, np.ndarray]:
    """Bulb wall [K] at `times` after the turret came to stand at the end of a dwell, by position: the loaded machine, RF tripped."""
    schedule = replace(stand.on_machine(stand.schedule), oven_temperature=air)
    moment = schedule.index_time - LAST_INSTANT
    machine = simulate_machine(
        schedule, [Stop(moment, float(times[-1]))], indices=schedule.machine.positions + 2 - min(positions), follow=positions, tolerance=ROUGH,
        progress=lambda *_: check(),
    )  # fmt: skip
    out = {}
    for journey in machine.journeys:
        run = journey.run
        # In the first index every head stands at the position of its own number.
        rows = run.position == journey.head
        since = run.time[rows] - run.time[run.end_of(journey.head)] + times[-1] + LAST_INSTANT
        out[journey.head] = np.interp(times, since, run.node(schedule.valve.bulb_node)[rows])
    return out


INF = math.inf

LESSONS = (
    Lesson(
        8, "Warm it or wait",
        "A valve has stood a week on the pump at 20 degC. How long at 120 degC drives off as much water?",
        (Choice("less than a minute", 60.0), Choice("about an hour", 2.5e4), Choice("about a day", 2.5e5), Choice("just as long", INF)),
        (Knob("oven", "glass temperature", "temperature", "degC", "20 degC", "450 degC", 10.0, "20 degC"),), {"oven": "120 degC"}, False,
        "At room temperature the rate falls as one over time, and waiting never ends; a hundred degrees beats a week.",
        "Equal steps on the logarithmic time axis give equal gas: the next week brings as much as the last hour did.",
        Axis("time under vacuum", "time", "s", 1.0, WEEK), Axis("water off the glass", "throughput", "Pa L/s", parse("1e-8 Pa L/s", "throughput"),
        parse("1 Pa L/s", "throughput")), warm_or_wait,
        "closed form; bindings spread evenly over a band, nothing returns to the glass; the band is usage of the trade",
    ),
    Lesson(
        9, "Bake once, bake twice",
        "The glass has had a minute at 370 degC. It gets another minute at 370 degC. How much comes off, against the first?",
        (Choice("hardly anything: under a tenth", 0.1), Choice("about a third", 0.6), Choice("as much again", INF)),
        (Knob("second", "glass in the second bake", "temperature", "degC", "20 degC", "480 degC", 10.0, "20 degC"),), {"second": "370 degC"}, False,
        "What is held is finite: the same heat again finds little, only more heat finds more.",
        "Go on to 450 degC: the second bake wakes up when it is hotter than the first.",
        Axis("time in the oven, both bakes", "time", "s", 0.0, 120.0, logarithmic=False), Axis("water given off", "amount", "Pa L", parse("1e-3 Pa L", "amount"),
        parse("10 Pa L", "amount")), bake_twice,
        "law; a band of bindings on the surface and water dissolved in the glass, nothing returns",
    ),
    Lesson(
        10, "Hydrogen quick, CO slow",
        "RF holds the anode at 900 degC for 30 s. A hundred degrees more for the same 30 s: how much more CO comes out?",
        (Choice("hardly more", 1.2), Choice("1.4 times, as twice the seconds would", 1.5), Choice("nearly twice as much", 3.0), Choice("ten times", INF)),
        (Knob("anode", "anode temperature", "temperature", "degC", "500 degC", "1100 degC", 10.0, "900 degC"),), {"anode": "1000 degC"}, True,
        "Diffusion: time helps as its square root, temperature exponentially; hydrogen is out before you look.",
        "RF cleans the skin of the anode, not the heart: most of the CO stays. Ask what sets the limit on temperature.",
        Axis("time at heat", "time", "s", 0.05, 1000.0), Axis("share driven off", "share", "%", 1e-3, 1.0), quick_and_slow,
        "law; diffusion out of a sheet whose skin was emptied when the parts were fired; constants of hydrogen published, of carbon recalled",
    ),
    Lesson(
        19, "The jammed machine",
        "The machine stops for a minute. A bulb had just come through position 3, its wall at 140 degC, oven air at 460 degC. And now?",
        (
            Choice("still near 140 degC", 450.0), Choice("about 230 degC, one index further", 560.0),
            Choice("about 400 degC, nearly the air", 720.0), Choice("hotter than the air", INF),
        ),
        (
            Knob("stop", "machine stands for", "time", "s", "0 s", "180 s", 2.0, "0 s"),
            Knob("oven", "oven air", "temperature", "degC", "400 degC", "650 degC", 5.0, "460 degC"),
        ), {"stop": "60 s"}, False,
        "While the machine runs its bulbs do not reach the oven air; when it stands they do, within two minutes.",
        "Raise the oven to 560 degC: the seconds to the strain point are the stop tolerance. Oven and RF off first, isolate before reaching in.",
        Axis("time the machine has stood", "time", "s", 0.0, 180.0, logarithmic=False),
        Axis("bulb wall", "temperature", "degC", parse("0 degC", "temperature"), parse("700 degC", "temperature"), logarithmic=False), jammed,
        "draft: one lump of glass in the oven's air; then a full run of the loaded machine, standing from the end of a dwell on, RF tripped, heaters and pumps on",
    ),
)  # fmt: skip
