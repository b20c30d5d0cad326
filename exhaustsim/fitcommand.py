"""`exhaustsim fit`: a pressure log or a machine log asked one question, named with --kind.

Reads what the user says of gauge, volume, speeds and times, tells every fault at once, and writes the answer.  Without
--kind nothing is fitted: the command says what the log looks like and which questions it would bear.
Light to import: readers and fits are loaded when the command is run.
"""

from __future__ import annotations

import math
import os

EXAMPLE = 'exhaustsim fit demo_data/logs/L3_rise_leaker.csv --kind rise --volume "15 cm3"'
HERE = "command line"  # where the faults stand
KIND_NAMES = ("rise", "exhaust", "ride", "orifice", "batches", "machine")
#: Options that a kind takes beside those of the log; of what is given for another kind the user is told.
TAKEN = {
    "rise": ("volume", "volume_sd", "temperature", "surround", "began", "age", "bootstrap"),
    "exhaust": ("volume", "net_speed", "speed_error", "temperature", "began", "terms", "bootstrap"),
    "orifice": ("volume", "conductance", "speed_error", "downstream", "began", "bootstrap"),
    "ride": ("schedule", "free", "place", "every", "overlay"),
    "batches": ("volume", "temperature", "began", "age"),
    "machine": ("net_speed",),
}
OF_A_KIND = tuple(dict.fromkeys(name for names in TAKEN.values() for name in names))
#: Options of a pressure log, which the machine log does not know.
OF_A_TRACE = ("unit", "time_unit", "time_column", "gauge", "calibration_gas", "gas", "scale_error", "trace", "start", "end", "floor", "ceiling")


def add_options(command) -> None:
    """The options of `exhaustsim fit`."""
    command.description += (
        " A refusal is an answer of the data: exit 0, or 3 with --strict. Without --kind nothing is fitted: it says which kinds would suit."
    )
    command.add_argument("log", metavar="LOG", help="pressure log or machine log, text with columns")
    command.add_argument("second", metavar="LOG2", nargs="?", help="the gauge on the pump side (orifice), or the other lot (batches)")
    command.add_argument("--kind", choices=KIND_NAMES, help="the question; without it the command says which would suit")
    log = command.add_argument_group("the log")
    for option, metavar, words in (
        ("--unit", "UNIT", "unit of the readings where the file names none; it is never guessed"),
        ("--time-unit", "UNIT", "unit of the time where the file names none"),
        ("--time-column", "NAME", "column of the time"),
        ("--trace", "NAME", "gauge or test to fit, of a file with several"),
        ("--gauge", "KIND", "kind of gauge, as hot_cathode (exhaustsim constants 'gauges.*')"),
        ("--calibration-gas", "GAS", "gas that it was calibrated with"),
        ("--gas", "GAS", "gas that was there; by default that of the calibration"),
        ("--scale-error", "SHARE", "how far its scale may be out, one standard deviation, as 5%%; by default that of the kind of gauge"),
        ("--floor", "PRESSURE", 'foot of the scale, as "5e-3 Pa": readings at or below it become bounds'),
        ("--ceiling", "PRESSURE", "end of the scale"),
    ):
        log.add_argument(option, metavar=metavar, help=words)
    log.add_argument("--from", dest="start", metavar="S", help="first second of the log that is used")
    log.add_argument("--to", dest="end", metavar="S", help="last second of the log that is used")
    question = command.add_argument_group("the question")
    for option, metavar, words in (
        ("--volume", "VOLUME", 'closed or pumped volume, as "15 cm3"'),
        ("--volume-sd", "VOLUME", "standard error of the volume"),
        ("--conductance", "SPEED", 'of the orifice, for the gas that flows, as "0.1 L/s"'),
        ("--downstream", "PRESSURE", "steady pressure on the side of the pump"),
        ("--speed-error", "SHARE", "how far net speed or conductance may be out, one standard deviation"),
        ("--temperature", "T", 'of the gas, as "20 degC"'),
        ("--surround", "GAS", "gas round head and valve during a rise"),
        ("--began", "S", "second of the log at which the volume was closed or pumping began; of an exhaust also: fit"),
        ("--age", "TIME", "how long the parts had been pumped when the volume was closed"),
        ("--terms", "A,B", "terms of an exhaust instead of a choice: constant, inverse, root, power, exponential"),
        ("--schedule", "FILE", "schedule that was ridden"),
        ("--free", "A,B", "what a ride may move; by default everything that it can"),
        ("--place", "PLACE", "of the gauge of a ride: bulb or line"),
        ("--every", "N", "fit one reading in N of a ride, to save time"),
        ("--overlay", "FILE", "write the fitted values of a ride as an overlay of the valve file"),
        ("--level", "X", "of the intervals (default 0.95)"),
    ):
        question.add_argument(option, metavar=metavar, help=words)
    question.add_argument(
        "--net-speed", action="append", default=[], metavar="SPEED", help='at the gauge, as "2 L/s"; of a machine log LINE=SPEED, once for each line'
    )
    question.add_argument("--bootstrap", action="store_true", help="intervals from logs drawn anew beside those of the fit")
    command.add_argument("--out", metavar="DIR", help="write a page (HTML), pictures (PNG) and the result (JSON) there")
    command.add_argument("--strict", action="store_true", help="exit 3 when the data refuse the fit")


def work(options, progress):
    """Read, check and fit; returns a `LogAnswer`, or a `Look` without --kind.

    Raises
    ------
    DesignFault
        Every fault of log and options.
    FailedRun
        The simulation of a ride failed.
    """
    from exhaustsim.plant.faults import DesignFault
    from exhaustsim.studies.logstudy import study

    progress("reading the log")
    faults: list = []
    reader = _Reader(options, faults)
    reader.check_kind()
    asked = reader.asked()
    if options.kind == "machine":
        from exhaustsim.plant.machinelog import load_machine_log
        from exhaustsim.studies.machinestudy import study_machine

        speeds, log = reader.speeds(), reader.of_file(load_machine_log, options.log)
        if log is not None and "line_id" in log.columns:
            lines = set(log.text("line_id")) - {""}
            for line in speeds:
                if line not in lines:
                    reader.fault("--net-speed", line, "no such line in the log", f"the lines are {', '.join(sorted(lines))}")
        if faults:
            raise DesignFault(faults)
        return study_machine(log, speeds, level=asked.level, progress=progress)
    logs = [reader.pressure_log(path) for path in (options.log, options.second) if path is not None]
    if faults:
        raise DesignFault(faults)
    if options.kind is None:
        from exhaustsim.reporting.fittext import Look

        return Look.of(logs)
    return _overlaid(options, study(options.kind, logs, asked, progress))


def _overlaid(options, answer):
    """The answer, its overlay written where one is asked for."""
    from dataclasses import replace

    from exhaustsim.plant.faults import DesignFault, Fault
    from exhaustsim.plant.designfile import load_schedule
    from exhaustsim.studies.overlay import NothingToWrite, distance_from_run, write_overlay

    if options.overlay is None:
        return answer
    if not answer.parts:
        return replace(answer, following=(*answer.following, f"{options.overlay} was not written: nothing was fitted"))
    try:
        write_overlay(answer.parts[0].result, options.overlay, options.log)
    except NothingToWrite as no:
        return replace(answer, following=(*answer.following, f"{options.overlay} was not written: {no}"))
    except OSError as problem:
        raise DesignFault([Fault(HERE, "--overlay", options.overlay, f"cannot be written: {problem.strerror or problem}")]) from None
    told = f"{options.overlay} written: name it in a schedule in the place of the valve file"
    found = answer.parts[0].result
    if found.ride.place == "bulb":
        away = distance_from_run(found, load_schedule(options.schedule, valve=options.overlay))
        told += f"; half of the readings lie within {100.0 * away:.2g} % of the run with it (scatter of the log {100.0 * found.inference.scatter:.2g} %)"
    return replace(answer, evidence=(*answer.evidence, told))


def write(answer, folder: str, unit: str) -> list[str]:
    """Page and pictures, pressures in `unit`; returns their names."""
    from exhaustsim.reporting.fitpage import write_page

    return [os.path.basename(path) for path in write_page(answer, folder, unit)]


def text(answer) -> str:
    """What the terminal shows."""
    from exhaustsim.reporting.fittext import fit_text

    return fit_text(answer)


class _Reader:
    """Reads the texts of the options; what cannot be read is added to `faults`."""

    def __init__(self, options, faults: list):
        self.options, self.faults = options, faults

    def fault(self, option, text, need, cure="") -> None:
        from exhaustsim.plant.faults import Fault

        self.faults.append(Fault(HERE, option, str(text), need, cure))

    def check_kind(self) -> None:
        """Options that the kind does not take."""
        options, kind = self.options, self.options.kind
        takes = TAKEN.get(kind, ())
        for name in OF_A_KIND:
            if getattr(options, name) and name not in takes:
                option = f"--{name.replace('_', '-')}"
                users = ", ".join(k for k in KIND_NAMES if name in TAKEN[k])
                self.fault(option, "", "is of no use without --kind" if kind is None else f"is of no use for --kind {kind}", f"it belongs to --kind {users}")
        if kind == "machine":
            for name in OF_A_TRACE:
                if getattr(options, name) is not None:
                    option = {"start": "--from", "end": "--to"}.get(name, f"--{name.replace('_', '-')}")
                    self.fault(option, getattr(options, name), "is of no use for a machine log", "leave it out")
        if options.second is not None and kind not in (None, "orifice", "batches"):
            self.fault("LOG2", options.second, f"a second log is of no use for --kind {kind}", "it belongs to --kind orifice, batches")
        if kind is None:
            for name in ("out", "gas", "scale_error", "start", "end"):
                if getattr(options, name) is not None:
                    option = {"start": "--from", "end": "--to"}.get(name, f"--{name.replace('_', '-')}")
                    self.fault(option, getattr(options, name), "is of no use without --kind, which fits nothing", f"choose one of {', '.join(KIND_NAMES)}")

    def of_file(self, load, path, **more):
        """What a file holds, or None with its faults noted."""
        from exhaustsim.plant.faults import DesignFault

        try:
            return load(path, **more)
        except DesignFault as fault:
            self.faults += fault.faults
            return None

    def pressure_log(self, path):
        from exhaustsim.plant.pressurelog import load_log

        o = self.options
        return self.of_file(
            load_log, path, unit=o.unit, time_unit=o.time_unit, time_column=o.time_column, gauge=o.gauge, calibration_gas=o.calibration_gas,
            place=o.place, floor=o.floor, ceiling=o.ceiling,
        )  # fmt: skip

    def value(self, name, kind, low=0.0, open_low=True):
        """The value of an option [SI], None when it is not given or cannot be read; a plain number is taken for times and shares only."""
        from exhaustsim.units import UnitFault, parse

        text, option = getattr(self.options, name), {"start": "--from", "end": "--to"}.get(name, f"--{name.replace('_', '-')}")
        if text is None:
            return None
        try:
            try:
                value = float(text) if kind in ("time", "share") else parse(text, kind)
            except ValueError:
                value = parse(text, kind)
        except UnitFault as problem:
            self.fault(option, text, problem.need, problem.cure)
            return None
        if not math.isfinite(value) or value < low or (open_low and value == low):
            self.fault(option, text, f"must be {'above' if open_low else 'no less than'} {low:g}" if low == 0.0 else "must be a finite number")
            return None
        return value

    def words(self, name) -> tuple[str, ...] | None:
        text = getattr(self.options, name)
        return None if text is None else tuple(w.strip() for w in text.split(",") if w.strip())

    def speeds(self) -> dict[str, float]:
        """LINE=SPEED of a machine log."""
        from exhaustsim.units import UnitFault, parse

        found = {}
        for text in self.options.net_speed:
            line, equals, speed = text.partition("=")
            try:
                if not equals:
                    raise UnitFault("needs LINE=SPEED", 'as F1="2.2 L/s"')
                value = parse(speed.strip(), "speed")
                if not 0.0 < value < math.inf:
                    raise UnitFault("must be above 0")
                if line.strip() in found:
                    raise UnitFault("names a line twice", "give each line once")
                found[line.strip()] = value
            except UnitFault as problem:
                self.fault("--net-speed", text, problem.need or str(problem), problem.cure)
        return found

    def asked(self):
        """Everything the user says, as far as it can be read."""
        from exhaustsim.constants import GAS_NAMES
        from exhaustsim.plant.faults import nearest
        from exhaustsim.studies.logstudy import Asked, name_of_gas
        from exhaustsim.studies.ridequantities import NAMES
        from exhaustsim.units import UnitFault, parse

        o = self.options
        gas = None
        if o.gas is not None:
            gas = name_of_gas(o.gas)
            if gas is None:
                self.fault("--gas", o.gas, "no gas of that name", nearest(o.gas, GAS_NAMES))
        start, end = self.value("start", "time", -math.inf), self.value("end", "time", -math.inf)
        if start is not None and end is not None and not start < end:
            self.fault("--from, --to", f"{start:g} to {end:g}", "the end must come after the beginning")
        fit_began = o.began == "fit"
        began = None if fit_began else self.value("began", "time", -math.inf)
        if fit_began and o.kind != "exhaust":
            self.fault("--began", "fit", "the beginning is fitted for --kind exhaust only", "give the second of the log")
        volume, sd = self.value("volume", "volume"), self.value("volume_sd", "volume", open_low=False)
        if volume is not None and sd is not None and sd >= volume:
            self.fault("--volume-sd", o.volume_sd, "must be below the volume")
        speed = None
        if o.net_speed and o.kind == "exhaust":
            if len(o.net_speed) > 1:
                self.fault("--net-speed", ", ".join(o.net_speed), "an exhaust has one net speed", "give it once")
            try:
                speed = parse(o.net_speed[0], "speed")
                if not 0.0 < speed < math.inf:
                    self.fault("--net-speed", o.net_speed[0], "must be above 0")
            except UnitFault as problem:
                self.fault("--net-speed", o.net_speed[0], problem.need, problem.cure)
        level = self.value("level", "share")
        if level is not None and not 0.5 <= level < 1.0:
            self.fault("--level", o.level, "must be from 0.5 up and below 1", "as 0.95")
        every = 1
        if o.every is not None:
            try:
                every = int(o.every)
            except ValueError:
                every = 0
            if every < 1:
                self.fault("--every", o.every, "needs a whole number from 1 up")
                every = 1
        terms, free = self.words("terms"), self.words("free")
        self._known("--terms", terms, ("constant", "inverse", "root", "power", "exponential"))
        self._known("--free", free, NAMES)
        if free is not None and len(set(free)) < len(free):
            self.fault("--free", o.free, "names a quantity twice")
        if o.place not in (None, "bulb", "line"):
            self.fault("--place", o.place, "must be bulb or line")
            o.place = None
        schedule = None
        if o.schedule is not None:
            from exhaustsim.plant.designfile import load_schedule

            schedule = self.of_file(load_schedule, o.schedule)
        return Asked(
            gas=gas, scale_error=self.value("scale_error", "share", open_low=False), trace=o.trace, start=-math.inf if start is None else start,
            end=math.inf if end is None else end, began=began, fit_began=fit_began, volume=volume, volume_sd=sd,
            temperature=self.value("temperature", "temperature"), surround=o.surround, age=self.value("age", "time"), net_speed=speed,
            speed_error=self.value("speed_error", "share", open_low=False) or 0.0, terms=terms, conductance=self.value("conductance", "speed"),
            downstream=self.value("downstream", "pressure", open_low=False), schedule=schedule, free=free or NAMES, every=every,
            level=0.95 if level is None else level, bootstrap=o.bootstrap,
        )  # fmt: skip

    def _known(self, option, words, known) -> None:
        from exhaustsim.plant.faults import nearest

        for word in words or ():
            if word not in known:
                self.fault(option, word, "is not known", nearest(word, known))
        if words == ():
            self.fault(option, "", "names nothing", f"use {', '.join(known)}")
