"""Where compiled code is kept, and that freshly compiled and stored code give the same bits."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from exhaustsim import compiled

PROJECT = Path(compiled.__file__).parent.parent
DIGEST = """
import hashlib
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.engine.run import simulate
run = simulate(load_schedule("demo_data/schedules/dt1_too_fast.toml"))
print(hashlib.sha256(run.bulb_pressure.tobytes() + run.held.tobytes()).hexdigest())
"""


@pytest.fixture
def package(tmp_path, monkeypatch):
    """A copy of the sources of the kernels that may be changed."""
    for folder in ("physics", "engine", "__pycache__"):
        (tmp_path / folder).mkdir()
    for path in [*compiled._PACKAGE.glob("co*.py"), *compiled._PACKAGE.glob("physics/*.py")]:
        (tmp_path / path.relative_to(compiled._PACKAGE)).write_bytes(path.read_bytes())
    monkeypatch.setattr(compiled, "_PACKAGE", tmp_path)
    monkeypatch.delenv("EXHAUSTSIM_CACHE", raising=False)
    return tmp_path


@pytest.mark.parametrize("changed", ["constants.py", "compiled.py", "physics/getter.py"])
def test_any_changed_source_gets_a_new_folder(package, changed):
    before = compiled.cache_folder()
    with (package / changed).open("a") as file:
        file.write("\n# another line\n")
    assert compiled.cache_folder() != before


def test_code_lies_beside_the_package_or_where_the_user_says(package, monkeypatch, tmp_path):
    assert compiled.cache_folder().parent == package / "__pycache__"
    monkeypatch.setenv("EXHAUSTSIM_CACHE", str(tmp_path / "elsewhere"))
    assert compiled.cache_folder().parent == tmp_path / "elsewhere"


def test_read_only_install_uses_the_users_cache_folder(package, monkeypatch, tmp_path):
    real = os.access
    monkeypatch.setattr(compiled.os, "access", lambda path, mode: not str(path).startswith(str(package)) and real(path, mode))
    home = tmp_path.parent / "home_cache"
    home.mkdir()
    monkeypatch.setenv("XDG_CACHE_HOME", str(home))
    assert compiled.cache_folder().parent == home / "exhaustsim"
    monkeypatch.setattr(compiled.os, "access", lambda path, mode: False)
    private = compiled.cache_folder().parent
    assert private.exists()
    assert private.stat().st_mode & 0o077 == 0  # nobody else may put code there
    private.rmdir()


def test_fresh_and_stored_code_give_the_same_bits(tmp_path, runs):
    """Reordered sums would not: the first process compiles, the second loads what it stored."""
    environment = {**os.environ, "EXHAUSTSIM_CACHE": str(tmp_path), "PYTHONPATH": str(PROJECT)}
    digests = [
        subprocess.run(
            [sys.executable, "-c", DIGEST], cwd=PROJECT, env=environment, capture_output=True, text=True, check=True
        ).stdout.strip()
        for _ in range(2)
    ]
    run = runs["too_fast"]
    here = hashlib.sha256(run.bulb_pressure.tobytes() + run.held.tobytes()).hexdigest()
    assert digests == [here, here]
