"""Small scenes for the rules of the job: few bodies, mostly boxes, so that the right answer is worked out by hand.

`scene(...)` writes a scene file and reads it back, as a user would. By default: one circuit of 220 kV (highest 245 kV)
at 2.5 per unit, level ground at height 0, a ladder 8 m tall that stands at the origin and faces along x, and nothing
else: that there is no weather, no crew and no tool is stated where none is given, and that a circuit of two phases has
no third. The scene asks about its stages
only. Pieces are added by keyword; `slab` is a large plate whose face is a plane to anything near its middle.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from clearance.bodies import worker
from clearance.pipeline import check
from clearance.scene.plausible_ratios import UNCLIMBED
from clearance.scene.reading import read_scene

HIGHEST_KV = 245.0
PER_UNIT = 2.5
SPREAD = worker.SPREAD_M

CIRCUIT = {
    "name": "bay",
    "phases": ["A", "B", "C"],
    "nominal_kV": 220,
    "highest_kV": HIGHEST_KV,
    "highest_basis": "IEC 60038",
    "overvoltage_per_unit": PER_UNIT,
    "overvoltage_basis": "switching study",
    "overvoltage_by": "network studies",
}
LADDER = {
    "length_m": 8.0,
    "width_m": 0.4,
    "rail_diameter_m": 0.06,
    "rung_spacing_m": 0.3,
    "insulating_from_m": 0.0,
    "insulating_to_m": 8.0,
    "bending_m": 0.0,
}
TRACK = {"points_m": [[0, -5], [0, 5]], "heading_deg": 0}
"""Station 5 m is the scene's origin."""
WORKER = {"name": "worker", "stature_m": 1.755, "suit_m": 0.04, "boots_m": 0.03, "helmet_m": 0.05, "trunk_lean_m": 0.0}
SAID = {"basis": "small scene", "by": "the test", "on": "2026-11-30"}
"""What every statement states besides."""
STAGE = {"name": "stage", "kind": "work", "travel_m": 5, "climb_m": 3, "posture": "standing"}


def isolated(wire):
    """The statement that the far end of a wire is isolated."""
    return {"kind": "isolated", "wire": wire}


def never_at(body_name, *states, **others):
    """The statement that a body is never in these states."""
    return {"kind": "never at", "body": body_name, "states": list(states), **others}


def insulating(body_name):
    """The statement that a solid or a rope insulates."""
    return {"kind": "insulating", "body": body_name}


def may_open(wire, how="by stick or rope", current_A=1.0, energy_J=1000.0, **others):
    """The statement that a wire may be opened so: by default more than any wire of a small scene carries."""
    return {"kind": "may open", "wire": wire, "how": how, "current_A": current_A, "energy_J": energy_J, **others}


def lashed(wire, within_m=0.1):
    """The statement that a wire's free end is held by two ropes, either of which is enough."""
    return {"kind": "held", "wire": wire, "within_m": within_m}


def tail_rope(to_m, name="tail rope", **others):
    """A rope of a release: straight from the free end to where it is held, a point or a place on a wire."""
    to_m = to_m if isinstance(to_m, str) else list(to_m)
    return {"name": name, "to_m": to_m, "diameter_m": 0.012, "sag_m": 0.0, "wet_or_dirty_m": 0.0, **others}


def hands_at(*lines):
    """The crew: somebody at the end of each of some ropes, whose name tells which; nobody takes a step aside."""
    return [{"name": f"hands of {line['name']}", "stature_m": 1.755, "at_m": line["to_m"][:2]} for line in lines]


def contact(one, other):
    """The statement that two bodies are meant to touch."""
    return {"kind": "contact", "bodies": [one, other]}


def body(**changes) -> worker.Build:
    """The worker of the scenes."""
    told = {**WORKER, **changes}
    return worker.build(told["stature_m"], None, None, told["suit_m"], told["boots_m"], told["helmet_m"])


def head_m() -> float:
    """Top of the standing worker above the soles [m], spread included: boots, stature and helmet."""
    return 0.03 + 1.755 + 0.05 + SPREAD


def slab(name, bottom_m=None, top_m=None, potential="A", at=(0.0, 0.0), size=(40.0, 40.0), **others):
    """A plate 0.2 m thick whose underside is at `bottom_m`, or whose upper side is at `top_m`."""
    middle = bottom_m + 0.1 if bottom_m is not None else top_m - 0.1
    return box(name, [at[0], at[1], middle], [*size, 0.2], potential, **others)


def wall(name, x_from, potential="earth", y=0.0, z=(0.0, 40.0), width=40.0, **others):
    """A wall 0.2 m thick across x: its near face is at `x_from`, on the side of the origin."""
    away = 0.1 if x_from >= 0 else -0.1
    return box(name, [x_from + away, y, (z[0] + z[1]) / 2], [0.2, width, z[1] - z[0]], potential, **others)


def box(name, centre, size, potential="earth", **others):
    return {
        "kind": "box",
        "name": name,
        "centre_m": list(centre),
        "size_m": list(size),
        "potential": potential,
        **others,
    }


def text(surveyed_m: float = 0.0, **parts) -> str:
    """The scene file: parts by the name of their table, over the defaults; a part that is None is left out.

    surveyed_m: uncertainty of the ground, structures and solids that state none [m]; nothing is confirmed where it is
        usual
    """
    unsure = {"uncertainty_m": surveyed_m}
    for table in ("ground", "structures", "solids"):
        given = parts.get(table)
        if surveyed_m and given:
            parts[table] = {**unsure, **given} if isinstance(given, dict) else [{**unsure, **entry} for entry in given]
    whole = {
        "format": 1,
        "name": "small",
        "rule": "osha-1910.269",
        "altitude_m": 0,
        "frequency_Hz": 50,
        "asks": "stages",
        "circuits": [CIRCUIT],
        "ground": {"kind": "level", "height_m": 0, "extent_m": 40, **(unsure if surveyed_m else {})},
        "ladder": LADDER,
        "track": TRACK,
        "workers": [WORKER],
        "stages": [STAGE],
        **parts,
    }
    none = [what for what in ("weather", "crew", "tools") if parts.get(what) is None]
    by_itself = any(entry["kind"] == "none" for entry in parts.get("statements") or ())
    said = [{"kind": "none", "what": none}] if none and not by_itself else []
    said = [*said, *(parts.get("statements") or ()), *_of_two_phases(whole["circuits"] or ()), *_of_nothing(whole)]
    whole["statements"] = [{**SAID, **entry} for entry in said]
    whole = {key: _certain(key, value) for key, value in whole.items()}
    return "\n".join(f"{key} = {_value(value)}" for key, value in whole.items() if value is not None) + "\n"


def _of_two_phases(circuits):
    """The statements that circuits of two phases have no third one."""
    for circuit in circuits:
        if len(circuit["phases"]) == 2:
            entry = f"circuit '{circuit['name']}'"
            yield {"kind": "confirmed", "entry": entry, "field": "phases", "value": circuit["phases"]}


def _of_nothing(whole):
    """The statements that a ladder or a boom does not bend, that nobody moves the shoulders or steps aside, that ropes
    are straight, and that what stands there was surveyed to nothing: the small scenes leave that out of what is worked
    out by hand."""
    for table, every in (("ground", "ground"), ("structures", "every structure"), ("solids", "every solid")):
        given = _certain(table, whole.get(table) or ())
        if any(entry.get("uncertainty_m") == 0.0 for entry in ([given] if isinstance(given, dict) else given)):
            yield {"kind": "confirmed", "entry": every, "field": "uncertainty_m", "value": 0.0}
    for table, every, field in (
        ("crew", "crew", "radius_m"), ("vehicles", "vehicle", "radius_m"), ("ropes", "rope", "slack_m"),
        ("tools", "tool", "swing_m"),
    ):  # fmt: skip
        if any(entry.get(field) == 0.0 for entry in _certain(table, whole.get(table) or ())):
            yield {"kind": "confirmed", "entry": f"every {every}", "field": field, "value": 0.0}
    weather = whole.get("weather") or {}
    wind = weather.get("wind_m_s") or 0.0
    iced = any(weather[key] for key in weather if key.startswith("ice_"))
    if weather and not iced and (max(wind) if isinstance(wind, list | tuple) else wind) <= 1.0:
        yield {"kind": "confirmed", "entry": "weather", "field": "wind_m_s", "value": wind}
    stages = _certain("stages", whole["stages"] or ())
    for field in LEANS:
        if any(one.get(field) in (0, [0, 0]) and one.get("kind") not in UNCLIMBED for one in stages):
            yield {"kind": "confirmed", "entry": "every stage", "field": field, "value": 0.0}
    for number in range(1, 1 + max((len(_lines(wire)) for wire in whole.get("wires") or ()), default=0)):
        if any(line["sag_m"] == 0.0 for wire in whole["wires"] for line in _lines(wire)[number - 1 : number]):
            field = f"release.ropes {number}.sag_m"
            yield {"kind": "confirmed", "entry": "every wire", "field": field, "value": 0.0}
    for number in range(1, 1 + max((len(one.get("stands") or ()) for one in whole["stages"] or ()), default=0)):
        stands = [one["stands"][number - 1] for one in whole["stages"] if len(one.get("stands") or ()) >= number]
        if any(stand.get("radius_m") == 0.0 for stand in stands):
            yield {"kind": "confirmed", "entry": "every stage", "field": f"stands {number}.radius_m", "value": 0.0}
    for table, word, fields in (
        ("ladder", "ladder", ("bending_m",)),
        ("aerial_device", "aerial device", ("bending_m", "room_m")),
        ("workers", "worker", ("trunk_lean_m",)),
    ):
        entries = whole.get(table) or ()
        for field in fields:
            for entry in [entries] if isinstance(entries, dict) else entries:
                name = entry.get("name", word)
                if entry.get(field) == 0.0:
                    said = word if name == word else f"{word} '{name}'"
                    yield {"kind": "confirmed", "entry": said, "field": field, "value": 0.0}


def _lines(wire):
    """The ropes of a wire's release."""
    return (wire.get("release") or {}).get("ropes") or ()


HELPING = {
    "ground": {"uncertainty_m": 0.0},
    "wires": {"uncertainty_m": 0.0},
    "structures": {"uncertainty_m": 0.0, "potential": "earth"},
    "solids": {"uncertainty_m": 0.0, "potential": "earth"},
    "clouds": {"potential": "earth"},
    "vehicles": {"heading_deg": 0, "radius_m": 0.0},
    "crew": {"radius_m": 0.0, "tool_m": 0.0},
    "workers": {"hanging_m": 0.0},
    "ropes": {"wet_or_dirty_m": 0.0, "slack_m": 0.0},
    "ladder": {"wet_or_dirty_m": 0.0, "tilt_deg": 0.0},
    "track": {"settlement_m": 0.0},
    "aerial_device": {"chassis_deg": 0.0, "tip_m": 0.0, "wet_or_dirty_m": 0.0},
    "weather": {"wind_m_s": 0.0, "gust_factor": 1.0},
}
"""What must be stated though its default is what a test means where it states nothing (`clearance.scene.unstated`)."""

LEANS = {"lean_along_deg": 0.0, "lean_across_deg": 0.0}


def _certain(key: str, value):
    """A table with what the format, or the result, asks to be stated."""
    if isinstance(value, list | tuple) and all(isinstance(entry, dict) for entry in value):
        return [{**_helping(key, entry), **entry, **_release(entry)} for entry in value]
    return {**_helping(key, value), **value, **_fittings(value)} if isinstance(value, dict) else value


def _fittings(entry: dict) -> dict:
    fittings = entry.get("fittings")
    return {"fittings": [{"potential": "floating", **fitting} for fitting in fittings]} if fittings else {}


def _release(entry: dict) -> dict:
    release = entry.get("release")
    return {"release": {"trails_m": 0.0, "trapped_per_unit": 1.0, **release}} if isinstance(release, dict) else {}


def _helping(key: str, entry: dict) -> dict:
    found = dict(HELPING.get(key, {}))
    if entry.get("area_m") is not None:
        found.pop("radius_m", None)
    turned = ("gantry", "lattice tower", "box", "mesh") if key in ("structures", "solids") else ()
    if entry.get("kind") in turned or entry.get("crossarms"):
        found["heading_deg"] = 0.0
    if (key == "stages" and entry.get("travel_m") is not None) or (
        key == "jobs" and entry.get("kind") != "written stages"
    ):
        found |= LEANS
    if key == "wires" and entry.get("potential") == "earth":
        found["insulated"] = False
    if key == "weather" and not any(name.startswith("ice_") and name != "ice_kg_m3" for name in entry):
        found["ice_m"] = 0.0
    return found


def grip(at, potential="A", name="grip"):
    """A small piece of a conductor under a clamp at a point: a cube of 2 cm."""
    return box(name, at, [0.02, 0.02, 0.02], potential)


def _value(value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items() if v is not None) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return repr(float(value)) if isinstance(value, float) else repr(value)


def _key(key: str) -> str:
    return key if key.replace("_", "").isalnum() else _value(key)


def written(folder: Path, **parts) -> Path:
    """The scene as a file in a folder."""
    path = Path(folder) / "small.toml"
    path.write_text(text(**parts))
    return path


def scene(**parts):
    """The scene, read."""
    with tempfile.TemporaryDirectory() as folder:
        return read_scene(written(Path(folder), **parts))


def stage(**changes):
    """The default stage with changes; a field that is None is left out, and with nobody aloft what only they use."""
    nobody = {"climb_m": None, "posture": None} if changes.get("workers") == [] else {}
    return {**STAGE, **changes, **nobody}


def checked(tolerance_m: float = 0.001, withdraw: bool = False, **parts):
    """The result of a scene made of these parts; withdraw: with what it would be without its statements, which doubles
    the work."""
    return check(scene(**parts), tolerance_m, withdraw=withdraw)


def only(**parts):
    """The result of a scene of one stage: its StageResult."""
    (found,) = checked(**parts).stages
    return found


def gap(found, one, other, kind):
    """The gap of a stage between two potentials and of a kind; None where it was not judged."""
    same = [g for g in found.gaps if set(g.between) == {one, other} and g.kind == kind]
    assert len(same) <= 1
    return same[0] if same else None
