"""RF heating by a coil: field of the coil, eddy currents in rings, tubes and rods, metal that stops being magnetic.

A coil round the bulb drives an alternating field along the axis of the mount.  A closed ring of
metal, such as an anode or a getter holder, lies in it like a short-circuited turn.  At low
frequency its resistance limits the current and the power grows with frequency squared; at high
frequency its own field holds it back and the power grows with the resistance only.  Walls thicker
than the skin depth carry the current in their outer skin.  One exact solution covers all of it.

Public: `coil_field`, `coil_field_square`, `current_sheet_factor`, `skin_depth`, `rf_power_thin_wall`,
`rf_power_thick`, `cylinder_response`, `cylinder_power`.

Not modelled: parts that shade each other (grids in a closed anode see less than the field of the
coil), axes that are not in line, the poles of a short magnetic rod or tube (below the Curie point the
power of a thick short part comes out too high), hysteresis, the back-effect of the load on
the generator.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel
from exhaustsim.physics.bessel import decaying_bessel, growing_bessel

VACUUM_PERMEABILITY = 1.25663706127e-6  # N/A^2, CODATA 2022


@kernel
def coil_field(ampere_turns, length, diameter, distance):
    """Field on the axis of a short coil.

    Parameters
    ----------
    ampere_turns : float
        Turns times current [A]; root mean square in gives root mean square out.
    length, diameter : float
        Length of the winding, above zero, and its mean diameter [m].
    distance : float
        Distance from the middle of the coil along its axis [m].

    Returns
    -------
    float
        Field strength along the axis [A/m].

    Notes
    -----
    H = N I/(2 l) [u/sqrt(u^2 + a^2) + v/sqrt(v^2 + a^2)], u = l/2 - z, v = l/2 + z, a the radius: a
    thin current sheet.  Off the axis the field near the winding is larger; within half its radius of
    the axis of a coil as long as wide by less than a tenth.

    Valid: exact on the axis of a thin current sheet.  Nothing is raised.
    Source: own derivation: law of Biot and Savart, textbook form; worked example in the tests.

    Examples
    --------
    >>> round(float(coil_field(60.0, 0.25, 0.10, 0.0)), 1)
    222.8
    """
    half = 0.5 * diameter
    ahead, behind = 0.5 * length - distance, 0.5 * length + distance
    angles = ahead / np.sqrt(ahead * ahead + half * half) + behind / np.sqrt(behind * behind + half * half)
    return 0.5 * ampere_turns / length * angles


@kernel
def coil_field_square(ampere_turns, length, diameter, distance, height):
    """Mean over the height of a part of the square of the coil's field on the axis.

    Parameters
    ----------
    ampere_turns, length, diameter : float
        As for `coil_field`.
    distance : float
        Distance of the middle of the part from the middle of the coil [m].
    height : float
        Height of the part [m].

    Returns
    -------
    float
        Mean square field [A^2/m^2].

    Notes
    -----
    Eight Gauss points: right to 1e-3 for a part twice as high as the coil is wide, and far better for less.

    Valid: parts up to twice as high as the coil is wide.  Nothing is raised.
    Source: own derivation: Gauss quadrature; against adaptive integration in the tests.

    Examples
    --------
    >>> round(coil_field_square(200.0, 0.02, 0.032, 0.0, 0.02) ** 0.5)
    4825
    """
    # Gauss-Legendre, eight points: abscissae and weights of one half.
    total = 0.0
    for x, weight in (
        (0.1834346424956498, 0.3626837833783620), (0.5255324099163290, 0.3137066458778873),
        (0.7966664774136267, 0.2223810344533745), (0.9602898564975363, 0.1012285362903763),
    ):  # fmt: skip
        above = coil_field(ampere_turns, length, diameter, distance + 0.5 * height * x)
        below = coil_field(ampere_turns, length, diameter, distance - 0.5 * height * x)
        total += 0.5 * weight * (above * above + below * below)
    return total


@kernel
def current_sheet_factor(diameter_over_length):
    """Share of the inductance of a long coil that a short one of the same turns per length has.

    Parameters
    ----------
    diameter_over_length : float
        Diameter over length of the current sheet, 0 for a long one [1].

    Returns
    -------
    float
        Factor between 0 and 1 [1].

    Notes
    -----
    K = 4/(3 pi) {[(1 - m) K(m)/m + (2 - 1/m) E(m)]/sqrt(m) - 1} u for u = diameter/length and
    m = u^2/(1 + u^2); the complete elliptic integrals by the arithmetic-geometric mean.  Below
    u = 0.03 the first terms 1 - 4 u/(3 pi) + u^2/8 - u^4/64 of the series.

    Valid: exact.  Nothing is raised.
    Source: Lorenz 1879 and [Nagaoka1909] (recalled); elliptic integrals of another library in the tests.

    Examples
    --------
    >>> round(float(current_sheet_factor(1.0)), 4)
    0.6884
    """
    u = diameter_over_length
    if u < 0.03:
        return 1.0 - 4.0 * u / (3.0 * np.pi) + u * u / 8.0 - u**4 / 64.0
    m = u * u / (1.0 + u * u)
    a, b, c, power, loss = 1.0, np.sqrt(1.0 - m), np.sqrt(m), 0.5, 0.5 * m
    while c > 1e-16 * a:
        a, b, c = 0.5 * (a + b), np.sqrt(a * b), 0.5 * (a - b)
        power *= 2.0
        loss += power * c * c
    first = 0.5 * np.pi / a
    second = first * (1.0 - loss)
    return 4.0 * u / (3.0 * np.pi) * (((1.0 - m) * first / m + (2.0 - 1.0 / m) * second) / np.sqrt(m) - 1.0)


@kernel
def skin_depth(resistivity, frequency, relative_permeability):
    """Depth to which RF current flows in a metal.

    Parameters
    ----------
    resistivity : float
        Resistivity [ohm m].
    frequency : float
        Frequency [Hz].
    relative_permeability : float
        1 above the Curie point (nickel: 631 K); 50 to 100 below it in coil fields [1].

    Returns
    -------
    float
        Depth [m].

    Notes
    -----
    delta = sqrt(rho/(pi f mu0 mur)).

    Valid: exact for a plane wave in a good conductor.  Nothing is raised.
    Source: own derivation: Maxwell's equations, plane wave in a conductor.

    Examples
    --------
    >>> round(float(skin_depth(4.6e-7, 400e3, 1.0)) * 1e6, 1)
    539.7
    """
    return np.sqrt(resistivity / (np.pi * frequency * VACUUM_PERMEABILITY * relative_permeability))


@kernel
def rf_power_thin_wall(resistivity, frequency, field, radius, wall):
    """Power that a thin-walled unslotted tube takes from an axial RF field, per outer area.

    Parameters
    ----------
    resistivity : float
        Resistivity of the wall [ohm m].
    frequency : float
        Frequency [Hz].
    field : float
        Axial field strength at the outer face, root mean square [A/m].
    radius, wall : float
        Outer radius and wall thickness [m].

    Returns
    -------
    float
        Power per outer surface area [W/m^2].

    Notes
    -----
    P/A = (rho/d) H^2 x^2/(1 + x^2), x = (a - d/2) d/delta^2, for a wall thinner than half the
    skin depth and not magnetic.  Beyond x = 3 the frequency no longer matters.
    Slots in the anode break the loop; multiply by a coupling factor.

    Valid: wall thinner than half the skin depth, not magnetic, no slots.  Nothing is raised.
    Source: own derivation: induction law; checked against Bessel functions in the tests.

    Examples
    --------
    >>> round(float(rf_power_thin_wall(4.6e-7, 400e3, 5000.0, 8e-3, 0.15e-3)), -2)
    72300.0
    """
    depth = skin_depth(resistivity, frequency, 1.0)
    x = (radius - 0.5 * wall) * wall / (depth * depth)
    return resistivity / wall * field * field * x * x / (1.0 + x * x)


@kernel
def rf_power_thick(resistivity, frequency, field, relative_permeability):
    """Power that a thick piece of metal takes from an RF field along its face, per area.

    Parameters
    ----------
    resistivity : float
        Resistivity [ohm m].
    frequency : float
        Frequency [Hz].
    field : float
        Field strength along the face, root mean square [A/m].
    relative_permeability : float
        Relative permeability in that field [1].

    Returns
    -------
    float
        Power per area [W/m^2].

    Notes
    -----
    P/A = (rho/delta) H^2, for pieces thicker than three skin depths.  At the Curie point the
    permeability falls to 1 and the power by its square root.

    Valid: pieces thicker than three skin depths.  Nothing is raised.
    Source: own derivation: Maxwell's equations, plane wave in a conductor.

    Examples
    --------
    >>> round(float(rf_power_thick(4.6e-7, 400e3, 5000.0, 1.0)))
    21307
    """
    return resistivity / skin_depth(resistivity, frequency, relative_permeability) * field * field

@kernel
def cylinder_response(resistivity, frequency, permeability, radius, wall):
    """How a long tube or rod answers an axial RF field at its outer face.

    Parameters
    ----------
    resistivity : float
        Resistivity [ohm m].
    frequency : float
        Frequency [Hz].
    permeability : float
        Relative permeability of the metal [1].
    radius, wall : float
        Outer radius and wall thickness [m]; a wall of the radius or more means a solid rod.

    Returns
    -------
    tuple of complex
        Electric over magnetic field at the outer face [ohm]: its real part times the mean square field is
        the power per outer area; and the field inside the tube (on the axis of a rod) over that outside [1].

    Notes
    -----
    H(r) = A I0(q r) + B K0(q r), q = (1 + i)/depth, with the law of induction for the hollow as inner
    boundary.  Exact for a long cylinder at rest; no approximation of wall or frequency.

    Valid: exact for a long cylinder; radius above zero.  Nothing is raised.
    Source: own derivation: Maxwell's equations; against another library and both limits in the tests.

    Examples
    --------
    >>> z, inside = cylinder_response(4.6e-7, 400e3, 1.0, 8e-3, 0.15e-3)
    >>> round(z.real * 5000.0**2)
    72546
    """
    depth = skin_depth(resistivity, frequency, permeability)
    q = (1.0 + 1.0j) / depth
    zero_a, one_a = growing_bessel(np.sqrt(2.0) * radius / depth)
    if wall >= radius:
        return resistivity * q * one_a / zero_a, np.exp(-q * radius) / zero_a
    inner = radius - wall
    # Relative to their sizes at the outer face (growing) and at the inner (decaying).
    across = np.exp(-q * wall)
    down_zero_a, down_one_a = decaying_bessel(np.sqrt(2.0) * radius / depth)
    zero_b, one_b = growing_bessel(np.sqrt(2.0) * inner / depth)
    down_zero_b, down_one_b = decaying_bessel(np.sqrt(2.0) * inner / depth)
    hollow = 1.0j * np.pi * frequency * VACUUM_PERMEABILITY * inner
    ratio = across * (resistivity * q * one_b - hollow * zero_b) / (resistivity * q * down_one_b + hollow * down_zero_b)
    grow = 1.0 / (zero_a + ratio * across * down_zero_a)
    decay = grow * ratio
    surface = resistivity * q * (grow * one_a - decay * across * down_one_a)
    return surface, grow * across * zero_b + decay * down_zero_b


@kernel
def cylinder_power(resistivity, frequency, permeability, field_square, radius, wall, height):
    """Power that a tube, ring or rod takes from the axial RF field of a coil.

    Parameters
    ----------
    resistivity, frequency, permeability, radius, wall : float
        As for `cylinder_response`.
    field_square : float
        Mean square field of the coil where the part stands, without the part [A^2/m^2].
    height : float
        Height of the part along the axis [m].

    Returns
    -------
    float
        Power [W].

    Notes
    -----
    A short part holds its own current back less than a long one, by the factor k of
    `current_sheet_factor`, so that the field at its outer face is the coil's over
    1 - (1 - k)(1 - inside/outside).  Then the long cylinder's power on the outer face.  For a thin wall this
    is the short-circuited turn V^2 R/(R^2 + X^2) with R = 2 pi a rho/(h d) and X = k mu0 omega pi a^2/h;
    for thick walls, the currents taken as a sheet at the outer face.  The current counts as even along the
    part; in truth it crowds at the ends.  Against a tube of 12 x 20 mm cut into rings: right to 1 % while
    x of `rf_power_thin_wall` is below 1, 4 % low at x = 2.7, 19 % low at x = 13.  Not meant for a short rod
    below its Curie point.

    Valid: closed cylinder on the axis of the coil, see above for short ones.  Nothing is raised.
    Source: own derivation: induction law; the turn, the long cylinder and a tube cut into rings in the tests.

    Examples
    --------
    >>> round(float(cylinder_power(4.6e-7, 400e3, 1.0, 5000.0**2, 8e-3, 0.15e-3, 0.02)), 1)
    129.2
    """
    surface, inside = cylinder_response(resistivity, frequency, permeability, radius, wall)
    k = current_sheet_factor(2.0 * radius / height)
    raised = 1.0 / abs(1.0 - (1.0 - k) * (1.0 - inside))
    return 2.0 * np.pi * radius * height * surface.real * field_square * raised * raised
