"""From card to card one change at a time: the steps add up, and the order is owned up to."""

from dataclasses import replace
from math import fsum

import pytest

from exhaustsim.plant.faults import DesignFault
from exhaustsim.reporting.dwellplots import waterfall_picture
from exhaustsim.studies.trials import TARGETS
from exhaustsim.studies.waterfall import MARGIN, OUTPUT, changes_between, waterfall, with_changes


@pytest.fixture(scope="module")
def to_too_fast(schedules):
    return waterfall(schedules["standard"], schedules["too_fast"], order=["index time", "RF"])


def test_changes_between_cards(schedules):
    changes = changes_between(schedules["standard"], schedules["faster"])
    assert [c.name for c in changes] == ["index time", "oven", "RF", "heater steps", "flash"]
    assert changes[3].positions == (9, 10, 11, 12) and "4.36 to 4.96 V" in changes[3].words
    single = changes_between(schedules["standard"], schedules["faster"], by_position=True)
    assert [c.name for c in single if c.part == "rf"] == ["RF 8", "RF 9", "RF 10"]
    assert changes_between(schedules["standard"], schedules["standard"]) == ()


def test_all_changes_make_the_other_card(schedules):
    for name in ("faster", "too_fast"):
        a, b = schedules["standard"], schedules[name]
        made = with_changes(a, b, changes_between(a, b))
        assert replace(made, name=b.name, intention=b.intention, source=b.source) == b


def test_rf_that_follows_the_dwell_is_no_change(schedules):
    s = schedules["standard"]
    slower = with_changes(s, replace(s, index_time=14.0), changes_between(s, replace(s, index_time=14.0))[:1])
    assert slower.positions[7].rf.duration == pytest.approx(slower.dwell)
    assert [c.name for c in changes_between(s, slower)] == ["index time"]


def test_steps_add_up_to_the_difference(to_too_fast):
    """Each step begins where the last one ended; sums differ from the whole by the rounding of the subtractions only."""
    w = to_too_fast
    assert w.steps[0].before == w.start and all(a.after == b.before for a, b in zip(w.steps, w.steps[1:], strict=False))
    assert w.end[OUTPUT] == 600.0 and w.start[OUTPUT] == 300.0
    for name in (*TARGETS, OUTPUT):
        scale = max(abs(w.start[name]), *(abs(s.after[name]) for s in w.steps))
        assert abs(fsum(s.bought[name] for s in w.steps) - (w.end[name] - w.start[name])) <= 1e-14 * scale
        # The mean over all orders adds up as well (it is the Shapley value of cooperative games).
        assert fsum(i.mean[name] for i in w.influence.values()) == pytest.approx(w.end[name] - w.start[name], abs=1e-13 * scale)


def test_order_stated_and_its_influence(to_too_fast):
    """The speed spoils the breakdown; how much RF repairs depends on whether the speed came first."""
    w = to_too_fast
    assert [s.change.name for s in w.steps][:2] == ["index time", "RF"] and w.orders == "all orders"
    assert [s.change.name for s in w.turning] == ["index time"] and not w.steps[0].passes
    rf = w.influence["RF"]
    assert rf.least["converted_fraction"] < 1e-6 and rf.most["converted_fraction"] > 0.1
    for step in w.steps:
        i = w.influence[step.change.name]
        for name, bought in step.bought.items():
            assert i.least[name] <= bought <= i.most[name] and i.least[name] <= i.mean[name] <= i.most[name] or name == MARGIN
    assert "index time (12 to 6 s) makes it fail" in w.sentence
    assert w.runs == 2 ** len(w.steps)


def test_tables(to_too_fast):
    assert len(to_too_fast.text_rows()) == len(to_too_fast.steps) + 2
    told = to_too_fast.to_json()
    assert told["steps"][0]["change"] == "index time" and told["end"][OUTPUT] == 600.0


def test_pictures(to_too_fast):
    for name in ("bulb_pressure", "converted_fraction", OUTPUT, MARGIN):
        words = [text.get_text() for text in waterfall_picture(to_too_fast, name).axes[0].get_xticklabels()]
        assert words == ["old card", "index time", "RF", "oven", "flash", "new card"]
    with pytest.raises(ValueError, match="no quantity"):
        waterfall_picture(to_too_fast, "colour")


def test_refusals(schedules):
    s = schedules["standard"]
    with pytest.raises(DesignFault, match="one valve on one machine"):
        waterfall(s, replace(s, machine=replace(s.machine, name="other", transfer_time=1.0)))
    with pytest.raises(DesignFault) as told:
        waterfall(s, schedules["faster"], order=["index tim", "oven", "oven"])
    assert 'did you mean "index time"' in str(told.value) and "stands there twice" in str(told.value)


def test_rf_that_would_begin_after_the_dwell_does_not_come_on(schedules):
    s = schedules["standard"]

    def card(start, index_time):
        positions = list(s.positions)
        positions[7] = replace(positions[7], rf=replace(positions[7].rf, start=start, duration=2.0))
        return replace(s, positions=tuple(positions), index_time=index_time)

    late, early = card(7.8, 12.0), card(0.5, 8.0)
    shorter = with_changes(late, early, [c for c in changes_between(late, early) if c.name == "index time"])
    assert shorter.dwell < 7.8 and shorter.positions[7].rf is None
    assert all(p.rf is None or p.rf.duration > 0.0 for p in shorter.positions)
