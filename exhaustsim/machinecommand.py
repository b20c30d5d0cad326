"""`exhaustsim machine`: the loaded machine with leakers, broken valves, stops and other incidents named on the command line.

Reads the incidents as a person writes them ("5=1 Pa L/s@30"), tells every fault of them at once, and runs what is asked.
Light to import: the simulator is loaded when the command is run.
"""

from __future__ import annotations

import os

EXAMPLE = 'exhaustsim machine demo_data/schedules/dt1_standard.toml --leaker "5=1 Pa L/s" --stop 60@100 --out out'
HERE = "command line"  # where the faults stand
MOST_INDICES_ASKED = 10_000  # days of work of a machine, and of this program; more is a slip of the keyboard
LARGEST_LEAK = 100.0  # Pa L/s: no leak above this is tried by --leak-limits
OPTIONS = {  # name of an incident -> option, and how the field is called there
    "Leaker": "--leaker", "BrokenValve": "--broken", "Stop": "--stop", "ScoredPlate": "--scored", "SlackCoil": "--slack-coil",
    "EmptyHead": "--empty", "WeakPump": "--weak-pump", "OtherValves": "--other",
    "AiredHeads": "--aired",
}  # fmt: skip
SECONDS = "seconds since the run began"


def add_options(command) -> None:
    """The options of `exhaustsim machine`."""
    command.add_argument("schedule", metavar="SCHEDULE", help="schedule file (TOML) of the valves on all heads")

    def several(option, metavar, text):
        command.add_argument(option, action="append", default=[], metavar=metavar, help=text)

    several("--leaker", "HEAD=RATE[@S]", f'the valve on HEAD leaks from S on ({SECONDS}; default 0): "5=1 Pa L/s@30", "5=2.5 lusec"')
    several("--broken", "HEAD[@S]", "the bulb on HEAD breaks")
    several("--stop", "SECONDS[@S]", "the turret stands for SECONDS, by default from the middle of the first dwell on")
    command.add_argument("--rf-stays", action="store_true", help="RF stays on when the turret stops; else it trips")
    several("--scored", "HEAD=RATE[@S]", "the port plate under HEAD is scored and lets in so much air on every line")
    several("--slack-coil", "POSITION=SHARE[@S]", "the RF coil at POSITION gives only a share of its power, as 0.8")
    several("--empty", "HEAD[@S]", "no valve is loaded into HEAD from the next time that it comes to position 1")
    several("--weak-pump", "LINE=SHARE[@S]", "the pump of LINE keeps only a share of its speed")
    several("--other", "HEADS=SCHEDULE", "HEADS (as 2,4-6) are loaded by another schedule from position 1 on")
    several("--aired", "HEADS=TIME[@S]", 'HEADS (as 2,4-6) stood open to room air for so long before they are loaded, as 1-16="12 h"; they pass on the water')
    command.add_argument("--spark-test", metavar="RATE", help="leak from which the spark test finds a leaker; its head is then blanked")
    command.add_argument("--indices", metavar="N", help="how many indices to run; by default until pressures repeat themselves, with --aired three rotations")
    command.add_argument("--seconds", metavar="T", help="how long to run instead, stops counted in")
    command.add_argument("--from-empty", action="store_true", help="begin with empty heads instead of a full, steady machine")
    command.add_argument(
        "--leak-limits", action="store_true",
        help=f"the leak at which a neighbour misses its target, up to {LARGEST_LEAK:g} Pa L/s (about 10 machine runs)",
    )  # fmt: skip
    command.add_argument("--stop-tolerance", action="store_true", help="how long a stop each position bears (about 15 machine runs)")
    command.add_argument(
        "--cold-start", metavar="MINUTES",
        help="how many valves to scrap when loading begins MINUTES after the machine was switched on cold (its file needs [warm_up])",
    )  # fmt: skip
    command.add_argument("--cross-talk", action="store_true", help="how much of each position's bulb pressure is the neighbours'")
    several(
        "--move-line", "POSITION=LINE",
        'what it would do to move a position to another line (heads alike, no incidents), as 12=D; "all": every move to a neighbouring line',
    )
    several(
        "--mixed", "[HEADS=]SCHEDULE",
        "whether HEADS (by default every second one) can be loaded by another schedule, and which line bears it; a card for another "
        "machine is put onto this one by rule",
    )
    command.add_argument("--out", metavar="DIR", help="write a page (HTML), pictures (PNG) and the result (JSON) there")
    command.add_argument("--strict", action="store_true", help="exit 3 when a valve is to be scrapped or a flag says stop")


def work(options, progress):
    """Read, check and run; returns the findings.

    Raises
    ------
    DesignFault
        Every fault of schedule and options.
    FailedRun
        As `simulate_machine`.
    """
    from exhaustsim.plant.designfile import load_schedule
    from exhaustsim.plant.faults import DesignFault
    from exhaustsim.reporting.machinefindings import find
    from exhaustsim.units import PASCAL_LITRE

    faults = []
    schedule = None
    try:
        schedule = load_schedule(options.schedule)
    except DesignFault as fault:
        faults += fault.faults
    asked = _Reader(faults)
    incidents, spark, indices, seconds = asked.incidents(options, schedule), *asked.length(options)
    cold = asked.cold_start(options.cold_start)
    moves, mixes = asked.moves(options.move_line, schedule), asked.mixes(options.mixed, schedule)
    if schedule is not None:
        faults += _impossible(schedule, incidents, indices, seconds)
    if faults:
        raise DesignFault(faults)
    return find(
        schedule, incidents, indices=indices, seconds=seconds, from_empty=options.from_empty, spark_test_catches=spark,
        largest_leak=LARGEST_LEAK * PASCAL_LITRE if options.leak_limits else None, tolerances=options.stop_tolerance,
        neighbours=options.cross_talk, cold_start=cold, moves=moves, mixes=mixes,
        rf_stays=options.rf_stays, pressure_unit=options.units, tolerance=options.tolerance, progress=progress,
    )  # fmt: skip


def write(findings, folder: str) -> list[str]:
    """Page and pictures; returns their names."""
    from exhaustsim.reporting.machinepage import write_page

    return [os.path.basename(path) for path in write_page(findings, folder)]


def text(findings) -> str:
    """What the terminal shows."""
    from exhaustsim.reporting.machinetext import machine_text

    return machine_text(findings)


def _impossible(schedule, incidents, indices, seconds):
    """Faults of incidents that cannot happen, told by the options that named them."""
    from dataclasses import replace

    from exhaustsim.engine.loaded import MOST_INDICES, plan
    from exhaustsim.plant.faults import DesignFault, Fault
    from exhaustsim.plant.incidents import Stop, check_incidents
    from exhaustsim.reporting.machinefindings import bench_faults

    faults = bench_faults(schedule)
    if faults:
        return faults  # heads and positions mean nothing there
    longest = MOST_INDICES_ASKED * schedule.index_time
    if max(indices or 0, (seconds or 0.0) / schedule.index_time) > MOST_INDICES_ASKED:
        option, given = ("--indices", f"{indices}") if indices else ("--seconds", f"{seconds:g}")
        return [Fault(HERE, option, given, f"must be at most {MOST_INDICES_ASKED} indices or {longest:g} s", "run less; a machine repeats itself")]
    count = indices or MOST_INDICES
    stood = sum(i.duration for i in incidents if isinstance(i, Stop) and 0.0 < i.duration < float("inf"))
    try:
        check_incidents(schedule, incidents, seconds or count * schedule.index_time + stood, HERE)
        plan(schedule, incidents, count)
    except DesignFault as fault:
        for one in fault.faults:
            name, _, field = one.key.partition(".")
            faults.append(replace(one, file=HERE, key=f"{OPTIONS.get(name, name)} {field}".strip()))
    return faults


class _Reader:
    """Reads the texts of the options; what cannot be read is added to `faults`."""

    def __init__(self, faults: list):
        self.faults = faults

    def incidents(self, options, schedule) -> list:
        """Every incident that could be read."""
        from exhaustsim.plant import incidents as plant

        out = []

        def each(option, texts, read, make):
            for text in texts:
                try:
                    what, start = self._moment(option, text)
                    out.append(make(*read(what), **({} if start is None else {"start": start})))
                except _Unreadable as problem:
                    self._fault(option, text, *problem.args)

        def named_rate(text):
            head, rate = _parted(text, 'HEAD=RATE, such as "5=1 Pa L/s"')
            return _whole(head, "a head"), _rate(rate)

        def named_share(text):
            name, share = _parted(text, "a name and a share, such as 9=0.8")
            return name, _read(share, "share")

        def coil(text):
            name, share = named_share(text)
            return _whole(name, "a position"), share

        each("--leaker", options.leaker, named_rate, plant.Leaker)
        each("--broken", options.broken, lambda text: [_whole(text, "a head")], plant.BrokenValve)
        each("--scored", options.scored, named_rate, plant.ScoredPlate)
        each("--slack-coil", options.slack_coil, coil, plant.SlackCoil)
        each("--empty", options.empty, lambda text: [_whole(text, "a head")], plant.EmptyHead)
        each("--weak-pump", options.weak_pump, named_share, plant.WeakPump)
        middle = 0.0 if schedule is None else schedule.machine.transfer_time + 0.5 * schedule.dwell

        def stop(duration, start=middle):
            return plant.Stop(start, duration, options.rf_stays)

        each("--stop", options.stop, lambda text: [_seconds(text)], stop)

        def stand(text):
            heads, duration = _parted(text, 'HEADS=TIME, such as 1-16="12 h"')
            return _heads(heads), _read(duration, "time")  # hours are meant as a rule: a bare number would be taken for seconds

        each("--aired", options.aired, stand, plant.AiredHeads)
        for text in options.other:
            out += self._other(text, schedule)
        if options.rf_stays and not options.stop and not options.stop_tolerance:
            self._fault("--rf-stays", "", "says how the RF takes a stop, and there is none", "add --stop or --stop-tolerance")
        return out

    def length(self, options):
        """(leak that the spark test finds, indices, seconds)."""
        values = []
        for option, text, read in (
            ("--spark-test", options.spark_test, _rate), ("--indices", options.indices, lambda t: _whole(t, "a number of indices")),
            ("--seconds", options.seconds, _seconds),
        ):  # fmt: skip
            value = None
            if text is not None:
                try:
                    value = read(text)
                    if not 0 < value < float("inf"):
                        raise _Unreadable("must be above 0 and finite")
                except _Unreadable as problem:
                    self._fault(option, text, *problem.args)
                    value = None
            values.append(value)
        if options.indices is not None and options.seconds is not None:
            self._fault("--indices", options.indices, "a run ends after so many indices or so many seconds", "leave out one of them")
            values[2] = None
        return values

    def cold_start(self, text) -> float | None:
        """Seconds between switching on and loading."""
        if text is None:
            return None
        try:
            minutes = float(text)
        except ValueError:
            minutes = -1.0
        if not 0.0 <= minutes < float("inf"):
            self._fault("--cold-start", text, "needs minutes from 0 up", "as --cold-start 30")
            return None
        return 60.0 * minutes

    def _other(self, text, schedule) -> list:
        """Heads loaded by another schedule."""
        from exhaustsim.plant.designfile import load_schedule
        from exhaustsim.plant.faults import DesignFault
        from exhaustsim.plant.incidents import OtherValves

        try:
            names, path = _parted(text, "HEADS=SCHEDULE, such as 2,4-6=dp2.toml")
            heads = _heads(names)
            other = load_schedule(path)
        except _Unreadable as problem:
            self._fault("--other", text, *problem.args)
            return []
        except DesignFault as fault:
            self.faults += fault.faults
            return []
        return [] if schedule is None else [OtherValves(heads, other)]

    def moves(self, texts, schedule) -> list[tuple[int, str]] | None:
        """Positions and the lines that they are to be tried on; empty for all, None when not asked."""
        from exhaustsim.reporting.machinefindings import spans
        from exhaustsim.studies.linemoves import problem_of_move

        if not texts:
            return None
        out = []
        for text in texts:
            if text.strip() == "all":
                continue
            try:
                place, line = _parted(text, "POSITION=LINE, such as 12=D, or all")
                position = _whole(place, "a position")
                if schedule is not None and (problem := problem_of_move(schedule.machine, position, line)):
                    lines = schedule.machine.line_of_position
                    stands = (f"{name} at {spans(p for p in lines if lines[p] == name)}" for name in dict.fromkeys(lines.values()))
                    raise _Unreadable(problem, f"the lines are {', '.join(stands)}")
                out.append((position, line))
            except _Unreadable as problem:
                self._fault("--move-line", text, *problem.args)
        return [] if any(text.strip() == "all" for text in texts) else out

    def mixes(self, texts, schedule) -> list:
        """(heads, schedule) of every second valve that is asked about."""
        from dataclasses import replace

        from exhaustsim.plant.designfile import load_schedule
        from exhaustsim.plant.faults import DesignFault
        from exhaustsim.studies.mixedvalves import faults_of_mix

        out = []
        for text in texts:
            names, equals, path = text.rpartition("=")
            try:
                heads = _heads(names) if equals else None
                other = load_schedule(path)
            except _Unreadable as problem:
                self._fault("--mixed", text, *problem.args)
                continue
            except DesignFault as fault:
                self.faults += fault.faults
                continue
            if schedule is None:
                continue
            heads = heads or tuple(range(1, schedule.machine.positions + 1, 2))
            for fault in faults_of_mix(schedule, other, heads, HERE):
                self.faults.append(replace(fault, key=fault.key.replace("OtherValves.", "--mixed ")))
            out.append((heads, other))
        return out

    def _moment(self, option, text):
        """(what, seconds or None) of "what@seconds"."""
        what, at, moment = text.rpartition("@")
        return (what, _seconds(moment)) if at else (text, None)

    def _fault(self, option, text, need, cure=""):
        from exhaustsim.plant.faults import Fault

        self.faults.append(Fault(HERE, option, text, need, cure))


class _Unreadable(ValueError):
    """(need, cure) of a text that cannot be read."""


def _parted(text: str, need: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not equals or not name.strip() or not value.strip():
        raise _Unreadable(f"needs {need}")
    return name.strip(), value.strip()


def _whole(text: str, what: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise _Unreadable(f"needs {what} as a whole number, not {text.strip()!r}") from None


def _heads(text: str) -> tuple[int, ...]:
    """Heads as 2,4-6."""
    heads: list[int] = []
    for part in text.split(","):
        first, dash, last = part.partition("-")
        low = _whole(first, "a head")
        high = _whole(last, "a head") if dash else low
        if not 0 < high - low + 1 <= 1000:
            raise _Unreadable("needs heads in rising order", "such as 2,4-6")
        heads += range(low, high + 1)
    return tuple(heads)


def _read(text: str, kind: str) -> float:
    from exhaustsim.units import UnitFault, parse

    try:
        return parse(text, kind)
    except UnitFault as fault:
        raise _Unreadable(fault.need if fault.cure else str(fault), fault.cure) from None


def _rate(text: str) -> float:
    """A leak [mol/s], which must carry its unit and be a leak."""
    from exhaustsim.plant.incidents import BROKEN_LEAK
    from exhaustsim.units import show

    value = _read(text, "throughput")
    if not 0.0 <= value <= BROKEN_LEAK:
        most = show(BROKEN_LEAK, "throughput", "Pa m3/s", 2)
        raise _Unreadable(f"must be 0 to {most}", "a leak lets air in; for a broken bulb use --broken")
    return value


def _seconds(text: str) -> float:
    """A time [s]; a plain number is seconds."""
    try:
        return float(text)
    except ValueError:
        return _read(text, "time")
