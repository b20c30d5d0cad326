"""What a gauge on the line, or one in the bulb, would have shown in a run.

The operator sees readings, not partial pressures.  A gauge comes from the data tables or from a
data file of the user's (`gauges.NAME`), with its range and its sensitivity to each gas.

Not modelled: tubing between place and gauge, lag, gas that the gauge pumps or gives off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from exhaustsim.constants import GAS_NAMES
from exhaustsim.data.published import BUILT_IN, DataFault, Tables
from exhaustsim.engine.result import Run
from exhaustsim.physics import gauges as law
from exhaustsim.plant.faults import nearest

PLACES = ("line", "bulb", "head")


@dataclass(frozen=True, eq=False)
class Gauge:
    """One kind of gauge, in SI."""

    name: str
    lowest: float  # Pa
    highest: float  # Pa
    factors: np.ndarray  # (gas,) reading over true pressure

    @property
    def calibration_gases(self) -> tuple[str, ...]:
        """The gases that it reads truly; all nine for a gauge that does not tell gases apart."""
        return tuple(gas for gas, factor in zip(GAS_NAMES, self.factors, strict=True) if factor == 1.0)


def gauge_named(name: str, tables: Tables = BUILT_IN) -> Gauge:
    """The gauge called `name` in the data tables.

    Raises
    ------
    DataFault
        No gauge of that name; the nearest is offered.

    >>> gauge_named("hot_cathode").calibration_gases
    ('N2', 'CO')
    """
    if name not in tables.groups("gauges"):
        raise DataFault(f'no gauge "{name}"; {nearest(name, tables.groups("gauges"))}')
    rows = tables.group(f"gauges.{name}.relative_sensitivity")
    factors = np.array([rows[gas].value for gas in GAS_NAMES])
    return Gauge(name, tables.value(f"gauges.{name}.lowest"), tables.value(f"gauges.{name}.highest"), factors)


def gauge_reading(run: Run, gauge: str, place: str = "line") -> tuple[np.ndarray, np.ndarray]:
    """Reading of a gauge through a run.

    Parameters
    ----------
    run : Run
    gauge : str
        Name in the data tables, with the own rows of the run's design files.
    place : str
        "line" (manifold), "bulb" or "head".

    Returns
    -------
    shown : (t,) float array
        What the scale shows [Pa]; not-a-number where no line is connected.
    off : (t,) int array
        -1 below the scale, 0 on it, 1 above it [1]; 0 where no line is connected.

    Raises
    ------
    DataFault
        No gauge of that name.
    ValueError
        Another place.
    """
    if place not in PLACES:
        raise ValueError(f"no place {place!r}; a gauge sits at one of {', '.join(PLACES)}")
    found = gauge_named(gauge, run.schedule.valve.tables)
    pressures = getattr(run, f"{place}_pressure")
    shown = np.full(len(pressures), np.nan)
    off = np.zeros(len(pressures), dtype=int)
    for k, mixture in enumerate(pressures):
        if np.isfinite(mixture).all():
            shown[k], off[k] = law.reading_on_scale(law.gauge_reading(mixture, found.factors), found.lowest, found.highest)
    return shown, off
