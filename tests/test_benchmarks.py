"""The benchmark itself: what it would write, how it reads off equal error, that its variants are what they say."""

import json
import platform

import numpy as np
import pytest

from benchmarks import __main__ as program
from benchmarks import variants
from benchmarks.competitors import read_off
from benchmarks.figures import FIGURES


def test_machine_in_general_words():
    """Cores and versions, nothing that names the machine, its user or a folder."""
    told = json.dumps(program.machine())
    assert platform.node() not in told
    assert "/" not in told
    assert program.machine()["cores"] >= 1


def test_every_figure_says_what_it_is():
    for figure in FIGURES:
        assert figure.__doc__


def test_unknown_figure_is_refused(capsys):
    with pytest.raises(SystemExit) as end:
        program.main(["speediness"])
    assert end.value.code == 2
    told = capsys.readouterr().err
    assert "'speediness' is no figure" in told and "one_valve" in told


def test_time_at_equal_error_lies_between_the_rungs():
    """A power law is read off exactly; a rung that meets the error is taken as it is."""
    def rung(rtol):
        return rtol, 30.0 * rtol**0.8, 5.0 * rtol**-0.2

    rtol, ratio = read_off([rung(1e-3), rung(1e-4), rung(10**-4.5)], 30.0 * 5e-5**0.8)
    assert rtol == pytest.approx(5e-5, rel=1e-12)
    assert ratio == pytest.approx(5.0 * 5e-5**-0.2, rel=1e-12)
    assert read_off([rung(1e-3)], 1.0) == (1e-3, rung(1e-3)[2])


@pytest.mark.parametrize("count", [8, 16, 32, 60])
def test_machine_of_other_size_runs_the_same_schedule(schedules, count):
    """Every action once and in order, the same share of positions on each line and in the oven."""
    base, other = schedules["standard"], variants.with_positions(schedules["standard"], count)
    assert [p.position for p in other.positions] == list(range(1, count + 1)) == list(range(1, other.machine.positions + 1))
    wanted = [p.action for p in base.positions if p.action and not (count == 8 and p.action == "spark_test")]
    assert [p.action for p in other.positions if p.action] == wanted
    if count % 16 == 0:
        lines = list(base.machine.line_of_position.values())
        assert sorted(other.machine.line_of_position.values()) == sorted(lines * (count // 16))
    assert sum(p.rf is not None for p in other.positions if p.action == "flash") == 1


@pytest.mark.parametrize("count", [14, 40])
def test_cut_parts_hold_what_the_whole_held(schedules, count):
    """Gas, heat capacity, radiating area and RF watts add up to what they were."""
    base, cut = schedules["standard"].valve, variants.with_parts(schedules["standard"], count).valve
    assert len(cut.parts) == count

    def totals(valve):
        gas = sum(
            g.amount for p in valve.parts
            for g in (*p.surface_gases, *p.diffusing_gases, *p.first_order_gases, *p.empirical_gases)
        )  # fmt: skip
        return [
            gas, sum(n.heat_capacity for n in valve.nodes), sum(r.emissivity_area for r in valve.radiation),
            sum(c.conductance for c in valve.conduction), sum(g.area for g in valve.gas_conduction),
        ]  # fmt: skip

    np.testing.assert_allclose(totals(cut), totals(base), rtol=1e-12)
