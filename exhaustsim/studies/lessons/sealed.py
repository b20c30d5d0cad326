"""Lessons on the sealed valve: what barium will not eat, the tip-off burst, the slow leaker on the shelf.

By law: the mirror keeps the speed of a fresh one until its barium is spent; argon and helium stay; helium
comes through a wall that is already full of it, which is an upper bound.
"""

from __future__ import annotations

import math

import numpy as np

from exhaustsim.constants import ATMOSPHERE
from exhaustsim.data import published
from exhaustsim.physics.getter import sealed_pressure_constant_speed, ungettered_pressure
from exhaustsim.physics.permeation import glass_conductivity, sealed_helium_pressure, sealed_time_constant
from exhaustsim.studies.lessons.record import Axis, Choice, Curve, Knob, Lesson, Shown, Stand
from exhaustsim.units import YEAR, show

FIRST, THEN = "flash, then tip-off", "tip-off, then flash"


def air_share(gas: str) -> float:
    """Mole share of a gas in dry air."""
    return published.value(f"gases.{gas}.air_share")


def helium_pressure(stand: Stand, time: float) -> float:
    """Helium that has come through the bulb from the room's air [Pa], upper bound."""
    valve = stand.schedule.valve
    conductivity = glass_conductivity(valve.permeation.conductivity, valve.permeation.energy, stand.temperature)
    tau = sealed_time_constant(valve.bulb.volume, valve.bulb.wall_thickness, conductivity, valve.bulb.area, stand.temperature)
    return sealed_helium_pressure(ATMOSPHERE * air_share("He"), time, tau)


# ---- 15 what barium will not eat -------------------------------------------------------


def not_eaten(stand: Stand, knobs: dict, check):
    air, volume = knobs["air"], stand.schedule.valve.bulb.volume
    times = np.geomspace(1e-3, 10.0 * YEAR, 160)

    def active(t):
        return sum(sealed_pressure_constant_speed(air * air_share(gas), 0.0, stand.mirror_speed(gas), volume, t) for gas in ("N2", "O2"))

    argon = air * air_share("Ar")
    helium = np.array([helium_pressure(stand, t) for t in times])
    eaten = np.array([active(t) for t in times])
    end = argon + helium_pressure(stand, YEAR) + active(YEAR)
    yield Shown(
        (
            Curve("all gases", times, eaten + argon + helium), Curve("nitrogen and oxygen", times, eaten, "other"),
            Curve("argon", times, np.full_like(times, argon), "other"), Curve("helium through the glass", times, helium, "other"),
        ),
        end / air, f"Air in the bulb {show(air, 'pressure', 'Pa')} when it is sealed; after a year {show(end, 'pressure', 'Pa')}, "
        f"of that argon {show(argon, 'pressure', 'Pa')}.", ((YEAR, end, "one year"),),
    )  # fmt: skip


# ---- 16 tip-off burst ------------------------------------------------------------------


def tip_off_burst(stand: Stand, knobs: dict, check):
    valve, index = stand.schedule.valve, stand.schedule.index_time
    burst = knobs["burst"] * valve.exhaust_stem.burst_share_to_bulb
    shares = dict(valve.exhaust_stem.burst_gases)
    start = {gas: ungettered_pressure(burst * share, stand.temperature, valve.bulb.volume) for gas, share in shares.items()}
    times = np.geomspace(1e-4, 100.0, 200)
    tip_first = knobs["order"] == THEN

    def bulb(t, waits):
        return sum(sealed_pressure_constant_speed(p, 0.0, stand.mirror_speed(gas), valve.bulb.volume, max(t - waits, 0.0)) for gas, p in start.items())

    # Exposure of the cathode: the wait, and p V/S while the mirror takes the rest.
    exposure = sum(p * ((index if tip_first else 0.0) + valve.bulb.volume / stand.mirror_speed(gas)) for gas, p in start.items())
    eaten = sum(burst * share / valve.getter.appetite[gas] for gas, share in shares.items())
    barium = valve.getter.barium * valve.getter.yield_limit
    pressure = np.array([bulb(t, index if tip_first else 0.0) for t in times])
    yield Shown(
        (
            Curve("burst gas in the bulb", times, pressure),
            Curve("sealed target", times, np.full_like(times, stand.schedule.target.sealed_pressure), "limit"),
        ),
        eaten / barium, f"{knobs['order'].capitalize()}: the burst stands at {show(sum(start.values()), 'pressure', 'Pa')}, costs "
        f"{100.0 * eaten / barium:.2g} % of the barium, exposes the cathode to {exposure:.2g} Pa s.",
    )  # fmt: skip


# ---- 18 slow leaker on the shelf -------------------------------------------------------

ARGON_SHOWS = 1e-3  # Pa


def leaker_life(stand: Stand, leak: float) -> tuple[float, float]:
    """Seconds until argon shows, and until the barium is spent, for a leak of air [mol/s]."""
    valve = stand.schedule.valve
    getter = valve.getter
    argon = ARGON_SHOWS * valve.bulb.volume / (stand.pressure_volume(leak) * air_share("Ar"))
    spending = leak * sum(air_share(gas) / getter.appetite[gas] for gas in ("N2", "O2"))
    return argon, getter.barium * getter.yield_limit / spending


def slow_leaker(stand: Stand, knobs: dict, check):
    leak, volume = knobs["leak"], stand.schedule.valve.bulb.volume
    flow = stand.pressure_volume(leak)
    shows, spent = leaker_life(stand, leak)
    times = np.unique(np.concatenate([np.geomspace(3600.0, 100.0 * YEAR, 150), [min(spent, 100.0 * YEAR)]]))
    argon = np.array([ungettered_pressure(leak * air_share("Ar") * t, stand.temperature, volume) for t in times])
    balance = sum(flow * air_share(gas) / stand.mirror_speed(gas) for gas in ("N2", "O2"))
    active = balance + flow * (air_share("N2") + air_share("O2")) * np.maximum(times - spent, 0.0) / volume
    yield Shown(
        (
            Curve("argon", times, argon), Curve("nitrogen and oxygen", times, active, "other"),
            Curve("argon that shows", times, np.full_like(times, ARGON_SHOWS), "limit"),
        ),
        spent / shows, f"Leak {show(leak, 'throughput', 'Pa L/s')}: argon at {show(ARGON_SHOWS, 'pressure', 'Pa')} after {_age(shows)}, "
        f"mirror white after {_age(spent)}.",
    )  # fmt: skip


def _age(seconds: float) -> str:
    unit = next(u for u, most in (("h", 2.0 * 86400.0), ("days", 0.5 * YEAR), ("years", math.inf)) if seconds < most)
    return show(seconds, "time", unit, 2)


INF = math.inf

LESSONS = (
    Lesson(
        15, "What barium will not eat",
        "A bulb is sealed with 1 Pa of air in it (a plate leaks). The mirror is perfect. What is left after a year?",
        (Choice("nothing that can be measured", 1e-4), Choice("about a hundredth of the air", 0.05), Choice("a fifth: the oxygen", 0.5), Choice("all of it", INF)),
        (Knob("air", "air in the bulb when sealed", "pressure", "Pa", "1e-4 Pa", "10 Pa", 0.0, "0.01 Pa", logarithmic=True),), {"air": "1 Pa"}, False,
        "Barium takes neither argon nor helium: 0.93 % of the air that is sealed in stays for good.",
        "Move it down until helium through the glass is the floor: below that, better pumping buys nothing.",
        Axis("time since sealing", "time", "s", 1e-3, 10.0 * YEAR), Axis("bulb pressure", "pressure", "Pa", 1e-9, 10.0), not_eaten,
        "closed form; fresh mirror throughout; helium an upper bound, its constant good to a factor of ten",
    ),
    Lesson(
        16, "The tip-off burst",
        "Softened glass blows water and carbon oxides into the bulb at tip-off. What does it cost a mirror flashed before?",
        (Choice("less than a hundredth of the barium", 0.01), Choice("about a tenth", 0.3), Choice("most of it", INF)),
        (
            Knob("order", "order of work", options=(THEN, FIRST), standard=THEN),
            Knob("burst", "burst at tip-off", "amount", "Pa L", "0.004 Pa L", "0.1 Pa L", 0.0, "0.02 Pa L", logarithmic=True),
        ), {"order": FIRST}, False,
        "With the mirror fired first the burst is gone in milliseconds for a thousandth of the barium; the other way round the cathode sits in it.",
        "Ask for the price of the other order: argon on the head side of the exhaust stem, and a flash into a closed bulb.",
        Axis("time since the exhaust stem closed", "time", "s", 1e-4, 100.0), Axis("bulb pressure", "pressure", "Pa", 1e-6, 100.0), tip_off_burst,
        "closed form; fresh mirror whose speed does not fall; burst amount is usage of the trade, a factor of five either way",
    ),
    Lesson(
        18, "The slow leaker on the shelf",
        "A valve leaks a little air on the shelf. Which shows first: argon in the gas test, or the mirror going white?",
        (
            Choice("the mirror goes white first", 0.5), Choice("both at about the same time", 2.0), Choice("argon, in a tenth of the time", 50.0),
            Choice("argon, more than a hundred times sooner", INF),
        ),
        (Knob("leak", "leak of air", "throughput", "Pa L/s", "1e-12 Pa L/s", "1e-5 Pa L/s", 0.0, "4e-11 Pa L/s", logarithmic=True),),
        {"leak": "1e-8 Pa L/s"}, False,
        "Argon shows in a gas test decades of time before the mirror goes white: a clean mirror proves nothing.",
        "Both times move together when the leak is moved: the ratio is that of argon in air to what barium can bury.",
        Axis("time on the shelf", "time", "days", 3600.0, 100.0 * YEAR), Axis("bulb pressure", "pressure", "Pa", 1e-10, 1e3), slow_leaker,
        "closed form; barium spent at the appetites of the valve file for nitrogen and oxygen",
    ),
)  # fmt: skip
