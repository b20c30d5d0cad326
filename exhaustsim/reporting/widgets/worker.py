"""Work that follows the hand: a new value overtakes an old calculation.

Callbacks of controls may come from several threads at once and must not wait; so a callback
takes a snapshot of what is set and posts it to a `LatestWins`, whose one thread works on the
newest snapshot only.  In a script or a test without threads the work is done on the spot.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

#: matplotlib may be used by one thread at a time.
DRAWING = threading.RLock()


class Stopped(Exception):
    """The work was overtaken by newer values, or cancelled."""


def in_kernel() -> bool:
    """True in a notebook's kernel, where work belongs in a thread."""
    try:
        from IPython import get_ipython
    except ImportError:
        return False
    return getattr(get_ipython(), "kernel", None) is not None


class Check:
    """Handed to the work: call it often, it raises `Stopped` when the work is no longer wanted."""

    def __init__(self, owner: LatestWins | None, number: int):
        self._owner, self._number = owner, number

    def __call__(self) -> None:
        if self.stopped():
            raise Stopped

    def stopped(self) -> bool:
        """Whether the work is no longer wanted, for studies that ask."""
        return self._owner is not None and self._owner.overtaken(self._number)

    def rest(self, seconds: float) -> None:
        """Wait so long for the hand to rest; raises `Stopped` as soon as it moves on."""
        if self._owner is not None:
            self._owner.pause(self._number, seconds)
        self()


class LatestWins:
    """One thread that works on the newest of what was posted.

    Parameters
    ----------
    work : callable
        ``work(snapshot, check)``.
    failed : callable
        Told of any exception but `Stopped`.
    stopped : callable
        Told when work ended by `Stopped`.
    threaded : bool, optional
        False does the work within `post`; by default only a notebook's kernel uses a thread.
    """

    def __init__(self, work: Callable, failed: Callable, stopped: Callable = lambda: None, threaded: bool | None = None):
        self._work, self._failed, self._stopped = work, failed, stopped
        self.threaded = in_kernel() if threaded is None else threaded
        self._changed = threading.Condition()
        self._request: tuple | None = None
        self._number = 0
        self._busy = False
        self._thread: threading.Thread | None = None

    def post(self, snapshot) -> None:
        """Work on `snapshot`; never waits when threaded."""
        if not self.threaded:
            self._one(snapshot, Check(None, 0))
            return
        with self._changed:
            self._number += 1
            self._request = (self._number, snapshot)
            if self._thread is None:
                self._thread = threading.Thread(target=self._loop, daemon=True)
                self._thread.start()
            self._changed.notify_all()

    def cancel(self) -> None:
        """Give up what is under way and what waits."""
        with self._changed:
            self._number += 1
            self._request = None
            self._changed.notify_all()

    def wait(self, timeout: float = 60.0) -> bool:
        """Wait until nothing is left to do; False when the time has run out first."""
        with self._changed:
            return self._changed.wait_for(lambda: self._request is None and not self._busy, timeout)

    def overtaken(self, number: int) -> bool:
        """Whether request `number` is no longer the newest."""
        with self._changed:
            return number != self._number

    def pause(self, number: int, seconds: float) -> None:
        """Wait for `seconds`, or until request `number` is overtaken."""
        with self._changed:
            self._changed.wait_for(lambda: number != self._number, seconds)

    def _loop(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._request is not None)
                number, snapshot = self._request
                self._request, self._busy = None, True
            self._one(snapshot, Check(self, number))
            with self._changed:
                self._busy = False
                self._changed.notify_all()

    def _one(self, snapshot, check: Check) -> None:
        try:
            self._work(snapshot, check)
        except Stopped:
            self._stopped()
        except Exception as problem:  # whatever it is, the person at the desk must see it
            self._failed(problem)
