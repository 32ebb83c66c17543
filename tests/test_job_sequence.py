"""What is carried from stage to stage: each contradiction is refused with its reason, and nothing else is."""

from __future__ import annotations

import pytest
import small_scenes as small
from typer.testing import CliRunner

from clearance.cli import app
from clearance.errors import InputError
from clearance.job import opening, parameters, sequence, templates
from clearance.job.written import written_out
from clearance.pipeline import check, prepare
from clearance.scene.builtin import builtin_scene
from clearance.scene.reading import read_scene
from clearance.scene.records import Range, SpanWire, Stage
from clearance.scene.records_statements import IntendedContact
from clearance.scene.records_wires import BeforeOpening

JOB = builtin_scene("job_three_phases")


@pytest.fixture(scope="module")
def job():
    return templates.expanded(read_scene(JOB))


def said(job, change, wires=None):
    """What is refused of the job with some stages changed: `change` maps names to new fields, None to take it out."""
    stages = []
    for stage in job.stages:
        fields = change.get(stage.name, {})
        if fields is not None:
            stages.append(stage.model_copy(update=fields))
    update = {"stages": tuple(stages)}
    named = {name for stage in stages for name in (*(stage.workers or ()), *stage.bonded)}
    more = sorted(named - {worker.name for worker in job.workers})
    update["workers"] = (*job.workers, *(job.workers[0].model_copy(update={"name": name}) for name in more))
    if wires is not None:
        update["wires"] = tuple(wires(wire) for wire in job.wires)
    return [str(mistake) for _, _, mistakes in sequence.follow(job.model_copy(update=update)) for mistake in mistakes]


@pytest.mark.parametrize("name", ["demo", "demo_full_overvoltage", "job_three_phases", "measured_span"])
def test_the_scenes_of_the_project_contradict_themselves_nowhere(name):
    sequence.refuse_contradictions(templates.expanded(read_scene(builtin_scene(name))))


OFF = ("dropper A",)
NOBODY = {"bonding_lead_m": None, "clamp_m": None}
UP = {"workers": ("worker",), "climb_m": Range(5.8, 6.6), "travel_m": Range(1.9, 2.1)}
"""What a stage with nobody bonded does not state."""
REFUSED = {
    "travel with a person aloft": (
        {"move to B": {"workers": ("worker",), "climb_m": Range(0.0, 1.0)}},
        ["'move to B': workers: expected nobody on the ladder while it travels, found worker"],
    ),
    "the ladder jumps": (
        {"move to B": None},
        ["'step on at B': travel_m: expected a range that meets that of stage 'earth dropper A' for 'ladder', 1.9"],
    ),
    "the worker jumps": (
        {"climb to A": {"climb_m": Range(1.0, 4.0)}},
        ["'bond to A': climb_m: expected a range that meets that of stage 'climb to A' for 'worker', 1 to 4 m"],
    ),
    "forgotten on the ladder": (
        {"come down from A": None, "step off at A": None},
        ["'open dropper A': workers: expected nobody forgotten on the ladder, found 'worker' left up there"],
    ),
    "bonded and gone": (
        {"bond off at A": None, "come down from A": None, "step off at A": None},
        ["'open dropper A': workers: expected everybody who is bonded, found 'worker', bonded to A in stage 'loosen"],
    ),
    "no stage of bonding": (
        {"bond to A": {"kind": "work"}},
        ["'bond to A': bonded: expected 'worker' not bonded after 'climb to A', found 'worker' bonded to A with"],
    ),
    "no stage of unbonding": (
        {"bond off at A": None},
        ["'come down from A': bonded: expected 'worker' still bonded to A, found 'worker' not bonded"],
    ),
    "from phase to phase": (
        {"loosen dropper A": {"bonded": {"worker": "B"}}},
        ["'loosen dropper A': bonded: expected 'worker' bonded to A still, found B",
         "'bond off at A': bonded: expected 'worker' bonded to B still, found A"],
    ),
    "two people at different phases": (
        {"loosen dropper A": {"bonded": {"worker": "A", "second": "B"}, "workers": ("worker", "second")}},
        ["'loosen dropper A': bonded: expected everybody bonded to one phase, found 'worker' to A and 'second' to B"],
    ),
    "unbonded too high": (
        {"bond off at A": {"climb_m": Range(6.2, 6.6)}, "come down from A": {"climb_m": Range(1.0, 6.4)}},
        ["'come down from A': climb_m: expected feet at or below 6.2 m, where stage 'bond off at A' takes"],
    ),
    "bonding nobody": (
        {"bond to A": {"bonded": {}, **NOBODY}},
        ["'bond to A': bonded: expected whom the stage is to bond, and the phase, found nobody"],
    ),
    "working without having climbed": (
        {"step on at A": None, "climb to A": None, "bond to A": {"kind": "work", "bonded": {}, **NOBODY}},
        ["'bond to A': workers: expected 'worker' on the ladder already, found 'worker' on the ground"],
    ),
    "off though nobody released it": (
        {"open dropper A": {"released": ("dropper B",)}, "lower dropper A": None},
        ["'earth dropper A': off: expected a wire that a stage has lowered, found \"dropper A\", in place"],
    ),
    "released and nobody lowered it": (
        {"lower dropper A": None},
        ["'earth dropper A': off: expected a wire that a stage has lowered, found \"dropper A\", opened in stage"],
    ),
    "nowhere": (
        {"step on at B": {"off": (), "potentials": {}}},
        ["'step on at B': off: expected \"dropper A\" where it was left, found \"dropper A\" nowhere"],
    ),
    "joined without having been raised": (
        {"raise dropper A": None},
        ["'close dropper A': released: expected a wire that was raised to near its place, found \"dropper A\" parked"],
    ),
    "earth of itself": (
        {"earth dropper A": None},
        ["'move to B': potentials: expected \"dropper A\" earthed by a stage, found none did it"],
    ),
    "earth forgotten": (
        {"step on at B": {"potentials": {}}},
        ["'step on at B': potentials: expected the earth it has, found \"dropper A\" not stated, though earthed"],
    ),
    "earth raised to the phase": (
        {"remove the earth of dropper A": None},
        ["'raise dropper A': released: expected a wire that is not earthed, found \"dropper A\", earthed"],
    ),
    "earth removed that is not there": (
        {"earth dropper A": {"earths": (), "lifts_earth": OFF}},
        ["'earth dropper A': lifts_earth: expected a wire that is earthed, found \"dropper A\", not earthed"],
    ),
    "earthed by hand": (
        {"earth dropper A": {"stick_m": None}},
        ["'earth dropper A': stick_m: expected the insulating length of the remote tool, found nothing"],
    ),
    "held in the hand without a bond": (
        {"open dropper A": {"by_hand": "worker", **UP}},
        ["'open dropper A': by_hand: expected somebody aloft who is bonded to the wire's phase, A, found 'worker'"],
    ),
    "held in the hand at another phase": (
        {"open dropper A": {"by_hand": "worker", **UP, "bonded": {"worker": "B"}}},
        ["'open dropper A': by_hand: expected somebody aloft who is bonded to the wire's phase, A, found 'worker', B"],
    ),
    "no distance stated": (
        {"open dropper A": {"opening_distance_m": None}},
        ["'open dropper A': opening_distance_m: expected how far everybody keeps from where it opens or closes"],
    ),
    "parted on the way": (
        {"open dropper A": {"lower_m": Range(1.0, 2.75)}},
        ["'open dropper A': lower_m: expected the whole way over which one wire is opened, found 1"],
    ),
    "parted nowhere": (
        {"open dropper A": {"lower_m": Range(0.0, 0.0)}},
        ["'open dropper A': lower_m: expected the whole way over which one wire is opened, found"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_a_contradiction_is_refused_with_its_reason(job, name):
    change, expected = REFUSED[name]
    found = said(job, change)
    for words in expected:
        assert any(words in line for line in found), found


def test_each_reason_is_a_message_of_its_own():
    first = [words[0].split(": expected ")[1] for _, words in REFUSED.values()]
    assert (
        len({tuple(line.split()[:5]) for line in first}) >= len(first) - 4
    )  # a few share how they begin, not how they end
    assert len(set(first)) == len(first)


def test_nobody_is_at_both_ends_of_an_opening(job):
    """Bonded, the worker may touch what the wire opens from by nature: so not the wire too, in that stage, but for
    whoever holds its free end."""
    bond = {
        "bonded": {"worker": "A"},
        "bonding_lead_m": 1.7,
        "clamp_m": next(one.clamp_m for one in job.stages if one.name == "bond to A"),
    }
    opening = next(stage for stage in job.stages if stage.name == "open dropper A").model_copy(update={**UP, **bond})
    before = [stage for stage in job.stages[: [one.name for one in job.stages].index("bond off at A")]]
    opens = ["'open dropper A': expected nobody at both ends of an opening, found 'worker' touches \"dropper A\", and"]
    for bodies, stages, expected in (
        (("worker", "dropper A"), ("open dropper A",), opens),
        (("dropper A", "worker"), None, opens),
        (("worker", "dropper A"), ("loosen dropper A",), []),
        (("worker", "east bus A"), ("open dropper A",), []),
    ):
        said = {"basis": "as drawn", "by": "person in charge", "on": "2026-11-30"}
        entry = IntendedContact(kind="contact", bodies=bodies, stages=stages, **said)
        for by_hand in (None, "worker"):
            stages = (*before, opening.model_copy(update={"by_hand": by_hand}))
            held = job.model_copy(update={"statements": (*job.statements, entry), "stages": stages})
            found = [str(mistake) for _, _, mistakes in sequence.follow(held) for mistake in mistakes]
            awaited = [] if by_hand else expected
            assert len(found) == len(awaited)
            assert all(words in line for words, line in zip(awaited, found, strict=True))


def established(**changes):
    good = {"far_end": "open and locked", "phase_identified": "traced", "by": "person in charge"}
    return BeforeOpening(**{**good, **changes})


@pytest.mark.parametrize(
    ("before", "words"),
    [
        (None, "expected what is established before it is opened: far_end, phase_identified, by"),
        (established(far_end="closed"), 'far_end: expected "open and locked", found "closed"'),
        (established(far_end="open"), 'far_end: expected "open and locked", found "open"'),
    ],
)
def test_what_must_be_established_before_opening(job, before, words):
    def wires(wire):
        if wire.name != "dropper A":
            return wire
        return wire.model_copy(update={"release": wire.release.model_copy(update={"before_opening": before})})

    found = said(job, {}, wires)
    assert found
    assert all("wire 'dropper A': release: before_opening" in line for line in found)
    assert any(words in line for line in found)


def test_a_tensioned_wire_is_taken_off_only_when_its_pull_is_held(job):
    def wires(wire):
        if wire.name != "dropper A":
            return wire
        kept = {name: getattr(wire, name) for name in ("name", "phase", "from_m", "to_m", "diameter_m", "release")}
        return SpanWire(kind="span", sag_m=0.2, uncertainty_m=wire.uncertainty_m, **kept)

    found = said(job, {}, wires)
    assert any("expected a jumper, or one whose pull is held otherwise" in line for line in found)


def test_the_clear_position_of_the_ladder_binds(job):
    ladder = job.ladder.model_copy(update={"clear_m": 5.0})
    found = [str(m) for _, _, ms in sequence.follow(job.model_copy(update={"ladder": ladder})) for m in ms]
    # At each of the three phases, off and on again, and in the rescue.
    assert sum("found no lower than 5.2 m" in line for line in found) == 7
    assert sum("found 'worker' up to 5.2 m" in line for line in found) == 13


def test_whoever_came_down_is_up_there_until_he_steps_off(job):
    found = {stage.name: sorted(state.up) for stage, state, _ in sequence.follow(job)}
    names = ("climb to A", "come down from A", "step off at A", "move to B")
    assert [found[name] for name in names] == [["worker"], ["worker"], [], []]
    wrong = said(job, {"step off at A": None})
    assert any("'open dropper A': workers: expected nobody forgotten on the ladder" in line for line in wrong)
    high = said(job, {"step off at A": {"climb_m": Range(0.1, 1.0)}})
    assert any("'step off at A': climb_m: expected feet down to 0 m, on the ground" in line for line in high)
    first = said(job, {"step on at A": {"climb_m": Range(0.1, 1.0)}})
    assert any("'step on at A': climb_m: expected feet from 0 m up, on the ground" in line for line in first)
    twice = said(job, {"step off at A": {"kind": "step on"}})
    assert any("'step off at A': workers: expected somebody on the ground who steps on" in line for line in twice)


def test_several_are_reported_at_once_and_no_stage_is_swept(job):
    stages = tuple(stage for stage in job.stages if stage.name not in ("move to B", "move to C"))
    with pytest.raises(InputError) as caught:
        prepare(job.model_copy(update={"stages": stages}))
    assert len(caught.value.mistakes) == 2


def test_the_command_reports_them_together_and_ends_with_2(job, tmp_path):
    text = written_out(job, JOB.read_text())
    for name in ("move to B", "move to C"):
        text = text.replace(
            f'name = "{name}"\nkind = "travel"',
            f'name = "{name}"\nkind = "travel"\nworkers = ["worker"]\nclimb_m = [0, 1]',
        )
    path = tmp_path / "wrong.toml"
    path.write_text(text)
    done = CliRunner().invoke(app, ["check", str(path)])
    assert done.exit_code == 2
    assert done.stdout == ""
    assert (
        len([line for line in done.stderr.splitlines() if "expected nobody on the ladder while it travels" in line])
        == 2
    )
    assert "Traceback" not in done.output


def test_a_stage_that_is_anew_or_first_may_begin_anywhere(job):
    stages = tuple(
        s.model_copy(update={"anew": True}) for s in job.stages if s.name in ("loosen dropper B", "move to C")
    )
    assert [mistakes for _, _, mistakes in sequence.follow(job.model_copy(update={"stages": stages}))] == [(), ()]


def test_a_wire_that_is_parked_was_lowered_all_the_way(job):
    # From the bus, which sags, to where its release parks it the free end goes 3.06 m: sqrt(0.6^2 + (8.9 - 5.9)^2).
    change = {"lower dropper A": {"lower_m": Range(2.75, 2.9)}}
    stages = tuple(stage.model_copy(update=change.get(stage.name, {})) for stage in job.stages)
    with pytest.raises(InputError) as caught:
        prepare(job.model_copy(update={"stages": stages}))
    assert "expected the 3.0" in str(caught.value)
    assert "found 2.9 m, and stage 'earth dropper A' has it parked" in str(caught.value)


def test_people_keep_the_stated_distance_from_the_opening(job):
    alone = job.model_copy(update={"stages": tuple(s for s in job.stages if s.name == "open dropper A")})
    found = check(alone, withdraw=False).stages[0]
    kept = {a.body: a.measure for a in found.approaches if a.to == opening.opening_name("dropper A")}
    assert set(kept) == {person.name for person in job.crew}, "nobody is aloft"
    # The distance is from the free end at 2.1 m
    # east of the
    # gantry, about 8.8 m up, to the helmet at about 1.95 m, 5.0 m west of it; the careful gap is below it by the
    # uncertainty.
    # Anywhere within a metre of where they stand, and with an arm of 0.9 m out to the side of it.
    middle = ((2.1 + 5.0) ** 2 + 4.5**2 + (8.8 - 1.9) ** 2) ** 0.5
    assert middle - 2.1 < kept["dedicated observer"].gap_lower_m < middle - 0.7
    assert {measure.verdict for measure in kept.values()} == {"clear"}
    # The nearest, the rope crew in the west, is 8.16 m from it.
    nearer = alone.stages[0].model_copy(update={"opening_distance_m": 8.5})
    again = check(alone.model_copy(update={"stages": (nearer,)}), withdraw=False).stages[0]
    assert {a.body for a in again.approaches if a.measure.verdict == "breach"} == {"rope crew west"}
    assert again.verdict == "breach"


def test_the_crew_stays_out_of_the_drop_zone(job):
    alone = job.model_copy(update={"stages": tuple(s for s in job.stages if s.name == "lower dropper A")})
    found = {
        a.body: a.measure
        for a in check(alone, withdraw=False).stages[0].approaches
        if a.to == "the drop zone of dropper A"
    }
    assert set(found) == {person.name for person in job.crew}
    # In plan the tail hangs above the line from 2.1 m to 9.4 m along the bay, 4.5 m to the south of its middle; the
    # rope crew in the west stands at (-3.3, -6.7). Half the shoulders of a 95th percentile man are under 0.3 m.
    straight = ((-3.3 - 2.1) ** 2 + (-6.7 + 4.5) ** 2) ** 0.5
    west = found["rope crew west"]
    # They may stand 0.3 m from there.
    assert straight - 0.75 < west.gap_lower_m < straight - 0.5
    assert west.verdict == "clear"

    def nearer(person):
        return person.model_copy(update={"at_m": (5.0, -5.0)}) if person.name == "dedicated observer" else person

    moved = alone.model_copy(update={"crew": tuple(nearer(person) for person in alone.crew)})
    under = {
        a.body: a.measure
        for a in check(moved, withdraw=False).stages[0].approaches
        if a.to == "the drop zone of dropper A"
    }
    assert (under["dedicated observer"].verdict, under["rope crew west"].verdict) == ("breach", "clear")


# Every parameter meets that of the stage before, on both sides of a hair's breadth.

LADDER_KEYS = [
    (key, first, second)
    for key, first, second in (
        ("travel_m", [4.0, 5.0], [5.0, 6.0]),
        ("heading_deg", [-3.0, 2.0], [2.0, 4.0]),
        ("lean_along_deg", [35.0, 35.0], [0.0, 35.0]),
        ("lean_across_deg", [-5.0, -2.0], [-2.0, 0.0]),
        ("climb_m", [2.0, 3.0], [3.0, 4.0]),
    )
]


@pytest.mark.parametrize(("key", "first", "second"), LADDER_KEYS)
def test_every_parameter_of_ladder_and_worker_meets_the_stage_before(key, first, second):
    apart = [second[0] + 0.01, second[1]] if second[1] > first[1] else [second[0], second[1]]
    if second[1] <= first[1]:  # it goes on downwards, or ends where the other is
        apart = [second[0], first[0] - 0.01]
    for span, refused in ((second, False), (apart, True)):
        carried = {"kind": "travel", "climb_m": None, "posture": None} if key != "climb_m" else {}
        stages = [small.stage(name=name, **{**carried, key: way}) for name, way in (("one", first), ("two", span))]
        found = list(sequence.follow(small.scene(stages=stages))[1][2])
        assert bool(found) == refused, found
    assert len(found) == 1
    assert f"stage 'two': {key}: expected a range that meets that of stage 'one'" in str(found[0])


def test_every_range_that_a_stage_may_state_is_a_parameter_that_is_compared():
    # Read off the format itself: a range that is added to a stage and not to the table would be compared nowhere.
    ranges = {name for name, field in Stage.model_fields.items() if "Range" in str(field.annotation)}
    assert ranges == {parameter.key for parameter in parameters.PARAMETERS}
    assert ranges >= {"travel_m", "lower_m", "haul_m"}


@pytest.mark.parametrize("key", ["travel_m", "heading_deg", "lean_along_deg", "lean_across_deg"])
def test_what_a_stage_leaves_open_the_next_has_open_too(key):
    """Nothing moves the ladder between two climbs: it stands anywhere in the range of the first, in the second too."""
    for second, kind, refused in (
        ([3.0, 5.0], "climb", False),
        ([2.9, 5.1], "climb", False),
        ([3.1, 5.0], "climb", True),
        ([3.0, 4.9], "climb", True),
        (5.0, "climb", True),
        (5.0, "travel", False),
    ):
        riding = {"climb_m": None, "posture": None} if kind == "travel" else {}
        stages = [small.stage(name="one", workers=[], posture=None, climb_m=None, kind="work", **{key: [3.0, 5.0]}),
                  small.stage(name="two", kind=kind, **riding, **{key: second})]  # fmt: skip
        found = [str(m) for m in sequence.follow(small.scene(stages=stages))[1][2] if key in str(m)]
        assert bool(found) == refused, (second, kind, found)
        assert all("expected all that stage 'one' leaves open for 'ladder', 3 to 5" in one for one in found)


def test_a_ladder_with_a_metal_head_that_leans_is_not_upright_in_the_next_stage():
    # The head sweeps past the wall when the ladder is brought upright; neither stage alone touches it.
    head = {"name": "head", "from_m": 7.8, "to_m": 8.0, "radius_m": 0.2}
    leaning = small.stage(name="leaning", kind="travel", climb_m=None, posture=None, lean_along_deg=35)
    upright = small.stage(name="upright", kind="travel", climb_m=None, posture=None)
    parts = {"ladder": {**small.LADDER, "fittings": [head]}, "solids": [small.wall("wall", 2.5, z=(5.5, 8.5))]}
    with pytest.raises(InputError) as caught:
        prepare(small.scene(**parts, stages=[leaning, upright]))
    assert (
        "stage 'upright': lean_along_deg: expected a range that meets that of stage 'leaning' for 'ladder', 35 deg"
        in str(caught.value)
    )
    swept = small.stage(name="raise it", kind="travel", climb_m=None, posture=None, lean_along_deg=[0, 35])
    found = small.checked(**parts, stages=[leaning, swept, upright])
    hits = {one.name: {c.body for c in one.collisions if c.measure.verdict == "breach"} for one in found.stages}
    assert "head" in hits["raise it"]
    assert not hits["upright"]


def test_the_ladder_stands_from_its_setting_up_to_its_striking():
    def stages(*kinds):
        return [
            small.stage(
                name=f"{number} {kind}", kind=kind, posture=None,
                climb_m=[0, 1] if kind in ("step on", "step off") else None,
                travel_m=None if kind == "work" else 5,
                workers=[] if kind == "work" else None,
                lean_along_deg=[-85, 0] if kind in ("set up", "strike") else 0,
            )
            for number, kind in enumerate(kinds)
        ]  # fmt: skip

    def wrong(*kinds):
        return [str(m) for _, _, ms in sequence.follow(small.scene(stages=stages(*kinds))) for m in ms]

    assert wrong("work", "set up", "step on", "step off", "strike", "work") == []
    assert "'1 travel': travel_m: expected a ladder that was set up" in wrong("work", "travel")[0]
    assert "'1 work': travel_m: expected the ladder, which stands" in wrong("set up", "work")[0]
    assert "'2 travel': travel_m: expected a ladder that was set up" in wrong("set up", "strike", "travel")[0]
    assert "'2 set up': kind: expected a ladder that does not stand" in wrong("set up", "travel", "set up")[0]


@pytest.mark.parametrize(("lean", "refused"), [([-80, 0], False), ([-79.9, 0], True), ([0, 80], False), ([0, 2], True)])
def test_a_ladder_is_set_up_from_the_ground(lean, refused):
    one = small.stage(kind="set up", climb_m=None, posture=None, lean_along_deg=lean)
    found = [str(m) for _, _, ms in sequence.follow(small.scene(stages=[one])) for m in ms]
    assert bool(found) == refused
    if refused:
        assert "expected a lean that takes the ladder up from the ground, 80 deg or more" in found[0]


@pytest.mark.parametrize(
    ("stages", "words"),
    [
        ([("set up", [-85, -40]), ("set up", [-40, 0]), ("work", 0)], None),
        ([("set up", [-85, -40]), ("set up", [-39, 0])], "'1': lean_along_deg: expected a range that meets"),
        ([("set up", [-40, 0]), ("set up", [-85, -40])], "'0': lean_along_deg: expected a lean that takes"),
        ([("set up", [-85, 0]), ("work", 0), ("set up", [-85, 0])], "'2': kind: expected a ladder that does not stand"),
        ([("work", 0), ("strike", [0, 40]), ("strike", [40, 85])], None),
        ([("work", 0), ("strike", [0, 40]), ("strike", [41, 85])], "'2': lean_along_deg: expected a range that meets"),
        ([("work", 0), ("strike", [0, 40])], "'1': lean_along_deg: expected a lean that takes"),
        ([("work", 0), ("strike", [0, 40]), ("work", 40), ("strike", [40, 85])], "'1': lean_along_deg: expected a"),
        ([("work", 0), ("strike", [0, 85]), ("strike", [40, 85])], "'2': travel_m: expected a ladder that was set up"),
    ],
)  # fmt: skip
def test_a_ladder_is_set_up_and_struck_in_parts_that_meet(stages, words):
    nobody = {"climb_m": None, "posture": None, "workers": []}
    made = [small.stage(**nobody, name=str(k), kind=kind, lean_along_deg=lean) for k, (kind, lean) in enumerate(stages)]
    found = [str(m) for _, _, ms in sequence.follow(small.scene(stages=made)) for m in ms]
    assert bool(found) == (words is not None), found
    assert words is None or words in found[0]


# Opening, lowering, raising, closing.


def lowerings(job, *stages):
    """What is refused of one dropper's stages; each is (kind, lower_m); nobody is aloft, the ladder not there."""
    template = next(stage for stage in job.stages if stage.name == "lower dropper A")
    base = {"travel_m": None, "climb_m": None, "workers": (), "bonded": {}, "disturbed": (), "clamp_m": None}
    base |= {"bonding_lead_m": None, "lean_along_deg": Range(0, 0), "lean_across_deg": Range(0, 0), "posture": None}
    made = [
        template.model_copy(
            update={**base, "name": f"{k} {kind}", "kind": kind, "lower_m": Range(*span), **_distance(kind)}
        )
        for k, (kind, span) in enumerate(stages)
    ]
    scene = job.model_copy(update={"stages": tuple(made)})
    return [str(m) for _, _, ms in sequence.follow(scene) for m in ms]


def _distance(kind):
    return {"opening_distance_m": 1.0} if kind in ("open", "close") else {}


AT = (0.0, 1.0)


@pytest.mark.parametrize(
    ("stages", "words"),
    [
        ([("open", AT), ("lower", (1.0, 2.7))], None),
        ([("open", AT), ("lower", (1.5, 2.7))], "lower_m: expected beginning where stage '0 open' left"),
        ([("open", AT), ("lower", (0.0, 2.7))], "lower_m: expected beginning where stage '0 open' left"),
        ([("open", AT), ("close", AT)], None),
        ([("open", AT), ("close", (0, 1.5))], "lower_m: expected coming from where stage '0 open' left"),
        ([("open", AT), ("lower", (1, 2)), ("lower", (2, 2.7))], None),
        ([("open", AT), ("lower", (1, 2)), ("lower", (1, 2.7))], "expected beginning where stage '1 lower' left"),
        ([("open", AT), ("lower", (1, 2)), ("raise", (1, 2)), ("close", AT)], None),
        ([("open", AT), ("lower", (1, 2)), ("raise", (1, 2.5))], "expected coming from where stage '1 lower' left"),
        ([("open", AT), ("lower", (1, 2)), ("raise", (1.5, 2)), ("close", AT)], "coming from where stage '2 raise'"),
        ([("open", AT), ("lower", (1, 2)), ("work", (2, 2)), ("raise", (1, 2))], None),
        ([("open", AT), ("lower", (1, 2)), ("work", (1, 1.5))], "lower_m: expected a range that meets that of stage"),
    ],
)  # fmt: skip
def test_a_wire_goes_on_from_where_it_was_left(job, stages, words):
    found = [line for line in lowerings(job, *stages) if "'worker' bonded" not in line]
    assert [words] if words else not found, found
    assert not words or any(words in line for line in found), found


def test_a_wire_is_lowered_only_once_it_is_open(job):
    wrong = said(job, {"open dropper A": None})
    expected = "'lower dropper A': released: expected a wire that a stage has opened, found \"dropper A\", in place"
    assert any(expected in line for line in wrong), wrong
    assert said(job, {"open dropper A": None, "lower dropper A": {"anew": True}}) == []


# What is disturbed stays so, and what hangs on a wire.


def test_what_a_stage_disturbs_stays_disturbed_until_it_is_put_right(job):
    main = [stage for stage in job.stages if stage.rescue is None]
    names = [stage.name for stage in main]
    (entry,) = main[names.index("open dropper A")].disturbed
    moved = ["east bus A" in {d.wire for d in stage.disturbed} for stage in main]
    opened, fastened = names.index("open dropper A"), names.index("fasten dropper A")
    assert moved == [opened <= number <= fastened for number in range(len(main))], "until it hangs there again"
    for fields, refused in (({}, True), ({"disturbed": (entry.model_copy(update={"movement_m": 0.14}),)}, True),
                            ({"disturbed": (entry.model_copy(update={"movement_m": 0.16}),)}, False)):  # fmt: skip
        found = said(job, {"lower dropper A": {"disturbed": (), **fields}})
        assert any(
            "'lower dropper A': disturbed: expected \"east bus A\" disturbed by at least 0.15 m" in x for x in found
        ) == (refused)
    right = {"lower dropper A": {"restores": ("east bus A",)}, "earth dropper A": {"disturbed": ()}}
    found = said(job, right)
    assert not any("'earth dropper A': disturbed" in line for line in found)
    # What hung on it is still off: nothing has put it right.
    assert any("'lower dropper A': restores: expected \"east bus A\" put right once" in line for line in found)
    assert not any("restores" in line for line in said(job, {}))


def test_what_is_put_on_a_wire_is_carried_until_it_comes_off():
    bus = {"kind": "span", "name": "bus", "phase": "A", "from_m": [-20, 3, 12], "to_m": [20, 3, 12], "sag_m": 0.5,
           "weight_N_m": 13.5, "diameter_m": 0.03}  # fmt: skip
    load = {"what": "pulley", "at_m": 20, "weight_kN": 0.2, "basis": "weighed"}
    states = {
        "put on": {"puts_on": [load]}, "carried": {"carries": [load]},
        "taken off": {"carries": [load], "takes_off": ["pulley"]},
    }  # fmt: skip

    def wrong(*names):
        stages = [
            small.stage(
                name=f"{k} {name}",
                disturbed=[{"wire": "bus", "movement_m": 0.3, "basis": "estimate", **states.get(name, {})}],
            )
            for k, name in enumerate(names)
        ]
        return [str(m) for _, _, ms in sequence.follow(small.scene(wires=[bus], stages=stages)) for m in ms]

    assert wrong("put on", "carried", "taken off", "nothing") == []
    assert "'1 nothing': disturbed: expected what stage '0 put on' leaves on \"bus\"" in wrong("put on", "nothing")[0]
    assert (
        "'2 carried': disturbed: expected what stage '1 taken off' leaves" in wrong("put on", "taken off", "carried")[0]
    )
