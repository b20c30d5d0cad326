"""One gas in a round tube, from molecular flow to the turbulent start: the pieces of the tube law.

Whatever the pressure, a tube is described by how its bore compares with the mean free path
(`gases.rarefaction_parameter`, delta) and by its length over radius.  The pieces here are the
share of molecules that get through, the flow of a long tube at any delta with its minimum, the
creep of gas towards the hot end, the choked or turbulent opening, and how far a stream carries
its own composition.  `conductance` composes them to the flow of a mixture.

Public: `transmission_probability`, `poiseuille_coefficient`, `creep_ratio`, `reduced_resistance`,
`upstream_shift`, each of the last four also with its derivatives (`..._slope`, `..._slopes`).

Not modelled: walls that reflect like a mirror (an accommodation of 0.9 raises the molecular end
by 21 %), tubes that are not round or not straight, heat-capacity ratios other than that of air in
the subsonic branch, rough walls.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel

#: Reduced flow of air into vacuum through a sharp orifice in dense gas, molecular flow = 1:
#: ideal choked nozzle 1.7164 (heat capacity ratio 1.4) times 0.84 +- 0.03 for the sharp edge.
CHOKED_FLOW_AIR = 0.84 * 1.7163672290845
#: The same for a monatomic gas (recalled literature value, confirmed by own molecule tracing).
CHOKED_FLOW_MONATOMIC = 1.534

_MOLECULAR_LIMIT = 8.0 / (3.0 * np.sqrt(np.pi))  # of the Poiseuille coefficient at delta = 0
_SLIP = 1.0184  # its constant in slip flow
_ROOT_PI = np.sqrt(np.pi)
_LAMINAR_WIDTH = 4e-10  # smooths the square-root start of inertia below 1e-5 of the pressure
_TRANSITION_REYNOLDS = 3000.0


@kernel
def reduced_resistance(delta_mean, delta_upstream, tau, length_over_radius, end_term, choked):
    """Whole-range flow resistance of a round tube for one gas, relative to its open aperture.

    Parameters
    ----------
    delta_mean, delta_upstream : float
        Rarefaction parameter at the mean pressure and at the upstream end [1].
    tau : float
        Square of pressure drop over upstream pressure: 0 at equal ends, 1 into vacuum [1].
    length_over_radius : float
        Length over bore radius [1].
    end_term : float
        1/W - 1 - 3 L/(8 R), W the molecular transmission probability [1].
    choked : float
        Reduced flow into vacuum of the bare orifice in dense gas, `CHOKED_FLOW_AIR` [1].

    Returns
    -------
    float
        Resistance y [1]: throughput = (area * mean speed / 4) * (p1 - p2) / y.

    Notes
    -----
    y = opening + tube + ends:
      opening = e (1 + s Y)/(e + Y), Y = delta_up^1.3/3.1, s = tau^(1/4) with a smooth start,
                e = sqrt[(1 + 2.255 tau - 1.268 tau^2)/(4.172 - 1.108 tau - 1.077 tau^2)]/choked:
                from aperture to nozzle, flow within 1.2 % of the isentropic nozzle at all ratios;
      tube    = L/(sqrt(pi) R G(delta_mean));  ends = end_term/(1 + 1.8 delta_up).
    From Re about 3000 the tube term gives way to Blasius friction f = 0.316 Re^(-1/4) in
    y = sqrt(opening^2 + f L/(4 pi R) * drop/(p1 + p2)).
    Into vacuum within 3 % of molecule tracing for L/R 0, 10, 20, and 5.5 % high for L/R = 1 at
    delta 30 to 100 (of which up to 1.4 % because G is taken at the mean pressure); against
    adiabatic pipe flow of air see the published rows.  With back pressure unchecked in between.

    Valid: any rarefaction and pressure ratio; into vacuum 3 to 5.5 %, with back pressure unchecked in between.
    Nothing is raised.
    Source: own composite; limits are [Berman1965], the kinetic G and the choked orifice.

    Examples
    --------
    Molecular limit is 1/W exactly, here of a tube ten radii long:

    >>> end = 1.0 / transmission_probability(10.0) - 4.75
    >>> round(float(1.0 / reduced_resistance(0.0, 0.0, 1.0, 10.0, end, 1.44)), 5)
    0.19099
    """
    above = 1.0 + tau * (2.255 - 1.268 * tau)
    below = 4.172 - tau * (1.108 + 1.077 * tau)
    edge = np.sqrt(above / below) / choked
    dense = delta_upstream**1.3 * (1.0 / 3.1)
    opening = edge * (1.0 + _quarter_root(tau) * dense) / (edge + dense)
    laminar = (
        opening
        + length_over_radius / (_ROOT_PI * poiseuille_coefficient(delta_mean))
        + end_term / (1.0 + 1.8 * delta_upstream)
    )
    reynolds_2 = (4.0 / np.pi) * tau * (delta_upstream / laminar) ** 2
    z = (reynolds_2 / _TRANSITION_REYNOLDS**2) ** 2
    z = z * z
    if z < 1e-14:  # below Re of 50 the blend is beyond the last digit
        return laminar
    friction = 0.316 / np.sqrt(np.sqrt(np.sqrt(reynolds_2)))
    drag = friction * length_over_radius * (0.25 / np.pi) * np.sqrt(tau) / (2.0 - tau)
    turbulent = np.sqrt(opening * opening + drag)
    return laminar + z / (1.0 + z) * (turbulent - laminar)


@kernel
def reduced_resistance_slopes(delta_mean, delta_upstream, tau, length_over_radius, end_term, choked):
    """Whole-range resistance as `reduced_resistance`, with derivatives.

    Parameters
    ----------
    delta_mean, delta_upstream : float
        Rarefaction parameter at the mean pressure and at the upstream end [1].
    tau : float
        Square of pressure drop over upstream pressure [1].
    length_over_radius : float
        Length over bore radius [1].
    end_term : float
        1/W - 1 - 3 L/(8 R) [1].
    choked : float
        Reduced choked flow of the bare orifice [1].

    Returns
    -------
    tuple of float
        Resistance and its derivatives by delta_mean, delta_upstream and tau [1].

    Notes
    -----
    See `reduced_resistance`.

    Valid: as `reduced_resistance`.  Nothing is raised.
    Source: own derivation: derivatives of `reduced_resistance`, checked against central differences.

    Examples
    --------
    >>> round(float(reduced_resistance_slopes(1.0, 2.0, 1.0, 10.0, 0.487, 1.44)[0]), 4)
    4.7623
    """
    above = 1.0 + tau * (2.255 - 1.268 * tau)
    below = 4.172 - tau * (1.108 + 1.077 * tau)
    edge = np.sqrt(above / below) / choked
    edge_t = 0.5 * edge * ((2.255 - 2.536 * tau) / above + (1.108 + 2.154 * tau) / below)
    dense = delta_upstream**1.3 * (1.0 / 3.1)
    dense_u = 1.3 * dense / delta_upstream
    root, root_t = _quarter_root_slope(tau)
    sum_ = edge + dense
    opening = edge * (1.0 + root * dense) / sum_
    opening_e = dense * (1.0 + root * dense) / (sum_ * sum_)
    opening_y = edge * (root * edge - 1.0) / (sum_ * sum_)
    opening_u = opening_y * dense_u
    opening_t = opening_e * edge_t + edge * dense / sum_ * root_t
    g, g_d = poiseuille_coefficient_slope(delta_mean)
    tube = length_over_radius / (_ROOT_PI * g)
    tube_d = -tube * g_d / g
    ends = end_term / (1.0 + 1.8 * delta_upstream)
    laminar = opening + tube + ends
    laminar_u = opening_u - 1.8 * ends / (1.0 + 1.8 * delta_upstream)
    reynolds_2 = (4.0 / np.pi) * tau * (delta_upstream / laminar) ** 2
    z = (reynolds_2 / _TRANSITION_REYNOLDS**2) ** 2
    z = z * z
    if z < 1e-14:
        return laminar, tube_d, laminar_u, opening_t
    friction = 0.316 / np.sqrt(np.sqrt(np.sqrt(reynolds_2)))
    drag = friction * length_over_radius * (0.25 / np.pi) * np.sqrt(tau) / (2.0 - tau)
    turbulent = np.sqrt(opening * opening + drag)
    blend = z / (1.0 + z)
    # Logarithmic derivatives of Re^2, from which drag goes as Re^(-1/4) and z as Re^8.
    ln_d = -2.0 * tube_d / laminar
    ln_u = 2.0 / delta_upstream - 2.0 * laminar_u / laminar
    ln_t = 1.0 / tau - 2.0 * opening_t / laminar
    gap = 4.0 * blend / (1.0 + z) * (turbulent - laminar) - blend * drag * 0.0625 / turbulent
    along = blend * opening / turbulent
    drag_t = blend * 0.5 * drag / turbulent * (0.5 / tau + 1.0 / (2.0 - tau))
    rest = 1.0 - blend
    return (
        laminar + blend * (turbulent - laminar),
        rest * tube_d + gap * ln_d,
        rest * laminar_u + along * opening_u + gap * ln_u,
        rest * opening_t + along * opening_t + drag_t + gap * ln_t,
    )


@kernel
def transmission_probability(length_over_radius):
    """Share of the molecules entering a round tube that leave at the far end, molecular flow.

    Parameters
    ----------
    length_over_radius : float
        Length over bore radius [1].

    Returns
    -------
    float
        Transmission probability [1].

    Notes
    -----
    Berman's closed form, within 0.07 % of the exact solution (worst near 40 radii).  Its terms
    cancel for very long tubes, therefore beyond 1000 radii W = (8/3y) [1 - (0.75 ln y + 2)/y].

    Valid: any length, within 0.07 %; diffuse wall.  Nothing is raised.
    Source: [Berman1965], eq. 9; long form own fit, with a step of 1.3e-4 at
    the seam (lengths do not change during a run).

    Examples
    --------
    >>> round(float(transmission_probability(40.0)), 6)
    0.059491
    """
    y = length_over_radius
    if y > 1000.0:
        return 8.0 / (3.0 * y) * (1.0 - (0.75 * np.log(y) + 2.0) / y)
    if y < 1e-3:
        return 1.0 - 0.5 * y + 0.25 * y * y  # the closed form is 0/0 at no length
    s = np.sqrt(y * y + 4.0)
    numerator = ((8.0 - y * y) * s + y**3 - 16.0) ** 2
    return 1.0 + 0.25 * y * (y - s) - numerator / (72.0 * y * s - 288.0 * np.log(0.5 * (y + s)))


@kernel
def poiseuille_coefficient(delta):
    """Reduced flow of a long tube against the pressure gradient, any rarefaction.

    Parameters
    ----------
    delta : float
        Rarefaction parameter, not negative [1].

    Returns
    -------
    float
        G [1]: mass flow = pi r^3 G / v0 times the pressure gradient.

    Notes
    -----
    G = delta/4 + 1.0184 + 0.48611 (1 + 0.4531 d)/(1 + 3.1991 d^0.8 - 1.2207 d + 0.4054 d^2).
    Molecular limit 8/(3 sqrt(pi)), a minimum near 0.3, viscous and slip limit delta/4 + 1.018.
    Within 0.11 % of the kinetic solution; diffuse wall.

    Valid: any rarefaction, within 0.11 %; diffuse wall, long tube.  Nothing is raised.
    Source: own derivation: fit to an own solution of the S-model equation.

    Examples
    --------
    >>> round(float(poiseuille_coefficient(1.0)), 3)
    1.477
    """
    below = 1.0 + 3.1991 * delta**0.8 - 1.2207 * delta + 0.4054 * delta * delta
    return 0.25 * delta + _SLIP + (_MOLECULAR_LIMIT - _SLIP) * (1.0 + 0.4531 * delta) / below


@kernel
def poiseuille_coefficient_slope(delta):
    """Poiseuille coefficient with its derivative.

    Parameters
    ----------
    delta : float
        Rarefaction parameter, above zero [1].

    Returns
    -------
    tuple of float
        G and dG/d(delta) [1].

    Notes
    -----
    As `poiseuille_coefficient`; the slope grows as delta^-0.2 towards zero.

    Valid: as `poiseuille_coefficient`; delta above 0.  Nothing is raised.
    Source: own derivation: derivative of `poiseuille_coefficient`.

    Examples
    --------
    >>> round(float(poiseuille_coefficient_slope(100.0)[1]), 4)
    0.2499
    """
    power = 3.1991 * delta**0.8
    below = 1.0 + power - 1.2207 * delta + 0.4054 * delta * delta
    extra = (_MOLECULAR_LIMIT - _SLIP) * (1.0 + 0.4531 * delta) / below
    by_below = 0.8 * power / delta - 1.2207 + 0.8108 * delta
    slope = 0.25 + ((_MOLECULAR_LIMIT - _SLIP) * 0.4531 - extra * by_below) / below
    return 0.25 * delta + _SLIP + extra, slope


@kernel
def creep_ratio(delta):
    """Exponent of thermal transpiration: at rest p goes as T to this power along a tube.

    Parameters
    ----------
    delta : float
        Rarefaction parameter, not negative [1].

    Returns
    -------
    float
        gamma [1]: 1/2 in molecular flow, 0 in viscous flow.

    Notes
    -----
    gamma = 0.5/(1 + 0.28431 d^0.5332 + 0.4716 d + 0.10768 d^2), within 0.5 %.

    Valid: any rarefaction, within 0.5 %; diffuse wall, long tube.  Nothing is raised.
    Source: own derivation: fit to an own solution of the S-model equation.

    Examples
    --------
    >>> float(creep_ratio(0.0))
    0.5
    """
    return 0.5 / (1.0 + 0.28431 * delta**0.5332 + 0.4716 * delta + 0.10768 * delta * delta)


@kernel
def creep_ratio_slope(delta):
    """Creep ratio with its derivative.

    Parameters
    ----------
    delta : float
        Rarefaction parameter, above zero [1].

    Returns
    -------
    tuple of float
        gamma and its derivative by delta [1].

    Notes
    -----
    As `creep_ratio`; the slope grows as delta^-0.47 towards zero.

    Valid: as `creep_ratio`; delta above 0.  Nothing is raised.
    Source: own derivation: derivative of `creep_ratio`.

    Examples
    --------
    >>> round(float(creep_ratio_slope(1.0)[1]), 4)
    -0.1207
    """
    power = 0.28431 * delta**0.5332
    ratio = 0.5 / (1.0 + power + 0.4716 * delta + 0.10768 * delta * delta)
    return ratio, -2.0 * ratio * ratio * (0.5332 * power / delta + 0.4716 + 0.21536 * delta)


@kernel
def upstream_shift(peclet):
    """How far the composition of a stream moves from the mean to the upstream end.

    Parameters
    ----------
    peclet : float
        Stream over diffusive exchange, signed [1].

    Returns
    -------
    float
        Weight of the upstream end minus one half, odd in the argument [1].

    Notes
    -----
    coth(Pe/2)/2 - 1/Pe: with diffusion kept beside it, the exact answer of steady flow with
    diffusion along a tube.

    Valid: exact for steady flow in one dimension.  Nothing is raised.
    Source: own derivation: steady convection and diffusion along a tube.

    Examples
    --------
    >>> round(float(upstream_shift(1000.0)), 4)
    0.499
    """
    return upstream_shift_slope(peclet)[0]


@kernel
def upstream_shift_slope(peclet):
    """Upstream shift with its derivative.

    Parameters
    ----------
    peclet : float
        Stream over diffusive exchange, signed [1].

    Returns
    -------
    tuple of float
        Shift and its derivative [1].

    Notes
    -----
    Below 0.3 by series, elsewhere closed; the two agree to 1e-15 there.

    Valid: as `upstream_shift`.  Nothing is raised.
    Source: own derivation: derivative of `upstream_shift`.

    Examples
    --------
    >>> [round(float(x), 6) for x in upstream_shift_slope(0.0)]
    [0.0, 0.083333]
    """
    s = peclet * peclet
    if s < 0.09:
        shift = peclet * (
            1.0 / 12.0 + s * (-1.0 / 720.0 + s * (1.0 / 30240.0 + s * (-1.0 / 1209600.0 + s / 47900160.0)))
        )
        slope = 1.0 / 12.0 + s * (
            -3.0 / 720.0 + s * (5.0 / 30240.0 + s * (-7.0 / 1209600.0 + s * 9.0 / 47900160.0))
        )
        return shift, slope
    fall = np.exp(-abs(peclet))
    shift = np.copysign(0.5 * (1.0 + fall) / (1.0 - fall), peclet) - 1.0 / peclet
    return shift, 1.0 / s - fall / ((1.0 - fall) * (1.0 - fall))


@kernel
def _quarter_root(tau):
    """tau^(1/4), made smooth at zero and exact at 1."""
    low = np.sqrt(np.sqrt(_LAMINAR_WIDTH))
    high = np.sqrt(np.sqrt(1.0 + _LAMINAR_WIDTH))
    return (np.sqrt(np.sqrt(tau + _LAMINAR_WIDTH)) - low) / (high - low)


@kernel
def _quarter_root_slope(tau):
    """`_quarter_root` with its derivative."""
    low = np.sqrt(np.sqrt(_LAMINAR_WIDTH))
    high = np.sqrt(np.sqrt(1.0 + _LAMINAR_WIDTH))
    root = np.sqrt(np.sqrt(tau + _LAMINAR_WIDTH))
    return (root - low) / (high - low), 0.25 * root / ((tau + _LAMINAR_WIDTH) * (high - low))
