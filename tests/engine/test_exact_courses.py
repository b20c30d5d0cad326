"""One head marched on its own along courses that are known exactly: the engine as a whole against closed forms.

A part that cools by radiation alone; a sheet that gives off gas while it cools so (a course of temperature, not a constant
one); a closed amount of gas and a film that fills; water bound with spread energies after a long time, which goes as one
over time whether the walls take it back or not (Temkin).  Each case leaves everything else out of the demo valve.
The closed forms are written out here, none is taken from `exhaustsim.physics`; only what the port passes at a pressure is its law.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from altered import valve_with, without_gas, without_heat, without_leaks
from scipy.integrate import quad
from scipy.optimize import brentq

from exhaustsim.constants import CO, GAS_CONSTANT, GAS_COUNT, H2O, N2, STEFAN_BOLTZMANN
from exhaustsim.engine import rates
from exhaustsim.engine.network import number_valve
from exhaustsim.engine.phases import index_grid, stretches_at
from exhaustsim.engine.turret import Rider, march_rider, phases_from
from exhaustsim.physics.conductance import TUBE_SCRATCH, tube_mixture_flow
from exhaustsim.plant.valve import DiffusingGas, Radiation, SurfaceGas

G = GAS_COUNT
ROOM = 293.15
HOT = 1173.15
RT = GAS_CONSTANT * ROOM


@pytest.fixture(scope="module")
def bare(schedules):
    """The demo valve cold and without gas, no heat going anywhere."""
    schedule = without_leaks(without_heat(without_gas(schedules["standard"])))
    machine = replace(schedule.machine, rubber_gas=0.0, room_temperature=ROOM)
    return valve_with(replace(schedule, machine=machine), radiation=(), conduction=(), gas_conduction=())


def marched(schedule, times, change, start=0.0, tolerance=1e-7, tables=lambda tables: {}, **controls):
    """(places, states at the times) of a head at position 13 against a line at nothing, from the state that `change` makes.

    `start` is the local time at which the phase begins.
    """
    valve = number_valve(schedule.valve, schedule.machine)
    valve = valve._replace(tables=valve.tables._replace(**tables(valve.tables)))
    at = valve.tables.at
    stretch = stretches_at(schedule, valve, schedule.positions[12], 0.0, index_grid(schedule))[-1]
    stretch.control[rates.CONTROL_COUNT:] = 0.0
    stretch.control[rates.C_SURROUNDINGS] = ROOM
    for name, value in controls.items():
        stretch.control[getattr(rates, name)] = value
    grid = start + np.array([0.0, *times])
    stretch = stretch._replace(start=start, duration=times[-1], sample_time=grid, places=np.arange(len(grid)))
    y = valve.start.copy()
    y[: at.nodes] = ROOM
    y[at.head : at.bulb + G] = 0.0
    change(y, at)
    nothing = np.zeros((len(schedule.machine.lines), 2, G))
    waves = (np.array([0.0, grid[-1]]), nothing, nothing)
    done = march_rider(Rider(1, 1, schedule, valve, y), y, phases_from([stretch], 13, 0.0), waves, tolerance, np.zeros(3, dtype=np.int64))
    return at, done.states[1:]


# ---- cooling by radiation ---------------------------------------------------------------------------------------------

CAPACITY, AREA = 0.36, 1.5e-4  # J/K, m^2


@pytest.fixture(scope="module")
def cooling(bare):
    nodes = tuple(replace(n, heat_capacity=CAPACITY, heat_capacity_slope=0.0) if n.name == "anode" else n for n in bare.valve.nodes)
    return valve_with(bare, nodes=nodes, radiation=(Radiation("anode", "surroundings", AREA),))


def time_to_cool_to(temperature):
    """t = C/(4 sigma A Ts^3) [ln((T + Ts)/(T - Ts)) + 2 arctan(T/Ts)] between HOT and there."""

    def upto(t):
        return math.log((t + ROOM) / (t - ROOM)) + 2.0 * math.atan(t / ROOM)

    return CAPACITY / (4.0 * STEFAN_BOLTZMANN * AREA * ROOM**3) * (upto(temperature) - upto(HOT))


def anode_of(schedule):
    return [n.name for n in schedule.valve.nodes].index("anode")


def heat(schedule):
    def change(y, at):
        y[anode_of(schedule)] = HOT

    return change


TIMES = (2.0, 20.0, 60.0, 200.0)


def test_a_part_cools_by_radiation(cooling):
    _, states = marched(cooling, TIMES, heat(cooling))
    exact = [brentq(lambda t, when=when: time_to_cool_to(t) - when, ROOM + 1e-6, HOT, xtol=1e-10) for when in TIMES]
    assert states[:, anode_of(cooling)] == pytest.approx(exact, rel=1e-6)


def test_when_the_clock_starts_does_not_matter(cooling):
    """Local time from 0 and from 1000 s: the same course, to the rounding that a step from a large time brings."""
    _, here = marched(cooling, TIMES, heat(cooling))
    _, there = marched(cooling, TIMES, heat(cooling), start=1000.0)
    assert there == pytest.approx(here, rel=1e-9, abs=1e-18)


# ---- a sheet that cools while it gives off its gas --------------------------------------------------------------------


def test_a_sheet_gives_off_gas_while_it_cools(cooling):
    """Share released = 1 - 8/pi^2 sum exp(-(2n+1)^2 pi^2 F)/(2n+1)^2 with F the integral of D/L^2 over the course."""
    amount, prefactor, energy, thickness = 1e-9, 1e-8, 60e3, 0.15e-3
    gas = DiffusingGas((("N2", 1.0),), amount, prefactor, energy, thickness, 0.0)
    parts = tuple(replace(p, diffusing_gases=(gas,)) if p.name == "anode" else p for p in cooling.valve.parts)
    schedule = valve_with(cooling, parts=parts)
    at, states = marched(schedule, TIMES, heat(schedule), C_BORE=0.0, C_PORT=0.0)
    given = states[:, at.bulb + N2]

    def ticks(t):
        cooled_per_second = STEFAN_BOLTZMANN * AREA / CAPACITY * (t**4 - ROOM**4)
        return prefactor / thickness**2 * math.exp(-energy / (GAS_CONSTANT * t)) / cooled_per_second

    for when, found in zip(TIMES, given, strict=True):
        low = brentq(lambda t, when=when: time_to_cool_to(t) - when, ROOM + 1e-6, HOT, xtol=1e-10)
        clock = quad(ticks, low, HOT, epsabs=0.0, epsrel=1e-10)[0]
        odd = np.arange(1, 4001, 2) ** 2
        share = 1.0 - 8.0 / math.pi**2 * np.sum(np.exp(-odd * math.pi**2 * clock) / odd)
        assert 0.01 < share < 0.999
        assert found / amount == pytest.approx(share, rel=1e-3), when


# ---- a film that fills ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("beta", [0.5, 0.9, 2.0])
def test_a_closed_amount_of_gas_and_a_film_that_fills(bare, beta):
    """u = N0 - a, v = C - a, d ln(u/v)/dt = (S/V)(beta - 1) with beta = N0/C, for sticking s0 (1 - a/C) on a flat film.

    The mirror covers all there is to cover, nothing goes down into the film, its area ratio is one.
    """
    scale, fresh, area, volume = 1e-9, 0.3, 10e-4, bare.valve.bulb.volume

    def tables(before):
        s = before.scalars.copy()
        s[rates.S_AREA_RATIO], s[rates.S_MIRROR_AREA], s[rates.S_EMITTING] = 1.0, area, 0.0
        s[rates.S_SITES] = scale / (1.0 + rates.FILM_FLOOR)
        s[rates.S_MIRROR_FULL] = 1e-3 * s[rates.S_BARIUM_LIMIT]
        return {
            "scalars": s, "film_burial": np.zeros_like(before.film_burial), "film_sticking": np.full_like(before.film_sticking, fresh),
        }  # fmt: skip

    def change(y, at):
        y[at.evaporated] = bare.valve.getter.barium
        y[at.bulb + CO] = beta * scale

    speed = fresh * area * math.sqrt(RT / (2.0 * math.pi * 0.0280101))
    times = tuple(x * volume / speed for x in (0.5, 2.0, 5.0))
    at, states = marched(bare, times, change, tables=tables, C_BORE=0.0, C_PORT=0.0)
    left = states[:, at.bulb + CO]
    for when, found in zip(times, left, strict=True):
        ratio = beta * math.exp(speed / volume * (beta - 1.0) * when)  # u/v
        taken = scale * (beta - ratio) / (1.0 - ratio)
        assert found == pytest.approx(beta * scale - taken, rel=1e-4), when


# ---- water after a long time ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sticking", [0.0, 1e-4, 1e-3], ids=["given off and gone", "taken back now and then", "taken back often"])
def test_water_goes_as_one_over_time(bare, sticking):
    """Temkin: flow = N R T/(E2 - E1)/t from evenly filled energies, with readsorption as without: it only shifts which are emptying.

    Within 3 %: bins of energy 1.5 RT apart ripple the release by 1.5 %, and what stands in the bulb follows later.
    """
    amount, low, high = 1e-8, 60e3, 130e3
    gas = SurfaceGas("H2O", amount, low, high, 1e13, sticking, 36e-4)
    parts = tuple(replace(p, surface_gases=(gas,)) if p.name == "bulb_glass" else p for p in bare.valve.parts)
    schedule = valve_with(bare, parts=parts)
    times = (1e3, 4e3, 1e4)
    at, states = marched(schedule, times, lambda y, at: None, tolerance=1e-5)
    valve = number_valve(schedule.valve, schedule.machine)
    head_pressure = states[:, at.head + H2O] * RT / schedule.machine.head_volume
    for when, pressure in zip(times, head_pressure, strict=True):
        dead, flow = np.zeros(G), np.zeros(G)
        dead[H2O] = pressure
        tube_mixture_flow(dead, ROOM, np.zeros(G), ROOM, valve.tables.port_tube, flow, np.zeros(TUBE_SCRATCH))
        assert flow[H2O] * when * (high - low) / (amount * RT) == pytest.approx(1.0, abs=0.03), when
