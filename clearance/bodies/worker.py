"""Owns the worker: a body scaled by its stature, its postures, and everything its hands and tool can touch.

Frame: origin between the soles on the rung, x forward (toward the ladder), y left, z up. `build` makes the body,
`posture` its shape in a stated posture, `reach_envelope` the shape of all it can reach; `extent` and
`lowest_to_highest_contact_m` are the two lengths that the combined gap and the insulating length need.

The body is the one of the median man or woman of the survey [1], every length in proportion to stature: parts of
different percentiles are never put together. People of one stature differ in their limbs; `SPREAD_M` of uncertainty on
every part stands for that.

Reach. The shoulder joint is taken at half the span less the arm from the middle, and at a height between that of the
acromion and that from which the arm reaches the overhead fingertip height, as the shoulder rises with the arm. So the
model reproduces the surveyed span and overhead reach exactly.

References
----------
[1] 2012 Anthropometric Survey of U.S. Army Personnel (ANSUR II), Natick/TR-15/007: 4082 men, 1986 women, public data.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.conductor.catenary import refuse
from clearance.errors import InputError, Mistake
from clearance.shapes import Shape

Floats = NDArray[np.float64]
Sex = Literal["man", "woman"]
PostureName = Literal["climbing", "standing", "reaching"]
Part = tuple[Floats, Floats, "float | None"]

STATURES_M: Final[dict[Sex, dict[int, float]]] = {
    "man": {50: 1.755, 95: 1.870, 99: 1.927},
    "woman": {50: 1.626, 95: 1.740, 99: 1.778},
}
"""[m] Stature by sex and percentile [1]."""

MEDIAN_M: Final[dict[str, tuple[float, float]]] = {
    "span": (1.812, 1.657), "overhead_reach": (2.263, 2.078), "arm": (0.796, 0.731), "shoulder_height": (1.439, 1.332),
    "biacromial": (0.415, 0.365), "bideltoid": (0.509, 0.450), "chest_depth": (0.253, 0.245),
    "crotch_height": (0.845, 0.780), "hand": (0.193, 0.180), "foot": (0.271, 0.246),
}  # fmt: skip
"""[m] Medians of men and of women [1]. Overhead reach is of the fingertip, standing: stature less sitting height plus
sitting reach. Arm is acromion to radiale, radiale to stylion, and hand, added."""

SPREAD_M: Final = 0.036
"""[m] Uncertainty for people whose limbs are longer than their stature says. The 99th percentile of every length is
within
this of the median body scaled to the 99th percentile of stature (worst: a woman's crotch height, 0.0351 m, and overhead
reach, 0.034 m). Smaller: less careful; larger: costs margin."""

SHORTEST_M: Final = 1.40
TALLEST_M: Final = 2.05
"""[m] Statures accepted: the survey's people and a little more (its tallest man is 1.993 m)."""

CLIMB_STEP_M: Final = 0.30
"""[m] From rung to rung while climbing (common practice, no source)."""

STAND_OFF_M: Final = 0.08
"""[m] From the middle plane of the ladder to the clothed chest (common practice, no source)."""

TOOL_RADIUS_M: Final = 0.02
BAG_RADIUS_M: Final = 0.12
"""[m] Of a tool in the hand and of a bag at the belt (common practice, no source)."""

# Proportions of the median man by stature, from memory (survey and textbook values agree within a centimetre).
_UPPER_ARM, _FOREARM, _HAND = 0.422, 0.336, 0.242  # parts of the arm, acromion to fingertip
_HIP, _KNEE, _ANKLE, _BELT = 0.530, 0.285, 0.045, 0.600  # heights, parts of stature
_THIGH_RADIUS, _SHANK_RADIUS, _FOOT_RADIUS = 0.060, 0.038, 0.028  # parts of stature
_UPPER_ARM_RADIUS, _FOREARM_RADIUS, _HEAD_RADIUS = 0.036, 0.030, 0.060
_HIP_HALF, _TRUNK_HALF, _STANCE_HALF = 0.052, 0.030, 0.060  # off the middle plane: hip joint, trunk axis, foot

_RING: Final = 8  # capsules that stand for all places of a shoulder joint as the trunk turns
_LEG_SAMPLES: Final = 65  # heights of a foot at which the knee is looked at; the largest step between two is added


@dataclass(frozen=True)
class Build:
    """The measures of one worker, bare, and what is worn [m].

    span_m, overhead_reach_m, arm_m: from fingertip to fingertip, from the floor, from the shoulder
    shoulder_height_m: of the acromion; biacromial_m, bideltoid_m: shoulder breadths, of the bones and over the muscles
    shoulder_half_m: from the middle to the shoulder joint; shoulder_raised_m: height of the joint with the arm overhead
    suit_m, boots_m, helmet_m: bulk of suit, gloves and harness on every side, of the soles, of the helmet
    spread_m: uncertainty for limbs longer than stature says
    """

    stature_m: float
    span_m: float
    overhead_reach_m: float
    arm_m: float
    shoulder_height_m: float
    biacromial_m: float
    bideltoid_m: float
    chest_depth_m: float
    crotch_height_m: float
    hand_m: float
    foot_m: float
    shoulder_half_m: float
    shoulder_raised_m: float
    suit_m: float
    boots_m: float
    helmet_m: float
    spread_m: float


def build(
    stature_m: float | None = None,
    sex: Sex | None = None,
    percentile: int | None = None,
    suit_m: float = 0.04,
    boots_m: float = 0.03,
    helmet_m: float = 0.05,
    spread_m: float = SPREAD_M,
) -> Build:
    """A worker of a stature [m], or of a sex and a percentile of stature (50, 95 or 99).

    With a stature and no sex, the proportions of the man are taken: all his reaches are the longer ones. Defaults of
    suit, boots and helmet are common practice, no source.

    Raises `InputError` where neither or both are given, or a value is out of range.

    >>> round(build(sex="man", percentile=50).span_m, 3)
    1.812
    """
    mistakes = []
    if sex not in (None, "man", "woman"):
        mistakes.append(Mistake(("worker", "sex"), '"man" or "woman"', f"{sex!r}"))
    if percentile is not None and percentile not in (50, 95, 99):
        mistakes.append(Mistake(("worker", "percentile"), "50, 95 or 99", f"{percentile!r}"))
    if stature_m is None and (sex is None or percentile is None):
        mistakes.append(Mistake(("worker", "stature_m"), "a stature, or sex and percentile", "neither"))
    if stature_m is not None and percentile is not None:
        mistakes.append(Mistake(("worker", "stature_m"), "a stature, or sex and percentile", "both"))
    if stature_m is not None and not SHORTEST_M <= stature_m <= TALLEST_M:
        mistakes.append(Mistake(("worker", "stature_m"), f"{SHORTEST_M} to {TALLEST_M} m", f"{stature_m!r} m"))
    worn = {"suit_m": suit_m, "boots_m": boots_m, "helmet_m": helmet_m, "spread_m": spread_m}
    refuse("worker", not_negative=worn, others=mistakes)
    kind: Sex = sex or "man"
    stature = stature_m if stature_m is not None else STATURES_M[kind][percentile or 50]
    scale = stature / STATURES_M[kind][50]
    measures = {f"{name}_m": pair[kind == "woman"] * scale for name, pair in MEDIAN_M.items()}
    half = measures["span_m"] / 2 - measures["arm_m"]
    raised = measures["overhead_reach_m"] - measures["arm_m"]
    return Build(stature_m=stature, shoulder_half_m=half, shoulder_raised_m=raised, **measures, **worn)


# The same few people stand in every stage, and are asked how far they reach many times besides.
@lru_cache(maxsize=64)
def posture(
    worker: Build,
    name: PostureName,
    tool_m: float = 0.0,
    hanging_m: float = 0.0,
    hand: Literal["right", "left"] = "right",
    reach_elevation_deg: float = 60.0,
) -> Shape:
    """The clothed body in a posture: 14 capsules, one more for a tool and one for a bag.

    Parameters
    ----------
    worker: the body
    name: "climbing" (one foot and one hand higher than the other, both hands on the rails), "standing" (upright, arms
        down) or "reaching" (one arm stretched forward and up, the other hand on its rail)
    tool_m: a conductive tool in the hand, beyond the fingertips [m]
    hanging_m: how far a bag hangs below the belt [m]
    hand: the one with the tool, the reaching and the higher one
    reach_elevation_deg: of the stretched arm above the horizontal [deg]

    Raises `InputError` for a value out of range.
    """
    others = []
    if name not in ("climbing", "standing", "reaching"):
        others.append(Mistake(("worker", "posture"), '"climbing", "standing" or "reaching"', f"{name!r}"))
    carried = {"tool_m": tool_m, "hanging_m": hanging_m}
    refuse("worker", not_negative=carried, finite={"reach_elevation_deg": reach_elevation_deg}, others=others)
    body = _joints(worker)
    parts = _trunk(worker, body)
    parts += _leg(worker, body, -1.0, 0.0) + _leg(worker, body, 1.0, CLIMB_STEP_M if name == "climbing" else 0.0)
    upper, fore = worker.arm_m * _UPPER_ARM, worker.arm_m * _FOREARM
    hand_length = worker.arm_m * _HAND
    for side in (-1.0, 1.0):
        active = side < 0
        joint = np.array([body.trunk_x, side * body.shoulder_half, body.shoulder_high])
        if name == "standing":
            joint = np.array([body.trunk_x, side * (worker.bideltoid_m / 2 - body.upper_arm), body.shoulder_low])
            elbow, tip = joint - [0, 0, upper], joint - [0, 0, worker.arm_m]
        elif name == "reaching" and active:
            angle = math.radians(reach_elevation_deg)
            toward = np.array([math.cos(angle), 0.0, math.sin(angle)])
            elbow, tip = joint + upper * toward, joint + worker.arm_m * toward
        else:
            above = 0.25 if active else -0.05
            grip = np.array([0.0, side * 0.2, body.shoulder_low + above * worker.stature_m / 1.755])
            elbow = _bent(joint, grip, upper, fore + hand_length / 2, np.array([-0.3, 0.5 * side, -1.0]))
            tip = grip + hand_length / 2 * _unit(grip - elbow)
        toward = _unit(tip - elbow)
        parts.append((joint, elbow, body.upper_arm))
        parts.append((elbow, tip - body.forearm * toward, body.forearm))
        if active and tool_m > 0:
            parts.append((tip - hand_length / 2 * toward, tip + max(tool_m - TOOL_RADIUS_M, 0.0) * toward, None))
    shape = _clothed(worker, parts, hanging_m, body)
    return shapes.moved(shape, np.diag([1.0, -1.0, 1.0])) if hand == "left" else shape


@lru_cache(maxsize=64)
def reach_envelope(worker: Build, trunk_lean_m: float = 0.0, tool_m: float = 0.0, hanging_m: float = 0.0) -> Shape:
    """Everything the body, both hands and a tool in either can touch while the feet are on the rung.

    Parameters
    ----------
    worker: the body
    trunk_lean_m: how far the shoulders may move horizontally, in any direction, the trunk tipping about the hips [m]
    tool_m: a conductive tool in either hand, beyond the fingertips, held any way [m]
    hanging_m: how far a bag hangs below the belt [m]; it may hang on any side

    A hand or its tool is never further from its shoulder joint than arm, suit and tool. The joint is on a circle
    about the trunk's axis, as the trunk turns, somewhere between its low and its high height, and moves with the
    lean, which also lowers it as the trunk tips about the hips. So all is within capsules along a polygon for that
    circle, inflated by the sum. Head and trunk, moved by the lean, are added where they are not inside those. Each leg
    is held at every height of its foot from the rung it stands on to the next: thigh and shank by a thick capsule each
    (the distance from a convex axis is greatest at an end of the bone), the boot by the rectangle it sweeps.

    Raises `InputError` for a value out of range, or a lean as long as the trunk.
    """
    refuse("worker", not_negative={"tool_m": tool_m, "hanging_m": hanging_m})
    body = _joints(worker)
    trunk = body.shoulder_low - body.hip
    if not 0 <= trunk_lean_m < trunk:
        expected = f"at least 0 and less than the {trunk:.3f} m of the trunk"
        raise InputError(Mistake(("worker", "trunk_lean_m"), expected, f"{trunk_lean_m!r} m"))
    # Tipped about the hips by an angle, a point at r from them moves by 2 r sin(angle / 2): the head more than a
    # shoulder.
    chord = 2 * math.sin(math.asin(trunk_lean_m / trunk) / 2)
    lean = chord * math.hypot(max(body.shoulder_low, body.shoulder_high) - body.hip, body.shoulder_half)
    tipped = chord * (worker.boots_m + worker.stature_m + worker.helmet_m - body.hip)
    # A regular polygon of circumradius R leaves a circle r by R - r at its corners and r - R cos(pi / n) at its edges.
    flat = math.cos(math.pi / _RING)
    outer = 2 * body.shoulder_half / (1 + flat)
    ring_error = outer - body.shoulder_half
    middle, rise = (body.shoulder_low + body.shoulder_high) / 2, abs(body.shoulder_high - body.shoulder_low) / 2
    turn = 2 * math.pi * np.arange(_RING + 1)[:, None] / _RING
    ring = np.array([body.trunk_x, 0, middle]) + outer * np.concatenate([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
    ring[-1] = ring[0]
    radius = worker.arm_m + worker.suit_m + tool_m + lean + math.hypot(ring_error, rise)
    shapes_made = [shapes.polyline(ring, radius, worker.spread_m)]
    for index, (start, end, size) in enumerate(_trunk(worker, body)):
        thick = (size or 0.0) + (worker.helmet_m if index == 0 else worker.suit_m) + tipped
        if not _held(start, end, thick, ring, radius):
            shapes_made.append(shapes.segments([start], [end], thick, worker.spread_m))
    shapes_made += [_leg_hull(worker, body, side) for side in (-1.0, 1.0)]
    if hanging_m > 0:
        size = worker.chest_depth_m / 2 + worker.suit_m + 2 * BAG_RADIUS_M + _TRUNK_HALF * worker.stature_m
        top, bottom = np.array([body.trunk_x, 0, body.belt]), np.array([body.trunk_x, 0, body.belt - hanging_m])
        shapes_made.append(shapes.segments([top], [bottom], size + lean, worker.spread_m))
    return shapes.join(shapes_made)


def extent(worker: Build, tool_m: float = 0.0, hanging_m: float = 0.0) -> float:
    """The longest straight line through one worker [m]: fingertip to fingertip with a tool in each hand, or sole (or
    bag) to overhead fingertip with a tool, whichever is longer; gloves, boots and spread included."""
    refuse("worker", not_negative={"tool_m": tool_m, "hanging_m": hanging_m})
    ends = worker.suit_m + tool_m + worker.spread_m
    below = max(0.0, hanging_m - _BELT * worker.stature_m - worker.boots_m)
    upright = worker.boots_m + worker.overhead_reach_m + below + ends + worker.spread_m
    return max(worker.span_m + 2 * ends, upright)


def belt(worker: Build, trunk_lean_m: float = 0.0) -> tuple[Floats, float]:
    """The middle of the belt, where a bonding lead is joined to the suit, and how far from it the join may be [m]:
    anywhere about the trunk, which tips about the hips by a lean of the shoulders [m]."""
    body = _joints(worker)
    around = worker.chest_depth_m / 2 + worker.suit_m + _TRUNK_HALF * worker.stature_m
    chord = 2 * math.sin(math.asin(trunk_lean_m / (body.shoulder_low - body.hip)) / 2)
    return np.array([body.trunk_x, 0.0, body.belt]), around + chord * math.hypot(body.belt - body.hip, around)


def lowest_to_highest_contact_m(worker: Build, tool_m: float = 0.0, hanging_m: float = 0.0) -> tuple[float, float]:
    """How much of the ladder a climber shorts [m] below the soles, and from there up to the middle of a hand that holds
    on overhead, or to the end of a tool in it: about 2 m by common practice, here from the body's own overhead reach.
    Below the soles is what hangs from the belt further down."""
    below = max(0.0, hanging_m - _BELT * worker.stature_m - worker.boots_m)
    beyond = worker.hand_m / 2 + tool_m if tool_m > 0.0 else 0.0
    return below, worker.boots_m + worker.overhead_reach_m - worker.hand_m / 2 + beyond + worker.spread_m


@dataclass(frozen=True)
class _Joints:
    """Places of the joints of a worker in boots, and bare radii [m]."""

    trunk_x: float
    shoulder_half: float
    shoulder_low: float
    shoulder_high: float
    hip: float
    knee: float
    ankle: float
    belt: float
    foot: float
    upper_arm: float
    forearm: float


def _joints(worker: Build) -> _Joints:
    stature, boots = worker.stature_m, worker.boots_m
    return _Joints(
        -(worker.chest_depth_m / 2 + worker.suit_m + STAND_OFF_M), worker.shoulder_half_m,
        boots + worker.shoulder_height_m, boots + worker.shoulder_raised_m,
        boots + _HIP * stature, boots + _KNEE * stature, boots + _ANKLE * stature, boots + _BELT * stature,
        _FOOT_RADIUS * stature + boots / 2, _UPPER_ARM_RADIUS * stature, _FOREARM_RADIUS * stature,
    )  # fmt: skip


def _trunk(worker: Build, body: _Joints) -> list[Part]:
    """Head with neck, two columns of the trunk, and the shoulders."""
    stature, boots, x = worker.stature_m, worker.boots_m, body.trunk_x
    head, deep = _HEAD_RADIUS * stature, worker.chest_depth_m / 2
    bar = 0.043 * stature
    parts: list[Part] = [(np.array([x, 0, body.shoulder_low]), np.array([x, 0, boots + stature - head]), head)]
    for side in (-1.0, 1.0):
        y = side * _TRUNK_HALF * stature
        bottom, top = boots + worker.crotch_height_m + deep, body.shoulder_low - deep
        parts.append((np.array([x, y, bottom]), np.array([x, y, top]), deep))
    reach, level = worker.bideltoid_m / 2 - bar, body.shoulder_low - bar
    parts.append((np.array([x, -reach, level]), np.array([x, reach, level]), bar))
    return parts


def _leg(worker: Build, body: _Joints, side: float, raised: float) -> list[Part]:
    """Thigh, shank and foot, the foot on the rung or raised above it [m]."""
    stature = worker.stature_m
    hip = np.array([body.trunk_x, side * _HIP_HALF * stature, body.hip])
    ankle = np.array([-0.25 * worker.foot_m, side * _STANCE_HALF * stature, body.ankle + raised])
    knee = _bent(hip, ankle, body.hip - body.knee, body.knee - body.ankle, np.array([0.4, side, 0.0]))
    heel, toe = _sole(worker, body)
    sole = [np.array([along, ankle[1], body.foot + raised]) for along in (heel, toe)]
    # The boot is no suit: its radius is given whole, so that the sole is where the rung is.
    boot = body.foot - worker.suit_m
    return [(hip, knee, _THIGH_RADIUS * stature), (knee, ankle, _SHANK_RADIUS * stature), (sole[0], sole[1], boot)]


def _sole(worker: Build, body: _Joints) -> tuple[float, float]:
    """Where the axis of a boot begins and ends, along x [m]: the rung under its arch."""
    return -0.6 * worker.foot_m - worker.boots_m + body.foot, 0.4 * worker.foot_m + worker.boots_m - body.foot


def _leg_hull(worker: Build, body: _Joints, side: float) -> Shape:
    """Holds a leg at every height of its foot from the rung it stands on to the next."""
    heights = np.linspace(0.0, CLIMB_STEP_M, _LEG_SAMPLES)
    legs = [_leg(worker, body, side, float(height)) for height in heights]
    hip, thigh = legs[0][0][0], _THIGH_RADIUS * worker.stature_m + worker.suit_m
    knees, ankles = np.array([leg[1][0] for leg in legs]), np.array([leg[1][1] for leg in legs])
    knee, ankle = (knees[0] + knees[-1]) / 2, (ankles[0] + ankles[-1]) / 2
    # Between two samples a joint is no further from one of them than their distance: its path bends by less than half
    # a turn.
    knee_off = float(np.linalg.norm(knees - knee, axis=1).max() + np.linalg.norm(np.diff(knees, axis=0), axis=1).max())
    ankle_off = CLIMB_STEP_M / 2
    shank = max(knee_off, ankle_off) + _SHANK_RADIUS * worker.stature_m + worker.suit_m
    bones = shapes.segments([hip, knee], [knee, ankle], [thigh + knee_off, shank], worker.spread_m)
    (heel, toe), y, low = _sole(worker, body), float(ankle[1]), body.foot
    high = low + CLIMB_STEP_M
    a, b, c, d = [heel, y, low], [toe, y, low], [toe, y, high], [heel, y, high]
    return shapes.join([bones, shapes.triangles([[a, b, c], [a, c, d]], body.foot, worker.spread_m)])


def _clothed(worker: Build, parts: list[Part], hanging_m: float, body: _Joints) -> Shape:
    """Capsules of the parts: the first, the head, in its helmet, the others in the suit; a part of no size is a
    tool."""
    radii = [
        TOOL_RADIUS_M if size is None else size + (worker.helmet_m if index == 0 else worker.suit_m)
        for index, (_, _, size) in enumerate(parts)
    ]
    starts, ends = [start for start, _, _ in parts], [end for _, end, _ in parts]
    if hanging_m > 0:
        behind = body.trunk_x - worker.chest_depth_m / 2 - worker.suit_m - BAG_RADIUS_M
        starts.append(np.array([behind, 0.0, body.belt]))
        ends.append(np.array([behind, 0.0, body.belt - max(hanging_m - BAG_RADIUS_M, 0.0)]))
        radii.append(BAG_RADIUS_M)
    return shapes.segments(np.array(starts), np.array(ends), radii, worker.spread_m)


def _held(start: Floats, end: Floats, thick: float, ring: Floats, radius: float) -> bool:
    """Whether a capsule is inside one of those along a ring: the distance from one is convex, so the ends decide."""
    return any(max(_off(start, a, b), _off(end, a, b)) + thick <= radius for a, b in pairwise(ring))


def _off(point: Floats, start: Floats, end: Floats) -> float:
    """Distance of a point from a segment [m]."""
    along = end - start
    share = float(np.clip((point - start) @ along / (along @ along), 0, 1))
    return float(np.linalg.norm(point - start - share * along))


def _bent(start: Floats, end: Floats, first: float, second: float, toward: Floats) -> Floats:
    """The joint between two links from start to end, bent toward a direction; straight where they only just reach."""
    between = end - start
    distance = float(np.linalg.norm(between))
    along = (distance**2 + first**2 - second**2) / (2 * distance)
    if distance >= first + second:
        return np.asarray(start + between * first / (first + second), float)
    aside = toward - between * float(toward @ between) / distance**2
    return np.asarray(
        start + between * along / distance + math.sqrt(max(first**2 - along**2, 0.0)) * _unit(aside), float
    )


def _unit(vector: Floats) -> Floats:
    return np.asarray(vector / np.linalg.norm(vector), float)
