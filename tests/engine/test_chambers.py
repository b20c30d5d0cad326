"""Bulb and head, and a manifold with its pump, against closed forms.

Two chambers: V1 through C into V2, pumped at S.  dp1/dt = -a (p1 - p2), dp2/dt = b (p1 - p2) - s p2 with a = C/V1, b = C/V2,
s = S/V2 has two exponentials; the numbers below are that solution in 30-digit arithmetic (computed), for V1 = 0.3 L, C = 0.05 L/s,
V2 = 5 L, S = 3 L/s and 100 mbar at the start.  The equations are linear in pressure where flow is molecular, so the engine
begins at 1e-6 Pa instead.  One manifold: p = p_u + (p_0 - p_u) exp(-S t/V), V = 10 L, S = 2 L/s.
"""

from dataclasses import replace

import numpy as np
import pytest
from altered import without_gas, without_heat, without_leaks
from scipy.optimize import brentq

from exhaustsim.constants import GAS_CONSTANT, N2
from exhaustsim.constants import GAS_COUNT as G
from exhaustsim.engine import rates
from exhaustsim.engine.lines import Lines
from exhaustsim.engine.network import number_valve, stem_tube
from exhaustsim.engine.phases import index_grid, stretches_at
from exhaustsim.engine.turret import Rider, march_rider, phases_from
from exhaustsim.physics.conductance import TUBE_SCRATCH, tube_mixture_flow
from exhaustsim.plant.machine import RotaryPump

LITRE = 1e-3
START = 1e-6  # Pa: Knudsen's minimum then takes 1e-5 off the wide port, no more
ROOM = 293.15
TIMES = (1.0, 10.0, 60.0, 400.0)
#: (p1, p2) over 100 mbar
BOTH_FULL = {1.0: (0.961084089380603, 0.550718206454268), 10.0: (0.266131421246162, 0.00806536432242483), 60.0: (7.73039507955988e-5, 1.72915742407577e-6)}
FIRST_FULL = {10.0: (0.194446405434013, 0.00430110094872896)}
STEADY = 2.0333333333333e-5 / 1e-6  # mbar over mbar L/s: 1/C + 1/S


def conductance(tube):
    """For nitrogen in molecular flow [m^3/s]."""
    full, out = np.zeros(G), np.zeros(G)
    full[N2] = 1e-3 * START
    tube_mixture_flow(full, ROOM, np.zeros(G), ROOM, tube, out, np.zeros(TUBE_SCRATCH))
    return out[N2] * GAS_CONSTANT * ROOM / full[N2]


@pytest.fixture(scope="module")
def chambers(schedules):
    """The demo valve and head with the volumes and conductances of the closed form, nothing else in the way."""
    schedule = without_leaks(without_heat(without_gas(schedules["standard"])))
    stem = schedule.valve.exhaust_stem
    length = brentq(lambda x: conductance(stem_tube(replace(stem, bore=3e-3, length=x))) - 0.05 * LITRE, 5e-3, 0.5, xtol=1e-14, rtol=1e-12)
    valve = replace(schedule.valve, exhaust_stem=replace(stem, bore=3e-3, length=length), bulb=replace(schedule.valve.bulb, volume=0.3 * LITRE))
    machine = schedule.machine

    def port(x):
        numbered = number_valve(valve, replace(machine, port_bore=15e-3, port_length=x))
        return conductance(numbered.tables.port_tube) - 3.0 * LITRE

    machine = replace(
        machine, head_volume=5.0 * LITRE, port_bore=15e-3, port_length=brentq(port, 5e-3, 0.5, xtol=1e-14, rtol=1e-12), rubber_gas=0.0
    )
    return replace(schedule, valve=valve, machine=machine)


def marched(schedule, first, second, leak=0.0):
    """{time: (p1, p2)} in Pa from the given pressures of nitrogen, against a line at nothing."""
    valve = number_valve(schedule.valve, schedule.machine)
    share = np.zeros(G)
    share[N2] = 1.0
    valve = valve._replace(tables=valve.tables._replace(leak_share=share))
    at = valve.tables.at
    stretch = stretches_at(schedule, valve, schedule.positions[12], 0.0, index_grid(schedule))[-1]
    stretch.control[rates.C_BULB_LEAK] = leak
    stretch = stretch._replace(
        start=0.0, duration=TIMES[-1], sample_time=np.array([0.0, *TIMES]), places=np.arange(len(TIMES) + 1)
    )
    y = valve.start.copy()
    y[at.bulb : at.bulb + G] = y[at.head : at.head + G] = 0.0
    y[at.bulb + N2] = first * 0.3 * LITRE / (GAS_CONSTANT * ROOM)
    y[at.head + N2] = second * 5.0 * LITRE / (GAS_CONSTANT * ROOM)
    phases = phases_from([stretch], 13, 0.0)
    nothing = np.zeros((len(schedule.machine.lines), 2, G))
    done = march_rider(
        Rider(1, 1, schedule, valve, y), y, phases, (np.array([0.0, TIMES[-1]]), nothing, nothing), 1e-9, np.zeros(3, dtype=np.int64)
    )
    rt = GAS_CONSTANT * ROOM
    bulb, head = (done.states[1:, place + N2] for place in (at.bulb, at.head))
    return dict(zip(TIMES, zip(bulb * rt / (0.3 * LITRE), head * rt / (5.0 * LITRE), strict=True), strict=True))


@pytest.mark.parametrize(("second", "expected"), [(1.0, BOTH_FULL), (0.0, FIRST_FULL)], ids=["both full", "first full"])
def test_two_chambers_empty_in_two_exponentials(chambers, second, expected):
    """3e-5: Knudsen's minimum, and the absolute tolerance of 1e-16 Pa at the last time."""
    found = marched(chambers, START, second * START)
    for time, pressures in expected.items():
        assert np.array(found[time]) / START == pytest.approx(np.array(pressures), rel=3e-5), time


def test_two_chambers_with_a_stream(chambers):
    """p1 = Q/C + Q/S."""
    stream = 1e-10  # Pa m^3/s
    found = marched(chambers, 0.0, 0.0, stream / (GAS_CONSTANT * ROOM))
    assert found[400.0][0] * LITRE / stream == pytest.approx(STEADY, rel=3e-5)


#: index time [s], ultimate pressure [mbar] -> pressure at its end [mbar], from 1013.25 mbar
MANIFOLD = [(57.630442257483, 0.0, 0.01), (58.157239901153, 1e-3, 0.01), (30.0, 1e-3, 2.512593164255)]


@pytest.mark.parametrize(("time", "ultimate", "left"), MANIFOLD)
def test_a_manifold_is_pumped_down(schedules, time, ultimate, left):
    """1e-5 at a step tolerance of 1e-8 over five decades."""
    schedule = without_leaks(without_heat(without_gas(schedules["standard"])))
    pump = RotaryPump(2.0 * LITRE, 100.0 * ultimate, (("N2", 1.0),))
    lines = tuple(replace(line, pump=pump, manifold_volume=10.0 * LITRE) for line in schedule.machine.lines[:1])
    schedule = replace(
        schedule, index_time=time, machine=replace(schedule.machine, lines=lines, line_of_position={1: lines[0].name}, room_temperature=ROOM)
    )
    described = Lines(schedule)
    start = described.at_rest().end * 0.0
    start[N2] = 101325.0 * 10.0 * LITRE / described.rt
    nothing = np.zeros((1, len(described.dwelling), G))
    history = described.march(nothing, nothing, start, 1e-8, np.zeros(3, dtype=np.int64), periods=1, exact=True)
    assert history.pressure[0, -1].sum() / 100.0 == pytest.approx(left, rel=1e-5)
