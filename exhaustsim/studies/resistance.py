"""Where the resistance between bulb and pump sits, position by position, and whether a bigger pump would help.

At each position with an open port one instant is looked at: that of the largest flow to the line, leaving
out the first second after the port opens.  The bulb stands above the pump's ultimate pressure by the drop
along the exhaust stem (bulb to head), along the port (head to line), and by what its gas load lifts the
line over the ultimate pressure.  Their shares, for the mixture flowing at that instant, are the split.
A hot bulb stands above a cold head even without any flow; that part is taken off the drop of the exhaust
stem and told apart.

The shares are those of the pressure that is there: the line is lifted by all heads on it, and the drop of
the port is also that of air leaking in at the head.  Where no gas leaves the bulb (a mirror takes it), or
the drops are lost in the accuracy of the run, nothing is told.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

import numpy as np

from exhaustsim.constants import GAS_COUNT, GAS_NAMES
from exhaustsim.engine.groups import ultimate_pressures
from exhaustsim.engine.network import stem_tube
from exhaustsim.engine.result import FailedRun, Run
from exhaustsim.engine.run import simulate
from exhaustsim.physics.conductance import TUBE_SCRATCH, tube_mixture_flow
from exhaustsim.plant.machine import faster
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.readings import SETTLING
from exhaustsim.units import show

#: All drops together over bulb pressure below which the split is not told: line and bulb pressure are
#: each known to a thousandth, so the shares of a drop of this size to about 5 %.
LEAST_DROP = 0.05
PARTS = ("exhaust stem", "port", "line")
PUMP_FACTOR = 2.0  # how much bigger the bigger pumps are
HALVINGS = 50  # of the bracket round the bulb pressure without flow


@dataclass(frozen=True)
class Resistance:
    """One position at the instant of its largest flow to the line; SI."""

    position: int
    line: str
    since_opening: float  # s after the port opens
    flow: float  # mol/s from head to line, all gases
    main_gas: str  # most of that flow; "" without flow
    from_bulb: float  # mol/s through the exhaust stem; the rest leaks in at the head
    bulb_pressure: float  # Pa
    by_heat: float  # Pa by which the bulb stands above the head without flow, being hotter or of another mixture
    exhaust_stem_drop: float  # Pa due to flow
    port_drop: float  # Pa
    line_rise: float  # Pa, line over the ultimate pressure of its pump

    @property
    def tells(self) -> bool:
        """False when the flow is too small to tell the split."""
        drops = self.exhaust_stem_drop + self.port_drop + self.line_rise
        return min(self.flow, self.from_bulb) > 0.0 and drops >= LEAST_DROP * self.bulb_pressure

    @property
    def shares(self) -> tuple[float, float, float] | None:
        """Shares of exhaust stem, port and line in the drop, adding up to 1; None when it does not tell."""
        drops = (self.exhaust_stem_drop, self.port_drop, self.line_rise)
        return tuple(drop / sum(drops) for drop in drops) if self.tells else None

    @property
    def split(self) -> str:
        """The shares in words."""
        return "flow too small to tell" if not self.tells else " / ".join(f"{100.0 * s:.0f}" for s in self.shares)

    def to_json(self) -> dict:
        """Plain data, keys with their SI units; shares are null where the flow is too small to tell."""
        told = {f"{name}{_SUFFIXES.get(name, '')}": value for name, value in asdict(self).items()}
        shares = dict(zip((p.replace(" ", "_") for p in PARTS), self.shares, strict=True)) if self.tells else None
        return told | {"shares": shares}


_SUFFIXES = {
    "since_opening": "_s", "flow": "_mol_s", "from_bulb": "_mol_s", "bulb_pressure": "_pa", "by_heat": "_pa",
    "exhaust_stem_drop": "_pa", "port_drop": "_pa", "line_rise": "_pa",
}  # fmt: skip


@dataclass(frozen=True)
class BiggerPumps:
    """The same schedule with every pump, backing pumps too, `PUMP_FACTOR` times as fast."""

    before: float  # Pa, bulb pressure at the instant the target is judged
    after: float | None  # Pa; None when that run came to no result

    def sentence(self, pressure_unit: str = "Pa") -> str:
        if self.after is None:
            return "Would a bigger pump help? A run with pumps twice as fast came to no result."
        fall = 1.0 - self.after / self.before
        word = "Yes" if fall >= 0.3 else "A little" if fall >= 0.1 else "Hardly"
        before, after = (show(p, "pressure", pressure_unit) for p in (self.before, self.after))
        return (
            f"Would a bigger pump help? {word}: with pumps twice as fast on every line the bulb pressure that is judged "
            f"would go from {before} to {after}."
        )


def resistances(run: Run) -> list[Resistance]:
    """The split at every position that opens the bore to a line, in order."""
    machine, valve = run.schedule.machine, run.schedule.valve
    ultimate = {line.name: float(ultimate_pressures(line.pump, machine, valve.tables).sum()) for line in machine.lines}
    stem = stem_tube(valve.exhaust_stem, valve.tables)
    wall = run.node(valve.bulb_node)
    last = len(run.time) - 1 if run.tip_off_sample is None else run.tip_off_sample
    found = []
    for position, name in sorted(machine.line_of_position.items()):
        samples = run.dwell_samples(position)
        samples = samples[samples <= last]
        if samples.size == 0:
            continue
        since = run.time[samples] - run.time[samples[0]]
        # A dwell shorter than the settling time is taken as it is.
        settled = since >= min(SETTLING, since[-1])
        flow = run.port_flow[samples].sum(axis=1)
        chosen = np.flatnonzero(settled)[np.argmax(flow[settled])]
        k = samples[chosen]
        bulb, head, line = (p[k].sum() for p in (run.bulb_pressure, run.head_pressure, run.line_pressure))
        ends = (wall[k], run.head_pressure[k], machine.room_temperature, stem)
        without = _without_flow(run.bulb_pressure[k], *ends)
        found.append(Resistance(
            position=position,
            line=name,
            since_opening=float(since[chosen]),
            flow=float(flow[chosen]),
            main_gas=GAS_NAMES[int(np.argmax(run.port_flow[k]))] if flow[chosen] > 0.0 else "",
            from_bulb=_stem_flow(run.bulb_pressure[k], *ends),
            bulb_pressure=float(bulb),
            by_heat=float(without - head),
            exhaust_stem_drop=float(bulb - without),
            port_drop=float(head - line),
            line_rise=max(float(line - ultimate[name]), 0.0),
        ))  # fmt: skip
    return found


def bigger_pumps(run: Run) -> BiggerPumps:
    """Simulate the schedule of `run` again with pumps `PUMP_FACTOR` times as fast."""
    before = float(run.total_bulb_pressure[run.judged_at])
    try:
        again = simulate(with_pumps(run.schedule, PUMP_FACTOR), run.tolerance)
    except FailedRun:
        return BiggerPumps(before, None)
    return BiggerPumps(before, float(again.total_bulb_pressure[again.judged_at]))


def with_pumps(schedule: Schedule, factor: float) -> Schedule:
    """`schedule` with every pump so many times as fast, backing pumps too."""
    lines = tuple(replace(line, pump=faster(line.pump, factor)) for line in schedule.machine.lines)
    return replace(schedule, machine=replace(schedule.machine, lines=lines))


def resistance_sentence(rows: list[Resistance]) -> str:
    """What takes most of the drop, where the flow tells."""
    telling = [row for row in rows if row.tells]
    if not telling:
        return "The flow is too small at every position to tell what stands in its way."
    first = [int(np.argmax(row.shares)) for row in telling]
    leader = max(dict.fromkeys(first), key=first.count)
    held = [100.0 * row.shares[leader] for row, k in zip(telling, first, strict=True) if k == leader]
    low, high = f"{min(held):.0f}", f"{max(held):.0f}"
    span = low if low == high else f"{low} to {high}"
    return (
        f"The {PARTS[leader]} takes most of the pressure drop between bulb and pump at {len(held)} of the {len(telling)} "
        f"positions with flow enough to tell ({span}% of it)."
    )


def _stem_flow(bulb, wall_temperature, head, room, stem) -> float:
    """Flow from bulb to head, all gases [mol/s]."""
    out = np.zeros(GAS_COUNT)
    tube_mixture_flow(bulb, wall_temperature, head, room, stem, out, np.zeros(TUBE_SCRATCH))
    return float(out.sum())


def _without_flow(bulb, *ends) -> float:
    """Bulb pressure [Pa] at which nothing would flow: composition, temperatures and head pressure as they are.

    The bulb pressure itself where gas flows into the bulb.
    """
    low, high = 0.0, 1.0
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if _stem_flow(middle * bulb, *ends) > 0.0 else (middle, high)
    return high * bulb.sum()
