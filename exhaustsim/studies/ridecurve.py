"""The simulated reading near one point of its settings, as a curve that costs nothing to evaluate, and what it leaves out.

The logarithm of the reading is taken as straight in the settings, with the derivatives of the full
simulation.  For the ends of the intervals that is not quite enough: breakdown shifts in time with
cathode temperature and coating, and a shift bends.  The full simulation is therefore run again at
both ends of every interval, the other settings following; if the sum of squares has grown there
by more or less than it should, the end is moved in proportion.

Not modelled: a bend within an interval, and other settings that follow otherwise than straight by
more than one step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from exhaustsim.plant.trace import GOOD, NO_READING, Trace
from exhaustsim.studies.fitmodel import Model, Parameter
from exhaustsim.studies.fitting import Fit
from exhaustsim.studies.leastsquares import covariance
from exhaustsim.studies.rideforward import Ride

#: How far a setting may lie from what the valve file says: logarithm of a factor, K, s.
FARTHEST = {"1": 3.0, "K": 200.0, "s": 3.0}
STEEP = 5.0  # 1/s: growth of the logarithm of a line reading with the start of the log above which it is not fitted; our own choice
EDGE = 0.1  # s from a port's opening or shutting within which a line reading is not fitted; our own choice
MOST_MOVED = 2.0  # times by which an end is moved at the most


@dataclass(frozen=True, eq=False)
class Curve:
    """The logarithm of the simulated readings about `at`, straight in the settings."""

    at: np.ndarray  # (k,) settings
    middle: np.ndarray  # (n,) logarithm of the readings there; NaN where nothing is simulated
    slope: np.ndarray  # (n, k)

    def log(self, x: np.ndarray, rows) -> np.ndarray:
        """Logarithm of the readings `rows` at the settings `x`."""
        return self.middle[rows] + self.slope[rows] @ (x - self.at)


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
        return curve.slope[rows] * np.exp(curve.log(values, rows))[:, None]

    return Model("head ride", "the full simulation, near its best settings", tuple(parameters), pressure, derivatives=derivatives)


def spread_of(found: Fit) -> np.ndarray:
    """(k, k) covariance of the settings, to first order."""
    size = len(found.parameters)
    return covariance(found._state.minimum)[:size, :size] * found._state.scatter.sigma ** 2


def with_ends(ride: Ride, part: Trace, found: Fit, curve: Curve) -> tuple[Fit, list[float]]:
    """The fit with the ends of its intervals moved to where the full simulation has them, and how much each setting bends.

    Parameters
    ----------
    ride : Ride
    part : Trace
        Readings that were fitted.
    found : Fit
        With profile intervals, by `curve`.
    curve : Curve

    Returns
    -------
    Fit
        With the ends of the quantities of the valve moved.
    list of float
        For each setting the share by which the simulation leaves the straight curve at the ends [1].

    Raises
    ------
    FailedRun
        The simulation fails at an end.
    """
    spread, x = spread_of(found), found.values
    state = found._state
    rows = np.arange(len(part))
    good = part.usable() & (part.mark == GOOD)
    least = _squares(ride, part, found, replace(curve, at=x, middle=curve.log(x, rows)), ())
    # Both ends and the middle by the same fine march, so that what coarser steps left in the middle falls out.
    middle = curve.log(x, rows) - ride.log_reading_afar(x)
    parameters, shares = [], []
    for k, (setting, p) in enumerate(zip(ride.settings, found.parameters, strict=True)):
        share = 0.0
        if setting.quantity is not None and not (p.open_low or p.open_high):
            ends = []
            for end in (p.low, p.high):
                there = x + spread[:, k] / spread[k, k] * (end - p.value)
                came, straight_on = ride.log_reading_afar(there) + middle, curve.log(there, rows)
                here = good & np.isfinite(came) & np.isfinite(straight_on)
                moved = (straight_on - curve.log(x, rows))[here]
                share = max(share, float(np.linalg.norm((came - straight_on)[here]) / max(np.linalg.norm(moved), 1e-30)))
                # A reading that has none at the end, on a line that is about to be blanked, is left straight.
                came = np.where(np.isfinite(came), came, straight_on)
                bent = _squares(ride, part, found, replace(curve, at=there, middle=came), (k,)) - least
                flat = _squares(ride, part, found, replace(curve, at=there, middle=straight_on), (k,)) - least
                reach = math.sqrt(flat / bent) if bent > 0.0 and flat > 0.0 else MOST_MOVED
                ends.append(p.value + (end - p.value) * min(max(reach, 1.0 / MOST_MOVED), MOST_MOVED))
            p = replace(p, low=ends[0], high=ends[1])
        parameters.append(p)
        shares.append(share)
    return replace(found, parameters=tuple(parameters), _state=state), shares


def _squares(ride: Ride, part: Trace, found: Fit, curve: Curve, held: tuple[int, ...]) -> float:
    """Sum of squares about `curve` where it was taken, all settings but those held following by one straight step."""
    state = found._state
    problem = replace(state.problem, model=model_of(ride, part.time, curve, FARTHEST))
    error, slope = problem.residuals(curve.at, state.scatter)
    others = np.delete(slope, held, axis=1)
    step = np.linalg.lstsq(others, -error, rcond=None)[0]
    left = error + others @ step
    return float(left @ left)
