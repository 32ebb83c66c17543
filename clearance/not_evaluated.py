"""Owns what no verdict of this tool covers: of any scene, and of one in which certain things are done."""

from __future__ import annotations

from collections.abc import Iterator

from clearance.scene.records import AT_FOOT, Scene

NOT_EVALUATED = (
    "strength and overturning of ladder, structures and wires",
    "step and touch voltage",
    "lightning: the overvoltage taken covers switching only",
    "temperature and humidity of the air: the altitude factor does not cover them",
)
"""Of any scene."""

DEVICE = "strength and overturning of the aerial device"
NO_WEATHER = "wires in other weather: no [weather] is stated, so they hang as given, but for their uncertainty"
WALKS = "the way of whoever goes aloft over the ground, there and back"
EARTHS = "the head and the lead of the tool that earths: keep both away from what is live"
RESCUE = "where the rope that lowers a casualty hangs, and who holds it: keep it away from what is live"


def lines(scene: Scene, placed: bool) -> Iterator[str]:
    """What is not evaluated of a scene; placed: its wires hang over a range of weather."""
    if not placed:
        yield NO_WEATHER
    yield from NOT_EVALUATED
    if scene.aerial_device is not None:
        yield DEVICE
    kinds = {stage.kind for stage in scene.stages}
    if kinds & {*AT_FOOT}:
        yield WALKS
    if "earthing" in kinds:
        yield EARTHS
    if any(stage.rescue is not None for stage in scene.stages):
        yield RESCUE
