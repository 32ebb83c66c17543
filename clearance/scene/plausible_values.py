"""Owns what a physical value of a scene may be: a table over the numeric fields of the format.

`possible` is what can be at all: anything else is refused when the scene is read. `likely` is what is met on lines and
in substations: anything else is undecided until it is measured again, mended, or confirmed by a statement. Where no
other source is named the figures are common practice, no source; they are chosen to let every usual thing pass and to
catch slips: feet read as metres, millimetres read as metres, volts read as kilovolts, radians read as degrees, two
fields swapped, a sign. Each number of a range, a list or a point is held to its field's entry.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

PRACTICE: Final = "common practice, no source"


@dataclass(frozen=True)
class Values:
    """What a field may hold.

    unit: as people write it; possible, likely: least and most, both included
    smallest: anything nearer to zero than this, zero itself excepted, is unlikely
    among: likely values, each with 1 % about it; none where the range alone says it
    radians: a value that equals a simple angle in radians is unlikely
    source: where the figures are from, with what is behind them
    """

    unit: str
    possible: tuple[float, float]
    likely: tuple[float, float]
    smallest: float = 0.0
    among: tuple[float, ...] = ()
    radians: bool = False
    source: str = PRACTICE


def _m(least: float, most: float, top: float, bottom: float = 0.0, smallest: float = 0.0, why: str = "") -> Values:
    """Metres: likely from `least` to `most`, possible from `bottom` to `top`."""
    return Values("m", (bottom, top), (least, most), smallest, source=f"{PRACTICE}: {why}" if why else PRACTICE)


FAR: Final = 1e6
"""[m] The largest coordinate that the engine takes."""

COORDINATE: Final = _m(-20e3, 20e3, FAR, -FAR, why="a scene's zero is near the site; map coordinates go in origin")
HEADING: Final = Values("deg", (-720.0, 720.0), (-360.0, 360.0), radians=True)
LEAN: Final = Values(
    "deg",
    (-90.0, 90.0),
    (-15.0, 15.0),
    0.2,
    source=f"{PRACTICE}: nobody holds a ladder to 0.2 deg, and 0.2 rad is 11.5 deg",
)
TURNED_UP: Final = Values("deg", (-95.0, 95.0), (-90.0, 90.0), 0.2)
"""A ladder that is turned up, or lies, with nobody on it."""
TEMPERATURE: Final = Values("deg C", (-90.0, 300.0), (-40.0, 100.0))
UNCERTAINTY: Final = _m(0.001, 2.0, 50.0, smallest=0.001, why="nobody surveys to nothing")
WRITTEN_OFF: Final = _m(0.0, 5.0, 30.0, smallest=0.005)
STATION: Final = _m(0.0, 200.0, 5000.0, -5000.0)
UP_LADDER: Final = _m(0.0, 20.0, 60.0, -60.0)
LEAD: Final = _m(0.5, 6.0, 50.0)
SWING: Final = _m(0.0, 3.0, 30.0, smallest=0.01)
WEIGHT: Final = Values("kN", (0.0, 100.0), (0.02, 20.0))
PER_METRE: Final = Values("N/m", (0.0, 500.0), (1.0, 60.0))
ICE: Final = _m(0.0, 0.06, 0.15, smallest=0.0005)
MEMBER: Final = _m(0.01, 0.4, 3.0)
WIRE: Final = _m(0.004, 0.08, 1.0, 0.0005, why="from 4 mm of steel to the thickest conductors and their bundles' parts")
KEPT_AWAY: Final = _m(0.5, 30.0, 200.0)
SHEDS: Final = _m(0.04, 0.6, 2.0, 0.01)

OF_FILES: Final[Mapping[str, Values]] = {
    "Mesh": _m(0.2, 75.0, FAR, why="from what a hand holds to the largest building of a substation"),
    "MembersStructure": _m(0.5, 75.0, FAR, why="as structures that are written out"),
    "Cloud": _m(0.2, 5000.0, FAR, why="from what a hand holds to a line"),
    "GridGround": _m(20.0, 20e3, FAR, why="as grounds that are written out"),
    "PointsGround": _m(20.0, 20e3, FAR, why="as grounds that are written out"),
    "MeshGround": _m(20.0, 20e3, FAR, why="as grounds that are written out"),
}
"""By record, the largest extent along an axis of what a file holds: a file in another unit than stated is larger or
smaller by far."""

TABLE: Final[Mapping[tuple[str, str], Values]] = {
    ("SceneFile", "altitude_m"): _m(-430.0, 5200.0, 9000.0, -500.0, why="from the lowest shore to the highest lines"),
    ("SceneFile", "frequency_Hz"): Values("Hz", (1.0, 1000.0), (10.0, 100.0), among=(50 / 3, 50.0, 60.0)),
    # Conductors and weather
    ("OwnConductor", "diameter_m"): WIRE,
    ("OwnConductor", "weight_N_m"): PER_METRE,
    ("OwnConductor", "rated_strength_kN"): Values("kN", (0.1, 5000.0), (5.0, 600.0)),
    ("OwnConductor", "outer"): Values("strands", (1, 1000), (1, 120)),
    ("OwnConductor", "core"): Values("strands", (1, 1000), (1, 61)),
    ("OwnConductor", "outer_strand_m"): _m(0.0015, 0.008, 0.1),
    ("OwnConductor", "core_strand_m"): _m(0.001, 0.008, 0.1),
    ("OwnConductor", "outer_area_mm2"): Values("mm2", (1.0, 10e3), (10.0, 2000.0)),
    ("OwnConductor", "core_area_mm2"): Values("mm2", (1.0, 10e3), (5.0, 500.0)),
    ("OwnConductor", "modulus_GPa"): Values("GPa", (1.0, 500.0), (40.0, 215.0), source=f"{PRACTICE}: AAC to steel"),
    ("OwnConductor", "expansion_per_degC"): Values("per deg C", (1e-7, 1e-3), (1e-5, 2.5e-5)),
    ("OwnConductor", "resistance_ohm_km"): Values("ohm/km", (0.0, 100.0), (0.005, 10.0)),
    ("Weather", "air_C"): Values("deg C", (-90.0, 60.0), (-40.0, 45.0)),
    ("Weather", "wind_m_s"): Values("m/s", (0.0, 120.0), (0.0, 40.0)),
    ("Weather", "wind_from_deg"): Values("deg", (0.0, 720.0), (0.0, 720.0), radians=True),
    ("Weather", "gust_factor"): Values("", (1.0, 3.0), (1.0, 2.5)),
    ("Weather", "current_A"): Values("A", (0.0, 20e3), (0.0, 4000.0)),
    ("Weather", "sun_W_m2"): Values("W/m2", (0.0, 1500.0), (0.0, 1400.0)),
    ("Weather", "conductor_C"): TEMPERATURE,
    ("Weather", "ice_m"): ICE,
    ("Weather", "ice_weight_N_m"): Values("N/m", (0.0, 500.0), (0.0, 100.0)),
    ("Weather", "ice_kg_m3"): Values("kg/m3", (100.0, 1000.0), (200.0, 920.0), source="ice is 917 kg/m3"),
    ("ConductorOfWire", "ice_m"): ICE,
    ("KnownState", "conductor_C"): TEMPERATURE,
    ("SagCheck", "at_C"): TEMPERATURE,
    ("SagCheck", "sag_m"): _m(0.05, 60.0, 1000.0),
    ("LoadOnWire", "at_m"): STATION,
    ("LoadOnWire", "weight_kN"): WEIGHT,
    ("LoadOfStage", "at_m"): STATION,
    ("LoadOfStage", "weight_kN"): WEIGHT,
    # Statements
    ("HeldTail", "sideways_m"): _m(0.1, 10.0, 100.0),
    ("HeldTail", "length_m"): _m(0.2, 60.0, 1000.0),
    ("HeldTail", "within_m"): _m(0.05, 3.0, 30.0),
    ("RestrainedReach", "reach_m"): _m(0.3, 1.2, 2.0, 0.05, why="an arm is 0.73 to 0.89 m (ANSUR II, 2012)"),
    ("DesignedGap", "gap_m"): _m(0.01, 5.0, 20.0),
    # The site
    ("Origin", "easting_m"): Values("m", (-3e7, 3e7), (-2e7, 2e7)),
    ("Origin", "northing_m"): Values("m", (-3e7, 3e7), (-2e7, 2e7)),
    ("Origin", "height_m"): _m(-500.0, 6000.0, 9000.0, -1000.0),
    ("Circuit", "nominal_kV"): Values("kV", (0.05, 1500.0), (1.0, 1150.0)),
    ("Circuit", "highest_kV"): Values("kV", (0.05, 1500.0), (1.1, 1200.0)),
    ("Circuit", "overvoltage_per_unit"): Values(
        "per unit",
        (1.0, 10.0),
        (1.4, 4.5),
        source=f"{PRACTICE}: 1.4 needs arresters and controlled switching; without any switching at all it would be 1",
    ),
    ("_Ground", "uncertainty_m"): UNCERTAINTY,
    ("_Ground", "extent_m"): _m(20.0, 20e3, FAR),
    ("LevelGround", "height_m"): _m(-1000.0, 6000.0, 10e3, -10e3),
    ("PlaneGround", "through_m"): COORDINATE,
    ("PlaneGround", "slope_deg"): Values("deg", (0.0, 90.0), (0.0, 50.0), 0.01, radians=True),
    ("PlaneGround", "uphill_deg"): HEADING,
    ("GridGround", "heights_m"): _m(-1000.0, 6000.0, 10e3, -10e3),
    ("GridGround", "corner_m"): COORDINATE,
    ("GridGround", "spacing_m"): _m(0.1, 100.0, 10e3),
    ("_Structure", "uncertainty_m"): UNCERTAINTY,
    ("Gantry", "base_m"): COORDINATE,
    ("Gantry", "heading_deg"): HEADING,
    ("Gantry", "column_spacing_m"): _m(2.0, 40.0, 200.0),
    ("Gantry", "column_width_m"): _m(0.1, 4.0, 20.0),
    ("Gantry", "beam_height_m"): _m(2.5, 32.0, 150.0, why="beams of 765 kV bays lie at some 30 m; 40 ft are 12 m"),
    ("Gantry", "beam_depth_m"): _m(0.1, 3.5, 20.0),
    ("Gantry", "beam_width_m"): _m(0.1, 3.5, 20.0),
    ("Gantry", "panel_m"): _m(0.3, 4.0, 50.0),
    ("Gantry", "member_radius_m"): MEMBER,
    ("LatticeTower", "base_m"): COORDINATE,
    ("LatticeTower", "heading_deg"): HEADING,
    ("LatticeTower", "height_m"): _m(8.0, 75.0, 400.0, why="only crossings are higher; 250 ft are 76 m"),
    ("LatticeTower", "base_width_m"): _m(0.5, 20.0, 100.0),
    ("LatticeTower", "top_width_m"): _m(0.2, 8.0, 50.0),
    ("LatticeTower", "waist_height_m"): _m(3.0, 70.0, 400.0),
    ("LatticeTower", "waist_width_m"): _m(0.3, 10.0, 50.0),
    ("LatticeTower", "member_radius_m"): MEMBER,
    ("LatticeTower", "peak_m"): _m(0.3, 12.0, 60.0),
    ("Crossarm", "height_m"): _m(3.0, 75.0, 400.0),
    ("Crossarm", "length_m"): _m(0.3, 20.0, 60.0),
    ("Crossarm", "depth_m"): _m(0.05, 5.0, 20.0),
    ("Pole", "base_m"): COORDINATE,
    ("Pole", "heading_deg"): HEADING,
    ("Pole", "height_m"): _m(3.0, 35.0, 150.0, why="wood ends at some 30 m; 40 ft are 12 m"),
    ("Pole", "base_radius_m"): _m(0.05, 1.5, 10.0),
    ("Pole", "top_radius_m"): _m(0.03, 1.0, 10.0),
    ("MembersStructure", "base_m"): COORDINATE,
    ("_Solid", "uncertainty_m"): UNCERTAINTY,
    ("Box", "centre_m"): COORDINATE,
    ("Box", "size_m"): _m(0.01, 200.0, 10e3),
    ("Box", "heading_deg"): HEADING,
    ("Cylinder", "from_m"): COORDINATE,
    ("Cylinder", "to_m"): COORDINATE,
    ("Cylinder", "radius_m"): _m(0.005, 25.0, 1000.0),
    ("Mesh", "at_m"): COORDINATE,
    ("Mesh", "heading_deg"): HEADING,
    ("Cloud", "polygon_m"): COORDINATE,
    ("Cloud", "height_m"): _m(-1000.0, 6000.0, 10e3, -10e3),
    ("Cloud", "survey_error_m"): _m(0.002, 1.0, 50.0),
    ("Cloud", "thin_m"): _m(0.0, 1.0, 50.0, smallest=0.001),
    ("Cloud", "uncovered_m"): _m(0.001, 1.0, 50.0, smallest=0.001, why="between points there are none"),
    # Wires and insulators
    ("_Wire", "from_m"): COORDINATE,
    ("_Wire", "to_m"): COORDINATE,
    ("_Wire", "diameter_m"): WIRE,
    ("_Wire", "uncertainty_m"): _m(0.003, 2.0, 50.0, why="no survey tells where a wire hangs to 3 mm"),
    ("SpanWire", "horizontal_tension_kN"): Values("kN", (0.001, 2000.0), (0.1, 250.0)),
    ("SpanWire", "sag_m"): _m(0.05, 60.0, 1000.0),
    ("SpanWire", "catenary_constant_m"): _m(30.0, 4000.0, 50e3, 1.0),
    ("SpanWire", "weight_N_m"): Values("N/m", (0.0, 1000.0), (1.0, 200.0), source=f"{PRACTICE}: bundles included"),
    ("Jumper", "length_m"): _m(0.3, 60.0, 1000.0),
    ("Jumper", "weight_N_m"): PER_METRE,
    ("Release", "lowered_to_m"): COORDINATE,
    ("Release", "by_way_of_m"): COORDINATE,
    ("Release", "drop_zone_m"): _m(0.0, 50.0, 500.0, smallest=0.2),
    ("Turn", "by_at_m"): COORDINATE,
    ("TailRope", "over_m"): COORDINATE,
    ("TailRope", "to_m"): COORDINATE,
    ("TailRope", "diameter_m"): _m(0.004, 0.06, 0.5, 0.0005),
    ("TailRope", "pulley_radius_m"): _m(0.03, 0.5, 3.0),
    ("TailRope", "sag_m"): _m(0.005, 2.0, 20.0, smallest=0.005, why="no rope is straight"),
    ("TailRope", "wet_or_dirty_m"): WRITTEN_OFF,
    ("Release", "trapped_per_unit"): Values("per unit", (1.0, 5.0), (1.0, 3.0), source=PRACTICE),
    ("GoesAlong", "at_m"): _m(0.0, 20.0, 200.0),
    ("GoesAlong", "movement_m"): _m(0.001, 5.0, 100.0, why="what bears a weight moves"),
    ("Release", "trails_m"): _m(0.0, 20.0, 200.0, smallest=0.05),
    ("Bundle", "spacing_m"): _m(0.15, 0.6, 3.0, 0.02),
    ("InsulatorString", "length_m"): _m(0.1, 12.0, 30.0, 0.02),
    ("InsulatorString", "insulating_m"): _m(0.1, 11.0, 30.0, 0.02),
    ("InsulatorString", "diameter_m"): SHEDS,
    ("InsulatorString", "units"): Values("insulators", (1, 200), (1, 60)),
    ("InsulatorString", "weight_kN"): WEIGHT,
    ("Ring", "at_m"): _m(0.0, 11.0, 30.0, smallest=0.005),
    ("Ring", "diameter_m"): _m(0.15, 2.0, 5.0),
    ("Ring", "tube_m"): _m(0.01, 0.2, 1.0),
    ("Insulator", "from_m"): COORDINATE,
    ("Insulator", "to_m"): COORDINATE,
    ("Insulator", "insulating_m"): _m(0.1, 11.0, 30.0, 0.02),
    ("Insulator", "diameter_m"): SHEDS,
    # Access and people
    ("Ladder", "length_m"): _m(2.0, 20.0, 60.0, why="longer ones are not raised by hand; 36 ft are 11 m"),
    ("Ladder", "width_m"): _m(0.2, 1.2, 5.0),
    ("Ladder", "rail_diameter_m"): _m(0.02, 0.2, 1.0),
    ("Ladder", "rung_spacing_m"): _m(0.2, 0.45, 1.0, 0.05),
    ("Ladder", "tilt_deg"): Values("deg", (-80.0, 80.0), (-45.0, 45.0), 0.5, radians=True),
    ("Ladder", "insulating_from_m"): _m(0.0, 20.0, 60.0, -60.0, smallest=0.01),
    ("Ladder", "insulating_to_m"): UP_LADDER,
    ("Ladder", "wet_or_dirty_m"): WRITTEN_OFF,
    ("Ladder", "platform_m"): UP_LADDER,
    ("Ladder", "platform_depth_m"): _m(0.1, 2.0, 5.0),
    ("Ladder", "foot_radius_m"): _m(0.02, 0.5, 3.0),
    ("Ladder", "bending_m"): _m(0.001, 1.0, 10.0, why="all bend; a metre at the top is a broken ladder"),
    ("Ladder", "heading_deg"): HEADING,
    ("Ladder", "clear_m"): UP_LADDER,
    ("Fitting", "from_m"): UP_LADDER,
    ("Fitting", "to_m"): UP_LADDER,
    ("Fitting", "radius_m"): _m(0.005, 0.6, 3.0),
    ("Track", "points_m"): COORDINATE,
    ("Track", "heading_deg"): HEADING,
    ("Track", "fit_m"): _m(0.0, 2.0, 50.0, smallest=0.001),
    ("Track", "settlement_m"): _m(0.0, 0.3, 3.0, smallest=0.001),
    ("AerialDevice", "base_m"): COORDINATE,
    ("AerialDevice", "chassis_m"): _m(0.5, 18.0, 60.0),
    ("AerialDevice", "chassis_deg"): HEADING,
    ("AerialDevice", "turret_m"): _m(0.5, 6.0, 30.0),
    ("AerialDevice", "boom_m"): _m(1.0, 30.0, 150.0),
    ("AerialDevice", "boom_radius_m"): _m(0.05, 1.0, 5.0),
    ("AerialDevice", "extend_m"): _m(0.0, 40.0, 150.0),
    ("AerialDevice", "raise_deg"): Values("deg", (-90.0, 180.0), (-30.0, 90.0), 2.0, radians=True),
    ("AerialDevice", "insulating_m"): _m(0.5, 15.0, 60.0),
    ("AerialDevice", "tip_m"): _m(0.0, 3.0, 20.0, smallest=0.01),
    ("AerialDevice", "wet_or_dirty_m"): WRITTEN_OFF,
    ("AerialDevice", "platform_m"): _m(0.3, 4.0, 20.0),
    ("AerialDevice", "ahead_m"): _m(0.0, 4.0, 20.0, smallest=0.01),
    ("AerialDevice", "drop_m"): _m(0.0, 4.0, 20.0, smallest=0.01),
    ("AerialDevice", "room_m"): _m(0.01, 2.0, 10.0, why="nobody stands still at the middle of a platform"),
    ("AerialDevice", "bending_m"): _m(0.001, 1.5, 10.0, why="every boom bends"),
    ("_Person", "stature_m"): _m(1.45, 2.1, 2.3, 1.2, why="1.20 to 2.30 m hold every adult; ANSUR II, 2012"),
    ("_Person", "suit_m"): _m(0.002, 0.15, 1.0, why="nobody works undressed"),
    ("_Person", "boots_m"): _m(0.002, 0.1, 1.0, why="nobody works barefoot"),
    ("_Person", "helmet_m"): _m(0.002, 0.2, 1.0, why="nobody works bareheaded"),
    ("Worker", "tool_m"): _m(0.0, 2.0, 10.0, smallest=0.1, why="a spanner or pliers reach a hand's breadth further"),
    ("Worker", "trunk_lean_m"): _m(0.01, 1.0, 3.0, why="no lanyard holds the shoulders where they are"),
    ("Worker", "hanging_m"): _m(0.0, 3.0, 30.0, smallest=0.01),
    ("Crew", "at_m"): COORDINATE,
    ("Crew", "radius_m"): _m(0.05, 10.0, 100.0, smallest=0.05, why="nobody stands like a post"),
    ("Crew", "area_m"): COORDINATE,
    ("Crew", "tool_m"): _m(0.0, 6.0, 15.0, smallest=0.01),
    ("Stand", "at_m"): COORDINATE,
    ("Stand", "radius_m"): _m(0.05, 10.0, 100.0, smallest=0.05, why="nobody stands like a post"),
    ("Stand", "area_m"): COORDINATE,
    ("Stand", "heading_deg"): HEADING,
    ("Vehicle", "centre_m"): COORDINATE,
    ("Vehicle", "size_m"): _m(0.2, 30.0, 200.0),
    ("Vehicle", "heading_deg"): HEADING,
    ("Vehicle", "radius_m"): _m(0.01, 10.0, 100.0, smallest=0.01, why="nobody parks to nothing"),
    ("Rope", "from_m"): COORDINATE,
    ("Rope", "to_m"): COORDINATE,
    ("Rope", "slack_m"): _m(0.001, 3.0, 50.0, smallest=0.001, why="no rope is straight"),
    ("Rope", "diameter_m"): _m(0.004, 0.06, 0.5, 0.0005),
    ("Rope", "wet_or_dirty_m"): WRITTEN_OFF,
    ("Tool", "radius_m"): _m(0.02, 1.5, 10.0),
    ("Tool", "swing_m"): _m(0.01, 3.0, 30.0, smallest=0.01, why="what hangs on a line swings"),
    ("Tested", "leakage_uA"): Values("uA", (0.0, 1e6), (0.0, 2000.0)),
    ("Tested", "at_kV"): Values("kV", (0.001, 2000.0), (1.0, 1000.0)),
    # Stages and jobs
    ("Disturbed", "movement_m"): _m(0.01, 5.0, 100.0, smallest=0.01, why="what is pulled, loaded or let go moves"),
    ("_Job", "lean_along_deg"): LEAN,
    ("_Job", "lean_across_deg"): LEAN,
    ("_Aloft", "mount_m"): _m(0.0, 3.0, 60.0),
    ("_Aloft", "clear_m"): UP_LADDER,
    ("_Aloft", "work_m"): UP_LADDER,
    ("_Aloft", "bonding_lead_m"): LEAD,
    ("_Aloft", "lanyard_m"): _m(0.2, 3.0, 20.0),
    ("_Aloft", "swing_m"): SWING,
    ("_Aloft", "open_m"): UP_LADDER,
    ("_Aloft", "opening_distance_m"): KEPT_AWAY,
    ("Turn", "station_m"): STATION,
    ("Turn", "clamp_m"): COORDINATE,
    ("Turn", "opened_m"): _m(0.3, 12.0, 40.0),
    ("Turn", "lowered_m"): _m(0.1, 40.0, 300.0),
    ("_Aloft", "stick_m"): _m(0.5, 12.0, 60.0),
    ("EarthTail", "stick_m"): _m(0.5, 12.0, 60.0),
    ("EarthTail", "station_m"): STATION,
    ("Rescue", "station_m"): STATION,
    ("Rescue", "hang_m"): UP_LADDER,
    ("Rescue", "swing_m"): SWING,
    ("Rescue", "ground_m"): _m(0.3, 2.5, 10.0),
    ("Rescue", "bonding_lead_m"): LEAD,
    ("Rescue", "clamp_m"): COORDINATE,
    ("TurnUpLadder", "station_m"): STATION,
    ("TurnUpLadder", "lean_along_deg"): TURNED_UP,
    ("TurnUpLadder", "lean_across_deg"): TURNED_UP,
    ("MoveLadder", "station_m"): STATION,
    ("Bring", "station_m"): STATION,
    ("Stage", "travel_m"): STATION,
    ("Stage", "lean_along_deg"): TURNED_UP,
    ("Stage", "lean_across_deg"): TURNED_UP,
    ("Stage", "heading_deg"): Values("deg", (-360.0, 360.0), (-180.0, 180.0), 0.2, radians=True),
    ("Stage", "turret_deg"): HEADING,
    ("Stage", "boom_deg"): Values("deg", (-90.0, 180.0), (-30.0, 90.0), 2.0, radians=True),
    ("Stage", "extend_m"): _m(0.0, 40.0, 150.0),
    ("Stage", "climb_m"): UP_LADDER,
    ("Stage", "haul_m"): _m(0.0, 60.0, 500.0, -500.0),
    ("Stage", "lower_m"): _m(0.0, 40.0, 300.0, -500.0),
    ("Stage", "bonding_lead_m"): LEAD,
    ("Stage", "clamp_m"): COORDINATE,
    ("Stage", "swing_m"): SWING,
    ("Stage", "opening_distance_m"): KEPT_AWAY,
    ("Stage", "stick_m"): _m(0.5, 12.0, 60.0),
    ("Rescue", "stick_m"): _m(0.5, 12.0, 60.0),
    ("Stage", "rope_m"): _m(0.5, 60.0, 300.0),
    ("Rescue", "rope_m"): _m(0.5, 60.0, 300.0),
    ("Rescue", "by_at_m"): COORDINATE,
}

WITHOUT: Final[Mapping[tuple[str, str], str]] = {
    ("SceneFile", "format"): "one value is allowed",
    ("Confirmed", "value"): "it is held to the value that it confirms",
    ("SceneFile", "rule_inputs"): "each rule checks its own inputs",
    ("LeftOut", "classes"): "codes of a scan, not a quantity",
    ("PointsGround", "classes"): "codes of a scan, not a quantity",
    ("Cloud", "classes"): "codes of a scan, not a quantity",
    ("Origin", "epsg"): "a code, not a quantity",
    ("Gantry", "columns"): "2 to 20 are allowed, all of them met",
    ("LatticeTower", "panels"): "how finely it is drawn, not a quantity of the site",
    ("Bundle", "count"): "2 to 4 are allowed, all of them met",
    ("BeforeOpening", "current_A"): "held to what the wire's own capacitance draws",
    ("MayOpen", "current_A"): "held to what opens",
    ("MayOpen", "energy_J"): "held to what opens",
    ("_Person", "percentile"): "three values are allowed",
}
"""Numeric fields that have no entry, with the reason."""
