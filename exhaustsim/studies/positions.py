"""What one position after another does to the valve: the table a setter reads.

One row for each position with its line, bulb pressure (open and blanked), line pressure,
temperatures and converted fraction.  Everything is SI, ready to be shown in any unit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from exhaustsim.engine.result import Run


@dataclass(frozen=True)
class PositionRow:
    """One position of the machine; temperatures are the highest of the dwell [K]."""

    position: int
    line: str  # "" where no line is connected
    action: str
    heater_voltage: float  # V
    blanked_peak: float | None  # Pa, in the transfer that brings the valve here
    open_peak: float  # Pa, highest bulb pressure of the dwell
    end: float  # Pa, bulb pressure at its end
    line_mean: float | None  # Pa, time mean at the manifold over the dwell
    wall: float
    anode: float | None
    cathode: float
    getter: float
    converted_fraction: float  # at the end


def position_rows(run: Run) -> list[PositionRow]:
    """The rows of all positions that `run` passed through, in order."""
    valve = run.schedule.valve
    total, line = run.total_bulb_pressure, run.total_line_pressure
    rows = []
    for setting in run.schedule.positions:
        dwell = run.dwell_samples(setting.position)
        transfer = run.transfer_samples(setting.position)
        if dwell.size == 0:
            continue
        connected = bool(np.isfinite(line[dwell]).all())
        lasting = float(run.time[dwell[-1]] - run.time[dwell[0]])

        def hottest(name, samples=dwell):
            return float(run.node(name)[samples].max())

        rows.append(PositionRow(
            position=setting.position,
            line=run.schedule.machine.line_of_position.get(setting.position, ""),
            action=setting.action,
            heater_voltage=setting.heater_voltage,
            blanked_peak=float(total[transfer].max()) if transfer.size else None,
            open_peak=float(total[dwell].max()),
            end=float(total[dwell[-1]]),
            line_mean=float(np.trapezoid(line[dwell], run.time[dwell]) / lasting) if connected and lasting > 0.0 else None,
            wall=hottest(valve.bulb_node),
            anode=hottest("anode") if "anode" in run.node_names else None,
            cathode=hottest(valve.cathode_node),
            getter=hottest(valve.getter_node),
            converted_fraction=float(run.converted_fraction[dwell[-1]]),
        ))  # fmt: skip
    return rows
