"""Owns the templates of a job: what each entry of `jobs` in a scene expands into.

To get a scene whose jobs are stages, use `expanded`; to write such stages for a person to edit,
`clearance.job.written`. Stages come in the order of the jobs. Stages written out in the file keep their place by a job
of kind "written stages"; a file that has both names each of its stages in one.

What is carried along: where the ladder stands (a stage that moves it is put in where the next job stands elsewhere),
which wires are off, which of those are earthed, and which wires that stay hang elsewhere since one came off.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, cast

from clearance.errors import InputError, Mistake
from clearance.job import branching, carried
from clearance.job.templates_names import wrong_names
from clearance.scene import records, statements
from clearance.scene.messages import shown
from clearance.scene.records import Disturbed, Jumper, Range, Scene, SceneFile, SpanWire, Stage, where
from clearance.scene.records_job import Stand
from clearance.scene.records_templates import (
    Bring,
    EarthTail,
    Job,
    MoveLadder,
    Reconnect,
    Rescue,
    TakeOff,
    Turn,
    TurnUpLadder,
    WrittenStages,
)

SENT_M = 0.3
"""[m] Whoever is sent to earth a tail stands within this of the place that is stated (common practice, no source)."""


@dataclass
class _Desk:
    """The scene, and what is carried from job to job."""

    scene: SceneFile
    wires: dict[str, SpanWire | Jumper]
    stages: list[Stage] = field(default_factory=list)
    station: Range | None = None
    lean: dict[str, Range] = field(default_factory=dict)
    off: list[str] = field(default_factory=list)
    earthed: list[str] = field(default_factory=list)
    disturbed: list[Disturbed] = field(default_factory=list)
    there: dict[str, bool] = field(default_factory=dict)
    rescue: str | None = None
    anew: bool = False
    back: tuple[Stand, ...] = ()
    holders: list[tuple[tuple[str, ...], str, str]] = field(default_factory=list)
    """Of each remote tool the place of its job, the stage, and who holds it."""
    mistakes: list[Mistake] = field(default_factory=list)

    def wrong(self, place: tuple[str, ...], expected: str, found: str, remedy: str = "") -> None:
        self.mistakes.append(Mistake((*where(self.scene), *place), expected, found, remedy))

    def add(self, name: str, kind: records.StageKind, **fields: Any) -> str:
        """One more stage, with what is carried; a name that is taken gets a number. Gives its name."""
        taken, unique, number = {stage.name for stage in self.stages}, name, 1
        while unique in taken:
            number += 1
            unique = f"{name} ({number})"
        carried: dict[str, Any] = {"off": tuple(self.off), "anew": self.anew, "rescue": self.rescue}
        carried["disturbed"] = tuple(self.disturbed)
        if self.earthed:
            carried["potentials"] = {wire: records.EARTH for wire in self.earthed}
        # Only what is stated is set, so that a stage printed holds no entry that says nothing.
        if self.back and self.rescue is None and "stands" not in fields:
            carried["stands"], self.back = self.back, ()
        given = {**carried, **fields}
        stated = {key: value for key, value in given.items() if key == "workers" or value not in ((), None, {}, False)}
        self.stages.append(Stage(name=unique, kind=kind, **stated))
        self.anew = False
        return unique

    def earthing(self, place: tuple[str, ...], wires: tuple[str, ...], by: str, removing: bool, **fields: Any) -> None:
        """The stage in which somebody earths wires with a remote tool, or removes that earth."""
        names, said = ", ".join(wires), "removed from" if removing else "put on"
        what = f"remove the earth of {names}" if removing else f"earth {names}"
        note = f"the earth is {said} {names} by '{by}' with a remote tool"
        told = {"lifts_earth" if removing else "earths": wires, "note": note}
        self.holders.append((place, self.add(what, "earthing", **told, **fields), by))

    def sent(self, job: TakeOff | Reconnect | Rescue, at_m: tuple[float, float] | None) -> dict[str, Any]:
        """Where whoever holds a remote tool is sent for that; the next stage sends them back."""
        home = next((person for person in self.scene.crew if person.name == job.by), None)
        if at_m is None or home is None:
            return {}
        place = {"radius_m": home.radius_m} if home.area_m is None else {"area_m": home.area_m}
        self.back = (Stand(who=home.name, at_m=home.at_m, **place),)
        return {"stands": (Stand(who=home.name, at_m=at_m, radius_m=SENT_M),)}

    def disturb(self, turn: Turn) -> None:
        """From here on the wires that the turn disturbs hang elsewhere: they count as the job's until put right."""
        named = {entry.wire for entry in turn.disturbed}
        self.disturbed = [entry for entry in self.disturbed if entry.wire not in named] + list(turn.disturbed)


def expanded(scene: Scene) -> Scene:
    """The scene with its jobs as stages; a scene without jobs as it is.

    Raises: InputError with every mistake of the jobs, and of the stages they give.
    """
    if not scene.jobs:
        return scene
    desk = _Desk(scene, {wire.name: wire for wire in scene.wires})
    _written_are_placed(desk)
    for number, job in enumerate(scene.jobs, 1):
        place = (f"job {number} ({job.kind})",)
        wrong = wrong_names(scene, place, job)
        desk.mistakes += wrong
        if not wrong:
            for name, make in _MAKERS.items():
                if job.kind in name:
                    make(desk, place, job)
    if desk.mistakes:
        raise InputError(dict.fromkeys(desk.mistakes))
    found = scene._expansion(tuple(desk.stages))
    _holders_are_there(desk, found)
    return found


def _holders_are_there(desk: _Desk, found: Scene) -> None:
    """Who holds a remote tool is judged where they stand: they must be there when it is used.

    Raises: InputError for somebody who is brought later, was taken away, or is stated as absent.
    """
    steps = {stage.name: stage for stage in carried.taken_over(found).stages} if desk.holders else {}
    for place, stage, person in desk.holders:
        if person in statements.absent(found, steps[stage]):
            told = f"{shown(person)}, not there in stage '{stage}'"
            desk.wrong((*place, "by"), "somebody who is there", told, "bring them before it, or name who is")
    if desk.mistakes:
        raise InputError(desk.mistakes)


def _written_are_placed(desk: _Desk) -> None:
    named = [name for job in desk.scene.jobs if isinstance(job, WrittenStages) for name in job.stages]
    for stage in desk.scene.stages:
        count = named.count(stage.name)
        if count != 1:
            found = f'{count or "no"} job{"s" if count > 1 else ""} of kind "written stages" with it'
            remedy = "say where it comes among the jobs"
            desk.wrong((f"stage '{stage.name}'",), "one place among the jobs", found, remedy)


def _lean(job: Job) -> dict[str, Range]:
    assert not isinstance(job, WrittenStages)
    return {"lean_along_deg": job.lean_along_deg, "lean_across_deg": job.lean_across_deg}


def _stand(desk: _Desk, job: Job, station: Range, what: str) -> None:
    """The stage that moves the ladder to a station, where it does not stand there already."""
    now = desk.station
    # It is moved upright, as it stood before, not as it is turned up or down.
    lean = desk.lean if isinstance(job, TurnUpLadder) else _lean(job)
    if now is not None and now != station:
        span = Range(min(now.lo, station.lo), max(now.hi, station.hi))
        desk.add(f"move to {what}", "travel", travel_m=span, **lean)
    desk.station, desk.lean = station, lean


def _written(desk: _Desk, place: tuple[str, ...], job: Job) -> None:
    assert isinstance(job, WrittenStages)
    by_name = {stage.name: stage for stage in desk.scene.stages}
    for name in job.stages:
        stage = by_name[name]
        desk.stages.append(stage)
        if stage.travel_m is not None:
            desk.station = stage.travel_m
            desk.lean = {"lean_along_deg": stage.lean_along_deg, "lean_across_deg": stage.lean_across_deg}
        desk.disturbed = [entry for entry in stage.disturbed if entry.wire not in stage.restores]
        joined = stage.released if stage.kind == "close" else ()
        desk.off = [*stage.off, *(wire for wire in stage.released if wire not in joined)]
        kept = [wire for wire in (*desk.earthed, *stage.earths) if wire not in stage.lifts_earth]
        desk.earthed = [wire for wire in dict.fromkeys(kept) if wire in desk.off]


def _turn_up(desk: _Desk, place: tuple[str, ...], job: Job) -> None:
    assert isinstance(job, TurnUpLadder)
    _stand(desk, job, job.station_m, f"station {job.station_m.lo:g} m")
    kind: records.StageKind = "set up" if job.kind == "set up ladder" else "strike"
    desk.add(job.kind, kind, travel_m=job.station_m, **_lean(job))
    if kind == "strike":
        desk.station = None


def _move(desk: _Desk, place: tuple[str, ...], job: Job) -> None:
    assert isinstance(job, MoveLadder)
    if desk.station is None:
        remedy = 'put a job of kind "set up ladder" before it, or a written stage with travel_m'
        desk.wrong(place, "a ladder that stands somewhere already", "no station before this job", remedy)
        return
    _stand(desk, job, job.station_m, f"station {job.station_m.lo:g} m")


def _bring(desk: _Desk, place: tuple[str, ...], job: Job) -> None:
    assert isinstance(job, Bring)
    bringing = job.kind == "bring"
    for name in job.bodies:
        if desk.there.setdefault(name, not bringing) == bringing:
            expected = "a body that is not there yet" if bringing else "a body that is there"
            desk.wrong((*place, "bodies"), expected, shown(name), "do each once, in its order")
        desk.there[name] = bringing
    station = job.station_m or desk.station
    fields: dict[str, Any] = {}
    if station is not None:
        _stand(desk, job, station, f"station {station.lo:g} m")
        fields = {"travel_m": station, **_lean(job)}
    desk.add(job.name, "bring" if bringing else "take away", workers=(), bodies=job.bodies, **fields)


def _phase(desk: _Desk, turn: Turn) -> str:
    return cast(str, desk.wires[turn.wire].phase)


def _take_off(desk: _Desk, place: tuple[str, ...], job: Job) -> None:
    assert isinstance(job, TakeOff)
    for number, turn in enumerate(job.turns, 1):
        if turn.wire in desk.off:
            desk.wrong((*place, f"turn {number}", "wire"), "a wire that is still in place", f"{shown(turn.wire)}, off")
            continue
        wire = turn.wire
        climber = _up(desk, job, turn)
        desk.add(f"loosen {wire}", "work", climb_m=_at_work(job), **climber.bonded)
        _slip(desk, job, climber, _phase(desk, turn))
        fields = _during(desk, job, turn, climber)
        desk.disturb(turn)
        opening = {"lower_m": Range(0.0, turn.opened_m), "opening_distance_m": job.opening_distance_m}
        desk.add(f"open {wire}", "open", released=(wire,), **opening, **fields.opening)
        lowering = Range(turn.opened_m, turn.lowered_m)
        desk.add(f"lower {wire}", "lower", released=(wire,), lower_m=lowering, **fields.moving)
        desk.off.append(wire)
        if job.stick_m is not None:
            told = {"stick_m": job.stick_m, **desk.sent(job, turn.by_at_m), **fields.moving}
            desk.earthing(place, (wire,), job.by or "", False, **told)
            desk.earthed.append(wire)
        if job.opened == "by hand":
            _down(desk, job, turn, climber)


def _reconnect(desk: _Desk, place: tuple[str, ...], job: Job) -> None:
    assert isinstance(job, Reconnect)
    for number, turn in enumerate(job.turns, 1):
        wire = turn.wire
        if wire not in desk.off:
            desk.wrong((*place, f"turn {number}", "wire"), "a wire that is off", f"{shown(wire)}, still in place")
            continue
        by_hand = job.opened == "by hand"
        _stand(desk, job, turn.station_m, _phase(desk, turn))
        climber = _up(desk, job, turn) if by_hand else _climber_of(desk, job, turn)
        if by_hand:
            _slip(desk, job, climber, _phase(desk, turn))
        desk.disturb(turn)
        fields = _during(desk, job, turn, climber)
        if wire in desk.earthed and job.stick_m is not None:
            desk.earthed.remove(wire)
            told = {"stick_m": job.stick_m, **desk.sent(job, turn.by_at_m), **fields.moving}
            desk.earthing(place, (wire,), job.by or "", True, **told)
            if desk.back:
                # Nobody is below a tail that is raised, or beside it: it is at a potential of its own from here on.
                desk.add(f"{job.by} steps back from {wire}", "work", **fields.moving)
        desk.off.remove(wire)
        raising = Range(turn.opened_m, turn.lowered_m)
        desk.add(f"raise {wire}", "raise", released=(wire,), lower_m=raising, **fields.moving)
        closing = {"lower_m": Range(0.0, turn.opened_m), "opening_distance_m": job.opening_distance_m}
        desk.add(f"close {wire}", "close", released=(wire,), **closing, **fields.opening)
        if not by_hand:
            _up(desk, job, turn)
            _slip(desk, job, climber, _phase(desk, turn))
        # It hangs on them again: they come to rest as they were before it was taken off.
        back = tuple(entry.wire for entry in turn.disturbed)
        fasten = {"climb_m": _at_work(job), "restores": back}
        desk.add(f"fasten {wire}", "work", **fasten, **climber.bonded)
        desk.disturbed = [entry for entry in desk.disturbed if entry.wire not in back]
        _down(desk, job, turn, climber)


@dataclass(frozen=True)
class _During:
    """The entries of the stages in which a wire opens or closes, and in which it is moved and earthed."""

    opening: dict[str, Any]
    moving: dict[str, Any]


def _during(desk: _Desk, job: TakeOff | Reconnect, turn: Turn, climber: _Climber) -> _During:
    """By hand the worker stays aloft, bonded; by stick or rope nobody is, and one who is comes down before."""
    if job.opened == "by hand":
        at = {"climb_m": job.open_m, "by_hand": climber.name}
        return _During({**climber.bonded, **at}, {**climber.bonded, "climb_m": _at_work(job)})
    if desk.stages and climber.name in desk.stages[-1].bonded:
        _down(desk, job, turn, climber)
    nobody = {"travel_m": turn.station_m, **_lean(job), "workers": ()}
    return _During(nobody, nobody)


def _at_work(job: TakeOff | Reconnect) -> Range:
    """The feet at work, and on the way between there and where the connection is opened or closed by hand."""
    other = job.open_m or job.work_m
    return Range(min(job.work_m.lo, other.lo), max(job.work_m.hi, other.hi))


@dataclass(frozen=True)
class _Climber:
    """Who climbs, and the entries every stage shares while bonded, and while not."""

    name: str
    free: dict[str, Any]
    bonded: dict[str, Any]


def _climber(desk: _Desk, job: TakeOff | Reconnect | Rescue, station: Range, phase: str, clamp: Any) -> _Climber:
    name = job.worker or desk.scene.workers[0].name
    free: dict[str, Any] = {"travel_m": station, **_lean(job)}
    if len(desk.scene.workers) > 1:
        free["workers"] = (name,)
    bond = {"bonded": {name: phase}, "bonding_lead_m": job.bonding_lead_m, "clamp_m": clamp}
    return _Climber(name, free, {**free, "posture": "reaching", **bond})


def _climber_of(desk: _Desk, job: TakeOff | Reconnect, turn: Turn) -> _Climber:
    return _climber(desk, job, turn.station_m, _phase(desk, turn), turn.clamp_m)


def _up(desk: _Desk, job: TakeOff | Reconnect, turn: Turn) -> _Climber:
    """To the station, up the ladder, and bonded."""
    phase = _phase(desk, turn)
    _stand(desk, job, turn.station_m, phase)
    climber = _climber_of(desk, job, turn)
    desk.add(f"step on at {phase}", "step on", climb_m=job.mount_m, **climber.free)
    desk.add(f"climb to {phase}", "climb", climb_m=Range(job.mount_m.hi, job.clear_m), **climber.free)
    reach = Range(job.clear_m, job.work_m.hi)
    desk.add(f"bond to {phase}", "bond on", climb_m=reach, **climber.bonded)
    return climber


def _down(desk: _Desk, job: TakeOff | Reconnect, turn: Turn, climber: _Climber) -> None:
    """Unbonded at the clear position, and down."""
    phase = _phase(desk, turn)
    reach = Range(job.clear_m, job.work_m.hi)
    desk.add(f"bond off at {phase}", "bond off", climb_m=reach, **climber.bonded)
    desk.add(f"come down from {phase}", "descend", climb_m=Range(job.mount_m.hi, job.clear_m), **climber.free)
    desk.add(f"step off at {phase}", "step off", climb_m=job.mount_m, **climber.free)


def _slip(desk: _Desk, job: TakeOff | Reconnect, climber: _Climber, phase: str) -> None:
    """After a slip the worker hangs up to a lanyard's length below the work, swinging; still bonded."""
    if job.lanyard_m is None:
        return
    swing = job.lanyard_m if job.swing_m is None else job.swing_m
    feet = Range(max(0.0, _at_work(job).lo - job.lanyard_m), _at_work(job).hi)
    desk.add(
        f"hang in the harness at {phase}", "work", climb_m=feet, swing_m=swing,
        note="after a slip: the worker hangs in the harness, anywhere in the range", **climber.bonded,
    )  # fmt: skip


def _earth(desk: _Desk, place: tuple[str, ...], job: Job) -> None:
    assert isinstance(job, EarthTail)
    for wire in job.wires:
        if wire not in desk.off:
            desk.wrong((*place, "wires"), "a wire that is off and lowered", f"{shown(wire)}, still in place")
    removing = job.kind == "remove earth"
    fields: dict[str, Any] = {"stick_m": job.stick_m, "workers": ()}
    station = job.station_m or desk.station
    if station is not None:
        _stand(desk, job, station, f"station {station.lo:g} m")
        fields |= {"travel_m": station, **_lean(job)}
    # While it is done the tail may be at its former phase still, or again: the stage is not told that it is earthed.
    desk.earthed = [wire for wire in desk.earthed if wire not in job.wires]
    desk.earthing(place, job.wires, job.by, removing, **fields)
    if not removing:
        desk.earthed += job.wires


def _rescue(desk: _Desk, place: tuple[str, ...], job: Job) -> None:
    assert isinstance(job, Rescue)
    carried = desk.station, list(desk.off), list(desk.earthed), list(desk.disturbed)
    desk.off, desk.earthed = list(job.off), [wire for wire in desk.earthed if wire in job.off]
    name = job.worker or desk.scene.workers[0].name
    happens = branching.happens_in(desk.stages, name, job)
    if happens is None and desk.stages:
        expected, found = branching.sought(desk.stages, name, job)
        desk.wrong(place, expected, found, "mend off, station_m or hang_m, or put it after the job it belongs to")
    desk.anew = happens is None
    if happens is not None:
        desk.rescue, desk.disturbed = happens.name, list(happens.disturbed)
    climber = _climber(desk, job, job.station_m, job.phase, job.clamp_m)
    hang = {"climb_m": job.hang_m, "swing_m": job.swing_m}
    bonded = {**climber.bonded, "posture": "standing"}
    rope = {"rope_m": job.rope_m}
    desk.add(f"casualty hangs at {job.phase}", "work", **rope, **hang, **bonded)
    # Who is still to be sent back is so after it: the job does not go on from where the rescue leaves anybody.
    back, there = desk.back, desk.sent(job, job.by_at_m)
    desk.back = back
    note = f"the clamp of the bonding lead is taken off by '{job.by}' with a remote tool"
    told = {"stick_m": job.stick_m, "note": note, **rope, **there}
    desk.holders.append(
        (place, desk.add(f"unbond the casualty from {job.phase}", "bond off", **told, **hang, **bonded), job.by)
    )
    free = {**climber.free, "posture": "standing", "swing_m": job.swing_m, **rope}
    down = Range(job.ground_m, job.hang_m.lo)
    desk.add(f"lower the casualty from {job.phase}", "descend", climb_m=down, **free)
    desk.add(f"casualty to the ground at {job.phase}", "step off", climb_m=Range(0.0, job.ground_m), **free)
    # What comes next follows from what was before the rescue, which is one way the job may go and not a step of it.
    desk.station, desk.off, desk.earthed, desk.disturbed = carried
    desk.rescue, desk.anew = None, happens is None


_MAKERS: dict[tuple[str, ...], Any] = {
    ("written stages",): _written,
    ("set up ladder", "strike ladder"): _turn_up,
    ("move ladder",): _move,
    ("bring", "take away"): _bring,
    ("take off",): _take_off,
    ("reconnect",): _reconnect,
    ("earth tail", "remove earth"): _earth,
    ("rescue",): _rescue,
}
