"""A second valve on a machine: DP-2 on RX16, and DT-1 by two cards."""

from dataclasses import replace

import pytest
from conftest import DEMO

from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.faults import DesignFault
from exhaustsim.plant.schedule import PositionSetting
from exhaustsim.studies.mixedvalves import mixed_valves, put_on


def on_small_machine(standard, heater):
    """DP-2 with what fits of its own card into 16 positions of 12 s: RF at 8 to 10, flash 14, tip-off 15; `heater` position -> its own."""
    own = load_schedule(DEMO / "dp2_standard.toml")
    card = {p.position: p for p in own.positions}
    rf = {8: card[11].rf, 9: card[12].rf, 10: card[13].rf, 14: card[22].rf}
    rf = {p: replace(r, duration=min(r.duration, 10.8 - r.start)) for p, r in rf.items()}
    actions = {1: "load", 2: "spark_test", 14: "flash", 15: "tip_off", 16: "eject"}
    volts = {p: card[theirs].heater_voltage for p, theirs in heater.items()}
    positions = tuple(PositionSetting(p, actions.get(p, ""), volts.get(p, 0.0), rf.get(p)) for p in range(1, 17))
    return replace(
        own, name="DP-2 on RX16", machine=standard.machine, positions=positions, index_time=12.0, oven_temperature=standard.oven_temperature
    )  # fmt: skip


@pytest.fixture(scope="module")
def brisk(schedules):
    """Heater on from 9, under RF, in four of the steps of the card and the low one to end with."""
    return on_small_machine(schedules["standard"], {9: 13, 10: 14, 11: 16, 12: 17, 13: 18})


def test_pentode_on_the_small_machine_with_a_heater_begun_late(schedules):
    """Three steps of 12 s where its own machine gives six of 16 s: breakdown stays unfinished, and that is why not."""
    gentle = on_small_machine(schedules["standard"], {10: 13, 11: 14, 12: 15, 13: 18})
    found = mixed_valves(schedules["standard"], gentle, (1, 2))
    assert found.sentence.startswith("DP-2 cannot run on RX16: ")
    assert {"converted_fraction", "incomplete_breakdown"} <= set(found.other_alone)


def test_pentode_with_a_brisk_breakdown_beside_triodes(schedules, brisk):
    """It can, and its larger coating is felt on breakdown line F2."""
    found = mixed_valves(schedules["standard"], brisk, (1, 2))
    assert "can run on RX16 mixed with DT-1" in found.sentence
    assert found.line == "F2"
    assert 1.05 < found.line_rise < 2.0


def test_card_of_another_machine_is_put_on_by_rule(schedules):
    """Heater at 9 to 12, where DT-1 has it, in the first, third, fourth and last of six steps; RF of 11 to 13 at 8 to 10, 22 at 14."""
    standard, own = schedules["standard"], load_schedule(DEMO / "dp2_standard.toml")
    fitted, words = put_on(own, standard)
    assert [p.heater_voltage for p in fitted.positions[8:12]] == [own.positions[p - 1].heater_voltage for p in (13, 15, 16, 18)]
    assert not any(p.heater_voltage for p in (*fitted.positions[:8], *fitted.positions[12:]))
    for here, there in ((8, 11), (9, 12), (10, 13), (14, 22)):
        mine, theirs = fitted.positions[here - 1].rf, own.positions[there - 1].rf
        assert mine.power == theirs.power and mine.start == theirs.start
        assert mine.start + mine.duration == pytest.approx(10.8)
    assert [p.action for p in fitted.positions] == [p.action for p in standard.positions]
    assert "4 of 6 heater steps, 3 of 3 RF settings cut to the dwell of 10.8 s" in words
    assert put_on(standard, standard) == (standard, "")


def test_pentode_by_its_own_card_and_a_cold_oven(schedules):
    """Fitted by rule it can run on RX16 (held in the tests of the command); in an oven at 200 degC it cannot, for its cold bake."""
    own = load_schedule(DEMO / "dp2_standard.toml")
    cold = replace(schedules["standard"], oven_temperature=473.15)
    found = mixed_valves(cold, own, (1, 2))
    assert not found.feasible and "cold_bake" in found.other_alone
    assert found.sentence.startswith("DP-2 cannot run on RX16: ") and "put onto 16 positions of 12 s by rule" in found.sentence


def test_what_the_coils_cannot_give_is_told(schedules):
    own = load_schedule(DEMO / "dp2_standard.toml")
    weak = replace(schedules["standard"], machine=replace(schedules["standard"].machine, rf_power_limit=100.0))
    with pytest.raises(DesignFault) as caught:
        put_on(own, weak)
    assert [f.key for f in caught.value.faults] == [f"position[{p}].rf.power" for p in (8, 9, 10)]
    by_current = tuple(replace(p, rf=replace(p.rf, power={}, current=50.0)) if p.position == 11 else p for p in own.positions)
    with pytest.raises(DesignFault, match="does not describe that coil"):
        put_on(replace(own, positions=by_current), schedules["standard"])


def test_two_cards_of_one_valve_beside_one_another(schedules):
    """A card that gives more gas in breakdown at the same index time: both stay fit."""
    standard = schedules["standard"]
    other = replace(standard, name="the same, other card")
    found = mixed_valves(standard, other, (1, 5, 9, 13))
    assert (found.new_for_valve, found.new_for_other, found.other_alone) == ({}, {}, {})
    assert found.line_rise == pytest.approx(1.0, rel=2e-3)
    assert "can run on RX16 mixed with DT-1" in found.sentence


def test_what_cannot_share_a_machine_is_refused(schedules, brisk):
    with pytest.raises(DesignFault, match="one machine has one oven"):
        mixed_valves(schedules["standard"], replace(brisk, oven_temperature=brisk.oven_temperature + 20.0), (1,))
    slower = replace(schedules["standard"], index_time=13.0)
    with pytest.raises(DesignFault, match="one turret has one index time"):
        mixed_valves(schedules["standard"], slower, (1,))
    with pytest.raises(DesignFault, match="heads 1 to 16"):
        mixed_valves(schedules["standard"], schedules["standard"], (17,))
