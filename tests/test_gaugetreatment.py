"""From readings to true pressure.

Checked against: the worked definition of the relative sensitivity (reading over factor), factors typed
in from the table of relative sensitivities of the published handbook chapter cited in `data/gauges.toml`
(hot cathode: H2 0.43, CO2 1.4, Ar 1.4), gauge laws of `physics/gauges` in the other direction, and
traces whose scatter and zero were put in by a random number generator.
"""

from __future__ import annotations

import numpy as np
import pytest

from exhaustsim.constants import GAS_NAMES
from exhaustsim.physics.gauges import gauge_reading
from exhaustsim.plant.faults import DesignFault
from exhaustsim.plant.trace import AT_LEAST, AT_MOST, GOOD, NO_READING, SPOILED, Trace
from exhaustsim.studies.gauges import gauge_named
from exhaustsim.studies.gaugetreatment import scatter_of, true_pressure, zero_drift, zero_of
from exhaustsim.studies.instrument import Instrument, log_of


def trace(reading, gauge="hot_cathode", gas="N2", mark=None, time=None):
    reading = np.asarray(reading, float)
    mark = np.full(len(reading), GOOD, np.int8) if mark is None else np.asarray(mark, np.int8)
    time = np.arange(float(len(reading))) if time is None else time
    return Trace("IG1", time, reading, mark, reading, gauge=gauge, calibration_gas=gas)


@pytest.mark.parametrize(("gas", "factor"), [("H2", 0.43), ("CO2", 1.4), ("Ar", 1.4), ("N2", 1.0)])
def test_published_factors_of_a_hot_cathode_gauge(gas, factor):
    true = true_pressure(trace([1e-3, 1e-4]), gas)
    np.testing.assert_allclose(true.trace.reading, [1e-3 / factor, 1e-4 / factor], rtol=1e-12)
    assert true.trace.gas == gas


def test_gauge_calibrated_with_another_gas():
    # Calibrated with CO2, it shows CO2 truly and nitrogen by 1/1.4.
    np.testing.assert_allclose(true_pressure(trace([1e-3], gas="CO2"), "CO2").trace.reading, [1e-3], rtol=1e-12)
    np.testing.assert_allclose(true_pressure(trace([1e-3], gas="CO2"), "N2").trace.reading, [1.4e-3], rtol=1e-12)


@pytest.mark.parametrize("gauge", ["thermal_conductivity", "hot_cathode", "cold_cathode", "capacitance"])
def test_a_mixture_goes_back_to_where_it_came_from(gauge):
    shares = np.array([0.1, 0.0, 0.05, 0.3, 0.1, 0.2, 0.0, 0.05, 0.2])
    found = gauge_named(gauge)
    pressure = np.sqrt(found.lowest * found.highest)
    shown = gauge_reading(pressure * shares, found.factors)
    true = true_pressure(trace([shown], gauge), dict(zip(GAS_NAMES, shares, strict=True)))
    np.testing.assert_allclose(true.trace.reading, [pressure], rtol=1e-12)
    assert true.trace.gas is None


def test_scale_error_is_handed_back_and_does_not_shrink_with_the_number_of_readings():
    few, many = true_pressure(trace(np.full(10, 1e-3)), "CO2"), true_pressure(trace(np.full(10000, 1e-3)), "CO2")
    # 15 per cent either side is two standard deviations of the factor; 10 per cent is the scale itself.
    assert few.scale_error == many.scale_error == pytest.approx(np.hypot(0.075, 0.10), rel=1e-3)
    # In its own gas a gauge has the error of its scale only.
    assert true_pressure(trace([1e-3]), "N2").scale_error == pytest.approx(0.10)
    assert any("which all readings share" in s for s in few.sentences)


def test_range_of_the_gauge_turns_readings_into_bounds():
    true = true_pressure(trace([1e-9, 1e-3, 5.0, np.nan, 1e-4], mark=[GOOD, GOOD, GOOD, AT_LEAST, SPOILED]), "N2")
    assert true.trace.mark.tolist() == [AT_MOST, GOOD, AT_LEAST, AT_LEAST, SPOILED]
    np.testing.assert_allclose(true.trace.reading, [1e-7, 1e-3, 0.1, 0.1, 1e-4])
    assert true.flags == ("gauge_range",) and any("1 below" in s and "2 above" in s for s in true.sentences)
    assert true_pressure(trace([1e-3]), "N2").flags == ()


def test_gas_of_calibration_that_is_not_there_raises_the_flag():
    assert true_pressure(trace([1e-3]), "CO2").flags == ("gauge_range",)


def test_bounds_are_divided_too():
    true = true_pressure(trace([1e-9]), "CO2")
    np.testing.assert_allclose(true.trace.reading, [1e-7 / 1.4])


def test_unknown_gauge_is_left_as_it_is_and_said():
    true = true_pressure(trace([1e-3], gauge=None), "CO2")
    assert true.trace.reading.tolist() == [1e-3] and true.scale_error == 0.0 and "not known" in true.sentences[0]


def test_what_was_read_is_not_changed():
    shown = trace([1e-9, 1e-3])
    true_pressure(shown, "CO2", zero_from=None)
    assert shown.reading.tolist() == [1e-9, 1e-3] and shown.mark.tolist() == [GOOD, GOOD]


@pytest.mark.parametrize("seed", range(5))
def test_scatter_is_that_which_was_put_in(seed):
    t = np.linspace(0.0, 600.0, 3000)
    true = 10.0 / (1.0 + t / 5.0) + 0.05
    spikes = tuple(np.random.default_rng(seed).uniform(0, 600, 15))
    made = log_of(Instrument(scatter=0.03, spikes=spikes), t, true, seed)
    # The median of 3000 absolute values has a standard deviation of 1.17/sqrt(2 * 3000), with neighbours in common about twice that: 3 %.
    assert scatter_of(made) == pytest.approx(0.03, rel=0.09)


def test_scatter_with_uneven_steps_and_with_too_few():
    random = np.random.default_rng(3)
    t = np.cumsum(random.exponential(1.0, 4000))
    made = trace(np.exp(-t / 800.0 + 0.05 * random.standard_normal(4000)), time=t)
    assert scatter_of(made) == pytest.approx(0.05, rel=0.09)
    assert np.isnan(scatter_of(trace([1e-3] * 7)))


def test_zero_is_taken_off_and_what_is_lost_in_it_becomes_a_bound():
    random = np.random.default_rng(5)
    t = np.arange(400.0)
    true = np.where(t < 100.0, 0.0, 50.0 * np.exp(-(t - 100.0) / 20.0))
    shown = true + 0.8 + 0.01 * random.standard_normal(400)
    found = true_pressure(trace(shown, "capacitance", time=t), "N2", zero_from=(0.0, 99.0))
    assert found.zero == pytest.approx(0.8, abs=4 * found.zero_error) and found.zero_error == pytest.approx(0.001, rel=0.3)
    good = (found.trace.mark == GOOD) & (t >= 100.0)
    assert good.sum() > 50 and (np.abs(found.trace.reading[good] - true[good]) < 0.05).all()
    assert (found.trace.mark[:100] == AT_MOST).all()
    np.testing.assert_allclose(zero_of(trace(shown, time=t), 0.0, 99.0)[0], found.zero)


def test_readings_below_nought_come_back_with_the_zero():
    shown = np.r_[np.full(20, -0.5) + 0.001 * np.arange(20) % 3, 4.5, 2.5, 0.5]
    found = true_pressure(trace(shown, "capacitance"), "N2", zero_from=(0.0, 19.0))
    np.testing.assert_allclose(found.trace.reading[20:], [5.0, 3.0, 1.0], atol=0.01)


def test_drift_of_the_zero():
    t = np.arange(1000.0)
    drift, error = zero_drift(trace(0.2 + 3e-4 * t + 0.005 * np.random.default_rng(2).standard_normal(1000), time=t), (0.0, 99.0), (900.0, 999.0))
    # Within a stretch the drift itself adds to the scatter, so the error is on the high side.
    assert drift == pytest.approx(3e-4, abs=3 * error) and error < 5e-6


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: true_pressure(trace([1e-3]), "C02"), 'did you mean "CO2"'),
        (lambda: true_pressure(trace([1e-3]), {"N2": -1.0, "CO": 2.0}), "shares of nought or more"),
        (lambda: true_pressure(trace([1e-3]), {}), "one of them above nought"),
        (lambda: true_pressure(trace([1e-3], gauge="hot_cathod"), "N2"), 'did you mean "hot_cathode"'),
        (lambda: true_pressure(trace([1.0], gauge="compression"), "H2O"), "does not see it"),
        (lambda: true_pressure(trace([1e-3] * 5), "N2", zero_from=(0.0, 1.0)), "holds 2 plain readings"),
        (lambda: zero_drift(trace([1e-3] * 9), (0.0, 5.0), (3.0, 8.0)), "the second after the first"),
    ],
)  # fmt: skip
def test_refusals(call, words):
    with pytest.raises(DesignFault, match=words):
        call()


def test_partial_pressure_of_another_gas_is_refused():
    partial = Trace("p_CO2", np.arange(2.0), np.ones(2), np.zeros(2, np.int8), np.ones(2), gas="CO2")
    with pytest.raises(DesignFault, match="partial pressure of CO2"):
        true_pressure(partial, "N2")


def test_no_reading_stays_none():
    true = true_pressure(trace([np.nan, 1e-3], mark=[NO_READING, GOOD]), "CO2")
    assert true.trace.mark.tolist() == [NO_READING, GOOD] and np.isnan(true.trace.reading[0])


def test_a_bound_for_what_is_lost_in_the_zero_is_not_below_the_truth():
    # One reading scatters ten times as widely as the mean of a hundred that makes the zero.
    random = np.random.default_rng(1)
    t = np.arange(300.0)
    true = np.where(t < 100.0, 0.0, 0.005)
    shown = 0.8 + true + 0.01 * random.standard_normal(300)
    found = true_pressure(trace(shown, "capacitance", time=t), "N2", zero_from=(0.0, 99.0)).trace
    lost = (found.mark == AT_MOST) & (t >= 100.0)
    assert lost.sum() > 100 and (found.reading[lost] > 0.005).all()


def test_the_gas_of_calibration_brings_no_error_of_its_factor():
    def error(gas):
        return true_pressure(trace([1e-3] * 3, gas="CO2"), gas).scale_error

    bare, other = error("CO2"), error("H2")
    assert bare < error({"CO2": 0.999, "H2": 0.001}) < bare + 1e-3 < other
