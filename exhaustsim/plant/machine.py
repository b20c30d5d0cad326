"""A rotary exhaust machine: heads, port plate, pumping lines with their pumps, oven.

SI units, frozen records; filled from TOML by `exhaustsim.plant.designfile`.
A bench with one head is a machine whose transfer time is zero.
"""

from __future__ import annotations

from dataclasses import dataclass

from exhaustsim.plant.coil import Coil


@dataclass(frozen=True)
class RotaryPump:
    """Rotary vane pump: speed S0 per gas, less what its own ultimate pressure gives back."""

    speed: float  # m^3/s at the manifold (or at the backing port)
    ultimate_pressure: float  # Pa
    ultimate_gases: tuple[tuple[str, float], ...]  # mole shares of the ultimate pressure


@dataclass(frozen=True)
class DiffusionPump:
    """Oil diffusion pump with knee, stall at the critical backing pressure, and recovery."""

    speed: float  # m^3/s at the manifold
    ultimate_pressure: float  # Pa
    ultimate_gases: tuple[tuple[str, float], ...]
    knee_pressure: float  # Pa, inlet pressure above which the throughput is constant
    critical_backing_pressure: float  # Pa
    stall_time: float  # s
    recovery_time: float  # s
    backing_volume: float  # m^3
    backing_pump: RotaryPump


@dataclass(frozen=True)
class WarmUp:
    """How oven and diffusion pumps come up after the machine has been switched on cold."""

    oven_time_constant: float  # s, of the oven air
    pump_ready_time: float  # s of heater-on time after which a diffusion pump works fully


@dataclass(frozen=True)
class PumpingLine:
    """A manifold with its pump, shared by the positions that open to it."""

    name: str
    pump: RotaryPump | DiffusionPump
    manifold_volume: float  # m^3
    in_leak_per_port: float  # mol/s of air while a port is open to this line
    trapped: bool = True  # an oil trap or baffle stands between pump and manifold


@dataclass(frozen=True)
class RotaryMachine:
    """Heads, port plate, lines, oven, room and coils; see the module text."""

    name: str
    description: str
    source: str
    positions: int
    transfer_time: float  # s
    head_volume: float  # m^3, dead volume of head and port
    port_bore: float  # m
    port_length: float  # m
    blanked_leak_share: float  # share of the in-leak that goes on while the port is blanked
    rubber_gas: float  # mol/s from the head rubber
    oven_positions: tuple[int, ...]
    oven_heat_transfer: float  # W/(m^2 K) to the bulb inside the oven
    room_heat_transfer: float  # W/(m^2 K) outside
    room_temperature: float  # K
    lines: tuple[PumpingLine, ...]
    line_of_position: dict[int, str]  # position -> line name; positions without a line are blanked
    rf_positions: tuple[int, ...]
    rf_power_limit: float  # W absorbed
    air_humidity: float  # mole share of water vapour in the room air
    coils: tuple[Coil, ...] = ()  # those that are described; a position may have a coil that is not
    rubber_gases: tuple[tuple[str, float], ...] = (("H2O", 1.0),)  # mole shares of the gas from the head rubber
    warm_up: WarmUp | None = None
