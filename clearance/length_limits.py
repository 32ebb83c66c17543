"""Owns which length must insulate: the scene's rules asked for what is between two potentials, and what they lack of
all that a job may ask, told before anything is swept."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from typing import get_args

from clearance import rules
from clearance.errors import RuleError
from clearance.gaps import EARTH
from clearance.limits import (
    by_equation,
    charged,
    in_opposition,
    inputs_of,
    quoted,
    required_between,
    trapped_per_unit,
    unnamed,
)
from clearance.result import Kind, OpenPoint
from clearance.rules.records import Exposure
from clearance.scene.records import Circuit, Scene, SceneFile, phases
from clearance.scene.statements import earthed_circuits, insulating
from clearance.scene.voltages import as_judged, highest_kV, rule_names, unknown_circuit

Length = tuple[float | None, dict[str, str], str]
"""The insulating length required [m], by which rule, and why a rule has none: then what the others require at least."""


def required_length(
    scene: SceneFile,
    circuit: Circuit,
    what: rules.What,
    exposure: Exposure = "phase-earth",
    at: tuple[float, str] | None = None,
) -> Length:
    """The insulating length required of something; at: another overvoltage than the circuit's [per unit], with its
    basis."""
    inputs = inputs_of(scene, circuit, True)
    per_unit = circuit.overvoltage_per_unit
    if at is not None:
        per_unit, inputs["per_unit_basis"] = at
    try:
        found = rules.insulating_length(
            rule_names(scene),
            what=what,
            exposure=exposure,
            voltage_kV=circuit.nominal_kV,
            highest_kV=circuit.highest_kV,
            per_unit_overvoltage=per_unit,
            altitude_m=scene.altitude_m,
            inputs=inputs,
        )
    except RuleError as error:
        others = getattr(error, "others", None)
        known = (None, unnamed(scene)) if others is None else (others.required_m, quoted(others))
        return *known, str(error)
    return found.required_m, quoted(found), ""


def length_between(scene: Scene, circuit_of: Mapping[str, Circuit], what: rules.What, one: str, other: str) -> Length:
    """The insulating length that something between two potentials needs, one of which may be "earth": the largest of
    what the circuits of both ask for, the two in opposition, and a charge that a wire taken off holds.

    A potential that no circuit has may be at any of them.
    """
    unknown = unknown_circuit(scene)
    live = [potential for potential in (one, other) if potential != EARTH]
    circuits = [as_judged(scene, circuit_of.get(potential, unknown)) for potential in live]
    exposure: Exposure = "phase-earth" if len(live) == 1 else "phase-phase"
    trapped = trapped_per_unit(scene, live[0]), trapped_per_unit(scene, live[-1]) if len(live) > 1 else 0.0
    asked: list[tuple[Circuit, tuple[float, str] | None]] = [(circuit, None) for circuit in circuits]
    # Where the rule takes no overvoltage, what it asks for covers these two as well.
    with contextlib.suppress(RuleError):
        if len({circuit.name for circuit in circuits}) > 1:
            high, low = sorted(circuits, key=lambda circuit: highest_kV(scene, circuit), reverse=True)
            asked.append((high, in_opposition(scene, high, low, stated=True)))
        if any(trapped):
            pair = circuits[0], circuits[1] if len(live) > 1 else None
            circuit, per_unit, said = charged(scene, pair, trapped, stated=True)
            asked.append((circuit, (per_unit, said)))
    found = [required_length(scene, circuit, what, exposure, at) for circuit, at in asked]
    required, rule, why = max(found, key=lambda length: length[0] or 0.0)
    return required, rule, why or next((length[2] for length in found if length[2]), "")


def lacking(scene: Scene) -> Iterator[OpenPoint]:
    """What the rules of a scene have no value for, of what its job may ask, before anything is swept: reason by reason.

    A gap or a length that needs it is undecided; that none may need it is why these only tell. First what is smaller
    than the highest operating voltage alone needs: no rule means that.
    """
    yield from _too_small(scene)
    circuits, why = phases(scene), dict[str, list[str]]()
    earthed = earthed_circuits(scene)
    for circuit in (one for one in scene.circuits if one.name not in earthed):
        one, *others = circuit.phases
        for other, kinds in ((EARTH, ("tool", "object")), *((name, get_args(Kind)) for name in others[:1])):
            for kind in kinds:
                exposure = "phase to earth" if other == EARTH else "phase to phase"
                reason = required_between(scene, circuits, one, other, kind).why
                why.setdefault(reason, []).append(f"{circuit.name}, {exposure}, {kind}")
    if scene.stages or scene.jobs:
        for what, there in _insulating(scene):
            if there:
                reason = required_length(scene, unknown_circuit(scene), what)[2]
                why.setdefault(reason, []).append(f"insulating length of a {what}")
    why.pop("", None)
    cure = "supply it, or a company table that completes the rule (clearance distances --company-table prints one)"
    for reason, cells in why.items():
        yield OpenPoint("the rules", f"no value for {'; '.join(cells)}: {reason}", cure, "clear")


def _too_small(scene: Scene) -> Iterator[OpenPoint]:
    """Distances and lengths of the rules below what the highest operating voltage alone jumps in air, as by a slip in a
    table that somebody wrote: what is compared with them says nothing."""
    circuits, earthed = phases(scene), earthed_circuits(scene)
    for circuit in (one for one in scene.circuits if one.name not in earthed):
        one, *others = circuit.phases
        small: dict[str, list[str]] = {}
        for other in (EARTH, *others[:1]):
            need = by_equation(scene, circuits, one, other, operating=True)
            if need is None:
                continue
            exposure: Exposure = "phase-earth" if other == EARTH else "phase-phase"
            given = {f"{exposure}, {kind}": required_between(scene, circuits, one, other, kind).electrical_m
                     for kind in get_args(Kind)}  # fmt: skip
            given |= {f"{exposure}, insulating length of a {what}": required_length(scene, circuit, what, exposure)[0]
                      for what in get_args(rules.What)}  # fmt: skip
            for cell, figure in given.items():
                if figure is not None and figure < need.electrical_m:
                    said = f"the {need.electrical_m:.2f} m that its highest voltage alone jumps in air ({need.said})"
                    small.setdefault(said, []).append(f"{figure:.3g} m for {cell}")
        for said, cells in small.items():
            what = f"circuit {circuit.name}: {'; '.join(cells)}: less than {said}"
            yield OpenPoint("the rules", what, "mend the figure, or its unit, in the company table or the inputs")


def _insulating(scene: Scene) -> Iterator[tuple[rules.What, bool]]:
    """What of a scene has an insulating length that is judged: its kind, and whether there is any."""
    yield "ladder", scene.ladder is not None or scene.aerial_device is not None
    ropes = [rope.name for rope in scene.ropes]
    ropes += [rope.name for wire in scene.wires if wire.release is not None for rope in wire.release.ropes]
    lowered = any(stage.rope_m is not None for stage in scene.stages)
    yield "rope", lowered or any(insulating(scene, name) for name in ropes)
    yield "rod", any(stage.stick_m is not None for stage in scene.stages)
