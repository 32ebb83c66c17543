"""Owns point clouds: points of LAS and LAZ files as bodies, thinned with a proven error.

`read_cloud` makes the shape; `read_points` gives the chosen points bare, for instance to triangulate a ground through
them; `left_out` what no body takes. Files are read in chunks, so a scan larger than memory is no trouble; every point
left out is counted under its reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from shapely import Polygon, intersects_xy, prepare

from clearance import shapes
from clearance.conductor.catenary import point3, refuse
from clearance.errors import InputError, Mistake
from clearance.shapes import Shape
from clearance.tolerances import LARGEST_COORDINATE_M

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Paths = str | Path | Sequence[str | Path]

NOISE: Final = (7, 18)
"""Low and high noise, ASPRS LAS 1.4 classes: never a body."""

CHUNK: Final = 500_000
"""Points read at a time. Larger: faster by a little, more memory; the result is the same."""

_CELLS: Final = 2**20
"""Cells on either side of the origin along one axis: three such numbers fit into one 64-bit key."""


@dataclass(frozen=True)
class CloudCounts:
    """What became of the points of a scan.

    read: points in the files; kept: points that became bodies
    dropped: (reason, count) for each reason that met a point; kept and dropped together are all that were read
    classes: (class, count) of all points read
    """

    read: int
    kept: int
    dropped: tuple[tuple[str, int], ...]
    classes: tuple[tuple[int, int], ...]


@dataclass(frozen=True, eq=False)
class _Choice:
    classes: tuple[int, ...] | None
    polygon: Polygon | None
    height: tuple[float, float] | None
    origin: Floats


@dataclass(eq=False)
class _Tally:
    """Counts while a scan is read; the only thing here that changes."""

    read: int = 0
    dropped: dict[str, int] = field(default_factory=dict)
    classes: dict[int, int] = field(default_factory=dict)

    def drop(self, reason: str, count: int) -> None:
        if count:
            self.dropped[reason] = self.dropped.get(reason, 0) + count


def read_cloud(
    paths: Paths,
    classes: Sequence[int] | None = None,
    polygon: ArrayLike | None = None,
    height: tuple[float, float] | None = None,
    origin: ArrayLike = (0.0, 0.0, 0.0),
    survey_error_m: float = 0.0,
    thin_m: float = 0.0,
    uncovered_m: float = 0.0,
) -> tuple[Shape, CloudCounts]:
    """Points of a scan as a body, and what became of the others.

    Parameters
    ----------
    paths: LAS or LAZ files, in metres
    classes: ASPRS classes wanted; None takes all but noise
    polygon: (k, 2) corners in scene coordinates [m]; points inside or on it are taken
    height: lowest and highest scene height taken [m]
    origin: (3,) subtracted from file coordinates [m]
    survey_error_m: how far a point may be off [m]
    thin_m: edge of the cubes of which each keeps one real point [m], the nearest to its middle; 0 keeps all
    uncovered_m: how far true surface may be from the nearest point for want of samples [m]

    The uncertainty of a point is the survey error, the uncovered radius, and the greatest distance from it to a
    point that it
    stands for, measured, not estimated: so every point chosen is held, and so is what lies uncovered around it.

    Raises `InputError` for values out of range, a file that cannot be read or is not in metres, and a choice without
    points, with the classes that are there.
    """
    lengths = {"survey_error_m": survey_error_m, "thin_m": thin_m, "uncovered_m": uncovered_m}
    refuse("cloud", not_negative=lengths)
    choice = _choice(classes, polygon, height, origin)
    files = _files(paths)
    tally = _Tally()
    if thin_m == 0:
        chosen = np.concatenate([*_chosen(files, choice, tally), np.zeros((0, 3))])
        spread = np.zeros(len(chosen))
    else:
        keys, chosen = np.zeros(0, np.int64), np.zeros((0, 3))
        for block in _chosen(files, choice, tally):
            together = np.concatenate([chosen, block])
            keys, chosen = _best(np.concatenate([keys, _keys(block, thin_m)]), together, thin_m)
        spread = np.zeros(len(chosen))
        for block in _chosen(files, choice, _Tally()):
            cell = np.searchsorted(keys, _keys(block, thin_m))
            np.maximum.at(spread, cell, np.linalg.norm(block - chosen[cell], axis=1))
        tally.drop("thinned out", tally.read - sum(tally.dropped.values()) - len(chosen))
    counts = _counts(tally, len(chosen), files)
    return shapes.points(chosen, 0.0, survey_error_m + uncovered_m + spread), counts


def read_points(
    paths: Paths,
    classes: Sequence[int] | None = None,
    polygon: ArrayLike | None = None,
    height: tuple[float, float] | None = None,
    origin: ArrayLike = (0.0, 0.0, 0.0),
) -> tuple[Floats, CloudCounts]:
    """All chosen points (n, 3) in scene coordinates [m], unthinned. Parameters and errors as for `read_cloud`."""
    shape, counts = read_cloud(paths, classes, polygon, height, origin)
    return np.ascontiguousarray(shape.vertices[:, 0]), counts


Taker = tuple[Sequence[int] | None, ArrayLike | None, tuple[float, float] | None]
"""What a body takes of a scan: classes, polygon and heights, as for `read_cloud`."""


def left_out(
    path: str | Path, takers: Sequence[Taker], origin: ArrayLike = (0.0, 0.0, 0.0)
) -> Iterator[tuple[Floats, NDArray[np.uint8]]]:
    """Points (n, 3) of a scan in scene coordinates [m] that no taker takes, with their classes, block by block: noise
    and withheld points among them."""
    choices = [_choice(classes, polygon, height, origin) for classes, polygon, height in takers]
    zero = np.array(point3("cloud", "origin", origin))
    for xyz, classes, withheld in _blocks(str(path)):
        block, taken = xyz - zero, np.zeros(len(xyz), bool)
        for choice in choices:
            mask = np.ones(len(xyz), bool)
            for _, bad in _reasons(choice, block, classes, withheld):
                mask &= ~bad
            taken |= mask
        yield block[~taken], classes[~taken]


def _choice(
    classes: Sequence[int] | None, polygon: ArrayLike | None, height: tuple[float, float] | None, origin: ArrayLike
) -> _Choice:
    mistakes = []
    if classes is not None:
        if not len(classes):
            mistakes.append(Mistake(("cloud", "classes"), "at least one class", "none"))
        for number in classes:
            if number in NOISE:
                remedy = "leave it out; reclassify the points in the file if they are real"
                mistakes.append(Mistake(("cloud", "classes"), "classes that are not noise", f"{number}", remedy))
            elif not (isinstance(number, int | np.integer) and 0 <= number <= 255):
                mistakes.append(Mistake(("cloud", "classes"), "whole numbers from 0 to 255", f"{number!r}"))
    outline = None
    if polygon is not None:
        corners = np.asarray(polygon, float)
        if corners.ndim != 2 or corners.shape[1:] != (2,) or len(corners) < 3 or not np.isfinite(corners).all():
            expected = "at least three corners [x, y] in metres"
            mistakes.append(Mistake(("cloud", "polygon_m"), expected, f"shape {corners.shape}"))
        else:
            outline = Polygon(corners)
            if not (outline.is_valid and outline.area > 0):
                found = "one that crosses itself or has no area"
                mistakes.append(Mistake(("cloud", "polygon_m"), "a simple polygon", found))
            prepare(outline)
    if height is not None and not (np.isfinite(height).all() and height[0] <= height[1]):
        mistakes.append(Mistake(("cloud", "height_m"), "a rising range of heights", f"{list(height)!r}"))
    refuse("cloud", others=mistakes)
    wanted = None if classes is None else tuple(int(number) for number in classes)
    return _Choice(wanted, outline, height, np.array(point3("cloud", "origin", origin)))


def _files(paths: Paths) -> tuple[str, ...]:
    files = (str(paths),) if isinstance(paths, str | Path) else tuple(str(path) for path in paths)
    if not files:
        raise InputError(Mistake(("cloud", "file"), "at least one LAS or LAZ file", "none"))
    return files


def _chosen(files: Sequence[str], choice: _Choice, tally: _Tally) -> Iterator[Floats]:
    """Blocks (n, 3) of the chosen points in scene coordinates, in file order; what is left out goes into the tally."""
    for name in files:
        for xyz, classes, withheld in _blocks(name):
            tally.read += len(xyz)
            for number, count in zip(*np.unique(classes, return_counts=True), strict=True):
                tally.classes[int(number)] = tally.classes.get(int(number), 0) + int(count)
            block = xyz - choice.origin
            taken = np.ones(len(block), bool)

            for reason, bad in _reasons(choice, block, classes, withheld):
                tally.drop(reason, int((taken & bad).sum()))
                taken &= ~bad
            block = block[taken]
            if len(block) and not np.abs(block).max() <= LARGEST_COORDINATE_M:
                expected = f"coordinates within {LARGEST_COORDINATE_M:.0f} m of the origin"
                raise InputError(
                    Mistake(("cloud", name), expected, f"{np.abs(block).max():.6g} m", "give the origin of the scene")
                )
            yield block


def _reasons(
    choice: _Choice, block: Floats, classes: NDArray[np.uint8], withheld: NDArray[np.bool_]
) -> Iterator[tuple[str, NDArray[np.bool_]]]:
    """Why points are not chosen, in the order in which they are counted, and which."""
    yield "withheld", withheld
    yield "noise (class 7 or 18)", np.isin(classes, NOISE)
    if choice.classes is not None:
        yield "class not chosen", ~np.isin(classes, choice.classes)
    if choice.polygon is not None:
        yield "outside the polygon", ~intersects_xy(choice.polygon, block[:, 0], block[:, 1])
    if choice.height is not None:
        low, high = choice.height
        yield "outside the height band", (block[:, 2] < low) | (block[:, 2] > high)


def _blocks(name: str) -> Iterator[tuple[Floats, NDArray[np.uint8], NDArray[np.bool_]]]:
    """Coordinates, classes and withheld flags of a file, block by block."""
    import laspy

    try:
        with laspy.open(name) as reader:
            _refuse_other_units(name, reader.header)
            read = 0
            for chunk in reader.chunk_iterator(CHUNK):
                xyz = np.stack([np.asarray(chunk.x), np.asarray(chunk.y), np.asarray(chunk.z)], axis=1).astype(float)
                read += len(xyz)
                yield xyz, np.asarray(chunk.classification, np.uint8), np.asarray(chunk.withheld).astype(bool)
            if read != reader.header.point_count:
                expected = f"the {reader.header.point_count} points that its header names"
                raise InputError(
                    Mistake(("cloud", name), expected, f"{read}", "fetch the file again: it was cut short")
                )
    except InputError:
        raise
    except Exception as error:  # a broken file makes laspy and its decompressor raise whatever they meet
        found = f"{type(error).__name__}: {error}"
        raise InputError(Mistake(("cloud", name), "a LAS or LAZ file that can be read", found)) from error


def _refuse_other_units(name: str, header: Any) -> None:
    """A file that says it is not in metres is refused; one that says nothing is taken at the word of the scene."""
    crs = header.parse_crs()
    if crs is None:
        return
    units = {axis.unit_name for axis in crs.axis_info}
    if not units <= {"metre", "meter", "m"}:
        remedy = "convert the file to metres"
        raise InputError(Mistake(("cloud", name, "coordinate system"), "metres", ", ".join(sorted(units)), remedy))


def _keys(block: Floats, cell: float) -> Integers:
    place = np.floor(block / cell).astype(np.int64)
    if len(place) and not np.abs(place).max() < _CELLS - 1:
        expected = f"cells of at least {np.abs(block).max() / (_CELLS - 2):.3g} m this far from the origin"
        raise InputError(Mistake(("cloud", "thin_m"), expected, f"{cell!r} m"))
    place += _CELLS
    return np.asarray((place[:, 0] << 42) | (place[:, 1] << 21) | place[:, 2], np.int64)


def _best(keys: Integers, xyz: Floats, cell: float) -> tuple[Integers, Floats]:
    """For each key, rising, the point nearest the middle of its cell; ties go by coordinate, not by order."""
    off = np.linalg.norm(xyz - (np.floor(xyz / cell) + 0.5) * cell, axis=1)
    order = np.lexsort((xyz[:, 2], xyz[:, 1], xyz[:, 0], off, keys))
    ranked = keys[order]
    first = np.ones(len(order), bool)
    first[1:] = ranked[1:] != ranked[:-1]
    return ranked[first], xyz[order[first]]


def _counts(tally: _Tally, kept: int, files: Sequence[str]) -> CloudCounts:
    if not kept:
        raise InputError(
            Mistake(
                ("cloud", ", ".join(files), "classes, polygon and height band"),
                "at least one point",
                f"none; {_listed(tally.dropped)}; classes in the file: {_listed(tally.classes)}",
                "choose classes that are there, or a larger polygon or height band",
            )
        )
    return CloudCounts(tally.read, kept, tuple(tally.dropped.items()), tuple(sorted(tally.classes.items())))


def _listed(counts: Mapping[Any, int]) -> str:
    return ", ".join(f"{name}: {count}" for name, count in sorted(counts.items())) or "no points"
