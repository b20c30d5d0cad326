"""A virtual bench that tests a barium film: its speed against the quantity it has taken, until the end point.

In the manner of the published standard practices for getters: gas at a constant pressure over the film, or a
constant flow to it, one gas at a time; the test ends when the speed has fallen to a stated share of its first
value.  The full texts of those standards were not read; end point and first reading are recalled, and settable.

The film is that of the simulation (`engine.rates`): sites that fill, burial that frees them, barium that is spent.
The bench volume is neglected: pressure and speed are in balance at every instant.  Not modelled: gauge and
walls that pump, gas that the film gives back, temperature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from exhaustsim.constants import AVOGADRO, GAS_CONSTANT
from exhaustsim.data.published import BUILT_IN, Tables
from exhaustsim.physics.gases import impingement_speed
from exhaustsim.physics.getter import film_sticking, mirror_coverage
from exhaustsim.plant.valve import Getter

END_RATIO = 0.05  # of the first speed; recalled
LONGEST = 30.0 * 86400.0  # s after which a test is given up
STEP = 1.04  # each time is so much longer than the one before
FIRST = 1e-4  # s


class SorptionFault(ValueError):
    """A test that cannot be made."""


@dataclass(frozen=True)
class SorptionTest:
    """What a test read, in SI."""

    gas: str
    time: np.ndarray  # (n,) s
    taken: np.ndarray  # (n,) mol
    speed: np.ndarray  # (n,) m^3/s
    pressure: np.ndarray  # (n,) Pa at the film
    spent: np.ndarray  # (n,) share of the barium spent
    end: int | None  # sample of the end point, None if it was not reached

    @property
    def capacity(self) -> float | None:
        """Quantity taken up to the end point [mol]."""
        return None if self.end is None else float(self.taken[self.end])


def constant_pressure(
    getter: Getter, gas: str, pressure: float, temperature: float, barium: float | None = None, end_ratio=END_RATIO, tables: Tables = BUILT_IN
):
    """Test at a constant pressure over the film.

    Parameters
    ----------
    getter : Getter
        Of a valve; its film once the ring is fired.
    gas : str
        One that barium takes.
    pressure : float
        Held at the film [Pa].
    temperature : float
        Of gas and film [K].
    barium : float, optional
        On the glass [kg]; by default all that can leave the ring.
    end_ratio : float
        Share of the first speed at which the test ends [1].
    tables : Tables
        Data tables of the valve.

    Returns
    -------
    SorptionTest

    Raises
    ------
    SorptionFault
        A gas that barium does not take, or numbers out of range.
    """
    return _test(getter, gas, temperature, barium, end_ratio, lambda speed: pressure, pressure, tables)


def constant_flow(
    getter: Getter, gas: str, flow: float, temperature: float, barium: float | None = None, end_ratio=END_RATIO, ceiling=10.0,
    tables: Tables = BUILT_IN,
):  # fmt: skip
    """Test at a constant flow to the film; the pressure rises as the film tires.

    Parameters
    ----------
    flow : float
        Given to the film [mol/s].
    ceiling : float
        Pressure at the source [Pa], above which the film is no longer fed.

    See `constant_pressure` for the others.
    """
    given = flow * GAS_CONSTANT * temperature  # Pa m^3/s
    return _test(getter, gas, temperature, barium, end_ratio, lambda speed: min(given / max(speed, 1e-300), ceiling), given, tables)


def _test(getter: Getter, gas: str, temperature, barium, end_ratio, pressure_at, fed, tables: Tables) -> SorptionTest:
    if gas not in getter.sticking:
        raise SorptionFault(f"barium does not take {gas}; it takes {', '.join(getter.sticking)}")
    mass = getter.barium * getter.yield_limit if barium is None else barium
    if not (fed > 0.0 and mass > 0.0 and 0.0 < end_ratio < 1.0):
        raise SorptionFault("pressure or flow and barium above zero are needed, and an end point between 0 and 1")
    cover, _ = mirror_coverage(mass, tables.value("getters.mirror_full_mass_per_area") * getter.mirror_area)
    sites = cover * getter.mirror_area * getter.area_ratio * getter.site_density / AVOGADRO
    mass_per_mole = tables.value(f"gases.{gas}.molar_mass")
    struck = cover * getter.mirror_area * float(impingement_speed(temperature, mass_per_mole))
    appetite = mass * getter.appetite[gas]
    burial = getter.burial_rate[gas]

    def speed_at(theta):
        return max(struck * film_sticking(getter.sticking[gas], theta, getter.area_ratio)[0], 0.0)

    time, on_film, buried, taken = 0.0, 0.0, 0.0, 0.0
    first = speed_at(0.0)
    rows = [(0.0, 0.0, first, pressure_at(first), 0.0)]
    step, end = FIRST, None
    while time < LONGEST:
        fresh = max(0.0, 1.0 - buried / appetite)

        def burying(film, step=step, fresh=fresh):
            # Implicit in what is left of the barium too, so that no step buries more than that.
            return step * burial * film * fresh / (1.0 + step * burial * film / appetite)

        def excess(film, step=step, on_film=on_film, burying=burying):
            # Implicit Euler: the film afterwards, less what that film takes and buries.
            speed = speed_at(film / sites)
            return film - on_film - step * speed * pressure_at(speed) / (GAS_CONSTANT * temperature) + burying(film)

        film = _root(excess, 0.0, sites)
        time += step
        buried += burying(film)
        on_film = film
        taken = on_film + buried
        speed = speed_at(film / sites)
        rows.append((time, taken, speed, pressure_at(speed), min(buried / appetite, 1.0)))
        if speed <= end_ratio * first:
            rows[-1] = _between(rows[-2], rows[-1], end_ratio * first)
            end = len(rows) - 1
            break
        step = (STEP - 1.0) * time + FIRST
    columns = (np.array(column) for column in zip(*rows, strict=True))
    return SorptionTest(gas, *columns, end)


def _between(before: tuple, after: tuple, speed: float) -> tuple:
    """The row at which the speed was passed, on a straight line between two rows."""
    share = (before[2] - speed) / (before[2] - after[2])
    return tuple(a + share * (b - a) for a, b in zip(before, after, strict=True))


def _root(excess, low: float, high: float) -> float:
    """Where a rising function passes zero between `low` and `high`, by halving."""
    if excess(high) <= 0.0:
        return high
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) < 0.0 else (low, middle)
        if math.isclose(low, high, rel_tol=1e-12, abs_tol=0.0):
            break
    return 0.5 * (low + high)
