"""Layers point downwards, and the package is light to import."""

import subprocess
import sys
from pathlib import Path

import pytest

import exhaustsim

ROOT = Path(__file__).parent.parent
HEAVY = ("numpy", "numba", "scipy", "matplotlib", "pandas", "xarray", "pint", "ipywidgets")


def run_python(code: str) -> str:
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout  # fmt: skip


def test_import_contracts_hold():
    code = "from importlinter.cli import lint_imports; import sys; sys.exit(lint_imports(no_cache=True))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("statement", ["import exhaustsim", "import exhaustsim.cli; exhaustsim.cli._parser().format_help()"])
def test_import_and_help_load_nothing_heavy(statement):
    loaded = run_python(f"{statement}\nimport sys; print(*sys.modules)").split()
    assert "exhaustsim" in loaded
    assert not {name.split(".")[0] for name in loaded} & set(HEAVY)


def test_studies_and_engine_load_no_pictures():
    loaded = run_python("import exhaustsim.studies.comparison, sys; print(*sys.modules)").split()
    assert not {name.split(".")[0] for name in loaded} & {"matplotlib", "ipywidgets", "IPython", "pandas", "xarray"}


@pytest.mark.parametrize("name", exhaustsim.__all__)
def test_every_name_offered_can_be_had(name):
    assert getattr(exhaustsim, name) is not None


def test_an_unknown_name_is_refused():
    with pytest.raises(AttributeError, match="no name 'pump'"):
        exhaustsim.pump
