"""Owns the sorting of points into squares on the ground, in memory while they are few and on disk when they are many.

What is worked on one square at a time needs the memory of one square, however large the scan.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from clearance.survey.records import Floats

SQUARE_M = 192.0
"""[m] Side of a square: large enough for a line's direction to show, small enough for a forest to fit in memory."""

BUFFER_BYTES = 96_000_000
"""[bytes] Points held in memory before they go to disk."""


class Spill:
    """Points (x, y, z [m], class code) by square. Use as a context: the files are removed at its end, however it
    ends."""

    def __init__(self, x0: float, y0: float, buffer_bytes: int = BUFFER_BYTES) -> None:
        self._corner = np.array([x0, y0])
        self._limit, self._held = buffer_bytes, 0
        self._memory: dict[tuple[int, int], list[tuple[Floats, NDArray[np.uint8]]]] = {}
        self._on_disk: set[tuple[int, int]] = set()
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self.points = 0

    def __enter__(self) -> Spill:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._folder is not None:
            self._folder.cleanup()

    def add(self, xyz: Floats, code: NDArray[np.uint8]) -> None:
        """Sort points (n, 3) [m] with their codes into the squares, in the order they come."""
        if not len(xyz):
            return
        self.points += len(xyz)
        square = ((xyz[:, :2] - self._corner) / SQUARE_M).astype(np.int64)
        key = square[:, 1] * (1 << 24) + square[:, 0]
        if key.min() == key.max():
            parts = [(int(key[0]), xyz, code)]
        else:
            order = np.argsort(key, kind="stable")
            key = key[order]
            edges = np.flatnonzero(np.diff(key)) + 1
            starts = np.concatenate([[0], edges])
            parts = [
                (int(key[start]), xyz[index], code[index])
                for start, index in zip(starts, np.split(order, edges), strict=True)
            ]
        for packed, some, codes in parts:
            self._memory.setdefault((packed >> 24, packed & 0xFFFFFF), []).append((some, codes))
        self._held += 25 * len(xyz)
        if self._held > self._limit:
            self._flush()

    def _path(self, square: tuple[int, int], ending: str) -> Path:
        assert self._folder is not None
        return Path(self._folder.name) / f"{square[0]}_{square[1]}.{ending}"

    def _flush(self) -> None:
        if self._folder is None:
            self._folder = tempfile.TemporaryDirectory(prefix="survey-")
        for square, parts in self._memory.items():
            with open(self._path(square, "xyz"), "ab") as xyz_file, open(self._path(square, "code"), "ab") as code_file:
                for xyz, code in parts:
                    xyz_file.write(np.ascontiguousarray(xyz).tobytes())
                    code_file.write(np.ascontiguousarray(code).tobytes())
            self._on_disk.add(square)
        self._memory.clear()
        self._held = 0

    def squares(self) -> list[tuple[int, int]]:
        """The squares that hold points, as (row, column), in order."""
        return sorted(self._on_disk | set(self._memory))

    def read(self, square: tuple[int, int]) -> tuple[Floats, NDArray[np.uint8]]:
        """The points of one square: (n, 3) [m] and their codes, in the order they came."""
        xyz: list[Floats] = []
        code: list[NDArray[np.uint8]] = []
        if square in self._on_disk:
            xyz.append(np.fromfile(self._path(square, "xyz"), np.float64).reshape(-1, 3))
            code.append(np.fromfile(self._path(square, "code"), np.uint8))
        for some, codes in self._memory.get(square, []):
            xyz.append(some)
            code.append(codes)
        if not xyz:
            return np.zeros((0, 3)), np.zeros(0, np.uint8)
        return np.concatenate(xyz), np.concatenate(code)

    def squares_near(self, at: Floats, radius: float) -> list[tuple[int, int]]:
        """The squares that hold points and come as near as a radius [m] to a place (2,), in order."""
        low = np.floor((at - self._corner - radius) / SQUARE_M).astype(int)
        high = np.floor((at - self._corner + radius) / SQUARE_M).astype(int)
        wanted = ((row, column) for row in range(low[1], high[1] + 1) for column in range(low[0], high[0] + 1))
        return [square for square in wanted if square in self._on_disk or square in self._memory]

    def box(self, square: tuple[int, int]) -> tuple[Floats, Floats]:
        """Lower and upper corner of a square in plan [m]."""
        low = self._corner + np.array([square[1], square[0]]) * SQUARE_M
        return low, low + SQUARE_M
