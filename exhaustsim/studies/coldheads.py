"""How many valves to scrap after a cold start, when the turret goes from the first minute on.

The machine begins with empty heads and is loaded index by index while oven and diffusion pumps come up;
every valve that leaves is judged like any other.  The warm-up counts as over when a whole rotation of
valves has been good one after the other; all before the first of them are scrap.

Heads that stood open to room air bring what they took up only if they are named (`AiredHeads`).

Not modelled: what lines and oil took up while the machine stood, so that the answer is the least
that one has to reckon with.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass

from exhaustsim.engine.loaded import Journey, simulate_machine
from exhaustsim.engine.run import simulate
from exhaustsim.plant.incidents import AiredHeads
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.stops import failings
from exhaustsim.studies.verdict import judge

LONGEST = 2.0 * 3600.0  # s of warm-up that are followed


@dataclass(frozen=True)
class ColdStart:
    """What a cold start costs."""

    waited: float  # s between switching on and loading the first valve
    scrap: int | None  # valves before the first good one; None if none was good in the time followed
    seconds: float | None  # from switching on to loading the first good valve
    judged: int  # valves that were judged
    reasons: dict[str, int]  # what was wrong with those to scrap: name -> how many valves, worst first

    @property
    def sentence(self) -> str:
        why = ", ".join(f"{name.replace('_', ' ')} ({count})" for name, count in self.reasons.items())
        if self.scrap is None:
            return f"None of the first {self.judged} valves after the cold start was good: {why}."
        if self.scrap == 0:
            return f"With {self.waited / 60.0:.0f} min of waiting after the cold start no valve need be scrapped."
        return (
            f"The first {self.scrap} valves after the cold start are scrap ({why}); the first good one is loaded "
            f"{self.seconds / 60.0:.0f} min after switching on."
        )

    def to_json(self) -> dict:
        return asdict(self) | {"sentence": self.sentence}


def heads_to_scrap(
    schedule: Schedule, waited: float = 0.0, progress: Callable[[int, int], None] | None = None, aired: Iterable[AiredHeads] = ()
) -> ColdStart:  # fmt: skip
    """Valves to scrap when loading begins `waited` seconds after switching on; heads that are `aired` stood open to the room before.

    Raises
    ------
    DesignFault
        The machine file says nothing of its warm-up.
    ValueError
        Negative or endless time.
    FailedRun
        As `simulate_machine`.
    """
    usual = failings(judge(simulate(schedule)))
    rotation = schedule.machine.positions
    bad: list[int] = []
    reasons: dict[str, int] = {}
    judged = 0

    def leaving(journey: Journey) -> bool:
        nonlocal judged
        judged = max(judged, journey.number)
        unfit = [name for name in failings(judge(journey.run)) if name not in usual]
        if unfit:
            bad.append(journey.number)
            for name in unfit:
                reasons[name] = reasons.get(name, 0) + 1
        return judged - max(bad, default=0) >= rotation

    indices = int(LONGEST // schedule.index_time)
    simulate_machine(schedule, aired, indices=indices, cold_start=waited, leaving=leaving, progress=progress)
    scrap = max(bad, default=0)
    good = judged - scrap >= rotation
    ranked = dict(sorted(reasons.items(), key=lambda item: (-item[1], item[0])))
    return ColdStart(waited, scrap if good else None, waited + scrap * schedule.index_time if good else None, judged, ranked)
