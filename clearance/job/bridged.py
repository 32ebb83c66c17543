"""Owns what the job bridges: line insulators that some conductor of the job may touch.

What is left of an insulator is at least the straight way from what touches it to its far end, wherever it is touched.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from clearance import rules, shapes
from clearance.bodies import Body
from clearance.engine import Group, Path
from clearance.errors import RuleError
from clearance.job import far_string, potentials
from clearance.job.known import alone
from clearance.job.setting import Setting, moves
from clearance.job.touching import TOUCH_M
from clearance.limits import quoted, unnamed
from clearance.result import Insulation, Numbers, Verdict, worst
from clearance.scene.assemble import EARTH, LineInsulator, Site
from clearance.scene.naming import end_name, fittings_name
from clearance.scene.voltages import as_judged, rule_names, unknown_circuit
from clearance.verdict import judge_count, judge_length

if TYPE_CHECKING:
    from clearance.job.measuring import Bench, Piece

HELD_M = 0.05
"""[m] A wire that ends so near to the live end of a string is held by it: the breadth of a clamp."""


def bridged(bench: Bench, posture: Sequence[Piece], reach: Sequence[Piece]) -> Iterator[Insulation]:
    """What is left of every line insulator that a conductor of the job may touch; hands touch it anywhere in reach."""
    for string in bench.site.strings:
        left: dict[str, tuple[float, Numbers]] = {}
        for piece in (*reach, *posture):
            setting = piece.compiled.setting
            reached = setting.check == "reach" or not reach
            hung = next((body for body in setting.bodies if body.name == string.name), None)
            if hung is None:
                continue
            for body in setting.bodies:
                if body.kind == "fitting" and (not moves(body) or body.name == fittings_name(string.name)):
                    continue  # an end of a string is no bridge of it, at whatever potential a tail puts it
                if not (body.job and body.conductive and len(body.shape)) or reached != (
                    body.kind == "worker" or not reach
                ):
                    continue
                own = far_string.holds(bench.site, body.name, string.name)
                if own:
                    body = far_string.beyond(bench.site, body)
                if _touched(bench, setting, body, hung) if own else _touches(bench, piece, body.name, string.name):
                    found = _left(bench, piece, body, string, hung)
                    left[body.name] = min(found, left.get(body.name, found), key=lambda pair: pair[0])
        if left:
            yield _judged(bench.site, string, left)


def _touches(bench: Bench, piece: Piece, one: str, other: str) -> bool:
    path = Path((Group((one,)), Group((other,))))
    if piece.least_of(path) > TOUCH_M:
        return False
    return bench.sweep(piece.compiled, (path,), tolerance_m=bench.tolerance_m, target_m=TOUCH_M).outcome != "reached"


def _touched(bench: Bench, setting: Setting, body: Body, hung: Body) -> bool:
    """Whether what there is of a wire beyond its own string may come back to it."""
    path = Path((Group((body.name,)), Group((hung.name,))))
    return len(body.shape) > 0 and alone(setting, (body, hung), [path], bench.tolerance_m).lower_m <= TOUCH_M


def _left(bench: Bench, piece: Piece, body: Body, string: LineInsulator, hung: Body) -> tuple[float, Numbers]:
    """The least length left of a string that a body touches, at every potential it may be at, and where.

    hung: the string as it is in the setting; its capsules lie in a row from its earthed to its live end
    """
    ends = [_end(string, hung, "earthed", 0, 0), _end(string, hung, "live", -1, 1)]
    told = {end.name: hung_by for end in ends if (hung_by := piece.compiled.setting.rated.get(hung.name)) is not None}
    setting = replace(piece.compiled.setting, rated={**piece.compiled.setting.rated, **told})
    worker, earthed, live = Group((body.name,), body.extent_m), Group((ends[0].name,)), Group((ends[1].name,))
    paths = set()
    fixed = body.kind == "wire" and body.name in bench.site.wires and _holds(bench.site, string, body.name)
    for potential in (body.potential, *(state for _, state in body.states)):
        if fixed:
            # The string's live end goes with the wire that it holds: no voltage is across it where both are earthed.
            paths |= {Path((earthed, worker))} if potential != EARTH else set()
        elif potential == EARTH:
            paths.add(Path((worker, live)))
        elif potential is None:
            paths.add(Path((earthed, worker, live)))
        elif potential == string.phase:
            paths.add(Path((earthed, worker)))
        else:
            paths |= {Path((earthed, worker)), Path((worker, live))}
    if not paths:
        return string.insulating_m, {}
    ordered = sorted(paths, key=lambda path: [group.bodies for group in path.groups])
    found = alone(setting, (body, *ends), ordered, bench.tolerance_m)
    return min(max(0.0, found.lower_m), string.insulating_m), found.at


def _end(string: LineInsulator, hung: Body, which: str, capsule: int, corner: int) -> Body:
    """An end of the insulating part of a string, going where the string goes."""
    shape = hung.shape
    unsure = max(string.strays_m, float(shape.uncertainty.max()) if hung.job else 0.0)
    point = shapes.points([shape.vertices[capsule, corner]], uncertainty=unsure)
    if shape.rate is not None:
        point = replace(point, rate=np.repeat(shape.rate[capsule, corner][None, None], 3, axis=1))
    return Body(end_name(string.name, which), "end", point, potential=None, link=hung.link)


def _holds(site: Site, string: LineInsulator, wire: str) -> bool:
    """Whether a string holds the end at which a wire that is taken off stays fixed."""
    if site.wires[wire].record.release is None:
        return False
    if far_string.holds(site, wire, string.name):
        return True
    return math.dist(potentials.far_end(site, wire), string.live_m) <= HELD_M


def _judged(site: Site, string: LineInsulator, left: dict[str, tuple[float, Numbers]]) -> Insulation:
    least, at = min(left.values(), key=lambda pair: pair[0])
    steps = [f"{string.insulating_m:.2f} m of insulator"]
    steps += [f"{body} may touch it: at least {length:.2f} m left" for body, (length, _) in left.items()]
    scene = site.scene
    circuit = unknown_circuit(scene) if string.phase is None else as_judged(scene, site.circuit_of[string.phase])
    verdicts: list[Verdict] = []
    why: list[str] = []
    required, rule = None, unnamed(scene)
    inputs: dict[str, object] = dict(scene.rule_inputs)
    if circuit.overvoltage_per_unit is not None:
        inputs["per_unit_basis"] = f"{circuit.overvoltage_basis} ({circuit.overvoltage_by})"
    try:
        length = rules.insulating_length(
            rule_names(scene),
            what="string",
            voltage_kV=circuit.nominal_kV,
            highest_kV=circuit.highest_kV,
            per_unit_overvoltage=circuit.overvoltage_per_unit,
            altitude_m=scene.altitude_m,
            inputs=inputs,
        )
        required, rule = length.required_m, quoted(length)
        verdicts.append(judge_length(least, required))
    except RuleError as error:
        why.append(str(error))
        others = getattr(error, "others", None)
        if others is not None:
            required, rule = others.required_m, quoted(others)
        # A rule that counts sound insulators has no length; any other that is silent leaves the string undecided.
        if not getattr(error, "counted", False):
            verdicts.append(judge_length(least, required, str(error)))
    try:
        count = rules.sound_insulators(rule_names(scene), circuit.nominal_kV, highest_kV=circuit.highest_kV)
        sound = None if string.units is None else int(string.units * least / string.insulating_m)
        verdicts.append(judge_count(sound, count))
        if sound is None:
            why.append(f"the rule asks for {count} sound insulators; how many the string has is not stated (units)")
        else:
            steps.append(f"{sound} of {string.units} sound insulators left; the rule asks for {count}")
    except RuleError as error:
        if not verdicts:
            why.append(str(error))
    verdict = worst(verdicts)
    said = "" if verdict == "clear" else "; ".join(why)
    return Insulation(string.name, verdict, least, required, at, rule, tuple(steps), said)
