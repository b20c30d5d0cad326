"""How a glass electronic valve is exhausted on a rotary machine, and whether a schedule will do.

    >>> import exhaustsim
    >>> exhaustsim.published.value("carbonates.needle_radius")  # SI: metres
    1.1e-06

`load_schedule` reads a schedule with its valve and machine, `simulate` carries one valve
through it, `judge` holds the run against its targets and limits, `compare` does all three
for several schedules, `band` says how sure a verdict is, `explain` why it comes out so,
`sizing` whether the pumps are big enough for one another, and `watts_to_reach` and
`seconds_to_reach` what RF a station needs.  `simulate_machine` turns the loaded machine
through incidents (`Leaker`, `Stop` ...), and `line_loads`, `scrap_list`, `cross_talk`,
`leaker_limits` and `stop_tolerance` tell what comes of it.
`shortest_index` finds the quickest index time at which a card still does, `position_slack` what each position has to spare,
`best_settings` and `frontier` choose heater steps, RF and oven together, `waterfall` tells what each change between two cards bought,
`energy` what a good valve takes; `spread`, `yield_curve` and `contributions` what tolerances do to the pass rate.
`load_log` reads a pressure log and `true_pressure` applies gas factors; `fit_outgassing`, `fit_rise`, `fit_throughput` and
`fit_ride` say with intervals what the readings support, `write_overlay` takes it back to the valve file.  Names are fetched on first use, so that the import
itself is quick.
"""

from importlib import import_module

__version__ = "0.1.0"

#: The names a user types, and where they live.
_HOMES = {
    "load_schedule": "exhaustsim.plant.designfile",
    "load_schedules": "exhaustsim.plant.designfile",
    "load_tables": "exhaustsim.plant.readdata",
    "DesignFault": "exhaustsim.plant.faults",
    "simulate": "exhaustsim.engine.run",
    "simulate_machine": "exhaustsim.engine.loaded",
    "MachineRun": "exhaustsim.engine.loaded",
    "Leaker": "exhaustsim.plant.incidents",
    "BrokenValve": "exhaustsim.plant.incidents",
    "Stop": "exhaustsim.plant.incidents",
    "ScoredPlate": "exhaustsim.plant.incidents",
    "SlackCoil": "exhaustsim.plant.incidents",
    "EmptyHead": "exhaustsim.plant.incidents",
    "WeakPump": "exhaustsim.plant.incidents",
    "OtherValves": "exhaustsim.plant.incidents",
    "AiredHeads": "exhaustsim.plant.incidents",
    "line_loads": "exhaustsim.studies.lineload",
    "cross_talk": "exhaustsim.studies.neighbours",
    "leaker_limits": "exhaustsim.studies.neighbours",
    "scrap_list": "exhaustsim.studies.stops",
    "stop_tolerance": "exhaustsim.studies.stops",
    "Run": "exhaustsim.engine.result",
    "FailedRun": "exhaustsim.engine.result",
    "GasLedger": "exhaustsim.engine.ledger",
    "judge": "exhaustsim.studies.verdict",
    "Verdict": "exhaustsim.studies.verdict",
    "compare": "exhaustsim.studies.comparison",
    "Comparison": "exhaustsim.studies.comparison",
    "band": "exhaustsim.studies.band",
    "Band": "exhaustsim.studies.band",
    "gauge_reading": "exhaustsim.studies.gauges",
    "shortest_index": "exhaustsim.studies.dwell",
    "position_slack": "exhaustsim.studies.slack",
    "best_settings": "exhaustsim.studies.bestsettings",
    "frontier": "exhaustsim.studies.bestsettings",
    "waterfall": "exhaustsim.studies.waterfall",
    "energy": "exhaustsim.studies.energy",
    "load_tolerances": "exhaustsim.plant.tolerances",
    "spread": "exhaustsim.studies.spread",
    "contributions": "exhaustsim.studies.contributions",
    "yield_curve": "exhaustsim.studies.yieldcurve",
    "getter_curve": "exhaustsim.studies.yieldcurve",
    "load_log": "exhaustsim.plant.pressurelog",
    "PressureLog": "exhaustsim.plant.pressurelog",
    "VoltLaw": "exhaustsim.plant.logwishes",
    "true_pressure": "exhaustsim.studies.gaugetreatment",
    "TrueTrace": "exhaustsim.studies.gaugetreatment",
    "fit": "exhaustsim.studies.fitting",
    "Fit": "exhaustsim.studies.fitting",
    "FitRefused": "exhaustsim.studies.fitting",
    "Model": "exhaustsim.studies.fitmodel",
    "Parameter": "exhaustsim.studies.fitmodel",
    "fit_outgassing": "exhaustsim.studies.pumpdownfit",
    "fit_rise": "exhaustsim.studies.risefit",
    "compare_surrounds": "exhaustsim.studies.risefit",
    "fit_throughput": "exhaustsim.studies.throughput",
    "fit_ride": "exhaustsim.studies.ridefit",
    "RideFit": "exhaustsim.studies.ridefit",
    "breakdown_closure": "exhaustsim.studies.closure",
    "NoClosure": "exhaustsim.studies.closure",
    "write_overlay": "exhaustsim.studies.overlay",
    "load_machine_log": "exhaustsim.plant.machinelog",
    "compare_lots": "exhaustsim.studies.lots",
    "ValveFigure": "exhaustsim.studies.lots",
    "what_it_follows": "exhaustsim.studies.follows",
    "drift": "exhaustsim.studies.drift",
    "clock_offset": "exhaustsim.studies.clocks",
    "energy_from_step": "exhaustsim.studies.activationenergy",
    "energy_from_ramps": "exhaustsim.studies.activationenergy",
    "causes_of_gas": "exhaustsim.studies.aftermath",
    "causes_of_slump": "exhaustsim.studies.aftermath",
    "explain": "exhaustsim.studies.explanation",
    "sizing": "exhaustsim.studies.sizing",
    "watts_to_reach": "exhaustsim.studies.station",
    "seconds_to_reach": "exhaustsim.studies.station",
    "StationFault": "exhaustsim.studies.station",
    "OutOfReach": "exhaustsim.studies.station",
}
_MODULES = {"published": "exhaustsim.data.published", "units": "exhaustsim.units", "constants": "exhaustsim.constants"}

__all__ = [*_HOMES, *_MODULES, "__version__"]


def __getattr__(name):
    if name in _HOMES:
        found = getattr(import_module(_HOMES[name]), name)
    elif name in _MODULES:
        found = import_module(_MODULES[name])
    else:
        raise AttributeError(f"module 'exhaustsim' has no name {name!r}; it offers {', '.join(__all__)}")
    globals()[name] = found
    return found


def __dir__():
    return sorted(__all__)
