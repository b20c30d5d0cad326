"""From marched states to what a person asks for: flows, evolution, held gas, ledger.

The rates are evaluated once more at every sample; nothing is differenced.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import unlocked_kernel
from exhaustsim.constants import CH4, CO, CO2, ELEMENT_NAMES, GAS_CONSTANT, H2, H2O, HE
from exhaustsim.engine import rates
from exhaustsim.engine.ledger import GasLedger, atoms_of
from exhaustsim.engine.network import ValveArrays, gas_array
from exhaustsim.engine.phases import Phases
from exhaustsim.engine.rates import ACTIVE, ACTIVE_COUNT, FILM_FLOOR, G, HeadTables, Waveform, head_rates
from exhaustsim.physics.conductance import tube_mixture_flow
from exhaustsim.physics.getter import film_sticking, mirror_coverage
from exhaustsim.plant.schedule import Schedule

HEAD_SURFACES = "head surfaces"  # in the ledger: what they took up while the head stood open for long


@unlocked_kernel
def rates_at_samples(head, controls, line_of_phase, sample_ptr, sample_time, wave_time, wave_value, wave_slope, states, out):
    """Fill `out` (samples, states) with the rates at every sample."""
    work = np.zeros(rates.WORK_SIZE)
    for phase in range(controls.shape[0]):
        k = max(line_of_phase[phase], 0)
        wave = Waveform(wave_time, wave_value[k], wave_slope[k])
        for j in range(sample_ptr[phase], sample_ptr[phase + 1]):
            head_rates(sample_time[j], states[j], head, controls[phase], wave, work, out[j])


@unlocked_kernel
def port_at_samples(head, port_open, line_of_sample, sample_time, wave_time, wave_value, wave_slope, states, pressure, flow):
    """Fill line pressure [Pa] and flow from head to line [mol/s] (samples, gas) where the port is open."""
    bulb, dead, slope = np.zeros(G), np.zeros(G), np.zeros(G)
    scratch = np.zeros(rates.WORK_SIZE)
    room = head.scalars[rates.S_ROOM]
    for j in range(states.shape[0]):
        if port_open[j]:
            k = line_of_sample[j]
            wave = Waveform(wave_time, wave_value[k], wave_slope[k])
            rates.waveform_at(wave, sample_time[j], pressure[j], slope)
            rates.bulb_and_head_pressures(states[j], head, bulb, dead)
            tube_mixture_flow(dead, room, pressure[j], room, head.port_tube, flow[j], scratch)


def ports_of(valve: ValveArrays, phases: Phases, states, waves):
    """(samples,) port open, (samples, gas) line pressure [Pa] (NaN where blanked) and port flow [mol/s]."""
    phase = np.searchsorted(phases.sample_ptr, np.arange(len(states)), side="right") - 1
    port_open = phases.controls[phase, rates.C_PORT] > 0.0
    pressure, flow = np.zeros((2, len(states), G))
    port_at_samples(
        valve.tables, port_open, np.maximum(phases.line[phase], 0), phases.sample_time, *waves, states, pressure, flow
    )
    pressure[~port_open] = np.nan
    return port_open, pressure, flow


@unlocked_kernel
def mirror_at_samples(head, states, speed):
    """Fill the sorption speed of the mirror [m^3/s] (samples, gas)."""
    at = head.at
    s = head.scalars
    for j in range(states.shape[0]):
        y = states[j]
        cover, _ = mirror_coverage(y[at.evaporated], s[rates.S_MIRROR_FULL])
        on_film = 0.0
        for a in range(ACTIVE_COUNT):
            on_film += y[at.film + a]
        theta = on_film / (s[rates.S_SITES] * (cover + FILM_FLOOR))
        for a in range(ACTIVE_COUNT):
            g = ACTIVE[a]
            sticking, _ = film_sticking(head.film_sticking[a], theta, s[rates.S_AREA_RATIO])
            impinging = np.sqrt(GAS_CONSTANT * y[at.wall] / (2.0 * np.pi * head.molar_mass[g]))
            speed[j, g] = s[rates.S_MIRROR_AREA] * cover * sticking * impinging


def rates_of(valve: ValveArrays, phases: Phases, states, waves) -> np.ndarray:
    """(samples, states) rates at every sample; `waves` as from `Lines.dwell_waves`."""
    out = np.zeros_like(states)
    rates_at_samples(
        valve.tables, phases.controls, phases.line, phases.sample_ptr, phases.sample_time, *waves, states, out
    )
    return out


def held_gas(valve: ValveArrays, states) -> np.ndarray:
    """(samples, source) mol still held, in the order of `valve.sources`."""
    return _by_source(valve, states) + valve.offset


def evolution(valve: ValveArrays, derivative) -> np.ndarray:
    """(samples, source) mol/s leaving each source."""
    return -_by_source(valve, derivative)


def _by_source(valve: ValveArrays, states) -> np.ndarray:
    """The part of the held amounts that is linear in the state; stocks kept as totals count down."""
    tables: HeadTables = valve.tables
    at, s = tables.at, tables.scalars
    columns = [
        states[:, at.bins + first : at.bins + last].sum(axis=1)
        for first, last in zip(tables.bin_start, tables.bin_start[1:], strict=False)
    ]
    columns += [states[:, at.stocks + k] for k in range(tables.stock_node.size)]
    columns += [-states[:, at.diffused + k] for k in range(tables.clock_node.size)]
    columns += [states[:, at.fitted + k] for k in range(tables.fitted_gas.size)]
    columns += [states[:, at.carbonate], -s[rates.S_FLASH_PER_KG] * states[:, at.evaporated], -states[:, at.burst]]
    return np.column_stack(columns)


def ledger_of(schedule: Schedule, valve: ValveArrays, phases: Phases, states) -> GasLedger:
    """The gas ledger from the first to the last sample."""
    at = valve.tables.at
    pumped = {}
    for line in schedule.machine.lines:
        amount = np.zeros(G)
        for position, name in schedule.machine.line_of_position.items():
            if name == line.name:
                rows = np.flatnonzero((phases.position == position) & (phases.stage == 0))
                before = states[rows[0], at.pumped : at.pumped + G]
                amount += states[rows[-1], at.pumped : at.pumped + G] - before
        pumped[line.name] = amount
    return ledger_between(valve, states[0], states[-1], pumped)


def ledger_between(valve: ValveArrays, start, end, pumped: dict[str, np.ndarray], surface_gas: float = 0.0) -> GasLedger:
    """The gas ledger of a valve and its head from one state to a later one; `pumped` by line, (gas,) mol.

    `surface_gas` [mol] of what the state counts as gas of the rubber was handed on by surfaces that had stood in room air.
    """
    tables: HeadTables = valve.tables
    at, s = tables.at, tables.scalars
    first, last = start, end.copy()
    last[at.quads :] -= start[at.quads :]  # running totals count from the first state
    last[at.film : at.film + ACTIVE_COUNT] -= start[at.film : at.film + ACTIVE_COUNT]
    unit = np.eye(G)
    held = held_gas(valve, np.stack([start, end]))
    names = [f"{source.part}: {source.label}" for source in valve.sources]
    shares = [gas_array(source.gases) for source in valve.sources]
    coating = names.index("coating: carbonate")
    broken = last[at.broken_down]
    recarbonated = broken - (held[0, coating] - held[1, coating])
    released = {
        name: (held[0, k] - held[1, k]) * shares[k] for k, name in enumerate(names) if k != coating
    }
    released[names[coating]] = broken * unit[CO2]
    into_nickel = s[rates.S_NICKEL] * broken
    buried = np.zeros(G)
    film = np.zeros(G)
    for a in range(ACTIVE_COUNT):
        buried[ACTIVE[a]] = last[at.buried + a]
        film[ACTIVE[a]] = last[at.film + a]
    returned = s[rates.S_HYDROGEN_RETURNED] * buried[H2O]
    admitted = {
        "port plate in-leak": last[at.port_air] * tables.air,
        "head rubber": (last[at.rubber] - surface_gas) * tables.rubber_share,
        "wall permeation": last[at.helium_in] * unit[HE],
        "in-leak of the bulb": last[at.bulb_air : at.bulb_air + G],
    }
    if surface_gas > 0.0:
        admitted[HEAD_SURFACES] = surface_gas * tables.rubber_share
    initial = first[at.bulb : at.bulb + G] + first[at.head : at.head + G]
    in_bulb = last[at.bulb : at.bulb + G].copy()
    in_head = last[at.head : at.head + G].copy()
    consumed = {
        "recarbonation of the coating": recarbonated * unit[CO2],
        "CO2 reduced by hot nickel": into_nickel * unit[CO2],
        "electrical clean-up": last[at.cleaned] * unit[CH4],
    }
    # The mirror's account counts water whole; the hydrogen it gives back is booked as formed.
    formed = {"CO from CO2 on hot nickel": into_nickel * unit[CO], "H2 from water on barium": returned * unit[H2]}
    sorbed = buried + film
    stock = {name: held[0, k] * shares[k] for k, name in enumerate(names)}
    inventory = initial + sum(stock.values()) + sum(admitted.values()) + sum(formed.values())

    # Elements: what reactions leave behind stays in a part: oxygen in nickel, carbon and hydrogen
    # where methane was taken apart; hydrogen given back by the mirror is no longer in it.
    atoms_in = atoms_of(initial + sum(stock.values()) + sum(admitted.values()))
    left = [held[1, k] * shares[k] for k in range(len(names))]
    atoms_out = atoms_of(
        sum(pumped.values()) + in_bulb + in_head + sum(left) + sorbed - returned * unit[H2] + last[at.cleaned] * unit[CH4]
    )
    oxygen = np.zeros(len(ELEMENT_NAMES))
    oxygen[ELEMENT_NAMES.index("O")] = into_nickel  # one oxygen atom stays in the nickel for each CO formed
    return GasLedger(
        initial=initial,
        admitted=admitted,
        released=released,
        formed=formed,
        pumped=pumped,
        sorbed=sorbed,
        consumed=consumed,
        in_bulb=in_bulb,
        in_head=in_head,
        held=dict(zip(names, left, strict=True)),
        inventory=inventory,
        element_inventory=atoms_in,
        element_residual=atoms_in - atoms_out - oxygen,
    )


def histories(schedule: Schedule, valve: ValveArrays, phases: Phases, states, derivative, waves) -> dict:
    """The histories of a `Run` as keyword arguments."""
    tables: HeadTables = valve.tables
    at, s = tables.at, tables.scalars
    wall = states[:, at.wall]
    bulb = states[:, at.bulb : at.bulb + G] * (GAS_CONSTANT * wall / s[rates.S_BULB_VOLUME])[:, None]
    head = states[:, at.head : at.head + G] * (GAS_CONSTANT * s[rates.S_ROOM] / s[rates.S_HEAD_VOLUME])
    open_port, line, flow = ports_of(valve, phases, states, waves)
    sorbed = np.zeros((len(states), G))
    for a in range(ACTIVE_COUNT):
        sorbed[:, ACTIVE[a]] = states[:, at.film + a] + states[:, at.buried + a]
    speed = np.zeros((len(states), G))
    mirror_at_samples(tables, states, speed)
    evaporated = states[:, at.evaporated]
    spent = states[:, at.spent] / (evaporated + rates.BARIUM_FLOOR * s[rates.S_BARIUM_LIMIT])
    return {
        "time": phases.time,
        "position": phases.position,
        "stage": phases.stage,
        "step": phases.step,
        "port_open": open_port,
        "bulb_pressure": bulb,
        "head_pressure": head,
        "line_pressure": line,
        "node_names": valve.node_names,
        "temperature": states[:, : at.nodes].copy(),
        "converted_fraction": 1.0 - states[:, at.carbonate] / s[rates.S_CARBONATE],
        "activation": states[:, at.activation].copy(),
        "sources": valve.sources,
        "held": held_gas(valve, states),
        "evolution": evolution(valve, derivative),
        "sorbed": sorbed,
        "barium_evaporated": evaporated.copy(),
        "barium_spent": spent,
        "sorption_speed": speed,
        "oxygen_exposure": states[:, at.oxygen_exposure].copy(),
        "oxidant_exposure": states[:, at.oxidant_exposure].copy(),
        "nickel_exposure": states[:, at.nickel_exposure].copy(),
        "port_flow": flow,
    }
