"""Routes of the rows in closed_forms.toml: laws that hand back several numbers, or fill arrays, to the one number of the row."""

import numpy as np

from exhaustsim.constants import GAS_COUNT, GAS_NAMES
from exhaustsim.data import published
from exhaustsim.physics import carbonates, gauges, getter, heating, hotmetal, pumps, sections, shop

MICRON = 0.133322387415  # Pa


def _column(quantity):
    return np.array([published.value(f"gases.{gas}.{quantity}") for gas in GAS_NAMES])


def _of_gas(gas, pressure):
    pressures = np.zeros(GAS_COUNT)
    pressures[GAS_NAMES.index(gas)] = pressure
    return pressures


def _cv_factor():
    """Heat that a molecule carries over that of its mass alone, (g + 1)/(g - 1)."""
    ratio = _column("heat_capacity_ratio")
    return (ratio + 1.0) / (ratio - 1.0)


def _gas_heat(row):
    """Both surfaces and the gas at one temperature, full accommodation: W/(m2 K)."""
    return heating.gas_heat_transfer(
        _of_gas(row["gas"], row["pressure"]), row["temperature"], row["temperature"], row["temperature"], 1.0, row["length"],
        _column("molar_mass"), _cv_factor(), _column("conductivity"), np.zeros(GAS_COUNT),
    )[0]  # fmt: skip


def route_thin_gas_heat(row):
    """uW/(cm2 K) for each micron of mercury."""
    return _gas_heat(row) / row["pressure"] * MICRON * 1e2


def route_dense_gas_heat(row):
    """mW/(m K): what a layer so thick carries, times its thickness."""
    return _gas_heat(row) * row["length"] * 1e3


def route_gas_heat_sums(row):
    """Free-molecular part alone, uW/(cm2 K) for each micron of mercury."""
    thin = heating.gas_heat_sums(
        _of_gas(row["gas"], row["pressure"]), row["temperature"], _column("molar_mass"), _cv_factor(), _column("conductivity"), np.zeros(GAS_COUNT)
    )[0]
    return thin / row["pressure"] * MICRON * 1e2


def route_layers_in_series(row):
    return heating.gas_heat_between(row["thin"], row["at_300"], 300.0, 300.0, 300.0, row["accommodation"], row["length"])[0]


def route_on_scale(row):
    return gauges.reading_on_scale(row["reading"], row["lowest"], row["highest"])[0]


def route_covered(row):
    return getter.mirror_coverage(row["mass"], row["full_mass"])[0]


def route_permeability_of_iron(row):
    """Saturation magnetisation at the temperature over that at room temperature."""
    at, cold = (hotmetal.relative_permeability(t, row["cold"], row["curie"])[0] - 1.0 for t in (row["temperature"], 293.15))
    return at / cold


def route_frustum_volume(row):
    """Resistance of a cone to viscous flow over that of a tube of its narrow end: the integral of r^-4 against r_1^4/l."""
    return sections.frustum_integrals(row["length"], row["first"], row["second"])[2] * row["first"] ** 4 / row["length"]


def route_frustum_molecular(row):
    """The same for long molecular flow: the integral of r^-3."""
    return sections.frustum_integrals(row["length"], row["first"], row["second"])[1] * row["first"] ** 3 / row["length"]


def route_two_tubes(row):
    """Length of the straight tube that stands for two in a row of one bore."""
    return sections.equivalent_tube(row["lengths"], [row["radius"]] * 2, [row["radius"]] * 2)[1]


def route_oven(row):
    """degC"""
    return shop.oven_warm_up(row["room"], row["set_point"], row["time_constant"], row["time"])[0]


def route_pump_ready(row):
    return shop.pump_warm_up(row["ready_time"], row["time"])[0]


def route_needle_surface(row):
    return carbonates.remaining_factor(row["held"])[0]


def route_back_pressure(row):
    return carbonates.back_pressure_factor(row["ratio"])[0]


def route_recarbonation(row):
    return carbonates.recarbonation_rate(*row["arguments"])[0]


def route_rotor(row):
    return pumps.turbomolecular_target(row["backing"], row["critical"])[0]
