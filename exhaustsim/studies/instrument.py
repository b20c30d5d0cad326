"""What a logger would have written down while the true reading ran its course: the faults of an instrument, made on purpose.

Demonstration logs and the trials of the fits need readings whose truth is known.  `Instrument`
says how a gauge and its logger spoil a reading: a scale that is off by a constant share, noise
that hangs together for a while, a meter with so many digits, a floor and an end of the scale,
steps where the range is changed, spikes of a spark tester.  Everything comes from the seed.

Not modelled: lag of the gauge, gas that it pumps or gives off, hum, a clock that runs wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from exhaustsim.plant.trace import AT_LEAST, AT_MOST, GOOD, SPOILED, Trace


@dataclass(frozen=True)
class Instrument:
    """How readings are spoiled; the defaults spoil nothing."""

    scatter: float = 0.0  # standard deviation of the logarithm of a reading [1]
    correlation_time: float = 0.0  # time over which the scatter hangs together [s]; 0 = each reading by itself
    scale_error: float = 0.0  # share by which every reading is too high [1]
    zero: float = 0.0  # added to every reading [Pa]
    zero_drift: float = 0.0  # added to that, per second [Pa/s]
    digits: int = 0  # significant digits that the meter shows; 0 = all
    step: float = 0.0  # step of the meter [Pa]; 0 = none
    floor: float = 0.0  # the meter shows this when the reading is lower [Pa]
    ceiling: float = np.inf  # and this when it is higher [Pa]
    range_ends: tuple[float, ...] = ()  # readings at which the range is changed [Pa]
    range_step: float = 0.0  # share by which one range reads higher than the next lower one [1]
    spikes: tuple[float, ...] = ()  # moments of spikes [s]
    spike_height: float = 10.0  # factor on a reading struck by one [1]
    spike_length: float = 0.2  # s


def log_of(instrument: Instrument, time, true, seed: int, name: str = "made by calculation") -> Trace:
    """The trace that the instrument would have written.

    Parameters
    ----------
    instrument : Instrument
    time : (n,) float array
        Moments of the readings, rising [s].
    true : (n,) float array
        What a perfect gauge of this kind would have shown [Pa].
    seed : int
        Same seed, same trace.
    name : str
        Name of the trace.

    Returns
    -------
    Trace
        Readings as shown, those at floor and ceiling marked as bounds, those taken while the range
        was changed as spoiled.  Spikes are not marked: the logger does not know them.

    Raises
    ------
    ValueError
        Times and readings of different lengths.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.linspace(0.0, 10.0, 5)
    >>> log_of(Instrument(digits=2, floor=0.05), t, np.exp(-t / 2.0), seed=1).reading.tolist()
    [1.0, 0.29, 0.082, 0.05, 0.05]
    """
    time, true = np.asarray(time, float), np.asarray(true, float)
    if time.shape != true.shape:
        raise ValueError(f"{len(time)} times for {len(true)} readings")
    random = np.random.default_rng(seed)
    shown = true * (1.0 + instrument.scale_error) * np.exp(_scatter(instrument, time, random))
    shown = shown + instrument.zero + instrument.zero_drift * (time - time[0] if len(time) else 0.0)
    band = np.searchsorted(np.sort(instrument.range_ends), true)
    shown = shown * (1.0 + instrument.range_step) ** band
    for moment in instrument.spikes:
        shown = np.where((time >= moment) & (time < moment + instrument.spike_length), shown * instrument.spike_height, shown)
    if instrument.digits:
        # Below the smallest normal number a logarithm is of no use, and no meter shows such a reading.
        size = 10.0 ** (np.floor(np.log10(np.maximum(np.abs(shown), 1e-300))) - instrument.digits + 1)
        shown = np.round(shown / size) * size
    if instrument.step:
        shown = np.round(shown / instrument.step) * instrument.step
    mark = np.full(len(time), GOOD, np.int8)
    mark[shown <= instrument.floor] = AT_MOST
    mark[shown >= instrument.ceiling] = AT_LEAST
    mark[1:][np.diff(band) != 0] = SPOILED
    shown = np.clip(shown, instrument.floor, instrument.ceiling)
    return Trace(name, time, shown, mark, shown)


def _scatter(instrument: Instrument, time: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """Scatter of the logarithm of every reading, of first order where it hangs together."""
    drawn = random.standard_normal(len(time)) * instrument.scatter
    if instrument.correlation_time <= 0.0 or len(time) < 2:
        return drawn
    kept = np.exp(-np.diff(time) / instrument.correlation_time)
    for k, share in enumerate(kept, start=1):
        drawn[k] = share * drawn[k - 1] + np.sqrt(1.0 - share * share) * drawn[k]
    return drawn
