"""What a simulated schedule gives: labelled histories, outcome, gas ledger.

A `Run` holds the history of one valve from the gulp to the shelf.  Pressures are partial
pressures at the gas temperature of the place they are named after; amounts are moles.
Positions count from 1; samples after the valve has left the machine carry position 0.
`Run.dataset` gives the same as an xarray dataset with units and long names,
`Run.to_log` writes the run log as CSV.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from exhaustsim.constants import GAS_CONSTANT, GAS_NAMES, REFERENCE_TEMPERATURE, ZERO_CELSIUS
from exhaustsim.engine.ledger import GasLedger
from exhaustsim.plant.schedule import Schedule

if TYPE_CHECKING:
    from exhaustsim.engine.lines import LineHistory

STAGES = ("dwell", "transfer", "standing", "ageing", "shelf")


class FailedRun(RuntimeError):
    """The simulation did not come to a result that may be believed; the text says why."""


@dataclass(frozen=True)
class Outcome:
    """How the computation ended, with counts."""

    ok: bool
    sentence: str
    steps: int
    rejected: int
    evaluations: int
    line_iterations: int  # passes of valve against lines
    line_change: float  # root-mean-square relative change of a line pressure in the last pass, worst line


@dataclass(frozen=True)
class Source:
    """A stock of gas: the part, what holds it, and what leaves."""

    part: str
    label: str
    gases: tuple[tuple[str, float], ...]  # (gas, mole share of what leaves)


@dataclass(frozen=True)
class LineWaveform:
    """Pressure of one pumping line over one index; time 0 is the start of the transfer."""

    name: str
    time: np.ndarray  # (n,) s
    pressure: np.ndarray  # (n, gas) Pa at the manifold
    inflow: np.ndarray  # (n, gas) mol/s from all heads on the line
    backing_pressure: np.ndarray  # (n,) Pa behind the pump of the line, NaN where it blows out into the room
    running: np.ndarray  # (n,) 1 = jets of a diffusion pump work (a rotor turns at full speed), 0 = stalled
    imbalance: float  # taken in less exhausted less stored over the index, as a share of what passed
    #: (n, stage, gas) Pa in front of every pump of the chain, from the manifold on; the last pump blows out into the room
    chain_pressure: np.ndarray | None = None
    chain_flow: np.ndarray | None = None  # (n, stage, gas) mol/s through these pumps, shared ones with the gas of all their lines

    @property
    def mean_pressure(self) -> float:
        """Time mean of the total line pressure over one index [Pa]."""
        return float(np.trapezoid(self.pressure.sum(axis=1), self.time) / self.time[-1])


@dataclass(frozen=True, eq=False)
class Run:
    """One valve through one schedule; see the module text for conventions."""

    schedule: Schedule
    outcome: Outcome
    ledger: GasLedger
    time: np.ndarray  # (t,) s from the first opening of the port
    position: np.ndarray  # (t,) int, 0 after eject
    stage: np.ndarray  # (t,) index into STAGES
    step: np.ndarray  # (t,) ageing step from 1, else 0
    port_open: np.ndarray  # (t,) bool
    bulb_pressure: np.ndarray  # (t, gas) Pa
    head_pressure: np.ndarray  # (t, gas) Pa
    line_pressure: np.ndarray  # (t, gas) Pa, NaN where no line is connected
    node_names: tuple[str, ...]
    temperature: np.ndarray  # (t, node) K
    converted_fraction: np.ndarray  # (t,)
    activation: np.ndarray  # (t,) 0 to 1, share of full emission that the coating has been activated to
    sources: tuple[Source, ...]
    held: np.ndarray  # (t, source) mol still held
    evolution: np.ndarray  # (t, source) mol/s leaving (negative: taken back)
    sorbed: np.ndarray  # (t, gas) mol on and in the getter film
    barium_evaporated: np.ndarray  # (t,) kg
    barium_spent: np.ndarray  # (t,) share of the evaporated barium used up
    sorption_speed: np.ndarray  # (t, gas) m^3/s of the mirror
    oxygen_exposure: np.ndarray  # (t,) Pa s of O2 on the hot, converted cathode
    oxidant_exposure: np.ndarray  # (t,) Pa s of H2O + CO2 on the hot, converted cathode
    nickel_exposure: np.ndarray  # (t,) Pa s of CO2 on the hot cathode sleeve
    port_flow: np.ndarray  # (t, gas) mol/s from head to line
    lines: tuple[LineWaveform, ...]
    tolerance: float
    line_history: LineHistory | None = field(default=None, repr=False)  # of the engine, from which a run near this one may begin
    #: (position, halt) for every stop of the turret while the valve rode on it; moment and duration in s.
    halts: tuple = ()

    # ---- places in the history -------------------------------------------------------

    def dwell_samples(self, position: int) -> np.ndarray:
        """Indices of the samples while the port is open at `position` (from 1)."""
        return np.flatnonzero((self.position == position) & (self.stage == 0))

    def transfer_samples(self, position: int) -> np.ndarray:
        """Indices of the samples of the transfer that brings the valve to `position`."""
        return np.flatnonzero((self.position == position) & (self.stage == 1))

    def end_of(self, position: int) -> int:
        """Index of the last sample at `position`."""
        return int(self.dwell_samples(position)[-1])

    @property
    def judged_at(self) -> int:
        """Sample at which the target bulb pressure is judged.

        The instant the getter RF comes on, or the start of tip-off if there is no flash before it.
        """
        flash = self.schedule.position_of("flash")
        tip = self.schedule.position_of("tip_off")
        if flash is not None and (tip is None or flash < tip):
            setting = self.schedule.positions[flash - 1]
            start = setting.rf.start if setting.rf else 0.0
            for position, halt in self.halts:
                if position == flash:
                    start = halt.later(self.schedule, start)
            samples = self.dwell_samples(flash)
            return int(samples[np.searchsorted(self.time[samples], self.time[samples[0]] + start - 1e-9)])
        return len(self.time) - 1 if tip is None else self.tip_off_sample

    @property
    def tip_off_sample(self) -> int | None:
        """Last sample before the bore starts to close, or None without tip-off."""
        tip = self.schedule.position_of("tip_off")
        if tip is None:
            return None
        samples = self.dwell_samples(tip)
        closes = self.schedule.dwell - self.schedule.sealing_time
        for position, halt in self.halts:
            if position == tip:
                closes = halt.later(self.schedule, closes)
        sealing = self.time[samples[0]] + closes
        return int(samples[np.searchsorted(self.time[samples], sealing - 1e-9)])

    @property
    def end_of_ageing(self) -> int:
        """Last sample of ageing (or of the standing before it)."""
        return int(np.flatnonzero(self.stage < 4)[-1])

    def node(self, name: str) -> np.ndarray:
        """Temperature history of one thermal node [K]."""
        return self.temperature[:, self.node_names.index(name)]

    @property
    def total_bulb_pressure(self) -> np.ndarray:
        """(t,) bulb pressure of all gases [Pa]."""
        return self.bulb_pressure.sum(axis=1)

    @property
    def total_line_pressure(self) -> np.ndarray:
        """(t,) line pressure of all gases [Pa], NaN where no line is connected."""
        return self.line_pressure.sum(axis=1)

    # ---- hand-over ---------------------------------------------------------------------

    @functools.cached_property
    def dataset(self):
        """The histories as an `xarray.Dataset` over time, gas, node and source."""
        import xarray

        def variable(dims, values, unit, long_name):
            return xarray.Variable(dims, values, {"units": unit, "long_name": long_name})

        sources = [f"{s.part}: {s.label}" for s in self.sources]
        return xarray.Dataset(
            {
                "bulb_pressure": variable(("time", "gas"), self.bulb_pressure, "Pa", "bulb partial pressure"),
                "head_pressure": variable(("time", "gas"), self.head_pressure, "Pa", "head partial pressure"),
                "line_pressure": variable(("time", "gas"), self.line_pressure, "Pa", "line partial pressure"),
                "temperature": variable(("time", "node"), self.temperature, "K", "temperature of the part"),
                "converted_fraction": variable("time", self.converted_fraction, "1", "converted fraction of the coating"),
                "activation": variable("time", self.activation, "1", "activation state of the coating"),
                "held_gas": variable(("time", "source"), self.held, "mol", "gas still held"),
                "evolution": variable(("time", "source"), self.evolution, "mol/s", "gas evolution"),
                "sorbed": variable(("time", "gas"), self.sorbed, "mol", "gas on and in the mirror"),
                "sorption_speed": variable(("time", "gas"), self.sorption_speed, "m^3/s", "sorption speed of the mirror"),
                "barium_evaporated": variable("time", self.barium_evaporated, "kg", "barium evaporated"),
                "barium_spent": variable("time", self.barium_spent, "1", "share of evaporated barium spent"),
                "oxygen_exposure": variable("time", self.oxygen_exposure, "Pa s", "O2 exposure of the hot cathode"),
                "oxidant_exposure": variable("time", self.oxidant_exposure, "Pa s", "H2O + CO2 exposure of the hot cathode"),
                "port_flow": variable(("time", "gas"), self.port_flow, "mol/s", "flow from head to line"),
            },
            coords={
                "time": variable("time", self.time, "s", "time since the port first opened"),
                "position": ("time", self.position),
                "stage": ("time", np.array(STAGES)[self.stage]),
                "port_open": ("time", self.port_open),
                "gas": list(GAS_NAMES),
                "node": list(self.node_names),
                "source": sources,
            },
            attrs={
                "schedule": self.schedule.name,
                "valve": self.schedule.valve.name,
                "machine": self.schedule.machine.name,
                "tolerance": self.tolerance,
                "outcome": self.outcome.sentence,
            },
        )

    def to_log(self, path) -> None:
        """Write the run log (CSV, UTF-8, `#` comment lines first); replaces `path` whole or not at all.

        Amounts are Pa L referred to 20 degC, pressures Pa, temperatures degC.

        Raises
        ------
        OSError
            When the place cannot be written; an older file of that name is then left as it was.
        """
        from exhaustsim.engine.filewrite import replace_whole

        with replace_whole(path, newline="") as file:
            self._write_log(file)

    def _write_log(self, file) -> None:
        pa_l = GAS_CONSTANT * REFERENCE_TEMPERATURE * 1e3
        file.write(f"# simulation, not a reading: schedule {self.schedule.name}, valve {self.schedule.valve.name}\n")
        if self.schedule.valve.tables.own:
            file.write(f"# with own data: {', '.join(dict.fromkeys(row.file for row in self.schedule.valve.tables.own))}\n")
        file.write(f"# {self.outcome.sentence}\n# ledger error {self.ledger.error:.1e} of the inventory\n")
        head = ["t_s", "stage", "position", "port_open", "bulb_pressure_pa", "line_pressure_pa", "converted_fraction"]
        head += [f"bulb_{g}_pa" for g in GAS_NAMES] + [f"line_{g}_pa" for g in GAS_NAMES]
        head += [f"{n}_c" for n in self.node_names]
        head += [f"sorbed_{g}_pa_l" for g in GAS_NAMES]
        head += [f"held_{s.part}_{s.label}_pa_l".replace(" ", "_").replace("/", "_") for s in self.sources]
        file.write(",".join(head) + "\n")
        numbers = np.column_stack([
            self.total_bulb_pressure, self.total_line_pressure, self.converted_fraction, self.bulb_pressure,
            self.line_pressure, self.temperature - ZERO_CELSIUS, self.sorbed * pa_l, self.held * pa_l,
        ])  # fmt: skip
        form = ",".join(["%.6g"] * numbers.shape[1])
        for i, row in enumerate(numbers.tolist()):
            values = (form % tuple(row)).replace("nan", "")
            stage = STAGES[self.stage[i]]
            file.write(f"{self.time[i]:.6f},{stage},{self.position[i]},{int(self.port_open[i])},{values}\n")
