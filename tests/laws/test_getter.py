"""The getter: exact slopes, closed forms against integration, and the chemical ceiling."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.special import erfcx

from exhaustsim.constants import GAS_NAMES
from exhaustsim.data import published
from exhaustsim.physics import getter

ACTIVE = ("H2", "H2O", "N2", "CO", "O2", "CO2")


def slope_of(function, x, step):
    """Fourth-order central difference."""
    return (8 * (function(x + step) - function(x - step)) - (function(x + 2 * step) - function(x - 2 * step))) / (12 * step)


@pytest.mark.parametrize("temperature", [300.0, 700.0, 1000.0, 1173.15, 1400.0])
def test_slopes_by_temperature(temperature):
    step = 1e-4 * temperature
    for law in (getter.barium_vapour_pressure, getter.hydrogen_plateau):
        assert law(temperature)[1] == pytest.approx(slope_of(lambda x, f=law: f(x)[0], temperature, step), rel=1e-8)
    rate, by_t, by_left = getter.evaporation_rate(5e-6, temperature, 0.4)
    assert by_t == pytest.approx(slope_of(lambda x: getter.evaporation_rate(5e-6, x, 0.4)[0], temperature, step), rel=1e-8)
    assert by_left == pytest.approx(rate / 0.4, rel=1e-14)
    assert getter.evaporation_rate(5e-6, temperature, 0.0)[0] == 0.0


@pytest.mark.parametrize("coverage", [-1e-3, 0.0, 0.3, 0.9, 0.9985, 1.0005, 1.5, 50.0])
@pytest.mark.parametrize("ratio", [1.0, 3.0, 20.0])
def test_film_sticking_slope(coverage, ratio):
    _, slope = getter.film_sticking(0.3, coverage, ratio)
    difference = slope_of(lambda x: getter.film_sticking(0.3, x, ratio)[0], coverage, 1e-5)
    assert slope == pytest.approx(difference, rel=1e-8, abs=1e-9)


def test_film_sticking_passes_through_zero_at_the_full_film_without_a_kink():
    before, at, after = (getter.film_sticking(0.3, 1.0 + x, 3.0) for x in (-1e-9, 0.0, 1e-9))
    assert at[0] == 0.0
    assert before[0] > 0.0 > after[0]
    assert before[1] == pytest.approx(after[1], abs=3e-9)


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(1.0, 100.0))
def test_film_sticking_stays_between_nothing_and_all(fresh, coverage, ratio):
    value, slope = getter.film_sticking(fresh, coverage, ratio)
    assert 0.0 <= value <= 1.0 + 1e-12
    assert slope <= 0.0
    assert value >= getter.film_sticking(fresh, coverage, 1.0)[0] - 1e-12  # a rougher film never takes less


def test_cavity_formula_against_bounces_in_a_cavity():
    """A molecule that enters a pore strikes r sites for each way out: sum the geometric series."""
    s, r = 0.2, 5.0
    # After each stroke without sticking it leaves with probability 1/r per stroke and strikes on otherwise.
    left, caught = 1.0, 0.0
    for _ in range(2000):
        caught += left * s
        left *= (1.0 - s) * (1.0 - 1.0 / r)
    assert getter.film_sticking(s, 0.0, r)[0] == pytest.approx(caught, rel=1e-12)


@pytest.mark.parametrize("mass", [-1e-15, 0.0, 1e-9, 1.5e-8, 1e-7, 1e-6])
def test_mirror_coverage_slope(mass):
    full = 1.5e-8
    _, slope = getter.mirror_coverage(mass, full)
    difference = slope_of(lambda x: getter.mirror_coverage(x, full)[0], mass, 1e-3 * full)
    assert slope == pytest.approx(difference, rel=1e-7, abs=1e-6 / full * 1e-3)


def test_constants_of_the_laws_are_those_of_the_table():
    assert published.value("getters.vapour_constant_a") == getter.VAPOUR_A
    assert published.value("getters.vapour_constant_b") == getter.VAPOUR_B
    assert published.value("getters.hydride_enthalpy") == pytest.approx(getter.HYDRIDE_ENTHALPY, rel=1e-12)
    assert published.value("getters.hydride_entropy") == pytest.approx(getter.HYDRIDE_ENTROPY, rel=1e-12)
    assert published.value("getters.barium_molar_mass") == pytest.approx(getter.BARIUM_MOLAR_MASS, rel=1e-12)
    for gas in ACTIVE:
        place = GAS_NAMES.index(gas)
        assert published.value(f"getters.bound.{gas}") == pytest.approx(getter.USUAL_BOUND[place], rel=1e-9)
        assert published.row(f"getters.bound.{gas}").high == pytest.approx(getter.WIDEST_BOUND[place], rel=1e-9)


@pytest.mark.parametrize("gas", ACTIVE)
def test_no_appetite_exceeds_what_chemistry_allows(gas):
    """The default must stay below the usual compound, the end of its range below the widest one."""
    place = GAS_NAMES.index(gas)
    row = published.row(f"getters.appetite.{gas}")
    assert row.value <= getter.stoichiometric_bound(getter.USUAL_BOUND[place])
    assert row.high <= getter.stoichiometric_bound(getter.WIDEST_BOUND[place])


def test_barium_takes_no_noble_gas_and_no_methane():
    for gas in ("He", "CH4", "Ar"):
        assert getter.WIDEST_BOUND[GAS_NAMES.index(gas)] == 0.0


@pytest.mark.parametrize("atoms", [("H2", 1.0), ("O2", 0.5), ("N2", 1 / 3), ("CO", 2 / 3), ("CO2", 0.4), ("H2O", 0.5)])
def test_bounds_balance_their_reactions(atoms):
    """Count atoms: barium per product must be used up by the gas that makes it."""
    gas, bound = atoms
    # per mole of gas: oxygen makes BaO (1 Ba per O), carbon makes BaC2 (1 Ba per 2 C), hydrogen BaH2 (1 Ba per 2 H),
    # nitrogen Ba3N2 (3 Ba per 2 N)
    elements = {"H2": {"H": 2}, "O2": {"O": 2}, "N2": {"N": 2}, "CO": {"C": 1, "O": 1}, "CO2": {"C": 1, "O": 2}, "H2O": {"H": 2, "O": 1}}
    barium_per_atom = {"H": 0.5, "O": 1.0, "N": 1.5, "C": 0.5}
    needed = sum(n * barium_per_atom[e] for e, n in elements[gas].items())
    assert getter.USUAL_BOUND[GAS_NAMES.index(gas)] == pytest.approx(1.0 / needed)
    assert bound == pytest.approx(1.0 / needed)


@pytest.mark.parametrize("beta", [0.5, 0.9, 1.0, 1.0 + 1e-13, 1.0 + 1e-9, 2.0, 5.0])
def test_sealed_pressure_against_integration(beta):
    tau = 5.0
    run = solve_ivp(lambda t, x: -x * (1 - beta + beta * x), (0, tau), [1.0], rtol=1e-11, atol=1e-13)
    law = getter.sealed_pressure_finite_capacity(2.0, 2.0 * 1e-5 / beta, 1e-3, 1e-5, tau * 1e-2)
    assert law / 2.0 == pytest.approx(run.y[0, -1], rel=1e-8)


@pytest.mark.parametrize("beta", [0.3, 1.0, 1.8])
def test_sealed_time_is_the_inverse(beta):
    start, volume, speed = 3.0, 1e-5, 2e-3
    capacity = start * volume / beta
    pressure = getter.sealed_pressure_finite_capacity(start, capacity, speed, volume, 0.02)
    assert getter.sealed_time_finite_capacity(start, pressure, capacity, speed, volume) == pytest.approx(0.02, rel=1e-9)


def test_sealed_time_that_never_comes_is_not_a_number():
    assert math.isnan(getter.sealed_time_finite_capacity(1.0, 0.1, 0.5e-6, 1e-3, 1e-6))


@pytest.mark.parametrize(("beta0", "kappa", "tau"), [(0.0, 0.1, 10.0), (0.5, 0.1, 5.0), (1.6, 0.2, 8.0), (0.0, 1e-3, 30.0), (0.2, 1e-5, 20.0)])
def test_loaded_film_against_integration(beta0, kappa, tau):
    run = solve_ivp(lambda t, th: (1 - th) * (beta0 + kappa * t - th), (0, tau), [0.0], rtol=1e-12, atol=1e-14, method="DOP853")
    gas, used = getter.loaded_film(beta0, kappa, tau)
    assert used == pytest.approx(run.y[0, -1], rel=1e-9)
    # The gas is the small difference of the two sides: absolute accuracy is what it has.
    assert gas == pytest.approx(beta0 + kappa * tau - run.y[0, -1], abs=1e-10)


@pytest.mark.parametrize("x", [-3.0, 0.0, 0.5, 5.0, 19.999999, 20.0, 25.0, 300.0])
def test_scaled_error_function(x):
    # exp(x^2) loses x^2 units in the last place below the seam at 20, the series has 1e-13 above it.
    assert getter._scaled_erfc(x) == pytest.approx(erfcx(x), rel=2e-13)


def test_bench_times_against_integration():
    capacity, speed, source, conductance = 1e-4, 5e-3, 1e-2, 1e-4

    def rate(t, q):
        s = speed * (1 - q[0] / capacity)
        return [s * conductance * source / (conductance + s)]

    def done(t, q):
        return q[0] - 0.95 * capacity

    done.terminal = True
    run = solve_ivp(rate, (0, 500), [0.0], events=done, rtol=1e-10, atol=1e-16)
    assert getter.bench_time_constant_source(capacity, speed, source, conductance, 0.05) == pytest.approx(run.t_events[0][0], rel=1e-7)


def test_hydrogen_plateau_is_nothing_at_room_temperature_and_a_bar_at_1360_kelvin():
    assert getter.hydrogen_plateau(300.0)[0] < 1e-18
    assert getter.hydrogen_plateau(1359.656)[0] == pytest.approx(1e5, rel=1e-4)


def test_film_mass_adds_up_over_a_sphere():
    """Thickness over a sphere with the ring on its surface must add up to the mass (cosine law)."""
    radius, mass, density = 0.01, 1e-6, 3620.0
    angle = np.linspace(0, np.pi, 20001)[1:-1]  # at the centre, from the ring's place
    distance = 2 * radius * np.sin(angle / 2)
    cosine = np.sin(angle / 2)  # both angles of a chord of a sphere
    thick = np.array([getter.film_thickness(mass, density, d, c, c) for d, c in zip(distance, cosine, strict=True)])
    total = np.trapezoid(thick * 2 * np.pi * radius**2 * np.sin(angle), angle) * density
    assert total == pytest.approx(mass, rel=1e-6)


def test_argon_floor_is_the_ideal_gas():
    assert getter.ungettered_pressure(0.0, 300.0, 1e-5) == 0.0
    assert getter.ungettered_pressure(1e-9, 300.0, 1e-5) == pytest.approx(1e-9 * 8.314462618 * 300.0 / 1e-5, rel=1e-10)
