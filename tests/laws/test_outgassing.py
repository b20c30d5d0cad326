"""Gas held in parts: exact slopes, seams, closed forms against integration, the one-over-time law."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp
from scipy.special import exp1

from exhaustsim.constants import GAS_CONSTANT
from exhaustsim.data import published
from exhaustsim.physics import desorption, outgassing


def slope_of(function, x, step):
    """Fourth-order central difference."""
    return (8 * (function(x + step) - function(x - step)) - (function(x + 2 * step) - function(x - 2 * step))) / (12 * step)


@pytest.mark.parametrize("temperature", [253.0, 293.15, 700.0, 1300.0])
@pytest.mark.parametrize("law", [outgassing.rate_constant_slope, outgassing.diffusivity_slope])
def test_arrhenius_slopes(law, temperature):
    value, slope = law(3.0e5, 137e3, temperature)
    difference = slope_of(lambda t: law(3.0e5, 137e3, t)[0], temperature, 1e-3 * temperature)
    assert slope == pytest.approx(difference, rel=1e-7)
    plain = {"rate_constant_slope": outgassing.rate_constant, "diffusivity_slope": outgassing.diffusivity}
    assert value == plain[law.__name__](3.0e5, 137e3, temperature)


@pytest.mark.parametrize("clock", [1e-9, 1e-6, 1e-3, 0.02, 0.045, 0.07, 0.3, 1.0])
def test_slab_slopes(clock):
    first, second = outgassing.slab_release_slope(clock)
    step = 2e-3 * clock
    assert first == pytest.approx(slope_of(outgassing.slab_released, clock, step), rel=1e-8)
    assert second == pytest.approx(slope_of(outgassing.slab_release, clock, step), rel=1e-8)


def test_slab_seam_is_beyond_rounding():
    below = np.nextafter(outgassing.SLAB_SEAM, 0.0)
    at = outgassing.SLAB_SEAM
    assert outgassing.slab_released(below) == pytest.approx(outgassing.slab_released(at), rel=1e-14)
    for early, late in zip(outgassing.slab_release_slope(below), outgassing.slab_release_slope(at), strict=True):
        assert early == pytest.approx(late, rel=1e-13)


@pytest.mark.parametrize("seam", [4e-4])
def test_dropped_images_are_below_rounding(seam):
    below, above = seam * (1 - 1e-15), seam * (1 + 1e-15)
    for early, late in zip(outgassing.slab_release_slope(below), outgassing.slab_release_slope(above), strict=True):
        assert early == pytest.approx(late, rel=1e-13)
    assert outgassing.slab_released(below) == pytest.approx(outgassing.slab_released(above), rel=1e-13)


@pytest.mark.parametrize("clock", [0.004, 0.02, 0.05, 0.1, 0.4])
def test_slab_series_written_out(clock):
    odd = np.arange(1, 801, 2)
    released = 1.0 - np.sum(8.0 / (odd * math.pi) ** 2 * np.exp(-((odd * math.pi) ** 2) * clock))
    assert outgassing.slab_released(clock) == pytest.approx(released, rel=1e-13)


def test_slab_against_a_grid_and_any_course_of_temperature():
    """Finite differences in depth, temperature rising and falling: the clock alone decides."""
    depth = 200
    constants = published.group("diffusion.carbon_in_nickel")
    d0, energy = constants["prefactor"].value, constants["energy"].value
    thickness = 0.13e-3

    def temperature(t):
        return 900.0 + 300.0 * math.sin(math.pi * t / 60.0)

    cell = thickness / depth
    matrix = np.diag(np.full(depth, -2.0)) + np.diag(np.ones(depth - 1), 1) + np.diag(np.ones(depth - 1), -1)
    matrix[0, 0] = matrix[-1, -1] = -3.0  # faces at zero, half a cell away

    def rates(t, c):
        d = outgassing.diffusivity(d0, energy, temperature(t))
        return d / cell**2 * (matrix @ c)

    def slopes(t, c):
        return outgassing.diffusivity(d0, energy, temperature(t)) / cell**2 * matrix

    run = solve_ivp(rates, (0.0, 60.0), np.ones(depth), method="BDF", jac=slopes, rtol=1e-7, atol=1e-10)
    clock, _ = quad(lambda t: outgassing.diffusivity(d0, energy, temperature(t)), 0.0, 60.0, epsabs=0.0, epsrel=1e-10)
    # The grid misses the first cells: error of order (cell/depth of penetration) squared, 1e-4 here.
    assert 1.0 - run.y[:, -1].mean() == pytest.approx(outgassing.slab_released(clock / thickness**2), rel=5e-4)


@given(st.floats(0.0, 5.0), st.floats(0.0, 5.0))
def test_slab_never_takes_back_and_never_gives_more_than_all(first, second):
    low, high = sorted((first, second))
    assert 0.0 <= outgassing.slab_released(low) <= outgassing.slab_released(high) <= 1.0
    release, change = outgassing.slab_release_slope(low)
    assert release >= 0.0 and change <= 0.0


def test_finite_at_and_below_zero():
    for clock in (-1e-3, -1e-15, 0.0, 1e-300, 1e-15, 1e-12):
        values = (*outgassing.slab_release_slope(clock), outgassing.slab_released(clock))
        assert all(math.isfinite(v) for v in values)
    assert outgassing.slab_released(-1e-15) == 0.0
    for age in (-1e-15, 0.0):
        assert all(math.isfinite(v) for v in outgassing.empirical_rate(1e-9, 1.0, age))
    # A clock that has long run out leaves nothing, and no error.
    assert outgassing.slab_released(1e6) == 1.0 and outgassing.slab_release(1e6) == 0.0


@pytest.mark.parametrize("age", [0.0, 0.05, 0.3, 10.0, 3600.0, 1e7])
def test_empirical_slope(age):
    rate, slope = outgassing.empirical_rate(1e-9, 1.1, age)
    step = 1e-3 * max(age, 0.1)
    difference = slope_of(lambda t: outgassing.empirical_rate(1e-9, 1.1, t)[0], age, step)
    assert slope == pytest.approx(difference, rel=1e-8, abs=1e-12 * rate / step)


def test_empirical_law_is_the_power_law_from_ten_seconds_on():
    for age in (10.0, 100.0, 3600.0):
        assert outgassing.empirical_rate(2.0, 1.1, age)[0] == pytest.approx(2.0 * (age / 3600.0) ** -1.1, rel=1e-4)


@pytest.mark.parametrize("x", [1e-12, 1e-3, 0.5, 0.999999, 1.000001, 2.0, 5.0, 40.0, 300.0])
def test_exponential_integral(x):
    assert desorption.exponential_integral(x) == pytest.approx(exp1(x), rel=1e-13)


@pytest.mark.parametrize("time", [1.0, 3600.0, 1e6])
def test_band_flux_is_the_integral_over_the_band(time):
    rt = GAS_CONSTANT * 295.0
    low, high = 70e3, 110e3

    def rate(energy):
        k = 1e13 * math.exp(-energy / rt)
        return k * math.exp(-k * time)

    front = min(max(rt * math.log(1e13 * time), low), high)
    value, _ = quad(rate, low, high, points=[front], epsabs=0.0, epsrel=1e-10, limit=200)
    assert desorption.band_desorption_flux(1.0, low, high, 1e13, 295.0, time) == pytest.approx(value / (high - low), rel=1e-8)
    slope = slope_of(lambda t: desorption.band_remaining(low, high, 1e13, 295.0, t), time, 1e-3 * time)
    assert -slope == pytest.approx(value / (high - low), rel=1e-7)


@pytest.mark.parametrize(("spacings_of_rt", "percent"), [(1.0, 0.07), (1.5, 1.5), (2.0, 6.4), (4.0, 53.0)])
def test_ripple_of_bins_is_the_one_stated(spacings_of_rt, percent):
    """Bins against the continuous band, while the emptying front is well inside the band."""
    temperature = 293.15
    spacing = 0.5 * outgassing.bin_spacing_limit(temperature) * spacings_of_rt
    energies = 20e3 + spacing * np.arange(0.5, 220e3 / spacing)
    k = 1e13 * np.exp(-energies / (GAS_CONSTANT * temperature))
    period = spacings_of_rt  # of the logarithm of time
    times = np.exp(np.linspace(math.log(1e3), math.log(1e3) + 2.0 * period, 400))
    smooth = GAS_CONSTANT * temperature / (spacing * times)
    binned = np.array([np.sum(k * np.exp(-k * t)) for t in times])
    y = 2.0 * math.pi / spacings_of_rt
    stated = 2.0 * math.sqrt(math.pi * y / math.sinh(math.pi * y))
    assert 100.0 * stated == pytest.approx(percent, rel=0.1)
    # Higher harmonics of the wave matter only at wide spacing: 5 % of it at 4 RT.
    assert np.abs(binned / smooth - 1.0).max() == pytest.approx(stated, rel=0.25 if spacings_of_rt > 3.0 else 0.01)


def test_anchor_cold_water_rate_of_the_small_triode():
    """36 cm2 of glass at 10 s: about 7e-3 Pa L/s by the rough reckoning of the demo scenario."""
    band = published.group("outgassing.water_band")
    amount = published.value("outgassing.glass_water") * 36e-4
    flux = desorption.band_desorption_flux(
        amount, band["low"].value, band["high"].value, band["attempt_frequency"].value, 293.15, 10.0
    )
    # At 10 s the front (79 kJ/mol) is just reaching the band: 1 - exp(-k t) of the full 1/t rate.
    full = amount * GAS_CONSTANT * 293.15 / ((band["high"].value - band["low"].value) * 10.0)
    assert full * GAS_CONSTANT * 293.15 * 1e3 == pytest.approx(7.0e-3, rel=0.1)
    k = outgassing.rate_constant(band["attempt_frequency"].value, band["low"].value, 293.15)
    assert flux / full == pytest.approx(1.0 - math.exp(-10.0 * k), rel=1e-9)
    assert flux / full > 0.4  # the reckoning took the whole of it


def test_sticking_does_not_change_the_late_pressure():
    """The band with return of gas, integrated stiffly: 1/t with the coefficient of no return."""
    temperature, area, speed, volume = 295.0, 140e-4, 1e-4, 50e-6
    low, high, count = 60e3, 120e3, 48
    energies = low + (high - low) * (np.arange(count) + 0.5) / count
    k = 1e13 * np.exp(-energies / (GAS_CONSTANT * temperature))
    full = 1e19 * area / 6.02214076e23 / count
    arrive = area * 588.82 / 4.0 / count
    rt = GAS_CONSTANT * temperature

    def late(sticking):
        def rates(t, y):
            gas, held = y[0], y[1:]
            back = sticking * arrive * gas / volume * (1.0 - held / full)
            change = back - k * held
            return np.concatenate(([-change.sum() - speed * gas / volume], change))

        start = np.concatenate(([0.0], np.full(count, full)))
        run = solve_ivp(rates, (0.0, 1e4), start, method="BDF", rtol=1e-6, atol=1e-18)
        return run.y[0, -1] * rt / volume

    expected = desorption.readsorption_pressure(1e19 * area / 6.02214076e23, high - low, temperature, speed, 1e4)
    for sticking in (0.0, 1e-3, 0.1):
        assert late(sticking) == pytest.approx(expected, rel=0.01)  # ripple of 48 bins and edges of the band


@given(st.floats(50e3, 200e3))
def test_no_single_energy_beats_the_bound(energy):
    k = outgassing.rate_constant(1e13, energy, 295.0)
    for time in (1.0, 100.0, 1e4):
        assert k * math.exp(-k * time) <= desorption.single_state_bound(1.0, time) * (1.0 + 1e-12)


@pytest.mark.parametrize(("frequency", "rate"), [(1e13, 1.0), (1e10, 0.1), (10**14.6, 5.0)])
def test_peak_is_where_the_rate_is_greatest(frequency, rate):
    energy = desorption.peak_energy_first_order(400.0, frequency, rate)

    def log_release(temperature):
        held, _ = quad(lambda t: outgassing.rate_constant(frequency, energy, t) / rate, 100.0, temperature, epsrel=1e-11, limit=200)
        return math.log(outgassing.rate_constant(frequency, energy, temperature)) - held

    assert slope_of(log_release, 400.0, 0.5) == pytest.approx(0.0, abs=1e-6)


def test_demo_water_band_agrees_with_the_published_rate_of_unbaked_walls():
    """Inventory and band of the demo give, after an hour, a rate inside the published range."""
    band = published.group("outgassing.water_band")
    flux = desorption.band_desorption_flux(
        published.value("outgassing.glass_water"), band["low"].value, band["high"].value,
        band["attempt_frequency"].value, 293.15, 3600.0,
    )  # fmt: skip
    metal = published.row("outgassing.empirical.metal")
    assert metal.low <= flux <= metal.high


def test_hydrogen_goes_and_carbon_monoxide_stays():
    """0.13 mm nickel for 20 s at 900 degC: hydrogen all out, carbon oxide mostly still in."""
    def out(law):
        row = published.group(f"diffusion.{law}")
        return outgassing.slab_released(outgassing.diffusivity(row["prefactor"].value, row["energy"].value, 1173.15) * 20.0 / 0.13e-3**2)

    assert out("hydrogen_in_nickel") > 0.999999
    assert out("oxygen_in_nickel") < 0.05 < out("carbon_in_nickel") < 0.5


def test_mica_keeps_its_body_water_at_600_and_loses_it_at_800():
    """Sheets were read to stand an hour at 600 degC unchanged."""
    row = published.group("outgassing.mica_body_water")
    lost = [
        1.0 - math.exp(-3600.0 * outgassing.rate_constant(row["prefactor"].value, row["energy"].value, t))
        for t in (873.15, 1073.15)
    ]
    assert lost[0] < 0.005 and lost[1] > 0.5
