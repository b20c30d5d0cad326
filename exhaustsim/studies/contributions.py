"""Which tolerance to spend money on: how much of the scatter in the outcome each of them brings.

Every tolerance gets two shares of the variance of an outcome (variance-based, or Sobol, indices): what it brings by
itself, and what it has a hand in, together with others.  What would be saved by holding it to the drawing lies
between the two.  The outcome is a smooth one, since a count of rejects has little to say while nearly all
valves pass: by default the logarithm of the worst target or stop limit over its limit.

The valves that this takes are marched besides those of a spread, (tolerances + 2) x `n` of them.  All tolerances are
moved independently, so correlations are left out, and what scatters from lot to lot counts as if each valve were a lot of
its own, among neighbours made to the drawing.

Source of the estimates: Saltelli and others, Computer Physics Communications 181 (2010) 259, by way of scipy.
"""

from __future__ import annotations

import html
import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc, sobol_indices

from exhaustsim.engine.run import simulate
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.tolerances import Tolerances
from exhaustsim.studies.batch import REACHED, Batch, empty_rows, fill_row, mean_batch, row_type
from exhaustsim.studies.chunkwork import do_missing
from exhaustsim.studies.draws import HALF_STEP, value_of
from exhaustsim.studies.intervals import CONFIDENCE
from exhaustsim.studies.scattered import nominal_values, told, with_values
from exhaustsim.studies.spread import CHUNK, request_faults
from exhaustsim.studies.spreadstore import ChunkFolder, fingerprint, program_fingerprint
from exhaustsim.studies.trials import Cancelled

RESAMPLES = 400  # of the valves, for the intervals
LEAST = 1e-6  # of a limit, or of the whole: what is less is taken as this, so that its logarithm has no say
#: What may be asked about: the outcome in words, by the name of what a row keeps.
OUTCOMES = {
    "beyond": "worst target or stop limit over its limit",
    "bulb_pressure": "bulb pressure just before the flash",
    "air_share": "air share",
    "converted_fraction": "what is left unconverted",
    "barium_spent": "barium spent by the end of ageing",
    "sealed_pressure": "sealed pressure after ageing",
    "peak_bulb_pressure": "peak bulb pressure",
    "getter_taken": "share of the getter that the CO2 left in the coating would take",
}


@dataclass(frozen=True)
class Contribution:
    """What one tolerance brings, as shares of the variance of the outcome [1]."""

    name: str
    what: str  # the tolerance in words
    alone: float
    alone_interval: tuple[float, float]
    in_all: float  # also together with others
    in_all_interval: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Contributions:
    """What each tolerance brings to the scatter of one outcome, largest first."""

    schedule: Schedule
    tolerances: Tolerances
    outcome: str  # key of `OUTCOMES`
    n: int
    valves: int  # marched
    seed: int
    rows: tuple[Contribution, ...]
    spread: float  # standard deviation of the natural logarithm of the outcome

    @property
    def sentence(self) -> str:
        """The ranking in one sentence."""
        what = OUTCOMES[self.outcome]
        if self.spread == 0.0:
            return f"{self.schedule.name}: nothing that scatters moves the {what}."
        apart = "; correlations of the tolerance file left out" if self.tolerances.correlations else ""
        ranked = [f"{row.what} {percent(row.in_all)} ({percent(row.in_all_interval[0])} to {percent(row.in_all_interval[1])})" for row in self.rows[:3]]
        return f"{self.schedule.name}: of the scatter in the {what}, {'; '.join(ranked)}; {self.valves} valves, 95% intervals{apart}."

    def text_rows(self) -> list[tuple[str, ...]]:
        """Heading and one row for each tolerance, as text for a person."""

        def span(pair):
            return f"{percent(pair[0])} to {percent(pair[1])}"

        rows = [("tolerance", "by itself", "interval", "with others", "interval")]
        return rows + [(r.what, percent(r.alone), span(r.alone_interval), percent(r.in_all), span(r.in_all_interval)) for r in self.rows]

    def to_json(self) -> dict:
        """As plain data."""
        return {
            "schedule": self.schedule.name, "sentence": self.sentence, "outcome": self.outcome, "what": OUTCOMES[self.outcome], "n": self.n,
            "valves": self.valves, "seed": self.seed, "confidence": CONFIDENCE, "spread_of_logarithm": self.spread,
            "rows": [
                {"name": r.name, "what": r.what, "alone": r.alone, "alone_interval": list(r.alone_interval), "in_all": r.in_all,
                 "in_all_interval": list(r.in_all_interval)}
                for r in self.rows
            ],
        }  # fmt: skip

    def _repr_html_(self) -> str:
        head, *body = ("".join(f"<td>{html.escape(cell)}</td>" for cell in row) for row in self.text_rows())
        rows = "".join(f"<tr>{row}</tr>" for row in body)
        return f"<p><b>{html.escape(self.sentence)}</b></p><table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def contributions(
    schedule: Schedule, tolerances: Tolerances, n: int = 128, *, outcome: str = "beyond", seed: int = 1, workers: int | None = None,
    executor=None, out: str | os.PathLike | None = None, progress: Callable[[int, int], None] | None = None,
    cancel: Callable[[], bool] | None = None, chunk: int = CHUNK,
) -> Contributions:  # fmt: skip
    """What each tolerance brings to the scatter of `outcome`.

    Parameters
    ----------
    schedule, tolerances, seed, workers, executor, out, progress, cancel, chunk
        As for `exhaustsim.studies.spread.spread`; a folder kept from here is not one of a spread.
    n : int
        A power of two; (tolerances + 2) times as many valves are marched.
    outcome : str
        A key of `OUTCOMES`.

    Raises
    ------
    DesignFault
        With every fault of the request, as `spread`.
    Cancelled
        `cancel` said so; results so far stay in `out`.
    FailedRun
        The valve made to the drawing comes to no result.
    """
    faults = request_faults(schedule, tolerances, n, seed, workers, chunk)
    if isinstance(n, int) and n >= 1 and n & (n - 1):
        faults.append(Fault("contributions", "n", str(n), "needs a power of two", "such as 128"))
    if outcome not in OUTCOMES:
        faults.append(Fault("contributions", "outcome", outcome, "no outcome of that name", f"use one of {', '.join(OUTCOMES)}"))
    if faults:
        raise DesignFault(faults)
    work = CrossedDraws(mean_batch(schedule, tolerances, seed, True, simulate(schedule)), n)
    manifest = {
        "what": "contributions", "schedule": schedule.name, "schedule_fingerprint": fingerprint(schedule), "tolerances": tolerances.name,
        "tolerances_fingerprint": fingerprint(tolerances), "n": n, "valves": work.valves, "seed": seed, "chunk": chunk, "program": program_fingerprint(),
    }  # fmt: skip
    with tempfile.TemporaryDirectory(prefix="exhaustsim-spread-") as scratch:
        folder = ChunkFolder(Path(scratch) / "chunks" if out is None else Path(out), manifest, row_type(tolerances))
        do_missing(folder, work.rows, workers, executor, progress, cancel)
        found = of_outcome(schedule, tolerances, seed, n, outcome, folder.column("reached", REACHED.index(outcome)))
        if out is not None:
            folder.write_result(found.to_json())
    return found


@dataclass(frozen=True, eq=False)
class CrossedDraws:
    """The valves of the estimate: two batches A and B, and for each tolerance A with that one taken from B."""

    batch: Batch
    n: int

    @property
    def valves(self) -> int:
        """Valves in all."""
        return self.n * (len(self.batch.tolerances.tolerances) + 2)

    def uniform(self) -> np.ndarray:
        """(valve, tolerance) random numbers of all valves, one batch after the other [1]."""
        count = len(self.batch.tolerances.tolerances)
        both = qmc.Sobol(2 * count, scramble=True, seed=np.random.default_rng(self.batch.seed)).random(self.n)
        a, b = np.clip(both[:, :count], HALF_STEP, 1.0 - HALF_STEP), np.clip(both[:, count:], HALF_STEP, 1.0 - HALF_STEP)
        mixed = [np.where(np.arange(count) == k, b, a) for k in range(count)]
        return np.concatenate([a, b, *mixed])

    def rows(self, first: int, last: int, cancelled: Callable[[], bool] | None = None) -> np.ndarray:
        """Results of the valves [first, last); raises `Cancelled` between two valves."""
        batch, tolerances = self.batch, self.batch.tolerances.tolerances
        scores = ndtri(self.uniform()[first:last])
        nominal = nominal_values(batch.schedule, tolerances)
        drawn = np.column_stack([value_of(t, x, scores[:, k]) for k, (t, x) in enumerate(zip(tolerances, nominal, strict=True))])
        out = empty_rows(batch.tolerances, last - first)
        for row, values in enumerate(drawn):
            if cancelled is not None and cancelled():
                raise Cancelled("stopped between two valves")
            out[row]["valve"], out[row]["drawn"] = first + row, values
            fill_row(out[row], with_values(batch.schedule, tolerances, values), batch.neighbours, batch.step_tolerance)
        return out


def of_outcome(schedule: Schedule, tolerances: Tolerances, seed: int, n: int, outcome: str, reached: np.ndarray) -> Contributions:
    """The contributions from what all valves reached, in the order of `CrossedDraws`."""
    values = 1.0 - reached if outcome == "converted_fraction" else reached
    logarithm = np.log(np.maximum(values, LEAST))
    # A valve without a result says nothing; it stands where the middle of the others does.
    logarithm = np.where(np.isfinite(logarithm), logarithm, np.nanmedian(logarithm))
    blocks = logarithm.reshape(-1, n)
    alone, in_all, intervals = indices(blocks[0], blocks[1], blocks[2:], np.random.default_rng([seed, n]))
    rows = [
        Contribution(t.name, told(t), float(alone[k]), intervals[0][k], float(in_all[k]), intervals[1][k])
        for k, t in enumerate(tolerances.tolerances)
    ]  # fmt: skip
    return Contributions(
        schedule, tolerances, outcome, n, logarithm.size, seed, tuple(sorted(rows, key=lambda r: -r.in_all)), float(np.std(blocks[:2]))
    )


def percent(share: float) -> str:
    """A share of the variance in whole per cent, as well as it is known; the estimate of a small one may fall below nought.

    >>> percent(0.387), percent(-0.004)
    ('39%', '0%')
    """
    return f"{round(100.0 * share)}%"


def indices(a: np.ndarray, b: np.ndarray, mixed: np.ndarray, rng: np.random.Generator):
    """First-order and total indices (tolerance,) of outcomes a (n,), b (n,) and mixed (tolerance, n) [1], and their intervals.

    Intervals by resampling the n pairs of valves.  Valves spread evenly are not independent, so these are rather too wide.
    """

    def of(rows) -> np.ndarray:
        found = sobol_indices(func={"f_A": a[None, rows], "f_B": b[None, rows], "f_AB": mixed[:, None, rows]}, n=len(rows))
        return np.stack([np.atleast_1d(found.first_order), np.atleast_1d(found.total_order)])

    n = len(a)
    value = of(np.arange(n))
    again = np.array([of(rng.integers(0, n, n)) for _ in range(RESAMPLES)])
    outside = 50.0 * (1.0 - CONFIDENCE)
    low, high = np.percentile(again, [outside, 100.0 - outside], axis=0)
    pairs = [[(float(min(x, v)), float(max(y, v))) for x, y, v in zip(low[k], high[k], value[k], strict=True)] for k in range(2)]
    return value[0], value[1], pairs
