"""Owns what is known of questions by their content, so that nothing is swept twice that rests on the same bodies in the
same places over the same ranges.

A question is known by its paths, which name bodies and nothing of their potentials, with the numbers of every body that
is otherwise than where the memory was begun. Nothing is keyed by an object that nobody keeps.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from clearance.bodies import Body
from clearance.engine import Compiled, Found, Path, build_engine, compile_setting, enclose
from clearance.job.setting import Setting

Told = tuple[tuple[Path, ...], tuple[Hashable, ...]]
"""A question by content: its paths, and what is otherwise on them than in the piece that is remembered for."""


def told_of(compiled: Compiled, paths: Sequence[Path]) -> Told:
    """A question by content."""
    changed = compiled.changed
    if not changed:
        return tuple(paths), ()
    names = frozenset[str]().union(*(group.names for path in paths for group in path.groups))
    return tuple(paths), tuple(content for name, content in changed.items() if name in names)


@dataclass(frozen=True, eq=False)
class Memo:
    """What is known of one motion over one box, shared by a piece and by the same one without some statements.

    A path names its bodies and nothing of their potentials: what is known of it holds under any. Bodies that are not
    the same stand beside it by their content, so that what was found for one is never taken for another.

    enclosed: enclosures to the tolerance, by question
    proved: by what is crossed between, what stands at both ends and what every gap between these is proved not to be
        below [m]
    touched: by member, body and range, between which two places along the member the body may touch it [m]; None
        where nowhere
    met: by two members and range, parts of the one, each with where on the other it may touch [m]
    """

    enclosed: dict[Told, Found] = field(default_factory=dict)
    proved: dict[Hashable, list[tuple[frozenset[Hashable], frozenset[Hashable], float]]] = field(default_factory=dict)
    touched: dict[Hashable, tuple[float, float] | None] = field(default_factory=dict)
    met: dict[Hashable, tuple[tuple[tuple[float, float], tuple[float, float]], ...]] = field(default_factory=dict)


def covered(
    first: frozenset[Hashable],
    last: frozenset[Hashable],
    known: Sequence[tuple[frozenset[Hashable], frozenset[Hashable]]],
) -> bool:
    """Whether every pair of the one set and the other is in the product of some two that are known."""
    if not first or not last:
        return True
    for number, (one, other) in enumerate(known):
        if first & one and last & other:
            rest = known[number + 1 :]
            return covered(first - one, last, rest) and covered(first & one, last - other, rest)
    return False


def alone(setting: Setting, bodies: Sequence[Body], paths: Sequence[Path], tolerance_m: float) -> Found:
    """The least along paths between some bodies on the links of a setting, over its box, measured by themselves; once
    for the same bodies, links and box, which many stages share."""
    key = _content(setting, bodies, paths, tolerance_m)
    found = _ALONE.get(key)
    if found is None:
        small = replace(setting, bodies=tuple(bodies), touching=frozenset())
        engine = build_engine([small])
        compiled = compile_setting(engine, small)
        found = enclose(engine, compiled, paths, tolerance_m=tolerance_m)
        if len(_ALONE) >= MOST_ALONE:
            _ALONE.clear()
        _ALONE[key] = found
    return found


MOST_ALONE = 1024
"""Enclosures of few bodies that are kept: some tens of kilobytes each."""

_ALONE: dict[Hashable, Found] = {}


def _content(setting: Setting, bodies: Sequence[Body], paths: Sequence[Path], tolerance_m: float) -> Hashable:
    """All that an enclosure of some bodies by themselves rests on."""
    links = {body.link for body in bodies if body.link is not None}
    joints = tuple(
        (link, tuple(tuple(map(_plain, vars(joint).values())) for joint in setting.motion.joints_of(link)))
        for link in sorted(links)
    )
    shapes = tuple(
        (body.name, body.link, setting.rated.get(body.name), *map(_plain, vars(body.shape).values())) for body in bodies
    )
    return joints, shapes, setting.motion.parameters, tuple(setting.box.items()), tuple(paths), tolerance_m


def _plain(value: object) -> Hashable:
    return (value.shape, value.tobytes()) if isinstance(value, np.ndarray) else value
