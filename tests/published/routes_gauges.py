"""Routes from the law of gauges and the table of gauges to the figures that sources print."""

import numpy as np

from exhaustsim.constants import GAS_COUNT, GAS_NAMES
from exhaustsim.physics import gauges
from exhaustsim.studies.gauges import gauge_named


def route_reading(row):
    """Reading for 1 Pa of one gas."""
    mixture = np.zeros(GAS_COUNT)
    mixture[GAS_NAMES.index(row["gas"])] = 1.0
    return gauges.gauge_reading(mixture, gauge_named(row["gauge"]).factors)


def route_true(row):
    """True pressure of one gas at a reading of 1 Pa."""
    return gauges.single_gas_pressure(1.0, gauge_named(row["gauge"]).factors[GAS_NAMES.index(row["gas"])])
