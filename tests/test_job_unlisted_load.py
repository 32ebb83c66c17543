"""What hangs on a wire by reference is its load: where it goes and is not listed, the result is never clear."""

from __future__ import annotations

from checked_scenes import result, scene

from clearance.pipeline import check


def test_a_bus_whose_dropper_goes_is_not_clear_without_a_word_of_its_load():
    """The shipped scene is a breach by the bus that springs; with its list deleted it hangs as it was stated, and the
    breach is gone: what is left is told, with what would settle it."""
    listed = result("dropper_off_under_beam")
    assert listed.verdict == "breach"
    made = scene("dropper_off_under_beam")
    wires = tuple(wire.model_copy(update={"loads": ()}) if wire.name == "bus A" else wire for wire in made.wires)
    found = check(made.changed(wires=wires), withdraw=False)
    off = [one for one, stage in zip(found.stages, made.stages, strict=True) if stage.released or stage.off]
    assert off
    for one in off:
        (point,) = [point for point in one.open_points if point.where == "wire 'bus A'"]
        assert "dropper A hung on it and goes" in point.what
        assert "when_stated" in point.cure
        assert one.verdict != "clear"
    # Listed, or said to move so far, there is nothing to tell.
    assert not any(point.where == "wire 'bus A'" for one in listed.stages for point in one.open_points)
