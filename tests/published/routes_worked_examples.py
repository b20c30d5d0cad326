"""Routes of the rows in worked_examples.toml: whole problems of books and trade pages, in the units they print.

The inputs are those of the source; what it prints is the value of the row.
"""

import math

from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from exhaustsim.constants import ATMOSPHERE, GAS_CONSTANT, REFERENCE_TEMPERATURE
from exhaustsim.data import published
from exhaustsim.physics import carbonates, conductance, gases, getter, heating, induction, outgassing, permeation, pumps

TORR = ATMOSPHERE / 760.0  # Pa
FREEZING = 273.15  # K
HOUR = 3600.0  # s
AIR_MASS = 0.0289652  # kg/mol, dry air
ROOM = 293.15  # K


def route_speed_for_time(row):
    """Speed that brings the vessel from start to end in the time, in the volume and time units of the row."""
    return brentq(lambda s: pumps.pump_down_time(row["start"], row["end"], 0.0, s, row["volume"]) - row["time"], 1e-6, 1e6, xtol=1e-12)


def route_pump_down_time(row):
    return pumps.pump_down_time(row["start"], row["end"], 0.0, row["speed"], row["volume"])


def _gas_as_fast_as(mean_speed):
    """Temperature at which air has the mean molecular speed that the source takes."""
    return brentq(lambda t: gases.mean_speed(t, AIR_MASS) - mean_speed, 200.0, 400.0)


def route_pipe_conductance(row):
    """The source's formula is that of a long tube, so ten thousand of them end to end, of which the two ends are lost sight of."""
    many = 1e4
    return many * conductance.tube_conductance_molecular(0.5 * row["bore"], many * row["length"], _gas_as_fast_as(row["mean_speed"]), AIR_MASS)


def route_pump_behind_pipe(row):
    return pumps.series_speed(row["speed"], route_pipe_conductance(row))


def _tank_pipe(row):
    """Conductance from the tank to the pump, its entrance included."""
    return conductance.tube_conductance_molecular(0.5 * row["bore"], row["length"], ROOM, AIR_MASS)


def route_speed_at_tank(row):
    return pumps.series_speed(row["speed"], _tank_pipe(row))


def route_pressure_at_pump(row):
    """Same flow at the tank and at the pump; mPa."""
    return row["tank"] * route_speed_at_tank(row) / row["speed"] * 1e3


def route_biggest_pump(row):
    """Per cent gained by a pump of infinite speed, or by the speed that the source gives it."""
    return (pumps.series_speed(row["biggest"], _tank_pipe(row)) / route_speed_at_tank(row) - 1.0) * 100.0


def route_share_of_pump(row):
    """Per cent of the whole resistance that lies in the pump."""
    return route_speed_at_tank(row) / row["speed"] * 100.0


def route_chamber_load(row):
    """torr L/s off six walls."""
    return outgassing.empirical_rate(row["rate"], 1.0, HOUR)[0] * 6.0 * row["side"] ** 2


def route_chamber_ultimate(row):
    """torr, after so long that only the load over the speed is left."""
    load, speed, volume = route_chamber_load(row) * TORR * 1e-3, row["speed"] * 1e-3, (row["side"] * 1e-2) ** 3
    return getter.sealed_pressure_constant_speed(ATMOSPHERE, load, speed, volume, 100.0 * volume / speed) / TORR


def route_rate_of_rise(row):
    """Load that makes the shut vessel rise as it does, Pa m3/s; its pump has a billionth of V/t, as good as none."""
    none = 1e-9 * row["volume"] / row["time"]

    def rise(load):
        return getter.sealed_pressure_constant_speed(row["start"], load, none, row["volume"], row["time"]) - row["end"]

    guess = (row["end"] - row["start"]) * row["volume"] / row["time"]
    return brentq(rise, 0.5 * guess, 2.0 * guess, xtol=1e-6 * guess)


def route_rate_of_rise_mol(row):
    return route_rate_of_rise(row) / (GAS_CONSTANT * row["temperature"])


def route_lost_gas(row):
    """Pa m3 of a mass of gas at the temperature of the source."""
    return getter.ungettered_pressure(row["mass"] / row["molar_mass"], row["temperature"], 1.0)


def route_lost_gas_rate(row):
    return route_lost_gas(row) / row["time"]


def route_ball_cools(row):
    """Hours; walls at 3 K stand for the absolute zero of the source."""
    radius = 0.5 * row["diameter"]
    capacity = row["density"] * row["specific_heat"] * 4.0 / 3.0 * math.pi * radius**3
    return heating.radiative_cooling_time(capacity, 4.0 * math.pi * radius**2, row["start"], row["end"], 3.0) / HOUR


def route_sphere_falls(row):
    """K/s at the first moment."""
    area = 4.0 * math.pi * row["radius"] ** 2
    return heating.radiation_exchange(area, row["temperature"], row["walls"])[0] / (row["mass"] * row["specific_heat"])


def _watts_per_area(row):
    return heating.radiation_exchange(row["radiating"] * row["emissivity"], row["hot"] + FREEZING, row["charge"] + FREEZING)[0]


def route_wire_length(row):
    """Length of a round wire that takes the power at the voltage and radiates it; m."""
    surface = row["power"] / _watts_per_area(row)  # pi d l
    section_by_length = row["resistivity"] * row["power"] / row["voltage"] ** 2  # pi d2/(4 l)
    return (surface**2 / (4.0 * math.pi * section_by_length)) ** (1.0 / 3.0)


def route_wire_diameter(row):
    """mm"""
    return row["power"] / _watts_per_area(row) / (math.pi * route_wire_length(row)) * 1e3


def route_strip_width(row):
    """Width of a thin strip, both faces radiating; cm."""
    surface = row["power"] / (2.0 * _watts_per_area(row))
    length_per_width = row["voltage"] ** 2 / row["power"] * row["thickness"] / row["resistivity"]
    return math.sqrt(surface / length_per_width) * 1e2


def route_strip_length(row):
    """m"""
    return row["power"] / (2.0 * _watts_per_area(row)) / (route_strip_width(row) * 1e-2)


def route_frequency_of_depth(row):
    """kHz"""
    return brentq(lambda f: induction.skin_depth(row["resistivity"], f, 1.0) - row["depth"], 1.0, 1e9) / 1e3


def _heat_content(row):
    """J, with what melting takes where the source melts."""
    capacity = row["mass"] * row["specific_heat"]
    return heating.heat_to_reach(capacity, 0.0, row["start"] + FREEZING, row["end"] + FREEZING) + row["mass"] * row.get("melting", 0.0)


def route_heat_content_kwh(row):
    return _heat_content(row) / 3.6e6


def route_generator_power(row):
    """W drawn."""
    return _heat_content(row) / row["time"] / row["efficiency"]


def route_furnace_efficiency(row):
    """Per cent."""
    return _heat_content(row) / (row["power"] * row["time"]) * 100.0


def route_dioxide_in_vessel(row):
    """mol of CO2 that fill the vessel to the pressure of the source."""
    pascal_cubic_metre = getter.ungettered_pressure(1.0, row["temperature"], 1.0)
    return row["pressure"] * ATMOSPHERE * row["volume"] / pascal_cubic_metre


def route_carbonate_left(row):
    """Per cent of the calcium carbonate that is left; what it holds by the stoichiometry of a coating without Ba and Sr."""
    held = row["mass"] * carbonates.coating_dioxide(0.0, 0.0, 1.0, *(published.value(f"carbonates.molar_mass.{name}") for name in ("BaCO3", "SrCO3", "CaCO3")))
    return (1.0 - route_dioxide_in_vessel(row) / held) * 100.0


def route_mean_free_path(row):
    """um"""
    return gases.mean_free_path(ATMOSPHERE, row["temperature"], AIR_MASS, row["viscosity"]) * 1e6


def route_effusion_ratio(row):
    return gases.impingement_speed(ROOM, row["molar_mass"]) / gases.impingement_speed(ROOM, row["other"])


def route_box_in_two_halves(row):
    """Share of the first pressure left in the full half, both halves integrated."""
    flow = row["area"] * gases.impingement_speed(row["temperature"], row["molar_mass"])

    def rates(_, p):
        q = flow / row["volume"] * (p[0] - p[1])
        return [-q, q]

    return solve_ivp(rates, (0.0, row["time"]), [1.0, 0.0], method="LSODA", rtol=1e-10, atol=1e-13).y[0, -1]


def route_steady_diffusion(row):
    """Steady flow through a plate; concentrations stand where the law has pressures."""
    return permeation.permeation_flow(row["diffusivity"], 1.0, row["thickness"], row["high"], row["low"], 1.0)


def route_pocket_time(row):
    """h until the pocket gives no more than the rate of the row, its pressure that of the flow over its conductance."""
    leak = row["conductance"]
    end = row["rate"] / leak
    return pumps.pump_down_time(ATMOSPHERE, end, 0.0, leak, row["volume"]) / HOUR


def route_pocket_rate(row):
    """Pa m3/s that the pocket gives after the time."""
    return row["conductance"] * pumps.pump_down_pressure(ATMOSPHERE, 0.0, row["conductance"], row["volume"], row["time"])


def route_dewar_rise(row):
    """Pa of helium in a glass bulb that has stood in air so long that its wall is full."""
    constant = permeation.sealed_time_constant(row["volume"], row["thickness"], row["conductivity"], row["area"], REFERENCE_TEMPERATURE)
    return permeation.sealed_helium_pressure(row["outside"], row["time"], constant)
