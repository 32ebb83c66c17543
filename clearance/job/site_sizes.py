"""Owns the sizes of what files hold: meshes, members, scans and grounds, none of which is written in the scene.

A file in another unit than the scene states is larger or smaller by far, and as what is too small it is missing from
every gap. Sizes are held to what is likely as the values of the scene are, and confirmed as they are, by the name of
the file.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from clearance.bodies import Body
from clearance.scene.assemble import Site
from clearance.scene.plausible import Given
from clearance.scene.plausible_values import OF_FILES
from clearance.scene.records import where

LONGEST: Final = "largest extent of what it holds"


def of_files(site: Site) -> Iterator[Given]:
    """The largest extent of every body that a file holds."""
    scene, bodies = site.scene, {body.name: body for body in site.bodies}
    entries = ((entry, bodies.get(entry.name)) for entry in (*scene.solids, *scene.structures, *scene.clouds))
    for entry, body in (*entries, (scene.ground, bodies.get("ground"))):
        field = "file" if getattr(entry, "file", None) is not None else "nodes"
        kind, file = type(entry).__name__, getattr(entry, field, None)
        if kind not in OF_FILES or file is None or body is None or not len(body.shape):
            continue
        yield Given(where(scene, entry)[-1], entry.word, field, (_extent_m(body),), OF_FILES[kind], file, LONGEST)


def _extent_m(body: Body) -> float:
    corners = body.shape.vertices.reshape(-1, 3)
    return float(np.ptp(corners, axis=0).max())
