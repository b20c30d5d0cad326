"""The demo files with names that a page, a terminal, a disk or a typesetter might take for something else."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

DEMO = Path(__file__).parents[2] / "demo_data"
#: Markup, quotes, a broken formula, writing from right to left, letters the fonts of pictures lack.
HOSTILE = "<script>alert(1)</script>&amp;\"'><img src=x onerror=alert(2)>$\\frac{$ \u05d0\u05d1 \u65e5\u672c"


def hostile_demo(folder: Path, words: str = HOSTILE) -> Path:
    """A copy of the demo data in `folder` whose DT-1 files carry `words` wherever a name or free text may stand; gives the schedule."""
    shutil.copytree(DEMO, folder, dirs_exist_ok=True)

    def quoted(start: str) -> str:
        return json.dumps(start + words, ensure_ascii=False)

    def rewrite(file: str, *changes: tuple[str, str]) -> None:
        path = folder / file
        text = path.read_text(encoding="utf-8")
        for old, new in changes:
            text, count = re.subn(old, lambda _, new=new: new, text, flags=re.MULTILINE)
            assert count, f"{old} stands nowhere in {file}"
        path.write_text(text, encoding="utf-8")

    rewrite(
        "valves/dt1.toml", ('^name = ".*"$', f"name = {quoted('V')}"), ('^description = ".*"$', f"description = {quoted('D')}"),
        (r"nodes\.grids\]", f"nodes.{quoted('N')}]"), ('"grids"', quoted("N")), (r"parts\.straps", f"parts.{quoted('P')}"),
        ('"mica body water"', quoted("L")),
    )  # fmt: skip
    rewrite(
        "machines/rx16.toml", ('^name = ".*"$', f"name = {quoted('M')}"), ('^description = ".*"$', f"description = {quoted('D')}"),
        ("^F2 =", f"{quoted('F')} ="), (r"^\[lines\.F2\]", f"[lines.{quoted('F')}]"),
    )  # fmt: skip
    for name in ("standard", "faster", "too_fast"):
        rewrite(
            f"schedules/dt1_{name}.toml", ('^name = ".*"$', f"name = {quoted('S')}"), ('^intention = ".*"$', f"intention = {quoted('I')}"),
            ("grids =", f"{quoted('N')} ="), ('^label = ".*"', f"label = {quoted('A')}"),
        )  # fmt: skip
    return folder / "schedules" / "dt1_standard.toml"
