"""The triode as its own gauge: gas in a finished valve from the current of its negative grid.

Electrons on their way to the anode ionise gas, and the ions flow to the negative grid: grid gas
current = constant x anode current x pressure.  The constant belongs to a type of valve, its
voltages and one gas; it is found by calibration against a gauge.  A leakage of the grid, or its
emission, adds a current that gas did not make, and is found along with it.

Not modelled: a constant that changes with the anode current (space charge), gas that the valve
itself pumps while it is measured, a mixture other than the one it was calibrated with.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np

from exhaustsim.studies.fitmodel import FitRefused, Reason

FEWEST_POINTS = 10  # five for each of constant and leakage
LEAST_SPAN = 3.0  # highest over lowest pressure, so that leakage and gas can be told apart


@dataclass(frozen=True)
class GridGauge:
    """A type of valve as a gauge, as calibrated."""

    constant: float  # 1/Pa
    low: float
    high: float
    leakage: float  # A, of the grid without gas
    leakage_low: float
    leakage_high: float
    level: float
    gas: str  # it was calibrated with
    scatter: float  # of one reading about the line [1]
    lowest: float  # Pa: below it the leakage's uncertainty is as large as the gas current
    covariance: tuple[float, float, float]  # of constant, of both, of leakage: for pressures read with it
    freedom: int

    @property
    def sentence(self) -> str:
        return (
            f"Grid gas current is {self.constant:.3g} per pascal of {self.gas} ({self.low:.3g} to {self.high:.3g}, {100 * self.level:.0f} % interval) of the "
            f"anode current, and {1e9 * self.leakage:.2g} nA ({1e9 * self.leakage_low:.2g} to {1e9 * self.leakage_high:.2g}) without gas; "
            f"below {self.lowest:.1g} Pa the leakage hides the gas at the smallest anode current used."
        )

    def to_json(self) -> dict:
        return {**asdict(self), "sentence": self.sentence}


@dataclass(frozen=True)
class GridReading:
    """Pressure in a valve by its own grid."""

    pressure: float  # Pa, of the gas of the calibration
    low: float  # 0 where no gas is shown
    high: float
    level: float

    @property
    def sentence(self) -> str:
        if self.high <= 0.0:
            return "The grid current is less than the leakage of the calibration by more than its error: this valve leaks less, and needs a calibration of its own."
        if self.low <= 0.0:
            return f"Below {self.high:.2g} Pa ({100 * self.level:.0f} %): the current is no more than leakage explains."
        return f"{self.pressure:.2g} Pa ({self.low:.2g} to {self.high:.2g}, {100 * self.level:.0f} % interval)."

    def to_json(self) -> dict:
        return {**asdict(self), "sentence": self.sentence}


def calibrate(
    anode_current: Sequence[float], grid_current: Sequence[float], pressure: Sequence[float], gas: str, pressure_error: float = 0.0, level: float = 0.95
) -> GridGauge:
    """Constant and leakage of a valve as a gauge.

    Parameters
    ----------
    anode_current, grid_current : sequence of float
        As measured together [A]; grid current counted positive when ions flow to the grid.
    pressure : sequence of float
        True pressure, by a gauge read for this gas [Pa].
    gas : str
        That was let in.
    pressure_error : float
        Relative standard error of the gauge's scale, which all points share [1].
    level : float
        Of the intervals [1].

    Returns
    -------
    GridGauge
        Fitted with weights by the size of the current: errors of current meters are shares of it.

    Raises
    ------
    FitRefused
        Fewer than ten points, or pressures within a factor of three.
    ValueError
        Columns of different lengths, currents or pressures that are not above zero.

    Examples
    --------
    >>> p = np.geomspace(1e-4, 1e-2, 12)
    >>> round(calibrate(np.full(12, 5e-3), 5e-3 * 0.1 * p + 2e-9, p, "N2").constant, 4)
    0.1
    """
    from scipy import stats

    ia, ig, p = (np.asarray(x, float) for x in (anode_current, grid_current, pressure))
    if len({len(ia), len(ig), len(p)}) > 1:
        raise ValueError("anode current, grid current and pressure: one of each for every point")
    if not ((ia > 0.0) & (ig > 0.0) & (p > 0.0)).all():
        raise ValueError("currents and pressures must be above 0; a grid current of the other sign is not gas")
    if len(p) < FEWEST_POINTS:
        raise FitRefused(
            "grid as a gauge", [Reason(f"{len(p)} points for constant and leakage: {FEWEST_POINTS} are needed", "calibrate at more pressures")]
        )
    if p.max() < LEAST_SPAN * p.min():
        words = f"pressures within a factor of {p.max() / p.min():.2g}: leakage and gas cannot be told apart"
        raise FitRefused("grid as a gauge", [Reason(words, f"span a factor of {LEAST_SPAN:g} at least")])
    design = np.column_stack([ia * p, np.ones(len(p))]) / ig[:, None]
    size = np.linalg.norm(design, axis=0)  # the two columns differ by many powers of ten
    scaled = np.linalg.inv((design / size).T @ (design / size))
    estimate = scaled @ (design / size).T @ np.ones(len(p)) / size
    freedom = len(p) - 2
    scatter = float(np.sqrt(np.sum((1.0 - design @ estimate) ** 2) / freedom))
    covariance = scaled / np.outer(size, size) * scatter**2
    covariance[0, 0] += (estimate[0] * pressure_error) ** 2
    reach = stats.t.ppf(0.5 + 0.5 * level, freedom) * np.sqrt(np.diag(covariance))
    constant, leakage = (float(x) for x in estimate)
    return GridGauge(
        constant, constant - float(reach[0]), constant + float(reach[0]), leakage, leakage - float(reach[1]), leakage + float(reach[1]), level, gas,
        scatter, float(reach[1] / (constant * ia.min())), tuple(float(x) for x in (covariance[0, 0], covariance[0, 1], covariance[1, 1])), freedom,
    )  # fmt: skip


def pressure_of_valve(gauge: GridGauge, anode_current: float, grid_current: float) -> GridReading:
    """Pressure in a valve of the type that was calibrated, of the gas it was calibrated with.

    `anode_current` and `grid_current` [A].  The interval holds the errors of constant and leakage and the scatter of
    one reading; how far valves of one type differ is not in it.

    Raises
    ------
    ValueError
        An anode current that is not above zero, a grid current below zero.

    Examples
    --------
    >>> p = np.geomspace(1e-4, 1e-2, 12)
    >>> own = calibrate(np.full(12, 5e-3), 5e-3 * 0.1 * p + 2e-9, p, "N2")
    >>> round(pressure_of_valve(own, 5e-3, 5.02e-7).pressure, 6)
    0.001
    """
    from scipy import stats

    if not (anode_current > 0.0 and grid_current >= 0.0):
        raise ValueError(f"anode current above 0 and grid current 0 or more, not {anode_current:g} and {grid_current:g} A")
    pressure = (grid_current - gauge.leakage) / (gauge.constant * anode_current)
    along = np.array([-pressure / gauge.constant, -1.0 / (gauge.constant * anode_current)])
    own, both, leak = gauge.covariance
    variance = float(along @ np.array([[own, both], [both, leak]]) @ along) + (gauge.scatter * grid_current / (gauge.constant * anode_current)) ** 2
    reach = stats.t.ppf(0.5 + 0.5 * gauge.level, gauge.freedom) * np.sqrt(variance)
    return GridReading(float(max(pressure, 0.0)), float(max(pressure - reach, 0.0)), float(max(pressure + reach, 0.0)), gauge.level)
