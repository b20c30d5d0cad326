"""Write a file whole or not at all: a reader meets the old file or the new one, never half of one."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path


@contextlib.contextmanager
def replace_whole(path, newline=None, binary=False):
    """Open a text file (bytes with `binary`) that takes the place of `path` only when the block ends without an error.

    Raises
    ------
    OSError
        When the folder cannot be written; `path` is then untouched.
    """
    path = Path(path)
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent or Path("."))
    try:
        with os.fdopen(handle, "wb") if binary else os.fdopen(handle, "w", encoding="utf-8", newline=newline) as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
