"""The whip of a freed conductor: nothing of a line that does not stretch leaves its hulls, and the verdict turns where
arithmetic says it does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hulls import inside
from small_scenes import CIRCUIT, body, box, hands_at, insulating, isolated, lashed, never_at, scene, stage, tail_rope
from small_scenes import only as only_of

from clearance import shapes
from clearance.bodies import wire as hanging
from clearance.bodies import worker
from clearance.errors import InputError
from clearance.job import tails, whip
from clearance.pipeline import check, prepare
from clearance.scene.assemble import on_ground
from clearance.shapes import Shape

BY = "the person in charge"
TWO = {**CIRCUIT, "phases": ["A", "B"]}
LENGTH = 4.8
FREE, FIXED = (2.0, 0.0, 9.0), (4.0, 0.0, 5.0)
BEFORE = {"far_end": "open and locked", "phase_identified": "by tracing", "by": BY}


SAFETY = tail_rope((2.0, 0.0, 9.2), "safety rope")
ROPES = [tail_rope((2, -9, 0.1), over_m=[2, -9, 9.2], hangs_from="mast"), tail_rope((2, 1, 0.1), "other tail rope")]
MAST = box("mast", [2, -9, 9.4], [0.2, 0.2, 0.2])
"""What the rope that lowers is led over, above the free end and far aside."""


HANDS = hands_at(*ROPES)
"""Who has them while the dropper moves."""


def dropper(**release):
    told = {"free_end": "from", "lowered_to_m": [2, 0, 6], "before_opening": BEFORE, "ropes": ROPES, **release}
    return {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": list(FREE), "to_m": list(FIXED),
            "length_m": LENGTH, "diameter_m": 0.03, "release": told}  # fmt: skip


def guides(sideways_m=0.5):
    return {"kind": "held", "wire": "dropper", "basis": "guide ropes to both sides", "sideways_m": sideways_m}


def rope(length_m=3.5):
    """The statement that `SAFETY` holds the free end."""
    return {"kind": "held", "wire": "dropper", "rope": "safety rope", "length_m": length_m}


def lowering(others=(), held=(), never=("earth",), release=None, **parts):
    """One stage that lowers the dropper from where it has opened, nobody aloft; a rail at phase B is beside it.

    held: statements of what holds it; never: the states that it is never in. At its former phase, or at a potential of
    its own: the limit is then the same against phase B, whose overvoltage of 1.35 T + 0.45 is above T + 1.
    """
    told = {"kind": "lower", "released": ["dropper"], "lower_m": [2.6, 3], "workers": [], "travel_m": None,
            "climb_m": None, "posture": None}  # fmt: skip
    solids = [box("bus A", [2, 0, 9.3], [2, 0.1, 0.1], "A"), MAST, *others]
    said = [isolated("dropper"), *([never_at("dropper", *never)] if never else []), *held]
    lines = [*ROPES, *([SAFETY] if any("rope" in one for one in held) else [])]
    said += [insulating(one["name"]) for one in lines]
    return {"circuits": [TWO], "solids": solids, "wires": [dropper(**{"ropes": lines, **(release or {})})],
            "stages": [stage(**told)], "statements": said,
            "crew": HANDS, "ladder": None, "track": None, "workers": None, **parts}  # fmt: skip


def whip_of(**parts):
    site = prepare(scene(**parts)).site
    (found,) = whip.whips(site, site.scene.stages[0])
    return found


def chain(rng, start, length, count=60, end=None):
    """A random line of a length (count + 1, 3) from a point, and to another where one is given."""
    steps = rng.normal(size=(count, 3))
    # Runs of like steps reach far; steps without aim ball up about the start.
    for k in range(1, count):
        if rng.random() < 0.9:
            steps[k] = steps[k - 1] + 0.2 * rng.normal(size=3)
    steps *= (length / count) / np.linalg.norm(steps, axis=1)[:, None]
    line = np.concatenate([[start], start + np.cumsum(steps, axis=0)])
    if end is None:
        return line
    # Drawn to its end by turns (each step keeps its length): forward and backward reaching.
    each = length / count
    for _ in range(300):
        line[-1] = end
        for k in range(count - 1, -1, -1):
            line[k] = line[k + 1] + (line[k] - line[k + 1]) * each / np.linalg.norm(line[k] - line[k + 1])
        line[0] = start
        for k in range(count):
            line[k + 1] = line[k] + (line[k + 1] - line[k]) * each / np.linalg.norm(line[k + 1] - line[k])
        if np.linalg.norm(line[-1] - end) < 1e-6:
            break
    return line


@pytest.mark.parametrize("trails", [0.0, 0.7])
def test_no_tail_leaves_its_hulls(trails):
    sideways, line_m, anchor = 0.5, 3.5, np.array([2.0, 0.0, 9.2])
    found = whip_of(**lowering(held=[guides(sideways), rope(line_m)], release={"trails_m": trails}))
    ball, disc, egg = (hull.shape for hull in found.hulls)
    rng = np.random.default_rng(20)
    seen = np.zeros(3)
    in_ball, in_disc, in_egg = [], [], []
    for _ in range(150):
        free = chain(rng, np.array(FIXED), LENGTH + trails)
        in_ball.append(free)
        seen[0] = max(seen[0], np.linalg.norm(free - FIXED, axis=1).max())
        guided = free[np.abs(free[:, 1]) <= sideways]
        in_disc.append(guided)
        seen[1] = max(seen[1], np.linalg.norm(guided - FIXED, axis=1).max())
        # Tail and safety rope are one line between two fixed points; what trails hangs from the knot between them.
        both = chain(rng, np.array(FIXED), LENGTH + line_m, 83, end=anchor)
        knot = round(LENGTH / (LENGTH + line_m) * 83)
        if np.linalg.norm(both[-1] - anchor) < 1e-6:
            tail = both[:knot]
            in_egg += [tail, chain(rng, both[knot - 1], trails, 8)]
            seen[2] = max(seen[2], np.abs(tail[:, 1]).max())
    for hull, points in ((ball, in_ball), (disc, in_disc), (egg, in_egg)):
        assert inside(hull, np.concatenate(points)).all()  # each primitive asked once of all
    # The hulls are not idly large: tails come near the edge of each.
    assert seen[0] > 0.8 * LENGTH
    assert seen[1] > 0.8 * LENGTH
    assert seen[2] > 0.5


def test_the_hull_about_two_fixed_points_is_the_ellipsoid_and_little_more():
    one, other, length = np.array([0.0, 0, 0]), np.array([4.0, 0, 3]), 8.0
    starts, ends, radii = whip.between(one, other, length)
    shape = Shape(np.stack([starts, ends, ends], axis=1), np.full(len(radii), 2, np.int8), radii, np.zeros(len(radii)))
    rng = np.random.default_rng(3)
    points = rng.uniform(-6, 8, size=(40000, 3))
    within = np.linalg.norm(points - one, axis=1) + np.linalg.norm(points - other, axis=1) <= length
    assert within.sum() > 500
    assert inside(shape, points[within]).all()
    outside = np.linalg.norm(points - one, axis=1) + np.linalg.norm(points - other, axis=1) > length + 0.3
    assert not inside(shape, points[outside]).any()


def reached(found, to):
    (one,) = [a for a in found.approaches if a.to == to]
    return one.measure


@pytest.mark.parametrize("held", [(), (guides(0.5),)])
def test_a_phase_beside_the_tail_turns_the_verdict_where_arithmetic_says(held):
    """Electrical part, phase to phase with a tool in the gap: 1.967 m at 245 kV and 2.5 per unit, as the rule's own
    module gives it; the ball reaches 4.8 m times 1.005 and half the diameter, the guided tail 0.5 m and that half."""
    reach = (0.5 if held else LENGTH * 1.005) + 0.015
    for beyond, verdict in ((-0.02, "breach"), (0.02, "clear")):
        at = reach + 1.9673504766 + beyond
        rail = box("bus B", [4, at + 0.05, 5], [12, 0.1, 12], "B")
        found = only_of(**lowering([rail], held))
        measure = reached(found, "B")
        assert measure.gap_upper_m == pytest.approx(1.9673504766 + beyond, abs=0.002)
        assert measure.verdict == verdict


def test_a_tail_that_may_be_earth_keeps_from_its_former_phase_too():
    found = only_of(**lowering(never=()))
    assert reached(found, "A").verdict == "breach"
    with pytest.raises(ValueError, match="not enough values"):
        reached(only_of(**lowering()), "A")


def test_the_crew_stay_clear_of_it_and_off_the_ground_below():
    for y, verdict in ((5.2, "breach"), (9.0, "clear")):
        crew = [{"name": "helper", "stature_m": 1.8, "at_m": [4, y]}]
        found = only_of(**lowering(crew=crew))
        assert reached(found, "crew").verdict == verdict
        below = reached(found, "the ground below the whip of dropper")
        # The shoulders of a man of 1.8 m are some 0.3 m from his middle: of the ball's 4.84 m 0.36 m are left at 5.2.
        assert below.gap_upper_m == pytest.approx(y - LENGTH * 1.005 - 0.015 - 0.35, abs=0.12)
    crew = [{"name": "helper", "stature_m": 1.8, "at_m": [4, 4.5]}]
    assert reached(only_of(**lowering(crew=crew)), "the ground below the whip of dropper").verdict == "breach"


def test_what_holds_it_only_ever_makes_the_gap_larger():
    rail = box("bus B", [4, 8, 5], [12, 0.1, 12], "B")
    gaps = [
        reached(only_of(**lowering([rail], held)), "B").gap_lower_m
        for held in ([], [rope()], [rope(), guides()], [guides(3.9), guides()])
    ]
    assert gaps == sorted(gaps)
    assert gaps[0] + 1.0 < gaps[1] < gaps[2] - 0.5


def test_a_worker_at_another_potential_keeps_from_it_and_one_at_its_phase_does_not():
    worker = {"travel_m": 5, "climb_m": 3, "posture": "standing", "workers": ["worker"]}
    base = lowering()
    parts = {key: value for key, value in base.items() if key not in ("ladder", "track", "workers")}
    found = only_of(**{**parts, "stages": [{**parts["stages"][0], **worker}]})
    assert reached(found, "worker").required_m == pytest.approx(1.1856407393)
    # A ball of 4.84 m about (4, 0, 5) holds the worker at the origin, 3 m up, with the head at 4.9 m.
    assert reached(found, "worker").verdict == "breach"


def test_a_safety_rope_that_is_too_short_is_refused():
    with pytest.raises(
        InputError, match=r"statement 4 \(held\): length_m: expected a rope that reaches .* 3\.20 m, found 2 m"
    ):
        prepare(scene(**lowering(held=[rope(2.0)])))


def test_guides_that_do_not_reach_where_it_is_parked_are_refused():
    with pytest.raises(
        InputError, match=r"statement 4 \(held\): sideways_m: expected at least the 0\.70 m that its way is beside"
    ):
        prepare(scene(**lowering(held=[guides(0.5)], release={"lowered_to_m": [2, 0.7, 6]})))


def test_guides_of_a_tail_that_hangs_straight_down_are_refused():
    ropes = [{**one, "to_m": [2, y, 0.1]} for one, y in zip(ROPES, (-3, 3), strict=True)]
    hanging = {**dropper(ropes=ropes), "from_m": [4, 0, 9]}
    with pytest.raises(InputError, match="not one above the other"):
        prepare(scene(**{**lowering(held=[guides()]), "wires": [hanging], "crew": hands_at(*ropes)}))


def test_every_stage_that_frees_a_tail_says_what_is_not_evaluated():
    (found,) = check(scene(**lowering()), withdraw=False).stages
    assert any("a blow" in note and "not evaluated" in note and "4.82 m" in note for note in found.notes)


def test_the_ground_below_is_the_least_of_the_hulls():
    found = whip_of(**lowering(held=[guides(0.5)]))
    zone = whip.footprint(found)
    assert np.abs(zone[:, 1]).max() == pytest.approx(0.515, abs=0.01)
    assert math.isclose(zone[:, 0].max(), 4.0 + LENGTH * 1.005 + 0.015, abs_tol=0.05)
    assert on_ground(prepare(scene(**lowering())).site.ground, (4.0, 0.0))[2] == 0.0


def test_a_string_at_the_far_end_swings_with_the_tail():
    """A span of 20 m with a string of 2 m at its fixed end: all is within both lengths of where that is attached."""
    string = {"kind": "strain", "length_m": 2.0, "insulating_m": 1.8, "diameter_m": 0.2, "units": 14}
    before = {**BEFORE, "pull_taken_by": "a tested come-along"}
    release = {"free_end": "from", "lowered_to_m": [2, 0, 8], "before_opening": before,
               "ropes": ROPES}  # fmt: skip
    span = {"kind": "span", "name": "dropper", "phase": "A", "from_m": [0, 0, 12], "to_m": [22, 0, 12], "sag_m": 0.2,
            "diameter_m": 0.03, "to_string": string, "release": release}  # fmt: skip
    told = {"kind": "open", "released": ["dropper"], "lower_m": [0, 2.6], "opening_distance_m": 1.0, "workers": [],
            "travel_m": None, "climb_m": None, "posture": None}  # fmt: skip
    found = whip_of(**lowering(wires=[span], stages=[stage(**told)]))
    assert found.fixed_m == pytest.approx([22, 0, 12])
    assert found.reach_m == pytest.approx(20.0 * 1.005 + 2.0, abs=0.05)
    twin = {**span, "bundle": {"count": 2, "spacing_m": 0.4}}
    wide = whip_of(**lowering(wires=[twin], stages=[stage(**told)]))
    # One of a pair is half the spacing from the middle of the bundle: counted as the corner of a square would be.
    assert wide.hulls[0].shape.radius[0] - found.hulls[0].shape.radius[0] == pytest.approx(0.4 * math.sqrt(0.5))


PARKED = stage(kind="work", off=["dropper"], workers=[], travel_m=None)
ELECTRICAL = 1.9673504766
"""[m] Between phases, a tool in the gap, as above."""


def test_a_tail_that_is_parked_is_judged_for_a_rope_that_fails_as_one_that_moves():
    reach = LENGTH * 1.005 + 0.015
    for beyond, verdict in ((-0.02, "breach"), (0.02, "clear")):
        rail = box("bus B", [4, reach + ELECTRICAL + beyond + 0.05, 5], [12, 0.1, 12], "B")
        measure = reached(only_of(**lowering([rail], stages=[PARKED])), "B")
        assert measure.gap_upper_m == pytest.approx(ELECTRICAL + beyond, abs=0.002)
        assert measure.verdict == verdict


def test_a_lashing_holds_it_only_where_it_is_parked():
    """Guided it goes 0.5 m aside, and half its diameter; free, 4.8 m all about its far end."""
    rail = box("bus B", [4, 8.05, 5], [12, 0.1, 12], "B")
    for parked, moving in ((False, 8.0 - 0.515), (True, 8.0 - LENGTH * 1.005 - 0.015)):
        held = [{**guides(0.5), "parked": parked}]
        found = reached(only_of(**lowering([rail], held)), "B")
        assert found.gap_lower_m == pytest.approx(moving, abs=0.002)
        found = reached(only_of(**lowering([rail], held, stages=[PARKED])), "B")
        assert found.gap_lower_m == pytest.approx(8.0 - 0.515, abs=0.002)


@pytest.mark.parametrize("within_m", [0.3, 0.9])
def test_ropes_either_of_which_holds_let_it_move_no_further_than_stated(within_m):
    """The tail lies in the plane y = 0 as the stage has it: off the rail's distance come half its diameter, what its
    chords and the pieces of its way stray by, and how far it may move."""
    for stages in ([PARKED], lowering()["stages"]):
        made = prepare(scene(**lowering(stages=stages)))
        tails = [body.shape for setting in made.stages[0] for body in setting.bodies if body.name == "dropper"]
        strays = max(float(tail.uncertainty.max()) for tail in tails)
        assert 0.0 < strays < 0.05
        for beyond, verdict in ((-0.02, "breach"), (0.02, "clear")):
            at = ELECTRICAL + within_m + 0.015 + strays + beyond
            rail = box("bus B", [4, at + 0.05, 5], [12, 0.1, 12], "B")
            measure = reached(only_of(**lowering([rail], [lashed("dropper", within_m)], stages=stages)), "B")
            assert measure.gap_upper_m == pytest.approx(ELECTRICAL + beyond, abs=0.002)
            assert measure.verdict == verdict


def test_of_two_words_on_how_far_it_moves_the_wider_counts():
    for said in ((0.3, 0.9), (0.9, 0.3)):
        at = ELECTRICAL + 0.9 + 0.015 - 0.05
        rail = box("bus B", [4, at + 0.05, 5], [12, 0.1, 12], "B")
        found = only_of(**lowering([rail], [lashed("dropper", within_m) for within_m in said], stages=[PARKED]))
        assert reached(found, "B").verdict == "breach"


def test_a_tail_at_its_own_may_touch_its_former_phase_and_not_whoever_is_bonded_to_it():
    """The worker is bonded to A, so far beside the plane that guides keep the tail within 0.5 m of. Between A and a
    charge of its own the limit is that between phases."""
    bond = {"kind": "work", "off": ["dropper"], "bonded": {"worker": "A"}, "bonding_lead_m": 1.1, "climb_m": 3.0}
    parts = lowering(held=[guides(0.5)])
    for name in ("ladder", "track", "workers"):
        parts.pop(name)

    def beside(aside_m):
        rail = box("rail A", [0.0, -aside_m, 5.1], [0.2, 0.2, 0.2], "A")
        told = stage(**bond, travel_m=5.0 - aside_m, clamp_m=[0.0, -aside_m, 5.0])
        return only_of(**{**parts, "solids": [*parts["solids"], rail], "stages": [told]})

    first = reached(beside(3.0), "worker")
    assert first.required_m == pytest.approx(ELECTRICAL)
    half = 3.0 - 0.515 - first.gap_lower_m
    assert half == pytest.approx(worker.reach_envelope(body(), 0.0).bounds[1][1], abs=0.05), "both arms stretched"
    for beyond, verdict in ((-0.02, "breach"), (0.02, "clear")):
        found = beside(0.515 + half + ELECTRICAL + beyond)
        assert reached(found, "worker").verdict == verdict
        assert not [one for one in found.approaches if one.to == "A"], "it is judged at that phase beside"


@pytest.mark.parametrize("said", [lashed("dropper", 0.3), guides(0.5)])
@pytest.mark.parametrize("stages", [[PARKED], lowering()["stages"]])
def test_what_one_rope_alone_holds_is_held_by_nothing_when_it_fails(said, stages):
    """A rail that the tail keeps off where two ropes are there; with one, or one away, it goes all about its far
    end."""
    rail = box("bus B", [4, 3.5, 5], [12, 0.1, 12], "B")
    away = {"kind": "absent", "bodies": [ROPES[1]["name"]]}

    def found(ropes, *held):
        told = lowering([rail], held, stages=stages, release={"ropes": ropes})
        names = [one["name"] for one in ropes]
        told["statements"] = [one for one in told["statements"] if one.get("body") not in
                              {rope["name"] for rope in ROPES} - set(names)]  # fmt: skip
        stage = only_of(**told)
        return reached(stage, "B").verdict, [one.what for one in stage.open_points if "whichever rope" in one.what]

    assert found(ROPES, said) == ("clear", [])
    for verdict, points in (found(ROPES[:1], said), found(ROPES, said, away)):
        assert verdict == "breach"
        assert len(points) == 1
    parked = {**said, "parked": True}
    # A lashing is a rope as well: where one of two is not there, or before it is parked, nothing holds.
    assert found(ROPES, parked) == (("clear" if stages == [PARKED] else "breach"), [])
    assert found(ROPES[:1], parked)[0] == "breach"


def test_where_it_is_parked_is_all_that_its_last_stage_leaves_of_the_way():
    """Lowered to 3 m less 0.099 m: the shape holds both ends of what is left, and all between."""
    parts = lowering()
    end = 3.0 - 0.099
    steps = [{**parts["stages"][0], "lower_m": [2.6, end]}, {**PARKED, "name": "parked"}]
    site = prepare(scene(**{**parts, "stages": steps})).site
    held = tails.where_parked(site, "dropper")
    for at in (end, end + 0.05, 3.0):
        exact = hanging.freed_tail(LENGTH, FIXED, FREE, (2.0, 0.0, 6.0), 0.03, 0.0, [(at, at)], 0.02)[0]
        points = shapes.at_value(exact.shape, at).vertices[:, :2].reshape(-1, 3)
        assert inside(held, points).all()
    whole = prepare(scene(**{**parts, "stages": [{**steps[0], "lower_m": [2.6, 3.0]}, steps[1]]})).site
    low = tails.where_parked(whole, "dropper")
    assert not inside(low, shapes.at_value(exact.shape, 3.0).vertices[:, 0] + [0.0, 0.0, 0.25]).all()


def test_a_rope_that_is_away_lowers_nothing():
    def said(*away):
        held = [{"kind": "absent", "bodies": list(away)}] if away else []
        return [one.what for one in only_of(**lowering(held=held)).open_points]

    names = [one["name"] for one in ROPES]
    assert not any("no rope is there that lowers" in what for what in (*said(), *said(names[0])))
    assert any("no rope is there that lowers it" in what for what in said(*names))


def test_the_polygon_about_a_disc_leaves_none_of_it_out():
    """Seen from the middle its edges are no nearer than the radius, and its corners hardly further: 0.2 %."""
    centre, normal = np.array([1.0, 2.0, 3.0]), np.array([0.6, 0.8, 0.0])
    triangles = whip.disc_about(centre, normal, 5.0)
    assert np.abs((triangles - centre) @ normal).max() < 1e-12
    edges = triangles[:, 2] - triangles[:, 1]
    share = np.clip(-((triangles[:, 1] - centre) * edges).sum(1) / (edges**2).sum(1), 0.0, 1.0)
    nearest = np.linalg.norm(triangles[:, 1] + share[:, None] * edges - centre, axis=1)
    assert nearest.min() >= 5.0 - 1e-12
    assert np.linalg.norm(triangles - centre, axis=2).max() <= 5.0 * 1.0025


@pytest.mark.parametrize("silent", [False, True])
def test_a_whip_is_not_clear_where_one_rule_is_silent(silent):
    """EN 50110-1 has no figure of its own: what the equation asks for is then the least it can be."""
    rail = box("rail B", [4.0, 40.0, 5.0], [1, 0.1, 1], "B")
    rule = ["osha-1910.269", "en-50110-1"] if silent else "osha-1910.269"
    found = only_of(**lowering(others=[rail], rule=rule))
    verdicts = {one.measure.verdict for one in found.approaches if one.to == "B"}
    assert verdicts == {"undecided" if silent else "clear"}
