"""What a spark coil shows in a bulb, as a strip against pressure: form by pressure, colour by gas.

The pressures at which the form changes stand in `data/glow.toml`, usage of the trade.  The colours of the gases
are recalled and told in words as well; each form has a hatching of its own, so that the strip can be read in
black and white.  Not modelled: coil, bulb, mixtures, and the eye, which decide more than the gas does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from matplotlib.figure import Figure

from exhaustsim.data.published import BUILT_IN
from exhaustsim.reporting.canvas import FAINT, INK, SMALL, TEXT, heading, new_figure, place, plain_power, unit_words, words_below
from exhaustsim.units import convert, show

STANDING = "Form against pressure: usage of the trade, good to a factor of three. Colours: recalled. It tells decades, not pressures."
LOWEST, HIGHEST = 1e-2, 1e5  # Pa, ends of the strip


@dataclass(frozen=True)
class Form:
    """What is seen between two pressures [Pa]."""

    low: float
    high: float
    words: str
    lines: str  # the words, broken for the strip
    strength: float  # how much of the gas's colour is seen, 0 to 1
    hatch: str


#: Colour of the broad column by gas: words and a shade; recalled, all of them.
COLOURS = {
    "air": ("pink to violet", "#c97fc4"), "N2": ("reddish violet", "#c46fa8"), "O2": ("pale straw, nearly white", "#e6dfb0"),
    "H2": ("pale rose, bluish at the edges", "#e3a9bf"), "He": ("pinkish yellow", "#f0c9a0"), "Ar": ("lilac, red when dense", "#b48ad6"),
    "H2O": ("pale bluish pink, washed out", "#d3cdea"), "CO2": ("bluish white", "#c3d5ee"), "CO": ("whitish, a little green", "#cfe0d0"),
    "CH4": ("pale greenish blue, soots the glass", "#b9dcd8"),
}  # fmt: skip


def forms() -> tuple[Form, ...]:
    """The forms from the highest pressure down."""
    edge = {name: row.value for name, row in BUILT_IN.group("glow").items()}
    return (
        Form(edge["spark"], HIGHEST, "nothing, or a thin spark along the glass", "nothing,\nor a thin\nspark along\nthe glass", 0.05, ""),
        Form(edge["streamers"], edge["spark"], "thin streamers", "thin\nstreamers", 0.5, "//"),
        Form(edge["column"], edge["streamers"], "a broad column that fills the bulb", "broad column\nfills the bulb", 1.0, ""),
        Form(edge["bands"], edge["column"], "the column pale and in bands, dark spaces at the leads", "pale, in bands;\ndark spaces", 0.55, "||"),
        Form(edge["haze"], edge["bands"], "a faint haze, the glass begins to shine", "faint haze,\nglass begins\nto shine", 0.25, ".."),
        Form(edge["glass"], edge["haze"], "the gas dark, the glass shining in spots (lime glass green, lead glass blue)", "gas dark,\nglass shines\nin spots", 0.0, "o"),
        Form(LOWEST, edge["glass"], "nothing: black", "black", 0.0, ""),
    )  # fmt: skip


def form_at(pressure: float) -> Form:
    """The form at `pressure` [Pa]; below and above the strip its end forms."""
    found = forms()
    return next((form for form in found if pressure >= form.low), found[-1])


def sentence(pressure: float, gas: str, unit: str = "Pa") -> str:
    """What is seen, in words."""
    form = form_at(pressure)
    colour = f", {COLOURS[gas][0]}" if form.strength >= 0.25 else ""
    return f"{gas} at {show(pressure, 'pressure', unit)}: {form.words}{colour}."


def glow_strip(pressure: float, gas: str = "air", unit: str = "Pa") -> Figure:
    """The strip for one gas with a mark at `pressure` [Pa].

    Raises
    ------
    KeyError
        A gas without a colour.
    """
    words, colour = COLOURS[gas]
    figure = new_figure(2.7)
    heading(figure, f"Spark coil on a bulb with {gas}: {words}", 24.0)
    axes = place(figure, 24, 66, 40, 58)
    low, high = (convert(p, "pressure", unit) for p in (LOWEST, HIGHEST))
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    for form in forms():
        left, right = (convert(p, "pressure", unit) for p in (form.low, form.high))
        dark = form.strength == 0.0
        axes.axvspan(left, right, facecolor="#26262b" if dark else _mixed(colour, form.strength), edgecolor=FAINT if dark else "#8a8a8a",
                     hatch=form.hatch, linewidth=0.6)  # fmt: skip
        axes.text((left * right) ** 0.5, 0.5, form.lines, ha="center", va="center", fontsize=SMALL, color="white" if dark else INK,
                  bbox={"facecolor": "#26262b" if dark else "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.5})  # fmt: skip
    here = min(max(convert(pressure, "pressure", unit), low), high)
    axes.plot([here, here], [0.0, 1.0], color=INK, linewidth=2.4)
    axes.plot([here, here], [0.0, 1.0], color="white", linewidth=1.0)
    where = axes.get_xaxis_transform()
    share = math.log(here / low) / math.log(high / low)
    axes.text(here, 1.04, f"▼ {show(pressure, 'pressure', unit)}", transform=where, fontsize=TEXT, color=INK, clip_on=False,
              ha="left" if share < 0.08 else "right" if share > 0.92 else "center")  # fmt: skip
    ticks = [10.0**k for k in range(-6, 9) if low <= 10.0**k <= high]
    axes.set_xticks(ticks, [plain_power(t) for t in ticks])
    axes.set_xticks([], minor=True)
    words_below(axes, f"pressure in the bulb, {unit_words(unit)}")
    width, height = figure.get_size_inches() * figure.dpi
    figure.text(24 / width, 8 / height, STANDING, fontsize=SMALL, color=INK)
    return figure


def _mixed(colour: str, strength: float) -> tuple[float, float, float]:
    """`colour` thinned with white."""
    parts = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
    return tuple(1.0 - strength * (1.0 - part) for part in parts)
