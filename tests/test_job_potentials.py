"""Potentials that are not stated, not certain, or changed by the job: each judged on the careful side."""

from __future__ import annotations

import laspy
import numpy as np
import pytest
import small_scenes as small
from small_scenes import CIRCUIT, box, checked, gap, insulating, isolated, never_at, only, scene, slab, stage, wall

from clearance.errors import InputError
from clearance.gaps import case_name, cases
from clearance.job import staging
from clearance.pipeline import prepare
from clearance.scene.assemble import assemble

NEAR = 0.002
TWO = {**CIRCUIT, "phases": ["A", "B"]}
BUSES = [slab("bus A", bottom_m=12.0), slab("bus B", bottom_m=30.0, potential="B")]
PLAIN = {"name": "x", "phases": ["D", "E"], "nominal_kV": 220, "highest_kV": 245.0, "highest_basis": "IEC 60038"}


def bodies(**parts):
    site = assemble(scene(**{"circuits": [TWO], **parts}))
    (entry,) = site.scene.stages
    return {body.name: body for body in staging.settings_of(site, entry)[0].bodies}


def states(body):
    """Every potential that a body is judged at; "floating" for none."""
    return {potential or "floating" for potential in (body.potential, *(potential for _, potential in body.states))}


@pytest.mark.parametrize("material", [None, "wood", "concrete", "composite"])
def test_structures_of_any_material_are_earth(material):
    pole = {"kind": "pole", "name": "pole", "base_m": [6, 0], "height_m": 9, "base_radius_m": 0.2, "top_radius_m": 0.1}
    assert states(bodies(structures=[{**pole, "material": material}], solids=BUSES)["pole"]) == {"earth"}


def test_solids_ropes_people_vehicles_and_scanned_points_are_earth(tmp_path):
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.001] * 3, [0.0] * 3
    scan = laspy.LasData(header)
    scan.x, scan.y, scan.z = np.array([5.0, 5.2]), np.array([0.0, 0.1]), np.array([1.0, 2.0])
    scan.classification = np.array([1, 5])
    scan.write(tmp_path / "scan.laz")
    cloud = {
        "name": "scan",
        "file": str(tmp_path / "scan.laz"),
        "classes": [1, 5],
        "survey_error_m": 0.0,
        "thin_m": 0.0,
    }
    solid = {"kind": "box", "name": "hut", "centre_m": [6, 3, 1], "size_m": [1, 1, 2]}
    found = bodies(
        solids=[*BUSES, solid],
        clouds=[{**cloud, "uncovered_m": 0.0}],
        ropes=[{"name": "rope", "from_m": [3, 0, 4], "to_m": [5, 0, 0.5], "diameter_m": 0.02}],
        crew=[{"name": "helper", "stature_m": 1.8, "at_m": [4, 2]}],
        vehicles=[{"name": "truck", "centre_m": [9, 0, 1.5], "size_m": [4, 2, 3]}],
    )
    for name in ("scan", "hut", "rope", "helper", "truck", "ground"):
        assert states(found[name]) == {"earth"}, name
        assert found[name].conductive


def test_only_a_tested_rope_is_insulating():
    rope = {"name": "rope", "from_m": [3, 0, 4], "to_m": [5, 0, 0.5], "diameter_m": 0.02}
    assert not bodies(solids=BUSES, ropes=[rope], statements=[insulating("rope")])["rope"].conductive
    assert bodies(solids=BUSES, ropes=[rope])["rope"].conductive
    with pytest.raises(InputError, match="basis: expected what it rests on"):
        scene(ropes=[rope], statements=[{**insulating("rope"), "basis": None}])


def test_metal_on_the_ladder_floats_and_shortens_the_gap():
    """A ferrule from 5.0 to 5.4 m up: from the bus at 12 m to it, through it, and on to the worker's head."""
    ferrule = {"name": "ferrule", "from_m": 5.4, "to_m": 5.9, "radius_m": 0.05}
    found = only(circuits=[TWO], solids=BUSES, ladder={**small.LADDER, "fittings": [ferrule]})
    through = gap(found, "A", "earth", "object").posture
    assert through.through == ("ferrule", "worker")
    without = gap(only(circuits=[TWO], solids=BUSES), "A", "earth", "object").posture
    # The slab of the ferrule reaches its radius beyond both ends: 0.6 m of metal that is no insulation.
    assert without.gap_upper_m - 0.62 < through.gap_upper_m < without.gap_upper_m - 0.3


def test_an_insulated_shield_wire_is_judged_as_earth_and_as_live():
    wire = {
        "kind": "span",
        "name": "shield",
        "potential": "earth",
        "insulated": True,
        "sag_m": 0.01,
        "diameter_m": 0.02,
    }
    wire |= {"from_m": [-10, 0, 9], "to_m": [10, 0, 9]}
    parts = {"solids": BUSES, "wires": [wire], "stages": [stage(kind="work")]}
    assert states(bodies(**parts)["shield"]) == {"earth", "shield"}
    found = only(circuits=[TWO], **parts)
    as_earth, as_live = gap(found, "A", "earth", "object"), gap(found, "shield", "earth", "object")
    assert as_earth.posture.case == "as stated"
    assert as_live.posture.case == "shield live"
    head = 9.0 - 0.01 - 3.0 - small.head_m()
    assert as_live.posture.gap_upper_m == pytest.approx(head + 3.0 - small.SPREAD, abs=0.03)
    assert as_live.limit_m == as_earth.limit_m
    assert gap(found, "A", "shield", "object").posture.case == "shield live"
    plain = only(circuits=[TWO], **{**parts, "wires": [{**wire, "insulated": False}]})
    assert gap(plain, "shield", "earth", "object") is None


def test_a_dead_circuit_that_is_not_earthed_is_judged_as_earth_and_as_live_all_of_it_at_once():
    dead = {**PLAIN, "state": "dead, not earthed"}
    solids = [*BUSES, wall("bus D", -2.0, "D", z=(3.0, 5.0)), wall("bus E", 8.0, "E", z=(3.0, 5.0))]
    parts = {"circuits": [TWO, dead], "solids": solids}
    found = bodies(**parts)
    assert (states(found["bus D"]), states(found["bus E"])) == ({"D", "earth"}, {"E", "earth"})
    assert [case_name(case, found) for case in cases(tuple(found.values()), "D", "earth")] == [
        "as stated",
        "circuit x at earth",
    ]
    stage_found = only(**parts)
    assert gap(stage_found, "D", "earth", "object").posture.case == "as stated"
    assert gap(stage_found, "A", "earth", "object").posture.case == "circuit x at earth"
    earthed = only(circuits=[TWO, PLAIN], solids=solids, statements=[{"kind": "circuit earthed", "circuit": "x"}])
    assert gap(earthed, "D", "earth", "object") is None
    assert gap(earthed, "A", "earth", "object").posture.case == "as stated"
    live = only(circuits=[TWO, PLAIN], solids=solids)
    # Live, the bus at D is no earth: from A by the worker to the ground it is further.
    far, near = (gap(found, "A", "earth", "object").posture.gap_upper_m for found in (live, earthed))
    assert far > near + 0.5


DROPPER = {
    "kind": "jumper",
    "name": "dropper",
    "phase": "A",
    "from_m": [6, 0, 9],
    "to_m": [8, 0, 5],
    "length_m": 4.8,
    "diameter_m": 0.03,
}
RELEASE = {"free_end": "from", "lowered_to_m": [6, 0, 6]}
OFF = stage(kind="descend", off=["dropper"])
EMPTY = stage(workers=[], travel_m=None, off=["dropper"])


def dropped(*never, **changes):
    """The dropper parked, with states that a statement says it is never in."""
    said = [never_at("dropper", *never)] if never else []
    return {
        "solids": BUSES,
        "wires": [{**DROPPER, "release": RELEASE}],
        "stages": [{**OFF, **changes}],
        "statements": [isolated("dropper"), *said],
    }


def test_a_released_conductor_is_judged_at_its_phase_as_earth_and_as_a_potential_of_its_own():
    parts = dropped()
    assert states(bodies(**parts)["dropper"]) == {"A", "earth", "dropper"}
    found = only(circuits=[TWO], **parts)
    at_own = gap(found, "A", "dropper", "air")
    assert at_own.posture.case == "dropper at its own"
    # Between its former phase and it stands the limit between phases.
    between = gap(found, "A", "B", "object").limit_m
    assert gap(found, "A", "dropper", "object").limit_m == between
    # At its former phase it hangs down to 3.4 m above the ground or less: 4.8 m of wire over 2.2 m between its ends.
    at_phase = gap(found, "A", "earth", "tool").posture
    assert (at_phase.case, at_phase.ends) == ("as stated", ("dropper", "ground"))
    assert at_phase.gap_upper_m < 4.5
    # As earth, it is what the bus above is nearest to: 12 m less the 6 m at which it is parked, its diameter and
    # uncertainty.
    earthed = dropped()
    earthing = {**EMPTY, "name": "earthing", "kind": "earthing", "earths": ["dropper"], "stick_m": 3.0}
    look = {**EMPTY, "name": "look", "potentials": {"dropper": "earth"}}
    earthed["stages"] = [earthing, look]
    at_earth = gap(checked(circuits=[TWO], **earthed).stages[-1], "A", "earth", "tool").posture
    assert at_earth.ends == ("bus A", "dropper")
    assert at_earth.gap_upper_m == pytest.approx(6.0, abs=0.15)


def test_a_wire_that_is_still_joined_is_judged_at_its_phase_alone():
    assert states(bodies(solids=BUSES, wires=[{**DROPPER, "release": RELEASE}])["dropper"]) == {"A"}


@pytest.mark.parametrize("state", [["own"], ["phase", "own"], ["earth", "phase", "own"]])
def test_no_sentence_settles_the_charge_of_a_wire_that_is_off(state):
    with pytest.raises(InputError) as caught:
        scene(circuits=[TWO], **dropped(*state))
    said = "statement 3 (never at): states: expected states that a sentence can settle: a wire that is taken off keeps"
    assert said in str(caught.value)
    # It may still be said of a body that is joined for good, and of the other states of the wire.
    solids = [*BUSES, slab("plate", bottom_m=9.0, potential="floating", at=(15.0, 0.0), size=(6.0, 4.0))]
    assert scene(circuits=[TWO], solids=solids, statements=[never_at("plate", "own")]).statements
    assert scene(circuits=[TWO], **dropped("phase", "earth")).statements


@pytest.mark.parametrize("left", [("own",), ("phase", "own"), ("earth", "own"), ("phase", "earth", "own")])
def test_a_state_is_left_out_by_a_statement_alone_and_only_in_its_stages(left):
    never = [state for state in ("phase", "earth", "own") if state not in left]
    named = {"phase": "A", "earth": "earth", "own": "dropper"}
    parts = dropped(*never)
    assert states(bodies(**parts)["dropper"]) == {named[state] for state in left}
    again = {**parts["stages"][0], "name": "again"}
    parts["stages"].append(again)
    said = [never_at("dropper", *never, stages=["again"])] if never else []
    parts["statements"] = [isolated("dropper"), *said]
    site = assemble(scene(circuits=[TWO], **parts))
    found = [
        states(body)
        for entry in site.scene.stages
        for body in staging.settings_of(site, entry)[0].bodies
        if body.name == "dropper"
    ]
    assert found == [set(named.values()), {named[state] for state in left}]


def test_taking_every_state_away_is_refused():
    with pytest.raises(InputError, match="at least one state left to judge"):
        prepare(scene(**dead(never_at("bus D", "phase", "earth"))))
    # Nor do statements of their own take away together what one may not.
    with pytest.raises(InputError, match="body 'bus D': stage: expected at least one state left to judge"):
        prepare(scene(**dead(never_at("bus D", "phase"), never_at("bus D", "earth"))))
    assert prepare(scene(**dead(never_at("bus D", "phase"))))


def dead(*said, **changes):
    """A dead circuit that is not earthed, with statements of its bus D."""
    solids = [*BUSES, slab("bus D", bottom_m=9.0, potential="D"), wall("bus E", 8.0, "E")]
    circuits = [TWO, {**PLAIN, "state": "dead, not earthed"}]
    return {"circuits": circuits, "solids": solids, "statements": list(said), "stages": [stage(**changes)]}


def test_floating_alone_takes_a_statement_against_every_other_state():
    parts = dead(never_at("bus D", "phase", "earth"), potentials={"bus D": "floating"})
    assert states(bodies(**parts)["bus D"]) == {"floating"}
    # A wire that is off is at a potential of its own besides, whatever is said.
    off = dropped("phase", "earth", potentials={"dropper": "floating"})
    assert states(bodies(**off)["dropper"]) == {"floating", "dropper"}


def test_a_wire_that_is_off_is_undecided_until_somebody_says_that_its_far_end_is_isolated():
    parts = dropped()
    assert not any("isolated" in point.what for point in only(circuits=[TWO], **parts).open_points)
    for said in ([], [isolated("other")]):
        others = [{**DROPPER, "name": "other", "from_m": [6, 8, 9], "to_m": [8, 8, 5], "release": RELEASE}]
        told = {**parts, "wires": [*parts["wires"], *others], "statements": said}
        (point,) = [point for point in only(circuits=[TWO], **told).open_points if "isolated" in point.what]
        assert (point.where, point.verdict) == ("wire 'dropper'", "undecided")
        assert 'wire = "dropper"' in point.cure


def test_a_potential_that_a_stage_states_leaves_nothing_out():
    for word in ("floating", "B"):
        found = bodies(**dropped(potentials={"dropper": word}))["dropper"]
        assert states(found) == {word, "A", "earth", "dropper"}
        assert found.note == f"dropper {'floating' if word == 'floating' else 'at B'}"
    crew = [{"name": "helper", "stature_m": 1.8, "at_m": [4, 2]}]
    found = bodies(solids=BUSES, crew=crew, stages=[stage(potentials={"helper": "floating"})])["helper"]
    assert states(found) == {"floating", "earth"}
    bond = {"kind": "work", "bonded": {"worker": "A"}, "bonding_lead_m": 0.1, "clamp_m": [0, 0, 5]}
    found = bodies(solids=BUSES, stages=[stage(**bond, potentials={"worker": "A"})])["worker"]
    assert states(found) == {"A", "floating"}
    # What was there before the job keeps its own potential beside it too.
    line = stage(potentials={"bus A": "earth", "column": "floating"})
    found = bodies(solids=[*BUSES, wall("column", 6.0)], stages=[line])
    assert (states(found["bus A"]), states(found["column"])) == ({"A", "earth"}, {"floating", "earth"})


def test_a_floating_solid_may_be_earth_and_live_ones_may_not():
    plates = [slab("plate", bottom_m=8.0, potential="floating"), wall("rail", 6.0, "floating")]
    found = bodies(solids=[*BUSES, *plates])
    assert (states(found["plate"]), states(found["bus A"])) == ({"floating", "earth"}, {"A"})
    # Each by itself, in one case: see `tests/test_gaps.py`.
    (case,) = cases(tuple(found.values()), "A", "earth")
    assert case.either == {"plate", "rail"}
    said = bodies(solids=[*BUSES, *plates], statements=[never_at("plate", "earth"), never_at("rail", "floating")])
    assert (states(said["plate"]), states(said["rail"])) == ({"floating"}, {"earth"})


@pytest.mark.parametrize(("apart", "verdict"), [(0.48, "breach"), (0.52, "clear")])
def test_a_plate_that_floats_beside_a_brought_one_at_earth_is_judged(apart, verdict):
    """The plate hangs 1 m beside the bus. What the job brings is so far beyond it, and may alone be at earth: the
    sum of both gaps is short of the limit, 1.496 m, or keeps it. Nothing that is not the job's is judged without it."""
    bus, high = box("bus A", [10, 0, 12], [1, 1, 1], "A"), slab("bus B", bottom_m=40.0, potential="B")
    plate = box("plate", [12, 0, 12], [1, 1, 1], "floating")
    brought = box("brought", [13 + apart, 0, 12], [1, 1, 1], "floating")
    stages = [stage(name="bring it", kind="bring", bodies=["brought"], workers=[])]
    found = only(circuits=[TWO], solids=[bus, high, plate, brought], stages=stages)
    through = gap(found, "A", "earth", "object").posture
    assert through.gap_upper_m == pytest.approx(1.0 + apart, abs=0.002)
    assert (through.ends, through.through, through.case) == (
        ("bus A", "brought"),
        ("plate",),
        "floating bodies at earth",
    )
    assert through.verdict == verdict


def test_states_of_a_dead_circuit_are_settled_by_statements_alone():
    parts = {"circuits": [TWO, {**PLAIN, "state": "dead, not earthed"}]}
    parts["solids"] = [*BUSES, slab("bus D", bottom_m=9.0, potential="D"), wall("bus E", 8.0, "E")]
    assert states(bodies(**parts, statements=[never_at("bus D", "phase")])["bus D"]) == {"earth"}
    assert states(bodies(**parts, statements=[never_at("bus D", "earth")])["bus D"]) == {"D"}
    assert states(bodies(**parts, stages=[stage(potentials={"bus D": "earth"})])["bus D"]) == {"earth", "D"}
    # A state that it has not leaves it what it has.
    assert states(bodies(**parts, statements=[never_at("bus D", "own", "floating")])["bus D"]) == {"earth", "D"}


def test_a_released_shield_wire_has_a_potential_of_its_own_too():
    wire = {**DROPPER, "name": "shield", "release": RELEASE, "potential": "earth"}
    wire.pop("phase")
    parts = {"solids": BUSES, "wires": [wire], "stages": [stage(kind="descend", off=["shield"])]}
    assert states(bodies(**parts)["shield"]) == {"earth", "shield"}
    assert gap(only(circuits=[TWO], **parts), "A", "shield", "object") is not None


def test_a_wire_whose_shape_the_job_changes_is_the_jobs():
    """Two wires 3 m apart: the line's own until a load moves one of them."""
    span = {"kind": "span", "sag_m": 0.01, "diameter_m": 0.02}
    wires = [
        {**span, "name": "high", "phase": "A", "from_m": [-10, 6, 12], "to_m": [10, 6, 12]},
        {**span, "name": "low", "phase": "B", "from_m": [-10, 6, 9], "to_m": [10, 6, 9]},
    ]
    assert gap(only(circuits=[TWO], wires=wires), "A", "B", "air") is None
    loaded = [{"wire": "high", "movement_m": 0.5, "basis": "calculated"}]
    found = gap(only(circuits=[TWO], wires=wires, stages=[stage(disturbed=loaded)]), "A", "B", "air")
    assert found.posture.gap_upper_m == pytest.approx(3.0 - 0.02 - 0.5, abs=0.02)


def test_too_many_uncertain_bodies_are_refused_by_name():
    """Each of seven rails is at earth or at A: 128 combinations between the two, where 64 are judged, as of six."""
    rails = [wall(f"rail {k}", 10.0 + k) for k in range(7)]
    for count in (6, 7):
        uncertain = stage(potentials={f"rail {k}": "A" for k in range(count)})
        parts = {"circuits": [TWO], "solids": [*BUSES, *rails], "stages": [uncertain]}
        if count == 6:
            assert len(cases(tuple(bodies(**parts).values()), "A", "earth")) == 64
            continue
        with pytest.raises(InputError, match="few enough bodies that float or are of uncertain potential") as caught:
            checked(**parts)
        assert "rail 6" in str(caught.value)
