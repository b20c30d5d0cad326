"""What a good valve costs in energy, and how many of them an hour brings.

Watts drawn from the mains are told for pumps, oven, RF and heaters.  A machine file may state them
(`[connected_power]`, mean watts while the machine runs); what it does not state is reckoned: pumps by their speed,
the oven by its positions and temperature, RF from the watts that the parts absorb over the efficiency of generator
and coil, heaters from the power that holds the sleeve at its temperature.  The figures behind that are of the trade
or invented (`exhaustsim constants energy.rf_efficiency` and its neighbours): good to a factor of two, better for
comparing cards than for a bill.

Pumps, oven and the filaments of the RF generators stay on while the machine stands; RF that heats and cathode
heaters do not.  Rejects cost as much as good valves.

Not in it: ageing racks, tip-off fires, cooling water, compressed air, light and labour.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from exhaustsim.engine.phases import heater_power_needed, heater_temperature
from exhaustsim.engine.result import Run
from exhaustsim.engine.run import simulate
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.machine import RotaryPump, TablePump, chain_of
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.coilheat import coil_heat
from exhaustsim.studies.verdict import list_of
from exhaustsim.units import share_text

HOUR = 3600.0  # s
SAID = {"pumps": "pumps", "oven": "oven", "rf": "RF", "heaters": "heaters"}


@dataclass(frozen=True)
class Draw:
    """What one kind of thing draws from the mains."""

    name: str  # "pumps", "oven", "rf", "heaters"
    standing_by: float  # W, as long as the machine is switched on
    at_work: float  # W, mean over an index, only while it turns
    stated: bool  # by the machine file

    @property
    def power(self) -> float:
        """Mean watts while the machine runs [W]."""
        return self.standing_by + self.at_work


@dataclass(frozen=True)
class Energy:
    """Output of an hour, and energy for each valve; energies are Wh, as tariffs are."""

    schedule: Schedule
    draws: tuple[Draw, ...]
    uptime: float  # 1, share of the time in which the machine runs
    good_share: float  # 1, of the valves exhausted
    price: float | None  # of a kWh, in money of any kind

    @property
    def gross_per_hour(self) -> float:
        """Valves an hour while the machine runs."""
        return HOUR / self.schedule.index_time

    @property
    def net_per_hour(self) -> float:
        """Good valves an hour, standstills counted in."""
        return self.gross_per_hour * self.uptime * self.good_share

    @property
    def power(self) -> float:
        """Mean watts drawn while the machine runs [W]."""
        return sum(draw.power for draw in self.draws)

    def per_valve(self, draw: Draw) -> float:
        """Energy that goes with one index of the running machine [Wh]."""
        return draw.power * self.schedule.index_time / HOUR

    def per_good_valve(self, draw: Draw) -> float:
        """Energy for one good valve, with what is drawn at standstills and for rejects [Wh]."""
        return (draw.standing_by / self.uptime + draw.at_work) * self.schedule.index_time / HOUR / self.good_share

    @property
    def watt_hours(self) -> float:
        """For one valve while the machine runs [Wh]."""
        return sum(self.per_valve(draw) for draw in self.draws)

    @property
    def watt_hours_good(self) -> float:
        """For one good valve [Wh]."""
        return sum(self.per_good_valve(draw) for draw in self.draws)

    @property
    def cost(self) -> float | None:
        """Price of the energy of one good valve; None without a price."""
        return None if self.price is None else self.watt_hours_good * 1e-3 * self.price

    @property
    def sentence(self) -> str:
        """Output and energy in words."""
        shares = [f"{SAID[d.name]} {self.per_good_valve(d):.1f}" for d in sorted(self.draws, key=lambda d: -self.per_good_valve(d))]
        reckoned = [SAID[d.name] for d in self.draws if not d.stated]
        text = (
            f"{self.schedule.name}: {self.gross_per_hour:.0f} valves per hour gross, {self.net_per_hour:.0f} good ones with {share_text(self.uptime)} "
            f"running and {share_text(self.good_share)} good; {self.watt_hours_good:.0f} Wh for each good valve ({', '.join(shares)})"
        )
        text += f", {self.watt_hours:.0f} Wh for one while the machine runs at {self.power / 1e3:.1f} kW"
        if self.cost is not None:
            text += f"; energy costs {self.cost:.3g} for each good valve"
        return f"{text}; reckoned, not stated by the machine file: {list_of(reckoned)}." if reckoned else text + "."

    def to_json(self) -> dict:
        """Plain data, keys with their units."""
        return {
            "schedule": self.schedule.name, "sentence": self.sentence, "index_time_s": self.schedule.index_time,
            "gross_per_hour": self.gross_per_hour, "net_good_per_hour": self.net_per_hour, "uptime": self.uptime, "good_share": self.good_share,
            "power_w": self.power, "energy_per_valve_wh": self.watt_hours, "energy_per_good_valve_wh": self.watt_hours_good,
            "price_per_kwh": self.price, "cost_per_good_valve": self.cost,
            "shares": [
                {"name": d.name, "power_w": d.power, "stays_on_w": d.standing_by, "stated": d.stated, "per_valve_wh": self.per_valve(d),
                 "per_good_valve_wh": self.per_good_valve(d)}
                for d in self.draws
            ],
        }  # fmt: skip

    def text_rows(self) -> list[tuple[str, ...]]:
        """Heading and rows as text."""
        rows = [("", "mean W", "stays on, W", "Wh per valve", "Wh per good valve", "from")]
        for d in self.draws:
            rows.append((
                SAID[d.name], f"{d.power:.0f}", f"{d.standing_by:.0f}", f"{self.per_valve(d):.2f}", f"{self.per_good_valve(d):.2f}",
                "machine file" if d.stated else "reckoned",
            ))  # fmt: skip
        stays = sum(d.standing_by for d in self.draws)
        return [*rows, ("all", f"{self.power:.0f}", f"{stays:.0f}", f"{self.watt_hours:.2f}", f"{self.watt_hours_good:.2f}", "")]


def energy(
    schedule: Schedule, *, uptime: float | None = None, good_share: float | None = None, price: float | None = None, run: Run | None = None
) -> Energy:
    """Energy for each valve, split, and output net of standstills and rejects.

    Parameters
    ----------
    schedule : Schedule
    uptime, good_share : float, optional
        Share of the time in which the machine runs and share of the valves that are good [1]; by default those of the
        data tables (`energy.uptime`, `energy.good_share`).
    price : float, optional
        Of a kWh, in money of any kind.
    run : Run, optional
        Of `schedule`; needed for RF that is set by the current in a coil, and made when it is not given.

    Raises
    ------
    DesignFault
        Shares that are none, or a price below nought.
    """
    value = schedule.valve.tables.value
    faults = []
    for key, given, high in (("uptime", uptime, 1.0), ("good_share", good_share, 1.0), ("price", price, math.inf)):
        if given is not None and not (math.isfinite(given) and (0.0 <= given if key == "price" else 0.0 < given) and given <= high):
            need = "must not be below nought" if key == "price" else "must be above 0 and at most 1"
            faults.append(Fault(schedule.source or "energy", key, str(given), need, "give a price of a kWh" if key == "price" else "give a share, such as 0.92"))
    if faults:
        raise DesignFault(faults)
    stated = schedule.machine.connected_power
    reckoned = (_pumps(schedule, value), _oven(schedule, value), _rf(schedule, value, run), _heaters(schedule, value))
    draws = tuple(_as_stated(draw, getattr(stated, draw.name)) for draw in reckoned)
    return Energy(
        schedule, draws, value("energy.uptime") if uptime is None else uptime, value("energy.good_share") if good_share is None else good_share, price
    )


def _as_stated(draw: Draw, watts: float | None) -> Draw:
    """The stated watts in place of the reckoned ones, parted as these are into what stays on and what does not."""
    if watts is None:
        return draw
    stays = draw.standing_by / draw.power if draw.power > 0.0 else 1.0
    return Draw(draw.name, watts * stays, watts * (1.0 - stays), True)


def _pumps(schedule: Schedule, value) -> Draw:
    """Each pump once, also one that several lines share; a litre a second is 1e-3 m^3/s."""
    pumps = {}
    for line in schedule.machine.lines:
        for place, pump in enumerate(chain_of(line.pump)):
            before = chain_of(line.pump)[place - 1] if place else None
            shared = getattr(before, "backing_line", "")
            pumps[shared or (line.name, place)] = pump
    watts = 0.0
    for pump in pumps.values():
        alone = isinstance(pump, RotaryPump) or (isinstance(pump, TablePump) and pump.backing_pump is None)
        watts += value("energy.rotary_pump_power" if alone else "energy.backed_pump_power") * pump.speed * 1e3
    return Draw("pumps", watts, 0.0, False)


def _oven(schedule: Schedule, value) -> Draw:
    room = schedule.machine.room_temperature
    over = (schedule.oven_temperature - room) / (value("energy.oven_reference_temperature") - room)
    return Draw("oven", len(schedule.machine.oven_positions) * value("energy.oven_power") * max(over, 0.0), 0.0, False)


def _rf(schedule: Schedule, value, run: Run | None) -> Draw:
    used = [p.rf for p in schedule.positions if p.rf is not None]
    joules = sum(sum(rf.power.values()) * rf.duration for rf in used)
    if any(rf.current > 0.0 for rf in used):
        joules += sum(row.heat for row in coil_heat(simulate(schedule) if run is None else run))
    return Draw("rf", len(used) * value("energy.rf_idle_power"), joules / schedule.index_time / value("energy.rf_efficiency"), False)


def _heaters(schedule: Schedule, value) -> Draw:
    """Heater volts stay on through dwell and transfer, so a position draws its power all the time that the machine runs."""
    valve, room = schedule.valve, schedule.machine.room_temperature
    watts = sum(
        heater_power_needed(valve, heater_temperature(valve, p.heater_voltage), room) for p in schedule.positions if p.heater_voltage > 0.0
    )
    return Draw("heaters", 0.0, watts / value("energy.heater_efficiency"), False)
