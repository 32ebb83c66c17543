"""Owns the making of wires: fitted pieces grouped into spans and conductors, named, each with its uncertainty along
the span.

The uncertainty of a wire is the largest, over its whole length, of: 95 % uncertainty of the fitted curve up and
sideways,
plus the stated accuracy of the survey, plus how far the curve is from the catenary in the vertical plane that stands
for it in a scene (blow-out leaves that plane), plus, where a bundle was not resolved, half of the spread of returns
sideways.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from clearance.conductor.catenary import from_constant
from clearance.survey.claims import refine
from clearance.survey.fit import height, place, standard_errors, to_frame
from clearance.survey.joints import meeting
from clearance.survey.naming import Proposal, propose
from clearance.survey.records import Bundle, Curve, Floats, Wire
from clearance.survey.supports import Line

FEWEST_RETURNS = 4
"""Returns a wire must have."""

STEP_M = 5.0
"""[m] Spacing at which the uncertainty along a wire is worked out."""

LONG_GAP_M = 25.0
"""[m] A stretch without returns longer than this is pointed out."""

SINGLE_SPREAD_M = 0.20
"""[m] Returns of one conductor lie this close to its curve sideways, 95 in 100; wider is an unresolved bundle or a
swing."""


@dataclass(frozen=True, eq=False)
class Fitted:
    """A piece with its final curve, before it has a name."""

    curve: Curve
    bundle: Bundle
    returns: Floats
    low: float
    high: float
    supports: tuple[int, int]
    prior: bool


def fit_pieces(line: Line, returns: Sequence[Floats]) -> list[Fitted]:
    """Final curves of all pieces: first those that show their own curvature, then the others with theirs as a prior."""
    typical = _typical_curvature(line)
    out: list[Fitted] = []
    for index, piece in enumerate(line.pieces):
        low, high = line.reach[index]
        at = (line.ends[index][0] >= 0, line.ends[index][1] >= 0)
        some = returns[index]
        if len(some) < FEWEST_RETURNS:
            some = piece.xyz
        s = to_frame(some, piece.curve.base, piece.curve.direction)[:, 0]
        weak = high - low < 80.0 or len(some) < 12 or np.ptp(s) < 0.5 * (high - low)
        prior = (typical[index], 0.25 * typical[index]) if weak else None
        curve, bundle, _ = refine(some, piece.curve, low, high, at, prior)
        low = low if at[0] else float(s.min())
        high = high if at[1] else float(s.max())
        out.append(Fitted(curve, bundle, some, low, high, line.ends[index], prior is not None))
    return _met_again(line, out)


def _typical_curvature(line: Line) -> list[float]:
    """Curvature of the long wires near each piece [1/m]: of its partners at supports, else of all."""
    own = [piece.curve.vertical[2] for piece in line.pieces]
    long = [piece.reach[1] - piece.reach[0] > 80.0 and len(piece.xyz) >= 12 for piece in line.pieces]
    everyone = [float(q) for q, fine in zip(own, long, strict=True) if fine] or [float(q) for q in own] or [1e-3]
    partners: dict[int, list[float]] = {}
    for joint in line.joints:
        for this, other in ((joint.first[0], joint.second[0]), (joint.second[0], joint.first[0])):
            if long[other]:
                partners.setdefault(this, []).append(float(own[other]))
    usual = float(np.median(everyone))
    return [float(np.median(partners[index])) if index in partners else usual for index in range(len(own))]


def _met_again(line: Line, fitted: list[Fitted]) -> list[Fitted]:
    """Ends at supports, moved to where the final curves meet."""
    reach = [[each.low, each.high] for each in fitted]
    for joint in line.joints:
        a, b = fitted[joint.first[0]], fitted[joint.second[0]]
        met = meeting(a.curve, b.curve, joint.place)
        if met is None or np.hypot(*(met[0] - joint.place)[:2]) > 5.0:
            continue
        for (index, end), one in ((joint.first, a), (joint.second, b)):
            reach[index][end] = float((met[0][:2] - one.curve.base) @ one.curve.direction)
    return [replace(each, low=r[0], high=r[1]) for each, r in zip(fitted, reach, strict=True)]


def _spans(line: Line, fitted: Sequence[Fitted]) -> list[list[int]]:
    """Pieces that hang side by side: between the same supports, or from the same support to an open end, or
    overlapping."""
    groups: dict[tuple[object, ...], list[int]] = {}
    loose: list[int] = []
    for index, each in enumerate(fitted):
        a, b = each.supports
        if a >= 0 and b >= 0:
            groups.setdefault(("between", min(a, b), max(a, b)), []).append(index)
        elif a >= 0 or b >= 0:
            number = max(a, b)
            out = each.curve.direction if a >= 0 else -each.curve.direction
            groups.setdefault(("from", number, bool(out @ line.supports[number].direction > 0)), []).append(index)
        else:
            loose.append(index)
    for index in loose:
        mine = fitted[index]
        for key, members in groups.items():
            other = fitted[members[0]]
            s = np.array(
                [
                    (place(mine.curve, np.array([v]))[0, :2] - other.curve.base) @ other.curve.direction
                    for v in (mine.low, mine.high)
                ]
            )
            aside = float(
                (mine.curve.base - other.curve.base) @ np.array([-other.curve.direction[1], other.curve.direction[0]])
            )
            shared = min(s.max(), other.high) - max(s.min(), other.low)
            if (
                shared > 0.5 * min(np.ptp(s), other.high - other.low)
                and abs(aside) < 40
                and abs(mine.curve.direction @ other.curve.direction) > 0.98
            ):
                groups[key].append(index)
                break
        else:
            groups[("loose", index)] = [index]
    return list(groups.values())


def _conductors(line: Line) -> list[int]:
    """Number of the conductor each piece is part of: pieces that go on in one another share it."""
    parent = list(range(len(line.pieces)))

    def root(k: int) -> int:
        while parent[k] != k:
            parent[k] = parent[parent[k]]
            k = parent[k]
        return k

    for joint in line.joints:
        a, b = sorted((root(joint.first[0]), root(joint.second[0])))
        parent[b] = a
    return [root(k) for k in range(len(parent))]


def uncertainty(curve: Curve, s: Floats, accuracy_m: float) -> Floats:
    """How far the wire may be from the curve at s, at 95 %: fit and stated survey accuracy together [m]."""
    up, side = standard_errors(curve, s)
    freedom = max(curve.points / curve.correlation - 3.0, 1.0)
    factor = float(special.stdtrit(freedom, 0.975))
    return np.asarray(factor * np.hypot(up, side) + accuracy_m)


def sag_and_error(curve: Curve, low: float, high: float) -> tuple[float, float]:
    """Sag below the middle of the chord between two places along the curve, and its 95 % error from the fit [m]."""

    def sag(vertical: Floats) -> float:
        z = height(replace(curve, vertical=vertical), np.array([low, (low + high) / 2.0, high]))
        return float((z[0] + z[2]) / 2.0 - z[1])

    gradient = np.zeros(3)
    for index, step in enumerate((1e-3, 1e-6, 1e-6 * float(curve.vertical[2]))):
        change = np.zeros(3)
        change[index] = step
        gradient[index] = (sag(curve.vertical + change) - sag(curve.vertical - change)) / (2 * step)
    freedom = max(curve.points / curve.correlation - 3.0, 1.0)
    return sag(curve.vertical), float(
        special.stdtrit(freedom, 0.975) * np.sqrt(gradient @ curve.vertical_covariance @ gradient)
    )


def _out_of_plane(curve: Curve, s: Floats) -> Floats:
    """Distance between the fitted curve and the catenary of the same constant in the vertical plane through its ends
    [m]."""
    xyz = place(curve, s)
    hung = from_constant(xyz[0], xyz[-1], curve.constant_m)
    along = (xyz[:, :2] - xyz[0, :2]) @ np.asarray(hung.direction)
    x = along - hung.low_point_m
    a = hung.constant_m
    z = hung.start[2] + a * (np.cosh(x / a) - np.cosh(hung.low_point_m / a))
    plan = np.asarray(hung.start[:2]) + along[:, None] * np.asarray(hung.direction)
    return np.asarray(np.sqrt(np.sum(np.square(xyz[:, :2] - plan), axis=1) + np.square(xyz[:, 2] - z)))


def _main_direction(places: Floats) -> Floats:
    if len(places) < 2:
        return np.array([1.0, 0.0])
    _, vectors = np.linalg.eigh(np.cov(places.T) + 1e-9 * np.eye(2))
    main = vectors[:, 1]
    lead = main[0] if abs(main[0]) > 1e-9 else main[1]
    return np.asarray(main * (1.0 if lead > 0 else -1.0))


def make_wires(
    line: Line, fitted: Sequence[Fitted], accuracy_m: float, names: dict[int, tuple[str, str, str]] | None
) -> tuple[list[Wire], list[int]]:
    """Wires with their names and uncertainty, in order along the line; and the new order of the supports."""
    if not fitted:
        return [], []
    middles = np.array([each.curve.base for each in fitted])
    main = _main_direction(np.concatenate([middles, np.array([s.axis for s in line.supports]).reshape(-1, 2)]))
    order = sorted(range(len(line.supports)), key=lambda k: float(line.supports[k].axis @ main))
    position = {old: new for new, old in enumerate(order)}
    spans = sorted(_spans(line, fitted), key=lambda group: float(np.mean(middles[group] @ main)))
    conductors = _conductors(line)
    votes: dict[int, dict[tuple[str, str, str, bool, str], float]] = {}
    for group in spans:
        direction = fitted[group[0]].curve.direction
        left = np.array([-direction[1], direction[0]])
        centre = middles[group].mean(axis=0)
        hung = np.array(
            [
                [
                    float((place(f.curve, np.array([(f.low + f.high) / 2]))[0, :2] - centre) @ left),
                    float(np.mean(height(f.curve, np.array([f.low, f.high])))),
                ]
                for f in (fitted[k] for k in group)
            ]
        )
        complete = all(min(fitted[k].supports) >= 0 for k in group)
        for k, proposal in zip(group, propose(hung, [fitted[k].bundle for k in group], complete), strict=True):
            key = (proposal.kind, proposal.circuit, proposal.phase, proposal.sure, proposal.why)
            poll = votes.setdefault(conductors[k], {})
            weight = (fitted[k].high - fitted[k].low) * (4.0 if proposal.sure else 1.0) * len(group)
            poll[key] = poll.get(key, 0.0) + weight
    chosen = {c: Proposal(*max(sorted(poll), key=lambda key: poll[key])) for c, poll in votes.items()}
    numbers = _conductor_numbers(spans, conductors, chosen)
    out: list[Wire] = []
    for span, group in enumerate(spans, start=1):
        for k in sorted(
            group,
            key=lambda k: (chosen[conductors[k]].kind, chosen[conductors[k]].circuit, chosen[conductors[k]].phase, k),
        ):
            proposal = chosen[conductors[k]]
            number = numbers[conductors[k]]
            if names is not None and number in names:
                proposal = Proposal(*names[number], True, "stated in the table of phases")
            votes_differ = len({(key[0], key[2]) for key in votes[conductors[k]] if key[3]}) > 1
            ends = tuple(position.get(end, -1) for end in fitted[k].supports)
            out.append(
                _wire(fitted[k], proposal, number, span, (ends[0], ends[1]), accuracy_m, votes_differ and names is None)
            )
    return _unique(out), order


def _conductor_numbers(
    spans: Sequence[Sequence[int]], conductors: Sequence[int], chosen: dict[int, Proposal]
) -> dict[int, int]:
    seen: list[int] = []
    for group in sorted(spans, key=lambda group: -len(group)):
        for k in sorted(
            group,
            key=lambda k: (chosen[conductors[k]].kind, chosen[conductors[k]].circuit, chosen[conductors[k]].phase, k),
        ):
            if conductors[k] not in seen:
                seen.append(conductors[k])
    return {conductor: number for number, conductor in enumerate(seen, start=1)}


def _unique(wires: list[Wire]) -> list[Wire]:
    """Wires with a number added to names that occur twice in one span."""
    count: dict[str, int] = {}
    out = []
    for wire in wires:
        count[wire.name] = count.get(wire.name, 0) + 1
        if count[wire.name] > 1:
            remark = "a second wire of this name in the span: names are to be put right in phases.csv"
            wire = replace(wire, name=f"{wire.name} ({count[wire.name]})", remarks=(*wire.remarks, remark))
        out.append(wire)
    return out


def _wire(
    each: Fitted,
    proposal: Proposal,
    conductor: int,
    span: int,
    supports: tuple[int, int],
    accuracy_m: float,
    differ: bool,
) -> Wire:
    curve = each.curve
    s = np.linspace(each.low, each.high, max(3, int((each.high - each.low) / STEP_M) + 2))
    fitted = uncertainty(curve, s, accuracy_m)
    plane = _out_of_plane(curve, s)
    spread = each.bundle.spread_m - SINGLE_SPREAD_M if each.bundle.count == 1 else 0.0
    unresolved = max(0.0, spread)
    total = fitted + plane + unresolved
    at = np.sort(to_frame(each.returns, curve.base, curve.direction)[:, 0])
    gap = float(np.diff(np.concatenate([[each.low], at[(at > each.low) & (at < each.high)], [each.high]])).max())
    sag, sag_error = sag_and_error(curve, each.low, each.high)
    remarks: list[str] = []
    if gap > LONG_GAP_M:
        remarks.append(f"no return over {gap:.0f} m of it")
    if each.prior:
        remarks.append("short or sparse: its curvature leans on the wires beside it")
    if len(each.returns) < 30:
        remarks.append(f"only {len(each.returns)} returns")
    if min(supports) < 0:
        remarks.append("cut by the edge of the scan or not seen up to a support: a part of a span")
    if unresolved > 0:
        remarks.append(
            f"returns spread {each.bundle.spread_m:.2f} m sideways: a bundle not resolved, or a swinging wire"
        )
    swing = abs(float(curve.lateral[2]))
    if swing > max(0.15, 3.0 * float(np.sqrt(curve.lateral_covariance[2, 2]))) and not each.prior:
        remarks.append(f"blown out by {np.degrees(np.arctan(curve.lateral[2])):.0f} deg while scanned")
    if curve.rms_vertical > 0.10:
        remarks.append(f"vertical RMS {curve.rms_vertical * 100:.0f} cm: returns do not follow one catenary")
    if each.bundle.count > 1 and not (
        each.bundle.arrangement == "horizontal pair" and 0.28 < each.bundle.spacing_m < 0.55
    ):
        remarks.append(
            f"an unusual bundle ({each.bundle.arrangement} {each.bundle.spacing_m:.2f} m): wires too near to part?"
        )
    if differ:
        remarks.append("its name differs from span to span by position")
    if not proposal.sure:
        remarks.append(
            "the number of wires does not make whole circuits, or the span is cut: name by position is a guess"
        )
    ends = place(curve, np.array([each.low, each.high]))
    return Wire(
        f"{proposal.phase} span {span}",
        proposal.kind,
        proposal.phase,
        proposal.circuit,
        conductor,
        span,
        curve,
        each.bundle,
        ends[0],
        ends[1],
        supports,
        each.returns,
        float(total.max()),
        s - s[0],
        total,
        sag,
        sag_error,
        gap,
        tuple(remarks),
    )
