"""The passage from records to bodies: everything in its place, at its potential, and nothing dropped without a word."""

from __future__ import annotations

import re

import numpy as np
import pytest
import small_scenes as small
import trimesh
from small_scenes import CIRCUIT, slab

from clearance.errors import InputError
from clearance.pipeline import prepare
from clearance.scene.assemble import assemble, place
from clearance.scene.records import Reference

SPAN = {"kind": "span", "name": "bus", "phase": "A", "diameter_m": 0.03, "from_m": [-20, 2, 11], "to_m": [20, 2, 11]}
STRING = {"kind": "suspension", "length_m": 3.0, "insulating_m": 2.0, "diameter_m": 0.2, "units": 14}


def site(**parts):
    return assemble(small.scene(**parts))


def named(found):
    return {body.name: body for body in found.bodies}


def test_a_span_hangs_by_its_sag_and_carries_its_uncertainty():
    found = site(wires=[{**SPAN, "sag_m": 0.8, "uncertainty_m": 0.07}])
    low, high = named(found)["bus"].shape.bounds
    # Chords leave the curve by up to 5 mm, which is uncertainty as well.
    assert low[2] == pytest.approx(11 - 0.8 - 0.015 - 0.07, abs=0.011)
    assert high[2] == pytest.approx(11 + 0.015 + 0.07, abs=0.011)
    assert (named(found)["bus"].shape.uncertainty >= 0.07).all()


def test_strings_insulate_over_their_insulating_part_between_earthed_and_live_hardware():
    found = site(wires=[{**SPAN, "sag_m": 0.8, "from_string": STRING}])
    bodies = named(found)
    assert not bodies["bus from string"].conductive
    assert bodies["bus from string fittings"].potential == "earth"
    assert bodies["bus"].potential == "A"
    (string,) = found.strings
    assert (string.name, string.insulating_m, string.units, string.phase) == ("bus from string", 2.0, 14, "A")
    # Half a metre of hardware at either end of a string that hangs from 11 m.
    assert string.earthed_m == pytest.approx((-20, 2, 10.5))
    assert string.live_m == pytest.approx((-20, 2, 8.5))
    assert found.wires["bus"].catenary.start == pytest.approx((-20, 2, 8.0))


def test_a_post_is_live_where_a_wire_ends_at_its_head_and_floats_elsewhere():
    post = {"name": "post", "from_m": [-20, 2, 8.4], "to_m": [-20, 2, 11.0], "insulating_m": 2.4, "diameter_m": 0.2}
    joined = site(wires=[{**SPAN, "sag_m": 0.8}], insulators=[post])
    assert joined.strings[0].phase == "A"
    assert {body.potential for body in joined.bodies if body.name == "post head"} <= {"A"}
    alone = site(wires=[{**SPAN, "sag_m": 0.8}], insulators=[{**post, "from_m": [9, 9, 1], "to_m": [9, 9, 3.6]}])
    assert alone.strings[0].phase is None
    assert {body.potential for body in alone.bodies if body.name == "post head"} <= {None}


def test_references_are_stations_along_the_chord_from_the_attachment():
    found = site(wires=[{**SPAN, "sag_m": 0.8, "from_string": STRING}])
    (x, y, _) = place(found, found.wires["bus"].record, Reference("bus", 15.0, None))
    assert (x, y) == pytest.approx((-5.0, 2.0))
    ends = [place(found, found.wires["bus"].record, Reference("bus", None, end)) for end in ("start", "end")]
    assert ends[0] == pytest.approx((-20, 2, 8.0))
    assert ends[1] == pytest.approx((20, 2, 11.0))


def test_a_station_beyond_the_wire_is_a_mistake_of_what_names_it():
    dropper = {
        "kind": "jumper",
        "name": "dropper",
        "phase": "A",
        "from_m": "bus @ 41",
        "to_m": [0, 2, 5],
        "length_m": 9,
    }
    with pytest.raises(InputError, match=r"wire 'dropper'.*a station on the conductor, from 0.00 to ") as caught:
        site(wires=[{**SPAN, "sag_m": 0.8}, {**dropper, "diameter_m": 0.03}])
    most = re.search("from 0.00 to (.*?) m", str(caught.value))
    assert most is not None
    assert site(
        wires=[{**SPAN, "sag_m": 0.8}, {**dropper, "from_m": f"bus @ {most[1]}", "length_m": 22, "diameter_m": 0.03}]
    )
    # From a stage as well the file and the entry are named.
    bond = {"bonded": {"worker": "A"}, "bonding_lead_m": 2.0, "clamp_m": "bus @ -3"}
    with pytest.raises(InputError, match=r"small\.toml: stage: bus @ -3: expected a station on the conductor"):
        prepare(small.scene(wires=[{**SPAN, "sag_m": 0.8}], stages=[small.stage(**bond)]))


@pytest.mark.parametrize("weather", [None, {"air_C": [5, 25], "wind_m_s": 0, "basis": "forecast"}])
def test_what_hangs_on_a_wire_with_a_mistake_is_told_to_mend_that_one(weather):
    """Whichever comes first: the wire below the ground, or without a conductor in weather, and the dropper on it."""
    dropper = {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": "bus @ 20", "to_m": [0, 2, 5],
               "length_m": 9, "diameter_m": 0.028}  # fmt: skip
    low = {**SPAN, "sag_m": 0.8, "from_m": [-20, 2, -3], "to_m": [20, 2, -3]}
    for wires in ([low, dropper], [dropper, low]):
        with pytest.raises(InputError) as caught:
            site(wires=wires, weather=weather)
        said = [mistake.where[1] for mistake in caught.value.mistakes]
        assert "wire 'bus'" in said
        assert len(set(map(str, caught.value.mistakes))) == len(said)
        told = [str(mistake) for mistake in caught.value.mistakes if mistake.where[1] == "wire 'dropper'"]
        own = "'bus', which has a mistake of its own. Mend 'bus' first"
        assert all("conductor" in one or own in one for one in told)
        assert "circle" not in str(caught.value)


def test_structures_stand_on_the_ground_below_them():
    ground = {"kind": "plane", "through_m": [0, 0, 2], "slope_deg": 10, "uphill_deg": 0, "extent_m": 40}
    pole = {"kind": "pole", "name": "pole", "base_m": [6, 0], "height_m": 9, "base_radius_m": 0.2, "top_radius_m": 0.1}
    shape = named(site(ground=ground, structures=[pole]))["pole"].shape
    foot = 2 + 6 * np.tan(np.radians(10))
    assert shape.vertices[:, :, 2].min() == pytest.approx(foot, abs=1e-9)
    assert shape.vertices[:, :, 2].max() == pytest.approx(foot + 9, abs=1e-9)


def test_coordinates_far_from_the_origin_are_refused():
    """A slab of 40 m: its far corner goes beyond 1000 km where its stated middle is within that."""
    with pytest.raises(InputError, match=r"solid 'bus A'.*Set \[origin\] near the site"):
        site(solids=[slab("bus A", bottom_m=9.0, at=(1.0e6 - 19.0, 0.0))])
    assert site(solids=[slab("bus A", bottom_m=9.0, at=(1.0e6 - 21.0, 0.0))])
    with pytest.raises(InputError, match=r"solid 'bus A': centre_m: expected -1e\+06 to 1e\+06 m"):
        site(solids=[slab("bus A", bottom_m=9.0, at=(2.0e6, 0.0))])


def test_what_may_be_live_is_listed_and_what_is_earthed_is_not():
    shield = {**SPAN, "name": "shield", "insulated": True, "potential": "earth", "sag_m": 0.5}
    shield.pop("phase")
    out = {"name": "out", "phases": ["X", "Y"], "nominal_kV": 110}
    parts = {"circuits": [CIRCUIT, out], "wires": [{**SPAN, "sag_m": 0.8}, shield]}
    assert site(**parts).live == ("A", "B", "C", "X", "Y", "shield")
    found = site(**parts, statements=[{"kind": "circuit earthed", "circuit": "out"}])
    assert found.live == ("A", "B", "C", "shield")
    assert found.circuit_of["shield"].name == "bay"


def test_open_surfaces_and_what_a_scan_cannot_see_are_told(tmp_path):
    mesh = trimesh.creation.box(extents=(1, 1, 1))
    mesh.update_faces(np.arange(len(mesh.faces)) > 1)
    mesh.export(tmp_path / "sheet.stl")
    entry = {"kind": "mesh", "name": "sheet", "file": str(tmp_path / "sheet.stl"), "units": "m", "at_m": [5, 5, 1]}
    found = site(solids=[{**entry, "solid": False}])
    assert any("sheet" in line and "1 hole" in line for line in found.skipped)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (1000.0, -2000.0)])
def test_level_ground_lies_where_the_job_is(shift):
    """The same scene with its zero elsewhere has the same ground below it; one that is too wide for it is refused."""
    x, y = shift
    moved = {"track": {"points_m": [[x, y - 5], [x, y + 5]], "heading_deg": 0}}
    found = site(**moved)
    low, high = found.bodies[0].shape.vertices.min(axis=(0, 1)), found.bodies[0].shape.vertices.max(axis=(0, 1))
    assert low[:2] == pytest.approx((x - 40, y - 40))
    assert high[:2] == pytest.approx((x + 40, y + 40))
    far = {"track": {"points_m": [[x, y - 5], [x, y + 85]], "heading_deg": 0}}
    with pytest.raises(InputError, match="track: points_m: expected a place on the ground given"):
        prepare(small.scene(**far))
