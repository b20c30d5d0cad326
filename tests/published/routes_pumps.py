"""Routes of the rows in pumps.toml: from a law's SI value to what the source prints."""

import math

import numpy as np

from exhaustsim.constants import ATMOSPHERE
from exhaustsim.data import published
from exhaustsim.physics import ballast, pumps, speedtable


def route_handbook_margin(row):
    margin = published.value("pumps.diffusion.backing_margin")
    return pumps.required_backing_speed(760.0, 0.00035, 0.150, margin)


def route_backing_example(row):
    return pumps.required_backing_speed(row["pressure"], row["effective"], 0.2, 1.0)


def route_knee_400(row):
    """A pump that passes 100 L/s x 1e-2 mbar and has 400 L/s at low pressure has its knee where both meet."""
    knee = 100.0 * 1e-2 / 400.0
    assert pumps.diffusion_speed(1e-3, 400.0, knee)[0] > 0.99 * 400.0
    return pumps.diffusion_speed(1e-2, 400.0, knee)[0]


def route_turbo_ultimate(row):
    forward, backward, _, _ = pumps.turbomolecular_factors(1.0, row["log_compression"])
    return 1e-9 * forward / backward


def route_station_ultimate(row):
    kept, _ = pumps.booster_slip(0.0, 4.5e3)
    return kept * published.value("pumps.booster.compression")


def route_booster_difference(row):
    """Difference over which speed times difference can rise no more: the limit itself, from far above it."""
    difference = 1e6
    return difference * pumps.booster_slip(difference, published.value("pumps.booster.pressure_difference"))[0] / 100.0


def route_speed_ratio(row):
    return math.log(pumps.turbomolecular_compression(1e9, 28.0, 2.0)) / math.log(1e9)


def route_turbo_net(row):
    """Flow through pump and backing pump alike: S0 (a p - b p_b) = S_b p_b."""
    forward, backward, _, _ = pumps.turbomolecular_factors(1.0, math.log(372.0))
    return 100.0 * forward / (1.0 + 100.0 * backward)


def route_saturation_hpa(row):
    return ballast.water_saturation_pressure(343.15) / 100.0


def route_tolerance(row):
    """Half-damp air of 20 degC, pump of 70 degC, ballast a tenth of the speed."""
    air_water = 0.5 * ballast.water_saturation_pressure(293.15)
    saturation = ballast.water_saturation_pressure(343.15)
    return ballast.water_tolerance(0.0, 1.0, 0.1, ATMOSPHERE, saturation, air_water, row["ratio"] * ATMOSPHERE) / 100.0


def route_tolerance_trade(row):
    """The example lets in 0.1 x 1330 mbar for each unit of speed, which is more air at the pressure of the room."""
    return ballast.water_tolerance(0.0, 1.0, 0.1 * 1330.0 / 1013.25, 1013.25, 312.0, 13.0, 1330.0)


def route_two_points(row):
    x, y = np.log(np.array([0.1, 10.0])), np.log(np.array([1e-3, 4e-3]))
    return speedtable.table_speed(1.0, x, y, np.zeros(2))[0]
