"""How often the intervals of rises, lots, heads, positions and drift hold the truth: the demo logs L3 to L9 with many seeds.

    python -m benchmarks.rise_coverage [rises] [machine logs]

Each log of `demo_data/logs` is drawn again with other scatter, scale of the gauge (5 %, as the fits are told) and
measured volume (standard error 0.4 cm3, as they are told), so that every uncertainty that an interval claims to hold is in it.
Prints, for each: intervals that hold the truth, and right verdicts.  A single log in the tests proves little; this is the proof.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

LOGS = Path(__file__).parents[1] / "demo_data" / "logs"
SCALE_ERROR = 0.05  # standard deviation of the logarithm of the gauge's scale, invented
VOLUME_SD = 0.4e-6  # m3


def makers():
    """The modules that make the demo logs."""
    if str(LOGS) not in sys.path:
        sys.path.insert(0, str(LOGS))
    import make_machine_logs
    import make_rise_logs

    return make_rise_logs, make_machine_logs


def drawn(trace, seed):
    """(trace with another scale of the gauge, volume as measured)."""
    random = np.random.default_rng([seed, 77])
    usual = makers()[0].IONISATION.scale_error if trace.name != "L5" else 0.0
    factor = np.exp(SCALE_ERROR * random.standard_normal()) / (1.0 + usual)
    volume = makers()[0].VOLUME * 1e-6 + VOLUME_SD * random.standard_normal()
    return replace(trace, reading=trace.reading * factor, original=trace.original * factor), volume


def rises(seed: int) -> dict[str, bool]:
    """L3 to L6 for one seed: what held."""
    from exhaustsim.studies.lots import ValveFigure, compare_lots
    from exhaustsim.studies.risefit import compare_surrounds, fit_rise

    make, _ = makers()
    held, options = {}, {"scale_error": SCALE_ERROR}

    def inside(estimate, truth):
        return bool(estimate is not None and estimate.low <= truth <= estimate.high)

    fits = []
    for gas, trace in make.leaker(seed):
        trace, volume = drawn(replace(trace, name="L3"), seed)
        fits.append(fit_rise(trace, volume, VOLUME_SD, surround=gas, **options))
    held["L3 curve is straight"] = fits[0].model == fits[1].model == "straight"
    held["L3 leak inside"] = inside(fits[0].throughput, make.LEAK)
    found = compare_surrounds(*fits, (0.0289652, 0.039948), (1.82e-5, 2.23e-5), make.ARGON_ON_COLD_CATHODE)
    held["L3 ratio inside"] = inside(found.ratio, make.LEAK_IN_ARGON * make.ARGON_ON_COLD_CATHODE)
    held["L3 gas from inside excluded"] = "gas from inside" not in found.fitting
    trace, volume = drawn(make.gassy(seed), seed)
    one = fit_rise(trace, volume, VOLUME_SD, **options)
    held["L4 curve is one over time"] = one.model == "one over time"
    held["L4 no leak supported"] = "leak" not in one.speaks_for
    held["L4 flow inside"] = inside(one.throughput, make.EARLY_FLOW)
    trace, volume = drawn(make.trapped(seed), seed)
    one = fit_rise(trace, volume, VOLUME_SD, **options)
    held["L5 curve is levelling"] = one.model == "levelling"
    held["L5 amount inside"] = inside(one.amount, make.TRAPPED_PRESSURE * make.TRAPPED_VOLUME)
    held["L5 time constant inside"] = inside(one.time_constant, make.TIME_CONSTANT)
    held["L5 flow inside"] = inside(one.throughput, make.TRAPPED_PRESSURE * make.TRAPPED_VOLUME / make.TIME_CONSTANT)
    lots = {"A": [], "B": []}
    for lot, valve, trace in make.two_lots(seed):
        flow = fit_rise(trace, make.VOLUME * 1e-6, 0.0, age=make.LOT_AGE).throughput
        lots[lot].append(ValveFigure(valve, flow.value, np.log(flow.high / flow.low) / 3.92))
    ratio = compare_lots(lots["A"], lots["B"])
    held["L6 ratio inside"] = ratio.low <= make.LOT_RATIO <= ratio.high
    held["L6 difference seen"] = ratio.low > 1.0
    held["L6 scatter inside"] = ratio.scatter_low <= make.VALVE_SCATTER <= ratio.scatter_high
    return held


def readings(rows, speeds):
    """Line readings of `make_machine_logs.bad_head` as flows."""
    from exhaustsim.studies.follows import Reading

    groups = {}
    for index, _, head, position, line, pressure in rows:
        if line:
            groups.setdefault((index, line), []).append((pressure, head, position))
    return [
        Reading(speeds[line] * members[0][0], tuple(m[1] for m in members), tuple(m[2] for m in members), (), line)
        for (_, line), members in groups.items()
    ]  # fmt: skip


def machines(seeds: int):
    """Yield, for each seed, what held of L7 to L9."""
    from exhaustsim.plant.designfile import load_schedule
    from exhaustsim.studies.drift import drift
    from exhaustsim.studies.follows import Reading, what_it_follows

    _, make = makers()
    schedule = load_schedule(make.SCHEDULE)
    usual = make.simulate(schedule)
    states, dry = make.bad_head_states(schedule), make.ends(usual.lines)
    quiet = dict.fromkeys(range(1, 17), dry)
    damp = make.simulate(make.wetted(schedule, make.WET))
    wet = make.ends(damp.lines)
    carbon = [next(float(x.pressure[-1][8]) for x in run.lines if x.name == "F2") for run in (usual, damp)]
    speeds = {"G": 4.0, "R": 2.2, "F1": 2.2, "F2": 4.4, "D": 25.0}  # L/s, net at the manifold, invented like the machine
    card = make.anode_ends(usual)
    slack = card | {make.BAD_POSITION: card[make.BAD_POSITION] - 80.0}
    for seed in range(seeds):
        held = {}
        found = what_it_follows(readings(make.bad_head(states, seed), speeds), expected=False)
        held["L7 head 11 alone"] = [(x.factor, x.name) for x in found.outstanding] == [("head", "11")]
        held["L7 head 11 first"] = bool(found.outstanding) and (found.outstanding[0].factor, found.outstanding[0].name) == ("head", "11")
        held["L7 leak inside"] = bool(found.outstanding) and found.outstanding[0].low <= 0.028 <= found.outstanding[0].high
        held["no fault, nothing stands out"] = not what_it_follows(readings(make.bad_head(quiet, seed), speeds), expected=False).outstanding
        rows = [Reading(a - c, (h,), (p,)) for _, _, h, p, _, _, a, c in make.bad_position(card, slack, dry, seed) if a is not None]
        found = what_it_follows(rows, expected=True)
        held["L8 position 9 alone"] = [(x.factor, x.name) for x in found.outstanding] == [("position", "9")]
        held["L8 anode inside"] = bool(found.outstanding) and found.outstanding[0].low <= -80.0 <= found.outstanding[0].high
        series = {}
        for _, _, _, line, pressure, co2 in make.wet_week(dry, wet, *carbon, seed):
            if line:
                series.setdefault(line, []).append(pressure)
            if co2 is not None:
                series.setdefault("CO2", []).append(co2)
        series = {name: [v[k] for k in range(0, len(v), len(v) // make.ROTATIONS)] for name, v in series.items()}
        found = drift(series, seed=seed)
        charts = {c.position: c for c in found.charts}
        held["L9 R and F1 alone"] = set(found.moved) == {"R", "F1"}
        for line in ("R", "F1"):
            chart = charts[line]
            held[f"L9 {line} ratio inside"] = chart.low <= wet[line] / dry[line] <= chart.high
            held[f"L9 {line} Wednesday inside"] = chart.changed_between is not None and chart.changed_between[0] <= make.WET_FROM - 1 <= chart.changed_between[1]
        yield held


def main(rise_seeds: int = 200, machine_seeds: int = 200) -> int:
    """Print the table."""
    for what, seeds, outcomes in (("rises", rise_seeds, map(rises, range(rise_seeds))), ("machine logs", machine_seeds, machines(machine_seeds))):
        began, counts = time.process_time(), {}
        for held in outcomes:
            for name, good in held.items():
                counts[name] = counts.get(name, 0) + bool(good)
        for name, count in counts.items():
            print(f"{name:32s} {count:5d} of {seeds}  {100.0 * count / seeds:5.1f} %")
        print(f"{what}: {time.process_time() - began:.0f} s of processor time", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:3])))
