"""`python -m tests.mutants`: apply each mutant to a copy, and say which ones the tests let live."""

from __future__ import annotations

import argparse
import fnmatch
import json
import queue
import subprocess
import sys
import threading
from collections import Counter
from dataclasses import asdict
from pathlib import Path

from .listing import REPOSITORY, Mutant, listed
from .running import Outcome, applied, copied, unchanged

INTERRUPTED = 130


def main() -> int:
    told = _arguments()
    chosen = [mutant for mutant in listed() if told.only is None or fnmatch.fnmatch(mutant.name, f"*{told.only}*")]
    if told.changed_since is not None:
        changed = _changed(told.changed_since)
        chosen = [m for m in chosen if {str(m.path), *(test.split("::")[0] for test in m.tests)} & changed]
    if not chosen:
        print("no mutant is concerned", file=sys.stderr)
        return 0
    found, wrong, stopped = _all(chosen, max(1, min(told.jobs, len(chosen))))
    for outcome in found:
        if outcome.said != "caught":
            print(f"{outcome.said}: {outcome.mutant.name}\n  {outcome.mutant.why}\n  {' '.join(outcome.mutant.tests)}")
            if outcome.said != "survived":
                print(outcome.printed)
    counts = Counter(outcome.said for outcome in found)
    print(", ".join(f"{counts[said]} {said}" for said in ("caught", "survived", "broken", "timed out")))
    if told.json:
        told.json.write_text(json.dumps([asdict(outcome) for outcome in found], indent=1, default=str) + "\n")
    if stopped:
        print(f"interrupted with {len(chosen) - len(found)} of {len(chosen)} left", file=sys.stderr)
        return INTERRUPTED
    return int(wrong or counts["caught"] < len(chosen))


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("--only", metavar="PATTERN", help="those whose module, function or expression match")
    parser.add_argument("--changed-since", metavar="REV", help="those whose module or tests changed since a commit")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="copies to work in at a time")
    parser.add_argument("--json", type=Path, metavar="FILE", help="where to write what came of each")
    return parser.parse_args()


def _changed(revision: str) -> set[str]:
    command = ["git", "diff", "--name-only", revision]
    return set(subprocess.run(command, cwd=REPOSITORY, check=True, capture_output=True, text=True).stdout.split("\n"))


def _all(chosen: list[Mutant], jobs: int) -> tuple[list[Outcome], bool, bool]:
    """What came of each, whether their tests fail without any mutant, and whether somebody interrupted."""
    left: queue.SimpleQueue[tuple[int, Mutant]] = queue.SimpleQueue()
    for number, mutant in enumerate(chosen, 1):
        left.put((number, mutant))
    found: list[Outcome] = []
    with copied() as first:
        print("the tests concerned, without any mutant", file=sys.stderr)
        try:
            code, printed = unchanged(first, chosen)
        except KeyboardInterrupt:
            return [], False, True
        if code:
            print(f"the tests fail without any mutant\n{printed}")
            return [], True, False
        stop = threading.Event()

        def work(copy: Path) -> None:
            while not stop.is_set():
                try:
                    number, mutant = left.get_nowait()
                except queue.Empty:
                    return
                outcome = applied(copy, mutant, number)
                found.append(outcome)
                told = f"{len(found)}/{len(chosen)} {outcome.said} in {outcome.seconds:.0f} s: {mutant.name}"
                print(told[:160], file=sys.stderr, flush=True)

        def another() -> None:
            with copied() as copy:
                work(copy)

        others = [threading.Thread(target=another) for _ in range(jobs - 1)]
        for thread in others:
            thread.start()
        stopped = False
        try:
            work(first)
        except KeyboardInterrupt:
            stopped = True
        stop.set()
        for thread in others:
            thread.join()
    return found, False, stopped


if __name__ == "__main__":
    sys.exit(main())
