"""Gases at rest: table and laws against general-purpose property libraries."""

import warnings

import cantera
import chemicals.viscosity
import numpy as np
import pytest
from chemicals import MW
from CoolProp.CoolProp import PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st

from exhaustsim.constants import ATMOSPHERE, AVOGADRO, GAS_CONSTANT, GAS_NAMES
from exhaustsim.data import published
from exhaustsim.physics import gases

FLUIDS = {
    "H2": "Hydrogen", "He": "Helium", "CH4": "Methane", "H2O": "Water", "N2": "Nitrogen", "O2": "Oxygen", "Ar": "Argon",
    "CO2": "CarbonDioxide",
}  # fmt: skip
CAS = {
    "H2": "1333-74-0", "He": "7440-59-7", "CH4": "74-82-8", "H2O": "7732-18-5", "N2": "7727-37-9", "CO": "630-08-0",
    "O2": "7782-44-7", "Ar": "7440-37-1", "CO2": "124-38-9",
}  # fmt: skip


def column(quantity):
    return np.array([published.value(f"gases.{gas}.{quantity}") for gas in GAS_NAMES])


M = column("molar_mass")
MU = column("viscosity")
EXPONENT = column("viscosity_exponent")
DIAMETER = column("diameter")


def witness_viscosity(gas, temperature):
    if gas == "CO":  # no reference equation of state with viscosity exists for it
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the library's own table reader uses a retired option
            table = chemicals.viscosity.mu_data_VDI_PPDS_8
        a, b, c, d, e = (table.loc[CAS[gas]][k] for k in "ABCDE")
        return a + temperature * (b + temperature * (c + temperature * (d + temperature * e)))
    return PropsSI("V", "T", temperature, "P", 10.0, FLUIDS[gas])


@pytest.mark.parametrize("gas", GAS_NAMES)
def test_molar_mass(gas):
    # Atomic weights were revised in the last printed digit between editions: 2e-5.
    assert published.value(f"gases.{gas}.molar_mass") * 1e3 == pytest.approx(MW(CAS[gas]), rel=2e-5)


@pytest.mark.parametrize("gas", GAS_NAMES)
@pytest.mark.parametrize("temperature", [273.17, 293.15, 350.0, 450.0, 600.0, 673.0, 723.0])
def test_viscosity_over_the_whole_range(gas, temperature):
    got = gases.viscosity_power_law(temperature, MU[GAS_NAMES.index(gas)], 293.15, EXPONENT[GAS_NAMES.index(gas)])
    # The error of a two-number fit, as the note of each exponent states it; worst is CO2.
    assert got == pytest.approx(witness_viscosity(gas, temperature), rel=0.015)


@pytest.mark.parametrize("gas", GAS_NAMES)
def test_stated_error_of_each_exponent_is_the_true_one(gas):
    row = published.row(f"gases.{gas}.viscosity_exponent")
    stated = float(row.note.split("error ")[1].split(" %")[0]) / 100.0
    i = GAS_NAMES.index(gas)
    errors = [
        abs(gases.viscosity_power_law(t, MU[i], 293.15, EXPONENT[i]) / witness_viscosity(gas, t) - 1.0)
        for t in np.linspace(273.17, 723.15, 31)
    ]
    assert max(errors) == pytest.approx(stated, abs=2e-4)


@pytest.mark.parametrize("gas", sorted(FLUIDS))
def test_heat_properties(gas):
    cp = PropsSI("CP0MOLAR", "T", 293.15, "P", 10.0, FLUIDS[gas])
    assert published.value(f"gases.{gas}.heat_capacity_ratio") == pytest.approx(cp / (cp - GAS_CONSTANT), rel=1e-3)
    k = PropsSI("L", "T", 300.0, "P", 10.0, FLUIDS[gas])
    assert published.value(f"gases.{gas}.conductivity") == pytest.approx(k, rel=1e-3)


def test_heat_capacity_ratio_of_carbon_monoxide():
    gas = cantera.Solution("gri30.yaml")
    gas.TPX = 293.15, 10.0, "CO:1"
    # Two polynomial fits of the same spectroscopic values differ in the fourth figure.
    assert published.value("gases.CO.heat_capacity_ratio") == pytest.approx(gas.cp / gas.cv, rel=1e-3)


def test_air_shares_add_up():
    # Dry air less neon, krypton and the rest, 20 ppm; CO2 is of today, N2 and O2 of 1976.
    assert column("air_share").sum() == pytest.approx(1.0, abs=1e-4)


def test_diameter_is_that_of_the_viscosity():
    for i in range(len(GAS_NAMES)):
        assert gases.hard_sphere_diameter(MU[i], 293.15, M[i]) == pytest.approx(DIAMETER[i], rel=1e-4)


@settings(deadline=None)
@given(st.floats(200.0, 1400.0), st.sampled_from(range(9)))
def test_viscosity_slope(temperature, i):
    value, slope = gases.viscosity_slope(temperature, MU[i], 293.15, EXPONENT[i])
    h = 1e-3 * temperature
    f = [gases.viscosity_power_law(temperature + k * h, MU[i], 293.15, EXPONENT[i]) for k in (-2, -1, 1, 2)]
    assert value == gases.viscosity_power_law(temperature, MU[i], 293.15, EXPONENT[i])
    assert slope == pytest.approx((f[0] - 8 * f[1] + 8 * f[2] - f[3]) / (12 * h), rel=1e-9)


def test_speeds_are_the_mean_of_the_maxwell_distribution():
    """Mean of |v| of normally distributed components, by quadrature."""
    sigma = np.sqrt(GAS_CONSTANT * 293.15 / M[4])
    v = np.linspace(0.0, 12.0 * sigma, 20001)
    density = np.sqrt(2.0 / np.pi) * v**2 / sigma**3 * np.exp(-0.5 * (v / sigma) ** 2)
    assert gases.mean_speed(293.15, M[4]) == pytest.approx(np.trapezoid(v * density, v), rel=1e-7)
    assert gases.impingement_speed(293.15, M[4]) == pytest.approx(0.25 * gases.mean_speed(293.15, M[4]), rel=1e-15)


def test_definitions_agree_with_each_other():
    path = gases.mean_free_path(2.0, 293.15, M[4], MU[4])
    delta = gases.rarefaction_parameter(2.0, 1.5e-3, MU[4], 293.15, M[4])
    assert delta == pytest.approx(0.5 * np.sqrt(np.pi) * 1.5e-3 / path, rel=1e-14)
    assert gases.knudsen_number(2.0, 3e-3, 293.15, M[4], MU[4]) == pytest.approx(path / 3e-3, rel=1e-14)


def wilke_table(viscosity):
    out = np.zeros((9, 9))
    gases.wilke_factors(M, viscosity, out)
    return out


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.01, 1.0), min_size=9, max_size=9))
def test_mixture_viscosity_is_that_of_the_chemicals_library(weights):
    x = np.array(weights) / sum(weights)
    witness = chemicals.viscosity.Wilke(list(x), list(MU), list(M * 1e3))
    assert gases.mixture_viscosity(x, MU, wilke_table(MU)) == pytest.approx(witness, rel=1e-12)


@pytest.mark.parametrize(
    ("temperature", "without_water", "with_water", "water_in_helium"),
    [(483.0, 0.011, 0.018, 0.031), (673.0, 0.016, 0.025, 0.043)],
)
def test_error_of_keeping_the_mixing_factors_of_293_kelvin(temperature, without_water, with_water, water_in_helium):
    """The figures that the docstring of `wilke_factors` states, as worst over all pairs of gases."""
    hot = np.array([gases.viscosity_power_law(temperature, MU[i], 293.15, EXPONENT[i]) for i in range(9)])
    frozen, full = wilke_table(MU), wilke_table(hot)
    worst = {"none": 0.0, "some": 0.0, "helium": 0.0}
    for i, a in enumerate(GAS_NAMES):
        for j, b in enumerate(GAS_NAMES[:i]):
            kind = "none" if "H2O" not in (a, b) else "helium" if "He" in (a, b) else "some"
            for share in np.linspace(0.05, 0.95, 19):
                x = np.zeros(9)
                x[i], x[j] = share, 1.0 - share
                error = gases.mixture_viscosity(x, hot, frozen) / gases.mixture_viscosity(x, hot, full) - 1.0
                worst[kind] = max(worst[kind], abs(error))
    assert worst["none"] == pytest.approx(without_water, abs=5e-4)
    assert worst["some"] == pytest.approx(with_water, abs=5e-4)
    assert worst["helium"] == pytest.approx(water_in_helium, abs=1e-3)


def test_diffusivity_against_a_library_with_real_potentials():
    """Eight gases with tabulated potentials; the figures stated in the docstring."""
    gas = cantera.Solution("gri30.yaml")
    gas.TP = 293.15, ATMOSPHERE
    table = gas.binary_diff_coeffs
    dry, wet = [], []
    for i, a in enumerate(GAS_NAMES):
        for j, b in enumerate(GAS_NAMES[: i + 1]):
            if "He" in (a, b):
                continue  # not in that mechanism
            real = table[gas.species_index(a.upper()), gas.species_index(b.upper())]
            hard = gases.mutual_diffusivity(293.15, ATMOSPHERE, M[i], M[j], DIAMETER[i], DIAMETER[j])
            (wet if "H2O" in (a, b) and a != b else dry).append(real / hard)
    assert (min(dry), max(dry)) == pytest.approx((1.11, 1.27), abs=0.01)
    assert np.mean(dry) == pytest.approx(1.14, abs=0.01)  # the factor of the flow law
    assert (min(wet), max(wet)) == pytest.approx((1.22, 1.57), abs=0.01)


def test_diffusivity_forms_the_hard_sphere_viscosity():
    """Equal molecules: rho D/mu = 6/(5 x 1.016034), the Chapman-Enskog value for hard spheres."""
    i = 4
    density = M[i] * 1e5 / (GAS_CONSTANT * 293.15)
    d = gases.mutual_diffusivity(293.15, 1e5, M[i], M[i], DIAMETER[i], DIAMETER[i])
    assert density * d / MU[i] == pytest.approx(1.2 / gases.HARD_SPHERE_CORRECTION, rel=2e-4)
    assert d * 2.0 == pytest.approx(gases.mutual_diffusivity(293.15, 0.5e5, M[i], M[i], DIAMETER[i], DIAMETER[i]))
    assert M[i] / AVOGADRO == pytest.approx(4.6517e-26, rel=1e-4)
