"""Heat in the valve: radiation, conduction through the gas, heater, softening of glass.

The parts of a valve under exhaust are lumps of heat.  They get their heat from the RF coil,
the heater and the oven and lose it by radiation, along leads and micas, and through whatever
gas stands in the bulb.  These are the single laws; the balance is made in
`exhaustsim.engine.rates`; what the RF coil gives a part is reckoned in `exhaustsim.physics.induction`.

Public: `radiation_exchange`, `heat_capacity`, `heat_to_reach`, `radiative_cooling_time`,
`free_molecular_heat_transfer`, `gas_heat_transfer`, `heater_law_temperature`, `heater_power`,
`glass_viscosity`.

Not modelled: the spectrum of the radiation (grey surfaces; what glass lets through is an exchange
with the surroundings in the design), convection (negligible below some hundred pascal in bulbs
of this size), temperature differences inside one part.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel, kernel_on_arrays
from exhaustsim.constants import GAS_CONSTANT, STEFAN_BOLTZMANN

REFERENCE = 300.0  # K, temperature that heat capacities and gas conductivities refer to
CONDUCTIVITY_EXPONENT = 0.8  # k ~ T^0.8, see `gas_heat_transfer`

# Pressure below which the composition of a nearly empty bulb is blended into an even mixture,
# so that the mixture's conductivity exists at no gas at all.  It changes the transfer by less
# than 3e-4 at any pressure (gap 5 mm), since the continuum value hardly matters down there.
BLEND_PRESSURE = 1e-3  # Pa


@kernel
def radiation_exchange(emissivity_area, temperature_a, temperature_b):
    """Net heat radiated from a to b, with its slopes.

    Parameters
    ----------
    emissivity_area : float
        Effective emissivity times area of the exchange [m^2].
    temperature_a, temperature_b : float
        Temperatures of the two grey surfaces [K].

    Returns
    -------
    tuple of float
        Power [W], its derivative by temperature_a and by temperature_b [W/K].

    Notes
    -----
    W = sigma e A (Ta^4 - Tb^4).  Valid for grey surfaces; e A holds view factor and both
    emissivities.

    Valid: grey surfaces.  Nothing is raised.
    Source: own derivation: Stefan-Boltzmann law with the exact constant of the SI.

    Examples
    --------
    >>> round(radiation_exchange(17e-4, 1073.15, 0.0)[0], 1)
    127.9
    """
    c = STEFAN_BOLTZMANN * emissivity_area
    a3 = temperature_a * temperature_a * temperature_a
    b3 = temperature_b * temperature_b * temperature_b
    return c * (a3 * temperature_a - b3 * temperature_b), 4.0 * c * a3, -4.0 * c * b3


@kernel
def heat_capacity(at_300, slope, temperature):
    """Heat capacity of a part that grows linearly with temperature.

    Parameters
    ----------
    at_300 : float
        Heat capacity at 300 K [J/K].
    slope : float
        Growth [J/K^2].
    temperature : float
        Temperature [K].

    Returns
    -------
    tuple of float
        Heat capacity [J/K] and its derivative by temperature [J/K^2].

    Notes
    -----
    C = C300 + slope (T - 300 K).  With the constants of the table this is 21 % low for nickel at its
    Curie peak of 631 K, but the heat to reach 700 to 1300 K from 300 K is right to 5 %.

    Valid: 300 to 1300 K; nickel 21 % low at its Curie peak.  Nothing is raised.
    Source: own derivation: linear fit to [McBride1993], see `data/materials.toml`.

    Examples
    --------
    >>> heat_capacity(0.322, 0.8e-4, 800.0)[0]
    0.362
    """
    return at_300 + slope * (temperature - REFERENCE), slope


@kernel
def heat_to_reach(at_300, slope, start, end):
    """Heat that brings a part from `start` to `end` if none is lost.

    Parameters
    ----------
    at_300, slope : float
        Heat capacity at 300 K [J/K] and its growth [J/K^2].
    start, end : float
        Temperatures [K].

    Returns
    -------
    float
        Heat [J].  Divide by the watts absorbed for the least time.

    Notes
    -----
    Integral of `heat_capacity`.

    Valid: as `heat_capacity`.  Nothing is raised.
    Source: own derivation: integral of `heat_capacity`.

    Examples
    --------
    >>> round(heat_to_reach(0.32, 0.0, 293.15, 1173.15), 1)
    281.6
    """
    return at_300 * (end - start) + 0.5 * slope * ((end - REFERENCE) ** 2 - (start - REFERENCE) ** 2)


@kernel
def radiative_cooling_time(capacity, emissivity_area, start, end, surroundings):
    """Time in which a part cools by radiation alone from `start` to `end`.

    Parameters
    ----------
    capacity : float
        Heat capacity, constant [J/K].
    emissivity_area : float
        Effective emissivity times area [m^2].
    start, end, surroundings : float
        Temperatures, start > end > surroundings > 0 [K].

    Returns
    -------
    float
        Time [s].

    Notes
    -----
    C dT/dt = -sigma e A (T^4 - Ts^4), integrated:
    t = C/(4 sigma e A Ts^3) [ln((T+Ts)/(T-Ts)) + 2 arctan(T/Ts)] between start and end.

    Valid: exact for constant capacity and radiation alone, end above surroundings.  Nothing is raised.
    Source: own derivation: integration of the balance.

    Examples
    --------
    >>> round(float(radiative_cooling_time(0.36, 1.5e-4, 1173.15, 773.15, 298.15)), 2)
    22.07
    """
    c = 4.0 * STEFAN_BOLTZMANN * emissivity_area * surroundings**3
    late = np.log((end + surroundings) / (end - surroundings)) + 2.0 * np.arctan(end / surroundings)
    early = np.log((start + surroundings) / (start - surroundings)) + 2.0 * np.arctan(start / surroundings)
    return capacity / c * (late - early)


@kernel
def free_molecular_heat_transfer(gas_temperature, molar_mass, cv_factor):
    """Heat carried by a very thin gas between two surfaces, per area, kelvin and pascal.

    Parameters
    ----------
    gas_temperature : float
        Temperature at which the pressure is taken [K].
    molar_mass : float
        Molar mass [kg/mol].
    cv_factor : float
        (gamma + 1)/(gamma - 1), gamma the ratio of heat capacities [1].

    Returns
    -------
    float
        Heat transfer at full accommodation on both surfaces [W/(m^2 K Pa)].

    Notes
    -----
    h/p = (gamma+1)/(gamma-1) sqrt(R/(8 pi M T)): every molecule that leaves the hot surface
    carries (cv + R/2) per kelvin.  For gamma = 5/3 this is sqrt(2R/(pi M T)).  Valid when the
    mean free path is long against the gap.

    Valid: mean free path long against the gap.  Nothing is raised.
    Source: [Knudsen1911]; form of [Dushman1962] ch. 1 (recalled).

    Examples
    --------
    >>> round(float(free_molecular_heat_transfer(273.15, 28.0134e-3, 6.0)), 3)
    1.248
    """
    return cv_factor * np.sqrt(GAS_CONSTANT / (8.0 * np.pi * molar_mass * gas_temperature))


@kernel_on_arrays
def gas_heat_transfer(
    pressures, gas_temperature, temperature_a, temperature_b, accommodation, length, molar_mass, cv_factor,
    conductivity, dpressures,
):  # fmt: skip
    """Heat carried by the gas between two surfaces at any pressure, with its slopes.

    Parameters
    ----------
    pressures : array of float
        Partial pressures [Pa].
    gas_temperature : float
        Temperature at which they are taken (the bulb wall) [K].
    temperature_a, temperature_b : float
        Temperatures of the two surfaces [K].
    accommodation : float
        Effective accommodation of the pair [1]; a/(2 - a) for two equal plates.
    length : float
        Gap that the continuum value refers to; r ln(r2/r1) for a wire or sleeve [m].
    molar_mass, cv_factor, conductivity : array of float
        Per gas: molar mass [kg/mol], (gamma + 1)/(gamma - 1) [1], conductivity at 300 K [W/(m K)].
    dpressures : array of float
        Filled with the derivatives by the partial pressures [W/(m^2 K Pa)].

    Returns
    -------
    tuple of float
        Heat transfer H [W/(m^2 K)] and its derivatives by gas_temperature, temperature_a
        and temperature_b [W/(m^2 K^2)].

    Notes
    -----
    1/H = 1/H_f + length/k: the resistances of the free-molecular and of the continuum
    layer in series, good to about a tenth between plates.  H_f = a sum p_g h_g from
    `free_molecular_heat_transfer`; k = sum x_g k_g (Tm/300 K)^0.8 at the mean surface temperature.
    Against transport data the power law is within 13 % from 300 to 1000 K for H2, He, N2, CO, O2
    and Ar, but low by a third at 700 K for CO2 and H2O; weighting by mole share is up to 45 %
    high in H2 with CO2.  Both matter only where the continuum layer does.
    H is zero with no gas and linear in pressure near it; finite down to -1e-3 Pa in total.

    Valid: a tenth between plates; conductivity within 13 % from 300 to 1000 K for most gases, see below.
    Nothing is raised.
    Source: interpolation of [Sherman1963] (recalled), see tests for its limits.

    Examples
    --------
    >>> import numpy as np
    >>> slopes = np.zeros(1)
    >>> h, _, _, _ = gas_heat_transfer(np.array([45.0]), 300.0, 1300.0, 300.0, 0.7, 1.27e-3,
    ...                                np.array([44.01e-3]), np.array([7.7]), np.array([0.0166]), slopes)
    >>> round(float(h), 1)
    16.4
    """
    thin, at_300, blended = gas_heat_sums(pressures, gas_temperature, molar_mass, cv_factor, conductivity, dpressures)
    transfer, by_gas, by_surface, by_thin, by_thick = gas_heat_between(
        thin, at_300, gas_temperature, temperature_a, temperature_b, accommodation, length
    )
    for g in range(pressures.size):
        dpressures[g] = by_thin * dpressures[g] + by_thick * (conductivity[g] - at_300) / blended
    return transfer, by_gas, by_surface, by_surface


@kernel_on_arrays
def gas_heat_sums(pressures, gas_temperature, molar_mass, cv_factor, conductivity, carried):
    """What `gas_heat_transfer` needs of the gas, the same for every pair of surfaces in it.

    Parameters
    ----------
    pressures : array of float
        Partial pressures [Pa].
    gas_temperature : float
        Temperature at which they are taken [K].
    molar_mass, cv_factor, conductivity : array of float
        As in `gas_heat_transfer`.
    carried : array of float
        Filled with the free-molecular heat transfer of each gas per pascal, accommodation 1
        [W/(m^2 K Pa)].

    Returns
    -------
    tuple of float
        Free-molecular heat transfer of the gas, accommodation 1 [W/(m^2 K)], its conductivity at
        300 K [W/(m K)], and the pressure that conductivity is a mean over [Pa].

    Notes
    -----
    Valid: as `gas_heat_transfer`.  Nothing is raised.
    Source: own derivation: the parts of `gas_heat_transfer`, which stands on its sources.

    Examples
    --------
    >>> import numpy as np
    >>> one = np.ones(1)
    >>> thin, k, _ = gas_heat_sums(45.0 * one, 300.0, 44.01e-3 * one, 7.7 * one, 0.0166 * one, np.zeros(1))
    >>> round(float(thin), 1), round(float(k), 4)
    (54.8, 0.0166)
    """
    scale = GAS_CONSTANT / (8.0 * np.pi * gas_temperature)
    thin = 0.0
    total = 0.0
    weighted = 0.0
    even = 0.0
    for g in range(pressures.size):
        carried[g] = cv_factor[g] * np.sqrt(scale / molar_mass[g])
        thin += carried[g] * pressures[g]
        total += pressures[g]
        weighted += conductivity[g] * pressures[g]
        even += conductivity[g]
    blended = total + BLEND_PRESSURE
    return thin, (weighted + BLEND_PRESSURE * even / pressures.size) / blended, blended


@kernel
def gas_heat_between(thin, at_300, gas_temperature, temperature_a, temperature_b, accommodation, length):
    """Heat carried by a gas between two surfaces, from the sums of `gas_heat_sums`.

    Parameters
    ----------
    thin, at_300 : float
        Free-molecular heat transfer at accommodation 1 [W/(m^2 K)] and conductivity at 300 K [W/(m K)].
    gas_temperature, temperature_a, temperature_b : float
        Temperature of the gas and of the two surfaces [K].
    accommodation, length : float
        As in `gas_heat_transfer` [1], [m].

    Returns
    -------
    tuple of float
        Heat transfer [W/(m^2 K)], its derivatives by the gas temperature and by either surface
        temperature [W/(m^2 K^2)], by `thin` [1] and by `at_300` [1/m].

    Notes
    -----
    Valid: as `gas_heat_transfer`.  Nothing is raised.
    Source: own derivation: the parts of `gas_heat_transfer`, which stands on its sources.

    Examples
    --------
    >>> round(float(gas_heat_between(30.0, 0.0166, 300.0, 1300.0, 300.0, 0.7, 1.27e-3)[0]), 1)
    12.1
    """
    free = accommodation * thin
    mean = 0.5 * (temperature_a + temperature_b)
    hot = (mean / REFERENCE) ** CONDUCTIVITY_EXPONENT
    thick = at_300 * hot
    whole = thick + free * length
    by_free = thick * thick / (whole * whole)
    by_thick = free * free * length / (whole * whole)
    by_surface = by_thick * 0.5 * CONDUCTIVITY_EXPONENT * thick / mean
    return free * thick / whole, -0.5 * by_free * free / gas_temperature, by_surface, accommodation * by_free, by_thick * hot


@kernel
def heater_law_temperature(voltage, rated_voltage, rated_temperature, exponent):
    """Temperature that the cathode sleeve settles at by its heater alone.

    Parameters
    ----------
    voltage, rated_voltage : float
        Heater volts, and those of the rating [V].
    rated_temperature : float
        Sleeve temperature at the rated volts, everything around it at 20 degC [K].
    exponent : float
        Exponent of the valve's heater law [1].

    Returns
    -------
    float
        Temperature [K].  Zero volts give 0 K: no heater power; not a sleeve temperature.

    Notes
    -----
    T = T_rated (V/V_rated)^exponent.  A working rule between a third and twice the rated volts.

    Valid: a third to twice the rated volts.  Nothing is raised.
    Source: own derivation: working rule of the trade; exponent of the demo valves invented.

    Examples
    --------
    >>> round(heater_law_temperature(11.2, 6.3, 1050.0, 0.42), 0)
    1337.0
    """
    return rated_temperature * (voltage / rated_voltage) ** exponent


@kernel
def heater_power(law_power, law_temperature, temperature, resistance_exponent):
    """Power of the heater at fixed volts while the sleeve is at another temperature.

    Parameters
    ----------
    law_power : float
        Power at the temperature of the heater law [W].
    law_temperature : float
        Temperature of the heater law at these volts [K].
    temperature : float
        Temperature of the sleeve now [K].
    resistance_exponent : float
        Growth of the heater's resistance with temperature, about 1.2 for tungsten [1].

    Returns
    -------
    tuple of float
        Power [W] and its derivative by temperature [W/K].

    Notes
    -----
    P = P_law (T_law/T)^exponent: a cold heater draws more.  Takes heater and sleeve as being
    in a fixed proportion of temperature, which overstates the inrush in the first second.
    Zero when law_power is zero, whatever the other figures.

    Valid: after the first second of a cold start.  Nothing is raised.
    Source: resistance of tungsten against temperature, [Jones1927] (recalled).

    Examples
    --------
    >>> round(heater_power(2.0, 1050.0, 525.0, 1.2)[0], 3)
    4.595
    """
    if law_power == 0.0:
        return 0.0, 0.0
    power = law_power * (law_temperature / temperature) ** resistance_exponent
    return power, -resistance_exponent * power / temperature


@kernel
def glass_viscosity(temperature, log_infinite, slope, pole):
    """Viscosity of a glass against temperature.

    Parameters
    ----------
    temperature : float
        Temperature, above `pole` [K].
    log_infinite : float
        Decimal logarithm of the limit at high temperature in pascal seconds [1].
    slope : float
        Coefficient of 1/(T - pole) [K].
    pole : float
        Temperature at which the form diverges [K].

    Returns
    -------
    float
        Viscosity [Pa s].

    Notes
    -----
    log10(eta/Pa s) = A + B/(T - T0).  Between strain point (10^13.5) and working point (10^3);
    glass below the strain point creeps faster than this says.

    Valid: strain point (10^13.5 Pa s) to working point (10^3 Pa s).  Nothing is raised.
    Source: form of [Fulcher1925]; coefficients in data/materials.toml.

    Examples
    --------
    >>> round(float(np.log10(glass_viscosity(395.0 + 273.15, -2.540, 4992.9, 83.72 + 273.15))), 2)
    13.5
    """
    return 10.0 ** (log_infinite + slope / (temperature - pole))
