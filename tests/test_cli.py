"""The command line: what it prints, writes and returns. Simulation is replaced by made-up runs."""

import csv
import json
import re
import subprocess
import sys
import time

import numpy as np
import pytest
from fake_run import DEMO, fake_run, opening_time, with_values

import exhaustsim
from exhaustsim import cli
from exhaustsim.data import published
from exhaustsim.engine.result import FailedRun
from exhaustsim.reporting.grid import WIDTH
from exhaustsim.studies import comparison

STANDARD, TOO_FAST = str(DEMO / "dt1_standard.toml"), str(DEMO / "dt1_too_fast.toml")
CANNOT_WRITE = "cannot write to"


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


def test_compare_prints_the_answer_first(simulated, monkeypatch, capsys):
    monkeypatch.setattr(cli, "QUIET_SECONDS", 60.0)  # a busy machine is no reason to tell of progress here
    assert cli.main(["compare", STANDARD]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("DT-1 standard meets every target (bulb pressure 0.012 Pa against 0.050 Pa).\n\n")
    assert "conv.  barium" in out and "100%" in out
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
    assert set(one["positions_si"][0]) >= {
        "position", "line", "action", "heater_voltage_v", "blanked_peak_pa", "open_peak_pa", "end_pa", "line_mean_pa", "wall_k",
        "anode_k", "cathode_k", "getter_k", "converted_fraction",
    }  # fmt: skip
    assert set(one["ledger_mol"]) == {"H2", "He", "CH4", "H2O", "N2", "CO", "O2", "Ar", "CO2"}


def test_run_prints_positions_ledger_and_flags(simulated, capsys):
    assert cli.main(["run", STANDARD, "--units", "mbar"]) == 0
    out = capsys.readouterr().out
    for words in (
        "Positions (bulb and line pressure in mbar", "shut: peak, port blanked", "tip off", "Gas ledger", "no flags", "1.2e-4 mbar",
    ):  # fmt: skip
        assert words in out
    for words in ("converted fraction 100% 99.5% met", "barium spent 5.0% 15% met"):
        assert words in " ".join(out.split())


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
    assert {path.name for path in tmp_path.iterdir()} == {"DT-1_standard.html", "DT-1_standard.csv", "DT-1_standard.json"}


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


@pytest.mark.parametrize("below", ["", "deeper/still"])
def test_a_place_that_cannot_be_written_is_refused_before_anything_is_simulated(monkeypatch, tmp_path, capsys, below):
    monkeypatch.setattr(comparison, "simulate", lambda *_: pytest.fail("simulated"))
    (tmp_path / "file").write_text("in the way")
    out = tmp_path / "file" / below
    assert cli.main(["run", STANDARD, "--out", str(out)]) == 2
    told = capsys.readouterr().err
    assert CANNOT_WRITE in told
    assert str(tmp_path / "file") in told


def test_a_folder_that_cannot_be_made_is_named(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(comparison, "simulate", lambda *_: pytest.fail("simulated"))

    def refuse(path):  # permissions do not bind every user a test may run as
        raise PermissionError(13, "Permission denied", path)

    monkeypatch.setattr(cli.os, "mkdir", refuse)
    assert cli.main(["run", STANDARD, "--out", str(tmp_path / "new" / "folder")]) == 2
    assert capsys.readouterr().err == (
        f"cannot write to {tmp_path / 'new' / 'folder'}: Permission denied ({tmp_path / 'new'})\n"
    )


def test_a_folder_in_which_nothing_can_be_written_is_named(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(comparison, "simulate", lambda *_: pytest.fail("simulated"))

    def refuse(dir):
        raise OSError(30, "Read-only file system", f"{dir}/tmpabc")

    monkeypatch.setattr(cli.tempfile, "TemporaryFile", refuse)
    out = tmp_path / "new" / "folder"
    assert cli.main(["run", STANDARD, "--out", str(out)]) == 2
    assert capsys.readouterr().err == f"cannot write to {out}: Read-only file system\n"
    assert not (tmp_path / "new").exists()


def test_the_result_is_printed_even_when_writing_fails_in_the_end(simulated, tmp_path, capsys):
    (tmp_path / "DT-1_standard.csv").mkdir()
    assert cli.main(["run", STANDARD, "--out", str(tmp_path)]) == 2
    printed = capsys.readouterr()
    assert printed.out.startswith("DT-1 standard meets every target")
    # On a busy machine the work lasts long enough to tell of its progress first.
    last = printed.err.splitlines()[-1]
    assert last.startswith(f"{CANNOT_WRITE} {tmp_path}: ")
    assert "DT-1_standard.csv" in last


def test_a_failed_run_leaves_no_folder_behind_but_keeps_one_that_was_there(monkeypatch, tmp_path, capsys):
    def fail(schedule, tolerance):
        raise FailedRun("no end")

    monkeypatch.setattr(comparison, "simulate", fail)
    (tmp_path / "there").mkdir()
    assert cli.main(["run", STANDARD, "--out", str(tmp_path / "there" / "new" / "folder")]) == 1
    assert list(tmp_path.rglob("*")) == [tmp_path / "there"]


def test_a_schedule_given_twice_is_refused(monkeypatch, capsys):
    monkeypatch.setattr(comparison, "simulate", lambda *_: pytest.fail("simulated"))
    again = str(DEMO / ".." / "schedules" / "dt1_standard.toml")
    assert cli.main(["compare", STANDARD, TOO_FAST, again]) == 2
    assert capsys.readouterr().err == f"{again} is given twice; name each schedule once\n"


def test_the_version_is_told(capsys):
    with pytest.raises(SystemExit) as stopped:
        cli.main(["--version"])
    assert stopped.value.code == 0
    assert capsys.readouterr().out == f"exhaustsim {exhaustsim.__version__}\n"


def test_json_has_nought_for_what_is_too_small_to_mean_anything():
    assert json.loads(cli._json({"a": [1e-31, -3e-40, 2e-30], "b": ("x", True, 3, None)})) == {
        "a": [0.0, 0.0, 2e-30], "b": ["x", True, 3, None],
    }  # fmt: skip
    assert "e-" not in cli._json({"a": -1e-300})


def test_columns_of_the_log_are_plain_words(simulated, tmp_path):
    assert cli.main(["run", STANDARD, "--out", str(tmp_path)]) == 0
    head = next(line for line in (tmp_path / "DT-1_standard.csv").read_text().splitlines() if not line.startswith("#"))
    assert re.fullmatch(r"[A-Za-z0-9_,]+", head)


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
    told = capsys.readouterr().err
    assert '"carbonates.needle_radius"' in told
    assert told.endswith("; exhaustsim constants lists all\n")


def test_a_constant_is_found_by_any_part_of_its_name(capsys):
    assert cli.main(["constants", "RADIUS", "--json"]) == 0
    names = [row["name"] for row in json.loads(capsys.readouterr().out)]
    assert "carbonates.needle_radius" in names
    assert all("radius" in name for name in names)


def test_names_of_constants_are_never_broken(capsys):
    assert cli.main(["constants"]) == 0
    out = capsys.readouterr().out
    words = {line.split(" ")[0] for line in out.splitlines()}
    assert {row.name for row in published.rows()} <= words
    assert max(map(len, out.splitlines())) <= WIDTH


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
