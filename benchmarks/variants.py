"""The demo valve and schedule made larger and smaller, one measure at a time.

For growth of cost only: the variants run, but describe no product.  Records are replaced, never
changed in place.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace

from exhaustsim.engine import network
from exhaustsim.plant.valve import Part

#: Positions of the demo schedule that a machine of eight keeps.
EIGHT = (1, 3, 6, 8, 11, 14, 15, 16)
#: Actions that stay with the first or the last of the positions made from one.
FIRST_ONLY, LAST_ONLY = ("load", "spark_test"), ("flash", "tip_off", "eject")
#: Nodes that other parts of the program know by name, or that carry no part: never split.
WHOLE_NODES = ("cathode_sleeve", "anode", "getter_holder", "bulb_wall", "hot_spot", "foot")


def with_positions(schedule, count: int):
    """The 16-position demo schedule on `count` positions: eight of them, or each repeated in turn."""
    if count == len(EIGHT):
        sources = list(EIGHT)
    else:
        sources = [-(-place * len(schedule.positions) // count) for place in range(1, count + 1)]
    machine = schedule.machine
    positions = []
    for place, source in enumerate(sources, start=1):
        setting = schedule.positions[source - 1]
        first = place == 1 or sources[place - 2] != source
        last = place == count or sources[place] != source
        action = setting.action
        if (action in FIRST_ONLY and not first) or (action in LAST_ONLY and not last):
            action = ""
        rf = setting.rf if action or setting.action not in LAST_ONLY else None
        positions.append(replace(setting, position=place, action=action, rf=rf))

    def places(of):
        return tuple(place for place, source in enumerate(sources, start=1) if source in of)

    line = {p: machine.line_of_position[s] for p, s in enumerate(sources, start=1) if s in machine.line_of_position}
    wide = replace(
        machine, positions=count, line_of_position=line, oven_positions=places(machine.oven_positions),
        rf_positions=places(machine.rf_positions),
    )  # fmt: skip
    return replace(schedule, machine=wide, positions=tuple(positions))


def with_half_the_parts(schedule):
    """Grids, straps and micas taken out with their heat."""
    return _without_nodes(schedule, ("grids", "mica"))


def _without_nodes(schedule, gone):
    valve = schedule.valve

    def among(links):
        return tuple(link for link in links if link.first not in gone and link.second not in gone)

    smaller = replace(
        valve,
        nodes=tuple(node for node in valve.nodes if node.name not in gone),
        radiation=among(valve.radiation),
        conduction=among(valve.conduction),
        gas_conduction=among(valve.gas_conduction),
        parts=tuple(part for part in valve.parts if part.node not in gone),
    )
    return _with_rf(replace(schedule, valve=smaller), lambda name, watts: {} if name in gone else {name: watts})


def with_parts(schedule, count: int):
    """Every part cut into like pieces, `count` in all; grids and micas get a node of heat for each piece."""
    valve = schedule.valve
    pieces = {part.name: 0 for part in valve.parts}
    for k in range(count):
        pieces[valve.parts[k % len(valve.parts)].name] += 1
    cut = {node.name: 1 for node in valve.nodes}
    for part in valve.parts:
        if part.node not in WHOLE_NODES:
            cut[part.node] = max(cut[part.node], pieces[part.name])
    cut["surroundings"] = 1

    def piece(name, k):
        return name if k % cut[name] == 0 else f"{name}_{k % cut[name] + 1}"

    def spread(links, field):
        out = []
        for link in links:
            n = max(cut[link.first], cut[link.second])
            out += [
                replace(link, first=piece(link.first, k), second=piece(link.second, k), **{field: getattr(link, field) / n})
                for k in range(n)
            ]
        return tuple(out)

    nodes = [
        replace(
            node, name=piece(node.name, k), heat_capacity=node.heat_capacity / cut[node.name],
            heat_capacity_slope=node.heat_capacity_slope / cut[node.name], outer_area=node.outer_area / cut[node.name],
        )
        for node in valve.nodes for k in range(cut[node.name])
    ]  # fmt: skip
    parts = [
        replace(_share_of(part, pieces[part.name]), name=f"{part.name}_{k + 1}", node=piece(part.node, k))
        for part in valve.parts for k in range(pieces[part.name])
    ]  # fmt: skip
    larger = replace(
        valve,
        nodes=tuple(nodes),
        radiation=spread(valve.radiation, "emissivity_area"),
        conduction=spread(valve.conduction, "conductance"),
        gas_conduction=spread(valve.gas_conduction, "area"),
        parts=tuple(parts),
    )
    return _with_rf(
        replace(schedule, valve=larger), lambda name, watts: {piece(name, k): watts / cut[name] for k in range(cut[name])}
    )


def _share_of(part: Part, n: int) -> Part:
    """One of `n` like pieces of a part."""
    return replace(
        part,
        mass=part.mass / n,
        area=part.area / n,
        surface_gases=tuple(replace(g, amount=g.amount / n, area=g.area / n) for g in part.surface_gases),
        diffusing_gases=tuple(replace(g, amount=g.amount / n) for g in part.diffusing_gases),
        first_order_gases=tuple(replace(g, amount=g.amount / n) for g in part.first_order_gases),
        empirical_gases=tuple(
            replace(g, amount=g.amount / n, rate_at_one_hour=g.rate_at_one_hour / n) for g in part.empirical_gases
        ),
    )


def _with_rf(schedule, change):
    """Every RF setting with its watts by node replaced by those of `change(node, watts)`."""

    def changed(setting):
        if setting.rf is None:
            return setting
        power = {}
        for name, watts in setting.rf.power.items():
            power |= change(name, watts)
        return replace(setting, rf=replace(setting.rf, power=power))

    return replace(schedule, positions=tuple(changed(p) for p in schedule.positions))


def with_gases(schedule, kept: tuple[str, ...]):
    """As many sources as ever, but all of them give nitrogen in place of gases that are not in `kept`.

    Room air and pumps bring other gases all the same; the coating is empty and the mirror gives no hydrogen back.
    """

    def renamed(gas):
        return gas if gas in kept else "N2"

    def mixed(shares):
        total = {}
        for gas, share in shares:
            total[renamed(gas)] = total.get(renamed(gas), 0.0) + share
        return tuple(total.items())

    def giving(part):
        return replace(
            part,
            surface_gases=tuple(replace(g, gas=renamed(g.gas)) for g in part.surface_gases),
            diffusing_gases=tuple(replace(g, gases=mixed(g.gases)) for g in part.diffusing_gases),
            first_order_gases=tuple(replace(g, gases=mixed(g.gases)) for g in part.first_order_gases),
            empirical_gases=tuple(replace(g, gas=renamed(g.gas)) for g in part.empirical_gases),
        )

    valve = schedule.valve
    getter = replace(valve.getter, flash_gases=mixed(valve.getter.flash_gases), hydrogen_returned=0.0)
    stem = replace(valve.exhaust_stem, burst_gases=mixed(valve.exhaust_stem.burst_gases))
    coating = replace(valve.coating, carbonate=1e-12, recarbonation_rate=0.0, nickel_share=0.0)
    changed = replace(
        valve, parts=tuple(giving(part) for part in valve.parts), getter=getter, exhaust_stem=stem, coating=coating
    )
    return replace(schedule, valve=changed)


@contextmanager
def finer_bins(factor: int):
    """Binding energies `factor` times as closely spaced while this lasts."""
    before = network.BIN_SPACING
    network.BIN_SPACING = before / factor
    try:
        yield
    finally:
        network.BIN_SPACING = before
