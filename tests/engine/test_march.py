"""The loop round the stepper, on a rotary line with no inflow, whose course is known exactly."""

import numpy as np
import pytest

from exhaustsim.constants import N2
from exhaustsim.engine import pumping
from exhaustsim.engine.lines import NO_HEAD
from exhaustsim.engine.march import DONE, KIND_LINE, STEP_TOO_SMALL, TOO_MANY_STEPS, march
from exhaustsim.engine.pumping import NO_GROUP, NO_STATE, ROOM, G, group_shape

VOLUME, SPEED, ROOM_TEMPERATURE = 1.5e-3, 4e-3, 293.15  # m^3, m^3/s, K
ULTIMATE = 0.5  # Pa, all nitrogen
RT = 8.31446261815324 * ROOM_TEMPERATURE


def rotary_line(ultimate=ULTIMATE):
    numbers = np.zeros((1, pumping.NUMBER_COUNT))
    numbers[0, pumping.P_SPEED] = SPEED
    partial = np.zeros((1, G))
    partial[0, N2] = ultimate

    def one(number):
        return np.array([number], dtype=np.int64)

    return NO_GROUP._replace(
        manifolds=1, core=G, rt=RT, volume=np.array([VOLUME]), kind=one(pumping.ROTARY), source=one(0), target=one(ROOM),
        state=one(NO_STATE), numbers=numbers, ultimate=partial, compression=np.ones((1, G)), table_start=np.zeros(2, dtype=np.int64),
    )  # fmt: skip


def marched(line, durations, times, pointer, max_steps=1000, start=100.0):
    """(status, phase, states, end state, counts) from `start` Pa of nitrogen."""
    phases = len(durations)
    y = np.zeros(2 * G)
    y[N2] = start * VOLUME / RT
    states = np.zeros((len(times), 2 * G))
    counts = np.zeros(3, dtype=np.int64)
    absolute = np.full(2 * G, 1e-12)
    starts = np.concatenate([[0.0], np.cumsum(durations)[:-1]])
    status, phase = march(
        KIND_LINE, NO_HEAD, line, group_shape(line), np.zeros((phases, 1)), np.array(durations), starts,
        np.zeros(phases, dtype=np.int64), np.array([0.0, 10.0]), np.zeros((1, 2, G)), np.zeros((1, 2, G)),
        np.array(pointer, dtype=np.int64), np.array(times), y, absolute, 1e-6, 0, G, max_steps, states, counts,
    )  # fmt: skip
    return status, phase, states, y, counts


def pressure(states):
    return states[..., N2] * RT / VOLUME


def exact(time, start=100.0):
    return ULTIMATE + (start - ULTIMATE) * np.exp(-SPEED * np.asarray(time) / VOLUME)


def test_pump_down_is_exponential_at_every_sample():
    """Dense output, samples on the edge of a phase and at its end; 1e-5 is ten tolerances."""
    times = [0.0, 0.013, 0.4, 1.0, 1.0, 1.7, 2.0]
    status, phase, states, y, counts = marched(rotary_line(), [1.0, 1.0], times, [0, 4, 7])
    assert (status, phase) == (DONE, 2)
    assert pressure(states) == pytest.approx(exact(times), rel=1e-5)
    assert pressure(y) == pytest.approx(exact(2.0), rel=1e-5)
    assert counts[2] == 8 * counts[0] + 7 * counts[1]


def test_gas_pumped_away_is_all_that_is_missing():
    """What is exhausted is a quadrature: with what is left it makes up the start to the last digits."""
    _, _, states, y, _ = marched(rotary_line(), [2.0], [0.0, 2.0], [0, 2])
    assert y[N2] + y[G + N2] == pytest.approx(states[0, N2], rel=1e-13)


def test_sample_a_rounding_past_the_end_gets_the_end_state():
    """The grid of samples and the edges of phases are summed up by different ways."""
    late = np.nextafter(1.0, 2.0)
    status, _, states, y, _ = marched(rotary_line(), [1.0], [0.0, late], [0, 2])
    assert status == DONE
    assert np.array_equal(states[1], y)


def test_too_many_steps_tells_the_phase():
    status, phase, _, _, counts = marched(rotary_line(), [1e-4, 1.0], [0.0], [0, 1, 1], max_steps=3)
    assert (status, phase) == (TOO_MANY_STEPS, 1)
    assert counts[0] + counts[1] == 1 + 3


def test_rate_that_is_no_number_ends_the_march():
    """Every step is refused until none is left; the state stays what it was."""
    status, phase, _, y, counts = marched(rotary_line(ultimate=np.nan), [1.0], [0.0], [0, 1])
    assert (status, phase) == (STEP_TOO_SMALL, 0)
    assert counts[0] == 0 and counts[1] > 0
    assert pressure(y) == pytest.approx(100.0, rel=1e-15)
