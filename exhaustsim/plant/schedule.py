"""An exhaust schedule: what each position does to the valve, then ageing and life.

SI units, frozen records; filled from TOML by `exhaustsim.plant.designfile`.
Positions count from 1.
"""

from __future__ import annotations

from dataclasses import dataclass

from exhaustsim.plant.machine import RotaryMachine
from exhaustsim.plant.valve import Target, ValveDesign


@dataclass(frozen=True)
class RfSetting:
    """RF heating at one position, and when in the dwell: watts absorbed by each part, or current in the coil."""

    power: dict[str, float]  # thermal node -> W absorbed; empty when the current is given
    start: float  # s after the port opens
    duration: float  # s
    current: float = 0.0  # A, root mean square, in the coil that the machine describes at this position


@dataclass(frozen=True)
class PositionSetting:
    """What one position does to the valve that stands there."""

    position: int
    action: str = ""  # "load", "spark_test", "flash", "tip_off", "eject" or ""
    heater_voltage: float = 0.0  # V, held through the transfer that follows
    rf: RfSetting | None = None


@dataclass(frozen=True)
class AgeingStep:
    """One step on the ageing rack after tip-off."""

    heater_voltage: float  # V
    anode_power: float  # W
    anode_current: float  # A
    duration: float  # s
    label: str = ""


@dataclass(frozen=True)
class Schedule:
    """A valve, a machine and what is done at each position, then ageing, shelf time and target."""

    name: str
    intention: str
    source: str
    valve: ValveDesign
    machine: RotaryMachine
    index_time: float  # s
    oven_temperature: float  # K, oven air
    positions: tuple[PositionSetting, ...]  # one for every position of the machine, in order
    ageing: tuple[AgeingStep, ...]
    shelf_time: float  # s sealed at room temperature after ageing
    target: Target

    @property
    def dwell(self) -> float:
        """Index time less transfer time [s]."""
        return self.index_time - self.machine.transfer_time

    @property
    def sealing_time(self) -> float:
        """Time over which the bore closes at tip-off: the valve's, or half the dwell if that is shorter [s]."""
        return min(self.valve.exhaust_stem.sealing_time, 0.5 * self.dwell)

    def position_of(self, action: str) -> int | None:
        """The position that carries `action`, or None."""
        return next((p.position for p in self.positions if p.action == action), None)
