"""Owns zones and standing areas as a GeoPackage: one SQLite file that geographic information systems open.

Two layers, both in plan: `standing_areas`, polygons, and `zone_contours`, lines at stated heights. Where the scene is
tied to a map grid, coordinates are of it, in its own unit, and heights in metres above its zero; else both are in
metres about the scene's own zero, in a grid the format calls undefined. Written by the standard library alone, after
OGC 12-128r18 (GeoPackage 1.3.1).
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Final

import shapely
from shapely import LineString, MultiLineString, MultiPolygon, Polygon
from shapely.affinity import scale, translate
from shapely.geometry.base import BaseGeometry

from clearance.errors import InputError, Mistake
from clearance.report.numbers import up
from clearance.scene.records import Origin
from clearance.view.export import contours, heights_of
from clearance.zones import Area, Zone

APPLICATION: Final = 0x47504B47
"""The application id of a GeoPackage, "GPKG" (requirement 2)."""

VERSION: Final = 10301
"""1.3.1, as the user version says it (requirement 2)."""

CHANGED: Final = "1970-01-01T00:00:00.000Z"
"""Time of the last change, which the format asks for: a fixed one, so that the same zones give the same bytes."""

UNDEFINED: Final = -1
"""The code the format has for a plane grid that is not tied to the earth (requirement 11)."""

TABLES: Final = """
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE, description TEXT DEFAULT '',
  last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), min_x DOUBLE, min_y DOUBLE,
  max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL,
  z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name), CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
CREATE TABLE standing_areas (
  fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom MULTIPOLYGON, what TEXT, from_m_above_ground DOUBLE,
  to_m_above_ground DOUBLE, error_m DOUBLE, units TEXT);
CREATE TABLE zone_contours (
  fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom MULTILINESTRING, zone TEXT, exposure TEXT, limits TEXT,
  height_m DOUBLE, margin_least_m DOUBLE, margin_most_m DOUBLE, not_counted TEXT, units TEXT);
"""


def write_geopackage(
    zones: Sequence[Zone], areas: Sequence[Area], origin: Origin, path: Path, every_m: float = 1.0
) -> Path:
    """Standing areas as polygons and zones as contours, one every so many metres of height.

    Raises OSError where the file cannot be written, InputError for a code that is no map grid's.
    """
    beside = path.with_name(f".{path.name}.part")
    beside.unlink(missing_ok=True)
    srs = UNDEFINED if origin.epsg is None else origin.epsg
    try:
        beside.touch()
        connection = sqlite3.connect(beside, isolation_level=None)
        try:
            _fill(connection, zones, areas, origin, srs, every_m)
        finally:
            connection.close()
        beside.replace(path)
    except sqlite3.Error as error:
        raise OSError(None, str(error)) from None
    finally:
        beside.unlink(missing_ok=True)
    return path


def _fill(
    connection: sqlite3.Connection,
    zones: Sequence[Zone],
    areas: Sequence[Area],
    origin: Origin,
    srs: int,
    every_m: float,
) -> None:
    unit, metres = _unit(srs)
    connection.execute("PRAGMA journal_mode = OFF")
    connection.execute(f"PRAGMA application_id = {APPLICATION}")
    connection.execute(f"PRAGMA user_version = {VERSION}")
    connection.executescript(TABLES)
    connection.executemany("INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", _systems(srs))
    tied = origin.epsg is not None or origin.easting_m or origin.northing_m
    about = f"{unit} in the map grid" if tied else "metre about the scene's own zero"

    def placed(geometry: BaseGeometry) -> BaseGeometry:
        there = translate(geometry, origin.easting_m, origin.northing_m)
        return there if metres == 1.0 else scale(there, 1 / metres, 1 / metres, origin=(0, 0))

    _layer(
        connection,
        "standing_areas",
        f"where all of a column above the ground keeps its distance; in plan, {about}",
        srs,
        [(placed(_many(area.shape)), area.what, *area.column_m, float(up(area.error_m, 3)), "m") for area in areas],
    )
    _layer(
        connection,
        "zone_contours",
        f"where the margin is nothing, at heights above the zero of z; in plan, {about}",
        srs,
        [(placed(row[0]), *row[1:]) for zone in zones for row in _contours(zone, origin, every_m)],
    )


def _unit(srs: int) -> tuple[str, float]:
    """The unit of a grid's coordinates, and how many metres it is."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    if srs <= 0:
        return "metre", 1.0
    expected = "the EPSG code of a map grid"
    try:
        system = CRS.from_epsg(srs)
    except CRSError:
        raise InputError(Mistake(("origin", "epsg"), expected, f"{srs}, which is none known")) from None
    if not system.is_projected:
        raise InputError(Mistake(("origin", "epsg"), expected, f"{srs}, {system.name}, which is no plane grid"))
    axis = system.axis_info[0]
    return axis.unit_name, axis.unit_conversion_factor


def _systems(srs: int) -> list[tuple[object, ...]]:
    """The three grids that every file must name (requirement 11), and the scene's own."""
    from pyproj import CRS

    found: list[tuple[object, ...]] = [
        ("Undefined Cartesian", -1, "NONE", -1, "undefined", "a plane grid about the scene's own zero, metres"),
        ("Undefined geographic", 0, "NONE", 0, "undefined", "undefined geographic coordinate reference system"),
    ]
    for code in dict.fromkeys((4326, srs)):
        if code > 0:
            system = CRS.from_epsg(code)
            found.append((system.name, code, "EPSG", code, system.to_wkt("WKT1_GDAL"), None))
    return found


def _contours(zone: Zone, origin: Origin, every_m: float) -> Iterable[tuple[Any, ...]]:
    limits = ", ".join(sorted({f"{' to '.join(need.between)} {up(need.limit_m)} m" for need in zone.needs}))
    for height, lines in contours(zone, heights_of(zone, every_m)).items():
        whole = MultiLineString([LineString(line) for line in lines])
        yield (
            whole, zone.title, zone.exposure, limits,
            height + origin.height_m, 0.0, float(up(zone.mesh.excess_m, 3)), "; ".join(zone.left_out), "m",
        )  # fmt: skip


def _many(geometry: BaseGeometry) -> MultiPolygon:
    parts = [part for part in getattr(geometry, "geoms", [geometry]) if isinstance(part, Polygon) and not part.is_empty]
    return MultiPolygon(parts)


def _layer(
    connection: sqlite3.Connection, name: str, description: str, srs: int, rows: Sequence[tuple[Any, ...]]
) -> None:
    """A table of features, each row its geometry first; its box in the contents is that of all its rows."""
    boxes = [row[0].bounds for row in rows if not row[0].is_empty]
    box = (
        min(b[0] for b in boxes), min(b[1] for b in boxes), max(b[2] for b in boxes), max(b[3] for b in boxes)
    ) if boxes else (None,) * 4  # fmt: skip
    kind = "MULTIPOLYGON" if name == "standing_areas" else "MULTILINESTRING"
    connection.execute(
        "INSERT INTO gpkg_contents VALUES (?, 'features', ?, ?, ?, ?, ?, ?, ?, ?)",
        (name, name, description, CHANGED, *box, srs),
    )
    connection.execute("INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, 0, 0)", (name, kind, srs))
    for row in rows:
        places = ", ".join("?" * len(row))
        connection.execute(f"INSERT INTO {name} VALUES (NULL, {places})", (blob(row[0], srs), *row[1:]))


def blob(geometry: BaseGeometry, srs: int) -> bytes:
    """A geometry as the format has it (clause 2.1.3): header with the grid and the box, then well-known binary."""
    empty = geometry.is_empty
    flags = 0b00010001 if empty else 0b00000011  # little-endian; without a box and empty, or with a box in plan
    header = struct.pack("<2sBBi", b"GP", 0, flags, srs)
    if not empty:
        low_x, low_y, high_x, high_y = geometry.bounds
        header += struct.pack("<4d", low_x, high_x, low_y, high_y)
    return header + bytes(shapely.to_wkb(geometry, byte_order=1, output_dimension=2))
