"""A head ride made by calculation, with its truth: for demonstration logs and for trials of the fit.

The valve is simulated with the gas contents asked for, on a machine full of valves like it and with
pumps as fast as asked for.  A gauge with a scale error, noise that hangs together, a floor, an end of
its scale and ranges that do not quite meet reads it several times a second, by a clock that did not
start with the port; RF may be picked up.

Not modelled: lag of the gauge, gas that it gives off, a clock that runs wrong, readings lost.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from exhaustsim.engine.ride import along, line_history, line_pressures
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.trace import GOOD, Event, Trace
from exhaustsim.studies.closure import calibrated
from exhaustsim.studies.gauges import Gauge
from exhaustsim.studies.instrument import Instrument, log_of
from exhaustsim.studies.resistance import with_pumps
from exhaustsim.studies.ridequantities import ChangedValve, quantities_named
from exhaustsim.studies.ridesegments import segments_of

TOLERANCE = 1e-4  # of the march that makes the truth; the fit's own is looser


@dataclass(frozen=True, eq=False)
class MadeRide:
    """A trace with what went into it."""

    trace: Trace
    ranges: np.ndarray  # (n,) number of the range at each reading
    true: np.ndarray  # (n,) what a perfect gauge of this kind would have shown [Pa]
    schedule: Schedule  # with the true valve and pumps
    moments: np.ndarray  # (n,) s since the port first opened


def made_ride(
    schedule: Schedule, gauge: Gauge, truth: Mapping[str, float], instrument: Instrument, *, seed: int, clock: float = 0.0,
    pump_speed: float = 1.0, per_second: float = 5.0, until: float | None = None, picked_up: float = 0.0,
    calibration_gas: str = "N2", stated_gas: str | None = None, name: str = "made by calculation",
) -> MadeRide:  # fmt: skip
    """Simulate a ride and read it.

    Parameters
    ----------
    schedule : Schedule
        With the valve from its file.
    gauge : Gauge
        Its factors and the ends of its scale.
    truth : mapping
        Factors by name of `exhaustsim.studies.ridequantities.NAMES`; K for the cathode temperature.
    instrument : Instrument
        Floor and ceiling are those of the gauge where it has none of its own.
    seed : int
        Same seed, same ride.
    clock : float
        Moment of the log at which the port first opened [s].
    pump_speed : float
        Factor on the speed of every pump [1].
    per_second : float
        Readings in a second [1/s].
    until : float, optional
        End of the log [s]; by default the end of the last position.
    picked_up : float
        Share of the readings under RF that are raised by it [1].
    calibration_gas, stated_gas : str
        Gas for which the scale is true, and the one that the log names.
    name : str
        Of the trace.

    Returns
    -------
    MadeRide

    Raises
    ------
    FailedRun
        The simulation failed.
    ValueError
        No quantity of that name.
    """
    quantities = quantities_named(truth)
    settings = {q: truth[q.name] if q.in_kelvin else float(np.log(truth[q.name])) for q in quantities}
    true_schedule = with_pumps(ChangedValve(schedule).at(settings), pump_speed)
    end = len(schedule.positions) * schedule.index_time - schedule.machine.transfer_time
    time = np.arange(0.0, min(until if until is not None else end, end + min(clock, 0.0)), 1.0 / per_second)
    moments = np.clip(time - clock, 0.0, end)
    lines = line_pressures(true_schedule, line_history(true_schedule, TOLERANCE))
    riding = along(true_schedule, moments, lines, float(moments[-1]), TOLERANCE)
    true = riding.bulb @ calibrated(gauge, calibration_gas)
    instrument = replace(instrument, floor=instrument.floor or gauge.lowest, ceiling=min(instrument.ceiling, gauge.highest))
    trace = log_of(instrument, time, true, seed, name)
    trace = replace(
        trace, gauge=gauge.name, calibration_gas=stated_gas or calibration_gas, place="bulb", events=_events(schedule, clock, time[-1])
    )
    if picked_up:
        trace = _with_rf(trace, schedule, clock, picked_up, np.random.default_rng([seed, 1]))
    ranges = np.searchsorted(np.sort(instrument.range_ends), true)
    return MadeRide(trace, ranges, true, true_schedule, moments)


def _events(schedule: Schedule, clock: float, end: float) -> tuple[Event, ...]:
    """What an operator would have written: the index, RF on and off, heater volts, flash."""
    out = []
    for setting in schedule.positions:
        opened = clock + (setting.position - 1) * schedule.index_time
        words = [f"index {setting.position}"]
        if setting.action:
            words.append(setting.action.replace("_", " "))
        if setting.heater_voltage:
            words.append(f"heater {setting.heater_voltage:.3g} V")
        if setting.rf is not None:
            out.append(Event(opened + setting.rf.start, "RF on"))
        out.append(Event(opened, ", ".join(words)))
    return tuple(sorted((e for e in out if 0.0 <= e.time <= end), key=lambda e: e.time))


def _with_rf(trace: Trace, schedule: Schedule, clock: float, share: float, random: np.random.Generator) -> Trace:
    """Readings under RF raised now and then, by a fifth to twice as much again: the leads pick it up."""
    reading = trace.reading.copy()
    for stretch in segments_of(schedule, trace, clock):
        if "RF" not in stretch.doing:
            continue
        here = np.flatnonzero((trace.time >= stretch.start) & (trace.time < stretch.end))
        struck = here[random.random(len(here)) < share]
        reading[struck] *= 1.0 + random.uniform(0.2, 2.0, len(struck))
    reading = np.where(trace.mark == GOOD, reading, trace.reading)
    return replace(trace, reading=reading, original=reading)
