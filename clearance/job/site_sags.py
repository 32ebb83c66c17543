"""Owns whether spans hang as spans do: what suspension strings bear, and how deep tensioned wires sag."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from clearance.conductor import catenary
from clearance.conductor.catenary import Catenary
from clearance.result import OpenPoint
from clearance.scene import records
from clearance.scene.assemble import HungWire, Site
from clearance.scene.plausible import unless_confirmed
from clearance.scene.records import Point

LIKELY_SAG = (0.0005, 0.12)
"""[1] Sag over span of a tensioned wire: 0.05 % is a taut wire of a few metres, 12 % hangs like a rope. Common
practice, no source."""


def uplifted(site: Site) -> Iterator[OpenPoint]:
    """Suspension strings that their wires lift, as the wires hang where stated: a string cannot push.

    One that is lifted by less than half of its own weight hangs on: its weight acts at its middle.
    """
    lone: list[str] = []
    for name, hung in site.wires.items():
        record = hung.record
        if not isinstance(record, records.SpanWire):
            continue
        for end, string in (("start", record.from_string), ("end", record.to_string)):
            if string is None or string.kind != "suspension":
                continue
            at = hung.catenary.start if end == "start" else hung.catenary.end
            joined = [(other, which) for other in site.wires.values() for which in _meeting(other, at)]
            # Where a weight is not stated all are taken as equally heavy, and lengths of conductor are compared.
            stated = [other.record.weight_N_m for other, _ in joined]
            known = [weight for weight in stated if weight is not None]
            heavy = known if len(known) == len(stated) else [max(known, default=1.0)] * len(stated)
            down = sum(w * _hangs_m(other.catenary, which) for w, (other, which) in zip(heavy, joined, strict=True))
            if string.weight_kN is not None and known:
                down += string.weight_kN * 1000.0 / 2.0
            else:
                down += max(heavy, default=0.0) * string.length_m / 2.0
            if down >= 0.0 or any(other.bent is not None for other, _ in joined):
                continue
            if len(joined) < 2:
                lone.append(f"'{name}' at its {end}")
                continue
            what = f"its suspension string at its {end} is lifted by its wires: a string hangs, it cannot push"
            cure = "check the heights and the tensions of the spans at it and the string's weight_kN, or make it strain"
            yield OpenPoint(f"wire '{name}'", what, cure)
    if lone:
        what = (
            f"suspension strings that the only span at them would lift: {listed(lone)}; the span on the other side, "
            "which must hold them down, is not in the scene"
        )
        yield OpenPoint("wires", what, "check the heights of their attachments, or add the spans beyond", "clear")


def _meeting(hung: HungWire, at: Point) -> Iterator[str]:
    for end, point in (("start", hung.catenary.start), ("end", hung.catenary.end)):
        if math.dist(point, at) <= 0.2 and hung.catenary.constant_m > 0.0:
            yield end


def _hangs_m(curve: Catenary, end: str) -> float:
    """The length of conductor that an end carries: from there to the low point [m]; negative where it pulls upward."""
    span = math.dist(curve.start[:2], curve.end[:2])
    from_low = curve.low_point_m if end == "start" else span - curve.low_point_m
    return curve.constant_m * math.sinh(from_low / curve.constant_m)


def sags(site: Site) -> Iterator[OpenPoint]:
    """Tensioned wires that hang straighter, or deeper, than wires do."""
    for name, hung in site.wires.items():
        record = hung.record
        if not isinstance(record, records.SpanWire) or hung.bent is not None:
            continue
        fields = ("horizontal_tension_kN", "sag_m", "catenary_constant_m")
        field = next(field for field in fields if getattr(record, field) is not None)
        span = math.dist(hung.catenary.start[:2], hung.catenary.end[:2])
        share = catenary.sag_at_midspan(hung.catenary) / span if span > 0.0 else 0.0
        entry, stated = f"wire '{name}'", getattr(record, field)
        if not LIKELY_SAG[0] <= share <= LIKELY_SAG[1]:
            what = (
                f"{field} gives a sag of {100 * share:.3g} % of its span, which is unlikely: usual is "
                f"{100 * LIKELY_SAG[0]:g} to {100 * LIKELY_SAG[1]:g} % (common practice, no source)"
            )
            cure = "mend its unit, its tension or its attachments, or "
            yield from unless_confirmed(site.scene, entry, field, stated, what, cure)


def listed(names: Sequence[str]) -> str:
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
