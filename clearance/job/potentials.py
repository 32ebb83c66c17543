"""Owns at which potentials a stage judges a body: wires that are off, and whatever the stage itself states.

A state is struck out only by a recorded proof: `struck_out` of a wire's release, or `states` of a stage. A potential
that a stage states without proof is judged beside the others, not instead of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from clearance import shapes
from clearance.bodies import Body
from clearance.errors import InputError, Mistake
from clearance.scene import records
from clearance.scene.assemble import EARTH, Site
from clearance.scene.records import Stage, StateOverride, where

States = tuple[tuple[str, str | None], ...]


def released(site: Site, stage: Stage, name: str, shape: shapes.Shape) -> Body:
    """A wire taken off: in turn at its former phase, at earth and at a potential of its own, but for states struck out.

    Raises: InputError where all are struck out.
    """
    record = site.wires[name].record
    assert record.release is not None
    struck = {entry.state for entry in record.release.struck_out}
    kept = [state for state in ("phase", "earth", "own") if state not in struck]
    if record.phase is None:
        kept = [state for state in kept if state != "phase"]
    if name in (*stage.earths, *stage.lifts_earth):
        # While it is being earthed it may be at either, whatever else was struck out.
        kept = list(dict.fromkeys((*kept, "earth")))
    proof = _proof(stage, name)
    if proof is not None:
        kept = [state for state in proof.states if state != "phase" or record.phase is not None]
    if not kept:
        raise InputError(
            Mistake(
                where(site.scene, record, "release.struck_out"),
                "at least one state left to judge",
                "every state struck out",
            )
        )
    named = {"phase": record.phase, "earth": EARTH, "own": name, "floating": None}
    words = {"phase": f"at {record.phase}", "earth": "at earth", "own": "at its own", "floating": "floating"}
    return Body(
        name,
        "wire",
        shape,
        potential=named[kept[0]],
        job=True,
        link="tail" if shape.rate is not None else None,
        states=tuple((f"{name} {words[state]}", named[state]) for state in kept[1:]),
        note=f"{name} {words[kept[0]]}",
    )


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
        phase = body.potential
        if body.kind == "fitting" and not body.job and body.conductive and phase is not None:
            for tail, end in tails.values():
                may_be = {tail.potential, *(state for _, state in tail.states)}
                same = site.wires[tail.name].record.phase == phase
                if same and may_be != {phase} and _at(body.shape, end, site.wires[tail.name].record.diameter_m):
                    body = replace(body, potential=tail.potential, states=tail.states, job=True)
                    break
        found.append(body)
    return found


def far_end(site: Site, name: str) -> tuple[float, float, float]:
    """Where a wire that is taken off stays fixed [m]."""
    hung = site.wires[name]
    release = hung.record.release
    assert release is not None
    x, y, z = hung.catenary.end if release.free_end == "from" else hung.catenary.start
    return float(x), float(y), float(z)


def _at(shape: shapes.Shape, point: tuple[float, float, float], radius: float) -> bool:
    """Whether a shape reaches a point, but for the radius of what ends there and a centimetre."""
    ball = shapes.points([point], radius + 0.01)
    from clearance.job.site_gaps import between

    return len(shape) > 0 and between(ball, shape)[0] <= 0.0


def overridden(site: Site, stage: Stage, body: Body) -> Body:
    """A body at the potentials that the stage states for it.

    By `states` it is judged at those alone, by the proof that stands with them. By `potentials` nothing is struck out:
    what the job brings, and what is judged at several states, is still judged at its own potential and states too.

    Raises: InputError for a state that the body has not.
    """
    if not body.conductive:
        return body
    proof = _proof(stage, body.name)
    if proof is not None and body.name not in (*stage.released, *stage.off):
        body = _proved(site, stage, body, proof)
    if body.name not in stage.potentials:
        return body
    word = stage.potentials[body.name]
    stated = None if word == records.FLOATING else word
    states: States = ()
    # A wire that is off is earthed only by a stage before, with a remote tool: `clearance.job.sequence` sees to it.
    earthed = body.name in stage.off and stated == EARTH
    if (body.job or body.states) and not earthed:
        own = (f"{body.name} {'floating' if body.potential is None else f'at {body.potential}'}", body.potential)
        states = tuple(state for state in (own, *body.states) if state[1] != stated)
    return replace(body, potential=stated, states=states)


def proofs(site: Site, stage: Stage, bodies: Sequence[Body]) -> Iterator[str]:
    """What is not judged in the stage, by whose proof; and what is stated without one."""
    for name in (*stage.released, *stage.off):
        release = site.wires[name].record.release
        if release is not None and _proof(stage, name) is None:
            for entry in release.struck_out:
                yield f"{name}: not judged at {_word(entry.state)}: {entry.proof} ({entry.by})"
    for override in stage.states:
        states = " and ".join(_word(state) for state in override.states)
        yield f"{override.body}: judged only at {states}: {override.proof} ({override.by})"
    present = {body.name for body in bodies}
    for name, word in stage.potentials.items():
        if name in present:
            yield f"{name}: stated as {'floating' if word == records.FLOATING else f'at {word}'} in this stage"


def _word(state: str) -> str:
    return {"phase": "its former phase", "earth": "earth", "own": "a potential of its own", "floating": "none"}[state]


def _proof(stage: Stage, name: str) -> StateOverride | None:
    return next((override for override in stage.states if override.body == name), None)


def _proved(site: Site, stage: Stage, body: Body, proof: StateOverride) -> Body:
    """A body of the line, or of the job, at the states its proof leaves."""
    able = {"earth": EARTH, "floating": None}
    phase = next((p for p in (body.potential, *(p for _, p in body.states)) if p in records.phases(site.scene)), None)
    own = next((p for p in (body.potential, *(p for _, p in body.states)) if p == body.name), None)
    able |= {"phase": phase} if phase is not None else {}
    able |= {"own": own} if own is not None else {}
    wrong = [state for state in proof.states if state not in able]
    if wrong:
        raise InputError(
            Mistake(
                where(site.scene, stage, f"states: {body.name}"),
                f"states that it can have: {', '.join(able)}",
                ", ".join(wrong),
            )
        )
    kept = [able[state] for state in proof.states]
    names = dict((potential, name) for name, potential in body.states)
    states = tuple(
        (names.get(potential, f"{body.name} {'floating' if potential is None else f'at {potential}'}"), potential)
        for potential in kept[1:]
    )
    return replace(body, potential=kept[0], states=states)
