"""Owns what a class code means: the ASPRS scheme, a user's mapping file, and which roles a survey plays with.

Codes 13 to 16 are ASPRS LAS 1.4 (R13 and later): wire guard, wire conductor, transmission tower, wire connector.
Other schemes are read by a mapping file, TOML::

    [classes]
    wire = [64, 65]
    structure = [66]
    ground = [2, 9]
    noise = [7, 18]
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError, Mistake

OTHER, GROUND, WIRE, STRUCTURE, VEGETATION, BUILDING, NOISE = range(7)
ROLES: dict[str, int] = {
    "other": OTHER,
    "ground": GROUND,
    "wire": WIRE,
    "structure": STRUCTURE,
    "vegetation": VEGETATION,
    "building": BUILDING,
    "noise": NOISE,
}

ASPRS: dict[str, tuple[int, ...]] = {
    "ground": (2, 8, 9, 10, 11, 20, 21),
    "wire": (13, 14),
    "structure": (15, 16),
    "vegetation": (3, 4, 5),
    "building": (6,),
    "noise": (7, 18),
}
"""ASPRS LAS 1.4 codes by role. 8 is the model key point of LAS 1.2 and 1.3, 9 water (a surface to stand above), 10 and
11 rail and road, 20 and 21 ignored ground and snow (both from memory)."""

CLASS_NAMES: dict[int, str] = {
    0: "never classified",
    1: "unclassified",
    2: "ground",
    3: "low vegetation",
    4: "medium vegetation",
    5: "high vegetation",
    6: "building",
    7: "low noise",
    8: "model key point",
    9: "water",
    10: "rail",
    11: "road",
    12: "overlap or reserved",
    13: "shield wire",
    14: "phase wire",
    15: "transmission tower",
    16: "wire connector",
    17: "bridge deck",
    18: "high noise",
    19: "overhead structure",
    20: "ignored ground",
    21: "snow",
    22: "temporal exclusion",
}


def asprs_roles() -> NDArray[np.uint8]:
    """The role of each of the 256 codes in the ASPRS scheme."""
    return _table(ASPRS)


def _table(scheme: dict[str, tuple[int, ...]]) -> NDArray[np.uint8]:
    table = np.zeros(256, np.uint8)
    for role, codes in scheme.items():
        table[list(codes)] = ROLES[role]
    return table


def read_roles(path: Path | None) -> NDArray[np.uint8]:
    """The role of each of the 256 codes, from a mapping file, or the ASPRS scheme where there is none.

    Raises InputError: an unreadable file, an unknown role, a code outside 0 to 255 or given twice.
    """
    if path is None:
        return asprs_roles()
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(Mistake((str(path),), "a class mapping in TOML", str(error)[:160])) from error
    section = data.get("classes")
    if not isinstance(section, dict) or not section:
        raise InputError(Mistake((str(path), "classes"), "a table [classes] of role = [codes]", "none"))
    mistakes: list[Mistake] = []
    scheme: dict[str, tuple[int, ...]] = {}
    taken: dict[int, str] = {}
    for role, codes in section.items():
        where = (str(path), "classes", str(role))
        if role not in ROLES:
            mistakes.append(Mistake(where, "one of the roles " + ", ".join(ROLES), repr(role)))
            continue
        if not isinstance(codes, list) or not all(isinstance(code, int) and 0 <= code <= 255 for code in codes):
            mistakes.append(Mistake(where, "a list of codes from 0 to 255", repr(codes)))
            continue
        for code in codes:
            if code in taken:
                mistakes.append(Mistake(where, "each code once", f"{code}, already {taken[code]}"))
            taken[code] = role
        scheme[role] = tuple(codes)
    if mistakes:
        raise InputError(mistakes)
    if "noise" not in scheme:
        scheme["noise"] = tuple(code for code in ASPRS["noise"] if code not in taken)
    return _table(scheme)
