"""The desk of the loaded machine, driven without a browser; what it shows must be what `find` gives."""

import time
from pathlib import Path

import pytest

pytest.importorskip("ipywidgets")
from machine_findings import leaker_on_5

from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.incidents import BrokenValve, Leaker, Stop
from exhaustsim.reporting import machinefindings
from exhaustsim.reporting.widgets import machinedesk
from exhaustsim.reporting.widgets.machinedesk import MachineDesk
from exhaustsim.units import PASCAL_LITRE

DEMO = Path(__file__).parent.parent / "demo_data"
PNG = b"\x89PNG"
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")


@pytest.fixture
def asked(monkeypatch):
    seen = []

    def find(schedule, incidents, progress, **more):
        progress("index 1 <of> 2")
        seen.append((schedule, incidents, more))
        return leaker_on_5()

    monkeypatch.setattr(machinedesk, "find", find)
    return seen


@pytest.fixture
def desk(asked, tmp_path):
    made = MachineDesk(DEMO, schedule="dt1_standard.toml", out=tmp_path / "out", threaded=False)
    asked.clear()
    return made


def test_settings_become_incidents(desk, asked):
    desk.leak.entry.value = "1 Pa L/s"
    desk.head.value = 5
    desk.stop.entry.value = "60 s"
    desk.rf_stays.value = True
    schedule, incidents, more = asked[-1]
    middle = 0.5 * (schedule.machine.transfer_time + schedule.index_time)
    assert incidents == (Leaker(5, pytest.approx(PASCAL_LITRE)), Stop(pytest.approx(middle), 60.0, True))
    assert not more["neighbours"] and not more["tolerances"] and more["largest_leak"] is None
    desk.struck.value = "broken"
    assert asked[-1][1][0] == BrokenValve(5)
    desk.struck.value, desk.stop.entry.value = "", "0 s"
    assert asked[-1][1] == ()
    assert desk.alerts == ""


def test_shows_the_findings(desk):
    assert desk.findings is leaker_on_5()
    assert "leaker of 1.0 Pa L/s on head 5" in desk.said.value and ">scrap<" in desk.said.value
    assert all(image.value[:4] == PNG for image in desk.pictures.values())
    assert "worst mean" in desk.lines.value and "bulb pressure" in desk.scrap.value


def test_buttons_ask_for_the_studies(desk, asked):
    desk.find_talk.click()
    desk.find_limits.click()
    desk.find_tolerance.click()
    talk, limits, tolerance = (more for _, _, more in asked)
    assert talk["neighbours"] and limits["largest_leak"] == pytest.approx(100.0 * PASCAL_LITRE) and tolerance["tolerances"]
    assert "Cross-talk" in desk.asked.value and len(desk.asked_pictures.children) == 1


def test_bad_settings_are_told_beside_their_field_and_nothing_is_run(desk, asked):
    desk.leak.entry.value = "1 Pa"
    assert asked == [] and "throughput" in desk.leak.note.value and 'role="alert"' in desk.alerts
    desk.leak.entry.value = "-1 Pa L/s"
    assert asked == [] and "0 or more" in desk.alerts
    desk.leak.entry.value = "2 Pa L/s"
    assert len(asked) == 1 and desk.alerts == ""


def test_faults_are_shown_not_lost(desk, monkeypatch):
    def refuses(*_, **__):
        raise DesignFault([Fault("incidents", "Leaker.head", "40", "RX16 has heads 1 to 16")])

    monkeypatch.setattr(machinedesk, "find", refuses)
    desk.head.value = 6
    assert "RX16 has heads 1 to 16" in desk.alerts


def test_a_bench_is_told_to_be_none(desk, monkeypatch):
    monkeypatch.setattr(machinedesk, "find", machinefindings.find)
    desk.schedule.value = str(DEMO / "schedules" / "bench_dt1.toml")
    assert "has one head and no neighbours" in desk.alerts


def test_a_smaller_machine_takes_fewer_heads(desk, asked):
    desk.schedule.value = str(DEMO / "schedules" / "dp2_standard.toml")
    assert desk.head.max == 24
    desk.head.value = 20
    desk.schedule.value = str(DEMO / "schedules" / "dt1_standard.toml")
    assert desk.head.max == 16 and desk.head.value == 16 and asked[-1][1][0].head == 16


def test_writes_the_page(desk):
    desk.save.click()
    assert (desk.out / "machine.html").exists() and (desk.out / "machine_lines.png").exists()


def test_a_real_run_can_be_cancelled(tmp_path):
    """Behind the hand: the run is stopped between two indices, and nothing is shown of it."""
    desk = MachineDesk(DEMO, schedule="dt1_standard.toml", out=tmp_path, threaded=True)
    until = time.monotonic() + 60.0
    while "loaded machine, index" not in desk.status.value and time.monotonic() < until:
        time.sleep(0.01)
    assert "loaded machine, index" in desk.status.value
    desk.cancel()
    assert desk.wait(60.0)
    assert desk.findings is None and "stopped" in desk.status.value and desk.alerts == ""
