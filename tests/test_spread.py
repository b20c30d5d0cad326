"""The batch of valves: the same verdict as a full run, the same bits however it is done, and answers that hold water.

Witnesses: `simulate` and the loaded machine for single valves, scipy.stats and closed forms for intervals and
indices, and a rough reckoning made by other means for the pass rate against index time.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from concurrent.futures import BrokenExecutor, Future
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from benchmarks.spread_coverage import coverage
from exhaustsim.engine.loaded import simulate_machine
from exhaustsim.engine.network import number_valve
from exhaustsim.engine.observe import histories, rates_of
from exhaustsim.engine.phases import phases_of
from exhaustsim.engine.run import march_valve, simulate
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.faults import DesignFault
from exhaustsim.plant.incidents import OtherValves
from exhaustsim.plant.tolerances import Correlation, Tolerance, Tolerances, load_tolerances
from exhaustsim.plant.valve import Threshold
from exhaustsim.studies import batch as batch_module
from exhaustsim.studies.batch import CAUSES, NO_RESULT, REACHED, Cancelled, getter_taken, march_among, mean_batch, neighbours_of, reached
from exhaustsim.studies.contributions import CrossedDraws, contributions, indices, of_outcome
from exhaustsim.studies.flags import CHECKS
from exhaustsim.studies.intervals import pass_interval, quantile_interval
from exhaustsim.studies.scattered import with_values
from exhaustsim.studies.spread import GetterMargin, spread
from exhaustsim.studies.spreadflags import scatter_flag
from exhaustsim.studies.spreadstore import ChunkFolder, fingerprint
from exhaustsim.studies.verdict import judge
from exhaustsim.studies.yieldcurve import between, getter_curve, with_fill, yield_curve

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "demo_data"


def demo(name: str):
    return load_schedule(DEMO / "schedules" / f"{name}.toml")


@pytest.fixture(scope="module")
def standard():
    return demo("dt1_standard")


@pytest.fixture(scope="module")
def too_fast():
    return demo("dt1_too_fast")


@pytest.fixture(scope="module")
def scatter():
    return load_tolerances(DEMO / "tolerances" / "dt1.toml")


@pytest.fixture(scope="module")
def mean(standard):
    return simulate(standard)


@pytest.fixture(scope="module")
def batch(standard, scatter, mean):
    return mean_batch(standard, scatter, 5, False, mean)


# ---- one valve among neighbours --------------------------------------------------------


def test_the_drawing_among_its_like_is_the_run_of_simulate(standard, mean, batch):
    """Lines agree to 1e-3 when `simulate` ends, and so do the numbers of the verdict."""
    alone, full = judge(march_among(standard, batch.neighbours)), judge(mean)
    assert reached(alone) == pytest.approx(reached(full), rel=2e-3, abs=1e-6)
    assert [f.key for f in alone.flags] == [f.key for f in full.flags]
    assert alone.run.ledger.error < 1e-9


@pytest.mark.parametrize("name", ["dt1_too_fast", "dp2_too_hot"])
def test_every_reading_is_that_of_a_full_history(name):
    """Rates are evaluated at the flash position only: no reading may look for them elsewhere."""
    schedule = demo(name)
    neighbours = neighbours_of(simulate(schedule))
    quick = march_among(schedule, neighbours)
    valve = number_valve(schedule.valve, schedule.machine)
    phases = phases_of(schedule, valve)
    states, _ = march_valve(valve, phases, 0, len(phases.duration), neighbours.waves, valve.start.copy(), 1e-3, np.zeros(3, dtype=np.int64))
    whole = replace(quick, **histories(schedule, valve, phases, states, rates_of(valve, phases, states, neighbours.waves), neighbours.waves))
    assert np.isfinite(whole.evolution).all() and not np.isfinite(quick.evolution).all()
    for check in CHECKS:
        assert check.measure(quick) == check.measure(whole), check.key
    assert judge(quick).sentence == judge(whole).sentence


def test_a_sample_of_valves_is_judged_as_by_simulate(standard, scatter, batch):
    """`simulate` gives the neighbours the valve's own scatter too: that moves what is judged by less than 2 %, and no verdict."""
    rows = batch.rows(0, 2)
    for row in rows:
        changed = with_values(standard, scatter.tolerances, row["drawn"])
        verdict = judge(simulate(changed))
        assert bool(row["passed"]) == verdict.passes
        assert row["reached"] == pytest.approx(reached(verdict), rel=0.02, abs=1e-6)


def test_odd_valves_on_the_loaded_machine_are_those_of_the_batch(standard, scatter, mean):
    """Two odd valves, each in a head of its own, on the loaded machine with all other valves made to the drawing."""
    wide = Tolerances("x", "x", (Tolerance("bore", "normal"), Tolerance("coating_mass", "normal"), Tolerance("glass_water", "normal")))
    water = 4.1e-6 * 0.7
    odd = [with_values(standard, wide.tolerances, values) for values in ((2.85e-3, 3.4e-6, 1.3 * water), (3.1e-3, 2.7e-6, 0.8 * water))]
    heads = (1, 15)  # they come to position 1 first
    run = simulate_machine(standard, [OtherValves((head,), schedule) for head, schedule in zip(heads, odd, strict=True)], follow=heads, indices=20)
    neighbours = neighbours_of(mean)
    for head, schedule in zip(heads, odd, strict=True):
        journey = next(j for j in run.journeys if j.head == head and j.run.schedule.valve == schedule.valve)
        on_machine = judge(journey.run)
        of_batch = judge(march_among(schedule, neighbours))
        # Each odd valve moves the lines that the other one meets a little, and its own too.
        assert reached(of_batch)[:3] == pytest.approx(reached(on_machine)[:3], rel=5e-3)
        assert of_batch.passes == on_machine.passes


def test_a_valve_without_a_result_is_a_reject(standard, scatter, batch, monkeypatch):
    def fails(*_):
        raise batch_module.FailedRun("no")

    monkeypatch.setattr(batch_module, "march_among", fails)
    row = batch.rows(0, 1)[0]
    assert not row["passed"] and CAUSES[row["first"]] == NO_RESULT and row["failed"].sum() == 1
    found = spread(standard, scatter, 3, workers=1)
    assert found.no_result == 3 and found.pass_rate == 0.0 and "came to no result" in found.sentence
    assert found.getter is None


def test_lots_share_what_scatters_from_lot_to_lot(standard):
    tolerances = Tolerances(
        "x", "x", (Tolerance("anode_co", "lognormal", "lot", sigma=0.3), Tolerance("bore", "normal", sigma=5e-5)), lot_size=2
    )
    rows = mean_batch(standard, tolerances, 1, False, simulate(standard)).rows(1, 5)
    assert rows["lot"].tolist() == [0, 1, 1, 2]
    carbon, bore = rows["drawn"].T
    assert carbon[1] == carbon[2] and len(set(carbon)) == 3 and len(set(bore)) == 4
    found = spread(standard, tolerances, 3)
    assert found.lots == (2, 1.0, 1.0) and "these lots only" in found.sentence


# ---- the same numbers however it is done -----------------------------------------------


class OneByOne:
    """An executor that does the work when it is handed in, in this thread, and loses a chunk now and then."""

    def __init__(self, losses: int = 0, error: type = ConnectionError):
        self.losses, self.error, self.count = losses, error, 0

    def submit(self, work, *arguments):
        future: Future = Future()
        self.count += 1
        if self.losses:
            self.losses -= 1
            future.set_exception(self.error("the worker went"))
        else:
            future.set_result(work(*arguments))
        return future


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.fixture(scope="module")
def whole(tmp_path_factory, too_fast, scatter):
    """A study never interrupted: 12 valves in chunks of 2, on one thread."""
    folder = tmp_path_factory.mktemp("spread") / "whole"
    told = []
    found = spread(between_cards(too_fast), scatter, 12, seed=4, workers=1, out=folder, chunk=2, progress=lambda *done: told.append(done))
    assert told == [(k, 12) for k in range(0, 13, 2)]
    return folder, found


def between_cards(too_fast):
    """Some valves pass and some do not."""
    return between(demo("dt1_standard"), too_fast, 7.4)


def test_the_same_whatever_workers_and_chunks(whole, too_fast, scatter, tmp_path):
    folder, found = whole
    other = spread(between_cards(too_fast), scatter, 12, seed=4, workers=2, chunk=5, out=tmp_path / "other")
    assert other.to_json() == found.to_json()
    rows = [np.concatenate([np.load(f) for f in sorted(x.glob("*.npy"))]).tobytes() for x in (folder, tmp_path / "other")]
    assert rows[0] == rows[1]
    assert 0 < found.passed < 12
    assert found.passed + sum(c.first for c in found.causes) == 12
    assert all(c.first <= c.all for c in found.causes)


STUDY = """
import sys
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.tolerances import load_tolerances
from exhaustsim.studies.spread import spread
from exhaustsim.studies.yieldcurve import between
cards = [load_schedule(f"demo_data/schedules/dt1_{name}.toml") for name in ("standard", "too_fast")]
spread(between(*cards, 7.4), load_tolerances("demo_data/tolerances/dt1.toml"), 12, seed=4, workers=2, out=sys.argv[1], chunk=2)
"""


def killed_after(chunks: int, folder: Path) -> None:
    """Begin the study in a process of its own, and kill it so soon after so many chunks are there."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    process = subprocess.Popen([sys.executable, "-c", STUDY, str(folder)], cwd=ROOT, env=environment)
    while process.poll() is None and not ((folder / "manifest.json").exists() and len(list(folder.glob("valves*"))) >= chunks):
        time.sleep(0.005)
    time.sleep(random.uniform(0.0, 0.1))
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert process.returncode == -signal.SIGKILL, "it should have been killed in mid-study"


def test_killed_at_random_moments_and_resumed_equals_uninterrupted(whole, too_fast, scatter, tmp_path):
    """SIGKILL twice, once before and once after there is anything to keep; then the study is begun again in the same folder."""
    folder = tmp_path / "killed"
    for chunks in (0, 3):
        killed_after(chunks, folder)
        before = {path.name: path.stat().st_mtime_ns for path in folder.glob("valves*")}
        assert chunks <= len(before) < 6
    (folder / ".valves_000003.npy.half").write_bytes(b"what a kill leaves")
    # Nothing is lost: what was there is not done again.
    spread(between_cards(too_fast), scatter, 12, seed=4, workers=1, out=folder, chunk=2)
    assert all((folder / name).stat().st_mtime_ns == then for name, then in before.items())
    assert contents(folder) == contents(whole[0])


def test_stopped_by_its_user_and_resumed(whole, too_fast, scatter, tmp_path):
    asked = iter([False] * 7 + [True] * 100)
    with pytest.raises(Cancelled, match="of 12 valves"):
        spread(between_cards(too_fast), scatter, 12, seed=4, workers=1, out=tmp_path, chunk=2, cancel=lambda: next(asked))
    done = len(list(tmp_path.glob("valves*")))
    assert 0 < done < 6 and not (tmp_path / "result.json").exists()
    told = []
    spread(between_cards(too_fast), scatter, 12, seed=4, workers=1, out=tmp_path, chunk=2, progress=lambda *x: told.append(x))
    assert told[0] == (2 * done, 12)
    assert contents(tmp_path) == contents(whole[0])


def copied(whole, tmp_path):
    for name, data in contents(whole[0]).items():
        (tmp_path / name).write_bytes(data)
    return tmp_path


def test_a_damaged_chunk_is_done_again_and_a_lost_worker_costs_its_chunk(whole, too_fast, scatter, tmp_path):
    folder = copied(whole, tmp_path)
    (folder / "valves_000002.npy").write_bytes(b"\x93NUMPY")
    executor = OneByOne(losses=2)
    spread(between_cards(too_fast), scatter, 12, seed=4, executor=executor, out=folder, chunk=2)
    assert executor.count == 3
    assert contents(folder) == contents(whole[0])


def test_a_chunk_lost_again_and_again_is_an_error_and_a_fault_of_ours_is_not_tried_again(whole, too_fast, scatter, tmp_path):
    folder = copied(whole, tmp_path)
    (folder / "valves_000002.npy").unlink()
    for executor, error, count in (
        (OneByOne(9), RuntimeError, 3), (OneByOne(9, BrokenExecutor), RuntimeError, 1), (OneByOne(9, ZeroDivisionError), ZeroDivisionError, 1),
    ):  # fmt: skip
        with pytest.raises(error):
            spread(between_cards(too_fast), scatter, 12, seed=4, executor=executor, out=folder, chunk=2)
        assert executor.count == count


def test_a_folder_of_another_study_is_refused(whole, too_fast, scatter, tmp_path):
    folder = copied(whole, tmp_path)
    with pytest.raises(DesignFault) as problem:
        spread(demo("dt1_standard"), replace(scatter, tolerances=scatter.tolerances[:2]), 19, seed=5, out=folder, chunk=2)
    keys = {fault.key for fault in problem.value.faults}
    assert keys == {"schedule_fingerprint", "tolerances_fingerprint", "valves", "seed"}
    assert contents(folder) == contents(whole[0])
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "letter.txt").write_text("dear sir")
    with pytest.raises(DesignFault, match="letter.txt"):
        spread(demo("dt1_standard"), scatter, 2, out=tmp_path / "other")
    (folder / "manifest.json").write_text("{")
    with pytest.raises(DesignFault, match="cannot be read"):
        spread(between_cards(too_fast), scatter, 12, seed=4, out=folder, chunk=2)


def test_a_fingerprint_changes_with_any_number_and_not_with_the_path(standard):
    assert fingerprint(standard) == fingerprint(load_schedule(os.path.relpath(DEMO / "schedules" / "dt1_standard.toml")))
    nearly = replace(standard, valve=replace(standard.valve, in_leak=5e-324))
    assert fingerprint(nearly) != fingerprint(standard)


def test_bad_requests_are_refused_whole(standard, scatter):
    with pytest.raises(TypeError, match="load_tolerances"):
        spread(standard, "dt1.toml", 10)
    with pytest.raises(DesignFault) as problem:
        spread(standard, scatter, 0, seed=-1, workers=0)
    assert len(problem.value.faults) == 3
    with pytest.raises(DesignFault, match="power of two"):
        contributions(standard, scatter, 6)
    with pytest.raises(DesignFault, match="no outcome"):
        contributions(standard, scatter, 8, outcome="luck")
    with pytest.raises(DesignFault, match="must be above 3.2 s"):
        yield_curve(standard, scatter, [3.0, 12.0], 4)
    with pytest.raises(DesignFault, match="needs an index time"):
        yield_curve(standard, scatter, [], 4)
    with pytest.raises(DesignFault, match="above zero"):
        getter_curve(standard, scatter, [0.0], 4)
    with pytest.raises(DesignFault, match="same valve and machine"):
        yield_curve(standard, scatter, [10.0], 4, quicker=demo("dp2_standard"))
    with pytest.raises(DesignFault, match="index times of the two cards"):
        yield_curve(standard, scatter, [13.0], 4, quicker=demo("dt1_too_fast"))


# ---- intervals, indices, flag ----------------------------------------------------------


@pytest.mark.parametrize(("passed", "n"), [(0, 10), (3, 10), (97, 100), (100, 100), (1999, 2000)])
def test_pass_interval_is_that_of_clopper_and_pearson(passed, n):
    """Witness: scipy.stats.binomtest, which finds the ends as roots of binomial tails."""
    witness = stats.binomtest(passed, n).proportion_ci(0.95, method="exact")
    assert pass_interval(passed, n) == pytest.approx((witness.low, witness.high), abs=1e-9)


@pytest.mark.parametrize("truth", [0.5, 0.9, 0.97, 0.999])
@pytest.mark.parametrize("n", [50, 400])
def test_pass_interval_covers_any_truth(truth, n):
    """Exact: the binomial weights of all counts whose interval holds the truth add up to 95 % at least."""
    counts = np.arange(n + 1)
    holds = np.array([low <= truth <= high for low, high in (pass_interval(int(k), n) for k in counts)])
    assert stats.binom.pmf(counts[holds], n, truth).sum() >= 0.95


def test_coverage_of_many_small_studies():
    """The longer command does this with 20 000 marched valves; here with made-up ones, and once with valves that are not alike."""
    passed = np.random.default_rng(1).random(20_000) < 0.9
    held, least = coverage(passed, 400, 50)
    assert held >= 0.95 > least > 0.9
    assert coverage(np.sort(passed), 400, 50)[0] < least


def test_quantile_interval_covers_the_quantile():
    """Exact: the number of values below the quantile is binomial, so the two ranks hold it with 95 % at least."""
    value, low, high = quantile_interval(np.arange(1, 1001.0), 0.99)
    assert low < value < high
    assert stats.binom.cdf(high - 1, 1000, 0.99) - stats.binom.cdf(low - 1, 1000, 0.99) >= 0.95
    assert quantile_interval(np.arange(200.0), 0.99)[2] == np.inf


def test_indices_are_those_of_a_function_known_in_closed_form():
    """The function of Ishigami and Homma with a = 7, b = 0.1: first order 0.3139, 0.4424, 0, total 0.5576, 0.4424, 0.2437.

    Source: closed form, Sobol and Levitan, Computer Physics Communications 117 (1999) 52.
    """
    both = 2 * np.pi * stats.qmc.Sobol(6, seed=np.random.default_rng(1)).random(1024) - np.pi
    a, b = both[:, :3], both[:, 3:]

    def function(x):
        return np.sin(x[:, 0]) + 7 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])

    mixed = np.array([function(np.where(np.arange(3) == k, b, a)) for k in range(3)])
    alone, in_all, (spans, totals) = indices(function(a), function(b), mixed, np.random.default_rng(2))
    first, total = (0.3139, 0.4424, 0.0), (0.5576, 0.4424, 0.2437)
    assert alone == pytest.approx(first, abs=0.03) and in_all == pytest.approx(total, abs=0.03)
    assert all(low <= x <= high for (low, high), x in zip([*spans, *totals], [*first, *total], strict=True))


def test_flag_needs_a_sound_drawing_and_too_many_rejects(standard):
    assert scatter_flag(standard, True, 0.97, (0.9, 1.0)) is None
    assert scatter_flag(standard, True, 0.969, (0.9, 1.0)).level == "warn"
    stop = scatter_flag(standard, True, 0.899, (0.85, 0.93))
    assert (stop.level, stop.limit, stop.key) == ("stop", 90.0, "sub_target_by_scatter")
    assert "85% to 93" in stop.sentence
    assert scatter_flag(standard, False, 0.5, (0.4, 0.6)) is None
    own = replace(standard, valve=replace(standard.valve, thresholds={stop.key: Threshold(0.5, 0.4, "a pilot lot")}))
    assert scatter_flag(own, True, 0.6, (0.5, 0.7)) is None
    assert "a pilot lot" in scatter_flag(own, True, 0.45, (0.4, 0.5)).sentence
    assert scatter_flag(own, True, 0.0, (0.0, 0.1)).beyond == np.inf


def test_getter_margin_tells_what_would_do():
    """By hand: 9 % spent of a target of 15 % leaves four tenths of 4.0 mg; 11.25 % at the upper end asks for 3 mg."""
    margin = GetterMargin(0.09, (0.08, 0.1125), 0.15, 4e-6)
    assert margin.margin == pytest.approx(0.4) and margin.least_barium == pytest.approx(2.4e-6)
    assert "3.0 mg of barium in place of 4.0 mg would do" in margin.sentence
    assert "too few valves" in replace(margin, interval=(0.08, np.inf)).sentence
    assert "too small" in replace(margin, spent=0.2, interval=(0.1, 0.3)).sentence
    assert replace(margin, interval=(0.08, np.inf)).to_json()["interval"] == [0.08, None]


# ---- what the trade reckons ------------------------------------------------------------


def test_settings_of_another_index_time(standard, too_fast):
    """Between two cards lie the two cards, and nearly the third."""
    assert between(standard, too_fast, 12.0).positions[7].rf.power == pytest.approx(standard.positions[7].rf.power)
    assert between(standard, too_fast, 6.0).positions[13].rf.power == pytest.approx(too_fast.positions[13].rf.power)
    assert between(standard, too_fast, 6.0).positions[13].rf.duration == pytest.approx(2.8)
    faster, middle = demo("dt1_faster"), between(standard, too_fast, 9.5)
    assert middle.positions[13].rf.power["getter_holder"] == pytest.approx(faster.positions[13].rf.power["getter_holder"], rel=0.05)
    assert with_fill(standard, 2e-6).valve.getter.flash_gas == 0.5 * standard.valve.getter.flash_gas


#: Index time [s] -> share of valves whose CO2 left over takes under a tenth of the getter, reckoned with 150 valves.
RECKONED = {12.0: 1.00, 9.5: 0.99, 8.5: 0.95, 8.0: 0.87, 7.0: 0.55, 6.0: 0.09}


def test_pass_rate_against_index_time_is_as_reckoned_within_a_third_in_time(standard, too_fast, scatter):
    """Source: a rough reckoning by other means, "within about a third in time"; heater steps as standard, RF and oven to suit.

    The curve lies 0.6 to 0.8 s below the reckoned one: the reckoning left the hot anode out, which makes the sleeve
    hotter by 40 K and more at the first heater steps.  By the whole verdict it falls sooner than by CO2 alone, by cold bake.
    """
    curve = yield_curve(standard, scatter, [6.0, 7.0, 12.0], 12, quicker=too_fast, seed=2)
    ours = {p.setting: p.taken[0] / 12 for p in curve.points}
    assert ours[12.0] == 1.0 and curve.points[-1].spread.passed == 12
    assert ours[6.0] < ours[7.0] < 1.0
    assert curve.points[0].spread.passed == 0
    times = sorted(RECKONED)
    for index_time, share in ours.items():
        low, high = np.interp([index_time / 1.33, index_time * 1.33], times, [RECKONED[t] for t in times])
        # A count of 12 valves leaves the truth anywhere in its exact interval.
        least, most = pass_interval(round(12 * share), 12)
        assert most >= low and least <= high, index_time
    assert all(p.taken[0] <= p.taken[1] for p in curve.points)
    assert "12.0 s" in curve.sentence and len(curve.text_rows()) == 4
    assert curve.to_json()["points"][0]["pass_rate"] == 0.0


def test_cathode_temperature_rules_the_breakdown(standard, too_fast, scatter):
    """Source: "cathode temperature rules index time", of cathode, coating, bore and barium within ordinary scatter."""
    found = contributions(between(standard, too_fast, 7.0), scatter, 4, outcome="converted_fraction")
    assert found.rows[0].name == "cathode_temperature" and found.valves == 24
    assert found.rows[0].in_all > 2 * found.rows[1].in_all
    assert found.rows[-1].name == "barium" and abs(found.rows[-1].in_all) < 0.01
    assert "cathode temperature" in found.sentence and len(found.text_rows()) == 5
    assert found.to_json()["rows"][0]["what"] == "cathode temperature, one sigma 12 K"


def test_nothing_moves_an_outcome_that_does_not_scatter(standard, scatter, batch):
    work = CrossedDraws(batch, 4)
    assert work.uniform().shape == (24, 4)
    found = of_outcome(standard, scatter, 1, 4, "converted_fraction", np.ones(24))
    assert "nothing that scatters" in found.sentence
    assert all(row.in_all == 0.0 for row in found.rows)


def test_getter_taken_counts_what_is_locked_over_what_can_be_buried(mean):
    """By hand: 4.0 mg, eight tenths of which leave the ring, bury 2 Pa L/mg of CO2; 3.2 Pa L locked takes half of that."""
    from exhaustsim.units import PASCAL_LITRE

    locked = 3.2 * PASCAL_LITRE
    share = 1.0 - locked / mean.schedule.valve.coating.carbonate
    assert getter_taken(judge(replace(mean, converted_fraction=np.full(len(mean.time), share)))) == pytest.approx(0.5, rel=1e-6)


def test_folder_gives_columns_in_valve_order(whole, scatter):
    folder, found = whole
    import json

    manifest = json.loads((folder / "manifest.json").read_text())
    chunks = ChunkFolder(folder, manifest, batch_module.row_type(scatter))
    column = chunks.column("reached", REACHED.index("bulb_pressure"))
    assert len(column) == 12 and chunks.missing() == []
    assert found.quantiles["bulb_pressure"][2] == pytest.approx(np.median(column))
    (folder / "valves_000005.npy").rename(folder / "gone")
    with pytest.raises(OSError, match="taken away"):
        chunks.column("reached", 0)
    (folder / "gone").rename(folder / "valves_000005.npy")


def test_contributions_own_up_to_correlations_that_they_leave_out(standard, scatter):
    together = replace(scatter, correlations=(Correlation("bore", "barium", 0.5),))
    reached = np.random.default_rng(1).uniform(0.2, 0.8, 24)
    assert "correlations" in of_outcome(standard, together, 1, 4, "converted_fraction", reached).sentence
    assert "correlations" not in of_outcome(standard, scatter, 1, 4, "converted_fraction", reached).sentence
