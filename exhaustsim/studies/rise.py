"""How the pressure rises in a volume that has been closed off, for every sort of source by itself: the laws, in closed form.

A leak goes on at one rate, so the rise is straight.  A reservoir runs empty and the rise levels.
Water held with bindings of every strength comes off ever more slowly, the longer it has been
pumped, and the rise bends over without an end.  A trapped volume behind a narrow passage runs out
as an exponential while the passage is molecular, and as a hyperbola while it is viscous.  Walls
that take gas back level the rise, or make the pressure fall.

Four of these laws are the same curve, a level approached exponentially: reservoir, trapped volume
with a molecular passage, gas taken back by the wall, gas taken up for good.  No fit to one rise can
tell them apart; `studies.risefit` says so, and which experiment can.

Gas is at one temperature throughout.  Amounts of gas are pressure times volume [Pa m3], flows are
[Pa m3/s]; divide by R T for moles.  Not modelled: gas that the gauge pumps or gives off, a wall
whose temperature drifts, lag of the gauge.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.constants import GAS_CONSTANT
from exhaustsim.physics.gases import mean_speed
from exhaustsim.physics.outgassing import slab_released


def leak_rise(time, start, throughput, volume):
    """Pressure in a closed volume with a leak [Pa]: start + Q t/V.

    `time` (n,) since closing [s], `start` [Pa], `throughput` [Pa m3/s], `volume` [m3].
    Exact while the pressure inside is far below that outside.  Nothing is raised.

    One hour of 1e-9 Pa m3/s into 50 cm3:

    >>> round(float(leak_rise(3600.0, 0.0, 1e-9, 50e-6)), 4)
    0.072
    """
    return start + throughput * np.asarray(time, float) / volume


def reservoir_rise(time, start, throughput, time_constant, volume):
    """Pressure over a reservoir that runs empty [Pa]: start + (Q tau/V) (1 - exp(-t/tau)).

    `time` (n,) since closing [s], `start` [Pa], `throughput` at closing [Pa m3/s], `time_constant` [s],
    `volume` [m3].  Exact for one first-order source that is not hindered by the pressure.  The same curve
    stands for a trapped volume with a molecular passage (Q tau is what it held at closing).  Nothing is raised.

    >>> round(float(reservoir_rise(3600.0, 0.0, 1e-9, 600.0, 50e-6)), 5)
    0.01197
    """
    return start - throughput * time_constant / volume * np.expm1(-np.asarray(time, float) / time_constant)


def one_over_time_rise(time, start, throughput, age, volume):
    """Pressure over a source that falls as one over its age [Pa]: start + (Q age/V) ln(1 + t/age).

    `time` (n,) since closing [s], `start` [Pa], `throughput` at closing [Pa m3/s], `age` under pumping
    at closing [s], `volume` [m3].  Holds while little is taken back by the walls.  Nothing is raised.

    140 cm2 that give off 7e-7 W/m2 after an hour, closed off then into 50 cm3 for another hour:

    >>> round(float(one_over_time_rise(3600.0, 0.0, 7e-7 * 140e-4, 3600.0, 50e-6)), 4)
    0.4891
    """
    return start + throughput * age / volume * np.log1p(np.asarray(time, float) / age)


def diffusion_rise(time, start, throughput, age, volume):
    """Pressure over a source that falls as one over the root of its age [Pa]: start + (2 Q age/V) (sqrt(1 + t/age) - 1).

    Gas from the inside of a thick part, or of glass.  `time` (n,) since closing [s], `start` [Pa], `throughput` at
    closing [Pa m3/s], `age` at closing [s], `volume` [m3].  Holds until a part is half empty.  Nothing is raised.

    >>> round(float(diffusion_rise(300.0, 0.0, 1e-6, 100.0, 1e-5)), 3)
    20.0
    """
    return start + 2.0 * throughput * age / volume * (np.sqrt(1.0 + np.asarray(time, float) / age) - 1.0)


def slab_rise(time, start, amount, thickness, diffusivity, volume):
    """Pressure over a sheet that gives off what is dissolved in it, through both faces [Pa].

    `time` (n,) since an evenly filled sheet was closed off [s], `start` [Pa], `amount` dissolved
    [Pa m3], `thickness` [m], `diffusivity` [m2/s], `volume` [m3].  Exact while the pressure does not
    hold the gas back (see `exhaustsim.physics.outgassing.slab_released`).  Nothing is raised.

    >>> round(float(slab_rise(1e5, 0.0, 1e-3, 1e-3, 1e-12, 1e-3)), 6)
    0.697882
    """
    released = np.vectorize(slab_released, otypes=[float])(diffusivity * np.asarray(time, float) / thickness**2)
    return start + amount / volume * released


def readsorption_rise(time, start, held, release, uptake, volume):
    """Pressure over a wall that gives gas off and takes it back [Pa].

    The wall gives off `release` times what it holds, and takes up `uptake` times the pressure; together they
    come to rest at the pressure release (held + start V)/(release V + uptake), with the rate release + uptake/V.

    `time` (n,) since closing [s], `start` [Pa], `held` on the wall at closing [Pa m3], `release` [1/s],
    `uptake` [m3/s] (sticking probability times area times a quarter of the mean speed), `volume` [m3].
    Exact for one binding energy and a thinly covered wall.  Nothing is raised.

    With nothing taken back it is the reservoir:

    >>> round(float(readsorption_rise(60.0, 0.1, 1e-6, 0.01, 0.0, 1e-5) - reservoir_rise(60.0, 0.1, 1e-8, 100.0, 1e-5)), 12)
    0.0
    """
    rate = release + uptake / volume
    level = release * (held + start * volume) / (rate * volume)
    return level + (start - level) * np.exp(-rate * np.asarray(time, float))


def gettered_rise(time, start, throughput, speed, volume):
    """Pressure in a closed volume with a source that stays and a wall that keeps what it takes [Pa].

    Q/S + (start - Q/S) exp(-S t/V): it rises to Q/S, or falls to it.  A mirror, a cold wall and a
    gauge that pumps all do this.

    `time` (n,) since closing [s], `start` [Pa], `throughput` [Pa m3/s], `speed` above 0 [m3/s],
    `volume` [m3].  Exact for a constant speed.  Nothing is raised.

    >>> round(float(gettered_rise(1e9, 0.5, 1e-6, 1e-5, 1e-5)), 3)
    0.1
    """
    level = throughput / speed
    return level + (start - level) * np.exp(-speed / volume * np.asarray(time, float))


def trapped_pressure(time, trapped, diameter, length, volume, temperature, molar_mass, viscosity):
    """Pressure left in a trapped volume that empties into vacuum through a fine round passage [Pa].

    `time` (n,) [s], `trapped` pressure at the beginning [Pa], `diameter` and `length` of the passage [m], `volume`
    that is trapped [m3], `temperature` [K], `molar_mass` [kg/mol], `viscosity` [Pa s].  Molecular and viscous
    conductance of a long tube simply added, up to 20 % high in between.  Nothing is raised.

    1 mm3 of air behind 10 um x 1 mm, after one molecular time constant:

    >>> round(float(trapped_pressure(8.226, 101325.0, 1e-5, 1e-3, 1e-9, 295.0, 0.02897, 1.83e-5)) / 1e3, 1)
    8.2
    """
    molecular, viscous = passage(diameter, length, temperature, molar_mass, viscosity)
    return _emptying(time, trapped, volume, molecular, viscous)


def passage(diameter, length, temperature, molar_mass, viscosity):
    """(molecular conductance [m3/s], viscous conductance over mean pressure [m3/(s Pa)]) of a long round passage.

    pi d^3 v/(12 l) and pi d^4/(128 eta l): no end correction, which a passage of a hundred diameters does not
    need.  `diameter`, `length` [m], `temperature` [K], `molar_mass` [kg/mol], `viscosity` [Pa s].  Nothing is raised.

    >>> round(float(passage(1e-5, 1e-3, 295.0, 0.02897, 1.85e-5)[0]) * 1e10, 3)
    1.216
    """
    molecular = np.pi * diameter**3 * mean_speed(temperature, molar_mass) / (12.0 * length)
    return molecular, np.pi * diameter**4 / (128.0 * viscosity * length)


def viscous_virtual_leak_rise(time, start, throughput, half_time, volume):
    """Pressure over a trapped volume with a viscous passage [Pa]: start + (Q t_h/V) x/(1 + x), x = t/t_h.

    Half of the trapped gas has come out after `half_time`.  It is the hyperbola of a trapped volume whose passage
    conducts in proportion to the pressure in it.  `time` (n,) since closing [s], `start` [Pa], `throughput` at
    closing [Pa m3/s], `half_time` [s], `volume` [m3].  Holds while the passage is viscous.  Nothing is raised.

    >>> round(float(viscous_virtual_leak_rise(60.0, 0.0, 1e-6, 60.0, 1e-5)), 3)
    3.0
    """
    x = np.asarray(time, float) / half_time
    return start + throughput * half_time / volume * x / (1.0 + x)


def virtual_leak_rise(time, start, trapped, trapped_volume, conductance, viscous_conductance, volume):
    """Pressure over a trapped volume whose passage is molecular and viscous together [Pa].

    `time` (n,) since closing [s], `start` [Pa], `trapped` pressure in the trapped volume at closing [Pa],
    `trapped_volume` [m3], `conductance` molecular [m3/s], `viscous_conductance` per pascal of mean pressure
    [m3/(s Pa)], `volume` [m3].  Holds while the pressure outside is far below that trapped.  Nothing is raised.

    All of it out at the end:

    >>> round(float(virtual_leak_rise(1e4, 0.0, 1e5, 1e-9, 1e-10, 0.0, 1e-5)), 4)
    10.0
    """
    left = _emptying(time, trapped, trapped_volume, conductance, viscous_conductance)
    return start + (trapped - left) * trapped_volume / volume


def _emptying(time, trapped, volume, conductance, viscous_conductance):
    """`exhaustsim.physics.conductance.pump_down_tube` on arrays, in the form that does not overflow at late times."""
    left = np.exp(-conductance * np.asarray(time, float) / volume)
    return trapped * left / (1.0 + 0.5 * viscous_conductance * trapped / conductance * (1.0 - left))


def surround_ratio(first_mass, second_mass, kind="molecular", first_viscosity=None, second_viscosity=None):
    """How a leak changes when another gas stands round the valve: throughput of the second gas over the first [1].

    A molecular leak passes gases as 1/sqrt(M), a viscous one as 1/viscosity; which one it is cannot be known beforehand.
    `first_mass`, `second_mass` [kg/mol], `kind` "molecular" or "viscous" (which needs the viscosities [Pa s]).

    Raises
    ------
    ValueError
        Another kind, or a viscous leak without both viscosities.

    Examples
    --------
    Air, then argon:

    >>> round(float(surround_ratio(0.0289652, 0.039948)), 4)
    0.8515
    """
    if kind == "molecular":
        return np.sqrt(first_mass / second_mass)
    if kind != "viscous":
        raise ValueError(f'a leak is "molecular" or "viscous", not {kind!r}')
    if first_viscosity is None or second_viscosity is None:
        raise ValueError("a viscous leak needs the viscosities of both gases")
    return first_viscosity / second_viscosity


def amount_in_moles(amount, temperature):
    """Amount of gas [mol], or flow [mol/s], from pressure times volume [Pa m3] at `temperature` [K].  Nothing is raised.

    >>> f"{amount_in_moles(1.0, 295.0):.4e}"
    '4.0770e-04'
    """
    return amount / (GAS_CONSTANT * temperature)
