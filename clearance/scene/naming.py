"""Owns the names of bodies: those that a scene gives, and those that the tool makes of them.

What is looked up by its name must have it alone: two bodies of one name are one to the engine, and the second is lost.
To name a body that the tool makes, use a function here, so that a scene that takes the name is refused.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from clearance.errors import InputError, Mistake
from clearance.scene.records import SceneFile, device_names, metal_names, platform_name, where
from clearance.scene.records_base import Record

TABLES = ("wires", "structures", "insulators", "solids", "clouds", "workers", "crew", "vehicles", "ropes", "tools")
"""Tables in which every entry is a body of its own name."""


@dataclass(frozen=True)
class Named:
    """The name of a body.

    where: the table that gives it, or what the tool makes it for
    spoken: False for what only the tool speaks of: no statement and no potential is about it
    """

    name: str
    where: str
    spoken: bool = True


def fittings_name(string: str) -> str:
    """Name of the fittings at the earthed end of a wire's string.

    >>> fittings_name("bus A from string")
    'bus A from string fittings'
    """
    return f"{string} fittings"


def foot_name(insulator: str) -> str:
    """Name of the hardware at the earthed end of an insulator.

    >>> foot_name("post")
    'post foot'
    """
    return f"{insulator} foot"


def head_name(insulator: str) -> str:
    """Name of the hardware at the live end of an insulator.

    >>> head_name("post")
    'post head'
    """
    return f"{insulator} head"


def end_name(string: str, which: str) -> str:
    """Name of the earthed or the live end of what insulates.

    >>> end_name("post", "live")
    'post: live end'
    """
    return f"{string}: {which} end"


def lead_name(worker: str) -> str:
    """Name of the bonding lead of a worker.

    >>> lead_name("worker")
    'worker bonding lead'
    """
    return f"{worker} bonding lead"


def opening_name(wire: str) -> str:
    """What a report calls the point at which a wire opens or closes.

    >>> opening_name("dropper A")
    'where dropper A opens'
    """
    return f"where {wire} opens"


def free_end_name(wire: str) -> str:
    """Name of the part of a wire at its free end, while it parts from what it hangs on or is joined to it.

    >>> free_end_name("dropper A")
    'dropper A free end'
    """
    return f"{wire} free end"


def pulley_name(rope: str) -> str:
    """Name of the pulley that a rope of a release runs over.

    >>> pulley_name("lowering rope")
    'lowering rope pulley'
    """
    return f"{rope} pulley"


def whip_name(wire: str) -> str:
    """What a report calls everywhere a tail can be.

    >>> whip_name("dropper A")
    'whip of dropper A'
    """
    return f"whip of {wire}"


def toppling_name(ladder: str, lost: str = "") -> str:
    """What a report calls everywhere a ladder can fall; lost: the rope that is lost.

    >>> toppling_name("ladder"), toppling_name("ladder", "guy")
    ('ladder toppling', 'ladder toppling without guy')
    """
    return f"{ladder} toppling" + (f" without {lost}" if lost else "")


def piece_name(whole: str, low: float, high: float) -> str:
    """Name of a piece of a hull.

    >>> piece_name("ladder", 0.0, 0.5)
    'ladder from 0.00 to 0.50 m'
    """
    return f"{whole} from {low:.2f} to {high:.2f} m"


def entries(scene: SceneFile) -> Iterator[tuple[str, Record]]:
    """Every entry of every table of a scene, as a message names it: by its name, else by its number in its table."""
    for table in type(scene).model_fields:
        value = getattr(scene, table)
        for number, entry in enumerate(value if isinstance(value, tuple) else (value,), 1):
            if isinstance(entry, Record):
                nameless = isinstance(value, tuple) and not hasattr(entry, "name")
                yield f"{entry.word} {number}" if nameless else where(scene, entry)[-1], entry


def named(scene: SceneFile | dict[str, Any]) -> tuple[Named, ...]:
    """Every name of a body, of a scene or of its converted table, as often as it is given; but for pieces of hulls, for
    which see `is_piece`."""
    found = [Named("ground", "ground"), *_of_wires(scene)]
    for key in TABLES:
        found += [Named(name, key) for name in _names(scene, key)]
    for name in _names(scene, "insulators"):
        made_for = f"made for insulator '{name}'"
        found += [Named(foot_name(name), made_for), Named(head_name(name), made_for), *_ends(name, made_for)]
    found += [Named(lead_name(name), f"made for worker '{name}'") for name in _names(scene, "workers")]
    if (ladder := _get(scene, "ladder")) is not None:
        name = _named_or(ladder, "ladder")
        found += [Named(name, "ladder"), *(Named(part, "ladder fittings") for part in _names(ladder, "fittings"))]
        found += [Named(part, "made for the ladder") for part in metal_names(name)]
        found += [Named(platform_name(name), "ladder")] if _get(ladder, "platform_m") is not None else []
        lost = ("", *_names(scene, "ropes"))
        found += [Named(toppling_name(name, rope), "made for the ladder", spoken=False) for rope in lost]
    if (device := _get(scene, "aerial_device")) is not None:
        found += [Named(name, "aerial device") for name in device_names(_named_or(device, "aerial device"))]
    return tuple(found)


def body_names(scene: SceneFile | dict[str, Any]) -> tuple[str, ...]:
    """Names of every body that a scene may speak of: in statements, among the potentials of a stage."""
    return tuple(dict.fromkeys(one.name for one in named(scene) if one.spoken))


def is_piece(scene: SceneFile | dict[str, Any], name: str) -> bool:
    """Whether a piece of the ladder's hull, or of a device's insulating boom, may go by this name.

    >>> is_piece({"ladder": {}}, "ladder from 0.00 to 0.50 m"), is_piece({"ladder": {}}, "ladder from the store")
    (True, False)
    """
    wholes = []
    if (ladder := _get(scene, "ladder")) is not None:
        wholes.append(_named_or(ladder, "ladder"))
    if (device := _get(scene, "aerial_device")) is not None:
        wholes.append(device_names(_named_or(device, "aerial device"))[4])
    return any(re.fullmatch(re.escape(whole) + r" from \d+\.\d\d to \d+\.\d\d m", name) for whole in wholes)


def refuse_twins(scene: SceneFile, names: Iterable[str]) -> None:
    """Raises InputError for bodies of one name put together: whatever is looked up by that name, one of them is lost.

    `scene.checks` refuses every name that is foreseen; this holds for those that are not.
    """
    twice = [name for name, count in Counter(names).items() if count > 1]
    if twice:
        raise InputError(
            Mistake(where(scene, f"body '{name}'", "name"), "one body of this name", "more", "rename one of them")
            for name in twice
        )


def _of_wires(scene: SceneFile | dict[str, Any]) -> Iterator[Named]:
    for wire in _entries(scene, "wires"):
        name = _get(wire, "name")
        made_for = f"made for wire '{name}'"
        for end in ("from", "to"):
            if _get(wire, f"{end}_string") is not None:
                string = f"{name} {end} string"
                yield from (Named(string, made_for), Named(fittings_name(string), made_for), *_ends(string, made_for))
        for rope in _entries(_get(wire, "release") or {}, "ropes"):
            yield Named(_get(rope, "name"), f"ropes of wire '{name}'")
            yield Named(pulley_name(_get(rope, "name")), f"made for rope '{_get(rope, 'name')}'")
        if _get(wire, "release") is not None:
            yield from (
                Named(made, made_for, spoken=False)
                for made in (opening_name(name), whip_name(name), free_end_name(name))
            )


def _ends(string: str, made_for: str) -> Iterator[Named]:
    yield from (Named(end_name(string, which), made_for, spoken=False) for which in ("earthed", "live"))


def _get(entry: Any, key: str) -> Any:
    return entry.get(key) if isinstance(entry, dict) else getattr(entry, key, None)


def _entries(table: Any, key: str) -> list[Any]:
    value = _get(table, key)
    return [entry for entry in value if isinstance(entry, dict | Record)] if isinstance(value, tuple) else []


def _names(table: Any, key: str) -> list[str]:
    return [name for entry in _entries(table, key) if isinstance(name := _get(entry, "name"), str)]


def _named_or(entry: Any, usual: str) -> str:
    name = _get(entry, "name")
    return name if isinstance(name, str) else usual
