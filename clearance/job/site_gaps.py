"""Owns the gaps to be measured on site before anybody climbs: three the model stands on, with what to expect.

A stick from the ground shows whether the site is as modelled: the height of the conductor that is worked on, its
distance from what is earthed nearest, and from the phase nearest. Each is the distance between surfaces as modelled,
without any uncertainty, within reach of the place of work; how far the measurement may be off is the uncertainty
of the two.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.bodies import Body
from clearance.kernel import pairs
from clearance.scene.assemble import EARTH, Site, place
from clearance.scene.records import Stage
from clearance.shapes import Shape, points, taken

NEAR_M = 6.0
"""[m] How far from the place of work such a gap may be: what lies further says little about it."""

FAR_M = 25.0
"""[m] How far from the place of work the other body is looked for."""

EARTHED = ("structure", "solid", "cloud", "wire")
"""Kinds of earthed bodies looked at: what holds a string up is no distance of air."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SiteGap:
    """A gap to measure.

    what: which of the three; ends: the two bodies; expected_m: between their surfaces as modelled [m]
    uncertainty_m: how far the measured value may be off [m]; at: where on each body [m]
    """

    what: str
    ends: tuple[str, str]
    expected_m: float
    uncertainty_m: float
    at: tuple[tuple[float, float, float], tuple[float, float, float]]


def site_gaps(site: Site, stage: Stage) -> tuple[SiteGap, ...]:
    """The gaps to measure for a stage in which somebody is bonded; fewer than three where there are no such bodies.

    Looked for about the clamp of the bonding lead. Empty for a stage without one.
    """
    if not stage.bonded or stage.clamp_m is None:
        return ()
    phase = next(iter(stage.bonded.values()))
    work = np.array(place(site, stage, stage.clamp_m))
    still = [body for body in site.bodies if body.conductive and len(body.shape)]
    # What the job takes off is no mark to measure from.
    loose = {name for name, hung in site.wires.items() if hung.record.release is not None}
    worked = [body for body in still if body.potential == phase and body.name not in loose]
    below = [body for body in still if body.name == "ground"]
    earthed = [body for body in still if body.potential == EARTH and body.kind in EARTHED]
    phases = [body for body in still if body.potential not in (EARTH, phase, None)]
    asked = (
        (f"height of phase {phase} above the ground", below),
        (f"phase {phase} to what is earthed nearest", earthed),
        (f"phase {phase} to the phase nearest", phases),
    )
    return tuple(gap for what, others in asked for gap in _least(what, worked, others, work))


def _least(what: str, worked: Sequence[Body], others: Sequence[Body], work: Floats) -> Iterator[SiteGap]:
    found: list[SiteGap] = []
    for body in worked:
        near = within(body.shape, work, NEAR_M)
        for other in others:
            far = within(other.shape, work, FAR_M)
            if len(near) and len(far):
                gap, uncertainty, ends = between(near, far)
                found.append(SiteGap(what, (body.name, other.name), gap, uncertainty, ends))
    if found:
        yield min(found, key=lambda gap: gap.expected_m)


def within(shape: Shape, centre: Floats, radius_m: float) -> Shape:
    """Those primitives of which some point is so near."""
    ball = points(np.repeat(centre[None], len(shape), axis=0))
    squared, witness = np.empty(len(shape)), np.empty((len(shape), 2, 3))
    pairs.measure(shape.vertices, shape.corners, ball.vertices, ball.corners, squared, witness)
    return taken(shape, np.flatnonzero(np.sqrt(squared) <= radius_m))


Point = tuple[float, float, float]


def between(one: Shape, other: Shape) -> tuple[float, float, tuple[Point, Point]]:
    """The least distance between surfaces [m] without uncertainty, the uncertainty of the two primitives [m], and
    where."""
    gap, uncertainty, ends = _nearest(one, other, careful=False)
    return max(0.0, gap), uncertainty, ends


def careful(one: Shape, other: Shape) -> tuple[float, tuple[Point, Point]]:
    """The least distance between surfaces with all uncertainty taken off [m], below zero where they may meet, and
    where."""
    gap, _, ends = _nearest(one, other, careful=True)
    return gap, ends


def _nearest(one: Shape, other: Shape, careful: bool) -> tuple[float, float, tuple[Point, Point]]:
    best = (math.inf, 0.0, ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)))
    for k in range(len(one)):
        single = taken(one, np.repeat(k, len(other)))
        squared, witness = np.empty(len(other)), np.empty((len(other), 2, 3))
        pairs.measure(single.vertices, single.corners, other.vertices, other.corners, squared, witness)
        uncertainty = single.uncertainty + other.uncertainty
        gaps = np.sqrt(squared) - single.radius - other.radius - (uncertainty if careful else 0.0)
        least = int(np.argmin(gaps))
        if gaps[least] < best[0]:
            a, b = ((float(p[0]), float(p[1]), float(p[2])) for p in witness[least])
            best = (float(gaps[least]), float(uncertainty[least]), (a, b))
    return best
