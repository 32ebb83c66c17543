"""Owns 3D pictures: a stage at a step from a named view, with zones where asked, and a sheet of all stages.

PyVista draws off screen what a page would; what is written on a picture is placed by `report.labels`, none over
another. Parts are merged by colour, which is what makes a picture quick. Nothing is reckoned here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import matplotlib
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from numpy.typing import NDArray
from PIL import Image

from clearance.errors import InputError, Mistake
from clearance.report import paper
from clearance.report.findings import SUPPORTS, Word
from clearance.report.labels import Box, nearest_on, place_labels
from clearance.report.numbers import up
from clearance.report.style import COLOURS, INK, MARKERS, PAPER
from clearance.view import probe
from clearance.view.geometry import Floats, unpacked
from clearance.view.page_zones import PageZone
from clearance.view.viewpoint import VIEWS, Eye, lead_step, lines_at, look_from, riding
from clearance.zones import Zone

Pixels = NDArray[np.uint8]

SIZE: Final = (1400, 900)
"""[px] A picture on a slide."""

BAND: Final = 86
"""[px] Height of what is written above and below the picture."""

KINDS: Final = {
    "ground": "#D3D9CF", "structure": "#6F7880", "solid": "#8D949A", "vehicle": "#767C82", "cloud": "#4D6A52",
    "insulator": "#7A5A48", "fitting": "#3C4248", "ladder": "#A08A5F", "insulating boom": "#A08A5F", "boom": "#3C4248",
    "worker": "#3A4650", "tool": "#3A4650", "crew": "#5D6B61", "rope": "#555555", "lead": "#666F77",
    "reach envelope": "#55616B", "wire": "#1C1C1C",
}  # fmt: skip
FAINT: Final = {"lead": 0.08, "reach envelope": 0.12}
THIN: Final = {"wire": 2.5, "rope": 2.0}
MOST_LABELS: Final = 6
SKY: Final = "#F2F4F6"
ZONE_WORDS: Final[dict[str, Word]] = {"phase-earth": "breach", "phase-phase": "low margin"}
ZONE_OPACITY: Final = 0.3
"""Zones as on a page: the colours of the words, seen through."""


def picture(
    data: Mapping[str, Any],
    stage: int,
    step: int,
    view: str,
    size: tuple[int, int] = SIZE,
    zones: Sequence[PageZone] = (),
) -> Pixels:
    """A stage at a step, (height, width, 3), from one of `VIEWS`.

    data: as `scene_data.page_data` gives it; zones: of them those that hold in the stage are drawn and named
    Raises MissingExtra where pictures cannot be drawn, InputError for a view or a step there is none of.
    """
    if view not in VIEWS:
        raise InputError(Mistake(("--view",), f"one of {', '.join(VIEWS)}", view))
    if not 0 <= step < len(data["stages"][stage]["steps"]):
        raise InputError(Mistake(("step",), f"0 to {len(data['stages'][stage]['steps']) - 1}", str(step)))
    probe_once()
    eye = look_from(data, stage, step, view)
    wide, high = size[0], size[1] - 2 * BAND
    here = [shown.zone for shown in zones if stage in shown.stages]
    pixels, project = rendered(data, stage, step, eye, (wide, high), here)
    return written(data, stage, step, eye, pixels, project, size, here)


_READY: list[str] = []


def probe_once() -> None:
    """Look once whether pictures can be drawn. Raises MissingExtra."""
    if not _READY:
        _READY.append(probe.ready())


def rendered(
    data: Mapping[str, Any], stage: int, step: int, eye: Eye, size: tuple[int, int], zones: Sequence[Zone] = ()
) -> tuple[Pixels, Any]:
    """The picture without words, and a function from places (n, 3) to pixels (n, 2), y up; NaN behind the viewer."""
    import pyvista

    made = data["stages"][stage]
    reach = any(row.get("reach") for row in lines_at(data, stage, step))
    still = np.column_stack([np.eye(3), np.zeros(3)])
    parts = [(data["parts"][k], still) for k in made["still"]] + riding(data, stage, step)
    parts += [(bent, still) for bent in made["steps"][step].get("bent", ())]
    by_kind: dict[str, list[tuple[Mapping[str, Any], Floats]]] = {}
    for part, frame in parts:
        if part["kind"] not in eye.hidden and (reach or part["kind"] != "reach envelope"):
            by_kind.setdefault(part["kind"], []).append((part, frame))
    plotter: Any = pyvista.Plotter(off_screen=True, window_size=list(size))
    try:
        plotter.set_background(SKY)
        for kind, members in by_kind.items():
            _add(plotter, kind, members)
        for zone in zones:
            cells = np.column_stack([np.full(len(zone.mesh.faces), 3), zone.mesh.faces])
            surface = pyvista.PolyData(zone.mesh.vertices - np.array(data["offset"]), cells)
            plotter.add_mesh(surface, color=COLOURS[ZONE_WORDS[zone.exposure]], opacity=ZONE_OPACITY)
        camera = plotter.camera
        camera.position, camera.focal_point, camera.up = (tuple(v) for v in (eye.position, eye.target, eye.up))
        if eye.half_m is not None:
            camera.parallel_projection = True
            camera.parallel_scale = eye.half_m
        else:
            camera.view_angle = 70.0 if eye.hidden else 45.0
        plotter.renderer.ResetCameraClippingRange()
        plotter.enable_anti_aliasing("msaa")
        pixels = np.asarray(plotter.screenshot(None, return_img=True))[..., :3].copy()
        matrix = camera.GetCompositeProjectionTransformMatrix(size[0] / size[1], -1.0, 1.0)
        whole = np.array([[matrix.GetElement(i, j) for j in range(4)] for i in range(4)])
    finally:
        plotter.close()

    def project(places: Floats) -> Floats:
        found = np.column_stack([places, np.ones(len(places))]) @ whole.T
        with np.errstate(divide="ignore", invalid="ignore"):
            flat = found[:, :2] / found[:, 3:4]
        flat[found[:, 3] <= 0] = np.nan
        pixel: Floats = (flat + 1.0) * 0.5 * np.array(size, float)
        return pixel

    return pixels, project


def _add(plotter: Any, kind: str, members: Sequence[tuple[Mapping[str, Any], Floats]]) -> None:
    """All parts of one kind as one body of each sort: tubes, balls, triangles, points."""
    import pyvista

    colour, opacity = KINDS.get(kind, KINDS["solid"]), FAINT.get(kind, 1.0)
    # Of what is seen through, only the near side: the far one would darken it.
    look: dict[str, Any] = {"color": colour, "opacity": opacity, "culling": "back" if opacity < 1.0 else None}
    rods: list[Floats] = []
    faces: list[Floats] = []
    points: list[Floats] = []
    for part, frame in members:
        if "rods" in part:
            own = unpacked(part["rods"]).reshape(-1, 7).astype(float)
            ends = own[:, :6].reshape(-1, 3) @ frame[:, :3].T + frame[:, 3]
            rods.append(np.column_stack([ends.reshape(-1, 6), own[:, 6]]))
        if "balls" in part:
            for x, y, z, radius in unpacked(part["balls"]).reshape(-1, 4).astype(float):
                centre = frame[:, :3] @ [x, y, z] + frame[:, 3]
                ball = pyvista.Sphere(radius=max(radius, 0.02), center=centre)
                plotter.add_mesh(ball, smooth_shading=True, **look)
        if "faces" in part:
            faces.append(unpacked(part["faces"]).reshape(-1, 3).astype(float) @ frame[:, :3].T + frame[:, 3])
        for name, into in (("mesh", faces), ("cloud", points)):
            if name in part:
                whole = unpacked(part[name]["xyz"], "<u2").reshape(-1, 3) * part[name]["step"] + part[name]["low"]
                into.append(whole @ frame[:, :3].T + frame[:, 3])
    if rods:
        whole = np.concatenate(rods)
        for mesh in tubes(whole, kind in ("worker", "crew", "reach envelope")):
            plotter.add_mesh(mesh, smooth_shading=True, **look)
        if kind in THIN:
            plotter.add_mesh(segments(whole[:, :6].reshape(-1, 2, 3)), color=colour, line_width=THIN[kind])
    if faces:
        corners = np.concatenate(faces)
        count = len(corners) // 3
        cells = np.column_stack([np.full(count, 3), np.arange(3 * count).reshape(-1, 3)])
        plotter.add_mesh(pyvista.PolyData(corners, cells), color=colour, opacity=opacity)
    if points:
        plotter.add_mesh(pyvista.PolyData(np.concatenate(points)), color=colour, point_size=2.0)


def segments(ends: Floats) -> Any:
    """Lines (n, 2, 3) as one mesh."""
    import pyvista

    count = len(ends)
    cells = np.column_stack([np.full(count, 2), np.arange(2 * count).reshape(-1, 2)])
    return pyvista.PolyData(ends.reshape(-1, 3), lines=cells)


def tubes(rods: Floats, caps: bool) -> list[Any]:
    """Rods (n, 7) as tubes, those of one radius in one mesh; with caps, a ball at each end."""
    import pyvista

    made = []
    for radius in np.unique(rods[:, 6]):
        own = rods[rods[:, 6] == radius]
        made.append(segments(own[:, :6].reshape(-1, 2, 3)).tube(radius=max(float(radius), 0.005), n_sides=10))
        if caps:
            ends = pyvista.PolyData(np.unique(own[:, :6].reshape(-1, 3), axis=0))
            made.append(ends.glyph(geom=pyvista.Sphere(radius=float(radius)), scale=False, orient=False))
    return made


def _lines(axes: Any, rows: Sequence[Mapping[str, Any]], offset: Floats, project: Any) -> None:
    """Stretches of air in their colour within a dark outline, over everything; the least margin last, on top."""
    for place, row in enumerate(reversed(rows)):
        order = 3.0 + 0.1 * place
        for leg in np.array(row["over"]).reshape(-1, 2, 3) - offset:
            axes.plot(*project(leg).T, color=INK, linewidth=1.2, linestyle=(0, (3, 2)), zorder=order)
        for leg in np.array(row["air"]).reshape(-1, 2, 3) - offset:
            ends = project(leg).T
            marker = {"marker": MARKERS[row["word"]], "markersize": 9, "markeredgecolor": INK}
            axes.plot(*ends, color=INK, linewidth=5.5, zorder=order)
            axes.plot(*ends, color=COLOURS[row["word"]], linewidth=3.2, zorder=order + 0.05, **marker)


def label_of(row: Mapping[str, Any]) -> str:
    """A gap in words, every number with its unit."""
    gap, limit, spare, short = row["m"]
    judged = (
        "" if limit == "none" else f", limit {limit} m, " + (f"short by {short} m" if short else f"margin {spare} m")
    )
    word = "" if row["word"] == "clear of limit" else f" {row['word']}:"
    return f"{row['sign']}{word} {row['short']} {gap} m{judged}"


def written(
    data: Mapping[str, Any],
    stage: int,
    step: int,
    eye: Eye,
    pixels: Pixels,
    project: Any,
    size: tuple[int, int],
    zones: Sequence[Zone] = (),
) -> Pixels:
    """The picture with its title, the figures of its gaps, the position, and what it supports."""
    made, offset = data["stages"][stage], np.array(data["offset"])
    with paper.settings(), matplotlib.rc_context({"font.size": 11.0}):
        figure = Figure(figsize=(size[0] / 100, size[1] / 100), dpi=100, facecolor=PAPER)
        canvas: Any = FigureCanvasAgg(figure)
        axes = figure.add_axes((0, BAND / size[1], 1, 1 - 2 * BAND / size[1]))
        axes.axis("off")
        wide, high = size[0], size[1] - 2 * BAND
        axes.imshow(pixels, extent=(0, wide, 0, high), aspect="auto", interpolation="nearest")
        axes.set_xlim(0, wide)
        axes.set_ylim(0, high)
        title = f"{made['name']}: {made['sign']} {made['word']}"
        figure.text(16 / wide, 1 - 14 / size[1], title, fontsize=17, weight="bold", va="top", color=INK)
        subtitle = f"{data['scene']}; scene {data['sha256'][:12] or 'not from a file'}; clearance {data['version']}"
        figure.text(16 / wide, 1 - 52 / size[1], subtitle, fontsize=10, va="top", color=INK)
        recorded = "recorded instant: " if made["steps"][step].get("rows") else ""
        foot = f"{recorded}{made['steps'][step]['where']['m']}. {eye.caption}\n{SUPPORTS}"
        _key(axes, zones, high)
        figure.text(16 / wide, 12 / size[1], foot, fontsize=9, va="bottom", color=INK, wrap=True)
        rows = lines_at(data, stage, step)[: 1 if eye.alone else MOST_LABELS]
        _lines(axes, rows, offset, project)
        _labels(axes, canvas, rows, offset, project, (wide, high))
        canvas.draw()
        return np.asarray(canvas.buffer_rgba())[..., :3].copy()


def _key(axes: Any, zones: Sequence[Zone], high: int) -> None:
    """What the zones drawn are, in the upper left corner: the colour, the person, the error, what is not counted."""
    left_out = dict.fromkeys(words for zone in zones for words in zone.left_out)
    lines = [
        (f"zone {zone.title}; no margin inside, 0 m to {up(zone.mesh.excess_m)} m on it", zone.exposure)
        for zone in zones
    ]
    for place, (words, exposure) in enumerate([*lines, *((f"not counted in zones: {one}", "") for one in left_out)]):
        y = high - 20 - 22 * place
        style: dict[str, Any] = {"facecolor": PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 3}
        axes.text(34, y, words, fontsize=9, va="center", color=INK, zorder=10, bbox=style)
        if exposure:
            colour = COLOURS[ZONE_WORDS[exposure]]
            axes.add_patch(Rectangle((12, y - 7), 14, 14, facecolor=colour, edgecolor=INK, alpha=0.7, zorder=10))


def _labels(
    axes: Any, canvas: Any, rows: Sequence[Mapping[str, Any]], offset: Floats, project: Any, size: tuple[int, int]
) -> list[Box]:
    texts, sizes, anchors, lines = [], [], [], []
    for row in rows:
        legs = np.array(row["air"]).reshape(-1, 2, 3) - offset
        longest = legs[int(np.argmax(np.linalg.norm(legs[:, 1] - legs[:, 0], axis=1)))]
        along = project(longest[0] + np.linspace(0, 1, 60)[:, None] * (longest[1] - longest[0]))
        lines.append(along)
        anchor = along[30]
        if not (np.isfinite(anchor).all() and 0 <= anchor[0] <= size[0] and 0 <= anchor[1] <= size[1]):
            continue
        text = axes.text(0, 0, label_of(row), fontsize=11, ha="center", va="center", color=INK, weight="bold", zorder=9)
        extent = text.get_window_extent(canvas.get_renderer())
        texts.append((text, row))
        sizes.append((extent.width + 14, extent.height + 10))
        anchors.append((float(anchor[0]), float(anchor[1])))
    visible = np.concatenate(lines) if lines else None
    if visible is not None:
        visible = visible[np.isfinite(visible).all(axis=1)]
    placed = []
    boxes = place_labels(sizes, anchors, Box(6, 6, size[0] - 6, size[1] - 6), (), visible)
    for (text, row), anchor, box in zip(texts, anchors, boxes, strict=True):
        if box is None:
            text.remove()
            continue
        placed.append(box)
        text.set_position((0.5 * (box.left + box.right), 0.5 * (box.bottom + box.top)))
        edge: dict[str, Any] = {"edgecolor": COLOURS[row["word"]], "facecolor": PAPER, "linewidth": 2, "alpha": 0.94}
        axes.add_patch(Rectangle((box.left, box.bottom), box.right - box.left, box.top - box.bottom, zorder=8, **edge))
        axes.plot(*zip(anchor, nearest_on(box, *anchor), strict=True), color=INK, linewidth=1.0, zorder=7)
    return placed


def contact_sheet(
    data: Mapping[str, Any], view: str, path: Path, columns: int = 3, zones: Sequence[PageZone] = ()
) -> Path:
    """Every stage at its least margin, one beside the other, as a PNG."""
    size = (880, 600)
    cells = [picture(data, k, lead_step(data, k), view, size, zones) for k in range(len(data["stages"]))]
    rows = -(-len(cells) // columns)
    whole = np.full((rows * (size[1] + 8), columns * (size[0] + 8), 3), 255, np.uint8)
    for k, cell in enumerate(cells):
        top, left = (k // columns) * (size[1] + 8), (k % columns) * (size[0] + 8)
        whole[top : top + size[1], left : left + size[0]] = cell
    return save(whole, path)


def save(pixels: Pixels, path: Path) -> Path:
    """A picture as PNG; the same picture gives the same bytes."""
    Image.fromarray(pixels).save(path, format="PNG")
    return path
