"""Statements: each kind takes away what it says and nothing else; what stands together is withdrawn together.

Every scene is judged with its statement and without it, and beyond the limit without it too, so that the statement is
what turns the verdict. Limits are those of 29 CFR 1910.269 Table R-3 at 245 kV and 2.5 per unit, worked out here (from
memory; `tests/published` compares the equation with Table R-7). "slowly" is held by `test_scene_dropper_off.py`.
"""

from __future__ import annotations

import json
import math
import re
from typing import get_args

import pytest
import small_scenes as small
from pydantic import TypeAdapter
from small_scenes import (
    CIRCUIT,
    SPREAD,
    WORKER,
    box,
    contact,
    insulating,
    isolated,
    may_open,
    never_at,
    only,
    slab,
    stage,
)
from test_job_whip import ROPES, guides, lowering

from clearance.bodies import worker
from clearance.errors import InputError
from clearance.result import least_margin
from clearance.scene.records_statements import Statement
from clearance.scene.statements import earthed_circuits, groups, takes_away, there_is_none

TWO = {**CIRCUIT, "phases": ["A", "B"]}
BUSES = [slab("bus A", bottom_m=12.0), slab("bus B", bottom_m=30.0, potential="B")]
ELECTRICAL = 0.3048 * 0.011 * 245 / math.sqrt(3) * 2.5
"""[m] Phase to earth, a tool in the gap: 1.1856 m."""
WHOLE, AIR = ELECTRICAL + 0.31, ELECTRICAL * 0.010 / 0.011 + 0.31
"""[m] With the ergonomic part: 1.4956 m; where only air is in the gap 1.3878 m."""
MORE = 0.03


def judged(statement=None, **parts):
    said = [*parts.pop("statements", ()), *([] if statement is None else [statement])]
    return only(**{"circuits": [TWO], "solids": BUSES, "statements": said, **parts})


def turned(statement, near, far, without="breach"):
    """The verdicts of two scenes with the statement are clear; without it only that of the second is."""
    assert judged(**near).verdict == without
    assert judged(statement, **near).verdict == "clear"
    assert judged(**far).verdict == "clear"


def truck(below_m, bus_m=12.0):
    """A vehicle 15 m beside the ladder, whose top is so far below a bus."""
    high = bus_m - below_m
    return [{"name": "truck", "centre_m": [15, 0, high / 2], "size_m": [4, 2, high], "heading_deg": 0}]


def test_what_is_absent_is_not_judged():
    near, far = ({"vehicles": truck(WHOLE + more)} for more in (-MORE, MORE))
    turned({"kind": "absent", "bodies": ["truck"]}, near, far)
    # In another stage it is there.
    stages = [stage(), stage(name="again")]
    said = [{"kind": "absent", "bodies": ["truck"], "stages": ["again"]}]
    found = small.checked(circuits=[TWO], solids=BUSES, stages=stages, statements=said, **near).stages
    assert [one.verdict for one in found] == ["breach", "clear"]


def bonded_before(away_m, potential="earth"):
    """A worker bonded to a small bus over the head, and a plate so far behind the reach of both arms, 2.5 m up."""
    back = worker.reach_envelope(small.body(), 0.0).bounds[0][0]
    bus = box("bus A", [-0.3, 0.0, 5.1], [0.2, 0.2, 0.2], "A")
    plate = box("plate", [back - away_m - 0.05, 0.0, 3.5], [0.1, 2.0, 2.0], potential)
    bond = {"kind": "work", "bonded": {"worker": "A"}, "bonding_lead_m": 0.05, "clamp_m": [0.0, 0.0, 4.05]}
    short = {**small.LADDER, "length_m": 3.5, "insulating_to_m": 3.5}
    return {"ladder": short, "solids": [bus, small.grip([0.0, 0.0, 4.05]), BUSES[1], plate], "stages": [stage(**bond)]}


def test_a_floating_plate_that_is_never_at_earth_adds_its_air_to_the_ground():
    near, far = (bonded_before(ELECTRICAL + more, "floating") for more in (-MORE, MORE))
    turned(never_at("plate", "earth"), near, far)
    # The other state left out: it is as good as earthed.
    assert judged(never_at("plate", "floating"), **near).verdict == "breach"


@pytest.mark.parametrize("potential", ["earth", "floating"])
def test_a_solid_that_insulates_counts_as_air(potential):
    near, far = (bonded_before(ELECTRICAL + more, potential) for more in (-MORE, MORE))
    turned(insulating("plate"), near, far)


def test_a_timber_mast_is_earth_until_somebody_says_that_it_insulates():
    """A round mast behind a worker who is bonded: its near side is where the limit just is, or is not, kept."""
    near, far = ({**bonded_before(ELECTRICAL + more)} for more in (-MORE, MORE))
    for parts in (near, far):
        *rest, plate = parts["solids"]
        middle = plate["centre_m"][0] + 0.05 - 0.2
        parts["solids"] = [*rest, {"kind": "cylinder", "name": "mast", "from_m": [middle, 0, 0], "to_m": [middle, 0, 9],
                                   "radius_m": 0.2}]  # fmt: skip
    turned(insulating("mast"), near, far)


def test_a_rope_that_insulates_is_no_earth():
    rope = {"name": "rope", "to_m": [15, 0, 0.1], "diameter_m": 0.02}
    near, far = ({"ropes": [{**rope, "from_m": [15, 0, 12.0 - WHOLE - more]}]} for more in (-MORE, MORE))
    turned(insulating("rope"), near, far)


def test_what_holds_a_tail_keeps_it_from_another_phase():
    """Guided it goes 0.5 m aside, and half its diameter; free, 4.8 m of wire go all about their far end."""

    def beside(away_m):
        # Short, so that the guide to the other side passes beside it to somebody who is out of reach of the whip.
        rail = box("bus B", [4, away_m + 0.05, 5], [0.5, 0.1, 6], "B")
        ropes = [ROPES[0], {**ROPES[1], "to_m": [2, 14, 0.1]}]
        return lowering([rail], release={"ropes": ropes}, crew=small.hands_at(*ropes))

    free, between = 4.8 * 1.005 + 0.015, ELECTRICAL / 2.5 * (1.35 * 2.5 + 0.45)
    # Between phases the equation takes a = 0.0116 / 0.011 more of its constant above 635 kV: `test_job_whip` has it.
    electrical = 1.9673504766
    assert between < electrical < between * 1.1
    turned(guides(), beside(0.515 + electrical + MORE), beside(free + electrical + MORE))
    assert judged(**beside(free + electrical - MORE)).verdict == "breach"
    assert judged(guides(), **beside(0.515 + electrical - MORE)).verdict == "breach"


def test_a_restrained_worker_reaches_less_far():
    arm = small.body().arm_m
    near, far = (bonded_before(ELECTRICAL + more) for more in (-MORE, MORE))
    turned({"kind": "restrained reach", "person": "worker", "reach_m": arm - 2 * MORE}, near, far)


def test_arms_that_stay_down_reach_less_high():
    """Fingertips overhead: boots, 2.263 m, glove and spread; arms down, the helmet is the highest."""
    helper = {**WORKER, "name": "helper", "at_m": [15, 0]}
    helper.pop("trunk_lean_m")
    reach = 0.03 + 2.263 + 0.04 + 2 * SPREAD

    def under(away_m):
        low = box("low A", [15, 0, reach + away_m + 0.05], [0.5, 0.5, 0.1], "A")
        return {"crew": [helper], "solids": [*BUSES, low]}

    down = {"kind": "restrained reach", "person": "helper", "arms": "down"}
    assert small.head_m() < reach - 0.2
    turned(down, under(WHOLE - 0.1), under(WHOLE + 0.1))
    assert judged(down, **under(WHOLE - (reach - small.head_m()) - 0.05)).verdict == "breach"


def test_what_is_meant_to_touch_is_no_collision():
    """The ladder's top, 8 m up, travels 0.1 m either way at a beam, which insulates: an earthed one would leave no
    length of the ladder below what may be live at its top."""
    near, far = (
        {"solids": [*BUSES, box("beam", [0, 0, at], [0.3, 3.0, 0.2])], "stages": [stage(travel_m=[4.9, 5.1])],
         "statements": [insulating("beam")]}
        for at in (7.9, 8.2)
    )  # fmt: skip
    turned(contact("ladder", "beam"), near, far)
    assert judged(contact("worker", "beam"), **near).verdict == "breach"


def test_air_alone_has_the_shorter_limit_of_air():
    near, far = ({"vehicles": truck(away)} for away in ((WHOLE + AIR) / 2, WHOLE + MORE))
    said = {"kind": "air only", "between": ["A", "earth"]}
    turned(said, near, far)
    assert judged(said, vehicles=truck(AIR - MORE)).verdict == "breach"
    assert judged({**said, "between": ["earth", "B"]}, **near).verdict == "breach"


def test_the_far_end_of_a_wire_that_is_off_is_isolated_by_somebodys_word():
    wire = {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": [16, 0, 9], "to_m": [18, 0, 5]}
    wire |= {"length_m": 4.8, "diameter_m": 0.03, "release": {"free_end": "from", "lowered_to_m": [16, 0, 6]}}
    parts = {"wires": [wire], "stages": [stage(off=["dropper"])]}
    turned(isolated("dropper"), parts, {"wires": [wire]}, "undecided")


@pytest.mark.parametrize("state", [None, "dead, not earthed"])
def test_a_circuit_that_is_earthed_is_not_judged_as_live(state):
    line = {**CIRCUIT, "name": "line", "phases": ["D", "E"], "state": state}
    solids = [*BUSES, slab("bus D", bottom_m=9.0, potential="D", at=(15.0, 0.0), size=(6.0, 4.0))]
    solids.append(slab("bus E", bottom_m=60.0, potential="E"))
    near, far = (
        {"circuits": [TWO, line], "solids": solids, "vehicles": truck(WHOLE + more, 9.0)} for more in (-MORE, MORE)
    )
    turned({"kind": "circuit earthed", "circuit": "line"}, near, far)


SITE = small.scene()


def made(*entries):
    return [TypeAdapter(Statement).validate_json(json.dumps({**small.SAID, **entry})) for entry in entries]


ABSENT = {"kind": "absent", "bodies": ["gantry", "truck"]}
WORDS = [
    (ABSENT, "gantry, truck: not there"),
    ({**ABSENT, "stages": ["climb", "work"]}, "gantry, truck: not there in climb, work"),
    (never_at("gantry", "earth", "own"), "gantry: never at earth nor at a potential of its own"),
    (never_at("dropper", "phase", stages=["work"]), "dropper: never at its former phase in work"),
    (never_at("plate", "floating"), "plate: never floating"),
    (never_at("plate", "earth", "floating"), "plate: never at earth nor floating"),
    (insulating("hut"), "hut: insulates"),
    (guides(0.5), "dropper: held by guides, no further than 0.5 m aside, whichever rope fails"),
    (
        {"kind": "held", "wire": "dropper", "rope": "safety rope", "length_m": 4},
        "dropper: held by a safety rope of 4 m, whichever rope fails",
    ),
    (
        {"kind": "restrained reach", "person": "worker", "reach_m": 0.5},
        "worker: reaches no further than 0.5 m from the shoulder",
    ),
    ({"kind": "restrained reach", "person": "helper", "arms": "down"}, "helper: keeps the arms down"),
    ({**contact("worker", "bus A"), "stages": ["work"]}, "worker and bus A: meant to touch in work"),
    ({"kind": "air only", "between": ["A", "earth"]}, "A to earth: only air in the gap"),
    (
        {"kind": "held", "wire": "dropper", "within_m": 0.6, "parked": True},
        "dropper: held by ropes either of which holds, within 0.6 m, whichever rope fails, once parked",
    ),
    (isolated("dropper"), "dropper: far end isolated"),
    (may_open("dropper", "by hand", 0.01, 15.0), "dropper: may be opened by hand at up to 0.01 A and 15 J"),
    (
        {"kind": "fast", "wire": "dropper"},
        "dropper: its connection holds until it is opened, and once it is closed",
    ),
    ({"kind": "circuit earthed", "circuit": "line"}, "circuit line: dead and earthed"),
    ({"kind": "slowly", "wire": "bus A"}, "bus A: load taken off or put on slowly"),
    ({"kind": "none", "what": ["crew", "tools"]}, "none in this job: crew, tools"),
    ({"kind": "designed gap", "bodies": ["horn", "bus A"], "gap_m": 1.2}, "horn and bus A: designed gap of 1.2 m"),
    (
        {"kind": "confirmed", "entry": "circuit 'bay'", "field": "overvoltage_per_unit", "value": 1.2},
        "circuit 'bay', overvoltage_per_unit: unlikely value 1.2 confirmed",
    ),
    ({"kind": "left out", "file": "scan.laz", "classes": [7, 18]}, "scan.laz: classes 7, 18 are no bodies"),
]


def test_what_a_statement_takes_away_is_told_in_plain_words():
    for entry, words in WORDS:
        (statement,) = made(entry)
        assert takes_away(statement) == words
    kinds = {get_args(one.model_fields["kind"].annotation)[0] for one in get_args(get_args(Statement)[0])}
    assert {entry["kind"] for entry, _ in WORDS} == kinds


GONE = {"kind": "absent", "bodies": ["gantry"]}
JOINED = {
    "not there, and never at earth": (GONE, never_at("gantry", "earth")),
    "not there twice": (GONE, {**GONE, "stages": ["work"]}),
    "two absences of one of several": (GONE, ABSENT),
    "an absence that two others share": (GONE, {"kind": "absent", "bodies": ["truck"]}, ABSENT),
    "two states of one body": (never_at("gantry", "earth"), never_at("gantry", "own")),
    "insulating, and never at earth": (insulating("gantry"), never_at("gantry", "earth")),
    "a contact and an absence": (contact("worker", "gantry"), GONE),
    "one contact said twice": (contact("worker", "gantry"), {**contact("gantry", "worker"), "stages": ["work"]}),
    "guides and a rope": (guides(), {"kind": "held", "wire": "dropper", "rope": "safety rope", "length_m": 4}),
    "two reaches of one worker": tuple(
        {"kind": "restrained reach", "person": "worker", "reach_m": reach} for reach in (0.4, 0.5)
    ),
    "only air, said twice": tuple({"kind": "air only", "between": pair} for pair in (["A", "earth"], ["earth", "A"])),
    "a circuit earthed twice": ({"kind": "circuit earthed", "circuit": "line"},) * 2,
}
APART = {
    "two bodies": (GONE, never_at("tower", "earth")),
    "two contacts of one worker": (contact("worker", "gantry"), contact("worker", "bus A")),
    "a contact, and an absence of another": (contact("worker", "gantry"), {"kind": "absent", "bodies": ["truck"]}),
    "two phases": tuple({"kind": "air only", "between": [phase, "earth"]} for phase in "AB"),
    "two wires": (isolated("dropper A"), isolated("dropper B")),
    "a body and a circuit of its name": (GONE, {"kind": "circuit earthed", "circuit": "gantry"}),
    "crew and weather": ({"kind": "none", "what": ["crew"]}, {"kind": "none", "what": ["weather"]}),
}


@pytest.mark.parametrize("name", JOINED)
def test_statements_that_take_away_the_same_stand_together(name):
    entries = made(*JOINED[name])
    assert groups(entries, SITE) == (tuple(entries),)
    assert groups(iter(entries), SITE) == (tuple(entries),)
    other = made(never_at("elsewhere", "earth"))
    assert groups([entries[0], *other, *entries[1:]], SITE) == (tuple(entries), tuple(other))


@pytest.mark.parametrize("name", APART)
def test_statements_about_different_things_stand_apart(name):
    entries = made(*APART[name])
    assert groups(entries, SITE) == tuple((entry,) for entry in entries)
    assert groups(entries[::-1], SITE) == tuple((entry,) for entry in entries[::-1])


# Statements of two kinds that take away the same thing. Each pair is worked out by hand to cover for one another: with
# either of them alone nothing is wrong, with neither the scene is not clear.

LINE = {**CIRCUIT, "name": "line", "phases": ["D", "E", "F"], "state": "dead, not earthed"}
HIGH = [
    slab("bus A", bottom_m=9.0),
    slab("bus B", bottom_m=12.0, potential="B"),
    slab("bus C", bottom_m=15.0, potential="C"),
]
HIGH_E = [slab(f"bus {name}", bottom_m=bottom_m, potential=name) for name, bottom_m in (("E", 60.0), ("F", 70.0))]
EARTHED = {"kind": "circuit earthed", "circuit": "line"}
DEAD = {
    "circuits": [CIRCUIT, LINE],
    "ladder": {**small.LADDER, "length_m": 4.6, "insulating_to_m": 4.6},
    "solids": [
        box("near A", [1.8, 0, 3.8], [0.2, 2, 1], "A"),
        box("bus D", [0, 0, 6.2], [1, 1, 0.2], "D"),
        *(
            slab(f"bus {name}", bottom_m=bottom_m, potential=name)
            for name, bottom_m in (("B", 26), ("C", 36), ("E", 46), ("F", 56))
        ),
    ],
}
"""Bus D is some 1.2 m above the head of the worker, who stands at 3 m, and phase A as far aside: far enough from earth,
and together less than phases at 245 kV need over a worker, 2.28 m."""
HORN = {"kind": "designed gap", "bodies": ["first", "second"], "gap_m": 0.8}
"""0.8 m at 245 kV: T = 1 needs 0.43 m, T = 2.5 1.08 m (29 CFR 1910.269, Table R-3)."""


def horns(potential="A"):
    return [box("first", [10, 0, 20], [1, 1, 1], potential), box("second", [11.8, 0, 20], [1, 1, 1], "earth")]


LOW = {**CIRCUIT, "overvoltage_per_unit": 1.2}
COVERING = {
    "circuit earthed, absent": ({"kind": "absent", "bodies": ["bus D"]}, EARTHED, DEAD),
    "circuit earthed, never at": (never_at("bus D", "phase"), EARTHED, DEAD),
    "circuit earthed, designed gap": (
        HORN,
        EARTHED,
        {"circuits": [CIRCUIT, {**LINE, "state": None}], "solids": [*HIGH, *HIGH_E, *horns("D")]},
    ),
    "absent, designed gap": (
        HORN,
        {"kind": "absent", "bodies": ["second"]},
        {"solids": [*HIGH, *horns()]},
    ),
    "insulating, designed gap": (HORN, insulating("second"), {"solids": [*HIGH, *horns()]}),
    "confirmed, confirmed of all": (
        {"kind": "confirmed", "entry": "circuit 'bay'", "field": "overvoltage_per_unit", "value": 1.2},
        {"kind": "confirmed", "entry": "every circuit", "field": "overvoltage_per_unit", "value": 1.2},
        {"circuits": [LOW], "solids": HIGH},
    ),
    "circuit earthed, confirmed": (
        {"kind": "confirmed", "entry": "circuit 'line'", "field": "phases", "value": ["D", "E", "F"]},
        EARTHED,
        {
            "circuits": [CIRCUIT, {**LINE, "state": None}],
            "solids": [
                *HIGH,
                *(box(f"box {name}", [100, 0, z], [1, 1, 1], name) for name, z in (("D", 20), ("E", 40), ("F", 60))),
            ],
        },
    ),
    "absent, never at": (
        {"kind": "absent", "bodies": ["bus D"]},
        never_at("bus D", "phase"),
        DEAD,
    ),
}


SURE = 0.0011
"""[m] An uncertainty so small that it changes nothing here, and usual, so that nobody confirms it."""


@pytest.mark.parametrize("name", COVERING)
def test_statements_of_two_kinds_do_not_cover_for_one_another(name):
    one, other, parts = COVERING[name]
    parts = {**parts, "stages": [stage(climb_m=3.0)], "workers": [{**WORKER, "trunk_lean_m": 0.0}], "surveyed_m": SURE}
    rank = {"clear": 0, "undecided": 1, "breach": 2}
    alone = [small.checked(0.01, **parts, statements=[said]) for said in (one, other)]
    neither = small.checked(0.01, **parts)
    assert rank[neither.verdict] > min(rank[found.verdict] for found in alone)
    both = small.checked(0.01, **parts, statements=[one, other], withdraw=True)
    leans = [one for one in both.statements if any("lean_" in said.takes_away for said in one.statements)]
    (group,) = [one for one in both.statements if len(one.statements) == 2 and one not in leans]
    assert group.verdict == neither.verdict
    least, _ = least_margin([(found.name, found) for found in neither.stages])
    assert group.margin_m == pytest.approx(least, abs=0.02)  # enclosures to 1 cm, twice
    assert all(rank[group.verdict] >= rank[found.verdict] for found in alone)


@pytest.mark.parametrize(("off_m", "together"), [(14.9, True), (15.1, False)])
def test_a_reach_that_is_held_back_and_the_absence_of_what_it_would_meet_do_not_cover_for_one_another(off_m, together):
    """The plate behind the reach is away, and the reach is held back from it: each alone keeps the stage clear. What is
    away 15 m beyond the ladder's place, of which people reach 2.5 m more, is a matter of its own, but for other
    absences: those all stand together."""
    held = {"kind": "restrained reach", "person": "worker", "reach_m": small.body().arm_m - 2 * MORE}
    parts = bonded_before(ELECTRICAL - MORE)
    parts["solids"].append(box("shed", [off_m + 2.5 + 0.5, 0, 1], [1, 1, 2]))
    parts["surveyed_m"] = SURE
    gone = [{"kind": "absent", "bodies": [name]} for name in ("plate", "shed")]
    for said in ([held], gone):
        assert judged(**parts, statements=said).verdict == "clear"
    for away, names in ((gone, ["worker", "plate", "shed"]), (gone[1:], ["worker", *["shed"] * together])):
        found = small.checked(circuits=[TWO], **parts, statements=[held, *away], withdraw=True)
        assert found.stages[0].verdict == "clear"
        (group,) = [one for one in found.statements if any("reaches" in said.takes_away for said in one.statements)]
        told = [said.takes_away.split(":")[0] for said in group.statements]
        assert [name for name in told if name != "worker, trunk_lean_m"] == names
        assert group.verdict == "breach"


BONDED = {
    "stages": [stage(bonded={"worker": "A"}, bonding_lead_m=2.0, clamp_m=[0.0, 0.0, 6.0])],
    "solids": [*HIGH[1:], slab("bus A", bottom_m=5.5)],
}


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"kind": "absent", "bodies": ["worker"]}, r"found statement 2 \(absent\): worker: not there"),
        ({"kind": "circuit earthed", "circuit": "bay"}, r"found statement 2 \(circuit earthed\): circuit bay: dead"),
        ({"kind": "absent", "bodies": ["bus A"]}, r"found statement 2 \(absent\): bus A: not there"),
    ],
)
def test_a_bond_that_a_statement_contradicts_is_refused_with_that_statement(said, words):
    with pytest.raises(InputError, match=r"bonded.worker: expected nothing stated against the bond") as caught:
        small.checked(0.02, **BONDED, statements=[said])
    assert re.search(words, str(caught.value))
    assert "move the ladder" not in str(caught.value).lower()
    # Without it the bond is judged, and out of reach of everything the remedy is still to move.
    assert small.checked(0.02, **BONDED).stages[0].gaps
    far = {**BONDED, "solids": [*HIGH[1:], slab("bus A", bottom_m=9.0)]}
    with pytest.raises(InputError, match=r"beyond the reach envelope. Move the ladder"):
        small.checked(0.02, **far)


def test_a_circuit_stated_as_live_is_not_stated_as_earthed():
    for state in ("dead, not earthed", None):
        said = small.scene(circuits=[CIRCUIT, {**LINE, "state": state}], statements=[EARTHED])
        assert "line" in earthed_circuits(said)
    words = r"\(circuit earthed\): circuit: expected a circuit that is not stated as live, found \"line\""
    with pytest.raises(InputError, match=words):
        small.scene(circuits=[CIRCUIT, {**LINE, "state": "live"}], statements=[EARTHED])


@pytest.mark.parametrize("stages", [None, ["stage"], ["other"]])
def test_none_of_them_in_some_stages_is_none_in_those_alone(stages):
    said = {"kind": "none", "what": ["crew"], **({"stages": stages} if stages else {})}
    made = small.scene(stages=[stage(), stage(name="other", anew=True)], statements=[said])
    assert there_is_none(made) == ({"crew"} if stages is None else set())
    for one in made.stages:
        assert there_is_none(made, one) == ({"crew"} if one.name in (stages or [one.name]) else set())
