"""The settings of a schedule as controls: index time, oven, and one position at a time.

Whatever is set goes as text into a `Trial`, which is read like the files themselves; faults come
back to the field they belong to.  Position settings are those of the position chosen; RF fields
are there only where the machine has a coil.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from html import escape

import ipywidgets as widgets

from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.readschedule import ACTIONS
from exhaustsim.plant.schedule import Schedule
from exhaustsim.plant.trial import Trial
from exhaustsim.reporting.widgets.fields import LABEL, Quantity, alert, choice, told
from exhaustsim.units import UnitFault, convert, format_number, parse

#: Keys of a schedule file and the fields that show their faults; the first that fits.
FIELD_OF_KEY = (
    (r"index_time", "index_time"), (r"oven_temperature", "oven_temperature"), (r"position\[\d+\]\.heater", "heater"),
    (r"position\[\d+\]\.rf\.start", "rf_start"), (r"position\[\d+\]\.rf\.duration", "rf_duration"), (r"position\[\d+\]\.rf", "rf_power"),
)  # fmt: skip


class SettingsPanel(widgets.VBox):
    """Controls for everything that a schedule sets.

    Parameters
    ----------
    changed : callable
        Called without arguments after the person has changed anything.
    tell : callable
        Called with an exception that no field belongs to.
    """

    def __init__(self, changed: Callable[[], None], tell: Callable[[Exception], None]):
        self._changed, self.tell, self._quiet = changed, tell, True
        self.trial: Trial | None = None
        self.index_time = Quantity("index time", "time", "s", 2.0, 60.0, 0.1, self._set_index_time)
        self.oven_temperature = Quantity("oven air", "temperature", "degC", 20.0, 650.0, 5.0, self._set_oven_temperature)
        self.position = choice("position", [1], self._choose, 1, "the position whose settings stand below")
        self.action = choice("work", [("none", ""), *((a.replace("_", " "), a) for a in ACTIONS)], self._set_action, "")
        self.line = choice("pumping line", [("none: port blanked", "")], self._set_line, "")
        self.oven = widgets.Checkbox(
            description="oven over this position", indent=False, layout=widgets.Layout(margin=f"2px 0 2px {LABEL}", width="auto")
        )
        self.oven.observe(lambda change: self._set_oven(change["new"]), "value")
        self.heater = Quantity("heater step", "voltage", "V", 0.0, 16.0, 0.05, self._set_heater)
        self.rf_power = Quantity("RF absorbed", "power", "W", 0.0, 320.0, 0.2, self._set_rf_power)
        self.rf_start = Quantity("RF comes on after", "time", "s", 0.0, 20.0, 0.1, self._set_rf_times)
        self.rf_duration = Quantity("RF lasts", "time", "s", 0.1, 20.0, 0.1, self._set_rf_times, placeholder="all dwell")
        self.rf_split = widgets.HTML()
        self.notes = widgets.HTML(layout=widgets.Layout(min_height="24px"))  # what was changed along with something else, and faults without a field
        self._rf_fields = (self.rf_power, self.rf_start, self.rf_duration, self.rf_split)
        self.fields = {
            name: getattr(self, name) for name in ("index_time", "oven_temperature", "heater", "rf_power", "rf_start", "rf_duration")
        }
        super().__init__([
            self.index_time, self.oven_temperature, self.position, self.action, self.line, self.oven, self.heater, *self._rf_fields,
            self.notes,
        ])  # fmt: skip

    # ---- showing -------------------------------------------------------------------------

    def show(self, trial: Trial, schedule: Schedule) -> None:
        """Show the settings of `trial`, which `schedule` was read from."""
        self.trial, self._quiet = trial, True
        try:
            machine = schedule.machine
            self._coils, self._coil_limit = machine.rf_positions, machine.rf_power_limit
            standard = schedule.index_time
            slider = self.index_time.slider
            with self.index_time.quietly():
                _set_range(slider, max(0.2 * round(standard), machine.transfer_time + 0.5), 2.5 * standard)
            self.position.options = [s.position for s in schedule.positions]
            self.line.options = [("none: port blanked", ""), *((line.name, line.name) for line in machine.lines)]
            watts = [sum(s.rf.power.values()) for s in schedule.positions if s.rf is not None]
            with self.rf_power.quietly():
                _set_range(self.rf_power.slider, 0.0, min(2.5 * max([20.0, *watts]), machine.rf_power_limit))
            first = next((s.position for s in schedule.positions if s.heater_voltage > 0.0), 1)
            self.position.value = first
            self.index_time.show(trial.settings["index_time"])
            self.oven_temperature.show(trial.settings["oven_temperature"])
            self.notes.value = ""
            self._show_position()
        finally:
            self._quiet = False

    def _show_position(self) -> None:
        position, trial = self.position.value, self.trial
        entry = trial.at(position)
        before, self._quiet = self._quiet, True
        try:
            self.action.value = entry.get("action", "")
            self.line.value = trial.line_of(position)
            self.oven.value = trial.in_oven(position)
            self.heater.show(entry.get("heater", "0 V"))
            rf = entry.get("rf", {})
            self.rf_power.show(_watts(rf.get("power", {})))
            self.rf_start.show(rf.get("start", "0 s"))
            self.rf_duration.show(rf.get("duration", ""))
            self._show_rf()
        finally:
            self._quiet = before

    def _show_rf(self) -> None:
        position = self.position.value
        # Hidden, not gone: nothing below moves, and the keyboard passes over it.
        visible = "visible" if position in self._coils else "hidden"
        for field in self._rf_fields:
            field.layout.visibility = visible
        power = self.trial.at(position).get("rf", {}).get("power", {})
        split = ", ".join(f"{part.replace('_', ' ')} {watts}" for part, watts in power.items())
        said = f"of that: {split}" if split else "no RF here"
        if power and "duration" not in self.trial.at(position)["rf"]:
            said += "; on for the rest of the dwell"
        self.rf_split.value = f'<div class="small" style="margin-left:{LABEL}">{escape(said)}</div>'

    def show_faults(self, fault: DesignFault | None) -> None:
        """Each fault beside its field; those of other positions, of lines and of the oven below."""
        mine: dict[str, str] = {}
        others = []
        for one in fault.faults if fault is not None else ():
            name, position = self._field_of(one)
            text = f"{one.need}; {one.cure}" if one.cure else one.need
            if name and position in (None, self.position.value) and self.fields[name].layout.visibility != "hidden":
                mine.setdefault(name, text)
            else:
                placed = position and not text.startswith(f"position {position} ")
                others.append(f"position {position}: {text}" if placed else text if position else f"{one.key}: {text}" if one.key else text)
        for name, field in self.fields.items():
            field.fault(mine.get(name, ""))
        self.notes.value = "".join(map(alert, others))

    def _field_of(self, fault: Fault) -> tuple[str, int | None]:
        number = re.match(r"position\[(\d+)\]", fault.key)
        entries = self.trial.settings.get("position", [])
        position = entries[int(number.group(1)) - 1]["number"] if number else None
        return next((name for pattern, name in FIELD_OF_KEY if re.match(pattern, fault.key)), ""), position

    # ---- the person's changes ------------------------------------------------------------

    @told
    def _set_index_time(self, text: str) -> None:
        moved = self.trial.set_index_time(text)
        self._show_position()
        self._changed()
        if moved and not self.notes.value:
            where = ", ".join(map(str, moved))
            self.notes.value = f'<div class="small">RF that lasted to the end of the dwell still does (position {where}).</div>'

    @told
    def _set_oven_temperature(self, text: str) -> None:
        self.trial.set_oven_temperature(text)
        self._changed()

    @told
    def _choose(self, position) -> None:
        if not self._quiet and position is not None:
            self._show_position()
            self._changed()

    @told
    def _set_action(self, action) -> None:
        if not self._quiet:
            self.trial.set_action(self.position.value, action or "")
            self._changed()

    @told
    def _set_line(self, name) -> None:
        if not self._quiet:
            self.trial.set_line(self.position.value, name or "")
            self._changed()

    @told
    def _set_oven(self, covered: bool) -> None:
        if not self._quiet:
            self.trial.set_oven(self.position.value, covered)
            self._changed()

    @told
    def _set_heater(self, text: str) -> None:
        self.trial.set_heater(self.position.value, text)
        self._changed()

    @told
    def _set_rf_power(self, text: str) -> None:
        """Watts of the whole mount, split over the parts as they were, or as at the nearest position with RF."""
        position = self.position.value
        split = self.trial.at(position).get("rf", {}).get("power") or self._split_near(position)
        total = sum(parse(watts, "power") for watts in split.values())
        try:
            wanted = parse(text, "power")
        except UnitFault:
            self.trial.set_rf_power(position, dict.fromkeys(split, text))  # the reading tells what is wrong with it
        else:
            scaled = {part: f"{format_number(parse(watts, 'power') * wanted / total, 4)} W" for part, watts in split.items()}
            self.trial.set_rf_power(position, scaled if wanted != 0.0 else {})
        self._show_rf()
        self._changed()

    def _split_near(self, position: int) -> dict[str, str]:
        others = [e for e in self.trial.settings.get("position", []) if _readable(e.get("rf", {}).get("power"))]
        same = [e for e in others if (e.get("action") == "flash") == (self.trial.at(position).get("action") == "flash")]
        near = min(same or others, key=lambda e: abs(e["number"] - position), default=None)
        return near["rf"]["power"] if near else {"anode": "1 W"}

    @told
    def _set_rf_times(self, _text: str) -> None:
        if self.trial.at(self.position.value).get("rf"):
            self.trial.set_rf_times(self.position.value, self.rf_start.entry.value, self.rf_duration.entry.value)
            self._show_rf()
        self._changed()


def _watts(power: dict[str, str]) -> str:
    """Watts of all parts together as text; what cannot be read stays as it stands."""
    if not _readable(power):
        return next(iter(power.values()), "0 W")
    return f"{convert(sum(parse(w, 'power') for w in power.values()), 'power', 'W'):.4g} W"


def _readable(power) -> bool:
    try:
        return bool(power) and sum(parse(w, "power") for w in power.values()) > 0.0
    except UnitFault:
        return False


def _set_range(slider, low: float, high: float) -> None:
    """New ends of a slider, in an order that never crosses them."""
    if low > slider.max:
        slider.max, slider.min = high, low
    else:
        slider.min, slider.max = low, high
