"""`exhaustsim fit`: what is read, printed, written and returned.

Outside checks: gas flow is volume times slope (the definition of a throughput, ISO 3529-1), a steady flow through a conductance is
conductance times drop; and the truth that went into the demo logs.
"""

import csv
import json
import re

import numpy as np
import pytest
from demo_logs import LOGS, truth
from fake_run import DEMO

from exhaustsim import cli, fitcommand
from exhaustsim.plant.machinelog import load_machine_log
from exhaustsim.plant.pressurelog import load_log
from exhaustsim.reporting.fittext import Look, fit_text, sentence
from exhaustsim.reporting.grid import WIDTH
from exhaustsim.studies import logstudy
from exhaustsim.studies.logstudy import Asked, looks_like, study, thinned, without_gaps
from exhaustsim.studies.machinestudy import study_machine

STANDARD = str(DEMO / "dt1_standard.toml")


def log(name):
    return str(next(LOGS.glob(f"{name}_*.csv")))


def no_constant(text):
    raise ValueError(f"{text} is not JSON")


def asked(capsys, *arguments):
    """(exit code, what `--json` printed)."""
    code = cli.main(["fit", *arguments, "--json"])
    return code, json.loads(capsys.readouterr().out, parse_constant=no_constant)


def figure(data, name):
    return next(f for f in data["figures"] if f["name"] == name)


def inside(found, value):
    return found["low"] <= value <= found["high"]


@pytest.fixture(autouse=True)
def quiet(monkeypatch):
    monkeypatch.setattr(cli, "QUIET_SECONDS", 60.0)


@pytest.fixture
def not_fitted(monkeypatch):
    monkeypatch.setattr(logstudy, "study", lambda *_, **__: pytest.fail("fitted"))


@pytest.fixture
def straight(tmp_path):
    """A rise of 0.02 Pa/s with 1 % scatter, in mbar and without a unit."""
    time = np.arange(0.0, 120.0, 1.0)
    shown = (0.1 + 0.02 * time) * np.exp(0.01 * np.random.default_rng(3).standard_normal(len(time)))
    path = tmp_path / "rise.csv"
    path.write_text("t_s;P\n" + "".join(f"{t:g};{p / 100.0:.6g}\n" for t, p in zip(time, shown, strict=True)), encoding="utf-8")
    return str(path)


# ---- answers -------------------------------------------------------------------------


def test_a_steady_rise_is_volume_times_slope(straight, capsys, tmp_path):
    out = tmp_path / "out"
    code, data = asked(capsys, straight, "--kind", "rise", "--unit", "mbar", "--volume", "15 cm3", "--volume-sd", "0.3 cm3", "--from", "0", "--out", str(out))
    flow = figure(data, "gas flow at closing")
    assert code == 0 and flow["unit"] == "Pa L/s"
    assert flow["value"] == pytest.approx(0.015 * 0.02, rel=0.02) and inside(flow, 0.015 * 0.02)
    # The volume is known to 2 %, and that goes into the interval: 1.96 x 2 % at the least.
    assert np.log(flow["high"] / flow["low"]) > 2 * 1.96 * 0.02
    assert sorted(p.name for p in out.iterdir()) == ["fit.html", "fit.json", "fit.png", "fit_intervals.png"]
    assert json.loads((out / "fit.json").read_text()) == data


def test_trapped_gas_is_told_as_the_readme_says(capsys):
    code = cli.main(["fit", log("L5"), "--kind", "rise", "--volume", "15.2 cm3"])
    text = capsys.readouterr().out
    assert code == 0 and max(map(len, text.splitlines())) <= WIDTH
    for heading in ("Figures (95 % intervals", "Evidence", "What these data cannot tell apart", "What to measure next", "Read and assumed"):
        assert heading in text
    low, high = map(float, re.search(r"gas that comes out in the end +\S+ +(\S+) +(\S+) +Pa L", text).groups())
    assert low < 1e3 * truth("L5")["amount_Pa_m3"] < high
    assert re.search(r"room for a leak beside it +at most", text)


def test_two_gases_round_a_leaker(capsys):
    code, data = asked(capsys, log("L3"), "--kind", "rise", "--volume", "15 cm3", "--scale-error", "5%", "--level", "0.9")
    assert code == 0 and data["level"] == 0.9
    assert [inside(f, 1e3 * truth("L3")["throughput_Pa_m3_per_s"]) for f in data["figures"] if f["of"] == "R-air"] == [True]
    assert inside(figure(data, "rise with the other gas round it, as shown"), truth("L3")["shown_ratio_argon_to_air"])
    assert "a molecular leak" in data["surrounds"]["fitting"]
    # Argon has been tried: it is not asked for once more.
    assert not any("repeat the rise with argon" in n for n in data["next"])
    assert any("the log says 15.2 cm3" in w for w in data["read"]) and any("as you say" in w for w in data["read"])


def test_pumpdown_with_a_net_speed(tmp_path, capsys):
    time = np.geomspace(10.0, 2000.0, 150)
    shown = (2e-3 + 0.5 / time) * np.exp(0.02 * np.random.default_rng(5).standard_normal(len(time)))
    path = tmp_path / "tail.csv"
    path.write_text("t_s,P [Pa]\n" + "".join(f"{t:.6g},{p:.6g}\n" for t, p in zip(time, shown, strict=True)), encoding="utf-8")
    code, data = asked(capsys, str(path), "--kind", "exhaust", "--terms", "constant,inverse", "--net-speed", "1 L/s", "--bootstrap")
    assert code == 0
    # 2e-3 Pa through 1 L/s.
    assert inside(figure(data, "constant, at all times"), 2e-3)
    drawn = data["fits"][0]["bootstrap"]["constant"]
    assert drawn[0] < 2e-3 < drawn[1]
    assert any("only their sum is told" in w for w in data["cannot_tell"]) and any("rate of rise" in n for n in data["next"])
    assert any("begun at 0 s" in w for w in data["read"])


def test_steady_flow_through_an_orifice_from_two_logs(tmp_path, capsys):
    random, time = np.random.default_rng(7), np.arange(60.0, 660.0, 6.0)
    for name, level in (("up", 5e-2), ("down", 1e-2)):
        shown = level * np.exp(0.01 * random.standard_normal(len(time)))
        (tmp_path / f"{name}.csv").write_text("t_s,P [Pa]\n" + "".join(f"{t:g},{p:.5g}\n" for t, p in zip(time, shown, strict=True)), encoding="utf-8")
    code, data = asked(capsys, str(tmp_path / "up.csv"), str(tmp_path / "down.csv"), "--kind", "orifice", "--conductance", "0.1 L/s")
    assert code == 0 and inside(figure(data, "steady flow"), 0.1 * 4e-2)
    code = cli.main(["fit", str(tmp_path / "up.csv"), "--kind", "orifice"])
    told = capsys.readouterr().err
    assert code == 2 and "conductance" in told and "downstream" in told and "2 faults" in told


@pytest.fixture(scope="module")
def six_valves(tmp_path_factory):
    """Three valves of each lot of L6, every third reading."""
    with open(log("L6"), encoding="utf-8") as file:
        rows = list(csv.reader(line for line in file if not line.startswith("#")))
    path = tmp_path_factory.mktemp("lots") / "lots.csv"
    kept = [r for k, r in enumerate(rows[1:]) if r[0][-1] in "123" and k % 3 == 0]
    path.write_text("\n".join(",".join(f'"{c}"' for c in r) for r in [rows[0], *kept]) + "\n", encoding="utf-8")
    return str(path)


def test_two_lots(six_valves, capsys):
    code, data = asked(capsys, six_valves, "--kind", "batches", "--age", "30")
    assert code == 0 and data["lots"]["valves"] == [3, 3]
    assert data["figures"][0]["name"] == "ratio of gas flows at closing" and inside(data["figures"][0], truth("L6")["ratio"])


def test_bad_head_follows_the_head_and_needs_the_speeds(capsys):
    speeds = [word for line, s in {"G": 4.0, "R": 2.2, "F1": 2.2, "F2": 4.4, "D": 25.0}.items() for word in ("--net-speed", f"{line}={s} L/s")]
    code, data = asked(capsys, log("L7"), "--kind", "machine", *speeds)
    first = data["figures"][0]
    assert code == 0 and first["name"] == f"head {truth('L7')['head']}" and first["told"] and inside(first, truth("L7")["added_leak_Pa_L_per_s"])
    assert any("head 11" in n for n in data["next"])
    plain = study_machine(load_machine_log(log("L7")), {})
    assert any("needs the net speed of the lines D, F1, F2, G, R" in w for w in [plain.answer])
    assert cli.main(["fit", log("L7"), "--kind", "machine", "--net-speed", "X=2 L/s", "--net-speed", "G=2", "--gauge", "a"]) == 2
    told = capsys.readouterr().err
    assert "3 faults" in told and "the lines are D, F1, F2, G, R" in told and "no unit" in told and "--gauge" in told


def test_wet_week_drifts(capsys):
    code, data = asked(capsys, log("L9"), "--kind", "machine")
    moved = {f["of"] for f in data["figures"] if f["told"]}
    assert code == 0 and moved == {f"line {name}" for name in truth("L9")["moved"].split()}


def test_ride_goes_back_into_the_simulator(tmp_path, capsys):
    overlay = tmp_path / "fitted.toml"
    code, data = asked(capsys, log("L1"), "--kind", "ride", "--schedule", STANDARD, "--every", "5", "--free", "glass_water,mica_water,cathode_temperature",
                       "--to", "100", "--overlay", str(overlay))  # fmt: skip
    assert code == 0 and overlay.exists() and "fitted" in overlay.read_text()
    assert any("gauge valve: give --place" in w for w in data["read"]) and any("One reading in 5" in w for w in data["read"])
    told = next(w for w in data["evidence"] if "written" in w)
    # Half of the readings of a normal scatter lie within 0.67 of it; what is not free here adds to that.
    within, scatter = map(float, re.search(r"within (\S+) % .* log (\S+) %", told).groups())
    assert within < scatter
    assert inside(figure(data, "scale of the gauge"), 1.0 + 0.04)


# ---- refusals and faults -------------------------------------------------------------


def test_a_refusal_is_an_answer(capsys, tmp_path):
    arguments = [log("L11"), "--kind", "exhaust", "--began", "-10"]
    code, data = asked(capsys, *arguments)
    assert code == 0 and not data["figures"] and not data["fits"]
    assert len(data["refused"][0]["reasons"]) == 2 and "power law" in data["answer"] and data["next"]
    assert asked(capsys, *arguments, "--strict")[0] == 3
    assert cli.main(["fit", log("L11"), "--kind", "rise", "--volume", "15 cm3", "--out", str(tmp_path / "out")]) == 0
    assert "No fit, because" in capsys.readouterr().out
    assert "no fit, because" in (tmp_path / "out" / "fit.html").read_text(encoding="utf-8")


def test_without_a_kind_nothing_is_fitted(not_fitted, capsys):
    for name, kinds in (("L3", ["rise", "orifice"]), ("L6", ["batches", "rise"]), ("L1", ["ride"]), ("L8", ["machine"]), ("L11", ["exhaust"])):
        code, data = asked(capsys, log(name))
        assert code == 0 and [row["kind"] for row in data["would_suit"]] == kinds
    assert cli.main(["fit", log("L4")]) == 0
    text = capsys.readouterr().out
    assert "nothing fitted" in text and "--kind rise: pressure_raw rises" in text and max(map(len, text.splitlines())) <= WIDTH


def test_every_fault_is_told_at_once_and_nothing_written(not_fitted, capsys, tmp_path):
    out = tmp_path / "out"
    code = cli.main([
        "fit", str(tmp_path / "none.csv"), "second.csv", "--kind", "rise", "--volume", "15 cm", "--volume-sd", "-1 cm3", "--gas", "xx", "--free", "tea",
        "--from", "3", "--to", "1", "--level", "2", "--began", "fit", "--every", "0", "--schedule", str(tmp_path / "none.toml"), "--out", str(out),
    ])  # fmt: skip
    told = capsys.readouterr()
    assert code == 2 and not told.out and not out.exists()
    for words in ("none.csv", "LOG2", '"cm" is the unit of a length', "--volume-sd", "no gas of that name", '--free = tea', "must come after", "--level", "--began", "--every", "none.toml"):
        assert words in told.err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--kind", "rise", "--unit", "mbar"], "a rise needs the closed volume"),
        (["--kind", "rise", "--volume", "15 cm3"], "it is not guessed"),
        (["--kind", "rise", "--unit", "mbar", "--volume", "nan cm3"], "--volume"),
        (["--kind", "ride", "--unit", "mbar"], "--schedule"),
        (["--kind", "exhaust", "--unit", "mbar", "--began", "1e6"], "no reading lies after it"),
        (["--kind", "rise", "--unit", "mbar", "--volume", "15 cm3", "--trace", "Q"], "holds 1 traces"),
        (["--kind", "rise", "--unit", "mbar", "--volume", "15 cm3", "--from", "1e6"], "no reading"),
        (["--unit", "mbar", "--volume", "15 cm3", "--out", "x"], "without --kind"),
        (["--kind", "machine", "--volume", "15 cm3"], "of no use for --kind machine"),
    ],
)  # fmt: skip
def test_what_only_the_user_can_know_is_asked_for(straight, arguments, words, capsys):
    assert cli.main(["fit", straight, *arguments]) == 2
    told = capsys.readouterr().err
    assert words in told and "Traceback" not in told


def test_help_names_every_kind_and_the_exit_of_a_refusal(capsys):
    with pytest.raises(SystemExit):
        cli.main(["fit", "--help"])
    text = " ".join(capsys.readouterr().out.split())
    assert fitcommand.EXAMPLE in text and "A refusal is an answer" in text and all(kind in text for kind in logstudy.KINDS)
    assert set(fitcommand.KIND_NAMES) == set(logstudy.KINDS) == set(fitcommand.TAKEN)


# ---- small parts ---------------------------------------------------------------------


def test_no_gap_becomes_a_number():
    assert without_gaps({"a": (float("inf"), np.nan, np.float64(1.0)), 2: [np.int64(3), np.bool_(True)]}) == {"a": [None, None, 1.0], "2": [3, True]}


def test_a_look_chooses_nothing_where_nothing_speaks(tmp_path):
    path = tmp_path / "flat.csv"
    path.write_text("t_s,P [Pa]\n" + "".join(f"{t},1.{t % 2}\n" for t in range(20)))
    read = load_log(path)
    assert looks_like(read) == [] and "Nothing speaks" in fit_text(Look.of([read]))


def test_options_of_a_study():
    whole = load_log(log("L1"), place="bulb").trace()
    assert len(thinned(whole, 5)) == -(-len(whole) // 5) and thinned(whole, 5).place == "bulb"
    with pytest.raises(ValueError, match="no kind"):
        study("tea", [], Asked())
    assert sentence("pressure_raw, line 3: off") == "pressure_raw, line 3: off"
