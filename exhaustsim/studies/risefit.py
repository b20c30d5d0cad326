"""A valve is closed off and its pressure rises: how much gas comes, and is it a leak?

Every curve of `exhaustsim.studies.rise` is fitted to the readings, and the simplest that they
support is taken.  The gas flow at the moment of closing is volume times slope; the volume is
known only so well, and that widens the interval.  The shape is evidence: a leak rises straight,
outgassing bends over, trapped gas runs out.  It is evidence only, so the result says which other
sources make the same curve, and which experiment parts them.  The strongest of these is a second
rise with another gas round the valve: gas from inside does not care what stands outside.

Not modelled: gas that the gauge pumps or gives off, a temperature that drifts, two sources of one
kind.  The first seconds, while the gauge lags and the valve snaps shut, are left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from exhaustsim.constants import REFERENCE_TEMPERATURE, ZERO_CELSIUS
from exhaustsim.plant.trace import GOOD, Trace
from exhaustsim.studies import rise
from exhaustsim.studies.fitmodel import FitRefused, Model, Parameter, Reason
from exhaustsim.studies.fitting import WITHIN, Choice, Fit, choose, fit, with_intervals
from exhaustsim.studies.risecurves import SPEAKS_FOR, falling_curve, falls, rising_curves

SKIPPED = 5.0  # s after closing: gauge lag and valve snap, practice of the trade
LARGE = 1e12  # bound of parameters that nature does not bound
FAR_BEHIND = 10.0  # points of the criterion by which a curve is as good as excluded, usage of the criterion

RISE_WITH_ARGON = "repeat the rise with argon round head and valve: gas from inside does not change, a leak does"
_COLD = "repeat it with the exhaust stem cooled: water taken back by a cold wall falls, air does not"
_BLANK = "repeat it with the exhaust stem blanked off at the head: what is left comes from head, rubber and gauge"
_DOUBLED = "pump twice as long and repeat it: a leak stays, outgassing falls by half, trapped gas by its time constant"
_LONGER = "keep it closed until the rise has at least doubled"

NEXT = {
    "straight": (RISE_WITH_ARGON, _BLANK),
    "one over time": (_DOUBLED, _COLD),
    "root of time": (_DOUBLED, _COLD),
    "levelling": (_DOUBLED, _COLD, RISE_WITH_ARGON),
    "hyperbola": (_DOUBLED, _LONGER),
    "leak and one over time": (RISE_WITH_ARGON, _DOUBLED),
    "leak and levelling": (RISE_WITH_ARGON, _DOUBLED),
    "falling": (_COLD, "repeat it with the gauge switched off between readings: a pumping gauge then takes less"),
}


@dataclass(frozen=True)
class Estimate:
    """A figure with its interval, SI."""

    value: float
    low: float
    high: float
    unit: str

    def told(self) -> str:
        """In words, flows and amounts in trade units.

        >>> Estimate(3e-7, 2.5e-7, 3.6e-7, "Pa m3/s").told()
        '0.0003 Pa L/s (0.00025 to 0.00036)'
        """
        factor, unit = (1e3, self.unit.replace("m3", "L")) if "m3" in self.unit else (1.0, self.unit)
        ends = [f"{factor * x:.3g}" for x in (self.value, self.low, self.high)]
        if self.low <= 0.0:
            return f"no more than {ends[2]} {unit}"
        if not math.isfinite(self.high):
            return f"no less than {ends[1]} {unit}"
        return f"{ends[0]} {unit} ({ends[1]} to {ends[2]})"


@dataclass(frozen=True, eq=False)
class RiseFit:
    """What a rise in a closed volume says."""

    choice: Choice
    volume: float  # m3
    volume_error: float  # relative [1]
    temperature: float  # K
    surround: str
    gas_factor: float  # reading over true pressure [1]
    throughput: Estimate  # at the moment of closing, Pa m3/s; below zero gas is taken up
    amount: Estimate | None  # that comes out in the end, for a source that runs out [Pa m3]
    time_constant: Estimate | None  # s
    halves: Estimate | None  # rise of the second half of the time over that of the first [1]: 1 is straight; None if it falls
    leak_at_most: Estimate | None  # straight share beside the best bending curve [Pa m3/s]; None if that cannot be said
    evidence: tuple[str, ...]
    cannot_tell: tuple[str, ...]
    next_experiments: tuple[str, ...]

    @property
    def model(self) -> str:
        """Name of the curve that was taken."""
        return self.choice.fit.model.name

    @property
    def speaks_for(self) -> str:
        """"leak", "outgassing", "runs out", "taken up", or two of them."""
        return SPEAKS_FOR[self.model][0]

    @property
    def level(self) -> float:
        """Of the intervals [1]."""
        return self.choice.fit.level

    @property
    def molar_flow(self) -> Estimate:
        """Gas flow at the moment of closing [mol/s]."""
        return Estimate(*(rise.amount_in_moles(x, self.temperature) for x in (self.throughput.value, self.throughput.low, self.throughput.high)), "mol/s")

    @property
    def sentence(self) -> str:
        text = f"{SPEAKS_FOR[self.model][1]}"
        text = f"{text[0].upper()}{text[1:]}; {'gas flow' if self.throughput.value >= 0.0 else 'uptake'} at closing {_positive(self.throughput).told()}"
        if self.amount is not None:
            text += f"; {self.amount.told()} in all, time constant {self.time_constant.told()}"
        if abs(self.temperature - REFERENCE_TEMPERATURE) > 1.0:
            # Elsewhere Pa L are those at 20 degC; here they are those that the gauge saw.
            share = REFERENCE_TEMPERATURE / self.temperature
            text += f"; these are Pa L at the {self.temperature - ZERO_CELSIUS:.0f} degC of the gas, times {share:.3g} for 20 degC"
        return f"{text}. {self.evidence[0][0].upper()}{self.evidence[0][1:]}."

    def to_json(self) -> dict:
        """Plain numbers and sentences; SI."""
        return {
            "model": self.model, "speaks_for": self.speaks_for, "level": self.level, "surround": self.surround, "volume_m3": self.volume,
            "volume_error": self.volume_error, "temperature_K": self.temperature, "gas_factor": self.gas_factor,
            **{
                name: None if e is None else {"value": e.value, "low": e.low, "high": e.high, "unit": e.unit}
                for name, e in (
                    ("throughput", self.throughput), ("amount", self.amount), ("time_constant", self.time_constant),
                    ("second_half_over_first", self.halves), ("leak_at_most", self.leak_at_most), ("molar_flow", self.molar_flow),
                )
            },
            "evidence": list(self.evidence), "cannot_tell": list(self.cannot_tell), "next_experiments": list(self.next_experiments),
            "sentence": self.sentence, "choice": self.choice.to_json(),
        }  # fmt: skip


def fit_rise(
    trace: Trace, volume: float, volume_sd: float, temperature: float = ZERO_CELSIUS + 20.0, *, closed_at: float | None = None, skip: float = SKIPPED,
    surround: str = "air", gas_factor: float = 1.0, age: float | None = None, floor: float = 0.0, scale_error: float = 0.0, level: float = 0.95,
) -> RiseFit:  # fmt: skip
    """Fit the rise of the pressure in a closed volume.

    Parameters
    ----------
    trace : Trace
        Readings from the closing on; those before it are left out.
    volume, volume_sd : float
        Closed volume and its standard error [m3].
    temperature : float
        Of the gas [K].
    closed_at : float, optional
        Moment of closing [s]; by default the first reading.
    skip : float
        Time after closing that is left out [s].
    surround : str
        Gas round head and valve, for the words.
    gas_factor : float
        Reading over true pressure for the gas that comes [1].
    age : float, optional
        Time for which the parts had been pumped when the volume was closed [s].  Without it the age of
        outgassing is fitted, which a short rise does not allow.
    floor : float
        Lowest reading of the gauge [Pa]: a rise smaller than this is no rise.
    scale_error : float
        Standard deviation of the logarithm of the gauge's scale [1].
    level : float
        Of the intervals [1].

    Returns
    -------
    RiseFit

    Raises
    ------
    FitRefused
        No curve is supported: too few readings, a rise below the floor; with what to measure next.
    ValueError
        Volume, temperature, factor or age not above zero.

    Examples
    --------
    >>> from exhaustsim.studies.instrument import Instrument, log_of
    >>> t = np.arange(0.0, 300.0, 2.0)
    >>> found = fit_rise(log_of(Instrument(scatter=0.02), t, 0.1 + 0.02 * t, seed=1), 15e-6, 0.3e-6)
    >>> found.speaks_for, bool(found.throughput.low < 3e-7 < found.throughput.high)
    ('leak', True)
    """
    for name, value in (("volume", volume), ("temperature", temperature), ("gas_factor", gas_factor), ("age", age if age is not None else 1.0)):
        if not (value > 0.0 and math.isfinite(value)):
            raise ValueError(f"{name} must be above 0, not {value:g}")
    if not 0.0 <= volume_sd < volume:
        raise ValueError(f"the standard error of the volume must be 0 or more and below the volume, not {volume_sd:g}")
    if not len(trace):
        raise FitRefused(trace.name, [Reason("there is no reading", "log the rise")])
    shown = _since_closing(trace, trace.time[0] if closed_at is None else closed_at, skip, gas_factor)
    options = {"scale_error": scale_error, "level": level}
    taken_up = falls(shown)
    models = [falling_curve(shown, volume)] if taken_up else rising_curves(shown, volume, age, floor)
    choice = choose(models, shown, **options)
    halves = None if taken_up else _halves(shown, options)
    found = choice.fit
    widen = Widener(volume_sd / volume, level)
    name = found.model.name
    runs_out = name in ("levelling", "hyperbola", "leak and levelling")
    amount = widen(found["amount"]) if runs_out else None
    constant = as_estimate(found["half time" if name == "hyperbola" else "time constant"]) if runs_out or taken_up else None
    leak = None if taken_up else _leak_at_most(choice, shown, volume, floor, widen)
    evidence = _evidence(choice, halves, leak)
    cannot_tell = [SPEAKS_FOR[name][2]] + [f"the readings do not tell {name} from {other}" for other in _near(choice)]
    cannot_tell += [w for w in found.in_words() if "trade off" in w]
    following = list(NEXT[name]) + [r.next_experiment for r in found.cautions if r.next_experiment]
    if _near(choice):
        following.append(_LONGER)
    return RiseFit(
        choice, volume, volume_sd / volume, temperature, surround, gas_factor, _at_closing(found, volume, widen), amount, constant, halves, leak,
        tuple(evidence), tuple(cannot_tell), tuple(dict.fromkeys(following)),
    )  # fmt: skip


# ---- two surrounds -------------------------------------------------------------------


@dataclass(frozen=True)
class Surrounds:
    """A rise with one gas round the valve against one with another."""

    names: tuple[str, str]
    ratio: Estimate  # of the slopes as shown by the gauge, second over first [1]
    expected: dict[str, float]  # what each explanation would give [1]
    fitting: tuple[str, ...]  # explanations inside the interval
    leak_share: Estimate  # share of the first rise that is a leak, if it is a molecular one [1]

    @property
    def sentence(self) -> str:
        first, second = self.names
        text = f"With {second} round the valve the gauge rises {self.ratio.value:.3f} times as fast as with {first} ({self.ratio.low:.3f} to {self.ratio.high:.3f}): "
        others = [f"{name} ({value:.3f})" for name, value in self.expected.items() if name not in self.fitting]
        agree = [f"{name} ({value:.3f})" for name, value in self.expected.items() if name in self.fitting]
        text += f"agrees with {' and with '.join(agree)}" if agree else "agrees with none of the explanations"
        text += f"; excludes {', '.join(others)}" if others else "; excludes nothing: repeat with helium, or with a gauge of another kind"
        return text + "."

    def to_json(self) -> dict:
        share, ratio = self.leak_share, self.ratio
        return {
            "names": list(self.names), "ratio": [ratio.value, ratio.low, ratio.high], "expected": self.expected, "fitting": list(self.fitting),
            "leak_share": [share.value, share.low, share.high], "sentence": self.sentence,
        }  # fmt: skip


def compare_surrounds(
    first: RiseFit, second: RiseFit, masses: tuple[float, float], viscosities: tuple[float, float], gauge_ratio: float, gauge_ratio_error: float = 0.0
) -> Surrounds:
    """Two rises of one valve with different gases round it; volume and scale of the gauge fall out of the ratio.

    Parameters
    ----------
    first, second : RiseFit
        Both fitted with gas factor 1, by one gauge.
    masses, viscosities : pair of float
        Of the gases round the valve: molar mass [kg/mol], viscosity [Pa s].
    gauge_ratio : float
        Sensitivity of the gauge to the second gas over that to the first [1].
    gauge_ratio_error : float
        Its relative standard error [1].

    Returns
    -------
    Surrounds

    Raises
    ------
    ValueError
        Fits with different gas factors or volumes, or a rise that falls.

    Examples
    --------
    >>> from exhaustsim.studies.instrument import Instrument, log_of
    >>> t = np.arange(0.0, 300.0, 2.0)
    >>> air, argon = (fit_rise(log_of(Instrument(scatter=0.01), t, 0.1 + s * t, seed=1), 15e-6, 0.3e-6) for s in (0.02, 0.02 * 0.8515 * 1.3))
    >>> compare_surrounds(air, argon, (0.02897, 0.03995), (1.82e-5, 2.23e-5), 1.3).fitting[0]
    'a molecular leak'
    """
    if first.gas_factor != 1.0 or second.gas_factor != 1.0 or first.volume != second.volume:
        raise ValueError("compare readings as shown: fit both rises with gas factor 1 and the same volume")
    if min(first.throughput.value, second.throughput.value) <= 0.0:
        raise ValueError("one of the two does not rise")
    logs, halves = [], []
    for one in (first, second):
        # The volume is common to both and must not widen the ratio; what the fit itself is unsure of must.
        plain = _at_closing(_without_scale(one.choice.fit), one.volume, Widener(0.0, one.level))
        logs.append(math.log(plain.value))
        halves.append(0.5 * math.log(plain.high / plain.low))
    sure = deviations_at(first.level)
    half = math.hypot(*halves, sure * gauge_ratio_error)
    middle = logs[1] - logs[0]
    ratio = Estimate(math.exp(middle), math.exp(middle - half), math.exp(middle + half), "1")
    molecular = float(rise.surround_ratio(*masses)) * gauge_ratio
    expected = {
        "a molecular leak": molecular,
        "a viscous leak": rise.surround_ratio(*masses, "viscous", *viscosities) * gauge_ratio,
        "gas from inside": 1.0,
    }
    fitting = tuple(name for name, value in expected.items() if ratio.low <= value <= ratio.high)
    shares = sorted((x - 1.0) / (molecular - 1.0) for x in (ratio.low, ratio.high)) if molecular != 1.0 else [-math.inf, math.inf]
    share = Estimate((ratio.value - 1.0) / (molecular - 1.0) if molecular != 1.0 else math.nan, *shares, "1")
    return Surrounds((first.surround, second.surround), ratio, expected, fitting, share)


# ---- evidence ------------------------------------------------------------------------


def _halves(trace: Trace, options) -> Estimate:
    """Rise of the second half of the time over that of the first.

    By ln(1 + (w - 1) x)/ln w, x the share of the time: straight at w = 1, bent over above, upwards below.
    """
    seen = trace.time[trace.usable()]
    begin, length = float(seen[0]), max(float(seen[-1] - seen[0]), 1e-9)

    def course(w, x):
        return x if abs(w - 1.0) < 1e-6 else np.log1p((w - 1.0) * x) / math.log(w)

    def ratio(w):
        middle = float(course(w, np.array(0.5)))
        return (1.0 - middle) / middle

    good = trace.reading[trace.mark == GOOD]
    some = max(len(good) // 10, 1)
    first, last = float(np.median(good[:some])), float(np.median(good[-some:]))
    gain = max(last - first, 1e-6 * last)
    model = Model(
        "bend", "a curve for the bend alone",
        (Parameter("start", first, 1e-3 * first, LARGE, "Pa"), Parameter("gain", gain, 1e-3 * gain, 1e3 * gain, "Pa"), Parameter("bend", 2.0, 1e-3, 1e9, "1")),
        lambda v, t: v[0] + v[1] * course(v[2], (t - begin) / length),
        starts=lambda t, p: [np.array([start * first, gain, w]) for start in (0.2, 1.0) for w in (1.5, 30.0)],
    )  # fmt: skip
    found = fit(model, trace, **options)["bend"]
    high = math.inf if found.open_low else ratio(found.low)
    return Estimate(ratio(found.value), 0.0 if found.open_high else ratio(found.high), high, "1")


def _leak_at_most(choice: Choice, trace: Trace, volume: float, floor: float, widen) -> Estimate | None:
    """The straight share that the readings leave room for beside a bending curve."""
    if choice.fit.model.name == "straight":
        return widen(choice.fit["throughput"])
    if "leak" in [p.name for p in choice.fit.parameters]:
        return widen(choice.fit["leak"])
    beside = {"one over time": "leak and one over time", "levelling": "leak and levelling"}.get(choice.fit.model.name)
    for one in choice.fits:
        if one.model.name == beside:
            found = widen(with_intervals(one)["leak"])
            # What the gauge could not see to rise by its lowest reading is not excluded either.
            seen = trace.time[trace.usable()]
            return replace(found, low=0.0, high=max(found.high, floor * volume / float(seen[-1] - seen[0])))
    return None


def _near(choice: Choice) -> list[str]:
    """Curves that the criterion does not part from the one taken."""
    return [f.model.name for f in choice.fits if f is not choice.fit and f.model.name != choice.fit.model.name and abs(f.criterion - choice.fit.criterion) <= WITHIN]


def _evidence(choice: Choice, halves: Estimate | None, leak: Estimate | None) -> list[str]:
    if halves is None:
        return ["the pressure falls: gas is taken up faster than it comes"]
    told = [f"the second half of the time brings {halves.value:.2f} times the rise of the first ({halves.low:.2f} to {halves.high:.2f}; a leak alone brings 1)"]
    name = choice.fit.model.name
    if name == "straight":
        told.append(f"all of the rise is straight: {leak.told()}")
    elif leak is not None:
        room = f"no leak is supported; if the gas evolution keeps to this curve there is room for {1e3 * leak.high:.2g} Pa L/s at most"
        told.append(f"a leak is supported beside it: {leak.told()}" if name.startswith("leak") else room)
    best = min(f.criterion for f in choice.fits)
    worse = [f.model.name for f in choice.fits if f.model.name != name and f.criterion - best > FAR_BEHIND]
    if worse:
        told.append(f"fit so much worse that they are as good as excluded: {', '.join(worse)}")
    if choice.refused:
        first, no = next(iter(choice.refused.items()))
        told.append(f"fitted and not shown by these readings: {', '.join(choice.refused)}; {first}: {no.reasons[0].words}")
    return told


# ---- figures with their intervals ----------------------------------------------------


@dataclass(frozen=True)
class Widener:
    """Puts an uncertainty that stands beside the fit, such as that of the volume, into an interval, in quadrature of logarithms."""

    error: float  # standard deviation of the logarithm [1]
    level: float  # of the interval [1]

    def __call__(self, fitted) -> Estimate:
        low = 0.0 if fitted.open_low else fitted.low
        high = math.inf if fitted.open_high else fitted.high
        extra = deviations_at(self.level) * self.error
        lower = fitted.value * math.exp(-math.hypot(math.log(fitted.value / low), extra)) if low > 0.0 else 0.0
        upper = fitted.value * math.exp(math.hypot(math.log(high / fitted.value), extra)) if math.isfinite(high) else math.inf
        return Estimate(fitted.value, lower, upper, fitted.unit)


def as_estimate(fitted) -> Estimate:
    """A fitted parameter as an estimate; ends that the readings do not set are 0 and infinity."""
    return Estimate(fitted.value, 0.0 if fitted.open_low else fitted.low, math.inf if fitted.open_high else fitted.high, fitted.unit)


def deviations_at(level: float) -> float:
    """Standard deviations to either side that an interval of `level` [1] takes in, normal law.  Nothing is raised.

    >>> round(deviations_at(0.95), 2)
    1.96
    """
    from scipy.stats import norm

    return float(norm.isf(0.5 * (1.0 - level)))


def _positive(estimate: Estimate) -> Estimate:
    """An uptake told as a positive figure."""
    if estimate.value >= 0.0:
        return estimate
    return Estimate(-estimate.value, -estimate.high, -estimate.low, estimate.unit)


def _at_closing(found: Fit, volume: float, widen: Widener) -> Estimate:
    """Volume times slope at the moment of closing.

    Of a sum of terms, or of amount over time constant, the interval is that of the slope itself: the curve is
    written anew with it as a parameter.
    """
    name = found.model.name
    if name in ("straight", "one over time", "root of time"):
        return widen(found["throughput"])
    slope = _slope_at_closing(found, volume)
    # The scale of the gauge moves all amounts and flows alike: it enters once, behind the correlations of the fit.
    widen = Widener(math.hypot(widen.error, found.scale_error), widen.level)
    half = widen(_Like(slope, *_delta(found, volume), "Pa m3/s"))
    return half if name != "falling" else Estimate(-half.value, -half.high, -half.low, half.unit)


@dataclass(frozen=True)
class _Like:
    """Stands in for a fitted parameter."""

    value: float
    low: float
    high: float
    unit: str
    open_low: bool = False
    open_high: bool = False


def _slope_at_closing(found: Fit, volume: float, values=None) -> float:
    values = found.values if values is None else values
    name = found.model.name
    if name == "falling":
        return volume * values[1] / values[2]
    if name in ("levelling", "hyperbola"):
        return values[1] / values[2]
    if name == "leak and levelling":
        return values[1] / values[2] + values[3]
    return values[1] + values[-1]


def _delta(found: Fit, volume: float) -> tuple[float, float]:
    """Ends of the flow at closing, the scale of the gauge apart: each parameter taken to its ends, their correlations allowed for.

    Half widths of the logarithms of the parameters, from their own intervals; combined with the
    correlation matrix of the fit, upwards and downwards apart, so that asymmetry is kept.
    """
    middle = _slope_at_closing(found, volume)
    by_scale = deviations_at(found.level) * found.scale_error
    moves = {1: [], -1: []}
    for sign in (1, -1):
        for k, p in enumerate(found.parameters):
            unit = 0.01
            values = found.values.copy()
            values[k] *= math.exp(unit)
            slope = (math.log(_slope_at_closing(found, volume, values)) - math.log(middle)) / unit
            towards = sign if slope >= 0.0 else -sign
            end = p.high if towards > 0 else p.low
            # An end that the readings do not set counts for one factor e of the parameter.
            far = abs(math.log(end / p.value)) if 0.0 < end < LARGE and not (p.open_high if towards > 0 else p.open_low) else 1.0
            if found.model.parameters[k].follows_scale:
                far = math.sqrt(max(far**2 - by_scale**2, 0.0))
            moves[sign].append(slope * far)
    ends = [middle * math.exp(sign * math.sqrt(max(float(np.array(m) @ found.correlation @ np.array(m)), 0.0))) for sign, m in moves.items()]
    return min(ends), max(ends)


def _without_scale(found: Fit) -> Fit:
    """The fit with intervals that leave out the scale error of the gauge, which two rises by one gauge share."""
    return with_intervals(replace(found, scale_error=0.0)) if found.scale_error else found


def _since_closing(trace: Trace, closed_at: float, skip: float, gas_factor: float) -> Trace:
    """Readings after the seconds left out, time from closing, in true pressure of the gas that comes."""
    moved = replace(trace, time=trace.time - closed_at, reading=trace.reading / gas_factor)
    return moved.between(skip, math.inf)
