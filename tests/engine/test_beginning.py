"""Runs that begin at the line pressures of other runs, and lines that find no periodic state."""

from dataclasses import replace

import numpy as np
import pytest
from altered import coating_with, with_index

from exhaustsim.engine import run as engine_run
from exhaustsim.engine.lines import Lines
from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.machine import DiffusionPump
from exhaustsim.studies.verdict import judge

TARGETED = ("total_bulb_pressure", "converted_fraction", "barium_spent")


def same_to_a_thousandth(one, other):
    """At the ends of the positions and at the end of ageing, where verdicts look."""
    for name in TARGETED:
        here, there = getattr(one, name), getattr(other, name)
        for sample in [*(one.end_of(p) for p in range(2, 16)), one.judged_at, one.end_of_ageing]:
            assert here[sample] == pytest.approx(there[sample], rel=1e-3), (name, sample)


def with_needles(schedule, factor):
    return coating_with(schedule, needle_radius=factor * schedule.valve.coating.needle_radius)


def with_water(schedule, factor):
    def wetter(part):
        return replace(part, surface_gases=tuple(replace(g, amount=factor * g.amount) for g in part.surface_gases))

    return replace(schedule, valve=replace(schedule.valve, parts=tuple(wetter(p) for p in schedule.valve.parts)))


def test_a_run_begun_at_itself_needs_one_pass_and_comes_to_the_same(runs):
    run = runs["standard"]
    again = simulate(run.schedule, near=(run,))
    assert again.outcome.line_iterations == 1 < run.outcome.line_iterations
    assert again.outcome.steps < 0.7 * run.outcome.steps
    same_to_a_thousandth(again, run)


def test_another_valve_begun_there_comes_to_what_it_would_alone(runs):
    for schedule in (with_needles(runs["standard"].schedule, 0.5), with_water(runs["standard"].schedule, 3.0)):
        alone, begun = simulate(schedule), simulate(schedule, near=(runs["standard"],))
        assert begun.outcome.steps < alone.outcome.steps
        assert begun.ledger.error < 1e-10
        same_to_a_thousandth(begun, alone)


def test_what_two_changes_do_is_expected_from_each_alone(runs):
    nominal = runs["standard"]
    fine, wet = (simulate(s) for s in (with_needles(nominal.schedule, 0.5), with_water(nominal.schedule, 3.0)))
    both = with_water(fine.schedule, 3.0)
    lines = Lines(both)
    true = simulate(both)

    def off(near):
        """Largest relative distance of the line pressures begun with from the true ones, at the end of the index."""
        return max(
            abs(a[-1].sum() / b.pressure[-1].sum() - 1.0) for a, b in zip(lines.like(near).pressure, true.lines, strict=True)
        )

    assert off((nominal, fine, wet)) < 0.02 < 0.2 * off((nominal,))
    begun = simulate(both, near=(nominal, fine, wet))
    assert begun.outcome.line_iterations <= simulate(both, near=(nominal,)).outcome.line_iterations
    same_to_a_thousandth(begun, true)


def test_other_timing_is_refused(runs):
    run = runs["standard"]
    with pytest.raises(ValueError, match="the same lines, index time and RF times"):
        simulate(with_index(run.schedule, run.schedule.index_time + 1.0), near=(run,))
    with pytest.raises(ValueError, match="the same lines"):
        simulate(run.schedule, near=(replace(run, line_history=None),))


def test_only_what_moved_is_marched_again(runs, monkeypatch):
    """In its last passes the valve begins where the first line that still moved meets it."""
    firsts = []
    march = engine_run.march_valve

    def counted(valve, phases, first, last, *rest):
        firsts.append(int(phases.position[phases.sample_ptr[first]]) if first else 1)
        return march(valve, phases, first, last, *rest)

    monkeypatch.setattr(engine_run, "march_valve", counted)
    run = simulate(with_needles(runs["standard"].schedule, 0.5), near=(runs["standard"],))
    on_machine = firsts[:-1]
    assert on_machine[0] == 1 and max(on_machine) > 1, firsts
    assert run.ledger.error < 1e-10
    # Nothing jumps where the marches were joined.
    joint = run.transfer_samples(max(on_machine))[0]
    assert run.temperature[joint] == pytest.approx(run.temperature[joint - 1], rel=1e-9)


# ---- lines without a periodic state ----------------------------------------------------


def with_diffusion(schedule, **changes):
    lines = tuple(
        replace(line, pump=replace(line.pump, **changes)) if isinstance(line.pump, DiffusionPump) else line
        for line in schedule.machine.lines
    )
    return replace(schedule, machine=replace(schedule.machine, lines=lines))


def test_an_overloaded_line_is_called_overloaded(schedules):
    """231 Pa L of CO2 every 14 s are some 16 Pa L/s; 40 L/s with a knee of 0.1 Pa pass 4.

    The line fills until the jet fails in the dense gas and the backing pump draws through the dead pump: a periodic state,
    and a line to be told of.
    """
    violent = load_schedule("demo_data/schedules/dr3_late_and_violent.toml")
    run = simulate(with_diffusion(violent, knee_pressure=0.1))
    wave = next(w for w in run.lines if w.name == "D1")
    assert wave.running.min() < 0.5
    assert {("line_overload", "stop"), ("backstreaming", "stop")} <= {(f.name, f.level) for f in judge(run).flags}
    text = engine_run._why_unsettled(Lines(run.schedule), run.line_history)
    assert "line D1 is overloaded" in text and "more than the 4 Pa L/s" in text and "speed x knee pressure" in text
    assert "stall" not in text


def test_stalling_and_jitter_are_told_apart(runs):
    run = runs["standard"]
    lines = Lines(run.schedule)
    number = [line.name for line in run.schedule.machine.lines].index("D")
    stalled = np.ones_like(run.line_history.running)
    stalled[number] = 0.5
    stalling = run.line_history._replace(running=stalled)
    assert "pump of line D stalls and recovers" in engine_run._why_unsettled(lines, stalling)
    assert "jitter more than the tolerance" in engine_run._why_unsettled(lines, run.line_history)
