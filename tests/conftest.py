"""Demo schedules and their runs, made once for all tests."""

from pathlib import Path

import pytest
from hypothesis import settings

# The same examples in every run: a red test is then a change of the code, not of the dice.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")

DEMO = Path(__file__).parent.parent / "demo_data" / "schedules"
NAMES = ("standard", "faster", "too_fast")


@pytest.fixture(scope="session")
def schedules():
    from exhaustsim.plant.designfile import load_schedules

    return dict(zip(NAMES, load_schedules([DEMO / f"dt1_{name}.toml" for name in NAMES]), strict=True))


@pytest.fixture(scope="session")
def runs(schedules):
    from exhaustsim.engine.run import simulate

    return {name: simulate(schedule) for name, schedule in schedules.items()}
