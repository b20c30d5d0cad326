"""The shop round the machine: how humid its air is, and how oven and pumps come up after a cold start.

Damp air brings water into a valve by the gulp and by every leak.  On Monday morning the oven creeps
towards its set-point and the diffusion pumps do not pump before their oil boils.

Public: `saturation_pressure_water`, `oven_warm_up`, `pump_warm_up`.

Not modelled: water that damp glass and mica take up on the shelf (say so in the parts list), overshoot of the
oven's control, a diffusion pump that throws oil while it heats up.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel
from exhaustsim.constants import ZERO_CELSIUS

# How suddenly a diffusion pump sets in: the vapour pressure of its oil doubles every few degrees.
PUMP_SETS_IN = 8.0
PUMP_READY_SHARE = 0.99  # of its full working at the ready time


@kernel
def saturation_pressure_water(temperature):
    """Pressure of water vapour over liquid water.

    Parameters
    ----------
    temperature : float
        Temperature [K], from 228 to 333 K.

    Returns
    -------
    tuple of float
        Pressure [Pa] and its derivative by temperature [Pa/K].

    Notes
    -----
    611.2 Pa exp(17.62 t/(243.12 degC + t)), t in degC; within 0.4 % in its range.  Below 0 degC over supercooled
    water.  Beyond the range it goes on smoothly and gets worse.

    Valid: 228 to 333 K, within 0.4 %.  Nothing is raised.
    Source: [WmoGuide].

    Examples
    --------
    >>> round(saturation_pressure_water(293.15)[0])
    2333
    """
    celsius = temperature - ZERO_CELSIUS
    pole = 243.12 + celsius
    pressure = 611.2 * np.exp(17.62 * celsius / pole)
    return pressure, pressure * 17.62 * 243.12 / (pole * pole)


@kernel
def oven_warm_up(room, set_point, time_constant, time):
    """Oven air at a time after the oven has been switched on in a cold shop.

    Parameters
    ----------
    room, set_point : float
        Temperatures of the room and of the oven's control [K].
    time_constant : float
        Time constant of the oven, above zero [s].
    time : float
        Time since it was switched on, at least 0 [s].

    Returns
    -------
    tuple of float
        Temperature [K] and its derivative by time [K/s].

    Notes
    -----
    T = set point - (set point - room) exp(-t/tau): one heat capacity, the heaters on full until close to
    the set-point.  A single time constant is usage of the trade.

    Valid: time constant above zero.  Nothing is raised.
    Source: own derivation: one heat capacity; practice.

    Examples
    --------
    >>> round(oven_warm_up(293.15, 733.15, 900.0, 1800.0)[0] - 273.15)
    400
    """
    left = (set_point - room) * np.exp(-time / time_constant)
    return set_point - left, left / time_constant


@kernel
def pump_warm_up(ready_time, time):
    """Share of its full working that a diffusion pump has reached, by the time its heater has been on.

    Parameters
    ----------
    ready_time : float
        Heater-on time at which it works to 99 %, above zero [s].
    time : float
        Time since its heater was switched on, at least 0 [s].

    Returns
    -------
    tuple of float
        Share between 0 and 1 [1] and its derivative by time [1/s].

    Notes
    -----
    r^8/(1 + r^8) with r = 99^(1/8) time/ready time: nothing until about a third of the ready time, half at 56 %.
    The shape is put together, not measured; what counts is the ready time.

    Valid: ready time above zero, time at least zero.  Nothing is raised.
    Source: own derivation: shape put together, practice.

    Examples
    --------
    >>> [round(pump_warm_up(1200.0, t)[0], 3) for t in (300.0, 600.0, 900.0, 1200.0)]
    [0.002, 0.279, 0.908, 0.99]
    """
    half = ready_time * (1.0 / PUMP_READY_SHARE - 1.0) ** (1.0 / PUMP_SETS_IN)
    r = time / half
    power = r**PUMP_SETS_IN
    return power / (1.0 + power), PUMP_SETS_IN * r ** (PUMP_SETS_IN - 1.0) / (half * (1.0 + power) ** 2)
