"""How readings scatter about a curve: how much, for how long it hangs together, and what the meter cannot show.

Scatter is that of the logarithm of the reading, so it is a share of the reading.  Neighbours in
time are often off to the same side (a drifting zero, a warm electrometer, mains hum), so a
thousand readings say less than a thousand.  Scatter has up to three parts: one that hangs together
as exp(-|dt|/tau), which serves uneven spacing; one of each reading by itself; and the rounding of
the meter, which is known from the digits it shows.  Each reading is compared with what those before
it foretell, and the differences are independent ("whitened").  How much of which part there is, is
estimated from the residuals by restricted likelihood, which allows for what the fitted curve has
already swallowed of the scatter.

Not modelled: two correlation times at once, hum, scatter that grows along the log.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from exhaustsim.compiled import kernel
from exhaustsim.plant.trace import GOOD, Trace


#: Scatter that no gauge has: readings that agree better were calculated, or the meter did not move.
LEAST = 1e-9


@dataclass(frozen=True)
class Scatter:
    """Size and memory of the scatter of the logarithm."""

    sigma: float  # standard deviation, rounding apart [1]
    time: float = 0.0  # correlation time [s]; 0 for readings that are each by themselves
    own: float = 0.0  # share of the variance that belongs to each reading by itself, where time is not 0 [1]


# In this module and not with the laws: it is statistics.  It calls no other compiled function, so
# the compiler's own check of this file is enough to make it anew when it changes.
@kernel
def _foretell(gaps, columns, own, hanging, correlation_time, out, back):
    """Differences from what the readings before foretell, over their standard deviation; or, `back`, the reverse.

    The filter of a first-order process with noise of each reading upon it.  Fills `out` (n, k);
    returns the sum of the logarithms of the variances.
    """
    count, width = columns.shape
    expected = np.zeros(width)
    variance = hanging
    logs = 0.0
    for i in range(count):
        if i > 0:
            kept = np.exp(-gaps[i - 1] / correlation_time) if correlation_time > 0.0 else 0.0
            variance = hanging + kept * kept * (variance - hanging)
            for j in range(width):
                expected[j] *= kept
        # Two readings of one moment foretell each other; the least of a difference keeps that finite.
        total = max(variance + own[i], 1e-12)
        size = np.sqrt(total)
        gain = variance / total
        logs += np.log(total)
        for j in range(width):
            if back:
                off = size * columns[i, j]
                out[i, j] = expected[j] + off
            else:
                off = columns[i, j] - expected[j]
                out[i, j] = off / size
            expected[j] += gain * off
        variance *= 1.0 - gain
    return logs


def _parts(scatter: Scatter, rounding: np.ndarray) -> tuple[np.ndarray, float]:
    """Variance of each reading by itself (n,), and of what hangs together, for sigma = 1."""
    share = scatter.own if scatter.time > 0.0 else 0.0
    return share + (rounding / max(scatter.sigma, 1e-12)) ** 2, 1.0 - share


def whiten(times: np.ndarray, columns: np.ndarray, scatter: Scatter, rounding: np.ndarray) -> tuple[np.ndarray, float]:
    """Columns with correlation and rounding divided out: independent, and of standard deviation sigma, afterwards.

    Parameters
    ----------
    times : (n,) float array
        Moments, rising [s].
    columns : (n,) or (n, k) float array
        Residuals or derivatives [1].
    scatter : Scatter
    rounding : (n,) float array
        Standard deviation of the rounding of each reading, as a share of it [1].

    Returns
    -------
    whitened : float array of the shape of `columns`
        [1].
    logs : float
        Logarithm of the determinant of the covariance over sigma squared [1].

    >>> found, _ = whiten(np.array([0.0, 1e9]), np.array([1.0, 2.0]), Scatter(1.0, 1.0), np.zeros(2))
    >>> found.tolist()
    [1.0, 2.0]
    """
    own, hanging = _parts(scatter, rounding)
    wide = np.ascontiguousarray(columns if columns.ndim > 1 else columns[:, None], dtype=float)
    out = np.empty_like(wide)
    logs = _foretell(np.diff(times), wide, own, hanging, float(scatter.time), out, False)
    return out.reshape(columns.shape), float(logs)


def colour(times: np.ndarray, drawn: np.ndarray, scatter: Scatter, rounding: np.ndarray) -> np.ndarray:
    """The reverse of `whiten` for one column (n,) [1]: independent numbers to numbers that hang together.

    >>> t = np.array([0.0, 1.0, 3.0])
    >>> law = Scatter(0.1, 2.0, 0.3)
    >>> whiten(t, colour(t, np.array([1.0, 2.0, 3.0]), law, np.full(3, 0.02)), law, np.full(3, 0.02))[0].round(9).tolist()
    [1.0, 2.0, 3.0]
    """
    own, hanging = _parts(scatter, rounding)
    wide = np.ascontiguousarray(drawn[:, None], dtype=float)
    out = np.empty_like(wide)
    _foretell(np.diff(times), wide, own, hanging, float(scatter.time), out, True)
    return out[:, 0]


@dataclass(frozen=True)
class Memory:
    """The scatter of a set of residuals with what is known of it."""

    scatter: Scatter
    freedom: np.ndarray  # (k,) degrees of freedom of the variance of each parameter [1]


#: Gain of twice the log-likelihood for which a part of the scatter is let in: the 5 % point of chi-squared with one degree.
_WORTH_A_PART = 3.84


def memory(times: np.ndarray, slope: np.ndarray, error: np.ndarray, rounding: np.ndarray, before: Scatter, again: bool = False) -> Memory:
    """Size and memory of the scatter by restricted likelihood, and how many degrees of freedom the intervals may count on.

    The degrees of freedom follow Satterthwaite: twice over the variance of the logarithm of a
    parameter's variance, which is uncertain because size and memory of the scatter are.

    Parameters
    ----------
    times : (n,) float array
        Moments, rising [s].
    slope : (n, k) float array
        Derivatives of the curve at its best parameters [1 per unit of each parameter].
    error : (n,) float array
        Residuals [1].
    rounding : (n,) float array
        Standard deviation of the rounding of each reading, as a share of it [1].
    before : Scatter
        As known so far; rounding is weighed against its size [1].
    again : bool
        Whether `before` was found so already: then its neighbourhood alone is searched.

    Returns
    -------
    Memory

    >>> t = np.arange(400.0)
    >>> noise = colour(t, np.random.default_rng(3).standard_normal(400), Scatter(1.0, 5.0), np.zeros(400))
    >>> 2.0 < memory(t, np.ones((400, 1)), noise, np.zeros(400), Scatter(1.0)).scatter.time < 10.0
    True
    """
    count, size = slope.shape
    gaps = np.diff(times)
    gap, span = float(np.median(gaps[gaps > 0.0])), float(times[-1] - times[0])
    both = np.column_stack([slope, error])
    left = max(count - size, 1)

    def parts(at: np.ndarray) -> tuple[float, float, np.ndarray]:
        """Sum of squares, the rest of the restricted likelihood, and variances of the parameters for sigma = 1."""
        whitened, logs = whiten(times, both, Scatter(before.sigma, float(np.exp(at[0])), float(at[1]) if len(at) > 1 else 0.0), rounding)
        # Products of columns of length one: exact enough for a likelihood, and many times faster than a factor of the columns.
        products = whitened.T @ whitened
        length = np.sqrt(np.maximum(np.diag(products), 1e-300))
        try:
            factor = np.linalg.cholesky(products / np.outer(length, length)).T * length
        except np.linalg.LinAlgError:
            factor = np.linalg.qr(np.vstack([whitened, np.zeros((size + 1, size + 1))]), mode="r")
        last, factor = factor[size, size], factor[:size, :size]
        diagonal = np.abs(np.diag(factor))
        if size and np.min(diagonal / length[:size]) <= 1e-7:
            variances = np.full(size, np.nan)
        else:
            variances = np.sum(np.linalg.inv(factor) ** 2, axis=1)
        rest = logs + 2.0 * float(np.sum(np.log(np.maximum(diagonal, 1e-300))))
        return float(last**2), rest, variances

    def height(at: np.ndarray) -> float:
        squares, rest, _ = parts(at)
        return left * np.log(max(squares, 1e-300)) + rest

    bare = parts(np.array([-np.inf]))[0] / left
    if bare <= LEAST**2:
        return Memory(Scatter(LEAST), np.full(size, float(left)))
    lowest, highest = np.log(gap / 8.0), np.log(max(span / 2.0, gap))
    alone = height(np.array([lowest]))
    if again and before.time > 0.0:
        near = float(np.clip(np.log(before.time), lowest, highest))
        if before.own > 0.0:
            best, lowest_height = _shared(height, lowest, highest, np.array([near, before.own]))
        else:
            best, lowest_height = _alone(height, np.linspace(max(near - 0.7, lowest), min(near + 0.7, highest), 3))
    else:
        best, lowest_height = _alone(height, np.linspace(lowest, highest, 12))
        places = [np.array([x, own]) for own in (0.15, 0.5, 0.85) for x in np.linspace(best[0], highest, 4)]
        shared, shared_height = _shared(height, lowest, highest, min(places, key=height))
        if shared_height < lowest_height - _WORTH_A_PART:
            best, lowest_height = shared, shared_height
    if np.exp(-gap / np.exp(best[0])) < 1e-3 or alone <= lowest_height:
        # Nothing hangs together within the spacing of the readings.
        return Memory(Scatter(float(np.sqrt(bare))), np.full(size, float(left)))
    squares = parts(best)[0]
    found = Scatter(float(np.sqrt(squares / left)), float(np.exp(best[0])), float(best[1]) if len(best) > 1 else 0.0)
    return Memory(found, _freedom(parts, best, left, size))


def likeliest(times: np.ndarray, error: np.ndarray, rounding: np.ndarray, sigma: float) -> tuple[Scatter, float]:
    """The most likely scatter of residuals, and its criterion: twice the negative logarithm of the likelihood, and 2 for each part.

    For comparing curves: each must be judged by the scatter that suits it best, or the difference of
    two criteria is that of two guesses at the scatter.

    Parameters
    ----------
    times, error, rounding : (n,) float array
        Moments [s], residuals [1], standard deviation of the rounding as a share of the reading [1].
    sigma : float
        Scatter as known so far, against which the rounding is weighed [1].

    Returns
    -------
    scatter : Scatter
    criterion : float
        [1].

    >>> likeliest(np.arange(4.0), np.array([1.0, -1.0, 1.0, -1.0]), np.zeros(4), 1.0)[0].time
    0.0
    """
    count = len(error)
    gaps = np.diff(times)
    gap, span = float(np.median(gaps[gaps > 0.0])), float(times[-1] - times[0])

    def law(at: np.ndarray) -> Scatter:
        return Scatter(sigma, float(np.exp(at[0])), float(at[1]) if len(at) > 1 else 0.0)

    def height(at: np.ndarray) -> float:
        whitened, logs = whiten(times, error, law(at), rounding)
        return count * (np.log(2.0 * np.pi * max(float(whitened @ whitened) / count, 1e-300)) + 1.0) + logs

    lowest, highest = np.log(gap / 8.0), np.log(max(span / 2.0, gap))
    best, least = _alone(height, np.linspace(lowest, highest, 12))
    places = [np.array([x, own]) for own in (0.15, 0.5, 0.85) for x in np.linspace(best[0], highest, 4)]
    shared, shared_least = _shared(height, lowest, highest, min(places, key=height))
    alone = height(np.array([-np.inf]))
    # Size and memory count as two, whether memory shows or not; a share of each reading by itself is a third.
    found, criterion = (best, least + 4.0) if least < alone else (np.array([-np.inf]), alone + 4.0)
    if shared_least + 6.0 < criterion:
        found, criterion = shared, shared_least + 6.0
    whitened, _ = whiten(times, error, law(found), rounding)
    return Scatter(float(np.sqrt(whitened @ whitened / count)), law(found).time, law(found).own), criterion


def _alone(height, grid: np.ndarray) -> tuple[np.ndarray, float]:
    """Lowest place of a likelihood over the logarithm of the correlation time, near the lowest of a grid."""
    from scipy.optimize import minimize_scalar

    heights = [height(np.array([x])) for x in grid]
    near = int(np.argmin(heights))
    bounds = grid[max(near - 1, 0)], grid[min(near + 1, len(grid) - 1)]
    found = minimize_scalar(lambda x: height(np.array([x])), bounds=bounds, method="bounded", options={"xatol": 1e-2})
    return (np.array([found.x]), float(found.fun)) if found.fun <= heights[near] else (grid[near : near + 1], heights[near])


def _shared(height, lowest: float, highest: float, start: np.ndarray) -> tuple[np.ndarray, float]:
    """Lowest place over that and over the share of each reading by itself."""
    from scipy.optimize import minimize

    bounds = [(lowest, highest), (0.0, 0.97)]
    simplex = np.clip(start + np.array([[0.0, 0.0], [0.5, 0.0], [0.0, 0.1]]), *np.array(bounds).T)
    found = minimize(height, start, method="Nelder-Mead", bounds=bounds,
                     options={"initial_simplex": simplex, "xatol": 1e-2, "fatol": 1e-2, "maxfev": 40})  # fmt: skip
    return found.x, float(found.fun)


def _freedom(parts, at: np.ndarray, left: int, size: int) -> np.ndarray:
    """Degrees of freedom of the variance of each parameter, from the curvature of the restricted likelihood, by differences."""
    steps = np.array([0.05, 0.02])[: len(at)]
    if len(at) == 2:
        at = np.array([at[0], np.clip(at[1], steps[1], 1.0 - 2.0 * steps[1])])
    middle = parts(at)
    variance = middle[0] / left
    number = len(at)
    information = np.zeros((number + 1, number + 1))
    information[0, 0] = 0.5 * left
    lean = np.ones((number + 1, size))
    ends = []
    for k in range(number):
        move = np.zeros(number)
        move[k] = steps[k]
        up, down = parts(at + move), parts(at - move)
        ends.append((up, down))
        information[0, k + 1] = information[k + 1, 0] = -0.5 * (up[0] - down[0]) / (2.0 * steps[k]) / variance
        bend = (up[0] - 2.0 * middle[0] + down[0]) / variance + up[1] - 2.0 * middle[1] + down[1]
        information[k + 1, k + 1] = 0.5 * bend / steps[k] ** 2
        with np.errstate(all="ignore"):
            lean[k + 1] = (np.log(up[2]) - np.log(down[2])) / (2.0 * steps[k])
    if number == 2:
        cross = 0.0
        for a, b in ((1, 1), (-1, -1), (1, -1), (-1, 1)):
            corner = parts(at + steps * np.array([a, b]))
            cross += a * b * (corner[0] / variance + corner[1])
        information[1, 2] = information[2, 1] = 0.5 * cross / (4.0 * steps[0] * steps[1])
    if not (np.isfinite(information).all() and np.isfinite(lean).all()):
        return np.full(size, float(left))
    sizes = np.linalg.eigvalsh(information)
    if sizes[0] <= 1e-9 * sizes[-1]:
        return np.full(size, float(left))
    spread = np.einsum("ik,ij,jk->k", lean, np.linalg.inv(information), lean)
    return np.clip(2.0 / np.maximum(spread, 1e-12), 1.0, left)


def resolution(trace: Trace) -> np.ndarray:
    """Step of the meter at each reading, as a share of it, (n,) [1]; 0 where no step shows.

    Seen from the numbers as they stood in the file: all of them multiples of one step, or all of so
    many digits.

    >>> from exhaustsim.studies.instrument import Instrument, log_of
    >>> t = np.linspace(0.0, 3.0, 40)
    >>> two = resolution(log_of(Instrument(scatter=0.05, digits=2), t, np.exp(-t), seed=1))
    >>> bool(0.009 < two.min() < two.max() <= 0.1)
    True
    """
    none = np.zeros(len(trace))
    if not np.issubdtype(np.asarray(trace.original).dtype, np.number):
        return none
    shown = np.abs(np.asarray(trace.original, float))
    good = (trace.mark == GOOD) & np.isfinite(shown) & (shown > 0.0)
    values = np.unique(shown[good])
    if len(values) < 3:
        return none
    share = none.copy()
    for digits in (1, 2, 3):
        step = 10.0 ** (np.floor(np.log10(values) + 1e-12) - digits + 1)
        if np.all(np.abs(values / step - np.round(values / step)) < 1e-6 * 10.0**digits):
            share[good] = 10.0 ** (np.floor(np.log10(shown[good]) + 1e-12) - digits + 1) / shown[good]
            break
    # Finer than the digits: one step all along the scale.
    step = float(np.min(np.diff(values)))
    if step > 1e-4 * values[0] and np.all(np.abs(values / step - np.round(values / step)) < 1e-3):
        share[good] = step / shown[good] if not share.any() else np.maximum(share[good], step / shown[good])
    return share


def runs_test(residuals: np.ndarray) -> float:
    """Chance of so few changes of side, or fewer, were the residuals independent [1].

    Wald and Wolfowitz' test of the number of runs, by the normal law with a correction of half a
    run.  Few runs: the curve bends otherwise than the readings.

    >>> round(runs_test(np.array([1.0] * 10 + [-1.0] * 10)), 5)
    5e-05
    """
    from scipy.stats import norm

    side = residuals[residuals != 0.0] > 0.0
    above, total = int(side.sum()), len(side)
    below = total - above
    if above == 0 or below == 0:
        return 1.0 if total < 5 else 0.5 ** (total - 1)
    runs = 1 + int(np.sum(side[1:] != side[:-1]))
    mean = 1.0 + 2.0 * above * below / total
    variance = (mean - 1.0) * (mean - 2.0) / (total - 1)
    return float(norm.cdf((runs + 0.5 - mean) / np.sqrt(max(variance, 1e-12))))
