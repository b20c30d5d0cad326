"""Compiled code that is stale, cut short, damaged, mixed up or cannot be kept never gives wrong numbers: it is made anew.

Closed forms stand in for laws, so what is right is known without the package.
"""

import importlib.util
import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from exhaustsim import compiled

PROJECT = Path(compiled.__file__).parents[1]
pytestmark = pytest.mark.skipif(compiled.PURE_PYTHON, reason="nothing is compiled")


def plain(folder: Path, body: str, name: str = "law"):
    """A function in a file of its own, as the compiler wants it."""
    path = folder / f"{name}.py"
    path.write_text(f"def law(x):\n    return {body}\n")
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.law


@pytest.fixture
def keep(tmp_path, monkeypatch):
    """Compile a function and keep its code in a folder of the test."""
    monkeypatch.setattr(compiled, "_FOLDER", tmp_path / "kept")
    return compiled.kernel


@pytest.fixture
def law(tmp_path):
    return plain(tmp_path, "3 * x + 1")


def files(folder: Path, ending: str) -> list[Path]:
    found = sorted(folder.rglob(f"*.{ending}"))
    assert found
    return found


def cut_short(path):
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def emptied(path):
    path.write_bytes(b"")


def garbage(path):
    path.write_bytes(bytes(range(256)) * 20)


def one_bit(path):
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2] ^= 4
    path.write_bytes(bytes(raw))


def last_byte(path):
    path.write_bytes(path.read_bytes()[:-1])


def test_kept_code_is_used_again(keep, law):
    first, again = keep(law), None
    assert first(2.0) == 7.0 and not first.stats.cache_hits
    again = keep(law)
    assert again(2.0) == 7.0 and sum(again.stats.cache_hits.values()) == 1


@pytest.mark.parametrize("damage", [cut_short, emptied, garbage, one_bit, last_byte, Path.unlink])
@pytest.mark.parametrize("ending", ["nbc", "nbi"])
def test_damaged_code_is_made_anew_and_kept_again(keep, law, tmp_path, ending, damage):
    keep(law)(2.0)
    for path in files(tmp_path, ending):
        damage(path)
    again = keep(law)
    assert again(2.0) == 7.0
    if ending == "nbc":
        assert not again.stats.cache_hits
    third = keep(law)
    assert third(2.0) == 7.0 and sum(third.stats.cache_hits.values()) == 1


def test_code_for_other_arguments_is_not_taken_for_ours(keep, law, tmp_path):
    """As two processes could leave it that compile at once: whole numbers and fractions exchanged."""
    first = keep(law)
    assert first(2.5) == 8.5 and first(2) == 7
    one, two = files(tmp_path, "nbc")
    one_bytes, two_bytes = one.read_bytes(), two.read_bytes()
    one.write_bytes(two_bytes), two.write_bytes(one_bytes)
    again = keep(law)
    assert again(2.5) == 8.5 and again(2) == 7 and not again.stats.cache_hits


def test_code_of_other_sources_is_not_used_wherever_it_lies(keep, law, tmp_path, monkeypatch):
    """The same file by size, date and steps, with another number in it: only the fingerprint of the sources tells."""
    keep(law)(2.0)
    stamp = (tmp_path / "law.py").stat()
    changed = plain(tmp_path, "5 * x + 1")
    os.utime(tmp_path / "law.py", ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    monkeypatch.setattr(compiled, "FINGERPRINT", "0123456789ab")
    assert keep(changed)(2.0) == 11.0


def test_a_full_disk_costs_time_only(keep, law, tmp_path):
    function = keep(law)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (100, before[1]))
        assert function(2.0) == 7.0
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert not list(tmp_path.rglob("*.nbc*"))
    assert keep(law)(2.0) == 7.0


def test_a_folder_that_vanishes_costs_time_only(keep, law, tmp_path):
    function = keep(law)
    for path in sorted((tmp_path / "kept").rglob("*"), reverse=True):
        path.rmdir()
    (tmp_path / "kept").rmdir()
    (tmp_path / "kept").write_text("in the way")
    assert function(2.0) == 7.0


def test_a_place_that_cannot_be_made_does_not_stop_the_work(tmp_path):
    (tmp_path / "file").write_text("in the way")
    words = "from exhaustsim.physics.shop import saturation_pressure_water as p; print(round(p(298.15)[0], -2))"
    environment = {**os.environ, "EXHAUSTSIM_CACHE": str(tmp_path / "file" / "deeper"), "HOME": str(tmp_path / "file"), "XDG_CACHE_HOME": ""}
    done = subprocess.run([sys.executable, "-c", words], env=environment, cwd=PROJECT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-500:]
    assert done.stdout.strip() == "3200.0"  # 3169.9 Pa at 25 degC by the steam tables (IAPWS-95), to the hundred
