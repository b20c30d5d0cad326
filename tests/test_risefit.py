"""Fits of rises: the demo logs against their truth, what is refused, and what the intervals hold."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from demo_logs import LOGS, rise_tests, truth

from exhaustsim.plant.trace import Trace
from exhaustsim.studies import rise
from exhaustsim.studies.lots import ValveFigure, compare_lots
from exhaustsim.studies.fitmodel import FitRefused
from exhaustsim.studies.instrument import Instrument, log_of
from exhaustsim.studies.risefit import compare_surrounds, fit_rise
from exhaustsim.studies.throughput import fit_throughput

VOLUME, SD = 15.2e-6, 0.4e-6  # m3, as the demo logs give it
# Molar mass [kg/mol] and viscosity [Pa s] of air and argon at 20 degC: handbook values, four figures, from memory.
MASSES, VISCOSITIES = (0.02897, 0.03995), (1.82e-5, 2.23e-5)


def inside(estimate, value):
    return estimate.low <= value <= estimate.high


@pytest.fixture(scope="module")
def leaker():
    return {row["surround_gas"]: fit_rise(t, VOLUME, SD, surround=row["surround_gas"], scale_error=0.05) for t, row in rise_tests("L3_rise_leaker.csv").values()}


@pytest.fixture(scope="module")
def gassy():
    return fit_rise(rise_tests("L4_rise_gassy.csv")["R-1"][0], VOLUME, SD, scale_error=0.05, floor=1e-4)


def test_leaker_is_a_leak(leaker):
    air = leaker["air"]
    assert air.speaks_for == "leak" and air.model == "straight"
    assert inside(air.throughput, truth("L3")["throughput_Pa_m3_per_s"])
    assert inside(air.halves, 1.0) and air.halves.low > 0.8
    assert any("argon" in n for n in air.next_experiments)
    assert any("permeation" in w for w in air.cannot_tell)
    assert "leak" in air.sentence and air.to_json()["model"] == "straight"
    # 1 Pa m3/s at 20 degC is 4.103e-4 mol/s, by the gas law.
    assert air.molar_flow.value == pytest.approx(4.1028e-4 * air.throughput.value, rel=1e-4)


def test_argon_round_the_leaker_excludes_gas_from_inside(leaker):
    found = compare_surrounds(leaker["air"], leaker["argon"], MASSES, VISCOSITIES, 1.3, 0.01)
    assert inside(found.ratio, truth("L3")["shown_ratio_argon_to_air"])
    assert "a molecular leak" in found.fitting and "gas from inside" not in found.fitting
    assert inside(found.leak_share, 1.0)
    assert "excludes" in found.sentence and found.to_json()["names"] == ["air", "argon"]
    with pytest.raises(ValueError, match="gas factor 1"):
        compare_surrounds(leaker["air"], replace(leaker["argon"], gas_factor=1.3), MASSES, VISCOSITIES, 1.3)


def test_gas_from_inside_does_not_care_what_stands_outside(gassy):
    again = rise_tests("L4_rise_gassy.csv")["R-1"][0]
    other = fit_rise(replace(again, reading=again.reading * np.exp(0.01 * np.random.default_rng(1).standard_normal(len(again)))), VOLUME, SD, surround="argon")
    found = compare_surrounds(gassy, other, MASSES, VISCOSITIES, 1.3)
    assert "gas from inside" in found.fitting and "a molecular leak" not in found.fitting


def test_gassy_rise_is_outgassing_without_a_leak(gassy):
    assert gassy.model == "one over time" and gassy.speaks_for == "outgassing"
    assert inside(gassy.throughput, truth("L4")["throughput_Pa_m3_per_s"])
    assert inside(gassy.leak_at_most, 0.0) and gassy.leak_at_most.high < 0.02 * gassy.throughput.value
    assert any("no leak is supported" in e for e in gassy.evidence)
    assert gassy.halves.high < 0.5


def test_trapped_gas_runs_out():
    found = fit_rise(rise_tests("L5_rise_virtual_leak.csv")["R-1"][0], VOLUME, SD, scale_error=0.05, floor=0.1)
    true = truth("L5")
    assert found.model == "levelling" and found.speaks_for == "runs out"
    assert inside(found.amount, true["amount_Pa_m3"]) and inside(found.time_constant, true["time_constant_s"])
    assert inside(found.throughput, true["amount_Pa_m3"] / true["time_constant_s"])
    assert any("trapped volume" in w and "taken" not in w for w in found.cannot_tell)
    assert "0.5" in found.sentence


def test_two_lots_differ_by_the_ratio_that_was_made():
    lots = {"A": [], "B": []}
    for test, row in rise_tests("L6_two_lots.csv").values():
        flow = fit_rise(test, VOLUME, 0.0, age=truth("L6")["age_s"]).throughput
        # Half width of a 95 % interval of the logarithm over 1.96.
        lots[row["lot_id"]].append(ValveFigure(row["valve_id"], flow.value, math.log(flow.high / flow.low) / 3.92))
    found = compare_lots(lots["A"], lots["B"], ("lot A", "lot B"))
    assert found.valves == (6, 6)
    assert found.low <= truth("L6")["ratio"] <= found.high and found.low > 1.0
    assert found.scatter_low <= truth("L6")["scatter_between_valves"] <= found.scatter_high
    assert found.error < found.scatter
    assert "6 and 6 valves" in found.sentence


def test_eight_points_are_refused_with_reasons():
    with pytest.raises(FitRefused) as no:
        fit_rise(rise_tests("L11_not_enough.csv")["R"][0], VOLUME, SD)
    assert "good readings" in str(no.value) and no.value.next_experiments


def test_the_files_are_what_their_maker_makes(tmp_path, monkeypatch):
    """Sameness only: files and truth have not been edited by hand, and the seeds give them again."""
    monkeypatch.syspath_prepend(str(LOGS))
    import make_rise_logs

    monkeypatch.setattr(make_rise_logs, "HERE", tmp_path)
    assert make_rise_logs.main() == 0
    made = [path.relative_to(tmp_path) for path in tmp_path.rglob("*.*")]
    assert len(made) == 10
    assert all((LOGS / path).read_text(encoding="utf-8") == (tmp_path / path).read_text(encoding="utf-8") for path in made)


# ---- what else a rise may be ---------------------------------------------------------

GAUGE = Instrument(scatter=0.005)
TIME = np.arange(0.0, 600.0, 6.0)


def fitted(pressure, **options):
    return fit_rise(log_of(GAUGE, TIME, pressure, seed=2), 15e-6, 0.0, **options)


def test_falling_pressure_is_taken_up():
    found = fitted(rise.gettered_rise(TIME, 2.0, 1e-7, 1.5e-7, 15e-6))
    assert found.speaks_for == "taken up" and inside(found.time_constant, 100.0)
    # At closing: what comes less what is taken up, 1e-7 - 1.5e-7 x 2.
    assert inside(found.throughput, -2e-7) and found.throughput.value < 0.0
    assert "falls" in found.evidence[0] and "uptake" in found.sentence and found.halves is None and found.leak_at_most is None


def test_viscous_virtual_leak_is_a_hyperbola():
    found = fitted(rise.viscous_virtual_leak_rise(TIME, 0.5, 3e-6, 50.0, 15e-6))
    assert found.model == "hyperbola" and inside(found.amount, 1.5e-4) and inside(found.time_constant, 50.0)


def test_leak_beside_a_source_that_runs_out():
    found = fitted(rise.reservoir_rise(TIME, 0.1, 3e-6, 60.0, 15e-6) + 1e-7 * TIME / 15e-6)
    assert found.model == "leak and levelling" and inside(found.leak_at_most, 1e-7)
    assert any("a leak is supported" in e for e in found.evidence)
    assert inside(found.throughput, 3.1e-6)


def test_leak_beside_outgassing():
    found = fitted(rise.one_over_time_rise(TIME, 0.02, 1e-6, 5.0, 15e-6) + 1e-7 * TIME / 15e-6)
    assert found.model == "leak and one over time" and inside(found.leak_at_most, 1e-7)


def test_known_age_settles_what_a_short_rise_cannot():
    """An hour of pumping, ten minutes closed: the power law spans less than a decade, so only the straight line is left."""
    found = fitted(rise.one_over_time_rise(TIME, 0.02, 1e-6, 3600.0, 15e-6), age=3600.0)
    assert found.model != "one over time"
    assert any("less than a decade" in e for e in found.evidence)


def test_a_rise_below_the_floor_is_no_rise():
    with pytest.raises(FitRefused, match="lowest reading of the gauge"):
        fitted(1e-3 * (1.0 + TIME / 600.0), floor=0.01)


def test_volume_and_gas_factor_come_through():
    log = log_of(GAUGE, TIME, rise.leak_rise(TIME, 0.1, 2e-7, 15e-6), seed=3)
    wide, other = fit_rise(log, 15e-6, 1.5e-6), fit_rise(log, 15e-6, 0.0, gas_factor=1.3)
    # A tenth of the volume is a tenth of the flow, twice that for 95 %.
    assert math.log(wide.throughput.high / wide.throughput.low) / 2.0 == pytest.approx(0.196, rel=0.02)
    assert other.throughput.high / other.throughput.low < 1.02
    assert other.throughput.value == pytest.approx(wide.throughput.value / 1.3, rel=1e-6)


@pytest.mark.parametrize("wrong", [{"volume": 0.0}, {"volume_sd": 1.0}, {"temperature": -1.0}, {"gas_factor": 0.0}, {"age": -5.0}])
def test_impossible_figures_are_refused(wrong):
    given = {"volume": 15e-6, "volume_sd": 1e-7} | wrong
    with pytest.raises(ValueError, match="volume|temperature|gas_factor|age"):
        fit_rise(log_of(GAUGE, TIME, 0.1 + TIME, seed=1), **given)


def test_empty_log_is_refused():
    empty = np.zeros(0)
    with pytest.raises(FitRefused, match="no reading"):
        fit_rise(Trace("empty", empty, empty, empty.astype(np.int8), empty), 15e-6, 0.0)


# ---- orifice -------------------------------------------------------------------------

CONDUCTANCE = 1e-4  # m3/s


def test_throughput_of_a_source_that_falls_to_a_steady_flow():
    """Upstream pressure by solving V dp/dt = Q - C (p - p2) with a general-purpose solver."""
    from scipy.integrate import solve_ivp

    volume, down = 1e-3, 2e-4
    time = np.geomspace(100.0, 2e4, 250)

    def flow(t):
        return 1e-6 * (t / 3600.0) ** -1.0 + 2e-7

    def slope(t, p):
        return (flow(t) - CONDUCTANCE * (p - down)) / volume

    found = solve_ivp(slope, (100.0, 2e4), [down + flow(100.0) / CONDUCTANCE], t_eval=time, rtol=1e-9, atol=1e-12, method="LSODA")
    up = log_of(Instrument(scatter=0.01), time, found.y[0], seed=4)
    low = log_of(Instrument(scatter=0.01), time, np.full(len(time), down), seed=5)
    got = fit_throughput(up, low, CONDUCTANCE, 0.02, volume, scale_errors=(0.02, 0.02))
    assert inside(got.at_one_hour, 1e-6) and inside(got.steady, 2e-7) and inside(got.exponent, 1.0)
    assert "at one hour" in got.sentence and got.to_json()["model"] == "power law and steady"


def test_throughput_of_a_leak_is_steady():
    time = np.linspace(10.0, 500.0, 60)
    got = fit_throughput(log_of(Instrument(scatter=0.01), time, np.full(60, 5e-3), seed=1), 1e-3, CONDUCTANCE)
    assert got.exponent is None and inside(got.steady, 4e-7)


@pytest.mark.parametrize(
    ("down", "errors", "words"),
    [(2e-2, (0.0, 0.0), "backwards"), (4.8e-3, (0.05, 0.05), "scales of the gauges"), ("apart", (0.0, 0.0), "10 are needed")],
)
def test_throughput_that_cannot_be_had(down, errors, words):
    time = np.linspace(10.0, 500.0, 60)
    up = log_of(Instrument(scatter=0.01), time, np.full(60, 5e-3), seed=1)
    if down == "apart":
        down = log_of(Instrument(), time + 1e4, np.full(60, 1e-3), seed=1)
    with pytest.raises(FitRefused, match=words):
        fit_throughput(up, down, CONDUCTANCE, scale_errors=errors)
    with pytest.raises(ValueError, match="conductance"):
        fit_throughput(up, 0.0, 0.0)


def test_the_scale_of_the_gauge_widens_a_sum_of_terms_in_full():
    """Leak and trapped gas are read by one gauge, so their scale errors do not average out in the sum."""
    time = np.arange(0.0, 1200.0, 2.0)
    shown = log_of(Instrument(scatter=0.01), time, 0.1 + 0.02 * time + 3.0 * (1.0 - np.exp(-time / 150.0)), seed=1)
    plain, wide = (fit_rise(shown, 15e-6, 1e-9, scale_error=e).throughput for e in (0.0, 0.2))
    expected = math.hypot(math.log(plain.high / plain.value), 1.95996 * 0.2)
    assert math.log(wide.high / wide.value) == pytest.approx(expected, rel=1e-3)
    assert math.log(wide.value / wide.low) == pytest.approx(expected, rel=1e-3)


def test_a_wrong_scale_of_one_gauge_weighs_most_where_the_drop_is_small():
    time = np.geomspace(60.0, 28800.0, 200)
    drop = 1e-2 * 600.0 / time + 2e-4
    up = log_of(Instrument(scatter=0.005, scale_error=0.1), time, 1e-3 + drop, seed=1)
    got = fit_throughput(up, 1e-3, CONDUCTANCE, scale_errors=(0.1, 0.0))
    assert inside(got.steady, 2e-8) and inside(got.at_one_hour, CONDUCTANCE * 1e-2 / 6.0) and inside(got.exponent, 1.0)
    # A tenth of 1.2 mPa is 0.6 of the 0.2 mPa that flow steadily, and weighs on the early flow hardly more than a tenth.
    assert got.steady.high > 1.6 * got.steady.value and got.at_one_hour.high < 1.3 * got.at_one_hour.value


def test_pascal_litres_of_hot_gas_say_so():
    time = np.arange(0.0, 300.0, 2.0)
    log = log_of(Instrument(scatter=0.01), time, 0.1 + 0.02 * time, seed=1)
    assert "degC" not in fit_rise(log, 15e-6, 0.0).sentence
    # 293.15 K over 586.3 K, by the gas law.
    assert "times 0.5 for 20 degC" in fit_rise(log, 15e-6, 0.0, 586.3).sentence
