"""How strongly is the gas held: activation energy from a step of the temperature, or from ramps.

When a part is made hotter at once, its gas evolution jumps before its stock has changed; the jump
gives the activation energy, whatever the stock.  It is read off by carrying the trends before and
after the step to the moment of the step.  Two ramps of different pace, each with a peak, give it
too.  One ramp alone does not: a higher energy with a higher attempt frequency peaks at the same
place, and only the range that is usual for attempt frequencies narrows it down.

Not modelled: a part that takes its time to warm (leave the readings of that time out), several
bindings at once (the jump then belongs to what was coming off at that moment), a pump whose speed
changes with the pressure, other parts that are warmed along.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np

from exhaustsim.constants import GAS_CONSTANT
from exhaustsim.physics.desorption import peak_energy_first_order
from exhaustsim.plant.trace import Trace
from exhaustsim.studies.fitmodel import FitRefused, Reason

FEWEST_ON_A_SIDE = 10  # readings: five for each of the two numbers of a trend
#: Attempt frequencies of first-order desorption that are met in practice [1/s]: practice, no single source.
USUAL_FREQUENCIES = (1e11, 1e15)


@dataclass(frozen=True)
class ActivationEnergy:
    """Activation energy with its interval."""

    energy: float  # J/mol; of one ramp, for an attempt frequency in the middle of the usual ones
    low: float
    high: float
    level: float | None  # of the interval; None where it is a range of what is usual
    how: str  # "step", "ramps" or "one ramp"
    from_temperatures: float  # share of the variance that comes from the temperatures [1]
    warning: str  # "" for none

    @property
    def sentence(self) -> str:
        kilo = [1e-3 * x for x in (self.energy, self.low, self.high)]
        kind = f"{100 * self.level:.0f} % interval" if self.level else "for usual attempt frequencies"
        text = f"Activation energy {kilo[0]:.0f} kJ/mol ({kilo[1]:.0f} to {kilo[2]:.0f}, {kind}), from {self.how}"
        if self.from_temperatures > 0.5:
            text += "; most of the width comes from the temperatures: measure these better"
        return f"{text}. {self.warning}".strip()

    def to_json(self) -> dict:
        return {**asdict(self), "sentence": self.sentence}


def energy_from_step(
    trace: Trace, moment: float, before: float, after: float, temperature_error: float, settling: float = 0.0, background: float = 0.0, level: float = 0.95
) -> ActivationEnergy:
    """Activation energy from the jump of a reading that is in proportion to the gas evolution.

    Parameters
    ----------
    trace : Trace
        Pressure over a steady pump, cut to a stretch about the step in which trends are straight in the logarithm.
    moment : float
        Of the step [s].
    before, after : float
        Temperatures of the part [K].
    temperature_error : float
        Standard error of the difference of the two [K].
    settling : float
        Time after the step that is left out, while part and gauge settle [s].
    background : float
        Reading without this part [Pa].
    level : float
        Of the interval [1].

    Returns
    -------
    ActivationEnergy

    Raises
    ------
    FitRefused
        Fewer than ten usable readings on a side, readings not above the background.
    ValueError
        Temperatures that are not above zero and different.

    Examples
    --------
    A made-up 100 kJ/mol:

    >>> from exhaustsim.studies.instrument import Instrument, log_of
    >>> t = np.arange(0.0, 120.0)
    >>> p = np.where(t < 60.0, 1e-3, 1e-3 * np.exp(100e3 / GAS_CONSTANT * (1.0 / 400.0 - 1.0 / 420.0)))
    >>> found = energy_from_step(log_of(Instrument(scatter=0.01), t, p, 1), 60.0, 400.0, 420.0, temperature_error=0.5)
    >>> found.low < 100e3 < found.high
    True
    """
    from scipy import stats

    if not (before > 0.0 and after > 0.0 and before != after):
        raise ValueError(f"a step needs two different temperatures above 0 K, not {before:g} and {after:g}")
    use = trace.usable() & (trace.mark == 0)
    time, reading = trace.time[use], trace.reading[use] - background
    sides = [time < moment, time >= moment + settling]
    reasons = []
    for side, word in zip(sides, ("before", "after"), strict=True):
        if side.sum() < FEWEST_ON_A_SIDE:
            reasons.append(Reason(f"{int(side.sum())} usable readings {word} the step: {FEWEST_ON_A_SIDE} are needed", "log longer or faster"))
        if (reading[side] <= 0.0).any():
            reasons.append(Reason(f"readings {word} the step are not above the background of {background:g} Pa", "make the step at a higher gas evolution"))
    if reasons:
        raise FitRefused("activation energy from a step", reasons)
    ends = [_at_moment(time[side] - moment, np.log(reading[side])) for side in sides]
    jump, jump_variance = ends[1][0] - ends[0][0], ends[0][1] + ends[1][1]
    freedom = min(end[2] for end in ends)
    span = 1.0 / before - 1.0 / after
    energy = GAS_CONSTANT * jump / span
    by_jump = GAS_CONSTANT**2 * jump_variance / span**2
    by_temperature = (energy * temperature_error / (before * after * span)) ** 2
    reach = stats.t.ppf(0.5 + 0.5 * level, freedom) * np.sqrt(by_jump + by_temperature)
    warning = "" if energy - reach > 0.0 else "The interval reaches zero: the step shows no activation energy; make it larger."
    return ActivationEnergy(
        float(energy), float(energy - reach), float(energy + reach), level, "step", float(by_temperature / max(by_jump + by_temperature, 1e-300)), warning
    )


def energy_from_ramps(rates: Sequence[float], peaks: Sequence[float], peak_error: float, level: float = 0.95) -> ActivationEnergy:
    """Activation energy from the temperatures at which gas came off fastest, first order.

    With two ramps or more: ln(rate/T^2) against 1/T is a straight line of slope -E/R, whatever the attempt
    frequency.  With one: a range, over usual attempt frequencies, and a warning.

    Parameters
    ----------
    rates : sequence of float
        Heating rates, steady through the peak [K/s].
    peaks : sequence of float
        Peak temperatures [K].
    peak_error : float
        Standard error of a peak temperature [K].
    level : float
        Of the interval [1].

    Returns
    -------
    ActivationEnergy

    Raises
    ------
    FitRefused
        Ramps that are all of one pace.
    ValueError
        Rates or temperatures that are not above zero, or not one for one.

    Examples
    --------
    >>> energy_from_ramps([1.0], [400.0], 1.0).how
    'one ramp'
    """
    from scipy import stats

    beta, peak = np.asarray(rates, float), np.asarray(peaks, float)
    if beta.shape != peak.shape or not len(beta) or not ((beta > 0.0) & (peak > 0.0)).all():
        raise ValueError("one heating rate and one peak temperature for every ramp, all above 0")
    if len(beta) == 1:
        low, high = (float(peak_energy_first_order(peak[0], frequency, beta[0])) for frequency in USUAL_FREQUENCIES)
        middle = float(peak_energy_first_order(peak[0], float(np.sqrt(np.prod(USUAL_FREQUENCIES))), beta[0]))
        warning = (
            "One ramp cannot tell energy from attempt frequency: what stands here is a range, not a measurement. "
            "Run a second ramp several times slower or faster, or hold the temperature and step it."
        )
        return ActivationEnergy(middle, low, high, None, "one ramp", 0.0, warning)
    if beta.max() / beta.min() < 1.05:
        raise FitRefused("activation energy from ramps", [Reason("all ramps are of one pace", "run one several times slower or faster")])
    x, y = 1.0 / peak, np.log(beta / peak**2)
    centred = x - x.mean()
    slope = float(centred @ y / (centred @ centred))
    energy = -GAS_CONSTANT * slope
    # A peak read too high moves its point left along the line's slope, which falls, and down through 1/T^2: both bring it below the line.
    error = peak_error * np.abs(slope / peak**2 - 2.0 / peak)
    variance = float((centred**2) @ error**2 / (centred @ centred) ** 2)
    reach = GAS_CONSTANT * stats.norm.ppf(0.5 + 0.5 * level) * np.sqrt(variance)
    warning = "" if beta.max() / beta.min() >= 3.0 else "The ramps are of nearly one pace: a wider spread of paces narrows the interval."
    return ActivationEnergy(energy, energy - reach, energy + reach, level, "ramps", 1.0, warning)


def _at_moment(time: np.ndarray, log: np.ndarray) -> tuple[float, float, int]:
    """Straight trend carried to time 0: value, variance, degrees of freedom.

    Residuals that hang together are allowed for by the number of independent ones among them.
    """
    design = np.column_stack([np.ones(len(time)), time])
    inverse = np.linalg.inv(design.T @ design)
    estimate = inverse @ design.T @ log
    residual = log - design @ estimate
    total = max(float(residual @ residual), 1e-300)
    hangs = float(np.clip(residual[1:] @ residual[:-1] / total, 0.0, 0.95))
    independent = len(time) * (1.0 - hangs) / (1.0 + hangs)
    freedom = max(int(independent) - 2, 1)
    variance = total / (len(time) - 2) * inverse[0, 0] * (1.0 + hangs) / (1.0 - hangs)
    return float(estimate[0]), float(variance), freedom
