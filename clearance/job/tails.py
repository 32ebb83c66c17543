"""Owns the wires a stage has taken off: the way of their free end, their shapes while they are lowered along it, piece
by piece, and where they are parked.

The way goes from the free end's place by the points that its release names to where it is parked; `lower_m` runs along
all of it. Each leg is a straight line, as `bodies.wire.freed_tail` proves it: that proof holds at both ends of a leg,
so the pieces of two legs join at the corner.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from clearance import shapes
from clearance.bodies import swung_tail, wire
from clearance.conductor.catenary import point_at_length
from clearance.errors import InputError, Mistake, at_most
from clearance.job.far_string import swinging
from clearance.job.remembered import once_a_site
from clearance.scene import records, weathered
from clearance.scene.assemble import Site, place
from clearance.scene.records import Point, Stage, where

AROUND = 0.05
"""[1] Part of its length by which a point of a tail may be further along than its chords say."""

TAIL_ERROR_M = 0.1
"""[m] Greatest difference between a wire being lowered and the pieces that stand for it; goes into uncertainty."""

LEFT_OVER_M = 0.1
"""[m] A lowering may end so far from where the wire is parked: a hand's breadth, over which it is judged as parked."""


@dataclass(frozen=True)
class Way:
    """The way of a free end: its corners, and the distance along it [m] at which each is."""

    corners: tuple[Point, ...]
    at_m: tuple[float, ...]

    @property
    def length_m(self) -> float:
        """Of the whole way."""
        return self.at_m[-1]


@once_a_site
def way_of(site: Site, name: str) -> Way:
    """The way of the free end of a wire that the job takes off, from its place to where it is parked."""
    hung = site.wires[name]
    release = hung.record.release
    assert release is not None
    free = hung.catenary.start if release.free_end == "from" else hung.catenary.end
    corners = [free, *release.by_way_of_m, place(site, hung.record, release.lowered_to_m)]
    at = [0.0]
    for one, other in pairwise(corners):
        at.append(at[-1] + math.dist(one, other))
    return Way(tuple((float(x), float(y), float(z)) for x, y, z in corners), tuple(at))


def tail_pieces(site: Site, stage: Stage) -> Iterator[tuple[tuple[float, float] | None, dict[str, shapes.Shape]]]:
    """Per piece of the lowering: its range of lower_m, or None where nothing is lowered, and the shapes of what is
    off."""
    parked = {name: where_parked(site, name) for name in stage.off}
    if not stage.released:
        yield None, parked
        return
    if len(stage.released) > 1:
        raise InputError(
            Mistake(
                where(site.scene, stage, "released"),
                "one wire lowered at a time",
                ", ".join(stage.released),
                "write a stage for each",
            )
        )
    name = stage.released[0]
    low, high = (0.0, 0.0) if stage.lower_m is None else (stage.lower_m.lo, stage.lower_m.hi)
    pieces = _tail(site, name)
    travel = pieces[-1].lower_m[1]
    if high > travel + 1e-9:
        raise InputError(
            Mistake(
                where(site.scene, stage, "lower_m"),
                f"at most the {at_most(travel)} m to where '{name}' is parked",
                f"{high:g} m",
                f"end it there, or move lowered_to_m of '{name}'",
            )
        )
    if low == high:
        yield None, {**parked, name: frozen(pieces, low)}
        return
    for piece in pieces:
        # What holds over a piece holds over a part of it: a join may begin or end within one.
        start, end = max(piece.lower_m[0], low), min(piece.lower_m[1], high)
        if end > start:
            yield (start, end), {**parked, name: piece.shape}


def frozen(pieces: tuple[wire.TailPiece, ...], lower_m: float) -> shapes.Shape:
    """The tail where it has been lowered by so much."""
    piece = next((p for p in pieces if p.lower_m[0] <= lower_m <= p.lower_m[1]), pieces[-1])
    return shapes.at_value(piece.shape, lower_m)


def at_its_place(site: Site, name: str) -> shapes.Shape:
    """The tail before it is lowered at all, its capsules in a row from its far end to the free one."""
    return frozen(_tail(site, name)[:1], 0.0)


@once_a_site
def in_place_m(site: Site, name: str) -> float:
    """How far the free end of a wire may be from its place while the wire hangs there, by survey and weather [m]."""
    hung = site.wires[name]
    free = way_of(site, name).corners[0]
    far = hung.catenary.end if hung.record.release and hung.record.release.free_end == "from" else hung.catenary.start
    ends = ((float(far[0]), float(far[1]), float(far[2])), free, free)
    room = weathered.tail_room(site.scene, site.placed, hung.record, hung.catenary.length_m, ends, parked=True)
    return hung.record.uncertainty_m + float(room[-1])


@once_a_site
def where_parked(site: Site, name: str) -> shapes.Shape:
    """The tail lowered all the way, or as far as its last stage goes, anywhere between; one shape for all stages."""
    return shapes.join([_anywhere(piece) for piece in _tail(site, name, parked=True)])


def _anywhere(piece: wire.TailPiece) -> shapes.Shape:
    """A piece wherever it is in its range: in the middle of it, with how far each part of it goes from there."""
    low, high = piece.lower_m
    shape = shapes.at_value(piece.shape, 0.5 * (low + high))
    rate = piece.shape.rate
    if rate is None or high == low:
        return shape
    goes = 0.5 * (high - low) * np.linalg.norm(rate, axis=2).max(axis=1)
    return replace(shape, uncertainty=shape.uncertainty + goes)


@once_a_site
def _tail(site: Site, name: str, parked: bool = False) -> tuple[wire.TailPiece, ...]:
    """All pieces of a wire's lowering, cut where some stage's range begins or ends; with the uncertainty that the
    weather asks for anywhere on its way. Or only where it is parked, with what is asked for there: over what its last
    stage leaves of the way, which nobody sees."""
    hung = site.wires[name]
    record = hung.record
    assert record.release is not None
    fixed = hung.catenary.end if record.release.free_end == "from" else hung.catenary.start
    way = way_of(site, name)
    spans = [stage.lower_m for stage in site.scene.stages if name in stage.released and stage.lower_m is not None]
    cuts = sorted({value for span in spans for value in (span.lo, span.hi)})
    length, found = hung.catenary.length_m, list[wire.TailPiece]()
    thick = 2.0 * around_m(record)
    swings = swinging(site, name, thick)
    legs = [
        (number, start, end)
        for number, (start, end) in enumerate(pairwise(way.at_m))
        if end > start or way.length_m == 0.0
    ]
    for number, start, end in legs[-1:] if parked else legs:
        free, to = way.corners[number : number + 2]
        if parked:
            left = max(0.0, min(LEFT_OVER_M, way.length_m - max(cuts, default=math.inf)))
            ranges = [(max(0.0, end - start - left), end - start)]
        else:
            # Cut where some stage's range begins or ends within the leg.
            within = sorted({0.0, end - start, *(cut - start for cut in cuts if start + 1e-9 < cut < end - 1e-9)})
            ranges = list(pairwise(within)) or [(0.0, 0.0)]
        try:
            pieces = (
                wire.freed_tail(length, fixed, free, to, thick, record.uncertainty_m, ranges, TAIL_ERROR_M)
                if swings is None
                else swung_tail.pieces(swings, free, to, ranges, TAIL_ERROR_M)
            )
            room = weathered.tail_room(site.scene, site.placed, record, length, (fixed, free, to), parked)
        except InputError as error:
            head = (*where(site.scene, record), "release")
            last = number == len(way.corners) - 2
            keys = {} if last else {"lowered_to_m": f"by_way_of_m {number + 1}"}
            keys |= {"from_m": f"by_way_of_m {number}"} if number else {}
            raise InputError(
                [
                    Mistake((*head, *(keys.get(part, part) for part in m.where[1:])), m.expected, m.found, m.remedy)
                    for m in error.mistakes
                ]
            ) from error
        laden = (_laden(site, name, _blown(piece, room, length), length) for piece in pieces)
        found += [_further(_trailing(piece, record.release.trails_m), start) for piece in laden]
    return tuple(found)


def around_m(record: records.Wire) -> float:
    """Radius that holds a wire however it turns: of a bundle, to the corner of a square, the furthest of all
    arrangements [m]."""
    bundle = record.bundle if isinstance(record, records.SpanWire) else None
    return 0.5 * record.diameter_m + (0.0 if bundle is None else math.sqrt(0.5) * bundle.spacing_m)


def _trailing(piece: wire.TailPiece, trails_m: float) -> wire.TailPiece:
    """A piece with what hangs from its free end and may conduct: anywhere within its length of there."""
    if trails_m == 0.0:
        return piece
    shape = piece.shape
    ball = shapes.points(shape.vertices[-1:, 1], trails_m, float(shape.uncertainty[-1]))
    if shape.rate is not None:
        ball = replace(ball, rate=np.repeat(shape.rate[-1:, 1:2], 3, axis=1))
    return replace(piece, shape=shapes.join([shape, ball]))


def _further(piece: wire.TailPiece, start_m: float) -> wire.TailPiece:
    """A piece of a leg that begins so far along the way, as a piece of the whole way."""
    shape = piece.shape
    if start_m == 0.0:
        return piece
    if shape.rate is not None:
        shape = replace(shape, vertices=shape.vertices - shape.rate * start_m)
    return replace(piece, lower_m=(piece.lower_m[0] + start_m, piece.lower_m[1] + start_m), shape=shape)


def _blown(piece: wire.TailPiece, room: NDArray[np.float64], length_m: float) -> wire.TailPiece:
    """A piece of the lowering with the uncertainty (n,) that the weather asks for at equal lengths from the far end.

    A capsule takes the most of what the lengths it may stand for ask: from its end nearer to the far end to the other,
    at both ends of the piece's range, a twentieth of the tail on either side for the difference between chords and
    lengths and between the places of the range.
    """
    if not room.any():
        return piece
    shape, (low, high) = piece.shape, _shares(piece, length_m)
    last = len(room) - 1
    more = [room[int(np.floor(a * last)) : int(np.ceil(b * last)) + 1].max() for a, b in zip(low, high, strict=True)]
    return replace(piece, shape=replace(shape, uncertainty=shape.uncertainty + np.array(more)))


def _shares(piece: wire.TailPiece, length_m: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The lowest and the highest share of its length from the far end that each capsule of a tail may stand for."""
    spans = []
    for value in piece.lower_m:
        vertices = shapes.at_value(piece.shape, value).vertices
        sizes = np.linalg.norm(vertices[:, 1] - vertices[:, 0], axis=1)
        along = np.concatenate([[0.0], np.cumsum(sizes)])
        # Its capsules lie in a row from the far end to the freed one, or in a few rows beside one another.
        spans.append(np.stack([along[:-1], along[1:]], axis=1) / max(float(along[-1]), length_m))
    low = np.clip(np.min(spans, axis=(0, 2)) - AROUND, 0.0, 1.0)
    high = np.clip(np.max(spans, axis=(0, 2)) + AROUND, 0.0, 1.0)
    return low, high


@dataclass(frozen=True)
class Along:
    """What goes along with a tail: where it is fixed, from the free end [m]; the radius about there that holds it
    however it turns [m]; how far its weight pulls the tail aside [m]."""

    at_m: float
    radius_m: float
    movement_m: float


@once_a_site
def along_with(site: Site, name: str) -> tuple[Along, ...]:
    """What goes along with a wire that the job takes off."""
    hung = site.wires[name]
    release = hung.record.release
    found = []
    for entry in release.takes_along if release is not None else ():
        length = hung.catenary.length_m
        if entry.at_m > length:
            head = (*where(site.scene, hung.record), "release", "takes_along", "at_m")
            raise InputError(
                Mistake(head, f"at most the wire's length, {at_most(length)} m", f"{entry.at_m:g} m", "mend it")
            )
        at = entry.at_m if release is not None and release.free_end == "from" else length - entry.at_m
        fixed = np.array(point_at_length(hung.catenary, at))
        shape = next(body.shape for body in site.bodies if body.name == entry.solid)
        away = np.linalg.norm(shape.vertices - fixed, axis=2).max(axis=1) + shape.radius + shape.uncertainty
        radius = float(away.max()) + hung.record.uncertainty_m
        found.append(Along(entry.at_m, radius, entry.movement_m))
    return tuple(found)


def _laden(site: Site, name: str, piece: wire.TailPiece, length_m: float) -> wire.TailPiece:
    """A piece of the lowering as thick as what goes along wherever that may be on it, all of it pulled aside by the
    weight: what is fixed to a tail is the tail, at whatever this may be at."""
    goes = along_with(site, name)
    if not goes:
        return piece
    shape, (low, high) = piece.shape, _shares(piece, length_m)
    radius = np.array(shape.radius, float)
    for one in goes:
        share = 1.0 - one.at_m / length_m
        radius = np.where((low <= share) & (share <= high), np.maximum(radius, one.radius_m), radius)
    uncertainty = shape.uncertainty + sum(one.movement_m for one in goes)
    return replace(piece, shape=replace(shape, radius=radius, uncertainty=uncertainty))
