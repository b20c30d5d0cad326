"""The `exhaustsim` command: compare schedules, run one, load a machine, ask for index time and pass rate, fit a log, print a card, open the
notebooks, look up constants.

Results go to standard output, progress to standard error, files to the folder of `--out`.
A mistake in a file is answered with what is wrong and how to cure it, and nothing is written.
Exit codes: 0 done, 1 a run failed or its gas ledger did not close, 2 bad input, 3 done but a
schedule misses a target or says stop, or a log refuses the fit (with `--strict` only), 130 interrupted.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
import tempfile
import threading
import time
import warnings

from exhaustsim import __version__, answerscommand, fitcommand, machinecommand
from exhaustsim.data.template import KINDS_OF_TEMPLATE

DONE, FAILED, BAD_INPUT, MISSED, INTERRUPTED = 0, 1, 2, 3, 130
QUIET_SECONDS = 1.0  # work longer than this tells of itself
COUNT_SECONDS = 10.0  # between two lines on how far the same work has come


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    options = _parser().parse_args(arguments)
    # A letter that the font of the pictures lacks is drawn as a box there; pages and screen show it.
    warnings.filterwarnings("ignore", r"Glyph \d+ .*missing from")
    try:
        code = options.work(options)
        sys.stdout.flush()
        return code
    except KeyboardInterrupt as stopped:
        print(f"\n{str(stopped) or 'Interrupted; nothing more was written.'}", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has gone (`| head`); keep Python from complaining at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="exhaustsim",
        description="How a glass electronic valve is exhausted on a rotary machine. A calculation aid, not an interlock.",
        epilog="example:\n  exhaustsim compare demo_data/schedules/dt1_*.toml --out out\n\n"
        "exit codes: 0 done, 1 a run failed, 2 bad input, 3 misses its target or refuses the fit (with --strict), 130 interrupted",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"exhaustsim {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    compare = _command(
        commands, "compare", _compare, "run schedules and judge each against its target",
        "exhaustsim compare demo_data/schedules/dt1_*.toml --out out",
    )  # fmt: skip
    compare.add_argument("schedules", nargs="+", metavar="SCHEDULE", help="schedule files (TOML)")
    compare.add_argument("--dwell", action="store_true", help="find the shortest index time of each schedule too (some forty runs each)")
    compare.add_argument("--out", metavar="DIR", help="write report.html, comparison.json and a log of each run there")

    run = _command(
        commands, "run", _run, "one schedule explained: positions, gas ledger, resistances, flags, what binds",
        "exhaustsim run demo_data/schedules/dt1_standard.toml --units mbar --reach anode=900degC@8",
    )  # fmt: skip
    run.add_argument("schedule", metavar="SCHEDULE", help="schedule file (TOML)")
    run.add_argument("--out", metavar="DIR", help="write a report (HTML), the run log (CSV) and the result (JSON) there")
    run.add_argument(
        "--reach", action="append", default=[], type=_reach, metavar="PART",
        help="RF that brings a part to a temperature: anode=900degC@8 asks for the watts (and seconds) at position 8, "
        "anode=900degC@8,5s for the watts, anode=900degC@8,60W for the seconds; may be given several times",
    )  # fmt: skip

    run.add_argument(
        "--minutes-after-cold-start", type=_minutes, metavar="M",
        help="oven and diffusion pumps as they are M minutes after switching on, by [warm_up] of the machine file",
    )  # fmt: skip

    machine = _command(
        commands, "machine", _machine, "the loaded machine: leakers, broken valves, stops, neighbours, which heads to scrap", machinecommand.EXAMPLE,
    )  # fmt: skip
    machinecommand.add_options(machine)

    answers = [_command(commands, name, _answer, answerscommand.HELP[name], example) for name, example in answerscommand.EXAMPLES.items()]
    for name, command in zip(answerscommand.EXAMPLES, answers, strict=True):
        answerscommand.add_options(name, command)

    fit = _command(commands, "fit", _fit, "a pressure log or machine log: rates with intervals, evidence, what to measure next", fitcommand.EXAMPLE)
    fitcommand.add_options(fit)
    fit.add_argument("--units", type=_pressure_unit, default="Pa", metavar="UNIT", help="pressures of the pictures in UNIT: Pa, mbar, torr, umHg ...")

    for command in (compare, run):
        command.add_argument(
            "--band", action="store_true", help="say how sure each verdict is: the least trusted constants at their ends (3 s each)"
        )
        command.add_argument("--strict", action="store_true", help="exit 3 when a schedule misses a target or says stop")

    card = _command(
        commands, "card", _card, "the process card of a schedule: one page, PDF and HTML, marked DRAFT",
        "exhaustsim card demo_data/schedules/dt1_standard.toml --out out",
    )  # fmt: skip
    card.add_argument("schedule", metavar="SCHEDULE", help="schedule file (TOML)")
    card.add_argument("--out", metavar="DIR", default=".", help="folder for the two files (default: here)")
    card.set_defaults(strict=False)

    for command in (compare, run, machine, card, *answers):
        command.add_argument(
            "--tolerance", type=_tolerance, default=1e-3, metavar="X", help="relative tolerance of a step (default 1e-3)"
        )
    for command in (compare, run, machine, card):
        command.add_argument(
            "--units", type=_pressure_unit, default="Pa", metavar="UNIT", help="show pressures in UNIT: Pa, mbar, torr, umHg ..."
        )

    lab = commands.add_parser(
        "lab", help="open the notebooks", description="Open the notebooks in JupyterLab, or one of them as a page of its own.",
        epilog="example:\n  exhaustsim lab --page 01", formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    lab.add_argument("--page", metavar="NN", help="show the notebook whose name begins with NN as a page without code")
    lab.add_argument("--notebooks", metavar="DIR", help="folder of the notebooks (default: ./notebooks, or that of the source tree)")
    lab.add_argument("--answers", metavar="FILE", help="write the trainer's answer sheet to notebook 02 (HTML) instead, and open nothing")
    lab.add_argument("--port", type=int, metavar="N", help="port on this computer (default: one that is free)")
    lab.add_argument("--no-browser", action="store_true", help="only print the address")
    lab.set_defaults(work=_lab)

    constants = _command(
        commands, "constants", _constants, "every tabled value with range, standing and source",
        "exhaustsim constants 'carbonates.*'",
    )  # fmt: skip
    constants.add_argument("name", nargs="?", default="", metavar="NAME", help="part of a name, or a pattern with * and ?")
    constants.add_argument(
        "--data", action="append", default=[], metavar="FILE",
        help="lay the rows of a data file of your own over the tables; without NAME only its rows are shown",
    )  # fmt: skip

    template = commands.add_parser(
        "template", help="a commented example of a design or data file to fill in",
        description="A commented example of a design or data file, every figure invented, to be filled in.",
        epilog="example:\n  exhaustsim template materials --out our_materials.toml", formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    template.add_argument("kind", metavar="KIND", choices=KINDS_OF_TEMPLATE, help=", ".join(KINDS_OF_TEMPLATE))
    template.add_argument("--out", metavar="FILE", help="write it there; an existing file is left as it is")
    template.set_defaults(work=_template)
    return parser


def _command(commands, name, work, help_text, example) -> argparse.ArgumentParser:
    command = commands.add_parser(
        name, help=help_text, description=help_text[0].upper() + help_text[1:] + ".", epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    command.add_argument("--json", action="store_true", help="the result as JSON on standard output")
    command.set_defaults(work=work)
    return command


def _tolerance(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 1e-9 <= value <= 1e-1:
        raise argparse.ArgumentTypeError(f"{text!r} is not between 1e-9 and 1e-1")
    return value


def _minutes(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0.0 <= value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of minutes, 0 or more")
    return value


def _reach(text: str):
    from exhaustsim.studies.station import StationFault, read_reach

    try:
        return read_reach(text)
    except StationFault as fault:
        raise argparse.ArgumentTypeError(str(fault)) from fault


def _pressure_unit(text: str) -> str:
    from exhaustsim.units import KINDS

    allowed = KINDS["pressure"].units
    if text not in allowed:
        raise argparse.ArgumentTypeError(f"{text!r} is not a pressure unit; use one of {', '.join(allowed)}")
    return text


# ---- commands ------------------------------------------------------------------------


def _compare(options) -> int:
    places = [os.path.realpath(path) for path in options.schedules]
    twice = next((path for k, path in enumerate(options.schedules) if places[k] in places[:k]), None)
    if twice is not None:
        print(f"{twice} is given twice; name each schedule once", file=sys.stderr)
        return BAD_INPUT

    def work(progress):
        from exhaustsim.studies.comparison import compare

        return compare(options.schedules, options.tolerance, progress, options.units, options.band, options.dwell)

    def write(comparison, folder):
        from exhaustsim.reporting.filenames import file_name
        from exhaustsim.reporting.report import write_report

        write_report(comparison, os.path.join(folder, "report.html"))
        _write_json(comparison.to_json(), os.path.join(folder, "comparison.json"))
        names = ["report.html", "comparison.json"]
        for number, verdict in enumerate(comparison.verdicts, start=1):
            name = f"{number:02d}_{file_name(verdict.name)}.csv"
            verdict.run.to_log(os.path.join(folder, name))
            names.append(name)
        return names

    def text(comparison):
        from exhaustsim.reporting.screen import comparison_text

        return comparison_text(comparison)

    return _simulate(options, work, write, text, lambda c: c.to_json(), lambda c: all(v.passes for v in c.verdicts))


def _run(options) -> int:
    def work(progress):
        from exhaustsim.plant.designfile import load_schedule
        from exhaustsim.studies.comparison import compare
        from exhaustsim.studies.explanation import explain
        from exhaustsim.studies.station import check

        schedule = load_schedule(options.schedule)
        if options.minutes_after_cold_start is not None:
            from exhaustsim.plant.coldstart import after_cold_start

            schedule = after_cold_start(schedule, 60.0 * options.minutes_after_cold_start)
        for question in options.reach:
            check(schedule, question)
        comparison = compare([schedule], options.tolerance, progress, options.units, options.band)
        return comparison, explain(comparison.verdicts[0], options.reach, progress)

    def data(result):
        comparison, explanation = result
        return comparison.to_json()[0] | explanation.to_json()

    def write(result, folder):
        from exhaustsim.reporting.filenames import file_name
        from exhaustsim.reporting.report import write_report

        verdict = result[1].verdict
        name = file_name(verdict.name)
        verdict.run.to_log(os.path.join(folder, f"{name}.csv"))
        _write_json(data(result), os.path.join(folder, f"{name}.json"))
        write_report(result[0], os.path.join(folder, f"{name}.html"), [result[1]])
        return [f"{name}.html", f"{name}.csv", f"{name}.json"]

    def text(result):
        from exhaustsim.reporting.screen import run_text

        comparison, explanation = result
        return run_text(explanation, *comparison.bands)

    return _simulate(options, work, write, text, data, lambda result: result[1].verdict.passes)


def _machine(options) -> int:
    def write(findings, folder):
        names = machinecommand.write(findings, folder)
        _write_json(findings.to_json(), os.path.join(folder, "machine.json"))
        return [*names, "machine.json"]

    return _simulate(
        options, lambda progress: machinecommand.work(options, progress), write, machinecommand.text, lambda f: f.to_json(), lambda f: f.passes
    )


def _answer(options) -> int:
    def write(answer, folder):
        names = answerscommand.write(answer, folder)
        _write_json(answer.data, os.path.join(folder, f"{answer.name}.json"))
        return [*names, f"{answer.name}.json"]

    return _simulate(options, lambda progress: answerscommand.work(options, progress), write, answerscommand.text, lambda a: a.data, lambda a: a.passes)


def _fit(options) -> int:
    def write(answer, folder):
        names = fitcommand.write(answer, folder, options.units)
        _write_json(answer.to_json(), os.path.join(folder, "fit.json"))
        return [*names, "fit.json"]

    return _simulate(
        options, lambda progress: fitcommand.work(options, progress), write, fitcommand.text, lambda a: a.to_json(), lambda a: a.stands
    )


def _card(options) -> int:
    def work(progress):
        from exhaustsim.studies.comparison import compare

        return compare([options.schedule], options.tolerance, progress, options.units).verdicts[0]

    def write(verdict, folder):
        from exhaustsim.reporting.card import write_card

        return [path.name for path in write_card(verdict, folder)]

    return _simulate(options, work, write, lambda verdict: verdict.sentence, lambda v: v.to_json(), lambda verdict: verdict.passes)


def _lab(options) -> int:
    from exhaustsim.plant.faults import DesignFault
    from exhaustsim.reporting.lab import LabFault, demo_folder, open_lab

    try:
        if options.answers:
            from exhaustsim.reporting.answersheet import write_answers

            with Progress() as progress:
                progress.say("asking the model twenty questions")
                write_answers(options.answers, demo_folder(options.notebooks))
            print(f"Answer sheet: {options.answers}")
            return 0
        return open_lab(options.page, options.notebooks, options.port, not options.no_browser)
    except (LabFault, DesignFault) as fault:
        print(fault, file=sys.stderr)
        return BAD_INPUT
    except OSError as fault:
        print(f"{options.answers} cannot be written: {fault.strerror or fault}", file=sys.stderr)
        return BAD_INPUT


def _simulate(options, work, write, text, data, passes) -> int:
    """Do the work with progress, write files, print text or JSON, and choose the exit code."""
    from exhaustsim.engine.result import FailedRun
    from exhaustsim.plant.faults import DesignFault
    from exhaustsim.studies.station import StationFault

    written = unwritten = ""
    with Progress() as progress, contextlib.ExitStack() as undo:
        if options.out:
            # A slip in this name should not cost the simulation, so it is tried first.
            try:
                _ready_folder(options.out, undo)
            except OSError as problem:
                return progress.stop(_cannot_write(problem, options.out), BAD_INPUT)
        try:
            result = work(progress.say)
        except (DesignFault, StationFault) as fault:
            return progress.stop(str(fault), BAD_INPUT)
        except FailedRun as failure:
            return progress.stop(f"The run failed: {failure}", FAILED)
        if options.out:
            progress.say(f"writing to {options.out}")
            try:
                written = f"Written to {options.out}: {', '.join(write(result, options.out))}"
                undo.pop_all()
            except OSError as problem:
                unwritten = _cannot_write(problem, options.out)
    print(_json(data(result)) if options.json else text(result))
    if written:
        print(written, file=sys.stderr if options.json else sys.stdout)
    if unwritten:
        print(unwritten, file=sys.stderr)
        return BAD_INPUT
    return MISSED if options.strict and not passes(result) else DONE


def _ready_folder(folder: str, undo: contextlib.ExitStack) -> None:
    """Make the folder and write in it by way of trial; `undo` takes away again what was made and is still empty.

    Raises
    ------
    OSError
        With the name of the folder that cannot be made or written in.
    """

    def remove(path):
        with contextlib.suppress(OSError):
            os.rmdir(path)

    missing, path = [], os.path.abspath(folder)
    while not os.path.exists(path):
        missing.append(path)
        path = os.path.dirname(path)
    for path in reversed(missing):
        os.mkdir(path)
        undo.callback(remove, path)
    try:
        tempfile.TemporaryFile(dir=folder).close()
    except OSError as problem:
        problem.filename = folder  # not the name of the trial
        raise


def _cannot_write(problem: OSError, folder: str) -> str:
    where = f" ({problem.filename})" if problem.filename and problem.filename != folder else ""
    return f"cannot write to {folder}: {problem.strerror or problem}{where}"


def _constants(options) -> int:
    from dataclasses import asdict

    from exhaustsim.data.published import BUILT_IN, DataFault

    tables = BUILT_IN
    if options.data:
        from exhaustsim.plant.faults import DesignFault
        from exhaustsim.plant.readdata import load_tables

        try:
            tables = load_tables(options.data)
        except DesignFault as fault:
            print(fault, file=sys.stderr)
            return BAD_INPUT
    part = options.name.lower()
    rows = tables.rows(options.name) or [row for row in tables.rows() if part in row.name.lower()]
    if options.data and not options.name:
        rows = list(tables.own)
    if not rows:
        try:
            tables.row(options.name)
        except DataFault as fault:
            print(f"{fault}; exhaustsim constants lists all", file=sys.stderr)
        return BAD_INPUT
    if options.json:
        print(json.dumps([asdict(row) for row in rows], indent=2, allow_nan=False))
    else:
        from exhaustsim.reporting.grid import constants_text

        print(constants_text(rows))
    return DONE


def _template(options) -> int:
    from exhaustsim.data.template import text_of

    text = text_of(options.kind)
    if not options.out:
        print(text, end="")
        return DONE
    from exhaustsim.engine.filewrite import replace_whole

    if os.path.lexists(options.out):
        print(f"{options.out} exists and was left as it is; name a new file", file=sys.stderr)
        return BAD_INPUT
    try:
        with replace_whole(options.out) as file:
            file.write(text)
    except OSError as problem:
        print(_cannot_write(problem, options.out), file=sys.stderr)
        return BAD_INPUT
    print(f"Written to {options.out}")
    return DONE


def _write_json(data, path: str) -> None:
    from exhaustsim.engine.filewrite import replace_whole

    with replace_whole(path) as file:
        file.write(_json(data) + "\n")


def _json(data) -> str:
    return json.dumps(_without_dust(data), indent=2, allow_nan=False)


def _without_dust(data):
    """`data` with 0.0 for numbers too small to mean anything: what a decay leaves after years on the shelf."""
    from exhaustsim.studies.verdict import DUST

    if isinstance(data, dict):
        return {key: _without_dust(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_without_dust(value) for value in data]
    return 0.0 if isinstance(data, float) and abs(data) < DUST else data


# ---- progress ------------------------------------------------------------------------


class Progress:
    """Tells on standard error what is being done, once it has lasted longer than a second.

    On a terminal one line is rewritten; elsewhere each new thing is a line, and how far it has come one every ten seconds.
    """

    def __init__(self) -> None:
        self._started = time.monotonic()
        self._doing = "reading the design files"
        self._told = ""
        self._first_use = False
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Progress:
        self._thread.start()
        return self

    def __exit__(self, *_) -> None:
        self._over.set()
        self._thread.join()
        if self._told and sys.stderr.isatty():
            print("\r" + " " * len(self._told) + "\r", end="", file=sys.stderr, flush=True)

    def say(self, doing: str) -> None:
        """What is done from now on."""
        self._first_use = _never_compiled()
        self._doing = doing

    def stop(self, message: str, code: int) -> int:
        """End with a message for the user; returns `code`."""
        self.__exit__()
        self._told = ""
        print(message, file=sys.stderr)
        return code

    def _watch(self) -> None:
        told_at = 0.0
        while not self._over.wait(QUIET_SECONDS):
            doing = self._doing
            if self._first_use:
                doing += "; preparing the compiled code, once after install, up to a minute"
            seconds = f" ... {time.monotonic() - self._started:.0f} s"
            with contextlib.suppress(OSError, ValueError):
                if sys.stderr.isatty():
                    line = doing + seconds
                    print("\r" + line.ljust(len(self._told)), end="", file=sys.stderr, flush=True)
                    self._told = line
                elif doing != self._told and (_thing(doing) != _thing(self._told) or time.monotonic() - told_at > COUNT_SECONDS):
                    print(doing + " ...", file=sys.stderr, flush=True)
                    self._told, told_at = doing, time.monotonic()


def _thing(doing: str) -> str:
    """What is being done, without how far it has come ("spread of DT-1: 64 of 2000 valves")."""
    return doing.partition(": ")[0]


def _never_compiled() -> bool:
    """True when the cache folder holds no machine code of the engine's main loop yet."""
    march = sys.modules.get("exhaustsim.engine.march")
    compiled = getattr(getattr(march, "_march", None), "stats", None)
    folder = getattr(compiled, "cache_path", None)
    if not folder:
        return False
    with contextlib.suppress(OSError):
        return not any(name.startswith("march._march-") and name.endswith(".nbi") for name in os.listdir(folder))
    return True


if __name__ == "__main__":
    sys.exit(main())
