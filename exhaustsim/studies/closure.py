"""Does the CO2 that a gauge saw in breakdown agree with the coating that was weighed?

The coating's CO2 is known from its mass.  What left the valve follows from the bulb pressure and
the conductance of the exhaust stem, or from the line pressure and the speed of the pump.  If the
two do not close, something is wrong that no fit of the gas loads would show: most often the gas
that the gauge was calibrated with, sometimes the scale, the bore of the exhaust stem or the weight.

The simulated run of the schedule gives the mixture at every moment and the moments between two
readings; the log gives how far the pressure was above or below that run.  Gas is counted from the
first heater volts to the end of the last position before the flash.

Not modelled: a breakdown whose mixture is unlike that of the run (other gases in the binder, other
nickel), and readings beyond the end of the scale, which make what was found a least amount.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from exhaustsim.constants import CO2, GAS_CONSTANT, GAS_NAMES
from exhaustsim.engine.network import stem_tube, tube
from exhaustsim.engine.result import Run
from exhaustsim.physics.conductance import TUBE_SCRATCH, tube_mixture_flow
from exhaustsim.plant.trace import AT_LEAST, AT_MOST, GOOD, Trace
from exhaustsim.studies.gauges import Gauge, gauge_named
from exhaustsim.units import share_text, show

#: Standard deviations in an interval of 95 %.
COVERING = 1.96
#: A scale change over which the growth of the amount with it is taken.
NUDGE = 0.02
#: Gases with which gauges are calibrated as a rule; usage of the trade.
USUAL_CALIBRATIONS = ("N2", "Ar", "CO2", "H2")
#: Share by which the factors for CO2 of two calibrations must differ to be told apart; our own choice.
SAME_FACTOR = 0.02
#: Readings on each side of one whose median stands for it, so that a spike counts for nothing.
NEIGHBOURS = 2
#: Log and run must have this many readings in the breakdown, or the amount is not told.
FEWEST = 20


class NoClosure(ValueError):
    """A log that does not hold a breakdown; the text says what is missing."""


@dataclass(frozen=True)
class Closure:
    """The CO2 found against the CO2 weighed."""

    place: str  # "bulb" or "line"
    calibration_gas: str  # as the log has it
    found: float  # mol of carbonate CO2
    weighed: float  # mol
    ratio: float  # found over weighed [1]
    low: float  # 95 %
    high: float
    least_only: bool  # readings beyond the end of the scale: more may have gone
    others: tuple[tuple[str, float], ...]  # other gas of calibration, and the ratio that it would give
    suspected: str | None  # the gas of calibration that would close the account, if the one stated does not

    @property
    def closes(self) -> bool:
        """Whether found and weighed agree within the interval."""
        return self.low <= 1.0 <= self.high

    @property
    def sentences(self) -> tuple[str, ...]:
        """What is to be said."""
        told = [
            f"CO2 from the readings {show(self.found, 'amount', 'Pa L', 3)}, from the weighed coating "
            f"{show(self.weighed, 'amount', 'Pa L', 3)}: ratio {self.ratio:.2f} ({self.low:.2f} to {self.high:.2f} at 95 %)."
        ]
        if self.least_only:
            told.append("Readings went beyond the end of the scale, so the amount found is a least amount.")
        if self.closes:
            told.append("The account closes.")
        elif self.least_only and self.ratio < 1.0:
            told.append("What lies beyond the scale may be what is missing: use a gauge that reaches higher before anything is suspected.")
        elif self.suspected is not None:
            ratio = dict(self.others)[self.suspected]
            told.append(
                f"The account does not close. Suspect the gauge factor: the log says calibrated for {self.calibration_gas}; "
                f"calibrated for {self.suspected} the ratio would be {ratio:.2f}. Look at the gauge's own certificate."
            )
        else:
            off = share_text(abs(self.ratio - 1.0))
            told.append(
                f"The account does not close ({off} {'too much' if self.ratio > 1.0 else 'too little'}), and no gas of calibration would "
                "close it. Check the scale of the gauge, the bore of the exhaust stem and the weight of the coating."
            )
        return tuple(told)


def breakdown_closure(
    trace: Trace, run: Run, *, gauge: str | Gauge | None = None, line: str | None = None, clock: float = 0.0
) -> Closure:
    """Hold the CO2 of a breakdown against the weighed coating.

    Parameters
    ----------
    trace : Trace
        Readings against time since the port first opened, in the bulb (a gauge valve) or on a line; `place`
        and `calibration_gas` as the log has them.
    run : Run
        Run of the schedule that was ridden, with the weighed coating in its valve file.
    gauge : str or Gauge, optional
        Kind of gauge; by default that of the trace.
    line : str, optional
        Name of the pumping line for a gauge on a line.
    clock : float
        Moment of the log at which the port first opened [s], such as a fit found.

    Returns
    -------
    Closure

    Raises
    ------
    NoClosure
        Too few readings in the breakdown, no heater volts in the schedule, no gauge or no gas of calibration named,
        no such line, or less gas than the binder alone gives off.
    """
    trace = replace(trace, time=trace.time - clock)
    found_gauge = _gauge_of(trace, run, gauge)
    stated = trace.calibration_gas
    factors = calibrated(found_gauge, stated)
    if factors is None:
        raise NoClosure(f"the log says calibrated for {stated}, which a gauge of kind {found_gauge.name} does not see")
    place = trace.place or "bulb"
    if place not in ("bulb", "line"):
        raise NoClosure(f"a closure needs readings in the bulb or on a line, not at the {place}")
    samples = _breakdown(run)
    if place == "line":
        account = _LineAccount(trace, run, line)
    else:
        account = _BulbAccount(trace, run, samples)
    tables = run.schedule.valve.tables
    weighed = _carbonate_released(run, samples)
    simulated = account.simulated()
    # The binder's CO2 goes through as well; it is taken as the run has it.
    other = simulated - account.from_carbonate(weighed)

    def ratio_with(these: np.ndarray, scale: float = 1.0) -> float:
        return (account.amount(these, scale) - other) / (simulated - other)

    spreads = {name: tables.value(f"rides.{name}_spread") for name in ("gauge_scale", "stem_conductance", "coating_mass", "pump_speed")}
    ratio = ratio_with(factors)
    if not ratio > 0.0:
        raise NoClosure(
            "the readings hold less CO2 than the binder alone gives off, so none of the coating's is seen: look at units and "
            "range of the gauge, and whether log and schedule belong together"
        )
    # In viscous flow more gas goes than in proportion to the pressure, so a scale error counts more than once.
    growth = math.log(ratio_with(factors, 1.0 + NUDGE) / ratio) / math.log(1.0 + NUDGE)
    passage = spreads["stem_conductance"] if place == "bulb" else spreads["pump_speed"]
    reach = math.exp(COVERING * math.hypot(growth * spreads["gauge_scale"], passage, spreads["coating_mass"]))
    others = []
    for gas in USUAL_CALIBRATIONS:
        these = calibrated(found_gauge, gas)
        if these is not None and abs(these[CO2] / factors[CO2] - 1.0) > SAME_FACTOR:
            others.append((gas, ratio_with(these)))
    suspected = None
    # Of a least amount that is too small nothing follows.
    if not 1.0 / reach <= ratio <= reach and not (account.beyond and ratio < 1.0):
        closing = [(gas, r) for gas, r in others if 1.0 / reach <= r <= reach]
        suspected = min(closing, key=lambda o: abs(math.log(o[1])))[0] if closing else None
    return Closure(
        place, stated, ratio * weighed, weighed, ratio, ratio / reach, ratio * reach, account.beyond, tuple(others), suspected
    )


def calibrated(gauge: Gauge, gas: str) -> np.ndarray | None:
    """(gas,) reading over true pressure of a gauge whose scale is true for `gas`; None for a gas that it does not see."""
    own = gauge.factors[GAS_NAMES.index(gas)]
    return gauge.factors / own if own > 0.0 else None


def _gauge_of(trace: Trace, run: Run, gauge: str | Gauge | None) -> Gauge:
    named = gauge if gauge is not None else trace.gauge
    if named is None:
        raise NoClosure("the log names no kind of gauge; name one of the data tables")
    if trace.calibration_gas not in GAS_NAMES:
        raise NoClosure(f"the log names no gas of calibration (one of {', '.join(GAS_NAMES)}); nothing is guessed")
    return named if isinstance(named, Gauge) else gauge_named(named, run.schedule.valve.tables)


def _breakdown(run: Run) -> np.ndarray:
    """Samples of the run from the first heater volts to the flash, or to tip-off without one."""
    schedule = run.schedule
    lit = [p.position for p in schedule.positions if p.heater_voltage > 0.0]
    if not lit:
        raise NoClosure("the schedule gives no heater volts on the machine, so there is no breakdown to count")
    ends = schedule.position_of("flash") or schedule.position_of("tip_off") or schedule.positions[-1].position + 1
    return np.flatnonzero((run.position >= lit[0]) & (run.position < ends))


def _carbonate_released(run: Run, samples: np.ndarray) -> float:
    """CO2 that the carbonate gave off in the run over `samples` [mol]."""
    carbonate = next(k for k, source in enumerate(run.sources) if (source.part, source.label) == ("coating", "carbonate"))
    return float(run.held[samples[0], carbonate] - run.held[samples[-1], carbonate])


def _medians(values: np.ndarray) -> np.ndarray:
    """Each value by the median of itself and its neighbours."""
    padded = np.pad(values, NEIGHBOURS, mode="edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * NEIGHBOURS + 1), axis=1)


class _BulbAccount:
    """CO2 that left through the exhaust stem."""

    def __init__(self, trace: Trace, run: Run, samples: np.ndarray):
        self.run, self.samples = run, samples
        self.time = run.time[samples]
        use = trace.usable() & (trace.mark != AT_MOST) & (trace.time >= self.time[0]) & (trace.time <= self.time[-1])
        if np.count_nonzero(use) < FEWEST:
            raise NoClosure(
                f"{np.count_nonzero(use)} readings in the breakdown ({self.time[0]:.0f} to {self.time[-1]:.0f} s); needs {FEWEST}"
            )
        self.moments, self.reading = trace.time[use], trace.reading[use]
        self.beyond = bool(np.any(trace.mark[use] == AT_LEAST))
        machine, valve = run.schedule.machine, run.schedule.valve
        self.room = machine.room_temperature
        self.stem = stem_tube(valve.exhaust_stem, valve.tables)
        self.port = tube(machine.port_bore, machine.port_length, valve.tables)
        self.wall = run.node(valve.bulb_node)[samples]
        self.bulb = run.bulb_pressure[samples]

    def from_carbonate(self, released: float) -> float:
        """CO2 of the carbonate that leaves as CO2 [mol]: hot nickel turns the rest into CO."""
        return released * (1.0 - self.run.schedule.valve.coating.nickel_share)

    def simulated(self) -> float:
        """CO2 through the exhaust stem and into the bulb in the run itself [mol]."""
        return self._counted(self.bulb)

    def amount(self, factors: np.ndarray, scale: float) -> float:
        """CO2 through the exhaust stem and into the bulb [mol], if the readings are `scale` times too low."""
        shown = np.interp(self.moments, self.time, np.log(np.maximum(self.bulb @ factors, 1e-300)))
        above = np.interp(self.time, self.moments, _medians(np.log(self.reading) - shown))
        return self._counted(self.bulb * (scale * np.exp(above))[:, None])

    def _counted(self, mixture: np.ndarray) -> float:
        flow = np.zeros(len(mixture))
        for k in np.flatnonzero(self.run.port_open[self.samples]):
            j = self.samples[k]
            flow[k] = self._through(mixture[k], self.wall[k], self.run.head_pressure[j], self.run.line_pressure[j])
        left = self.run.schedule.valve.bulb.volume * mixture[:, CO2] / (GAS_CONSTANT * self.wall)
        return float(np.trapezoid(flow, self.time) + left[-1] - left[0])

    def _through(self, bulb: np.ndarray, wall: float, head: np.ndarray, line: np.ndarray) -> float:
        """CO2 through exhaust stem and port in a row [mol/s]: the head has the mixture of the run at the pressure that passes the flow on."""
        work = np.zeros(TUBE_SCRATCH)
        into, out = np.zeros(len(bulb)), np.zeros(len(bulb))

        def piled_up(share: float) -> float:
            tube_mixture_flow(bulb, wall, share * head, self.room, self.stem, into, work)
            tube_mixture_flow(share * head, self.room, line, self.room, self.port, out, work)
            return float(into.sum() - out.sum())

        most = 2.0 * max(bulb.sum(), line.sum()) / head.sum()
        share = brentq(piled_up, 0.0, most, xtol=1e-6 * most, rtol=1e-6)
        piled_up(share)
        return float(into[CO2])


class _LineAccount:
    """CO2 that the pump of a line took away in one index: what one valve gave it at all positions of the line."""

    def __init__(self, trace: Trace, run: Run, line: str | None):
        names = [wave.name for wave in run.lines]
        if line not in names:
            raise NoClosure(f"name the line of the gauge: one of {', '.join(names)}")
        self.run = run
        self.wave = run.lines[names.index(line)]
        if self.wave.chain_flow is None:
            raise NoClosure(f"nothing is known of the flow into the pump of line {line}")
        self.carried = self.wave.chain_flow[:, 0, CO2]
        self.beyond = bool(np.any(trace.mark == AT_LEAST))
        use = (trace.mark == GOOD) & trace.usable()
        if np.count_nonzero(use) < FEWEST:
            raise NoClosure(f"{np.count_nonzero(use)} good readings on the line; needs {FEWEST}")
        # The port first opens at the end of a transfer, which is where the wave has its transfer time.
        phase = (trace.time[use] + run.schedule.machine.transfer_time) % run.schedule.index_time
        order = np.argsort(phase, kind="stable")
        self.phase, self.reading = phase[order], trace.reading[use][order]

    def from_carbonate(self, released: float) -> float:
        """CO2 of the carbonate that comes to this line as CO2 [mol]: no more than the line is given in the run."""
        given = float(np.trapezoid(self.wave.inflow[:, CO2], self.wave.time))
        return min(given, released * (1.0 - self.run.schedule.valve.coating.nickel_share))

    def simulated(self) -> float:
        """CO2 into the pump in one index of the run [mol]."""
        return float(np.trapezoid(self.carried, self.wave.time))

    def amount(self, factors: np.ndarray, scale: float) -> float:
        """CO2 into the pump in one index [mol], if the readings are `scale` times too low."""
        shown = np.interp(self.phase, self.wave.time, np.log(np.maximum(self.wave.pressure @ factors, 1e-300)))
        ratio = scale * np.exp(np.interp(self.wave.time, self.phase, _medians(np.log(self.reading) - shown)))
        return float(np.trapezoid(self.carried * ratio, self.wave.time))
