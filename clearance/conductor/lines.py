"""Owns the records that placing works on: a line between its attachments, the weather, and where a line then may be.

They hold what a scene says of a wire, in SI, with nothing of the file format; `placing` turns them into one another.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clearance.conductor.catalogue import Entry
from clearance.conductor.catenary import Catenary, Point
from clearance.conductor.elastic import Hung

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class End:
    """One end of a line.

    point: attachment on the structure, or where the line hangs on another (3,) [m]
    string, string_m: insulator string between attachment and conductor, and its length [m]; "" for none
    string_weight_N, string_diameter_m: of the whole string; 0 where not stated
    weight_assumed: the weight is a usual one, not the scene's
    own: False where the string belongs to the line on its other side
    moves_m: displacements of the point itself, where it is on another line (3,) each [m]; moves_uncertainty_m:
    around each of
        them [m]
    """

    point: Point
    string: Literal["", "strain", "suspension"] = ""
    string_m: float = 0.0
    string_weight_N: float = 0.0
    string_diameter_m: float = 0.0
    weight_assumed: bool = False
    own: bool = True
    moves_m: tuple[Point, ...] = ()
    moves_uncertainty_m: float = 0.0


@dataclass(frozen=True)
class Known:
    """How a span hangs as stated: exactly one of tension (with a weight), sag and constant, and when.

    tension_N: horizontal tension; weight_N_m: the weight it goes with
    sag_m: vertical, from the chord to the curve at half the span; constant_m: H / w
    at_C: conductor temperature of this state, or None where it is not known
    basis: where it is from
    """

    tension_N: float | None = None
    weight_N_m: float | None = None
    sag_m: float | None = None
    constant_m: float | None = None
    at_C: float | None = None
    basis: str = ""


@dataclass(frozen=True)
class Check:
    """A sag measured on site [m] at a conductor temperature [C], and who measured it."""

    sag_m: float
    at_C: float
    by: str = ""


@dataclass(frozen=True)
class PointLoad:
    """A force that hangs on a line at a point.

    what: its name, unique on its line
    along_m: horizontal distance of its place from the line's start, as the line hangs where stated [m]
    force_N: on the whole wire, all subconductors together (3,) [N]
    stated: the line hung as stated with it on; else it came on afterwards
    basis: where its weight is from
    """

    what: str
    along_m: float
    force_N: Point
    stated: bool = True
    basis: str = ""


@dataclass(frozen=True)
class Line:
    """A wire as placing sees it.

    name: for messages
    start, end: its ends
    diameter_m: of one subconductor [m]
    conductor: its catalogue entry, or None
    weight_N_m: weight of one subconductor where no entry gives it [N/m]
    count: subconductors
    known: how a tensioned span hangs; None for a loose line
    length_m: length of a loose line; None for a tensioned span
    checks: sags measured on site
    live: carries current
    loads: what hangs on it at points, in still air
    ice_m: thickness of ice around each subconductor, instead of the weather's (lowest, highest) [m]
    """

    name: str
    start: End
    end: End
    diameter_m: float
    conductor: Entry | None = None
    weight_N_m: float | None = None
    count: int = 1
    known: Known | None = None
    length_m: float | None = None
    checks: tuple[Check, ...] = ()
    live: bool = True
    loads: tuple[PointLoad, ...] = ()
    ice_m: tuple[float, float] | None = None


@dataclass(frozen=True)
class Weather:
    """Ranges (lowest, highest) of what the lines may meet during the job.

    air_C, wind_m_s, sun_W_m2, current_A: of air, wind, sun and of the current in a phase; current None where unknown
    wind_from_deg: bearing the wind comes from, clockwise from north (the y axis); None for any
    conductor_C: temperature of the conductors where it is stated rather than found from the heat balance
    gust_factor: on the highest speed; altitude_m: above sea level
    ice_m: thickness of ice around every conductor; ice_weight_N_m: its weight per metre of each instead, or None;
        ice_kg_m3: its density, 900 for glaze (IEC 60826, from memory)
    basis: where the ranges are from
    """

    air_C: tuple[float, float]
    wind_m_s: tuple[float, float] = (0.0, 0.0)
    wind_from_deg: tuple[float, float] | None = None
    sun_W_m2: tuple[float, float] = (0.0, 0.0)
    current_A: tuple[float, float] | None = None
    conductor_C: tuple[float, float] | None = None
    gust_factor: float = 1.0
    altitude_m: float = 0.0
    basis: str = ""
    ice_m: tuple[float, float] = (0.0, 0.0)
    ice_weight_N_m: tuple[float, float] | None = None
    ice_kg_m3: float = 900.0

    @property
    def heading_rad(self) -> tuple[float, float] | None:
        """Range of headings the wind blows towards, anticlockwise from x [rad]; None for any."""
        if self.wind_from_deg is None:
            return None
        first, last = (radians(-90.0 - bearing) for bearing in self.wind_from_deg)
        return min(first, last), max(first, last)


@dataclass(frozen=True, eq=False)
class Piece:
    """A part of a placed line.

    part: "from string", "wire" or "to string"
    points: (n, 3) its polyline at shape parameter 0 and swing 0 [m]
    rate: (n, 3) how each point moves per metre of the shape parameter [1]
    uncertainty_m: every true shape lies this close to the piece at some shape and swing in their ranges, survey
    error apart
    more_m: (n,) how much further it may be at each point, or None where it is nowhere
    """

    part: Literal["from string", "wire", "to string"]
    points: Floats
    rate: Floats
    uncertainty_m: float
    more_m: Floats | None = None

    @property
    def room_m(self) -> Floats:
        """Uncertainty (n,) at each point [m]."""
        return self.uncertainty_m + (np.zeros(len(self.points)) if self.more_m is None else self.more_m)


@dataclass(frozen=True)
class Correction:
    """What checks on site did to a line.

    measured_m, modelled_m: sag measured and sag by the state as stated at the same temperature, of the check that
        differs most [m]; at_C, by: its temperature and who measured it
    uncertainty_m: the difference, which goes into uncertainty
    """

    measured_m: float
    modelled_m: float
    at_C: float
    by: str
    uncertainty_m: float


@dataclass(frozen=True)
class Ranges:
    """What the weather makes of a line, each (lowest, highest), rounded outward.

    conductor_C, conductor_basis: temperature and how it was found
    force_N_m: wind force per metre, positive to the left of the line's heading
    per_m: u = w / H in the plane it hangs in [1/m]; tilt_rad: of the load along the chord
    tension_N: horizontal tension of one subconductor, square to the load
    sag_m: in the plane it hangs in, at half the chord
    ends_m: how far its conductor's ends may be from where the swing alone would put them [m]
    ice_m, ice_N_m: thickness of ice on a subconductor [m] and its weight [N/m]
    """

    conductor_C: tuple[float, float]
    conductor_basis: str
    force_N_m: tuple[float, float]
    per_m: tuple[float, float]
    tilt_rad: tuple[float, float]
    tension_N: tuple[float, float]
    sag_m: tuple[float, float]
    ends_m: float
    ice_m: tuple[float, float] = (0.0, 0.0)
    ice_N_m: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, eq=False)
class Placed:
    """A line, as it hangs where stated and everywhere it may be.

    nominal: the conductor as stated
    axis_point, axis: the line it swings about, from start to end: through its attachments, or over a suspension
        string's live end at the height that fits its smaller swing; a positive swing is to the left, by the
        right-hand rule
    swing_rad: range of swing; shape_m: range of the shape parameter, metres deeper at half the chord than as stated
    pieces: its parts
    ranges: what lies behind, None where no weather was given
    correction: what checks on site did
    notes: what a reader must know: what was taken, and what is not evaluated
    bent: its shape per subconductor with its loads on, where loads move it; `nominal` then has its ends and length
        alone
    """

    line: Line
    nominal: Catenary
    axis_point: Floats
    axis: Floats
    swing_rad: tuple[float, float]
    shape_m: tuple[float, float]
    pieces: tuple[Piece, ...]
    ranges: Ranges | None = None
    correction: Correction | None = None
    notes: tuple[str, ...] = ()
    bent: Hung | None = None


def range_words(pair: tuple[float, float], places: int) -> str:
    """A range in words, or its one value.

    >>> range_words((-0.01, 4.0), 1)
    '0.0 to 4.0'
    """
    low, high = (f"{value:.{places}f}" for value in pair)
    low, high = (text.lstrip("-") if not text.strip("-0.") else text for text in (low, high))
    return low if low == high else f"{low} to {high}"


def level_m(line: Line) -> float:
    """Horizontal distance between the attachments of a line [m]."""
    return float(np.hypot(*np.subtract(line.end.point, line.start.point)[:2]))


def weather_words(weather: Weather) -> str:
    """The weather's ranges in words."""
    bearing = "any direction"
    if weather.wind_from_deg is not None:
        bearing = f"from {range_words(weather.wind_from_deg, 0)}° (clockwise from the y axis)"
    parts = [f"air {range_words(weather.air_C, 0)} °C", f"wind {range_words(weather.wind_m_s, 1)} m/s, {bearing}"]
    if weather.gust_factor > 1:
        parts.append(f"gust factor {weather.gust_factor:g}")
    if weather.ice_weight_N_m is not None:
        parts.append(f"ice {range_words(weather.ice_weight_N_m, 1)} N/m of {weather.ice_kg_m3:g} kg/m3")
    elif weather.ice_m[1] > 0:
        thick = weather.ice_m[0] * 1e3, weather.ice_m[1] * 1e3
        parts.append(f"ice {range_words(thick, 1)} mm thick, {weather.ice_kg_m3:g} kg/m3")
    if weather.conductor_C is not None:
        parts.append(f"conductors {range_words(weather.conductor_C, 0)} °C as stated")
    else:
        parts.append(f"sun {range_words(weather.sun_W_m2, 0)} W/m2")
        if weather.current_A is not None:
            parts.append(f"current {range_words(weather.current_A, 0)} A")
    return "; ".join(parts)
