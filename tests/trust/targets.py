"""What is fuzzed: every reader that takes what a person wrote, each with the one refusal that it may answer with.

A target takes what it is given and either returns what it read, which is then looked through for a not-a-number, or refuses with
its own type of fault.  Anything else is a defect of the program.
"""

from __future__ import annotations

import contextlib
import math
import random
import tempfile
import tomllib
from argparse import ArgumentParser
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass
from functools import cache
from pathlib import Path

import numpy as np

import exhaustsim.plant.entries as entries_module
from exhaustsim import machinecommand, units
from exhaustsim.data.published import Tables
from exhaustsim.data.template import text_of
from exhaustsim.plant import (
    designfile, incidents, logclock, logcolumns, logreadings, logtext, logunits, pressurelog, readdata, readmachine, readparts, readpumps, readschedule,
    readstem, readvalve, trial, writeschedule,
)  # fmt: skip
from exhaustsim.plant.entries import Entries
from exhaustsim.plant.faults import DesignFault
from exhaustsim.plant.trace import GOOD
from exhaustsim.studies.station import StationFault, read_reach

from . import mutation

DEMO = Path(__file__).parents[2] / "demo_data"
SCHEDULES = ("dt1_standard", "dp2_standard", "dr3_late_and_violent", "bench_dt1")
#: The command line shows the text of a fault, and a screen holds no more than this.
LONGEST_REFUSAL = 2_000_000


class Broken(AssertionError):
    """The reader broke its promise."""


@dataclass(frozen=True)
class Target:
    """One reader under fuzz."""

    name: str
    share: float  # of all executions
    seeds: Callable[[], list]
    change: Callable[[object, random.Random], object]
    read: Callable[[object], object]
    refusal: tuple[type[Exception], ...]
    watched: tuple  # modules whose lines guide the search

    def execute(self, given) -> bool:
        """Whether `given` was taken; raises whatever is not a refusal."""
        try:
            found = self.read(given)
        except self.refusal as fault:
            if not str(fault).strip() or len(str(fault)) > LONGEST_REFUSAL:
                raise Broken(f"a refusal of {len(str(fault))} characters") from fault
            return False
        strange = not_a_number_in(found)
        if strange:
            raise Broken(f"accepted with a not-a-number at {strange}")
        return True


def not_a_number_in(found, place: str = "", depth: int = 0) -> str:
    """Where in records, tables and sequences a not-a-number stands; "" when there is none."""
    if isinstance(found, float):
        return (place or "the value") if math.isnan(found) else ""
    if isinstance(found, str | int | None | bool | Tables | Path) or depth > 12:
        return ""
    if isinstance(found, np.ndarray):
        return place if found.dtype.kind == "f" and np.isnan(found).any() else ""
    if is_dataclass(found):
        inner = ((f.name, getattr(found, f.name)) for f in fields(found))
    elif isinstance(found, dict):
        inner = found.items()
    elif isinstance(found, list | tuple):
        inner = enumerate(found)
    else:
        return ""
    return next((w for name, value in inner if (w := not_a_number_in(value, f"{place}.{name}", depth + 1))), "")


# ---- unit text -----------------------------------------------------------------------

KIND_NAMES = tuple(units.KINDS)


def _unit_seeds():
    return [(name, kind.example) for name, kind in units.KINDS.items()] + [(n, f"3 {u}") for n, k in units.KINDS.items() for u in k.units]


def _changed_unit(given, dice):
    kind, words = given
    if dice.random() < 0.1:
        kind = dice.choice(KIND_NAMES)
    return kind, mutation.text(words, dice)


def _read_unit(given):
    kind, words = given
    refused = None
    try:
        value, unit, own = units.parse_any(words)
    except units.UnitFault as fault:
        refused = fault
    else:
        if not math.isfinite(value):
            raise Broken(f"{words[:40]!r} read as {value}")
    found = units.parse(words, kind)
    if not math.isfinite(found):
        raise Broken(f"{words[:40]!r} read as {found}")
    # One unit, one size: what both ways read is the same number, unless the unit belongs to two kinds.
    if refused is None and own == kind and found != value and unit:
        raise Broken(f"{words[:40]!r} is {found} as {kind} and {value} by its unit")
    return found


# ---- files and tables ----------------------------------------------------------------


@cache
def demo_table(path: str) -> dict:
    return tomllib.loads((DEMO / path).read_text(encoding="utf-8"))


@cache
def demo_schedule(name: str):
    return designfile.load_schedule(DEMO / "schedules" / f"{name}.toml")


@cache
def _demo_seeds(sort: str):
    return [(sort, path.stem, demo_table(f"{sort}s/{path.name}")) for path in sorted((DEMO / f"{sort}s").glob("*.toml"))]


def _changed_table(given, dice):
    sort, name, table = given
    donor = dice.choice(_demo_seeds(sort))[2] if dice.random() < 0.3 else None
    return sort, name, mutation.table(table, dice, donor)


def _read_table(given):
    """A valve, machine, schedule or data table as the file reader reads it."""
    sort, name, table = given
    faults = []
    entries = Entries(table, f"{name}.toml", "", faults)
    if sort == "valve":
        found = readvalve.read_valve(entries)
    elif sort == "machine":
        found = readmachine.read_machine(entries)
    else:
        own = demo_schedule(name if name in SCHEDULES else "dt1_standard")
        found = readschedule.read_schedule(entries, own.valve, own.machine)
    if faults:
        raise DesignFault(faults)
    return found


@cache
def _data_seeds():
    return [("data", kind, tomllib.loads(text_of(kind))) for kind in ("materials", "gases", "pumps", "gauges", "getters")]


def _changed_data(given, dice):
    sort, name, table = given
    return sort, name, mutation.table(table, dice, dice.choice(_data_seeds())[2])


@contextlib.contextmanager
def _instead_of_file(table):
    before = readdata.read_table
    readdata.read_table = lambda *_: table
    try:
        yield
    finally:
        readdata.read_table = before


def _read_data(given):
    with _instead_of_file(given[2]):
        tables = readdata.load_tables(["own.toml"])
    for row in tables.own:
        if not math.isfinite(row.value):
            raise Broken(f"row {row.name} is {row.value}")
    return None


def _file_seeds():
    seeds = [(sort, (DEMO / f"{sort}s" / f"{name}.toml").read_text(encoding="utf-8")) for sort, name in (("valve", "dt1"), ("machine", "rx16_pumps"))]
    return seeds + [("data", text_of("pumps")), ("valve", 'name = "x"\n[bulb]\nvolume = "1 cm3"\n')]


def _changed_file(given, dice):
    return given[0], mutation.file_text(given[1], dice)


def _read_file(given):
    """A whole file, from its bytes: what stands before the tables are looked at."""
    sort, words = given
    faults = []

    def refuse(need, cure, quoted=""):
        faults.append(entries_module.Fault("own.toml", "", quoted, need, cure))

    table = entries_module._parse_table(words.encode("utf-8", "surrogatepass"), refuse)
    if faults:
        raise DesignFault(faults)
    return (_read_data if sort == "data" else _read_table)((sort, "own", table))


# ---- a schedule on trial -------------------------------------------------------------

SETTERS = ("index_time", "oven_temperature", "action", "heater", "rf_power", "rf_times", "line", "oven")


def _trial_seeds():
    return [
        (("index_time", 1, "12 s", "", False), ("oven_temperature", 1, "380 degC", "", False)),
        (("heater", 10, "5 V", "", False), ("action", 14, "flash", "", False), ("oven", 3, "", "", True)),
        (("rf_power", 9, "anode", "60 W", False), ("rf_times", 9, "1 s", "3 s", False), ("line", 9, "F1", "", False)),
    ]


def _changed_trial(given, dice):
    steps = list(given)
    for _ in range(1 + dice.randrange(2)):
        if dice.random() < 0.3 and len(steps) < 12:
            steps.append(dice.choice(dice.choice(_trial_seeds())))
        k = dice.randrange(len(steps))
        setter, position, first, second, yes = steps[k]
        what = dice.randrange(5)
        if what == 0:
            setter = dice.choice(SETTERS)
        elif what == 1:
            position = dice.choice((0, 1, 9, 14, 16, 17, -1, 10**9))
        elif what == 2:
            first = mutation.text(first, dice)
        elif what == 3:
            second = mutation.text(second, dice)
        else:
            yes = not yes
        steps[k] = (setter, position, first, second, yes)
    return tuple(steps)


@cache
def _trial():
    return trial.Trial(DEMO / "schedules" / "dt1_standard.toml")


def _read_trial(given):
    own = _trial()
    own.reset()
    for setter, position, first, second, yes in given:
        if setter in ("index_time", "oven_temperature"):
            getattr(own, f"set_{setter}")(first)
        elif setter == "rf_power":
            own.set_rf_power(position, {first: second} if first else {})
        elif setter == "rf_times":
            own.set_rf_times(position, first, second)
        elif setter == "oven":
            own.set_oven(position, yes)
        else:
            getattr(own, f"set_{setter}")(position, first)
    schedule = own.read()
    texts = own.texts(DEMO / "schedules" / "tried.toml")
    tomllib.loads(next(iter(texts.values())))  # what was accepted can be saved and read again
    return schedule


# ---- the command line ----------------------------------------------------------------


@cache
def _machine_parser():
    parser = ArgumentParser()
    machinecommand.add_options(parser)
    parser.add_argument("--units", default="Pa")
    parser.add_argument("--tolerance", default=1e-3)
    return parser


VALUED = (
    "--leaker", "--broken", "--stop", "--scored", "--slack-coil", "--empty", "--weak-pump", "--other", "--spark-test", "--indices", "--seconds",
    "--cold-start",
)  # fmt: skip
STANDARD = str(DEMO / "schedules" / "dt1_standard.toml")


def _command_seeds():
    words = {
        "--leaker": "5=1 Pa L/s@30", "--broken": "7@2 min", "--stop": "60@100", "--scored": "8=0.1 Pa L/s", "--slack-coil": "9=80 %@5", "--empty": "10",
        "--weak-pump": "F1=0.5", "--other": f"1,11-13={STANDARD}", "--spark-test": "0.02 Pa L/s", "--indices": "40", "--seconds": "60", "--cold-start": "30",
        "--reach": "anode=900degC@8,5s",
    }  # fmt: skip
    return [((option, text),) for option, text in words.items()] + [(("--reach", "anode=900degC@8,60W"),)]


def _changed_command(given, dice):
    pairs = list(given)
    if dice.random() < 0.3 and len(pairs) < 6:
        pairs += dice.choice(_command_seeds())
    k = dice.randrange(len(pairs))
    pairs[k] = (dice.choice(VALUED) if dice.random() < 0.1 else pairs[k][0], mutation.text(pairs[k][1], dice))
    return tuple(pairs)


def _read_command(given):
    """Options of `exhaustsim machine`, and questions of `exhaustsim run --reach`, up to where the simulation would begin."""
    found = []
    arguments = [STANDARD]
    for option, words in given:
        if option == "--reach":
            try:
                found.append(read_reach(words))
            except StationFault:
                continue
        else:
            arguments.append(f"{option}={words}")
    options = _machine_parser().parse_args(arguments)
    with _no_simulation():
        found.append(machinecommand.work(options, None))
    return found


@contextlib.contextmanager
def _no_simulation():
    """`find` gives back what it would have run; the schedule that never changes is read once."""
    from exhaustsim.reporting import machinefindings

    find, load = machinefindings.find, designfile.load_schedule

    def read_once(path):
        return demo_schedule("dt1_standard") if path == STANDARD else load(path)

    machinefindings.find = lambda schedule, incidents, **more: (incidents, more)
    designfile.load_schedule = read_once
    try:
        yield
    finally:
        machinefindings.find, designfile.load_schedule = find, load


# ---- pressure logs -------------------------------------------------------------------

LOGS = (
    "t_s;P [mbar]\n0;1,5\n1;0,8\n2;0,5\n3;0,4\n",
    "time,line D Pa,bulb Pa,comment\n2026-03-04 12:00:00,1.5e-3,2.0e-2,\n2026-03-04 12:00:01,under,1.9e-2,RF on\n2026-03-04 12:00:02,1.4e-3,over,\n",
    "# unit: torr\n# gauge: pirani\nelapsed s\tgauge\n0.0\t1e-2\n0.5\t9e-3\n1.0\t8e-3\n1.5\t--\n",
    "clock,P\n12:03,1.2 mbar\n12:04,1.1 mbar\n12:05,<1e-3 mbar\n",
)


def _read_log(given):
    """A log as text; what is good in it is finite, above nothing, and in order of time."""
    with tempfile.NamedTemporaryFile(suffix=".csv") as file:
        file.write(given.encode("utf-8", "surrogatepass"))
        file.flush()
        log = pressurelog.load_log(file.name)
    for trace in log.traces:
        if not np.isfinite(trace.time).all() or (np.diff(trace.time) < 0.0).any():
            raise Broken(f"trace {trace.name}: times out of order or not a number")
        if not np.isfinite(trace.reading[trace.mark == GOOD]).all():
            raise Broken(f"trace {trace.name}: a good reading that is not a number")
    return None


TARGETS = (
    Target("unit text", 0.89, _unit_seeds, _changed_unit, _read_unit, (units.UnitFault,), (units,)),
    Target("command line", 0.06, _command_seeds, _changed_command, _read_command, (DesignFault, StationFault), (machinecommand, incidents, units)),
    Target("schedule table", 0.012, lambda: _demo_seeds("schedule"), _changed_table, _read_table, (DesignFault,), (readschedule, entries_module)),
    Target("machine table", 0.007, lambda: _demo_seeds("machine"), _changed_table, _read_table, (DesignFault,), (readmachine, readpumps, entries_module)),
    Target("valve table", 0.005, lambda: _demo_seeds("valve"), _changed_table, _read_table, (DesignFault,), (readvalve, readparts, readstem, entries_module)),
    Target("data table", 0.004, _data_seeds, _changed_data, _read_data, (DesignFault,), (readdata, entries_module)),
    Target("design file", 0.007, _file_seeds, _changed_file, _read_file, (DesignFault,), (entries_module, readdata)),
    Target("trial", 0.005, _trial_seeds, _changed_trial, _read_trial, (DesignFault,), (trial, readschedule, writeschedule)),
    Target(
        "pressure log", 0.01, lambda: list(LOGS), mutation.file_text, _read_log, (DesignFault,), (pressurelog, logtext, logclock, logcolumns, logreadings, logunits)
    ),
)
BY_NAME = {target.name: target for target in TARGETS}
