"""Owns `Body`: a thing in the scene, as the engine sees it. Each module beside this one turns parameters into
shapes."""

from __future__ import annotations

from dataclasses import dataclass

from clearance.shapes import Shape


@dataclass(frozen=True, eq=False)
class Body:
    """One thing that stands in the scene or moves through it.

    name: unique over the scene
    kind: what it is, in one word (wire, insulator, structure, ground, solid, cloud, ladder, fitting, worker, tool,
        crew, vehicle, rope, lead); reports and drawings style by it
    shape: in the frame of its link [m]
    conductive: False for a body that counts as air
    potential: a phase name, "earth", or None for a conductive body that floats
    job: the job brings it or moves it
    link: the link that carries it, or None where it stands still
    extent_m: a conductive floating body is crossed for nothing over at most this length [m]; infinite for a rigid body
    states: further potentials it is judged at in turn, as (state name, potential or None) pairs
    note: what a reader must know of its potential or its making
    """

    name: str
    kind: str
    shape: Shape
    conductive: bool = True
    potential: str | None = "earth"
    job: bool = False
    link: str | None = None
    extent_m: float = float("inf")
    states: tuple[tuple[str, str | None], ...] = ()
    note: str = ""
