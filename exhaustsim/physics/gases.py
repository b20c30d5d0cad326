"""Gases at rest: molecular speed, mean free path, viscosity of a gas and of a mixture, diffusion.

These are the properties that decide how gas leaves a valve.  At the pressure of the rough
exhaust the gas flows as a fluid and its viscosity matters; at the end of the schedule each
molecule runs from wall to wall and only its mean speed matters.

Public: `mean_speed`, `impingement_speed`, `viscosity_power_law`, `viscosity_slope`,
`mean_free_path`, `knudsen_number`, `rarefaction_parameter`, `wilke_factors`,
`mixture_viscosity`, `mutual_diffusivity`, `hard_sphere_diameter`.

Not modelled: gases that are not ideal (all pressures here are at most an atmosphere), oil and
metal vapours, thermal diffusion, the change of viscosity with pressure.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel
from exhaustsim.constants import AVOGADRO, BOLTZMANN, GAS_CONSTANT

#: Third-order Chapman-Enskog correction of the viscosity of hard spheres.
HARD_SPHERE_CORRECTION = 1.016034


@kernel
def mean_speed(temperature, molar_mass):
    """Mean thermal speed of the molecules of a gas.

    Parameters
    ----------
    temperature : float
        Gas temperature [K].
    molar_mass : float
        Molar mass [kg/mol].

    Returns
    -------
    float
        Mean speed [m/s].

    Notes
    -----
    v = sqrt(8 R T / (pi M)), the mean of the Maxwell distribution; ideal gas at rest.

    Valid: exact for an ideal gas at rest.  Nothing is raised.
    Source: definition in the kinetic theory of gases.

    Examples
    --------
    >>> round(float(mean_speed(293.15, 0.0289652)), 2)
    462.91
    """
    return np.sqrt(8.0 * GAS_CONSTANT * temperature / (np.pi * molar_mass))


@kernel
def impingement_speed(temperature, molar_mass):
    """Volume of gas that strikes unit area of wall in unit time.

    Parameters
    ----------
    temperature : float
        Gas temperature [K].
    molar_mass : float
        Molar mass [kg/mol].

    Returns
    -------
    float
        Volume per area and time [m/s]; 10 m/s is 1 L/(s cm2).

    Notes
    -----
    v/4; also the conductance per area of a thin aperture in molecular flow.

    Valid: exact for an ideal gas at rest.  Nothing is raised.
    Source: definition in the kinetic theory of gases.

    Examples
    --------
    >>> round(float(impingement_speed(293.15, 0.0289652)), 2)
    115.73
    """
    return 0.25 * mean_speed(temperature, molar_mass)


@kernel
def viscosity_power_law(temperature, viscosity_ref, temperature_ref, exponent):
    """Viscosity of a dilute gas at another temperature.

    Parameters
    ----------
    temperature : float
        Gas temperature [K].
    viscosity_ref : float
        Viscosity at the reference temperature [Pa s].
    temperature_ref : float
        Reference temperature [K].
    exponent : float
        Exponent of the temperature [1].

    Returns
    -------
    float
        Viscosity [Pa s].

    Notes
    -----
    mu = mu_ref (T/T_ref)^s.  With the exponents of `data/gases.toml` within 1.5 % of the
    tabled viscosities from 273 to 723 K; outside that range the error grows slowly.

    Valid: 273 to 723 K within 1.5 %.  Nothing is raised.
    Source: own derivation: power law of inverse-power molecules; exponents fitted, see `data/gases.toml`.

    Examples
    --------
    >>> round(float(viscosity_power_law(600.0, 1.75595e-5, 293.15, 0.7267)) * 1e6, 2)
    29.55
    """
    return viscosity_ref * (temperature / temperature_ref) ** exponent


@kernel
def viscosity_slope(temperature, viscosity_ref, temperature_ref, exponent):
    """Viscosity of a dilute gas and its growth with temperature.

    Parameters
    ----------
    temperature : float
        Gas temperature [K].
    viscosity_ref : float
        Viscosity at the reference temperature [Pa s].
    temperature_ref : float
        Reference temperature [K].
    exponent : float
        Exponent of the temperature [1].

    Returns
    -------
    tuple of float
        Viscosity [Pa s] and its derivative by temperature [Pa s/K].

    Notes
    -----
    As `viscosity_power_law`; d mu/dT = s mu/T.

    Valid: as `viscosity_power_law`.  Nothing is raised.
    Source: own derivation: derivative of `viscosity_power_law`.

    Examples
    --------
    >>> round(float(viscosity_slope(293.15, 1.75595e-5, 293.15, 0.7267)[1]) * 1e8, 3)
    4.353
    """
    viscosity = viscosity_power_law(temperature, viscosity_ref, temperature_ref, exponent)
    return viscosity, exponent * viscosity / temperature


@kernel
def mean_free_path(pressure, temperature, molar_mass, viscosity):
    """Mean free path of the molecules of a gas, from its viscosity.

    Parameters
    ----------
    pressure : float
        Gas pressure [Pa].
    temperature : float
        Gas temperature [K].
    molar_mass : float
        Molar mass [kg/mol].
    viscosity : float
        Viscosity at that temperature [Pa s].

    Returns
    -------
    float
        Mean free path [m].

    Notes
    -----
    lambda = (mu/p) sqrt(pi R T / (2 M)).  Hard-sphere definitions differ by 0.25 %, older
    ones (factor 0.499) by up to 2 %; a trade figure is good to a few per cent.

    Valid: exact as a definition; ideal gas.  Nothing is raised.
    Source: definition by viscosity, kinetic theory of gases.

    Examples
    --------
    >>> round(float(mean_free_path(1.0, 293.15, 0.0289652, 1.81911e-5)) * 1e3, 2)
    6.61
    """
    return viscosity / pressure * np.sqrt(0.5 * np.pi * GAS_CONSTANT * temperature / molar_mass)


@kernel
def knudsen_number(pressure, width, temperature, molar_mass, viscosity):
    """Mean free path against the width of a passage.

    Parameters
    ----------
    pressure : float
        Gas pressure [Pa].
    width : float
        Width of the passage, the bore of a tube [m].
    temperature : float
        Gas temperature [K].
    molar_mass : float
        Molar mass [kg/mol].
    viscosity : float
        Viscosity [Pa s].

    Returns
    -------
    float
        Knudsen number [1]: viscous flow below 0.01, molecular above 0.5 to 1.

    Notes
    -----
    Kn = lambda/d with `mean_free_path`.

    Valid: exact as a definition.  Nothing is raised.
    Source: definition; the limits of the regimes are usage of the trade.

    Examples
    --------
    >>> round(float(knudsen_number(2.2, 0.003, 293.15, 0.0289652, 1.81911e-5)), 2)
    1.0
    """
    return mean_free_path(pressure, temperature, molar_mass, viscosity) / width


@kernel
def rarefaction_parameter(pressure, radius, viscosity, temperature, molar_mass):
    """Radius against mean free path, as the flow laws use it.

    Parameters
    ----------
    pressure : float
        Gas pressure [Pa].
    radius : float
        Bore radius [m].
    viscosity : float
        Viscosity [Pa s].
    temperature : float
        Gas temperature [K].
    molar_mass : float
        Molar mass [kg/mol].

    Returns
    -------
    float
        Rarefaction parameter delta [1]: 0 in molecular, large in viscous flow.

    Notes
    -----
    delta = r p / (mu v0), v0 = sqrt(2 R T / M); delta = sqrt(pi) r / (2 lambda).

    Valid: exact as a definition.  Nothing is raised.
    Source: definition usual in kinetic theory.

    Examples
    --------
    >>> round(float(rarefaction_parameter(101325.0, 0.0015, 1.82e-5, 293.15, 0.0289652)))
    20356
    """
    return radius * pressure / (viscosity * np.sqrt(2.0 * GAS_CONSTANT * temperature / molar_mass))


@kernel
def wilke_factors(molar_mass, viscosity, out):
    """Fill the table of Wilke's mixing factors at one temperature.

    Parameters
    ----------
    molar_mass : array
        Molar mass of each gas [kg/mol].
    viscosity : array
        Viscosity of each gas at one temperature [Pa s].
    out : array
        (gas, gas) table to fill [1].

    Notes
    -----
    phi_ij = [1 + sqrt(mu_i/mu_j) (M_j/M_i)^(1/4)]^2 / sqrt(8 (1 + M_i/M_j)).
    The flow laws keep the table of 293 K at all temperatures.  Against the full rule the mixture
    viscosity moves at 673 K by at most 1.6 % without water, 2.5 % with water in other gases and
    4.3 % for water in helium; at the 480 K of a tube between a hot bulb and a cold head by 1.1,
    1.8 and 3.1 % (a test measures it).

    Valid: dilute gases; errors below.  Nothing is raised.
    Source: [Wilke1950], eq. 14.

    Examples
    --------
    >>> table = np.zeros((2, 2))
    >>> wilke_factors(np.array([0.002016, 0.028013]), np.array([8.8e-6, 17.56e-6]), table)
    >>> [round(float(x), 3) for x in table.ravel()]
    [1.0, 1.913, 0.275, 1.0]
    """
    for i in range(molar_mass.size):
        for j in range(molar_mass.size):
            root = np.sqrt(viscosity[i] / viscosity[j]) * (molar_mass[j] / molar_mass[i]) ** 0.25
            out[i, j] = (1.0 + root) ** 2 / np.sqrt(8.0 * (1.0 + molar_mass[i] / molar_mass[j]))


@kernel
def mixture_viscosity(shares, viscosity, factors):
    """Viscosity of a gas mixture.

    Parameters
    ----------
    shares : array
        Mole share (or partial pressure) of each gas, not all zero [1].
    viscosity : array
        Viscosity of each gas at the temperature of the mixture [Pa s].
    factors : array
        (gas, gas) table of `wilke_factors` [1].

    Returns
    -------
    float
        Viscosity [Pa s].

    Notes
    -----
    mu = sum_i x_i mu_i / sum_j x_j phi_ij.  Usually within 2 %; mixtures of hydrogen with heavy
    gases can be 5 to 10 % off.

    Valid: dilute gases, 2 %, hydrogen with heavy gases 5 to 10 %.  Nothing is raised.
    Source: [Wilke1950], eq. 13.

    Examples
    --------
    >>> table = np.ones((2, 2))
    >>> float(mixture_viscosity(np.array([0.25, 0.75]), np.array([2.0, 4.0]), table))
    3.5
    """
    total = 0.0
    for i in range(shares.size):
        below = 0.0
        for j in range(shares.size):
            below += shares[j] * factors[i, j]
        total += shares[i] * viscosity[i] / below
    return total


@kernel
def mutual_diffusivity(temperature, pressure, molar_mass_1, molar_mass_2, diameter_1, diameter_2):
    """Diffusivity of one gas in another.

    Parameters
    ----------
    temperature : float
        Gas temperature [K].
    pressure : float
        Pressure of the mixture [Pa].
    molar_mass_1, molar_mass_2 : float
        Molar masses of the two gases [kg/mol].
    diameter_1, diameter_2 : float
        Hard-sphere diameters from viscosity [m].

    Returns
    -------
    float
        Diffusivity [m^2/s].

    Notes
    -----
    D = 3/(8 n s^2) sqrt(k T / (2 pi m)), m the reduced mass, s the mean diameter, n = p/(k T).
    Real gases diffuse 11 to 27 % faster at room temperature, water in other gases 22 to 57 %,
    and all of them rather as T^1.75; the flow laws take 1.14 times the value of 293 K, scaled so.

    Valid: exact for hard spheres; real gases 11 to 57 % faster, see below.  Nothing is raised.
    Source: own derivation: Chapman-Enskog theory, first approximation for hard spheres.

    Examples
    --------
    >>> d = mutual_diffusivity(293.15, 101325.0, 0.004003, 0.028013, 2.1765e-10, 3.7414e-10)
    >>> round(float(d) * 1e4, 3)
    0.569
    """
    reduced = molar_mass_1 * molar_mass_2 / ((molar_mass_1 + molar_mass_2) * AVOGADRO)
    spacing = 0.5 * (diameter_1 + diameter_2)
    density = pressure / (BOLTZMANN * temperature)
    return 0.375 / (density * spacing**2) * np.sqrt(BOLTZMANN * temperature / (2.0 * np.pi * reduced))


@kernel
def hard_sphere_diameter(viscosity, temperature, molar_mass):
    """Diameter of the hard sphere that has the viscosity of the gas.

    Parameters
    ----------
    viscosity : float
        Viscosity [Pa s].
    temperature : float
        Temperature of that viscosity [K].
    molar_mass : float
        Molar mass [kg/mol].

    Returns
    -------
    float
        Diameter [m].

    Notes
    -----
    mu = 1.016034 (5/16) sqrt(m k T/pi)/d^2.  Not the "kinetic" diameter of the sieve tables.

    Valid: exact for hard spheres.  Nothing is raised.
    Source: own derivation: Chapman-Enskog theory, third-order viscosity of hard spheres.

    Examples
    --------
    >>> round(float(hard_sphere_diameter(1.75595e-5, 293.15, 0.02801348)) * 1e10, 3)
    3.741
    """
    mass = molar_mass / AVOGADRO
    return np.sqrt(
        HARD_SPHERE_CORRECTION * 0.3125 / viscosity * np.sqrt(mass * BOLTZMANN * temperature / np.pi)
    )
