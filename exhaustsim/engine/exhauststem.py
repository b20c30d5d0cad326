"""Exhaust stems given as sections: their transmission by traced molecules, and the straight tube they amount to.

Molecules are traced once for a shape, `MOLECULES` of them; the counts are kept in a small file beside
the compiled code, named by shape, number of molecules, seed and version of the tracing.  A file that
is damaged, or of something else, is traced again; where none can be written, tracing is done once in
every process.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import sys
import threading
import time
from pathlib import Path
from typing import NamedTuple

from exhaustsim.compiled import kept_results_folder
from exhaustsim.engine.filewrite import replace_whole
from exhaustsim.engine.result import FailedRun
from exhaustsim.physics import sections
from exhaustsim.physics.tracedmolecules import ALGORITHM, TracedMolecules, trace_sections
from exhaustsim.plant.valve import ExhaustStem

MOLECULES = 2_000_000  # standard error 0.3 % in a stem of 3 mm by 60 mm
SEED = 1
PATIENCE = 1.0  # s of tracing before anything is said


class Profile(NamedTuple):
    """Round sections in a row, as the tracing takes them."""

    lengths: tuple[float, ...]  # m
    start_radii: tuple[float, ...]  # m
    end_radii: tuple[float, ...]  # m
    bends: tuple[float, ...]  # rad, between each two

    def reversed(self) -> Profile:
        return Profile(self.lengths[::-1], self.end_radii[::-1], self.start_radii[::-1], self.bends[::-1])


class StraightTube(NamedTuple):
    """The straight tube that stands for a stem in sections, see `physics.sections`."""

    radius: float  # m
    length: float  # m
    diffusion_length: float  # m
    transmission: float  # 1, relative to its own opening
    narrowest: float  # m, smallest radius of the stem


def profile(stem: ExhaustStem) -> Profile:
    """The stem cut into cylinders and cones; cylinders of one bore in line are one."""
    pieces: list[list[float]] = []  # length, start radius, end radius
    bends: list[float] = []

    def add(length, start, end, bend=0.0):
        if pieces and bend == 0.0 and pieces[-1][1] == pieces[-1][2] == start == end:
            pieces[-1][0] += length
        elif length > 0.0:
            if pieces:
                bends.append(bend)
            pieces.append([length, start, end])

    for s in stem.sections:
        radius = 0.5 * s.bore
        if s.kind == "elbow":
            add(0.5 * s.length, radius, radius)
            add(0.5 * s.length, radius, radius, s.angle)
        elif s.kind == "pinch":
            waist = 0.5 * s.waist_bore
            add(s.shoulder, radius, waist)
            add(s.length - 2.0 * s.shoulder, waist, waist)
            add(s.shoulder, waist, radius)
        elif s.kind != "step":  # a step is the change of bore between its neighbours
            add(s.length, radius, 0.5 * s.end_bore)
    return Profile(*(tuple(column) for column in zip(*pieces, strict=True)), tuple(bends))


def is_straight(stem: ExhaustStem) -> bool:
    """Whether the stem is one straight tube of one bore, as it is when given without sections."""
    if not stem.sections:
        return True
    shape = profile(stem)
    return len(shape.lengths) == 1 and shape.start_radii == shape.end_radii


def straight_tube(stem: ExhaustStem) -> StraightTube:
    """The straight tube that stands for a stem in sections; traces molecules unless the shape is known already.

    Raises
    ------
    FailedRun
        When molecules were lost in the tracing.
    """
    shape = profile(stem)
    traced, first = transmission(shape)
    radius, length, diffusion_length = sections.equivalent_tube(shape.lengths, shape.start_radii, shape.end_radii)
    narrowest = min(shape.start_radii + shape.end_radii)
    return StraightTube(radius, length, diffusion_length, traced.probability * (first / radius) ** 2, narrowest)


def transmission(shape: Profile) -> tuple[TracedMolecules, float]:
    """Molecules traced through `shape` from its narrower opening, and the radius of that opening."""
    if shape.end_radii[-1] < shape.start_radii[0]:
        shape = shape.reversed()
    return _traced(shape, MOLECULES, SEED), shape.start_radii[0]


@functools.lru_cache(maxsize=256)
def _traced(shape: Profile, molecules: int, seed: int) -> TracedMolecules:
    asked = {"algorithm": ALGORITHM, "shape": [list(column) for column in shape], "molecules": molecules, "seed": seed}
    file = kept_results_folder() / "traced" / f"stem-{_digest(asked)[:16]}.json"
    traced = _read(file, asked)
    if traced is None:
        traced = trace_sections(*shape, molecules=molecules, seed=seed, told=_Progress(molecules))
        if traced.lost:
            raise FailedRun(f"{traced.lost} of {molecules} molecules came to no end in the exhaust stem")
        _keep(file, asked, traced)
    return traced


def _digest(content) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def _read(file: Path, asked: dict) -> TracedMolecules | None:
    """What was kept, or None unless it is whole and answers exactly this question."""
    try:
        kept = json.loads(file.read_text(encoding="utf-8"))
        if kept["check"] != _digest([kept["asked"], kept["counts"]]) or kept["asked"] != asked:
            return None
        return TracedMolecules(asked["molecules"], *(kept["counts"][n] for n in TracedMolecules._fields[1:]))
    except (OSError, ValueError, TypeError, KeyError):
        return None


def _keep(file: Path, asked: dict, traced: TracedMolecules) -> None:
    counts = traced._asdict()
    # Not being able to keep a result costs time at the next start, nothing else.
    with contextlib.suppress(OSError):
        file.parent.mkdir(parents=True, exist_ok=True)
        with replace_whole(file) as out:
            json.dump({"asked": asked, "counts": counts, "check": _digest([asked, counts])}, out)


class _Progress:
    """One line on the error stream when tracing takes longer than `PATIENCE`."""

    def __init__(self, molecules: int):
        self._start = time.monotonic()
        self._lock = threading.Lock()
        self._told = False
        self._line = f"tracing {molecules} molecules through the exhaust stem, once for this shape ..."

    def __call__(self, share: float) -> None:
        with self._lock:
            if self._told or time.monotonic() - self._start < PATIENCE:
                return
            self._told = True
            with contextlib.suppress(OSError, ValueError):
                # On a terminal another line may be standing there.
                print(f"\r{self._line:<79}" if sys.stderr.isatty() else self._line, file=sys.stderr, flush=True)
