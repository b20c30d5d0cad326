"""What a tolerance moves: the value that the drawing gives, and the valve and schedule with another one.

For every quantity of `exhaustsim.plant.tolerances` this says what the nominal value is and what
changes with it.  More coating brings its binder along; more barium its flash gas; a hotter cathode is
hotter at every heater step, in proportion to the absolute temperature, as from a heater that fits better.

Not here: random numbers (`exhaustsim.studies.draws`).  Not modelled: scatter of an exhaust stem in sections,
scatter inside one valve (one anode of two), and what would move the laws themselves
(`exhaustsim.studies.band`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from exhaustsim.engine.phases import heater_temperature
from exhaustsim.plant.faults import Fault
from exhaustsim.plant.schedule import PositionSetting, Schedule
from exhaustsim.plant.tolerances import QUANTITIES, Tolerance, Tolerances
from exhaustsim.plant.valve import Part
from exhaustsim.studies.leasttrusted import CONSTANTS
from exhaustsim.units import convert, format_number, show

SIGMAS_ABOVE_ZERO = 6.0  # one valve in a thousand million lies further out


@dataclass(frozen=True)
class Effect:
    """What the drawing says of a quantity, and the schedule with another value of it, both SI."""

    nominal: Callable[[Schedule], float]
    scaled: Callable[[Schedule, float], Schedule]  # by the factor value / nominal


def with_values(schedule: Schedule, tolerances: Sequence[Tolerance], values: Sequence[float]) -> Schedule:
    """The schedule with a valve whose quantities have the `values` [SI], in the order of `tolerances`.

    >>> from exhaustsim import load_schedule
    >>> from exhaustsim.plant.tolerances import load_tolerances
    >>> standard = load_schedule("demo_data/schedules/dt1_standard.toml")
    >>> bore = [t for t in load_tolerances("demo_data/tolerances/dt1.toml").tolerances if t.quantity == "bore"]
    >>> with_values(standard, bore, [2.9e-3]).valve.exhaust_stem.bore
    0.0029
    """
    changed = schedule
    for tolerance, value in zip(tolerances, values, strict=True):
        if tolerance.quantity == "in_leak":
            changed = replace(changed, valve=replace(changed.valve, in_leak=changed.valve.in_leak + value))
            continue
        effect = EFFECTS[tolerance.quantity]
        nominal = effect.nominal(changed)
        if value != nominal:
            changed = effect.scaled(changed, value / nominal)
    return changed


def nominal_values(schedule: Schedule, tolerances: Sequence[Tolerance]) -> list[float]:
    """What the drawing says of each quantity [SI]; nought for leaks."""
    return [0.0 if t.quantity == "in_leak" else EFFECTS[t.quantity].nominal(schedule) for t in tolerances]


def schedule_faults(schedule: Schedule, tolerances: Tolerances) -> list[Fault]:
    """Tolerances that make no sense for this schedule: of something that it has none of, or that would fall below zero."""
    faults = []
    for number, tolerance in enumerate(tolerances.tolerances, start=1):
        name, of = tolerance.quantity, QUANTITIES[tolerance.quantity]
        key = f"tolerance[{number}]"
        if name == "in_leak":
            continue
        if name in ("bore", "exhaust_stem_length") and schedule.valve.exhaust_stem.sections:
            faults.append(Fault(tolerances.source, f"{key}.quantity", name, f"{schedule.valve.name} has an exhaust stem in sections, which cannot scatter",
                                "leave the tolerance out, or describe the exhaust stem by one bore and length"))  # fmt: skip
            continue
        nominal = EFFECTS[name].nominal(schedule)
        if not nominal > 0.0:
            faults.append(Fault(tolerances.source, f"{key}.quantity", name, f"{schedule.name} has none of it: {of.what}", "leave the tolerance out"))
            continue
        lowest = _lowest(tolerance, nominal)
        if lowest <= 0.0:
            shown = show(nominal, of.kind, of.unit) if of.kind != "share" else "100%"
            faults.append(Fault(tolerances.source, key, name, f"some valves would have less than none of it ({of.what}; the drawing says {shown})",
                                "use a lognormal distribution, or truncate it"))  # fmt: skip
    return faults


def _lowest(tolerance: Tolerance, nominal: float) -> float:
    """The lowest value that need be reckoned with, SI."""
    unit = nominal if tolerance.relative else 1.0
    if tolerance.distribution == "lognormal":
        return nominal * math.exp(-SIGMAS_ABOVE_ZERO * tolerance.sigma)
    reach = tolerance.sigma * (1.0 if tolerance.distribution == "uniform" else SIGMAS_ABOVE_ZERO)
    return nominal + unit * max(tolerance.offset - reach, tolerance.low)


def told(tolerance: Tolerance) -> str:
    """A tolerance in words: how wide, and of what sort.

    >>> told(Tolerance("bore", "normal", sigma=5e-5)), told(Tolerance("barium", "normal", relative=True, sigma=0.12))
    ('bore, one sigma 0.05 mm', 'barium, one sigma 12%')
    """
    of = QUANTITIES[tolerance.quantity]
    words = tolerance.name.replace("_", " ")
    if tolerance.distribution == "lognormal":
        return f"{words}, one sigma a factor of {format_number(math.exp(tolerance.sigma), 2)}"
    if tolerance.relative:
        width = f"{100.0 * tolerance.sigma:.3g}%"
    else:
        unit = "K" if of.kind == "temperature" else of.unit
        width = f"{convert(tolerance.sigma, of.kind, unit):.3g} {unit}"
    return f"{words}, {'half width' if tolerance.distribution == 'uniform' else 'one sigma'} {width}"


# ---- the quantities --------------------------------------------------------------------


def _of_valve(**changes):
    """An effect on fields of one record of the valve, all in proportion: record=("field", ...)."""
    ((record, names),) = changes.items()

    def nominal(schedule: Schedule) -> float:
        return getattr(getattr(schedule.valve, record), names[0])

    def scaled(schedule: Schedule, factor: float) -> Schedule:
        before = getattr(schedule.valve, record)
        after = replace(before, **{name: factor * getattr(before, name) for name in names})
        return replace(schedule, valve=replace(schedule.valve, **{record: after}))

    return Effect(nominal, scaled)


def _constant(name: str) -> Callable[[Schedule, float], Schedule]:
    """How one of the constants trusted least is scaled."""
    constant = next(c for c in CONSTANTS if c.name == name)
    return lambda schedule, factor: replace(schedule, valve=constant.scaled(schedule.valve, factor))


def _hottest(schedule: Schedule) -> float:
    volts = max((p.heater_voltage for p in schedule.positions), default=0.0) or schedule.valve.heater.rated_voltage
    return heater_temperature(schedule.valve, volts)


def _with_cathode(schedule: Schedule, factor: float) -> Schedule:
    heater = schedule.valve.heater
    return replace(schedule, valve=replace(schedule.valve, heater=replace(heater, rated_temperature=factor * heater.rated_temperature)))


def _with_coating(schedule: Schedule, factor: float) -> Schedule:
    valve = schedule.valve
    coating = replace(valve.coating, mass=factor * valve.coating.mass, carbonate=factor * valve.coating.carbonate)

    def bound(part: Part) -> Part:
        stocks = tuple(replace(g, amount=factor * g.amount) if g.label == "binder" else g for g in part.first_order_gases)
        return replace(part, first_order_gases=stocks)

    return replace(schedule, valve=replace(valve, coating=coating, parts=tuple(map(bound, valve.parts))))


def _water(schedule: Schedule, node: str) -> float:
    return sum(g.amount for p in schedule.valve.parts if p.node.startswith(node) for g in p.surface_gases if g.gas == "H2O")


def _with_water(schedule: Schedule, factor: float, node: str) -> Schedule:
    def wetted(part: Part) -> Part:
        if not part.node.startswith(node):
            return part
        return replace(part, surface_gases=tuple(replace(g, amount=factor * g.amount) if g.gas == "H2O" else g for g in part.surface_gases))

    return replace(schedule, valve=replace(schedule.valve, parts=tuple(map(wetted, schedule.valve.parts))))


def _anode_gas(schedule: Schedule, gas: str) -> float:
    return sum(
        g.amount * dict(g.gases).get(gas, 0.0) for p in schedule.valve.parts if p.node.startswith("anode") for g in p.diffusing_gases
    )  # fmt: skip


def _with_anode_hydrogen(schedule: Schedule, factor: float) -> Schedule:
    def hydrided(part: Part) -> Part:
        if not part.node.startswith("anode"):
            return part
        gases = tuple(replace(g, amount=factor * g.amount) if [name for name, _ in g.gases] == ["H2"] else g for g in part.diffusing_gases)
        return replace(part, diffusing_gases=gases)

    return replace(schedule, valve=replace(schedule.valve, parts=tuple(map(hydrided, schedule.valve.parts))))


def _with_oven(schedule: Schedule, factor: float) -> Schedule:
    return replace(schedule, oven_temperature=factor * schedule.oven_temperature)


def _with_positions(schedule: Schedule, change: Callable[[PositionSetting], PositionSetting]) -> Schedule:
    return replace(schedule, positions=tuple(map(change, schedule.positions)))


def _with_rf(at_flash: bool) -> Callable[[Schedule, float], Schedule]:
    def scaled(schedule: Schedule, factor: float) -> Schedule:
        def change(setting: PositionSetting) -> PositionSetting:
            if setting.rf is None or (setting.action == "flash") != at_flash:
                return setting
            rf = setting.rf
            power = {name: factor * watts for name, watts in rf.power.items()}
            return replace(setting, rf=replace(rf, power=power, current=math.sqrt(factor) * rf.current))

        return _with_positions(schedule, change)

    return scaled


def _with_heater_voltage(schedule: Schedule, factor: float) -> Schedule:
    new = _with_positions(schedule, lambda setting: replace(setting, heater_voltage=factor * setting.heater_voltage))
    return replace(new, ageing=tuple(replace(step, heater_voltage=factor * step.heater_voltage) for step in schedule.ageing))


def _with_plate_leak(schedule: Schedule, factor: float) -> Schedule:
    lines = tuple(replace(line, in_leak_per_port=factor * line.in_leak_per_port) for line in schedule.machine.lines)
    return replace(schedule, machine=replace(schedule.machine, lines=lines))


def _drawn(schedule: Schedule) -> float:
    """Of what is told only as a share of the drawing: the whole."""
    return 1.0


#: What every quantity but the leak moves.
EFFECTS = {
    "cathode_temperature": Effect(_hottest, _with_cathode),
    "coating_mass": Effect(lambda schedule: schedule.valve.coating.mass, _with_coating),
    "needle_radius": _of_valve(coating=("needle_radius",)),
    "bore": _of_valve(exhaust_stem=("bore",)),
    "exhaust_stem_length": _of_valve(exhaust_stem=("length",)),
    "barium": _of_valve(getter=("barium", "flash_gas")),
    "mirror_area": _of_valve(getter=("mirror_area",)),
    "glass_water": Effect(
        lambda schedule: _water(schedule, schedule.valve.bulb_node), lambda schedule, factor: _with_water(schedule, factor, schedule.valve.bulb_node)
    ),
    "mica_water": Effect(lambda schedule: _water(schedule, "mica"), lambda schedule, factor: _with_water(schedule, factor, "mica")),
    "anode_co": Effect(lambda schedule: _anode_gas(schedule, "CO"), _constant("anode_carbon_monoxide")),
    "anode_hydrogen": Effect(lambda schedule: _anode_gas(schedule, "H2"), _with_anode_hydrogen),
    "tip_off_burst": Effect(lambda schedule: schedule.valve.exhaust_stem.burst_amount, _constant("tip_off_burst")),
    "oven_air": Effect(lambda schedule: schedule.oven_temperature, _with_oven),
    "rf_power": Effect(_drawn, _with_rf(at_flash=False)),
    "getter_rf_power": Effect(_drawn, _with_rf(at_flash=True)),
    "heater_voltage": Effect(_drawn, _with_heater_voltage),
    "plate_leak": Effect(_drawn, _with_plate_leak),
}  # fmt: skip
