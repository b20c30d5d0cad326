"""A notebook in a real browser: server, page, and the few things a hand does there.

The server is the one of `exhaustsim lab`, on a copy of notebooks and demo data, with settings of its
own in a temporary folder, so that nothing of the user's own set-up is read or written.
"""

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path

ROOT = Path(__file__).parents[2]
PICTURES = ROOT / "screenshots"  # ignored by git
ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update",
    "--disable-sync",
)  # fmt: skip
OVERRIDES = {
    "@jupyterlab/apputils-extension:notification": {"fetchNews": "false", "checkForUpdates": False, "doNotDisturbMode": True},
    "@jupyterlab/docmanager-extension:plugin": {"autosave": False},
    "@jupyterlab/notebook-extension:tracker": {"windowingMode": "none"},
}
LAB_SETTINGS = """c = get_config()
c.LabApp.news_url = None
c.LabApp.check_for_updates_class = "jupyterlab.NeverCheckForUpdate"
c.LabApp.expose_app_in_browser = True
"""


@contextlib.contextmanager
def serving(folder: Path, page: str | None = None):
    """`exhaustsim lab` on a copy of the notebooks in `folder`; gives the address with its token."""
    for name in ("notebooks", "demo_data"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns(".ipynb_checkpoints"), dirs_exist_ok=True)
    places = {f"JUPYTER_{sort}_DIR": folder / sort.lower() for sort in ("CONFIG", "DATA", "RUNTIME")} | {
        "IPYTHONDIR": folder / "ipython", "HOME": folder, "JUPYTERLAB_SETTINGS_DIR": folder / "settings",
        "JUPYTERLAB_WORKSPACES_DIR": folder / "workspaces",
    }  # fmt: skip
    (folder / "config" / "labconfig").mkdir(parents=True)
    (folder / "config" / "labconfig" / "default_setting_overrides.json").write_text(json.dumps(OVERRIDES))
    (folder / "config" / "jupyter_lab_config.py").write_text(LAB_SETTINGS)
    command = [sys.executable, "-m", "exhaustsim.cli", "lab", "--no-browser", "--notebooks", str(folder / "notebooks")]
    environment = {**os.environ, **{k: str(v) for k, v in places.items()}, "PYTHONPATH": str(ROOT)}
    with open(folder / "server.log", "w") as log:
        server = subprocess.Popen(
            command + (["--page", page] if page else []), env=environment, stdout=subprocess.PIPE, stderr=log, text=True
        )
    alarm = threading.Timer(90.0, server.kill)
    alarm.start()
    try:
        line = server.stdout.readline()
        if "http://127.0.0.1:" not in line:
            raise RuntimeError(f"no address from the server: {line!r} {(folder / 'server.log').read_text()[-2000:]}")
        alarm.cancel()
        yield line.split(": ", 1)[1].strip()
    finally:
        alarm.cancel()
        server.send_signal(signal.SIGINT)
        try:
            server.wait(20.0)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()
        server.stdout.close()


@contextlib.contextmanager
def browsing(browser: str, folder: Path):
    """A page of a fresh browser; gives the page and the list of what its console complains of."""
    from playwright.sync_api import sync_playwright

    complaints: list[str] = []
    with sync_playwright() as player:
        context = player.chromium.launch_persistent_context(
            folder / "browser", executable_path=browser, headless=True, args=list(ARGUMENTS), viewport={"width": 1500, "height": 1050}
        )
        try:
            page = context.pages[0]
            page.set_default_timeout(45_000)
            page.on("console", lambda message: complaints.append(_complaint(message)) if _complaint(message) else None)
            page.on("request", lambda request: complaints.append(f"fetched {request.url}") if _elsewhere(request.url) else None)
            page.on("pageerror", lambda problem: complaints.append(str(problem)))
            yield page, complaints
        finally:
            context.close()


def _complaint(message) -> str:
    """What an error in the console says; the tests' own look at a picture that has just been replaced is none."""
    address = message.location.get("url", "")
    return f"{message.text} ({address})" if message.type == "error" and not address.startswith("blob:") else ""


def _elsewhere(address: str) -> bool:
    """Whether an address lies outside this computer."""
    return not address.startswith(("http://127.0.0.1:", "ws://127.0.0.1:", "data:", "blob:", "about:", "chrome"))


class LabPage:
    """A notebook with a desk in the browser."""

    def __init__(self, page, address: str):
        self.page, self.address = page, address
        self.desk = page.locator(".exhaust-desk")

    def open_notebook(self, notebook: str) -> None:
        """Open a notebook in JupyterLab and wait for its kernel; nothing is run."""
        self.page.goto(self.address.replace("/lab?", f"/lab/tree/{notebook}?") + "&reset")
        self.page.wait_for_function(
            "() => window.jupyterapp?.shell?.currentWidget?.sessionContext && document.querySelector('.jp-Notebook .jp-Cell')"
        )
        self.page.evaluate("""async () => { const panel = window.jupyterapp.shell.currentWidget;
            await panel.context.ready; await panel.sessionContext.ready; }""")

    def open_in_lab(self, notebook: str, ready=None) -> None:
        """Open a notebook in JupyterLab, run all its cells, and wait until it is `ready` (the desk's full answer)."""
        self.open_notebook(notebook)
        ran = self.page.evaluate("() => window.jupyterapp.commands.execute('notebook:run-all-cells')")
        assert ran is True
        (ready or self.full_answer)()

    def open_alone(self, ready=None) -> None:
        """Open the page that serves one notebook without its code, and wait until it is `ready`."""
        self.page.goto(self.address)
        (ready or self.full_answer)()

    def error_outputs(self) -> list:
        """Errors and standard error among the outputs of the notebook that is open in JupyterLab."""
        return self.page.evaluate("""() => window.jupyterapp.shell.currentWidget.model.toJSON().cells.flatMap(c => (c.outputs||[])
            .filter(o => o.output_type === 'error' || (o.output_type === 'stream' && o.name === 'stderr')))""")

    def alerts(self) -> list[str]:
        """What the app itself complains of."""
        return self.desk.locator("[role=alert]").all_inner_texts()

    def full_answer(self) -> None:
        """Wait until the desk shows a full answer."""
        self.page.wait_for_function(
            "() => { const desk = document.querySelector('.exhaust-desk'); if (!desk) return false;"
            " const said = [...desk.querySelectorAll('[role=status]')].map(e => e.innerText).join();"
            " return said.includes('full answer') && desk.querySelector('.verdict')?.dataset.draft === 'false'; }"
        )

    def picture(self) -> str:
        """A fingerprint of the bench picture as it is painted now."""
        return self.page.evaluate("""async () => {
            for (;;) {
                try {
                    const img = document.querySelector('.exhaust-desk img');
                    await img.decode();
                    const digest = await crypto.subtle.digest('SHA-256', await (await fetch(img.src)).arrayBuffer());
                    return [...new Uint8Array(digest)].map(byte => byte.toString(16).padStart(2, '0')).join('');
                } catch (changed_meanwhile) {
                    await new Promise(requestAnimationFrame);
                }
            } }""")

    def new_picture(self, before: str) -> str:
        """Wait for another picture than `before`."""
        for _ in range(400):
            now = self.picture()
            if now != before:
                return now
            self.page.wait_for_timeout(25)
        raise AssertionError("the picture did not change")

    def verdict(self) -> str:
        return self.desk.locator(".verdict").inner_text()

    def slider(self, label: str):
        """The handle of the slider with this label, ready for keys."""
        rows = self.desk.locator(".widget-slider", has=self.page.locator(f".widget-label:text-is('{label}')"))
        return rows.first.locator(".noUi-handle")

    def entry(self, label: str):
        """The exact entry beside the slider with this label."""
        row = self.desk.locator(".widget-hbox", has=self.page.locator(f".widget-label:text-is('{label}')")).last
        return row.locator("input[type=text]")

    def keep_screenshot(self, name: str) -> None:
        """Store a picture of the window for a person to look at."""
        PICTURES.mkdir(exist_ok=True)
        self.page.screenshot(path=PICTURES / f"{name}.png")
