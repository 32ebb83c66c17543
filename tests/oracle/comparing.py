"""Owns the law: the tool's proved lower bound is no more than any gap found, and nothing found is unjudged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from oracle.search import Found, Key
from oracle.stages import OWN

TOLERANCE = 0.001
"""The oracle's own error [m]: the chords of its wires are off by 0.1 mm each."""


@dataclass(frozen=True)
class Row:
    """One pair of one stage, as both see it."""

    stage: str
    key: Key
    found: Found
    lower_m: float | None
    """The tool's proved bound; None where it judged nothing."""
    limit_m: float | None
    verdict: str

    @property
    def caution_m(self) -> float | None:
        return None if self.lower_m is None else self.found.gap - self.lower_m

    def told(self) -> str:
        return (
            f"{self.stage}: {' to '.join(self.key[:2])}, {', '.join(self.key[2:])}: "
            f"the oracle finds {self.found.gap:.4f} m "
            f"through {' > '.join(self.found.through)} at { {k: round(v, 4) for k, v in self.found.pose.items()} }, "
            f"state {self.found.state}, {self.found.points}; "
            f"proved {self.lower_m}, limit {self.limit_m}, {self.verdict}"
        )


def rows(stage: dict[str, Any], found: dict[Key, Found]) -> list[Row]:
    """What the oracle found in a stage beside what the tool proved of it (a stage of the result's JSON)."""
    return [_row(stage, key, what) for key, what in sorted(found.items()) if not needless(stage, key)]


def _row(stage: dict[str, Any], key: Key, what: Found) -> Row:
    if key[2] == "approach":
        return _approach(stage, key, what)
    pair = {potential.removeprefix(OWN) for potential in key[:2]}
    kinds = {"direct": ("air", "tool"), "crossing": ("object",)}[key[2]]
    judged = [gap for gap in stage["gaps"] if set(gap["between"]) == pair and gap["kind"] in kinds]
    if key[2] == "direct" and any(gap["kind"] == "air" for gap in judged):
        judged = [gap for gap in judged if gap["kind"] == "air"]
    if key[3] == "reach":
        bounds = [(gap["reach"]["gap_lower_m"], gap["reach"]["required_m"]) for gap in judged if gap.get("reach")]
    else:
        bounds = [(gap["gap_lower_m"], gap["limit_m"]) for gap in judged if gap.get("gap_lower_m") is not None]
    if not bounds:
        return Row(stage["name"], key, what, None, None, stage["verdict"])
    lower, limit = min(bounds)
    return Row(stage["name"], key, what, lower, limit, stage["verdict"])


APPROACHED = {
    "step on": ("phase",),
    "step off": ("phase",),
    "climb": ("phase", "earth"),
    "descend": ("phase", "earth"),
    "bond on": ("earth",),
    "bond off": ("earth",),
}
"""To what an unbonded worker must keep the transfer distance, by kind of stage: section 3a of the design."""


def _approach(stage: dict[str, Any], key: Key, what: Found) -> Row:
    who, potential = key[:2]
    judged = [
        (entry["gap_lower_m"], entry["required_m"])
        for entry in stage["approaches"]
        if entry["body"] == who and entry["to"] == potential.removeprefix(OWN) and entry["gap_lower_m"] is not None
    ]
    lower, limit = min(judged, default=(None, None))
    return Row(stage["name"], key, what, lower, limit, stage["verdict"])


def needless(stage: dict[str, Any], key: Key) -> bool:
    """True for an approach that nothing asks for in a stage of this kind."""
    to = "earth" if key[1] == "earth" else "phase"
    return key[2] == "approach" and not key[0].startswith("whip of ") and to not in APPROACHED.get(stage["kind"], ())


def broken(row: Row) -> str | None:
    """What is wrong with a row, in words; None where both agree."""
    if row.lower_m is None:
        return None if row.verdict == "undecided" else f"not judged: {row.told()}"
    if row.lower_m > row.found.gap + TOLERANCE:
        return f"proved more than there is: {row.told()}"
    if row.limit_m is not None and row.found.gap < row.limit_m - TOLERANCE and row.verdict == "clear":
        return f"clear below the limit: {row.told()}"
    return None


def table(all_rows: list[Row]) -> str:
    """How much larger the gaps that were found are than those proved, a line a stage."""
    lines = [f"{'stage':36} {'pairs':>5} {'least caution [m]':>18} {'most [m]':>9}"]
    for stage in dict.fromkeys(row.stage for row in all_rows):
        cautions = [row.caution_m for row in all_rows if row.stage == stage and row.caution_m is not None]
        if cautions:
            lines.append(f"{stage[:36]:36} {len(cautions):5} {min(cautions):18.3f} {max(cautions):9.3f}")
    return "\n".join(lines)
