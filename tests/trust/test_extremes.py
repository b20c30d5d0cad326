"""Extreme but valid designs run, close their ledgers, and cost no more than in proportion to their size.

Steps are counted, not seconds.  Outside checks: mass is conserved, and gas leaves the sooner the wider the exhaust stem (the
molecular conductance of a tube grows with the cube of its bore: Knudsen 1909).
"""

import pytest

from benchmarks import extremes


@pytest.fixture(scope="module")
def all_of_them(schedules):
    return {name: [extremes.measured(*one) for one in ones] for name, ones in extremes.series(schedules["standard"]).items()}


def test_every_extreme_is_there(all_of_them):
    sizes = {name: [row.size for row in rows] for name, rows in all_of_them.items()}
    assert {1, 60} <= set(sizes["positions"]) and max(sizes["parts"]) == 40 and {0.5, 10.0} <= set(sizes["bore, mm"])
    assert {1, 3600} <= set(sizes["index, s"]) and max(sizes["life, s"]) == 1e9 and len(sizes["no gas in"]) == 7


def test_every_run_closes_its_ledger_and_is_finite(all_of_them):
    for name, rows in all_of_them.items():
        for row in rows:
            assert row.finite and row.ledger_error < 1e-12, f"{name} {row.size}: {row.ledger_error}"


def test_steps_grow_no_faster_than_positions(all_of_them):
    """From each size to the next, with a tenth to spare for a step on the edge.  One position is a bench with a schedule of its own."""
    rows = [row for row in all_of_them["positions"] if row.size > 1]
    for smaller, larger in zip(rows, rows[1:], strict=False):
        assert larger.steps <= 1.1 * smaller.steps * larger.size / smaller.size, (smaller, larger)
    assert all_of_them["positions"][0].steps < 1.1 * rows[-1].steps


@pytest.mark.parametrize("name", ["parts", "life, s"])
def test_steps_do_not_grow_with_parts_or_life(all_of_them, name):
    steps = [row.steps for row in all_of_them[name]]
    assert max(steps) < 1.4 * min(steps)  # 1.2 for parts, 1.01 for life


def test_a_pass_grows_no_faster_than_size_on_too_small_pumps(all_of_them):
    rows = all_of_them["on same pumps"]
    for smaller, larger in zip(rows, rows[1:], strict=False):
        assert larger.steps_of_a_pass <= 1.1 * smaller.steps_of_a_pass * larger.size / smaller.size
    assert max(row.passes for row in rows) <= 16  # 8 with sixty


def test_long_and_short_indices(all_of_them):
    """Over 3600 times the index the steps of a pass grow by 4; of passes there are most at ten minutes, 16 of the 30 allowed."""
    rows = all_of_them["index, s"]
    assert max(row.steps_of_a_pass for row in rows) < 8 * min(row.steps_of_a_pass for row in rows)
    assert max(row.passes for row in rows) <= 24


def test_a_wider_exhaust_stem_pumps_faster(all_of_them):
    narrow = [row.bulb_pressure for row in all_of_them["bore, mm"] if row.size <= 3.0]
    assert narrow[0] > 5.0 * narrow[1] > 25.0 * narrow[2]
    assert max(row.steps for row in all_of_them["bore, mm"]) < 2 * min(row.steps for row in all_of_them["bore, mm"])


def test_a_part_without_gas_changes_the_work_little(all_of_them, schedules):
    assert all(row.steps_of_a_pass < 1500 for row in all_of_them["no gas in"])
    before = all_of_them["positions"][2]
    assert before.size == len(schedules["standard"].positions)
    # No single part decides the pressure just before the flash; the most that one does is a tenth.
    assert all(row.bulb_pressure == pytest.approx(before.bulb_pressure, rel=0.2) for row in all_of_them["no gas in"])


def test_parts_in_pieces_are_the_same_valve(all_of_them):
    whole = [row.bulb_pressure for row in all_of_them["parts"] if row.size >= 7]
    assert whole == pytest.approx([whole[0]] * len(whole), rel=0.02)
