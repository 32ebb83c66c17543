"""Owns what the ladder is carried along: its track on the ground, or the wire it hangs on; and how far feet sink."""

from __future__ import annotations

import itertools
import math

import numpy as np

from clearance.bodies import ground
from clearance.errors import InputError, Mistake
from clearance.job.remembered import once_a_site
from clearance.scene import records
from clearance.scene.assemble import Site, on_ground, place, strays_m
from clearance.scene.records import Reference, Stage, where

TRACK_STEP_M = 2.0
"""[m] Longest straight piece of a track; the ground between its ends is followed by uncertainty."""


def settled(scene: records.SceneFile) -> tuple[float, float]:
    """How far feet that sink turn the ladder across its heading, to either side [rad], and shift its middle [m].

    With the one foot sunk by s more than the other, a width w away, the ladder turns by asin(s/w) about the foot that
    is higher; its middle goes down by no more than s, and aside by w/2 (1 - cos).

    >>> from clearance.scene.records import Ladder, SceneFile, Track
    >>> ladder = Ladder.model_construct(width_m=0.5)
    >>> scene = SceneFile.model_construct(ladder=ladder, track=Track.model_construct(settlement_m=0.03))
    >>> [round(value, 4) for value in settled(scene)]
    [0.06, 0.0305]
    """
    if scene.ladder is None or scene.track is None or scene.track.settlement_m == 0.0:
        return 0.0, 0.0
    sunk, width = scene.track.settlement_m, scene.ladder.width_m
    angle = math.asin(sunk / width)
    return angle, sunk + 0.5 * width * (1.0 - math.cos(angle))


def stands(scene: records.SceneFile) -> bool:
    """Whether the ladder has something to stand on, or to hang on."""
    return scene.track is not None or (scene.ladder is not None and scene.ladder.hangs_on is not None)


def heading_deg(scene: records.SceneFile) -> float:
    """The way the climber faces, anticlockwise from x [deg]."""
    assert scene.ladder is not None
    return scene.track.heading_deg if scene.track is not None else scene.ladder.heading_deg or 0.0


def hooks_m(scene: records.SceneFile) -> float:
    """How far up from where the ladder is carried its feet are [m]: nothing on a track, its length below its hooks."""
    assert scene.ladder is not None
    return 0.0 if scene.track is not None else -scene.ladder.length_m


def foot_knots(site: Site, stage: Stage) -> tuple[np.ndarray, float]:
    """Vertices of the way the ladder is carried along, (n, 4) station and place [m], and what is left out [m]: along
    its track, or along the wire it hangs on."""
    if site.scene.track is not None:
        return track_knots(site)
    knots, left_out = wire_knots(site)
    entry = site.scene.ladder
    assert entry is not None
    moved = [one.movement_m or 0.0 for one in stage.disturbed if one.wire == entry.hangs_on]
    return knots, left_out + sum(moved)


WIRE_STEP_M = 0.5
"""[m] Chords along a wire that a ladder hangs on."""


@once_a_site
def wire_knots(site: Site) -> tuple[np.ndarray, float]:
    """Points along the wire that the ladder hangs on, over all stations that stages ask for and one chord beyond where
    there is one, and the uncertainty of whatever hangs there [m]: that of the wire, its strays, and what chords
    leave out.

    Seen from the side a wire is convex, loads on it included: over a chord of length h it lies within the triangle of
    the chord and the chords next to it gone on, no lower than h (m2 - m0) / 4 below it for slopes m0 before and m2
    after.
    """
    scene = site.scene
    entry = scene.ladder
    assert entry is not None
    assert entry.hangs_on is not None
    hung = site.wires[entry.hangs_on]
    offset = first_station(site, entry.hangs_on)
    last = offset + hung.catenary.span_m
    asked = [stage.travel_m for stage in scene.stages if stage.travel_m is not None]
    low = max(offset, min((span.lo for span in asked), default=offset) - 2 * WIRE_STEP_M)
    high = min(last, max((span.hi for span in asked), default=last) + 2 * WIRE_STEP_M)
    count = max(3, math.ceil((high - low) / WIRE_STEP_M))
    stations = np.linspace(low, max(high, low + WIRE_STEP_M), count + 1)
    stations[-1] = min(stations[-1], last)
    references = [Reference(entry.hangs_on, float(station)) for station in stations]
    points = np.array([place(site, entry, reference) for reference in references])
    strays = max(
        strays_m(site, reference, (float(x), float(y), float(z)))
        for reference, (x, y, z) in zip(references, points, strict=True)
    )
    across = np.diff(stations)
    slopes = np.diff(points[:, 2]) / across
    # The chords at the ends have a neighbour on one side only: they are no part of the way.
    below = float(max(0.0, (across[1:-1] * (slopes[2:] - slopes[:-2])).max())) / 4.0
    knots = np.column_stack([stations, points])[1:-1]
    return knots, below + strays + hung.record.uncertainty_m


def first_station(site: Site, name: str) -> float:
    """The station at which the conductor itself begins: stations count from the attachment of its string."""
    hung = site.wires[name]
    anchor = np.array(place(site, hung.record, hung.record.from_m))
    return float(np.hypot(*(np.array(hung.catenary.start) - anchor)[:2]))


@once_a_site
def track_knots(site: Site) -> tuple[np.ndarray, float]:
    """Vertices of the track laid on the ground, (n, 4) station and place [m], and how far the ground leaves its pieces
    [m]."""
    track = site.scene.track
    assert track is not None
    corners = np.array(track.points_m, float)
    plan = [corners[0]]
    for start, end in itertools.pairwise(corners):
        pieces = max(1, math.ceil(float(np.linalg.norm(end - start)) / TRACK_STEP_M))
        plan += [start + (end - start) * k / pieces for k in range(1, pieces + 1)]
    try:
        places = np.array([on_ground(site.ground, (float(x), float(y))) for x, y in plan])
    except InputError as error:
        raise InputError(
            [Mistake(where(site.scene, "track", "points_m"), m.expected, m.found, m.remedy) for m in error.mistakes]
        ) from error
    steps = np.linalg.norm(np.diff(places, axis=0), axis=1)
    if not (steps > 0).all():
        raise InputError(
            Mistake(where(site.scene, "track", "points_m"), "corners that differ", "two equal ones in a row")
        )
    misfit = max(float(ground.profile_misfit(site.ground, tuple(a), tuple(b))) for a, b in itertools.pairwise(places))
    fit = misfit if track.fit_m is None else max(track.fit_m, misfit)
    return np.column_stack([np.concatenate([[0.0], np.cumsum(steps)]), places]), fit
