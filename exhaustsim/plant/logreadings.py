"""What each reading of a log is worth: numbers out of cells, and marks on those that are no plain readings.

A meter off its scale writes a word, nought, minus one, or its floor over and over; one that changes
its range steps; a counter shows two figures.  Such readings are kept and marked: as "at most" or "at
least" where they still bound the truth, as spoiled or no reading where they do not.

Not done: spikes are not marked, a fit with a robust loss deals with them; slow drift is not found.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from exhaustsim.plant.logtext import lines_text
from exhaustsim.plant.trace import AT_LEAST, AT_MOST, GOOD, NO_READING, SPOILED

_BELOW = frozenset({"ur", "u.r.", "ul", "lo", "low", "under", "underrange", "under range"})
_ABOVE = frozenset({"ol", "o.l.", "or", "o.r.", "hi", "high", "over", "overrange", "over range", "overload", "saturated"})
_NONE = frozenset({
    "", "off", "on", "nan", "inf", "+inf", "-inf", "n/a", "na", "none", "null", "-", "--", "---", "----", "err", "error", "fail",
    "fault", "#n/a", "no reading", "no sensor", "sensor off", "infinity", "-infinity",
})  # fmt: skip
_BOUND = re.compile(r"^([<>])=?\s*(\S+)$")
_WITH_UNIT = re.compile(r"^\s*[<>]?\s*([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*([A-Za-zµμ][A-Za-zµμ ]*)\s*$")
_SURELY_DECIMAL = re.compile(r"\s*[+-]?(?:0*,\d+|0\d*,\d+|\d+,\d{0,2}|\d+,\d{4,}|\d+,\d+[eE][+-]?\d+)\s*")
#: Highest reading believed [Pa]: three atmospheres.  What stands above in a log of a vacuum line is a word written as a number.
BELIEVED = 3e5
#: Equal readings in a row from which the lowest or highest is taken for an end of the scale, and by how much
#: the run must be longer than those of other readings.
_RUN, _LONGER = 8, 4


@dataclass(eq=False)
class Numbers:
    """A column of cells as numbers."""

    value: np.ndarray  # (n,) float, not-a-number where there is none
    mark: np.ndarray  # (n,) int8
    all_numbers: bool  # no words among them
    unreadable: np.ndarray  # (n,) bool, neither number nor a known word


class NumbersUnclear(ValueError):
    """Numbers that may mean two things; the message says which, `cell` shows one."""

    def __init__(self, need: str, cell: str, cure: str):
        super().__init__(need)
        self.cell, self.cure = cell.strip(), cure


def decimal_sign(cells, decimal: str | None = None, commas_elsewhere: bool = False) -> str:
    """Decimal sign of a column: "." or ",", or "both" when thousands are set off as well ("1,234.5").

    Parameters
    ----------
    cells : sequence of str
    decimal : str, optional
        What the user says.
    commas_elsewhere : bool
        Whether other columns of the file have decimal commas.

    Raises
    ------
    NumbersUnclear
        All commas may set off thousands ("1,234"), or both signs stand for the decimal.

    >>> decimal_sign(["0,5", "1"]), decimal_sign(["0.5", "1e-3"])
    (',', '.')
    """
    text = "\n".join(cells)
    if "," not in text:
        dots = [c for c in cells if "." in c] if commas_elsewhere and decimal is None else []
        if dots and all(re.fullmatch(r"\s*[1-9]\d{0,2}(\.\d{3})+\s*", c) for c in dots):
            raise NumbersUnclear("the point may set off thousands, other columns have decimal commas", dots[0], 'give decimal = "." or ","')
        return "." if decimal != "," or not dots else ","
    if decimal is None and "." not in text and any(_SURELY_DECIMAL.fullmatch(c) for c in cells):
        return ","
    commas = [c.strip() for c in cells if "," in c]
    numbers = [c for c in commas if re.fullmatch(r"[<>]?\s*[+-]?[\d.,]+(?:[eE][+-]?\d+)?(?:\s*[A-Za-zµμ ]+)?", c)]
    if decimal is not None:
        return decimal
    both = [c for c in numbers if "." in c]
    if both:
        if all(re.match(r"[+-]?\d{1,3}(,\d{3})+\.\d*$", c) for c in both) and all(re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+(\.\d*)?", c) for c in numbers):
            return "both"
        raise NumbersUnclear("points and commas in one number", both[0], "write numbers without thousands separators")
    sure = [c for c in numbers if not re.fullmatch(r"[+-]?[1-9]\d{0,2}(,\d{3})+", c)]
    if numbers and not sure:
        raise NumbersUnclear("may be a decimal comma or thousands", numbers[0], 'give decimal = "," or "."')
    if numbers and re.search(r"\d\.\d", text):
        dot = next(c for c in cells if re.search(r"\d\.\d", c))
        raise NumbersUnclear("decimal points and decimal commas in one column", f"{numbers[0]} and {dot.strip()}", "write all numbers alike")
    return "," if numbers else "."


def numbers_of(cells, sign: str = ".") -> Numbers:
    """Cells as numbers, with words and bounds marked.

    >>> numbers_of(["1.5", "OL", "<1e-6", "Off"]).mark.tolist()
    [0, 2, 1, 4]
    """
    whole = "\n".join(cells)
    if sign == "," and "," in whole:
        text = whole.replace(",", ".")
    elif "," in whole:
        text = whole.replace(",", "")
    else:
        text = ""
    plain = text.split("\n") if text else list(cells)
    size = len(plain)
    mark = np.zeros(size, np.int8)
    unreadable = np.zeros(size, bool)
    # Python takes "1_000" and numbers of other scripts for numbers; a log does not.
    odd = "_" in whole or not whole.isascii()
    try:
        if odd:
            raise ValueError
        value = np.array(list(map(float, plain)))
        words = not np.isfinite(value).all()
    except ValueError:
        value, words = np.full(size, np.nan), True
        known: dict[str, tuple[float, int, bool]] = {}
        for k, cell in enumerate(plain):
            if cell in known:
                value[k], mark[k], unreadable[k] = known[cell]
                continue
            try:
                if odd and ("_" in cell or not cell.isascii()):
                    raise ValueError
                value[k] = float(cell)
            except ValueError:
                known[cell] = _word(cell.strip())
                value[k], mark[k], unreadable[k] = known[cell]
    lost = ~np.isfinite(value) & (mark == GOOD)
    value[lost], mark[lost] = np.nan, NO_READING
    return Numbers(value, mark, not words, unreadable)


def _word(cell: str) -> tuple[float, int, bool]:
    """Value, mark and whether unreadable, of a cell that is no plain number."""
    folded = cell.lower().strip('"')
    if folded in _BELOW:
        return np.nan, AT_MOST, False
    if folded in _ABOVE:
        return np.nan, AT_LEAST, False
    if folded in _NONE:
        return np.nan, NO_READING, False
    bound = _BOUND.match(cell)
    if bound and "_" not in cell:
        try:
            value = float(bound[2])
            return (value, AT_MOST if bound[1] == "<" else AT_LEAST, False) if np.isfinite(value) else (np.nan, NO_READING, False)
        except ValueError:
            pass
    return np.nan, NO_READING, True


def units_behind_numbers(cells) -> tuple[list[str], set[str]] | None:
    """Numbers and the unit behind them, of a column of cells such as "1.2e-3 mbar"; None when they are not such.

    >>> units_behind_numbers(["1.2e-3 mbar", "Off", "2 mbar"])
    (['1.2e-3', 'Off', '2'], {'mbar'})
    """
    found = [_WITH_UNIT.match(c) for c in cells[:50]]
    if sum(m is not None for m in found) < 0.5 * len(found) or not any(found):
        return None
    bare, units = [], set()
    for cell in cells:
        m = _WITH_UNIT.match(cell)
        if m:
            units.add(m[2].strip())
            bare.append(cell[: m.end(1)])
        else:
            bare.append(cell)
    return bare, units


def longest_run(values: np.ndarray, at: float) -> int:
    """Length of the longest run of readings equal to `at`."""
    same = np.concatenate([[0], (values == at).astype(np.int8), [0]])
    edges = np.flatnonzero(np.diff(same))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0


def scale_ends(pressure: np.ndarray, mark: np.ndarray, line: np.ndarray, name: str, made: bool, said: list[str]) -> None:
    """Mark words written as numbers, repeated floor and ceiling values, and a reading that never moves.

    Changes `mark` and, where a reading is none, `pressure` in place; adds sentences to `said`.
    `made` says that the log comes from a calculation, where equal values are true.
    """

    def tell(which, what):
        said.append(f"{name}, {lines_text(line[which])}: {what}")

    good = mark == GOOD
    high = good & (pressure > BELIEVED)
    if high.any():
        mark[high], pressure[high] = NO_READING, np.nan
        tell(high, f"above {BELIEVED:g} Pa, a word written as a number; no reading.")
    good = mark == GOOD
    low = good & (pressure < 0.0)
    if low.any():
        if low.sum() == 1 or len(np.unique(pressure[low])) == 1:
            mark[low], pressure[low] = NO_READING, np.nan
            tell(low, "a negative number that is always the same stands for no reading.")
        else:
            tell(low, "below nought: the zero of the gauge is off. Kept; fits of the logarithm pass them over unless the zero is taken off.")
    good = mark == GOOD
    if made or good.sum() < _RUN:
        nought = good & (pressure == 0.0)
        if nought.any() and not made:
            mark[nought], pressure[nought] = NO_READING, np.nan
            tell(nought, "nought; no reading.")
        return
    nought = good & (pressure == 0.0)
    if nought.any():
        step = _step(pressure[good & (pressure > 0.0)])
        bound = step if step is not None else np.nan
        mark[nought], pressure[nought] = (AT_MOST if step is not None else NO_READING), bound
        tell(nought, f"nought on a meter of steps of {step:g} Pa; at most one step." if step is not None else "nought; no reading.")
    good = np.flatnonzero(mark == GOOD)
    if len(good) < _RUN:
        return
    shown = pressure[good]
    lowest, highest = shown.min(), shown.max()
    if lowest == highest:
        mark[good] = SPOILED
        said.append(f"{name}: the reading never moves from {lowest:g} Pa; spoiled.")
        return
    others = shown[(shown != lowest) & (shown != highest)]
    usual = max((longest_run(shown, v) for v in _most_common(others)), default=1)
    for end, worth, words in ((lowest, AT_MOST, "lowest"), (highest, AT_LEAST, "highest")):
        run = longest_run(shown, end)
        if run >= max(_RUN, _LONGER * usual):
            here = good[shown == end]
            mark[here] = worth
            tell(here, f"the {words} reading, {end:g} Pa, stands {run} times running: {'foot' if worth == AT_MOST else 'end'} of the scale.")


def _most_common(values: np.ndarray) -> np.ndarray:
    """The few values that occur most often."""
    found, often = np.unique(values, return_counts=True)
    return found[np.argsort(often)[::-1][:5]]


def _step(values: np.ndarray) -> float | None:
    """Step of a meter that counts in equal steps [Pa]; None for one that does not."""
    distinct = np.unique(values)
    if len(distinct) < 2:
        return float(distinct[0]) if len(distinct) and len(values) > 3 else None
    step = float(np.diff(distinct).min())
    share = distinct / step
    fits = np.abs(share - np.round(share)) < 1e-6 * np.maximum(share, 1.0)
    return step if fits.all() and distinct[0] < 30.0 * step else None


def figures_of(values: np.ndarray, mark: np.ndarray) -> int | None:
    """Significant figures of a column of numbers, 1 to 4; None for more, or for a meter with equal steps.

    >>> figures_of(__import__("numpy").array([0.12, 1.3e-4, 5.6]), __import__("numpy").zeros(3))
    2
    """
    distinct = np.unique(values[(mark == GOOD) & (values > 0.0)])
    if len(distinct) < 2:
        return None
    size = 10.0 ** np.floor(np.log10(distinct) + 1e-12)
    for figures in range(1, 5):
        scaled = distinct / size * 10.0 ** (figures - 1)
        if (np.abs(scaled - np.round(scaled)) < 1e-6 * scaled).all():
            return figures
    return None


def resolution(values: np.ndarray, mark: np.ndarray, name: str, unit: str) -> str:
    """A sentence on a meter that shows few figures or counts in steps; empty for any other.

    >>> import numpy as np
    >>> resolution(np.array([0.12, 1.3e-4, 5.6] * 20), np.zeros(60), "P", "mbar")
    'P: written with 2 figures; a reading is good to 5 % at the start of a decade.'
    """
    good = values[(mark == GOOD) & (values > 0.0)]
    if len(good) < 10:
        return ""
    step = _step(good)
    if step is not None and len(np.unique(good)) > 1:
        return f"{name}: the meter counts in steps of {step:.3g} {unit}; readings below {20.0 * step:.3g} {unit} are coarser than 2.5 %."
    figures = figures_of(values, mark)
    if figures is not None and figures <= 3:
        share = 50.0 * 10.0 ** (1 - figures)
        return f"{name}: written with {figures} figure{'s' if figures > 1 else ''}; a reading is good to {share:.3g} % at the start of a decade."
    return ""


def range_steps(shown: np.ndarray, mark: np.ndarray) -> np.ndarray:
    """Rows after a step by less than two, far above the scatter and lasting, near 1 or 3 times a power of ten.

    That may be a change of range; it may also be the pressure.

    Parameters
    ----------
    shown : (n,) float array
        Readings in the unit of the meter.
    mark : (n,) int8 array

    Returns
    -------
    (k,) int array
        Rows after the step [1].
    """
    good = np.flatnonzero((mark == GOOD) & (shown > 0.0))
    if len(good) < 20:
        return np.array([], int)
    height = np.log(shown[good])
    steps = np.diff(height)
    # The course itself is taken off by the median of the neighbouring steps.
    around = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(steps, 3, mode="edge"), 7), axis=1)
    beyond = steps - around
    scatter = 1.4826 * np.median(np.abs(beyond))
    # Ranges end at 1 and 3 times powers of ten, or thereabouts.
    low, high = np.minimum(height[1:], height[:-1]) - np.log(1.25), np.maximum(height[1:], height[:-1]) + np.log(1.25)
    at_an_end = np.zeros(len(steps), bool)
    for end in (1.0, 3.0):
        at_an_end |= np.floor((high - np.log(end)) / np.log(10.0)) > np.floor((low - np.log(end)) / np.log(10.0))
    jump = (np.abs(beyond) > max(8.0 * scatter, 0.02)) & (np.abs(beyond) < np.log(2.0)) & at_an_end
    where = []
    for k in np.flatnonzero(jump):
        before, after = height[max(0, k - 4) : k + 1], height[k + 1 : k + 6]
        trend = around[k] * (len(before) + len(after)) / 2.0
        lasting = np.median(after) - np.median(before) - trend
        if len(after) > 2 and abs(lasting - beyond[k]) < 0.5 * abs(beyond[k]):
            where.append(good[k + 1])
    return np.array(where, int)
