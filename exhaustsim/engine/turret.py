"""The loaded machine: every head with its own valve, every line, index after index.

In one index every head is marched through transfer and dwell with the pressure of the line that it
stands on as a waveform, every line with the flow that all its heads give it; the two are repeated
until the line pressures agree, then the turret moves on.  Nothing is assumed alike or periodic: a
leaker, a broken valve, an empty head, a stop change what they change and nothing else.  Flow between
head and line is booked once, so the gas ledger of the whole machine closes to round-off however
well the pressures agree.

Not here: which incidents a user means (see `exhaustsim.plant.incidents`), results (`exhaustsim.engine.loaded`).
What the head's own surfaces carry from valve to valve is in `exhaustsim.engine.headsurfaces`.
Not modelled: heat that a valve leaves in its head.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from exhaustsim.constants import GAS_COUNT as G
from exhaustsim.engine.jacobian import head_shape
from exhaustsim.engine.lines import LineHistory, Lines
from exhaustsim.engine.march import DONE, KIND_HEAD, MAX_STEPS_PER_PHASE, SENTENCES, march
from exhaustsim.engine.network import ValveArrays
from exhaustsim.engine.phases import Halt, Phases, Stretch, stretches_at
from exhaustsim.engine.observe import port_at_samples
from exhaustsim.engine.rates import C_PORT
from exhaustsim.engine.result import FailedRun
from exhaustsim.engine.pumping import NO_GROUP
from exhaustsim.engine.run import LINE_FLOOR
from exhaustsim.plant.schedule import PositionSetting, Schedule

SWEEP_AGREEMENT = 0.1  # root-mean-square relative change of a line pressure in the last sweep of an index, in units of the tolerance
STILL = 0.5  # share of that by which a line may move between two sweeps and count as where it was
MOST_SWEEPS = 20


@dataclass
class Rider:
    """A valve in a head, from position 1 to eject."""

    head: int  # from 1
    number: int  # valves counted from 1 in the order in which they were loaded
    schedule: Schedule
    valve: ValveArrays  # tables, with the valve's own leak
    state: np.ndarray
    clock: float = 0.0  # s since its port first opened
    leaks: list = field(default_factory=list)  # (s since the run began, mol/s of air into the bulb), beside that of the design
    befell: list = field(default_factory=list)  # incidents that struck this valve
    begun: np.ndarray | None = None  # state from which the ledger counts
    cut_off: bool = False  # its port stays blanked: found by the spark test
    surface_gas: float = 0.0  # mol that the head's own surfaces gave this valve, beyond the constant gas of the rubber
    pieces: list = field(default_factory=list)  # histories so far, one per index
    met: dict = field(default_factory=dict)  # line name -> its waveform in the index in which it stood highest while the valve stood there

    @property
    def leak(self) -> float:
        """Air that comes into the bulb through its leaks [mol/s]."""
        return sum(rate for _, rate in self.leaks)


class HeadMarch(NamedTuple):
    """One head through one index."""

    phases: Phases
    states: np.ndarray
    end: np.ndarray


def stretches_in_index(rider: Rider, schedule: Schedule, setting: PositionSetting, grid, halt: Halt, change, moments) -> list[Stretch]:
    """Phases of `rider` in the index that brings it to the position of `setting`; `schedule` is its own, as the shop is now.

    `change(control, stretch)` edits the controls of each; `moments` are times [s from the beginning of the index]
    at which it may change its mind.
    """
    stretches = stretches_at(schedule, rider.valve, setting, rider.clock, grid, halt)
    for moment in moments:
        stretches = [piece for stretch in stretches for piece in _cut(stretch, moment)]
    for stretch in stretches:
        change(stretch.control, stretch)
    return stretches


def _cut(stretch: Stretch, moment: float) -> list[Stretch]:
    """The stretch in two at local time `moment`, or whole if that is not inside it."""
    spent = moment - stretch.start
    if not 1e-9 < spent < stretch.duration - 1e-9:
        return [stretch]
    early = stretch.sample_time <= moment
    return [
        stretch._replace(duration=spent, sample_time=stretch.sample_time[early], places=stretch.places[early]),
        stretch._replace(
            control=stretch.control.copy(), start=moment, duration=stretch.duration - spent, sample_time=stretch.sample_time[~early],
            places=stretch.places[~early],
        ),
    ]  # fmt: skip


def _between(stretches: list[Stretch], begin: float, end: float, place: int) -> list[Stretch]:
    """What of the stretches lies between two local times; a part that begins in mid-dwell has a sample there, at `place` of the grid."""
    out = []
    for stretch in stretches:
        first, last = max(begin, stretch.start), min(end, stretch.start + stretch.duration)
        if last - first > 1e-9:
            inside = (stretch.sample_time >= first - 1e-12) & (stretch.sample_time <= last + 1e-12)
            times, places = stretch.sample_time[inside], stretch.places[inside]
            if begin > 0.0 and not out and (times.size == 0 or times[0] > begin + 1e-12):
                times, places = np.concatenate([[begin], times]), np.concatenate([[place], places])
            out.append(stretch._replace(start=first, duration=last - first, sample_time=times, places=places))
    return out


def phases_from(stretches: list[Stretch], position: int, clock: float) -> Phases:
    """The stretches of one head as arrays; `clock` is the valve's age at the beginning of the first."""
    per_phase = [len(s.sample_time) for s in stretches]
    ran = np.cumsum([0.0, *(s.duration for s in stretches)])
    local = np.concatenate([s.sample_time for s in stretches])
    return Phases(
        controls=np.array([s.control for s in stretches]),
        start=np.array([s.start for s in stretches]),
        duration=np.array([s.duration for s in stretches]),
        line=np.array([s.line for s in stretches], dtype=np.int64),
        sample_ptr=np.concatenate([[0], np.cumsum(per_phase)]).astype(np.int64),
        sample_time=local,
        time=clock + np.concatenate([r + s.sample_time - s.start for r, s in zip(ran, stretches, strict=False)]),
        position=np.full(len(local), position),
        stage=np.repeat([s.stage for s in stretches], per_phase),
        step=np.zeros(len(local), dtype=np.int64),
        grid_place=np.concatenate([s.places for s in stretches]),
    )


def march_rider(rider: Rider, state, phases: Phases, waves, tolerance: float, counts) -> HeadMarch:
    """March a head from `state` through its phases with given line pressures."""
    at = rider.valve.tables.at
    states = np.zeros((len(phases.sample_time), at.size))
    y = state.copy()
    status, _ = march(
        KIND_HEAD, rider.valve.tables, NO_GROUP, head_shape(rider.valve.tables), phases.controls, phases.duration, phases.start,
        np.maximum(phases.line, 0), *waves, phases.sample_ptr, phases.sample_time, y, rider.valve.absolute * (tolerance / 1e-3), tolerance,
        at.head, at.bulb + G, MAX_STEPS_PER_PHASE, states, counts,
    )  # fmt: skip
    if status != DONE:
        raise FailedRun(f"{SENTENCES[status]} It happened in head {rider.head} at position {phases.position[0]}.")
    return HeadMarch(phases, states, y)


class Index(NamedTuple):
    """What one index of the machine, or a part of it, came to."""

    heads: dict[int, HeadMarch]  # by head
    waves: tuple  # knots, pressures, slopes that the heads met
    history: LineHistory
    sweeps: int
    change: float  # of a line pressure in the last sweep


def position_of_head(head: int, index: int, positions: int) -> int:
    """Position, from 1, at which `head` stands in the dwell of index number `index` (from 0; head 1 begins at position 1)."""
    return (head - 1 + index) % positions + 1


class Part(NamedTuple):
    """What stays the same while one index is solved."""

    riders: dict[int, Rider]
    position: dict[int, int]
    stretches: dict[int, list[Stretch]]
    lines: Lines
    idle: np.ndarray  # (line, gas) flow of heads without a valve [mol/s]
    tolerance: float
    counts: np.ndarray


def turn(part: Part, guess, start) -> Index:
    """Carry all riders and lines through one index.

    guess : (knots, pressures, slopes) of the lines to begin with; start : (line, state) at the beginning of the index.

    Raises
    ------
    FailedRun
        The sweeps did not agree, or the stepper gave up.
    """
    states = {head: rider.state for head, rider in part.riders.items()}
    clocks = {head: rider.clock for head, rider in part.riders.items()}
    return _solve(part, 0, len(part.lines.dwelling) - 1, states, clocks, start, guess)


def _solve(part: Part, first: int, last: int, states, clocks, start, guess) -> Index:
    """Sweep over the dwell knots first to last (with the transfer if first is 0); where sweeps do not agree, by halves.

    Over a long time a line flooded with air and the heads that fill from it answer one another many times over, over
    a short one hardly at all.
    """
    done = _sweep(part, first, last, states, clocks, start, guess)
    if isinstance(done, Index):
        return done
    middle = (first + last) // 2
    if middle == first:
        raise FailedRun(done)
    steady = [np.repeat(part.lines.pressure_in(start)[:, None], last - first + 1, axis=1)]
    steady.append(np.zeros_like(steady[0]))
    knots = part.lines.dwelling[first : last + 1]
    early = _solve(part, first, middle, states, clocks, start, (knots[: middle - first + 1], *(w[:, : middle - first + 1] for w in steady)))
    states = {head: marched.end for head, marched in early.heads.items()}
    clocks = {head: clocks[head] + marched.phases.duration.sum() for head, marched in early.heads.items()}
    steady = [np.repeat(early.waves[1][:, -1:], last - middle + 1, axis=1)]
    steady.append(np.zeros_like(steady[0]))
    late = _solve(part, middle, last, states, clocks, early.history.end, (knots[middle - first :], *steady))
    return _joined(early, late)


def _sweep(part: Part, first: int, last: int, states, clocks, start, guess) -> Index | str:
    """Heads and lines in turn until the line pressures agree; else why they do not."""
    lines = part.lines.part(first, last)
    begin = 0.0 if first == 0 else lines.dwelling[0]
    offset = len(part.lines.moving) + first
    phases = {
        head: phases_from(_between(part.stretches[head], begin, lines.dwelling[-1], offset), part.position[head], clocks[head])
        for head in part.riders
    }
    waves = _not_below_nothing(guess)
    opened = (lines.dwelling - lines.dwelling[0])[:, None]
    change = np.inf
    marched: dict[int, HeadMarch] = {}
    moved = np.ones(max(len(lines.place), 1), dtype=np.bool_)
    for sweep in range(1, MOST_SWEEPS + 1):
        total = part.idle[:, None, :] * opened
        rate = np.repeat(part.idle[:, None, :], len(opened), axis=1)
        try:
            for head, rider in part.riders.items():
                # A head whose line stays as it was would do the same again.
                line = phases[head].line.max()
                if sweep == 1 or (line >= 0 and moved[line]):
                    marched[head] = march_rider(rider, states[head], phases[head], waves, part.tolerance, part.counts)
                _hand_over(rider, marched[head], waves, offset, total, rate)
            history = lines.march(total, rate, start, part.tolerance, part.counts, periods=1, exact=True)
        except FailedRun as failure:
            return str(failure)
        changes = _changes(lines, waves[1], history)
        before, change = change, float(changes.max(initial=0.0))
        if change <= SWEEP_AGREEMENT * part.tolerance:
            return Index(marched, waves, history, sweep, change)
        if sweep > 3 and not change < 0.8 * before:
            # Step selection alone moves a line near the knee of its pump by about the tolerance.
            if change <= 3.0 * part.tolerance:
                return Index(marched, waves, history, sweep, change)
            break
        latest = _not_below_nothing(lines.dwell_waves(history))
        moved = changes > STILL * SWEEP_AGREEMENT * part.tolerance
        pick = moved[:, None, None]
        waves = (latest[0], np.where(pick, latest[1], waves[1]), np.where(pick, latest[2], waves[2]))
    return f"Heads and lines did not agree on the line pressures (last change {change:.1e})."


def _joined(early: Index, late: Index) -> Index:
    """Two parts of an index as one; the instant between them is told once."""

    def phases(a: Phases, b: Phases) -> Phases:
        out = {name: np.concatenate([getattr(a, name), getattr(b, name)]) for name in ("controls", "start", "duration", "line")}
        for name in ("sample_time", "time", "position", "stage", "step", "grid_place"):
            out[name] = np.concatenate([getattr(a, name), getattr(b, name)[1:]])
        out["sample_ptr"] = np.concatenate([a.sample_ptr, b.sample_ptr[1:] + a.sample_ptr[-1] - 1])
        return Phases(**out)

    heads = {
        head: HeadMarch(phases(mine.phases, late.heads[head].phases), np.concatenate([mine.states, late.heads[head].states[1:]]), late.heads[head].end)
        for head, mine in early.heads.items()
    }
    knots = np.concatenate([early.waves[0], late.waves[0][1:]])
    waves = (knots, *(np.concatenate([a, b[:, 1:]], axis=1) for a, b in zip(early.waves[1:], late.waves[1:], strict=True)))
    # The later part repeats the instant at which it begins twice: as its place in the transfer, and as its first knot.
    history = {
        name: np.concatenate([getattr(early.history, name), getattr(late.history, name)[:, 2:]], axis=1)
        for name in ("pressure", "slope", "inflow", "backing", "running")
    }
    states = tuple(np.concatenate([a, b[2:]]) for a, b in zip(early.history.states, late.history.states, strict=True))
    imbalance = np.maximum(early.history.imbalance, late.history.imbalance)
    return Index(
        heads, waves, LineHistory(**history, end=late.history.end, imbalance=imbalance, states=states), max(early.sweeps, late.sweeps),
        max(early.change, late.change),
    )  # fmt: skip


def _not_below_nothing(waves):
    """The waveforms with negative pressures made nothing.

    A guess far too high lets heads take more from a line than is in it; the next sweep starts from here.
    """
    knots, pressure, slope = waves
    below = pressure < 0.0
    return knots, np.where(below, 0.0, pressure), np.where(below, 0.0, slope)


def _hand_over(rider: Rider, done: HeadMarch, waves, first_place: int, total, rate) -> None:
    """Add what this head gave its line."""
    phases = done.phases
    at = rider.valve.tables.at
    phase = np.searchsorted(phases.sample_ptr, np.arange(len(done.states)), side="right") - 1
    rows = np.flatnonzero(phases.controls[phase, C_PORT] > 0.0)
    if rows.size == 0:
        return
    line = int(phases.line[phase[rows[0]]])
    pressure, flow = np.zeros((2, len(rows), G))
    port_at_samples(
        rider.valve.tables, np.ones(len(rows), dtype=np.bool_), np.full(len(rows), line), phases.sample_time[rows], *waves,
        done.states[rows], pressure, flow,
    )  # fmt: skip
    places = phases.grid_place[rows] - first_place
    pumped = done.states[rows, at.pumped : at.pumped + G]
    total[line, places] += pumped - pumped[0]
    rate[line, places] += flow


def _changes(lines: Lines, before, history: LineHistory) -> np.ndarray:
    """(line,) root-mean-square relative change of the total line pressure over the dwell."""
    if not lines.groups:
        return np.zeros(1)
    old = before.sum(axis=2)
    new = history.pressure[:, len(lines.moving) :].sum(axis=2)
    time = lines.dwelling
    square = np.trapezoid(((new - old) / (np.abs(new) + LINE_FLOOR)) ** 2, time, axis=1) / (time[-1] - time[0])
    return np.sqrt(square)


def guess_waves(lines: Lines, history: LineHistory | None, moving, dwelling, start) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Line pressures to begin an index with: those of the index before, on the times of this one.

    `history` with its own grid (`moving`, `dwelling`), or None: the pressures at `start` throughout.
    """
    if history is not None and len(dwelling) == len(lines.dwelling) and np.array_equal(dwelling, lines.dwelling):
        return lines.dwell_waves(history)
    number = len(lines.place)
    knots = lines.dwelling
    pressure = np.zeros((max(number, 1), len(knots), G))
    for k in range(number):
        if history is None:
            pressure[k] = lines.pressure_in(start)[k]
        else:
            old = history.pressure[k, len(moving) :]
            for g in range(G):
                pressure[k, :, g] = np.interp(knots - knots[0], dwelling - dwelling[0], old[:, g])
    return knots, pressure, np.zeros_like(pressure)
