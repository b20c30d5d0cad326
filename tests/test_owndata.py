"""A user's own data: templates read, rows reach the run that names them and no other, faults are told in full."""

from __future__ import annotations

import json
import pickle
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import exhaustsim
from exhaustsim import cli
from exhaustsim.constants import GAS_NAMES, N2
from exhaustsim.data import published
from exhaustsim.data.published import BUILT_IN, DataFault
from exhaustsim.data.template import KINDS_OF_TEMPLATE, text_of
from exhaustsim.engine.network import number_valve
from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import DesignFault, load_machine, load_schedule, load_schedules, load_valve
from exhaustsim.plant.readdata import PUMP_TYPES, load_tables
from exhaustsim.reporting.assumptions import least_trusted, other_rows
from exhaustsim.studies.gauges import gauge_named, gauge_reading

DEMO = Path(__file__).parent.parent / "demo_data"
DATA_KINDS = ("materials", "gases", "pumps", "gauges", "getters")
ROW = '[{name}]\nvalue = "{value}"\nrange = ["{low}", "{high}"]\nstanding = "invented"\nsource = "test"\n{more}\n'


def row(name, value, low=None, high=None, more=""):
    return ROW.format(name=name, value=value, low=low or value, high=high or value, more=more)


def replacing(name, value, low=None, high=None):
    return row(name, value, low, high, 'replaces = true\nreason = "test"\n')


def data_file(folder: Path, text: str, name: str = "own.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def faults_of(folder: Path, text: str):
    with pytest.raises(DesignFault) as caught:
        load_tables([data_file(folder, text)])
    return caught.value.faults


@pytest.fixture
def demo(tmp_path):
    shutil.copytree(DEMO, tmp_path / "demo")
    return tmp_path / "demo"


def name_data(demo: Path, file: str, *names: str) -> None:
    path = demo / file
    path.write_text(f"data = {json.dumps(names)}\n" + path.read_text(encoding="utf-8"), encoding="utf-8")


# ---- templates -------------------------------------------------------------------------


@pytest.fixture
def ours(tmp_path):
    """All templates in one folder, under the names they give each other."""
    for kind in KINDS_OF_TEMPLATE:
        assert cli.main(["template", kind, "--out", str(tmp_path / f"our_{kind}.toml")]) == 0
    return tmp_path


@pytest.mark.parametrize("kind", DATA_KINDS)
def test_data_template_reads_and_every_figure_is_marked_invented(ours, kind):
    tables = load_tables([ours / f"our_{kind}.toml"])
    assert len(tables.own) >= 2
    assert {r.standing for r in tables.own} == {"invented"}
    assert "INVENTED EXAMPLE" in text_of(kind)
    assert text_of(kind).count("# invented example") == len(tables.own)


def test_design_templates_read_and_run(ours):
    assert load_valve(ours / "our_valve.toml").name == "Our valve"
    assert load_machine(ours / "our_machine.toml").positions == 14
    run = simulate(load_schedule(ours / "our_schedule.toml"))
    assert run.ledger.error < 1e-9
    assert all("INVENTED EXAMPLE" in text_of(kind) for kind in ("valve", "machine", "schedule"))


def test_all_data_templates_serve_one_schedule(ours):
    path = ours / "our_schedule.toml"
    text = path.read_text(encoding="utf-8")
    names = [f"our_{kind}.toml" for kind in DATA_KINDS]
    path.write_text(f"data = {json.dumps(names)}\n" + text, encoding="utf-8")
    change(ours / "our_valve.toml", '[getter]', '[getter]\ntype = "our_ring"')
    for key in ("barium", "emitting_area", "flash_gases", "mirror_area"):
        drop(ours / "our_valve.toml", "[getter]", key)
    change(ours / "our_valve.toml", 'glass = "soda_lime"  ', 'glass = "our_glass"  ')
    change(ours / "our_machine.toml", '[pumps."fine rotary"]', '[pumps."fine rotary"]\ntype = "our_two_stage"')
    drop(ours / "our_machine.toml", '[pumps."fine rotary"]', "speed")
    drop(ours / "our_machine.toml", '[pumps."fine rotary"]', "ultimate_pressure")
    schedule = load_schedule(path)
    assert schedule.valve.getter.barium == pytest.approx(4e-6)
    assert schedule.valve.getter.flash_gases == (("H2", 0.7), ("CO", 0.3))
    assert schedule.valve.getter.sticking["CO2"] == 0.4
    assert schedule.valve.getter.sticking["CO"] == published.value("getters.sticking.CO")
    assert schedule.valve.permeation.conductivity == 5e-20
    pump = next(line.pump for line in schedule.machine.lines if line.name == "fine")
    assert (pump.speed, pump.ultimate_pressure) == (2.4e-3, 0.4)
    assert pump.ultimate_gases == (("H2O", 0.6), ("N2", 0.4))
    assert simulate(schedule).ledger.error < 1e-9


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, old
    path.write_text(text.replace(old, new), encoding="utf-8")


def drop(path: Path, heading: str, key: str) -> None:
    """Take the line of `key` out of the table under `heading`."""
    before, after = path.read_text(encoding="utf-8").split(heading)
    lines = after.splitlines(keepends=True)
    lines.pop(next(k for k, line in enumerate(lines) if line.startswith(f"{key} = ")))
    path.write_text(before + heading + "".join(lines), encoding="utf-8")


def test_template_prints_and_never_writes_over_a_file(tmp_path, capsys):
    assert cli.main(["template", "gauges"]) == 0
    assert capsys.readouterr().out == text_of("gauges")
    path = data_file(tmp_path, "mine", "gauges.toml")
    assert cli.main(["template", "gauges", "--out", str(path)]) == 2
    assert path.read_text(encoding="utf-8") == "mine"
    assert cli.main(["template", "gauges", "--out", str(tmp_path / "no" / "such.toml")]) == 2


# ---- reach -----------------------------------------------------------------------------


def test_own_rows_reach_the_run_that_names_them_and_no_other(demo):
    data_file(demo / "schedules", replacing("carbonates.needle_radius", "2 um", "1 um", "3 um"))
    name_data(demo, "schedules/dt1_standard.toml", "own.toml")
    before = BUILT_IN.value("carbonates.needle_radius")
    own, plain = load_schedules([demo / "schedules/dt1_standard.toml", demo / "schedules/dt1_faster.toml"])
    assert own.valve.coating.needle_radius == 2e-6
    assert plain.valve.coating.needle_radius == before == published.value("carbonates.needle_radius")
    assert load_schedule(DEMO / "schedules/dt1_standard.toml").valve.tables == BUILT_IN
    assert own.valve.tables.row("carbonates.needle_radius").file == "own.toml"
    # Slower needles, later breakdown: the row reaches the simulation.
    run, other = simulate(own), simulate(plain)
    assert run.schedule.valve.tables.files == (str(demo / "schedules" / "own.toml"),)
    assert other.schedule.valve.tables.files == ()


@pytest.mark.parametrize("file", ["valves/dt1.toml", "machines/rx16.toml", "schedules/dt1_standard.toml"])
def test_any_of_the_three_files_may_name_data(demo, file):
    data_file((demo / file).parent, replacing("gases.H2.molar_mass", "4 g/mol"))
    name_data(demo, file, "own.toml")
    schedule = load_schedule(demo / "schedules/dt1_standard.toml")
    tables = number_valve(schedule.valve, schedule.machine).tables
    assert tables.molar_mass[0] == 4e-3 and tables.molar_mass[N2] == published.value("gases.N2.molar_mass")


def test_a_file_named_twice_is_read_once(demo):
    data_file(demo / "valves", replacing("gases.H2.molar_mass", "4 g/mol"))
    name_data(demo, "valves/dt1.toml", "own.toml")
    name_data(demo, "schedules/dt1_standard.toml", "../valves/own.toml")
    tables = load_schedule(demo / "schedules/dt1_standard.toml").valve.tables
    assert [r.name for r in tables.own] == ["gases.H2.molar_mass"]


def test_every_gas_property_that_a_run_uses_can_be_replaced(demo):
    """One row at a time: some array of the numbered valve must move, or the row would be replaced in vain."""
    schedule = load_schedule(demo / "schedules/dt1_standard.toml")
    base = number_valve(schedule.valve, schedule.machine)
    name_data(demo, "schedules/dt1_standard.toml", "own.toml")
    for name in ("molar_mass", "viscosity_exponent", "heat_capacity_ratio", "conductivity", "air_share"):
        text = BUILT_IN.row(f"gases.N2.{name}").text
        number, _, unit = text.partition(" ")
        data_file(demo / "schedules", replacing(f"gases.N2.{name}", f"{float(number) * 1.1:.6g} {unit}".strip()))
        moved = number_valve(load_schedule(demo / "schedules/dt1_standard.toml").valve, schedule.machine)
        same = [np.array_equal(a, b) for a, b in zip(base.tables, moved.tables, strict=True) if isinstance(a, np.ndarray)]
        assert not all(same), name


def test_limits_of_an_own_glass_come_from_its_own_row(demo):
    from fake_run import fake_run

    from exhaustsim.studies import flags

    valve = fake_run().schedule.valve
    usual = valve.tables.value(f"materials.{valve.bulb.glass}.strain_point")
    run = fake_run()
    own = load_tables([data_file(demo, replacing(f"materials.{valve.bulb.glass}.strain_point", "400 degC"))])
    object.__setattr__(run.schedule.valve, "tables", own)
    assert flags._wall_limits(run).stop == pytest.approx(673.15) != usual


def test_tables_survive_pickling_and_compare_by_their_own_rows(tmp_path):
    path = data_file(tmp_path, replacing("gases.H2.molar_mass", "4 g/mol"))
    tables = load_tables([path])
    assert pickle.loads(pickle.dumps(tables)) == tables == load_tables([path]) != BUILT_IN
    assert len(pickle.dumps(tables)) < 2000  # the built-in rows are not carried along
    with pytest.raises(DataFault, match='nearest: .*"gases.H2.molar_mass"'):
        tables.row("gases.H2.molar_mas")
    assert "gases.H2.molar_mass" in tables and "gases.H2.mass" not in tables


def test_nothing_that_a_run_reaches_looks_into_the_built_in_rows_alone():
    package = Path(exhaustsim.__file__).parent
    for layer in ("plant", "engine", "studies", "reporting"):
        for module in (package / layer).glob("*.py"):
            text = module.read_text(encoding="utf-8")
            for lookup in ("published.value(", "published.row(", "published.rows(", "published.group"):
                assert lookup not in text, f"{module.name}: use the tables handed through, not {lookup}"
            calls = re.findall(r"(?<!def )\b(?:gas_column|room_air|stem_tube|tube)\([^()]*(?:\([^()]*\)[^()]*)*\)", text)
            assert all("tables" in call for call in calls), f"{module.name}: hand the tables to {calls}"


# ---- lists -----------------------------------------------------------------------------


def test_assumptions_tell_own_rows_first_with_standing_file_and_reason(demo):
    data_file(demo / "valves", replacing("carbonates.activity", "0.5", "0.4", "0.9") + replacing("gases.H2.molar_mass", "4 g/mol"))
    name_data(demo, "valves/dt1.toml", "own.toml")
    valve = load_valve(demo / "valves/dt1.toml")
    activity = next(a for a in least_trusted(valve) if a.row == "carbonates.activity")
    assert activity.used == "0.50" and activity.standing == "own data, invented"
    assert activity.source == f"test (own.toml); replaces {BUILT_IN.row('carbonates.activity').text}: test"
    first, *others = other_rows([valve])
    assert (first.row, first.standing) == ("gases.H2.molar_mass", "own data, invented")
    assert not any(a.standing.startswith("own") for a in others)
    # Two valves, one with own data: the built-in rows stand once.
    both = other_rows([valve, load_valve(DEMO / "valves/dt1.toml")])
    assert len(both) == len(set(both)) and {a.row for a in both} >= {a.row for a in others}


def test_screen_json_report_and_log_say_that_a_run_has_own_data(demo, capsys):
    data_file(demo / "schedules", replacing("carbonates.activity", "0.5", "0.4", "0.9") + row("materials.our_tin.density", "7.3 g/cm3"))
    name_data(demo, "schedules/dt1_standard.toml", "own.toml")
    own, plain = str(demo / "schedules/dt1_standard.toml"), str(demo / "schedules/dt1_faster.toml")
    assert cli.main(["compare", own, plain, "--out", str(demo / "out")]) == 0
    assert "Own data: DT-1 standard with 2 values from own.toml, 1 in place of built-in ones." in " ".join(capsys.readouterr().out.split())
    first, second = json.loads((demo / "out" / "comparison.json").read_text(encoding="utf-8"))
    assert [r["name"] for r in first["own_data"]] == ["carbonates.activity", "materials.our_tin.density"]
    assert second["own_data"] == []
    report = (demo / "out" / "report.html").read_text(encoding="utf-8")
    assert "own data, invented" in report and "own.toml" in report
    logs = [path.read_text(encoding="utf-8") for path in sorted((demo / "out").glob("*.csv"))]
    assert ["# with own data: own.toml\n" in log for log in logs] == [True, False]
    assert cli.main(["run", plain]) == 0
    assert "Own data" not in capsys.readouterr().out


def test_constants_shows_own_rows(tmp_path, capsys):
    path = data_file(tmp_path, replacing("carbonates.activity", "0.5", "0.4", "0.9"))
    assert cli.main(["constants", "--data", str(path)]) == 0
    out = capsys.readouterr().out
    assert "carbonates.activity" in out and "own data," in out and "needle_radius" not in out
    assert cli.main(["constants", "carbonates.*", "--data", str(path), "--json"]) == 0
    told = {r["name"]: r for r in json.loads(capsys.readouterr().out)}
    assert told["carbonates.activity"]["value"] == 0.5 and told["carbonates.activity"]["own"]
    assert not told["carbonates.needle_radius"]["own"]
    assert cli.main(["constants", "--data", str(tmp_path / "nothing.toml")]) == 2
    assert "no such file" in capsys.readouterr().err


# ---- faults ----------------------------------------------------------------------------

# label: (text of the data file, key, part of the need, part of the cure)
FAULTS = {
    "unknown group": (row("material.our_brass.density", "8.5 g/cm3"), "material.our_brass.density", "nobody reads", '"materials"'),
    "unknown key": (row("materials.our_brass.density", "8.5 g/cm3") + row("materials.our_brass.emisivity", "0.1"),
                    "materials.our_brass.emisivity", "not read there", '"emissivity"'),
    "unknown closed name": (row("carbonates.needle_radios", "1 um"), "carbonates.needle_radios", "nobody reads",
                            '"carbonates.needle_radius"'),
    "value outside its range": (replacing("carbonates.activity", "0.5", "0.6", "0.9"), "carbonates.activity.value",
                                "outside its own range", "correct"),
    "range the wrong way round": (replacing("carbonates.activity", "0.5", "0.6", "0.4"), "carbonates.activity.range",
                                  "lowest stands after", "swap"),
    "wrong unit": (replacing("gases.H2.molar_mass", "4 Pa"), "gases.H2.molar_mass.value", "molar mass", "a pressure"),
    "no unit": (replacing("gases.H2.molar_mass", "4"), "gases.H2.molar_mass.value", "molar mass", ""),
    "existing name": (row("gases.H2.molar_mass", "4 g/mol"), "gases.H2.molar_mass", "have this value already", "replaces = true"),
    "replaces without a reason": (row("gases.H2.molar_mass", "4 g/mol", more="replaces = true"), "gases.H2.molar_mass.reason",
                                  "why", "reason"),
    "nothing to replace": (replacing("materials.our_brass.density", "8.5 g/cm3"), "materials.our_brass.density.replaces",
                           "no built-in value", ""),
    "replaces neither true nor false": (row("gases.H2.molar_mass", "4 g/mol", more='replaces = "yes"'),
                                        "gases.H2.molar_mass.replaces", "true or false", ""),
    "standing mistyped": (replacing("gases.H2.molar_mass", "4 g/mol").replace('"invented"', '"inventd"'),
                          "gases.H2.molar_mass.standing", "no standing", '"invented"'),
    "standing missing": (replacing("gases.H2.molar_mass", "4 g/mol").replace('standing = "invented"', ""),
                         "gases.H2.molar_mass.standing", "missing", ""),
    "source missing": (replacing("gases.H2.molar_mass", "4 g/mol").replace('source = "test"', ""),
                       "gases.H2.molar_mass.source", "missing", ""),
    "value missing": (replacing("gases.H2.molar_mass", "4 g/mol").replace('value = "4 g/mol"', ""),
                      "gases.H2.molar_mass.value", "missing", ""),
    "range missing": (replacing("gases.H2.molar_mass", "4 g/mol").replace('range = ["4 g/mol", "4 g/mol"]', ""),
                      "gases.H2.molar_mass.range", "needs the range", "range ="),
    "range of one": (replacing("gases.H2.molar_mass", "4 g/mol").replace('range = ["4 g/mol", "4 g/mol"]', 'range = ["4 g/mol"]'),
                     "gases.H2.molar_mass.range", "two values", ""),
    "unknown key of a row": (replacing("gases.H2.molar_mass", "4 g/mol").replace("source", "sourze"),
                             "gases.H2.molar_mass.sourze", "unknown key", '"source"'),
    "tenth gas": (row("gases.Xe.molar_mass", "131.3 g/mol"), "gases.Xe", "tenth cannot be added", "not modelled"),
    "gas mistyped": (row("gases.H20.molar_mass", "18 g/mol"), "gases.H20", "no gas of that name", '"H2O"'),
    "gas with half its size": (replacing("gases.H2O.viscosity", "9.6 uPa s"), "gases.H2O", "diameter is missing", "gases.H2O.diameter"),
    "material without density": (row("materials.our_brass.emissivity", "0.1"), "materials.our_brass", "has no density", ""),
    "glass without softening point": (row("materials.hard_glass.density", "2.2 g/cm3") + row("materials.hard_glass.strain_point", "890 degC"),
                                      "materials.hard_glass", "softening_point", ""),
    "glass without helium": (row("materials.hard_glass.density", "2.2 g/cm3") + row("materials.hard_glass.strain_point", "890 degC")
                             + row("materials.hard_glass.softening_point", "1500 degC"), "permeation.hard_glass", "conductivity", ""),
    "half a diffusion law": (row("diffusion.hydrogen_in_our_brass.prefactor", "1e-7 m2/s"), "diffusion.hydrogen_in_our_brass", "energy", ""),
    "pump without speed": (row("pumps.rotary.old.ultimate_pressure", "1 Pa"), "pumps.rotary.old", "speed", ""),
    "pump key mistyped": (row("pumps.rotary.old.sped", "1 L/s"), "pumps.rotary.old.sped", "not read there", '"speed"'),
    "pump shares": (row("pumps.rotary.old.speed", "1 L/s") + row("pumps.rotary.old.ultimate_pressure", "1 Pa")
                    + row("pumps.rotary.old.ultimate_gases.N2", "0.9"), "pumps.rotary.old.ultimate_gases", "add up to 1", ""),
    "built-in shares spoilt": (replacing("pumps.rotary.ultimate_gases.N2", "0.9"), "pumps.rotary.ultimate_gases", "add up to 1", ""),
    "getter without barium": (row("getters.ring.yield_limit", "0.9"), "getters.ring", "barium", ""),
    "gauge without a gas": (text_of("gauges").replace("relative_sensitivity.Ar", "relative_sensitivity.ar"),
                            "gauges.our_gauge.relative_sensitivity.ar", "not read there", '"relative_sensitivity.Ar"'),
    "gauge without calibration gas": (text_of("gauges").replace('value = "1" ', 'value = "0.99" ').replace('["1", "1"]', '["0.9", "1.1"]'),
                                      "gauges.our_gauge.relative_sensitivity", "no gas has the factor 1", "calibrated"),
    "density of nothing": (row("materials.our_brass.density", "0 g/cm3"), "materials.our_brass.density.value", "above zero", ""),
    "share above one": (row("materials.our_brass.density", "8 g/cm3") + row("materials.our_brass.emissivity", "1.2"),
                        "materials.our_brass.emissivity.value", "at most 1", ""),
    "heat capacities": (replacing("gases.H2.heat_capacity_ratio", "0.9"), "gases.H2.heat_capacity_ratio.value", "above 1", ""),
    "value outside any row": ('[materials.our_brass]\ndensity = "8 g/cm3"\n', "materials.our_brass.density", "outside any row", "value"),
    "empty row": ("[materials.our_brass.density]\n", "materials.our_brass.density", "holds nothing", ""),
}  # fmt: skip


@pytest.mark.named_fault
@pytest.mark.parametrize("label", FAULTS)
def test_fault_is_told_with_place_and_cure(tmp_path, label):
    text, key, need, cure = FAULTS[label]
    faults = faults_of(tmp_path, text)
    found = [f for f in faults if f.key == key]
    assert found, "\n".join(map(str, faults))
    assert any(need in f.need and cure in f.cure for f in found), "\n".join(map(str, found))
    assert all(f.file == str(tmp_path / "own.toml") and f.cure for f in faults)


def test_all_faults_of_all_files_come_at_once(demo):
    data_file(demo / "valves", FAULTS["wrong unit"][0] + FAULTS["tenth gas"][0], "a.toml")
    data_file(demo / "machines", FAULTS["existing name"][0].replace("H2", "He"), "b.toml")
    name_data(demo, "valves/dt1.toml", "a.toml")
    name_data(demo, "machines/rx16.toml", "b.toml", "missing.toml")
    change(demo / "valves/dt1.toml", 'volume = "12 cm3"', 'volume = "12 cm"')
    with pytest.raises(DesignFault) as caught:
        load_schedule(demo / "schedules/dt1_standard.toml")
    told = {(Path(f.file).name, f.key) for f in caught.value.faults}
    assert told == {("a.toml", "gases.H2.molar_mass.value"), ("a.toml", "gases.Xe"), ("b.toml", "gases.He.molar_mass"), ("a.toml", "gases.H2.molar_mass.range"),
                    ("rx16.toml", "data"), ("dt1.toml", "bulb.volume")}  # fmt: skip


def test_two_files_with_one_name_are_refused(tmp_path):
    one, two = (data_file(tmp_path, replacing("gases.H2.molar_mass", v), f) for v, f in (("4 g/mol", "a.toml"), ("5 g/mol", "b.toml")))
    with pytest.raises(DesignFault, match="gases.H2.molar_mass.*\n.*a.toml as well"):
        load_tables([one, two])


@pytest.mark.parametrize("given", ['"own.toml"', "[1]", '[""]'])
def test_data_needs_a_list_of_names(demo, given):
    path = demo / "valves/dt1.toml"
    path.write_text(f"data = {given}\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    with pytest.raises(DesignFault, match="needs a list of file names"):
        load_valve(path)


def test_a_path_is_never_evaluated(demo, monkeypatch):
    monkeypatch.setenv("OWN", "own.toml")
    data_file(demo / "valves", replacing("gases.H2.molar_mass", "4 g/mol"))
    name_data(demo, "valves/dt1.toml", "$OWN", "~/own.toml", "ow*.toml")
    with pytest.raises(DesignFault) as caught:
        load_valve(demo / "valves/dt1.toml")
    assert [f.need.split("/")[-1] for f in caught.value.faults] == ['$OWN"', 'own.toml"', 'ow*.toml"']


def test_a_design_file_in_place_of_data_is_refused(demo):
    with pytest.raises(DesignFault, match="this is a machine file; needs a data file"):
        load_tables([demo / "machines/rx16.toml"])


def test_type_must_exist_and_its_values_keep_the_bounds(demo):
    change(demo / "machines/rx16.toml", '[pumps."G rotary"]                   # single-stage\n',
           '[pumps."G rotary"]\ntype = "our_two_stag"\n')
    with pytest.raises(DesignFault, match="no type in the data tables of that name"):
        load_machine(demo / "machines/rx16.toml")
    data_file(demo / "valves", replacing("getters.area_ratio", "0.5"))
    name_data(demo, "valves/dt1.toml", "own.toml")
    with pytest.raises(DesignFault, match=r'must be at least 1.000, but "getters.area_ratio" of own.toml says 0.5'):
        load_valve(demo / "valves/dt1.toml")


def test_every_kind_of_pump_can_have_types():
    from exhaustsim.plant import readpumps

    source = Path(readpumps.__file__).read_text(encoding="utf-8")
    assert all(f'"{kind}"' in source for kind in PUMP_TYPES)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_a_spoilt_template_is_refused_in_words_or_read(tmp_path, data):
    """Cut or double any line of a data template: never anything but rows or a fault."""
    lines = text_of(data.draw(st.sampled_from(DATA_KINDS))).splitlines()
    at = data.draw(st.integers(0, len(lines) - 1))
    lines[at : at + 1] = data.draw(st.sampled_from([[], [lines[at]] * 2, [lines[at][: len(lines[at]) // 2]], ["x = 1"]]))
    path = data_file(tmp_path, "\n".join(lines))
    try:
        load_tables([path])
    except DesignFault as fault:
        assert all(f.need and f.cure for f in fault.faults)


# ---- gauges ----------------------------------------------------------------------------


def test_reading_of_an_own_gauge_in_a_run(ours):
    path = ours / "our_schedule.toml"
    path.write_text('data = ["our_gauges.toml"]\n' + path.read_text(encoding="utf-8"), encoding="utf-8")
    run = simulate(load_schedule(path))
    shown, off = gauge_reading(run, "our_gauge", "bulb")
    factors = gauge_named("our_gauge", run.schedule.valve.tables).factors
    reading = run.bulb_pressure @ factors
    assert np.array_equal(off, np.where(reading < 0.2, -1, np.where(reading > 60.0, 1, 0)))
    assert shown == pytest.approx(np.clip(reading, 0.2, 60.0), rel=1e-12)
    on_line, _ = exhaustsim.gauge_reading(run, "capacitance")
    assert np.isnan(on_line[run.end_of(14)]) and np.isfinite(on_line[run.end_of(5)])
    with pytest.raises(DataFault, match='no gauge "our_guage"; did you mean "our_gauge"'):
        gauge_reading(run, "our_guage")
    with pytest.raises(ValueError, match="no place 'oven'"):
        gauge_reading(run, "our_gauge", "oven")
    with pytest.raises(DataFault, match='no gauge "our_gauge"'):
        gauge_named("our_gauge")


@pytest.mark.parametrize("gauge", BUILT_IN.groups("gauges"))
def test_every_gauge_is_complete_and_calibrated(gauge):
    found = gauge_named(gauge)
    assert 0.0 < found.lowest < found.highest
    assert found.factors.shape == (len(GAS_NAMES),) and "N2" in found.calibration_gases
