"""Breakdown of the coating: exact slopes, smooth ends, thermochemistry by another library."""

import math

import cantera
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from exhaustsim.constants import ATMOSPHERE, GAS_CONSTANT
from exhaustsim.data import published
from exhaustsim.physics import carbonates

RECARBONATION = (1e-3, 50e3, 0.03, 1.0)  # rate at 1000 K, energy, cap


def slope_of(function, x, step):
    """Fourth-order central difference."""
    return (8 * (function(x + step) - function(x - step)) - (function(x + 2 * step) - function(x - 2 * step))) / (12 * step)


@pytest.mark.parametrize("temperature", [300.0, 900.0, 1200.0, 1400.0])
@pytest.mark.parametrize("law", [carbonates.dissociation_pressure_barium_slope, carbonates.front_speed])
def test_slopes_of_temperature(law, temperature):
    _, slope = law(temperature)
    assert slope == pytest.approx(slope_of(lambda t: law(t)[0], temperature, 3e-4 * temperature), rel=1e-7)


@pytest.mark.parametrize("held", [1e-9, 1e-7, 1e-6, 3e-5, 0.01, 1.0])
def test_remaining_slope(held):
    _, slope = carbonates.remaining_factor(held)
    assert slope == pytest.approx(slope_of(lambda x: carbonates.remaining_factor(x)[0], held, 1e-3 * held), rel=1e-8)


def test_remaining_factor_joins_at_zero_and_is_a_root_above():
    below, at = carbonates.remaining_factor(-1e-300), carbonates.remaining_factor(0.0)
    assert at[0] == 0.0 and at[1] == pytest.approx(1e3)
    assert below[1] == pytest.approx(at[1], rel=1e-12)
    assert carbonates.remaining_factor(-1e-7)[0] == pytest.approx(-1e-4)
    for held in (1e-3, 0.1, 1.0):
        assert carbonates.remaining_factor(held)[0] == pytest.approx(math.sqrt(held), rel=1e-3)


@pytest.mark.parametrize("ratio", [-5.0, -0.1, 0.3, 0.9991, 0.9995, 1.0, 1.0004])
def test_back_pressure_slope(ratio):
    _, slope = carbonates.back_pressure_factor(ratio)
    step = 1e-5 if 0.99 < ratio < 1.01 else 1e-3
    assert slope == pytest.approx(slope_of(lambda r: carbonates.back_pressure_factor(r)[0], ratio, step), rel=1e-7)


def test_back_pressure_joins_without_kinks():
    width = carbonates.BACK_PRESSURE_WIDTH
    for seam in (0.0, 1.0 - width, 1.0 + width):
        before, after = (carbonates.back_pressure_factor(seam + d) for d in (-1e-12, 1e-12))
        assert before[0] == pytest.approx(after[0], abs=1e-11)
        assert before[1] == pytest.approx(after[1], abs=1e-8)


@given(st.floats(-1e30, 1e30))
def test_back_pressure_factor_stays_within_its_bounds(ratio):
    value, slope = carbonates.back_pressure_factor(ratio)
    assert 0.0 <= value <= 2.0 and slope <= 0.0
    if ratio >= 1.0010001:  # a rounding beyond the seam at 1.001
        assert value == 0.0
    if 0.0 <= ratio <= 0.999:
        assert value == 1.0 - ratio


@pytest.mark.parametrize("held", [1e-5, 0.01, 0.6])
@pytest.mark.parametrize("share", [-0.01, 0.0, 0.4, 0.9993])
def test_breakdown_slopes(held, share):
    temperature, activity = 1200.0, 0.3
    pressure = share * activity * carbonates.dissociation_pressure_barium(temperature)

    def rate(x, t, p):
        return carbonates.breakdown_rate(x, t, p, 1.1e-6, activity)

    _, by_held, by_temperature, by_pressure = rate(held, temperature, pressure)
    scale = activity * carbonates.dissociation_pressure_barium(temperature)
    assert by_held == pytest.approx(slope_of(lambda x: rate(x, temperature, pressure)[0], held, 1e-3 * held), rel=1e-6)
    assert by_temperature == pytest.approx(slope_of(lambda t: rate(held, t, pressure)[0], temperature, 3e-3), rel=1e-6)
    # At no pressure the join of the levelling has a bend of curvature: a one-sided step error of its size.
    step = 1e-5 * scale
    limit = 1e-4 if share == 0.0 else 1e-6
    assert by_pressure == pytest.approx(slope_of(lambda p: rate(held, temperature, p)[0], pressure, step), rel=limit)


@pytest.mark.parametrize("held", [0.0, 0.01, 0.02985])
@pytest.mark.parametrize("share", [1.0003, 1.5, 100.0])
def test_recarbonation_slopes(held, share):
    temperature, activity = 1100.0, 0.3
    pressure = share * activity * carbonates.dissociation_pressure_barium(temperature)

    def rate(x, t, p):
        return carbonates.recarbonation_rate(x, t, p, activity, *RECARBONATION)

    value, by_held, by_temperature, by_pressure = rate(held, temperature, pressure)
    assert value > 0.0
    assert by_held == pytest.approx(slope_of(lambda x: rate(x, temperature, pressure)[0], held, 1e-6), rel=1e-6)
    assert by_temperature == pytest.approx(slope_of(lambda t: rate(held, t, pressure)[0], temperature, 1e-3), rel=1e-6)
    assert by_pressure == pytest.approx(slope_of(lambda p: rate(held, temperature, p)[0], pressure, 1e-5 * pressure), rel=1e-6)


def test_recarbonation_is_the_stated_law():
    """Half the rate at the half pressure above equilibrium, Arrhenius, and the room below the cap."""
    limit = 0.3 * carbonates.dissociation_pressure_barium(1000.0)
    room = 0.03 - 0.01 - carbonates.CAP_WIDTH

    def rate(temperature, pressure):
        return carbonates.recarbonation_rate(0.01, temperature, pressure, 0.3, 1e-3, 50e3, 0.03, 5.0)[0]

    assert rate(1000.0, limit + 5.0) == pytest.approx(1e-3 * 0.5 * room, rel=1e-12)
    assert rate(1000.0, limit + 45.0) == pytest.approx(1e-3 * 0.9 * room, rel=1e-12)
    # Far above equilibrium, at a pressure where S is 1 to 1e-7, only the Arrhenius factor is left.
    far = math.log(rate(800.0, 5e7) / rate(1000.0, 5e7))
    assert far == pytest.approx(-50e3 / GAS_CONSTANT * (1 / 800.0 - 1 / 1000.0), rel=1e-6)


@pytest.mark.parametrize("temperature", [293.0, 700.0, 1100.0])
@pytest.mark.parametrize("pressure", [-1e-15, 0.0])
def test_nothing_turns_back_in_vacuum(temperature, pressure):
    assert carbonates.recarbonation_rate(0.0, temperature, pressure, 0.3, *RECARBONATION) == (0.0, 0.0, 0.0, 0.0)


@given(st.floats(0.0, 1.0), st.floats(290.0, 1400.0), st.floats(0.0, 1e5), st.floats(0.01, 1.0))
def test_recarbonation_stops_at_its_cap_and_never_runs_backwards(held, temperature, pressure, activity):
    value, by_held, _, by_pressure = carbonates.recarbonation_rate(held, temperature, pressure, activity, *RECARBONATION)
    assert value >= 0.0 and by_held <= 0.0 and by_pressure >= 0.0
    if held >= RECARBONATION[2]:
        assert value == 0.0


@given(st.floats(-1e-12, 1.0), st.floats(250.0, 1500.0), st.floats(-1e-9, 1e5), st.floats(0.01, 1.0))
def test_rates_are_finite_everywhere(held, temperature, pressure, activity):
    everything = (
        *carbonates.breakdown_rate(held, temperature, pressure, 1.1e-6, activity),
        *carbonates.recarbonation_rate(held, temperature, pressure, activity, *RECARBONATION),
    )
    assert all(math.isfinite(v) for v in everything)


@pytest.mark.parametrize("temperature", [1.0, 20.0, 77.0])
@pytest.mark.parametrize("pressure", [-1e-9, 0.0, 1e-9, 1e5])
def test_deep_cold_does_not_overflow(temperature, pressure):
    rates = (
        *carbonates.breakdown_rate(0.5, temperature, pressure, 1.1e-6, 0.3),
        *carbonates.recarbonation_rate(0.01, temperature, pressure, 0.3, *RECARBONATION),
    )
    assert all(math.isfinite(v) for v in rates)


@given(st.floats(1e-3, 1.0), st.floats(1000.0, 1400.0), st.floats(0.0, 1.2), st.floats(0.0, 1.2))
def test_carbon_dioxide_slows_breakdown_and_stops_it_at_the_dissociation_pressure(held, temperature, first, second):
    limit = 0.3 * carbonates.dissociation_pressure_barium(temperature)
    low, high = sorted((first, second))
    slower, faster = (carbonates.breakdown_rate(held, temperature, s * limit, 1.1e-6, 0.3)[0] for s in (high, low))
    assert 0.0 <= slower <= faster
    if high > 1.001:
        assert slower == 0.0


def test_breakdown_follows_the_shrinking_needle_and_ends():
    """Integrated in vacuum at constant heat against 1 - (1 - v t/r0)^2; then finished for good."""
    temperature, radius = 1323.15, 2.5e-6
    speed, _ = carbonates.front_speed(temperature)
    end = radius / speed

    def rate(t, x):
        return [-carbonates.breakdown_rate(x[0], temperature, 0.0, radius, 0.3)[0]]

    def by_held(t, x):
        return [[-carbonates.breakdown_rate(x[0], temperature, 0.0, radius, 0.3)[1]]]

    run = solve_ivp(rate, (0.0, 1.5 * end), [1.0], method="Radau", jac=by_held, rtol=1e-8, atol=1e-12, dense_output=True)
    for share in (0.1, 0.5, 0.9, 0.99):
        # The rounding of the root near the end (x + 1e-6) costs up to 1e-5 of held fraction.
        assert 1.0 - run.sol(share * end)[0] == pytest.approx(carbonates.needle_converted(share * end, speed, radius), abs=2e-5)
    assert 1.0 - run.sol(1.5 * end)[0] == pytest.approx(1.0, abs=1e-9)
    assert carbonates.needle_converted(2.0 * end, speed, radius) == 1.0


def test_barium_comes_last():
    for temperature in (900.0, 1000.0, 1100.0, 1200.0):
        barium = carbonates.dissociation_pressure_barium(temperature)
        strontium = carbonates.dissociation_pressure_strontium(temperature)
        calcium = carbonates.dissociation_pressure_calcium(temperature)
        assert barium < strontium < calcium


def _species():
    both = cantera.Species.list_from_file("nasa_condensed.yaml") + cantera.Species.list_from_file("nasa_gas.yaml")
    return {s.name: s.thermo for s in both}


NASA = _species()


def _gibbs(name, temperature):
    """Gibbs energy [J/mol] at 1 atm or 1 bar, whichever the polynomials are for (1 % of a pressure)."""
    thermo = NASA[name]
    return 1e-3 * (thermo.h(temperature) - temperature * thermo.s(temperature))


@pytest.mark.parametrize("temperature", np.linspace(800.0, 1200.0, 9))
def test_calcium_against_tabled_polynomials(temperature):
    change = _gibbs("CaO(s)", temperature) + _gibbs("CO2", temperature) - _gibbs("CaCO3(caL)", temperature)
    tabled = NASA["CO2"].reference_pressure * math.exp(-change / (GAS_CONSTANT * temperature))
    assert carbonates.dissociation_pressure_calcium(temperature) == pytest.approx(tabled, rel=0.03)  # one straight line


def _carbonate_gibbs(enthalpy, entropy, heat_capacity, transitions, temperature):
    """Gibbs energy [J/mol] of a carbonate from 298.15 K on, with cp = a + b T + c/T^2 and its transitions."""
    a, b, c = heat_capacity
    t0 = 298.15
    h = enthalpy + a * (temperature - t0) + 0.5 * b * (temperature**2 - t0**2) - c * (1.0 / temperature - 1.0 / t0)
    s = entropy + a * math.log(temperature / t0) + b * (temperature - t0) - 0.5 * c * (1.0 / temperature**2 - 1.0 / t0**2)
    for at, heat in transitions:
        if temperature > at:
            h += heat
            s += heat / at
    return h - temperature * s


# Heat capacities and transitions recalled from Kelley's compilation; enthalpies and entropies from the CRC table,
# but -1216.3 (recalled, NBS 1982) for BaCO3 where the CRC table has -1213.0.
BARIUM = (-1216.3e3, 112.1, (86.90, 48.95e-3, -11.97e5), ((1079.0, 18.8e3), (1241.0, 2.9e3)))
STRONTIUM = (-1220.1e3, 97.1, (89.62, 35.81e-3, -14.18e5), ((1197.0, 19.7e3),))


@pytest.mark.parametrize("temperature", [1000.0, 1100.0, 1200.0, 1300.0])
def test_barium_effusion_against_thermochemistry(temperature):
    change = _gibbs("BaO(s)", temperature) + _gibbs("CO2", temperature) - _carbonate_gibbs(*BARIUM, temperature)
    thermochemical = 1e5 * math.exp(-change / (GAS_CONSTANT * temperature))
    # 2 kJ/mol, the difference between tables, is 20 to 27 % at these temperatures.
    assert carbonates.dissociation_pressure_barium(temperature) == pytest.approx(thermochemical, rel=0.2)


@pytest.mark.parametrize("temperature", [900.0, 1000.0, 1100.0, 1190.0, 1300.0, 1430.0])
def test_strontium_against_thermochemistry(temperature):
    change = _gibbs("SrO(s)", temperature) + _gibbs("CO2", temperature) - _carbonate_gibbs(*STRONTIUM, temperature)
    thermochemical = 1e5 * math.exp(-change / (GAS_CONSTANT * temperature))
    assert carbonates.dissociation_pressure_strontium(temperature) == pytest.approx(thermochemical, rel=0.05)


@pytest.mark.parametrize(
    ("constant", "name"),
    [
        (carbonates.BARIUM_CONSTANT, "carbonates.barium.dissociation_constant"),
        (carbonates.BARIUM_SLOPE, "carbonates.barium.dissociation_slope"),
        (carbonates.APPARENT_CONSTANT, "carbonates.barium.apparent_constant"),
        (carbonates.APPARENT_SLOPE, "carbonates.barium.apparent_slope"),
        (carbonates.CARBONATE_VOLUME, "carbonates.barium.molar_volume"),
        (carbonates.STRONTIUM_TRANSITION, "carbonates.strontium.transition_temperature"),
        (carbonates.STRONTIUM_PRESSURE, "carbonates.strontium.transition_pressure"),
        (carbonates.STRONTIUM_SLOPE_BELOW, "carbonates.strontium.slope_below"),
        (carbonates.STRONTIUM_SLOPE_ABOVE, "carbonates.strontium.slope_above"),
        (carbonates.CALCIUM_CONSTANT, "carbonates.calcium.dissociation_constant"),
        (carbonates.CALCIUM_SLOPE, "carbonates.calcium.dissociation_slope"),
    ],
)
def test_constants_in_the_law_are_those_of_the_data_table(constant, name):
    assert published.value(name) == pytest.approx(constant, rel=1e-12)


def test_enthalpy_of_the_heat_balance_is_that_of_the_law():
    p, slope = carbonates.dissociation_pressure_barium_slope(1150.0)
    enthalpy = GAS_CONSTANT * 1150.0**2 * slope / p
    assert published.value("carbonates.reaction_enthalpy") == pytest.approx(enthalpy, rel=1e-3)
    assert carbonates.dissociation_pressure_barium(1e9) == pytest.approx(ATMOSPHERE * math.exp(17.632), rel=1e-4)
