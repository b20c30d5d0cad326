"""A tube of round sections as one straight tube for the mixture law.

The law of `conductance` knows straight tubes.  A row of sections is put into its place by the straight
tube that agrees with it where the answer is known:

- molecular flow: the transmission probability of the whole, from `tracedmolecules`;
- viscous flow: the sum of the section resistances, integral dl/r^4;
- diffusion through one another: integral dl/r^2;
- choked flow: the narrowest opening.

Its radius R = (integral dl/r^3)/(integral dl/r^4) makes the molecular and the viscous resistance of long
sections come out right at once, so that little is left to the end term and the step from molecular to
viscous flow falls at the right pressure.  Against the sum of the sections, each with the whole-range
law (long sections, small drop, any pressure; see the tests): a step or a cone to two thirds of the bore within
1 %, a tube drawn out to half the bore 1.6 %, a short pinch to half the bore 2.6 %, to a third 7.3 %, all of
it too much resistance; too little by 0.4 % at most.  What the transmission differs from that of the straight
tube goes into the end term, two thirds of which stay in viscous flow: a bend that costs 5 % in molecular
flow is given 3 % there too.

Not modelled: swirl and losses of viscous flow at bends and steps (they matter only in the first
instants of the gulp), turbulence section by section, sections at unlike temperatures.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel
from exhaustsim.constants import GAS_COUNT
from exhaustsim.physics.conductance import _END_RATIO, _END_TERM, _MOLECULAR, _RESISTANCE, CHOKED

_G = GAS_COUNT


@kernel
def frustum_integrals(length, start_radius, end_radius):
    """Integrals along a round section whose radius grows or shrinks evenly.

    Parameters
    ----------
    length, start_radius, end_radius : float
        Of the section, above zero [m].

    Returns
    -------
    tuple of float
        Integral dl/r^2 [1/m], dl/r^3 [1/m^2], dl/r^4 [1/m^3].

    Notes
    -----
    Valid: exact, radii above zero.  Nothing is raised.

    Source: own derivation: elementary integrals.

    Examples
    --------
    >>> frustum_integrals(2.0, 1.0, 1.0)
    (2.0, 2.0, 2.0)
    """
    product = start_radius * end_radius
    square = length / product
    cube = 0.5 * length * (start_radius + end_radius) / product**2
    fourth = length * (start_radius**2 + product + end_radius**2) / (3.0 * product**3)
    return square, cube, fourth


def equivalent_tube(lengths, start_radii, end_radii):
    """Straight tube that stands for a row of round sections.

    Parameters
    ----------
    lengths, start_radii, end_radii : sequence of float
        Of the sections, as in `tracedmolecules.trace_sections` [m].

    Returns
    -------
    tuple of float
        Radius and length of the straight tube [m], and the length that its diffusion resistance has [m].

    Notes
    -----
    Valid: lengths and radii above zero; for the error see the head of the module.  Nothing is raised.

    Source: own derivation: integrals along the sections, see the head of the module.

    Examples
    --------
    >>> equivalent_tube([1.0, 2.0], [0.5, 0.5], [0.5, 0.5])
    (0.5, 3.0, 3.0)
    """
    square, cube, fourth = np.sum(
        [frustum_integrals(*section) for section in zip(lengths, start_radii, end_radii, strict=True)], axis=0
    )
    radius = cube / fourth
    return float(radius), float(cube * radius**3), float(square * radius**2)


@kernel
def fit_tube(tube, radius, length, diffusion_length, transmission, narrowest):
    """Give the constants of a straight tube the molecular flow, diffusion and choking of the sections it stands for.

    Parameters
    ----------
    tube : array
        From `conductance.tube_constants` with `radius` and `length`; changed in place.
    radius, length, diffusion_length : float
        From `equivalent_tube` [m].
    transmission : float
        Transmission probability of the sections, relative to the opening of the straight tube [1].
    narrowest : float
        Smallest radius of the sections [m].

    Notes
    -----
    With the transmission of the straight tube itself, its own length and radius, nothing changes.
    Valid: as `equivalent_tube`.  Nothing is raised.

    Source: own derivation: constants matched one by one.

    Examples
    --------
    >>> from exhaustsim.physics.conductance import TUBE_SIZE, tube_constants
    >>> tube, nine = np.zeros(TUBE_SIZE), np.full(9, 0.028)
    >>> tube_constants(0.0015, 0.06, nine, nine * 6e-4, 293.15, nine * 25.0, nine * 1e-8, tube)
    >>> fit_tube(tube, 0.0015, 0.06, 0.06, 0.05, 0.0015)
    >>> round(float(1.0 + 0.375 * tube[_END_RATIO] + tube[_END_TERM]), 9)
    20.0
    """
    straight = 1.0 / (1.0 + 0.375 * tube[_END_RATIO] + tube[_END_TERM])
    tube[_END_TERM] = 1.0 / transmission - 1.0 - 0.375 * tube[_END_RATIO]
    tube[CHOKED] *= (narrowest / radius) ** 2
    ends = 8.0 * radius / 3.0
    for i in range(_G):
        tube[_MOLECULAR + i] *= straight / transmission
        for j in range(_G):
            tube[_RESISTANCE + _G * i + j] *= (diffusion_length + ends) / (length + ends)
