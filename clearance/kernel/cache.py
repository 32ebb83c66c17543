"""Owns compilation: how kernel functions are compiled, and where the compiled code is kept.

Numba's own cache notices neither an edited callee nor an edited constant, and a stale kernel is a wrong verdict. So the
compiled code lies in a folder named by a digest of every kernel source, the tolerances, the versions of Python and
Numba, and the processor. Where no folder can be written, everything is compiled in memory.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import llvmlite.binding
import numba
import platformdirs
from numba.core import config


def kernel_digest() -> str:
    """Hex digest of all that decides what the compiled kernel computes."""
    here = Path(__file__).parent
    digest = hashlib.sha256()
    for source in (*sorted(here.glob("*.py")), here.parent / "tolerances.py"):
        digest.update(source.name.encode() + b"\0" + source.read_bytes() + b"\0")
    features = llvmlite.binding.get_host_cpu_features().flatten()
    for part in (sys.version, numba.__version__, llvmlite.__version__, llvmlite.binding.get_host_cpu_name(), features):
        digest.update(part.encode() + b"\0")
    return digest.hexdigest()[:24]


def cache_folder() -> Path | None:
    """The folder of this kernel's compiled code, or None where none can be written."""
    base = Path(os.environ.get("NUMBA_CACHE_DIR") or platformdirs.user_cache_dir("clearance"))
    folder = base / f"kernel-{kernel_digest()}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError:
        return None
    return folder


FOLDER = cache_folder()
"""Where compiled code is kept; None: nowhere."""


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile without fast-math (bounds rely on IEEE rounding), releasing the interpreter lock, kept in `cache_folder`.

    Compiled functions allocate nothing: scratch comes from the caller. That spares them the counting of references,
    which took most of their time, and made threads wait for each other. No entry from C: nothing would use it.
    """
    return _jit(function)


def inner(function: Callable[..., Any]) -> Callable[..., Any]:
    """As `compiled`, for functions that only compiled ones call: without an entry from Python they compile faster."""
    return _jit(function, no_cpython_wrapper=True)


def spliced(function: Callable[..., Any]) -> Callable[..., Any]:
    """As `inner`, for functions that are called in one place: spliced into it before types are worked out, they take
    half as long to compile."""
    return _jit(function, no_cpython_wrapper=True, inline="always")


def _jit(function: Callable[..., Any], **options: Any) -> Callable[..., Any]:
    before = config.CACHE_DIR  # type: ignore[attr-defined]
    config.CACHE_DIR = str(FOLDER) if FOLDER else before  # type: ignore[attr-defined]
    options |= {"nogil": True, "error_model": "numpy", "fastmath": False, "_nrt": False, "no_cfunc_wrapper": True}
    try:
        made: Callable[..., Any] = numba.njit(cache=FOLDER is not None, **options)(function)
    finally:
        config.CACHE_DIR = before  # type: ignore[attr-defined]
    return made
