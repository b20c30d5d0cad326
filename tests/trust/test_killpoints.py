"""Commands struck at calls to the file system: a part of all points in every test run, and that a careless writer is caught."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from trust import killpoints

PROJECT = Path(__file__).parents[2]
pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
IN_EVERY_RUN = 200

CARELESS = """
import contextlib, json, os
from exhaustsim.engine import filewrite
from tests.trust import killpoints

@contextlib.contextmanager
def write_in_place(path):
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644), "w", encoding="utf-8", newline=None) as file:
        yield file

filewrite.replace_whole = write_in_place
print(json.dumps(killpoints.strike_all(["template"]).wrong))
"""


def outcome(*command: str):
    # A process of its own: forks of a test worker would carry its threads.
    done = subprocess.run(
        [sys.executable, *command], cwd=PROJECT, env={**os.environ, "PYTHONPATH": f"{PROJECT}{os.pathsep}{PROJECT / 'tests'}"}, capture_output=True, text=True
    )
    assert done.stdout, done.stderr[-2000:]
    return json.loads(done.stdout.splitlines()[-1])


def test_files_are_the_old_ones_or_whole_new_ones(count):
    told = outcome("-m", "tests.trust.killpoints", "--json", "--most", str(IN_EVERY_RUN))
    count("kill points", sum(told["points"].values()))
    assert told["wrong"] == []
    assert sum(told["points"].values()) == IN_EVERY_RUN
    assert all(told["points"].values()), "every way was tried"


def test_a_writer_in_place_is_caught():
    wrong = outcome("-c", CARELESS)
    assert any("neither the old file nor the new one" in one for one in wrong)
    assert any("killed" in one for one in wrong) and any("full" in one for one in wrong)


def test_every_command_that_writes_is_struck():
    """A command with --out, or one like it, stands in `COMMANDS`."""
    from exhaustsim.cli import _parser

    commands = next(action for action in _parser()._actions if action.choices and not action.option_strings).choices
    writing = {name for name, parser in commands.items() if {"--out", "--answers"} & set(parser._option_string_actions)}
    assert writing == {arguments[0] for arguments in killpoints.COMMANDS.values()}
