"""Molecules traced one by one through rows of round sections, annulus and duct, for which no formula is at hand.

In molecular flow a molecule meets only walls.  It enters one opening anywhere with the cosine law,
flies straight, and leaves each wall it meets with the cosine law about the wall's normal; it is
counted where it comes out.  The share that comes through is the transmission probability W, and the
conductance of the opening entered times W that of the whole.  From the other end it is
A1 W12 = A2 W21, so trace from the narrower opening: the same molecules then tell more.

`trace_sections` follows any row of round sections (cylinder, cone, step, mitred elbow); rows that have a
name stand in `exhaustsim.physics.tracedshapes`.  `trace_annulus` and `trace_duct` are straight.

Molecules go in `BATCHES` batches, each with its own stream of random numbers (`randomnumbers`), so the
counts are the same to the last molecule for any number of threads.  The standard error is that of a
coin thrown so many times.

Not modelled: walls that reflect like a mirror, gas that sticks on the way, a jet at the entrance
(take the port and the section before it into the row where that matters), bends that are curved
instead of mitred, collisions between molecules.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from exhaustsim.compiled import spread, unlocked_kernel
from exhaustsim.physics.randomnumbers import streams, uniform

#: Version of the way molecules are traced: same version, same geometry, molecules and seed, same counts.
ALGORITHM = 1
BATCHES = 64  # fixed, so that the outcome does not depend on the number of threads
_MOST_HITS = 100_000_000  # wall hits of one molecule; more and it is counted as lost
_TRANSMITTED, _RETURNED, _LOST, _HITS = range(4)


class TracedMolecules(NamedTuple):
    """What became of the molecules traced through a tube."""

    molecules: int
    transmitted: int
    returned: int
    lost: int  # tracks that came to no end; 0 unless something is wrong
    wall_hits: int  # of all molecules together

    @property
    def probability(self) -> float:
        """Transmission probability [1]."""
        return self.transmitted / self.molecules

    @property
    def standard_error(self) -> float:
        """One standard error of the probability [1]; never zero, also when none or all came through."""
        share = (self.transmitted + 1.0) / (self.molecules + 2.0)
        return float(np.sqrt(share * (1.0 - share) / self.molecules))


def trace_sections(lengths, start_radii, end_radii, bends=None, molecules=1_000_000, seed=1, threads=None, told=None):
    """Trace molecules through round sections one after the other.

    Parameters
    ----------
    lengths : sequence of float
        Length of each section along its axis, above zero [m].
    start_radii, end_radii : sequence of float
        Bore radius at its two ends, above zero [m]: equal in a cylinder, unlike in a cone.  Where the
        end of one and the start of the next differ, a flat ring joins them: a step.
    bends : sequence of float, optional
        Angle between the axes of each section and the next, -2.4 to 2.4 [rad]; all bends lie in one
        plane.  At a bend both sections are cut at the mitre; their lengths run to the point where the
        axes cross.
    molecules : int
        How many are traced.
    seed : int
        Of the random numbers.
    threads : int, optional
        How many work at once; all cores if left out.  The outcome does not depend on it.
    told : callable, optional
        Called with the share done (0 to 1) after each batch, from whichever thread did it.

    Returns
    -------
    TracedMolecules
        From the first section to the last, relative to the opening of the first.

    Raises
    ------
    ValueError
        For sections that do not fit together.

    Notes
    -----
    Valid: exact but for the standard error.  Mirror walls and curved bends are not covered.

    Source: cosine law [Clausing1932]; flights by plane geometry, own.

    Examples
    --------
    An orifice of no length to speak of lets nearly all through:

    >>> trace_sections([1e-9], [1e-3], [1e-3], molecules=64).transmitted
    64
    """
    lengths, start, end = (np.array(v, dtype=float) for v in (lengths, start_radii, end_radii))
    bends = np.zeros(lengths.size - 1) if bends is None else np.array(bends, dtype=float)
    _refuse_unfit(lengths, start, end, bends)
    in_tangent = np.concatenate([[0.0], np.tan(0.5 * bends)])
    out_tangent = np.concatenate([np.tan(0.5 * bends), [0.0]])
    # Cleared so that a straight joint is exact.
    cosine = np.where(bends == 0.0, 1.0, np.cos(bends))
    sine = np.where(bends == 0.0, 0.0, np.sin(bends))
    shape = (lengths, start, (end - start) / lengths, in_tangent, out_tangent, cosine, sine)
    return _trace(_sections_batch, shape, molecules, seed, threads, told)


def _refuse_unfit(lengths, start, end, bends):
    if not (lengths.ndim == 1 and 0 < lengths.size == start.size == end.size == bends.size + 1):
        raise ValueError("needs one length, start radius and end radius for each section, and a bend between each two")
    for name, values in (("lengths", lengths), ("start_radii", start), ("end_radii", end)):
        if not (np.isfinite(values).all() and (values > 0.0).all()):
            raise ValueError(f"{name} must be above zero, not {values.tolist()}")
    if not (np.abs(bends) <= 2.4).all():
        raise ValueError(f"bends must be from -2.4 to 2.4 rad, not {bends.tolist()}")
    for k in np.flatnonzero(bends):
        if not start[k] == end[k] == start[k + 1] == end[k + 1]:
            raise ValueError(f"bend {k + 1} must join two cylinders of one bore")
    # The mitres at both ends of a section must not meet inside it.
    reach = np.abs(np.tan(0.5 * bends))
    ends = np.concatenate([[0.0], reach]) + np.concatenate([reach, [0.0]])
    short = lengths < ends * start * (1.0 - 1e-9)
    if short.any():
        raise ValueError(f"section {int(np.argmax(short)) + 1} is too short for its mitre")


def trace_annulus(length, inner_radius, outer_radius, molecules=1_000_000, seed=1, threads=None, told=None):
    """Trace molecules through the gap between two round tubes on one axis.

    Parameters
    ----------
    length : float
        Length, above zero [m].
    inner_radius, outer_radius : float
        Radii of the gap [m].
    molecules, seed, threads, told
        As in `trace_sections`.

    Returns
    -------
    TracedMolecules
        Through the gap, relative to its open area.

    Raises
    ------
    ValueError
        For a length that is not above zero, or radii that leave no gap.

    Notes
    -----
    Valid: exact but for the standard error.

    Source: cosine law [Clausing1932], flights as in `trace_sections`.

    Examples
    --------
    >>> trace_annulus(2.0, 0.5, 1.0, molecules=64).lost
    0
    """
    if not (0.0 < length < np.inf and 0.0 < inner_radius < outer_radius < np.inf):
        raise ValueError("an annulus needs a length above zero and 0 < inner_radius < outer_radius")
    return _trace(_annulus_batch, (float(length), float(inner_radius), float(outer_radius)), molecules, seed, threads, told)


def trace_duct(length, width, height, molecules=1_000_000, seed=1, threads=None, told=None):
    """Trace molecules through a straight duct of rectangular cross-section.

    Parameters
    ----------
    length, width, height : float
        Above zero [m].
    molecules, seed, threads, told
        As in `trace_sections`.

    Returns
    -------
    TracedMolecules
        Through the duct.

    Raises
    ------
    ValueError
        For a side that is not above zero.

    Notes
    -----
    Valid: exact but for the standard error.  With a height a thousand times the width it is a slit.

    Source: cosine law [Clausing1932], flights as in `trace_sections`.

    Examples
    --------
    >>> trace_duct(2.0, 1.0, 1.0, molecules=64).lost
    0
    """
    if not all(0.0 < side < np.inf for side in (length, width, height)):
        raise ValueError("a duct needs length, width and height above zero")
    return _trace(_duct_batch, (float(length), float(width), float(height)), molecules, seed, threads, told)


def _trace(batch, shape, molecules, seed, threads, told) -> TracedMolecules:
    """Spread the molecules over the batches, trace, and add up."""
    molecules = int(molecules)
    if molecules < 1:
        raise ValueError(f"molecules must be at least 1, not {molecules}")
    count = min(BATCHES, molecules)
    state = streams(int(seed), count)
    counts = np.zeros((count, 4), dtype=np.int64)
    done = np.zeros(count, dtype=bool)

    def job(number):
        batch(molecules // count + (number < molecules % count), *shape, state[number], counts[number])
        done[number] = True
        if told is not None:
            told(float(done.mean()))

    spread(job, count, threads)
    return TracedMolecules(molecules, *(int(n) for n in counts.sum(axis=0)))


@unlocked_kernel
def _disc(state):
    """A point evenly spread over the unit disc, and its square distance from the middle."""
    while True:
        p = 2.0 * uniform(state) - 1.0
        q = 2.0 * uniform(state) - 1.0
        square = p * p + q * q
        if square < 1.0:
            return p, q, square


@unlocked_kernel
def _cosine(state):
    """A direction by the cosine law: along the normal and along two directions of the surface.

    The foot of such a direction is evenly spread over the unit disc.
    """
    p, q, square = _disc(state)
    return np.sqrt(1.0 - square), p, q


@unlocked_kernel
def _sections_batch(molecules, length, radius, slope, in_tangent, out_tangent, cosine, sine, state, counts):
    """Trace one batch through round sections.

    Each section has axes of its own: z along it from its start, bends turning about y.  It ends at the
    planes z = x in_tangent and z = length - x out_tangent; between them it is convex, so that a flight
    leaves it at one place: a plane, or the cone x^2 + y^2 = (radius + slope z)^2.
    """
    last = length.size - 1
    for _ in range(molecules):
        p, q, square = _disc(state)
        x = radius[0] * p
        y = radius[0] * q
        z = 0.0
        w, u, v = _cosine(state)
        k = 0
        on_wall = False
        hits = 0
        while hits < _MOST_HITS:
            # To the wall: a t^2 + 2 b t + c = 0, c < 0 inside, b < 0 when it flies away from the wall.
            rho = radius[k] + slope[k] * z
            rise = slope[k] * w
            a = u * u + v * v - rise * rise
            b = x * u + y * v - rise * rho
            c = 0.0 if on_wall else x * x + y * y - rho * rho
            root = np.sqrt(max(b * b - a * c, 0.0))
            wall = np.inf
            if b >= 0.0:
                if b + root > 0.0:
                    wall = max(-c / (b + root), 0.0)
            elif a > 0.0:
                wall = (root - b) / a
            # To the plane it flies towards.
            forwards = w + u * out_tangent[k]
            backwards = u * in_tangent[k] - w
            plane = np.inf
            onwards = True
            if forwards > 0.0:
                plane = max((length[k] - x * out_tangent[k] - z) / forwards, 0.0)
            if backwards > 0.0:
                back = max((z - x * in_tangent[k]) / backwards, 0.0)
                if back < plane:
                    plane = back
                    onwards = False
            if wall == np.inf and plane == np.inf:
                hits = _MOST_HITS  # along the wall with nowhere to go: cannot be, but must not hang
                continue

            if wall < plane:
                x += wall * u
                y += wall * v
                z += wall * w
                # Back on the wall to the last digit; the normal inwards is (-x, -y, rho slope)/(rho size).
                rho = radius[k] + slope[k] * z
                scale = 1.0 / np.sqrt(x * x + y * y)
                nx = x * scale
                ny = y * scale
                x = nx * rho
                y = ny * rho
                hits += 1
                normal, around, along = _cosine(state)
                size = 1.0 / np.sqrt(1.0 + slope[k] * slope[k])
                radial = (slope[k] * along - normal) * size
                u = radial * nx - around * ny
                v = radial * ny + around * nx
                w = (slope[k] * normal + along) * size
                on_wall = True
                continue

            x += plane * u
            y += plane * v
            z += plane * w
            if onwards:
                if k == last:
                    counts[_TRANSMITTED] += 1
                    break
                if _rings(x, y, radius[k] + slope[k] * length[k], radius[k + 1]):
                    z = length[k]
                    w, u, v = _cosine(state)
                    w = -w
                    hits += 1
                else:
                    z -= length[k]
                    x, z = x * cosine[k] - z * sine[k], x * sine[k] + z * cosine[k]
                    u, w = u * cosine[k] - w * sine[k], u * sine[k] + w * cosine[k]
                    k += 1
            else:
                if k == 0:
                    counts[_RETURNED] += 1
                    break
                if _rings(x, y, radius[k], radius[k - 1] + slope[k - 1] * length[k - 1]):
                    z = 0.0
                    w, u, v = _cosine(state)
                    hits += 1
                else:
                    k -= 1
                    x, z = x * cosine[k] + z * sine[k], z * cosine[k] - x * sine[k] + length[k]
                    u, w = u * cosine[k] + w * sine[k], w * cosine[k] - u * sine[k]
            on_wall = False
        if hits >= _MOST_HITS:
            counts[_LOST] += 1
        counts[_HITS] += hits


@unlocked_kernel
def _rings(x, y, here, there):
    """Whether a molecule that comes to the end of a bore meets the flat ring of a narrower one."""
    return there < here and x * x + y * y > there * there


@unlocked_kernel
def _annulus_batch(molecules, length, inner, outer, state, counts):
    """Trace one batch through the gap between two cylinders."""
    share = (inner / outer) ** 2
    for _ in range(molecules):
        # Evenly over the ring: stretch the square of the radius of an even disc.
        p, q, square = _disc(state)
        radius = outer * np.sqrt(share + (1.0 - share) * square)
        scale = radius / np.sqrt(square) if square > 0.0 else 0.0
        x = p * scale
        y = q * scale
        z = 0.0
        w, u, v = _cosine(state)
        where = 0  # 0 in the gap, 1 on the inner wall, 2 on the outer
        hits = 0
        while hits < _MOST_HITS:
            a = u * u + v * v
            b = x * u + y * v
            square = x * x + y * y
            flight = np.inf
            radius = outer
            if a > 0.0:
                c = 0.0 if where == 2 else square - outer * outer
                flight = max((np.sqrt(max(b * b - a * c, 0.0)) - b) / a, 0.0)
                if where != 1 and b < 0.0:
                    c = square - inner * inner
                    under = b * b - a * c
                    if under > 0.0:
                        radius = inner
                        flight = max(c / (np.sqrt(under) - b), 0.0)
            if w > 0.0 and (length - z) <= flight * w:
                counts[_TRANSMITTED] += 1
                break
            if w < 0.0 and z <= -flight * w:
                counts[_RETURNED] += 1
                break
            if flight == np.inf:
                hits = _MOST_HITS
                continue
            x += flight * u
            y += flight * v
            z += flight * w
            scale = 1.0 / np.sqrt(x * x + y * y)
            nx = x * scale
            ny = y * scale
            x = nx * radius
            y = ny * radius
            where = 1 if radius == inner else 2
            hits += 1
            normal, around, w = _cosine(state)
            radial = normal if where == 1 else -normal
            u = radial * nx - around * ny
            v = radial * ny + around * nx
        if hits >= _MOST_HITS:
            counts[_LOST] += 1
        counts[_HITS] += hits


@unlocked_kernel
def _duct_batch(molecules, length, width, height, state, counts):
    """Trace one batch through a duct, 0 to width in x and 0 to height in y."""
    for _ in range(molecules):
        x = width * uniform(state)
        y = height * uniform(state)
        z = 0.0
        w, u, v = _cosine(state)
        hits = 0
        while hits < _MOST_HITS:
            to_x = ((width - x) if u > 0.0 else -x) / u if u != 0.0 else np.inf
            to_y = ((height - y) if v > 0.0 else -y) / v if v != 0.0 else np.inf
            flight = min(to_x, to_y)
            if w > 0.0 and (length - z) <= flight * w:
                counts[_TRANSMITTED] += 1
                break
            if w < 0.0 and z <= -flight * w:
                counts[_RETURNED] += 1
                break
            if flight == np.inf:
                hits = _MOST_HITS
                continue
            z += flight * w
            hits += 1
            normal, across, w_new = _cosine(state)
            if to_x <= to_y:
                y = min(max(y + flight * v, 0.0), height)
                x = width if u > 0.0 else 0.0
                u = -normal if u > 0.0 else normal
                v = across
            else:
                x = min(max(x + flight * u, 0.0), width)
                y = height if v > 0.0 else 0.0
                v = -normal if v > 0.0 else normal
                u = across
            w = w_new
        if hits >= _MOST_HITS:
            counts[_LOST] += 1
        counts[_HITS] += hits
