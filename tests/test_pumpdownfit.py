"""Outgassing from a pump-down against closed forms and an independent integrator, and what is refused."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from exhaustsim.constants import GAS_CONSTANT
from exhaustsim.plant.trace import GOOD, Trace
from exhaustsim.studies.fitting import FitRefused
from exhaustsim.studies.instrument import Instrument, log_of
from exhaustsim.studies.leastsquares import differences
from exhaustsim.studies.pumpdownfit import SUMS, TERMS, fit_outgassing, gauge_floor, lagged, pumpdown_model
from exhaustsim.units import PASCAL_LITRE

T = np.linspace(1.0, 120.0, 180)
QUIET = Instrument(scatter=0.03, correlation_time=0.5)


def log(true, instrument=QUIET, t=T, seed=3):
    return log_of(instrument, t, true, seed)


# ---- the curves ---------------------------------------------------------------------------


@pytest.mark.parametrize("zero", [0.0, None])
@pytest.mark.parametrize("terms", SUMS, ids="+".join)
def test_derivatives_are_those_of_the_curve(terms, zero):
    model = pumpdown_model(terms, log(1.0 / T), time_zero=zero)
    values = np.array([0.3 * p.start if p.positive else p.start for p in model.parameters])
    low, high = np.full(len(values), -np.inf), np.full(len(values), np.inf)
    assert model.derivatives(values, T) == pytest.approx(differences(lambda v: model.pressure(v, T), values, low, high), rel=1e-6, abs=1e-9)
    assert sum(term(values, T) for term in model.terms.values()) == pytest.approx(model.pressure(values, T), rel=1e-14)


@pytest.mark.parametrize("constant", [0.3, 20.0])
def test_the_lag_of_a_volume_against_an_integrator(constant):
    # V dp/dt = Q - S p with Q/S = 1/t^0.7, from nothing at 1 s.
    whole = solve_ivp(lambda t, p: (t**-0.7 - p) / constant, (1.0, 120.0), [0.0], t_eval=T, method="LSODA", rtol=1e-10, atol=1e-13)
    assert lagged(lambda t: t**-0.7, T, 1.0, constant)[1:] == pytest.approx(whole.y[0][1:], rel=1e-5)


def test_an_exponential_through_a_volume():
    # Closed form: (exp(-t/a) - exp(-t/b)) / (1 - b/a) for a source of time a and a volume of time b.
    a, b = 15.0, 4.0
    exact = (np.exp(-(T - 1.0) / a) - np.exp(-(T - 1.0) / b)) / (1.0 - b / a)
    assert lagged(lambda t: np.exp(-(t - 1.0) / a), T, 1.0, b) == pytest.approx(exact, rel=1e-5, abs=1e-12)


# ---- the answer ---------------------------------------------------------------------------


def test_gas_streams_in_pascal_litres_at_20_degrees():
    # 0.02 Pa through 1 L/s is 0.02 Pa L/s, at 20 degC where the gas is at 20 degC.
    found = fit_outgassing(log(0.02 + 0.5 / T), net_speed=1e-3, terms=("constant", "inverse"), reference=1.0)
    constant, inverse = found.rates
    assert constant.low < 0.02 * PASCAL_LITRE < constant.high
    assert inverse.low < 0.5 * PASCAL_LITRE < inverse.high
    assert constant.value == pytest.approx(found.fit["constant"].value * 1e-3 / (GAS_CONSTANT * 293.15), rel=1e-12)
    assert found.rate(T) == pytest.approx(found.fit.pressure(T) * 1e-3 / (GAS_CONSTANT * 293.15), rel=1e-12)
    hot = fit_outgassing(found.fit.trace, net_speed=1e-3, terms=("constant", "inverse"), reference=1.0, temperature=586.3, speed_error=0.2)
    assert hot.rates[0].value == pytest.approx(constant.value / 2.0, rel=1e-9)
    own = math.log(constant.high / constant.value)
    assert math.log(hot.rates[0].high / hot.rates[0].value) == pytest.approx(math.hypot(own, 1.959964 * 0.2), rel=1e-6)
    words = " ".join(found.in_words())
    assert "Pa L/s at 20 degC" in words and "ultimate pressure of the pump look the same here" in words
    assert any("argon" in n for n in found.next_experiments)
    json.dumps(found.to_json(), allow_nan=False)


def test_the_law_is_chosen_and_said():
    found = fit_outgassing(log(T**-0.5, t=T))
    assert found.fit.model.name == "root"
    assert any("worse by the corrected information criterion" in words for words in found.in_words())
    assert any("without a net speed" in words for words in found.in_words())
    with pytest.raises(ValueError, match="give net_speed"):
        found.rate(T)


def test_the_moment_pumping_began():
    found = fit_outgassing(log(0.5 / (T + 7.0), t=T), terms="inverse", time_zero=None)
    zero = found.fit["time zero"]
    assert zero.low < -7.0 < zero.high
    assert zero.high - zero.low < 3.0


def test_a_volume_of_its_own():
    lag = 8.0
    whole = solve_ivp(lambda t, p: (0.02 + 0.5 / t - p) / lag, (1.0, 120.0), [3.0], t_eval=T, method="LSODA", rtol=1e-9, atol=1e-12)
    found = fit_outgassing(log(whole.y[0]), volume=8e-3, net_speed=1e-3, terms=("constant", "inverse"), reference=1.0)
    for name, truth in (("constant", 0.02), ("inverse", 0.5), ("pressure at first", 3.0)):
        assert found.fit[name].low < truth < found.fit[name].high


def test_a_known_ultimate_pressure_is_taken_off():
    found = fit_outgassing(log(0.03 + 0.5 / T), terms=("constant", "inverse"), ultimate_pressure=0.02)
    assert found.fit["constant"].low < 0.01 < found.fit["constant"].high < 0.02


# ---- refusals -----------------------------------------------------------------------------


def refused(*arguments, **options):
    with pytest.raises(FitRefused) as caught:
        fit_outgassing(*arguments, **options)
    assert caught.value.next_experiments
    return str(caught.value)


def test_forty_seconds_of_tail_and_eight_points():
    t = np.linspace(20.0, 60.0, 8)
    words = refused(log(0.02 + 0.5 / t, t=t))
    assert "8 good readings cannot tell one law from another" in words
    assert "a power law wants a decade" in words


def test_a_power_law_wants_a_decade():
    t = np.linspace(20.0, 120.0, 100)
    assert "a power law wants a decade" in refused(log(0.5 / t, t=t), terms="power")


def test_a_rising_pressure():
    assert "cannot be negative" in refused(log(0.5 * T**0.3), terms=("constant", "inverse"))


def test_a_leak_below_the_foot_of_the_scale():
    spoiled = log(1e-4 + 0.5 / T, Instrument(scatter=0.03, floor=0.006))
    assert gauge_floor(spoiled) == 0.006
    words = refused(spoiled, terms=("constant", "inverse"))
    assert "below the foot of the gauge's scale" in words and "rate of rise" in words
    # Left to itself the tool takes the law without it.
    assert fit_outgassing(spoiled).fit.model.name == "inverse"


def test_the_foot_of_a_gauge_by_its_kind():
    trace = Trace("x", T, 1.0 / T, np.full(len(T), GOOD, np.int8), 1.0 / T, gauge="hot_cathode")
    assert 0.0 < gauge_floor(trace) < 1e-3
    assert gauge_floor(log(1.0 / T)) is None


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"terms": "linear"}, ", ".join(TERMS)),
        ({"net_speed": 0.0}, "net_speed = 0"),
        ({"volume": 1.0}, "only with a net speed"),
        ({"time_zero": 5.0, "terms": "inverse"}, "not after time zero"),
        ({"wrong": 1}, "wrong"),
    ],
)
def test_what_cannot_be(options, words):
    with pytest.raises((ValueError, TypeError), match=words):
        fit_outgassing(log(0.5 / T), **options)


def test_the_gas_stream_of_a_volume_is_what_comes_off_and_not_what_stands_in_it():
    lag = 8.0
    whole = solve_ivp(lambda t, p: (0.02 + 0.5 / t - p) / lag, (1.0, 120.0), [3.0], t_eval=T, method="LSODA", rtol=1e-9, atol=1e-12)
    found = fit_outgassing(log(whole.y[0]), volume=8e-3, net_speed=1e-3, terms=("constant", "inverse"), intervals=None)
    time = np.array([1.0, 4.0, 50.0])
    # Amplitudes are known to a few per cent at the scatter of these logs.
    np.testing.assert_allclose(found.rate(time) * GAS_CONSTANT * 293.15 / 1e-3, 0.02 + 0.5 / time, rtol=0.06)
