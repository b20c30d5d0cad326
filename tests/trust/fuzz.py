"""A fuzzer that is led by coverage: what reaches a new line of a reader, or an old one by a new way, is changed further.

    python -m tests.trust.fuzz --executions 1000000 --seconds 1800

Runs every target of `targets` with its share of the executions and prints what they cost, how many different steps from line to
line were seen, how much was accepted, and every fault with the input that brought it; exit code 1 when there was one.  The seed
fixes all chance, so the same command does the same work.  `--seconds` ends a run that would take longer.

Lines are watched by `sys.settrace` in one execution out of a few, which costs less than it misses; compiled laws are not seen.
"""

from __future__ import annotations

import argparse
import random
import signal
import sys
import time
import traceback
import warnings
from dataclasses import dataclass, field

from .targets import TARGETS, Target

SLOWEST = 2.0  # processor seconds that one reading may take before it counts as hanging
WATCHED_EVERY = 5  # executions to one that is watched
LARGEST_POOL = 3000
LONGEST_SHOWN = 400


class Hangs(BaseException):
    """A reading took longer than `SLOWEST`; no reader may catch it."""


@dataclass
class Found:
    """What came of one target."""

    name: str
    executions: int = 0
    accepted: int = 0
    steps: int = 0  # from line to line
    seconds: float = 0.0
    faults: dict[tuple, str] = field(default_factory=dict)  # place in the source -> input and error


class Watch:
    """Steps from line to line in the watched modules."""

    def __init__(self, modules):
        self.files = {module.__file__ for module in modules}
        self.known: dict[object, bool] = {}
        self.seen: set[tuple] = set()
        self.new = False

    def __call__(self, frame, event, argument):
        code = frame.f_code
        wanted = self.known.get(code)
        if wanted is None:
            wanted = self.known[code] = code.co_filename in self.files
        if not wanted:
            return None
        last = 0
        seen = self.seen

        def line(frame, event, argument):
            nonlocal last
            if event == "line":
                step = (code, last, frame.f_lineno)
                last = frame.f_lineno
                if step not in seen:
                    seen.add(step)
                    self.new = True
            return line

        return line


def fuzz(target: Target, executions: int, seed: int = 1, until: float = float("inf")) -> Found:
    """Run `target` so many times, or until the clock of `time.monotonic` shows `until`."""
    dice = random.Random(f"{target.name} {seed}")
    found = Found(target.name)
    watch = Watch(target.watched)
    pool = list(target.seeds())
    seeds = len(pool)
    began = time.process_time()

    def give_up(*_):
        raise Hangs

    alarm = getattr(signal, "SIGVTALRM", None)  # counts processor time of this process only
    before = signal.signal(alarm, give_up) if alarm else None
    try:
        for number in range(executions):
            given = pool[number] if number < seeds else target.change(dice.choice(pool), dice)
            watched = number % WATCHED_EVERY == 0
            watch.new = False
            try:
                if alarm:
                    signal.setitimer(signal.ITIMER_VIRTUAL, SLOWEST)
                if watched:
                    outer = sys.gettrace()
                    sys.settrace(watch)
                    try:
                        taken = target.execute(given)
                    finally:
                        sys.settrace(outer)
                else:
                    taken = target.execute(given)
                found.accepted += taken
            except Hangs as hang:
                _note(found, given, hang, f"took more than {SLOWEST:g} s")
            except Exception as error:
                _note(found, given, error, f"{type(error).__name__}: {error}")
            finally:
                if alarm:
                    signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
            found.executions += 1
            if watch.new:
                if len(pool) < LARGEST_POOL:
                    pool.append(given)
                else:
                    pool[dice.randrange(len(pool))] = given
            if number % 256 == 0 and time.monotonic() > until:
                break
    finally:
        if alarm:
            signal.signal(alarm, before)
    found.seconds = time.process_time() - began
    found.steps = len(watch.seen)
    return found


def _note(found: Found, given, error: BaseException, words: str) -> None:
    """Keep one input for each place in the source that went wrong, the shortest."""
    frames = [f for f in traceback.extract_tb(error.__traceback__) if "exhaustsim" in f.filename or "tomllib" in f.filename]
    place = (frames[-1].filename.rsplit("/", 1)[-1], frames[-1].lineno, type(error).__name__) if frames else ("?", 0, type(error).__name__)
    told = f"{place[0]}:{place[1]} {words[:LONGEST_SHOWN]}\n      given {_shown(given)}"
    if place not in found.faults or len(told) < len(found.faults[place]):
        found.faults[place] = told


def _shown(given) -> str:
    try:
        words = repr(given)
    except ValueError as problem:  # a number of more digits than Python will print
        words = f"({problem})"
    return words if len(words) <= LONGEST_SHOWN else f"{words[:LONGEST_SHOWN]} ... ({len(words)} characters)"


def shares_of(executions: int) -> list[tuple[Target, int]]:
    """Every target with its share of the executions, which add up to at least as many as asked for."""
    return [(target, max(1, -int(-target.share * executions // 1))) for target in TARGETS]


def main(arguments=None) -> int:
    """Fuzz every target; 0 when no fault was found."""
    parser = argparse.ArgumentParser(prog="python -m tests.trust.fuzz", description=__doc__.splitlines()[0])
    parser.add_argument("--executions", type=int, default=1_000_000, metavar="N", help="in all (default 1000000)")
    parser.add_argument("--seconds", type=float, default=float("inf"), metavar="T", help="stop after so many seconds")
    parser.add_argument("--seed", type=int, default=1, metavar="K", help="another seed looks elsewhere (default 1)")
    parser.add_argument("--target", choices=[t.name for t in TARGETS], help="only this one, with all executions")
    asked = parser.parse_args(arguments)
    work = [(t, asked.executions) for t in TARGETS if t.name == asked.target] if asked.target else shares_of(asked.executions)
    until = time.monotonic() + asked.seconds
    warnings.simplefilter("error")  # as in the tests: a warning on the user's screen is no answer
    print(f"{'target':16}{'executions':>12}{'accepted':>10}{'steps seen':>12}{'CPU s':>8}{'us each':>9}{'faults':>8}")
    total, faults, ended = 0, [], False
    for target, count in work:
        found = fuzz(target, count, asked.seed, until)
        total += found.executions
        faults += found.faults.values()
        ended = ended or found.executions < count
        each = 1e6 * found.seconds / max(found.executions, 1)
        print(
            f"{found.name:16}{found.executions:>12}{found.accepted:>10}{found.steps:>12}{found.seconds:>8.1f}{each:>9.0f}{len(found.faults):>8}", flush=True
        )
    for told in faults:
        print(f"  FAULT {told}")
    print(f"{total} executions{', ended by the clock' if ended else ''}, {len(faults)} faults")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
