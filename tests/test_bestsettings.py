"""Settings chosen together: nothing one step away is quicker, the file says what was found, bad questions are refused.

That a global search with ten times the runs does not beat the answer is shown by `python -m benchmarks.dwell_scan`.
"""

from dataclasses import replace

import numpy as np
import pytest

from exhaustsim.plant.designfile import load_schedule
from exhaustsim.plant.faults import DesignFault
from exhaustsim.reporting.dwellplots import frontier_picture
from exhaustsim.studies.bestsettings import INDEX_STEP, Frontier, best_settings, frontier, settings_of, values_of, with_settings
from exhaustsim.studies.trials import Trials


def only_free(schedule, *names):
    """Limits that leave only these settings free."""
    settings = settings_of(schedule)
    return {s.name: (x, x) for s, x in zip(settings, values_of(schedule, settings), strict=True) if s.name not in names}


@pytest.fixture(scope="module")
def best(schedules):
    return best_settings(schedules["standard"], limits=only_free(schedules["standard"], "flash_watts") | {"flash_watts": (8.0, 9.5)})


def test_found_settings_pass_and_no_neighbour_is_quicker(best):
    assert best.verdict.passes and best.found.index_time < 10.0  # shortest_index finds 10.23 s with the flash of the card
    trials = Trials()
    for k, setting in enumerate(best.settings):
        for step in (-setting.step, setting.step):
            values = np.array(best.after)
            values[k] += step
            if setting.low <= values[k] <= setting.high:
                assert not trials.of(with_settings(best.schedule, best.settings, values, best.found.index_time - INDEX_STEP)).passes
    assert not trials.of(with_settings(best.schedule, best.settings, best.after, best.found.index_time - INDEX_STEP)).passes


def test_loaded_machine_bears_it_out_and_the_file_gives_it_back(best, tmp_path):
    assert best.loaded_passes and "bears it out" in best.sentence
    path = tmp_path / "best.toml"
    path.write_text(best.text(tmp_path), encoding="utf-8")
    assert replace(load_schedule(path), source=best.found.source) == replace(
        best.found, valve=load_schedule(path).valve, machine=load_schedule(path).machine
    )
    assert "for trial under supervision" in path.read_text(encoding="utf-8")


def test_json(best):
    told = best.to_json()
    assert told["valves_per_hour"] == pytest.approx(3600.0 / best.found.index_time) and told["loaded_machine_passes"]
    assert [s["name"] for s in told["settings"]] == ["oven", "rf", "flash_watts", "flash_start", "heater 9", "heater 10", "heater 11", "heater 12"]


def test_card_settings_give_the_card(schedules):
    s = schedules["standard"]
    settings = settings_of(s)
    assert with_settings(s, settings, values_of(s, settings), s.index_time) == s


def test_margin_out_of_reach_is_an_answer_and_ends_the_frontier(schedules):
    s = schedules["standard"]
    limits = only_free(s)
    found = frontier(s, margins=(0.9,), limits=limits)
    assert isinstance(found, Frontier) and found.points[0].found is None
    assert "No settings inside the limits keep a margin of 90%" in found.sentence
    with pytest.raises(ValueError, match="no settings were found"):
        found.points[0].text()
    assert frontier_picture(found).axes


def test_refusals(schedules):
    s = schedules["standard"]
    with pytest.raises(DesignFault) as told:
        best_settings(s, margin=1.5, limits={"oven": (900.0, 600.0), "heater 3": (1.0, 2.0)}, only=["nothing"])
    assert len(told.value.faults) == 4
    with pytest.raises(DesignFault, match="rising"):
        frontier(s, margins=(0.1, 0.0))
