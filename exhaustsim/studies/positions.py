"""What one position after another does to the valve: the table a setter reads.

One row for each position with its line, bulb pressure (open and blanked), line pressure,
temperatures, converted fraction and the source that gives off most gas.  Everything is SI,
ready to be shown in any unit.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

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
    main_source: str  # what gives off most gas from the start of the transfer on; "" when nothing gives any
    peak_evolution: float  # mol/s, highest evolution of that source in the same time

    def to_json(self) -> dict:
        """The row as plain data, keys with their SI units."""
        return {f"{name}{_SUFFIXES.get(name, '')}": value for name, value in asdict(self).items()}


_SUFFIXES = {
    "heater_voltage": "_v", "blanked_peak": "_pa", "open_peak": "_pa", "end": "_pa", "line_mean": "_pa", "wall": "_k", "anode": "_k",
    "cathode": "_k", "getter": "_k", "peak_evolution": "_mol_s",
}  # fmt: skip


def position_rows(run: Run) -> list[PositionRow]:
    """The rows of all positions that `run` passed through, in order."""
    valve = run.schedule.valve
    total, line = run.total_bulb_pressure, run.total_line_pressure
    rows = []
    for setting in run.schedule.positions:
        dwell = run.dwell_samples(setting.position)
        transfer = run.transfer_samples(setting.position)
        stay = np.concatenate([transfer, dwell])
        given = run.held[stay[0]] - run.held[stay[-1]]
        most = int(np.argmax(given))
        gives = bool(given[most] > 0.0)
        source = run.sources[most]
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
            main_source=f"{source.part}: {source.label}".replace("_", " ") if gives else "",
            peak_evolution=max(float(run.evolution[stay, most].max()), 0.0) if gives else 0.0,
        ))  # fmt: skip
    return rows
