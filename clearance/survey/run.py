"""Owns the whole flow from scan files to a finding: `survey_scans`.

To survey use `survey_scans`; to write what it found use `clearance.survey.write`; to write the scan back with classes
use `clearance.survey.labels`; to compare two surveys use `clearance.survey.compare`.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from clearance.errors import InputError, Mistake
from clearance.survey import remarks
from clearance.survey.assign import Deciders, collect, deciders, ground_height, others_of, structures_of
from clearance.survey.claims import FIRST_TUBE_M, OPEN_END_M, claimed, isolated
from clearance.survey.classes import BUILDING, WIRE, read_roles
from clearance.survey.fit import to_frame
from clearance.survey.ground import make_ground
from clearance.survey.naming import read_table
from clearance.survey.pieces import Piece, Stub, cut_tracks, grown, join_pieces
from clearance.survey.records import Finding, Floats, Ground, Scans
from clearance.survey.scans import open_scans
from clearance.survey.sift import Surface, find_surface, ground_is_classified, sift
from clearance.survey.spill import Spill
from clearance.survey.stash import stash_for
from clearance.survey.strands import (
    LONGEST_JUMP_M,
    Blobs,
    axes,
    bearings,
    blobs,
    join_blobs,
    merge_bearings,
    thin_cells,
    tracks,
)
from clearance.survey.stream import Progress, Tally
from clearance.survey.supports import Line, build_line, short_pieces
from clearance.survey.tubes import Tube, TubeIndex
from clearance.survey.wires import Fitted, fit_pieces, make_wires
from clearance.survey.workers import in_order

LOWEST_WIRE_M = 3.0
"""[m] Returns lower than this above the ground are not looked at for wires."""

ACCURACY_M = 0.10
"""[m] Accuracy of the survey at 95 % where none is stated: common practice for airborne surveys, no source."""

FEWEST_EXPLAINED = 0.5
"""[1] With a smaller share of the returns classed as wire on fitted wires, these classes are not believed."""


@dataclass(frozen=True)
class Options:
    """What a user may state about a survey."""

    crs: str | None = None
    unit: str | None = None
    accuracy_m: float | None = None
    classes: str = "auto"
    class_map: Path | None = None
    phases: Path | None = None
    nominal_kV: float | None = None


@dataclass(frozen=True, eq=False)
class Survey:
    """A finding, and what decides the class of a point, to write the scan back."""

    finding: Finding
    surface: Surface
    ground: Ground | None
    deciders: Deciders
    roles: NDArray[np.uint8]


def survey_scans(
    paths: Sequence[Path], options: Options = Options(), progress: Callable[[str, int], Progress] | None = None
) -> Survey:
    """Find the ground, wires, structures and everything else in the tiles of one survey.

    Parameters: paths of LAS or LAZ files; options; progress, called with the name of a pass and its number of points,
    giving what is told of the points read.
    Raises InputError for every input that cannot be surveyed; what can be, but is doubtful, is in `Finding.eye`.
    """
    if options.classes not in ("auto", "use", "ignore"):
        raise InputError(Mistake(("--classes",), "auto, use or ignore", repr(options.classes)))
    if options.accuracy_m is not None and not 0.0 <= options.accuracy_m <= 5.0:
        raise InputError(Mistake(("--accuracy-m",), "metres from 0 to 5", f"{options.accuracy_m:g}"))
    roles = read_roles(options.class_map)
    names = read_table(options.phases) if options.phases else None
    scans = open_scans(paths, options.crs, options.unit)
    accuracy = options.accuracy_m if options.accuracy_m is not None else ACCURACY_M

    def step(name: str) -> Progress | None:
        return progress(name, scans.points) if progress is not None else None

    by_class = ground_is_classified(scans, roles, options.classes)
    if options.classes == "use" and not by_class:
        raise InputError(
            Mistake(
                ("--classes",), "a scan with a ground class", "none (or under 2 % of the points)", "use --classes auto"
            )
        )
    with Spill(scans.lowest[0], scans.lowest[1]) as spill:
        with contextlib.nullcontext() if by_class else stash_for(scans.points) as stash:
            tally, show = Tally(), None if by_class else step("finding the ground")
            surface, low_cells = find_surface(scans, roles, by_class, tally, show, stash)
            if stash is None:
                tally = Tally()  # all points are read again
            raster, labelled = sift(scans, roles, surface, spill, tally, step("sorting the points"), stash)
        if tally.read == sum(tally.dropped.values()):
            raise InputError(
                Mistake(("SCAN", "points"), "points that are neither noise nor withheld", "none", "check the classes")
            )
        basis = "the survey's ground class" if by_class else "progressive morphological filter of the lowest returns"
        ground = make_ground(raster, basis, accuracy)
        use_labels = by_class and labelled > 0 and options.classes != "ignore"
        good, rest = _find_pieces(spill, scans, ground, roles if use_labels else None)
        good = _alone(spill, good, ground)
        if use_labels and not _explained(spill, good, roles, labelled):
            use_labels = False
            good, rest = _find_pieces(spill, scans, ground, None)
            good = _alone(spill, good, ground)
        tubes = TubeIndex([_first_tube(piece, 10.0) for piece in good])
        line = build_line(
            good,
            _alone(spill, short_pieces(good, rest), ground),
            lambda at, radius: _returns_near(spill, tubes, ground, at, radius),
            lambda xy: ground_height(ground, xy),
        )
        fitted = fit_pieces(line, claimed(spill, _first_tubes(line)))
        by = deciders(fitted, ["phase"] * len(fitted), line.supports, ground, LONGEST_JUMP_M)
        fitted = _extended(fitted, claimed(spill, by.tubes.tubes))
        wires, order = make_wires(line, fitted, accuracy, names)
        supports = [line.supports[k] for k in order]
        ordered = [_fitted_of(wire, fitted) for wire in wires]
        by = deciders(ordered, [wire.kind for wire in wires], supports, ground)
        out = collect(spill, by, len(wires), [wire.returns for wire in wires], ground, roles == BUILDING)
    towers = [np.concatenate(parts) if parts else np.zeros((0, 3)) for parts in out.support_points]
    structures = structures_of(supports, by, towers, ground)
    kept = {"ground": raster.added, **{remarks.kept_name(code): count for code, count in sorted(out.counts.items())}}
    dropped = dict(sorted(tally.dropped.items()))
    class_use = remarks.class_use(by_class, use_labels, labelled, options.classes)
    finding = Finding(
        scans,
        ground,
        tuple(wires),
        tuple(structures),
        tuple(towers),
        others_of(out),
        kept,
        dropped,
        {code: int(count) for code, count in enumerate(tally.by_class) if count},
        accuracy,
        "stated by the user"
        if options.accuracy_m is not None
        else "assumed (not stated): common practice for airborne surveys, no source",
        class_use,
        out.lowest,
        out.nearest,
        remarks.NOT_EVALUATED,
        (),
        options.nominal_kV,
    )
    return Survey(replace(finding, eye=remarks.for_the_eye(finding, out, low_cells)), surface, ground, by, roles)


def _fitted_of(wire: object, fitted: Sequence[Fitted]) -> Fitted:
    curve = wire.curve  # type: ignore[attr-defined]
    each = next(each for each in fitted if each.curve is curve)
    return replace(each, supports=wire.supports)  # type: ignore[attr-defined]


def _extended(fitted: Sequence[Fitted], returns: Sequence[Floats]) -> list[Fitted]:
    """Pieces with the returns on their final curves; open ends moved to the last return that follows on without a long
    gap."""
    out = []
    for each, some in zip(fitted, returns, strict=True):
        if not len(some):
            out.append(each)
            continue
        s = to_frame(some, each.curve.base, each.curve.direction)[:, 0]
        low, high = each.low, each.high
        order = np.sort(s)
        middle = (low + high) / 2.0
        jump = float(np.clip(6.0 * (high - low) / len(some), OPEN_END_M, LONGEST_JUMP_M))
        if each.supports[1] < 0:
            after = np.concatenate([[high], order[order > high]])
            high = float(after[: int(np.argmax(np.append(np.diff(after) > jump, True))) + 1][-1])
        if each.supports[0] < 0:
            before = np.concatenate([[low], order[order < low][::-1]])
            low = float(before[: int(np.argmax(np.append(-np.diff(before) > jump, True))) + 1][-1])
        assert low <= middle <= high
        out.append(replace(each, low=low, high=high, returns=some[(s >= low) & (s <= high)]))
    return out


def _candidates(
    spill: Spill, square: tuple[int, int], ground: Ground | None, roles: NDArray[np.uint8] | None
) -> Floats:
    """Points of a square that may be wire: by class where roles are given, else high enough above the ground."""
    xyz, code = spill.read(square)
    if roles is not None:
        return np.asarray(xyz[roles[code] == WIRE])
    if ground is None:
        return xyz
    return np.asarray(xyz[xyz[:, 2] - ground_height(ground, xyz[:, :2]) > LOWEST_WIRE_M])


def _find_pieces(
    spill: Spill, scans: Scans, ground: Ground | None, roles: NDArray[np.uint8] | None
) -> tuple[list[Piece], list[Stub]]:
    """Pieces of wire: bearing by bearing, each without what an earlier one found."""
    cell = 1.0

    def lines(square: tuple[int, int]) -> list[float] | None:
        xyz = _candidates(spill, square, ground, roles)
        if len(xyz) < 12:
            return None
        low, high = spill.box(square)
        size = int(np.ceil((high[0] - low[0]) / cell)) + 1
        plan = np.zeros((size, size), bool)
        at = ((xyz[:, :2] - low) / cell).astype(np.int64).clip(0, size - 1)
        plan[at[:, 1], at[:, 0]] = True
        row, column = np.nonzero(thin_cells(plan))
        return bearings(np.column_stack([column, row]) * cell + low, cell)

    squares = spill.squares()
    shown = zip(squares, in_order(squares, lines), strict=True)
    local = {square: found for square, found in shown if found is not None}
    ranked = [bearing for rank in range(3) for some in local.values() for bearing in some[rank : rank + 1]]
    good: list[Piece] = []
    rest: list[Stub] = []
    refused: set[tuple[Piece, Piece]] = set()
    for bearing in merge_bearings(ranked):
        wanted = {
            (square[0] + i, square[1] + j)
            for square, found in local.items()
            if any(abs((own - bearing + np.pi / 2) % np.pi - np.pi / 2) < np.deg2rad(6.0) for own in found)
            for i in (-1, 0, 1)
            for j in (-1, 0, 1)
        }
        taken = TubeIndex([_first_tube(piece, 0.0) for piece in good])

        def left(square: tuple[int, int], taken: TubeIndex = taken, bearing: float = bearing) -> Blobs:
            xyz = _candidates(spill, square, ground, roles)
            inside, beside = taken.claim(xyz)
            return blobs(xyz[(inside < 0) & (beside < 0)], bearing)

        found = join_blobs(list(in_order([square for square in squares if square in wanted], left)))
        more, short = cut_tracks(tracks(found, bearing))
        if more:
            places = np.column_stack([found.place[:, :2] @ axes(bearing), found.place[:, 2]])
            tree, counts = cKDTree(places[:, :2]), found.count.astype(float)
            more = [grown(piece, places, counts, tree) for piece in join_pieces(more, refused)]
            good = join_pieces(good + more, refused)
        rest += short
    return _solid(good, rest)


def _solid(good: list[Piece], rest: list[Stub]) -> tuple[list[Piece], list[Stub]]:
    """Pieces that show in enough of their slices; a chance row of blobs in vegetation does not."""
    kept = []
    directions = np.array([piece.curve.direction for piece in good]).reshape(-1, 2)
    for piece in good:
        length = piece.reach[1] - piece.reach[0]
        alone = np.count_nonzero(np.abs(directions @ piece.curve.direction) > 0.99) == 1
        filled = len(piece.xyz) * 5.0 / max(length, 1.0)
        if length < 40.0 and (filled < 0.7 or (alone and len(good) > 2)):
            continue
        if piece.curve.rms_vertical > 0.2 and filled < 0.5:
            continue
        kept.append(piece)
    return kept, rest


def _alone(spill: Spill, good: list[Piece], ground: Ground | None) -> list[Piece]:
    """Pieces whose returns stand alone."""
    tubes = [_first_tube(piece, 0.0) for piece in good]
    alone = isolated(spill, tubes, lambda xyz: xyz[:, 2] - ground_height(ground, xyz[:, :2]))
    return [piece for piece, fine in zip(good, alone, strict=True) if fine]


def _first_tube(piece: Piece, beyond: float) -> Tube:
    low, high = piece.reach
    return Tube(piece.curve, low - beyond, high + beyond, *FIRST_TUBE_M)


def _first_tubes(line: Line) -> list[Tube]:
    out = []
    for piece, ends, (low, high) in zip(line.pieces, line.ends, line.reach, strict=True):
        out.append(
            Tube(
                piece.curve,
                low - (0.0 if ends[0] >= 0 else OPEN_END_M),
                high + (0.0 if ends[1] >= 0 else OPEN_END_M),
                *FIRST_TUBE_M,
            )
        )
    return out


def _explained(spill: Spill, good: list[Piece], roles: NDArray[np.uint8], labelled: int) -> bool:
    """Whether most returns classed as wire lie on the pieces found in them."""
    index = TubeIndex([_first_tube(piece, 10.0) for piece in good])

    def on(square: tuple[int, int]) -> int:
        xyz, code = spill.read(square)
        return int((index.claim(xyz[roles[code] == WIRE])[0] >= 0).sum())

    return sum(in_order(spill.squares(), on)) >= FEWEST_EXPLAINED * labelled


def _returns_near(spill: Spill, wires: TubeIndex, ground: Ground | None, at: Floats, radius: float) -> Floats:
    """Points within a radius of a place (2,) that are on no wire, as x, y and height above the ground [m]."""
    parts = []
    for square in spill.squares_near(at, radius):
        xyz, _ = spill.read(square)
        parts.append(xyz[np.hypot(xyz[:, 0] - at[0], xyz[:, 1] - at[1]) <= radius])
    xyz = np.concatenate(parts) if parts else np.zeros((0, 3))
    xyz = xyz[wires.claim(xyz)[0] < 0]
    return np.column_stack([xyz[:, :2], xyz[:, 2] - ground_height(ground, xyz[:, :2])])
