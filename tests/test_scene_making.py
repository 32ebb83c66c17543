"""A scene made or changed in Python is checked as one from a file is, in the same words; no way round it."""

from __future__ import annotations

import copy
import pickle
import tomllib
from pathlib import Path

import numpy as np
import pytest
import small_scenes as small
from pydantic import ValidationError
from test_scene_messages import FOLDER, SCENES, said_in

from clearance.errors import InputError
from clearance.job.carried import taken_over
from clearance.job.templates import expanded
from clearance.scene.builtin import builtin_scene
from clearance.scene.reading import read_scene
from clearance.scene.records import Circuit, Jumper, Origin, Range, Reference, Scene, SpanWire, Stage, Track

NOT_TOML = ("syntax",)
"""Wrong scenes that only a file can be: this one is no TOML."""


def after_the_place(said: str) -> list[str]:
    """The lines of a message without what stands for the file."""
    return [line.split(": ", 1)[1] for line in said.splitlines()]


@pytest.fixture
def whole():
    return read_scene(FOLDER / "whole" / "whole.toml")


@pytest.mark.parametrize(
    "path", [path for path in SCENES if path.stem not in ("nothing_wrong", *NOT_TOML)], ids=lambda path: path.stem
)
def test_a_wrong_scene_says_the_same_from_python(path, monkeypatch):
    monkeypatch.chdir(FOLDER)
    tables = tomllib.loads(path.read_text())
    with pytest.raises(InputError) as caught:
        Scene(**tables)
    assert after_the_place(str(caught.value)) == after_the_place(said_in(path))
    name = tables.get("name")
    place = f"scene '{name}': " if isinstance(name, str) else "scene: "
    assert all(line.startswith(place) for line in str(caught.value).splitlines())
    with pytest.raises(InputError) as again:
        Scene.model_validate(tables)
    assert str(again.value) == str(caught.value)


@pytest.mark.parametrize("key", ["path", "folder"])
def test_where_a_scene_lies_is_no_key_of_a_file(key, tmp_path):
    path = tmp_path / "scene.toml"
    path.write_text(f'{key} = "/etc"\n' + (FOLDER / "nothing_wrong.toml").read_text())
    with pytest.raises(InputError, match=rf'expected an entry known here, found the unknown key "{key}"'):
        read_scene(path)


def ways(scene, **tables):
    """Every way of changing a scene that Python offers, with what it should come to."""
    yield lambda: scene.changed(**tables)
    yield lambda: scene.model_copy(update=tables)
    yield lambda: scene.model_copy(update=tables, deep=True)
    yield lambda: Scene(**{name: getattr(scene, name) for name in Scene.model_fields} | tables)
    yield lambda: Scene.model_validate({name: getattr(scene, name) for name in Scene.model_fields} | tables)
    if hasattr(copy, "replace"):
        yield lambda: copy.replace(scene, **tables)


def refused(scene, words, **tables):
    """Refused each way, and for this reason first."""
    for way in ways(scene, **tables):
        with pytest.raises(InputError) as caught:
            way()
        assert words in str(caught.value.mistakes[0])


# The five below came out "clear of limit" when they were made with model_copy.


def test_a_duplicate_wire_is_refused(whole):
    lowered = whole.wires[0].model_copy(update={"sag_m": None, "horizontal_tension_kN": 3.0})
    words = "body 'bus A from string': name: expected one body of this name, found 2 (in made for wire 'bus A')"
    refused(whole, words, wires=(*whole.wires, lowered))
    assert len(whole.changed(wires=whole.wires).wires) == len(whole.wires)


def test_sag_and_tension_both_are_refused(whole):
    both = whole.wires[0].model_copy(update={"sag_m": 2.0})
    words = "found horizontal_tension_kN and sag_m. Keep one"
    refused(whole, words, wires=(both, *whole.wires[1:]))
    with pytest.raises(InputError, match="horizontal_tension_kN and sag_m"):
        whole.changed_entry("wires", "bus A", sag_m=2.0)
    one = whole.changed_entry("wires", "bus A", sag_m=2.0, horizontal_tension_kN=None)
    assert (one.wires[0].sag_m, one.wires[0].horizontal_tension_kN) == (2.0, None)


def test_a_reversed_range_is_refused(whole):
    for found in ((2.0, 1.0), np.array([2.0, 1.0])):
        with pytest.raises(InputError, match=r"found \[2.0, 1.0\]. The range is given backwards: write \[1.0, 2.0\]"):
            Range(*found)
    for found in ((0.0, float("nan")), (float("-inf"), 0.0), (0.0, "1"), (False, True)):
        with pytest.raises(InputError, match="expected two finite numbers"):
            Range(*found)
    stage = whole.stages[1].model_copy(update={"climb_m": (5.0, 4.0)})
    refused(whole, "write [4, 5]", stages=(whole.stages[0], stage, *whole.stages[2:]))
    assert Range(1, 1) == Range(1.0, 1.0)


def test_an_unknown_name_in_absent_is_refused(whole):
    said = next(entry for entry in whole.statements if entry.kind == "absent")
    others = tuple(entry for entry in whole.statements if entry is not said)
    wrong = said.model_copy(update={"bodies": ("gantri",)})
    refused(whole, 'bodies: expected a body of this scene, found "gantri"', statements=(*others, wrong))
    assert whole.changed(statements=(*others, said))


def test_an_unknown_phase_is_refused_in_words(whole):
    wire = whole.wires[0].model_copy(update={"phase": "D"})
    refused(whole, "wire 'bus A': phase: expected a phase", wires=(wire, *whole.wires[1:]))


def test_a_record_changed_deep_inside_is_checked_again(whole):
    """`model_copy` of pydantic checks nothing: what it made is checked where it is used."""
    release = whole.wires[1].release.model_copy(update={"drop_zone_m": -1.0})
    wire = whole.wires[1].model_copy(update={"release": release})
    words = "wire 'dropper A': release: drop_zone_m: expected a number of at least 0"
    refused(whole, words, wires=(whole.wires[0], wire, *whole.wires[2:]))
    with pytest.raises(ValidationError):
        Jumper(**dict(whole.wires[1]) | {"release": release})
    place = whole.wires[1].release.model_copy(update={"lowered_to_m": np.array([0, 4, 2])})
    assert Jumper(**dict(whole.wires[1]) | {"release": place}) == whole.wires[1]
    unknown = whole.wires[0].model_copy(update={"sagg_m": 1.0})
    refused(whole, 'found the unknown key "sagg_m"', wires=(unknown, *whole.wires[1:]))


def test_several_mistakes_are_told_together(whole):
    wire = whole.wires[0].model_copy(update={"phase": "D", "diameter_m": -1.0})
    with pytest.raises(InputError) as caught:
        whole.changed(wires=(wire, *whole.wires[1:]), altitude_m=99_000.0, frequency_Hz=float("nan"))
    assert len(caught.value.mistakes) == 3  # of a wrong wire its phase is not looked at


def test_there_is_no_unchecked_way(whole):
    with pytest.raises(TypeError, match="changed"):
        whole.copy(update={"wires": ()})
    with pytest.raises(TypeError, match="changed"):
        Scene.model_construct(name="bay")
    with pytest.raises(ValidationError, match="frozen"):
        whole.wires = ()


def test_tables_within_records_are_frozen_too(whole):
    stage = whole.stages[1]
    for table in (stage.potentials, stage.bonded, whole.rule_inputs):
        for change in (
            lambda table=table: table.__setitem__("ground", "A"),
            lambda table=table: table.update(ground="A"),
            lambda table=table: table.setdefault("ground", "A"),
            lambda table=table: table.__ior__({"ground": "A"}),
            lambda table=table: table.clear(),
        ):
            with pytest.raises(TypeError, match="frozen"):
                change()
    assert copy.deepcopy(whole) == whole == pickle.loads(pickle.dumps(whole))
    assert pickle.loads(pickle.dumps(whole)).sha256 == whole.sha256


def test_one_entry_is_changed_by_its_name(whole):
    assert whole.changed_entry("wires", "bus A", diameter_m=0.03).wires[0].diameter_m == 0.03
    assert whole.changed_entry("wires", "bus A", diameter_mm=31).wires[0].diameter_m == 0.031
    assert whole.changed_entry("weather", wind_m_s=np.array([0, 4])).weather.wind_m_s == Range(0.0, 4.0)
    assert whole.changed_entry("ladder", clear_m=None).ladder.clear_m is None
    assert whole.changed(origin=None).origin == Origin()
    for table, name in (("wires", "bus Z"), ("wires", None), ("ladder", "laddr"), ("name", "bay"), ("wirez", "bus A")):
        with pytest.raises(InputError, match=f"{table}: expected the name of an entry"):
            whole.changed_entry(table, name, diameter_m=0.03)


def test_a_change_leaves_the_rest_and_the_place(whole):
    found = whole.changed(altitude_m=12.0)
    assert (found.path, found.folder) == (whole.path, whole.folder)
    assert found.altitude_m == 12.0
    assert found.changed(altitude_m=whole.altitude_m) == whole


def test_arrays_and_numpy_numbers_go_wherever_points_and_ranges_do():
    tables = tomllib.loads(small.text())
    track = Track(points_m=np.array([[0, -5], [0, 5]]), heading_deg=np.float32(0), settlement_m=0)
    assert track.points_m == ((0.0, -5.0), (0.0, 5.0))
    wire = {
        "kind": "span", "name": "bus", "phase": "A", "diameter_m": np.float64(0.03), "uncertainty_m": np.int64(0),
        "from_m": np.array([-20.0, 0, 12]), "to_m": np.array([20, 0, 12]), "sag_ft": np.array(2),
    }  # fmt: skip
    stages = [Stage(name="climb", kind="climb", travel_m=np.array([4.9, 5.1]), climb_m=np.float64(3.0))]
    scene = Scene(**tables | {"track": track, "wires": [wire], "stages": stages})
    listed = {**wire, "diameter_m": 0.03, "uncertainty_m": 0, "from_m": [-20, 0, 12], "to_m": [20, 0, 12], "sag_ft": 2}
    plain = [{"name": "climb", "kind": "climb", "travel_m": [4.9, 5.1], "climb_m": 3.0}]
    assert scene == Scene(**tables | {"wires": [listed], "stages": plain})
    assert {type(v) for v in (*scene.wires[0].from_m, scene.wires[0].diameter_m, scene.wires[0].sag_m)} == {float}
    for wrong in (np.array([1.0, np.nan, 3.0]), np.array([1.0, 2.0]), np.ones((1, 3)), np.array([True, True, True])):
        with pytest.raises(InputError, match="wire 'bus': from_m: expected three"):
            Scene(**tables | {"wires": [{**wire, "from_m": wrong}]})


@pytest.mark.parametrize(
    "given",
    [("bus A",), ("bus A", 1.0, "end"), ("bus A", float("inf")), ("bus A", None, "middle"), (" bus", 1.0), ("", 1.0)],
)
def test_a_reference_that_no_file_could_spell_is_refused(given):
    with pytest.raises(InputError, match="reference"):
        Reference(*given)
    assert Reference("bus A", np.float64(1.0)) == Reference("bus A", 1.0)


def test_a_single_record_is_checked_when_it_is_made():
    circuit = {"name": "bay", "phases": ["A", "B"], "nominal_kV": 220}
    assert Circuit(**circuit).phases == ("A", "B")
    with pytest.raises(ValidationError):
        Circuit(**circuit | {"nominal_kV": np.inf})
    with pytest.raises(ValidationError):
        SpanWire(kind="span", name="bus")


def test_what_is_no_table_is_refused():
    with pytest.raises(InputError, match="scene: expected tables by their names, found 3"):
        Scene.model_validate(3)
    with pytest.raises(InputError, match="scene: folder: expected a path, found 3"):
        Scene(**tomllib.loads(small.text()), folder=3)
    assert Scene(**tomllib.loads(small.text()), path="/there/scene.toml").folder == Path("/there")


def test_steps_of_a_job_are_checked_too_and_keep_what_they_took_over():
    scene = read_scene(builtin_scene("job_three_phases"))
    job = taken_over(expanded(scene))
    assert job.sha256 == scene.sha256
    at = next(k for k, stage in enumerate(job.stages) if stage.before is not None)
    again = job.with_steps(job.stages[at : at + 1])
    assert again.stages == job.stages[at : at + 1]
    assert again.stages[0].before is not None
    narrower = job.stages[at].model_copy(update={"travel_m": Range(1.95, 2.0)})
    steps = (*job.stages[:at], narrower, *job.stages[at + 1 :])
    assert job.with_steps(steps).sha256 not in (scene.sha256, again.sha256)
    assert job.with_steps(job.stages).sha256 == scene.sha256
    for change, words in (
        ({"climb_m": Range(1.0, 99.0)}, "climb_m: expected heights between 0 and the ladder's length"),
        ({"climb_m": (3.0, 2.0)}, "climb_m: expected a range"),
        ({"bonded": {"worker": "D"}}, "bonded: expected a phase"),
        ({"clime_m": 1.0}, 'found the unknown key "clime_m"'),
    ):
        with pytest.raises(InputError) as caught:
            job.with_steps((job.stages[at].model_copy(update=change),))
        assert words in str(caught.value)
        assert f"stage '{job.stages[at].name}'" in str(caught.value)
