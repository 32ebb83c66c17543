"""Owns what a briefing shows of falls: drop zones of conductors, and where the ladder may topple and what is near.

Neither is decided here: drop zones were judged with the stages; a toppling is shown and never judged.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from clearance import shapes
from clearance.job import toppling, whip
from clearance.job.setting import Setting
from clearance.motion import displacement, placed
from clearance.permitted import Permits, Permitted
from clearance.report.envelopes import Envelope
from clearance.report.numbers import down, up


def drop_zones(permits: Permits) -> tuple[Envelope, ...]:
    """Where a conductor that is taken off may fall, each once."""
    found: dict[str, Envelope] = {}
    for one in permits.stages:
        for each in whip.whips(permits.prepared.site, one.stage):
            hulls = tuple(hull.shape for hull in each.hulls)
            found.setdefault(each.wire, Envelope(f"drop zone of {each.wire}", hulls))
    return tuple(found.values())


def ladder_falls(permits: Permits, one: Permitted) -> tuple[Envelope, ...]:
    """Where the ladder may topple in a stage, whichever guy is lost; nothing where it stands in none."""
    setting = _pieces(permits, one)[0]
    parts = []
    for each in toppling.topplings(permits.prepared.site, one.stage, setting):
        centre = {name: 0.5 * (low + high) for name, (low, high) in setting.box.items()}
        foot = shapes.points(np.zeros((1, 3)))
        carried = displacement(setting.motion, "carriage", foot, setting.box)
        body = replace(each.body, shape=shapes.thickened(each.body.shape, carried))
        parts.append(placed(body.shape, setting.motion, "carriage", centre))
    if not parts:
        return ()
    guys = toppling.guys_of(permits.prepared.site, one.stage)
    name = "ladder may fall, one guy lost" if guys else "ladder may fall"
    return (Envelope(name, (shapes.join(parts),)),)


def toppling_rows(permits: Permits) -> list[dict[str, Any]]:
    """One row for each guy that may be lost: how far the ladder gets, what still holds it, and over all stages the
    least distance to each potential, rounded down."""
    site = permits.prepared.site
    reach: dict[str, float] = {}
    left: dict[str, tuple[str, ...]] = {}
    least: dict[str, dict[str, tuple[float, str, str]]] = {}
    for one in permits.stages:
        pieces = _pieces(permits, one)
        for each in toppling.topplings(site, one.stage, pieces[0]):
            reach[each.lost] = max(reach.get(each.lost, 0.0), each.reach_m)
            left.setdefault(each.lost, each.left)
            near = least.setdefault(each.lost, {})
            for found in toppling.nearest(site, pieces, each, permits.result.tolerance_m):
                now = (found.gap_m, found.body, one.stage.name)
                near[found.potential] = min(now, near.get(found.potential, now))
    return [
        {
            "lost": lost or "whatever holds it (no guy is stated)",
            "left": " and ".join(left[lost]) or "nothing: to any side",
            "reach": up(reach[lost]),
            "near": [f"{down(gap)} m to {name} ({body}, {stage})" for name, (gap, body, stage) in near.items()],
        }
        for lost, near in least.items()
    ]


def _pieces(permits: Permits, one: Permitted) -> tuple[Setting, ...]:
    """The settings of a stage that topplings are taken from."""
    names = [stage.name for stage in permits.prepared.site.scene.stages]
    return toppling.pieces_of(permits.prepared.stages[names.index(one.stage.name)])
