"""Owns what is fixed to a wire that the job takes off, by where it is: a spur, a solid, a string or a rope that touches
the wire.

What hangs there by reference is refused (`scene.checks_release`); the same given by coordinates would stay in the air
where the wire was, at its old potential, while in fact it goes with the wire, and comes to everything that the wire
comes to. At its ends a wire touches what it hangs on, or is taken off, which stays: what the scene shows to be held by
something else. What nothing holds but the wire goes with it, at its free end and at the other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from clearance import shapes
from clearance.bodies import Body
from clearance.gaps import EARTH
from clearance.job.remembered import once_a_site
from clearance.job.site_hanging import touched_at
from clearance.result import OpenPoint
from clearance.scene import records, statements
from clearance.scene.assemble import Site, place
from clearance.scene.naming import foot_name, head_name
from clearance.scene.records import Point, Reference, Stage

FIXED_M = 0.1
"""[m] What is so near to a wire, both as modelled, is fixed to it: the breadth of a clamp (common practice, no
source)."""

END_M = 0.5
"""[m] So near to its ends a wire touches what it hangs on, with its clamps (common practice, no source)."""

MAY_GO = ("wire", "solid", "structure", "insulator", "fitting")
"""Kinds of body that a wire may take along."""


def of_stage(site: Site, stage: Stage) -> Iterator[OpenPoint]:
    """What is fixed to the wires that are off in a stage, and is not told to go with them."""
    gone = {*stage.released, *stage.off, *records.gone_along(site.scene, stage), *statements.absent(site.scene, stage)}
    for name in (*stage.released, *stage.off):
        for what, word, at_end in fixed_to(site, name):
            if what not in gone:
                cure = "take it off before, in a stage of its own, or mend where it is"
                if word == "solid":
                    cure = "let it go along, in release.takes_along, or mend where it is"
                held = "at its end, and held by nothing else in the scene" if at_end else "between its ends"
                if at_end:
                    cure += "; or, where it stays, add what holds it, or list it among the loads of the wire it is on"
                said = f"{word} '{what}' is fixed to it {held}, and would stay in the air where the wire was"
                yield OpenPoint(f"wire '{name}'", said, cure)


@once_a_site
def fixed_to(site: Site, name: str) -> tuple[tuple[str, str, bool], ...]:
    """The entries that a wire takes along as it goes: each with its word, and whether it is at an end of the wire."""
    hung = site.wires[name]
    shape = next(body.shape for body in hung.bodies if body.name == name)
    ends = [place(site, hung.record, end) for end in (hung.record.from_m, hung.record.to_m)]
    off = np.linalg.norm(shape.vertices[:, :, None, :] - np.array(ends), axis=3).min(axis=(1, 2))
    middle, tips = (shapes.taken(shape, np.flatnonzero(near)) for near in (off > END_M, off <= END_M))
    parts = {part: post.name for post in site.scene.insulators for part in (foot_name(post.name), head_name(post.name))}
    lines = [(rope, end) for rope in site.scene.ropes for end in (rope.from_m, rope.to_m)]
    tied = [
        Body(rope.name, "rope", shapes.points([end]), potential=None)
        for rope, end in lines
        if not isinstance(end, Reference)
    ]
    found: dict[str, tuple[str, bool]] = {}
    for body in (*(body for body in site.bodies if body.kind in MAY_GO), *tied):
        if body in hung.bodies or (body.kind == "structure" and body.potential == EARTH):
            continue
        between = touched_at(middle, body.shape, FIXED_M) is not None
        if between or (touched_at(tips, body.shape, FIXED_M) is not None and not _stays(site, name, body, ends)):
            word = "insulator" if body.kind in ("insulator", "fitting") else body.kind
            found[parts.get(body.name, body.name)] = (word, not between)
    return tuple(sorted((what, *how) for what, how in found.items()))


def _stays(site: Site, name: str, body: Body, ends: list[Point]) -> bool:
    """Whether what touches a wire at an end stays without it: a wire that it is stated to be on, that ends elsewhere or
    that is held where it ends; a load of another wire; or what something holds that stands there."""
    if body.name not in site.wires:
        loads = (load for wire in site.scene.wires if isinstance(wire, records.SpanWire) for load in wire.loads)
        return any(load.what == body.name for load in loads) or _stands(site, name, body)
    record = site.wires[name].record
    if any(isinstance(end, Reference) and end.name == body.name for end in (record.from_m, record.to_m)):
        return True
    hung = site.wires[body.name]
    for which, value, at in (
        ("from", hung.record.from_m, hung.catenary.start), ("to", hung.record.to_m, hung.catenary.end),
    ):  # fmt: skip
        there = min(math.dist(at, end) for end in ends) <= END_M + FIXED_M
        by_itself = isinstance(value, Reference) or getattr(hung.record, f"{which}_string", None) is not None
        if there and not by_itself and not _stands(site, name, Body(body.name, "wire", shapes.points([at]))):
            return False
    return True


def _stands(site: Site, name: str, body: Body) -> bool:
    """Whether a body is held by something besides a wire: it touches the ground, what is at earth or an insulator, or
    what does in turn."""
    own = {one.name for one in site.wires[name].bodies}
    left = [one for one in site.bodies if one.kind != "wire" and one.name not in own and one is not body]
    found = [body]
    while found:
        here = found.pop()
        if here.kind in ("insulator", "fitting", "ground") or (here.kind != "wire" and here.potential == EARTH):
            return True
        near = [one for one in left if touched_at(here.shape, one.shape, FIXED_M) is not None]
        found += near
        left = [one for one in left if one not in near]
    return False
