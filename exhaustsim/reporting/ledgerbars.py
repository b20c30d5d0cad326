"""The gas ledger as bars: for each gas, which source released it and which sink removed it.

Amounts are Pa L referred to 20 degC.  Gases differ by decades in amount, so that each gas has
its own scale: the upper bar is all of it by source, the lower bar all of it by sink, both of
the same length, and the total stands in front.  Gas still held in the parts was never
released and stands behind the bars as a number.

Gas once mixed carries no source: the bars do not say which source's gas went to which sink.
"""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from exhaustsim.constants import GAS_NAMES
from exhaustsim.engine.ledger import GasLedger
from exhaustsim.engine.result import Run
from exhaustsim.reporting.canvas import FAINT, INK, SMALL, TEXT, boxes, heading, new_figure, place, shortened, text_width
from exhaustsim.units import PASCAL_LITRE, format_number

AIR = ("N2", "O2", "Ar", "He")  # told together: nearly all of them is room air
SMALLEST = 1e-3  # Pa L: gases with less than this in all have no bar
SOURCE_SHADES, SINK_SHADES = ("#f3e3cf", "#d9b48a"), ("#dce8ec", "#a9c4cd")
BAR = 520.0  # pixels from end to end
SLIVER = 3.0  # pixels: narrower pieces are drawn as one
MARGIN_LETTERS = 38  # behind the bars
#: Short words for entries of the ledger, where the bar has no room for all of them.
SHORT = {
    "port plate in-leak": "port in-leak",
    "CO2 reduced by hot nickel": "hot nickel",
    "CO from CO2 on hot nickel": "CO2 on nickel",
    "H2 from water on barium": "water on barium",
    "recarbonation of the coating": "recarbonation",
    "electrical clean-up": "clean-up",
}


def ledger_bars(run: Run) -> Figure:
    """Bars of the gas ledger of one run."""
    figure = new_figure()
    heading(figure, f"{shortened(run.schedule.name, 60)}: gas ledger, Pa L at 20 degC", left=14.0)
    axes = place(figure, 160, 10, 220, 32)
    axes.set_axis_off()
    accounts = _accounts(run.ledger)
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(max(len(accounts), 1), 0.0)
    for row, (gas, sources, sinks, held) in enumerate(accounts):
        axes.text(-146.0 / BAR, row + 0.24, gas, fontsize=TEXT, fontweight="bold", color=INK, ha="left", va="center")
        axes.text(-146.0 / BAR, row + 0.50, f"{_amount(sum(sources.values()))} Pa L", fontsize=SMALL, color=INK, ha="left", va="center")
        still = f"still held {_amount(held)}" if held > 0.0 else "none still held"
        axes.text(-146.0 / BAR, row + 0.74, still, fontsize=SMALL - 0.5, color=INK, ha="left", va="center")
        for offset, words, entries, shades in (
            (0.12, "released", sources, SOURCE_SHADES), (0.50, "removed", sinks, SINK_SHADES),
        ):  # fmt: skip
            axes.text(-0.01, row + offset + 0.18, words, fontsize=SMALL - 1, color=FAINT, ha="right", va="center")
            rest = _bar(axes, row + offset, entries, shades)
            axes.text(
                1.01, row + offset + 0.18, rest, fontsize=SMALL - 1, color=INK, ha="left", va="center", parse_math=False
            )
    return figure


def _accounts(ledger: GasLedger) -> list[tuple[str, dict, dict, float]]:
    """Gas, sources, sinks and what is still held [Pa L] for each gas with a bar, largest first."""
    rows = []
    groups = [(gas, [GAS_NAMES.index(gas)]) for gas in GAS_NAMES if gas not in AIR]
    groups.append((" ".join(AIR), [GAS_NAMES.index(gas) for gas in AIR]))
    for gas, columns in groups:
        sources, sinks = _both_sides(ledger, columns)
        held = sum(float(amount[columns].sum()) for amount in ledger.held.values()) / PASCAL_LITRE
        if sum(sources.values()) >= SMALLEST:
            rows.append((gas, sources, sinks, max(held, 0.0)))
    return sorted(rows, key=lambda row: -sum(row[1].values()))


def _both_sides(ledger: GasLedger, columns) -> tuple[dict[str, float], dict[str, float]]:
    """What came into the gas and what left it, by name [Pa L]; a source that took gas back is a sink."""

    def amount(values):
        return float(np.asarray(values)[columns].sum()) / PASCAL_LITRE

    coming = {"room air": amount(ledger.initial)}
    for group in (ledger.admitted, ledger.formed):
        coming |= {SHORT.get(name, name): amount(values) for name, values in group.items()}
    for name, values in ledger.released.items():
        part = _part(name)
        coming[part] = coming.get(part, 0.0) + amount(values)
    leaving = {f"line {name}": amount(values) for name, values in ledger.pumped.items()}
    leaving["mirror"] = amount(ledger.sorbed)
    leaving |= {SHORT.get(name, name): amount(values) for name, values in ledger.consumed.items()}
    leaving["in the bulb"] = amount(ledger.in_bulb)
    leaving["head and pip"] = amount(ledger.in_head)
    for ours, other, words in ((coming, leaving, "taken back by {}"), (leaving, coming, "from {}")):
        for name in [name for name, value in ours.items() if value < 0.0]:
            other[words.format(name)] = -ours.pop(name)
    return coming, leaving


def _part(source: str) -> str:
    """The part of a source "part: label", in words; the binder is told apart from the carbonate."""
    part, _, label = source.partition(": ")
    return (label if label in ("binder", "tip-off burst", "flash gas") else part).replace("_", " ")


def _bar(axes, top: float, entries: dict[str, float], shades) -> str:
    """One bar of length 1, a piece for each entry; returns in words what is too small to be written in its piece."""
    total = sum(entries.values())
    left, unnamed, pieces = 0.0, [], []
    ordered = sorted(((name, value) for name, value in entries.items() if value > 0.0), key=lambda item: -item[1])
    for number, (name, value) in enumerate(ordered):
        wide = value / total
        if wide * BAR < SLIVER:
            # The edges of many slivers would run together into black: one piece for all that is left.
            pieces.append((left, top, 1.0 - left, 0.34))
            unnamed += [f"{shortened(n, 18)} {_amount(v)}" for n, v in ordered[number:]]
            break
        pieces.append((left, top, wide, 0.34))
        text = f"{name} {_amount(value)}"
        if text_width(text, SMALL - 0.5) <= wide * BAR - 6.0:
            axes.text(left + wide / 2.0, top + 0.18, text, fontsize=SMALL - 0.5, color=INK, ha="center", va="center", parse_math=False)
        else:
            unnamed.append(f"{shortened(name, 18)} {_amount(value)}")
        left += wide
    boxes(axes, pieces, [shades[k % 2] for k in range(len(pieces))], axes.transData, edgecolors=INK, linewidths=0.6, clip_on=False)
    return _listed(unnamed)


def _listed(entries: list[str]) -> str:
    """As many of the entries as the margin takes, and how many more there are."""
    text = ""
    for number, entry in enumerate(entries):
        longer = f"{text}, {entry}" if text else f"+ {entry}"
        left = len(entries) - number - 1
        if len(longer) + (5 if left else 0) > MARGIN_LETTERS:
            return f"{text}, +{left + 1}" if text else f"+{left + 1} smaller"
        text = longer
    return text


def _amount(value: float) -> str:
    return format_number(value, 2)
