"""The folder of a long study: results in chunks, each written whole or not at all, so that nothing done is lost.

A manifest says what the study is (seed, number of valves, fingerprints of schedule, tolerances and
program); a study of anything else is refused, so that results of two inputs never stand side by side.
A chunk is a file of rows in valve order.  Whoever continues a study finds the chunks that are there and
does the others; as every valve has its own random stream, the numbers are those of a study never
interrupted, byte for byte.

A chunk that cannot be read is done again.  One study at a time may write to a folder; that is not watched.
Not here: what is in a row (`exhaustsim.studies.batch`).
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np

import exhaustsim
from exhaustsim.engine.filewrite import replace_whole
from exhaustsim.plant.faults import DesignFault, Fault

MANIFEST, RESULT = "manifest.json", "result.json"
CHUNK = "valves_{:06d}.npy"
HALVES = (".valves_*.npy.*", f".{MANIFEST}.*", f".{RESULT}.*")  # of files that were never finished
#: What of the program the numbers depend on.
SOURCES = ("data/*.toml", "data/*.py", "physics/*.py", "plant/*.py", "engine/*.py", "studies/*.py", "*.py")
NOT_OF_THE_NUMBERS = ("source",)  # fields that say where a record was read; the same file under another path is the same input


class ChunkFolder:
    """One study's folder; the manifest is written when it is opened for the first time.

    Raises
    ------
    DesignFault
        The folder holds another study, or something else.
    OSError
        The folder cannot be written.
    """

    def __init__(self, folder: Path, manifest: dict, form: np.dtype):
        self.folder = Path(folder)
        self.form = form
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / MANIFEST
        # What a killed run was about to write.
        for pattern in HALVES:
            for half in self.folder.glob(pattern):
                half.unlink()
        if path.exists():
            self._refuse_other(path, manifest)
        else:
            others = [f.name for f in self.folder.iterdir() if not f.name.startswith(".")]
            if others:
                need = f'the folder holds other things ("{sorted(others)[0]}") and no study'
                raise DesignFault([Fault(str(folder), "", "", need, "name an empty folder, or one that is not there yet")])
            with replace_whole(path) as file:
                json.dump(manifest, file, indent=1, sort_keys=True)
                file.write("\n")
        self.valves, self.chunk = manifest["valves"], manifest["chunk"]

    @property
    def count(self) -> int:
        """Chunks of the whole study."""
        return -(-self.valves // self.chunk)

    def span(self, number: int) -> tuple[int, int]:
        """First valve of a chunk, and the one after its last."""
        return number * self.chunk, min(self.valves, (number + 1) * self.chunk)

    def missing(self) -> list[int]:
        """Chunks that are not there, or cannot be read."""
        return [number for number in range(self.count) if self.read(number) is None]

    def read(self, number: int) -> np.ndarray | None:
        """The rows of a chunk, or None when it is not there whole."""
        first, last = self.span(number)
        with contextlib.suppress(OSError, ValueError, EOFError):
            rows = np.load(self.folder / CHUNK.format(number), allow_pickle=False)
            if rows.dtype == self.form and len(rows) == last - first:
                return rows
        return None

    def write(self, number: int, rows: np.ndarray) -> None:
        """Put a chunk in its place."""
        with replace_whole(self.folder / CHUNK.format(number), binary=True) as file:
            np.save(file, rows, allow_pickle=False)

    def write_result(self, told: dict) -> None:
        """Put the answer beside the chunks."""
        with replace_whole(self.folder / RESULT) as file:
            json.dump(told, file, indent=1, sort_keys=True)
            file.write("\n")

    def chunks(self) -> Iterator[np.ndarray]:
        """All chunks in order, one at a time."""
        for number in range(self.count):
            rows = self.read(number)
            if rows is None:
                raise OSError(f"{self.folder / CHUNK.format(number)} has been taken away or changed during the study")
            yield rows

    def column(self, name: str, place: int) -> np.ndarray:
        """(valve,) one number of every valve: a column of "reached" or "drawn"."""
        return np.concatenate([rows[name][:, place] for rows in self.chunks()])

    def _refuse_other(self, path: Path, manifest: dict) -> None:
        try:
            before = json.loads(path.read_text(encoding="utf-8"))
        except ValueError:
            before = None
        if not isinstance(before, dict):
            raise DesignFault([Fault(str(path), "", "", "the manifest of this study cannot be read", "name another folder")])
        faults = [
            Fault(str(path), key, _short(manifest.get(key)), f"this study was begun with {_short(before.get(key))}",
                  "continue it with the same, or name another folder")
            for key in sorted({*before, *manifest}) if before.get(key) != manifest.get(key)
        ]  # fmt: skip
        if faults:
            raise DesignFault(faults)


def _short(value: object) -> str:
    text = json.dumps(value)
    return text if len(text) < 60 else f"{text[:56]} ..."


def fingerprint(record: object) -> str:
    """Sixteen hex digits that change with anything in a record but the place it was read from.

    >>> from exhaustsim import load_schedule
    >>> standard = load_schedule("demo_data/schedules/dt1_standard.toml")
    >>> fingerprint(standard) == fingerprint(load_schedule("./demo_data/schedules/dt1_standard.toml"))
    True
    """
    return hashlib.sha256(repr(_plain(record)).encode()).hexdigest()[:16]


def program_fingerprint() -> str:
    """Version of the program, with sixteen hex digits that change with its laws, tables, limits and studies."""
    digest = hashlib.sha256()
    package = Path(exhaustsim.__file__).parent
    for path in sorted({file for pattern in SOURCES for file in package.glob(pattern)}):
        digest.update(path.name.encode() + path.read_bytes())
    return f"{exhaustsim.__version__} {digest.hexdigest()[:16]}"


def _plain(record: object) -> object:
    """Records as nested tuples of plain values; floats by all their bits, arrays by their bytes."""
    if dataclasses.is_dataclass(record):
        fields = [f.name for f in dataclasses.fields(record) if f.name not in NOT_OF_THE_NUMBERS]
        return (type(record).__name__, *((name, _plain(getattr(record, name))) for name in fields))
    if isinstance(record, dict):
        return ("dict", *((key, _plain(value)) for key, value in sorted(record.items(), key=lambda item: repr(item[0]))))
    if isinstance(record, list | tuple):
        return ("list", *map(_plain, record))
    if isinstance(record, np.ndarray):
        return ("array", str(record.dtype), record.shape, hashlib.sha256(np.ascontiguousarray(record).tobytes()).hexdigest())
    if isinstance(record, np.generic):
        return record.item()
    return record
