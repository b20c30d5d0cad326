"""Flow of gas mixtures through the exhaust stem, the port, or any round tube, at all pressures.

One law covers the whole exhaust, from the gulp at an atmosphere to the last molecules: choked
and turbulent at the start, viscous in the rough exhaust, and in the end each gas for itself.
`tube_mixture_flow` is that law; `tube_mixture_flow_slopes` adds its exact derivatives for the
stiff stepper, `tube_constants` fills what a tube needs once.  Its pieces for one gas stand in
`rarefaction`.  The closed forms that a slide rule gives are `tube_conductance_molecular`,
`tube_conductance_viscous`, `choked_speed`, `pump_down_viscous`, `pump_down_tube`.

The law for a mixture, end 1 to end 2 (p driving pressures, D = p1 - p2 of their totals):

    Q_i = C_i (p_i1 - p_i2) + x_i D (C_tot - C_mean)

C_i is the molecular conductance of the gas in series with its diffusion through the others,
C_mean the mean of the C_i at the mean composition, C_tot the whole-range conductance of the
mixture as one gas.  The second term, gas carried along by the stream, vanishes in molecular
flow and at equal totals.  x_i is the composition of the stream: the mean of the ends when
diffusion wins over the stream, that of the upstream end when the stream wins, with

    x_i = (mean p_i + h_i (p_i1 - p_i2)) / (mean p + h_i D),  h_i = coth(Pe_i/2)/2 - 1/Pe_i

and Pe_i the stream over the conductance of that gas.  A gas that one end lacks never leaves that
end.  Exchange of the ends only changes the sign of every flow.

Accuracy: a few per cent in the molecular and viscous limits, 20 to 30 % between them and with
back pressure.  The separation of gases in between was checked against no measurement.

Not modelled: walls that reflect like a mirror (they raise the molecular end by up to 20 %),
bends, cones and pinches (a factor to be applied by the caller), transients inside the tube
(over in milliseconds), cooling of the gas on expansion, condensation.  The choked opening takes
the mean speed of the molecules instead of the mean mass: 0.2 % high for air, but a third high for
equal parts of helium and nitrogen at the gulp.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel, kernel_on_arrays
from exhaustsim.constants import GAS_CONSTANT, GAS_COUNT
from exhaustsim.physics.gases import mean_speed, mutual_diffusivity, wilke_factors
from exhaustsim.physics.rarefaction import (
    CHOKED_FLOW_AIR,
    creep_ratio,
    creep_ratio_slope,
    reduced_resistance,
    reduced_resistance_slopes,
    transmission_probability,
    upstream_shift,
    upstream_shift_slope,
)

_G = GAS_COUNT
_DIFFUSION_EXPONENT = 1.75  # of the temperature, at constant pressure
_DIFFUSION_FACTOR = 1.14  # real gases against hard spheres of the same viscosity, mean of pairs
_TINY = 1e-6  # Pa: below it, in molecular flow, the stream carries no composition
_TINY_PART = 1e-9  # Pa: smallest mean partial pressure that viscosity and diffusion see

# Layout of a tube's constants.
_QUARTER_AREA, _END_RATIO, _END_TERM, CHOKED, _T_REF, _DELTA = range(6)
_MU = 6
_EXPONENT = _MU + _G
_SPEED = _EXPONENT + _G
_MOLECULAR = _SPEED + _G
_PHI = _MOLECULAR + _G
_RESISTANCE = _PHI + _G * _G
TUBE_SIZE = _RESISTANCE + _G * _G

# Layout of the work space.
_Q, _Q_SLOPE, _MU_T, _BELOW, _C, _C_T, _KAPPA_Q, _SPEED_Q, _MEAN_Q = (k * _G for k in range(9))
TUBE_SCRATCH = 9 * _G


@kernel
def tube_constants(radius, length, molar_mass, viscosity_ref, temperature_ref, exponent, diameter, out):
    """Fill what does not change during a run: geometry, end correction, gas tables of one tube.

    Parameters
    ----------
    radius, length : float
        Bore radius and length [m].
    molar_mass : array
        Molar mass of each gas [kg/mol].
    viscosity_ref : array
        Viscosity of each gas at the reference temperature [Pa s].
    temperature_ref : float
        Reference temperature [K].
    exponent : array
        Viscosity exponent of each gas [1].
    diameter : array
        Hard-sphere diameter of each gas from viscosity [m].
    out : array
        `TUBE_SIZE` numbers to fill. `out[CHOKED]` is set for air; for another gas put its own.

    Notes
    -----
    Mixing factors and diffusivities are those of the reference temperature; see
    `gases.wilke_factors` and `gases.mutual_diffusivity` for the error (water diffuses up to a third
    faster than taken here, other pairs within 12 %).
    Valid: any round tube; gas tables of one reference temperature.  Nothing is raised.
    Source: own derivation: collects the constants of the laws named in the pieces below.

    Examples
    --------
    >>> tube = np.zeros(TUBE_SIZE)
    >>> nine = np.full(9, 0.028)
    >>> tube_constants(0.0015, 0.06, nine, nine * 6e-4, 293.15, nine * 25.0, nine * 1e-8, tube)
    >>> round(float(tube[_END_RATIO]), 6)
    40.0
    """
    area = np.pi * radius * radius
    transmission = transmission_probability(length / radius)
    out[_QUARTER_AREA] = 0.25 * area
    out[_END_RATIO] = length / radius
    out[_END_TERM] = 1.0 / transmission - 1.0 - 0.375 * length / radius
    out[CHOKED] = CHOKED_FLOW_AIR
    out[_T_REF] = temperature_ref
    out[_DELTA] = 2.0 * radius / np.sqrt(np.pi)  # delta = this * p / (mu * mean speed)
    for i in range(_G):
        out[_MU + i] = viscosity_ref[i]
        out[_EXPONENT + i] = exponent[i]
        out[_SPEED + i] = mean_speed(1.0, molar_mass[i])
        out[_MOLECULAR + i] = 1.0 / (0.25 * area * transmission * out[_SPEED + i])
        for j in range(_G):
            diffusivity = _DIFFUSION_FACTOR * mutual_diffusivity(
                temperature_ref, 1.0, molar_mass[i], molar_mass[j], diameter[i], diameter[j]
            )
            out[_RESISTANCE + _G * i + j] = (length + 8.0 * radius / 3.0) / (area * diffusivity)
    wilke_factors(molar_mass, viscosity_ref, out[_PHI : _PHI + _G * _G].reshape(_G, _G))


@kernel_on_arrays
def tube_mixture_flow(p1, T1, p2, T2, tube, flow_out, scratch):
    """Flow of each gas through a round tube, any pressure, any two end temperatures.

    Parameters
    ----------
    p1, p2 : array
        Partial pressures at the two ends, each at its own gas temperature [Pa].
    T1, T2 : float
        Gas temperatures at the two ends [K].
    tube : array
        Constants from `tube_constants`.
    flow_out : array
        Filled with the flow of each gas from end 1 to end 2 [mol/s].
    scratch : array
        Work space of `TUBE_SCRATCH` numbers.

    Notes
    -----
    The law at the head of this module.  Driving pressures p (Tm/T)^gamma, gamma the creep ratio
    at the mean pressure, Tm the mean temperature.  Finite at zero and slightly negative pressures.
    Valid: any pressure; 20 to 30 % between molecular and viscous flow with back pressure, a few per
    cent in the limits.  Nothing is raised.
    Source: own derivation: composition of published pieces, see each piece.

    Examples
    --------
    Equal ends, no flow:

    >>> tube, flow, work = np.zeros(TUBE_SIZE), np.ones(9), np.zeros(TUBE_SCRATCH)
    >>> nine = np.full(9, 0.028)
    >>> tube_constants(0.0015, 0.06, nine, nine * 6e-4, 293.15, nine * 25.0, nine * 1e-8, tube)
    >>> tube_mixture_flow(nine, 300.0, nine, 300.0, tube, flow, work)
    >>> float(abs(flow).max())
    0.0
    """
    T, total, speed, kappa, conductance, shrink = _mean_state(p1, T1, p2, T2, tube, scratch)
    sum1 = 0.0
    sum2 = 0.0
    for i in range(_G):
        sum1 += p1[i]
        sum2 += p2[i]
    creep = creep_ratio(kappa * total) if T1 != T2 else 0.0
    drive1, drive2 = (np.exp(creep * np.log(T / T1)), np.exp(creep * np.log(T / T2))) if T1 != T2 else (1.0, 1.0)
    s1 = drive1 * sum1
    s2 = drive2 * sum2
    drop = s1 - s2
    upstream, tau = _upstream(s1, s2)
    resistance = reduced_resistance(
        kappa * total, kappa * upstream, tau, tube[_END_RATIO], tube[_END_TERM], tube[CHOKED]
    )
    stream = drop * (tube[_QUARTER_AREA] * speed / resistance - conductance)
    mean = 0.5 * (s1 + s2)
    molar = 1.0 / (GAS_CONSTANT * T)
    for i in range(_G):
        c = scratch[_C + i]
        first = drive1 * p1[i]
        second = drive2 * p2[i]
        shift = upstream_shift(stream / (total * c))
        carrier = mean + shift * drop
        share = (0.5 * (first + second) + shift * (first - second)) * carrier / (carrier * carrier + _TINY * _TINY)
        flow_out[i] = molar * (c * (first - second) + stream * share)


@kernel_on_arrays
def tube_mixture_flow_slopes(
    p1, T1, p2, T2, tube, flow_out, dflow_dp1, dflow_dp2, dflow_dT1, dflow_dT2, scratch
):
    """Flow of each gas as `tube_mixture_flow`, with exact derivatives.

    Parameters
    ----------
    p1, p2 : array
        Partial pressures at the two ends, each at its own gas temperature [Pa].
    T1, T2 : float
        Gas temperatures at the two ends [K].
    tube : array
        Constants from `tube_constants`.
    flow_out : array
        Filled with the flow of each gas from end 1 to end 2 [mol/s].
    dflow_dp1, dflow_dp2 : array
        Filled, (gas of the flow, gas of the pressure) [mol/(s Pa)].
    dflow_dT1, dflow_dT2 : array
        Filled at constant pressures [mol/(s K)].
    scratch : array
        Work space of `TUBE_SCRATCH` numbers.

    Notes
    -----
    Every flow depends on its own two driving pressures, its own conductance, the stream, the
    mean total and the two end totals; the stream on rarefaction per pressure (kappa), mean total,
    mean speed, mean conductance and the end totals.  Derivatives are carried through these few.
    Valid: as `tube_mixture_flow`.  Nothing is raised.
    Source: own derivation: derivatives of `tube_mixture_flow`, checked against central differences.

    Examples
    --------
    The flow of a gas rises with its own pressure at end 1:

    >>> tube, flow, work = np.zeros(TUBE_SIZE), np.ones(9), np.zeros(TUBE_SCRATCH)
    >>> nine, a, b, c, d = np.full(9, 0.028), np.zeros((9, 9)), np.zeros((9, 9)), np.zeros(9), np.zeros(9)
    >>> tube_constants(0.0015, 0.06, nine, nine * 6e-4, 293.15, nine * 25.0, nine * 1e-8, tube)
    >>> tube_mixture_flow_slopes(nine, 300.0, nine, 300.0, tube, flow, a, b, c, d, work)
    >>> bool(a[0, 0] > 0.0 > b[0, 0])
    True
    """
    T, total, speed, kappa, conductance, shrink = _mean_state(p1, T1, p2, T2, tube, scratch)
    sum1 = 0.0
    sum2 = 0.0
    for i in range(_G):
        sum1 += p1[i]
        sum2 += p2[i]
    delta = kappa * total
    creep, creep_d = creep_ratio_slope(delta)
    log1 = np.log(T / T1)
    log2 = np.log(T / T2)
    drive1 = np.exp(creep * log1)
    drive2 = np.exp(creep * log2)
    s1 = drive1 * sum1
    s2 = drive2 * sum2
    drop = s1 - s2
    upstream, tau = _upstream(s1, s2)
    up_1 = (0.25 * (s1 + s2) + 0.75 * drop) / upstream
    up_2 = (0.25 * (s1 + s2) - 0.75 * drop) / upstream
    tau_drop = 2.0 * drop / (upstream * upstream)
    tau_up = -2.0 * tau / upstream
    resistance, by_delta, by_up, by_tau = reduced_resistance_slopes(
        delta, kappa * upstream, tau, tube[_END_RATIO], tube[_END_TERM], tube[CHOKED]
    )
    whole = tube[_QUARTER_AREA] * speed / resistance
    excess = whole - conductance
    stream = drop * excess
    f = -drop * whole / resistance
    stream_kappa = f * (by_delta * total + by_up * upstream)
    stream_total = f * by_delta * kappa
    stream_speed = drop * whole / speed
    stream_conductance = -drop
    stream_1 = excess + f * ((by_up * kappa + by_tau * tau_up) * up_1 + by_tau * tau_drop)
    stream_2 = -excess + f * ((by_up * kappa + by_tau * tau_up) * up_2 - by_tau * tau_drop)

    kappa_T, cond_T = _mean_slopes(T, total, speed, kappa, conductance, shrink, tube, scratch)
    speed_T = 0.5 * speed / T
    creep1 = creep_d * log1
    creep2 = creep_d * log2
    both = 0.5 * creep / T
    at1 = both - creep / T1
    at2 = both - creep / T2
    mean = 0.5 * (s1 + s2)
    molar = 1.0 / (GAS_CONSTANT * T)
    loss = -0.5 / T
    for i in range(_G):
        c = scratch[_C + i]
        first = drive1 * p1[i]
        second = drive2 * p2[i]
        fall = first - second
        peclet = stream / (total * c)
        shift, shift_p = upstream_shift_slope(peclet)
        carrier = mean + shift * drop
        square = carrier * carrier + _TINY * _TINY
        inverse = carrier / square
        inverse_c = (_TINY * _TINY - carrier * carrier) / (square * square)
        carried = 0.5 * (first + second) + shift * fall
        share = carried * inverse
        flow = molar * (c * fall + stream * share)
        flow_out[i] = flow

        # By the Peclet number, the stream, the total, the conductance of the gas, the two ends.
        by_peclet = stream * (fall * inverse + carried * inverse_c * drop) * shift_p
        by_stream = share + by_peclet / (total * c)
        by_c = fall - by_peclet * peclet / c
        by_first = c + stream * (0.5 + shift) * inverse
        by_second = -c + stream * (0.5 - shift) * inverse
        by_carrier = stream * carried * inverse_c
        by_1 = by_carrier * (0.5 + shift) + by_stream * stream_1
        by_2 = by_carrier * (0.5 - shift) + by_stream * stream_2

        # Driving factors: by their logarithms, which follow the creep ratio and the temperatures.
        by_log1 = by_first * first + by_1 * s1
        by_log2 = by_second * second + by_2 * s2
        by_delta_i = by_log1 * creep1 + by_log2 * creep2
        by_kappa = by_stream * stream_kappa + by_delta_i * total
        by_total = by_stream * stream_total - by_peclet * peclet / total + by_delta_i * kappa
        by_speed = by_stream * stream_speed
        by_mean = by_stream * stream_conductance

        straight = 0.5 * (by_kappa * kappa_T + by_speed * speed_T + by_mean * cond_T + by_c * scratch[_C_T + i])
        dflow_dT1[i] = molar * (straight + by_log1 * at1 + by_log2 * both) + flow * loss
        dflow_dT2[i] = molar * (straight + by_log1 * both + by_log2 * at2) + flow * loss

        slowing = by_c * shrink * c * c
        end1 = molar * drive1 * by_1
        end2 = molar * drive2 * by_2
        for j in range(_G):
            middle = (0.5 * molar * scratch[_Q_SLOPE + j]) * (
                by_kappa * scratch[_KAPPA_Q + j]
                + by_total
                + by_speed * scratch[_SPEED_Q + j]
                + by_mean * scratch[_MEAN_Q + j]
                - slowing * tube[_RESISTANCE + _G * i + j]
            )
            dflow_dp1[i, j] = middle + end1
            dflow_dp2[i, j] = middle + end2
        dflow_dp1[i, i] += molar * drive1 * by_first
        dflow_dp2[i, i] += molar * drive2 * by_second


@kernel
def tube_conductance_molecular(radius, length, temperature, molar_mass):
    """Conductance of a straight round tube in molecular flow, ends included.

    Parameters
    ----------
    radius, length : float
        Bore radius and length [m].
    temperature : float
        Gas temperature [K].
    molar_mass : float
        Molar mass [kg/mol].

    Returns
    -------
    float
        Conductance [m^3/s].

    Notes
    -----
    C = pi r^2 (v/4) W with `rarefaction.transmission_probability`: within 0.07 % of exact.  The
    trade formula 12.1 d^3/l (air, L/s, cm) is 12 % high for an exhaust stem of 40 radii.
    Valid: mean free path long against the bore.  Nothing is raised.
    Source: [Berman1965]; aperture by kinetic theory.

    Examples
    --------
    Exhaust stem 3.0 x 60 mm, air at 20 degC, in L/s:

    >>> round(float(tube_conductance_molecular(0.0015, 0.06, 293.15, 0.0289652)) * 1e3, 4)
    0.0487
    """
    aperture = np.pi * radius**2 * 0.25 * mean_speed(temperature, molar_mass)
    return aperture * transmission_probability(length / radius)


@kernel
def tube_conductance_viscous(radius, length, mean_pressure, viscosity):
    """Conductance of a long round tube in laminar viscous flow.

    Parameters
    ----------
    radius, length : float
        Bore radius and length [m].
    mean_pressure : float
        Mean of the pressures at the two ends [Pa].
    viscosity : float
        Viscosity [Pa s].

    Returns
    -------
    float
        Conductance [m^3/s].

    Notes
    -----
    C = pi r^4 p/(8 mu L).
    Valid: Kn below 0.01, Re below 2300, no entry loss.  Nothing is raised.
    Source: own derivation: Poiseuille's law.

    Examples
    --------
    Per pascal of mean pressure, exhaust stem 3.0 x 60 mm, air, in L/s:

    >>> round(float(tube_conductance_viscous(0.0015, 0.06, 1.0, 1.82e-5)) * 1e3, 6)
    0.001821
    """
    return np.pi * radius**4 * mean_pressure / (8.0 * viscosity * length)


@kernel
def choked_speed(area, temperature, molar_mass, heat_capacity_ratio):
    """Volume of upstream gas that an ideal choked nozzle passes in unit time.

    Parameters
    ----------
    area : float
        Narrowest cross-section [m^2].
    temperature : float
        Upstream temperature [K].
    molar_mass : float
        Molar mass [kg/mol].
    heat_capacity_ratio : float
        Ratio of heat capacities [1].

    Returns
    -------
    float
        Volume flow at upstream conditions [m^3/s].

    Notes
    -----
    S = A sqrt(k R T/M) (2/(k+1))^((k+1)/(2(k-1))); a sharp orifice passes 0.84 of it.
    Valid: ideal gas, p2/p1 below (2/(k+1))^(k/(k-1)), 0.53 for air.  Nothing is raised.
    Source: own derivation: isentropic flow of an ideal gas.

    Examples
    --------
    Air at 20 degC, per cm2, in L/s:

    >>> round(float(choked_speed(1e-4, 293.15, 0.0289652, 1.4)) * 1e3, 2)
    19.86
    """
    k = heat_capacity_ratio
    sound = np.sqrt(k * GAS_CONSTANT * temperature / molar_mass)
    return area * sound * (2.0 / (k + 1.0)) ** (0.5 * (k + 1.0) / (k - 1.0))


@kernel
def pump_down_viscous(start, volume, conductance_per_pressure, time):
    """Pressure in a vessel that empties into vacuum through a long tube, viscous flow.

    Parameters
    ----------
    start : float
        Pressure at the beginning [Pa].
    volume : float
        Volume of the vessel [m^3].
    conductance_per_pressure : float
        Tube conductance over mean pressure, `tube_conductance_viscous` at 1 Pa [m^3/(s Pa)].
    time : float
        Time since the beginning [s].

    Returns
    -------
    float
        Pressure [Pa].

    Notes
    -----
    p = p0/(1 + K p0 t/(2 V)): a hyperbola, soon p = 2 V/(K t) whatever the start.
    Valid: viscous flow at constant temperature.  Nothing is raised.
    Source: own derivation: closed form of V dp/dt = -K p^2/2.

    Examples
    --------
    >>> round(float(pump_down_viscous(1000.0, 0.3e-3, 1.8205486e-6, 10.0)), 3)
    31.906
    """
    return start / (1.0 + 0.5 * conductance_per_pressure * start * time / volume)


@kernel
def pump_down_tube(start, volume, conductance_molecular, conductance_per_pressure, time):
    """Pressure in a vessel that empties into vacuum through a long tube, viscous and molecular.

    Parameters
    ----------
    start : float
        Pressure at the beginning [Pa].
    volume : float
        Volume of the vessel [m^3].
    conductance_molecular : float
        Molecular conductance of the tube [m^3/s].
    conductance_per_pressure : float
        Viscous conductance over mean pressure [m^3/(s Pa)].
    time : float
        Time since the beginning [s].

    Returns
    -------
    float
        Pressure [Pa].

    Notes
    -----
    p = a/((a/p0 + b) exp(a t/V) - b), b = K/2; a check for the stepper rather than a law.
    Valid: exact for the plain sum of conductances, which is up to 20 % high in between.
    Nothing is raised.
    Source: own derivation: closed form of V dp/dt = -p (a + b p).

    Examples
    --------
    >>> round(float(pump_down_tube(1000.0, 0.3e-3, 5.4534957e-5, 1.8205486e-6, 10.0)), 3)
    10.839
    """
    a, b = conductance_molecular, 0.5 * conductance_per_pressure
    return a / ((a / start + b) * np.exp(a * time / volume) - b)


@kernel_on_arrays
def _mean_state(p1, T1, p2, T2, tube, scratch):
    """Mean temperature, positive mean total, mean speed, rarefaction per pressure, mean conductance;
    last the temperature factor of diffusive resistance.

    Fills the work space with mean partial pressures, viscosities and conductances.
    """
    T = 0.5 * (T1 + T2)
    root_T = np.sqrt(T)
    log_T = np.log(T / tube[_T_REF])
    shrink = np.exp(-_DIFFUSION_EXPONENT * log_T)
    total = 0.0
    fast = 0.0
    for i in range(_G):
        mean = 0.5 * (p1[i] + p2[i])
        root = np.sqrt(mean * mean + 4.0 * _TINY_PART * _TINY_PART)
        # Written so that no digits are lost for negative pressures.
        q = 0.5 * (mean + root) if mean > 0.0 else 2.0 * _TINY_PART * _TINY_PART / (root - mean)
        scratch[_Q + i] = q
        scratch[_Q_SLOPE + i] = q / root
        total += q
        fast += q * tube[_SPEED + i]
        scratch[_MU_T + i] = tube[_MU + i] * (np.exp(tube[_EXPONENT + i] * log_T) if log_T != 0.0 else 1.0)  # as in most rooms
    viscosity = 0.0
    conductance = 0.0
    for i in range(_G):
        below = 0.0
        diffusion = 0.0
        for j in range(_G):
            below += tube[_PHI + _G * i + j] * scratch[_Q + j]
            diffusion += tube[_RESISTANCE + _G * i + j] * scratch[_Q + j]
        viscosity += scratch[_MU_T + i] * scratch[_Q + i] / below
        molecular = tube[_MOLECULAR + i] / root_T
        diffusion *= shrink
        c = 1.0 / (molecular + diffusion)
        conductance += scratch[_Q + i] * c
        scratch[_BELOW + i] = 1.0 / below
        scratch[_C + i] = c
        scratch[_C_T + i] = c * c * (0.5 * molecular + _DIFFUSION_EXPONENT * diffusion) / T
    speed = root_T * fast / total
    return T, total, speed, tube[_DELTA] / (viscosity * speed), conductance / total, shrink


@kernel_on_arrays
def _mean_slopes(T, total, speed, kappa, conductance, shrink, tube, scratch):
    """Derivatives of rarefaction, mean speed and mean conductance by mean partial pressures.

    Fills the work space and returns the derivatives of rarefaction and of conductance by T.
    """
    viscosity = tube[_DELTA] / (kappa * speed)
    viscosity_T = 0.0
    cond_T = 0.0
    for j in range(_G):
        scratch[_KAPPA_Q + j] = scratch[_MU_T + j] * scratch[_BELOW + j]
        scratch[_MEAN_Q + j] = scratch[_C + j] - conductance
        scratch[_SPEED_Q + j] = (tube[_SPEED + j] * np.sqrt(T) - speed) / total
    for i in range(_G):
        part = scratch[_MU_T + i] * scratch[_Q + i] * scratch[_BELOW + i]
        viscosity_T += tube[_EXPONENT + i] * part
        cond_T += scratch[_Q + i] * scratch[_C_T + i]
        part *= scratch[_BELOW + i]
        slow = shrink * scratch[_Q + i] * scratch[_C + i] * scratch[_C + i]
        for j in range(_G):
            scratch[_KAPPA_Q + j] -= part * tube[_PHI + _G * i + j]
            scratch[_MEAN_Q + j] -= slow * tube[_RESISTANCE + _G * i + j]
    for j in range(_G):
        scratch[_KAPPA_Q + j] = -kappa * (scratch[_KAPPA_Q + j] / viscosity + scratch[_SPEED_Q + j] / speed)
        scratch[_MEAN_Q + j] /= total
    return -kappa * (viscosity_T / viscosity + 0.5) / T, cond_T / total


@kernel
def _upstream(s1, s2):
    """Smooth upstream pressure, exact into vacuum and at equal ends, and (drop/upstream)^2.

    sqrt(mean^2 + 3 drop^2/4) lies at most 13 % under the larger of the two between those.
    """
    mean = 0.5 * (s1 + s2)
    drop = s1 - s2
    upstream = np.sqrt(mean * mean + 0.75 * drop * drop + _TINY_PART * _TINY_PART)
    ratio = drop / upstream
    return upstream, ratio * ratio
