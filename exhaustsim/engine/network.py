"""Number everything: from the described valve, machine and schedule to flat arrays.

`number_valve` holds what stays the same through a run and the state at the first opening of the
port (bulb and head full of room air); `phases_of` cuts the schedule into stretches of constant
controls.  The pumping lines are numbered in `exhaustsim.engine.groups`.  Nothing here integrates.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from exhaustsim.constants import (
    ATMOSPHERE, AVOGADRO, GAS_CONSTANT, GAS_COUNT, GAS_NAMES, H2O, HE, REFERENCE_TEMPERATURE, STEFAN_BOLTZMANN,
)  # fmt: skip
from exhaustsim.data.published import BUILT_IN, Tables
from exhaustsim.engine import rates
from exhaustsim.engine.exhauststem import is_straight, straight_tube
from exhaustsim.engine.rates import ACTIVE, ACTIVE_COUNT, CONTROL_COUNT, G, HeadPlaces, HeadTables
from exhaustsim.engine.result import Source
from exhaustsim.physics import conductance
from exhaustsim.physics.heating import heater_law_temperature
from exhaustsim.physics.outgassing import slab_released
from exhaustsim.physics.permeation import QUOTED_TEMPERATURE
from exhaustsim.physics.sections import fit_tube
from exhaustsim.plant.coil import TABLE_START, TABLE_STEP, watts_table
from exhaustsim.plant.machine import RotaryMachine
from exhaustsim.plant.schedule import AgeingStep, PositionSetting, Schedule
from exhaustsim.plant.valve import ExhaustStem, ValveDesign

#: Spacing of binding energies.  A spacing of 2RT ripples the release at constant temperature by 6 %,
#: 1.5RT by 1.5 % (measured in the tests of the desorption laws).
BIN_SPACING = 1.5 * GAS_CONSTANT * REFERENCE_TEMPERATURE
STANDING_TIME = 300.0  # s between leaving the machine and the first ageing step, practice


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
        ("bulb_air", 1), ("burst", 1), ("oxygen_exposure", 1), ("oxidant_exposure", 1), ("nickel_exposure", 1),
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


def index_grid(schedule: Schedule) -> tuple[np.ndarray, np.ndarray]:
    """Times within one index at which results are kept: (transfer, dwell), both from 0 of the index.

    Fine after every jump of a control anywhere on the machine, because all positions share
    the lines; the last transfer time and the first dwell time are the same instant.
    """
    transfer, dwell = schedule.machine.transfer_time, schedule.dwell
    jumps = {0.0, dwell}
    for setting in schedule.positions:
        jumps |= set(jumps_of(schedule, setting))
    edges = sorted(jumps)
    inside = np.concatenate([_refined(b - a)[:-1] + a for a, b in zip(edges, edges[1:], strict=False)] + [[dwell]])
    moving = _refined(transfer) if transfer > 0.0 else np.zeros(1)
    return moving, inside + transfer


def _refined(length: float) -> np.ndarray:
    """From 0 to `length`: dense after the start, then at most 0.25 s apart (at least 12 steps)."""
    start = np.concatenate([[0.0], np.geomspace(2e-4, 0.25, 26)])
    start = start[start < 0.5 * length]
    coarse = max(12, int(np.ceil((length - start[-1]) / 0.25)))
    return np.concatenate([start[:-1], np.linspace(start[-1], length, coarse)])


def jumps_of(schedule: Schedule, setting: PositionSetting) -> list[float]:
    """Times after the port opens at which a control of this position jumps."""
    out = []
    if setting.rf is not None:
        out += [setting.rf.start, setting.rf.start + setting.rf.duration]
    if setting.action == "tip_off":
        out.append(schedule.dwell - schedule.sealing_time)
    # To the nanosecond, so that sums of rounded times make no phase of nothing.
    return [round(t, 9) for t in out if 1e-9 < t < schedule.dwell - 1e-9]


class Phases(NamedTuple):
    """Stretches of constant controls with the samples wanted in each."""

    controls: np.ndarray  # (phases, numbers)
    duration: np.ndarray  # (phases,) s
    start: np.ndarray  # (phases,) s, local time at the beginning
    line: np.ndarray  # (phases,) line number, -1 none
    sample_ptr: np.ndarray  # (phases + 1,)
    sample_time: np.ndarray  # local time
    time: np.ndarray  # (samples,) s since the port first opened
    position: np.ndarray  # (samples,)
    stage: np.ndarray
    step: np.ndarray
    grid_place: np.ndarray  # (samples,) place in the index grid, -1 off the machine


def phases_of(schedule: Schedule, valve: ValveArrays) -> Phases:
    """Cut a schedule into phases: position 1 opens at time 0, then transfer and dwell of each position,
    standing, ageing steps, shelf (only if the schedule tips the valve off)."""
    machine = schedule.machine
    line_number = {line.name: k for k, line in enumerate(machine.lines)}
    moving, dwelling = index_grid(schedule)
    rows = []  # controls, start, duration, line
    samples = []  # local time, phase, absolute, position, stage, step, grid place
    clock = 0.0
    sealed = False
    leak = 0.0

    def add(control, start, duration, line, wanted, position, stage, step=0, places=None, origin=0.0):
        nonlocal clock
        phase = len(rows)
        rows.append((control, start, duration, line))
        for k, local in enumerate(wanted):
            place = -1 if places is None else places[k]
            samples.append((local, phase, clock + local - start + origin, position, stage, step, place))
        clock += duration

    for setting in schedule.positions:
        here = setting.position
        line = line_number.get(machine.line_of_position.get(here), -1)
        ejected = setting.action == "eject"
        if line >= 0:
            leak = machine.lines[line].in_leak_per_port  # a position without a line leaks like the last one with
        if here > 1 and machine.transfer_time > 0.0:
            before = schedule.positions[here - 2]
            control = _controls(schedule, valve, before, sealed)
            if not ejected:
                control[rates.C_PORT_LEAK] = leak * machine.blanked_leak_share
                control[rates.C_RUBBER] = machine.rubber_gas
            control[rates.C_CLOCK] = clock
            add(control, 0.0, machine.transfer_time, -1, moving, here, 1, places=np.arange(len(moving)))
        own = set(jumps_of(schedule, setting))
        if line >= 0:
            for other in schedule.positions:
                if line_number.get(machine.line_of_position.get(other.position)) == line:
                    own |= set(jumps_of(schedule, other))
        edges = [0.0, *sorted(own), schedule.dwell]
        for first, last in zip(edges, edges[1:], strict=False):
            control = _controls(schedule, valve, setting, sealed)
            if not ejected:
                # After tip-off the head still carries the stub: its port and leaks go on until eject.
                control[rates.C_PORT] = 1.0 if line >= 0 else 0.0
                control[rates.C_PORT_LEAK] = leak * (1.0 if line >= 0 else machine.blanked_leak_share)
                control[rates.C_RUBBER] = machine.rubber_gas
            if setting.rf is not None and setting.rf.start <= first + 1e-9 < setting.rf.start + setting.rf.duration:
                for name, power in setting.rf.power.items():
                    control[CONTROL_COUNT + valve.node_names.index(name)] += power
                if setting.rf.current > 0.0:
                    control[rates.C_COIL] = _coil_number(machine, here)
                    control[rates.C_COIL_SQUARE] = setting.rf.current**2
            if setting.action == "tip_off" and first >= schedule.dwell - schedule.sealing_time - 1e-9:
                _close_bore(control, schedule)
            start = machine.transfer_time + first
            control[rates.C_CLOCK] = clock - start
            inside = (dwelling > start + 1e-12) | (first == 0.0)
            inside &= (dwelling >= start - 1e-12) & (dwelling <= machine.transfer_time + last + 1e-12)
            places = np.flatnonzero(inside)
            add(control, start, last - first, line, dwelling[places], here, 0, places=places + len(moving))
        if setting.action == "tip_off":
            sealed = True

    if sealed:
        cold = PositionSetting(position=0)

        def rest(length, stage, step=0, current_step=None):
            control = _controls(schedule, valve, cold, True)
            control[rates.C_CLOCK] = clock
            if current_step is not None:
                _age(control, schedule, valve, current_step)
            add(control, 0.0, length, -1, _sparse(length), 0, stage, step=step)

        rest(STANDING_TIME, 2)
        for k, step in enumerate(schedule.ageing, start=1):
            rest(step.duration, 3, k, step)
        if schedule.shelf_time > 0.0:
            rest(schedule.shelf_time, 4)

    per_phase = np.bincount([s[1] for s in samples], minlength=len(rows))
    column = list(zip(*samples, strict=True))
    return Phases(
        controls=np.array([r[0] for r in rows]),
        start=np.array([r[1] for r in rows]),
        duration=np.array([r[2] for r in rows]),
        line=np.array([r[3] for r in rows], dtype=np.int64),
        sample_ptr=np.concatenate([[0], np.cumsum(per_phase)]).astype(np.int64),
        sample_time=np.array(column[0]),
        time=np.array(column[2]),
        position=np.array(column[3], dtype=np.int64),
        stage=np.array(column[4], dtype=np.int64),
        step=np.array(column[5], dtype=np.int64),
        grid_place=np.array(column[6], dtype=np.int64),
    )


def _coil_number(machine: RotaryMachine, position: int) -> int:
    """Number of the coil that the machine describes at `position`."""
    return next(k for k, coil in enumerate(machine.coils) if position in coil.positions)


def _sparse(length: float) -> np.ndarray:
    return np.concatenate([[0.0], np.geomspace(min(1e-2, length / 10.0), length, 60)])


def _controls(schedule: Schedule, valve: ValveArrays, setting: PositionSetting, sealed: bool) -> np.ndarray:
    """Controls while the valve feels the heat of `setting`; port, leak and RF are added by the caller."""
    machine, design = schedule.machine, schedule.valve
    n = len(valve.node_names)
    c = np.zeros(CONTROL_COUNT + 3 * n)
    in_oven = setting.position in machine.oven_positions
    c[rates.C_BORE] = 0.0 if sealed else 1.0
    c[rates.C_AIR] = schedule.oven_temperature if in_oven else machine.room_temperature
    c[rates.C_ROOM] = machine.room_temperature
    c[rates.C_SURROUNDINGS] = c[rates.C_AIR]
    for i, node in enumerate(design.nodes):
        if in_oven:
            c[CONTROL_COUNT + n + i] = machine.oven_heat_transfer * node.outer_area * node.oven_share
            c[CONTROL_COUNT + 2 * n + i] = node.room_heat_transfer_in_oven * node.outer_area
        else:
            c[CONTROL_COUNT + n + i] = machine.room_heat_transfer * node.outer_area
    c[rates.C_BULB_LEAK] = design.in_leak
    _light(c, schedule, setting.heater_voltage)
    return c


def _light(control: np.ndarray, schedule: Schedule, volts: float) -> None:
    control[rates.C_HEATER_TEMPERATURE] = heater_temperature(schedule.valve, volts)
    control[rates.C_HEATER_POWER] = heater_power_needed(
        schedule.valve, control[rates.C_HEATER_TEMPERATURE], schedule.machine.room_temperature
    )


def heater_temperature(valve: ValveDesign, volts: float) -> float:
    """Sleeve temperature at `volts` with everything round it at room temperature [K]."""
    heater = valve.heater
    return heater_law_temperature(volts, heater.rated_voltage, heater.rated_temperature, heater.voltage_exponent)


def heater_power_needed(valve: ValveDesign, temperature: float, room: float) -> float:
    """Power that holds the sleeve at `temperature` in vacuum with all other nodes at `room` [W]."""
    if temperature <= room:
        return 0.0
    ends = {valve.cathode_node}
    area = sum(r.emissivity_area for r in valve.radiation if ends & {r.first, r.second})
    lead = sum(c.conductance for c in valve.conduction if ends & {c.first, c.second})
    return STEFAN_BOLTZMANN * area * (temperature**4 - room**4) + lead * (temperature - room)


def _age(control: np.ndarray, schedule: Schedule, valve: ValveArrays, step: AgeingStep) -> None:
    """One step on the ageing rack: heater, anode power and current."""
    _light(control, schedule, step.heater_voltage)
    if step.anode_power > 0.0:
        control[CONTROL_COUNT + valve.node_names.index("anode")] = step.anode_power
    control[rates.C_CURRENT] = step.anode_current
    if step.anode_current > 0.0 and step.heater_voltage > 0.0:
        control[rates.C_CLEANUP] = schedule.valve.methane_cleanup


def _close_bore(control: np.ndarray, schedule: Schedule) -> None:
    """Tip-off: the bore goes from full to nothing by the end of the dwell; softened glass gives gas."""
    sealing = schedule.sealing_time
    stem = schedule.valve.exhaust_stem
    control[rates.C_BORE] = schedule.index_time / sealing
    control[rates.C_BORE_RATE] = -1.0 / sealing
    burst = stem.burst_amount / sealing
    control[rates.C_BURST_BULB] = burst * stem.burst_share_to_bulb
    control[rates.C_BURST_HEAD] = burst * (1.0 - stem.burst_share_to_bulb)
