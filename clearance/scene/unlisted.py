"""Owns what hangs on a wire by reference and goes in the job, though the wire does not list it among its loads.

Such a wire springs as it would with the load listed. `with_loads` lists it where the wire can be solved so, whatever is
stated of how far it moves: of a stated `movement_m` and the model's the larger is taken. Whether it hung there when the
wire hung as stated nobody says: it is taken as having hung there, and the result stays undecided until the wire lists
it (`told`). What is not listed here is told by each stage in which it goes.
"""

from __future__ import annotations

from collections.abc import Iterator

from clearance.errors import InputError
from clearance.result import OpenPoint
from clearance.scene import hanging
from clearance.scene.records import LoadOnWire, Reference, Scene, SpanWire


def host_of(scene: Scene, name: str) -> SpanWire | None:
    """The wire that the free end of a wire hung on and that does not list it among its loads; None where none is."""
    record = next(wire for wire in scene.wires if wire.name == name)
    free = record.from_m if record.release is not None and record.release.free_end == "from" else record.to_m
    for wire in scene.wires:
        if isinstance(wire, SpanWire) and isinstance(free, Reference) and wire.name == free.name:
            return None if any(load.wire == name for load in wire.loads) else wire
    return None


def stands(scene: Scene, host: SpanWire, name: str) -> bool:
    """Whether a stated movement of a host stands for what hung on it: where no model can be had, for want of its
    conductor, or as a wire that hangs on its end, or on it twice, is no load at a point."""
    record = next(wire for wire in scene.wires if wire.name == name)
    here = [end for end in (record.from_m, record.to_m) if isinstance(end, Reference) and end.name == host.name]
    return host.conductor is None or len(here) > 1 or here[0].along_m is None


def with_loads(scene: Scene) -> Scene:
    """The scene with what goes in its stages among the loads of what it hangs on, where that can be solved."""
    found = scene
    for name in dict.fromkeys(name for stage in scene.stages for name in (*stage.released, *stage.off)):
        host = host_of(found, name)
        # Without its conductor no model says how far it springs: then every stage in which it goes must.
        if host is not None and (host.conductor is not None or _movement_stated(scene, host.name, name)):
            found = _listed(found, host, name)
    return found


def _movement_stated(scene: Scene, host: str, name: str) -> bool:
    """Whether every stage in which a wire goes states how far its host moves."""
    gone = [stage for stage in scene.stages if name in (*stage.released, *stage.off)]
    return all(any(one.wire == host and one.movement_m is not None for one in stage.disturbed) for stage in gone)


def _listed(scene: Scene, host: SpanWire, name: str) -> Scene:
    """The scene with a wire among its host's loads; as it is where the host cannot be solved with it."""
    listed = host.model_copy(update={"loads": (*host.loads, LoadOnWire(wire=name, when_stated="on"))})
    wires = tuple(listed if wire.name == host.name else wire for wire in scene.wires)
    try:
        found = scene._expansion(scene.stages, wires)
        hanging.place_wires(found)
    except InputError:
        return scene
    return found


def told(read: Scene, scene: Scene) -> Iterator[OpenPoint]:
    """What was taken among the loads of a wire and is not listed there.

    read: the scene as it was read; scene: with such loads listed
    """
    stated = {wire.name: wire.loads for wire in read.wires if isinstance(wire, SpanWire)}
    for wire in scene.wires:
        for load in wire.loads[len(stated[wire.name]) :] if isinstance(wire, SpanWire) else ():
            what = f"{load.wire} hung on it and goes, and is not among its loads: taken as on when it hung as stated"
            cure = f'list it among its loads: wire = "{load.wire}", with when_stated'
            yield OpenPoint(f"wire '{wire.name}'", what, cure)
