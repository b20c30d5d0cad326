"""The questions that a pressure log may be asked, one function for each: read gauge and gas, fit, put the answer together.

What the user does not say is taken from the columns of the log (closed volume, temperature, gas round the valve, lot) and told.
`studies/logstudy` says what is asked and what an answer holds, and is the way in.
"""

from __future__ import annotations

import math
import os
from dataclasses import replace

import numpy as np

from exhaustsim.constants import REFERENCE_TEMPERATURE, ZERO_CELSIUS
from exhaustsim.data.published import BUILT_IN
from exhaustsim.plant.faults import DesignFault, Fault
from exhaustsim.plant.pressurelog import PressureLog
from exhaustsim.plant.trace import Trace
from exhaustsim.studies.fitmodel import FitRefused, Reason
from exhaustsim.studies.fitting import Fit, with_intervals
from exhaustsim.studies.gaugetreatment import TrueTrace, true_pressure
from exhaustsim.studies.logstudy import MOST_TRACES, Asked, Figure, LogAnswer, Part, name_of_gas, thinned
from exhaustsim.studies.ridequantities import NAMES


def _file(log: PressureLog) -> str:
    return os.path.basename(log.path)


def _chosen(logs: list[PressureLog], asked: Asked) -> list[tuple[PressureLog, Trace]]:
    """Traces asked for, cut to the stretch asked for."""
    found = []
    for log in logs:
        traces = [log.trace(asked.trace)] if asked.trace is not None else list(log.traces)
        found += [(log, t.between(asked.start, asked.end)) for t in traces]
    if len(found) > MOST_TRACES:
        raise DesignFault([Fault(_file(logs[0]), "trace", "", f"holds {len(found)} traces, {MOST_TRACES} are fitted in one go", "name one with --trace, or use --kind batches")])
    empty = [t.name for _, t in found if not len(t)]
    if empty:
        raise DesignFault([Fault(_file(logs[0]), "from, to", f"{asked.start:g} to {asked.end:g} s", f"no reading of {', '.join(empty)} lies there", "look at the times in the log")])
    return found


def _row(log: PressureLog, trace: Trace) -> int | None:
    """First row of the file that belongs to a trace."""
    if len(log.traces) == 1:
        return 0 if log.table else None
    for column in ("test_id", "valve_id"):
        for k, cell in enumerate(log.table.get(column, ())):
            if trace.name == cell or trace.name.startswith(f"{cell} "):
                return k
    return None


def _cell(log: PressureLog, trace: Trace, column: str) -> str:
    row = _row(log, trace)
    return str(log.table[column][row]).strip() if row is not None and column in log.table else ""


def _number(log: PressureLog, trace: Trace, column: str) -> float | None:
    try:
        value = float(_cell(log, trace, column).replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _true(trace: Trace, asked: Asked, read: list[str]) -> TrueTrace:
    """Trace in true pressure of the gas that was there, with its scale error."""
    gas = asked.gas or trace.gas or trace.calibration_gas or "N2"
    if asked.gas is None and trace.gauge is not None:
        read.append(f"{trace.name}: gas taken as {gas}, that of the calibration; another gas reads otherwise (give --gas).")
    true = true_pressure(trace, gas)
    read += [f"{trace.name}: {s[0].lower()}{s[1:]}" for s in true.sentences]
    if asked.scale_error is not None:
        read.append(f"{trace.name}: scale of the gauge good to {100.0 * asked.scale_error:.3g} %, as you say.")
        return replace(true, scale_error=asked.scale_error)
    return true


def _volume(log: PressureLog, trace: Trace, asked: Asked, read: list[str]) -> tuple[float, float]:
    """Closed volume and its standard error [m3]."""
    written, error = _number(log, trace, "isolated_volume_cm3"), _number(log, trace, "volume_sd_cm3")
    volume = asked.volume
    if volume is None:
        if written is None:
            raise DesignFault([Fault(_file(log), "volume", "", "a rise needs the closed volume, of valve, exhaust stem and gauge together", 'give --volume, as "15 cm3"')])
        volume = 1e-6 * written
        read.append(f"Closed volume {written:g} cm3, from the column isolated_volume_cm3.")
    elif written is not None and not math.isclose(1e-6 * written, volume, rel_tol=1e-3):
        read.append(f"Closed volume {1e6 * volume:g} cm3 as you say; the log says {written:g} cm3.")
    sd = asked.volume_sd
    if sd is None and error is not None:
        sd = 1e-6 * error
        read.append(f"Standard error of the volume {error:g} cm3, from the column volume_sd_cm3.")
    elif sd is None:
        sd = 0.0
        read.append("The volume is taken as exact: give --volume-sd to have its uncertainty in the intervals.")
    return volume, sd


def _temperature(log: PressureLog, trace: Trace, asked: Asked, read: list[str]) -> float:
    if asked.temperature is not None:
        return asked.temperature
    written = _number(log, trace, "temperature_c")
    if written is not None:
        return ZERO_CELSIUS + written
    read.append("Gas taken to be at 20 degC: give --temperature if it was not.")
    return REFERENCE_TEMPERATURE


def _flow(of: str, name: str, estimate, told: bool = True) -> Figure:
    """An estimate with m3 in its unit, told in litres."""
    factor, unit = (1e3, estimate.unit.replace("m3", "L")) if "m3" in estimate.unit else (1.0, estimate.unit)
    return Figure(of, name, factor * estimate.value, factor * estimate.low, factor * estimate.high, unit, told)


def _bootstrap(fit: Fit, asked: Asked, say, name: str) -> dict:
    if not asked.bootstrap:
        return {}
    say(f"bootstrap of {name}")
    return dict(with_intervals(fit, "both").bootstrap)


def _unique(words) -> tuple[str, ...]:
    return tuple(dict.fromkeys(w for w in words if w))


def _heard(logs: list[PressureLog]) -> tuple[list[str], tuple[str, ...]]:
    """What the reader assumed and marked, of each file where there are two."""
    front = {id(log): f"{_file(log)}: " if len(logs) > 1 else "" for log in logs}
    return [front[id(g)] + s for g in logs for s in g.assumed], tuple(front[id(g)] + s for g in logs for s in g.marked)


def rise(logs, asked: Asked, say) -> LogAnswer:
    """Rises of closed volumes; of two with different gases round the valve also what that excludes."""
    from exhaustsim.studies.risefit import RISE_WITH_ARGON, fit_rise

    read, marked = _heard(logs)
    figures, evidence, cannot, following, refused, parts, told, shown = [], [], [], [], [], [], [], []
    for log, trace in _chosen(logs, asked):
        volume, sd = _volume(log, trace, asked, read)
        temperature = _temperature(log, trace, asked, read)
        surround = asked.surround or _cell(log, trace, "surround_gas") or "air"
        true = _true(trace, asked, read)
        shown.append(true.trace)
        say(f"fitting {trace.name}")
        try:
            found = fit_rise(
                true.trace, volume, sd, temperature, closed_at=asked.began, surround=surround, age=asked.age, floor=_foot(trace),
                scale_error=true.scale_error, level=asked.level,
            )  # fmt: skip
        except FitRefused as no:
            refused.append(no)
            continue
        front = f"{trace.name} ({surround} round it): " if len(log.traces) > 1 and asked.trace is None else ""
        told.append(front + found.sentence)
        figures.append(_flow(trace.name, "gas flow at closing", found.throughput))
        if found.amount is not None:
            figures.append(_flow(trace.name, "gas that comes out in the end", found.amount))
        if found.time_constant is not None:
            figures.append(_flow(trace.name, "time constant", found.time_constant))
        if found.leak_at_most is not None and found.speaks_for != "leak":
            figures.append(_flow(trace.name, "room for a leak beside it", replace(found.leak_at_most, value=math.nan, low=0.0)))
        evidence += [front + e for e in found.evidence]
        cannot += found.cannot_tell
        following += found.next_experiments
        parts.append(Part(trace.name, true.trace, found.choice.fit, found, _bootstrap(found.choice.fit, asked, say, trace.name)))
    others = {}
    if len(parts) == 2 and parts[0].result.surround != parts[1].result.surround and parts[0].result.volume == parts[1].result.volume:
        compared = _surrounds(parts, asked, read)
        if compared is not None:
            others["surrounds"] = compared
            told.append(compared.sentence)
            following = [n for n in following if n != RISE_WITH_ARGON]
            figures.append(Figure(" over ".join(reversed(compared.names)), "rise with the other gas round it, as shown", *_ends(compared.ratio), "1"))
    return LogAnswer(
        "rise", tuple(g.path for g in logs), _answer(told, refused), _unique(read), marked, tuple(figures), _unique(evidence), _unique(cannot),
        _unique([*following, *_next(refused)]), tuple(refused), tuple(parts), others, asked.level, tuple(shown),
    )  # fmt: skip


def _ends(estimate) -> tuple[float, float, float]:
    return estimate.value, estimate.low, estimate.high


def _answer(told: list[str], refused: list[FitRefused]) -> str:
    told = [*told, *(f"{no.name}: no fit, because {'; '.join(r.words for r in no.reasons)}." for no in refused)]
    return " ".join(dict.fromkeys(told))


def _next(refused: list[FitRefused]) -> list[str]:
    return [n for no in refused for n in no.next_experiments]


def _foot(trace: Trace) -> float:
    """Lowest reading of the gauge [Pa]; 0 when unknown."""
    from exhaustsim.studies.pumpdownfit import gauge_floor

    return gauge_floor(trace) or 0.0


def _surrounds(parts: list[Part], asked: Asked, read: list[str]):
    """Two rises with different gases round the valve, or None where the gases or the gauge are not known."""
    from exhaustsim.studies.risefit import compare_surrounds

    names = [p.result.surround for p in parts]
    masses, viscosities = [], []
    for name in names:
        shares = {r.name.split(".")[1]: r.value for r in BUILT_IN.rows("gases.*.air_share")} if name == "air" else {name_of_gas(name): 1.0}
        if None in shares:
            return None
        total = sum(shares.values())
        masses.append(sum(s * BUILT_IN.value(f"gases.{g}.molar_mass") for g, s in shares.items()) / total)
        viscosities.append(sum(s * BUILT_IN.value(f"gases.{g}.viscosity") for g, s in shares.items()) / total)
    gauge = parts[0].trace.gauge
    if gauge is None or asked.gas is not None or min(p.result.throughput.value for p in parts) <= 0.0:
        return None
    rows = BUILT_IN.group(f"gauges.{gauge}.relative_sensitivity")
    seen = [rows["N2" if name == "air" else name_of_gas(name)] for name in names]
    if min(row.value for row in seen) <= 0.0:
        return None
    # The range in the tables is the span of two standard deviations either side, as in `gaugetreatment`.
    error = math.sqrt(sum(((row.high - row.low) / 4.0 / row.value) ** 2 for row in seen if row.low is not None))
    ratio = seen[1].value / seen[0].value
    read.append(f"A {gauge} gauge shows {names[1]} {ratio:.3g} times as {names[0]} (good to {100.0 * error:.2g} %).")
    return compare_surrounds(parts[0].result, parts[1].result, tuple(masses), tuple(viscosities), ratio, error)


def _one(logs, asked: Asked) -> tuple[PressureLog, Trace]:
    """The one trace that is asked for."""
    log = logs[0]
    trace = log.trace(asked.trace).between(asked.start, asked.end)
    if not len(trace):
        raise DesignFault([Fault(_file(log), "from, to", f"{asked.start:g} to {asked.end:g} s", "no reading lies there", "look at the times in the log")])
    return log, trace


def _refusal(kind, logs, no: FitRefused, read, marked, asked, shown, **more) -> LogAnswer:
    return LogAnswer(
        kind, tuple(g.path for g in logs), _answer([], [no]), _unique(read), marked, following=_unique(no.next_experiments), refused=(no,),
        level=asked.level, shown=shown, **more,
    )  # fmt: skip


def exhaust(logs, asked: Asked, say) -> LogAnswer:
    """What holds up a pump-down."""
    from exhaustsim.studies.pumpdownfit import fit_outgassing
    from exhaustsim.units import PASCAL_LITRE, format_number

    read, marked = _heard(logs)
    log, trace = _one(logs, asked)
    true = _true(trace, asked, read)
    began = None if asked.fit_began else asked.began
    if not asked.fit_began and began is None:
        began = 0.0
        read.append("Pumping taken to have begun at 0 s of the log: give --began if it did not.")
    if began is not None:
        after = trace.time > began
        if not after.any():
            raise DesignFault([Fault(_file(log), "began", f"{began:g} s", f"no reading lies after it; the last is at {trace.time[-1]:g} s", "give the second of the log at which pumping began")])
        if not after.all():
            read.append(f"Readings up to {began:g} s, before pumping began, are left out: {int((~after).sum())}.")
            trace = trace.between(float(trace.time[after][0]), math.inf)
            true = _true(trace, asked, [])
    if asked.volume is not None and asked.net_speed is None:
        read.append("The volume is of no use without a net speed, and was left out.")
    if asked.net_speed is not None and asked.temperature is None:
        read.append("Gas taken to be at 20 degC: give --temperature if it was not.")
    try:
        found = fit_outgassing(
            true.trace, volume=asked.volume if asked.net_speed is not None else None, net_speed=asked.net_speed,
            temperature=asked.temperature or REFERENCE_TEMPERATURE, terms=asked.terms or "auto", time_zero=began, speed_error=asked.speed_error,
            scale_error=true.scale_error, level=asked.level, intervals="both" if asked.bootstrap else "profile",
            progress=lambda share, words: say(f"fitting, {words}"),
        )  # fmt: skip
    except FitRefused as no:
        return _refusal("exhaust", logs, no, read, marked, asked, (true.trace,))
    figures = [Figure(trace.name, f"{r.name}, {r.at}", *(x / PASCAL_LITRE for x in (r.value, r.low, r.high)), "Pa L/s") for r in found.rates]
    figures += [
        Figure(trace.name, p.name, p.value, 0.0 if p.open_low else p.low, math.inf if p.open_high else p.high, p.unit)
        for p in found.fit.parameters if not (found.rates and p.name in found.fit.model.terms)
    ]  # fmt: skip
    cannot = [w for w in found.evidence if any(s in w for s in ("tell", "trade off", "look the same", "set no"))]
    answer = f"{found.fit.model.words[0].upper()}{found.fit.model.words[1:]}."
    if found.rates:
        answer += " " + "; ".join(f"{f.name}: {format_number(f.value)} {f.unit} ({format_number(f.low)} to {format_number(f.high)})" for f in figures[: len(found.rates)]) + "."
    return LogAnswer(
        "exhaust", tuple(g.path for g in logs), answer, _unique(read), marked, tuple(figures), _unique(w for w in found.evidence if w not in cannot),
        _unique(cannot), found.next_experiments, (), (Part(trace.name, true.trace, found.fit, found, dict(found.fit.bootstrap)),), {}, asked.level,
        (true.trace,),
    )  # fmt: skip


def orifice(logs, asked: Asked, say) -> LogAnswer:
    """Gas flow through a known conductance."""
    from exhaustsim.studies.throughput import fit_throughput

    read, marked = _heard(logs)
    faults = []
    if asked.conductance is None:
        faults.append(Fault(_file(logs[0]), "conductance", "", "the flow follows from the conductance between the two gauges", 'give --conductance, as "0.1 L/s"'))
    others = [t for k, g in enumerate(logs) for t in g.traces if k or (t.name != asked.trace and len(logs) == 1 and asked.trace is not None)]
    if asked.trace is None and len(logs[0].traces) > 1:
        names = ", ".join(t.name for t in logs[0].traces)
        faults.append(Fault(_file(logs[0]), "trace", "", "which gauge stands on the side of the sample is not known", f"name it with --trace: {names}"))
    elif asked.downstream is None and len(others) != 1:
        faults.append(Fault(_file(logs[0]), "downstream", "", "the pressure on the side of the pump is needed",
                            'give a second log, or --downstream "1e-4 Pa" where it is steady'))  # fmt: skip
    if faults:
        raise DesignFault(faults)
    _, up = _one(logs[:1], asked)
    true = _true(up, asked, read)
    down = asked.downstream if asked.downstream is not None else None
    errors = (true.scale_error, 0.0)
    if down is None:
        other = _true(others[0].between(asked.start, asked.end), asked, read)
        down, errors = other.trace, (true.scale_error, other.scale_error)
    if asked.volume is None:
        read.append("The volume in front of the conductance is taken as nought: what it gives up while the pressure falls counts as flow.")
    say(f"fitting {up.name}")
    try:
        found = fit_throughput(
            true.trace, down, asked.conductance, asked.speed_error, asked.volume or 0.0, started_at=asked.began or 0.0, scale_errors=errors,
            level=asked.level,
        )  # fmt: skip
    except FitRefused as no:
        return _refusal("orifice", logs, no, read, marked, asked, (true.trace,))
    named = (("falling part, at one hour", found.at_one_hour), ("exponent of its fall", found.exponent), ("steady flow", found.steady))
    figures = tuple(_flow(up.name, name, e) for name, e in named if e is not None)
    fit = found.choice.fit
    return LogAnswer(
        "orifice", tuple(g.path for g in logs), found.sentence, _unique(read), marked, figures, _unique([*found.choice.words, *found.cautions]),
        _unique(w for w in fit.in_words() if "trade off" in w), found.next_experiments, (),
        (Part(up.name, fit.trace, fit, found, _bootstrap(fit, asked, say, up.name)),), {}, asked.level, (true.trace,),
    )  # fmt: skip


def ride(logs, asked: Asked, say) -> LogAnswer:
    """A head ride with the full simulation, and the closure of its breakdown on the weighed coating."""
    from exhaustsim.engine.run import simulate
    from exhaustsim.studies.closure import NoClosure, breakdown_closure
    from exhaustsim.studies.ridefit import fit_ride

    read, marked = _heard(logs)
    if asked.schedule is None:
        raise DesignFault([Fault(_file(logs[0]), "schedule", "", "a ride is fitted with the schedule that was ridden", "give --schedule, as demo_data/schedules/dt1_standard.toml")])
    log, whole = _one(logs, asked)
    trace = thinned(whole, asked.every)
    if asked.every > 1:
        read.append(f"One reading in {asked.every} is fitted, {len(trace)} of {len(whole)}.")
    if trace.place is None:
        trace = replace(trace, place="bulb")
        read.append("Gauge taken to be in the bulb, a gauge valve: give --place line if it is on the line.")
    ranges = None
    if "gauge_range" in log.table and len(log.traces) == 1:
        numbers = np.array(log.table["gauge_range"], str)
        ranks = np.unique(numbers, return_inverse=True)[1]
        # Rows of the table by their time, which is how the trace was put in order.
        ranges = ranks[np.array([int(np.argmin(np.abs(log.time - t))) for t in trace.time])]
    found, refused, others = None, [], {}
    try:
        found = fit_ride(trace, asked.schedule, free=asked.free, ranges=ranges, level=asked.level, progress=lambda share, words: say(f"head ride, {words}"))
    except FitRefused as no:
        refused.append(no)
    except ValueError as problem:
        raise DesignFault([Fault(_file(log), "free", ", ".join(asked.free), str(problem), f"use {', '.join(NAMES)}")]) from None
    told, figures, parts, cannot, evidence, following = [], [], [], [], [], []
    if found is not None:
        for v in (*found.values, *found.nuisances):
            figures.append(Figure("valve" if v in found.values else "gauge, pumps, clock", v.what, v.value, v.low, v.high, v.unit, v.stated))
        stated = [v.sentence for v in found.values if v.stated]
        told.append("; ".join(stated)[:1].upper() + "; ".join(stated)[1:] + "." if stated else "The readings tell none of the quantities left free.")
        words = found.in_words()
        cannot = [w for w in words if "trade off" in w or "do not tell" in w or "no better known" in w]
        told_already = {v.sentence for v in (*found.values, *found.nuisances)}
        evidence = [w for w in words if w not in cannot and w not in told_already]
        following = [r.next_experiment for r in found.inference.cautions if r.next_experiment]
        parts = [Part(trace.name, found.inference.trace, found.inference, found)]
    say("closure of the breakdown on the weighed coating")
    try:
        closed = breakdown_closure(trace, simulate(asked.schedule), clock=found["clock"].value if found is not None else 0.0)
        others["closure"] = closed
        # An account that does not close puts every other figure in doubt, so it comes first.
        told = [*told, *closed.sentences] if closed.closes else [*closed.sentences, *told]
        evidence.append("the closure takes the mixture of gases from the run of the schedule as its file has it, before the fit")
        if not closed.closes:
            following.append(
                "ride again with a gauge that reaches higher" if closed.least_only
                else "set the gauge against another of known calibration, or look at its certificate"
            )  # fmt: skip
        figures.append(Figure("breakdown", "CO2 found over CO2 weighed", closed.ratio, closed.low, math.inf if closed.least_only else closed.high, "1"))
    except NoClosure as no:
        evidence.append(f"closure on the weighed coating not drawn: {no}")
    return LogAnswer(
        "ride", tuple(g.path for g in logs), _answer(told, refused), _unique(read), marked, tuple(figures), _unique(evidence), _unique(cannot),
        _unique([*following, *_next(refused)]), tuple(refused), tuple(parts), others, asked.level, (trace,),
    )  # fmt: skip


def batches(logs, asked: Asked, say) -> LogAnswer:
    """Rises of valves of two lots, the lots held against the scatter between valves."""
    from exhaustsim.studies.lots import ValveFigure, compare_lots
    from exhaustsim.studies.risefit import fit_rise

    read, marked = _heard(logs)
    flows: dict[str, dict[str, list[tuple[float, float]]]] = {}
    refused, parts, lot_of, shown = [], [], {}, []
    for log in logs:
        for trace in log.traces:
            lot, valve = _cell(log, trace, "lot_id") or _file(log), _cell(log, trace, "valve_id") or trace.name
            volume, _ = _volume(log, trace, replace(asked, volume_sd=0.0), read)
            temperature = _temperature(log, trace, asked, read)
            true = _true(trace.between(asked.start, asked.end), asked, [])
            shown.append(true.trace)
            say(f"fitting {trace.name}")
            try:
                found = fit_rise(true.trace, volume, 0.0, temperature, closed_at=asked.began, age=asked.age, floor=_foot(trace), level=asked.level)
            except FitRefused as no:
                refused.append(FitRefused(f"{lot}, {valve}", no.reasons))
                continue
            flow = found.throughput
            if not (flow.value > 0.0 and flow.low > 0.0 and math.isfinite(flow.high)):
                refused.append(FitRefused(f"{lot}, {valve}", [Reason("its rise sets no figure that could be compared", "read for longer")]))
                continue
            # Half of the interval of the logarithm over the deviations in it.
            flows.setdefault(lot, {}).setdefault(valve, []).append((flow.value, math.log(flow.high / flow.low) / (2.0 * _deviations(asked.level))))
            name = f"{lot}, {valve}"
            lot_of[name] = lot
            parts.append(Part(name, true.trace, found.choice.fit, found))
    read.append("One gauge and one volume are taken to have read both lots: their errors fall out of the ratio, and are not in the intervals of single valves.")
    common = {
        "kind": "batches", "files": tuple(g.path for g in logs), "read": _unique(read), "marked": marked, "parts": tuple(parts), "level": asked.level,
        "shown": tuple(shown),
    }  # fmt: skip
    figures = tuple(_flow(p.name, "gas flow at closing", p.result.throughput) for p in parts)
    models = {p.result.model for p in parts}
    if len(flows) != 2:
        words = f"{len(flows)} lot{'' if len(flows) == 1 else 's'} with usable rises ({', '.join(flows) or 'none'}): two are compared"
        refused.append(FitRefused("two lots", [Reason(words, "give a log with two lots under lot_id, or one log for each lot")]))
        return LogAnswer(answer=_answer([], refused), figures=figures, refused=tuple(refused), following=_unique(_next(refused)), **common)
    lots = {}
    for lot, valves in flows.items():
        # Repeats of one valve are put together: geometric mean, errors as of so many independent ones.
        lots[lot] = [
            ValveFigure(valve, math.exp(sum(math.log(v) for v, _ in rows) / len(rows)), math.sqrt(sum(e * e for _, e in rows)) / len(rows))
            for valve, rows in valves.items()
        ]  # fmt: skip
    names = tuple(lots)
    try:
        compared = compare_lots(lots[names[0]], lots[names[1]], tuple(n if "." in n else f"lot {n}" for n in names), asked.level)
    except FitRefused as no:
        refused.append(no)
        return LogAnswer(answer=_answer([], refused), figures=figures, refused=tuple(refused), following=_unique(_next(refused)), **common)
    ratio = Figure(f"{compared.names[1]} over {compared.names[0]}", "ratio of gas flows at closing", compared.ratio, compared.low, compared.high, "1")
    scatter = Figure("valves of one lot", "scatter between valves", compared.scatter, compared.scatter_low, compared.scatter_high, "1")
    evidence = [f"chance of such a ratio if the lots were alike: {compared.chance:.1g}"]
    if len(models) > 1:
        evidence.append(f"the valves rise by different curves ({', '.join(sorted(models))}): their flows at closing are compared nevertheless")
    cannot = ["a difference between lots and one between the days, heads or trays on which they were measured, unless lots were mixed there"]
    following = ["measure valves of both lots in turn on one head", *_next(refused)]
    return LogAnswer(
        answer=_answer([f"Gas flow at closing: {compared.sentence}"], refused), figures=(ratio, scatter, *figures), evidence=tuple(evidence), cannot_tell=tuple(cannot),
        following=_unique(following), refused=tuple(refused), others={"lots": compared, "lot of": lot_of}, **common,
    )  # fmt: skip


def _deviations(level: float) -> float:
    from scipy.stats import norm

    return float(norm.isf(0.5 * (1.0 - level)))
