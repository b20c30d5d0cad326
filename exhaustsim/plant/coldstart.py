"""A schedule as it runs some minutes after the machine has been switched on cold.

Oven and diffusion pumps come up over tens of minutes, a valve goes round in three or four: one
valve therefore meets the machine as good as standing still, and its schedule is run with the oven
air and the pumps of that moment.

A turret that goes on through the warm-up takes oven and pumps anew in every index
(`exhaustsim.engine.loaded.simulate_machine` with `cold_start`).

Not here: what the lines and the oil have taken up
overnight; the machine counts as pumped down by its rotary pumps.  A diffusion pump whose oil does not boil yet
is a pipe to its backing pump.
"""

from __future__ import annotations

from dataclasses import replace

from exhaustsim.constants import GAS_NAMES
from exhaustsim.physics.shop import oven_warm_up, pump_warm_up
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.machine import DiffusionPump, Pump, RotaryMachine, backing_of, chain_of
from exhaustsim.plant.schedule import Schedule

LEAST_SHARE = 1e-6  # of its working: below this a cold diffusion pump is a pipe and nothing else


def after_cold_start(schedule: Schedule, seconds: float) -> Schedule:
    """`schedule` with oven air and diffusion pumps as they are `seconds` after switching on [s].

    Raises
    ------
    DesignFault
        The machine file says nothing of its warm-up.
    ValueError
        Negative or endless time.
    """
    if not 0.0 <= seconds < float("inf"):
        raise ValueError(f"{seconds!r} s after a cold start is not a time")
    machine = schedule.machine
    if machine.warm_up is None:
        usual = ", ".join(f'{name} = "{row.text}"' for name, row in schedule.valve.tables.group("warm_up").items())
        raise DesignFault([Fault(machine.source, "warm_up", "", "missing; a cold start needs it", f"add [warm_up], such as {usual}")])
    oven, _ = oven_warm_up(machine.room_temperature, schedule.oven_temperature, machine.warm_up.oven_time_constant, seconds)
    share, _ = pump_warm_up(machine.warm_up.pump_ready_time, seconds)
    name = f"{schedule.name}, {seconds / 60.0:g} min after a cold start"
    return replace(schedule, name=name, oven_temperature=float(oven), machine=_with_pumps_at(machine, float(share)))


def _with_pumps_at(machine: RotaryMachine, share: float) -> RotaryMachine:
    return replace(machine, lines=tuple(replace(line, pump=warming_chain(line.pump, share)) for line in machine.lines))


def warming_chain(pump: Pump, share: float) -> Pump:
    """`pump` and all pumps behind it, the diffusion pumps among them with their jets at `share` of their strength [1]."""
    behind = backing_of(pump)
    if behind is not None:
        pump = replace(pump, backing_pump=warming_chain(behind, share))
    return warming_pump(pump, share) if isinstance(pump, DiffusionPump) else pump


def warming_pump(pump: DiffusionPump, share: float) -> DiffusionPump:
    """A diffusion pump whose jet works to `share` of its full strength [1], as a pump of the same kind.

    The jet pumps with its share of the speed, the backing pump through the pump's body with the rest of
    its own speed: S = x S_D + (1 - x) S_B against the ultimate pressure at which both together take as much
    as they give back; in a longer chain it is the last pump's ultimate pressure that counts behind.  Knee and critical backing pressure go up as 1/x, because what goes through the
    body knows neither.
    """
    x = max(share, LEAST_SHARE)
    backing, last = pump.backing_pump, chain_of(pump)[-1]
    jet, body = x * pump.speed, (1.0 - x) * backing.speed
    speed = jet + body
    given = {gas: 0.0 for gas in GAS_NAMES}
    for weight, source in ((jet, pump), (body, last)):
        for gas, part in source.ultimate_gases:
            given[gas] += weight / speed * source.ultimate_pressure * part
    ultimate = sum(given.values())
    gases = tuple((gas, amount / ultimate) for gas, amount in given.items() if amount > 0.0)
    return replace(
        pump, speed=speed, ultimate_pressure=ultimate, ultimate_gases=gases, knee_pressure=pump.knee_pressure / x,
        critical_backing_pressure=pump.critical_backing_pressure / x,
    )  # fmt: skip
