"""What can go wrong on a loaded machine, or differ from head to head: the incidents of a machine run.

A machine run begins in the cyclic steady state of a machine whose heads are all alike; an incident
names a head, a position or a line (all counted as the trade counts them, heads and positions from 1)
and a moment in seconds after the run begins.  Faults follow heads (scored plate), positions (slack
coil), valves (leaker) or the whole machine (a stop).  SI units, frozen records.

Not modelled: a leak that opens slowly, an incident that mends itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from exhaustsim.plant.faults import DesignFault, Fault, nearest
from exhaustsim.plant.schedule import Schedule

HOLES = ("viscous", "molecular")
# mol/s of air through the hole of a broken bulb: as much as an exhaust stem of 3 mm takes at most, with which it is in
# series, so that two thirds of that reach the head.  Practice: holes are of any size; a larger one changes little.
BROKEN_LEAK = 0.06


@dataclass(frozen=True)
class Leaker:
    """The valve that rides on `head` at `start` leaks from then on, and keeps its leak when it is tipped off.

    Of a head that is empty then, it is the valve that is loaded there next.
    """

    head: int
    throughput: float  # mol/s of air into a vacuum
    start: float = 0.0  # s
    hole: str = "viscous"  # wide enough that air comes in as it is, or "molecular": light gases sooner


@dataclass(frozen=True)
class BrokenValve:
    """The bulb of the valve on `head` (or of the next one loaded there) breaks: about as much air as its exhaust stem lets through.

    The line is flooded until the turret moves on; then the head is blanked, as a vacuum switch or the setter sees to it.
    """

    head: int
    start: float = 0.0  # s


@dataclass(frozen=True)
class Stop:
    """The turret stands for `duration`; oven, heaters and pumps stay on, RF trips unless it `rf_stays`."""

    start: float  # s
    duration: float  # s
    rf_stays: bool = False


@dataclass(frozen=True)
class ScoredPlate:
    """The port plate under `head` is scored: this much more air on every line, on every valve that follows."""

    head: int
    throughput: float  # mol/s
    start: float = 0.0  # s


@dataclass(frozen=True)
class SlackCoil:
    """The RF coil at `position` gives only a share of its power."""

    position: int
    power_share: float  # 0 to 1
    start: float = 0.0  # s


@dataclass(frozen=True)
class EmptyHead:
    """No valve is loaded into `head`; its rubber is plugged."""

    head: int
    start: float = 0.0  # s: from the next time that it comes to position 1


@dataclass(frozen=True)
class WeakPump:
    """The pump at the manifold of `line` keeps only a share of its speed."""

    line: str
    speed_share: float  # 0 to 1
    start: float = 0.0  # s


@dataclass(frozen=True)
class OtherValves:
    """`heads` are loaded by another schedule: a second type of valve on the same machine, at the same index time."""

    heads: tuple[int, ...]
    schedule: Schedule
    start: float = 0.0  # s: from the next time that they come to position 1


@dataclass(frozen=True)
class AiredHeads:
    """`heads` have stood open to room air for `duration` more than at an ordinary loading: after a repair, a night, a stand without plug.

    Their rubber and passages have taken up gas and hand it to the valves that follow.
    """

    heads: tuple[int, ...]
    duration: float  # s
    start: float = 0.0  # s: they are loaded again the next time that they come to position 1


Incident = Leaker | BrokenValve | Stop | ScoredPlate | SlackCoil | EmptyHead | WeakPump | OtherValves | AiredHeads


def check_incidents(schedule: Schedule, incidents: Iterable[Incident], length: float, source: str = "incidents") -> None:
    """Refuse incidents that cannot happen on this machine in a run of `length` seconds.

    Raises
    ------
    DesignFault
        With every fault: head, position or line that is not there, a negative leak, a share outside 0 to 1,
        a moment outside the run, a stop longer than the run, two incidents on one head at one moment.
    """
    faults: list[Fault] = []
    machine = schedule.machine
    lines = [line.name for line in machine.lines]
    seen: dict[tuple, Incident] = {}

    def fault(incident, field, need, cure=""):
        value = getattr(incident, field)
        text = f"{value:g}" if isinstance(value, float) else ", ".join(map(str, value)) if isinstance(value, tuple) else str(value)
        faults.append(Fault(source, f"{type(incident).__name__}.{field}", text, need, cure))

    def not_between(incident, field, low, high, unit, cure):
        value = getattr(incident, field)
        if not (math.isfinite(value) and low <= value <= high):
            top = "" if math.isinf(high) else f" to {high:g}"
            fault(incident, field, f"must be {low:g}{top or ' or more'}{unit}", cure)
            return True
        return False

    for incident in incidents:
        several = isinstance(incident, (OtherValves, AiredHeads))
        heads = incident.heads if several else (getattr(incident, "head", None),)
        for head in heads:
            if head is not None and not 1 <= head <= machine.positions:
                fault(incident, "heads" if several else "head", f"{machine.name} has heads 1 to {machine.positions}", "name one of them")
        if isinstance(incident, SlackCoil):
            if incident.position not in machine.rf_positions:
                coils = ", ".join(str(p) for p in machine.rf_positions) or "none"
                fault(incident, "position", f"{machine.name} has RF coils at positions {coils}", "name one of them")
            not_between(incident, "power_share", 0.0, 1.0, "", "0.8 means that 80 % of the power is left")
        if isinstance(incident, WeakPump):
            if incident.line not in lines:
                fault(incident, "line", f"{machine.name} has no such line", nearest(incident.line, lines))
            if incident.speed_share <= 0.0 or not_between(incident, "speed_share", 0.0, 1.0, "", "0.5 means half its speed is left"):
                if incident.speed_share <= 0.0:
                    fault(incident, "speed_share", "must be above 0", "a line without any pump has no steady state")
        if isinstance(incident, (Leaker, ScoredPlate)):
            not_between(incident, "throughput", 0.0, BROKEN_LEAK, " mol/s", "a leak lets air in; for a broken bulb use BrokenValve")
        if isinstance(incident, Leaker) and incident.hole not in HOLES:
            fault(incident, "hole", "must be viscous or molecular", nearest(incident.hole, HOLES))
        if not_between(incident, "start", 0.0, math.inf, " s", "count from the beginning of the run"):
            continue
        if incident.start >= length:
            fault(incident, "start", f"the run ends after {length:g} s", "begin earlier, or run more indices")
        if isinstance(incident, Stop):
            if not incident.duration > 0.0 or not math.isfinite(incident.duration):
                fault(incident, "duration", "a stop must last longer than 0 s", "leave it out instead")
            elif incident.duration > length:
                fault(incident, "duration", f"is longer than the run of {length:g} s", "run more indices, or stop for less")
        if isinstance(incident, AiredHeads) and not 0.0 < incident.duration < math.inf:
            fault(incident, "duration", "heads must stand open for longer than 0 s", "leave it out instead")
        if isinstance(incident, OtherValves):
            if incident.schedule.machine.name != machine.name:
                fault_text = f"is written for machine {incident.schedule.machine.name}, this one is {machine.name}"
                faults.append(Fault(source, "OtherValves.schedule", incident.schedule.name, fault_text, "write one for this machine"))
            elif abs(incident.schedule.index_time - schedule.index_time) > 1e-9:
                need = f"has index time {incident.schedule.index_time:g} s, the machine runs at {schedule.index_time:g} s"
                faults.append(Fault(source, "OtherValves.schedule", incident.schedule.name, need, "one turret has one index time"))
        for head in heads:
            key = (head if head is not None else type(incident), round(incident.start, 6))
            if isinstance(incident, SlackCoil):
                key = (SlackCoil, incident.position, key[1])
            if isinstance(incident, AiredHeads):
                key = (AiredHeads, head, key[1])
            if isinstance(incident, WeakPump):
                key = (WeakPump, incident.line, key[1])
            if key in seen:
                what = f"head {head}" if head is not None else "the machine"
                need = f"{type(seen[key]).__name__} and {type(incident).__name__} both happen to {what} at {incident.start:g} s"
                faults.append(Fault(source, type(incident).__name__, "", need, "keep one of them, or part them in time"))
            seen[key] = incident
    if faults:
        raise DesignFault(faults)


def check_struck(incidents: Iterable[Incident], struck: Iterable[Incident], source: str = "incidents") -> None:
    """Refuse leakers and breakages that, after a run, turn out to have found no valve; `struck` are those that did.

    Raises
    ------
    DesignFault
        With each of them: a run that looks good because nothing happened would mislead.
    """
    struck = list(struck)
    missed = [i for i in incidents if isinstance(i, (Leaker, BrokenValve)) and i not in struck]
    need = "no valve rode on that head from then on, nor was one loaded there"
    if missed:
        raise DesignFault(Fault(source, f"{type(i).__name__}.head", str(i.head), need, "name another head, or run more indices") for i in missed)
