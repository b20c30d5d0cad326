"""Pumps of an exhaust machine: rotary, booster, oil diffusion, turbomolecular.

A pump takes each gas by that gas's own partial pressure and stops where the gas that the pump
gives back balances it.  The composition of the ultimate pressure therefore matters as much as
its total: it decides how much water and oxygen the valves see.

Public: `rotary_flow`, `pump_down_pressure`, `pump_down_time`, `series_speed`, `diffusion_speed`,
`jet_target`, `diffusion_flow`, `required_backing_speed`, `booster_speed`, `booster_slip`,
`turbomolecular_compression`, `turbomolecular_speed`, `turbomolecular_target`,
`turbomolecular_factors`.  A pump by its table stands in `exhaustsim.physics.speedtable`, water in a
rotary pump in `exhaustsim.physics.ballast`.

Not modelled: oil vapour and its backstreaming, warm-up, speed of a diffusion pump differing from
gas to gas (light gases can lie on either side of nitrogen, so no 1/sqrt(M) is applied), a booster's
compression falling in molecular flow.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel

JET_STEEPNESS = 20.0  # exponent of the breakdown of the vapour jet; a sharp but smooth edge
SMALL_SPEED_UP = 1e-2  # x below which x/(e^x - 1) goes by its series; the first term left out is x^6/30240


@kernel
def rotary_flow(pressure, ultimate, speed):
    """Throughput of one gas into a rotary vane pump.

    Parameters
    ----------
    pressure : float
        Partial pressure at the inlet [Pa].
    ultimate : float
        Partial ultimate pressure of that gas [Pa].
    speed : float
        Nominal speed [m^3/s].

    Returns
    -------
    float
        Throughput, negative below the ultimate pressure [Pa m^3/s].

    Notes
    -----
    Q = S0 (p - p_u), which is S = S0 (1 - p_u/p).

    Valid: from the ultimate pressure to where the stated speed holds, usually 1 kPa and above.
    Nothing is raised.
    Source: usage of the trade; partial-pressure behaviour from abstract in [RotaryMolecular].

    Examples
    --------
    >>> round(float(rotary_flow(1.3, 0.3, 4.4e-3)), 6)
    0.0044
    """
    return speed * (pressure - ultimate)


@kernel
def pump_down_pressure(start, ultimate, speed, volume, time):
    """Pressure in a vessel that is emptied at constant speed.

    Parameters
    ----------
    start, ultimate : float
        Pressure at the beginning and in the end [Pa].
    speed : float
        Pumping speed at the vessel [m^3/s].
    volume : float
        Volume [m^3].
    time : float
        Time since the beginning [s].

    Returns
    -------
    float
        Pressure [Pa].

    Notes
    -----
    p = p_u + (p_0 - p_u) exp(-S t/V), at constant temperature.

    Valid: exact at constant speed and temperature.  Nothing is raised.
    Source: own derivation: balance of one volume.

    Examples
    --------
    >>> round(float(pump_down_pressure(101325.0, 1.0, 5.0 / 3600.0, 0.2e-3, 1.0)), 3)
    98.674
    """
    return ultimate + (start - ultimate) * np.exp(-speed * time / volume)


@kernel
def pump_down_time(start, end, ultimate, speed, volume):
    """Time to pump a vessel from `start` to `end` at constant speed.

    Parameters
    ----------
    start, end, ultimate : float
        Pressures, start > end > ultimate [Pa].
    speed : float
        Pumping speed at the vessel [m^3/s].
    volume : float
        Volume [m^3].

    Returns
    -------
    float
        Time [s].

    Notes
    -----
    t = (V/S) ln((p_0 - p_u)/(p - p_u)).

    Valid: exact at constant speed and temperature.  Nothing is raised.
    Source: own derivation: balance of one volume.

    Examples
    --------
    >>> round(float(pump_down_time(101325.0, 1.0, 0.0, 2e-3, 10e-3)), 4)
    57.6304
    """
    return volume / speed * np.log((start - ultimate) / (end - ultimate))


@kernel
def series_speed(speed, conductance):
    """Pumping speed that is left behind a conductance.

    Parameters
    ----------
    speed : float
        Speed at the pump [m^3/s].
    conductance : float
        Conductance between pump and vessel [m^3/s].

    Returns
    -------
    float
        Speed at the vessel [m^3/s].

    Notes
    -----
    1/S_eff = 1/S + 1/F.  Beaming between short pieces is left out.

    Valid: conductances long enough not to beam into one another.  Nothing is raised.
    Source: own derivation: one flow through both.

    Examples
    --------
    >>> round(float(series_speed(0.45e-3, 0.0487e-3) * 1e3), 4)
    0.0439
    """
    return speed * conductance / (speed + conductance)


@kernel
def diffusion_speed(total_pressure, speed, knee):
    """Speed of an oil diffusion pump against the total pressure at its inlet, with its slope.

    Parameters
    ----------
    total_pressure : float
        Total pressure at the inlet [Pa].
    speed : float
        Speed at low pressure [m^3/s].
    knee : float
        Inlet pressure above which the throughput is constant [Pa].

    Returns
    -------
    tuple of float
        Speed [m^3/s] and its derivative by total_pressure [m^3/(s Pa)].

    Notes
    -----
    S = S_D (1 + (p/p_k)^4)^(-1/4): S_D below the knee and Q_max/p above it, Q_max = S_D p_k;
    1.5 % off either at half and at twice the knee, 16 % below both at the knee itself.
    Meant for inlet pressures under some pascal; far above, the jet has long failed.

    Valid: inlet below some pascal.  Nothing is raised.
    Source: own derivation: two-branch form recalled from trade handbooks, joined smoothly here.

    Examples
    --------
    >>> round(float(diffusion_speed(0.0, 25e-3, 0.1)[0]), 6)
    0.025
    >>> round(float(diffusion_speed(1.0, 25e-3, 0.1)[0] * 1e3), 4)
    2.4999
    """
    x = total_pressure / knee
    x3 = x * x * x
    base = 1.0 + x3 * x
    value = speed / np.sqrt(np.sqrt(base))
    return value, -value * x3 / (base * knee)


@kernel
def jet_target(backing_pressure, critical):
    """State that the vapour jet settles at for a backing pressure, with its slope.

    Parameters
    ----------
    backing_pressure : float
        Total pressure behind the pump [Pa].
    critical : float
        Critical backing pressure [Pa].

    Returns
    -------
    tuple of float
        Running share, 1 running and 0 stalled [1], and its derivative [1/Pa].

    Notes
    -----
    h = 1/(1 + (p/p_c)^20), worked so that neither very large nor slightly negative pressures
    overflow.  Half at the critical backing pressure, 1 - 1e-6 at half of it.

    Valid: a chosen form, right at the critical backing pressure.  Nothing is raised.
    Source: own derivation: sharp but smooth edge; the exponent is a choice.

    Examples
    --------
    >>> jet_target(40.0, 40.0)[0], jet_target(1e5, 40.0)[0] < 1e-60, jet_target(0.0, 40.0)
    (0.5, True, (1.0, 0.0))
    """
    if backing_pressure <= 0.0:
        return 1.0, 0.0
    ratio = backing_pressure / critical
    if ratio < 1.0:
        x = ratio**JET_STEEPNESS
        value = 1.0 / (1.0 + x)
        stalled = x * value
    else:
        x = (1.0 / ratio) ** JET_STEEPNESS
        stalled = 1.0 / (1.0 + x)
        value = x * stalled
    return value, -JET_STEEPNESS * value * stalled / backing_pressure


@kernel
def diffusion_flow(pressure, ultimate, total_pressure, speed, knee, running):
    """Throughput of one gas into an oil diffusion pump.

    Parameters
    ----------
    pressure, ultimate : float
        Partial pressure at the inlet, and partial ultimate pressure, of that gas [Pa].
    total_pressure : float
        Total pressure at the inlet [Pa].
    speed, knee : float
        See `diffusion_speed` [m^3/s], [Pa].
    running : float
        State of the jet, from 0 to 1 [1].

    Returns
    -------
    float
        Throughput [Pa m^3/s].

    Notes
    -----
    Q = S(p_total) h (p - p_u).  Past the jets of a stalled pump gas goes as through a tube besides:
    `exhaustsim.engine.pumping` adds F (1 - h)(p - p_b) with the conductance F of the stalled pump.

    Valid: as `diffusion_speed`; all gases alike.  Nothing is raised.
    Source: own derivation: two-branch form recalled from trade handbooks, see `diffusion_speed`.

    Examples
    --------
    >>> round(float(diffusion_flow(2e-3, 1e-3, 2e-3, 25e-3, 0.1, 1.0) * 1e6), 4)
    25.0
    """
    value, _ = diffusion_speed(total_pressure, speed, knee)
    return value * running * (pressure - ultimate)


@kernel
def required_backing_speed(pressure, speed, critical, margin):
    """Speed that the backing pump must have for a high-vacuum pump at work.

    Parameters
    ----------
    pressure, speed : float
        Inlet pressure and speed whose product is the greatest load of the duty [Pa], [m^3/s].
    critical : float
        Critical backing pressure [Pa].
    margin : float
        Factor of prudence, usually 2 [1].

    Returns
    -------
    float
        Speed [m^3/s].

    Notes
    -----
    S_b = m p S/p_c.  The other way round, the greatest load is S_b p_c.

    Valid: steady load.  Nothing is raised.
    Source: [HicksCalculations] sect. 6.34 (worked example).

    Examples
    --------
    >>> round(float(required_backing_speed(0.1, 0.1, 20.0, 1.0) * 1e3), 6)
    0.5
    """
    return margin * pressure * speed / critical


@kernel
def booster_speed(speed, backing_speed, compression):
    """Net speed of a mechanical booster in front of its backing pump.

    Parameters
    ----------
    speed, backing_speed : float
        Speeds of the booster and of the pump behind it [m^3/s].
    compression : float
        Zero-flow compression of the booster [1].

    Returns
    -------
    float
        Net speed [m^3/s].

    Notes
    -----
    1/S = 1/S_R + 1/(K_0 S_b).  The same law holds for a turbomolecular pump.

    Valid: inlet in molecular flow, compression not changing with pressure.  Nothing is raised.
    Source: [VacuumTextbookWeb], boosters.

    Examples
    --------
    >>> round(float(booster_speed(50e-3, 5e-3, 20.0) * 1e3), 2)
    33.33
    """
    return 1.0 / (1.0 / speed + 1.0 / (compression * backing_speed))


@kernel
def booster_slip(difference, limit):
    """Share of its speed that a mechanical booster keeps against a pressure difference, with its slope.

    Parameters
    ----------
    difference : float
        Pressure at the outlet less that at the inlet [Pa].
    limit : float
        Difference above which drive or overflow valve gives way [Pa].

    Returns
    -------
    tuple of float
        Share, 1 without a difference [1], and its derivative [1/Pa].

    Notes
    -----
    f = (1 + (d/d_m)^4)^(-1/4), 1 for a difference below zero: far above the limit the work of compression
    S f d stays what it is at the limit.  The flow of a gas is S (f p - p_b/K_0): the gaps leak on while
    the rotors slip, so the compression at no flow falls with f.

    Valid: steady running; a chosen form round the limit itself.  Nothing is raised.
    Source: own derivation: constant work of the drive; overflow valves that open at 30 to 60 hPa: [VacuumTextbookWeb].

    Examples
    --------
    >>> booster_slip(-5.0, 4e3)[0], round(float(booster_slip(40e3, 4e3)[0]), 5)
    (1.0, 0.1)
    """
    if difference <= 0.0:
        return 1.0, 0.0
    x = difference / limit
    x3 = x * x * x
    base = 1.0 + x3 * x
    value = 1.0 / np.sqrt(np.sqrt(base))
    return value, -value * x3 / (base * limit)


@kernel
def turbomolecular_compression(known_compression, known_molar_mass, molar_mass):
    """Compression of a turbomolecular pump for one gas from that for another.

    Parameters
    ----------
    known_compression : float
        Compression known for one gas, usually nitrogen [1].
    known_molar_mass, molar_mass : float
        Molar masses of that gas and of the one wanted [kg/mol].

    Returns
    -------
    float
        Compression [1].

    Notes
    -----
    ln K ~ sqrt(M).  A first guess: real pumps with a drag stage do better for hydrogen.

    Valid: a first guess; light gases do better with a drag stage.  Nothing is raised.
    Source: blade-speed estimate of [VacuumTextbookWeb], turbomolecular pumps.

    Examples
    --------
    >>> round(float(turbomolecular_compression(1e9, 28.0134e-3, 2.01588e-3)))
    260
    """
    return np.exp(np.log(known_compression) * np.sqrt(molar_mass / known_molar_mass))


@kernel
def turbomolecular_speed(pressure, backing_pressure, speed, compression):
    """Speed of a turbomolecular pump for one gas against its partial pressures.

    Parameters
    ----------
    pressure, backing_pressure : float
        Partial pressures of that gas in front of and behind the pump [Pa].
    speed : float
        Speed with nothing behind the pump [m^3/s].
    compression : float
        Zero-flow compression for that gas [1].

    Returns
    -------
    float
        Speed, zero where the pressures stand in the ratio of the compression [m^3/s].

    Notes
    -----
    S = S_0 (1 - (p_b/p)/K_0)/(1 - 1/K_0): S_0 at equal pressures.

    Valid: inlet and backing in molecular flow.  Nothing is raised.
    Source: linear law of [VacuumTextbookWeb], turbomolecular pumps.

    Examples
    --------
    >>> turbomolecular_speed(1e-3, 0.26, 0.1, 260.0)
    0.0
    """
    return speed * (1.0 - backing_pressure / pressure / compression) / (1.0 - 1.0 / compression)


@kernel
def turbomolecular_target(backing_pressure, critical):
    """Share of its speed that a rotor settles at against a backing pressure, with its slope.

    Parameters
    ----------
    backing_pressure : float
        Total pressure behind the pump [Pa].
    critical : float
        Backing pressure at which half the speed is left [Pa].

    Returns
    -------
    tuple of float
        Share of full speed [1] and its derivative [1/Pa].

    Notes
    -----
    h = 1/(1 + (p/p_c)^2): the friction of the gas behind the rotor grows with its pressure, softly compared
    with the failing of a vapour jet.  1 % is lost at a tenth of the critical backing pressure.

    Valid: a chosen form, right at the critical backing pressure.  Nothing is raised.
    Source: own derivation: soft edge; the exponent is a choice.

    Examples
    --------
    >>> turbomolecular_target(0.0, 100.0), turbomolecular_target(100.0, 100.0)[0]
    ((1.0, 0.0), 0.5)
    """
    if backing_pressure <= 0.0:
        return 1.0, 0.0
    x = backing_pressure / critical
    value = 1.0 / (1.0 + x * x)
    return value, -2.0 * x * value * value / critical


@kernel
def turbomolecular_factors(running, log_compression):
    """What a rotor carries forward and lets back, over its speed at full turn, with derivatives by the turn.

    Parameters
    ----------
    running : float
        Share h of full rotor speed, from 0 to 1 [1].
    log_compression : float
        Natural logarithm L of the compression for the gas at full speed and no flow, above 0 [1].

    Returns
    -------
    tuple of float
        Forward and backward factors a and b [1], da/dh and db/dh [1].

    Notes
    -----
    Q = S_0 (a p - b p_b) with x = h L, a = x/(L (1 - e^-x)), b = x/(L (e^x - 1)).

    A row of many thin blade rows that drag gas against its diffusion: at full speed it is the linear law of
    `turbomolecular_speed`, S_0 at equal pressures; the compression at no flow is e^(h L), because ln K goes
    with blade speed; the pump that stands still is a tube of conductance S_0/L, which is larger for light
    gas as it should be.

    Valid: molecular flow through the blades; a first guess between stand-still and full speed.  Nothing is raised.
    Source: [VacuumTextbookWeb] for K ~ exp(v sqrt(M)) and the linear law; own derivation for what lies between.

    Examples
    --------
    >>> a, b, _, _ = turbomolecular_factors(1.0, np.log(1000.0))
    >>> round(float(a / b), 6), round(float(a - b), 12)
    (1000.0, 1.0)
    >>> a, b, _, _ = turbomolecular_factors(0.0, 5.0)
    >>> float(a), float(b)
    (0.2, 0.2)
    """
    x = running * log_compression
    size = abs(x)
    if size < SMALL_SPEED_UP:
        # Of x/(e^x - 1) for x at or above zero: 1 - x/2 + x^2/12 - x^4/720.
        square = size * size
        back = 1.0 - 0.5 * size + square / 12.0 - square * square / 720.0
        back_slope = -0.5 + size / 6.0 - square * size / 180.0
    else:
        e = np.exp(-size)
        rest = -np.expm1(-size)
        back = size * e / rest
        back_slope = e * (rest - size) / (rest * rest)
    forward = back + size
    forward_slope = back_slope + 1.0
    if x < 0.0:
        return back / log_compression, forward / log_compression, -back_slope, -forward_slope
    return forward / log_compression, back / log_compression, forward_slope, back_slope
