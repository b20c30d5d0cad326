"""Logs that something is wrong with: one clear error, or marked readings; never a wrong number without a word, never a traceback."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exhaustsim.plant.faults import DesignFault
from exhaustsim.plant.pressurelog import load_log
from exhaustsim.plant.trace import AT_LEAST, AT_MOST, GOOD, NO_READING, SPOILED

HEAD = "t_s,P [mbar]\n"
ROWS = [f"{k},{1.0 / (1 + k):.4g}" for k in range(12)]


def body(**replaced: str) -> str:
    """Twelve good rows under a heading, some of them (r3 is the fourth) replaced."""
    rows = [replaced.get(f"r{k}", row) for k, row in enumerate(ROWS)]
    return HEAD + "\n".join(rows) + "\n"


#: Name -> (text or bytes, words of the error, options).
REFUSED = {
    "empty": ("", "is empty", {}),
    "blank lines only": (" \n\n\t\n", "is empty", {}),
    "binary": (b"\x7fELF\x00\x01\x02\x03" * 50, "not a text file", {}),
    "packed": (b"\x1f\x8b\x08\x00\x01\x02abc\xff", "not a text file", {}),
    "noughts after a power cut": (b"t_s,P [mbar]\n0,1\n\x00\x00\x00\x00\n2,1\n", "line 3", {}),
    "half a UTF-16": ("t_s,P [mbar]\n0,1\n".encode("utf-16") + b"\x31", "does not go on", {}),
    "remarks only": ("# a\n# b\n", "remarks only", {}),
    "heading only": (HEAD, "no row of readings", {}),
    "one column": ("P [mbar]\n1\n2\n", "rows of two columns", {}),
    "no unit": ("t_s,P\n0,1\n1,2\n", 'no unit .* not guessed; give unit = "mbar"', {}),
    "a value in a sentence is no unit": ("# base 2e-6 mbar\nt_s,P\n0,1\n1,2\n", "no unit", {}),
    "unit misspelt": ("t_s,P [mbra]\n0,1\n1,2\n", 'did you mean "mbar"', {}),
    "unit unknown": ("t_s,P [psi]\n0,1\n1,2\n", '"psi" is not a unit', {}),
    "unit of two meanings": ("t_s,P [mpa]\n0,1\n1,2\n", "mPa or MPa", {}),
    "factor of two meanings": ("t_s,P x 1000 [mbar]\n0,1\n1,2\n", "may be meant either way", {}),
    "two units in remarks": ("# P in mbar\n# all in torr\nt_s,P\n0,1\n1,2\n", "several units", {}),
    "unit against the heading": (body(), "the heading says mbar", {"unit": "torr"}),
    "unit against a remark": ("# in torr\nt_s,P\n0,1\n1,2\n", "line 1 says torr", {"unit": "mbar"}),
    "bad word in a column of units": ("t_s,pressure,unit\n0,1,mbar\n1,2,furlong\n", "line 3, unit = furlong", {}),
    "two units behind numbers": ("t_s,P\n0,1 mbar\n1,2 torr\n", "one unit of pressure behind", {}),
    "one gauge of two without a unit": ("t_s,P1 [mbar],P2\n0,1,2\n1,2,3\n", "P2", {}),
    "volts without a law": ("t_s,gauge [V]\n0,5\n1,4\n", "law of the gauge", {}),
    "unit far too big": (HEAD + "0,1e7\n1,2e7\n2,3e7\n3,4e7\n", "far above the atmosphere", {}),
    "no clock": ("P [mbar],Q [mbar]\n1,2\n2,3\n", "no column is a clock", {}),
    "no unit of time": ("t,P [mbar]\n0,1\n1,2\n", 'no unit of time .* give time_unit = "s"', {}),
    "no heading": ("0.5,1.5\n1,1.4\n", "without names", {}),
    "no heading, three columns": ("0.5,1.5,3\n1,1.4,3\n", "which of them are readings", {"unit": "mbar", "time_unit": "s"}),
    "day or month": ("time,P [mbar]\n03/04/2022 10:00:00,1\n03/04/2022 10:00:01,2\n", "day_first", {}),
    "days and months": ("time,P [mbar]\n28/09/2022 10:00,1\n09/28/2022 10:01,2\n", "day first and with the month first", {}),
    "day_first against the file": ("time,P [mbar]\n28/09/2022 10:00,1\n28/09/2022 10:01,2\n", "contradict", {"day_first": False}),
    "no such date": ("time,P [mbar]\n31/02/2023 10:00:00,1\n31/02/2023 10:00:01,1\n", "no such date", {}),
    "minutes or hours": ("time,P [mbar]\n12:03,1\n12:04,2\n", "hours and minutes or minutes and seconds", {}),
    "half of the day now and then": ("time,P [mbar]\n12:03:00 PM,1\n12:04:00,2\n", "AM or PM", {}),
    "zone now and then": ("time,P [mbar]\n2023-08-04T12:00:00+02:00,1\n2023-08-04T12:00:01,2\n", "time zone", {}),
    "time all over the place": (HEAD + "".join(f"{(k * 7) % 13},{1 + k}\n" for k in range(50)), "the time goes back in", {}),
    "time missing often": (body(r1=",1", r2=",1", r3=",1"), "3 of 12 cells hold no moment", {}),
    "words in the clock": (body(r1="x,1", r2="y,1"), "2 of 12 cells hold no moment", {}),
    "thousands or decimals": ("t_s;P [mbar]\n0;1,234\n1;1,100\n", "decimal comma or thousands", {}),
    "thousands or decimals, quoted": ('t_s,P [mbar]\n0,"1,234"\n1,"1,100"\n', "line 2, P", {}),
    "points may be thousands": ("t_s;P [mbar]\n0,5;1.234\n1,0;2.345\n", "may set off thousands", {}),
    "points and commas": ("t_s;P [mbar]\n0;1,23\n1;1.25\n", "in one column", {}),
    "decimal commas between commas": ("t_s,P [mbar]\n0,0,1,3\n0,5,1,2\n", "2 names, the rows have 4 cells", {}),
    "many rows too short": ("t_s,P1 [mbar],P2 [mbar]\n0,1,2\n1,2\n2,3\n3,4,5\n", "another number of cells", {}),
    "quotation mark open": (HEAD + '0,"1\n1,2\n', "line 2", {}),
    "another heading": (HEAD + "0,1\n1,2\ntime,IG2\n3,4\n", "another heading begins", {}),
    "another unit in a second heading": (HEAD + "0,1\n1,2\nt_s,P [torr]\n3,4\n", "line 4", {}),
    "mostly no numbers": (HEAD + "0,a1\n1,b2\n2,c3\n3,0.5\n", "cells are no numbers", {}),
    "gauge off throughout": (HEAD + "0,Off\n1,Off\n", "not one reading", {}),
    "reading frozen": (HEAD + "".join(f"{k},0.5\n" for k in range(20)), "never moves", {}),
    "log of finished valves": ("valve_id,tip_time_iso,coating_mg\nV1,2023-08-04T12:00:00,5.7\nV2,2023-08-04T12:01:00,5.8\n", "no column is a pressure", {}),
    "column that is not there": (body(), 'use one of "t_s", "P \\[mbar\\]"', {"columns": ("IG9",)}),
    "clock that is not there": (body(), "no such column", {"time_column": "clock"}),
    "several wrong wishes at once": (body(), "4 faults", {"unit": "furlong", "gauge": "hot_cathod", "calibration_gas": "N3", "place": "roof"}),
    "floor that is no pressure": (body(), "floor", {"floor": "-1 Pa"}),
    "law of one number": (body(), "needs slope and intercept", {"volts": (1.0,)}),
    "law of no slope": (body(), "slope", {"volts": (0.0, 1.0, "mbar")}),
}

G, M, L, S, N = GOOD, AT_MOST, AT_LEAST, SPOILED, NO_READING
#: Name -> (text, marks of the rows, words in `marked`, options).
MARKED = {
    "words": (body(r3="3,Off", r4="4,OL", r5="5,UR", r6="6,<0.1", r7="7,"), {3: N, 4: L, 5: M, 6: M, 7: N}, "no number", {}),
    "not-a-number and infinite": (body(r3="3,nan", r4="4,inf"), {3: N, 4: N}, "no number", {}),
    "minus one": (body(r3="3,-1", r5="5,-1"), {3: N, 5: N}, "always the same", {}),
    "nought once": (body(r3="3,0"), {3: N}, "nought; no reading", {}),
    "too big for a pressure": (body(r3="3,9.9e37", r4="4,1e400"), {3: N, 4: N}, "word written as a number", {}),
    "cannot be read": (body(r3="3,abc"), {3: N}, '"abc" cannot be read', {}),
    "underscore in a number": (body(r3="3,1_0"), {3: N}, "cannot be read", {}),
    "figures of another script": (body(r3="3,\u0661"), {3: N}, "cannot be read", {}),
    "short row": (body(r3="3"), {3: N}, "line 5", {}),
    "long row": (body(r3="3,0.25,7"), {3: S}, "line 5", {}),
    "time missing once": (body(r3=",0.25"), {3: S}, "no moment", {}),
    "time out of turn": (body(r3="999,0.25"), {3: S}, "out of turn", {}),
    "rows exchanged": (body(r3=ROWS[4], r4=ROWS[3]), {3: S}, "out of turn", {}),
    "last line broken off": (HEAD + "".join(f"{k},1.{k}34E-04\n" for k in range(8)) + "8,1.234E-0", {8: S}, "shorter than all others", {}),
    "last line without a reading": (body() + "12", {}, "breaks off", {}),
    "floor over and over": (HEAD + "".join(f"{k},{max(0.05, 0.8**k):.4g}\n" for k in range(40)), dict.fromkeys(range(14, 40), M), "foot of the scale", {}),
    "ceiling over and over": (HEAD + "".join(f"{k},{min(0.5, 3 * 0.8**k):.4g}\n" for k in range(20)), dict.fromkeys(range(9), L), "end of the scale", {}),
    "nought of a counting meter": (HEAD + "".join(f"{k},{0.7**k:.2f}\n" for k in range(20)), dict.fromkeys(range(15, 20), M), "at most one step", {}),
    "floor given": (body(r5="5,UR"), dict.fromkeys((5, 7, 8, 9, 10, 11), M), "foot of the scale you gave", {"floor": "0.13 mbar"}),
    "ceiling given": (body(r5="5,OL"), dict.fromkeys((0, 1, 5), L), "end of the scale you gave", {"ceiling": 45.0}),
    "step where ranges end": (HEAD + "".join(f"{k / 10:.1f},{2 * 0.97**k * (1.1 if 0.97**k < 0.5 else 1):.5f}\n" for k in range(80)), {23: S}, "change of range", {}),
    "clock begins again": (HEAD + "".join(f"{k % 6},{1.0 / (1 + k):.4g}\n" for k in range(12)), {}, "line 8: clock goes back by 5 s", {}),
    "same time twice": (body(r3="2,0.25"), {}, "carries the time of the one before", {}),
    "gap": (body(r11="5000,0.08"), {}, "1 gap without readings", {}),
    "heading again": (body(r5="5,0.1667\nt_s,P [mbar]"), {}, "heading stands again in line 8", {}),
    "unit missing in a row": ("t_s,pressure,unit\n" + "".join(f"{k},{1.0 / (1 + k):.4g},{'' if k == 3 else 'mbar'}\n" for k in range(12)), {3: N}, "no number", {}),
    "below nought": (HEAD + "".join(f"{k},{0.01 - 0.003 * k:.4f}\n" for k in range(8)), {}, "zero of the gauge is off", {}),
}  # fmt: skip


@pytest.fixture
def written(tmp_path):
    def write(text):
        path = tmp_path / "bad.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def test_there_are_enough():
    assert len(REFUSED) + len(MARKED) >= 40


@pytest.mark.parametrize("case", REFUSED)
def test_refused_with_one_clear_error(written, case):
    text, words, options = REFUSED[case]
    with pytest.raises(DesignFault, match=words) as told:
        load_log(written(text), **options)
    assert str(told.value).startswith("bad.csv: ")
    assert all(f.need for f in told.value.faults)


@pytest.mark.parametrize("case", MARKED)
def test_marked_and_said(written, case):
    text, marks, words, options = MARKED[case]
    log = load_log(written(text), **options)
    trace = log.trace()
    expected = np.full(len(trace), GOOD)
    for row, mark in marks.items():
        expected[row] = mark
    assert trace.mark.tolist() == expected.tolist()
    assert words in "\n".join(log.marked)
    assert (np.diff(trace.time) >= 0.0).all()
    # Readings that are not marked are the numbers that stand in the file.
    written_numbers = np.array([_number(str(c)) for c in trace.original])
    good = trace.mark == GOOD
    np.testing.assert_allclose(trace.reading[good], 100.0 * written_numbers[good], rtol=1e-12)


def _number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return np.nan


def test_a_directory_and_a_file_that_is_not_there(tmp_path):
    with pytest.raises(DesignFault, match="is a directory"):
        load_log(tmp_path)
    with pytest.raises(DesignFault, match="cannot be read"):
        load_log(tmp_path / "none.csv")


def test_one_row_is_read(written):
    assert load_log(written("t_s,P [mbar]\n0,1\n")).trace().reading.tolist() == [100.0]


def test_bounds_carry_the_end_of_the_scale(written):
    trace = load_log(written(body(r5="5,UR", r6="6,OL", r7="7,<0.02")), floor="1 Pa", ceiling="200 Pa").trace()
    # "<0.02 mbar" is 2 Pa, and says more than the floor does not.
    assert trace.reading[[5, 6, 7]].tolist() == [1.0, 200.0, 2.0] and trace.mark[[5, 6, 7]].tolist() == [AT_MOST, AT_LEAST, AT_MOST]


def test_clock_that_began_again_goes_on(written):
    log = load_log(written(HEAD + "".join(f"{k % 6},{1.0 / (1 + k):.4g}\n" for k in range(12))))
    assert log.trace().time.tolist() == list(range(12)) and any(e.text == "clock went back" and e.time == 6.0 for e in log.events)


def test_twelve_hour_clock_summer_time_and_loop_turns(written):
    rows = "".join(f"{h}:{m:02d}:00,{1 + m}\n" for h, m in [(12, 58), (12, 59), (1, 0), (1, 1)])
    assert load_log(written("Time,P [mbar]\n" + rows)).trace().time.tolist() == [0.0, 60.0, 120.0, 180.0]
    rows = "".join(f"2023-10-29 {h:02d}:{m:02d}:00,{1 + m}\n" for h in (2, 2, 3) for m in range(0, 60, 5))
    log = load_log(written("Time,P [mbar]\n" + rows))
    assert log.trace().time.tolist() == [300.0 * k for k in range(36)] and "put back by an hour" in "\n".join(log.assumed)
    rows = "".join(f"2023-08-04 12:{k // 60:02d}:{k % 60:02d},{k // 2},{1 + k}\n" for k in range(0, 600, 2))
    log = load_log(written("Time,sec,P [mbar]\n" + rows))
    assert log.trace().time.tolist() == [2.0 * k for k in range(300)] and "turns of a loop" in "\n".join(log.assumed)
    # A "sec" that does agree is used: it is finer than the wall clock.
    rows = "".join(f"2023-08-04 12:00:{k // 4:02d},{k / 4},{1 + k}\n" for k in range(200))
    assert load_log(written("Time,sec,P [mbar]\n" + rows)).trace().time.tolist() == [0.25 * k for k in range(200)]


def test_remarks_become_events_at_their_time(written):
    log = load_log(written("# invented\nt_s,P [mbar]\n0,1\n# 0.5 RF on\n1,2\n2,3 # spark\nglow seen\n3,4\n"))
    assert [(e.time, e.text) for e in log.events] == [(0.5, "RF on"), (2.0, "spark"), (3.0, "glow seen")]


def test_status_words_that_are_known_and_not(written):
    rows = "".join(f"{k},{1.0 / (1 + k):.4g},{status}\n" for k, status in enumerate(["ok", "ok", "off", "warming", "under", "ok"]))
    log = load_log(written("t_s,P [mbar],gauge_status\n" + rows))
    assert log.trace().mark.tolist() == [GOOD, GOOD, NO_READING, GOOD, AT_MOST, GOOD]
    assert any('"warming" is not known' in s for s in log.assumed)


def test_decimal_told_by_the_user(written):
    path = written("t_s;P [mbar]\n0;1,234\n1;1,100\n")
    assert load_log(path, decimal=",").trace().reading[0] == pytest.approx(123.4)
    assert load_log(path, decimal=".").trace().reading[0] == pytest.approx(123400.0)


def test_heading_is_overridden_only_by_name(written):
    log = load_log(written(body()), columns={"P": "torr"})
    assert log.trace().reading[0] == pytest.approx(133.322368, rel=1e-8) and any("over mbar in the heading" in s for s in log.assumed)


SPLINTERS = (",", ";", "\t", "\n", '"', "#", " ", "-", ".", "e", "999", ":", "/", "Off", "\r", "mbar", "[", " PM", "\u00b5", "nan", "\n\n", "0", "\x00")


@settings(max_examples=200)
@given(
    text=st.sampled_from(["\n".join([HEAD.strip(), *ROWS]), MARKED["unit missing in a row"][0], "Date;Time;P [mbar]\n28/09/2022;10:00:00 PM;1,5\n28/09/2022;10:00:01 PM;1,4\n"]),
    blows=st.lists(st.tuples(st.integers(0, 200), st.sampled_from(SPLINTERS), st.integers(0, 4)), min_size=1, max_size=5),
)
def test_a_log_struck_at_random_is_read_or_refused(tmp_path_factory, text, blows):
    for where, splinter, lost in blows:
        text = text[:where] + splinter + text[where + lost :]
    path = tmp_path_factory.mktemp("struck") / "bad.csv"
    path.write_text(text, encoding="utf-8", newline="")
    try:
        log = load_log(path)
    except DesignFault as told:
        assert str(told).startswith("bad.csv: ")
    else:
        for trace in log.traces:
            assert (np.diff(trace.time) >= 0.0).all() and np.isfinite(trace.reading[trace.mark == GOOD]).all()
