"""Owns the zones a page shows: who there is in each stage, coarse surfaces for them, and how these are packed.

What stands still differs from stage to stage, and mostly does not: a surface is made once for every set of bodies it
depends on, and stands in the file once. It is deflated, and unpacked by the page when it is first shown.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import os
import zlib
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.job.setting import Setting
from clearance.pipeline import Prepared
from clearance.report.numbers import up
from clearance.scene.records import Stage, aloft
from clearance.shapes import Shape
from clearance.view.geometry import Floats, quantised, unpacked
from clearance.zones import Need, Person, Zone, ball_of, counted_at, needs_of, region_of, zones_of

STEPS_M: Final = (0.3, 0.4, 0.5, 0.6, 0.7)
"""[m] How fine a zone in a page is: the finest of these that fits, else the coarsest. With that the margin on no
surface of the scenes that come along is a metre or more."""

BEYOND_M: Final = 3.5
"""[m] Zones in a page reach this far to each side of the track, or of what moves where there is none."""

PICTURED_TRIANGLES: Final = 80_000
"""Triangles of one zone in a picture, which is not sent anywhere."""

MOST_TRIANGLES: Final = 7_000
"""Triangles of one zone in a page up to which it is made finer: about 4 bytes each in the file."""


@dataclass(frozen=True, eq=False)
class PageZone:
    """A zone of a page, and the indices of the stages it holds in."""

    zone: Zone
    stages: tuple[int, ...]


def persons_of(prepared: Prepared, stage: Stage) -> list[Person]:
    """Who there is in a stage: somebody on the ground always; aloft, the worker floating (also where the bond is lost)
    with all of the reach, and bonded to each phase that is bonded to."""
    found = [Person("earth")]
    if aloft(prepared.site.scene, stage) and prepared.site.scene.workers:
        found.append(Person("floating", "", ball_of(prepared.site.scene)[1]))
        found += [Person("bonded", phase) for phase in dict.fromkeys(stage.bonded.values())]
    return found


def page_zones(prepared: Prepared, most: int = MOST_TRIANGLES) -> list[PageZone]:
    """Zones to look at in a page, of everybody in every stage; none where nobody goes aloft or nothing moves.

    most: triangles of one zone, which says how fine it may be
    """
    region = region_of_job(prepared)
    if region is None or not prepared.site.scene.workers:
        return []
    digests: dict[Shape, str] = {}
    there = [
        (number, pieces[0], person, _depends_on(prepared, pieces[0], person, digests))
        for number, (stage, pieces) in enumerate(zip(prepared.site.scene.stages, prepared.stages, strict=True))
        for person in persons_of(prepared, stage)
    ]
    distinct = {key: (setting, person) for _, setting, person, key in reversed(there)}
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        zones = pool.map(lambda one: _coarse(prepared, one[0], one[1], region, most), distinct.values())
        made = dict(zip(distinct, zones, strict=True))
    held: dict[tuple[object, str, tuple[str, ...]], PageZone] = {}
    for number, setting, _, key in there:
        left_out = counted_at(setting).left_out
        for zone in made[key]:
            place = (key, zone.name, left_out)
            if place not in held:
                held[place] = PageZone(replace(zone, left_out=left_out), ())
            held[place] = replace(held[place], stages=(*held[place].stages, number))
    return list(held.values())


def region_of_job(prepared: Prepared) -> tuple[Floats, Floats] | None:
    """Lowest and highest corner of the places of work of all stages; None where there is none."""
    found = []
    for pieces in prepared.stages:
        with contextlib.suppress(InputError):
            found.append(region_of(prepared.site, pieces[0], BEYOND_M))
    if not found:
        return None
    return np.min([low for low, _ in found], axis=0), np.max([high for _, high in found], axis=0)


def _depends_on(prepared: Prepared, setting: Setting, person: Person, digests: dict[Shape, str]) -> object:
    """All that the surfaces of a person depend on: the distances to be kept, and the bodies they are counted from."""
    needs = [need for group in needs_of(prepared.site, person).values() for need in group]
    counted = counted_at(setting).bodies
    ends = {end for need in needs for end in need.ends}
    bodies = frozenset(
        (_digest(body.shape, digests), end)
        for body in counted
        for end in ends
        if end in _states(body.potential, body.states, ends)
    )
    return person, tuple(needs), bodies


def _digest(shape: Shape, digests: dict[Shape, str]) -> str:
    if shape not in digests:
        found = hashlib.sha256()
        for values in (shape.vertices, shape.corners, shape.radius, shape.uncertainty):
            found.update(np.ascontiguousarray(values).tobytes())
        digests[shape] = found.hexdigest()
    return digests[shape]


def _states(potential: str | None, states: tuple[tuple[str, str | None], ...], ends: set[str]) -> set[str]:
    found = {potential, *(other for _, other in states)}
    return ends if None in found else {str(one) for one in found}


def _coarse(
    prepared: Prepared, setting: Setting, person: Person, region: tuple[Floats, Floats], allowed: int
) -> list[Zone]:
    """The zones of a person, as fine as fits, else at the coarsest step; one that holds nothing here is left out."""
    made = zones_of(prepared.site, setting, person, STEPS_M[-1], region)
    most = max((len(zone.mesh.faces) for zone in made), default=0)
    # Triangles grow with the square of the fineness; a surface that comes out finer than hoped is made once more.
    for step_m in STEPS_M[:-1]:
        if most * (STEPS_M[-1] / step_m) ** 2 > 0.9 * allowed:
            continue
        finer = zones_of(prepared.site, setting, person, step_m, region)
        if all(len(zone.mesh.faces) <= allowed for zone in finer):
            made = finer
            break
    return [zone for zone in made if len(zone.mesh.faces)]


def packed_zones(zones: Sequence[PageZone], offset: Floats) -> dict[str, Any]:
    """Zones as the page takes them: "zones", and the distinct "surfaces" they show."""
    surfaces: list[dict[str, Any]] = []
    known: dict[bytes, int] = {}
    made = []
    for shown in zones:
        mesh = shown.zone.mesh
        key = mesh.vertices.tobytes() + mesh.faces.tobytes()
        if key not in known:
            known[key] = len(surfaces)
            surfaces.append(_surface(mesh.vertices - offset, mesh.faces))
        made.append(
            {
                "title": shown.zone.title,
                "exposure": shown.zone.exposure,
                "limits": sorted({_limit(need) for need in shown.zone.needs}),
                "excess_m": up(mesh.excess_m, 2),
                "cut": mesh.cut,
                "left_out": list(shown.zone.left_out),
                "stages": list(shown.stages),
                "surface": known[key],
            }
        )
    return {"zones": made, "surfaces": surfaces, "zones_within_m": BEYOND_M}


def _limit(need: Need) -> str:
    return f"{' to '.join(need.between)} {up(need.limit_m)} m"


def _surface(vertices: Floats, faces: NDArray[np.int64]) -> dict[str, Any]:
    whole = quantised(vertices)
    corners = unpacked(whole["xyz"], "<u2").reshape(-1, 3)
    kind = "<u2" if len(vertices) < 2**16 else "<u4"
    # Differences, column by column: neighbours differ by little, which deflates well. A face begins at its lowest
    # corner.
    first = np.argmin(faces, axis=1)
    turned = np.take_along_axis(faces, (first[:, None] + np.arange(3)) % 3, axis=1)
    turned = turned[np.lexsort(turned.T[::-1])]
    begun = np.diff(turned[:, 0], prepend=0)
    return {
        "low": whole["low"],
        "step": whole["step"],
        "corners": len(corners),
        "xyz": deflated(np.diff(corners.T.astype(np.int64), prepend=0, axis=1), "<u2"),
        "faces": deflated(np.stack([begun, turned[:, 1] - turned[:, 0], turned[:, 2] - turned[:, 0]]), kind),
        "wide": kind == "<u4",
    }


def deflated(numbers: NDArray[Any], kind: str) -> str:
    """Rows of whole numbers, wrapped to a kind of number, as base64 text: all lowest bytes, then those above."""
    raw = np.ascontiguousarray(numbers).astype(np.int64).astype(kind).reshape(-1, 1).view(np.uint8)
    return base64.b64encode(zlib.compress(raw.T.tobytes(), 9)).decode("ascii")


def inflated(text: str, kind: str) -> NDArray[Any]:
    """The numbers that `deflated` made the text of, flat.

    >>> inflated(deflated(np.array([3, 1, 70_000]), "<u4"), "<u4").tolist()
    [3, 1, 70000]
    """
    planes = np.frombuffer(zlib.decompress(base64.b64decode(text)), np.uint8).reshape(np.dtype(kind).itemsize, -1)
    return np.ascontiguousarray(planes.T).view(kind).reshape(-1)
