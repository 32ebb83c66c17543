"""Owns the bonding lead in a stage: a ball that holds it however it hangs, on a link that goes half as far as its
worker does.

The distances of any point of a lead to its two ends add up to its length at most. So the point is on no larger
ellipsoid than that about both ends, which lies within half the length of the middle between them. That middle is
carried by a chain of joints like the worker's with every way along it halved, from half the place of the clamp: at
every position the ball is where the lead is there, and no larger for what else the stage sweeps.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from clearance import shapes
from clearance.bodies import Body, worker
from clearance.motion import Joint, Link, Motion
from clearance.scene.assemble import Site, place, strays_m
from clearance.scene.naming import lead_name
from clearance.scene.records import Stage

LINK: Final = "lead"

THICK_M: Final = 0.02
"""[m] Radius of a bonding lead and its clamp (common practice, no source)."""


def with_lead(site: Site, stage: Stage, motion: Motion) -> Motion:
    """The links of a stage, with one for the middle of its bonding lead where there is one."""
    clamped = stage.bonded and stage.clamp_m is not None
    if not clamped or not any(link.name == "worker" for link in motion.links):
        return motion
    assert stage.clamp_m is not None
    begun = Joint("fixed", translation=0.5 * np.array(place(site, stage, stage.clamp_m)))
    halves = tuple(_halved(joint) for joint in motion.joints_of("worker"))
    return Motion((*motion.links, Link(LINK, None, (begun, *halves))), motion.parameters)


def _halved(joint: Joint) -> Joint:
    """A joint that turns as far, and goes half as far."""
    if joint.kind == "slide":
        return replace(joint, scale=0.5 * joint.scale)
    x, y, z = joint.origin
    knots = joint.knots * [1.0, 0.5, 0.5, 0.5]
    return replace(joint, origin=(0.5 * x, 0.5 * y, 0.5 * z), translation=0.5 * joint.translation, knots=knots)


def lead_body(site: Site, stage: Stage, name: str, build: worker.Build, lean_m: float, off_m: float) -> Body | None:
    """The bonding lead of a worker who is bonded, from its clamp to anywhere on the belt; None where it is not stated.

    lean_m: how far the shoulders may lean [m]; off_m: how far the worker may be from where the links carry him [m]
    """
    if stage.bonding_lead_m is None or stage.clamp_m is None:
        return None
    belt, around = worker.belt(build, lean_m)
    # The middle moves half as far as the clamp does with its wire, and half as far as the end at the belt.
    strays = strays_m(site, stage.clamp_m, place(site, stage, stage.clamp_m))
    shape = shapes.points(
        [0.5 * belt], 0.5 * (stage.bonding_lead_m + around) + THICK_M, 0.5 * (strays + build.spread_m + off_m)
    )
    note = "a ball that holds the lead wherever it hangs"
    return Body(lead_name(name), "lead", shape, potential=stage.bonded[name], job=True, link=LINK, note=note)
