"""Owns the points kept on disk between two passes over a scan, so that the second need not decode it again.

They are kept as the file's own integers with their class codes, 13 bytes a point. Reading them back takes a tenth of
the time that decoding does.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

Integers = NDArray[np.int32]

BYTES_A_POINT = 13
"""[bytes] Three coordinates and a class code."""

MOST_BYTES = 4_000_000_000
"""[bytes] A larger scan (300 million points) is decoded twice."""

FREE_SHARE = 0.25
"""[1] Nor is more taken than this share of what the disk has free."""


class Stash:
    """Points of one scan in the order they came. Get one from `stash_for`."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._parts: list[tuple[int, int]] = []

    def add(self, tile: int, xyz: tuple[Integers, Integers, Integers], code: NDArray[np.uint8]) -> None:
        """Keep points of one tile: x, y, z in the file's units, and class codes."""
        self._parts.append((tile, len(code)))
        for values in (*xyz, code):
            self._file.write(np.ascontiguousarray(values).data)

    def read(self) -> Iterator[tuple[int, tuple[Integers, Integers, Integers], NDArray[np.uint8]]]:
        """Everything that was added, part by part."""
        self._file.seek(0)
        for tile, count in self._parts:
            x, y, z = (np.fromfile(self._file, np.int32, count) for _ in "xyz")
            yield tile, (x, y, z), np.fromfile(self._file, np.uint8, count)


@contextlib.contextmanager
def stash_for(points: int) -> Iterator[Stash | None]:
    """A stash for so many points, or None where they are too many for it or for the disk; its file goes at the end,
    however that comes."""
    need = BYTES_A_POINT * points
    if need > MOST_BYTES or need > FREE_SHARE * shutil.disk_usage(tempfile.gettempdir()).free:
        yield None
        return
    with tempfile.TemporaryDirectory(prefix="survey-") as folder, open(Path(folder) / "points", "w+b", 0) as file:
        yield Stash(file)
