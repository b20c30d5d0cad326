"""What a head that stood open to room air hands to its next valves.

Outside checks: diffusion into a thick slab solved by finite differences with scipy's banded solver; the law of
one over the root of time integrated by scipy; and molecular flow of water through the port (v/4 times area times
transmission, as of the machine file's 0.45 L/s for air).
"""

import numpy as np
import pytest
from altered import machine_with
from scipy.integrate import quad
from scipy.linalg import solve_banded

from exhaustsim.constants import GAS_CONSTANT, H2O
from exhaustsim.data import published
from exhaustsim.engine.headsurfaces import Soak, given_back, usual_opening
from exhaustsim.engine.loaded import simulate_machine
from exhaustsim.engine.observe import HEAD_SURFACES
from exhaustsim.plant.faults import DesignFault
from exhaustsim.plant.incidents import AiredHeads, BrokenValve, EmptyHead, Leaker, Stop
from exhaustsim.units import PASCAL_LITRE

NIGHT = 12 * 3600.0
HEAD = 3


@pytest.fixture(scope="module")
def schedule(schedules):
    return schedules["standard"]


@pytest.fixture(scope="module")
def good(schedule):
    return simulate_machine(schedule, indices=17, follow=(1,))


@pytest.fixture(scope="module")
def aired(schedule):
    """Head 3 comes to position 1 in index 15, again in 31 and 47: two valves of it have left by the end."""
    return simulate_machine(schedule, [AiredHeads((HEAD,), NIGHT)], indices=48, follow=(2, HEAD, 4))


def by_quadrature(schedule, soaks, begin, end):
    """mol between two moments by K (1/sqrt(t) - 1/sqrt(t + T)), K from area and the rate at one hour."""
    rate = schedule.machine.soaking_area * published.value("outgassing.head_surfaces.rate_at_one_hour")
    return sum(
        quad(lambda now: rate * (((now - stood.end) / 3600.0) ** -0.5 - ((now - stood.end + stood.length) / 3600.0) ** -0.5), begin, end)[0]  # noqa: B023
        for stood in soaks
    )


def surface_gas(journey):
    return journey.run.ledger.admitted.get(HEAD_SURFACES, np.zeros(9))


def stay(schedule):
    """s from the opening of the port to the move to the eject position."""
    return 15 * schedule.index_time - schedule.machine.transfer_time


def test_law_is_that_of_diffusion_into_a_thick_slab():
    """Stand of 4 s, then the usual second, against the usual second alone: the difference of what comes back afterwards."""
    step, time_step, points = 0.02, 2e-3, 900  # a slab of 18 lengths sqrt(D t): nothing reaches its far side

    def released(in_air):
        inside = np.zeros(points)
        number = time_step / step**2  # D = 1
        banded = np.zeros((3, points))
        banded[0, 1:], banded[1], banded[2, :-1] = -number, 1.0 + 2.0 * number, -number
        out = []
        for tick in range(int(round(12.0 / time_step))):
            right = inside.copy()
            right[0] += number * (1.0 if in_air(tick * time_step) else 0.0)
            before, inside = inside, solve_banded((1, 1), banded, right)
            out.append(step * (before.sum() - inside.sum()))
        return np.array(out)

    extra = released(lambda t: t < 5.0) - released(lambda t: 4.0 <= t < 5.0)
    for begin, end in ((5.0, 6.0), (6.0, 8.0), (8.0, 12.0)):
        solved = extra[int(round(begin / time_step)) : int(round(end / time_step))].sum()
        # K of a slab with D = 1 and unit concentration at its face is 1/sqrt(pi).
        assert given_back(np.pi**-0.5, [Soak(4.0, 4.0)], begin, end) == pytest.approx(solved, rel=5e-3)


def test_next_valves_get_less_and_less_by_the_law_and_those_beside_none(schedule, aired):
    valves = [j for j in aired.journeys if j.head == HEAD and j.entered >= 1]
    assert len(valves) == 2
    loaded = [(j.entered - 1) * schedule.index_time + schedule.machine.transfer_time for j in valves]
    soak = Soak(loaded[0] - usual_opening(schedule), NIGHT)
    for journey, opens in zip(valves, loaded, strict=True):
        expected = by_quadrature(schedule, [soak], opens, opens + stay(schedule))
        assert surface_gas(journey)[H2O] == pytest.approx(expected, rel=1e-6)
        assert surface_gas(journey).sum() == surface_gas(journey)[H2O]
    first, second = (surface_gas(j)[H2O] for j in valves)
    # 1/sqrt(t) from 13.2 to 192 s and from 205.2 to 384 s gives 1.94; the night was not endless, which takes 0.43 of 10.2 and 5.27.
    assert first / second == pytest.approx((10.22 - 0.43) / (5.27 - 0.43), rel=0.01)
    assert all(HEAD_SURFACES not in j.run.ledger.admitted for j in aired.journeys if j.head != HEAD or j.entered < 1)


def test_water_stands_higher_in_that_head_by_flow_over_conductance_of_the_port(schedule, good, aired):
    """On line D: extra water pressure of the head over the extra of its line; 0.45 L/s for air is 0.57 L/s for water."""
    journey = next(j for j in aired.journeys if j.head == HEAD and j.entered == 15)
    usual = next(j for j in good.journeys if j.entered >= 1)
    there, here = usual.run.end_of(13), journey.run.end_of(13)
    extra = journey.run.head_pressure[here, H2O] - usual.run.head_pressure[there, H2O]
    extra -= journey.run.line_pressure[here, H2O] - usual.run.line_pressure[there, H2O]
    opens = 14 * schedule.index_time + schedule.machine.transfer_time
    now = opens + journey.run.time[here]
    flow = by_quadrature(schedule, [Soak(opens - usual_opening(schedule), NIGHT)], now - 5.0, now + 5.0) / 10.0
    gained_by_bulb = journey.run.bulb_pressure[here, H2O] - usual.run.bulb_pressure[there, H2O]
    port = 0.45e-3 * np.sqrt(28.96 / 18.015)
    # The glass, which the oven has emptied, takes up a share through the exhaust stem (0.06 L/s for water).
    share_left = 1.0 - 0.062 * (extra - gained_by_bulb) / (flow * GAS_CONSTANT * 293.15 * 1e3)
    assert 0.9 < share_left < 0.96
    assert extra == pytest.approx(share_left * flow * GAS_CONSTANT * 293.15 / port, rel=0.02)
    assert journey.run.bulb_pressure[journey.run.judged_at, H2O] > usual.run.bulb_pressure[usual.run.judged_at, H2O] + 0.3 * extra


def test_it_follows_the_head_from_line_to_line(schedule, good, aired):
    """Lines on which the head does not stand, nor stood in the index before, stay as they were; D is lifted while it is there."""
    def mean(index, name):
        return next(w.mean_pressure for w in index.lines if w.name == name)

    for index in aired.indices[15:31]:
        line = schedule.machine.line_of_position.get(index.position[HEAD])
        for wave in index.lines:
            usual = mean(good.last, wave.name)
            if wave.name == "D" and line == "D":
                assert wave.mean_pressure > 1.01 * usual
            elif wave.name != line and not (wave.name == "D" and index.position[HEAD] == 16):
                assert wave.mean_pressure == pytest.approx(usual, rel=2e-3), (index.number, wave.name)


def test_account_closes_with_an_entry_of_its_own(schedule, aired):
    assert aired.ledger.error < 1e-10
    assert max(j.run.ledger.error for j in aired.journeys) < 1e-10
    opens = 14 * schedule.index_time + schedule.machine.transfer_time
    soak = Soak(opens - usual_opening(schedule), NIGHT)
    # Three valves: the third has stood at position 1 and 2 by the end of index 48.
    stays = [(opens, opens + stay(schedule)), (opens + 192.0, opens + 192.0 + stay(schedule)), (opens + 384.0, 48 * 12.0)]
    assert aired.ledger.head_surfaces[H2O] == pytest.approx(sum(by_quadrature(schedule, [soak], *s) for s in stays), rel=1e-6)


def test_all_that_was_taken_up_comes_back():
    """2 K sqrt(T), to what is still to come: K T/(sqrt(t)) after a time t much longer than the stand."""
    assert given_back(1.0, [Soak(0.0, 100.0)], 0.0, 1e8) == pytest.approx(2.0 * 10.0 - 100.0 / 1e4, rel=1e-5)


def test_ordinary_running_knows_nothing_of_it(schedule):
    """A machine whose heads cannot soak gives the same bits, without incidents and with a leaker; and so do two runs that soak."""
    dry = machine_with(schedule, soaking_area=0.0)
    for incidents in ([], [Leaker(5, PASCAL_LITRE)]):
        assert_same_bits(*(simulate_machine(s, incidents, indices=2, follow=False) for s in (schedule, dry)))
    assert_same_bits(*(simulate_machine(schedule, [AiredHeads((1,), NIGHT)], indices=2, follow=False) for _ in range(2)))


def assert_same_bits(one, other):
    for a, b in zip(one.indices, other.indices, strict=True):
        assert all(np.array_equal(a.bulb_pressure[h], b.bulb_pressure[h]) for h in a.bulb_pressure)
        assert all(np.array_equal(x.pressure, y.pressure) for x, y in zip(a.lines, b.lines, strict=True))
    assert np.array_equal(one.ledger.residual, other.ledger.residual)


# ---- where a stand comes from --------------------------------------------------------


def gained(schedule, incidents, indices):
    """mol by head, over a run from the steady machine."""
    run = simulate_machine(schedule, incidents, indices=indices, follow=False)
    assert run.ledger.error < 1e-10
    return run.ledger.head_surfaces.sum()


@pytest.mark.parametrize("moment, loaded", [(6.0, 12.0 + 60.0 + 1.2), (0.6, 60.0 + 1.2)], ids=["dwell", "transfer"])
def test_a_stop_holds_the_head_at_the_loading_station_open(schedule, moment, loaded):
    """In a dwell the head at the eject position, 16; in a transfer also the one that is coming to position 1 (head 1)."""
    ends = 3 * 12.0 + 60.0
    soaks = [(Soak(loaded - usual_opening(schedule), 60.0), loaded)]
    if moment < 1.2:
        soaks.append((Soak(loaded + 12.0 - usual_opening(schedule), 60.0), loaded + 12.0))
    expected = sum(by_quadrature(schedule, [soak], opens, ends) for soak, opens in soaks)
    assert gained(schedule, [Stop(moment, 60.0)], 3) == pytest.approx(expected, rel=1e-6)


def test_a_broken_valve_leaves_its_head_in_air_until_it_is_taken_out(schedule):
    """Head 14 at position 14: broken after 11 s, taken to the eject position after 24 s, loaded again after 37.2 s."""
    soak = Soak(24.0, 13.0)
    assert gained(schedule, [BrokenValve(14, 11.0)], 4) == pytest.approx(by_quadrature(schedule, [soak], 37.2, 48.0), rel=1e-6)


def test_an_empty_head_gives_it_to_the_line(schedule):
    """Plugged after the stand: into line G during its dwell, and into R; while the port is blanked it is not followed."""
    opens = [12.0 * n + 1.2 for n in range(2)]
    soak = Soak(opens[0] - usual_opening(schedule), NIGHT)
    expected = sum(by_quadrature(schedule, [soak], begin, begin + 10.8) for begin in opens)
    assert gained(schedule, [AiredHeads((1,), NIGHT), EmptyHead(1)], 2) == pytest.approx(expected, rel=1e-6)


def test_heads_aired_before_a_cold_start(schedule):
    """All heads, and empty: each waits for its turn to be loaded, and its first valve gets the same."""
    run = simulate_machine(schedule, [AiredHeads(tuple(range(1, 17)), NIGHT)], indices=18, from_empty=True, follow=(1, 15, 16))
    gas = {j.head: surface_gas(j).sum() for j in run.journeys}
    assert set(gas) == {1, 16}  # head 16 is loaded in index 2 and leaves after 17
    assert max(gas.values()) == pytest.approx(min(gas.values()), rel=1e-9)
    assert min(gas.values()) == pytest.approx(by_quadrature(schedule, [Soak(-usual_opening(schedule), NIGHT)], 0.0, stay(schedule)), rel=1e-6)


# ---- what is refused -----------------------------------------------------------------


@pytest.mark.parametrize(("incident", "told"), [
    (AiredHeads((1, 17), 60.0), "heads 1 to 16"), (AiredHeads((1,), 0.0), "longer than 0 s"), (AiredHeads((1,), float("inf")), "longer than 0 s"),
    (AiredHeads((1,), 60.0, 1e6), "the run ends after"),
], ids=["head", "no time", "for ever", "late"])  # fmt: skip
def test_stands_that_cannot_be(schedule, incident, told):
    with pytest.raises(DesignFault, match=told) as caught:
        simulate_machine(schedule, [incident], indices=2)
    assert len(caught.value.faults) == 1


def test_one_head_twice_is_refused_and_beside_a_leaker_taken(schedule):
    with pytest.raises(DesignFault, match="both happen to head 2"):
        simulate_machine(schedule, [AiredHeads((1, 2), 60.0), AiredHeads((2,), 50.0)], indices=2)
    simulate_machine(schedule, [AiredHeads((2,), 60.0), Leaker(2, PASCAL_LITRE)], indices=1, follow=False)
