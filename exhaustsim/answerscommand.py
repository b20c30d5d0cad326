"""`exhaustsim dwell`, `spread` and `waterfall`: answers to questions that planning asks of a card.

Reads what was asked as a person writes it ("6..12"), tells every fault of schedule, tolerances and request at once, and
runs the studies.  Ctrl-C ends a study within a second; of a spread that was given a folder (`--resume`) everything done
stays there, and the same command goes on.  Light to import: the simulator is loaded when a command is run.
"""

from __future__ import annotations

import contextlib
import os
import signal
import threading

EXAMPLES = {
    "dwell": "exhaustsim dwell demo_data/schedules/dt1_standard.toml --best --out out",
    "spread": "exhaustsim spread demo_data/schedules/dt1_standard.toml --tolerances demo_data/tolerances/dt1.toml -n 2000 --resume study --out out",
    "waterfall": "exhaustsim waterfall demo_data/schedules/dt1_standard.toml demo_data/schedules/dt1_faster.toml --out out",
}
HELP = {
    "dwell": "shortest index time of a card, what binds next, slack of every position, and the best settings",
    "spread": "pass rate under the scatter of production, causes of rejects, and what each tolerance brings",
    "waterfall": "from one card to another one change at a time: what each change bought",
}
HERE = "command line"  # where the faults stand
CONTRIBUTION_VALVES = 128  # a power of two; (tolerances + 2) times as many are marched
MOST_POINTS = 200  # of a curve
SECONDS_FOR_CLUSTER = 10


def add_options(question: str, command) -> None:
    """The options of one of the three commands."""
    {"dwell": _dwell_options, "spread": _spread_options, "waterfall": _waterfall_options}[question](command)
    command.add_argument("--out", metavar="DIR", help="write a page (HTML), pictures (PNG) and the result (JSON) there")
    command.set_defaults(question=question)


def _dwell_options(command) -> None:
    from argparse import BooleanOptionalAction

    command.add_argument("schedule", metavar="SCHEDULE", help="schedule file (TOML)")
    command.add_argument(
        "--slack", action=BooleanOptionalAction, default=True, help="what each position has to spare, and idle positions (a hundred runs; on by default)"
    )
    command.add_argument(
        "--best", action="store_true",
        help="choose heater steps, RF and oven together for the shortest index time, verified on the loaded machine (some 500 runs); "
        "with --out the schedule is written as TOML",
    )  # fmt: skip
    command.add_argument("--margin", default="0", metavar="SHARE", help='share of every limit that --best must leave, such as "3 %%" (default 0)')
    command.add_argument("--frontier", action="store_true", help="output per hour against margin, settings chosen for each (some thousand runs)")
    command.add_argument(
        "--rf", choices=("follow", "keep", "scale"), default="follow",
        help="what RF seconds do when the dwell changes: RF to its end still goes to its end (default), all seconds kept, all in proportion",
    )  # fmt: skip
    command.add_argument("--warn", action="store_true", help="limits that warn must be kept too")
    command.add_argument("--uptime", metavar="SHARE", help='share of the time in which the machine runs, such as "85 %%", for output and energy')
    command.add_argument("--yield", dest="good_share", metavar="SHARE", help="share of the valves that are good, for output and energy")
    command.add_argument("--price", metavar="MONEY", help="of a kWh, for the energy of a good valve")
    command.add_argument("--strict", action="store_true", help="exit 3 when no index time will do")


def _spread_options(command) -> None:
    command.add_argument("schedule", metavar="SCHEDULE", help="schedule file (TOML)")
    command.add_argument("--tolerances", metavar="FILE", required=True, help="what scatters (TOML; exhaustsim template tolerances)")
    command.add_argument("-n", "--valves", default="2000", metavar="N", help="valves (default 2000: a minute or two)")
    command.add_argument("--seed", default="1", metavar="K", help="of the random numbers (default 1)")
    command.add_argument("--resume", metavar="DIR", help="keep results there in chunks; an interrupted study goes on by the same command")
    command.add_argument("--workers", metavar="N", help="threads, or chunks on their way to a cluster (default: one for each core)")
    command.add_argument("--quasi-random", action="store_true", help="valves spread evenly in place of leaving it to chance")
    command.add_argument(
        "--contributions", action="store_true", help=f"what each tolerance brings ({CONTRIBUTION_VALVES} valves times number of tolerances + 2)"
    )
    command.add_argument(
        "--yield-curve", metavar="SECONDS", help="pass rate at these index times, N valves each: 6..12 in steps of 1 s, 6..12:0.5, or 6,8,10"
    )
    command.add_argument("--quicker", metavar="SCHEDULE", help="card for a quicker index: oven, RF and heaters of the curve lie between the two")
    command.add_argument("--getter-curve", metavar="MG", help="pass rate with so many mg of barium, N valves each: 2..5, or 2..5:0.5")
    command.add_argument("--cluster", metavar="ADDRESS", help="do the work on a Dask cluster, such as tcp://scheduler:8786")
    command.add_argument("--strict", action="store_true", help="exit 3 when the drawing fails or the pass rate is below its stop limit")


def _waterfall_options(command) -> None:
    command.add_argument("schedule", metavar="OLD", help="schedule file (TOML) of the card as it was")
    command.add_argument("new", metavar="NEW", help="schedule file (TOML) of the card as it is to be, same valve and machine")
    command.add_argument("--order", metavar="NAMES", help='order of the changes, such as "index time,oven,RF" (the others follow)')
    command.add_argument("--by-position", action="store_true", help="RF and heater steps position by position")
    command.add_argument("--strict", action="store_true", help="exit 3 when the new card misses a target or says stop")


def work(options, progress):
    """Read, check and run; returns the answer.

    Raises
    ------
    DesignFault
        Every fault of files and options.
    FailedRun
        A run came to no result, or a worker was lost for good.
    KeyboardInterrupt
        Ctrl-C; with what is kept.
    """
    from exhaustsim.studies.trials import Cancelled

    with interruptible() as asked_to_stop:
        if options.question == "spread":
            return _spread(options, progress, asked_to_stop)
        try:
            return (_dwell if options.question == "dwell" else _waterfall)(options, progress, asked_to_stop)
        except Cancelled:
            raise KeyboardInterrupt("Interrupted; nothing was written.") from None


def write(answer, folder: str) -> list[str]:
    """Page, pictures and schedule; returns their names."""
    from exhaustsim.reporting.answers import write_answer

    return [os.path.basename(path) for path in write_answer(answer, folder)]


def text(answer) -> str:
    """What the terminal shows."""
    from exhaustsim.reporting.answers import answer_text

    return answer_text(answer)


@contextlib.contextmanager
def interruptible():
    """Gives a function that tells whether Ctrl-C was pressed; pressed once more it ends the command on the spot."""
    pressed = threading.Event()

    def note(_number, _frame):
        if pressed.is_set():
            raise KeyboardInterrupt
        pressed.set()

    if threading.current_thread() is not threading.main_thread():  # signals are the main thread's
        yield pressed.is_set
        return
    before = signal.signal(signal.SIGINT, note)
    try:
        yield pressed.is_set
    finally:
        signal.signal(signal.SIGINT, before)


# ---- dwell, waterfall ------------------------------------------------------------------------------


def _dwell(options, progress, cancel):
    from exhaustsim.reporting.answers import dwell_answer
    from exhaustsim.studies.bestsettings import best_settings, frontier, settings_of
    from exhaustsim.studies.dwell import shortest_index
    from exhaustsim.studies.energy import energy

    asked = Asked()
    schedule = asked.schedule(options.schedule)
    margin = asked.share("--margin", options.margin, zero=True)
    uptime, good_share = asked.share("--uptime", options.uptime), asked.share("--yield", options.good_share)
    price = asked.number("--price", options.price)
    if schedule is not None and (options.best or options.frontier):
        asked.check(lambda: settings_of(schedule))
    asked.end()
    more = {"warn": options.warn, "tolerance": options.tolerance, "progress": progress, "cancel": cancel}
    found = shortest_index(schedule, rf=options.rf, slack=options.slack, **more)
    best = best_settings(schedule, margin=margin, **more) if options.best else None
    front = frontier(schedule, **more) if options.frontier else None
    at = {"uptime": uptime, "good_share": good_share, "price": price}
    energies = [energy(schedule, **at)]
    if found.found is not None and found.found != schedule:
        energies.append(energy(found.found, run=found.verdict.run, **at))
    return dwell_answer(found, energies, best, front)


def _waterfall(options, progress, cancel):
    from exhaustsim.plant.faults import DesignFault
    from exhaustsim.reporting.answers import waterfall_answer
    from exhaustsim.studies.waterfall import waterfall

    asked = Asked()
    first, last = asked.schedule(options.schedule), asked.schedule(options.new)
    asked.end()
    order = [name.strip() for name in (options.order or "").split(",") if name.strip()]
    try:
        return waterfall_answer(
            waterfall(first, last, order=order, by_position=options.by_position, tolerance=options.tolerance, progress=progress, cancel=cancel)
        )
    except DesignFault as fault:
        raise asked.told(fault, {"order": "--order"}) from None


# ---- spread -------------------------------------------------------------------------------------------


def _spread(options, progress, cancel):
    from exhaustsim.engine.result import FailedRun
    from exhaustsim.plant.faults import DesignFault, Fault
    from exhaustsim.reporting.answers import spread_answer
    from exhaustsim.studies.chunkwork import LostWorker
    from exhaustsim.studies.contributions import contributions
    from exhaustsim.studies.spread import spread
    from exhaustsim.studies.trials import Cancelled
    from exhaustsim.studies.yieldcurve import getter_curve, yield_curve

    schedule, tolerances, quicker, n, seed, workers, times, fills = _asked_of_spread(options)
    doing = ""

    def tell(done, valves):
        progress(f"{doing}: {done} of {valves} valves")

    with contextlib.ExitStack() as stack:
        executor = stack.enter_context(_cluster(options.cluster)) if options.cluster else None
        more = {"seed": seed, "workers": workers, "executor": executor, "progress": tell, "cancel": cancel}

        def folder(name):
            return os.path.join(options.resume, name) if options.resume else None

        try:
            doing = f"spread of {schedule.name}"
            found = spread(schedule, tolerances, n, quasi_random=options.quasi_random, out=folder("spread"), tolerance=options.tolerance, **more)
            brings = curve = getter = None
            if options.contributions:
                doing = "what each tolerance brings"
                brings = contributions(schedule, tolerances, CONTRIBUTION_VALVES, out=folder("contributions"), **more)
            if times:
                doing = "pass rate against index time"
                curve = yield_curve(
                    schedule, tolerances, times, n, quicker=quicker, quasi_random=options.quasi_random, out=folder("yield_curve"), **more
                )
            if fills:
                doing = "pass rate against getter fill"
                getter = getter_curve(schedule, tolerances, fills, n, quasi_random=options.quasi_random, out=folder("getter_curve"), **more)
        except Cancelled as stopped:
            kept = "Nothing is lost: the same command goes on from there." if options.resume else "Nothing is kept; with --resume DIR a study can go on."
            raise KeyboardInterrupt(f"{doing}: {str(stopped)[:1].lower()}{str(stopped)[1:]} {kept}") from None
        except LostWorker as problem:
            raise FailedRun(str(problem)) from problem
        except OSError as problem:
            place = problem.filename or options.resume or ""
            raise DesignFault([Fault(HERE, "--resume", str(place), f"cannot be written or read: {problem.strerror or problem}", "name another folder")]) from problem
    return spread_answer(found, brings, curve, getter)


def _asked_of_spread(options):
    """Everything that was asked of a spread; all faults of it at once."""
    from exhaustsim.plant.tolerances import read_tolerances
    from exhaustsim.studies.spread import number_faults, request_faults
    from exhaustsim.studies.yieldcurve import fill_faults, index_faults
    from exhaustsim.units import convert, parse

    asked = Asked()
    schedule = asked.schedule(options.schedule)
    before = len(asked.faults)
    tolerances = read_tolerances(options.tolerances, asked.faults)
    if len(asked.faults) > before:
        tolerances = None
    quicker = asked.schedule(options.quicker) if options.quicker else None
    n, seed = asked.whole("-n", options.valves), asked.whole("--seed", options.seed)
    workers = None if options.workers is None else asked.whole("--workers", options.workers)
    times = asked.points("--yield-curve", options.yield_curve, "6..12")
    fills = [parse(f"{mg!r} mg", "mass") for mg in asked.points("--getter-curve", options.getter_curve, "2..5")]
    if options.quicker and options.yield_curve is None:
        asked.fault("--quicker", options.quicker, "says between which cards the curve lies, and there is none", "add --yield-curve")
    names = {"valves": "-n", "seed": "--seed", "workers": "--workers", "indices": "--yield-curve", "quicker": "--quicker", "fills": "--getter-curve"}
    # What could not be read is told already, and is asked about as a number that will do.
    asked.take(number_faults(1 if n is None else n, 1 if seed is None else seed, workers), names)
    if schedule is not None and tolerances is not None:
        asked.take(request_faults(schedule, tolerances, 1, 1), names)
    if schedule is not None and times:
        asked.take(index_faults(schedule, times, quicker), names)
    if fills:
        asked.take(fill_faults(fills), names, lambda given: ", ".join(f"{convert(m, 'mass', 'mg'):g} mg" for m in fills) if given else given)
    asked.end()
    return schedule, tolerances, quicker, n, seed, workers, times, fills


@contextlib.contextmanager
def _cluster(address: str):
    """The executor of a Dask cluster."""
    from exhaustsim.plant.faults import DesignFault, Fault

    def fault(need, cure):
        return DesignFault([Fault(HERE, "--cluster", address, need, cure)])

    try:
        from distributed import Client
    except ImportError:
        raise fault("needs the package distributed, which is not installed", 'python -m pip install "exhaustsim[cluster]"') from None
    try:
        client = Client(address, timeout=SECONDS_FOR_CLUSTER)
    except (OSError, TimeoutError, ValueError) as problem:
        raise fault(f"no scheduler answers there ({problem})", "start one with `dask scheduler`, and workers with `dask worker ADDRESS`") from problem
    with client:
        yield client.get_executor()


class Asked:
    """Reads files and options; what cannot be used is added to `faults`."""

    def __init__(self) -> None:
        self.faults: list = []

    def end(self) -> None:
        """Raises `DesignFault` if there are faults."""
        from exhaustsim.plant.faults import DesignFault

        if self.faults:
            raise DesignFault(self.faults)

    def fault(self, option: str, given, need: str, cure: str = "") -> None:
        from exhaustsim.plant.faults import Fault

        self.faults.append(Fault(HERE, option, str(given), need, cure))

    def take(self, faults, names: dict[str, str], shown=lambda given: given) -> None:
        """Faults of a study, told by the options that named them."""
        self.faults += _by_option(faults, names, shown)

    def told(self, fault, names: dict[str, str]):
        """A `DesignFault` of a study, told by the options that named what is wrong."""
        return type(fault)(_by_option(fault.faults, names))

    def check(self, question) -> None:
        """Ask what raises `DesignFault`."""
        from exhaustsim.plant.faults import DesignFault

        try:
            question()
        except DesignFault as fault:
            self.faults += fault.faults

    def schedule(self, path: str):
        """The schedule, or None."""
        from exhaustsim.plant.designfile import load_schedule

        found = []
        self.check(lambda: found.append(load_schedule(path)))
        return found[0] if found else None

    def whole(self, option: str, given: str) -> int | None:
        try:
            return int(given)
        except ValueError:
            return self.fault(option, given, "needs a whole number")

    def number(self, option: str, given: str | None) -> float | None:
        if given is None:
            return None
        try:
            value = float(given)
        except ValueError:
            value = -1.0
        return value if 0.0 <= value < float("inf") else self.fault(option, given, "needs a number, 0 or more")

    def share(self, option: str, given: str | None, zero: bool = False) -> float | None:
        """A share above 0 (or from 0) to 1."""
        from exhaustsim.units import UnitFault, parse

        if given is None:
            return None
        try:
            value = parse(given, "share") if "%" in given else float(given)
        except (UnitFault, ValueError):
            value = -1.0
        if (0.0 <= value < 1.0) if zero else (0.0 < value <= 1.0):
            return value
        return self.fault(option, given, f"needs a share {'from 0 to below 1' if zero else 'above 0, at most 1'}", 'such as 0.92 or "92 %"')

    def points(self, option: str, given: str | None, example: str) -> list[float]:
        """Numbers as 6..12, 6..12:0.5 or 6,8,10."""
        if given is None:
            return []
        try:
            out = _points(given)
        except ValueError:
            out = []
        if not out:
            self.fault(option, given, f"needs numbers, rising, {MOST_POINTS} at most", f"such as {example}, {example}:0.5, or with commas between")
        return out


def _points(text: str) -> list[float]:
    if ".." not in text:
        return sorted({float(part) for part in text.split(",")})
    ends, _, step_text = text.partition(":")
    first, last = (float(part) for part in ends.split(".."))
    step = float(step_text) if step_text else 1.0
    if not (step > 0.0 and first <= last and (last - first) / step < MOST_POINTS):
        return []
    return [round(first + k * step, 9) for k in range(int((last - first) / step + 1e-9) + 1)]


def _by_option(faults, names: dict[str, str], shown=lambda given: given) -> list:
    from dataclasses import replace

    return [replace(f, file=HERE, key=names[f.key], given=shown(f.given)) if f.key in names else f for f in faults]
