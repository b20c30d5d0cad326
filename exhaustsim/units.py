"""Text with a unit to and from SI: the only place where trade units exist.

Design files, logs, tables and plots speak of mm, Pa L, mbar and degC; everything inside the
package is SI (Pa, m^3, m, kg, s, K, mol).  `parse` reads one value of a stated kind and
refuses whatever does not carry a unit of that kind, with an example of what would do;
`show` writes one value for a person.

A list of allowed units per kind is kept instead of a dimension check, because dimensions
cannot tell a gas throughput (Pa m^3/s) from a power (W), nor a gas amount from an energy.

Gas amounts given as pressure times volume ("Pa L", "torr L", "mbar L") are referred to
20 degC and become moles; standard cubic centimetres are referred to 0 degC.
Not modelled: temperature differences in degC (write K), inches, and compound values such
as "1 h 20 min".

Public: `parse`, `parse_any`, `convert`, `show`, `format_number`, `UnitFault`, `KINDS`.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass

from exhaustsim.constants import ATMOSPHERE, GAS_CONSTANT, REFERENCE_TEMPERATURE, ZERO_CELSIUS

TORR = ATMOSPHERE / 760.0  # Pa, exact by definition
MILLIMETRE_OF_MERCURY = 133.322387415  # Pa, conventional; differs from the torr by 1.4e-7
PASCAL_LITRE = 1e-3 / (GAS_CONSTANT * REFERENCE_TEMPERATURE)  # mol, at 20 degC
STANDARD_CUBIC_CENTIMETRE = 1e-6 * ATMOSPHERE / (GAS_CONSTANT * ZERO_CELSIUS)  # mol, at 0 degC and 1 atm
CALORIE = 4.184  # J, thermochemical, exact by definition
ELECTRONVOLT_PER_PARTICLE = 1.602176634e-19 * 6.02214076e23  # J/mol
YEAR = 365.25 * 86400.0  # s, Julian year


class UnitFault(ValueError):
    """A value that cannot be read as what is needed.

    `need` says what is needed, with an example; `cure` says what to do about this text.
    """

    def __init__(self, need: str, cure: str = ""):
        self.need = need
        self.cure = cure
        super().__init__(f"{need}; {cure}" if cure else need)


@dataclass(frozen=True)
class Kind:
    """One kind of quantity: what it is called, an example, its units and their size in SI."""

    words: str  # "a pressure"
    example: str  # "0.5 Pa"
    units: dict[str, float]  # unit text as written by a person -> SI units in one of it
    figures: int = 3  # figures that `show` prints


_AMOUNT = {
    "Pa L": PASCAL_LITRE,
    "Pa m3": 1e3 * PASCAL_LITRE,
    "mbar L": 100.0 * PASCAL_LITRE,
    "torr L": TORR * PASCAL_LITRE,
    "mtorr L": 1e-3 * TORR * PASCAL_LITRE,
    "umHg L": 1e-3 * MILLIMETRE_OF_MERCURY * PASCAL_LITRE,
    "mol": 1.0,
    "mmol": 1e-3,
    "umol": 1e-6,
    "nmol": 1e-9,
    "cm3 STP": STANDARD_CUBIC_CENTIMETRE,
}
_MASS = {"kg": 1.0, "g": 1e-3, "mg": 1e-6, "ug": 1e-9}
_AREA = {"m2": 1.0, "cm2": 1e-4, "mm2": 1e-6}
_PRESSURE = {
    "Pa": 1.0,
    "hPa": 100.0,
    "kPa": 1e3,
    "MPa": 1e6,
    "bar": 1e5,
    "mbar": 100.0,
    "atm": ATMOSPHERE,
    "torr": TORR,
    "mtorr": 1e-3 * TORR,
    "mmHg": MILLIMETRE_OF_MERCURY,
    "umHg": 1e-3 * MILLIMETRE_OF_MERCURY,
    "uHg": 1e-3 * MILLIMETRE_OF_MERCURY,
    "micron_hg": 1e-3 * MILLIMETRE_OF_MERCURY,
}
_SPEED = {"m3/s": 1.0, "L/s": 1e-3, "cm3/s": 1e-6, "L/min": 1e-3 / 60.0, "m3/h": 1.0 / 3600.0}


def _ratios(numerators: dict[str, float], denominators: dict[str, float], pattern: str = "{}/{}") -> dict[str, float]:
    return {pattern.format(a, b): x / y for a, x in numerators.items() for b, y in denominators.items()}


KINDS: dict[str, Kind] = {
    "number": Kind("a plain number", "0.5", {"1": 1.0}),
    "share": Kind("a share between 0 and 1", "0.15", {"1": 1.0, "%": 0.01, "ppm": 1e-6}),
    "pressure": Kind("a pressure", "0.5 Pa", _PRESSURE, 2),
    "volume": Kind("a volume", "12 cm3", {"m3": 1.0, "L": 1e-3, "cm3": 1e-6, "mL": 1e-6, "mm3": 1e-9}),
    "length": Kind("a length", "3.0 mm", {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "um": 1e-6, "nm": 1e-9, "pm": 1e-12}),
    "angle": Kind("an angle", "90 deg", {"rad": 1.0, "deg": math.pi / 180.0}),
    "area": Kind("an area", "36 cm2", _AREA),
    "mass": Kind("a mass", "0.70 g", _MASS),
    "amount": Kind("a gas amount", "0.02 Pa L", _AMOUNT),
    "throughput": Kind(
        "a gas throughput",
        "0.005 Pa L/s",
        {**_ratios(_AMOUNT, {"s": 1.0}), "lusec": 1e-3 * MILLIMETRE_OF_MERCURY * PASCAL_LITRE,
         "sccm": STANDARD_CUBIC_CENTIMETRE / 60.0},
    ),
    "amount_per_mass": Kind("a gas amount per mass", "0.6 Pa L/g", _ratios(_AMOUNT, _MASS)),
    "amount_per_area": Kind("a gas amount per area", "0.10 Pa L/cm2", _ratios(_AMOUNT, _AREA)),
    "throughput_per_area": Kind(
        "a gas throughput per area", "1e-6 Pa L/(s cm2)", _ratios(_AMOUNT, _AREA, "{}/(s {})")
    ),
    "temperature": Kind("a temperature", "460 degC", {"K": 1.0, "degC": 1.0}, 4),
    "temperature_rate": Kind("a rate of temperature", "5 K/s", {"K/s": 1.0, "K/min": 1.0 / 60.0}),
    "time": Kind(
        "a time", "12 s",
        {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0, "day": 86400.0, "days": 86400.0, "year": YEAR, "years": YEAR},
    ),
    "power": Kind("a power", "38.6 W", {"W": 1.0, "mW": 1e-3, "kW": 1e3}),
    "voltage": Kind("a voltage", "6.3 V", {"V": 1.0, "mV": 1e-3, "kV": 1e3}),
    "current": Kind("a current", "8 mA", {"A": 1.0, "mA": 1e-3, "uA": 1e-6}),
    "speed": Kind("a pumping speed", "2.2 L/s", _SPEED),
    "speed_per_area": Kind(
        "a pumping speed per area", "11.9 L/(s cm2)", _ratios({"m3": 1.0, "L": 1e-3, "cm3": 1e-6}, _AREA, "{}/(s {})")
    ),
    "velocity": Kind("a velocity", "460 m/s", {"m/s": 1.0, "cm/s": 1e-2, "um/s": 1e-6}),
    "heat_transfer": Kind("a heat transfer per area", "60 W/m2K", {"W/(m2 K)": 1.0, "W/(cm2 K)": 1e4}),
    "thermal_conductance": Kind("a thermal conductance", "2e-3 W/K", {"W/K": 1.0, "mW/K": 1e-3}),
    "thermal_conductivity": Kind("a thermal conductivity", "0.026 W/(m K)", {"W/(m K)": 1.0, "mW/(m K)": 1e-3}),
    "heat_capacity": Kind("a heat capacity", "0.41 J/K", {"J/K": 1.0, "mJ/K": 1e-3}),
    "heat_capacity_slope": Kind("a growth of heat capacity", "9e-5 J/K2", {"J/K2": 1.0}),
    "specific_heat": Kind("a specific heat", "0.46 J/(g K)", {"J/(kg K)": 1.0, "J/(g K)": 1e3, "kJ/(kg K)": 1e3}),
    "specific_heat_slope": Kind("a growth of specific heat", "0.13 J/(kg K2)", {"J/(kg K2)": 1.0, "J/(g K2)": 1e3}),
    "molar_heat_capacity": Kind("a molar heat capacity", "29.1 J/(mol K)", {"J/(mol K)": 1.0}),
    "energy": Kind("an energy", "310 J", {"J": 1.0, "kJ": 1e3}),
    "molar_energy": Kind(
        "an energy per mole", "140 kJ/mol",
        {"J/mol": 1.0, "kJ/mol": 1e3, "cal/mol": CALORIE, "kcal/mol": 1e3 * CALORIE,
         "eV": ELECTRONVOLT_PER_PARTICLE},
    ),
    "specific_energy": Kind("an energy per mass", "469 kJ/kg", {"J/kg": 1.0, "kJ/kg": 1e3, "J/g": 1e3}),
    "rate": Kind(
        "a rate", "1e9 1/s",
        {"1/s": 1.0, "1/min": 1.0 / 60.0, "1/h": 1.0 / 3600.0, "Hz": 1.0, "kHz": 1e3, "MHz": 1e6},
    ),
    "per_charge": Kind("a release per charge", "0.8 1/C", {"1/C": 1.0, "1/mC": 1e3}),
    "frequency": Kind("a frequency", "400 kHz", {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6}),
    "diffusivity": Kind("a diffusivity", "9.2e-7 m2/s", {"m2/s": 1.0, "cm2/s": 1e-4}),
    "viscosity": Kind("a viscosity", "17.6 uPa s", {"Pa s": 1.0, "mPa s": 1e-3, "uPa s": 1e-6, "poise": 0.1}),
    "exposure": Kind("an exposure", "1 Pa s", {"Pa s": 1.0, "mbar s": 100.0, "torr s": TORR}),
    "density": Kind("a density", "8.9 g/cm3", {"kg/m3": 1.0, "g/cm3": 1e3}),
    "molar_mass": Kind("a molar mass", "28.01 g/mol", {"kg/mol": 1.0, "g/mol": 1e-3}),
    "molar_volume": Kind("a molar volume", "45.81 cm3/mol", {"m3/mol": 1.0, "cm3/mol": 1e-6}),
    "concentration": Kind("a concentration", "41.6 mol/m3", {"mol/m3": 1.0}),
    "molar_flux": Kind("a molar flux", "1e-6 mol/(m2 s)", {"mol/(m2 s)": 1.0}),
    "number_density": Kind("a number per area", "5e18 1/m2", {"1/m2": 1.0, "1/cm2": 1e4, "1/nm2": 1e18}),
    "mass_per_area": Kind("a mass per area", "5.7 mg/cm2", {"kg/m2": 1.0, "mg/cm2": 1e-2, "g/cm2": 10.0}),
    "permeability": Kind("a permeability", "1e-20 mol/(m s Pa)", {"mol/(m s Pa)": 1.0}),
    "per_temperature": Kind("a value per kelvin", "9e-6 1/K", {"1/K": 1.0}),
    "per_pressure": Kind("a value per pressure", "10 1/torr", {"1/Pa": 1.0, "1/torr": 1.0 / TORR, "1/mbar": 0.01}),
    "resistivity": Kind("a resistivity", "7e-8 ohm m", {"ohm m": 1.0, "ohm cm": 1e-2}),
    "flux_density": Kind("a power per area", "1.2 W/cm2", {"W/m2": 1.0, "W/cm2": 1e4}),
    "field": Kind("a magnetic field strength", "4 kA/m", {"A/m": 1.0, "kA/m": 1e3}),
}

#: Other spellings of a unit symbol, tried after the punctuation has been taken out.
_SPELLINGS = {"Torr": "torr", "mTorr": "mtorr", "µ": "u", "μ": "u", "°C": "degC", "Ω": "ohm", "²": "2", "³": "3",
              "litre": "L"}
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
LONGEST_UNIT = 40  # characters; no unit is half as long, and a whole page in its place is not searched for one


def _key(unit: str) -> str:
    """The unit without spaces, dots, brackets and further strokes, so that spellings meet."""
    for other, ours in _SPELLINGS.items():
        unit = unit.replace(other, ours)
    unit = re.sub(r"[\s().·*^]", "", unit)
    first, stroke, rest = unit.partition("/")
    return first + stroke + rest.replace("/", "")


_FACTORS = {name: {_key(u): f for u, f in kind.units.items()} for name, kind in KINDS.items()}


def parse(text: object, kind: str) -> float:
    """The SI value of `text`, which must be of `kind` (a key of `KINDS`).

    Raises `UnitFault`, which says what is needed with an example.

    >>> parse("3.0 mm", "length")
    0.003
    >>> round(parse("460 degC", "temperature"), 2)
    733.15
    """
    wanted = KINDS[kind]
    need = f'needs {wanted.words}, such as "{wanted.example}"'
    number, unit = _split(text, need)
    if unit == "":
        if "1" in wanted.units:
            return number
        raise UnitFault(f"no unit; {need}")
    factor = _FACTORS[kind].get(_key(unit))
    if factor is None:
        raise UnitFault(need, _cure_for_unit(unit, kind))
    return _finish(number, unit, factor, need)


def parse_any(text: object) -> tuple[float, str, str]:
    """SI value, unit text and kind of a value whose unit itself tells the kind.

    Used for the rows of the data tables.  A viscosity wins over an exposure ("Pa s").
    """
    need = 'needs a value with its unit, such as "0.5 Pa"'
    number, unit = _split(text, need)
    if unit == "":
        return number, "1", "number"
    key = _key(unit)
    for kind, factors in _FACTORS.items():
        factor = factors.get(key)
        if factor is not None:
            return _finish(number, unit, factor, need), unit, kind
    raise UnitFault(need, f'unit "{unit}" is not known')


def convert(value: float, kind: str, unit: str) -> float:
    """`value` in SI expressed in `unit`.

    >>> round(convert(733.15, "temperature", "degC"), 6)
    460.0
    """
    factor = _FACTORS[kind].get(_key(unit))
    if factor is None:
        raise UnitFault(f"{KINDS[kind].words} cannot be shown in that unit", _cure_for_unit(unit, kind))
    if _key(unit) == "degC":
        return value - ZERO_CELSIUS
    return value / factor


def share_text(share: float, finer: int = 0) -> str:
    """A share in %, with two figures; near the whole with as many as what is left needs, two decimals at most.

    `finer` asks for so many decimals more.

    >>> [share_text(x) for x in (0.0166, 0.31, 0.9624, 0.9996, 0.99999, 1.0)]
    ['1.7%', '31%', '96.2%', '99.96%', '100%', '100%']
    """
    percent = 100.0 * share
    if abs(percent) < 90.0:
        return f"{format_number(percent, 2 + finer)}%"
    decimals = (1 if abs(100.0 - percent) >= 1.0 else 2) + finer
    return f"{percent:.{decimals}f}".rstrip("0").rstrip(".") + "%"


def share_texts(share: float, limit: float) -> tuple[str, str]:
    """A share and its limit in %, with enough decimals to tell them apart."""
    for finer in range(5):
        texts = share_text(share, finer), share_text(limit, finer)
        if texts[0] != texts[1] or share == limit:
            break
    return texts


def show(value: float, kind: str, unit: str, figures: int | None = None) -> str:
    """`value` (SI) as text with its unit, for a person; pressures with two figures.

    >>> show(0.0123, "pressure", "Pa")
    '0.012 Pa'
    """
    text = format_number(convert(value, kind, unit), figures or KINDS[kind].figures)
    return text if unit == "1" else f"{text}{'' if unit == '%' else ' '}{unit}"


def format_number(value: float, figures: int = 3) -> str:
    """`value` with so many figures, without exponent between 0.001 and 100000.

    >>> format_number(1234.5, 2), format_number(1.2e-5, 2)
    ('1200', '1.2e-5')
    """
    if not math.isfinite(value):
        return "not a number" if math.isnan(value) else ("infinite" if value > 0 else "-infinite")
    if value == 0.0:
        return "0"
    mantissa, exponent = f"{value:.{figures - 1}e}".split("e")
    power = int(exponent)
    if -3 <= power < 5:
        rounded = float(f"{mantissa}e{power}")
        return f"{rounded:.{max(figures - 1 - power, 0)}f}"
    return f"{mantissa}e{power}"


def _split(text: object, need: str) -> tuple[float, str]:
    if isinstance(text, bool) or not isinstance(text, (int, float, str)):
        raise UnitFault(need)
    if not isinstance(text, str):
        try:
            number, unit = float(text), ""
        except OverflowError:  # a whole number of hundreds of digits
            number, unit = math.inf, ""
    else:
        text = text.replace("−", "-").strip()
        match = _NUMBER.match(text)
        if match is None:
            raise UnitFault(need, "begin with a number")
        number, unit = float(match.group()), text[match.end() :].strip()
        if unit.startswith(",") and unit[1:2].isdigit():
            raise UnitFault(need, "write a decimal point, not a comma")
        if len(unit) > LONGEST_UNIT:
            raise UnitFault(need, f'"{unit[:LONGEST_UNIT]} ..." is no unit')
    if not math.isfinite(number):
        raise UnitFault(need, "the number is not finite")
    return number, unit


def _finish(number: float, unit: str, factor: float, need: str) -> float:
    if _key(unit) == "degC":
        number += ZERO_CELSIUS
    value = number * factor
    if not math.isfinite(value):
        raise UnitFault(need, "the number is too large")
    if _key(unit) in ("degC", "K") and value < 0.0:
        raise UnitFault(need, "this is below absolute zero")
    return value


def _cure_for_unit(unit: str, kind: str) -> str:
    allowed = list(KINDS[kind].units)
    key = _key(unit)
    for other, factors in _FACTORS.items():
        if key in factors and other not in ("number", "share"):
            return f'"{unit}" is the unit of {KINDS[other].words}'
    near = [u for u in allowed if _key(u).lower() == key.lower()] or difflib.get_close_matches(unit, allowed, 1)
    if near:
        return f'unit "{unit}" is not known; did you mean "{near[0]}"?'
    return f'unit "{unit}" is not known here; use one of {", ".join(allowed[:8])}'
