"""The simulated reading near one point of its settings, as a curve that costs nothing to evaluate: straight, then bent where it must be.

On the way to the best settings the logarithm of the reading is taken as straight in them, with the
derivatives of the full simulation.  For the intervals that is not enough: breakdown shifts in time
with cathode temperature and coating, and a shift bends.  The full simulation is then run at both ends
of every interval; along the settings that bend most, and along pairs of them, the second
differences go into the curve.  How far the simulation still leaves it at the ends is told.

Not modelled: third differences, and bends along settings that bend little.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from exhaustsim.engine.result import FailedRun
from exhaustsim.plant.trace import GOOD, NO_READING, Trace
from exhaustsim.studies.fitmodel import Model, Parameter
from exhaustsim.studies.fitting import Fit
from exhaustsim.studies.leastsquares import covariance
from exhaustsim.studies.rideforward import Ride

#: How far a setting may lie from what the valve file says: logarithm of a factor, K, s.
FARTHEST = {"1": 3.0, "K": 200.0, "s": 3.0}
STEEP = 5.0  # 1/s: growth of the logarithm of a line reading with the start of the log above which it is not fitted; our own choice
EDGE = 0.1  # s from a port's opening or shutting within which a line reading is not fitted; our own choice
ENDS = 1.96  # standard deviations at which the simulation is run again
BENDS = 0.05  # share by which the straight curve must be left there for second differences to be taken; our own choice
MOST_BENDING = 3  # settings whose second differences are taken


@dataclass(frozen=True, eq=False)
class Curve:
    """The logarithm of the simulated readings about `at`: straight, and bent along a few directions."""

    at: np.ndarray  # (k,) settings
    middle: np.ndarray  # (n,) logarithm of the readings there; NaN where nothing is simulated
    slope: np.ndarray  # (n, k)
    along: np.ndarray  # (m, k): along @ (x - at) are the distances along the directions, in standard deviations
    second: np.ndarray  # (n, m, m) second derivatives by these distances
    share: np.ndarray  # (k,) share by which the simulation left the straight curve at the ends, for each setting
    bending: tuple[int, ...] = ()  # settings whose second differences were taken

    def log(self, x: np.ndarray, rows) -> np.ndarray:
        """Logarithm of the readings `rows` at the settings `x`."""
        d = x - self.at
        a = self.along @ d
        return self.middle[rows] + self.slope[rows] @ d + 0.5 * (self.second[rows] @ a) @ a

    def slopes(self, x: np.ndarray, rows) -> np.ndarray:
        """(rows, k) derivatives of that."""
        a = self.along @ (x - self.at)
        return self.slope[rows] + (self.second[rows] @ a) @ self.along


def straight(at: np.ndarray, middle: np.ndarray, slope: np.ndarray) -> Curve:
    """A curve without bends."""
    return Curve(at, middle, slope, np.zeros((0, len(at))), np.zeros((len(middle), 0, 0)), np.zeros(len(at)))


def seen_in(whole: Trace, ride: Ride, curve: Curve) -> Trace:
    """The readings with those marked away that cannot be held against a simulated one.

    On a line there is none while the port is blanked; and as it opens or shuts the pressure is that of another line or of a
    gulp, where a hundredth of a second decides: such readings tell when the log began, not how much gas there was.
    """
    seen = np.isfinite(curve.middle) & np.isfinite(curve.slope).all(axis=1)
    if ride.place == "line":
        clock = ride.names.index("clock")
        schedule = ride.valve.schedule
        since = (ride.time - curve.at[clock]) % schedule.index_time
        seen &= (since > EDGE) & (since < schedule.dwell - EDGE) & ~(np.abs(curve.slope[:, clock]) > STEEP)
    return replace(whole, mark=np.where(seen, whole.mark, NO_READING).astype(np.int8))


def model_of(ride: Ride, time: np.ndarray, curve: Curve, reach: dict[str, float]) -> Model:
    """The curve as a model of readings at the moments `time` of the log, its settings within `reach` of where it was taken."""
    parameters = []
    for setting, at in zip(ride.settings, curve.at, strict=True):
        far = FARTHEST[setting.unit]
        low, high = max(at - reach[setting.unit], -far), min(at + reach[setting.unit], far)
        # What is known beforehand is known about nought, wherever the last turn ended; of what is free no more than that it is
        # not far beyond reason, which leaves a setting that the readings do not touch where it was, with an interval that says so.
        parameters.append(Parameter(setting.name, 0.0, min(low, 0.0), max(high, 0.0), setting.unit, positive=False, scaled=False,
                                    spread=setting.spread or far))  # fmt: skip

    def pressure(values: np.ndarray, moments: np.ndarray) -> np.ndarray:
        return np.exp(curve.log(values, np.searchsorted(time, moments)))

    def derivatives(values: np.ndarray, moments: np.ndarray) -> np.ndarray:
        rows = np.searchsorted(time, moments)
        return curve.slopes(values, rows) * np.exp(curve.log(values, rows))[:, None]

    return Model("head ride", "the full simulation, near its best settings", tuple(parameters), pressure, derivatives=derivatives,
                 starts=lambda moments, pressures: [curve.at])  # fmt: skip


def spread_of(found: Fit) -> np.ndarray:
    """(k, k) covariance of the settings, to first order."""
    size = len(found.parameters)
    return covariance(found._state.minimum)[:size, :size] * found._state.scatter.sigma ** 2


def bent(ride: Ride, part: Trace, found: Fit, curve: Curve) -> Curve:
    """The curve with its bends along the settings that bend most, for the best settings and spreads of `found`.

    Raises
    ------
    FailedRun
        The simulation fails at an end of an interval.
    """
    spread, good = spread_of(found), _good(part, curve)
    profiles = {}
    for k, setting in enumerate(ride.settings):
        if setting.quantity is None:
            continue  # scale, range steps and pumps enter straight, or nearly so
        profile = spread[:, k] / np.sqrt(spread[k, k])  # the others following, one standard deviation long
        less, more = (_simulated(ride, curve.at + end * ENDS * profile) for end in (-1.0, 1.0))
        here = good & np.isfinite(less) & np.isfinite(more)
        share = np.linalg.norm((0.5 * (less + more) - curve.middle)[here]) / max(np.linalg.norm(0.5 * (more - less)[here]), 1e-30)
        profiles[k] = share, profile
    bending = sorted((k for k in profiles if profiles[k][0] > BENDS), key=lambda k: -profiles[k][0])[:MOST_BENDING]
    inverse = np.linalg.inv(spread)
    directions: list[np.ndarray] = []
    for k in bending:
        # Each direction without what the ones before it hold already, and one standard deviation long.
        left = profiles[k][1] - sum((d * (d @ inverse @ profiles[k][1]) for d in directions), np.zeros(len(spread)))
        length = np.sqrt(max(left @ inverse @ left, 0.0))
        if length > 0.1:
            directions.append(left / length)

    def second(direction: np.ndarray) -> np.ndarray:
        less, more = (_simulated(ride, curve.at + end * ENDS * direction) for end in (-1.0, 1.0))
        # A reading that has no simulated one at an end, on a line that is about to be blanked, is left straight.
        return np.nan_to_num((less + more - 2.0 * curve.middle) / ENDS**2)

    many = len(directions)
    bends = np.zeros((len(curve.middle), many, many))
    for i in range(many):
        bends[:, i, i] = second(directions[i])
    for i in range(many):
        for j in range(i):
            both = second((directions[i] + directions[j]) / np.sqrt(2.0))
            bends[:, i, j] = bends[:, j, i] = both - 0.5 * (bends[:, i, i] + bends[:, j, j])
    along = np.array(directions).reshape(many, len(spread)) @ inverse
    share = np.array([profiles[k][0] if k in profiles else 0.0 for k in range(len(spread))])
    return replace(curve, along=along, second=bends, share=share, bending=tuple(bending))


def left_by(ride: Ride, part: Trace, found: Fit, curve: Curve) -> list[float]:
    """For each setting the share by which the simulation leaves the curve at the ends of its interval, the others following."""
    spread, good = spread_of(found), _good(part, curve)
    x = found.values
    rows = np.arange(len(part))
    shares = curve.share.tolist()
    for k in curve.bending:
        p = found.parameters[k]
        worst = 0.0
        for end in (p.low, p.high):
            there = x + spread[:, k] / spread[k, k] * (end - p.value)
            wanted = curve.log(there, rows) - curve.log(x, rows)
            came = _simulated(ride, there) - curve.log(x, rows)
            here = good & np.isfinite(came)
            worst = max(worst, float(np.linalg.norm((came - wanted)[here]) / max(np.linalg.norm(wanted[here]), 1e-30)))
        shares[k] = worst
    return shares


def _good(part: Trace, curve: Curve) -> np.ndarray:
    return part.usable() & (part.mark == GOOD) & np.isfinite(curve.middle)


def _simulated(ride: Ride, x: np.ndarray) -> np.ndarray:
    """The simulation over the steps last chosen, or over steps of its own where those do not carry so far."""
    try:
        return ride.log_reading(x)
    except FailedRun:
        steps = ride.steps
        try:
            return ride.log_reading(x, given=False)
        finally:
            ride.steps = steps
