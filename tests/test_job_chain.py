"""What one stage leaves and the next takes up, where a word could leave out a motion or a state: each on both sides."""

from __future__ import annotations

import pytest
import small_scenes as small
from small_scenes import CIRCUIT, SAID, box, isolated, lashed, never_at, scene, slab, stage

from clearance.errors import InputError
from clearance.job import completeness, sequence
from clearance.pipeline import prepare

TWO = {**CIRCUIT, "phases": ["A", "B"]}
EMPTY = {"workers": [], "travel_m": None, "climb_m": None, "posture": None}
ESTABLISHED = {"far_end": "open and locked", "phase_identified": "traced", "by": "the test"}
DROPPER = {
    "kind": "jumper", "name": "dropper", "phase": "A", "from_m": [2.0, 0.0, 12.0], "to_m": [6.0, 0.5, 8.0],
    "length_m": 7.0, "diameter_m": 0.03, "uncertainty_m": 0.02,
    "release": {"free_end": "from", "lowered_to_m": [2.5, 1.0, 9.0], "before_opening": ESTABLISHED},
}  # fmt: skip
"""Its free end is lowered by the root of 0.25 + 1 + 9, 3.20 m, to where it is parked."""
POST = {"name": "post", "from_m": [6, 0.5, 2.0], "to_m": [6, 0.5, 8.0], "insulating_m": 5.9, "diameter_m": 0.2}
MAST = box("mast", [3.0, -1.2, 9.5], [0.2, 0.2, 0.2])
SITE = [slab("bus B", bottom_m=60.0, potential="B"), box("bus A", [2, 0, 12.32], [0.4, 0.4, 0.6], "A"), MAST]


def step(name, kind="work", **fields):
    return stage(name=name, kind=kind, **{**EMPTY, **fields})


def tail(*stages, never=(), **changes):
    """Stages with a dropper, beside whose way stands a mast; `never`: the states that it is stated never to be in."""
    said = [never_at("dropper", *never)] if never else []
    return {"circuits": [TWO], "ladder": None, "track": None, "workers": None, "insulators": [POST],
            "wires": [DROPPER], "statements": [isolated("dropper"), lashed("dropper"), *said], "solids": SITE,
            "stages": stages,
            **changes}  # fmt: skip


def refused(*stages, **changes):
    """What is refused of such stages, each in words."""
    try:
        prepare(scene(**tail(*stages, **changes)))
    except InputError as error:
        return [str(mistake) for mistake in error.mistakes]
    return []


OPEN = step("open", "open", released=["dropper"], lower_m=[0, 2.6], opening_distance_m=0.5)
WAY = {"released": ["dropper"], "lower_m": [2.6, 3.2]}
LOWER, RAISE = step("lower", "lower", **WAY), step("raise", "raise", **WAY)
PARKED = step("parked", off=["dropper"])
CLOSE = step("close", "close", released=["dropper"], lower_m=[0, 2.6], opening_distance_m=0.5)


def test_only_a_wire_that_was_lowered_to_where_it_is_parked_is_parked():
    assert refused(OPEN, LOWER, PARKED, RAISE, CLOSE) == []
    (said,) = refused(OPEN, LOWER, PARKED, RAISE, {**PARKED, "name": "again"})
    assert "stage 'again': off: expected a wire that a stage has lowered" in said
    assert "opened in stage 'raise' and not lowered" in said
    assert refused(OPEN, LOWER, PARKED, RAISE, {**LOWER, "name": "down"}, {**PARKED, "name": "again"}) == []
    # Raised by a part of its way and lowered again from there it is parked; left there it is not.
    part = step("part", "raise", released=["dropper"], lower_m=[2.9, 3.2])
    rest = step("rest", "lower", released=["dropper"], lower_m=[2.9, 3.2])
    assert refused(OPEN, LOWER, part, rest, PARKED) == []
    assert "opened in stage 'part' and not lowered" in refused(OPEN, LOWER, part, PARKED)[0]


@pytest.mark.parametrize(("kind", "at"), [("work", 0.0), ("work", 3.2), ("lower", [0, 3.2]), ("lower", [1.0, 3.2])])
def test_a_parked_wire_leaves_where_it_is_parked_by_a_raising_alone(kind, at):
    (said,) = refused(OPEN, LOWER, PARKED, step("moved", kind, released=["dropper"], lower_m=at))
    assert "stage 'moved': released: expected a wire that is not parked" in said
    assert refused(OPEN, LOWER, PARKED, RAISE, step("moved", released=["dropper"], lower_m=2.6)) == []


EARTHED = {"off": ["dropper"], "potentials": {"dropper": "earth"}}
EARTHING = step("earthing", "earthing", off=["dropper"], earths=["dropper"], stick_m=3.0)


def at(*stages, **changes):
    """What the dropper may be at in each of the stages."""
    prepared = prepare(scene(**tail(*stages, **changes)))
    found = [next(body for body in pieces[0].bodies if body.name == "dropper") for pieces in prepared.stages]
    return [{body.potential, *(state for _, state in body.states)} for body in found]


def test_a_wire_is_at_earth_alone_only_where_a_stage_before_has_earthed_it():
    every = {"A", "earth", "dropper"}
    words = [step("first", **EARTHED), step("second", **EARTHED)]
    assert at(*words) == [every, every], "a word earths nothing"
    assert at(PARKED, EARTHING, words[1]) == [every, every, {"earth"}]
    assert at(words[0], EARTHING, words[1]) == [every, every, {"earth"}]
    # What begins anew knows nothing of an earth before it.
    assert at(PARKED, EARTHING, {**words[1], "anew": True}) == [every, every, every]
    lifts = {**words[1], "name": "lifts", "kind": "earthing", "lifts_earth": ["dropper"], "stick_m": 3.0}
    assert at(PARKED, EARTHING, lifts, {**PARKED, "name": "bare"})[2:] == [every, every]
    # An earth that a rescue puts on is none of the job's; nor is one surely there while it is being put on.
    rescue = [{**EARTHING, "name": "of the rescue", "rescue": "parked"}, {**words[1], "rescue": "parked"}]
    assert at(PARKED, *rescue, {**PARKED, "name": "main"}) == [every, every, {"earth"}, every]
    assert at(PARKED, EARTHING, {**words[1], "rescue": "earthing"}) == [every, every, every]


def test_earth_by_a_word_turns_no_breach_into_clear():
    """Bus A keeps what is required from the parked tail at earth or at A; at its own potential the mast beside it, at
    earth, does not."""
    parts = {"never": ["phase"], "solids": [*SITE[:2], box("mast", [4.4, 0.9, 7.0], [0.2, 0.2, 0.2])]}
    look = step("look", **EARTHED)
    found = [
        small.checked(0.01, **tail(*s, **parts)).stages[-1] for s in ((look,), (PARKED,), (PARKED, EARTHING, look))
    ]
    assert [one.verdict for one in found[:2]] == ["breach", "breach"]
    too_near = [{gap.between for gap in one.gaps if gap.verdict == "breach"} for one in found]
    assert too_near == [{("dropper", "earth")}, {("dropper", "earth")}, set()]


def test_a_job_that_begins_with_a_wire_off_needs_somebodys_word():
    said = {**SAID, "kind": "confirmed", "entry": "wire 'dropper'", "field": "name", "value": "dropper"}
    for stages, words, told in (
        ((PARKED,), (), True),
        ((OPEN, LOWER, PARKED), (), False),
        ((PARKED,), ({**said, "doubt": "far away"},), True),
        ((PARKED,), ({**said, "doubt": "put there"},), False),
    ):
        parts = tail(*stages, asks="job")
        found = completeness.open_points(scene(**{**parts, "statements": [*parts["statements"], *words]}))
        off = [point for point in found if 'it begins with "dropper" off' in point.what]
        assert [point.verdict for point in off] == (["undecided"] if told else [])


@pytest.mark.parametrize(
    ("clamp", "fields", "found"),
    [
        ("east A @ 1", {}, None), ("east B @ 1", {}, '"east B", of phase B'), ("shield @ 1", {}, '"shield", no phase'),
        ("dropper @ 1", {}, None),
        ("dropper @ 1", {"off": ["dropper"]}, '"dropper", which is taken off'),
        ("dropper @ 1", {"released": ["dropper"], "lower_m": 1}, '"dropper", which is taken off'),
    ],
)  # fmt: skip
def test_a_clamp_sits_on_a_wire_of_the_bonded_phase_that_is_in_place(clamp, fields, found):
    span = {"kind": "span", "sag_m": 0.01, "diameter_m": 0.02}
    ends = {"A": 6.0, "B": 9.0, None: 12.0}
    wires = [
        {**span, "name": f"east {phase}" if phase else "shield", "from_m": [-5, 0, z], "to_m": [5, 0, z],
         **({"phase": phase} if phase else {"potential": "earth"})}
        for phase, z in ends.items()
    ]  # fmt: skip
    bond = {"bonded": {"worker": "A"}, "bonding_lead_m": 2.0, "clamp_m": clamp}
    one = stage(**{**bond, **fields})
    parts = {"circuits": [TWO], "wires": [*wires, DROPPER], "statements": [isolated("dropper")], "stages": [one]}
    if found is not None and "taken off" in found:
        with pytest.raises(InputError, match="clamp_m: expected nothing that hangs on a wire which is taken off"):
            scene(**parts)
        return
    made = scene(**parts)
    said = [str(m) for _, _, ms in sequence.follow(made) for m in ms if "clamp_m" in str(m)]
    assert len(said) == (found is not None)
    assert found is None or f"expected a point of a wire of phase A, which is in place, found {found}" in said[0]
