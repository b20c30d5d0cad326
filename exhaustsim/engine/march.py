"""Carry a state through phases of constant controls: the compiled loop round the stepper.

A head and a pumping group share one loop; `KIND_HEAD` or `KIND_LINE` chooses whose rates are taken.
Every phase restarts the step size, because controls jump there.  States are delivered at
the times asked for, from the dense output, so that what is saved never decides a step.

Two marches that differ little each choose steps of their own, and the difference of what they
give holds the difference of their errors.  The lengths of the steps of one march can be written down
and another taken over the same steps, so that the errors are nearly the same and fall out.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from exhaustsim.compiled import kernel_on_arrays, unlocked_kernel_on_arrays
from exhaustsim.engine.jacobian import JACOBIAN_WORK, head_jacobian
from exhaustsim.engine.pumping import group_jacobian, group_rates
from exhaustsim.engine.rates import Waveform, head_rates
from exhaustsim.engine.stiff import (
    GAMMA, STAGE_TIME, STEP_GROWTH, STEP_MARGIN, STEP_SHRINK, Factors, Jacobian, block_shape, dense_state, dense_weights, error_norm,
    factorise, quadrature_sum, solve_coupled, stage_right_side, stage_state,
)  # fmt: skip

KIND_HEAD = 0
KIND_LINE = 1
KIND_LINE_EXACT = 2  # a step ends at every sample, which are the knots of the inflow: it is then taken in to round-off

# How a march ended.
DONE = 0
TOO_MANY_STEPS = 1
STEP_TOO_SMALL = 2
SENTENCES = {
    DONE: "The run reached its end.",
    TOO_MANY_STEPS: "A phase needed more steps than allowed; look for a setting that makes a part heat or cool without end.",
    STEP_TOO_SMALL: "The step size fell to nothing: some rate is not a finite number for these settings.",
}

MAX_STEPS_PER_PHASE = 20_000
FIRST_STEP = 1e-4  # s after a jump of the controls
NO_LENGTHS = np.zeros(0)  # no steps written down


@kernel_on_arrays
def _rates(kind, t, y, head, group, c, wave, work, dy):
    if kind == KIND_HEAD:
        head_rates(t, y, head, c, wave, work, dy)
    else:
        group_rates(t, y, group, wave, work, dy)


@kernel_on_arrays
def _copy(source, target):
    for i in range(source.size):
        target[i] = source[i]


class _Room(NamedTuple):
    """Work space of a march."""

    rate: np.ndarray  # (8, states) rates at the stages
    trial: np.ndarray  # (states,)
    stage_y: np.ndarray  # (states,)
    increments: np.ndarray  # (8, core + leaves)
    combined: np.ndarray  # (core + leaves,)
    weights: np.ndarray  # (3, states) of the dense output
    work: np.ndarray
    factors: Factors
    jacobian: Jacobian


def march(
    kind, head, group, shape, controls, durations, starts, wave_of_phase, wave_time, wave_value, wave_slope, sample_ptr, sample_time, y, absolute,
    relative, watched_first, watched_last, max_steps, states, counts, lengths=NO_LENGTHS, given=False,
):  # fmt: skip
    """March `y` (changed in place) through all phases; returns (status, phase reached).

    controls (phases, numbers); durations (phases,) s; starts (phases,) s: local time of a phase runs
    from here, which lets it continue a waveform or a closing bore; wave_of_phase (phases,) index
    into the waveforms wave_time (knots,), wave_value and wave_slope (waveforms, knots, gas; of a group: manifold x gas); sample_ptr (phases + 1,) and sample_time, local times at
    which `states` rows are filled; absolute (states,), relative: tolerances; counts (3,) steps,
    rejected, rate evaluations, added to; lengths (steps,) s of the steps taken, one after the other: written as far
    as there is room or, if `given`, taken from there.  On given steps no error is looked at: for phases of the same lengths and
    settings that differ little from those for which the steps were chosen.
    """
    return _march(
        kind, head, group, shape, controls, durations, starts, wave_of_phase, wave_time, wave_value, wave_slope, sample_ptr,
        sample_time, y, absolute, relative, watched_first, watched_last, max_steps, states, counts, _room(shape, y.size), lengths, given,
    )  # fmt: skip


def _room(shape, size) -> _Room:
    """Work space of a march with `size` states.

    Made outside the compiled loop: a compiled function that did it would be a second copy of the loop to compile.
    """
    count = shape.core + shape.leaves
    factors = Factors(
        np.zeros(block_shape(shape.core)), np.zeros(shape.leaves), np.zeros(shape.back_row.size),
        np.zeros(shape.leaf_col.size), np.zeros(block_shape(shape.core)[1]),
    )  # fmt: skip
    jacobian = Jacobian(
        np.zeros((shape.core, shape.core)), np.zeros(shape.leaves), np.zeros(shape.leaf_col.size),
        np.zeros(shape.back_row.size), np.zeros(shape.quad_col.size), np.zeros(size),
    )  # fmt: skip
    return _Room(
        np.zeros((8, size)), np.zeros(size), np.zeros(size), np.zeros((8, count)), np.zeros(count), np.zeros((3, size)),
        np.zeros(max(JACOBIAN_WORK, 3 * size)), factors, jacobian,
    )  # fmt: skip


@unlocked_kernel_on_arrays
def _march(
    kind, head, group, shape, controls, durations, starts, wave_of_phase, wave_time, wave_value, wave_slope, sample_ptr,
    sample_time, y, absolute, relative, watched_first, watched_last, max_steps, states, counts, room, lengths, given,
):  # fmt: skip
    """`march` in the work space `room`, its steps written into `lengths` as far as that goes or, if `given`, taken from there."""
    size = y.size
    count = shape.core + shape.leaves
    taken = 0
    rate, trial, stage_y, increments, combined, weights, work, factors, jac = room
    for phase in range(durations.size):
        c = controls[phase]
        wave = Waveform(wave_time, wave_value[wave_of_phase[phase]], wave_slope[wave_of_phase[phase]])
        t = starts[phase]
        end = t + durations[phase]
        sample = sample_ptr[phase]
        last_sample = sample_ptr[phase + 1]
        while sample < last_sample and sample_time[sample] <= t:
            _copy(y, states[sample])
            sample += 1
        h = min(FIRST_STEP, durations[phase])
        steps = 0
        fresh = True
        after_reject = False
        while t < end:
            if steps >= max_steps:
                return TOO_MANY_STEPS, phase
            steps += 1
            if given:
                if taken >= lengths.size:
                    return TOO_MANY_STEPS, phase
                h = lengths[taken]
            elif t + 1.01 * h >= end:
                h = end - t
            held = h
            to_knot = kind == KIND_LINE_EXACT and sample < last_sample and t + h > sample_time[sample]
            if to_knot:
                h = sample_time[sample] - t
            if fresh:
                _rates(kind, t, y, head, group, c, wave, work, rate[0])
                if kind == KIND_HEAD:
                    head_jacobian(t, y, rate[0], head, c, wave, work, jac)
                else:
                    group_jacobian(t, y, group, wave, jac)
                counts[2] += 1
            shift = 1.0 / (GAMMA * h)
            factorise(shape, jac, shift, factors)
            for stage in range(8):
                if stage > 0:
                    stage_state(stage, y, increments, stage_y)
                    _rates(kind, t + STAGE_TIME[stage] * h, stage_y, head, group, c, wave, work, rate[stage])
                    counts[2] += 1
                stage_right_side(stage, h, rate[stage], jac.time, increments)
                solve_coupled(shape, factors, increments[stage])
            for i in range(count):
                trial[i] = stage_y[i] + increments[7, i]
            error = error_norm(count, y, trial, increments[7], absolute, relative, watched_first, watched_last)
            if given:
                if error != error:
                    return STEP_TOO_SMALL, phase
                error = min(error, 1.0)
            if not error <= 1.0:  # also when it is not a number
                counts[1] += 1
                fresh = False
                after_reject = True
                h *= max(STEP_SHRINK, STEP_MARGIN * error ** (-0.2)) if error > 1.0 else STEP_SHRINK
                if not h > 1e-12 * (1.0 + abs(t)):
                    return STEP_TOO_SMALL, phase
                continue
            counts[0] += 1
            if not given and taken < lengths.size:
                lengths[taken] = h
            taken += 1
            quadrature_sum(0, h, shape, jac, rate, increments, combined, trial[count:])
            for i in range(count, size):
                trial[i] += y[i]
            reached = t + h if t + h < end else end
            if h == end - t:
                reached = end
            if to_knot:
                reached = sample_time[sample]
            if sample < last_sample and sample_time[sample] <= reached:
                dense_weights(increments, weights)
                for k in range(3):
                    quadrature_sum(k + 1, h, shape, jac, rate, increments, combined, weights[k, count:])
                while sample < last_sample and sample_time[sample] <= reached:
                    dense_state((sample_time[sample] - t) / h, y, trial, weights, states[sample])
                    sample += 1
            _copy(trial, y)
            t = reached
            fresh = True
            growth = STEP_MARGIN * max(error, 1e-10) ** (-0.2)
            h *= min(1.0 if after_reject else STEP_GROWTH, max(STEP_SHRINK, growth))
            if to_knot:
                h = max(h, held)
            after_reject = False
        while sample < last_sample:
            _copy(y, states[sample])
            sample += 1
    return DONE, durations.size
