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
    site: Site, made: Carried, before: Mapping[tuple[str, str], float], after: Mapping[tuple[str, str], float]
) -> float:
    """How much further [m] any point of a section moves in the weather than in still air at its stated temperature.

    Tried at the lowest and highest temperature, in still air and in the strongest wind from both sides.
    """
    weather = weather_of(site.scene)
    if weather is None:
        return 0.0
    warm = [conductor_temperature(line, weather)[0] for line in made.lines]
    forces = [wind_force(line, weather) for line in made.lines]
    still = np.zeros((len(made.lines), 3))
    winds = [still, winds_on(made.lines, forces, 0.0), winds_on(made.lines, forces, 1.0)]

    def moved(at_C: float | None, blown: np.ndarray) -> float:
        both = [
            settled(made, on, 0, at_C, blown, wind_on_strings(made.lines, blown))[1].lines for on in (before, after)
        ]
        worst = 0.0
        for one, two in zip(*both, strict=True):
            counts = chord_counts([one, two], CHORD_ERROR_M)
            worst = max(worst, float(np.linalg.norm(at_shares(two, counts) - at_shares(one, counts), axis=1).max()))
        return worst

    temperatures = min(pair[0] for pair in warm), max(pair[1] for pair in warm)
    largest = max(moved(at_C, blown) for at_C in temperatures for blown in winds)
    return max(0.0, (1.0 + MORE) * largest * 2.0 - moved(None, still))
