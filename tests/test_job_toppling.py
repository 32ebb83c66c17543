"""The toppling of the ladder after the loss of a guy: no pose that the guys left allow gets out of it."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hulls import inside
from scipy.spatial.transform import Rotation
from small_scenes import LADDER, TRACK, box, checked, insulating, isolated, never_at, only, scene, stage, wall

from clearance.job import toppling
from clearance.motion import placed, pose
from clearance.pipeline import prepare

FEET = np.array([0.0, 0.0, 0.0])
"""Station 5 m is the origin of the scenes."""


def guy(name, at, along=6.0, **changes):
    return {"name": name, "from": f"ladder @ {along}", "to_m": [*at, 0.0], "diameter_m": 0.016, "guy": True,
            **changes}  # fmt: skip


FOUR = [guy("east", (6, 0)), guy("west", (-6, 0)), guy("north", (0, 6)), guy("south", (0, -6))]


def insulated(ropes):
    """The statement for each guy that it insulates."""
    return [insulating(rope["name"]) for rope in ropes]


def topplings(statements=(), **parts):
    parts["statements"] = [*insulated(parts.get("ropes", ())), *statements]
    prepared = prepare(scene(**parts))
    (settings,) = prepared.stages
    site, told = prepared.site, prepared.site.scene.stages[0]
    pieces = toppling.pieces_of(settings)
    return site, told, pieces, toppling.topplings(site, told, pieces[0])


def poses(rng, towards, lengths, along, count=4000):
    """Directions of the ladder at which every guy that is left is no longer than it is."""
    u = rng.normal(size=(5 * count, 3))
    u /= np.linalg.norm(u, axis=1)[:, None]
    for anchor, length in zip(towards, lengths, strict=True):
        u = u[np.linalg.norm(along * u - anchor, axis=1) <= length]
    return u


@pytest.mark.parametrize("count", [25, pytest.param(100, marks=pytest.mark.slow)])
@pytest.mark.parametrize("lean", [0, [-3, 3]])
def test_no_pose_that_the_guys_left_allow_gets_out(lean, count):
    site, _, (setting,), found = topplings(
        ropes=FOUR, stages=[stage(kind="climb", travel_m=[4, 6], climb_m=[2, 3], lean_along_deg=lean)]
    )
    rng = np.random.default_rng(7)
    worn = next(body.shape for body in setting.bodies if body.kind == "worker")
    corners = worn.vertices.reshape(-1, 3)
    around = np.repeat(worn.radius, 3)
    assert [one.lost for one in found] == ["east", "west", "north", "south"]
    for one in found:
        ropes = [rope for rope in site.scene.ropes if rope.name in one.left]
        towards = [np.array(rope.to_m) - FEET for rope in ropes]
        # A guy of a ladder that stands upright is as long as the way from its tie, 6 m up, to its anchor 6 m out; where
        # the ladder leans 3 degrees in the stage it is longer by up to what the tie moves;
        # it gives by 4 %.
        taut = 6.0 * np.sqrt(2.0) + (0 if lean == 0 else 6.0 * np.radians(3))
        allowed = poses(rng, towards, [1.04 * taut] * 3, 6.0)
        assert len(allowed) > 100
        points = []
        for u in allowed[:count]:
            turn = Rotation.align_vectors([u], [[0, 0, 1]])[0] * Rotation.from_rotvec([0, 0, rng.uniform(0, 2 * np.pi)])
            points.append(turn.apply(rng.uniform([-0.03, -0.23, 0], [0.03, 0.23, 8.0], size=(20, 3))))
            spun = Rotation.random(random_state=rng)
            which = rng.integers(len(corners), size=20)
            out = rng.normal(size=(20, 3))
            out *= around[which][:, None] / np.linalg.norm(out, axis=1)[:, None]
            points.append(rng.uniform(2, 3) * u + spun.apply(corners[which] + out))
        assert inside(one.body.shape, np.concatenate(points)).all()  # of rails and worker, in one go
        # Over the lost guy's own side it cannot fall: the guy opposite is too short.
        lost = next(np.array(rope.to_m) for rope in site.scene.ropes if rope.name == one.lost)
        out_there = 7.9 * lost / np.linalg.norm(lost)
        assert not inside(one.body.shape, out_there[None]).any()
        assert inside(one.body.shape, -out_there[None]).all()


def test_without_guys_it_falls_to_any_side_and_no_further_than_it_is_long():
    """The ladder's furthest point is its top, 8 m up, over 0.2 m to a rail's middle and 0.03 m to its face."""
    parts = {"solids": [wall("A wall", 9.0, "A"), box("post", [0, -8.9, 1], [1, 1, 2])], "track": TRACK}
    site, _, pieces, (only_one,) = topplings(**parts, stages=[stage(kind="climb", climb_m=2)])
    assert (only_one.lost, only_one.left) == ("", ())
    near = {one.potential: one for one in toppling.nearest(site, pieces, only_one, 0.001)}
    reach = 8.0 + 0.2 + 0.03
    assert near["A"].gap_m == pytest.approx(9.0 - reach, abs=0.002)
    assert near["earth"].gap_m == pytest.approx(8.4 - reach, abs=0.002)
    assert (near["A"].body, near["earth"].body) == ("A wall", "post")


def test_the_worker_reaches_further_than_the_top_and_counts():
    parts = {"solids": [wall("A wall", 12.0, "A")]}
    _, _, (setting,), (found,) = topplings(**parts, stages=[stage(kind="climb", climb_m=[6, 7.5])])
    worn = next(body.shape for body in setting.bodies if body.kind == "worker")
    furthest = (np.linalg.norm(worn.vertices, axis=2).max(axis=1) + worn.radius + worn.uncertainty).max()
    assert found.reach_m == pytest.approx(7.5 + furthest)
    assert furthest > 1.7


def test_a_rope_that_is_not_stated_as_a_guy_holds_nothing():
    plain = [{**rope, "guy": False} for rope in FOUR]
    (found,) = topplings(ropes=plain)[3]
    assert (found.lost, found.left) == ("", ())
    assert topplings(ropes=[*plain[1:], FOUR[0]])[3][0].left == ()


def test_a_guy_that_is_not_there_yet_holds_nothing():
    (found,) = topplings(ropes=FOUR[:2], statements=[{"kind": "absent", "bodies": ["west"]}])[3]
    assert (found.lost, found.left) == ("east", ())
    assert [one.left for one in topplings(ropes=FOUR[:2])[3]] == [("west",), ("east",)]


def test_the_record_of_a_stage_says_it_and_judges_nothing():
    far = [wall("A wall", 20.0, "A"), wall("B wall", -20.0, "B")]
    found = only(ropes=FOUR, statements=insulated(FOUR), solids=far, stages=[stage(kind="climb", climb_m=2)])
    said = [note for note in found.notes if "the ladder may fall" in note]
    assert len(said) == 4
    assert all("shown, not judged" in note and "m to A (A wall)" in note for note in said)
    # Away from the guy that is left in the east the ladder cannot fall: the wall in the west keeps further from it.
    east = next(note for note in said if "guy 'west'" in note)
    assert "20.00" not in east
    assert not [note for note in only(solids=far).notes if "the ladder may fall" in note]


def test_the_json_has_its_numbers_and_no_verdict():
    """Of one guy none is left: by hand, 8 m of ladder over 0.2 m to a rail's middle and 0.03 m to its face, short of
    walls 9 m and 20 m off and of a post's face 8.4 m off."""
    solids = [wall("A wall", 9.0, "A"), wall("B wall", -20.0, "B"), box("post", [0, -8.9, 1], [1, 1, 2])]
    parts = {"ropes": FOUR[:1], "statements": insulated(FOUR[:1]), "solids": solids}
    found = checked(0.001, **parts, stages=[stage(kind="climb", climb_m=2)])
    (told,) = json.loads(found.to_json())["stages"]
    (one,) = told["topplings"]
    reach = 8.0 + 0.2 + 0.03
    assert set(one) == {"lost", "left", "reach_m", "near"}
    assert (one["lost"], one["left"]) == ("east", [])
    assert one["reach_m"] == pytest.approx(reach, abs=0.002)
    near = {each["to"]: (each["body"], each["gap_lower_m"]) for each in one["near"]}
    assert near["A"] == ("A wall", pytest.approx(9.0 - reach, abs=0.002))
    assert near["B"] == ("B wall", pytest.approx(20.0 - reach, abs=0.002))
    assert near["earth"] == ("post", pytest.approx(8.4 - reach, abs=0.002))
    assert near["A"][1] != round(near["A"][1], 2)
    (note,) = [note for note in told["notes"] if "the ladder may fall" in note]
    assert all(f"{math.floor(gap * 100) / 100:.2f} m to {to} ({body})" in note for to, (body, gap) in near.items())


def test_a_wire_being_lowered_counts_wherever_it_is():
    """The tail swings down towards the ladder: what is nearest to where that may fall is the tail, not its bus."""
    from test_job_whip import BEFORE, TWO

    release = {"free_end": "from", "lowered_to_m": [9.5, 0, 3], "before_opening": BEFORE}
    said = [isolated("dropper"), never_at("dropper", "earth")]
    wire = {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": [12, 0, 9], "to_m": [14, 0, 5],
            "length_m": 7, "diameter_m": 0.03, "release": release}  # fmt: skip
    told = stage(kind="lower", released=["dropper"], lower_m=[0, 6], workers=[], climb_m=None, posture=None)
    solids = [box("bus A", [12, 0, 9.3], [0.2, 0.2, 0.2], "A"), box("bus B", [0, 40, 9], [9, 0.2, 0.2], "B")]
    site, _, pieces, (found,) = topplings(said, circuits=[TWO], wires=[wire], solids=solids, stages=[told])
    near = {one.potential: one for one in toppling.nearest(site, pieces, found, 0.001)}
    assert near["A"].body == "dropper"
    # Its free end goes 6 of the 6.5 m to where it is parked: 10.29 m from the feet; the ladder gets 8.23 m.
    assert near["A"].gap_m == pytest.approx(10.29 - 8.23, abs=0.1)


def test_it_stands_where_the_ladder_stands():
    site, _, (setting,), (found,) = topplings(stages=[stage(kind="climb", travel_m=[4, 6], climb_m=2)])
    _, at = pose(setting.motion, "carriage", {"travel_m": 6.0})
    shape = placed(found.body.shape, setting.motion, "carriage", {"travel_m": 6.0})
    assert shape.vertices[0, 0] == pytest.approx(at)
    assert at == pytest.approx([0.0, 1.0, 0.0], abs=1e-9)
    assert LADDER["length_m"] < found.reach_m
    assert site.scene.ropes == ()
