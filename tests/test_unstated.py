"""A key that is forgotten never helps: where its default may be the better case the result is undecided until it is
stated, and every other default of the format has a reason why it does not help."""

from __future__ import annotations

import tomllib

import pytest
import schema_walk
from small_scenes import CIRCUIT, LADDER, TRACK, WORKER, box, checked, grip, scene, slab, stage

from clearance.job import untold
from clearance.scene.records import Circuit, SceneFile
from clearance.scene.unstated import MUST, unstated

WORSE = {
    "name": "what a thing is called",
    "note": "for the reader",
    "suit_m": "the upper end of what is usual",
    "boots_m": "the upper end of what is usual",
    "helmet_m": "the upper end of what is usual",
    "bonded": "nobody is bonded: the worker floats, and is judged so",
}
"""Defaults of keys that are no better than what may be meant, in whichever record they stand."""

WORSE_OF = {
    ("SceneFile", "rule_inputs"): "a rule asks for the inputs it cannot do without",
    ("SceneFile", "asks"): "a whole job is asked for",
    ("SceneFile", "origin"): "where no height is stated, the altitude is held against the ground's: `datum`",
    ("Origin", "easting_m"): "the frame of the scene is that of its files",
    ("Origin", "northing_m"): "the frame of the scene is that of its files",
    ("Origin", "height_m"): "where it is not stated, the altitude is held against the ground's: `datum`",
    ("Circuit", "state"): "live",
    ("LevelGround", "extent_m"): "wide; a conductor near the job beyond it is undecided: `site_supports`",
    ("PlaneGround", "extent_m"): "wide; a conductor near the job beyond it is undecided: `site_supports`",
    ("PointsGround", "classes"): "what else is in the file near the job is undecided: `left_out`",
    ("Crossarm", "side"): "both sides",
    ("Pole", "material"): "of whatever it is made it counts as earth",
    ("Mesh", "at_m"): "the file's own coordinates",
    ("Cloud", "thin_m"): "no point is left out",
    ("Ladder", "platform_depth_m"): "what it sticks out at the most (common practice, no source)",
    ("Ladder", "foot_radius_m"): "what covers a foot (common practice, no source)",
    ("Rope", "guy"): "it does not hold the ladder",
    ("TailRope", "pulley_radius_m"): "what covers a pulley with its hook (common practice, no source)",
    ("TakeOff", "mount_m"): "from the ground on",
    ("Reconnect", "mount_m"): "from the ground on",
    ("Rescue", "ground_m"): "a stage of its own; the whole way is judged on both sides of it",
    ("Weather", "sun_W_m2"): "all that there can be",
    ("Weather", "ice_kg_m3"): "that of glaze, the heaviest",
    ("Stage", "heading_deg"): "beside the track's own, which is stated: a turn is a move, as a travel is",
    ("Stage", "potentials"): "states besides: none is taken away",
    ("Stage", "swing_m"): "for one who hangs; a stage in which nobody does has none",
    ("Stage", "anew"): "the stage must follow from the one before",
}
"""The same, of one record."""


def test_every_default_of_the_format_is_asked_for_or_does_not_help():
    """A key whose default is None or nothing has no value that is taken: nothing is there, or a check asks for it."""
    told = {
        (record, key)
        for (record, key), field in schema_walk.FORMAT.items()
        if "statement" not in record.__module__
        if not field.is_required() and field.get_default() not in (None, ())
    }
    reasons = {(record, key) for record, key in told if key in WORSE or (record.__name__, key) in WORSE_OF}
    assert {(record.__name__, key) for record, key in told - reasons - MUST.keys()} == set()
    assert not reasons & MUST.keys()
    assert MUST.keys() - {(Circuit, "highest_kV")} <= told, "but that which each rule takes another value for"
    assert WORSE_OF.keys() <= {(record.__name__, key) for record, key in told}


WIRE = {"name": "shield", "kind": "span", "potential": "earth", "from_m": [-20, 9, 30], "to_m": [20, 9, 30],
        "sag_m": 0.2, "diameter_m": 0.02}  # fmt: skip
TAIL = {"kind": "jumper", "name": "tail", "phase": "A", "from_m": [9, 0, 9], "to_m": [11, 0, 5], "length_m": 4.8,
        "diameter_m": 0.03, "release": {"free_end": "from", "lowered_to_m": [9, 0, 6]}}  # fmt: skip
RELEASE = TAIL["release"]
PORTAL = {
    "kind": "gantry", "name": "portal", "base_m": [0, 30], "heading_deg": 0, "column_spacing_m": 14,
    "column_width_m": 1, "beam_height_m": 11, "beam_depth_m": 0.9, "beam_width_m": 0.8, "panel_m": 1.2,
    "member_radius_m": 0.05,
}  # fmt: skip
ARM = {"height_m": 8, "length_m": 1, "depth_m": 0.1}
POLE = {"kind": "pole", "name": "pole", "base_m": [0, 30], "height_m": 9, "base_radius_m": 0.1, "top_radius_m": 0.1}
ROPE = {"name": "line", "from_m": [8, 9, 5], "to_m": [9, 9, 0.2], "diameter_m": 0.02}
WEATHER = {"air_C": [5, 25], "conductor_C": [5, 40], "basis": "forecast"}
VEHICLE = {"name": "truck", "centre_m": [12, -8, 1.5], "size_m": [7, 2.5, 3]}
HOOK = {"name": "hook", "from_m": 7, "to_m": 7.2, "radius_m": 0.35}
DRUM = {"kind": "cylinder", "name": "drum", "from_m": [9, 8, 0], "to_m": [9, 8, 1], "radius_m": 0.4}
MESHLESS = {"kind": "box", "name": "hut", "centre_m": [9, 9, 1], "size_m": [1, 2, 2], "potential": "earth"}

LEFT_OUT = [
    ("ground", {"ground": {"kind": "level", "height_m": 0, "uncertainty_m": None}}, "uncertainty_m", "0.0"),
    ("stage", {"stages": [stage(lean_along_deg=None)]}, "lean_along_deg", "0"),
    ("stage", {"stages": [stage(lean_across_deg=None)]}, "lean_across_deg", "0"),
    ("vehicle 'truck'", {"vehicles": [{**VEHICLE, "heading_deg": None}]}, "heading_deg", "0.0"),
    ("solid 'hut'", {"solids": [{**MESHLESS, "heading_deg": None}]}, "heading_deg", "0.0"),
    ("structure 'pole'", {"structures": [{**POLE, "crossarms": [ARM], "heading_deg": None}]}, "heading_deg", "0.0"),
    ("ladder", {"ladder": {**LADDER, "wet_or_dirty_m": None}}, "wet_or_dirty_m", "0.0"),
    ("ladder", {"ladder": {**LADDER, "tilt_deg": None}}, "tilt_deg", "0.0"),
    ("worker", {"workers": [{**WORKER, "hanging_m": None}]}, "hanging_m", "0.0"),
    ("track", {"track": {**TRACK, "settlement_m": None}}, "settlement_m", "0.0"),
    ("wire 'shield'", {"wires": [{**WIRE, "insulated": None}]}, "insulated", "false"),
    ("wire 'tail': release", {"wires": [{**TAIL, "release": {**RELEASE, "trails_m": None}}]}, "trails_m", "0.0"),
    ("wire 'tail': release", {"wires": [{**TAIL, "release": {**RELEASE, "trapped_per_unit": None}}]},
     "trapped_per_unit", "1.0"),
    ("rope 'line'", {"ropes": [{**ROPE, "wet_or_dirty_m": None}],
                     "statements": [{"kind": "insulating", "body": "line"}]}, "wet_or_dirty_m", "0.0"),
    ("weather", {"weather": {**WEATHER, "wind_m_s": None}}, "wind_m_s", "0"),
    ("weather", {"weather": {**WEATHER, "wind_m_s": [0, 5], "gust_factor": None}}, "gust_factor", "1.0"),
    ("weather", {"weather": {**WEATHER, "ice_m": None}}, "ice_m", "0"),
    ("structure 'portal'", {"structures": [{**PORTAL, "columns": None}]}, "columns", "2"),
    ("solid 'drum'", {"solids": [{**DRUM, "potential": None}]}, "potential", '"earth"'),
    ("structure 'pole'", {"structures": [{**POLE, "potential": None}]}, "potential", '"earth"'),
    ("ladder: fitting 'hook'", {"ladder": {**LADDER, "fittings": [{**HOOK, "potential": None}]}}, "potential",
     '"floating"'),
]  # fmt: skip


@pytest.mark.parametrize(("where", "parts", "key", "taken"), LEFT_OUT, ids=[f"{one[0]} {one[2]}" for one in LEFT_OUT])
def test_a_key_that_is_left_out_is_told(where, parts, key, taken):
    (found,) = unstated(scene(**parts))
    assert (found.places, found.key, found.taken) == ((where,), key, taken)


@pytest.mark.parametrize(("where", "parts", "key", "taken"), LEFT_OUT, ids=[f"{one[0]} {one[2]}" for one in LEFT_OUT])
def test_a_scene_that_states_what_would_be_taken_is_another_scene(where, parts, key, taken):
    """The one is undecided for it and the other is not: no digest may stand for both."""
    left_out, said = scene(**parts), scene(**_stating(parts, key, tomllib.loads(f"taken = {taken}")["taken"]))
    assert unstated(said) == ()
    assert said.sha256 != left_out.sha256
    # But for what is stated they are alike: no value differs. That a zero is right `small_scenes` confirms where it is
    # stated alone.
    alike = [name for name in SceneFile.model_fields if name != "statements"]
    assert [getattr(said, name) for name in alike] == [getattr(left_out, name) for name in alike]


def test_the_highest_voltage_is_stated_and_not_left_to_the_rules():
    """IEC 60038 has 245 kV where the American tables end their class at 242."""
    (found,) = unstated(scene(circuits=[{**CIRCUIT, "highest_kV": None, "highest_basis": None}]))
    assert (found.places, found.key, found.taken) == (("circuit 'bay'",), "highest_kV", "")


def _stating(parts, key, taken):
    """Parts with a value for the key that they give as None, or have not where it is a release's."""
    if isinstance(parts, dict):
        own = {key: taken} if parts.get(key, taken) is None else {}
        return {name: _stating(value, key, taken) for name, value in parts.items()} | own
    return [_stating(item, key, taken) for item in parts] if isinstance(parts, list) else parts


def test_where_it_does_not_matter_nothing_is_asked():
    assert unstated(scene()) == ()
    assert unstated(scene(structures=[{**POLE, "heading_deg": None}])) == ()  # round
    assert unstated(scene(ropes=[{**ROPE, "wet_or_dirty_m": None}])) == ()  # at earth
    aside = stage(travel_m=None, climb_m=None, posture=None, workers=[])
    assert unstated(scene(stages=[aside])) == ()  # the ladder is not there
    assert unstated(scene(weather={**WEATHER, "gust_factor": None})) == ()  # no wind
    live = {**WIRE, "potential": None, "phase": "A", "insulated": None}
    assert unstated(scene(wires=[live])) == ()


PLATES = [slab(f"plate {phase}", 15.0 + 9 * k, potential=phase) for k, phase in enumerate("ABC")]


@pytest.mark.parametrize("potential", ["B", "earth", None])
def test_a_potential_that_is_forgotten_does_not_make_a_breach_clear(potential):
    """Behind one who is bonded to A: between phases this rule asks more than to earth. The plate is so far off that at
    phase B it is a breach and at earth it is not; forgotten it would be taken as earth."""
    bond = {"bonded": {"worker": "A"}, "bonding_lead_m": 1.0, "clamp_m": [0.5, -0.3, 4.4]}
    plate = box("plate", [-2.8, 0, 4], [0.2, 4, 4], potential)
    solids = [grip([0.5, -0.3, 4.4]), slab("bus B", 24.0, potential="B"), plate]
    found = checked(circuits=[{**CIRCUIT, "phases": ["A", "B"]}], solids=solids, stages=[stage(**bond)])
    told = [str(point) for point in found.open_points if "potential is not stated" in point.what]
    assert found.verdict == {"B": "breach", "earth": "clear", None: "undecided"}[potential]
    assert len(told) == (potential is None)
    if told:
        assert told[0].startswith("solid 'plate': potential is not stated: taken as \"earth\"")


@pytest.mark.parametrize("lean", [None, 0.0])
def test_the_result_is_undecided_until_it_is_stated(lean):
    """One point a key, with every stage it is missing in."""
    both = [stage(name=name, lean_along_deg=lean) for name in ("one", "other")]
    found = checked(solids=PLATES, stages=both, tolerance_m=0.05)
    told = [point for point in found.open_points if "lean_along_deg" in point.what]
    if lean is None:
        (point,) = told
        assert (point.where, point.verdict) == ("stages 'one', 'other'", "undecided")
        assert point.what == "lean_along_deg is not stated: taken as 0"
        assert point.cure.startswith("state lean_along_deg")
        assert found.verdict == "undecided"
    else:
        assert told == []
        assert found.verdict == "clear"


def test_nothing_is_no_cure_of_an_uncertainty_that_is_left_out():
    """Whoever states it is asked again: `plausible`."""
    (point,) = untold.not_stated(scene(ground={"kind": "level", "height_m": 0, "uncertainty_m": None}))
    assert (point.where, point.cure) == ("ground", "state uncertainty_m there")
    (point,) = untold.not_stated(scene(track={**TRACK, "settlement_m": None}))
    assert point.cure == "state settlement_m there, 0.0 where that is so"
