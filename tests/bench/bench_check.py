"""Times a check with the verdict without every group of statements against one without it, and prints the ratio.

    python tests/bench/bench_check.py            scenes/demo.toml; or name scenes

Processor time, the better of two, one after the other in one process. Quote ratios, not seconds: machines differ.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from clearance.kernel import compiling
from clearance.pipeline import check_prepared, prepare
from clearance.scene.reading import read_scene

ROOT = Path(__file__).resolve().parents[2]


def seconds(prepared, withdraw):
    """Processor time of the better of two."""
    found = []
    for _ in range(2):
        begun = time.process_time()
        check_prepared(prepared, withdraw=withdraw)
        found.append(time.process_time() - begun)
    return min(found)


def main(names):
    compiling.begin()
    compiling.finish()
    head = ("scene", "stages", "statements", "as stated", "and without each group", "ratio")
    print("| " + " | ".join(head) + " |\n|" + "---|" * len(head))
    for name in names or [str(ROOT / "scenes" / "demo.toml")]:
        prepared = prepare(read_scene(Path(name)))
        bare, whole = (seconds(prepared, withdraw) for withdraw in (False, True))
        scene = prepared.site.scene
        sizes = f"{len(scene.stages)} | {len(scene.statements)}"
        print(f"| {Path(name).stem} | {sizes} | {bare:.1f} s | {whole:.1f} s | {whole / bare:.1f} |", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
