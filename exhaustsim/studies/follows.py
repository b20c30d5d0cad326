"""Does the trouble follow the head, the position or the lot?

On a rotary machine every head visits every position, so the effects of both can be told apart: a
scored plate goes round with its head, a slack coil stays where it is, a bad lot goes round with the
valves.  One additive table is fitted to all readings, every level of head, position and lot is held
against the middle of the others (a position against what is expected of it), and what stands out is
named, allowing for how many levels were looked at.  Readings far off the table count little.

A gauge on a line reads all its heads together.  Such readings are entered once, with all heads and
positions on that line; positions that always share a gauge cannot be told apart, and are named together.

Position effects need an expectation for each position, because positions differ by design: the run
of the simulator, or a week that was good.  Not modelled: effects that need two together (a head
that fails at one position only shows as scatter), more than one line's memory of the index before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from exhaustsim.plant.machinelog import MachineLog
from exhaustsim.studies.fitmodel import FitRefused, Reason

FEWEST_PER_LEVEL = 2  # readings on average of every level
TUNING = 4.685  # of the bisquare weight, in robust standard deviations: 95 % efficiency for normal scatter
ROUNDS = 30  # of the weights, which settle in far fewer
FACTORS = ("head", "position", "lot")


@dataclass(frozen=True)
class Reading:
    """One reading, and what it was taken of."""

    value: float  # already less, or over, what is expected, if positions are to be judged
    heads: tuple[int, ...]
    positions: tuple[int, ...]
    lots: tuple[str, ...] = ()
    gauge: str = ""  # readings of one gauge have one scatter and one base of their own


@dataclass(frozen=True)
class Level:
    """One head or lot against the middle of its kind, or one position against what is expected of it."""

    factor: str
    name: str  # "11", "9", "A", or "9 to 12" where they cannot be told apart
    effect: float
    low: float  # both ends allow for the number of levels
    high: float
    chance: float  # of as much as this without any effect, times the number of levels looked at, at most 1


@dataclass(frozen=True)
class Follows:
    """What the trouble follows."""

    levels: tuple[Level, ...]  # most certain first
    outstanding: tuple[Level, ...]  # those of them that chance does not explain
    unit: str
    readings: int
    put_aside: int  # readings far off the table
    explained: dict[str, float]  # share of the variance that goes with each factor
    not_judged: tuple[str, ...]  # sentences

    @property
    def follows(self) -> str | None:
        """"head", "position" or "lot": the factor of the most certain level; None if nothing stands out."""
        return self.outstanding[0].factor if self.outstanding else None

    @property
    def sentence(self) -> str:
        if not self.outstanding:
            text = f"Nothing stands out: no head, position or lot differs by more than chance explains in {self.readings} readings"
        else:
            first = self.outstanding[0]
            text = (
                f"It follows the {first.factor}: {first.factor} {first.name} is off by {first.effect:+.3g}{self.unit} "
                f"({first.low:+.3g} to {first.high:+.3g}, 95 % allowing for all levels), chance {_chance(first.chance)}"
            )
            rest = [f"{level.factor} {level.name} {level.effect:+.2g}{self.unit}" for level in self.outstanding[1:4]]
            text += f"; then {', '.join(rest)}" if rest else "; no other stands out"
        return text + "." + "".join(f" {s}" for s in self.not_judged)

    def to_json(self) -> dict:
        return {**asdict(self), "follows": self.follows, "sentence": self.sentence}


def flows_of_lines(log: MachineLog, speeds: Mapping[str, float]) -> list[Reading]:
    """Gas flows by the gauges of the lines, one reading per line and index with all heads that were on it.

    Parameters
    ----------
    log : MachineLog
        With columns line_id and line_pressure_pa.
    speeds : mapping of line to float
        Speed at the manifold, in the unit the flow is wanted in over Pa: L/s for Pa L/s.  Lines left out are not used.

    Returns
    -------
    list of Reading

    Raises
    ------
    DesignFault
        A column is missing or holds something that is not a number.
    """
    pressures, heads, positions = log.numbers("line_pressure_pa"), log.whole("head_no"), log.whole("position")
    lots = log.columns.get("lot_id", [""] * len(log))
    groups: dict[tuple[str, str], list[int]] = {}
    for k, key in enumerate(zip(log.index(), log.text("line_id"), strict=True)):
        if key[1] in speeds and np.isfinite(pressures[k]):
            groups.setdefault(key, []).append(k)
    found = []
    for (_, line), rows in groups.items():
        value = speeds[line] * float(np.median(pressures[rows]))
        found.append(Reading(value, tuple(heads[rows].tolist()), tuple(positions[rows].tolist()), tuple(lots[k] for k in rows if lots[k]), line))
    return found


def differences(log: MachineLog, column: str, expected: str) -> list[Reading]:
    """What one column reads above another that says what was expected, one reading per head and index.

    Parameters
    ----------
    log : MachineLog
    column, expected : str
        Names of columns, such as anode_c and rf_setting; rows without both are left out.

    Returns
    -------
    list of Reading

    Raises
    ------
    DesignFault
        A column is missing or holds something that is not a number.
    """
    values = log.numbers(column) - log.numbers(expected)
    heads, positions = log.whole("head_no"), log.whole("position")
    lots = log.columns.get("lot_id", [""] * len(log))
    return [
        Reading(float(v), (int(heads[k]),), (int(positions[k]),), (lots[k],) if lots[k] else ())
        for k, v in enumerate(values) if np.isfinite(v)
    ]  # fmt: skip


def what_it_follows(readings: Sequence[Reading], expected: bool, unit: str = "", level: float = 0.95) -> Follows:
    """Two-way table of heads and positions (and lots), and what stands out of it.

    Parameters
    ----------
    readings : sequence of Reading
        In numbers that add up: logarithms of ratios, differences [K], flows [Pa L/s].
    expected : bool
        Whether the values are measured against an expectation for each position.  If not, positions
        take up what is theirs by design and are not judged.
    unit : str
        Put behind figures in sentences, with its leading blank.
    level : float
        Of the intervals and of "stands out", over all levels together [1].

    Returns
    -------
    Follows

    Raises
    ------
    FitRefused
        Fewer than two readings per level, or a single head.
    ValueError
        A value that is not a number, a reading without head or position.

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> rows = [Reading(random.normal(1.0 if head == 3 else 0.0, 0.2), (head,), (position,)) for head in range(1, 6) for position in range(1, 6)]
    >>> what_it_follows(rows, expected=True).follows
    'head'
    """

    rows = list(readings)
    if any(not np.isfinite(r.value) or not r.heads or not r.positions for r in rows):
        raise ValueError("every reading needs a value that is a number, a head and a position; leave the others out")
    first = table = _table(rows, expected, level)
    whole = {(one.factor, one.name): one for one in first.levels}
    judged: dict[tuple[str, str], Level] = {}
    # What stands out need not be the same everywhere, and would then be smeared over its neighbours on
    # the line: the rest is judged once more from the readings without it.  Effects stay those of the whole table.
    while table.levels and table.levels[0].chance < 1.0 - level:
        worst = table.levels[0]
        judged[worst.factor, worst.name] = worst
        rows = [r for r in rows if not _is_of(r, worst, table)]
        try:
            table = _table(rows, expected, level)
        except FitRefused:
            break
    last = {(one.factor, one.name): one.chance for one in table.levels} | {key: one.chance for key, one in judged.items()}
    levels = [replace(one, chance=max(one.chance, last.get(key, 0.0))) for key, one in whole.items()]
    outstanding = [one for key in judged for one in levels if (one.factor, one.name) == key and one.chance < 1.0 - level]
    others = sorted((one for one in levels if one not in outstanding), key=lambda one: one.chance)
    return Follows((*outstanding, *others), tuple(outstanding), unit, len(readings), first.put_aside, first.explained, first.not_judged)


@dataclass(frozen=True)
class _Table:
    """One fit of the table."""

    levels: tuple[Level, ...]  # most certain first
    members: dict[tuple[str, str], tuple]  # what a named level consists of
    put_aside: int
    explained: dict[str, float]
    not_judged: tuple[str, ...]


def _is_of(reading: Reading, level: Level, table: _Table) -> bool:
    """Whether a reading was taken of this head, position or lot."""
    return bool(set(getattr(reading, f"{level.factor}s")) & set(table.members[level.factor, level.name]))


def _table(rows: list[Reading], expected: bool, level: float) -> _Table:
    """Fit of the additive table, every level with its interval."""
    from scipy import stats

    y = np.array([r.value for r in rows])
    gauge_names = sorted({r.gauge for r in rows})
    gauge = np.array([gauge_names.index(r.gauge) for r in rows], int)
    columns, names, not_judged = _columns(rows, gauge, expected)
    levels = sum(len(n) for n in names.values())
    if len(names.get("head", ())) < 2:
        raise FitRefused("head, position or lot", [Reason("one head only: what follows a head cannot be seen", "log all heads")])
    if len(rows) < FEWEST_PER_LEVEL * levels:
        words = f"{len(rows)} readings for {levels} heads, positions and lots: {FEWEST_PER_LEVEL * levels} are needed"
        raise FitRefused("head, position or lot", [Reason(words, "log more rotations")])
    design = np.column_stack([column for group in columns.values() for column in group.T])
    estimate, covariance, weight, freedom = _robust(design, y, gauge)
    looked_at = sum(len(n) for factor, n in names.items() if factor in FACTORS)
    reach = stats.t.ppf(1.0 - 0.5 * (1.0 - level) / looked_at, freedom)
    found, explained, members, at = [], {}, {}, 0
    heads = slice(0, len(names["head"]))
    for factor, labels in names.items():
        here = slice(at, at + len(labels))
        at += len(labels)
        if factor not in FACTORS:
            continue
        # Positions are held against what is expected of them, for a head of the middle; all else against its own kind.
        middle = -np.median(estimate[heads]) if factor == "position" else np.median(estimate[here])
        own = estimate[here] - middle
        explained[factor] = float(np.var(columns[factor] @ own)) / max(float(np.var(y)), 1e-300)
        for k, label in enumerate(labels):
            contrast = np.zeros(len(estimate))
            if factor == "position":
                contrast[heads] = 1.0 / len(names["head"])
            else:
                contrast[here] = -1.0 / (len(labels) - 1)
            contrast[at - len(labels) + k] = 1.0
            error = np.sqrt(max(float(contrast @ covariance @ contrast), 0.0))
            effect = float(own[k])
            chance = min(1.0, looked_at * 2.0 * float(stats.t.sf(abs(effect) / error, freedom))) if error > 0.0 else float(effect == 0.0)
            one = Level(factor, _span(label), effect, float(effect - reach * error), float(effect + reach * error), chance)
            members[factor, one.name] = label
            found.append((abs(effect) / error if error > 0.0 else np.inf, one))
    found.sort(key=lambda pair: -pair[0])
    return _Table(tuple(one for _, one in found), members, int((weight < 0.1).sum()), explained, tuple(not_judged))


def _columns(rows, gauge, expected):
    """Incidence columns and labels by factor; levels that always come together share one column."""
    columns, names, not_judged = {}, {}, []
    for factor in FACTORS:
        members = [getattr(r, f"{factor}s") for r in rows]
        labels = sorted({m for ms in members for m in ms}, key=lambda m: (isinstance(m, str), m))
        if len(labels) < (2 if factor == "head" else 1):
            continue
        if factor == "position" and not expected:
            not_judged.append("Positions are not judged: they differ by design, and no expectation was given.")
            labels_of = [sorted(set(m)) for m in members]
            labels = sorted({tuple(m) for m in labels_of})
            columns["base"] = np.array([[float(tuple(m) == one) for one in labels] for m in labels_of])
            names["base"] = labels
            continue
        incidence = np.array([[float(m.count(one)) for one in labels] for m in members])
        merged: dict[bytes, list] = {}
        for k, one in enumerate(labels):
            merged.setdefault(incidence[:, k].tobytes(), []).append((k, one))
        together = [group for group in merged.values() if len(group) > 1]
        if together and len(merged) > 1:
            spans = ", ".join(_span([one for _, one in group]) for group in together)
            not_judged.append(f"{factor.capitalize()}s {spans} always share a reading and cannot be told apart.")
        if len(merged) < 2:
            continue
        columns[factor] = np.stack([incidence[:, group[0][0]] for group in merged.values()], axis=1)
        names[factor] = [tuple(one for _, one in group) for group in merged.values()]
    if "base" not in columns and "position" not in columns:
        # Each gauge has a base of its own; positions, where they are judged, contain it.
        columns["base"] = np.equal.outer(gauge, np.arange(gauge.max() + 1)).astype(float)
        names["base"] = [(k,) for k in range(columns["base"].shape[1])]
    return columns, names, not_judged


def _span(labels) -> str:
    """"9 to 12" for whole numbers in a row, else a list."""
    if len(labels) > 1 and all(isinstance(one, int) for one in labels) and list(labels) == list(range(labels[0], labels[-1] + 1)):
        return f"{labels[0]} to {labels[-1]}"
    return " and ".join(map(str, labels))


def _robust(design, y, gauge):
    """Estimate, covariance, weights and degrees of freedom of a fit that readings far off do not sway.

    Bisquare weights; every gauge has its own scatter, first from the median of its residuals, in the end from
    all that count.  A gauge that sets most of the parameters has fewer degrees of freedom left for it.
    """
    count = int(gauge.max()) + 1
    weight, left = np.ones(len(y)), np.ones(len(y))
    scale = np.full(len(y), max(float(np.std(y)), 1e-300))
    least = 1e-12 * max(float(np.abs(y).max()), 1e-300)
    for _ in range(ROUNDS):
        front = np.sqrt(weight) / scale
        estimate = np.linalg.lstsq(design * front[:, None], y * front, rcond=1e-10)[0]
        residual = y - design @ estimate
        before = weight
        left = 1.0 - _leverage(design, scale)
        for k in range(count):
            here = gauge == k
            shrink = np.sqrt(max(float(left[here].mean()), 1e-3))
            scale[here] = max(1.4826 * float(np.median(np.abs(residual[here]))) / shrink, least)
        weight = np.clip(1.0 - (residual / (TUNING * scale)) ** 2, 0.0, None) ** 2
        if np.abs(weight - before).max() < 1e-6:
            break
    # Covariance of an M-estimate, gauge by gauge.
    u = residual / scale
    derivative = np.where(np.abs(u) < TUNING, (1.0 - (u / TUNING) ** 2) * (1.0 - 5.0 * (u / TUNING) ** 2), 0.0)
    freedom, most = 1.0, -1.0
    for k in range(count):
        here = gauge == k
        free = max(float(left[here].sum()), 1.0)
        scale[here] *= np.sqrt(float(np.sum((weight * u)[here] ** 2)) / free) / max(float(derivative[here].mean()), 1e-3)
        taken = float((1.0 - left[here]).sum())
        if taken > most:
            freedom, most = free, taken
    scale = np.maximum(scale, least)
    information = (design / scale[:, None]).T @ (design / scale[:, None])
    return estimate, np.linalg.pinv(information, rcond=1e-10), weight, freedom


def _leverage(design, scale):
    """Share of each reading's own scatter that the fit takes up."""
    basis, size, _ = np.linalg.svd(design / scale[:, None], full_matrices=False)
    return np.sum(basis[:, size > 1e-10 * size[0]] ** 2, axis=1)


def _chance(value: float) -> str:
    """A chance, below a millionth without its figure: no scatter is known so far out.

    >>> _chance(0.0123), _chance(5e-103)
    ('0.01', 'below 1e-6')
    """
    return f"{value:.1g}" if value >= 1e-6 else "below 1e-6"
