"""Open the notebooks: all of them in JupyterLab, or one as a page of its own.

The server answers on this computer only (127.0.0.1) and asks for a token, which is made anew
each time and handed over in the environment, not on a command line that others could list.
"""

from __future__ import annotations

import contextlib
import importlib.util
import os
import secrets
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
import webbrowser
from pathlib import Path

ADDRESS = "127.0.0.1"
PATIENCE = 60.0  # s that a server may take to come up
PAGE = Path(__file__).parent / "page"  # template of the page of its own, which fetches nothing from elsewhere
BESIDE_PACKAGE = Path(__file__).parents[2] / "notebooks"


class LabFault(RuntimeError):
    """The notebooks cannot be opened; the text says why and what to do."""


def notebooks_folder(given: str | None = None) -> Path:
    """The folder with the notebooks: the one given, `notebooks` here, or that of the source tree.

    Raises
    ------
    LabFault
        There are none.
    """
    places = [Path(given)] if given else [Path("notebooks"), BESIDE_PACKAGE]
    for place in places:
        if any(place.glob("*.ipynb")):
            return place.resolve()
    raise LabFault(f"no notebooks in {' or '.join(map(str, places))}; name their folder with --notebooks DIR")


def demo_folder(given: str | None = None) -> Path:
    """The folder with the demo valves, machines and schedules: it stands beside that of the notebooks.

    Raises
    ------
    LabFault
        There is none.
    """
    place = notebooks_folder(given).parent / "demo_data"
    if not (place / "schedules").is_dir():
        raise LabFault(f"no demo_data with schedules beside the notebooks ({place})")
    return place


def find_page(folder: Path, page: str) -> Path:
    """The notebook whose name begins with `page`.

    Raises
    ------
    LabFault
        None or several do.
    """
    found = [path for path in sorted(folder.glob("*.ipynb")) if path.name.startswith(page)]
    if len(found) != 1:
        names = ", ".join(path.name for path in found or sorted(folder.glob("*.ipynb")))
        raise LabFault(f"{'several notebooks begin' if found else 'no notebook begins'} with {page!r}: choose from {names}")
    return found[0]


def free_port() -> int:
    """A port that nobody uses at the moment."""
    with socket.socket() as trial:
        trial.bind((ADDRESS, 0))
        return trial.getsockname()[1]


def server_command(folder: Path, page: Path | None, port: int) -> tuple[list[str], str]:
    """The command that serves the folder in JupyterLab or `page` alone, and the path of its address.

    Raises
    ------
    LabFault
        What serves notebooks is not installed.
    """
    module = "jupyterlab" if page is None else "voila"
    missing = [name for name in (module, "ipywidgets") if importlib.util.find_spec(name) is None]
    if missing:
        raise LabFault(f"{' and '.join(missing)} not installed: pip install 'exhaustsim[lab]', or make lab")
    if page is None:
        options = [
            f"--ServerApp.ip={ADDRESS}", f"--ServerApp.port={port}", "--ServerApp.port_retries=0", f"--ServerApp.root_dir={folder}",
            "--ServerApp.open_browser=False", "--ServerApp.log_level=30", "--LabApp.log_level=30",
        ]  # fmt: skip
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            options.append("--ServerApp.allow_root=True")
        return [sys.executable, "-m", "jupyterlab", *options], "lab"
    options = [
        f"--Voila.ip={ADDRESS}", f"--Voila.port={port}", "--Voila.open_browser=False", "--Voila.auto_token=True", "--Voila.log_level=30",
        "--VoilaConfiguration.template=desk",
    ]  # fmt: skip
    return [sys.executable, "-m", "voila", str(page), *options], ""


def open_lab(page: str | None = None, folder: str | None = None, port: int | None = None, browser: bool = True) -> int:
    """Serve the notebooks until interrupted; returns 0.

    Raises
    ------
    LabFault
        There is nothing to serve, nothing to serve it with, or the server did not come up.
    """
    where = notebooks_folder(folder)
    chosen = find_page(where, page) if page else None
    port = port or free_port()
    command, path = server_command(where, chosen, port)
    token = secrets.token_hex(24)
    paths = os.pathsep.join(filter(None, [str(PAGE), os.environ.get("JUPYTER_PATH")]))
    # A session of its own: Ctrl+C reaches this program only, which then ends the server in good order.
    server = subprocess.Popen(
        command, env={**os.environ, "JUPYTER_TOKEN": token, "JUPYTER_PATH": paths}, stdout=subprocess.DEVNULL, start_new_session=True
    )
    address = f"http://{ADDRESS}:{port}/{path}?token={token}"
    try:
        _wait_for(server, f"http://{ADDRESS}:{port}/{path}")
        print(f"{chosen.name if chosen else 'The notebooks'}: {address}\nCtrl+C ends it.", flush=True)
        if browser:
            webbrowser.open(address)
        code = server.wait()
        raise LabFault(f"the notebook server ended by itself (code {code})")
    except KeyboardInterrupt:
        return 0
    finally:
        _end(server, signal.SIGTERM if chosen is None else signal.SIGINT)


def _wait_for(server: subprocess.Popen, address: str) -> None:
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        if server.poll() is not None:
            raise LabFault(f"the notebook server did not start (code {server.returncode}); what it says stands above")
        try:
            urllib.request.urlopen(address, timeout=2.0).close()
            return
        except urllib.error.HTTPError:
            return  # it answers, and asks for its token
        except OSError:
            time.sleep(0.1)
    raise LabFault(f"the notebook server did not answer within {PATIENCE:.0f} s")


def _end(server: subprocess.Popen, gently: signal.Signals) -> None:
    """End the server and with it the kernels; `gently` is the signal on which it clears up."""
    for how in (gently, signal.SIGTERM):
        if server.poll() is None:
            server.send_signal(how)
            with contextlib.suppress(subprocess.TimeoutExpired):
                server.wait(5.0)
    if server.poll() is None:
        server.kill()
        server.wait()
