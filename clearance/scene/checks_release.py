"""Owns the checks of how a wire is taken off: what its ropes run over, and what goes along with it."""

from __future__ import annotations

from collections.abc import Iterator

from clearance.errors import Mistake
from clearance.scene.messages import meant, shown
from clearance.scene.records import EARTH, Scene, Wire, where
from clearance.scene.records_wires import GoesAlong, Release, TailRope


def release_mistakes(scene: Scene, wire: Wire, release: Release) -> Iterator[Mistake]:
    """Every mistake of a release that names what stands elsewhere in the scene."""
    for rope in release.ropes:
        yield from _pulley(scene, wire, rope)
    others = [entry.solid for other in scene.wires if other.release is not None for entry in other.release.takes_along]
    for entry in release.takes_along:
        yield from _along(scene, wire, entry, others.count(entry.solid) > 1)


def _along(scene: Scene, wire: Wire, entry: GoesAlong, twice: bool) -> Iterator[Mistake]:
    """What goes along is a solid at the phase of the wire, and goes along with one."""
    place = where(scene, wire, "release", "takes_along", "solid")
    live = [solid.name for solid in scene.solids if wire.phase is not None and solid.potential == wire.phase]
    if entry.solid not in live:
        expected = "a solid of this scene at the phase of the wire"
        yield Mistake(place, expected, shown(entry.solid), meant(entry.solid, live))
    if twice:
        yield Mistake(place, "a solid that goes along once", f"{shown(entry.solid)} twice", "keep one")


def _pulley(scene: Scene, wire: Wire, rope: TailRope) -> Iterator[Mistake]:
    """A pulley hangs from something that is at earth."""
    place = where(scene, wire, "release", f"ropes '{rope.name}'", "hangs_from")
    earthed = [entry.name for entry in (*scene.structures, *scene.solids) if entry.potential in (None, EARTH)]
    if (rope.over_m is None) != (rope.hangs_from is None):
        found = "nothing" if rope.hangs_from is None else shown(rope.hangs_from)
        yield Mistake(place, "what a pulley hangs from, with over_m, or neither", found, "state both, or neither")
    elif rope.hangs_from is not None and rope.hangs_from not in earthed:
        expected = "a structure or a solid of this scene that is at earth"
        yield Mistake(place, expected, shown(rope.hangs_from), meant(rope.hangs_from, earthed))
