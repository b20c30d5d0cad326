"""A schedule of four positions that touches everything the engine can do, in few steps.

The demo valve and machine cut down to four thermal nodes, one narrow band of water and two pumping lines, with
short times, so that even the uncompiled code runs it in well under a minute.  Still there: a rotary and a
diffusion line, an RF coil set by its current, breakdown, flash, tip-off, an ageing step with anode current, shelf time, a
leak into the bulb, head rubber with two gases, and gas by every law.  The numbers suit that purpose and describe no product.
"""

from __future__ import annotations

from dataclasses import replace

from exhaustsim.data.published import BUILT_IN
from exhaustsim.plant.coil import Coil, CoilLoad, resistivity_points
from exhaustsim.plant.schedule import AgeingStep, PositionSetting, RfSetting, Schedule
from exhaustsim.plant.valve import Conduction, EmpiricalGas, Radiation
from exhaustsim.units import PASCAL_LITRE

NODES = ("cathode_sleeve", "anode", "getter_holder", "bulb_wall")
TOLERANCE = 1e-2
COIL = Coil("coil", (2,), 400e3, 4.0, 0.02, 0.034, 0.0, 120.0)
ANODE = CoilLoad("nickel", resistivity_points(BUILT_IN, "nickel"), 5e-3, 0.13e-3, 0.02, 0.0, 0.4, 75.0, 631.0)


def tiny(demo: Schedule) -> Schedule:
    """Cut `demo` (DT-1 on RX16) down."""
    valve, machine = demo.valve, demo.machine
    nodes = tuple(
        replace(n, heat_capacity=0.3 * n.heat_capacity, in_coil=ANODE if n.name == "anode" else None)
        for n in valve.nodes if n.name in NODES
    )  # fmt: skip

    def among(links):
        return tuple(k for k in links if {k.first, k.second} <= {*NODES, "surroundings"})

    leads = tuple(Conduction(name, "bulb_wall", 1e-3) for name in NODES[:3])
    parts = tuple(_little_gas(part) for part in valve.parts if part.name in ("bulb_glass", "anode"))
    coating = valve.coating
    short = replace(
        valve,
        nodes=nodes,
        radiation=(*among(valve.radiation), Radiation("cathode_sleeve", "bulb_wall", 1e-6)),
        conduction=leads,
        gas_conduction=among(valve.gas_conduction)[:2],
        parts=parts,
        coating=replace(coating, mass=coating.mass / 50, carbonate=coating.carbonate / 50, needle_radius=0.2e-6),
        in_leak=1e-10 * PASCAL_LITRE,
    )
    lines = tuple(line for line in machine.lines if line.name in ("G", "D"))
    four = replace(
        machine, positions=4, transfer_time=0.5, oven_positions=(2,), rf_positions=(2, 3), lines=lines,
        line_of_position={1: "G", 2: "D", 3: "D", 4: "D"}, rubber_gas=1e-5 * PASCAL_LITRE,
        rubber_gases=(("H2O", 0.9), ("CO2", 0.1)), coils=(COIL,),
    )  # fmt: skip
    return replace(
        demo, name="tiny", valve=short, machine=four, index_time=3.0, shelf_time=3600.0,
        positions=(
            PositionSetting(1, "load"),
            PositionSetting(2, heater_voltage=13.0, rf=RfSetting({}, 0.0, 2.5, 45.0)),
            PositionSetting(3, "flash", rf=RfSetting({"getter_holder": 12.0}, 0.3, 2.0)),
            PositionSetting(4, "tip_off"),
        ),
        ageing=(AgeingStep(6.3, 1.0, 5e-3, 30.0, "short"),),
    )  # fmt: skip


def _little_gas(part):
    """A twentieth of the gas, water in a band so narrow that three energies carry it, everything else kept."""
    surface = tuple(
        replace(g, amount=g.amount / 20, energy_high=g.energy_low + 10e3) for g in part.surface_gases
    )
    rest = {"surface_gases": surface}
    if part.name == "anode":
        rest["empirical_gases"] = (
            EmpiricalGas("N2", rate_at_one_hour=1e-7 * PASCAL_LITRE, exponent=1.0, age=60.0, amount=1e-3 * PASCAL_LITRE),
        )
    return replace(part, **rest)
