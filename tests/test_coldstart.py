"""A schedule minutes after a cold start: oven air, diffusion pumps that set in, and the command."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from altered import machine_with

from exhaustsim import cli
from exhaustsim.data import published
from exhaustsim.engine.run import simulate
from exhaustsim.engine.loaded import simulate_machine
from exhaustsim.plant.coldstart import after_cold_start, warming_chain, warming_pump
from exhaustsim.plant.designfile import DesignFault
from exhaustsim.plant.machine import BoosterPump, DiffusionPump, WarmUp
from exhaustsim.studies.coldheads import heads_to_scrap

DEMO = Path(__file__).parent.parent / "demo_data"


def without_warm_up(text):
    """A machine file whose `[warm_up]` is taken out."""
    before, _, rest = text.partition("[warm_up]")
    return before + rest[rest.index("\n[") + 1 :]


@pytest.fixture(scope="module")
def schedule(schedules):
    return machine_with(schedules["standard"], warm_up=WarmUp(900.0, 1200.0))


def pump_of(schedule):
    return next(line.pump for line in schedule.machine.lines if isinstance(line.pump, DiffusionPump))


def test_oven_air_creeps_up(schedule):
    air = [after_cold_start(schedule, 60.0 * minutes).oven_temperature for minutes in (0, 15, 60, 600)]
    assert air[0] == schedule.machine.room_temperature
    # One time constant leaves 1/e of the 440 K.
    assert schedule.oven_temperature - air[1] == pytest.approx(440.0 / 2.718281828, rel=1e-9)
    assert air[3] == pytest.approx(schedule.oven_temperature, abs=1e-6)
    assert air == sorted(air)


def test_a_working_pump_is_itself_and_a_cold_one_a_pipe_to_its_backing_pump(schedule):
    pump = pump_of(schedule)
    warm = warming_pump(pump, 1.0)
    assert (warm.speed, warm.knee_pressure, warm.critical_backing_pressure) == (
        pump.speed, pump.knee_pressure, pump.critical_backing_pressure)  # fmt: skip
    assert warm.ultimate_pressure == pytest.approx(pump.ultimate_pressure, rel=1e-12)
    assert dict(warm.ultimate_gases) == pytest.approx(dict(pump.ultimate_gases))
    cold, backing = warming_pump(pump, 0.0), pump.backing_pump
    assert cold.speed == pytest.approx(backing.speed, rel=1e-4)
    assert cold.ultimate_pressure == pytest.approx(backing.ultimate_pressure, rel=1e-4)
    assert dict(cold.ultimate_gases) == pytest.approx(dict(backing.ultimate_gases), abs=1e-4)


def test_half_a_jet_pumps_what_jet_and_body_pump_together(schedule):
    """Gas by gas: S (p - p_u) of the one pump is the sum of jet and body, at any pressure under the knee."""
    pump = pump_of(schedule)
    half = warming_pump(pump, 0.5)
    for pressure in (0.0, 1e-3, 0.02):
        for gas in ("H2O", "N2", "H2"):
            def into(p, speed, gas=gas, pressure=pressure):
                return speed * (pressure - p.ultimate_pressure * dict(p.ultimate_gases).get(gas, 0.0))

            together = into(pump, 0.5 * pump.speed) + into(pump.backing_pump, 0.5 * pump.backing_pump.speed)
            assert into(half, half.speed) == pytest.approx(together, rel=1e-12)


def test_diffusion_pumps_anywhere_in_a_chain_warm_up(schedule):
    """A booster behind the diffusion pump has no ultimate pressure of its own: the rotary pump's counts; and a
    diffusion pump behind another pump warms up as well."""
    pump = pump_of(schedule)
    rotary = pump.backing_pump
    booster = BoosterPump(speed=10e-3, backing_volume=1e-3, backing_pump=rotary, compression=30.0, pressure_difference=5e3)
    cold = warming_chain(replace(pump, backing_pump=booster), 0.0)
    assert cold.speed == pytest.approx(booster.speed, rel=1e-4)
    assert cold.ultimate_pressure == pytest.approx(rotary.ultimate_pressure, rel=1e-4)
    assert cold.backing_pump == booster
    front = replace(booster, backing_pump=pump)
    assert warming_chain(front, 0.3).backing_pump == warming_pump(pump, 0.3)
    assert warming_chain(rotary, 0.0) == rotary


def test_the_first_valves_are_lost_and_an_hour_later_all_is_well(schedule):
    early, late = (simulate(after_cold_start(schedule, 60.0 * minutes)) for minutes in (5.0, 180.0))
    usual = simulate(schedule)
    flash = schedule.position_of("flash")
    before = {name: run.total_bulb_pressure[run.dwell_samples(flash)[0]] for name, run in
              (("early", early), ("late", late), ("usual", usual))}  # fmt: skip
    assert before["early"] > 5.0 * before["usual"]
    assert before["late"] == pytest.approx(before["usual"], rel=0.01)
    assert early.node("bulb_wall").max() < 400.0 < usual.node("bulb_wall").max()
    for run in (early, late):
        assert run.ledger.error < 1e-9
    assert early.schedule.name == "DT-1 standard, 5 min after a cold start"


def test_a_machine_that_says_nothing_is_refused(schedules):
    with pytest.raises(DesignFault, match=r"rx16.toml: 1 fault\n  warm_up\n      missing; a cold start needs it; add \[warm_up\]"):
        after_cold_start(machine_with(schedules["standard"], warm_up=None), 60.0)


def test_the_demo_machines_say_how_they_warm_up():
    """The usual figures of the table, so that a cold start needs no line added."""
    from exhaustsim.plant.designfile import load_machine

    usual = WarmUp(published.value("warm_up.oven_time_constant"), published.value("warm_up.pump_ready_time"))
    for name in ("rx16", "rx24"):
        assert load_machine(DEMO / f"machines/{name}.toml").warm_up == usual


@pytest.mark.parametrize("seconds", [-1.0, float("inf"), float("nan")])
def test_time_must_be_a_time(schedule, seconds):
    with pytest.raises(ValueError, match="is not a time"):
        after_cold_start(schedule, seconds)


def test_command(tmp_path, capsys):
    import shutil

    folder = tmp_path / "demo"
    shutil.copytree(DEMO, folder)
    machine = folder / "machines/rx16.toml"
    path = folder / "schedules/dt1_standard.toml"
    stated = machine.read_text(encoding="utf-8")
    machine.write_text(without_warm_up(stated), encoding="utf-8")
    assert cli.main(["run", str(path), "--minutes-after-cold-start", "10"]) == 2
    assert "add [warm_up]" in capsys.readouterr().err
    machine.write_text(stated, encoding="utf-8")
    assert cli.main(["run", str(path), "--minutes-after-cold-start", "10", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["schedule"] == "DT-1 standard, 10 min after a cold start"
    for bad in ("-1", "soon", "inf"):
        with pytest.raises(SystemExit) as refused:
            cli.main(["run", str(path), "--minutes-after-cold-start", bad])
        assert refused.value.code == 2
        assert "not a number of minutes" in capsys.readouterr().err


def test_usual_warm_up_comes_from_the_table(tmp_path):
    import shutil

    from exhaustsim.plant.designfile import load_machine

    path = tmp_path / "rx16.toml"
    shutil.copy(DEMO / "machines/rx16.toml", path)
    path.write_text(without_warm_up(path.read_text(encoding="utf-8")) + '\n[warm_up]\npump_ready_time = "30 min"\n', encoding="utf-8")
    assert load_machine(path).warm_up == WarmUp(published.value("warm_up.oven_time_constant"), 1800.0)


# ---- the turret goes on through the warm-up ---------------------------------------------


def test_a_machine_switched_on_long_ago_is_the_warm_machine(schedule):
    """After ten hours the loaded machine from empty heads is what it is without a cold start, to what the pumps still lack."""
    cold, warm = (
        simulate_machine(schedule, indices=6, from_empty=True, follow=False, **more) for more in ({"cold_start": 36e3}, {})
    )
    for head, pressure in warm.last.bulb_pressure.items():
        assert cold.last.bulb_pressure[head].sum() == pytest.approx(pressure.sum(), rel=2e-3)


def test_warm_up_goes_on_from_index_to_index(schedule):
    """At switching on the diffusion line stands at the ultimate pressure of a rotary pump, minutes later far below; the account closes."""
    run = simulate_machine(schedule, indices=60, cold_start=300.0, follow=False)
    diffusion = [next(w for w in index.lines if w.name == "D").pressure[-1].sum() for index in run.indices]
    assert diffusion[2] > 10.0 * diffusion[-1]
    assert run.ledger.error < 1e-10


def test_the_first_valves_after_a_cold_start_are_scrap(schedule):
    """Loading at once costs a hundred and more valves, loading after 24 min (when the oven air is within 90 K) fewer than 20."""
    late = heads_to_scrap(schedule, 1440.0)
    assert 0 < late.scrap < 20
    assert "cold_bake" in late.reasons
    assert late.seconds == pytest.approx(1440.0 + late.scrap * schedule.index_time)
    assert f"first {late.scrap} valves" in late.sentence


def test_cold_start_needs_a_length_and_a_warm_up(schedule, schedules):
    with pytest.raises(ValueError, match="give indices or seconds"):
        simulate_machine(schedule, cold_start=0.0)
    with pytest.raises(DesignFault, match="a cold start needs it"):
        simulate_machine(machine_with(schedules["standard"], warm_up=None), cold_start=0.0, indices=3)
