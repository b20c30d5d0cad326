"""The rates of a head with its valve once more, in plain NumPy: what a scientific user would write.

No function of `exhaustsim.physics` is called; the laws are written down anew from their equations, whole
arrays at a time: one array over all bins, all links, all gases.  The numbering of the valve
(`HeadTables`) and constants of nature are shared; flow constants of the tubes are worked out here from
bore and length.  A test holds the result against the compiled rates, so each is a witness for the other.

States may be given as one vector or as the columns of a matrix, which lets a solver ask for all
its differences in one call.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.constants import (
    ATMOSPHERE, AVOGADRO, BOLTZMANN, CH4, CO, CO2, GAS_CONSTANT, GAS_NAMES, H2, H2O, HE, N2, O2, STEFAN_BOLTZMANN,
)  # fmt: skip
from exhaustsim.data import published
from exhaustsim.engine import rates

R = GAS_CONSTANT
G = len(GAS_NAMES)
ACTIVE = [H2, H2O, N2, CO, O2, CO2]  # gases that barium takes
TINY_PART = 1e-9  # Pa: smallest mean partial pressure that viscosity and diffusion see
TINY = 1e-6  # Pa: below it, in molecular flow, the stream carries no composition


def _column(quantity):
    return np.array([published.value(f"gases.{gas}.{quantity}") for gas in GAS_NAMES])[:, None]


def _positive(u, width):
    """max(u, 0) with a quartic corner of half width `width`."""
    s = np.minimum(np.maximum(u + width, 0.0), 2.0 * width)
    return np.where(u >= width, u, s * s * s * (4.0 * width - s) / (16.0 * width**3))


class PlainTube:
    """Flow of the gas mixture through a straight round tube; law as in `exhaustsim.physics.conductance`."""

    def __init__(self, bore, length):
        radius = 0.5 * bore
        mass, viscosity, diameter = _column("molar_mass"), _column("viscosity"), _column("diameter")
        self.viscosity, self.exponent = viscosity, _column("viscosity_exponent")
        self.reference = 293.15
        self.area = np.pi * radius**2
        self.radius = radius
        self.ratio = y = length / radius
        root = np.sqrt(y * y + 4.0)
        self.transmission = (
            1.0 + y * y / 4.0 - y / 4.0 * root
            - ((8.0 - y * y) * root + y**3 - 16.0) ** 2 / (72.0 * y * root - 288.0 * np.log(y + root) + 288.0 * np.log(2.0))
        )  # fmt: skip
        self.end = 1.0 / self.transmission - 1.0 - 0.375 * y
        self.choked = 0.84 * np.sqrt(1.4) * (2.0 / 2.4) ** 3 * np.sqrt(2.0 * np.pi)
        self.speed = np.sqrt(8.0 * R / (np.pi * mass))  # at 1 K
        self.resistance = 4.0 / (self.area * self.transmission * self.speed)  # molecular, at 1 K
        # Wilke's factors and mutual diffusivities at the reference temperature.
        self.mixing = (1.0 + np.sqrt(viscosity / viscosity.T) * (mass.T / mass) ** 0.25) ** 2 / np.sqrt(
            8.0 * (1.0 + mass / mass.T)
        )
        reduced = mass * mass.T / (mass + mass.T) / AVOGADRO
        apart = 0.5 * (diameter + diameter.T)
        kt = BOLTZMANN * self.reference
        mutual = 1.14 * 0.375 * kt / apart**2 * np.sqrt(kt / (2.0 * np.pi * reduced))  # at 1 Pa
        self.hindrance = (length + 8.0 * radius / 3.0) / (self.area * mutual)

    def flow(self, p1, t1, p2, t2):
        """(gas, states) flow from end 1 to end 2 [mol/s] for partial pressures (gas, states) [Pa]."""
        t = 0.5 * (t1 + t2)
        hot = t / self.reference
        mean = 0.5 * (p1 + p2)
        root = np.sqrt(mean * mean + 4.0 * TINY_PART**2)
        q = np.where(mean > 0.0, 0.5 * (mean + root), 2.0 * TINY_PART**2 / (root + np.abs(mean)))
        total = q.sum(axis=0)
        speed = np.sqrt(t) * (q * self.speed).sum(axis=0) / total
        viscosity = (q * self.viscosity * hot**self.exponent / (self.mixing @ q)).sum(axis=0)
        each = 1.0 / (self.resistance / np.sqrt(t) + self.hindrance @ q * hot**-1.75)
        conductance = (q * each).sum(axis=0) / total
        per_pascal = 2.0 * self.radius / (np.sqrt(np.pi) * viscosity * speed)
        delta = per_pascal * total
        creep = 0.5 / (1.0 + 0.28431 * delta**0.5332 + 0.4716 * delta + 0.10768 * delta**2)
        first, second = p1 * (t / t1) ** creep, p2 * (t / t2) ** creep
        s1, s2 = first.sum(axis=0), second.sum(axis=0)
        drop, middle = s1 - s2, 0.5 * (s1 + s2)
        upstream = np.sqrt(middle * middle + 0.75 * drop * drop + TINY_PART**2)
        stream = drop * (0.25 * self.area * speed / self._resistance(delta, per_pascal * upstream, (drop / upstream) ** 2) - conductance)
        shift = self._shift(stream / (total * each))
        carrier = middle + shift * drop
        share = (0.5 * (first + second) + shift * (first - second)) * carrier / (carrier**2 + TINY**2)
        return (each * (first - second) + stream * share) / (R * t)

    def _resistance(self, delta, upstream, tau):
        """Resistance over that of the open aperture: opening, tube and ends, turbulent from Re 3000."""
        edge = np.sqrt((1.0 + 2.255 * tau - 1.268 * tau**2) / (4.172 - 1.108 * tau - 1.077 * tau**2)) / self.choked
        dense = upstream**1.3 / 3.1
        width = 4e-10
        fourth = ((tau + width) ** 0.25 - width**0.25) / ((1.0 + width) ** 0.25 - width**0.25)
        opening = edge * (1.0 + fourth * dense) / (edge + dense)
        molecular = 8.0 / (3.0 * np.sqrt(np.pi))
        below = 1.0 + 3.1991 * delta**0.8 - 1.2207 * delta + 0.4054 * delta**2
        poiseuille = 0.25 * delta + 1.0184 + (molecular - 1.0184) * (1.0 + 0.4531 * delta) / below
        laminar = opening + self.ratio / (np.sqrt(np.pi) * poiseuille) + self.end / (1.0 + 1.8 * upstream)
        reynolds_2 = np.maximum(4.0 / np.pi * tau * (upstream / laminar) ** 2, 1e-60)
        blend = (reynolds_2 / 3000.0**2) ** 4
        drag = 0.316 * reynolds_2**-0.125 * self.ratio / (4.0 * np.pi) * np.sqrt(tau) / (2.0 - tau)
        return laminar + blend / (1.0 + blend) * (np.sqrt(opening**2 + drag) - laminar)

    def _shift(self, peclet):
        """coth(Pe/2)/2 - 1/Pe, by series where that cancels."""
        small = np.abs(peclet) < 0.3
        safe = np.where(small, 1.0, peclet)
        s = peclet * peclet
        series = peclet * (1 / 12 - s * (1 / 720 - s * (1 / 30240 - s * (1 / 1209600 - s / 47900160))))
        return np.where(small, series, 0.5 / np.tanh(0.5 * safe) - 1.0 / safe)


class PlainRates:
    """Rates of one numbered valve in a head, plain NumPy.

    Parameters
    ----------
    design, machine : ValveDesign, RotaryMachine
        For bore and length of exhaust stem and port.
    head : HeadTables
        The numbered valve.

    Raises
    ------
    ValueError
        For an exhaust stem given in sections.
    """

    def __init__(self, design, machine, head):
        if design.exhaust_stem.sections:
            raise ValueError("the plain rates know straight exhaust stems only")
        self.at, self.head = head.at, head
        self.stem = PlainTube(design.exhaust_stem.bore, design.exhaust_stem.length)
        self.port = PlainTube(machine.port_bore, machine.port_length)
        self.scalar = {name[2:].lower(): float(head.scalars[getattr(rates, name)]) for name in dir(rates) if name.startswith("S_")}
        n = self.at.nodes
        bins = np.diff(head.bin_start)
        pair = np.repeat(np.arange(len(bins)), bins)
        law = head.bin_law[pair]
        number = np.arange(len(pair)) - head.bin_start[:-1][pair]
        self.bin_energy = (law[:, 1] + number * law[:, 2])[:, None]
        self.bin_frequency = law[:, :1]
        self.bin_node = head.bin_node[pair]
        self.bin_gas = head.bin_gas[pair]
        self.bin_capture = law[:, 3:] * np.sqrt(R / (2.0 * np.pi * head.molar_mass[self.bin_gas]))[:, None]
        self.bin_room = head.bin_room[pair][:, None]
        self.bin_to_gas = np.zeros((G, len(pair)))
        self.bin_to_gas[self.bin_gas, np.arange(len(pair))] = 1.0
        # Heat: signed incidence of links on nodes (the last row is the surroundings), all links in one list.
        self.radiation, self.conduction, self.gas = (
            self._incidence(pairs, n) for pairs in (head.radiation_nodes, head.conduction_nodes, head.gas_nodes)
        )
        self.radiating = STEFAN_BOLTZMANN * head.radiation_area[:, None]
        self.conducting = head.conduction_value[:, None]
        self.path_area, self.path_gap, self.path_accommodation = (head.gas_path[:, [i]] for i in range(3))
        self.heat_carried = (head.conduction_factor * np.sqrt(R / (8.0 * np.pi * head.molar_mass)))[:, None]
        self.conductivity = head.conductivity[:, None]
        self.mirror_speed = (
            self.scalar["mirror_area"] * np.sqrt(R / (2.0 * np.pi * head.molar_mass[ACTIVE]))[:, None] / self.scalar["bulb_volume"]
        )

    @staticmethod
    def _incidence(pairs, nodes):
        out = np.zeros((nodes + 1, len(pairs)))
        for k, (i, j) in enumerate(pairs):
            out[i, k] += 1.0
            out[j, k] -= 1.0  # -1 is the surroundings
        return out

    def __call__(self, t, y, c, wave):
        """Rates at local time `t` [s] under the controls `c`; `y` (states,) or (states, columns)."""
        if y.ndim == 1:
            return self._columns(t, y[:, None], c, wave)[:, 0]
        return self._columns(t, y, c, wave)

    def _columns(self, t, y, c, wave):
        at, head, s = self.at, self.head, self.scalar
        n = at.nodes
        dy = np.zeros_like(y)
        temperature = y[:n]
        wall, cathode, room = y[at.wall], y[at.cathode], s["room"]
        in_bulb = slice(at.bulb, at.bulb + G)
        in_head = slice(at.head, at.head + G)
        bulb = y[in_bulb] * (R / s["bulb_volume"]) * wall
        dead = y[in_head] * (R * room / s["head_volume"])
        gain = dy[in_bulb]  # views: what is added here is added to `dy`
        head_gain = dy[in_head]

        # Exhaust stem, port, leaks.
        bore = c[rates.C_BORE] + c[rates.C_BORE_RATE] * t
        if bore > 0.0:
            flow = bore**3 * self.stem.flow(bulb, wall, dead, room)
            gain -= flow
            head_gain += flow
        if c[rates.C_PORT] > 0.0:
            flow = self.port.flow(dead, room, _waveform(wave, t)[:, None], room)
            head_gain -= flow
            dy[at.pumped : at.pumped + G] = flow
        head_gain += (head.air * c[rates.C_PORT_LEAK] + head.burst_share * c[rates.C_BURST_HEAD])[:, None]
        leaking = c[rates.C_BULB_LEAK] * (head.leak_share[:, None] - bulb / ATMOSPHERE)
        gain += leaking + (head.burst_share * c[rates.C_BURST_BULB])[:, None]
        head_gain += (head.rubber_share * c[rates.C_RUBBER])[:, None]
        dy[at.port_air] = c[rates.C_PORT_LEAK]
        dy[at.rubber] = c[rates.C_RUBBER]
        dy[at.bulb_air : at.bulb_air + G] = leaking
        dy[at.burst] = c[rates.C_BURST_BULB] + c[rates.C_BURST_HEAD]

        # Heat.
        given, to_air, to_room = c[rates.CONTROL_COUNT :].reshape(3, n)[:, :, None]
        heat = given + to_air * (c[rates.C_AIR] - temperature) + to_room * (c[rates.C_ROOM] - temperature)
        if c[rates.C_HEATER_POWER] > 0.0:
            heat[at.cathode] += c[rates.C_HEATER_POWER] * (c[rates.C_HEATER_TEMPERATURE] / cathode) ** s["heater_exponent"]
        fourth = np.vstack([temperature, np.full((1, y.shape[1]), c[rates.C_SURROUNDINGS])]) ** 4
        heat -= self.radiation[:n] @ (self.radiating * (self.radiation.T @ fourth))
        heat -= self.conduction[:n] @ (self.conducting * (self.conduction[:n].T @ temperature))
        thin = self.path_accommodation * ((self.heat_carried * bulb).sum(axis=0) / np.sqrt(wall))
        middle = 0.5 * np.abs(self.gas[:n]).T @ temperature
        total = bulb.sum(axis=0)
        blended = ((self.conductivity * bulb).sum(axis=0) + 1e-3 * self.conductivity.mean()) / (total + 1e-3)
        thick = blended * (middle / 300.0) ** 0.8
        transfer = thin * thick / (thick + thin * self.path_gap)
        heat -= self.gas[:n] @ (self.path_area * transfer * (self.gas[:n].T @ temperature))

        # Gas on surfaces.
        held = y[at.bins : at.stocks]
        arriving = self.bin_capture * np.sqrt(wall) / s["bulb_volume"] * y[at.bulb + self.bin_gas]
        leaving = self.bin_frequency * np.exp(-self.bin_energy / (R * temperature[self.bin_node]))
        settled = arriving * (1.0 - held / self.bin_room) - leaving * held
        dy[at.bins : at.stocks] = settled
        gain -= self.bin_to_gas @ settled

        # First-order stocks, sheets, fitted laws.
        stock = y[at.stocks : at.clocks]
        law = head.stock_law[:, :, None]
        out = (law[:, 0] * np.exp(-law[:, 1] / (R * temperature[head.stock_node])) + law[:, 2] * c[rates.C_CURRENT]) * stock
        dy[at.stocks : at.clocks] = -out
        gain += head.stock_share.T @ out
        law = head.clock_law[:, :, None]
        tick = law[:, 0] * np.exp(-law[:, 1] / (R * temperature[head.clock_node]))
        out = law[:, 2] * _sheet_release(y[at.clocks : at.helium_clock]) * tick
        dy[at.clocks : at.helium_clock] = tick
        dy[at.diffused : at.pumped] = out
        gain += head.clock_share.T @ out
        if len(head.fitted_gas):
            law = head.fitted_law[:, :, None]
            left = y[at.fitted : at.activation]
            age = np.sqrt((law[:, 2] + c[rates.C_CLOCK] + t) ** 2 + 0.01)
            out = law[:, 0] * (age / 3600.0) ** -law[:, 1] * left / (np.maximum(left, 0.0) + 1e-3 * law[:, 3] + 1e-30)
            dy[at.fitted : at.activation] = -out
            np.add.at(gain, head.fitted_gas, out)

        # Helium through the glass.
        dy[at.helium_clock] = s["helium_d0"] / s["wall_thickness"] ** 2 * np.exp(-s["helium_ed"] / (R * wall))
        through = s["helium_k"] * s["wall_area"] / s["wall_thickness"] * np.exp(-s["helium_e"] / (R * wall))
        helium = through * (s["helium_outside"] * _wall_lag(y[at.helium_clock]) - bulb[HE])
        gain[HE] += helium
        dy[at.helium_in] = helium

        # Coating.
        held = y[at.carbonate] / s["carbonate"]
        equilibrium = s["activity"] * ATMOSPHERE * np.exp(np.maximum(17.632 - 30321.0 / cathode, -400.0))
        ratio = bulb[CO2] / equilibrium
        front = ATMOSPHERE * np.exp(6.435 - 27170.0 / cathode) * 4.581e-5 / np.sqrt(2.0 * np.pi * 0.0440095 * R * cathode)
        area = np.where(held < 0.0, held / np.sqrt(1e-6), held / np.sqrt(np.maximum(held, 0.0) + 1e-6))
        free = np.where(ratio < 0.0, 1.0 - ratio / (1.0 + np.abs(ratio)), _positive(1.0 - ratio, 1e-3))
        down = s["carbonate"] * 2.0 / s["needle"] * front * area * free
        above = _positive(ratio - 1.0, 1e-3) * equilibrium
        pace = s["recarb_rate"] * np.exp(-s["recarb_energy"] / R * (1.0 / cathode - 1e-3))
        back = s["carbonate"] * pace * above / (s["recarb_half"] + above) * _positive(s["recarb_cap"] - held - 1e-4, 1e-4)
        dy[at.carbonate] = back - down
        dy[at.broken_down] = down
        gain[CO2] += (1.0 - s["nickel"]) * down - back
        gain[CO] += s["nickel"] * down
        heat[at.cathode] += s["reaction_heat"] * (back - down)
        hot = 1.0 / (1.0 + np.exp((s["hot"] - cathode) / s["hot_width"]))
        bare = hot * (1.0 - held)
        oxidant = bulb[H2O] + bulb[CO2]
        dy[at.oxygen_exposure] = bare * bulb[O2]
        dy[at.oxidant_exposure] = bare * oxidant
        dy[at.nickel_exposure] = hot * bulb[CO2]
        poison = hot * (bulb[O2] + s["oxidant_weight"] * oxidant)
        dy[at.activation] = s["activation_rate"] * bare * (1.0 - y[at.activation]) - s["poison_rate"] * poison * y[at.activation]

        # Getter.
        mass, holder = y[at.evaporated], y[at.holder]
        vapour = 133.322387415 * 10.0 ** (6.99 - 8980.0 / holder)
        leaving = s["emitting"] * vapour * np.sqrt(0.137327 / (2.0 * np.pi * R * holder)) * (1.0 - mass / s["barium_limit"])
        dy[at.evaporated] = leaving
        gain += head.flash_share[:, None] * s["flash_per_kg"] * leaving
        cover = -np.expm1(-mass / s["mirror_full"])
        film = y[at.film : at.film + len(ACTIVE)]
        theta = film.sum(axis=0) / (s["sites"] * (cover + 1e-3))
        fresh = np.maximum(0.0, 1.0 - y[at.spent] / (mass + 1e-3 * s["barium_limit"]))
        sticking = head.film_sticking[:, None] * (1.0 - theta)
        sticking = sticking * s["area_ratio"] / (1.0 + np.maximum(sticking, 0.0) * (s["area_ratio"] - 1.0))
        drive = y[at.bulb + np.array(ACTIVE)]
        plateau = 1e5 * np.exp((62.5 + 130.68 - 63.0) / R - 177.0e3 / (R * wall))
        drive[0] -= plateau * (film[0] / s["sites"]) ** 2 * s["bulb_volume"] / (R * wall)
        taken = cover * sticking * self.mirror_speed * np.sqrt(wall) * drive
        buried = head.film_burial[:, None] * film * fresh
        dy[at.film : at.film + len(ACTIVE)] = taken - buried
        gain[ACTIVE] -= taken
        dy[at.buried : at.buried + len(ACTIVE)] = buried
        dy[at.spent] = (buried / head.film_appetite[:, None]).sum(axis=0)
        gain[H2] += s["hydrogen_returned"] * buried[1]

        cleaned = c[rates.C_CLEANUP] * y[at.bulb + CH4] / s["bulb_volume"]
        gain[CH4] -= cleaned
        dy[at.cleaned] = cleaned
        dy[:n] = heat / (head.heat_capacity[:, None] + head.heat_capacity_slope[:, None] * (temperature - 300.0))
        return dy


def _waveform(wave, time):
    """(gas,) cubic between knots, held beyond the ends."""
    knots = wave.time
    time = min(max(time, knots[0]), knots[-1])
    k = min(max(np.searchsorted(knots, time, side="right") - 1, 0), len(knots) - 2)
    h = knots[k + 1] - knots[k]
    s = (time - knots[k]) / h
    a, b = wave.value[k], wave.value[k + 1]
    da, db = h * wave.slope[k], h * wave.slope[k + 1]
    return (1 + 2 * s) * (1 - s) ** 2 * a + s**2 * (3 - 2 * s) * b + s * (1 - s) ** 2 * da - s**2 * (1 - s) * db


ODD = -np.array([1.0, 3.0, 5.0, 7.0, 9.0])[:, None, None] ** 2
SQUARES = -np.arange(1.0, 4.0)[:, None, None] ** 2
SIGNS = 2.0 * np.array([-1.0, 1.0, -1.0])[:, None, None]
TERMS = -np.pi**2 * np.arange(1.0, 6.0)[:, None] ** 2
TERM_SIGNS = 2.0 * np.array([-1.0, 1.0, -1.0, 1.0, -1.0])[:, None]


def _sheet_release(clock):
    """Share that a sheet releases per unit of its diffusion clock: young form below 0.05, old form above."""
    young = np.minimum(np.maximum(clock, 1e-12), 0.05)
    early = 2.0 / np.sqrt(np.pi * young) * (1.0 + (SIGNS * np.exp(SQUARES * (0.25 / young))).sum(axis=0))
    late = 8.0 * np.exp(ODD * (np.pi**2 * np.maximum(clock, 0.05))).sum(axis=0)
    return np.where(clock < 0.05, early, late)


def _wall_lag(clock):
    """Share of the steady flow through a wall that was empty of helium."""
    young = np.minimum(np.maximum(clock, 1e-3), 0.2)
    early = 2.0 / np.sqrt(np.pi * young) * np.exp(ODD[:3, 0] * (0.25 / young)).sum(axis=0)
    late = 1.0 + (TERM_SIGNS * np.exp(TERMS * np.maximum(clock, 0.2))).sum(axis=0)
    return np.where(clock < 1e-3, 0.0, np.where(clock < 0.2, early, late))
