"""Output net of standstills and rejects, and energy for a good valve, against slide-rule anchors.

Anchors of the trade: at 12 s index 300 valves per hour gross, x 0.92 running x 0.96 good = 265; roughly 30 to 35 Wh
for a small triode at about 10 kW connected; coil-to-work efficiency about 15 %.
"""

from dataclasses import replace
from pathlib import Path

import pytest

from exhaustsim.data import published
from exhaustsim.plant.designfile import load_machine
from exhaustsim.plant.faults import DesignFault
from exhaustsim.plant.machine import ConnectedPower
from exhaustsim.studies.energy import energy


def drawing(schedule, **watts):
    return replace(schedule, machine=replace(schedule.machine, connected_power=ConnectedPower(**watts)))


def test_anchor_of_output(schedules):
    e = energy(schedules["standard"], uptime=0.92, good_share=0.96)
    assert e.gross_per_hour == pytest.approx(300.0)
    assert e.net_per_hour == pytest.approx(265.0, abs=0.5)
    assert (published.value("energy.uptime"), published.value("energy.good_share")) == (0.92, 0.96)


def test_anchor_of_energy(schedules):
    """10 kW for 12 s are 33.3 Wh, whatever they are drawn by; rejects and standstills come on top."""
    e = energy(drawing(schedules["standard"], pumps=3000.0, oven=4000.0, rf=2900.0, heaters=100.0))
    assert e.watt_hours == pytest.approx(10e3 * 12.0 / 3600.0, rel=1e-12) and 30.0 < e.watt_hours < 35.0
    assert all(d.stated for d in e.draws) and "reckoned" not in e.sentence
    full = energy(drawing(schedules["standard"], pumps=3000.0, oven=4000.0, rf=2900.0, heaters=100.0), uptime=1.0, good_share=1.0)
    assert full.watt_hours_good == pytest.approx(full.watt_hours, rel=1e-12)
    assert e.watt_hours / 0.96 < e.watt_hours_good < e.watt_hours / 0.96 / 0.92


def test_reckoned_machine_is_of_the_size_of_the_anchor(schedules):
    """Without stated watts: mean draw below the connected 10 kW, but not by more than a factor of two (their standing)."""
    e = energy(schedules["standard"])
    assert 5e3 < e.power < 10e3 and not any(d.stated for d in e.draws)
    assert 30.0 / 2.0 < e.watt_hours < 35.0


def test_rf_is_absorbed_watts_over_efficiency(schedules):
    """By hand: watts x seconds of the card over 12 s and 0.15, beside 300 W for each of four generators."""
    s = schedules["standard"]
    rf = next(d for d in energy(s).draws if d.name == "rf")
    joules = (39.522 + 30.342 + 30.954) * 10.8 + 8.5 * 8.8
    assert rf.at_work == pytest.approx(joules / 12.0 / 0.15, rel=1e-9)
    assert rf.standing_by == pytest.approx(1200.0)


def test_shared_and_backing_pumps_count_once(schedules):
    """RX16 by hand: 4 + 2.2 + 2.2 + 4.4 + 1.4 L/s of rotary pumps at 150 W, 25 L/s of diffusion pump at 10 W."""
    pumps = next(d for d in energy(schedules["standard"]).draws if d.name == "pumps")
    assert pumps.power == pytest.approx(14.2 * 150.0 + 25.0 * 10.0)


def test_a_shorter_index_takes_less_for_each_valve(schedules):
    slow, fast = energy(schedules["standard"], price=0.3), energy(schedules["faster"], price=0.3)
    assert fast.watt_hours_good < slow.watt_hours_good and fast.power > slow.power
    assert slow.cost == pytest.approx(slow.watt_hours_good * 0.3e-3)
    told = slow.to_json()
    assert sum(x["per_good_valve_wh"] for x in told["shares"]) == pytest.approx(told["energy_per_good_valve_wh"])
    assert len(slow.text_rows()) == 6


def test_machine_file_may_state_it(schedules, tmp_path):
    text = Path(schedules["standard"].machine.source).read_text(encoding="utf-8")
    path = tmp_path / "m.toml"
    path.write_text(text + '\n[connected_power]\npumps = "2.4 kW"\n', encoding="utf-8")
    assert load_machine(path).connected_power == ConnectedPower(pumps=2400.0)
    path.write_text(text + '\n[connected_power]\npumps = "2.4 L"\nlamps = "60 W"\n', encoding="utf-8")
    with pytest.raises(DesignFault) as told:
        load_machine(path)
    assert "connected_power.pumps" in str(told.value) and "connected_power.lamps" in str(told.value)


def test_refusals(schedules):
    with pytest.raises(DesignFault) as told:
        energy(schedules["standard"], uptime=1.2, good_share=0.0, price=-1.0)
    assert len(told.value.faults) == 3
