"""The line itself is looked at before the job: gaps that cannot be, insulators too short, ends that hang on nothing.

Distances are worked out by hand from the equation of 29 CFR 1910.269 Table R-3, D = 0.3048 (C + a) V_LG T A with
C = 0.01 for air, at 245 kV (V_LG = 141.451 kV) and sea level. To earth, T = 1: 0.4311 m; T = 2.5, peak 500 kV, a = 0:
1.0779 m. Between phases T becomes 1.35 T + 0.45. T = 1: 1.8, 0.7760 m; T = 2.5: 3.825, peak 765.15 kV,
a = (765.15 - 630) / 155000: 1.7930 m. Two circuits of 245 kV in opposition, each at its crest: 2.0, 0.8623 m.
"""

from __future__ import annotations

import pytest
import small_scenes
from small_scenes import CIRCUIT, SAID, box, checked, slab

from clearance import pipeline
from clearance.engine import build_engine
from clearance.job import measuring, site_check, site_look, site_supports
from clearance.scene.builtin import scenes_folder
from clearance.scene.reading import read_scene

OFF = 0.01
"""[m] How far from a limit both sides are tried."""


def of(scene):
    """What the site of a scene gives: (of its gaps, of its supports)."""
    prepared = pipeline.prepare(scene)
    site = prepared.site
    look = site_look.look_at(site, prepared.read)
    bench = measuring.Bench(site, build_engine((), besides=look.bodies), 0.01)
    return site_check.of_gaps(bench, look.middles), site_supports.of_supports(bench, look.marks)


def gaps(**parts):
    return of(small_scenes.scene(**parts))[0]


def supports(**parts):
    return of(small_scenes.scene(**parts))[1]


def two(gap_m, one="A", other="earth", **others):
    """Two boxes of 1 m with a gap between them, 20 m up and away from the ladder."""
    return [
        box("first", [10, 0, 20], [1, 1, 1], one, **others),
        box("second", [11 + gap_m, 0, 20], [1, 1, 1], other, **others),
    ]


SECOND = {**CIRCUIT, "name": "other", "phases": ["A2", "B2", "C2"]}


@pytest.mark.parametrize(
    ("one", "other", "operating_m", "electrical_m", "circuits"),
    [
        ("A", "earth", 0.4311, 1.0779, [CIRCUIT]),
        ("A", "B", 0.7760, 1.7930, [CIRCUIT]),
        # Opposed, one at 2.5 times its crest: 3.5, peak 700.1 kV, a = 0.000452, 1.5773 m; phase to phase needs more.
        ("A", "A2", 0.8623, 1.7930, [CIRCUIT, SECOND]),
    ],
)
def test_a_gap_is_wrong_below_the_operating_voltage_and_undecided_below_the_electrical_part(
    one, other, operating_m, electrical_m, circuits
):
    def found(gap_m):
        return gaps(solids=two(gap_m, one, other), circuits=circuits)

    (wrong,) = found(operating_m - OFF)
    assert wrong.verdict == "undecided"
    assert wrong.what.startswith(f"the scene is wrong: solid 'first' (phase {one}) and solid 'second'")
    assert f"are {operating_m - OFF - 0.005:.2f} m apart at x" in wrong.what
    assert f"alone needs {operating_m + 0.005:.2f} m" in wrong.what  # rounded up
    for gap_m in (operating_m + OFF, electrical_m - OFF):
        (short,) = found(gap_m)
        assert short.verdict == "undecided"
        assert "less than the electrical part" in short.what
        assert "wrong" not in short.what
    assert found(electrical_m + OFF) == ()


def test_what_is_at_one_potential_may_touch():
    assert gaps(solids=two(0.0, "A", "A")) == ()
    (touching,) = gaps(solids=two(0.0, "A", "B"))
    assert "(phase A) and solid 'second' (phase B) touch at x 10.50, y " in touching.what


def test_uncertainty_is_taken_off_both_bodies():
    assert "wrong" not in gaps(solids=two(0.4311 + OFF))[0].what
    assert "wrong" in gaps(solids=two(0.4311 + OFF, uncertainty_m=0.02))[0].what
    assert "wrong" not in gaps(solids=two(0.4311 + OFF + 0.04, uncertainty_m=0.02))[0].what


@pytest.mark.parametrize(("each_m", "wrong"), [(0.2, True), (0.23, False)])
def test_a_floating_body_between_two_potentials_is_crossed_for_nothing(each_m, wrong):
    solids = [
        box("live", [10, 0, 20], [1, 1, 1], "A"),
        box("loose", [12 + each_m, 0, 20], [3, 1, 1], "floating"),
        box("stay", [14 + 2 * each_m, 0, 20], [1, 1, 1], "earth"),
    ]
    (point,) = gaps(solids=solids)
    assert point.what.startswith("the scene is wrong") == wrong
    assert f"{2 * each_m:.2f} m apart, over solid 'loose' (floating)," in point.what


def test_what_insulates_is_no_body_at_a_potential():
    solids = [*two(1.2), box("board", [11.1, 0, 20], [0.9, 1, 1], "floating")]
    assert len(gaps(solids=solids)) == 1
    assert gaps(solids=solids, statements=[{**SAID, "kind": "insulating", "body": "board"}]) == ()


def test_up_to_72_kV_no_equation_knows_the_operating_voltage_alone():
    medium = {"name": "bay", "phases": ["A", "B", "C"], "nominal_kV": 20}
    # Table R-4, 15.1 to 36 kV: 0.16 m to earth, from memory (REFERENCE 1.2).
    assert gaps(solids=two(0.16 + OFF), circuits=[medium]) == ()
    (short,) = gaps(solids=two(0.16 - OFF), circuits=[medium])
    assert "wrong" not in short.what
    (touching,) = gaps(solids=two(0.0), circuits=[medium])
    assert touching.what.startswith("the scene is wrong")
    assert "at different potentials they cannot" in touching.what


@pytest.mark.parametrize(("gap_m", "wrong"), [(0.4311 - OFF, True), (0.4311 + OFF, False)])
def test_a_rule_of_tables_has_the_operating_voltage_judged_by_the_equation(gap_m, wrong):
    (point,) = gaps(solids=two(gap_m), rule="gb-26859")
    assert point.what.startswith("the scene is wrong") == wrong
    assert ("Table R-3, T = 1" in point.what) == wrong


def test_an_equation_of_the_scene_is_the_one_that_is_asked():
    # IEC 61472, form of 1998 and 2004: U90 = 1.1 x 245 sqrt(2/3) = 220.05 kV, k = 0.936 x 1.2,
    # D = (exp(220.05 / (1080 x 1.1232)) - 1) / 0.46 = 0.4324 m: 1.3 mm beyond the other equation.
    (wrong,) = gaps(solids=two(0.4315), rule="iec-61472")
    assert "iec-61472" in wrong.what
    assert "wrong" not in gaps(solids=two(0.4315))[0].what


def designed(gap_m, bodies=("first", "second")):
    return [{**SAID, "kind": "designed gap", "bodies": list(bodies), "gap_m": gap_m}]


def test_a_designed_gap_is_told_and_no_longer_undecided():
    (point,) = gaps(solids=two(0.8), statements=designed(0.8))
    assert point.verdict == "clear"
    assert "a designed gap of 0.8 m, by the test" in point.what
    (point,) = gaps(solids=two(0.8), statements=designed(0.8, ("second", "first")))
    assert point.verdict == "clear"


@pytest.mark.parametrize(
    ("found_m", "statements"),
    [
        (0.8, designed(0.8, ("first", "ground"))),  # other bodies
        (0.8, designed(0.82)),  # found smaller than it was set
        (0.4311 - OFF, designed(0.4)),  # less than the operating voltage needs
        (0.4311 + OFF, designed(0.4311 - OFF)),  # found larger, and said to be set to what cannot be
    ],
)
def test_a_designed_gap_of_other_bodies_or_a_larger_one_or_an_impossible_one_settles_nothing(found_m, statements):
    (point,) = gaps(solids=two(found_m), statements=statements)
    assert point.verdict == "undecided"


def test_a_designed_gap_is_compared_with_the_gap_as_modelled():
    (point,) = gaps(solids=two(0.8, uncertainty_m=0.05), statements=designed(0.8))
    assert point.verdict == "clear"
    assert "0.70 m apart" in point.what


def test_the_result_without_the_statement_of_a_designed_gap_or_of_a_value_is_told_too():
    odd = {**CIRCUIT, "phases": ["A", "B"], "overvoltage_per_unit": 4.6}
    said = [
        *designed(0.8),
        {**SAID, "kind": "confirmed", "entry": "circuit 'bay'", "field": "overvoltage_per_unit", "value": 4.6},
    ]
    solids = [*two(0.8), box("third", [0, 0, 16], [1, 1, 1], "B")]
    parts = {"solids": solids, "circuits": [odd], "stages": [small_scenes.stage(climb_m=1)]}
    result = checked(0.02, statements=said, withdraw=True, **parts)
    assert [point.verdict for point in result.open_points if point.where == "the site"] == ["clear"]
    assert result.verdict == "clear"
    without = {one.statements[0].takes_away: one for one in result.statements}
    assert without["first and second: designed gap of 0.8 m"].verdict == "undecided"
    assert "may flash over" in without["first and second: designed gap of 0.8 m"].why
    confirmed = without["circuit 'bay', overvoltage_per_unit: unlikely value 4.6 confirmed"]
    assert confirmed.verdict == "undecided"
    assert "overvoltage_per_unit of 4.6 per unit is unlikely" in confirmed.why
    assert checked(0.02, **parts).verdict == "undecided"


def test_what_is_stated_as_absent_throughout_is_left_out_and_what_is_absent_for_a_while_is_not():
    gone = {**SAID, "kind": "absent", "bodies": ["second"]}
    assert gaps(solids=two(0.2), statements=[gone]) == ()
    assert len(gaps(solids=two(0.2), statements=[{**gone, "stages": ["stage"]}])) == 1


def test_many_gaps_are_counted_after_the_first():
    rods = [box(f"rod {k}", [10 + k, 0, 20], [0.1, 0.1, 1], "earth") for k in range(20)]
    found = gaps(solids=[box("plate", [20, 0, 20.6], [22, 1, 0.1], "A"), *rods])
    assert len(found) == site_check.SHOWN + 1
    assert found[-1].what.startswith("8 more gaps of the line like these")
    assert found[-1].verdict == "undecided"


SPAN = {
    "kind": "span", "name": "bus", "phase": "A", "from_m": [-30, 20, 12], "to_m": [30, 20, 12], "sag_m": 1.0,
    "diameter_m": 0.028, "uncertainty_m": 0.02,
}  # fmt: skip


def test_an_earthed_solid_that_touches_a_live_wire_stands_first_in_the_result():
    wires = [SPAN]
    result = checked(0.02, wires=wires, solids=[box("shed", [0, 20, 5.5], [4, 4, 11])])
    first = result.open_points[0]
    assert first.what.startswith("the scene is wrong: wire 'bus' (phase A) and solid 'shed' (earth) touch")
    assert (first.verdict, result.verdict) == ("undecided", "undecided")
    assert '"the scene is wrong' in result.to_json().replace("\\", "")
    # Its roof 1.2 m below the wire, which sags to 11 m: 1.0779 m and the uncertainties are held.
    assert not any("shed" in point.what for point in gaps(wires=wires, solids=[box("shed", [0, 20, 4.9], [4, 4, 9.8])]))


def test_a_gantry_turned_by_a_right_angle_holds_a_live_bus():
    scene = read_scene(scenes_folder() / "demo.toml")
    assert of(scene)[0] == ()
    west = next(one for one in scene.structures if one.name == "west gantry")
    turned = [one.model_copy(update={"heading_deg": 90.0}) if one is west else one for one in scene.structures]
    wrong = [p for p in of(scene.model_copy(update={"structures": tuple(turned)}))[0] if "is wrong" in p.what]
    assert any("structure 'west gantry' (earth) and wire 'west bus B' (phase B)" in point.what for point in wrong)


def strung(insulating_m, length_m=1.6, **others):
    string = {"kind": "strain", "length_m": length_m, "insulating_m": insulating_m, "diameter_m": 0.25, **others}
    return [{**SPAN, "to_string": string}]


BEAM = box("beam", [30.3, 20, 12], [0.6, 6, 0.6])


@pytest.mark.parametrize(("insulating_m", "wrong"), [(0.4311 - OFF, True), (0.4311 + OFF, False)])
def test_a_string_is_judged_by_its_insulating_length(insulating_m, wrong):
    (found,) = [p for p in gaps(wires=strung(insulating_m, 1.0)) if p.where == "insulator 'bus to string'"]
    assert found.what.startswith("the scene is wrong: its insulating part") == wrong
    assert found.verdict == "undecided"


@pytest.mark.parametrize(("insulating_m", "told"), [(1.0779 - OFF, True), (1.0779 + OFF, False)])
def test_an_insulator_shorter_than_the_electrical_part_is_undecided_unless_a_designed_gap_names_it(insulating_m, told):
    """As a gap in air of that length: a shorter string must not be better than a longer one."""

    def found(gap_m=None, operating="bus to string"):
        said = [] if gap_m is None else designed(gap_m, ("bus", operating))
        return [
            p
            for p in gaps(wires=strung(insulating_m, 1.4), solids=[BEAM], statements=said)
            if "string" in p.what + p.where
        ]

    assert [p.verdict for p in found()] == ["undecided"] * told
    assert all('"bus to string" and "bus"' in p.cure for p in found())
    assert [p.verdict for p in found(1.0)] == ["clear"] * told
    # Shorter than it was set, less than T = 1 needs, another insulator: nothing is settled.
    for gap_m, bodies in ((1.0779, "bus to string"), (0.4311 - OFF, "bus to string"), (1.0, "beam")):
        assert [p.verdict for p in found(gap_m, bodies)][:1] == ["undecided"] * told


def test_the_two_ends_of_a_string_may_be_as_near_as_it_is_long():
    # 0.95 m of insulation: less than the 1.0779 m of the electrical part at T = 2.5, more than T = 1 needs.
    assert [p.where for p in gaps(wires=strung(0.95), solids=[BEAM])] == ["insulator 'bus to string'"]
    # The same gap beside the wire's middle is no insulator's: 0.95 m less both uncertainties.
    _, point = gaps(wires=strung(0.95), solids=[BEAM, box("mast", [0, 22.064, 11], [2.2, 2.2, 4])])
    assert "solid 'mast'" in point.what


def test_an_insulator_much_too_long_for_its_voltage_is_told_until_it_is_confirmed():
    usual = gaps(wires=strung(6.9, 7.2), solids=[BEAM])  # 245 kV / 35 kV/m = 7 m
    assert usual == ()
    (point,) = gaps(wires=strung(7.1, 7.4), solids=[BEAM])  # 7.1 ft are 2.2 m
    assert point.where == "insulator 'bus to string'"
    said = [{**SAID, "kind": "confirmed", "entry": "wire 'bus'", "field": "to_string.insulating_m", "value": 7.1}]
    assert gaps(wires=strung(7.1, 7.4), solids=[BEAM], statements=said) == ()


@pytest.mark.parametrize(("insulating_m", "count"), [(1.07, 0), (1.09, 1)])
def test_small_insulators_are_held_to_their_voltage_too(insulating_m, count):
    """24 kV: 0.6 m and 24 / 50 m; strings of 2.5 m at 22 kV are a voltage that lost its nought."""
    small = {**CIRCUIT, "nominal_kV": 22, "highest_kV": 24.0}
    found = gaps(wires=strung(insulating_m, 1.3), solids=[BEAM], circuits=[small])
    assert ["unlikely for 24 kV" in p.what for p in found] == [True] * count


@pytest.mark.parametrize(("gap_m", "count"), [(0.7760 - OFF, 1), (0.7760 + 0.05, 1), (1.7930 + 0.05, 0)])
def test_an_insulated_shield_wire_is_looked_at_as_live_too(gap_m, count):
    """As another phase of the highest circuit: 0.776 m at T = 1, 1.793 m at T = 2.5. As earth 1.0779 m would do.
    5 cm hold the error of the chords of both wires."""
    between = {"from_m": [-30, 20, 12 + gap_m + 0.026], "to_m": [30, 20, 12 + gap_m + 0.026]}
    shield = {**SPAN, **between, "name": "shield", "phase": None, "potential": "earth", "uncertainty_m": 0.0}
    bus = {**SPAN, "uncertainty_m": 0.0, "diameter_m": 0.024}
    # The tower that holds it touches it: no mistake, for its insulator is no longer than a hand.
    tower = box("tower", [-30, 20, 12 + gap_m + 0.3], [0.5, 0.5, 0.6])
    live = [p for p in gaps(wires=[bus, {**shield, "insulated": True}], solids=[tower]) if "phase shield" in p.what]
    assert [p.verdict for p in live] == ["undecided"] * count
    assert all(p.what.startswith("the scene is wrong") == (gap_m < 0.776) for p in live)
    assert not [p for p in gaps(wires=[bus, shield], solids=[tower]) if "phase shield" in p.what]


def test_a_confirmation_that_confirms_nothing_is_told_and_one_that_does_is_not():
    odd = [{**CIRCUIT, "overvoltage_per_unit": 1.2}]

    def idle(value, entry="circuit 'bay'", field="overvoltage_per_unit", doubt=None, **parts):
        said = [{"kind": "confirmed", "entry": entry, "field": field, "value": value, "doubt": doubt}]
        found = checked(0.02, statements=said, **{"circuits": odd, **parts})
        return [p for p in found.open_points if "confirms nothing" in p.what]

    assert idle(1.2) == idle(1.2, "every circuit") == []
    for told in (idle(1.3), idle(1.2, field="y"), idle(1.2, "ladder"), idle(2.5, circuits=[CIRCUIT])):
        ((point),) = told
        assert point.verdict == "clear"
        assert "leave it out" in point.cure
    wires = ending_at(10)
    hanging = "hangs on nothing"
    assert idle([10, 0, 12], "wire 'bus'", "from_m", hanging, wires=wires) == []
    assert len(idle([11, 0, 12], "wire 'bus'", "from_m", hanging, wires=wires)) == 1
    assert len(idle([10, 0, 12], "wire 'bus'", "from_m", wires=wires)) == 1
    long = {"wires": strung(7.1, 7.4), "solids": [BEAM]}
    assert idle(7.1, "every wire", "to_string.insulating_m", **long) == []
    assert len(idle(6.9, "every wire", "to_string.insulating_m", wires=strung(6.9, 7.2), solids=[BEAM])) == 1


# Ends of wires, strings, the ground and the place of the job. The ladder stands upright at the origin: with 2.5 m of
# reach about it.


def ending_at(x, **others):
    return [{**SPAN, "from_m": [x, 0, 12], "to_m": [x + 60, 0, 12], **others}]


def ends(**parts):
    return [
        (p.where, p.verdict) for p in supports(**parts) if "hang on nothing" in p.what or "hangs on nothing" in p.what
    ]


def on_wires(**parts):
    """Whose places lie on a wire and are given by coordinates."""
    return [p.where for p in supports(**parts) if "is given by coordinates" in p.what]


@pytest.mark.parametrize(("off_m", "verdict"), [(14.9, "undecided"), (15.1, "clear")])
def test_an_end_that_hangs_on_nothing_is_undecided_near_the_job_and_told_further_off(off_m, verdict):
    held = box("far beam", [off_m + 2.5 + 60, 0, 12], [0.5, 4, 0.5])
    found = ends(wires=ending_at(off_m + 2.5), solids=[held])
    assert found == [("wire 'bus'" if verdict == "undecided" else "wires", verdict)]
    said = [
        {
            **SAID,
            "kind": "confirmed",
            "entry": "wire 'bus'",
            "field": "from_m",
            "value": [off_m + 2.5, 0, 12],
            "doubt": "hangs on nothing",
        }
    ]
    assert ends(wires=ending_at(off_m + 2.5), solids=[held], statements=said) == []


@pytest.mark.parametrize(("above_m", "count"), [(0.99, 0), (1.01, 1)])
def test_what_holds_an_end_is_within_a_metre(above_m, count):
    beams = [box("beam", [10, 0, 12.25 + above_m], [0.5, 4, 0.5]), box("far beam", [70, 0, 12], [0.5, 4, 0.5])]
    assert len(ends(wires=ending_at(10), solids=beams)) == count


def test_wires_that_meet_in_the_air_do_not_hold_each_other_nor_does_one_that_passes():
    beams = [box(f"beam {x}", [x, 0, 12], [0.5, 4, 0.5]) for x in (-50, 70)]
    west = {**SPAN, "name": "west", "from_m": [-50, 0, 12], "to_m": [10, 0, 12]}
    east = {**SPAN, "name": "east", "from_m": [10, 0, 12], "to_m": [70, 0, 12]}
    assert [where for where, _ in ends(wires=[west, east], solids=beams)] == ["wire 'west'", "wire 'east'"]
    hanging = {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": "west end", "to_m": [10, 1, 5],
               "length_m": 8, "diameter_m": 0.028}  # fmt: skip
    post = box("post", [10, 1, 2.4], [0.3, 0.3, 4.8], "A")
    assert [w for w, _ in ends(wires=[west, hanging], solids=[*beams, post])] == ["wire 'west'"]
    across = {**SPAN, "name": "across", "from_m": [10, -30, 12.9], "to_m": [10, 30, 12.9], "sag_m": 0.9}
    rails = [box(f"rail {y}", [10, y, 13], [4, 0.5, 0.5]) for y in (-30, 30)]
    assert ends(wires=[west, across], solids=[*beams, *rails]) == []
    assert on_wires(wires=[west, across], solids=[*beams, *rails]) == ["wire 'west'"]


@pytest.mark.parametrize(
    ("potential", "under", "held"),
    [
        ("A", None, False),  # a live box in the air
        ("B", None, False),
        ("A", "A", False),  # two of them, one on the other
        ("A", "earth", True),
        ("B", "earth", False),  # a neighbour's: no wire hangs on it
        ("earth", None, True),
    ],
)
def test_what_holds_an_end_is_held_itself(potential, under, held):
    far = box("far beam", [70, 0, 12], [0.5, 4, 0.5])
    solids = [far, box("clamp", [10, 0, 11.5], [0.1, 0.1, 0.1], potential)]
    if under is not None:
        solids.append(box("under", [10, 0, 10.3], [0.5, 0.5, 0.5], under))
    assert len(ends(wires=ending_at(10), solids=solids)) == (not held)


def test_an_insulator_holds_an_end_and_an_earthed_wire_beside_a_live_one_does_not():
    far = [box(f"far beam {y}", [x, y, z], [0.5, 4, 0.5]) for x, y, z in ((70, 0, 12), (10, 30, 12.6), (10, -30, 12.6))]
    post = {"name": "post", "from_m": [10, 0, 9.5], "to_m": [10, 0, 11.95], "insulating_m": 2.2, "diameter_m": 0.2}
    assert ends(wires=ending_at(10), solids=far, insulators=[post]) == []
    for phase, count in (({"potential": "earth", "phase": None}, 1), ({}, 0)):
        across = {**SPAN, **phase, "name": "across", "from_m": [10, -30, 12.6], "to_m": [10, 30, 12.6], "sag_m": 0.5}
        assert len(ends(wires=[*ending_at(10), across], solids=far)) == count
        assert len(on_wires(wires=[*ending_at(10), across], solids=far)) == 1 - count


def two_spans(rise_m, constant_m=1000.0, **string):
    """Two spans of 100 m that rise on both sides of a suspension string, whose live end is at 18 m. A span carries
    nothing at its lower end where its rise is L^2 / 2a (parabola), here 5 m; each metre more lifts 10 m of it."""
    hung = {"kind": "suspension", "length_m": 2.0, "insulating_m": 1.8, "diameter_m": 0.25, **string}
    common = {"kind": "span", "phase": "A", "catenary_constant_m": constant_m, "diameter_m": 0.028, "weight_N_m": 16.0,
              "uncertainty_m": 0.02}  # fmt: skip
    return [
        {**common, "name": "west", "from_m": [-100, 30, 18 + rise_m], "to_m": [0, 30, 20], "to_string": hung},
        {**common, "name": "east", "from_m": "west end", "to_m": [100, 30, 18 + rise_m]},
    ]


def lifted(wires):
    return [(p.where, p.verdict) for p in supports(wires=wires, solids=[box("beam", [0, 30, 20.3], [1, 4, 0.6])])
            if "lift" in p.what]  # fmt: skip


def test_a_suspension_string_that_its_wires_lift_is_undecided():
    assert lifted(two_spans(4.8)) == []
    assert lifted(two_spans(5.3)) == [("wire 'west'", "undecided")]


def test_half_the_weight_of_a_string_holds_it_down():
    # 0.3 m more than 5 m on both sides lift 2 x 3 m x 16 N/m = 96 N or so; half of 0.16 kN is less, of 0.24 kN more.
    assert lifted(two_spans(5.3, weight_kN=0.16)) == [("wire 'west'", "undecided")]
    assert lifted(two_spans(5.3, weight_kN=0.24)) == []


def test_a_string_of_which_one_span_is_in_the_scene_is_told_only():
    assert lifted(two_spans(5.3)[:1]) == [("wires", "clear")]
    assert lifted(two_spans(4.8)[:1]) == []


@pytest.mark.parametrize(("share", "told"), [(0.118, False), (0.122, True), (0.0006, False), (0.0004, True)])
def test_a_sag_that_wires_do_not_have_is_told_until_it_is_confirmed(share, told):
    wires = [{**SPAN, "from_m": [-30, 20, 30], "to_m": [30, 20, 30], "sag_m": 60 * share}]

    def found(**others):
        return [p for p in supports(wires=wires, **others) if "unlikely" in p.what]

    assert len(found()) == told
    assert (
        found(statements=[{**SAID, "kind": "confirmed", "entry": "wire 'bus'", "field": "sag_m", "value": 60 * share}])
        == []
    )


ASIDE = small_scenes.stage(travel_m=None, workers=[])
JIB = {"name": "jib", "centre_m": [0, 0, 2], "size_m": [5, 2, 4]}


@pytest.mark.parametrize(
    ("parts", "top_m", "near_m"),
    [
        ({}, 8, 10),  # up the ladder
        ({"stages": [small_scenes.stage(workers=[])]}, 8, 20),
        ({"stages": [ASIDE], "vehicles": [JIB]}, 4, 20),
        ({"stages": [ASIDE], "crew": [{"name": "rigger", "at_m": [0, 0], "stature_m": 1.8}]}, 3, 20),
    ],
)
@pytest.mark.parametrize(("more_m", "far"), [(-0.5, False), (0.5, True)])
def test_a_line_far_above_the_job_is_undecided(parts, top_m, near_m, more_m, far):
    """Feet taken for metres, or heights of another datum, put the whole line there: what the job has ends far below
    it, and least of all is somebody aloft where nothing live is."""
    low = top_m + near_m + more_m + 0.5
    bodies = [box(f"box {phase}", [1, 0, low + k], [1, 1, 1], phase) for k, phase in enumerate("ABC")]
    found = [p for p in supports(solids=bodies, **parts) if "where the job is" in p.what]
    assert [(p.where, p.verdict) for p in found] == [("circuit 'bay'", "undecided")] * far
    assert all("unit and datum of their heights" in p.cure for p in found)


@pytest.mark.parametrize(("off_m", "far"), [(49, False), (51, True)])
def test_crew_that_is_nowhere_near_the_work_is_undecided_until_it_is_confirmed(off_m, far):
    bodies = [box(f"box {phase}", [5, 0, 20 + k], [1, 1, 1], phase) for k, phase in enumerate("ABC")]
    person = {"name": "rigger", "at_m": [off_m + 2.5 + 1.0, 0], "radius_m": 1.0, "stature_m": 1.8}
    wide = {"kind": "level", "height_m": 0, "extent_m": 80}
    found = [p for p in supports(solids=bodies, ground=wide, crew=[person]) if p.where == "crew 'rigger'"]
    assert [p.verdict for p in found] == ["undecided"] * far
    said = {"kind": "confirmed", "entry": "crew 'rigger'", "field": "at_m", "value": person["at_m"]}
    for doubt, told in (("far away", 0), (None, far)):
        kept = supports(solids=bodies, ground=wide, crew=[person], statements=[{**SAID, **said, "doubt": doubt}])
        assert len([p for p in kept if p.where == "crew 'rigger'"]) == told


@pytest.mark.parametrize(("off_m", "far"), [(49, False), (51, True)])
def test_a_phase_far_from_every_place_of_the_job_is_undecided(off_m, far):
    bodies = [box(f"box {phase}", [5, y, 15], [1, 1, 1], phase) for phase, y in (("A", -8), ("B", 0))]
    lost = box("box C", [off_m + 2.5 + 0.5, 0, 5], [1, 1, 1], "C")
    found = [p for p in supports(solids=[*bodies, lost]) if "where the job is" in p.what]
    assert [(p.where, p.verdict) for p in found] == [("circuit 'bay'", "undecided")] * far
    assert all("phase C (" in p.what and "phase A" not in p.what for p in found)
    said = [
        {
            **SAID,
            "kind": "confirmed",
            "entry": "circuit 'bay'",
            "field": "phases",
            "value": ["C"],
            "doubt": "far away",
        }
    ]
    assert supports(solids=[*bodies, lost], statements=said) == ()


@pytest.mark.parametrize(("extent_m", "told"), [(31, False), (8, True)])
def test_a_conductor_near_the_job_beyond_the_modelled_ground_is_undecided(extent_m, told):
    ground = {"kind": "level", "height_m": 0, "extent_m": extent_m}
    wires = [{**SPAN, "from_m": [-30, 0, 12], "to_m": [30, 0, 12]}]
    found = [p.verdict for p in supports(ground=ground, wires=wires) if "no ground modelled" in p.what]
    assert found == ["undecided"] * told


@pytest.mark.parametrize("path", sorted(scenes_folder().glob("*.toml")), ids=lambda path: path.stem)
def test_the_site_of_a_shipped_scene_leaves_nothing_undecided(path):
    assert [point for part in of(read_scene(path)) for point in part if point.verdict != "clear"] == []


def test_the_slabs_of_a_job_keep_their_distance_too():
    assert len(gaps(solids=[slab("live", bottom_m=12), slab("roof", bottom_m=12.6, potential="earth")])) == 1
