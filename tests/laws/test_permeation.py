"""Helium through glass: exact slopes, the seam, the lag against a grid, the sealed bulb."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from exhaustsim.constants import GAS_CONSTANT
from exhaustsim.data import published
from exhaustsim.physics import permeation
from exhaustsim.physics.outgassing import diffusivity

YEAR = 365.25 * 86400.0


def slope_of(function, x, step):
    """Fourth-order central difference."""
    return (8 * (function(x + step) - function(x - step)) - (function(x + 2 * step) - function(x - 2 * step))) / (12 * step)


@pytest.mark.parametrize("clock", [0.005, 0.02, 0.1, 0.19, 0.22, 0.5, 1.5])
def test_lag_slope(clock):
    value, slope = permeation.lag_factor_slope(clock)
    assert slope == pytest.approx(slope_of(permeation.lag_factor, clock, 1e-3 * clock), rel=1e-8)
    assert value == permeation.lag_factor(clock)


def test_lag_seam_is_beyond_rounding():
    below = np.nextafter(permeation.LAG_SEAM, 0.0)
    for early, late in zip(permeation.lag_factor_slope(below), permeation.lag_factor_slope(permeation.LAG_SEAM), strict=True):
        assert early == pytest.approx(late, rel=1e-13)


def test_lag_begins_at_nothing_and_ends_at_one():
    for clock in (-1e-15, 0.0, 1e-300, 1e-5):
        assert permeation.lag_factor_slope(clock) == (0.0, 0.0)
    value, slope = permeation.lag_factor_slope(1.0000001e-3)  # first value after the cut
    assert value < 1e-100 and slope < 1e-100
    assert permeation.lag_factor(10.0) == pytest.approx(1.0, abs=1e-15)


@given(st.floats(0.0, 3.0), st.floats(0.0, 3.0))
def test_lag_grows(first, second):
    low, high = sorted((first, second))
    assert 0.0 <= permeation.lag_factor(low) <= permeation.lag_factor(high) <= 1.0
    assert permeation.lag_factor_slope(low)[1] >= 0.0


@pytest.mark.parametrize("clock", [0.02, 0.1, 1.0 / 6.0, 0.5, 2.0])
def test_wall_passed_is_the_integral_of_the_lag_factor(clock):
    value, _ = quad(permeation.lag_factor, 0.0, clock, epsabs=1e-14, epsrel=1e-11, limit=200)
    assert permeation.wall_passed(clock) == pytest.approx(value, abs=1e-9)


def test_lag_time_is_the_intercept_of_late_transmission():
    """Late transmission, drawn back as a straight line, meets zero at l^2/(6 D)."""
    early, late = 4.0, 5.0
    slope = (permeation.wall_passed(late) - permeation.wall_passed(early)) / (late - early)
    intercept = early - permeation.wall_passed(early) / slope
    assert intercept == pytest.approx(permeation.lag_time(1.0, 1.0), rel=1e-10)


def test_flow_through_a_new_wall_against_a_grid():
    cells = 100
    width = 1.0 / cells
    matrix = np.diag(np.full(cells, -2.0)) + np.diag(np.ones(cells - 1), 1) + np.diag(np.ones(cells - 1), -1)
    matrix[0, 0] = matrix[-1, -1] = -3.0  # faces half a cell away: 1 outside, 0 inside
    matrix /= width**2

    def rates(t, c):
        change = matrix @ c
        change[0] += 2.0 / width**2
        return change

    run = solve_ivp(
        rates, (0.0, 0.3), np.zeros(cells), method="BDF", jac=matrix, rtol=1e-7, atol=1e-11, t_eval=[0.05, 0.15, 0.3]
    )
    for clock, column in zip(run.t, run.y.T, strict=True):
        flow = 2.0 * column[-1] / width
        assert permeation.lag_factor(clock) == pytest.approx(flow, rel=2e-3)  # second order in the cell width


def test_sealed_bulb_against_integration():
    glass = published.group("permeation.borosilicate")
    conductivity = permeation.glass_conductivity(glass["conductivity"].value, glass["energy"].value, 295.0)
    volume, area, wall = 12e-6, 36e-4, 0.9e-3

    def rate(t, p):
        return [permeation.permeation_flow(conductivity, area, wall, 0.531, p[0], 1.0) * GAS_CONSTANT * 295.0 / volume]

    run = solve_ivp(rate, (0.0, 20.0 * YEAR), [0.0], method="Radau", rtol=1e-9, atol=1e-14)
    tau = permeation.sealed_time_constant(volume, wall, conductivity, area, 295.0)
    assert permeation.sealed_helium_pressure(0.531, 20.0 * YEAR, tau) == pytest.approx(run.y[0, -1], rel=1e-7)


def test_helium_stops_where_it_is_as_dense_outside_and_goes_out_again():
    assert permeation.permeation_flow(1e-20, 1e-3, 1e-3, 0.531, 0.531, 1.0) == 0.0
    assert permeation.permeation_flow(1e-20, 1e-3, 1e-3, 0.531, 0.6, 1.0) < 0.0


def test_order_of_the_glasses():
    """A year on the shelf: soda-lime within 1e-6 to 1e-5 Pa for the small triode, borosilicate hundreds of times more."""
    def after_a_year(name):
        glass = published.group(f"permeation.{name}")
        k = permeation.glass_conductivity(glass["conductivity"].value, glass["energy"].value, 293.15)
        d = diffusivity(glass["diffusion_prefactor"].value, glass["diffusion_energy"].value, 293.15)
        passed = permeation.wall_passed(d * YEAR / 0.9e-3**2)
        return passed * 0.9e-3 * k * 0.531 / d * 36e-4 * GAS_CONSTANT * 293.15 / 12e-6

    soda_lime = after_a_year("soda_lime")
    assert 1e-6 < soda_lime < 1e-5
    assert after_a_year("borosilicate") > 300.0 * soda_lime


@pytest.mark.parametrize("name", ["soda_lime", "lead", "borosilicate"])
def test_quoted_conductivity_is_met_at_room_temperature_and_grows_with_heat(name):
    glass = published.group(f"permeation.{name}")
    quoted, energy = glass["conductivity"].value, glass["energy"].value
    assert permeation.glass_conductivity(quoted, energy, permeation.QUOTED_TEMPERATURE) == quoted
    ratio = permeation.glass_conductivity(quoted, energy, 373.15) / quoted
    assert math.log(ratio) == pytest.approx(energy / GAS_CONSTANT * (1 / 298.15 - 1 / 373.15), rel=1e-12)
