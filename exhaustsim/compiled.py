"""The compiled-function decorators of the package, where compiled code is kept, and `spread` over threads.

`kernel` is used by every law of `exhaustsim.physics` and every loop of the engine;
`kernel_on_arrays` by those that make no array themselves and are called thousands of times;
`unlocked_kernel` is `kernel` for a long loop that `spread` runs in several threads at once, `unlocked_kernel_on_arrays` both.
Set `EXHAUSTSIM_PURE_PYTHON=1` before import to run the same functions uncompiled, for
coverage and for stepping through with a debugger.

Compiled code is kept in a folder whose name is a fingerprint of the sources of all kernels.
The compiler's own check looks only at the file a function stands in, so a caller could keep
the machine code of a callee that has changed since; with the fingerprint a changed source
never meets old code.  The folder lies beside this file, or in the user's cache folder where
the install is read-only; `EXHAUSTSIM_CACHE` chooses another place.  A file there that is missing,
cut short or damaged is compiled anew, and where nothing can be kept the work goes on without.

Floating-point relaxations stop at fused multiply-add.  Letting the compiler reorder sums gave
other last digits from freshly compiled than from stored code, and the same inputs must give
the same bits; assuming finite values would hide the not-a-number that tells a failed step.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import pickle
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

PURE_PYTHON = os.environ.get("EXHAUSTSIM_PURE_PYTHON", "") not in ("", "0")

_PACKAGE = Path(__file__).parent


def source_fingerprint() -> str:
    """Twelve hex digits that change with any source that compiled code is made from."""
    digest = hashlib.sha256()
    for path in sorted([*_PACKAGE.glob("physics/*.py"), *_PACKAGE.glob("engine/*.py"), *_PACKAGE.glob("co*.py")]):
        digest.update(path.name.encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def cache_folder() -> Path:
    """Folder for the compiled code of exactly these sources (it may not exist yet)."""
    name = f"kernels-{source_fingerprint()}"
    chosen = os.environ.get("EXHAUSTSIM_CACHE")
    if chosen:
        return Path(chosen) / name
    beside = _PACKAGE / "__pycache__"
    if os.access(beside if beside.exists() else _PACKAGE, os.W_OK):
        return beside / name
    home = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    if os.access(home if home.exists() else home.parent, os.W_OK):
        return home / "exhaustsim" / name
    # Nowhere to keep it: a private folder that lasts as long as the temporary files do.
    return Path(tempfile.mkdtemp(prefix="exhaustsim-")) / name


_FOLDER = cache_folder()
FINGERPRINT = _FOLDER.name.removeprefix("kernels-")


def kept_results_folder() -> Path:
    """Folder for small results that outlast a change of the sources; beside the compiled code (it may not exist yet)."""
    return _FOLDER.parent


if PURE_PYTHON:

    def kernel(function):
        """Leave `function` as it is: the uncompiled mode."""
        return function

    kernel_on_arrays = unlocked_kernel = unlocked_kernel_on_arrays = kernel

else:
    import numba
    from numba.core.caching import FunctionCache, IndexDataCacheFile

    # Neighbouring scalars may share one instruction: that changes no digit.
    numba.config.SLP_VECTORIZE = 1

    def kernel(function):
        """Compile `function` on first use and keep the machine code on disk."""
        return _compiled(function)

    def kernel_on_arrays(function):
        """Compile as `kernel` a function that makes no array itself, only views of those it is given.

        The caller keeps the arrays alive, so their users are not counted; in a function that looks
        at dozens of small arrays the counting costs as much as the arithmetic.
        """
        return _compiled(function, _nrt=False)

    def unlocked_kernel(function):
        """As `kernel`; other threads go on while it runs, so it may change only what no other thread touches."""
        return _compiled(function, nogil=True)

    def unlocked_kernel_on_arrays(function):
        """Compile as both: no array of its own, and other threads go on while it runs."""
        return _compiled(function, nogil=True, _nrt=False)

    def _compiled(function, **more):
        # The folder is read when caching is switched on, so other users of the compiler keep theirs.
        before = numba.config.CACHE_DIR
        numba.config.CACHE_DIR = str(_FOLDER)
        try:
            dispatcher = numba.njit(error_model="numpy", fastmath={"contract"}, **more)(function)
            dispatcher._cache = _KeptCode(function)
            return dispatcher
        finally:
            numba.config.CACHE_DIR = before


    class _KeptCode(FunctionCache):
        """The compiler's own keeping of one function, made to survive files that are damaged or cannot be written."""

        def __init__(self, function):
            super().__init__(function)
            stamp = self._impl.locator.get_source_stamp()
            self._cache_file = _SealedFiles(self._cache_path, self._impl.filename_base, stamp)

        def _save_overload(self, sig, data):
            with contextlib.suppress(OSError):  # a full disk or a folder that has become read-only costs time only
                super()._save_overload(sig, data)

    class _SealedFiles(IndexDataCacheFile):
        """Every file carries its digest, and every machine code the key and the sources it was made for.

        The compiler checks none of them: a flipped bit would run as it stands, two processes that compile the same
        function for other arguments at once could leave one's code under the other's name, and where the folder of
        the fingerprint cannot be made the compiler falls back on one that all versions of the sources share.
        """

        def save(self, key, data):
            super().save(key, (FINGERPRINT, key, data))

        def load(self, key):
            *made_for, data = super().load(key) or (None,)
            return data if made_for == [FINGERPRINT, key] else None

        def _dump(self, thing):
            raw = super()._dump(thing)
            return raw + hashlib.sha256(raw).digest()  # behind its end, where reading stops

        def _load_data(self, name):
            raw = Path(self._data_path(name)).read_bytes()
            if hashlib.sha256(raw[:-32]).digest() != raw[-32:]:
                raise OSError(f"{name} is damaged")  # which the compiler takes as not there
            return pickle.loads(raw)

        def _load_index(self):
            # A damaged index cannot mislead, since the machine code knows its key; it can only fail to be read.
            try:
                return super()._load_index()
            except Exception:
                return {}


def spread(job: Callable[[int], None], count: int, threads: int | None = None) -> None:
    """Do job(0) to job(count - 1), several at once in threads (by default as many as there are cores to use).

    Each job must write to a place of its own; then the outcome is the same for any number of threads.
    """
    if threads is None:
        threads = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    if threads <= 1:
        for number in range(count):
            job(number)
        return
    with ThreadPoolExecutor(min(threads, count)) as pool:
        for _ in pool.map(job, range(count)):
            pass
