"""Owns how far wires move in the weather when a load on them goes: an allowance, over states solved."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from clearance.conductor.elastic import at_shares, chord_counts
from clearance.conductor.groups import wind_on_strings, winds_on
from clearance.conductor.loads import Carried, settled
from clearance.conductor.ranges import conductor_temperature, wind_force
from clearance.scene.assemble import Site
from clearance.scene.hanging import weather_of
from clearance.tolerances import CHORD_ERROR_M

MORE: Final = 0.2
"""[1] The largest move of the states tried is taken this part larger."""


def worst_move(
    site: Site,
    made: Carried,
    base: Mapping[tuple[str, str], float],
    states: tuple[Mapping[tuple[str, str], float], Mapping[tuple[str, str], float]],
    top: float,
) -> float:
    """How far [m] any point of a section may be in the weather from where it would be with its usual loads.

    base: loads that the envelopes of its wires hold; states: loads before and after; top: how far of the way between
    the two is counted, 2 for a load let go at once. Tried at the lowest and the highest temperature, in still air and
    in the strongest wind from both sides; the largest, and a part more.
    """
    weather = weather_of(site.scene)
    if weather is None:
        return 0.0
    warm = [conductor_temperature(line, weather)[0] for line in made.lines]
    forces = [wind_force(line, weather) for line in made.lines]
    winds = [np.zeros((len(made.lines), 3)), winds_on(made.lines, forces, 0.0), winds_on(made.lines, forces, 1.0)]
    worst = 0.0
    for at_C in (min(pair[0] for pair in warm), max(pair[1] for pair in warm)):
        for blown in winds:
            solved = [
                settled(made, on, 0, at_C, blown, wind_on_strings(made.lines, blown))[1].lines for on in (base, *states)
            ]
            for usual, first, last in zip(*solved, strict=True):
                counts = chord_counts([usual, first, last], CHORD_ERROR_M)
                here, one, two = (at_shares(line, counts) for line in (usual, first, last))
                reached = np.maximum(np.linalg.norm(one - here, axis=1), np.linalg.norm(two - here, axis=1))
                beyond = (top - 1.0) * np.linalg.norm(two - one, axis=1)
                worst = max(worst, float((reached + beyond).max()))
    return (1.0 + MORE) * worst
