"""What a user waits for, and what memory a run takes: each measured in a process of its own.

Wall time, because that is what is waited for, and processor time beside it, which a loaded machine
lengthens less.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np

from exhaustsim.engine.network import number_valve
from exhaustsim.engine.phases import phases_of

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "demo_data" / "schedules"
THREE = [str(DEMO / f"dt1_{name}.toml") for name in ("standard", "faster", "too_fast")]

# Where the system tells it, the peak since the program was loaded: the other figure starts from what the
# parent had when it forked.
_PEAK = """
import resource, sys
import exhaustsim
{work}
try:
    with open("/proc/self/status") as status:
        peak = next(1024 * int(line.split()[1]) for line in status if line.startswith("VmHWM"))
except (OSError, StopIteration):
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
print(peak)
"""


class Waited(NamedTuple):
    """How long a process took."""

    wall: float  # s
    processor: float  # s
    output: str


def _run(arguments, **environment) -> Waited:
    """One Python process from its start to its end."""

    def spent():
        used = os.times()
        return used.children_user + used.children_system

    start, before = time.perf_counter(), spent()
    done = subprocess.run(
        [sys.executable, *arguments], cwd=ROOT, env=os.environ | environment, capture_output=True, text=True, check=True
    )
    return Waited(time.perf_counter() - start, spent() - before, done.stdout)


def help_seconds(repeats: int = 5) -> float:
    """Wall seconds of `exhaustsim --help`, median."""
    return float(np.median([_run(["-m", "exhaustsim.cli", "--help"]).wall for _ in range(repeats)]))


def import_seconds(repeats: int = 5) -> float:
    """Wall seconds of a process that does `import exhaustsim`, median."""
    return float(np.median([_run(["-c", "import exhaustsim"]).wall for _ in range(repeats)]))


def compile_seconds() -> tuple[Waited, Waited]:
    """`exhaustsim run` with nothing compiled yet, and once more from stored code."""
    with tempfile.TemporaryDirectory() as folder:
        return tuple(_run(["-m", "exhaustsim.cli", "run", THREE[0]], EXHAUSTSIM_CACHE=folder) for _ in range(2))


def compare_seconds() -> Waited:
    """`exhaustsim compare` of the three demo schedules with report, code stored: the second of two."""
    with tempfile.TemporaryDirectory() as folder:
        command = ["-m", "exhaustsim.cli", "compare", *THREE, "--out", folder]
        _run(command)
        return _run(command)


def peak_memory() -> tuple[float, float]:
    """Peak resident memory [MB] of a process that loads the engine, and of one that runs DT-1 standard."""
    load = "from exhaustsim.engine import run"
    simulate = f"exhaustsim.simulate(exhaustsim.load_schedule({THREE[0]!r}))"
    return tuple(float(_run(["-c", _PEAK.format(work=work)]).output) / 1e6 for work in (load, simulate))


def valve_memory(schedule) -> tuple[float, float]:
    """Memory [MB] of one more valve: its tables and start, and the states kept at the sample times."""
    valve = number_valve(schedule.valve, schedule.machine)
    phases = phases_of(schedule, valve)

    def size(value):
        if isinstance(value, np.ndarray):
            return value.nbytes
        return sum(size(v) for v in value) if isinstance(value, tuple) else 0

    return (size(valve) + size(phases)) / 1e6, len(phases.time) * len(valve.start) * 8 / 1e6
