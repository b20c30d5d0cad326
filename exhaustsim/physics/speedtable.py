"""A pump by its measured speed: a table of speed over inlet pressure, made smooth.

Speeds of real pumps are given as a few points on double logarithmic paper; between them the curve runs
without swinging beyond its neighbours, and beyond the table, where nothing was measured, it is held.

Public: `table_speed`; the slopes at the points come from `exhaustsim.physics.hotmetal.monotone_slopes`, with those at the
ends set to nought, so that a table that is held beyond its ends has no kink there.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel


@kernel
def table_speed(pressure, log_pressure, log_speed, slope):
    """Speed of a pump by its table, with its slope.

    Parameters
    ----------
    pressure : float
        Total pressure at the inlet [Pa].
    log_pressure, log_speed, slope : array of float, (n,)
        Natural logarithms of the tabled pressures [Pa] and speeds [m^3/s], and the slopes at
        the points, nought at both ends [1].

    Returns
    -------
    tuple of float
        Speed [m^3/s] and its derivative by the pressure [m^3/(s Pa)].

    Notes
    -----
    Cubic in the logarithms between the knots, constant beyond the table, where it says nothing.

    Valid: within the table; beyond it the end value is held.  Nothing is raised.
    Source: definition.

    Examples
    --------
    >>> p, s, m = np.log(np.array([0.1, 10.0])), np.log(np.array([1e-3, 4e-3])), np.zeros(2)
    >>> [round(float(table_speed(x, p, s, m)[0] * 1e3), 6) for x in (0.0, 0.1, 1.0, 10.0, 1e5)]
    [1.0, 1.0, 2.0, 4.0, 4.0]
    """
    last = log_pressure.size - 1
    if pressure <= np.exp(log_pressure[0]):
        return np.exp(log_speed[0]), 0.0
    x = np.log(pressure)
    if x >= log_pressure[last]:
        return np.exp(log_speed[last]), 0.0
    low = 0
    high = last
    while high - low > 1:
        middle = (low + high) // 2
        if log_pressure[middle] <= x:
            low = middle
        else:
            high = middle
    h = log_pressure[high] - log_pressure[low]
    t = (x - log_pressure[low]) / h
    step = log_speed[high] - log_speed[low]
    d0, d1 = slope[low] * h, slope[high] * h
    c2, c3 = 3.0 * step - 2.0 * d0 - d1, d0 + d1 - 2.0 * step
    value = np.exp(log_speed[low] + t * (d0 + t * (c2 + t * c3)))
    return value, value * (d0 + t * (2.0 * c2 + 3.0 * t * c3)) / (h * pressure)
