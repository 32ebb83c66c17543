"""A stale kernel is a wrong verdict: an edited callee or constant must be seen although compiled code is kept."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

import pytest

PROGRAM = """
import numpy as np
from clearance.kernel import pairs
from clearance.kernel.sweep import rounding_of
from clearance.kernel.tree import build_store
from clearance import shapes
a, b = np.zeros((1, 3, 3)), np.zeros((1, 3, 3)) + [3.0, 4.0, 0.0]
squared, witness, kind = np.empty(1), np.empty((1, 2, 3)), np.ones(1, np.int8)
b[0, 1:] += [1.0, 0.0, 0.0]
pairs.measure(a, kind, b, kind + 1, squared, witness)
print(float(squared[0]))
"""


def answer(folder):
    environment = {**os.environ, "PYTHONPATH": str(folder), "NUMBA_CACHE_DIR": str(folder / "kept")}
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM], cwd=folder, env=environment, capture_output=True, text=True, check=True
    )
    return float(done.stdout)


def kept(folder):
    return sorted(path.name for path in (folder / "kept").iterdir())


@pytest.mark.slow
def test_an_edited_callee_and_an_edited_constant_are_seen(tmp_path, repository):
    shutil.copytree(
        repository / "clearance",
        tmp_path / "clearance",
        ignore=shutil.ignore_patterns("__pycache__", "page", "_scenes"),
    )
    source = tmp_path / "clearance" / "kernel" / "pairs.py"
    tolerances = tmp_path / "clearance" / "tolerances.py"

    assert answer(tmp_path) == 25.0
    first = kept(tmp_path)
    assert answer(tmp_path) == 25.0
    assert kept(tmp_path) == first  # nothing was compiled anew

    text = source.read_text()
    callee = "    return dot(x, y, z, x, y, z)\n"
    assert text.count(callee) == 1
    source.write_text(text.replace(callee, "    return 4.0 * dot(x, y, z, x, y, z)\n"))
    assert answer(tmp_path) == 100.0  # `measure` itself was not touched

    source.write_text(text)
    assert answer(tmp_path) == 25.0
    before = kept(tmp_path)
    tolerances.write_text(tolerances.read_text().replace("2.0**-40", "2.0**-39"))
    answer(tmp_path)
    assert len(kept(tmp_path)) == len(before) + 1  # a constant outside the kernel makes a kernel of its own
