"""The loaded machine of notebook 03 in a real browser, in JupyterLab, worked by keyboard.

Only the cells up to the desk are run: the others take machine runs by the dozen, and `tests/test_notebooks.py` has them.
The test also fails on an error that the app shows, on an error output, and on an error in the browser's console.
"""

import pytest

pytest.importorskip("playwright")
pytest.importorskip("jupyterlab")

from findbrowser import DID_NOT_RUN, find
from labpage import LabPage, browsing, serving

NOTEBOOK = "03_loaded_machine.ipynb"
BROWSER = find()

pytestmark = [
    pytest.mark.skipif(BROWSER is None, reason=DID_NOT_RUN),
    pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning"),
]


class MachinePage(LabPage):
    """The desk of the loaded machine."""

    def open_up_to_the_desk(self) -> None:
        """Open the notebook in JupyterLab and run its cells from the top until the desk is there with its first answer."""
        self.open_notebook(NOTEBOOK)
        self.page.evaluate("""async () => { const app = window.jupyterapp, panel = app.shell.currentWidget;
            const cells = panel.context.model.cells, desk = [...cells].findIndex(cell => cell.type === 'code');
            panel.content.activeCellIndex = desk;
            await app.commands.execute('notebook:run-cell'); }""")
        self.answer_other_than("")

    def answer_other_than(self, before: str) -> str:
        """Wait for a finished run whose answer is not `before`."""
        self.page.wait_for_function(
            "old => { const desk = document.querySelector('.exhaust-desk'); if (!desk) return false;"
            " const said = [...desk.querySelectorAll('[role=status]')].map(e => e.innerText).join();"
            " const answer = desk.querySelector('.verdict')?.innerText ?? '';"
            " return said.includes('done') && answer.includes('leaker') && answer !== old; }",
            arg=before,
        )
        return self.verdict()


def test_a_leak_made_larger_takes_other_heads_along(tmp_path):
    with serving(tmp_path) as address, browsing(BROWSER, tmp_path) as (page, complaints):
        machine = MachinePage(page, address)
        machine.open_up_to_the_desk()
        before, picture = machine.verdict(), machine.picture()
        assert "leaker of 0.30 Pa L/s on head 1" in before
        machine.keep_screenshot("machine_lab_opened")
        machine.slider("leak [Pa L/s]").focus()
        page.keyboard.press("PageUp")
        after = machine.answer_other_than(before)
        assert "leaker of 0.30 Pa L/s" not in after and "to scrap" in after
        assert machine.new_picture(picture) != picture
        machine.keep_screenshot("machine_lab_leak")
        assert machine.error_outputs() == [] and machine.alerts() == []
        assert complaints == []
