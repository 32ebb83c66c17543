"""Owns whether 3D pictures can be drawn here, and animations encoded: each program is asked in a process of its own.

Where the GL libraries are missing, the renderer ends its process with a signal instead of raising, so a picture is
believed only from a return code of 0 and the line it prints; an encoder, only where ffmpeg itself lists it.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from typing import Final

from clearance.errors import MissingExtra

VIEW_LINE: Final = "pip install 'clearance[view]'"
GL_LINE: Final = "apt-get install -y --no-install-recommends libegl1 libgl1-mesa-dri"
VIDEO_LINE: Final = "pip install 'clearance[video]'"

WINDOWS: Final = ("vtkEGLRenderWindow", "vtkOSOpenGLRenderWindow")
"""Kinds of windows that need no screen, in the order tried."""

PROBE_S: Final = 90
"""[s] How long one render probe may take; the first import of the renderer from a cold disk takes tens of seconds."""

SMALL: Final = """
import pyvista
plotter = pyvista.Plotter(off_screen=True, window_size=(16, 16))
plotter.add_mesh(pyvista.Sphere(), color="black")
picture = plotter.screenshot(None, return_img=True)
plotter.close()
print("OK" if picture.shape[:2] == (16, 16) and picture.max() > picture.min() else "EMPTY")
"""


def rendered(window: str) -> tuple[bool, str]:
    """Whether a picture of 16 by 16 comes out with one kind of window, and what happened if not."""
    environment = {**os.environ, "VTK_DEFAULT_OPENGL_WINDOW": window}
    try:
        run = subprocess.run(
            [sys.executable, "-c", SMALL],
            env=environment,
            capture_output=True,
            text=True,
            timeout=PROBE_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return False, f"no picture after {PROBE_S} s"
    if run.returncode < 0:
        return False, f"ended by signal {-run.returncode}"
    if run.returncode:
        last = run.stderr.strip().splitlines()
        return False, last[-1] if last else f"return code {run.returncode}"
    if "OK" not in run.stdout.splitlines():
        return False, "an empty picture"
    return True, ""


def ready() -> str:
    """Make this process draw with a kind of window that was seen to work, and return it.

    Raises MissingExtra, with the line that installs what is missing.
    """
    if importlib.util.find_spec("pyvista") is None:
        raise MissingExtra(f"3D pictures need pyvista, which is not installed: {VIEW_LINE}")
    said = []
    chosen = os.environ.get("VTK_DEFAULT_OPENGL_WINDOW")
    for window in dict.fromkeys((chosen, *WINDOWS) if chosen else WINDOWS):
        able, detail = rendered(window)
        if able:
            os.environ["VTK_DEFAULT_OPENGL_WINDOW"] = window
            return window
        said.append(f"{window}: {detail}")
    raise MissingExtra(f"3D pictures cannot be drawn here ({'; '.join(said)}); install: {GL_LINE}")


def encoder() -> str | None:
    """The first ffmpeg here that encodes H.264, which MP4 is made with; None where there is none."""
    for found in _ffmpegs():
        try:
            run = subprocess.run([found, "-encoders"], capture_output=True, timeout=PROBE_S, check=False)
        except (OSError, subprocess.TimeoutExpired):
            continue
        if any(line.split()[1:2] == [b"libx264"] for line in run.stdout.splitlines()):
            return found
    return None


def _ffmpegs() -> Iterator[str]:
    """The ffmpeg on the path, then that of the package imageio-ffmpeg, where it has one for this system."""
    if (found := shutil.which("ffmpeg")) is not None:
        yield found
    try:
        yield str(importlib.import_module("imageio_ffmpeg").get_ffmpeg_exe())
    except (ImportError, RuntimeError):
        return
