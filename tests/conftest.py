"""Demo schedules and their runs, made once for all tests; and the counts that stand at the end of a test run.

What is counted has run and passed.  A test hands its counts over as properties of its report, which reach the terminal from
every worker of `-n`; nothing is written down by hand.  A run of everything fails when a count is below its minimum.
"""

import re
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import settings

# The same examples in every run: a red test is then a change of the code, not of the dice.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")

DEMO = Path(__file__).parent.parent / "demo_data" / "schedules"
NAMES = ("standard", "faster", "too_fast")

#: What is counted, with the least that a run of all tests must show.
MINIMA = {
    "published rows": 150,
    "rows read in their source": 60,
    "sources read": 25,
    "worked examples": 25,
    "named faults": 100,
    "fuzz executions": 50_000,
    "kill points": 200,
}
COUNTED = "counted"  # properties of a report: (COUNTED, [name, number]) adds up
SOURCE_READ = "source read"  # (SOURCE_READ, title) is counted once for each title


@pytest.fixture(scope="session")
def schedules():
    from exhaustsim.plant.designfile import load_schedules

    return dict(zip(NAMES, load_schedules([DEMO / f"dt1_{name}.toml" for name in NAMES]), strict=True))


@pytest.fixture(scope="session")
def runs(schedules):
    from exhaustsim.engine.run import simulate

    return {name: simulate(schedule) for name, schedule in schedules.items()}


@pytest.fixture
def count(record_property):
    """Add to what is counted: `count("fuzz executions", 1000)`."""

    def add(name: str, number: int) -> None:
        assert name in MINIMA, f"nobody counts {name}"
        record_property(COUNTED, [name, number])

    return add


# ---- what the tests say of themselves ------------------------------------------------


def pytest_configure(config):
    config.addinivalue_line("markers", "named_fault: one bad input with a name, which must be answered with what is wrong")


def pytest_runtest_setup(item):
    """Rows of the published values and bad inputs are told by how their tests are parametrised."""
    if item.get_closest_marker("named_fault"):
        item.user_properties.append((COUNTED, ["named faults", 1]))
    found = getattr(item, "callspec", None) and item.callspec.params.get("found")
    if item.path.name == "test_published.py" and getattr(item, "originalname", "") == "test_value" and found is not None:
        row = found.entry
        item.user_properties.append((COUNTED, ["published rows", 1]))
        if row.get("kind") == "worked example" or row.get("worked_example"):
            item.user_properties.append((COUNTED, ["worked examples", 1]))
        if row["standing"] == "read":
            item.user_properties.append((COUNTED, ["rows read in their source", 1]))
            item.user_properties.append((SOURCE_READ, title_of(row["source"])))


def title_of(source: str) -> str:
    """What a source is without the place in it, so that two tables of one book are one source: the words up to the first stop."""
    return re.split(r"[,:;(]", source)[0].strip().lower()


def counts_of(reports) -> Counter:
    """Counts of all tests that passed."""
    counts, titles = Counter(), set()
    for report in reports:
        for name, value in report.user_properties:
            if name == COUNTED:
                counts[value[0]] += value[1]
            elif name == SOURCE_READ:
                titles.add(value)
    counts["sources read"] = len(titles)
    return counts


def whole_run(config) -> bool:
    """Whether every test was asked for: no files named, none chosen by word or mark."""
    option = config.option
    named = [Path(argument).resolve() for argument in config.args]
    everything = {(config.rootpath / place).resolve() for place in config.getini("testpaths")}
    return set(named) == everything and not (option.keyword or option.markexpr or option.deselect or getattr(option, "lf", False) or option.collectonly)


def too_few(config, reports) -> list[str]:
    """Counts of a run of everything that are below their minimum."""
    if not whole_run(config):
        return []
    counts = counts_of(reports)
    return [f"{name}: {counts[name]}, at least {least} needed" for name, least in MINIMA.items() if counts[name] < least]


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session, exitstatus):
    terminal = session.config.pluginmanager.get_plugin("terminalreporter")
    if terminal is not None and exitstatus == 0 and not hasattr(session.config, "workerinput"):
        if too_few(session.config, passed(terminal)):
            session.exitstatus = pytest.ExitCode.TESTS_FAILED


def passed(terminal):
    return [report for report in terminal.stats.get("passed", []) if report.when == "call"]


def pytest_terminal_summary(terminalreporter, exitstatus, config):
    reports = passed(terminalreporter)
    counts = counts_of(reports)
    if any(counts.values()):
        terminalreporter.section("counted in the tests that passed")
        for name, least in MINIMA.items():
            if counts[name]:
                terminalreporter.write_line(f"{counts[name]:>9,} {name} (at least {least:,} in all)".replace(",", " "))
        for words in too_few(config, reports):
            terminalreporter.write_line(f"TOO FEW {words}", red=True)
