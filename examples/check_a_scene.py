"""Checks a scene and prints, for every stage, the gap with the least margin: where it is and what it passes through.

python examples/check_a_scene.py scenes/demo.toml
"""

from __future__ import annotations

import sys

from clearance import check, read_scene
from clearance.errors import ClearanceError


def main(path: str) -> int:
    try:
        result = check(read_scene(path), progress=lambda line: print(line, file=sys.stderr))
    except ClearanceError as error:
        print(error, file=sys.stderr)
        return 2
    print(f"{result.scene}: {result.verdict}")
    for stage in result.stages:
        print(f"\n{stage.name} ({stage.kind}): {stage.verdict}")
        for line in stage.open_points:
            print(f"  undecided: {line}")
        judged = [gap for gap in stage.gaps if gap.governing.margin_lower_m is not None]
        for gap in sorted(judged, key=lambda gap: gap.governing.margin_lower_m or 0.0)[:1]:
            least = gap.governing
            chain = " > ".join((least.ends[0], *least.through, least.ends[1]))
            where = ", ".join(f"{name} {value:.3f}" for name, value in least.at.items())
            print(f"  {gap.between[0]} to {gap.between[1]}, {gap.kind}: margin at least {least.margin_lower_m:.3f} m")
            print(f"  through {chain}, at {where}")
    return {"clear": 0, "breach": 1, "undecided": 3}[result.verdict]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1] if len(sys.argv) > 1 else "scenes/demo.toml"))
