"""Owns when the connection of a wire that comes off may part before it is opened, or after it is closed.

Whoever is at a connection that is to be opened may loosen it, whatever the stage is called: from then until its stage
of kind "open" nothing is known to hold it, but what a statement says. Of a wire that the job never takes off that is
asked in stages of kind "work" alone. Once it is closed it is no more than hung on until somebody has worked on it.
Whose work it is is not asked: everybody aloft at the potential of the wire is taken for it.
"""

from __future__ import annotations

from collections.abc import Iterator

from clearance.scene import records, statements
from clearance.scene.records import Scene, Stage


def may_part(scene: Scene, stage: Stage) -> tuple[str, ...]:
    """The wires whose connection may part in a stage in which they hang in their place: what is loosened and not yet
    opened, or closed and not yet made fast, and of which nobody says that it holds."""
    return tuple(wire for wire in loose(scene, stage) if not statements.fast(scene, wire))


def loose(scene: Scene, stage: Stage) -> tuple[str, ...]:
    """Those, whatever is said of them."""
    number = [one.name for one in scene.stages].index(stage.name)
    return tuple(wire.name for wire in _released(scene) if number in dict(_loose(scene, wire)))


def left_open(scene: Scene) -> Iterator[str]:
    """The wires that hang in the last stage of the job itself by a connection that is closed and not made fast."""
    main = [number for number, stage in enumerate(scene.stages) if stage.rescue is None]
    for wire in _released(scene) if main else ():
        if dict(_loose(scene, wire)).get(main[-1], False):
            yield wire.name


def _released(scene: Scene) -> list[records.Wire]:
    return [wire for wire in scene.wires if wire.release is not None]


def _loose(scene: Scene, wire: records.Wire) -> Iterator[tuple[int, bool]]:
    """The stages, by number, in which a wire hangs by a connection that may part, and whether it is closed and not made
    fast when the stage ends."""
    off = [number for number, stage in enumerate(scene.stages) if wire.name in (*stage.released, *stage.off)]
    begun = closed = False
    found: dict[str, bool | None] = {}
    for number, stage in enumerate(scene.stages):
        if stage.rescue is not None:
            # One way the job may go, and no step of it: it finds the wire as it was where it branches off.
            if (was := found.get(stage.rescue)) is not None and wire.name not in (*stage.released, *stage.off):
                yield number, was
            continue
        if number in off:
            begun, closed = False, True
            continue
        at_it = _at_it(scene, stage, wire)
        works = at_it and stage.kind == "work"
        # What hangs on again is loosened once more only where it is opened once more.
        loosens = works if not off or wire.phase is None else at_it
        begun = begun or (loosens and (not off or number < off[-1]) and not closed)
        before, closed = closed, closed and not works
        found[stage.name] = closed if begun or before else None
        if begun or before:
            yield number, closed


def _at_it(scene: Scene, stage: Stage, wire: records.Wire) -> bool:
    """Whether somebody aloft may work on a wire: bonded to its phase, or, where it has none, not bonded at all."""
    return any(stage.bonded.get(name) == wire.phase for name in records.aloft(scene, stage))
