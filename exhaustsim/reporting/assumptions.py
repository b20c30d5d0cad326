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

from exhaustsim.data.published import Row
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.valve import ValveDesign
from exhaustsim.studies.leasttrusted import CONSTANTS
from exhaustsim.units import show

#: Rows of the data tables that a simulation may look up; properties of gases and materials are many more and better known.
USED = (
    "binder.*", "carbonates.barium.*", "carbonates.molar_mass.*", "carbonates.nickel_share", "carbonates.reaction_enthalpy",
    "carbonates.recarbonation_*", "cathode.*", "diffusion.*", "getters.appetite.*", "getters.area_ratio", "getters.burial_rate.*",
    "getters.flash_gas", "getters.hydrogen_returned", "getters.methane_cleanup", "getters.mirror_full_mass_per_area", "getters.site_density",
    "getters.share_on_mica", "getters.sticking.*", "getters.yield_limit", "materials.accommodation",
    "materials.tungsten.resistance_exponent", "outgassing.head_surfaces.*", "outgassing.rubber.rate", "outgassing.water_band.*", "permeation.*",
    "pumps.*.ultimate_gases.*", "pumps.booster.compression", "pumps.booster.pressure_difference", "pumps.diffusion.knee_pressure",
    "pumps.diffusion.recovery_time", "pumps.diffusion.stall_time", "pumps.diffusion.stalled_share", "pumps.rotary.ballast_factor",
    "pumps.rotary.ballast_share", "pumps.rotary.exhaust_pressure_ratio", "pumps.rotary.temperature", "pumps.rotary.water_dissolved",
    "pumps.turbomolecular.compression_nitrogen", "pumps.turbomolecular.critical_backing_pressure", "pumps.turbomolecular.knee_pressure",
    "pumps.turbomolecular.recovery_time", "pumps.turbomolecular.stall_time", "pumps.turbomolecular.ultimate_pressure", "warm_up.*",
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
    return [_assumption(valve.tables.row(name), what, used) for what, name, used in rows if used]


def other_rows(valves: Iterable[ValveDesign]) -> list[Assumption]:
    """The other rows in `USED` and all of the user's own, which stand first; then the least certain standing first.

    Glasses that none of the valves has are left out.
    """
    used: dict[Row, None] = {}
    for valve in valves:
        told = {assumption.row for assumption in least_trusted(valve)}
        rows = [*valve.tables.own, *(row for pattern in USED for row in valve.tables.rows(pattern))]
        used |= dict.fromkeys(r for r in rows if r.name not in told and (r.own or _of_glass(r, valve.bulb.glass)))
    rows = sorted(used, key=lambda row: (not row.own, LEAST_CERTAIN_FIRST.index(row.standing), row.name))
    return [_assumption(row, row.name.replace("_", " ").replace(".", ", ")) for row in rows]


def own_data_sentence(schedules: Iterable[Schedule]) -> str:
    """Which schedules rest on rows of the user's own, and on which files; empty when none does."""
    told = []
    for schedule in schedules:
        own = schedule.valve.tables.own
        if own:
            replaced = sum(bool(row.replaces) for row in own)
            files = ", ".join(dict.fromkeys(row.file for row in own))
            values = f"{len(own)} value{'s' if len(own) > 1 else ''} from {files}"
            told.append(f"{schedule.name} with {values}, {replaced or 'none'} in place of built-in ones")
    return f"Own data: {'; '.join(told)}." if told else ""


def _of_glass(row: Row, glass: str) -> bool:
    """False for the helium constants of another glass."""
    return not row.name.startswith("permeation.") or row.name.split(".")[1] == glass


def _assumption(row: Row, what: str, used: float | None = None) -> Assumption:
    span = "-" if row.low is None else f"{show(row.low, row.kind, row.unit, 2)} to {show(row.high, row.kind, row.unit, 2)}"
    value = row.text if used is None else show(used, row.kind, row.unit, 2)
    return Assumption(what, value, span, row.standing_told, row.source_told, row.name)
