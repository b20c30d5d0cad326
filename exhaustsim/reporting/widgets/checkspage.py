"""Model against published values: the picture of the differences and the table with sources."""

from __future__ import annotations

from html import escape

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import NullLocator

from exhaustsim.reporting.canvas import BAND, FAINT, INK, SMALL, heading, new_figure, place, plain_power, words_below
from exhaustsim.reporting.widgets.fields import STYLE, table
from exhaustsim.studies.publishedchecks import Check
from exhaustsim.units import format_number

LEAST = 1e-9  # what is less is drawn here
WORDS = {"read": "read in the source", "recalled": "recalled", "computed": "computed by other means"}
MARKS = {"read": ("o", INK), "recalled": ("o", "white"), "computed": ("x", INK)}


def differences(checks: list[Check], title: str) -> Figure:
    """Relative difference of every row, sorted, with the tolerance of each as a tick."""
    figure = new_figure(4.5)
    heading(figure, f"{title}: model against {len(checks)} values")
    axes = place(figure, 68, 46, 24, 58)
    ordered = sorted(checks, key=lambda check: abs(check.off))
    places = np.arange(1, len(ordered) + 1)
    off = np.maximum([abs(check.off) for check in ordered], LEAST)
    allowed = np.array([check.row.entry["tolerance"] for check in ordered])
    axes.set_yscale("log")
    axes.set_ylim(0.5 * LEAST, 10.0)
    axes.set_xlim(0.0, len(ordered) + 1.0)
    powers = [10.0**k for k in range(-9, 2)]
    axes.set_yticks(powers, [("≤ 1e-9" if p < 2e-9 else plain_power(p)) for p in powers])
    axes.yaxis.set_minor_locator(NullLocator())
    axes.grid(True, axis="y", color=BAND, linewidth=0.7)
    axes.set_axisbelow(True)
    axes.vlines(places, off, allowed, color="#c4c4c4", linewidth=0.8)
    axes.plot(places, allowed, linestyle="none", marker="_", markersize=5, color=FAINT)
    for standing, (marker, face) in MARKS.items():
        chosen = [k for k, check in enumerate(ordered) if check.row.entry["standing"] == standing]
        if chosen:
            axes.plot(places[chosen], off[chosen], linestyle="none", marker=marker, markersize=4.5, markerfacecolor=face, markeredgecolor=INK)
    axes.set_ylabel("relative difference", fontsize=9, color=INK)
    axes.yaxis.set_label_coords(-52.0 / axes.get_window_extent().width, 0.5)
    words_below(axes, "rows, by their difference")
    width, height = figure.get_size_inches() * figure.dpi
    key = "●  read in the source     ○  recalled     ✕  computed by other means     –  tolerance of the row"
    figure.text(68 / width, 1.0 - 34 / height, key, fontsize=SMALL, color=INK)
    return figure


def checks_html(checks: list[Check]) -> str:
    """Every row with its value, what the model gives, difference, standing and source."""
    rows = [("id", "what", "source gives", "model", "unit", "off, %", "allowed, %", "standing", "source")]
    for check in checks:
        entry = check.row.entry
        rows.append((
            entry["id"], entry["what"], format_number(check.expected, 4), format_number(check.got, 4), entry["unit"],
            f"{100.0 * check.off:+.2g}", f"{100.0 * entry['tolerance']:.2g}", WORDS[entry["standing"]], entry["source"],
        ))  # fmt: skip
    missed = {k for k, check in enumerate(checks) if not check.kept}
    return f'<div class="exhaust-desk">{STYLE}{table(rows, texts=(0, 1, 4, 7, 8), strong=missed)}</div>'


def summary(checks: list[Check]) -> str:
    """One sentence on all rows."""
    read = [check for check in checks if check.row.entry["standing"] == "read"]
    sources = {check.row.entry["source"] for check in read}
    kept = sum(check.kept for check in checks)
    within = f"{kept} of {len(checks)} rows lie within their tolerance; "
    if not read:
        return within + "none was read in a source."
    off = np.median([abs(check.off) for check in read])
    return escape(f"{within}{len(read)} were read in {len(sources)} places of sources, half of those within {100.0 * off:.2g} %.")
