"""Sliders for the six constants trusted least, each over the range in which the truth may lie.

They are tried, not set: a schedule that is saved keeps the constants of its valve file.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from html import escape

import ipywidgets as widgets

from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.valve import ValveDesign
from exhaustsim.reporting.widgets.fields import Quantity, button, told
from exhaustsim.studies.leasttrusted import CONSTANTS, Moved, ranges
from exhaustsim.units import UnitFault, convert, parse


class ConstantsPanel(widgets.VBox):
    """Six sliders; `apply` gives a schedule whose valve has the values set."""

    def __init__(self, changed: Callable[[], None], tell: Callable[[Exception], None]):
        self._changed, self.tell = changed, tell
        self._ranges: tuple[Moved, ...] = ()
        self._texts: dict[str, str] = {}
        self._valve: ValveDesign | None = None
        self.sliders: dict[str, Quantity] = {}
        self._standing = widgets.HTML()
        self._rows = widgets.VBox(layout=widgets.Layout(max_width="900px"))
        self.back = button("as in the valve file", self.reset, "all six back to the values of the valve file")
        head = widgets.HTML(
            '<div class="small">The six constants trusted least. Each slider runs over the range in which the truth may lie; '
            "a saved schedule keeps the values of its valve file.</div>"
        )
        super().__init__([head, self._rows, self.back, self._standing])

    def show(self, valve: ValveDesign) -> None:
        """The ranges and values of `valve`; what was tried on another valve is forgotten."""
        if self._valve is valve:
            return
        self._valve, self._ranges, self._texts = valve, ranges(valve), {}
        self.sliders = {}
        for moved in self._ranges:
            row = moved.row
            low, high = (convert(x, row.kind, row.unit) for x in (moved.low, moved.high))
            self.sliders[moved.name] = Quantity(
                moved.constant.what, row.kind, row.unit, low, high, 0.0, lambda text, name=moved.name: self._set(name, text),
                logarithmic=True, wide=True, help_text=f"{moved.constant.what}: {moved.span} (low, as in the valve file, high)",
            )  # fmt: skip
        self._rows.children = tuple(self.sliders.values())
        lines = "".join(
            f"<li>{escape(m.constant.what)}: {escape(m.span)} (low / used / high), {escape(m.row.standing)}, {escape(m.row.source)}</li>"
            for m in self._ranges
        )
        self._standing.value = f'<ul class="small">{lines}</ul>'
        self._show_used()

    def _show_used(self) -> None:
        for moved in self._ranges:
            row = moved.row
            number = f"{convert(moved.used, row.kind, row.unit):.4g}"
            self.sliders[moved.name].show(number if row.unit == "1" else f"{number} {row.unit}")

    @told
    def _set(self, name: str, text: str) -> None:
        self._texts[name] = text
        self._changed()

    @told
    def reset(self) -> None:
        """All six back to what the valve file has."""
        self._texts = {}
        self._show_used()
        self._changed()

    @property
    def moved(self) -> dict[str, str]:
        """The constants that were moved, in words, and their values as text."""
        return {c.what: self._texts[c.name] for c in CONSTANTS if c.name in self._texts}

    def apply(self, schedule: Schedule) -> Schedule | None:
        """`schedule` with the constants set here; None when one of them cannot be used, which its field then tells."""
        valve, usable = schedule.valve, True
        for moved in self._ranges:
            field, text = self.sliders[moved.name], self._texts.get(moved.name)
            field.fault("")
            if text is None:
                continue
            try:
                value = parse(text, moved.row.kind)
                if not value > 0.0:
                    raise UnitFault("must be above zero", "leave it at its low end")
            except UnitFault as problem:
                field.fault(str(problem))
                usable = False
            else:
                valve = moved.constant.scaled(valve, value / moved.used)
        if not usable:
            return None
        return schedule if valve is schedule.valve else replace(schedule, valve=valve)
