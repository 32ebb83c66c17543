"""What a stage does to the wires that stay: bodies that deform from before to after, everything on them going along,
and whose word stands where nothing can be worked out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_scenes import CIRCUIT, box, isolated, never_at, scene

from clearance.conductor.lines import PointLoad
from clearance.conductor.loads import carried, everything, own_parts
from clearance.conductor.loads import settled as solved
from clearance.errors import InputError
from clearance.job.setting import standing
from clearance.job.shifted_bodies import left_behind
from clearance.job.shifts import LINK, shifts_of
from clearance.motion import placed
from clearance.pipeline import check, prepare
from clearance.scene.assemble import place
from clearance.scene.hanging import lines_of
from clearance.scene.records import Reference

STRAIN = {
    "kind": "strain", "length_m": 2.6, "insulating_m": 2.2, "diameter_m": 0.25, "weight_kN": 0.8,
    "rings": [{"at_m": 2.3, "diameter_m": 0.5, "tube_m": 0.05}],
}  # fmt: skip
SUSPENSION = {"kind": "suspension", "length_m": 3.0, "insulating_m": 2.3, "diameter_m": 0.25, "units": 16}
DRAKE = {"conductor": "Drake", "diameter_m": 0.0281, "weight_N_m": 15.97}
WEST = {
    "kind": "span", "name": "west", "phase": "A", "from_m": [-30, 8, 11], "to_m": [0, 8, 14],
    "horizontal_tension_kN": 6.0, **DRAKE, "from_string": STRAIN, "to_string": SUSPENSION, "uncertainty_m": 0.02,
}  # fmt: skip
EAST = {
    "kind": "span", "name": "east", "phase": "A", "from_m": "west end", "to_m": [30, 8, 11],
    "horizontal_tension_kN": 6.0, **DRAKE, "to_string": STRAIN, "uncertainty_m": 0.02,
    "loads": [{"wire": "dropper", "when_stated": "on"}],
}  # fmt: skip
DROPPER = {
    "kind": "jumper", "name": "dropper", "phase": "A", "from_m": "east @ 6.0", "to_m": [9, 8, 3],
    "length_m": 10.0, **DRAKE,
    "release": {
        "free_end": "from", "lowered_to_m": [6, 8, 5],
    },
}  # fmt: skip
OTHER = {
    "kind": "jumper", "name": "jumper", "phase": "A", "from_m": "east @ 20", "to_m": [22, 8, 5], "length_m": 7.0,
    **DRAKE,
}  # fmt: skip
MAN = {"what": "man", "at_m": 15.0, "weight_kg": 100.0, "basis": "weighed with his tools"}
LOWER = {"name": "lower", "kind": "lower", "lower_m": [0.0, 1.0], "released": ["dropper"], "workers": []}
PARKED = {"name": "parked", "kind": "work", "off": ["dropper"], "workers": [], "anew": True}
STEPS = {"name": "step on", "kind": "work", "workers": [], "anew": True}


KEPT = {}


def made(kind="lower", slowly=(), **more):
    """The section in a stage, made once; slowly: the wires whose loads are stated to change slowly."""
    key = repr((kind, slowly, more))
    if key not in KEPT:
        KEPT[key] = ready({**{"lower": LOWER, "parked": PARKED, "on": STEPS}[kind], **more}, slowly=slowly)
    return KEPT[key]


def said(wires, slowly=()):
    """What is stated of the wires that come off, and of those whose loads change slowly."""
    for name in (wire["name"] for wire in wires if "release" in wire):
        yield from (isolated(name), never_at(name, "earth"))
        yield {"kind": "held", "wire": name, "sideways_m": 0.5}
    yield from ({"kind": "slowly", "wire": name} for name in slowly)


def ready(stage, *wires, slowly=(), **parts):
    wires = wires or (WEST, EAST, DROPPER, OTHER)
    parts |= {
        "solids": [box("b", [0, -9, 1], [1, 1, 2]), *parts.get("solids", ())],
        "statements": list(said(wires, slowly)),
    }
    return prepare(scene(circuits=[CIRCUIT], wires=list(wires), stages=[stage], **parts))


def body_of(prepared, name):
    return next(body for body in prepared.stages[0][0].bodies if body.name == name)


def at(prepared, name, value):
    """A body's shape where the parameter of the shift has a value."""
    setting = prepared.stages[0][0]
    body = body_of(prepared, name)
    q = {key: value if key.startswith("shift") else 0.5 * sum(span) for key, span in setting.box.items()}
    return placed(body.shape, setting.motion, body.link, q, setting.rated.get(name))


def worst_off(points, shape):
    """How far points are outside the uncertainty of a shape's capsules [m]; 0 where they are within."""
    start, way = shape.vertices[:, 0], shape.vertices[:, 1] - shape.vertices[:, 0]
    size = np.maximum((way * way).sum(axis=1), 1e-18)
    share = np.clip(np.einsum("pnk,nk->pn", points[:, None] - start, way) / size, 0, 1)
    away = np.linalg.norm(points[:, None] - start - share[..., None] * way, axis=2) - shape.uncertainty
    return away.min(axis=1).max()


def test_a_released_dropper_makes_its_section_deform_with_one_parameter():
    prepared = made()
    setting = prepared.stages[0][0]

    assert setting.rated == {"dropper": "lower_m", "west": "shift_m", "east": "shift_m"}
    low, high = setting.box["shift_m"]
    east = body_of(prepared, "east")
    assert low == 0.0
    assert east.job
    assert east.link == LINK
    # A metre of the parameter is a metre of the point that moves most, twice its way for a load let go at once.
    rates = np.linalg.norm(np.concatenate([body_of(prepared, n).shape.rate for n in ("west", "east")]), axis=2)
    assert rates.max() == pytest.approx(1.0)
    assert "as dropper goes from east, let go at once: modelled" in east.note
    before, after = at(prepared, "east", 0.0), at(prepared, "east", high / 2)
    assert after.vertices[:, 0, 2].max() != before.vertices[:, 0, 2].max()


@pytest.mark.parametrize("share", [0.0, 0.3, 0.7, 1.0])
@pytest.mark.parametrize("model", [0, 1, 2])
def test_the_section_with_any_share_of_the_dropper_is_within_the_body(share, model):
    prepared = made()
    lines = [lines_of(prepared.site.scene)[name] for name in ("west", "east")]
    state = solved(carried(lines), {("east", "dropper"): 1.0 - share}, model)[1]
    high = prepared.stages[0][0].box["shift_m"][1]
    for name, hung in zip(("west", "east"), state.lines, strict=True):
        line = next(line for line in lines if line.name == name)
        points = own_parts(line, hung, 0.001)[0][1]
        nearest = min(worst_off(points, at(prepared, name, v)) for v in np.linspace(0.0, high / 2, 41))
        assert nearest <= high / 160


def test_what_hangs_on_the_wire_goes_with_it():
    prepared = made()
    there = {body.name: body for body in prepared.site.bodies}
    for name in ("east to string", "west to string", "jumper"):
        assert body_of(prepared, name).shape.uncertainty.max() > there[name].shape.uncertainty.max() + 0.005, name
    # The rings of the strings deform with the wire, each with its own string.
    east = body_of(prepared, "east")
    ring = east.shape.vertices[:, 0, 0] > 27.0
    assert ring.any()
    assert 0 < np.linalg.norm(east.shape.rate[ring], axis=2).max() < 0.2
    assert body_of(prepared, "b").shape.uncertainty.max() == there["b"].shape.uncertainty.max()


def test_once_it_is_off_the_wire_hangs_where_it_has_come_to_rest():
    prepared = made("parked")
    setting = prepared.stages[0][0]
    east = body_of(prepared, "east")
    lines = [lines_of(prepared.site.scene)[name] for name in ("west", "east")]
    rest = own_parts(lines[1], solved(carried(lines), {})[1].lines[1], 0.001)[0][1]

    assert "shift_m" not in setting.box
    assert east.job
    assert east.link is None
    assert east.shape.rate is None
    assert worst_off(rest, east.shape) <= 1e-6
    assert east.shape.uncertainty.max() < 0.06
    assert "as dropper is gone from east" in east.note


def test_slowly_means_no_spring():
    sudden, slow = made(), made(slowly=("east",))
    one, two = (sum(body_of(p, "east").shape.uncertainty) for p in (sudden, slow))

    assert two < 0.6 * one
    assert "let go at once" not in body_of(slow, "east").note
    # Folded into uncertainty, or half the range: it goes to its rest and no further.
    assert slow.stages[0][0].box.get("shift_m", (0.0, 0.0))[1] < 0.6 * sudden.stages[0][0].box["shift_m"][1]


def test_a_man_on_the_wire_pulls_it_down():
    prepared = made("on", ("west",), disturbed=({"wire": "west", "puts_on": (MAN,)},))
    high = prepared.stages[0][0].box["shift_m"][1]
    before, after = at(prepared, "west", 0.0).vertices, at(prepared, "west", high).vertices
    lines = [lines_of(prepared.site.scene)[name] for name in ("west", "east")]

    middle = np.abs(before[:, 0, 0] + 15.0).argmin()
    assert after[middle, 0, 2] < before[middle, 0, 2] - 0.2
    # The other span rises, as the string is pulled over.
    far = np.abs(at(prepared, "east", 0.0).vertices[:, 0, 0] - 15.0).argmin()
    assert at(prepared, "east", high).vertices[far, 0, 2] > at(prepared, "east", 0.0).vertices[far, 0, 2]
    assert everything(lines) == {("east", "dropper"): 1.0}


def test_what_it_carries_stays_on_while_something_else_goes():
    """The spacer cart is on before and after; with it the wire is deeper throughout."""
    cart = {"what": "cart", "at_m": 20.0, "weight_kg": 90.0, "basis": "weighed"}
    bare = made()
    loaded = made(disturbed=({"wire": "east", "carries": (cart,)},))
    for share in (0.0, 0.5):
        one, two = (at(p, "east", share * p.stages[0][0].box["shift_m"][1]).vertices for p in (bare, loaded))
        middle = [np.abs(v[:, 0, 0] - 20.0).argmin() for v in (one, two)]
        assert two[middle[1], 0, 2] < one[middle[0], 0, 2] - 0.15
    # Taken off again: from with it to without.
    off = made("on", ("east",), disturbed=({"wire": "east", "carries": (cart,), "takes_off": ("cart",)},))
    high = off.stages[0][0].box["shift_m"][1]
    first, last = (at(off, "east", value).vertices for value in (0.0, high))
    index = np.abs(first[:, 0, 0] - 20.0).argmin()
    assert last[index, 0, 2] > first[index, 0, 2] + 0.1


def test_a_stated_uncertainty_that_is_too_small_is_said_and_not_used():
    small = made(disturbed=({"wire": "east", "movement_m": 0.01, "basis": "a guess"},))
    large = made(disturbed=({"wire": "east", "movement_m": 1.5, "basis": "a careful guess"},))
    one, two = body_of(small, "east"), body_of(large, "east")

    assert "the 0.01 m stated are less than that, and are not used" in one.note
    assert one.link == LINK
    assert two.link is None
    assert two.shape.uncertainty.min() >= 1.5
    assert "may move 1.5 m, as stated: a careful guess; by the model" in two.note


def test_without_a_conductor_the_scene_is_taken_at_its_word():
    bare = [{**wire, "conductor": None} for wire in (WEST, EAST, DROPPER, OTHER)]
    stated = [{"wire": name, "movement_m": 0.2, "basis": "crew's estimate"} for name in ("west", "east")]
    east = body_of(ready({**LOWER, "disturbed": stated}, *bare), "east")

    assert east.job
    assert east.shape.uncertainty.min() >= 0.22
    assert "may move 0.2 m: crew's estimate; as stated, not modelled" in east.note
    with pytest.raises(InputError, match="how far 'west' and 'east' may move, as what hangs on its section changes"):
        ready(LOWER, *bare)


TRAP = {"what": "trap", "at_m": 12.0, "weight_kN": 0.05, "when_stated": "on", "basis": "plate"}


def trapped(stage, uncertainty_m=0.0, on="east @ 12", listed=True, below_m=0.0, bare=False, potential="A"):
    """What is told of a solid on a wire, which a stage moves; bare: no wire has a conductor."""
    wires = [WEST, {**EAST, "loads": [*EAST["loads"], *([TRAP] if listed else [])]}, DROPPER, OTHER]
    wires = [{**wire, "conductor": None} for wire in wires] if bare else wires
    plain = prepare(
        scene(
            circuits=[CIRCUIT],
            wires=[wires[0], {**wires[1], "loads": EAST["loads"]}, *wires[2:]],
            statements=list(said([DROPPER])),
        )
    ).site
    name, along = on.split(" @ ")
    x, y, z = place(plain, plain.scene.wires[0], Reference(name, along_m=float(along)))
    cube = box("trap", [x, y, z - below_m], [0.2, 0.2, 0.2], potential, uncertainty_m=uncertainty_m)
    site = ready(stage, *wires, solids=[cube]).site
    return list(left_behind(site, site.scene.stages[0]))


def least_of(found):
    (one,) = found
    assert (one.where, one.verdict) == ("solid 'trap'", "undecided")
    return float(one.cure.split("at least ")[1].split()[0].rstrip(";"))


@pytest.mark.slow
@pytest.mark.parametrize("stage", [LOWER, PARKED])
def test_a_solid_on_a_wire_that_springs_is_told_in_still_air_too(stage):
    """Unless it may be wherever the wire goes there; parked the wire is at rest, elsewhere than it was."""
    least = least_of(trapped(stage))
    assert 0.05 < least < 3.0
    assert trapped(stage, least) == []
    assert least_of(trapped(stage, least - 0.02)) == least
    # A jumper on it goes along; it lists no loads.
    assert least_of(trapped(stage, on="jumper @ 1.0")) > 0.0


def test_so_is_one_on_a_wire_whose_movement_is_stated():
    stated = [{"wire": name, "movement_m": 0.2, "basis": "crew's estimate"} for name in ("west", "east")]
    told = {"stage": {**LOWER, "disturbed": stated}, "bare": True}
    assert least_of(trapped(**told)) == 0.2
    assert trapped(**told, uncertainty_m=0.2) == []
    assert least_of(trapped(**told, uncertainty_m=0.2, listed=False)) == 0.2
    # Half of the solid and of the wire, which slopes there; beyond it is on no wire. Another phase is judged otherwise.
    for beyond, on in ((-0.05, True), (0.05, False)):
        assert bool(trapped(**told, listed=False, below_m=0.1 + 0.014 + 0.05 + beyond)) == on
    assert trapped(**told, potential="B") == []
    assert trapped({**STEPS, "name": "work"}, bare=True) == []


def test_a_span_that_is_taken_off_lets_its_neighbour_sag():
    release = {**DROPPER["release"], "free_end": "to", "lowered_to_m": [20, 8, 3]}
    release["before_opening"] = {
        "far_end": "open and locked", "phase_identified": "traced", "pull_taken_by": "a winch",
        "by": "switching",
    }  # fmt: skip
    east = {**EAST, "loads": None, "release": release}
    off = {"name": "off", "kind": "work", "off": ["east"], "workers": [], "anew": True}
    prepared = ready(off, WEST, east)
    west = body_of(prepared, "west")
    there = next(body for body in prepared.site.bodies if body.name == "west")

    assert west.job
    assert "as east is taken off" in west.note
    # The string swings back into the span that is left: its live end goes west, and up.
    assert west.shape.vertices[..., 0].max() < there.shape.vertices[..., 0].max() - 0.3
    with pytest.raises(InputError, match="as a span of its section is off"):
        ready(off, {**WEST, "conductor": None}, {**east, "conductor": None})


def test_in_the_weather_the_move_is_uncertainty_of_the_envelope():
    weather = {"air_C": [5, 25], "wind_m_s": [0, 6], "current_A": [100, 300], "basis": "invented"}
    known = {"known": {"conductor_C": 15, "basis": "survey"}}
    prepared = ready(LOWER, {**WEST, **known}, {**EAST, **known}, DROPPER, weather=weather)
    east = body_of(prepared, "east")
    there = next(body for body in prepared.site.bodies if body.name == "east")

    assert "shift_m" not in prepared.stages[0][0].box
    assert east.shape.uncertainty.max() > there.shape.uncertainty.max() + 0.05
    assert "modelled, an allowance in the weather" in east.note


def test_two_loads_at_once_are_refused():
    both = ({"wire": "east", "puts_on": (MAN,)},)
    with pytest.raises(InputError, match="one load at a time put on or taken off a section"):
        made(disturbed=both)


def test_a_load_beyond_its_wire_is_refused_with_its_stage():
    with pytest.raises(InputError, match=r"stage 'step on': disturbed.*a place on the conductor"):
        made("on", disturbed=({"wire": "west", "puts_on": ({**MAN, "at_m": 1.0},)},))


def test_pages_and_poses_draw_a_wire_that_deforms():
    prepared = made()
    setting = prepared.stages[0][0]
    one, two = (
        next(body for body in standing(setting, {"shift_m": value}) if body.name == "east")
        for value in setting.box["shift_m"]
    )
    assert np.abs(one.shape.vertices - two.shape.vertices).max() == pytest.approx(
        setting.box["shift_m"][1] * np.linalg.norm(body_of(prepared, "east").shape.rate, axis=2).max(), rel=0.05
    )


def test_the_result_says_how_far_and_why():
    found = check(made("parked").site.scene, withdraw=False)
    notes = " ".join(found.stages[0].notes)

    assert "east: hangs" in notes
    assert shifts_of(made().site, made().site.scene.stages[0])[0].parameter == "shift_m"


@pytest.mark.parametrize(
    ("tension_kN", "swept"), [(6.0, {"west": "shift_m", "east": "shift_2_m"}), (30.0, {"east": "shift_m"})]
)
def test_a_jumper_between_two_dead_ends_moves_both_its_wires_each_by_itself(tension_kN, swept):
    """Two spans on either side of a dead end: a load that leaves both, and no string that couples them. At 6 kN either
    moves by more than a decimetre; five times as taut, the west one by less than what is swept, and takes no number."""
    west = {**WEST, "to_m": [0, 8, 11], "to_string": STRAIN, "horizontal_tension_kN": tension_kN,
            "loads": [{"wire": "jumper", "when_stated": "on"}]}  # fmt: skip
    east = {**EAST, "from_m": [0.4, 8, 11], "from_string": STRAIN, "loads": [{"wire": "jumper", "when_stated": "on"}]}
    jumper = {
        "kind": "jumper", "name": "jumper", "phase": "A", "from_m": "west @ 25", "to_m": "east @ 5", "length_m": 14.0,
        **DRAKE, "release": {**DROPPER["release"], "lowered_to_m": [-4, 8, 5]},
    }  # fmt: skip
    prepared = ready({**LOWER, "released": ["jumper"]}, west, east, jumper)
    setting = prepared.stages[0][0]

    assert {name: setting.rated[name] for name in ("west", "east") if name in setting.rated} == swept
    assert set(setting.box) == {"lower_m", *swept.values()}
    assert len(shifts_of(prepared.site, prepared.site.scene.stages[0])) == 2
    for name in ("west", "east"):
        assert "as jumper goes from" in body_of(prepared, name).note


def test_a_jumper_on_two_wires_of_one_section_is_one_load():
    west = {**WEST, "loads": [{"wire": "jumper", "when_stated": "on"}]}
    east = {**EAST, "loads": [{"wire": "jumper", "when_stated": "on"}]}
    jumper = {
        "kind": "jumper", "name": "jumper", "phase": "A", "from_m": "west @ 25", "to_m": "east @ 5", "length_m": 14.0,
        **DRAKE, "release": {**DROPPER["release"], "lowered_to_m": [-4, 8, 5]},
    }  # fmt: skip
    prepared = ready({**LOWER, "released": ["jumper"]}, west, east, jumper)

    (shift,) = shifts_of(prepared.site, prepared.site.scene.stages[0])
    assert set(shift.wires) == {"west", "east"}


def test_in_the_weather_a_wire_at_rest_without_its_load_is_within_its_body():
    """Weather of one state: the envelope is the wire with its dropper; the body must hold it without."""
    weather = {"air_C": [15, 15], "conductor_C": [15, 15], "basis": "invented"}
    known = {"known": {"conductor_C": 15, "basis": "survey"}}
    heavy = {
        **EAST,
        "loads": [{"what": "cart", "at_m": 15.0, "weight_kg": 120, "when_stated": "on", "basis": "weighed"}],
    }
    stage = {**STEPS, "disturbed": [{"wire": "east", "takes_off": ["cart"]}]}
    prepared = ready(stage, {**WEST, **known}, {**heavy, **known}, slowly=["east"], weather=weather)
    there = next(body for body in prepared.site.bodies if body.name == "east")
    lines = [lines_of(prepared.site.scene)[name] for name in ("west", "east")]
    rest = own_parts(lines[1], solved(carried(lines), {})[1].lines[1], 0.001)[0][1]

    assert worst_off(rest, body_of(prepared, "east").shape) <= 1e-6
    assert worst_off(rest, there.shape) > 0.1, "the envelope alone does not hold it"
    assert "modelled, an allowance in the weather" in body_of(prepared, "east").note


def test_a_string_goes_with_its_clamp_though_the_clamp_goes_along_the_wire():
    """With a man on the west span the clamp swings along the line: the string's body holds it at both ends of that."""
    prepared = made("on", ("west",), disturbed=({"wire": "west", "puts_on": (MAN,)},))
    lines = [lines_of(prepared.site.scene)[name] for name in ("west", "east")]
    man = PointLoad("man", 15.0, (0.0, 0.0, -100.0 * 9.80665), False)
    loaded = carried([replace(lines[0], loads=(man,)), lines[1]])
    state = solved(loaded, {("west", "man"): 1.0, ("east", "dropper"): 1.0})[1]
    top, clamp = np.array(lines[0].end.point), state.lines[0].end
    string = body_of(prepared, "west to string").shape
    part = np.array([top + share * (clamp - top) for share in np.linspace(0.15, 0.85, 15)])

    assert abs(float(clamp[0])) > 0.02
    assert worst_off(part, string) <= 1e-6
