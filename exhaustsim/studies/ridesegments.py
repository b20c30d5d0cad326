"""A log cut at what the machine did: port opened and shut, oven, RF, heater volts, flash.

The cuts follow from the schedule and the start of the log; events written in the log are shown with
the stretch they fall into.  For every stretch it is told how many readings it has and how far they lie
from a fitted curve, so that a part of the log that does not belong is seen.

Not modelled: stops of the turret, which shift all that follows; cut such a log by hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from exhaustsim.plant.schedule import PositionSetting, Schedule
from exhaustsim.plant.trace import GOOD, Trace


@dataclass(frozen=True)
class Segment:
    """A stretch of a log between two things that happened."""

    start: float  # s of the log
    end: float  # s of the log
    position: int
    port_open: bool
    doing: str  # "oven, RF", "" for pumping alone
    events: tuple[str, ...]  # written in the log
    readings: int
    good: int
    away: float  # mean of the logarithm of reading over curve; NaN without a fitted reading
    scatter: float  # and its standard deviation

    @property
    def sentence(self) -> str:
        """The stretch in words."""
        port = "port open" if self.port_open else "port blanked"
        doing = f", {self.doing}" if self.doing else ""
        fitted = "" if np.isnan(self.away) else f", {100 * np.expm1(self.away):+.1f} % from the curve"
        noted = f" [{'; '.join(self.events)}]" if self.events else ""
        return f"{self.start:.1f} to {self.end:.1f} s, position {self.position}, {port}{doing}: {self.good} of {self.readings} readings good{fitted}{noted}"


def segments_of(schedule: Schedule, trace: Trace, clock: float = 0.0, residuals=None) -> tuple[Segment, ...]:
    """Cut a log at what the machine did.

    Parameters
    ----------
    schedule : Schedule
    trace : Trace
    clock : float
        Moment of the log at which the port first opened [s].
    residuals : (n,) array, optional
        Logarithm of reading over curve, NaN where none was fitted [1].

    Returns
    -------
    tuple of Segment
        Those with readings in them, in order.
    """
    away = np.full(len(trace), np.nan) if residuals is None else np.asarray(residuals, float)
    out = []
    for start, end, setting, is_open, doing in _stretches(schedule):
        here = (trace.time >= start + clock) & (trace.time < end + clock)
        if not here.any():
            continue
        known = away[here & np.isfinite(away)]
        events = tuple(e.text for e in trace.events if start + clock <= e.time < end + clock)
        out.append(Segment(
            start + clock, end + clock, setting.position, is_open, doing, events, int(here.sum()), int(np.sum(trace.mark[here] == GOOD)),
            float(known.mean()) if len(known) else float("nan"), float(known.std()) if len(known) else float("nan"),
        ))  # fmt: skip
    return tuple(out)


def _stretches(schedule: Schedule):
    """Start and end [s since the port first opened], setting, port open, and what is done, of every stretch."""
    machine = schedule.machine
    before: PositionSetting | None = None
    opened = 0.0
    for setting in schedule.positions:
        if before is not None:
            # Heater volts of the position before stay on through the transfer.
            yield opened - machine.transfer_time, opened, setting, False, _doing(schedule, before, rf=False, oven=setting)
        edges = {0.0, schedule.dwell}
        if setting.rf is not None:
            edges |= {setting.rf.start, min(setting.rf.start + setting.rf.duration, schedule.dwell)}
        cuts = sorted(edges)
        for first, last in zip(cuts, cuts[1:], strict=False):
            on = setting.rf is not None and setting.rf.start <= first < setting.rf.start + setting.rf.duration
            connected = machine.line_of_position.get(setting.position) is not None
            yield opened + first, opened + last, setting, connected, _doing(schedule, setting, rf=on, oven=setting)
        before = setting
        opened += schedule.index_time


def _doing(schedule: Schedule, setting: PositionSetting, rf: bool, oven: PositionSetting) -> str:
    words = []
    if oven.position in schedule.machine.oven_positions:
        words.append("oven")
    if rf:
        words.append("getter RF" if setting.action == "flash" else "RF")
    if setting.heater_voltage > 0.0:
        words.append(f"heater {setting.heater_voltage:.3g} V")
    if oven is setting and setting.action in ("load", "spark_test", "tip_off", "eject"):
        words.append(setting.action.replace("_", " "))
    return ", ".join(words)
