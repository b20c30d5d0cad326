"""The lecture: a prediction before anything moves, the lesson after, and answers held against statements from outside.

No right answer is written down in the package, so these tests are what would notice a wrong one.  The statements are
closed forms, published constants, or the slide-rule reckoning that was made before there was a simulation.
"""

import io
import math
import time
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("ipywidgets")
from PIL import Image

from exhaustsim.cli import main
from exhaustsim.reporting.answersheet import answers_html
from exhaustsim.reporting.lessonplot import LessonPicture
from exhaustsim.reporting.widgets.explorer import Explorer
from exhaustsim.reporting.widgets.lecture import Demonstration, Lecture
from exhaustsim.studies.lessons import flow, getterlife, schedule as wholevalve
from exhaustsim.studies.lessons.course import COURSE, lesson
from exhaustsim.studies.lessons.record import Stand
from exhaustsim.units import PASCAL_LITRE, convert, parse

DEMO = Path(__file__).parent.parent / "demo_data"

# Widgets without a kernel close their comms when collected.
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")

QUICK = [one for one in COURSE if not one.long]


@pytest.fixture(scope="module")
def stand():
    return Stand(DEMO)


def asked(stand, number):
    """Answers at the standard and at the setting that is asked about."""
    one = lesson(number)
    return one.last(stand, one.standard), one.last(stand, {**one.standard, **one.asked})


def curve(shown, start):
    return next(c for c in shown.curves if c.label.startswith(start))


# ---- the frame -------------------------------------------------------------------------


def test_there_are_twenty_in_order():
    assert [one.number for one in COURSE] == list(range(1, 21))
    with pytest.raises(KeyError, match="lesson 21"):
        lesson(21)


@pytest.mark.parametrize("one", COURSE, ids=lambda one: one.title)
def test_questions_are_complete(one):
    bounds = [choice.below for choice in one.choices]
    assert len(bounds) >= 3 and bounds == sorted(bounds) and bounds[-1] == math.inf
    assert one.question.endswith("?") or one.question.endswith("now?")
    assert one.lesson.endswith(".") and one.watch and one.rests_on
    one.values(one.standard)
    one.values({**one.standard, **one.asked})
    assert one.asked.keys() <= one.standard.keys()


@pytest.mark.parametrize("one", QUICK, ids=lambda one: one.title)
def test_a_prediction_frees_the_slider_and_moving_it_brings_the_lesson(one, stand):
    shown = Demonstration(one, stand, threaded=False)
    name, text = next(iter(one.asked.items()))
    first = bytes(shown.picture.value)
    assert Image.open(io.BytesIO(first)).size == (900, 450)
    assert shown.locked and shown.give.disabled
    shown.set(name, text)  # what is locked goes back
    assert shown.texts == one.standard and bytes(shown.picture.value) == first
    shown.predict()  # nothing marked: no prediction
    assert shown.locked and one.lesson not in shown.told.value
    shown.choices.value = 0
    assert not shown.give.disabled
    shown.give.click()
    assert not shown.locked and shown.choices.disabled
    assert "lesson" not in shown.told.value and "You predicted" in shown.told.value
    shown.set(name, text)
    assert shown.texts[name] == text
    assert bytes(shown.picture.value) != first
    assert "lesson" in shown.told.value and one.choices[shown.right].words.replace("'", "&#x27;") in shown.told.value
    assert ("as predicted" in shown.told.value) == (shown.right == 0)
    shown.reset()
    assert shown.texts == one.standard and bytes(shown.picture.value) == first
    assert not shown.locked and "lesson" in shown.told.value
    shown.ask_again()
    assert shown.locked and "Predict first" in shown.told.value and shown.choices.value is None
    assert shown.alerts == ""


@pytest.mark.parametrize("bad", ["3 kg", "three", "400 mm", ""])
def test_a_bad_value_is_told_beside_its_field_and_the_picture_stays(bad, stand):
    shown = Demonstration(lesson(2), stand, threaded=False)
    shown.predict(1)
    good = bytes(shown.picture.value)
    shown.set("bore", bad)
    assert 'role="alert"' in shown.knobs["bore"].note.value and bytes(shown.picture.value) == good
    shown.set("bore", "4 mm")
    assert shown.alerts == "" and bytes(shown.picture.value) != good


def test_the_lecture_leads_through_and_keeps_what_was_predicted():
    lecture = Lecture(DEMO, first=2, threaded=False)
    lecture.demonstration.predict(1)
    lecture.next.click()
    assert lecture.demonstration.lesson.number == 3
    lecture.list.value = 2
    assert lecture.demonstration.predicted == 1
    lecture.before.click()
    assert lecture.demonstration.lesson.number == 1 and lecture.before.disabled
    assert lecture.wait() and lecture.alerts == ""


def test_ten_rapid_moves_end_with_the_last_one(stand):
    one = lesson(13)
    stand.run  # noqa: B018  (made beforehand, so that the moves are quick)
    shown, calm = (Demonstration(one, stand, threaded=t) for t in (True, False))
    for demonstration in (shown, calm):
        demonstration.predict(2)
    for share in range(100, 78, -2):
        shown.set("volts", f"{share} %")
    assert shown.wait(60.0)
    calm.set("volts", "80 %")
    assert shown.shown.answer == calm.shown.answer and not shown.shown.draft
    assert bytes(shown.picture.value) == bytes(calm.picture.value)
    assert shown.alerts == ""


def test_cancel_stops_the_sixty_valves(stand):
    stand.run  # noqa: B018
    shown = Demonstration(lesson(20), stand, threaded=True)
    until = time.monotonic() + 30.0
    while shown.shown is None and time.monotonic() < until:
        time.sleep(0.02)
    assert shown.shown.progress < 1.0
    shown.cancel.click()
    assert shown.wait(20.0)
    assert "cancelled" in shown.status.value and shown.alerts == ""


def test_what_fails_is_told_and_not_lost(stand, monkeypatch):
    shown = Explorer(lesson(1), stand, threaded=False)

    def broken(*_):
        raise ZeroDivisionError("no pump")

    monkeypatch.setattr(LessonPicture, "draw", broken)
    shown.set("factor", "2")
    assert 'role="alert"' in shown.alerts and "no pump" in shown.alerts


def test_a_slider_move_takes_less_than_150_ms_of_processor_time(stand):
    """Laws and pictures; measured 20 to 35 ms on a busy core.  Runs show a draft first, which is about 80 ms."""
    for one in QUICK:
        if "full run" in one.rests_on and one.number != 5:
            continue
        shown = Explorer(one, stand, threaded=False)
        name, text = next(iter(one.asked.items()))
        spent = []
        for there in (text, one.standard[name], text):
            begun = time.process_time()
            shown.set(name, there)
            spent.append(time.process_time() - begun)
        assert sorted(spent)[1] < 0.150, one.title


# ---- answers against statements from outside ----------------------------------------------


def test_1_bulb_moves_by_no_more_than_the_line_does(stand):
    before, after = asked(stand, 1)
    line = [p for p in (curve(before, "line").y.max(), curve(before, "line").y.min())]
    assert 0.0 < before.answer - after.answer < line[0] - line[1]
    assert after.answer / before.answer > 0.99


def test_2_ratio_of_exact_transmissions(stand):
    # Transmission of tubes of 20 and 40 radii: solution of the integral equation of molecular tube flow, tests/published/flow.toml.
    before, after = asked(stand, 2)
    assert after.answer / before.answer == pytest.approx(4.0 * 0.1093207144 / 0.0594504191, rel=1.5e-3)
    assert 12.1e-3 * 0.3**3 / 6.0 * 0.85 < before.answer < 12.1e-3 * 0.3**3 / 6.0  # trade formula, long tube, air


def test_3_the_hyperbola_forgets_its_start(stand):
    # Slide rule: early viscous pump-down of this bulb behind its exhaust stem, 12 cm3, p = 13 Pa / t(s); here with the head, 15 cm3.
    before, after = asked(stand, 3)
    assert after.answer / before.answer == pytest.approx(1.0, abs=0.02)
    guide = curve(before, "viscous")
    assert np.interp(0.5, guide.x, guide.y) * 0.5 == pytest.approx(13.0 * 15.0 / 12.0, rel=0.05)


def test_4_floor_is_load_over_net_speed_plus_line(stand):
    before, _ = asked(stand, 4)
    assert before.answer == pytest.approx(0.01 / 0.044 + 1e-3, rel=0.03)  # slide rule: net speed 0.044 L/s


def test_5_bulb_over_line_in_breakdown(stand):
    # Reckoned by hand beforehand: bulb 68 Pa open, line 1.1 Pa mean, either a factor of two.
    _, after = asked(stand, 5)
    assert 20.0 < after.answer < 180.0


def test_6_root_of_the_masses(stand):
    before, after = asked(stand, 6)
    assert after.answer / before.answer == pytest.approx(math.sqrt(44.0095 / 2.01588), rel=1e-3)


def test_7_volume_counts_early_only(stand):
    before, after = asked(stand, 7)
    assert after.answer == pytest.approx(before.answer, rel=1e-3)
    early = [curve(shown, "bulb").y[np.searchsorted(flow.TIMES, 0.1)] for shown in (before, after)]
    assert early[1] / early[0] == pytest.approx(27.0 / 15.0, rel=0.1)


def test_8_a_week_and_ten_seconds_leave_the_same_water(stand):
    from scipy.special import exp1

    seconds = asked(stand, 8)[1].answer
    assert seconds < 60.0

    def left(temperature, time):
        rt = 8.314462618 * temperature
        slow, fast = (1e13 * math.exp(-energy / rt) * time for energy in (200e3, 80e3))
        return rt / 120e3 * (exp1(slow) - exp1(fast))

    # The emptying fronts stand at the same energy; they differ in width, by R T.
    assert left(393.15, seconds) == pytest.approx(left(293.15, 7 * 86400.0), abs=0.01)


def test_9_doubling_the_time_at_heat_moves_the_front_by_rt_ln_2(stand):
    # Surface: R T ln 2 of R T ln(nu t) - 80 kJ/mol; the bulk adds at most root 2 - 1 of what it gave.
    share = asked(stand, 9)[1].answer
    rt = 8.314462618 * (370.0 + 273.15)
    assert rt * math.log(2.0) / (rt * math.log(1e13 * 60.0) - 80e3) * 0.9 < share < 0.1


def test_10_more_than_twice_the_time_for_a_hundred_degrees(stand):
    before, after = asked(stand, 10)
    # Fresh sheet: root of the ratio of diffusivities at 137 kJ/mol; the emptied skin delays, so more.
    fresh = math.sqrt(math.exp(137e3 / 8.314462618 * (1.0 / 1173.15 - 1.0 / 1273.15)))
    assert fresh < after.answer / before.answer < 1.25 * fresh


def test_11_rise_is_flow_times_time_over_volume(stand):
    before, after = asked(stand, 11)
    assert after.answer - before.answer == pytest.approx(0.1 * 1.2 / 15e-3, rel=1e-6)  # Pa L/s x s / L
    falling = curve(before, "bulb")
    # Three time constants of 15 cm3 behind 0.044 L/s after the port opens, no more than e^-3 of the rise is left.
    assert np.interp(1.2 + 3.0 * 0.34, falling.x, falling.y) - falling.y[0] < math.exp(-3.0) * 8.0


def test_12_a_narrow_bore_hardly_lengthens_the_breakdown(stand):
    # Reckoned beforehand: shortest index 8.5 against 8.1 s, peak 63 against 45 Pa.
    before, after = asked(stand, 12)
    assert 1.0 < after.answer / before.answer < 1.15
    peak = [float(c.y[(c.x > 14.0) & (c.x < 23.9)].max()) for c in (curve(before, "CO2 in"), curve(after, "CO2 in"))]
    assert 1.2 < peak[1] / peak[0] < 1.7
    hot = lesson(12).last(stand, {**lesson(12).standard, "heater": "8.8 V"})
    assert hot.answer < before.answer


def test_12_pressure_stays_below_the_balance_while_the_coating_breaks_down(stand):
    _, after = asked(stand, 12)
    bulb, balance = curve(after, "CO2 in"), curve(after, "CO2 at")
    blanked_or_hot = bulb.x > 14.0
    assert (bulb.y <= 1.05 * balance.y)[blanked_or_hot & np.isfinite(balance.y)].all()


def test_13_the_gauge_passes_and_the_ledger_does_not(stand):
    before, after = asked(stand, 13)
    # 3.0 mg of carbonate hold 43 Pa L (slide rule); the whole getter 5.6 Pa L of CO2.
    assert before.answer < 1e-6 and 5.6 < after.answer < 43.0
    assert "meets the target" in after.reading
    assert curve(after, "CO2 locked").y[0] == pytest.approx(43.0, rel=0.02)


def test_14_barium_comes_late(stand):
    before, after = asked(stand, 14)
    assert after.answer / before.answer < 6.0 / 8.8  # less than in proportion to the seconds
    assert before.answer <= 0.75 * 4e-6


def test_15_argon_of_dry_air_stays(stand):
    # Share of argon in dry air 0.934 %; helium of a year in soda-lime glass at most some 1e-5 Pa (a tenfold either way).
    _, after = asked(stand, 15)
    assert after.answer == pytest.approx(0.00934, rel=0.02)


def test_16_burst_costs_a_thousandth_and_the_other_order_exposes_the_cathode(stand):
    before, after = asked(stand, 16)
    # 0.01 Pa L into the bulb of 12 cm3 is 0.83 Pa; 2.8 mg at 4 Pa L/mg for water, 2 for the rest.
    assert curve(before, "burst").y[0] == pytest.approx(0.01 / 12e-3, rel=1e-3)
    assert after.answer == pytest.approx(0.01 * (0.8 / 4.0 + 0.2 / 2.0) / 2.8 / 1.0, rel=0.15)


def test_17_slide_rule_of_the_leaker(stand):
    # Slide rule: 1 Pa L/s on line D: own bulb about 17 Pa, line up 0.04 Pa, argon of the neighbours about 4e-4.
    _, after = asked(stand, 17)
    at = parse("1 Pa L/s", "throughput")
    own, line, argon = (float(np.interp(at, c.x, c.y)) for c in (curve(after, "bulb of the leaker"), curve(after, "line"), curve(after, "argon")))
    assert own == pytest.approx(17.0, rel=0.05)
    assert line - float(curve(after, "line").y[0]) == pytest.approx(1.0 / 25.0, rel=0.02)
    assert argon == pytest.approx(4.7e-4, rel=0.1)  # 0.0093 x 0.04 Pa and its own 1e-4


def test_17_law_first_then_the_loaded_machine(stand):
    """Anchor 17 of the slide rule: the line up by 0.04 Pa; valve in front 2 s after the ports have opened, with what came in during transfer."""
    one = lesson(17)
    law, machine = one.compute(stand, one.values({**one.standard, **one.asked}), lambda: None)
    assert law.draft and not machine.draft and machine.curves is law.curves
    usual = float(stand.run.total_bulb_pressure[stand.run.judged_at])
    assert law.answer - usual == pytest.approx(0.04, rel=0.02)
    assert machine.answer - usual == pytest.approx(0.05, rel=0.15)
    assert "On the loaded machine" in machine.reading


def test_18_argon_first(stand):
    # Slide rule: 4e-11 Pa L/s brings argon to 1e-3 Pa in a year; the barium needs about 3e-7 Pa L/s to go in that time.
    from exhaustsim.studies.lessons.sealed import leaker_life

    shows, spent = leaker_life(stand, parse("4e-11 Pa L/s", "throughput"))
    assert shows == pytest.approx(3.156e7, rel=0.05)
    assert spent / shows == pytest.approx(3e-7 / 4e-11, rel=0.3)


def test_19_the_law_of_the_wall_is_that_of_the_run(stand):
    """In the oven the run's wall follows the same exponential, slowed a little by the foot and the parts inside."""
    from exhaustsim.studies.lessons.heat import wall_time_constant

    run, air = stand.run, stand.schedule.oven_temperature
    missing = [air - float(run.node("bulb_wall")[run.end_of(p)]) for p in (4, 5)]
    assert 12.0 / math.log(missing[0] / missing[1]) == pytest.approx(wall_time_constant(stand), rel=0.35)
    before, after = asked(stand, 19)
    law, loaded = lesson(19).compute(stand, lesson(19).values({**lesson(19).standard, **lesson(19).asked}), lambda: None)
    assert law.draft and not loaded.draft
    # The run's wall, slowed by what hangs on it, has come as far as an exponential with a time constant up to 35 % longer than the law's.
    slowed = 60.0 / math.log((air - before.answer) / (air - loaded.answer))
    assert wall_time_constant(stand) < slowed < 1.35 * wall_time_constant(stand)
    assert after.answer < air and convert(before.answer, "temperature", "degC") == pytest.approx(140.0, abs=5.0)
    hot = lesson(19).last(stand, {**lesson(19).standard, "oven": "560 degC"})
    assert "strain point after" in hot.reading


def test_20_the_mean_passes_while_a_tail_fails(stand):
    # Reckoned beforehand from 150 trials: 13 % take more than a tenth of the getter at 8 s, none at 12 s.
    one = lesson(20)
    eight = one.last(stand, {**one.standard, "index": "8 s"})
    assert "passes" in eight.reading
    assert eight.answer == pytest.approx(0.13, abs=0.09)  # two standard errors of sixty valves
    taken = curve(eight, "valves").y
    assert len(taken) == wholevalve.VALVES and (np.diff(taken) >= 0.0).all()
    assert one.last(stand, {**one.standard, "index": "8 s"}).answer == eight.answer  # same seed, same valves


# ---- getter and life ---------------------------------------------------------------------


@pytest.mark.parametrize("one", [getterlife.BUDGET, getterlife.LIFE, getterlife.BENCH], ids=lambda one: one.heading)
def test_explorations_follow_and_come_back(one, stand):
    shown = Explorer(one, stand, threaded=False)
    first = bytes(shown.picture.value)
    for knob in one.knobs:
        for text in knob.options or (knob.low, knob.high):
            shown.set(knob.name, text)
            assert shown.alerts == "", (knob.name, text)
    assert bytes(shown.picture.value) != first
    shown.reset()
    assert bytes(shown.picture.value) == first


def test_the_budget_is_that_of_the_run(stand):
    run = stand.run
    shown = getterlife.BUDGET.last(stand, getterlife.BUDGET.standard)
    assert shown.answer == float(run.barium_spent[run.end_of_ageing])
    quick = getterlife.BUDGET.last(stand, {**getterlife.BUDGET.standard, "card": "too fast"})
    assert quick.answer > 10.0 * shown.answer  # reckoned: two thirds of the getter, here a third


# ---- answer sheet ------------------------------------------------------------------------


def test_answer_sheet_marks_what_the_model_gives(stand):
    page = answers_html(stand, tuple(one for one in COURSE if one.number in (2, 6, 13)))
    assert page.count("(right)") == 3
    for one, words in ((2, "seven to eight times"), (6, "nearly five times as fast"), (13, "more than the getter can bury")):
        assert f"<b>{words}" in page
        assert lesson(one).lesson in page
    assert "not a substitute" in page


def test_answers_by_command_and_refused_when_they_cannot_be_written(tmp_path, capsys):
    assert main(["lab", "--answers", str(tmp_path / "no" / "where.html")]) == 2
    assert "cannot be written" in capsys.readouterr().err
    assert main(["lab", "--answers", str(tmp_path / "a.html"), "--notebooks", str(tmp_path)]) == 2
    assert not (tmp_path / "a.html").exists()


def test_the_whole_sheet_by_command(tmp_path, capsys):
    assert main(["lab", "--answers", str(tmp_path / "answers.html")]) == 0
    page = (tmp_path / "answers.html").read_text(encoding="utf-8")
    assert page.count("(right)") == 20 and "answers.html" in capsys.readouterr().out


def test_answer_in_pascal_litres_is_what_the_ledger_holds(stand):
    _, after = asked(stand, 13)
    assert after.answer * PASCAL_LITRE < stand.schedule.valve.coating.carbonate
