"""The least squares of `studies/leastsquares.py` against certified nonlinear regressions.

The files in `published/regression` are the nonlinear problems of the Statistical Reference Datasets of
a national standards institute (US public domain), as they come with the source distribution of lmfit 1.3.4.
Each gives two starts, certified parameters with their standard deviations to eleven digits, and a
level of difficulty; the model functions are written from the formula in each file.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from exhaustsim.studies.leastsquares import covariance, differences, solve

FOLDER = Path(__file__).parent / "published" / "regression"


def polynomials(b, x, up):
    top = sum(b[k] * x**k for k in range(up + 1))
    return top / (1.0 + sum(b[up + k] * x**k for k in range(1, len(b) - up)))


def peaks(b, x):
    return b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-(((x - b[3]) / b[4]) ** 2)) + b[5] * np.exp(-(((x - b[6]) / b[7]) ** 2))


def waves(b, x):
    found = b[0] + b[1] * np.cos(2 * np.pi * x / 12) + b[2] * np.sin(2 * np.pi * x / 12)
    for k in (3, 6):
        found = found + b[k + 1] * np.cos(2 * np.pi * x / b[k]) + b[k + 2] * np.sin(2 * np.pi * x / b[k])
    return found


MODELS = {
    "Bennett5": lambda b, x: b[0] * (b[1] + x) ** (-1 / b[2]),
    "BoxBOD": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Chwirut": lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "ENSO": waves,
    "Eckerle4": lambda b, x: b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Gauss": peaks,
    "Hahn1": lambda b, x: polynomials(b, x, 3),
    "Kirby2": lambda b, x: polynomials(b, x, 2),
    "Lanczos": lambda b, x: b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-b[3] * x) + b[4] * np.exp(-b[5] * x),
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "MGH10": lambda b, x: b[0] * np.exp(b[1] / (x + b[2])),
    "MGH17": lambda b, x: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "Misra1a": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Misra1b": lambda b, x: b[0] * (1 - (1 + b[1] * x / 2) ** -2),
    "Misra1c": lambda b, x: b[0] * (1 - (1 + 2 * b[1] * x) ** -0.5),
    "Misra1d": lambda b, x: b[0] * b[1] * x / (1 + b[1] * x),
    "Nelson": lambda b, x: b[0] - b[1] * x[0] * np.exp(-b[2] * x[1]),  # of the logarithm of y
    "Rat42": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)),
    "Rat43": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
    "Roszman1": lambda b, x: b[0] - b[1] * x - np.arctan(b[2] / (x - b[3])) / np.pi,
    "Thurber": lambda b, x: polynomials(b, x, 3),
}


def problem(name):
    """Starts (2, k), certified parameters and standard deviations (k,), y (n,), x (n,) or (2, n)."""
    lines = (FOLDER / f"{name}.dat").read_text(encoding="latin-1").splitlines()
    rows = [line.split("=")[1].split() for line in lines[40:] if re.match(r"\s*b\d+\s*=", line)]
    table = np.array(rows, float)
    first = next(k for k, line in enumerate(lines) if line.startswith("Data:") and k > 50) + 1
    data = np.array([line.split() for line in lines[first:] if line.strip()], float).T
    y, x = data[0], data[1] if len(data) == 2 else data[1:]
    return table[:, :2].T, table[:, 2], table[:, 3], np.log(y) if name == "Nelson" else y, x


# Two starts that the collection rates hard do not lead there as they stand, and why:
# from (2, 400000, 25000) the first parameter of MGH10 runs off to 1e-49 along a valley; fitted in the
# logarithm, as the package fits everything that is above zero, it arrives.
IN_LOGARITHM = {("MGH10", 0)}
# from (1, 1) a full first step puts the rate of BoxBOD at 50, where the curve no longer depends on it;
# with a first step damped a thousandfold it arrives.
DAMPED = {("BoxBOD", 0): 100.0}
# Its residuals are 1e-13, the last digit of the data and of double precision: their sum of squares, and
# with it the standard deviations, cannot be had to more digits.  The curvature can: it is compared through
# the residual standard deviation certified in the file.
RESIDUALS_ARE_ROUNDING = {"Lanczos1"}


def fitted(name, which):
    """Values and standard deviations reached from a start, 0 or 1."""
    starts, certified, _, y, x = problem(name)
    model = MODELS[name] if name in MODELS else MODELS[name.rstrip("123")]
    low, high = np.full(len(certified), -np.inf), np.full(len(certified), np.inf)
    logarithm = (name, which) in IN_LOGARITHM

    def residuals(b):
        with np.errstate(all="ignore"):
            curve = (lambda c: model(np.exp(c), x)) if logarithm else (lambda c: model(c, x))
            return curve(b) - y, differences(curve, b, low, high, least=1e-30)

    start = np.log(starts[which]) if logarithm else starts[which]
    best = solve(residuals, start, low, high, steps=5000, tolerance=1e-22, damping=DAMPED.get((name, which), 0.1))
    squares = best.squares / (len(y) - len(certified))
    if name in RESIDUALS_ARE_ROUNDING:
        text = (FOLDER / f"{name}.dat").read_text(encoding="latin-1")
        squares = float(re.search(r"Residual Standard Deviation:\s*(\S+)", text).group(1)) ** 2
    deviation = np.sqrt(np.diag(covariance(best)) * squares)
    return (np.exp(best.values), np.exp(best.values) * deviation) if logarithm else (best.values, deviation)


NAMES = sorted(path.stem for path in FOLDER.glob("*.dat"))


def digits(found, right):
    return float(np.min(-np.log10(np.maximum(np.abs(found / right - 1.0), 1e-16))))


def test_the_whole_collection_is_there():
    assert len(NAMES) == 27


@pytest.mark.parametrize("start", [0, 1], ids=["start 1", "start 2"])
@pytest.mark.parametrize("name", NAMES)
def test_certified_values_are_reached(name, start):
    _, certified, deviation, _, _ = problem(name)
    found, spread = fitted(name, start)
    assert digits(found, certified) >= 6.0
    assert digits(spread, deviation) >= 5.0
