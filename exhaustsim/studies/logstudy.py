"""One question asked of a pressure log: what it looks like, and the answer of a rise, a pump-down, an orifice, a ride, or two lots.

`looks_like` says which questions a log would bear and chooses none.  `study` reads gauge and gas, fits, and puts together what a
person wants to know: figures with their intervals, the evidence, what these data cannot tell apart, and what to measure next.
A refusal is an answer too: it stands in the place of the figures, with its reasons.

The questions themselves stand in `studies/logquestions`.  Machine
logs are asked by `studies/machinestudy`.  Not done here: several sources of one kind in one rise, logs of two clocks (`studies/clocks`).
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from exhaustsim.plant.pressurelog import PressureLog
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.trace import GOOD, Trace
from exhaustsim.studies.fitmodel import FitRefused
from exhaustsim.studies.fitting import Fit
from exhaustsim.studies.ridequantities import NAMES

#: The questions, and what each wants.
KINDS = {
    "rise": "a closed volume whose pressure rises: leak, gas evolution or trapped gas",
    "exhaust": "a volume that is pumped: which gas evolution, leak or ultimate pressure holds it up",
    "orifice": "gas flow through a known conductance between two gauges",
    "ride": "a gauge valve that rode a head through a schedule: fitted with the full simulation",
    "batches": "rises of valves of two lots: do the lots differ by more than their valves",
    "machine": "a machine log of all heads: head, position or lot, and drift",
}
#: Reading at the end of a log over that at its beginning above which it is said to rise, or below its inverse to fall; our own choice.
MOVES = 1.3
TENTHS = " from the first tenth of the readings to the last"  # medians of which are compared
MOST_TRACES = 12  # fitted in one go; more are to be named


@dataclass(frozen=True)
class Asked:
    """What the user says of a log, SI; None where it is left to the log."""

    gas: str | None = None  # that was there
    scale_error: float | None = None  # standard deviation of the logarithm of the gauge's scale [1]
    trace: str | None = None
    start: float = -math.inf  # s
    end: float = math.inf  # s
    began: float | None = None  # moment of closing, or at which pumping began [s]
    volume: float | None = None  # m3
    volume_sd: float | None = None  # m3
    temperature: float | None = None  # K
    surround: str | None = None
    age: float | None = None  # of the parts at closing [s]
    net_speed: float | None = None  # m3/s
    speed_error: float = 0.0  # standard deviation of its logarithm [1]
    terms: tuple[str, ...] | None = None  # of a pump-down
    fit_began: bool = False  # the moment at which pumping began is fitted
    conductance: float | None = None  # m3/s
    downstream: float | None = None  # Pa
    schedule: Schedule | None = None
    free: tuple[str, ...] = NAMES
    every: int = 1  # one reading in so many is fitted, of a ride
    level: float = 0.95
    bootstrap: bool = False


@dataclass(frozen=True)
class Figure:
    """One figure of the answer, in the unit told."""

    of: str  # trace, lot or valve
    name: str
    value: float  # not-a-number where there is only an upper end
    low: float  # nought or minus infinity where the readings set no lower end
    high: float
    unit: str
    told: bool = True  # whether the readings say enough of it


@dataclass(frozen=True, eq=False)
class Part:
    """One trace and what was fitted to it."""

    name: str
    trace: Trace  # as fitted
    fit: Fit
    result: object  # RiseFit, OutgassingFit, ThroughputFit or RideFit
    bootstrap: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class LogAnswer:
    """What a log says."""

    kind: str
    files: tuple[str, ...]
    answer: str
    read: tuple[str, ...]
    marked: tuple[str, ...]
    figures: tuple[Figure, ...] = ()
    evidence: tuple[str, ...] = ()
    cannot_tell: tuple[str, ...] = ()
    following: tuple[str, ...] = ()
    refused: tuple[FitRefused, ...] = ()
    parts: tuple[Part, ...] = ()
    others: Mapping[str, object] = field(default_factory=dict)  # "surrounds", "lots", "closure", "follows", "drift", "lot of"
    level: float = 0.95
    shown: tuple[Trace, ...] = ()  # what was looked at, fitted or not

    @property
    def stands(self) -> bool:
        """Whether the data gave what was asked, without a refusal."""
        return not self.refused

    def to_json(self) -> dict:
        """Plain numbers and sentences; None where the readings set no end."""
        return without_gaps({
            "kind": self.kind, "files": [os.path.basename(f) for f in self.files], "answer": self.answer, "level": self.level,
            "read": self.read, "marked": self.marked,
            "figures": [{"of": f.of, "name": f.name, "value": f.value, "low": f.low, "high": f.high, "unit": f.unit, "told": f.told} for f in self.figures],
            "evidence": self.evidence, "cannot_tell": self.cannot_tell, "next": self.following,
            "refused": [{"what": no.name, "reasons": [r.words for r in no.reasons], "next": no.next_experiments} for no in self.refused],
            "fits": [
                {"trace": p.name, "result": p.result.to_json() if hasattr(p.result, "to_json") else p.fit.to_json(), "bootstrap": p.bootstrap}
                for p in self.parts
            ],
            **{name: found.to_json() for name, found in self.others.items() if hasattr(found, "to_json")},
        })  # fmt: skip


def without_gaps(data):
    """`data` of plain types, None for what is no finite number."""
    if isinstance(data, Mapping):
        return {str(key): without_gaps(value) for key, value in data.items()}
    if isinstance(data, list | tuple | np.ndarray):
        return [without_gaps(value) for value in data]
    if isinstance(data, float | np.floating):
        return float(data) if math.isfinite(data) else None
    if isinstance(data, np.integer | np.bool_):
        return data.item()
    return data


# ---- what it looks like --------------------------------------------------------------


def looks_like(log: PressureLog) -> list[tuple[str, str]]:
    """(kind, why) of every question that a log would bear, none of them chosen.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from exhaustsim.plant.pressurelog import load_log
    >>> path = Path(tempfile.mkdtemp()) / "rise.csv"
    >>> _ = path.write_text("t_s;P [mbar]" + "".join(f"\\n{t};{0.01 + 0.002 * t:.4f}" for t in range(20)))
    >>> looks_like(load_log(path))
    [('rise', 'P rises 4.3 times from the first tenth of the readings to the last')]
    """
    found = []
    columns = {name.lower(): name for name in log.table}

    def several(name):
        return name in columns and len({w for w in log.table[columns[name]].tolist() if str(w).strip()}) > 1

    if several("head_no") and several("position"):
        found.append(("machine", "it has columns head_no and position of several heads"))
    elif several("position"):
        found.append(("ride", "one head passes through several positions (give the schedule)"))
    if several("lot_id") and several("valve_id"):
        found.append(("batches", "it holds valves of several lots"))
    if not any(kind in ("machine", "ride") for kind, _ in found):
        moves: dict[str, list[str]] = {"rise": [], "exhaust": []}
        for trace in log.traces:
            good = trace.reading[trace.usable() & (trace.mark == GOOD)]
            some = max(len(good) // 10, 1)
            if len(good) < 2:
                continue
            ratio = float(np.median(good[-some:]) / np.median(good[:some]))
            if ratio > MOVES:
                moves["rise"].append(f"{trace.name} rises {ratio:.2g} times{TENTHS}")
            elif ratio < 1.0 / MOVES:
                moves["exhaust"].append(f"{trace.name} falls to {100.0 * ratio:.2g} %{TENTHS}")
        for kind, told in moves.items():
            if told:
                more = f" (and {len(told) - 1} more)" if len(told) > 1 else ""
                found.append((kind, told[0] + more))
    if len(log.traces) > 1 and not any(kind in ("machine", "batches") for kind, _ in found):
        found.append(("orifice", f"it holds {len(log.traces)} gauges or tests (if they stand on two sides of a known conductance)"))
    return found


def name_of_gas(word: str) -> str | None:
    """The gas that a word in a log names, as the data tables call it.

    >>> name_of_gas("argon")
    'Ar'
    """
    from exhaustsim.plant.logwishes import gas_named

    return gas_named(word)


def thinned(trace: Trace, every: int) -> Trace:
    """One reading in `every`, the first included.

    >>> t = Trace("line", np.arange(5.0), np.ones(5), np.zeros(5, np.int8), np.ones(5))
    >>> thinned(t, 2).time.tolist()
    [0.0, 2.0, 4.0]
    """
    cut = slice(None, None, every)
    return replace(trace, time=trace.time[cut], reading=trace.reading[cut], mark=trace.mark[cut], original=trace.original[cut])


# ---- the questions -------------------------------------------------------------------


def study(kind: str, logs: Sequence[PressureLog], asked: Asked, progress: Callable[[str], None] | None = None) -> LogAnswer:
    """Ask a log (or two) one of the questions of `KINDS`, but for "machine".

    Parameters
    ----------
    kind : str
    logs : sequence of PressureLog
        One, or two for an orifice or for two lots.
    asked : Asked
    progress : callable, optional
        Called with what is being done.

    Returns
    -------
    LogAnswer

    Raises
    ------
    DesignFault
        Something that only the user can know is missing; every such thing.
    FailedRun
        The simulation of a ride fails before anything is fitted.

    Examples
    --------
    >>> from exhaustsim.plant.trace import Trace
    >>> t = np.arange(0.0, 100.0, 2.0)
    >>> p = (0.1 + 0.02 * t) * np.exp(0.01 * np.random.default_rng(1).standard_normal(50))
    >>> log = PressureLog("rise.csv", (Trace("P", t, p, np.zeros(50, np.int8), p),), (), (), ())
    >>> study("rise", [log], Asked(volume=15e-6, volume_sd=0.3e-6)).figures[0].name
    'gas flow at closing'
    """
    from exhaustsim.studies import logquestions as ask

    questions = {"rise": ask.rise, "exhaust": ask.exhaust, "orifice": ask.orifice, "ride": ask.ride, "batches": ask.batches}
    if kind not in questions:
        raise ValueError(f"no kind {kind!r}; there are {', '.join(questions)}")
    say = progress or (lambda words: None)
    return questions[kind](list(logs), asked, say)
