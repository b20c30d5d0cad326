"""The split of the drop between bulb and pump, and whether a bigger pump would help."""

from dataclasses import replace

import numpy as np
import pytest
from altered import bleeding, lines_with, with_ultimate, without_gas, without_heat, without_leaks
from fake_run import fake_run

from exhaustsim.engine.result import FailedRun
from exhaustsim.engine.run import simulate
from exhaustsim.studies import resistance
from exhaustsim.studies.resistance import BiggerPumps, bigger_pumps, resistance_sentence, resistances, with_pumps
from exhaustsim.units import PASCAL_LITRE


def at(rows, position):
    return next(row for row in rows if row.position == position)


@pytest.fixture(scope="module")
def trickle(schedules):
    """A cold valve that gives 0.001 Pa L/s of nitrogen and nothing else, no leaks, pumps that go down to nothing."""
    bare = without_gas(without_heat(without_leaks(schedules["standard"])))
    return resistances(simulate(bleeding(with_ultimate(bare, 1e-8), "N2", 1e-3)))


def test_molecular_split_is_that_of_the_conductances(trickle):
    """Exhaust stem 0.0487 and port 0.45 L/s, molecular, air: the drops are as 1/0.0487 to 1/0.45.

    1 % for the two-figure 0.45 L/s of the demo machine's port, another for the onset of viscous flow.
    """
    row = at(trickle, 14)
    assert row.main_gas == "N2"
    assert row.exhaust_stem_drop / row.port_drop == pytest.approx(0.45 / 0.0487, rel=0.02)
    flow = row.flow / PASCAL_LITRE
    assert row.exhaust_stem_drop == pytest.approx(flow / (0.0487 * (28.97 / 28.01) ** 0.5), rel=0.02)
    assert flow == pytest.approx(1e-3, rel=0.1)  # what gathered in the transfer has a fortieth left after a second


def test_line_rise_is_the_load_of_all_heads_over_the_pumping_speed(trickle):
    """Three heads on line D of 25 L/s; 10 %: the line (0.12 s) lags behind flows that still fall (0.27 s)."""
    row = at(trickle, 13)
    assert row.line_rise == pytest.approx(3 * row.flow / PASCAL_LITRE / 25.0, rel=0.1)


def test_nothing_stands_above_the_head_by_heat_when_all_is_cold(trickle):
    row = at(trickle, 14)
    assert abs(row.by_heat) < 1e-3 * row.exhaust_stem_drop
    assert row.from_bulb == pytest.approx(row.flow, rel=0.01)  # the head itself still empties a little


def test_a_hot_bulb_stands_above_the_head_by_the_root_of_the_temperatures(runs):
    """Position 14, molecular: p_head ((T_wall / T_head)^0.5 - 1). 5 %: the wall is taken at the end of the dwell."""
    run = runs["standard"]
    row = at(resistances(run), 14)
    wall = run.node("bulb_wall")[run.dwell_samples(14)[0]]
    line = run.schedule.machine.lines[-1].pump.ultimate_pressure + row.line_rise
    head = line + row.port_drop
    assert row.by_heat == pytest.approx(head * ((wall / run.schedule.machine.room_temperature) ** 0.5 - 1.0), rel=0.05)


@pytest.mark.parametrize("name", ["standard", "too_fast"])
def test_drops_add_up_to_the_bulb_pressure(runs, name):
    """Exactly, but for a line that stands below its ultimate pressure, of which there is none."""
    run = runs[name]
    ultimate = {line.name: line.pump.ultimate_pressure for line in run.schedule.machine.lines}
    rows = resistances(run)
    assert [row.position for row in rows] == list(range(1, 16))
    for row in rows:
        above = row.by_heat + row.exhaust_stem_drop + row.port_drop + row.line_rise
        assert ultimate[row.line] + above == pytest.approx(row.bulb_pressure, rel=1e-9)
        if row.tells:
            assert sum(row.shares) == pytest.approx(1.0)
            assert min(row.shares) >= 0.0


def test_breakdown_is_held_up_by_the_exhaust_stem(runs):
    rows = resistances(runs["standard"])
    assert at(rows, 11).main_gas == "CO2"
    assert at(rows, 11).shares[0] > 0.8
    assert at(rows, 11).since_opening >= 1.0
    assert resistance_sentence(rows).startswith("The exhaust stem takes most of the pressure drop")


def test_a_mirror_that_takes_the_gas_leaves_nothing_to_tell(runs):
    row = at(resistances(runs["standard"]), 15)
    assert row.from_bulb < 0.0
    assert row.shares is None
    assert row.split == "flow too small to tell"
    assert row.to_json()["shares"] is None


def test_without_flow_nothing_is_told():
    rows = resistances(fake_run())
    assert len(rows) == 15
    assert not any(row.tells for row in rows)
    assert "too small at every position" in resistance_sentence(rows)


def test_bigger_pumps_hardly_help_behind_a_narrow_exhaust_stem(runs):
    pumps = bigger_pumps(runs["standard"])
    assert 0.9 * pumps.before < pumps.after < pumps.before
    assert "Hardly" in pumps.sentence()
    assert "mbar" in pumps.sentence("mbar")


def test_bigger_pumps_help_where_the_line_holds_the_gas(schedules):
    """Line D at 0.3 L/s: the air leaking in at three ports stands in the line, and twice the speed halves that.

    The bulb follows in the ratio of the roots of its temperature and the head's; 5 %, because the bulb is
    not quite in balance with the line two seconds after the port opens.
    """

    def slow(line):
        return replace(line, pump=replace(line.pump, speed=0.3e-3)) if line.name == "D" else line

    run = simulate(lines_with(schedules["standard"], slow))
    row = at(resistances(run), 14)
    assert row.line_rise > row.port_drop + max(row.exhaust_stem_drop, 0.0)
    pumps = bigger_pumps(run)
    assert "Yes" in pumps.sentence()
    k = run.judged_at
    wall = run.node("bulb_wall")[k]
    seen_in_bulb = (run.total_line_pressure[k] - 1e-3) * (wall / run.schedule.machine.room_temperature) ** 0.5
    assert pumps.before - pumps.after == pytest.approx(0.5 * seen_in_bulb, rel=0.1)


def test_with_pumps_reaches_the_backing_pump(schedules):
    changed = {line.name: line.pump for line in with_pumps(schedules["standard"], 2.0).machine.lines}
    before = {line.name: line.pump for line in schedules["standard"].machine.lines}
    for name, pump in changed.items():
        assert pump.speed == 2.0 * before[name].speed
    assert changed["D"].backing_pump.speed == 2.0 * before["D"].backing_pump.speed


def test_a_run_that_fails_with_bigger_pumps_is_told(monkeypatch):
    def fail(schedule, tolerance):
        raise FailedRun("no")

    monkeypatch.setattr(resistance, "simulate", fail)
    pumps = bigger_pumps(fake_run())
    assert pumps == BiggerPumps(pumps.before, None)
    assert "came to no result" in pumps.sentence()
    assert np.isfinite(pumps.before)
