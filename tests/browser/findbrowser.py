"""A browser of the Chromium family for the browser tests: one that is installed, or Debian's when it may be installed.

Run as a program it prints the path of the browser, or nothing; `--install` lets it install one. `EXHAUSTSIM_BROWSER`
names one that is kept elsewhere.
"""

import os
import shutil
import subprocess
import sys

NAMES = ("chromium", "chromium-browser", "chrome", "google-chrome", "google-chrome-stable")
DID_NOT_RUN = "The browser tests did not run: no Chromium-family browser is installed and none may be installed."


def find() -> str | None:
    """Path of an installed browser, or None."""
    chosen = os.environ.get("EXHAUSTSIM_BROWSER")
    if chosen:
        return shutil.which(chosen)
    return next((path for name in NAMES if (path := shutil.which(name))), None)


def install() -> None:
    """Install Debian's browser when this is Debian and we are the superuser; failing is no error."""
    if os.geteuid() != 0 or shutil.which("apt-get") is None:
        return
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for command in (["apt-get", "update", "-qq"], ["apt-get", "install", "-y", "-qq", "--no-install-recommends", "chromium"]):
        print(" ".join(command), file=sys.stderr)
        if subprocess.run(command, env=environment, stdout=subprocess.DEVNULL, check=False).returncode != 0:
            return


if __name__ == "__main__":
    if find() is None and "--install" in sys.argv:
        install()
    if "--say" in sys.argv:
        if find() is None:
            print(DID_NOT_RUN)
    else:
        print(find() or "")
