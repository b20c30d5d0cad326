"""DT-1 on RX16 against landmarks from an independent rough reckoning.

The reckoning lumped bulb and head into one node, took line pressures as steady means, temperatures
as first-order lags not coupled to the gas, and no readsorption; it claims a factor of three each way
in pressure.  Values marked "fuller" come from a second reckoning with heat coupled to the gas.
"""

import numpy as np
import pytest

from exhaustsim.constants import CO2, GAS_CONSTANT, REFERENCE_TEMPERATURE
from exhaustsim.studies.verdict import judge

NAMES = ("standard", "faster", "too_fast")
PA_L = GAS_CONSTANT * REFERENCE_TEMPERATURE * 1e3  # Pa L at 20 degC in one mol


def end(position):
    return lambda run: run.total_bulb_pressure[run.end_of(position)]


def settled(position):
    """Highest while the port is open, leaving out the first second after it opens."""

    def value(run):
        samples = run.dwell_samples(position)
        late = samples[run.time[samples] > run.time[samples[0]] + 1.0]
        return run.total_bulb_pressure[late].max()

    return value


def highest(*of):
    return lambda run: max(value(run) for value in of)


def shut(*positions):
    """Highest at the end of the transfers that lead into these positions."""
    return lambda run: max(run.total_bulb_pressure[run.transfer_samples(p)[-1]] for p in positions)


def line(name):
    return lambda run: next(item.mean_pressure for item in run.lines if item.name == name)


def held(part, label, *, at_end=False):
    def value(run):
        sample = -1 if at_end else run.tip_off_sample
        chosen = [k for k, s in enumerate(run.sources) if s.part == part and label in s.label]
        return run.held[sample, chosen].sum() * PA_L

    return value


def metal_carbon_monoxide(run):
    chosen = [k for k, s in enumerate(run.sources) if "CO" in s.label and s.label.startswith("dissolved")]
    return run.held[run.tip_off_sample, chosen].sum() * PA_L


# name, values for the three schedules, how ours is read
FACTOR_OF_THREE = [
    ("line G, mean, Pa", (30, 40, 65), line("G")),
    ("bulb, end of position 2, Pa", (0.7, 0.7, 0.8), end(2)),
    ("oven entry, open, Pa", (2.3, 2.4, 2.5), highest(settled(3), settled(4))),
    ("oven entry, shut, Pa", (9, 10, 11), shut(4, 5)),
    ("end of oven, Pa", (0.85, 1.1, 1.5), end(7)),
    ("RF at position 8, open, Pa", (1.8, 2.2, 3.1), settled(8)),
    ("breakdown, open, Pa", (68, 80, 73), highest(settled(10), settled(11), settled(12))),
    ("breakdown, shut, Pa", (210, 340, 230), shut(11, 12)),
    ("line F2, mean, Pa", (1.1, 1.3, 1.7), line("F2")),
    ("bulb, end of position 13, Pa", (1.0e-2, 1.2e-2, 0.17), end(13)),
    ("bulb when the getter RF comes on, Pa", (1.0e-2, 1.1e-2, 4e-2), lambda run: run.total_bulb_pressure[run.judged_at]),
    ("bulb at tip-off, Pa", (4e-4, 4e-4, 4e-4), lambda run: run.total_bulb_pressure[run.tip_off_sample]),
    ("glass water left, Pa L", (1.2, 1.2, 1.7), held("bulb_glass", "surface")),
    ("CO left in the metal, Pa L", (0.66, 0.65, 0.69), metal_carbon_monoxide),
    ("sealed, after ageing, Pa", (1e-4, 1e-4, None), lambda run: run.total_bulb_pressure[run.end_of_ageing]),
    ("not converted at the end of 12", (None, None, 0.14), lambda run: 1.0 - run.converted_fraction[run.end_of(12)]),
    ("not converted in the end", (None, None, 0.09), lambda run: 1.0 - run.converted_fraction[run.tip_off_sample]),
    ("CO2 still in the coating, Pa L", (None, None, 3.7), held("coating", "carbonate")),
    ("barium spent", (None, None, 2 / 3), lambda run: run.barium_spent[run.end_of_ageing]),
]


@pytest.mark.parametrize(("name", "reckoned", "ours"), FACTOR_OF_THREE, ids=[row[0] for row in FACTOR_OF_THREE])
def test_within_a_factor_of_three(runs, name, reckoned, ours):
    for schedule, value in zip(NAMES, reckoned, strict=True):
        if value is not None:
            assert value / 3.0 <= ours(runs[schedule]) <= value * 3.0, (schedule, ours(runs[schedule]), value)


@pytest.mark.parametrize(("schedule", "celsius"), [("standard", 370.0), ("faster", 362.0), ("too_fast", 291.0)])
def test_wall_at_the_oven_exit(runs, schedule, celsius):
    """Fuller reckoning; its lag is 30 s, ours 33.8 s by area, heat capacity and 60 W/m2K: 15 K allowed."""
    run = runs[schedule]
    assert run.node("bulb_wall")[run.end_of(7)] - 273.15 == pytest.approx(celsius, abs=15.0)


@pytest.mark.parametrize("schedule", ["standard", "faster"])
def test_conversion_is_complete(runs, schedule):
    """Reckoned 1.000 by the end of position 12."""
    assert runs[schedule].converted_fraction[runs[schedule].end_of(12)] > 0.9995


def test_left_over_carbonate_gasses_in_ageing(runs):
    """Reckoned (by hand) 1e-2 Pa for a minute or two; ours is a burst above 0.1 Pa in the hot-shot.

    The reckoning spread the left-over over the whole of ageing.  Here the first step runs the cathode
    at 1220 K, which breaks the last 4 % down within seconds, faster than the mirror buries CO2 (5 1/s
    of what its sites hold): for a moment the sites are full.  Burial is the least known number of the
    mirror: 50 1/s would bring the burst down.  By the end of ageing nothing of it is left.
    """
    too_fast, standard = runs["too_fast"], runs["standard"]
    ageing = too_fast.stage == 3
    assert too_fast.bulb_pressure[ageing, CO2].max() > 0.1
    assert standard.bulb_pressure[standard.stage == 3, CO2].max() < 1e-4
    minutes = too_fast.time[ageing][too_fast.bulb_pressure[ageing, CO2] > 1e-2]
    assert 0.0 < minutes.max() - minutes.min() < 120.0
    assert too_fast.total_bulb_pressure[too_fast.end_of_ageing] < 2e-4


def test_verdicts(runs):
    """Standard: no stop, at most a note; faster: at most a warning; too fast: meets its target pressure and fails."""
    standard, faster, too_fast = (judge(runs[name]) for name in NAMES)
    assert standard.meets_target
    assert {flag.level for flag in standard.flags} <= {"note"}
    assert faster.meets_target
    assert {flag.level for flag in faster.flags} <= {"note", "warn"}
    assert not too_fast.meets_target
    assert too_fast.target("bulb_pressure").met
    assert ("incomplete_breakdown", "stop") in {(flag.name, flag.level) for flag in too_fast.flags}


def test_faster_sits_higher_at_the_peaks(runs):
    """Directions between the schedules: more heat gives higher peaks and a hotter cathode."""
    for value in (highest(settled(10), settled(11)), shut(11), line("F2")):
        assert value(runs["faster"]) > value(runs["standard"])
    assert np.max(runs["faster"].node("cathode_sleeve")) > np.max(runs["standard"].node("cathode_sleeve"))
