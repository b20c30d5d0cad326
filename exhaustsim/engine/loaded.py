"""A run of the loaded machine: from the cyclic steady state, or from empty heads, through incidents.

`simulate_machine` begins where a machine with all heads alike has settled (or with empty heads),
turns it index after index with the incidents it is given, and follows every valve from position 1
to eject and through ageing and shelf, so that each can be judged like a valve of `simulate`.

Not modelled: what a valve's breakage does to glass, coils and rubber; oil carried into the valves.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, replace

import numpy as np

from exhaustsim.constants import ELEMENT_NAMES, GAS_CONSTANT, GAS_COUNT as G
from exhaustsim.engine import rates
from exhaustsim.engine.headsurfaces import HeadSurfaces
from exhaustsim.engine.jacobian import head_shape
from exhaustsim.engine.ledger import GasLedger
from exhaustsim.engine.lines import LineHistory, Lines
from exhaustsim.engine.march import DONE, KIND_HEAD, MAX_STEPS_PER_PHASE, SENTENCES, march
from exhaustsim.engine.network import gas_array, gas_column, number_valve
from exhaustsim.engine.phases import NO_HALT, Halt, Phases, Stretch, index_grid, leak_of_position, phases_of, sealed_stretches, transfer_of
from exhaustsim.engine.observe import HEAD_SURFACES, histories, ledger_between, rates_of
from exhaustsim.engine.result import FailedRun, LineWaveform, Outcome, Run
from exhaustsim.engine.pumping import NO_GROUP
from exhaustsim.engine.run import LEDGER_LIMIT, phases_on_machine, settle_lines
from exhaustsim.engine.turret import Index, Part, Rider, guess_waves, position_of_head, stretches_in_index, turn
from exhaustsim.plant.coldstart import after_cold_start
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.incidents import (
    BROKEN_LEAK, AiredHeads, BrokenValve, EmptyHead, Incident, Leaker, OtherValves, ScoredPlate, SlackCoil, Stop, WeakPump, check_incidents, check_struck,
)  # fmt: skip
from exhaustsim.plant.schedule import Schedule

MOST_INDICES = 400  # without a periodic state by then, there is none


@dataclass(frozen=True, eq=False)
class TurretIndex:
    """One index of the machine."""

    number: int  # from 1
    begin: float  # s since the run began
    length: float  # s, with a stop in it
    halt: Halt
    lines: tuple[LineWaveform, ...]
    position: dict[int, int]  # head -> position in the dwell
    bulb_pressure: dict[int, np.ndarray]  # head -> (gas,) Pa at the end of the index; heads with a valve only
    sweeps: int
    change: float  # largest relative change of a bulb or line pressure against the index one period before, NaN if none


@dataclass(frozen=True, eq=False)
class Journey:
    """One valve on the loaded machine, from position 1 to eject and on."""

    head: int
    number: int  # valves counted from 1 in the order of loading; 0 and less: loaded before the run began
    entered: int  # index, from 1, in which it came to position 1; 0 and less: before the run began
    run: Run
    incidents: tuple[Incident, ...]  # that befell this valve or its head
    cut_off: bool = False  # its head was blanked after the spark test


@dataclass(frozen=True, eq=False)
class MachineLedger:
    """Gas account of all heads and lines from the beginning of the run to its end, (gas,) mol each."""

    brought: np.ndarray  # gas in heads and lines at the beginning, and in valves loaded since
    admitted: np.ndarray  # through port plates, rubber and bulbs
    released: np.ndarray  # from parts, less taken back
    formed: np.ndarray  # by reactions, less consumed
    exhausted: np.ndarray  # by the pumps, out of the machine
    sorbed: np.ndarray  # by mirrors
    head_surfaces: np.ndarray  # given back by heads that had stood open to room air for longer than usual
    ejected: np.ndarray  # gas in heads that gave up their valve
    remaining: np.ndarray  # gas in heads and lines at the end
    inventory: np.ndarray  # what errors are measured against: all gas that was there, held or came in
    element_residual: np.ndarray  # (element,) mol of atoms not accounted for, all valves
    element_inventory: np.ndarray  # (element,)

    @property
    def residual(self) -> np.ndarray:
        """(gas,) mol not accounted for."""
        out = self.exhausted + self.sorbed + self.ejected + self.remaining
        return self.brought + self.admitted + self.head_surfaces + self.released + self.formed - out

    @property
    def error(self) -> float:
        """Worst residual as a share of the inventory, over gases and elements."""
        gas = np.abs(self.residual) / np.maximum(self.inventory, 1e-30)
        element = np.abs(self.element_residual) / np.maximum(self.element_inventory, 1e-30)
        return float(max(gas.max(), element.max()))


@dataclass(frozen=True, eq=False)
class MachineRun:
    """The loaded machine, index by index, and every valve that left it or rides on it at the end."""

    schedule: Schedule
    incidents: tuple[Incident, ...]
    indices: tuple[TurretIndex, ...]
    journeys: tuple[Journey, ...]  # valves that have left the machine, in the order of leaving
    ledger: MachineLedger
    outcome: Outcome
    settled: int | None  # index, from 1, by which pressures repeated themselves; None if they did not
    tolerance: float

    @property
    def last(self) -> TurretIndex:
        """The last index."""
        return self.indices[-1]


def plan(schedule: Schedule, incidents: Iterable[Incident], count: int) -> list[tuple[float, Halt]]:
    """(begin, halt) of `count` indices.

    Raises
    ------
    DesignFault
        Two stops in one index.
    """
    stops = sorted((i for i in incidents if isinstance(i, Stop)), key=lambda stop: stop.start)
    out = []
    begin = 0.0
    for _ in range(count):
        end = begin + schedule.index_time
        halt = NO_HALT
        mine = [stop for stop in stops if begin <= stop.start < end]
        if mine:
            halt = Halt(mine[0].start - begin, mine[0].duration, mine[0].rf_stays)
            end += halt.duration
            mine = [stop for stop in stops if begin <= stop.start < end]
        if len(mine) > 1:
            need = f"two stops fall into the index that begins at {begin:g} s"
            raise DesignFault([Fault("incidents", "Stop.start", f"{mine[1].start:g}", need, "part them by more than an index time")])
        out.append((begin, halt))
        begin = end
    return out


def simulate_machine(
    schedule: Schedule, incidents: Iterable[Incident] = (), *, indices: int | None = None, seconds: float | None = None, from_empty: bool = False,
    spark_test_catches: float | None = None, follow: bool | Collection[int] = True, agreement: float = 1e-6, tolerance: float = 1e-3,
    progress: Callable[[int, int], None] | None = None, cold_start: float | None = None, leaving: Callable[[Journey], bool] | None = None,
) -> MachineRun:  # fmt: skip
    """Run the loaded machine.

    Parameters
    ----------
    schedule : Schedule
        What every head is loaded with, unless an incident says otherwise.
    incidents : iterable of Incident
        See `exhaustsim.plant.incidents`; moments count from the beginning of the run, heads and positions from 1.
    indices : int, optional
        How many indices to run.  By default until pressures repeat themselves to `agreement` (after the last
        incident and, with incidents, at least one rotation).
    seconds : float, optional
        Instead: how long to run [s], stops counted in; the index that is begun is finished.
    from_empty : bool
        Begin with empty heads and lines at rest instead of the cyclic steady state.
    spark_test_catches : float, optional
        Leak into the bulb [mol/s] from which the spark test finds a leaker; its head is blanked from there on.
        By default nothing is found.
    follow : bool or collection of int
        Keep the histories of the valves (`MachineRun.journeys`), of all heads or of these; without them a run is faster.
    agreement : float
        Largest relative change per period of a bulb or line pressure that counts as settled [1].
    tolerance : float
        Relative tolerance of a step [1].
    progress : callable, optional
        Called with (indices done, indices planned) after every index.
    cold_start : float, optional
        The run begins so many seconds after the machine was switched on cold, heads empty; oven and diffusion pumps come up
        while it goes on (each index takes them as they are in its middle).  Needs `indices` or `seconds`.
    leaving : callable, optional
        Called with each followed valve that leaves the machine, which is then not kept in `MachineRun.journeys`; when it
        returns True the run ends after that index.

    Returns
    -------
    MachineRun

    Raises
    ------
    DesignFault
        Incidents that cannot happen, or find no valve to happen to; a cold start without a warm-up in the machine file.
    ValueError
        Contradictory lengths of the run, or a cold start without one.
    FailedRun
        The stepper gave up, heads and lines did not agree, or the gas ledger did not close.
    """
    incidents = tuple(incidents)
    rotation = schedule.machine.positions
    if indices is not None and seconds is not None:
        raise ValueError("give indices or seconds, not both")
    if cold_start is not None and indices is None and seconds is None:
        raise ValueError("a machine that warms up settles after hours only: give indices or seconds")
    count = indices if indices is not None else MOST_INDICES if seconds is None else max(1, int(np.ceil(seconds / schedule.index_time)))
    if count < 1:
        raise ValueError(f"a run needs at least 1 index, not {count}")
    stood = sum(i.duration for i in incidents if isinstance(i, Stop) and 0.0 < i.duration < np.inf)
    check_incidents(schedule, incidents, seconds if seconds is not None else count * schedule.index_time + stood)
    turret = _Turret(schedule, incidents, from_empty, spark_test_catches, follow, tolerance, cold_start, leaving)
    alike = not any(isinstance(i, (Leaker, BrokenValve, ScoredPlate, EmptyHead, OtherValves, AiredHeads)) for i in incidents)
    period = 1 if alike else rotation
    last_incident = max((i.start for i in incidents), default=0.0)
    settled = None
    for number, (begin, halt) in enumerate(plan(schedule, incidents, count), start=1):
        if seconds is not None and begin >= seconds:
            break
        change = turret.index(number, begin, halt, period)
        if progress is not None:
            progress(number, count)
        if turret.ended:
            break
        through = begin >= last_incident and (not incidents or number > rotation) and (not from_empty or number > rotation)
        if settled is None and through and change <= agreement:
            settled = number
            if indices is None and seconds is None:
                break
    if indices is None and seconds is None and settled is None:
        raise FailedRun(f"The machine found no periodic state in {count} indices (last change {change:.1e}).")
    check_struck(incidents, incidents if turret.ended else turret.struck)
    return turret.result(settled)


class _Turret:
    """The machine between two indices, and the account of what happened."""

    def __init__(self, schedule, incidents, from_empty, spark_test_catches, follow, tolerance, cold_start, leaving):
        self.schedule, self.incidents = schedule, incidents
        self.spark_test_catches, self.tolerance = spark_test_catches, tolerance
        self.machine = schedule.machine
        heads = range(1, self.machine.positions + 1)
        self.followed = frozenset(heads if follow is True else follow or ())
        self.lines = Lines(schedule)
        self.air = self.lines.air
        self.rubber = gas_array(self.machine.rubber_gases)
        self.counts = np.zeros(3, dtype=np.int64)
        self.records: list[TurretIndex] = []
        self.journeys: list[Journey] = []
        self.riders: dict[int, Rider] = {}
        self.surfaces = HeadSurfaces(schedule, incidents)
        self.valves = {id(schedule): number_valve(schedule.valve, self.machine)}
        self.account = {name: np.zeros(G) for name in ACCOUNT}
        self.element_residual, self.element_inventory = np.zeros((2, len(ELEMENT_NAMES)))
        self.loaded = 0
        self.history: LineHistory | None = None
        self.moving, self.dwelling = self.lines.moving, self.lines.dwelling
        self.cold_start, self.leaving, self.ended, self.struck = cold_start, leaving, False, []
        if cold_start is not None:
            self._take_pumps_at(cold_start)
        if from_empty or cold_start is not None:
            self.at_lines = self.lines.at_rest().end
        else:
            self._settle()
        self.at_lines = self.lines.cleared(self.at_lines)
        self.account["brought"] += self.lines.gas_in(self.at_lines)

    def _settle(self) -> None:
        """Begin with every head loaded, as on a machine whose heads are all alike."""
        valve = self.valves[id(self.schedule)]
        phases = phases_of(self.schedule, valve)
        done = settle_lines(self.schedule, valve, phases, self.lines, self.tolerance, self.counts)
        riding = _first_phases(phases, phases_on_machine(phases))
        states = done.states[: len(riding.time)]
        seen = histories(self.schedule, valve, riding, states, rates_of(valve, riding, states, done.waves), done.waves) if self.followed else {}
        starts = riding.time[np.searchsorted(riding.position, np.arange(1, self.machine.positions + 2), side="left").clip(max=len(riding.time) - 1)]
        for head in range(2, self.machine.positions + 1):
            rows = np.flatnonzero(riding.position < head)
            rider = Rider(head, 2 - head, self.schedule, valve, states[rows[-1]].copy(), float(starts[head - 1]))
            if head in self.followed:
                rider.pieces.append({name: seen[name][rows] for name in TIMED})
            self._begin(rider)
            self._meet(rider, range(1, head), self.lines.waveforms(done.history))
        self.history = done.history
        self.at_lines = done.history.end.copy()
        self.surfaces.unplugged.add(1)

    def _meet(self, rider: Rider, positions: Iterable[int], waves: tuple[LineWaveform, ...]) -> None:
        """Keep of each line on which the valve stood the waveform of its worst index: what its flags are raised on."""
        stood = {self.machine.line_of_position.get(p) for p in positions}
        for wave in waves:
            if wave.name in stood and (wave.name not in rider.met or wave.mean_pressure > rider.met[wave.name].mean_pressure):
                rider.met[wave.name] = wave

    def _take_pumps_at(self, seconds: float) -> None:
        self.lines.take_pumps_of(after_cold_start(self.schedule, seconds).machine, self.schedule.valve.tables)

    def _begin(self, rider: Rider) -> None:
        rider.begun = rider.state.copy()
        at = rider.valve.tables.at
        self.account["brought"] += rider.state[at.bulb : at.bulb + G] + rider.state[at.head : at.head + G]
        self.riders[rider.head] = rider

    # ---- one index -------------------------------------------------------------------------

    def index(self, number: int, begin: float, halt: Halt, period: int) -> float:
        """Carry the machine through one index; returns the change against one period before."""
        machine = self.machine
        strikes = tuple(sorted({i.start - begin for i in self.incidents if not isinstance(i, Stop) and begin < i.start < begin + self.schedule.index_time}))
        halt = halt._replace(strikes=strikes)
        self.lines.set_grid(self.schedule, halt)
        end = begin + self.schedule.index_time + halt.duration
        if self.cold_start is not None:
            self._take_pumps_at(self.cold_start + 0.5 * (begin + end))
        self.lines.weaken({i.line: i.speed_share for i in self.incidents if isinstance(i, WeakPump) and i.start < end})
        grid = index_grid(self.schedule, halt)
        names = [line.name for line in machine.lines]
        idle = np.zeros((max(len(names), 1), G))
        idle_surfaces = np.zeros(G)  # mol that the surfaces of heads without a valve give back
        opens = begin + transfer_of(self.schedule, halt)
        stretches = {}
        for head in range(1, machine.positions + 1):
            here = position_of_head(head, number - 1, machine.positions)
            if here == 1:
                self._reload(head, begin, opens, halt)
            rider = self.riders.get(head)
            if rider is None:
                name = machine.line_of_position.get(here)
                if name is not None:
                    leak = leak_of_position(machine, here) + self._scored(head, begin)
                    idle[names.index(name)] += leak * self.air
                    idle[names.index(name)] += machine.rubber_gas * self.rubber
                    back = self.surfaces.given_back(head, opens, end) * self.rubber
                    idle[names.index(name)] += back / (end - opens)
                    idle_surfaces += back
                continue
            self.surfaces.stopped(head, here, rider.schedule, halt)
            self._spark_test(rider, here)
            rider.cut_off |= any(isinstance(i, BrokenValve) for i in rider.befell)
            setting = rider.schedule.positions[here - 1]
            stretches[head] = self._stretches(rider, setting, grid, halt, begin)
        guess = guess_waves(self.lines, self.history, self.moving, self.dwelling, self.at_lines)
        position = {head: position_of_head(head, number - 1, machine.positions) for head in range(1, machine.positions + 1)}
        part = Part(self.riders, position, stretches, self.lines, idle, self.tolerance, self.counts)
        done = turn(part, guess, self.at_lines)
        self._book(done, idle, idle_surfaces)
        bulb = {}
        for head, marched in done.heads.items():
            rider = self.riders[head]
            if head in self.followed:
                rates_there = rates_of(rider.valve, marched.phases, marched.states, done.waves)
                seen = histories(rider.schedule, rider.valve, marched.phases, marched.states, rates_there, done.waves)
                rider.pieces.append({name: seen[name] for name in TIMED})
            rider.state = marched.end
            rider.clock += float(marched.phases.duration.sum())
            at, s = rider.valve.tables.at, rider.valve.tables.scalars
            bulb[head] = marched.end[at.bulb : at.bulb + G] * GAS_CONSTANT * marched.end[at.wall] / s[rates.S_BULB_VOLUME]
        record = TurretIndex(
            number, begin, self.schedule.index_time + halt.duration, halt, self.lines.waveforms(done.history), position, bulb, done.sweeps,
            self._change(position, bulb, done.history, period),
        )  # fmt: skip
        self.records.append(record)
        for head in done.heads:
            self._meet(self.riders[head], (position[head],), record.lines)
        self.history, self.moving, self.dwelling = done.history, self.lines.moving, self.lines.dwelling
        self.at_lines = self.lines.cleared(done.history.end.copy())
        return record.change

    def _scored(self, head: int, time: float) -> float:
        return sum(i.throughput for i in self.incidents if isinstance(i, ScoredPlate) and i.head == head and i.start <= time)

    def _reload(self, head: int, begin: float, opens: float, halt: Halt) -> None:
        """Take the stub of the old valve out of `head` and load a new one, whose port opens at `opens`."""
        self.surfaces.loaded(head, self.riders.get(head), begin, opens, halt)
        if head in self.riders:
            self._eject(self.riders.pop(head))
        schedule = self.schedule
        for incident in self.incidents:
            if isinstance(incident, OtherValves) and head in incident.heads and incident.start <= begin:
                schedule = incident.schedule
        if any(isinstance(i, EmptyHead) and i.head == head and i.start <= begin for i in self.incidents):
            return
        if id(schedule) not in self.valves:
            self.valves[id(schedule)] = number_valve(schedule.valve, self.machine)
        self.loaded += 1
        valve = self.valves[id(schedule)]
        self._begin(Rider(head, self.loaded, schedule, valve, valve.start.copy()))

    def _spark_test(self, rider: Rider, here: int) -> None:
        setting = rider.schedule.positions[here - 1]
        catches = self.spark_test_catches
        if setting.action == "spark_test" and catches is not None and rider.leak >= catches > 0.0:
            rider.cut_off = True

    def _stretches(self, rider: Rider, setting, grid, halt: Halt, begin: float) -> list[Stretch]:
        """Phases of a head with what the incidents change."""
        blanked = self.machine.blanked_leak_share
        end = begin + self.schedule.index_time + halt.duration
        for incident in self.incidents:
            if isinstance(incident, (Leaker, BrokenValve)) and incident.head == rider.head and incident.start < end and incident not in self.struck:
                self._strike(rider, incident)
        scored = [(i.start, i.throughput) for i in self.incidents if isinstance(i, ScoredPlate) and i.head == rider.head]
        slack = [(i.start, i.power_share) for i in self.incidents if isinstance(i, SlackCoil) and i.position == setting.position]
        nodes = len(rider.valve.node_names)
        schedule = rider.schedule
        if self.cold_start is not None:
            air = after_cold_start(schedule, self.cold_start + 0.5 * (begin + end)).oven_temperature
            schedule = replace(schedule, oven_temperature=air)

        def change(control, stretch: Stretch):
            now = begin + stretch.start + 1e-9
            control[rates.C_BULB_LEAK] += sum(rate for start, rate in rider.leaks if start <= now)
            if rider.cut_off:
                control[rates.C_PORT] = 0.0
                control[rates.C_PORT_LEAK] *= blanked
            more = sum(rate for start, rate in scored if start <= now)
            control[rates.C_PORT_LEAK] += more * (1.0 if control[rates.C_PORT] > 0.0 else blanked)
            if setting.action != "eject":
                moment = begin + stretch.start
                back = self.surfaces.given_back(rider.head, moment, moment + stretch.duration)
                control[rates.C_RUBBER] += back / stretch.duration
                rider.surface_gas += back
            for start, left in slack:
                if start <= now:
                    control[rates.CONTROL_COUNT : rates.CONTROL_COUNT + nodes] *= left

        return stretches_in_index(rider, schedule, setting, grid, halt, change, [start - begin for start, _ in (*rider.leaks, *scored, *slack)])

    def _strike(self, rider: Rider, incident: Leaker | BrokenValve) -> None:
        """The valve leaks from the moment of the incident on, or from its loading where that found the head empty."""
        rider.leaks.append((incident.start, BROKEN_LEAK if isinstance(incident, BrokenValve) else incident.throughput))
        rider.befell.append(incident)
        self.struck.append(incident)
        shares = hole_shares(self.air, getattr(incident, "hole", "viscous") == "molecular", rider.schedule.valve.tables)
        rider.valve = rider.valve._replace(tables=rider.valve.tables._replace(leak_share=shares))

    # ---- account ---------------------------------------------------------------------------

    def _book(self, done: Index, idle, idle_surfaces) -> None:
        self.account["exhausted"] += self.lines.exhausted(done.history.end)
        opened = self.lines.dwelling[-1] - self.lines.dwelling[0]
        if self.lines.groups:
            self.account["admitted"] += idle.sum(axis=0) * opened - idle_surfaces
            self.account["head_surfaces"] += idle_surfaces

    def _close(self, rider: Rider) -> GasLedger:
        """Book what a valve did while it rode; its flow to the lines is not in the machine's account."""
        at = rider.valve.tables.at
        handed = rider.state[at.pumped : at.pumped + G] - rider.begun[at.pumped : at.pumped + G]
        ledger = ledger_between(rider.valve, rider.begun, rider.state, {"lines": handed}, rider.surface_gas)
        book = self.account
        book["head_surfaces"] += (surfaces := ledger.admitted.get(HEAD_SURFACES, 0.0))
        book["admitted"] += sum(ledger.admitted.values()) - surfaces
        book["released"] += sum(ledger.released.values())
        book["formed"] += sum(ledger.formed.values()) - sum(ledger.consumed.values())
        book["sorbed"] += ledger.sorbed
        book["inventory"] += ledger.inventory
        self.element_residual += ledger.element_residual
        self.element_inventory += ledger.element_inventory
        return ledger

    def _eject(self, rider: Rider) -> None:
        self._close(rider)
        at = rider.valve.tables.at
        self.account["ejected"] += rider.state[at.bulb : at.bulb + G] + rider.state[at.head : at.head + G]
        if rider.head in self.followed:
            journey = self._journey(rider)
            if self.leaving is None:
                self.journeys.append(journey)
            else:
                self.ended |= bool(self.leaving(journey))

    def _journey(self, rider: Rider) -> Journey:
        """The valve's whole history, with its sealed life if it was tipped off."""
        pieces = list(rider.pieces)
        valve, schedule = rider.valve, rider.schedule
        end = rider.state
        at = valve.tables.at
        if schedule.position_of("tip_off") is not None:
            piece, end = _sealed_life(rider, self.tolerance, self.counts)
            pieces.append(piece)
        whole = {name: np.concatenate([p[name] for p in pieces]) for name in TIMED}
        ledger = ledger_between(valve, valve.start, end, {"lines": end[at.pumped : at.pumped + G]}, rider.surface_gas)
        if not ledger.error < LEDGER_LIMIT:
            raise FailedRun(f"The gas ledger of head {rider.head} is open by {ledger.error:.1e} of the inventory.")
        last = self.records[-1]
        halts = [(r.position[rider.head], r.halt) for r in self.records[-self.machine.positions :] if r.halt.duration > 0.0]
        entered = last.number - self.machine.positions + 1
        run = Run(
            schedule=schedule, outcome=self._outcome(last), ledger=ledger, lines=tuple(rider.met.get(w.name, w) for w in last.lines), tolerance=self.tolerance,
            halts=tuple(halts), node_names=valve.node_names, sources=valve.sources, **whole,
        )  # fmt: skip
        scored = tuple(i for i in self.incidents if isinstance(i, ScoredPlate) and i.head == rider.head)
        return Journey(rider.head, rider.number, entered, run, (*rider.befell, *scored), rider.cut_off)

    def _outcome(self, last: TurretIndex) -> Outcome:
        steps, rejected, evaluations = (int(n) for n in self.counts)
        return Outcome(True, SENTENCES[DONE], steps, rejected, evaluations, last.sweeps, last.change)

    def _change(self, position, bulb, history: LineHistory, period: int) -> float:
        """Against one period before: bulb pressures position by position, line pressures by their mean."""
        if len(self.records) < period:
            return np.nan
        before = self.records[-period]
        if before.halt != NO_HALT or not np.array_equal(before.lines[0].time, np.concatenate([self.lines.moving, self.lines.dwelling])):
            return np.nan
        worst = 0.0
        stood = {p: h for h, p in before.position.items()}
        for head, now in bulb.items():
            other = before.bulb_pressure.get(stood[position[head]])
            if other is None:
                return np.nan
            worst = max(worst, abs(now.sum() - other.sum()) / (now.sum() + BULB_FLOOR))
        if len(bulb) != len(before.bulb_pressure):
            return np.nan
        for k, old in enumerate(before.lines):
            new, was = history.pressure[k].sum(axis=1), old.pressure.sum(axis=1)
            square = np.trapezoid(((new - was) / (np.abs(new) + LINE_FLOOR)) ** 2, old.time) / old.time[-1]
            worst = max(worst, float(np.sqrt(square)))
        return float(worst)

    def result(self, settled: int | None) -> MachineRun:
        """Close the books."""
        for rider in self.riders.values():
            self._close(rider)
        remaining = self.lines.gas_in(self.at_lines)
        for rider in self.riders.values():
            at = rider.valve.tables.at
            remaining += rider.state[at.bulb : at.bulb + G] + rider.state[at.head : at.head + G]
        ledger = MachineLedger(
            remaining=remaining, element_residual=self.element_residual, element_inventory=self.element_inventory, **self.account
        )
        if not ledger.error < LEDGER_LIMIT:
            raise FailedRun(f"The gas ledger of the machine is open by {ledger.error:.1e} of the inventory (limit {LEDGER_LIMIT:.0e}).")
        return MachineRun(
            self.schedule, self.incidents, tuple(self.records), tuple(self.journeys), ledger, self._outcome(self.records[-1]), settled,
            self.tolerance,
        )  # fmt: skip


ACCOUNT = ("brought", "admitted", "released", "formed", "exhausted", "sorbed", "head_surfaces", "ejected", "inventory")  # of a `MachineLedger`
BULB_FLOOR = 1e-9  # Pa: changes below this are nothing
LINE_FLOOR = 1e-6  # Pa

#: Histories of a `Run` that have one entry per sample.
TIMED = (
    "time", "position", "stage", "step", "port_open", "bulb_pressure", "head_pressure", "line_pressure", "temperature",
    "converted_fraction", "activation", "held", "evolution", "sorbed", "barium_evaporated", "barium_spent", "sorption_speed",
    "oxygen_exposure", "oxidant_exposure", "nickel_exposure", "port_flow",
)  # fmt: skip


def hole_shares(air: np.ndarray, molecular: bool, tables) -> np.ndarray:
    """(gas,) mole shares of what comes through a hole: air, or in molecular flow each gas by 1/sqrt(M)."""
    if not molecular:
        return air
    shares = air / np.sqrt(gas_column("molar_mass", tables))
    return shares / shares.sum()


def _first_phases(phases: Phases, count: int) -> Phases:
    samples = int(phases.sample_ptr[count])
    per_phase = {"controls", "duration", "start", "line"}
    cut = {
        name: value[:count] if name in per_phase else value[: count + 1] if name == "sample_ptr" else value[:samples]
        for name, value in phases._asdict().items()
    }
    return Phases(**cut)


def _sealed_life(rider: Rider, tolerance: float, counts):
    """(histories, state at the end) of a tipped-off valve from the moment it leaves the machine."""
    rows = sealed_stretches(rider.schedule, rider.valve, rider.clock)
    per_phase = [len(s.sample_time) for s, _ in rows]
    begun = rider.clock + np.cumsum([0.0, *(s.duration for s, _ in rows)])
    controls = np.array([s.control for s, _ in rows])
    controls[:, rates.C_BULB_LEAK] += rider.leak
    phases = Phases(
        controls=controls,
        start=np.array([s.start for s, _ in rows]),
        duration=np.array([s.duration for s, _ in rows]),
        line=np.full(len(rows), -1),
        sample_ptr=np.concatenate([[0], np.cumsum(per_phase)]).astype(np.int64),
        sample_time=np.concatenate([s.sample_time for s, _ in rows]),
        time=np.concatenate([b + s.sample_time for b, (s, _) in zip(begun, rows, strict=False)]),
        position=np.zeros(sum(per_phase), dtype=np.int64),
        stage=np.repeat([s.stage for s, _ in rows], per_phase),
        step=np.repeat([step for _, step in rows], per_phase),
        grid_place=np.full(sum(per_phase), -1),
    )
    at = rider.valve.tables.at
    states = np.zeros((len(phases.time), at.size))
    y = rider.state.copy()
    nothing = np.zeros((1, 2, G))
    waves = (np.array([0.0, 1.0]), nothing, nothing)
    status, _ = march(
        KIND_HEAD, rider.valve.tables, NO_GROUP, head_shape(rider.valve.tables), controls, phases.duration, phases.start,
        np.zeros(len(rows), dtype=np.int64), *waves, phases.sample_ptr, phases.sample_time, y, rider.valve.absolute * (tolerance / 1e-3),
        tolerance, at.head, at.bulb + G, MAX_STEPS_PER_PHASE, states, counts,
    )  # fmt: skip
    if status != DONE:
        raise FailedRun(f"{SENTENCES[status]} It happened to the valve of head {rider.head} after the machine.")
    seen = histories(rider.schedule, rider.valve, phases, states, rates_of(rider.valve, phases, states, waves), waves)
    return {name: seen[name] for name in TIMED}, y
