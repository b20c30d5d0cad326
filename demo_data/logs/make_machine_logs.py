"""Makes the demonstration machine logs L7 to L9: a bad head, a bad position, a wet week; all invented.

    python demo_data/logs/make_machine_logs.py

The loaded machine is simulated once for each fault until it repeats itself; the forty rotations of a log
are these few simulated states over and over, with scatter of gauge, valves and pyrometer from a seed.  The truth of
each log stands in `truth/`.  Same seeds, same files.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from exhaustsim.constants import CO2, ZERO_CELSIUS
from exhaustsim.engine.filewrite import replace_whole
from exhaustsim.engine.loaded import simulate_machine
from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.incidents import ScoredPlate, SlackCoil
from exhaustsim.units import PASCAL_LITRE

HERE = Path(__file__).parent
INVENTED = "Demonstration log, invented: no such machine was built and nobody took these readings."
SCHEDULE = HERE.parent / "schedules" / "dt1_standard.toml"
COLUMNS = (
    "time_iso", "machine_id", "rotation_no", "head_no", "position", "valve_type", "lot_id", "card_no", "line_id", "line_pressure_pa", "gauge_type",
    "gauge_cal_gas", "heater_v", "heater_a", "rf_on", "rf_setting", "rf_seconds", "oven_air_c", "index_s", "stop_s", "spark_result", "leaker_cut_off",
    "action", "operator_note",
)  # fmt: skip
ROTATIONS, HEADS = 40, 16
EVERY = 5  # indices between two entries of the log; prime to 16, so that every head is met at every position
LINE_OF = dict(enumerate(("G", "R", "R", "R", "F1", "F1", "F1", "F1", "F2", "F2", "F2", "F2", "D", "D", "D"), start=1))
GAUGE_OF = dict.fromkeys(("G", "R", "F1", "F2"), "thermal_conductivity") | {"D": "cold_cathode"}

# Truth and scatter, all invented.
BAD_HEAD, LEAK_GROWS = 11, 8.0
USUAL_LEAK = 4e-3  # Pa L/s of one port: the usual figure of the middle lines, taken for all
GAUGE_SCATTER = 0.01  # of the logarithm of a line reading
PUMP_DRIFT = 0.004  # of the logarithm, line by line from rotation to rotation
BAD_POSITION, POWER_SHARE = 9, 0.735  # of the slack coil: found by trial, the anode is then 80 K colder
PYROMETER_SCATTER, VALVE_SCATTER = 6.0, 5.0  # K: one reading; one valve from the next
WET, WET_FROM = 1.8, 17  # water on glass and micas, and the rotation from which on: Wednesday, first rotation
PER_DAY = 8
MONDAY = datetime(2026, 3, 2, 6, 0, 0)


def shown(pressure: float) -> float:
    """A line gauge adjusted to read air truly at the usual mixture: the scale falls out of what the logs are for."""
    return float(f"{pressure:.4g}")


def ends(lines) -> dict[str, float]:
    """Total line pressure at the end of the index [Pa]."""
    return {line.name: float(line.pressure[-1].sum()) for line in lines}


def bad_head_states(schedule) -> dict[int, dict[str, float]]:
    """Line pressures [Pa] by the position of the bad head, from the simulated machine once it repeats itself."""
    incident = ScoredPlate(BAD_HEAD, (LEAK_GROWS - 1.0) * USUAL_LEAK * PASCAL_LITRE)
    machine = simulate_machine(schedule, [incident], indices=3 * HEADS, follow=False)
    return {index.position[BAD_HEAD]: ends(index.lines) for index in machine.indices[-HEADS:]}


def anode_ends(run) -> dict[int, float]:
    """Anode temperature [degC] at the end of the positions with RF on the anode."""
    node = run.node_names.index("anode")
    return {p: float(run.temperature[run.end_of(p), node]) - ZERO_CELSIUS for p in (8, 9, 10)}


def wetted(schedule, factor: float):
    """The schedule with so many times the water on bulb glass and micas."""
    def part(one):
        if one.node not in (schedule.valve.bulb_node, "mica"):
            return one
        return replace(one, surface_gases=tuple(replace(g, amount=factor * g.amount) if g.gas == "H2O" else g for g in one.surface_gases))

    return replace(schedule, valve=replace(schedule.valve, parts=tuple(map(part, schedule.valve.parts))))


def bad_head(states, seed: int = 7):
    """Rows (rotation, head, position, line, pressure) of L7."""
    random = np.random.default_rng(seed)
    drift = dict.fromkeys("G R F1 F2 D".split(), 0.0)
    for index in range(0, ROTATIONS * HEADS, EVERY):
        offset = index % HEADS
        state = states[(BAD_HEAD + offset - 1) % HEADS + 1]
        seen = {line: state[line] * np.exp(drift[line] + GAUGE_SCATTER * random.standard_normal()) for line in drift}
        drift = {line: 0.9 * x + PUMP_DRIFT * random.standard_normal() for line, x in drift.items()}
        for head in range(1, HEADS + 1):
            position = (head + offset - 1) % HEADS + 1
            line = LINE_OF.get(position, "")
            yield index, index // HEADS + 1, head, position, line, shown(seen[line]) if line else None


def bad_position(usual, slack, line_pressures, seed: int = 8):
    """Rows (index, rotation, head, position, line, pressure, anode temperature, card's temperature) of L8."""
    random = np.random.default_rng(seed)
    for index in range(0, ROTATIONS * HEADS, EVERY):
        offset = index % HEADS
        seen = {line: p * np.exp(GAUGE_SCATTER * random.standard_normal()) for line, p in line_pressures.items()}
        for head in range(1, HEADS + 1):
            position = (head + offset - 1) % HEADS + 1
            line = LINE_OF.get(position, "")
            anode = slack[position] + random.normal(0.0, VALVE_SCATTER) + random.normal(0.0, PYROMETER_SCATTER) if position in slack else None
            yield index, index // HEADS + 1, head, position, line, shown(seen[line]) if line else None, anode, usual.get(position)


def wet_week(dry, wet, dry_co2, wet_co2, seed: int = 9):
    """Rows (rotation, head, position, line, pressure, CO2 on F2) of L9, one index of every rotation."""
    random = np.random.default_rng(seed)
    for rotation in range(1, ROTATIONS + 1):
        damp = rotation >= WET_FROM
        state, co2 = (wet, wet_co2) if damp else (dry, dry_co2)
        seen = {line: p * np.exp(2.0 * GAUGE_SCATTER * random.standard_normal()) for line, p in state.items()}
        dioxide = co2 * np.exp(2.0 * GAUGE_SCATTER * random.standard_normal())
        for head in range(1, HEADS + 1):
            position = (head + rotation - 2) % HEADS + 1
            line = LINE_OF.get(position, "")
            yield rotation, head, position, line, shown(seen[line]) if line else None, shown(dioxide) if line == "F2" else None


def _row(schedule, moment, rotation, head, position, line, pressure, note="", rf_setting=""):
    setting = schedule.positions[position - 1]
    oven = f"{schedule.oven_temperature - ZERO_CELSIUS:.0f}" if position in schedule.machine.oven_positions else ""
    rf = int(setting.rf is not None)
    volts = f"{setting.heater_voltage:.1f}"
    return (
        moment.isoformat(), "RX16", rotation, head, position, "DT-1", "A", 1, line, "" if pressure is None else f"{pressure:.4g}", GAUGE_OF.get(line, ""), "N2",
        volts, "", rf, rf_setting, "", oven, f"{schedule.index_time:g}", 0, "ok" if position == 2 else "", 0, "", note,
    )  # fmt: skip


def _write(name: str, comments, columns, rows) -> None:
    with replace_whole(HERE / name) as file:
        for line in (INVENTED, *comments):
            file.write(f"# {line}\n")
        file.write(",".join(columns) + "\n")
        for row in rows:
            file.write(",".join(map(str, row)) + "\n")


def _truth(name: str, **values) -> None:
    with replace_whole(HERE / "truth" / name) as file:
        file.write("# Invented, like the log; what the simulator made of it is computed. SI units unless the key says otherwise.\n")
        for key, value in values.items():
            file.write(f'{key} = "{value}"\n' if isinstance(value, str) else f"{key} = {value!r}\n")


def main() -> int:
    """Simulate and write all of them beside this file."""
    (HERE / "truth").mkdir(exist_ok=True)
    schedule = load_schedule(SCHEDULE)
    usual = simulate(schedule)
    every = f"One index in {EVERY} is written down, all heads; {ROTATIONS} rotations."
    at = {index: MONDAY + timedelta(seconds=index * schedule.index_time) for index in range(ROTATIONS * HEADS)}

    states = bad_head_states(schedule)
    made = "Line pressures: one simulated rotation of the machine with the fault, over and over, with scatter and drift of gauges and pumps."
    _write("L7_bad_head.csv", [every, made], COLUMNS, (_row(schedule, at[index], *rest) for index, *rest in bad_head(states)))
    _truth("L7.toml", follows="head", head=BAD_HEAD, added_leak_Pa_L_per_s=(LEAK_GROWS - 1.0) * USUAL_LEAK)

    machine = simulate_machine(schedule, [SlackCoil(BAD_POSITION, POWER_SHARE)], indices=2 * HEADS + 2, follow=[1])
    slack = anode_ends(next(j.run for j in machine.journeys if j.entered > 0))
    card = anode_ends(usual)
    rows = (
        (*_row(schedule, at[index], rotation, head, position, line, p, rf_setting="" if c is None else f"{c:.0f}"), "" if anode is None else f"{anode:.0f}")
        for index, rotation, head, position, line, p, anode, c in bad_position(card, slack, ends(machine.last.lines))
    )
    made = "rf_setting: anode temperature in degC that the card gives; anode_c: read by pyrometer. Both simulated, with scatter of valves and pyrometer."
    _write("L8_bad_position.csv", [every, made], (*COLUMNS, "anode_c"), rows)
    _truth("L8.toml", follows="position", position=BAD_POSITION, anode_colder_by_K=card[BAD_POSITION] - slack[BAD_POSITION])

    damp = simulate(wetted(schedule, WET))
    line_co2 = [float(next(x for x in run.lines if x.name == "F2").pressure[-1][CO2]) for run in (usual, damp)]
    rows = []
    for rotation, head, position, line, p, co2 in wet_week(ends(usual.lines), ends(damp.lines), *line_co2):
        day, within = divmod(rotation - 1, PER_DAY)
        moment = MONDAY + timedelta(days=day, hours=within)
        rows.append((*_row(schedule, moment, rotation, head, position, line, p), "" if co2 is None else f"{co2:.4g}"))
    made = "Line pressures and CO2: two simulated states of the machine, before and from Wednesday, with scatter. One index of every logged rotation, eight a day."
    _write("L9_wet_week.csv", [made, "line_co2_pa: partial pressure of CO2 on line F2."], (*COLUMNS, "line_co2_pa"), rows)
    dry_ends, wet_ends = ends(usual.lines), ends(damp.lines)
    _truth(
        "L9.toml", changed_from_rotation=WET_FROM, water_factor=WET, moved="R F1", unmoved="G F2 D",
        **{f"ratio_{line}": wet_ends[line] / dry_ends[line] for line in dry_ends}, ratio_co2=line_co2[1] / line_co2[0],
    )  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
