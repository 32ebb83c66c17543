"""Laws of a whole scene, from its file to its verdicts: what makes a scene worse, or says less of it, never makes it
better. Nothing that was not clear becomes clear, and no margin is proved beyond what was seen before."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from hypothesis import assume, note
from hypothesis import strategies as st
from judged_scenes import Judged, before_of, cleared, judged, never_better, placed, risen, without
from law_scenes import SWEPT, Table, law, numbers, poles, scenes, solids
from schema_walk import RECORDS, Place, keys_of

SITUATION = {
    ("SceneFile", "structures"), ("SceneFile", "wires"), ("SceneFile", "insulators"), ("SceneFile", "solids"),
    ("SceneFile", "vehicles"), ("SceneFile", "ropes"), ("Ladder", "fittings"), ("Pole", "crossarms"), ("Stage", "off"),
    ("Stage", "heading_deg"),
}  # fmt: skip
"""What is there, or is done: without it another site, or another step of the job, is described in full, and nothing in
the file could tell. Of weather, crew and tools a scene says that there are none; what somebody must hold, or a wire
must hang on, is missed."""


def optional_keys(table: Table) -> Iterator[Place]:
    """The places of keys that a file may leave out; without any other it is refused."""
    for record, key, place in keys_of(table):
        if key != "name" and not RECORDS[record].model_fields[key].is_required() and (record, key) not in SITUATION:
            yield place


def never_helps(table: Table, before: Judged, place: Place) -> None:
    """A key left out: what is taken for it may be better in itself, and then the whole is not clear and says so."""
    note(f"without {place}")
    after = judged(without(table, place))
    if isinstance(after, str):
        return
    assert after.verdicts[""] != "clear" or before.verdicts[""] == "clear"
    if better := risen(after, before):
        assert after.unsettled - before.unsettled, better
        assert after.verdicts[""] != "clear"


@law(2, scenes, st.data())
def test_a_key_that_is_forgotten(table: Table, data: st.DataObject) -> None:
    before, places = before_of(table), list(optional_keys(table))
    for place in data.draw(st.lists(st.sampled_from(places), min_size=4, max_size=4, unique=True)):
        never_helps(table, before, place)


@law(1, scenes)
def test_a_statement_that_is_withdrawn(table: Table) -> None:
    before = before_of(table)
    for number, said in enumerate(table["statements"]):
        note(f"without {said}")
        if said["kind"] == "insulating":
            # What conducts goes into chains of another kind of gap, so that a longer one may be the least of its kind.
            after = judged(without(table, ("statements", number)))
            assert isinstance(after, str) or not list(cleared(after, before))
            continue
        never_better(judged(without(table, ("statements", number))), before, said["kind"] == "restrained reach")


def _conducting(table: Table) -> Iterator[tuple[Place, Any]]:
    """Places in a scene where something insulates, and a value with which more of it conducts."""
    if ladder := table.get("ladder"):
        top = ladder["length_m"]
        yield ("ladder", "insulating_to_m"), top - 1.5
        yield ("ladder", "insulating_from_m"), 2.5
        hook = {"name": "clamp", "from_m": top - 1.0, "to_m": top - 0.8, "radius_m": 0.35, "potential": "floating"}
        yield ("ladder", "fittings"), [*ladder.get("fittings", ()), hook]
        yield ("ladder", "platform_m"), 3.0
    if "aerial_device" in table:
        yield ("aerial_device", "wet_or_dirty_m"), 0.4
    for number, _ in enumerate(table["crew"]):
        yield ("crew", number, "tool_m"), 1.2
    for number, said in enumerate(table["statements"]):
        if said["kind"] == "insulating":
            yield ("statements", number), None


@law(2, scenes, st.data())
def test_a_body_that_is_made_conductive(table: Table, data: st.DataObject) -> None:
    before = before_of(table)
    for place, value in data.draw(st.lists(st.sampled_from(list(_conducting(table))), min_size=1, max_size=2)):
        note(f"{place}: {value}")
        worse = without(table, place) if value is None else placed(table, place, value)
        never_better(judged(worse), before)


@law(2, scenes, st.data())
def test_a_range_that_is_widened(table: Table, data: st.DataObject) -> None:
    """The scenes have one stage, so that nothing has to meet it."""
    before, (stage,) = before_of(table), table["stages"]
    ranges = {key: stage[key] for key in SWEPT if key in stage}
    assume(ranges)
    for key in data.draw(st.lists(st.sampled_from(sorted(ranges)), min_size=1, max_size=3, unique=True)):
        low, high = ranges[key]
        most = 4.0 if key.endswith("deg") else 0.3
        ranges[key] = [low - data.draw(numbers(0.0, most)), high + data.draw(numbers(0.0, most))]
    note(f"{ranges}")
    never_better(judged({**table, "stages": [{**stage, **ranges}]}), before)


UNSURE = {
    ("ladder", "bending_m"): 0.2, ("ladder", "wet_or_dirty_m"): 0.4, ("ladder", "foot_radius_m"): 0.2,
    ("track", "settlement_m"): 0.05, ("track", "fit_m"): 0.3,
    ("workers", "trunk_lean_m"): 0.2, ("workers", "helmet_m"): 0.03, ("workers", "hanging_m"): 0.3,
    ("crew", "radius_m"): 0.5, ("crew", "suit_m"): 0.04, ("crew", "helmet_m"): 0.03, ("vehicles", "radius_m"): 0.5,
    ("ropes", "slack_m"): 0.3, ("aerial_device", "room_m"): 0.2, ("aerial_device", "bending_m"): 0.2,
    ("release", "trails_m"): 0.5, ("release", "trapped_per_unit"): 0.5, ("release ropes", "sag_m"): 0.3,
    ("disturbed", "movement_m"): 0.3,
    ("ground", "uncertainty_m"): 0.2, ("structures", "uncertainty_m"): 0.2, ("solids", "uncertainty_m"): 0.2,
    ("wires", "uncertainty_m"): 0.2,
}  # fmt: skip
"""What says how much is not known of a place, size or shape, and how much more may not be. Suit and boots of somebody
aloft are no such thing: they set him off from the ladder."""


def unsure(table: Table) -> dict[Place, float]:
    """Places in a scene of what says how much is not known, and larger values; those left out that may be stated."""
    found: dict[Place, float] = {}
    for (name, key), more in UNSURE.items():
        for place, entry in _entries(table, name):
            if key in entry or key == "fit_m":
                found[*place, key] = round(entry.get(key, 0.2) + more, 3)
    return found


def _entries(table: Table, name: str) -> Iterator[tuple[Place, Table]]:
    if name.startswith("release"):
        for number, wire in enumerate(table["wires"]):
            if release := wire.get("release"):
                place = ("wires", number, "release")
                nested = [((*place, "ropes", k), rope) for k, rope in enumerate(release["ropes"])]
                yield from nested if name == "release ropes" else [(place, release)]
    elif name == "disturbed":
        for number, entry in enumerate(table["stages"][0].get(name, ())):
            yield ("stages", 0, name, number), entry
    elif isinstance(table.get(name), dict):
        yield (name,), table[name]
    else:
        yield from (((name, number), entry) for number, entry in enumerate(table.get(name, ())))


@law(3, scenes, st.data())
def test_uncertainty_that_is_added(table: Table, data: st.DataObject) -> None:
    before, worse, found = before_of(table), table, unsure(table)
    for place in data.draw(st.lists(st.sampled_from(sorted(found, key=str)), min_size=1, max_size=4, unique=True)):
        note(f"{place}: {found[place]}")
        worse = placed(worse, place, found[place])
    never_better(judged(worse), before)


@law(
    2,
    scenes,
    st.one_of(solids("crate", ("earth", "floating", "A", "B", "C")), poles.map(lambda one: {**one, "name": "crate"})),
)
def test_a_body_that_is_added(table: Table, body: Table) -> None:
    note(f"{body}")
    before = before_of(table)
    kind = "structures" if body["kind"] == "pole" else "solids"
    never_better(judged({**table, kind: [*table.get(kind, ()), body]}), before)


@law(2, scenes, numbers(0.05, 0.8))
def test_an_overvoltage_that_is_raised(table: Table, more: float) -> None:
    """Limits may drop by 0.1 mm at a joint of a curve: far below what margins are compared to."""
    before = before_of(table)
    per_unit = table["circuits"][0]["overvoltage_per_unit"] + more
    never_better(judged(placed(table, ("circuits", 0, "overvoltage_per_unit"), per_unit)), before)


@law(1, scenes, numbers(100.0, 2500.0))
def test_an_altitude_that_is_raised(table: Table, more: float) -> None:
    """The scenes have no weather, so that the wind's load is held."""
    before = before_of(table)
    high = table["altitude_m"] + more
    never_better(judged({**table, "altitude_m": high, "origin": {"height_m": high}}), before)
