"""The compiled rates against the same laws written anew in plain NumPy: an independent witness.

Compared at random states, not only at states that a run meets, and column by column as well.
"""

import dataclasses

import numpy as np
import pytest

from benchmarks.plain_rates import PlainRates
from benchmarks.solvers import dense_jacobian
from exhaustsim.engine import jacobian, rates, stiff
from exhaustsim.engine.network import number_valve
from exhaustsim.engine.phases import phases_of
from exhaustsim.engine.rates import G, Waveform
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.valve import EmpiricalGas


@pytest.fixture(scope="module", params=["dt1_standard", "dp2_standard", "dr3_standard"])
def schedule(request):
    """A demo valve, with a fitted source added that the demos lack, and the first node as second of a radiation link."""
    from pathlib import Path

    folder = Path(__file__).parents[2] / "demo_data" / "schedules"
    loaded = load_schedule(folder / f"{request.param}.toml")
    source = EmpiricalGas("N2", rate_at_one_hour=1e-12, exponent=0.9, age=60.0, amount=1e-8)
    first, *others = loaded.valve.parts
    links = list(loaded.valve.radiation)
    turned = next(k for k, link in enumerate(links) if link.first == loaded.valve.nodes[0].name and link.second != "surroundings")
    links[turned] = dataclasses.replace(links[turned], first=links[turned].second, second=links[turned].first)
    parts = (dataclasses.replace(first, empirical_gases=(source,)), *others)
    valve = dataclasses.replace(loaded.valve, parts=parts, radiation=tuple(links))
    return dataclasses.replace(loaded, valve=valve)


def random_state(valve, rng):
    """Anything from a valve full of air to a sealed one, with temperatures to match nothing in particular."""
    at, s = valve.tables.at, valve.tables.scalars
    y = valve.start.copy()
    y[: at.nodes] = rng.uniform(290.0, 1350.0, at.nodes)
    y[at.wall] = rng.uniform(290.0, 750.0)
    y[at.carbonate] *= rng.choice([1.0, rng.uniform(), 1e-6, -1e-9, 0.5 * s[rates.S_RECARB_CAP]])
    y[at.film : at.film + 6] = s[rates.S_SITES] * rng.uniform(-0.001, 0.3, 6)
    y[at.evaporated] = s[rates.S_BARIUM_LIMIT] * rng.choice([0.0, rng.uniform(), 1.0])
    y[at.spent] = y[at.evaporated] * rng.uniform(0.0, 1.1)
    for place in (at.head, at.bulb):
        level = rng.choice([1e-5, 1e-1, 1e5]) * 10.0 ** rng.uniform(-3.0, 0.0)
        volume = s[rates.S_HEAD_VOLUME if place == at.head else rates.S_BULB_VOLUME]
        y[place : place + G] = level * volume / (8.314 * 300.0) * rng.dirichlet(np.full(G, 0.3))
        if rng.uniform() < 0.3:  # slightly negative amounts, as a stepper may try them
            y[place + rng.integers(G)] = -1e-13 * volume
    y[at.bins : at.stocks] *= rng.uniform(0.0, 1.1, at.stocks - at.bins)
    y[at.stocks : at.clocks] *= rng.uniform(0.0, 1.0, at.clocks - at.stocks)
    y[at.clocks : at.helium_clock] = 10.0 ** rng.uniform(-9.0, 0.5, at.helium_clock - at.clocks)
    y[at.helium_clock] = rng.choice([0.0, 10.0 ** rng.uniform(-3.5, 0.5)])
    y[at.fitted : at.activation] *= rng.choice([1.0, 1e-3, 1e-6, -1e-6])
    y[at.activation] = rng.uniform()
    return y


def random_controls(phases, rng):
    """Controls of a random phase with everything that can be on, on, in one case of two."""
    c = phases.controls[rng.integers(len(phases.controls))].copy()
    if rng.uniform() < 0.5:
        c[rates.C_BORE], c[rates.C_BORE_RATE], c[rates.C_PORT] = 0.9, -0.05, 1.0
        c[rates.C_PORT_LEAK], c[rates.C_RUBBER], c[rates.C_BULB_LEAK] = 1e-9, 2e-10, 3e-11
        c[rates.C_BURST_BULB], c[rates.C_BURST_HEAD] = 1e-9, 4e-9
        c[rates.C_HEATER_POWER], c[rates.C_HEATER_TEMPERATURE] = 3.0, 1170.0
        c[rates.C_CURRENT], c[rates.C_CLEANUP], c[rates.C_CLOCK] = 5e-3, 1e-6, 40.0
    return c


def both(valve, plain, t, y, c, wave):
    """(compiled rates, plain rates, size of the terms that make up each rate)."""
    work = np.zeros(jacobian.JACOBIAN_WORK)
    compiled = np.zeros_like(y)
    rates.head_rates(t, y, valve.tables, c, wave, work, compiled)
    shape = jacobian.head_shape(valve.tables)
    j, full = stiff.new_jacobian(shape), np.zeros((y.size, y.size))
    jacobian.head_jacobian(t, y, compiled, valve.tables, c, wave, work, j)
    dense_jacobian(shape, j, full)
    return compiled, plain(t, y, c, wave), np.abs(compiled) + np.abs(full) @ np.abs(y)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # branches not taken may overflow
def test_compiled_rates_are_the_plain_ones(schedule):
    """To 1e-12 of the terms that make up a rate: 400 random states and controls for each demo valve.

    The terms are measured by the exact Jacobian times the state; the rates themselves may be small
    differences of large terms, whose last digits depend on the order of summation.  Exponents of binding energies
    reach 60, which costs two digits.
    """
    valve = number_valve(schedule.valve, schedule.machine)
    phases = phases_of(schedule, valve)
    plain = PlainRates(schedule.valve, schedule.machine, valve.tables)
    rng = np.random.default_rng(4)
    worst = np.zeros(valve.tables.at.size)
    seen = np.zeros(valve.tables.at.size)
    for _ in range(400):
        knots = np.sort(rng.uniform(0.0, 12.0, 6))
        values = 10.0 ** rng.uniform(-5.0, 2.0) * rng.uniform(0.0, 1.0, (6, G))
        wave = Waveform(knots, values, np.gradient(values, knots, axis=0))
        compiled, written_anew, size = both(
            valve, plain, rng.uniform(0.0, 13.0), random_state(valve, rng), random_controls(phases, rng), wave
        )
        worst = np.maximum(worst, np.abs(compiled - written_anew) / (size + 1e-290))
        seen += compiled != 0.0
    assert worst.max() < 1e-12, [(int(i), worst[i]) for i in np.argsort(-worst)[:8]]
    assert (seen > 0).all(), "a rate that is nothing at all states was not compared"


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_columns_are_states(schedule):
    """Several states handed over as columns give what they give one by one, up to the order of sums."""
    valve = number_valve(schedule.valve, schedule.machine)
    phases = phases_of(schedule, valve)
    plain = PlainRates(schedule.valve, schedule.machine, valve.tables)
    rng = np.random.default_rng(5)
    wave = Waveform(np.array([0.0, 12.0]), np.full((2, G), 0.3), np.zeros((2, G)))
    c = phases.controls[3]
    states = np.column_stack([random_state(valve, rng) for _ in range(5)])
    together = plain(2.0, states, c, wave)
    for k in range(5):
        alone = plain(2.0, states[:, k].copy(), c, wave)
        scale = np.abs(alone).max() * 1e-10 + np.abs(alone)
        assert np.all(np.abs(together[:, k] - alone) <= 1e-9 * scale)
