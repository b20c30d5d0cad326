"""Share of molecules that get through a straight round tube, from its integral equation.

Molecules enter one end with the cosine law, fly straight, and leave a wall they meet with the
cosine law, having forgotten where they came from.  w(x) is the chance that one which leaves the
wall at x goes out at the far end.  With lengths in bores, l of the tube:

    w(x) = F(l - x) + integral_0^l K(|x - y|) w(y) dy          (Clausing's equation)
    W    = F0 + 4 integral_0^l F(x) w(x) dx

K is the chance per length from wall to wall, F from wall to end, F0 from end to end.  `round_tube`
solves this to better than 1e-8; `rarefaction.transmission_probability` is the closed form the
stepper uses, at most 0.07 % high.  For elbows, cones, steps and pinches see `tracedmolecules`.

How it is solved.  Because F' = -K, a share w(x) may be taken out:

    w(x) [F(x) + F(l - x)] + integral K(|x - y|) [w(x) - w(y)] dy = F(l - x),

which loses no digits in long tubes.  Panels shrink towards both ends, where w bends sharply; on
each, w goes through Gauss points.  The kink of K at y = x is met by integrating from x outwards in
stretches that double, so that the narrow kernel is resolved however long the tube is.

Not modelled: walls that reflect like a mirror, gas that drifts at the entrance (beaming), any
collision between molecules.
"""

from __future__ import annotations

import numpy as np

NODES = 12  #: Gauss points on a panel
LONGEST = 1e4  #: radii: up to here the answer is good to 1e-8
_STRETCH_POINTS = 20  # of each stretch of the outward integral
_SMALLEST = 2.0**-14  # bores: panels shrink to this towards the ends
_FIRST_STRETCH = 0.5  # bores: first stretch of the outward integral, the poles of K lie at distance 1


def wall_to_wall(z):
    """Chance per length that a molecule leaving the wall next meets it a distance z along.

    Parameters
    ----------
    z : float or array
        Distance in bores, not negative [1].

    Returns
    -------
    float or array
        K(z) = 1 - (z^3 + 1.5 z)/(z^2 + 1)^1.5, in a form that keeps its digits at large z [1].

    Notes
    -----
    Valid: exact for a round tube and the cosine law; nothing is raised.  Over both directions and all lengths it adds up to 1.

    Source: [Clausing1932].

    Examples
    --------
    >>> float(wall_to_wall(0.0))
    1.0
    """
    square = z * z + 1.0
    cube = square * np.sqrt(square)
    return (1.0 + 0.75 * z * z) / (cube * (cube + z * (z * z + 1.5)))


def wall_to_end(z):
    """Chance that a molecule leaving the wall goes straight out at an open end a distance z along.

    Parameters
    ----------
    z : float or array
        Distance in bores, not negative [1].

    Returns
    -------
    float or array
        F(z) = (z^2 + 1/2)/sqrt(z^2 + 1) - z, in a form that keeps its digits at large z [1].

    Notes
    -----
    Valid: exact for a round tube and the cosine law; nothing is raised.

    Source: [Clausing1932].

    Examples
    --------
    >>> float(wall_to_end(0.0))
    0.5
    """
    root = np.sqrt(z * z + 1.0)
    return 0.25 / (root * (z * z + 0.5 + z * root))


def end_to_end(length):
    """Chance that a molecule goes from one end straight out at the other.

    Parameters
    ----------
    length : float
        Length of the tube in bores, not negative [1].

    Returns
    -------
    float
        (sqrt(l^2 + 1) - l)^2 [1].

    Notes
    -----
    View factor of two equal discs that face each other.
    Valid: exact.  Nothing is raised.

    Source: [Clausing1932].

    Examples
    --------
    >>> float(end_to_end(0.0))
    1.0
    """
    return 1.0 / (np.sqrt(length * length + 1.0) + length) ** 2


def round_tube(length_over_radius, nodes=NODES):
    """Transmission probability of a straight round tube in molecular flow, to better than 1e-8.

    Parameters
    ----------
    length_over_radius : float
        Length over bore radius, 0 to `LONGEST` [1].
    nodes : int
        Gauss points on each panel; more only shows that the answer no longer moves.

    Returns
    -------
    float
        Share of the molecules entering one end that leave by the other [1].

    Raises
    ------
    ValueError
        For a length that is negative, above `LONGEST`, or not a number.

    Notes
    -----
    Valid: 0 to `LONGEST`, diffuse wall.
    Measured: when the nodes are doubled it changes by less than 1e-12 of itself up to 200 radii, 1e-10
    at 1000 and 2e-9 at 10 000.  Takes a tenth of a second.

    Source: [Clausing1932], solved here as the head of the module says.

    Examples
    --------
    >>> round(round_tube(2.0), 8)
    0.51423053
    """
    if not 0.0 <= length_over_radius <= LONGEST:
        raise ValueError(f"length over radius must be from 0 to {LONGEST:g}, not {length_over_radius}")
    length = 0.5 * float(length_over_radius)
    if length == 0.0:
        return 1.0
    edges = _panels(length)
    points, weights = np.polynomial.legendre.leggauss(nodes)
    middle, half = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.diff(edges)
    x = (middle[:, None] + half[:, None] * points).ravel()
    # Values on the Gauss points to the Legendre series through them, exact by the Gauss weights.
    to_series = np.polynomial.legendre.legvander(points, nodes - 1) * weights[:, None] * (np.arange(nodes) + 0.5)
    gauss = np.polynomial.legendre.leggauss(_STRETCH_POINTS)
    matrix = np.empty((x.size, x.size))
    for i in range((x.size + 1) // 2):
        row = -_row(x[i], length, edges, to_series, gauss)
        row[i] += wall_to_end(x[i]) + wall_to_end(length - x[i]) - row.sum()
        matrix[i] = row
        matrix[x.size - 1 - i] = row[::-1]  # the tube seen from its other end
    w = np.linalg.solve(matrix, wall_to_end(length - x))
    through = (half[:, None] * weights).ravel() @ (wall_to_end(x) * w)
    return float(end_to_end(length) + 4.0 * through)


def _panels(length):
    """Edges of the panels: doubling from each end to the middle."""
    half = 0.5 * length
    steps = half * 0.5 ** np.arange(int(np.ceil(max(np.log2(half / _SMALLEST), 1.0))) + 1)
    left = np.concatenate([[0.0], steps[::-1]])
    return np.concatenate([left, length - left[-2::-1]])


def _row(place, length, edges, to_series, gauss):
    """Weights of the nodes in the integral of K(|place - y|) w(y) over the tube."""
    outward = _FIRST_STRETCH * np.concatenate([[0.0], 2.0 ** np.arange(max(np.ceil(np.log2(length / _FIRST_STRETCH)), 0.0) + 1.0)])
    cuts = np.unique(np.concatenate([edges, place - outward, place + outward]))
    cuts = cuts[(cuts >= 0.0) & (cuts <= length)]
    middle, half = 0.5 * (cuts[1:] + cuts[:-1]), 0.5 * np.diff(cuts)
    y = middle[:, None] + half[:, None] * gauss[0]
    weight = half[:, None] * gauss[1] * wall_to_wall(np.abs(place - y))
    panel = np.clip(np.searchsorted(edges, middle, side="right") - 1, 0, edges.size - 2)
    first, last = edges[panel][:, None], edges[panel + 1][:, None]
    series = np.polynomial.legendre.legvander((2.0 * y - first - last) / (last - first), to_series.shape[0] - 1)
    row = np.zeros((edges.size - 1, to_series.shape[0]))
    np.add.at(row, panel, np.einsum("cg,cgn->cn", weight, series))
    return (row @ to_series.T).ravel()
