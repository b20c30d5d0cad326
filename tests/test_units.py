"""Text to SI and back: every unit against an independent units library, and every refusal."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from exhaustsim.constants import GAS_CONSTANT, REFERENCE_TEMPERATURE, ZERO_CELSIUS
from exhaustsim.units import KINDS, UnitFault, convert, format_number, parse, parse_any, share_texts, show

ALL_UNITS = [(kind, unit) for kind, k in KINDS.items() for unit in k.units]

# --- against an independent units library -----------------------------------------------------

#: Our spelling -> the witness's.  Gas amounts are left to `test_gas_amounts`.
WITNESS = {
    "degC": "kelvin", "umHg": "1e-3 millimeter_Hg", "uHg": "1e-3 millimeter_Hg", "micron_hg": "1e-3 millimeter_Hg",
    "mtorr": "1e-3 torr", "1": "dimensionless", "%": "percent", "mL": "milliliter", "ug": "microgram",
    "days": "day", "years": "year", "eV": "electron_volt * avogadro_number / mol",
}
AMOUNT_KINDS = {"amount", "throughput", "amount_per_mass", "amount_per_area", "throughput_per_area"}


def witness_spelling(unit: str) -> str:
    if unit in WITNESS:
        return WITNESS[unit]
    top, stroke, bottom = unit.partition("/")
    text = f"({top.replace(' ', '*')}){stroke}{bottom.replace(' ', '*')}"
    text = re.sub(r"(?<=[A-Za-z])([23])", r"**\1", text)
    return re.sub(r"(?<![a-z])L\b", "liter", text)


@pytest.fixture(scope="module")
def registry():
    import pint

    return pint.UnitRegistry()


@pytest.mark.parametrize(("kind", "unit"), [(k, u) for k, u in ALL_UNITS if k not in AMOUNT_KINDS])
def test_factor_agrees_with_an_independent_library(registry, kind, unit):
    witness = registry.parse_expression(witness_spelling(unit))
    base = next(u for u, factor in KINDS[kind].units.items() if factor == 1.0)
    expected = registry.Quantity(witness).to(registry.Quantity(registry.parse_expression(witness_spelling(base))).units)
    assert convert(1.0, kind, base) == 1.0 or unit == "degC"
    # mmHg is a rounded conventional value in both places: ten figures are what it has.
    assert KINDS[kind].units[unit] == pytest.approx(float(expected.magnitude), rel=1e-9, abs=0.0)


@pytest.mark.parametrize(
    ("text", "kind", "pascal_litres"),
    [
        ("1 Pa L", "amount", 1.0),
        ("1 mbar L", "amount", 100.0),
        ("1 torr L", "amount", 133.32236842105263),
        ("1 Pa m3", "amount", 1000.0),
        ("1 Pa L/s", "throughput", 1.0),
        ("1 lusec", "throughput", 0.133322387415),
        ("1 mbar L/s", "throughput", 100.0),
    ],
)
def test_gas_amounts_are_referred_to_20_degc(text, kind, pascal_litres):
    assert parse(text, kind) == pytest.approx(pascal_litres * 1e-3 / (GAS_CONSTANT * 293.15), rel=1e-12, abs=0.0)
    assert REFERENCE_TEMPERATURE == 293.15


def test_standard_cubic_centimetres_are_referred_to_0_degc():
    # 22 413.969 54 cm3 of an ideal gas at 0 degC and 1 atm are one mole (CODATA molar volume).
    assert parse("22413.96954 cm3 STP", "amount") == pytest.approx(1.0, rel=1e-9)
    assert parse("22413.96954 sccm", "throughput") == pytest.approx(1.0 / 60.0, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("1.5 Pa L/g", "amount_per_mass", 1.5e-3 / (GAS_CONSTANT * 293.15) / 1e-3),
        ("0.10 Pa L/cm2", "amount_per_area", 0.10e-3 / (GAS_CONSTANT * 293.15) / 1e-4),
        ("1 Pa L/(s cm2)", "throughput_per_area", 1e-3 / (GAS_CONSTANT * 293.15) / 1e-4),
        ("5.9 umol/mg", "amount_per_mass", 5.9),
    ],
)
def test_amounts_per_mass_and_area(text, kind, value):
    assert parse(text, kind) == pytest.approx(value, rel=1e-12, abs=0.0)


# --- spelling ---------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["60 W/m2K", "60 W/(m2 K)", "60 W/m2/K", "60 W/m²K", "60W/(m^2·K)", " 60   W/m2 K "])
def test_spellings_of_one_unit_meet(text):
    assert parse(text, "heat_transfer") == 60.0


@pytest.mark.parametrize("text", ["7.5 µHg", "7.5 μHg", "7.5 umHg", "7.5 micron_hg", "7.5 uHg"])
def test_microns_of_mercury(text):
    assert parse(text, "pressure") == pytest.approx(0.99991790561, rel=1e-9)


def test_numbers_in_every_usual_form():
    for text in ("0.003 m", "3e-3 m", "3E-3 m", ".3 cm", "3. mm", "+3 mm", "3mm"):
        assert parse(text, "length") == pytest.approx(3e-3, rel=1e-15)
    assert parse("−20 degC", "temperature") == pytest.approx(253.15)


# --- round trips ------------------------------------------------------------------------------


@given(case=st.sampled_from(ALL_UNITS), value=st.floats(min_value=1e-6, max_value=1e6))
def test_round_trip(case, value):
    kind, unit = case
    text = f"{value!r} {unit}"
    back = convert(parse(text, kind), kind, unit)
    # Adding and taking off 273.15 K costs the digits below 1e-13 of it.
    assert back == pytest.approx(value, rel=1e-12, abs=1e-12 * ZERO_CELSIUS if unit == "degC" else 0.0)


@pytest.mark.parametrize(("kind", "unit"), ALL_UNITS)
def test_unit_alone_gives_the_same_value_in_any_kind_that_has_it(kind, unit):
    value, _, _ = parse_any(f"2.5 {unit}")
    assert value == parse(f"2.5 {unit}", kind)


def test_every_example_is_of_its_kind():
    for name, kind in KINDS.items():
        assert math.isfinite(parse(kind.example, name))


# --- refusals ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "kind", "said"),
    [
        ("0.5", "pressure", 'no unit; needs a pressure, such as "0.5 Pa"'),
        (0.5, "pressure", 'no unit; needs a pressure, such as "0.5 Pa"'),
        ("12 cm3", "area", '"cm3" is the unit of a volume'),
        ("1 W", "throughput", '"W" is the unit of a power'),
        ("1 J", "amount", '"J" is the unit of an energy'),
        ("1 pa", "pressure", 'did you mean "Pa"?'),
        ("1 furlong", "length", "use one of m, cm, mm"),
        ("3,5 mm", "length", "write a decimal point"),
        ("about 3 mm", "length", "begin with a number"),
        ("", "length", "begin with a number"),
        ("nan mm", "length", "begin with a number"),
        ("1e999 mm", "length", "not finite"),
        (math.inf, "number", "not finite"),
        (math.nan, "number", "not finite"),
        (True, "number", "needs a plain number"),
        (None, "length", "needs a length"),
        (["3 mm"], "length", "needs a length"),
        ("-280 degC", "temperature", "below absolute zero"),
        ("-1 K", "temperature", "below absolute zero"),
        ("5 degC/min", "temperature_rate", 'such as "5 K/s"'),
        ("1 degF", "temperature", 'did you mean "degC"?'),
    ],
)
def test_refusal_says_what_is_needed(given, kind, said):
    with pytest.raises(UnitFault) as caught:
        parse(given, kind)
    assert said in str(caught.value)
    assert KINDS[kind].example in str(caught.value)


def test_unknown_unit_without_a_kind():
    with pytest.raises(UnitFault, match='unit "furlong" is not known'):
        parse_any("1 furlong")


def test_showing_in_a_unit_of_another_kind_is_refused():
    with pytest.raises(UnitFault, match='"mm" is the unit of a length'):
        convert(1.0, "pressure", "mm")


# --- display ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "kind", "unit", "text"),
    [
        (0.01234, "pressure", "Pa", "0.012 Pa"),
        (0.5, "pressure", "Pa", "0.50 Pa"),
        (134.0, "pressure", "Pa", "130 Pa"),
        (1.234e-5, "pressure", "Pa", "1.2e-5 Pa"),
        (0.01234, "pressure", "mbar", "1.2e-4 mbar"),
        (101325.0, "pressure", "Pa", "1.0e5 Pa"),
        (733.15, "temperature", "degC", "460.0 degC"),
        (0.1534, "share", "%", "15.3%"),
        (0.1534, "share", "1", "0.153"),
        (0.0, "pressure", "Pa", "0 Pa"),
        (math.nan, "pressure", "Pa", "not a number Pa"),
    ],
)
def test_show(value, kind, unit, text):
    assert show(value, kind, unit) == text


@pytest.mark.parametrize(
    ("value", "figures", "text"),
    [(9.96, 2, "10"), (0.0996, 2, "0.10"), (99999.0, 2, "1.0e5"), (-0.00123, 2, "-0.0012"), (1.0, 1, "1"),
     (math.inf, 2, "infinite"), (-math.inf, 2, "-infinite")],
)
def test_figures_survive_rounding_up(value, figures, text):
    assert format_number(value, figures) == text


@given(value=st.floats(min_value=1e-12, max_value=1e12), figures=st.integers(min_value=1, max_value=6))
def test_shown_number_is_within_half_a_last_figure(value, figures):
    assert float(format_number(value, figures)) == pytest.approx(value, rel=0.5000001 * 10.0 ** (1 - figures), abs=0.0)


@pytest.mark.parametrize(
    ("share", "limit", "texts"),
    [
        (0.9624, 0.995, ("96.2%", "99.5%")),
        (0.0166, 0.15, ("1.7%", "15%")),
        (0.99499, 0.995, ("99.499%", "99.5%")),
        (0.14998, 0.15, ("14.998%", "15.000%")),
        (1.0, 0.995, ("100%", "99.5%")),
        (0.995, 0.995, ("99.5%", "99.5%")),
    ],
)
def test_shares_and_their_limits_are_told_apart_in_per_cent(share, limit, texts):
    assert share_texts(share, limit) == texts
