"""Owns zones as files: glTF (metres, y up, as the format has it), PLY (metres, z up), GeoJSON and DXF of plans.

A file that knows its units says them; every file is about the scene's own zero but GeoJSON, which is in the map grid
where the scene is tied to one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final, cast

import numpy as np
import trimesh
from shapely import LineString, MultiLineString, line_merge
from shapely.affinity import translate
from shapely.geometry import mapping

from clearance.errors import MissingExtra
from clearance.report.numbers import up
from clearance.scene.records import Origin
from clearance.view.geometry import Floats
from clearance.zones import Area, Zone

Y_UP: Final = np.array([[1.0, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1]])
"""From z up to y up: x stays, height becomes y, and north points to -z."""

COLOURS: Final = {"phase-earth": (0x8B, 0x1A, 0x1A, 90), "phase-phase": (0xE6, 0x9F, 0x00, 90)}

DXF_COLOURS: Final = {"phase-earth": 1, "phase-phase": 30}
DXF_LINE = "pip install 'clearance[view]'"


def mesh_of(zone: Zone) -> trimesh.Trimesh:
    """A zone as a mesh in the scene's frame [m], z up."""
    mesh = trimesh.Trimesh(zone.mesh.vertices, zone.mesh.faces, process=False)
    visual: Any = mesh.visual
    visual.face_colors = COLOURS[zone.exposure]
    mesh.metadata["name"] = zone.title
    return mesh


def write_glb(zones: Sequence[Zone], path: Path) -> Path:
    """All zones as one binary glTF, each a node by its name."""
    scene: Any = trimesh.Scene()
    for zone in zones:
        made = mesh_of(zone)
        made.apply_transform(Y_UP)
        scene.add_geometry(made, node_name=zone.name, geom_name=zone.name)
    path.write_bytes(scene.export(file_type="glb"))
    return path


def write_ply(zone: Zone, path: Path) -> Path:
    """One zone as binary PLY in metres, with what it is in the header."""
    mesh: Any = mesh_of(zone)
    raw: bytes = mesh.export(file_type="ply")
    said = f"comment {zone.title.encode('ascii', 'replace').decode()}\ncomment metres, z up, scene frame\n".encode()
    head, body = raw.split(b"\n", 1)
    form, rest = body.split(b"\n", 1)
    path.write_bytes(head + b"\n" + form + b"\n" + said + rest)
    return path


def contours(zone: Zone, heights_m: Sequence[float]) -> dict[float, list[Floats]]:
    """Lines of a zone at heights [m]: (n, 2) places in plan [m], closed ones ending where they begin."""
    mesh, cutting = mesh_of(zone), cast(Any, trimesh.intersections)
    found: dict[float, list[Floats]] = {}
    for height in heights_m:
        pieces = cutting.mesh_plane(mesh, [0, 0, 1], [0, 0, height])
        if not len(pieces):
            continue
        merged = line_merge(MultiLineString([piece[:, :2].round(6) for piece in pieces if np.ptp(piece, axis=0).any()]))
        lines = [merged] if isinstance(merged, LineString) else list(merged.geoms)
        # Half a millimetre is drawn away; the mesh itself is as coarse as its steps.
        found[height] = [np.asarray(line.simplify(0.0005).coords) for line in lines]
    return found


def heights_of(zone: Zone, every_m: float = 1.0) -> list[float]:
    """Whole multiples of a rise [m] within a zone."""
    if not len(zone.mesh.vertices):
        return []
    low, high = zone.mesh.vertices[:, 2].min(), zone.mesh.vertices[:, 2].max()
    return [every_m * k for k in range(int(np.ceil(low / every_m)), int(np.floor(high / every_m)) + 1)]


def write_dxf(zones: Sequence[Zone], areas: Sequence[Area], path: Path, every_m: float = 1.0) -> Path:
    """Plan contours of zones and outlines of areas as DXF R2010 in metres, a layer each.

    Raises MissingExtra without ezdxf.
    """
    try:
        import ezdxf
        from ezdxf import document, units
    except ImportError:
        raise MissingExtra(f"DXF needs ezdxf, which is not installed: {DXF_LINE}") from None
    # Nothing in the file tells when it was made: same zones, same bytes.
    options: Any = vars(ezdxf)["options"]
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        drawing: Any = document.Drawing.new("R2010")
        drawing.units = units.M
        drawing.header["$MEASUREMENT"] = 1
        _fill(drawing, zones, areas, every_m)
        with path.open("w", encoding="utf-8", newline="\n") as file:
            drawing.write(file)
    finally:
        options.write_fixed_meta_data_for_testing = before
    return path


def _fill(drawing: Any, zones: Sequence[Zone], areas: Sequence[Area], every_m: float) -> None:
    model = drawing.modelspace()
    for zone in zones:
        layer = drawing.layers.add(zone.name, color=DXF_COLOURS[zone.exposure])
        layer.description = zone.title
        for height, lines in contours(zone, heights_of(zone, every_m)).items():
            for line in lines:
                closed = bool(np.allclose(line[0], line[-1]))
                model.add_lwpolyline(
                    line[:-1] if closed else line,
                    close=closed,
                    dxfattribs={"layer": zone.name, "elevation": height},
                )
    for number, area in enumerate(areas, 1):
        layer = drawing.layers.add(f"standing-{number}", color=5)
        layer.description = area.what
        for polygon in _polygons(area):
            for ring in (polygon.exterior, *polygon.interiors):
                points = np.asarray(ring.coords)[:-1]
                model.add_lwpolyline(points, close=True, dxfattribs={"layer": f"standing-{number}"})


def _polygons(area: Area) -> list[Any]:
    return [p for p in getattr(area.shape, "geoms", [area.shape]) if not p.is_empty]


def write_geojson(areas: Sequence[Area], origin: Origin, path: Path) -> Path:
    """Areas as GeoJSON in metres of the map grid, with its EPSG code where the scene has one."""
    features = []
    for area in areas:
        placed = translate(area.shape, origin.easting_m, origin.northing_m)
        properties: Mapping[str, Any] = {
            "what": area.what,
            "from_m_above_ground": area.column_m[0],
            "to_m_above_ground": area.column_m[1],
            "error_m": float(up(area.error_m, 3)),
            "units": "m",
        }
        features.append({"type": "Feature", "properties": properties, "geometry": mapping(placed)})
    whole: dict[str, Any] = {"type": "FeatureCollection"}
    if origin.epsg is not None:
        whole["crs"] = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{origin.epsg}"}}
    else:
        whole["note"] = "metres of the scene's map grid or, without one, about the scene's own zero; no EPSG code given"
    path.write_text(json.dumps(whole | {"features": features}, indent=1) + "\n", encoding="utf-8")
    return path
