"""Every key of a statement says what is taken away, or who says so: changed, it changes a verdict, a margin or what is
not settled; and what judges nothing (basis, by, on) stands in the text and in the JSON.

A statement that somebody adds and puts in no scene here fails, and so does a key of one that nothing uses. That each
takes away what it says and no more is held on both sides of the limit in `test_scene_statements`.
"""

from __future__ import annotations

import io
from typing import Any, get_args

import pytest
import schema_walk
from every_key import bases, files, others, read
from rich.console import Console
from small_scenes import (
    CIRCUIT,
    WORKER,
    box,
    contact,
    insulating,
    isolated,
    lashed,
    may_open,
    never_at,
    slab,
    stage,
    tail_rope,
)
from test_job_loosened import working
from test_job_whip import MAST, ROPES, SAFETY, dropper, guides, lowering, rope
from test_scene_statements import AIR, BUSES, ELECTRICAL, MORE, TWO, WHOLE, bonded_before, truck
from test_site_check import two

from clearance.errors import ClearanceError
from clearance.pipeline import check
from clearance.report.text import print_result
from clearance.result import Measure, Result

AGAIN = stage(name="again")
SECOND = {**dropper(), "name": "other", "from_m": [12.0, 0.0, 9.0], "to_m": [14.0, 0.0, 5.0]}
SECOND["release"] = {**SECOND["release"], "lowered_to_m": [12, 0, 6],
                     "ropes": [*(tail_rope((12, y, 0.1), f"rope at {y}") for y in (-3, 3)),
                               tail_rope((12.0, 0.3, 9.2), "other safety rope")]}  # fmt: skip
BESIDE = tail_rope((2.0, 0.9, 9.2), "safety rope beside")
MATE = {**WORKER, "name": "mate"}
LINE = {**CIRCUIT, "name": "line", "phases": ["D", "E"]}
ODD = [{**CIRCUIT, "phases": ["A", "B"], "overvoltage_per_unit": 4.6}]
FAR = [slab("bus A", bottom_m=40.0), slab("bus B", bottom_m=60.0, potential="B")]
OPENS = {"kind": "open", "released": ["dropper"], "lower_m": [0, 2.9], "opening_distance_m": 1.0, "workers": [],
         "travel_m": None, "climb_m": None, "posture": None, "anew": True}  # fmt: skip
NEAR_B = [box("bus B", [4, 5.5, 5], [12, 0.1, 8], "B")]
HELPERS = [{"name": name, "stature_m": 1.755, "at_m": [15, y]} for name, y in (("helper", 0), ("other helper", 9))]
LOW = [box("low A", [15, 0, 4.0], [0.5, 0.5, 0.1], "A")]
TREES = [
    {"name": name, "file": file, "classes": classes, "survey_error_m": 0.1, "uncovered_m": 0.1}
    for name, file, classes in (("trees", "scan.las", [5]), ("all", "again.las", [2, 4, 5]))
]


def _beside(**parts: Any) -> dict[str, Any]:
    return {"circuits": [TWO], "solids": BUSES, **parts}


def _twice(parts: dict[str, Any]) -> dict[str, Any]:
    """The scene with its stage a second time, so that a statement may hold in one of them."""
    (one,) = parts["stages"]
    return {"circuits": [TWO], **parts, "stages": [one, {**one, "name": "again"}]}


def _plate() -> dict[str, Any]:
    found = bonded_before(ELECTRICAL - MORE, "floating")
    return {**found, "solids": [*found["solids"], box("board", [9, 9, 1], [1, 1, 1], "floating")]}


AGAINST_BEAM = {
    "solids": [*BUSES, box("beam", [0, 0, 7.9], [0.3, 3.0, 0.2]), box("post", [9, 9, 1], [0.3, 0.3, 2])],
    "stages": [stage(travel_m=[4.9, 5.1])],
}

SCENES: dict[str, tuple[dict[str, Any], dict[str, Any], dict[str, Any]]] = {
    "absent": (
        _beside(vehicles=truck(WHOLE - MORE), stages=[stage(), AGAIN]),
        {"kind": "absent", "bodies": ["truck"], "stages": ["again"]},
        {"bodies": ["bus B"], "stages": ["stage"]},
    ),
    "never at": (
        _twice(_plate()),
        never_at("plate", "earth", stages=["again"]),
        {"body": "board", "states": ["floating"], "stages": ["stage"]},
    ),
    "insulating": ({"circuits": [TWO], **_plate()}, insulating("plate"), {"body": "board"}),
    "held by guides": (
        {**lowering(NEAR_B), "wires": [dropper(), SECOND]},
        guides(),
        {"wire": "other", "sideways_m": 0.8},
    ),
    "held by a rope": ({**lowering(NEAR_B), "wires": [dropper(ropes=[*ROPES, SAFETY, BESIDE]), SECOND]}, rope(),
                       {"wire": {"wire": "other", "rope": "other safety rope"}, "rope": BESIDE["name"],
                        "length_m": 3.8}),
    "held by ropes": ({**lowering(NEAR_B), "wires": [dropper(), SECOND]}, {**lashed("dropper"), "parked": False},
                      {"wire": "other", "within_m": 0.8, "parked": True}),
    "reach": (
        {"circuits": [TWO], **bonded_before(ELECTRICAL - MORE), "workers": [WORKER, MATE],
         "stages": [{**bonded_before(ELECTRICAL - MORE)["stages"][0], "workers": ["worker"]}]},
        {"kind": "restrained reach", "person": "worker", "reach_m": 0.5},
        {"person": "mate", "reach_m": 0.6},
    ),
    "arms": (
        _beside(solids=[*BUSES, *LOW], crew=HELPERS),
        {"kind": "restrained reach", "person": "helper", "arms": "down"},
        {"person": "other helper"},
    ),
    "contact": (
        _twice(AGAINST_BEAM), {**contact("ladder", "beam"), "stages": ["again"]},
        {"bodies": ["ladder", "post"], "stages": ["stage"]},
    ),
    "air only": (
        _beside(vehicles=truck((WHOLE + AIR) / 2)),
        {"kind": "air only", "between": ["A", "earth"]},
        {"between": ["B", "earth"]},
    ),
    "isolated": (
        {"circuits": [TWO], "solids": [*BUSES, MAST], "wires": [dropper(), SECOND], "stages": [stage(off=["dropper"])]},
        isolated("dropper"),
        {"wire": "other"},
    ),
    "may open": (
        {**lowering(stages=[stage(**OPENS)]), "wires": [dropper(), SECOND]},
        may_open("dropper"),
        {"wire": "other", "how": "by hand", "current_A": 1e-9, "energy_J": 1e-6},
    ),
    "fast": (
        {**working(12.0), "wires": [dropper(), SECOND]},
        {"kind": "fast", "wire": "dropper"},
        {"wire": "other"},
    ),
    "circuit earthed": (
        _beside(
            circuits=[TWO, LINE],
            solids=[*BUSES, slab("bus D", bottom_m=9.0, potential="D", at=(15.0, 0.0), size=(6.0, 4.0)),
                    slab("bus E", bottom_m=60.0, potential="E")],
            vehicles=truck(WHOLE - MORE, 9.0),
        ),
        {"kind": "circuit earthed", "circuit": "line"},
        {"circuit": "bay"},
    ),
    "slowly": (
        bases()["loads"],
        {"kind": "slowly", "wire": "bus A", "stages": ["off"]},
        {"wire": "dropper", "stages": ["on"]},
    ),
    "none": (_beside(), {"kind": "none", "what": ["weather", "crew", "tools"]}, {}),
    "nobody at first": (
        _beside(crew=[HELPERS[0]], statements=[{"kind": "none", "what": ["weather", "tools"]}], stages=[
            stage(workers=[], travel_m=None), {**AGAIN, "workers": [], "travel_m": None, "climb_m": None,
            "posture": None}, stage(name="come", kind="bring", bodies=["helper"], workers=[], travel_m=None)]),
        {"kind": "none", "what": ["crew"], "stages": ["stage"]},
        {"stages": ["stage", "again"]},
    ),
    "designed gap": (
        {"circuits": [TWO], "solids": [*FAR, *two(0.8)]},
        {"kind": "designed gap", "bodies": ["first", "second"], "gap_m": 0.8},
        {"bodies": ["first", "ground"], "gap_m": 0.82},
    ),
    "confirmed": (
        {"circuits": ODD, "solids": FAR},
        {"kind": "confirmed", "entry": "circuit 'bay'", "field": "overvoltage_per_unit", "value": 4.6},
        {"entry": "ladder", "field": "nominal_kV", "value": 4.5},
    ),
    "confirmed against another doubt": (
        {"circuits": [TWO], "solids": FAR},
        {"kind": "confirmed", "entry": "circuit 'bay'", "field": "phases", "value": ["A", "B"], "doubt": "far away"},
        {"entry": "ladder", "field": "nominal_kV", "value": ["B", "A"], "doubt": "hangs on nothing"},
    ),
    "left out": (
        {"circuits": [TWO], "solids": FAR, "clouds": TREES, "track": {"points_m": [[30, 25], [30, 35]],
         "heading_deg": 0}, "stages": [stage(workers=[])]},
        {"kind": "left out", "file": "scan.las", "classes": [2, 4]},
        {"file": "again.las"},
    ),
}  # fmt: skip
"""By name: a scene, a statement in it, and for keys of that statement another value; others are found by themselves."""

LABELS = ("basis", "by", "on")
ONE_WORD = {("RestrainedReach", "arms")}
"""Keys that have but one value: what they do is what the statement does."""
KEYS = schema_walk.of_module("records_statements")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("every statement")
    files(made)
    return made


def scene_of(name: str, said: dict[str, Any] | None) -> dict[str, Any]:
    """The scene with its statement, or with none of it: it stands last."""
    parts = SCENES[name][0]
    return {**parts, "statements": [*parts.get("statements", ()), *([] if said is None else [said])]}


def told(result: Result) -> list[Any]:
    """What a result says: verdicts, margins, and what is not settled."""

    def margin(measure: Measure) -> Any:
        return measure.verdict, measure.margin_lower_m

    def points(found: Any) -> list[Any]:
        return [(one.where, one.what.partition(";")[0]) for one in found if one.verdict != "clear"]

    found: list[Any] = [result.verdict, points(result.open_points)]
    for one in result.stages:
        found += [one.verdict, points(one.open_points), [(i.body, i.left_m, i.verdict) for i in one.insulation]]
        found += [(gap.between, gap.kind, margin(gap.posture), gap.reach and margin(gap.reach)) for gap in one.gaps]
        found += [(one.body, margin(one.measure)) for one in (*one.approaches, *one.collisions)]
    return found


def judged(folder, name: str, said: dict[str, Any] | None) -> list[Any]:
    return told(check(read(folder, scene_of(name, said)), 0.005, withdraw=False))


def kind_of(said: dict[str, Any]) -> str:
    (record,) = {record for record, _, place in schema_walk.keys_of({"statements": [said]}) if place[0] == "statements"
                 and len(place) == 3}  # fmt: skip
    return record


def test_every_key_of_a_statement_is_in_a_scene_or_a_label():
    held = {(kind_of(said), key) for _, said, _ in SCENES.values() for key in said}
    apart = {(record, key) for record, key in KEYS if key in (*LABELS, "kind")} | ONE_WORD
    assert KEYS - held - apart == set(), "state it in a scene here"
    assert held <= KEYS
    assert held >= ONE_WORD


@pytest.mark.parametrize("name", [pytest.param(n, marks=pytest.mark.slow) if n == "slowly" else n for n in SCENES])
def test_every_key_of_a_statement_has_an_effect(name, folder):
    _, said, by_hand = SCENES[name]
    record = kind_of(said)
    with_it = judged(folder, name, said)
    if name != "none":  # without that `small_scenes` says it: each of its words is taken out below
        # The whole of it, which is also what its kind does.
        assert judged(folder, name, None) != with_it
    silent = []
    for key, value in said.items():
        if key in (*LABELS, "kind") or (record, key) in ONE_WORD or (key == "what" and "stages" in said):
            continue  # of what there is none of, crew alone may be so in some stages
        annotation = schema_walk.RECORDS[record].model_fields[key].annotation
        values = [by_hand[key]] if key in by_hand else [one for one in others(annotation, value) if one is not None]
        # A value that goes with that of another key is a table of both.
        changes = [other if isinstance(other, dict) else {key: other} for other in values]
        if not any(_differs(folder, name, {**said, **change}, with_it) for change in changes):
            silent.append(f"{record}.{key}")
    assert silent == [], "a change of these takes away the same"


def _differs(folder, name: str, said: dict[str, Any], before: list[Any]) -> bool:
    try:
        return judged(folder, name, said) != before
    except ClearanceError:
        return False  # a refusal shows that a value is looked at, not that it is used


@pytest.mark.parametrize("what", ["weather", "crew", "tools"])
def test_each_word_of_what_there_is_none_of_counts(what, folder):
    said = {**SCENES["none"][1], "what": [one for one in ("weather", "crew", "tools") if one != what]}
    new = [
        point for point in judged(folder, "none", said)[1] if point not in judged(folder, "none", SCENES["none"][1])[1]
    ]
    assert new == [("the job", f"nothing is said of {what}: none is judged")]


def test_what_a_scene_asks_is_answered(folder):
    parts = scene_of("insulating", SCENES["insulating"][1])
    one, other = (check(read(folder, {**parts, "asks": asks}), 0.01, withdraw=False) for asks in ("stages", "job"))
    assert told(one) != told(other)
    assert not other.complete


def test_who_says_so_and_why_stands_in_the_text_and_in_the_json_of_every_kind(folder):
    """Of every kind, as no result tells its kind but by what it takes away; and it judges nothing."""
    kinds = {get_args(schema_walk.RECORDS[record].model_fields["kind"].annotation)[0] for record, key in KEYS
             if key == "kind"}  # fmt: skip
    seen = set()
    for name, (_, said, _) in SCENES.items():
        if said["kind"] in seen or name == "slowly":
            continue
        seen.add(said["kind"])
        marks = {label: f"{label} of {said['kind']}".replace(" ", "-") for label in LABELS}
        marks["on"] = f"2026-05-{len(seen):02}"
        result = check(read(folder, scene_of(name, {**said, **marks})), 0.05)
        console = Console(file=io.StringIO(), width=200)
        print_result(result, console)
        for label, mark in marks.items():
            assert f'"{label}": "{mark}"' in result.to_json()
            assert mark in console.file.getvalue()
        assert told(result) == told(check(read(folder, scene_of(name, said)), 0.05, withdraw=False))
    assert seen | {"slowly"} == kinds
