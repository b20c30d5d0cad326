"""Routes of the rows in flow.toml: from the flow laws to what the source prints."""

import numpy as np
from scipy.optimize import brentq

from exhaustsim.constants import GAS_COUNT, GAS_NAMES
from exhaustsim.data import published
from exhaustsim.physics import conductance, gases, rarefaction

ROOM = 293.15
AIR_MASS = 0.0289652  # kg/mol, dry air
AIR_VISCOSITY = 1.81911e-5  # Pa s at 293.15 K


def _column(quantity):
    return np.array([published.value(f"gases.{gas}.{quantity}") for gas in GAS_NAMES])


def route_viscosity(row):
    """Tabled gas at the temperature of the row, in the unit of the handbook."""
    viscosity, exponent = (published.value(f"gases.{row['gas']}.{q}") for q in ("viscosity", "viscosity_exponent"))
    return gases.viscosity_power_law(row["temperature"], viscosity, ROOM, exponent) * 1e6


def route_diameter(row):
    viscosity, mass = (published.value(f"gases.{row['gas']}.{q}") for q in ("viscosity", "molar_mass"))
    return gases.hard_sphere_diameter(viscosity, ROOM, mass) * 1e10


def route_aperture(row):
    """L/s through 1 cm2."""
    return gases.impingement_speed(ROOM, AIR_MASS) * 0.1


def route_long_tube_molecular(row):
    """Coefficient of d^3/l in cm and L/s, from a tube so long that its ends do not count."""
    c = conductance.tube_conductance_molecular(radius=0.5e-2, length=1e3, temperature=ROOM, molar_mass=AIR_MASS)
    return c * 1e3 * 1e5


def route_long_tube_viscous(row):
    """Coefficient of d^4 p/l in cm, L/s and mbar."""
    c = conductance.tube_conductance_viscous(radius=0.5e-2, length=1e-2, mean_pressure=100.0, viscosity=AIR_VISCOSITY)
    return c * 1e3


def route_mean_free_path(row):
    """Times pressure, in mbar cm."""
    return gases.mean_free_path(1.0, ROOM, AIR_MASS, AIR_VISCOSITY)


def route_into_vacuum(row):
    """Reduced flow into vacuum of one gas at the upstream rarefaction of the row."""
    delta, ratio = row["delta"], row["length_over_radius"]
    end = 1.0 / rarefaction.transmission_probability(ratio) - 1.0 - 0.375 * ratio
    return 1.0 / rarefaction.reduced_resistance(0.5 * delta, delta, 1.0, ratio, end, row["choked"])


def route_choked_ideal(row):
    """Reduced flow of an ideal nozzle: choked speed over aperture speed."""
    speed = conductance.choked_speed(1.0, ROOM, AIR_MASS, row["heat_capacity_ratio"])
    return speed / gases.impingement_speed(ROOM, AIR_MASS)


def route_choked_air(row):
    """L/s through 1 cm2."""
    return conductance.choked_speed(1e-4, ROOM, AIR_MASS, 1.4) * 1e3


def route_creep_coefficient(row):
    return rarefaction.creep_ratio(row["delta"]) * rarefaction.poiseuille_coefficient(row["delta"])


def _rest_ratio(row):
    """p1/p2 at which the mixture law lets no net gas through a tube between two temperatures."""
    tube = np.zeros(conductance.TUBE_SIZE)
    conductance.tube_constants(
        0.5 * row["bore"], 0.4, _column("molar_mass"), _column("viscosity"), ROOM, _column("viscosity_exponent"),
        _column("diameter"), tube,
    )  # fmt: skip
    gas, flow, scratch = GAS_NAMES.index(row["gas"]), np.zeros(GAS_COUNT), np.zeros(conductance.TUBE_SCRATCH)
    p2 = np.zeros(GAS_COUNT)
    p2[gas] = row["pressure"]

    def net(ratio):
        conductance.tube_mixture_flow(ratio * p2, row["T1"], p2, row["T2"], tube, flow, scratch)
        return flow[gas]

    return brentq(net, 0.3, 1.5, xtol=1e-13)


def route_transpiration(row):
    return _rest_ratio(row)


def route_transpiration_share(row):
    """(p1/p2 - sqrt(T1/T2))/(1 - sqrt(T1/T2)): 0 in molecular, 1 in viscous flow."""
    molecular = np.sqrt(row["T1"] / row["T2"])
    return (_rest_ratio(row) - molecular) / (1.0 - molecular)
