"""A scene written as TOML reads back as the same scene, with only what is stated; the digest is of the content."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest
import small_scenes as small
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.errors import InputError
from clearance.job.templates import expanded
from clearance.scene.builtin import builtin_names, builtin_scene
from clearance.scene.reading import read_scene, scene_of
from clearance.scene.records import Range, Reference, Scene
from clearance.scene.writing import scene_text, write_scene

WHOLE = Path(__file__).parent / "messages" / "whole" / "whole.toml"


def again(scene: Scene) -> Scene:
    """The scene read from its own text."""
    return scene_of(scene_text(scene).encode(), scene.path or scene.folder / "scene.toml")


@pytest.mark.parametrize("path", [WHOLE, *map(builtin_scene, builtin_names())], ids=lambda path: path.stem)
def test_every_scene_reads_back_as_itself(path):
    scene = read_scene(path)
    found = again(scene)
    assert found == scene
    assert found.sha256 == scene.sha256
    assert scene_text(found) == scene_text(scene)
    # Only what the file states is written, under the keys of the records.
    assert found.model_fields_set == scene.model_fields_set
    for one, other in zip(found.wires, scene.wires, strict=True):
        assert one.model_fields_set == other.model_fields_set


@pytest.mark.parametrize("name", builtin_names())
def test_every_expansion_reads_back_as_itself(name):
    found = expanded(read_scene(builtin_scene(name)))
    assert again(found).stages == found.stages


def test_a_text_holds_only_what_is_stated():
    scene = Scene(**tomllib.loads(small.text(wires=[])))
    told = tomllib.loads(scene_text(scene))
    given = tomllib.loads(small.text(wires=[]))
    assert told.keys() == given.keys()
    assert told["stages"] == [{**given["stages"][0], "travel_m": 5.0, "climb_m": 3.0}]
    assert told["ladder"].keys() == given["ladder"].keys()


def test_it_is_written_beside_the_files_it_names_or_not_at_all(tmp_path):
    for file in WHOLE.parent.iterdir():
        shutil.copy(file, tmp_path)
    scene = read_scene(tmp_path / "whole.toml")
    write_scene(scene, tmp_path / "again.toml")
    assert read_scene(tmp_path / "again.toml").sha256 == scene.sha256
    assert str(tmp_path) not in (tmp_path / "again.toml").read_text()
    (tmp_path / "other").mkdir()
    with pytest.raises(InputError) as caught:
        write_scene(scene, tmp_path / "other" / "again.toml")
    assert "found from" in str(caught.value)
    assert not (tmp_path / "other" / "again.toml").exists()
    with pytest.raises(InputError, match="expected a file that can be written"):
        write_scene(scene, tmp_path / "nowhere" / "again.toml")
    made = Scene(**tomllib.loads(small.text()))
    write_scene(made, tmp_path / "other" / "small.toml")
    assert read_scene(tmp_path / "other" / "small.toml").sha256 == made.sha256


numbers = st.floats(-500, 500).map(lambda value: value + 0.0)
lengths = st.floats(1e-6, 100)
diameters = st.floats(0.0005, 1)
errors = st.floats(1e-6, 50)
bends = st.floats(1e-6, 10)
"""[m] What can be at all: `clearance.scene.plausible_values`."""
names = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=12).filter(
    lambda name: name.strip() and name not in ("ground", "ladder", "worker", "track")
)
leans = st.tuples(st.floats(-95, 95), st.floats(-95, 95)).map(sorted)
points = st.tuples(numbers, numbers, numbers)
notes = st.text(st.characters(exclude_categories=("Cs",)), max_size=30)


def maybe(key, values):
    """A table with one entry, or without it."""
    return st.one_of(st.just({}), values.map(lambda value: {key: value}))


@st.composite
def small_tables(draw):
    """Tables of a small scene with whatever names, notes, numbers and optional entries."""
    tables = tomllib.loads(small.text())
    one, *others = draw(st.lists(names, min_size=4, max_size=4, unique_by=str.strip))
    wire = {"kind": "jumper", "name": one, "phase": "A", "diameter_m": draw(diameters), "length_m": draw(lengths)}
    wire |= {
        "from_m": draw(points),
        "to_m": draw(points),
        "uncertainty_m": draw(errors),
        **draw(maybe("weight_N_m", lengths)),
    }
    wire["to_m"] = draw(points.filter(lambda point: point != wire["from_m"]))
    box = {
        "kind": "box",
        "name": others[0],
        "centre_m": draw(points),
        "size_m": draw(st.tuples(lengths, lengths, lengths)),
    }
    box |= {
        "uncertainty_m": 0.0,
        "potential": draw(st.sampled_from(["earth", "floating", "A"])),
        **draw(maybe("heading_deg", numbers)),
    }
    stage = {"name": others[1], "kind": "climb", "travel_m": 5, "climb_m": draw(st.floats(0, 8)), "note": draw(notes)}
    stage |= draw(maybe("potentials", st.just({others[0]: "B"}))) | draw(maybe("lean_along_deg", leans))
    stage |= draw(maybe("clamp_m", points))
    if draw(st.booleans()):
        touching = {
            "kind": "contact",
            "bodies": (one, others[0]),
            "basis": "contact",
            "by": draw(names),
            "on": "2026-11-30",
        }
        tables["statements"] = [*tables["statements"], touching]
    # A reference holds names without blanks at their ends and without line breaks.
    if one == one.strip() and "\n" not in one:
        stage |= draw(maybe("clamp_m", numbers.map(lambda along: Reference(one, along))))
    # A clamp is stated where somebody is bonded.
    if "clamp_m" in stage:
        stage |= {"bonded": {"worker": "A"}, "bonding_lead_m": 1.0}
    rules = draw(maybe("rule_inputs", st.dictionaries(names, st.one_of(numbers, notes, st.booleans()), max_size=3)))
    return {**tables, **rules, "name": others[2], "notes": draw(st.lists(notes, max_size=2)), "wires": [wire],
            "solids": [box], "stages": [stage], "ladder": {**tables["ladder"], "bending_m": draw(bends)}}  # fmt: skip


@given(small_tables())
@settings(max_examples=60, deadline=None)
def test_random_small_scenes_read_back_as_themselves(tables):
    scene = Scene(**tables)
    found = again(scene)
    assert found.changed(path=None, folder=scene.folder) == scene
    assert found.sha256 == scene.sha256


# The digest


@pytest.fixture
def text():
    return small.text(structures=None, wires=[
        {"kind": "span", "name": "bus", "phase": "A", "from_m": [0, 0, 12], "to_m": [40, 0, 12], "diameter_m": 0.03,
         "sag_m": 10.3632},
    ])  # fmt: skip


def digest_of(text: str) -> str:
    return scene_of(text.encode(), Path("scene.toml")).sha256


def test_how_a_scene_is_written_does_not_matter(text):
    first = digest_of(text)
    assert first == Scene(**tomllib.loads(text)).sha256
    assert digest_of("vehicles = []\n" + text) == first
    lines = text.splitlines()
    assert digest_of("\n".join(["# a comment", *reversed(lines)])) == first
    # 34 ft is 10.3632 m by definition of the foot, and so is 10363.2 mm: one number, not two a rounding apart.
    for other in ("sag_ft = 34", "sag_mm = 10363.2", "sag_in = 408.0", "sag_cm = 1036.32"):
        assert "sag_m = 10.3632" in text
        assert digest_of(text.replace("sag_m = 10.3632", other)) == first


CHANGES = {
    "overvoltage": ("overvoltage_per_unit = 2.5", "overvoltage_per_unit = 2.6"),
    "who says so": ('overvoltage_by = "network studies"', 'overvoltage_by = "somebody else"'),
    "a sag by a hundredth of a millimetre": ("sag_m = 10.3632", "sag_m = 10.36321"),
    "what is asked": ('asks = "stages"', 'asks = "job"'),
    "a name": ('name = "bus"', 'name = "bar"'),
    "a default stated": ('posture = "standing"', 'posture = "standing", anew = false'),
    "a default stated otherwise": ('posture = "standing"', 'posture = "standing", anew = true'),
    "order of phases": ('phases = ["A", "B", "C"]', 'phases = ["A", "C", "B"]'),
}


@pytest.mark.parametrize("what", CHANGES)
def test_what_a_scene_says_does_matter(text, what):
    old, new = CHANGES[what]
    assert old in text
    assert digest_of(text.replace(old, new)) != digest_of(text)


def test_a_changed_scene_has_the_digest_of_the_same_scene_from_a_file(text):
    scene = scene_of(text.encode(), Path("scene.toml"))
    changed = scene.changed_entry("circuits", "bay", overvoltage_per_unit=2.6)
    assert changed.sha256 != scene.sha256
    assert changed.sha256 == digest_of(text.replace("overvoltage_per_unit = 2.5", "overvoltage_per_unit = 2.6"))
    assert changed.changed_entry("circuits", "bay", overvoltage_per_unit=2.5).sha256 == scene.sha256


def test_stages_that_jobs_expand_into_keep_the_digest_of_what_was_given():
    scene = read_scene(builtin_scene("job_three_phases"))
    found = expanded(scene)
    assert found.sha256 == scene.sha256
    narrower = found.stages[0].model_copy(update={"travel_m": Range(1.95, 2.05)})
    assert found.changed(stages=(narrower, *found.stages[1:])).sha256 != scene.sha256


def test_a_named_file_that_changes_is_seen_whenever_it_changes(tmp_path):
    heights = tmp_path / "heights.csv"
    ground = {"kind": "grid", "file": "heights.csv", "corner_m": [-60, -60], "spacing_m": 60, "uncertainty_m": 0.0}
    tables = {**tomllib.loads(small.text()), "ground": ground, "folder": tmp_path}
    seen = set()
    for height in range(8):  # as fast as it goes, and of one length
        heights.write_text(f"{height},0,0\n0,0,0\n0,0,0\n")
        seen.add(Scene(**tables).sha256)
    assert len(seen) == 8
    heights.unlink()
    with pytest.raises(InputError, match="ground: file: expected a file, found none at"):
        Scene(**tables)
