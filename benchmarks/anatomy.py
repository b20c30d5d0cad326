"""Where the time of a step goes: rates, derivatives, factorisation, solutions, vectors and norm.

Each kernel of the stepper is called in a compiled loop at states along the march, as many from
each phase as the march took steps there, and its time is set against the whole march.  Alone in
a loop a kernel finds its data in the nearest cache, and the compiler may merge it differently
than inside the march: the shares are good to a tenth of the whole, which the last row shows.
"""

from __future__ import annotations

import time

import numpy as np

from benchmarks.case import Case, processor_seconds
from exhaustsim.compiled import kernel_on_arrays
from exhaustsim.engine.jacobian import JACOBIAN_WORK, head_jacobian
from exhaustsim.engine.rates import C_BORE, C_PORT, G, S_ROOM, bulb_and_head_pressures, head_rates, waveform_at
from exhaustsim.engine.run import march_valve
from exhaustsim.engine.stiff import (
    GAMMA, error_norm, factorise, new_factors, new_jacobian, solve_coupled, stage_right_side, stage_state,
)  # fmt: skip
from exhaustsim.physics.conductance import tube_mixture_flow, tube_mixture_flow_slopes


@kernel_on_arrays
def _repeat_rates(times, t, y, head, c, wave, work, dy):
    for _ in range(times):
        head_rates(t, y, head, c, wave, work, dy)


@kernel_on_arrays
def _repeat_jacobian(times, t, y, dy, head, c, wave, work, jac):
    for _ in range(times):
        head_jacobian(t, y, dy, head, c, wave, work, jac)


@kernel_on_arrays
def _repeat_factorise(times, shape, jac, shift, factors):
    for _ in range(times):
        factorise(shape, jac, shift, factors)


@kernel_on_arrays
def _repeat_solve(times, shape, factors, right, x):
    for _ in range(times):
        for i in range(x.size):
            x[i] = right[i]
        solve_coupled(shape, factors, x)


@kernel_on_arrays
def _repeat_vectors(times, h, y, rate, by_time, increments, out):
    for _ in range(times):
        for stage in range(1, 8):
            stage_state(stage, y, increments, out)
        for stage in range(8):
            stage_right_side(stage, h, rate, by_time, increments)


@kernel_on_arrays
def _repeat_norm(times, count, y, error, absolute, relative, first, last):
    total = 0.0
    for _ in range(times):
        total += error_norm(count, y, y, error, absolute, relative, first, last)
    return total


@kernel_on_arrays
def _repeat_tubes(times, t, y, head, c, wave, slopes, work, table, flow):
    """The flows through exhaust stem and port that one call of the rates (or derivatives) contains."""
    room = head.scalars[S_ROOM]
    bulb, dead, line, slope = work[0:G], work[G : 2 * G], work[2 * G : 3 * G], work[3 * G : 4 * G]
    scratch = work[4 * G :]
    bulb_and_head_pressures(y, head, bulb, dead)
    waveform_at(wave, t, line, slope)
    wall = y[head.at.wall]
    for _ in range(times):
        if c[C_BORE] > 0.0:
            if slopes:
                tube_mixture_flow_slopes(
                    bulb, wall, dead, room, head.stem_tube, flow, table[0], table[1], table[2, 0], table[2, 1], scratch
                )
            else:
                tube_mixture_flow(bulb, wall, dead, room, head.stem_tube, flow, scratch)
        if c[C_PORT] > 0.0:
            if slopes:
                tube_mixture_flow_slopes(
                    dead, room, line, room, head.port_tube, flow, table[0], table[1], table[2, 0], table[2, 1], scratch
                )
            else:
                tube_mixture_flow(dead, room, line, room, head.port_tube, flow, scratch)


def _moments(case: Case, tolerance):
    """(steps, rejected, evaluations) of the march and [(phase, local time, state, mean step)], one per step."""
    phases = case.phases
    y = case.valve.start.copy()
    total = np.zeros(3, dtype=np.int64)
    moments = []
    for k in range(len(phases.duration)):
        counts = np.zeros(3, dtype=np.int64)
        states, y = march_valve(case.valve, phases, k, k + 1, case.waves, y, tolerance, counts)
        rows = np.linspace(phases.sample_ptr[k], phases.sample_ptr[k + 1] - 1, int(counts[0])).round().astype(int)
        h = phases.duration[k] / counts[0]
        moments += [(k, phases.sample_time[row], states[row], h) for row in rows]
        total += counts
    return total, moments


def anatomy(case: Case, tolerance: float = 1e-3, times: int = 20) -> dict:
    """Shares of the processor time of one march at `tolerance`.

    Returns
    -------
    dict
        `march_ms`, `steps`, `rejected`, `evaluations`, `step_us`, and `rows`: {name: (microseconds
        for one call, calls in a step, share of the march)}; rows that begin with "of these" are
        parts of the row before.
    """
    counts, moments = _moments(case, tolerance)
    steps, rejected, evaluations = (int(n) for n in counts)
    whole = processor_seconds(lambda: case.own(tolerance), 15)
    head, shape, size = case.valve.tables, case.shape, case.size
    at = head.at
    count = shape.core + shape.leaves
    jac = new_jacobian(shape)
    work, dy, out, x = np.zeros(JACOBIAN_WORK), np.zeros(size), np.zeros(size), np.zeros(size)
    factors = new_factors(shape)
    increments, table, flow = np.zeros((8, count)), np.zeros((3, G, G)), np.zeros(G)
    absolute = case.valve.absolute
    spent = dict.fromkeys(
        ("rates", "tubes in rates", "derivatives", "tubes in derivatives", "factorisation", "solution", "vectors", "norm"), 0.0
    )

    def clock(name, call, *arguments):
        call(1, *arguments)  # loads code and data
        start = time.process_time()
        call(times, *arguments)
        spent[name] += time.process_time() - start

    for k, t, y, h in moments:
        c, wave = case.phases.controls[k], case.wave(k)
        shift = 1.0 / (GAMMA * h)
        clock("rates", _repeat_rates, t, y, head, c, wave, work, dy)
        clock("tubes in rates", _repeat_tubes, t, y, head, c, wave, False, work, table, flow)
        clock("derivatives", _repeat_jacobian, t, y, dy, head, c, wave, work, jac)
        clock("tubes in derivatives", _repeat_tubes, t, y, head, c, wave, True, work, table, flow)
        clock("factorisation", _repeat_factorise, shape, jac, shift, factors)
        clock("solution", _repeat_solve, shape, factors, dy, x)
        increments[:] = 1e-3 * y[:count]
        clock("vectors", _repeat_vectors, 1e300, y, dy, jac.time, increments, out)
        clock("norm", _repeat_norm, count, y, 1e-3 * absolute, absolute, tolerance, at.head, at.bulb + G)
    attempts = steps + rejected
    calls = {
        "rates": evaluations, "tubes in rates": evaluations, "derivatives": steps, "tubes in derivatives": steps,
        "factorisation": attempts, "solution": 8 * attempts, "vectors": attempts, "norm": attempts,
    }  # fmt: skip
    rows = {}
    known = 0.0
    for name, seconds in spent.items():
        each = seconds / (times * len(moments))
        part = each * calls[name]
        inside = name.startswith("tubes")
        known += 0.0 if inside else part
        rows[f"of these tubes, {name[9:]}" if inside else name] = (1e6 * each, calls[name] / steps, part / whole)
    rows["everything else"] = (float("nan"), 1.0, 1.0 - known / whole)
    return {
        "march_ms": 1e3 * whole, "steps": steps, "rejected": rejected, "evaluations": evaluations,
        "step_us": 1e6 * whole / steps, "core": shape.core, "leaves": shape.leaves, "states": size, "rows": rows,
    }  # fmt: skip


def anatomy_text(found: dict) -> str:
    """The table of `anatomy` as text."""
    lines = [
        f"one march: {found['march_ms']:.1f} ms, {found['steps']} steps ({found['step_us']:.1f} us each), "
        + f"{found['rejected']} rejected, {found['evaluations']} evaluations of the rates; "
        + f"{found['states']} states, core {found['core']}, leaves {found['leaves']}",
        f"{'':38}{'us a call':>10}{'calls a step':>14}{'us a step':>11}{'share':>8}",
    ]
    for name, (each, calls, share) in found["rows"].items():
        us = "" if np.isnan(each) else f"{each:.2f}"
        lines.append(f"{name:38}{us:>10}{calls:>14.2f}{share * found['step_us']:>11.2f}{share:>8.1%}")
    return "\n".join(lines)
