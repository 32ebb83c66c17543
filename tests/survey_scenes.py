"""Synthetic lines with known geometry, written as scans: what the survey tests recover."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import laspy
import numpy as np

from clearance.conductor.catenary import from_constant, point_at


@dataclass
class Truth:
    """A straight line of spans: where each wire truly is.

    wires: per wire its place to the left and height where it hangs, catenary constant [m], sub-conductor spacing or 0
    """

    spans: tuple[float, ...] = (280.0, 320.0)
    wires: tuple[tuple[str, float, float, float, float], ...] = (
        ("A", 7.0, 24.0, 1200.0, 0.0),
        ("B", 0.5, 24.0, 1250.0, 0.0),
        ("C", -7.0, 24.0, 1300.0, 0.0),
        ("shield", 0.0, 33.0, 1700.0, 0.0),
    )
    bearing_deg: float = 33.0
    start: tuple[float, float] = (4000.0, 5000.0)
    swing_deg: float = 0.0
    slope: float = 0.02
    seed: int = 1
    slices: dict[tuple[str, int], tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)

    @property
    def along(self) -> np.ndarray:
        angle = np.deg2rad(self.bearing_deg)
        return np.array([np.cos(angle), np.sin(angle)])

    def world(self, s, t, z) -> np.ndarray:
        left = np.array([-self.along[1], self.along[0]])
        s, t, z = np.broadcast_arrays(s, t, z)
        return np.column_stack([np.asarray(self.start) + s[:, None] * self.along + t[:, None] * left, z])

    def ground(self, s):
        return 50.0 + self.slope * np.asarray(s, float)

    def supports(self) -> np.ndarray:
        return np.concatenate([[0.0], np.cumsum(self.spans)])

    def wire(self, name: str, span: int, s: np.ndarray) -> np.ndarray:
        """True points (n, 3) of a wire of a span at distances s along the line [m]; swung about its chord."""
        _, t, top, constant, _ = next(wire for wire in self.wires if wire[0] == name)
        low, high = self.supports()[span : span + 2]
        a, b = (low, t, top + float(self.ground(low))), (high, t, top + float(self.ground(high)))
        hung = from_constant(a, b, constant)
        z = np.array([point_at(hung, float(value - low))[2] for value in s])
        chord = a[2] + (b[2] - a[2]) * (s - low) / (high - low)
        swing = np.deg2rad(self.swing_deg)
        drop = chord - z
        # turned about the chord: lateral and vertical in the proportion tan(swing) everywhere
        return self.world(s, t + drop * np.sin(swing), chord - drop * np.cos(swing))

    def returns(
        self, spacing: float, noise: float, gaps: tuple[tuple[float, float], ...] = ()
    ) -> dict[str, np.ndarray]:
        """Returns of every wire at a mean spacing [m] with normal noise [m], none inside the gaps (along the line)."""
        rng = np.random.default_rng(self.seed)
        out = {}
        for name, _, _, _, bundle in self.wires:
            parts = []
            for span in range(len(self.spans)):
                low, high = self.supports()[span : span + 2]
                s = np.sort(rng.uniform(low, high, max(4, round((high - low) / spacing))))
                for a, b in gaps:
                    s = s[(s < a) | (s > b)]
                xyz = self.wire(name, span, s)
                if bundle:
                    left = np.array([-self.along[1], self.along[0]])
                    xyz[:, :2] += rng.choice([-0.5, 0.5], len(s))[:, None] * bundle * left
                parts.append(xyz)
            xyz = np.concatenate(parts)
            out[name] = xyz + rng.normal(0.0, noise, xyz.shape)
        return out

    def surroundings(self, ground_spacing: float, trees: int = 3) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Ground, tower and tree returns (n, 3)."""
        rng = np.random.default_rng(self.seed + 1000)
        length = self.supports()[-1] + 60.0
        number = int(length * 80.0 / ground_spacing**2)
        s, t = rng.uniform(-30.0, length - 30.0, number), rng.uniform(-40.0, 40.0, number)
        ground = self.world(s, t, self.ground(s) + rng.normal(0.0, 0.03, number))
        towers = []
        top = max(wire[2] for wire in self.wires) + 0.5
        for at in self.supports():
            h = rng.uniform(0.0, top, 900)
            half = 2.2 * (1.0 - 0.8 * h / top)
            side = rng.choice([-1.0, 1.0], (900, 2))
            legs = self.world(at + side[:, 0] * half, side[:, 1] * half, float(self.ground(at)) + h)
            arms = []
            for wire in self.wires:
                x = rng.uniform(0.0, 1.0, 60)
                arms.append(
                    self.world(at + rng.normal(0, 0.3, 60), x * wire[1], float(self.ground(at)) + wire[2] + 2.0)
                )
            towers.append(np.concatenate([legs, *arms]))
        crowns = []
        for _ in range(trees):
            s, t = rng.uniform(20.0, length - 90.0), rng.choice([-1.0, 1.0]) * rng.uniform(14.0, 30.0)
            ball = rng.normal(0.0, 1.0, (1500, 3)) * np.array([3.0, 3.0, 3.5])
            crowns.append(self.world(s + ball[:, 0], t + ball[:, 1], float(self.ground(s)) + 9.0 + ball[:, 2]))
        return ground, np.concatenate(towers), np.concatenate(crowns) if crowns else np.zeros((0, 3))


def write_scan(path: Path, parts: dict[int, np.ndarray], *, version="1.4", point_format=6, crs=None, scale=0.001,
               origin=None, withheld=None) -> Path:  # fmt: skip
    """Points by class code as one LAS or LAZ file, shuffled."""
    xyz = np.concatenate(list(parts.values()))
    code = np.concatenate([np.full(len(points), number, np.uint8) for number, points in parts.items()])
    order = np.random.default_rng(7).permutation(len(xyz))
    header = laspy.LasHeader(version=version, point_format=point_format)
    header.scales, header.offsets = (
        np.full(3, scale),
        np.floor(xyz.min(axis=0)) if origin is None else np.asarray(origin),
    )
    header.creation_date = None
    if crs is not None:
        import pyproj

        header.add_crs(pyproj.CRS.from_user_input(crs))
    las = laspy.LasData(header)
    las.x, las.y, las.z = xyz[order].T
    las.classification = code[order]
    if withheld is not None:
        held = np.zeros(len(xyz), np.uint8)
        held[order < withheld] = 1
        las.withheld = held
    las.write(str(path))
    return path


def scan_of(truth: Truth, path: Path, spacing: float = 0.5, noise: float = 0.04, ground_spacing: float = 0.8,
            gaps=(), trees: int = 3, classes=(1, 1, 1, 1), **more) -> Path:  # fmt: skip
    """A whole synthetic scan; classes are the codes given to ground, wires, towers and trees."""
    ground, towers, crowns = truth.surroundings(ground_spacing, trees)
    wires = np.concatenate(list(truth.returns(spacing, noise, gaps).values()))
    parts: dict[int, list[np.ndarray]] = {}
    for code, points in zip(classes, (ground, wires, towers, crowns), strict=True):
        parts.setdefault(code, []).append(points)
    return write_scan(path, {code: np.concatenate(lists) for code, lists in parts.items()}, **more)
