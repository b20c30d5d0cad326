"""The fitting of logs against closed forms, scipy.stats and lmfit, and what it refuses."""

from __future__ import annotations

import itertools
import json
import math
import time as clock

import numpy as np
import pytest
from scipy import stats

from benchmarks.fit_coverage import CASES, coverage, one_choice, one_fit, orders
from exhaustsim.plant.trace import AT_MOST, GOOD, Trace
from exhaustsim.studies.fitmodel import Model, Parameter, Reason
from exhaustsim.studies.fitproblem import bounded, read
from exhaustsim.studies.fitting import FitRefused, choose, fit
from exhaustsim.studies.instrument import Instrument, log_of
from exhaustsim.studies.scatter import Scatter, resolution, runs_test, whiten

LEVEL = Model("level", "one pressure", (Parameter("level", 1.0, 1e-9, 1e9, "Pa"),), lambda v, t: np.full(len(t), v[0]))
DECAY = Model(
    "decay", "exponential on a constant",
    (Parameter("foot", 0.2, 1e-9, 1e9, "Pa"), Parameter("first", 1.0, 1e-9, 1e9, "Pa"), Parameter("time", 2.0, 1e-3, 1e3, "s", scaled=False)),
    lambda v, t: v[0] + v[1] * np.exp(-t / v[2]), {"foot": lambda v, t: np.full(len(t), v[0]), "fall": lambda v, t: v[1] * np.exp(-t / v[2])},
)  # fmt: skip


def trace_of(time, pressure, mark=None):
    pressure = np.asarray(pressure, float)
    mark = np.full(len(time), GOOD, np.int8) if mark is None else mark
    return Trace("log", np.asarray(time, float), pressure, mark, pressure)


def alternating(count, size, seed=0):
    """Scatter that changes side from reading to reading, so that nothing hangs together."""
    return size * np.abs(np.random.default_rng(seed).standard_normal(count)) * (-1.0) ** np.arange(count)


# ---- against closed forms -----------------------------------------------------------------


def test_one_level_has_the_interval_of_student():
    off = alternating(40, 0.05)
    found = fit(LEVEL, trace_of(np.arange(40.0), 3.0 * np.exp(off)))
    middle = 3.0 * np.exp(stats.t.interval(0.95, 39, off.mean(), stats.sem(off)))
    assert found.correlation_time == 0.0
    assert found["level"].value == pytest.approx(3.0 * math.exp(off.mean()), rel=1e-8)
    assert (found["level"].low, found["level"].high) == pytest.approx(tuple(middle), rel=1e-4)  # the walk stops at 2e-3 of its height
    assert found.scatter == pytest.approx(off.std(ddof=1), rel=1e-6)


def test_criterion_of_scatter_that_stands_alone():
    off = alternating(40, 0.05)
    found = fit(LEVEL, trace_of(np.arange(40.0), np.exp(off)))
    # Corrected information criterion of a normal law: level, scatter and correlation time are three.
    expected = 40 * (math.log(2.0 * math.pi * off.var()) + 1.0) + 2 * 3 + 2 * 3 * 4 / (40 - 3 - 1)
    assert found.criterion == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("own", [0.0, 0.4])
def test_whitening_is_that_of_the_whole_covariance(own):
    random = np.random.default_rng(1)
    time = np.sort(random.uniform(0.0, 9.0, 30))
    rounding = random.uniform(0.0, 0.05, 30)
    law = Scatter(0.1, 2.0, own)
    matrix = (1.0 - own) * np.exp(-np.abs(time[:, None] - time) / 2.0) + np.diag(own + (rounding / 0.1) ** 2)
    column = random.standard_normal((30, 2))
    found, logs = whiten(time, column, law, rounding)
    assert found.T @ found == pytest.approx(column.T @ np.linalg.solve(matrix, column), rel=1e-10)
    assert logs == pytest.approx(np.linalg.slogdet(matrix)[1], rel=1e-10)


def test_runs_against_all_orders():
    # Few enough to count: every order of six above and six below, the chance of at most four runs.
    counts = [1 + sum(a != b for a, b in itertools.pairwise(k in chosen for k in range(12))) for chosen in map(set, itertools.combinations(range(12), 6))]
    exact = np.mean(np.array(counts) <= 4)
    residuals = np.array([1.0] * 3 + [-1.0] * 4 + [1.0] * 3 + [-1.0] * 2)
    assert runs_test(residuals) == pytest.approx(exact, rel=0.06)  # the normal law is that good with twelve


def test_the_step_of_the_meter_is_seen():
    t = np.linspace(0.0, 3.0, 60)
    true = np.exp(-t)
    assert resolution(log_of(Instrument(scatter=0.03), t, true, 1)).max() == 0.0
    step = log_of(Instrument(scatter=0.03, step=0.02), t, true, 1)
    assert resolution(step)[step.mark == GOOD] == pytest.approx(0.02 / step.reading[step.mark == GOOD], rel=1e-6)


# ---- against other libraries --------------------------------------------------------------


def test_values_and_profile_intervals_of_lmfit():
    lmfit = pytest.importorskip("lmfit")
    t = np.linspace(0.0, 8.0, 60)
    logs = np.log(0.2 + np.exp(-t / 2.0)) + alternating(60, 0.06, 4)
    ours = fit(DECAY, trace_of(t, np.exp(logs)), loss="squares")
    assert ours.correlation_time == 0.0
    asked = lmfit.Parameters()
    for name, start in (("foot", 0.3), ("first", 0.8), ("time", 1.5)):
        asked.add(name, math.log(start))

    def residuals(p):
        return logs - np.log(math.exp(p["foot"]) + math.exp(p["first"]) * np.exp(-t / math.exp(p["time"])))

    mini = lmfit.Minimizer(residuals, asked)
    theirs = mini.minimize()
    ends = lmfit.conf_interval(mini, theirs, sigmas=[0.95])
    for k, p in enumerate(ours.parameters):
        assert p.value == pytest.approx(math.exp(theirs.params[p.name].value), rel=1e-5)
        (_, low), _, (_, high) = ends[p.name]
        # Both walk the same profile: ours by Student's t, theirs by F with one degree above, its square.
        assert (math.log(p.low), math.log(p.high)) == pytest.approx((low, high), abs=0.01 * (high - low))
        for j in range(k):
            assert ours.correlation[k, j] == pytest.approx(theirs.params[p.name].correl[ours.parameters[j].name], abs=1e-3)


def test_bounds_count_by_the_chance_beyond_them():
    mark = np.array([GOOD] * 10 + [AT_MOST] * 2, np.int8)
    readings = read(trace_of(np.arange(12.0), [1.0] * 10 + [0.5, 0.5], mark), 0.0)
    curve = np.log([0.6, 0.4])
    error, slope = bounded(readings, curve, Scatter(0.2))
    assert error**2 / 0.04 == pytest.approx(-2.0 * stats.norm.logcdf(np.log(0.5), curve, 0.2), rel=1e-10)
    moved, _ = bounded(readings, curve + 1e-6, Scatter(0.2))
    assert slope == pytest.approx((moved - error) / 1e-6, rel=1e-4)


def test_a_log_at_the_foot_of_the_scale_as_scipy_has_it():
    off = alternating(400, 0.2, 7)[np.random.default_rng(3).permutation(400)]
    foot = math.log(0.9)
    mark = np.where(off <= foot, AT_MOST, GOOD).astype(np.int8)
    found = fit(LEVEL, trace_of(np.arange(400.0), np.exp(np.maximum(off, foot)), mark), loss="squares")
    middle, size = stats.norm.fit(stats.CensoredData(uncensored=off[off > foot], left=np.full(int((off <= foot).sum()), foot)))
    # Ours allows for memory of the scatter.  A level at the foot leaves only the higher readings of value, which
    # therefore seem to hang together a little: that moves the level by half of its standard error, 0.009.
    assert math.log(found["level"].value) == pytest.approx(middle, abs=0.009)
    assert found.scatter == pytest.approx(size, rel=0.05)
    naive = np.log(np.exp(np.maximum(off, foot))).mean()
    assert abs(naive - middle) > 0.03  # taken as readings they would be off by more than three of them


def test_readings_without_scatter_are_told():
    t = np.arange(30.0)
    found = fit(DECAY, trace_of(t, 0.2 + np.exp(-t / 2.0)))
    assert found.values == pytest.approx([0.2, 1.0, 2.0], rel=1e-6)
    assert any("do not scatter" in words for words in found.in_words())
    assert any("do not scatter" in words for words in fit(LEVEL, trace_of(t, np.ones(30))).in_words())


# ---- what an instrument does --------------------------------------------------------------


def test_spikes_are_left_out_and_listed():
    t = np.linspace(0.0, 8.0, 160)
    true = 0.2 + np.exp(-t / 2.0)
    clean = fit(DECAY, log_of(Instrument(scatter=0.03), t, true, 5))
    struck = fit(DECAY, log_of(Instrument(scatter=0.03, spikes=(3.0, 6.0)), t, true, 5))
    assert len(clean.down_weighted) == 0
    here = np.flatnonzero(((t >= 3.0) & (t < 3.2)) | ((t >= 6.0) & (t < 6.2)))
    assert struck.down_weighted.tolist() == here.tolist()
    for a, b in zip(clean.parameters, struck.parameters, strict=True):
        assert math.log(b.high / b.low) == pytest.approx(math.log(a.high / a.low), rel=0.15)  # eight readings of 160 fewer
        assert a.low < b.value < a.high


def test_scatter_that_hangs_together_widens():
    t = np.arange(0.0, 100.0, 0.25)
    alone = fit(LEVEL, log_of(Instrument(scatter=0.03), t, np.ones(400), 2))
    together = fit(LEVEL, log_of(Instrument(scatter=0.03, correlation_time=2.0), t, np.ones(400), 2))
    # The mean of an autoregressive series has the variance (1 + r) / (1 - r) times that of one without memory.
    kept = math.exp(-0.25 / 2.0)
    ratio = math.log(together["level"].high / together["level"].low) / math.log(alone["level"].high / alone["level"].low)
    assert ratio == pytest.approx(math.sqrt((1.0 + kept) / (1.0 - kept)), rel=0.35)  # memory is known to a third from 400
    assert together.correlation_time == pytest.approx(2.0, rel=0.5)


def test_scale_error_widens_pressures_and_leaves_times():
    t = np.linspace(0.0, 8.0, 160)
    log = log_of(Instrument(scatter=0.03), t, 0.2 + np.exp(-t / 2.0), 5)
    plain, wide = fit(DECAY, log), fit(DECAY, log, scale_error=0.1)
    assert (wide["time"].low, wide["time"].high) == (plain["time"].low, plain["time"].high)
    for name in ("foot", "first"):
        own = math.log(plain[name].high / plain[name].value)
        assert math.log(wide[name].high / wide[name].value) == pytest.approx(math.hypot(own, 1.959964 * 0.1), rel=1e-6)


def test_drawn_logs_agree_with_the_profile():
    t = np.linspace(0.0, 8.0, 160)
    found = fit(DECAY, log_of(Instrument(scatter=0.03, correlation_time=0.1), t, 0.2 + np.exp(-t / 2.0), 5), intervals="both", seed=1)
    for p in found.parameters:
        low, high = found.bootstrap[p.name]
        assert math.log(high / low) == pytest.approx(math.log(p.high / p.low), rel=0.25)  # 400 draws, and memory taken as known
    again = fit(DECAY, found.trace, intervals="bootstrap", seed=1)
    assert (again["time"].low, again["time"].high) == found.bootstrap["time"]


def test_what_trades_off_is_told():
    # A level and a fall much slower than the log are one thing.
    t = np.linspace(0.0, 1.0, 100)
    found = fit(DECAY, log_of(Instrument(scatter=0.01), t, 0.2 + np.exp(-t / 2.0), 5))
    assert any("trade off" in words for words in found.in_words())
    json.dumps(found.to_json(), allow_nan=False)


def test_half_a_log_at_the_foot_does_not_let_the_curve_go():
    # Where only the higher readings are of value they seem to hang together for ever.
    case = CASES["1/sqrt(t), floor"]
    t = case.time
    for seed in (15, 104):
        log = log_of(Instrument(scatter=0.03, correlation_time=1.0, scale_error=-0.2, digits=3, floor=0.11), t, case.true(t), seed)
        assert (log.mark == AT_MOST).mean() > 0.4
        found = fit(case.model(log), log)
        assert found["root"].value == pytest.approx(0.8, rel=0.04)  # four standard errors of 0.03 that hangs together over 1 s of 50
        assert found.scatter < 0.05 and found["root"].low < 0.8 < found["root"].high


# ---- refusals -----------------------------------------------------------------------------


def test_all_reasons_come_at_once():
    model = Model("decay", "", DECAY.parameters, DECAY.pressure, before=lambda trace: [Reason("the log is short", "read for longer")])
    with pytest.raises(FitRefused) as caught:
        fit(model, trace_of(np.arange(9.0), np.ones(9)))
    assert [r.words for r in caught.value.reasons] == ["9 good readings for 3 parameters; 15 are needed, five for each", "the log is short"]
    assert "read for longer" in caught.value.next_experiments and "next: read for longer" in str(caught.value)


def test_nothing_to_fit():
    with pytest.raises(FitRefused, match="no usable reading"):
        fit(LEVEL, trace_of(np.arange(3.0), np.full(3, np.nan)))
    with pytest.raises(FitRefused, match="no usable reading"):
        choose([LEVEL, DECAY], trace_of(np.arange(3.0), np.full(3, np.nan)))


def test_extrapolation_over_a_decade_is_refused():
    t = np.linspace(0.0, 8.0, 160)
    found = fit(DECAY, log_of(Instrument(scatter=0.03), t, 0.2 + np.exp(-t / 2.0), 5))
    middle, low, high = found.extrapolate(40.0)
    assert low < 0.2 < high and low < middle < high
    with pytest.raises(FitRefused, match="more than a decade beyond the last reading"):
        found.extrapolate(81.0)


@pytest.mark.parametrize("options", [{"loss": "none"}, {"intervals": "none"}])
def test_options_that_do_not_exist(options):
    with pytest.raises(ValueError, match="there are"):
        fit(LEVEL, trace_of(np.arange(9.0), np.ones(9)), **options)


# ---- how fast -----------------------------------------------------------------------------


def test_two_thousand_readings_within_two_seconds():
    t = np.linspace(0.0, 8.0, 2000)
    log = log_of(Instrument(scatter=0.03, correlation_time=0.02, digits=3), t, 0.2 + np.exp(-t / 2.0), 5)
    fit(DECAY, log)
    started = clock.process_time()
    found = fit(DECAY, log)
    assert clock.process_time() - started < 2.0
    assert found.used == 2000 and found["time"].low < 2.0 < found["time"].high


def test_three_hundred_thousand_readings_within_twenty_seconds():
    t = np.linspace(0.0, 8.0, 300_000)
    log = log_of(Instrument(scatter=0.03, correlation_time=0.02, digits=3), t, 0.2 + np.exp(-t / 2.0), 5)
    told = []
    started = clock.process_time()
    found = fit(DECAY, log, progress=lambda share, words: told.append(share))
    assert clock.process_time() - started < 20.0
    assert told == sorted(told) and told[-1] == 1.0
    assert any("averaged" in words for words in found.in_words())
    # The scatter of a mean of neighbours is measured, so the interval is what 8 s of log support, not what 300,000 readings would.
    part = fit(DECAY, log_of(Instrument(scatter=0.03, correlation_time=0.02), t[::75], 0.2 + np.exp(-t[::75] / 2.0), 6))
    wide, narrow = (math.log(f["time"].high / f["time"].low) for f in (part, found))
    assert narrow == pytest.approx(wide, rel=0.3)
    assert found["time"].low < 2.0 < found["time"].high


# ---- a sample of the study ----------------------------------------------------------------


def test_a_sample_of_the_study_of_intervals():
    case = CASES["constant + 1/t"]
    found = coverage(case, [one_fit(case, seed) for seed in range(60)])
    assert found["refused"] == 0
    least = stats.binom.ppf(0.005, 60, 0.95) / 60.0  # of 60 logs at 95 %: not fewer, at 1 %
    assert min(found[name] for name in case.truth) >= least


def test_a_sample_of_the_study_of_order():
    case = CASES["constant + exponential"]
    found = orders(case, [one_choice(case, seed) for seed in range(6)])
    assert found["right order"] >= stats.binom.ppf(0.01, 6, 0.9) / 6.0


def test_drawn_intervals_of_what_is_known_beforehand_are_those_of_the_sum_of_both():
    """A mean of readings and a normal law known beforehand: the weights add up, in closed form."""
    level = Model("level", "a level", (Parameter("level", 1.0, 1e-6, 1e6, "Pa", spread=0.1),), lambda v, t: np.full(len(t), v[0]))
    log = log_of(Instrument(scatter=0.5), np.arange(40.0), np.ones(40), seed=3)
    off = np.log(log.reading)
    width = 2.0 * 1.95996 / math.sqrt(1.0 / 0.1**2 + 40.0 / off.var(ddof=1))
    for intervals in ("profile", "bootstrap"):
        found = fit(level, log, intervals=intervals)["level"]
        # 400 draws give a width to a tenth; blocks of 3 out of 40 readings lose a little of the scatter.
        assert math.log(found.high / found.low) == pytest.approx(width, rel=0.15)
