"""The command line: what it prints, writes and returns. Simulation is replaced by made-up runs."""

import csv
import json
import subprocess
import sys
import time

import numpy as np
import pytest
from fake_run import DEMO, fake_run, opening_time, with_values

from exhaustsim import cli
from exhaustsim.engine.result import FailedRun
from exhaustsim.studies import comparison

STANDARD, TOO_FAST = str(DEMO / "dt1_standard.toml"), str(DEMO / "dt1_too_fast.toml")


def made_up(schedule, tolerance):
    """A good valve; on any schedule but the standard one its breakdown stays unfinished."""
    run = fake_run()
    if schedule.name == "DT-1 standard":
        return run
    start = opening_time(run.schedule, 10)
    return with_values(run, converted_fraction=np.interp(run.time, [start, start + 25.0], [0.0, 0.93]))


@pytest.fixture
def simulated(monkeypatch):
    monkeypatch.setattr(comparison, "simulate", made_up)


def test_compare_prints_the_answer_first(simulated, capsys):
    assert cli.main(["compare", STANDARD]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("DT-1 standard meets every target (bulb pressure 0.012 Pa against 0.050 Pa).\n\n")
    assert "conv.  barium" in out
    assert err == ""


def test_strict_turns_a_missed_target_into_exit_3(simulated, capsys):
    assert cli.main(["compare", STANDARD, "--strict"]) == 0
    assert cli.main(["compare", STANDARD, TOO_FAST]) == 0
    assert cli.main(["compare", STANDARD, TOO_FAST, "--strict"]) == 3
    assert cli.main(["run", TOO_FAST, "--strict"]) == 3


def test_json_goes_to_standard_output_alone(simulated, capsys):
    assert cli.main(["compare", STANDARD, TOO_FAST, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert [one["meets_target"] for one in data] == [True, False]
    assert cli.main(["run", STANDARD, "--json"]) == 0
    one = json.loads(capsys.readouterr().out)
    assert len(one["positions_si"]) == 16
    assert set(one["ledger_mol"]) == {"H2", "He", "CH4", "H2O", "N2", "CO", "O2", "Ar", "CO2"}


def test_run_prints_positions_ledger_and_flags(simulated, capsys):
    assert cli.main(["run", STANDARD, "--units", "mbar"]) == 0
    out = capsys.readouterr().out
    for words in ("Positions (bulb and line pressure in mbar", "tip off", "Gas ledger", "no flags", "1.2e-4 mbar"):
        assert words in out


def test_compare_writes_report_data_and_logs(simulated, tmp_path, capsys):
    out = tmp_path / "new" / "folder"
    assert cli.main(["compare", STANDARD, TOO_FAST, "--out", str(out)]) == 0
    names = {"report.html", "comparison.json", "01_DT-1_standard.csv", "02_DT-1_standard.csv"}
    assert {path.name for path in out.iterdir()} == names
    assert len(json.loads((out / "comparison.json").read_text())) == 2
    assert str(out) in capsys.readouterr().out
    with (out / "01_DT-1_standard.csv").open() as file:
        rows = list(csv.reader(line for line in file if not line.startswith("#")))
    assert rows[0][:2] == ["t_s", "stage"]
    assert len(rows) == len(fake_run().time) + 1


def test_run_writes_log_and_data(simulated, tmp_path, capsys):
    assert cli.main(["run", STANDARD, "--out", str(tmp_path)]) == 0
    assert {path.name for path in tmp_path.iterdir()} == {"DT-1_standard.csv", "DT-1_standard.json"}


def test_a_faulty_file_is_answered_with_its_faults_and_nothing_is_written(simulated, tmp_path, capsys):
    faulty = tmp_path / "faulty.toml"
    faulty.write_text((DEMO / "dt1_standard.toml").read_text().replace('index_time = "12 s"', 'index_time = "12"'))
    out = tmp_path / "out"
    assert cli.main(["compare", str(faulty), "--out", str(out)]) == 2
    printed = capsys.readouterr()
    assert "index_time" in printed.err
    assert "no unit" in printed.err
    assert printed.out == ""
    assert not out.exists()


def test_a_missing_file_is_bad_input(simulated, capsys):
    assert cli.main(["run", "nowhere.toml"]) == 2
    assert "nowhere.toml" in capsys.readouterr().err


def test_a_place_that_cannot_be_written_is_bad_input(simulated, tmp_path, capsys):
    (tmp_path / "file").write_text("in the way")
    assert cli.main(["run", STANDARD, "--out", str(tmp_path / "file")]) == 2
    assert "cannot write to" in capsys.readouterr().err


def test_a_failed_run_is_one_sentence_and_exit_1(monkeypatch, capsys):
    def fail(schedule, tolerance):
        raise FailedRun("The gas ledger is open by 2.0e-08 of the inventory (limit 1e-09).")

    monkeypatch.setattr(comparison, "simulate", fail)
    assert cli.main(["compare", STANDARD]) == 1
    printed = capsys.readouterr()
    assert printed.err == "The run failed: DT-1 standard: The gas ledger is open by 2.0e-08 of the inventory (limit 1e-09).\n"
    assert printed.out == ""


def test_interrupting_leaves_a_line_and_exit_130(monkeypatch, capsys):
    def interrupt(schedule, tolerance):
        raise KeyboardInterrupt

    monkeypatch.setattr(comparison, "simulate", interrupt)
    assert cli.main(["compare", STANDARD]) == 130
    assert "Interrupted" in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [[], ["compare"], ["compare", "x.toml", "--tolerance", "2"], ["run", "x.toml", "--tolerance", "fine"],
     ["run", "x.toml", "--units", "degC"], ["fly"]],
)  # fmt: skip
def test_wrong_arguments_are_bad_input(arguments, capsys):
    with pytest.raises(SystemExit) as stopped:
        cli.main(arguments)
    assert stopped.value.code == 2
    assert "usage: exhaustsim" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [[], ["compare"], ["run"], ["constants"]])
def test_help_has_an_example(arguments, capsys):
    with pytest.raises(SystemExit) as stopped:
        cli.main([*arguments, "--help"])
    assert stopped.value.code == 0
    assert f"exhaustsim {arguments[0] if arguments else 'compare'}" in capsys.readouterr().out.split("example:")[1]


def test_constants_show_range_standing_and_source(capsys):
    assert cli.main(["constants", "carbonates.needle_radius"]) == 0
    out = capsys.readouterr().out
    assert "1.1 um" in out
    assert "0.500 um to 3.00 um" in out


def test_constants_take_a_pattern_or_a_group(capsys):
    assert cli.main(["constants", "carbonates.*", "--json"]) == 0
    by_pattern = json.loads(capsys.readouterr().out)
    assert cli.main(["constants", "carbonates", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == by_pattern
    assert {"name", "value", "low", "high", "standing", "source"} <= set(by_pattern[0])


def test_an_unknown_constant_is_answered_with_the_nearest(capsys):
    assert cli.main(["constants", "carbonates.needle_radios"]) == 2
    assert '"carbonates.needle_radius"' in capsys.readouterr().err


def test_work_longer_than_a_second_tells_of_itself(monkeypatch, capsys):
    monkeypatch.setattr(cli, "QUIET_SECONDS", 0.05)
    monkeypatch.setattr(cli, "_never_compiled", lambda: False)
    with cli.Progress() as progress:
        progress.say("simulating DT-1 standard")
        time.sleep(0.3)
    assert capsys.readouterr().err == "simulating DT-1 standard ...\n"


def test_quick_work_says_nothing(capsys):
    with cli.Progress() as progress:
        progress.say("simulating DT-1 standard")
    assert capsys.readouterr().err == ""


def test_first_use_is_told(monkeypatch, capsys):
    monkeypatch.setattr(cli, "QUIET_SECONDS", 0.05)
    monkeypatch.setattr(cli, "_never_compiled", lambda: True)
    with cli.Progress() as progress:
        progress.say("simulating DT-1 standard")
        time.sleep(0.3)
    assert "preparing the compiled code, once after install" in capsys.readouterr().err


def test_a_closed_pipe_ends_quietly():
    program = f"{sys.executable} -c 'import sys; from exhaustsim.cli import main; sys.exit(main())' constants | head -n 1"
    done = subprocess.run(["bash", "-o", "pipefail", "-c", program], cwd=DEMO.parent.parent, capture_output=True, text=True)
    assert done.stderr == ""
    assert done.returncode == 0
