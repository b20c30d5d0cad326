"""How work and time of one march grow with positions, parts, bins and gases."""

from __future__ import annotations

from contextlib import nullcontext

import numpy as np

from benchmarks import variants
from benchmarks.case import case_of, processor_seconds


def series():
    """{measure: [(size, change of the schedule, context in which the valve is numbered)]}."""
    plain = nullcontext

    def positions(n):
        return lambda s: variants.with_positions(s, n)

    def parts(n):
        return lambda s: variants.with_parts(s, n)

    def gases(kept):
        return lambda s: variants.with_gases(s, kept)

    def same(s):
        return s

    return {
        "positions": [(n, positions(n), plain) for n in (8, 16, 32, 60)],
        "parts": [(4, variants.with_half_the_parts, plain), (7, same, plain), (14, parts(14), plain), (40, parts(40), plain)],
        "bins": [(f, same, lambda f=f: variants.finer_bins(f)) for f in (1, 2, 4)],
        # Every array carries all nine gases, and air and pumps bring most of them: only what parts give changes.
        "gases": [(len(kept) + 1, gases(kept), plain) for kept in ((), ("H2O",), ("H2O", "H2"), ("H2O", "H2", "CO", "CO2", "CH4"))],
    }  # fmt: skip


def measured(schedule, change, context, repeats=5, tolerance=1e-3) -> dict:
    """Size, counts and time of one march of a variant, machine phases only and whole."""
    with context():
        case = case_of(change(schedule))
    _, counts = case.own(tolerance)
    given = {gas for source in case.valve.sources if source.part != "coating" for gas, _ in source.gases}
    _, on_machine = case.own(tolerance, last=case.on_machine)
    return {
        "states": case.size, "core": case.shape.core, "leaves": case.shape.leaves, "phases": len(case.phases.duration),
        "bins": int(case.valve.tables.bin_start[-1]), "gases": len(given), "steps": int(counts[0]), "rejected": int(counts[1]),
        "evaluations": int(counts[2]), "machine_steps": int(on_machine[0]),
        "ms": 1e3 * processor_seconds(lambda: case.own(tolerance), repeats) if repeats else None,
    }  # fmt: skip


def growth(schedule, say=lambda text: None) -> dict:
    """{measure: {"rows": [...], "exponent": of time, "exponent_step": of time per step}}."""
    out = {}
    for name, variants_ in series().items():
        rows = []
        for size, change, context in variants_:
            say(f"growth with {name}: {size}")
            row = measured(schedule, change, context)
            row["size"] = row.get(name, size)
            rows.append(row)
        x = np.log([row["size"] for row in rows])
        whole = np.log([row["ms"] for row in rows])
        step = np.log([row["ms"] / row["steps"] for row in rows])
        out[name] = {
            "rows": rows, "exponent": float(np.polyfit(x, whole, 1)[0]), "exponent_step": float(np.polyfit(x, step, 1)[0]),
            "last_exponent": float((whole[-1] - whole[-2]) / (x[-1] - x[-2])),
        }  # fmt: skip
    return out


def growth_text(found: dict) -> str:
    """The tables of `growth` as text."""
    lines = []
    for name, part in found.items():
        lines.append(f"{name:>10}{'states':>8}{'core':>6}{'leaves':>8}{'phases':>8}{'steps':>7}{'ms':>8}{'us a step':>11}")
        for row in part["rows"]:
            lines.append(
                f"{row['size']:>10}{row['states']:>8}{row['core']:>6}{row['leaves']:>8}{row['phases']:>8}{row['steps']:>7}"
                f"{row['ms']:>8.1f}{1e3 * row['ms'] / row['steps']:>11.1f}"
            )
        lines.append(
            f"{'':>10}time grows as size^{part['exponent']:.2f} (last two: {part['last_exponent']:.2f}), "
            f"time of a step as size^{part['exponent_step']:.2f}"
        )
    return "\n".join(lines)
