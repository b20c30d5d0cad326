"""Pumps: exact slopes, joints without kinks, closed forms against integration."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

from exhaustsim.data import published
from exhaustsim.physics import ballast as ballast_laws
from exhaustsim.physics import hotmetal, pumps, speedtable


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


@pytest.mark.parametrize("kind", ["rotary", "diffusion", "turbomolecular"])
def test_ultimate_composition_adds_up(kind):
    assert sum(r.value for r in published.group(f"pumps.{kind}.ultimate_gases").values()) == pytest.approx(1.0, abs=1e-12)


def test_greatest_load_of_a_diffusion_pump_is_that_of_its_backing_pump():
    needed = pumps.required_backing_speed(0.1, 25e-3, 40.0, 2.0)
    assert needed * 40.0 == pytest.approx(2.0 * 0.1 * 25e-3, rel=1e-12)


# ---- booster -------------------------------------------------------------------------------


@pytest.mark.parametrize("difference", [-100.0, 1.0, 1e3, 4e3, 4.5e3, 2e4, 1e5])
def test_booster_slip_slope(difference):
    _, slope = pumps.booster_slip(difference, 4.5e3)
    assert slope == pytest.approx(slope_of(lambda d: pumps.booster_slip(d, 4.5e3)[0], difference, 0.5), rel=1e-6, abs=1e-14)


def test_booster_drive_gives_no_more_power_than_at_its_limit():
    """Speed times difference never exceeds that of the limit, and comes to it far above."""
    power = [d * pumps.booster_slip(d, 4.5e3)[0] for d in np.geomspace(1.0, 1e5, 40)]
    assert power == sorted(power) and power[-1] == pytest.approx(4.5e3, rel=1e-5)


# ---- turbomolecular ------------------------------------------------------------------------


@pytest.mark.parametrize("running", [-1e-3, 0.0, 1e-4, 0.3, 1.0])
@pytest.mark.parametrize("log_compression", [0.1, 5.0, 25.0])
def test_turbomolecular_factors_slopes(running, log_compression):
    forward, backward, more_forward, more_backward = pumps.turbomolecular_factors(running, log_compression)
    for slope, k in ((more_forward, 0), (more_backward, 1)):
        difference = slope_of(lambda h, k=k: pumps.turbomolecular_factors(h, log_compression)[k], running, 1e-4)
        assert slope == pytest.approx(difference, rel=1e-7, abs=1e-9)
    assert forward - backward == pytest.approx(running, abs=1e-14)  # what it carries at equal pressures
    assert forward / backward == pytest.approx(math.exp(running * log_compression), rel=1e-12)


def test_turbomolecular_series_joins_the_closed_form():
    edge = pumps.SMALL_SPEED_UP
    below, above = (pumps.turbomolecular_factors(edge * (1.0 + e), 1.0) for e in (-1e-9, 1e-9))
    assert below == pytest.approx(above, rel=1e-9)


def test_turbomolecular_factors_are_drift_against_diffusion():
    """Against the boundary value problem of gas dragged along a rotor against its diffusion, integrated numerically.

    Q = S0/L (h L p - dp/dx) over x from 0 to 1 is constant; with p(0) and Q given, p(1) follows.
    """
    speed, log_k, running, inlet, behind = 0.05, 6.0, 0.8, 2e-3, 0.7
    forward, backward, _, _ = pumps.turbomolecular_factors(running, log_k)
    flow = speed * (forward * inlet - backward * behind)
    way = solve_ivp(lambda x, p: [running * log_k * p[0] - flow * log_k / speed], (0.0, 1.0), [inlet], rtol=1e-10, atol=1e-14)
    assert way.y[0, -1] == pytest.approx(behind, rel=1e-7)


def test_turbomolecular_factors_at_full_speed_are_the_linear_law():
    forward, backward, _, _ = pumps.turbomolecular_factors(1.0, math.log(372.0))
    for inlet, behind in ((1e-3, 1e-3), (1e-3, 0.1), (1e-3, 0.372), (1e-3, 1.0)):
        flow = 0.1 * (forward * inlet - backward * behind)
        assert flow == pytest.approx(inlet * pumps.turbomolecular_speed(inlet, behind, 0.1, 372.0), rel=1e-12, abs=1e-16)


def test_standing_rotor_is_a_tube_for_light_gas_before_heavy():
    """Conductances of a tube go with 1/sqrt(M)."""
    through = {m: pumps.turbomolecular_factors(0.0, math.log(pumps.turbomolecular_compression(1e9, 28.0, m)))[0] for m in (2.0, 28.0)}
    assert through[2.0] / through[28.0] == pytest.approx(math.sqrt(14.0), rel=1e-9)


@pytest.mark.parametrize("pressure", [1.0, 30.0, 100.0, 1e4])
def test_turbomolecular_target_slope(pressure):
    _, slope = pumps.turbomolecular_target(pressure, 100.0)
    difference = slope_of(lambda x: pumps.turbomolecular_target(x, 100.0)[0], pressure, 1e-3 * pressure)
    assert slope == pytest.approx(difference, rel=1e-8)
    assert pumps.turbomolecular_target(-pressure, 100.0) == (1.0, 0.0)


# ---- a pump by its table -------------------------------------------------------------------

POINTS = np.array([0.6, 1.0, 3.0, 10.0, 100.0, 1e5]), np.array([0.3, 1.0, 1.8, 2.1, 2.2, 1.9]) * 1e-3


def table():
    x, y = np.log(POINTS[0]), np.log(POINTS[1])
    slopes = np.zeros_like(x)
    hotmetal.monotone_slopes(x, y, slopes)
    slopes[[0, -1]] = 0.0
    return x, y, slopes


def test_table_goes_through_its_points_and_is_held_beyond_them():
    for pressure, speed in zip(*POINTS, strict=True):
        assert speedtable.table_speed(pressure, *table())[0] == pytest.approx(speed, rel=1e-12)
    assert speedtable.table_speed(-1e-15, *table()) == (pytest.approx(3e-4, rel=1e-12), 0.0)
    assert speedtable.table_speed(1e9, *table()) == (pytest.approx(1.9e-3, rel=1e-12), 0.0)


@pytest.mark.parametrize("pressure", [0.3, 0.6001, 0.8, 2.0, 50.0, 9.99e4, 2e5])
def test_table_slope(pressure):
    _, slope = speedtable.table_speed(pressure, *table())
    difference = slope_of(lambda p: speedtable.table_speed(p, *table())[0], pressure, 1e-5 * pressure)
    assert slope == pytest.approx(difference, rel=1e-6, abs=1e-13)


def test_table_swings_beyond_no_two_neighbours():
    for low, high, a, b in zip(POINTS[0], POINTS[0][1:], POINTS[1], POINTS[1][1:], strict=False):
        between = [speedtable.table_speed(p, *table())[0] for p in np.geomspace(low, high, 50)]
        assert min(between) >= min(a, b) * (1 - 1e-12) and max(between) <= max(a, b) * (1 + 1e-12)


@pytest.mark.parametrize("pressure", [0.3, 0.6001, 0.8, 2.0, 50.0, 3e3, 9.99e4])
def test_between_its_points_the_table_is_the_cubic_of_a_general_purpose_library(pressure):
    """Logarithm of the speed over that of the pressure, value and slope."""
    cubic = CubicHermiteSpline(*table())
    value, slope = speedtable.table_speed(pressure, *table())
    inside = POINTS[0][0] < pressure < POINTS[0][-1]
    assert value == pytest.approx(math.exp(cubic(np.clip(math.log(pressure), *cubic.x[[0, -1]]))), rel=1e-12)
    assert slope == pytest.approx(value * cubic(math.log(pressure), 1) / pressure if inside else 0.0, rel=1e-10)


def test_inner_slopes_against_a_general_purpose_library():
    """scipy's monotone interpolation has the same slopes at inner knots; at the ends ours are nought on purpose."""
    x, y, slopes = table()
    assert slopes[1:-1] == pytest.approx(PchipInterpolator(x, y).derivative()(x)[1:-1], rel=1e-12)
    assert slopes[0] == slopes[-1] == 0.0


# ---- water in a rotary pump ----------------------------------------------------------------

AIR = (101325.0, 31.2e3, 1.2e3, 1.1 * 101325.0)  # room, saturation at 70 degC, water in the room air, exhaust valve


@given(st.floats(0.0, 1e3), st.floats(0.0, 2e-4))
def test_water_at_its_tolerance_is_saturated_when_the_valve_lifts(other, ballast):
    speed = 2e-3
    water = ballast_laws.water_tolerance(other, speed, ballast, *AIR)
    flow_of_water = speed * water + ballast * AIR[2]
    flow_of_all = speed * (water + other) + ballast * AIR[0]
    if water > 1e-9:  # below, numbers lose their figures
        assert flow_of_water / flow_of_all * AIR[3] == pytest.approx(AIR[1], rel=1e-12)
        assert ballast_laws.least_ballast(speed * water, speed * other, *AIR) == pytest.approx(ballast, rel=1e-9, abs=1e-9)


def test_without_ballast_and_other_gas_no_water_is_carried_out():
    assert ballast_laws.water_tolerance(0.0, 2e-3, 0.0, *AIR) == 0.0


def test_damp_air_is_no_help_to_a_cold_pump():
    """At 20 degC, saturated room air condenses by itself when it is compressed."""
    cold = ballast_laws.water_saturation_pressure(293.15)
    assert math.isnan(ballast_laws.least_ballast(1.0, 0.0, 101325.0, cold, cold, 1.1 * 101325.0))
    assert ballast_laws.water_tolerance(0.0, 2e-3, 2e-4, 101325.0, cold, cold, 1.1 * 101325.0) == 0.0
