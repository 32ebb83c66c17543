"""What hangs on a wire by reference is its load: where it goes, the wire springs, whether it is listed or not."""

from __future__ import annotations

from checked_scenes import result, scene

from clearance.pipeline import check, prepare


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


def test_what_is_said_of_its_movement_stands():
    """Where movement_m is stated nobody takes a load besides."""
    made = without_list()
    moved = ({"wire": "bus A", "movement_m": 0.6, "basis": "measured"},)
    told = tuple(one.model_copy(update={"disturbed": moved if one.released or one.off else ()}) for one in made.stages)
    stated = prepare(made.changed(stages=told)).site.scene
    assert all(not wire.loads for wire in stated.wires if wire.name == "bus A")
    assert any(wire.loads for wire in prepare(made).site.scene.wires if wire.name == "bus A")
