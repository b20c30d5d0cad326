"""Gas flow through a known conductance: the orifice method.

The gas of a valve or of a sample is pumped through an orifice or a tube of known conductance, with
a gauge on either side.  Flow is conductance times the difference of the two pressures, and what the
volume in front of it gives up while its pressure falls comes off that.  How the flow falls with time is then
fitted as a constant, a power law, or both.

Both gauges have scale errors; where the two pressures are nearly alike, their difference is worth
little, and is refused.  Not modelled: a conductance that changes with the pressure (stay molecular), gas
sorbed between the gauges, two gauges that see the gas differently.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from exhaustsim.plant.trace import GOOD, NO_READING, Trace
from exhaustsim.studies.fitmodel import FitRefused, Model, Parameter, Reason
from exhaustsim.studies.fitting import Choice, Fit, choose, fit
from exhaustsim.studies.risecurves import DECADE
from exhaustsim.studies.risefit import LARGE, Estimate, Widener, as_estimate, deviations_at

LEAST_SHARE = 2.0  # the difference must be so many times as large as what the gauges' scales leave unknown
ONE_HOUR = 3600.0  # the age at which gas evolution is quoted


@dataclass(frozen=True, eq=False)
class ThroughputFit:
    """Gas flow against time, and its law."""

    choice: Choice  # of curves of the flow over the conductance [Pa]
    conductance: float  # m3/s
    time: np.ndarray  # (n,) s
    throughput: np.ndarray  # (n,) Pa m3/s
    at_one_hour: Estimate | None  # of the falling term, Pa m3/s; None without one
    exponent: Estimate | None  # of the decay [1]
    steady: Estimate | None  # Pa m3/s
    cautions: tuple[str, ...]
    next_experiments: tuple[str, ...]

    @property
    def sentence(self) -> str:
        parts = []
        if self.at_one_hour is not None:
            parts.append(f"a part that falls as age to the power -{self.exponent.told()}, {self.at_one_hour.told()} at one hour")
        if self.steady is not None:
            parts.append(f"a steady flow of {self.steady.told()}")
        text = " and ".join(parts)
        return f"{text[0].upper()}{text[1:]}." + "".join(f" {c[0].upper()}{c[1:]}." for c in self.cautions)

    def to_json(self) -> dict:
        def ends(e):
            return None if e is None else {"value": e.value, "low": e.low, "high": e.high, "unit": e.unit}

        return {
            "model": self.choice.fit.model.name, "conductance_m3_per_s": self.conductance, "at_one_hour": ends(self.at_one_hour),
            "exponent": ends(self.exponent), "steady": ends(self.steady), "cautions": list(self.cautions),
            "next_experiments": list(self.next_experiments), "sentence": self.sentence, "choice": self.choice.to_json(),
        }  # fmt: skip


def fit_throughput(
    upstream: Trace, downstream: Trace | float, conductance: float, conductance_error: float = 0.0, volume: float = 0.0, *, started_at: float = 0.0,
    scale_errors: tuple[float, float] = (0.0, 0.0), level: float = 0.95,
) -> ThroughputFit:  # fmt: skip
    """Gas flow by the pressure drop over a known conductance, and how it falls.

    Parameters
    ----------
    upstream : Trace
        Gauge on the side of the sample.
    downstream : Trace or float
        Gauge on the side of the pump, or its pressure where that is steady [Pa].
    conductance : float
        Between the two, for the gas that flows [m3/s].
    conductance_error : float
        Relative standard error [1].
    volume : float
        In front of the conductance, sample side [m3].
    started_at : float
        Moment from which age counts [s].
    scale_errors : pair of float
        Of the two gauges, standard deviation of the logarithm [1].
    level : float
        Of the intervals [1].

    Returns
    -------
    ThroughputFit

    Raises
    ------
    FitRefused
        Too few readings, a difference that the scales of the gauges leave unknown, gas flowing backwards.
    ValueError
        A conductance that is not above zero.

    Examples
    --------
    >>> from exhaustsim.studies.instrument import Instrument, log_of
    >>> t = np.geomspace(60.0, 7200.0, 80)
    >>> up = log_of(Instrument(scatter=0.02), t, 1e-3 + 1e-2 * 3600.0 / t, seed=1)
    >>> found = fit_throughput(up, 1e-3, conductance=1e-4)
    >>> bool(found.exponent.low < 1.0 < found.exponent.high), bool(found.at_one_hour.low < 1e-6 < found.at_one_hour.high)
    (True, True)
    """
    if not conductance > 0.0:
        raise ValueError(f"the conductance must be above 0, not {conductance:g} m3/s")
    use = upstream.usable() & (upstream.mark == GOOD) & (upstream.time > started_at)
    time, up = upstream.time[use] - started_at, upstream.reading[use]
    down = _beside(downstream, upstream.time[use])
    seen = np.isfinite(down)
    time, up, down = time[seen], up[seen], down[seen]
    if len(time) < 10:
        raise FitRefused(upstream.name, [Reason(f"{len(time)} good readings with the other gauge beside them; 10 are needed", "log for longer")])
    drop = up - down
    unknown = np.hypot(up * scale_errors[0], down * scale_errors[1])
    reasons = []
    if np.median(drop) <= 0.0:
        reasons.append(Reason("the pressure on the pump side is the higher one: gas flows backwards, or a gauge is wrong", "read both gauges with the sample shut off"))
    elif np.median(drop / np.maximum(unknown, 1e-300)) < LEAST_SHARE:
        share = 100.0 * float(np.median(drop / up))
        reasons.append(Reason(
            f"the drop is {share:.0f} % of the pressure, no more than the scales of the gauges leave unknown",
            "use a smaller orifice, one gauge for both sides, or set both gauges against one another with no flow"))  # fmt: skip
    if reasons:
        raise FitRefused(upstream.name, reasons)
    # What the volume gives up: slope of the smoothed logarithm, over a fifth of a decade to either side.
    storage = volume * _slope(time, up)
    flow_over_conductance = drop + storage / conductance

    def flow(factors: tuple[float, float]) -> Trace:
        shown = factors[0] * (up + storage / conductance) - factors[1] * down
        mark = np.where(shown > 0.0, GOOD, NO_READING).astype(np.int8)
        return Trace(f"{upstream.name}: flow over conductance", time, np.maximum(shown, 1e-300), mark, shown)

    choice = choose(_models(), flow((1.0, 1.0)), level=level)
    found = choice.fit
    widen = Widener(conductance_error, level)
    figures = {p.name: as_estimate(p) if p.name == "exponent" else widen(p) for p in found.parameters}
    figures = _with_scales(found, figures, flow, scale_errors)
    cautions = [r.words for r in found.cautions]
    stored = float(np.median(np.abs(storage) / (conductance * drop)))
    if stored > 0.3:
        cautions.append(f"{100 * stored:.0f} % of the flow comes from the volume in front of the conductance, not from the sample")
    following = [r.next_experiment for r in found.cautions if r.next_experiment]
    names = [p.name for p in found.parameters]
    if "steady" in names:
        following.append("shut the sample off and repeat it: a steady flow that stays belongs to the apparatus")
    return ThroughputFit(
        choice, conductance, time, conductance * flow_over_conductance,
        _times(figures["at one hour"], conductance) if "at one hour" in names else None,
        figures.get("exponent"),
        _times(figures["steady"], conductance) if "steady" in names else None,
        tuple(cautions), tuple(dict.fromkeys(following)),
    )  # fmt: skip


def _with_scales(found: Fit, figures: dict[str, Estimate], flow: Callable[[tuple[float, float]], Trace], scale_errors: tuple[float, float]) -> dict[str, Estimate]:
    """The figures with what a wrong scale of either gauge does to them.

    The drop is a difference, so a wrong scale adds a false flow in proportion to the pressure and not to the flow: late, when
    the drop is small, it is most of it.  The curve is therefore fitted again with each gauge as far off as the level asks.
    """
    for place, error in enumerate(scale_errors):
        if error == 0.0:
            continue
        moved = []
        for sign in (-1.0, 1.0):
            factors = [1.0, 1.0]
            factors[place] = math.exp(sign * deviations_at(found.level) * error)
            moved.append(fit(found.model, flow(tuple(factors)), intervals=None))
        for p in found.parameters:
            figures[p.name] = _stretched(figures[p.name], p.value, [one[p.name].value for one in moved], p.name != "exponent")
    return figures


def _stretched(figure: Estimate, value: float, moved: list[float], positive: bool) -> Estimate:
    """Ends farther out, in quadrature with how far the value itself moved to either side; logarithms of what is positive."""
    least, most = min(value, *moved), max(value, *moved)
    if not positive:
        return replace(figure, low=value - math.hypot(value - figure.low, value - least), high=value + math.hypot(figure.high - value, most - value))
    none_left = figure.low <= 0.0 or least < value / LARGE
    low = 0.0 if none_left else value * math.exp(-math.hypot(math.log(value / figure.low), math.log(value / least)))
    high = value * math.exp(math.hypot(math.log(figure.high / value), math.log(most / value))) if math.isfinite(figure.high) else math.inf
    return replace(figure, low=low, high=high)


def _times(estimate: Estimate, conductance: float) -> Estimate:
    return replace(estimate, value=conductance * estimate.value, low=conductance * estimate.low, high=conductance * estimate.high, unit="Pa m3/s")


def _beside(other: Trace | float, time: np.ndarray) -> np.ndarray:
    """The other gauge at these moments; not-a-number before its first and after its last reading."""
    if not isinstance(other, Trace):
        return np.full(len(time), float(other))
    use = other.usable() & (other.mark == GOOD)
    if not use.any():
        return np.full(len(time), np.nan)
    return np.interp(time, other.time[use], other.reading[use], left=np.nan, right=np.nan)


def _slope(time: np.ndarray, pressure: np.ndarray) -> np.ndarray:
    """dp/dt at every reading, from a straight line in double logarithms through its neighbours."""
    x, y = np.log(time), np.log(pressure)
    half = 0.1 * math.log(10.0)
    slopes = np.empty(len(time))
    for k in range(len(time)):
        low, high = np.searchsorted(x, [x[k] - half, x[k] + half])
        low, high = min(low, max(k - 2, 0)), max(high, min(k + 3, len(x)))
        centred = x[low:high] - x[low:high].mean()
        slopes[k] = centred @ y[low:high] / (centred @ centred)
    return slopes * pressure / time


def _models() -> list[Model]:
    steady = Parameter("steady", 1.0, 1.0 / LARGE**2, LARGE, "Pa")
    hour = Parameter("at one hour", 1.0, 1.0 / LARGE**2, LARGE, "Pa")
    exponent = Parameter("exponent", 1.0, 0.05, 4.0, "1", positive=False)

    def falling(v, t):
        return v[0] * (t / ONE_HOUR) ** -v[1]

    def guess(t, p):
        last = float(np.median(p[-max(len(p) // 10, 1) :]))
        first = float(np.median(p[: max(len(p) // 10, 1)]))
        return [np.array([first * (t[0] / ONE_HOUR) ** n, n, share * last]) for n in (0.5, 1.0) for share in (0.1, 0.9)]

    def spans(found):
        seen = found.trace.time[found.trace.usable()]
        if seen[-1] >= DECADE * seen[0]:
            return []
        words = f"readings from {seen[0]:.3g} to {seen[-1]:.3g} s span less than a decade: they do not show a power law"
        return [Reason(words, f"log until {DECADE * seen[0]:.3g} s")]

    return [
        Model("steady", "a steady flow", (steady,), lambda v, t: np.full(len(t), v[0]), starts=lambda t, p: [np.array([np.median(p)])]),
        Model("power law", "a flow that falls as a power of the age", (hour, exponent), falling, starts=lambda t, p: [g[:2] for g in guess(t, p)], after=spans),
        Model(
            "power law and steady", "a flow that falls as a power of the age, down to a steady one", (hour, exponent, steady),
            lambda v, t: falling(v, t) + v[2], starts=guess, after=spans,
        ),
    ]  # fmt: skip
