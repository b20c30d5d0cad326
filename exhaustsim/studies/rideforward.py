"""What a gauge on a head would have shown at the moments of a log, for a valve, pumps, clock and scale a little unlike those assumed.

The full simulation gives the partial pressures at each reading; the gauge's factors turn them into
what its scale shows.  Differences with a setting are taken over the steps of one march
(`exhaustsim.engine.ride`), so that they are smooth.

Settings beside those of the valve (`exhaustsim.studies.ridequantities`): the scale of the gauge, the
speed of all pumps, the start of the log against the opening of the port, and what one range of
the gauge reads more than the next.  How far these may be off is known beforehand
(`rides` in the data tables); the log sharpens it where it can.

Not modelled: lag of the gauge and its tubing, its own pumping, a clock that runs fast or slow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from exhaustsim.engine.ride import (
    LinePressures, along, beside, carried, growth_of, line_history, line_pressures,
)  # fmt: skip
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.trace import Trace
from exhaustsim.studies.resistance import with_pumps
from exhaustsim.studies.ridequantities import FACTOR_STEP, ChangedValve, Quantity

#: Change of a setting over which the growth of the lines is taken: logarithm of a factor, K.
LINE_STEP = {"1": 0.1, "K": 2.0}
#: Step of the clock over which a difference is taken, and of the search for it [s].
CLOCK_STEP, CLOCK_SEARCH = 2e-4, 0.05
CLOCK_REACH = 3.0  # spreads of the clock within which its start is sought
CATHODE_SEARCH = np.arange(-32.0, 33.0, 8.0)  # K from what the valve file says, tried as starts
MISSED = 1.0  # distance of the logarithm from which on a reading has missed what happened
AFAR = 1e-4  # tolerance of a march that stands by itself
OTHERS = ("alike", "as scheduled")


@dataclass(frozen=True)
class Setting:
    """One number that a fit may move: of the valve, or of gauge, pumps and clock."""

    name: str
    what: str
    unit: str  # "1" for the logarithm of a factor, "K", "s"
    quantity: Quantity | None  # of the valve
    spread: float | None  # standard deviation known beforehand


class Ride:
    """Readings of one log as the simulation gives them.

    Parameters
    ----------
    trace : Trace
        Only its moments are used.
    schedule : Schedule
        That was ridden.
    quantities : sequence of Quantity
        Of the valve, that may be moved.
    factors : (gas,) array
        Reading over true pressure [1].
    place : str
        "bulb" or "line" (of the line that the head is connected to).
    others : str
        "alike": the other heads carry valves like this one, and the lines follow it.
        "as scheduled": they carry the valve of the schedule, and the lines stay.
    ranges : (n,) int array, optional
        Number of the range of the gauge at each reading, the most sensitive first.
    """

    def __init__(
        self, trace: Trace, schedule: Schedule, quantities: Sequence[Quantity], factors: np.ndarray, place: str, others: str, ranges=None
    ):
        self.time, self.factors, self.place = np.asarray(trace.time, float), factors, place
        self.valve = ChangedValve(schedule)
        spread = {name: row.value for name, row in schedule.valve.tables.group("rides").items()}
        self.settings = [Setting(q.name, q.what, "K" if q.in_kelvin else "1", q, None) for q in quantities]
        self.settings += [
            Setting("gauge_scale", "scale of the gauge", "1", None, spread["gauge_scale_spread"]),
            Setting("pump_speed", "speed of the pumps", "1", None, spread["pump_speed_spread"]),
            Setting("clock", "start of the log", "s", None, spread["clock_spread"]),
        ]
        self.range = np.zeros(len(trace), int) if ranges is None else np.asarray(ranges, int)
        for number in range(1, int(self.range.max(initial=0)) + 1):
            what = f"step from range {number} to range {number + 1}"
            self.settings.append(Setting(f"range_step_{number}", what, "1", None, spread["gauge_range_spread"]))
        self.names = [s.name for s in self.settings]
        # A clock that is off by what may be expected moves no reading beyond the march.
        self.until = min(float(self.time[-1]) + 4.0 * spread["clock_spread"], self._latest())
        self._follow = others == "alike"
        self.steps: np.ndarray | None = None
        self._history, self._growths = None, {}
        self._settle(np.zeros(len(self.settings)))

    def _at(self, x: np.ndarray, name: str) -> float:
        return float(x[self.names.index(name)])

    def schedule_at(self, x: np.ndarray) -> Schedule:
        """The schedule with the valve at the settings `x`."""
        return self.valve.at({s.quantity: value for s, value in zip(self.settings, x, strict=True) if s.quantity is not None})

    # ---- lines -----------------------------------------------------------------------------

    def _machine_full(self, x: np.ndarray) -> Schedule:
        """The schedule as the other heads run it, with the pumps at `x`."""
        schedule = self.schedule_at(x) if self._follow else self.valve.schedule
        return with_pumps(schedule, float(np.exp(self._at(x, "pump_speed"))))

    def _settle(self, x: np.ndarray) -> None:
        """Find the line pressures at `x`, and how they grow with each setting from there."""
        here = self._machine_full(x)
        self._history = line_history(here, begin=self._history)
        self.base_x, self.base_lines = x.copy(), line_pressures(here, self._history)
        if self._growths:
            return
        for k, setting in enumerate(self.settings):
            if setting.name != "pump_speed" and (setting.quantity is None or not self._follow):
                continue
            step = LINE_STEP[setting.unit]
            moved = x.copy()
            moved[k] += step
            there = self._machine_full(moved)
            lines = line_pressures(there, line_history(there, begin=self._history))
            self._growths[setting.name] = growth_of(self.base_lines, lines, step)

    def resettle(self, x: np.ndarray) -> None:
        """Find the line pressures anew at `x`; their growth with the settings is kept from the first time."""
        self._settle(np.asarray(x, float))

    def lines_at(self, x: np.ndarray) -> LinePressures:
        """The line pressures at the settings `x`."""
        return carried(self.base_lines, self._growths, dict(zip(self.names, x - self.base_x, strict=True)))

    # ---- readings --------------------------------------------------------------------------

    def log_reading(self, x: np.ndarray, given: bool = True) -> np.ndarray:
        """(n,) logarithm of what the scale shows [Pa] at the settings `x`; NaN on a line while the port is blanked.

        With `given` over the steps of the last march that chose its own: for small changes only, since the moment at which the
        last carbonate goes must stay where those steps are short.
        """
        x = np.asarray(x, float)
        moments = self._moments(self.time - self._at(x, "clock"))
        riding = self._riding(x, moments, given)
        return self._shown(riding) + self._on_scale(x)

    def log_reading_afar(self, x: np.ndarray) -> np.ndarray:
        """As `log_reading`, finely and by itself: for a change that is not small, while the steps last chosen are kept."""
        x = np.asarray(x, float)
        moments = self._moments(self.time - self._at(x, "clock"))
        return self._shown(along(self.schedule_at(x), moments, self.lines_at(x), self.until, AFAR)) + self._on_scale(x)

    def _moments(self, time: np.ndarray) -> np.ndarray:
        # Before the port opens the bulb holds room air, as in the first instant.
        return np.clip(time, 0.0, self.until)

    def _riding(self, x: np.ndarray, moments: np.ndarray, given: bool):
        schedule, lines = self.schedule_at(x), self.lines_at(x)
        if given and self.steps is not None:
            return beside(schedule, moments, lines, self.until, self.steps)
        riding = along(schedule, moments, lines, self.until)
        self.steps = riding.steps
        return riding

    def _shown(self, riding) -> np.ndarray:
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.log((riding.bulb if self.place == "bulb" else riding.line) @ self.factors)

    def _on_scale(self, x: np.ndarray) -> np.ndarray:
        out = np.full(len(self.time), self._at(x, "gauge_scale"))
        for number in range(1, int(self.range.max(initial=0)) + 1):
            out += np.where(self.range >= number, self._at(x, f"range_step_{number}"), 0.0)
        return out

    def slopes(self, x: np.ndarray, here: np.ndarray) -> np.ndarray:
        """(n, k) derivatives of the logarithm of the readings at `x`, where it is `here`, over the steps that were chosen for it."""
        columns = []
        for k, setting in enumerate(self.settings):
            if setting.name == "gauge_scale":
                columns.append(np.ones(len(here)))
                continue
            if setting.name.startswith("range_step_"):
                columns.append((self.range >= int(setting.name.rpartition("_")[2])).astype(float))
                continue
            step = setting.quantity.step if setting.quantity else CLOCK_STEP if setting.unit == "s" else FACTOR_STEP
            moved = x.copy()
            moved[k] += step
            columns.append((self.log_reading(moved) - here) / step)
        return np.column_stack(columns)

    def starts(self, log_shown: np.ndarray, use: np.ndarray, most: int) -> list[np.ndarray]:
        """Settings to start from, the likeliest first: the start of the log, and the cathode temperature where that is free.

        Breakdown comes early or late as a whole with the cathode, so that a curve that misses it is no guide to it.
        """
        x = np.zeros(len(self.settings))
        clock = self.names.index("clock")
        reach = CLOCK_REACH * self.settings[clock].spread
        fine = np.arange(0.0, self.until, CLOCK_SEARCH)
        shown = self._shown(self._riding(x, fine, given=False))
        tried = np.arange(-reach, reach + CLOCK_SEARCH / 2.0, CLOCK_SEARCH)
        # Against the middle, for the scale is not known yet.
        distances = [self._distance(log_shown[use] - np.interp(self._moments(self.time[use] - t), fine, shown)) for t in tried]
        x[clock] = tried[int(np.argmin(distances))]
        if "cathode_temperature" not in self.names:
            self.steps = None
            return [x]
        found = []
        for kelvin in CATHODE_SEARCH:
            start = x.copy()
            start[self.names.index("cathode_temperature")] = kelvin
            found.append((self._distance((log_shown - self.log_reading(start, given=False))[use]), start))
        self.steps = None
        return [start for _, start in sorted(found, key=lambda pair: pair[0])[:most]]

    @staticmethod
    def _distance(away: np.ndarray) -> float:
        """Mean distance from the middle, a reading that misses an event counting for no more than another that misses it."""
        away = away[np.isfinite(away)]
        return float(np.mean(np.minimum(np.abs(away - np.median(away)), MISSED))) if len(away) else np.inf

    def _latest(self) -> float:
        """End of the last position [s since the port first opened]."""
        schedule = self.valve.schedule
        return len(schedule.positions) * schedule.index_time - schedule.machine.transfer_time
