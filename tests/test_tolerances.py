"""Tolerance files and the dice: what is refused, and that what is drawn has the distribution that the file names.

Witness for the distributions: scipy.stats.  Valves here are never marched.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtri

from exhaustsim.data.template import text_of
from exhaustsim.engine.phases import heater_temperature
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.faults import DesignFault
from exhaustsim.plant.tolerances import QUANTITIES, Correlation, Tolerance, Tolerances, correlation_faults, correlation_matrix, load_tolerances
from exhaustsim.studies.draws import dice_of, uniforms, value_of
from exhaustsim.studies.scattered import EFFECTS, nominal_values, schedule_faults, told, with_values
from exhaustsim.studies.spread import request_faults
from exhaustsim.units import PASCAL_LITRE

DEMO = Path(__file__).parent.parent / "demo_data"
SCORES = ndtri(np.linspace(0.001, 0.999, 41))


@pytest.fixture(scope="module")
def standard():
    return load_schedule(DEMO / "schedules" / "dt1_standard.toml")


def written(tmp_path, text: str) -> Path:
    path = tmp_path / "scatter.toml"
    path.write_text(text, encoding="utf-8")
    return path


def entry(quantity: str, rest: str, distribution: str = "normal") -> str:
    return f'[[tolerance]]\nquantity = "{quantity}"\ndistribution = "{distribution}"\n{rest}\n'


def refused(tmp_path, text: str) -> list:
    with pytest.raises(DesignFault) as problem:
        load_tolerances(written(tmp_path, text))
    assert "Traceback" not in str(problem.value)
    return problem.value.faults


# ---- files -----------------------------------------------------------------------------


def test_demo_dt1_is_the_ordinary_scatter():
    """Source: cathode 12 degC, coating 6 %, bore 0.05 mm, barium 12 %, one sigma."""
    found = {t.quantity: t for t in load_tolerances(DEMO / "tolerances" / "dt1.toml").tolerances}
    assert {name: (round(t.sigma, 9), t.relative) for name, t in found.items()} == {
        "cathode_temperature": (12.0, False), "coating_mass": (0.06, True), "bore": (0.05e-3, False), "barium": (0.12, True),
    }  # fmt: skip


@pytest.mark.parametrize("valve", ["dt1", "dp2", "dr3"])
def test_demo_tolerances_fit_their_schedule_and_say_that_they_are_invented(valve):
    path = DEMO / "tolerances" / f"{valve}.toml"
    assert "nvented" in path.read_text(encoding="utf-8").splitlines()[0]
    schedule = load_schedule(DEMO / "schedules" / f"{valve}_standard.toml")
    assert schedule_faults(schedule, load_tolerances(path)) == []


def test_template_reads_and_names_every_quantity(tmp_path):
    text = text_of("tolerances")
    found = load_tolerances(written(tmp_path, text))
    assert len(found.tolerances) == 6 and found.has_lots and found.lot_size == 400
    assert "INVENTED EXAMPLE" in text
    assert all(name in text for name in QUANTITIES)


def test_all_faults_are_told_at_once(tmp_path):
    faults = refused(tmp_path, 'name = "x"\n' + "".join((
        entry("boer", 'sigma = "1 mm"'), entry("bore", "sigma = 0.05"), entry("barium", 'sigma = "-5 %"'),
        entry("coating_mass", 'sigma = "5 %"\nlow = "60 %"\nhigh = "80 %"', "truncated_normal"), entry("oven_air", 'sigma = "12 degC"'),
        entry("glass_water", "factor = 0.9", "lognormal"), entry("mica_water", 'factor = 1.2\nlevel = "lot"', "lognormal"),
        entry("anode_co", 'sigma = "10 %"', "gaussian"), entry("rf_power", 'half_width = "3 W"', "uniform"), entry("in_leak", 'sigma = "1e-9 Pa L/s"'),
        entry("barium", 'sigma = "5 %"'),
    )))  # fmt: skip
    told_of = {fault.key: fault for fault in faults}
    assert 'did you mean "bore"' in told_of["tolerance[1].quantity"].cure
    assert "no unit" in told_of["tolerance[2].sigma"].need
    assert "above zero" in told_of["tolerance[3].sigma"].need
    assert "truncated to nothing" in told_of["tolerance[4].low"].need
    assert "K" in told_of["tolerance[5].sigma"].cure
    assert "above" in told_of["tolerance[6].factor"].need
    assert "lot_size" in told_of
    assert "tolerance[8].distribution" in told_of
    assert "%" in told_of["tolerance[9].half_width"].need
    assert "lognormal" in told_of["tolerance[10].distribution"].cure
    assert "twice" in told_of["tolerance[11].quantity"].need
    assert all(fault.need and fault.file for fault in faults)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('name = "x"\n', "says of nothing"),
        ('name = "x"\nlot_size = 0\n' + entry("bore", 'sigma = "1 %"'), "at least 1"),
        ('name = "x"\n' + entry("bore", 'sigma = "1 %"\nsigmas = 3'), "unknown key"),
        ('name = "x"\n' + entry("bore", 'sigma = "5 V"'), "needs a length"),
        ('name = "x"\n' + entry("bore", 'sigma = "5 %"', "truncated_normal"), "needs low or high"),
        ('name = "x"\n' + entry("bore", 'sigma = "5 %"\nlow = "0.1 mm"', "truncated_normal"), "is in % and this is not"),
        ('name = "x"\n' + entry("bore", 'sigma = "5 %"\nlow = "3 %"\nhigh = "2 %"', "truncated_normal"), "nothing between"),
        ('name = "x"\n' + entry("bore", 'sigma = "5 %"') + '[[correlation]]\nbetween = ["bore", "barium"]\ncoefficient = 0.5\n', "no tolerance of level"),
        ('name = "x"\n' + entry("bore", 'sigma = "5 %"') + '[[correlation]]\nbetween = ["bore"]\ncoefficient = 0.5\n', "list of two"),
        ('index_time = "12 s"\n', "this is a schedule file"),
    ],
)
def test_what_is_refused(tmp_path, text, words):
    assert any(words in f"{fault.need} {fault.cure}" for fault in refused(tmp_path, text)), words


def three(ab: float, ac: float, bc: float) -> Tolerances:
    names = ("bore", "barium", "coating_mass")
    pairs = (("bore", "barium", ab), ("bore", "coating_mass", ac), ("barium", "coating_mass", bc))
    return Tolerances("x", "x.toml", tuple(Tolerance(n, "normal", relative=True, sigma=0.01) for n in names), tuple(Correlation(*p) for p in pairs))


def test_impossible_correlations_name_a_pair_and_what_it_could_be():
    """Three correlations are possible together if the determinant 1 + 2abc - a^2 - b^2 - c^2 is not negative."""
    (fault,) = correlation_faults(three(0.9, 0.9, -0.9))
    assert "cannot be true together" in fault.need
    # With 0.9 and 0.9 the third lies above 2 x 0.81 - 1 = 0.62.
    assert "-0.62" in fault.cure or "0.62" in fault.cure
    assert correlation_faults(three(0.9, 0.9, 0.63)) == []
    assert len(correlation_faults(three(0.9, 0.9, 0.61))) == 1
    assert correlation_faults(three(1.0, 1.0, 1.0)) == []  # all together: singular, and possible


def test_a_pair_told_twice_is_refused():
    found = replace(three(0.1, 0.1, 0.1), correlations=(Correlation("bore", "barium", 0.1), Correlation("barium", "bore", 0.2)))
    assert any("twice" in fault.need for fault in correlation_faults(found))


def test_request_is_refused_whole(standard):
    bad = replace(three(0.9, 0.9, -0.9), tolerances=(*three(0, 0, 0).tolerances, Tolerance("in_leak", "lognormal", sigma=1.0, median=1e-12, probability=0.1)))
    faults = request_faults(standard, bad, 0, -1, 0, 0)
    assert {f.key for f in faults} == {"valves", "seed", "workers", "chunk", "correlation"}
    assert request_faults(standard, three(0, 0, 0), 1, 0) == []
    assert [f.key for f in request_faults(standard, three(0, 0, 0), True, 2**63)] == ["valves", "seed"]
    assert len(request_faults(standard, Tolerances("x", "x", ()), 10, 1)) == 1


def test_what_a_schedule_has_none_of_or_would_fall_below_zero_is_refused(standard):
    def faults(*tolerances):
        return schedule_faults(standard, Tolerances("x", "x", tolerances))

    wide = Tolerance("barium", "normal", relative=True, sigma=0.3)
    assert "lognormal" in faults(wide)[0].cure
    assert faults(replace(wide, distribution="truncated_normal", low=-0.5)) == []
    assert faults(Tolerance("barium", "lognormal", sigma=1.0)) == []
    dry = replace(standard, valve=replace(standard.valve, exhaust_stem=replace(standard.valve.exhaust_stem, burst_amount=0.0)))
    burst = Tolerances("x", "x", (Tolerance("tip_off_burst", "normal", relative=True, sigma=0.1),))
    assert "none of it" in schedule_faults(dry, burst)[0].need


# ---- what a tolerance moves ------------------------------------------------------------


@pytest.mark.parametrize("quantity", [q for q in QUANTITIES if q != "in_leak"])
def test_every_quantity_takes_the_value_it_is_given(standard, quantity):
    tolerance = Tolerance(quantity, "normal", relative=True, sigma=0.01)
    (nominal,) = nominal_values(standard, [tolerance])
    changed = with_values(standard, [tolerance], [1.03 * nominal])
    assert changed != standard
    if QUANTITIES[quantity].kind != "share":
        assert EFFECTS[quantity].nominal(changed) == pytest.approx(1.03 * nominal, rel=1e-12)
    assert with_values(standard, [tolerance], [nominal]) == standard


def test_effects_reach_what_belongs_together(standard):
    def with_one(quantity, value):
        return with_values(standard, [Tolerance(quantity, "normal")], [value])

    binder = [g.amount for p in standard.valve.parts for g in p.first_order_gases if g.label == "binder"]
    heavy = with_one("coating_mass", 1.1 * standard.valve.coating.mass)
    assert [g.amount for p in heavy.valve.parts for g in p.first_order_gases if g.label == "binder"] == pytest.approx([1.1 * x for x in binder])
    assert heavy.valve.coating.carbonate == pytest.approx(1.1 * standard.valve.coating.carbonate)
    assert with_one("barium", 3e-6).valve.getter.flash_gas == pytest.approx(0.75 * standard.valve.getter.flash_gas)
    weak = with_one("rf_power", 0.9)
    assert weak.positions[7].rf.power["anode"] == pytest.approx(0.9 * 38.6)
    assert weak.positions[13] == standard.positions[13]
    assert with_one("getter_rf_power", 0.9).positions[13].rf.power["getter_holder"] == pytest.approx(0.9 * 8.5)
    # The cathode file gives 1370 K at the hottest step of 11.87 V.
    hot = with_one("cathode_temperature", 1382.0)
    assert heater_temperature(hot.valve, 11.87) == pytest.approx(1382.0, abs=0.1)
    assert with_one("in_leak", 2e-9).valve.in_leak == 2e-9
    assert with_one("plate_leak", 2.0).machine.lines[0].in_leak_per_port == 2.0 * standard.machine.lines[0].in_leak_per_port


def test_told_in_words():
    assert told(Tolerance("cathode_temperature", "normal", sigma=12.0)) == "cathode temperature, one sigma 12 K"
    assert told(Tolerance("glass_water", "lognormal", "lot", sigma=math.log(1.3))) == "glass water (lot), one sigma a factor of 1.3"
    assert told(Tolerance("bore", "uniform", sigma=1e-4)) == "bore, half width 0.1 mm"


# ---- dice ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tolerance", "witness"),
    [
        (Tolerance("bore", "normal", sigma=5e-5, offset=1e-5), stats.norm(3.01e-3, 5e-5)),
        (Tolerance("bore", "normal", relative=True, sigma=0.02), stats.norm(3e-3, 6e-5)),
        (Tolerance("bore", "uniform", sigma=1e-4), stats.uniform(2.9e-3, 2e-4)),
        (Tolerance("bore", "lognormal", sigma=0.3), stats.lognorm(0.3, scale=3e-3)),
        (Tolerance("bore", "truncated_normal", sigma=1e-4, low=-5e-5, high=2e-4), stats.truncnorm(-0.5, 2.0, 3e-3, 1e-4)),
        (Tolerance("bore", "truncated_normal", sigma=1e-4, low=4e-4, high=6e-4), stats.truncnorm(4.0, 6.0, 3e-3, 1e-4)),
        (Tolerance("bore", "truncated_normal", sigma=1e-4, high=-3e-4), stats.truncnorm(-np.inf, -3.0, 3e-3, 1e-4)),
    ],
)
def test_distributions_are_those_of_the_file(tolerance, witness):
    """Witness: quantiles by scipy.stats."""
    share = np.linspace(0.001, 0.999, 41)
    drawn = np.sort(value_of(tolerance, 3e-3, SCORES))
    assert drawn == pytest.approx(witness.ppf(share), rel=1e-9)


def test_leaks_are_as_frequent_as_stated_and_of_the_size_stated():
    """Of evenly spread scores the stated share leaks, half of the leaks above the median."""
    tolerance = Tolerance("in_leak", "lognormal", sigma=math.log(5.0), median=1e-4 * PASCAL_LITRE, probability=0.05)
    leaks = value_of(tolerance, 0.0, ndtri((np.arange(20_000) + 0.5) / 20_000))
    there = leaks[leaks > 0.0]
    assert len(there) == 1000
    assert np.log(there).std() == pytest.approx(math.log(5.0), rel=0.01)
    assert np.median(there) == pytest.approx(1e-4 * PASCAL_LITRE, rel=0.01)


def test_draws_depend_on_seed_and_valve_only():
    every = uniforms(7, "valve", range(40), 3, False)
    assert np.array_equal(uniforms(7, "valve", range(25, 40), 3, False), every[25:])
    assert not np.any(uniforms(8, "valve", range(40), 3, False) == every)
    assert not np.any(uniforms(7, "lot", range(40), 3, False) == every)
    even = uniforms(7, "valve", range(64), 3, True)
    assert np.array_equal(uniforms(7, "valve", range(16, 64), 3, True), even[16:])
    assert 0.0 < every.min() and every.max() < 1.0


def test_even_draws_are_even():
    """A scrambled Sobol sequence puts one valve of 64 into each sixty-fourth of every quantity."""
    even = uniforms(3, "valve", range(64), 4, True)
    assert np.array_equal(np.sort((even * 64).astype(int), axis=0), np.tile(np.arange(64)[:, None], 4))


def test_correlated_draws_are_correlated():
    """20 000 draws: a correlation is known to (1 - r^2) / sqrt(n), five of which are allowed."""
    tolerances = three(0.6, -0.3, 0.1)
    dice = dice_of(tolerances, "valve", (3e-3, 4e-6, 3e-6))
    drawn = dice.values(uniforms(1, "valve", range(20_000), 3, False))
    assert np.corrcoef(drawn.T) == pytest.approx(correlation_matrix(tolerances, "valve"), abs=5 / math.sqrt(20_000))
    together = dice_of(three(1.0, 1.0, 1.0), "valve", (3e-3, 4e-6, 3e-6)).values(uniforms(1, "valve", range(50), 3, False))
    assert np.corrcoef(together.T) == pytest.approx(1.0, abs=1e-6)
