"""Owns the statements' other side: what the verdict and the margin would be without them.

Statements that take away the same thing are withdrawn together, so that none covers for another
(`clearance.scene.statements.groups`), and so are all absences, and a reach or a tail that is held back with the absence
of what it might meet; then all are. What covers for one another besides shows in that (`Result.cover`). A scene
without a statement is staged and judged like any scene, by the same functions. What a statement does not touch is not
judged again: a stage it says nothing of keeps its result, and where only potentials change, the gaps already swept are
taken from what is known of the same bodies in the same places.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np

from clearance.bodies import Body
from clearance.errors import InputError
from clearance.job import loosened, staging
from clearance.job.setting import Setting
from clearance.job.site_supports import NEAR_JOB_M, plan_m, where_the_job_is
from clearance.motion import Motion
from clearance.result import Stated
from clearance.scene import statements
from clearance.scene.assemble import Site, assemble
from clearance.scene.records import Scene, Stage
from clearance.scene.records_statements import (
    Absent,
    AirOnly,
    Confirmed,
    DesignedGap,
    EarthedCircuit,
    FastConnection,
    HeldTail,
    Insulating,
    IsolatedEnd,
    LeftOut,
    MayOpen,
    NeverAt,
    NoneThere,
    RestrainedReach,
    Statement,
)

SMALL = 20_000
"""Primitives up to which two shapes are compared number by number; a larger one is the same only if it is the very same
object, which those of the site are."""

PARTS = ("vertices", "corners", "radius", "uncertainty", "rate")
"""The numbers of a shape."""


SAID = tuple(field.name for field in fields(Body) if field.name != "shape")
"""What is said of a body beside its shape."""


@dataclass(frozen=True, eq=False)
class Withdrawal:
    """A site without some statements, and its stages: None for one that the statements do not touch.

    refused: why the scene cannot be staged without them, as where a state that cannot be is struck out by them
    """

    entries: tuple[Statement, ...]
    site: Site
    stages: tuple[tuple[Setting, ...] | None, ...]
    refused: str = ""


def withdrawals(site: Site) -> tuple[Withdrawal, ...]:
    """The site without each group of its statements; without all of them last, where there are several groups."""
    found = statements.groups(site.scene.statements, site.scene, _covering(site))
    every = (*found, tuple(site.scene.statements)) if len(found) > 1 else found
    return tuple(_withdrawn(site, entries) for entries in every)


def _covering(site: Site) -> Iterator[tuple[Statement, Statement]]:
    """Pairs that cover for each other though they speak of different things.

    All absences: a chain from a phase to earth may pass what either takes away; so it may pass a body that is never in
    some state, and be asked for the shorter distance of air alone. A restrained reach with any of these of what may be
    near the job, and what holds a tail with every one: hands and tails that are held back do not meet what is there
    without the absence, and what is away is not met by those that are free. With a solid that insulates and a circuit
    that is earthed it is the same. What a tail is never at hides nothing of that kind: at a potential of its own it
    keeps no less distance from anything than in those states.
    """
    scene, said = site.scene, site.scene.statements
    solids, tails = (
        {solid.name for solid in scene.solids},
        {wire.name for wire in scene.wires if wire.release is not None},
    )
    away: dict[Statement, Iterable[str]] = {}
    for entry in said:
        if isinstance(entry, Absent):
            away[entry] = entry.bodies
        elif isinstance(entry, NeverAt) and entry.body not in tails:
            away[entry] = (entry.body,)
        elif isinstance(entry, AirOnly):
            away[entry] = statements.at_phases(scene, entry.between)
    yield from pairwise(away)
    away |= {entry: (entry.body,) for entry in said if isinstance(entry, Insulating) and entry.body in solids}
    earthed = [entry for entry in said if isinstance(entry, EarthedCircuit)]
    # Between two circuits both at earth there is no gap to keep.
    yield from pairwise(earthed)
    away |= {entry: tuple(site.live) for entry in earthed}
    yield from ((entry, gone) for entry in said if isinstance(entry, HeldTail | FastConnection) for gone in away)
    restrained = [entry for entry in said if isinstance(entry, RestrainedReach)]
    job = where_the_job_is(site) if restrained else None
    of_line = {body.name: body for body in site.bodies if len(body.shape)}
    for gone in away if restrained else ():
        bodies = [of_line.get(name) for name in away[gone]]
        # What is no body of the line is the job's own, and near it.
        if any(body is None or job is None or plan_m(body, job) <= NEAR_JOB_M for body in bodies):
            yield from ((entry, gone) for entry in restrained)


def _withdrawn(site: Site, entries: tuple[Statement, ...]) -> Withdrawal:
    kept = tuple(entry for entry in site.scene.statements if entry not in entries)
    # Whether a solid insulates and a circuit is live is settled when the site is assembled; all else, stage by stage.
    again = any(isinstance(entry, EarthedCircuit | Insulating) for entry in entries)
    try:
        scene = site.scene.changed(statements=kept).with_steps(site.scene.stages)
        bare = assemble(scene) if again else replace(site, scene=scene, same=site.same or site)
        staged = tuple(
            staging.settings_of(bare, stage) if any(touches(entry, stage, scene) for entry in entries) else None
            for stage in scene.stages
        )
    except InputError as error:
        return Withdrawal(entries, site, (), str(error).replace("\n", "; "))
    return Withdrawal(entries, bare, staged)


def touches(entry: Statement, stage: Stage, scene: Scene) -> bool:
    """Whether a statement may change what is judged in a stage; what only stands beside the stages touches none."""
    if isinstance(entry, NoneThere | DesignedGap | Confirmed | LeftOut):
        return False
    if isinstance(entry, HeldTail | IsolatedEnd | MayOpen):
        return entry.wire in (*stage.released, *stage.off)
    if isinstance(entry, FastConnection):
        return entry.wire in loosened.loose(scene, stage)
    within: tuple[str, ...] | None = getattr(entry, "stages", None)
    return within is None or stage.name in within


def as_before(one: Withdrawal, number: int, before: Sequence[Setting]) -> bool:
    """Whether a stage is what it was with the statements: those that touch it say what its bodies are never at, which
    shows in the bodies and nowhere else, and every body is as it was."""
    settings, stage = one.stages[number], one.site.scene.stages[number]
    if settings is None:
        return True
    if not all(isinstance(entry, NeverAt) for entry in one.entries if touches(entry, stage, one.site.scene)):
        return False
    return len(settings) == len(before) and all(map(_same_setting, before, settings))


def _same_setting(one: Setting, other: Setting) -> bool:
    named = ("stage", "check", "rated", "touching", "held", "parting")
    if any(getattr(one, name) != getattr(other, name) for name in named) or changed_bodies(one, other) != {}:
        return False
    said = [[(b.name, *(getattr(b, name) for name in SAID)) for b in setting.bodies] for setting in (one, other)]
    return said[0] == said[1]


def stated(entries: Iterable[Statement]) -> tuple[Stated, ...]:
    """Statements as the result tells them."""
    return tuple(Stated(statements.takes_away(entry), entry.basis, entry.by, entry.on) for entry in entries)


def changed_bodies(one: Setting, other: Setting) -> Mapping[str, Hashable] | None:
    """The bodies that are not the same in the same place over the same ranges in both settings, potentials left aside:
    name -> content in the other, None for one that is not there; None where the motion or the ranges differ, so that
    nothing is the same."""
    if dict(one.box) != dict(other.box) or not _same_motion(one.motion, other.motion):
        return None
    mine, others = {body.name: body for body in one.bodies}, {body.name: body for body in other.bodies}
    changed: dict[str, Hashable] = {name: None for name in mine if name not in others}
    for name, body in others.items():
        if name not in mine or one.rated.get(name) != other.rated.get(name) or not _same_body(mine[name], body):
            changed[name] = _content(body, other.rated.get(name))
    return changed


def _content(body: Body, rated: str | None) -> Hashable:
    """What a body is to the engine, but for its potential: the numbers of its shape, or those of a large one by the
    very object, which what they are kept in holds."""
    parts = [getattr(body.shape, part) for part in PARTS]
    shape = body.shape if len(body.shape) > SMALL else tuple(None if a is None else a.tobytes() for a in parts)
    return body.name, body.link, rated, shape


def _same_body(one: Body, other: Body) -> bool:
    if (one.name, one.link) != (other.name, other.link):
        return False
    if one.shape is other.shape:
        return True
    if len(one.shape) != len(other.shape) or len(one.shape) > SMALL:
        return False
    pairs = [(getattr(one.shape, part), getattr(other.shape, part)) for part in PARTS]
    return all((a is None) == (b is None) and (a is None or np.array_equal(a, b)) for a, b in pairs)


def _same_motion(one: Motion, other: Motion) -> bool:
    if one.parameters != other.parameters or len(one.links) != len(other.links):
        return False
    for a, b in zip(one.links, other.links, strict=True):
        if (a.name, a.parent, len(a.joints)) != (b.name, b.parent, len(b.joints)):
            return False
        for p, q in zip(a.joints, b.joints, strict=True):
            for field in p.__dataclass_fields__:
                if not np.array_equal(getattr(p, field), getattr(q, field)):
                    return False
    return True
