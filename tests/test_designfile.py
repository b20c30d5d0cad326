"""Design files: the demo files say what they should, and faulty ones are told in full.

Each case of `FAULTS` makes one slip in a copy of a demo file and states what the report must
name: key, what stands there, what is needed, and the cure.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from exhaustsim.data import published
from exhaustsim.plant.designfile import DesignFault, load_machine, load_schedule, load_schedules, load_valve
from exhaustsim.plant.machine import DiffusionPump
from exhaustsim.units import convert

DEMO = Path(__file__).parent.parent / "demo_data"
VALVE, MACHINE, SCHEDULE = "valves/dt1.toml", "machines/rx16.toml", "schedules/dt1_standard.toml"


@pytest.fixture
def demo(tmp_path):
    """A copy of the demo files that a test may spoil."""
    shutil.copytree(DEMO, tmp_path / "demo")
    return tmp_path / "demo"


def change(demo: Path, file: str, old: str, new: str) -> None:
    path = demo / file
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{old!r} must stand once in {file} for this test to mean anything"
    path.write_text(text.replace(old, new), encoding="utf-8")


def faults_of(demo: Path, schedule: str = SCHEDULE):
    with pytest.raises(DesignFault) as caught:
        load_schedule(demo / schedule)
    return caught.value


# --- good files -------------------------------------------------------------------------------


@pytest.mark.parametrize("path", sorted(DEMO.glob("schedules/*.toml")), ids=lambda p: p.stem)
def test_demo_schedule_loads_and_its_rf_fits_the_dwell(path):
    schedule = load_schedule(path)
    assert [p.position for p in schedule.positions] == list(range(1, schedule.machine.positions + 1))
    assert schedule.position_of("tip_off") is not None
    for position in schedule.positions:
        if position.rf is not None:
            assert position.rf.start + position.rf.duration <= schedule.dwell * (1 + 1e-9)


def test_dt1_holds_what_its_parts_list_says():
    valve = load_valve(DEMO / VALVE)
    metal = sum(p.mass for p in valve.parts if p.material in ("nickel", "molybdenum"))
    # 0.70 + 0.28 + 0.045 + 0.10 + 0.175 g: the metal in the RF field without the 0.03 g heater.
    assert metal == pytest.approx(1.30e-3, rel=1e-9, abs=0.0)
    # 3.0 mg of 57/39/4 % by mass hold 43 Pa L of CO2; 1 % because the anchor is given to two figures.
    assert convert(valve.coating.carbonate, "amount", "Pa L") == pytest.approx(43.0, rel=0.012)
    glass = next(p for p in valve.parts if p.name == "bulb_glass")
    assert convert(glass.surface_gases[0].amount, "amount", "Pa L") == pytest.approx(3.6, rel=1e-12, abs=0.0)
    # One face in vacuum: 41.6 mol/m3 in 36 cm2 x 0.9 mm, a sheet of twice the thickness.
    assert glass.diffusing_gases[0].amount == pytest.approx(41.6 * 36e-4 * 0.9e-3, rel=1e-12, abs=0.0)
    assert glass.diffusing_gases[0].thickness == pytest.approx(1.8e-3, rel=1e-12, abs=0.0)
    mica = next(p for p in valve.parts if p.name == "micas")
    assert mica.first_order_gases[0].amount == pytest.approx(0.045 * 0.43e-3 / 18.015e-3, rel=1e-4, abs=0.0)
    sleeve = next(p for p in valve.parts if p.node == "cathode_sleeve")
    binder = next(g for g in sleeve.first_order_gases if g.label == "binder")
    assert convert(binder.amount, "amount", "Pa L") == pytest.approx(0.09, rel=1e-12, abs=0.0)


def test_every_gas_table_of_the_demo_adds_up_to_one():
    valve = load_valve(DEMO / VALVE)
    tables = [valve.exhaust_stem.burst_gases, valve.getter.flash_gases]
    tables += [g.gases for p in valve.parts for g in (*p.diffusing_gases, *p.first_order_gases)]
    tables += [line.pump.ultimate_gases for line in load_machine(DEMO / MACHINE).lines]
    for shares in tables:
        assert sum(share for _, share in shares) == pytest.approx(1.0, abs=1e-9)


def test_rx16_lines_and_pumps():
    machine = load_machine(DEMO / MACHINE)
    assert "".join(machine.line_of_position.get(n, "-")[0] for n in range(1, 17)) == "GRRRFFFFFFFFDDD-"
    diffusion = machine.lines[-1].pump
    assert isinstance(diffusion, DiffusionPump)
    assert (diffusion.speed, diffusion.critical_backing_pressure, diffusion.backing_pump.speed) == (0.025, 40.0, 1.4e-3)


@pytest.mark.parametrize("glass", ["soda_lime", "lead", "borosilicate"])
def test_every_glass_that_is_offered_has_all_its_constants(demo, glass):
    change(demo, VALVE, '\nglass = "soda_lime"', f'\nglass = "{glass}"')
    permeation = load_valve(demo / VALVE).permeation
    assert permeation.conductivity == published.value(f"permeation.{glass}.conductivity")


def test_glass_without_constants_is_not_offered(demo):
    change(demo, VALVE, '\nglass = "soda_lime"', '\nglass = "fused_silica"')
    (fault,) = faults_of(demo).faults
    assert fault.key == "bulb.glass" and '"fused_silica"' not in fault.cure


def test_values_left_out_come_from_the_data_tables(demo):
    assert load_valve(demo / VALVE).coating.needle_radius == published.value("carbonates.needle_radius")
    change(demo, VALVE, "[coating.binder]", "[coating.binder]\n")
    change(demo, VALVE, 'mass = "3.0 mg"', 'mass = "3.0 mg"\nneedle_radius = "1.5 um"\nactivity = 0.9')
    coating = load_valve(demo / VALVE).coating
    assert (coating.needle_radius, coating.activity) == (1.5e-6, 0.9)


def test_schedule_target_overrides_only_what_it_states(demo):
    (demo / SCHEDULE).write_text(
        (demo / SCHEDULE).read_text(encoding="utf-8") + '\n[target]\nbulb_pressure = "0.1 Pa"\n', encoding="utf-8"
    )
    schedule = load_schedule(demo / SCHEDULE)
    assert schedule.target.bulb_pressure == 0.1
    assert schedule.target.sealed_pressure == schedule.valve.target.sealed_pressure


def test_thresholds_are_read_in_the_unit_of_their_flag(demo):
    with (demo / VALVE).open("a", encoding="utf-8") as file:
        file.write('\n[thresholds.suck_in]\nwarn = "560 degC"\nstop = "590 degC"\nreason = "thicker wall"\n')
    threshold = load_valve(demo / VALVE).thresholds["suck_in"]
    assert (threshold.warn, threshold.stop) == (pytest.approx(833.15), pytest.approx(863.15))
    assert threshold.reason == "thicker wall"


def test_a_threshold_may_set_one_of_its_limits(demo):
    with (demo / VALVE).open("a", encoding="utf-8") as file:
        file.write('\n[thresholds.suck_in]\nstop = "590 degC"\nreason = "thicker wall"\n')
    threshold = load_valve(demo / VALVE).thresholds["suck_in"]
    assert (threshold.warn, threshold.stop) == (None, pytest.approx(863.15))


def test_file_may_begin_with_a_byte_order_mark(demo):
    path = demo / VALVE
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert load_valve(path).name == "DT-1"


# --- one slip each ----------------------------------------------------------------------------

# label: (file, old text, new text, key, given, need, cure)
FAULTS = {
    "unknown key": (VALVE, 'wall_thickness = "0.9 mm"', 'wall_thickness = "0.9 mm"\nwall_thicknes = "0.9 mm"',
                    "bulb.wall_thicknes", '"0.9 mm"', "unknown key", 'did you mean "wall_thickness"?'),
    "unknown table": (MACHINE, "[oven]", "[romm]\n[oven]", "romm", "{}", "unknown key", 'did you mean "room"?'),
    "text without unit": (VALVE, 'bore = "3.0 mm"', 'bore = "3.0"',
                          "exhaust_stem.bore", '"3.0"', "no unit; needs a length", 'such as "3.0 mm"'),
    "bare number": (SCHEDULE, 'oven_temperature = "460 degC"', "oven_temperature = 460",
                    "oven_temperature", "460", "no unit; needs a temperature", 'such as "460 degC"'),
    "unit of another quantity": (VALVE, 'bore = "3.0 mm"', 'bore = "3.0 g"',
                                 "exhaust_stem.bore", '"3.0 g"', "needs a length", '"g" is the unit of a mass'),
    "mistyped unit": (MACHINE, 'speed = "2.2 L/s"\nultimate_pressure = "0.5 Pa"', 'speed = "2.2 l/s"\nultimate_pressure = "0.5 Pa"',
                      'pumps."R rotary".speed', '"2.2 l/s"', "needs a pumping speed", 'did you mean "L/s"?'),
    "decimal comma": (VALVE, 'bore = "3.0 mm"', 'bore = "3,0 mm"',
                      "exhaust_stem.bore", '"3,0 mm"', "needs a length", "decimal point"),
    "not finite": (VALVE, 'bore = "3.0 mm"', 'bore = "1e999 mm"',
                   "exhaust_stem.bore", '"1e999 mm"', "needs a length", "not finite"),
    "below absolute zero": (SCHEDULE, '"460 degC"', '"-460 degC"',
                            "oven_temperature", '"-460 degC"', "needs a temperature", "below absolute zero"),
    "missing value": (VALVE, 'pip_length = "8 mm"        # left on the valve\n', "",
                      "exhaust_stem.pip_length", "", "missing; needs a length", "add pip_length to exhaust_stem"),
    "missing table": (MACHINE, '[oven]\npositions = [3, 4, 5, 6, 7]\nheat_transfer = "60 W/m2K"\n', "",
                      "oven", "", "missing; needs a table", "write [oven]"),
    "table given as text": (SCHEDULE, 'rf.power = { getter_holder = "8.5 W" }', 'rf.power = "8.5 W"',
                            "position[8].rf.power", '"8.5 W"', "needs a table", "write power = { ... }"),
    "tables given as one": (SCHEDULE, '[[ageing]]\nlabel = "hot shot"', '[ageing]\nlabel = "hot shot"',
                            "", "[[ageing]]", "not TOML", "correct this line"),
    "one table for many": (VALVE, "[[parts.micas.surface_gas]]", "[parts.micas.surface_gas]",
                           "parts.micas.surface_gas", 'gas = "H2O"', "needs tables in double brackets",
                           "write [[parts.micas.surface_gas]] before each"),
    "negative mass": (VALVE, 'mass = "0.70 g"', 'mass = "-0.70 g"',
                      "parts.anode.mass", '"-0.70 g"', "must be above zero", "give a mass"),
    "absent mass": (VALVE, 'mass = "0.70 g"\n', "",
                    "parts.anode.mass", "", "missing; needs a mass", "add mass to parts.anode"),
    "mass against size": (VALVE, 'mass = "0.70 g"', 'mass = "0.07 g"',
                          "parts.anode.mass", '"0.07 g"', "area/2 x thickness x density gives 0.694 g",
                          "correct mass, area (both sides), thickness or material"),
    "area against volume": (VALVE, 'area = "36 cm2"            # inside', 'area = "3.6 cm2"',
                            "bulb.area", '"3.6 cm2"', "too small for the volume", "correct area or volume"),
    "pip longer than stem": (VALVE, 'pip_length = "8 mm"', 'pip_length = "80 mm"',
                             "exhaust_stem.pip_length", '"80 mm"', "must be shorter than the exhaust stem",
                             "correct pip_length or length"),
    "unknown glass": (VALVE, '\nglass = "soda_lime"', '\nglass = "soda_line"',
                      "bulb.glass", '"soda_line"', "no glass of that name", 'did you mean "soda_lime"?'),
    "unknown material": (VALVE, 'material = "molybdenum"', 'material = "molibdenum"',
                         "parts.grids.material", '"molibdenum"', "no material of that name", 'did you mean "molybdenum"?'),
    "part on unknown node": (VALVE, 'node = "mica"', 'node = "micca"',
                             "parts.micas.node", '"micca"', "no thermal node of that name", 'did you mean "mica"?'),
    "exchange with unknown node": (VALVE, 'between = ["hot_spot", "bulb_wall"]', 'between = ["hotspot", "bulb_wall"]',
                                   "conduction[8].between", '["hotspot", "bulb_wall"]', 'no thermal node "hotspot"',
                                   'did you mean "hot_spot"?'),
    "exchange with itself": (VALVE, 'between = ["hot_spot", "bulb_wall"]', 'between = ["bulb_wall", "bulb_wall"]',
                             "conduction[8].between", '["bulb_wall", "bulb_wall"]', "cannot exchange heat with itself",
                             "name two nodes"),
    "exchange with one name": (VALVE, 'between = ["hot_spot", "bulb_wall"]', 'between = "hot_spot"',
                               "conduction[8].between", '"hot_spot"', "needs the names of two thermal nodes",
                               'such as between = ["anode", "mica"]'),
    "node without any heat": (VALVE, "[nodes.mica]", '[nodes.shield]\nheat_capacity = "0.1 J/K"\n\n[nodes.mica]',
                              "nodes", "", 'no heat reaches "shield"', "add a [[radiation]] or [[conduction]] to it"),
    "unknown gas": (VALVE, "burst_gases = { H2O = 0.80,", "burst_gases = { H20 = 0.80, H2O = 0.80,",
                    "exhaust_stem.burst_gases.H20", "0.8", "no gas of that name", 'did you mean "H2O"?'),
    "shares do not add up": (VALVE, "burst_gases = { H2O = 0.80,", "burst_gases = { H2O = 0.90,",
                             "exhaust_stem.burst_gases", "H2O = 0.9", "shares must add up to 1, not 1.1",
                             "correct the shares"),
    "share above one": (VALVE, "burst_share_to_bulb = 0.5", "burst_share_to_bulb = 50",
                        "exhaust_stem.burst_share_to_bulb", "50", "must be at most 1", 'such as "0.15"'),
    "coating shares": (VALVE, "BaCO3 = 0.57", "BaCO3 = 0.75",
                       "coating.composition", "BaCO3 = 0.75", "shares must add up to 1, not 1.18", "shares by mass"),
    "coating of nothing": (VALVE, "composition = { BaCO3 = 0.57, SrCO3 = 0.39, CaCO3 = 0.04 }", "composition = {}",
                           "coating.composition", "{}", "names no carbonate", "such as composition = { BaCO3 = 0.57"),
    "getter that yields nothing": (VALVE, "[getter]", "[getter]\nyield_limit = 0",
                                   "getter.yield_limit", "0", "must be above zero", 'such as "0.15"'),
    "no anode": (VALVE, "[nodes.anode]", "[nodes.plate]", "nodes", "cathode_sleeve", 'has no node "anode"', "add [nodes.anode]"),
    "gas stated twice": (VALVE, 'per_mass = "1.5 Pa L/g"', 'per_mass = "1.5 Pa L/g"\namount = "0.6 Pa L"',
                         "parts.micas.surface_gas[1].amount", '"0.6 Pa L"', 'contradicts "per_mass"',
                         'keep only one of "per_mass", "amount"'),
    "gas not stated": (VALVE, 'per_mass = "1.5 Pa L/g"\n', "",
                       "parts.micas.surface_gas[1].per_area", "", 'missing; needs one of "per_area", "per_mass", "amount"',
                       "say how much gas the part holds"),
    "energy band upside down": (VALVE, 'per_mass = "1.5 Pa L/g"', 'per_mass = "1.5 Pa L/g"\nenergy_low = "250 kJ/mol"',
                                "parts.micas.surface_gas[1].energy_low", '"250 kJ/mol"', "must be below energy_high",
                                "correct the ends of the band"),
    "gas that never leaves": (VALVE, 'per_charge = "1 1/C"', "",
                              "parts.anode.first_order_gas[1]", "", "nothing would ever set this gas free", "per_charge"),
    "unknown diffusion law": (VALVE, 'law = "water_in_soda_lime"', 'law = "water_in_sodalime"',
                              "parts.bulb_glass.diffusing_gas[1].law", '"water_in_sodalime"',
                              "no diffusion law of that name", 'did you mean "water_in_soda_lime"?'),
    "air share above the whole": (VALVE, 'air_share = "1.5e-2 Pa"', 'air_share = "1.5 Pa"',
                                  "target.air_share", '"1.5 Pa"', "is part of the bulb pressure", "lower air_share"),
    "unknown flag": (VALVE, "[target]", '[thresholds.suck_inn]\nwarn = "5 Pa"\n\n[target]',
                     "thresholds.suck_inn", '"5 Pa"', "no flag of that name", 'did you mean "suck_in"?'),
    "threshold without a reason": (VALVE, "[target]", '[thresholds.suck_in]\nwarn = "500 degC"\nstop = "530 degC"\n\n[target]',
                                   "thresholds.suck_in.reason", "", "missing; needs text", 'such as reason = "..."'),
    "threshold without a limit": (VALVE, "[target]", '[thresholds.suck_in]\nreason = "thin wall"\n\n[target]',
                                  "thresholds.suck_in", "thin wall", "sets no limit", "add warn or stop"),
    "line nobody pumps": (MACHINE, 'pump = "R rotary"\n', "",
                          "lines.R.pump", "", "nobody pumps this line", "name one of the pumps"),
    "line with unknown pump": (MACHINE, 'pump = "R rotary"', 'pump = "R rotery"',
                               "lines.R.pump", '"R rotery"', "no pump of that name", 'did you mean "R rotary"?'),
    "pump on two lines": (MACHINE, 'pump = "R rotary"', 'pump = "G rotary"',
                          "lines.R.pump", '"G rotary"', "already serves lines.G", "a pump of its own"),
    "diffusion pump backs": (MACHINE, 'backing_pump = "D backing"', 'backing_pump = "D diffusion"',
                             'pumps."D diffusion".backing_pump', '"D diffusion"', "already serves lines.D", "a pump of its own"),
    "position of unknown line": (MACHINE, "F2 = [9, 10, 11, 12]", "F3 = [9, 10, 11, 12]",
                                 "ports.F3", "[9, 10, 11, 12]", "no line of that name", 'use one of "G", "R", "F1", "F2", "D"'),
    "line without position": (MACHINE, "F2 = [9, 10, 11, 12]\n", "",
                              "ports.F2", "", "no position opens to this line", "add F2 = [...] to [ports]"),
    "position on two lines": (MACHINE, "R = [2, 3, 4]", "R = [1, 2, 3, 4]",
                              "ports.R", "[1, 2, 3, 4]", 'position 1 is already open to line "G"', "one line only"),
    "port beyond the machine": (MACHINE, "D = [13, 14, 15]", "D = [13, 14, 15, 17]",
                                "ports.D", "[13, 14, 15, 17]", "there is no position 17", "the machine has 16 positions"),
    "oven position nought": (MACHINE, "positions = [3, 4, 5, 6, 7]", "positions = [0, 3, 4, 5, 6, 7]",
                             "oven.positions", "[0, 3, 4, 5, 6, 7]", "there is no position 0", "positions count from 1"),
    "coil twice": (MACHINE, "positions = [8, 9, 10, 14]", "positions = [8, 9, 10, 10, 14]",
                   "rf.positions", "[8, 9, 10, 10, 14]", "position 10 stands there twice", "name each position once"),
    "positions as text": (MACHINE, "positions = [8, 9, 10, 14]", 'positions = "8-14"',
                          "rf.positions", '"8-14"', "needs a list of whole numbers", "positions = [8, 9, 10]"),
    "machine without positions": (MACHINE, "positions = 16", 'positions = "16"',
                                  "positions", '"16"', "needs a whole number", "positions = 16"),
    "index not above transfer": (SCHEDULE, 'index_time = "12 s"', 'index_time = "1.2 s"',
                                 "index_time", '"1.2 s"', "must be longer than the transfer time of 1.2 s",
                                 "index time is transfer plus dwell"),
    "position twice": (SCHEDULE, "number = 11", "number = 10",
                       "position[6].number", "10", "position 10 stands there twice", "under one [[position]]"),
    "position nought": (SCHEDULE, "number = 11", "number = 0",
                        "position[6].number", "0", "there is no position 0", "positions count from 1"),
    "position beyond the machine": (SCHEDULE, "number = 11", "number = 17",
                                    "position[6].number", "17", "there is no position 17", 'machine "RX16" has 16 positions'),
    "unknown action": (SCHEDULE, 'action = "tip_off"', 'action = "tipoff"',
                       "position[9].action", '"tipoff"', "no action of that name", 'did you mean "tip_off"?'),
    "action twice": (SCHEDULE, 'action = "spark_test"', 'action = "load"',
                     "position[2].action", '"load"', '"load" already stands at position 1', "keep it at one position"),
    "no tip-off": (SCHEDULE, 'action = "tip_off"', "",
                   "position", "", "no position tips the valve off", 'add action = "tip_off"'),
    "ejected before tip-off": (SCHEDULE, 'number = 16\naction = "eject"', 'number = 13\naction = "eject"',
                               "position[10].action", '"eject"', "ejected before tip-off at position 15", "eject after tip-off"),
    "flash before heater": (SCHEDULE, 'number = 8\n', 'number = 8\naction = "flash"\n',
                            "position[3].action", '"flash"', "flashed before the first heater step at position 9",
                            "flash after breakdown"),
    "flash without RF": (SCHEDULE, 'rf.power = { getter_holder = "8.5 W" }\nrf.start = "2.0 s"\nrf.duration = "8.8 s"\n', "",
                         "position[8].rf", "", "a flash position needs RF watts and seconds", "add [position.rf]"),
    "RF beyond the dwell": (SCHEDULE, 'rf.duration = "8.8 s"', 'rf.duration = "9.8 s"',
                            "position[8].rf.duration", '"9.8 s"', "RF would last to 11.8 s of a dwell of 10.8 s",
                            "at most 8.8 s after this start"),
    "RF after the dwell": (SCHEDULE, 'rf.start = "2.0 s"\nrf.duration = "8.8 s"', 'rf.start = "20 s"\nrf.duration = "1 s"',
                           "position[8].rf.start", '"20 s"', "within the dwell of 10.8 s", "start earlier"),
    "RF without a coil": (MACHINE, "positions = [8, 9, 10, 14]", "positions = [8, 9, 10]",
                          "position[8].rf", "getter_holder", "position 14 has no RF coil", "has coils at 8, 9, 10"),
    "RF on unknown part": (SCHEDULE, 'rf.power = { getter_holder = "8.5 W" }', 'rf.power = { geter_holder = "8.5 W" }',
                           "position[8].rf.power.geter_holder", '"8.5 W"', "no thermal node of that name",
                           'did you mean "getter_holder"?'),
    "RF above the coil": (SCHEDULE, 'rf.power = { getter_holder = "8.5 W" }', 'rf.power = { getter_holder = "850 W" }',
                          "position[8].rf.power", '"850 W"', "850 W are more than the 320 W of the coil", "lower the watts"),
    "breakdown on a blanked port": (MACHINE, "F2 = [9, 10, 11, 12]", "F2 = [9, 10, 11]",
                                    "position[7].heater", '"11.87 V"', "position 12 opens to no line", "heat where the port is open"),
    "no such valve": (SCHEDULE, 'valve = "../valves/dt1.toml"', 'valve = "../valves/dt9.toml"',
                      "valve", '"../valves/dt9.toml"', "no such file", "path relative to the schedule"),
    "valve not named": (SCHEDULE, 'valve = "../valves/dt1.toml"\n', "",
                        "valve", "", "missing; needs text", 'such as valve = "..."'),
    "wrong sort of file": (SCHEDULE, 'valve = "../valves/dt1.toml"', 'valve = "../machines/rx16.toml"',
                           "", "", "this is a machine file; needs a valve file", "name a valve file"),
    "ageing without time": (SCHEDULE, 'duration = "60 min"\n', "",
                            "ageing[3].duration", "", "missing; needs a time", "add duration to ageing[3]"),
    "TOML syntax": (VALVE, 'bore = "3.0 mm"', 'bore = "3.0 mm',
                    "", "line 13: bore = \"3.0 mm", "not TOML", "correct this line or the one before it"),
    "key given twice": (VALVE, 'bore = "3.0 mm"', 'bore = "3.0 mm"\nbore = "3.5 mm"',
                        "", "line 14", "not TOML: Cannot overwrite a value", "correct this line"),
}


@pytest.mark.named_fault
@pytest.mark.parametrize("case", FAULTS)
def test_fault_is_named_with_place_value_need_and_cure(demo, case):
    file, old, new, key, given, need, cure = FAULTS[case]
    change(demo, file, old, new)
    report = faults_of(demo)
    fault = next((f for f in report.faults if f.key == key and need in f"{f.need}; {f.cure}"), None)
    assert fault is not None, str(report)
    assert given in fault.given
    assert cure in f"{fault.need}; {fault.cure}"
    if given:
        assert fault.given
    assert key in str(report) and need in str(report)


#: Slips that entail others by their nature: the second fault is a fact too, not an echo.
ENTAILED = {
    "line nobody pumps", "line with unknown pump", "pump on two lines", "diffusion pump backs",  # leave a pump idle
    "position of unknown line", "line without position",  # leave a line unopened and heated positions blanked
    "flash before heater", "no tip-off", "unknown action", "unknown gas", "RF on unknown part", "TOML syntax", "no anode",
}


@pytest.mark.parametrize("case", sorted(set(FAULTS) - ENTAILED))
def test_one_slip_gives_one_fault(demo, case):
    file, old, new, *_ = FAULTS[case]
    change(demo, file, old, new)
    assert len(faults_of(demo).faults) == 1


def test_all_faults_of_all_files_come_at_once(demo):
    change(demo, VALVE, 'bore = "3.0 mm"', 'bore = "3.0"')
    change(demo, VALVE, 'mass = "0.70 g"', 'mass = "0.07 g"')
    change(demo, MACHINE, 'pump = "R rotary"', 'pump = "R rotery"')
    change(demo, SCHEDULE, "number = 11", "number = 10")
    change(demo, "schedules/dt1_faster.toml", 'index_time = "9.5 s"', 'index_time = "0.5 s"')
    with pytest.raises(DesignFault) as caught:
        load_schedules([demo / SCHEDULE, demo / "schedules/dt1_faster.toml"])
    found = [(Path(f.file).name, f.key) for f in caught.value.faults]
    assert sorted(found) == sorted([
        ("dt1.toml", "exhaust_stem.bore"), ("dt1.toml", "parts.anode.mass"), ("rx16.toml", "lines.R.pump"),
        ("rx16.toml", 'pumps."R rotary"'), ("dt1_standard.toml", "position[6].number"), ("dt1_faster.toml", "index_time"),
    ])
    text = str(caught.value)
    assert "dt1.toml: 2 faults\n" in text
    assert '\n  exhaust_stem.bore = "3.0"\n      no unit; needs a length, such as "3.0 mm"' in text


# --- files as a whole -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "need", "cure"),
    [
        (b"", "the file is empty", "demo_data"),
        (b"  \n\n", "the file is empty", "demo_data"),
        (b'name = "DT-1"\nnote = "\xb5m"\n', "line 2 is not UTF-8 text", "save the file as UTF-8"),
        (b"name = \n", "not TOML", "correct this line"),
        (b"\x00\x00", "not TOML", "correct this line"),
    ],
)
def test_file_that_cannot_be_read_as_text(tmp_path, content, need, cure):
    path = tmp_path / "valve.toml"
    path.write_bytes(content)
    with pytest.raises(DesignFault) as caught:
        load_valve(path)
    (fault,) = caught.value.faults
    assert fault.file == str(path) and need in fault.need and cure in fault.cure


def test_missing_file_is_answered_with_the_nearest_one(demo):
    with pytest.raises(DesignFault, match='no such file; did you mean "dt1_faster.toml"?'):
        load_schedule(demo / "schedules" / "dt1_fast.toml")


def test_only_a_file_of_the_sort_wanted_is_offered(demo):
    """Of a folder with valves in it, none is offered in place of a schedule."""
    for path, cure in (("valves/dt2.toml", "check the name and the folder"), ("valves/nofile.toml", "check the name and the folder")):
        with pytest.raises(DesignFault, match="no such file") as caught:
            load_schedule(demo / path)
        assert caught.value.faults[0].cure == cure
    with pytest.raises(DesignFault, match='did you mean "dt1.toml"?'):
        load_valve(demo / "valves" / "dt_1.toml")
    (demo / "broken.toml").write_text("index_time = ")
    with pytest.raises(DesignFault, match="no such file; check the name"):
        load_schedule(demo / "brokem.toml")


def test_directory(demo):
    with pytest.raises(DesignFault, match="this is a directory; needs a TOML file"):
        load_machine(demo / "machines")


def test_file_that_may_not_be_read(demo, monkeypatch):
    # Permissions do not bind every user a test may run as, so the refusal itself is made.
    def refuse(self):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(DesignFault, match="the file may not be read; give yourself leave to read it"):
        load_valve(demo / VALVE)


def test_path_that_is_no_path():
    with pytest.raises(DesignFault, match="the file cannot be read"):
        load_valve("a\0b.toml")


SPOILERS = ['""', "0", "-1", "true", "[]", "{}", '"nonsense"', '"1e400 mm"', "nan", '"3 mm"', "[[1]]", '"\\u0000"']


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    file=st.sampled_from([VALVE, MACHINE, SCHEDULE]),
    line=st.integers(min_value=0, max_value=400),
    spoiler=st.sampled_from(SPOILERS),
    drop=st.booleans(),
)
def test_whatever_line_is_spoilt_the_answer_is_a_design_fault_or_a_schedule(demo, file, line, spoiler, drop):
    path = demo / file
    sound = path.read_text(encoding="utf-8")
    lines = sound.splitlines()
    line %= len(lines)
    key, equals, _ = lines[line].partition(" = ")
    lines[line] = "" if drop else (f"{key} = {spoiler}" if equals else lines[line][1:])
    path.write_text("\n".join(lines), encoding="utf-8")
    try:
        load_schedule(demo / SCHEDULE)
    except DesignFault as report:
        assert report.faults and all(f.file and f.need for f in report.faults)
    finally:
        path.write_text(sound, encoding="utf-8")


def test_a_valve_file_may_set_just_the_limits_that_are_watched():
    from exhaustsim.plant.readvalve import FLAG_KINDS
    from exhaustsim.studies.flags import CHECKS
    from exhaustsim.studies.machineflags import MACHINE_CHECKS
    from exhaustsim.studies import spreadflags

    watched = {check.key: check.kind for check in CHECKS} | {name: check.kind for name, check in MACHINE_CHECKS.items()}
    assert watched | {spreadflags.NAME: spreadflags.KIND} == FLAG_KINDS
