"""Metal as the RF field finds it at each temperature: resistivity, and magnetism up to the Curie point.

Cold nickel is a good conductor and magnetic; at 900 degC it has six times the resistivity and is
not magnetic.  Both change what the coil gives it.

Public: `monotone_slopes`, `resistivity_at`, `relative_permeability`.

Not modelled: the permeability as a function of the field (one effective value), hysteresis loss, the change
of size with temperature.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel

COLD = 293.15  # K, temperature that a tabled permeability refers to
# Fall of the magnetisation towards the Curie point, (1 - (T/Tc)^2.5)^0.4, see `relative_permeability`.
FALL_INNER, FALL_OUTER = 2.5, 0.4
# Smear of the Curie point, in (T/Tc)^2.5: a part is not at one temperature to better than some kelvin.
CURIE_SMEAR = 0.02


@kernel
def monotone_slopes(x, y, slopes):
    """Slopes of a smooth curve through points that does not swing between them.

    Parameters
    ----------
    x, y : array of float
        Points [any unit], x rising, at least two.
    slopes : array of float
        Filled with the slope at each point [unit of y over unit of x].

    Notes
    -----
    Weighted harmonic mean of the neighbouring chords, zero where they turn; the outer chord at the ends.

    Valid: any points with x rising.  Nothing is raised.
    Source: own derivation: rule of Fritsch and Butland 1984 (recalled).

    Examples
    --------
    >>> slopes = np.zeros(3)
    >>> monotone_slopes(np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 4.0]), slopes)
    >>> slopes
    array([1. , 1.5, 3. ])
    """
    last = x.size - 1
    slopes[0] = (y[1] - y[0]) / (x[1] - x[0])
    slopes[last] = (y[last] - y[last - 1]) / (x[last] - x[last - 1])
    for i in range(1, last):
        before, after = x[i] - x[i - 1], x[i + 1] - x[i]
        low, high = (y[i] - y[i - 1]) / before, (y[i + 1] - y[i]) / after
        slopes[i] = 0.0
        if low * high > 0.0:
            w, v = 2.0 * after + before, after + 2.0 * before
            slopes[i] = (w + v) / (w / low + v / high)


@kernel
def resistivity_at(temperature, temperatures, resistivities, slopes):
    """Resistivity of a metal between tabled points.

    Parameters
    ----------
    temperature : float
        Temperature [K].
    temperatures, resistivities, slopes : array of float
        Points [K], [ohm m] and the slopes of `monotone_slopes` [ohm m/K].

    Returns
    -------
    tuple of float
        Resistivity [ohm m] and its derivative by temperature [ohm m/K].

    Notes
    -----
    Cubic between the points, straight on beyond them (from points at 20 degC and above no metal
    comes to zero above 200 K).  The kink of nickel and iron at the Curie point is rounded by the spacing of the points.

    Valid: 200 K to some hundred kelvin beyond the last point.  Nothing is raised.
    Source: own derivation: cubic through points of data/materials.toml.

    Examples
    --------
    >>> x, y, s = np.array([300.0, 1000.0]), np.array([7.2e-8, 41.4e-8]), np.zeros(2)
    >>> monotone_slopes(x, y, s)
    >>> round(float(resistivity_at(650.0, x, y, s)[0]) * 1e8, 1)
    24.3
    """
    last = temperatures.size - 1
    if temperature <= temperatures[0]:
        return resistivities[0] + slopes[0] * (temperature - temperatures[0]), slopes[0]
    if temperature >= temperatures[last]:
        return resistivities[last] + slopes[last] * (temperature - temperatures[last]), slopes[last]
    i = 0
    while temperatures[i + 1] < temperature:
        i += 1
    h = temperatures[i + 1] - temperatures[i]
    s = (temperature - temperatures[i]) / h
    step = resistivities[i + 1] - resistivities[i]
    d0, d1 = slopes[i] * h, slopes[i + 1] * h
    c2, c3 = 3.0 * step - 2.0 * d0 - d1, d0 + d1 - 2.0 * step
    return resistivities[i] + s * (d0 + s * (c2 + s * c3)), (d0 + s * (2.0 * c2 + 3.0 * s * c3)) / h


@kernel
def relative_permeability(temperature, cold, curie_temperature):
    """Relative permeability of a magnetic metal in a strong RF field, falling to 1 at the Curie point.

    Parameters
    ----------
    temperature : float
        Temperature [K].
    cold : float
        Relative permeability at 20 degC in that field, at least 1 [1].
    curie_temperature : float
        Curie temperature [K]; 0 for a metal that is not magnetic.

    Returns
    -------
    tuple of float
        Relative permeability [1] and its derivative by temperature [1/K].

    Notes
    -----
    A field of kiloamperes per metre saturates the metal, so mu - 1 goes as the saturation magnetisation:
    (1 - (T/Tc)^2.5)^0.4, within a tenth of nickel's and iron's above room temperature, its end smeared
    over some ten kelvin (a fifth of the cold value is left at Tc itself).

    Valid: fields of kiloamperes per metre.  Nothing is raised.
    Source: own derivation: fit to saturation curves of nickel and iron as remembered.

    Examples
    --------
    >>> [round(float(relative_permeability(t, 75.0, 631.0)[0]), 2) for t in (293.15, 700.0)]
    [75.0, 1.04]
    """
    if curie_temperature == 0.0:
        return 1.0, 0.0
    at_cold, _ = _fall(COLD, curie_temperature)
    here, slope = _fall(temperature, curie_temperature)
    return 1.0 + (cold - 1.0) * here / at_cold, (cold - 1.0) * slope / at_cold


@kernel
def _fall(temperature, curie_temperature):
    """Saturation magnetisation over that at 0 K, smeared, and its slope [1/K]."""
    reduced = temperature / curie_temperature
    u = (1.0 - reduced**FALL_INNER) / CURIE_SMEAR
    by_u = -FALL_INNER * reduced ** (FALL_INNER - 1.0) / (CURIE_SMEAR * curie_temperature)
    e = np.exp(-abs(u))
    positive = max(u, 0.0) + np.log1p(e)
    # Slope of ln(positive) by u; far above the Curie point both it and its slope are e, at last nothing.
    growth = 1.0
    if u >= 0.0:
        growth = 1.0 / ((1.0 + e) * positive)
    elif e > 1e-12:
        growth = e / ((1.0 + e) * positive)
    value = (CURIE_SMEAR * positive) ** FALL_OUTER
    return value, FALL_OUTER * value * growth * by_u
