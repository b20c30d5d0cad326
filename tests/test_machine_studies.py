"""Questions asked of machine logs and of lots: against the truth of the demo logs and against a general-purpose statistics library."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from demo_logs import LOGS, truth
from scipy import stats

from exhaustsim.constants import GAS_CONSTANT
from exhaustsim.plant.faults import DesignFault
from exhaustsim.plant.machinelog import load_machine_log
from exhaustsim.plant.trace import Event
from exhaustsim.studies.activationenergy import energy_from_ramps, energy_from_step
from exhaustsim.studies.lots import ValveFigure, compare_lots
from exhaustsim.studies.clocks import clock_offset
from exhaustsim.studies.drift import drift, rounds
from exhaustsim.studies.fitmodel import FitRefused
from exhaustsim.studies.follows import Reading, differences, flows_of_lines, what_it_follows
from exhaustsim.studies.gridgauge import calibrate, pressure_of_valve
from exhaustsim.studies.instrument import Instrument, log_of

#: L/s, net speed at the manifolds of RX16.
SPEEDS = {"G": 4.0, "R": 2.2, "F1": 2.2, "F2": 4.4, "D": 25.0}

# ---- demo logs -----------------------------------------------------------------------


def test_bad_head_follows_the_head():
    found = what_it_follows(flows_of_lines(load_machine_log(LOGS / "L7_bad_head.csv"), SPEEDS), expected=False, unit=" Pa L/s")
    true = truth("L7")
    assert [(x.factor, x.name) for x in found.outstanding] == [("head", str(true["head"]))]
    assert found.outstanding[0].low <= true["added_leak_Pa_L_per_s"] <= found.outstanding[0].high
    assert found.follows == "head" and "head 11" in found.sentence and "Positions are not judged" in found.sentence
    assert found.to_json()["follows"] == "head"


def test_bad_position_follows_the_position():
    found = what_it_follows(differences(load_machine_log(LOGS / "L8_bad_position.csv"), "anode_c", "rf_setting"), expected=True, unit=" K")
    true = truth("L8")
    first = found.outstanding[0]
    assert (first.factor, first.name) == ("position", str(true["position"]))
    assert first.low <= -true["anode_colder_by_K"] <= first.high
    assert all(x.factor == "position" for x in found.outstanding)
    assert found.explained["position"] > 0.8 > 0.1 > found.explained["head"]


def test_wet_week_moves_the_lines_of_the_oven_only():
    log = load_machine_log(LOGS / "L9_wet_week.csv")
    found = drift(rounds(log) | {"CO2": rounds(log, "line_co2_pa")["F2"]})
    true = truth("L9")
    assert set(found.moved) == set(true["moved"].split())
    assert set(found.stayed) == {*true["unmoved"].split(), "CO2"}
    charts = {c.position: c for c in found.charts}
    for line in found.moved:
        assert charts[line].low <= true[f"ratio_{line}"] <= charts[line].high
        low, high = charts[line].changed_between
        assert low <= true["changed_from_rotation"] - 1 <= high and high - low < 5
    assert charts["CO2"].low <= true["ratio_co2"] <= charts["CO2"].high
    assert "R by a factor" in found.sentence and found.to_json()["moved"] == found.moved


@pytest.mark.parametrize("name", ["L7_bad_head", "L8_bad_position", "L9_wet_week"])
def test_demo_log_says_that_it_is_invented_and_is_small(name):
    text = (LOGS / f"{name}.csv").read_text(encoding="utf-8")
    assert text.startswith("# Demonstration log, invented") and len(text) < 300_000


# ---- follows -------------------------------------------------------------------------


def rows(effect, seed=1, scatter=0.1, lots=("A", "B")):
    """Readings of five heads at four positions in eight rotations."""
    random = np.random.default_rng(seed)
    return [
        Reading(effect(h, p, lots[(h + t) % len(lots)]) + random.normal(0.0, scatter), (h,), (p,), (lots[(h + t) % len(lots)],))
        for t in range(8) for h in range(1, 6) for p in range(1, 5)
    ]  # fmt: skip


def test_a_lot_is_told_from_heads_and_positions():
    found = what_it_follows(rows(lambda h, p, lot: 0.3 if lot == "B" else 0.0), expected=True)
    assert found.follows == "lot"


def test_spikes_do_not_make_a_bad_head():
    spoiled = rows(lambda h, p, lot: 0.0)
    spoiled = [replace(r, value=5.0) if k % 40 == 7 else r for k, r in enumerate(spoiled)]
    found = what_it_follows(spoiled, expected=True)
    assert found.follows is None and found.put_aside >= 4 and "Nothing stands out" in found.sentence


def test_nothing_stands_out_of_scatter_oftener_than_promised():
    """5 % of 60 tables; more than 8 with a chance of 0.4 % (binomial)."""
    assert sum(what_it_follows(rows(lambda h, p, lot: 0.0, seed), expected=True).follows is not None for seed in range(60)) <= 8


def test_additive_table_agrees_with_means_of_a_balanced_table():
    """In a balanced table without spikes the effect of a head is its mean less that of the others."""
    table = rows(lambda h, p, lot: 0.2 * h, scatter=0.02, lots=("A",))
    found = what_it_follows(table, expected=True)
    means = {h: np.mean([r.value for r in table if r.heads == (h,)]) for h in range(1, 6)}
    got = {int(x.name): x.effect for x in found.levels if x.factor == "head"}
    # Effects are against the middle head; the bisquare weights of the few larger residuals move them by a fraction of their error, 0.5 %.
    assert got[5] == pytest.approx(means[5] - means[3], abs=2e-3)


def test_what_always_comes_together_is_named_together():
    random = np.random.default_rng(2)
    shared = [
        Reading(random.normal(0.5 if line == 1 else 0.0, 0.05), tuple((t + p - 1) % 6 + 1 for p in ps), ps, (), str(line))
        for t in range(30) for line, ps in enumerate(((1, 2, 3), (4, 5, 6)))
    ]  # fmt: skip
    found = what_it_follows(shared, expected=True)
    assert found.outstanding[0].name == "4 to 6" and any("cannot be told apart" in s for s in found.not_judged)


def test_tables_that_cannot_answer():
    with pytest.raises(FitRefused, match="one head only"):
        what_it_follows([Reading(1.0, (1,), (p,)) for p in range(1, 9)] * 3, expected=True)
    with pytest.raises(FitRefused, match="more rotations"):
        what_it_follows([Reading(1.0, (h,), (h,)) for h in range(1, 6)], expected=True)
    with pytest.raises(ValueError, match="head and a position"):
        what_it_follows([Reading(float("nan"), (1,), (1,))], expected=True)


# ---- machine log ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no header"),
        ("head,position,rotation_no\n1,2,3\n", "head_no"),
        ("head_no,position\n1,2\n", "neither time_iso"),
        ("head_no,position,rotation_no\n1,2\n", "2 fields"),
        ("head_no,position,rotation_no\n", "no rows"),
        ("head_no,head_no,position,rotation_no\n1,1,2,3\n", "twice"),
    ],
)
def test_faulty_machine_logs(tmp_path, text, words):
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DesignFault, match=words):
        load_machine_log(path)


def test_faulty_columns_name_their_rows(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("head_no,position,rotation_no,line_pressure_pa\n" + "1,2,1,bad\n" * 7 + "1.5,2,1,3\n", encoding="utf-8")
    log = load_machine_log(path)
    with pytest.raises(DesignFault, match="line 2") as fault:
        log.numbers("line_pressure_pa")
    assert "2 rows more" in str(fault.value)
    with pytest.raises(DesignFault, match="whole number"):
        log.whole("head_no")
    with pytest.raises(DesignFault, match="no such column"):
        log.text("line_pressure")
    with pytest.raises(DesignFault, match="cannot be read"):
        load_machine_log(tmp_path / "none.csv")
    assert log.index()[0] == "1" and len(log) == 8


# ---- lots ----------------------------------------------------------------------------


def lot(values, error=0.0):
    return [ValveFigure(f"V{k}", float(v), error) for k, v in enumerate(values)]


def test_ratio_without_errors_is_that_of_the_t_test():
    """scipy.stats.ttest_ind on the logarithms, equal scatter: value, chance and interval."""
    random = np.random.default_rng(3)
    a, b = np.exp(random.normal(0.0, 0.3, 7)), np.exp(random.normal(0.4, 0.3, 5))
    found = compare_lots(lot(a), lot(b))
    test = stats.ttest_ind(np.log(b), np.log(a))
    ends = np.exp(test.confidence_interval(0.95))
    assert found.chance == pytest.approx(test.pvalue, rel=1e-6)
    assert (found.low, found.high) == pytest.approx(tuple(ends), rel=1e-6)
    pooled = np.sqrt((6 * np.var(np.log(a), ddof=1) + 4 * np.var(np.log(b), ddof=1)) / 10)
    assert found.scatter == pytest.approx(pooled, rel=1e-6)
    # Interval of a standard deviation by chi-square, textbook form.
    assert found.scatter_low == pytest.approx(pooled * np.sqrt(10 / stats.chi2.ppf(0.975, 10)), rel=1e-6)
    assert found.scatter_high == pytest.approx(pooled * np.sqrt(10 / stats.chi2.ppf(0.025, 10)), rel=1e-6)


def test_errors_of_figures_are_taken_off_the_scatter_and_never_narrow_the_ratio():
    same = compare_lots(lot([1.0, 1.01, 0.99]), lot([1.0, 1.02, 0.98]), level=0.9)
    known = compare_lots(lot([1.0, 1.01, 0.99], 0.2), lot([1.0, 1.02, 0.98], 0.2), level=0.9)
    assert known.scatter == 0.0 and known.high / known.low > same.high / same.low
    # Two means of three figures each, 20 % error: 0.2 sqrt(2/3) times t of four degrees of freedom.
    assert np.log(known.high / known.ratio) == pytest.approx(0.2 * np.sqrt(2 / 3) * stats.t.ppf(0.95, 4), rel=1e-6)
    assert "no difference is shown" in known.sentence and known.to_json()["valves"] == (3, 3)


def test_lots_hold_the_ratio_as_often_as_they_say():
    """Unequal errors, scatter 20 %: 95 % of 150 is 142; outside 134 to 149 with a chance of 1 % or so (binomial)."""
    random, held = np.random.default_rng(8), 0
    for _ in range(150):
        errors = random.uniform(0.02, 0.3, 12)
        logs = random.normal(0.0, 0.2, 12) + errors * random.standard_normal(12) + np.repeat([0.0, np.log(1.6)], 6)
        valves = [ValveFigure(str(k), float(np.exp(x)), float(e)) for k, (x, e) in enumerate(zip(logs, errors, strict=True))]
        found = compare_lots(valves[:6], valves[6:])
        held += found.low <= 1.6 <= found.high
    assert 134 <= held <= 149


def test_lots_that_cannot_answer():
    with pytest.raises(FitRefused, match="2 valves"):
        compare_lots(lot([1.0, 2.0]), lot([1.0, 2.0, 3.0]))
    with pytest.raises(ValueError, match="above 0"):
        compare_lots(lot([1.0, -2.0, 1.0]), lot([1.0, 2.0, 3.0]))
    with pytest.raises(ValueError, match="more than once"):
        compare_lots([ValveFigure("A", 1.0)] * 3, lot([1.0, 2.0, 3.0]))


# ---- drift ---------------------------------------------------------------------------


def test_nothing_moved_and_limits_of_the_chart():
    random = np.random.default_rng(4)
    found = drift({"A": np.exp(random.normal(0.0, 0.1, 300)), "B": np.exp(random.normal(1.0, 0.1, 300))}, well=150)
    assert not found.moved and "Nothing moved" in found.sentence
    # Limits at three standard deviations, 10 % here.
    assert np.log(found.charts[0].upper / found.charts[0].middle) == pytest.approx(0.3, rel=0.15)


def test_drift_says_when_readings_hang_together_or_all_move():
    t = np.arange(60)
    slow = np.exp(0.3 * np.sin(t / 6.0))
    found = drift({"A": slow})
    assert found.moved == () or "hang together" in found.sentence
    stepped = np.where(t < 30, 1.0, 1.5) * np.exp(0.02 * np.random.default_rng(1).standard_normal(60))
    assert "All positions moved" in drift({"A": stepped}).sentence


def test_drift_that_cannot_answer():
    with pytest.raises(FitRefused, match="needed to tell"):
        drift({"A": [1.0] * 5})
    with pytest.raises(ValueError, match="different lengths"):
        drift({"A": [1.0] * 20, "B": [1.0] * 19})
    with pytest.raises(ValueError, match="above 0"):
        drift({"A": [0.0] * 20})


# ---- clocks --------------------------------------------------------------------------


def happenings(time):
    """What two gauges on one line would see: valves opened at moments that do not repeat themselves."""
    moments = [12.0 * k + 4.0 * np.sin(2.0 * k * k) for k in range(60)]
    return 1.0 + sum(np.exp(-np.clip(time - m, 0.0, None) / 3.0) * (1.0 - np.exp(-np.clip(time - m, 0.0, None) / 0.7)) for m in moments)


def test_clock_offset_inside_its_interval():
    """Fifteen pairs with an offset between two readings: the truth outside more than three intervals with a chance of 0.5 %."""
    time, held = np.arange(0.0, 400.0, 0.5), 0
    for seed in range(15):
        noise = Instrument(scatter=0.02)
        first = log_of(noise, time, happenings(time), 2 * seed)
        second = log_of(noise, time, 3.0 * happenings(time + 7.3), 2 * seed + 1)
        found = clock_offset(first, second, most=20.0, seed=seed)
        held += found.low <= 7.3 <= found.high
        assert abs(found.offset - 7.3) < 0.3
    assert held >= 12


def test_clock_with_events_and_clock_that_runs_wrong():
    time = np.arange(0.0, 600.0, 0.5)
    first = replace(log_of(Instrument(scatter=0.01), time, happenings(time), 1), events=(Event(100.0, "RF on"),))
    second = replace(log_of(Instrument(scatter=0.01), time, happenings(1.002 * time + 2.0), 2), events=(Event(97.0, "rf on "),))
    found = clock_offset(first, second, most=20.0)
    assert found.by_events == 3.0 and found.last_half > found.first_half + 0.3
    assert "events" in found.sentence and found.to_json()["by_events"] == 3.0


def test_clocks_that_cannot_be_compared():
    time = np.arange(0.0, 600.0, 0.5)
    first = log_of(Instrument(scatter=0.01), time, happenings(time), 1)
    with pytest.raises(FitRefused, match="found again"):
        clock_offset(first, log_of(Instrument(scatter=0.05), time, np.ones(len(time)), 2), most=20.0)
    with pytest.raises(FitRefused, match="in common"):
        clock_offset(first, first.between(0.0, 60.0), most=50.0)
    with pytest.raises(FitRefused, match="usable readings"):
        clock_offset(first, first.between(0.0, 5.0), most=1.0)
    with pytest.raises(FitRefused, match="end of the range"):
        clock_offset(first, log_of(Instrument(scatter=0.01), time, happenings(time + 2.0), 2), most=2.0)
    with pytest.raises(ValueError, match="above 0"):
        clock_offset(first, first, most=0.0)


# ---- activation energy ---------------------------------------------------------------


def step(energy, seed, actual, memory=0.0):
    """Readings that fall slowly and jump at 60 s, where the part goes from 400 K to `actual` [K]."""
    t = np.arange(0.0, 120.0)
    jump = np.where(t < 60.0, 1.0, np.exp(energy / GAS_CONSTANT * (1.0 / 400.0 - 1.0 / actual)))
    return log_of(Instrument(scatter=0.02, correlation_time=memory), t, 1e-3 * np.exp(-t / 200.0) * jump, seed)


def test_activation_energy_inside_its_interval():
    """Two hundred steps, the step of temperature known to 1 K: 95 % is 190, below 181 with a chance of 0.5 %."""
    random = np.random.default_rng(6)
    held = 0
    for seed in range(200):
        found = energy_from_step(step(100e3, seed, 420.0 + random.standard_normal(), 2.0), 60.0, 400.0, 420.0, temperature_error=1.0)
        held += found.low <= 100e3 <= found.high
    assert held >= 181


def test_activation_energy_says_what_makes_it_uncertain():
    assert "measure these better" in energy_from_step(step(100e3, 1, 420.0), 60.0, 400.0, 420.0, temperature_error=3.0).sentence
    none = energy_from_step(step(0.0, 1, 420.0), 60.0, 400.0, 420.0, temperature_error=0.5)
    assert "reaches zero" in none.sentence


def test_step_that_cannot_answer():
    with pytest.raises(FitRefused, match="usable readings before") as no:
        energy_from_step(step(100e3, 1, 420.0).between(55.0, 65.0), 60.0, 400.0, 420.0, 1.0)
    assert "usable readings after" in str(no.value)
    with pytest.raises(FitRefused, match="background"):
        energy_from_step(step(100e3, 1, 420.0), 60.0, 400.0, 420.0, 1.0, background=1e-2)
    with pytest.raises(ValueError, match="different temperatures"):
        energy_from_step(step(100e3, 1, 420.0), 60.0, 400.0, 400.0, 1.0)


def test_two_ramps_give_the_energy_of_the_reckoned_peaks():
    """100 kJ/mol, 1e13 1/s peaks at 371.51 K at 1 K/s and 398.13 K at 10 K/s (independent reckoning, first order)."""
    found = energy_from_ramps([1.0, 10.0], [371.51, 398.13], peak_error=0.5)
    # Peaks are printed to 0.01 K: 0.05 % of the energy.
    assert found.energy == pytest.approx(100e3, rel=1e-3) and found.low < 100e3 < found.high
    assert "nearly one pace" in energy_from_ramps([1.0, 2.0], [371.51, 379.0], 0.5).sentence


def test_one_ramp_is_a_range_with_a_warning():
    """400 K at 1 K/s with 1e13 1/s is 107.907 kJ/mol (independent reckoning, exact first-order peak)."""
    found = energy_from_ramps([1.0], [400.0], 1.0)
    assert found.energy == pytest.approx(107.907e3, rel=1e-5)
    assert found.low < 0.9 * found.energy and found.high > 1.1 * found.energy
    assert found.level is None and "not a measurement" in found.sentence and found.to_json()["how"] == "one ramp"


def test_ramps_that_cannot_answer():
    with pytest.raises(FitRefused, match="one pace"):
        energy_from_ramps([1.0, 1.01], [400.0, 400.1], 1.0)
    with pytest.raises(ValueError, match="above 0"):
        energy_from_ramps([1.0, -1.0], [400.0, 400.0], 1.0)


# ---- grid as a gauge -----------------------------------------------------------------


def test_constant_and_leakage_of_a_valve_as_gauge_inside_their_intervals():
    """Two hundred calibrations: 95 % is 190, below 181 with a chance of 0.5 %; readings with them likewise."""
    held = {"constant": 0, "leakage": 0, "pressure": 0}
    for seed in range(200):
        random = np.random.default_rng(seed)
        p = np.geomspace(1e-4, 1e-2, 14)
        ia = np.full(14, 6e-3)
        ig = (0.12 * ia * p + 1.5e-9) * (1.0 + 0.02 * random.standard_normal(14))
        own = calibrate(ia, ig, p * (1.0 + 0.03 * random.standard_normal()), "N2", pressure_error=0.03)
        held["constant"] += own.low <= 0.12 <= own.high
        held["leakage"] += own.leakage_low <= 1.5e-9 <= own.leakage_high
        read = pressure_of_valve(own, 6e-3, (0.12 * 6e-3 * 5e-4 + 1.5e-9) * (1.0 + 0.02 * random.standard_normal()))
        held["pressure"] += read.low <= 5e-4 <= read.high
    assert min(held.values()) >= 181
    assert "per pascal of N2" in own.sentence and "Pa" in read.sentence
    dark = pressure_of_valve(own, 6e-3, own.leakage)
    assert dark.low == 0.0 and "no more than leakage" in dark.sentence and dark.to_json()["low"] == 0.0
    assert own.to_json()["gas"] == "N2"


def test_calibrations_that_cannot_answer():
    p = np.geomspace(1e-4, 1e-2, 12)
    with pytest.raises(FitRefused, match="10 are needed"):
        calibrate(p[:5], p[:5], p[:5], "N2")
    with pytest.raises(FitRefused, match="cannot be told apart"):
        calibrate(np.ones(12), np.ones(12), np.linspace(1.0, 2.0, 12), "N2")
    with pytest.raises(ValueError, match="for every point"):
        calibrate(p, p[:3], p, "N2")
    with pytest.raises(ValueError, match="above 0"):
        calibrate(p, -p, p, "N2")
    with pytest.raises(ValueError, match="anode current"):
        pressure_of_valve(calibrate(np.full(12, 5e-3), 5e-4 * p, p, "N2"), 0.0, 1e-9)


def test_interval_of_ramps_is_the_error_of_the_peaks_carried_through():
    rates, peaks, error = [0.1, 1.0, 5.0], [400.0, 430.0, 455.0], 1.5
    found = energy_from_ramps(rates, peaks, error)
    moved = []
    for k in range(3):
        apart = [energy_from_ramps(rates, [p + sign * 0.01 * (n == k) for n, p in enumerate(peaks)], error).energy for sign in (1, -1)]
        moved.append((apart[0] - apart[1]) / 0.02)
    # These peaks lie a little off one line, and the place along it moves with a peak too: 3 %.
    assert found.high - found.energy == pytest.approx(1.95996 * error * np.sqrt(np.sum(np.square(moved))), rel=0.03)


def test_a_valve_that_leaks_less_than_the_one_calibrated_gives_no_pressure():
    p = np.geomspace(1e-4, 1e-2, 12)
    own = calibrate(np.full(12, 5e-3), 5e-3 * 0.1 * p + 2e-7, p, "N2")
    assert "a calibration of its own" in pressure_of_valve(own, 5e-3, 1e-9).sentence


def test_clocks_that_give_several_readings_one_time():
    t = np.arange(0.0, 400.0)
    coarse = t.copy()
    coarse[50] = coarse[49]
    first, second = (log_of(Instrument(scatter=0.01), at, 1.0 + 0.5 * np.sin(at / 7.0) + 0.3 * np.sin(at / 3.1), seed) for at, seed in ((t, 1), (coarse, 2)))
    assert abs(clock_offset(first, second, most=15.0).offset) < 0.2
