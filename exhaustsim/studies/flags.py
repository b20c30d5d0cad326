"""The limits a run is held against: for each flag its warn and stop limits, what happens beyond
them in the valve, and the first thing to try.

`CHECKS` is the table.  A valve file may set its own warn or stop limit, or both, under
`[thresholds.<key>]`, with the reason, which is then printed beside the limit; of a flag that is
only ever a note, its warn limit is the limit of the note.  Each check has one remedy, the first
thing to try.  The limits are practice of the trade
where a comment does not say otherwise, not properties of nature.
`NOT_JUDGED` lists the flags of the trade that no simulated run can raise yet, and why; those of the
loaded machine are in `exhaustsim.studies.machineflags`, that of a batch in `exhaustsim.studies.spreadflags`.

Levels: "stop", the schedule is not to be run; "warn", look before running; "note", good to know.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from exhaustsim.constants import ZERO_CELSIUS
from exhaustsim.engine.result import Run
from exhaustsim.plant.valve import ValveDesign
from exhaustsim.studies import linereadings, readings
from exhaustsim.studies.readings import Reading
from exhaustsim.units import PASCAL_LITRE

LEVELS = ("note", "warn", "stop")


@dataclass(frozen=True)
class Limits:
    """Limits in SI; a level without a limit is never given."""

    note: float | None = None
    warn: float | None = None
    stop: float | None = None


@dataclass(frozen=True)
class Check:
    """One thing watched."""

    name: str  # the flag it raises
    key: str  # under which a valve file sets its own limits
    what: str  # what the reading is, in words
    measure: Callable[[Run], Reading | None]
    kind: str  # kind of quantity, a key of `units.KINDS`
    unit: str  # shown in
    limits: Limits | Callable[[Run], Limits]
    consequence: str
    remedy: str
    too_low: bool = False  # flagged when the reading lies below the limit
    told: str = ""  # the reading in words, with {value}, where "what is value" would read badly
    told_short: str = ""  # as `told` for a reading below zero, with its size as {value}
    covers_target: str = ""  # the target whose miss says the same


def limits_for(valve: ValveDesign, key: str, usual: Limits) -> Limits:
    """The limits under `key` that the valve file sets, else the usual ones.

    What is only ever a note stays one: the warn limit of the valve file is the limit of the note.
    """
    own = valve.thresholds.get(key)
    if own is None:
        return usual
    if usual.note is not None and usual.warn is None:
        return Limits(note=usual.note if own.warn is None else own.warn, stop=own.stop)
    return Limits(
        note=usual.note, warn=usual.warn if own.warn is None else own.warn, stop=usual.stop if own.stop is None else own.stop
    )


def celsius(temperature: float) -> float:
    """K from degC."""
    return temperature + ZERO_CELSIUS


def _glass(run: Run, property_name: str) -> float:
    valve = run.schedule.valve
    return valve.tables.value(f"materials.{valve.bulb.glass}.{property_name}")


def _wall_limits(run: Run) -> Limits:
    strain = _glass(run, "strain_point")
    return Limits(warn=strain - 30.0, stop=strain)


def _foot_limits(run: Run) -> Limits:
    valve = run.schedule.valve
    strain = valve.tables.value(f"materials.{valve.bulb.foot_glass}.strain_point")
    return Limits(warn=strain - 30.0, stop=strain)


def _suck_in_limits(run: Run) -> Limits:
    softening = _glass(run, "softening_point")
    return Limits(warn=softening - 130.0, stop=softening - 100.0)


def _barium_limits(run: Run) -> Limits:
    """The target itself, and twice the target: 15 % and 30 % for a small triode."""
    return Limits(warn=run.schedule.target.barium_spent, stop=2.0 * run.schedule.target.barium_spent)


def _tip_off_limits(run: Run) -> Limits:
    return Limits(stop=run.schedule.target.bulb_pressure)


def _anode_fired_limits(run: Run) -> Limits:
    running = readings.anode_running_temperature(run)
    return Limits(warn=running + 100.0) if running else Limits()


def _glass_water_limits(run: Run) -> Limits:
    """1.5 and 2 Pa L on the 36 cm2 of a small triode, in proportion to the glass of other bulbs."""
    share = run.schedule.valve.bulb.area / 36e-4
    return Limits(warn=1.5 * PASCAL_LITRE * share, stop=2.0 * PASCAL_LITRE * share)


def _water_limits(run: Run) -> Limits:
    return Limits(note=run.schedule.valve.tables.value("pumps.rotary.water_dissolved"))


def _binder_limits(run: Run) -> Limits:
    """No limit is in use; a hundredth of what the coating brought is worth a note (ours)."""
    brought = sum(float(run.held[0, k]) for k, s in enumerate(run.sources) if s.label == "binder")
    return Limits(note=0.01 * brought)


CHECKS: tuple[Check, ...] = (
    # ---- cathode -----------------------------------------------------------------------
    Check(
        "incomplete_breakdown", "incomplete_breakdown", "converted fraction when the heater goes off",
        readings.converted_after_heating, "share", "1", Limits(warn=0.995, stop=0.98),
        "the rest comes off as CO2 in ageing, eats the getter and lowers emission",
        "raise the last heater steps", too_low=True, covers_target="converted_fraction",
    ),
    Check(
        "violent_breakdown", "violent_breakdown", "conversion of the coating at its fastest",
        readings.conversion_in_a_second, "rate", "1/s", Limits(warn=0.15, stop=0.20),
        "coating spalls, discharge, carbon on parts", "spread the heater steps",
    ),
    Check(
        "violent_breakdown", "breakdown_pressure", "bulb pressure during breakdown with the port open",
        readings.breakdown_bulb_pressure, "pressure", "Pa", Limits(warn=100.0, stop=300.0),
        "coating spalls, discharge, carbon on parts", "spread the heater steps",
    ),
    Check(
        "cathode_over_temperature", "cathode_over_temperature", "true cathode temperature",
        readings.cathode_temperature, "temperature", "degC", Limits(warn=celsius(1150.0), stop=celsius(1190.0)),
        "sintered coating, barium lost, sleeve sags", "lower the last heater step",
    ),
    Check(
        "cathode_poisoning", "cathode_poisoning", "O2 exposure of the hot cathode after its conversion, on the pump",
        readings.oxygen_exposure, "exposure", "Pa s", Limits(warn=1.0, stop=10.0),
        "emission slumps, ageing is slow", "look for a leak on the line",
    ),
    Check(
        "cathode_poisoning", "oxidant_exposure", "H2O and CO2 exposure of the hot cathode after its conversion, on the pump",
        readings.oxidant_exposure, "exposure", "Pa s", Limits(warn=50.0, stop=150.0),
        "emission slumps, ageing is slow", "let the line recover before lighting again",
    ),
    Check(
        "cathode_poisoning", "sealed_oxygen", "partial bulb pressure of O2 on the lit cathode of the sealed valve",
        readings.sealed_oxygen, "pressure", "Pa", Limits(warn=1e-5, stop=1e-4),
        "emission slumps in ageing", "give the mirror longer before lighting",
    ),
    Check(
        "cathode_poisoning", "sealed_oxidant", "partial bulb pressure of H2O or CO2 on the lit cathode of the sealed valve",
        readings.sealed_oxidant, "pressure", "Pa", Limits(warn=1e-4, stop=1e-3),
        "emission slumps in ageing", "finish the breakdown on the pump",
    ),
    Check(
        "recarbonation", "carbon_dioxide_on_cooling",
        "partial bulb pressure of CO2 over the dissociation pressure of the coating as the cathode cools",
        readings.carbon_dioxide_on_cooling, "number", "1", Limits(warn=1.0),
        "carbonate forms again and gives gas in ageing", "keep the cathode hot until it is on a clean line",
    ),
    # No limits are in use for this one; two thousandths and two hundredths of the coating are ours.
    Check(
        "recarbonation", "recarbonation", "converted fraction lost again on the pump",
        readings.recarbonated_share, "share", "1", Limits(warn=0.002, stop=0.02),
        "carbonate forms again and gives gas in ageing", "keep the cathode hot until it is on a clean line",
    ),
    # No limit is in use; a note at one and a half times what a large standard valve sees is ours.
    Check(
        "nickel_exposure", "nickel_exposure", "CO2 exposure of the hot sleeve",
        readings.nickel_exposure, "exposure", "Pa s", Limits(note=3000.0),
        "oxidised sleeve; long and mild is worse than short and brisk", "brisker breakdown",
    ),
    Check(
        "binder_late", "binder_late", "binder gas still held as the cathode passes 900 degC",
        readings.binder_left_when_hot, "amount", "Pa L", _binder_limits,
        "carbon in the coating", "light the heater low while still in the oven",
    ),
    Check(
        "heater_overvoltage", "heater_overvoltage", "ratio of heater volts to rated volts, kept for 5 s,",
        readings.heater_overvoltage, "number", "1", Limits(warn=2.2),
        "burn-outs, heater-cathode shorts", "spread the heater steps",
    ),
    # ---- flash and getter --------------------------------------------------------------
    Check(
        "co2_at_flash", "co2_at_flash", "partial bulb pressure of CO2 as the getter RF comes on",
        readings.carbon_dioxide_at_flash, "pressure", "Pa", Limits(warn=0.05, stop=0.5),
        "dull or black mirror, barium spent at once", "give one more position to recover before the flash",
    ),
    Check(
        "co2_at_flash", "carbon_dioxide_evolving", "evolution of CO2 as the getter RF comes on",
        readings.carbon_dioxide_evolving_at_flash, "throughput", "Pa L/s", Limits(warn=0.01 * PASCAL_LITRE),
        "dull or black mirror, barium spent at once", "finish the breakdown one position earlier",
    ),
    Check(
        "premature_flash", "premature_flash", "getter holder temperature before the flash position",
        readings.getter_temperature_before_flash, "temperature", "degC", Limits(warn=celsius(750.0), stop=celsius(800.0)),
        "barium goes into CO2, film on the micas", "turn the getter ring away from the coil",
    ),
    Check(
        "getter_wet_bake", "getter_wet_bake", "mean partial bulb pressure of H2O while the getter holder is above 350 degC",
        readings.water_on_hot_getter, "pressure", "Pa", Limits(warn=2.0, stop=5.0),
        "oxidised fill, poor barium yield", "shorten the time for which the getter is hot",
    ),
    Check(
        "under_flash", "under_flash", "barium yield",
        readings.barium_yield, "share", "%", Limits(warn=0.60, stop=0.45),
        "short life", "longer RF at the flash position", too_low=True,
    ),
    Check(
        "over_flash", "over_flash", "getter holder temperature at the flash",
        readings.getter_temperature, "temperature", "degC", Limits(warn=celsius(1250.0)),
        "splashed barium, melted ring, cracked bulb", "less RF power at the flash position",
    ),
    Check(
        "over_flash", "flash_duration", "time in which the barium leaves",
        readings.flash_duration, "time", "s", Limits(warn=1.0),
        "splashed barium, melted ring, cracked bulb", "less RF power at the flash position", too_low=True,
    ),
    Check(
        "getter_insufficient", "getter_insufficient", "barium spent by the end of ageing",
        readings.barium_spent_in_ageing, "share", "%", _barium_limits,
        "gassy in service", "take the largest gas that the ledger shows away from the getter", covers_target="barium_spent",
    ),
    Check(
        "getter_insufficient", "getter_life", "barium spent by the end of the life asked for",
        readings.barium_spent_in_life, "share", "%", Limits(warn=0.70, stop=1.00),
        "gassy in service", "take the largest gas that the ledger shows away from the getter",
    ),
    # No limits are in use for the next two.  Three nanometres, ten layers of atoms, is where a film on mica is
    # reckoned to lead (ours); at 1 Pa the vapour no longer flies straight (ours).
    Check(
        "barium_on_mica", "barium_on_mica", "mean barium film on the micas",
        readings.film_on_mica, "length", "nm", Limits(note=3e-9),
        "leakage from grid to grid across the mica", "shield the micas from the getter",
    ),
    Check(
        "barium_on_mica", "pressure_at_flash", "mean bulb pressure while the barium leaves",
        readings.pressure_as_barium_leaves, "pressure", "Pa", Limits(note=1.0),
        "barium drifts round the shield onto the micas", "flash at a lower bulb pressure",
    ),
    # ---- glass, micas, anode -----------------------------------------------------------
    Check(
        "cold_bake", "cold_bake", "bulb wall temperature at the oven exit",
        readings.wall_at_oven_exit, "temperature", "degC", Limits(warn=celsius(340.0), stop=celsius(310.0)),
        "water comes off the glass in life", "hotter oven", too_low=True,
    ),
    Check(
        "cold_bake", "glass_water_left", "surface water left on the glass at tip-off",
        readings.glass_water_left, "amount", "Pa L", _glass_water_limits,
        "water comes off the glass in life", "hotter oven",
    ),
    Check(
        "bulb_over_temperature", "bulb_over_temperature", "mean bulb wall temperature",
        readings.wall_temperature, "temperature", "degC", _wall_limits,
        "locked-in stress, late cracks", "lower the oven",
    ),
    Check(
        "bulb_over_temperature", "foot_over_temperature", "foot temperature",
        readings.foot_temperature, "temperature", "degC", _foot_limits,
        "locked-in stress at the leads, late cracks", "shield the foot from the oven air",
    ),
    Check(
        "suck_in", "suck_in", "temperature of the hottest glass of the bulb, kept for 10 s,",
        readings.hot_spot_temperature, "temperature", "degC", _suck_in_limits,
        "dimples, leakers", "leave a cooling gap before RF",
    ),
    Check(
        "foot_electrolysis", "foot_electrolysis", "foot temperature with d.c. across the leads",
        readings.foot_temperature_under_voltage, "temperature", "degC", Limits(warn=celsius(200.0)),
        "bubbles along the seals, slow leak", "heat with a.c.",
    ),
    Check(
        "thermal_shock", "thermal_shock", "cooling of the bulb wall in one second",
        readings.wall_cooling_in_a_second, "temperature_rate", "K/s", Limits(warn=10.0, stop=15.0),
        "cracks", "shield the oven exit",
    ),
    Check(
        "mica_over_temperature", "mica_over_temperature", "mica temperature",
        readings.mica_temperature, "temperature", "degC", Limits(warn=celsius(550.0), stop=celsius(600.0)),
        "water from the body of the mica, flaking", "lower the anode temperature",
    ),
    Check(
        "anode_over_temperature", "anode_over_temperature", "anode temperature",
        readings.anode_temperature, "temperature", "degC", Limits(warn=celsius(1000.0), stop=celsius(1100.0)),
        "metal film on the micas, sagging anode", "less RF power",
    ),
    Check(
        "anode_under_fired", "anode_under_fired", "highest anode temperature on the pump",
        readings.anode_temperature_by_rf, "temperature", "degC", _anode_fired_limits,
        "the anode gives gas in service", "more RF power", too_low=True,
    ),
    # ---- tip-off and sealed life -------------------------------------------------------
    Check(
        "tip_off_early", "tip_off_early", "bulb pressure as the bore begins to close",
        readings.bulb_pressure_at_tip_off, "pressure", "Pa", _tip_off_limits,
        "gassy valve", "tip off later", covers_target="bulb_pressure",
    ),
    Check(
        "tip_off_early", "falling_at_tip_off", "fall of the bulb pressure as the bore begins to close",
        readings.fall_at_tip_off, "rate", "1/s", Limits(warn=0.05),
        "gassy valve", "tip off later", told="as the bore begins to close the bulb pressure still falls by {value}",
    ),
    Check(
        "tip_burst", "tip_burst", "time the mirror needs for nine tenths of the gas left by tip-off",
        readings.tip_burst_clearing, "time", "s", Limits(note=10.0),
        "fails a gas test made at once", "softer fires at tip-off",
    ),
    Check(
        "tip_burst", "inert_tip_burst", "partial bulb pressure of methane and argon from the tip-off, as a share of the sealed target,",
        readings.inert_tip_burst, "share", "%", Limits(note=0.2),
        "barium does not take it, so the gas test fails", "softer fires at tip-off",
    ),
    Check(
        "tip_quality", "tip_quality", "exhaust stem bore",
        readings.exhaust_stem_bore, "length", "mm", Limits(note=4.0e-3),
        "sucked-in or bubbled pip", "slower fires at tip-off",
    ),
    # No range is in use; tubing of the trade has a wall of about a quarter of its bore (ours).
    Check(
        "tip_quality", "thin_exhaust_stem", "wall of the exhaust stem over its bore",
        readings.wall_over_bore, "number", "1", Limits(note=0.15),
        "the softened tube is sucked in", "thicker tubing", too_low=True,
    ),
    Check(
        "tip_quality", "thick_exhaust_stem", "wall of the exhaust stem over its bore",
        readings.wall_over_bore, "number", "1", Limits(note=0.5),
        "bubbled pip, strain", "thinner tubing",
    ),
    Check(
        "tip_quality", "sealing_time_left", "dwell at tip-off beyond twice the sealing time",
        readings.sealing_time_left, "time", "s", Limits(note=0.0),
        "the seal is made in half the dwell instead of its own time", "lengthen the dwell", too_low=True,
        told_short="dwell is {value} shorter than twice the sealing time",
    ),
    Check(
        "argon_floor", "argon_floor", "partial bulb pressure of argon at tip-off, as a share of the sealed target,",
        readings.argon_at_tip_off, "share", "%", Limits(warn=0.5, stop=1.0),
        "barium does not take argon", "look for a port plate leak",
    ),
    Check(
        "helium_floor", "helium_floor", "partial bulb pressure of helium after the shelf time, as a share of the sealed target,",
        readings.helium_after_shelf, "share", "%", Limits(warn=0.2, stop=1.0),
        "rises with the years and the bulb temperature", "another bulb glass",
    ),
    Check(
        "inert_from_flash", "inert_from_flash", "partial bulb pressure of methane and argon from the flash, as a share of the sealed target,",
        readings.inert_flash_gas, "share", "%", Limits(warn=0.2),
        "fails the gas test", "flash before tip-off",
    ),
    # ---- machine -----------------------------------------------------------------------
    Check(
        "transfer_spike", "transfer_spike", "bulb pressure with the port blanked in transfer",
        readings.bulb_pressure_in_transfer, "pressure", "Pa", Limits(warn=250.0, stop=500.0),
        "stalls breakdown, gulp on the next line", "shift the heat away from the transfer",
    ),
    Check(
        "line_overload", "line_overload", "mean inlet pressure of the diffusion pump",
        readings.diffusion_inlet_pressure, "pressure", "Pa", Limits(warn=0.1, stop=0.3),
        "pumping speed collapses, oil comes back", "move the gas load to a rotary line",
    ),
    Check(
        "forepressure", "forepressure", "backing pressure as a share of the critical backing pressure",
        readings.backing_pressure_share, "share", "%", Limits(warn=0.7, stop=1.0),
        "the high-vacuum pump stalls", "a larger backing pump",
    ),
    Check(
        "backstreaming", "backstreaming", "mean inlet pressure of the diffusion pump",
        readings.diffusion_inlet_pressure, "pressure", "Pa", Limits(stop=0.3),
        "oil on the cathode, carbon", "move the gas load to a rotary line",
    ),
    Check(
        "backstreaming", "backstreaming_by_stall", "backing pressure as a share of the critical backing pressure",
        readings.backing_pressure_share, "share", "%", Limits(stop=1.0),
        "oil on the cathode, carbon", "a larger backing pump",
    ),
    Check(
        "backstreaming", "backstreaming_idle", "lowest line pressure of an untrapped rotary line",
        linereadings.idle_pressure_untrapped, "pressure", "Pa", Limits(note=10.0),
        "oil on the cathode, carbon", "a trap in the line", too_low=True,
    ),
    # What the oil takes up before its ultimate pressure climbs is ours (`exhaustsim constants water_dissolved`).
    Check(
        "water_in_rotary", "water_in_rotary", "water that condenses in the pump in a shift of 8 h",
        linereadings.water_in_pump, "mass", "mg", _water_limits,
        "the ultimate pressure of the pump climbs through the shift", "open the gas ballast",
    ),
    Check(
        "index_infeasible", "index_infeasible", "dwell left after the RF",
        readings.dwell_left_after_rf, "time", "s", Limits(stop=0.0),
        "the setting cannot be reached in the dwell", "lengthen the index time", too_low=True,
        told_short="RF ends {value} after the dwell",
    ),
    # ---- the computation ---------------------------------------------------------------
    Check(
        "ledger_open", "ledger_open", "gas not accounted for",
        readings.ledger_error, "share", "%", Limits(warn=0.005, stop=0.02),
        "do not believe the run", "send the schedule to the authors",
    ),
    Check(
        "outside_evidence", "outside_evidence", "number of constants outside the range that they are known in",
        readings.constants_outside_range, "number", "1", Limits(note=0.0),
        "outside evidence", "try a small lot first",
    ),
)  # fmt: skip

#: Flags of the trade that are not judged from a run, and what they need.
NOT_JUDGED = {
    "virtual_leak": "needs a measured pressure log",
    "gauge_range": "needs a measured pressure log",
}
