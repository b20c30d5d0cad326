"""Random numbers for tracing molecules: seeded, the same on every machine and for any number of threads.

Each batch of molecules has a stream of its own, xoshiro128++ with a period of 2^128 - 1, started by
splitmix64 from the seed and the number of the batch; that two streams of 1e9 numbers overlap has odds
below 1e-20.  All arithmetic is on whole numbers below 2^42, so that uncompiled and compiled code draw
the same numbers.

Not for secrets, and not for more than about 1e9 numbers of one stream: a number has 32 bits.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.compiled import kernel

_WORD = 0xFFFFFFFF
_LONG = 0xFFFFFFFFFFFFFFFF
_STEP = 2.0**-32


def splitmix(seed, count):
    """The first numbers of the splitmix64 generator.

    Parameters
    ----------
    seed : int
        Any whole number; its last 64 bits count.
    count : int
        How many numbers.

    Returns
    -------
    list of int
        Whole numbers below 2^64.

    Notes
    -----
    Used to start streams, because it turns seeds that differ in one bit into unlike numbers.
    Valid: exact, bit for bit.  Nothing is raised.

    Source: [Steele2014].

    Examples
    --------
    >>> splitmix(1234567, 2)
    [6457827717110365317, 3203168211198807973]
    """
    state = seed & _LONG
    numbers = []
    for _ in range(count):
        state = (state + 0x9E3779B97F4A7C15) & _LONG
        z = ((state ^ (state >> 30)) * 0xBF58476D1CE4E5B9) & _LONG
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _LONG
        numbers.append(z ^ (z >> 31))
    return numbers


def streams(seed, count):
    """Starting states of independent streams.

    Parameters
    ----------
    seed : int
        Any whole number.
    count : int
        How many streams.

    Returns
    -------
    array
        Shape (count, 4), whole numbers below 2^32 [1], each row to be handed to `uniform`.

    Notes
    -----
    Stream k does not depend on how many streams are made.
    Valid: exact, bit for bit.  Nothing is raised.

    Source: own use of [Steele2014].

    Examples
    --------
    >>> bool((streams(7, 3)[1] == streams(7, 2)[1]).all())
    True
    """
    out = np.empty((count, 4), dtype=np.int64)
    for k, start in enumerate(splitmix(seed, count)):
        first, second = splitmix(start, 2)
        out[k] = first & _WORD, first >> 32, second & _WORD, second >> 32
    return out


@kernel
def next_word(state):
    """Next number of a stream, 32 bits.

    Parameters
    ----------
    state : array
        Four whole numbers below 2^32 [1], not all zero; moved on by one.

    Returns
    -------
    int
        From 0 to 2^32 - 1.

    Notes
    -----
    xoshiro128++.
    Valid: exact, bit for bit.  Nothing is raised.

    Source: [Blackman2021].

    Examples
    --------
    >>> stream = np.array([1, 2, 3, 4])
    >>> [int(next_word(stream)) for _ in range(3)]
    [641, 1573767, 3222811527]
    """
    a = state[0]
    b = state[1]
    c = state[2] ^ a
    d = state[3] ^ b
    total = (a + state[3]) & 0xFFFFFFFF
    out = ((((total << 7) | (total >> 25)) & 0xFFFFFFFF) + a) & 0xFFFFFFFF
    state[0] = a ^ d
    state[1] = b ^ c
    state[2] = c ^ ((b << 9) & 0xFFFFFFFF)
    state[3] = ((d << 11) | (d >> 21)) & 0xFFFFFFFF
    return out


@kernel
def uniform(state):
    """Next number of a stream, evenly spread between 0 and 1, never either.

    Parameters
    ----------
    state : array
        Four whole numbers from `streams`; moved on by one.

    Returns
    -------
    float
        In steps of 2^-32 [1].

    Notes
    -----
    (word + 1/2) 2^-32.
    Valid: exact.  Nothing is raised.

    Source: [Blackman2021].

    Examples
    --------
    >>> round(float(uniform(np.array([1, 2, 3, 4]))), 9)
    1.49e-07
    """
    return (next_word(state) + 0.5) * _STEP
