"""Owns the records of a result; `clearance.result_json` is their JSON.

Every number here is as it was decided, unrounded. Rounding for people is in `clearance.report`: gaps down, limits up.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from clearance.verdict import Verdict as Verdict
from clearance.verdict import worst as worst

FORMAT = 1

LOW_MARGIN_M = 0.10
"""[m] A margin below this is named low, though it is clear: about what a survey, a rope-held ladder or a stretched arm
can hide. Common practice, no source; it changes a word and a colour, never a verdict."""

Kind = Literal["air", "tool", "object"]
Numbers = Mapping[str, float]
Point = tuple[float, float, float]


@dataclass(frozen=True)
class OpenPoint:
    """What keeps a stage, or the whole result, from being clear though no gap says so, and what would settle it.

    where: what it is about, as a message names it ("stage 'climb'", "wire 'bus A'", "the job")
    what: one sentence; cure: which key, statement, earthing or measurement would settle it
    verdict: what it makes of the verdict; "clear" for what a reader must only know first
    """

    where: str
    what: str
    cure: str
    verdict: Verdict = "undecided"

    def __str__(self) -> str:
        return f"{self.where}: {self.what}" if self.where else self.what


@dataclass(frozen=True)
class Measure:
    """A gap that was swept against one distance.

    required_m: the distance [m], None where no rule gives it
    gap_lower_m, gap_upper_m: the least careful gap lies between these [m]; infinite where nothing is there
    at: the parameters of the upper bound, in the units of their names
    through: bodies the chain passes; ends: the bodies at its two ends
    points: the chain's polyline [m], from one end over the bodies between to the other
    within_survey_error: a breach that is none when all uncertainty is left out
    case: the potentials under which it is least ("as stated", "bond lost", ...)
    why: what keeps it undecided, or what the reader must know
    """

    verdict: Verdict
    required_m: float | None
    gap_lower_m: float
    gap_upper_m: float
    at: Numbers
    through: tuple[str, ...]
    ends: tuple[str, str]
    points: tuple[Point, ...]
    within_survey_error: bool = False
    case: str = "as stated"
    why: str = ""

    @property
    def margin_lower_m(self) -> float | None:
        """Proven least margin [m]."""
        return None if self.required_m is None else self.gap_lower_m - self.required_m

    @property
    def margin_upper_m(self) -> float | None:
        """Witnessed margin [m]."""
        return None if self.required_m is None else self.gap_upper_m - self.required_m


@dataclass(frozen=True)
class Gap:
    """One pair of potentials and one kind of limit in a stage, judged twice.

    posture: the stated posture against the whole limit; reach: the full reach envelope against the electrical part,
        None where nobody is aloft (then `posture` is against the whole limit and nothing reaches further)
    limit_m, electrical_m: [m]; rule: name, edition, clause, grade (how the figure is known); voltage: what the limit
        was taken at; silent: why a rule has no value here, so that these are only the least it can be, else ""
    margin_at_assumed_m: margin of `posture` at the rule's assumed overvoltage [m], None where the stated one is that
    """

    between: tuple[str, str]
    kind: Kind
    posture: Measure
    reach: Measure | None
    limit_m: float | None
    electrical_m: float | None
    rule: Mapping[str, str]
    voltage: str
    margin_at_assumed_m: float | None = None
    silent: str = ""

    @property
    def verdict(self) -> Verdict:
        """The worse of both."""
        return worst([self.posture.verdict] + ([self.reach.verdict] if self.reach else []))

    @property
    def governing(self) -> Measure:
        """The measure with the smaller margin, a missing limit first."""
        if self.reach is None:
            return self.posture
        return min(
            (self.posture, self.reach), key=lambda m: -math.inf if m.margin_lower_m is None else m.margin_lower_m
        )


@dataclass(frozen=True)
class Approach:
    """An unbonded worker's distance to a phase or to earth where the stage does not let the worker come near.

    rule: name, edition, clause, grade of a transfer distance; beside: it is of another family of rules than the
        scene's, so that it is judged in a row of its own and its margin, while clear, is not among theirs
    """

    body: str
    to: str
    measure: Measure
    rule: Mapping[str, str] = field(default_factory=dict)
    beside: bool = False


@dataclass(frozen=True)
class Collision:
    """A moving body against all it must not touch; `measure.ends` names what it comes nearest to."""

    body: str
    measure: Measure


@dataclass(frozen=True)
class Insulation:
    """What is left of an insulating length, over the whole box.

    steps: how it was reckoned, one line a deduction
    """

    body: str
    verdict: Verdict
    left_m: float
    required_m: float | None
    at: Numbers
    rule: Mapping[str, str]
    steps: tuple[str, ...] = ()
    why: str = ""


@dataclass(frozen=True)
class Cell:
    """One bin of a map: its ranges, and the verdict over all other parameters."""

    ranges: Mapping[str, tuple[float, float]]
    verdict: Verdict
    margin_lower_m: float
    witness: Numbers | None = None


@dataclass(frozen=True)
class Map:
    """The margin of one gap along one or two parameters, a profile: each bin holds for all other parameters.

    what: "whole limit, stated posture" or "electrical part, reach envelope"
    words: "clear for all", "breach for some", "undecided" are the cells' verdicts in words
    """

    between: tuple[str, str]
    kind: Kind
    what: str
    axes: tuple[str, ...]
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class Near:
    """The least distance of a toppling to what is at a potential, or to people on the ground.

    gap_m: nothing at the potential is nearer [m], uncertainty taken off; body: the nearest
    """

    potential: str
    gap_m: float
    body: str


@dataclass(frozen=True)
class Toppled:
    """Where the ladder may fall once a guy is lost: shown, never judged.

    lost: the guy; left: guys that still hold it, none where it may fall to any side
    reach_m: the furthest any of it gets from its feet [m]
    """

    lost: str
    left: tuple[str, ...]
    reach_m: float
    near: tuple[Near, ...]


@dataclass(frozen=True)
class Stated:
    """One statement the result rests on: what it takes away from what would be judged, and on whose word."""

    takes_away: str
    basis: str
    by: str
    on: str


@dataclass(frozen=True)
class Exempt:
    """What keeps no distance in a stage: the free end of a wire that opens or closes, against what it leaves or whoever
    holds it.

    opens: it opens, else it closes; until_m: the limit that ends it, once reached [m], None where no rule has one
    over_m: how far from its place the free end goes in the stage [m]; on: who allows it, nobody where it is empty
    """

    body: str
    others: tuple[str, ...]
    opens: bool
    until_m: float | None
    over_m: float
    on: tuple[Stated, ...]


@dataclass(frozen=True)
class StageResult:
    """All that was found for one stage."""

    name: str
    kind: str
    parameters: Mapping[str, tuple[float, float]]
    gaps: tuple[Gap, ...]
    approaches: tuple[Approach, ...]
    insulation: tuple[Insulation, ...]
    collisions: tuple[Collision, ...]
    maps: tuple[Map, ...] = ()
    topplings: tuple[Toppled, ...] = ()
    exempt: tuple[Exempt, ...] = ()
    open_points: tuple[OpenPoint, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """The worst of everything in it."""
        found: list[Verdict] = [gap.verdict for gap in self.gaps]
        found += [a.measure.verdict for a in self.approaches] + [c.measure.verdict for c in self.collisions]
        found += [i.verdict for i in self.insulation]
        found += [point.verdict for point in self.open_points]
        return worst(found)


@dataclass(frozen=True)
class LineGap:
    """A gap of the line itself, which no part of the job narrows: listed, not judged."""

    between: tuple[str, str]
    gap_m: float
    ends: tuple[str, str]


@dataclass(frozen=True)
class Without:
    """What the result would be without some statements: those that take away the same thing, or all.

    verdict, margin_m: of everything that would then be judged [m], None where no margin is known; stage: where the
        margin is least; why: what keeps it from being clear, where no margin says so
    """

    statements: tuple[Stated, ...]
    verdict: Verdict
    margin_m: float | None
    stage: str = ""
    why: str = ""


@dataclass(frozen=True)
class Influence:
    """How much the margin of one gap, at its pose, changes with one step of a surveyed or assumed number.

    entry, field, part: which number, as the scene names it; value: as it is in `unit`, None where several move
        together; per: the step in words; to: the worse way, "more" or "less"
    gap_change_m, limit_change_m: of one step that way [m]; None where it could be changed neither way
    refused: why it could not be changed, or not the other way, else ""
    """

    entry: str
    field: str
    part: str
    value: float | None
    unit: str
    per: str
    to: str
    gap_change_m: float | None
    limit_change_m: float | None
    refused: str = ""

    @property
    def margin_change_m(self) -> float | None:
        """Of one step the worse way [m]; negative where it takes from the margin."""
        if self.gap_change_m is None or self.limit_change_m is None:
            return None
        return self.gap_change_m - self.limit_change_m


@dataclass(frozen=True)
class Governing:
    """A gap that governs, and what its margin hangs on.

    margin_m: its proved margin [m]; at: the pose, in the units of its names; ends, through: its chain
    influences: of every number that changes the margin, or could not be changed, the largest first
    asked: how many numbers were changed
    why: why nothing could be asked of it, else ""
    """

    stage: str
    check: str
    between: tuple[str, str]
    kind: Kind
    margin_m: float
    at: Numbers
    ends: tuple[str, str]
    through: tuple[str, ...]
    influences: tuple[Influence, ...] = ()
    asked: int = 0
    why: str = ""


@dataclass(frozen=True)
class Result:
    """All verdicts of one scene.

    open_points: what was found of the site and of the job as a whole, the site first; shown above everything else
    statements: what it would be without each group of statements, and without_all: without any; None where there is
        none, or nobody asked
    complete: the stages are a whole job, from nobody aloft to nobody aloft
    skipped: what was not evaluated and why; basis: what the verdict rests on, as lines
    measure_first: what the margins of the governing gaps hang on, the least margin first; None where nobody asked
    """

    scene: str
    sha256: str
    version: str
    tolerance_m: float
    stages: tuple[StageResult, ...]
    line: tuple[LineGap, ...] = ()
    skipped: tuple[str, ...] = ()
    basis: tuple[str, ...] = ()
    open_points: tuple[OpenPoint, ...] = ()
    statements: tuple[Without, ...] = ()
    without_all: Without | None = None
    complete: bool = False
    measure_first: tuple[Governing, ...] | None = None
    boxes: int = field(default=0, compare=False)

    @property
    def verdict(self) -> Verdict:
        """The worst of the stages and of what was found of the site and the job; of no stage, undecided."""
        stages = worst([stage.verdict for stage in self.stages])
        return worst([stages, *(point.verdict for point in self.open_points)])

    @property
    def cover(self) -> bool:
        """Whether statements cover for one another: without all of them the verdict is worse, or the least margin less
        by more than both tolerances, than without any one group."""
        every, groups = self.without_all, self.statements
        if every is None or len(groups) < 2:
            return False
        if every.verdict != worst([group.verdict for group in groups]):
            return True
        margins = [group.margin_m for group in groups if group.margin_m is not None]
        if every.margin_m is None or not margins:
            return False
        return every.margin_m < min(margins) - 2 * self.tolerance_m

    def to_json(self) -> str:
        """The result as JSON text, format 1: keys in a fixed order, no number rounded, infinite distances as null."""
        from clearance.result_json import text_of

        return text_of(self)


def least_margin(stages: Iterable[tuple[str, StageResult]]) -> tuple[float | None, str]:
    """The least proved margin of gaps, approaches and insulating lengths of stages by name [m], and the stage it is in;
    None and "" where there is none. What a figure beside the scene's rules leaves counts where it is not clear, or
    clear by little."""
    found: list[tuple[float, str]] = []
    for name, one in stages:
        measures = [m for gap in one.gaps for m in (gap.posture, gap.reach) if m is not None]
        measures += [
            approach.measure
            for approach in one.approaches
            if not approach.beside or approach.measure.verdict != "clear" or _low(approach.measure)
        ]
        found += [(m.margin_lower_m, name) for m in measures if m.margin_lower_m is not None]
        found += [(i.left_m - i.required_m, name) for i in one.insulation if i.required_m is not None]
    finite = [item for item in found if math.isfinite(item[0])]
    return min(finite) if finite else (None, "")


def _low(measure: Measure) -> bool:
    return measure.margin_lower_m is not None and measure.margin_lower_m < LOW_MARGIN_M


def first_open(stages: Iterable[tuple[str, StageResult]]) -> str:
    """What is in breach first, else what is not clear first, and its stage; nothing where all are clear."""
    found: list[tuple[Verdict, str]] = []
    for name, one in stages:
        if one.verdict == "clear":
            continue
        said = [(c.measure.verdict, f"{c.body} meets {c.measure.ends[1]}") for c in one.collisions]
        said += [(gap.verdict, f"{gap.between[0]} to {gap.between[1]}, {gap.kind}") for gap in one.gaps]
        said += [(a.measure.verdict, f"approach of {a.body} to {a.to}") for a in one.approaches]
        said += [(i.verdict, f"insulating length of {i.body}") for i in one.insulation]
        said += [(point.verdict, str(point)) for point in one.open_points]
        found += [(verdict, f"{name}: {what}") for verdict, what in said if verdict != "clear"]
    return next((what for verdict, what in found if verdict == "breach"), found[0][1] if found else "")


class Interrupted(KeyboardInterrupt):
    """A check that was interrupted: the stages that were finished, and how many there are."""

    def __init__(self, stages: tuple[StageResult, ...], asked: int) -> None:
        super().__init__()
        self.stages, self.asked = stages, asked
