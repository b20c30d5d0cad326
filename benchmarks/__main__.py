"""`python -m benchmarks`: every figure, printed and written to bench.json.  With names: only those."""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

ROOT = Path(__file__).parent.parent
PACKAGES = ("numpy", "numba", "scipy", "scikit-sundae")


def machine() -> dict:
    """The machine in general words."""
    found = {"cores": len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()}
    found |= {"system": platform.system(), "processor": platform.machine(), "python": platform.python_version()}
    for name in PACKAGES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    if hasattr(os, "getloadavg"):
        found["load"] = round(os.getloadavg()[0], 1)
    return found


def commit() -> str:
    """Commit of the sources, with a word when they differ from it."""

    def git(*words):
        return subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()

    try:
        return git("rev-parse", "--short=12", "HEAD") + (" with changes" if git("status", "--porcelain", "--untracked-files=no") else "")
    except (OSError, subprocess.CalledProcessError):
        return "unknown"


def main(arguments=None) -> int:
    """Run the figures asked for; 0 when all were measured."""
    from benchmarks.figures import FIGURES, Bench
    from exhaustsim.engine.filewrite import replace_whole

    by_name = {figure.__name__: figure for figure in FIGURES} | {"anatomy": FIGURES[0]}
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description="Measures what runs cost; about four minutes.")
    parser.add_argument("figures", nargs="*", metavar="figure", help=f"only these, not written: {', '.join(by_name)}")
    parser.add_argument("--out", default=str(ROOT / "bench.json"), metavar="FILE", help="where the figures go (default: bench.json)")
    asked = parser.parse_args(arguments)
    for name in asked.figures:
        if name not in by_name:
            parser.error(f"{name!r} is no figure; there are {', '.join(by_name)}")
    started = time.time()
    bench = Bench()
    figures = {}
    for figure in [by_name[name] for name in asked.figures] or FIGURES:
        print(f"{time.time() - started:4.0f} s  {figure.__doc__.splitlines()[0]}", file=sys.stderr, flush=True)
        figures |= figure(bench)
    about = machine()
    print("\n".join(bench.text))
    print(f"commit {commit()}; " + ", ".join(f"{name} {value}" for name, value in about.items()))
    if asked.figures:
        return 0
    single = {name: value for name, value in figures.items() if isinstance(value, int | float)}
    for name, value in single.items():
        print(f"{name:40}{value:>14.4g}")
    seconds = round(time.time() - started)
    text = json.dumps({"commit": commit(), "machine": about, "seconds": seconds, **figures}, indent=1, allow_nan=False)
    with replace_whole(asked.out) as file:
        file.write(text + "\n")
    print(f"written: {Path(asked.out).name}, after {seconds} s", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
