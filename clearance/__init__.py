"""Plans live-line bare-hand work from an insulating ladder: shows that the air between every two potentials is enough,
at every position. The public names are `read_scene`, `check`, `Scene` and `Result`; required distances are in
`clearance.rules`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from clearance.pipeline import check
    from clearance.result import Result
    from clearance.scene.reading import read_scene
    from clearance.scene.records import Scene

__all__ = ["Result", "Scene", "check", "read_scene"]

_HOME = {
    "check": "clearance.pipeline",
    "Result": "clearance.result",
    "read_scene": "clearance.scene.reading",
    "Scene": "clearance.scene.records",
}


def __getattr__(name: str) -> Any:
    # On demand: `clearance --help` must not wait for the kernel to be imported.
    if name in _HOME:
        from importlib import import_module

        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module 'clearance' has no attribute '{name}'")
