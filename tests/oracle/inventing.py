"""Owns random scenes: a ladder below a line of a few phases, with what else may stand there, from a seed.

A scene may be refused (a wire in the ground, a body in another): then the next number of its seed is taken. Values that
would be doubted are avoided, so that a stage can be clear.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from oracle.reading import Table

SAID = {"basis": "invented", "by": "the test", "on": "2026-11-30"}


class Dice:
    """Random choices from one seed."""

    def __init__(self, seed: tuple[int, int]) -> None:
        self.random = np.random.default_rng(seed)

    def between(self, low: float, high: float, digits: int = 3) -> float:
        return round(float(self.random.uniform(low, high)), digits)

    def often(self, share: float) -> bool:
        return bool(self.random.random() < share)

    def one_of(self, *choices: Any) -> Any:
        return choices[int(self.random.integers(len(choices)))]

    def around(self, middle: float, width: float) -> list[float]:
        half = self.between(0.0, width) / 2
        return [round(middle - half, 3), round(middle + half, 3)]


def scene(seed: int, number: int = 0) -> Table:
    """The tables of a random scene."""
    dice = Dice((seed, number))
    made: Table = {
        "format": 1,
        "name": f"random {seed}-{number}",
        "asks": "stages",
        "rule": "osha-1910.269",
        "altitude_m": 100,
        "frequency_Hz": 50,
        "circuits": [circuit("line", ["A", "B", "C"], 220, 245)],
        "statements": [{"kind": "none", "what": ["weather", "tools"], **SAID}],
    }
    slope = dice.one_of(0.0, 0.0, dice.between(3, 15))
    uphill = dice.between(0, 360)
    if slope:
        made["ground"] = {
            "kind": "plane",
            "through_m": [0, 0, 0],
            "slope_deg": slope,
            "uphill_deg": uphill,
            "extent_m": 80,
        }
    else:
        made["ground"] = {"kind": "level", "height_m": 0.0, "extent_m": 80}
    made["ground"]["uncertainty_m"] = dice.one_of(0.05, 0.1)

    def ground(x: float, y: float) -> float:
        ahead = x * np.cos(np.radians(uphill)) + y * np.sin(np.radians(uphill))
        return float(np.tan(np.radians(slope)) * ahead)

    facing = dice.between(0, 360)
    length = dice.between(6.0, 9.0, 1)
    made["ladder"] = ladder(dice, length)
    travel = _track(dice, made, facing)
    high = dice.between(length - 1.5, length + 1.5)
    made["stages"] = [_stage(dice, travel, length)]
    if "bonded" in made["stages"][0]:  # within reach of the worker
        high = made["stages"][0]["climb_m"][1] + dice.between(0.8, 1.8)
    made["wires"] = _wires(dice, facing, high, ground)
    made["workers"] = [person(dice, "worker") | {"trunk_lean_m": dice.between(0.05, 0.3), "hanging_m": 0}]
    made["workers"][0]["tool_m"] = dice.one_of(0.0, 0.2)
    _ground_people(dice, made, ground)
    _things(dice, made, facing, length, ground)
    if "bonded" in made["stages"][0]:
        wire = made["wires"][0]
        half = float(np.hypot(*wire["from_m"][:2]))
        made["stages"][0]["clamp_m"] = f"wire A @ {round(half, 2)}"
    if dice.often(0.4):
        made["ropes"] = [_rope(dice, length, ground)]
    return made


def circuit(name: str, phases: list[str], nominal: float, highest: float) -> Table:
    return {
        "name": name,
        "phases": phases,
        "nominal_kV": nominal,
        "highest_kV": highest,
        "highest_basis": "IEC 60038",
        "overvoltage_per_unit": 2.5,
        "overvoltage_basis": "switching study",
        "overvoltage_by": "network studies",
    }


def ladder(dice: Dice, length: float) -> Table:
    made: Table = {
        "length_m": length,
        "width_m": dice.between(0.35, 0.5, 2),
        "rail_diameter_m": 0.06,
        "rung_spacing_m": 0.3,
        "insulating_from_m": dice.one_of(0.0, 0.4, 0.8),
        "insulating_to_m": length - dice.one_of(0.0, 0.0, 0.5),
        "bending_m": 0.05,
        "tilt_deg": dice.one_of(0.0, 0.0, dice.between(2, 12)),
        "wet_or_dirty_m": 0,
        "insulation_basis": "tested",
    }
    if dice.often(0.3):
        low = dice.between(1.0, length - 1.5)
        made["fittings"] = [{"name": "joint", "from_m": low, "to_m": round(low + 0.3, 3), "radius_m": 0.3}]
    return made


def _track(dice: Dice, made: Table, facing: float) -> list[float]:
    """A track across the heading, straight or bent; the ladder stands about its middle."""
    across = np.radians(facing + 90)
    side = np.array([np.cos(across), np.sin(across)])
    corners = [-4 * side, *([np.array([0.4, -0.2])] if dice.often(0.3) else []), 4 * side]
    made["track"] = {
        "points_m": [[round(float(x), 3), round(float(y), 3)] for x, y in corners],
        "heading_deg": facing,
        "settlement_m": 0,
    }
    return dice.around(4.0 + dice.between(-0.3, 0.3), 0.6)


def _wires(dice: Dice, facing: float, high: float, ground: Any) -> list[Table]:
    """Spans beside one another; the first passes ahead of the ladder."""
    along = np.radians(facing + dice.one_of(0.0, 90.0, dice.between(-90, 90)))
    line = np.array([np.cos(along), np.sin(along)])
    aside = np.array([-line[1], line[0]])
    ahead = np.array([np.cos(np.radians(facing)), np.sin(np.radians(facing))]) * dice.between(-0.2, 2.5)
    apart, lift = dice.between(3.0, 6.0), dice.between(-1.0, 4.0)
    wires = []
    for number, phase in enumerate("ABC"):
        middle = ahead + number * apart * aside
        ends = [middle - dice.between(15, 30) * line, middle + dice.between(15, 30) * line]
        sag = dice.between(0.4, 1.5)
        heights = [high + sag + number * lift + dice.between(-0.5, 0.5) for _ in ends]
        wire: Table = {
            "kind": "span",
            "name": f"wire {phase}",
            "phase": phase,
            "from_m": [round(float(v), 3) for v in (*ends[0], ground(*ends[0] * 0) + heights[0])],
            "to_m": [round(float(v), 3) for v in (*ends[1], ground(*ends[1] * 0) + heights[1])],
            "diameter_m": 0.0281,
            "uncertainty_m": dice.one_of(0.05, 0.1),
        }
        shape = dice.one_of("sag", "tension", "constant")
        if shape == "sag":
            wire["sag_m"] = sag
        elif shape == "tension":
            wire |= {"horizontal_tension_kN": dice.between(5, 15), "weight_N_m": 13.5}
        else:
            wire["catenary_constant_m"] = dice.between(300, 1000)
        if dice.often(0.5):
            string = {
                "kind": dice.one_of("strain", "suspension"),
                "length_m": 2.6,
                "insulating_m": 2.2,
                "diameter_m": 0.255,
            }
            wire["from_string"] = {**string, "units": 15}
            if string["kind"] == "suspension":
                wire["from_m"][2] = round(wire["from_m"][2] + 2.6, 3)
        wires.append(wire)
    return wires


def person(dice: Dice, name: str) -> Table:
    size: Table = {"sex": dice.one_of("man", "woman"), "percentile": dice.one_of(50, 95, 99)}
    if dice.often(0.3):
        size = {"stature_m": dice.between(1.5, 2.0, 2)}
    return {"name": name, **size, "suit_m": 0.04, "boots_m": 0.03, "helmet_m": 0.05, "tool_m": 0}


def _ground_people(dice: Dice, made: Table, ground: Any) -> None:
    if dice.often(0.25):
        made["statements"].append({"kind": "none", "what": ["crew"], **SAID})
        return
    x, y = dice.between(-4, 4), dice.one_of(-1, 1) * dice.between(2.5, 6)
    somebody = person(dice, "crew") | {"tool_m": dice.one_of(0, 0, 1.0)}
    somebody["at_m"] = [x, y]
    if dice.often(0.4):
        somebody["area_m"] = [[x, y], [x + dice.between(0.5, 2), y], [x, y + dice.between(0.5, 2)]]
    else:
        somebody["radius_m"] = dice.between(0.3, 1.5)
    made["crew"] = [somebody]
    if dice.often(0.3):
        made["statements"].append({"kind": "restrained reach", "person": "crew", "arms": "down", **SAID})
    if dice.often(0.3):
        x, y = dice.one_of(-1, 1) * dice.between(5, 9), dice.between(-6, 6)
        size = [4.0, 2.0, dice.between(1.5, 4)]
        made["vehicles"] = [
            {
                "name": "truck",
                "centre_m": [x, y, round(ground(x, y) + size[2] / 2, 3)],
                "size_m": size,
                "heading_deg": dice.between(0, 180),
                "radius_m": 2.5,
            }
        ]


def _things(dice: Dice, made: Table, facing: float, length: float, ground: Any) -> None:
    """Solids and a pole about the ladder, at earth, at a phase or floating."""
    solids, structures = [], []
    for number in range(dice.one_of(0, 1, 2)):
        far, turn = dice.between(1.8, 6), np.radians(dice.between(0, 360))
        x, y = round(float(far * np.cos(turn)), 3), round(float(far * np.sin(turn)), 3)
        z = round(ground(x, y) + dice.between(1.5, length + 2), 3)
        common = {
            "name": f"thing {number}",
            "potential": dice.one_of("earth", "earth", "floating", "A", "B"),
            "uncertainty_m": 0.02,
        }
        if dice.often(0.5):
            size = [dice.between(0.3, 2), dice.between(0.3, 2), dice.between(0.3, 2)]
            solids.append(
                {"kind": "box", "centre_m": [x, y, z], "size_m": size, "heading_deg": dice.between(0, 90), **common}
            )
        else:
            to = [
                round(x + dice.between(-2, 2), 3),
                round(y + dice.between(-2, 2), 3),
                round(z + dice.between(-1, 1), 3),
            ]
            solids.append(
                {"kind": "cylinder", "from_m": [x, y, z], "to_m": to, "radius_m": dice.between(0.1, 0.3), **common}
            )
    if dice.often(0.4):
        turn = np.radians(facing + dice.between(60, 300))
        at = [round(float(dice.between(2, 5) * f(turn)), 3) for f in (np.cos, np.sin)]
        structures.append(
            {
                "kind": "pole",
                "name": "pole",
                "base_m": at,
                "height_m": dice.between(5, 12),
                "base_radius_m": 0.2,
                "top_radius_m": 0.12,
                "uncertainty_m": 0.02,
            }
        )
    if solids:
        made["solids"] = solids
    if structures:
        made["structures"] = structures


def _rope(dice: Dice, length: float, ground: Any) -> Table:
    x, y = dice.between(-5, 5), dice.one_of(-1, 1) * dice.between(3, 6)
    return {
        "name": "rope",
        "from": f"ladder @ {dice.between(0.2, 2.0, 2)}",
        "to_m": [x, y, round(ground(x, y) + 0.2, 3)],
        "diameter_m": 0.012,
        "slack_m": dice.between(0.05, 0.4),
        "hangs_from": "ladder",
        "wet_or_dirty_m": 0,
    }


def _stage(dice: Dice, travel: list[float], length: float) -> Table:
    kind = dice.one_of("travel", "step on", "climb", "climb", "work", "bond on", "bond off", "descend")
    leans = {f"lean_{way}_deg": dice.around(0.0, 4.0) for way in ("along", "across")}
    stage: Table = {"name": kind, "kind": kind, "travel_m": travel, **leans}
    if kind == "travel":
        return stage
    if dice.often(0.2):
        stage["heading_deg"] = dice.around(0.0, 20.0)
    stage["climb_m"] = [0.0, 1.2] if kind == "step on" else dice.around(dice.between(2.0, length - 2.5), 1.5)
    if kind in ("work", "bond on", "bond off"):
        stage["posture"] = dice.one_of("reaching", "standing")
        stage |= {"bonded": {"worker": "A"}, "bonding_lead_m": 5.0}
    return stage


def text(tables: Table) -> str:
    """The tables as a scene file."""
    return "".join(f"{key} = {_value(value)}\n" for key, value in tables.items())


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + value + '"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(entry)}" for key, entry in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(entry) for entry in value) + "]"
    return repr(value)
