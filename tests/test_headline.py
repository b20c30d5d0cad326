"""Which reason a headline gives first."""

import pytest
from fake_run import fake_run

from exhaustsim.plant.valve import Target
from exhaustsim.studies.flags import CHECKS
from exhaustsim.studies.headline import CAUSES, Reason, told_in_order
from exhaustsim.studies.verdict import judge


def keys(*reasons):
    return [reason.key for reason in told_in_order([Reason(*r, phrase=r[0]) for r in reasons])]


def test_the_table_names_targets_and_checks_only():
    known = {check.key for check in CHECKS} | set(Target.__dataclass_fields__)
    assert set(CAUSES) <= known
    assert {cause for causes in CAUSES.values() for cause in causes} <= known


def test_nothing_is_its_own_cause():
    def behind(key, path=()):
        assert key not in path, f"{key} brings itself about"
        for cause in CAUSES.get(key, ()):
            behind(cause, (*path, key))

    for key in CAUSES:
        behind(key)


def test_the_cause_is_told_before_a_consequence_far_more_beyond():
    assert keys(("sealed_oxidant", 1400.0, 900.0), ("converted_fraction", 7.5, 80.0), ("cold_bake", 1.1, 40.0)) == [
        "converted_fraction", "sealed_oxidant", "cold_bake",
    ]  # fmt: skip


def test_causes_of_causes_come_first_of_all():
    assert keys(("sealed_pressure", 9.0, 900.0), ("barium_spent", 3.0, 900.0), ("converted_fraction", 2.0, 80.0)) == [
        "converted_fraction", "barium_spent", "sealed_pressure",
    ]  # fmt: skip
    assert keys(("backstreaming", 5.0, 3.0), ("line_overload", 4.0, 3.0), ("forepressure", 2.0, 3.0)) == [
        "forepressure", "line_overload", "backstreaming",
    ]  # fmt: skip


def test_one_cause_is_enough_and_the_others_keep_their_rank():
    assert keys(("converted_fraction", 14.0, 80.0), ("barium_spent", 3.7, 900.0), ("premature_flash", 1.03, 50.0)) == [
        "converted_fraction", "barium_spent", "premature_flash",
    ]  # fmt: skip


def test_what_came_later_is_no_cause():
    assert keys(("co2_at_flash", 3.0, 50.0), ("converted_fraction", 2.0, 80.0)) == ["co2_at_flash", "converted_fraction"]
    assert keys(("co2_at_flash", 3.0, 50.0), ("converted_fraction", 2.0, None)) == ["converted_fraction", "co2_at_flash"]


def test_unrelated_reasons_stand_by_how_far_beyond_they_are():
    assert keys(("suck_in", 1.2, 10.0), ("mica_over_temperature", 1.3, 20.0)) == ["mica_over_temperature", "suck_in"]


def test_the_demo_card_that_is_too_fast_opens_with_its_unfinished_breakdown(runs):
    sentence = judge(runs["too_fast"]).sentence
    fails = sentence.split("still fails: ")[1]
    assert fails.startswith("converted fraction on leaving the pump 96.2%")
    assert fails.index("converted fraction") < fails.index("lit cathode") < fails.index("barium spent")


def test_one_reading_is_told_once():
    """An overloaded diffusion pump raises two flags by one reading."""
    from test_verdict import diffusion_at

    verdict = judge(diffusion_at(fake_run(), 0.9))
    assert {"line_overload", "backstreaming"} <= {flag.key for flag in verdict.flags if flag.level == "stop"}
    assert verdict.sentence.count("inlet pressure") == 1


@pytest.mark.parametrize("met", [True, False])
def test_reasons_of_a_missed_bulb_pressure_follow_the_same_rule(met):
    reasons = [("converted_fraction", 2.0, 80.0)] if not met else []
    assert keys(("bulb_pressure", float("inf"), 100.0), *reasons)[-1] == "bulb_pressure"
