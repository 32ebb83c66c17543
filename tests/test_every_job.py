"""Every key of a job, changed, changes the stages that the job expands into, beyond what they are called.

That a stage's keys are judged is held in `test_every_key`; what the stages of a job are, in `test_job_templates`.
"""

from __future__ import annotations

from typing import Any, get_args

import pytest
import schema_walk
from every_key import FAR_B, TWO, changed, others, read
from small_scenes import WORKER, box

from clearance.errors import ClearanceError, InputError
from clearance.job.templates import expanded
from clearance.scene.records import Stage

AT_A, AT_B = [4.9, 5.1], [7.9, 8.1]
RAIL = box("rail A", [2, 1.5, 9.3], [2, 5, 0.1], "A")


def tail(name: str, y: float) -> dict[str, Any]:
    return {"kind": "jumper", "name": name, "phase": "A", "from_m": [2, y, 9], "to_m": [4, y, 5], "length_m": 4.8,
            "diameter_m": 0.03, "weight_N_m": 14.0,
            "release": {"free_end": "from", "lowered_to_m": [2, y, 6]}}  # fmt: skip


def turn(wire: str, station: list[float]) -> dict[str, Any]:
    moved = [{"wire": "bus A", "movement_m": 0.3, "basis": "estimate"}]
    return {"wire": wire, "station_m": station, "clamp_m": [1.0, 0, 9], "opened_m": 1.5, "lowered_m": 3.0,
            "by_at_m": [2.5, -4], "disturbed": moved}  # fmt: skip


BUS = {"kind": "span", "name": "bus A", "phase": "A", "from_m": [-20, 9, 12], "to_m": [20, 9, 12], "sag_m": 0.8,
       "diameter_m": 0.03}  # fmt: skip
SCENE = {
    "circuits": TWO,
    "solids": [FAR_B, RAIL, box("crate", [9, 3, 1], [1, 1, 1]), box("keg", [9, 7, 1], [1, 1, 1])],
    "wires": [tail("tail", 0.0), tail("other tail", 3.0), BUS],
    "workers": [WORKER, {**WORKER, "name": "mate"}],
    "crew": [{"name": name, "stature_m": 1.8, "at_m": [3, y]} for name, y in (("helper", -4), ("other helper", -6))],
    "stages": [
        {"name": name, "kind": "work", "workers": [], "travel_m": at} for name, at in (("look", 5), ("look again", 6))
    ],
}
LEANS = {"lean_along_deg": [-1, 1], "lean_across_deg": [-1, 1]}
ALOFT = {**LEANS, "worker": "worker", "mount_m": [0, 1], "clear_m": 3.0, "work_m": [4, 5], "bonding_lead_m": 2.0,
         "lanyard_m": 1.0, "swing_m": 0.5, "opened": "by hand", "open_m": [4, 4.5],
         "opening_distance_m": 1.5}  # fmt: skip
EARTHED = {"by": "helper", "stick_m": 2.5}
"""In a job aloft: the tail is earthed as soon as it is parked, and that earth removed before it is raised."""
OFF = {**ALOFT, "kind": "take off", "turns": [turn("tail", AT_A)]}
BOTH_OFF = {**OFF, "turns": [turn("tail", AT_A), turn("other tail", AT_B)]}
BACK = {**ALOFT, "kind": "reconnect", "turns": [turn("tail", AT_A)]}
EARTH = {**LEANS, "kind": "earth tail", "wires": ["tail"], "by": "helper", "stick_m": 2.5, "station_m": 6}
RESCUE = {**LEANS, "kind": "rescue", "worker": "worker", "phase": "A", "station_m": AT_A, "hang_m": [3, 4],
          "swing_m": 0.4, "ground_m": 1.2, "bonding_lead_m": 2.0, "clamp_m": [1.0, 0, 9], "off": ["tail"],
          "by": "helper", "by_at_m": [2, 3], "stick_m": 8.5, "rope_m": 9.0}  # fmt: skip
SET_UP = {"kind": "set up ladder", "lean_along_deg": [-80, 0], "lean_across_deg": [-1, 1], "station_m": 5}
BRING = {**LEANS, "kind": "bring", "name": "bring it", "bodies": ["crate"], "station_m": 6}
LOOK = {"kind": "written stages", "stages": ["look", "look again"]}

_MISSING: Any = object()

JOBS: dict[str, tuple[list[dict[str, Any]], dict[str, Any]]] = {
    "take off": ([{**OFF, **EARTHED}], {"worker": "mate", "wire": "other tail"}),
    "reconnect": ([{**BOTH_OFF, **EARTHED}, {**BACK, **EARTHED}], {"worker": "mate", "wire": "other tail"}),
    "earth tail": ([BOTH_OFF, EARTH], {"wires": ["other tail"]}),
    "remove earth": (
        [BOTH_OFF, {**EARTH, "wires": ["tail", "other tail"]}, {**EARTH, "kind": "remove earth"}],
        {"wires": ["other tail"], "kind": "earth tail"},
    ),
    "rescue": ([RESCUE], {"worker": "mate", "phase": "B", "off": None, "by": "other helper"}),
    "set up ladder": ([SET_UP], {"kind": "strike ladder"}),
    "move ladder": ([OFF, {**LEANS, "kind": "move ladder", "station_m": 7}], {}),
    "bring": ([SET_UP, BRING], {"bodies": ["keg"], "kind": "take away"}),
    "take away": ([BRING, {**BRING, "kind": "take away", "station_m": 7}], {"bodies": ["keg"]}),
    "written stages": ([LOOK], {"stages": ["look again", "look"]}),
}
"""By name: jobs, of which the last is looked at, and other values for keys of it; others are found by themselves."""

LABELS = {
    ("Bring", "name"): "what the stage is called",
    ("EarthTail", "by"): "who does it: held below",
    ("TakeOff", "by"): "who earths it: held below",
    ("Reconnect", "by"): "who removes that earth: held below",
    ("TakeOff", "opened"): "changed alone it is refused, as open_m goes with it: held below",
    ("Reconnect", "opened"): "changed alone it is refused, as open_m goes with it: held below",
}
KEYS = {key for key in schema_walk.of_module("records_templates") if key[0] != "Tested"} | {("SceneFile", "jobs")}


def table_of(name: str) -> dict[str, Any]:
    jobs, _ = JOBS[name]
    # Written stages have their place among jobs, all of them.
    return {**SCENE, "stages": SCENE["stages"] if name == "written stages" else [], "jobs": jobs}


def stages_of(folder, table: dict[str, Any]) -> list[dict[str, Any]]:
    """The stages of the jobs, without what they are called and what their notes say."""
    found = expanded(read(folder, table)).stages
    fields = [field for field in Stage.model_fields if field not in ("name", "note")]
    return [{field: getattr(stage, field) for field in fields} for stage in found]


def looked_at(name: str) -> dict[tuple[str, str], list[schema_walk.Place]]:
    """Keys of the last job of a scene, with their places."""
    table, found = table_of(name), dict[tuple[str, str], list[schema_walk.Place]]()
    for record, key, place in schema_walk.keys_of(table):
        if place[:2] == ("jobs", len(table["jobs"]) - 1) and record != "Disturbed":
            found.setdefault((record, key), []).append(place)
    return found


def test_every_key_of_a_job_is_in_a_scene_or_a_label():
    held = {key for name in JOBS for key in looked_at(name)} | {("SceneFile", "jobs")}
    assert held == KEYS
    words = {word for record, key in KEYS if key == "kind"
             for word in get_args(schema_walk.RECORDS[record].model_fields[key].annotation)}  # fmt: skip
    assert JOBS.keys() == words - {"strike ladder"}


@pytest.mark.parametrize("name", JOBS)
def test_every_key_of_a_job_changes_its_stages(name, tmp_path):
    table, (_, by_hand) = table_of(name), JOBS[name]
    before, silent = stages_of(tmp_path, table), []
    for (record, key), places in looked_at(name).items():
        if (record, key) in LABELS or (key == "kind" and key not in by_hand):
            continue
        field = schema_walk.RECORDS[record].model_fields[key]
        if not any(_other(tmp_path, table, place, field, by_hand.get(key, _MISSING), before) for place in places):
            silent.append(f"{record}.{key}")
    assert silent == [], "a change of these gives the same stages"


def _other(folder, table: dict[str, Any], place: schema_walk.Place, field: Any, by_hand: Any, before: Any) -> bool:
    """Whether another value at a place gives other stages."""
    value: Any = table
    for part in place:
        value = value[part]
    tables = isinstance(value, list) and isinstance(value[0], dict)
    if tables and field.is_required():
        return True  # judged by the keys of its entries
    values = [by_hand] if by_hand is not _MISSING else [[]] if tables else others(field.annotation, value)
    return any(_differs(folder, changed(table, place, other), before) for other in values)


def _differs(folder, table: dict[str, Any], before: list[dict[str, Any]]) -> bool:
    try:
        return stages_of(folder, table) != before
    except ClearanceError:
        return False  # a refusal shows that a value is looked at, not that it is used


@pytest.mark.parametrize("name", ["take off", "reconnect"])
def test_how_it_is_opened_changes_who_is_aloft_when_it_is(name, tmp_path):
    *jobs, last = table_of(name)["jobs"]
    rope = {key: value for key, value in {**last, "opened": "by stick or rope"}.items() if key != "open_m"}
    wanted = "open" if name == "take off" else "close"
    for job, by_hand in ((last, "worker"), (rope, None)):
        stages = stages_of(tmp_path, {**SCENE, "stages": [], "jobs": [*jobs, job]})
        stage = [one for one in stages if one["kind"] == wanted][-1]
        assert stage["by_hand"] == by_hand
        assert (stage["workers"] == ()) == (by_hand is None)
        assert (stage["climb_m"] is None) == (by_hand is None)


ABSENT = {"kind": "absent", "bodies": ["helper"], "basis": "plan", "by": "them", "on": "2026-05-04"}


@pytest.mark.parametrize("helper", ["helper", "other helper"])
def test_who_holds_the_remote_tool_is_there_when_it_is_used(helper, tmp_path):
    """Brought before it they are, brought after it not yet; stated as absent in another stage they are."""
    earth, bring = {**EARTH, "by": helper}, {**BRING, "bodies": ["helper"]}
    fine = [([bring, OFF, earth], []), ([OFF, earth], [{**ABSENT, "stages": ["open tail"]}])]
    wrong = [
        ([OFF, earth, bring], []),
        ([OFF, earth], [ABSENT]),
        ([OFF, earth], [{**ABSENT, "stages": ["earth tail"]}]),
    ]
    for jobs, said in fine:
        expanded(read(tmp_path, {**SCENE, "stages": [], "jobs": jobs, "statements": said}))
    for jobs, said in wrong:
        table = {**SCENE, "stages": [], "jobs": jobs, "statements": said}
        if helper != "helper":
            expanded(read(tmp_path, table))
            continue
        with pytest.raises(InputError) as caught:
            expanded(read(tmp_path, table))
        (mistake,) = caught.value.mistakes
        assert mistake.where[-2:] == ("job 2 (earth tail)", "by")
        assert mistake.found == "\"helper\", not there in stage 'earth tail'"


@pytest.mark.parametrize(
    ("jobs", "last", "done"),
    [([], OFF, "earth tail"), ([{**OFF, **EARTHED, "by": "other helper"}], BACK, "remove the earth of tail")],
    ids=["take off", "reconnect"],
)
def test_who_earths_a_tail_in_the_same_job_is_there_when_it_is_done(jobs, last, done, tmp_path):
    for by, stage, refused in (("helper", done, True), ("helper", "climb to A", False), ("other helper", done, False)):
        said = [{**ABSENT, "stages": [stage]}]
        table = {**SCENE, "stages": [], "jobs": [*jobs, {**last, **EARTHED, "by": by}], "statements": said}
        if not refused:
            assert done in [one.name for one in expanded(read(tmp_path, table)).stages]
            continue
        with pytest.raises(InputError) as caught:
            expanded(read(tmp_path, table))
        (mistake,) = caught.value.mistakes
        assert mistake.where[-2:] == (f"job {len(jobs) + 1} ({last['kind']})", "by")
        assert mistake.found == f"\"helper\", not there in stage '{done}'"
