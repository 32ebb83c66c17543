"""Every key of the format is judged, or refuses, or is a label: for each there is a scene that holds it and a change of
it that changes the bodies, the question or a limit.

A key that a colleague adds and puts in no scene of `every_key` fails here, and so does one that nothing uses.
"""

from __future__ import annotations

import pytest
from every_key import bases, changed, files, judged, others
from schema_walk import FORMAT, RECORDS, keys_of, named, of_module

from clearance.errors import ClearanceError, InputError

EVERY = named(FORMAT)

LABELS = {
    "name": "what a thing is called",
    "note": "for the reader",
    "basis": "where a figure is from",
    "by": "who answers for it",
    "source": "where a figure is from",
    "insulation_basis": "what the insulation rests on",
    "hangs_from": "told on the briefing",
}
"""Keys that are told and judge nothing, in whichever record they stand."""

LABELS_OF = {
    ("SceneFile", "format"): "the version of the format; any but 1 is refused when a file is read",
    ("SceneFile", "notes"): "for the reader",
    ("Circuit", "highest_basis"): "where the highest voltage is from",
    ("Circuit", "overvoltage_basis"): "what bounds the overvoltage",
    ("Circuit", "overvoltage_by"): "who answers for it",
    ("Origin", "epsg"): "which map: drawings and GeoPackages are placed by it",
    ("Pole", "material"): "wood, concrete and composite count as earth as steel does",
    ("OwnConductor", "rated_strength_kN"): "strength is not evaluated; every result says so",
    ("Tested", "what"): "what was tested; refused where the scene has none",
    ("Tested", "on"): "when",
    ("Tested", "result"): "what was found",
    ("Stage", "rides"): "who allows that somebody rides; without it the stage is refused",
    ("BeforeOpening", "phase_identified"): "how it was identified",
    ("BeforeOpening", "pull_taken_by"): "what holds the pull; without it a tensioned wire is refused",
    ("LoadOnWire", "what"): "what it is called",
    ("LoadOfStage", "what"): "what it is called",
}

BESIDE = of_module("records_statements") | {("SceneFile", "statements"), ("SceneFile", "asks")}
"""What statements take away, and what a scene asks, is seen in its result: `test_every_statement`."""
BESIDE |= {key for key in of_module("records_templates") if key[0] != "Tested"} | {("SceneFile", "jobs")}
"""What jobs expand into: `test_every_job`; here only stages are judged."""

CHANGES = {
    ("bay", "SceneFile", "altitude_m"): 2500.0,
    ("plain", "SceneFile", "rule"): ["gb-26859"],
    ("bay", "Circuit", "phases"): ["A", "B", "C"],
    ("bay", "Gantry", "potential"): "A",
    ("bay", "LatticeTower", "potential"): "A",
    ("bay", "Pole", "potential"): "A",
    ("bay", "MembersStructure", "potential"): "A",
    ("bay", "MembersStructure", "nodes"): "moved.csv",
    ("bay", "MembersStructure", "members"): "fewer.csv",
    ("bay", "Box", "potential"): "A",
    ("bay", "Cylinder", "potential"): "A",
    ("bay", "Mesh", "potential"): "A",
    ("bay", "Mesh", "file"): "wider.stl",
    ("bay", "Cloud", "file"): "again.las",
    ("bay", "Cloud", "classes"): [4, 5],
    ("bay", "Cloud", "potential"): "A",
    ("bay", "Track", "points_m"): [[0.1, -5], [0, 5]],
    ("ladder", "Tool", "line"): "other",
    ("ladder", "Rope", "from_m"): "ladder @ 5.5",
    ("ladder", "Rope", "to_m"): [5, 5.5, 0],
    ("ladder", "Stage", "workers"): ["second"],
    ("ladder", "Stage", "bonded"): {"worker": "B"},
    ("ladder", "Stage", "hauled"): "can",
    ("ladder", "Crew", "worker"): "worker",
    ("bay", "Stand", "who"): "two",
    ("bay", "Stage", "potentials"): {"cabinet": "A"},
    ("bay", "SceneFile", "rule_inputs"): {"k_f": 0.8, "ergonomic_m": 0.5, "k_a": 0.98},
    ("tail", "Jumper", "phase"): "B",
    ("tail", "GoesAlong", "solid"): "rail A",
    ("tail", "Release", "free_end"): "to",
    ("tail", "Release", "by_way_of_m"): [[2, -0.2, 7.5]],
    ("comes and goes", "Stage", "bodies"): ["keg"],
    ("comes and goes", "Stage", "rescue"): "look",
    ("tail", "Stage", "released"): ["tail"],
    ("device", "Circuit", "nominal_kV"): 110,
    ("hung", "Disturbed", "wire"): "wire D",
    ("loads", "Disturbed", "takes_off"): ["cart"],
    ("hung", "Ladder", "hangs_on"): "wire C",
    ("loads", "SpanWire", "phase"): "B",
    ("loads", "LoadOnWire", "wire"): "other dropper",
    ("weather", "SpanWire", "conductor"): "Drake",
    ("ground as grid", "GridGround", "heights_m"): [[0, 0, 0], [0, 0.6, 0], [0, 0, 0]],
    ("ground as grid file", "GridGround", "file"): "higher.csv",
    ("ground as points", "PointsGround", "file"): "again.las",
    ("ground as points", "PointsGround", "classes"): [2, 4],
    ("ground as mesh", "MeshGround", "file"): "tilted.stl",
}
"""Changes that must be made by hand, by scene, record and key: names, files, texts."""

REFUSED = {
    ("Origin", "vertical"): ("far up", None, "altitude_m: expected an altitude within 100 m"),
    ("Ladder", "clear_m"): ("ladder", 2.0, "expected feet at or below the ladder's clear position"),
    ("AerialDevice", "raise_deg"): ("device", [-10, 50], "boom_deg: expected within what \"lift\" can do"),
    ("Tested", "leakage_uA"): ("ladder", 200.0, "leakage_uA: expected at most"),
    ("Tested", "at_kV"): ("ladder", 100.0, "at_kV: expected at least the voltage to earth worked at"),
    ("Stage", "anew"): ("ladder", None, "expected nobody forgotten on the ladder"),
    ("SpanWire", "potential"): ("weather", None, "expected one of phase or potential"),
    ("Jumper", "potential"): ("tail", None, "expected one of phase or potential"),
    ("BeforeOpening", "far_end"): ("tail", "closed", "far_end: expected \"open and locked\""),
    ("Stage", "restores"): ("put right", None, "disturbed: expected \"wire A\" disturbed by at least 0.3 m"),
    ("Stage", "earths"): ("tail", None, "lifts_earth: expected a wire that is earthed"),
    ("Stage", "lifts_earth"): ("tail", ["other"], "lifts_earth: expected a wire that is off"),
}  # fmt: skip
"""Keys whose effect is that a contradiction is refused: the scene, another value, and what it says then."""

BASES = bases()


def is_table(value) -> bool:
    """Whether a value is one record or several: such a key is judged by theirs."""
    one = value[0] if isinstance(value, list) and value else value
    return isinstance(one, dict) and bool(value)


def apart() -> set[tuple[str, str]]:
    """Keys that no change of a scene is asked of."""
    told = {(record, key) for record, key in EVERY if key in LABELS}
    kinds = {(record, key) for record, key in EVERY if key == "kind"}
    kinds -= {("Stage", "kind"), ("OwnConductor", "kind"), ("InsulatorString", "kind")}
    return told | kinds | LABELS_OF.keys() | BESIDE | REFUSED.keys()


def of_base() -> dict[str, dict[tuple[str, str], list[tuple[str | int, ...]]]]:
    """Per scene the keys that are shown in it, with their places: by hand by `CHANGES`, else in the first."""
    by_hand = {(record, key): base for base, record, key in CHANGES}
    found: dict[str, dict[tuple[str, str], list[tuple[str | int, ...]]]] = {base: {} for base in BASES}
    owner: dict[tuple[str, str], str] = {**ELSEWHERE}
    for base, table in BASES.items():
        for record, key, place in keys_of(table):
            if (record, key) not in apart() and owner.setdefault((record, key), base) == base:
                found[base].setdefault((record, key), []).append(place)
    assert all(owner[key] == base for key, base in by_hand.items() if key in owner), "CHANGES name the first scene"
    return found


ELSEWHERE: dict[tuple[str, str], str] = {
    (record, key): base for base, record, key in CHANGES
} | {
    ("Ladder", "insulating_from_m"): "plain",
    ("SceneFile", "frequency_Hz"): "tail",
    ("OwnConductor", "kind"): "heated",
    ("OwnConductor", "outer_area_mm2"): "weather",
    ("Jumper", "weight_N_m"): "loads",
}  # fmt: skip
"""Keys whose effect is seen in another scene than the first that holds them."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("every key")
    files(made)
    return made


def test_every_key_is_in_a_scene_or_a_label():
    held = {(record, key) for table in BASES.values() for record, key, _ in keys_of(table)}
    assert EVERY - held - apart() == set(), "state it in a scene of every_key, or say why it is a label"
    assert LABELS_OF.keys() - EVERY == set(), "labels that the format has not"
    assert LABELS.keys() - {key for _, key in EVERY} == set()


SLOW = ("weather", "loads", "heated")
"""Scenes with wires whose weather or loads are solved anew for every change."""


@pytest.mark.parametrize("base", [pytest.param(b, marks=pytest.mark.slow) if b in SLOW else b for b in BASES])
def test_every_key_has_an_effect(base, folder):
    table, silent = BASES[base], []
    before = judged(folder, table)
    for (record, key), places in of_base()[base].items():
        if not any(_shows(folder, table, before, base, record, key, place) for place in places):
            silent.append(f"{record}.{key}")
    assert silent == [], "a change of these changes neither bodies nor question nor limit"


def _shows(folder, table, before, base, record, key, place) -> bool:
    value = table
    for part in place:
        value = value[part]
    annotation = RECORDS[record].model_fields[key].annotation
    if is_table(value) and key not in ("bonded", "potentials", "rule_inputs"):
        return True
    by_hand = [CHANGES[base, record, key]] if (base, record, key) in CHANGES else []
    for other in by_hand or others(annotation, value):
        try:
            if judged(folder, changed(table, place, other)) != before:
                return True
        except ClearanceError:
            # A refusal shows that a value is looked at, not that it is used: `REFUSED` lists those that do refuse.
            continue
    return False


@pytest.mark.parametrize(("record", "key"), REFUSED)
def test_what_refuses_a_contradiction(record, key, folder):
    base, other, said = REFUSED[record, key]
    table = BASES[base]
    judged(folder, table)
    refused = []
    for one, name, place in keys_of(table):
        if (one, name) == (record, key):
            try:
                judged(folder, changed(table, place, other))
            except InputError as error:
                refused.append(str(error))
    assert any(said in words for words in refused)
