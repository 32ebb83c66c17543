"""Owns the command `clearance doctor`: what this machine can and cannot do, with the line that installs the rest."""

from __future__ import annotations

import importlib.util
import platform
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, requires, version

import typer

from clearance.report.pdf import OLDEST, browser
from clearance.view.probe import GL_LINE, VIDEO_LINE, VIEW_LINE, WINDOWS, encoder, rendered

BROWSER_LINE = "apt-get install -y --no-install-recommends chromium"


@dataclass(frozen=True)
class Finding:
    """One thing looked at. able: yes, or no; detail: what was found; remedy: the line that mends it, or nothing."""

    what: str
    able: bool
    detail: str
    remedy: str = ""


def doctor() -> None:
    """Say what this machine can and cannot do, with the exact install line for what it lacks."""
    for finding in findings():
        typer.echo(f"{'yes' if finding.able else 'no ':3}  {finding.what}: {finding.detail}")
        if finding.remedy:
            typer.echo(f"     install it with: {finding.remedy}")


def findings() -> Iterator[Finding]:
    """Everything the command looks at, in order."""
    supported = (3, 11) <= sys.version_info[:2] <= (3, 14)
    detail = f"{platform.python_version()} on {platform.system()} {platform.machine()}"
    yield Finding("Python 3.11 to 3.14", supported, detail)
    yield from packages()
    yield kernel_cache()
    yield laz()
    yield pictures()
    yield mp4()
    yield printed()


def packages() -> Iterator[Finding]:
    """The versions of clearance and of what it needs."""
    try:
        yield Finding("clearance", True, version("clearance"))
        needed = [line for line in requires("clearance") or () if "extra ==" not in line]
    except PackageNotFoundError:
        yield Finding("clearance", False, "not installed as a package", "pip install -c constraints.txt .")
        return
    for line in needed:
        name = re.split(r"[\s\[;<>=!~]", line, maxsplit=1)[0]
        try:
            yield Finding(name, True, version(name))
        except PackageNotFoundError:
            yield Finding(name, False, "missing", f"pip install '{line}'")


def kernel_cache() -> Finding:
    """Whether compiled code can be kept between runs."""
    from clearance.kernel.cache import cache_folder

    folder = cache_folder()
    if folder is None:
        detail = "no folder can be written, so every run compiles anew; set NUMBA_CACHE_DIR to one that can"
        return Finding("keeping compiled code", False, detail)
    return Finding("keeping compiled code", True, str(folder))


def laz() -> Finding:
    """Whether compressed laser scans can be read."""
    import laspy

    found = [backend.name for backend in laspy.LazBackend.detect_available()]
    if not found:
        return Finding("reading LAZ", False, "no decompressor; LAS can be read", "pip install 'laspy[lazrs]'")
    return Finding("reading LAS and LAZ", True, ", ".join(found))


def pictures() -> Finding:
    """Whether 3D pictures can be drawn off screen, and with which kind of window."""
    what = "3D pictures"
    if importlib.util.find_spec("pyvista") is None:
        return Finding(what, False, "pyvista is not installed; checks, drawings and pages need none", VIEW_LINE)
    said = []
    for window in WINDOWS:
        able, detail = rendered(window)
        if able:
            return Finding(what, True, f"pyvista {version('pyvista')} draws off screen with {window}")
        said.append(f"{window}: {detail}")
    return Finding(what, False, "pyvista draws nothing here (" + "; ".join(said) + ")", GL_LINE)


def mp4() -> Finding:
    """Whether an animation can be written as MP4."""
    found = encoder()
    if found is None:
        return Finding("MP4 animations", False, "no ffmpeg that has libx264; GIF needs none", VIDEO_LINE)
    return Finding("MP4 animations", True, found)


def printed() -> Finding:
    """Whether a briefing can be made a PDF."""
    what, path = "PDF briefings", browser()
    if path is not None:
        return Finding(what, True, path)
    if importlib.util.find_spec("weasyprint") is not None:
        return Finding(what, True, f"weasyprint {version('weasyprint')}")
    detail = f"no Chromium from {OLDEST} on and no weasyprint; the HTML prints from any browser"
    return Finding(what, False, detail, BROWSER_LINE)
