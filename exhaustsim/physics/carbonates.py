"""Breakdown of the cathode coating: carbonate to oxide, with carbon dioxide given off.

A coating of barium-strontium-calcium carbonate is broken down by heating the cathode.  Barium
carbonate is the most stable of the three and comes last; in the usual co-precipitated coating
the carbonates form one mixed crystal and are taken here as one, on the law of barium
carbonate.  A front moves into each needle at a speed set by temperature; carbon dioxide
already in the bulb holds it back, and stops it at the dissociation pressure.  That is how the
narrow exhaust stem decides how long breakdown takes.  Oxide in too much carbon dioxide turns
back at its skin.

Public: `dissociation_pressure_barium`, `dissociation_pressure_barium_slope`,
`dissociation_pressure_strontium`, `dissociation_pressure_calcium`, `apparent_pressure`,
`front_speed`, `remaining_factor`, `back_pressure_factor`, `breakdown_rate`,
`recarbonation_rate`; for hand reckoning `needle_converted`, `coating_dioxide`.

Not modelled: separate fronts for the three carbonates, melting above about 1330 K, resistance
of the oxide skin to the gas, sintering, and the reaction with nickel (the share of carbon
monoxide is a stated number, booked by the engine).
"""

from __future__ import annotations

import math

from exhaustsim.compiled import kernel
from exhaustsim.constants import ATMOSPHERE, GAS_CONSTANT

# Constants of published fits, kept as printed; they stand with range and standing in
# `data/carbonates.toml`, and a test holds the two together.
BARIUM_CONSTANT = 17.632  # ln(p/atm) = constant - slope/T, BaCO3, [BasuSearcy1976]
BARIUM_SLOPE = 30321.0  # K
APPARENT_CONSTANT = 6.435  # free surface into vacuum, [BasuSearcy1976]
APPARENT_SLOPE = 27170.0  # K
STRONTIUM_TRANSITION = 1197.0  # K, SrCO3 changes its crystal form: the slope bends there
STRONTIUM_PRESSURE = 3505.0  # Pa at the transition
STRONTIUM_SLOPE_BELOW = 27400.0  # K, 228 kJ/mol
STRONTIUM_SLOPE_ABOVE = 24406.0  # K, 203 kJ/mol
CALCIUM_CONSTANT = 17.631  # ln(p/atm) = constant - slope/T, CaCO3, own fit to tabled polynomials
CALCIUM_SLOPE = 20546.0  # K, 171 kJ/mol
CARBONATE_VOLUME = 4.581e-5  # m^3/mol, BaCO3
DIOXIDE_MASS = 0.0440095  # kg/mol

#: Half width of the smooth levelling of the back-pressure factor, in units of p/p_eq.
BACK_PRESSURE_WIDTH = 1e-3
#: Held fraction at which the square root of the remaining carbonate is rounded off.
REMAINING_WIDTH = 1e-6
#: Half width, in held fraction, of the smooth stop of recarbonation below its cap.
CAP_WIDTH = 1e-4


@kernel
def dissociation_pressure_barium(temperature):
    """Pressure of carbon dioxide in equilibrium with barium carbonate and its oxide.

    Parameters
    ----------
    temperature : float
        Coating temperature [K].

    Returns
    -------
    float
        Dissociation pressure [Pa].

    Notes
    -----
    ln(p/atm) = 17.632 - 30321/T.  Measured about 1080 to 1210 K; agrees with thermochemistry
    within 15 % from 1000 to 1300 K.  Above about 1330 K oxide and carbonate melt together.

    Valid: 1080 to 1210 K as measured, within 15 % of thermochemistry from 1000 to 1300 K; extrapolated outside.
    Nothing is raised.
    Source: [BasuSearcy1976], abstract.

    Examples
    --------
    >>> round(float(dissociation_pressure_barium(1200.0)), 1)
    48.9
    """
    return dissociation_pressure_barium_slope(temperature)[0]


@kernel
def dissociation_pressure_barium_slope(temperature):
    """Dissociation pressure of barium carbonate and its growth with temperature.

    Parameters
    ----------
    temperature : float
        Coating temperature [K].

    Returns
    -------
    tuple of float
        Dissociation pressure [Pa] and its derivative by temperature [Pa/K].

    Notes
    -----
    dp/dT = p 30321/T^2.

    Valid: as `dissociation_pressure_barium`.  Nothing is raised.
    Source: own derivation: derivative of `dissociation_pressure_barium`.

    Examples
    --------
    >>> p, slope = dissociation_pressure_barium_slope(1200.0)
    >>> round(float(slope / p), 5)
    0.02106
    """
    p = ATMOSPHERE * math.exp(BARIUM_CONSTANT - BARIUM_SLOPE / temperature)
    return p, p * BARIUM_SLOPE / (temperature * temperature)


@kernel
def dissociation_pressure_strontium(temperature):
    """Pressure of carbon dioxide in equilibrium with strontium carbonate and its oxide.

    Parameters
    ----------
    temperature : float
        Coating temperature [K].

    Returns
    -------
    float
        Dissociation pressure [Pa].

    Notes
    -----
    Straight lines in ln p against 1/T that meet at 1197 K, where the crystal changes form
    (a true bend of the slope).  900 to 1450 K, within 2 % of the thermochemistry behind it.

    Valid: 900 to 1450 K.  Nothing is raised.
    Source: own derivation: two straight lines through pressures computed from [CRCThermo] and
    [McBride1993], see `data/carbonates.toml`.

    Examples
    --------
    >>> round(float(dissociation_pressure_strontium(1000.0)), 0)
    39.0
    """
    slope = STRONTIUM_SLOPE_BELOW if temperature < STRONTIUM_TRANSITION else STRONTIUM_SLOPE_ABOVE
    return STRONTIUM_PRESSURE * math.exp(slope * (1.0 / STRONTIUM_TRANSITION - 1.0 / temperature))


@kernel
def dissociation_pressure_calcium(temperature):
    """Pressure of carbon dioxide in equilibrium with calcium carbonate and its oxide.

    Parameters
    ----------
    temperature : float
        Coating temperature [K].

    Returns
    -------
    float
        Dissociation pressure [Pa].

    Notes
    -----
    ln(p/atm) = 17.631 - 20546/T, 800 to 1200 K, within 3 % of the thermochemistry behind it.

    Valid: 800 to 1200 K.  Nothing is raised.
    Source: own derivation: straight line through points computed from [McBride1993] polynomials, see
    `data/carbonates.toml`.

    Examples
    --------
    >>> round(float(dissociation_pressure_calcium(1167.0)) / 101325.0, 2)
    1.0
    """
    return ATMOSPHERE * math.exp(CALCIUM_CONSTANT - CALCIUM_SLOPE / temperature)


@kernel
def apparent_pressure(temperature):
    """Pressure at which barium carbonate would have to evaporate to break down as fast as it does.

    Parameters
    ----------
    temperature : float
        Coating temperature [K].

    Returns
    -------
    float
        Apparent pressure [Pa], far below the dissociation pressure: the surface is slow.

    Notes
    -----
    ln(p/atm) = 6.435 - 27170/T, free surface into vacuum, single crystals, measured about
    1080 to 1210 K, extrapolated above.

    Valid: 1080 to 1210 K as measured on single crystals; extrapolated above.  Nothing is raised.
    Source: [BasuSearcy1976], abstract.

    Examples
    --------
    >>> round(float(apparent_pressure(1200.0)), 4)
    0.0093
    """
    return ATMOSPHERE * math.exp(APPARENT_CONSTANT - APPARENT_SLOPE / temperature)


@kernel
def front_speed(temperature):
    """Speed of the breakdown front into a needle of carbonate, in vacuum.

    Parameters
    ----------
    temperature : float
        Coating temperature [K].

    Returns
    -------
    tuple of float
        Speed [m/s] and its derivative by temperature [m/(s K)].

    Notes
    -----
    v = p_app V_m/sqrt(2 pi M R T), see `apparent_pressure`.

    Valid: as `apparent_pressure`.  Nothing is raised.
    Source: [BasuSearcy1976], abstract, with the crystal volume of barium carbonate.

    Examples
    --------
    >>> round(float(front_speed(1323.15)[0]) * 1e8, 2)
    6.34
    """
    p = ATMOSPHERE * math.exp(APPARENT_CONSTANT - APPARENT_SLOPE / temperature)
    v = p * CARBONATE_VOLUME / math.sqrt(2.0 * math.pi * DIOXIDE_MASS * GAS_CONSTANT * temperature)
    return v, v * (APPARENT_SLOPE / temperature - 0.5) / temperature


@kernel
def remaining_factor(held_fraction):
    """Reacting area of the needles, relative to its start, from the carbonate still held.

    Parameters
    ----------
    held_fraction : float
        Carbonate still held over that at the start [1].

    Returns
    -------
    tuple of float
        Relative area [1] and its derivative by the held fraction [1].

    Notes
    -----
    x/sqrt(x + 1e-6), that is sqrt(x) down to about 1e-5, then linear to zero so that breakdown
    ends smoothly; below 0 (rounding of the stepper) linear with the same slope.

    Valid: exact for long needles down to 1e-5 of the carbonate, a chosen smooth end below.
    Nothing is raised.
    Source: own derivation: a cylinder shrinking from its side.

    Examples
    --------
    >>> round(float(remaining_factor(0.25)[0]), 5)
    0.5
    """
    if held_fraction < 0.0:
        slope = 1.0 / math.sqrt(REMAINING_WIDTH)
        return held_fraction * slope, slope
    inner = held_fraction + REMAINING_WIDTH
    root = math.sqrt(inner)
    return held_fraction / root, (0.5 * held_fraction + REMAINING_WIDTH) / (inner * root)


@kernel
def _rectified(u, width):
    """Smooth max(u, 0): exact outside +-width, a quartic inside, twice differentiable; and its slope."""
    if u >= width:
        return u, 1.0
    if u <= -width:
        return 0.0, 0.0
    s = u + width
    cube = 16.0 * width * width * width
    return s * s * s * (3.0 * width - u) / cube, s * s * (8.0 * width - 4.0 * u) / cube


@kernel
def back_pressure_factor(ratio):
    """How far carbon dioxide in the bulb holds the breakdown back.

    Parameters
    ----------
    ratio : float
        Pressure of carbon dioxide over the dissociation pressure of the coating [1].

    Returns
    -------
    tuple of float
        Factor, 1 in vacuum and 0 from the dissociation pressure on [1], and its derivative
        by the ratio [1].

    Notes
    -----
    1 - ratio, levelled at zero by a quartic within 1e-3 of ratio 1: twice differentiable and
    never negative.  For a ratio below 0 (rounding of the stepper; huge when the coating is
    cold) it levels at 2 as 1 - ratio/(1 - ratio), with the slope continuous at 0.

    Valid: ratio from 0 to 1; a chosen smooth continuation outside.  Nothing is raised.
    Source: own derivation: linear law of evaporation against a back pressure, levelled at its ends.

    Examples
    --------
    >>> round(float(back_pressure_factor(0.25)[0]), 3), float(back_pressure_factor(2.0)[0])
    (0.75, 0.0)
    """
    if ratio < 0.0:
        return 1.0 - ratio / (1.0 - ratio), -1.0 / (1.0 - ratio) / (1.0 - ratio)
    value, slope = _rectified(1.0 - ratio, BACK_PRESSURE_WIDTH)
    return value, -slope


@kernel
def _coating_ratio(temperature, pressure, activity):
    """Pressure over the coating's own dissociation pressure; its slopes by temperature and pressure."""
    # Cold coatings have vanishing dissociation pressures: the ratio is kept below 1e200 or so.
    exponent = max(BARIUM_CONSTANT - BARIUM_SLOPE / temperature, -400.0)
    per_pressure = 1.0 / (activity * ATMOSPHERE * math.exp(exponent))
    ratio = pressure * per_pressure
    by_temperature = -ratio * BARIUM_SLOPE / (temperature * temperature) if exponent > -400.0 else 0.0
    return ratio, by_temperature, per_pressure


@kernel
def breakdown_rate(held_fraction, temperature, pressure, needle_radius, activity):
    """Rate at which the coating breaks down.

    Parameters
    ----------
    held_fraction : float
        Carbonate still held over that at the start [1].
    temperature : float
        Coating temperature [K].
    pressure : float
        Partial pressure of carbon dioxide in the bulb [Pa].
    needle_radius : float
        Radius of the carbonate needles [m]; the calibration constant of a coating.
    activity : float
        Dissociation pressure of the mixed crystal over that of pure barium carbonate [1].

    Returns
    -------
    tuple of float
        Rate of loss of held fraction [1/s], and its derivatives by held fraction [1/s], by
        temperature [1/(s K)] and by pressure [1/(s Pa)].

    Notes
    -----
    (2 v/r0) `remaining_factor` (x) `back_pressure_factor` (p/(a p_eq)).

    Valid: as `apparent_pressure`, for needles alike in radius; extrapolated to the spray of a cathode.
    Nothing is raised.
    Source: own derivation: shrinking cylinder with the front speed of [BasuSearcy1976]; activity and
    radius assumed.

    Examples
    --------
    >>> round(float(breakdown_rate(1.0, 1300.0, 0.0, 1.1e-6, 0.3)[0]), 4)
    0.0806
    """
    ratio, ratio_by_t, ratio_by_p = _coating_ratio(temperature, pressure, activity)
    left, left_slope = remaining_factor(held_fraction)
    free, free_slope = back_pressure_factor(ratio)
    if free == 0.0:
        return 0.0, 0.0, 0.0, 0.0
    speed, speed_slope = front_speed(temperature)
    per_radius = 2.0 / needle_radius
    k = per_radius * speed
    by_temperature = left * (per_radius * speed_slope * free + k * free_slope * ratio_by_t)
    return k * left * free, k * left_slope * free, by_temperature, k * left * free_slope * ratio_by_p


@kernel
def recarbonation_rate(held_fraction, temperature, pressure, activity, rate_1000, energy, cap, half_pressure):
    """Rate at which broken-down coating turns back to carbonate in too much carbon dioxide.

    Parameters
    ----------
    held_fraction : float
        Carbonate held over that at the start [1].
    temperature : float
        Coating temperature [K].
    pressure : float
        Partial pressure of carbon dioxide in the bulb [Pa].
    activity : float
        Dissociation pressure of the mixed crystal over that of pure barium carbonate [1].
    rate_1000 : float
        Rate constant at 1000 K [1/s].
    energy : float
        Activation energy [J/mol].
    cap : float
        Held fraction above which no more turns back [1]: the skin shuts.
    half_pressure : float
        Excess over the dissociation pressure at which half the full rate is reached [Pa].

    Returns
    -------
    tuple of float
        Rate of gain of held fraction [1/s], and its derivatives by held fraction [1/s], by
        temperature [1/(s K)] and by pressure [1/(s Pa)].

    Notes
    -----
    k S (cap - x), k = k1000 exp(-(E/R)(1/T - 1/1000)), S = e/(p_half + e) with the excess pressure
    e = p - a p_eq, rectified smoothly within 1e-3 of a p_eq, so exactly 0 in vacuum; (cap - x)
    stops smoothly at the cap, which it never crosses, at the price of 1e-4 less below it.  A cold
    coating in a trace of gas is thereby limited by the gas that comes.  Not the reverse of the
    hot breakdown: the rate of the skin reaction is a recalled order, range a decade each way.

    Valid: an assumption, good to a decade each way.  Nothing is raised.
    Source: own derivation: assumed form of a skin reaction; constants in `data/carbonates.toml`.

    Examples
    --------
    >>> float(recarbonation_rate(0.0, 900.0, 0.0, 0.3, 1e-3, 50e3, 0.03, 1.0)[0])
    0.0
    """
    ratio, ratio_by_t, ratio_by_p = _coating_ratio(temperature, pressure, activity)
    excess, excess_slope = _rectified(ratio - 1.0, BACK_PRESSURE_WIDTH)
    room, room_slope = _rectified(cap - held_fraction - CAP_WIDTH, CAP_WIDTH)
    if excess == 0.0 or room == 0.0:
        return 0.0, 0.0, 0.0, 0.0
    k = rate_1000 * math.exp(-energy / GAS_CONSTANT * (1.0 / temperature - 1e-3))
    k_slope = k * energy / (GAS_CONSTANT * temperature * temperature)
    equilibrium = 1.0 / ratio_by_p
    above = excess * equilibrium
    by_excess = half_pressure / ((half_pressure + above) * (half_pressure + above))
    share = above / (half_pressure + above)
    # Rising temperature raises the dissociation pressure itself: e = (p/(a p_eq) - 1) a p_eq.
    above_by_t = equilibrium * (excess_slope * ratio_by_t + excess * BARIUM_SLOPE / (temperature * temperature))
    by_temperature = room * (k_slope * share + k * by_excess * above_by_t)
    return k * share * room, -k * share * room_slope, by_temperature, k * by_excess * excess_slope * room


@kernel
def needle_converted(time, speed, needle_radius):
    """Converted fraction of needles at constant temperature in vacuum.

    Parameters
    ----------
    time : float
        Time at temperature [s].
    speed : float
        Front speed [m/s].
    needle_radius : float
        Radius of the needles [m].

    Returns
    -------
    float
        Converted fraction [1].

    Notes
    -----
    1 - (1 - v t/r0)^2, complete at t = r0/v.

    Valid: exact for needles alike at one temperature in vacuum.  Nothing is raised.
    Source: own derivation: shrinking cylinder.

    Examples
    --------
    >>> round(float(needle_converted(5.0, 1e-7, 1e-6)), 2)
    0.75
    """
    depth = min(max(speed * time / needle_radius, 0.0), 1.0)
    return depth * (2.0 - depth)


@kernel
def coating_dioxide(barium_share, strontium_share, calcium_share, barium_mass, strontium_mass, calcium_mass):
    """Carbon dioxide held by a carbonate coating, per mass of carbonate.

    Parameters
    ----------
    barium_share, strontium_share, calcium_share : float
        Mass shares of the three carbonates [1].
    barium_mass, strontium_mass, calcium_mass : float
        Their molar masses [kg/mol].

    Returns
    -------
    float
        Carbon dioxide [mol/kg].

    Notes
    -----
    Sum of share over molar mass: one molecule of gas from each of carbonate.

    Valid: exact.  Nothing is raised.
    Source: own derivation: stoichiometry, one molecule of gas from each of carbonate.

    Examples
    --------
    >>> round(float(coating_dioxide(0.57, 0.39, 0.04, 0.197336, 0.147628, 0.100086)), 2)
    5.93
    """
    return barium_share / barium_mass + strontium_share / strontium_mass + calcium_share / calcium_mass
