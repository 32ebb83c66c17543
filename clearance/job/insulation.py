"""Owns insulating lengths: what is left of ladder, ropes and strings between what is earthed and what is live, at every
position of the stage.

On the ladder everything is measured along it. Earthed touches from below (feet and carriage, earthed fittings, ropes
that are not insulating, the overhead hands of a crew member within reach of it) and live touches from above leave a
length; from that go metal joints, what is wet or dirty, and, for a worker who is not bonded, what the body shorts
between soles and holding hand. Line insulators that the job bridges are in `clearance.job.bridged`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Set

import numpy as np

from clearance.bodies import worker
from clearance.bodies.ladder import PLATFORM_HALF_M
from clearance.job import aerial, tail_ropes
from clearance.job.footing import foot_knots, settled, stands
from clearance.job.ropes import hauls_of, on_ladder, tied
from clearance.job.staging import build_of
from clearance.limits import required_length
from clearance.result import Insulation
from clearance.scene import records, statements
from clearance.scene.assemble import Site, on_ground, place
from clearance.scene.records import Circuit, Reference, Stage
from clearance.scene.voltages import unknown_circuit
from clearance.verdict import judge_length

REMOTE_TOOL = "remote tool"
"""What a report calls the stick with which a tail is earthed."""


def insulation_of(site: Site, stage: Stage, touch: tuple[float, str] | None = None) -> tuple[Insulation, ...]:
    """Every insulating length of the stage: the ladder's with somebody aloft or something live on it, and those of
    ropes that are stated as insulating, and of the remote tool that earths a tail.

    touch: how far up the ladder something live touches it at the lowest [m], and what; None where nothing does
    """
    return (
        *_ladder(site, stage, touch),
        *_device(site, stage),
        *_ropes(site, stage),
        *_tail_ropes(site, stage),
        *_stick(site, stage),
    )


def highest_earthed_touch(site: Site, stage: Stage) -> tuple[float, str]:
    """How far up the ladder something earthed may touch it [m], and what: feet, fittings, ropes, hands of the crew."""
    scene = site.scene
    entry = scene.ladder
    assert entry is not None
    absent = statements.absent(scene, stage)
    found = [(entry.insulating_from_m, "foot of the ladder, below its insulating part")]
    for fitting in (*entry.fittings, *_platform(absent, entry)):
        if stage.potentials.get(fitting.name, fitting.potential) == "earth" and fitting.name not in absent:
            found.append((fitting.to_m, f"earthed fitting '{fitting.name}'"))
    for rope in scene.ropes:
        if rope.name in absent or statements.insulating(scene, rope.name):
            continue
        if isinstance(rope.from_m, Reference) and rope.from_m.name == entry.name and rope.from_m.along_m is not None:
            found.append((rope.from_m.along_m, f"rope '{rope.name}', not insulating"))
    corners = [] if scene.track is None else [np.array(on_ground(site.ground, point)) for point in scene.track.points_m]
    if entry.hangs_on is not None:
        found += _hands_below(site, stage, entry)
    for person in scene.crew:
        if person.name in absent or not corners:
            continue
        body = build_of(person)
        reach = worker.extent(body)
        foot = np.array(on_ground(site.ground, person.at_m))
        near = min(_distance(foot, a, b) for a, b in itertools.pairwise(corners))
        if near <= reach:
            # Hands overhead, seen along a ladder that leans away from the upright only helps; its tilt does not.
            height = reach / max(math.cos(math.radians(entry.tilt_deg)), 0.2)
            found.append((height, f"hands of '{person.name}' overhead"))
    return max(found)


def _hands_below(site: Site, stage: Stage, entry: records.Ladder) -> Iterator[tuple[float, str]]:
    """How far up a ladder that hangs the hands of those below it reach [m], wherever it swings."""
    knots, left_out = foot_knots(site, stage)
    swing = math.radians(sum(max(abs(s.lo), abs(s.hi)) for s in (stage.lean_along_deg, stage.lean_across_deg)))
    lowest = float(knots[:, 3].min()) - entry.length_m - left_out
    aside = entry.length_m * math.sin(min(swing, 0.5 * math.pi)) + 0.5 * entry.width_m + left_out
    for person in site.scene.crew:
        if person.name in statements.absent(site.scene, stage):
            continue
        foot = np.array(on_ground(site.ground, person.at_m))
        reach = worker.extent(build_of(person))
        flat = knots[:, 1:] * [1.0, 1.0, 0.0]
        near = min(_distance(foot * [1.0, 1.0, 0.0], a, b) for a, b in itertools.pairwise(flat))
        if near - aside <= reach:
            height = (foot[2] + reach - lowest) / max(math.cos(swing), 0.2)
            yield max(0.0, height), f"hands of '{person.name}' overhead"


def _distance(point: np.ndarray, a: np.ndarray, b: np.ndarray) -> float:
    along = float(np.clip(np.dot(point - a, b - a) / max(float(np.dot(b - a, b - a)), 1e-12), 0.0, 1.0))
    return float(np.linalg.norm(point - a - along * (b - a)))


def _metal(absent: Set[str], entry: records.Ladder, low: float, high: float) -> list[tuple[float, str]]:
    """Metal on the ladder between two heights: its length, each piece once where pieces overlap.

    Earthed metal is below `low` by then; it is counted all the same, as a stage may state it as floating.
    """
    there = [f for f in entry.fittings if f.name not in absent]
    cuts = sorted((max(low, f.from_m), min(high, f.to_m), f.name) for f in (*there, *_platform(absent, entry)))
    found, reached = [], low
    for start, stop, name in cuts:
        length = stop - max(start, reached)
        if length > 0:
            found.append((length, name))
            reached = max(reached, stop)
    return found


def _platform(absent: Set[str], entry: records.Ladder) -> Iterator[records.Fitting]:
    """The platform as what it shorts along the ladder: its thickness, and what its tilt adds to it."""
    name = records.platform_name(entry.name)
    if entry.platform_m is not None and name not in absent:
        half = PLATFORM_HALF_M + entry.platform_depth_m * abs(math.sin(math.radians(entry.tilt_deg)))
        low = max(0.0, entry.platform_m - half)
        yield records.Fitting(name=name, from_m=low, to_m=entry.platform_m + half, radius_m=entry.platform_depth_m)


def _ladder(site: Site, stage: Stage, touch: tuple[float, str] | None) -> Iterator[Insulation]:
    """For a bonded worker: from the highest earthed touch to the soles, least at the lowest climb. For one who is not
    bonded, up to the lowest live touch, or the top of the insulating part, less what the body shorts: the same at every
    climb while the body is on that part."""
    scene = site.scene
    entry = scene.ladder
    if entry is None or stage.travel_m is None:
        return
    earthed, what = highest_earthed_touch(site, stage)
    aloft = [person for person in scene.workers if person.name in records.aloft(scene, stage)]
    circuits = records.phases(scene)
    steps = [f"earthed up to {earthed:.2f} m along the ladder: {what}"]
    top, live = entry.insulating_to_m, f"insulating up to {entry.insulating_to_m:.2f} m"
    if touch is not None and touch[0] < top:
        top, live = touch[0], f"'{touch[1]}' touches it from {touch[0]:.2f} m up"
    if not aloft and touch is not None:
        left, taken = _less(site, stage, entry, earthed, top)
        yield _judged(site, stage, unknown_circuit(scene), left, (*steps, live, *taken))
    for person in aloft:
        if stage.climb_m is None or stage.kind in records.AT_FOOT:
            continue
        phase = stage.bonded.get(person.name)
        circuit = circuits[phase] if phase else unknown_circuit(scene)
        upper, words = top, [live]
        if phase is not None and stage.climb_m.lo < top:
            upper = stage.climb_m.lo
            words = [f"at phase {phase} from {upper:.2f} m up: the soles at the lowest climb of the stage"]
        left, taken = _less(site, stage, entry, earthed, upper)
        if phase is None:
            shorted = worker.lowest_to_highest_contact_m(build_of(person))
            left -= shorted
            words.append(f"less {shorted:.2f} m that the climber shorts between soles and holding hand")
        yield _judged(site, stage, circuit, left, (*steps, *words, *taken))


def _less(site: Site, stage: Stage, entry: records.Ladder, low: float, high: float) -> tuple[float, list[str]]:
    """The length between two heights less metal and what is wet or dirty [m], and how it was reckoned."""
    left, steps = high - low, []
    for length, name in _metal(statements.absent(site.scene, stage), entry, low, high):
        left -= length
        steps.append(f"less {length:.2f} m of metal, '{name}'")
    if entry.wet_or_dirty_m > 0:
        left -= entry.wet_or_dirty_m
        steps.append(f"less {entry.wet_or_dirty_m:.2f} m written off as wet or dirty")
    return left, steps


def _judged(site: Site, stage: Stage, circuit: Circuit, left: float, steps: tuple[str, ...]) -> Insulation:
    entry = site.scene.ladder
    assert entry is not None
    required, rule, why = required_length(site.scene, circuit, "ladder")
    at = {} if stage.climb_m is None else {"climb_m": stage.climb_m.lo}
    return Insulation(entry.name, judge_length(left, required, why), left, required, at, rule, steps, why)


def _device(site: Site, stage: Stage) -> Iterator[Insulation]:
    """The boom of an aerial device, from its metal to the platform, at the shortest extension; whoever is on it."""
    device = aerial.device_in(site, stage)
    if device is None or stage.kind in records.AT_FOOT:
        return
    assert stage.extend_m is not None
    circuits = records.phases(site.scene)
    phase = next(iter(stage.bonded.values()), None)
    circuit = circuits[phase] if phase else unknown_circuit(site.scene)
    required, rule, why = required_length(site.scene, circuit, "ladder")
    left, steps = aerial.insulating_left_m(device, stage)
    at = {"extend_m": stage.extend_m.lo}
    yield Insulation(device.name, judge_length(left, required, why), left, required, at, rule, steps, why)


def _ropes(site: Site, stage: Stage) -> Iterator[Insulation]:
    """An insulating rope tied to the ladder or between two points: its own length, from anchor to tie."""
    scene = site.scene
    for rope in scene.ropes:
        if not statements.insulating(scene, rope.name) or rope.name in statements.absent(scene, stage):
            continue
        required, rule, why = required_length(site.scene, unknown_circuit(scene), "rope")
        start, ladder = rope.from_m, scene.ladder
        if on_ladder(site, rope) and scene.track is None:
            if stage.travel_m is None or not stands(scene):
                continue
            found = tied(site, stage, rope)
            length = float(np.linalg.norm(found.tie - found.held)) - found.sway_m - found.left_out_m
            steps = [f"from its tie on the ladder to its anchor, at least {length:.2f} m"]
        elif isinstance(start, Reference) and ladder is not None and start.name == ladder.name:
            # The tie is nowhere nearer to the anchor than its height above it: no lean of the ladder is counted on.
            leans = math.radians(sum(max(abs(s.lo), abs(s.hi)) for s in (stage.lean_along_deg, stage.lean_across_deg)))
            leans += settled(scene)[0]
            along = start.along_m or 0.0
            length = along * math.cos(min(math.radians(abs(ladder.tilt_deg)) + leans, math.pi / 2))
            steps = [f"from its tie {along:.2f} m up the ladder to its anchor, at least {length:.2f} m"]
        else:
            length = math.dist(place(site, rope, start), place(site, rope, rope.to_m))
            steps = [f"from end to end {length:.2f} m"]
        hands = max((worker.extent(build_of(person)) for person in scene.crew), default=0.0)
        if hands > 0.0:
            length -= hands
            steps.append(f"less {hands:.2f} m within reach of the crew's hands at the anchor")
        for tool in (haul.tool for haul in hauls_of(site, stage) if haul.tool.line == rope.name):
            shorted = 2.0 * tool.radius_m
            length -= shorted
            steps.append(f"less {shorted:.2f} m that {tool.name} shorts, wherever on it")
        if rope.wet_or_dirty_m > 0.0:
            length -= rope.wet_or_dirty_m
            steps.append(f"less {rope.wet_or_dirty_m:.2f} m written off as wet or dirty")
        yield Insulation(rope.name, judge_length(length, required, why), length, required, {}, rule, tuple(steps), why)


def _tail_ropes(site: Site, stage: Stage) -> Iterator[Insulation]:
    """The ropes that lower and hold a wire which is off, from it to what is earthed."""
    for rope, wire, length, steps in tail_ropes.lengths(site, stage):
        required, rule, why = required_length(site.scene, site.circuit_of[wire], "rope")
        yield Insulation(rope, judge_length(length, required, why), length, required, {}, rule, steps, why)


def _stick(site: Site, stage: Stage) -> Iterator[Insulation]:
    """The remote tool of a stage that earths a tail or removes that earth: what it insulates beyond the hands."""
    if stage.kind != "earthing" or stage.stick_m is None:
        return
    required, rule, why = required_length(site.scene, unknown_circuit(site.scene), "rod")
    steps = (f"insulating for {stage.stick_m:.2f} m beyond the hands",)
    yield Insulation(
        REMOTE_TOOL, judge_length(stage.stick_m, required, why), stage.stick_m, required, {}, rule, steps, why
    )
