"""The process card: one A4 page, marked DRAFT and nothing else, with what a setter needs.

Page size by the standard: A4 is 210 x 297 mm (ISO 216), in points of 1/72 inch 595.3 x 841.9.
"""

import datetime
import re

import pytest

from exhaustsim.engine.draft import draft
from exhaustsim.reporting.card import card_html, card_pdf, card_words, write_card
from exhaustsim.studies.verdict import judge

DAY = datetime.date(2026, 11, 25)


@pytest.fixture(scope="module")
def verdicts(runs):
    return {name: judge(run) for name, run in runs.items()}


def test_one_page_of_a4(verdicts):
    data = card_pdf(verdicts["standard"], DAY)
    assert data.startswith(b"%PDF")
    assert re.findall(rb"/Count (\d+)", data) == [b"1"]
    (box,) = re.findall(rb"/MediaBox \[ ?([\d. ]+?) ?\]", data)
    left, bottom, right, top = map(float, box.split())
    assert (right - left, top - bottom) == pytest.approx((595.3, 841.9), abs=1.0)


@pytest.mark.parametrize("name", ["standard", "faster", "too_fast"])
def test_draft_for_trial_and_nothing_else(verdicts, name):
    text = card_html(verdicts[name], DAY)
    assert "DRAFT FOR TRIAL" in text and "RELEASED" not in text
    assert "not an interlock" in text and "protection" in text
    assert not re.search(r"\bsafe\b", text, re.IGNORECASE)
    assert "#" not in re.sub(r"#000|#fff|&#\w+;", "", re.sub(r"data:image[^\"]*", "", text))  # black on white


def test_a_row_for_each_position_with_the_settings_of_the_schedule(verdicts):
    run = verdicts["standard"].run
    head, *rows = card_words(verdicts["standard"], DAY).positions
    assert [row[0] for row in rows] == [str(p) for p in range(1, 17)]
    column = {name: k for k, name in enumerate(head)}
    for row, setting in zip(rows, run.schedule.positions, strict=True):
        assert row[column["line"]] == run.schedule.machine.line_of_position.get(setting.position, "-")
        assert row[column["heater, V"]] == (f"{setting.heater_voltage:.2f}" if setting.heater_voltage else "")
        watts = row[column["RF, W absorbed"]]
        assert watts == (f"{sum(setting.rf.power.values()):.1f}" if setting.rf else "")
    assert [row[column["oven"]] for row in rows].count("yes") == 5
    # No bulb pressure in the table: only line gauges can be read at the machine.
    assert not any("bulb" in name for name in head) and any("line gauge" in name and "Pa" in name for name in head)


def test_the_heading_counts_what_the_clock_says(verdicts):
    told = dict(card_words(verdicts["standard"], DAY).heading)
    assert told["index time"] == "12 s" and told["dwell"] == "10.8 s"
    assert told["gross per hour"] == "300 valves"  # 3600 s / 12 s
    assert told["load to tip-off"] == "179 s"  # 15 positions of 12 s less the first transfer of 1.2 s
    assert set(told["prepared"]) == set(told["approved"]) == {"_"}


def test_a_failing_schedule_says_so(verdicts):
    words = card_words(verdicts["too_fast"], DAY)
    assert dict(words.heading)["calculated verdict"] == "FAILS"
    assert any(line.startswith("PASSED: ") for _, lines in words.blocks for line in lines)


def test_the_same_card_twice_has_the_same_bytes(verdicts):
    assert card_html(verdicts["standard"], DAY) == card_html(verdicts["standard"], DAY)
    assert card_pdf(verdicts["standard"], DAY) == card_pdf(verdicts["standard"], DAY)


def test_no_card_of_a_draft(runs):
    with pytest.raises(ValueError, match="full answer"):
        card_words(judge(draft(runs["standard"].schedule, runs["standard"])), DAY)


def test_units_are_those_of_the_verdict(runs):
    text = card_html(judge(runs["standard"], "umHg"), DAY)
    assert "micron Hg" in text


def test_files_are_written_whole(verdicts, tmp_path):
    paths = write_card(verdicts["standard"], tmp_path)
    assert [p.name for p in paths] == ["card_DT-1_standard.pdf", "card_DT-1_standard.html"]
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(p.name for p in paths)
    with pytest.raises(OSError):
        write_card(verdicts["standard"], tmp_path / "nowhere")
