"""Which position to move to which line: every single move simulated again and ranked by the margin it leaves.

A position at either end of a line's row of positions may go to the neighbouring line, as the port plate
allows it; moves that would interleave lines are not tried.  All heads are alike here.  The margin is
that of the worse of the two targets judged before the flash: bulb pressure or air share over target.

Not weighed: what a new port plate costs; flags other than targets are named, not ranked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, replace

from exhaustsim.compiled import spread
from exhaustsim.engine.result import FailedRun, Run
from exhaustsim.engine.run import simulate
from exhaustsim.plant.machine import RotaryMachine
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.neighbours import over_target
from exhaustsim.studies.stops import failings
from exhaustsim.studies.verdict import judge, list_of

LEAST_GAIN = 0.02  # of what is over target, below which a move is no help


@dataclass(frozen=True)
class LineMove:
    """One position moved to another line."""

    position: int
    from_line: str
    to_line: str
    over_target: float | None  # worse of bulb pressure and air share over target; None when that run came to no result
    before: float  # the same as it is now
    new_failings: tuple[str, ...]  # stop flags and missed targets that there are not now

    @property
    def gain(self) -> float | None:
        """Share by which it brings down what is judged; below 0 when it makes it worse."""
        return None if self.over_target is None else 1.0 - self.over_target / self.before

    @property
    def sentence(self) -> str:
        """What the move does."""
        begin = f"Position {self.position} from line {self.from_line} to {self.to_line}: "
        if self.over_target is None:
            return f"{begin}the run comes to no result."
        new = f"; new: {list_of([name.replace('_', ' ') for name in self.new_failings])}" if self.new_failings else ""
        return (
            f"{begin}what is judged before the flash stands at {100.0 * self.over_target:.0f}% of its target, now at {100.0 * self.before:.0f}%{new}."
        )

    def to_json(self) -> dict:
        return asdict(self) | {"gain": self.gain, "sentence": self.sentence}


def with_move(schedule: Schedule, position: int, line: str) -> Schedule:
    """`schedule` on a machine with `position` on `line`.

    Raises
    ------
    ValueError
        The machine has no such position with a line, or no such line.
    """
    machine = schedule.machine
    if problem := problem_of_move(machine, position, line):
        raise ValueError(problem)
    return replace(schedule, machine=replace(machine, line_of_position=machine.line_of_position | {position: line}))


def problem_of_move(machine: RotaryMachine, position: int, line: str) -> str:
    """Why the move cannot be made, or ""."""
    lines = machine.line_of_position
    if position not in lines:
        return f"position {position} of {machine.name} opens to no line"
    if line not in {item.name for item in machine.lines}:
        return f"{machine.name} has no line {line}"
    if lines[position] == line:
        return f"position {position} stands on line {line} already"
    if list(lines.values()).count(lines[position]) == 1:
        return f"line {lines[position]} would be left without a position"
    return ""


def possible_moves(schedule: Schedule) -> tuple[tuple[int, str], ...]:
    """(position, line) of every move of a position to the line of the position before or after it; no line is left empty."""
    lines = schedule.machine.line_of_position
    names = list(lines.values())
    return tuple(
        (position, lines[beside])
        for position, name in sorted(lines.items())
        for beside in (position - 1, position + 1)
        if beside in lines and lines[beside] != name and names.count(name) > 1
    )


def line_moves(
    schedule: Schedule, run: Run | None = None, progress: Callable[[int, int], None] | None = None, moves: Iterable[tuple[int, str]] | None = None
) -> tuple[LineMove, ...]:  # fmt: skip
    """Every possible move, or each of `moves` (position, line) by itself, best first; `run` from `simulate` saves one run.

    Raises
    ------
    ValueError
        A move that cannot be made.
    FailedRun
        The schedule as it is comes to no result.
    """
    now = simulate(schedule) if run is None else run
    usual = failings(judge(now))
    before = over_target(now)
    moves = possible_moves(schedule) if moves is None else tuple(moves)
    cards = [with_move(schedule, *move) for move in moves]
    found: list[LineMove | None] = [None] * len(moves)

    def job(number):
        position, line = moves[number]
        over, new = None, ()
        try:
            again = simulate(cards[number])
            over = over_target(again)
            new = tuple(name for name in failings(judge(again)) if name not in usual)
        except FailedRun:
            pass
        found[number] = LineMove(position, schedule.machine.line_of_position[position], line, over, before, new)
        if progress is not None:
            progress(sum(move is not None for move in found), len(moves))

    spread(job, len(moves))
    return tuple(sorted(found, key=lambda move: (bool(move.new_failings), move.over_target is None, move.over_target or 0.0, move.position)))


def move_sentence(moves: tuple[LineMove, ...]) -> str:
    """The best move, or that none helps."""
    fit = [move for move in moves if move.gain is not None and not move.new_failings]
    if not fit or fit[0].gain < LEAST_GAIN:
        return "Moving one position to the line beside it does not help."
    best = fit[0]
    return (
        f"Best move: position {best.position} from line {best.from_line} to {best.to_line}; what is judged before the flash falls from "
        f"{100.0 * best.before:.0f}% to {100.0 * best.over_target:.0f}% of its target."
    )
