"""The analytic Jacobian against differences of the rates, entry by entry."""

import numpy as np
import pytest

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


def test_empty_tables_have_a_shape():
    """A line is marched with tables that describe no valve."""
    assert NO_HEAD.at.size == 0
    assert network.BIN_SPACING == pytest.approx(1.5 * 8.314462618 * 293.15)
