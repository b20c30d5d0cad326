"""Bessel functions of eddy currents: how a field dies away in round metal.

Alternating current in a rod or tube leads to modified Bessel functions of an argument whose real and imaginary
part are equal (Kelvin's functions).  They grow or die away exponentially; both are given without that
factor, so that thick metal and high frequency make no numbers beyond all bounds.

Public: `growing_bessel`, `decaying_bessel`.  Orders 0 and 1 and this one ray only.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel

SERIES_LIMIT = 20.0  # size of the argument below which the growing functions are summed from their power series
TRAPEZIUM = 0.1  # step of the integral for the decaying functions: its error is about exp(-4.9/step)


@kernel
def growing_bessel(x):
    """Modified Bessel functions I0 and I1 on the ray of eddy currents, without their growth.

    Parameters
    ----------
    x : float
        Size of the argument z = x exp(i pi/4), at least 0 [1].

    Returns
    -------
    tuple of complex
        exp(-z) I0(z) and exp(-z) I1(z) [1].  I0(z) = ber x + i bei x.

    Notes
    -----
    Power series below 20, asymptotic series above; within 1e-12.

    Valid: any size of the argument, within 1e-12.  Nothing is raised.
    Source: own derivation: textbook series; against another library and printed tables in the tests.

    Examples
    --------
    >>> z = (1 + 1j) / np.sqrt(2)
    >>> complex(np.round(growing_bessel(1.0)[0] * np.exp(z), 8))
    (0.98438178+0.24956604j)
    """
    z = x * np.sqrt(0.5) * (1.0 + 1.0j)
    if x < SERIES_LIMIT:
        quarter = 0.25 * z * z
        term = 1.0 + 0.0j
        zero = term
        one = term
        k = 0
        while abs(term) > 1e-18 * abs(zero):
            k += 1
            term = term * quarter / (k * k)
            zero += term
            one += term / (k + 1.0)
        decay = np.exp(-z)
        return decay * zero, decay * 0.5 * z * one
    zero, one = _asymptotic(z, -1.0)
    scale = 1.0 / np.sqrt(2.0 * np.pi * z)
    return scale * zero, scale * one


@kernel
def decaying_bessel(x):
    """Modified Bessel functions K0 and K1 on the ray of eddy currents, without their decay.

    Parameters
    ----------
    x : float
        Size of the argument z = x exp(i pi/4), above 0 [1].

    Returns
    -------
    tuple of complex
        exp(z) K0(z) and exp(z) K1(z) [1].  K0(z) = ker x + i kei x.

    Notes
    -----
    Trapezium rule for the integral of exp(-z (cosh t - 1)) cosh(nu t) dt below 20, where it
    converges like exp(-pi^2/(2 step)); asymptotic series above.  Within 1e-12.

    Valid: any size above zero, within 1e-12.  Nothing is raised.
    Source: own derivation: integral of the textbooks; against another library and printed tables in the tests.

    Examples
    --------
    >>> z = (1 + 1j) / np.sqrt(2)
    >>> complex(np.round(decaying_bessel(1.0)[0] * np.exp(-z), 8))
    (0.28670621-0.49499464j)
    """
    z = x * np.sqrt(0.5) * (1.0 + 1.0j)
    if x < SERIES_LIMIT:
        zero = 0.5 + 0.0j
        one = 0.5 + 0.0j
        last = np.arccosh(1.0 + 45.0 / (x * np.sqrt(0.5)))
        for k in range(1, int(last / TRAPEZIUM) + 2):
            height = np.cosh(k * TRAPEZIUM)
            value = np.exp(-z * (height - 1.0))
            zero += value
            one += value * height
        return TRAPEZIUM * zero, TRAPEZIUM * one
    zero, one = _asymptotic(z, 1.0)
    scale = np.sqrt(0.5 * np.pi / z)
    return scale * zero, scale * one


@kernel
def _asymptotic(z, sign):
    """Sums of a_k(nu) (sign/z)^k for nu = 0 and 1, broken off where the terms are lost in rounding."""
    zero = 1.0 + 0.0j
    one = 1.0 + 0.0j
    term_zero = zero
    term_one = one
    for k in range(1, 40):
        odd = (2.0 * k - 1.0) ** 2
        term_zero = term_zero * (-odd) * sign / (8.0 * k * z)
        term_one = term_one * (4.0 - odd) * sign / (8.0 * k * z)
        zero += term_zero
        one += term_one
        if abs(term_one) < 1e-17:
            break
    return zero, one
