"""The barium getter: flash, mirror, sorption and burial of gas, hydrogen, life of a sealed valve.

Barium evaporates from the ring while the RF holds it hot, settles as a mirror, and takes gas: molecules
stick on free sites, move into the metal and free the site again.  The mirror's speed is set
by its sticking, its capacity by how far gas is buried; both differ from gas to gas.

Public, used in runs: `barium_vapour_pressure`, `evaporation_rate`, `mirror_coverage`,
`film_sticking`, `hydrogen_plateau`.
Public, for teaching and tests: `film_thickness`, `stoichiometric_bound`,
`sealed_pressure_constant_speed`, `sealed_pressure_finite_capacity`,
`sealed_time_finite_capacity`, `sealed_life`, `loaded_film`, `bench_time_constant_source`,
`bench_time_constant_pressure`, `ungettered_pressure`.

Not modelled: where in the bulb the film lands and how porous it grows (area and area ratio are
given), the run-away reaction of the exothermic fill, displacement of hydrogen by other gases,
dependence of the oxygen capacity on how slowly it is given, evaporation of the film in the bake.
"""

from __future__ import annotations

import math

import numpy as np

from exhaustsim.compiled import kernel
from exhaustsim.constants import GAS_CONSTANT

BARIUM_MOLAR_MASS = 0.137327  # kg/mol, standard atomic weight

# log10(p/mmHg) = A - B/T of the effusion measurement, kept in its own units.
VAPOUR_A = 6.99
VAPOUR_B = 8980.0  # K
MILLIMETRE_OF_MERCURY = 133.322387415  # Pa, conventional

# BaH2 = Ba + H2: enthalpy and entropy from the table values of BaH2, Ba and H2.
HYDRIDE_ENTHALPY = 177.0e3  # J/mol
HYDRIDE_ENTROPY = 62.5 + 130.68 - 63.0  # J/(mol K)
STANDARD_PRESSURE = 1e5  # Pa

#: Moles of gas per mole of barium, in the order of `constants.GAS_NAMES`: the usual compound
#: (BaH2, BaO + BaH2, Ba3N2, BaO + BaC2, BaO, BaO + BaC2), and the widest that chemistry allows
#: (BaH2, BaO + H2 given back, Ba3N2, BaO + C, BaO2, BaO + C).
USUAL_BOUND = (1.0, 0.0, 0.0, 1.0 / 2.0, 1.0 / 3.0, 2.0 / 3.0, 1.0 / 2.0, 0.0, 2.0 / 5.0)
WIDEST_BOUND = (1.0, 0.0, 0.0, 1.0, 1.0 / 3.0, 1.0, 1.0, 0.0, 1.0 / 2.0)



@kernel
def barium_vapour_pressure(temperature):
    """Vapour pressure over pure barium, with its slope.

    Parameters
    ----------
    temperature : float
        Temperature [K].

    Returns
    -------
    tuple of float
        Pressure [Pa] and its derivative by temperature [Pa/K].

    Notes
    -----
    log10(p/mmHg) = 6.99 - 8980 K/T, measured from 798 to 1023 K.  The flash (1200 K) lies above:
    an extrapolation through the melting point (1000 K), uncertain by perhaps a factor of 2.
    Valid: 798 to 1023 K as measured; extrapolated to the flash.  Nothing is raised.
    Source: [BariumVapour], abstract.

    Examples
    --------
    >>> round(float(barium_vapour_pressure(1173.15)[0]), 2)
    28.86
    """
    value = MILLIMETRE_OF_MERCURY * 10.0 ** (VAPOUR_A - VAPOUR_B / temperature)
    return value, value * VAPOUR_B * math.log(10.0) / (temperature * temperature)


@kernel
def evaporation_rate(emitting_area, temperature, left_fraction):
    """Barium leaving the getter ring, with its slopes.

    Parameters
    ----------
    emitting_area : float
        Opening x activity x evaporation coefficient [m^2].
    temperature : float
        Temperature of ring and fill [K].
    left_fraction : float
        Share of the barium that can leave and has not yet left [1].

    Returns
    -------
    tuple of float
        Rate [kg/s], its derivative by temperature [kg/(s K)] and by left_fraction [kg/s].

    Notes
    -----
    dm/dt = A p(T) sqrt(M/(2 pi R T)) x left: free evaporation, dying away in proportion to what is
    left.  Linear in left_fraction, so a slight overshoot below zero is drawn back.  Pure barium is
    assumed from the start: getters are degassed at 750 to 800 degC, where 0.1 cm2 would by this law
    lose a tenth to a fifth of 4 mg in 10 s.  Before the fill has reacted the law overstates the loss.
    Valid: as `barium_vapour_pressure`; free evaporation.  Nothing is raised.
    Source: own derivation: Hertz-Knudsen equation with `barium_vapour_pressure`; the factor left is an
    assumption.

    Examples
    --------
    >>> round(float(evaporation_rate(1e-4, 1173.15, 1.0)[0] * 1e6), 3)
    4.32
    """
    pressure, slope = barium_vapour_pressure(temperature)
    root = emitting_area * np.sqrt(BARIUM_MOLAR_MASS / (2.0 * np.pi * GAS_CONSTANT * temperature))
    full = root * pressure
    return full * left_fraction, left_fraction * (root * slope - 0.5 * full / temperature), full


@kernel
def film_thickness(mass, density, distance, cosine_source, cosine_wall):
    """Thickness of the barium film on a piece of wall that sees the ring.

    Parameters
    ----------
    mass : float
        Barium evaporated [kg].
    density : float
        Density of barium [kg/m^3].
    distance : float
        From the ring to the piece of wall [m].
    cosine_source, cosine_wall : float
        Cosines of the angles to the ring's axis and to the wall's normal [1].

    Returns
    -------
    float
        Thickness of dense metal [m].

    Notes
    -----
    h = m cos(a) cos(b)/(pi rho d^2): small source, cosine law, vapour not scattered by gas
    (below some 0.1 Pa).
    Valid: small source, below some 0.1 Pa.  Nothing is raised.
    Source: own derivation: cosine law from a small source.

    Examples
    --------
    >>> round(float(film_thickness(2.8e-6, 3620.0, 0.012, 1.0, 1.0) * 1e6), 2)
    1.71
    """
    return mass * cosine_source * cosine_wall / (np.pi * density * distance * distance)


@kernel
def mirror_coverage(mass, full_mass):
    """Share of the mirror area that is covered after so much barium, with its slope.

    Parameters
    ----------
    mass : float
        Barium evaporated [kg].
    full_mass : float
        Mass at which 63 % of the area is covered [kg].

    Returns
    -------
    tuple of float
        Share [1] and its derivative by mass [1/kg].

    Notes
    -----
    1 - exp(-m/m_full): the film starts as islands where the vapour first strikes.
    Valid: an assumption.  Nothing is raised.
    Source: own derivation: assumption of this project; full_mass is invented, with a wide range.

    Examples
    --------
    >>> round(float(mirror_coverage(0.1e-6, 0.1e-6)[0]), 4)
    0.6321
    """
    left = np.exp(-mass / full_mass)
    return -np.expm1(-mass / full_mass), left / full_mass


@kernel
def film_sticking(fresh_sticking, coverage, area_ratio):
    """Sticking probability of a rough film in its geometric area, with its slope.

    Parameters
    ----------
    fresh_sticking : float
        Sticking probability on a free surface [1].
    coverage : float
        Share of the sites taken, all gases together [1].
    area_ratio : float
        Sorbing area over geometric area [1].

    Returns
    -------
    tuple of float
        Effective sticking [1] and its derivative by coverage [1].

    Notes
    -----
    s = s0 (1 - theta); s_eff = s r/(1 + s (r - 1)), the cavity formula.  Zero on a full film.
    Above full coverage, where only the rounding of a stepper comes, it goes on below zero with
    the same slope: that drives the film back to full without a kink for the stepper to trip over.
    Valid: coverage from 0 to 1; a chosen straight continuation above.  Nothing is raised.
    Source: own derivation: one-site Langmuir fall-off with the cavity formula, both assumptions here.

    Examples
    --------
    >>> round(film_sticking(0.3, 0.0, 3.0)[0], 4), float(film_sticking(0.3, 1.0, 3.0)[0])
    (0.5625, 0.0)
    """
    s = fresh_sticking * (1.0 - coverage)
    cavity = 1.0 + max(s, 0.0) * (area_ratio - 1.0)
    return s * area_ratio / cavity, -fresh_sticking * area_ratio / (cavity * cavity)


@kernel
def hydrogen_plateau(temperature):
    """Hydrogen pressure at which barium and its hydride stand together, with its slope.

    Parameters
    ----------
    temperature : float
        Temperature of the film [K].

    Returns
    -------
    tuple of float
        Pressure [Pa] and its derivative by temperature [Pa/K].

    Notes
    -----
    p = 1 bar exp(dS/R - dH/(R T)), dH = 177.0 kJ/mol, dS = 130.18 J/(mol K):
    log10(p/Pa) = 11.800 - 9245 K/T.  The tables of dH differ by 20 kJ/mol, a factor of 30 in pressure
    at 700 K and of 3000 at 300 K; heat capacities are left out.
    Valid: 300 to 900 K to an order or two, as the tables differ.  Nothing is raised.
    Source: [CRCThermo] table values by way of a general chemistry data library.

    Examples
    --------
    >>> round(float(hydrogen_plateau(673.15)[0]), 5)
    0.01162
    """
    value = STANDARD_PRESSURE * np.exp(
        HYDRIDE_ENTROPY / GAS_CONSTANT - HYDRIDE_ENTHALPY / (GAS_CONSTANT * temperature)
    )
    return value, value * HYDRIDE_ENTHALPY / (GAS_CONSTANT * temperature * temperature)


@kernel
def stoichiometric_bound(mole_ratio):
    """Greatest amount of a gas that a mass of barium can bind.

    Parameters
    ----------
    mole_ratio : float
        Moles of gas per mole of barium in the compound, see `USUAL_BOUND`, `WIDEST_BOUND` [1].

    Returns
    -------
    float
        Amount per mass [mol/kg].

    Notes
    -----
    mole_ratio/M.
    Valid: exact.  Nothing is raised.
    Source: own derivation: one mole of barium by its standard atomic weight.

    Examples
    --------
    >>> round(float(stoichiometric_bound(0.5)), 4)
    3.6409
    """
    return mole_ratio / BARIUM_MOLAR_MASS


@kernel
def sealed_pressure_constant_speed(start, load, speed, volume, time):
    """Pressure in a sealed valve with a steady gas load and a film that does not tire.

    Parameters
    ----------
    start : float
        Pressure at the beginning [Pa].
    load : float
        Gas load [Pa m^3/s].
    speed : float
        Pumping speed of the film [m^3/s].
    volume : float
        Free volume [m^3].
    time : float
        Time [s].

    Returns
    -------
    float
        Pressure [Pa].

    Notes
    -----
    p = Q/S + (p0 - Q/S) exp(-S t/V).
    Valid: exact at constant temperature.  Nothing is raised.
    Source: own derivation: balance of one volume.

    Examples
    --------
    >>> round(float(sealed_pressure_constant_speed(1e-2, 1e-9, 1e-3, 50e-6, 0.1)), 9)
    0.001354217
    """
    balance = load / speed
    return balance + (start - balance) * np.exp(-speed * time / volume)


@kernel
def sealed_pressure_finite_capacity(start, capacity, speed, volume, time):
    """Pressure in a sealed valve whose film takes a closed amount of gas and fills up.

    Parameters
    ----------
    start : float
        Pressure at the beginning [Pa].
    capacity : float
        Capacity of the film, as pressure times volume at the gas temperature [Pa m^3].
    speed : float
        Speed of the fresh film [m^3/s].
    volume : float
        Free volume [m^3].
    time : float
        Time [s].

    Returns
    -------
    float
        Pressure [Pa].

    Notes
    -----
    S = S0 (1 - q/C), beta = p0 V/C, tau = S0 t/V:
    p/p0 = (1 - beta)/(exp((1 - beta) tau) - beta), and 1/(1 + tau) at beta = 1.
    It ends at p0 (1 - 1/beta) if the film fills first.
    Valid: exact at constant temperature, speed falling linearly with what is held.  Nothing is raised.
    Source: own derivation: integration of the balance.

    Examples
    --------
    >>> round(float(sealed_pressure_finite_capacity(1.0, 0.5e-6, 1e-3, 1e-6, 1e-3)), 10)
    0.6126998368
    """
    beta = start * volume / capacity
    tau = speed * time / volume
    excess = 1.0 - beta
    # expm1 keeps the ratio exact near beta = 1, where it turns into 1/(1 + tau).
    growth = np.expm1(excess * tau) / excess if abs(excess) > 1e-12 else tau
    return start / (1.0 + growth)


@kernel
def sealed_time_finite_capacity(start, end, capacity, speed, volume):
    """Time in which a film of finite capacity brings a closed amount of gas from `start` to `end`.

    Parameters
    ----------
    start, end : float
        Pressures [Pa].
    capacity : float
        Capacity of the film [Pa m^3].
    speed : float
        Speed of the fresh film [m^3/s].
    volume : float
        Free volume [m^3].

    Returns
    -------
    float
        Time; not a number if the film fills first [s].

    Notes
    -----
    The inverse of `sealed_pressure_finite_capacity`.
    Valid: as `sealed_pressure_finite_capacity`.  Nothing is raised.
    Source: own derivation: inverse of `sealed_pressure_finite_capacity`.

    Examples
    --------
    >>> round(float(sealed_time_finite_capacity(1.0, 1e-3, 2e-6, 1e-3, 1e-6) * 1e3), 6)
    12.431215
    """
    excess = 1.0 - start * volume / capacity
    growth = start / end - 1.0
    if excess * growth <= -1.0:
        return np.nan
    return volume / speed * (np.log1p(excess * growth) / excess if abs(excess) > 1e-12 else growth)


@kernel
def sealed_life(capacity, load, speed, highest):
    """Time until a film under a steady load lets the pressure rise to `highest`.

    Parameters
    ----------
    capacity : float
        Capacity of the film [Pa m^3].
    load : float
        Gas load [Pa m^3/s].
    speed : float
        Speed of the fresh film [m^3/s].
    highest : float
        Pressure at which life ends [Pa].

    Returns
    -------
    float
        Time [s].

    Notes
    -----
    t = (C/Q) (1 - Q/(S0 p)), with the pressure always in balance (V/S0 far below C/Q).
    Valid: V/S0 far below C/Q.  Nothing is raised.
    Source: own derivation: balance of load and speed.

    Examples
    --------
    >>> round(float(sealed_life(1e-4, 1e-9, 5e-3, 1e-4)))
    99800
    """
    return capacity / load * (1.0 - load / (speed * highest))


@kernel
def _scaled_erfc(x):
    """exp(x^2) erfc(x), without overflow for large positive x."""
    if x < 0.0:
        return 2.0 * math.exp(x * x) - _scaled_erfc_positive(-x)
    return _scaled_erfc_positive(x)


@kernel
def _scaled_erfc_positive(x):
    """exp(x^2) erfc(x) for x >= 0; asymptotic series beyond 20, where it is good to 1e-13."""
    if x < 20.0:
        return math.exp(x * x) * math.erfc(x)
    inverse = 0.5 / (x * x)
    series = 1.0 - inverse * (1.0 - 3.0 * inverse * (1.0 - 5.0 * inverse * (1.0 - 7.0 * inverse * (1.0 - 9.0 * inverse))))
    return series / (x * math.sqrt(math.pi))


@kernel
def loaded_film(start_ratio, load_ratio, reduced_time):
    """Film of finite capacity under a steady load, without taking the pressure as balanced.

    Parameters
    ----------
    start_ratio : float
        beta0 = p0 V/C [1].
    load_ratio : float
        kappa = Q V/(S0 C), above zero [1].
    reduced_time : float
        tau = S0 t/V; kappa tau^2/2 below 600 [1].

    Returns
    -------
    tuple of float
        Gas y = p V/C and used share of the capacity theta = q/C [1].

    Notes
    -----
    dtheta/dtau = (1 - theta) y, y = beta0 + kappa tau - theta, a Bernoulli equation for 1 - theta,
    solved with error functions.
    Valid: exact at constant temperature, speed falling linearly with what is held.  Nothing is raised.
    Source: own derivation: integration of a Bernoulli equation.

    Examples
    --------
    >>> [round(x, 9) for x in loaded_film(0.0, 0.1, 10.0)]
    [0.252279277, 0.747720723]
    """
    middle = (1.0 - start_ratio) / load_ratio
    root = math.sqrt(0.5 * load_ratio)
    u = root * (reduced_time - middle)
    v = root * middle
    growth = math.exp((start_ratio - 1.0) * reduced_time + 0.5 * load_ratio * reduced_time * reduced_time)
    z = growth + math.sqrt(math.pi / (2.0 * load_ratio)) * (_scaled_erfc(-u) - growth * _scaled_erfc(v))
    used = 1.0 - 1.0 / z
    return start_ratio + load_ratio * reduced_time - used, used


@kernel
def bench_time_constant_source(capacity, speed, source_pressure, conductance, end_ratio):
    """Length of a bench test of a getter fed from a constant source through a conductance.

    Parameters
    ----------
    capacity : float
        Capacity of the film [Pa m^3].
    speed : float
        Speed of the fresh film [m^3/s].
    source_pressure : float
        Pressure of the source [Pa].
    conductance : float
        Conductance between source and getter [m^3/s].
    end_ratio : float
        Share of the first speed at which the test ends [1].

    Returns
    -------
    float
        Time [s].

    Notes
    -----
    t = (C/p_m) [ln(1/eps)/S0 + (1 - eps)/F], S = S0 (1 - q/C), volume neglected.
    Valid: exact with the volume neglected.  Nothing is raised.
    Source: own derivation: integration of the balance.

    Examples
    --------
    >>> round(float(bench_time_constant_source(1e-4, 5e-3, 1e-2, 1e-4, 0.05)), 3)
    100.991
    """
    return capacity / source_pressure * (-np.log(end_ratio) / speed + (1.0 - end_ratio) / conductance)


@kernel
def bench_time_constant_pressure(capacity, speed, pressure, end_ratio):
    """Length of a bench test of a getter held at constant pressure.

    Parameters
    ----------
    capacity : float
        Capacity of the film [Pa m^3].
    speed : float
        Speed of the fresh film [m^3/s].
    pressure : float
        Pressure held at the getter [Pa].
    end_ratio : float
        Share of the first speed at which the test ends [1].

    Returns
    -------
    float
        Time [s].

    Notes
    -----
    S = S0 exp(-S0 p t/C), so t = C/(S0 p) ln(1/eps).
    Valid: exact at constant pressure.  Nothing is raised.
    Source: own derivation: integration of the balance.

    Examples
    --------
    >>> round(float(bench_time_constant_pressure(1e-4, 5e-3, 1e-4, 0.05)), 3)
    599.146
    """
    return -capacity / (speed * pressure) * np.log(end_ratio)


@kernel
def ungettered_pressure(amount, temperature, volume):
    """Pressure of the gas that no getter takes: argon, helium, and methane left to itself.

    Parameters
    ----------
    amount : float
        Amount of those gases [mol].
    temperature : float
        Gas temperature [K].
    volume : float
        Free volume [m^3].

    Returns
    -------
    float
        Pressure, the floor of a sealed valve [Pa].

    Notes
    -----
    p = n R T/V.
    Valid: exact for an ideal gas.  Nothing is raised.
    Source: own derivation: ideal gas.

    Examples
    --------
    >>> round(float(ungettered_pressure(1e-12, 293.15, 12e-6)), 7)
    0.0002031
    """
    return amount * GAS_CONSTANT * temperature / volume
