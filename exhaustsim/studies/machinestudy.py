"""A machine log asked what its trouble follows, head, position or lot, and what drifted through the time logged.

The flows of the lines tell of heads, and need the speed of each line; a column beside what was expected of it, such as the anode
temperature beside that of the card, tells of positions; line pressures by rotation tell of drift.  What the log does not hold
is said, not guessed.

Not done: two troubles at one time that hide one another; see `studies/follows` and `studies/drift`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from exhaustsim.plant.machinelog import MachineLog
from exhaustsim.studies.drift import drift, rounds
from exhaustsim.studies.fitmodel import FitRefused, Reason
from exhaustsim.studies.follows import differences, flows_of_lines, what_it_follows
from exhaustsim.studies.logstudy import Figure, LogAnswer

READ_BESIDE = ("anode_c", "rf_setting")  # degC read by pyrometer, and as the card gives it


def study_machine(
    log: MachineLog, speeds: Mapping[str, float], *, level: float = 0.95, progress: Callable[[str], None] | None = None
) -> LogAnswer:  # fmt: skip
    """What a machine log says of heads, positions, lots and drift.

    Parameters
    ----------
    log : MachineLog
    speeds : mapping of line to float
        Net speed at the manifold of each line [m3/s]; lines left out are not used.
    level : float
        Of the intervals and of what stands out [1].
    progress : callable, optional
        Called with what is being done.

    Returns
    -------
    LogAnswer

    Raises
    ------
    DesignFault
        A column holds something that is not a number.
    """
    say = progress or (lambda words: None)
    told, figures, evidence, refused, others = [], [], [], [], {}
    read = [f"{len(log)} rows: one for every head at every index that was written down."]
    following, cannot = [], []

    def ask(name, work):
        say(name)
        try:
            return work()
        except FitRefused as no:
            refused.append(no)
            return None

    if "line_pressure_pa" in log.columns and "line_id" in log.columns:
        lines = sorted(set(log.text("line_id")) - {""})
        if speeds:
            in_litres = {line: 1e3 * speed for line, speed in speeds.items()}
            found = ask("what the flow of the lines follows", lambda: what_it_follows(flows_of_lines(log, in_litres), expected=False, unit=" Pa L/s", level=level))
            _enter("flow", found, "Pa L/s", told, figures, others)
        else:
            wanted = " ".join(f'--net-speed "{line}=2 L/s"' for line in lines[:2])
            told.append(f"Whether a head lets in gas is not asked: that needs the net speed of the lines {', '.join(lines)} ({wanted} ...).")
    if all(name in log.columns for name in READ_BESIDE):
        found = ask("what the anode temperature follows", lambda: what_it_follows(differences(log, *READ_BESIDE), expected=True, unit=" K", level=level))
        read.append("Anode temperature held against that of the card, anode_c less rf_setting.")
        _enter("anode temperature", found, "K", told, figures, others)
    if all(name in log.columns for name in ("rotation_no", "line_pressure_pa", "line_id")):
        series = rounds(log)
        if "line_co2_pa" in log.columns:
            series |= {f"CO2 of {line}": values for line, values in rounds(log, "line_co2_pa").items()}
        found = ask("drift", lambda: drift(series, level=level)) if series else None
        if found is not None:
            told.append(f"Drift of line pressures: {found.sentence[0].lower()}{found.sentence[1:]}")
            others["drift"] = found
            figures += [Figure(f"line {c.position}", "after over before", c.ratio, c.low, c.high, "1", c.changed_at is not None) for c in found.charts]
            evidence += [
                f"{c.position} moved {_between(*c.changed_between)}, chance {c.chance:.1g}"
                for c in found.charts if c.changed_at is not None and c.changed_between is not None
            ]  # fmt: skip
            cannot.append("a slow slope and a step in its middle; gas that all lines share and a gauge that all lines share")
    if not told and not refused:
        refused.append(FitRefused("machine log", [Reason("the log holds neither line pressures nor anode temperatures that could be asked", "log line_id and line_pressure_pa, or anode_c and rf_setting, in every row")]))
    stands_out = [found.outstanding[0] for found in others.values() if hasattr(found, "outstanding") and found.outstanding]
    for first in stands_out:
        following.append({
            "head": f"look at port, rubber and plate of head {first.name}; change its rubber and log three rotations more",
            "position": f"look at coil, burner and cams of position {first.name}",
            "lot": f"measure valves of lot {first.name} on another head",
        }[first.factor])  # fmt: skip
    following += [n for no in refused for n in no.next_experiments]
    return LogAnswer(
        "machine", (log.source,), " ".join([*told, *(f"{no.name}: {'; '.join(r.words for r in no.reasons)}." for no in refused)]), tuple(read), (),
        tuple(figures), tuple(evidence), tuple(cannot), tuple(dict.fromkeys(following)), tuple(refused), (), others, level,
    )  # fmt: skip


def _between(first: int, last: int) -> str:
    """Where something moved, in readings counted from 1."""
    return f"at reading {first + 1}" if first == last else f"between readings {first + 1} and {last + 1}"


def _enter(what, found, unit, told, figures, others) -> None:
    """Sentence and figures of one table of heads, positions and lots."""
    if found is None:
        return
    told.append(f"{what[0].upper()}{what[1:]}: {found.sentence[0].lower()}{found.sentence[1:]}")
    others[f"follows, {what}"] = found
    known = {id(level) for level in found.outstanding}
    figures += [Figure(what, f"{one.factor} {one.name}", one.effect, one.low, one.high, unit, id(one) in known) for one in found.levels[:8]]
