"""DP-2 and DR-3 on RX24 against landmarks from an independent rough reckoning; DT-1 on the bench.

The reckoning is that of `test_landmarks`: bulb and head in one node, steady mean line pressures,
temperatures as first-order lags not coupled to the gas, diffusion pumps of constant speed.  It claims
a factor of three each way in pressure, and "about" in temperature.  Heat settings of the demo cards
were set so that anode, wall, micas and hot spot come to the reckoned temperatures, so those rows hold
the demo data; pressures were not set.  Where ours lies outside, `ASIDE` says what is measured and why.
"""

from pathlib import Path

import numpy as np
import pytest
from test_landmarks import PA_L, end, highest, line, settled, shut

from exhaustsim.constants import ZERO_CELSIUS
from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import load_schedules
from exhaustsim.studies import readings
from exhaustsim.studies.verdict import judge

DEMO = Path(__file__).parent.parent / "demo_data" / "schedules"
CARDS = {
    "DP-2": ("dp2_standard", "dp2_faster", "dp2_too_hot"),
    "DR-3": ("dr3_standard", "dr3_faster", "dr3_late_and_violent"),
}
EVERY = [card for cards in CARDS.values() for card in cards]


@pytest.fixture(scope="module")
def others():
    schedules = load_schedules([DEMO / f"{name}.toml" for name in (*EVERY, "bench_dt1")])
    return {name: simulate(schedule) for name, schedule in zip((*EVERY, "bench_dt1"), schedules, strict=True)}


def just_before_flash(run):
    return run.total_bulb_pressure[run.judged_at]


def hottest(node):
    """Highest on the machine [degC]."""
    return lambda run: run.node(node)[run.stage <= 1].max() - ZERO_CELSIUS


def before_flash(node):
    """Highest before the flash position [degC]."""
    return lambda run: run.node(node)[run.position < 22][1:].max() - ZERO_CELSIUS


def hot_spot(run):
    """Hottest glass, kept for 10 s [degC]: what the suck-in limit looks at."""
    return readings.hot_spot_temperature(run).value - ZERO_CELSIUS


def metal_carbon_monoxide_share(run):
    chosen = [k for k, s in enumerate(run.sources) if "CO" in s.label and s.label.startswith("dissolved")]
    return run.held[run.tip_off_sample, chosen].sum() / run.held[0, chosen].sum()


def peak_evolution(run):
    return run.evolution[run.stage <= 1].sum(axis=1).max() * PA_L


# valve, name, values for its three cards (None: see ASIDE), how ours is read
FACTOR_OF_THREE = [
    ("DP-2", "line G, mean, Pa", (24, 31, 37), line("G")),
    ("DP-2", "bulb, end of position 2, Pa", (0.6, 0.7, 0.7), end(2)),
    ("DP-2", "oven entry, open, Pa", (3, 3, 3.6), highest(settled(3), settled(4))),
    ("DP-2", "oven entry, shut, Pa", (9, 11, 13), shut(4, 5)),
    ("DP-2", "end of oven, Pa", (0.7, 1.0, 1.0), end(10)),
    ("DP-2", "RF at position 11, open, Pa", (2.4, 3.5, 5.7), settled(11)),
    ("DP-2", "breakdown, open, Pa", (62, 77, 78), highest(*map(settled, range(12, 18)))),
    ("DP-2", "breakdown, shut, Pa", (140, 150, 270), shut(*range(12, 19))),
    ("DP-2", "just before the flash, Pa", (8e-3, 8e-3, None), just_before_flash),
    ("DP-2", "CO left in the metal, share", (3.3 / 3.6, 3.3 / 3.6, 2.8 / 3.6), metal_carbon_monoxide_share),
    ("DR-3", "oven entry, open, Pa", (2.6, 2.7, 2.7), highest(settled(3), settled(4))),
    ("DR-3", "oven entry, shut, Pa", (8, 9, 9), shut(4, 5)),
    ("DR-3", "end of oven, Pa", (0.7, 0.9, 0.9), end(10)),
    ("DR-3", "breakdown, open, Pa", (60, 72, 140), highest(*map(settled, range(12, 19)))),
    ("DR-3", "peak evolution, Pa L/s", (12, 16, 54), peak_evolution),
    ("DR-3", "line B, mean, Pa", (1.5, 1.8, 0.3), line("B")),
    ("DR-3", "line D1, mean, Pa", (1.3e-3, 1.4e-3, None), line("D1")),
    ("DR-3", "bulb, end of position 18, Pa", (8e-3, 8e-3, None), end(18)),
    ("DR-3", "bulb, end of position 20, Pa", (8e-3, 8e-3, None), end(20)),
    ("DR-3", "just before the flash, Pa", (8e-3, 8e-3, 8e-3), just_before_flash),
]

# valve, name, reckoned and ours for the failing card, how ours is read, why ours lies outside a factor of three
ASIDE = [
    ("DP-2", "just before the flash, Pa", 8e-3, 9.1e-4, just_before_flash,
     "the getter fired early at 12 and 13, and its film, left out of the reckoning, pumps the bulb below the line's leaks"),
    ("DR-3", "line D1, mean, Pa", 0.4, 1.9, line("D1"),
     "53 Pa L/s at the peak are more than the 40 Pa L/s that the pump can pass; the reckoning went on at constant speed"),
    ("DR-3", "bulb, end of position 18, Pa", 0.5, 0.14, end(18),
     "at 1500 K the coating is through in five seconds and the line has the rest of the dwell to recover"),
    ("DR-3", "bulb, end of position 20, Pa", 0.4, 0.013, end(20),
     "as at 18: the line is down again to its own ultimate when the dwell ends; the reckoning used the mean"),
]  # fmt: skip


@pytest.mark.parametrize(("valve", "name", "reckoned", "ours"), FACTOR_OF_THREE, ids=[f"{r[0]} {r[1]}" for r in FACTOR_OF_THREE])
def test_within_a_factor_of_three(others, valve, name, reckoned, ours):
    for card, value in zip(CARDS[valve], reckoned, strict=True):
        if value is not None:
            assert value / 3.0 <= ours(others[card]) <= value * 3.0, (card, ours(others[card]), value)


@pytest.mark.parametrize(("valve", "name", "reckoned", "measured", "ours", "why"), ASIDE, ids=[f"{r[0]} {r[1]}" for r in ASIDE])
def test_outside_a_factor_of_three(others, valve, name, reckoned, measured, ours, why):
    """What is measured, to 10 %: a pin, so that the reason is looked at again when demo data or model change."""
    assert not reckoned / 3.0 <= measured <= reckoned * 3.0, "may join FACTOR_OF_THREE"
    assert ours(others[CARDS[valve][2]]) == pytest.approx(measured, rel=0.1)


def test_directions_of_the_rows_set_aside(others):
    standard, _, late = (others[name] for name in CARDS["DR-3"])
    assert line("D1")(late) > 100.0 * line("D1")(standard)
    for position in (18, 19):
        assert settled(position)(late) > 10.0 * settled(position)(standard)
    assert settled(20)(late) > settled(20)(standard)
    d1 = next(item for item in late.lines if item.name == "D1")
    assert d1.pressure.sum(axis=1).max() > 1.0  # reckoned: peak above 1 Pa
    standard, faster, hot = (others[name] for name in CARDS["DP-2"])
    assert just_before_flash(hot) < just_before_flash(standard)
    assert before_flash("getter_holder")(hot) > before_flash("getter_holder")(faster)
    film = others["dp2_too_hot"].barium_evaporated
    assert film[hot.end_of(14)] > 0.1 * film[-1]  # fired early, as the reason says
    assert standard.barium_evaporated[standard.end_of(14)] < 1e-3 * standard.barium_evaporated[-1]


# valve, name, degC for its three cards, K allowed, how ours is read
TEMPERATURES = [
    ("DP-2", "wall at the oven exit", (438, 441, 487), 15, lambda run: run.node("bulb_wall")[run.end_of(10)] - ZERO_CELSIUS),
    ("DP-2", "anode", (800, 830, 1000), 5, hottest("anode")),
    ("DP-2", "micas", (490, 500, 605), 15, hottest("mica")),
    ("DP-2", "hot spot", (450, 460, 585), 15, hot_spot),
    ("DR-3", "wall at the oven exit", (430, 436, 436), 15, lambda run: run.node("bulb_wall")[run.end_of(10)] - ZERO_CELSIUS),
    ("DR-3", "cathode", (1097, 1117, 1207), 35, hottest("cathode_sleeve")),
]


@pytest.mark.parametrize(("valve", "name", "celsius", "allowed", "ours"), TEMPERATURES, ids=[f"{r[0]} {r[1]}" for r in TEMPERATURES])
def test_temperatures(others, valve, name, celsius, allowed, ours):
    """15 K: half the distance between warn and stop limits of glass; 5 K for what the RF was set to.

    35 K for the cathode of DR-3: the reckoning let a heater step settle at its own temperature, ours adds
    what the sleeve gets back from hot anodes, and the late card has 1500 instead of 1450 K.
    """
    for card, value in zip(CARDS[valve], celsius, strict=True):
        assert ours(others[card]) == pytest.approx(value, abs=allowed), card


def test_getter_holder_before_its_flash_position(others):
    """Reckoned below 600, below 650, above 800 degC."""
    standard, faster, hot = (before_flash("getter_holder")(others[name]) for name in CARDS["DP-2"])
    assert standard < 600.0
    assert faster < 650.0
    assert hot > 800.0


def test_conversion(others):
    """Reckoned complete by the end of 16, 16 and 14 for DP-2; the hot card is through within 15 here.

    Its steps under RF were set lower than reckoned (see demo_data/README.md), because heat coupled to the
    gas would otherwise break the coating down in one index, not three.
    """
    for name in ("dp2_standard", "dp2_faster"):
        assert others[name].converted_fraction[others[name].end_of(16)] > 0.9995
    hot = others["dp2_too_hot"]
    assert 0.9 < hot.converted_fraction[hot.end_of(14)] < 0.9995
    assert hot.converted_fraction[hot.end_of(15)] > 0.9995
    late = others["dr3_late_and_violent"]
    assert late.converted_fraction[late.end_of(17)] < 0.01
    assert late.converted_fraction[late.end_of(18)] > 0.99


def stops(verdict):
    return {flag.name for flag in verdict.flags if flag.level == "stop"}


@pytest.mark.parametrize("name", ["dp2_standard", "dr3_standard"])
def test_standard_cards(others, name):
    verdict = judge(others[name])
    assert verdict.meets_target
    assert {flag.level for flag in verdict.flags} <= {"note"}


@pytest.mark.parametrize("name", ["dp2_faster", "dr3_faster", "bench_dt1"])
def test_cards_that_pass_with_a_warning_at_most(others, name):
    verdict = judge(others[name])
    assert verdict.meets_target
    assert {flag.level for flag in verdict.flags} <= {"note", "warn"}


def test_too_hot_meets_its_target_pressure_and_fails(others):
    verdict = judge(others["dp2_too_hot"])
    assert verdict.target("bulb_pressure").met
    assert not verdict.passes
    assert {"bulb_over_temperature", "suck_in", "premature_flash", "mica_over_temperature"} <= stops(verdict)
    early = next(flag for flag in verdict.flags if flag.name == "premature_flash")
    run = others["dp2_too_hot"]
    assert run.total_bulb_pressure[run.end_of(early.position)] > 50.0  # reckoned: into 50 Pa of CO2
    assert run.barium_spent[run.end_of_ageing] > 5.0 * others["dp2_standard"].barium_spent[-1]


def test_late_and_violent_meets_its_target_pressure_and_fails(others):
    verdict = judge(others["dr3_late_and_violent"])
    assert verdict.target("bulb_pressure").met
    assert not verdict.passes
    assert {"violent_breakdown", "cathode_over_temperature", "line_overload", "backstreaming"} <= stops(verdict)


def test_bench_steps_do_not_see_each_other(others):
    """One valve at a time: the breakdown of step 9 does not reach the line of steps 10 to 13."""
    run = others["bench_dt1"]
    assert not (run.stage == 1).any()  # nothing moves, no port is blanked
    assert settled(9)(run) > 10.0
    for step in range(10, 14):
        assert line(f"step{step}")(run) < 1.1e-3
    # Gas given off in step 9 left in step 9: the line's inflow over it is what the head handed over.
    ninth = next(item for item in run.lines if item.name == "step9")
    samples = run.dwell_samples(9)
    handed = np.trapezoid(run.port_flow[samples].sum(axis=1), run.time[samples])
    taken = np.trapezoid(ninth.inflow.sum(axis=1), ninth.time)
    assert taken == pytest.approx(handed, rel=1e-2)  # both by the trapezium rule on a coarse grid
