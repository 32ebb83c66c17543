"""Owns random scenes of an aerial device, and those of two circuits."""

from __future__ import annotations

import numpy as np

from oracle import inventing
from oracle.inventing import SAID, Dice, circuit
from oracle.reading import Table


def other_scene(seed: int, number: int = 0) -> Table:
    """The tables of a random scene, of each kind in turn."""
    dice = Dice((seed, number, 3))
    return (_lift, _two_circuits)[seed % 2](dice, inventing.scene(seed, 200 + number))


def _two_circuits(dice: Dice, made: Table) -> Table:
    """A second circuit beside the first or above it, of the same voltage or a lower one."""
    nominal, highest = dice.one_of((220, 245), (220, 245), (110, 123))
    per_unit = dice.one_of(1.4, 2.0, 2.5)
    made["circuits"].append(circuit("other line", ["A2", "B2", "C2"], nominal, highest))
    for each in made["circuits"]:
        each["overvoltage_per_unit"] = per_unit
    aside, up = dice.between(3.0, 7.0), dice.between(-0.5, 5.0)
    for wire in [dict(wire) for wire in made["wires"]]:
        flat = np.array(wire["to_m"][:2]) - wire["from_m"][:2]
        off = np.append(np.array([-flat[1], flat[0]]) / np.linalg.norm(flat) * -aside, up)
        wire |= {"name": f"{wire['name']}2", "phase": f"{wire['phase']}2"}
        for end in ("from_m", "to_m"):
            wire[end] = [round(float(value), 3) for value in np.array(wire[end]) + off]
        made["wires"].append(wire)
    return made


def _unbonded(made: Table, dice: Dice) -> Table:
    stage = made["stages"][0]
    for key in ("bonded", "bonding_lead_m", "clamp_m", "posture", "heading_deg"):
        stage.pop(key, None)
    kind = dice.one_of("climb", "descend")
    stage |= {"name": kind, "kind": kind}
    return stage


def _lift(dice: Dice, made: Table) -> Table:
    """A platform at the tip of a boom, on level ground."""
    stage = _unbonded(made, dice)
    for key in ("track", "ladder", "ropes", "vehicles"):
        made.pop(key, None)
    made["ground"] = {"kind": "level", "height_m": 0.0, "extent_m": 80, "uncertainty_m": 0.05}
    for key in ("travel_m", "lean_along_deg", "lean_across_deg", "climb_m"):
        stage.pop(key, None)
    made["aerial_device"] = {
        "name": "lift",
        "base_m": [dice.between(-2, 2, 1), dice.between(-6, -4, 1)],
        "chassis_m": [6.5, 2.5, 2.0],
        "chassis_deg": dice.between(0, 90, 0),
        "turret_m": 2.2,
        "boom_m": 5.0,
        "boom_radius_m": 0.15,
        "extend_m": [2.4, 6.0],
        "raise_deg": [-10, 80],
        "insulating_m": dice.one_of(2.0, 3.0),
        "tip_m": dice.one_of(0.0, 0.2),
        "platform_m": [1.1, 0.7, 1.1],
        "ahead_m": 0.7,
        "drop_m": 1.0,
        "room_m": 0.1,
        "bending_m": 0.1,
        "insulation_basis": "tested",
        "wet_or_dirty_m": dice.one_of(0, 0.1),
    }
    turned, raised, out = dice.between(60, 120, 1), dice.between(10, 65, 1), dice.between(2.6, 5.4, 2)
    stage |= {
        "turret_deg": [turned, round(turned + dice.between(1, 10), 1)],
        "boom_deg": [raised, round(raised + dice.between(1, 8), 1)],
        "extend_m": [out, round(out + dice.between(0.1, 0.5), 2)],
    }
    put = {"kind": "confirmed", "entry": "aerial device 'lift'", "field": "base_m", "doubt": "put there"}
    made["statements"].append({**put, "value": made["aerial_device"]["base_m"], **SAID})
    return made
