"""Names of bodies: whatever the tool names itself is known, and no entry of a scene may take such a name, or one of a
potential. Two bodies of one name are one to the engine: the other would never be judged."""

from __future__ import annotations

from dataclasses import replace

import pytest
from every_key import bases, files, read
from small_scenes import CIRCUIT, LADDER, WORKER, box, scene, slab, stage

from clearance.errors import InputError
from clearance.job import staging, toppling, whip
from clearance.pipeline import prepare
from clearance.scene import checks, naming
from clearance.scene.assemble import assemble

BASES = bases()
SCENES = [name for name in BASES if not name.startswith("ground")]

STRING = {"kind": "strain", "length_m": 3.0, "insulating_m": 2.5, "diameter_m": 0.2}
WIRE = {"kind": "span", "name": "wire A", "phase": "A", "from_m": [-18, 9, 8], "to_m": [18, 9, 8], "sag_m": 0.2,
        "diameter_m": 0.02, "from_string": STRING, "to_string": STRING}  # fmt: skip
TAIL = {"kind": "jumper", "name": "tail", "phase": "A", "from_m": [9, 0, 9], "to_m": [11, 0, 5], "length_m": 4.8,
        "diameter_m": 0.03, "release": {"free_end": "from", "lowered_to_m": [9, 0, 6]}}  # fmt: skip
POST = {"name": "CT", "from_m": [20, 0, 2.5], "to_m": [20, 0, 5], "insulating_m": 2.1, "diameter_m": 0.3}
GUY = {"name": "guy", "from_m": "ladder @ 4", "to_m": [5, 5, 0], "diameter_m": 0.016, "guy": True}
LIFT = {**BASES["device"]["aerial_device"], "base_m": [30, 30]}
WHOLE = {
    "wires": [WIRE, TAIL],
    "insulators": [POST],
    "ropes": [GUY],
    "ladder": {**LADDER, "length_m": 4.6, "insulating_to_m": 4.6, "platform_m": 2.0},
    "aerial_device": LIFT,
    "statements": [{"kind": "absent", "bodies": ["lift"]}],
}
MADE = [
    "ground", "wire A from string", "wire A from string fittings", "wire A to string", "wire A to string fittings",
    "wire A from string: earthed end", "CT: live end", "CT foot", "CT head", "worker bonding lead", "ladder platform",
    "whip of tail", "where tail opens", "ladder toppling", "ladder toppling without guy", "ladder from 0.00 to 0.46 m",
    "ladder from 4.14 to 4.60 m", "lift chassis", "lift boom", "lift extension", "lift insulating boom",
    "lift platform", "lift insulating boom from 0.00 to 0.50 m",
]  # fmt: skip


def refusal(**parts) -> str:
    with pytest.raises(InputError) as caught:
        scene(**parts)
    return str(caught.value)


@pytest.mark.parametrize("base", SCENES)
def test_every_body_of_every_setting_goes_by_a_name_that_is_known(base, tmp_path):
    files(tmp_path)
    prepared = prepare(read(tmp_path, BASES[base]))
    site = prepared.site
    known = {one.name for one in naming.named(site.scene)}
    found = {body.name for settings in prepared.stages for setting in settings for body in setting.bodies}
    for step, settings in zip(site.scene.stages, prepared.stages, strict=True):
        found |= {hull.name for one in whip.whips(site, step) for hull in one.hulls}
        found |= {one.body.name for one in toppling.topplings(site, step, settings[0])}
    assert not [name for name in found - known if not naming.is_piece(site.scene, name)]
    # What the checks know of the file is what the scene has.
    assert set(naming.body_names(site.scene)) <= known


@pytest.mark.parametrize("made", MADE)
def test_a_name_that_the_tool_makes_is_nobody_elses(made):
    said = refusal(**WHOLE, solids=[slab("plate A", 20), box(made, [0, 5, 1], [1, 1, 1])])
    assert said.count("\n") == 0  # one message
    assert f"body '{made}': name: expected " in said
    assert "ename" in said  # what to do


def test_names_beside_those_are_free():
    near = ["CT feet", "wire A string", "ladder from the store", "lift truck", "whip of wire A", "where wire A opens"]
    solids = [slab("plate A", 20), *(box(name, [0, 5, 1 + 2 * k], [1, 1, 1]) for k, name in enumerate(near))]
    assert [solid.name for solid in scene(**WHOLE, solids=solids).solids[1:]] == near


@pytest.mark.parametrize("taken", ["A", "earth", "floating"])
@pytest.mark.parametrize("what", ["solid", "wire", "worker", "fitting"])
def test_a_body_named_like_a_potential_is_refused(taken, what):
    parts = {
        "solid": {"solids": [box(taken, [0, 9, 1], [1, 1, 1])]},
        "wire": {"wires": [{**TAIL, "name": taken}]},
        "worker": {"workers": [{**WORKER, "name": taken}]},
        "fitting": {"ladder": {**LADDER, "fittings": [{"name": taken, "from_m": 1, "to_m": 1.1, "radius_m": 0.3}]}},
    }
    assert f"body '{taken}': name: expected a name that is no potential" in refusal(**parts[what])


def test_a_phase_named_like_what_the_tool_makes_is_refused():
    circuit = {**CIRCUIT, "phases": ["A", "CT head", "C"]}
    assert "body 'CT head': name: expected a name that is no potential" in refusal(
        circuits=[circuit], insulators=[POST]
    )
    assert scene(circuits=[{**CIRCUIT, "phases": ["A", "CT top", "C"]}], insulators=[POST])


def test_a_name_that_slips_through_stops_before_anything_is_judged(monkeypatch):
    """The backstop, with the check of names taken away."""
    monkeypatch.setattr(checks, "_names", lambda *_: iter(()))
    twice = scene(insulators=[POST], solids=[slab("plate A", 20), box("CT foot", [0, 5, 1], [1, 1, 1])])
    with pytest.raises(InputError, match="body 'CT foot': name: expected one body of this name"):
        assemble(twice)
    lead = box("worker bonding lead", [0, 5, 1], [1, 1, 1])
    bonded = stage(bonded={"worker": "A"}, bonding_lead_m=2.0, clamp_m=[0, 0, 5])
    with pytest.raises(InputError, match="body 'worker bonding lead': name: expected one body of this name"):
        prepare(scene(solids=[slab("plate A", 20), lead], stages=[bonded]))


def test_a_site_with_a_body_twice_makes_no_setting():
    site = assemble(scene())
    settings = staging.settings_of(site, site.scene.stages[0])
    assert settings
    with pytest.raises(InputError, match="body 'ground'"):
        staging.settings_of(replace(site, bodies=(*site.bodies, site.bodies[0])), site.scene.stages[0])
