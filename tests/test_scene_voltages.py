"""The circuit for what belongs to an unknown one: no circuit that is added lowers what it requires, wherever it
stands in the file."""

from __future__ import annotations

import itertools

import pytest
from small_scenes import CIRCUIT, LADDER, checked, scene, slab, stage

from clearance.limits import required_between
from clearance.scene.assemble import assemble
from clearance.scene.voltages import unknown_circuit


def circuit(name, nominal, highest=None, per_unit=None, **others):
    told = {"name": name, "phases": [f"{phase} {name}" for phase in "ABC"], "nominal_kV": nominal, **others}
    told |= {} if highest is None else {"highest_kV": highest, "highest_basis": "operator"}
    basis = {"overvoltage_basis": "study", "overvoltage_by": "network studies"}
    return told | ({} if per_unit is None else {"overvoltage_per_unit": per_unit, **basis})


SHIELD = {"kind": "span", "name": "shield", "potential": "earth", "insulated": True, "from_m": [-20, 9, 30],
          "to_m": [20, 9, 30], "sag_m": 0.2, "diameter_m": 0.02}  # fmt: skip
HIGHER = circuit("higher", 220, 245, 1.5)
LOOSER = circuit("looser", 230, 242, 3.0)
ALL = [HIGHER, LOOSER, circuit("plain", 220), circuit("named 243", 220, 243), circuit("low", 110, 123, 2.0),
       circuit("much", 110, None, 5.0), circuit("large", 500, None, 1.8)]  # fmt: skip


def needs(rule, *circuits):
    """Limits to earth of an unknown potential, and of an insulated shield wire, as the scene has them."""
    made = scene(rule=rule, circuits=list(circuits), wires=[SHIELD])
    circuit_of = {**assemble(made).circuit_of, "unknown": unknown_circuit(made)}
    found = []
    for one, kind in itertools.product(("unknown", "shield"), ("air", "tool", "object")):
        found.append(required_between(made, circuit_of, one, "earth", kind).limit_m)
    assert None not in found
    return found


@pytest.mark.parametrize("rule", ["osha-1910.269", "iec-61472", ["osha-1910.269", "en-50110-1"]], ids=str)
@pytest.mark.parametrize(("one", "other"), list(itertools.permutations(ALL, 2)), ids=lambda one: one["name"])
def test_a_second_circuit_never_lowers_what_an_unknown_one_requires(rule, one, other):
    try:
        alone = [needs(rule, one), needs(rule, other)]
    except AssertionError as error:  # a rule that is silent without an overvoltage has no limit to compare
        pytest.skip(str(error))
    both = needs(rule, one, other)
    assert all(found >= max(each) for found, each in zip(both, zip(*alone, strict=True), strict=True))
    assert both == needs(rule, other, one)


def test_the_largest_of_each_is_taken():
    made = unknown_circuit(scene(circuits=[HIGHER, LOOSER]))
    assert (made.nominal_kV, made.highest_kV, made.overvoltage_per_unit) == (230, 245, 3.0)
    # An overvoltage left to the rule counts as the 3.5 per unit that 29 CFR 1910.269 assumes there (Table R-3).
    for stated, taken in ((3.4, None), (3.6, 3.6)):
        made = unknown_circuit(scene(circuits=[circuit("stated", 220, 245, stated), circuit("plain", 220)]))
        assert made.overvoltage_per_unit == taken


def test_one_circuit_is_itself_and_an_earthed_one_is_none():
    said = [{"kind": "circuit earthed", "circuit": "higher"}]
    alone = scene(circuits=[LOOSER])
    assert unknown_circuit(alone) is alone.circuits[0]
    both = [HIGHER, LOOSER]
    made = scene(circuits=both, statements=said)
    assert unknown_circuit(made) is made.circuits[1]
    dead = scene(circuits=[{**HIGHER, "state": "dead, not earthed"}, LOOSER])
    assert unknown_circuit(dead).highest_kV == 245


@pytest.mark.parametrize("second", [[], [HIGHER]], ids=["alone", "with a second"])
@pytest.mark.parametrize(("length_m", "verdict"), [(-0.02, "breach"), (0.02, "clear")])
def test_the_ladder_is_long_enough_for_the_worst_of_both(second, length_m, verdict):
    """The 230 kV circuit at 3.0 per unit alone asks for more than the one of higher voltage at 1.5."""
    plates = [slab(f"plate {k}", 30 + k, potential=phase) for k, phase in enumerate(LOOSER["phases"])]

    def left_of(insulating_to_m, circuits):
        (found,) = checked(
            circuits=circuits,
            solids=plates,
            ladder={**LADDER, "insulating_to_m": insulating_to_m},
            stages=[stage(climb_m=0.5)],  # the whole climber on the insulating part
        ).stages
        return next(one for one in found.insulation if one.body == "ladder")

    base = left_of(5.0, [LOOSER])
    edge = 5.0 + base.required_m - base.left_m
    found = left_of(edge + length_m, [LOOSER, *second])
    assert found.required_m >= base.required_m
    if not second:
        assert found.verdict == verdict
    elif verdict == "breach":
        assert found.verdict == "breach"


def test_what_is_taken_is_said():
    assert unknown_circuit(scene(circuits=[HIGHER, LOOSER])).name == "higher or looser"
    assert unknown_circuit(scene(circuits=[CIRCUIT])).name == "bay"
