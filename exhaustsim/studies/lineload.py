"""What the pumping lines of a loaded machine carry, and what that asks of their pumps.

For each line: mean and peak line pressure by gas over one index, the load at the inlet against what
the pump takes, the backing pressure against the critical one, how long a diffusion pump stood
stalled, and the exposure of the line to oil: the seconds in which a diffusion pump is overloaded or
stalled, or an untrapped rotary pump idles so low that its oil comes back.

Not modelled: the oil itself; the exposure says for how long it could come, not how much.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np

from exhaustsim.constants import GAS_CONSTANT, GAS_NAMES
from exhaustsim.engine.loaded import MachineRun, TurretIndex
from exhaustsim.engine.result import LineWaveform
from exhaustsim.plant.machine import DiffusionPump

STALLED = 0.5  # running share of the jets below which a diffusion pump counts as stalled


@dataclass(frozen=True)
class LineLoad:
    """One line over one index; pressures in Pa, throughput in Pa m^3/s at room temperature."""

    line: str
    positions: tuple[int, ...]
    index: int  # from 1
    mean_pressure: float
    peak_pressure: float
    mean_by_gas: dict[str, float]
    peak_by_gas: dict[str, float]
    throughput: float  # mean over the index
    peak_throughput: float
    most_throughput: float | None  # what the pump takes at its knee; None where the pump has none
    backing_peak: float | None  # None without a backing line
    backing_limit: float | None  # critical backing pressure
    stalled: float  # s of the index
    overloaded: float  # s of the index with the inlet above the knee

    @property
    def exposure(self) -> float:
        """Seconds of the index in which oil may come back into the line."""
        return max(self.stalled, self.overloaded)

    def to_json(self) -> dict:
        return asdict(self)


def line_loads(run: MachineRun, number: int | None = None) -> tuple[LineLoad, ...]:
    """The lines in index `number` (from 1), by default the last.

    Raises
    ------
    ValueError
        No such index in this run.
    """
    if number is None:
        index = run.last
    elif 1 <= number <= len(run.indices):
        index = run.indices[number - 1]
    else:
        raise ValueError(f"index {number} is not in this run, which has indices 1 to {len(run.indices)}")
    return tuple(_load(run, index, line) for line in index.lines)


def _load(run: MachineRun, index: TurretIndex, wave: LineWaveform) -> LineLoad:
    machine = run.schedule.machine
    line = next(item for item in machine.lines if item.name == wave.name)
    total = wave.pressure.sum(axis=1)
    length = wave.time[-1] - wave.time[0]
    flow = wave.inflow.sum(axis=1) * GAS_CONSTANT * machine.room_temperature
    diffusion = isinstance(line.pump, DiffusionPump)

    def seconds(mask):
        return float(np.trapezoid(mask.astype(float), wave.time))

    return LineLoad(
        line=wave.name,
        positions=tuple(sorted(p for p, name in machine.line_of_position.items() if name == wave.name)),
        index=index.number,
        mean_pressure=float(np.trapezoid(total, wave.time) / length),
        peak_pressure=float(total.max()),
        mean_by_gas={g: float(np.trapezoid(wave.pressure[:, i], wave.time) / length) for i, g in enumerate(GAS_NAMES)},
        peak_by_gas={g: float(wave.pressure[:, i].max()) for i, g in enumerate(GAS_NAMES)},
        throughput=float(np.trapezoid(flow, wave.time) / length),
        peak_throughput=float(flow.max()),
        most_throughput=line.pump.speed * line.pump.knee_pressure if diffusion else None,
        backing_peak=float(np.nanmax(wave.backing_pressure)) if diffusion else None,
        backing_limit=line.pump.critical_backing_pressure if diffusion else None,
        stalled=seconds(wave.running < STALLED) if diffusion else 0.0,
        overloaded=seconds(total > line.pump.knee_pressure) if diffusion else 0.0,
    )
