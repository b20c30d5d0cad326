"""A valve file to a `ValveDesign`: glass, thermal nodes, coating, heater, getter, limits.

What a valve file leaves out about the physics (activity, burial rates, sticking, ...) comes
from the data tables, where it stands with its range and source; what it states, wins.
The parts list with the gas the parts hold is read in `exhaustsim.plant.readparts`, the exhaust
stem in `exhaustsim.plant.readstem`.
"""

from __future__ import annotations

import math
from dataclasses import fields, replace

from exhaustsim.data.published import Tables
from exhaustsim.plant.coil import CoilLoad, resistivity_points, tabled_metals
from exhaustsim.plant.entries import Entries
from exhaustsim.plant.faults import nearest, quoted
from exhaustsim.plant.readparts import read_parts
from exhaustsim.plant.readstem import read_exhaust_stem
from exhaustsim.plant.valve import (
    Bulb,
    Coating,
    Conduction,
    FirstOrderGas,
    GasConduction,
    Getter,
    Heater,
    Permeation,
    Radiation,
    Target,
    ThermalNode,
    Threshold,
    ValveDesign,
)
from exhaustsim.units import KINDS

SURROUNDINGS = "surroundings"
#: Nodes that play a part of their own in the physics; ageing heats the anode.
ROLE_NODES = ("bulb_wall", "cathode_sleeve", "getter_holder", "anode")
ACTIVE_GASES = ("H2", "H2O", "N2", "CO", "O2", "CO2")
CARBONATES = ("BaCO3", "SrCO3", "CaCO3")

#: What the limits of each flag are measured in.
FLAG_KINDS = {
    "incomplete_breakdown": "share",
    "violent_breakdown": "rate",
    "breakdown_pressure": "pressure",
    "cathode_over_temperature": "temperature",
    "cathode_poisoning": "exposure",
    "oxidant_exposure": "exposure",
    "sealed_oxygen": "pressure",
    "sealed_oxidant": "pressure",
    "carbon_dioxide_on_cooling": "number",
    "recarbonation": "share",
    "nickel_exposure": "exposure",
    "binder_late": "amount",
    "heater_overvoltage": "number",
    "co2_at_flash": "pressure",
    "carbon_dioxide_evolving": "throughput",
    "premature_flash": "temperature",
    "getter_wet_bake": "pressure",
    "under_flash": "share",
    "over_flash": "temperature",
    "flash_duration": "time",
    "getter_insufficient": "share",
    "getter_life": "share",
    "barium_on_mica": "length",
    "pressure_at_flash": "pressure",
    "cold_bake": "temperature",
    "glass_water_left": "amount",
    "bulb_over_temperature": "temperature",
    "foot_over_temperature": "temperature",
    "suck_in": "temperature",
    "foot_electrolysis": "temperature",
    "thermal_shock": "temperature_rate",
    "mica_over_temperature": "temperature",
    "anode_over_temperature": "temperature",
    "anode_under_fired": "temperature",
    "tip_off_early": "pressure",
    "falling_at_tip_off": "rate",
    "tip_burst": "time",
    "inert_tip_burst": "share",
    "tip_quality": "length",
    "thin_exhaust_stem": "number",
    "thick_exhaust_stem": "number",
    "sealing_time_left": "time",
    "argon_floor": "share",
    "helium_floor": "share",
    "inert_from_flash": "share",
    "transfer_spike": "pressure",
    "line_overload": "pressure",
    "forepressure": "share",
    "backstreaming": "pressure",
    "backstreaming_by_stall": "share",
    "backstreaming_idle": "pressure",
    "water_in_rotary": "mass",
    "index_infeasible": "time",
    "ledger_open": "share",
    "outside_evidence": "number",
    "cross_talk": "share",
    "leaker": "number",
    "stop_tolerance": "time",
    "sub_target_by_scatter": "share",
}


def read_valve(entries: Entries) -> ValveDesign:
    """The valve in `entries`; faults are recorded there, and the valve is of no use if there are any."""
    name = entries.text("name")
    description = entries.text("description", default="")
    bulb = _bulb(entries.sub("bulb"))
    nodes = _nodes(entries)
    node_names = [n.name for n in nodes]
    parts = read_parts(entries, node_names)
    coating, binder = _coating(entries.sub("coating"))
    if binder is not None:
        parts = _with_binder(entries, parts, binder)
    sealed = entries.sub("sealed", required=False)
    in_leak = sealed.quantity("in_leak", "throughput", default=0.0, at_least=0.0)
    methane_cleanup = sealed.quantity("methane_cleanup", "speed", from_data="getters.methane_cleanup", at_least=0.0)
    sealed.finish()
    valve = ValveDesign(
        name=name,
        description=description,
        source=entries.file,
        bulb=bulb,
        exhaust_stem=read_exhaust_stem(entries.sub("exhaust_stem")),
        nodes=nodes,
        radiation=_radiation(entries, node_names),
        conduction=_conduction(entries, node_names),
        gas_conduction=_gas_conduction(entries, node_names),
        parts=parts,
        coating=coating,
        heater=_heater(entries.sub("heater")),
        getter=_getter(entries.sub("getter")),
        permeation=_permeation(entries.sub("permeation", required=False), bulb.glass),
        in_leak=in_leak,
        methane_cleanup=methane_cleanup,
        target=read_target(entries.sub("target"), None),
        thresholds=_thresholds(entries.sub("thresholds", required=False)),
        tables=entries.tables,
    )
    entries.finish()
    _check_isolated(entries, valve)
    return valve


def read_target(entries: Entries, usual: Target | None) -> Target:
    """The limits a schedule is judged against; with `usual`, what is not stated stays as usual."""
    kinds = {"bulb_pressure": "pressure", "air_share": "pressure", "converted_fraction": "share",
             "barium_spent": "share", "sealed_pressure": "pressure"}
    given = {}
    for key, kind in kinds.items():
        if usual is None or key in entries:
            given[key] = entries.share(key) if kind == "share" else entries.quantity(key, kind, above=0.0)
    entries.finish()
    target = replace(usual, **given) if usual is not None else Target(**given)
    if given and target.air_share > target.bulb_pressure:
        entries.fault("air_share" if "air_share" in entries else "bulb_pressure",
                      "the air share is part of the bulb pressure and cannot be above it",
                      "lower air_share or raise bulb_pressure")
    return target


def _bulb(entries: Entries) -> Bulb:
    # A glass must be known both as a material and for its helium.
    tables = entries.tables
    materials = tables.groups("materials")
    glasses = [g for g in tables.groups("permeation") if f"permeation.{g}.conductivity" in tables and g in materials]
    bulb = Bulb(
        volume=entries.quantity("volume", "volume", above=0.0),
        area=entries.quantity("area", "area", above=0.0),
        wall_thickness=entries.quantity("wall_thickness", "length", above=0.0),
        glass=entries.word("glass", glasses, "glass"),
        foot_glass=entries.word("foot_glass", glasses, "glass"),
    )
    # A sphere has the least area round a volume: less than that is a slip in one of the two.
    least_area = (36.0 * math.pi) ** (1.0 / 3.0) * bulb.volume ** (2.0 / 3.0)
    if bulb.area < least_area:
        entries.fault("area", f"too small for the volume: even a sphere has {least_area * 1e4:.3g} cm2",
                      "correct area or volume")
    entries.finish()
    return bulb


def _nodes(entries: Entries) -> tuple[ThermalNode, ...]:
    nodes = []
    for name, node in entries.named("nodes").items():
        outer_area = node.quantity("outer_area", "area", default=0.0, at_least=0.0)
        nodes.append(
            ThermalNode(
                name=name,
                heat_capacity=node.quantity("heat_capacity", "heat_capacity", above=0.0),
                heat_capacity_slope=node.quantity("heat_capacity_slope", "heat_capacity_slope", default=0.0),
                outer_area=outer_area,
                oven_share=node.share("oven_share", default=1.0 if outer_area > 0.0 else 0.0),
                room_heat_transfer_in_oven=node.quantity(
                    "room_heat_transfer_in_oven", "heat_transfer", default=0.0, at_least=0.0
                ),
                in_coil=_in_coil(node.sub("in_coil")) if "in_coil" in node else None,
            )
        )
        if name == SURROUNDINGS:
            node.fault("", "this name means everything outside the glass", "give the node another name")
        node.finish()
    for role in ROLE_NODES:
        if role not in [n.name for n in nodes]:
            entries.fault("nodes", f'has no node "{role}"', f"add [nodes.{role}]")
    return tuple(nodes)


def _in_coil(entries: Entries) -> CoilLoad:
    """How a part lies in an RF coil."""
    material = entries.word("material", tabled_metals(entries.tables), "metal with a tabled resistivity")
    rows = entries.tables.group(f"materials.{material}") if material else {}
    magnetic = "curie_temperature" in rows
    if "relative_permeability" in entries and material and not magnetic:
        entries.fault("relative_permeability", f"{material} is not magnetic", "leave it out")
    load = CoilLoad(
        material=material,
        resistivity=resistivity_points(entries.tables, material) if material else (),
        radius=entries.quantity("radius", "length", above=0.0),
        wall=entries.quantity("wall", "length", above=0.0),
        height=entries.quantity("height", "length", above=0.0),
        middle=entries.quantity("middle", "length", default=0.0),
        coupling=entries.quantity("coupling", "share", default=1.0, above=0.0, at_most=1.0),
        permeability=entries.quantity(
            "relative_permeability", "number", default=rows["relative_permeability"].value if magnetic else 1.0, at_least=1.0
        ),
        curie_temperature=rows["curie_temperature"].value if magnetic else 0.0,
    )
    if load.wall > load.radius:
        entries.fault("wall", "thicker than the radius", "give the wall of a tube or ring; for a rod give its radius")
    entries.finish()
    return load


def _pair(exchange: Entries, node_names: list[str], with_surroundings: bool = False) -> tuple[str, str]:
    known = [*node_names, SURROUNDINGS] if with_surroundings else node_names
    exchange.asked("between")
    pair = exchange.table.get("between")
    if not isinstance(pair, list) or len(pair) != 2 or not all(isinstance(n, str) for n in pair):
        exchange.fault("between", "needs the names of two thermal nodes", 'such as between = ["anode", "mica"]')
        return "", ""
    for name in pair:
        if name not in known:
            exchange.fault("between", f'no thermal node "{name}"', nearest(name, known))
    if pair[0] == pair[1]:
        exchange.fault("between", "a node cannot exchange heat with itself", "name two nodes")
    if pair[0] == SURROUNDINGS:
        pair = pair[::-1]
    return pair[0], pair[1]


def _radiation(entries: Entries, node_names: list[str]) -> tuple[Radiation, ...]:
    found = []
    for exchange in entries.subs("radiation"):
        first, second = _pair(exchange, node_names, with_surroundings=True)
        found.append(Radiation(first, second, exchange.quantity("emissivity_area", "area", above=0.0)))
        exchange.finish()
    return tuple(found)


def _conduction(entries: Entries, node_names: list[str]) -> tuple[Conduction, ...]:
    found = []
    for exchange in entries.subs("conduction"):
        first, second = _pair(exchange, node_names)
        found.append(Conduction(first, second, exchange.quantity("conductance", "thermal_conductance", above=0.0)))
        exchange.finish()
    return tuple(found)


def _gas_conduction(entries: Entries, node_names: list[str]) -> tuple[GasConduction, ...]:
    found = []
    for exchange in entries.subs("gas_conduction"):
        first, second = _pair(exchange, node_names)
        found.append(
            GasConduction(
                first,
                second,
                area=exchange.quantity("area", "area", above=0.0),
                continuum_length=exchange.quantity("continuum_length", "length", above=0.0),
                accommodation=exchange.quantity(
                    "accommodation", "share", from_data="materials.accommodation", above=0.0, at_most=1.0
                ),
            )
        )
        exchange.finish()
    return tuple(found)


def _coating(entries: Entries) -> tuple[Coating, FirstOrderGas | None]:
    mass = entries.quantity("mass", "mass", above=0.0)
    composition = entries.numbers_by_name("composition", CARBONATES, "carbonate", "share", at_least=0.0, at_most=1.0)
    total = sum(composition.values())
    if entries.table.get("composition") == {}:
        entries.fault("composition", "names no carbonate", "such as composition = { BaCO3 = 0.57, SrCO3 = 0.39, CaCO3 = 0.04 }")
    elif composition and math.isfinite(total) and abs(total - 1.0) > 1e-6:
        entries.fault("composition", f"shares must add up to 1, not {total:.6g}", "shares by mass, in numbers or in %")
    carbonate = sum(mass * s / entries.tables.value(f"carbonates.molar_mass.{name}") for name, s in composition.items())
    coating = Coating(
        mass=mass,
        carbonate=carbonate,
        needle_radius=entries.quantity("needle_radius", "length", from_data="carbonates.needle_radius", above=0.0),
        activity=entries.quantity("activity", "share", from_data="carbonates.activity", above=0.0, at_most=1.0),
        nickel_share=entries.share("nickel_share", from_data="carbonates.nickel_share"),
        recarbonation_rate=entries.quantity(
            "recarbonation_rate", "rate", from_data="carbonates.recarbonation_rate", at_least=0.0
        ),
        recarbonation_energy=entries.quantity(
            "recarbonation_energy", "molar_energy", from_data="carbonates.recarbonation_energy", at_least=0.0
        ),
        recarbonation_cap=entries.share("recarbonation_cap", from_data="carbonates.recarbonation_cap"),
    )
    binder = None
    if "binder" in entries:
        table = entries.sub("binder")
        binder = FirstOrderGas(
            label="binder",
            gases=table.gas_shares("gases"),
            amount=mass * table.quantity("gas", "amount_per_mass", from_data="binder.gas", at_least=0.0),
            prefactor=table.quantity("prefactor", "rate", from_data="binder.prefactor", above=0.0),
            energy=table.quantity("energy", "molar_energy", from_data="binder.energy", above=0.0),
        )
        table.finish()
    entries.finish()
    return coating, binder


def _with_binder(entries: Entries, parts: tuple, binder: FirstOrderGas) -> tuple:
    """The parts with the binder gas on the one that carries the coating."""
    sleeve = next((p for p in parts if p.node == "cathode_sleeve"), None)
    if sleeve is None:
        entries.fault("parts", 'no part on the node "cathode_sleeve" to carry the coating',
                      'add a part with node = "cathode_sleeve"')
        return parts
    coated = replace(sleeve, first_order_gases=(*sleeve.first_order_gases, binder))
    return tuple(coated if p is sleeve else p for p in parts)


def _heater(entries: Entries) -> Heater:
    heater = Heater(
        rated_voltage=entries.quantity("rated_voltage", "voltage", above=0.0),
        rated_temperature=entries.quantity("rated_temperature", "temperature", above=293.15),
        voltage_exponent=entries.quantity("voltage_exponent", "number", above=0.0, at_most=1.0),
        resistance_exponent=entries.quantity(
            "resistance_exponent", "number", from_data="materials.tungsten.resistance_exponent", at_least=0.0
        ),
    )
    entries.finish()
    return heater


def _getter(entries: Entries) -> Getter:
    entries.type_of("getters", getter_types(entries.tables))

    def by_gas(key: str, kind: str, **bounds) -> dict[str, float]:
        usual = {gas: entries.tables.value(f"getters.{key}.{gas}") for gas in ACTIVE_GASES} | entries.by_gas_of_type(key)
        if key in entries:
            usual.update(entries.numbers_by_name(key, ACTIVE_GASES, "gas that barium takes", kind, **bounds))
        return usual

    getter = Getter(
        barium=entries.quantity("barium", "mass", above=0.0),
        yield_limit=entries.quantity("yield_limit", "share", from_data="getters.yield_limit", above=0.0, at_most=1.0),
        emitting_area=entries.quantity("emitting_area", "area", above=0.0),
        flash_gas=entries.quantity("flash_gas", "amount", from_data="getters.flash_gas", at_least=0.0),
        flash_gases=entries.gas_shares("flash_gases"),
        mirror_area=entries.quantity("mirror_area", "area", above=0.0),
        area_ratio=entries.quantity("area_ratio", "number", from_data="getters.area_ratio", at_least=1.0),
        site_density=entries.quantity("site_density", "number_density", from_data="getters.site_density", above=0.0),
        sticking=by_gas("sticking", "share", at_least=0.0, at_most=1.0),
        burial_rate=by_gas("burial_rate", "rate", at_least=0.0),
        appetite=by_gas("appetite", "amount_per_mass", above=0.0),
        hydrogen_returned=entries.share("hydrogen_returned", from_data="getters.hydrogen_returned"),
        share_on_mica=entries.share("share_on_mica", from_data="getters.share_on_mica"),
    )
    entries.finish()
    return getter


def getter_types(tables: Tables) -> list[str]:
    """Getter types of the data tables: groups under `getters` that hold a fill of barium."""
    return [name for name in tables.groups("getters") if f"getters.{name}.barium" in tables]


def _permeation(entries: Entries, glass: str) -> Permeation:
    kinds = {"conductivity": "permeability", "energy": "molar_energy", "diffusion_prefactor": "diffusivity",
             "diffusion_energy": "molar_energy"}
    given = {}
    for field in fields(Permeation):
        # An unknown glass has been reported already; its constants cannot be looked up.
        usual = f"permeation.{glass}.{field.name}" if glass else ""
        kind = kinds[field.name]
        given[field.name] = entries.quantity(field.name, kind, default=math.nan, from_data=usual, above=0.0)
    entries.finish()
    return Permeation(**given)


def _thresholds(entries: Entries) -> dict[str, Threshold]:
    thresholds = {}
    for flag in entries.table:
        limits = entries.sub(flag)
        if flag not in FLAG_KINDS:
            entries.fault(flag, "no flag of that name", nearest(flag, FLAG_KINDS))
            continue
        kind = FLAG_KINDS[flag]
        thresholds[flag] = Threshold(
            warn=limits.quantity("warn", kind, default=None),
            stop=limits.quantity("stop", kind, default=None),
            reason=limits.text("reason"),
        )
        if "warn" not in limits and "stop" not in limits:
            limits.fault("", "sets no limit", f'add warn or stop, such as warn = "{KINDS[kind].example}"')
        limits.finish()
    return thresholds


def _check_isolated(entries: Entries, valve: ValveDesign) -> None:
    """A node that exchanges heat with nothing would keep its temperature for ever."""
    linked = {n for x in (*valve.radiation, *valve.conduction) for n in (x.first, x.second)}
    alone = [n.name for n in valve.nodes if n.name not in linked and n.outer_area == 0.0]
    if alone:
        entries.fault("nodes", f"no heat reaches {quoted(alone)}", "add a [[radiation]] or [[conduction]] to it")
