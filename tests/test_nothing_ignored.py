"""What a scene states is judged, or refused by name: a raised vehicle, keys that a stage cannot use, entries that
nothing uses."""

from __future__ import annotations

import numpy as np
import pytest
from small_scenes import CIRCUIT, LADDER, STAGE, TRACK, WORKER, box, checked, only, scene, slab, stage
from test_job_aerial_device import STANDS
from test_job_aerial_device import parts as lifted

from clearance.errors import InputError
from clearance.motion import placed
from clearance.pipeline import prepare

TWO = [{**CIRCUIT, "phases": ["A", "B"]}]
FAR_B = slab("bus B", bottom_m=40.0, potential="B")
FAR = [slab("bus A", bottom_m=20.0), FAR_B]
JIB = {"name": "jib", "size_m": [6.0, 0.5, 0.4], "heading_deg": 0}
NOBODY = {"ladder": None, "track": None, "workers": None}
LOOSE = {
    "kind": "jumper", "name": "tail", "phase": "A", "from_m": [3, 0, 9], "to_m": [6, 0, 9], "length_m": 3.4,
    "diameter_m": 0.03,
}  # fmt: skip
SPAN = {"kind": "span", "name": "bus", "phase": "A", "from_m": [-9, 9, 20], "to_m": [9, 9, 20], "sag_m": 0.2,
        "diameter_m": 0.03}  # fmt: skip


def test_a_jib_is_judged_where_it_is_raised_to():
    """Phase to earth at 220 kV and 2.5 per unit is about 1.6 m (29 CFR 1910.269, the tool constant): half a metre below
    the phase is a breach, seven are clear. Put on the ground it was 13 m away."""
    for under, verdict in ((0.5, "breach"), (7.0, "clear")):
        jib = {**JIB, "centre_m": [12.0, 0.0, 14.0 - under - 0.2]}
        found = only(
            circuits=TWO, solids=[slab("bus A", bottom_m=14.0), FAR_B], vehicles=[jib], stages=[stage(climb_m=0.5)]
        )
        (gap,) = [g for g in found.gaps if set(g.between) == {"A", "earth"} and g.kind == "tool"]
        assert gap.posture.gap_upper_m == pytest.approx(under, abs=0.002)
        assert gap.verdict == verdict


def test_what_carries_a_jib_is_below_it():
    """A box at the phase beside the foot of the jib, half way up."""
    beside = [box("bus A", [12.0, 2.0, 5.0], [1.0, 0.2, 1.0], "A"), FAR_B]
    found = only(
        circuits=TWO, solids=beside, vehicles=[{**JIB, "centre_m": [12.0, 0.0, 13.0]}], stages=[stage(climb_m=0.5)]
    )
    (gap,) = [g for g in found.gaps if set(g.between) == {"A", "earth"} and g.kind == "tool"]
    assert gap.posture.gap_upper_m == pytest.approx(2.0 - 0.1 - 0.25, abs=0.002)


def test_a_vehicle_in_the_ground_is_refused_by_name():
    with pytest.raises(InputError, match=r"vehicle 'jib': centre_m: expected an underside on or above the ground"):
        checked(solids=[slab("bus A", bottom_m=14.0), FAR_B], vehicles=[{**JIB, "centre_m": [12.0, 0.0, 0.0]}])


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"travel_m": None, "climb_m": None, "posture": None, "workers": [], "lean_along_deg": [-3, 3]},
         "lean_along_deg: expected a ladder that stands somewhere, found no travel_m"),
        ({"travel_m": None, "climb_m": None, "posture": None, "workers": [], "heading_deg": [-3, 3]},
         "heading_deg: expected a ladder that stands somewhere, found no travel_m"),
        ({"workers": []}, "climb_m: expected somebody aloft, found nobody"),
        ({"workers": [], "climb_m": None}, "posture: expected somebody aloft, found nobody"),
        ({"workers": [], "climb_m": None, "posture": None, "swing_m": 0.4},
         "swing_m: expected somebody aloft, found nobody"),
        ({"bonding_lead_m": 2.0}, "bonding_lead_m: expected somebody bonded, found nobody"),
        ({"clamp_m": [1, 1, 4]}, "clamp_m: expected somebody bonded, found nobody"),
        ({"stick_m": 2.0}, 'stick_m: expected a stage of kind "earthing" or "bond off", which uses it'),
        ({"opening_distance_m": 2.0}, 'opening_distance_m: expected a stage of kind "open" or "close"'),
        ({"rides": "the person in charge"}, 'rides: expected a stage of kind "travel", which uses it'),
        ({"kind": "travel", "workers": [], "climb_m": None, "posture": None, "rides": "the person in charge"},
         "rides: expected somebody on the ladder, found nobody"),
        ({"kind": "lower", "lower_m": [0, 2]}, "lower_m: expected a wire that moves, found nothing in released"),
        ({"lower_m": [0, 2]}, "lower_m: expected a wire that moves, found nothing in released"),
    ],
)  # fmt: skip
def test_a_key_that_a_stage_cannot_use_is_refused_by_name(told, said):
    with pytest.raises(InputError, match="expected") as caught:
        scene(wires=[SPAN], stages=[{**STAGE, **told}])
    assert said in str(caught.value)


@pytest.mark.parametrize("key", ["lean_along_deg", "lean_across_deg", "heading_deg", "swing_m"])
def test_what_moves_nothing_on_an_aerial_device_is_refused_and_the_same_stage_without_is_not(key):
    value = 0.4 if key == "swing_m" else [-20, 20]
    scene(**lifted())
    with pytest.raises(InputError, match=f"{key}: expected nothing, as an aerial device does not move so, found a va"):
        scene(**lifted({**STANDS, key: value}))


ROPE = {"name": "rope", "from_m": [8, 8, 3], "to_m": [9, 9, 1], "diameter_m": 0.02}


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        ({**NOBODY, "workers": [WORKER]}, 'worker: expected something to work from, found no ladder'),
        ({**NOBODY, "track": TRACK}, "track: expected a ladder that stands on it, found no table [ladder]"),
        ({"workers": None, "ladder": {**LADDER, "clear_m": 4.0}}, "clear_m: expected somebody who climbs"),
        ({"ropes": [{**ROPE, "wet_or_dirty_m": 0.2}]}, "wet_or_dirty_m: expected an insulating rope"),
        ({"conductors": [{"name": "Bay", "kind": "AAAC", "diameter_m": 0.02, "weight_N_m": 8.0, "source": "maker",
                          "rated_strength_kN": 80.0, "outer_area_mm2": 240.0}]},
         "conductor 'Bay': expected a wire made of it, found none"),
        ({"wires": [{**SPAN, "known": {"conductor_C": 15, "basis": "log"}}]}, "known: expected weather that the wire"),
        ({"wires": [{**SPAN, "checks": [{"sag_m": 0.2, "at_C": 15, "by": "team"}]}]}, "checks: expected weather that"),
        ({"tests": [{"what": "aerial device", "name": "1", "on": "May", "result": "held", "by": "laboratory"}]},
         'what: expected what the scene has: "suit", "bonding lead" or "ladder", found "aerial device"'),
        ({"tests": [{"what": "rope", "name": "1", "on": "May", "result": "held", "by": "laboratory"}]},
         'found "rope"'),
        ({"rule_inputs": {"per_unit_basis": "study"}}, 'per_unit_basis: expected inputs of the rule alone'),
        ({"ground": {"kind": "points", "file": "small.toml", "extent_m": 30}}, 'found the unknown key "extent_m"'),
    ],
)  # fmt: skip
def test_an_entry_that_nothing_uses_is_refused_by_name(tables, said):
    workers = [] if tables.get("workers", 1) is None else None
    told = {"travel_m": None, "climb_m": None, "posture": None, "workers": workers}
    with pytest.raises(InputError, match="expected") as caught:
        scene(**{"stages": [stage(**told)] if "track" in tables or workers == [] else [stage()], **tables})
    assert said in str(caught.value)


def platform_scene(column_m, **ladder):
    """A ladder that faces along x with a platform 3 m up, and a live column behind it, its near face at -column_m."""
    solids = [box("bus A", [-column_m - 0.1, 0.0, 3.0], [0.2, 0.2, 0.4], "A"), FAR_B]
    told = stage(workers=[], kind="work")
    return only(circuits=TWO, solids=solids, ladder={**LADDER, "platform_m": 3.0, **ladder}, stages=[told])


def test_a_platform_is_metal_that_floats_as_wide_as_the_ladder():
    """From the column to the platform's edge, and from its underside to the ground: two gaps of air in a row."""
    for ladder, edge in (({}, 0.6), ({"platform_depth_m": 0.4}, 0.4)):
        found = platform_scene(1.4, **ladder)
        (gap,) = [g for g in found.gaps if set(g.between) == {"A", "earth"} and g.kind == "object"]
        assert gap.posture.through == ("ladder platform",)
        assert gap.posture.gap_upper_m == pytest.approx(1.4 - edge - 0.05 + (3.0 - 0.05), abs=0.002)
    without = platform_scene(1.4, platform_m=None)
    assert not [g for g in without.gaps if set(g.between) == {"A", "earth"} and g.kind == "object"]


def test_a_platform_strikes_what_is_behind_it_and_not_what_is_beyond():
    for column, verdict in ((0.6 + 0.05 - 0.02, "breach"), (0.6 + 0.05 + 0.02, "clear")):
        found = {one.body: one.measure.verdict for one in platform_scene(column).collisions}
        assert found["ladder platform"] == verdict


def test_a_platform_shorts_its_thickness_of_the_ladder_and_what_its_tilt_adds():
    from math import radians, sin

    def left(**ladder):
        (found,) = only(circuits=TWO, solids=FAR, ladder={**LADDER, **ladder}, stages=[stage(climb_m=5)]).insulation
        return found.left_m

    for tilt in (0.0, 10.0):
        shorted = 2 * (0.05 + 0.6 * sin(radians(tilt)))
        there = left(platform_m=3.0, tilt_deg=tilt)
        assert left(tilt_deg=tilt) - there == pytest.approx(shorted, abs=1e-9)


def test_a_platform_is_level_at_the_tilt_of_its_ladder_and_named_once():
    setting = prepare(
        scene(
            circuits=TWO, solids=FAR, ladder={**LADDER, "platform_m": 3.0, "tilt_deg": 20.0}, stages=[stage(climb_m=1)]
        )
    ).stages[0][0]
    (body,) = [body for body in setting.bodies if body.name == "ladder platform"]
    shape = placed(body.shape, setting.motion, body.link, {})
    assert np.ptp(shape.vertices[..., 2]) == pytest.approx(0.0, abs=1e-9)
    assert np.ptp(shape.vertices[..., 0]) == pytest.approx(1.2)
    with pytest.raises(InputError, match="one body of this name"):
        scene(ladder={**LADDER, "platform_m": 3.0}, solids=[box("ladder platform", [9, 9, 1], [1, 1, 1])])
    with pytest.raises(InputError, match="platform_depth_m: expected a platform, found no platform_m"):
        scene(ladder={**LADDER, "platform_depth_m": 0.5})


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"potentials": {"mat": "A"}}, "potentials: mat: expected a body that is there and conducts, found one"),
        ({"potentials": {"ladder": "A"}},
         "potentials: ladder: expected a body that is there and conducts, found one that"),
        ({"potentials": {"worker bonding lead": "A"}},
         "worker bonding lead: expected a body that is there and conducts, found none"),
    ],
)  # fmt: skip
def test_a_potential_of_what_has_none_is_refused(told, said):
    mat = box("mat", [9, 0, 1], [1, 1, 0.1], "floating")
    mats = [{"kind": "insulating", "body": "mat"}]
    drum = box("drum", [9, 5, 1], [1, 1, 0.1], "floating")
    prepare(scene(circuits=TWO, solids=[*FAR, mat, drum], stages=[stage(potentials={"drum": "A"})]))
    with pytest.raises(InputError, match="expected") as caught:
        prepare(scene(circuits=TWO, solids=[*FAR, mat, drum], stages=[stage(**told)], statements=mats))
    assert said in str(caught.value)


def of_height(found):
    """What the result tells of the height of the origin."""
    return [point for point in found.open_points if point.where == "origin"]


def at_height(altitude, origin, ground=0.0, **others):
    level = {"kind": "level", "height_m": ground, "extent_m": 40}
    raised = [
        box("bus A", [0, 0, 20.0 + ground], [9, 9, 0.2], "A"),
        box("bus B", [0, 0, 40.0 + ground], [9, 9, 1], "B"),
    ]
    told = stage(workers=[], kind="work")
    return checked(
        circuits=TWO, solids=raised, altitude_m=altitude, origin=origin, ground=level, stages=[told], **others
    )


def test_an_altitude_that_contradicts_the_height_of_the_ground_is_refused():
    said = (
        r"altitude_m: expected an altitude within 100 m of the ground's height, found 140 m. The ground lies at 3900 m"
    )
    for origin, ground in (({"height_m": 3900.0}, 0.0), ({"height_m": 3000.0}, 900.0), (None, 3900.0)):
        with pytest.raises(InputError, match=said):
            at_height(140, origin, ground)
    for altitude, origin, ground in ((140, {"height_m": 239.0}, 0.0), (140, {"height_m": 0.0}, 41.0), (140, None, 0.0)):
        assert not of_height(at_height(altitude, origin, ground))
    with pytest.raises(InputError, match="altitude_m"):
        at_height(140, {"height_m": 241.0})


def test_with_a_datum_named_it_is_undecided_until_it_is_confirmed():
    origin = {"height_m": 3900.0, "vertical": "dam datum"}
    found = at_height(140, origin)
    (point,) = of_height(found)
    assert (point.verdict, point.where, found.verdict) == ("undecided", "origin", "undecided")
    assert "3900 m above dam datum, the altitude is 140 m" in point.what
    assert '"confirmed"' in point.cure
    said = {
        "kind": "confirmed",
        "entry": "origin",
        "field": "height_m",
        "value": 3900,
        "basis": "levelled",
        "by": "us",
        "on": "2026-05-04",
    }
    confirmed = at_height(140, origin, statements=[said])
    assert not of_height(confirmed)
    assert of_height(at_height(140, origin, statements=[{**said, "field": "epsg"}]))
