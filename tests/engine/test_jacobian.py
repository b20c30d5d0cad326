"""The analytic Jacobian against differences of the rates, entry by entry."""

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline
from scipy.special import expit

from exhaustsim.engine import jacobian, network, rates, stiff
from exhaustsim.engine.lines import NO_HEAD
from exhaustsim.engine.network import number_valve
from exhaustsim.engine.phases import phases_of
from exhaustsim.engine.rates import G, Waveform


def full_matrix(shape, j):
    """The arrowhead written out as one dense matrix."""
    n, m = shape.core, shape.leaves
    full = np.zeros((n + m + shape.quadratures,) * 2)
    full[:n, :n] = j.core
    for leaf in range(m):
        full[n + leaf, n + leaf] = j.leaf_diagonal[leaf]
        for c in range(shape.leaf_ptr[leaf], shape.leaf_ptr[leaf + 1]):
            full[n + leaf, shape.leaf_col[c]] += j.leaf[c]
        for r in range(shape.back_ptr[leaf], shape.back_ptr[leaf + 1]):
            full[shape.back_row[r], n + leaf] += j.back[r]
    for quad in range(shape.quadratures):
        for c in range(shape.quad_ptr[quad], shape.quad_ptr[quad + 1]):
            full[n + m + quad, shape.quad_col[c]] += j.quad[c]
    return full


def differences(function, y, step):
    """Fourth-order central differences of a vector function, one column per state."""
    columns = []
    for i, h in enumerate(step):
        def shifted(k, i=i, h=h):
            z = y.copy()
            z[i] += k * h
            return function(z)

        columns.append((8.0 * (shifted(1) - shifted(-1)) - (shifted(2) - shifted(-2))) / (12.0 * h))
    return np.column_stack(columns)


def assert_entries_agree(exact, approximate, y, rate, step):
    """Every entry within 2e-5 of itself, or within what differences of rounded rates can resolve."""
    scale = np.maximum(np.abs(exact), np.abs(approximate))
    resolution = 50.0 * np.finfo(float).eps * np.maximum(np.abs(rate), 1e-300)[:, None] / step[None, :]
    row = np.abs(exact * np.abs(y)[None, :]).max(axis=1, keepdims=True)  # terms that cancel in a row
    resolution = resolution + 50.0 * np.finfo(float).eps * row / step[None, :]
    wrong = np.abs(exact - approximate) > 2e-5 * scale + resolution
    assert not wrong.any(), [
        (int(i), int(k), exact[i, k], approximate[i, k]) for i, k in zip(*np.nonzero(wrong), strict=True)
    ][:8]


def moments(valve):
    """Four states that between them use every law: gulp, breakdown, sorption, ageing."""
    at = valve.tables.at
    rng = np.random.default_rng(20)
    base = valve.start.copy()
    gulp = base.copy()
    gulp[at.head : at.head + G] *= 0.3
    gulp[at.bulb : at.bulb + G] += 1e-9
    low = base.copy()
    low[at.bulb : at.bulb + G] = 10.0 ** rng.uniform(-10, -7, G)
    low[at.head : at.head + G] = 10.0 ** rng.uniform(-11, -9, G)
    low[: at.nodes] = rng.uniform(400.0, 900.0, at.nodes)
    low[at.bins : at.stocks] *= rng.uniform(0.1, 0.9, at.stocks - at.bins)
    breakdown = low.copy()
    breakdown[at.cathode] = 1290.0
    breakdown[at.carbonate] *= 0.4
    breakdown[at.clocks : at.helium_clock] *= rng.uniform(1.0, 200.0, at.helium_clock - at.clocks)
    breakdown[at.bulb + 8] = 30.0 * valve.tables.scalars[rates.S_BULB_VOLUME] / (8.314 * low[at.wall])
    mirror = low.copy()
    mirror[at.holder] = 1350.0
    mirror[at.evaporated] = 2e-6
    mirror[at.spent] = 3e-7
    mirror[at.film : at.evaporated] = valve.tables.scalars[rates.S_SITES] * rng.uniform(0.02, 0.1, 6)
    mirror[at.helium_clock] = 0.3
    mirror[at.activation] = 0.6
    return {"gulp": gulp, "low": low, "breakdown": breakdown, "mirror": mirror}


@pytest.mark.parametrize("moment", ["gulp", "low", "breakdown", "mirror"])
def test_head(schedules, moment):
    valve = number_valve(schedules["standard"].valve, schedules["standard"].machine)
    y = moments(valve)[moment]
    at, head = valve.tables.at, valve.tables
    phases = phases_of(schedules["standard"], valve)
    c = phases.controls[0].copy()
    c[rates.C_HEATER_POWER], c[rates.C_HEATER_TEMPERATURE] = 3.0, 1170.0
    c[rates.C_CURRENT], c[rates.C_CLEANUP] = 5e-3, 1e-6
    c[rates.C_BORE_RATE] = -0.02
    knots = np.linspace(0.0, 10.0, 5)
    values = np.abs(np.random.default_rng(3).normal(0.5, 0.2, (5, G)))
    wave = Waveform(knots, values, np.gradient(values, knots, axis=0))
    work = np.zeros(jacobian.JACOBIAN_WORK)
    t = 1.7

    def rate(z, at_time=t):
        out = np.zeros(at.size)
        rates.head_rates(at_time, z, head, c, wave, work, out)
        return out

    shape = jacobian.head_shape(head)
    j = stiff.new_jacobian(shape)
    jacobian.head_jacobian(t, y, rate(y), head, c, wave, work, j)
    step = 1e-4 * np.maximum(np.abs(y), valve.absolute)
    assert_entries_agree(full_matrix(shape, j), differences(rate, y, step), y, rate(y), step)
    by_time = (rate(y, t + 1e-4) - rate(y, t - 1e-4)) / 2e-4
    np.testing.assert_allclose(j.time, by_time, rtol=1e-5, atol=1e-12 * np.abs(by_time).max() + 1e-9 * np.abs(rate(y)).max())


def test_a_waveform_is_the_cubic_of_a_general_purpose_library():
    """Value and slope between knots against scipy, and the value held beyond both ends."""
    rng = np.random.default_rng(8)
    knots = np.sort(rng.uniform(0.0, 10.0, 6))
    values, slopes = rng.normal(0.0, 1.0, (6, G)), rng.normal(0.0, 1.0, (6, G))
    wave, value, slope = Waveform(knots, values, slopes), np.zeros(G), np.zeros(G)
    cubic = CubicHermiteSpline(knots, values, slopes)
    for t in (*rng.uniform(knots[0], knots[-1], 40), *knots):
        rates.waveform_at(wave, t, value, slope)
        np.testing.assert_allclose(value, cubic(t), rtol=1e-12, atol=1e-12)
        np.testing.assert_allclose(slope, cubic(t, 1), rtol=1e-10, atol=1e-10)
    for beyond, end in ((knots[0] - 1.0, 0), (knots[-1] + 1.0, -1)):
        rates.waveform_at(wave, beyond, value, slope)
        np.testing.assert_allclose(value, values[end], rtol=1e-12)


def test_watts_of_a_coil_are_the_cubic_of_a_general_purpose_library():
    """Between temperatures of the table against scipy, level beyond both ends."""
    rng = np.random.default_rng(9)
    grid, table = np.array([290.0, 25.0]), rng.uniform(0.5, 1.0, (8, 2)) * [1e-3, 1e-6]
    kelvin = grid[0] + grid[1] * np.arange(8)
    cubic = CubicHermiteSpline(kelvin, table[:, 0], table[:, 1])
    for t in rng.uniform(kelvin[0], kelvin[-1], 40):
        np.testing.assert_allclose(rates.coil_watts_at(t, grid, table), (cubic(t), cubic(t, 1)), rtol=1e-9)
    assert rates.coil_watts_at(kelvin[0] - 5.0, grid, table) == (table[0, 0], 0.0)
    assert rates.coil_watts_at(kelvin[-1] + 5.0, grid, table) == (table[-1, 0], 0.0)


@pytest.mark.parametrize("kelvin", [700.0, 990.0, 1000.0, 1013.0, 1400.0])
def test_hot_and_cold_are_told_by_the_logistic_function(kelvin):
    value, slope = rates.hotness(kelvin, 1000.0, 10.0)
    assert value == pytest.approx(expit((kelvin - 1000.0) / 10.0), rel=1e-12)
    assert slope == pytest.approx(expit((kelvin - 1000.0) / 10.0) * expit((1000.0 - kelvin) / 10.0) / 10.0, rel=1e-12)


@pytest.mark.parametrize("left", [-1e-9, 2e-11, 3e-9, 1e-8])
def test_a_stock_gives_its_rate_until_a_thousandth_is_left(left):
    value, slope = rates.share_while_it_lasts(left, 1e-8)
    assert value == pytest.approx(left / (max(left, 0.0) + 1e-11), rel=1e-9)
    step = 1e-6 * abs(left)
    difference = (rates.share_while_it_lasts(left + step, 1e-8)[0] - rates.share_while_it_lasts(left - step, 1e-8)[0]) / (2.0 * step)
    assert slope == pytest.approx(difference, rel=1e-6)


def test_empty_tables_have_a_shape():
    """A line is marched with tables that describe no valve."""
    assert NO_HEAD.at.size == 0
    assert network.BIN_SPACING == pytest.approx(1.5 * 8.314462618 * 293.15)
