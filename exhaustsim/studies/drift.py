"""Drift over the week: a control chart for every position, the moment of change, and what moved.

Pump oil ages, rubber hardens, the air grows damp.  The first readings, when all was well, set the
middle and the limits of a chart of individual readings (limits from the moving range, as usual).
Then the moment is sought at which the mean changed: the split at which before and after differ
most, judged against what the best split of shuffled readings makes, position by position.

Not modelled: a slow slope (it is found as a step in its middle), more than one change, a change of
scatter alone, seasons within a day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

import numpy as np

from exhaustsim.plant.machinelog import MachineLog
from exhaustsim.studies.fitmodel import FitRefused, Reason

FEWEST_READINGS = 12  # of a position
LEAST_SIDE = 3  # readings before and after a change
RANGE_TO_SCATTER = 1.128  # mean range of two normal readings over their standard deviation, 2/sqrt(pi): closed form
SHUFFLES = 4000  # so that chances down to 1 in 4000 over all positions can be told


@dataclass(frozen=True)
class Chart:
    """One position through the time logged."""

    position: str
    middle: float  # geometric mean while all was well
    lower: float
    upper: float
    outside: tuple[int, ...]  # places, from 0, of readings beyond the limits
    changed_at: int | None  # place of the first reading after the change; None without one
    changed_between: tuple[int, int] | None  # places between which the change lies, likelihood interval
    ratio: float  # after over before, at the best split, whether certain or not
    low: float  # of the ratio; allows for the number of positions
    high: float
    chance: float  # times the number of positions, at most 1
    hangs_together: float  # correlation of neighbouring readings about their means


@dataclass(frozen=True)
class Drift:
    """What moved through the time logged."""

    charts: tuple[Chart, ...]
    moved: tuple[str, ...]
    stayed: tuple[str, ...]
    level: float
    readings: int

    @property
    def sentence(self) -> str:
        if not self.moved:
            return f"Nothing moved: no position of {len(self.charts)} changed by more than chance explains in {self.readings} readings each."
        charts = {c.position: c for c in self.charts}
        parts = [
            f"{name} by a factor {charts[name].ratio:.3g} ({charts[name].low:.3g} to {charts[name].high:.3g}) from reading {charts[name].changed_at + 1}"
            for name in self.moved
        ]
        text = f"Moved: {'; '.join(parts)}. "
        text += f"Not moved: {', '.join(self.stayed)}" if self.stayed else "All positions moved: look at what they share, such as the gauge"
        lasting = [c.position for c in self.charts if c.hangs_together > 0.5]
        if lasting:
            text += f". Readings of {', '.join(lasting)} hang together from one to the next: limits and chances there are too narrow"
        return text + "."

    def to_json(self) -> dict:
        return {**asdict(self), "sentence": self.sentence}


def rounds(log: MachineLog, column: str = "line_pressure_pa", by: str = "line_id") -> dict[str, list[float]]:
    """Geometric mean of a column for every rotation, by line or position; for `drift`.

    Parameters
    ----------
    log : MachineLog
        With the column rotation_no.
    column : str
        What is charted, above zero.
    by : str
        Column that tells the series apart.

    Returns
    -------
    dict of name to list of float
        In the order of rotations; a rotation that one of the series lacks is left out of all.

    Raises
    ------
    DesignFault
        A column is missing, or holds something that is not a number.
    """
    values, rotation, names = log.numbers(column), log.whole("rotation_no"), log.text(by)
    cells: dict[str, dict[int, list[float]]] = {}
    for value, turn, name in zip(values, rotation, names, strict=True):
        if name and np.isfinite(value) and value > 0.0:
            cells.setdefault(name, {}).setdefault(int(turn), []).append(float(np.log(value)))
    common = sorted(set.intersection(*(set(c) for c in cells.values()))) if cells else []
    return {name: [float(np.exp(np.mean(found[turn]))) for turn in common] for name, found in cells.items()}


def drift(series: Mapping[str, Sequence[float]], well: int | None = None, level: float = 0.95, seed: int = 1) -> Drift:
    """Control chart and change of every position.

    Parameters
    ----------
    series : mapping of name to readings
        By position (or line, or gas), each in the order of time, above zero, all of one length.
    well : int, optional
        How many readings from the first on set the limits; by default the first third, six at least.
    level : float
        Of intervals and decisions, over all positions together [1].
    seed : int
        Of the shuffles.

    Returns
    -------
    Drift

    Raises
    ------
    FitRefused
        Fewer than twelve readings.
    ValueError
        Series of different lengths, a reading that is not above zero.

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> quiet, wet = np.exp(random.normal(0.0, 0.05, (2, 40)))
    >>> wet[20:] *= 1.5
    >>> found = drift({"D": quiet, "F1": wet})
    >>> found.moved, found.charts[1].changed_at
    (('F1',), 20)
    """
    table = {name: np.asarray(values, float) for name, values in series.items()}
    lengths = {len(v) for v in table.values()}
    if len(lengths) != 1:
        raise ValueError(f"series of different lengths {sorted(lengths)}: one reading of every position per round")
    count = lengths.pop()
    bad = [name for name, v in table.items() if not (np.isfinite(v).all() and (v > 0.0).all())]
    if bad:
        raise ValueError(f"{', '.join(bad)}: readings must be numbers above 0; leave out rounds without a reading")
    if count < FEWEST_READINGS:
        raise FitRefused("drift", [Reason(f"{count} readings of each position: {FEWEST_READINGS} are needed to tell a change from scatter", "log for longer")])
    well = max(6, count // 3) if well is None else well
    random = np.random.default_rng(seed)
    # All positions are shuffled alike: what they share through the line stays shared.
    orders = np.array([random.permutation(count) for _ in range(SHUFFLES)])
    charts = tuple(_chart(name, np.log(v), well, level, len(table), orders) for name, v in table.items())
    moved = tuple(c.position for c in charts if c.changed_at is not None)
    return Drift(charts, moved, tuple(c.position for c in charts if c.changed_at is None), level, count)


def _chart(name, y, well, level, positions, orders) -> Chart:
    from scipy import stats

    middle = float(y[:well].mean())
    scatter = float(np.abs(np.diff(y[:well])).mean()) / RANGE_TO_SCATTER
    outside = tuple(int(k) for k in np.flatnonzero(np.abs(y - middle) > 3.0 * scatter))
    gain = _gain(y)
    k = int(np.argmax(gain))
    split = k + LEAST_SIDE
    chance = min(1.0, positions * (1.0 + float((_gain(y[orders]).max(axis=-1) >= gain[k]).sum())) / (1.0 + SHUFFLES))
    before, after = y[:split], y[split:]
    freedom = len(y) - 2
    left = np.concatenate([before - before.mean(), after - after.mean()])
    spread = float(left @ left) / freedom
    reach = stats.t.ppf(1.0 - 0.5 * (1.0 - level) / positions, freedom) * np.sqrt(spread * (1.0 / len(before) + 1.0 / len(after)))
    shift = float(after.mean() - before.mean())
    # Log likelihood of every split, its mean shift and scatter fitted, against the best.
    likelihood = -0.5 * len(y) * np.log1p(-np.minimum(gain, 1.0 - 1e-12))
    near = np.flatnonzero(likelihood > likelihood[k] - 0.5 * stats.chi2.ppf(level, 1)) + LEAST_SIDE
    hangs = float(left[1:] @ left[:-1] / max(float(left @ left), 1e-300))
    changed = chance < 1.0 - level
    return Chart(
        name, *(float(np.exp(x)) for x in (middle, middle - 3.0 * scatter, middle + 3.0 * scatter)), outside, split if changed else None,
        (int(near[0]), int(near[-1])) if changed else None, *(float(np.exp(x)) for x in (shift, shift - reach, shift + reach)), chance, hangs,
    )  # fmt: skip


def _gain(y: np.ndarray) -> np.ndarray:
    """Share of the scatter that a change of the mean takes away, for every split; along the last axis."""
    count = y.shape[-1]
    centred = y - y.mean(axis=-1, keepdims=True)
    before = np.arange(LEAST_SIDE, count - LEAST_SIDE + 1)
    sums = np.cumsum(centred, axis=-1)[..., before - 1]
    total = np.maximum((centred**2).sum(axis=-1, keepdims=True), 1e-300)
    return sums**2 * count / (before * (count - before)) / total
