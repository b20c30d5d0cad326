"""Every public function says what it needs, gives, holds for, raises and rests on; the rules themselves can fail."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
from importlib import resources

import pytest
from docstring_rules import broken_rules

import exhaustsim

LAYERS = ("physics", "engine", "plant", "data", "studies", "reporting")
KEYS = set(re.findall(r"^@\w+\{(\w+),", resources.files("exhaustsim.data").joinpath("references.bib").read_text(encoding="utf-8"), re.MULTILINE))


def modules(layer: str):
    package = importlib.import_module(f"exhaustsim.{layer}")
    return [importlib.import_module(f"{package.__name__}.{m.name}") for m in pkgutil.iter_modules(package.__path__)]


def public(module):
    """Public functions and classes defined in the module itself; compiled ones by what they were compiled from."""
    for name, thing in vars(module).items():
        thing = getattr(thing, "py_func", thing)
        if not name.startswith("_") and (inspect.isfunction(thing) or inspect.isclass(thing)) and thing.__module__ == module.__name__:
            yield name, thing


TOP = ("cli", "compiled", "constants", "units")
EVERYTHING = [
    (f"{module.__name__}.{name}", thing)
    for module in [m for layer in LAYERS for m in modules(layer)] + [importlib.import_module(f"exhaustsim.{m}") for m in TOP]
    for name, thing in public(module)
]
LAWS = [(name, thing) for name, thing in EVERYTHING if name.startswith("exhaustsim.physics.") and inspect.isfunction(thing)]


def test_there_is_something_to_check():
    assert len(LAWS) > 100 and len(EVERYTHING) > 300
    assert {name.split(".")[1] for name, _ in EVERYTHING} == {*LAYERS, "cli", "compiled", "units"}


@pytest.mark.parametrize(("name", "thing"), EVERYTHING, ids=[name for name, _ in EVERYTHING])
def test_everything_public_has_a_docstring(name, thing):
    # A dataclass and a NamedTuple without one get the list of their fields in its place.
    text = thing.__doc__
    assert text and not text.startswith(f"{thing.__name__}("), f"{name} has no docstring"


@pytest.mark.parametrize(("name", "law"), LAWS, ids=[name for name, _ in LAWS])
def test_law_gives_units_validity_errors_source_and_example(name, law):
    assert broken_rules(name, law, KEYS) == []


@pytest.mark.parametrize("module", [m for layer in LAYERS for m in modules(layer)], ids=lambda m: m.__name__)
def test_module_opens_with_a_paragraph(module):
    assert len((module.__doc__ or "").split()) >= 12


@pytest.mark.parametrize("name", [n for n in exhaustsim.__all__ if not n.startswith("_")])
def test_every_name_offered_is_explained(name):
    assert (inspect.getdoc(getattr(exhaustsim, name)) or "").strip()


# ---- the rules can fail ------------------------------------------------------------------


def good(speed, ratio):
    """Flow.

    Parameters
    ----------
    speed : float
        Speed [m/s].
    ratio : float
        See `good`.

    Returns
    -------
    float
        Flow [m^3/s].

    Notes
    -----
    Valid: exact.  Nothing is raised.

    Source: [Wilke1950], eq. 1.

    Examples
    --------
    >>> 1
    1
    """


def fills(out):
    """Fill.

    Parameters
    ----------
    out : array
        Filled with flows [mol/s].

    Raises
    ------
    ValueError
        Always.

    Notes
    -----
    Valid: below
    1 Pa.

    Source: own derivation: balance.

    Examples
    --------
    >>> 1
    1
    """


def test_a_complete_docstring_passes():
    assert broken_rules("good", good, KEYS) == []
    assert broken_rules("fills", fills, KEYS) == []


SPOILT = [
    (good, "Speed [m/s]", "Speed", "no unit for speed"),
    (good, "speed : float\n        Speed [m/s].\n", "", "does not explain speed"),
    (good, "See `good`", "Ratio", "no unit for ratio"),
    (good, "Flow [m^3/s]", "Flow", "no unit for what it returns"),
    (good, "Returns\n    -------\n    float\n        Flow [m^3/s].\n", "", "neither what it returns nor"),
    (good, "Valid: exact.", "Exact.", "where it is valid"),
    (good, "  Nothing is raised.", "", "what it raises"),
    (good, "Source: [Wilke1950], eq. 1.", "", "names no source"),
    (good, "[Wilke1950]", "[Nobody1950]", "not in references.bib"),
    (good, "[Wilke1950], eq. 1", "kinetic theory", "neither a key nor"),
    (good, "[Wilke1950], eq. 1", "own derivation", "neither a key nor"),
    (good, ">>> 1", "1", "no example"),
    (fills, "Filled with flows [mol/s]", "Filled with flows", "no unit for"),
    (fills, "Raises\n    ------\n    ValueError\n        Always.\n", "", "what it raises"),
]


@pytest.mark.parametrize(("sample", "old", "new", "told"), SPOILT, ids=[told for *_, told in SPOILT])
def test_each_rule_can_fail(sample, old, new, told):
    assert old in sample.__doc__
    source = inspect.signature(sample)

    def spoilt():
        """Replaced."""

    spoilt.__signature__ = source
    spoilt.__doc__ = sample.__doc__.replace(old, new)
    assert any(told in sentence for sentence in broken_rules("sample", spoilt, KEYS))


def test_nothing_at_all_is_told():
    def bare(x):
        return x

    assert broken_rules("bare", bare, KEYS) == ["bare has no docstring"]
