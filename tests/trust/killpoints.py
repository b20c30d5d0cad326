"""Work that is struck in the middle: killed, interrupted, or out of disk at every call to the file system in turn.

    python -m tests.trust.killpoints [--most N]

One process works out the results of every command once, with a run made up by hand, and keeps the pages as text.  For each point
a fork of it runs the command of `exhaustsim` as a user would, over files that are there already, and is struck at the k-th call:

- killed: the process ends at once, half-way through a write if the call is one (what is in the kernel stays, buffers are lost);
- full: this call and all later ones that need room are refused with "no space left on device";
- interrupted: Ctrl+C comes just before the call; interrupted after: just behind it;
- read only: every call that would make or change anything is refused.

Afterwards each file must be the old one or the whole new one, nothing else may have been left (a killed process may leave the one
hidden file that it was writing), and what is told must be a sentence with the right exit code.  A few real SIGKILL at moments of
chance come on top.  A new command that writes files needs one line in `COMMANDS`.

Needs `os.fork`; not shown: losing power, where the disk itself may lose what was written.
"""

from __future__ import annotations

import argparse
import errno
import io
import json
import os
import random
import signal
import sys
import tempfile
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

from matplotlib.figure import Figure

from exhaustsim import cli

DEMO = Path(__file__).parents[2] / "demo_data"
STANDARD, FASTER = (str(DEMO / "schedules" / f"dt1_{name}.toml") for name in ("standard", "faster"))
TOLERANCES, RISE = str(DEMO / "tolerances" / "dt1.toml"), str(DEMO / "logs" / "L3_rise_leaker.csv")
WAYS = ("killed", "full", "interrupted", "interrupted after")
OLD = b"the old file\n"
KILLED = 137

#: name -> arguments; OUT stands for the folder that files are written to.
COMMANDS = {
    "compare": ["compare", STANDARD, FASTER, "--out", "OUT"],
    "run": ["run", STANDARD, "--out", "OUT"],
    "machine": ["machine", STANDARD, "--leaker", "5=1 Pa L/s", "--out", "OUT"],
    "dwell": ["dwell", STANDARD, "--out", "OUT"],
    "spread": ["spread", STANDARD, "--tolerances", TOLERANCES, "-n", "4", "--out", "OUT"],
    "waterfall": ["waterfall", STANDARD, FASTER, "--out", "OUT"],
    "fit": ["fit", RISE, "--kind", "rise", "--volume", "15 cm3", "--out", "OUT"],
    "card": ["card", STANDARD, "--out", "OUT"],
    "template": ["template", "valve", "--out", "OUT/valve.toml"],
    "answer sheet": ["lab", "--answers", "OUT/answers.html"],
}
NEVER_REPLACES = {"template"}  # refuses to write over a file that is there


@dataclass
class Tried:
    """What was tried and what went wrong."""

    points: dict[str, int] = field(default_factory=dict)  # by way
    wrong: list[str] = field(default_factory=list)

    @property
    def count(self) -> int:
        return sum(self.points.values())


# ---- results without simulating ------------------------------------------------------


class _Drawn(Figure):
    """A picture that is drawn already; nothing of a figure is set up but that it is one."""

    def __init__(self, figure):
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png")
        self.data = buffer.getvalue()

    def savefig(self, file, format):
        file.write(self.data)


def work_out_results() -> None:
    """Put results that were made once in the place of everything that would simulate or draw."""
    from fake_run import fake_run

    from exhaustsim.plant.designfile import load_schedule
    from exhaustsim.reporting import answersheet, card, machinefindings, machinepage, report
    from exhaustsim.studies import comparison, explanation

    run = fake_run()
    comparison.simulate = lambda schedule, tolerance: run
    made = {n: comparison.compare([STANDARD, FASTER][:n], 1e-3) for n in (1, 2)}
    explained = explanation.explain(made[1].verdicts[0])
    page = report.report_html(made[1], [explained])
    log = io.StringIO()
    run._write_log(log)
    rows = log.getvalue().splitlines(keepends=True)
    type(run)._write_log = lambda self, file: file.writelines(rows)
    comparison.compare = lambda schedules, *_: made[len(schedules)]
    explanation.explain = lambda *_: explained
    report.explain = lambda *_: explained
    report.report_html = lambda *_: page
    pdf, html = card.card_pdf(made[1].verdicts[0]), card.card_html(made[1].verdicts[0])
    card.card_pdf, card.card_html = (lambda *_: pdf), (lambda *_: html)
    findings = machinefindings.find(load_schedule(STANDARD), indices=1)
    pictures = [(name, _Drawn(figure), words) for name, figure, words in machinepage.machineplots.pictures(findings)]
    told = machinepage.machine_html(findings)
    machinefindings.find = lambda *_, **__: findings
    machinepage.machineplots.pictures = lambda _: pictures
    machinepage.machine_html = lambda *_: told
    answersheet.answers_html = lambda *_: page
    _work_out_answers()


def _work_out_answers() -> None:
    """The same for answers to questions and fits; one small answer stands for all that are written alike."""
    from exhaustsim import answerscommand, fitcommand
    from exhaustsim.reporting import answers, fitpage

    asked = cli._parser().parse_args
    answer = answerscommand.work(asked(COMMANDS["spread"]), lambda _: None)
    told = answers.answer_html(answer)

    def drawn(picture):
        figure = _Drawn(picture.draw())
        return replace(picture, draw=lambda: figure)

    answer = replace(answer, parts=tuple(replace(part, pictures=tuple(map(drawn, part.pictures))) for part in answer.parts))
    answerscommand.work = lambda *_: answer
    answers.answer_html = lambda *_: told
    fitted = fitcommand.work(asked(COMMANDS["fit"]), lambda _: None)
    pictures = fitpage.fitplots.pictures(fitted, "Pa")
    page = fitpage.fit_html(fitted, pictures)
    pictures = [(name, _Drawn(figure), words) for name, figure, words in pictures]
    fitcommand.work = lambda *_: fitted
    fitpage.fitplots.pictures = lambda *_: pictures
    fitpage.fit_html = lambda *_: page


# ---- the strike ----------------------------------------------------------------------


class Strike:
    """Counts calls to the file system and strikes at one of them."""

    NEED_ROOM = ("open", "mkdir", "write", "fsync")

    def __init__(self, at: int, way: str):
        self.at, self.way, self.count = at, way, 0

    def meet(self, name: str, call, half=None):
        """Do `call`, unless the strike falls on it; `half` is what a killed process may still have done of it."""
        self.count += 1
        struck = self.count == self.at
        if self.way == "read only" and name != "unlink":
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        if self.way == "full" and self.count >= self.at and name in self.NEED_ROOM:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        if struck and self.way == "killed":
            if half:
                half()
            os._exit(KILLED)
        if struck and self.way == "interrupted":
            signal.raise_signal(signal.SIGINT)
        done = call()
        if struck and self.way == "interrupted after":
            signal.raise_signal(signal.SIGINT)
        return done

    def install(self) -> None:
        """Stand before the calls of this process; there is no way back."""
        strike = self

        class Raw(io.FileIO):
            def write(self, block):
                whole = super().write
                return strike.meet("write", lambda: whole(block), lambda: whole(bytes(block)[: len(block) // 2]))

        def fdopen(handle, mode="r", encoding=None, newline=None, **_):
            buffered = io.BufferedWriter(Raw(handle, "w"))
            return buffered if "b" in mode else io.TextIOWrapper(buffered, encoding=encoding, newline=newline)

        def counted(name, real):
            return lambda *given, **more: strike.meet(name, lambda: real(*given, **more))

        for name in ("open", "mkdir", "rmdir", "unlink", "chmod", "replace", "fsync"):
            setattr(os, name, counted(name, getattr(os, name)))
        os.fdopen = fdopen


def _child(arguments, strike: Strike | None, told: int) -> None:
    """Run the command in this fork, and say on the pipe `told` how many calls it made; never returns."""
    code = 99
    try:
        os.dup2(told, 2)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        if strike is not None:
            strike.install()
        code = cli.main(arguments)
        if strike is not None:
            os.write(2, f"\ncalls {strike.count}".encode())
    except BaseException:
        import traceback

        traceback.print_exc()
        sys.stderr.flush()
    finally:
        os._exit(code)


def _forked(arguments, strike: Strike | None, kill_after: float | None = None) -> tuple[int, str]:
    """(exit code, what it said) of the command run in a fork; killed from outside after so many seconds when that is given."""
    heard, told = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(heard)
        _child(arguments, strike, told)
    os.close(told)
    if kill_after is not None:
        time.sleep(kill_after)
        os.kill(child, signal.SIGKILL)
    with os.fdopen(heard, "rb") as pipe:
        words = pipe.read().decode("utf-8", "replace")
    status = os.waitpid(child, 0)[1]
    return os.waitstatus_to_exitcode(status), words


# ---- what must hold afterwards -------------------------------------------------------


def _arguments(name: str, folder: Path) -> list[str]:
    return [word.replace("OUT", str(folder)) if word.startswith("OUT") else word for word in COMMANDS[name]]


def _contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()} if folder.exists() else {}


def _wrong(way: str, code: int, words: str, before: dict[str, bytes], new: dict[str, bytes], after: dict[str, bytes]) -> list[str]:
    """What is not as it must be after a strike."""
    wrong = []
    strays = [name for name in after if name not in new]
    hidden = [name for name in strays if name.startswith(".")]
    may_stray = 1 if way in ("killed", "interrupted after") else 0
    if len(strays) > may_stray or len(hidden) < len(strays):
        wrong.append(f"left behind: {strays}")
    for name, data in after.items():
        if name in new and data not in (new[name], before.get(name)):
            wrong.append(f"{name} is neither the old file nor the new one ({len(data)} of {len(new[name])} bytes)")
    wrong += [f"{name} is gone" for name in before if name not in after]
    if "Traceback" in words:
        wrong.append(f"a traceback: {words[-300:]}")
    whole = after == new
    allowed = {"killed": (KILLED,), "full": (cli.BAD_INPUT,), "read only": (cli.BAD_INPUT,)}.get(way, (cli.INTERRUPTED,))
    if code not in allowed and not (whole and code == cli.DONE):
        wrong.append(f"exit code {code}, not {allowed[0]}")
    return wrong


def strike_all(names=None, most: int | None = None, real_kills: int = 5, say=lambda words: None) -> Tried:
    """Strike every command at every call in every way, or at no more than `most` points spread evenly over them."""
    tried = Tried({way: 0 for way in (*WAYS, "read only", "SIGKILL")})
    dice = random.Random(9)
    with tempfile.TemporaryDirectory(prefix="killpoints-") as place:
        plan, new, seconds = [], {}, {}
        for name in names or COMMANDS:
            folder = Path(place) / f"whole {name}"
            if name in ("template", "answer sheet"):
                folder.mkdir()
            start = time.monotonic()
            code, words = _forked(_arguments(name, folder), Strike(0, "counting"))
            seconds[name] = time.monotonic() - start
            if code != cli.DONE:
                raise RuntimeError(f"{name} did not run: {words}")
            new[name] = _contents(folder)
            calls = int(words.rsplit("calls ", 1)[1])
            say(f"{name}: {len(new[name])} files by {calls} calls, {seconds[name]:.2f} s")
            plan += [(name, way, k) for way in WAYS for k in range(1, calls + 1)] + [(name, "read only", 0)]
            plan += [(name, "SIGKILL", k) for k in range(real_kills)]
        if most is not None and most < len(plan):
            # One point of a command is on a folder that is read only: those would fall between the others.
            few, many = [p for p in plan if p[1] == "read only"], [p for p in plan if p[1] != "read only"]
            left = most - len(few)
            plan = few + [many[k * len(many) // left] for k in range(left)]
        for number, (name, way, k) in enumerate(plan):
            folder = Path(place) / f"struck {number}"
            # Odd points find files of an earlier run there, even ones an empty place.
            if number % 2 and name not in NEVER_REPLACES:
                folder.mkdir()
                for file in new[name]:
                    (folder / file).write_bytes(OLD)
            elif name in ("template", "answer sheet"):
                folder.mkdir()
            before = _contents(folder)
            if way == "SIGKILL":
                code, words = _forked(_arguments(name, folder), None, seconds[name] * dice.random())
                code = KILLED if code == -signal.SIGKILL else code
                wrong = _wrong("killed", code, words, before, new[name], _contents(folder))
            else:
                code, words = _forked(_arguments(name, folder), Strike(k, way))
                wrong = _wrong(way, code, words, before, new[name], _contents(folder))
            tried.points[way] += 1
            tried.wrong += [f"{name}, {way} at call {k}: {one}" for one in wrong]
            for path in folder.iterdir() if folder.exists() else ():
                path.unlink()
    return tried


def main(arguments=None) -> int:
    """Strike, and print what came of it; 0 when nothing was wrong."""
    parser = argparse.ArgumentParser(prog="python -m tests.trust.killpoints", description=__doc__.splitlines()[0])
    parser.add_argument("--most", type=int, metavar="N", help="no more than so many points, spread evenly (default: all)")
    parser.add_argument("--json", action="store_true", help="the outcome as JSON")
    asked = parser.parse_args(arguments)
    began = time.process_time()
    work_out_results()
    tried = strike_all(most=asked.most, say=(lambda words: None) if asked.json else print)
    children = os.times()
    if asked.json:
        print(json.dumps({"points": tried.points, "wrong": tried.wrong}))
    else:
        for way, count in tried.points.items():
            print(f"{way:20}{count:>6} points")
        for one in tried.wrong[:40]:
            print(f"  WRONG {one}")
        spent = time.process_time() - began + children.children_user + children.children_system
        print(f"{tried.count} kill points tried, {len(tried.wrong)} wrong, {spent:.0f} CPU s")
    return 1 if tried.wrong else 0


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))  # fake_run
    sys.exit(main())
