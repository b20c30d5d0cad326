"""What a run reached, flag by flag: one small function for each thing that is watched.

Each function takes a `Run` and gives a `Reading`, the worst value met and where, or None
when the run never came into the situation that it watches (no flash, no ageing).  Values
are SI.  Limits, consequences and remedies stand in `exhaustsim.studies.flags`.

"Per second" always means over one second, not a slope at one instant, and "leaving out the
first second after the port opens" lets the gas gathered while the port was blanked get away.
Not watched here: whatever needs more than one run of one good valve (neighbours, leakers,
machine stops, scatter), and oil vapour itself.  What the pumping lines reached stands in
`exhaustsim.studies.linereadings`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from exhaustsim.constants import AR, CH4, CO2, GAS_CONSTANT, H2O, HE, O2, REFERENCE_TEMPERATURE, ZERO_CELSIUS
from exhaustsim.engine.result import Run
from exhaustsim.physics.carbonates import dissociation_pressure_barium
from exhaustsim.plant.machine import DiffusionPump, TurbomolecularPump

DWELL, TRANSFER, STANDING, AGEING, SHELF = range(5)
SETTLING = 1.0  # s after the port opens that pressure flags leave out
VAPOUR_BOOSTER_KNEE = 3.0  # Pa: a diffusion pump with its knee above this is meant to work at pascals


@dataclass(frozen=True)
class Reading:
    """A value (SI) and where it was met."""

    value: float
    sample: int | None = None  # of the run; None for what belongs to no instant
    position: int | None = None  # when it is not that of the sample
    place: str = ""  # words that name the place better than a position: "line D"


# ---- samples and settings ------------------------------------------------------------


def on_machine(run: Run) -> np.ndarray:
    """(t,) True while the valve is in its head."""
    return run.stage <= TRANSFER


def heater_voltage(run: Run) -> np.ndarray:
    """(t,) heater volts; on the machine they stay on through the transfer that follows."""
    at = np.array([0.0, *(p.heater_voltage for p in run.schedule.positions)])
    ageing = np.array([0.0, *(step.heater_voltage for step in run.schedule.ageing)])
    volts = np.zeros(len(run.time))
    for stage, table, number in ((DWELL, at, run.position), (TRANSFER, at, run.position - 1), (AGEING, ageing, run.step)):
        chosen = run.stage == stage
        volts[chosen] = table[number[chosen]]
    return volts


def since_opening(run: Run) -> np.ndarray:
    """(t,) seconds since the port opened at this position; 0 while it is blanked."""
    seconds = np.zeros(len(run.time))
    for position in np.unique(run.position[run.stage == DWELL]):
        samples = run.dwell_samples(position)
        seconds[samples] = run.time[samples] - run.time[samples[0]]
    return seconds


def flash_sample(run: Run) -> int | None:
    """Sample at which the getter RF comes on, before or after tip-off; None without a flash."""
    position = run.schedule.position_of("flash")
    if position is None:
        return None
    setting = run.schedule.positions[position - 1]
    samples = run.dwell_samples(position)
    start = run.time[samples[0]] + (setting.rf.start if setting.rf else 0.0)
    return int(samples[np.searchsorted(run.time[samples], start - 1e-9)])


def last_heated_position(run: Run) -> int | None:
    """Last position at which the heater is lit; None when it never is."""
    lit = [p.position for p in run.schedule.positions if p.heater_voltage > 0.0]
    return lit[-1] if lit else None


def end_of_heating(run: Run) -> int | None:
    """Last sample of the last heated position and of the transfer after it, through which the heater stays on."""
    position = last_heated_position(run)
    if position is None:
        return None
    after = run.transfer_samples(position + 1)
    return int(after[-1]) if after.size else run.end_of(position)


def largest(values: np.ndarray, chosen: np.ndarray) -> Reading | None:
    """Largest of `values` among the `chosen` samples (mask)."""
    samples = np.flatnonzero(chosen)
    if samples.size == 0:
        return None
    sample = int(samples[np.argmax(values[samples])])
    return Reading(float(values[sample]), sample)


def held_for(run: Run, values: np.ndarray, chosen: np.ndarray, seconds: float) -> Reading | None:
    """Highest value that was reached or passed for `seconds` in all among the `chosen` samples."""
    lasting = np.append(np.diff(run.time), 0.0)
    samples = np.flatnonzero(chosen)
    order = samples[np.argsort(-values[samples], kind="stable")]
    enough = np.flatnonzero(np.cumsum(lasting[order]) >= seconds)
    return Reading(float(values[order[enough[0]]]), int(order[enough[0]])) if enough.size else None


def rise_in_a_second(run: Run, values: np.ndarray, chosen: np.ndarray) -> Reading | None:
    """Largest rise of `values` over one second that lies whole within the `chosen` samples."""
    samples = np.flatnonzero(chosen)
    if samples.size == 0 or run.time[samples[-1]] - run.time[samples[0]] < 1.0:
        return None
    time = run.time[samples]
    starts = time <= time[-1] - 1.0
    rise = np.interp(time[starts] + 1.0, time, values[samples]) - values[samples][starts]
    k = int(np.argmax(rise))
    return Reading(float(rise[k]), int(samples[k]))


def _nodes(run: Run, start: str) -> np.ndarray | None:
    """(t,) hottest of the nodes whose names begin with `start`; None when the valve has none."""
    columns = [k for k, name in enumerate(run.node_names) if name.startswith(start)]
    return run.temperature[:, columns].max(axis=1) if columns else None


def _hottest(run: Run, start: str, chosen: np.ndarray) -> Reading | None:
    temperature = _nodes(run, start)
    return None if temperature is None else largest(temperature, chosen)


# ---- cathode -------------------------------------------------------------------------


def converted_after_heating(run: Run) -> Reading | None:
    """Converted fraction of the coating when the heater goes out for the last time on the machine [1]."""
    sample = end_of_heating(run)
    if sample is None:
        return None
    return Reading(float(run.converted_fraction[sample]), sample, last_heated_position(run))


def conversion_in_a_second(run: Run) -> Reading | None:
    """Largest rise of the converted fraction in one second on the machine [1]."""
    return rise_in_a_second(run, run.converted_fraction, on_machine(run))


def breakdown_bulb_pressure(run: Run) -> Reading | None:
    """Highest bulb pressure with the heater lit and the port open for a second or longer [Pa]."""
    lit = heater_voltage(run) > 0.0
    return largest(run.total_bulb_pressure, lit & (run.stage == DWELL) & (since_opening(run) >= SETTLING))


def cathode_temperature(run: Run) -> Reading | None:
    """Highest temperature of the cathode sleeve up to the end of ageing [K]."""
    return largest(run.node(run.schedule.valve.cathode_node), run.stage <= AGEING)


def _gathered(run: Run, exposure: np.ndarray, first: int) -> Reading:
    """What `exposure` gathered on the machine from the sample `first` on, placed where nine tenths of it were reached."""
    last = int(np.flatnonzero(on_machine(run))[-1])
    since = exposure[first : last + 1] - exposure[first]
    return Reading(float(since[-1]), first + int(np.searchsorted(since, 0.9 * since[-1])))


def _conversion_over(run: Run) -> int:
    """First sample at which the converted fraction is within half a per cent of the most it reaches on the machine."""
    converted = run.converted_fraction
    return int(np.argmax(converted >= 0.995 * converted[on_machine(run)].max()))


def oxygen_exposure(run: Run) -> Reading:
    """O2 exposure of the hot cathode after its conversion, on the pump."""
    return _gathered(run, run.oxygen_exposure, _conversion_over(run))


def oxidant_exposure(run: Run) -> Reading:
    """H2O and CO2 exposure of the hot cathode after its conversion, on the pump: not the CO2 of the breakdown itself."""
    return _gathered(run, run.oxidant_exposure, _conversion_over(run))


def nickel_exposure(run: Run) -> Reading:
    """CO2 exposure of the hot cathode sleeve on the machine [Pa s]."""
    return _gathered(run, run.nickel_exposure, 0)


def _lit_for_ten_seconds(run: Run) -> np.ndarray:
    lit = (run.stage == AGEING) & (heater_voltage(run) > 0.0)
    chosen = np.zeros(len(lit), dtype=bool)
    since = np.nan
    for i in np.flatnonzero(run.stage == AGEING):
        since = (run.time[i] if np.isnan(since) else since) if lit[i] else np.nan
        chosen[i] = lit[i] and run.time[i] - since >= 10.0
    return chosen


def sealed_oxygen(run: Run) -> Reading | None:
    """Highest oxygen pressure in ageing after the heater has been lit for ten seconds [Pa]."""
    return largest(run.bulb_pressure[:, O2], _lit_for_ten_seconds(run))


def sealed_oxidant(run: Run) -> Reading | None:
    """Highest water or CO2 pressure in ageing after the heater has been lit for ten seconds [Pa]."""
    return largest(np.maximum(run.bulb_pressure[:, H2O], run.bulb_pressure[:, CO2]), _lit_for_ten_seconds(run))


def recarbonated_share(run: Run) -> Reading | None:
    """Converted fraction lost again on the machine."""
    chosen = on_machine(run)
    best_before = np.maximum.accumulate(run.converted_fraction)
    return largest(best_before - run.converted_fraction, chosen)


def carbon_dioxide_on_cooling(run: Run) -> Reading | None:
    """CO2 pressure over the dissociation pressure of the coating as the cathode cools through 750 degC after its conversion.

    A cathode that a hot anode brought past 750 degC before its heater is lit has no oxide to turn back.
    """
    passing = 750.0 + ZERO_CELSIUS
    cathode = run.node(run.schedule.valve.cathode_node)
    cooled = on_machine(run)[1:] & (cathode[:-1] >= passing) & (cathode[1:] < passing)
    samples = np.flatnonzero(cooled) + 1
    samples = samples[samples >= _conversion_over(run)]
    if samples.size == 0:
        return None
    dissociation = run.schedule.valve.coating.activity * dissociation_pressure_barium(passing)
    sample = int(samples[np.argmax(run.bulb_pressure[samples, CO2])])
    return Reading(float(run.bulb_pressure[sample, CO2] / dissociation), sample)


def binder_left_when_hot(run: Run) -> Reading | None:
    """Binder gas still held as the cathode first passes 900 degC on the machine."""
    binder = [k for k, source in enumerate(run.sources) if source.label == "binder"]
    cathode = run.node(run.schedule.valve.cathode_node)
    hot = np.flatnonzero(on_machine(run) & (cathode > 900.0 + ZERO_CELSIUS))
    if not binder or hot.size == 0:
        return None
    return Reading(float(run.held[hot[0], binder].sum()), int(hot[0]))


def heater_overvoltage(run: Run) -> Reading | None:
    """Highest heater volts over rated volts kept for more than 5 s."""
    volts = heater_voltage(run) / run.schedule.valve.heater.rated_voltage
    return held_for(run, volts, volts > 0.0, 5.0)


# ---- flash and getter ----------------------------------------------------------------


def carbon_dioxide_at_flash(run: Run) -> Reading | None:
    """CO2 pressure in the bulb as the getter RF comes on [Pa]."""
    sample = flash_sample(run)
    return None if sample is None else Reading(float(run.bulb_pressure[sample, CO2]), sample)


def carbon_dioxide_evolving_at_flash(run: Run) -> Reading | None:
    """CO2 still given off as the getter RF comes on."""
    sample = flash_sample(run)
    if sample is None:
        return None
    shares = np.array([dict(source.gases).get("CO2", 0.0) for source in run.sources])
    return Reading(float(run.evolution[sample] @ shares), sample)


def _before_flash(run: Run) -> np.ndarray:
    flash = run.schedule.position_of("flash")
    return on_machine(run) & (run.position < (flash if flash is not None else len(run.schedule.positions) + 1))


def getter_temperature_before_flash(run: Run) -> Reading | None:
    """Highest temperature of the getter holder on the machine before the flash position [K]."""
    return largest(run.node(run.schedule.valve.getter_node), _before_flash(run))


def water_on_hot_getter(run: Run) -> Reading | None:
    """Time mean of the water pressure while the getter holder is above 350 degC, before the flash."""
    hot = _before_flash(run) & (run.node(run.schedule.valve.getter_node) > 350.0 + ZERO_CELSIUS)
    lasting = np.append(np.diff(run.time), 0.0) * hot
    if lasting.sum() == 0.0:
        return None
    water = run.bulb_pressure[:, H2O]
    worst = int(np.argmax(np.where(hot, water, -1.0)))
    return Reading(float(lasting @ water / lasting.sum()), worst)


def barium_yield(run: Run) -> Reading | None:
    """Barium evaporated in the end over barium in the fill [1]; None without a flash."""
    position = run.schedule.position_of("flash")
    if position is None:
        return None
    return Reading(float(run.barium_evaporated[-1] / run.schedule.valve.getter.barium), run.end_of(position))


def getter_temperature(run: Run) -> Reading | None:
    """Highest temperature of the getter holder on the machine [K]."""
    return largest(run.node(run.schedule.valve.getter_node), on_machine(run))


def flash_duration(run: Run) -> Reading | None:
    """Seconds from the first hundredth to nine tenths of the barium that leaves; None for a getter that is not flashed.

    What a hot holder loses in years, or in the oven, is no flash.
    """
    last = run.barium_evaporated[-1]
    if last <= 0.0 or run.schedule.position_of("flash") is None:
        return None
    first = int(np.searchsorted(run.barium_evaporated, 0.01 * last))
    most = int(np.searchsorted(run.barium_evaporated, 0.9 * last))
    return Reading(float(run.time[most] - run.time[first]), most)


def film_on_mica(run: Run) -> Reading | None:
    """Mean thickness of the barium that flies straight to the micas, both faces counted [m].

    A film of a few nanometres begins to lead a current from pin to pin.
    """
    getter = run.schedule.valve.getter
    area = sum(part.area for part in run.schedule.valve.parts if part.node.startswith("mica"))
    last = run.barium_evaporated[-1]
    if area == 0.0 or last <= 0.0:
        return None
    thickness = getter.share_on_mica * last / (run.schedule.valve.tables.value("getters.barium_density") * area)
    return Reading(float(thickness), int(np.searchsorted(run.barium_evaporated, 0.9 * last)))


def pressure_as_barium_leaves(run: Run) -> Reading | None:
    """Mean bulb pressure while the barium leaves, each instant counted by the barium that leaves in it.

    In thin gas barium flies straight, and a shield casts a shadow.  At 1 Pa it meets a molecule every few
    millimetres (practice), goes round the shield and settles on the micas too.
    """
    leaving = np.diff(run.barium_evaporated, prepend=run.barium_evaporated[0])
    if leaving.sum() <= 0.0:
        return None
    mean = float(leaving @ run.total_bulb_pressure / leaving.sum())
    return Reading(mean, int(np.argmax(leaving)))


def barium_spent_in_ageing(run: Run) -> Reading | None:
    """Barium used up over barium evaporated at the end of ageing [1]; None without tip-off."""
    if run.tip_off_sample is None:
        return None
    return Reading(float(run.barium_spent[run.end_of_ageing]), run.end_of_ageing)


def barium_spent_in_life(run: Run) -> Reading | None:
    """Highest share of the evaporated barium used up on the shelf [1]."""
    return largest(run.barium_spent, run.stage == SHELF)


def inert_flash_gas(run: Run) -> Reading | None:
    """Pressure of methane, argon and helium from the flash, if it is fired after tip-off, over the sealed target."""
    flash, tip = run.schedule.position_of("flash"), run.schedule.position_of("tip_off")
    if flash is None or tip is None or flash < tip:
        return None
    valve = run.schedule.valve
    inert = sum(share for gas, share in valve.getter.flash_gases if gas in ("CH4", "Ar", "He"))
    pressure = inert * valve.getter.flash_gas * GAS_CONSTANT * REFERENCE_TEMPERATURE / valve.bulb.volume
    return Reading(pressure / run.schedule.target.sealed_pressure, flash_sample(run))


# ---- tip-off and sealed life ---------------------------------------------------------


def bulb_pressure_at_tip_off(run: Run) -> Reading | None:
    """Bulb pressure just before the bore starts to close [Pa]; None without tip-off."""
    sample = run.tip_off_sample
    return None if sample is None else Reading(float(run.total_bulb_pressure[sample]), sample)


def fall_at_tip_off(run: Run) -> Reading | None:
    """Relative fall of the bulb pressure per second just before the bore closes."""
    sample = run.tip_off_sample
    if sample is None:
        return None
    opened = run.time[run.dwell_samples(run.position[sample])[0]]
    start = max(opened + SETTLING, run.time[sample] - 1.0)
    seconds = run.time[sample] - start
    if seconds <= 0.0:
        return None
    before = np.interp(start, run.time, run.total_bulb_pressure)
    return Reading(float(np.log(before / run.total_bulb_pressure[sample]) / seconds), sample)


def tip_burst_clearing(run: Run) -> Reading | None:
    """Seconds in which the mirror takes nine tenths of the gas that tip-off leaves in the bulb; inert gases do not count."""
    if run.tip_off_sample is None or run.barium_evaporated[run.tip_off_sample] <= 0.0:
        return None
    samples = np.flatnonzero((np.arange(len(run.time)) >= run.tip_off_sample) & (run.stage <= STANDING))
    pressure = run.bulb_pressure[samples].sum(axis=1) - run.bulb_pressure[samples][:, [HE, CH4, AR]].sum(axis=1)
    peak = int(np.argmax(pressure))
    cleared = np.flatnonzero(pressure[peak:] <= 0.1 * pressure[peak])
    end = peak + (int(cleared[0]) if cleared.size else len(pressure) - peak - 1)
    return Reading(float(run.time[samples[end]] - run.time[samples[peak]]), int(samples[peak]))


def inert_tip_burst(run: Run) -> Reading | None:
    """Pressure that methane, argon and helium of the tip-off burst leave in the bulb, over the sealed target."""
    sample = run.tip_off_sample
    if sample is None:
        return None
    stem = run.schedule.valve.exhaust_stem
    inert = sum(share for gas, share in stem.burst_gases if gas in ("CH4", "Ar", "He"))
    amount = inert * stem.burst_share_to_bulb * stem.burst_amount
    pressure = amount * GAS_CONSTANT * REFERENCE_TEMPERATURE / run.schedule.valve.bulb.volume
    return Reading(pressure / run.schedule.target.sealed_pressure, sample)


def exhaust_stem_bore(run: Run) -> Reading | None:
    """Bore of the exhaust stem [m]."""
    sample = run.tip_off_sample
    return None if sample is None else Reading(run.schedule.valve.exhaust_stem.bore, sample)


def wall_over_bore(run: Run) -> Reading | None:
    """Wall of the exhaust stem over its bore; None where the valve file does not state the wall."""
    stem, sample = run.schedule.valve.exhaust_stem, run.tip_off_sample
    return None if sample is None or stem.wall_thickness is None else Reading(stem.wall_thickness / stem.bore, sample)


def sealing_time_left(run: Run) -> Reading | None:
    """Dwell at tip-off less twice the sealing time: below zero the seal is hurried."""
    position = run.schedule.position_of("tip_off")
    if position is None:
        return None
    return Reading(run.schedule.dwell - 2.0 * run.schedule.valve.exhaust_stem.sealing_time, None, position)


def dwell_left_after_rf(run: Run) -> Reading | None:
    """Dwell less the latest end of RF heating."""
    ends = [(p.rf.start + p.rf.duration, p.position) for p in run.schedule.positions if p.rf is not None]
    if not ends:
        return None
    end, position = max(ends)
    return Reading(run.schedule.dwell - end, None, position)


def argon_at_tip_off(run: Run) -> Reading | None:
    """Argon in the bulb as the bore closes, referred to 20 degC, over the sealed target."""
    sample = run.tip_off_sample
    if sample is None:
        return None
    cold = REFERENCE_TEMPERATURE / run.node(run.schedule.valve.bulb_node)[sample]
    return Reading(float(run.bulb_pressure[sample, AR] * cold / run.schedule.target.sealed_pressure), sample)


def helium_after_shelf(run: Run) -> Reading | None:
    """Helium pressure at the end of the shelf time over the sealed target [1]."""
    if not (run.stage == SHELF).any():
        return None
    return Reading(float(run.bulb_pressure[-1, HE] / run.schedule.target.sealed_pressure), len(run.time) - 1)


# ---- glass, micas, anode -------------------------------------------------------------


def wall_at_oven_exit(run: Run) -> Reading | None:
    """Temperature of the bulb wall at the end of the last oven position [K]; None without an oven."""
    if not run.schedule.machine.oven_positions:
        return None
    sample = run.end_of(max(run.schedule.machine.oven_positions))
    return Reading(float(run.node(run.schedule.valve.bulb_node)[sample]), sample)


def glass_water_left(run: Run) -> Reading | None:
    """Surface water still on the bulb glass as the valve leaves its exhaust stem."""
    sample = run.tip_off_sample
    glass = {part.name for part in run.schedule.valve.parts if part.node == run.schedule.valve.bulb_node}
    chosen = [k for k, s in enumerate(run.sources) if s.part in glass and s.label == "surface H2O"]
    if sample is None or not chosen:
        return None
    return Reading(float(run.held[sample, chosen].sum()), sample)


def wall_temperature(run: Run) -> Reading | None:
    """Highest temperature of the bulb wall up to the end of ageing [K]."""
    return largest(run.node(run.schedule.valve.bulb_node), run.stage <= AGEING)


def foot_temperature(run: Run) -> Reading | None:
    """Highest temperature of the foot up to the end of ageing [K]."""
    return _hottest(run, "foot", run.stage <= AGEING)


def hot_spot_temperature(run: Run) -> Reading | None:
    """Temperature that the hottest glass of the bulb keeps for 10 s on the pump."""
    spot = _nodes(run, "hot_spot")
    wall = run.node(run.schedule.valve.bulb_node)
    hottest = wall if spot is None else np.maximum(wall, spot)
    return held_for(run, hottest, on_machine(run), 10.0)


def foot_temperature_under_voltage(run: Run) -> Reading | None:
    """Foot temperature while d.c. stands across the leads, that is while anode current flows in ageing."""
    current = np.array([0.0, *(step.anode_current for step in run.schedule.ageing)])
    return _hottest(run, "foot", (run.stage == AGEING) & (current[run.step] > 0.0))


def wall_cooling_in_a_second(run: Run) -> Reading | None:
    """Largest fall of the bulb wall temperature in one second on the machine [K]."""
    return rise_in_a_second(run, -run.node(run.schedule.valve.bulb_node), on_machine(run))


def mica_temperature(run: Run) -> Reading | None:
    """Highest temperature of the micas up to the end of ageing [K]."""
    return _hottest(run, "mica", run.stage <= AGEING)


def anode_temperature(run: Run) -> Reading | None:
    """Highest temperature of the anode up to the end of ageing [K]."""
    return _hottest(run, "anode", run.stage <= AGEING)


def anode_temperature_by_rf(run: Run) -> Reading | None:
    """Highest temperature of the anode on the machine [K]."""
    return _hottest(run, "anode", on_machine(run))


def anode_running_temperature(run: Run) -> float:
    """Highest anode temperature of the ageing steps [K]; 0 without ageing."""
    reading = _hottest(run, "anode", run.stage == AGEING)
    return 0.0 if reading is None else reading.value


# ---- lines ---------------------------------------------------------------------------


def _lines_with(run: Run, kinds):
    pumps = {line.name: line.pump for line in run.schedule.machine.lines if isinstance(line.pump, kinds)}
    for wave in run.lines:
        if wave.name in pumps:
            served = [p for p, name in run.schedule.machine.line_of_position.items() if name == wave.name]
            yield wave, pumps[wave.name], min(served) if served else None


def diffusion_inlet_pressure(run: Run) -> Reading | None:
    """Highest time mean over one index of the inlet pressure of a diffusion pump, vapour boosters left out."""
    means = [(w.mean_pressure, p, w.name) for w, pump, p in _lines_with(run, DiffusionPump) if pump.knee_pressure < VAPOUR_BOOSTER_KNEE]
    if not means:
        return None
    value, position, name = max(means)
    return Reading(value, None, position, f"line {name}")


def backing_pressure_share(run: Run) -> Reading | None:
    """Highest backing pressure over the critical backing pressure, diffusion and turbomolecular pumps.

    Oil comes back through either when it stalls: its own, or that of the backing pump.
    """
    shares = [
        (float(w.backing_pressure.max() / pump.critical_backing_pressure), p, w.name)
        for w, pump, p in _lines_with(run, DiffusionPump | TurbomolecularPump)
    ]
    if not shares:
        return None
    value, position, name = max(shares)
    return Reading(value, None, position, f"line {name}")


def bulb_pressure_in_transfer(run: Run) -> Reading | None:
    """Highest bulb pressure while the port is blanked in transfer [Pa]."""
    return largest(run.total_bulb_pressure, run.stage == TRANSFER)


# ---- the run itself ------------------------------------------------------------------


def ledger_error(run: Run) -> Reading:
    """By how much the gas ledger stays open, over the inventory [1]."""
    return Reading(run.ledger.error)


def constants_outside_range(run: Run) -> Reading:
    """How many of the constants that a valve file may set lie outside the range of the data tables."""
    coating, getter = run.schedule.valve.coating, run.schedule.valve.getter
    used = {f"carbonates.{name}": getattr(coating, name) for name in (
        "needle_radius", "activity", "nickel_share", "recarbonation_rate", "recarbonation_energy", "recarbonation_cap",
    )}  # fmt: skip
    used |= {f"getters.{name}": getattr(getter, name) for name in ("yield_limit", "flash_gas", "area_ratio", "site_density")}
    for name in ("sticking", "burial_rate", "appetite"):
        used |= {f"getters.{name}.{gas}": value for gas, value in getattr(getter, name).items()}
    outside = []
    for name, value in used.items():
        row = run.schedule.valve.tables.row(name)
        # A hair's breadth for what comes of turning units.
        if row.low is not None and not row.low * (1.0 - 1e-9) <= value <= row.high * (1.0 + 1e-9):
            outside.append(name)
    return Reading(float(len(outside)), None, None, ", ".join(outside))
