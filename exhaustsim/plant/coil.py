"""RF coils of a machine, the metal they heat, and the watts that a current brings to a part.

A coil is described with the machine (turns, length, diameter, frequency), a part with the valve
(material, radius, wall, height); the schedule then says how many amperes flow.  How much a part
takes from them changes with its temperature, because resistivity and permeability do; the curve is
tabled once for each pair of coil and part.

Not here: how a generator answers to the load (the current is held), and what is not modelled in
`exhaustsim.physics.induction`.
"""

from __future__ import annotations

import functools
import math
import re
from dataclasses import astuple, dataclass

import numpy as np

from exhaustsim.constants import ZERO_CELSIUS
from exhaustsim.data.published import Tables
from exhaustsim.physics.hotmetal import monotone_slopes, relative_permeability, resistivity_at
from exhaustsim.physics.induction import coil_field, coil_field_square, cylinder_power

# Grid of the tabled watts.  Cubic between the points; off by 7e-5 of the power at worst, where nickel loses
# its magnetism, and by less than 5e-6 nearly everywhere else (measured in the tests).
TABLE_START, TABLE_STEP, TABLE_END = 200.0, 5.0, 2000.0  # K
RESISTIVITY = re.compile(r"resistivity_(\d+)C")  # rows of a material, by temperature in degC
HOTTEST = 1400.0  # K, up to which the watts that a current can bring are held against the limit of the coil
SLOPE_STEP = 0.25  # K, for the slope at a grid point by a fourth-order difference


@dataclass(frozen=True)
class Coil:
    """One RF coil, or several alike."""

    name: str
    positions: tuple[int, ...]
    frequency: float  # Hz
    turns: float
    length: float  # m, of the winding
    diameter: float  # m, mean
    middle: float  # m, height of its middle above a mark common to coil and valve
    current_limit: float  # A, root mean square; infinite when none is stated

    def field(self, current: float) -> float:
        """Field in the middle of the coil without a valve in it [A/m], root mean square."""
        return float(coil_field(self.turns * current, self.length, self.diameter, 0.0))

    def current(self, field: float) -> float:
        """Current that makes `field` [A/m] in the middle of the empty coil [A]."""
        return field / self.field(1.0)


@dataclass(frozen=True)
class CoilLoad:
    """A part as the coil sees it: a closed ring, tube or rod on the axis."""

    material: str
    resistivity: tuple[tuple[float, float], ...]  # (K, ohm m), coldest first
    radius: float  # m, outer
    wall: float  # m; the radius for a rod
    height: float  # m
    middle: float  # m, height of its middle above a mark common to coil and valve
    coupling: float  # 1; share of the watts of a closed cylinder that slots and gaps leave
    permeability: float  # 1, relative, at 20 degC in the coil's field; 1 for a metal that is not magnetic
    curie_temperature: float  # K; 0 for a metal that is not magnetic


def tabled_metals(tables: Tables) -> list[str]:
    """Materials whose resistivity `tables` give at two temperatures or more."""
    return [m for m in tables.groups("materials") if len(resistivity_points(tables, m)) >= 2]


def resistivity_points(tables: Tables, material: str) -> tuple[tuple[float, float], ...]:
    """Tabled (K, ohm m) of a material, coldest first."""
    found = []
    for name, row in tables.group(f"materials.{material}").items():
        at = RESISTIVITY.fullmatch(name)
        if at:
            found.append((float(at.group(1)) + ZERO_CELSIUS, row.value))
    return tuple(sorted(found))


@functools.cache
def resistivity_curve(points: tuple[tuple[float, float], ...]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Temperatures [K], resistivities [ohm m] and slopes [ohm m/K] for `resistivity_at`."""
    temperatures, values = np.array(points).T.copy()
    slopes = np.zeros_like(values)
    monotone_slopes(temperatures, values, slopes)
    return temperatures, values, slopes


def watts_per_square_ampere(coil: Coil, load: CoilLoad, temperature: float) -> float:
    """Watts that `load` takes at `temperature` [K] from each square ampere of coil current [W/A^2]."""
    resistivity, _ = resistivity_at(temperature, *resistivity_curve(load.resistivity))
    permeability, _ = relative_permeability(temperature, load.permeability, load.curie_temperature)
    square = coil_field_square(coil.turns, coil.length, coil.diameter, load.middle - coil.middle, load.height)
    power = cylinder_power(resistivity, coil.frequency, permeability, square, load.radius, load.wall, load.height)
    return load.coupling * float(power)


@functools.lru_cache(maxsize=256)
def watts_table(coil: Coil, load: CoilLoad) -> np.ndarray:
    """(points, 2) watts per square ampere and slope by temperature [W/A^2, W/(A^2 K)] on the grid of `table_grid`."""
    at = functools.partial(watts_per_square_ampere, coil, load)
    rows = []
    for t in table_grid():
        one, two = SLOPE_STEP, 2.0 * SLOPE_STEP
        slope = (8.0 * (at(t + one) - at(t - one)) - (at(t + two) - at(t - two))) / (12.0 * one)
        rows.append((at(t), slope))
    table = np.array(rows)
    table.setflags(write=False)  # shared by all who ask
    return table


def table_grid() -> np.ndarray:
    """Temperatures of the tabled watts [K]."""
    return np.arange(TABLE_START, TABLE_END + 0.5 * TABLE_STEP, TABLE_STEP)


def most_square_amperes(coil: Coil, loads: list[CoilLoad], power_limit: float) -> tuple[float, float]:
    """Square of the greatest current [A^2] in `coil`, and the temperature [K] that decides it.

    By the limit of the coil, or by `power_limit` [W] for all `loads` together, all at whatever
    temperature from 20 degC to `HOTTEST` takes most.
    """
    grid = table_grid()
    total = sum(watts_table(coil, load)[:, 0] for load in loads)
    total = np.where((grid >= 20.0 + ZERO_CELSIUS) & (grid <= HOTTEST), total, 0.0)
    k = int(np.argmax(total))
    return min(coil.current_limit**2, power_limit / float(total[k])), float(grid[k])


def is_whole(record: Coil | CoilLoad) -> bool:
    """Whether all figures of a record were read; a fault in the file leaves not-a-number behind."""
    return all(not (isinstance(x, float) and math.isnan(x)) and x != "" for x in astuple(record))
