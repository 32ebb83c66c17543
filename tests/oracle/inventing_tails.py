"""Owns random scenes of a dropper that comes off: a bay of rigid tubes, ropes that lower it, who is on the ground.

In some a worker is on a ladder beside the tail. The dropper hangs on a tube, which stays where it is when it goes.
"""

from __future__ import annotations

import numpy as np

from oracle.inventing import SAID, Dice, circuit, ladder, person
from oracle.reading import Table


def tail_scene(seed: int, number: int = 0) -> Table:
    """The tables of a random scene with a wire that is taken off."""
    dice = Dice((seed, number, 1))
    high, apart = dice.between(7.0, 10.0, 2), dice.between(3.5, 6.0, 2)
    made: Table = {
        "format": 1,
        "name": f"random tail {seed}-{number}",
        "asks": "stages",
        "rule": "osha-1910.269",
        "altitude_m": dice.one_of(100, 100, 1000, 2000),
        "frequency_Hz": 50,
        "circuits": [circuit("bay", ["A", "B", "C"], 220, 245) | {"overvoltage_per_unit": dice.one_of(2.0, 2.5, 3.0)}],
        "ground": {"kind": "level", "height_m": 0.0, "extent_m": 80, "uncertainty_m": 0.05},
        "statements": [{"kind": "none", "what": ["weather", "tools"], **SAID}],
    }
    made["solids"] = [_tube(phase, apart * row, high) for row, phase in enumerate(("B", "A", "C"), -1)]
    beam = [dice.between(-1.5, 1.5, 2), dice.between(-2.5, -1.2, 2), round(high + dice.between(1.9, 3.5, 2), 2)]
    made["solids"].append(
        {"kind": "box", "name": "beam", "potential": "earth", "centre_m": beam, "size_m": [4.0, 0.4, 0.3]}
        | {"uncertainty_m": 0.02, "heading_deg": 0}
    )
    start, low = dice.between(-1.0, 1.0, 2), dice.between(2.4, 3.5, 2)
    far = [round(start + dice.between(2.0, 5.0, 2), 2), dice.between(-0.8, 0.8, 2), low]
    straight = float(np.linalg.norm(np.array(far) - [start, 0.0, high]))
    parked = [
        round(far[0] - dice.between(1.0, 6.0), 2),
        round(far[1] + dice.between(-1.0, 1.0), 2),
        dice.between(2.0, 6.0, 2),
    ]
    wire: Table = {
        "kind": "jumper",
        "name": "dropper",
        "phase": "A",
        "from_m": [start, 0.0, high],
        "to_m": far,
        "length_m": round(straight * dice.between(1.02, 1.25), 3),
        "diameter_m": 0.0281,
        "weight_N_m": 13.5,
        "uncertainty_m": dice.one_of(0.03, 0.1),
    }
    hands = [round(beam[0] + dice.between(-4, 4), 2), round(beam[1] - dice.between(2.5, 6), 2)]
    guide = [round(parked[0] + dice.between(-3, 3), 2), dice.between(3, 6, 2), 0.1]
    ropes = [
        _rope("lowering rope", [*hands, 0.1])
        | {"over_m": [beam[0], beam[1], round(beam[2] - 0.25, 2)], "hangs_from": "beam"},
        _rope("guide left", guide),
        _rope("guide right", [guide[0], -guide[1], 0.1]),
    ]
    wire["release"] = {
        "free_end": "from",
        "lowered_to_m": parked,
        "before_opening": {"far_end": "open and locked", "phase_identified": "traced by two", "by": "the test"},
        "trails_m": 0,
        "trapped_per_unit": dice.one_of(1.0, 1.0, 1.6, 2.2),
        "ropes": ropes,
    }
    made["wires"] = [wire]
    made["insulators"] = [
        {"name": "post", "from_m": [far[0], far[1], round(low - 2.3, 2)], "to_m": far}
        | {"insulating_m": dice.one_of(2.3, 2.1), "diameter_m": 0.25}
    ]
    for tube in made["solids"][:3]:  # what holds the tubes
        x, y, z = tube["to_m"]
        hung = {"name": f"{tube['name']} post", "from_m": [x, y, round(z - 2.3, 2)], "to_m": [x, y, z]}
        made["insulators"].append({**hung, "insulating_m": 2.3, "diameter_m": 0.25})
    made["crew"] = [person(dice, "rope crew") | {"at_m": [hands[0], round(hands[1] - 0.3, 2)], "radius_m": 0.3}]
    _said_of_it(dice, made, ropes)
    way = float(np.linalg.norm(np.array(parked) - [start, 0.0, high]))
    made["stages"] = [_stage(dice, made, way, high)]
    return made


def _tube(phase: str, aside: float, high: float) -> Table:
    return {
        "kind": "cylinder",
        "name": f"tube {phase}",
        "potential": phase,
        "from_m": [-4.0, round(aside, 2), high],
        "to_m": [4.0, round(aside, 2), high],
        "radius_m": 0.05,
        "uncertainty_m": 0.02,
    }


def _rope(name: str, to: list[float]) -> Table:
    return {"name": name, "to_m": to, "diameter_m": 0.014, "sag_m": 0.1, "wet_or_dirty_m": 0}


def _said_of_it(dice: Dice, made: Table, ropes: list[Table]) -> None:
    said = made["statements"]
    for rope in ropes:
        if dice.often(0.85):
            said.append({"kind": "insulating", "body": rope["name"], **SAID})
    said.append({"kind": "isolated", "wire": "dropper", **SAID})
    may = {"kind": "may open", "wire": "dropper", "how": "by stick or rope", "current_A": 0.1, "energy_J": 100.0}
    said.append({**may, **SAID})
    struck = [state for state in ("earth", "phase") if dice.often(0.4)]
    if struck:
        said.append({"kind": "never at", "body": "dropper", "states": struck, **SAID})
    if dice.often(0.5):
        said.append({"kind": "held", "wire": "dropper", "sideways_m": dice.one_of(0.4, 0.8), **SAID})
    if dice.often(0.5):
        said.append({"kind": "restrained reach", "person": "rope crew", "arms": "down", **SAID})
    said.append(
        {"kind": "confirmed", "entry": "wire 'dropper'", "field": "from_m", "value": made["wires"][0]["from_m"]}
        | {"doubt": "hangs on nothing", **SAID}
    )


def _stage(dice: Dice, made: Table, way_down: float, high: float) -> Table:
    kind = dice.one_of("open", "lower", "lower", "parked", "parked beside a worker", "parked beside a worker")
    if kind == "open":
        opened = round(way_down * dice.between(0.3, 0.8), 2)
        stage = {"name": "open", "kind": "open", "lower_m": [0.0, opened], "released": ["dropper"], "workers": []}
        return stage | {"opening_distance_m": 3.0}
    if kind == "lower":
        began = round(way_down * dice.between(0.3, 0.8), 2)
        return {
            "name": "lower",
            "kind": "lower",
            "lower_m": [began, int(way_down * 100) / 100],
            "released": ["dropper"],
            "workers": [],
        }
    stage = {"name": "parked", "kind": "work", "off": ["dropper"], "workers": []}
    if dice.often(0.3):
        stage["potentials"] = {"dropper": "earth"}
    if kind == "parked":
        return stage
    length = round(high - 0.5, 1)
    made["ladder"] = ladder(dice, length) | {"tilt_deg": 0}
    made["ladder"].pop("fittings", None)
    made["track"] = {"points_m": [[-3.0, 0.0], [3.0, 0.0]], "heading_deg": dice.between(0, 360), "settlement_m": 0}
    at = dice.between(0.5, 5.5, 2)
    made["workers"] = [person(dice, "worker") | {"trunk_lean_m": 0.1, "hanging_m": 0}]
    climb = dice.around(dice.between(1.5, max(1.6, length - 3.0)), 1.0)
    stage |= {"name": "climb", "kind": "climb", "travel_m": [at, round(at + 0.2, 2)], "climb_m": climb}
    stage |= {f"lean_{way}_deg": [-1.0, dice.between(0.5, 1.5, 1)] for way in ("along", "across")}
    del stage["workers"]
    return stage
