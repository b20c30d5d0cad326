"""Routes of the rows in devices.toml: from a law's SI value to what the source prints."""

import math

from scipy.optimize import brentq

from exhaustsim.constants import ATMOSPHERE, GAS_CONSTANT, REFERENCE_TEMPERATURE, STEFAN_BOLTZMANN
from exhaustsim.data import published
from exhaustsim.physics import getter, heating, induction, pumps

MICRON = 0.133322387415  # Pa
TORR = ATMOSPHERE / 760.0  # Pa
AT_20_DEGC = GAS_CONSTANT * REFERENCE_TEMPERATURE * 1e3  # Pa L per mol
YEAR = 365.25 * 86400.0  # s


def route_barium_vapour(row):
    return getter.barium_vapour_pressure(row["temperature"])[0]


def route_barium_vapour_mmhg(row):
    return route_barium_vapour(row) / getter.MILLIMETRE_OF_MERCURY


def route_evaporation_flux(row):
    return getter.evaporation_rate(1e-4, row["temperature"], 1.0)[0] * 1e6


def route_specific_speed(row):
    """Mass flux over vapour density is a speed per area: K sqrt(T/M) with M in g/mol."""
    temperature, mass = 1000.0, getter.BARIUM_MOLAR_MASS
    density = getter.barium_vapour_pressure(temperature)[0] * mass / (GAS_CONSTANT * temperature)
    speed = getter.evaporation_rate(1e-4, temperature, 1.0)[0] / density * 1e3  # L/s from 1 cm2
    return speed / math.sqrt(temperature / (mass * 1e3))


def route_flash_temperature(row):
    return brentq(lambda t: getter.evaporation_rate(0.1e-4, t, 1.0)[0] * 5.0 - 4e-6, 900.0, 1500.0) - 273.15


def route_plateau(row):
    return getter.hydrogen_plateau(row["temperature"])[0]


def route_hydride_enthalpy(row):
    pressure, slope = getter.hydrogen_plateau(600.0)
    return -GAS_CONSTANT * 600.0**2 * slope / pressure / 1e3


def route_hydride_enthalpy_kcal(row):
    return -route_hydride_enthalpy(row) / 4.184


def route_hydride_entropy(row):
    """The entropy of reaction at any temperature is R ln(p/bar) + dH/T."""
    reaction = GAS_CONSTANT * math.log(getter.hydrogen_plateau(600.0)[0] / 1e5) - route_hydride_enthalpy(row) * 1e3 / 600.0
    return 62.5 + 130.7 - reaction


def route_bound(row):
    """mtorr L at 300 K per mg."""
    return getter.stoichiometric_bound(row["mole_ratio"]) * 1e-6 * GAS_CONSTANT * 300.0 / TORR * 1e6


def route_ceiling(row):
    return getter.stoichiometric_bound(row["mole_ratio"]) * 1e-6 * AT_20_DEGC


def route_even_film(row):
    """A ring on a sphere covers it evenly: any chord gives area = 4 pi r^2."""
    radius = math.sqrt(10e-4 / (4.0 * math.pi))
    angle = 0.7
    chord = 2.0 * radius * math.cos(angle)
    return getter.film_thickness(1e-6, 3620.0, chord, math.cos(angle), math.cos(angle)) * 1e6


def route_hydrogen_crossing(row):
    thickness = getter.film_thickness(1e-6, published.value("getters.barium_density"), math.sqrt(2.7624e-4 / math.pi), 1.0, 1.0)
    diffusivity = published.value("getters.hydrogen_diffusion_prefactor") * math.exp(
        -published.value("getters.hydrogen_diffusion_energy") / (GAS_CONSTANT * 300.0)
    )
    return thickness**2 / diffusivity


def route_sites_to_fill(row):
    """Molecules per cm2 of a flat film at which sticking, extrapolated from the fresh film, is nil."""
    fresh, slope = getter.film_sticking(0.3, 0.0, 1.0)
    return -fresh / slope * published.value("getters.site_density") / 1e4


def route_life_hours(row):
    return getter.sealed_life(0.1 * TORR, 1e-9 * TORR, 35.71508688, 1e-6 * TORR) / 3600.0


def route_loaded_gas(row):
    return getter.loaded_film(row["start_ratio"], row["load_ratio"], row["reduced_time"])[0]


def route_argon_left(row):
    """In the unit of the air pressure."""
    volume, temperature = 12e-6, 300.0
    air = row["air_pressure"] * volume / (GAS_CONSTANT * temperature)
    return getter.ungettered_pressure(air * published.value("gases.Ar.air_share"), temperature, volume)


def route_argon_leak(row):
    """Leak in Pa L/s: the argon of a year of one mol/s of air gives a pressure, scale to 1e-3 Pa."""
    argon = published.value("gases.Ar.air_share") * YEAR
    leak = 1e-3 / getter.ungettered_pressure(argon, REFERENCE_TEMPERATURE, 12e-6)
    return leak * AT_20_DEGC


def route_barium_leak(row):
    def appetite(gas, bound):
        return min(published.value(f"getters.appetite.{gas}"), getter.stoichiometric_bound(bound))

    per_mol = 0.78 / appetite("N2", 1.0 / 3.0) + 0.21 / appetite("O2", 0.5)  # kg per mol of air
    return 2.8e-6 / per_mol / YEAR * AT_20_DEGC


def route_knudsen_table(row):
    gamma = row["heat_capacity_ratio"]
    per_pascal = heating.free_molecular_heat_transfer(273.15, row["molar_mass"], (gamma + 1.0) / (gamma - 1.0))
    return per_pascal * MICRON * 1e2  # W/m2 to uW/cm2


def route_relative_to_nitrogen(row):
    gamma = row["heat_capacity_ratio"]
    nitrogen = heating.free_molecular_heat_transfer(300.0, 28.0134e-3, 6.0)
    return heating.free_molecular_heat_transfer(300.0, row["molar_mass"], (gamma + 1.0) / (gamma - 1.0)) / nitrogen


def route_power_ratio(row):
    exponent = published.value("materials.tungsten.resistance_exponent")
    return heating.heater_power(1.0, 1500.0, 1000.0, exponent)[0] / heating.heater_power(1.0, 1500.0, 2000.0, exponent)[0]


def _viscosity(glass, temperature):
    return heating.glass_viscosity(
        temperature,
        published.value(f"materials.{glass}.viscosity_log_infinite"),
        published.value(f"materials.{glass}.viscosity_slope"),
        published.value(f"materials.{glass}.viscosity_pole"),
    )


def route_annealing_point(row):
    return brentq(lambda t: math.log10(_viscosity(row["glass"], t)) - 12.0, 620.0, 1000.0) - 273.15


def route_log_poise_at_strain(row):
    return math.log10(_viscosity("lead", published.value("materials.lead.strain_point")) * 10.0)


def route_table_emissivity(row):
    emissivity = published.value(f"materials.{row['material']}.emissivity")
    return heating.radiation_exchange(emissivity, 1073.15, 0.0)[0] / (STEFAN_BOLTZMANN * 1073.15**4)


def route_molar_heat_capacity(row):
    name = f"materials.{row['material']}"
    specific, _ = heating.heat_capacity(
        published.value(f"{name}.specific_heat"), published.value(f"{name}.specific_heat_slope"), 298.15
    )
    return specific * row["molar_mass"]


def route_resistivity_from_skin_depth(row):
    depth = induction.skin_depth(published.value("materials.nickel.resistivity_20C"), 400e3, 1.0)
    return depth**2 * math.pi * 400e3 * induction.VACUUM_PERMEABILITY * 1e8


def route_radiated_density(row):
    return heating.radiation_exchange(row["emissivity"] * 1e-4, row["temperature"], row["surroundings"])[0]


def _nickel_heat(mass, start, end):
    return heating.heat_to_reach(
        mass * published.value("materials.nickel.specific_heat"),
        mass * published.value("materials.nickel.specific_heat_slope"),
        start,
        end,
    )


def route_nickel_enthalpy(row):
    return _nickel_heat(1.0, 298.15, row["end"]) / 1e3


def route_sheet_heating_time(row):
    return _nickel_heat(8900.0 * 0.13e-3, 298.15, 1073.15) / 5e4


def route_sheet_cooling_time(row):
    return heating.radiative_cooling_time(8900.0 * 0.13e-3 * 560.0, row["emissivity"], 1173.15, 773.15, 300.0)


def route_anode_heat(row):
    return _nickel_heat(0.7e-3, 293.15, 1173.15)


def route_anode_hold(row):
    return heating.radiation_exchange(0.25 * 6e-4, 1173.15, 673.15)[0]


def route_black_anode(row):
    return heating.radiation_exchange(0.8 * 17e-4, row["celsius"] + 273.15, 673.15)[0]


def route_half_stalled(row):
    critical = published.value("pumps.diffusion.critical_backing_pressure")
    return brentq(lambda p: pumps.jet_target(p, critical)[0] - 0.5, 1.0, 1000.0)


def route_booster_compression(row):
    net = pumps.booster_speed(50e-3, 5e-3, published.value("pumps.booster.compression"))
    return 1.0 / ((1.0 / net - 1.0 / 50e-3) * 5e-3)


def route_gulp_rise(row):
    """Pressure of the manifold just after 15 cm3 at one atmosphere have joined it, nothing pumped yet."""
    return pumps.pump_down_pressure(ATMOSPHERE * 15e-6 / 1.515e-3, 0.0, 4.0e-3, 1.515e-3, 0.0)


def route_gulp_decay(row):
    return pumps.pump_down_time(1000.0, 1000.0 / math.e, 0.0, 4.0e-3, 1.5e-3)


def route_greatest_load(row):
    """Load in Pa L/s for which the backing pump needs just 1.4 L/s."""
    return 1.4e-3 / pumps.required_backing_speed(1.0, 1.0, 40.0, 1.0) * 1e3
