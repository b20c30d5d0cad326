"""Overlays of a valve file: written from a fit, read as a valve, every fault told."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import numpy as np
import pytest

from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import DesignFault, load_schedule, load_valve
from exhaustsim.plant.overlay import NoSuchKey, text_at, with_values
from exhaustsim.plant.trace import Trace
from exhaustsim.studies.overlay import overlay_text, write_overlay
from exhaustsim.studies.ridefit import fit_ride

DEMO = Path(__file__).parent.parent / "demo_data"
SCHEDULE = DEMO / "schedules" / "dt1_standard.toml"
KEY = "parts.bulb_glass.surface_gas[1].per_area"
VALUE = f'''
[[overlay.value]]
quantity = "glass_water"
key = "{KEY}"
was = "0.10 Pa L/cm2"
value = "0.12 Pa L/cm2"
low = "0.11 Pa L/cm2"
high = "0.13 Pa L/cm2"
'''
HEAD = f'''
[overlay]
of = "dt1.toml"
log = "a.csv"
log_sha256 = "{"0" * 64}"
standing = "fitted"
level = 0.95
'''


def overlay(folder, text=HEAD + VALUE):
    shutil.copy(DEMO / "valves" / "dt1.toml", folder)
    path = folder / "fitted.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_value_laid_over_changes_that_value_alone(tmp_path):
    plain, changed = load_valve(DEMO / "valves" / "dt1.toml"), load_valve(overlay(tmp_path))
    before, after = plain.parts[0].surface_gases[0], changed.parts[0].surface_gases[0]
    assert after.amount / before.amount == pytest.approx(1.2, rel=1e-12)
    assert changed.parts[1:] == plain.parts[1:]
    assert changed.coating == plain.coating
    assert changed.description.endswith("1 value fitted to a.csv")
    assert changed.source.endswith("fitted.toml")


def test_a_schedule_may_name_an_overlay_or_be_given_one(tmp_path):
    path = overlay(tmp_path)
    given = load_schedule(SCHEDULE, valve=path)
    text = SCHEDULE.read_text(encoding="utf-8").replace("../valves/dt1.toml", "fitted.toml").replace("../machines", str(DEMO / "machines"))
    (tmp_path / "schedule.toml").write_text(text, encoding="utf-8")
    named = load_schedule(tmp_path / "schedule.toml")
    assert given.valve.parts == named.valve.parts


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("dt1.toml", "dt2.toml"), "no such file"),
        (('standing = "fitted"', 'standing = "published"'), "no standing of that name"),
        (("0" * 64, "12"), "64 hexadecimal digits"),
        (("level = 0.95", "level = 1.5"), "level"),
        (('was = "0.10', 'was = "0.11'), 'says "0.10 Pa L/cm2" now'),
        (('value = "0.12', 'value = "0.2'), "does not lie between low and high"),
        (("surface_gas[1]", "surface_gas[4]"), "holds no such value"),
        (("parts.bulb_glass", "parts.bulb_glas"), "holds no such value"),
        (('high = "0.13 Pa L/cm2"', 'high = "0.13 Pa L/g"'), "not of one kind"),
        (('high = "0.13 Pa L/cm2"', 'high = "much"'), "high"),
        (("quantity =", "quantty ="), "unknown key"),
        ((VALUE, ""), "no value is replaced"),
        ((VALUE, VALUE + VALUE), "replaced twice"),
        (("[overlay]", 'more = "1"\n[overlay]'), "unknown key"),
    ],
)  # fmt: skip
def test_faults_are_told(tmp_path, change, words):
    text = (HEAD + VALUE).replace(*change)
    assert text != HEAD + VALUE
    with pytest.raises(DesignFault, match=words.replace("[", r"\[")):
        load_valve(overlay(tmp_path, text))


def test_all_faults_at_once(tmp_path):
    text = (HEAD + VALUE).replace("level = 0.95", "level = 2").replace('was = "0.10', 'was = "0.11').replace('"fitted"', '"guessed"')
    with pytest.raises(DesignFault) as caught:
        load_valve(overlay(tmp_path, text))
    assert len(caught.value.faults) == 3


def test_an_overlay_of_an_overlay_and_one_of_a_machine_are_refused(tmp_path):
    overlay(tmp_path)
    second = tmp_path / "second.toml"
    for of, words in (("fitted.toml", "an overlay itself"), (str(DEMO / "machines" / "rx16.toml"), "not a valve file")):
        second.write_text((HEAD + VALUE).replace("dt1.toml", of), encoding="utf-8")
        with pytest.raises(DesignFault, match=words):
            load_valve(second)


def test_a_changed_value_is_checked_as_in_the_valve_file(tmp_path):
    text = (HEAD + VALUE).replace("0.12 Pa", "-0.12 Pa").replace("0.11 Pa", "-0.2 Pa")
    with pytest.raises(DesignFault, match="must be at least zero"):
        load_valve(overlay(tmp_path, text))


def test_keys_that_lead_nowhere():
    table = {"a": {"b": [{"c": "1"}]}}
    assert with_values(table, {"a.b[1].c": "2"}) == {"a": {"b": [{"c": "2"}]}}
    assert table["a"]["b"][0]["c"] == "1"
    for key in ("a.b[2].c", "a.b[0].c", "a.x", "a.b", "a.b[1].c.d", "x.y"):
        with pytest.raises(NoSuchKey, match="no value under"):
            text_at(table, key)


def test_the_simulators_own_log_goes_round(tmp_path, schedules):
    """Simulated with more water and less coating, written by `to_log`, read, fitted from the plain file, laid over, simulated again."""
    import pandas

    other = overlay(tmp_path, (HEAD + VALUE).replace(VALUE, VALUE + VALUE.replace(KEY, "coating.mass").replace("glass_water", "coating")
                    .replace("0.10 Pa L/cm2", "3.0 mg").replace("0.12 Pa L/cm2", "2.8 mg").replace("0.11 Pa L/cm2", "2.7 mg").replace("0.13 Pa L/cm2", "2.9 mg")))  # fmt: skip
    truth = simulate(load_schedule(SCHEDULE, valve=other))
    log = tmp_path / "run.csv"
    truth.to_log(log)
    table = pandas.read_csv(log, comment="#")
    table = table[(table.position > 0) & (table.t_s > 12.0)].drop_duplicates("t_s")
    reading = table.bulb_pressure_pa.to_numpy()
    # A gauge that reads every gas alike; the log has every moment twice as often as a gauge would.
    trace = Trace("run", table.t_s.to_numpy(), reading, np.zeros(len(table), np.int8), reading, gauge="capacitance", calibration_gas="N2", place="bulb")
    found = fit_ride(trace, schedules["standard"], free=("glass_water", "coating", "stem_conductance"))
    # Errors of the simulation itself are 1e-3 of a pressure.
    assert found["glass_water"].value == pytest.approx(1.2, rel=5e-3)
    assert found["coating"].value == pytest.approx(2.8 / 3.0, rel=5e-3)
    assert found["stem_conductance"].value == pytest.approx(1.0, rel=5e-3)
    path = tmp_path / "again.toml"
    write_overlay(found, path, log)
    assert hashlib.sha256(log.read_bytes()).hexdigest() in path.read_text(encoding="utf-8")
    again = load_schedule(SCHEDULE, valve=path)
    fitted = found.fitted_schedule.valve
    assert again.valve.coating.carbonate == pytest.approx(fitted.coating.carbonate, rel=1e-10)
    assert again.valve.parts[0].surface_gases[0].amount == pytest.approx(fitted.parts[0].surface_gases[0].amount, rel=1e-10)
    back = simulate(again)
    before = np.flatnonzero((back.time > 12.0) & (back.time < 156.0))
    away = np.log(back.total_bulb_pressure[before] / truth.total_bulb_pressure[before])
    assert np.sqrt(np.mean(away**2)) < 5e-3
    assert overlay_text(found, log, tmp_path) == path.read_text(encoding="utf-8")
