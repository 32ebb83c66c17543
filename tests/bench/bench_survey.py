"""How long and how much memory a survey takes, against laspy alone decoding the same files, in one run.

    python tests/bench/bench_survey.py [--millions 1 10] [--folder DIR]

The real tile of tests/data (1.06 million points) is repeated side by side, 200 m apart, in files of at most ten
copies. Each figure is of a process of its own: decoding only (chunks, coordinates and classes), the survey with the
classes used, and with all found from shape; both with all files written, once without and once with the page of
pictures. Peak memory is the process's largest resident size. Goals: 5 and 15 times decoding; under 2 GB at 50 million
points.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TILE = Path(__file__).resolve().parents[1] / "data" / "ahn4_tile.laz"
APART_M = 200.0
COPIES_PER_FILE = 10


def make(folder: Path, millions: int) -> list[Path]:
    """The tile repeated to about so many million points."""
    import laspy
    import numpy as np

    tile = laspy.read(TILE)
    paths = []
    for start in range(0, millions, COPIES_PER_FILE):
        path = folder / f"bench_{millions}_{start // COPIES_PER_FILE}.laz"
        paths.append(path)
        if path.exists():
            continue
        x = np.array(tile.X)  # a copy: the records are shifted in place
        with laspy.open(path, mode="w", header=tile.header) as writer:
            for copy in range(start, min(start + COPIES_PER_FILE, millions)):
                tile.points["X"] = x + round(copy * APART_M / tile.header.scales[0])
                writer.write_points(tile.points)
        tile.points["X"] = x
    return paths


def decode(paths: list[Path]) -> None:
    """What laspy alone does: every chunk, its coordinates and its classes."""
    import laspy
    import numpy as np

    for path in paths:
        with laspy.open(path) as reader:
            for chunk in reader.chunk_iterator(500_000):
                for values in (chunk.x, chunk.y, chunk.z, chunk.classification):
                    np.asarray(values)


def run_survey(paths: list[Path], classes: str, page: bool) -> None:
    """A whole survey into a folder."""
    from clearance.report.survey import page as make_page
    from clearance.survey.run import Options, survey_scans
    from clearance.survey.write import write_survey

    found = survey_scans(paths, Options(classes=classes))
    with tempfile.TemporaryDirectory() as folder:
        write_survey(found.finding, Path(folder) / "out", "bench", report=make_page if page else None)


WHAT = {
    "decode": lambda paths: decode(paths),
    "classes used": lambda paths: run_survey(paths, "auto", False),
    "found from shape": lambda paths: run_survey(paths, "ignore", False),
    "found, with page": lambda paths: run_survey(paths, "ignore", True),
}


def child(what: str, paths: list[Path]) -> None:
    """One measurement: imports first, then the clock."""
    import laspy  # noqa: F401

    if what != "decode":
        import clearance.report.survey
        import clearance.survey.run
        import clearance.survey.write  # noqa: F401
    start, used = time.perf_counter(), time.process_time()
    WHAT[what](paths)
    seconds, used = time.perf_counter() - start, time.process_time() - used
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"seconds": seconds, "cpu": used, "peak_MB": peak}))


def main() -> None:
    """Measure and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--millions", type=int, nargs="+", default=[1, 10])
    parser.add_argument("--folder", type=Path, default=None)
    parser.add_argument("--child", nargs="+", default=None)
    given = parser.parse_args()
    if given.child:
        child(given.child[0], [Path(path) for path in given.child[1:]])
        return
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.folder or Path(temporary)
        for millions in given.millions:
            paths = make(folder, millions)
            base: dict[str, float] = {}
            for what in WHAT:
                runs = []
                for _ in range(3 if millions <= 10 else 1):
                    command = [sys.executable, __file__, "--child", what, *map(str, paths)]
                    done = subprocess.run(command, check=True, capture_output=True, text=True)
                    runs.append(json.loads(done.stdout.splitlines()[-1]))
                best = min(runs, key=lambda run: run["seconds"])
                base = base or best
                times = [f"{best[key]:7.2f} s {best[key] / base[key]:5.1f} x" for key in ("seconds", "cpu")]
                print(
                    f"{millions:3d} tiles  {what:18s} wall {times[0]}  cpu {times[1]}  {best['peak_MB']:6.0f} MB",
                    flush=True,
                )


if __name__ == "__main__":
    main()
