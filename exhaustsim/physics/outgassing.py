"""Gas held in the parts of a valve and how it comes out: from surfaces, and from inside a sheet.

Water sits on glass, mica and oxide-covered metal with bindings of every strength between weak
and strong.  Weakly held water leaves at once, strongly held water only in the oven, and what
leaves at any moment is held by about R T ln(nu t): hence a rate that falls as one over time
while the part is cold, and a fresh burst when it is warmed.  Hydrogen and carbon monoxide come
from inside the metal, at a pace set by diffusion through the sheet; the clock of a sheet runs
with its temperature, and the share released depends on that clock alone.

Public: `rate_constant`, `rate_constant_slope`, `diffusivity`, `diffusivity_slope` (Arrhenius);
`slab_released`, `slab_release`, `slab_release_slope` (sheet); `empirical_rate`;
`bin_spacing_limit`.  What can be reckoned by hand about spread bindings is in `desorption`.

Not modelled: lateral forces between molecules on a surface, second-order desorption, trapping
of hydrogen in metal, pairing of atoms at the surface as the slow step, a composition of the
gas that changes with depth, and diffusion from both halves of a sheet at two temperatures.
"""

from __future__ import annotations

import math

from exhaustsim.compiled import kernel
from exhaustsim.constants import GAS_CONSTANT

#: Diffusion number at which the sheet's short-time form hands over to the long-time series.
SLAB_SEAM = 0.05
#: Diffusion number below which the release of a sheet is held at its value there.
SLAB_FLOOR = 1e-12
#: Age at which an empirical one-over-time law levels off [s].
YOUNGEST_AGE = 0.1
#: The age at which empirical rates are quoted [s].
ONE_HOUR = 3600.0


@kernel
def rate_constant(prefactor, energy, temperature):
    """Rate constant of a process with an activation energy.

    Parameters
    ----------
    prefactor : float
        Attempt frequency [1/s] (or any unit, which the result then has).
    energy : float
        Activation energy [J/mol].
    temperature : float
        Temperature of the part [K], above zero.

    Returns
    -------
    float
        Rate constant [1/s].

    Notes
    -----
    k = prefactor exp(-E/(R T)).

    Valid: exact for one activation energy.  Nothing is raised.
    Source: own derivation: Arrhenius' law.

    Examples
    --------
    >>> round(float(1.0 / rate_constant(1e13, 100e3, 373.15)), 2)
    9.95
    """
    return prefactor * math.exp(-energy / (GAS_CONSTANT * temperature))


@kernel
def rate_constant_slope(prefactor, energy, temperature):
    """Rate constant and its growth with temperature.

    Parameters
    ----------
    prefactor : float
        Attempt frequency [1/s].
    energy : float
        Activation energy [J/mol].
    temperature : float
        Temperature of the part [K].

    Returns
    -------
    tuple of float
        Rate constant [1/s] and its derivative by temperature [1/(s K)].

    Notes
    -----
    dk/dT = k E/(R T^2).

    Valid: as `rate_constant`.  Nothing is raised.
    Source: own derivation: derivative of `rate_constant`.

    Examples
    --------
    >>> k, slope = rate_constant_slope(1e13, 100e3, 373.15)
    >>> round(float(slope / k), 5)
    0.08638
    """
    exponent = energy / (GAS_CONSTANT * temperature)
    k = prefactor * math.exp(-exponent)
    return k, k * exponent / temperature


@kernel
def diffusivity(prefactor, energy, temperature):
    """Diffusivity of a gas in a solid.

    Parameters
    ----------
    prefactor : float
        Diffusivity at infinite temperature [m^2/s].
    energy : float
        Activation energy [J/mol].
    temperature : float
        Temperature of the part [K].

    Returns
    -------
    float
        Diffusivity [m^2/s].

    Notes
    -----
    D = D0 exp(-E/(R T)).

    Valid: as far as the constants were measured, see `data/outgassing.toml`.  Nothing is raised.
    Source: own derivation: Arrhenius' law.

    Examples
    --------
    >>> f"{float(diffusivity(9.2e-7, 41.4e3, 873.15)):.3e}"
    '3.070e-09'
    """
    return prefactor * math.exp(-energy / (GAS_CONSTANT * temperature))


@kernel
def diffusivity_slope(prefactor, energy, temperature):
    """Diffusivity and its growth with temperature.

    Parameters
    ----------
    prefactor : float
        Diffusivity at infinite temperature [m^2/s] (divide by the thickness squared for the
        rate of the diffusion clock).
    energy : float
        Activation energy [J/mol].
    temperature : float
        Temperature of the part [K].

    Returns
    -------
    tuple of float
        Diffusivity [m^2/s] and its derivative by temperature [m^2/(s K)].

    Notes
    -----
    dD/dT = D E/(R T^2).

    Valid: as `diffusivity`.  Nothing is raised.
    Source: own derivation: derivative of `diffusivity`.

    Examples
    --------
    >>> d, slope = diffusivity_slope(9.2e-7, 41.4e3, 873.15)
    >>> round(float(slope / d), 6)
    0.006531
    """
    exponent = energy / (GAS_CONSTANT * temperature)
    d = prefactor * math.exp(-exponent)
    return d, d * exponent / temperature


@kernel
def _integrated_error_function(x):
    """First integral of the complementary error function, from x to infinity."""
    return math.exp(-x * x) / math.sqrt(math.pi) - x * math.erfc(x)


@kernel
def slab_released(clock):
    """Share of its gas that a sheet has released through both faces.

    Parameters
    ----------
    clock : float
        Diffusion number, the integral of D dt over the thickness squared [1]; full
        thickness, both faces at zero concentration, gas evenly spread at clock 0.
        A sheet with one sealed face is a sheet of twice its thickness.

    Returns
    -------
    float
        Share released, 0 to 1 [1].

    Notes
    -----
    F = 1 - sum over odd m of 8/(m^2 pi^2) exp(-m^2 pi^2 Fo) above Fo = 0.05, and
    F = 4 sqrt(Fo/pi) + 8 sqrt(Fo) sum (-1)^n ierfc(n/(2 sqrt(Fo))) below it; both exact, to
    1e-14 at the seam.  Holds for any course of temperature.  Below 0 the result is 0.

    Valid: exact to 1e-14 for a sheet that begins evenly filled, faces empty.  Nothing is raised.
    Source: [Crank1975], plane sheet with constant surface concentration, both forms (from memory).

    Examples
    --------
    >>> round(float(slab_released(0.01)), 7), round(float(slab_released(0.1)), 7)
    (0.2256758, 0.6978819)
    """
    if clock < SLAB_SEAM:
        root = math.sqrt(max(clock, 0.0))
        if root < 0.02:  # the further terms are below exp(-600)
            return 4.0 * root / math.sqrt(math.pi)
        half = 0.5 / root
        images = (
            -_integrated_error_function(half)
            + _integrated_error_function(2.0 * half)
            - _integrated_error_function(3.0 * half)
        )
        return root * (4.0 / math.sqrt(math.pi) + 8.0 * images)
    q = math.exp(-math.pi * math.pi * clock)
    q8 = q**8
    q24 = q8 * q8 * q8
    left = q * (1.0 + q8 / 9.0 + q24 / 25.0 + q24 * q24 / 49.0 + q24 * q24 * q24 * q8 / 81.0)
    return 1.0 - 8.0 / (math.pi * math.pi) * left


@kernel
def slab_release(clock):
    """Share that a sheet releases per unit of its diffusion clock.

    Parameters
    ----------
    clock : float
        Diffusion number [1], see `slab_released`.

    Returns
    -------
    float
        Derivative of the share released by the clock [1]; times D/L^2 it is per second.

    Notes
    -----
    F' = 8 sum over odd m of exp(-m^2 pi^2 Fo) above Fo = 0.05, and
    F' = 2/sqrt(pi Fo) (1 + 2 sum (-1)^n exp(-n^2/(4 Fo))) below: the same function twice.
    Below clock 1e-12 held at its value there.

    Valid: as `slab_released`; held below clock 1e-12.  Nothing is raised.
    Source: own derivation: derivative of `slab_released`; the two forms are one theta function.

    Examples
    --------
    >>> round(float(slab_release(0.1)), 5)
    2.98277
    """
    return slab_release_slope(clock)[0]


@kernel
def slab_release_slope(clock):
    """Release of a sheet per unit of its clock, and its further change.

    Parameters
    ----------
    clock : float
        Diffusion number [1], see `slab_released`.

    Returns
    -------
    tuple of float
        F' [1] and F'' [1] by the clock.

    Notes
    -----
    See `slab_release`.  The two forms meet at Fo = 0.05 to 1e-14 in F' and F''.  Below
    clock 1e-12 F' is held and F'' is 0: a stated kink, out of reach of a sheet with an age.

    Valid: as `slab_release`.  Nothing is raised.
    Source: own derivation: derivative of `slab_release`.

    Examples
    --------
    >>> first, second = slab_release_slope(0.1)
    >>> round(float(second), 4)
    -29.5264
    """
    if clock < SLAB_SEAM:
        if clock < SLAB_FLOOR:
            return 2.0 / math.sqrt(math.pi * SLAB_FLOOR), 0.0
        front = 2.0 / math.sqrt(math.pi * clock)
        if clock < 4e-4:  # the further terms are below exp(-600)
            return front, -0.5 * front / clock
        quarter = 0.25 / clock
        e = math.exp(-quarter)
        e4 = e * e * e * e
        e9 = e4 * e4 * e
        theta = 1.0 - 2.0 * e + 2.0 * e4 - 2.0 * e9
        growth = (-2.0 * e + 8.0 * e4 - 18.0 * e9) * quarter / clock
        return front * theta, front * (growth - 0.5 * theta / clock)
    q = math.exp(-math.pi * math.pi * clock)
    q8 = q**8
    q24 = q8 * q8 * q8
    q48 = q24 * q24
    q80 = q48 * q24 * q8
    first = 8.0 * q * (1.0 + q8 + q24 + q48 + q80)
    second = q * (1.0 + 9.0 * q8 + 25.0 * q24 + 49.0 * q48 + 81.0 * q80)
    return first, -8.0 * math.pi * math.pi * second


@kernel
def empirical_rate(rate_one_hour, exponent, age):
    """Release rate of a part by the law that fits most pump-down curves.

    Parameters
    ----------
    rate_one_hour : float
        Rate at an age of one hour [mol/s], or any other rate unit, which the result then has.
    exponent : float
        Exponent of the decay [1]: about 1 for air-exposed metal and glass, 0.5 for rubber.
    age : float
        Time under vacuum [s].

    Returns
    -------
    tuple of float
        Rate [mol/s] and its derivative by age [mol/s^2].

    Notes
    -----
    q = q1 (t/1 h)^-n with t = sqrt(age^2 + (0.1 s)^2), so that the rate is finite at age 0;
    from 10 s on this changes it by less than 1e-4.  For a part at one temperature: do not
    multiply it by an Arrhenius factor for a bake, use spread bindings instead.

    Valid: one part at one temperature, from minutes to days.  Nothing is raised.
    Source: form of the tables in [Elsey1975] (from memory).

    Examples
    --------
    >>> round(float(empirical_rate(3e-6, 1.0, 36000.0)[0]), 12)
    3e-07
    """
    square = age * age + YOUNGEST_AGE * YOUNGEST_AGE
    rate = rate_one_hour * (math.sqrt(square) / ONE_HOUR) ** (-exponent)
    return rate, -exponent * rate * age / square


@kernel
def bin_spacing_limit(temperature):
    """Widest spacing of binding-energy bins whose ripple in the release is lost in other errors.

    Parameters
    ----------
    temperature : float
        Lowest temperature of the part [K].

    Returns
    -------
    float
        Spacing [J/mol].

    Notes
    -----
    2 R T.  The release of bins spaced dE waves about that of the evenly filled band by
    2 sqrt(pi y/sinh(pi y)) with y = 2 pi R T/dE: 6.4 % at 2 R T, 1.5 % at 1.5 R T, 0.07 % at
    R T, 53 % at 4 R T.  Amounts in bins are known to a factor of three at best.

    Valid: constant temperature, amounts known to a factor of three at best.  Nothing is raised.
    Source: own derivation: Poisson sum over the bins, checked in `tests/laws/test_outgassing.py`.

    Examples
    --------
    >>> round(float(bin_spacing_limit(293.15)))
    4875
    """
    return 2.0 * GAS_CONSTANT * temperature
