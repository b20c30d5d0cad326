"""The curves that a rise may follow: what each speaks for, its quantities, where a fit begins, and what must be seen of it.

Each is one law of `exhaustsim.studies.rise`, or a leak on top of one.  A power law wants a decade
of age, a source that runs out must have been seen to run out, and a rise must be larger than the
lowest reading of the gauge; otherwise the curve may fit and still be refused.

Not modelled: two sources of one kind.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from exhaustsim.plant.trace import GOOD, Trace
from exhaustsim.studies import rise
from exhaustsim.studies.fitmodel import Model, Parameter, Reason
from exhaustsim.studies.fitting import Fit

DECADE = 10.0  # span of age that a power law wants, practice of the trade
LONGEST = 100.0  # times the length of the log: ages and time constants beyond it are straight lines
SMALLEST = 1e-5  # of the mean rise: a straight share below it is none

#: What each curve speaks for, and what else makes the same curve.
SPEAKS_FOR = {
    "straight": (
        "leak",
        "a steady source: a leak, permeation, or gas evolution far older than the test is long",
        "a leak, permeation through rubber or glass, and very old gas evolution are all straight",
    ),
    "one over time": ("outgassing", "gas evolution that falls as one over its age: water from surfaces", "1/t and other slow decays are alike over a short span"),
    "root of time": ("outgassing", "gas evolution that falls as one over the root of its age: diffusion from glass, rubber or metal", "gas from depth and a mixture of surfaces are alike over a short span"),
    "levelling": (
        "runs out",
        "a source that runs out or comes to rest at one time constant",
        "a trapped volume behind a fine passage, a reservoir of one binding, walls that take the gas back and a pumping wall or gauge all make this one curve",
    ),
    "hyperbola": ("runs out", "trapped gas behind a passage that is still viscous", "several trapped volumes of different time constants look alike"),
    "leak and one over time": ("leak and outgassing", "a straight share over gas evolution that falls as one over its age", "the straight share and the slow end of the gas evolution trade off"),
    "leak and levelling": ("leak and a source that runs out", "a straight share over a source that runs out", "the straight share and a second, slower source trade off"),
    "falling": ("taken up", "gas that is taken up, down to a balance", "a mirror, a cold wall, a pumping gauge and gas taken back by bare walls all make this one curve"),
}  # fmt: skip


def rising_curves(trace: Trace, volume: float, age: float | None, floor: float) -> list[Model]:
    """Every curve that rises, simplest first."""
    seen = trace.usable()
    time, reading = trace.time[seen], trace.reading[seen]
    length = max(float(time[-1] - time[0]), 1e-9) if len(time) else 1.0
    top = float(reading.max()) if len(time) else 1.0
    mean_flow, longest = volume * top / length, LONGEST * length
    start = Parameter("start", top, 1e-6 * top, 10.0 * top, "Pa")
    flow = Parameter("throughput", mean_flow, 1e-9 * mean_flow, 1e9 * mean_flow, "Pa m3/s")
    amount = Parameter("amount", volume * top, 1e-6 * volume * top, 1e4 * volume * top, "Pa m3")
    constant, half = (Parameter(name, 0.3 * length, 1e-4 * length, longest, "s") for name in ("time constant", "half time"))
    leak = Parameter("leak", 0.1 * mean_flow, SMALLEST * mean_flow, 10.0 * mean_flow, "Pa m3/s")
    ages = () if age is not None else (Parameter("age", 0.3 * length, 1e-4 * length, longest, "s"),)

    def aged(v, place):
        return age if age is not None else v[place]

    def level(v, t):
        return rise.reservoir_rise(t, v[0], v[1] / v[2], v[2], volume)

    def of(law):
        return lambda v, t: law(t, v[0], v[1], aged(v, 2), volume)

    def curve(name, parameters, pressure, guess, *after):
        def reasons(found):
            return [reason for check in after for reason in check(found)]

        return Model(name, SPEAKS_FOR[name][1], parameters, pressure, starts=guess, after=reasons)

    def spans(found):
        return _spans_decade(found, age)

    def above(found):
        return _above_floor(found, floor)

    tries = _Tries(volume, age)
    return [
        curve("straight", (start, flow), lambda v, t: rise.leak_rise(t, v[0], v[1], volume), tries.straight, above),
        curve("one over time", (start, flow, *ages), of(rise.one_over_time_rise), tries.aged, spans, above),
        curve("root of time", (start, flow, *ages), of(rise.diffusion_rise), tries.aged, spans, above),
        curve("levelling", (start, amount, constant), level, tries.levelling, _ends_seen, above),
        curve("hyperbola", (start, amount, half), lambda v, t: rise.viscous_virtual_leak_rise(t, v[0], v[1] / v[2], v[2], volume), tries.levelling, _ends_seen, above),
        curve("leak and one over time", (start, flow, *ages, leak),
              lambda v, t: rise.one_over_time_rise(t, v[0], v[1], aged(v, 2), volume) + v[-1] * t / volume, tries.with_leak(tries.aged), spans, above),
        curve("leak and levelling", (start, amount, constant, leak), lambda v, t: level(v, t) + v[3] * t / volume, tries.with_leak(tries.levelling), _ends_seen, above),
    ]  # fmt: skip


def falling_curve(trace: Trace, volume: float) -> Model:
    """The curve of gas that is taken up, down to a balance."""
    seen = trace.usable()
    time, top = trace.time[seen], float(trace.reading[seen].max())
    length = max(float(time[-1] - time[0]), 1e-9)

    def pressure(v, t):
        return rise.gettered_rise(t, v[0] + v[1], v[0] * volume / v[2], volume / v[2], volume)

    def guess(t, p):
        drop = max(p[0] - p[-1], 1e-3 * p[0])
        return [np.array([p[-1], drop, share * length]) for share in (0.1, 0.4, 1.5)]

    parameters = (
        Parameter("level", top, 1e-6 * top, 10.0 * top, "Pa"), Parameter("drop", top, 1e-6 * top, 1e3 * top, "Pa"),
        Parameter("time constant", 0.3 * length, 1e-4 * length, LONGEST * length, "s"),
    )  # fmt: skip
    return Model("falling", SPEAKS_FOR["falling"][1], parameters, pressure, starts=guess)


@dataclass(frozen=True)
class _Tries:
    """Values to start from, read off the trace."""

    volume: float
    age: float | None

    def _read(self, t, p):
        """Start [Pa], slopes early and late [Pa/s], length [s]; medians, so that a spike does not matter."""
        parts = [np.array_split(x, 4) for x in (t, p)]
        time, level = ([float(np.median(x)) for x in part] for part in parts)
        length = max(float(t[-1] - t[0]), 1e-9)
        least = 1e-6 * max(level[-1], 1e-12) / length
        early, late = max((level[1] - level[0]) / (time[1] - time[0]), least), max((level[3] - level[2]) / (time[3] - time[2]), least)
        return max(level[0] - early * time[0], 0.1 * level[0], 1e-12), early, late, length

    def straight(self, t, p):
        start, early, late, _ = self._read(t, p)
        return [np.array([start, 0.5 * (early + late) * self.volume])]

    def aged(self, t, p):
        start, early, _, length = self._read(t, p)
        if self.age is not None:
            return [np.array([start, early * self.volume])]
        return [np.array([start, early * self.volume * (1.0 + 0.2 / share), share * length]) for share in (0.02, 0.1, 0.5)]

    def levelling(self, t, p):
        start, early, _, length = self._read(t, p)
        return [np.array([start, max(early * self.volume * share * length, 1e-20), share * length]) for share in (0.1, 0.3, 1.0)]

    def with_leak(self, guess):
        def tries(t, p):
            late = self._read(t, p)[2]
            return [np.append(values, share * late * self.volume) for values in guess(t, p) for share in (0.9, 0.05)]

        return tries


def _spans_decade(found: Fit, age: float | None):
    seen = found.trace.time[found.trace.usable()]
    age = age if age is not None else found["age"].value
    if (age + seen[-1]) / (age + seen[0]) >= DECADE:
        return []
    words = f"gas evolution of an age of {age:.3g} s at closing is followed to {age + seen[-1]:.3g} s only: less than a decade does not show a power law"
    return [Reason(words, f"keep it closed for {DECADE * age:.3g} s, or close it sooner after pumping has begun")]


def _above_floor(found: Fit, floor: float):
    seen = found.trace.time[found.trace.usable()]
    gained = abs(float(found.pressure(seen[-1]) - found.pressure(seen[0])))
    if gained > floor:
        return []
    words = f"the rise of {gained:.2g} Pa is no larger than the lowest reading of the gauge, {floor:.2g} Pa: it may be the gauge"
    return [Reason(words, "keep it closed for longer, or use a gauge that reaches lower")]


def _ends_seen(found: Fit):
    """A source that runs out must have been seen to run out."""
    seen = found.trace.time[found.trace.usable()]
    constant = found["half time" if found.model.name == "hyperbola" else "time constant"].value
    if constant <= 3.0 * (seen[-1] - seen[0]):
        return []
    words = f"the time constant of {constant:.3g} s is far longer than the readings: that the source runs out is not seen"
    return [Reason(words, f"keep it closed for {constant:.3g} s")]


def falls(trace: Trace) -> bool:
    """Whether the pressure goes down: last quarter of the good readings against the first."""
    good = trace.reading[trace.mark == GOOD]
    quarter = len(good) // 4
    return quarter > 0 and float(np.median(good[-quarter:])) < float(np.median(good[:quarter]))
