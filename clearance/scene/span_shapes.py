"""Owns the shapes of tensioned wires: from a record to its curve, its conductor or bundle and its strings, as stated or
with the loads that it carries."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from clearance import shapes
from clearance.bodies import deformable_wire, insulator, span, wire
from clearance.conductor import catenary
from clearance.conductor.carrying import Curve
from clearance.conductor.catenary import Catenary
from clearance.conductor.laden import as_loaded
from clearance.scene import records
from clearance.scene.records import Point
from clearance.tolerances import CHORD_ERROR_M

Strings = tuple[insulator.StringParts | None, insulator.StringParts | None]


def string_spec(entry: records.InsulatorString | None) -> insulator.StringSpec | None:
    """A string as its body takes it, or None where there is none."""
    if entry is None:
        return None
    return insulator.StringSpec(
        entry.kind,
        entry.length_m,
        entry.insulating_m,
        entry.diameter_m,
        # Stated by their outer diameter; a body's is that of the tube's axis.
        rings=tuple(insulator.Ring(ring.at_m, ring.diameter_m - ring.tube_m, ring.tube_m) for ring in entry.rings),
        weight_N=None if entry.weight_kN is None else entry.weight_kN * 1000.0,
    )


def _solve(record: records.SpanWire) -> Callable[[Point, Point], Catenary]:
    if record.horizontal_tension_kN is not None:
        tension, weight = record.horizontal_tension_kN * 1000.0, record.weight_N_m
        return lambda a, b: catenary.from_tension(a, b, tension, weight or 0.0)
    if record.sag_m is not None:
        sag = record.sag_m
        return lambda a, b: catenary.from_sag(a, b, sag)
    constant = record.catenary_constant_m
    return lambda a, b: catenary.from_constant(a, b, constant or 0.0)


def stated_shapes(record: records.SpanWire, start: Point, end: Point) -> tuple[Catenary, shapes.Shape, Strings]:
    """A tensioned wire that no load moves: its curve, its conductor or bundle, and its strings."""
    parts = span.span_with_strings(
        start,
        end,
        string_spec(record.from_string),
        string_spec(record.to_string),
        _solve(record),
        record.uncertainty_m,
        wire_weight_N_m=record.weight_N_m,
        keep_sag=record.sag_m is not None,
    )
    bundle = record.bundle
    shape = wire.conductor(
        parts.conductor,
        record.diameter_m,
        bundle.count if bundle else 1,
        bundle.spacing_m if bundle else 0.0,
        record.uncertainty_m,
        upright=bundle is not None and records.arrangement(bundle) == "vertical pair",
    )
    return parts.conductor, shape, (parts.from_string, parts.to_string)


def loaded_shapes(record: records.SpanWire, bent: Curve) -> tuple[Catenary, shapes.Shape, Strings]:
    """A tensioned wire with its loads on: a catenary of its length, its conductor or bundle, and its strings."""
    placed = as_loaded(bent)
    shape = deformable_wire.wire_shape(placed, record.diameter_m, record.uncertainty_m, bundle_places(record))
    (first, _, last), error = bent.parts(CHORD_ERROR_M)
    strings = list[insulator.StringParts | None]()
    for spec, tip, strain, point in (
        (record.from_string, bent.ends[0], first, bent.line.start.point),
        (record.to_string, bent.ends[1], last[::-1], bent.line.end.point),
    ):
        made = string_spec(spec)
        if made is None:
            strings.append(None)
        elif made.kind == "strain":
            strings.append(insulator.string_along(strain, made, error, record.uncertainty_m))
        else:
            strings.append(insulator.string_along(np.array([point, tip]), made, 0.0, record.uncertainty_m))
    return placed.nominal, replace(shape, rate=None), (strings[0], strings[1])


def bundle_places(record: records.SpanWire) -> tuple[tuple[float, float], ...]:
    """Places of a wire's subconductors about it, across and up [m]."""
    bundle = record.bundle
    if bundle is None:
        return ((0.0, 0.0),)
    return wire.bundle_places(bundle.count, bundle.spacing_m, records.arrangement(bundle) == "vertical pair")
