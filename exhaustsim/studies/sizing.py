"""Are the pumps big enough for one another: every pump of every chain against the gas that goes through it.

For a pump that needs another one behind it: the speed the backing pump must have so that the largest
throughput of the index, with a margin, stays below the critical backing pressure (for a mechanical booster:
below the pressure difference it can hold), beside the speed it has there.  For a pump with a knee: its mean load
over the most it can pass.  For a rotary pump: the water it takes in against what it blows out as vapour, gas
ballast closed and open.

Throughputs are those of the periodic state of a machine full of good valves; whatever backing volume there is has
smoothed them already for the pumps behind.  The same rule is applied to peaks of a second and to a steady stream, so
a backing pump called too small here may do if the volume in front of it carries it over the peak: the highest backing
pressure of the run, told beside it, decides that.

Not weighed: start-up, a leaker, what water does to the oil, tubes between the pumps.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

import numpy as np

from exhaustsim.constants import ATMOSPHERE, GAS_CONSTANT, H2O
from exhaustsim.data.published import BUILT_IN, Tables
from exhaustsim.engine.groups import ultimate_pressures
from exhaustsim.engine.result import LineWaveform, Run
from exhaustsim.physics.ballast import least_ballast, water_saturation_pressure, water_tolerance
from exhaustsim.physics.pumps import booster_speed, required_backing_speed
from exhaustsim.plant.machine import (
    BoosterPump, DiffusionPump, Pump, RotaryMachine, RotaryPump, TablePump, TurbomolecularPump, backing_of, chain_of,
)  # fmt: skip
from exhaustsim.units import show

SHIFT = 8.0 * 3600.0  # s
NAMES = {
    RotaryPump: "rotary", DiffusionPump: "diffusion", BoosterPump: "booster", TurbomolecularPump: "turbomolecular",
    TablePump: "table",
}  # fmt: skip


@dataclass(frozen=True)
class Water:
    """Water in a rotary pump, mean of the index; partial pressures at its inlet in Pa."""

    pressure: float
    tolerated_closed: float
    tolerated_open: float  # with the gas ballast of the machine file, or the usual one where it has none
    ballast: float  # m^3/s of room air for `tolerated_open`
    open: bool  # whether the machine file has it open
    least_ballast: float  # m^3/s; not-a-number when room air is too damp to help
    condensed: float  # kg of water that stays in the oil in a shift
    oil_takes: float  # kg that the oil takes up in a shift

    @property
    def tolerated(self) -> float:
        return self.tolerated_open if self.open else self.tolerated_closed

    @property
    def condenses(self) -> bool:
        """Whether more water stays in the oil than it takes up in a shift."""
        return self.condensed > self.oil_takes


@dataclass(frozen=True)
class SizingRow:
    """One pump of one chain; SI."""

    line: str
    stage: int  # from 1 at the manifold
    pump: str
    positions: tuple[int, ...]
    worst_position: int | None  # where the largest flow leaves a head
    mean_flow: float  # mol/s through the pump
    peak_flow: float
    load: float | None  # mean flow over the most it can pass; None without a knee
    backing_limit: float | None  # Pa the backing pump must hold; None where there is nothing behind, or no limit is known
    backing_needed: float | None  # m^3/s, with margin
    backing_speed: float | None  # m^3/s that the pump behind has at that pressure
    backing_peak: float | None  # Pa, highest of the run
    water: Water | None

    @property
    def backed_well(self) -> bool | None:
        """Whether the pump behind is big enough; None where there is none."""
        return None if self.backing_needed is None else self.backing_speed >= self.backing_needed

    @property
    def faults(self) -> tuple[str, ...]:
        """What is too small, in words."""
        found = []
        if self.load is not None and self.load > 1.0:
            found.append("overloaded")
        if self.backed_well is False:
            found.append("backing pump too small")
        if self.backing_limit is not None and self.backing_peak > self.backing_limit:
            found.append("backing pressure too high")
        if self.water is not None and self.water.condenses:
            found.append("water in the oil")
        return tuple(found)

    def sentence(self, pressure_unit: str = "Pa") -> str:
        """The figures in words."""
        flow = show(self.peak_flow, "throughput", "Pa L/s")
        most = f" (most at position {self.worst_position})" if self.worst_position is not None else ""
        text = [f"Line {self.line}, {self.pump} pump: at most {flow}{most}."]
        if self.load is not None:
            text.append(f"In the mean {show(self.load, 'share', '%')} of what it can pass.")
        if self.backing_limit is not None:
            limit = show(self.backing_limit, "pressure", pressure_unit)
            word = "big enough" if self.backed_well else "too small for that as a steady stream"
            text.append(
                f"The pump behind needs {_litres(self.backing_needed)} at {limit} and has {_litres(self.backing_speed)}: {word}; "
                f"highest backing pressure {show(self.backing_peak, 'pressure', pressure_unit)}."
            )
        if self.water is not None:
            text.append(self._water_sentence(pressure_unit))
        return " ".join(text)

    def _water_sentence(self, unit: str) -> str:
        w = self.water
        closed, opened = (show(p, "pressure", unit) for p in (w.tolerated_closed, w.tolerated_open))
        ballast = f"gas ballast of {_litres(w.ballast)} {'open' if w.open else 'opened'}"
        text = f"Water {show(w.pressure, 'pressure', unit)} in the mean; stays vapour up to {closed} closed, {opened} with {ballast}"
        if w.condensed == 0.0:
            return f"{text}."
        text = f"{text}: {show(w.condensed, 'mass', 'g')} a shift stays in the oil"
        if not w.condenses:
            return f"{text}, which takes it up."
        if math.isnan(w.least_ballast):
            return f"{text}, and the room air is too damp for gas ballast to help."
        return f"{text}; gas ballast of {_litres(w.least_ballast)} would carry it out."

    def to_json(self) -> dict:
        """Plain data, keys with their SI units."""
        told = {f"{name}{_SUFFIXES.get(name, '')}": value for name, value in asdict(self).items() if name != "water"}
        water = None
        if self.water is not None:
            water = {f"{k}{_WATER_SUFFIXES.get(k, '_pa')}": v for k, v in asdict(self.water).items()}
            if math.isnan(self.water.least_ballast):
                water["least_ballast_m3_s"] = None
        return told | {"water": water, "backed_well": self.backed_well, "faults": list(self.faults)}


_SUFFIXES = {
    "mean_flow": "_mol_s", "peak_flow": "_mol_s", "backing_limit": "_pa", "backing_needed": "_m3_s", "backing_speed": "_m3_s",
    "backing_peak": "_pa",
}  # fmt: skip
_WATER_SUFFIXES = {"ballast": "_m3_s", "least_ballast": "_m3_s", "open": "", "condensed": "_kg_per_shift", "oil_takes": "_kg_per_shift"}


def sizing(run: Run) -> tuple[SizingRow, ...]:
    """Every pump of every chain of `run`, line by line from the manifold on.

    A backing line that several lines share is told with each of them, always with the gas of all.

    Parameters
    ----------
    run : Run
        From `exhaustsim.simulate`.

    Returns
    -------
    tuple of SizingRow
        Flows [mol/s], pressures [Pa], speeds [m^3/s].

    Examples
    --------
    >>> import exhaustsim
    >>> run = exhaustsim.simulate(exhaustsim.load_schedule("demo_data/schedules/dt1_standard.toml"))
    >>> [row.pump for row in sizing(run) if row.line == "D"]
    ['diffusion', 'rotary']
    """
    machine = run.schedule.machine
    data = run.schedule.valve.tables
    waves = {wave.name: wave for wave in run.lines}
    rows = []
    for line in machine.lines:
        if line.name not in waves:
            continue
        positions = tuple(p for p, name in machine.line_of_position.items() if name == line.name)
        worst = _worst_position(run, positions)
        for stage, pump in enumerate(chain_of(line.pump)):
            rows.append(_row(machine, data, line.name, waves[line.name], stage, pump, positions, worst))
    return tuple(rows)


def sizing_sentence(rows: tuple[SizingRow, ...]) -> str:
    """What is too small, or which backing pump is nearest to it."""
    wrong = [f"line {row.line}, {row.pump} pump: {', '.join(row.faults)}" for row in rows if row.faults]
    if wrong:
        return f"Not big enough for what goes through: {'; '.join(wrong)}."
    backed = [row for row in rows if row.backing_needed]
    if not backed:
        return "No pump needs another one behind it, and no more water stays in a pump than its oil takes up."
    tightest = max(backed, key=lambda row: row.backing_needed / row.backing_speed)
    return (
        f"Every pump is backed well enough and the oil takes up what water condenses; tightest behind the {tightest.pump} pump of line {tightest.line}, "
        f"which needs {_litres(tightest.backing_needed)} and has {_litres(tightest.backing_speed)}."
    )


def speed_at(pump: Pump, pressure: float, machine: RotaryMachine, data: Tables = BUILT_IN) -> float:
    """Speed [m^3/s] of `pump` with all that stands behind it at a total inlet pressure [Pa] of room air; never below zero.

    Pumps in front that slip, stall or run over their knee are taken as running at full speed.
    """
    behind = backing_of(pump)
    if isinstance(pump, TablePump):
        nitrogen = dict(pump.speeds)["N2"]
        return float(np.exp(np.interp(np.log(pressure), np.log(pump.pressures), np.log(nitrogen))))
    speed = pump.speed
    if isinstance(pump, BoosterPump):
        speed = booster_speed(pump.speed, speed_at(behind, pressure, machine, data), pump.compression)
    ultimate = float(ultimate_pressures(pump, machine, data).sum())
    return max(speed * (1.0 - ultimate / pressure), 0.0)


def _row(machine: RotaryMachine, data: Tables, name: str, wave: LineWaveform, stage: int, pump: Pump, positions, worst) -> SizingRow:
    rt = GAS_CONSTANT * machine.room_temperature
    flow = wave.chain_flow[:, stage]
    total = flow.sum(axis=1)
    mean, peak = float(np.trapezoid(total, wave.time) / wave.time[-1]), float(total.max())
    behind = backing_of(pump)
    limit = needed = has = highest = load = None
    if isinstance(pump, DiffusionPump | TurbomolecularPump):
        load = mean * rt / (pump.speed * pump.knee_pressure)
        limit = pump.critical_backing_pressure
    elif isinstance(pump, BoosterPump):
        limit = pump.pressure_difference
    if behind is not None:
        highest = float(wave.chain_pressure[:, stage + 1].sum(axis=1).max())
    if limit is not None:
        margin = data.value("pumps.diffusion.backing_margin")
        needed = float(required_backing_speed(max(peak, 0.0) * rt, 1.0, limit, margin))
        has = float(speed_at(behind, limit, machine, data))
    water = _water(machine, data, pump, flow, wave.time, rt) if isinstance(pump, RotaryPump) else None
    return SizingRow(name, stage + 1, NAMES[type(pump)], positions, worst, mean, peak, load, limit, needed, has, highest, water)


def _water(machine: RotaryMachine, data: Tables, pump: RotaryPump, flow: np.ndarray, time: np.ndarray, rt: float) -> Water:
    mean = np.maximum(np.trapezoid(flow, time, axis=0) / time[-1], 0.0) * rt  # Pa m^3/s
    water, others = float(mean[H2O]), float(mean.sum() - mean[H2O])
    air = (
        ATMOSPHERE, water_saturation_pressure(pump.temperature), machine.air_humidity * ATMOSPHERE,
        ATMOSPHERE * data.value("pumps.rotary.exhaust_pressure_ratio"),
    )  # fmt: skip
    opened = pump.gas_ballast > 0.0
    ballast = pump.gas_ballast if opened else pump.speed * data.value("pumps.rotary.ballast_share")
    tolerated = water_tolerance(others / pump.speed, pump.speed, pump.gas_ballast, *air) * pump.speed
    left = max(water - tolerated, 0.0) / rt * SHIFT
    return Water(
        pressure=water / pump.speed,
        tolerated_closed=float(water_tolerance(others / pump.speed, pump.speed, 0.0, *air)),
        tolerated_open=float(water_tolerance(others / pump.speed, pump.speed, ballast, *air)),
        ballast=ballast,
        open=opened,
        least_ballast=float(least_ballast(water, others, *air)),
        condensed=float(left * data.value("gases.H2O.molar_mass")),
        oil_takes=data.value("pumps.rotary.water_dissolved"),
    )


def _worst_position(run: Run, positions) -> int | None:
    """Position with the largest flow from a head to the line."""
    flow = run.port_flow.sum(axis=1)
    peaks = {p: float(flow[samples].max()) for p in positions if (samples := run.dwell_samples(p)).size}
    return max(peaks, key=peaks.get) if peaks else None


def _litres(speed: float) -> str:
    return show(speed, "speed", "L/s", 2)
