"""The exhaust stem of a valve file: one straight tube, or sections in a row from the bulb to the head.

A straight tube has `bore` and `length`.  A stem that is bent, drawn out, pinched or made of two bores is
given as `[[exhaust_stem.section]]` tables instead:

    kind = "tube"    bore, length
    kind = "cone"    bore, end_bore, length
    kind = "elbow"   bore, length along the axis, angle between the axes; mitred in the middle of its length
    kind = "pinch"   bore, length, waist_bore, shoulder: length of the cone on each side of the waist
    kind = "step"    bore, end_bore: a flat ring between two bores

All elbows bend in one plane; an angle below zero bends the other way.  A change of bore must be a cone
or a step, so that a mistyped bore is not taken for one.
"""

from __future__ import annotations

import math
from dataclasses import replace

from exhaustsim.plant.entries import Entries
from exhaustsim.plant.valve import ExhaustStem, StemSection

KINDS = ("tube", "cone", "elbow", "pinch", "step")
SAME_BORE = 1e-9  # relative: bores that differ by less are the same, typed in different units
SHARPEST = math.radians(120.0)


def read_exhaust_stem(entries: Entries) -> ExhaustStem:
    """The exhaust stem in `entries`; faults are recorded there."""
    sections = tuple(_section(section) for section in entries.subs("section"))
    pip_length = entries.quantity("pip_length", "length", at_least=0.0)
    if "section" in entries:
        for key in ("bore", "length"):
            entries.asked(key)
            if key in entries:
                entries.fault(key, "contradicts the sections, which have their own", f"keep {key} or the sections")
        sections = _joined(entries, sections)
        length = math.fsum(s.length for s in sections) if sections else math.nan
        bore = _bore_at(sections, pip_length)
    else:
        bore = entries.quantity("bore", "length", above=0.0)
        length = entries.quantity("length", "length", above=0.0)
    stem = ExhaustStem(
        bore=bore,
        length=length,
        pip_length=pip_length,
        burst_amount=entries.quantity("burst", "amount", from_data="outgassing.tip_burst.amount", at_least=0.0),
        burst_gases=entries.gas_shares("burst_gases"),
        burst_share_to_bulb=entries.share("burst_share_to_bulb"),
        sealing_time=entries.quantity("sealing_time", "time", above=0.0),
        sections=sections,
        wall_thickness=entries.quantity("wall_thickness", "length", default=None, above=0.0),
    )
    if stem.pip_length >= length:
        where = f"the sections, {length * 1e3:.6g} mm in all" if sections else "length"
        entries.fault("pip_length", "must be shorter than the exhaust stem", f"correct pip_length or {where}")
    entries.finish()
    return stem


def _section(entries: Entries) -> StemSection:
    kind = entries.word("kind", KINDS, "kind of section")
    if not kind:
        # What belongs to a kind that is not known cannot be judged.
        entries.asked(*entries.table)
        return StemSection("", math.nan, math.nan, math.nan)
    bore = entries.quantity("bore", "length", above=0.0)
    end_bore = entries.quantity("end_bore", "length", above=0.0) if kind in ("cone", "step") else bore
    length = 0.0 if kind == "step" else entries.quantity("length", "length", above=0.0)
    angle = waist = shoulder = 0.0
    if kind == "step" and bore == end_bore:
        entries.fault("end_bore", "a step needs two bores that differ", "correct end_bore, or leave the step out")
    if kind == "elbow":
        angle = _angle(entries, bore, length)
    if kind == "pinch":
        waist = entries.quantity("waist_bore", "length", above=0.0)
        shoulder = entries.quantity("shoulder", "length", at_least=0.0)
        if waist >= bore:
            entries.fault("waist_bore", "must be narrower than bore", "correct waist_bore or bore")
        if 2.0 * shoulder > length * (1.0 + SAME_BORE):
            entries.fault("shoulder", "the two shoulders are longer than the pinch", "correct shoulder or length")
    entries.finish()
    return StemSection(kind, bore, end_bore, length, angle, waist, shoulder)


def _angle(entries: Entries, bore: float, length: float) -> float:
    angle = entries.quantity("angle", "angle")
    if angle == 0.0 or abs(angle) > SHARPEST:
        limit = f"{math.degrees(SHARPEST):.0f} deg"
        entries.fault("angle", f"must be from -{limit} to {limit}, and not zero", "give the angle between the axes; 0 is straight on")
        return math.nan
    least = bore * math.tan(0.5 * abs(angle))
    if length < least * (1.0 - SAME_BORE):
        entries.fault("length", f"too short for this elbow: the mitre alone takes {least * 1e3:.4g} mm along the axis",
                      "correct length, bore or angle")
    return angle


def _joined(entries: Entries, sections: tuple[StemSection, ...]) -> tuple[StemSection, ...]:
    """The row with bores that meet exactly; faults where they do not, or where a step has nothing beside it."""
    if not sections and entries.table["section"] == []:
        entries.fault("section", "needs at least one section", "write [[exhaust_stem.section]], or give bore and length")
    joined: list[StemSection] = []
    for k, section in enumerate(sections):
        place = entries.key(f"section[{k + 1}]")
        here = Entries(entries.table["section"][k], entries.file, place, entries.faults, entries.tables)
        if section.kind == "step" and (k in (0, len(sections) - 1) or sections[k - 1].kind == "step"):
            here.fault("", "a step needs a section with a length on each side", "leave the step out, or add the section")
        before = joined[-1].end_bore if joined else math.nan
        if math.isfinite(before) and math.isfinite(section.bore):
            if abs(section.bore - before) > SAME_BORE * before:
                here.fault("bore", f"the section before it ends with {before * 1e3:.6g} mm",
                           'correct the bore, or put a section with kind = "cone" or "step" between them')
            elif section.end_bore == section.bore:
                section = replace(section, bore=before, end_bore=before)
            else:
                section = replace(section, bore=before)
        joined.append(section)
    return tuple(joined)


def _bore_at(sections: tuple[StemSection, ...], place: float) -> float:
    """Bore at a distance from the bulb; the narrowest of a pinch."""
    for section in sections:
        if place <= section.length and section.length > 0.0:
            if section.kind == "pinch":
                return section.waist_bore
            return section.bore + (section.end_bore - section.bore) * place / section.length
        place -= section.length
    return sections[-1].end_bore if sections else math.nan
