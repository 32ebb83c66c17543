"""What the briefing says of a tail: how far it goes, what holds it; and the site of a job without ladder and crew."""

from __future__ import annotations

import numpy as np
import pytest
from small_scenes import lashed, scene, stage
from test_job_whip import ROPES, guides, lowering, rope

from clearance.pipeline import prepare
from clearance.report.briefing_figures import Scenery, site_figure
from clearance.report.briefing_people import ropes_held, where_they_stand
from clearance.report.briefing_words import (
    checks,
    paragraph,
    range_sentences,
    stage_conditions,
    stop_conditions,
)


def sentences(said, **told):
    made = scene(**lowering(held=[said], **told))
    return list(range_sentences(made, made.stages[0]))


@pytest.mark.parametrize(
    ("said", "words"), [(lashed("dropper", 0.35), "further than 0.35 m"), (guides(0.5), "further than 0.50 m beside"),
                        (rope(3.5), ", 3.50 m at most")])  # fmt: skip
def test_each_way_of_holding_a_tail_has_its_figure(said, words):
    made = scene(**lowering(held=[said]))
    (found,) = [one for one in stage_conditions(made, made.stages[0]) if "What holds dropper: " in one]
    assert words in found
    assert "0.00 m" not in found


def test_the_way_of_a_free_end_is_told_to_the_millimetre():
    told = stage(kind="lower", released=["dropper"], lower_m=[2.6, 2.8273504766], workers=[], travel_m=None,
                 climb_m=None, posture=None)  # fmt: skip
    found = [one for one in sentences(guides(), stages=[told]) if one.startswith("Free end")]
    assert found == ["Free end of dropper between 2.60 m and 2.827 m of its way."]


def test_a_site_without_ladder_and_crew_is_drawn():
    assert "<svg" in site_figure("plan", Scenery((), (), (), np.array([1.0, 0.0, 0.0])), np.zeros((0, 4)), "")


PARKED = {"workers": [], "travel_m": None, "climb_m": None, "posture": None, "off": ["dropper"]}


def conditions(told, *said):
    made = scene(**lowering(held=[*said], stages=[stage(**told)], crew=HELPER))
    return " ".join(stage_conditions(made, made.stages[0]))


HELPER = [{"name": "helper", "stature_m": 1.8, "suit_m": 0.0, "boots_m": 0.0, "helmet_m": 0.0, "at_m": [20.0, 9.0]}]


def test_whoever_is_aloft_is_not_told_as_not_there():
    waits = {**HELPER[0], "name": "worker on the ground", "worker": "worker"}
    made = scene(crew=[*HELPER, waits], stages=[stage(name="aloft"), stage(name="down", workers=[], kind="travel")])
    away = {"kind": "absent", "bodies": ["helper"], "basis": "plan", "by": "the test", "on": "2026-11-30"}
    assert "Not there" not in " ".join(stage_conditions(made, made.stages[0]))
    told = " ".join(stage_conditions(made.changed(statements=(*made.statements, away)), made.stages[0]))
    assert "Not there in this stage: helper." in told


def test_whoever_goes_elsewhere_is_told_where():
    goes = [{"who": "helper", "at_m": [18.5, 9.0], "radius_m": 0.3}]
    words = "helper goes to x 18.50, y 9.00 m, within 0.30 m, and stays there until a stage says otherwise."
    assert words in conditions({**PARKED, "kind": "work", "stands": goes})
    assert "helper goes" not in conditions({**PARKED, "kind": "work"})


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({}, "Keep off dropper as off a phase: it is not earthed."),
        ({"kind": "earthing", "earths": ["dropper"], "stick_m": 3.0}, "before the earth is on, and once it is off."),
        ({"potentials": {"dropper": "earth"}}, "Lowered and parked: dropper; earthed: dropper."),
    ],
)
def test_a_parked_tail_is_kept_off_until_it_is_earthed(told, words):
    found = conditions({**PARKED, "kind": "work", **told})
    assert words in found
    assert ("Keep off" in found) == ("potentials" not in told)


def test_what_holds_it_parked_is_not_said_to_hold_it_while_it_moves():
    lashing = {**lashed("dropper", 0.6), "parked": True}
    moving = {**PARKED, "off": [], "released": ["dropper"], "lower_m": [0.0, 1.0]}
    opening = {**moving, "kind": "open", "opening_distance_m": 3.0}
    assert "What holds dropper while it is parked: " in conditions({**moving, "kind": "lower"}, lashing)
    assert "What holds" not in conditions(opening, lashing)
    assert "Nobody is aloft." in conditions(opening, lashing)
    assert "it goes 2.527 m, and" in conditions({**opening, "lower_m": [0.0, 2.5273504766]}, lashing)
    assert "What holds dropper: " in conditions(opening, lashed("dropper", 0.6))


def held(**parts):
    site = prepare(scene(**lowering(**parts))).site
    return list(ropes_held(site, site.scene.stages[0]))


AT = {"tail rope": (2.0, -9.0), "other tail rope": (2.0, 1.0)}


@pytest.mark.parametrize("name", AT)
def test_the_crew_is_told_who_holds_which_rope_and_from_where(name):
    """The one within reach has it in the hand, as it is let out; the other needs one of its own."""
    x, y = AT[name]
    (other,) = set(AT) - {name}
    found = held(crew=[{**HELPER[0], "at_m": [x, y + 0.3], "radius_m": 0.1}])
    first = f"Rope '{name}': held by helper, who hauls it in or lets it out, at x {x:.2f}, y {y + 0.3:.2f} m"
    assert found == [
        f"{first}, within 0.10 m; its end at x {x:.2f}, y {y:.2f}, z 0.10 m.",
        f"Held by nobody: rope '{other}', its end at x {AT[other][0]:.2f}, y {AT[other][1]:.2f}, z 0.10 m.",
    ]


def test_where_a_rope_is_made_fast_is_told_where_its_wire_goes():
    assert held(stages=[stage(kind="work", **PARKED)]) == ["Made fast where they end: tail rope, other tail rope."]


def test_where_everybody_stands_is_told_with_the_stages_and_the_hands():
    """Who is sent elsewhere may be at both places in that stage, and only there afterwards; who climbs is not there."""
    helper = {**HELPER[0], "at_m": [2.0, -9.0], "radius_m": 0.5}
    other = {**HELPER[0], "name": "other", "at_m": [-4.0, 9.0], "radius_m": 1.0, "tool_m": 2.0}
    goes = {"stands": [{"who": "other", "at_m": [-8.0, 9.0], "radius_m": 0.25}]}
    names = ("one", "goes", "two")
    stages = [stage(name=name, kind="work", **PARKED, **(goes if name == "goes" else {})) for name in names]
    down = {"kind": "restrained reach", "person": "helper", "arms": "down"}
    parts = lowering(stages=stages, crew=[helper, other])
    parts["statements"] = [*parts["statements"], down]
    rows = where_they_stand(prepare(scene(**parts)).site)
    first, then = "x -4.00, y 9.00 m, within 1.00 m", "x -8.00, y 9.00 m, within 0.25 m"
    hands = "as far as they reach, with 2.00 m of a tool"
    assert [tuple(row.values()) for row in rows] == [
        ("helper", "x 2.00, y -9.00 m, within 0.50 m", "1 to 3", "arms down"),
        ("other", first, "1", hands),
        ("other", f"{first}, to {then}", "2", hands),
        ("other", then, "3", hands),
    ]


def test_a_rope_that_nobody_has_is_told():
    high = [{**one, "to_m": [*one["to_m"][:2], z]} for one, z in zip(ROPES, (0.1, 1.4), strict=True)]
    assert held(release={"ropes": high}, crew=[])[-1].startswith(
        "Held by nobody: rope 'other tail rope', its end at x 2.00"
    )


def test_a_job_without_ladder_or_boom_is_told_without_them():
    """In its paragraph, its conditions to stop and its checks; with a ladder all of them name it."""
    bare = lowering()
    for key in ("ladder", "track", "workers"):
        bare.pop(key)
    for parts, named in ((lowering(), False), (bare, True)):
        made = scene(**parts)
        words = [paragraph(made, (None,)), *stop_conditions(made), *checks(made)]
        assert any("ladder" in line.lower() for line in words) == named
        assert "1 stage;" in words[0]
    assert "2 stages;" in paragraph(made, (None, None))
