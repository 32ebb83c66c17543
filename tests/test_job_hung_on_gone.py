"""What hangs on a wire does not stay in the air when a stage takes that wire off: by reference it is refused, and what
touches the wire by coordinates is told."""

from __future__ import annotations

import pytest
import small_scenes as small
from small_scenes import scene, stage

from clearance.conductor.catenary import point_at_length
from clearance.errors import InputError
from clearance.job import fixed_to
from clearance.job.carried import presence
from clearance.pipeline import prepare
from clearance.scene.assemble import assemble
from clearance.scene.records import Reference

FREE, FIXED = (0.0, 0.0, 20.0), (9.0, 0.0, 8.0)
ROPE = {"name": "tag", "to_m": [6.0, 5.0, 0.0], "diameter_m": 0.02}
HOLDER = {"name": "holder", "insulating_m": 2.4, "diameter_m": 0.2}
SPUR = {"kind": "jumper", "name": "spur", "phase": "A", "to_m": [9.0, 12.0, 12.0], "length_m": 19.0, "diameter_m": 0.03}
EMPTY = {"travel_m": None, "climb_m": None, "posture": None, "workers": []}
OFF = stage(name="parked", off=["dropper"], **EMPTY)
BEFORE = stage(name="before", **EMPTY)
SAYS = "which is taken off, but what goes along (release.takes_along)"


def parts(stages=(OFF,), **told):
    """A dropper from a live bus to a post, whose upper end the job takes off and lowers."""
    release = {"free_end": "from", "lowered_to_m": [0.0, 0.0, 12.0], **told.pop("release", {})}
    dropper = {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": list(FREE), "to_m": list(FIXED),
               "length_m": 15.4, "diameter_m": 0.03, "release": release}  # fmt: skip
    told["wires"] = [dropper, *told.get("wires", ())]
    return {"ladder": None, "track": None, "workers": None, "stages": list(stages), **told}


HANGING = {
    "wire": ({"wires": [{**SPUR, "from_m": "dropper @ 3"}]}, "wire 'spur': from_m"),
    "wire at the end that stays": ({"wires": [{**SPUR, "from_m": "dropper end"}]}, "wire 'spur': from_m"),
    "rope": ({"ropes": [{**ROPE, "from_m": "dropper @ 3"}]}, "rope 'tag': from_m"),
    "string": (
        {"insulators": [{**HOLDER, "from_m": [4.0, 3.0, 16.0], "to_m": "dropper @ 4"}]},
        "insulator 'holder': to_m",
    ),
    "post at the end that goes": (
        {"insulators": [{**HOLDER, "from_m": [0.0, -3.0, 20.0], "to_m": "dropper start"}]},
        "insulator 'holder': to_m",
    ),
    "pulley": (
        {
            "release": {"ropes": [small.tail_rope([-9, 0, 1], "lowering", over_m="dropper @ 2", hangs_from="mast")]},
            "solids": [small.box("mast", [4, 4, 5], [0.2, 0.2, 10])],
        },
        "ropes 'lowering': over_m",
    ),
    "safety rope": (
        {"release": {"ropes": [small.tail_rope("dropper @ 8", "safety rope")]}},
        "ropes 'safety rope': to_m",
    ),
}


@pytest.mark.parametrize("what", HANGING)
def test_what_hangs_on_a_wire_that_is_off_is_refused_and_told_with_both_names(what):
    told, place = HANGING[what]
    for stages in ((OFF,), (stage(name="l", kind="lower", released=["dropper"], lower_m=[0, 2], **EMPTY),)):
        with pytest.raises(InputError) as caught:
            scene(**parts(stages, **told))
        (said,) = [one for one in str(caught.value).splitlines() if SAYS in one]
        assert place in said
        assert '"dropper' in said
    if what not in ("pulley", "safety rope"):  # these are of the release itself
        scene(**parts((BEFORE,), **told))  # nothing is wrong with it while the wire is there


def test_a_worker_does_not_bond_to_a_wire_that_is_off():
    bonded = stage(bonded={"worker": "A"}, bonding_lead_m=1.0, clamp_m="dropper @ 2")
    told = {"ladder": small.LADDER, "track": small.TRACK, "workers": [small.WORKER]}
    scene(**parts((bonded,), **told))
    with pytest.raises(InputError, match="clamp_m: expected nothing that hangs on a wire"):
        scene(**parts(({**bonded, "off": ["dropper"]},), **told))


def test_a_ladder_does_not_hang_on_a_wire_that_is_off():
    ladder = {**small.LADDER, "hangs_on": "dropper", "heading_deg": 0}
    moved = [{"wire": "dropper", "movement_m": 0.1, "basis": "reckoned"}]
    on_it = stage(travel_m=4, disturbed=moved)
    told = {"ladder": ladder, "workers": [small.WORKER]}
    scene(**parts((on_it,), **told))
    with pytest.raises(InputError, match="hangs_on: expected nothing that hangs on a wire"):
        scene(**parts(({**on_it, "off": ["dropper"]},), **told))


def test_the_end_that_stays_holds_what_does_not_conduct():
    post = {**HOLDER, "from_m": [9.0, 0.0, 5.0], "to_m": "dropper end"}
    found = scene(**parts(insulators=[post], ropes=[{**ROPE, "from_m": "dropper end"}]))
    assert found.insulators[0].to_m == Reference("dropper", end="end")


def test_an_end_that_was_freed_hangs_on_nothing():
    """The spur came off the dropper before the dropper went: where it is parked has nothing to do with it."""
    freed = {**SPUR, "from_m": "dropper @ 3", "release": {"free_end": "from", "lowered_to_m": [9.0, 12.0, 6.0]}}
    both = stage(name="both", off=["dropper", "spur"], **EMPTY)
    assert scene(**parts((both,), wires=[freed])).stages[0].off == ("dropper", "spur")
    for wrong in ({"free_end": "to"}, {"lowered_to_m": "dropper @ 4"}):
        with pytest.raises(InputError, match="wire 'spur'.*" + "expected nothing that hangs"):
            scene(**parts((both,), wires=[{**freed, "release": {**freed["release"], **wrong}}]))


def test_a_rope_that_is_taken_away_first_hangs_on_nothing():
    """Its coming and going is known only in order: taken away before the wire goes, or after it."""
    away = stage(name="away", kind="take away", bodies=["tag"], **EMPTY)
    off = {**OFF, "anew": True}
    for stages, places in (((away, off), 0), ((off, away), 1)):
        found = [str(one) for one in presence(scene(**parts(stages, ropes=[{**ROPE, "from_m": "dropper @ 3"}])))]
        assert len(found) == places
        assert all("rope 'tag': from_m: expected nothing that hangs" in one for one in found)


def on_dropper(share, away_m=0.0):
    """A point beside the dropper, at a share of its length from the end that goes."""
    curve = assemble(scene(**parts())).wires["dropper"].catenary
    x, y, z = point_at_length(curve, share * curve.length_m)
    return [x, y + away_m + 0.015, z]


def by_place(at):
    """What stands by coordinates at a point: table, entry, and the word it is told by."""
    x, y, z = at
    yield {"wires": [{**SPUR, "from_m": at}]}, "wire 'spur'"
    cube = small.box("trap", [x, y + 0.1, z], [0.2, 0.2, 0.2], "A")
    yield {"solids": [cube]}, "solid 'trap'"
    yield {"ropes": [{**ROPE, "from_m": at}]}, "rope 'tag'"
    yield {"insulators": [{**HOLDER, "diameter_m": 0.02, "from_m": [x, y + 3.0, z], "to_m": at}]}, "insulator 'holder'"


@pytest.mark.parametrize(("share", "away_m", "fixed"), [
    (0.4, 0.0, True), (0.4, fixed_to.FIXED_M - 0.02, True), (0.4, fixed_to.FIXED_M + 0.02, False),
])  # fmt: skip
def test_what_touches_a_wire_that_is_off_between_its_ends_is_told(share, away_m, fixed):
    for told, words in by_place(on_dropper(share, away_m)):
        site = prepare(scene(**parts(**told))).site
        points = list(fixed_to.of_stage(site, site.scene.stages[0]))
        assert [point.what.split(" is fixed")[0] for point in points] == [words] * fixed
        assert all(point.verdict == "undecided" and point.where == "wire 'dropper'" for point in points)


def told_of(**told):
    site = prepare(scene(**parts(**told))).site
    return [point.what.split(", and would")[0] for point in fixed_to.of_stage(site, site.scene.stages[0])]


AT_END = "is fixed to it at its end, and held by nothing else in the scene"


@pytest.mark.parametrize("share", [0.01, 0.02, 0.98, 0.99])
def test_so_is_what_touches_it_at_an_end_and_is_held_there_by_nothing_else(share):
    """A post is held at its foot; nothing else of these is."""
    for told, words in by_place(on_dropper(share)):
        assert told_of(**told) == ([] if "insulator" in words else [f"{words} {AT_END}"])


POLE = {"name": "pole", "insulating_m": 1.0, "diameter_m": 0.1}


@pytest.mark.parametrize("end", [0, 1])
def test_what_something_else_holds_stays_where_the_wire_was(end):
    """A fitting between the wire and a post; the same with the post no nearer than 0.1 m."""
    x, y, z = (FREE, FIXED)[end]
    pad = small.box("pad", [x, y, z + 0.1], [0.2, 0.2, 0.2], "A")
    for off, stays in ((0.0, True), (0.15, False)):
        post = {**POLE, "from_m": [x, y, z + 3.2 + off], "to_m": [x, y, z + 0.2 + off], "diameter_m": 0.02}
        assert told_of(solids=[pad], insulators=[post]) == [] if stays else [f"solid 'pad' {AT_END}"]
    # From one to the next, down to the earth; and as a load of a wire that stays.
    links = [small.box(f"link {k}", [x, y, z + 0.3 + 0.2 * k], [0.2, 0.2, 0.2], "A") for k in range(3)]
    held = [*links[:2], small.box("beam", [x, y, z + 0.7], [0.2, 0.2, 0.2])]
    assert told_of(solids=[pad, *held]) == []
    assert told_of(solids=[pad, *links]) == [f"solid 'pad' {AT_END}"]
    bus = {"kind": "span", "name": "bus", "phase": "A", "from_m": [x, -15.0, z], "to_m": [x, 15.0, z],
           "sag_m": 0.3, "diameter_m": 0.03, "weight_N_m": 10.0}  # fmt: skip
    load = {"what": "pad", "at_m": 15.0, "weight_kN": 0.1, "when_stated": "on", "basis": "weighed"}
    assert told_of(solids=[pad], wires=[bus]) == [f"solid 'pad' {AT_END}"]
    assert told_of(solids=[pad], wires=[{**bus, "loads": [load], "sag_m": 0.01}]) == []


def test_a_wire_stays_that_ends_elsewhere_or_is_held_where_it_ends():
    bus = {"kind": "span", "name": "bus", "phase": "A", "from_m": [0.0, -15.0, 20.0], "to_m": [0.0, 15.0, 20.0],
           "sag_m": 0.01, "diameter_m": 0.03}  # fmt: skip
    assert told_of(wires=[bus]) == []
    here = {**bus, "from_m": list(FREE)}
    assert told_of(wires=[here]) == [f"wire 'bus' {AT_END}"]
    post = {**POLE, "from_m": [0.0, 0.0, 17.0], "to_m": list(FREE)}
    assert told_of(wires=[here], insulators=[post]) == []
    # Held at its other end alone it goes with the wire at this one.
    other = {**POLE, "from_m": [0.0, 15.0, 17.0], "to_m": [0.0, 15.0, 20.0]}
    assert told_of(wires=[here], insulators=[other]) == [f"wire 'bus' {AT_END}"]
    string = {"kind": "strain", "length_m": 2.0, "insulating_m": 1.5, "diameter_m": 0.2}
    strung = {**here, "from_m": [0.0, -2.0, 20.0], "from_string": string}
    assert told_of(wires=[strung]) == []


def test_what_goes_with_the_wire_or_before_it_is_not_told():
    at = on_dropper(0.4)
    ((solid, _),) = [one for one in by_place(at) if "solids" in one[0]]
    goes = [{"solid": "trap", "at_m": 0.4 * 15.4, "movement_m": 0.1}]
    found = prepare(scene(**parts(**solid, release={"takes_along": goes}))).site
    assert list(fixed_to.of_stage(found, found.scene.stages[0])) == []
    spur = {**SPUR, "from_m": at, "release": {"free_end": "from", "lowered_to_m": [9.0, 12.0, 6.0]}}
    both = stage(name="both", off=["dropper", "spur"], **EMPTY)
    found = prepare(scene(**parts((both,), wires=[spur]))).site
    assert list(fixed_to.of_stage(found, found.scene.stages[0])) == []
