"""Owns the copy that mutants are applied to, one at a time, and what comes of the tests there.

The package is copied once, with its tests, and one file of it changed and restored. The compiled kernel goes with it:
Numba keeps it under the folder of its sources, and knows those by their time and size, which the copy keeps. So a
mutant of plain Python compiles nothing; should Numba's layout change, the kernel is compiled once in the copy. One of
the kernel is tried without compiling, on tests small enough for that, which is a tenth of the work of compiling it.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from numba.core import caching

from clearance.kernel import cache, compiling

from .inside import ELSEWHERE, UNUSED
from .listing import REPOSITORY, Broken, Mutant, mutated

PATIENCE_S = 180.0
"""[s] Longest that the tests of a mutant may take: a hundred times what they should."""

COMPILING_S = 420.0
"""[s] What compiling the kernel may take besides, on a busy machine."""

LEFT_OUT = (".git", ".venv", "__pycache__", ".mypy_cache", ".pytest_cache", ".ruff_cache", ".hypothesis", "out")


@dataclass(frozen=True)
class Outcome:
    """What came of a mutant: caught, survived, broken, or timed out; and the end of what the tests printed."""

    mutant: Mutant
    said: str
    seconds: float
    printed: str


@contextlib.contextmanager
def copied() -> Iterator[Path]:
    """A copy of the repository in a temporary folder, which goes with it."""
    with tempfile.TemporaryDirectory(prefix="clearance-mutants-") as name:
        copy = Path(name) / "copy"
        shutil.copytree(REPOSITORY, copy, ignore=shutil.ignore_patterns(*LEFT_OUT), copy_function=shutil.copy2)
        _bring_kernel(copy)
        yield copy


def _bring_kernel(copy: Path) -> None:
    """Give the copy the compiled kernel under the name that Numba looks for there."""
    if cache.FOLDER is None:
        return
    here, there = (
        caching._CacheLocator.get_suitable_cache_subpath(str(folder / "clearance" / "kernel" / "pairs.py"))
        for folder in (REPOSITORY, copy)
    )
    if (cache.FOLDER / here).is_dir():
        folder = _cache(copy) / cache.FOLDER.name
        shutil.copytree(cache.FOLDER / here, folder / there)
        (folder / compiling.WHOLE).touch()


def _cache(copy: Path) -> Path:
    return copy.parent / "cache"


def unchanged(copy: Path, mutants: list[Mutant]) -> tuple[int, str]:
    """What the tests of mutants say of the copy as it is: only tests that pass there can catch anything."""
    for interpreted in (False, True):
        tests = sorted({test for one in mutants if one.interpreted == interpreted for test in one.tests})
        code, printed = _run(copy, "", tests, COMPILING_S + 30.0 * len(tests), interpreted) if tests else (0, "")
        if code:
            return code, printed
    return 0, ""


def applied(copy: Path, mutant: Mutant, number: int) -> Outcome:
    """Run the tests of a mutant in the copy. number: another for each, as Python knows a source it compiled before by
    its time and size."""
    began = time.monotonic()
    path = copy / mutant.path
    before, stamp = path.read_bytes(), path.stat()
    try:
        path.write_text(mutated(mutant, before.decode()))
        os.utime(path, (stamp.st_atime, stamp.st_mtime + number))
        patience = PATIENCE_S + (COMPILING_S if mutant.compiled else 0.0)
        code, printed = _run(copy, mutant.module, list(mutant.tests), patience, mutant.interpreted)
    except Broken as error:
        return Outcome(mutant, "broken", 0.0, str(error))
    finally:
        path.write_bytes(before)
        os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    said = {0: "survived", 1: "caught", UNUSED: "survived", ELSEWHERE: "broken", TIMED_OUT: "timed out"}
    return Outcome(mutant, said.get(code, "broken"), time.monotonic() - began, printed)


TIMED_OUT = -1


def _run(copy: Path, module: str, tests: list[str], patience_s: float, interpreted: bool) -> tuple[int, str]:
    told = {"PYTHONPATH": str(copy), "NUMBA_CACHE_DIR": str(_cache(copy))}
    told |= {"NUMBA_DISABLE_JIT": "1"} if interpreted else {}
    command = [sys.executable, "-m", "tests.mutants.inside", str(copy), module, *tests]
    process = subprocess.Popen(
        command, cwd=copy, env=os.environ | told, text=True, start_new_session=True,
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    try:
        printed, _ = process.communicate(timeout=patience_s)
    except subprocess.TimeoutExpired:
        return TIMED_OUT, ""
    finally:
        # Whatever it started goes with it, also when somebody interrupts.
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    return process.returncode, printed[-4000:]
