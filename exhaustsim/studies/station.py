"""What a station must give: watts or seconds of RF that bring a part to a set temperature.

`watts_to_reach` keeps the seconds and finds the watts absorbed in the part, `seconds_to_reach` keeps the
watts and finds the seconds.  Both simulate the whole schedule again and again with other RF at that one
position, so that the last run, with the answer set, is the proof.  The part is meant to be at the set
temperature as the RF goes off.  One coil heats all parts: what the schedule lets the other parts absorb
there grows and shrinks in proportion to the watts.  A part that gets nothing there is heated alone.

Where the schedule gives the current in a coil that the machine describes, or gives nothing there, the current is
found instead; the watts told are then those that the part takes at the set temperature.  Where it gives watts
and the coil is described, the current that brings them at that temperature is told beside.

A question that makes no sense (no such node, position or coil) raises `StationFault`; a sensible one whose
answer is no, because the coil is too weak, the dwell too short or the part already hotter, raises
`OutOfReach`, a kind of `StationFault`.  Not weighed: what the generator must give beside the watts
absorbed, and whether the temperature is good for the valve; judge the changed schedule for that.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from exhaustsim.engine.result import Run
from exhaustsim.engine.run import simulate
from exhaustsim.plant.coil import TABLE_START, most_square_amperes, table_grid, watts_per_square_ampere, watts_table
from exhaustsim.plant.faults import nearest
from exhaustsim.plant.schedule import RfSetting, Schedule
from exhaustsim.plant.valve import ThermalNode
from exhaustsim.units import UnitFault, convert, format_number, parse, parse_any, show

CLOSE_ENOUGH = 0.5  # K, so that the temperature is right to the degree
LONGEST_NUMBER = 9  # digits of a position; no machine has as many
MOST_RUNS = 40  # a bracket is halved at worst


class StationFault(ValueError):
    """The question cannot be asked of this schedule; the text says why and what to ask instead."""


class OutOfReach(StationFault):
    """The answer is no: the text says what stands in the way."""


@dataclass(frozen=True)
class Reach:
    """A question: bring `node` to `temperature` [K] at `position`, with `seconds` [s] or `watts` [W] given."""

    node: str
    temperature: float
    position: int
    seconds: float | None = None
    watts: float | None = None


@dataclass(frozen=True)
class StationAnswer:
    """RF at one position that brings a part to a temperature, as found and proved by a run."""

    schedule: Schedule  # with the answer set
    node: str
    position: int
    wanted: float  # K
    found: str  # "watts" or "seconds": what was asked for
    watts: float  # W absorbed in the part
    watts_of_all: float  # W absorbed in all parts together
    seconds: float
    start: float  # s after the port opens
    temperature_before: float  # K, as the RF comes on
    reached: float  # K, as it goes off
    runs: int
    current: float | None = None  # A in the coil, None where no coil is described
    heat: float | None = None  # J absorbed in the part when a current is set, because the watts change then

    @property
    def absorbed(self) -> float:
        """Heat absorbed in the part [J]."""
        return self.watts * self.seconds if self.heat is None else self.heat

    @property
    def stored(self) -> float:
        """Heat that stays in the part [J]; what is left of the absorbed heat is radiated and conducted away."""
        node = _node(self.schedule, self.node)
        return heat_content(node, self.reached) - heat_content(node, self.temperature_before)

    @property
    def sentence(self) -> str:
        watts, seconds = (show(self.watts, "power", "W"), show(self.seconds, "time", "s"))
        amperes = "" if self.current is None else show(self.current, "current", "A")
        set_power = watts if self.heat is None else amperes
        first, last = (set_power, seconds) if self.found == "watts" else (seconds, set_power)
        others = f" ({show(self.watts_of_all, 'power', 'W')} with the other parts)" if self.watts_of_all > self.watts else ""
        coil = f", by {amperes} in the coil at that temperature" if amperes else ""
        if self.heat is not None:
            others, coil = "", f", {watts} in the part at that temperature"
        lost = self.absorbed - self.stored
        balance = f"{format_number(abs(lost), 2)} J {'given to' if lost > 0.0 else 'taken from'} its surroundings"
        return (
            f"{_words(self.node)} to {_degrees(self.wanted)} at position {self.position}: {first} for {last}{others}{coil}, from "
            f"{_degrees(self.temperature_before)}; {format_number(self.absorbed, 3)} J absorbed, "
            f"{format_number(self.stored, 3)} J stored, {balance}; a full run reaches {_degrees(self.reached)}."
        )

    def to_json(self) -> dict:
        """Plain data, keys with their SI units."""
        return {
            "node": self.node, "position": self.position, "wanted_k": self.wanted, "found": self.found, "power_w": self.watts,
            "power_of_all_parts_w": self.watts_of_all, "start_s": self.start, "duration_s": self.seconds,
            "temperature_before_k": self.temperature_before, "reached_k": self.reached, "absorbed_j": self.absorbed,
            "stored_j": self.stored, "runs": self.runs, "sentence": self.sentence,
        } | ({} if self.current is None else {"current_a": self.current})  # fmt: skip


def watts_to_reach(
    schedule: Schedule, node: str, temperature: float, position: int, seconds: float | None = None, tolerance: float = 1e-3
) -> StationAnswer:
    """Watts absorbed in `node` that bring it to `temperature` [K] at `position` in `seconds`.

    Parameters
    ----------
    seconds : float, optional
        How long the RF is on [s]; as the schedule has it there, or for the whole dwell.
    tolerance : float
        Of every run, see `exhaustsim.simulate`.

    Raises
    ------
    StationFault
        No such node or position, no RF coil there, or seconds that do not fit into the dwell.
    OutOfReach
        The coil's power limit is in the way, or the part is as hot without RF.
    """
    station = _Station(schedule, node, temperature, position, tolerance)
    seconds = station.seconds_or_own(seconds)
    most = station.most_watts

    def refuse(best):
        if station.by_current:
            return (
                f"{_words(node)} cannot reach {_degrees(temperature)} at position {position} in {seconds:.3g} s: the "
                f"{station.amperes(most):.3g} A that the coil may carry bring it to {_degrees(best)}"
            )
        return (
            f"{_words(node)} cannot reach {_degrees(temperature)} at position {position} in {seconds:.3g} s: the "
            f"{schedule.machine.rf_power_limit:g} W of the coil, {most:.3g} W of it in the part, bring it to {_degrees(best)}"
        )

    guess = 1.5 * station.rise / seconds
    return station.solve("watts", lambda watts: (watts, seconds), guess, most, refuse)


def seconds_to_reach(
    schedule: Schedule, node: str, temperature: float, position: int, watts: float | None = None, tolerance: float = 1e-3
) -> StationAnswer:
    """Seconds of RF that bring `node` to `temperature` [K] at `position` with `watts` absorbed in it.

    Parameters
    ----------
    watts : float, optional
        Absorbed in the part [W]; as the schedule has it there.
    tolerance : float
        Of every run, see `exhaustsim.simulate`.

    Raises
    ------
    StationFault
        No such node or position, no RF coil there, no watts given or set, or more than the coil can give.
    OutOfReach
        The dwell is too short for these watts, or the part is as hot without RF.
    """
    station = _Station(schedule, node, temperature, position, tolerance)
    watts = station.watts_or_own(watts)
    most = schedule.dwell - station.start

    def refuse(best):
        given = f"{station.amperes(watts):.3g} A" if station.by_current else f"{watts:.3g} W"
        return (
            f"{_words(node)} cannot reach {_degrees(temperature)} at position {position} with {given}: the {most:.3g} s "
            f"of the dwell bring it to {_degrees(best)}"
        )

    guess = 1.2 * station.rise / watts
    return station.solve("seconds", lambda seconds: (watts, seconds), guess, most, refuse)


def answers(schedule: Schedule, question: Reach, tolerance: float = 1e-3) -> list[StationAnswer | OutOfReach]:
    """Answers to `question`, the honest no included.

    Given seconds, the watts; given watts, the seconds; given neither, the watts for the seconds of the
    schedule and, if it sets any watts there, the seconds for those.
    """
    asked = (schedule, question.node, question.temperature, question.position)
    calls: list[Callable[[], StationAnswer]] = []
    if question.watts is None:
        calls.append(lambda: watts_to_reach(*asked, question.seconds, tolerance))
    if question.seconds is None and (question.watts is not None or _Station(*asked, tolerance).watts > 0.0):
        calls.append(lambda: seconds_to_reach(*asked, question.watts, tolerance))
    found: list[StationAnswer | OutOfReach] = []
    for call in calls:
        try:
            found.append(call())
        except OutOfReach as no:
            # That a part needs no RF is true of watts and seconds alike.
            if not any(str(no) == str(other) for other in found):
                found.append(no)
    return found


def check(schedule: Schedule, question: Reach) -> None:
    """Refuse, before anything is simulated, a question that makes no sense.

    Raises
    ------
    StationFault
        As `watts_to_reach` and `seconds_to_reach` would.
    """
    station = _Station(schedule, question.node, question.temperature, question.position, tolerance=1e-3)
    station.seconds_or_own(question.seconds)
    if question.watts is not None:
        station.watts_or_own(question.watts)


def read_reach(text: str) -> Reach:
    """The question in `text`, such as "anode=900degC@8", "anode=900degC@8,5s" or "anode=900degC@8,60W".

    Raises
    ------
    StationFault
        The text is not such a question.
    """
    example = 'write NODE=TEMPERATURE@POSITION, such as "anode=900degC@8", with ",5s" or ",60W" to fix seconds or watts'
    node, equals, rest = text.partition("=")
    temperature, at, place = rest.partition("@")
    number, comma, given = place.partition(",")
    if not (node.strip() and equals and at) or not number.strip().isdecimal() or len(number) > LONGEST_NUMBER:
        raise StationFault(f'"{text}" cannot be read; {example}')
    try:
        question = Reach(node.strip(), parse(temperature.strip(), "temperature"), int(number))
        if not comma:
            return question
        value, _, kind = parse_any(given.strip())
    except UnitFault as fault:
        raise StationFault(f'"{text}": {fault}; {example}') from fault
    if kind not in ("time", "power") or not value > 0.0:
        raise StationFault(f'"{text}": after the comma stand seconds or watts above zero; {example}')
    return replace(question, **{"seconds" if kind == "time" else "watts": value})


def heat_content(node: ThermalNode, temperature: float) -> float:
    """Heat in a thermal node, counted from 300 K [J]."""
    above = temperature - 300.0
    return node.heat_capacity * above + 0.5 * node.heat_capacity_slope * above**2


@dataclass(frozen=True)
class RfStation:
    """What the RF of a schedule does to one part at one position, read from its run; SI."""

    position: int
    node: str
    watts: float  # absorbed in the part
    seconds: float
    watts_of_all: float  # absorbed in all parts there
    watts_left: float  # that the coil could give beyond that
    temperature_before: float  # as the RF comes on
    reached: float  # as it goes off


def rf_stations(run: Run) -> list[RfStation]:
    """Every part that is heated by RF, position by position."""
    found = []
    for setting in run.schedule.positions:
        if setting.rf is None:
            continue
        samples = run.dwell_samples(setting.position)
        since = run.time[samples] - run.time[samples[0]]
        total = sum(setting.rf.power.values())
        ends = (setting.rf.start, setting.rf.start + setting.rf.duration)
        for node, watts in setting.rf.power.items():
            before, reached = (float(np.interp(t, since, run.node(node)[samples])) for t in ends)
            found.append(RfStation(
                setting.position, node, watts, setting.rf.duration, total, run.schedule.machine.rf_power_limit - total, before, reached,
            ))  # fmt: skip
    return found


class _Station:
    """One position asked about one node: what the schedule has there, and runs with other RF."""

    def __init__(self, schedule: Schedule, node: str, temperature: float, position: int, tolerance: float):
        machine = schedule.machine
        names = [n.name for n in schedule.valve.nodes]
        if node not in names:
            raise StationFault(f'valve "{schedule.valve.name}" has no thermal node "{node}"; {nearest(node, names)}')
        if isinstance(position, bool) or not isinstance(position, int) or not 1 <= position <= machine.positions:
            raise StationFault(
                f'there is no position {position}; machine "{machine.name}" has positions 1 to {machine.positions}'
            )
        if position not in machine.rf_positions:
            coils = ", ".join(map(str, machine.rf_positions)) or "no position"
            raise StationFault(f'position {position} has no RF coil; machine "{machine.name}" has coils at {coils}')
        if not (math.isfinite(temperature) and temperature > 0.0):
            raise StationFault(f"{temperature!r} K is not a temperature above absolute zero")
        self.schedule, self.node, self.temperature, self.position = schedule, node, float(temperature), position
        self.tolerance = tolerance
        setting = schedule.positions[position - 1].rf
        self.powers = dict(setting.power) if setting else {}
        self.watts = self.powers.get(node, 0.0)
        coil = next((c for c in machine.coils if position in c.positions), None)
        load = _node(schedule, node).in_coil
        tabled = max(self.temperature, TABLE_START)
        #: W/A^2 in the part at the set temperature; 0 where coil or part is not described.
        self.per_square = watts_per_square_ampere(coil, load, tabled) if coil and load else 0.0
        self.by_current = (setting is not None and setting.current > 0.0) or (setting is None and self.per_square > 0.0)
        if self.by_current and self.per_square == 0.0:
            raise StationFault(
                f'position {position} is set by the current in its coil, and valve "{schedule.valve.name}" does not say how '
                f"{_words(node)} lies in it; ask for another part, or add [nodes.{node}.in_coil]"
            )
        self.table = watts_table(coil, load) if self.by_current else None
        self.start = setting.start if setting else 0.0
        self.seconds = setting.duration if setting else schedule.dwell
        #: Watts in all parts for each watt in this one.
        self.all_over_node = sum(self.powers.values()) / self.watts if self.watts > 0.0 else 1.0
        self.most_watts = machine.rf_power_limit / self.all_over_node
        if self.by_current:
            loads = [n.in_coil for n in schedule.valve.nodes if n.in_coil is not None]
            self.watts = setting.current**2 * self.per_square if setting else 0.0
            self.all_over_node = sum(watts_per_square_ampere(coil, x, tabled) for x in loads) / self.per_square
            self.most_watts = most_square_amperes(coil, loads, machine.rf_power_limit)[0] * self.per_square
        self.heat: float | None = None  # J absorbed in the part by the last run, if a current is set
        self.runs = 0
        self.before = math.nan  # K, as the RF comes on
        at = _node(schedule, node)
        #: Heat that the part would take from room temperature on [J]: for a first guess only.
        self.rise = max(heat_content(at, self.temperature) - heat_content(at, machine.room_temperature), 1e-3)

    def seconds_or_own(self, seconds: float | None) -> float:
        """The seconds asked for, or those of the schedule."""
        seconds = self.seconds if seconds is None else seconds
        room = self.schedule.dwell - self.start
        if not 0.0 < seconds <= room * (1.0 + 1e-9):
            raise StationFault(
                f"{seconds:g} s of RF do not fit; position {self.position} has {room:g} s from the start of its RF"
            )
        return min(seconds, room)

    def watts_or_own(self, watts: float | None) -> float:
        """The watts asked for, or those of the schedule."""
        watts = self.watts if watts is None else watts
        if not watts > 0.0:
            raise StationFault(f"the schedule gives {_words(self.node)} no RF at position {self.position}; say how many watts")
        if watts > self.most_watts * (1.0 + 1e-9):
            limit = self.schedule.machine.rf_power_limit
            raise StationFault(
                f"{self.amperes(watts):.3g} A are more than the {self.amperes(self.most_watts):.3g} A that the coil may carry; "
                "give fewer watts" if self.by_current else
                f"{watts * self.all_over_node:.4g} W in all parts are more than the {limit:g} W of the coil; give fewer watts"
            )  # fmt: skip
        return watts

    def amperes(self, watts: float) -> float | None:
        """Current in the coil that brings `watts` to the part at the set temperature [A]; None if it is not described."""
        return (watts / self.per_square) ** 0.5 if self.per_square > 0.0 else None

    def with_rf(self, watts: float, seconds: float) -> Schedule:
        """The schedule with so many watts in the node for so long, the other parts in proportion."""
        if watts == 0.0 or seconds == 0.0:
            rf = None
        elif self.by_current:
            rf = RfSetting({}, self.start, seconds, self.amperes(watts))
        elif self.watts > 0.0:
            rf = RfSetting({name: p * watts / self.watts for name, p in self.powers.items()}, self.start, seconds)
        else:
            # Nothing in the schedule says how the coil shares its watts: the part alone.
            rf = RfSetting({self.node: watts}, self.start, seconds)
        changed = [replace(p, rf=rf) if p.position == self.position else p for p in self.schedule.positions]
        return replace(self.schedule, positions=tuple(changed))

    def reached(self, watts: float, seconds: float) -> float:
        """Temperature of the node as the RF goes off, by a full run [K]."""
        run = simulate(self.with_rf(watts, seconds), self.tolerance)
        self.runs += 1
        self.before = self._at(run, self.start)
        if self.by_current:
            self.heat = self._absorbed(run, watts / self.per_square, seconds)
        return self._at(run, self.start + seconds)

    def _absorbed(self, run: Run, square: float, seconds: float) -> float:
        """Heat that the part took from the coil [J] with `square` square amperes."""
        samples = run.dwell_samples(self.position)
        since = run.time[samples] - run.time[samples[0]]
        inside = (since >= self.start - 1e-9) & (since <= self.start + seconds + 1e-9)
        per_square = np.interp(run.node(self.node)[samples[inside]], table_grid(), self.table[:, 0])
        return square * float(np.trapezoid(per_square, since[inside]))

    def _at(self, run: Run, since_opening: float) -> float:
        samples = run.dwell_samples(self.position)
        return float(np.interp(since_opening, run.time[samples] - run.time[samples[0]], run.node(self.node)[samples]))

    def solve(self, found: str, setting, guess: float, most: float, refuse) -> StationAnswer:
        """The least watts or seconds x that reach the temperature: bracket, then false position.

        `setting(x)` is (watts, seconds); `refuse(best)` says that even `most` reaches only `best`.
        """
        low, short = 0.0, self._miss(setting(0.0))
        if short >= 0.0:
            hot = self.temperature + short
            when = f"is at {_degrees(self.before)} as the RF comes on" if self.before >= self.temperature else (
                f"comes to {_degrees(hot)}")
            raise OutOfReach(
                f"{_words(self.node)} needs no RF to reach {_degrees(self.temperature)} at position {self.position}: "
                f"without RF there it {when}; ask for a higher temperature"
            )
        high = min(guess, most)
        while (over := self._miss(setting(high))) < -CLOSE_ENOUGH:
            if high >= most:
                raise OutOfReach(refuse(self.temperature + over))
            low, short, high = high, over, min(2.0 * high, most)
        x, miss, before = high, over, 0.0
        while abs(miss) > CLOSE_ENOUGH and self.runs < MOST_RUNS:
            x = high - over * (high - low) / (over - short)
            miss = self._miss(setting(x))
            # An end that stays twice running counts half, so that it moves too.
            if miss > 0.0:
                high, over, short = x, miss, short * (0.5 if before > 0.0 else 1.0)
            else:
                low, short, over = x, miss, over * (0.5 if before < 0.0 else 1.0)
            before = miss
        watts, seconds = setting(x)
        return StationAnswer(
            schedule=self.with_rf(watts, seconds),
            node=self.node,
            position=self.position,
            wanted=self.temperature,
            found=found,
            watts=watts,
            watts_of_all=watts * self.all_over_node,
            seconds=seconds,
            start=self.start,
            temperature_before=self.before,
            reached=self.temperature + miss,
            runs=self.runs,
            current=self.amperes(watts),
            heat=self.heat,
        )

    def _miss(self, setting: tuple[float, float]) -> float:
        return self.reached(*setting) - self.temperature


def _node(schedule: Schedule, name: str) -> ThermalNode:
    return next(n for n in schedule.valve.nodes if n.name == name)


def _words(node: str) -> str:
    return node.replace("_", " ")


def _degrees(temperature: float) -> str:
    return f"{convert(temperature, 'temperature', 'degC'):.0f} degC"
