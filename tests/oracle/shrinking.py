"""Owns making a scene that fails smaller while it fails: entries and keys deleted one at a time, numbers rounded."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from typing import Any

from oracle.reading import Table

Way = tuple[Any, ...]
"""Keys and numbers of entries from the scene down to a value."""


def shrink(scene: Table, fails: Callable[[Table], bool], most: int = 400) -> Table:
    """The smallest scene found that still fails; `most` scenes are tried."""
    tried = 0
    smaller = True
    while smaller:
        smaller = False
        for change in _changes(scene):
            if tried >= most:
                return scene
            other = change(copy.deepcopy(scene))
            if other == scene:
                continue
            tried += 1
            if fails(other):
                scene, smaller = other, True
                break
    return scene


def _changes(scene: Table) -> Iterator[Callable[[Table], Table]]:
    ways = list(_ways(scene, ()))
    for way in ways:
        if isinstance(way[-1], int) and isinstance(_at(scene, way), dict | str):
            yield lambda other, way=way: _without(other, way)
    for way in ways:
        if isinstance(way[-1], str):
            yield lambda other, way=way: _without(other, way)
    for digits in (0, 1, 2):
        for way in ways:
            if isinstance(_at(scene, way), float):
                yield lambda other, way=way, digits=digits: _rounded(other, way, digits)


def _ways(value: Any, way: Way) -> Iterator[Way]:
    entries = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, entry in entries:
        yield (*way, key)
        yield from _ways(entry, (*way, key))


def _at(value: Any, way: Way) -> Any:
    for key in way:
        value = value[key]
    return value


def _without(scene: Table, way: Way) -> Table:
    del _at(scene, way[:-1])[way[-1]]
    return scene


def _rounded(scene: Table, way: Way, digits: int) -> Table:
    _at(scene, way[:-1])[way[-1]] = round(_at(scene, way), digits)
    return scene
