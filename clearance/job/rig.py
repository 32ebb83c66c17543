"""Owns the links of a stage: the ladder's chain along the track on the ground, heading, tilt, lean along and across,
then up the ladder to the worker. A range of one value is no parameter: it is a fixed joint."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from clearance.bodies import ground
from clearance.errors import InputError, Mistake
from clearance.job import aerial
from clearance.job.setting import inside
from clearance.motion import STILL, Joint, Link, Motion, rotation_about
from clearance.scene import records
from clearance.scene.assemble import Site, on_ground, place, strays_m
from clearance.scene.records import Range, Reference, Stage, where

TRACK_STEP_M = 2.0
"""[m] Longest straight piece of a track; the ground between its ends is followed by slack."""


def parameters_of(site: Site, stage: Stage) -> dict[str, tuple[float, float]]:
    """Every parameter the stage states, swept or fixed, in the unit of its name."""
    if stage.extend_m is not None:
        device: dict[str, Range | None] = {name: getattr(stage, name) for name in (*aerial.PARAMETERS, "lower_m")}
        return {name: (span.lo, span.hi) for name, span in device.items() if span is not None}
    spans: dict[str, Range | None] = {
        "travel_m": stage.travel_m,
        "heading_deg": stage.heading_deg if stage.heading_deg != Range(0.0, 0.0) else None,
        "lean_along_deg": stage.lean_along_deg,
        "lean_across_deg": stage.lean_across_deg,
        "climb_m": stage.climb_m if records.aloft(site.scene, stage) else None,
        "lower_m": stage.lower_m,
    }
    tilted, _ = settled(site.scene)
    if tilted > 0.0 and stage.travel_m is not None:
        spans["settle_deg"] = Range(-math.degrees(tilted), math.degrees(tilted))
    if stage.swing_m > 0.0 and records.aloft(site.scene, stage):
        # The square holds the circle in which one who hangs may swing.
        spans["swing_along_m"] = spans["swing_across_m"] = Range(-stage.swing_m, stage.swing_m)
    return {name: (span.lo, span.hi) for name, span in spans.items() if span is not None}


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


@dataclass(frozen=True, eq=False)
class Rig:
    """The links of a stage, and the slack that what rides on them needs."""

    motion: Motion
    box: Mapping[str, tuple[float, float]]
    cuts: tuple[tuple[str, float], ...]
    fit_m: float


def rig_of(site: Site, stage: Stage, piece: tuple[float, float] | None) -> Rig:
    """Links of the ladder and the worker; a range of one value becomes a fixed joint."""
    spans = {name: (inside(name, low), inside(name, high)) for name, (low, high) in parameters_of(site, stage).items()}
    if piece is not None:
        spans["lower_m"] = piece
    box = {name: span for name, span in spans.items() if span[1] > span[0] and (name != "lower_m" or piece is not None)}
    links: list[Link] = []
    cuts: list[tuple[str, float]] = []
    fit = 0.0
    scene = site.scene
    if scene.ladder is not None and stage.travel_m is not None and stands(scene):
        knots, fit = foot_knots(site, stage)
        if not (stage.travel_m.lo >= knots[0, 0] - 1e-9 and stage.travel_m.hi <= knots[-1, 0] + 1e-9):
            raise InputError(
                Mistake(
                    where(scene, stage, "travel_m"),
                    f"stations on the {'track' if scene.track is not None else 'wire'}, "
                    f"{max(knots[0, 0], 0.0):.2f} to {knots[-1, 0]:.2f} m",
                    f"[{stage.travel_m.lo:g}, {stage.travel_m.hi:g}]",
                )
            )
        cuts = [("travel_m", float(station)) for station in knots[1:-1, 0]]
        up, across, along = (0.0, 0.0, 1.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0)
        carriage: tuple[Joint, ...] = (
            _joint("track", "travel_m", spans, box, knots=knots),
            Joint("fixed", rotation=rotation_about(up, math.radians(heading_deg(scene)))),
        )
        if "heading_deg" in spans:
            carriage = (*carriage, _joint("turn", "heading_deg", spans, box, axis=up))
        tilt = math.radians(scene.ladder.tilt_deg)
        settling = (_joint("turn", "settle_deg", spans, box, axis=across),) if "settle_deg" in spans else ()
        fit += settled(scene)[1]
        leaning = (
            *settling,
            _joint("turn", "lean_along_deg", spans, box, axis=along),
            _joint("turn", "lean_across_deg", spans, box, axis=across),
            Joint("fixed", rotation=rotation_about(along, tilt)),
            *([Joint("fixed", translation=np.array([0.0, 0.0, hooks_m(scene)]))] if scene.track is None else []),
        )
        links = [Link("carriage", None, carriage), Link("ladder", "carriage", leaning)]
        if "climb_m" in spans:
            # The worker hangs upright from a tilted ladder.
            upright = Joint("fixed", rotation=rotation_about(along, -tilt))
            hanging: tuple[Joint, ...] = ()
            if "swing_along_m" in spans:
                hanging = (
                    # `across` is the axis of a lean across the heading, which points along it.
                    _joint("slide", "swing_along_m", spans, box, axis=across),
                    _joint("slide", "swing_across_m", spans, box, axis=along),
                )
            links.append(Link("worker", "ladder", (_joint("slide", "climb_m", spans, box, axis=up), upright, *hanging)))
    device = aerial.device_in(site, stage)
    if device is not None:
        up, across = (0.0, 0.0, 1.0), (0.0, -1.0, 0.0)
        joints = {
            "turret_deg": _joint("turn", "turret_deg", spans, box, axis=up),
            "boom_deg": _joint("turn", "boom_deg", spans, box, axis=across),
            "back": _joint("turn", "boom_deg", spans, box, axis=across, scale=-1.0),
            "extend_m": _joint("slide", "extend_m", spans, box, axis=(1.0, 0.0, 0.0)),
        }
        links += aerial.links(site, device, joints)
        fit = device.bending_m
    used = {joint.parameter for link in links for joint in link.joints} | ({"lower_m"} if piece is not None else set())
    box = {name: span for name, span in box.items() if name in used}
    if piece is not None:
        links.append(Link("tail", None, ()))
    if not box:
        return Rig(Motion(tuple(links), STILL.parameters), {"still": (0.0, 0.0)}, (), fit)
    return Rig(Motion(tuple(links), tuple(box)), box, tuple(cut for cut in cuts if cut[0] in box), fit)


def _joint(
    kind: str,
    name: str,
    spans: Mapping[str, tuple[float, float]],
    box: Mapping[str, tuple[float, float]],
    axis: tuple[float, float, float] = (0.0, 0.0, 1.0),
    knots: np.ndarray | None = None,
    scale: float = 1.0,
) -> Joint:
    """The joint of a parameter, or a fixed one where the parameter has one value."""
    value = spans[name][0]
    if name in box:
        if knots is not None:
            return Joint("track", name, knots=knots)
        return Joint("slide" if kind == "slide" else "turn", name, axis=axis, scale=scale)
    if knots is not None:
        at = np.array([np.interp(value, knots[:, 0], knots[:, 1 + k]) for k in range(3)])
        return Joint("fixed", translation=at)
    if kind == "slide":
        return Joint("fixed", translation=np.array(axis) * value)
    return Joint("fixed", rotation=rotation_about(axis, value * scale))


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
    moved = [one.slack_m or 0.0 for one in stage.disturbed if one.wire == entry.hangs_on]
    return knots, left_out + sum(moved)


WIRE_STEP_M = 0.5
"""[m] Chords along a wire that a ladder hangs on."""


@lru_cache(maxsize=16)
def wire_knots(site: Site) -> tuple[np.ndarray, float]:
    """Points along the wire that the ladder hangs on, over all stations that stages ask for and one chord beyond where
    there is one, and the slack of whatever hangs there [m]: that of the wire, its strays, and what chords leave out.

    Seen from the side a wire is convex, loads on it included: over a chord of length h it lies within the triangle of
    the chord and the chords next to it gone on, no lower than h (m2 - m0) / 4 below it for slopes m0 before and m2
    after.
    """
    scene = site.scene
    entry = scene.ladder
    assert entry is not None
    assert entry.hangs_on is not None
    hung = site.wires[entry.hangs_on]
    offset = _first_station(site, entry.hangs_on)
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
    return knots, below + strays + hung.record.slack_m


def _first_station(site: Site, name: str) -> float:
    """The station at which the conductor itself begins: stations count from the attachment of its string."""
    hung = site.wires[name]
    anchor = np.array(place(site, hung.record, hung.record.from_m))
    return float(np.hypot(*(np.array(hung.catenary.start) - anchor)[:2]))


@lru_cache(maxsize=16)
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
