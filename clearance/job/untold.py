"""Owns what a scene does not speak of as a whole: weather, crew and tools that are not mentioned, those whom no stage
judges, and keys that are forgotten though what is taken for them may help."""

from __future__ import annotations

from collections.abc import Iterator

from clearance.job.duties import in_words
from clearance.result import OpenPoint
from clearance.scene import records, statements, unstated
from clearance.scene.messages import shown
from clearance.scene.records import Scene


def of_job(scene: Scene) -> Iterator[OpenPoint]:
    """What no stage judges, and what the scene does not mention: whether there is weather, crew, tools."""
    said = statements.there_is_none(scene)
    mentioned = {
        "weather": scene.weather is not None,
        # A tool in the hand of everybody aloft is one; none in the hand of one of them takes a length off that reach.
        "tools": bool(scene.tools) or (bool(scene.workers) and all(worker.tool_m > 0.0 for worker in scene.workers)),
    }
    table = {"weather": "add [weather]", "tools": "state tool_m of every worker, or add [[tools]]"}
    for what, is_there in mentioned.items():
        if not is_there and what not in said:
            yield OpenPoint("the job", f"nothing is said of {what}: none is judged", _none(table[what], what))
    yield from _on_the_ground(scene)
    yield from _waiting(scene)
    yield from _raised_by_nobody(scene)
    aloft = {name for stage in scene.stages for name in records.aloft(scene, stage)}
    for worker in scene.workers:
        if worker.name not in aloft:
            cure = "name them in workers of a stage; or state them in [[crew]] with where they stand; or leave them out"
            yield OpenPoint(f"worker '{worker.name}'", "aloft in no stage: never judged", cure)
    for tool in scene.tools:
        if all(stage.hauled != tool.name for stage in scene.stages):
            yield OpenPoint(f"tool '{tool.name}'", "hauled in no stage: never judged", "add a stage with hauled")
    brought = [(person.word, person.name) for person in scene.crew]
    brought += [(vehicle.word, vehicle.name) for vehicle in scene.vehicles]
    brought += [(rope.word, rope.name) for rope in scene.ropes]
    for word, name in brought:
        if scene.stages and all(name in statements.absent(scene, stage) for stage in scene.stages):
            cure = "let the statement that it is absent name the stages it holds in, or leave it out of the scene"
            yield OpenPoint(f"{word} '{name}'", "absent from every stage: never judged", cure)


def _none(table: str, what: str, stages: str = "") -> str:
    """How it is told that there is such a thing, or that there is none."""
    return f'{table}, or a statement with whose word: kind = "none", what = ["{what}"]{stages}, basis, by, on'


def _on_the_ground(scene: Scene) -> Iterator[OpenPoint]:
    """Stages in which nobody is on the ground, and nobody says that there is nobody: whoever comes only later says
    nothing of them. Who is stated as absent is spoken of."""
    untold = []
    for stage in scene.stages:
        gone = statements.not_there(scene, stage)
        if all(person.name in gone for person in scene.crew) and "crew" not in statements.there_is_none(scene, stage):
            untold.append(stage.name)
    if untold and not scene.crew:
        cure = _none("add [[crew]], one for everybody on the ground", "crew")
        yield OpenPoint("the job", "nothing is said of crew: none is judged", cure)
    elif untold:
        named = in_words([f"'{name}'" for name in untold[:6]]) + (f" and {len(untold) - 6} more" if untold[6:] else "")
        stages = ", ".join(f'"{name}"' for name in untold)
        cure = _none("bring the crew before, or add [[crew]] for whoever is there", "crew", f", stages = [{stages}]")
        what = f"nobody of the crew is there in {named}, and nothing is said of who is on the ground"
        yield OpenPoint("the job", what, cure)


def _waiting(scene: Scene) -> Iterator[OpenPoint]:
    """Workers who are on the ground before they climb, while others are aloft and once they are down: that there is no
    crew does not take them away, nor that somebody else of it is there."""
    climbers = {name for stage in scene.stages for name in records.aloft(scene, stage)}
    judged = {person.worker for person in scene.crew}
    found: dict[str, list[str]] = {}
    for stage in scene.stages:
        up, away = records.aloft(scene, stage), statements.absent(scene, stage)
        below = [one.name for one in scene.workers if one.name in climbers and one.name not in (*up, *away)]
        for name in below if up or scene.asks == "job" else ():
            if name not in judged:
                found.setdefault(name, []).append(f"'{stage.name}'")
    for name, stages in found.items():
        what = f"on the ground in {in_words(stages[:6])}{' and others' * (len(stages) > 6)}: not judged there"
        cure = f"add to [[crew]] who stands where '{name}' does while not aloft, with worker = {shown(name)}"
        yield OpenPoint(f"worker '{name}'", what, cure)


def _raised_by_nobody(scene: Scene) -> Iterator[OpenPoint]:
    """Stages that raise a ladder, lay it down or move it with nobody on the ground: whoever does it is at its foot."""
    alone = []
    for stage in scene.stages:
        there = [person for person in scene.crew if person.name not in statements.absent(scene, stage)]
        moved = stage.kind in ("set up", "strike", "travel") and scene.ladder is not None
        if moved and not there and not records.aloft(scene, stage):
            alone.append(f"'{stage.name}'")
    if alone:
        what = (
            f"nobody is on the ground in {in_words(alone[:6])}{' and others' * (len(alone) > 6)}: whoever raises the "
        )
        what += "ladder, moves it or lays it down is judged nowhere"
        cure = "add [[crew]] for those who do it, where they stand"
        yield OpenPoint("the job", what, cure)


def not_stated(read: Scene) -> Iterator[OpenPoint]:
    """Keys that are left out though what is taken for them may help, one point a key.

    read: the scene as it was read, with its jobs as they are written
    """
    for one in unstated.unstated(read):
        them = unstated.in_words(one.places)
        # Nobody surveys to nothing, nor holds a ladder plumb: that is no cure.
        sure = bool(one.taken) and one.key not in ("uncertainty_m", "lean_along_deg", "lean_across_deg")
        cure = f"state {one.key} there" + (f", {one.taken} where that is so" if sure else "")
        taken = f": taken as {one.taken}" if one.taken else ""
        yield OpenPoint(them, f"{one.key} is not stated{taken}", cure)
