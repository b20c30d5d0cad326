"""What a head ride may tell of a valve: the quantities that a fit leaves free, and where they stand in the valve file.

A quantity is changed in the text of the valve file, as a person would change it, and the file is
read again.  What a fit found can therefore be written down as an overlay of that file
(`exhaustsim.plant.overlay`) without a second way of saying it.

Free may be: the water on bulb glass and micas, the hydrogen and the CO in the anode, the mass of
the coating (its CO2 and the gas of its binder go with it), the temperature of the cathode at rated
heater volts, and the molecular conductance of the exhaust stem, which is found by its bore.

Not possible: gas that shares one stock with gas of another kind, values that the valve file leaves
to the data tables, and the bore of an exhaust stem in sections.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from exhaustsim.constants import REFERENCE_TEMPERATURE
from exhaustsim.physics.conductance import tube_conductance_molecular
from exhaustsim.plant.entries import Entries
from exhaustsim.plant.faults import DesignFault, Fault, nearest
from exhaustsim.plant.overlay import text_at, with_values
from exhaustsim.plant.readvalve import read_valve
from exhaustsim.plant.schedule import Schedule
from exhaustsim.units import convert, parse_any

#: Size of a change over which a difference is taken: of the logarithm of a factor, and in K.  Where the last carbonate goes, the
#: pressure falls within a second; a larger change would move that moment past a reading.
FACTOR_STEP, KELVIN_STEP = 1e-4, 0.01


@dataclass(frozen=True)
class Quantity:
    """One thing that may be left free.  Its setting is the logarithm of a factor, or a difference in K."""

    name: str
    what: str  # in words
    keys: Callable[[Mapping], list[str]]  # where it stands in the table of a valve file
    moved: Callable[[Mapping, str, float], float]  # table, text there, setting -> new SI value
    in_kelvin: bool = False

    @property
    def step(self) -> float:
        return KELVIN_STEP if self.in_kelvin else FACTOR_STEP

    def texts(self, table: Mapping, setting: float) -> dict[str, str]:
        """What stands under the keys of this quantity at `setting`, in the units of the file.

        Raises
        ------
        ValueError
            The valve file states nothing of this quantity.
        """
        keys = self.keys(table)
        if not keys:
            raise ValueError(f"the valve file states no {self.what} that could be fitted by itself; leave {self.name} out")
        out = {}
        for key in keys:
            text = text_at(table, key)
            _, unit, kind = parse_any(text)
            number = convert(self.moved(table, text, setting), kind, unit)
            out[key] = f"{number:.12g}" if unit == "1" else f"{number:.12g} {unit}"
        return out


# ---- where things stand ----------------------------------------------------------------

AMOUNT_KEYS = ("per_area", "per_mass", "amount", "concentration", "mass_share")


def _amounts(table: Mapping, of_part: Callable[[Mapping], bool], stock: str, gases: set[str]) -> list[str]:
    """Keys of the amounts of the stocks that hold nothing but `gases`, in the parts chosen."""
    found = []
    for name, part in table.get("parts", {}).items():
        if not of_part(part):
            continue
        for number, held in enumerate(part.get(stock, []), start=1):
            inside = {held["gas"]} if "gas" in held else set(held.get("gases", {}))
            if inside and inside <= gases and gases & inside:
                found += [f"parts.{name}.{stock}[{number}].{key}" for key in AMOUNT_KEYS if key in held]
    return found


def _key_if_there(table: Mapping, key: str) -> list[str]:
    section, _, name = key.partition(".")
    return [key] if name in table.get(section, {}) else []


def _times(table: Mapping, text: str, setting: float) -> float:
    return parse_any(text)[0] * math.exp(setting)


def _plus(table: Mapping, text: str, setting: float) -> float:
    return parse_any(text)[0] + setting


def _bore(table: Mapping, text: str, setting: float) -> float:
    """The bore at which the exhaust stem lets exp(setting) times as much gas through in molecular flow."""
    bore, length = parse_any(text)[0], parse_any(table["exhaust_stem"]["length"])[0]

    def through(bore: float) -> float:
        # The molar mass falls out of the ratio.
        return tube_conductance_molecular(0.5 * bore, length, REFERENCE_TEMPERATURE, 0.028)

    wanted = through(bore) * math.exp(setting)
    new = bore * math.exp(setting / 3.0)
    for _ in range(50):
        # A long tube lets through as the cube of its bore, a hole as the square: this closes in from either.
        ratio = wanted / through(new)
        new *= ratio ** (1.0 / 2.9)
        if abs(ratio - 1.0) < 1e-13:
            break
    return new


def _anode(part: Mapping) -> bool:
    return str(part.get("node", "")).startswith("anode")


QUANTITIES: tuple[Quantity, ...] = (
    Quantity(
        "glass_water", "water on the bulb glass",
        lambda t: _amounts(t, lambda part: part.get("node") == "bulb_wall", "surface_gas", {"H2O"}), _times,
    ),
    Quantity(
        "mica_water", "water on the micas",
        lambda t: _amounts(t, lambda part: part.get("material") == "mica", "surface_gas", {"H2O"}), _times,
    ),
    Quantity("anode_hydrogen", "hydrogen in the anode", lambda t: _amounts(t, _anode, "diffusing_gas", {"H2"}), _times),
    Quantity(
        "anode_carbon_monoxide", "CO in the anode", lambda t: _amounts(t, _anode, "diffusing_gas", {"CO", "CH4"}), _times
    ),
    Quantity("coating", "mass of the coating", lambda t: _key_if_there(t, "coating.mass"), _times),
    Quantity(
        "cathode_temperature", "cathode temperature at rated heater volts", lambda t: _key_if_there(t, "heater.rated_temperature"),
        _plus, in_kelvin=True,
    ),
    Quantity(
        "stem_conductance", "conductance of the exhaust stem", lambda t: _key_if_there(t, "exhaust_stem.bore"), _bore
    ),
)  # fmt: skip
NAMES = tuple(q.name for q in QUANTITIES)


def quantities_named(names: Iterable[str]) -> tuple[Quantity, ...]:
    """The quantities called `names`, in that order.

    Raises
    ------
    ValueError
        A name that is none of them, with the nearest one, or one given twice.
    """
    known = {q.name: q for q in QUANTITIES}
    names = tuple(names)
    for name in names:
        if name not in known:
            raise ValueError(f'no free quantity "{name}"; {nearest(name, known)}')
        if names.count(name) > 1:
            raise ValueError(f'"{name}" is named twice')
    return tuple(known[name] for name in names)


# ---- the valve at settings -------------------------------------------------------------


class ChangedValve:
    """The valve of a schedule, read again with quantities at other settings.

    Raises
    ------
    ValueError
        The valve came from no file, or its file is itself an overlay or has changed since.
    """

    def __init__(self, schedule: Schedule):
        self.schedule = schedule
        if not schedule.valve.source:
            raise ValueError("the valve came from no file; a fit changes the values of a valve file")
        self.table = tomllib.loads(Path(schedule.valve.source).read_text(encoding="utf-8-sig"))
        self._last: tuple[dict, Schedule | None] = ({"": ""}, None)
        if "overlay" in self.table:
            raise ValueError(f"{schedule.valve.source} is an overlay; fit with the valve file under it, and all values at once")

    def texts(self, settings: Mapping[Quantity, float]) -> dict[str, str]:
        """What stands in the valve file, by key, at these settings."""
        out: dict[str, str] = {}
        for quantity, setting in settings.items():
            out |= quantity.texts(self.table, setting)
        return out

    def at(self, settings: Mapping[Quantity, float]) -> Schedule:
        """The schedule with the valve at these settings.

        Raises
        ------
        DesignFault
            The file would be refused with such values.
        """
        texts = self.texts(settings)
        if texts == self._last[0]:
            return self._last[1]
        faults: list[Fault] = []
        table = with_values(self.table, texts)
        entries = Entries(table, self.schedule.valve.source, "", faults, self.schedule.valve.tables)
        entries.asked("data")
        valve = read_valve(entries)
        if faults:
            raise DesignFault(faults)
        # Gauge, pumps and clock are moved without the valve: the last one read serves again.
        self._last = texts, replace(self.schedule, valve=valve)
        return self._last[1]
