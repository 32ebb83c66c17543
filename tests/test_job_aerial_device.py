"""An insulating aerial device: where its joints put tip, platform and worker, what it insulates, what it refuses."""

from __future__ import annotations

import re
from importlib.resources import files

import numpy as np
import pytest
from small_scenes import CIRCUIT, box, checked, gap, only, scene, slab, stage

from clearance import whatif
from clearance.errors import InputError
from clearance.job import completeness, sequence
from clearance.motion import pose
from clearance.not_evaluated import NOT_EVALUATED
from clearance.permitted import permitted
from clearance.pipeline import check_prepared, prepare
from clearance.report import briefing, style
from clearance.view import pictures

TWO = {**CIRCUIT, "phases": ["A", "B"]}
LIFT = {
    "name": "lift", "base_m": [1.0, 2.0], "chassis_m": [6, 2.4, 1.8], "turret_m": 2.0, "boom_m": 5.0,
    "boom_radius_m": 0.1, "extend_m": [2.0, 6.0], "raise_deg": [-10, 75], "insulating_m": 3.0, "tip_m": 0.3,
    "platform_m": [1.2, 0.8, 1.0], "ahead_m": 0.8, "drop_m": 0.9, "room_m": 0.0, "bending_m": 0.0,
}  # fmt: skip
STANDS = {"turret_deg": 90, "boom_deg": 60, "extend_m": 4.0, "travel_m": None, "climb_m": None, "posture": "standing"}
FAR = [slab("bus A", bottom_m=30.0), box("bus B", [0, 60, 9], [9, 0.2, 0.2], "B")]


ABSENT = {"kind": "absent", "bodies": ["lift"]}


def parts(told=None, device=None, **changes):
    return {"circuits": [TWO], "ladder": None, "track": None, "aerial_device": {**LIFT, **(device or {})},
            "solids": FAR, "stages": [stage(**{**STANDS, **(told or {})})], **changes}  # fmt: skip


def test_its_joints_put_the_platform_where_the_arithmetic_does_and_keep_it_level():
    told = {"turret_deg": [-30, 120], "boom_deg": [-5, 70], "extend_m": [2, 6]}
    setting = prepare(scene(**parts(told))).stages[0][0]
    assert setting.motion.parameters == ("turret_deg", "boom_deg", "extend_m")
    rng = np.random.default_rng(4)
    for _ in range(100):
        turret, raised, out = (rng.uniform(*setting.box[name]) for name in setting.motion.parameters)
        q = {"turret_deg": turret, "boom_deg": raised, "extend_m": out}
        ahead = np.array([np.cos(turret), np.sin(turret), 0.0])
        tip = np.array([1, 2, 2]) + (5 + out) * (np.cos(raised) * ahead + [0, 0, np.sin(raised)])
        rotation, translation = pose(setting.motion, "extension", q)
        assert translation == pytest.approx(tip)
        assert rotation @ [1, 0, 0] == pytest.approx(np.cos(raised) * ahead + [0, 0, np.sin(raised)])
        for link in ("platform", "worker"):
            rotation, translation = pose(setting.motion, link, q)
            assert translation == pytest.approx(tip + 0.8 * ahead - [0, 0, 0.9])
            assert rotation @ [0, 0, 1] == pytest.approx([0, 0, 1])
            assert rotation @ [1, 0, 0] == pytest.approx(ahead)


def test_the_gap_over_a_whole_range_is_the_one_at_its_highest_platform():
    """Boom raised to 70 degrees and out to 5 m: the floor is at 2 + 10 sin 70 - 0.9 m, and the helmet is highest."""
    from small_scenes import head_m

    top = 2 + 10 * np.sin(np.radians(70)) - 0.9 + head_m()
    told = {"turret_deg": [80, 100], "boom_deg": [50, 70], "extend_m": [3, 5]}
    for above, verdict in ((1.5 + 0.02, "clear"), (0.61 - 0.02, "breach")):
        solids = [slab("bus A", bottom_m=top + above, size=(60.0, 60.0)), FAR[1]]
        found = only(**parts(told, solids=solids))
        (near,) = [a for a in found.approaches if a.to == "A"]
        assert near.measure.gap_upper_m == pytest.approx(above, abs=0.002)
        assert near.measure.verdict == verdict
        assert near.measure.at["boom_deg"] == pytest.approx(70)


def test_the_platform_goes_where_its_worker_goes():
    def platform(**told):
        (settings,) = prepare(scene(**parts(told))).stages
        return next(body for body in settings[0].bodies if body.name == "lift platform")

    bond = {"bonded": {"worker": "A"}, "bonding_lead_m": 40, "clamp_m": [0, 0, 30.0]}
    assert (platform().potential, platform().states) == (None, ())
    assert platform(kind="step on", boom_deg=0, extend_m=2.0).potential == "earth"
    held = platform(kind="work", **bond)
    assert (held.potential, held.states) == ("A", (("bond lost", None),))
    assert platform(workers=[]).potential is None


def test_chains_pass_worker_and_platform_and_end_at_the_metal_boom():
    """From a plate at A to the metal boom there is the air to the helmet, then what insulates: 3 m of boom, less the
    radius of the metal at its end and the ball of 0.3 m and a radius that stands for the metal of the tip."""
    from small_scenes import head_m

    top = 2 + 9 * np.sin(np.radians(60)) - 0.9 + head_m()
    solids = [slab("bus A", bottom_m=top + 2.0, size=(60.0, 60.0)), FAR[1]]
    found = gap(only(**parts(solids=solids)), "A", "earth", "object")
    assert {"worker", "lift platform"} & set(found.posture.through)
    assert found.posture.ends[1] in ("lift extension", "lift boom", "ground", "lift chassis")
    expected = 2.0 + 3.3 - 0.1 - (0.3 + 0.1)
    assert found.posture.gap_upper_m <= expected + 0.01


def test_what_insulates_is_what_is_outside_the_metal_boom():
    for extend, left in (([4.0, 5.0], 3.0), ([2.0, 5.0], 1.7), ([3.3, 3.3], 3.0), ([2.5, 4.0], 2.2)):
        found = only(**parts({"extend_m": extend}))
        (boom,) = [one for one in found.insulation if one.body == "lift"]
        assert boom.left_m == pytest.approx(left)
    (dirty,) = only(**parts({"extend_m": 4}, {"wet_or_dirty_m": 0.5})).insulation
    assert dirty.left_m == pytest.approx(2.5)
    (short,) = only(**parts({"extend_m": 4}, {"insulating_m": 1.0})).insulation
    assert short.verdict == "breach"


def test_a_prop_under_the_insulating_boom_is_an_earth_upon_it():
    """The boom lies level along y: from 7.7 to 10.7 m it insulates, less what is below the far side of the prop."""
    required = 0.3048 * 0.011 * 245 / np.sqrt(3) * 2.5 + 0.31  # OSHA, the phase-to-earth distance with a tool
    for left, verdict in ((required + 0.06, "clear"), (required - 0.01, "breach")):
        prop = box("prop", [1.0, 10.7 - left - 0.1, 0.95025], [0.2, 0.2, 1.9005])
        said = [{"kind": "contact", "bodies": ["prop", "lift insulating boom"]}]
        told = {"boom_deg": 0, "extend_m": 4.0}
        # Whoever stands so far ahead of the tip has the boom out of reach.
        found = only(**parts(told, {"ahead_m": 2.5}, solids=[*FAR, prop], statements=said))
        (boom,) = [one for one in found.insulation if one.body == "lift"]
        assert boom.verdict == verdict
        # A tube of 0.1 m on a flat prop touches it a little beyond its edge: by a piece at most.
        assert left - 0.1 <= boom.left_m <= left


def test_hands_on_the_insulating_boom_are_a_touch_of_the_worker():
    """The boom lies level behind the worker, 0.8 m from the soles to its tip, of which 0.3 m are metal."""
    from test_insulation import from_reach

    required = 0.3048 * 0.011 * 245 / np.sqrt(3) * 2.5 + 0.31  # OSHA, the phase-to-earth distance with a tool
    reached = max(u for u in np.arange(0.0, 2.0, 0.001) if from_reach((-1.1 - u, 0.0, 0.9), 0.0) <= 0.1)
    assert reached > 0.05
    for left, verdict in ((required + 0.06, "clear"), (required - 0.01, "breach")):
        device = {"insulating_m": round(left + reached, 3)}
        found = only(**parts({"boom_deg": 0, "extend_m": 4.0}, device))
        (boom,) = [one for one in found.insulation if one.body == "lift"]
        assert boom.verdict == verdict
        assert left - 0.06 <= boom.left_m <= left + 0.002
        assert any("worker" in step for step in boom.steps)
        # Out of reach it keeps the whole of it.
        (boom,) = [
            one for one in only(**parts({"boom_deg": 0, "extend_m": 4.0}, {**device, "ahead_m": 2.5})).insulation
            if one.body == "lift"
        ]  # fmt: skip
        assert boom.left_m == pytest.approx(device["insulating_m"])


def test_the_boom_strikes_what_stands_in_its_way():
    post = box("post", [1.0, 6.0, 3.0], [0.4, 0.4, 6.0])
    told = {"turret_deg": [60, 120], "boom_deg": 20}
    found = {one.body: one.measure.verdict for one in only(**parts(told, solids=[*FAR, post])).collisions}
    assert found["lift boom"] == "breach"
    assert {one.measure.verdict for one in only(**parts()).collisions} == {"clear"}


def test_its_boom_is_called_a_boom_and_never_a_ladder():
    """In drawings, pictures and page, each of which has a look for it; and in all that a crew is told."""
    (setting, *_), *_ = prepare(scene(**parts())).stages
    kinds = {body.name: body.kind for body in setting.bodies if body.link in ("boom", "extension")}
    assert {name: kind for name, kind in kinds.items() if kind != "hull"} == {
        "lift boom": "boom", "lift extension": "boom", "lift insulating boom": "insulating boom",
    }  # fmt: skip
    page = files("clearance") / "view" / "page"
    looks = re.findall(r'^  "?([\w ]+)"?: \{ light', (page / "parts.js").read_text(), re.MULTILINE)
    layers = (page / "stage.js").read_text()
    for kind in ("boom", "insulating boom"):
        assert kind in style.KIND_PENS
        assert kind in pictures.KINDS
        assert kind in looks
        assert f'"{kind}"' in layers
    told = briefing.contents(permitted(prepare(scene(**parts())), 0.01))
    words = [*told["stops"], *told["checks"], *told["cautions"], told["paragraph"], told["means"]]
    words += [line for line in told["skipped"] if line != NOT_EVALUATED[0]]
    words += [line for stage_sheet in told["stages"] for line in stage_sheet["conditions"]]
    assert not [line for line in words if "ladder" in line.lower()]
    assert sum("boom" in line.lower() for line in words) >= 4
    assert "strength and overturning of the aerial device" in told["skipped"]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"told": {"boom_deg": None}}, "boom_deg: expected how \"lift\" stands, found nothing"),
        ({"told": {"boom_deg": [60, 80]}}, "boom_deg: expected within what \"lift\" can do, -10 to 75, found 60 to 80"),
        ({"told": {"extend_m": [1, 3]}}, "extend_m: expected within what \"lift\" can do, 2 to 6, found 1 to 3"),
        ({"told": {"climb_m": 3}}, "expected a ladder or an aerial device, found both"),
        ({"statements": [ABSENT]}, "turret_deg: expected nothing, as \"lift\" is absent, found a range"),
        ({"aerial_device": None}, "turret_deg: expected an aerial device in the scene, found none"),
    ],
)  # fmt: skip
def test_what_it_refuses(changes, said):
    with pytest.raises(InputError, match="expected") as caught:
        prepare(scene(**parts(**changes)))
    assert said in str(caught.value)


LOW = {**STANDS, "posture": None, "extend_m": 2.0}
"""Its floor is at 2.0 + 7 sin b - 0.9 m: at 1.5 m where sin b is 0.4 / 7, at 3.28 degrees."""


@pytest.mark.parametrize("kind", ["step on", "step off"])
@pytest.mark.parametrize(
    ("boom", "extend", "high"),
    [
        (3.2, 2.0, None), ([-10, 3.2], 2.0, None), (3.4, 2.0, "1.52"), ([-10, 3.4], 2.0, "1.52"),
        (3.2, [2.0, 2.3], "1.51"), ([-10, -2], [2, 6], None), (60, 4.0, "8.89"),
    ],
)  # fmt: skip
def test_it_is_stepped_on_and_off_near_the_ground_all_over_its_range(kind, boom, extend, high):
    one = stage(**{**LOW, "boom_deg": boom, "extend_m": extend}, kind=kind, name="one")
    found = [str(m) for _, _, ms in sequence.follow(scene(**{**parts(), "stages": [one]})) for m in ms]
    assert len(found) == (high is not None)
    assert (
        high is None or f"within 1.5 m of the ground where somebody steps on or off, found up to {high} m" in found[0]
    )


def test_nobody_is_bonded_who_steps_on_or_off():
    for kind, refused in (("step on", True), ("climb", False), ("step off", True)):
        bond = {"bonded": {"worker": "A"}, "bonding_lead_m": 2.0, "clamp_m": [1, 2, 3]}
        one = stage(**{**LOW, "boom_deg": 0}, kind=kind, name="one", **bond)
        found = [str(m) for _, _, ms in sequence.follow(scene(**{**parts(), "stages": [one]})) for m in ms]
        assert any("expected nobody bonded while on the ground, found 'worker' to A" in m for m in found) == refused


def test_a_job_begins_and_ends_with_the_platform_down():
    empty = {**LOW, "workers": [], "kind": "work"}
    for booms, told in (((3.2, 3.2), []), ((60, 3.2), ["begins"]), ((3.2, 60), ["ends"])):
        stages = [stage(**{**empty, "boom_deg": boom}, name=str(k)) for k, boom in enumerate(booms)]
        found = completeness.missing(scene(**{**parts(), "stages": stages, "asks": "job"}))
        up = [point for point in found if "platform up in the air" in point.what]
        assert [point.what.split()[1] for point in up] == told


def test_a_stage_goes_on_from_where_the_boom_was():
    first = stage(**STANDS, name="first", kind="climb")
    for turret, refused in ((90, False), ([85, 100], False), ([95, 100], True)):
        second = stage(**{**STANDS, "turret_deg": turret}, name="second")
        made = scene(**{**parts(), "stages": [first, second]})
        mistakes = [m for found in sequence.follow(made) for m in found[2]]
        assert bool(mistakes) == refused
    assert "expected a range that meets that of stage 'first' for 'lift', 90 deg, found 95 to 100 deg" in str(
        mistakes[0]
    )


def test_nobody_is_forgotten_on_the_platform():
    first = stage(**STANDS, name="first", kind="step on")
    second = stage(**STANDS, name="second", kind="climb", workers=[])
    mistakes = [m for found in sequence.follow(scene(**{**parts(), "stages": [first, second]})) for m in found[2]]
    assert any("nobody forgotten" in str(m) for m in mistakes)


def test_a_device_that_is_absent_is_nowhere():
    told = {"turret_deg": None, "boom_deg": None, "extend_m": None, "workers": []}
    gone = parts({**told, "kind": "travel", "posture": None}, statements=[ABSENT])
    (found,) = checked(**gone).stages
    assert found.open_points or not found.collisions
    (settings,) = prepare(scene(**gone)).stages
    assert not [body for body in settings[0].bodies if body.name.startswith("lift")]


def test_what_if_says_how_far_the_boom_may_be_raised():
    """Out to 9 m from its hinge the helmet is at 2 + 9 sin b - 0.9 m and what a person is tall; the plate is as much
    above where that is at 60 degrees as an unbonded worker keeps from a phase, 0.61 m."""
    from small_scenes import head_m

    above = 2 + 9 * np.sin(np.radians(60)) - 0.9 + head_m() + 0.61
    told = {"boom_deg": [40, 65]}
    prepared = prepare(scene(**parts(told, solids=[slab("bus A", bottom_m=above, size=(60.0, 60.0)), FAR[1]])))
    result = check_prepared(prepared, 0.005, withdraw=False)
    assert result.verdict == "breach"

    (found,) = whatif.changes(prepared, result, 0.005)
    raised = next(change for change in found.changes if change.what == "raise of the boom, its upper end")
    assert raised.needed is not None
    assert raised.needed[1] == pytest.approx(60.0, abs=0.2)


def test_margins_are_mapped_along_each_of_its_ranges():
    """Bins of one axis hold for all others: the least of each map is the least margin of the stage."""
    told = {"turret_deg": [80, 100], "boom_deg": [50, 60], "extend_m": [3, 4]}
    found = only(**parts(told))
    assert [one.axes for one in found.maps] == [("turret_deg",), ("boom_deg",), ("extend_m",)]
    (first,) = {(one.between, one.kind, one.what) for one in found.maps}
    least = gap(found, *first[0], first[1]).governing.margin_lower_m
    for one in found.maps:
        low, high = one.cells[0].ranges[one.axes[0]][0], one.cells[-1].ranges[one.axes[0]][1]
        assert (low, high) == pytest.approx(told[one.axes[0]])
        assert min(cell.margin_lower_m for cell in one.cells) == pytest.approx(least, abs=0.03)
