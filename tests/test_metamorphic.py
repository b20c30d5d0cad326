"""The whole simulator against itself: what must not change the answer does not.

No reference is needed for that, and a fault that all the other tests share would still show here.  Where the same sums
are done in another order the answers agree to the rounding that the step sizes let through; where the steps fall elsewhere
they agree to the tolerance of a step, so those runs are made at a small one.  The figure in each test is what was measured
with room of ten to fifty.  That the time origin may be shifted is shown in `engine/test_exact_courses.py`.

The other witnesses of the whole simulation, and what each is independent of:

    engine/test_chambers.py       two chambers by their two eigenvalues, a manifold with its pump   closed forms
    engine/test_exact_courses.py  cooling by radiation, a sheet whose temperature falls, a film that
                                  fills, water after a long time with and without readsorption       closed forms
    engine/test_witness.py        one valve, years sealed included                                   general-purpose stiff solvers
    engine/test_turret.py         heads and lines of a machine as one system                         general-purpose stiff solver
    engine/test_pumping.py        pumping groups, a shared backing line                              general-purpose stiff solver
    engine/test_plain_rates.py    every rate                                                         a second writing of the equations
    engine/test_jacobian.py       every derivative                                                   differences
    engine/test_stiff.py          the stepper is of order five, its error estimate of order four     halved steps
    engine/test_uncompiled.py     compiled code                                                      the same code uncompiled
    laws/test_transmission.py     traced molecules                                                   the integral equation
"""

import re
import shutil
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from altered import parts_with, with_wide_pumps, without_leaks
from tiny import tiny

from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.units import KINDS

DEMO = Path(__file__).parents[1] / "demo_data"
FINE = 1e-5
HISTORIES = ("bulb_pressure", "head_pressure", "temperature", "converted_fraction", "barium_evaporated", "sorbed", "port_flow")


@pytest.fixture(scope="module")
def schedule(schedules):
    return tiny(schedules["standard"])


@pytest.fixture(scope="module")
def run(schedule):
    return simulate(schedule, 1e-3)


@pytest.fixture(scope="module")
def fine_run(schedule):
    """Where steps fall elsewhere in the run to be compared."""
    return simulate(schedule, FINE)


def worst(here, there, names=HISTORIES, at=slice(None), there_at=slice(None)):
    """Greatest difference over the largest value of each column, or over a millionth of the largest of all columns.

    At one sample a gas may be nothing but the absolute tolerance of the stepper, hence the millionth.
    """
    found = {}
    for name in names:
        a, b = np.nan_to_num(getattr(here, name)[at]), np.nan_to_num(getattr(there, name)[there_at])
        scale = np.max(np.abs(b), axis=0)
        found[name] = float(np.max(np.abs(a - b) / np.maximum(scale, 1e-6 * np.max(scale) + 1e-300)))
    print({name: f"{value:.1e}" for name, value in found.items()})
    return max(found.values())


# ---- other units in the files -----------------------------------------------------------------------------------------


def other_unit(text: str) -> str:
    """The same value in another unit of every kind that its unit belongs to; as it stands where there is none."""
    number, unit = text.split(" ", 1)
    if unit == "degC":
        return f"{float(number) + 273.15!r} K"
    kinds = [kind.units for kind in KINDS.values() if unit in kind.units]
    if not kinds:
        return text
    for new in sorted(set.intersection(*map(set, kinds)) - {unit, "degC"}):
        ratios = {units[unit] / units[new] for units in kinds}
        if len(ratios) == 1:
            return f"{float(number) * ratios.pop()!r} {new}"
    return text


def numbers_of(record):
    """Every number in a record of records, in order."""
    if isinstance(record, bool) or record is None or isinstance(record, str):
        return
    if isinstance(record, (int, float)):
        yield float(record)
    elif is_dataclass(record):
        for one in fields(record):
            yield from numbers_of(getattr(record, one.name))
    elif isinstance(record, dict):
        for value in record.values():
            yield from numbers_of(value)
    elif isinstance(record, (tuple, list)):
        for value in record:
            yield from numbers_of(value)


@pytest.fixture(scope="module")
def in_other_units(tmp_path_factory):
    """The demo files with every value in another unit, and how many were changed."""
    folder = tmp_path_factory.mktemp("units") / "demo_data"
    shutil.copytree(DEMO, folder)
    changed = 0
    for path in (folder / "schedules" / "dt1_standard.toml", folder / "valves" / "dt1.toml", folder / "machines" / "rx16.toml"):
        text = path.read_text(encoding="utf-8")
        new, count = re.subn(r'"([-+]?[0-9.]+(?:e[-+]?[0-9]+)? [^"\n]+)"', lambda found: f'"{other_unit(found[1])}"', text)
        changed += sum(a != b for a, b in zip(text.splitlines(), new.splitlines(), strict=True))
        path.write_text(new, encoding="utf-8")
    return load_schedule(folder / "schedules" / "dt1_standard.toml"), changed


def test_units_of_the_files_do_not_matter(schedules, in_other_units, run):
    """The numbers read agree to a few last digits, the run to the rounding that step sizes let through."""
    loaded, changed = in_other_units
    assert changed > 100
    here, there = np.array(list(numbers_of(loaded))), np.array(list(numbers_of(schedules["standard"])))
    assert here == pytest.approx(there, rel=2e-15)
    assert not np.array_equal(here, there), "nothing was changed"
    assert worst(simulate(tiny(loaded), 1e-3), run) < 1e-8


# ---- parts ------------------------------------------------------------------------------------------------------------


def half_of(part, name):
    def halved(gas):
        changes = {key: 0.5 * getattr(gas, key) for key in ("amount", "area", "rate_at_one_hour") if hasattr(gas, key)}
        return replace(gas, **changes)

    return replace(
        part, name=name, mass=0.5 * part.mass, area=0.5 * part.area,
        surface_gases=tuple(map(halved, part.surface_gases)), diffusing_gases=tuple(map(halved, part.diffusing_gases)),
        first_order_gases=tuple(map(halved, part.first_order_gases)), empirical_gases=tuple(map(halved, part.empirical_gases)),
    )  # fmt: skip


def test_a_part_in_two_halves_is_the_part(schedule, fine_run):
    """Gas by every law: bound to the surface, dissolved, bound in the body, fitted.

    There are more states than before, so the mean error that sets the step is another and the steps fall elsewhere.
    """
    halves = parts_with(schedule, lambda part: [half_of(part, part.name), half_of(part, f"{part.name} again")])
    assert len(halves.valve.parts) == 2 * len(schedule.valve.parts) > 2
    assert worst(simulate(halves, FINE), fine_run) < 2e-5


def test_the_order_of_parts_and_links_does_not_matter(schedule, run):
    valve = schedule.valve
    turned = replace(
        valve, parts=valve.parts[::-1], radiation=valve.radiation[::-1], conduction=valve.conduction[::-1],
        gas_conduction=valve.gas_conduction[::-1],
    )  # fmt: skip
    assert worst(simulate(replace(schedule, valve=turned), 1e-3), run) < 1e-8


# ---- positions and time -----------------------------------------------------------------------------------------------


def split_in_two(schedule):
    """Every position as two of half the time each; transfers take no time, so nothing is shut in between."""
    half = 0.5 * schedule.index_time
    positions = []
    for setting in schedule.positions:
        first, second = 2 * setting.position - 1, 2 * setting.position
        rf = setting.rf
        early = late = None
        if rf is not None:
            end = rf.start + rf.duration
            if rf.start < half:
                early = replace(rf, duration=min(end, half) - rf.start)
            if end > half:
                late = replace(rf, start=max(rf.start - half, 0.0), duration=end - max(rf.start, half))
        begins = setting.action == "load"  # tip-off ends its dwell
        positions += [
            replace(setting, position=first, action=setting.action if begins else "", rf=early),
            replace(setting, position=second, action="" if begins else setting.action, rf=late),
        ]
    machine = schedule.machine
    twice = {name: tuple(q for p in getattr(machine, name) for q in (2 * p - 1, 2 * p)) for name in ("oven_positions", "rf_positions")}
    coils = tuple(replace(coil, positions=tuple(q for p in coil.positions for q in (2 * p - 1, 2 * p))) for coil in machine.coils)
    machine = replace(machine, positions=2 * machine.positions, coils=coils, **twice)
    return line_for_each(replace(schedule, machine=machine, positions=tuple(positions), index_time=half))


def line_for_each(schedule):
    """Every position a line and a pump of its own, so that a valve is alone on each."""
    machine = schedule.machine
    lines = tuple(replace(machine.lines[0], name=f"L{p}") for p in range(1, machine.positions + 1))
    return replace(schedule, machine=replace(machine, lines=lines, line_of_position={p: f"L{p}" for p in range(1, machine.positions + 1)}))


@pytest.fixture(scope="module")
def without_transfer(schedule):
    """A line with a wide pump for each position, so that other valves are not felt, and a tip-off that is over in half a dwell."""
    wide = line_for_each(without_leaks(with_wide_pumps(schedule, 1e-6)))
    stem = replace(wide.valve.exhaust_stem, sealing_time=0.4)
    return replace(wide, valve=replace(wide.valve, exhaust_stem=stem), machine=replace(wide.machine, transfer_time=0.0))


def test_a_position_in_two_halves_is_the_position(without_transfer):
    whole, halved = (simulate(one, FINE) for one in (without_transfer, split_in_two(without_transfer)))
    names = ("bulb_pressure", "temperature", "converted_fraction", "barium_evaporated", "sorbed")
    for position in (1, 2, 3, 4):
        at, there_at = [halved.end_of(2 * position)], [whole.end_of(position)]
        assert worst(halved, whole, names, at, there_at) < 1e-5, position
    assert worst(halved, whole, names, [-1], [-1]) < 1e-5


def test_an_ageing_step_in_two_halves_is_the_step(schedule, fine_run):
    (step,) = schedule.ageing
    half = replace(step, duration=0.5 * step.duration)
    halved = simulate(replace(schedule, ageing=(half, half)), FINE)
    assert worst(halved, fine_run, ("bulb_pressure", "temperature", "activation", "sorbed"), [-1], [-1]) < 2e-6
