"""Owns the checks of how a wire is taken off: what its ropes run over, what goes along with it, and what hung on it."""

from __future__ import annotations

from collections.abc import Iterator

from clearance.errors import Mistake
from clearance.scene.messages import meant, shown
from clearance.scene.records import EARTH, Insulator, Reference, Rope, Scene, Stage, Wire, where
from clearance.scene.records_wires import GoesAlong, Release, TailRope
from clearance.scene.statements import absent


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
    head = (*where(scene, wire), "release", f"ropes '{rope.name}'")
    if rope.over_m is not None and rope.over_m == rope.to_m:
        yield Mistake(
            (*head, "to_m"), "another place than over_m, its pulley", shown(rope.to_m), "state where it is held"
        )
    place = (*head, "hangs_from")
    earthed = [entry.name for entry in (*scene.structures, *scene.solids) if entry.potential in (None, EARTH)]
    if (rope.over_m is None) != (rope.hangs_from is None):
        found = "nothing" if rope.hangs_from is None else shown(rope.hangs_from)
        yield Mistake(place, "what a pulley hangs from, with over_m, or neither", found, "state both, or neither")
    elif rope.hangs_from is not None and rope.hangs_from not in earthed:
        expected = "a structure or a solid of this scene that is at earth"
        yield Mistake(place, expected, shown(rope.hangs_from), meant(rope.hangs_from, earthed))


def hung_on_gone(scene: Scene, stage: Stage) -> Iterator[tuple[str, Mistake]]:
    """What would stay in the air where a wire was that a stage takes off, with its name: what is placed by that wire.

    A tail moves, and whatever is joined to it takes its potential: neither is modelled, but for what goes along. Only
    what does not conduct may be held by the end that stays.
    """
    held = {wire.name: wire.release.free_end for wire in scene.wires if wire.release is not None}
    # A wire without a release is refused by itself, for that.
    gone, away = {*stage.released, *stage.off} & set(held), absent(scene, stage)
    for name, place, value, joined in _placed_by(scene, stage, gone):
        if name in away or not isinstance(value, Reference) or value.name not in gone:
            continue
        stays = "end" if held[value.name] == "from" else "start"
        if joined or value.end != stays:
            expected = "nothing that hangs on a wire which is taken off, but what goes along (release.takes_along)"
            found = f"{shown(str(value))}: a stage takes {shown(value.name)} off"
            remedy = "take it off or away before, or give coordinates where it stays without that wire"
            yield name, Mistake(place, expected, found, remedy)


def _placed_by(scene: Scene, stage: Stage, gone: set[str]) -> Iterator[tuple[str, tuple[str, ...], object, bool]]:
    """Every place that a body of a stage has: whose, where it is stated, and whether what is there is joined to it."""
    for wire in scene.wires:
        free = wire.release.free_end if wire.release is not None and wire.name in gone else None
        # An end that was freed hangs on nothing any more.
        yield from ((wire.name, *one, True) for one in _ends(scene, wire) if one[0][-1] != f"{free}_m")
        if free is not None and wire.release is not None:
            head = where(scene, wire, "release")
            yield wire.name, (*head, "lowered_to_m"), wire.release.lowered_to_m, True
        for line in wire.release.ropes if wire.release is not None else ():
            place = where(scene, wire, "release", f"ropes '{line.name}'")
            yield line.name, (*place, "over_m"), line.over_m, False
            yield line.name, (*place, "to_m"), line.to_m, False
    fixed: tuple[Insulator | Rope, ...] = (*scene.insulators, *scene.ropes)
    for entry in fixed:
        yield from ((entry.name, *one, False) for one in _ends(scene, entry))
    if stage.bonded:
        yield stage.name, where(scene, stage, "clamp_m"), stage.clamp_m, True
    if scene.ladder is not None and scene.ladder.hangs_on is not None and stage.travel_m is not None:
        hook = Reference(scene.ladder.hangs_on, 0.0)
        yield scene.ladder.name, where(scene, scene.ladder, "hangs_on"), hook, True


def _ends(scene: Scene, entry: Wire | Insulator | Rope) -> Iterator[tuple[tuple[str, ...], object]]:
    yield from ((where(scene, entry, field), getattr(entry, field)) for field in ("from_m", "to_m"))
