"""Owns the height of the scene against its altitude: two entries that say how high the site lies must not contradict
one another, since the air thins with height and limits grow with it.

The origin gives the height of the scene's zero above the datum of the map, the ground its own height above that zero.
Where no height of the origin is stated the scene's zero may lie anywhere, but for a scene whose ground is itself so far
from zero that its heights are those of a datum.
"""

from __future__ import annotations

from collections.abc import Iterator

from clearance.errors import Mistake
from clearance.result import OpenPoint
from clearance.scene.assemble import Site
from clearance.scene.plausible import confirmed, confirming
from clearance.scene.records import where

APART_M = 100.0
"""[m] A height above a datum and an altitude above the sea may differ so much: datums of the one country and the other,
and ellipsoids, lie up to about so far from mean sea level (common practice, no source). In the rules' altitude factors
it is about one part in a hundred."""


def _apart(site: Site) -> tuple[float, float, str] | None:
    """The lowest and highest ground above the datum [m], and in words, where the altitude contradicts them."""
    scene = site.scene
    heights = site.ground.shape.vertices[..., 2]
    low, high = float(heights.min()), float(heights.max())
    if "height_m" not in scene.origin.model_fields_set and low >= -APART_M and high <= APART_M:
        return None
    low, high = low + scene.origin.height_m, high + scene.origin.height_m
    if low - APART_M <= scene.altitude_m <= high + APART_M:
        return None
    return low, high, f"{low:.0f} m" if high - low < 1.0 else f"{low:.0f} to {high:.0f} m"


def refusals(site: Site) -> Iterator[Mistake]:
    """A contradiction between origin, ground and altitude, where no other datum is named."""
    scene = site.scene
    found = _apart(site)
    if found is not None and scene.origin.vertical is None:
        remedy = f"the ground lies at {found[2]} by origin and ground: mend one of them, or name the datum in vertical"
        expected = f"an altitude within {APART_M:g} m of the ground's height"
        yield Mistake(where(scene, None, "altitude_m"), expected, f"{scene.altitude_m:g} m", remedy)


def open_points(site: Site) -> Iterator[OpenPoint]:
    """The same where a datum is named: undecided until somebody confirms the height of the origin."""
    scene = site.scene
    found = _apart(site)
    if found is None or scene.origin.vertical is None or confirmed(scene, "origin", "height_m", scene.origin.height_m):
        return
    what = (
        f"the ground lies at {found[2]} above {scene.origin.vertical}, the altitude is {scene.altitude_m:g} m: limits "
        "grow with the altitude"
    )
    cure = f"mend height_m or altitude_m, or {confirming('origin', 'height_m', scene.origin.height_m)}"
    yield OpenPoint("origin", what, cure)
