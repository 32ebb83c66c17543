"""Owns what a scene's rules make of the voltages of its circuits, and the circuit that an unknown potential is taken to
belong to."""

from __future__ import annotations

from pathlib import Path

from clearance import rules
from clearance.errors import InputError, RuleError
from clearance.rules.choose import Rule, find_all
from clearance.scene.records import Circuit, SceneFile
from clearance.scene.statements import earthed_circuits

DEAD = "dead, not earthed"
"""The state of a circuit that nothing drives and nothing holds at earth."""


def rule_names(scene: SceneFile) -> list[str | Path]:
    """The scene's rules, its own tables by their full path."""
    folder = getattr(scene, "folder", Path())
    return [folder / name if name.endswith(".toml") else name for name in scene.rule]


def highest_kV(scene: SceneFile, circuit: Circuit) -> float:
    """The circuit's highest voltage [kV]: as stated, else the top of its class as the scene's rules have it, the
    largest of several.

    Raises `InputError` for a nominal voltage that a rule has no class for.
    """
    if circuit.highest_kV is not None:
        return circuit.highest_kV
    found: list[float] = []
    refused: RuleError | None = None
    for rule in find_all(rule_names(scene)):
        try:
            found.append(rule.system(circuit.nominal_kV, None).highest_kV)
        except RuleError as error:  # a rule that ends below this voltage says so where it is asked for a distance
            refused = error
    if not found:
        assert refused is not None
        raise refused
    return max(found)


def unknown_circuit(scene: SceneFile) -> Circuit:
    """The circuit for what belongs to an unknown one: the largest nominal and highest voltage of all circuits that are
    not stated earthed, with the largest overvoltage of any of them.

    An overvoltage that one of them leaves to the rule counts as what the rule assumes at that voltage: it stays left to
    the rule unless another circuit states more. So a circuit that is added never lowers what an unknown one requires.
    """
    earthed = earthed_circuits(scene)
    live = [circuit for circuit in scene.circuits if circuit.name not in earthed] or list(scene.circuits)
    nominal = max(circuit.nominal_kV for circuit in live)
    highest, stated = _highest(scene, live), _overvoltage(scene, live)
    per_unit = None if stated is None else stated.overvoltage_per_unit
    for circuit in live:
        if (circuit.nominal_kV, circuit.highest_kV, circuit.overvoltage_per_unit) == (nominal, highest, per_unit):
            return circuit
    return Circuit(
        name=" or ".join(circuit.name for circuit in live),
        phases=live[0].phases,
        nominal_kV=nominal,
        highest_kV=highest,
        highest_basis=None if highest is None else "the highest of these circuits",
        overvoltage_per_unit=per_unit,
        overvoltage_basis=None if stated is None else stated.overvoltage_basis,
        overvoltage_by=None if stated is None else stated.overvoltage_by,
    )


def at_least_unknown(scene: SceneFile, own: Circuit | None) -> Circuit:
    """A circuit, or the unknown one where that has the higher voltage."""
    unknown = unknown_circuit(scene)
    if own is None:
        return unknown
    tops = [max(_top(rule, circuit) for rule in find_all(rule_names(scene))) for circuit in (own, unknown)]
    return unknown if tops[1] > tops[0] else own


def as_judged(scene: SceneFile, circuit: Circuit) -> Circuit:
    """What a circuit counts as: one that is dead and not earthed takes what its neighbours induce, so beside a higher
    voltage it counts as that."""
    return at_least_unknown(scene, circuit) if circuit.state == DEAD else circuit


def _highest(scene: SceneFile, live: list[Circuit]) -> float | None:
    """The highest voltage that no circuit exceeds under any rule; None for the top of its class of the one that has the
    highest under every rule and states none."""
    tops = [[_top(rule, circuit) for rule in find_all(rule_names(scene))] for circuit in live]
    most: list[float] = [max(column) for column in zip(*tops, strict=True)]
    for circuit, own in zip(live, tops, strict=True):
        if own == most and circuit.nominal_kV == max(other.nominal_kV for other in live):
            return circuit.highest_kV
    return max(most)


def _top(rule: Rule, circuit: Circuit) -> float:
    if circuit.highest_kV is not None:
        return circuit.highest_kV
    try:
        return rule.system(circuit.nominal_kV, None).highest_kV
    except (InputError, RuleError):
        return circuit.nominal_kV  # the rule refuses this circuit by itself: `limits.refusals`


def _overvoltage(scene: SceneFile, live: list[Circuit]) -> Circuit | None:
    """The circuit that states the largest overvoltage; None where the rule's assumed value is to be taken."""
    stated = [(circuit.overvoltage_per_unit, circuit) for circuit in live if circuit.overvoltage_per_unit is not None]
    most = max(stated, key=lambda pair: pair[0], default=None)
    if most is None or len(stated) == len(live):
        return None if most is None else most[1]
    try:
        top = max(_top(rule, circuit) for rule in find_all(rule_names(scene)) for circuit in live)
        assumed = rules.assumed_overvoltage(rule_names(scene), top)[0]
    except RuleError:
        return None
    return most[1] if most[0] > assumed else None
