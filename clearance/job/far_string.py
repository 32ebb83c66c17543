"""Owns the strings of a span that the job takes off: the one that its fixed end hangs on, which swings as the pull
goes, and what of them cannot be reckoned.

The far string is a body of the job from its attachment to where the tail begins, at every place of the free end, with
the tail's own uncertainty there. How both hang is in `bodies.swung_tail`. What is not reckoned makes each stage
undecided in which the wire is off: a string that another span holds too, one in the weather, one whose weight or whose
wire's is not stated, and the string at the freed end, which nothing holds in line any more.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from clearance import shapes
from clearance.bodies import Body
from clearance.bodies.insulator import cuts_of
from clearance.bodies.swung_tail import Swinging
from clearance.job.potentials import reaches
from clearance.job.remembered import once_a_site
from clearance.result import OpenPoint
from clearance.scene import records
from clearance.scene.assemble import Site, place
from clearance.scene.naming import fittings_name
from clearance.scene.records import Reference, SpanWire, Stage
from clearance.scene.span_shapes import string_spec

HELD = (
    "rig what holds it before the pull goes, and state that place: the wire to a point without a string, the string as "
    "an insulator of its own"
)


@dataclass(frozen=True)
class FarString:
    """The string at the fixed end of a span that is taken off: its name, and the record of its wire."""

    name: str
    wire: SpanWire
    record: records.InsulatorString


def far_string(site: Site, wire: str) -> FarString | None:
    """The string that the fixed end of a wire hangs on; None where it has none."""
    record = site.wires[wire].record
    if not isinstance(record, SpanWire) or record.release is None:
        return None
    end = "to" if record.release.free_end == "from" else "from"
    string = record.to_string if end == "to" else record.from_string
    return None if string is None else FarString(f"{wire} {end} string", record, string)


@once_a_site
def swinging(site: Site, wire: str, diameter_m: float) -> Swinging | None:
    """A wire with its far string, where it can be reckoned how both hang; diameter_m: what holds the wire."""
    string = far_string(site, wire)
    if string is None or _why_not(site, string):
        return None
    record, hung = string.wire, site.wires[wire]
    spec = string_spec(string.record)
    assert spec is not None
    assert record.weight_N_m is not None
    assert record.release is not None
    held = record.to_m if record.release.free_end == "from" else record.from_m
    x, y, z = place(site, record, held)
    length, unsure = hung.catenary.length_m, record.uncertainty_m
    return Swinging((float(x), float(y), float(z)), spec, length, record.weight_N_m, diameter_m, unsure)


def _why_not(site: Site, string: FarString) -> tuple[str, str] | None:
    """Why it cannot be reckoned how a far string hangs, and what would settle it; None where it can."""
    record = string.wire
    others = (wire.name for wire in site.scene.wires if wire.name != record.name and isinstance(wire, SpanWire))
    shared = next((name for name in others if _meet(site, string, name)), None)
    if shared is not None:
        return f"'{shared}' pulls at it too, and moves with it", HELD
    if site.scene.weather is not None:
        return "the weather moves it besides", HELD
    if record.bundle is not None:
        return "its wire is a bundle", HELD
    if record.weight_N_m is None or string.record.weight_kN is None:
        missing = "weight_N_m" if record.weight_N_m is None else f"{string.name.split()[-2]}_string.weight_kN"
        return "its weight or its wire's is not stated", f"state {missing} of wire '{record.name}'"
    return None


def _meet(site: Site, string: FarString, other: str) -> bool:
    """Whether another span ends where a far string does: it hangs on the same string, or on one beside it."""
    record, hung = string.wire, site.wires[string.wire.name]
    assert record.release is not None
    end = hung.catenary.end if record.release.free_end == "from" else hung.catenary.start
    there = site.wires[other].catenary
    near = min(float(np.linalg.norm(np.subtract(end, one))) for one in (there.start, there.end))
    return string.record.kind == "suspension" and near < 0.5 * string.record.length_m


def bodies(site: Site, tails: Mapping[str, shapes.Shape]) -> Iterator[tuple[Body, str | None]]:
    """The far strings of the wires that are off, with the fittings at their earthed ends, each with the parameter that
    it deforms with; they stand instead of those of the site.

    tails: the shapes of those wires, the first capsule from the end of the string's insulating part on
    """
    for name, tail in tails.items():
        string, line = far_string(site, name), swinging(site, name, 0.0)
        if string is None or line is None:
            continue
        earthed, live, _ = cuts_of(line.string)
        top = np.array(line.attachment_m)
        share = earthed / live
        step = tail.vertices[0, 0] - top
        moves = np.zeros(3) if tail.rate is None else tail.rate[0, 0]
        parts = (
            (string.name, "insulator", (share, 1.0), line.string.diameter_m),
            (fittings_name(string.name), "fitting", (0.0, share), line.string.hardware_diameter_m),
        )
        for part, kind, (begins, ends), thick in parts:
            if ends <= begins:
                continue
            unsure = float(tail.uncertainty[0])
            shape = shapes.segments([top + begins * step], [top + ends * step], thick / 2, unsure)
            link, parameter = None, None
            if tail.rate is not None:
                rate = np.stack([begins * moves, ends * moves, ends * moves])[None]
                shape, link, parameter = replace(shape, rate=np.ascontiguousarray(rate)), "tail", "lower_m"
            note = "swings as its wire is let go" if kind == "insulator" else ""
            body = Body(part, kind, shape, kind == "fitting", job=True, link=link, note=note)
            yield body if kind == "fitting" else replace(body, potential=None), parameter


def replaced(site: Site, tails: Mapping[str, shapes.Shape]) -> frozenset[str]:
    """Names of the site's bodies that `bodies` puts others for."""
    found = (far_string(site, name) for name in tails if swinging(site, name, 0.0) is not None)
    return frozenset(part for one in found if one is not None for part in (one.name, fittings_name(one.name)))


def holds(site: Site, wire: str, string: str) -> bool:
    """Whether a string is the one that the fixed end of a wire hangs on, and swings with it."""
    if wire not in site.wires or swinging(site, wire, 0.0) is None:
        return False
    found = far_string(site, wire)
    return found is not None and found.name == string


def beyond(site: Site, tail: Body) -> Body:
    """What there is of a tail further along it than its string is long: what is nearer hangs from the string's end."""
    line = swinging(site, tail.name, 0.0)
    assert line is not None
    sizes = np.linalg.norm(tail.shape.vertices[:, 1] - tail.shape.vertices[:, 0], axis=1)
    return replace(tail, shape=shapes.taken(tail.shape, np.cumsum(sizes) - sizes > line.string.length_m))


def touching(site: Site, stage: Stage, there: Sequence[Body]) -> Iterator[frozenset[str]]:
    """What a far string touches: its wire, its fittings, and what it is attached to."""
    for wire in (*stage.released, *stage.off):
        string, line = far_string(site, wire), swinging(site, wire, 0.0)
        if string is None or line is None:
            continue
        parts = (string.name, fittings_name(string.name))
        yield frozenset(parts)
        yield from (frozenset((part, wire)) for part in parts)
        for body in there:
            if body.link is None and reaches(body.shape, line.attachment_m, line.string.diameter_m / 2):
                yield from (frozenset((part, body.name)) for part in parts)


def open_points(site: Site, stage: Stage) -> Iterator[OpenPoint]:
    """Strings of wires that are off of which nobody can say how they hang."""
    for wire in (*stage.released, *stage.off):
        record = site.wires[wire].record
        string = far_string(site, wire)
        if string is not None and (why := _why_not(site, string)) is not None:
            what = f"'{string.name}' swings as the pull goes, and where to is not reckoned: {why[0]}"
            yield OpenPoint(f"wire '{wire}'", what, why[1])
        if not isinstance(record, SpanWire) or record.release is None:
            continue
        freed = record.from_string if record.release.free_end == "from" else record.to_string
        if freed is not None:
            what = f"'{wire} {record.release.free_end} string' swings free once the wire is off: none of it is judged"
            yield OpenPoint(f"wire '{wire}'", what, HELD)
        held = record.to_m if record.release.free_end == "from" else record.from_m
        if isinstance(held, Reference):
            what = f"its fixed end hangs on '{held.name}', which its pull moves as it goes: not judged"
            yield OpenPoint(f"wire '{wire}'", what, HELD)
