"""Shows what the margin of a scene hangs on: the least margin of each stage at several maximum overvoltages T.

    python examples/compare_overvoltages.py scenes/demo.toml 2.0 2.5 3.0 3.5

The geometry is the same for every T; only limits change. A T has to be recorded with its basis before it may be used.
"""

from __future__ import annotations

import sys

from clearance import Scene, check, read_scene


def at_overvoltage(scene: Scene, per_unit: float) -> Scene:
    """The scene with every circuit at another maximum overvoltage [per unit]."""
    change = {
        "overvoltage_per_unit": per_unit,
        "overvoltage_basis": "assumed for comparison",
        "overvoltage_by": "this example",
    }
    for circuit in scene.circuits:
        scene = scene.changed_entry("circuits", circuit.name, **change)
    return scene


def least_margins(scene: Scene, tolerance_m: float) -> dict[str, float]:
    """The least proven margin of every stage [m]."""
    found = {}
    for stage in check(scene, tolerance_m).stages:
        margins = [gap.governing.margin_lower_m for gap in stage.gaps if gap.governing.margin_lower_m is not None]
        found[stage.name] = min(margins, default=float("inf"))
    return found


def main(path: str, per_units: list[float], tolerance_m: float = 0.01) -> None:
    scene = read_scene(path)
    columns = {per_unit: least_margins(at_overvoltage(scene, per_unit), tolerance_m) for per_unit in per_units}
    print("least margin [m] at T".ljust(30) + "".join(f"{per_unit:8.2f}" for per_unit in per_units))
    for stage in scene.stages:
        print(stage.name.ljust(30) + "".join(f"{columns[per_unit][stage.name]:8.2f}" for per_unit in per_units))


if __name__ == "__main__":
    given = [float(value) for value in sys.argv[2:]] or [2.0, 2.5, 3.0, 3.5]
    main(sys.argv[1] if len(sys.argv) > 1 else "scenes/demo.toml", given)
