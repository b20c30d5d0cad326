"""The pumps of a machine file: `[pumps.NAME]` and `[backing_lines.NAME]` to records.

Pumps are named and stand apart from the lines, because that is how they stand in the basement.  A pump that
needs another one behind it names that pump with the volume between them (`backing_pump`,
`backing_volume`), or a backing line that it shares with others (`backing`).
"""

from __future__ import annotations

import math

from exhaustsim.constants import GAS_NAMES
from exhaustsim.data.published import Tables
from exhaustsim.physics.pumps import turbomolecular_compression
from exhaustsim.plant.entries import Entries
from exhaustsim.plant.faults import nearest, quoted
from exhaustsim.plant.machine import (
    BoosterPump, DiffusionPump, Pump, RotaryPump, TablePump, TurbomolecularPump,
)  # fmt: skip

KINDS = ("rotary", "booster", "diffusion", "turbomolecular", "table")
BACKING_KEYS = ("backing_pump", "backing_volume")


class PumpReader:
    """All pumps and backing lines of one machine file, read as lines ask for them."""

    def __init__(self, entries: Entries):
        self.pumps = entries.named("pumps")
        self.backing_lines = entries.named("backing_lines") if "backing_lines" in entries else {}
        self._user_of_pump: dict[str, str] = {}
        self._shared: dict[str, tuple[float, Pump | None]] = {}
        self._being_read: list[str] = []

    def pump_of(self, owner: Entries, key: str = "pump") -> Pump | None:
        """The pump that `owner` names under `key`; None after a fault."""
        name = owner.word(key, self.pumps, "pump")
        if not name:
            return None
        if name in self._user_of_pump:
            owner.fault(key, f"this pump already serves {self._user_of_pump[name]}",
                        "give each line a pump of its own, or let pumps share a backing line")
            return None
        self._user_of_pump[name] = owner.place
        return self._read(self.pumps[name])

    def finish(self) -> None:
        """Report pumps and backing lines that nothing uses."""
        for name, line in self.backing_lines.items():
            if name not in self._shared:
                line.fault("", "no pump names this backing line", f'write backing = "{name}" under the pumps in front, or take it out')
                self._shared_line(name)
        for name, pump in self.pumps.items():
            if name not in self._user_of_pump:
                pump.fault("", "no line and no other pump uses this pump", "name it under a line, or take it out")

    def _read(self, pump: Entries) -> Pump | None:
        kind = pump.word("kind", KINDS, "kind of pump")
        if not kind:
            return None
        pump.type_of(f"pumps.{kind}", pump_types(pump.tables, kind))
        found = {
            "rotary": _rotary, "booster": self._booster, "diffusion": self._diffusion,
            "turbomolecular": self._turbomolecular, "table": self._table,
        }[kind](pump)  # fmt: skip
        pump.finish()
        return found

    def _backing(self, pump: Entries) -> dict:
        """Volume and pump behind `pump`, its own or those of a shared backing line."""
        if "backing" not in pump:
            volume = pump.quantity("backing_volume", "volume", above=0.0)
            return {"backing_volume": volume, "backing_pump": self.pump_of(pump, "backing_pump")}
        for key in BACKING_KEYS:
            if key in pump:
                pump.asked(key)
                pump.fault(key, 'contradicts "backing"', f'keep only one of "backing", {quoted(BACKING_KEYS)}')
        name = pump.word("backing", self.backing_lines, "backing line")
        if not name:
            return {"backing_volume": math.nan, "backing_pump": None}
        if name in self._being_read:
            pump.fault("backing", "leads back to this pump", "the last pump of a chain must blow out into the room")
            return {"backing_volume": math.nan, "backing_pump": None}
        volume, behind = self._shared_line(name)
        return {"backing_volume": volume, "backing_pump": behind, "backing_line": name}

    def _shared_line(self, name: str) -> tuple[float, Pump | None]:
        if name not in self._shared:
            line = self.backing_lines[name]
            self._being_read.append(name)
            self._shared[name] = (line.quantity("volume", "volume", above=0.0), self.pump_of(line))
            self._being_read.pop()
            line.finish()
        return self._shared[name]

    def _diffusion(self, pump: Entries) -> DiffusionPump:
        speed = pump.quantity("speed", "speed", above=0.0)
        share = pump.tables.value("pumps.diffusion.stalled_share")
        return DiffusionPump(
            speed=speed,
            ultimate_pressure=pump.quantity("ultimate_pressure", "pressure", above=0.0),
            ultimate_gases=_ultimate_gases(pump, "diffusion"),
            stalled_conductance=pump.quantity("stalled_conductance", "speed", default=share * speed, at_least=0.0),
            **_knee_and_stall(pump, "diffusion"),
            **self._backing(pump),
        )

    def _booster(self, pump: Entries) -> BoosterPump:
        return BoosterPump(
            speed=pump.quantity("speed", "speed", above=0.0),
            compression=pump.quantity("compression", "number", from_data="pumps.booster.compression", above=1.0),
            pressure_difference=pump.quantity(
                "pressure_difference", "pressure", from_data="pumps.booster.pressure_difference", above=0.0
            ),
            **self._backing(pump),
        )

    def _turbomolecular(self, pump: Entries) -> TurbomolecularPump:
        return TurbomolecularPump(
            speed=pump.quantity("speed", "speed", above=0.0),
            compression=_compressions(pump),
            ultimate_pressure=pump.quantity(
                "ultimate_pressure", "pressure", from_data="pumps.turbomolecular.ultimate_pressure", above=0.0
            ),
            ultimate_gases=_ultimate_gases(pump, "turbomolecular"),
            **_knee_and_stall(pump, "turbomolecular"),
            **self._backing(pump),
        )

    def _table(self, pump: Entries) -> TablePump:
        pressures, speeds = _speed_table(pump)
        ultimate = pump.quantity("ultimate_pressure", "pressure", default=0.0, at_least=0.0)
        backed = "backing" in pump or any(key in pump for key in BACKING_KEYS)
        nitrogen = dict(speeds).get("N2", ())
        return TablePump(
            speed=max(nitrogen, default=math.nan),
            pressures=pressures,
            speeds=speeds,
            ultimate_pressure=ultimate,
            ultimate_gases=_ultimate_gases(pump, "rotary"),
            **(self._backing(pump) if backed else {}),
        )


def pump_types(tables: Tables, kind: str) -> list[str]:
    """Pump types of one kind in the data tables: groups under `pumps.kind` that have a speed."""
    return [name for name in tables.groups(f"pumps.{kind}") if f"pumps.{kind}.{name}.speed" in tables]


def _rotary(pump: Entries) -> RotaryPump:
    for key in ("backing", *BACKING_KEYS):
        if key in pump:
            pump.asked(key)
            pump.fault(key, "a rotary pump blows out into the room", f"take {key} out")
    ultimate = pump.quantity("ultimate_pressure", "pressure", above=0.0)
    ballast = pump.quantity("gas_ballast", "speed", default=0.0, at_least=0.0)
    open_ultimate = pump.quantity(
        "ballast_ultimate_pressure", "pressure", default=pump.tables.value("pumps.rotary.ballast_factor") * ultimate,
        at_least=ultimate if math.isfinite(ultimate) else None, limit_cure="gas ballast never makes the ultimate pressure better",
    )  # fmt: skip
    speed = pump.quantity("speed", "speed", above=0.0)
    if ballast >= speed:
        pump.fault("gas_ballast", "must be below the speed of the pump", "a tenth of the speed is usual")
    return RotaryPump(
        speed=speed,
        ultimate_pressure=ultimate,
        ultimate_gases=_ultimate_gases(pump, "rotary"),
        gas_ballast=ballast,
        ballast_ultimate_pressure=open_ultimate,
        temperature=pump.quantity("temperature", "temperature", from_data="pumps.rotary.temperature", above=0.0),
    )


def _knee_and_stall(pump: Entries, kind: str) -> dict[str, float]:
    kinds = {
        "knee_pressure": "pressure", "critical_backing_pressure": "pressure", "stall_time": "time", "recovery_time": "time",
    }  # fmt: skip
    return {key: pump.quantity(key, of, from_data=f"pumps.{kind}.{key}", above=0.0) for key, of in kinds.items()}


def _compressions(pump: Entries) -> tuple[tuple[str, float], ...]:
    """By gas: what the file gives, and for the others by their molar mass from nitrogen."""
    given = pump.numbers_by_name("compression", GAS_NAMES, "gas", "number", above=1.0) if "compression" in pump else {}
    nitrogen = given.get("N2", pump.tables.value("pumps.turbomolecular.compression_nitrogen"))
    mass = {gas: pump.tables.value(f"gases.{gas}.molar_mass") for gas in GAS_NAMES}
    return tuple(
        (gas, float(given.get(gas, turbomolecular_compression(nitrogen, mass["N2"], mass[gas])))) for gas in GAS_NAMES
    )


def _speed_table(pump: Entries) -> tuple[tuple[float, ...], tuple[tuple[str, tuple[float, ...]], ...]]:
    """Pressures and the speeds of every gas; `any` stands for the gases that are not named."""
    table = pump.sub("speeds")
    if not table.table:
        return (), ()
    pressures = table.quantities("pressure", "pressure", above=0.0)
    if any(not b > a for a, b in zip(pressures, pressures[1:], strict=False)):
        table.fault("pressure", "must rise from point to point", "put the points in order, each pressure once")
    if len(pressures) == 1:
        table.fault("pressure", "needs two points at least", "give the ends of what was measured")
    known = ("any", *GAS_NAMES)
    columns = {}
    for name in table.table:
        if name == "pressure":
            continue
        if name not in known:
            table.asked(name)
            table.fault(name, "no gas of that name", nearest(name, known))
            continue
        columns[name] = table.quantities(name, "speed", above=0.0)
        if pressures and columns[name] and len(columns[name]) != len(pressures):
            table.fault(name, f"has {len(columns[name])} speeds for {len(pressures)} pressures", "give one speed for each pressure")
    lacking = [gas for gas in GAS_NAMES if gas not in columns]
    if lacking and "any" not in columns:
        table.fault("any", f"missing; no speed for {', '.join(lacking)}", "add any = [...] for the gases that are not named")
    elif not lacking and "any" in columns:
        table.fault("any", "stands for no gas, since every gas is named", "take it out")
    return pressures, tuple((gas, columns.get(gas, columns.get("any", ()))) for gas in GAS_NAMES)


def _ultimate_gases(pump: Entries, kind: str) -> tuple[tuple[str, float], ...]:
    usual = pump.tables.group(f"pumps.{kind}.ultimate_gases")
    shares = tuple((gas, usual[gas].value) for gas in GAS_NAMES if gas in usual)
    return pump.gas_shares("ultimate_gases", default=shares)
