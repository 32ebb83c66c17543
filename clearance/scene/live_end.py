"""Owns what is at the live end of an insulator of its own: what it holds, and so whether it insulates.

An insulator stands for a gap in air because it holds a live conductor every day. One that holds nothing live is a post
of anything: it may be dirty, wet, or metal, and counts as a conductor that floats or is at earth. `what_holds` looks
for what is at its live end, a wire anywhere along it or a solid; `phase_of` tells at which phase that is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from clearance import shapes
from clearance.bodies import Body
from clearance.kernel import pairs
from clearance.scene.containment import first_inside
from clearance.scene.records import Place, Point, Reference

if TYPE_CHECKING:
    from clearance.scene.wiring import HungWire

HOLDS_M = 0.2
"""[m] What is so near to the live end of an insulator, as modelled, is held by it: the height of a clamp or a pad
(common practice, no source)."""

HOLDERS = ("wire", "solid")
"""Kinds of body that an insulator may hold."""


def off_core(shape: shapes.Shape, point: Sequence[float]) -> float:
    """How far a point is from the surface of a shape as modelled [m], nothing inside a primitive's radius."""
    if not len(shape):
        return float("inf")
    ball = shapes.points(np.repeat(np.array([point], float), len(shape), axis=0))
    squared, witness = np.empty(len(shape)), np.empty((len(shape), 2, 3))
    pairs.measure(shape.vertices, shape.corners, ball.vertices, ball.corners, squared, witness)
    return float(np.maximum(np.sqrt(squared) - shape.radius, 0.0).min())


def what_holds(place: Place, at: Point, wires: Mapping[str, HungWire], bodies: Iterable[Body]) -> Body | None:
    """The body that an insulator holds whose live end is at a place: the wire that it names, else the nearest wire or
    solid that is near enough; None where there is none.

    at: the place as coordinates [m]. A wire counts where it is stated to hang, whatever the weather does.
    """
    if isinstance(place, Reference):
        return wires[place.name].bodies[0]
    found = [(_off(body, at, wires), body) for body in bodies if body.kind in HOLDERS]
    near = [(away, number) for number, (away, _) in enumerate(found) if away < HOLDS_M]
    return found[min(near)[1]][1] if near else None


def _off(body: Body, at: Point, wires: Mapping[str, HungWire]) -> float:
    """How far a body is from a point [m], nothing inside it; of a wire its ends too, which an envelope over the weather
    may leave."""
    away = off_core(body.shape, at) if first_inside(body.shape, shapes.points([at])) is None else 0.0
    hung = wires.get(body.name)
    if hung is None:
        return away
    return min(away, *(float(np.linalg.norm(np.subtract(end, at))) for end in (hung.catenary.start, hung.catenary.end)))


def phase_of(body: Body | None, wires: Mapping[str, HungWire], phases: Iterable[str]) -> str | None:
    """The phase that a body is at: of a wire the one it belongs to, whatever it may be at now; None at none."""
    if body is None:
        return None
    at = wires[body.name].record.phase if body.name in wires else body.potential
    return at if at in set(phases) else None
