"""Owns random scenes in weather: those of a ladder below spans, each of a stated conductor between dead ends."""

from __future__ import annotations

from oracle import inventing
from oracle.inventing import SAID, Dice
from oracle.reading import Table

OWN = {
    "name": "own",
    "kind": "AAC",
    "weight_N_m": 9.9,
    "diameter_m": 0.0223,
    "outer": 37,
    "outer_strand_m": 0.00318,
    "outer_area_mm2": 294.0,
    "modulus_GPa": 60.0,
    "expansion_per_degC": 23e-6,
    "rated_strength_kN": 50.0,
    "source": "invented",
}
"""Figures of an aluminium conductor of some 300 mm2, rounded: invented, as is all that it is held to."""


def weather_scene(seed: int, number: int = 0) -> Table:
    """The tables of a random scene whose spans go where the weather takes them."""
    dice = Dice((seed, number, 2))
    made = inventing.scene(seed, 100 + number)
    while "bonded" in made["stages"][0]:  # what is fixed to a wire goes with it, which the oracle does not follow
        number += 50
        made = inventing.scene(seed, 100 + number)
    made["conductors"] = [dict(OWN)]
    for wire in made["wires"]:
        for key in ("from_string", "to_string", "sag_m", "catenary_constant_m", "horizontal_tension_kN"):
            wire.pop(key, None)
        wire |= {"conductor": "own", "diameter_m": OWN["diameter_m"], "weight_N_m": OWN["weight_N_m"]}
        wire["horizontal_tension_kN"] = dice.between(1.5, 4.0, 2)
        wire["known"] = {"conductor_C": dice.between(5, 25, 1), "basis": "invented"}
    low = dice.between(-5, 10, 1)
    made["weather"] = {
        "air_C": [low, round(low + dice.between(5, 15, 1), 1)],
        "wind_m_s": [0, dice.between(3, 16, 1)],
        "gust_factor": dice.one_of(1.0, 1.4),
        "conductor_C": [low, round(low + dice.between(20, 60, 1), 1)],
        "ice_m": dice.one_of(0, 0, [0, 0.004]),
        "basis": "invented",
    }
    made["statements"] = [told for told in made["statements"] if told.get("what") != ["weather", "tools"]]
    made["statements"].append({"kind": "none", "what": ["tools"], **SAID})
    return made
