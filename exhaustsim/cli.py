"""The `exhaustsim` command: compare schedules, run one, look up constants.

Results go to standard output, progress to standard error, files to the folder of `--out`.
A mistake in a file is answered with what is wrong and how to cure it, and nothing is written.
Exit codes: 0 done, 1 a run failed or its gas ledger did not close, 2 bad input, 3 done but a
schedule misses a target or says stop (with `--strict` only), 130 interrupted.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
import threading
import time

DONE, FAILED, BAD_INPUT, MISSED, INTERRUPTED = 0, 1, 2, 3, 130
QUIET_SECONDS = 1.0  # work longer than this tells of itself


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    options = _parser().parse_args(arguments)
    try:
        code = options.work(options)
        sys.stdout.flush()
        return code
    except KeyboardInterrupt:
        print("\nInterrupted; nothing more was written.", file=sys.stderr)
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
        "exit codes: 0 done, 1 a run failed, 2 bad input, 3 misses its target (with --strict), 130 interrupted",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    compare = _command(
        commands, "compare", _compare, "run schedules and judge each against its target",
        "exhaustsim compare demo_data/schedules/dt1_*.toml --out out",
    )  # fmt: skip
    compare.add_argument("schedules", nargs="+", metavar="SCHEDULE", help="schedule files (TOML)")
    compare.add_argument("--out", metavar="DIR", help="write report.html, comparison.json and a log of each run there")

    run = _command(
        commands, "run", _run, "one schedule: position table, gas ledger, flags",
        "exhaustsim run demo_data/schedules/dt1_standard.toml --units mbar",
    )  # fmt: skip
    run.add_argument("schedule", metavar="SCHEDULE", help="schedule file (TOML)")
    run.add_argument("--out", metavar="DIR", help="write the run log (CSV) and the result (JSON) there")

    for command in (compare, run):
        command.add_argument(
            "--band", action="store_true", help="say how sure each verdict is: the least trusted constants at their ends (3 s each)"
        )
        command.add_argument("--strict", action="store_true", help="exit 3 when a schedule misses a target or says stop")
        command.add_argument(
            "--tolerance", type=_tolerance, default=1e-3, metavar="X", help="relative tolerance of a step (default 1e-3)"
        )
        command.add_argument(
            "--units", type=_pressure_unit, default="Pa", metavar="UNIT", help="show pressures in UNIT: Pa, mbar, torr, umHg ..."
        )

    constants = _command(
        commands, "constants", _constants, "every value of the data tables with range, standing and source",
        "exhaustsim constants 'carbonates.*'",
    )  # fmt: skip
    constants.add_argument("name", nargs="?", default="*", metavar="NAME", help="a name, or a pattern with * and ?")
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


def _pressure_unit(text: str) -> str:
    from exhaustsim.units import KINDS

    allowed = KINDS["pressure"].units
    if text not in allowed:
        raise argparse.ArgumentTypeError(f"{text!r} is not a pressure unit; use one of {', '.join(allowed)}")
    return text


# ---- commands ------------------------------------------------------------------------


def _compare(options) -> int:
    def work(progress):
        from exhaustsim.studies.comparison import compare

        return compare(options.schedules, options.tolerance, progress, options.units, options.band)

    def write(comparison, folder):
        from exhaustsim.reporting.report import write_report

        write_report(comparison, os.path.join(folder, "report.html"))
        _write_json(comparison.to_json(), os.path.join(folder, "comparison.json"))
        names = ["report.html", "comparison.json"]
        for number, verdict in enumerate(comparison.verdicts, start=1):
            name = f"{number:02d}_{_file_name(verdict.name)}.csv"
            verdict.run.to_log(os.path.join(folder, name))
            names.append(name)
        return names

    def text(comparison):
        from exhaustsim.reporting.screen import comparison_text

        return comparison_text(comparison)

    return _simulate(options, work, write, text, lambda c: c.to_json(), lambda c: all(v.passes for v in c.verdicts))


def _run(options) -> int:
    def work(progress):
        from exhaustsim.studies.comparison import compare

        return compare([options.schedule], options.tolerance, progress, options.units, options.band)

    def data(comparison):
        from dataclasses import asdict

        from exhaustsim.constants import GAS_NAMES
        from exhaustsim.studies.positions import position_rows

        verdict = comparison.verdicts[0]
        return comparison.to_json()[0] | {
            "positions_si": [asdict(row) for row in position_rows(verdict.run)],
            "ledger_mol": {gas: verdict.run.ledger.by_gas(gas) for gas in GAS_NAMES},
        }

    def write(comparison, folder):
        verdict = comparison.verdicts[0]
        name = _file_name(verdict.name)
        verdict.run.to_log(os.path.join(folder, f"{name}.csv"))
        _write_json(data(comparison), os.path.join(folder, f"{name}.json"))
        return [f"{name}.csv", f"{name}.json"]

    def text(comparison):
        from exhaustsim.reporting.screen import run_text

        return run_text(comparison.verdicts[0], *comparison.bands)

    return _simulate(options, work, write, text, data, lambda comparison: comparison.verdicts[0].passes)


def _simulate(options, work, write, text, data, passes) -> int:
    """Do the work with progress, write files, print text or JSON, and choose the exit code."""
    from exhaustsim.engine.result import FailedRun
    from exhaustsim.plant.faults import DesignFault

    with Progress() as progress:
        try:
            result = work(progress.say)
        except DesignFault as fault:
            return progress.stop(str(fault), BAD_INPUT)
        except FailedRun as failure:
            return progress.stop(f"The run failed: {failure}", FAILED)
        written = ""
        if options.out:
            progress.say(f"writing to {options.out}")
            try:
                os.makedirs(options.out, exist_ok=True)
                names = write(result, options.out)
            except OSError as problem:
                return progress.stop(f"cannot write to {options.out}: {problem.strerror or problem}", BAD_INPUT)
            written = f"Written to {options.out}: {', '.join(names)}"
    print(json.dumps(data(result), indent=2, allow_nan=False) if options.json else text(result))
    if written:
        print(written, file=sys.stderr if options.json else sys.stdout)
    return MISSED if options.strict and not passes(result) else DONE


def _constants(options) -> int:
    from dataclasses import asdict

    from exhaustsim.data import published

    rows = published.rows(options.name) or published.rows(options.name + ".*")
    if not rows:
        try:
            published.row(options.name)
        except published.DataFault as fault:
            print(fault, file=sys.stderr)
        return BAD_INPUT
    if options.json:
        print(json.dumps([asdict(row) for row in rows], indent=2, allow_nan=False))
    else:
        from exhaustsim.reporting.grid import constants_text

        print(constants_text(rows))
    return DONE


def _write_json(data, path: str) -> None:
    from exhaustsim.engine.filewrite import replace_whole

    with replace_whole(path) as file:
        json.dump(data, file, indent=2, allow_nan=False)
        file.write("\n")


def _file_name(name: str) -> str:
    """A schedule's name as part of a file name."""
    return "".join(c if c.isalnum() or c in "-" else "_" for c in name).strip("_") or "schedule"


# ---- progress ------------------------------------------------------------------------


class Progress:
    """Tells on standard error what is being done, once it has lasted longer than a second.

    On a terminal one line is rewritten; elsewhere each new thing is a line.
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
                elif doing != self._told:
                    print(doing + " ...", file=sys.stderr, flush=True)
                    self._told = doing


def _never_compiled() -> bool:
    """True when the cache folder holds no machine code of the engine's main loop yet."""
    march = sys.modules.get("exhaustsim.engine.march")
    compiled = getattr(getattr(march, "march", None), "stats", None)
    folder = getattr(compiled, "cache_path", None)
    if not folder:
        return False
    with contextlib.suppress(OSError):
        return not any(name.startswith("march.march-") and name.endswith(".nbi") for name in os.listdir(folder))
    return True


if __name__ == "__main__":
    sys.exit(main())
