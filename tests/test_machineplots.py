"""Pictures of the loaded machine show the run's own numbers, with nothing overlapping and nothing cut off."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from machine_findings import broken_on_15, leaker_on_5
from matplotlib.patches import Circle, Wedge
from test_plots import assert_legible, line_with, texts_of

from exhaustsim.reporting import machineplots
from exhaustsim.studies.stops import StopTolerance


def tolerances():
    """Made up: every kind of bar, with the longest name of a flag."""
    rows = [StopTolerance(p, 3600.0, None, "", "") for p in range(1, 8)]
    rows += [StopTolerance(p, s, 1.1 * s, "cathode_over_temperature", "why") for p, s in zip(range(8, 14), (150, 90, 61, 59, 31, 29), strict=True)]
    short = [StopTolerance(14, 8.4, 9.0, "anode_over_temperature", "why"), StopTolerance(15, 0.0, 1.0, "suck_in", "why")]
    return (*rows, *short, StopTolerance(16, 1e3, 1.1e3, "x", "why"))


@pytest.fixture(scope="module")
def leaker():
    return replace(leaker_on_5(), tolerances=tolerances())


def test_nothing_overlaps_or_is_cut_off(leaker):
    made = machineplots.pictures(leaker)
    assert [name for name, *_ in made] == ["lines", "line_pressures", "excess", "cross_talk", "stop_tolerance"]
    for _, figure, _ in made:
        assert_legible(figure)


def test_a_machine_of_24_heads_with_a_broken_valve_an_empty_head_and_a_stop_is_legible():
    for _, figure, _ in machineplots.pictures(broken_on_15()):
        assert_legible(figure)
    # The index in which the turret stands has its time in it.
    findings = broken_on_15()
    stood = next(i for i in findings.run.indices if i.halt.duration > 0.0)
    figure = machineplots.line_pressures(findings, stood.number)
    assert_legible(figure)
    assert figure.axes[0].get_xlim()[1] == pytest.approx(findings.run.schedule.index_time + 20.0)
    assert any("the turret stands, 20 s" in text for text, _ in texts_of(figure))


def test_the_ring_counts_positions_and_heads_from_one_and_marks_what_is_spoiled(leaker):
    figure = machineplots.line_diagram(leaker)
    axes = figure.axes[0]
    words = [t.get_text() for t in axes.texts]
    for number in range(1, 17):
        assert words.count(str(number)) == 2  # a position and a head
    # In index 1 head n stands at position n: both on one ray from the middle.
    for number in (1, 5, 16):
        one, other = (np.arctan2(*t.get_position()) for t in axes.texts if t.get_text() == str(number))
        assert one == pytest.approx(other, abs=0.02)
    marks = [line.get_marker() for line in axes.lines]
    scrap = {s.head for s in leaker.scrap}
    assert marks.count("X") == 1 and marks.count("v") == len(scrap - {5})
    assert any("head 5 leaks 1.0 Pa L/s, to scrap" in text for text, _ in texts_of(figure))
    assert sum(isinstance(p, Circle) for p in axes.patches) == 16
    assert sum(isinstance(p, Wedge) for p in axes.patches) >= 6  # five lines, one sector without, the oven


@pytest.mark.parametrize("findings", [leaker_on_5, broken_on_15])
def test_neighbouring_lines_differ_without_colour(findings):
    machine = findings().run.schedule.machine
    dresses = [machineplots._dress(machine, line.name) for line in machine.lines]
    assert all(one != other for one, other in pairwise(dresses))
    for fill, _ in dresses:  # greys only
        assert fill[1:3] == fill[3:5] == fill[5:7]


def test_line_pressures_are_those_of_the_run(leaker):
    index = leaker.run.indices[leaker.worst_index - 1]
    axes = machineplots.line_pressures(leaker).axes[0]
    assert axes.get_yscale() == "log"
    for wave, usual in zip(index.lines, leaker.usual.last.lines, strict=True):
        line_with(axes, wave.pressure.sum(axis=1))
        line_with(axes, usual.pressure.sum(axis=1))


def test_the_worst_index_is_one_with_the_leaker_on_the_diffusion_line(leaker):
    """Head 5 is at position 5 in index 1, so it comes to positions 13 to 15, line D, in indices 9 to 11."""
    assert leaker.worst_index in (9, 10, 11)
    excess = leaker.excess
    assert excess[13 - 1 + leaker.worst_index - 9] > 100.0  # the leaker itself
    off_line = [p for p in range(1, 13)]
    assert np.allclose(excess[[p - 1 for p in off_line]], 1.0, rtol=5e-3)


def test_bars_reach_as_long_as_the_stop_that_is_borne(leaker):
    axes = machineplots.stop_bars(leaker).axes[0]
    bars = {round(p.get_x() + 0.5 * p.get_width()): p for p in axes.patches if hasattr(p, "get_x")}
    for row in leaker.tolerances:
        if row.seconds > 2.0:
            assert bars[row.position].get_y() + bars[row.position].get_height() == pytest.approx(row.seconds)
    assert axes.get_yscale() == "log"
    limits = [line.get_ydata()[0] for line in axes.lines if len(set(line.get_ydata())) == 1]
    assert {10.0, 30.0} <= set(limits)
    hatched = {p for p, bar in bars.items() if bar.get_hatch()}
    assert hatched == {14, 15}  # below 10 s


def test_what_was_not_asked_is_refused():
    quiet = replace(leaker_on_5(), talk=(), tolerances=())
    for make in (machineplots.neighbours_excess, machineplots.stop_bars):
        with pytest.raises(ValueError, match="ask for it"):
            make(quiet)


def test_a_ring_of_48_heads_is_legible_without_colour(leaker):
    """The findings of 16 heads stretched by three: the same pictures with three times the marks, in the sizes of a print."""
    findings = stretched(leaker, 3)
    for name, figure, _ in machineplots.pictures(findings):
        if name != "line_pressures":
            assert_legible(figure)
    axes = machineplots.line_diagram(findings).axes[0]
    numbers = [t for t in axes.texts if t.get_text().isdigit()]
    assert sorted(int(t.get_text()) for t in numbers) == sorted([*range(1, 49)] * 2)
    assert min(t.get_fontsize() for t in numbers) >= 6.0  # points: smaller cannot be read on paper
    for circle in (p for p in axes.patches if isinstance(p, Circle)):
        assert len(set(circle.get_facecolor()[:3])) == 1  # grey
    # Spoiled heads are told by reason, not one by one.
    told = [text for text, _ in texts_of(machineplots.line_diagram(findings)) if "to scrap: " in text]
    assert len(told) == len({s.reasons[0] for s in findings.scrap if s.position is not None and s.head != 5})


def stretched(findings, times):
    """Findings drawn for a machine of so many times the positions: what befell position or head n befalls the ones beside it."""
    def spread(numbers):
        return tuple(times * (n - 1) + k for n in numbers for k in range(1, times + 1))

    run = findings.run
    machine = run.schedule.machine
    more = replace(
        machine, positions=times * machine.positions, oven_positions=spread(machine.oven_positions), rf_positions=spread(machine.rf_positions),
        line_of_position={p: name for q, name in machine.line_of_position.items() for p in spread([q])},
    )  # fmt: skip

    def index(one):
        position = {h: p for old, place in one.position.items() for h, p in zip(spread([old]), spread([place]), strict=True)}
        bulb = {h: pressure for old, pressure in one.bulb_pressure.items() for h in spread([old])}
        return replace(one, position=position, bulb_pressure=bulb)

    wide = [replace(r, indices=tuple(map(index, r.indices)), schedule=replace(r.schedule, machine=more)) for r in (run, findings.usual)]
    scrap = tuple(
        replace(s, head=h, position=p) for s in findings.scrap
        for h, p in zip(spread([s.head]), spread([s.position]) if s.position else [None] * times, strict=True)
    )  # fmt: skip
    talk = tuple(replace(row, position=p) for row in findings.talk for p in spread([row.position]))
    bears = tuple(replace(row, position=p) for row in findings.tolerances for p in spread([row.position]))
    return replace(findings, run=wide[0], usual=wide[1], scrap=scrap, talk=talk, tolerances=bears)
