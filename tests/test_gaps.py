"""Which chains are judged: ends at potentials, only floating bodies between, some body of the job on the way."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from clearance import shapes
from clearance.bodies import Body
from clearance.gaps import MOST_CASES, case_name, cases, judged
from clearance.job.setting import Parting
from clearance.kernel.room import LONGEST
from clearance.tolerances import TOOL_NEARNESS_M

POINT = shapes.points([[0, 0, 0]])


def body(name, potential="earth", job=False, states=(), conductive=True, extent=float("inf")):
    return Body(name, "wire", POINT, conductive, potential, job, None, extent, states)


def asked(bodies, tools=(), air=(), live=("A", "B")):
    return {(*q.between, q.kind): q for q in judged(bodies, live, tools, air)}


def chains(question):
    return {tuple(group.bodies for group in path.groups) for path in question.paths}


LINE = [body("bus A", "A"), body("bus B", "B"), body("tower")]


def test_a_line_without_a_job_has_nothing_to_judge():
    assert asked(LINE) == {}
    assert asked([*LINE, body("loose metal", None)]) == {}
    assert asked([*LINE, body("ladder", None, job=True, conductive=False)]) == {}


def test_one_end_of_the_job_is_enough_and_its_other_bodies_count_as_one_conductor():
    found = asked([*LINE, body("crew", job=True), body("truck", job=True)])
    assert set(found) == {("A", "earth", "tool"), ("B", "earth", "tool")}
    assert chains(found["A", "earth", "tool"]) == {(("bus A",), ("crew", "truck"))}


def test_a_floating_body_of_the_job_joins_every_two_potentials():
    found = asked([*LINE, body("worker", None, job=True, extent=2.4)])
    assert set(found) == {("A", "B", "object"), ("A", "earth", "object"), ("B", "earth", "object")}
    (path,) = found["A", "B", "object"].paths
    assert [group.bodies for group in path.groups] == [("bus A",), ("worker",), ("bus B",)]
    assert path.groups[1].extent_m == 2.4


def test_floating_metal_of_the_line_counts_only_on_a_chain_with_the_job():
    found = asked([*LINE, body("plate", None), body("worker", None, job=True)])
    assert chains(found["A", "B", "object"]) == {
        (("bus A",), ("worker",), ("bus B",)),
        (("bus A",), ("plate",), ("worker",), ("bus B",)),
        (("bus A",), ("worker",), ("plate",), ("bus B",)),
    }


def test_a_body_at_a_potential_is_never_passed_through():
    found = asked([*LINE, body("worker", "A", job=True), body("plate", None)])
    for question in found.values():
        for chain in chains(question):
            assert all(set(group) <= {"plate"} for group in chain[1:-1])


def test_kinds_phase_to_earth_takes_the_tool_limit_phase_to_phase_the_air_limit_and_the_tool_limit():
    bodies = [*LINE, body("worker", "A", job=True), body("hull", None, job=True, conductive=False)]
    found = asked(bodies, tools=["hull"])
    assert set(found) == {("A", "B", "air"), ("A", "B", "tool"), ("A", "earth", "tool")}
    (by_tool,) = found["A", "B", "tool"].paths
    assert by_tool.offset_m == -2 * TOOL_NEARNESS_M
    assert by_tool.groups[1].bodies == ("hull",)
    assert by_tool.groups[1].extent_m == -2 * TOOL_NEARNESS_M
    assert ("A", "B", "tool") not in asked(bodies, tools=[])
    declared = asked(bodies, air=[("earth", "A")])
    assert ("A", "earth", "air") in declared
    assert ("A", "earth", "tool") not in declared


def test_empty_bodies_are_no_ends():
    nothing = Body("nothing", "wire", shapes.empty(), True, "B", True)
    assert asked([body("bus A", "A"), nothing, body("tower")]) == {}


def names(bodies, one, other):
    return [case_name(case, [body.name for body in bodies]) for case in cases(bodies, one, other)]


def test_cases_are_every_combination_and_bodies_of_one_name_of_state_change_together():
    dead = (("circuit x at earth", "earth"),)
    bodies = [body("D1", "D", states=dead), body("D2", "E", states=dead), body("w", "D", states=(("lost", None),))]
    found = cases(bodies, "D", "earth")
    assert names(bodies, "D", "earth") == ["as stated", "lost", "circuit x at earth", "circuit x at earth and lost"]
    assert dict(found[0].potential) == {"D1": "D", "D2": "E", "w": "D"}
    assert dict(found[3].potential) == {"D1": "earth", "D2": "earth", "w": None}
    # A chain is told by the states of the bodies on it alone.
    assert [case_name(case, ["w"]) for case in found] == ["as stated", "lost", "as stated", "lost"]


def test_a_state_that_takes_a_body_out_of_every_chain_is_no_case_of_its_own():
    """Between B and earth a tail at its former phase A, or at its own, is on no chain: at earth it is."""
    tail = body("tail", "A", job=True, states=(("tail at earth", "earth"), ("tail at its own", "tail")))
    assert names([tail], "B", "earth") == ["tail at earth"]
    assert names([tail], "A", "earth") == ["as stated", "tail at earth"]
    assert names([tail], "A", "tail") == ["as stated", "tail at its own"]
    assert names([tail], "A", "B") == ["as stated"]
    worker = body("w", "A", job=True, states=(("lost", None),))
    assert names([worker], "B", "earth") == ["lost"]


SHARED = "floating bodies at earth"
"""The state that all solids stated as floating have, and take each by itself."""

EITHER = [None, "earth"]

STATES = st.lists(st.sampled_from(["A", "B", "earth", None, "own"]), min_size=1, max_size=3, unique=True)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(STATES | st.just(EITHER), st.booleans()), min_size=1, max_size=5))
@example([(EITHER, True), (EITHER, False)])
@example([(EITHER, True), (EITHER, False), (["A", None], True), (EITHER, False)])
def test_the_cases_that_are_left_hold_every_chain_of_every_combination(told):
    """Each combination spelled out by itself, body by body: no chain of it is missing, and none is there that no
    combination has."""
    bodies = [
        body(
            f"b{k}",
            first,
            job,
            tuple((f"b{k} at {state}" if [first, *others] != EITHER else SHARED, state) for state in others),
        )
        for k, ((first, *others), job) in enumerate(told)
    ]
    fixed = [body("line A", "A"), body("line B", "B"), body("tower")]

    def of(questions):
        return {
            (question.between, question.kind, chain)
            for question in questions
            for path in question.paths
            for chain in itertools.product(*(group.bodies for group in path.groups))
        }

    wanted = set()
    for states in itertools.product(*(potentials for potentials, _ in told)):
        sure = [body(b.name, state, b.job) for b, state in zip(bodies, states, strict=True)]
        wanted |= of(judged([*fixed, *sure], ("A", "B"), (), ()))
    assert of(judged([*fixed, *bodies], ("A", "B"), (), ())) == wanted


def test_what_floats_beside_another_at_earth_is_told_and_doubles_no_case():
    """The bus is of the line, and so is the plate that floats: only by way of it does the job's own plate matter."""
    either = ((SHARED, "earth"),)
    bodies = [body("bus", "A"), body("plate", None, states=either), body("brought", None, True, either), body("tower")]
    (case,) = cases(bodies, "A", "earth")
    found = asked(bodies, live=("A",))
    assert chains(found["A", "earth", "tool"]) == {(("bus",), ("brought",))}
    assert (("bus",), ("plate",), ("brought",)) in chains(found["A", "earth", "object"])
    assert case_name(case, ["bus", "plate", "brought"]) == SHARED
    assert case_name(case, ["bus", "plate", "tower"]) == "as stated"
    many = [body("bus", "A"), *(body(f"plate {k}", None, k == 0, either) for k in range(LONGEST - 1))]
    assert len(cases(many, "A", "earth")) == 1


def test_more_cases_than_can_be_judged_are_refused_by_name():
    count = MOST_CASES.bit_length()
    bodies = [body(f"wire {k}", states=((f"state {k}", "A"),)) for k in range(count)]
    assert len(cases(bodies[:-1], "A", "earth")) == MOST_CASES
    with pytest.raises(ValueError, match=f"wire {count - 1}"):
        cases(bodies, "A", "earth")


def test_more_floating_bodies_than_a_chain_can_pass_are_refused_by_name():
    loose = [body(f"piece {k}", None, job=True) for k in range(LONGEST)]
    with pytest.raises(ValueError, match="piece 0"):
        asked([*LINE, *loose])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["A", "B", "earth", None]), st.booleans()), min_size=1, max_size=5))
def test_the_chains_are_all_simple_paths_of_the_design_and_no_others(told):
    """Counted afresh, body by body: each body a conductor of its own makes a superset of the groups' chains."""
    bodies = [body(f"b{k}", potential, job) for k, (potential, job) in enumerate(told)]
    at = {b.name: b.potential for b in bodies}
    jobs = {b.name for b in bodies if b.job}
    floating = [b.name for b in bodies if b.potential is None]
    wanted = set()
    for one, other in itertools.permutations([b.name for b in bodies if b.potential is not None], 2):
        if at[one] == at[other]:
            continue
        for count in range(len(floating) + 1):
            for between in itertools.permutations(floating, count):
                chain = (one, *between, other)
                if jobs & set(chain):
                    wanted.add(chain)
    found = set()
    for question in judged(bodies, ("A", "B"), (), ()):
        for path in question.paths:
            for chain in itertools.product(*(group.bodies for group in path.groups)):
                found |= {chain, chain[::-1]}
    assert found == wanted


@pytest.mark.parametrize("held", [False, True])
def test_what_floats_near_an_opening_is_exempt_only_as_the_hand_that_opens(held):
    """From the free end by way of a floating body to what it leaves: only with the bond of that hand lost."""
    parting = Parting("tail", "A", "end", frozenset({"bus A"}), frozenset({"worker"} if held else ()))
    bodies = [body("bus A", "A"), body("bus B", "B"), body("tail", "tail", job=True), body("end", "tail", job=True),
              body("worker", None, job=True)]  # fmt: skip
    found = {(*q.between, q.kind): q for q in judged(bodies, ("A", "B", "tail"), (), (), parting)}
    ends = {chain[-1] for chain in chains(found["A", "tail", "object"])}
    assert any("end" in group for group in ends) != held
    assert any("tail" in group for group in ends)
    # Towards another phase it is no pair that parts.
    far = chains(found["B", "tail", "object"])
    assert {name for chain in far for name in chain[-1]} == {"tail", "end"}
    assert {chain[:-1] for chain in far} == {(("bus B",), ("worker",))}
