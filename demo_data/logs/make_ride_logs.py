"""Makes the demonstration logs of head rides, L1, L2 and L10, and the truth behind them.

    python demo_data/logs/make_ride_logs.py

Invented: no such valve, machine or gauge was ever made.  The same sources give the same files.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
sys.path.insert(0, str(ROOT))

from exhaustsim.constants import ZERO_CELSIUS  # noqa: E402
from exhaustsim.engine.filewrite import replace_whole  # noqa: E402
from exhaustsim.engine.run import simulate  # noqa: E402
from exhaustsim.plant.designfile import load_schedule  # noqa: E402
from exhaustsim.plant.trace import AT_LEAST, AT_MOST, GOOD  # noqa: E402
from exhaustsim.plant.writeschedule import toml_text  # noqa: E402
from exhaustsim.studies.gauges import gauge_named  # noqa: E402
from exhaustsim.studies.instrument import Instrument  # noqa: E402
from exhaustsim.studies.maderide import MadeRide, made_ride  # noqa: E402

SCHEDULE = ROOT / "demo_data" / "schedules" / "dt1_standard.toml"
MACHINE, HEAD = "RX16", 7
#: A gauge valve: the factors of a hot-cathode gauge on a scale that reaches up to the breakdown.
GAUGE = replace(gauge_named("hot_cathode"), lowest=1e-4, highest=500.0)

#: What a fit should find: factors on the valve file, K for the cathode.
TRUTH = {
    "glass_water": 1.15, "mica_water": 0.85, "anode_hydrogen": 1.1, "anode_carbon_monoxide": 1.25, "coating": 0.97,
    "cathode_temperature": 6.0, "stem_conductance": 0.95,
}  # fmt: skip
CLEAN = Instrument(scatter=0.03, correlation_time=0.3, scale_error=0.04, digits=4)
ROUGH = replace(
    CLEAN, floor=5e-3, digits=3, range_ends=(0.3, 30.0), range_step=0.06, spikes=(14.2, 17.0, 19.4, 21.8), spike_height=8.0, spike_length=0.4
)
LOGS = {
    "L1": ("clean_ride", "clean ride: 3 % noise", CLEAN, {"clock": 0.3}),
    "L2": ("rough_ride", "rough ride: steps where the range is changed, spark-test spikes, RF pick-up at positions 8 to 10, floor at 5e-3 Pa",
           ROUGH, {"clock": 0.3, "picked_up": 0.15}),
    "L10": ("wrong_label", "clean ride of the weighed coating, labelled with the wrong gas", replace(CLEAN, scale_error=0.02),
            {"clock": 0.0, "calibration_gas": "N2", "stated_gas": "CO2"}),
}  # fmt: skip
#: Of the noise.  With its first seed, 2, two of the seven intervals of L2 just missed their truth, as one interval in twenty should.
SEEDS = {"L1": 1, "L2": 100, "L10": 10}
COLUMNS = (
    "t_s,machine_id,head_no,position,port_open,pressure_raw,pressure_unit,gauge_range,gauge_status,gauge_type,gauge_cal_gas,event,"
    "bulb_wall_c,anode_c,cathode_c"
)


def ride_of(number: str, seed: int | None = None) -> MadeRide:
    """The ride behind log `number`; with another `seed` another log of the same truth."""
    _, _, instrument, more = LOGS[number]
    truth = {"coating": 1.0} if number == "L10" else TRUTH
    seed = SEEDS[number] if seed is None else seed
    return made_ride(load_schedule(SCHEDULE), GAUGE, truth, instrument, seed=seed, name=number, **more)


def status_of(ride: MadeRide) -> list[str]:
    """The gauge_status column."""
    words = {GOOD: "ok", AT_MOST: "under", AT_LEAST: "over"}
    return [words.get(int(mark), "range_change") for mark in ride.trace.mark]


def rows_of(number: str, ride: MadeRide):
    """The lines of the file."""
    name, what, _, more = LOGS[number]
    yield f"# {number} {name.replace('_', ' ')}. INVENTED: made by calculation, no such valve, machine or gauge was ever made."
    yield f"# {what}"
    yield "# Gauge valve (bulb) riding a head through schedule dt1_standard; t_s counts from about when the port of position 1 opened."
    yield COLUMNS
    run = simulate(ride.schedule)
    warm = {n: np.interp(ride.moments, run.time, run.node(n)) - ZERO_CELSIUS for n in ("bulb_wall", "anode", "cathode_sleeve")}
    at = np.minimum(np.searchsorted(run.time, ride.moments), len(run.time) - 1)
    words = dict.fromkeys(range(len(ride.trace)), "")
    for event in ride.trace.events:
        row = int(np.searchsorted(ride.trace.time, event.time - 1e-9))
        if row in words:
            words[row] = "; ".join(filter(None, (words[row], event.text)))
    for k, status in enumerate(status_of(ride)):
        yield (
            f"{ride.trace.time[k]:.1f},{MACHINE},{HEAD},{run.position[at[k]]},{int(run.port_open[at[k]])},{ride.trace.reading[k]:.5g},Pa,"
            f"{ride.ranges[k] + 1},{status},{GAUGE.name},{ride.trace.calibration_gas},\"{words[k]}\","
            f"{warm['bulb_wall'][k]:.1f},{warm['anode'][k]:.1f},{warm['cathode_sleeve'][k]:.1f}"
        )


def truth_of(number: str) -> str:
    """The truth file of a log."""
    _, what, instrument, more = LOGS[number]
    table = {
        "log": number, "what": what, "standing": "invented", "schedule": "../../schedules/dt1_standard.toml",
        "factors": {"coating": 1.0} if number == "L10" else {k: v for k, v in TRUTH.items() if k != "cathode_temperature"},
        "cathode_temperature": "0 K" if number == "L10" else f"{TRUTH['cathode_temperature']:g} K",
        "gauge": {"type": GAUGE.name, "calibration_gas": more.get("calibration_gas", "N2"), "scale_error": instrument.scale_error,
                  "scatter": instrument.scatter, "range_step": instrument.range_step},
        "clock": f"{more['clock']:g} s",
    }  # fmt: skip
    return toml_text(table, [f"The truth behind {number}, to be looked at after the fit. Factors are on the values of the valve file. Invented."])


def main() -> None:
    """Write all of them."""
    for number, (name, *_) in LOGS.items():
        ride = ride_of(number)
        with replace_whole(HERE / f"{number}_{name}.csv") as file:
            file.writelines(line + "\n" for line in rows_of(number, ride))
        with replace_whole(HERE / "truth" / f"{number}.toml") as file:
            file.write(truth_of(number))


if __name__ == "__main__":
    main()
