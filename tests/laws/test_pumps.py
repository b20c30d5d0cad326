"""Pumps: exact slopes, joints without kinks, closed forms against integration."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from exhaustsim.data import published
from exhaustsim.physics import pumps


def slope_of(function, x, step):
    """Fourth-order central difference."""
    return (8 * (function(x + step) - function(x - step)) - (function(x + 2 * step) - function(x - 2 * step))) / (12 * step)


@pytest.mark.parametrize("pressure", [-1e-15, 0.0, 1e-4, 0.02, 0.1, 0.3, 5.0, 1e5])
def test_diffusion_speed_slope(pressure):
    _, slope = pumps.diffusion_speed(pressure, 25e-3, 0.1)
    step = max(1e-3 * abs(pressure), 1e-5)
    difference = slope_of(lambda x: pumps.diffusion_speed(x, 25e-3, 0.1)[0], pressure, step)
    # Below the knee the slope is lost in the rounding of the speed itself.
    assert slope == pytest.approx(difference, rel=1e-8, abs=1e-15 * 25e-3 / step * 10)


@pytest.mark.parametrize("pressure", [1.0, 20.0, 35.0, 40.0, 41.0, 60.0, 200.0])
def test_jet_target_slope(pressure):
    _, slope = pumps.jet_target(pressure, 40.0)
    difference = slope_of(lambda x: pumps.jet_target(x, 40.0)[0], pressure, 3e-4 * pressure)
    assert slope == pytest.approx(difference, rel=1e-6, abs=1e-13)


def test_jet_target_never_overflows():
    for pressure in (-1.0, -1e-15, 0.0, 5e-324, 1e-300, 1e20, 1e300):
        value, slope = pumps.jet_target(pressure, 40.0)
        assert 0.0 <= value <= 1.0 and math.isfinite(slope) and slope <= 0.0
    assert pumps.jet_target(40.0 * (1 - 1e-12), 40.0)[0] == pytest.approx(pumps.jet_target(40.0, 40.0)[0], abs=1e-10)


@given(st.floats(0.0, 1e4), st.floats(0.0, 1e4))
def test_diffusion_pump_takes_more_the_more_it_is_given(first, second):
    low, high = min(first, second), max(first, second)
    through = [p * pumps.diffusion_speed(p, 25e-3, 0.1)[0] for p in (low, high)]
    assert through[1] >= through[0] * (1 - 1e-12)
    assert through[1] <= 25e-3 * 0.1 * (1 + 1e-12)  # never beyond the constant throughput


def test_diffusion_speed_joint_as_stated():
    assert pumps.diffusion_speed(0.05, 1.0, 0.1)[0] == pytest.approx(1.0, rel=0.016)
    assert pumps.diffusion_speed(0.2, 1.0, 0.1)[0] == pytest.approx(0.5, rel=0.016)
    assert pumps.diffusion_speed(0.1, 1.0, 0.1)[0] == pytest.approx(2**-0.25, rel=1e-12)


def test_flow_stops_at_the_ultimate_pressure():
    assert pumps.rotary_flow(0.3, 0.3, 2.2e-3) == 0.0
    assert pumps.rotary_flow(0.2, 0.3, 2.2e-3) < 0.0  # the pump gives gas back
    assert pumps.diffusion_flow(1e-3, 1e-3, 1e-3, 25e-3, 0.1, 1.0) == 0.0
    assert pumps.diffusion_flow(1e-2, 1e-3, 1e-2, 25e-3, 0.1, 0.0) == 0.0  # stalled


def test_pump_down_against_integration():
    speed, volume, ultimate = 2e-3, 10e-3, 0.1
    run = solve_ivp(lambda t, p: [-pumps.rotary_flow(p[0], ultimate, speed) / volume], (0, 30), [1e5], rtol=1e-10, atol=1e-9)
    assert pumps.pump_down_pressure(1e5, ultimate, speed, volume, 30.0) == pytest.approx(run.y[0, -1], rel=1e-7)


@given(st.floats(1.0, 1e5), st.floats(1e-4, 0.5), st.floats(0.1, 100.0))
def test_pump_down_time_is_the_inverse(start, ultimate, time):
    # Times beyond 20 time constants leave only rounding above the ultimate pressure.
    pressure = pumps.pump_down_pressure(start, ultimate, 1e-3, 5e-3, time)
    if pressure > ultimate * (1 + 1e-6):
        again = pumps.pump_down_time(start, pressure, ultimate, 1e-3, 5e-3)
        assert again == pytest.approx(time, rel=1e-6, abs=1e-6)


def test_series_speed_is_below_both_and_nothing_through_nothing():
    assert pumps.series_speed(2.0, 3.0) == pytest.approx(1.2)
    assert pumps.series_speed(2.0, 0.0) == 0.0
    assert pumps.series_speed(25e-3, 0.0487e-3) < 0.0487e-3


def test_turbomolecular_pump_runs_between_its_limits():
    assert pumps.turbomolecular_speed(1.0, 1.0, 0.1, 372.0) == pytest.approx(0.1, rel=1e-12)
    assert pumps.turbomolecular_speed(1e-3, 0.372, 0.1, 372.0) == pytest.approx(0.0, abs=1e-12)
    # With the backing pump's flow balance the speed is the net speed of the reciprocal rule, up to 1/K.
    backing = 1e-3
    net = pumps.booster_speed(0.1, backing, 372.0)
    behind = net * 1.0 / backing  # pressure behind for unit pressure in front
    assert pumps.turbomolecular_speed(1.0, behind, 0.1, 372.0) == pytest.approx(net, rel=3e-3)


def test_compression_grows_with_mass():
    masses = np.array([2.016, 4.0026, 18.02, 28.01, 39.95]) * 1e-3
    values = [pumps.turbomolecular_compression(1e9, 28.0134e-3, m) for m in masses]
    assert values == sorted(values)
    assert pumps.turbomolecular_compression(1e9, 28.0134e-3, 28.0134e-3) == pytest.approx(1e9, rel=1e-12)


@pytest.mark.parametrize("kind", ["rotary", "diffusion"])
def test_ultimate_composition_adds_up(kind):
    assert sum(r.value for r in published.group(f"pumps.{kind}.ultimate_gases").values()) == pytest.approx(1.0, abs=1e-12)


def test_greatest_load_of_a_diffusion_pump_is_that_of_its_backing_pump():
    needed = pumps.required_backing_speed(0.1, 25e-3, 40.0, 2.0)
    assert needed * 40.0 == pytest.approx(2.0 * 0.1 * 25e-3, rel=1e-12)


def test_water_carried_out_keeps_the_mixture_below_saturation():
    """At the tolerance the share of water in what leaves is just saturation over exhaust pressure."""
    for saturation, exhaust in ((31.2e3, 120e3), (47.4e3, 105e3), (2.3e3, 101e3)):
        water = pumps.water_carried_out(3.0, saturation, exhaust)
        assert water / (water + 3.0) * exhaust == pytest.approx(saturation)
    assert pumps.water_carried_out(0.0, 31.2e3, 120e3) == 0.0


def test_with_ballast_it_is_the_water_vapour_tolerance_of_the_trade():
    """p_w = (B/S) p_atm p_s/(p_e - p_s) for dry ballast (formula of the trade, recalled): a tenth of the speed as ballast,
    70 degC and 1200 hPa give 3.6 kPa."""
    ballast, speed, atmosphere = 0.1e-3, 1e-3, 101325.0
    tolerance = pumps.water_carried_out(ballast * atmosphere, 31.2e3, 120e3) / speed
    assert tolerance == pytest.approx(3560.0, rel=1e-3)
