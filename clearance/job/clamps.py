"""Owns whether a bond is one: the clamp of a bonding lead sits on a conductor that is at its phase and at nothing
else.

Whoever is bonded is judged as at the phase. A clamp in the air, on what insulates, or on what may be at another
potential bonds nobody: the stage is undecided, with what would settle it. A clamp on a wire that a stage names goes
with that wire; one at a point stays there, so it holds only on what stands still and is known to a hand's breadth.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.bodies import Body
from clearance.job.setting import Setting, moves, standing
from clearance.kernel import pairs
from clearance.result import OpenPoint
from clearance.scene import statements
from clearance.scene.assemble import Site, place
from clearance.scene.records import Reference, Stage
from clearance.shapes import points

HAND_M = 0.1
"""[m] So far from the point that is stated for it a clamp takes hold: a hand's breadth, for the size of its jaws and
for where the conductor truly is (common practice, no source)."""

HOLDS = ("wire", "solid", "fitting", "structure", "cloud")
"""Kinds of bodies that a clamp can sit on: parts of the line, not people, leads or what is hauled."""

INSULATES = ("insulator", "ladder")
"""Kinds of bodies that a clamp may be at by mistake: they are told."""

Floats = NDArray[np.float64]


def loose(site: Site, stage: Stage, settings: Sequence[Setting]) -> Iterator[OpenPoint]:
    """Bonds whose clamp does not sit on a conductor of their phase wherever the stage has it, one point each."""
    if stage.clamp_m is None or not settings:
        return
    for name, phase in stage.bonded.items():
        found = list(dict.fromkeys(filter(None, (_missing(site, stage, setting, phase) for setting in settings))))
        if found:
            cure = (
                f"clamp it to a conductor of phase {phase} that is in place: name the wire and the station, such as "
                f'clamp_m = "bus {phase} @ 12.5", or state a point of the surface of what stands still'
            )
            yield OpenPoint("", f"the bond of '{name}' to phase {phase} holds on nothing: {found[0]}", cure)


def _missing(site: Site, stage: Stage, setting: Setting, phase: str) -> str | None:
    """Why a clamp bonds to nothing in a setting; None where it sits on what is at the phase alone."""
    clamp = stage.clamp_m
    assert clamp is not None
    at = place(site, stage, clamp)
    if isinstance(clamp, Reference):
        body = next((body for body in setting.bodies if body.name == clamp.name), None)
        if body is None:
            said = clamp.name in statements.absent(site.scene, stage)
            return f"'{clamp.name}' is {'stated as absent' if said else 'not there'}"
        return None if _certain(body, phase) else f"'{clamp.name}' {_may_be(body)}"
    bodies = [body for body in standing(setting, {}) if body.kind in (*HOLDS, *INSULATES) and len(body.shape)]
    still = {body.name for body in setting.bodies if not moves(body)}
    near = sorted(((_off(body, np.array(at)), body) for body in bodies), key=lambda one: one[0])
    for (away, known), body in near:
        if _certain(body, phase) and body.name in still and away + known <= HAND_M:
            return None
    return _told(near, still, phase)


def _told(near: Sequence[tuple[tuple[float, float], Body]], still: set[str], phase: str) -> str:
    for (away, known), body in near:
        if away > HAND_M + known:
            break
        if not _certain(body, phase):
            return f"its clamp is at '{body.name}', which {_may_be(body)}"
        if body.name not in still:
            return f"its clamp is at a point of '{body.name}', which moves away from it in this stage"
        if away <= HAND_M:
            return (
                f"its clamp is at a point of '{body.name}', which may be {known:.2f} m from where it is modelled; a "
                "clamp at a point does not go with it"
            )
    for (away, _), body in near:
        if _certain(body, phase):
            return f"its clamp is in the air, {away:.2f} m from the nearest that is at the phase, '{body.name}'"
    return f"nothing that is there is at phase {phase} and at nothing else"


def _certain(body: Body, phase: str) -> bool:
    """Whether a body is a conductor at the phase, whatever else is taken of the potentials."""
    return body.conductive and body.potential == phase and all(state == phase for _, state in body.states)


def _may_be(body: Body) -> str:
    if not body.conductive:
        return "insulates"
    may_be = dict.fromkeys((body.potential, *(state for _, state in body.states)))
    words = [
        "floats" if p is None else "is at a potential of its own" if p == body.name else f"is at {p}" for p in may_be
    ]
    return words[0] if len(words) == 1 else f"may be otherwise: it {' or '.join(words)}"


def _off(body: Body, at: Floats) -> tuple[float, float]:
    """How far a point is from the surface of a body as modelled [m], and how well the surface is known there [m]:
    where their sum is least."""
    shape = body.shape
    ball = points(np.repeat(at[None], len(shape), axis=0))
    squared, witness = np.empty(len(shape)), np.empty((len(shape), 2, 3))
    pairs.measure(shape.vertices, shape.corners, ball.vertices, ball.corners, squared, witness)
    away = np.maximum(np.sqrt(squared) - shape.radius, 0.0)
    least = int(np.argmin(away + shape.uncertainty))
    return float(away[least]), float(shape.uncertainty[least])
