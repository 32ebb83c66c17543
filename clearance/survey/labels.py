"""Owns the scan written back, point for point, with the classes the survey decided (ASPRS codes)."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import laspy
import numpy as np

from clearance.errors import InputError, Mistake
from clearance.survey.assign import ground_height
from clearance.survey.classes import NOISE
from clearance.survey.records import Floats
from clearance.survey.run import Survey
from clearance.survey.stream import Progress, codes, integers, local, records_of, withheld

GROUND_CODE, LOW_NOISE_CODE = 2, 7


def classify(
    survey: Survey,
    x: Floats,
    y: Floats,
    z: Floats,
    code: np.ndarray[tuple[int], np.dtype[np.uint8]],
    held: np.ndarray[tuple[int], np.dtype[np.bool_]],
) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    """The class of each point [m, local]: noise and withheld points keep their own, ground its own where it was
    classified."""
    out = code.copy()
    role = survey.roles[code]
    usable = ~(held | (role == NOISE))
    ground, below = survey.surface.split(x, y, z, role)
    if not survey.surface.by_class:
        out[usable & ground] = GROUND_CODE
    if below is not None:
        out[usable & below] = LOW_NOISE_CODE
        usable &= ~below
    rest = np.flatnonzero(usable & ~ground)
    xyz = np.column_stack([x[rest], y[rest], z[rest]])
    above = z[rest] - ground_height(survey.ground, xyz[:, :2])
    decided = survey.deciders.decide(xyz, above)[0]
    keep = (
        np.isin(code[rest], (6, 17)) & (decided != 13) & (decided != 14) & (decided != 15)
        if survey.surface.by_class
        else (np.zeros(len(rest), bool))
    )
    out[rest] = np.where(keep, code[rest], decided)
    return out


def write_labels(survey: Survey, path: Path, progress: Progress | None = None) -> None:
    """Write all tiles, in the order given, to one file with the classes decided; every other field as it was.

    Raises InputError: not LAS or LAZ by its ending, one of the scan's own files, tiles of different point format or
    scale, or a place that cannot be written.
    """
    files = survey.finding.scans.files
    where = ("--labels", str(path))
    if path.suffix.lower() not in (".las", ".laz"):
        raise InputError(Mistake(where, "a file ending in .las or .laz", repr(path.suffix)))
    if any(path.resolve() == file.path.resolve() for file in files):
        raise InputError(Mistake(where, "another file than the scan", "the scan itself", "name another one"))
    kinds = {(file.version, file.point_format, file.scales, file.offsets) for file in files}
    if len(kinds) > 1:
        raise InputError(
            Mistake(
                where,
                "tiles of one version, point format, scale and offset",
                f"{len(kinds)} kinds",
                "survey them one by one",
            )
        )
    try:
        handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}.", suffix=path.suffix.lower())
        os.close(handle)
    except OSError as error:
        raise InputError(
            Mistake(where, "a file that can be written", (error.strerror or str(error)).lower())
        ) from error
    try:
        with laspy.open(files[0].path) as reader:
            header = reader.header
        with laspy.open(
            beside,
            mode="w",
            header=header,
            laz_backend=laspy.LazBackend.Lazrs if path.suffix.lower() == ".laz" else None,
        ) as writer:
            for file in files:
                for records in records_of(file, everything=True):
                    x, y, z = local(integers(records), file, survey.finding.scans)
                    records["classification"] = classify(survey, x, y, z, codes(records), withheld(records))
                    writer.write_points(records)
                    if progress is not None:
                        progress(len(records))
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(beside, 0o666 & ~mask)  # mkstemp makes it private
        os.replace(beside, path)
    except OSError as error:
        raise InputError(
            Mistake(where, "a file that can be written", (error.strerror or str(error)).lower())
        ) from error
    finally:
        Path(beside).unlink(missing_ok=True)
