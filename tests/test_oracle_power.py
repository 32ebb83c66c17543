"""What the oracle finds: the tool is asked a question with something left out, the oracle the whole one.

Each class is one of the wrong answers of before: a body, a state, a length or a motion that the question lost. In one
of its seeds both must differ.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import test_oracle_random as random
from oracle import inventing, whole
from oracle.reading import Table

from clearance.errors import InputError


def without(*kinds: str) -> Callable[[Table], None]:
    def change(scene: Table) -> None:
        scene["statements"] = [told for told in scene["statements"] if told["kind"] not in kinds]

    return change


def struck(scene: Table) -> None:
    never = {"kind": "never at", "body": "dropper", "states": ["phase", "earth"], **inventing.SAID}
    scene["statements"] = [told for told in scene["statements"] if told["kind"] != "never at"] + [never]


def ropes_insulate(scene: Table) -> None:
    known = {told.get("body") for told in scene["statements"]}
    for wire in scene["wires"]:
        for rope in wire.get("release", {}).get("ropes", ()):
            if rope["name"] not in known:
                scene["statements"].append({"kind": "insulating", "body": rope["name"], **inventing.SAID})


def set_ladder(**values: object) -> Callable[[Table], None]:
    return lambda scene: scene["ladder"].update(values)


def all_wood(scene: Table) -> None:
    scene["ladder"] |= {"insulating_from_m": 0.0, "insulating_to_m": scene["ladder"]["length_m"]}
    scene["ladder"].pop("fittings", None)


def calm(scene: Table) -> None:
    scene["weather"]["wind_m_s"] = [0, 0.1]


def cool(scene: Table) -> None:
    low = scene["weather"]["conductor_C"][0]
    scene["weather"]["conductor_C"] = [low, low + 1]


def gone(what: str) -> Callable[[Table], None]:
    def change(scene: Table) -> None:
        scene[what] = []

    return change


def lower_circuits(scene: Table) -> None:
    for circuit in scene["circuits"]:
        circuit["overvoltage_per_unit"] -= 0.2


def uncharged(scene: Table) -> None:
    scene["wires"][0]["release"]["trapped_per_unit"] = 1.0


def nearer(scene: Table) -> None:
    for key in ("travel_m", "climb_m", "lower_m", "extend_m"):
        if key in scene["stages"][0]:
            low, high = scene["stages"][0][key]
            scene["stages"][0][key] = [low, round(low + (high - low) * 0.2, 3)]


CLASSES: dict[str, tuple[str, range, Callable[[Table], None]]] = {
    "bodies that stand there": ("ladder", range(100, 106), gone("solids")),
    "the ladder's metal": ("ladder", range(100, 106), all_wood),
    "the crew": ("tail", range(6), gone("crew")),
    "the altitude": ("tail", range(6), lambda scene: scene.update(altitude_m=100)),
    "a part of the overvoltage": ("tail", range(2), lower_circuits),
    "the charge of a tail": ("tail", range(8), uncharged),
    "a tail at earth and at its phase": ("tail", range(8), struck),
    "ropes that conduct": ("tail", range(8), ropes_insulate),
    "most of a range": ("ladder", range(100, 104), nearer),
    "the wind": ("weather", range(4), calm),
    "the heat": ("weather", range(4), cool),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", CLASSES)
def test_what_the_question_lost_is_found(name: str, tmp_path: Path) -> None:
    kind, seeds, change = CLASSES[name]
    for seed in seeds:
        whole_path, path = tmp_path / f"{seed}.toml", tmp_path / f"{seed}-less.toml"
        tables, less = random.KINDS[kind](seed, 0), random.KINDS[kind](seed, 0)
        change(less)
        if less == tables:
            continue
        random.write(whole_path, tables)
        random.write(path, less)
        try:
            answer = random.judged(path)
        except InputError:
            continue
        if whole.compare(whole_path, answer, seed, **random.HOW).broken:
            return
    pytest.fail(f"not found in any of {len(seeds)} seeds")
