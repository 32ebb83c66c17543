"""Owns the law of the gaps: what is proved is no more than what is found, no limit is too small, and all is judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from oracle.limits import Limits
from oracle.search import Found, Key
from oracle.stages import OWN

TOLERANCE = 0.001
"""The oracle's own error [m]: the chords of its wires are off by 0.1 mm each."""
SAME_LIMIT = 0.0001
"""To what the limits of both are compared [m]."""
Judged = dict[str, Any]


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
    """Of that gap, or of the stage where it judged nothing."""
    least_limit_m: float
    """What the oracle asks for at least; 0 where it knows no limit."""

    @property
    def caution_m(self) -> float | None:
        return None if self.lower_m is None else self.found.gap - self.lower_m

    def told(self) -> str:
        return (
            f"{self.stage}: {' to '.join(self.key[:2])}, {', '.join(self.key[2:])}: "
            f"the oracle finds {self.found.gap:.4f} m, asks for {self.least_limit_m:.4f} m, "
            f"through {' > '.join(self.found.through)} at { {k: round(v, 4) for k, v in self.found.pose.items()} }, "
            f"state {self.found.state}, {self.found.points}; "
            f"proved {self.lower_m}, limit {self.limit_m}, {self.verdict}"
        )


def rows(stage: Judged, found: dict[Key, Found], limits: Limits | None) -> list[Row]:
    """What the oracle found in a stage beside what the tool proved of it (a stage of the result's JSON)."""
    return [_row(stage, key, what, limits) for key, what in sorted(found.items()) if not needless(stage, key)]


def _row(stage: Judged, key: Key, what: Found, limits: Limits | None) -> Row:
    if key[2] == "approach":
        return _approach(stage, key, what, limits)
    one, other = (potential.removeprefix(OWN) for potential in key[:2])
    kinds = {"direct": ("air", "tool"), "crossing": ("object",)}[key[2]]
    judged = [gap for gap in stage["gaps"] if set(gap["between"]) == {one, other} and gap["kind"] in kinds]
    if key[2] == "direct" and any(gap["kind"] == "air" for gap in judged):
        judged = [gap for gap in judged if gap["kind"] == "air"]
    if key[3] == "reach":
        judged = [gap["reach"] | {"limit_m": gap["reach"]["required_m"]} for gap in judged if gap.get("reach")]
    else:
        judged = [gap | {"verdict": gap["posture_verdict"]} for gap in judged if gap.get("gap_lower_m") is not None]
    least = 0.0
    if limits is not None:
        ask = limits.electrical if key[3] == "reach" else limits.least
        least = ask(one, other, "air" if key[2] == "direct" else "object")
    return _judged(stage, key, what, judged, least)


def _judged(stage: Judged, key: Key, what: Found, judged: Sequence[Judged], least: float) -> Row:
    if not judged:
        return Row(stage["name"], key, what, None, None, stage["verdict"], least)
    gap = min(judged, key=lambda each: (each["gap_lower_m"], each["limit_m"]))
    return Row(stage["name"], key, what, gap["gap_lower_m"], gap["limit_m"], gap["verdict"], least)


APPROACHED = {
    "step on": ("phase",),
    "step off": ("phase",),
    "climb": ("phase", "earth"),
    "descend": ("phase", "earth"),
    "bond on": ("earth",),
    "bond off": ("earth",),
}
"""To what an unbonded worker must keep the transfer distance, by kind of stage: section 3a of the design."""
BARE = 0.3
"""From a bare body at the transfer of potential, up to 220 kV [m]; from memory, see the reference."""


def _approach(stage: Judged, key: Key, what: Found, limits: Limits | None) -> Row:
    who, to = key[0], key[1].removeprefix(OWN)
    judged = [
        entry | {"limit_m": entry["required_m"]}
        for entry in stage["approaches"]
        if entry["body"] == who and entry["to"] == to and entry["gap_lower_m"] is not None
    ]
    least = BARE
    if who.startswith("whip of ") and limits is not None:
        wire = who.removeprefix("whip of ")
        least = limits.electrical(what.state.get(wire, wire), "earth" if to == "crew" else to, "air")
    return _judged(stage, key, what, judged, least)


def needless(stage: Judged, key: Key) -> bool:
    """True for an approach that nothing asks for in a stage of this kind."""
    to = "earth" if key[1] == "earth" else "phase"
    return key[2] == "approach" and not key[0].startswith("whip of ") and to not in APPROACHED.get(stage["kind"], ())


def broken(row: Row) -> str | None:
    """What is wrong with a row, in words; None where both agree."""
    if row.lower_m is None or row.limit_m is None:
        return None if row.verdict == "undecided" else f"not judged: {row.told()}"
    if row.lower_m > row.found.gap + TOLERANCE:
        return f"proved more than there is: {row.told()}"
    if row.limit_m < row.least_limit_m - SAME_LIMIT:
        return f"limit too small: {row.told()}"
    if row.found.gap < max(row.limit_m, row.least_limit_m) - TOLERANCE and row.verdict == "clear":
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
