"""Routes of the rows in transmission.toml: molecules traced through a shape."""

import numpy as np
import pytest

from exhaustsim.compiled import PURE_PYTHON
from exhaustsim.physics import tracedmolecules, tracedshapes

MOLECULES = 200_000  # the tolerances of the rows are three standard errors at this number


def _trace(law, **options):
    if PURE_PYTHON:
        pytest.skip("uncompiled, so many molecules take hours; tests/laws/test_transmission.py traces a few")
    module, _, name = law.partition(".")
    return getattr({"tracedmolecules": tracedmolecules, "tracedshapes": tracedshapes}[module], name)(seed=2, **options)


def route_traced(row):
    traced = _trace(row["law"], molecules=MOLECULES, **row["shape"])
    assert traced.lost == 0
    return traced.probability


def route_elbow_least_angle(row):
    """Vertex of the parabola through five angles."""
    degrees = np.array([50.0, 60.0, 70.0, 80.0, 90.0])
    arm = row["arm"]
    through = [_trace("tracedshapes.trace_elbow", arm=arm, next_arm=arm, radius=1.0, angle=np.radians(d), molecules=1_000_000) for d in degrees]
    bend, slope, _ = np.polyfit(degrees - 70.0, [t.probability for t in through], 2)
    assert bend > 0.0  # a least, not a most
    return 70.0 - 0.5 * slope / bend
