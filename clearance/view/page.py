"""Owns the 3D page: one HTML file that opens from disk with no network, of a result and of where everything stands.

The script is the bundle beside the page's sources; it and the style are let in by their digests, and nothing else is:
no other script, no address. The tables stand in the file itself, so they are read where scripts or WebGL are missing.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import jinja2
import numpy as np
from markupsafe import Markup, escape

from clearance.pipeline import Prepared
from clearance.report.numbers import up
from clearance.result import Result
from clearance.view.drawn import Drawing
from clearance.view.page_zones import PageZone, packed_zones
from clearance.view.scene_data import page_data

SOURCES: Final = Path(__file__).parent / "page"
BUNDLE: Final = SOURCES / "bundle.js"

LARGEST: Final = 4_900_000
"""Size of a page [bytes] beyond which zones, then drawings, are left out."""


def write_page(
    prepared: Prepared,
    result: Result,
    path: Path,
    drawings: Sequence[Drawing] = (),
    zones: Sequence[PageZone] = (),
) -> Path:
    """Write the page of a result, and return its path.

    drawings: files to stand in the page, for where the 3D view cannot be drawn
    zones: surfaces to be shown, one at a time, each in the stages it holds in
    Raises OSError where the file cannot be written.
    """
    data = page_data(prepared, result)
    shown, left = list(drawings), list(zones)
    while True:
        text = page_text(data | packed_zones(left, np.array(data["offset"])), result.tolerance_m, shown)
        excess = len(text.encode("utf-8")) - LARGEST
        if excess <= 0 or not (shown or left):
            break
        # The job itself always stands in the page; what was left out is said in it.
        dropped = _of_stages(left.pop(), data) if left else shown.pop().title
        data["notes"] = [*data["notes"], f"left out, so that the page stays small: {dropped}"]
    beside = path.with_name(f".{path.name}.part")
    try:
        beside.write_text(text, encoding="utf-8", newline="\n")
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    return path


def _of_stages(zone: PageZone, data: Mapping[str, Any]) -> str:
    """A zone with the stages it would have been shown in."""
    names = ", ".join(data["stages"][k]["name"] for k in zone.stages)
    return f"{zone.zone.title} ({names})"


def page_text(data: Mapping[str, Any], tolerance_m: float, drawings: Sequence[Drawing] = (), live: bool = False) -> str:
    """The page as text; `live` lets it ask the address it came from, and no other."""
    style, script = (SOURCES / "page.css").read_text(encoding="utf-8"), bundle()
    return _template().render(
        data=data,
        policy=policy(style, script, live),
        style=Markup(style),
        script=Markup(script),
        json=Markup(embedded(data)),
        tolerance=f"{up(tolerance_m, 3)} m",
        drawings=[{"title": d.title, "source": _source(d.path)} for d in drawings],
        figures=_figure_cells,
        both=_both,
        exact=lambda value: "" if value is None else repr(value),
    )


@lru_cache(maxsize=1)
def bundle() -> str:
    """The page's script, safe to stand in a script element: it holds no text that would end one."""
    text = BUNDLE.read_text(encoding="utf-8")
    return text.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def policy(style: str, script: str, live: bool = False) -> str:
    """The page's content security policy: this script, this style, pictures that stand in the file."""
    parts = ["default-src 'none'", f"script-src '{_hash(script)}'", f"style-src '{_hash(style)}'", "img-src data:"]
    parts += ["connect-src 'self'"] if live else []
    return "; ".join([*parts, "base-uri 'none'", "form-action 'none'"])


def header_policy(text: str) -> str:
    """A page's own policy as a header says it, with what only a header can: that no other page may frame it."""
    found = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', text)
    assert found is not None
    return html.unescape(found[1]) + "; frame-ancestors 'none'"


def embedded(data: Mapping[str, Any]) -> str:
    """The data as JSON that can stand in a script element."""
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _source(path: Path) -> str:
    kind = {".svg": "image/svg+xml", ".png": "image/png"}[path.suffix]
    return f"data:{kind};base64," + base64.b64encode(path.read_bytes()).decode("ascii")


@lru_cache(maxsize=1)
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(SOURCES), autoescape=True, undefined=jinja2.StrictUndefined
    )
    return environment.get_template("page.html")


def _both(texts: Mapping[str, str]) -> Markup:
    """A text that differs by unit, in both."""
    if texts["m"] == texts["ft"]:
        return escape(texts["m"])
    return Markup('<span class="m">{}</span><span class="ft">{}</span>').format(texts["m"], texts["ft"])


def _figure_cells(row: Mapping[str, Any]) -> Markup:
    """Gap, limit and margin as cells, each number with its unit."""
    cells = []
    for k in range(3):
        texts = {unit: row[unit][k] if row[unit][k] == "none" else f"{row[unit][k]} {unit}" for unit in ("m", "ft")}
        cells.append(Markup('<td class="n">{}</td>').format(_both(texts)))
    return Markup("").join(cells)
