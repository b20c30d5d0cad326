"""What the pumping lines reached that is no pressure of a valve: water left in the pumps, oil that may come back.

Each function takes a `Run` and gives a `Reading`, as in `exhaustsim.studies.readings`.  A line is fed by
valves like the one that was followed, so one index of it stands for the shift.

Not weighed: gas ballast (none is taken to be open), how much of the water a warm pump gets rid of in
its idle hours, and what oil and trap are like.
"""

from __future__ import annotations

import numpy as np

from exhaustsim.constants import H2O
from exhaustsim.engine.result import Run
from exhaustsim.physics.pumps import water_carried_out
from exhaustsim.plant.machine import DiffusionPump
from exhaustsim.studies.readings import Reading

SHIFT = 8.0 * 3600.0  # s


def water_in_pump(run: Run) -> Reading | None:
    """Most water that condenses in a shift in the rotary pump of a line, or behind its diffusion pump [kg].

    The pump blows out as much vapour as the other gas of the line can carry (see
    `exhaustsim.physics.pumps.water_carried_out`); the rest stays in the oil.
    """
    tables = run.schedule.valve.tables
    saturation = tables.value("pumps.rotary.water_saturation")
    exhaust = tables.value("pumps.rotary.exhaust_pressure")
    molar_mass = tables.value("gases.H2O.molar_mass")
    left = []
    for wave in run.lines:
        mean = np.trapezoid(wave.inflow, wave.time, axis=0) / wave.time[-1]
        water, others = max(float(mean[H2O]), 0.0), max(float(mean.sum() - mean[H2O]), 0.0)
        condensed = max(water - water_carried_out(others, saturation, exhaust), 0.0)
        left.append((condensed * molar_mass * SHIFT, wave.name))
    if not left:
        return None
    value, name = max(left)
    return Reading(value, None, _first_position(run, name), f"line {name}")


def idle_pressure_untrapped(run: Run) -> Reading | None:
    """Lowest line pressure of a rotary line without a trap: where gas no longer sweeps the oil vapour back to the pump."""
    lines = {line.name: line for line in run.schedule.machine.lines}
    found = [
        (float(wave.pressure.sum(axis=1).min()), wave.name) for wave in run.lines
        if not lines[wave.name].trapped and not isinstance(lines[wave.name].pump, DiffusionPump)
    ]  # fmt: skip
    if not found:
        return None
    value, name = min(found)
    return Reading(value, None, _first_position(run, name), f"line {name}")


def _first_position(run: Run, line: str) -> int | None:
    return min((p for p, name in run.schedule.machine.line_of_position.items() if name == line), default=None)
