"""The sorption bench against closed forms: a film that only fills its sites must follow them."""

import math
from dataclasses import replace

import numpy as np
import pytest

from exhaustsim.constants import AVOGADRO, GAS_CONSTANT
from exhaustsim.physics.getter import bench_time_constant_pressure
from exhaustsim.studies.sorptionbench import SorptionFault, constant_flow, constant_pressure

ROOM = 293.15


@pytest.fixture
def getter(schedules):
    return schedules["standard"].valve.getter


@pytest.fixture
def filling(getter):
    """A smooth film that buries nothing: S = S0 (1 - q/C)."""
    return replace(getter, area_ratio=1.0, burial_rate=dict.fromkeys(getter.burial_rate, 0.0))


def test_constant_pressure_follows_the_closed_form(filling):
    # t = C/(S0 p) ln(1/eps), S = S0 (1 - q/C): own integration, also in physics.getter; the bench integrates numerically.
    test = constant_pressure(filling, "CO", 1e-4, ROOM)
    capacity = filling.mirror_area * filling.site_density / AVOGADRO * GAS_CONSTANT * ROOM  # Pa m3, a full cover of barium
    # Kinetic theory: 11.9 L/(s cm2) of CO at 20 degC, times sticking 0.3 and 4 cm2.
    assert test.speed[0] == pytest.approx(0.3 * 4.0 * 11.77e-3, rel=0.01)
    assert test.time[test.end] == pytest.approx(bench_time_constant_pressure(capacity, test.speed[0], 1e-4, 0.05), rel=0.03)
    taken = test.taken * GAS_CONSTANT * ROOM
    assert test.speed / test.speed[0] == pytest.approx(1.0 - taken / capacity, abs=1e-6)
    assert test.capacity * GAS_CONSTANT * ROOM == pytest.approx(0.95 * capacity, rel=1e-4)


def test_constant_flow_takes_what_is_given(filling):
    flow = 1e-8  # mol/s
    test = constant_flow(filling, "CO", flow, ROOM)
    assert test.taken[: test.end] == pytest.approx(flow * test.time[: test.end], rel=1e-6)
    assert test.pressure[1:-1] * test.speed[1:-1] == pytest.approx(np.full(len(test.time) - 2, flow * GAS_CONSTANT * ROOM), rel=1e-6)
    assert test.speed[test.end] == pytest.approx(0.05 * test.speed[0], rel=1e-9)


def test_given_slowly_a_film_buries_more(getter):
    """A capacity read at high pressure is less than what a quiet valve's film buries: as published for oxygen and CO."""
    slow, quick = (constant_pressure(getter, "CO", p, ROOM) for p in (1e-4, 1e-1))
    assert slow.capacity > 10.0 * quick.capacity
    ceiling = getter.barium * getter.yield_limit * getter.appetite["CO"]
    sites = getter.mirror_area * getter.area_ratio * getter.site_density / AVOGADRO
    assert slow.capacity <= ceiling + sites and slow.spent[slow.end] <= 1.0


def test_speed_never_rises_and_nothing_is_negative(getter):
    for gas in getter.sticking:
        test = constant_pressure(getter, gas, 1e-3, ROOM)
        assert (np.diff(test.speed) <= 1e-9 * test.speed[0]).all() and (np.diff(test.taken) >= 0.0).all()


def test_a_test_that_does_not_end_says_so(getter):
    test = constant_pressure(getter, "N2", 1e-9, ROOM)
    assert test.end is None and test.capacity is None


@pytest.mark.parametrize(("gas", "pressure", "end"), [("Ar", 1e-3, 0.05), ("CO", 0.0, 0.05), ("CO", 1e-3, 1.0), ("CO", math.nan, 0.05)])
def test_refused(getter, gas, pressure, end):
    with pytest.raises(SorptionFault):
        constant_pressure(getter, gas, pressure, ROOM, end_ratio=end)
