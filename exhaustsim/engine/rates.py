"""Rate of change of everything in a head with its valve.

State of a head, in moles, kelvin and kilograms (`HeadPlaces` says where each begins):

    core    temperatures | carbonate | gas on the mirror | barium evaporated | barium spent |
            gas in the head | gas in the bulb
    leaves  surface populations | first-order stocks | diffusion clocks | helium clock |
            stocks of fitted laws | activation
    quads   diffused out | pumped | buried | breakdown total | methane cleaned up |
            helium come in | port plate air | rubber gas | air leaked into the bulb | burst | three exposures

`head_rates` and `head_jacobian` describe one and the same function;
the Jacobian is exact.  Gas in the bulb is at the temperature of the bulb wall, gas in head and
line at room temperature.  Controls are numbers that are constant in a phase; the closing bore,
the line pressure (given as a waveform) and the age of fitted laws are the only explicit functions
of time.

Not modelled: the gas inside the exhaust stem itself (0.4 cm3 beside 15 cm3 in the demo) and so the
pip; heat from the tip-off fires; helium already in the glass when exhaust begins.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from exhaustsim.compiled import kernel_on_arrays
from exhaustsim.constants import ATMOSPHERE, CH4, CO, CO2, GAS_CONSTANT, GAS_COUNT, H2, H2O, HE, N2, O2
from exhaustsim.physics.carbonates import breakdown_rate, recarbonation_rate
from exhaustsim.physics.conductance import tube_mixture_flow
from exhaustsim.physics.getter import evaporation_rate, film_sticking, hydrogen_plateau, mirror_coverage
from exhaustsim.physics.heating import gas_heat_between, gas_heat_sums, heat_capacity, heater_power, radiation_exchange
from exhaustsim.physics.outgassing import diffusivity_slope, empirical_rate, rate_constant_slope, slab_release_slope
from exhaustsim.physics.permeation import lag_factor_slope

R = GAS_CONSTANT
G = GAS_COUNT
ACTIVE = (H2, H2O, N2, CO, O2, CO2)  # gases that barium takes
ACTIVE_COUNT = 6

# Coverage of the mirror below which sites are counted as if it were there: keeps the used share of
# the sites finite while there is no film yet (nothing is taken up then in any case).
FILM_FLOOR = 1e-3
# Share of the barium counted as there before the flash, so that the spent share is finite then.
BARIUM_FLOOR = 1e-3

# Places in the array of controls of a phase; three blocks of one number per node follow.
(
    C_BORE, C_BORE_RATE, C_PORT, C_PORT_LEAK, C_RUBBER, C_SURROUNDINGS, C_AIR, C_ROOM, C_HEATER_POWER,
    C_HEATER_TEMPERATURE, C_BURST_BULB, C_BURST_HEAD, C_CURRENT, C_CLEANUP, C_CLOCK, C_BULB_LEAK, C_COIL, C_COIL_SQUARE,
) = range(18)  # fmt: skip
CONTROL_COUNT = 18

# Places in the array of scalars of a head.
(
    S_BULB_VOLUME, S_HEAD_VOLUME, S_ROOM, S_CARBONATE, S_NEEDLE, S_ACTIVITY, S_NICKEL, S_REACTION_HEAT,
    S_RECARB_RATE, S_RECARB_ENERGY, S_RECARB_CAP, S_HEATER_EXPONENT, S_EMITTING, S_BARIUM_LIMIT, S_FLASH_PER_KG,
    S_MIRROR_AREA, S_AREA_RATIO, S_SITES, S_MIRROR_FULL, S_HYDROGEN_RETURNED, S_HELIUM_K, S_HELIUM_E,
    S_HELIUM_D0, S_HELIUM_ED, S_WALL_AREA, S_WALL_THICKNESS, S_HELIUM_OUTSIDE, S_ACTIVATION_RATE,
    S_POISON_RATE, S_HOT, S_HOT_WIDTH, S_RECARB_HALF, S_OXIDANT_WEIGHT,
) = range(33)  # fmt: skip
SCALAR_COUNT = 33


class HeadPlaces(NamedTuple):
    """Where each group begins in the state of a head."""

    nodes: int
    carbonate: int
    film: int
    evaporated: int
    spent: int
    head: int
    bulb: int
    core: int  # size of the core = place of the first leaf
    bins: int
    stocks: int
    clocks: int
    helium_clock: int
    fitted: int
    activation: int
    quads: int  # place of the first quadrature
    diffused: int
    pumped: int
    buried: int
    broken_down: int
    cleaned: int
    helium_in: int
    port_air: int
    rubber: int
    bulb_air: int
    burst: int
    oxygen_exposure: int
    oxidant_exposure: int
    nickel_exposure: int
    size: int
    wall: int  # node numbers
    cathode: int
    holder: int


class HeadTables(NamedTuple):
    """Everything about one head and its valve that does not change during a run."""

    at: HeadPlaces
    scalars: np.ndarray
    molar_mass: np.ndarray  # (gas,)
    conduction_factor: np.ndarray  # (gas,) (gamma + 1)/(gamma - 1)
    conductivity: np.ndarray  # (gas,) W/(m K) at 300 K
    air: np.ndarray  # (gas,) mole shares of the room air
    leak_share: np.ndarray  # (gas,) mole shares of what comes in through a hole in the bulb
    stem_tube: np.ndarray
    port_tube: np.ndarray
    heat_capacity: np.ndarray  # (node,) J/K at 300 K
    heat_capacity_slope: np.ndarray  # (node,) J/K^2
    radiation_nodes: np.ndarray  # (n, 2) second -1: surroundings
    radiation_area: np.ndarray
    conduction_nodes: np.ndarray
    conduction_value: np.ndarray
    gas_nodes: np.ndarray
    gas_path: np.ndarray  # (n, 3) area, gap, accommodation
    bin_start: np.ndarray  # (pairs + 1,) first bin of each surface and gas
    bin_gas: np.ndarray  # (pairs,)
    bin_node: np.ndarray
    bin_law: np.ndarray  # (pairs, 4) attempt frequency, lowest energy, spacing, sticking x area per bin
    bin_room: np.ndarray  # (pairs,) mol per bin when full
    stock_node: np.ndarray  # (stocks,)
    stock_law: np.ndarray  # (stocks, 3) prefactor, energy, per charge
    stock_share: np.ndarray  # (stocks, gas)
    clock_node: np.ndarray
    clock_law: np.ndarray  # (clocks, 3) D0 / L^2, energy, amount / (1 - F(prior age))
    clock_share: np.ndarray
    fitted_gas: np.ndarray
    fitted_law: np.ndarray  # (fitted, 4) rate at 1 h, exponent, age at entry, amount at entry
    flash_share: np.ndarray  # (gas,)
    burst_share: np.ndarray
    rubber_share: np.ndarray  # (gas,)
    coil_node: np.ndarray  # (loads,) nodes that a coil heats by its current
    coil_grid: np.ndarray  # (2,) K, first temperature and spacing of the next
    coil_watts: np.ndarray  # (coils, loads, temperatures, 2) W/A^2 and slope W/(A^2 K)
    film_sticking: np.ndarray  # (active,)
    film_burial: np.ndarray
    film_appetite: np.ndarray  # (active,) mol/kg


class Waveform(NamedTuple):
    """Periodic input over one index: values and slopes at knots, cubic in between."""

    time: np.ndarray  # (n,)
    value: np.ndarray  # (n, gas)
    slope: np.ndarray  # (n, gas)


@kernel_on_arrays
def waveform_at(wave, time, value, slope):
    """Fill `value` and `slope` (gas,) of a waveform at `time`; held constant beyond its ends."""
    knots = wave.time
    last = knots.size - 1
    t = min(max(time, knots[0]), knots[last])
    low = 0
    high = last
    while high - low > 1:
        middle = (low + high) // 2
        if knots[middle] <= t:
            low = middle
        else:
            high = middle
    h = knots[low + 1] - knots[low]
    s = (t - knots[low]) / h
    for g in range(value.size):
        a = wave.value[low, g]
        step = wave.value[low + 1, g] - a
        d0 = wave.slope[low, g] * h
        d1 = wave.slope[low + 1, g] * h
        c2 = 3.0 * step - 2.0 * d0 - d1
        c3 = d0 + d1 - 2.0 * step
        value[g] = a + s * (d0 + s * (c2 + s * c3))
        slope[g] = (d0 + s * (2.0 * c2 + 3.0 * s * c3)) / h


@kernel_on_arrays
def hotness(temperature, middle, width):
    """Smooth step (value, slope) that tells a hot cathode from a cold one."""
    x = (temperature - middle) / width
    e = np.exp(-abs(x))
    near = 1.0 / (1.0 + e)
    return near if x >= 0.0 else e * near, e * near * near / width


@kernel_on_arrays
def share_while_it_lasts(left, start):
    """Factor (value, slope) on a fitted rate: 1 until a thousandth of the stock is left, then to nothing."""
    knee = 1e-3 * start + 1e-30
    whole = max(left, 0.0) + knee  # in line below zero, where rounding may bring it
    return left / whole, knee / (whole * whole)


@kernel_on_arrays
def coil_watts_at(temperature, grid, table):
    """Watts per square ampere and slope by temperature from a table (temperatures, 2); level beyond its ends."""
    last = table.shape[0] - 1
    x = (temperature - grid[0]) / grid[1]
    if not 0.0 < x < last:
        return table[0 if x <= 0.0 else last, 0], 0.0
    i = int(x)
    s = x - i
    step = table[i + 1, 0] - table[i, 0]
    d0 = table[i, 1] * grid[1]
    d1 = table[i + 1, 1] * grid[1]
    c2 = 3.0 * step - 2.0 * d0 - d1
    c3 = d0 + d1 - 2.0 * step
    return table[i, 0] + s * (d0 + s * (c2 + s * c3)), (d0 + s * (2.0 * c2 + 3.0 * s * c3)) / grid[1]


@kernel_on_arrays
def bulb_and_head_pressures(y, head, bulb, dead):
    """Fill partial pressures [Pa] of bulb and head from the state."""
    at = head.at
    s = head.scalars
    per_mol_bulb = R * y[at.wall] / s[S_BULB_VOLUME]
    per_mol_head = R * s[S_ROOM] / s[S_HEAD_VOLUME]
    for g in range(G):
        bulb[g] = y[at.bulb + g] * per_mol_bulb
        dead[g] = y[at.head + g] * per_mol_head


@kernel_on_arrays
def head_rates(t, y, head, c, wave, work, dy):
    """Fill `dy` with the rates of a head [mol/s, K/s, kg/s, ...] at local time `t` of a phase.

    `c` are the controls of the phase, `wave` the pressure of the line it stands on (read only
    while the port is open), `work` a float array of `WORK_SIZE`.  All of `dy` is nan where a temperature
    is not above absolute zero.
    """
    at = head.at
    # A step that is far too long may try a temperature that does not exist; the stepper then takes a shorter one.
    for i in range(at.nodes):
        if not y[i] > 0.0:
            dy[:] = np.nan
            return
    s = head.scalars
    bulb = work[0:G]
    dead = work[G : 2 * G]
    line = work[2 * G : 3 * G]
    slope = work[3 * G : 4 * G]
    flow = work[4 * G : 5 * G]
    scratch = work[5 * G :]
    for i in range(at.size):
        dy[i] = 0.0
    into_bulb = dy[at.bulb : at.bulb + G]
    wall_temperature = y[at.wall]
    room = s[S_ROOM]
    bulb_and_head_pressures(y, head, bulb, dead)

    # Exhaust stem and port.
    bore = c[C_BORE] + c[C_BORE_RATE] * t
    if bore > 0.0:
        opening = bore * bore * bore
        tube_mixture_flow(bulb, wall_temperature, dead, room, head.stem_tube, flow, scratch)
        for g in range(G):
            dy[at.bulb + g] -= opening * flow[g]
            dy[at.head + g] += opening * flow[g]
    if c[C_PORT] > 0.0:
        waveform_at(wave, t, line, slope)
        tube_mixture_flow(dead, room, line, room, head.port_tube, flow, scratch)
        for g in range(G):
            dy[at.head + g] -= flow[g]
            dy[at.pumped + g] += flow[g]
    for g in range(G):
        dy[at.head + g] += head.air[g] * c[C_PORT_LEAK] + head.burst_share[g] * c[C_BURST_HEAD]
        dy[at.head + g] += head.rubber_share[g] * c[C_RUBBER]
        # Through a hole in the bulb gas goes both ways: nothing is left over at the pressure of the air.
        leaking = c[C_BULB_LEAK] * (head.leak_share[g] - bulb[g] / ATMOSPHERE)
        dy[at.bulb_air + g] = leaking
        dy[at.bulb + g] += leaking + head.burst_share[g] * c[C_BURST_BULB]
    dy[at.port_air] = c[C_PORT_LEAK]
    dy[at.rubber] = c[C_RUBBER]
    dy[at.burst] = c[C_BURST_BULB] + c[C_BURST_HEAD]

    # Heat.
    n = at.nodes
    for i in range(n):
        air = c[CONTROL_COUNT + n + i]
        to_room = c[CONTROL_COUNT + 2 * n + i]
        dy[i] = c[CONTROL_COUNT + i] + air * (c[C_AIR] - y[i]) + to_room * (c[C_ROOM] - y[i])
    if c[C_COIL_SQUARE] > 0.0:
        for k in range(head.coil_node.size):
            i = head.coil_node[k]
            watts, _ = coil_watts_at(y[i], head.coil_grid, head.coil_watts[int(c[C_COIL]), k])
            dy[i] += c[C_COIL_SQUARE] * watts
    power, _ = heater_power(c[C_HEATER_POWER], c[C_HEATER_TEMPERATURE], y[at.cathode], s[S_HEATER_EXPONENT])
    dy[at.cathode] += power
    for k in range(head.radiation_area.size):
        i = head.radiation_nodes[k, 0]
        j = head.radiation_nodes[k, 1]
        other = y[j] if j >= 0 else c[C_SURROUNDINGS]
        watts, _, _ = radiation_exchange(head.radiation_area[k], y[i], other)
        dy[i] -= watts
        if j >= 0:
            dy[j] += watts
    for k in range(head.conduction_value.size):
        i = head.conduction_nodes[k, 0]
        j = head.conduction_nodes[k, 1]
        watts = head.conduction_value[k] * (y[i] - y[j])
        dy[i] -= watts
        dy[j] += watts
    thin, at_300, _ = gas_heat_sums(
        bulb, wall_temperature, head.molar_mass, head.conduction_factor, head.conductivity, flow
    )
    for k in range(head.gas_path.shape[0]):
        i = head.gas_nodes[k, 0]
        j = head.gas_nodes[k, 1]
        path = head.gas_path[k]
        transfer, _, _, _, _ = gas_heat_between(thin, at_300, wall_temperature, y[i], y[j], path[2], path[1])
        watts = path[0] * transfer * (y[i] - y[j])
        dy[i] -= watts
        dy[j] += watts

    # Gas on surfaces: spread binding energies, taken back by Langmuir's rule.
    for k in range(head.bin_gas.size):
        g = head.bin_gas[k]
        node = head.bin_node[k]
        law = head.bin_law[k]
        rt = R * y[node]
        leave = law[0] * np.exp(-law[1] / rt)
        ratio = np.exp(-law[2] / rt)
        speed = np.sqrt(R * wall_temperature / (2.0 * np.pi * head.molar_mass[g])) / s[S_BULB_VOLUME]
        arrive = law[3] * speed * y[at.bulb + g]
        back = arrive / head.bin_room[k]
        total = 0.0
        for b in range(head.bin_start[k], head.bin_start[k + 1]):
            place = at.bins + b
            rate = arrive - (back + leave) * y[place]
            dy[place] = rate
            total += rate
            leave *= ratio
        dy[at.bulb + g] -= total

    # First-order stocks: binder, body water of mica, gas set free by electrons.
    for k in range(head.stock_node.size):
        rate, _ = rate_constant_slope(head.stock_law[k, 0], head.stock_law[k, 1], y[head.stock_node[k]])
        out = (rate + head.stock_law[k, 2] * c[C_CURRENT]) * y[at.stocks + k]
        dy[at.stocks + k] = -out
        for g in range(G):
            into_bulb[g] += head.stock_share[k, g] * out

    # Diffusion out of sheets by the clock.
    for k in range(head.clock_node.size):
        law = head.clock_law[k]
        tick, _ = diffusivity_slope(law[0], law[1], y[head.clock_node[k]])
        release, _ = slab_release_slope(y[at.clocks + k])
        out = law[2] * release * tick
        dy[at.clocks + k] = tick
        dy[at.diffused + k] = out
        for g in range(G):
            into_bulb[g] += head.clock_share[k, g] * out

    for k in range(head.fitted_gas.size):
        law = head.fitted_law[k]
        full, _ = empirical_rate(law[0], law[1], law[2] + c[C_CLOCK] + t)
        share, _ = share_while_it_lasts(y[at.fitted + k], law[3])
        out = full * share
        dy[at.fitted + k] = -out
        dy[at.bulb + head.fitted_gas[k]] += out

    # Helium through the bulb wall, after its lag.
    tick, _ = diffusivity_slope(s[S_HELIUM_D0] / s[S_WALL_THICKNESS] ** 2, s[S_HELIUM_ED], wall_temperature)
    dy[at.helium_clock] = tick
    through, _ = rate_constant_slope(s[S_HELIUM_K] * s[S_WALL_AREA] / s[S_WALL_THICKNESS], s[S_HELIUM_E], wall_temperature)
    arrived, _ = lag_factor_slope(y[at.helium_clock])
    helium = through * (s[S_HELIUM_OUTSIDE] * arrived - bulb[HE])
    dy[at.bulb + HE] += helium
    dy[at.helium_in] = helium

    # Cathode coating.
    cathode = y[at.cathode]
    amount = s[S_CARBONATE]
    held = y[at.carbonate] / amount
    down, _, _, _ = breakdown_rate(held, cathode, bulb[CO2], s[S_NEEDLE], s[S_ACTIVITY])
    back, _, _, _ = recarbonation_rate(
        held, cathode, bulb[CO2], s[S_ACTIVITY], s[S_RECARB_RATE], s[S_RECARB_ENERGY], s[S_RECARB_CAP], s[S_RECARB_HALF]
    )
    down *= amount
    back *= amount
    dy[at.carbonate] = back - down
    dy[at.broken_down] = down
    dy[at.bulb + CO2] += (1.0 - s[S_NICKEL]) * down - back
    dy[at.bulb + CO] += s[S_NICKEL] * down
    dy[at.cathode] += s[S_REACTION_HEAT] * (back - down)
    hot, _ = hotness(cathode, s[S_HOT], s[S_HOT_WIDTH])
    bare = hot * (1.0 - held)
    oxidant = bulb[H2O] + bulb[CO2]
    dy[at.oxygen_exposure] = bare * bulb[O2]
    dy[at.oxidant_exposure] = bare * oxidant
    dy[at.nickel_exposure] = hot * bulb[CO2]
    state = y[at.activation]
    dy[at.activation] = (
        s[S_ACTIVATION_RATE] * bare * (1.0 - state) - s[S_POISON_RATE] * hot * (bulb[O2] + s[S_OXIDANT_WEIGHT] * oxidant) * state
    )

    # Getter: evaporation, its own gas, sorption and burial.
    mass = y[at.evaporated]
    evaporating, _, _ = evaporation_rate(s[S_EMITTING], y[at.holder], 1.0 - mass / s[S_BARIUM_LIMIT])
    dy[at.evaporated] = evaporating
    for g in range(G):
        dy[at.bulb + g] += head.flash_share[g] * s[S_FLASH_PER_KG] * evaporating
    cover, _ = mirror_coverage(mass, s[S_MIRROR_FULL])
    sites = s[S_SITES] * (cover + FILM_FLOOR)
    on_film = 0.0
    for a in range(ACTIVE_COUNT):
        on_film += y[at.film + a]
    theta = on_film / sites
    fresh = max(0.0, 1.0 - y[at.spent] / (mass + BARIUM_FLOOR * s[S_BARIUM_LIMIT]))
    spending = 0.0
    for a in range(ACTIVE_COUNT):
        g = ACTIVE[a]
        sticking, _ = film_sticking(head.film_sticking[a], theta, s[S_AREA_RATIO])
        speed = s[S_MIRROR_AREA] * np.sqrt(R * wall_temperature / (2.0 * np.pi * head.molar_mass[g])) / s[S_BULB_VOLUME]
        taken = cover * sticking * speed * y[at.bulb + g]
        if g == H2:
            plateau, _ = hydrogen_plateau(wall_temperature)
            share = y[at.film + a] / s[S_SITES]
            given = plateau * share * share * s[S_BULB_VOLUME] / (R * wall_temperature)
            taken -= cover * sticking * speed * given
        buried = head.film_burial[a] * y[at.film + a] * fresh
        dy[at.film + a] += taken - buried
        dy[at.bulb + g] -= taken
        dy[at.buried + a] = buried
        spending += buried / head.film_appetite[a]
        if g == H2O:
            dy[at.bulb + H2] += s[S_HYDROGEN_RETURNED] * buried
    dy[at.spent] = spending

    # Electrical clean-up of methane while anode current flows.
    cleaned = c[C_CLEANUP] * y[at.bulb + CH4] / s[S_BULB_VOLUME]
    dy[at.bulb + CH4] -= cleaned
    dy[at.cleaned] = cleaned

    for i in range(n):
        capacity, _ = heat_capacity(head.heat_capacity[i], head.heat_capacity_slope[i], y[i])
        dy[i] /= capacity


WORK_SIZE = 5 * G + 400
