"""The gas ledger of the demo runs: it closes, notices what is taken away, and agrees with the histories."""

from dataclasses import replace

import numpy as np
import pytest
from altered import Named, bleeding, coating_with, with_index
from conftest import NAMES
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from exhaustsim.constants import CO, CO2, GAS_CONSTANT, GAS_NAMES
from exhaustsim.engine.ledger import atoms_of
from exhaustsim.engine.run import simulate

EVERY = pytest.mark.parametrize("name", NAMES)
CLOSED = 1e-10  # of the inventory: the project's promise; measured 1e-14 on the demo runs
COATING = "coating: carbonate"


@pytest.fixture(scope="session")
def schedules(schedules):
    return Named(schedules)


@pytest.fixture(scope="session")
def runs(runs):
    return Named(runs)


@EVERY
def test_ledger_closes_by_gas_and_element(runs, name):
    ledger = runs[name].ledger
    print(f"{name}: worst gas {ledger.gas_error.max():.1e}, worst element {ledger.element_error.max():.1e}")
    assert ledger.gas_error.max() < CLOSED
    assert ledger.element_error.max() < CLOSED
    assert ledger.error == max(ledger.gas_error.max(), ledger.element_error.max())


@EVERY
def test_inventory_is_not_blown_up_to_flatter_the_error(runs, name):
    """What errors are measured against is what was there, by gas: start, stocks at entry, admitted, formed."""
    run = runs[name]
    ledger = run.ledger
    inventory = ledger.initial + sum(ledger.admitted.values()) + sum(ledger.formed.values())
    for k, source in enumerate(run.sources):
        for gas, share in source.gases:
            inventory[GAS_NAMES.index(gas)] += run.held[0, k] * share
    assert ledger.inventory == pytest.approx(inventory, rel=1e-12)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(
    group=st.sampled_from(["released", "pumped", "consumed", "formed", "admitted", "sorbed", "in_bulb"]),
    gas=st.sampled_from(["H2", "H2O", "N2", "CO", "CO2", "Ar"]),
    share=st.floats(1e-8, 1.0),
)
def test_tampered_ledger_is_detected(runs, group, gas, share):
    """Take away a share of the inventory of one gas anywhere: the error of that gas is that share."""
    ledger = runs["standard"].ledger
    g = GAS_NAMES.index(gas)
    missing = np.zeros(len(GAS_NAMES))
    missing[g] = share * ledger.inventory[g]
    entry = getattr(ledger, group)
    if isinstance(entry, dict):
        first = next(iter(entry))
        changed = replace(ledger, **{group: entry | {first: entry[first] - missing}})
    else:
        changed = replace(ledger, **{group: entry - missing})
    assert changed.gas_error[g] == pytest.approx(share, rel=1e-5)
    assert changed.error >= share * (1 - 1e-5)
    assert changed.error > CLOSED


@EVERY
def test_flat_account_of_each_gas_sums_to_the_residual(runs, name):
    ledger = runs[name].ledger
    for g, gas in enumerate(GAS_NAMES):
        account = ledger.by_gas(gas)
        assert sum(account.values()) == pytest.approx(ledger.residual[g], abs=1e-12 * ledger.inventory[g])


@EVERY
def test_released_is_held_at_start_less_held_at_end(runs, name):
    run = runs[name]
    names = [f"{source.part}: {source.label}" for source in run.sources]
    assert set(names) == set(run.ledger.released) == set(run.ledger.held)
    for k, source in enumerate(run.sources):
        left = run.held[0, k] - run.held[-1, k]
        if names[k] == COATING:  # what breaks down again after recarbonation is released twice
            left += run.ledger.consumed["recarbonation of the coating"].sum()
        released = run.ledger.released[names[k]]
        shares = dict(source.gases)
        for g, gas in enumerate(GAS_NAMES):
            expected = shares.get(gas, 0.0) * left
            assert released[g] == pytest.approx(expected, rel=1e-12, abs=1e-13 * run.held[0, k])
        assert run.ledger.held[names[k]].sum() == pytest.approx(run.held[-1, k], rel=1e-12, abs=1e-30)


@EVERY
def test_released_is_the_time_integral_of_the_evolution(runs, name):
    """By trapezoid over the samples: 2 % on sources that give off gas in bursts, which the samples resolve least."""
    run = runs[name]
    for k, source in enumerate(run.sources):
        released = run.held[0, k] - run.held[-1, k]
        if source.label in ("mica body water", "tip-off burst") or released < 1e-3 * run.held[0, k]:
            continue  # nearly nothing leaves; the burst is a jump between two samples
        integral = np.trapezoid(run.evolution[:, k], run.time)
        assert integral == pytest.approx(released, rel=0.02), f"{source.part}: {source.label}"


@EVERY
def test_carbon_monoxide_formed_is_the_nickel_share_of_the_breakdown(runs, name):
    run = runs[name]
    ledger, coating = run.ledger, run.schedule.valve.coating
    broken_down = ledger.released[COATING][CO2]
    formed = ledger.formed["CO from CO2 on hot nickel"]
    spent = ledger.consumed["CO2 reduced by hot nickel"]
    assert formed[CO] == pytest.approx(coating.nickel_share * broken_down, rel=1e-12)
    assert spent[CO2] == pytest.approx(formed[CO], rel=1e-12)
    assert formed.sum() == formed[CO] and spent.sum() == spent[CO2]
    recarbonated = ledger.consumed["recarbonation of the coating"][CO2]
    converted = run.converted_fraction[-1] * coating.carbonate
    assert broken_down - recarbonated == pytest.approx(converted, rel=1e-9)


@settings(max_examples=4, deadline=None, derandomize=True)
@given(share=st.floats(0.0, 1.0))
def test_carbon_of_the_coating_is_kept_whatever_the_nickel_share(schedules, share):
    run = simulate(coating_with(schedules["standard"], nickel_share=share))
    ledger = run.ledger
    assert ledger.error < CLOSED
    assert ledger.formed["CO from CO2 on hot nickel"][CO] == pytest.approx(
        share * ledger.released[COATING][CO2], rel=1e-12, abs=1e-30
    )


@EVERY
def test_pumped_by_line_is_the_time_integral_of_the_port_flow(runs, name):
    """By monotone cubics through the samples of the positions on each line: all gases, and the main gas of each line.

    Within 0.1 % (measured 0.05 % at worst).  Straight lines between the same samples read the
    gulp, which is a steep convex fall, 1.4 % too high, and all else within 0.2 % (too fast, line D:
    1.2 %); the samples, not the flows, limit that figure, so the test asks for more than 1 %.
    """
    run = runs[name]
    machine = run.schedule.machine
    for line in machine.lines:
        integral = np.zeros(len(GAS_NAMES))
        for position, here in machine.line_of_position.items():
            if here == line.name:
                samples = run.dwell_samples(position)
                time = run.time[samples]
                integral += PchipInterpolator(time, run.port_flow[samples]).integrate(time[0], time[-1])
        pumped = run.ledger.pumped[line.name]
        assert integral.sum() == pytest.approx(pumped.sum(), rel=1e-3), line.name
        main = int(np.argmax(pumped))
        assert integral[main] == pytest.approx(pumped[main], rel=1e-3), line.name
    assert set(run.ledger.pumped) == {line.name for line in machine.lines}


@EVERY
def test_what_is_in_the_gas_and_on_the_mirror_agrees_with_the_last_sample(runs, name):
    run = runs[name]
    in_bulb = run.bulb_pressure[-1] * run.schedule.valve.bulb.volume / (GAS_CONSTANT * run.node("bulb_wall")[-1])
    machine = run.schedule.machine
    in_head = run.head_pressure[-1] * machine.head_volume / (GAS_CONSTANT * machine.room_temperature)
    assert run.ledger.in_bulb == pytest.approx(in_bulb, rel=1e-12)
    assert run.ledger.in_head == pytest.approx(in_head, rel=1e-12)
    assert run.ledger.sorbed == pytest.approx(run.sorbed[-1], rel=1e-12)


def test_atoms_of_the_carbonate_are_found_again(runs):
    """Carbon: what the coating released is carbon dioxide and monoxide in equal numbers of carbon atoms."""
    ledger = runs["standard"].ledger
    before = atoms_of(ledger.released[COATING])
    after = atoms_of(
        ledger.released[COATING]
        - ledger.consumed["CO2 reduced by hot nickel"]
        + ledger.formed["CO from CO2 on hot nickel"]
    )
    assert after[2] == pytest.approx(before[2], rel=1e-12)  # C
    assert before[4] - after[4] == pytest.approx(ledger.formed["CO from CO2 on hot nickel"][CO], rel=1e-9)  # O in nickel


@settings(max_examples=6, deadline=None, derandomize=True)
@given(
    name=st.sampled_from(NAMES),
    longer=st.floats(0.0, 10.0),
    gas=st.sampled_from(GAS_NAMES),
    rate=st.floats(-6.0, -1.0).map(lambda x: 10.0**x),
)
def test_ledger_closes_on_altered_schedules(schedules, name, longer, gas, rate):
    """Ordering 8: longer index times, any gas streaming into the bulb, an hour on the shelf.

    The streams stop short of 0.8 Pa L/s, at which three heads overload the diffusion pump.
    """
    schedule = replace(schedules[name], shelf_time=3600.0)
    run = simulate(bleeding(with_index(schedule, schedule.index_time + longer), gas, rate))
    assert run.ledger.error < CLOSED
