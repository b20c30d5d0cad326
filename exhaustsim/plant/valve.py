"""A valve as the exhaust machine receives it: glass, parts, gas held, coating, getter.

Everything is in SI units and frozen; `exhaustsim.plant.designfile` fills these records
from a TOML file and refuses what does not fit together.  Gas amounts are moles.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from exhaustsim.data.published import BUILT_IN, Tables
from exhaustsim.plant.coil import CoilLoad


@dataclass(frozen=True)
class ThermalNode:
    """One lump of heat: a part, the bulb wall, the bulb hot spot or the foot."""

    name: str
    heat_capacity: float  # J/K at 300 K
    heat_capacity_slope: float = 0.0  # J/K^2, growth with temperature above 300 K
    outer_area: float = 0.0  # m^2 that exchanges heat with oven air or room
    oven_share: float = 0.0  # share of that area swept by the oven air
    room_heat_transfer_in_oven: float = 0.0  # W/(m^2 K) to the room while in the oven (foot)
    in_coil: CoilLoad | None = None  # how it lies in an RF coil; None: it takes nothing that is reckoned


@dataclass(frozen=True)
class Radiation:
    """Net radiation exchange between two nodes (`second = "surroundings"` passes through the glass)."""

    first: str
    second: str
    emissivity_area: float  # m^2, effective emissivity x area


@dataclass(frozen=True)
class Conduction:
    """Heat conducted between two nodes."""

    first: str
    second: str
    conductance: float  # W/K


@dataclass(frozen=True)
class GasConduction:
    """Heat carried by the gas in the bulb between two nodes."""

    first: str
    second: str
    area: float  # m^2
    continuum_length: float  # m, gap that the continuum value refers to
    accommodation: float  # 1


@dataclass(frozen=True)
class SurfaceGas:
    """Gas bound to a surface with binding energies spread evenly over a band."""

    gas: str
    amount: float  # mol at entry
    energy_low: float  # J/mol
    energy_high: float  # J/mol
    attempt_frequency: float  # 1/s
    sticking: float  # 1
    area: float  # m^2


@dataclass(frozen=True)
class DiffusingGas:
    """Gas dissolved in a sheet, leaving by diffusion; `gases` are the shares of what leaves."""

    gases: tuple[tuple[str, float], ...]  # (gas, mole share), shares sum to 1
    amount: float  # mol at entry
    diffusion_prefactor: float  # m^2/s
    diffusion_energy: float  # J/mol
    thickness: float  # m, full thickness of a sheet that loses gas from both faces
    prior_age: float  # Fourier number at entry


@dataclass(frozen=True)
class FirstOrderGas:
    """Gas released as k(T) x what is left: binder, mica body water, gas set free by electrons."""

    label: str  # "binder", "mica body water", "electron-stimulated gas"
    gases: tuple[tuple[str, float], ...]
    amount: float  # mol at entry
    prefactor: float  # 1/s
    energy: float  # J/mol
    per_charge: float = 0.0  # 1/C: released per coulomb of anode current


@dataclass(frozen=True)
class EmpiricalGas:
    """A fitted law: throughput q1 (age / 1 h)^-exponent from the whole part."""

    gas: str
    rate_at_one_hour: float  # mol/s
    exponent: float  # 1
    age: float  # s at entry
    amount: float  # mol at entry; the rate dies away when a thousandth of it is left


@dataclass(frozen=True)
class Part:
    """A part of the valve, on one thermal node, with the gas it holds."""

    name: str
    node: str
    material: str
    mass: float  # kg
    area: float  # m^2, both sides
    thickness: float | None = None  # m
    surface_gases: tuple[SurfaceGas, ...] = ()
    diffusing_gases: tuple[DiffusingGas, ...] = ()
    first_order_gases: tuple[FirstOrderGas, ...] = ()
    empirical_gases: tuple[EmpiricalGas, ...] = ()


@dataclass(frozen=True)
class Bulb:
    """Gas volume and glass of the bulb."""

    volume: float  # m^3, net gas volume
    area: float  # m^2, inside
    wall_thickness: float  # m
    glass: str
    foot_glass: str


@dataclass(frozen=True)
class StemSection:
    """One piece of an exhaust stem that is not one straight tube, from the bulb on."""

    kind: str  # "tube", "cone", "elbow", "pinch", "step"
    bore: float  # m, at the end towards the bulb
    end_bore: float  # m, at the end towards the head
    length: float = 0.0  # m along the axis; a step has none
    angle: float = 0.0  # rad between the axes of an elbow, mitred in the middle of its length
    waist_bore: float = 0.0  # m, narrow part of a pinch
    shoulder: float = 0.0  # m, length of the cone on each side of it


@dataclass(frozen=True)
class ExhaustStem:
    """Tube that the valve is pumped through, and what tip-off makes of it."""

    bore: float  # m; of a stem in sections: where it is tipped off
    length: float  # m along the axis
    pip_length: float  # m
    burst_amount: float  # mol set free by softened glass at tip-off
    burst_gases: tuple[tuple[str, float], ...]
    burst_share_to_bulb: float  # 1
    sealing_time: float  # s
    sections: tuple[StemSection, ...] = ()  # empty: one straight tube
    wall_thickness: float | None = None  # m where it is tipped off; None: not stated


@dataclass(frozen=True)
class Coating:
    """Carbonate coating on the cathode sleeve: one mixed crystal on the barium law."""

    mass: float  # kg
    carbonate: float  # mol of carbonate
    needle_radius: float  # m
    activity: float  # 1
    nickel_share: float  # share of the CO2 that leaves as CO by reaction with hot nickel
    recarbonation_rate: float  # 1/s at 1000 K
    recarbonation_energy: float  # J/mol
    recarbonation_cap: float  # share of the coating that can turn back


@dataclass(frozen=True)
class Heater:
    """How the cathode sleeve follows the heater volts."""

    rated_voltage: float  # V
    rated_temperature: float  # K, sleeve at rated volts with everything round it at 20 degC
    voltage_exponent: float  # T = T_rated (V/V_rated)^exponent
    resistance_exponent: float  # power falls as (T_law/T)^exponent at fixed volts


@dataclass(frozen=True)
class Getter:
    """Fill, flash and film of the barium getter."""

    barium: float  # kg in the fill
    yield_limit: float  # share of the barium that can leave
    emitting_area: float  # m^2, opening x activity x evaporation coefficient
    flash_gas: float  # mol given off with the whole yield_limit x barium
    flash_gases: tuple[tuple[str, float], ...]
    mirror_area: float  # m^2
    area_ratio: float  # sorbing area / geometric area
    site_density: float  # 1/m^2
    sticking: dict[str, float]  # fresh film, by gas
    burial_rate: dict[str, float]  # 1/s, by gas
    appetite: dict[str, float]  # mol per kg of barium, by gas
    hydrogen_returned: float  # mol H2 given back per mol H2O buried
    share_on_mica: float  # share of the barium vapour that flies straight to the micas


@dataclass(frozen=True)
class Permeation:
    """Helium through the bulb glass."""

    conductivity: float  # mol/(m s Pa) at 298.15 K
    energy: float  # J/mol
    diffusion_prefactor: float  # m^2/s
    diffusion_energy: float  # J/mol


@dataclass(frozen=True)
class Threshold:
    """Warn and stop limits of one flag with the reason for a departure from the default."""

    warn: float | None  # None: the usual one
    stop: float | None
    reason: str = ""


@dataclass(frozen=True)
class Target:
    """Limits a schedule is judged against."""

    bulb_pressure: float  # Pa, all gases, just before the getter RF comes on
    air_share: float  # Pa, N2 + O2 + Ar of that
    converted_fraction: float  # 1
    barium_spent: float  # 1, by the end of ageing
    sealed_pressure: float  # Pa, after ageing


@dataclass(frozen=True)
class ValveDesign:
    """Everything about one valve; see the module text."""

    name: str
    description: str
    source: str  # path of the file, for messages and reports
    bulb: Bulb
    exhaust_stem: ExhaustStem
    nodes: tuple[ThermalNode, ...]
    radiation: tuple[Radiation, ...]
    conduction: tuple[Conduction, ...]
    gas_conduction: tuple[GasConduction, ...]
    parts: tuple[Part, ...]
    coating: Coating
    heater: Heater
    getter: Getter
    permeation: Permeation
    in_leak: float  # mol/s of air into the bulb, on the machine and after
    methane_cleanup: float  # m^3/s while heater lit and anode current flows
    target: Target
    thresholds: dict[str, Threshold] = field(default_factory=dict)
    tables: Tables = BUILT_IN  # values that a run with this valve looks up, with own rows of the design files

    # Which node plays which role in the physics.
    bulb_node: str = "bulb_wall"
    cathode_node: str = "cathode_sleeve"
    getter_node: str = "getter_holder"
