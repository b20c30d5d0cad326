"""Desorption reckoned by hand: closed forms that the bins of the engine are held against.

Cold glass gives off water as one over time because its bindings are spread: at any moment the
sites at R T ln(nu t) are emptying, and there are equally many at every energy.  These laws say
so in closed form for a part at one temperature, with or without gas returning to the surface,
and for a steady warm-up.  The engine does not call them; tests and lessons do.

Public: `residence_time`, `erosion_front_energy`, `band_desorption_flux`, `band_remaining`,
`readsorption_pressure`, `readsorption_factor`, `single_state_bound`, `peak_energy_redhead`,
`peak_energy_first_order`, `exponential_integral`.

Not modelled: changing temperature other than a steady warm-up, second-order desorption, forces
between molecules on the surface.
"""

from __future__ import annotations

import math

import numpy as np

from exhaustsim.compiled import kernel
from exhaustsim.constants import GAS_CONSTANT


@kernel
def residence_time(attempt_time, energy, temperature):
    """Mean time a molecule stays on a surface.

    Parameters
    ----------
    attempt_time : float
        Time of one vibration [s], usually 1e-13.
    energy : float
        Binding energy [J/mol].
    temperature : float
        Surface temperature [K].

    Returns
    -------
    float
        Time [s].

    Notes
    -----
    tau = tau0 exp(E/(R T)).

    Valid: one binding energy, first order.  Nothing is raised.
    Source: own derivation: Frenkel's relation, the inverse of the Arrhenius rate.

    Examples
    --------
    >>> round(float(residence_time(1e-13, 90e3, 295.0)))
    862
    """
    return attempt_time * math.exp(energy / (GAS_CONSTANT * temperature))


@kernel
def erosion_front_energy(attempt_frequency, temperature, time):
    """Binding energy of the sites that are emptying now.

    Parameters
    ----------
    attempt_frequency : float
        Attempt frequency [1/s].
    temperature : float
        Surface temperature, constant since time 0 [K].
    time : float
        Time under vacuum [s], well above one over the attempt frequency.

    Returns
    -------
    float
        Energy [J/mol].

    Notes
    -----
    E* = R T ln(nu t).

    Valid: constant temperature, nu t far above 1.  Nothing is raised.
    Source: own derivation: maximum of k exp(-k t) over energy.

    Examples
    --------
    >>> round(float(erosion_front_energy(1e13, 295.0, 3600.0)))
    93505
    """
    return GAS_CONSTANT * temperature * math.log(attempt_frequency * time)


@kernel
def band_desorption_flux(amount, energy_low, energy_high, attempt_frequency, temperature, time):
    """Release from sites spread evenly over a band of binding energies.

    Parameters
    ----------
    amount : float
        Gas on the whole band at time 0, all sites full [mol/m^2] (or any unit).
    energy_low, energy_high : float
        Ends of the band [J/mol].
    attempt_frequency : float
        Attempt frequency [1/s].
    temperature : float
        Surface temperature, constant [K].
    time : float
        Time under vacuum [s], above 0.

    Returns
    -------
    float
        Release rate [mol/(m^2 s)].

    Notes
    -----
    (N R T/dE) (exp(-k_slow t) - exp(-k_fast t))/t; no gas returns to the surface.

    Valid: exact for a flat band at constant temperature without return of gas.  Nothing is raised.
    Source: own derivation: integral of the first-order rate over the band.

    Examples
    --------
    >>> flux = band_desorption_flux(1e19, 70e3, 110e3, 1e13, 295.0, 3600.0)
    >>> f"{float(flux) * 1.380649e-23 * 295.0:.4e}"
    '6.9291e-07'
    """
    rt = GAS_CONSTANT * temperature
    slow = attempt_frequency * math.exp(-energy_high / rt)
    fast = attempt_frequency * math.exp(-energy_low / rt)
    return amount * rt / (energy_high - energy_low) * (math.exp(-slow * time) - math.exp(-fast * time)) / time


@kernel
def band_remaining(energy_low, energy_high, attempt_frequency, temperature, time):
    """Share of the gas still held on an evenly filled band of binding energies.

    Parameters
    ----------
    energy_low, energy_high : float
        Ends of the band [J/mol].
    attempt_frequency : float
        Attempt frequency [1/s].
    temperature : float
        Surface temperature, constant [K].
    time : float
        Time under vacuum [s], above 0.

    Returns
    -------
    float
        Share still held [1].

    Notes
    -----
    (R T/dE) (E1(k_slow t) - E1(k_fast t)), E1 the exponential integral.

    Valid: exact for a flat band at constant temperature without return of gas.  Nothing is raised.
    Source: own derivation: integral of exp(-k t) over the band.

    Examples
    --------
    >>> round(float(band_remaining(70e3, 110e3, 1e13, 295.0, 3600.0)), 5)
    0.37705
    """
    rt = GAS_CONSTANT * temperature
    slow = attempt_frequency * math.exp(-energy_high / rt) * time
    fast = attempt_frequency * math.exp(-energy_low / rt) * time
    return rt / (energy_high - energy_low) * (exponential_integral(slow) - exponential_integral(fast))


@kernel
def exponential_integral(x):
    """Exponential integral E1.

    Parameters
    ----------
    x : float
        Argument [1], above 0.

    Returns
    -------
    float
        Integral of exp(-u)/u from x to infinity [1].

    Notes
    -----
    Power series up to 1, continued fraction above; relative error below 1e-13.

    Valid: x above 0, relative error below 1e-13.  Nothing is raised.
    Source: own derivation: standard series and continued fraction, compared with another library in the tests.

    Examples
    --------
    >>> round(float(exponential_integral(1.0)), 10)
    0.2193839344
    """
    if x <= 1.0:
        term = -1.0
        total = 0.0
        for n in range(1, 25):
            term *= -x / n
            total += term / n
        return -np.euler_gamma - math.log(x) + total
    if x > 700.0:
        return 0.0
    fraction = 0.0
    for n in range(120, 0, -1):
        fraction = n / (1.0 + n / (x + fraction))
    return math.exp(-x) / (x + fraction)


@kernel
def readsorption_pressure(amount, band_width, temperature, speed, time):
    """Late pressure over a wide band of binding energies that gas returns to freely.

    Parameters
    ----------
    amount : float
        Gas on all surfaces at time 0, whole band full [mol].
    band_width : float
        Width of the band [J/mol].
    temperature : float
        Temperature of gas and surface [K].
    speed : float
        Pumping speed at the valve [m^3/s].
    time : float
        Time under vacuum [s].

    Returns
    -------
    float
        Bulb pressure [Pa].

    Notes
    -----
    p = n (R T)^2/(dE S t): the same as without return of gas, whatever the sticking; only
    inside the band.

    Valid: inside a flat band, gas in balance with the surface.  Nothing is raised.
    Source: own derivation: quasi-equilibrium of the band; confirmed by integration in the tests.

    Examples
    --------
    >>> round(float(readsorption_pressure(2e-7, 120e3, 293.15, 4e-5, 10.0)), 4)
    0.0248
    """
    rt = GAS_CONSTANT * temperature
    return amount * rt * rt / (band_width * speed * time)


@kernel
def readsorption_factor(sticking, area, mean_speed, speed):
    """How much longer one binding energy takes to clear because gas returns to the surface.

    Parameters
    ----------
    sticking : float
        Sticking probability on bare sites [1].
    area : float
        Area that gas can return to [m^2].
    mean_speed : float
        Mean speed of the molecules [m/s].
    speed : float
        Pumping speed at the valve [m^3/s].

    Returns
    -------
    float
        Factor on the residence time [1].

    Notes
    -----
    1 + s A v/(4 S), low coverage.

    Valid: low coverage.  Nothing is raised.
    Source: own derivation: balance of one state and the gas above it.

    Examples
    --------
    >>> round(float(readsorption_factor(0.01, 0.014, 588.83, 1e-4)), 1)
    207.1
    """
    return 1.0 + sticking * area * mean_speed / (4.0 * speed)


@kernel
def single_state_bound(amount, time):
    """Highest release that any one binding energy can show at a given time.

    Parameters
    ----------
    amount : float
        Gas in that state at time 0 [mol].
    time : float
        Time under vacuum [s].

    Returns
    -------
    float
        Release rate [mol/s].

    Notes
    -----
    n/(e t), reached when the residence time equals t.

    Valid: exact.  Nothing is raised.
    Source: own derivation: maximum of n k exp(-k t) over k.

    Examples
    --------
    >>> round(float(single_state_bound(1.0, 1.0)), 4)
    0.3679
    """
    return amount / (math.e * time)


@kernel
def peak_energy_redhead(peak_temperature, attempt_frequency, heating_rate):
    """Binding energy from the temperature of fastest release in a steady warm-up.

    Parameters
    ----------
    peak_temperature : float
        Temperature of fastest release [K].
    attempt_frequency : float
        Attempt frequency [1/s].
    heating_rate : float
        Heating rate [K/s].

    Returns
    -------
    float
        Binding energy [J/mol].

    Notes
    -----
    E = R Tp (ln(nu Tp/beta) - 3.64), first order; within 1.5 % for nu/beta of 1e8 to 1e13 1/K.
    The constant is sometimes misprinted 3.46.

    Valid: first order, nu/beta of 1e8 to 1e13 1/K within 1.5 %.  Nothing is raised.
    Source: [Redhead1962]; abstract read, constant from a text quoting it.

    Examples
    --------
    >>> round(float(peak_energy_redhead(400.0, 1e13, 1.0)))
    107373
    """
    r_tp = GAS_CONSTANT * peak_temperature
    return r_tp * (math.log(attempt_frequency * peak_temperature / heating_rate) - 3.64)


@kernel
def peak_energy_first_order(peak_temperature, attempt_frequency, heating_rate):
    """As `peak_energy_redhead`, without its approximation.

    Parameters
    ----------
    peak_temperature : float
        Temperature of fastest release [K].
    attempt_frequency : float
        Attempt frequency [1/s].
    heating_rate : float
        Heating rate [K/s].

    Returns
    -------
    float
        Binding energy [J/mol].

    Notes
    -----
    Root of E/(R Tp^2) = (nu/beta) exp(-E/(R Tp)), by Newton's rule on x = E/(R Tp).

    Valid: exact for first order and a steady rate of heating.  Nothing is raised.
    Source: own derivation: condition of the maximum; approximated in [Redhead1962].

    Examples
    --------
    >>> round(float(peak_energy_first_order(400.0, 1e13, 1.0)))
    107907
    """
    wanted = math.log(attempt_frequency * peak_temperature / heating_rate)
    x = max(wanted - 3.64, 0.1)
    for _ in range(40):
        x -= (x + math.log(x) - wanted) / (1.0 + 1.0 / x)
    return x * GAS_CONSTANT * peak_temperature
