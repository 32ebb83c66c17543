"""Owns a page made a PDF: by a headless Chromium or by WeasyPrint, whichever is there.

Both lay the page out by its own print style. What comes out is the same bytes for the same page on the same machine:
dates and the random parts of a PDF's identity are overwritten in place.
"""

from __future__ import annotations

import importlib
import importlib.util
import re
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Final

from clearance.errors import MissingExtra

BROWSERS: Final = ("chromium", "chromium-browser", "google-chrome", "chrome")
FLAGS: Final = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-pdf-header-footer",
    "--hide-scrollbars",
)  # fmt: skip
OLDEST: Final = 131
"""The first Chromium that prints what stands in the margins of every page, as the digest of a briefing does."""

PRINT_S: Final = 120
"""[s] How long printing one page may take."""

INSTALL: Final = (
    "no PDF: install a browser (apt-get install -y --no-install-recommends chromium) or the extra "
    "(pip install 'clearance[brief]'); the HTML page prints from any browser"
)


LIBRARIES: Final = (
    "no PDF: weasyprint is there, and a library it needs is not: "
    "apt-get install -y --no-install-recommends libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
)


def browser() -> str | None:
    """The path of a Chromium that is new enough, or None."""
    for name in BROWSERS:
        path = shutil.which(name)
        if path is None:
            continue
        try:
            said = subprocess.run([path, "--version"], capture_output=True, text=True, timeout=30, check=False).stdout
        except (OSError, subprocess.TimeoutExpired):
            continue
        found = re.search(r"(\d+)\.\d+", said)
        if found and int(found[1]) >= OLDEST:
            return path
    return None


def print_pdf(html: str, out: Path) -> None:
    """Write a page as a PDF. Raises MissingExtra where nothing here can, OSError where `out` cannot be written."""
    path = browser()
    if path is not None:
        content = _by_browser(path, html)
    elif importlib.util.find_spec("weasyprint") is not None:
        content = _by_weasyprint(html)
    else:
        raise MissingExtra(INSTALL)
    out.write_bytes(settled(content))


def _by_weasyprint(html: str) -> bytes:
    """Tried with version 70. It is a Python package over libraries of the system, which may be missing."""
    try:
        weasyprint = importlib.import_module("weasyprint")
    except (OSError, ImportError) as error:
        raise MissingExtra(f"{LIBRARIES} ({str(error).splitlines()[0]})") from None
    printed: bytes = weasyprint.HTML(string=html).write_pdf()
    return printed


def _by_browser(path: str, html: str) -> bytes:
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        page, pdf = Path(folder) / "page.html", Path(folder) / "page.pdf"
        page.write_text(html, encoding="utf-8")
        command = [path, *FLAGS, f"--user-data-dir={folder}/profile", f"--print-to-pdf={pdf}", page.as_uri()]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=PRINT_S, check=False)
        except subprocess.TimeoutExpired:
            raise MissingExtra(f"no PDF: {path} did not print the page within {PRINT_S} s") from None
        if done.returncode or not pdf.is_file():
            last = (done.stderr.strip().splitlines() or ["no message"])[-1]
            raise MissingExtra(f"no PDF: {path} ended with {done.returncode}: {last}")
        return pdf.read_bytes()


def settled(content: bytes) -> bytes:
    """The PDF with its dates and identity overwritten by zeros of the same length, so that offsets hold.

    >>> settled(b"/CreationDate (D:20260102030405+00'00')")
    b"/CreationDate (D:20000101000000+00'00')"
    """
    content = re.sub(rb"\(D:\d{14}", b"(D:20000101000000", content)
    identity = re.compile(rb"/ID\s*\[\s*<[0-9A-Fa-f]+>\s*<[0-9A-Fa-f]+>\s*\]")
    return identity.sub(lambda found: re.sub(rb"[0-9A-Fa-f](?=[0-9A-Fa-f]*>)", b"0", found[0]), content)
