"""Owns the weather of a live page: what of it may be moved and how far, and the site with its wires placed in one.

A wind or a temperature asked for takes the place of its range; all else of the scene's weather (bearing, gusts,
current, sun, ice) stays the range it is, so wires are still drawn and judged as everywhere they may be.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from clearance.bodies import Body
from clearance.conductor.lines import weather_words
from clearance.scene.assemble import Site, assemble
from clearance.scene.hanging import weather_of
from clearance.scene.records import Range, SceneFile
from clearance.shapes import Shape

MOVABLE: Final = {"wind_m_s": (10.0, 0.0, 60.0), "air_C": (15.0, -60.0, 60.0)}
"""What of the weather may be moved: how far beyond the scene's range, and the least and the most a scene may state."""

WORDS: Final = {"wind_m_s": ("wind", "m/s"), "air_C": ("air", "°C")}
"""For a reader: the name, and the unit, which is the same on a page in feet."""


def free_weather(scene: SceneFile) -> dict[str, tuple[float, float]]:
    """What may be moved, and how far; nothing where the scene states no weather."""
    if scene.weather is None:
        return {}
    found = {}
    for name, (beyond, least, most) in MOVABLE.items():
        stated = getattr(scene.weather, name)
        found[name] = (max(least, stated.lo - beyond), min(most, stated.hi + beyond))
    return found


def stated_weather(scene: SceneFile) -> dict[str, tuple[float, float]]:
    """The ranges that were swept of what may be moved."""
    return {name: (span.lo, span.hi) for name in free_weather(scene) for span in (getattr(scene.weather, name),)}


def site_in(site: Site, at: Mapping[str, float]) -> Site:
    """The site with its wires placed anew at a wind and an air temperature, either or both.

    Bodies that come out the same are the site's own, so that what was made of their shapes stays good.
    Raises InputError where no wire can hang so.
    """
    assert site.scene.weather is not None
    changed = site.scene.changed_entry("weather", **{name: Range(value, value) for name, value in at.items()})
    made = assemble(changed.with_steps(site.scene.stages))
    known = {body.name: body for body in site.bodies}
    return replace(made, bodies=tuple(_kept(known.get(body.name), body) for body in made.bodies))


def words_of(scene: SceneFile) -> str:
    """The weather in which wires are placed, for a reader; nothing where the scene states none."""
    weather = weather_of(scene)
    return "" if weather is None else f"Wires stand wherever they may be in: {weather_words(weather)}."


def where_in(at: Mapping[str, float]) -> str:
    """A weather asked for, in words.

    >>> where_in({"wind_m_s": 6.0})
    'wind 6.0 m/s'
    """
    return ", ".join(f"{WORDS[name][0]} {value:.1f} {WORDS[name][1]}" for name, value in at.items())


def _kept(old: Body | None, new: Body) -> Body:
    if old is None or not _same(old.shape, new.shape):
        return new
    return replace(new, shape=old.shape)


def _same(one: Shape, other: Shape) -> bool:
    pairs = (
        (getattr(one, name), getattr(other, name)) for name in ("vertices", "corners", "radius", "uncertainty", "rate")
    )
    return all(np.array_equal(a, b) for a, b in pairs)
