"""Owns insulating lengths: what is left of ladder, ropes and strings between what is earthed and what is live, at every
position of the stage.

On the ladder everything is measured along it. Earthed touches from below (feet and carriage, earthed fittings, ropes
that are
not insulating, the overhead hands of a crew member within reach of it) and live touches from above leave a length; from
that go metal joints, what is wet or dirty, and, for a worker who is not bonded, what the body shorts between soles and
holding hand.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import numpy as np

from clearance import rules
from clearance.bodies import worker
from clearance.errors import RuleError
from clearance.job.staging import build_of
from clearance.limits import rule_names
from clearance.result import Insulation
from clearance.scene import records
from clearance.scene.assemble import Site, on_ground
from clearance.scene.records import Circuit, Reference, Stage


def insulation_of(site: Site, stage: Stage) -> tuple[Insulation, ...]:
    """Every insulating length of the stage: the ladder's with somebody aloft, ropes' that are stated as insulating."""
    return (*_ladder(site, stage), *_ropes(site, stage))


def _required(site: Site, circuit: Circuit, what: rules.What) -> tuple[float | None, dict[str, str], str]:
    scene = site.scene
    inputs: dict[str, object] = dict(scene.rule_inputs)
    if circuit.overvoltage_per_unit is not None:
        inputs["per_unit_basis"] = f"{circuit.overvoltage_basis} ({circuit.overvoltage_by})"
    try:
        found = rules.insulating_length(
            rule_names(scene),
            what=what,
            voltage_kV=circuit.nominal_kV,
            highest_kV=circuit.highest_kV,
            per_unit_overvoltage=circuit.overvoltage_per_unit,
            altitude_m=scene.altitude_m,
            inputs=inputs,
        )
    except RuleError as error:
        return None, {"name": " + ".join(scene.rule), "edition": "", "clause": ""}, str(error)
    return found.required_m, {"name": found.rule.name, "edition": found.rule.edition, "clause": found.rule.clause}, ""


def highest_earthed_touch(site: Site, stage: Stage) -> tuple[float, str]:
    """How far up the ladder something earthed may touch it [m], and what: feet, fittings, ropes, hands of the crew."""
    scene = site.scene
    entry = scene.ladder
    assert entry is not None
    found = [(entry.insulating_from_m, "foot of the ladder, below its insulating part")]
    for fitting in entry.fittings:
        if stage.potentials.get(fitting.name, fitting.potential) == "earth" and fitting.name not in stage.absent:
            found.append((fitting.to_m, f"earthed fitting '{fitting.name}'"))
    for rope in scene.ropes:
        if rope.name in stage.absent or rope.insulating:
            continue
        if isinstance(rope.from_m, Reference) and rope.from_m.name == entry.name and rope.from_m.along_m is not None:
            found.append((rope.from_m.along_m, f"rope '{rope.name}', not insulating"))
    corners = [] if scene.track is None else [np.array(on_ground(site.ground, point)) for point in scene.track.points_m]
    for person in scene.crew:
        if person.name in stage.absent or not corners:
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


def _distance(point: np.ndarray, a: np.ndarray, b: np.ndarray) -> float:
    along = float(np.clip(np.dot(point - a, b - a) / max(float(np.dot(b - a, b - a)), 1e-12), 0.0, 1.0))
    return float(np.linalg.norm(point - a - along * (b - a)))


def _metal(entry: records.Ladder, low: float, high: float) -> list[tuple[float, str]]:
    """Floating metal on the ladder between two heights: its length, each piece once where pieces overlap."""
    cuts = sorted((max(low, f.from_m), min(high, f.to_m), f.name) for f in entry.fittings if f.potential is None)
    found, reached = [], low
    for start, stop, name in cuts:
        length = stop - max(start, reached)
        if length > 0:
            found.append((length, name))
            reached = max(reached, stop)
    return found


def _ladder(site: Site, stage: Stage) -> Iterator[Insulation]:
    """For a bonded worker: from the highest earthed touch to the soles, least at the lowest climb. For one who is not
    bonded, up
    to the top of the insulating part, less what the body shorts: the same at every climb while the body is on that
        part."""
    scene = site.scene
    entry = scene.ladder
    names = records.aloft(scene, stage)
    if entry is None or stage.climb_m is None or stage.travel_m is None or not names or stage.kind == "mount":
        return
    earthed, what = highest_earthed_touch(site, stage)
    for person in scene.workers:
        if person.name not in names:
            continue
        phase = stage.bonded.get(person.name)
        circuits = records.phases(scene)
        circuit = circuits[phase] if phase else max(circuits.values(), key=lambda c: c.highest_kV or c.nominal_kV)
        required, rule, why = _required(site, circuit, "ladder")
        steps = [f"earthed up to {earthed:.2f} m along the ladder: {what}"]
        if phase is not None:
            top = min(stage.climb_m.lo, entry.insulating_to_m)
            steps.append(f"at phase {phase} from {top:.2f} m up: the soles at the lowest climb of the stage")
        else:
            top = entry.insulating_to_m
            steps.append(f"insulating up to {top:.2f} m")
        left = top - earthed
        if phase is None:
            shorted = worker.lowest_to_highest_contact_m(build_of(person))
            left -= shorted
            steps.append(f"less {shorted:.2f} m that the climber shorts between soles and holding hand")
        for length, name in _metal(entry, earthed, top):
            left -= length
            steps.append(f"less {length:.2f} m of metal, '{name}'")
        if entry.wet_or_dirty_m > 0:
            left -= entry.wet_or_dirty_m
            steps.append(f"less {entry.wet_or_dirty_m:.2f} m written off as wet or dirty")
        verdict = "undecided" if required is None else "clear" if left >= required else "breach"
        yield Insulation(entry.name, verdict, left, required, {"climb_m": stage.climb_m.lo}, rule, tuple(steps), why)  # type: ignore[arg-type]


def _ropes(site: Site, stage: Stage) -> Iterator[Insulation]:
    """An insulating rope tied to the ladder or hung from a point: its own length, leg by leg, from anchor to tie."""
    scene = site.scene
    for rope in scene.ropes:
        if not rope.insulating or rope.name in stage.absent or stage.kind == "travel":
            continue
        circuit = max(scene.circuits, key=lambda c: c.highest_kV or c.nominal_kV)
        required, rule, why = _required(site, circuit, "rope")
        start = rope.from_m
        if isinstance(start, Reference):
            ladder = scene.ladder
            if ladder is None or start.name != ladder.name or start.along_m is None or scene.track is None:
                continue
            # The tie is nowhere nearer to the anchor than its height above it: no lean of the ladder is counted on.
            leans = math.radians(sum(max(abs(s.lo), abs(s.hi)) for s in (stage.lean_along_deg, stage.lean_across_deg)))
            height = start.along_m * math.cos(min(math.radians(abs(ladder.tilt_deg)) + leans, math.pi / 2))
            length = height
            steps = [f"from its tie {start.along_m:.2f} m up the ladder to its anchor, at least {height:.2f} m"]
        elif isinstance(rope.to_m, Reference):
            continue
        else:
            length = math.dist(start, rope.to_m)
            steps = [f"from end to end {length:.2f} m"]
        hands = max((worker.extent(build_of(person)) for person in scene.crew), default=0.0)
        if hands > 0.0:
            length -= hands
            steps.append(f"less {hands:.2f} m within reach of the crew's hands at the anchor")
        verdict = "undecided" if required is None else "clear" if length >= required else "breach"
        yield Insulation(rope.name, verdict, length, required, {}, rule, tuple(steps), why)  # type: ignore[arg-type]
