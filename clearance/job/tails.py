"""Owns the wires a stage has taken off: their shapes while they are lowered, piece by piece, and where they are
parked."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

from clearance import shapes
from clearance.bodies import wire
from clearance.errors import InputError, Mistake
from clearance.scene import weathered
from clearance.scene.assemble import Site, place
from clearance.scene.records import Stage, where

TAIL_ERROR_M = 0.1
"""[m] Greatest difference between a wire being lowered and the pieces that stand for it; goes into slack."""


def tail_pieces(site: Site, stage: Stage) -> Iterator[tuple[tuple[float, float] | None, dict[str, shapes.Shape]]]:
    """Per piece of the lowering: its range of lower_m, or None where nothing is lowered, and the shapes of what is
    off."""
    parked = {name: _parked(site, name) for name in stage.off}
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
                f"at most the {travel:.2f} m to where '{name}' is parked",
                f"{high:g} m",
            )
        )
    if low == high:
        yield None, {**parked, name: frozen(pieces, low)}
        return
    for piece in pieces:
        if piece.lower_m[0] >= low - 1e-9 and piece.lower_m[1] <= min(high, travel) + 1e-9:
            yield piece.lower_m, {**parked, name: piece.shape}


def frozen(pieces: tuple[wire.TailPiece, ...], lower_m: float) -> shapes.Shape:
    """The tail where it has been lowered by so much."""
    piece = next((p for p in pieces if p.lower_m[0] <= lower_m <= p.lower_m[1]), pieces[-1])
    if piece.shape.rate is None:
        return piece.shape
    return replace(piece.shape, vertices=piece.shape.vertices + piece.shape.rate * lower_m, rate=None)


@lru_cache(maxsize=64)
def _parked(site: Site, name: str) -> shapes.Shape:
    """The tail lowered all the way; one shape for all stages."""
    pieces = _tail(site, name)
    return frozen(pieces, pieces[-1].lower_m[1])


@lru_cache(maxsize=64)
def _tail(site: Site, name: str) -> tuple[wire.TailPiece, ...]:
    """All pieces of a wire's lowering, cut where some stage's range begins or ends."""
    hung = site.wires[name]
    record = hung.record
    assert record.release is not None
    start, end = hung.catenary.start, hung.catenary.end
    free, fixed = (start, end) if record.release.free_end == "from" else (end, start)
    to = place(site, record, record.release.lowered_to_m)
    travel = math.dist(free, to)
    spans = [stage.lower_m for stage in site.scene.stages if name in stage.released and stage.lower_m is not None]
    ranges = [(0.0, travel)] + [(s.lo, min(s.hi, travel)) for s in spans if s.lo < min(s.hi, travel)]
    length = hung.catenary.length_m
    try:
        slack = record.slack_m + weathered.tail_slack_m(site.scene, site.placed, record, length, (fixed, free, to))
        return wire.freed_tail(length, fixed, free, to, record.diameter_m, slack, ranges, TAIL_ERROR_M)
    except InputError as error:
        head = (*where(site.scene, record), "release")
        raise InputError(
            [Mistake((*head, *m.where[1:]), m.expected, m.found, m.remedy) for m in error.mistakes]
        ) from error
