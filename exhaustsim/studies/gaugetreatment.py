"""From what a gauge showed to the pressure that was there: gas factors, ends of the scale, zero, scatter.

A gauge is calibrated with one gas and reads every other one too high or too low.  Its scale is wrong
by a constant share as well: that does not average out over a thousand readings, so it is handed back
apart from the scatter, for whoever adds intervals up.  Readings outside the scale of the kind of gauge
become bounds and are told under the name `gauge_range`.

Not modelled: factors that change with pressure, a composition that changes along the trace, lag, gas
that the gauge pumps or gives off, a zero that creeps between the two moments it was taken.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from exhaustsim.constants import GAS_NAMES
from exhaustsim.data.published import BUILT_IN, DataFault, Tables
from exhaustsim.plant.faults import DesignFault, Fault, nearest
from exhaustsim.plant.trace import AT_LEAST, AT_MOST, GOOD, Trace
from exhaustsim.studies.gauges import gauge_named
from exhaustsim.units import format_number, show

#: A range in the tables is taken as the span of two standard deviations either side.
_DEVIATIONS_IN_RANGE = 4.0


@dataclass(frozen=True)
class TrueTrace:
    """A trace in true pressure, and what is known about it."""

    trace: Trace  # Pa of the gas or mixture that was stated
    scale_error: float  # relative standard deviation that all readings share [1]; does not average out
    scatter: float  # relative standard deviation of one reading about its neighbours [1]; not-a-number for too few
    zero: float  # taken off the readings [Pa as shown]
    zero_error: float  # standard deviation of the zero [Pa as shown]
    sentences: tuple[str, ...]
    flags: tuple[str, ...]  # names of flags raised: "gauge_range"


def true_pressure(trace: Trace, gas: str | Mapping[str, float], tables: Tables = BUILT_IN, *, zero_from: tuple[float, float] | None = None) -> TrueTrace:
    """The pressure that was there, from the readings of one gauge.

    Parameters
    ----------
    trace : Trace
        As read; `gauge` names its kind and `calibration_gas` what it was calibrated with.  Without a
        kind of gauge the readings are taken as they are.
    gas : str or mapping
        The gas that was there, or the shares of a mixture, which are scaled to one.
    tables : Tables
        Data tables with the gauges.
    zero_from : tuple of two floats, optional
        Start and end of a stretch in which the pressure was known to be far below the scale [s].
        Its mean is taken off every reading.

    Returns
    -------
    TrueTrace
        Readings outside the scale of the gauge are marked as bounds.

    Raises
    ------
    DesignFault
        No such gas; a mixture without a share; a gauge that does not see the gas; a stretch for the
        zero with fewer than three readings.

    Notes
    -----
    True pressure is reading times factor of the gas of calibration over the factor of the mixture.
    The range of a factor in the tables is taken as two standard deviations either side; factors of
    the gases and the scale of the gauge err independently, so their squares are added.

    Source: definition of the relative sensitivity, as in `physics/gauges.py`.

    Examples
    --------
    >>> shown = Trace("line", np.arange(3.0), np.full(3, 1.4e-3), np.zeros(3, np.int8), np.ones(3), gauge="hot_cathode", calibration_gas="N2")
    >>> true = true_pressure(shown, "CO2")
    >>> round(float(true.trace.reading[0]), 6), round(true.scale_error, 3)
    (0.001, 0.125)
    """
    shares = _shares(trace, gas)
    sentences, flags = [], []
    reading, mark = np.array(trace.reading, float), np.array(trace.mark)
    zero, zero_error = 0.0, 0.0
    if zero_from is not None:
        zero, zero_error = zero_of(trace, *zero_from)
        # One reading scatters more than the mean that makes the zero.
        one = math.hypot(float(_in_stretch(trace, *zero_from).std(ddof=1)), zero_error)
        reading, mark = _without_zero(reading, mark, zero, one)
        sentences.append(f"Zero of {show(zero, 'pressure', 'Pa')} taken off, from {zero_from[0]:g} to {zero_from[1]:g} s, good to {show(zero_error, 'pressure', 'Pa')}.")
    factor, scale_error = 1.0, 0.0
    if trace.gauge is None:
        sentences.append("The kind of gauge is not known: readings taken as true, with no scale error. Give gauge, such as hot_cathode.")
    else:
        factor, scale_error, said = _factor(trace, shares, tables)
        sentences += said
        outside = _scale(trace, reading, mark, tables)
        if outside:
            sentences.append(outside)
            flags.append("gauge_range")
        if trace.calibration_gas is not None and trace.calibration_gas not in shares:
            flags.append("gauge_range")
    true = replace(trace, reading=reading / factor, mark=mark, gas=next(iter(shares)) if len(shares) == 1 else None)
    scatter = scatter_of(true)
    if math.isfinite(scatter):
        sentences.append(f"Scatter of a reading about its neighbours {100.0 * scatter:.2g} %.")
    return TrueTrace(true, scale_error, scatter, zero, zero_error, tuple(sentences), tuple(dict.fromkeys(flags)))


def _fault(trace: Trace, key: str, given: object, need: str, cure: str = "") -> DesignFault:
    return DesignFault([Fault(trace.name, key, str(given), need, cure)])


def _shares(trace: Trace, gas: str | Mapping[str, float]) -> dict[str, float]:
    """Shares of the gases, adding up to one."""
    if trace.gas is not None and isinstance(gas, str) and gas != trace.gas:
        raise _fault(trace, "gas", gas, f"this trace is the partial pressure of {trace.gas}", "leave it as it is")
    shares = {gas: 1.0} if isinstance(gas, str) else dict(gas)
    unknown = next((g for g in shares if g not in GAS_NAMES), None)
    if unknown is not None:
        raise _fault(trace, "gas", unknown, "no gas of that name", nearest(unknown, GAS_NAMES))
    if not all(math.isfinite(s) and s >= 0.0 for s in shares.values()) or not sum(shares.values()) > 0.0:
        raise _fault(trace, "gas", shares, "needs shares of nought or more, one of them above nought")
    total = sum(shares.values())
    return {g: s / total for g, s in shares.items() if s > 0.0}


def _row(trace: Trace, gas: str, tables: Tables):
    return tables.group(f"gauges.{trace.gauge}.relative_sensitivity")[gas]


def _factor(trace: Trace, shares: dict[str, float], tables: Tables) -> tuple[float, float, list[str]]:
    """Reading over true pressure, its relative standard deviation, and sentences."""
    try:
        gauge = gauge_named(trace.gauge, tables)
    except DataFault as problem:
        raise _fault(trace, "gauge", trace.gauge, str(problem)) from None
    sentences = []
    calibration = trace.calibration_gas
    if calibration is None:
        calibration = "N2" if "N2" in gauge.calibration_gases else gauge.calibration_gases[0]
        sentences.append(f"Gas of calibration not known: taken as {calibration}, that of the table.")
    own = _row(trace, calibration, tables)
    if own.value == 0.0:
        raise _fault(trace, "calibration_gas", calibration, f"a {trace.gauge} gauge does not see {calibration}", "see which gas it was calibrated with")
    mixture, variance = 0.0, 0.0
    for gas, share in shares.items():
        row = _row(trace, gas, tables)
        mixture += share * row.value
        if gas != calibration:
            variance += (share * _deviation(row)) ** 2
    if mixture == 0.0:
        raise _fault(trace, "gas", ", ".join(shares), f"a {trace.gauge} gauge does not see it", "use another gauge")
    blind = [g for g in shares if _row(trace, g, tables).value == 0.0]
    if blind:
        sentences.append(f"The gauge does not see {', '.join(blind)}: the whole is reckoned from the rest by the shares given.")
    relative = variance / mixture**2
    # The gas of calibration needs no factor, and has none of the error of one: that is on the share of the others.
    others = 1.0 - shares.get(calibration, 0.0) * own.value / mixture
    relative += (others * _deviation(own) / own.value) ** 2
    name = f"gauges.{trace.gauge}.scale_error"
    if name in tables:
        relative += tables.value(name) ** 2
    else:
        sentences.append(f"How far the scale of {trace.gauge} may be out is not in the tables: taken as right in {calibration}.")
    factor = mixture / own.value
    words = ", ".join(f"{100.0 * s:.3g} % {g}" if len(shares) > 1 else g for g, s in shares.items())
    sentences.append(
        f"Readings of {trace.gauge} calibrated with {calibration} divided by {format_number(factor)} for {words}; scale good to "
        f"{100.0 * math.sqrt(relative):.2g} % (one standard deviation), which all readings share."
    )  # fmt: skip
    return factor, math.sqrt(relative), sentences


def _deviation(row) -> float:
    """Standard deviation of a row, from its range; nought for one without."""
    return (row.high - row.low) / _DEVIATIONS_IN_RANGE if row.low is not None and row.high is not None else 0.0


def _scale(trace: Trace, reading: np.ndarray, mark: np.ndarray, tables: Tables) -> str:
    """Marks readings outside the scale of the kind of gauge as bounds, in place; a sentence when there are any."""
    gauge = gauge_named(trace.gauge, tables)
    plain = mark == GOOD
    below, above = plain & (reading < gauge.lowest), plain & (reading > gauge.highest)
    open_below, open_above = (mark == AT_MOST) & np.isnan(reading), (mark == AT_LEAST) & np.isnan(reading)
    reading[below | open_below], mark[below] = gauge.lowest, AT_MOST
    reading[above | open_above], mark[above] = gauge.highest, AT_LEAST
    told = [
        f"{int(which.sum())} {word} {show(end, 'pressure', 'Pa')}"
        for which, word, end in ((below | open_below, "below", gauge.lowest), (above | open_above, "above", gauge.highest)) if which.any()
    ]  # fmt: skip
    if not told:
        return ""
    return f"gauge_range: of {len(reading)} readings {' and '.join(told)}, the ends of the scale of {trace.gauge}; used as bounds only."


def zero_of(trace: Trace, start: float, end: float) -> tuple[float, float]:
    """What a gauge shows where there is nothing to show, and the standard deviation of that.

    Parameters
    ----------
    trace : Trace
    start, end : float
        Stretch in which the pressure was far below the scale [s].

    Returns
    -------
    tuple of two floats
        Mean and its standard deviation [Pa as shown].

    Raises
    ------
    DesignFault
        Fewer than three readings in the stretch.

    >>> t = Trace("line", np.arange(4.0), np.array([0.01, 0.03, 0.02, 5.0]), np.zeros(4, np.int8), np.ones(4))
    >>> [round(x, 4) for x in zero_of(t, 0.0, 2.0)]
    [0.02, 0.0058]
    """
    shown = _in_stretch(trace, start, end)
    return float(shown.mean()), float(shown.std(ddof=1) / math.sqrt(len(shown)))


def _in_stretch(trace: Trace, start: float, end: float) -> np.ndarray:
    """Plain readings between two moments, three at least."""
    here = (trace.time >= start) & (trace.time <= end) & (trace.mark == GOOD) & np.isfinite(trace.reading)
    if here.sum() < 3:
        raise _fault(trace, "zero_from", f"{start:g} to {end:g} s", f"holds {int(here.sum())} plain readings, needs three", "choose a longer stretch")
    return trace.reading[here]


def _without_zero(reading: np.ndarray, mark: np.ndarray, zero: float, one: float) -> tuple[np.ndarray, np.ndarray]:
    """Readings less the zero; what does not stand out of the scatter of `one` reading about it becomes a bound."""
    reading = reading - zero
    lost = (mark == GOOD) & (reading <= 2.0 * one)
    reading[lost], mark[lost] = (2.0 * one if one > 0.0 else np.nan), AT_MOST
    return reading, mark


def scatter_of(trace: Trace) -> float:
    """Relative standard deviation of one reading about its neighbours [1]; not-a-number with fewer than eight.

    From the second differences of the logarithm, by their median, so that a course that bends slowly and
    spikes of a spark tester do not count.  Scatter that hangs together from reading to reading is
    underrated: the fits look at that by themselves.

    >>> rng = np.random.default_rng(1)
    >>> t = np.arange(4000.0)
    >>> p = np.exp(-t / 900.0 + 0.03 * rng.standard_normal(4000))
    >>> round(scatter_of(Trace("line", t, p, np.zeros(4000, np.int8), p)), 3)
    0.03
    """
    plain = (trace.mark == GOOD) & np.isfinite(trace.reading) & (trace.reading > 0.0)
    if plain.sum() < 8:
        return math.nan
    t, height = trace.time[plain], np.log(trace.reading[plain])
    before, after = np.diff(t)[:-1], np.diff(t)[1:]
    whole = before + after
    good = whole > 0.0
    # The line between both neighbours, at the moment of the reading between them.
    left, right = after[good] / whole[good], before[good] / whole[good]
    bend = height[1:-1][good] - left * height[:-2][good] - right * height[2:][good]
    size = np.sqrt(1.0 + left**2 + right**2)
    return float(1.4826 * np.median(np.abs(bend / size))) if good.any() else math.nan


def zero_drift(trace: Trace, first: tuple[float, float], last: tuple[float, float]) -> tuple[float, float]:
    """Drift of the zero between two stretches in which the pressure was far below the scale.

    Parameters
    ----------
    trace : Trace
    first, last : tuple of two floats
        Start and end of each stretch [s].

    Returns
    -------
    tuple of two floats
        Drift and its standard deviation [Pa/s].

    Raises
    ------
    DesignFault
        Fewer than three readings in a stretch, or stretches that do not follow each other.

    >>> t = np.arange(10.0)
    >>> drift, error = zero_drift(Trace("line", t, 0.1 + 0.01 * t, np.zeros(10, np.int8), t), (0.0, 2.0), (7.0, 9.0))
    >>> round(drift, 6)
    0.01
    """
    if not first[1] < last[0]:
        raise _fault(trace, "zero_drift", f"{first} and {last}", "needs two stretches, the second after the first")
    (early, early_error), (late, late_error) = zero_of(trace, *first), zero_of(trace, *last)
    span = 0.5 * (sum(last) - sum(first))
    return (late - early) / span, math.hypot(early_error, late_error) / span
