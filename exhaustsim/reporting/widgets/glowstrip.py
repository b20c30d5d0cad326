"""The discharge strip with a pressure to move and a gas to choose."""

from __future__ import annotations

from html import escape

import ipywidgets as widgets

from exhaustsim.reporting.glow import COLOURS, HIGHEST, LOWEST, glow_strip, sentence
from exhaustsim.reporting.widgets.fields import STYLE, Quantity, alert, choice, told
from exhaustsim.reporting.widgets.livepicture import png
from exhaustsim.reporting.widgets.worker import LatestWins
from exhaustsim.units import parse


class GlowStrip(widgets.VBox):
    """Colour and form of a spark-coil discharge against pressure and gas."""

    def __init__(self, threaded: bool | None = None):
        self.pressure = Quantity("pressure in the bulb", "pressure", "Pa", LOWEST, HIGHEST, 0.0, self._moved, logarithmic=True, wide=True)
        self.gas = choice("gas", tuple(COLOURS), lambda _: self._moved(self.pressure.entry.value), "air", width="300px")
        self.picture = widgets.Image(format="png", layout=widgets.Layout(width="100%", max_width="900px"))
        self.said = widgets.HTML(layout=widgets.Layout(min_height="24px"))
        self.errors = widgets.HTML()
        self.worker = LatestWins(self._work, self.tell, threaded=threaded)
        super().__init__([
            widgets.HTML(STYLE), widgets.VBox([self.pressure, self.gas], layout=widgets.Layout(max_width="700px")), self.picture, self.said, self.errors,
        ])  # fmt: skip
        self.add_class("exhaust-desk")
        self.pressure.show("200 Pa")
        self._moved("200 Pa")

    @told
    def _moved(self, text: str) -> None:
        try:
            pressure = parse(text, "pressure")
            if not LOWEST * (1.0 - 1e-9) <= pressure <= HIGHEST * (1.0 + 1e-9):
                raise ValueError("between 0.01 Pa and 1e5 Pa, please")
        except ValueError as problem:
            self.pressure.fault(str(problem))
            return
        self.pressure.fault("")
        self.errors.value = ""
        self.worker.post((pressure, self.gas.value))

    def _work(self, asked, check) -> None:
        image = png(glow_strip(*asked))
        check()
        self.picture.value = image
        self.said.value = f'<div role="status" aria-live="polite">{escape(sentence(*asked))}</div>'

    def wait(self, timeout: float = 60.0) -> bool:
        """Wait until nothing is being drawn; False when the time has run out first."""
        return self.worker.wait(timeout)

    @property
    def alerts(self) -> str:
        """What it complains of at the moment."""
        return self.errors.value + self.pressure.note.value

    def tell(self, problem: Exception) -> None:
        """Show what went wrong."""
        self.errors.value = alert(f"Not drawn ({type(problem).__name__}: {problem}).")
