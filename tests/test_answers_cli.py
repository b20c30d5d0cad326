"""`exhaustsim dwell`, `spread` and `waterfall`: what is read, printed, written and returned.

Expected figures come from the studies asked in Python, which have outside checks of their own; the commands hold no
physics.  Searches are narrowed (fewer index times, one position), never replaced, but for the joint choice of settings.
"""

import json
import os
import signal
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from types import ModuleType

import pytest
from conftest import DEMO

from exhaustsim import answerscommand, cli
from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.tolerances import load_tolerances
from exhaustsim.plant.writeschedule import schedule_text
from exhaustsim.reporting.grid import WIDTH
from exhaustsim.studies import bestsettings, dwell, spread, waterfall, yieldcurve
from exhaustsim.studies.bestsettings import Best, settings_of, values_of
from exhaustsim.studies.indextime import with_index_time
from exhaustsim.studies.trials import Trials
from exhaustsim.studies.verdict import judge

STANDARD, FASTER = (str(DEMO / f"dt1_{name}.toml") for name in ("standard", "faster"))
TOLERANCES = str(DEMO.parent / "tolerances" / "dt1.toml")
OF_BATCH = ["spread", STANDARD, "--tolerances", TOLERANCES]


@pytest.fixture(autouse=True)
def quiet(monkeypatch):
    monkeypatch.setattr(cli, "QUIET_SECONDS", 60.0)  # a busy machine is no reason to tell of progress here


@pytest.fixture
def small_search(monkeypatch):
    """The dwell asked of few index times and of one position."""
    monkeypatch.setattr(dwell, "position_slack", partial(dwell.position_slack, positions=(14,), reuse=False))
    monkeypatch.setattr(dwell, "shortest_index", partial(dwell.shortest_index, lowest=10.0, highest=12.0, grid=2, resolution=0.1))


# ---- spread --------------------------------------------------------------------------


def test_a_spread_is_that_of_python_and_goes_on_in_its_folder(tmp_path, capsys, monkeypatch):
    out, study = tmp_path / "out", tmp_path / "study"
    asked = [*OF_BATCH, "-n", "16", "--seed", "3", "--resume", str(study), "--out", str(out)]
    assert cli.main(asked) == 0
    printed = capsys.readouterr()
    expected = spread.spread(load_schedule(STANDARD), load_tolerances(TOLERANCES), 16, seed=3)
    assert " ".join(printed.out.split()).startswith(expected.sentence) and max(map(len, printed.out.splitlines()[:-1])) <= WIDTH
    assert json.loads((out / "spread.json").read_text())["passed"] == expected.passed
    page = (out / "spread.html").read_text()
    assert "not an interlock" in page and "What scatters" in page and "Implosion" in page
    monkeypatch.setattr(spread.mean_batch.__globals__["Batch"], "rows", lambda *_: pytest.fail("marched again"))
    assert cli.main([*asked, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["pass_rate"] == expected.pass_rate
    assert cli.main([*asked[:-2], "--seed", "4"]) == 2
    told = capsys.readouterr().err
    assert "begun with 3" in told and "Traceback" not in told


def test_contributions_and_curves(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(answerscommand, "CONTRIBUTION_VALVES", 2)
    asked = [*OF_BATCH, "-n", "4", "--contributions", "--yield-curve", "8..12:4", "--getter-curve", "2,4", "--resume", str(tmp_path / "study")]
    assert cli.main([*asked, "--out", str(tmp_path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [p["setting"] for p in told["yield_curve"]["points"]] == [8.0, 12.0]
    assert [p["setting"] for p in told["getter_curve"]["points"]] == pytest.approx([2e-6, 4e-6], rel=1e-12)
    assert told["contributions"]["valves"] == 2 * (4 + 2)
    for name in ("contributions", "yield", "getter"):
        assert (tmp_path / f"spread_{name}.png").read_bytes().startswith(b"\x89PNG")
    assert {f.name for f in (tmp_path / "study").iterdir()} == {"spread", "contributions", "yield_curve", "getter_curve"}


def test_the_curve_between_two_cards(monkeypatch):
    class Reached(Exception):
        """Enough seen."""

    seen = []

    def asked(*given, **more):
        seen.append((given, more))
        raise Reached

    monkeypatch.setattr(yieldcurve, "yield_curve", asked)
    with pytest.raises(Reached):
        cli.main([*OF_BATCH, "-n", "1", "--yield-curve", "9.5,12", "--quicker", FASTER])
    (_, _, times, n), more = seen[0]
    assert times == [9.5, 12.0] and n == 1 and more["quicker"].index_time == 9.5


def test_all_faults_of_files_and_options_at_once_and_nothing_is_written(tmp_path, capsys):
    faulty, loose = tmp_path / "faulty.toml", tmp_path / "loose.toml"
    faulty.write_text((DEMO / "dt1_standard.toml").read_text().replace('index_time = "12 s"', 'index_time = "12"'))
    loose.write_text('name = "x"\n[[tolerance]]\nquantity = "bores"\ndistribution = "normal"\nsigma = "1 %"\n')
    asked = ["spread", str(faulty), "--tolerances", str(loose), "-n", "0", "--seed", "x", "--workers", "-1", "--yield-curve", "12..6"]
    asked += ["--getter-curve", "0..2", "--out", str(tmp_path / "out"), "--resume", str(tmp_path / "study")]
    assert cli.main(asked) == 2
    printed = capsys.readouterr()
    for words in ('index_time = "12"', "bores", "-n = 0", "--seed = x", "--workers = -1", "--yield-curve = 12..6", "--getter-curve = 0 mg, 1 mg, 2 mg"):
        assert words in printed.err, words
    assert printed.out == "" and not (tmp_path / "out").exists() and not (tmp_path / "study").exists()


def test_index_times_that_cannot_be_are_told_before_a_valve_is_marched(monkeypatch, capsys):
    monkeypatch.setattr(spread, "spread", lambda *_, **__: pytest.fail("marched"))
    assert cli.main([*OF_BATCH, "--yield-curve", "1..12", "--quicker", STANDARD]) == 2
    told = capsys.readouterr().err
    assert "--yield-curve = 1 s" in told and "have the same index time" in told
    assert cli.main([*OF_BATCH, "--quicker", FASTER]) == 2
    assert "add --yield-curve" in capsys.readouterr().err


def test_interrupted_by_the_keyboard_it_goes_on_by_the_same_command(tmp_path, capsys, monkeypatch):
    """A real SIGINT, sent when the first chunks are done."""
    whole = spread.spread(load_schedule(STANDARD), load_tolerances(TOLERANCES), 12)
    monkeypatch.setattr(spread, "spread", partial(spread.spread, chunk=3))
    say = cli.Progress.say
    pressed = []

    def press(self, doing):
        say(self, doing)
        if doing.endswith("3 of 12 valves") and not pressed:
            pressed.append(1)
            os.kill(os.getpid(), signal.SIGINT)

    monkeypatch.setattr(cli.Progress, "say", press)
    asked = [*OF_BATCH, "-n", "12", "--workers", "1", "--resume", str(tmp_path / "study"), "--out", str(tmp_path / "out")]
    assert cli.main(asked) == cli.INTERRUPTED
    told = capsys.readouterr().err
    assert "spread of DT-1 standard: stopped after 3 of 12 valves. Nothing is lost: the same command goes on" in told
    assert not (tmp_path / "out").exists() and pressed
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    assert cli.main([*asked, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["quantiles"] == json.loads(json.dumps(whole.to_json()["quantiles"]))


def test_pressed_twice_it_ends_on_the_spot():
    with pytest.raises(KeyboardInterrupt), answerscommand.interruptible() as pressed:
        os.kill(os.getpid(), signal.SIGINT)
        assert pressed()
        os.kill(os.getpid(), signal.SIGINT)
        pressed()


def test_outside_the_main_thread_signals_are_left_alone():
    seen = []

    def work():
        with answerscommand.interruptible() as pressed:
            seen.append(pressed())

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [False]


def test_a_cluster_does_the_work(monkeypatch, capsys):
    """A cluster of one thread in place of Dask's, which `test_spread_cluster` has; here it is only asked for."""
    asked = []

    class Client:
        def __init__(self, address, timeout):
            asked.append(address)

        def __enter__(self):
            return self

        def __exit__(self, *_):
            asked.append("closed")

        def get_executor(self):
            return ThreadPoolExecutor(1)

    module = ModuleType("distributed")
    module.Client = Client
    monkeypatch.setitem(sys.modules, "distributed", module)
    assert cli.main([*OF_BATCH, "-n", "2", "--cluster", "tcp://here:1", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["valves"] == 2 and asked == ["tcp://here:1", "closed"]

    def nobody(*_, **__):
        raise OSError("timed out")

    module.Client = nobody
    assert cli.main([*OF_BATCH, "-n", "2", "--cluster", "tcp://here:1"]) == 2
    assert "no scheduler answers there" in capsys.readouterr().err
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert cli.main([*OF_BATCH, "-n", "2", "--cluster", "tcp://here:1"]) == 2
    assert "exhaustsim[cluster]" in capsys.readouterr().err


def test_a_folder_that_cannot_be_written_is_told(tmp_path, capsys):
    (tmp_path / "file").write_text("x")
    assert cli.main([*OF_BATCH, "-n", "2", "--resume", str(tmp_path / "file")]) == 2
    told = capsys.readouterr().err
    assert "--resume" in told and "Traceback" not in told


# ---- dwell ---------------------------------------------------------------------------


def test_dwell_with_slack_and_energy(small_search, tmp_path, capsys):
    assert cli.main(["dwell", STANDARD, "--uptime", "90 %", "--yield", "0.8", "--price", "0.5", "--out", str(tmp_path)]) == 0
    printed = capsys.readouterr().out
    told = json.loads((tmp_path / "dwell.json").read_text())
    card = load_schedule(STANDARD)
    found, below = (judge(simulate(with_index_time(card, told["shortest_index_s"] - x))) for x in (0.0, 0.1))
    assert found.passes and not below.passes
    assert told["bounds"][0]["name"] == "under_flash" and told["slack"]["positions"][0]["position"] == 14
    assert [e["index_time_s"] for e in told["energy"]] == [12.0, told["shortest_index_s"]]
    assert told["energy"][0]["net_good_per_hour"] == pytest.approx(300.0 * 0.9 * 0.8) and told["energy"][0]["price_per_kwh"] == 0.5
    for words in ("shortest index time 10.3 s", "What binds", "Slack at 12 s index", "Energy of a good valve", "measurement, supervision"):
        assert words in printed, words
    assert max(map(len, printed.splitlines()[:-1])) <= WIDTH
    page = (tmp_path / "dwell.html").read_text()
    assert page.count("<figure>") == 1 and "Cautions" in page
    assert (tmp_path / "dwell_slack.png").read_bytes().startswith(b"\x89PNG")


def test_compare_tells_the_shortest_index_time_when_asked(monkeypatch, tmp_path, capsys):
    narrow = partial(dwell.shortest_index, lowest=10.0, highest=10.6, grid=2, resolution=0.2)
    monkeypatch.setattr("exhaustsim.studies.comparison.shortest_index", narrow)
    assert cli.main(["compare", STANDARD, "--dwell", "--out", str(tmp_path)]) == 0
    sentence = narrow(load_schedule(STANDARD)).sentence
    assert sentence in " ".join(capsys.readouterr().out.split())
    assert json.loads((tmp_path / "comparison.json").read_text())[0]["dwell"]["sentence"] == sentence
    page = (tmp_path / "report.html").read_text()
    assert "<h3>Shortest index time</h3>" in page and sentence.split(";")[0] in page


def test_no_index_time_will_do(monkeypatch, capsys):
    monkeypatch.setattr(dwell, "shortest_index", partial(dwell.shortest_index, lowest=6.0, highest=6.4, grid=2, resolution=0.1))
    assert cli.main(["dwell", STANDARD, "--strict"]) == 3
    assert "No index time from 6 to 6.4 s will do" in " ".join(capsys.readouterr().out.split())


def made_up_best(schedule, **_) -> Best:
    """The card at 11 s as if a search had found it."""
    settings = settings_of(schedule)
    values = values_of(schedule, settings)
    found = replace(with_index_time(schedule, 11.0), name=f"{schedule.name} best")
    trials = Trials()
    run = trials.run(found)
    binding = tuple(sorted(trials.weighed(run).requirements.values(), key=lambda r: -r.beyond))
    return Best(schedule, found, judge(run), 0.02, 0.03, binding, settings, values, values, 1, "a run of the loaded machine bears it out", True)


def test_the_best_settings_are_written_as_a_schedule_file(small_search, monkeypatch, tmp_path, capsys):
    seen = {}
    monkeypatch.setattr(bestsettings, "best_settings", lambda schedule, **more: seen.update(more) or made_up_best(schedule))
    front = bestsettings.Frontier(load_schedule(STANDARD), 0.042, (made_up_best(load_schedule(STANDARD)),), 1)
    monkeypatch.setattr(bestsettings, "frontier", lambda *_, **__: front)
    assert cli.main(["dwell", STANDARD, "--no-slack", "--best", "--margin", "2 %", "--frontier", "--out", str(tmp_path)]) == 0
    assert seen["margin"] == pytest.approx(0.02) and seen["warn"] is False
    written = load_schedule(tmp_path / "dt1_standard_best.toml")
    assert written.name == "DT-1 standard best, best settings" and written.index_time == 11.0 and written.valve == load_schedule(STANDARD).valve
    printed = capsys.readouterr().out
    assert "dt1_standard_best.toml" in printed and "chosen together" in printed and "Slack" not in printed
    assert (tmp_path / "dwell_frontier.png").exists()
    assert json.loads((tmp_path / "dwell.json").read_text())["best"]["loaded_machine_passes"] is True


def test_bad_questions_about_the_dwell(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(dwell, "shortest_index", lambda *_, **__: pytest.fail("simulated"))
    asked = ["dwell", str(tmp_path / "none.toml"), "--margin", "1.5", "--uptime", "0", "--yield", "92", "--price", "much", "--out", str(tmp_path / "out")]
    assert cli.main(asked) == 2
    told = capsys.readouterr().err
    for words in ("none.toml", "--margin = 1.5", "--uptime = 0", "--yield = 92", "--price = much"):
        assert words in told, words
    assert not (tmp_path / "out").exists()


def test_an_interrupted_search_writes_nothing(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(cli.Progress, "say", lambda self, doing: os.kill(os.getpid(), signal.SIGINT) if doing.endswith("run 1") else None)
    assert cli.main(["dwell", STANDARD, "--out", str(tmp_path / "out")]) == cli.INTERRUPTED
    assert "nothing was written" in capsys.readouterr().err and not (tmp_path / "out").exists()


# ---- waterfall -----------------------------------------------------------------------


def cards(folder) -> list[str]:
    """Two cards that differ in oven and index time, with names that would spoil a page."""
    card = load_schedule(STANDARD)
    changed = with_index_time(replace(card, oven_temperature=card.oven_temperature + 20.0), 11.0)
    paths = []
    for k, schedule in enumerate((card, changed)):
        paths.append(folder / f"card{k}.toml")
        paths[-1].write_text(schedule_text(replace(schedule, name=f"<i>card {k}</i>"), folder))
    return list(map(str, paths))


def test_waterfall_is_that_of_python_and_the_page_is_escaped(tmp_path, capsys):
    old, new = cards(tmp_path)
    out = tmp_path / "out"
    assert cli.main(["waterfall", old, new, "--order", "oven, index time", "--out", str(out)]) == 0
    printed = capsys.readouterr().out
    expected = waterfall.waterfall(load_schedule(old), load_schedule(new), order=["oven", "index time"])
    assert " ".join(printed.split()).startswith(expected.sentence)
    told = json.loads((out / "waterfall.json").read_text())
    assert [s["change"] for s in told["steps"]] == ["oven", "index time"] and told["end"] == pytest.approx(expected.end)
    page = (out / "waterfall.html").read_text()
    assert "&lt;i&gt;card 0" in page and "<i>card" not in page
    assert (out / "waterfall_valves_per_hour.png").exists() and not (out / "waterfall_converted_fraction.png").exists()  # which does not move


def test_bad_orders_and_cards_of_other_valves(capsys):
    assert cli.main(["waterfall", STANDARD, FASTER, "--order", "ovn"]) == 2
    told = capsys.readouterr().err
    assert "--order" in told and 'did you mean "oven"' in told
    assert cli.main(["waterfall", STANDARD, str(DEMO / "dp2_standard.toml")]) == 2
    assert "compare cards of one valve on one machine" in capsys.readouterr().err


def test_cards_alike(capsys):
    assert cli.main(["waterfall", STANDARD, STANDARD]) == 0
    assert "do not differ" in capsys.readouterr().out


@pytest.mark.parametrize("name", answerscommand.EXAMPLES)
def test_help_has_an_example_that_can_be_read(name, capsys):
    with pytest.raises(SystemExit) as left:
        cli.main([name, "--help"])
    assert left.value.code == 0 and answerscommand.EXAMPLES[name] in capsys.readouterr().out
    assert cli._parser().parse_args(answerscommand.EXAMPLES[name].split()[1:]).question == name
