"""A part of the fuzz run in every test run, the inputs that once found a fault, and that the fuzzer would see one.

What holds: a reader gives a result or its one refusal, within two seconds, and accepts no not-a-number.
"""

import contextlib
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from trust import fuzz, mutation, targets
from trust.targets import BY_NAME, TARGETS, Broken, Target

from exhaustsim import cli, units
from exhaustsim.plant.designfile import DesignFault, load_machine, load_schedule, load_valve
from exhaustsim.plant.entries import Entries
from exhaustsim.plant.pressurelog import load_log
from exhaustsim.plant.readdata import load_tables
from exhaustsim.plant.trace import GOOD
from exhaustsim.studies.station import StationFault, read_reach

CORPUS = Path(__file__).parent / "corpus"
IN_EVERY_RUN = 50_000
LOADERS = {"valve": load_valve, "machine": load_machine, "schedule": load_schedule, "data": lambda path: load_tables([path])}


@pytest.mark.parametrize("target, executions", fuzz.shares_of(IN_EVERY_RUN), ids=[target.name for target in TARGETS])
def test_readers_answer_or_refuse(target, executions, count):
    found = fuzz.fuzz(target, executions)
    count("fuzz executions", found.executions)
    assert found.executions == executions
    assert not found.faults, "\n".join(found.faults.values())
    assert 0 < found.accepted < executions, "some are taken and some refused, or the fuzzer tries nothing worth while"


# ---- faults found once ---------------------------------------------------------------


def corpus(*endings: str) -> list[Path]:
    return sorted(path for path in CORPUS.iterdir() if path.suffix in endings)


def why(path: Path) -> str:
    return path.read_text(encoding="utf-8").splitlines()[0]


def test_each_of_the_corpus_says_why_it_is_there():
    for path in corpus(".toml", ".txt", ".csv"):
        assert why(path).startswith("# ") and len(why(path)) > 20, path.name


@pytest.mark.named_fault
@pytest.mark.parametrize("path", corpus(".toml"), ids=lambda p: p.stem)
def test_a_file_that_found_a_fault_is_refused(path):
    """The name of a file of the corpus begins with the sort of file it is given as."""
    with pytest.raises(DesignFault) as caught:
        LOADERS[path.stem.split("-")[0]](path)
    assert all(line.isprintable() for line in str(caught.value).split("\n"))


@pytest.mark.named_fault
@pytest.mark.parametrize("line", [line for path in corpus(".txt") if path.stem.startswith("unit") for line in path.read_text().splitlines()[1:]])
def test_a_text_with_unit_that_found_a_fault_is_refused(line):
    kind, _, pattern = line.partition(" | ")
    words, _, times = pattern.partition(" x ")
    with pytest.raises(units.UnitFault) as caught:
        units.parse(int(words) ** int(times) if kind.startswith("whole ") else words.replace("SPACES", " " * int(times or 0)), kind.split()[-1])
    assert len(str(caught.value)) < 400


@pytest.mark.named_fault
@pytest.mark.parametrize("line", [line for path in corpus(".txt") if path.stem.startswith("machine") for line in path.read_text().splitlines()[1:]])
def test_an_option_that_found_a_fault_is_refused(line, capsys):
    option, _, words = line.partition(" ")
    assert cli.main(["machine", targets.STANDARD, f"{option}={words}"]) == cli.BAD_INPUT
    told = capsys.readouterr().err
    assert option in told and "Traceback" not in told


@pytest.mark.named_fault
@pytest.mark.parametrize("path", corpus(".csv"), ids=lambda p: p.stem)
def test_a_log_that_found_a_fault_is_marked_or_refused(path):
    with contextlib.suppress(DesignFault):
        log = load_log(path)
        assert log.marked, "the bad reading is told"
        assert all(np.isfinite(trace.reading[trace.mark == GOOD]).all() for trace in log.traces)


@pytest.mark.named_fault
def test_a_question_that_found_a_fault_is_refused():
    for line in (CORPUS / "run-reach.txt").read_text(encoding="utf-8").splitlines()[1:]:
        with pytest.raises(StationFault):
            read_reach(line.replace("DIGITS", "1" * 5000))


# ---- the fuzzer itself ---------------------------------------------------------------


def seeded(read) -> Target:
    return Target("made up", 1.0, lambda: ["3.0 mm"], mutation.text, read, (units.UnitFault,), (units,))


def test_the_fuzzer_sees_an_exception_a_hang_and_a_not_a_number():
    def careless(text):
        if "\x00" in text:
            raise IndexError("seen")
        return math.nan if text.endswith("m") and text[:1] == "." else 1.0

    kinds = {place[2] for place in fuzz.fuzz(seeded(careless), 4000).faults}
    assert kinds == {"IndexError", "Broken"}

    def hangs(text):
        while len(text) > 6:
            pass

    before, fuzz.SLOWEST = fuzz.SLOWEST, 0.05
    try:
        assert {place[2] for place in fuzz.fuzz(seeded(hangs), 12).faults} == {"Hangs"}
    finally:
        fuzz.SLOWEST = before


def test_coverage_leads_the_search():
    """What reaches new lines is kept: far more steps are seen than the examples alone reach."""
    target = BY_NAME["command line"]
    examples = fuzz.fuzz(target, len(target.seeds()))
    assert fuzz.fuzz(target, 600).steps > 1.3 * examples.steps > 0


def test_the_same_seed_does_the_same_work():
    one, two = (fuzz.fuzz(BY_NAME["schedule table"], 120, seed=5) for _ in range(2))
    assert (one.accepted, one.steps) == (two.accepted, two.steps)


# ---- properties ----------------------------------------------------------------------

ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.sampled_from(["1 mm", "3 s", "20 degC", "5 V", "1e-3 Pa", "anode"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6) | st.sampled_from(["number", "rf", "power"]), inner, max_size=3),
    max_leaves=6,
)


@given(st.text(), st.sampled_from(targets.KIND_NAMES))
def test_any_text_is_a_finite_quantity_or_refused(words, kind):
    BY_NAME["unit text"].execute((kind, words))


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from([(k, u) for k, kind in units.KINDS.items() for u in kind.units]))
def test_any_number_with_any_unit_is_finite_or_refused(number, kind_and_unit):
    kind, unit = kind_and_unit
    BY_NAME["unit text"].execute((kind, f"{number!r} {unit}"))


@settings(max_examples=150)
@given(st.data())
def test_anything_at_any_key_of_a_schedule_is_read_or_refused(data):
    table = dict(targets.demo_table("schedules/dt1_standard.toml"))
    key = data.draw(st.sampled_from(sorted(table)) | st.text(max_size=8))
    BY_NAME["schedule table"].execute(("schedule", "dt1_standard", table | {key: data.draw(ANYTHING)}))


@settings(max_examples=60)
@given(st.data())
def test_anything_at_any_key_of_a_machine_is_read_or_refused(data):
    table = dict(targets.demo_table("machines/rx16_pumps.toml"))
    key = data.draw(st.sampled_from(sorted(table)))
    BY_NAME["machine table"].execute(("machine", "rx16_pumps", table | {key: data.draw(ANYTHING)}))


@given(ANYTHING, st.sampled_from(["quantity", "text", "whole_number", "whole_numbers", "gas_shares", "subs", "named"]))
def test_any_question_to_any_value_gives_an_answer_and_perhaps_a_fault(value, question):
    faults = []
    ask = getattr(Entries({"key": value}, "file.toml", "", faults), question)
    ask("key", "length") if question == "quantity" else ask("key")
    assert all(str(fault) and "\x1b" not in str(fault) for fault in faults)


def test_a_broken_promise_is_an_error_of_its_own():
    with pytest.raises(Broken, match="not-a-number at .inner.1"):
        seeded(lambda text: {"inner": [1.0, math.nan]}).execute("x")
