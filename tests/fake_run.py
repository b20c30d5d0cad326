"""A made-up `Run` for tests of what is done with runs, without simulating anything.

`fake_run()` is a good valve on the standard demo schedule: its histories are drawn by hand so
that every target is met and no flag is raised.  Tests change one thing with `with_values` and
look at what follows.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from exhaustsim.constants import AR, CH4, CO2, GAS_COUNT, GAS_NAMES, H2, H2O, HE, N2, ZERO_CELSIUS
from exhaustsim.engine.ledger import GasLedger
from exhaustsim.engine.result import LineWaveform, Outcome, Run, Source
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.machine import DiffusionPump, chain_of
from exhaustsim.units import PASCAL_LITRE

DEMO = Path(__file__).parent.parent / "demo_data" / "schedules"
STANDING_TIME = 300.0
NODES = ("cathode_sleeve", "grids", "anode", "getter_holder", "mica", "bulb_wall", "hot_spot", "foot")
SOURCES = (
    Source("bulb_glass", "surface H2O", (("H2O", 1.0),)),
    Source("coating", "carbonate", (("CO2", 1.0),)),
    Source("coating", "binder", (("CO", 0.4), ("CO2", 0.3), ("H2O", 0.2), ("H2", 0.1))),
)


def standard_schedule():
    return load_schedule(DEMO / "dt1_standard.toml")


def with_values(run: Run, **changes) -> Run:
    """`run` with some of its arrays (or other fields) replaced."""
    return replace(run, **changes)


def fake_run(schedule=None) -> Run:
    schedule = schedule or standard_schedule()
    time, position, stage, step = _samples(schedule)
    count = len(time)
    converted = np.interp(time, *_converted_points(schedule))
    pressure = _bulb_pressure(schedule, time, position, stage)
    line = np.full((count, GAS_COUNT), np.nan)
    line[stage == 0] = 0.5 * pressure[stage == 0]
    flashed = np.interp(time, *_flash_points(schedule))
    carbonate = schedule.valve.coating.carbonate
    held = np.column_stack([
        np.full(count, 1.2 * PASCAL_LITRE),
        carbonate * (1.0 - converted),
        np.where(position >= 9, 0.0, 0.09 * PASCAL_LITRE) * (stage < 2),
    ])  # fmt: skip
    sorbed = np.zeros((count, GAS_COUNT))
    sorbed[stage >= 2, H2O] = 0.01 * PASCAL_LITRE
    return Run(
        schedule=schedule,
        outcome=Outcome(True, "The run reached its end.", 2000, 3, 18000, 5, 4e-4),
        ledger=_ledger(),
        time=time,
        position=position,
        stage=stage,
        step=step,
        port_open=stage == 0,
        bulb_pressure=pressure,
        head_pressure=pressure.copy(),
        line_pressure=line,
        node_names=NODES,
        temperature=_temperature(schedule, time, position, stage),
        converted_fraction=converted,
        activation=np.where(stage >= 3, 1.0, 0.0),
        sources=SOURCES,
        held=held,
        evolution=np.zeros((count, len(SOURCES))),
        sorbed=sorbed,
        barium_evaporated=0.7 * schedule.valve.getter.barium * flashed,
        barium_spent=np.where(stage >= 3, 0.05, 0.0),
        sorption_speed=np.zeros((count, GAS_COUNT)),
        oxygen_exposure=np.where(position >= 13, 0.1, 0.0),
        oxidant_exposure=np.where(position >= 13, 5.0, 0.0),
        nickel_exposure=np.where(position >= 11, 900.0, 0.0),
        port_flow=np.zeros((count, GAS_COUNT)),
        lines=_lines(schedule),
        tolerance=1e-3,
    )


def _samples(schedule):
    """Time, position, stage and ageing step of every sample."""
    transfer, dwell = schedule.machine.transfer_time, schedule.dwell
    pieces = []
    clock = 0.0

    def add(duration, position, stage, step=0, count=41):
        nonlocal clock
        pieces.append([np.linspace(clock, clock + duration, count), position, stage, step])
        clock += duration

    for setting in schedule.positions:
        if setting.position > 1:
            add(transfer, setting.position, 1)
        add(dwell, setting.position, 0, count=121)
    add(STANDING_TIME, 0, 2, count=301)
    for number, ageing in enumerate(schedule.ageing, start=1):
        add(ageing.duration, 0, 3, number, count=201)
    add(schedule.shelf_time, 0, 4)
    time = np.concatenate([p[0] for p in pieces])
    columns = [np.concatenate([np.full(len(p[0]), p[k]) for p in pieces]) for k in (1, 2, 3)]
    return time, *columns


def opening_time(schedule, position: int) -> float:
    """Time at which the port opens at `position` [s]."""
    return (position - 1) * schedule.index_time


def _converted_points(schedule):
    """Breakdown from position 10 to the middle of 12, as points of time and converted fraction."""
    start, end = opening_time(schedule, 10), opening_time(schedule, 12)
    return [0.0, start, end], [0.0, 0.0, 1.0]


def _flash_points(schedule):
    flash = schedule.position_of("flash")
    start = opening_time(schedule, flash) + schedule.positions[flash - 1].rf.start
    return [0.0, start + 1.0, start + 5.0], [0.0, 0.0, 1.0]


def _bulb_pressure(schedule, time, position, stage):
    pressure = np.zeros((len(time), GAS_COUNT))
    by_position = {1: (2.0, N2), 2: (0.7, H2O), 8: (1.8, H2), 9: (2.0, CO2), 10: (45.0, CO2), 11: (60.0, CO2), 12: (5.0, CO2)}
    for p in range(1, 17):
        level, gas = by_position.get(p, (2.0, H2O) if p < 9 else (0.01, H2O))
        dwelling, moving = (position == p) & (stage == 0), (position == p) & (stage == 1)
        since = time[dwelling] - time[dwelling][0]
        pressure[dwelling, gas] = level * (1.0 + np.exp(-since / 0.27))
        pressure[moving, gas] = level * 3.0
    first = (position == 1) & (stage == 0)
    pressure[first, N2] += 1e5 * np.exp(-time[first] / 0.1)
    pressure[(position >= 13) & (stage < 2), N2] = 2e-3
    pressure[:, AR] = 5e-5 * ((position >= 13) | (stage >= 2))
    standing = stage == 2
    since = time[standing] - time[standing][0]
    pressure[standing, H2O] = 1.0 * np.exp(-since / 1.0)
    pressure[stage >= 2, CH4] = 3e-5
    pressure[stage == 3, H2] = 4e-5
    pressure[stage == 4, HE] = 5e-6
    return pressure


def _temperature(schedule, time, position, stage):
    kelvin = np.full((len(time), len(NODES)), 20.0 + ZERO_CELSIUS)
    node = NODES.index

    def draw(name, points):
        """Straight lines between (position at whose opening, degC)."""
        at = [opening_time(schedule, p) for p, _ in points]
        kelvin[:, node(name)] = np.interp(time, at, [c + ZERO_CELSIUS for _, c in points])

    draw("bulb_wall", [(1, 20), (3, 20), (8, 380), (11, 200), (16, 60)])
    draw("hot_spot", [(1, 20), (3, 20), (8, 380), (9, 430), (12, 200), (16, 60)])
    draw("foot", [(1, 20), (3, 20), (8, 210), (16, 60)])
    draw("mica", [(1, 20), (8, 380), (9, 450), (12, 300), (16, 80)])
    draw("anode", [(1, 20), (8, 380), (9, 880), (11, 900), (12, 500), (16, 100)])
    draw("grids", [(1, 20), (8, 380), (10, 700), (12, 500), (16, 100)])
    draw("cathode_sleeve", [(1, 20), (8, 300), (9, 400), (10, 650), (12, 1080), (13, 1100), (14, 60), (16, 50)])
    flash = schedule.position_of("flash")
    draw("getter_holder", [(1, 20), (8, 300), (10, 340), (flash, 200), (flash + 0.5, 1100), (flash + 1, 300), (16, 100)])
    for name, celsius in (("cathode_sleeve", 827.0), ("anode", 327.0), ("foot", 127.0)):
        kelvin[stage == 3, node(name)] = celsius + ZERO_CELSIUS
    return kelvin


def _lines(schedule):
    waves = []
    for line in schedule.machine.lines:
        diffusion = isinstance(line.pump, DiffusionPump)
        time = np.linspace(0.0, schedule.index_time, 30)
        pressure = np.zeros((30, GAS_COUNT))
        pressure[:, H2O] = 2e-3 if diffusion else 1.0
        backing = np.full(30, 4.0 if diffusion else np.nan)
        chain = np.zeros((30, len(chain_of(line.pump)), GAS_COUNT))
        chain[:, 0] = pressure
        if diffusion:
            chain[:, 1, N2] = 4.0
        waves.append(
            LineWaveform(line.name, time, pressure, np.zeros((30, GAS_COUNT)), backing, np.ones(30), 0.0, chain, np.zeros_like(chain))
        )
    return tuple(waves)


def _ledger():
    """A ledger that closes: what comes in is what was pumped and sorbed."""
    gas = np.zeros(GAS_COUNT)
    co2 = gas.copy()
    co2[GAS_NAMES.index("CO2")] = 43.0 * PASCAL_LITRE
    return GasLedger(
        initial=gas, admitted={"port plate in-leak": gas}, released={"coating: carbonate": co2}, formed={}, pumped={"F2": co2},
        sorbed=gas, consumed={}, in_bulb=gas, in_head=gas, held={"coating: carbonate": gas}, inventory=co2,
        element_inventory=np.ones(6), element_residual=np.zeros(6),
    )  # fmt: skip
