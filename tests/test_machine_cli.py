"""`exhaustsim machine`: how incidents are read, what is printed, written and returned.

Outside checks: the lusec by its definition (litre micron of mercury per second; the conventional millimetre of mercury
is 133.322387415 Pa, ISO 80000-4:2006 annex C), leaks in mol/s by the gas law with R as fixed by the SI (2019), and that
what leaks in must come out by the line.
"""

import json
import re
from dataclasses import replace

import pytest
from fake_run import DEMO
from machine_findings import leaker_on_5

import exhaustsim
from exhaustsim import cli, machinecommand
from exhaustsim.engine.result import FailedRun
from exhaustsim.plant.incidents import AiredHeads, BrokenValve, EmptyHead, Leaker, OtherValves, ScoredPlate, SlackCoil, Stop, WeakPump
from exhaustsim.reporting import machinefindings, machinetext
from exhaustsim.reporting.grid import WIDTH
from exhaustsim.studies.neighbours import LeakerLimits
from exhaustsim.studies.stops import StopTolerance

STANDARD, FASTER, DP2 = (str(DEMO / f"{name}.toml") for name in ("dt1_standard", "dt1_faster", "dp2_standard"))
MOL_PER_PASCAL_LITRE = 1e-3 / (8.31446261815324 * 293.15)  # ideal gas at 20 degC
LUSEC = 1e-3 * 133.322387415 * MOL_PER_PASCAL_LITRE  # mol/s: a thousandth of a millimetre of mercury times a litre, per second


@pytest.fixture
def asked(monkeypatch):
    """`find` answers with findings made beforehand; gives what it was asked."""
    seen = []

    def find(schedule, incidents, **more):
        seen.append((schedule, list(incidents), more))
        return leaker_on_5()

    monkeypatch.setattr(machinefindings, "find", find)
    monkeypatch.setattr(cli, "QUIET_SECONDS", 60.0)
    return seen


@pytest.fixture
def not_run(monkeypatch):
    monkeypatch.setattr(machinefindings, "find", lambda *_, **__: pytest.fail("simulated"))


# ---- what is read --------------------------------------------------------------------


def test_every_incident_is_read_in_the_units_of_a_person(asked):
    options = [
        "--leaker", "5=2.5 lusec@30", "--leaker", "6=1 Pa L/s", "--broken", "7@2 min", "--stop", "60@100", "--scored", "8=0.1 Pa L/s",
        "--aired", '2,4-6=12 h@20', "--slack-coil", "9=80 %@5", "--empty", "10", "--weak-pump", "F1=0.5", "--other", f"1,11-13={STANDARD}", "--rf-stays",
    ]  # fmt: skip
    assert cli.main(["machine", STANDARD, *options, "--spark-test", "0.02 Pa L/s", "--indices", "40", "--from-empty"]) == 0
    schedule, incidents, more = asked[0]
    leak, plain, scored = (next(i for i in incidents if getattr(i, "head", None) == head) for head in (5, 6, 8))
    assert isinstance(leak, Leaker) and leak.throughput == pytest.approx(2.5 * LUSEC, rel=1e-9) and leak.start == 30.0
    assert plain == Leaker(6, pytest.approx(MOL_PER_PASCAL_LITRE, rel=1e-9), 0.0)
    assert scored == ScoredPlate(8, pytest.approx(0.1 * MOL_PER_PASCAL_LITRE, rel=1e-9))
    for incident in (AiredHeads((2, 4, 5, 6), 43200.0, 20.0), BrokenValve(7, 120.0), Stop(100.0, 60.0, True), SlackCoil(9, pytest.approx(0.8), 5.0), EmptyHead(10), WeakPump("F1", 0.5)):
        assert incident in incidents
    other = next(i for i in incidents if isinstance(i, OtherValves))
    assert other.heads == (1, 11, 12, 13) and other.schedule.name == schedule.name
    assert more["spark_test_catches"] == pytest.approx(0.02 * MOL_PER_PASCAL_LITRE, rel=1e-9)
    assert more["indices"] == 40 and more["seconds"] is None and more["from_empty"] and more["largest_leak"] is None
    assert not more["tolerances"] and not more["neighbours"]


def test_a_stop_without_a_moment_comes_in_the_middle_of_the_dwell(asked):
    assert cli.main(["machine", STANDARD, "--stop", "1 min", "--leak-limits", "--stop-tolerance", "--cross-talk"]) == 0
    schedule, (stop,), more = asked[0]
    assert stop.duration == 60.0 and not stop.rf_stays
    assert stop.start == pytest.approx(0.5 * (schedule.machine.transfer_time + schedule.index_time))
    assert more["tolerances"] and more["neighbours"] and more["largest_leak"] == pytest.approx(100.0 * MOL_PER_PASCAL_LITRE)


FAULTY = [
    "--leaker", "5=1", "--leaker", "40=1 Pa L/s", "--leaker", "6=-1 Pa L/s", "--leaker", "seven=1 Pa L/s", "--broken", "0", "--stop", "0",
    "--scored", "2", "--slack-coil", "3=0.5", "--weak-pump", "ZZ=0.5", "--other", "4-2=x.toml", "--other", f"2={DP2}", "--indices", "1.5",
]  # fmt: skip


def test_all_faults_are_told_at_once_and_nothing_is_run_or_written(not_run, tmp_path, capsys):
    out = tmp_path / "out"
    assert cli.main(["machine", STANDARD, *FAULTY, "--out", str(out)]) == 2
    printed = capsys.readouterr()
    for words in (
        "--leaker = 5=1\n      no unit", "RX16 has heads 1 to 16", "--leaker = 6=-1 Pa L/s\n      must be 0 to", "'seven'", "--broken head = 0",
        "a stop must last longer than 0 s", "--scored = 2\n      needs HEAD=RATE", "RF coils at positions 8, 9, 10, 14", "RX16 has no such line",
        "rising order", "this one is RX16", "--indices = 1.5",
    ):  # fmt: skip
        assert words in printed.err, words
    assert "12 faults" in printed.err and "Traceback" not in printed.err
    assert printed.out == "" and not out.exists()


def test_a_bench_is_no_loaded_machine(not_run, capsys):
    assert cli.main(["machine", str(DEMO / "bench_dt1.toml"), "--leaker", "5=1 Pa L/s"]) == 2
    told = capsys.readouterr().err
    assert "has one head and no neighbours" in told and "exhaustsim run" in told


def test_faults_of_the_schedule_and_of_the_options_come_together(not_run, tmp_path, capsys):
    faulty = tmp_path / "faulty.toml"
    faulty.write_text((DEMO / "dt1_standard.toml").read_text().replace('index_time = "12 s"', 'index_time = "12"'))
    assert cli.main(["machine", str(faulty), "--leaker", "5=1"]) == 2
    told = capsys.readouterr().err
    assert "index_time" in told and "--leaker = 5=1" in told


@pytest.mark.parametrize(
    "options, words",
    [
        (["--indices", "2", "--seconds", "60"], "leave out one of them"),
        (["--rf-stays"], "add --stop or --stop-tolerance"),
        (["--stop", "50", "--leaker", "2=1 Pa L/s@500", "--seconds", "60"], "the run ends after 60 s"),
        (["--stop", "80", "--seconds", "60"], "longer than the run"),
        (["--stop", "5@3", "--stop", "5@5"], "two stops fall into the index"),
        (["--leaker", "2=1 Pa L/s", "--broken", "2"], "both happen to head 2"),
        (["--leaker", "2=1 Pa"], "a pressure"),
        (["--spark-test", "0.1"], "no unit"),
        (["--aired", "2=soon"], "needs a time"),
        (["--aired", "2,40=1 h"], "--aired heads = 2, 40"),
        (["--aired", "2=0 s"], "longer than 0 s"),
        (["--aired", "2=12"], "--aired"),
        (["--move-line", "1=R"], "line G would be left without a position"),
        (["--move-line", "3=Z"], "RX16 has no line Z; the lines are G at 1, R at 2 to 4"),
        (["--move-line", "3=R"], "stands on line R already"),
        (["--move-line", "16=D"], "opens to no line"),
        (["--move-line", "D"], "needs POSITION=LINE"),
        (["--mixed", f"1-16={STANDARD}"], "leaves no head to DT-1 standard"),
        (["--mixed", f"40={DP2}"], "--mixed heads = 40"),
        (["--mixed", f"x={DP2}"], "a head as a whole number"),
        (["--mixed", "no.toml"], "no such file"),
        (["--mixed", str(DEMO / "bench_dt1.toml")], "begins after the dwell of 10.8 s on RX16"),
    ],
)
def test_what_cannot_be_is_refused_with_its_cure(not_run, capsys, options, words):
    assert cli.main(["machine", STANDARD, *options]) == 2
    assert words in capsys.readouterr().err


# ---- what is answered ----------------------------------------------------------------


def test_the_answer_comes_first_and_names_heads_and_lines(asked, capsys):
    assert cli.main(["machine", STANDARD, "--leaker", "5=1 Pa L/s", "--cross-talk"]) == 0
    out, err = capsys.readouterr()
    answer, *rest = out.split("\n\n")
    findings = leaker_on_5()
    heads = {scrap.head for scrap in findings.scrap}
    # The leaker and heads next to it, which stand on its line with it; none on the far side of the machine.
    assert 5 in heads and heads & {4, 6} and not heads & {1, 9, 10, 11, 12, 13, 14, 15, 16}
    assert "leaker of 1.0 Pa L/s on head 5" in answer and "line D rises from 0.0014 Pa" in " ".join(answer.split())
    assert machinefindings.listed(map(str, sorted(heads))) in " ".join(answer.split())
    for title in ("Lines (pressures in Pa", "Valves to scrap", "Flags of the machine", "Cross-talk (bulb pressure in Pa"):
        assert any(part.startswith(title) for part in rest), title
    assert max(map(len, out.splitlines())) <= WIDTH and err == ""


def test_what_leaks_in_comes_out_by_the_line(asked):
    """1 Pa L/s at 20 degC, counted at the room temperature of 20 degC: on line D nothing else takes it up before the flash."""
    line = next(f for f in leaker_on_5().lines if f.worst.line == "D")
    # In its first index on the line the valve also gives up what its bulb and head held: a few per cent.
    assert 1e3 * (line.worst.throughput - line.usual.throughput) == pytest.approx(1.0, rel=0.05)
    # Mean flow against 0.05 Pa times 50 L/s, the knee of the pump in the machine file.
    assert line.load == pytest.approx(line.worst.throughput / 2.5e-3)


def test_lines_that_the_leaker_never_stands_on_stay_as_they_are(asked):
    """Head 5 begins on F1: lines G and R, which it has left, see nothing of it until the valve is changed."""
    lines = {f.worst.line: f for f in leaker_on_5().lines}
    for name in ("G", "R"):
        assert lines[name].worst.mean_pressure == pytest.approx(lines[name].usual.mean_pressure, rel=2e-3)


def test_json_alone_on_standard_output(asked, capsys):
    assert cli.main(["machine", STANDARD, "--leaker", "5=1 Pa L/s", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["answer"].startswith("DT-1 standard on RX16") and data["leak_limits_mol_s"] is None
    assert {line["worst"]["line"] for line in data["lines_si"]} == {"G", "R", "F1", "F2", "D"}
    assert {scrap["head"] for scrap in data["scrap"]} >= {5} and len(data["bulb_pressure_over_usual"]) == 16
    assert data["ledger_error"] < 1e-10


def test_page_pictures_and_result_are_written(asked, tmp_path, capsys):
    assert cli.main(["machine", STANDARD, "--out", str(tmp_path / "new")]) == 0
    names = {path.name for path in (tmp_path / "new").iterdir()}
    assert names == {
        "machine.html", "machine.json", "machine_lines.png", "machine_line_pressures.png", "machine_excess.png", "machine_cross_talk.png",
    }  # fmt: skip
    page = (tmp_path / "new" / "machine.html").read_text()
    assert "not an interlock" in page and "Moving machine: pinch points" in page and "Valves to scrap" in page
    assert not re.search(r"<script|https?://(?!www\.w3\.org)", page)
    assert (tmp_path / "new" / "machine_lines.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert str(tmp_path / "new") in capsys.readouterr().out


def test_exit_codes(asked, monkeypatch, tmp_path, capsys):
    assert cli.main(["machine", STANDARD, "--strict"]) == 3  # valves to scrap
    (tmp_path / "file").write_text("in the way")
    assert cli.main(["machine", STANDARD, "--out", str(tmp_path / "file")]) == 2
    assert "cannot write to" in capsys.readouterr().err

    def fails(*_, **__):
        raise FailedRun("the stepper gave up")

    monkeypatch.setattr(machinefindings, "find", fails)
    assert cli.main(["machine", STANDARD]) == 1
    assert "The run failed: the stepper gave up" in capsys.readouterr().err


def test_limits_and_tolerances_are_told_in_words():
    findings = replace(
        leaker_on_5(),
        limits=LeakerLimits(1e-3 * MOL_PER_PASCAL_LITRE, 0.2 * MOL_PER_PASCAL_LITRE, -1, 100.0 * MOL_PER_PASCAL_LITRE),
        tolerances=(StopTolerance(1, 3600.0, None, "", "bears it"), StopTolerance(14, 8.0, 9.0, "anode_over_temperature", "film on the micas")),
    )
    text = " ".join(machinetext.machine_text(findings).split())
    assert "misses a target of the bulb from 0.0010 Pa L/s on" in text
    assert "A neighbour, loaded 1 index before it, misses one from 0.20 Pa L/s on: the spark test must catch that much." in text
    assert "14 8.0 9.0 anode over temperature film on the micas stop" in text
    none = replace(findings, limits=LeakerLimits(None, None, None, 100.0 * MOL_PER_PASCAL_LITRE))
    assert "No neighbour misses one with any leak up to 100 Pa L/s." in " ".join(machinetext.limit_sentences(none))


# ---- a run of its own ----------------------------------------------------------------


def test_a_quiet_machine_has_nothing_to_scrap_and_is_told_so(capsys, monkeypatch):
    assert cli.main(["machine", STANDARD, "--indices", "2", "--strict"]) == 0
    answer = " ".join(capsys.readouterr().out.split("\n\n")[0].split())
    assert answer.startswith("DT-1 standard on RX16, no incident: ") and "no line rises by a fifth" in answer


def test_python_offers_the_same_names():
    for name in (
        "simulate_machine", "Leaker", "BrokenValve", "Stop", "ScoredPlate", "SlackCoil", "EmptyHead", "WeakPump", "OtherValves", "cross_talk",
        "leaker_limits", "stop_tolerance", "scrap_list", "line_loads",
    ):  # fmt: skip
        assert callable(getattr(exhaustsim, name)) and name in exhaustsim.__all__


def test_moves_and_mixes_are_read(asked):
    assert cli.main(["machine", STANDARD, "--move-line", "12=D", "--move-line", "5 = R", "--mixed", f"2,4-5={FASTER}"]) in (0, 2)
    assert not asked  # DT-1 faster has another index time: refused
    assert cli.main(["machine", STANDARD, "--move-line", "12=D", "--move-line", "5 = R", "--mixed", DP2, "--mixed", f"2,4-5={DP2}"]) == 0
    more = asked[0][2]
    assert more["moves"] == [(12, "D"), (5, "R")]
    assert [heads for heads, _ in more["mixes"]] == [(1, 3, 5, 7, 9, 11, 13, 15), (2, 4, 5)]
    assert {other.name for _, other in more["mixes"]} == {"DP-2 standard"}
    assert cli.main(["machine", STANDARD, "--move-line", "all"]) == 0
    assert asked[1][2]["moves"] == [] and asked[1][2]["mixes"] == []
    assert cli.main(["machine", STANDARD]) == 0
    assert asked[2][2]["moves"] is None


def test_moves_mixes_and_surfaces_are_told_on_screen_page_and_in_json(tmp_path, capsys):
    """DP-2 on RX16, one line move and a head that stood open, run as a whole.

    2 cm2 of rubber at 3.5e-4 Pa L/(s cm2) after an hour give 2 x 0.042 (sqrt(36) - sqrt(13.2)) Pa L in the 22.8 s on the machine,
    less 0.005 Pa L because twelve hours are not for ever.
    """
    options = ["--aired", "1=12 h", "--indices", "2", "--move-line", "14=F2", "--mixed", f"1-2={DP2}", "--out", str(tmp_path)]
    assert cli.main(["machine", STANDARD, *options]) == 0
    out, _, written = capsys.readouterr().out.partition("Written to ")
    assert max(map(len, out.splitlines())) <= WIDTH and "machine.html" in written
    words = " ".join(out.split())
    page = " ".join((tmp_path / "machine.html").read_text().split())
    for told in (
        "head 1 open to room air for 12 h", "DP-2 can run on RX16 mixed with DT-1; line F2 bears most of it", "4 of 6 heater steps",
        "Moving one position to the line beside it does not help.", "Heads that had stood open to room air gave back 0.19 Pa L",
    ):  # fmt: skip
        assert told in words and told in page, told
    data = json.loads((tmp_path / "machine.json").read_text())
    (move,), (mix,) = data["line_moves"], data["mixed_valves"]
    assert (move["position"], move["to_line"]) == (14, "F2") and move["over_target"] > 1.0 and move["gain"] < 0.0
    assert move["new_failings"]
    assert mix["feasible"] and mix["line"] == "F2"
    assert 0.0 < data["head_surfaces_mol"]["H2O"] < 1e-6 and sum(data["head_surfaces_mol"].values()) == data["head_surfaces_mol"]["H2O"]


def test_help_names_what_can_be_asked(capsys):
    with pytest.raises(SystemExit) as done:
        cli.main(["machine", "--help"])
    assert done.value.code == 0
    told = capsys.readouterr().out
    for option in machinecommand.OPTIONS.values():
        assert option in told
    assert "--move-line" in told and "--mixed" in told


def test_cold_start_counts_the_valves_to_scrap(monkeypatch, capsys):
    """With an hour of waiting the demo machine is warm: the study behind it has its own tests."""
    from exhaustsim.studies.coldheads import ColdStart

    monkeypatch.setattr(machinefindings, "heads_to_scrap", lambda schedule, waited, progress, aired: ColdStart(waited, 0, waited, 16, {}))
    assert cli.main(["machine", STANDARD, "--indices", "1", "--cold-start", "60"]) == 0
    assert "With 60 min of waiting after the cold start no valve need be scrapped." in " ".join(capsys.readouterr().out.split())
    assert cli.main(["machine", STANDARD, "--cold-start", "soon"]) == 2
    assert "needs minutes from 0 up" in capsys.readouterr().err


def test_a_machine_whose_heads_give_back_runs_three_rotations(schedules):
    """One over the root of time has no end, so such a machine repeats itself never."""
    standard = schedules["standard"]
    length = machinefindings._while_heads_give_back
    assert length(standard, []) is None
    assert length(standard, [AiredHeads((3,), 3600.0)]) == 1 + 48
    assert length(standard, [AiredHeads((3,), 3600.0, start=30.0)]) == 3 + 48
