"""RF by the current in a coil: files and their faults, the tabled watts, the run with its exact slopes, stations."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from tiny import TOLERANCE, tiny

from exhaustsim import cli
from exhaustsim.constants import STEFAN_BOLTZMANN
from exhaustsim.data import published
from exhaustsim.data.published import BUILT_IN
from exhaustsim.engine import jacobian, rates, stiff
from exhaustsim.engine.network import number_valve
from exhaustsim.engine.phases import phases_of
from exhaustsim.engine.rates import Waveform
from exhaustsim.engine.run import simulate
from exhaustsim.plant.coil import (
    HOTTEST, TABLE_START, TABLE_STEP, Coil, CoilLoad, most_square_amperes, resistivity_curve, resistivity_points, table_grid,
    tabled_metals, watts_per_square_ampere, watts_table,
)  # fmt: skip
from exhaustsim.plant.designfile import DesignFault, load_machine, load_schedule, load_valve
from exhaustsim.plant.schedule import RfSetting
from exhaustsim.studies.coilheat import coil_heat
from exhaustsim.studies.station import StationFault, answers, read_reach, seconds_to_reach, watts_to_reach

DEMO = Path(__file__).parent.parent / "demo_data"
VALVE, MACHINE, SCHEDULE = "valves/dt1.toml", "machines/rx16.toml", "schedules/dt1_standard.toml"
WATTS = 'rf.power = { anode = "38.6 W", grids = "0.772 W", getter_holder = "0.15 W" }'

ANODE = """
[nodes.anode.in_coil]
material = "nickel"
radius = "5 mm"
wall = "0.13 mm"
height = "20 mm"
coupling = 0.6               # slots and the open side

[nodes.getter_holder.in_coil]
material = "nickel"
radius = "3 mm"
wall = "0.3 mm"
height = "1 mm"
middle = "20 mm"
"""
COILS = """
[rf.coils.anode]
positions = [8, 9, 10]
frequency = "400 kHz"
turns = 4
length = "20 mm"
diameter = "34 mm"
current_limit = "120 A"
"""


def change(folder, file, old, new):
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {file}"
    path.write_text(text.replace(old, new), encoding="utf-8")


@pytest.fixture
def coiled(tmp_path):
    """The demo with an invented coil at positions 8 to 10 and 50 A at position 8."""
    folder = tmp_path / "demo"
    shutil.copytree(DEMO, folder)
    change(folder, VALVE, "[nodes.getter_holder]\n", ANODE + "\n[nodes.getter_holder]\n")
    change(folder, MACHINE, "[ports]\n", COILS + "\n[ports]\n")
    change(folder, SCHEDULE, WATTS, 'rf.current = "50 A"')
    return folder


@pytest.fixture(scope="module")
def schedule(tmp_path_factory):
    folder = tmp_path_factory.mktemp("coil") / "demo"
    shutil.copytree(DEMO, folder)
    change(folder, VALVE, "[nodes.getter_holder]\n", ANODE + "\n[nodes.getter_holder]\n")
    change(folder, MACHINE, "[ports]\n", COILS + "\n[ports]\n")
    change(folder, SCHEDULE, WATTS, 'rf.current = "50 A"')
    return load_schedule(folder / SCHEDULE)


@pytest.fixture(scope="module")
def run(schedule):
    return simulate(schedule)


def coil_and_anode(schedule):
    return schedule.machine.coils[0], next(n for n in schedule.valve.nodes if n.name == "anode").in_coil


# ---- tables --------------------------------------------------------------------------

COIL = Coil("c", (8,), 400e3, 4.0, 0.02, 0.034, 0.0, np.inf)


def load(metal, *figures):
    return CoilLoad(metal, resistivity_points(BUILT_IN, metal), *figures)


LOADS = [
    load("nickel", 6e-3, 0.13e-3, 18e-3, 0.0, 1.0, 75.0, 631.0),
    load("steel", 6e-3, 0.18e-3, 18e-3, 0.0, 1.0, 200.0, 1043.0),
    load("molybdenum", 4e-3, 0.05e-3, 10e-3, 5e-3, 0.5, 1.0, 0.0),
    load("nickel", 0.5e-3, 0.5e-3, 18e-3, 0.0, 1.0, 75.0, 631.0),
]


@pytest.mark.parametrize("load", LOADS, ids=lambda part: part.material)
def test_tabled_watts_against_the_law_between_the_points(load):
    """7e-5 of the power at worst, beside the Curie point; 5e-6 in nineteen places of twenty."""
    between = table_grid()[:-1] + np.array([[0.2], [0.5], [0.7]]) * TABLE_STEP
    grid, table = np.array([TABLE_START, TABLE_STEP]), watts_table(COIL, load)
    off = [abs(rates.coil_watts_at(t, grid, table)[0] / watts_per_square_ampere(COIL, load, t) - 1.0) for t in between.ravel()]
    assert max(off) < 1e-4
    assert np.quantile(off, 0.95) < 5e-6


def test_looked_up_slope_is_that_of_the_looked_up_watts_and_level_beyond_the_ends():
    grid, table = np.array([TABLE_START, TABLE_STEP]), watts_table(COIL, LOADS[0])
    for t in (201.0, 403.7, 629.0, 632.5, 1234.0):
        around = [rates.coil_watts_at(t + d, grid, table)[0] for d in (-1e-3, 1e-3)]
        assert rates.coil_watts_at(t, grid, table)[1] == pytest.approx((around[1] - around[0]) / 2e-3, rel=1e-5)
    assert rates.coil_watts_at(10.0, grid, table) == (table[0, 0], 0.0)
    assert rates.coil_watts_at(5000.0, grid, table) == (table[-1, 0], 0.0)


def test_power_falls_as_steel_stops_being_magnetic():
    at = [watts_per_square_ampere(COIL, LOADS[1], t) for t in (1000.0, 1100.0)]
    assert at[1] < 0.4 * at[0]


def test_field_and_current_of_a_coil_are_each_others_inverse():
    assert COIL.field(50.0) == pytest.approx(50.0 * 4 / np.hypot(0.02, 0.034), rel=1e-12)  # N I over the diagonal
    assert COIL.current(COIL.field(50.0)) == pytest.approx(50.0, rel=1e-14)


def test_greatest_current_by_either_limit():
    square, hottest = most_square_amperes(COIL, LOADS[:1], 100.0)
    watts = [square * watts_per_square_ampere(COIL, LOADS[0], t) for t in np.arange(293.15, HOTTEST, 5.0)]
    assert max(watts) == pytest.approx(100.0, rel=1e-3)
    assert 293.0 <= hottest <= HOTTEST
    assert most_square_amperes(replace(COIL, current_limit=3.0), LOADS[:1], 100.0)[0] == 9.0


def test_every_metal_offered_has_a_rising_curve_and_a_whole_magnetism():
    assert {"nickel", "steel", "molybdenum", "tungsten", "tantalum", "copper"} <= set(tabled_metals(BUILT_IN))
    for metal in set(tabled_metals(BUILT_IN)) - {"graphite"}:
        temperatures, values, _ = resistivity_curve(resistivity_points(BUILT_IN, metal))
        assert np.all(np.diff(values) > 0.0) and temperatures[0] == 293.15
        rows = published.group(f"materials.{metal}")
        assert ("curie_temperature" in rows) == ("relative_permeability" in rows)


# ---- files ---------------------------------------------------------------------------


def test_files_are_read(schedule):
    coil, anode = coil_and_anode(schedule)
    assert (coil.frequency, coil.turns, coil.diameter, coil.current_limit, coil.middle) == (400e3, 4.0, 0.034, 120.0, 0.0)
    assert (anode.material, anode.wall, anode.coupling, anode.permeability, anode.curie_temperature) == (
        "nickel", pytest.approx(0.13e-3, rel=1e-12), 0.6, published.value("materials.nickel.relative_permeability"), 631.0)  # fmt: skip
    assert schedule.positions[7].rf == RfSetting({}, 0.0, pytest.approx(10.8), 50.0)


def test_a_field_is_a_current(coiled):
    change(coiled, SCHEDULE, 'rf.current = "50 A"', 'rf.field = "5 kA/m"')
    schedule = load_schedule(coiled / SCHEDULE)
    assert schedule.machine.coils[0].field(schedule.positions[7].rf.current) == pytest.approx(5e3, rel=1e-12)


FAULTS = {
    "watts and current": (SCHEDULE, 'rf.current = "50 A"', f'rf.current = "50 A"\n{WATTS}',
                          "position[3].rf.power", 'contradicts "current"', "one of them"),
    "current and field": (SCHEDULE, 'rf.current = "50 A"', 'rf.current = "50 A"\nrf.field = "5 kA/m"',
                          "position[3].rf.field", 'contradicts "current"', "one of them"),
    "current of the wrong kind": (SCHEDULE, '"50 A"', '"50 W"', "position[3].rf.current", "needs a current", "unit of a power"),
    "no current": (SCHEDULE, '"50 A"', '"0 A"', "position[3].rf.current", "must be above zero", ""),
    "coil not described": (MACHINE, "positions = [8, 9, 10]\nfrequency", "positions = [9, 10]\nfrequency", "position[3].rf.current",
                           'machine "RX16" does not describe the coil at position 8', "add [rf.coils.NAME]"),
    "part not described": (VALVE, ANODE, "", "position[3].rf.current", "does not say how any part lies in a coil",
                           "add [nodes.anode.in_coil]"),
    "beyond the coil": (SCHEDULE, '"50 A"', '"121 A"', "position[3].rf.current", "121 A are more than the 120 A", "lower it"),
    "beyond the power": (MACHINE, 'power_limit = "320 W"', 'power_limit = "45 W"', "position[3].rf.current",
                         "W, more than the 45 W of the coil", "at most 45.1 A"),
    "part wider than the coil": (VALVE, 'radius = "5 mm"', 'radius = "17 mm"', "position[3].rf.current", "anode is 34 mm wide",
                                 "correct the radius"),
    "geometry missing": (VALVE, 'wall = "0.13 mm"\n', "", "nodes.anode.in_coil.wall", "missing; needs a length", "add wall"),
    "wall beyond the radius": (VALVE, 'wall = "0.13 mm"', 'wall = "6 mm"', "nodes.anode.in_coil.wall", "thicker than the radius",
                               "for a rod give its radius"),
    "metal not tabled": (VALVE, 'material = "nickel"\nradius = "5 mm"', 'material = "mica"\nradius = "5 mm"',
                         "nodes.anode.in_coil.material", "no metal with a tabled resistivity", '"nickel"'),
    "magnetism of a metal without": (VALVE, 'material = "nickel"\nradius = "5 mm"',
                                     'material = "molybdenum"\nrelative_permeability = 50\nradius = "5 mm"',
                                     "nodes.anode.in_coil.relative_permeability", "molybdenum is not magnetic", "leave it out"),
    "coil without turns": (MACHINE, "turns = 4\n", "", "rf.coils.anode.turns", "missing; needs a plain number", "add turns"),
    "frequency without unit": (MACHINE, '"400 kHz"', '"400"', "rf.coils.anode.frequency", "no unit; needs a frequency", '"400 kHz"'),
    "coil where there is none": (MACHINE, "positions = [8, 9, 10]\nfrequency", "positions = [8, 9, 10, 11]\nfrequency",
                                 "rf.coils.anode.positions", "position 11 is not among the RF positions", "add it to rf.positions"),
    "two coils at one position": (MACHINE, "[ports]\n", COILS.replace("coils.anode", "coils.other") + "\n[ports]\n",
                                  "rf.coils.other.positions", 'position 8 has the coil "anode" already', "a position has one coil"),
    "unknown key of a coil": (MACHINE, "turns = 4", "turns = 4\nturn = 4", "rf.coils.anode.turn", "unknown key", '"turns"'),
    "mistyped current": (SCHEDULE, 'rf.current = "50 A"', f'{WATTS}\nrf.curent = "50 A"', "position[3].rf.curent", "unknown key",
                         'did you mean "current"?'),
    "humidity twice": (MACHINE, "air_humidity = 0.01 ", 'relative_humidity = "50 %"\nair_humidity = 0.01 ',
                       "room.relative_humidity", "contradicts air_humidity", "keep one"),
    "humidity of an arctic shop": (MACHINE, 'temperature = "20 degC"\nheat_transfer = "35 W/m2K"\nair_humidity = 0.01 ',
                                   'temperature = "-20 degC"\nheat_transfer = "35 W/m2K"\nrelative_humidity = "50 %" ',
                                   "room.relative_humidity", "between 0 and 60 degC", "air_humidity"),
    "rubber twice": (MACHINE, 'rubber_gas = "0 Pa L/s"', 'rubber_gas = "0 Pa L/s"\nrubber_area = "2 cm2"', "port.rubber_area",
                     "contradicts rubber_gas", "keep one"),
    "rubber shares": (MACHINE, 'rubber_gas = "0 Pa L/s"', 'rubber_gas = "1e-4 Pa L/s"\nrubber_gases = { H2O = 0.9 }',
                      "port.rubber_gases", "shares must add up to 1", "correct the shares"),
    "warm-up in degrees": (MACHINE, '"15 min"', '"15 degC"',
                           "warm_up.oven_time_constant", "needs a time", "unit of a temperature"),
}  # fmt: skip


@pytest.mark.named_fault
@pytest.mark.parametrize("case", FAULTS)
def test_one_slip_gives_one_fault_with_its_cure(coiled, case):
    file, old, new, key, need, cure = FAULTS[case]
    if case == "part not described":
        old = ANODE + "\n"
    change(coiled, file, old, new)
    with pytest.raises(DesignFault) as caught:
        load_schedule(coiled / SCHEDULE)
    (fault,) = caught.value.faults
    assert (Path(fault.file).name, fault.key) == (Path(file).name, key) or file != SCHEDULE and fault.key == key
    assert need in fault.need and cure in f"{fault.need} {fault.cure}"


def test_a_position_without_coil_is_told_once(coiled):
    change(coiled, SCHEDULE, 'number = 8\nrf.current', 'number = 7\nrf.current')
    with pytest.raises(DesignFault) as caught:
        load_schedule(coiled / SCHEDULE)
    (fault,) = caught.value.faults
    assert "position 7 has no RF coil" in fault.need


# ---- inputs of the shop --------------------------------------------------------------


def test_relative_humidity_becomes_a_mole_share(coiled):
    change(coiled, MACHINE, "air_humidity = 0.01 ", 'relative_humidity = "43.5 %" ')
    # 20 degC saturated: 2339 Pa of water by steam tables (recalled), 0.4 % for the formula.
    assert load_machine(coiled / MACHINE).air_humidity == pytest.approx(0.435 * 2339.0 / 101325.0, rel=5e-3)


def test_rubber_by_area_with_other_gases(coiled):
    change(coiled, MACHINE, 'rubber_gas = "0 Pa L/s"', 'rubber_area = "2 cm2"\nrubber_gases = { H2O = 0.8, N2 = 0.15, CO2 = 0.05 }')
    machine = load_machine(coiled / MACHINE)
    assert machine.rubber_gas == pytest.approx(2e-4 * published.value("outgassing.rubber.rate"), rel=1e-12)
    assert dict(machine.rubber_gases) == {"H2O": 0.8, "N2": 0.15, "CO2": 0.05}


def test_area_that_soaks_is_stated_or_that_of_the_rubber_or_the_usual_one(coiled):
    usual = published.value("outgassing.head_surfaces.area")
    for text, area in (("", usual), ('\nsoaking_area = "3 cm2"', 3e-4), ('\nrubber_area = "1 cm2"', 1e-4)):
        old = 'rubber_gas = "0 Pa L/s"'
        path = coiled / MACHINE
        stated = path.read_text(encoding="utf-8")
        path.write_text(stated.replace(old, old + text if "rubber" not in text else text.strip()), encoding="utf-8")
        assert load_machine(path).soaking_area == pytest.approx(area, rel=1e-12)
        path.write_text(stated, encoding="utf-8")
    change(coiled, MACHINE, 'rubber_gas = "0 Pa L/s"', 'rubber_area = "-1 cm2"')
    with pytest.raises(DesignFault) as caught:
        load_machine(coiled / MACHINE)
    assert [f.key for f in caught.value.faults] == ["port.rubber_area"]


def test_valve_and_machine_alone_are_read(coiled):
    assert sum(n.in_coil is not None for n in load_valve(coiled / VALVE).nodes) == 2
    assert load_machine(coiled / MACHINE).warm_up.oven_time_constant == 900.0


# ---- the run -------------------------------------------------------------------------


def test_exact_slopes_with_a_coil_current(schedule):
    """The Jacobian with the coil on less that with it off, against differences of the rates, on the flank of the Curie point too."""
    valve = number_valve(schedule.valve, schedule.machine)
    at, head = valve.tables.at, valve.tables
    phases = phases_of(schedule, valve)
    on = next(k for k in range(len(phases.controls)) if phases.controls[k, rates.C_COIL_SQUARE] > 0.0)
    c = phases.controls[on]
    assert (c[rates.C_COIL], c[rates.C_COIL_SQUARE]) == (0.0, 2500.0)
    wave = Waveform(np.array([0.0, 20.0]), np.full((2, rates.G), 0.1), np.zeros((2, rates.G)))
    work = np.zeros(jacobian.JACOBIAN_WORK)
    anode = valve.node_names.index("anode")
    for temperature in (300.0, 627.0, 634.0, 1100.0):
        y = valve.start.copy()
        y[at.bulb : at.bulb + rates.G] *= 1e-5
        y[anode] = temperature

        def rate(shift, y=y):
            z, out = y.copy(), np.zeros(at.size)
            z[anode] += shift
            rates.head_rates(1.0, z, head, c, wave, work, out)
            return out

        exact = stiff.new_jacobian(jacobian.head_shape(head))
        jacobian.head_jacobian(1.0, y, rate(0.0), head, c, wave, work, exact)
        h = 1e-2
        near = (8.0 * (rate(h) - rate(-h)) - (rate(2 * h) - rate(-2 * h)))[: at.nodes] / (12.0 * h)
        np.testing.assert_allclose(exact.core[: at.nodes, anode], near, rtol=2e-6, atol=1e-9)


def test_watts_of_the_run_are_the_law_at_its_temperatures(schedule, run):
    coil, anode = coil_and_anode(schedule)
    row = coil_heat(run)[0]
    samples = run.dwell_samples(8)
    for place, watts in ((samples[0], row.at_start), (samples[-1], row.at_end)):
        assert watts == pytest.approx(2500.0 * watts_per_square_ampere(coil, anode, run.node("anode")[place]), rel=1e-3)
    assert (row.position, row.coil, row.current, row.node) == (8, "anode", 50.0, "anode")
    assert row.greatest >= max(row.at_start, row.at_end) and row.at_start > 1.3 * row.at_end  # cold nickel is magnetic
    assert run.ledger.error < 1e-9
    assert [r.position for r in coil_heat(run)] == [8, 8]  # the positions in watts are not told


def test_heating_curve_against_another_integrator(schedule):
    """A bare anode in a bulb without gas: C dT/dt = I^2 w(T) - radiation, by scipy with the law itself, no table."""
    from altered import without_gas, without_heat

    cold = without_gas(without_heat(schedule))
    nodes = tuple(replace(n, in_coil=None) if n.name == "getter_holder" else n for n in cold.valve.nodes)
    alone = tuple(r for r in cold.valve.radiation if {r.first, r.second} == {"anode", "surroundings"})
    other = tuple(r for r in cold.valve.radiation if "anode" not in (r.first, r.second))
    leads = tuple(c for c in cold.valve.conduction if "anode" not in (c.first, c.second))
    valve = replace(cold.valve, nodes=nodes, radiation=(*alone, *other), conduction=leads, gas_conduction=())
    positions = tuple(replace(p, rf=RfSetting({}, 0.0, 10.8, 35.0)) if p.position == 8 else p for p in cold.positions)
    run = simulate(replace(cold, valve=valve, positions=positions, ageing=(), shelf_time=0.0), 1e-5)
    coil, load = coil_and_anode(schedule)
    anode = next(n for n in nodes if n.name == "anode")
    room = cold.machine.room_temperature

    def rate(t, y):
        capacity = anode.heat_capacity + anode.heat_capacity_slope * (y[0] - 300.0)
        lost = STEFAN_BOLTZMANN * sum(r.emissivity_area for r in alone) * (y[0] ** 4 - room**4)
        return [(35.0**2 * watts_per_square_ampere(coil, load, y[0]) - lost) / capacity]

    samples = run.dwell_samples(8)
    since = run.time[samples] - run.time[samples[0]]
    theirs = solve_ivp(rate, (0.0, 10.8), [room], t_eval=np.minimum(since, 10.8), rtol=1e-9, atol=1e-7).y[0]
    assert theirs[-1] > 650.0  # beyond the Curie point
    np.testing.assert_allclose(run.node("anode")[samples], theirs, atol=0.05)


def test_a_coil_that_is_off_changes_nothing(schedule, run):
    """Watts again at position 8: the very bits of the valve that knows no coil."""
    watts = RfSetting({"anode": 38.6, "grids": 0.772, "getter_holder": 0.15}, 0.0, schedule.dwell)
    positions = tuple(replace(p, rf=watts) if p.position == 8 else p for p in schedule.positions)
    described = simulate(replace(schedule, positions=positions))
    bare = replace(schedule.valve, nodes=tuple(replace(n, in_coil=None) for n in schedule.valve.nodes))
    plain = simulate(replace(schedule, positions=positions, valve=bare, machine=replace(schedule.machine, coils=())))
    np.testing.assert_array_equal(described.bulb_pressure, plain.bulb_pressure)
    np.testing.assert_array_equal(described.temperature, plain.temperature)
    assert described.outcome == plain.outcome


def test_rubber_of_several_gases_in_the_ledger(schedule):
    """1e-5 Pa L/s as long as the head is on, nine parts water to one of CO2."""
    small = tiny(schedule)
    run = simulate(small, TOLERANCE)
    assert run.ledger.error < 1e-9
    rubber = run.ledger.admitted["head rubber"]
    on_machine = small.index_time * 4 - small.machine.transfer_time
    assert rubber.sum() == pytest.approx(small.machine.rubber_gas * on_machine, rel=1e-9)
    np.testing.assert_allclose(rubber / rubber.sum(), [0, 0, 0, 0.9, 0, 0, 0, 0, 0.1], atol=1e-12)


def test_damp_air_brings_its_water_by_gulp_and_leak(schedule):
    small = tiny(schedule)
    runs = [simulate(replace(small, machine=replace(small.machine, air_humidity=h)), TOLERANCE) for h in (0.0, 0.02)]
    for run, share in zip(runs, (0.0, 0.02), strict=True):
        # Through the leak of the bulb water goes out again as well, so that account is no mixture.
        for air in (run.ledger.initial, run.ledger.admitted["port plate in-leak"]):
            assert air[3] / air.sum() == pytest.approx(share, abs=1e-12)


# ---- stations ------------------------------------------------------------------------


def test_station_finds_the_current_and_proves_it(schedule):
    found = watts_to_reach(schedule, "anode", 1173.15, 8)
    coil, anode = coil_and_anode(schedule)
    setting = found.schedule.positions[7].rf
    assert setting.power == {} and setting.current == found.current
    assert found.watts == pytest.approx(found.current**2 * watts_per_square_ampere(coil, anode, 1173.15), rel=1e-12)
    run = simulate(found.schedule)
    assert run.node("anode")[run.dwell_samples(8)[-1]] == pytest.approx(1173.15, abs=0.6)
    assert found.absorbed == pytest.approx(coil_heat(run)[0].heat, rel=1e-12)
    assert found.absorbed != pytest.approx(found.watts * found.seconds, rel=0.02)  # the watts change on the way
    assert f"{found.current:.1f} A for 10.8 s" in found.sentence and found.to_json()["current_a"] == found.current


def test_station_finds_the_seconds_of_a_current(schedule):
    hotter = replace(schedule, positions=tuple(
        replace(p, rf=replace(p.rf, current=70.0)) if p.position == 8 else p for p in schedule.positions))  # fmt: skip
    found = seconds_to_reach(hotter, "anode", 1173.15, 8)
    assert found.current == pytest.approx(70.0, rel=1e-12)
    assert found.seconds < 10.8
    assert "for 70.0 A" in found.sentence


def test_station_in_watts_tells_the_current_beside(schedule):
    found = watts_to_reach(schedule, "anode", 1173.15, 10)
    coil, anode = coil_and_anode(schedule)
    assert found.heat is None and set(found.schedule.positions[9].rf.power) == {"anode", "grids", "getter_holder"}
    assert found.current**2 * watts_per_square_ampere(coil, anode, 1173.15) == pytest.approx(found.watts, rel=1e-12)
    assert f"by {found.current:.1f} A in the coil" in found.sentence


def test_station_without_a_coil_tells_no_current(schedules):
    found = watts_to_reach(schedules["standard"], "anode", 1173.15, 8)
    assert found.current is None and "current_a" not in found.to_json() and " A " not in found.sentence


def test_station_says_no(schedule):
    with pytest.raises(StationFault, match="does not say how mica lies in it"):
        watts_to_reach(schedule, "mica", 500.0, 8)
    with pytest.raises(StationFault, match="A that the coil may carry bring it to"):
        watts_to_reach(schedule, "anode", 1600.0, 8, seconds=1.0)
    with pytest.raises(StationFault, match="A are more than the .* A that the coil may carry"):
        seconds_to_reach(schedule, "anode", 1173.15, 8, watts=5000.0)
    (_, no) = answers(schedule, read_reach("anode=1000degC@8"))
    assert "with 50 A" in str(no)


# ---- command -------------------------------------------------------------------------


def test_run_tells_what_the_parts_take(coiled, capsys):
    assert cli.main(["run", str(coiled / SCHEDULE)]) == 0
    text = capsys.readouterr().out
    assert 'RF by coil\n  position 8, coil "anode", 50.0 A' in text
    assert cli.main(["run", str(coiled / SCHEDULE), "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["coils"]
    assert [row["part"] for row in rows] == ["anode", "getter_holder"]


def test_watts_are_told_no_coils(capsys):
    assert cli.main(["run", str(DEMO / SCHEDULE), "--json"]) == 0
    assert "coils" not in json.loads(capsys.readouterr().out)


# ---- own metals ----------------------------------------------------------------------


def test_a_metal_of_the_users_own_heats_by_its_own_curve(coiled):
    rows = [("density", "8.4 g/cm3"), ("resistivity_20C", "50e-8 ohm m"), ("resistivity_650C", "80e-8 ohm m")]
    text = "".join(
        f'[materials.house_alloy.{name}]\nvalue = "{value}"\nstanding = "published"\nsource = "our laboratory, sheet 4"\n\n' for name, value in rows
    )
    (coiled / "schedules/own.toml").write_text(text, encoding="utf-8")
    change(coiled, VALVE, 'material = "nickel"\nradius = "5 mm"', 'material = "house_alloy"\nradius = "5 mm"')
    for file in (VALVE, SCHEDULE):
        path = coiled / file
        own = "../schedules/own.toml" if file == VALVE else "own.toml"
        path.write_text(f'data = ["{own}"]\n' + path.read_text(encoding="utf-8"), encoding="utf-8")
    _, anode = coil_and_anode(load_schedule(coiled / SCHEDULE))
    assert anode.resistivity == ((293.15, pytest.approx(50e-8)), (923.15, pytest.approx(80e-8)))
    assert (anode.permeability, anode.curie_temperature) == (1.0, 0.0)
