"""Extreme but valid: what the smallest and the largest of everything costs.

    python -m benchmarks.extremes

One position and sixty, four parts and forty, exhaust stems of 0.5 to 10 mm bore, an index of one second and of an hour, a life of a
thousand million seconds, and every part in turn without its gas.  For each a whole run: steps, passes of valve against lines, and
processor time against size.  The sizes are those of the trade and beyond; the valves and machines describe no product.

More positions have pumps and manifolds in proportion, as a machine of that size would; the same positions on the pumps of sixteen
stand beside.  There, and with an index of ten minutes, line pressures answer to when exactly the gas comes, and more passes are
needed until they repeat; a pass costs no more than its size.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, fields, is_dataclass, replace

import numpy as np

from benchmarks import variants
from benchmarks.case import DEMO, standard_schedule
from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import load_schedule

MILLIMETRE = 1e-3
GROWS_WITH_A_PUMP = ("speed", "gas_ballast", "stalled_conductance", "backing_volume")
GASES_OF_A_PART = ("surface_gases", "diffusing_gases", "first_order_gases", "empirical_gases")


@dataclass(frozen=True)
class Extreme:
    """What one run cost and gave."""

    size: float | str
    steps: int
    passes: int
    seconds: float
    ledger_error: float
    bulb_pressure: float  # Pa, before the getter RF
    finite: bool  # every pressure and temperature is a number and none is negative

    @property
    def steps_of_a_pass(self) -> float:
        return self.steps / self.passes


def with_positions(schedule, count: int):
    """So many positions, with pumps and manifolds in proportion."""
    share = count / len(schedule.positions)
    larger = variants.with_positions(schedule, count)
    lines = tuple(
        replace(line, pump=_larger(line.pump, share), manifold_volume=share * line.manifold_volume) for line in larger.machine.lines
    )
    return replace(larger, machine=replace(larger.machine, lines=lines))


def _larger(pump, share: float):
    """A pump and what stands behind it, `share` times as large."""
    changes = {}
    for field in fields(pump):
        value = getattr(pump, field.name)
        if is_dataclass(value):
            changes[field.name] = _larger(value, share)
        elif field.name in GROWS_WITH_A_PUMP:
            changes[field.name] = share * value
    return replace(pump, **changes)


def with_bore(schedule, bore: float):
    """Another bore of the exhaust stem [m]."""
    valve = schedule.valve
    return replace(schedule, valve=replace(valve, exhaust_stem=replace(valve.exhaust_stem, bore=bore)))


def with_index(schedule, index_time: float):
    """Another index time [s]; of a shorter one the transfer takes a tenth, and RF that no longer fits is cut to the dwell."""
    machine = schedule.machine
    if index_time < 2.0 * machine.transfer_time:
        machine = replace(machine, transfer_time=0.1 * index_time)
    dwell = index_time - machine.transfer_time

    def cut(setting):
        if setting.rf is None:
            return setting
        start = min(setting.rf.start, 0.3 * dwell)
        return replace(setting, rf=replace(setting.rf, start=start, duration=min(setting.rf.duration, dwell - start)))

    return replace(schedule, machine=machine, index_time=index_time, positions=tuple(map(cut, schedule.positions)))


def without_gas(schedule, part: str):
    """The gas of one part nought: the loads are there, and hold nothing."""

    def emptied(one):
        return replace(one, **{name: tuple(replace(gas, amount=0.0) for gas in getattr(one, name)) for name in GASES_OF_A_PART})

    valve = schedule.valve
    return replace(schedule, valve=replace(valve, parts=tuple(emptied(p) if p.name == part else p for p in valve.parts)))


def series(schedule) -> dict[str, list[tuple]]:
    """{measure: [(size, schedule)]}, smallest first."""
    few = variants.with_half_the_parts(schedule)
    return {
        "positions": [(1, load_schedule(DEMO / "bench_dt1.toml")), *((n, with_positions(schedule, n)) for n in (8, 16, 32, 60))],
        "on same pumps": [(n, variants.with_positions(schedule, n)) for n in (8, 16, 32, 60)],
        "parts": [(len(few.valve.parts), few), (7, schedule), *((n, variants.with_parts(schedule, n)) for n in (14, 40))],
        "bore, mm": [(b, with_bore(schedule, b * MILLIMETRE)) for b in (0.5, 1.0, 3.0, 6.0, 10.0)],
        "index, s": [(t, with_index(schedule, float(t))) for t in (1, 3, 12, 60, 600, 3600)],
        "life, s": [(t, replace(schedule, shelf_time=t)) for t in (0.0, 1e3, 3e7, 1e9)],
        "no gas in": [(part.name, without_gas(schedule, part.name)) for part in schedule.valve.parts],
    }


def measured(size, schedule) -> Extreme:
    """One whole run."""
    began = time.process_time()
    run = simulate(schedule)
    seconds = time.process_time() - began
    pressure = run.total_bulb_pressure
    finite = bool(np.isfinite(pressure).all() and (pressure >= 0.0).all() and np.isfinite(run.temperature).all() and (run.temperature > 0.0).all())
    return Extreme(size, run.outcome.steps, run.outcome.line_iterations, seconds, run.ledger.error, float(pressure[run.judged_at]), finite)


def extremes_text(found: dict[str, list[Extreme]]) -> str:
    """The table of all runs."""
    lines = []
    for name, rows in found.items():
        lines.append(f"{name:>16}{'steps':>8}{'passes':>8}{'a pass':>8}{'CPU ms':>8}{'ledger':>10}{'bulb pressure, Pa':>19}")
        for row in rows:
            lines.append(
                f"{row.size:>16}{row.steps:>8}{row.passes:>8}{row.steps_of_a_pass:>8.0f}{1e3 * row.seconds:>8.0f}{row.ledger_error:>10.0e}"
                f"{row.bulb_pressure:>19.2g}"
            )
    return "\n".join(lines)


if __name__ == "__main__":
    standard = standard_schedule()
    simulate(standard)  # loads the compiled code
    print(extremes_text({name: [measured(*one) for one in ones] for name, ones in series(standard).items()}))
