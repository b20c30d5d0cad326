"""A rotary exhaust machine: heads, port plate, pumping lines with their pumps, oven.

SI units, frozen records; filled from TOML by `exhaustsim.plant.designfile`.
A bench with one head is a machine whose transfer time is zero.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from exhaustsim.plant.coil import Coil


@dataclass(frozen=True)
class RotaryPump:
    """Rotary vane pump: speed S0 per gas, less what its own ultimate pressure gives back; blows out into the room.

    With gas ballast open the ultimate pressure is the higher one, and what is added to it is room air.
    """

    speed: float  # m^3/s at the manifold (or at the backing port)
    ultimate_pressure: float  # Pa, gas ballast closed
    ultimate_gases: tuple[tuple[str, float], ...]  # mole shares of the ultimate pressure
    gas_ballast: float = 0.0  # m^3/s of room air at room pressure let into the compression; 0 closed
    ballast_ultimate_pressure: float = 0.0  # Pa, gas ballast open; of account only then
    temperature: float = 343.15  # K of the working pump, which decides what water stays vapour in it


@dataclass(frozen=True)
class BackedPump:
    """What all pumps that need another one behind them have in common.

    Pumps that name the same `backing_line` blow into one volume; those of a private one leave it empty.
    """

    speed: float  # m^3/s at the manifold (or at the port of the pump in front)
    backing_volume: float  # m^3
    backing_pump: Pump
    backing_line: str = ""  # name of the shared backing line


@dataclass(frozen=True, kw_only=True)
class DiffusionPump(BackedPump):
    """Oil diffusion pump with knee, stall at the critical backing pressure, and recovery.

    A vapour booster is one too: strong boilers, a knee at some pascal, a high critical backing pressure.
    """

    ultimate_pressure: float  # Pa
    ultimate_gases: tuple[tuple[str, float], ...]
    knee_pressure: float  # Pa, inlet pressure above which the throughput is constant
    critical_backing_pressure: float  # Pa
    stall_time: float  # s
    recovery_time: float  # s
    stalled_conductance: float = 0.0  # m^3/s past the jets of the stalled pump


@dataclass(frozen=True, kw_only=True)
class BoosterPump(BackedPump):
    """Mechanical booster: two rotors that turn without touching, in front of a rotary pump."""

    compression: float  # at no flow
    pressure_difference: float  # Pa, outlet over inlet, above which the drive slips


@dataclass(frozen=True, kw_only=True)
class TurbomolecularPump(BackedPump):
    """Turbomolecular pump: compression by gas, slowed by a high backing pressure."""

    compression: tuple[tuple[str, float], ...]  # by gas, at full speed and no flow
    ultimate_pressure: float  # Pa, of the pump itself with nothing behind it
    ultimate_gases: tuple[tuple[str, float], ...]
    knee_pressure: float  # Pa, inlet pressure above which the throughput is constant
    critical_backing_pressure: float  # Pa, at which the rotor has lost half its speed
    stall_time: float  # s in which it loses speed
    recovery_time: float  # s in which it gains speed


@dataclass(frozen=True, kw_only=True)
class TablePump(BackedPump):
    """A pump by its measured speed: S(p) by gas over the total inlet pressure, held constant beyond the table."""

    backing_volume: float = 0.0
    backing_pump: Pump | None = None  # None: blows out into the room
    pressures: tuple[float, ...]  # Pa, rising
    speeds: tuple[tuple[str, tuple[float, ...]], ...]  # by gas, m^3/s at these pressures
    ultimate_pressure: float = 0.0  # Pa; 0 where the speeds themselves fall towards it
    ultimate_gases: tuple[tuple[str, float], ...] = ()

    @property
    def valid_from(self) -> float:
        return self.pressures[0]

    @property
    def valid_to(self) -> float:
        return self.pressures[-1]


Pump = RotaryPump | DiffusionPump | BoosterPump | TurbomolecularPump | TablePump


def faster(pump: Pump, factor: float) -> Pump:
    """`pump` so many times as fast, and all pumps behind it."""
    new = replace(pump, speed=factor * pump.speed)
    if isinstance(pump, TablePump):
        new = replace(new, speeds=tuple((gas, tuple(factor * s for s in speeds)) for gas, speeds in pump.speeds))
    behind = backing_of(pump)
    return new if behind is None else replace(new, backing_pump=faster(behind, factor))


def backing_of(pump: Pump) -> Pump | None:
    """The pump behind `pump`, or None when it blows out into the room."""
    return pump.backing_pump if isinstance(pump, BackedPump) else None


def chain_of(pump: Pump) -> tuple[Pump, ...]:
    """`pump` and all pumps behind it, the last one blowing out into the room."""
    chain = [pump]
    while (behind := backing_of(chain[-1])) is not None:
        chain.append(behind)
    return tuple(chain)


@dataclass(frozen=True)
class WarmUp:
    """How oven and diffusion pumps come up after the machine has been switched on cold."""

    oven_time_constant: float  # s, of the oven air
    pump_ready_time: float  # s of heater-on time after which a diffusion pump works fully


@dataclass(frozen=True)
class ConnectedPower:
    """What the machine draws from the mains while it runs, as far as its file says so [W]; None: not stated."""

    pumps: float | None = None
    oven: float | None = None
    rf: float | None = None
    heaters: float | None = None


@dataclass(frozen=True)
class PumpingLine:
    """A manifold with its pump, shared by the positions that open to it."""

    name: str
    pump: Pump
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
    soaking_area: float = 0.0  # m^2 of head rubber and passages that take up gas while the head stands open to room air
    connected_power: ConnectedPower = ConnectedPower()
