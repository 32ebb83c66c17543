"""Builds a small scene in Python from surveyed points, checks it, and checks it again at another overvoltage.

    python examples/build_a_scene.py [FILE.toml]

All figures are invented. A scene made in Python passes the same checks as one from a file, and so does every change of
it. The digest is made of what a scene says, so each result tells which scene it is of. With FILE the scene is written
there.
"""

from __future__ import annotations

import sys

import numpy as np

from clearance import Scene, check, write_scene

# Attachment points of three spans as a survey gives them [m], x, y, z; the crew climbs between A and C, below B.
ATTACHMENTS = np.array(
    [
        [[-20.0, -2.2, 6.3], [20.0, -2.2, 6.5]],
        [[-20.0, 0.0, 10.2], [20.0, 0.0, 10.4]],
        [[-20.0, 2.2, 6.2], [20.0, 2.2, 6.4]],
    ]
)
TRACK = np.column_stack([np.zeros(3), np.linspace(-1.0, 1.0, 3)])


def built(overvoltage_per_unit: float) -> Scene:
    """The scene; raises `clearance.InputError` with every mistake of it."""
    wires = [
        {
            "kind": "span", "name": f"span {phase}", "phase": phase, "from_m": ends[0], "to_m": ends[1], "sag_m": 0.4,
            "diameter_mm": 28.1, "uncertainty_m": 0.05,
        }
        for phase, ends in zip("ABC", ATTACHMENTS, strict=True)
    ]  # fmt: skip
    circuit = {
        "name": "bay", "phases": ["A", "B", "C"], "nominal_kV": 220, "highest_kV": 245, "highest_basis": "IEC 60038",
        "overvoltage_per_unit": overvoltage_per_unit, "overvoltage_basis": "invented", "overvoltage_by": "this example",
    }  # fmt: skip
    ladder = {
        "length_m": 8, "width_m": 0.5, "rail_diameter_m": 0.06, "rung_spacing_m": 0.3, "insulating_from_m": 0.4,
        "insulating_to_m": 8, "bending_m": 0.02, "tilt_deg": 0, "wet_or_dirty_m": 0,
    }  # fmt: skip
    none = {
        "kind": "none",
        "what": ["weather", "crew", "tools"],
        "basis": "example",
        "by": "nobody",
        "on": "2026-11-30",
    }
    ground = {"kind": "level", "height_m": 0, "extent_m": 40, "uncertainty_m": 0.02}
    return Scene(
        format=1, name="three spans", rule="osha-1910.269", altitude_m=140, frequency_Hz=50, asks="stages",
        statements=[none], circuits=[circuit], ground=ground,
        wires=wires, ladder=ladder, track={"points_m": TRACK, "heading_deg": 0, "settlement_m": 0},
        workers=[{"name": "worker", "sex": "man", "percentile": 95, "trunk_lean_m": 0.2, "hanging_m": 0}],
        stages=[{"name": "climb", "kind": "climb", "travel_m": np.array([0.9, 1.1]), "climb_m": [1.3, 3.0],
                 "lean_along_deg": [-0.5, 0.5], "lean_across_deg": [-0.5, 0.5]}],
    )  # fmt: skip


def main(path: str | None = None) -> None:
    scene = built(2.0)
    higher = scene.changed_entry("circuits", "bay", overvoltage_per_unit=3.5)
    for one in (scene, higher):
        result = check(one, tolerance_m=0.01)
        margins = [gap.governing.margin_lower_m for gap in result.stages[0].gaps]
        least = min(margin for margin in margins if margin is not None)
        per_unit = one.circuits[0].overvoltage_per_unit
        print(f"T = {per_unit:g}, scene {result.sha256[:12]}: {result.verdict}, least margin of a gap {least:.2f} m")
    if path is not None:
        write_scene(scene, path)
        print(f"wrote {path}")


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else None)
