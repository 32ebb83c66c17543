"""Owns at which potentials a stage judges a body: wires that are off, and whatever the stage itself states.

A state is left out only by a statement (`clearance.scene.statements.never_at`). A potential that a stage states is
judged beside the others, not instead of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from clearance import shapes
from clearance.bodies import Body
from clearance.errors import InputError, Mistake
from clearance.job.carried import earthed_in
from clearance.scene import records, statements
from clearance.scene.assemble import EARTH, Site
from clearance.scene.naming import head_name
from clearance.scene.records import Stage, where


def released(site: Site, stage: Stage, name: str, shape: shapes.Shape) -> Body:
    """A wire taken off: in turn at its former phase, at earth and at a potential of its own."""
    phase = site.wires[name].record.phase
    states = [(f"{name} at earth", EARTH), (f"{name} at its own", name)]
    if phase is not None:
        states = [(f"{name} at {phase}", phase), *states]
    (note, potential), *others = states
    link = "tail" if shape.rate is not None else None
    return Body(name, "wire", shape, potential=potential, job=True, link=link, states=tuple(others), note=note)


def attached(site: Site, bodies: Sequence[Body]) -> list[Body]:
    """The bodies, with the fittings that a wire taken off is still fixed to at whatever it may be at.

    The jaw of an open disconnector goes where its dropper goes: earthed with it, or at a potential of its own.
    """
    tails = {
        body.name: (body, far_end(site, body.name))
        for body in bodies
        if body.kind == "wire" and body.job and body.name in site.wires and site.wires[body.name].record.release
    }
    found = []
    for body in bodies:
        if body.kind == "fitting" and not body.job and body.conductive and body.potential is not None:
            for tail, end in tails.values():
                may_be = {tail.potential, *(state for _, state in tail.states)}
                same = of_phase(site, body, site.wires[tail.name].record.phase)
                if (
                    same
                    and may_be != {body.potential}
                    and reaches(body.shape, end, site.wires[tail.name].record.diameter_m)
                ):
                    body = replace(body, potential=tail.potential, states=tail.states, job=True)
                    break
        found.append(body)
    return found


def of_phase(site: Site, body: Body, phase: str | None) -> bool:
    """Whether a body of the site is at a phase; of a circuit that is earthed what would be, which is at earth."""
    if phase is None or phase in site.live or body.potential != EARTH:
        return phase is not None and body.potential == phase
    heads = (head_name(string.name) for string in site.strings if string.phase == phase)
    return body.name in (*statements.at_phases(site.scene, [phase]), *heads)


def far_end(site: Site, name: str) -> tuple[float, float, float]:
    """Where a wire that is taken off stays fixed [m]."""
    hung = site.wires[name]
    release = hung.record.release
    assert release is not None
    x, y, z = hung.catenary.end if release.free_end == "from" else hung.catenary.start
    return float(x), float(y), float(z)


def reaches(shape: shapes.Shape, point: tuple[float, float, float], radius: float) -> bool:
    """Whether a shape reaches a point, but for the radius of what ends there and a centimetre."""
    ball = shapes.points([point], radius + 0.01)
    from clearance.job.site_gaps import between

    return len(shape) > 0 and between(ball, shape)[0] <= 0.0


def overridden(site: Site, stage: Stage, body: Body) -> Body:
    """A body at the potentials of the stage: a potential that the stage states is judged beside the body's own, and
    states that a statement says it is never in are left out.

    A wire that is off and that a stage before has earthed with a remote tool is at earth alone, and while it is being
    earthed at either; a word by itself earths nothing.

    Raises: InputError where no state is left.
    """
    if not body.conductive:
        return body
    earthing = body.name in (*stage.earths, *stage.lifts_earth)
    if body.name in stage.potentials:
        word = stage.potentials[body.name]
        stated = None if word == records.FLOATING else word
        if _at_earth_alone(stage, body.name):
            return replace(body, potential=EARTH, states=())
        own = (_state_name(body.name, body.potential), body.potential)
        others = tuple(state for state in (own, *body.states) if state[1] != stated)
        body = replace(body, potential=stated, states=others, note=_state_name(body.name, stated))
    never = {_potential_of(site, body, state) for state in statements.never_at(site.scene, stage, body.name)}
    never -= {EARTH} if earthing else set()
    if stage.kind in ("open", "close") and body.name in stage.released:
        # Until it is open it is at its phase, and so it is once it is closed.
        never -= {_potential_of(site, body, "phase")}
    kept = [state for state in ((body.note, body.potential), *body.states) if state[1] not in never]
    if not kept:
        expected = "at least one state left to judge"
        found = "every state taken away by statements"
        raise InputError(Mistake(where(site.scene, f"body '{body.name}'", stage.name), expected, found, "leave one"))
    note = _state_name(body.name, kept[0][1]) if kept[0][1] != body.potential else body.note
    return replace(body, potential=kept[0][1], states=tuple(kept[1:]), note=note)


def _at_earth_alone(stage: Stage, name: str) -> bool:
    """Whether a wire is off, earthed by a stage before, stated so here, and neither earthed nor freed of it here."""
    stated = name in stage.off and stage.potentials.get(name) == EARTH
    return stated and name in earthed_in(stage) and name not in (*stage.earths, *stage.lifts_earth)


def refuse_unused(site: Site, stage: Stage, bodies: Sequence[Body]) -> None:
    """Raises InputError for every potential that the stage states of a body that is not there, or of one that
    insulates: it has none."""
    conducts: dict[str, bool] = {}
    for body in bodies:
        conducts[body.name] = conducts.get(body.name, False) or body.conductive
    mistakes = []
    for name in stage.potentials:
        if not conducts.get(name, False):
            found = "one that insulates" if name in conducts else "none of this name in the stage"
            head = where(site.scene, stage, f"potentials: {name}")
            mistakes.append(Mistake(head, "a body that is there and conducts", found, "leave it out"))
    if mistakes:
        raise InputError(mistakes)


def _state_name(name: str, potential: str | None) -> str:
    return f"{name} {'floating' if potential is None else f'at {potential}'}"


def _potential_of(site: Site, body: Body, state: str) -> str | None:
    """The potential that a statement's word for a state means for a body."""
    if state == "phase":
        own = site.wires[body.name].record.phase if body.name in site.wires else None
        able = (own, body.potential, *(potential for _, potential in body.states))
        return next((p for p in able if p in records.phases(site.scene)), "no phase")
    return {"earth": EARTH, "own": body.name, "floating": None}[state]


def notes(stage: Stage, bodies: Sequence[Body]) -> Iterator[str]:
    """What the stage states of potentials besides."""
    present = {body.name for body in bodies}
    for name, word in stage.potentials.items():
        if name in present and _at_earth_alone(stage, name):
            yield f"{name}: at earth, as a stage before has earthed it"
        elif name in present:
            yield f"{name}: judged as {'floating' if word == records.FLOATING else f'at {word}'} too in this stage"
