"""What parts take from RF coils that are set by their current: watts that change as the part heats.

A schedule that gives watts says what a part absorbs; one that gives amperes does not, because
resistivity and permeability change on the way.  One row for each position and part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from exhaustsim.engine.result import Run
from exhaustsim.plant.coil import table_grid, watts_table
from exhaustsim.units import convert, format_number


@dataclass(frozen=True)
class CoilHeat:
    """Watts that one part took from the coil at one position."""

    position: int
    coil: str
    current: float  # A, root mean square
    field: float  # A/m in the middle of the empty coil, root mean square
    node: str
    at_start: float  # W, as the RF comes on
    greatest: float  # W
    at_end: float  # W, as it goes off
    heat: float  # J

    @property
    def sentence(self) -> str:
        """The row in words."""
        amperes, field = format_number(self.current, 3), format_number(convert(self.field, "field", "kA/m"), 3)
        return (
            f'position {self.position}, coil "{self.coil}", {amperes} A ({field} kA/m): {self.node.replace("_", " ")} takes '
            f"{format_number(self.at_start, 3)} W at first, {format_number(self.at_end, 3)} W at the end, "
            f"{format_number(self.greatest, 3)} W at most, {format_number(self.heat, 3)} J."
        )

    def to_json(self) -> dict:
        """Plain data, keys with their SI units."""
        return {
            "position": self.position, "coil": self.coil, "current_a": self.current, "field_a_per_m": self.field, "part": self.node,
            "watts_at_start_w": self.at_start, "greatest_watts_w": self.greatest, "watts_at_end_w": self.at_end, "heat_j": self.heat,
        }  # fmt: skip


def coil_heat(run: Run) -> list[CoilHeat]:
    """Rows of all positions of `run` whose RF is set by a current, in order; none for a schedule in watts."""
    machine, rows = run.schedule.machine, []
    for setting in run.schedule.positions:
        rf = setting.rf
        if rf is None or rf.current == 0.0:
            continue
        coil = next(c for c in machine.coils if setting.position in c.positions)
        samples = run.dwell_samples(setting.position)
        since = run.time[samples] - run.time[samples[0]]
        inside = (since >= rf.start - 1e-9) & (since <= rf.start + rf.duration + 1e-9)
        for node in run.schedule.valve.nodes:
            if node.in_coil is None:
                continue
            temperature = run.node(node.name)[samples[inside]]
            watts = rf.current**2 * np.interp(temperature, table_grid(), watts_table(coil, node.in_coil)[:, 0])
            rows.append(CoilHeat(
                setting.position, coil.name, rf.current, coil.field(rf.current), node.name, float(watts[0]), float(watts.max()),
                float(watts[-1]), float(np.trapezoid(watts, since[inside])),
            ))  # fmt: skip
    return rows
