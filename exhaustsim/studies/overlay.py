"""Fitted values written back for the simulator: an overlay of the valve file that was fitted, and a run with it held against the log.

The overlay names the valve file and the log with its fingerprint, and gives every value that the
readings tell, with its interval; see `exhaustsim.plant.overlay` for the file.  What the
readings do not tell stays as the valve file has it, and is listed in the comments.

Not written: scale of the gauge, speed of the pumps and start of the log, which belong to the log and
not to the valve; a valve whose stem conductance was fitted has another bore.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import numpy as np

from exhaustsim.engine.filewrite import replace_whole
from exhaustsim.engine.run import simulate
from exhaustsim.plant.overlay import STANDING
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.trace import GOOD
from exhaustsim.plant.writeschedule import toml_text
from exhaustsim.studies.ridefit import RideFit


class NothingToWrite(ValueError):
    """A fit that tells nothing of the valve."""


def overlay_text(found: RideFit, log: str | os.PathLike, folder: str | os.PathLike = ".") -> str:
    """The overlay of a fit as the text of a file that lies in `folder`.

    Parameters
    ----------
    found : RideFit
    log : path
        The log that was fitted; its fingerprint goes into the overlay.
    folder : path
        Where the overlay will lie: it names the valve file from there.

    Returns
    -------
    str

    Raises
    ------
    NothingToWrite
        The readings tell no quantity of the valve.
    OSError
        The log cannot be read.
    """
    stated = [v for v in found.values if v.stated]
    if not stated:
        raise NothingToWrite("the readings tell no quantity of the valve, so there is nothing to write")
    source = os.path.relpath(found.schedule.valve.source, folder).replace(os.sep, "/")
    fingerprint = hashlib.sha256(Path(log).read_bytes()).hexdigest()
    values = [
        {"quantity": v.name, "key": key, "was": was, "value": value, "low": low, "high": high}
        for v in stated for key, was, value, low, high in v.texts
    ]  # fmt: skip
    notes = [
        f"Valve {found.schedule.valve.name} with values fitted to the log {Path(log).name}, ridden through {found.schedule.name}.",
        "The intervals take the model to be right. Name this file in a schedule in the place of the valve file.",
        *(f"Not told by the readings, and left as it was: {v.what}." for v in found.values if not v.stated),
        *(f"Of the log, not of the valve: {v.sentence}." for v in found.nuisances if v.stated),
    ]
    table = {"overlay": {
        "of": source, "log": Path(log).name, "log_sha256": fingerprint, "standing": STANDING, "level": found.inference.level, "value": values,
    }}  # fmt: skip
    return toml_text(table, notes)


def write_overlay(found: RideFit, path: str | os.PathLike, log: str | os.PathLike) -> None:
    """Write the overlay of a fit to `path`, whole or not at all.

    Raises
    ------
    NothingToWrite
        The readings tell no quantity of the valve.
    OSError
        The log cannot be read, or the place not written.
    """
    text = overlay_text(found, log, Path(path).parent)
    with replace_whole(path) as file:
        file.write(text)


def distance_from_run(found: RideFit, schedule: Schedule) -> float:
    """How far the readings of a ride lie from a plain run of `schedule`, such as one with the overlay.

    The scale of the gauge and the start of the log are those of the fit.  The other heads of the plain run carry valves
    like its own, as a fit with others "alike" takes them.

    Parameters
    ----------
    found : RideFit
        With the gauge in the bulb.
    schedule : Schedule

    Returns
    -------
    float
        Median of the size of the logarithm of reading over run [1]: half of the fitted readings lie within it.

    Raises
    ------
    ValueError
        A gauge that was not in the bulb.
    FailedRun
        The simulation fails.
    """
    if found.ride.place != "bulb":
        raise ValueError("a run is held against readings in the bulb only")
    run = simulate(schedule)
    shown = np.log(run.bulb_pressure @ found.ride.factors) + np.log(found["gauge_scale"].value)
    good = found.fitted & (found.trace.mark == GOOD)
    time = found.trace.time[good] - found["clock"].value
    inside = time > run.time[0]
    return float(np.median(np.abs(np.log(found.trace.reading[good]) - np.interp(time, run.time, shown))[inside]))
