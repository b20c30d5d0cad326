"""Each named effect switched off alone: it changes what it should, by the size it should, and nothing else.

Runs are at tolerance 1e-6 with lines repeating to 1e-5, so that differences of 1e-4 are effects, not steps.
Wherever the law without the effect has an exact solution, the run without it is held against that solution,
driven by the run's own temperatures; so a switch that does nothing, or too much, is seen.
"""


from dataclasses import replace

import numpy as np
import pytest
from altered import coating_with, valve_with, with_sticking, without_heat
from scipy.interpolate import PchipInterpolator

from exhaustsim.constants import AR, CO, CO2, GAS_CONSTANT, GAS_COUNT, GAS_NAMES, H2, H2O, HE, N2, STEFAN_BOLTZMANN
from exhaustsim.data.published import BUILT_IN, Tables
from exhaustsim.engine import network
from exhaustsim.engine.run import simulate
from exhaustsim.physics.carbonates import breakdown_rate, front_speed
from exhaustsim.physics.conductance import (
    TUBE_SCRATCH, TUBE_SIZE, tube_conductance_molecular, tube_constants, tube_mixture_flow,
)  # fmt: skip

TIGHT = 1e-6
REACTION_HEAT = "carbonates.reaction_enthalpy"
STANDARD_STEM = (1.5e-3, 0.06)  # m, radius and length


@pytest.fixture(scope="module")
def base(schedules):
    return simulate(schedules["standard"], TIGHT)


@pytest.fixture(scope="module")
def no_gas_conduction(schedules):
    return simulate(valve_with(schedules["standard"], gas_conduction=()), TIGHT)


@pytest.fixture(scope="module")
def no_recarbonation(schedules):
    return simulate(coating_with(schedules["standard"], recarbonation_rate=0.0), TIGHT)


def at(run, first, last=None):
    """Samples of the dwells at positions `first` to `last`."""
    return np.concatenate([run.dwell_samples(k) for k in range(first, (last or first) + 1)])


def warmer(run, reference, node, samples):
    """(n,) K by which a node of `run` is hotter than that of `reference`."""
    return run.node(node)[samples] - reference.node(node)[samples]


def largest_change(run, reference, samples, floor=1e-8):
    """Largest relative change of any partial bulb pressure above `floor` Pa."""
    a, b = run.bulb_pressure[samples], reference.bulb_pressure[samples]
    return np.max(np.abs(a - b) / b, where=b > floor, initial=0.0)


def integral(run, values):
    """(time,) running integral of sampled `values` over time, by monotone cubics; a jump of slope sits on a sample."""
    new = np.concatenate([[True], np.diff(run.time) > 0.0])  # an edge between phases is there twice
    return PchipInterpolator(run.time[new], values[new]).antiderivative()(run.time)


def source(run, part, label):
    return [(s.part, s.label) for s in run.sources].index((part, label))


# ---- heat: gas conduction and heat of reaction ------------------------------------------------------


def test_gas_conduction_changes_temperatures_once_something_is_hot(base, no_gas_conduction):
    """Without it the sleeve lags by 15 K at the end of the oven and runs 20 K hotter while it breaks down."""
    off = no_gas_conduction
    assert warmer(off, base, "cathode_sleeve", base.end_of(7)) == pytest.approx(-15.2, abs=1.0)
    assert warmer(off, base, "mica", base.end_of(7)) < -5.0
    assert warmer(off, base, "cathode_sleeve", at(base, 10)).max() == pytest.approx(19.6, abs=2.0)
    ahead = (off.converted_fraction - base.converted_fraction)[at(base, 10)]
    assert ahead.max() == pytest.approx(0.124, abs=0.02)


def test_gas_conduction_changes_nothing_in_a_valve_all_at_one_temperature(base, no_gas_conduction):
    """Positions 1 and 2: a bulb full of gas and no differences of temperature, so no heat to carry.

    Position 1 has its line to itself: not a bit.  Line R of position 2 also serves hot valves.
    """
    off = no_gas_conduction
    assert np.array_equal(off.bulb_pressure[at(base, 1)], base.bulb_pressure[at(base, 1)])
    assert np.abs(off.temperature[at(base, 1, 2)] - base.temperature[at(base, 1, 2)]).max() < 1e-9
    air = off.bulb_pressure[at(base, 2)][:, [N2, AR]] / base.bulb_pressure[at(base, 2)][:, [N2, AR]]
    assert air == pytest.approx(1.0, abs=1e-4)  # 2e-5 measured


def test_gas_conduction_does_not_change_what_the_coating_gives_in_all(base, no_gas_conduction):
    for run in (base, no_gas_conduction):
        assert run.converted_fraction[run.end_of(16)] == pytest.approx(1.0, abs=1e-8)
        assert run.ledger.error < 1e-10


@pytest.fixture
def no_reaction_heat(schedules):
    row = replace(BUILT_IN.row(REACTION_HEAT), value=0.0, own=True)
    return simulate(valve_with(schedules["standard"], tables=Tables((row,))), TIGHT)


def test_reaction_heat_cools_the_sleeve_while_it_breaks_down_and_not_before(base, no_reaction_heat):
    """The dip is below what the reaction can draw from a sleeve that radiates, and not far below.

    In a steady state the dip would be the reaction's power over the slope of the radiated power; the
    sleeve takes 3 s to follow and the breakdown lasts little longer.
    """
    before, breakdown = at(base, 1, 8), at(base, 9, 11)
    assert np.abs(no_reaction_heat.temperature[before] - base.temperature[before]).max() < 1e-6
    assert largest_change(no_reaction_heat, base, before) < 1e-6
    valve = base.schedule.valve
    dip = warmer(no_reaction_heat, base, "cathode_sleeve", breakdown).max()
    power = 252e3 * base.evolution[:, source(base, "coating", "carbonate")].max()
    area = sum(r.emissivity_area for r in valve.radiation if valve.cathode_node in (r.first, r.second))
    slope = 4.0 * STEFAN_BOLTZMANN * area * 1330.0**3
    assert 0.3 * power / slope < dip < power / slope


def test_reaction_heat_is_forgotten_after_breakdown_and_gives_no_gas(base, no_reaction_heat):
    """25 K at most during breakdown, under 1 K by the end of position 13, and the same gas in all."""
    late = np.abs(warmer(no_reaction_heat, base, "cathode_sleeve", at(base, 14, 16)))
    assert late.max() < 1.0
    carbonate = source(base, "coating", "carbonate")
    assert no_reaction_heat.ledger.released["coating: carbonate"] == pytest.approx(
        base.ledger.released["coating: carbonate"], rel=1e-8
    )
    assert no_reaction_heat.held[0, carbonate] == base.held[0, carbonate]


# ---- back-pressure of carbon dioxide ----------------------------------------------------------------


@pytest.fixture(scope="module")
def no_back_pressure(schedules):
    """An activity so large that the bulb never comes near the dissociation pressure; no recarbonation either."""
    return simulate(coating_with(schedules["standard"], activity=1e9, recarbonation_rate=0.0), TIGHT)


@pytest.mark.parametrize("temperature", [1000.0, 1200.0, 1400.0])
def test_activity_acts_through_the_back_pressure_only(temperature):
    """With no carbon dioxide about, the law does not ask for the activity; with some, it does."""
    in_vacuum = [breakdown_rate(0.5, temperature, 0.0, 1.1e-6, activity)[0] for activity in (0.01, 0.3, 1e9)]
    assert in_vacuum == pytest.approx([in_vacuum[0]] * 3, rel=1e-12)
    in_gas = [breakdown_rate(0.5, temperature, 50.0, 1.1e-6, activity)[0] for activity in (0.3, 1e9)]
    assert in_gas[0] < in_gas[1]
    assert in_gas[1] == pytest.approx(in_vacuum[0], rel=1e-5)


def test_without_back_pressure_breakdown_is_that_of_a_shrinking_cylinder(no_back_pressure, no_recarbonation):
    """1 - sqrt(held) = integral of v/r0 over the sleeve's own history, to 1e-5; with it, far behind that."""
    off_by = {}
    for name, run in (("off", no_back_pressure), ("on", no_recarbonation)):
        cathode = run.node(run.schedule.valve.cathode_node)
        speed = np.array([front_speed(temperature)[0] for temperature in cathode])
        gone = np.minimum(integral(run, speed / run.schedule.valve.coating.needle_radius), 1.0)
        closed = 1.0 - (1.0 - gone) ** 2
        off_by[name] = (closed - run.converted_fraction)[at(run, 9, 10)]
    assert np.abs(off_by["off"]).max() < 3e-5
    assert off_by["on"].max() > 0.1
    assert off_by["on"].min() > -3e-5


def test_back_pressure_holds_breakdown_up_and_changes_nothing_before(no_back_pressure, no_recarbonation):
    """Up to 0.14 of the coating at position 10; five times the peak of CO2; positions 1 to 8 as they were."""
    off, on = no_back_pressure, no_recarbonation
    before = at(on, 1, 8)
    assert np.abs(off.temperature[before] - on.temperature[before]).max() < 1e-3
    assert largest_change(off, on, before) < 2e-4  # 4e-5 measured: step selection where CH4 stands at 1e-8 Pa
    ahead = (off.converted_fraction - on.converted_fraction)[at(on, 9, 10)]
    assert ahead.max() == pytest.approx(0.14, abs=0.02)
    assert ahead.min() > -1e-6
    end = on.end_of(16)
    assert off.converted_fraction[end] == pytest.approx(on.converted_fraction[end], abs=1e-8)


def test_recarbonation_changes_the_cooling_only(base, no_recarbonation):
    """DT-1 cools in good vacuum, so the share is small; up to the end of heating not a thing changes."""
    hot = at(base, 1, 12)
    assert np.abs(no_recarbonation.temperature[hot] - base.temperature[hot]).max() < 1e-6
    assert largest_change(no_recarbonation, base, hot) < 1e-6
    assert no_recarbonation.ledger.consumed["recarbonation of the coating"].sum() == pytest.approx(0.0, abs=1e-18)
    assert base.ledger.consumed["recarbonation of the coating"][CO2] > 1e-11 * base.schedule.valve.coating.carbonate


# ---- readsorption of water --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def no_readsorption(schedules):
    """Heat carried by gas is off too: water would carry heat, and with it change everything a little."""
    return simulate(with_sticking(valve_with(schedules["standard"], gas_conduction=()), 0.0), TIGHT)


def test_without_readsorption_each_energy_empties_by_itself(no_readsorption, no_gas_conduction):
    """Held water is the sum over the band of exp(-integral of nu exp(-E/RT)) along the wall's own history.

    To 1e-5 (cubics between samples); with readsorption more than a tenth more is held at the end of the oven.
    """
    run = no_readsorption
    schedule = run.schedule
    tables = network.number_valve(schedule.valve, schedule.machine).tables
    k = source(run, "bulb_glass", "surface H2O")
    attempt, lowest, spacing, arrival = tables.bin_law[k]
    assert arrival == 0.0
    wall = run.node(schedule.valve.bulb_node)
    left = 0.0
    for b in range(tables.bin_start[k + 1] - tables.bin_start[k]):
        rate = attempt * np.exp(-(lowest + b * spacing) / (GAS_CONSTANT * wall))
        left = left + tables.bin_room[k] * np.exp(-integral(run, rate))
    for position in (4, 5, 6, 7, 10, 13, 16):
        end = run.end_of(position)
        assert run.held[end, k] == pytest.approx(left[end], rel=1e-5), position
    assert no_gas_conduction.held[run.end_of(7), k] > 1.1 * run.held[run.end_of(7), k]


def test_readsorption_changes_water_and_leaves_every_other_stock_alone(no_readsorption, no_gas_conduction):
    """The cooling wall takes water back: two thirds more stay in it, and a fifth is left in the bulb at the end of 12.

    Temperatures stay as they were to hundredths of a kelvin, other sources to 1e-4 of themselves.
    """
    off, on = no_readsorption, no_gas_conduction
    twelve, thirteen, glass = on.end_of(12), on.end_of(13), source(on, "bulb_glass", "surface H2O")
    assert on.held[thirteen, glass] == pytest.approx(1.68 * off.held[thirteen, glass], rel=0.05)
    assert on.bulb_pressure[twelve, H2O] == pytest.approx(0.20 * off.bulb_pressure[twelve, H2O], rel=0.15)
    machine = at(on, 1, 16)
    assert np.abs(off.temperature[machine] - on.temperature[machine]).max() < 0.02  # 9e-3 measured, through breakdown
    assert np.abs(off.converted_fraction - on.converted_fraction)[machine].max() < 5e-4  # 1.7e-4 measured
    for k, item in enumerate(on.sources):
        if item.label.startswith("surface") or item.label in ("carbonate", "mica body water"):
            continue
        start = on.held[0, k]
        assert off.held[machine, k] == pytest.approx(on.held[machine, k], abs=1e-4 * start), f"{item.part}: {item.label}"


# ---- transpiration ----------------------------------------------------------------------------------


def stem_flow(p1, T1, p2, T2, diameter_factor=1.0):
    """(gas,) mol/s through the exhaust stem of DT-1; mutual diffusion is hindered less by smaller molecules."""
    tube = np.zeros(TUBE_SIZE)
    column = network.gas_column
    tube_constants(
        *STANDARD_STEM, column("molar_mass"), column("viscosity"), 293.15, column("viscosity_exponent"),
        diameter_factor * column("diameter"), tube,
    )  # fmt: skip
    flow = np.zeros(GAS_COUNT)
    tube_mixture_flow(np.asarray(p1, float), T1, np.asarray(p2, float), T2, tube, flow, np.zeros(TUBE_SCRATCH))
    return flow


def only(gas, pressure):
    out = np.zeros(GAS_COUNT)
    out[gas] = pressure
    return out


@pytest.mark.parametrize("gas", [H2, N2, CO2])
def test_transpiration_shifts_the_point_of_rest_in_molecular_flow(gas):
    """Equal ends: flow is conductance x difference; unequal: each side by its own p/sqrt(T).  Within 0.2 % at 1e-6 Pa."""
    mass = network.gas_column("molar_mass")[gas]
    through = stem_flow(only(gas, 2e-6), 400.0, only(gas, 1e-6), 400.0)[gas]
    conductance = tube_conductance_molecular(*STANDARD_STEM, 400.0, mass)
    assert through == pytest.approx(conductance * 1e-6 / (GAS_CONSTANT * 400.0), rel=2e-3)
    hot, cold = 640.0, 293.15
    same_pressure = stem_flow(only(gas, 1e-6), hot, only(gas, 1e-6), cold)[gas]
    one_way = [tube_conductance_molecular(*STANDARD_STEM, T, mass) * 1e-6 / (GAS_CONSTANT * T) for T in (hot, cold)]
    assert same_pressure == pytest.approx(one_way[0] - one_way[1], rel=5e-3)  # cold to hot
    at_rest = stem_flow(only(gas, 1e-6 * np.sqrt(hot / cold)), hot, only(gas, 1e-6), cold)[gas]
    assert abs(at_rest) < 2e-3 * one_way[1]


def test_transpiration_is_gone_in_viscous_flow():
    """At atmospheric pressure the flow that equal pressures give is under 1e-4 of what a tenth of a pressure gives."""
    creeping = stem_flow(only(N2, 1e5), 640.0, only(N2, 1e5), 293.15)[N2]
    driven = stem_flow(only(N2, 1e5), 640.0, only(N2, 9e4), 293.15)[N2]
    assert abs(creeping) < 1e-4 * driven


def test_transpiration_in_a_run_follows_the_wall(base, schedules):
    """Argon and helium, which nothing but the line takes: bulb over head is sqrt(T wall/T room), with a cold wall 1.

    End of position 14, wall at 430 K: 1.21.  Left over are up to 0.6 %: the head is still falling with its line.
    """
    cold = simulate(without_heat(schedules["standard"]), TIGHT)
    end = base.end_of(14)
    ratio = np.sqrt(base.node("bulb_wall")[end] / base.schedule.machine.room_temperature)
    assert ratio > 1.2
    for gas in (HE, AR):
        assert base.bulb_pressure[end, gas] / base.head_pressure[end, gas] == pytest.approx(ratio, rel=6e-3)
        late = cold.end_of(14)  # without RF there are fewer samples
        assert cold.bulb_pressure[late, gas] / cold.head_pressure[late, gas] == pytest.approx(1.0, rel=6e-3)


# ---- mutual diffusion -------------------------------------------------------------------------------

NO_COLLISIONS = 1e-3  # diameters so small that unlike molecules do not meet; viscosity is tabled apart


def test_unlike_molecules_hinder_each_other_at_equal_totals():
    """Hydrogen against carbon monoxide at 300 Pa each way: without collisions each flows as if alone, much faster."""
    one, two = only(H2, 300.0) + only(CO, 100.0), only(H2, 100.0) + only(CO, 300.0)
    hindered = stem_flow(one, 300.0, two, 300.0)
    free = stem_flow(one, 300.0, two, 300.0, NO_COLLISIONS)
    for gas, way in ((H2, 1.0), (CO, -1.0)):
        alone = tube_conductance_molecular(*STANDARD_STEM, 300.0, network.gas_column("molar_mass")[gas])
        assert way * free[gas] == pytest.approx(alone * 200.0 / (GAS_CONSTANT * 300.0), rel=2e-3)
        assert 0.0 < way * hindered[gas] < 0.2 * way * free[gas]


@pytest.mark.parametrize("gas", [H2, N2, CO2])
@pytest.mark.parametrize("pressure", [1e-3, 1.0, 100.0, 1e5])
def test_a_pure_gas_knows_nothing_of_mutual_diffusion(gas, pressure):
    ends = only(gas, pressure), 400.0, only(gas, 0.3 * pressure), 300.0
    assert stem_flow(*ends, NO_COLLISIONS)[gas] == pytest.approx(stem_flow(*ends)[gas], rel=1e-10)


def test_mutual_diffusion_fades_in_molecular_flow():
    """A mixture at 1e-5 Pa: no collisions to switch off.  Within 1e-4."""
    rng = np.random.default_rng(4)
    one, two = 1e-5 * rng.uniform(0.2, 1.0, (2, GAS_COUNT))
    ends = one, 400.0, two, 300.0
    assert stem_flow(*ends, NO_COLLISIONS) == pytest.approx(stem_flow(*ends), rel=1e-4)


def test_mutual_diffusion_does_not_change_how_much_a_dense_stream_carries():
    """Half an atmosphere behind it: the amount of all gases is set by viscosity; mutual diffusion sorts them only."""
    mixture = np.full(GAS_COUNT, 5e4 / GAS_COUNT)
    ends = mixture, 300.0, 0.5 * mixture, 300.0
    with_it, without = stem_flow(*ends), stem_flow(*ends, NO_COLLISIONS)
    assert without.sum() == pytest.approx(with_it.sum(), rel=2e-2)
    assert with_it == pytest.approx(with_it.sum() / GAS_COUNT, rel=1e-3)
    assert GAS_NAMES[int(np.argmax(without))] == "H2"
