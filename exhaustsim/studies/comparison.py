"""Several schedules side by side: which is the quickest that will do, and why the others will not.

`compare` reads, simulates and judges every schedule and gives a `Comparison`: the answer in
one sentence, a table with one row for each schedule, and the verdicts themselves.  Schedules
for different valves are answered valve by valve.  The quickest schedule is the one with the
shortest index time among those that meet every target without a stop.
"""

from __future__ import annotations

import html
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from exhaustsim.engine.result import FailedRun
from exhaustsim.engine.run import simulate
from exhaustsim.plant.designfile import load_schedules
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.schedule import Schedule
from exhaustsim.studies.band import Band, band_of
from exhaustsim.studies.dwell import Dwell, shortest_index
from exhaustsim.studies.verdict import Verdict, after_life, judge, list_of
from exhaustsim.units import convert, format_number, share_text


IN_PYTHON = "a schedule described in Python"


@dataclass(frozen=True, eq=False)
class Comparison:
    """Verdicts on several schedules, in the order in which they were given."""

    verdicts: tuple[Verdict, ...]
    pressure_unit: str = "Pa"
    bands: tuple[Band, ...] = ()  # one on each verdict, or none
    dwells: tuple[Dwell, ...] = ()  # one on each schedule, or none

    @property
    def valves(self) -> list[str]:
        """Names of the valves, in order of first mention."""
        return list(dict.fromkeys(v.run.schedule.valve.name for v in self.verdicts))

    def best(self, valve: str | None = None) -> int | None:
        """Index of the quickest schedule that passes, of all or for one valve; None when none does."""
        passing = [
            (v.run.schedule.index_time, k)
            for k, v in enumerate(self.verdicts)
            if v.passes and valve in (None, v.run.schedule.valve.name)
        ]
        return min(passing)[1] if passing else None

    @property
    def answer(self) -> str:
        """The result in one sentence."""
        if len(self.verdicts) == 1:
            return self.verdicts[0].sentence
        return "; ".join(self._answer_for(valve) for valve in self.valves) + "."

    def _answer_for(self, valve: str) -> str:
        mine = [v for v in self.verdicts if v.run.schedule.valve.name == valve]
        best = self.best(valve)
        failing = [v for v in mine if not v.passes]
        why = "".join(f"; {v.sentence.removesuffix('.')}" for v in failing[:2])
        others = f"; {list_of([v.name for v in failing[2:]])} fail as well" if len(failing) > 2 else ""
        if best is None:
            return f"No schedule for {valve} will do{why}{others}"
        chosen = self.verdicts[best]
        time = chosen.run.schedule.index_time
        gain = f"{time:.3g} s index, {3600.0 / time:.0f} valves per hour"
        slower = max((v for v in mine if v.passes), key=lambda v: v.run.schedule.index_time)
        if slower is not chosen and slower.run.schedule.index_time > time:
            more = 100.0 * (slower.run.schedule.index_time / time - 1.0)
            gain += f", {more:.0f}% more than {slower.name}"
        warned = list_of(chosen.warned)
        warns = f", and warns of {warned}" if warned else ""
        return f"{chosen.name} is the quickest that meets every target ({gain}){warns}{why}{others}"

    def table(self) -> list[dict]:
        """One row for each schedule; pressures in Pa, shares as fractions."""
        rows = []
        for k, verdict in enumerate(self.verdicts):
            pressure, air = verdict.target("bulb_pressure"), verdict.target("air_share")
            spent, sealed = verdict.target("barium_spent"), verdict.target("sealed_pressure")
            index_time = verdict.run.schedule.index_time
            rows.append({
                "schedule": verdict.name,
                "index_time_s": index_time,
                "valves_per_hour": 3600.0 / index_time,
                "bulb_pressure_pa": pressure.value,
                "bulb_pressure_limit_pa": pressure.limit,
                "air_share_pa": air.value,
                "converted_fraction": verdict.target("converted_fraction").value,
                "barium_spent_fraction": spent.value if spent else None,
                "after_ageing_pa": sealed.value if sealed else None,
                "after_life_pa": after_life(verdict.run) if sealed else None,
                "verdict": verdict.word,
                "quickest": k == self.best(verdict.run.schedule.valve.name),
                "worst_flag": verdict.flags[0].name if verdict.flags else "",
                "worst_level": verdict.worst,
            })  # fmt: skip
        return rows

    def text_rows(self) -> list[tuple[str, ...]]:
        """Heading and rows of the table as text for a person, pressures in `pressure_unit`."""
        unit = self.pressure_unit

        def pressure(value):
            return "-" if value is None else format_number(convert(value, "pressure", unit), 2)

        rows = [(
            "schedule", "index s", "valves per hour", f"bulb pressure before flash / target, {unit}", f"bulb air share, {unit}",
            "conv. fraction", "barium spent", f"sealed pressure after ageing, {unit}", f"sealed pressure after life, {unit}", "verdict",
            "worst flag",
        )]  # fmt: skip
        for row in self.table():
            spent = row["barium_spent_fraction"]
            rows.append((
                row["schedule"],
                f"{row['index_time_s']:.3g}",
                f"{row['valves_per_hour']:.0f}",
                f"{pressure(row['bulb_pressure_pa'])} / {pressure(row['bulb_pressure_limit_pa'])}",
                pressure(row["air_share_pa"]),
                share_text(row["converted_fraction"]),
                "-" if spent is None else share_text(spent),
                pressure(row["after_ageing_pa"]),
                pressure(row["after_life_pa"]),
                row["verdict"],
                row["worst_flag"].replace("_", " ") or "none",
            ))  # fmt: skip
        return rows

    def to_json(self) -> list[dict]:
        """One object for each schedule, keys with their units."""
        told = [verdict.to_json() for verdict in self.verdicts]
        for one, band in zip(told, self.bands, strict=False):
            one["band"] = band.to_json()
        for one, dwell in zip(told, self.dwells, strict=False):
            one["dwell"] = dwell.to_json()
        return told

    def dataframe(self):
        """The table as a pandas DataFrame."""
        import pandas

        return pandas.DataFrame(self.table()).set_index("schedule")

    def _repr_html_(self) -> str:
        head, *rows = self.text_rows()
        cells = "".join(f"<th>{html.escape(c)}</th>" for c in head)
        body = "".join("<tr>" + "".join(f"<td>{html.escape(c)}</td>" for c in row) + "</tr>" for row in rows)
        flags = "".join(
            f"<li><b>{html.escape(v.name)}</b>, {f.level}: {html.escape(f.sentence)} <i>{html.escape(f.remedy)}.</i></li>"
            for v in self.verdicts
            for f in v.flags
        )
        return (
            f"<p><b>{html.escape(self.answer)}</b></p><table><thead><tr>{cells}</tr></thead><tbody>{body}</tbody></table>"
            f"<ul>{flags}</ul><p>Calculated with stated assumptions; trial under supervision before use.</p>"
        )


def compare(
    schedules: Iterable[Schedule | str | os.PathLike],
    tolerance: float = 1e-3,
    progress: Callable[[str], None] | None = None,
    pressure_unit: str = "Pa",
    with_band: bool = False,
    with_dwell: bool = False,
) -> Comparison:
    """Simulate and judge every schedule.

    Parameters
    ----------
    schedules : iterable of Schedule or path
        Paths are read together, so that all faults of all files come back at once.
    tolerance : float
        Relative tolerance of a step [1], see `exhaustsim.simulate`.
    progress : callable, optional
        Called with a line of text before each schedule is simulated.
    pressure_unit : str
        Unit in which sentences and tables tell pressures.
    with_band : bool
        Find the band on each verdict too (twenty runs more for each), see `exhaustsim.band`.
    with_dwell : bool
        Find the shortest index time of each schedule too (some forty runs more for each), see `exhaustsim.shortest_index`.

    Raises
    ------
    DesignFault
        A file cannot be used, or two schedules have the same name; nothing has been simulated then.
    FailedRun
        A simulation came to no result that may be believed.
    """
    given = list(schedules)
    if not given:
        raise ValueError("no schedule to compare")
    read = iter(load_schedules([s for s in given if not isinstance(s, Schedule)]))
    ready = [s if isinstance(s, Schedule) else next(read) for s in given]
    _refuse_namesakes(ready)
    verdicts = []
    for number, schedule in enumerate(ready, start=1):
        if progress is not None:
            progress(f"simulating {schedule.name} ({number} of {len(ready)})")
        try:
            run = simulate(schedule, tolerance)
        except FailedRun as failure:
            raise FailedRun(f"{schedule.name}: {failure}") from failure
        verdicts.append(judge(run, pressure_unit))
    bands = [band_of(verdict, progress) for verdict in verdicts] if with_band else []
    dwells = [shortest_index(schedule, tolerance=tolerance, progress=progress) for schedule in ready] if with_dwell else []
    return Comparison(tuple(verdicts), pressure_unit, tuple(bands), tuple(dwells))


def _refuse_namesakes(schedules: list[Schedule]) -> None:
    """Two rows of a table, two curves and two files of one name could not be told apart."""
    first: dict[str, Schedule] = {}
    faults = []
    for schedule in schedules:
        name = " ".join(schedule.name.split())
        other = first.setdefault(name, schedule)
        if other is not schedule:
            need = f"{other.source or IN_PYTHON} has the same name; a comparison tells schedules apart by it"
            faults.append(Fault(schedule.source or IN_PYTHON, "name", f'"{schedule.name}"', need, "give one of the two another name"))
    if faults:
        raise DesignFault(faults)
