"""Which limit binds: order, margins, and agreement with the verdict."""

import json
import math

import numpy as np
import pytest
from fake_run import NODES, fake_run, opening_time, with_values

from exhaustsim.constants import ZERO_CELSIUS
from exhaustsim.studies.binding import binding_sentence, margins
from exhaustsim.studies.flags import CHECKS
from exhaustsim.studies.verdict import judge


def with_peak(run, node, temperature):
    """`run` with one node at `temperature` [degC] in the middle of position 12."""
    nodes = run.temperature.copy()
    samples = run.dwell_samples(12)
    nodes[samples[len(samples) // 2], NODES.index(node)] = temperature + ZERO_CELSIUS
    return with_values(run, temperature=nodes)


def test_the_nearest_limit_is_the_one_with_least_left():
    verdict = judge(with_peak(fake_run(), "cathode_sleeve", 1149.0))
    first = margins(verdict)[0]
    assert first.name == "cathode_over_temperature"
    assert first.level == "warn"
    assert first.kept
    assert first.margin == pytest.approx(1.0 - 1149.0 / 1150.0)
    assert first.position == 12
    sentence = binding_sentence(margins(verdict))
    assert sentence.startswith(
        "Nearest limit: true cathode temperature (position 12) 1149 degC against the warn limit of 1150 degC, margin 0.087%. Next: "
    )


def test_a_limit_passed_is_told_before_the_nearest_kept():
    """Warn at 1150 degC passed, stop at 1190 degC kept: both are told."""
    verdict = judge(with_peak(fake_run(), "cathode_sleeve", 1189.0))
    mine = [m for m in margins(verdict) if m.name == "cathode_over_temperature"]
    assert [(m.level, m.kept) for m in mine] == [("warn", False), ("stop", True)]
    sentence = binding_sentence(margins(verdict))
    assert sentence.startswith("Passed: true cathode temperature (position 12) 1189 degC against the warn limit of 1150 degC. ")
    assert "Nearest of the limits kept: true cathode temperature (position 12) 1189 degC against the stop limit" in sentence


def test_beyond_the_stop_only_the_stop_is_told():
    verdict = judge(with_peak(fake_run(), "cathode_sleeve", 1200.0))
    mine = [m for m in margins(verdict) if m.name == "cathode_over_temperature"]
    assert [(m.level, m.kept) for m in mine] == [("stop", False)]


def test_a_target_missed_counts_what_is_missing():
    run = fake_run()
    start = opening_time(run.schedule, 10)
    verdict = judge(with_values(run, converted_fraction=np.interp(run.time, [start, start + 25.0], [0.0, 0.96])))
    found = margins(verdict)
    target = next(m for m in found if m.name == "converted_fraction")
    assert target.margin == pytest.approx(1.0 - 0.04 / 0.005)
    assert "incomplete_breakdown" not in [m.name for m in found]  # the target says the same
    assert "Passed: converted fraction (on leaving the pump) 96% against the target of 99.5%" in binding_sentence(found)


@pytest.mark.parametrize("name", ["standard", "faster", "too_fast"])
def test_it_agrees_with_the_verdict(runs, name):
    """A limit is passed here when, and only when, the verdict misses the target or raises the flag at that level."""
    verdict = judge(runs[name])
    found = margins(verdict)
    missed = {check.name for check in verdict.targets if not check.met}
    assert {m.name for m in found if m.level == "target" and not m.kept} == missed
    raised = {(f.name, f.level) for f in verdict.flags if f.level != "note" and not f.covers_target}
    assert {(m.name, m.level) for m in found if m.level != "target" and not m.kept} == raised


@pytest.mark.parametrize("name", ["standard", "too_fast"])
def test_order_and_figures(runs, name):
    found = margins(judge(runs[name], "mbar"))
    assert [m.margin for m in found] == sorted(m.margin for m in found)
    assert all(math.isfinite(m.margin) and m.margin <= 1.0 for m in found)
    assert len(found) > 25
    assert any("mbar" in m.figures for m in found)
    assert len({(m.what, m.level) for m in found}) == len(found)
    json.dumps([m.to_json() for m in found], allow_nan=False)


def test_limits_of_nought_and_the_computation_are_left_out(runs):
    names = {m.name for m in margins(judge(runs["standard"]))}
    assert names.isdisjoint({"index_infeasible", "ledger_open", "outside_evidence", "tip_burst"})
    assert {"index_infeasible", "ledger_open", "outside_evidence", "tip_burst"} <= {check.name for check in CHECKS}


def test_it_goes_with_small_temperatures_of_the_standard_run(runs):
    """The card lights the last heater step to 1140 degC against a warn limit of 1150: that binds first."""
    first, second = margins(judge(runs["standard"]))[:2]
    assert first.name == "cathode_over_temperature"
    assert 0.0 < first.margin < 0.02
    assert second.margin > first.margin
