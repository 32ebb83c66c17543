"""Owns how shapes become what a page draws: flat arrays of float32 about a drawing origin, scans as 16-bit integers.

Only what is drawn is rounded; every number shown comes from the result. To pack bodies use a `Packer`: it keeps each
distinct shape once, whatever stages it is in.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from clearance.bodies import Body
from clearance.shapes import Shape

Floats = NDArray[np.float64]

DRAWN_POINTS: Final = 200_000
"""Scan points of a scene that a page draws at most: 8 bytes each in the file. More: larger and slower pages."""

DRAWN_TRIANGLES: Final = 60_000
"""Triangles of a scene that a page draws at most: 24 bytes each in the file."""

FEW: Final = 400
"""Points or triangles of one body that are kept as float32; more are kept as 16-bit integers."""

STEPS: Final = 65_535
"""Steps of a 16-bit number: a scan 100 m across is drawn to 0.8 mm."""


def packed(values: ArrayLike, kind: str = "<f4") -> str:
    """Numbers as base64 text of little-endian float32, or of another kind of number."""
    return base64.b64encode(np.ascontiguousarray(np.asarray(values), dtype=kind).tobytes()).decode("ascii")


def unpacked(text: str, kind: str = "<f4") -> NDArray[Any]:
    """The flat array that `packed` made the text of.

    >>> unpacked(packed([1.0, 0.5])).tolist()
    [1.0, 0.5]
    """
    return np.frombuffer(base64.b64decode(text), dtype=kind)


def quantised(xyz: Floats) -> dict[str, Any]:
    """Points (..., 3) [m] as 16-bit integers in their box: low (3,), step (3,) [m] and the packed numbers."""
    flat = xyz.reshape(-1, 3)
    low, high = flat.min(axis=0), flat.max(axis=0)
    step = np.where(high > low, (high - low) / STEPS, 1.0)
    whole = np.rint((flat - low) / step)
    return {
        "low": [round(float(v), 6) for v in low],
        "step": [float(np.float32(v)) for v in step],
        "xyz": packed(whole, "<u2"),
    }


def segments_of(shape: Shape, offset: Floats) -> Floats:
    """Segments as (n, 7): both ends and the radius [m]."""
    which = shape.corners == 2
    ends = shape.vertices[which, :2] - offset
    return np.column_stack([ends.reshape(-1, 6), shape.radius[which]])


def describe(body: Body) -> str:
    """A body's potential in words, with what else it is judged at."""
    if not body.conductive:
        return "insulating"
    words = "floating" if body.potential is None else body.potential
    words = words if words in ("floating", "earth") else f"phase {words}"
    return words + "".join(f"; also judged: {name}" for name, _ in body.states)


@dataclass
class Packer:
    """Distinct shapes as they are met.

    offset: (3,) the drawing origin in the scene's frame [m]; near: places (n, 3) that are to be drawn in full detail
    parts: what was packed, as the page takes it; notes: what is drawn only in part
    """

    offset: Floats
    near: cKDTree
    parts: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    index: dict[str, int] = field(default_factory=dict)
    left_points: int = DRAWN_POINTS
    left_triangles: int = DRAWN_TRIANGLES
    digests: dict[Shape, str] = field(default_factory=dict)

    def part(self, body: Body, kind: str | None = None) -> int:
        """Index of a body's part. What rides on a link is packed in the frame of its link."""
        offset = self.offset if body.link is None else np.zeros(3)
        key = f"{body.name}|{kind or body.kind}|{describe(body)}|{self._digest(body.shape)}|{body.link is None}"
        if key not in self.index:
            self.index[key] = len(self.parts)
            self.parts.append(self._packed(body, kind or body.kind, offset))
        return self.index[key]

    def _digest(self, shape: Shape) -> str:
        if shape not in self.digests:
            found = hashlib.sha256()
            for values in (shape.vertices, shape.corners, shape.radius):
                found.update(np.ascontiguousarray(values).tobytes())
            self.digests[shape] = found.hexdigest()
        return self.digests[shape]

    def _packed(self, body: Body, kind: str, offset: Floats) -> dict[str, Any]:
        shape = body.shape
        made: dict[str, Any] = {"name": body.name, "kind": kind, "potential": describe(body)}
        if body.note:
            made["note"] = body.note
        if (rods := segments_of(shape, offset)).size:
            made["rods"] = packed(rods)
        balls = shape.corners == 1
        if balls.any():
            middles, radius = shape.vertices[balls, 0], shape.radius[balls]
            if balls.sum() <= FEW:
                made["balls"] = packed(np.column_stack([middles - offset, radius]))
            else:
                chosen = self._chosen(middles, "points", body.name)
                if len(chosen):
                    made["cloud"] = quantised(middles[chosen] - offset)
        faces = shape.vertices[shape.corners == 3]
        if len(faces):
            if len(faces) <= FEW:
                made["faces"] = packed((faces - offset).reshape(-1, 9))
            else:
                chosen = self._chosen(faces.mean(axis=1), "triangles", body.name)
                if len(chosen):
                    made["mesh"] = quantised(faces[chosen] - offset)
        return made

    def _chosen(self, places: Floats, what: str, name: str) -> NDArray[np.int64]:
        """Which of many are drawn: the nearest half of what may be drawn, then every n-th of the rest, in order."""
        left = self.left_points if what == "points" else self.left_triangles
        count = len(places)
        if count > left:
            order = np.argsort(self.near.query(places)[0], kind="stable")
            close, rest = order[: left // 2], np.sort(order[left // 2 :])
            spread = rest[np.linspace(0, len(rest) - 1, left - left // 2).astype(np.int64)] if left else rest[:0]
            chosen = np.sort(np.concatenate([close, spread]))
            how = "those nearest to the wires and to the gaps all, of the rest every n-th" if left else "none"
            self.notes.append(
                f"{name}: {len(chosen):,} of {count:,} {what} are drawn, {how}; the check took all of them"
            )
        else:
            chosen = np.arange(count)
        if what == "points":
            self.left_points -= len(chosen)
        else:
            self.left_triangles -= len(chosen)
        return chosen


def near_places(bodies: Iterable[Body], points: Sequence[ArrayLike]) -> cKDTree:
    """Places worth full detail: along every wire, every half metre, and the points given."""
    found = [np.asarray(p, float).reshape(-1, 3) for p in points if len(np.asarray(p).reshape(-1))]
    for body in bodies:
        if body.kind == "wire" and len(body.shape):
            start, end = body.shape.vertices[:, 0], body.shape.vertices[:, 1]
            pieces = max(2, int(np.linalg.norm(end - start, axis=1).max() / 0.5) + 1)
            along = np.linspace(0.0, 1.0, pieces)[None, :, None]
            found.append((start[:, None] + along * (end - start)[:, None]).reshape(-1, 3))
    return cKDTree(np.concatenate(found) if found else np.zeros((1, 3)))
