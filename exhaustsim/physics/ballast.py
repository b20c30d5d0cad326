"""Water in an oil-sealed rotary pump: what stays vapour on the way out, with and without gas ballast.

A rotary pump compresses what it has taken in until the exhaust valve lifts.  Water that passes its
saturation pressure on that way condenses into the oil, raises the ultimate pressure and rusts the
pump.  Gas ballast lets room air into the compression, so that the valve lifts before that.

Public: `water_saturation_pressure`, `water_tolerance`, `least_ballast`.

Not modelled: how fast a pump warms up, water that the oil takes up and gives back later.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel

CRITICAL_TEMPERATURE = 647.096  # K
CRITICAL_PRESSURE = 22.064e6  # Pa


@kernel
def water_saturation_pressure(temperature):
    """Pressure of water vapour over liquid water.

    Parameters
    ----------
    temperature : float
        Temperature [K], 273.16 to 647 K.

    Returns
    -------
    float
        Pressure [Pa].

    Notes
    -----
    ln(p/p_c) = (T_c/T)(a_1 t + a_2 t^1.5 + a_3 t^3 + a_4 t^3.5 + a_5 t^4 + a_6 t^7.5), t = 1 - T/T_c.

    Valid: 273.16 to 647 K; below the triple point as over supercooled water, with growing error; above the critical
    point not a number.  Nothing is raised.
    Source: [WagnerPruss1993] (coefficients recalled; held against tabled values in the tests).

    Examples
    --------
    >>> round(float(water_saturation_pressure(373.15)))
    101418
    """
    t = 1.0 - temperature / CRITICAL_TEMPERATURE
    half = np.sqrt(t)
    cube = t * t * t
    power = (
        -7.85951783 * t + 1.84408259 * t * half - 11.7866497 * cube + 22.6807411 * cube * half
        - 15.9618719 * cube * t + 1.80122502 * cube * cube * t * half
    )  # fmt: skip
    return CRITICAL_PRESSURE * np.exp(CRITICAL_TEMPERATURE / temperature * power)


@kernel
def water_tolerance(other_pressure, speed, ballast, atmosphere, saturation, air_water, exhaust_pressure):
    """Largest partial pressure of water vapour at the inlet that a rotary pump blows out as vapour.

    Parameters
    ----------
    other_pressure : float
        Partial pressure of all other gas at the inlet [Pa]; 0 gives the tolerance for pure water vapour.
    speed : float
        Pumping speed at the inlet [m^3/s].
    ballast : float
        Room air let into the compression, at room pressure; 0 with gas ballast closed [m^3/s].
    atmosphere : float
        Pressure of the room air [Pa].
    saturation : float
        Saturation pressure of water at the temperature of the pump, see `water_saturation_pressure` [Pa].
    air_water : float
        Partial pressure of water vapour in the room air [Pa].
    exhaust_pressure : float
        Pressure at which the exhaust valve lifts, above `saturation` [Pa].

    Returns
    -------
    float
        Partial pressure, not below zero [Pa].

    Notes
    -----
    When the valve lifts, the share of water in the gas times the lifting pressure p_e is the partial pressure of
    water, and that must stay below saturation p_s:

        p_w = (p_s (S p_o + B p_0) - B p_a p_e)/(S (p_e - p_s)).

    For pure water vapour and p_e = k p_0 it is B p_0 (p_s - k p_a)/(S (k p_0 - p_s)).  The formula of the source has
    p_a in place of k p_a, which at usual humidity is a per cent more at most.  Closed, and without other gas,
    the tolerance is nil: a pump colder than 100 degC carries no pure water vapour out.

    Valid: ideal gases, saturation below the pressure of the exhaust valve, a pump in steady warmth.  Nothing is raised.
    Source: criterion and formula 4-6 of [VacuumTextbookWeb], water vapour tolerance.

    Examples
    --------
    Gas ballast of a tenth of the speed, 70 degC, dry air, 1.1 atmospheres: 39.4 hPa.

    >>> round(float(water_tolerance(0.0, 2e-3, 0.2e-3, 101325.0, 31.2e3, 0.0, 111458.0)))
    3939
    """
    carried = saturation * (speed * other_pressure + ballast * atmosphere) - ballast * air_water * exhaust_pressure
    return max(carried / (speed * (exhaust_pressure - saturation)), 0.0)


@kernel
def least_ballast(water_flow, other_flow, atmosphere, saturation, air_water, exhaust_pressure):
    """Least gas ballast that keeps a throughput of water from condensing in a rotary pump.

    Parameters
    ----------
    water_flow, other_flow : float
        Throughput of water vapour and of all other gas [Pa m^3/s].
    atmosphere, saturation, air_water, exhaust_pressure : float
        As for `water_tolerance` [Pa].

    Returns
    -------
    float
        Room air at room pressure [m^3/s]; 0 when none is needed, not-a-number when the room air is too damp to help.

    Notes
    -----
    The inversion of `water_tolerance`: B = (Q_w (p_e - p_s) - Q_o p_s)/(p_s p_0 - p_a p_e).

    Valid: as `water_tolerance`.  Nothing is raised.
    Source: own derivation: the law of `water_tolerance` solved for the ballast.

    Examples
    --------
    >>> least_ballast(0.0, 1.0, 101325.0, 31.2e3, 1.2e3, 111458.0)
    0.0
    >>> round(float(least_ballast(2e-3 * 3939.0, 0.0, 101325.0, 31.2e3, 0.0, 111458.0) * 1e3), 3)
    0.2
    """
    needed = water_flow * (exhaust_pressure - saturation) - other_flow * saturation
    if needed <= 0.0:
        return 0.0
    help_of_air = saturation * atmosphere - air_water * exhaust_pressure
    return needed / help_of_air if help_of_air > 0.0 else np.nan
