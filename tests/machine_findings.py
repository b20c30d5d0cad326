"""Findings of a loaded machine for the tests of command, pictures and desk: made once, since a machine run takes seconds."""

import functools

from fake_run import DEMO

from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.incidents import BrokenValve, EmptyHead, Leaker, Stop
from exhaustsim.reporting.machinefindings import find
from exhaustsim.units import PASCAL_LITRE


@functools.cache
def leaker_on_5():
    """1 Pa L/s into the valve on head 5 of the DT-1 machine, until it repeats itself, and the cross-talk."""
    return find(load_schedule(DEMO / "dt1_standard.toml"), [Leaker(5, PASCAL_LITRE)], neighbours=True)


@functools.cache
def broken_on_15():
    """A bulb breaks on head 15 of the DP-2 machine with 24 heads; head 3 stays empty; a stop of 20 s follows.  Thirty indices."""
    incidents = [BrokenValve(15), EmptyHead(3), Stop(40.0, 20.0)]
    return find(load_schedule(DEMO / "dp2_standard.toml"), incidents, indices=30, pressure_unit="mbar")
