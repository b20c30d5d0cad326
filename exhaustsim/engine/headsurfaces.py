"""What a head's own rubber and passages carry from one valve to the next.

Every time a head is loaded it stands open to the room for a moment, its rubber and passages take up
water, and give it back on the machine.  In ordinary running every turn is like the one before, and
what comes back is the constant gas of the head rubber in the machine file (`rubber_gas`).  A head that
has stood open for longer (a stop at the loading station, a broken bulb, a repair, a night) has taken up
more.  It gives that back to its next valves, less and less, wherever it stands.

The rubber counts as thick: gas diffuses in while the head stands open and out again afterwards, so the
extra gas flow after a stand of length T is K (1/sqrt(t) - 1/sqrt(t + T)), t being the time since its end.
All that was taken up comes back in time, 2 K sqrt(T).  Several stands add up.  The ordinary moment at the
loading station comes after the stand and is counted in t.  K is the area times the rate of rubber one hour
after a long stand (`outgassing.head_surfaces`) times the root of an hour; the gases are those of `rubber_gases`.

Not modelled: rubber that is soaked right through (some weeks), warm rubber, what tightly bound water
on metal adds, gas taken up from anything but room air, and a leaker so large that its head fills with air.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import sqrt
from typing import NamedTuple

from exhaustsim.data.published import Tables
from exhaustsim.engine.phases import Halt
from exhaustsim.engine.turret import Rider
from exhaustsim.physics.outgassing import ONE_HOUR
from exhaustsim.plant.incidents import AiredHeads, BrokenValve, Incident
from exhaustsim.plant.machine import RotaryMachine
from exhaustsim.plant.schedule import Schedule


class Soak(NamedTuple):
    """A stand in room air, beyond that of an ordinary loading."""

    end: float  # s since the run began
    length: float  # s


def soaking_strength(machine: RotaryMachine, tables: Tables) -> float:
    """K of the module text [mol/s^0.5]."""
    return machine.soaking_area * tables.value("outgassing.head_surfaces.rate_at_one_hour") * sqrt(ONE_HOUR)


def given_back(strength: float, soaks: Iterable[Soak], begin: float, end: float) -> float:
    """Gas that comes back between two moments of the run, both after every stand [mol]."""
    total = 0.0
    for soak in soaks:
        first, last = begin - soak.end, end - soak.end
        total += sqrt(last) - sqrt(first) - (sqrt(last + soak.length) - sqrt(first + soak.length))
    return 2.0 * strength * total


class HeadSurfaces:
    """The stands of all heads of a machine run, and what comes back from them."""

    def __init__(self, schedule: Schedule, incidents: Iterable[Incident]):
        self.schedule = schedule
        self.strength = soaking_strength(schedule.machine, schedule.valve.tables)
        heads = range(1, schedule.machine.positions + 1)
        self.soaks: dict[int, list[Soak]] = {head: [] for head in heads}
        self.held_open = dict.fromkeys(heads, 0.0)  # s that stops have held the head open since it gave up its valve
        self.unplugged: set[int] = set()  # heads without a valve that stand open
        self.waiting = [(head, i) for i in incidents if isinstance(i, AiredHeads) for head in i.heads]  # not loaded since

    def given_back(self, head: int, begin: float, end: float) -> float:
        """Gas from the surfaces of `head` between two moments of the run [mol]."""
        return given_back(self.strength, self.soaks[head], begin, end)

    def stopped(self, head: int, position: int, schedule: Schedule, halt: Halt) -> None:
        """A stop, if there is one, while `head` stands at `position` with a valve of `schedule`."""
        if position >= open_from(schedule):
            self.held_open[head] += halt.duration

    def loaded(self, head: int, rider: Rider | None, begin: float, opens: float, halt: Halt) -> None:
        """`head` gives up `rider` in the index that begins at `begin`; the port of what is loaded next opens at `opens`."""
        usual = usual_opening(self.schedule if rider is None else rider.schedule)
        if halt.moment < self.schedule.machine.transfer_time and (rider is not None or head in self.unplugged):
            self.held_open[head] += halt.duration
        length = self.held_open[head]
        broken = [] if rider is None else [i.start for i in rider.befell if isinstance(i, BrokenValve)]
        if broken:
            # A broken bulb fills its head with room air long before it is taken out.
            length += max(opens - usual - length - min(broken), 0.0)
        due = [(h, i) for h, i in self.waiting if h == head and i.start <= begin]
        length += sum(i.duration for _, i in due)
        self.waiting = [pair for pair in self.waiting if pair not in due]
        if length > 0.0:
            self.soaks[head].append(Soak(opens - usual, length))
        self.held_open[head] = 0.0
        self.unplugged.discard(head)


def open_from(schedule: Schedule) -> int:
    """Position from which on a head stands open to the room until it is loaded; one beyond the last if nothing is ejected."""
    return schedule.position_of("eject") or schedule.machine.positions + 1


def usual_opening(schedule: Schedule) -> float:
    """How long a head stands open at every loading [s]: from the move to the eject position until its port opens at position 1."""
    machine = schedule.machine
    return (machine.positions + 1 - open_from(schedule)) * schedule.index_time + machine.transfer_time
