"""Rows of round sections that have a name: tube, cone, step, pinch, elbow; molecules are traced through each.

Each is a shorthand for `exhaustsim.physics.tracedmolecules.trace_sections`, which says how molecules fly
and what is not modelled.
"""

from __future__ import annotations

from exhaustsim.physics.tracedmolecules import trace_sections


def trace_tube(length_over_radius, **options):
    """Trace molecules through a straight round tube.

    Parameters
    ----------
    length_over_radius : float
        Length over bore radius, above zero [1].
    **options
        molecules, seed, threads, told of `trace_sections`.

    Returns
    -------
    TracedMolecules
        Through the tube.

    Raises
    ------
    ValueError
        For a length that is not above zero.

    Notes
    -----
    `transmission.round_tube` gives the same without a standard error.
    Valid: as `trace_sections`.
    Source: cosine law [Clausing1932], flights as in `trace_sections`.

    Examples
    --------
    >>> trace_tube(2.0, molecules=64).lost
    0
    """
    return trace_sections([length_over_radius], [1.0], [1.0], **options)


def trace_cone(length, start_radius, end_radius, **options):
    """Trace molecules through a cone.

    Parameters
    ----------
    length, start_radius, end_radius : float
        Length and the radii of the openings [m].
    **options
        molecules, seed, threads, told of `trace_sections`.

    Returns
    -------
    TracedMolecules
        From the start, relative to its opening.

    Raises
    ------
    ValueError
        For lengths that are not above zero.

    Notes
    -----
    Valid: as `trace_sections`.

    Source: cosine law [Clausing1932], flights as in `trace_sections`.

    Examples
    --------
    >>> trace_cone(2.0, 1.0, 0.5, molecules=64).lost
    0
    """
    return trace_sections([length], [start_radius], [end_radius], **options)


def trace_step(length, radius, next_length, next_radius, **options):
    """Trace molecules through two bores that meet at a flat ring.

    Parameters
    ----------
    length, radius : float
        Of the tube entered [m].
    next_length, next_radius : float
        Of the tube after it [m].
    **options
        molecules, seed, threads, told of `trace_sections`.

    Returns
    -------
    TracedMolecules
        From the start, relative to its opening.

    Raises
    ------
    ValueError
        For lengths that are not above zero.

    Notes
    -----
    Valid: as `trace_sections`.

    Source: cosine law [Clausing1932], flights as in `trace_sections`.

    Examples
    --------
    >>> trace_step(5.0, 1.0, 5.0, 0.5, molecules=64).lost
    0
    """
    return trace_sections([length, next_length], [radius, next_radius], [radius, next_radius], **options)


def trace_pinch(arm, radius, shoulder, waist_length, waist_radius, **options):
    """Trace molecules through a tube squeezed in the middle: arm, cone, waist, cone, arm.

    Parameters
    ----------
    arm : float
        Straight length on each side [m].
    radius : float
        Bore radius of the arms [m].
    shoulder : float
        Length of the cone on each side of the waist [m].
    waist_length, waist_radius : float
        Of the narrow part [m].
    **options
        molecules, seed, threads, told of `trace_sections`.

    Returns
    -------
    TracedMolecules
        Through the whole, relative to the opening of an arm.

    Raises
    ------
    ValueError
        For lengths that are not above zero.

    Notes
    -----
    The waist is taken round; a flattened one of the same area lets less through.
    Valid: as `trace_sections`.
    Source: cosine law [Clausing1932], flights as in `trace_sections`.

    Examples
    --------
    >>> trace_pinch(5.0, 1.0, 1.0, 2.0, 0.5, molecules=64).lost
    0
    """
    lengths = [arm, shoulder, waist_length, shoulder, arm]
    start = [radius, radius, waist_radius, waist_radius, radius]
    end = [radius, waist_radius, waist_radius, radius, radius]
    return trace_sections(lengths, start, end, **options)


def trace_elbow(arm, next_arm, radius, angle, **options):
    """Trace molecules through two round tubes joined at a mitre.

    Parameters
    ----------
    arm, next_arm : float
        Lengths from the end faces to the point where the axes cross [m].
    radius : float
        Bore radius of both [m].
    angle : float
        Between the axes: 0 straight on, pi/2 a right angle, at most 2.4 [rad].
    **options
        molecules, seed, threads, told of `trace_sections`.

    Returns
    -------
    TracedMolecules
        From the end of the first arm.

    Raises
    ------
    ValueError
        For arms shorter than radius times tan(angle/2), where the mitre would cut the end face.

    Notes
    -----
    Valid: as `trace_sections`.

    Source: cosine law [Clausing1932], flights as in `trace_sections`.

    Examples
    --------
    >>> import numpy as np
    >>> trace_elbow(5.0, 5.0, 1.0, np.pi / 2, molecules=64).lost
    0
    """
    return trace_sections([arm, next_arm], [radius] * 2, [radius] * 2, [angle], **options)
