"""Helium through the bulb wall: a matter of years on the shelf, not of seconds on the machine.

Helium of the air dissolves in the glass, diffuses through it and comes out inside.  A new wall
lets nothing through until the helium has crossed it (the lag); then the flow is proportional
to the difference of helium pressure.  A barium mirror does not take helium.

Public: `glass_conductivity`, `permeation_flow`, `lag_factor`, `lag_factor_slope`,
`lag_time`, `wall_passed`, `sealed_helium_pressure`, `sealed_time_constant`.

Not modelled: hydrogen and neon through glass, argon, oxygen and nitrogen (none pass), helium
left in the wall by the exhaust, temperature differences across the wall, and the small change
of the lag by helium already inside.
"""

from __future__ import annotations

import math

from exhaustsim.compiled import kernel
from exhaustsim.constants import GAS_CONSTANT

#: Temperature at which the conductivities of the data table are quoted [K].
QUOTED_TEMPERATURE = 298.15
#: Diffusion number at which the form for young walls hands over to the series for old ones.
LAG_SEAM = 0.2


@kernel
def glass_conductivity(conductivity_quoted, energy, temperature):
    """Permeation conductivity of a glass for helium at another temperature.

    Parameters
    ----------
    conductivity_quoted : float
        Conductivity at 298.15 K [mol/(m s Pa)].
    energy : float
        Activation energy [J/mol].
    temperature : float
        Wall temperature [K].

    Returns
    -------
    float
        Conductivity [mol/(m s Pa)].

    Notes
    -----
    K = K298 exp(-(E/R)(1/T - 1/298.15)).

    Valid: room temperature to the strain point, as far as the constants were measured.
    Nothing is raised.
    Source: own derivation: Arrhenius' law; constants in `data/permeation.toml`.

    Examples
    --------
    >>> round(float(glass_conductivity(1.0, 27e3, 373.15)), 2)
    8.93
    """
    return conductivity_quoted * math.exp(-energy / GAS_CONSTANT * (1.0 / temperature - 1.0 / QUOTED_TEMPERATURE))


@kernel
def permeation_flow(conductivity, area, thickness, pressure_outside, pressure_inside, lag):
    """Flow of helium through a wall into a valve.

    Parameters
    ----------
    conductivity : float
        Permeation conductivity at the wall temperature [mol/(m s Pa)].
    area : float
        Wall area [m^2].
    thickness : float
        Wall thickness [m].
    pressure_outside : float
        Partial pressure of helium outside [Pa]; 0.531 Pa in air at one atmosphere.
    pressure_inside : float
        Partial pressure of helium in the bulb [Pa].
    lag : float
        Share of the steady flow that has come through, `lag_factor` of the wall's clock [1].

    Returns
    -------
    float
        Flow inwards [mol/s]; negative when helium leaves.

    Notes
    -----
    K A (p_out lag - p_in)/l.  Helium goes through glass as molecules, so linearly in pressure.

    Valid: exact for a linear law in a wall thin against its radius.  Nothing is raised.
    Source: own derivation: Fick's law with Henry's law at both faces.

    Examples
    --------
    >>> f"{float(permeation_flow(3.3464e-18, 80e-4, 1e-3, 0.5309, 0.0, 1.0)):.3e}"
    '1.421e-17'
    """
    return conductivity * area / thickness * (pressure_outside * lag - pressure_inside)


@kernel
def lag_factor(clock):
    """Share of the steady flow that a wall, empty at first, lets through.

    Parameters
    ----------
    clock : float
        Diffusion number of the wall, the integral of D dt over thickness squared [1].

    Returns
    -------
    float
        Share, 0 to 1 [1].

    Notes
    -----
    1 + 2 sum (-1)^n exp(-n^2 pi^2 Fo); below Fo = 0.2 as
    2/sqrt(pi Fo) sum over odd m of exp(-m^2/(4 Fo)): exact, smooth and 0 at clock 0 and below.

    Valid: exact for a wall empty at first, outside pressure constant.  Nothing is raised.
    Source: [Crank1975], flow through a plane sheet (from memory).

    Examples
    --------
    >>> round(float(lag_factor(1.0 / 6.0)), 4)
    0.6168
    """
    return lag_factor_slope(clock)[0]


@kernel
def lag_factor_slope(clock):
    """Share of the steady flow through a young wall, and its growth.

    Parameters
    ----------
    clock : float
        Diffusion number of the wall [1].

    Returns
    -------
    tuple of float
        Share [1] and its derivative by the clock [1].

    Notes
    -----
    See `lag_factor`; the two forms meet at 1e-14 in value and slope.

    Valid: as `lag_factor`.  Nothing is raised.
    Source: own derivation: derivative of `lag_factor`.

    Examples
    --------
    >>> value, slope = lag_factor_slope(0.0)
    >>> float(value), float(slope)
    (0.0, 0.0)
    """
    if clock < LAG_SEAM:
        if clock < 1e-3:  # below exp(-250)
            return 0.0, 0.0
        quarter = 0.25 / clock
        e = math.exp(-quarter)
        e8 = e**8
        e24 = e8 * e8 * e8
        front = 2.0 / math.sqrt(math.pi * clock)
        total = e * (1.0 + e8 + e24)
        growth = e * (1.0 + 9.0 * e8 + 25.0 * e24) * quarter / clock
        return front * total, front * (growth - 0.5 * total / clock)
    q = math.exp(-math.pi * math.pi * clock)
    q3 = q * q * q
    q8 = q3 * q3 * q * q
    q15 = q8 * q3 * q3 * q
    q24 = q8 * q8 * q8
    value = 1.0 - 2.0 * q * (1.0 - q3 + q8 - q15 + q24)
    slope = 2.0 * math.pi * math.pi * q * (1.0 - 4.0 * q3 + 9.0 * q8 - 16.0 * q15 + 25.0 * q24)
    return value, slope


@kernel
def lag_time(thickness, diffusivity):
    """Time lag of a wall that is empty at first.

    Parameters
    ----------
    thickness : float
        Wall thickness [m].
    diffusivity : float
        Diffusivity of helium in the glass [m^2/s].

    Returns
    -------
    float
        Time [s] at which the straight line of late transmission meets zero.

    Notes
    -----
    l^2/(6 D).

    Valid: exact for a wall empty at first.  Nothing is raised.
    Source: [Crank1975], time lag (from memory).

    Examples
    --------
    >>> round(float(lag_time(1e-3, 1.5e-12)) / 86400.0, 2)
    1.29
    """
    return thickness * thickness / (6.0 * diffusivity)


@kernel
def wall_passed(clock):
    """Gas that has come through a wall, empty at first, over what the full wall would hold.

    Parameters
    ----------
    clock : float
        Diffusion number of the wall [1], above 0.

    Returns
    -------
    float
        Amount over thickness x area x concentration at the outer face [1].

    Notes
    -----
    Fo - 1/6 - (2/pi^2) sum (-1)^n/n^2 exp(-n^2 pi^2 Fo): the integral of `lag_factor`.
    Twelve terms: below Fo = 0.01, where nothing has passed, the error reaches 1e-7.

    Valid: exact above clock 0.01, an error of 1e-7 below.  Nothing is raised.
    Source: [Crank1975], flow through a plane sheet (from memory).

    Examples
    --------
    >>> round(float(wall_passed(0.5)), 5)
    0.33479
    """
    total = 0.0
    sign = 1.0
    for n in range(1, 13):
        sign = -sign
        total += sign / (n * n) * math.exp(-n * n * math.pi * math.pi * clock)
    return clock - 1.0 / 6.0 - 2.0 / (math.pi * math.pi) * total


@kernel
def sealed_time_constant(volume, thickness, conductivity, area, temperature):
    """Time constant with which the helium in a sealed valve nears that outside.

    Parameters
    ----------
    volume : float
        Bulb volume [m^3].
    thickness : float
        Wall thickness [m].
    conductivity : float
        Permeation conductivity [mol/(m s Pa)].
    area : float
        Wall area [m^2].
    temperature : float
        Gas temperature [K].

    Returns
    -------
    float
        Time [s].

    Notes
    -----
    V l/(K A R T).

    Valid: exact for a wall in balance.  Nothing is raised.
    Source: own derivation: balance of the bulb.

    Examples
    --------
    >>> round(float(sealed_time_constant(50e-6, 1e-3, 3.3464e-18, 80e-4, 295.0)) / 31557600.0, 1)
    24.1
    """
    return volume * thickness / (conductivity * area * GAS_CONSTANT * temperature)


@kernel
def sealed_helium_pressure(pressure_outside, time, time_constant):
    """Helium pressure in a sealed valve whose wall is already full of helium.

    Parameters
    ----------
    pressure_outside : float
        Partial pressure of helium outside [Pa].
    time : float
        Time since sealing [s].
    time_constant : float
        See `sealed_time_constant` [s].

    Returns
    -------
    float
        Partial pressure of helium in the bulb [Pa].

    Notes
    -----
    p = p_out (1 - exp(-t/tau)); no lag: an upper bound for a wall that was empty.

    Valid: exact for a wall in balance, an upper bound before.  Nothing is raised.
    Source: own derivation: balance of the bulb.

    Examples
    --------
    >>> round(float(sealed_helium_pressure(0.5309, 1.0, 24.1)), 4)
    0.0216
    """
    return -pressure_outside * math.expm1(-time / time_constant)
