"""Makes the demonstration logs of rises in closed volumes, L3 to L6, and L11, which is too short; all invented.

    python demo_data/logs/make_rise_logs.py

The curves are the closed forms of `exhaustsim.studies.rise`, spoiled by
`exhaustsim.studies.instrument`; the truth of each stands in `truth/`.  Same seeds, same files.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from exhaustsim.engine.filewrite import replace_whole
from exhaustsim.studies import rise
from exhaustsim.studies.instrument import Instrument, log_of

HERE = Path(__file__).parent
INVENTED = "Demonstration log, invented: no such valve was made and nobody took these readings."
COLUMNS = (
    "test_id", "valve_id", "lot_id", "isolated_volume_cm3", "volume_sd_cm3", "t_s", "pressure_raw", "pressure_unit", "gauge_type", "gauge_cal_gas",
    "temperature_c", "surround_gas", "note",
)  # fmt: skip
LITRE = 1e-3  # m3

# Truth, all invented unless it says otherwise.
VOLUME, VOLUME_SHOWN, VOLUME_SD = 15.0, 15.2, 0.4  # cm3: true, as measured, standard error of the measurement
LEAK = 3e-4 * LITRE  # Pa m3/s of air, L3
LEAK_IN_ARGON = 0.8515  # molecular: root of 28.97/39.95, closed form
ARGON_ON_COLD_CATHODE = 1.3  # reading over true pressure, as in the table of gauges
EARLY_FLOW, AGE = 3e-4 * LITRE, 12.0  # Pa m3/s and s at closing, L4
TRAPPED_PRESSURE, TRAPPED_VOLUME, TIME_CONSTANT = 101325.0, 5e-9, 60.0  # Pa, m3, s, L5
LOT_RATIO, VALVE_SCATTER, FIRST_FLOW, LOT_AGE = 1.6, 0.20, 2e-4 * LITRE, 30.0  # L6

IONISATION = Instrument(scatter=0.012, correlation_time=1.0, scale_error=0.03, digits=3, floor=1e-4, ceiling=1.0)
DIAPHRAGM = Instrument(scatter=0.008, correlation_time=3.0, scale_error=0.0, digits=3, floor=0.1, ceiling=1000.0)


def leaker(seed: int = 3):
    """L3: (rise with air, rise with argon) round the head, a leak of 3e-4 Pa L/s into 15 cm3; as the gauge shows it."""
    time = np.arange(0.0, 45.0, 0.25)
    for k, (gas, factor) in enumerate((("air", 1.0), ("argon", LEAK_IN_ARGON * ARGON_ON_COLD_CATHODE))):
        # What was in the valve at closing is shown as nitrogen in both.
        true = rise.leak_rise(time, 4e-3, factor * LEAK, VOLUME * 1e-6)
        yield gas, log_of(IONISATION, time, true, seed + 1000 * k, f"L3 {gas}")


def gassy(seed: int = 4):
    """L4: the same slope at closing, from gas evolution that falls as one over its age."""
    time = np.arange(0.0, 601.0, 1.5)
    return log_of(IONISATION, time, rise.one_over_time_rise(time, 4e-3, EARLY_FLOW, AGE, VOLUME * 1e-6), seed, "L4")


def trapped(seed: int = 5):
    """L5: 5 mm3 trapped at one atmosphere, coming out through a seam so fine that it is molecular throughout."""
    time = np.arange(0.0, 601.0, 1.5)
    true = rise.virtual_leak_rise(time, 0.4, TRAPPED_PRESSURE, TRAPPED_VOLUME, TRAPPED_VOLUME / TIME_CONSTANT, 0.0, VOLUME * 1e-6)
    return log_of(DIAPHRAGM, time, true, seed, "L5")


def two_lots(seed: int = 6):
    """L6: (lot, valve, trace) of six valves of each lot; CO from hot anodes, from the depth of the metal, in ratio 1.6."""
    random = np.random.default_rng(seed)
    time = np.arange(0.0, 361.0, 4.0)
    for lot, level in (("A", 1.0), ("B", LOT_RATIO)):
        for number in range(1, 7):
            flow = FIRST_FLOW * level * np.exp(VALVE_SCATTER * random.standard_normal())
            true = rise.diffusion_rise(time, 1e-3, 0.05 * flow, LOT_AGE, VOLUME * 1e-6)
            yield lot, f"{lot}{number}", log_of(IONISATION, time, true, int(random.integers(2**31)), f"L6 {lot}{number}")


def too_short(seed: int = 11):
    """L11: eight readings over 40 s of a pump-down tail."""
    time = np.arange(0.0, 40.0, 5.0)
    return log_of(IONISATION, time, 0.02 * (30.0 / (30.0 + time)) + 2e-3, seed, "L11")


def _rows(trace, test, valve, lot, gauge, surround, note=""):
    for t, p in zip(trace.time, trace.reading, strict=True):
        yield (test, valve, lot, VOLUME_SHOWN, VOLUME_SD, f"{t:g}", f"{p:.3g}", "Pa", gauge, "N2", "20", surround, note)
        note = ""


def _write(name: str, comments, columns, rows) -> None:
    with replace_whole(HERE / name) as file:
        for line in (INVENTED, *comments):
            file.write(f"# {line}\n")
        file.write(",".join(columns) + "\n")
        for row in rows:
            file.write(",".join(map(str, row)) + "\n")


def _truth(name: str, **values) -> None:
    with replace_whole(HERE / "truth" / name) as file:
        file.write("# Invented, like the log. SI units; the key says what.\n")
        for key, value in values.items():
            file.write(f"{key} = {value!r}\n" if not isinstance(value, str) else f'{key} = "{value}"\n')


def main() -> int:
    """Write all of them beside this file."""
    (HERE / "truth").mkdir(exist_ok=True)
    rows = [r for gas, trace in leaker() for r in _rows(trace, f"R-{gas}", "V301", "A", "cold_cathode", gas, f"{gas} round head and valve")]
    _write("L3_rise_leaker.csv", ["Rise in a closed volume, valve closed at 0 s, first with air and then with argon round the head."], COLUMNS, rows)
    _truth("L3.toml", kind="leak", throughput_Pa_m3_per_s=LEAK, volume_m3=VOLUME * 1e-6, shown_ratio_argon_to_air=LEAK_IN_ARGON * ARGON_ON_COLD_CATHODE)
    _write("L4_rise_gassy.csv", ["Rise in a closed volume, valve closed at 0 s."], COLUMNS, _rows(gassy(), "R-1", "V302", "A", "cold_cathode", "air"))
    _truth("L4.toml", kind="outgassing", throughput_Pa_m3_per_s=EARLY_FLOW, age_s=AGE, leak_Pa_m3_per_s=0.0, volume_m3=VOLUME * 1e-6)
    _write("L5_rise_virtual_leak.csv", ["Rise in a closed volume, valve closed at 0 s."], COLUMNS, _rows(trapped(), "R-1", "V303", "A", "capacitance", "air"))
    _truth("L5.toml", kind="runs out", amount_Pa_m3=TRAPPED_PRESSURE * TRAPPED_VOLUME, time_constant_s=TIME_CONSTANT, volume_m3=VOLUME * 1e-6)
    rows = [r for lot, valve, trace in two_lots() for r in _rows(trace, f"R-{valve}", valve, lot, "cold_cathode", "air", f"anode hot for {LOT_AGE:g} s at closing")]
    _write("L6_two_lots.csv", ["Rises of six valves of each of two lots, anodes kept hot; closed at 0 s, 30 s after the anode came to heat."], COLUMNS, rows)
    _truth("L6.toml", ratio=LOT_RATIO, scatter_between_valves=VALVE_SCATTER, age_s=LOT_AGE)
    columns = ("t_s", "machine_id", "head_no", "position", "port_open", "pressure_raw", "pressure_unit", "gauge_range", "gauge_status", "gauge_type", "gauge_cal_gas", "event")
    short = too_short()
    rows = ((f"{t:g}", "RX16", 7, 14, 1, f"{p:.3g}", "Pa", "", "ok", "cold_cathode", "N2", "") for t, p in zip(short.time, short.reading, strict=True))
    _write("L11_not_enough.csv", ["Head trace: the end of a pump-down tail."], columns, rows)
    _truth("L11.toml", kind="refused")
    return 0


if __name__ == "__main__":
    sys.exit(main())
