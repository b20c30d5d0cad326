"""Wrong laws on purpose: does a test notice each of them?

A mutant is one module of `exhaustsim.physics`, or `engine/rates`, with one small fault put in: a plus for a minus, a
product for a quotient, a constant one per cent off, a term dropped, two arguments exchanged, a bound moved.  The rows
of `tests/published` that concern the module, its own examples and its tests are run against it, uncompiled, until the
first of them fails.  A mutant that none of them notices has survived: either it computes the same, or a test is missing.

    EXHAUSTSIM_PURE_PYTHON=1 python -m tests.trust.mutate --sample 100 --seed 1

Nothing is written into the tree: the changed source is handed to the interpreter of a process of its own, and the
libraries that tests need are loaded once, before that process is split off.  Not part of CI; `--cpu` bounds what one
mutant may cost, and one that runs longer counts as noticed.  Not mutated: text, whole numbers,
indices, layouts of arrays, and loops.  Needs a system that can split a process (not Windows).
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import importlib.abc
import importlib.machinery
import importlib.util
import itertools
import json
import os
import random
import sys
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
SWAPS = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
BOUNDS = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
TURNS = {ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt}
OFF = 1.01  # what a constant is multiplied by
SUITES = {
    "exhaustsim.physics.ballast": ["tests/laws/test_pumps.py"],
    "exhaustsim.physics.bessel": ["tests/laws/test_induction.py"],
    "exhaustsim.physics.carbonates": ["tests/laws/test_carbonates.py"],
    "exhaustsim.physics.conductance": ["tests/laws/test_conductance.py"],
    "exhaustsim.physics.desorption": ["tests/laws/test_outgassing.py"],
    "exhaustsim.physics.gases": ["tests/laws/test_gases.py", "tests/laws/test_conductance.py"],
    "exhaustsim.physics.gauges": ["tests/laws/test_gauges.py"],
    "exhaustsim.physics.getter": ["tests/laws/test_getter.py"],
    "exhaustsim.physics.heating": ["tests/laws/test_heating.py"],
    "exhaustsim.physics.hotmetal": ["tests/laws/test_induction.py", "tests/laws/test_pumps.py"],
    "exhaustsim.physics.induction": ["tests/laws/test_induction.py"],
    "exhaustsim.physics.outgassing": ["tests/laws/test_outgassing.py", "tests/laws/test_permeation.py"],
    "exhaustsim.physics.permeation": ["tests/laws/test_permeation.py"],
    "exhaustsim.physics.pumps": ["tests/laws/test_pumps.py"],
    "exhaustsim.physics.rarefaction": ["tests/laws/test_conductance.py"],
    "exhaustsim.physics.sections": ["tests/laws/test_transmission.py"],
    "exhaustsim.physics.shop": ["tests/laws/test_induction.py"],
    "exhaustsim.physics.speedtable": ["tests/laws/test_pumps.py"],
    "exhaustsim.physics.transmission": ["tests/laws/test_transmission.py"],
    "exhaustsim.engine.rates": ["tests/engine/test_plain_rates.py", "tests/engine/test_jacobian.py"],
}
#: Survivors that were looked into and compute the same, by their name without the line; what they are is said beside them.
EXPLAINED = {
    "physics.conductance constant: 1e-06 -> 1.0099999999999999e-06": "pressure below which a stream carries no composition: no flow is left there",
    "physics.desorption drop: wanted - 3.64 -> wanted * 1.0": "start of Newton's rule, which comes to the same root",
    "physics.outgassing constant: 0.02 -> 0.0202": "where further terms are left out: they are below exp(-600)",
    "physics.transmission swap: max(np.ceil(np.log2(length / _FIRST_STRETCH)), 0.0) + 1.0...": "further cuts far from the place, where the kernel is smooth: the ten decimals of the rows stay",
    "physics.desorption constant: 700.0 -> 707.0": "where the exponential integral is 1e-307 and given as nothing",
    "physics.hotmetal bound: temperature >= temperatures[last]": "at the last point the curve and its straight continuation agree",
    "physics.outgassing bound: clock < SLAB_SEAM -> clock <= SLAB_SEAM": "at the seam both series agree to rounding",
    "physics.outgassing swap: 1.0 + 9.0 * q8 + 25.0 * q24 + 49.0 * q48 + 81.0 * q80": "last term of the series, below rounding down to the seam",
    "engine.rates bound: knots[middle] <= t -> knots[middle] < t": "at a knot the pieces on both sides have the same value and slope",
    "engine.rates bound: y[i] > 0.0 -> y[i] >= 0.0": "absolute zero itself; tests/engine/test_outcomes.py notices, which is not run here",
}
LOADED_BEFORE = (
    "numpy", "scipy.integrate", "scipy.optimize", "scipy.special", "scipy.interpolate", "scipy.linalg", "pytest",
    "cantera", "fluids", "chemicals", "chemicals.viscosity", "CoolProp.CoolProp", "molmass",
)  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One fault: the module, where, what, and the source that has it."""

    module: str
    line: int
    what: str
    source: str

    @property
    def name(self) -> str:
        return f"{self.module.split('.', 1)[1]}:{self.line} {self.what}"

    @property
    def why_not_noticed(self) -> str:
        """Why it survives, if that is known."""
        return next((why for start, why in EXPLAINED.items() if self.name.replace(f":{self.line}", "", 1).startswith(start.removesuffix("..."))), "")


def path_of(module: str) -> Path:
    return ROOT / (module.replace(".", "/") + ".py")


def sites(tree: ast.Module):
    """Every fault that can be put in: (node, kind), nodes being those of `tree`, inside functions and module constants."""
    for top in tree.body:
        constant = isinstance(top, ast.Assign) and isinstance(top.value, (ast.Constant, ast.BinOp))
        if not isinstance(top, ast.FunctionDef) and not constant:
            continue
        skipped = set()
        for node in ast.walk(top):
            if isinstance(node, (ast.Subscript, ast.arguments)) or _names_range(node):
                inside = node.slice if isinstance(node, ast.Subscript) else node
                skipped |= {id(inner) for inner in ast.walk(inside)}
        if isinstance(top, ast.FunctionDef):
            skipped |= {id(inner) for decorator in top.decorator_list for inner in ast.walk(decorator)}
        for node in ast.walk(top):
            if id(node) not in skipped:
                yield from ((node, kind) for kind in kinds(node))


def _names_range(node) -> bool:
    return isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "range"


def kinds(node):
    """The faults that a node can have."""
    if isinstance(node, ast.BinOp):
        if type(node.op) in SWAPS:
            yield "swap"
        if isinstance(node.op, (ast.Add, ast.Sub)):
            yield "drop"
    elif isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in BOUNDS:
        yield "bound"
        yield "turn"
    elif isinstance(node, ast.Constant) and type(node.value) is float and node.value != 0.0:
        yield "constant"
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub) and not isinstance(node.operand, ast.Constant):
        yield "sign"
    elif isinstance(node, ast.Call) and len(node.args) >= 2 and not node.keywords and ast.dump(node.args[0]) != ast.dump(node.args[1]):
        if not (isinstance(node.func, (ast.Name, ast.Attribute)) and getattr(node.func, "id", getattr(node.func, "attr", "")) in ("max", "min")):
            yield "exchange"


def put_in(node, kind: str) -> str:
    """Changes `node` in place and tells what was done."""
    before = ast.unparse(node)
    if kind == "swap":
        node.op = SWAPS[type(node.op)]()
    elif kind == "drop":
        kept = copy.deepcopy(node.left)
        node.op, node.right, node.left = ast.Mult(), ast.Constant(1.0), kept
    elif kind == "bound":
        node.ops[0] = BOUNDS[type(node.ops[0])]()
    elif kind == "turn":
        node.ops[0] = TURNS[type(node.ops[0])]()
    elif kind == "constant":
        node.value *= OFF
    elif kind == "sign":
        node.op = ast.UAdd()
    elif kind == "exchange":
        node.args[0], node.args[1] = node.args[1], node.args[0]
    return f"{kind}: {_short(before)} -> {_short(ast.unparse(node))}"


def _short(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "..."


def mutant_of(module: str, text: str, number: int) -> Mutant:
    """The mutant of that number, counted from 0 in the order in which `sites` finds them."""
    tree = ast.parse(text)
    node, kind = next(itertools.islice(sites(tree), number, None))
    line = node.lineno
    return Mutant(module, line, put_in(node, kind), ast.unparse(ast.fix_missing_locations(tree)))


def drawn(modules, sample: int, seed: int) -> list[Mutant]:
    """`sample` mutants of the modules, every module in proportion to what it offers and with one at least."""
    dice = random.Random(seed)
    texts = {module: path_of(module).read_text(encoding="utf-8") for module in modules}
    offered = {module: sum(1 for _ in sites(ast.parse(text))) for module, text in texts.items()}
    total = sum(offered.values())
    chosen = []
    for module, several in offered.items():
        numbers = dice.sample(range(several), min(several, max(1, round(sample * several / total))))
        chosen += sorted((mutant_of(module, texts[module], number) for number in numbers), key=lambda mutant: mutant.line)
    return chosen


class Instead(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Hands the interpreter the changed source where it asks for the module."""

    def __init__(self, mutant: Mutant):
        self.mutant = mutant

    def find_spec(self, fullname, path=None, target=None):
        if fullname == self.mutant.module:
            return importlib.util.spec_from_file_location(fullname, path_of(fullname), loader=self)
        return None

    def create_module(self, spec):
        return None

    def exec_module(self, module):
        exec(compile(self.mutant.source, str(path_of(module.__name__)), "exec"), module.__dict__)


def noticed_by(module: str) -> str:
    """What notices that something is wrong in the module as this process sees it; empty if nothing does."""
    name = module.rsplit(".", 1)[1]
    if module.startswith("exhaustsim.physics"):
        from exhaustsim.studies.publishedchecks import Check, rows_of

        for row in rows_of(ROOT / "tests" / "published"):
            if row.entry["law"].startswith(name + "."):
                try:
                    kept = Check(row, row.outcome()).kept
                except Exception as fault:
                    return f"row {row.entry['id']} ({type(fault).__name__})"
                if not kept:
                    return f"row {row.entry['id']}"
    import pytest

    class Listener:
        first = ""

        def pytest_runtest_logreport(self, report):
            if report.failed and not self.first:
                self.first = report.nodeid

        def pytest_collectreport(self, report):
            if report.failed and not self.first:
                self.first = f"collecting {report.nodeid}"

    listener = Listener()
    own = [str(path_of(module).relative_to(ROOT))] if module.startswith("exhaustsim.physics") else []
    with open(os.devnull, "w") as nowhere, contextlib.redirect_stdout(nowhere), contextlib.redirect_stderr(nowhere):
        code = pytest.main(["-x", "-q", "-p", "no:cacheprovider", "--no-header", "--tb=no", *own, *SUITES[module]], plugins=[listener])
    return listener.first or ("" if code == 0 else f"pytest ended with {code}")


def tried(mutant: Mutant, cpu: int) -> tuple[str, float]:
    """(what noticed the mutant, empty if nothing did; CPU seconds), in a process split off from this one."""
    import resource  # not everywhere, and tests are collected everywhere

    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        resource.setrlimit(resource.RLIMIT_CPU, (cpu, cpu + 1))
        if mutant.source:
            sys.meta_path.insert(0, Instead(mutant))
        try:
            told = noticed_by(mutant.module)
        except BaseException as fault:
            told = f"{type(fault).__name__} on import"
        os.write(writing, told.encode()[:4000])
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        told = pipe.read().decode()
    _, status, used = os.wait4(child, 0)
    if os.WIFSIGNALED(status):
        told = f"took longer than {cpu} CPU seconds"
    return told, used.ru_utime + used.ru_stime


def main(arguments=None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.trust.mutate", description=__doc__.splitlines()[0])
    parser.add_argument("--sample", type=int, default=100, help="mutants to draw over all modules")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", metavar="MODULE", help="modules by their last name, such as getter rates")
    parser.add_argument("--cpu", type=int, default=120, help="CPU seconds that one mutant may take")
    parser.add_argument("--again", type=Path, help="record of an earlier run: try only its survivors")
    parser.add_argument("--out", type=Path, help="where to keep the record, as JSON lines")
    chosen = parser.parse_args(arguments)
    if os.environ.get("EXHAUSTSIM_PURE_PYTHON") != "1":
        parser.error("set EXHAUSTSIM_PURE_PYTHON=1: compiled code would be that of the sources as they stand")
    os.chdir(ROOT)
    os.nice(10)
    for name in LOADED_BEFORE:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    modules = [m for m in SUITES if not chosen.only or m.rsplit(".", 1)[1] in chosen.only]
    for module in modules:  # what fails on the sources as they stand notices nothing
        told, took = tried(Mutant(module, 0, "as it stands", ""), 10 * chosen.cpu)
        print(f"{module}: {took:.1f} CPU s as it stands {told and 'FAILS: ' + told}", flush=True)
        if told:
            return 2
    mutants = drawn(modules, chosen.sample, chosen.seed)
    if chosen.again:
        left = {line["name"] for line in map(json.loads, chosen.again.read_text().splitlines()) if not line["noticed"]}
        mutants = [m for m in mutants if m.name in left]
    survivors = []
    for number, mutant in enumerate(mutants, start=1):
        told, took = tried(mutant, chosen.cpu)
        if not told:
            survivors.append(mutant)
        print(f"{number}/{len(mutants)} {mutant.name}: {told or 'SURVIVED'} ({took:.1f} CPU s)", flush=True)
        if chosen.out:
            with chosen.out.open("a") as record:
                record.write(json.dumps({"name": mutant.name, "noticed": told, "cpu": round(took, 1)}) + "\n")
    caught = len(mutants) - len(survivors)
    print(f"\n{caught} of {len(mutants)} mutants noticed ({100.0 * caught / max(1, len(mutants)):.0f} %); survivors:")
    print("\n".join(f"  {mutant.name}: {mutant.why_not_noticed or 'NOT EXPLAINED'}" for mutant in survivors) or "  none")
    return 0


if __name__ == "__main__":
    sys.exit(main())
