"""One head followed at the moments at which a gauge was read, again and again with small changes.

A fit asks what the bulb pressure would have been at the readings of a log, for a valve a little
unlike the last one.  The valve is marched through the positions against line pressures that are
given.  `along` marches it with steps chosen by their errors; `beside` marches a changed valve over
the steps of an earlier march, so that the difference of the two is smooth in the change and owes
nothing to the choice of steps.

The lines follow what the valves give them: `line_pressures` finds them for one valve, and
`carried` says how they go with small changes, gas by gas in proportion.

Not modelled: a gauge valve that is itself unlike the valves on the other heads is marched against
the lines of those others only when the caller holds the lines still.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from exhaustsim.constants import GAS_CONSTANT
from exhaustsim.engine import rates
from exhaustsim.engine.jacobian import head_shape
from exhaustsim.engine.lines import LineHistory, Lines
from exhaustsim.engine.march import DONE, KIND_HEAD, MAX_STEPS_PER_PHASE, SENTENCES, march
from exhaustsim.engine.network import ValveArrays, number_valve
from exhaustsim.engine.observe import ports_of
from exhaustsim.engine.phases import Phases, phases_of
from exhaustsim.engine.pumping import NO_GROUP
from exhaustsim.engine.rates import G
from exhaustsim.engine.result import FailedRun
from exhaustsim.engine.run import settle_lines
from exhaustsim.plant.schedule import Schedule

MOST_STEPS = 100_000  # of one march that can be written down


class LinePressures(NamedTuple):
    """Pressures of all lines over one index, as a valve meets them."""

    knots: np.ndarray  # (knots,) s, of the dwell
    pressure: np.ndarray  # (line, knots, gas) Pa
    slope: np.ndarray  # (line, knots, gas) Pa/s


class Riding(NamedTuple):
    """Partial pressures at the readings, and the steps that were taken for them."""

    bulb: np.ndarray  # (n, gas) Pa
    line: np.ndarray  # (n, gas) Pa at the manifold, NaN while the port is blanked
    steps: np.ndarray  # (steps,) s


@dataclass(frozen=True, eq=False)
class Moments:
    """The phases up to the last of some moments, with the moments put into them."""

    phases: Phases
    count: int  # phases to march

    @classmethod
    def of(cls, phases: Phases, time, until: float) -> Moments:
        """Moments `time` (n,) [s since the port first opened, rising] in the phases of a schedule up to that of `until` [s].

        Raises
        ------
        ValueError
            A moment before the first phase or after `until`, or moments that do not rise.
        """
        time = np.asarray(time, float)
        begins = np.concatenate([[0.0], np.cumsum(phases.duration)])
        until = min(until, begins[-1])
        if time.size == 0 or time[0] < 0.0 or time[-1] > until or np.any(np.diff(time) < 0.0):
            raise ValueError(f"moments must rise and lie between 0 and {until:g} s")
        last = int(np.searchsorted(begins, until, side="left"))
        phase = np.minimum(np.searchsorted(begins, time, side="right") - 1, last - 1)
        pointer = np.searchsorted(phase, np.arange(len(phases.duration) + 1)).astype(np.int64)
        local = time - begins[phase] + phases.start[phase]
        old = phases.sample_ptr[phase]
        placed = phases._replace(
            sample_ptr=pointer, sample_time=local, time=time, position=phases.position[old], stage=phases.stage[old],
            step=phases.step[old], grid_place=np.full(len(time), -1),
        )  # fmt: skip
        return cls(placed, last)


def along(schedule: Schedule, time, lines: LinePressures, until: float, tolerance: float = 1e-3) -> Riding:
    """The valve of `schedule` at the moments `time` [s since its port first opened], marched with steps of its own up to `until` [s].

    Raises
    ------
    FailedRun
        The stepper gave up.
    ValueError
        Moments outside the schedule.
    """
    return _march(schedule, time, lines, until, tolerance, np.zeros(MOST_STEPS), given=False)


def beside(schedule: Schedule, time, lines: LinePressures, until: float, steps: np.ndarray) -> Riding:
    """As `along`, over the steps of an earlier march through the same positions up to the same moment.

    Raises
    ------
    FailedRun
        The steps do not fit, or a rate is no finite number on them.
    """
    return _march(schedule, time, lines, until, 1e-3, steps, given=True)


def _march(schedule: Schedule, time, lines: LinePressures, until: float, tolerance: float, steps: np.ndarray, given: bool) -> Riding:
    valve = number_valve(schedule.valve, schedule.machine)
    moments = Moments.of(phases_of(schedule, valve), time, until)
    phases, last = moments.phases, moments.count
    states = np.zeros((len(phases.time), valve.tables.at.size))
    counts = np.zeros(3, dtype=np.int64)
    status, phase = march(
        KIND_HEAD, valve.tables, NO_GROUP, head_shape(valve.tables), phases.controls[:last], phases.duration[:last], phases.start[:last],
        np.maximum(phases.line[:last], 0), *lines, phases.sample_ptr[: last + 1], phases.sample_time, valve.start.copy(),
        valve.absolute * (tolerance / 1e-3), tolerance, valve.tables.at.head, valve.tables.at.bulb + G, MAX_STEPS_PER_PHASE, states, counts,
        steps, given,
    )  # fmt: skip
    if status != DONE:
        raise FailedRun(f"{SENTENCES[status]} It happened in phase {phase + 1} of the ride.")
    _, line, _ = ports_of(valve, phases, states, lines)
    return Riding(_bulb_pressure(valve, states), line, steps if given else steps[: counts[0]].copy())


def _bulb_pressure(valve: ValveArrays, states: np.ndarray) -> np.ndarray:
    at, s = valve.tables.at, valve.tables.scalars
    return states[:, at.bulb : at.bulb + G] * (GAS_CONSTANT * states[:, at.wall] / s[rates.S_BULB_VOLUME])[:, None]


# ---- the lines ---------------------------------------------------------------------------


def line_history(schedule: Schedule, tolerance: float = 1e-3, begin: LineHistory | None = None) -> LineHistory:
    """The periodic line pressures of a machine full of valves like that of `schedule`, near `begin` if that is given.

    Raises
    ------
    FailedRun
        The lines found no periodic state.
    """
    valve = number_valve(schedule.valve, schedule.machine)
    counts = np.zeros(3, dtype=np.int64)
    return settle_lines(schedule, valve, phases_of(schedule, valve), Lines(schedule), tolerance, counts, begin).history


def line_pressures(schedule: Schedule, history: LineHistory) -> LinePressures:
    """The pressures of `history` as the valves meet them over the dwell."""
    return LinePressures(*Lines(schedule).dwell_waves(history))


def growth_of(base: LinePressures, changed: LinePressures, step: float) -> np.ndarray:
    """(line, knots, gas) growth of the logarithm of the line pressures per unit of a change of which `step` was made."""
    both = (base.pressure > 0.0) & (changed.pressure > 0.0)
    ratio = np.where(both, changed.pressure / np.where(both, base.pressure, 1.0), 1.0)
    return np.log(ratio) / step


def carried(base: LinePressures, growths: Mapping[str, np.ndarray], change: Mapping[str, float]) -> LinePressures:
    """The line pressures after small changes, in proportion to the growths of `growth_of` under the same names."""
    power = sum((growths[name] * size for name, size in change.items() if name in growths), np.zeros_like(base.pressure))
    pressure = base.pressure * np.exp(power)
    slope = np.exp(power) * base.slope + pressure * np.gradient(power, base.knots, axis=1)
    return LinePressures(base.knots, pressure, slope)
