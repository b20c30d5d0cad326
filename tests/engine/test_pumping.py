"""Pumping groups: the exact Jacobian of every kind of pump, the ledger of chains, a shared backing line."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from engine.test_jacobian import assert_entries_agree, differences, full_matrix
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicHermiteSpline

from exhaustsim.constants import AR, GAS_NAMES, H2, H2O, N2
from exhaustsim.engine import pumping, stiff
from exhaustsim.engine.groups import number_groups, ultimate_pressures
from exhaustsim.engine.lines import NO_HEAD, Lines
from exhaustsim.engine.march import DONE, KIND_LINE, march
from exhaustsim.engine.pumping import ROOM, G, group_jacobian, group_rates, group_shape
from exhaustsim.engine.rates import Waveform
from exhaustsim.plant.designfile import load_machine
from exhaustsim.plant.machine import TablePump, faster

MACHINES = Path(__file__).parent.parent.parent / "demo_data" / "machines"
# Line of the pattern machine, and total pressures [Pa] in its volumes, the last one behind the others.
PLACES = {
    "rotary, gas ballast open": ("G", [60.0]),
    "table": ("R", [4.0]),
    "table, below and above its points": ("R", [0.4]),
    "booster, drive slipping": ("F1", [300.0, 6000.0]),
    "booster": ("F1", [0.5, 4.0]),
    "vapour booster above its knee": ("F2", [15.0, 60.0]),
    "vapour booster near its stall": ("F2", [15.0, 190.0]),
    "shared backing line, running": ("D", [0.05, 0.02, 10.0, 60.0]),
    "shared backing line, near the stall": ("D", [0.3, 0.2, 41.0, 300.0]),
}


@pytest.fixture(scope="module")
def machine():
    return load_machine(MACHINES / "rx16_pumps.toml")


def group_of(machine, line):
    number = [item.name for item in machine.lines].index(line)
    return next(group for group in number_groups(machine) if number in group.lines)


def state_at(tables, totals, running=0.7):
    """A state with these total pressures, each volume with a mixture of its own."""
    rng = np.random.default_rng(7)
    y = np.full(tables.core + G, 1e-9)
    for v, total in enumerate(totals):
        y[v * G : (v + 1) * G] = total * tables.volume[v] / tables.rt * rng.dirichlet(np.ones(G))
    y[tables.volume.size * G : tables.core] = running
    return y


def waveform(tables):
    rng = np.random.default_rng(5)
    knots = np.linspace(0.0, 10.0, 5)
    return Waveform(knots, *(rng.normal(size=(2, 5, tables.manifolds * G)) * 1e-6))


@pytest.mark.parametrize("running", [0.7, 0.0, 0.999])  # exactly settled, the settling time has a step
@pytest.mark.parametrize("place", PLACES)
def test_every_entry_of_the_jacobian(machine, place, running):
    line, totals = PLACES[place]
    tables = group_of(machine, line).tables
    y = state_at(tables, totals, running)
    wave = waveform(tables)
    work = np.zeros(3 * y.size)

    def rate(z, at_time=2.1):
        out = np.zeros(y.size)
        group_rates(at_time, z, tables, wave, work, out)
        return out

    shape = group_shape(tables)
    j = stiff.new_jacobian(shape)
    group_jacobian(2.1, y, tables, wave, j)
    step = 1e-4 * np.maximum(np.abs(y), 1e-12)
    step[tables.volume.size * G : tables.core] = 1e-5  # a running share of 0 is one of its ends
    assert_entries_agree(full_matrix(shape, j), differences(rate, y, step), y, rate(y), step)
    np.testing.assert_allclose(j.time, (rate(y, 2.1001) - rate(y, 2.0999)) / 2e-4, rtol=1e-6, atol=1e-15)


def test_table_pump_in_front_of_another(machine):
    """A table with a backing pump gives its gas to the volume behind it."""
    backing = group_of(machine, "F1").pumps[1]
    table = next(line.pump for line in machine.lines if isinstance(line.pump, TablePump))
    chained = replace(table, backing_pump=backing, backing_volume=1e-3)
    line = replace(machine.lines[1], pump=chained)
    (group,) = number_groups(replace(machine, lines=(line,), line_of_position={1: line.name}))
    y = state_at(group.tables, [3.0, 8.0])
    wave, work = waveform(group.tables), np.zeros(3 * y.size)

    def rate(z):
        out = np.zeros(y.size)
        group_rates(2.1, z, group.tables, wave, work, out)
        return out

    shape = group_shape(group.tables)
    j = stiff.new_jacobian(shape)
    group_jacobian(2.1, y, group.tables, wave, j)
    step = 1e-4 * np.maximum(np.abs(y), 1e-12)
    assert_entries_agree(full_matrix(shape, j), differences(rate, y, step), y, rate(y), step)


def test_pumping_neither_makes_nor_loses_gas(machine):
    """What leaves one volume arrives in the next or in the account of exhausted gas, gas by gas."""
    for group in number_groups(machine):
        tables = group.tables
        y = state_at(tables, np.geomspace(0.1, 50.0, tables.volume.size))
        quiet = Waveform(np.array([0.0, 1.0]), *np.zeros((2, 2, tables.manifolds * G)))
        dy = np.zeros(y.size)
        group_rates(0.5, y, tables, quiet, np.zeros(3 * y.size), dy)
        volumes = dy[: tables.volume.size * G].reshape(-1, G)
        assert volumes.sum(axis=0) + dy[tables.core :] == pytest.approx(np.zeros(G), abs=1e-15 * np.abs(dy).max())


def test_lines_without_a_shared_backing_line_are_groups_of_their_own(machine):
    groups = number_groups(machine)
    assert [tuple(machine.lines[k].name for k in group.lines) for group in groups] == [("G",), ("R",), ("F1",), ("F2",), ("D", "T")]
    assert [group.tables.volume.size for group in groups] == [1, 1, 2, 2, 4]
    shared = groups[-1].tables
    assert shared.target.tolist() == [2, 2, 3, ROOM]
    # A rotary line's core holds its own nine gases and nothing else.
    assert [group.tables.core for group in groups] == [9, 9, 18, 19, 4 * 9 + 2]


def test_pumps_that_disagree_on_their_shared_line_are_refused(machine):
    lines = list(machine.lines)
    lines[-1] = replace(lines[-1], pump=replace(lines[-1].pump, backing_volume=1.0))
    with pytest.raises(ValueError, match='do not agree on the volume or the pump of backing line "common"'):
        number_groups(replace(machine, lines=tuple(lines)))


def marched(group, inflow, y, seconds, tolerance):
    """End state after `seconds` of the inflow (knots, handed over, rate)."""
    tables = group.tables
    knots, handed, rate = inflow
    y = y.copy()
    counts = np.zeros(3, dtype=np.int64)
    absolute = np.full(y.size, 1e-14 * tolerance / 1e-3)
    absolute[tables.volume.size * G : tables.core] = 1e-6
    status, _ = march(
        KIND_LINE, NO_HEAD, tables, group_shape(tables), np.zeros((1, 1)), np.array([seconds]), np.zeros(1),
        np.zeros(1, dtype=np.int64), knots, handed[None], rate[None], np.zeros(2, dtype=np.int64), np.zeros(0), y, absolute,
        tolerance, 0, tables.manifolds * G, 20_000, np.zeros((0, y.size)), counts,
    )  # fmt: skip
    assert status == DONE
    return y


def two_lines_on_one_backing_line():
    """Bursts of air, water and argon into both manifolds: (knots, handed over, rate), mol over 8 s."""
    knots = np.linspace(0.0, 8.0, 17)
    rate = np.zeros((knots.size, 2 * G))
    for column, gas, height, when in ((0, N2, 3e-7, 2.0), (0, H2O, 5e-8, 4.0), (G, H2, 4e-8, 3.0), (G, AR, 2e-8, 6.0)):
        rate[:, column + gas] = height * np.exp(-(((knots - when) / 0.8) ** 2))
    handed = np.vstack([np.zeros(2 * G), np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(knots)[:, None], axis=0)])
    return knots, handed, rate


def test_shared_group_against_an_independent_solver(machine):
    """The rates written out afresh with plain arrays, handed to scipy's implicit Runge-Kutta method."""
    group = group_of(machine, "D")
    inflow = two_lines_on_one_backing_line()
    start = state_at(group.tables, [1e-3, 1e-4, 2.0, 20.0], running=0.95)
    ours = marched(group, inflow, start, 8.0, 1e-7)
    given = CubicHermiteSpline(*inflow).derivative()
    diffusion, turbo, booster, rotary = group.pumps
    volume = np.array([3e-3, 2e-3, 4e-3, 1e-3])
    rt = 8.31446261815324 * 293.15
    log_k = np.log([dict(turbo.compression)[gas] for gas in GAS_NAMES])

    def shares(pump):
        return np.array([dict(pump.ultimate_gases).get(gas, 0.0) for gas in GAS_NAMES]) * pump.ultimate_pressure

    def plain(t, y):
        p = y[: 4 * G].reshape(4, G) * rt / volume[:, None]
        jet, rotor = y[4 * G : 4 * G + 2]
        total = p.sum(axis=1)
        through = np.zeros((4, G))
        through[0] = diffusion.speed * (1 + (total[0] / 0.1) ** 4) ** -0.25 * jet * (p[0] - shares(diffusion))
        through[0] += 1.2e-3 * (1 - jet) * (p[0] - p[2])
        x = rotor * log_k
        back = x / np.expm1(x) / log_k
        through[1] = turbo.speed * (1 + (total[1] / 0.1) ** 4) ** -0.25 * ((back + rotor) * (p[1] - shares(turbo)) - back * p[2])
        lift = max(total[3] - total[2], 0.0) / booster.pressure_difference
        through[2] = booster.speed * ((1 + lift**4) ** -0.25 * p[2] - p[3] / 15.0)
        through[3] = rotary.speed * (p[3] - shares(rotary))
        through /= rt
        dy = np.zeros_like(y)
        dy[: 2 * G] = given(t)
        dy[: 4 * G] -= through.ravel()
        dy[2 * G : 3 * G] += through[0] + through[1]
        dy[3 * G : 4 * G] += through[2]
        aim = 1 / (1 + (total[2] / 40.0) ** 20), 1 / (1 + (total[2] / 100.0) ** 2)
        dy[4 * G] = (aim[0] - jet) / (2.0 if aim[0] < jet else 120.0)
        dy[4 * G + 1] = (aim[1] - rotor) / (30.0 if aim[1] < rotor else 120.0)
        dy[4 * G + 2 :] = through[3]
        return dy

    witness = solve_ivp(plain, (0.0, 8.0), start, method="Radau", rtol=1e-8, atol=1e-16)
    assert witness.success
    np.testing.assert_allclose(ours, witness.y[:, -1], rtol=2e-5, atol=1e-15)
    # Gas of each line is felt by the other: argon went in at T only, hydrogen comes back to T from behind.
    assert ours[2 * G + AR] > 10.0 * start[2 * G + AR] * np.exp(-8.0 * 6e-3 / 4e-3)


def test_stall_of_one_line_is_felt_by_its_neighbour(machine):
    """Air that stalls the diffusion pump stands behind the turbomolecular pump too, and hydrogen comes back through it."""
    small = {"backing_volume": 1e-4}
    lines = [
        replace(line, pump=replace(line.pump, **small, backing_pump=replace(line.pump.backing_pump, speed=5e-5)))
        if line.name in ("D", "T") else line
        for line in machine.lines
    ]  # fmt: skip
    group = group_of(replace(machine, lines=tuple(lines)), "D")
    knots = np.array([0.0, 30.0])
    rate = np.zeros((2, 2 * G))
    rate[:, N2] = 4e-6  # mol/s: 10 Pa L/s, of which the pump takes 2.5 at its knee, on 0.05 L/s behind it: 50 Pa
    handed = rate * knots[:, None]
    start = state_at(group.tables, [1e-3, 1e-4, 1.0, 10.0], running=1.0)
    quiet = marched(group, (knots, 0.0 * handed, 0.0 * rate), start, 30.0, 1e-4)
    loaded = marched(group, (knots, handed, rate), start, 30.0, 1e-4)
    jets = group.tables.volume.size * G
    assert quiet[jets] > 0.999 and loaded[jets] < 1e-2
    assert loaded[jets + 1] < quiet[jets + 1]
    assert loaded[G : 2 * G].sum() > 3.0 * quiet[G : 2 * G].sum()
    # Everything that came in is somewhere.
    came = start[: 4 * G].reshape(4, G).sum(axis=0) + start[group.tables.core :] + handed[-1].reshape(2, G).sum(axis=0)
    there = loaded[: 4 * G].reshape(4, G).sum(axis=0) + loaded[group.tables.core :]
    assert there == pytest.approx(came, rel=1e-12)


def test_a_stalled_diffusion_pump_is_a_tube(machine):
    """Its flow is the conductance times the difference of the pressures, gas by gas, and none at equal pressures."""
    group = group_of(machine, "D")
    y = state_at(group.tables, [80.0, 0.1, 60.0, 200.0], running=0.0)
    flow = np.zeros(G)
    pumping.pump_flow(0, y, group.tables, flow)
    p = y[: 4 * G].reshape(4, G) * group.tables.rt / group.tables.volume[:, None]
    assert flow * group.tables.rt == pytest.approx(1.2e-3 * (p[0] - p[2]), rel=1e-12)


@pytest.mark.parametrize("line", ["F1", "T", "D", "G"])
def test_a_chain_left_alone_ends_at_its_ultimate_pressures(machine, line):
    """`ultimate_pressures` against the state that the rates themselves settle at."""
    machine = replace(machine, lines=tuple(item for item in machine.lines if item.name == line))
    (group,) = number_groups(machine)
    tables = group.tables
    start = state_at(tables, [5.0] * tables.volume.size, running=1.0)
    knots = np.array([0.0, 5000.0])
    nothing = np.zeros((2, G))
    end = marched(group, (knots, nothing, nothing), start, 5000.0, 1e-4)
    pressure = end[:G] * tables.rt / tables.volume[0]
    # A slipping drive and a rotor that has not all its speed leave a thousandth.
    assert pressure == pytest.approx(ultimate_pressures(machine.lines[0].pump, machine), rel=2e-3, abs=1e-12)


def test_twice_as_fast_reaches_every_pump_of_a_chain(machine):
    for group in number_groups(machine):
        before = group.tables
        lines = tuple(replace(item, pump=faster(item.pump, 2.0)) for item in machine.lines)
        after = next(g for g in number_groups(replace(machine, lines=lines)) if g.lines == group.lines).tables
        y = state_at(before, np.geomspace(2.0, 50.0, before.volume.size), running=1.0)
        slow, fast = np.zeros((2, G))
        for p in range(before.kind.size):
            pumping.pump_flow(p, y, before, slow)
            pumping.pump_flow(p, y, after, fast)
            assert fast == pytest.approx(2.0 * slow, rel=1e-9)


def test_states_of_all_lines(schedules, machine):
    """Gas in the lines, what was exhausted, and a weak pump, asked of the flat array of states."""
    lines = Lines(replace(schedules["standard"], machine=machine))
    end = lines.at_rest().end
    assert lines.exhausted(end) == pytest.approx(np.zeros(G), abs=0.0)
    there = lines.gas_in(end)
    pressure = lines.pressure_in(end)
    manifolds = sum(pressure[k].sum() * line.manifold_volume for k, line in enumerate(machine.lines)) / lines.rt
    assert manifolds < there.sum() < 2.0 * manifolds + 1e-3
    dirty = end + 1.0
    assert np.all(lines.exhausted(lines.cleared(dirty)) == 0.0) and lines.gas_in(lines.cleared(dirty)).sum() > there.sum()
    jets = lines.groups[-1].volume.size * G + lines.offset[-2]
    assert lines.bounded(dirty)[jets] == 1.0
    whole = lines.groups[0].numbers[0, pumping.P_SPEED]
    lines.weaken({"G": 0.25})
    assert lines.groups[0].numbers[0, pumping.P_SPEED] == 0.25 * whole
    lines.weaken({})
    assert lines.groups[0].numbers[0, pumping.P_SPEED] == whole
