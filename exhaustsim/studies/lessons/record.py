"""What a demonstration is: a question with choices, something to move, a picture, one line to take home.

The right choice is never written down: it is the one whose range holds what the model gives for the
setting that is asked about.  A lesson computes with laws of `exhaustsim.physics` where one suffices, and
with drafts and runs of the demo valve where it does not; the settings of the lessons are invented.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from exhaustsim.constants import GAS_CONSTANT
from exhaustsim.data import published
from exhaustsim.engine.draft import draft
from exhaustsim.engine.result import Run
from exhaustsim.engine.run import simulate
from exhaustsim.physics.conductance import tube_conductance_molecular, tube_conductance_viscous
from exhaustsim.physics.gases import impingement_speed
from exhaustsim.physics.getter import film_sticking
from exhaustsim.physics.pumps import series_speed
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.schedule import Schedule
from exhaustsim.units import parse


@dataclass(frozen=True)
class Axis:
    """One axis: what it shows, its ends, and the unit they are shown in; ends in SI."""

    what: str
    kind: str
    unit: str
    low: float
    high: float
    logarithmic: bool = True


@dataclass(frozen=True)
class Knob:
    """Something to move; `standard`, `low` and `high` are texts with units, or one of `options`."""

    name: str
    words: str
    kind: str = ""
    unit: str = "1"
    low: str = ""
    high: str = ""
    step: float = 0.0  # in `unit`; without meaning on a logarithmic slider
    standard: str = ""
    logarithmic: bool = False
    options: tuple[str, ...] = ()

    def value(self, text: str) -> float | str:
        """`text` in SI, or the option it names.

        Raises
        ------
        ValueError
            Not one of the options, or not inside the ends.
        """
        if self.options:
            if text not in self.options:
                raise ValueError(f"{self.words}: one of {', '.join(self.options)} is needed, not {text!r}")
            return text
        found = parse(text, self.kind)
        if not parse(self.low, self.kind) * (1.0 - 1e-9) <= found <= parse(self.high, self.kind) * (1.0 + 1e-9):
            raise ValueError(f"{self.words}: between {self.low} and {self.high}, please")
        return found


@dataclass(frozen=True)
class Choice:
    """A possible answer; right when what is asked comes out below `below` and not below the choice before."""

    words: str
    below: float


@dataclass(frozen=True)
class Curve:
    """A curve in SI with its label; `role` is main, other, guide (thin) or limit (a line to keep below)."""

    label: str
    x: np.ndarray
    y: np.ndarray
    role: str = "main"


@dataclass(frozen=True)
class Shown:
    """What one setting of the knobs gives."""

    curves: tuple[Curve, ...]
    answer: float  # the quantity that is asked about
    reading: str  # one sentence of figures
    points: tuple[tuple[float, float, str], ...] = ()
    draft: bool = False
    progress: float | None = None  # share done, of work in many pieces


class Moved:
    """What lessons and explorations share: knobs, and an answer for where they stand."""

    knobs: tuple[Knob, ...]
    compute: Callable[[Stand, dict, Callable], Iterator[Shown]]

    @property
    def standard(self) -> dict[str, str]:
        """Knob texts of the standard setting."""
        return {knob.name: knob.standard for knob in self.knobs}

    def values(self, texts: dict[str, str]) -> dict:
        """SI values of the knobs.

        Raises
        ------
        ValueError
            A text that cannot be used.
        """
        return {knob.name: knob.value(texts[knob.name]) for knob in self.knobs}

    def last(self, stand: Stand, texts: dict[str, str], check: Callable = lambda: None) -> Shown:
        """The final answer for the knobs at `texts`, drafts passed over."""
        *_, shown = self.compute(stand, self.values(texts), check)
        return shown


@dataclass(frozen=True)
class Exploration(Moved):
    """A picture with knobs that asks nothing."""

    heading: str
    knobs: tuple[Knob, ...]
    x: Axis
    y: Axis
    compute: Callable[[Stand, dict, Callable], Iterator[Shown]]
    rests_on: str  # law or run, and what it leaves out
    long: bool = False  # takes seconds, and tells how far it is


@dataclass(frozen=True)
class Lesson(Moved):
    """One demonstration."""

    number: int
    title: str
    question: str
    choices: tuple[Choice, ...]
    knobs: tuple[Knob, ...]
    asked: dict[str, str]  # knob texts of the question; the others at their standard
    ratio: bool  # whether the answer is compared with that of the standard setting
    lesson: str  # the one line
    watch: str  # for the trainer: what to point at, what to leave unsaid
    x: Axis
    y: Axis
    compute: Callable[[Stand, dict, Callable], Iterator[Shown]]
    rests_on: str  # law or run, and what it leaves out
    long: bool = False  # takes seconds, and tells how far it is

    @property
    def heading(self) -> str:
        return f"{self.number}  {self.title}"

    def asked_for(self, stand: Stand, check: Callable = lambda: None) -> float:
        """What the model gives for the question."""
        there = self.last(stand, {**self.standard, **self.asked}, check).answer
        return there / self.last(stand, self.standard, check).answer if self.ratio else there

    def right(self, stand: Stand, check: Callable = lambda: None) -> int:
        """Which choice is right."""
        return self.choice_of(self.asked_for(stand, check))

    def choice_of(self, value: float) -> int:
        """The choice whose range holds `value`."""
        return next(k for k, choice in enumerate(self.choices) if value < choice.below)


class Stand:
    """The demo valve on its machine, with the run that the lessons start from.

    Raises
    ------
    DesignFault
        The demo files cannot be used.
    """

    def __init__(self, folder="demo_data"):
        self._folder = Path(folder) / "schedules"
        self.schedule = self.card("standard")
        self._lock = threading.Lock()
        self._run: Run | None = None
        self._kept: dict = {}

    @property
    def run(self) -> Run:
        """The standard schedule, run once."""
        with self._lock:
            if self._run is None:
                self._run = simulate(self.schedule)
            return self._run

    def kept(self, key, make: Callable):
        """What `make()` gave when it was first asked for by this key: machine runs that several settings of the knobs share."""
        if key not in self._kept:
            self._kept[key] = make()
        return self._kept[key]

    def card(self, name: str) -> Schedule:
        """One of the demo schedules of the triode: standard, faster or too_fast."""
        return load_schedule(self._folder / f"dt1_{name}.toml")

    def draft(self, schedule: Schedule) -> Run:
        """A draft of a changed schedule against the lines of the standard one."""
        return draft(schedule, self.run)

    @staticmethod
    def on_machine(schedule: Schedule) -> Schedule:
        """The schedule without what follows after the machine."""
        return replace(schedule, ageing=(), shelf_time=0.0)

    # ---- figures of the demo valve -------------------------------------------------------

    @property
    def temperature(self) -> float:
        return self.schedule.machine.room_temperature

    @property
    def volume(self) -> float:
        """Bulb and head together [m^3]."""
        return self.schedule.valve.bulb.volume + self.schedule.machine.head_volume

    def pressure_volume(self, amount: float) -> float:
        """Moles (or mol/s) as pressure times volume at room temperature [Pa m^3]."""
        return amount * GAS_CONSTANT * self.temperature

    def stem_conductance(self, gas: str = "N2", bore: float | None = None, length: float | None = None) -> float:
        """Molecular conductance of the exhaust stem [m^3/s]."""
        stem = self.schedule.valve.exhaust_stem
        mass = published.value(f"gases.{gas}.molar_mass")
        return float(tube_conductance_molecular(0.5 * (bore or stem.bore), length or stem.length, self.temperature, mass))

    def net_speed(self, gas: str = "N2", bore: float | None = None) -> float:
        """Exhaust stem and port in series, molecular flow [m^3/s]."""
        machine = self.schedule.machine
        mass = published.value(f"gases.{gas}.molar_mass")
        port = tube_conductance_molecular(0.5 * machine.port_bore, machine.port_length, self.temperature, mass)
        return float(series_speed(self.stem_conductance(gas, bore), port))

    def viscous_slope(self, bore: float | None = None) -> float:
        """Viscous conductance of the exhaust stem for nitrogen over mean pressure [m^3/(s Pa)]."""
        stem = self.schedule.valve.exhaust_stem
        return float(tube_conductance_viscous(0.5 * (bore or stem.bore), stem.length, 1.0, published.value("gases.N2.viscosity")))

    def line(self, name: str):
        """The pumping line called `name`."""
        return next(line for line in self.schedule.machine.lines if line.name == name)

    def mirror_speed(self, gas: str) -> float:
        """Speed of the fresh mirror for a gas that it takes [m^3/s]."""
        getter = self.schedule.valve.getter
        sticking, _ = film_sticking(getter.sticking[gas], 0.0, getter.area_ratio)
        return float(sticking * getter.mirror_area * impingement_speed(self.temperature, published.value(f"gases.{gas}.molar_mass")))

