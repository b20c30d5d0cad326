"""The stepper alone, on small systems with known answers."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from exhaustsim.engine import stiff


def small_shape():
    """Two core unknowns, one leaf on core unknown 1, one quadrature of the leaf."""
    return stiff.shape_of(2, [[0, 1]], [[1]], [[2]])


def rates(t, y):
    """A stiff, nonlinear, driven system: y2 feeds y1, y3 counts y2."""
    a, b, leaf, _ = y
    return np.array([
        -50.0 * (a - np.cos(t)) + b * b,
        -b + 0.3 * leaf * a,
        0.2 * a * b - 3.0 * leaf + np.sin(2.0 * t),
        0.7 * leaf,
    ])  # fmt: skip


def jacobian(t, y, shape):
    a, b, leaf, _ = y
    j = stiff.new_jacobian(shape)
    j.core[:] = [[-50.0, 2.0 * b], [0.3 * leaf, -1.0]]
    j.leaf_diagonal[0] = -3.0
    j.leaf[:] = [0.2 * b, 0.2 * a]
    j.back[:] = [0.3 * a]
    j.quad[:] = [0.7]
    j.time[:] = [-50.0 * np.sin(t), 0.0, 2.0 * np.cos(2.0 * t), 0.0]
    return j


def dense_matrix(j):
    """The same Jacobian written out, by hand and not by the stepper's own tables."""
    full = np.zeros((4, 4))
    full[:2, :2] = j.core
    full[1, 2] = j.back[0]
    full[2, :2] = j.leaf
    full[2, 2] = j.leaf_diagonal[0]
    full[3, 2] = j.quad[0]
    return full


def step(t, y, h, shape):
    """One step; returns the new state and the increments."""
    j = jacobian(t, y, shape)
    shift = 1.0 / (stiff.GAMMA * h)
    factors = stiff.new_factors(shape)
    stiff.factorise(shape, j, shift, factors)
    increments = np.zeros((8, 4))
    state = np.zeros(4)
    for stage in range(8):
        stiff.stage_state(stage, y, increments, state)
        stiff.stage_right_side(stage, h, rates(t + stiff.STAGE_TIME[stage] * h, state), j.time, increments)
        stiff.solve(shape, j, shift, factors, increments[stage])
    return state + increments[7], increments


START = np.array([0.5, 1.0, 0.2, 0.0])


def fixed_steps(count, end=1.0):
    shape = small_shape()
    y, t, h = START.copy(), 0.0, end / count
    for _ in range(count):
        y, _ = step(t, y, h, shape)
        t += h
    return y


@pytest.fixture(scope="module")
def truth():
    """Witness: scipy's Radau at its tightest."""
    result = solve_ivp(rates, (0.0, 1.0), START, method="Radau", rtol=1e-12, atol=1e-14, dense_output=True)
    return result.sol


def test_linear_solve_is_that_of_the_whole_matrix():
    shape = small_shape()
    j = jacobian(0.3, np.array([0.7, -0.4, 1.3, 0.0]), shape)
    shift = 3.7
    factors = stiff.new_factors(shape)
    stiff.factorise(shape, j, shift, factors)
    right = np.array([1.0, -2.0, 0.5, 3.0])
    x = right.copy()
    stiff.solve(shape, j, shift, factors, x)
    np.testing.assert_allclose(x, np.linalg.solve(shift * np.eye(4) - dense_matrix(j), right), rtol=1e-13)


def test_order_is_five(truth):
    """Halving the step divides the error by 2^5 [Steinebach2023]; 4.6 leaves room for the stiff term."""
    errors = [np.abs(fixed_steps(n) - truth(1.0)).max() for n in (40, 80, 160)]
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert np.all(orders > 4.6), orders


def test_error_estimate_is_of_order_four():
    """The last increment is the embedded error: one step's estimate falls as h^5."""
    shape = small_shape()
    y = fixed_steps(400, end=0.5)
    sizes = [np.abs(step(0.5, y, h, shape)[1][7]).max() for h in (0.02, 0.01, 0.005)]
    orders = np.log2(np.array(sizes[:-1]) / sizes[1:])
    assert np.all((orders > 4.3) & (orders < 6.5)), orders


def test_dense_output_is_of_order_four(truth):
    """Inside a step the interpolant is off by h^5 locally, so an order above 4 is seen; ends are exact."""
    shape = small_shape()
    y = truth(0.5)
    errors = []
    for h in (0.04, 0.02, 0.01):
        new, increments = step(0.5, y, h, shape)
        weights, out = np.zeros((3, 4)), np.zeros(4)
        stiff.dense_weights(increments, weights)
        worst = 0.0
        for theta in (0.2, 0.5, 0.8):
            stiff.dense_state(theta, y, new, weights, out)
            worst = max(worst, np.abs(out - truth(0.5 + theta * h)).max())
        errors.append(worst)
        stiff.dense_state(0.0, y, new, weights, out)
        np.testing.assert_array_equal(out, y)
        stiff.dense_state(1.0, y, new, weights, out)
        np.testing.assert_array_equal(out, new)
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert np.all(orders > 3.8), (orders, errors)


def test_very_stiff_component_is_damped_at_once():
    """Prothero-Robinson problem with rate 1e8: the known solution cos t is followed, not rung about."""
    rate = 1e8
    shape = stiff.shape_of(1, [], [], [])
    y, t, h = np.array([1.5]), 0.0, 0.1
    for _ in range(10):
        j = stiff.new_jacobian(shape)
        j.core[0, 0] = -rate
        j.time[0] = -rate * np.sin(t) - np.cos(t)
        factors = stiff.new_factors(shape)
        stiff.factorise(shape, j, 1.0 / (stiff.GAMMA * h), factors)
        increments, state = np.zeros((8, 1)), np.zeros(1)
        for stage in range(8):
            stiff.stage_state(stage, y, increments, state)
            at = t + stiff.STAGE_TIME[stage] * h
            stiff.stage_right_side(stage, h, -rate * (state - np.cos(at)) - np.sin(at), j.time, increments)
            stiff.solve(shape, j, 1.0 / (stiff.GAMMA * h), factors, increments[stage])
        y = state + increments[7]
        t += h
    assert abs(y[0] - np.cos(1.0)) < 1e-5
