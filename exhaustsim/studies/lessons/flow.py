"""Lessons on the narrow exhaust stem: bore, regimes, gas load, light and heavy gas, blanked port, bad neighbour.

All by law, the bad neighbour then also on the loaded machine: the exhaust stem as one straight tube with the port behind it, molecular and viscous conductance added
(up to 20 % high in between), the line at a constant pressure, nitrogen unless another gas is named.
Left out: choked flow in the first hundredth of a second, gas temperature, heads of the line that change.
"""

from __future__ import annotations

import math

import numpy as np

from exhaustsim.constants import GAS_NAMES
from exhaustsim.data import published
from exhaustsim.engine.loaded import simulate_machine
from exhaustsim.physics.conductance import pump_down_tube, pump_down_viscous, tube_conductance_viscous
from exhaustsim.plant.incidents import Leaker
from exhaustsim.studies.lessons.record import Axis, Choice, Curve, Knob, Lesson, Shown, Stand
from exhaustsim.units import parse, show

LAW = "closed form; one straight exhaust stem, molecular and viscous flow added, line pressure constant"

DIFFUSION, FINE = "D", "F1"  # lines of the demo machine
LEAKING = 9  # head of the bad neighbour


def steady_pressure(load: float, line: float, molecular: float, viscous_slope: float) -> float:
    """Bulb pressure at which the exhaust stem carries `load` [Pa m^3/s] into a line at `line` [Pa]."""
    a, b = molecular, 0.5 * viscous_slope
    carried = load + a * line + b * line * line
    return 2.0 * carried / (a + math.sqrt(a * a + 4.0 * b * carried))


def pump_down(start: float, floor: float, volume: float, molecular: float, viscous_slope: float, times) -> np.ndarray:
    """Bulb pressure from `start` towards `floor`, the pressure at which load and exhaust stem balance.

    V dp/dt = -(p - f)(a + b (p + f)) is the law of an empty line with a + 2 b f for a and p - f for p.
    """
    stiffer = molecular + viscous_slope * floor
    return np.array([floor + pump_down_tube(start - floor, volume, stiffer, viscous_slope, t) for t in times])


# ---- 1 straw and pump ------------------------------------------------------------------


def straw_and_pump(stand: Stand, knobs: dict, check):
    line = stand.line(DIFFUSION)
    ports = sum(name == DIFFUSION for name in stand.schedule.machine.line_of_position.values())
    load = stand.pressure_volume(parse("0.01 Pa L/s", "throughput"))
    leaks = ports * stand.pressure_volume(line.in_leak_per_port)

    def pressures(speed):
        at_line = line.pump.ultimate_pressure + (load + leaks) / speed
        return at_line + load / stand.net_speed(), at_line

    speeds = np.geomspace(0.1, 100.0, 61) * line.pump.speed
    bulb, at_line = np.array([pressures(s) for s in speeds]).T
    here = line.pump.speed * knobs["factor"]
    now = pressures(here)
    yield Shown(
        (Curve("bulb pressure", speeds, bulb), Curve("line pressure", speeds, at_line, "other")),
        now[0], f"Pump {show(here, 'speed', 'L/s')}: line {show(now[1], 'pressure', 'Pa')}, bulb {show(now[0], 'pressure', 'Pa')}.",
        ((here, now[0], "bulb"), (here, now[1], "line")),
    )  # fmt: skip


# ---- 2 bore cubed ----------------------------------------------------------------------


def bore_cubed(stand: Stand, knobs: dict, check):
    length, bore, standard = knobs["length"], knobs["bore"], stand.schedule.valve.exhaust_stem.bore
    bores = np.linspace(1e-3, 8e-3, 71)
    exact = np.array([stand.stem_conductance(bore=b, length=length) for b in bores])
    here, there = (stand.stem_conductance(bore=b, length=length) for b in (bore, standard))
    viscosity = published.value("gases.N2.viscosity")
    viscous = np.array([tube_conductance_viscous(0.5 * b, length, 30.0, viscosity) for b in bores])
    yield Shown(
        (
            Curve("molecular flow, at any low pressure", bores, exact),
            Curve("viscous flow at 30 Pa mean pressure", bores, viscous, "other"),
            Curve("as the square of the bore", bores, there * (bores / standard) ** 2, "guide"),
        ),
        here, f"Bore {show(bore, 'length', 'mm')}, length {show(length, 'length', 'mm')}: {show(here, 'speed', 'L/s')} of nitrogen.",
        ((bore, here, show(here, "speed", "L/s")),),
    )  # fmt: skip


# ---- 3, 4, 7 pump-down -----------------------------------------------------------------

TIMES = np.geomspace(1e-3, 30.0, 140)


def _floor(stand: Stand, load: float) -> tuple[float, float]:
    line = stand.line(DIFFUSION).pump.ultimate_pressure
    return steady_pressure(load, line, stand.net_speed(), stand.viscous_slope()), line


def two_regimes(stand: Stand, knobs: dict, check):
    start = knobs["start"]
    floor, _ = _floor(stand, stand.pressure_volume(parse("1e-4 Pa L/s", "throughput")))
    a, k, volume = stand.net_speed(), stand.viscous_slope(), stand.volume
    bulb = pump_down(start, floor, volume, a, k, TIMES)
    viscous = np.array([pump_down_viscous(start, volume, k, t) for t in TIMES])
    reached = float(np.exp(np.interp(0.0, -np.log(bulb), np.log(TIMES))))
    yield Shown(
        (
            Curve("bulb pressure", TIMES, bulb),
            Curve("viscous flow alone: hyperbola", TIMES, viscous, "guide"),
            Curve("gas load: floor", TIMES, np.full_like(TIMES, floor), "other"),
        ),
        reached, f"From {show(start, 'pressure', 'Pa')} the bulb reaches 1 Pa after {show(reached, 'time', 's')}.",
        ((reached, 1.0, "1 Pa"),),
    )  # fmt: skip


def knee(stand: Stand, knobs: dict, check):
    floor, line = _floor(stand, stand.pressure_volume(knobs["load"]))
    bulb = pump_down(1e5, floor, stand.volume, stand.net_speed(), stand.viscous_slope(), TIMES)
    yield Shown(
        (Curve("bulb pressure", TIMES, bulb), Curve("line pressure", TIMES, np.full_like(TIMES, line), "other")),
        floor, f"Load {show(knobs['load'], 'throughput', 'Pa L/s')}: the bulb comes to rest at {show(floor, 'pressure', 'Pa')}.",
        ((20.0, floor, "floor"),),
    )  # fmt: skip


def volume_matters(stand: Stand, knobs: dict, check):
    floor, line = _floor(stand, stand.pressure_volume(parse("0.01 Pa L/s", "throughput")))
    volume = knobs["volume"] + stand.schedule.machine.head_volume
    bulb = pump_down(1e5, floor, volume, stand.net_speed(), stand.viscous_slope(), TIMES)
    late = float(pump_down(1e5, floor, volume, stand.net_speed(), stand.viscous_slope(), [8.0])[0])
    early = float(pump_down(1e5, floor, volume, stand.net_speed(), stand.viscous_slope(), [0.1])[0])
    yield Shown(
        (Curve("bulb pressure", TIMES, bulb), Curve("line pressure", TIMES, np.full_like(TIMES, line), "other")),
        late, f"Bulb {show(knobs['volume'], 'volume', 'cm3')}: {show(early, 'pressure', 'Pa')} after 0.1 s, "
        f"{show(late, 'pressure', 'Pa')} after 8 s.", ((0.1, early, "0.1 s"), (8.0, late, "8 s")),
    )  # fmt: skip


# ---- 6 light and heavy gas -------------------------------------------------------------


def light_and_heavy(stand: Stand, knobs: dict, check):
    times = np.linspace(0.0, 2.0, 81)

    def fall(gas):
        return np.exp(-stand.net_speed(gas) / stand.volume * times)

    chosen = knobs["gas"]
    others = [gas for gas in ("H2", "N2", "CO2") if gas != chosen]
    speed = stand.stem_conductance(chosen)
    yield Shown(
        (Curve(chosen, times, fall(chosen)), *(Curve(gas, times, fall(gas), "other") for gas in others)),
        speed, f"{chosen} through the exhaust stem in molecular flow: {show(speed, 'speed', 'L/s')}.",
    )  # fmt: skip


# ---- 11 shut the port ------------------------------------------------------------------


def shut_the_port(stand: Stand, knobs: dict, check):
    shut = knobs["transfer"]
    load = stand.pressure_volume(parse("0.1 Pa L/s", "throughput"))
    line = stand.line(FINE).pump.ultimate_pressure
    floor = steady_pressure(load, line, stand.net_speed(), stand.viscous_slope())
    peak = floor + load * shut / stand.volume
    blanked = np.linspace(0.0, shut, 60)
    after = np.linspace(0.0, 6.0 - shut, 90)[1:]
    falling = pump_down(peak, floor, stand.volume, stand.net_speed(), stand.viscous_slope(), after)
    times = np.concatenate([[-1.0], blanked, shut + after])
    bulb = np.concatenate([[floor], floor + load * blanked / stand.volume, falling])
    yield Shown(
        (Curve("bulb pressure", times, bulb), Curve("line pressure", times, np.full_like(times, line), "other")),
        peak, f"Port blanked for {show(shut, 'time', 's')}: from {show(floor, 'pressure', 'Pa')} to {show(peak, 'pressure', 'Pa')}; "
        f"time constant once open {show(stand.volume / stand.net_speed(), 'time', 's', 2)} or less.", ((shut, peak, "port opens"),),
    )  # fmt: skip


# ---- 17 bad neighbour ------------------------------------------------------------------


def bad_neighbour(stand: Stand, knobs: dict, check):
    """Air leaks into the bulb of head 9.  First two valves on line D in balance, by law; then the machine, with the valve in front followed
    to its flash, which comes as the leaker reaches line D."""
    run, line = stand.run, stand.line(DIFFUSION)
    neighbour, normal = float(run.total_bulb_pressure[run.judged_at]), float(run.total_line_pressure[run.judged_at])
    argon = float(run.bulb_pressure[run.judged_at, GAS_NAMES.index("Ar")])
    in_air = published.value("gases.Ar.air_share")
    leaks = np.geomspace(1e-6, 1e-2, 81)  # Pa m^3/s

    def pressures(leak):
        at_line = normal + leak / line.pump.speed
        own = steady_pressure(leak, at_line, stand.net_speed(), stand.viscous_slope())
        return own, at_line, neighbour + at_line - normal, argon + in_air * (at_line - normal)

    own, at_line, beside, beside_argon = np.array([pressures(leak) for leak in leaks]).T
    here = stand.pressure_volume(knobs["leak"])
    now = pressures(here)
    amounts = leaks / stand.pressure_volume(1.0)
    target = stand.schedule.target.bulb_pressure
    curves = (
        Curve("bulb of the neighbour", amounts, beside), Curve("bulb of the leaker", amounts, own, "other"),
        Curve("line D", amounts, at_line, "other"), Curve("argon in the neighbour", amounts, beside_argon, "other"),
        Curve("target", amounts, np.full_like(amounts, target), "limit"),
    )  # fmt: skip
    leak = show(knobs["leak"], "throughput", "Pa L/s")

    def told(leaker, beside, by) -> str:
        return f"{by}, leak {leak}: leaker {show(leaker, 'pressure', 'Pa')}, neighbour {show(beside, 'pressure', 'Pa')}."

    yield Shown(curves, now[2], told(now[0], now[2], "By law"), ((knobs["leak"], now[2], "neighbour"),), draft=True)
    leaker, found = stand.kept(("leaker", knobs["leak"]), lambda: _leaker_and_front(stand, knobs["leak"], check))
    yield Shown(curves, found, told(leaker, found, "On the loaded machine"), ((knobs["leak"], found, "neighbour, loaded machine"),))


def _leaker_and_front(stand: Stand, leak: float, check) -> tuple[float, float]:
    """Bulb pressures [Pa] on the loaded machine: of the leaker just before its own flash, whose mirror would take most of the air,
    and of the valve in front of it when that is judged."""
    schedule = stand.on_machine(stand.schedule)
    front = LEAKING + 1
    machine = simulate_machine(
        schedule, [Leaker(LEAKING, leak)], indices=schedule.machine.positions + 2 - front, follow=(front,), progress=lambda *_: check()
    )
    before_flash = next(i for i in machine.indices if i.position[LEAKING] == schedule.position_of("flash") - 1)
    run = machine.journeys[0].run
    return float(before_flash.bulb_pressure[LEAKING].sum()), float(run.total_bulb_pressure[run.judged_at])


# ---- what is asked ---------------------------------------------------------------------

_TIME = Axis("time since the port opened", "time", "s", 1e-3, 30.0)
_PUMP_DOWN = Axis("bulb and line pressure", "pressure", "Pa", 1e-4, 1e5)
INF = math.inf

LESSONS = (
    Lesson(
        1, "The straw and the pump",
        "A bulb gives 0.01 Pa L/s through its exhaust stem. The diffusion pump is changed for one ten times as fast. What does the bulb pressure do?",
        (Choice("falls to about a tenth", 0.2), Choice("falls to about a third", 0.6), Choice("hardly moves", INF)),
        (Knob("factor", "pump, times as fast", "number", "1", "0.1", "100", 0.0, "1", logarithmic=True),), {"factor": "10"}, True,
        "Behind a narrow exhaust stem the pump hardly counts: the straw limits, not the lungs.",
        "Let them push the slider to the end. Then show where a pump does help: the line pressure.",
        Axis("pump speed at the manifold", "speed", "L/s", 2.5e-3, 2.5), Axis("bulb and line pressure", "pressure", "Pa", 1e-4, 10.0), straw_and_pump, LAW,
    ),
    Lesson(
        2, "The bore, cubed",
        "The bore goes from 3 mm to 6 mm, the length stays. How many times as much passes in molecular flow?",
        (Choice("twice", 3.0), Choice("four times, as the area", 5.5), Choice("seven to eight times", 9.0), Choice("sixteen times", INF)),
        (
            Knob("bore", "bore", "length", "mm", "1 mm", "8 mm", 0.1, "3 mm"),
            Knob("length", "length of the exhaust stem", "length", "mm", "20 mm", "120 mm", 5.0, "60 mm"),
        ), {"bore": "6 mm"}, True,
        "In molecular flow conductance goes with the cube of the bore, and nearly inversely with the length.",
        "A shade under eight: the two ends of a short tube count too. In viscous flow it is the fourth power.",
        Axis("bore", "length", "mm", 1e-3, 8e-3), Axis("conductance for nitrogen", "speed", "L/s", 1e-6, 1e-2), bore_cubed,
        "closed form; transmission of a straight tube within 0.07 % of exact; laminar viscous flow",
    ),
    Lesson(
        3, "Two regimes",
        "One bulb starts from the atmosphere, another has been roughed to 1000 Pa. How much sooner is the second at 1 Pa?",
        (Choice("in a hundredth of the time", 0.1), Choice("in about half the time", 0.8), Choice("hardly sooner", INF)),
        (Knob("start", "bulb pressure at the start", "pressure", "Pa", "10 Pa", "1e5 Pa", 0.0, "1e5 Pa", logarithmic=True),),
        {"start": "1000 Pa"}, True,
        "First a hyperbola that forgets where it began, then an exponential, then a floor set by the gas load: never one straight line.",
        "Ask which piece of the curve the pump's catalogue describes. (None: the exhaust stem makes all of it.)",
        _TIME, _PUMP_DOWN, two_regimes, LAW,
    ),
    Lesson(
        4, "The knee that is not the pump",
        "The curve has gone flat. The pump is the same, but the parts now give a tenth of the gas. Where does it go flat?",
        (Choice("at about a tenth of that pressure", 0.2), Choice("at about a third", 0.6), Choice("where it was: the pump sets it", INF)),
        (Knob("load", "gas load of the parts", "throughput", "Pa L/s", "1e-5 Pa L/s", "1 Pa L/s", 0.0, "0.01 Pa L/s", logarithmic=True),),
        {"load": "0.001 Pa L/s"}, True,
        "Floor = gas load divided by net speed, plus line pressure: a flat gauge does not mean a worn-out pump.",
        "At 1e-5 Pa L/s the line shows through at last.",
        _TIME, _PUMP_DOWN, knee, LAW,
    ),
    Lesson(
        6, "Light and heavy gas",
        "The bulb holds CO2 in molecular flow; another holds hydrogen. How many times as fast does hydrogen leave?",
        (Choice("just as fast", 1.5), Choice("about twice as fast", 3.0), Choice("nearly five times as fast", 8.0), Choice("22 times, as the masses", INF)),
        (Knob("gas", "gas in the bulb", options=GAS_NAMES, standard="CO2"),), {"gas": "H2"}, True,
        "Molecular conductance goes with one over the root of the molar mass: hydrogen nearly five times CO2.",
        "Hydrogen is the gas that worries beginners and leaves first; CO2 is the one that stays.",
        Axis("time", "time", "s", 0.0, 2.0, logarithmic=False), Axis("share of the gas left", "share", "%", 1e-6, 1.0), light_and_heavy,
        "closed form, molecular flow through exhaust stem and port, no gas load",
    ),
    Lesson(
        7, "Volume does not matter, late",
        "The bulb is made twice as big, the gas load stays. What is the bulb pressure after 8 s?",
        (Choice("half", 0.7), Choice("the same", 1.2), Choice("half as much again", 1.7), Choice("twice", INF)),
        (Knob("volume", "bulb volume", "volume", "cm3", "6 cm3", "60 cm3", 1.0, "12 cm3"),), {"volume": "24 cm3"}, True,
        "Volume delays the first seconds only; later pressure is gas load over net speed, and no volume stands in that.",
        "Compare the points at 0.1 s and at 8 s.",
        _TIME, _PUMP_DOWN, volume_matters, LAW,
    ),
    Lesson(
        11, "Shut the port",
        "While the machine indexes every port is blanked. The transfer takes 2.4 s instead of 1.2 s. What does the highest bulb pressure do?",
        (Choice("stays", 1.2), Choice("nearly doubles", 2.3), Choice("goes up fourfold", INF)),
        (Knob("transfer", "transfer time", "time", "s", "0.1 s", "4 s", 0.1, "1.2 s"),), {"transfer": "2.4 s"}, True,
        "Blanked, the pressure rises in proportion to time; open again it falls in a third of a second.",
        "The rise is the only place on the machine where volume counts: ask what a larger head would do.",
        Axis("time since the port was blanked", "time", "s", -1.0, 6.0, logarithmic=False), Axis("bulb and line pressure", "pressure", "Pa", 0.1, 100.0),
        shut_the_port, LAW + "; steady load of 0.1 Pa L/s",
    ),
    Lesson(
        17, "The bad neighbour",
        "Head 9 leaks 1 Pa L/s on the diffusion line. What does a good valve on another head of that line show at its flash?",
        (
            Choice("nothing: each head has its own exhaust stem", 1.2), Choice("several times its usual pressure", 20.0),
            Choice("as much as the leaker", INF),
        ),
        (Knob("leak", "leak on head 9", "throughput", "Pa L/s", "0.001 Pa L/s", "10 Pa L/s", 0.0, "0.001 Pa L/s", logarithmic=True),),
        {"leak": "1 Pa L/s"}, True,
        "A line is shared: one leaker lifts every bulb on it, and brings argon that no getter takes.",
        "The leaker itself stands near 17 Pa behind its exhaust stem, while the gauge of the line shows a twentieth of a pascal.",
        Axis("leak on head 9", "throughput", "Pa L/s", parse("1e-3 Pa L/s", "throughput"), parse("10 Pa L/s", "throughput")),
        Axis("bulb and line pressure", "pressure", "Pa", 1e-5, 1e3), bad_neighbour,
        "curves by law on the standard run: line up by leak over pump speed, neighbours up with it, time on the line long enough; then, for "
        "the marked point, a full run of the loaded machine, where head 10 flashes as the leaker reaches line D",
    ),
)  # fmt: skip
