"""Owns how one gap is measured: the bench that sweeps, the paths that are worth sweeping, the measure that comes
out."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from threading import Event

from clearance.engine import (
    Compiled,
    Engine,
    Found,
    Group,
    Path,
    build_engine,
    coarse,
    compile_setting,
    enclose,
    recompiled,
    still_gap,
)
from clearance.job.known import Memo, Told, covered, told_of
from clearance.job.setting import OTHER_HAND, Setting
from clearance.limits import Required, required_between
from clearance.result import Kind, Measure
from clearance.scene.assemble import Site
from clearance.verdict import Verdict, judge

BUDGET = 200_000
"""Boxes bounded before a sweep gives up as undecided: about a minute."""

LIMITED_BUDGET = 20_000
"""Boxes for the enclosure of paths through a body crossed over its own length alone; the verdict has `BUDGET`."""


@dataclass
class Floor:
    """The least margin known so far [m]: a question whose gaps keep more than it, and their limit, adds nothing.

    breach: whether a gap in breach was found since, so that the verdict is known
    """

    margin_m: float
    breach: bool = False

    @property
    def spare_m(self) -> float:
        """What a gap must keep beyond its limit not to matter: it is then clear, and no less than the least."""
        return max(0.0, self.margin_m)


@dataclass
class Bench:
    """What judging has at hand: the site, the engine, the tolerance, and what was found before.

    tell: told the enclosure of a long sweep as it narrows, about five times a second
    stop: set to end every sweep under way
    floor: where only the verdict and the least margin are asked for; shared by all stages
    """

    site: Site
    engine: Engine
    tolerance_m: float
    tell: Callable[[str], None] | None = None
    boxes: int = 0
    required: dict[tuple[str, str, Kind], Required] = field(default_factory=dict)
    stop: Event = field(default_factory=Event)
    floor: Floor | None = None

    def limit(self, one: str, other: str, kind: Kind) -> Required:
        """The required distance of a pair and kind, asked once."""
        key = (one, other, kind)
        if key not in self.required:
            self.required[key] = required_between(self.site.scene, self.site.circuit_of, one, other, kind)
        return self.required[key]

    def sweep(
        self,
        compiled: Compiled,
        paths: Sequence[Path],
        *,
        tolerance_m: float,
        target_m: float | None = None,
        within: Mapping[str, tuple[float, float]] | None = None,
        budget: int = BUDGET,
    ) -> Found:
        """`enclose`, counted, told of, and ended by `stop`; what was asked before is not swept again."""
        asked = (told_of(compiled, paths), tolerance_m, target_m, tuple((within or {}).items()), budget)
        if asked in compiled.found:
            return compiled.found[asked]

        def told(lower: float, upper: float, boxes: int) -> None:
            if self.stop.is_set():
                raise KeyboardInterrupt
            if self.tell is not None:
                self.tell(f"{compiled.setting.stage}: gap from {lower:.3f} to {upper:.3f} m after {boxes:,} boxes")

        found = enclose(
            self.engine,
            compiled,
            paths,
            tolerance_m=tolerance_m,
            target_m=target_m,
            within=within,
            budget=budget,
            progress=told,
        )
        self.boxes += found.boxes
        compiled.found[asked] = found
        return found


@dataclass(frozen=True, eq=False)
class Piece:
    """A compiled setting with what is asked of it more than once."""

    compiled: Compiled
    least_of: Callable[[Path], float]
    memo: Memo = field(default_factory=Memo)

    def told(self, paths: tuple[Path, ...]) -> Told:
        """A question by content."""
        return told_of(self.compiled, paths)

    def ends(self, path: Path) -> tuple[Hashable, frozenset[Hashable], frozenset[Hashable]]:
        """A path by content: what is crossed between, and the bodies at either end."""
        first, *between, last = path.groups
        crossed = (path.offset_m, *((group.extent_m, self._contents(group)) for group in between))
        return crossed, self._contents(first), self._contents(last)

    def _contents(self, group: Group) -> frozenset[Hashable]:
        changed = self.compiled.changed
        if not changed or changed.keys().isdisjoint(group.names):
            return group.names
        return frozenset(changed.get(name, name) for name in group.bodies)

    def prove(self, paths: Iterable[Path], lower_m: float) -> None:
        """Keep that no gap along the paths is below `lower_m`."""
        if lower_m > 0.0:
            for path in paths:
                crossed, first, last = self.ends(path)
                self.memo.proved.setdefault(crossed, []).append((first, last, lower_m))

    def is_proved(self, path: Path, enough_m: float) -> bool:
        """Whether it is known that no gap along a path is below `enough_m`.

        A gap between two groups is the least between a body of the one and a body of the other, so every such pair must
        be covered by something that was proved.
        """
        crossed, first, last = self.ends(path)
        known = [(one, other) for one, other, least in self.memo.proved.get(crossed, ()) if least >= enough_m]
        return covered(first, last, known)


def pieces_of(bench: Bench, settings: Sequence[Setting]) -> tuple[Piece, ...]:
    """The settings of a stage, ready to be measured."""
    compiled = [compile_setting(bench.engine, setting) for setting in settings]
    return tuple(Piece(one, coarse(bench.engine, one)) for one in compiled)


def case_of(piece: Piece, case: str, chain: Sequence[str]) -> str:
    """A case, with the word for changed hands where the worker whose hands they are is on the chain."""
    sided = {body.name for body in piece.compiled.setting.bodies if body.kind == "worker"}
    if piece.compiled.setting.hand == "right" or not sided.intersection(chain):
        return case
    return OTHER_HAND if case == "as stated" else f"{case} and {OTHER_HAND}"


def piece_after(bench: Bench, setting: Setting, before: Piece, changed: Mapping[str, Hashable]) -> Piece:
    """A setting ready to be measured that differs from one that was by some bodies alone, given by name and content:
    what is known of the others is shared. Where none differs but in its potentials, so is all that was compiled."""
    compiled = recompiled(bench.engine, before.compiled, setting, changed)
    least_of = coarse(bench.engine, compiled) if changed else before.least_of
    return Piece(compiled, least_of, before.memo)


def beneath(bench: Bench, piece: Piece, paths: tuple[Path, ...], required_m: float) -> Measure | None:
    """What of some paths counts where only the verdict and the least margin are asked for.

    None where they are clear and keep no less than the bench's floor; where they breach by less than it, that they do;
    else what `measure_of` finds.
    """
    assert bench.floor is not None
    enough = required_m + bench.floor.spare_m
    known = piece.memo.enclosed.get(piece.told(paths))
    if known is not None and known.lower_m >= enough:
        return None
    if known is None:
        near = [path for path in paths if piece.least_of(path) < enough and not piece.is_proved(path, enough)]
        free = crossed_free(near)
        left = tuple(path for path in free if not piece.is_proved(path, enough))
        found = _held(bench, piece, left, enough)
        if found is None:
            return None
        if free != tuple(near) and found.upper_m < required_m:
            # Crossed for nothing they do not keep it: it is the paths as they are that are judged.
            left = tuple(near)
            found = _held(bench, piece, left, enough)
            if found is None:
                return None
        deepest = required_m + bench.floor.margin_m
        if found.upper_m < required_m and deepest < found.upper_m:
            again = bench.sweep(piece.compiled, left, tolerance_m=bench.tolerance_m, target_m=deepest)
            if again.outcome == "reached":
                bench.floor.breach = True
                verdict = judge(again.lower_m, found.upper_m, required_m)
                return _told(found, again.lower_m, verdict, required_m, "as stated")
    measure = measure_of(bench, piece, paths, required_m, "as stated")
    if measure.margin_lower_m is not None:
        bench.floor.margin_m = min(bench.floor.margin_m, measure.margin_lower_m)
    bench.floor.breach |= measure.verdict == "breach"
    return measure


def _held(bench: Bench, piece: Piece, paths: tuple[Path, ...], least_m: float) -> Found | None:
    """None where no gap along the paths is below `least_m`, which is kept; else what was found."""
    if not paths:
        return None
    found = bench.sweep(piece.compiled, paths, tolerance_m=bench.tolerance_m, target_m=least_m)
    if found.outcome != "reached":
        return found
    piece.prove(paths, found.lower_m)
    return None


def found_for(bench: Bench, piece: Piece, paths: tuple[Path, ...]) -> Found:
    """The enclosure of some paths, to the tolerance, found once."""
    told = piece.told(paths)
    if told not in piece.memo.enclosed:
        found = piece.memo.enclosed[told] = _enclosed(bench, piece, paths)
        piece.prove(paths, found.lower_m)
    return piece.memo.enclosed[told]


def worth_sweeping(bench: Bench, piece: Piece, paths: Sequence[Path]) -> tuple[list[Path], float]:
    """The paths that can hold the least, and the bound of the others."""
    return _worth_sweeping(bench, piece, bounds_of(bench, piece, paths))


def _worth_sweeping(bench: Bench, piece: Piece, bounds: Sequence[tuple[float, Path]]) -> tuple[list[Path], float]:
    """A value at the centre of the box is an upper bound; paths whose boxes alone keep them above it are left out."""
    if len(bounds) == 1:
        return [bounds[0][1]], float("inf")
    short = [path for _, path in sorted(bounds, key=lambda pair: pair[0])[:8]]
    compiled = piece.compiled
    centre = {name: (0.5 * (low + high), 0.5 * (low + high)) for name, (low, high) in compiled.setting.box.items()}
    above = bench.sweep(compiled, short, tolerance_m=bench.tolerance_m, within=centre).upper_m
    # Both are rounded, so a path that attains the least may seem to be above it: keep all within the tolerance.
    above += bench.tolerance_m
    kept = [path for bound, path in bounds if bound <= above]
    left_out = min((bound for bound, _ in bounds if bound > above), default=float("inf"))
    return kept, left_out


def bounds_of(bench: Bench, piece: Piece, paths: Sequence[Path]) -> list[tuple[float, Path]]:
    """What every path cannot be below: by the boxes of its bodies, and past a body that is crossed over its own length
    alone by the gap between what stands on both sides, less that length."""
    return [(max(piece.least_of(path), _past_limited(bench, piece, path)), path) for path in paths]


def _past_limited(bench: Bench, piece: Piece, path: Path) -> float:
    still, engine = piece.compiled.still, bench.engine
    if len(path.groups) != 3 or path.groups[1].extent_m == float("inf"):
        return 0.0
    one, middle, other = path.groups
    if not all(name in still for name in (*one.bodies, *other.bodies)):
        return 0.0
    across = min(still_gap(engine, still[a], still[b])[0] for a in one.bodies for b in other.bodies)
    # 1e-6 m for the rounding of a gap of up to a kilometre.
    return across - middle.extent_m + path.offset_m - 1e-6


def crossed_free(paths: Sequence[Path]) -> tuple[Path, ...]:
    """The paths with every body crossed for nothing over any length: never above the paths themselves, and far easier
    to bound, since what stands on both sides of a body need not be looked at together."""
    return tuple(Path(tuple(Group(group.bodies) for group in path.groups), path.offset_m) for path in paths)


def paths_to_judge(bench: Bench, piece: Piece, paths: tuple[Path, ...], required_m: float | None) -> tuple[Path, ...]:
    """The paths crossed for nothing where these keep the required distance already, else the paths as they are."""
    free = crossed_free(paths)
    if free == paths or required_m is None or found_for(bench, piece, free).lower_m >= required_m:
        return free
    return paths


def _enclosed(bench: Bench, piece: Piece, paths: tuple[Path, ...]) -> Found:
    bounds = bounds_of(bench, piece, paths)
    kept, left_out = _worth_sweeping(bench, piece, bounds)
    budget = BUDGET if crossed_free(paths) == paths else LIMITED_BUDGET
    found = bench.sweep(piece.compiled, kept, tolerance_m=bench.tolerance_m, budget=budget)
    least = min((bound for bound, _ in bounds), default=float("inf"))
    lower = max(min(found.lower_m, left_out), least)
    return replace(found, lower_m=min(lower, found.upper_m))


def measure_of(bench: Bench, piece: Piece, paths: tuple[Path, ...], required_m: float | None, case: str) -> Measure:
    """The least gap along the paths, and its verdict; where bounds straddle the limit, swept again for the verdict
    alone."""
    paths = paths_to_judge(bench, piece, paths, required_m)
    found = found_for(bench, piece, paths)
    lower, why = max(0.0, found.lower_m), ""
    verdict = judge(lower, found.upper_m, required_m)
    if verdict == "undecided" and required_m is not None:
        again = bench.sweep(piece.compiled, paths, tolerance_m=1e-6, target_m=required_m)
        if again.upper_m < found.upper_m:
            found = replace(again, lower_m=max(lower, again.lower_m))
        lower = max(lower, again.lower_m)
        verdict = judge(lower, found.upper_m, required_m)
        if verdict == "undecided":
            why = "the work budget ended before the bounds parted from the limit"
    within = False
    if verdict == "breach" and required_m is not None and bench.floor is None:
        within = _holds_without_uncertainty(bench, piece, paths, required_m)
    measure = _told(found, lower, verdict, required_m, case)
    case = case_of(piece, case, (*measure.ends, *measure.through))
    return replace(measure, within_survey_error=within, why=why, case=case)


def _told(found: Found, lower_m: float, verdict: Verdict, required_m: float | None, case: str) -> Measure:
    """An enclosure as a measure."""
    ends = ("", "")
    through: tuple[str, ...] = ()
    if found.path is not None:
        ends = (found.bodies[0][0], found.bodies[-1][1])
        through = tuple(pair[0] for pair in found.bodies[1:])
    lower, upper = max(0.0, lower_m), max(0.0, found.upper_m)
    return Measure(verdict, required_m, lower, upper, found.at, through, ends, found.points, case=case)


def _holds_without_uncertainty(bench: Bench, piece: Piece, paths: tuple[Path, ...], required_m: float) -> bool:
    """Whether the breach is none when every uncertainty is left out."""
    setting = piece.compiled.setting
    bare = build_engine([setting], uncertainty=False)
    found = enclose(
        bare,
        compile_setting(bare, setting, uncertainty=False),
        paths,
        tolerance_m=bench.tolerance_m,
        target_m=required_m,
    )
    return found.outcome == "reached"
