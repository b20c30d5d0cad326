"""Exact derivatives of `exhaustsim.engine.rates` in the arrowhead form of `exhaustsim.engine.stiff`.

`head_shape` lists which entries exist, in the order in which `head_jacobian` fills them.  A test compares every entry with differences of the rates.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel_on_arrays
from exhaustsim.constants import ATMOSPHERE, CH4, CO, CO2, H2, H2O, HE, O2
from exhaustsim.engine.rates import (
    ACTIVE, ACTIVE_COUNT, BARIUM_FLOOR, C_BORE, C_BORE_RATE, C_BULB_LEAK, C_CLEANUP, C_CLOCK, C_COIL, C_COIL_SQUARE, C_CURRENT,
    C_HEATER_POWER, C_HEATER_TEMPERATURE, C_PORT,
    C_SURROUNDINGS, CONTROL_COUNT, FILM_FLOOR, G, R, S_ACTIVATION_RATE, S_ACTIVITY, S_AREA_RATIO, S_BARIUM_LIMIT,
    S_BULB_VOLUME, S_CARBONATE, S_EMITTING, S_FLASH_PER_KG, S_HEAD_VOLUME, S_HEATER_EXPONENT, S_HELIUM_D0, S_HELIUM_E,
    S_HELIUM_ED, S_HELIUM_K, S_HELIUM_OUTSIDE, S_HOT, S_HOT_WIDTH, S_HYDROGEN_RETURNED, S_MIRROR_AREA, S_MIRROR_FULL,
    S_NEEDLE, S_NICKEL, S_OXIDANT_WEIGHT, S_POISON_RATE, S_REACTION_HEAT, S_RECARB_CAP, S_RECARB_ENERGY, S_RECARB_HALF, S_RECARB_RATE, S_ROOM, S_SITES,
    S_WALL_AREA, S_WALL_THICKNESS, HeadTables, bulb_and_head_pressures, coil_watts_at, hotness, share_while_it_lasts, waveform_at,
)  # fmt: skip
from exhaustsim.engine.stiff import Shape, shape_of
from exhaustsim.physics.carbonates import breakdown_rate, recarbonation_rate
from exhaustsim.physics.conductance import tube_mixture_flow_slopes
from exhaustsim.physics.getter import evaporation_rate, film_sticking, hydrogen_plateau, mirror_coverage
from exhaustsim.physics.heating import gas_heat_between, gas_heat_sums, heat_capacity, heater_power, radiation_exchange
from exhaustsim.physics.outgassing import diffusivity_slope, empirical_rate, rate_constant_slope, slab_release_slope
from exhaustsim.physics.permeation import lag_factor_slope


def head_shape(head: HeadTables) -> Shape:
    """Entries of the Jacobian of a head."""
    at = head.at
    leaf, back = [], []
    for k, gas in enumerate(head.bin_gas):
        for _ in range(head.bin_start[k], head.bin_start[k + 1]):
            leaf.append([at.bulb + gas, at.wall, head.bin_node[k]])
            back.append([at.bulb + gas])
    for nodes, shares in ((head.stock_node, head.stock_share), (head.clock_node, head.clock_share)):
        for node, share in zip(nodes, shares, strict=True):
            leaf.append([node])
            back.append([at.bulb + g for g in range(G) if share[g] > 0.0])
    leaf.append([at.wall])
    back.append([at.bulb + HE])
    for gas in head.fitted_gas:
        leaf.append([])
        back.append([at.bulb + gas])
    leaf.append([at.cathode, at.wall, at.carbonate, at.bulb + O2, at.bulb + H2O, at.bulb + CO2])
    back.append([])
    quad = [[node, at.clocks + k] for k, node in enumerate(head.clock_node)]
    quad += [[at.head + g for g in range(G)] for _ in range(G)]
    quad += [[at.film + a, at.evaporated, at.spent] for a in range(ACTIVE_COUNT)]
    quad += [[at.carbonate, at.cathode, at.bulb + CO2, at.wall], [at.bulb + CH4], [at.wall, at.bulb + HE, at.helium_clock]]
    quad += [[], []]
    quad += [[at.bulb + g, at.wall] for g in range(G)]
    quad += [[]]
    quad += [
        [at.cathode, at.carbonate, at.bulb + O2, at.wall],
        [at.cathode, at.carbonate, at.bulb + H2O, at.bulb + CO2, at.wall],
        [at.cathode, at.bulb + CO2, at.wall],
    ]
    return shape_of(at.core, leaf, back, quad)


@kernel_on_arrays
def _by_pressure(matrix, row, place, wall, derivative, per_mol, pressure, temperature):
    """Book a derivative with respect to a bulb partial pressure on amount and wall temperature."""
    matrix[row, place] += derivative * per_mol
    matrix[row, wall] += derivative * pressure / temperature


JACOBIAN_WORK = 5 * G + 2 * G * G + 2 * G + 1600


@kernel_on_arrays
def head_jacobian(t, y, dy, head, c, wave, work, jac):
    """Fill `jac` (`stiff.Jacobian`) at `y`; `dy` must hold the rates there; `work` of `JACOBIAN_WORK`."""
    at = head.at
    s = head.scalars
    core = jac.core
    bulb = work[0:G]
    dead = work[G : 2 * G]
    line = work[2 * G : 3 * G]
    slope = work[3 * G : 4 * G]
    flow = work[4 * G : 5 * G]
    by_first = work[5 * G : 5 * G + G * G].reshape((G, G))
    by_second = work[5 * G + G * G : 5 * G + 2 * G * G].reshape((G, G))
    by_t1 = work[5 * G + 2 * G * G : 6 * G + 2 * G * G]
    by_t2 = work[6 * G + 2 * G * G : 7 * G + 2 * G * G]
    scratch = work[7 * G + 2 * G * G :]
    core[:, :] = 0.0
    jac.back[:] = 0.0
    jac.leaf[:] = 0.0
    jac.leaf_diagonal[:] = 0.0
    jac.quad[:] = 0.0
    jac.time[:] = 0.0
    wall = at.wall
    temperature = y[wall]
    room = s[S_ROOM]
    per_bulb = R * temperature / s[S_BULB_VOLUME]
    per_head = R * room / s[S_HEAD_VOLUME]
    bulb_and_head_pressures(y, head, bulb, dead)
    n = at.nodes
    # Places in the list of quadrature entries, in the order of `head_shape`.
    q_diffused = 0
    q_pumped = q_diffused + 2 * head.clock_node.size
    q_buried = q_pumped + G * G
    q_broken = q_buried + 3 * ACTIVE_COUNT
    q_cleaned = q_broken + 4
    q_helium = q_cleaned + 1
    q_leak = q_helium + 3
    q_oxygen = q_leak + 2 * G
    q_oxidant = q_oxygen + 4
    q_nickel = q_oxidant + 5

    bore = c[C_BORE] + c[C_BORE_RATE] * t
    if bore > 0.0:
        opening = bore * bore * bore
        tube_mixture_flow_slopes(
            bulb, temperature, dead, room, head.stem_tube, flow, by_first, by_second, by_t1, by_t2, scratch
        )
        closing = 3.0 * bore * bore * c[C_BORE_RATE]
        for g in range(G):
            by_wall = by_t1[g]
            for j in range(G):
                by_wall += by_first[g, j] * bulb[j] / temperature
                core[at.bulb + g, at.bulb + j] -= opening * by_first[g, j] * per_bulb
                core[at.head + g, at.bulb + j] += opening * by_first[g, j] * per_bulb
                core[at.bulb + g, at.head + j] -= opening * by_second[g, j] * per_head
                core[at.head + g, at.head + j] += opening * by_second[g, j] * per_head
            core[at.bulb + g, wall] -= opening * by_wall
            core[at.head + g, wall] += opening * by_wall
            jac.time[at.bulb + g] -= closing * flow[g]
            jac.time[at.head + g] += closing * flow[g]
    if c[C_PORT] > 0.0:
        waveform_at(wave, t, line, slope)
        tube_mixture_flow_slopes(dead, room, line, room, head.port_tube, flow, by_first, by_second, by_t1, by_t2, scratch)
        for g in range(G):
            by_time = 0.0
            for j in range(G):
                by_time += by_second[g, j] * slope[j]
                core[at.head + g, at.head + j] -= by_first[g, j] * per_head
                jac.quad[q_pumped + g * G + j] = by_first[g, j] * per_head
            jac.time[at.head + g] -= by_time
            jac.time[at.pumped + g] = by_time

    for g in range(G):
        by_gas = -c[C_BULB_LEAK] / ATMOSPHERE * per_bulb
        by_wall = -c[C_BULB_LEAK] / ATMOSPHERE * bulb[g] / temperature
        core[at.bulb + g, at.bulb + g] += by_gas
        core[at.bulb + g, wall] += by_wall
        jac.quad[q_leak + 2 * g] = by_gas
        jac.quad[q_leak + 2 * g + 1] = by_wall

    # Heat: watts first, divided by heat capacities at the end.
    for i in range(n):
        core[i, i] -= c[CONTROL_COUNT + n + i] + c[CONTROL_COUNT + 2 * n + i]
    if c[C_COIL_SQUARE] > 0.0:
        for k in range(head.coil_node.size):
            i = head.coil_node[k]
            _, by_node = coil_watts_at(y[i], head.coil_grid, head.coil_watts[int(c[C_COIL]), k])
            core[i, i] += c[C_COIL_SQUARE] * by_node
    _, by_cathode = heater_power(c[C_HEATER_POWER], c[C_HEATER_TEMPERATURE], y[at.cathode], s[S_HEATER_EXPONENT])
    core[at.cathode, at.cathode] += by_cathode
    for k in range(head.radiation_area.size):
        i = head.radiation_nodes[k, 0]
        j = head.radiation_nodes[k, 1]
        other = y[j] if j >= 0 else c[C_SURROUNDINGS]
        _, by_i, by_j = radiation_exchange(head.radiation_area[k], y[i], other)
        core[i, i] -= by_i
        if j >= 0:
            core[i, j] -= by_j
            core[j, i] += by_i
            core[j, j] += by_j
    for k in range(head.conduction_value.size):
        i = head.conduction_nodes[k, 0]
        j = head.conduction_nodes[k, 1]
        core[i, i] -= head.conduction_value[k]
        core[i, j] += head.conduction_value[k]
        core[j, i] += head.conduction_value[k]
        core[j, j] -= head.conduction_value[k]
    thin, at_300, blended = gas_heat_sums(
        bulb, temperature, head.molar_mass, head.conduction_factor, head.conductivity, flow
    )
    for k in range(head.gas_path.shape[0]):
        i = head.gas_nodes[k, 0]
        j = head.gas_nodes[k, 1]
        path = head.gas_path[k]
        transfer, by_wall, by_surface, by_thin, by_300 = gas_heat_between(
            thin, at_300, temperature, y[i], y[j], path[2], path[1]
        )
        drop = path[0] * (y[i] - y[j])
        by_300 /= blended
        for g in range(G):
            by_gas = by_thin * flow[g] + by_300 * (head.conductivity[g] - at_300)
            by_wall += by_gas * bulb[g] / temperature
            core[i, at.bulb + g] -= drop * by_gas * per_bulb
            core[j, at.bulb + g] += drop * by_gas * per_bulb
        core[i, wall] -= drop * by_wall
        core[j, wall] += drop * by_wall
        at_i = drop * by_surface + path[0] * transfer
        at_j = drop * by_surface - path[0] * transfer
        core[i, i] -= at_i
        core[j, i] += at_i
        core[i, j] -= at_j
        core[j, j] += at_j

    # Surface populations.
    leaf = 0
    entry = 0
    back = 0
    for k in range(head.bin_gas.size):
        g = head.bin_gas[k]
        node = head.bin_node[k]
        law = head.bin_law[k]
        rt = R * y[node]
        leave = law[0] * np.exp(-law[1] / rt)
        ratio = np.exp(-law[2] / rt)
        energy = law[1]
        speed = law[3] * np.sqrt(R * temperature / (2.0 * np.pi * head.molar_mass[g])) / s[S_BULB_VOLUME]
        arrive = speed * y[at.bulb + g]
        taking = arrive / head.bin_room[k]
        by_amount = 0.0
        by_wall = 0.0
        by_node = 0.0
        for b in range(head.bin_start[k], head.bin_start[k + 1]):
            u = y[at.bins + b]
            empty = 1.0 - u / head.bin_room[k]
            d_amount = speed * empty
            d_wall = 0.5 * arrive * empty / temperature
            d_node = -u * leave * energy / (rt * y[node])
            jac.leaf[entry] = d_amount
            jac.leaf[entry + 1] = d_wall
            jac.leaf[entry + 2] = d_node
            jac.leaf_diagonal[leaf] = -(taking + leave)
            jac.back[back] = taking + leave
            by_amount += d_amount
            by_wall += d_wall
            by_node += d_node
            leaf += 1
            entry += 3
            back += 1
            leave *= ratio
            energy += law[2]
        core[at.bulb + g, at.bulb + g] -= by_amount
        core[at.bulb + g, wall] -= by_wall
        core[at.bulb + g, node] -= by_node

    for k in range(head.stock_node.size):
        node = head.stock_node[k]
        rate, by_node = rate_constant_slope(head.stock_law[k, 0], head.stock_law[k, 1], y[node])
        out = rate + head.stock_law[k, 2] * c[C_CURRENT]
        left = y[at.stocks + k]
        jac.leaf[entry] = -by_node * left
        jac.leaf_diagonal[leaf] = -out
        for g in range(G):
            if head.stock_share[k, g] > 0.0:
                jac.back[back] = head.stock_share[k, g] * out
                core[at.bulb + g, node] += head.stock_share[k, g] * by_node * left
                back += 1
        leaf += 1
        entry += 1

    for k in range(head.clock_node.size):
        node = head.clock_node[k]
        law = head.clock_law[k]
        tick, by_node = diffusivity_slope(law[0], law[1], y[node])
        release, bend = slab_release_slope(y[at.clocks + k])
        jac.leaf[entry] = by_node
        jac.quad[q_diffused + 2 * k] = law[2] * release * by_node
        jac.quad[q_diffused + 2 * k + 1] = law[2] * bend * tick
        for g in range(G):
            if head.clock_share[k, g] > 0.0:
                share = head.clock_share[k, g] * law[2]
                jac.back[back] = share * bend * tick
                core[at.bulb + g, node] += share * release * by_node
                back += 1
        leaf += 1
        entry += 1

    # Helium.
    tick, by_wall = diffusivity_slope(s[S_HELIUM_D0] / s[S_WALL_THICKNESS] ** 2, s[S_HELIUM_ED], temperature)
    jac.leaf[entry] = by_wall
    through, through_by_wall = rate_constant_slope(
        s[S_HELIUM_K] * s[S_WALL_AREA] / s[S_WALL_THICKNESS], s[S_HELIUM_E], temperature
    )
    arrived, arriving = lag_factor_slope(y[at.helium_clock])
    by_wall = through_by_wall * (s[S_HELIUM_OUTSIDE] * arrived - bulb[HE]) - through * bulb[HE] / temperature
    by_clock = through * s[S_HELIUM_OUTSIDE] * arriving
    core[at.bulb + HE, wall] += by_wall
    core[at.bulb + HE, at.bulb + HE] -= through * per_bulb
    jac.back[back] = by_clock
    jac.quad[q_helium] = by_wall
    jac.quad[q_helium + 1] = -through * per_bulb
    jac.quad[q_helium + 2] = by_clock
    leaf += 1
    entry += 1
    back += 1

    for k in range(head.fitted_gas.size):
        law = head.fitted_law[k]
        full, by_age = empirical_rate(law[0], law[1], law[2] + c[C_CLOCK] + t)
        share, by_left = share_while_it_lasts(y[at.fitted + k], law[3])
        jac.leaf_diagonal[leaf] = -full * by_left
        jac.back[back] = full * by_left
        jac.time[at.fitted + k] -= by_age * share
        jac.time[at.bulb + head.fitted_gas[k]] += by_age * share
        leaf += 1
        back += 1

    # Coating.
    cathode = at.cathode
    amount = s[S_CARBONATE]
    held = y[at.carbonate] / amount
    down, down_held, down_cathode, down_gas = breakdown_rate(held, y[cathode], bulb[CO2], s[S_NEEDLE], s[S_ACTIVITY])
    _, back_held, back_cathode, back_gas = recarbonation_rate(
        held, y[cathode], bulb[CO2], s[S_ACTIVITY], s[S_RECARB_RATE], s[S_RECARB_ENERGY], s[S_RECARB_CAP],
        s[S_RECARB_HALF],
    )
    down_cathode *= amount
    down_gas *= amount
    back_cathode *= amount
    back_gas *= amount
    for row, of_down, of_back in (
        (at.carbonate, -1.0, 1.0),
        (at.bulb + CO2, 1.0 - s[S_NICKEL], -1.0),
        (at.bulb + CO, s[S_NICKEL], 0.0),
        (cathode, -s[S_REACTION_HEAT], s[S_REACTION_HEAT]),
    ):
        core[row, at.carbonate] += of_down * down_held + of_back * back_held
        core[row, cathode] += of_down * down_cathode + of_back * back_cathode
        _by_pressure(
            core, row, at.bulb + CO2, wall, of_down * down_gas + of_back * back_gas, per_bulb, bulb[CO2], temperature
        )
    jac.quad[q_broken] = down_held
    jac.quad[q_broken + 1] = down_cathode
    jac.quad[q_broken + 2] = down_gas * per_bulb
    jac.quad[q_broken + 3] = down_gas * bulb[CO2] / temperature
    hot, heating = hotness(y[cathode], s[S_HOT], s[S_HOT_WIDTH])
    bare = hot * (1.0 - held)
    oxidant = bulb[H2O] + bulb[CO2]
    jac.quad[q_oxygen] = heating * (1.0 - held) * bulb[O2]
    jac.quad[q_oxygen + 1] = -hot / amount * bulb[O2]
    jac.quad[q_oxygen + 2] = bare * per_bulb
    jac.quad[q_oxygen + 3] = bare * bulb[O2] / temperature
    jac.quad[q_oxidant] = heating * (1.0 - held) * oxidant
    jac.quad[q_oxidant + 1] = -hot / amount * oxidant
    jac.quad[q_oxidant + 2] = bare * per_bulb
    jac.quad[q_oxidant + 3] = bare * per_bulb
    jac.quad[q_oxidant + 4] = bare * oxidant / temperature
    jac.quad[q_nickel] = heating * bulb[CO2]
    jac.quad[q_nickel + 1] = hot * per_bulb
    jac.quad[q_nickel + 2] = hot * bulb[CO2] / temperature
    state = y[at.activation]
    poison = bulb[O2] + s[S_OXIDANT_WEIGHT] * oxidant
    gain = s[S_ACTIVATION_RATE] * (1.0 - state)
    loss = s[S_POISON_RATE] * state
    jac.leaf_diagonal[leaf] = -s[S_ACTIVATION_RATE] * bare - s[S_POISON_RATE] * hot * poison
    jac.leaf[entry] = gain * heating * (1.0 - held) - loss * heating * poison
    jac.leaf[entry + 1] = -loss * hot * poison / temperature
    jac.leaf[entry + 2] = -gain * hot / amount
    jac.leaf[entry + 3] = -loss * hot * per_bulb
    jac.leaf[entry + 4] = -s[S_OXIDANT_WEIGHT] * loss * hot * per_bulb
    jac.leaf[entry + 5] = jac.leaf[entry + 4]

    # Getter.
    mass = y[at.evaporated]
    limit = s[S_BARIUM_LIMIT]
    _, by_holder, by_left = evaporation_rate(s[S_EMITTING], y[at.holder], 1.0 - mass / limit)
    core[at.evaporated, at.holder] += by_holder
    core[at.evaporated, at.evaporated] -= by_left / limit
    for g in range(G):
        share = head.flash_share[g] * s[S_FLASH_PER_KG]
        core[at.bulb + g, at.holder] += share * by_holder
        core[at.bulb + g, at.evaporated] -= share * by_left / limit
    cover, covering = mirror_coverage(mass, s[S_MIRROR_FULL])
    sites = s[S_SITES] * (cover + FILM_FLOOR)
    on_film = 0.0
    for a in range(ACTIVE_COUNT):
        on_film += y[at.film + a]
    theta = on_film / sites
    theta_by_mass = -theta * covering / (cover + FILM_FLOOR)
    stock = mass + BARIUM_FLOOR * limit
    used = y[at.spent] / stock
    fresh = max(0.0, 1.0 - used)
    fresh_by_spent = -1.0 / stock if used < 1.0 else 0.0
    fresh_by_mass = -fresh_by_spent * used
    for a in range(ACTIVE_COUNT):
        g = ACTIVE[a]
        gas = at.bulb + g
        film = at.film + a
        sticking, bending = film_sticking(head.film_sticking[a], theta, s[S_AREA_RATIO])
        speed = s[S_MIRROR_AREA] * np.sqrt(R * temperature / (2.0 * np.pi * head.molar_mass[g])) / s[S_BULB_VOLUME]
        driving = y[gas]
        driving_by_wall = 0.0
        if g == H2:
            plateau, plateau_by_wall = hydrogen_plateau(temperature)
            share = y[film] / s[S_SITES]
            per_plateau = share * share * s[S_BULB_VOLUME] / (R * temperature)
            driving -= plateau * per_plateau
            driving_by_wall = -plateau_by_wall * per_plateau + plateau * per_plateau / temperature
            taken_by_film = -cover * sticking * speed * 2.0 * plateau * per_plateau / share if share != 0.0 else 0.0
            core[film, film] += taken_by_film
            core[gas, film] -= taken_by_film
        taken_by_theta = cover * bending * speed * driving
        taken_by_gas = cover * sticking * speed
        taken_by_wall = cover * sticking * speed * (0.5 * driving / temperature + driving_by_wall)
        taken_by_mass = covering * sticking * speed * driving + taken_by_theta * theta_by_mass
        for other in range(ACTIVE_COUNT):
            core[film, at.film + other] += taken_by_theta / sites
            core[gas, at.film + other] -= taken_by_theta / sites
        core[film, gas] += taken_by_gas
        core[gas, gas] -= taken_by_gas
        core[film, wall] += taken_by_wall
        core[gas, wall] -= taken_by_wall
        core[film, at.evaporated] += taken_by_mass
        core[gas, at.evaporated] -= taken_by_mass
        rate = head.film_burial[a]
        by_film = rate * fresh
        by_mass = rate * y[film] * fresh_by_mass
        by_spent = rate * y[film] * fresh_by_spent
        core[film, film] -= by_film
        core[film, at.evaporated] -= by_mass
        core[film, at.spent] -= by_spent
        core[at.spent, film] += by_film / head.film_appetite[a]
        core[at.spent, at.evaporated] += by_mass / head.film_appetite[a]
        core[at.spent, at.spent] += by_spent / head.film_appetite[a]
        jac.quad[q_buried + 3 * a] = by_film
        jac.quad[q_buried + 3 * a + 1] = by_mass
        jac.quad[q_buried + 3 * a + 2] = by_spent
        if g == H2O:
            core[at.bulb + H2, film] += s[S_HYDROGEN_RETURNED] * by_film
            core[at.bulb + H2, at.evaporated] += s[S_HYDROGEN_RETURNED] * by_mass
            core[at.bulb + H2, at.spent] += s[S_HYDROGEN_RETURNED] * by_spent

    by_gas = c[C_CLEANUP] / s[S_BULB_VOLUME]
    core[at.bulb + CH4, at.bulb + CH4] -= by_gas
    jac.quad[q_cleaned] = by_gas

    for i in range(n):
        capacity, by_temperature = heat_capacity(head.heat_capacity[i], head.heat_capacity_slope[i], y[i])
        inverse = 1.0 / capacity
        for j in range(at.core):
            core[i, j] *= inverse
        core[i, i] -= dy[i] * by_temperature / capacity
