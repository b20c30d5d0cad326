"""What a verdict rests on: the constants behind it, those known least first.

Six constants are trusted least: how fast the carbonate breaks down (crystal size, with the
activity of the mixed crystal), the CO in the anode, the water on the glass, the barium's
appetite for CO2, the helium let through by the glass, and the gas of tip-off.  For these the
value used for the valve stands beside the range in which the truth may lie.  The other rows
are listed as the data tables give them.

Not given here: how far the verdict moves over those ranges, see `exhaustsim.studies.band`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from exhaustsim.data import published
from exhaustsim.plant.valve import ValveDesign
from exhaustsim.studies.leasttrusted import CONSTANTS
from exhaustsim.units import show

#: Rows of the data tables that a simulation may look up; properties of gases and materials are many more and better known.
USED = (
    "binder.*", "carbonates.barium.*", "carbonates.molar_mass.*", "carbonates.nickel_share", "carbonates.reaction_enthalpy",
    "carbonates.recarbonation_*", "cathode.*", "diffusion.*", "getters.appetite.*", "getters.area_ratio", "getters.burial_rate.*",
    "getters.flash_gas", "getters.hydrogen_returned", "getters.methane_cleanup", "getters.mirror_full_mass_per_area", "getters.site_density",
    "getters.sticking.*", "getters.yield_limit", "materials.accommodation", "materials.tungsten.resistance_exponent",
    "outgassing.water_band.*", "permeation.*", "pumps.*.ultimate_gases.*", "pumps.diffusion.knee_pressure",
    "pumps.diffusion.recovery_time", "pumps.diffusion.stall_time",
)  # fmt: skip
LEAST_CERTAIN_FIRST = ("invented", "practice", "recalled", "computed", "published")


@dataclass(frozen=True)
class Assumption:
    """One constant, as text with units."""

    what: str
    used: str
    span: str  # range in which the truth may lie
    standing: str
    source: str
    row: str  # its name in the data tables


def least_trusted(valve: ValveDesign) -> list[Assumption]:
    """The six constants known least, as `valve` uses them (breakdown takes two rows); those it does without are left out."""
    rows = [(c.what, c.row(valve), c.used(valve)) for c in CONSTANTS]
    # The needle radius stands first; the activity paces the breakdown with it.
    rows[:1] = [
        ("speed of breakdown: radius of the carbonate needles", *rows[0][1:]),
        ("speed of breakdown: activity of the mixed carbonate", "carbonates.activity", valve.coating.activity),
    ]
    return [_assumption(published.row(name), what, used) for what, name, used in rows if used]


def other_rows(valves: Iterable[ValveDesign]) -> list[Assumption]:
    """The other rows in `USED`, the least certain standing first; glasses that none of the valves has are left out."""
    valves = list(valves)
    told = {assumption.row for valve in valves for assumption in least_trusted(valve)}
    glasses = {valve.bulb.glass for valve in valves}
    used = {row.name: row for pattern in USED for row in published.rows(pattern) if row.name not in told}
    rows = [r for r in used.values() if not (r.name.startswith("permeation.") and r.name.split(".")[1] not in glasses)]
    rows.sort(key=lambda row: (LEAST_CERTAIN_FIRST.index(row.standing), row.name))
    return [_assumption(row, row.name.replace("_", " ").replace(".", ", ")) for row in rows]


def _assumption(row: published.Row, what: str, used: float | None = None) -> Assumption:
    span = "-" if row.low is None else f"{show(row.low, row.kind, row.unit, 2)} to {show(row.high, row.kind, row.unit, 2)}"
    value = row.text if used is None else show(used, row.kind, row.unit, 2)
    return Assumption(what, value, span, row.standing, row.source, row.name)
