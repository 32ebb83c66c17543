"""Owns the links of a stage: the ladder's chain along the track on the ground, heading, tilt, lean along and across,
then up the ladder to the worker. A range of one value is no parameter: it is a fixed joint."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from clearance.bodies import Body
from clearance.errors import InputError, Mistake, at_least, at_most
from clearance.job import aerial
from clearance.job.footing import foot_knots, heading_deg, hooks_m, settled, stands, track_knots
from clearance.job.leads import with_lead
from clearance.job.ropes import hauls_of
from clearance.job.setting import inside
from clearance.motion import STILL, Joint, Link, Motion, rotation_about
from clearance.scene import records
from clearance.scene.assemble import Site
from clearance.scene.records import Range, Stage, where

ON_PLATFORM_M = 0.5
"""[m] Feet along the ladder no further than this from its platform may be on it, or a hand or a knee."""

HANGS_DEG = 30.0
"""[deg] From a ladder built further over than this people hang, and hang upright (common practice, no source)."""

UPRIGHT_DEG = 5.0
"""[deg] On a ladder that leans by less whoever is on it goes with it: a fifth of a metre at most, at the head."""


def stood_on(site: Site, stage: Stage, bodies: Iterable[Body]) -> tuple[str, ...]:
    """What an unbonded worker has the potential of, besides: the platform of an aerial device, or of the ladder where
    the feet come near it; of the bodies that are there."""
    names: list[str] = []
    device, ladder, feet = aerial.device_in(site, stage), site.scene.ladder, stage.climb_m
    if device is not None:
        names += records.device_names(device.name)[-1:]
    height = ladder.platform_m if ladder is not None else None
    if ladder is not None and height is not None and feet is not None and _near(height, feet):
        names.append(records.platform_name(ladder.name))
    return tuple(body.name for body in bodies if body.name in names)


def _near(height_m: float, feet: Range) -> bool:
    return feet.lo - ON_PLATFORM_M <= height_m <= feet.hi + ON_PLATFORM_M


def _where_it_stands(stage: Stage, lean: Range) -> Range | None:
    """A lean of the ladder; none where there is no ladder, and nobody says that one leans."""
    return lean if stage.travel_m is not None or lean != Range(0.0, 0.0) else None


def parameters_of(site: Site, stage: Stage) -> dict[str, tuple[float, float]]:
    """Every parameter the stage states, swept or fixed, in the unit of its name."""
    hauls = {haul.parameter: haul.span_m for haul in hauls_of(site, stage)}
    if stage.extend_m is not None:
        device: dict[str, Range | None] = {name: getattr(stage, name) for name in (*aerial.PARAMETERS, "lower_m")}
        device |= hauls
        return {name: (span.lo, span.hi) for name, span in device.items() if span is not None}
    spans: dict[str, Range | None] = {
        "travel_m": stage.travel_m,
        "heading_deg": stage.heading_deg if stage.heading_deg != Range(0.0, 0.0) else None,
        "lean_along_deg": _where_it_stands(stage, stage.lean_along_deg),
        "lean_across_deg": _where_it_stands(stage, stage.lean_across_deg),
        "climb_m": stage.climb_m if records.aloft(site.scene, stage) else None,
        "lower_m": stage.lower_m,
        **hauls,
    }
    tilted, _ = settled(site.scene)
    if tilted > 0.0 and stage.travel_m is not None:
        spans["settle_deg"] = Range(-math.degrees(tilted), math.degrees(tilted))
    if stage.swing_m > 0.0 and records.aloft(site.scene, stage):
        # The square holds the circle in which one who hangs may swing.
        spans["swing_along_m"] = spans["swing_across_m"] = Range(-stage.swing_m, stage.swing_m)
    return {name: (span.lo, span.hi) for name, span in spans.items() if span is not None}


def stance(site: Site, stage: Stage) -> tuple[float, float]:
    """How a climber's body is turned about the feet against the ladder [rad], and by how much more or less: anywhere
    from upright to along it. Upright on one that stands all but upright, or is so far over that people hang from it."""
    ladder = site.scene.ladder
    tilt = 0.0 if ladder is None else ladder.tilt_deg
    low, high = (tilt + lean for lean in (stage.lean_along_deg.lo, stage.lean_along_deg.hi))
    if ladder is None or stage.travel_m is None or abs(tilt) > HANGS_DEG or max(-low, high) < UPRIGHT_DEG:
        return -math.radians(tilt), 0.0
    least, most = min(0.0, -high), max(0.0, -low)
    return math.radians(0.5 * (least + most)), math.radians(0.5 * (most - least))


__all__ = ["Rig", "foot_knots", "parameters_of", "rig_of", "stance", "track_knots"]


@dataclass(frozen=True, eq=False)
class Rig:
    """The links of a stage, the parameters that are swept and those held at one value, and the uncertainty that what
    rides on them needs."""

    motion: Motion
    box: Mapping[str, tuple[float, float]]
    fit_m: float
    held: Mapping[str, float]


def rig_of(site: Site, stage: Stage, piece: tuple[float, float] | None) -> Rig:
    """Links of the ladder and the worker; a range of one value becomes a fixed joint."""
    spans = {name: (inside(name, low), inside(name, high)) for name, (low, high) in parameters_of(site, stage).items()}
    if piece is not None:
        spans["lower_m"] = piece
    box = {name: span for name, span in spans.items() if span[1] > span[0] and (name != "lower_m" or piece is not None)}
    links: list[Link] = []
    fit = 0.0
    scene = site.scene
    if scene.ladder is not None and stage.travel_m is not None and stands(scene):
        knots, fit = foot_knots(site, stage)
        if not (stage.travel_m.lo >= knots[0, 0] - 1e-9 and stage.travel_m.hi <= knots[-1, 0] + 1e-9):
            raise InputError(
                Mistake(
                    where(scene, stage, "travel_m"),
                    f"stations on the {'track' if scene.track is not None else 'wire'}, "
                    f"{'0' if knots[0, 0] <= 0.0 else at_least(knots[0, 0])} to {at_most(knots[-1, 0])} m",
                    f"[{stage.travel_m.lo:g}, {stage.travel_m.hi:g}]",
                )
            )
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
            upright = Joint("fixed", rotation=rotation_about(along, stance(site, stage)[0]))
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
    for haul in hauls_of(site, stage):
        x, y, z = (float(value) for value in haul.way.along)
        start = Joint("fixed", translation=haul.way.start)
        slide = _joint("slide", haul.parameter, spans, box, axis=(x, y, z))
        links.append(Link(haul.link, haul.way.link, (start, slide)))
    used = {joint.parameter for link in links for joint in link.joints} | ({"lower_m"} if piece is not None else set())
    box = {name: span for name, span in box.items() if name in used}
    if piece is not None:
        links.append(Link("tail", None, ()))
    held = {name: low for name, (low, high) in spans.items() if name not in box and low == high}
    motion = Motion(tuple(links), tuple(box) or STILL.parameters)
    return Rig(with_lead(site, stage, motion), box or {"still": (0.0, 0.0)}, fit, held)


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
