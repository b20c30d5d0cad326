"""Number everything: from the described valve, machine and schedule to flat arrays.

`number_valve` holds what stays the same through a run and the state at the first opening of the
port (bulb and head full of room air); `phases_of` cuts the schedule into stretches of constant
controls.  The pumping lines are numbered in `exhaustsim.engine.groups`.  Nothing here integrates.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from exhaustsim.constants import (
    ATMOSPHERE, AVOGADRO, GAS_CONSTANT, GAS_COUNT, GAS_NAMES, H2O, HE, REFERENCE_TEMPERATURE,
)  # fmt: skip
from exhaustsim.data.published import BUILT_IN, Tables
from exhaustsim.engine import rates
from exhaustsim.engine.exhauststem import is_straight, straight_tube
from exhaustsim.engine.rates import ACTIVE, ACTIVE_COUNT, G, HeadPlaces, HeadTables
from exhaustsim.engine.result import Source
from exhaustsim.physics import conductance
from exhaustsim.physics.outgassing import slab_released
from exhaustsim.physics.permeation import QUOTED_TEMPERATURE
from exhaustsim.physics.sections import fit_tube
from exhaustsim.plant.coil import TABLE_START, TABLE_STEP, watts_table
from exhaustsim.plant.machine import RotaryMachine
from exhaustsim.plant.valve import ExhaustStem, ValveDesign

#: Spacing of binding energies.  A spacing of 2RT ripples the release at constant temperature by 6 %,
#: 1.5RT by 1.5 % (measured in the tests of the desorption laws).
BIN_SPACING = 1.5 * GAS_CONSTANT * REFERENCE_TEMPERATURE


def gas_array(shares) -> np.ndarray:
    """(gas,) array from (gas, share) pairs or a mapping."""
    out = np.zeros(GAS_COUNT)
    for gas, share in shares.items() if isinstance(shares, dict) else shares:
        out[GAS_NAMES.index(gas)] += share
    return out


def gas_column(quantity: str, tables: Tables = BUILT_IN) -> np.ndarray:
    """(gas,) array of one tabled property of the gases, SI."""
    return np.array([tables.value(f"gases.{gas}.{quantity}") for gas in GAS_NAMES])


def room_air(humidity: float, tables: Tables = BUILT_IN) -> np.ndarray:
    """(gas,) mole shares of room air with the mole share `humidity` of water vapour."""
    dry = gas_column("air_share", tables)
    air = dry / dry.sum() * (1.0 - humidity)
    air[H2O] += humidity
    return air


def tube(bore: float, length: float, tables: Tables = BUILT_IN) -> np.ndarray:
    """Flow constants of a straight round tube with the tabled gas properties."""
    out = np.zeros(conductance.TUBE_SIZE)
    conductance.tube_constants(
        bore / 2.0, length, gas_column("molar_mass", tables), gas_column("viscosity", tables), REFERENCE_TEMPERATURE,
        gas_column("viscosity_exponent", tables), gas_column("diameter", tables), out,
    )  # fmt: skip
    return out


def stem_tube(stem: ExhaustStem, tables: Tables = BUILT_IN) -> np.ndarray:
    """Flow constants of the exhaust stem: of itself, or of the straight tube that stands for its sections."""
    if is_straight(stem):
        return tube(stem.bore, stem.length, tables)
    straight = straight_tube(stem)
    out = tube(2.0 * straight.radius, straight.length, tables)
    fit_tube(out, *straight)
    return out


class ValveArrays(NamedTuple):
    """Numbered valve on a machine: tables, the state at the start, tolerances, and names for the results."""

    tables: HeadTables
    start: np.ndarray
    absolute: np.ndarray  # absolute tolerance of each state at tolerance 1e-3
    node_names: tuple[str, ...]
    sources: tuple[Source, ...]  # surfaces, stocks, sheets, fitted, coating, getter, exhaust stem
    offset: np.ndarray  # (source,) what to add to the state's account of held gas, see `observe`


def number_valve(valve: ValveDesign, machine: RotaryMachine) -> ValveArrays:
    """Number one valve in one head of `machine`."""
    names = tuple(node.name for node in valve.nodes)
    node = {name: i for i, name in enumerate(names)} | {"surroundings": -1}
    surfaces = [(p, g) for p in valve.parts for g in p.surface_gases]
    stocks = [(p, g) for p in valve.parts for g in p.first_order_gases]
    sheets = [(p, g) for p in valve.parts for g in p.diffusing_gases]
    fitted = [(p, g) for p in valve.parts for g in p.empirical_gases]
    bins = [max(2, int(np.ceil((g.energy_high - g.energy_low) / BIN_SPACING))) for _, g in surfaces]
    bin_start = np.concatenate([[0], np.cumsum(bins)]).astype(np.int64)

    places = {}
    place = 0
    for name, count in (
        ("nodes", len(names)), ("carbonate", 1), ("film", ACTIVE_COUNT), ("evaporated", 1), ("spent", 1), ("head", G),
        ("bulb", G), ("bins", int(bin_start[-1])), ("stocks", len(stocks)), ("clocks", len(sheets)), ("helium_clock", 1),
        ("fitted", len(fitted)), ("activation", 1), ("diffused", len(sheets)), ("pumped", G),
        ("buried", ACTIVE_COUNT), ("broken_down", 1), ("cleaned", 1), ("helium_in", 1), ("port_air", 1), ("rubber", 1),
        ("bulb_air", G), ("burst", 1), ("oxygen_exposure", 1), ("oxidant_exposure", 1), ("nickel_exposure", 1),
    ):  # fmt: skip
        places[name] = place
        place += count
    places |= {"core": places["bins"], "quads": places["diffused"], "size": place, "nodes": len(names)}
    at = HeadPlaces(
        **places, wall=node[valve.bulb_node], cathode=node[valve.cathode_node], holder=node[valve.getter_node]
    )

    getter, stem, coating = valve.getter, valve.exhaust_stem, valve.coating
    tables = valve.tables
    air = room_air(machine.air_humidity, tables)
    s = np.zeros(rates.SCALAR_COUNT)
    s[rates.S_BULB_VOLUME] = valve.bulb.volume
    s[rates.S_HEAD_VOLUME] = machine.head_volume
    s[rates.S_ROOM] = machine.room_temperature
    s[rates.S_CARBONATE] = coating.carbonate
    s[rates.S_NEEDLE] = coating.needle_radius
    s[rates.S_ACTIVITY] = coating.activity
    s[rates.S_NICKEL] = coating.nickel_share
    s[rates.S_REACTION_HEAT] = tables.value("carbonates.reaction_enthalpy")
    s[rates.S_RECARB_RATE] = coating.recarbonation_rate
    s[rates.S_RECARB_ENERGY] = coating.recarbonation_energy
    s[rates.S_RECARB_CAP] = coating.recarbonation_cap
    s[rates.S_RECARB_HALF] = tables.value("carbonates.recarbonation_pressure")
    s[rates.S_HEATER_EXPONENT] = valve.heater.resistance_exponent
    s[rates.S_EMITTING] = getter.emitting_area
    s[rates.S_BARIUM_LIMIT] = getter.yield_limit * getter.barium
    s[rates.S_FLASH_PER_KG] = getter.flash_gas / s[rates.S_BARIUM_LIMIT]
    s[rates.S_MIRROR_AREA] = getter.mirror_area
    s[rates.S_AREA_RATIO] = getter.area_ratio
    s[rates.S_SITES] = getter.mirror_area * getter.area_ratio * getter.site_density / AVOGADRO
    s[rates.S_MIRROR_FULL] = tables.value("getters.mirror_full_mass_per_area") * getter.mirror_area
    s[rates.S_HYDROGEN_RETURNED] = getter.hydrogen_returned
    # Arrhenius factor of the helium conductivity from its value at the quoted temperature.
    s[rates.S_HELIUM_K] = valve.permeation.conductivity * np.exp(valve.permeation.energy / (GAS_CONSTANT * QUOTED_TEMPERATURE))
    s[rates.S_HELIUM_E] = valve.permeation.energy
    s[rates.S_HELIUM_D0] = valve.permeation.diffusion_prefactor
    s[rates.S_HELIUM_ED] = valve.permeation.diffusion_energy
    s[rates.S_WALL_AREA] = valve.bulb.area
    s[rates.S_WALL_THICKNESS] = valve.bulb.wall_thickness
    s[rates.S_HELIUM_OUTSIDE] = air[HE] * ATMOSPHERE
    s[rates.S_ACTIVATION_RATE] = tables.value("cathode.activation_rate")
    s[rates.S_POISON_RATE] = 1.0 / tables.value("cathode.poisoning_exposure")
    s[rates.S_OXIDANT_WEIGHT] = tables.value("cathode.oxidant_weight")
    s[rates.S_HOT] = tables.value("cathode.hot_temperature")
    s[rates.S_HOT_WIDTH] = tables.value("cathode.hot_width")

    loads = [(n.name, n.in_coil) for n in valve.nodes if n.in_coil is not None]
    ratio = gas_column("heat_capacity_ratio", tables)
    head = HeadTables(
        at=at,
        scalars=s,
        molar_mass=gas_column("molar_mass", tables),
        conduction_factor=(ratio + 1.0) / (ratio - 1.0),
        conductivity=gas_column("conductivity", tables),
        air=air,
        leak_share=air,
        stem_tube=stem_tube(stem, tables),
        port_tube=tube(machine.port_bore, machine.port_length, tables),
        heat_capacity=np.array([n.heat_capacity for n in valve.nodes]),
        heat_capacity_slope=np.array([n.heat_capacity_slope for n in valve.nodes]),
        radiation_nodes=_pairs(valve.radiation, node),
        radiation_area=np.array([r.emissivity_area for r in valve.radiation]),
        conduction_nodes=_pairs(valve.conduction, node),
        conduction_value=np.array([c.conductance for c in valve.conduction]),
        gas_nodes=_pairs(valve.gas_conduction, node),
        gas_path=np.array([[g.area, g.continuum_length, g.accommodation] for g in valve.gas_conduction]).reshape(-1, 3),
        bin_start=bin_start,
        bin_gas=np.array([GAS_NAMES.index(g.gas) for _, g in surfaces], dtype=np.int64),
        bin_node=np.array([node[p.node] for p, _ in surfaces], dtype=np.int64),
        bin_law=np.array([
            [g.attempt_frequency, g.energy_low + 0.5 * (g.energy_high - g.energy_low) / count,
             (g.energy_high - g.energy_low) / count, g.sticking * g.area / count]
            for (_, g), count in zip(surfaces, bins, strict=True)
        ]).reshape(-1, 4),  # fmt: skip
        # A surface that arrives empty still has room: at least 1e-12 mol, so that the law stays finite.
        bin_room=np.array([max(g.amount, 1e-12) / count for (_, g), count in zip(surfaces, bins, strict=True)]),
        stock_node=np.array([node[p.node] for p, _ in stocks], dtype=np.int64),
        stock_law=np.array([[g.prefactor, g.energy, g.per_charge] for _, g in stocks]).reshape(-1, 3),
        stock_share=np.array([gas_array(g.gases) for _, g in stocks]).reshape(-1, G),
        clock_node=np.array([node[p.node] for p, _ in sheets], dtype=np.int64),
        clock_law=np.array([
            [g.diffusion_prefactor / g.thickness**2, g.diffusion_energy, g.amount / (1.0 - slab_released(g.prior_age))]
            for _, g in sheets
        ]).reshape(-1, 3),  # fmt: skip
        clock_share=np.array([gas_array(g.gases) for _, g in sheets]).reshape(-1, G),
        fitted_gas=np.array([GAS_NAMES.index(g.gas) for _, g in fitted], dtype=np.int64),
        fitted_law=np.array([[g.rate_at_one_hour, g.exponent, g.age, g.amount] for _, g in fitted]).reshape(-1, 4),
        flash_share=gas_array(getter.flash_gases),
        burst_share=gas_array(stem.burst_gases),
        rubber_share=gas_array(machine.rubber_gases),
        coil_node=np.array([node[name] for name, _ in loads], dtype=np.int64),
        coil_grid=np.array([TABLE_START, TABLE_STEP]),
        coil_watts=np.array([[watts_table(coil, load) for _, load in loads] for coil in machine.coils]).reshape(
            len(machine.coils), len(loads), -1, 2
        ) if machine.coils and loads else np.zeros((1, len(loads), 1, 2)),
        film_sticking=_film(getter.sticking),
        film_burial=_film(getter.burial_rate),
        film_appetite=_film(getter.appetite),
    )

    y = np.zeros(at.size)
    y[: at.nodes] = machine.room_temperature
    y[at.carbonate] = coating.carbonate
    per_volume = ATMOSPHERE / (GAS_CONSTANT * machine.room_temperature)
    y[at.head : at.head + G] = air * per_volume * machine.head_volume
    y[at.bulb : at.bulb + G] = air * per_volume * valve.bulb.volume
    for k, ((_, g), count) in enumerate(zip(surfaces, bins, strict=True)):
        y[at.bins + bin_start[k] : at.bins + bin_start[k + 1]] = g.amount / count
    y[at.stocks : at.stocks + len(stocks)] = [g.amount for _, g in stocks]
    y[at.clocks : at.clocks + len(sheets)] = [g.prior_age for _, g in sheets]
    y[at.fitted : at.fitted + len(fitted)] = [g.amount for _, g in fitted]

    absolute = np.full(at.size, 1e-6)  # dimensionless states and clocks
    absolute[: at.nodes] = 1e-2
    absolute[at.carbonate] = 1e-6 * coating.carbonate
    absolute[at.film : at.film + ACTIVE_COUNT] = 1e-6 * s[rates.S_SITES]
    # The first trace of a mirror already sorbs, so its mass is followed far below the whole.
    absolute[at.evaporated] = absolute[at.spent] = 1e-4 * s[rates.S_MIRROR_FULL]
    absolute[at.head : at.head + G] = 1e-10 * machine.head_volume / (GAS_CONSTANT * machine.room_temperature)
    absolute[at.bulb : at.bulb + G] = 1e-10 * valve.bulb.volume / (GAS_CONSTANT * machine.room_temperature)
    for k in range(len(surfaces)):
        absolute[at.bins + bin_start[k] : at.bins + bin_start[k + 1]] = 1e-5 * head.bin_room[k]
    for k, (_, g) in enumerate(stocks):
        absolute[at.stocks + k] = 1e-6 * max(g.amount, 1e-12)
    for k, (_, g) in enumerate(sheets):
        absolute[at.clocks + k] = 1e-3 * max(g.prior_age, 1e-6)
    absolute[at.fitted : at.fitted + len(fitted)] = [1e-6 * max(g.amount, 1e-12) for _, g in fitted]

    sources = [Source(p.name, f"surface {g.gas}", ((g.gas, 1.0),)) for p, g in surfaces]
    sources += [Source(p.name, g.label, g.gases) for p, g in stocks]
    sources += [Source(p.name, f"dissolved {'/'.join(n for n, _ in g.gases)}", g.gases) for p, g in sheets]
    sources += [Source(p.name, f"fitted {g.gas}", ((g.gas, 1.0),)) for p, g in fitted]
    sources += [
        Source("coating", "carbonate", (("CO2", 1.0),)),
        Source("getter", "flash gas", getter.flash_gases),
        Source("exhaust stem", "tip-off burst", stem.burst_gases),
    ]
    # Stocks are states themselves; sheets, flash gas and burst are running totals that count down.
    offset = np.zeros(len(sources))
    first = len(surfaces) + len(stocks)
    offset[first : first + len(sheets)] = [g.amount for _, g in sheets]
    offset[-2:] = getter.flash_gas, stem.burst_amount
    return ValveArrays(head, y, absolute, names, tuple(sources), offset)


def _pairs(links, node) -> np.ndarray:
    return np.array([[node[k.first], node[k.second]] for k in links], dtype=np.int64).reshape(-1, 2)


def _film(values: dict[str, float]) -> np.ndarray:
    return np.array([values[GAS_NAMES[g]] for g in ACTIVE], dtype=float)
