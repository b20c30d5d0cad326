"""Routes of the rows in induction.toml: from a law's SI value to what the source prints."""

import math

import numpy as np
from scipy.optimize import minimize_scalar

from exhaustsim.data.published import BUILT_IN
from exhaustsim.physics import bessel, hotmetal, induction, shop
from exhaustsim.plant.coil import resistivity_curve, resistivity_points


def _ray(x):
    return x * complex(math.sqrt(0.5), math.sqrt(0.5))


def route_ber(row):
    return (bessel.growing_bessel(row["x"])[0] * np.exp(_ray(row["x"]))).real


def route_bei(row):
    return (bessel.growing_bessel(row["x"])[0] * np.exp(_ray(row["x"]))).imag


def route_ber_one(row):
    """J1 of the Kelvin functions is i times I1 on the ray."""
    return -(bessel.growing_bessel(row["x"])[1] * np.exp(_ray(row["x"]))).imag


def route_kei(row):
    return (bessel.decaying_bessel(row["x"])[0] * np.exp(-_ray(row["x"]))).imag


def route_solenoid(row):
    return induction.coil_field(200 * 0.30, 0.25, 0.10, 0.0) * induction.VACUUM_PERMEABILITY * 1e3


def _rod_power(diameter_over_depth):
    """Power of a rod of unit radius and resistivity over 2 pi f mu0 H^2 and its volume."""
    depth = 2.0 / diameter_over_depth
    frequency = 1.0 / (math.pi * induction.VACUUM_PERMEABILITY * depth**2)
    surface, _ = induction.cylinder_response(1.0, frequency, 1.0, 1.0, 1.0)
    return surface.real * 2.0 / (2.0 * math.pi * frequency * induction.VACUUM_PERMEABILITY)


def _best():
    return minimize_scalar(lambda x: -_rod_power(x), bounds=(1.0, 10.0), method="bounded")


def route_best_depth(row):
    return _best().x


def route_best_power(row):
    return -_best().fun


def _response(row):
    return induction.cylinder_response(row["resistivity"], row["frequency"], row["permeability"], row["radius"], row["wall"])


def route_power_density(row):
    return _response(row)[0].real * row["field"] ** 2


def route_inside(row):
    return abs(_response(row)[1])


def route_resistivity(row):
    return hotmetal.resistivity_at(row["temperature"], *resistivity_curve(resistivity_points(BUILT_IN, row["metal"])))[0] * 1e8


def route_water(row):
    return shop.saturation_pressure_water(row["temperature"])[0]
