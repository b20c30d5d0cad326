"""A machine file to a `RotaryMachine`: heads, port plate, pumping lines, oven, coils.

`[ports]` says which positions open to which line; a position that is not listed is blanked.  A line has
one pump of its own; pumps of several lines may share what stands behind them.  The pumps themselves
are read in `exhaustsim.plant.readpumps`.
"""

from __future__ import annotations

import math
from dataclasses import fields

from exhaustsim.constants import ATMOSPHERE
from exhaustsim.physics.shop import saturation_pressure_water
from exhaustsim.plant.coil import Coil
from exhaustsim.plant.entries import Entries
from exhaustsim.plant.faults import nearest, quoted
from exhaustsim.plant.machine import ConnectedPower, PumpingLine, RotaryMachine, WarmUp
from exhaustsim.plant.readpumps import PumpReader

WATER_RANGE = (273.15, 333.15)  # K, room temperatures for which a relative humidity is taken
MOST_POSITIONS = 1000  # far beyond any machine; more is a slip of the keyboard


def read_machine(entries: Entries) -> RotaryMachine:
    """The machine in `entries`; faults are recorded there."""
    positions = entries.whole_number("positions")
    if positions is not None and not 1 <= positions <= MOST_POSITIONS:
        entries.fault("positions", f"must be from 1 to {MOST_POSITIONS}", "give the number of positions, such as 16")
        positions = None
    port = entries.sub("port")
    rubber_gas, soaking_area = _rubber(port)
    oven = entries.sub("oven")
    room = entries.sub("room")
    coils = entries.sub("rf", required=False)
    lines = _lines(entries)
    room_temperature = room.quantity("temperature", "temperature", above=0.0)
    rf_positions = _positions(coils, "positions", positions, default=())
    machine = RotaryMachine(
        name=entries.text("name"),
        description=entries.text("description", default=""),
        source=entries.file,
        positions=positions or 0,
        transfer_time=entries.quantity("transfer_time", "time", at_least=0.0),
        head_volume=entries.quantity("head_volume", "volume", above=0.0),
        port_bore=port.quantity("bore", "length", above=0.0),
        port_length=port.quantity("length", "length", above=0.0),
        blanked_leak_share=port.share("blanked_leak_share"),
        rubber_gas=rubber_gas,
        oven_positions=_positions(oven, "positions", positions),
        oven_heat_transfer=oven.quantity("heat_transfer", "heat_transfer", above=0.0),
        room_heat_transfer=room.quantity("heat_transfer", "heat_transfer", above=0.0),
        room_temperature=room_temperature,
        lines=lines,
        line_of_position=_ports(entries, [line.name for line in lines], positions),
        rf_positions=rf_positions,
        rf_power_limit=coils.quantity("power_limit", "power", above=0.0) if coils.table else 0.0,
        air_humidity=_air_humidity(room, room_temperature),
        coils=_coils(coils, rf_positions),
        rubber_gases=port.gas_shares("rubber_gases", default=(("H2O", 1.0),)),
        warm_up=_warm_up(entries.sub("warm_up")) if "warm_up" in entries else None,
        soaking_area=soaking_area,
        connected_power=_connected_power(entries.sub("connected_power", required=False)),
    )
    for table in (port, oven, room, coils, entries):
        table.finish()
    return machine


def _rubber(port: Entries) -> tuple[float, float]:
    """Gas of the head rubber [mol/s], as stated or by its area that looks into the vacuum; and the area that takes up gas
    while a head stands open [m^2], as stated, or that of the rubber, or the usual one."""
    stated = port.quantity("rubber_gas", "throughput", default=0.0, at_least=0.0)
    area = port.quantity("rubber_area", "area", default=0.0, at_least=0.0)
    if "rubber_gas" in port and "rubber_area" in port:
        port.fault("rubber_area", "contradicts rubber_gas", "keep one: the gas as measured, or the area for a reckoned one")
    gas = stated + area * port.tables.value("outgassing.rubber.rate") if area else stated
    soaking = port.quantity("soaking_area", "area", from_data="outgassing.head_surfaces.area", at_least=0.0)
    return gas, area if "rubber_area" in port and "soaking_area" not in port else soaking


def _air_humidity(room: Entries, temperature: float) -> float:
    """Mole share of water vapour in the room air: as stated, or by relative humidity."""
    stated = room.share("air_humidity", default=0.0)
    if "relative_humidity" not in room:
        return stated
    relative = room.share("relative_humidity")
    if "air_humidity" in room:
        room.fault("relative_humidity", "contradicts air_humidity", "keep one: the mole share, or the relative humidity")
    if not WATER_RANGE[0] <= temperature <= WATER_RANGE[1]:
        if math.isfinite(temperature):
            room.fault("relative_humidity", "needs a room between 0 and 60 degC", "give air_humidity, a mole share, instead")
        return 0.0
    saturated, _ = saturation_pressure_water(temperature)
    return relative * saturated / ATMOSPHERE


def _coils(rf: Entries, rf_positions: tuple[int, ...]) -> tuple[Coil, ...]:
    """The coils under `[rf.coils.NAME]`."""
    if "coils" not in rf:
        return ()
    found = []
    owner: dict[int, str] = {}
    for name, entry in rf.named("coils").items():
        coil = Coil(
            name=name,
            positions=entry.whole_numbers("positions"),
            frequency=entry.quantity("frequency", "frequency", above=0.0),
            turns=entry.quantity("turns", "number", above=0.0),
            length=entry.quantity("length", "length", above=0.0),
            diameter=entry.quantity("diameter", "length", above=0.0),
            middle=entry.quantity("middle", "length", default=0.0),
            current_limit=entry.quantity("current_limit", "current", default=math.inf, above=0.0),
        )
        stray = [p for p in coil.positions if p not in rf_positions]
        if stray and rf_positions:
            entry.fault("positions", f"position {stray[0]} is not among the RF positions", "add it to rf.positions, or take it out")
        taken = [p for p in coil.positions if owner.setdefault(p, name) != name]
        if taken:
            entry.fault("positions", f'position {taken[0]} has the coil "{owner[taken[0]]}" already', "a position has one coil")
        entry.finish()
        found.append(coil)
    return tuple(found)


def _warm_up(entries: Entries) -> WarmUp:
    warm_up = WarmUp(
        oven_time_constant=entries.quantity("oven_time_constant", "time", from_data="warm_up.oven_time_constant", above=0.0),
        pump_ready_time=entries.quantity("pump_ready_time", "time", from_data="warm_up.pump_ready_time", above=0.0),
    )
    entries.finish()
    return warm_up


def _connected_power(entries: Entries) -> ConnectedPower:
    """Mean watts drawn from the mains by what the file names; the rest is reckoned where it is asked for."""
    stated = ConnectedPower(**{
        f.name: entries.quantity(f.name, "power", at_least=0.0) if f.name in entries else None for f in fields(ConnectedPower)
    })  # fmt: skip
    entries.finish()
    return stated


def _positions(entries: Entries, key: str, count: int | None, **default) -> tuple[int, ...]:
    """Positions in a list, each once and none beyond the machine."""
    found = entries.whole_numbers(key, **default)
    for position in found:
        _check_position(entries, key, position, count)
    twice = sorted({p for p in found if found.count(p) > 1})
    if twice:
        entries.fault(key, f"position {twice[0]} stands there twice", "name each position once")
    return found


def _check_position(entries: Entries, key: str, position: int, count: int | None) -> None:
    if position < 1:
        entries.fault(key, f"there is no position {position}", "positions count from 1")
    elif count is not None and position > count:
        entries.fault(key, f"there is no position {position}", f"the machine has {count} positions")


def _ports(entries: Entries, line_names: list[str], count: int | None) -> dict[int, str]:
    ports = entries.sub("ports")
    line_of_position: dict[int, str] = {}
    for line in ports.table:
        if line not in line_names:
            ports.asked(line)
            ports.fault(line, "no line of that name", nearest(line, line_names))
            continue
        for position in _positions(ports, line, count):
            if line_of_position.setdefault(position, line) != line:
                ports.fault(line, f'position {position} is already open to line "{line_of_position[position]}"',
                            "a port opens to one line only")
    for line in line_names:
        if line not in ports.table:
            ports.fault(line, "no position opens to this line", f"add {line} = [...] to [ports], or take the line out")
    return dict(sorted(line_of_position.items()))


def _lines(entries: Entries) -> tuple[PumpingLine, ...]:
    pumps = PumpReader(entries)
    lines = []
    for name, line in entries.named("lines").items():
        pump = None
        if "pump" not in line:
            line.asked("pump")
            line.fault("pump", "nobody pumps this line", f"name one of the pumps {quoted(pumps.pumps)}")
        else:
            pump = pumps.pump_of(line)
        lines.append(
            PumpingLine(
                name=name,
                pump=pump,
                manifold_volume=line.quantity("manifold_volume", "volume", above=0.0),
                in_leak_per_port=line.quantity("in_leak_per_port", "throughput", at_least=0.0),
                trapped=line.yes_no("trapped", default=True),
            )
        )
        line.finish()
    pumps.finish()
    return tuple(lines)
