"""The figures of `bench.json`, one function for each group.

To add a figure, write a function that takes the `Bench` and returns its keys with their values,
and put it into `FIGURES`.  A key appears once its feature exists.
"""

from __future__ import annotations

import sys
from functools import cached_property

import numpy as np

import exhaustsim
from benchmarks import footprint
from benchmarks.anatomy import anatomy, anatomy_text
from benchmarks.case import DEMO, case_of, processor_seconds, standard_schedule
from benchmarks.competitors import compete, competition_text
from benchmarks.fit_bench import fit_figures
from benchmarks.growth import growth, growth_text
from benchmarks.slider_bench import slider_to_picture
from benchmarks.spread_bench import spread_memory, spread_speed
from benchmarks.transmission_bench import molecules_per_second
from benchmarks.variants import with_positions
from exhaustsim.engine.loaded import simulate_machine

HEADS = (8, 16, 32, 48)
TURNS = 8  # indices timed


class Bench:
    """What the figures share: the case, the growing text of the report, and a voice on stderr."""

    def __init__(self):
        self.text = []

    def say(self, what: str) -> None:
        print(f"  {what}", file=sys.stderr, flush=True)

    def report(self, title: str, body: str) -> None:
        self.text.append(f"{title}\n\n{body}\n")

    @cached_property
    def schedule(self):
        return standard_schedule()

    @cached_property
    def case(self):
        return case_of(self.schedule)


def one_valve(bench: Bench) -> dict:
    """One march of DT-1 standard at the default tolerance, whole run, and where the time of a step goes."""
    found = anatomy(bench.case)
    whole = processor_seconds(lambda: exhaustsim.simulate(bench.schedule), 5)
    bench.report("Anatomy of a step", anatomy_text(found))
    return {
        "single_cpu_ms": found["march_ms"], "simulate_cpu_ms": 1e3 * whole, "steps": found["steps"],
        "rejected": found["rejected"], "evaluations": found["evaluations"],
        "anatomy": {name: share for name, (_, _, share) in found["rows"].items()},
    }  # fmt: skip


def against_libraries(bench: Bench) -> dict:
    """Processor time of general-purpose solvers over that of the engine, at its achieved error."""
    arena, rows = compete(bench.schedule, bench.case, bench.say)
    bench.report("The same equations by general-purpose solvers", competition_text(arena, rows))
    reached = [row for row in rows if np.isfinite(row.rtol)]
    plain = [row for row in reached if "NumPy" in row.name and "BDF" in row.name]
    library = [row for row in reached if "exact" in row.name]
    out = {"error_at_position_ends": arena.own_error["whole"]}
    if plain:
        out["ratio_scipy_bdf"] = min(row.ratio for row in plain)
        out["ratio_scipy_bdf_one_state_in_a_call"] = max(row.ratio for row in plain)
    for key, phases in (("ratio_best_library_machine", "machine"), ("ratio_best_library_whole", "whole")):
        ratios = [row.ratio for row in library if row.phases == phases]
        if ratios:
            out[key] = min(ratios)
    out["ratio_best_library"] = min(row.ratio for row in library)
    out["solvers"] = [
        {
            "name": row.name, "phases": row.phases, "rtol": row.rtol, "error": row.error, "cpu_s": row.seconds, "ratio": row.ratio,
            "note": row.note, "rungs": [dict(zip(("rtol", "error", "ratio"), rung, strict=True)) for rung in row.rungs],
        }
        for row in reached
    ]  # fmt: skip
    return out


def growing(bench: Bench) -> dict:
    """Time and steps against positions, parts, bins and gases."""
    found = growth(bench.schedule, bench.say)
    bench.report("Growth of one march", growth_text(found))
    return {"growth": found}


def loaded_machine(bench: Bench) -> dict:
    """24 heads of DP-2 on RX24 from empty to the cyclic steady state, and time against the number of heads."""
    bench.say("the loaded machine")
    large = exhaustsim.load_schedule(DEMO / "dp2_standard.toml")
    settled = simulate_machine(large, from_empty=True, follow=False)
    seconds = processor_seconds(lambda: simulate_machine(large, from_empty=True, follow=False), 3)
    rows = []
    for heads in HEADS:
        schedule = with_positions(bench.schedule, heads)
        # A run of one index tells what it takes to find the steady state to begin with.
        once, often = (processor_seconds(lambda s=schedule, n=n: simulate_machine(s, indices=n, follow=False), 3) for n in (1, 1 + TURNS))
        rows.append({"heads": heads, "cpu_s_an_index": (often - once) / TURNS})
    x, y = (np.log([row[name] for row in rows]) for name in ("heads", "cpu_s_an_index"))
    exponent = float(np.polyfit(x, y, 1)[0])
    table = "\n".join(f"{row['heads']:>4} heads: {1e3 * row['cpu_s_an_index']:.1f} ms an index" for row in rows)
    bench.report(
        "The loaded machine",
        f"24 heads, DP-2 on RX24, from empty until nothing changes by more than 1e-6 an index: {seconds:.2f} s, "
        f"{settled.settled} indices\nDT-1 on machines of other sizes, all heads loaded:\n{table}\ntime grows as heads^{exponent:.2f}",
    )
    return {"machine24_cpu_s": seconds, "machine24_indices": settled.settled, "machine_growth": rows, "machine_growth_exponent": exponent}


def ledgers(bench: Bench) -> dict:
    """Worst gas ledger of all demo schedules, as a share of the inventory."""
    bench.say("ledgers of all demo schedules")
    drift = {path.stem: exhaustsim.simulate(exhaustsim.load_schedule(path)).ledger.error for path in sorted(DEMO.glob("*.toml"))}
    worst = max(drift, key=drift.get)
    bench.report("Gas ledger", f"worst of {len(drift)} demo schedules: open by {drift[worst]:.1e} of the inventory ({worst})")
    return {"ledger_drift": drift[worst]}


def waiting(bench: Bench) -> dict:
    """What a user waits for, wall time."""
    bench.say("start of the program")
    out = {"help_s": footprint.help_seconds(), "import_s": footprint.import_seconds()}
    bench.say("comparison of three schedules with report")
    compare = footprint.compare_seconds()
    bench.say("first use with nothing compiled (half a minute, more on a busy machine)")
    cold, warm = footprint.compile_seconds()
    out |= {
        "compare_warm_s": compare.wall, "compare_warm_cpu_s": compare.processor, "compile_cold_s": cold.wall,
        "compile_cold_cpu_s": cold.processor, "run_warm_s": warm.wall, "run_warm_cpu_s": warm.processor,
    }  # fmt: skip
    bench.report(
        "Waiting (wall time; in brackets processor time)",
        f"exhaustsim --help {out['help_s']:.2f} s, import exhaustsim {out['import_s']:.2f} s (both with the start of Python)\n"
        f"compare of three schedules with report, code stored: {compare.wall:.1f} s ({compare.processor:.1f})\n"
        f"first run of all, nothing compiled: {cold.wall:.1f} s ({cold.processor:.1f}); "
        f"the next: {warm.wall:.1f} s ({warm.processor:.1f})",
    )
    return out


def memory(bench: Bench) -> dict:
    """Resident memory of a process, and arrays of one valve."""
    bench.say("memory")
    loaded, peak = footprint.peak_memory()
    tables, states = footprint.valve_memory(bench.schedule)
    bench.report(
        "Memory",
        f"process with the engine loaded {loaded:.0f} MB, with DT-1 standard run {peak:.0f} MB at its peak\n"
        f"one more valve: {tables:.2f} MB of tables and times, {states:.1f} MB of states at the sample times",
    )
    return {"memory_loaded_mb": loaded, "memory_peak_mb": peak, "valve_tables_mb": tables, "valve_states_mb": states}


def tracing(bench: Bench) -> dict:
    """Molecules traced through exhaust stems of every shape."""
    found = molecules_per_second(molecules=100_000, repeats=3)
    rows = {shape: figures["molecules_per_cpu_s_1_thread"] for shape, figures in found.items()}
    bench.report(
        "Molecules traced, millions a second of processor time, one thread",
        "\n".join(f"{shape:30}{rate / 1e6:6.2f}" for shape, rate in rows.items()),
    )
    return {"molecules_per_cpu_s": min(rows.values()), "tracing": found}


def slider(bench: Bench) -> dict:
    """From a key on a slider of the desk to the painted picture, wall time in a browser; no keys where there is none."""
    bench.say("slider to picture, in a browser")
    found = slider_to_picture()
    if found is None:
        bench.report("Slider to picture", "no Chromium-family browser: not measured")
        return {}
    bench.report("Slider to picture", f"median {found['slider_ms_median']:.0f} ms, worst of {found['moves']} {found['slider_ms_worst']:.0f} ms")
    return {key: found[key] for key in ("slider_ms_median", "slider_ms_worst")}


FIGURES = [one_valve, growing, loaded_machine, ledgers, spread_speed, spread_memory, fit_figures, tracing, memory, waiting, slider, against_libraries]
