"""How sure a count is: exact intervals for a pass rate and for a tail, from nothing but the counts.

The interval of a pass rate is that of Clopper and Pearson; it covers the truth in at least the share
of cases promised, whatever the truth is.  The interval of a quantile is between two of the sorted values.
Both take the valves as independent: within one lot they are not, and lots few in number say more than any interval.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.stats import binom
from scipy.stats import beta as beta_distribution

CONFIDENCE = 0.95


def pass_interval(passed: int, n: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Interval of a pass rate by Clopper and Pearson [1].

    Source: Clopper and Pearson, Biometrika 26 (1934) 404; as quantiles of a beta distribution.

    >>> low, high = pass_interval(10, 10)
    >>> round(low, 4), high  # 0.025 to the power 1/10
    (0.6915, 1.0)
    """
    outside = 0.5 * (1.0 - confidence)
    low = 0.0 if passed == 0 else float(beta_distribution.ppf(outside, passed, n - passed + 1))
    high = 1.0 if passed == n else float(beta_distribution.ppf(1.0 - outside, passed + 1, n - passed))
    return low, high


def quantile_interval(values: np.ndarray, share: float, confidence: float = CONFIDENCE) -> tuple[float, float, float]:
    """Quantile of `values` below which `share` of them lie, with an interval between two of the sorted values.

    The upper end is infinite when there are too few values to say.

    >>> value, low, high = quantile_interval(np.arange(1000.0), 0.99)
    >>> value, low, high
    (990.0, 982.0, 996.0)
    """
    ordered = np.sort(values)
    n = len(ordered)
    outside = 0.5 * (1.0 - confidence)
    # The number of values below the true quantile is binomial.
    first, last = int(binom.ppf(outside, n, share)), int(binom.ppf(1.0 - outside, n, share)) + 1
    value = float(ordered[min(int(math.ceil(share * n - 1e-9)), n - 1)])
    low = float(ordered[first - 1]) if first >= 1 else -math.inf
    high = float(ordered[last - 1]) if last <= n else math.inf
    return value, low, high
