"""What hangs on a wire by reference is its load: where it goes, the wire springs, whether it is listed or not."""

from __future__ import annotations

from checked_scenes import result, scene

from clearance.pipeline import check, prepare
from clearance.scene import unlisted
from clearance.scene.records import Disturbed, Reference


def without_list(**changes):
    made = scene("dropper_off_under_beam")
    (bus,) = (wire for wire in made.wires if wire.name == "bus A")
    bus = bus.model_copy(update={"loads": (), **changes})
    return made.changed(wires=tuple(bus if wire.name == "bus A" else wire for wire in made.wires))


def about_bus(points):
    return [point for point in points if point.where == "wire 'bus A'"]


def test_a_bus_springs_when_its_dropper_goes_whether_it_is_listed_or_not():
    """The shipped scene is a breach by the bus that springs; with its list deleted it is the same breach, stage by
    stage, and what was taken is told with what would settle it."""
    listed = result("dropper_off_under_beam")
    assert listed.verdict == "breach"
    found = check(without_list(), withdraw=False)
    assert [one.verdict for one in found.stages] == [one.verdict for one in listed.stages]
    for one, other in zip(found.stages, listed.stages, strict=True):
        assert [gap.posture.gap_lower_m for gap in one.gaps] == [gap.posture.gap_lower_m for gap in other.gaps]
    (point,) = about_bus(found.open_points)
    assert "dropper A hung on it and goes" in point.what
    assert "when_stated" in point.cure
    assert point.verdict != "clear"
    assert not about_bus(listed.open_points)
    # The scene that was judged is the one that was given.
    assert found.sha256 == without_list().sha256


def test_a_bus_that_cannot_be_solved_is_told_of_in_every_stage():
    """Without its conductor nothing says how it springs."""
    made = without_list(conductor=None)
    slow = tuple(one for one in made.statements if getattr(one, "wire", None) != "bus A")
    found = check(made.changed(statements=slow), withdraw=False)
    off = [one for one, stage in zip(found.stages, made.stages, strict=True) if stage.released or stage.off]
    assert off
    for one in off:
        (point,) = about_bus(one.open_points)
        assert "nothing says how it springs" in point.what
        assert one.verdict != "clear"
    assert not about_bus(found.open_points)


def moving(made, movement_m):
    """The scene with a movement of its bus stated wherever the dropper goes or is off."""
    said = (Disturbed(wire="bus A", movement_m=movement_m, basis="estimate"),)
    told = (one.model_copy(update={"disturbed": said if one.released or one.off else ()}) for one in made.stages)
    return made.changed(stages=tuple(told))


def test_the_larger_of_what_is_said_and_what_the_model_finds_is_taken():
    """2 mm in place of the 0.2 m that the bus springs made a breach clear; 0.6 m, which is more, is taken."""
    for movement_m, note in ((0.002, "the 0.002 m stated are less than that"), (0.6, "may move 0.6 m, as stated")):
        made = prepare(moving(without_list(), movement_m))
        bus = next(body for body in made.stages[0][0].bodies if body.name == "bus A")
        assert note in bus.note
        # The stated one thickens the bus; the model's moves it.
        assert (bus.link is None) == (movement_m == 0.6)


def test_a_bus_without_its_conductor_hangs_as_with_its_load_where_its_weight_is_known():
    """Drawn down at the dropper it hangs higher beside it than a smooth curve of the same sag does: without the list it
    was taken as that, and nobody was told."""
    unknown = moving(without_list(conductor=None), 0.6)
    bus = next(wire for wire in scene("dropper_off_under_beam").wires if wire.name == "bus A")
    listed = bus.model_copy(update={"conductor": None})
    wires = tuple(listed if wire.name == "bus A" else wire for wire in unknown.wires)
    one, other = (check(made, 0.05, withdraw=False) for made in (unknown, unknown.changed(wires=wires)))
    gaps = [[gap.posture.gap_lower_m for found in result.stages for gap in found.gaps] for result in (one, other)]
    assert gaps[0] == gaps[1]
    (point,) = about_bus(one.open_points)
    assert point.verdict == "undecided"
    assert "dropper A hung on it and goes" in point.what
    assert about_bus(other.open_points) == []
    # Of a bus whose weight nobody states either, no shape with its load can be had: what is stated of it stands.
    light = unknown.changed(wires=tuple(
        wire.model_copy(update={"weight_N_m": None}) if wire.name == "bus A" else wire for wire in unknown.wires
    ))  # fmt: skip
    assert unlisted.with_loads(light) is light


def test_a_stated_movement_stands_only_where_no_model_can_be_had():
    """With its conductor known and measured sags, which no loads go with, the bus is to be solved; with no conductor it
    cannot be, and at its end, or twice on it, a dropper is no load at a point."""
    made = without_list()
    bus, dropper = (wire for wire in made.wires if wire.name in ("bus A", "dropper A"))
    for conductor, ends, said in (
        ("Drake", {"from_m": Reference("bus A", 24.6)}, False),
        (None, {"from_m": Reference("bus A", 24.6)}, True),
        ("Drake", {"from_m": Reference("bus A", end="end")}, True),
        ("Drake", {"from_m": Reference("bus A", 24.6), "to_m": Reference("bus A", 30.0)}, True),
    ):
        host = bus.model_copy(update={"conductor": conductor, "weight_N_m": 15.97})
        hung = dropper.model_copy(update=ends)
        told = {"bus A": host, "dropper A": hung}
        scene_ = made.model_copy(update={"wires": tuple(told.get(wire.name, wire) for wire in made.wires)})
        assert unlisted.host_of(scene_, "dropper A") == host
        assert unlisted.stands(scene_, host, "dropper A") == said
