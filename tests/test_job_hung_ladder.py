"""A ladder hung on a conductor: where its joints put it is where a pendulum on the wire is, and what it refuses."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from small_scenes import CIRCUIT, LADDER, box, only, scene, stage

from clearance.conductor.catenary import nodes
from clearance.errors import InputError
from clearance.job import footing
from clearance.motion import pose
from clearance.pipeline import prepare

TWO = {**CIRCUIT, "phases": ["A", "B"]}
WIRE = {"kind": "span", "name": "wire A", "phase": "A", "from_m": [-30, 0, 10], "to_m": [30, 4, 11], "sag_m": 1.6,
        "diameter_m": 0.03, "uncertainty_m": 0.04,
        "from_string": {"kind": "strain", "length_m": 2.0, "insulating_m": 1.8, "diameter_m": 0.2, "units": 14},
        "to_string": {"kind": "strain", "length_m": 2.0, "insulating_m": 1.8, "diameter_m": 0.2, "units": 14},
        }  # fmt: skip
MOVED = [{"wire": "wire A", "movement_m": 0.3, "basis": "estimate"}]
HANGS = {
    **LADDER,
    "hangs_on": "wire A",
    "heading_deg": 30,
    "length_m": 7.5,
    "insulating_to_m": 7.5,
    "insulating_from_m": 0.4,
}


def parts(told=None, **changes):
    climb = {"kind": "climb", "travel_m": [20, 24], "climb_m": [2, 3], "disturbed": MOVED,
             "lean_along_deg": [-5, 5], "lean_across_deg": [-5, 5]}  # fmt: skip
    return {"circuits": [TWO], "wires": [WIRE], "ladder": HANGS, "track": None,
            "solids": [box("bus B", [0, 30, 9], [9, 0.2, 0.2], "B")], "stages": [stage(**{**climb, **(told or {})})],
            **changes}  # fmt: skip


def test_it_hangs_from_the_wire_and_swings_about_its_hooks():
    prepared = prepare(scene(**parts()))
    setting = prepared.stages[0][0]
    site = prepared.site
    curve = nodes(site.wires["wire A"].catenary, 1e-4).points
    along = np.array([60.0, 4.0]) / np.hypot(60, 4)
    stations = (curve[:, :2] - [-30, 0]) @ along
    uncertainty = next(float(b.shape.uncertainty.min()) for b in setting.bodies if b.name == "ladder")
    rng = np.random.default_rng(2)
    for _ in range(300):
        q = {name: rng.uniform(low, high) for name, (low, high) in setting.box.items()}
        hook = np.array([np.interp(q["travel_m"], stations, curve[:, k]) for k in range(3)])
        faces = Rotation.from_euler("z", 30, degrees=True)
        lean = Rotation.from_rotvec([0, q["lean_along_deg"], 0]) * Rotation.from_rotvec([q["lean_across_deg"], 0, 0])
        for link, at, up in (("ladder", [0.03, 0.2, 2.0], 2.0), ("worker", [0.4, 0.1, 1.5], q["climb_m"] + 1.5)):
            true = hook + faces.apply(lean.apply([at[0], at[1], up - 7.5]))
            rotation, translation = pose(setting.motion, link, q)
            assert np.linalg.norm(rotation @ np.array(at) + translation - true) <= uncertainty
    # The uncertainty holds the wire's own, what the weight on it does, and what chords of half a metre leave out of it.
    assert 0.34 < uncertainty < 0.36


def test_chords_leave_out_no_more_than_they_say():
    site = prepare(scene(**parts())).site
    knots, left_out = footing.wire_knots(site)
    curve = nodes(site.wires["wire A"].catenary, 1e-5).points
    along = np.array([60.0, 4.0]) / np.hypot(60, 4)
    stations = (curve[:, :2] - [-30, 0]) @ along
    kept = (stations >= knots[0, 0]) & (stations <= knots[-1, 0])
    chords = np.stack([np.interp(stations[kept], knots[:, 0], knots[:, 1 + k]) for k in range(3)], axis=1)
    apart = np.linalg.norm(chords - curve[kept], axis=1).max()
    assert kept.sum() > 10
    assert 0.0 < apart <= left_out - 0.04 + 1e-5
    assert left_out - 0.04 < 5 * apart + 1e-3


def test_its_insulation_ends_where_the_wire_touches_it():
    found = only(**parts({"travel_m": 22, "lean_along_deg": 0, "lean_across_deg": 0}))
    ladder = next(one for one in found.insulation if one.body == "ladder")
    assert "'wire A' touches it" in " ".join(ladder.steps)
    # 7.5 m, less 0.4 m at its foot, less what the climber shorts (about 2 m), less a piece of its hull and uncertainty.
    shorted = next(step for step in ladder.steps if "shorts" in step)
    length = float(shorted.split()[1])
    assert 7.5 - 0.4 - length - 1.3 < ladder.left_m < 7.5 - 0.4 - length


@pytest.mark.parametrize("near", [True, False])
def test_hands_of_those_below_reach_up_a_ladder_that_hangs(near):
    crew = [{"name": "helper", "stature_m": 1.8, "at_m": [-8, 2 if near else 9]}]
    found = only(**parts({"travel_m": 22, "lean_along_deg": 0, "lean_across_deg": 0}, crew=crew))
    ladder = next(one for one in found.insulation if one.body == "ladder")
    assert ("hands of 'helper'" in ladder.steps[0]) == near


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"ladder": {**HANGS, "hangs_on": "wire Q"}}, "hangs_on: expected a wire of this scene, found \"wire Q\""),
        ({"track": {"points_m": [[0, -5], [0, 5]], "heading_deg": 0}}, "a ladder on a track or on a wire, found both"),
        ({"ladder": {**HANGS, "tilt_deg": 3}}, "tilt_deg: expected no tilt of a ladder that hangs, found 3 deg"),
        ({"ladder": {**HANGS, "heading_deg": None}}, "heading_deg: expected the way the climber faces, found nothing"),
        ({"ladder": {**LADDER, "heading_deg": 3}}, "expected a heading of a ladder that hangs, found 3 deg and no"),
        ({"told": {"disturbed": []}}, "disturbed: expected how far the weight on it moves \"wire A\", found nothing"),
        ({"told": {"travel_m": [1, 3]}}, "travel_m: expected stations on the wire, 2"),
    ],
)  # fmt: skip
def test_what_it_refuses(changes, said):
    with pytest.raises(InputError, match="expected") as caught:
        prepare(scene(**parts(**changes)))
    assert said in str(caught.value)
