"""What a vacuum gauge shows: its own sensitivity to each gas, and the ends of its range.

Only a compression or a capacitance gauge measures pressure as such.  A thermal-conductivity gauge
measures heat carried away, an ionisation gauge ions made, and both differ from gas to gas; their
scale is true for the gas they were calibrated with.  Two bulbs at the same reading can therefore
hold very different amounts of gas.

Public: `gauge_reading`, `single_gas_pressure`, `reading_on_scale`.

Not modelled: sensitivities that change with pressure inside the range, gas that the gauge itself
pumps or gives off, dirt, drift, transpiration to a gauge at another temperature.
"""

from __future__ import annotations

from exhaustsim.compiled import kernel


@kernel
def gauge_reading(pressures, factors):
    """Reading of a gauge in a mixture of gases.

    Parameters
    ----------
    pressures : (gas,) float array
        Partial pressures at the gauge [Pa].
    factors : (gas,) float array
        Sensitivity to each gas over that to the gas of calibration [1].

    Returns
    -------
    float
        Reading, as pressure of the gas of calibration [Pa].

    Notes
    -----
    Sum of factor times partial pressure: signals of the gases add.

    Valid: where the signal of the gauge is proportional to pressure, see the ranges of
    `data/gauges.toml`; factors of one make differ by 15 % from another's.  Nothing is raised.

    Source: definition of the relative sensitivity, as in [RedheadCRC].

    Examples
    --------
    >>> import numpy as np
    >>> round(float(gauge_reading(np.array([0.2, 1.0]), np.array([0.43, 1.0]))), 3)
    1.086
    """
    total = 0.0
    for g in range(pressures.shape[0]):
        total += factors[g] * pressures[g]
    return total


@kernel
def single_gas_pressure(reading, factor):
    """Pressure of one gas from the reading of a gauge calibrated with another.

    Parameters
    ----------
    reading : float
        Reading of the gauge [Pa].
    factor : float
        Relative sensitivity to the gas that is there [1].

    Returns
    -------
    float
        Pressure, and not-a-number for a gas that the gauge does not see (factor 0) [Pa].

    Notes
    -----
    p = reading/factor, the inverse of `gauge_reading` for one gas alone.

    Valid: one gas alone, inside the range of the gauge.  Nothing is raised.

    Source: definition; worked example in [IonGaugeManual].

    Examples
    --------
    >>> round(float(single_gas_pressure(0.43, 0.43)), 6)
    1.0
    """
    if factor == 0.0:
        return float("nan")
    return reading / factor


@kernel
def reading_on_scale(reading, lowest, highest):
    """What the scale shows of a reading: inside its range the reading, outside the nearer end.

    Parameters
    ----------
    reading : float
        Reading that an endless scale would show [Pa].
    lowest, highest : float
        Ends of the scale [Pa].

    Returns
    -------
    tuple of float and int
        Value shown [Pa], and where it lies: -1 below the scale, 0 on it, 1 above it [1].

    Notes
    -----
    A cut, with kinks at both ends: for showing a finished run, not for a stepper.

    Valid: exact.  Nothing is raised.

    Source: definition.

    Examples
    --------
    >>> reading_on_scale(250.0, 0.1, 100.0), reading_on_scale(0.01, 0.1, 100.0)
    ((100.0, 1), (0.1, -1))
    """
    if reading < lowest:
        return lowest, -1
    if reading > highest:
        return highest, 1
    return reading, 0
