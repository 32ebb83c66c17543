"""Owns what holds the end of a rope: somebody who is there and reaches it, or something that stands there.

An end in the air is held by nothing that the scene shows: what holds it in truth is missing from every gap. At the
ground it is made fast to an anchor in it; higher up only to what the scene has there. A rope that must get longer or
shorter as its wire moves goes through somebody's hands, the one that bears the weight and every guide: made fast it is
slack, or stops the tail. Whoever has one rope in the hand has no other.

`ends_of` gives every end of a stage, `hands` who has which of them, `open_points` the ends that nobody and nothing has.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely

from clearance import shapes
from clearance.bodies import areas
from clearance.errors import InputError
from clearance.job.carried import stands_in
from clearance.job.far_string import far_string
from clearance.job.footing import stands
from clearance.job.ropes import on_ladder
from clearance.job.site_gaps import between
from clearance.job.standing import build_of, crew_there
from clearance.job.tails import way_of
from clearance.result import OpenPoint
from clearance.scene import records, statements
from clearance.scene.assemble import Site, on_ground, place
from clearance.scene.naming import fittings_name
from clearance.scene.records import Place, Point, Reference, Rope, Stage
from clearance.scene.records_wires import TailRope

HOLDS_M = 1.0
"""[m] What is further than this from an attachment does not hold it. An attachment is often given at the middle of a
beam or in a crossarm's tip, half a metre from the nearest member; hardware takes the rest."""

GROUND_M = 0.1
"""[m] So near to the ground an end is at an anchor in it: the head of a picket (common practice, no source)."""

MOVES_M = 0.1
"""[m] A rope that grows or shrinks by no more as its wire moves needs nobody's hands: it gives by as much."""


@dataclass(frozen=True)
class End:
    """The end of a rope that is held, in a stage: of which rope, tied to which wire, or ""; where; whether the rope is
    hauled in or let out meanwhile; whether it runs over a pulley, so that the weight is on it; and the least and the
    greatest length that it needs from the free end to where it leads [m], where its wire moves."""

    rope: str
    wire: str
    to_m: Place
    at: Point
    moves: bool
    over_pulley: bool = False
    needs_m: tuple[float, float] | None = None


def ends_of(site: Site, stage: Stage) -> tuple[End, ...]:
    """The held end of every rope that is there in a stage."""
    scene = site.scene
    tied = []
    for wire, rope in ropes_of(site, stage):
        needs = _needs_m(site, stage, wire, rope)
        moves = needs is not None and needs[1] - needs[0] > MOVES_M
        tied.append(End(rope.name, wire.name, *_end(site, wire, rope), moves, rope.over_m is not None, needs))
    away = statements.absent(scene, stage)
    # Hauled from aloft, a line is let go on the ground.
    hauled = [tool.line for tool in scene.tools if tool.name == stage.hauled and not records.aloft(scene, stage)]
    there = [rope for rope in scene.ropes if rope.name not in away]
    there = [rope for rope in there if not on_ladder(site, rope) or (stage.travel_m is not None and stands(scene))]
    return (*tied, *(End(rope.name, "", *_end(site, rope, rope), rope.name in hauled) for rope in there))


def _end(site: Site, entry: records.Wire | Rope, rope: TailRope | Rope) -> tuple[Place, Point]:
    return rope.to_m, place(site, entry, rope.to_m)


def ropes_of(site: Site, stage: Stage) -> Iterator[tuple[records.Wire, TailRope]]:
    """Every rope of a release that is there in a stage, with the wire that it is tied to."""
    away = statements.absent(site.scene, stage)
    for record in site.scene.wires:
        for rope in record.release.ropes if record.release is not None else ():
            if rope.name not in away:
                yield record, rope


def safety_ropes(scene: records.Scene, wire: str) -> frozenset[str]:
    """The ropes of a wire that are slack until its tail falls into them."""
    return frozenset(entry.rope for entry in statements.held(scene, wire) if entry.rope is not None)


def _needs_m(site: Site, stage: Stage, wire: records.Wire, rope: TailRope) -> tuple[float, float] | None:
    """The least and the greatest distance [m] from where a rope leads to the free end of its wire, wherever that may be
    on its way in a stage or in any other that moves it: what was made fast before the first is not made fast anew at
    each. None where the wire does not move, or the rope is slack until the tail falls into it.

    On a straight leg it is greatest at an end of it; it is least at the foot of the perpendicular, or at an end."""
    if wire.name not in stage.released or stage.lower_m is None or rope.name in safety_ropes(site.scene, wire.name):
        return None
    way = way_of(site, wire.name)
    spans = [one.lower_m for one in site.scene.stages if wire.name in one.released and one.lower_m is not None]
    low, high = (pick(end for span in (stage.lower_m, *spans) for end in (span.lo, span.hi)) for pick in (min, max))
    along = [low, *(at for at in way.at_m if low < at < high), high]
    passed = np.array([[np.interp(at, way.at_m, axis) for axis in zip(*way.corners, strict=True)] for at in along])
    passed -= place(site, wire, rope.to_m if rope.over_m is None else rope.over_m)
    starts, legs = passed[:-1], np.diff(passed, axis=0)
    squares = np.maximum((legs**2).sum(axis=1), 1e-300)
    feet = starts + np.clip(-(starts * legs).sum(axis=1) / squares, 0.0, 1.0)[:, None] * legs
    return float(np.linalg.norm(feet, axis=1).min()), float(np.linalg.norm(passed, axis=1).max())


def made_fast(site: Site, stage: Stage, end: End) -> bool:
    """Whether something that stands there, or hangs there and goes with nothing that is off, has an end."""
    held_by = {end.to_m.name} if isinstance(end.to_m, Reference) else holders(site, end.at)
    return bool(held_by - elsewhere(site, stage))


def elsewhere(site: Site, stage: Stage) -> frozenset[str]:
    """What does not stand or hang in a stage where the site has it: what is not there, and every wire that is off, with
    the string that its fixed end swings on."""
    off = (*stage.released, *stage.off)
    strings = [string.name for string in (far_string(site, name) for name in off) if string is not None]
    return frozenset((*statements.absent(site.scene, stage), *off, *strings, *map(fittings_name, strings)))


@lru_cache(maxsize=1024)
def holders(site: Site, at: Point, wires: bool = False) -> frozenset[str]:
    """What stands near enough to a point to hold the end of a rope there, or a pulley. What hangs on a wire names it
    instead: by coordinates it would not move with it; wires: those count too, where they are named."""
    mark = shapes.points([at])
    kinds = ("ground",) if wires else ("ground", "wire")
    bodies = (body for body in site.bodies if body.kind not in kinds and len(body.shape))
    found = {body.name for body in bodies if between(mark, body.shape)[0] <= HOLDS_M}
    return frozenset((*found, *(("ground",) if _above_ground_m(site, at) <= GROUND_M + 1e-9 else ())))


def _above_ground_m(site: Site, at: Point) -> float:
    """Height of a point over the ground [m]; infinite beyond the modelled ground, which is told elsewhere."""
    try:
        return at[2] - on_ground(site.ground, (at[0], at[1]))[2]
    except InputError:
        return math.inf


def in_hands(site: Site, stage: Stage, at: Point) -> tuple[str, ...]:
    """Whoever of the crew has a point within reach from wherever they may stand in a stage: an arm from the shoulder,
    or below it, as they stoop."""
    found, up = [], _above_ground_m(site, at)
    for person in crew_there(site, stage):
        build = build_of(person)
        plans = [areas.plan(place.at_m, place.radius_m or 0.0, place.area_m) for place in stands_in(stage, person)]
        furthest = max(float(shapely.hausdorff_distance(plan, shapely.Point(at[:2]))) for plan in plans)
        over = max(0.0, up - build.shoulder_height_m)
        raised = over == 0.0 or not statements.arms_down(site.scene, person.name)
        # Overhead the shoulder comes up with the arm, by what the overhead reach is more than both.
        lifted = max(0.0, over - (build.overhead_reach_m - build.shoulder_height_m - build.arm_m))
        if raised and math.hypot(furthest, lifted) <= build.arm_m:
            found.append(person.name)
    return tuple(found)


def hands(site: Site, stage: Stage, without: str = "") -> Mapping[str, str]:
    """Who has which rope in the hand, by rope: whoever is within reach of an end that is not made fast, or that is
    hauled in or let out. A man has one rope; as many ropes are held as can be, those first that nothing else holds.

    without: who has something else in the hands
    """
    ends = ends_of(site, stage)
    loose = [end for end in ends if not made_fast(site, stage, end)]
    # The weight before the guides.
    led = sorted((end for end in ends if end.moves and end not in loose), key=lambda end: not end.over_pulley)
    reached = {
        end.rope: tuple(name for name in in_hands(site, stage, end.at) if name != without) for end in (*loose, *led)
    }
    holds: dict[str, str] = {}

    def taken(rope: str, asked: set[str]) -> bool:
        for person in reached[rope]:
            if person not in asked:
                asked.add(person)
                if person not in holds or taken(holds[person], asked):
                    holds[person] = rope
                    return True
        return False

    for rope in reached:
        taken(rope, set())
    return {rope: person for person, rope in holds.items()}


def open_points(site: Site, stage: Stage) -> Iterator[OpenPoint]:
    """Ends that nothing and nobody has, and ropes that are hauled in or let out and go through nobody's hands."""
    ends, held = ends_of(site, stage), hands(site, stage)
    cure = "let the crew stand within reach of it from wherever they may be, each with one rope (stands)"
    for end in ends:
        if end.rope in held:
            continue
        if end.moves:
            what = f"it is hauled in or let out, and nobody is there who has {_words(end)}, in the hand and no other"
            if end.needs_m is not None:
                least, most = end.needs_m
                what += f"; it needs {least:.2f} to {most:.2f} m: made fast it is slack or stops the tail"
            yield OpenPoint(f"rope '{end.rope}'", what, cure)
        elif not made_fast(site, stage, end):
            what = f"nobody is there to hold {_words(end)}, and nothing that does"
            more = f", or add what it is made fast to, or put it within {GROUND_M:g} m of the ground, at an anchor"
            yield OpenPoint(f"rope '{end.rope}'", what, cure + more)


def _words(end: End) -> str:
    return f"its end at x {end.at[0]:.2f}, y {end.at[1]:.2f}, z {end.at[2]:.2f} m"
