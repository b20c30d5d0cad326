"""Every notebook runs from a clean kernel, and no output of it is an error or an alert of the app.

The notebooks are kept without outputs.
"""

import json
from pathlib import Path

import pytest

nbformat = pytest.importorskip("nbformat")
nbclient = pytest.importorskip("nbclient")

FOLDER = Path(__file__).parent.parent / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
LONGEST_CELL = 14  # lines: what is longer belongs into the package

#: What each notebook must leave quiet, and words that it prints.
TOLD = {
    "02": (("lecture", "glow"), ""),
    "04": (("budget", "life", "order", "floors", "leaker", "bench"), "taken up to the end point"),
    "05": (("desk",), "true 1.6: inside"),
    "06": ((), "rows lie within their tolerance"),
}


def test_there_are_notebooks():
    assert {"01", "02", "04", "05", "06"} <= {path.name[:2] for path in NOTEBOOKS}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_kept_without_outputs_and_without_long_code(path):
    for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == [] and cell["execution_count"] is None, cell["id"]
            assert len(cell["source"]) <= LONGEST_CELL, cell["id"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_opens_with_a_question_and_a_caution(path):
    first = "".join(json.loads(path.read_text(encoding="utf-8"))["cells"][0]["source"])
    assert "?" in first and "interlock" in first and "invented" in first


# The client and its kernel leave sockets to the collector; not ours to close.
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning", "ignore::DeprecationWarning")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_runs_from_a_clean_kernel(path, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(FOLDER.parent))
    notebook = nbformat.read(path, as_version=4)
    # Work that goes on behind the cells is waited for, and what the app complains of is told as an error.
    waiting = (
        "for _name, _thing in list(globals().items()):\n"
        "    if not isinstance(_thing, type) and hasattr(_thing, 'wait') and hasattr(_thing, 'alerts'):\n"
        "        assert _thing.wait(60), f'{_name} is still at work'\n"
        "        assert not _thing.alerts, _thing.alerts\n"
        "        print('quiet:', _name)"
    )
    notebook.cells.append(nbformat.v4.new_code_cell(waiting))
    client = nbclient.NotebookClient(notebook, timeout=120, resources={"metadata": {"path": str(path.parent)}})
    client.execute()
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    wrong = [o for o in outputs if o.output_type == "error" or (o.output_type == "stream" and o.name == "stderr")]
    assert not wrong, wrong
    text = "".join(o.get("text", "") for o in outputs)
    pictures = sum("image/png" in output.get("data", {}) for output in outputs)
    assert pictures == {"05": 6, "06": 9}.get(path.name[:2], 0)
    for name, (quiet, words) in TOLD.items():
        if path.name.startswith(name):
            assert all(f"quiet: {one}" in text for one in quiet)
            assert words in text
    if path.name.startswith("01"):
        assert "quiet: desk" in text
        assert "DT-1 faster is the quickest that meets every target" in text
