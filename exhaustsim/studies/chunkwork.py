"""Getting the chunks of a study done: here, in threads, in processes, or on a cluster.

Anything with `submit` as in the standard library (`concurrent.futures.Executor`) will do; a Dask client gives
one with its `get_executor()`.  Only a few chunks are on their way at any time, so that the memory
taken does not grow with the number of valves.  A worker that is lost costs the chunks it had in hand,
which are given out again.

Threads: the march lets other threads go on, the judging does not; beyond two or three threads processes
or a cluster do more.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager

import numpy as np

from exhaustsim.studies.spreadstore import ChunkFolder
from exhaustsim.studies.trials import Cancelled

AHEAD = 2  # chunks given out for each worker: one in hand, one waiting
TRIES = 3  # times a chunk is given out before its loss is an error
LOOKING = 0.2  # s between two looks at whether the user has had enough
OTHERS_AHEAD = 16  # chunks given out to an executor that does not say how many workers it has


class LostWorker(RuntimeError):
    """A worker went, and giving its chunk out again did not help; what was done is kept."""


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def do_missing(
    folder: ChunkFolder, work: Callable[..., np.ndarray], workers: int | None, executor, progress: Callable[[int, int], None] | None,
    cancel: Callable[[], bool] | None,
) -> None:  # fmt: skip
    """Do every chunk that is not in `folder` yet; `work(first, last)` gives the rows of the valves [first, last).

    Raises
    ------
    Cancelled
        `cancel()` became true; chunks that were done are in the folder.
    LostWorker
        A chunk was lost `TRIES` times with its worker.
    """
    missing = folder.missing()
    done = folder.valves - sum(last - first for first, last in map(folder.span, missing))

    def tell() -> None:
        if progress is not None:
            progress(done, folder.valves)

    tell()
    with _pool(workers, executor) as (submit, ahead):
        # A remote worker is not asked between valves whether to go on: it would have to be told across the network.
        more = () if executor is not None else (cancel,)
        on_the_way: dict[Future, int] = {}
        tries: dict[int, int] = {}
        waiting = list(reversed(missing))
        try:
            while waiting or on_the_way:
                if cancel is not None and cancel():
                    raise Cancelled("")
                while waiting and len(on_the_way) < ahead:
                    number = waiting.pop()
                    tries[number] = tries.get(number, 0) + 1
                    on_the_way[submit(work, *folder.span(number), *more)] = number
                for future in wait(on_the_way, timeout=LOOKING, return_when=FIRST_COMPLETED).done:
                    number = on_the_way.pop(future)
                    rows = _result(future, number, tries[number])
                    if rows is None:
                        waiting.append(number)
                        continue
                    folder.write(number, rows)
                    first, last = folder.span(number)
                    done += last - first
                    tell()
        except Cancelled:
            raise Cancelled(f"Stopped after {done} of {folder.valves} valves.") from None
        finally:
            for future in on_the_way:
                future.cancel()


def _result(future: Future, number: int, tries: int) -> np.ndarray | None:
    """The rows of a chunk, or None when its worker was lost and it is to be given out again."""
    if future.cancelled():
        problem: BaseException | None = None
    else:
        problem = future.exception()
        if problem is None:
            return future.result()
        if isinstance(problem, BrokenExecutor):
            raise LostWorker("A worker process ended and took the others with it; what was done is kept, so begin the study again in the same folder.") from problem
        if not _is_loss(problem):
            raise problem
    if tries >= TRIES:
        raise LostWorker(f"Chunk {number} was lost with its worker {tries} times; what was done is kept.") from problem
    return None


def _is_loss(problem: BaseException) -> bool:
    """Whether a worker went, not the calculation: errors of a cluster's own, which the standard library does not know."""
    return isinstance(problem, ConnectionError | TimeoutError) or type(problem).__module__.split(".")[0] == "distributed"


@contextmanager
def _pool(workers: int | None, executor):
    """A way of handing out work, and how many chunks to hand out at once."""
    if executor is not None:
        size = workers or getattr(executor, "_max_workers", None)
        yield executor.submit, AHEAD * size if size else OTHERS_AHEAD
        return
    size = workers or cores()
    with ThreadPoolExecutor(size) as pool:
        yield pool.submit, size
