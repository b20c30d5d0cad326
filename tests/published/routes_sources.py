"""Routes of the rows in sources.toml: from a law's SI value to what the source prints."""

import math

from scipy.optimize import brentq

from exhaustsim.constants import ATMOSPHERE, AVOGADRO, BOLTZMANN, GAS_CONSTANT, REFERENCE_TEMPERATURE
from exhaustsim.data import published
from exhaustsim.physics import carbonates, desorption, outgassing, permeation

TORR = ATMOSPHERE / 760.0  # Pa
YEAR = 365.25 * 86400.0  # s
AT_20_DEGC = GAS_CONSTANT * REFERENCE_TEMPERATURE  # Pa m3 per mol
STANDARD_VOLUME = GAS_CONSTANT * 273.15 / ATMOSPHERE  # m3 per mol


def _enthalpy(pressure, temperature):
    """Reaction enthalpy [kJ/mol] from ln p at two temperatures 20 K apart."""
    low, high = temperature - 10.0, temperature + 10.0
    return 1e-3 * GAS_CONSTANT * math.log(pressure(high) / pressure(low)) / (1.0 / low - 1.0 / high)


def _entropy(pressure, temperature):
    """Reaction entropy at 1 atm [J/(mol K)]."""
    return GAS_CONSTANT * math.log(pressure(temperature) / ATMOSPHERE) + 1e3 * _enthalpy(pressure, temperature) / temperature


def route_enthalpy_barium(row):
    p, slope = carbonates.dissociation_pressure_barium_slope(1100.0)
    return 1e-3 * GAS_CONSTANT * 1100.0**2 * slope / p


def route_entropy_barium(row):
    return _entropy(carbonates.dissociation_pressure_barium, 1100.0)


def route_activation_enthalpy(row):
    return _enthalpy(carbonates.apparent_pressure, 1100.0)


def route_activation_entropy(row):
    return _entropy(carbonates.apparent_pressure, 1100.0)


def route_enthalpy_strontium(row):
    return _enthalpy(carbonates.dissociation_pressure_strontium, 1050.0)


def route_enthalpy_calcium(row):
    return _enthalpy(carbonates.dissociation_pressure_calcium, 1000.0)


def route_slope_calcium(row):
    return 1e3 * route_enthalpy_calcium(row) / GAS_CONSTANT / math.log(10.0)


def route_calcium_temperature(row):
    return brentq(lambda t: carbonates.dissociation_pressure_calcium(t) - row["pressure"], 600.0, 1400.0)


def route_kilojoule_first_order(row):
    return 1e-3 * desorption.peak_energy_first_order(row["peak_temperature"], row["attempt_frequency"], row["heating_rate"])


def route_kilojoule_redhead(row):
    return 1e-3 * desorption.peak_energy_redhead(row["peak_temperature"], row["attempt_frequency"], row["heating_rate"])


def route_single_state_bound(row):
    """One layer of 1e15 per cm2 at 300 K, as pressure times volume per area and second."""
    pascal_cubic_metre = desorption.single_state_bound(1e19, 1.0) * BOLTZMANN * 300.0
    return pascal_cubic_metre / TORR * 1e3 * 1e-4


def route_root_of_time(row):
    return outgassing.slab_released(4e-4) / outgassing.slab_released(1e-4)


def _diffusivity(name, temperature):
    constants = published.group(f"diffusion.{name}")
    return outgassing.diffusivity(constants["prefactor"].value, constants["energy"].value, temperature)


def route_diffusivity(row):
    return _diffusivity(row["law_name"], row["temperature"])


def route_diffusion_slope(row):
    constants = published.group(f"diffusion.{row['law_name']}")
    d, slope = outgassing.diffusivity_slope(constants["prefactor"].value, constants["energy"].value, row["temperature"])
    return slope / d * row["temperature"] ** 2


def route_helium_silica(row):
    constants = published.group("permeation.fused_silica")
    return outgassing.diffusivity(constants["diffusion_prefactor"].value, constants["diffusion_energy"].value, 573.15)


def route_conductivity_growth(row):
    energy = published.value(f"permeation.{row['glass']}.energy")
    low, high = (permeation.glass_conductivity(1.0, energy, t) for t in (295.5, 296.5))
    return 100.0 * math.log(high / low)


def route_solubility(row):
    glass = published.group(f"permeation.{row['glass']}")
    conductivity = permeation.glass_conductivity(glass["conductivity"].value, glass["energy"].value, 298.15)
    diffusivity = outgassing.diffusivity(glass["diffusion_prefactor"].value, glass["diffusion_energy"].value, 298.15)
    return conductivity / diffusivity * ATMOSPHERE * STANDARD_VOLUME


def route_metal_water(row):
    q1 = published.value("outgassing.empirical.metal")
    rate, _ = outgassing.empirical_rate(q1, published.value("outgassing.empirical.exponent"), 36000.0)
    return rate * AT_20_DEGC / 0.1 * 1e-4  # 1 mbar L is 0.1 Pa m3


def route_glass_water(row):
    flux = desorption.band_desorption_flux(
        published.value("outgassing.glass_water"),
        published.value("outgassing.water_band.low"),
        published.value("outgassing.water_band.high"),
        published.value("outgassing.water_band.attempt_frequency"),
        295.0,
        3600.0,
    )
    return flux * GAS_CONSTANT * 295.0


def route_tip_off(row):
    """A wall of 1 mm loses from both faces; half of that is the inner face."""
    thickness = 1e-3
    per_area = 41.6 * thickness * outgassing.slab_released(1e-13 * 5.0 / thickness**2) / 2.0
    return per_area * 0.8e-4 * GAS_CONSTANT * 295.0


def route_slab_flux(row):
    thickness, diffusivity = 1e-3, 1e-12
    clock = diffusivity * row["time"] / thickness**2
    return outgassing.slab_release(clock) * diffusivity / thickness / 2.0


def route_slab_time(row):
    return row["thickness"] ** 2 / (math.pi**2 * _diffusivity(row["law_name"], row["temperature"]))


def route_nickel_oxygen(row):
    return outgassing.slab_released(_diffusivity("oxygen_in_nickel", 1173.15) * 60.0 / 1.5e-4**2)


def route_band_flux(row):
    return desorption.band_desorption_flux(1e19, 70e3, 110e3, 1e13, 295.0, row["time"]) * BOLTZMANN * 295.0


def route_readsorption(row):
    return desorption.readsorption_pressure(1e19 * 140e-4 / AVOGADRO, 60e3, 295.0, 1e-4, 1e4)


def route_sealed_helium(row):
    tau = permeation.sealed_time_constant(50e-6, 1e-3, row["conductivity"], 80e-4, 295.0)
    return permeation.sealed_helium_pressure(0.5309, row["years"] * YEAR, tau)


def route_steady_helium(row):
    flow = permeation.permeation_flow(row["conductivity"], 80e-4, 1e-3, 0.5309, 0.0, 1.0)
    return flow * row["years"] * YEAR * GAS_CONSTANT * 295.0 / 50e-6


def route_lagged_helium(row):
    concentration = row["conductivity"] * 0.5309 / row["diffusivity"]
    clock = row["diffusivity"] * row["years"] * YEAR / 1e-6
    return permeation.wall_passed(clock) * 1e-3 * concentration * 80e-4 * GAS_CONSTANT * 295.0 / 50e-6


def route_front_speed(row):
    return carbonates.front_speed(row["temperature"])[0]


def route_needle_time(row):
    speed, _ = carbonates.front_speed(row["temperature"])
    return brentq(lambda t: carbonates.needle_converted(t, speed, row["needle_radius"]) - (1.0 - 1e-12), 1.0, 40.0)


def route_back_pressure(row):
    held, free = (
        carbonates.breakdown_rate(1.0, row["temperature"], p, 1.1e-6, 1.0)[0] for p in (row["pressure"], 0.0)
    )
    return held / free


def _dioxide(barium, strontium, calcium):
    masses = (published.value(f"carbonates.molar_mass.{name}") for name in ("BaCO3", "SrCO3", "CaCO3"))
    return carbonates.coating_dioxide(barium, strontium, calcium, *masses)


def route_dioxide(row):
    return _dioxide(*row["shares"])


def route_triple_carbonate(row):
    moles = _dioxide(0.57, 0.39, 0.04)  # mol/kg = umol/mg
    pascal_litre = moles * 1e-6 * AT_20_DEGC * 1e3
    return {"umol/mg": moles, "Pa L/mg": pascal_litre, "torr L/mg": pascal_litre / TORR}[row["per"]]


def route_shut_bulb(row):
    return _dioxide(0.57, 0.39, 0.04) * 3e-6 * AT_20_DEGC / 12e-6
