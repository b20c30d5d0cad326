"""The parts list of a valve file: mass, area, thickness, and the gas each part holds.

Parts lists are where typing errors live, so half the area times thickness times density is
held against the mass.  Gas may be stated as an amount, per mass, per area, as a
concentration or as a share of the mass, whichever the laboratory gave; inside it is moles.

A part that shows only one face to the vacuum (the bulb glass) says `faces_in_vacuum = 1`:
it holds the gas of half a sheet of twice its thickness, by symmetry.
"""

from __future__ import annotations

import math

from exhaustsim.constants import GAS_NAMES
from exhaustsim.plant.entries import Entries
from exhaustsim.plant.valve import DiffusingGas, EmpiricalGas, FirstOrderGas, Part, SurfaceGas

MASS_TOLERANCE = 0.15  # parts are weighed, but areas are reckoned from drawings with beads and folds left out


def read_parts(entries: Entries, node_names: list[str]) -> tuple[Part, ...]:
    """All parts under `[parts.name]`."""
    return tuple(_part(name, part, node_names) for name, part in entries.named("parts").items())


def _part(name: str, entries: Entries, node_names: list[str]) -> Part:
    mass = entries.quantity("mass", "mass", above=0.0)
    area = entries.quantity("area", "area", above=0.0)
    thickness = entries.quantity("thickness", "length", default=None, above=0.0)
    material = entries.word("material", entries.tables.groups("materials"), "material")
    density = entries.quantity("density", "density", default=None, above=0.0)
    faces = entries.quantity("faces_in_vacuum", "number", default=2.0)
    if faces not in (1.0, 2.0):
        entries.fault("faces_in_vacuum", "must be 1 or 2", "leave it out for a part with vacuum on both sides")
        faces = 2.0
    if thickness is not None and material:
        _check_mass(entries, mass, area, thickness, density or entries.tables.value(f"materials.{material}.density"))
    holding = _Holding(mass, area * faces / 2.0, thickness, faces)
    part = Part(
        name=name,
        node=entries.word("node", node_names, "thermal node"),
        material=material,
        mass=mass,
        area=area,
        thickness=thickness,
        surface_gases=tuple(_surface_gas(g, holding) for g in entries.subs("surface_gas")),
        diffusing_gases=tuple(_diffusing_gas(g, holding) for g in entries.subs("diffusing_gas")),
        first_order_gases=tuple(_first_order_gas(g, holding) for g in entries.subs("first_order_gas")),
        empirical_gases=tuple(_empirical_gas(g) for g in entries.subs("empirical_gas")),
    )
    entries.finish()
    return part


def _check_mass(entries: Entries, mass: float, area: float, thickness: float, density: float) -> None:
    reckoned = area / 2.0 * thickness * density
    if abs(reckoned / mass - 1.0) > MASS_TOLERANCE:
        entries.fault(
            "mass",
            f"area/2 x thickness x density gives {reckoned * 1e3:.3g} g, more than {MASS_TOLERANCE:.0%} away",
            "correct mass, area (both sides), thickness or material",
        )


class _Holding:
    """How much gas a part holds, from whatever way it was stated."""

    def __init__(self, mass: float, vacuum_area: float, thickness: float | None, faces: float):
        self.mass = mass
        self.vacuum_area = vacuum_area
        self.thickness = thickness
        self.faces = faces

    def amount(self, gas: Entries, ways: list[str], molar_mass: float = math.nan) -> float:
        way = gas.one_of(ways)
        if way == "amount":
            return gas.quantity(way, "amount", at_least=0.0)
        if way == "per_area":
            return gas.quantity(way, "amount_per_area", at_least=0.0) * self.vacuum_area
        if way == "per_mass":
            return gas.quantity(way, "amount_per_mass", at_least=0.0) * self.mass
        if way == "concentration":
            if self.thickness is None:
                gas.fault(way, "a concentration needs the thickness of the part", "add thickness to the part")
                return math.nan
            return gas.quantity(way, "concentration", at_least=0.0) * self.vacuum_area / self.faces * self.thickness
        if way == "mass_share":
            return gas.share(way) * self.mass / molar_mass
        return math.nan


def _surface_gas(entries: Entries, holding: _Holding) -> SurfaceGas:
    gas = SurfaceGas(
        gas=entries.word("gas", GAS_NAMES, "gas"),
        amount=holding.amount(entries, ["per_area", "per_mass", "amount"]),
        energy_low=entries.quantity("energy_low", "molar_energy", from_data="outgassing.water_band.low", above=0.0),
        energy_high=entries.quantity("energy_high", "molar_energy", from_data="outgassing.water_band.high", above=0.0),
        attempt_frequency=entries.quantity(
            "attempt_frequency", "rate", from_data="outgassing.water_band.attempt_frequency", above=0.0
        ),
        sticking=entries.share("sticking", from_data="outgassing.water_band.sticking"),
        area=entries.quantity("area", "area", default=holding.vacuum_area, above=0.0),
    )
    if gas.energy_low >= gas.energy_high:
        entries.fault("energy_low", "must be below energy_high", "swap or correct the ends of the band")
    entries.finish()
    return gas


def _diffusing_gas(entries: Entries, holding: _Holding) -> DiffusingGas:
    law = entries.word("law", entries.tables.groups("diffusion"), "diffusion law", default="")

    def constant(key: str, kind: str) -> float:
        name = f"diffusion_{key}"
        if law:
            return entries.quantity(name, kind, from_data=f"diffusion.{law}.{key}", above=0.0)
        if "law" in entries:  # mistyped, and reported already
            return entries.quantity(name, kind, default=math.nan, above=0.0)
        return entries.quantity(name, kind, above=0.0)

    if holding.thickness is None:
        thickness = entries.quantity("thickness", "length", above=0.0)
    else:
        thickness = entries.quantity("thickness", "length", default=holding.thickness * 2.0 / holding.faces, above=0.0)
    gas = DiffusingGas(
        gases=entries.gas_shares("gases"),
        amount=holding.amount(entries, ["per_mass", "concentration", "amount"]),
        diffusion_prefactor=constant("prefactor", "diffusivity"),
        diffusion_energy=constant("energy", "molar_energy"),
        thickness=thickness,
        prior_age=entries.quantity("prior_age", "number", from_data="diffusion.prior_age", above=0.0),
    )
    entries.finish()
    return gas


def _first_order_gas(entries: Entries, holding: _Holding) -> FirstOrderGas:
    gases = entries.gas_shares("gases")
    molar_mass = sum(share * entries.tables.value(f"gases.{gas}.molar_mass") for gas, share in gases) if gases else math.nan
    gas = FirstOrderGas(
        label=entries.text("label"),
        gases=gases,
        amount=holding.amount(entries, ["amount", "per_mass", "mass_share"], molar_mass),
        prefactor=entries.quantity("prefactor", "rate", default=0.0, at_least=0.0),
        energy=entries.quantity("energy", "molar_energy", default=0.0, at_least=0.0),
        per_charge=entries.quantity("per_charge", "per_charge", default=0.0, at_least=0.0),
    )
    if gas.prefactor == 0.0 and gas.per_charge == 0.0:
        entries.fault("", "nothing would ever set this gas free", "add prefactor and energy, or per_charge")
    entries.finish()
    return gas


def _empirical_gas(entries: Entries) -> EmpiricalGas:
    gas = EmpiricalGas(
        gas=entries.word("gas", GAS_NAMES, "gas"),
        rate_at_one_hour=entries.quantity("rate_at_one_hour", "throughput", at_least=0.0),
        exponent=entries.quantity("exponent", "number", above=0.0, at_most=3.0),
        age=entries.quantity("age", "time", above=0.0),
        amount=entries.quantity("amount", "amount", above=0.0),
    )
    entries.finish()
    return gas
