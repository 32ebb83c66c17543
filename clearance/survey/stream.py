"""Owns the reading of points: chunk by chunk, in local metres, with noise and withheld points counted and left out.

Memory does not grow with the scan: one chunk is held at a time. Only the layers that are used are decompressed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import laspy
import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError, Mistake
from clearance.survey.classes import NOISE
from clearance.survey.records import Floats, ScanFile, Scans
from clearance.survey.stash import Integers, Stash

CHUNK = 500_000
"""Points read at a time: about 60 MB with the working arrays. Larger is hardly faster."""

BLOCK = 50_000
"""Points compressed together in most LAZ files: to go to the first of them costs nothing."""

Progress = Callable[[int], None]
"""Is told how many more points have been read."""

LAYERS = (
    laspy.DecompressionSelection.XY_RETURNS_CHANNEL
    | laspy.DecompressionSelection.Z
    | laspy.DecompressionSelection.CLASSIFICATION
    | laspy.DecompressionSelection.FLAGS
)


@dataclass
class Tally:
    """Running counts of what was read and left out."""

    read: int = 0
    by_class: NDArray[np.int64] = field(default_factory=lambda: np.zeros(256, np.int64))
    dropped: dict[str, int] = field(default_factory=dict)

    def drop(self, reason: str, count: int) -> None:
        """Count points left out for a reason."""
        if count:
            self.dropped[reason] = self.dropped.get(reason, 0) + count


@dataclass(frozen=True, eq=False)
class Chunk:
    """Points of one chunk: local coordinates [m] and class codes."""

    x: Floats
    y: Floats
    z: Floats
    code: NDArray[np.uint8]


def _decode_error(file: ScanFile, done: int, error: Exception) -> InputError:
    remedy = "the file is cut off or damaged: copy or export it again"
    found = f"{done:,} readable points, then: {str(error)[:120]}"
    return InputError(Mistake((str(file.path), "points"), f"{file.points:,} points as the header says", found, remedy))


def records_of(file: ScanFile, chunk: int = CHUNK, everything: bool = False) -> Iterator[laspy.ScaleAwarePointRecord]:
    """The file's records, chunk by chunk; `everything` decodes all layers (to write them back).

    Raises InputError where the file holds fewer points than its header says.
    """
    done = 0
    selection = laspy.DecompressionSelection.all() if everything else LAYERS
    try:
        with laspy.open(file.path, decompression_selection=selection) as reader:
            for records in reader.chunk_iterator(chunk):
                done += len(records)
                yield records
    except InputError:
        raise
    except Exception as error:  # the decoders raise many kinds; each means a damaged file
        raise _decode_error(file, done, error) from error
    if done != file.points:
        raise _decode_error(file, done, EOFError("end of file"))


def integers(records: laspy.ScaleAwarePointRecord) -> tuple[Integers, Integers, Integers]:
    """Coordinates of the records as the file holds them."""
    x, y, z = (np.asarray(records.array[name], np.int32) for name in "XYZ")
    return x, y, z


def local(xyz: Sequence[Integers], file: ScanFile, scans: Scans) -> tuple[Floats, Floats, Floats]:
    """A file's integers in the local frame [m]."""
    out: list[Floats] = []
    for axis, whole in enumerate(xyz):
        unit = scans.to_m[1 if axis == 2 else 0]
        values = whole.astype(np.float64)
        values *= file.scales[axis] * unit
        values += file.offsets[axis] * unit - scans.origin[axis]
        out.append(values)
    return out[0], out[1], out[2]


def withheld(records: laspy.ScaleAwarePointRecord) -> NDArray[np.bool_]:
    """Which records carry the withheld flag."""
    if records.point_format.id >= 6:
        return np.asarray((np.asarray(records.array["classification_flags"]) & 4) != 0)
    return np.asarray((np.asarray(records.array["raw_classification"]) & 128) != 0)


def codes(records: laspy.ScaleAwarePointRecord) -> NDArray[np.uint8]:
    """Class codes of the records."""
    if records.point_format.id >= 6:
        return np.ascontiguousarray(records.array["classification"])
    return np.ascontiguousarray(records.array["raw_classification"]) & np.uint8(31)


def chunks(
    scans: Scans,
    roles: NDArray[np.uint8],
    tally: Tally,
    progress: Progress | None = None,
    stash: Stash | None = None,
) -> Iterator[Chunk]:
    """Every usable point of every tile, chunk by chunk; put into the stash too, where there is one.

    Raises InputError: a damaged tile, or points outside the bounds its header states.
    """
    for number, file in enumerate(scans.files):
        for records in records_of(file):
            code = codes(records)
            tally.read += len(code)
            tally.by_class += np.bincount(code, minlength=256)
            noise, held = (roles == NOISE)[code], withheld(records)
            xyz = integers(records)
            if held.any() or noise.any():
                kept = ~(noise | held)
                tally.drop("withheld by the survey", int(held.sum()))
                tally.drop("noise by the survey's class", int((noise & ~held).sum()))
                xyz, code = (xyz[0][kept], xyz[1][kept], xyz[2][kept]), code[kept]
            if stash is not None:
                stash.add(number, xyz, code)
            x, y, z = local(xyz, file, scans)
            _check_bounds(x, y, file, scans)
            yield Chunk(x, y, z, code)
            if progress is not None:
                progress(len(records))


def _check_bounds(x: Floats, y: Floats, file: ScanFile, scans: Scans) -> None:
    for values, low, high in zip((x, y), scans.lowest, scans.highest, strict=False):
        if len(values) and (values.min() < low - 0.5 or values.max() > high + 0.5):
            where, remedy = (str(file.path), "bounds"), "rewrite the header from the points"
            raise InputError(Mistake(where, "points inside the bounds of the headers", "points outside them", remedy))


def chunks_again(scans: Scans, stash: Stash, progress: Progress | None = None) -> Iterator[Chunk]:
    """The same chunks as `chunks` put into the stash."""
    for number, xyz, code in stash.read():
        yield Chunk(*local(xyz, scans.files[number], scans), code)
        if progress is not None:
            progress(len(code))


def sample_codes(scans: Scans, pieces: int = 3, size: int = 20_000) -> NDArray[np.int64]:
    """Counts by class from a few pieces spread over the files: enough to see whether ground was classified at all."""
    counts = np.zeros(256, np.int64)
    for file in scans.files[:: max(1, len(scans.files) // pieces)]:
        places = np.linspace(0, max(0, file.points - size), max(1, min(pieces, file.points // size))).astype(int)
        try:
            with laspy.open(
                file.path,
                laz_backend=laspy.LazBackend.Lazrs,  # decodes no more than is asked for
                decompression_selection=laspy.DecompressionSelection.CLASSIFICATION,
            ) as reader:
                for at in places // BLOCK * BLOCK:
                    reader.seek(int(at))
                    counts += np.bincount(codes(reader.read_points(size)), minlength=256)
        except Exception as error:  # as in records_of
            raise _decode_error(file, 0, error) from error
    return counts
