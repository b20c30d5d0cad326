"""How a run ends when it cannot be believed, a machine without lines, and what is handed over."""

import csv
from dataclasses import replace

import numpy as np
import pytest
from tiny import TOLERANCE, tiny

from exhaustsim.constants import GAS_CONSTANT
from exhaustsim.engine import lines as engine_lines
from exhaustsim.engine import run as engine_run
from exhaustsim.engine.filewrite import replace_whole
from exhaustsim.engine.lines import Lines
from exhaustsim.engine.network import number_valve
from exhaustsim.engine.phases import phases_of
from exhaustsim.engine.rates import WORK_SIZE, Waveform, head_rates
from exhaustsim.engine.result import STAGES, FailedRun
from exhaustsim.engine.run import march_valve, phases_on_machine, simulate


@pytest.fixture(scope="module")
def schedule(schedules):
    return tiny(schedules["standard"])


@pytest.mark.parametrize("tolerance", [1e-10, 0.2, float("nan"), -1.0])
def test_tolerance_outside_its_range_is_refused(schedule, tolerance):
    with pytest.raises(ValueError, match="is outside 1e-9 to"):
        simulate(schedule, tolerance)


def test_open_ledger_is_a_failed_run(schedule, monkeypatch):
    """The real error, 1e-14, against a limit below it."""
    monkeypatch.setattr(engine_run, "LEDGER_LIMIT", 1e-20)
    with pytest.raises(FailedRun, match="gas ledger is open by .*e-1[0-9] of the inventory"):
        simulate(schedule, TOLERANCE)


def test_lines_that_do_not_settle_are_a_failed_run(schedule, monkeypatch):
    monkeypatch.setattr(engine_run, "MAX_PASSES", 2)
    with pytest.raises(FailedRun, match=r"no periodic pressure in 2 passes \(last change \d"):
        simulate(schedule, 1e-3)


def test_valve_that_needs_too_many_steps_says_where(schedule, monkeypatch):
    monkeypatch.setattr(engine_run, "MAX_STEPS_PER_PHASE", 10)
    with pytest.raises(FailedRun, match="more steps than allowed.* at position 1"):
        simulate(schedule, TOLERANCE)


@pytest.mark.parametrize("kelvin", [0.0, -40.0, float("nan")])
def test_temperatures_that_do_not_exist_give_no_rates_and_no_error(schedule, kelvin):
    """A stage of a step that is far too long may try them; plain Python would raise OverflowError."""
    valve = number_valve(schedule.valve, schedule.machine)
    phases = phases_of(schedule, valve)
    at = valve.tables.at
    rates = getattr(head_rates, "py_func", head_rates)
    wave = Waveform(np.array([0.0, 1.0]), np.zeros((2, 9)), np.zeros((2, 9)))
    for node in range(at.nodes):
        y = valve.start.copy()
        y[node] = kelvin
        dy = np.zeros(at.size)
        rates(0.0, y, valve.tables, phases.controls[0], wave, np.zeros(WORK_SIZE), dy)
        assert np.isnan(dy).all()


def test_rate_that_is_no_number_after_the_machine_says_so(schedule):
    valve = number_valve(schedule.valve, schedule.machine)
    phases = phases_of(schedule, valve)
    lines = Lines(schedule)
    first = phases_on_machine(phases)
    start = valve.start.copy()
    start[valve.tables.at.wall] = np.nan
    with pytest.raises(FailedRun, match="step size fell to nothing.* after the machine"):
        march_valve(
            valve, phases, first, len(phases.duration), lines.dwell_waves(lines.at_rest()), start, 1e-3,
            np.zeros(3, dtype=np.int64),
        )  # fmt: skip


def test_line_that_needs_too_many_steps_is_named(schedule, monkeypatch):
    monkeypatch.setattr(engine_lines, "MAX_STEPS_PER_PHASE", 1)
    with pytest.raises(FailedRun, match="more steps than allowed.* in line G"):
        simulate(schedule, TOLERANCE)


def test_without_lines_nothing_leaves_the_head(schedule):
    """Every port blanked: no line histories, nothing pumped, and the ledger still closes."""
    closed = replace(schedule, machine=replace(schedule.machine, lines=(), line_of_position={}))
    run = simulate(closed, TOLERANCE)
    assert run.lines == () and run.ledger.pumped == {}
    assert not run.port_open.any() and np.isnan(run.line_pressure).all()
    assert np.all(run.port_flow == 0.0)
    assert run.ledger.error < 1e-10
    end = run.end_of(3)
    volumes = schedule.valve.bulb.volume / run.node("bulb_wall")[end], schedule.machine.head_volume / 293.15
    air = (run.bulb_pressure[end, 4] * volumes[0] + run.head_pressure[end, 4] * volumes[1]) / GAS_CONSTANT
    started = run.ledger.initial[4]
    assert air == pytest.approx(started, rel=1e-3)  # nitrogen: fitted source and in-leak add 1e-5, the mirror takes 1e-4


def test_dataset_is_the_histories_with_names_and_units(runs):
    run = runs["standard"]
    data = run.dataset
    assert data is run.dataset
    assert data.attrs["schedule"] == run.schedule.name
    assert all(variable.attrs["units"] and variable.attrs["long_name"] for variable in data.data_vars.values())
    chosen = data["bulb_pressure"].sel(gas="CO2")
    assert np.array_equal(chosen, run.bulb_pressure[:, 8])
    assert float(data["temperature"].sel(node="anode").max()) == run.node("anode").max()
    k = [(s.part, s.label) for s in run.sources].index(("anode", "dissolved H2"))
    assert np.array_equal(data["held_gas"].sel(source="anode: dissolved H2"), run.held[:, k])
    assert list(data["stage"].values) == [STAGES[s] for s in run.stage]
    assert data["bulb_pressure"].dims == ("time", "gas") and data.sizes["time"] == len(run.time)


def test_run_log_tells_the_histories_in_trade_units(runs, tmp_path):
    """Read back as a spreadsheet would: comments first, one row a sample, nothing where no line is connected."""
    run = runs["too_fast"]
    run.to_log(tmp_path / "log.csv")
    text = (tmp_path / "log.csv").read_text(encoding="utf-8").splitlines()
    comments = [line for line in text if line.startswith("#")]
    assert text[: len(comments)] == comments and "not a reading" in comments[0]
    rows = list(csv.DictReader(text[len(comments) :]))
    assert len(rows) == len(run.time)

    def column(name):
        return np.array([float(row[name] or "nan") for row in rows])

    assert column("t_s") == pytest.approx(run.time, abs=1e-6)
    assert column("bulb_pressure_pa") == pytest.approx(run.total_bulb_pressure, rel=1e-5)
    assert column("line_pressure_pa") == pytest.approx(run.total_line_pressure, rel=1e-5, nan_ok=True)
    assert column("anode_c") == pytest.approx(run.node("anode") - 273.15, rel=1e-5)
    assert column("sorbed_CO_pa_l") == pytest.approx(run.sorbed[:, 5] * GAS_CONSTANT * 293.15 * 1e3, rel=1e-5)
    assert [row["stage"] for row in rows] == [STAGES[s] for s in run.stage]
    assert column("port_open") == pytest.approx(run.port_open.astype(float))


def test_file_is_replaced_whole_or_not_at_all(tmp_path):
    place = tmp_path / "log.csv"
    with replace_whole(place) as file:
        file.write("first\n")
    assert place.read_text() == "first\n"
    with pytest.raises(RuntimeError, match="half way"), replace_whole(place) as file:
        file.write("second")
        raise RuntimeError("half way")
    assert place.read_text() == "first\n"
    assert [p.name for p in tmp_path.iterdir()] == ["log.csv"]
