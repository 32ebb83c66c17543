"""Owns what must be judged before anything is clear: the duties of a stage, told from the records alone, and the one
check that holds what was judged against them.

A duty is who, against what, from which check. `duties(scene, stage)` looks at no body and at no setting, so what is
lost while a stage is assembled is still asked for; `held` collects what was swept in fact; `unjudged` is the
difference, an open point for everybody. `untold` is the same for the scene as a whole.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from clearance.gaps import EARTH
from clearance.job import aerial
from clearance.job.carried import earthed_in, ladder_lies, left_in
from clearance.job.measuring import Bench, Piece
from clearance.job.questions import Asked
from clearance.job.setting import Check, Setting, inside
from clearance.result import Gap, Kind, OpenPoint, StageResult
from clearance.scene import records, statements
from clearance.scene.naming import lead_name
from clearance.scene.records import Range, Reference, Scene, Stage

THERE = "there"
MODELLED = "modelled"
"""As `THERE`, of what is no body: a body that bears such a name does not stand for it."""
COLLISIONS = "collisions"
LENGTH = "insulating length"
SOMEBODY = "somebody aloft"
EVERYTHING = "what moves"
"""Who owes it that a range which the stage states is swept, whatever it is that moves."""

CLIMBS = (*records.AT_FOOT, "climb", "bond on", "bond off", "descend")
"""Kinds of stage that are nothing without somebody aloft. Work is one where there is a way up, or nobody says
`workers = []`; but where people on the ground go elsewhere in it, it is theirs."""

SWEPT = (
    "travel_m", "heading_deg", "lean_along_deg", "lean_across_deg", "climb_m", *aerial.PARAMETERS, "lower_m", "haul_m"
)  # fmt: skip
"""Every range that a stage may state."""

SAME = 1e-9
"""[m or rad] Ends of ranges nearer than this are the same: the one is reckoned from the other."""


@dataclass(frozen=True)
class Duty:
    """One thing that a stage must judge.

    who: a body, a phase, or `EVERYTHING`
    against: what it is judged against, any of these: a potential, `approach(potential)`, `COLLISIONS`, `LENGTH`,
        `THERE`, or a motion parameter, over all of its range
    check: from the stated posture or from the reach envelope
    cure: what would settle it
    """

    who: str
    against: tuple[str, ...]
    cure: str
    check: Check = "posture"


Away = frozenset[str]
"""Bodies that are stated as not being there."""

Held = frozenset[tuple[Check, str, str]]
"""What was judged: (check, who, against what)."""


LIVE = "state which circuit is live: with none, no gap is judged at all"


def approach(potential: str) -> str:
    """What a worker who is not bonded owes besides the combined gaps."""
    return f"approach to {potential}"


def duties(scene: Scene, stage: Stage, moving: bool = True) -> tuple[Duty, ...]:
    """All that a stage must judge, from its records and those of its scene alone; at a single pose nothing moves."""
    return tuple(_duties(scene, stage, moving))


def _duties(scene: Scene, stage: Stage, moving: bool) -> Iterator[Duty]:
    away, earthed = statements.absent(scene, stage), statements.earthed_circuits(scene)
    live = [phase for phase, circuit in records.phases(scene).items() if circuit.name not in earthed]
    if not live:
        yield Duty("a live circuit", (MODELLED,), LIVE)
    for phase in live:
        cure = "add the wires or bodies of that phase, or a statement that its circuit is earthed"
        yield Duty(f"phase {phase}", (MODELLED,), cure)
    for name in _site(scene, stage, away):
        cure = "mend its entry: it has no surface" if name != "ground" else "state a ground that reaches below the work"
        yield Duty(name, (THERE,), cure)
    held = [*live, EARTH]
    ladder = scene.ladder if scene.ladder is not None and scene.ladder.name not in away else None
    device = scene.aerial_device
    device = device if device is not None and device.name not in away else None
    yield from _people(scene, stage, live, away, ladder is not None or device is not None)
    if ladder_lies(stage):
        ladder = None  # nor is there what is on it or tied to it; whoever would be on it is asked for above
    for name, cure in _conductors(scene, stage, ladder, away):
        yield Duty(name, (THERE,), cure)
        yield from (Duty(name, (potential,), cure) for potential in held)
    if ladder is not None:
        cure = f'state travel_m, or a statement that it is not there: kind = "absent", bodies = ["{ladder.name}"]'
        yield Duty(ladder.name, (THERE,), cure)
        yield Duty(ladder.name, (COLLISIONS,), cure)
    yield from _lengths(scene, stage, live, ladder, device, away)
    if moving:
        yield from _motions(scene, stage, ladder, device)


def _site(scene: Scene, stage: Stage, away: Away) -> Iterator[str]:
    """What stood there before, and has not been taken away."""
    gone = {*away, *stage.off, *stage.released, *records.gone_along(scene, stage)}
    tables = (scene.structures, scene.wires, scene.insulators, scene.solids, scene.clouds)
    yield from (name for name in ("ground", *(e.name for table in tables for e in table)) if name not in gone)


def _people(scene: Scene, stage: Stage, live: Sequence[str], away: Away, way_up: bool) -> Iterator[Duty]:
    """Everybody aloft, in the stated posture and with all that hands may reach; and that there is somebody."""
    aloft = records.aloft(scene, stage)
    work = stage.kind == "work" and (stage.workers is None or (way_up and not stage.stands))
    if not aloft and (stage.kind in CLIMBS or work or stage.climb_m is not None):
        words = "a stage" if stage.kind not in (*CLIMBS, "work") else f"a stage of kind {stage.kind!r}"
        yield Duty(SOMEBODY, (MODELLED,), f"name who is aloft in {words} in workers, and state them in [[workers]]")
    if aloft and not way_up:
        cure = "add a ladder or an aerial device, or withdraw the statement that it is not there"
        yield Duty(f"what {in_words(aloft)} stands on", (MODELLED,), cure)
    missing = [name for name, field in (("travel_m", stage.travel_m), ("climb_m", stage.climb_m)) if field is None]
    if stage.extend_m is not None:
        missing = []
    way = f"state {' and '.join(missing)}" if missing else "give the stage a ladder with its track, or a device"
    for name in aloft:
        cure = way if live else LIVE
        if name in away:
            cure = f"whoever is aloft is judged: withdraw the statement that '{name}' is not there"
        for check in ("posture", "reach"):
            yield Duty(name, (THERE,), cure, check)
            for potential in (*live, EARTH):
                yield Duty(name, (potential,), cure, check)
        yield Duty(name, (COLLISIONS,), cure)
        bonding = stage.kind in ("bond on", "bond off")
        if bonding or name not in stage.bonded:
            near = [EARTH] if bonding else [*live] if stage.kind in records.AT_FOOT else [*live, EARTH]
            yield from (Duty(name, (approach(potential),), cure) for potential in near)
    for name in stage.bonded:
        lead = lead_name(name)
        cure = "state its length and its clamp: bonding_lead_m, clamp_m"
        yield Duty(lead, (THERE,), cure)
        yield from (Duty(lead, (potential,), cure) for potential in (*live, EARTH))


def _conductors(scene: Scene, stage: Stage, ladder: records.Ladder | None, away: Away) -> Iterator[tuple[str, str]]:
    """Conductors that the job brings or moves, and what to state where one is missing."""
    for name in (*(person.name for person in scene.crew), *(vehicle.name for vehicle in scene.vehicles)):
        if name not in away:
            yield name, "mend its entry: it has no surface"
    for rope in scene.ropes:
        tied = isinstance(rope.from_m, Reference) and scene.ladder is not None and rope.from_m.name == scene.ladder.name
        if rope.name not in away and not statements.insulating(scene, rope.name) and not (tied and ladder is None):
            yield rope.name, "state travel_m: it is tied to the ladder" if tied else "mend its entry: it has no surface"
    for name, _, _ in records.metal_parts(ladder) if ladder is not None else ():
        if name not in away:
            yield name, "state travel_m: it is part of the ladder"
    for fitting in ladder.fittings if ladder is not None else ():
        if fitting.name not in away:
            yield fitting.name, "state travel_m: it is on the ladder"
    hauled = (stage.hauled,) if stage.hauled is not None else ()
    for name in (name for name in (*hauled, *(tool for tool, _ in left_in(stage))) if name not in away):
        yield name, "state its line in a rope, and where the ladder is that the line is tied to"
    for name in (*stage.released, *stage.off):
        yield name, "state lower_m, within the way to where its release parks it"
    for disturbed in stage.disturbed:
        if disturbed.wire not in (*stage.released, *stage.off, *away):
            yield disturbed.wire, "state how far it moves: movement_m"
    if scene.aerial_device is not None and scene.aerial_device.name not in away:
        _, chassis, boom, extension, _, platform = records.device_names(scene.aerial_device.name)
        for name in (chassis, boom, extension, platform):
            yield name, "state turret_deg, boom_deg and extend_m"


def _lengths(
    scene: Scene,
    stage: Stage,
    live: Sequence[str],
    ladder: records.Ladder | None,
    device: records.AerialDevice | None,
    away: Away,
) -> Iterator[Duty]:
    """Insulating lengths: of what carries somebody, of insulating ropes, of the tool that earths."""
    aloft, cure = records.aloft(scene, stage), "state where its ends are"
    if ladder is not None and device is None and aloft:
        yield Duty(ladder.name, (LENGTH,), "state travel_m and climb_m")
    if device is not None and stage.kind not in records.AT_FOOT:
        yield Duty(device.name, (LENGTH,), "state turret_deg, boom_deg and extend_m")
    for wire in scene.wires:
        off = wire.name in (*stage.released, *stage.off)
        if wire.name not in earthed_in(stage) if off else wire.phase in live and wire.name not in away:
            for line in wire.release.ropes if wire.release is not None else ():
                if statements.insulating(scene, line.name) and line.name not in away:
                    yield Duty(line.name, (LENGTH,), cure)
    for rope in scene.ropes:
        tied = isinstance(rope.from_m, Reference) and scene.ladder is not None and rope.from_m.name == scene.ladder.name
        if statements.insulating(scene, rope.name) and rope.name not in away and not (tied and ladder is None):
            yield Duty(rope.name, (LENGTH,), "state travel_m: it is tied to the ladder" if tied else cure)


def _motions(
    scene: Scene, stage: Stage, ladder: records.Ladder | None, device: records.AerialDevice | None
) -> Iterator[Duty]:
    """The motion that a kind of stage is named for, and every range that a stage states, over all of it."""
    aloft = records.aloft(scene, stage)
    way = aerial.PARAMETERS if device is not None else ("travel_m",)
    if stage.kind == "travel":
        carrier = records.device_names(device.name)[-1] if device is not None else ladder.name if ladder else ""
        yield Duty(
            carrier or "a ladder",
            way if carrier else (MODELLED,),
            f"state {way[0]} as the range it travels over, not one value",
        )
    if stage.kind in ("set up", "strike"):
        cure = "state a lean as the range from the ground to where it stands"
        leans = ("lean_along_deg", "lean_across_deg") if ladder else (MODELLED,)
        yield Duty(ladder.name if ladder else "a ladder", leans, cure)
    if stage.kind in ("climb", "descend"):
        way = aerial.PARAMETERS if device is not None else ("climb_m",)
        for name in aloft:
            yield Duty(name, way, f"state {way[0]} as the range of the way, not one value")
    if stage.kind in ("lower", "raise"):
        cure = "name the wire in released, and state lower_m as the range of its way"
        yield from (Duty(name, ("lower_m",), cure) for name in stage.released)
        if not stage.released:
            yield Duty(f"the wire of a stage of kind {stage.kind!r}", (MODELLED,), cure)
    for name in SWEPT:
        span: Range | None = getattr(stage, name)
        if span is not None and span.lo < span.hi:
            yield Duty(EVERYTHING, (name,), f"nothing in this stage moves by {name}: leave it out, or state what does")
    if stage.swing_m > 0.0:
        for name in ("swing_along_m", "swing_across_m"):
            cure = "nobody in this stage hangs on a ladder: leave swing_m out, or state who does"
            yield Duty(EVERYTHING, (name,), cure)
    carried = [name for name in SWEPT[:4] if (span := getattr(stage, name)) is not None and span.lo < span.hi]
    if ladder is not None and device is None:
        for who in (ladder.name, *aloft):
            yield from (Duty(who, (name,), "state travel_m: the ladder is not there without it") for name in carried)
        if stage.climb_m is not None and stage.climb_m.lo < stage.climb_m.hi:
            yield from (Duty(who, ("climb_m",), "state travel_m") for who in aloft)


def held(
    bench: Bench, stage: Stage, pieces: Sequence[Piece], asked: Mapping[Check, Sequence[Asked]], found: StageResult
) -> Held:
    """What was judged in fact: in every piece alike, along chains whose bodies are there, with gaps that came out
    finite.

    asked: of every check the questions of each of its pieces; found: what was found for the stage
    """
    kept: set[tuple[Check, str, str]] = set()
    checks: tuple[Check, ...] = ("posture", "reach")
    for check in checks:
        some = [piece for piece in pieces if piece.compiled.setting.check == check]
        if not some:
            continue
        # Under a floor a gap that does not matter is proved to keep it, and is not measured.
        finite = None if bench.floor is not None else {(*g.between, g.kind) for g in found.gaps if _finite(g, check)}
        judged = (_chains(piece, questions, finite) for piece, questions in zip(some, asked[check], strict=True))
        kept |= {(check, *pair) for pair in set.intersection(*judged)}
        kept |= {(check, *pair) for pair in _moved(stage, [piece.compiled.setting for piece in some])}
    for collision in found.collisions:
        if math.isfinite(collision.measure.gap_upper_m):
            kept.add(("posture", collision.body, COLLISIONS))
    for near in found.approaches:
        if math.isfinite(near.measure.gap_upper_m):
            kept.add(("posture", near.body, approach(near.to)))
    kept |= {("posture", length.body, LENGTH) for length in found.insulation if math.isfinite(length.left_m)}
    return frozenset(kept)


def _chains(piece: Piece, questions: Asked, finite: set[tuple[str, str, Kind]] | None) -> set[tuple[str, str]]:
    """What is there in a piece, and which bodies are on a chain that ends at which potential."""
    setting = piece.compiled.setting
    there = {body.name for body in setting.bodies if len(body.shape)}
    judged = {(name, THERE) for name in there}
    judged |= {(f"phase {potential}", MODELLED) for potential in _potentials(setting)}
    for key, some in questions.items():
        if finite is None or key in finite:
            # A gap is finite where something of every group is there.
            groups = {
                group
                for path in {path for question in some for path in question.paths}
                if not any(there.isdisjoint(group.names) for group in path.groups)
                for group in path.groups
            }
            names = frozenset[str]().union(*(group.names for group in groups))
            judged |= {(name, potential) for name in names for potential in key[:2]}
    return judged


def _potentials(setting: Setting) -> set[str | None]:
    return {
        potential
        for body in setting.bodies
        if body.conductive and len(body.shape)
        for potential in (body.potential, *(state for _, state in body.states))
    }


def _finite(gap: Gap, check: Check) -> bool:
    measure = gap.posture if check == "posture" else gap.reach
    return measure is not None and math.isfinite(measure.gap_upper_m)


def _moved(stage: Stage, pieces: Sequence[Setting]) -> Iterator[tuple[str, str]]:
    """Which bodies were moved by which parameters, over all that the stage states of these."""
    spans: dict[str, tuple[float, float]] = {}
    movers: dict[str, set[str]] = {}
    for setting in pieces:
        for name, (low, high) in setting.box.items():
            if high > low:
                known = spans.get(name, (low, high))
                spans[name] = (min(low, known[0]), max(high, known[1]))
        for body in setting.bodies:
            if body.link is not None and len(body.shape):
                own = {setting.rated[body.name]} if body.name in setting.rated else set()
                if "lower_m" in setting.box and body.name in stage.released:
                    own.add("lower_m")
                joints = setting.motion.joints_of(body.link)
                movers.setdefault(body.name, set()).update(own, (joint.parameter for joint in joints))
            elif body.name in stage.released and "lower_m" in setting.box:
                movers.setdefault(body.name, set()).add("lower_m")
    for name, (low, high) in spans.items():
        stated: Range | None = getattr(stage, name, None)
        if stated is not None:
            # A wire goes no further than to where it is parked, however far the stage says.
            top = high if name == "lower_m" else inside(name, stated.hi)
            if low > inside(name, stated.lo) + SAME or high < top - SAME:
                continue
        moved = [who for who, names in movers.items() if name in names]
        yield from ((who, name) for who in (*moved, *([EVERYTHING] if moved else ())))


def unjudged(owed: Sequence[Duty], kept: Held) -> Iterator[OpenPoint]:
    """What had to be judged and was not: one open point for each body or phase, with what would settle it."""
    missing: dict[str, list[Duty]] = {}
    for duty in owed:
        if not any((duty.check, duty.who, against) in kept for against in duty.against):
            missing.setdefault(duty.who, []).append(duty)
    nowhere = {
        who.removeprefix("phase ")
        for who, duties in missing.items()
        if any(MODELLED in duty.against for duty in duties)
    }
    lost = any({THERE, MODELLED} & {*duty.against} for duties in missing.values() for duty in duties)
    for who, of_them in missing.items():
        if who == EVERYTHING and lost:
            continue  # nothing moves by the range because what does is not there, which is told
        left = [duty for duty in of_them if not set(duty.against) <= nowhere | {approach(p) for p in nowhere}]
        if left:
            yield OpenPoint("", _words(who, left), "; ".join(dict.fromkeys(duty.cure for duty in left[:1])))


def _words(who: str, missing: Sequence[Duty]) -> str:
    against = list(dict.fromkeys(" or ".join(duty.against) for duty in missing))
    if {THERE, MODELLED} & {*against}:
        if who == SOMEBODY:
            return "nobody is aloft: nobody is judged"
        if who.startswith("phase "):
            return f"nothing stands at {who}: no gap to it could be judged"
        return f"{who} is not there: nothing of it is judged"
    reach = all(duty.check == "reach" for duty in missing)
    moves = [word for word in against if word.endswith(("_m", "_deg"))]
    others = [word for word in against if word not in moves]
    parts = [
        f"not judged against {in_words(others)}" if others else "",
        f"not moved over {in_words(moves)}" if moves else "",
    ]
    return f"{who} is {' and '.join(filter(None, parts))}{' from the reach envelope' if reach else ''}"


def in_words(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))
