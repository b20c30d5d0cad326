"""Pumps of an exhaust machine: rotary, booster, oil diffusion, turbomolecular.

A pump takes each gas by that gas's own partial pressure and stops where the gas that the pump
gives back balances it.  The composition of the ultimate pressure therefore matters as much as
its total: it decides how much water and oxygen the valves see.

Public: `rotary_flow`, `pump_down_pressure`, `pump_down_time`, `series_speed`, `diffusion_speed`,
`jet_target`, `diffusion_flow`, `required_backing_speed`, `booster_speed`,
`turbomolecular_compression`, `turbomolecular_speed`, `water_carried_out`.

Not modelled: condensation of water in a rotary pump without ballast (beyond its tolerance),
oil vapour and its backstreaming, warm-up, speed of a diffusion pump differing from gas to gas
(light gases can lie on either side of nitrogen, so no 1/sqrt(M) is applied).
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel

JET_STEEPNESS = 20.0  # exponent of the breakdown of the vapour jet; a sharp but smooth edge
KNEE_STEEPNESS = 4.0  # sharpness of the joint between constant speed and constant throughput


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
    Q = S(p_total) h (p - p_u).

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
def water_carried_out(other_gas, saturation, exhaust_pressure):
    """Largest throughput of water vapour that a rotary pump blows out without condensing it.

    Parameters
    ----------
    other_gas : float
        Throughput of all gas that goes out with it: what the pump takes in beside the water, and any gas
        ballast [any unit of throughput].
    saturation : float
        Saturation pressure of water at the temperature of the pump [Pa].
    exhaust_pressure : float
        Pressure at which the exhaust valve lifts, above `saturation` [Pa].

    Returns
    -------
    float
        Throughput of water, in the unit of `other_gas`.

    Notes
    -----
    Water and the other gas are compressed together until the exhaust valve lifts.  Water stays vapour as
    long as its share of that pressure is below saturation: Q_w/(Q_w + Q_o) p_e <= p_s, so
    Q_w = Q_o p_s/(p_e - p_s).  Nothing is carried out without other gas, however little water there is:
    a pump colder than 100 degC tolerates no pure water vapour without ballast.  With dry ballast air,
    Q_o = B p_atm, it is the usual water vapour tolerance S p_w = B p_atm p_s/(p_e - p_s).

    Source: own derivation from ideal gases and saturation.

    Examples
    --------
    >>> round(float(water_carried_out(1.0, 31.2e3, 120e3)), 4)
    0.3514
    """
    return other_gas * saturation / (exhaust_pressure - saturation)
