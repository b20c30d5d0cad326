"""A spread on a Dask cluster of two worker processes, one of which is killed in mid-study: it costs its chunk only.

The witness is the same study done here on one thread, byte for byte.
"""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.tolerances import load_tolerances
from exhaustsim.studies.spread import spread

distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")

DEMO = Path(__file__).parent.parent / "demo_data"
N, CHUNK = 18, 3


# A worker that is killed leaves its connections open behind it, and a loop that is closing says so.
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning", "ignore::DeprecationWarning")
def test_a_worker_killed_in_mid_study_costs_its_chunk_only(tmp_path):
    schedule, tolerances = load_schedule(DEMO / "schedules" / "dt1_too_fast.toml"), load_tolerances(DEMO / "tolerances" / "dt1.toml")
    killed = []
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50) as cluster,
        distributed.Client(cluster) as client,
    ):

        def kill(done: int, _: int) -> None:
            if done >= 2 * CHUNK and not killed:
                killed.append(cluster.workers[0].pid)
                os.kill(killed[0], signal.SIGKILL)

        there = spread(schedule, tolerances, N, seed=9, executor=client.get_executor(), workers=2, out=tmp_path / "there", chunk=CHUNK, progress=kill)
    assert killed
    here = spread(schedule, tolerances, N, seed=9, workers=1, out=tmp_path / "here", chunk=CHUNK)
    assert there.to_json() == here.to_json()
    files = [{path.name: path.read_bytes() for path in (tmp_path / x).iterdir()} for x in ("here", "there")]
    assert files[0] == files[1]
