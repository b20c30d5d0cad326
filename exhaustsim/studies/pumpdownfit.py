"""What gives off gas while a volume is pumped: outgassing laws, leak and constant load from the pressure of a pump-down.

Once the air is gone, the pressure is what still comes in, over the net speed at the gauge.  It may
be a sum of: a constant load; gas that leaves a surface with a spread of bindings, about 1/t; gas
that diffuses out of glass or metal, about 1/sqrt(t); a power law between; and exponentials, of one
kind of site or of a volume trapped behind a restriction.  `fit_outgassing` says which sum the
readings support, and how much gas that is where the net speed is known.

A leak, a constant load and the ultimate pressure of the pump look the same in a pump-down: only
their sum is told.  Time counts from the moment pumping began; that moment may be fitted.

Not modelled: a net speed that changes with pressure or temperature, a part that warms up, gas that
the wall takes back, gases of different gauge factors.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from exhaustsim.constants import GAS_CONSTANT, REFERENCE_TEMPERATURE
from exhaustsim.plant.trace import AT_MOST, GOOD, Trace
from exhaustsim.studies.fitting import Choice, Fit, FitRefused, Model, Parameter, Reason, choose, fit
from exhaustsim.units import show

#: Terms of a pump-down: a key to the words of it.
TERMS = {
    "constant": "constant load (leak, steady outgassing and ultimate pressure together)",
    "inverse": "1/t, a surface with a spread of bindings",
    "root": "1/sqrt(t), diffusion out of glass or metal",
    "power": "power law of free exponent",
    "exponential": "exponential, one kind of site or a trapped volume",
}
#: Sums that are tried when none is named.
SUMS = (
    ("constant",), ("inverse",), ("root",), ("exponential",), ("power",),
    ("constant", "inverse"), ("constant", "root"), ("constant", "exponential"), ("constant", "power"),
    ("inverse", "exponential"), ("exponential", "exponential"), ("constant", "inverse", "exponential"),
    ("constant", "exponential", "exponential"),
)  # fmt: skip
_EXPONENTS = {"inverse": 1.0, "root": 0.5}
#: Share by which the pressure may rise over a log before a falling law is refused, and scatters that it must rise too; our own choice.
_MAY_RISE, _SCATTERS = 0.05, 2.0


def pumpdown_model(
    terms: Sequence[str], trace: Trace, *, time_zero: float | None = 0.0, ultimate_pressure: float = 0.0,
    time_constant: float = 0.0, reference: float | None = None,
) -> Model:  # fmt: skip
    """The curve of a pump-down as a sum of terms.

    Parameters
    ----------
    terms : sequence of str
        Keys of `TERMS`; "exponential" may stand more than once.
    trace : Trace
        For the range of parameters and the time at which power laws are told.
    time_zero : float or None
        When pumping began, on the clock of the log [s]; None to fit it.
    ultimate_pressure : float
        Known pressure of the pump alone [Pa].
    time_constant : float
        Volume over net speed [s]; 0 where the gas stream passes at once.
    reference : float, optional
        Time after time zero at which power laws are told [s]; by default the geometric middle of the log.

    Returns
    -------
    Model
        Amplitudes are pressures: of power laws at the reference, of exponentials at the first reading.

    Raises
    ------
    ValueError
        Unknown terms, or readings before time zero.

    Examples
    --------
    >>> from exhaustsim.studies.instrument import Instrument, log_of
    >>> t = np.linspace(1.0, 100.0, 50)
    >>> [p.name for p in pumpdown_model(("constant", "inverse"), log_of(Instrument(), t, 1.0 + 1.0 / t, seed=0)).parameters]
    ['constant', 'inverse']
    """
    unknown = [term for term in terms if term not in TERMS]
    if unknown or not terms:
        raise ValueError(f"no term {', '.join(unknown) or '(none given)'}; there are {', '.join(TERMS)}")
    here = trace.usable()
    if not here.any():
        raise FitRefused(trace.name, [Reason("there is no usable reading", "look at what the reader marked, and why")])
    time, shown = trace.time[here], trace.reading[here]
    first, last = float(time[0]), float(time[-1])
    needs_zero = any(term in ("inverse", "root", "power") for term in terms)
    span = max(last - first, 1e-9)
    assumed, middle = _zero_and_reference(first, last, time_zero, reference)
    if needs_zero and assumed >= first:
        raise ValueError(f"the first reading, at {first:g} s, is not after time zero, {assumed:g} s")
    least, most = 1e-6 * float(shown.min()), 1e4 * float(shown.max())
    gap = float(np.median(np.diff(time))) if len(time) > 1 else span
    parameters: list[Parameter] = []
    pieces: list[tuple[str, str, int]] = []  # name, kind, place of its first parameter
    number = 0
    for term in terms:
        name = term
        if term == "exponential" and list(terms).count("exponential") > 1:
            number += 1
            name = f"exponential {number}"
        pieces.append((name, term, len(parameters)))
        parameters.append(Parameter(name, float(np.median(shown)), least, most, "Pa"))
        if term == "power":
            parameters.append(Parameter("exponent", 1.0, 0.1, 5.0, "1", scaled=False))
        if term == "exponential":
            parameters.append(Parameter(name.replace("exponential", "time constant"), 0.3 * span, 0.3 * gap, 3.0 * span, "s", scaled=False))
    zero_place = None
    if time_zero is None and needs_zero:
        zero_place = len(parameters)
        parameters.append(Parameter("time zero", assumed, first - 10.0 * span, first - 1e-3 * gap, "s", positive=False, scaled=False))
    # With a volume of its own the first readings hold what was in it when the log began.
    start_place = None
    if time_constant > 0.0:
        start_place = len(parameters)
        parameters.append(Parameter("pressure at first", float(shown[0]), least, most, "Pa"))

    def shape(kind: str, place: int, values: np.ndarray, t: np.ndarray) -> np.ndarray:
        """A term over its amplitude."""
        if kind == "constant":
            return np.ones_like(t)
        if kind == "exponential":
            return np.exp(-(t - first) / values[place + 1])
        zero = assumed if zero_place is None else values[zero_place]
        exponent = _EXPONENTS[kind] if kind in _EXPONENTS else values[place + 1]
        return (np.maximum(t - zero, 1e-12 * span) / middle) ** -exponent

    def through(kind: str, place: int, values: np.ndarray, t: np.ndarray) -> np.ndarray:
        if time_constant <= 0.0:
            return shape(kind, place, values, t)
        return lagged(lambda s: shape(kind, place, values, s), t, first, time_constant)

    def term_of(kind: str, place: int) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
        return lambda values, t: values[place] * through(kind, place, values, np.asarray(t, float))

    def pressure(values: np.ndarray, t: np.ndarray) -> np.ndarray:
        total = np.full(np.shape(t), ultimate_pressure * (1.0 if time_constant <= 0.0 else 0.0))
        for _, kind, place in pieces:
            total = total + values[place] * through(kind, place, values, t)
        if start_place is not None:
            kept = np.exp(-np.maximum(t - first, 0.0) / time_constant)
            total = total + values[start_place] * kept + ultimate_pressure * (1.0 - kept)
        return total

    def derivatives(values: np.ndarray, t: np.ndarray) -> np.ndarray:
        slope = np.zeros((len(t), len(parameters)))
        for _, kind, place in pieces:
            unit = shape(kind, place, values, t)
            slope[:, place] = unit
            if kind == "exponential":
                slope[:, place + 1] = values[place] * unit * (t - first) / values[place + 1] ** 2
                continue
            if kind == "constant":
                continue
            zero = assumed if zero_place is None else values[zero_place]
            gone = np.maximum(t - zero, 1e-12 * span)
            if kind == "power":
                slope[:, place + 1] = -values[place] * unit * np.log(gone / middle)
            if zero_place is not None:
                exponent = _EXPONENTS[kind] if kind in _EXPONENTS else values[place + 1]
                slope[:, zero_place] += values[place] * unit * exponent / gone
        return slope

    def starts(t: np.ndarray, p: np.ndarray) -> list[np.ndarray]:
        return _starts(parameters, pieces, through, start_place, time_constant, t, np.maximum(p - ultimate_pressure, 1e-3 * p), gap, span)

    def before(log: Trace) -> list[Reason]:
        return _rises(log) + (_short(log, assumed) if needs_zero and zero_place is None else [])

    def after(found: Fit) -> list[Reason]:
        reasons = _under_floor(found) if "constant" in terms else []
        if zero_place is not None:
            reasons += _short(found.trace, float(found.values[zero_place]))
        return reasons

    names = " + ".join(name for name, _, _ in pieces)
    told = " + ".join(TERMS[kind] for _, kind, _ in pieces)
    return Model(
        names, told, tuple(parameters), pressure, {name: term_of(kind, place) for name, kind, place in pieces},
        derivatives if time_constant <= 0.0 else None, starts, before, after,
    )  # fmt: skip


def _zero_and_reference(first: float, last: float, time_zero: float | None, reference: float | None) -> tuple[float, float]:
    """Time zero, or where the search for it starts, and the time after it at which power laws are told [s]."""
    zero = time_zero if time_zero is not None else first - 0.03 * max(last - first, 1e-9)
    return zero, reference if reference is not None else math.sqrt(max(first - zero, 1e-9) * max(last - zero, 1e-9))


# Points on 0 to 1 at which the past is looked at, and how many time constants of it count: exp(-40) is nothing.
_POINTS, _WEIGHTS = np.polynomial.legendre.leggauss(48)
_POINTS, _WEIGHTS, _PAST = 0.5 * (_POINTS + 1.0), 0.5 * _WEIGHTS, 40.0


def lagged(shape: Callable[[np.ndarray], np.ndarray], time: np.ndarray, first: float, time_constant: float) -> np.ndarray:
    """A gas stream seen through a volume: what of it stands in the volume, from `first` on.

    Parameters
    ----------
    shape : callable
        Stream over net speed at moments [s].
    time : (n,) float array
        Moments, none before `first` [s].
    first : float
        When the account begins [s].
    time_constant : float
        Volume over net speed [s].

    Returns
    -------
    (n,) float array
        Pressure, in the unit of `shape`; 0 at `first`.

    >>> lagged(np.ones_like, np.array([0.0, 1.0]), 0.0, 1.0).round(4).tolist()
    [0.0, 0.6321]
    """
    oldest = np.minimum((time - first) / time_constant, _PAST)  # (n,) in time constants
    age = oldest[:, None] * _POINTS
    past = np.maximum(time[:, None] - time_constant * age, first)
    return oldest * ((shape(past.ravel()).reshape(past.shape) * np.exp(-age)) @ _WEIGHTS)


def _starts(parameters, pieces, through, start_place, time_constant, t, p, gap, span) -> list[np.ndarray]:
    """Values to start from: amplitudes by least squares that stay above zero, for times and exponents on a grid."""
    from scipy.optimize import nnls

    every = max(len(t) // 300, 1)
    t, p = t[::every], p[::every]
    base = np.array([q.start for q in parameters])
    grids, places = [], []
    for _, kind, place in pieces:
        if kind == "exponential":
            places.append(place + 1)
            grids.append(np.geomspace(max(2.0 * gap, span / 500.0), 1.5 * span, 9))
        if kind == "power":
            places.append(place + 1)
            grids.append(np.array([0.4, 0.7, 1.0, 1.4, 2.0]))
    tried = []
    for point in itertools.product(*grids):
        times = [value for value, (_, kind, _) in zip(point, [q for q in pieces if q[1] in ("exponential", "power")], strict=True) if kind == "exponential"]
        if times != sorted(times) or len(set(times)) < len(times):
            continue
        values = base.copy()
        values[places] = point
        columns = np.stack([through(kind, place, values, t) for _, kind, place in pieces], axis=1)
        if start_place is not None:
            columns = np.column_stack([columns, np.exp(-(t - t[0]) / time_constant)])
        found, left = nnls(columns / p[:, None], np.ones(len(t)))
        for (_, _, place), amplitude in zip(pieces, found, strict=False):
            values[place] = max(amplitude, 1e-3 * float(p.min()))
        tried.append((left, values))
    tried.sort(key=lambda pair: pair[0])
    return [values for _, values in tried[:2]]


def _rises(trace: Trace) -> list[Reason]:
    """A pressure that rises while it is pumped, beyond its scatter."""
    good = trace.usable() & (trace.mark == GOOD)
    logs = np.log(trace.reading[good])
    if len(logs) < 10:
        return []
    fifth = len(logs) // 5
    rise = float(np.median(logs[-fifth:]) - np.median(logs[:fifth]))
    scatter = 1.4826 * float(np.median(np.abs(np.diff(logs)))) / math.sqrt(2.0)
    if rise > max(_MAY_RISE, _SCATTERS * scatter):
        return [Reason(
            f"the pressure rises by {100.0 * math.expm1(rise):.0f} % over the log: outgassing of a pump-down cannot be negative",
            "look for an event (heat, a valve, the pump), and fit the stretch before or after it")]  # fmt: skip
    return []


def _short(trace: Trace, zero: float) -> list[Reason]:
    """Less than a decade of time for a law that is told by its slope on log paper."""
    time = trace.time[trace.usable()] - zero
    if time[-1] < 10.0 * time[0]:
        return [Reason(
            f"the log spans {time[-1] / time[0]:.2g} in time ({time[0]:.3g} to {time[-1]:.3g} s after time zero): a power law wants a decade",
            f"go on reading until {10.0 * time[0]:.3g} s after time zero, better a hundredfold")]  # fmt: skip
    return []


def gauge_floor(trace: Trace) -> float | None:
    """Lowest pressure that the gauge of a trace can show [Pa]: where readings stand at the foot, else by its kind; None when unknown.

    >>> from exhaustsim.studies.instrument import Instrument, log_of
    >>> t = np.linspace(0.0, 5.0, 9)
    >>> gauge_floor(log_of(Instrument(floor=0.05), t, np.exp(-t), seed=0))
    0.05
    """
    from exhaustsim.studies.gauges import gauge_named

    at_foot = trace.reading[(trace.mark == AT_MOST) & np.isfinite(trace.reading)]
    if len(at_foot):
        return float(at_foot.min())
    return gauge_named(trace.gauge).lowest if trace.gauge else None


def _under_floor(found: Fit) -> list[Reason]:
    """A constant load that the gauge could not have seen."""
    floor, load = gauge_floor(found.trace), found["constant"].value
    if floor is not None and load < floor:
        return [Reason(
            f"the constant load would be {load:.2g} Pa, below the foot of the gauge's scale of {floor:.2g} Pa: no leak can be told",
            "valve off and take a rate of rise, which gathers what the gauge cannot see")]  # fmt: skip
    return []


@dataclass(frozen=True)
class Rate:
    """Gas stream of one term; mol/s."""

    name: str
    words: str
    value: float
    low: float
    high: float
    at: str  # when


@dataclass(frozen=True, eq=False)
class OutgassingFit:
    """A pump-down fitted, and the gas streams that follow."""

    fit: Fit
    choice: Choice | None  # None when the terms were given
    rates: tuple[Rate, ...]  # empty without a net speed
    net_speed: float | None  # m^3/s
    temperature: float  # K of the gas that the net speed is for
    evidence: tuple[str, ...]
    next_experiments: tuple[str, ...]
    _streams: Model | None = field(default=None, repr=False)  # the terms over net speed, before the lag of the volume

    def rate(self, time) -> np.ndarray:
        """Total gas stream [mol/s] at moments [s].

        Raises
        ------
        ValueError
            No net speed was given.
        """
        if self.net_speed is None:
            raise ValueError("without a net speed no gas stream follows; give net_speed")
        time = np.asarray(time, float)
        terms = sum(term(self.fit.values, time) for term in self._streams.terms.values())
        return terms * self.net_speed / (GAS_CONSTANT * self.temperature)

    def in_words(self) -> list[str]:
        """What the readings support, and what they cannot tell."""
        return list(self.evidence)

    def to_json(self) -> dict:
        """Plain numbers, SI, and sentences."""
        rates = [{"name": r.name, "mol_per_s": [r.value, r.low, r.high], "at": r.at} for r in self.rates]
        return {
            "fit": self.fit.to_json(), "choice": self.choice.to_json() if self.choice else None, "rates": rates,
            "net_speed_m3_per_s": self.net_speed, "temperature_K": self.temperature, "evidence": list(self.evidence),
            "next": list(self.next_experiments),
        }  # fmt: skip


def fit_outgassing(
    trace: Trace, *, volume: float | None = None, net_speed: float | None = None, temperature: float = REFERENCE_TEMPERATURE,
    terms: str | Sequence[str] = "auto", time_zero: float | None = 0.0, ultimate_pressure: float = 0.0, reference: float | None = None,
    speed_error: float = 0.0, scale_error: float = 0.0, **options,
) -> OutgassingFit:  # fmt: skip
    """What gives off gas in a pump-down, and how much.

    Parameters
    ----------
    trace : Trace
    volume : float, optional
        Pumped volume [m^3]; with the net speed it gives the time that the pressure lags behind the gas stream.
    net_speed : float, optional
        At the gauge [m^3/s]; without it pressures are told, no gas streams.
    temperature : float
        Of the gas that the net speed is for [K].
    terms : "auto" or sequence of str
        Keys of `TERMS`; "auto" tries `SUMS`.
    time_zero : float or None
        When pumping began, on the clock of the log [s]; None to fit it.
    ultimate_pressure : float
        Known pressure of the pump alone [Pa].
    reference : float, optional
        Time after time zero at which power laws are told [s]; by default the geometric middle of the log.
    speed_error : float
        Standard deviation of the logarithm of the net speed [1].
    scale_error : float
        Standard deviation of the logarithm of the gauge's scale [1].
    **options
        Of `fitting.fit` [as there].

    Returns
    -------
    OutgassingFit

    Raises
    ------
    FitRefused
        What speaks against the fit, all of it, with what to measure next.
    ValueError
        Options that do not exist, or numbers that cannot be.

    Examples
    --------
    >>> from exhaustsim.studies.instrument import Instrument, log_of
    >>> t = np.linspace(1.0, 100.0, 200)
    >>> found = fit_outgassing(log_of(Instrument(scatter=0.03), t, 0.02 + 0.5 / t, seed=2), net_speed=1e-3)
    >>> found.fit.model.name
    'constant + inverse'
    """
    wrong = [f"{name} = {value:g}" for name, value in (("volume", volume), ("net_speed", net_speed)) if value is not None and not value > 0.0]
    if wrong or not temperature > 0.0:
        raise ValueError(f"{', '.join(wrong) or 'temperature'}: must be above zero")
    if volume is not None and net_speed is None:
        raise ValueError("a volume is of use only with a net speed: together they give the lag")
    lag = volume / net_speed if volume is not None else 0.0
    shape = {"time_zero": time_zero, "ultimate_pressure": ultimate_pressure, "time_constant": lag, "reference": reference}
    choice = None
    if terms == "auto":
        reasons = _cannot_choose(trace, time_zero or 0.0)
        if reasons:
            raise FitRefused(trace.name, reasons)
        choice = choose([pumpdown_model(s, trace, **shape) for s in SUMS], trace, scale_error=scale_error, **options)
        found = choice.fit
    else:
        found = fit(pumpdown_model((terms,) if isinstance(terms, str) else tuple(terms), trace, **shape), trace, scale_error=scale_error, **options)
    rates = () if net_speed is None else tuple(_rates(found, net_speed, temperature, scale_error, speed_error, time_zero, reference))
    evidence, following = _evidence(found, choice, rates, net_speed)
    # What comes off the parts is not what stands in the volume: that follows it with the lag.
    streams = pumpdown_model([name.split()[0] for name in found.model.terms], trace, **{**shape, "time_constant": 0.0})
    return OutgassingFit(found, choice, rates, net_speed, temperature, tuple(evidence), tuple(following), streams)


def _cannot_choose(trace: Trace, zero: float) -> list[Reason]:
    """Why no law can be chosen, whatever the readings say."""
    good = trace.usable() & (trace.mark == GOOD)
    need = 15  # five for each parameter of constant + exponential
    reasons = []
    if good.sum() < need:
        reasons.append(Reason(
            f"{int(good.sum())} good readings cannot tell one law from another; {need} are the least, five for each of three parameters",
            "read more often, or for longer"))  # fmt: skip
    if trace.usable().any():
        time = trace.time[trace.usable()] - zero
        if time[0] <= 0.0:
            reasons.append(Reason(f"the first reading, at {trace.time[trace.usable()][0]:g} s, is not after time zero", "give the moment pumping began"))
        else:
            reasons += _short(trace, zero)
    return reasons


def _rates(found: Fit, net_speed: float, temperature: float, scale_error: float, speed_error: float, time_zero, reference):
    """Gas stream of each term with its interval."""
    from exhaustsim.studies.fitintervals import widened

    per_pascal = net_speed / (GAS_CONSTANT * temperature)
    seen = found.trace.time[found.trace.usable()]
    first = float(seen[0])
    _, middle = _zero_and_reference(first, float(seen[-1]), time_zero, reference)
    for name in found.model.terms:
        p = found[name]
        low, high = widened(Parameter(name, 1.0, 0.0, 1.0, "Pa"), p.value, (p.low, p.high), found.level, speed_error)
        kind = name.split()[0]
        at = {"constant": "at all times", "exponential": f"at the first reading, {first:.4g} s"}.get(kind, f"{middle:.4g} s after time zero")
        yield Rate(name, TERMS[kind], p.value * per_pascal, low * per_pascal, high * per_pascal, at)


def _evidence(found: Fit, choice: Choice | None, rates, net_speed) -> tuple[list[str], list[str]]:
    """Sentences on what the readings support, and what to measure next."""
    told = list(choice.words) if choice else [f"{found.model.name}: {found.model.words}"]
    told += found.in_words()
    told += [
        f"{r.name}: {show(r.value, 'throughput', 'Pa L/s')} at 20 degC, {show(r.low, 'throughput', 'Pa L/s')} to {show(r.high, 'throughput', 'Pa L/s')}, {r.at}"
        for r in rates
    ]
    following = [r.next_experiment for r in found.cautions]
    if "constant" in found.model.terms:
        told.append("a leak, a constant load and the ultimate pressure of the pump look the same here: only their sum is told")
        following.append("valve off and take a rate of rise, once with air and once with argon round the suspected place: only a leak changes")
    if any(name.startswith("exponential") for name in found.model.terms):
        told.append("one kind of site and a trapped volume both fall exponentially: this log does not tell them apart")
        following.append("repeat after dry nitrogen at one atmosphere for an hour: a trapped volume fills again, a site does not")
    if net_speed is None:
        told.append("without a net speed no gas stream follows, only pressures")
    return told, list(dict.fromkeys(n for n in following if n))
