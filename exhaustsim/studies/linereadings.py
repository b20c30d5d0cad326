"""What the pumping lines reached that is no pressure of a valve: water left in the pumps, oil that may come back.

Each function takes a `Run` and gives a `Reading`, as in `exhaustsim.studies.readings`.  A line is fed by
valves like the one that was followed, so one index of it stands for the shift.

Not weighed: how much of the water a warm pump gets rid of in its idle hours, and what oil and trap are like.
"""

from __future__ import annotations

from exhaustsim.engine.result import Run
from exhaustsim.plant.machine import RotaryPump
from exhaustsim.studies.readings import Reading
from exhaustsim.studies.sizing import sizing


def water_in_pump(run: Run) -> Reading | None:
    """Most water that stays in a shift in the rotary pump at the end of a line's chain [kg].

    The pump blows out as much vapour as the other gas and an open gas ballast carry (see
    `exhaustsim.physics.ballast`); the rest stays in the oil.
    """
    left = [(row.water.condensed, row.line) for row in sizing(run) if row.water is not None]
    if not left:
        return None
    value, name = max(left)
    return Reading(value, None, _first_position(run, name), f"line {name}")


def idle_pressure_untrapped(run: Run) -> Reading | None:
    """Lowest line pressure of a rotary line without a trap: where gas no longer sweeps the oil vapour back to the pump."""
    lines = {line.name: line for line in run.schedule.machine.lines}
    found = [
        (float(wave.pressure.sum(axis=1).min()), wave.name) for wave in run.lines
        if not lines[wave.name].trapped and isinstance(lines[wave.name].pump, RotaryPump)
    ]  # fmt: skip
    if not found:
        return None
    value, name = min(found)
    return Reading(value, None, _first_position(run, name), f"line {name}")


def _first_position(run: Run, line: str) -> int | None:
    return min((p for p, name in run.schedule.machine.line_of_position.items() if name == line), default=None)
