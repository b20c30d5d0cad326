"""The machine log: one row for every head at every index that was written down, as comma-separated text.

Columns go by their names in the header, in any order; comment lines begin with #.  Head and position
must be there, and what tells one index from the next: the time, or the rotation.  Everything else is
kept as it stands and turned into numbers where it is asked for.  Logs of a gauge against
time are another matter, see `Trace`.

Not read: other separators and decimal commas; save such a table with commas and points first.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from exhaustsim.plant.faults import DesignFault, Fault, nearest

NEEDED = ("head_no", "position")
MOST_TOLD = 5  # rows with the same fault that are named one by one


@dataclass(frozen=True, eq=False)
class MachineLog:
    """A machine log, column by column."""

    source: str
    columns: dict[str, list[str]]  # as they stood in the file
    line_numbers: tuple[int, ...]  # of the rows in the file, from 1

    def __len__(self) -> int:
        return len(self.line_numbers)

    def text(self, name: str) -> list[str]:
        """A column as it stood in the file.

        Raises
        ------
        DesignFault
            There is no such column.
        """
        if name not in self.columns:
            raise DesignFault([Fault(self.source, name, "", "there is no such column", nearest(name, self.columns))])
        return self.columns[name]

    def numbers(self, name: str) -> np.ndarray:
        """A column as (n,) floats, NaN where nothing stands.

        Raises
        ------
        DesignFault
            There is no such column, or something in it is not a number; every row is named, up to five.
        """
        values, faults = np.full(len(self), np.nan), []
        for k, text in enumerate(self.text(name)):
            if text:
                try:
                    values[k] = float(text)
                except ValueError:
                    faults.append(Fault(self.source, f"{name}, line {self.line_numbers[k]}", text, "is not a number", "leave the field empty where nothing was read"))
        if faults:
            more = len(faults) - MOST_TOLD
            rest = [Fault(self.source, name, "", f"and {more} rows more are not numbers")] if more > 0 else []
            raise DesignFault(faults[:MOST_TOLD] + rest)
        return values

    def whole(self, name: str) -> np.ndarray:
        """A column as (n,) ints.

        Raises
        ------
        DesignFault
            As `numbers`, or where a field is empty or not a whole number.
        """
        values = self.numbers(name)
        wrong = [k for k, v in enumerate(values) if not (np.isfinite(v) and v == int(v))]
        if wrong:
            raise DesignFault([
                Fault(self.source, f"{name}, line {self.line_numbers[k]}", self.columns[name][k], "must be a whole number", "write it in every row")
                for k in wrong[:MOST_TOLD]
            ])  # fmt: skip
        return values.astype(int)

    def index(self) -> list[str]:
        """What tells one index from the next: the time, or else the rotation."""
        return self.columns["time_iso" if "time_iso" in self.columns else "rotation_no"]


def load_machine_log(path) -> MachineLog:
    """Read a machine log.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    MachineLog

    Raises
    ------
    DesignFault
        With every fault: a file that cannot be read, no header, columns missing or named twice, rows of another length.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise DesignFault([Fault(str(path), "", "", "cannot be read as UTF-8 text", str(getattr(error, "strerror", None) or error))]) from error
    numbered = [(k, line) for k, line in enumerate(text.splitlines(), start=1) if line.strip() and not line.lstrip().startswith("#")]
    rows = list(csv.reader(line for _, line in numbered))
    if not rows:
        raise DesignFault([Fault(str(path), "", "", "there is no header", "begin with a row of column names")])
    header = [name.strip() for name in rows[0]]
    faults = [Fault(str(path), name, "", "stands in the header twice", "give every column its own name") for name in sorted({n for n in header if header.count(n) > 1})]
    for name in NEEDED:
        if name not in header:
            faults.append(Fault(str(path), name, "", "the column is missing", nearest(name, header)))
    if "time_iso" not in header and "rotation_no" not in header:
        faults.append(Fault(str(path), "time_iso", "", "neither time_iso nor rotation_no is there", "one of them must tell one index from the next"))
    wrong = [(number, len(row)) for (number, _), row in zip(numbered[1:], rows[1:], strict=True) if len(row) != len(header)]
    for number, count in wrong[:MOST_TOLD]:
        faults.append(Fault(str(path), f"line {number}", f"{count} fields", f"must have {len(header)}, as the header", "look for a missing comma, or one too many"))
    if len(rows) < 2:
        faults.append(Fault(str(path), "", "", "there are no rows below the header"))
    if faults:
        raise DesignFault(faults)
    fields = zip(*rows[1:], strict=True)
    columns = {name: [field.strip() for field in column] for name, column in zip(header, fields, strict=True)}
    return MachineLog(str(path), columns, tuple(number for number, _ in numbered[1:]))
