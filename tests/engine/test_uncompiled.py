"""The same schedule through the compiled and the uncompiled kernels.

Compiled code divides by zero and overflows in silence, plain Python raises (a fault seen only there would
be a rate that is finite by luck), and the compiler joins multiplication and addition.  Whichever way this
process runs, the other one is asked for the same run in a process of its own; `make test` runs this
file uncompiled, so that coverage sees the lines of the engine.
"""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from tiny import TOLERANCE, tiny

from exhaustsim.compiled import PURE_PYTHON
from exhaustsim.engine.run import simulate

TESTS = Path(__file__).parent.parent
HISTORIES = (
    "time", "bulb_pressure", "head_pressure", "line_pressure", "temperature", "converted_fraction", "activation", "held",
    "evolution", "sorbed", "sorption_speed", "barium_evaporated", "barium_spent", "oxygen_exposure", "oxidant_exposure",
    "nickel_exposure", "port_flow",
)  # fmt: skip
THE_OTHER_WAY = f"""
import sys, warnings
import numpy as np
warnings.simplefilter("error")
from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import load_schedule
from tiny import TOLERANCE, tiny
run = simulate(tiny(load_schedule(sys.argv[1])), TOLERANCE)
counts = np.array([run.outcome.steps, run.outcome.rejected, run.outcome.evaluations, run.outcome.line_iterations])
np.savez(sys.argv[2], counts=counts, ledger_error=run.ledger.error, **{{name: getattr(run, name) for name in {HISTORIES!r}}})
"""


@pytest.fixture(scope="module")
def run(schedules):
    return simulate(tiny(schedules["standard"]), TOLERANCE)


@pytest.fixture(scope="module")
def other(tmp_path_factory):
    """The histories by the other kind of code."""
    place = tmp_path_factory.mktemp("uncompiled") / "run.npz"
    path = os.pathsep.join([str(TESTS.parent), str(TESTS)])
    environment = {**os.environ, "EXHAUSTSIM_PURE_PYTHON": "0" if PURE_PYTHON else "1", "PYTHONPATH": path}
    done = subprocess.run(
        [sys.executable, "-c", THE_OTHER_WAY, str(TESTS.parent / "demo_data/schedules/dt1_standard.toml"), str(place)],
        env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    with np.load(place) as stored:
        return dict(stored)


def test_tiny_schedule_reaches_every_part_of_the_engine(run):
    """What makes it fit for this purpose: each law has something to do."""
    schedule = run.schedule
    assert {line.name for line in run.lines} == {"G", "D"}
    assert 0.5 < run.converted_fraction[run.end_of(2)] < 0.99 < run.converted_fraction[-1]
    assert run.barium_evaporated[-1] > 0.1 * schedule.valve.getter.barium
    assert run.activation[-1] > 0.0
    assert 0.0 < run.barium_spent[-1] < 1.0
    assert run.tip_off_sample is not None
    assert set(run.stage) == {0, 1, 2, 3, 4}
    assert all(amount.sum() != 0.0 for amount in run.ledger.admitted.values())  # helium goes out through the wall first
    given_off = {name for name, amount in run.ledger.released.items() if amount.sum() > 0.0}
    labels = {source.label for source in run.sources}
    assert {name.split(": ")[1] for name in given_off} == labels
    assert all(amount.sum() > 0.0 for amount in run.ledger.consumed.values())
    assert all(amount.sum() > 0.0 for amount in run.ledger.formed.values())


def test_same_steps(run, other):
    outcome = run.outcome
    counts = [outcome.steps, outcome.rejected, outcome.evaluations, outcome.line_iterations]
    assert counts == pytest.approx(other["counts"], rel=0.01)  # a step at the edge of acceptance may fall either way
    assert max(run.ledger.error, float(other["ledger_error"])) < 1e-10


@pytest.mark.parametrize("name", HISTORIES)
def test_same_histories(run, other, name):
    """Within 1e-6 of each quantity's largest value, column by column.

    Rounding goes into the error estimate and so into the step sizes, and at tolerance 1e-2 a change of step
    sizes changes the answer: that, not the rounding itself, is what the figure allows for.
    """
    here, there = getattr(run, name), other[name]
    assert np.array_equal(np.isnan(here), np.isnan(there))
    scale = np.nanmax(np.abs(np.where(np.isnan(there), 0.0, there)), axis=0)
    worst = np.nanmax(np.abs(here - there) / np.maximum(scale, 1e-300))
    print(f"{name}: {worst:.1e}")
    assert worst < 1e-6
