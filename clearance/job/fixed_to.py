"""Owns what is fixed to a wire that the job takes off, by where it is: a spur, a solid, a string or a rope that touches
the wire between its ends.

What hangs there by reference is refused (`scene.checks_release`); the same given by coordinates would stay in the air
where the wire was, at its old potential, while in fact it goes with the wire, and comes to everything that the wire
comes to. Near its ends a wire touches what it hangs on, which stays.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from clearance import shapes
from clearance.bodies import Body
from clearance.job.remembered import once_a_site
from clearance.job.site_gaps import between
from clearance.result import OpenPoint
from clearance.scene import records, statements
from clearance.scene.assemble import Site, place
from clearance.scene.naming import foot_name, head_name
from clearance.scene.records import Reference, Stage

FIXED_M = 0.1
"""[m] What is so near to a wire, both as modelled, is fixed to it: the breadth of a clamp (common practice, no
source)."""

END_M = 0.5
"""[m] So near to its ends a wire touches what it hangs on, with its clamps (common practice, no source)."""


def of_stage(site: Site, stage: Stage) -> Iterator[OpenPoint]:
    """What is fixed to the wires that are off in a stage, and is not told to go with them."""
    gone = {*stage.released, *stage.off, *records.gone_along(site.scene, stage), *statements.absent(site.scene, stage)}
    for name in (*stage.released, *stage.off):
        for what, word in fixed_to(site, name):
            if what not in gone:
                cure = "take it off before, in a stage of its own, or mend where it is"
                if word == "solid":
                    cure = "let it go along, in release.takes_along, or mend where it is"
                said = f"{word} '{what}' is fixed to it between its ends, and would stay in the air where the wire was"
                yield OpenPoint(f"wire '{name}'", said, cure)


@once_a_site
def fixed_to(site: Site, name: str) -> tuple[tuple[str, str], ...]:
    """The entries that touch a wire between its ends, each with its word."""
    middle = _middle(site, name)
    if not len(middle):
        return ()
    found: dict[str, str] = {}
    parts = {part: post.name for post in site.scene.insulators for part in (foot_name(post.name), head_name(post.name))}
    for body in site.bodies:
        if body.kind in ("wire", "solid", "insulator", "fitting") and body.name != name and _near(body, middle):
            owner = parts.get(body.name, body.name)
            found[owner] = "insulator" if body.kind in ("insulator", "fitting") else body.kind
    for rope in site.scene.ropes:
        for end in (rope.from_m, rope.to_m):
            if not isinstance(end, Reference) and _near(Body(rope.name, "rope", shapes.points([end])), middle):
                found[rope.name] = "rope"
    return tuple(sorted(found.items()))


def _near(body: Body, middle: shapes.Shape) -> bool:
    if not len(body.shape):
        return False
    corners, others = (shape.vertices.reshape(-1, 3) for shape in (body.shape, middle))
    thick = float(body.shape.radius.max() + middle.radius.max()) + FIXED_M
    apart = np.maximum(corners.min(axis=0) - others.max(axis=0), others.min(axis=0) - corners.max(axis=0))
    return bool((apart <= thick).all()) and between(middle, body.shape)[0] <= FIXED_M


def _middle(site: Site, name: str) -> shapes.Shape:
    """A wire without what is near to its ends."""
    hung = site.wires[name]
    shape = next(body.shape for body in hung.bodies if body.name == name)
    ends = np.array([place(site, hung.record, end) for end in (hung.record.from_m, hung.record.to_m)])
    off = np.linalg.norm(shape.vertices[:, :, None, :] - ends, axis=3).min(axis=(1, 2))
    return shapes.taken(shape, np.flatnonzero(off > END_M))
