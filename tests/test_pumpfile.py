"""Pumps in a machine file: every kind as it is read, one slip each, and all slips at once."""

import math
from pathlib import Path

import pytest

from exhaustsim.constants import GAS_NAMES, ZERO_CELSIUS
from exhaustsim.data import published
from exhaustsim.plant.designfile import DesignFault, load_machine
from exhaustsim.plant.machine import (
    BoosterPump, DiffusionPump, RotaryPump, TablePump, TurbomolecularPump, backing_of, chain_of,
)  # fmt: skip

PATTERN = Path(__file__).parent.parent / "demo_data" / "machines" / "rx16_pumps.toml"
TEXT = PATTERN.read_text(encoding="utf-8")


def machine_from(tmp_path, *changes):
    text = TEXT
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} must stand once for this test to mean anything"
        text = text.replace(old, new)
    path = tmp_path / "machine.toml"
    path.write_text(text, encoding="utf-8")
    return load_machine(path)


def pumps_of(machine):
    return {line.name: line.pump for line in machine.lines}


def test_every_kind_is_read():
    kinds = [[type(p) for p in chain_of(pump)] for pump in pumps_of(load_machine(PATTERN)).values()]
    assert kinds == [
        [RotaryPump], [TablePump], [BoosterPump, RotaryPump], [DiffusionPump, RotaryPump],
        [DiffusionPump, BoosterPump, RotaryPump], [TurbomolecularPump, BoosterPump, RotaryPump],
    ]  # fmt: skip


def test_numbers_as_written():
    pumps = pumps_of(load_machine(PATTERN))
    rotary, table, booster = pumps["G"], pumps["R"], pumps["F1"]
    assert (rotary.gas_ballast, rotary.ballast_ultimate_pressure) == (pytest.approx(0.4e-3), 20.0)
    assert rotary.temperature == pytest.approx(70.0 + ZERO_CELSIUS)
    assert (table.valid_from, table.valid_to, backing_of(table)) == (0.6, 1e5, None)
    assert dict(table.speeds)["H2"][1] == pytest.approx(0.8e-3) and dict(table.speeds)["CO2"][1] == pytest.approx(1e-3)
    assert (booster.compression, booster.pressure_difference, booster.backing_line) == (20.0, 4500.0, "")
    assert pumps["D"].backing_line == pumps["T"].backing_line == "common"
    assert pumps["D"].backing_pump == pumps["T"].backing_pump
    assert (pumps["D"].stalled_conductance, pumps["F2"].stalled_conductance) == (pytest.approx(1.2e-3), pytest.approx(1e-3))


def test_compression_of_gases_left_out_goes_by_molar_mass():
    compression = dict(pumps_of(load_machine(PATTERN))["T"].compression)
    assert (compression["N2"], compression["H2"]) == (1e7, 200.0)
    mass = published.value("gases.Ar.molar_mass") / published.value("gases.N2.molar_mass")
    assert math.log(compression["Ar"]) == pytest.approx(math.log(1e7) * math.sqrt(mass), rel=1e-12)
    assert list(compression) == list(GAS_NAMES)


def test_values_left_out_come_from_the_data_tables(tmp_path):
    pumps = pumps_of(machine_from(
        tmp_path, ('ballast_ultimate_pressure = "20 Pa"', ""), ('pressure_difference = "45 hPa"', ""),
        ("compression = { N2 = 1e7, H2 = 200 }", ""), ('stalled_conductance = "1.2 L/s"', ""),
    ))  # fmt: skip
    assert pumps["G"].ballast_ultimate_pressure == published.value("pumps.rotary.ballast_factor") * 2.0
    assert pumps["F1"].pressure_difference == published.value("pumps.booster.pressure_difference")
    assert dict(pumps["T"].compression)["N2"] == pytest.approx(
        published.value("pumps.turbomolecular.compression_nitrogen"), rel=1e-12
    )
    assert pumps["D"].stalled_conductance == pytest.approx(published.value("pumps.diffusion.stalled_share") * 25e-3)


BOOSTER, TABLE, TURBO = 'pumps."F1 booster"', 'pumps."R table".speeds', 'pumps."T turbomolecular"'
# label: (old text, new text, key, need, cure)
FAULTS = {
    "unknown kind": ('[pumps."F1 booster"]                 # mechanical booster\nkind = "booster"', '[pumps."F1 booster"]\nkind = "boster"',
                     f"{BOOSTER}.kind", "no kind of pump of that name", 'did you mean "booster"?'),
    "no pump behind": ('backing_pump = "F1 backing"\n', "", f"{BOOSTER}.backing_pump", "missing", "such as"),
    "no volume behind": ('backing_volume = "1 L"\n\n[pumps."F1 backing"]', '\n[pumps."F1 backing"]', f"{BOOSTER}.backing_volume",
                         "missing; needs a volume", "add backing_volume"),
    "both ways at once": ('stalled_conductance = "1.2 L/s"', 'backing_volume = "1 L"', 'pumps."D diffusion".backing_volume',
                          'contradicts "backing"', "keep only one of"),
    "unknown backing line": ('critical_backing_pressure = "100 Pa" # at which the rotor has lost half its speed\nbacking = "common"',
                             'backing = "comon"', f"{TURBO}.backing", "no backing line of that name", 'did you mean "common"?'),
    "backing line leads back": ('compression = 15\nbacking_pump = "common backing"\nbacking_volume = "1 L"', 'compression = 15\nbacking = "common"',
                                'pumps."common booster".backing', "leads back to this pump", "must blow out into the room"),
    "idle backing line": ('# Speeds are net', '[backing_lines.spare]\nvolume = "1 L"\npump = "spare"\n\n[pumps.spare]\nkind = "rotary"\n'
                          'speed = "1 L/s"\nultimate_pressure = "1 Pa"\n\n# Speeds are net', "backing_lines.spare", "no pump names this backing line",
                          'write backing = "spare"'),
    "rotary pump with another behind": ('speed = "4.0 L/s"', 'speed = "4.0 L/s"\nbacking_volume = "1 L"', 'pumps."G rotary".backing_volume',
                                        "blows out into the room", "take backing_volume out"),
    "ballast above the speed": ('gas_ballast = "0.4 L/s"', 'gas_ballast = "4 L/s"', 'pumps."G rotary".gas_ballast', "must be below the speed",
                                "a tenth of the speed is usual"),
    "ballast that betters the vacuum": ('ballast_ultimate_pressure = "20 Pa"', 'ballast_ultimate_pressure = "1 Pa"',
                                        'pumps."G rotary".ballast_ultimate_pressure', "must be at least 2.000 Pa", "never makes the ultimate pressure better"),
    "no compression": ("compression = 20 ", "compression = 1 ", f"{BOOSTER}.compression", "must be above 1", "such as"),
    "compression of an unknown gas": ("H2 = 200 }", "H20 = 200 }", f"{TURBO}.compression.H20", "no gas of that name", "did you mean"),
    "table without speeds": ('[pumps."R table".speeds]', '[pumps."R table".spedes]', TABLE, "missing; needs a table", "write [pumps"),
    "table out of order": ('"3 Pa", "10 Pa"', '"10 Pa", "3 Pa"', f"{TABLE}.pressure", "must rise from point to point", "in order"),
    "table with too few speeds": ('any = ["0.3 L/s", ', "any = [", f"{TABLE}.any", "has 5 speeds for 6 pressures", "one speed for each"),
    "table of one point": ('pressure = ["0.6 Pa", "1 Pa", "3 Pa", "10 Pa", "100 Pa", "100 kPa"]\nany = ["0.3 L/s", "1.0 L/s", "1.8 L/s", "2.1 L/s", '
                           '"2.2 L/s", "1.9 L/s"]\nH2 = ["0.2 L/s", "0.8 L/s", "1.5 L/s", "1.9 L/s", "2.1 L/s", "1.9 L/s"]',
                           'pressure = ["1 Pa"]\nany = ["1 L/s"]', f"{TABLE}.pressure", "needs two points at least", "ends of what was measured"),
    "table with a speed of nought": ('any = ["0.3 L/s"', 'any = ["0 L/s"', f"{TABLE}.any", "entry 1 must be above zero", "such as any"),
    "table with a bare number": ('pressure = ["0.6 Pa"', "pressure = [0.6", f"{TABLE}.pressure", "entry 1: no unit", "such as"),
    "table of an unknown gas": ("H2 = [", "Xe = [", f"{TABLE}.Xe", "no gas of that name", "one of"),
    "table that forgets gases": ("any = [", "N2 = [", f"{TABLE}.any", "no speed for He, CH4", "add any"),
    "speeds not in a list": ('any = ["0.3 L/s", "1.0 L/s", "1.8 L/s", "2.1 L/s", "2.2 L/s", "1.9 L/s"]', 'any = "2 L/s"', f"{TABLE}.any",
                             "needs a list", "such as any"),
    "key of another kind": ("compression = 15\n", 'compression = 15\nknee_pressure = "1 Pa"\n', 'pumps."common booster".knee_pressure',
                            "unknown key", ""),
}  # fmt: skip


@pytest.mark.named_fault
@pytest.mark.parametrize("case", FAULTS)
def test_fault_is_named_with_place_need_and_cure(tmp_path, case):
    old, new, key, need, cure = FAULTS[case]
    with pytest.raises(DesignFault) as caught:
        machine_from(tmp_path, (old, new))
    fault = next((f for f in caught.value.faults if f.key == key and need in f.need), None)
    assert fault is not None, str(caught.value)
    assert cure in f"{fault.need}; {fault.cure}", f"{fault.need}; {fault.cure}"


def test_all_slips_come_at_once(tmp_path):
    with pytest.raises(DesignFault) as caught:
        machine_from(tmp_path, *(FAULTS[case][:2] for case in ("no compression", "table out of order", "ballast above the speed")))
    assert {f.key for f in caught.value.faults} == {
        f"{BOOSTER}.compression", f"{TABLE}.pressure", 'pumps."G rotary".gas_ballast',
    }  # fmt: skip


def test_one_pump_cannot_stand_in_two_places(tmp_path):
    with pytest.raises(DesignFault, match="this pump already serves") as caught:
        machine_from(tmp_path, ('backing_pump = "F2 backing"', 'backing_pump = "F1 backing"'))
    assert "let pumps share a backing line" in str(caught.value)
