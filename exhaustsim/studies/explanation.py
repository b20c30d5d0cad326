"""Why a schedule comes out as it does: everything `exhaustsim run` tells beside the verdict.

Where each position's gas comes from and what stands between bulb and pump, whether bigger pumps
would help, whether the pumps are big enough for one another, which limit binds, and what a station needs to bring a part to a set temperature.
The questions are answered in `positions`, `resistance`, `sizing`, `binding` and `station`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from exhaustsim.constants import GAS_NAMES
from exhaustsim.studies.binding import Margin, binding_sentence, margins
from exhaustsim.studies.coilheat import CoilHeat, coil_heat
from exhaustsim.studies.positions import PositionRow, position_rows
from exhaustsim.studies.resistance import BiggerPumps, Resistance, bigger_pumps, resistance_sentence, resistances
from exhaustsim.studies.sizing import SizingRow, sizing, sizing_sentence
from exhaustsim.studies.station import OutOfReach, Reach, RfStation, StationAnswer, answers, rf_stations
from exhaustsim.studies.verdict import Verdict


@dataclass(frozen=True, eq=False)
class Explanation:
    """A verdict, explained."""

    verdict: Verdict
    positions: tuple[PositionRow, ...]
    resistances: tuple[Resistance, ...]
    bigger_pumps: BiggerPumps
    sizing: tuple[SizingRow, ...]
    margins: tuple[Margin, ...]  # smallest first
    rf: tuple[RfStation, ...]  # what the RF of the schedule does
    stations: tuple[StationAnswer | OutOfReach, ...]  # what was asked besides
    coils: tuple[CoilHeat, ...] = ()  # none where the schedule gives watts

    @property
    def resistance_sentence(self) -> str:
        """What takes most of the drop between bulb and pump, and whether bigger pumps would help."""
        pumps = self.bigger_pumps.sentence(self.verdict.pressure_unit)
        return f"{resistance_sentence(self.resistances)} {pumps}"

    @property
    def sizing_sentence(self) -> str:
        """Whether the pumps are big enough for one another."""
        return sizing_sentence(self.sizing)

    @property
    def binding_sentence(self) -> str:
        return binding_sentence(self.margins)

    def to_json(self) -> dict:
        """Plain data, keys with their units."""
        ledger = self.verdict.run.ledger
        return {
            "positions_si": [row.to_json() for row in self.positions],
            "ledger_mol": {gas: ledger.by_gas(gas) for gas in GAS_NAMES},
            "resistance": [row.to_json() for row in self.resistances],
            "bigger_pumps": {
                "bulb_pressure_pa": self.bigger_pumps.before,
                "bulb_pressure_with_bigger_pumps_pa": self.bigger_pumps.after,
                "sentence": self.resistance_sentence,
            },
            "rf_stations": [
                {
                    "position": s.position, "node": s.node, "power_w": s.watts, "duration_s": s.seconds, "power_left_w": s.watts_left,
                    "temperature_before_k": s.temperature_before, "reached_k": s.reached,
                }
                for s in self.rf
            ],
            "sizing": {"sentence": self.sizing_sentence, "pumps": [row.to_json() for row in self.sizing]},
            "binding": {"sentence": self.binding_sentence, "limits": [margin.to_json() for margin in self.margins]},
            "reach": [
                {"reachable": False, "sentence": f"{answer}."} if isinstance(answer, OutOfReach)
                else {"reachable": True} | answer.to_json()
                for answer in self.stations
            ],
        } | ({"coils": [row.to_json() for row in self.coils]} if self.coils else {})  # fmt: skip


def explain(
    verdict: Verdict, questions: Iterable[Reach] = (), progress: Callable[[str], None] | None = None
) -> Explanation:
    """Explain `verdict`.

    Parameters
    ----------
    verdict : Verdict
        From `exhaustsim.judge`.
    questions : iterable of Reach
        What stations are asked for.
    progress : callable, optional
        Called with a line of text before each piece of work that takes long.

    Raises
    ------
    StationFault
        A question cannot be asked of this schedule.
    FailedRun
        A run with other RF came to no result.
    """
    run = verdict.run
    stations: list[StationAnswer | OutOfReach] = []
    for question in questions:
        if progress is not None:
            progress(f"finding the RF for {question.node} at position {question.position}")
        stations += answers(run.schedule, question, run.tolerance)
    if progress is not None:
        progress("simulating with bigger pumps")
    return Explanation(
        verdict, tuple(position_rows(run)), tuple(resistances(run)), bigger_pumps(run), sizing(run), margins(verdict),
        tuple(rf_stations(run)), tuple(stations), tuple(coil_heat(run)),
    )
