"""Owns what of a job is wrong by itself: names not of the scene, wires without a release, heights in no order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from clearance.errors import Mistake
from clearance.job.footing import stands
from clearance.scene import naming, records
from clearance.scene.messages import meant, shown
from clearance.scene.records import SceneFile, where
from clearance.scene.records_templates import Bring, EarthTail, Job, Reconnect, Rescue, TakeOff, WrittenStages


def wrong_names(scene: SceneFile, place: tuple[str, ...], job: Job) -> list[Mistake]:
    """Names of a job that are not of this scene, and wires without a release."""
    found: list[Mistake] = []
    wires_by_name = {wire.name: wire for wire in scene.wires}

    def wrong(at: tuple[str, ...], expected: str, given: str, remedy: str = "") -> None:
        found.append(Mistake((*where(scene), *at), expected, given, remedy))

    def check(names: Iterable[str], known: Iterable[str], field: str, expected: str, at: tuple[str, ...] = ()) -> None:
        options = tuple(known)
        for name in names:
            if name not in options:
                wrong((*place, *at, field), expected, shown(name), meant(name, options))

    wires, bodies = tuple(wires_by_name), naming.body_names(scene)
    crew = [person.name for person in scene.crew]
    if isinstance(job, WrittenStages):
        check(job.stages, [stage.name for stage in scene.stages], "stages", "a stage of this file")
        return found
    if scene.ladder is None or not stands(scene):
        missing = "ladder" if scene.ladder is None else "track"
        wrong(place, f"a {missing} in the scene", f"no table [{missing}]", "add one")
    if isinstance(job, TakeOff | Reconnect | Rescue):
        workers = [worker.name for worker in scene.workers]
        if job.worker is not None:
            check([job.worker], workers, "worker", "a worker of this scene")
        elif len(workers) != 1:
            wrong((*place, "worker"), "the name of a worker", "nothing", meant("", workers) or "add [[workers]]")
    released: list[tuple[tuple[str, ...], str]] = []
    if isinstance(job, TakeOff | Reconnect):
        for number, turn in enumerate(job.turns, 1):
            at: tuple[str, ...] = (f"turn {number}",)
            check([turn.wire], wires, "wire", "a wire of this scene", at)
            released.append((at, turn.wire))
        found += _heights(scene, place, job)
        found += _opened(scene, place, job)
        check([job.by] if job.by is not None else [], crew, "by", "a member of the crew")
    if isinstance(job, EarthTail):
        check(job.wires, wires, "wires", "a wire of this scene")
        check((job.by,), crew, "by", "a member of the crew")
        released += [((), wire) for wire in job.wires]
    if isinstance(job, Bring):
        check(job.bodies, bodies, "bodies", "a body of this scene")
    if isinstance(job, Rescue):
        check((job.by,), crew, "by", "a member of the crew")
        check([job.phase], tuple(records.phases(scene)), "phase", "a phase of this scene")
        check(job.off, wires, "off", "a wire of this scene")
    for at, name in released:
        if name in wires_by_name and (wires_by_name[name].release is None or wires_by_name[name].phase is None):
            remedy = f"add a release to wire '{name}': free_end, lowered_to_m"
            wrong((*place, *at, "wire"), "a wire of a phase, with a release", f"{shown(name)} without", remedy)
    return found


def _opened(scene: SceneFile, place: tuple[str, ...], job: TakeOff | Reconnect) -> Iterator[Mistake]:
    """By hand it is opened from some height; a remote tool has a length and somebody who holds it."""
    head = (*where(scene), *place)
    if (job.opened == "by hand") != (job.open_m is not None):
        expected = (
            "the feet while it is opened" if job.open_m is None else "nothing: nobody is aloft while it is opened"
        )
        remedy = 'state it, or opened = "by stick or rope"' if job.open_m is None else "leave it out"
        yield Mistake((*head, "open_m"), expected, "nothing" if job.open_m is None else "heights", remedy)
    if (job.by is None) != (job.stick_m is None):
        missing = "by" if job.by is None else "stick_m"
        expected = "who holds the remote tool that earths it" if job.by is None else "the length of the remote tool"
        yield Mistake((*head, missing), expected, "nothing", "state both, by and stick_m, or neither")


def _heights(scene: SceneFile, place: tuple[str, ...], job: TakeOff | Reconnect) -> Iterator[Mistake]:
    """Heights of the feet must follow from below up: mount, clear position, work."""
    if job.mount_m.hi >= job.clear_m:
        found = f"{job.mount_m.hi:g} m"
        yield Mistake(
            (*where(scene), *place, "mount_m"), f"heights below clear_m, {job.clear_m:g} m", found, "mend one of them"
        )
    for name, span in (("work_m", job.work_m), ("open_m", job.open_m or job.work_m)):
        if span.lo < job.clear_m or span.hi > max(job.work_m.hi, job.clear_m):
            expected = f"heights from clear_m, {job.clear_m:g} m, to the top of work_m, {job.work_m.hi:g} m"
            yield Mistake(
                (*where(scene), *place, name), expected, f"{span.lo:g} m to {span.hi:g} m", "mend one of them"
            )
