"""Plans live-line bare-hand work from an insulating ladder: shows that the air between every two potentials is enough,
at every position. Required distances are in `clearance.rules`.

`read_scene` reads a scene from a file; `Scene(**tables)` makes one of the same tables in Python, where NumPy arrays may
stand for lists. A `Scene` is always checked: whatever is wrong with it is an `InputError` that tells every mistake.

>>> import clearance
>>> pole = {"kind": "pole", "name": "pole", "base_m": (9.0, 0.0), "height_m": 9.0, "base_radius_m": 0.15,
...         "top_radius_m": 0.1, "uncertainty_m": 0.02}
>>> circuit = {"name": "bay", "phases": ["A", "B", "C"], "nominal_kV": 220}
>>> stage = {"name": "climb", "kind": "climb", "climb_m": [0, 4]}
>>> tables = dict(format=1, name="bay", rule="osha-1910.269", altitude_m=0, frequency_Hz=50, circuits=[circuit],
...               ground={"kind": "level", "height_m": 0, "uncertainty_m": 0}, structures=[pole], stages=[stage])
>>> try:
...     clearance.Scene(**tables)
... except clearance.InputError as error:
...     print(error.mistakes[0].expected)
a ladder in the scene

It is changed by `changed`, or one entry by its name by `changed_entry`, each of which gives another scene, checked
whole. `sha256` tells scenes apart by what they say, and stands in every result of `check`.

>>> scene = clearance.Scene(**tables | {"stages": [{"name": "wait", "kind": "work"}]})
>>> higher = scene.changed_entry("structures", "pole", height_ft=34)
>>> higher.structures[0].height_m, higher.sha256 == scene.sha256
(10.3632, False)
>>> higher.changed_entry("structures", "pole", height_m=9.0).sha256 == scene.sha256
True
>>> scene.changed(stages=[])
Traceback (most recent call last):
clearance.errors.InputError: scene 'bay': stages: expected the steps of the job, found nothing. Add a table [[stages]].

`write_scene` writes it as a file that reads back as the same scene; `scene_text` is its text.

>>> "height_m = 10.3632" in clearance.scene_text(higher).splitlines()
True
>>> clearance.check(scene).sha256 == scene.sha256
True
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from clearance.errors import InputError
    from clearance.pipeline import check
    from clearance.result import Result
    from clearance.scene.reading import read_scene
    from clearance.scene.records import Scene
    from clearance.scene.writing import scene_text, write_scene

__all__ = ["InputError", "Result", "Scene", "check", "read_scene", "scene_text", "write_scene"]

_HOME = {
    "check": "clearance.pipeline",
    "InputError": "clearance.errors",
    "Result": "clearance.result",
    "read_scene": "clearance.scene.reading",
    "Scene": "clearance.scene.records",
    "scene_text": "clearance.scene.writing",
    "write_scene": "clearance.scene.writing",
}


def __getattr__(name: str) -> Any:
    # On demand: `clearance --help` must not wait for the kernel to be imported.
    if name in _HOME:
        from importlib import import_module

        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module 'clearance' has no attribute '{name}'")
