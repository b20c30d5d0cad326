"""The six constants trusted least: what a valve uses of each, in what range the truth may lie, and
the valve with them changed.

They are the speed of breakdown (the needle radius of the carbonate), the CO in the anode, the
water on the bulb glass, the barium's appetite for CO2, the helium that the glass lets through
and the gas set free by tip-off.  Value, range, standing and source of each stand in the data
tables; a valve file that states its own value keeps the range of the table in proportion.

Not here: the activity of the mixed carbonate, which also paces the breakdown, and the
constants of the mirror other than its appetite.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from exhaustsim.data.published import Row
from exhaustsim.plant.valve import DiffusingGas, Part, ValveDesign
from exhaustsim.units import convert, format_number, show

ENDS = ("low", "high")


@dataclass(frozen=True)
class Moved:
    """One constant with the value that the valve uses and the ends it was run to, in SI."""

    constant: Constant
    low: float
    used: float
    high: float
    row: Row

    @property
    def name(self) -> str:
        return self.constant.name

    def factor(self, end: str) -> float:
        """What the value is multiplied by to reach `end`."""
        return getattr(self, end) / self.used

    def shown(self, end: str) -> str:
        """The value at "low", "used" or "high" with its unit."""
        return show(getattr(self, end), self.row.kind, self.row.unit, 2)

    @property
    def span(self) -> str:
        """Low end, value used and high end, with the unit once."""
        numbers = (format_number(convert(x, self.row.kind, self.row.unit), 2) for x in (self.low, self.used, self.high))
        return f"{' / '.join(numbers)}{'' if self.row.unit == '1' else ' ' + self.row.unit}"

    def at(self, end: str) -> str:
        """Constant and value in words."""
        return f"{self.constant.what} {self.shown(end)}"


def ranges(valve: ValveDesign) -> tuple[Moved, ...]:
    """The constants trusted least with their ends for `valve`; those it does without are left out."""
    found = []
    for constant in CONSTANTS:
        used, row = constant.used(valve), valve.tables.row(constant.row(valve))
        if used > 0.0:
            found.append(Moved(constant, used * row.low / row.value, used, used * row.high / row.value, row))
    return tuple(found)


def with_moved(valve: ValveDesign, moved: Mapping[Moved, str]) -> ValveDesign:
    """The valve with constants at the ends given."""
    for m, end in moved.items():
        valve = m.constant.scaled(valve, m.factor(end))
    return valve


# ---- the constants -------------------------------------------------------------------


@dataclass(frozen=True)
class Constant:
    """One of the constants trusted least: where it stands, what a valve uses, and how to change it there."""

    name: str
    what: str  # in words
    row: Callable[[ValveDesign], str]  # name of its row in the data tables
    used: Callable[[ValveDesign], float]  # SI; 0 when the valve does without
    scaled: Callable[[ValveDesign, float], ValveDesign]  # the valve with this constant times a factor
    dirtier: str  # the end, "low" or "high", at which more gas is left as a rule


def anode_of(valve: ValveDesign) -> Part | None:
    """The first part on an anode node that holds CO, or None."""
    return next((p for p in valve.parts if p.node.startswith("anode") and _carbon_monoxide(p)), None)


def anode_carbon_monoxide(valve: ValveDesign) -> float:
    """CO dissolved in the anode per mass of it [mol/kg]."""
    anode = anode_of(valve)
    return _carbon_monoxide(anode) / anode.mass if anode else 0.0


def anode_row(valve: ValveDesign) -> str:
    """Row of the data tables for the CO in the anode of `valve`."""
    anode = anode_of(valve)
    coated = "carbonised_" if anode is not None and anode.material.startswith("carbonised") else ""
    return f"outgassing.{coated}nickel_carbon_monoxide"


def glass_water(valve: ValveDesign) -> float:
    """Water on the bulb glass per inside area [mol/m^2]."""
    held = sum(g.amount for p in valve.parts if p.node == valve.bulb_node for g in p.surface_gases if g.gas == "H2O")
    return held / valve.bulb.area


def _carbon_monoxide(part: Part) -> float:
    return sum(g.amount * dict(g.gases).get("CO", 0.0) for g in part.diffusing_gases)


def _with_needle_radius(valve: ValveDesign, factor: float) -> ValveDesign:
    return replace(valve, coating=replace(valve.coating, needle_radius=factor * valve.coating.needle_radius))


def _with_anode_carbon_monoxide(valve: ValveDesign, factor: float) -> ValveDesign:
    anode = anode_of(valve)
    changed = replace(anode, diffusing_gases=tuple(_with_carbon(gas, factor) for gas in anode.diffusing_gases))
    return replace(valve, parts=tuple(changed if p is anode else p for p in valve.parts))


def _with_carbon(stock: DiffusingGas, factor: float) -> DiffusingGas:
    """The stock with its CO, and the methane that comes with it, times `factor`; other gases in it stay."""
    shares = dict(stock.gases)
    if "CO" not in shares:
        return stock
    amounts = {gas: stock.amount * share * (factor if gas in ("CO", "CH4") else 1.0) for gas, share in shares.items()}
    total = sum(amounts.values())
    return replace(stock, amount=total, gases=tuple((gas, amount / total) for gas, amount in amounts.items()))


def _with_glass_water(valve: ValveDesign, factor: float) -> ValveDesign:
    def wetted(part: Part) -> Part:
        if part.node != valve.bulb_node:
            return part
        gases = tuple(replace(g, amount=factor * g.amount) if g.gas == "H2O" else g for g in part.surface_gases)
        return replace(part, surface_gases=gases)

    return replace(valve, parts=tuple(map(wetted, valve.parts)))


def _with_appetite(valve: ValveDesign, factor: float) -> ValveDesign:
    appetite = valve.getter.appetite | {"CO2": factor * valve.getter.appetite["CO2"]}
    return replace(valve, getter=replace(valve.getter, appetite=appetite))


def _with_permeation(valve: ValveDesign, factor: float) -> ValveDesign:
    return replace(valve, permeation=replace(valve.permeation, conductivity=factor * valve.permeation.conductivity))


def _with_burst(valve: ValveDesign, factor: float) -> ValveDesign:
    return replace(valve, exhaust_stem=replace(valve.exhaust_stem, burst_amount=factor * valve.exhaust_stem.burst_amount))


#: In the order of the columns A to F of the design.
CONSTANTS: tuple[Constant, ...] = (
    Constant(
        "needle_radius", "radius of the carbonate needles", lambda valve: "carbonates.needle_radius",
        lambda valve: valve.coating.needle_radius, _with_needle_radius, "high",
    ),
    Constant("anode_carbon_monoxide", "CO held by the anode", anode_row, anode_carbon_monoxide, _with_anode_carbon_monoxide, "high"),
    Constant(
        "glass_water", "water on the bulb glass", lambda valve: "outgassing.glass_water", glass_water, _with_glass_water, "high"
    ),
    Constant(
        "carbon_dioxide_appetite", "barium's appetite for CO2", lambda valve: "getters.appetite.CO2",
        lambda valve: valve.getter.appetite.get("CO2", 0.0), _with_appetite, "low",
    ),
    Constant(
        "helium_permeability", "helium through the bulb glass", lambda valve: f"permeation.{valve.bulb.glass}.conductivity",
        lambda valve: valve.permeation.conductivity, _with_permeation, "high",
    ),
    Constant(
        "tip_off_burst", "gas set free by tip-off", lambda valve: "outgassing.tip_burst.amount",
        lambda valve: valve.exhaust_stem.burst_amount, _with_burst, "high",
    ),
)  # fmt: skip
