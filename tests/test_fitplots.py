"""Pictures, page and desk of fitted logs: what is drawn where, and that names from a log are told as they stand."""

from dataclasses import replace

import numpy as np
import pytest
from demo_logs import LOGS, truth
from matplotlib.collections import PolyCollection

from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.faults import DesignFault
from exhaustsim.plant.machinelog import load_machine_log
from exhaustsim.plant.pressurelog import PressureLog, load_log
from exhaustsim.plant.trace import AT_LEAST, AT_MOST, GOOD, SPOILED, Trace
from exhaustsim.reporting import fitplots
from exhaustsim.reporting.canvas import DPI
from exhaustsim.reporting.fitpage import fit_html, write_page
from exhaustsim.reporting.fittext import figure_rows
from exhaustsim.reporting.widgets.fitdesk import CHOOSE, FitDesk
from exhaustsim.studies.logstudy import Asked, Figure, LogAnswer, study
from exhaustsim.studies.machinestudy import study_machine
from fake_run import DEMO


def a_log(name, time, reading, mark=None):
    mark = np.zeros(len(time), np.int8) if mark is None else mark
    return PressureLog(f"{name}.csv", (Trace(name, time, reading, mark, reading),), (), (), ())


@pytest.fixture(scope="module")
def tail():
    """A pump-down with bounds, a spoiled reading and a spike."""
    time = np.geomspace(10.0, 2000.0, 120)
    reading = (0.02 / np.sqrt(time) + 0.5 / time) * np.exp(0.02 * np.random.default_rng(5).standard_normal(len(time)))
    mark = np.zeros(len(time), np.int8)
    mark[:3], mark[40], mark[-2:] = AT_LEAST, SPOILED, AT_MOST
    reading[:3], reading[-2:], reading[70] = 0.03, 7.5e-4, 0.5
    return study("exhaust", [a_log("tail <b>of</b> it", time, reading, mark)], Asked(net_speed=1e-3, terms=("inverse", "root")))


@pytest.fixture(scope="module")
def ride():
    schedule = load_schedule(DEMO / "dt1_standard.toml")
    asked = Asked(schedule=schedule, every=6, end=130.0, free=("glass_water", "mica_water", "cathode_temperature", "coating"))
    return study("ride", [load_log(LOGS / "L2_rough_ride.csv", place="bulb")], asked)


def markers(axes):
    """Number of points drawn by marker."""
    found = {}
    for line in axes.lines:
        if line.get_linestyle() == "None":
            found[line.get_marker()] = found.get(line.get_marker(), 0) + len(line.get_xdata())
    return found


def words(figure):
    return [text.get_text() for axes in figure.axes for text in axes.texts] + [text.get_text() for text in figure.texts]


def test_marks_curve_terms_and_what_is_left_over(tail):
    made = fitplots.pictures(tail, "mbar")
    assert [name for name, _, _ in made] == ["fit", "intervals"]
    figure = made[0][1]
    assert tuple(figure.get_size_inches() * DPI) == (900.0, 450.0)
    axes, below = figure.axes
    seen = markers(axes)
    assert seen["^"] == 3 and seen["v"] == 2 and seen["x"] == 2  # spoiled, and the spike
    assert seen["o"] == 120 - 3 - 2 - 2
    told = words(figure)
    assert {"curve: inverse + root", "inverse", "root", "grey: twice the scatter"} <= set(told)
    assert "mbar" in axes.get_ylabel() and axes.get_xscale() == axes.get_yscale() == "log"
    # 1 mbar is 100 Pa: the highest good reading in mbar.
    dots = next(line for line in axes.lines if line.get_marker() == "o")
    assert dots.get_ydata().max() == pytest.approx(tail.parts[0].trace.reading[3] / 100.0, rel=0.1)
    assert any(isinstance(c, PolyCollection) for c in axes.collections)
    away = next(line for line in below.lines if line.get_marker() == "o").get_ydata()
    assert np.std(away) == pytest.approx(2.0, rel=0.3)  # the scatter that was put in, in per cent


def test_terms_add_up_to_the_curve(tail):
    fit = tail.parts[0].fit
    time = np.geomspace(10.0, 2000.0, 7)
    assert sum(fit.term(name, time) for name in fit.model.terms) == pytest.approx(fit.pressure(time), rel=1e-12)


def test_a_rise_stands_on_plain_scales_from_nought():
    time = np.arange(0.0, 100.0, 1.0)
    reading = (0.1 + 0.02 * time) * np.exp(0.01 * np.random.default_rng(1).standard_normal(len(time)))
    answer = study("rise", [a_log("rise", time, reading)], Asked(volume=15e-6))
    axes = fitplots.pictures(answer)[0][1].axes[0]
    assert axes.get_yscale() == axes.get_xscale() == "linear" and axes.get_ylim()[0] == 0.0
    assert "closing" in fitplots.pictures(answer)[0][1].axes[1].get_xlabel()


def test_a_ride_has_its_positions_and_ends_where_it_is_not_fitted(ride):
    made = {name: figure for name, figure, _ in fitplots.pictures(ride)}
    assert set(made) == {"ride", "intervals"}
    axes, below = made["ride"].axes
    assert [t.get_text() for t in below.get_xticklabels()] == [str(p) for p in range(1, 12)]
    assert "position, 12.0 s each" in below.get_xlabel() and "bulb" in axes.get_ylabel()
    assert markers(axes)["x"] > 0 and any("simulated" in w for w in words(made["ride"]))
    assert made["intervals"].axes[0].get_xlabel().startswith("times as assumed")
    scale = next(f for f in ride.figures if f.name == "scale of the gauge")
    assert scale.low < 1.0 + 0.04 + 0.03 and scale.unit == "factor" and truth("L2")["gauge"]["scale_error"] == 0.04


def test_effects_stand_on_a_plain_scale_and_what_chance_explains_is_open():
    answer = study_machine(load_machine_log(LOGS / "L8_bad_position.csv"), {})
    figure = fitplots.interval_picture(answer)
    axes = figure.axes[0]
    assert axes.get_xscale() == "linear" and "effect, K; open: within chance" in axes.get_xlabel()
    faces = [line.get_markerfacecolor() for line in axes.lines if line.get_marker() == "D"]
    assert faces[0] != "white" and faces[-1] == "white"
    assert "anode temperature: position 9" in words(figure)


def test_ends_that_the_readings_do_not_set_are_arrows():
    rows = (Figure("a", "one", 2.0, 0.0, 4.0, "Pa L/s"), Figure("a", "two", 2.0, 1.0, np.inf, "s"), Figure("a", "room", np.nan, 0.0, 1.0, "Pa L/s"))
    answer = LogAnswer("rise", ("x.csv",), "", (), (), rows)
    axes = fitplots.interval_picture(answer).axes[0]
    shapes = [line.get_marker() for line in axes.lines]
    assert shapes.count("<") == 1 and shapes.count(">") == 1 and shapes.count("D") == 2
    assert figure_rows(answer)[3][2:5] == ("at most", "0", "1.00")
    assert figure_rows(answer)[2][4] == "open"


def test_a_refusal_shows_the_log_alone():
    answer = study("exhaust", [load_log(LOGS / "L11_not_enough.csv")], Asked(began=-10.0))
    (name, figure, _), = fitplots.pictures(answer)
    assert name == "log" and "nothing fitted" in " ".join(words(figure)) and markers(figure.axes[0])["o"] == 8
    assert not answer.stands and GOOD == 0


def test_names_from_the_log_are_escaped(tail, tmp_path):
    answer = replace(tail, files=("<i>odd & name.csv",))
    html = fit_html(answer)
    assert "<b>of</b>" not in html and "<i>odd" not in html and "&lt;i&gt;odd &amp; name.csv" in html
    for word in ("Cautions", "not an interlock", "Evidence", "Read and assumed", "(can no longer be read)"):
        assert word in html
    assert "nan" not in " ".join(cell for row in figure_rows(answer) for cell in row).split()
    assert sorted(p.name for p in write_page(answer, tmp_path)) == ["fit.html", "fit.png", "fit_intervals.png"]


# ---- the desk ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def desk():
    return FitDesk(LOGS, threaded=False)


def test_desk_fits_what_is_asked_and_forgets_it_when_anything_changes(desk):
    desk.file.value = "L5_rise_virtual_leak.csv"
    assert "rise: pressure_raw rises" in desk.look.value and desk.kind.value == CHOOSE
    desk.kind.value = "rise"
    desk.fit()
    assert desk.wait() and not desk.alerts and desk.answer.kind == "rise"
    assert bytes(desk.picture.value).startswith(b"\x89PNG") and "What to measure next" in desk.words.value
    desk.volume.value = "30 cm3"
    assert desk.answer is None and bytes(desk.picture.value) == b"" and desk.words.value == ""


def test_desk_says_what_is_wrong(desk):
    desk.file.value, desk.kind.value = "L4_rise_gassy.csv", CHOOSE
    desk.volume.value, desk.start.value = "15 cm", "tea"
    desk.fit()
    for word in ("Choose a question", "unit of a length", "not a number of seconds"):
        assert word in desk.alerts
    desk.volume.value = desk.start.value = ""
    desk.file.value, desk.kind.value = "L11_not_enough.csv", "rise"
    desk.fit()
    assert "a rise needs the closed volume" in desk.alerts
    desk.kind.value = "exhaust"
    desk.fit()
    assert not desk.alerts and "no fit, because" in desk.words.value
    desk.terms.value = "constant"
    desk.fit()
    assert desk.answer.parts[0].fit.model.name == "constant" or desk.answer.refused


def test_desk_needs_logs(tmp_path):
    with pytest.raises(DesignFault, match="holds no log"):
        FitDesk(tmp_path)
