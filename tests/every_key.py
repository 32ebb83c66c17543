"""What `test_every_key` works with: small scenes that together hold every key of the format, what is judged of a scene
as one digest, and changes of a key.

A scene here is a table as the format keeps it, in the units of its records. Numbers are invented.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import laspy
import numpy as np
import trimesh
from small_scenes import CIRCUIT, LADDER, STAGE, TRACK, WORKER, text

from clearance.gaps import EARTH
from clearance.job import insulation, insulators, opening, parting, tail_ropes, toppling, whip
from clearance.job.measuring import Bench
from clearance.job.questions import questions
from clearance.limits import required_between
from clearance.pipeline import Prepared, prepare
from clearance.scene.reading import read_scene
from clearance.scene.records import Scene

BY = "the person in charge"
SAID = {"basis": "looked at", "by": BY, "on": "2026-05-04"}
FAR_B = {"kind": "box", "name": "bus B", "centre_m": [0, 40, 9], "size_m": [9, 0.2, 0.2], "potential": "B"}
FAR_A = {"kind": "box", "name": "bus A", "centre_m": [0, 20, 9], "size_m": [9, 0.2, 0.2], "potential": "A"}
TWO = [{**CIRCUIT, "phases": ["A", "B"]}]
DRAKE = {"conductor": "Drake", "diameter_m": 0.0281, "weight_N_m": 15.97}
STRAIN = {"kind": "strain", "length_m": 2.6, "insulating_m": 2.2, "diameter_m": 0.25, "units": 15, "weight_kN": 0.8,
          "rings": [{"at_m": 2.3, "diameter_m": 0.5, "tube_m": 0.05}]}  # fmt: skip
ALONE = {"travel_m": None, "climb_m": None, "posture": None, "workers": []}


def files(folder: Path) -> None:
    """The files that the scenes name."""
    (folder / "nodes.csv").write_text("name,x_m,y_m,z_m\na,0,0,0\nb,0,0,5\nc,1,0,5\n")
    (folder / "members.csv").write_text("from,to,radius_m\na,b,0.1\nb,c,0.05\n")
    (folder / "fewer.csv").write_text("from,to,radius_m\na,b,0.1\n")
    (folder / "moved.csv").write_text("name,x_m,y_m,z_m\na,0,0,0\nb,0,0,6\nc,1,0,5\n")
    (folder / "heights.csv").write_text("0,0,0\n0,0.5,0\n0,0,0\n")
    (folder / "higher.csv").write_text("0,0,0\n0,0.7,0\n0,0,0\n")
    trimesh.creation.box((1000, 1000, 2000)).export(folder / "shed.stl")
    trimesh.creation.box((1500, 1000, 2000)).export(folder / "wider.stl")
    for name, lift in (("plate.stl", 0.0), ("tilted.stl", 0.4)):
        corners = [[-60, -60, 0], [60, -60, 0], [60, 60, lift], [-60, 60, 0]]
        trimesh.Trimesh(corners, [[0, 1, 2], [0, 2, 3]]).export(folder / name)
    ground = [[x, y, 0.0] for x in np.linspace(-40, 40, 9) for y in np.linspace(-40, 40, 9)]
    trees = [[30 + 0.05 * k, 30 + 0.2 * (k % 7), 1 + 0.1 * k] for k in range(40)]
    for name, shift in (("scan.las", 0.0), ("again.las", 0.5)):
        xyz = np.array(ground + trees) + np.array([0.0, 0.0, shift])
        header = laspy.LasHeader(point_format=6, version="1.4")
        header.scales, header.offsets = [0.001] * 3, [0.0] * 3
        scan = laspy.LasData(header)
        scan.x, scan.y, scan.z = xyz.T
        scan.classification = np.array([*[2] * len(ground), *[5, 4] * 20], np.uint8)
        scan.write(folder / name)


def bases() -> dict[str, dict[str, Any]]:
    """The scenes by name."""
    release = {"free_end": "from", "lowered_to_m": [2, 0, 6], "drop_zone_m": 3.0,
               "trails_m": 0.2,
               "before_opening": {"far_end": "open and locked", "phase_identified": "traced",
                                  "pull_taken_by": "nothing pulls", "by": BY}}  # fmt: skip
    tail: dict[str, Any] = {"kind": "jumper", "name": "tail", "phase": "A", "from_m": [2, 0, 9], "to_m": [4, 0, 5],
                            "length_m": 4.8, "diameter_m": 0.03, "weight_N_m": 14.0}  # fmt: skip
    tail_rope = {"name": "tail rope", "over_m": [2.5, -0.5, 9], "hangs_from": "mast", "to_m": [2, -3, 0.1],
                 "diameter_m": 0.014, "pulley_radius_m": 0.1, "sag_m": 0.1, "wet_or_dirty_m": 0.2}  # fmt: skip
    other_rope = {"name": "other rope", "to_m": [2, 3, 0.1], "diameter_m": 0.014, "sag_m": 0.1, "wet_or_dirty_m": 0.1}
    measured = {**release["before_opening"], "current_A": 0.0001}
    roped = {**release, "before_opening": measured, "trapped_per_unit": 1.5, "ropes": [tail_rope, other_rope]}
    tail["release"] = {**roped, "by_way_of_m": [[2, 0.2, 7.5]]}
    by_hand = {**STAGE, "name": "open by hand", "kind": "open", "released": ["tail"], "lower_m": [0, 2.6], "anew": True,
               "opening_distance_m": 1.5, "by_hand": "worker", "bonded": {"worker": "A"}, "bonding_lead_m": 2.0,
               "clamp_m": [2, 0, 9.3]}  # fmt: skip
    along = [{"solid": "trap", "at_m": 1.0, "movement_m": 0.1}]
    second_tail = {**tail, "release": {**release, "takes_along": along}, "name": "second tail", "from_m": [2, 0.5, 9]}
    trap = {"kind": "box", "name": "trap", "centre_m": [2.1, 0.5, 8], "size_m": [0.4, 0.4, 0.4], "potential": "A"}
    lead = {"kind": "jumper", "name": "earth lead", "potential": "earth", "insulated": True, "from_m": [-9, 0, 3],
            "to_m": [-9, 2, 3], "length_m": 2.5, "diameter_m": 0.02, "uncertainty_m": 0.05}  # fmt: skip
    taut = {"kind": "span", "name": "taut", "phase": "A", "from_m": [-20, 9, 8], "to_m": [-12, 9, 8], "sag_m": 0.1,
            "diameter_m": 0.02, "release": {**release, "lowered_to_m": [-14, 9, 6]}}  # fmt: skip
    stand = {"kind": "box", "name": "rail A", "centre_m": [2, 0, 9.3], "size_m": [2, 0.1, 0.1], "potential": "A"}
    mast = {"kind": "box", "name": "mast", "centre_m": [2.5, -0.7, 4.6], "size_m": [0.2, 0.2, 9.2]}
    opens = {
        "name": "open",
        "kind": "open",
        "released": ["tail"],
        "lower_m": [0, 2.6],
        "opening_distance_m": 1.5,
        **ALONE,
    }
    lowers = {"name": "lower", "kind": "lower", "released": ["tail"], "lower_m": [2.6, 3], **ALONE}
    parked = {"name": "earth", "kind": "earthing", "off": ["tail"], "earths": ["tail"], "stick_m": 2.5, **ALONE}
    lifted = {**parked, "name": "unearth", "earths": None, "lifts_earth": ["tail"]}
    aside = {"name": "lower the other", "kind": "lower", "released": ["second tail"], "lower_m": [0, 3], "anew": True,
             **ALONE}  # fmt: skip
    there = {"name": "look", "kind": "work", "off": ["second tail", "taut"], "anew": True, **ALONE}
    structures = [
        {"kind": "gantry", "name": "gantry", "base_m": [20, 20], "heading_deg": 10, "columns": 2, "potential": "earth",
         "column_spacing_m": 12, "column_width_m": 1, "beam_height_m": 12, "beam_depth_m": 0.9, "beam_width_m": 0.8,
         "panel_m": 1.2, "member_radius_m": 0.05},
        {"kind": "lattice tower", "name": "tower", "base_m": [30, 0], "heading_deg": 10, "height_m": 20,
         "base_width_m": 6, "top_width_m": 1.5, "waist_height_m": 14, "waist_width_m": 2, "panels": 6, "peak_m": 3,
         "member_radius_m": 0.06, "crossarms": [{"height_m": 16, "length_m": 4, "depth_m": 1.2, "side": "both"}]},
        {"kind": "pole", "name": "pole", "base_m": [0, 30], "heading_deg": 20, "height_m": 12, "base_radius_m": 0.2,
         "top_radius_m": 0.1, "material": "wood",
         "crossarms": [{"height_m": 11, "length_m": 1.5, "depth_m": 0.1, "side": "left"}]},
        {"kind": "members", "name": "frame", "nodes": "nodes.csv", "members": "members.csv", "base_m": [10, 30]},
    ]  # fmt: skip
    structures = [{"potential": "earth", "uncertainty_m": 0.02, **one} for one in structures]
    solids = [
        FAR_A, FAR_B, {**FAR_A, "name": "bus A2", "centre_m": [0, 26, 9], "potential": "A2"},
        {"kind": "box", "name": "cabinet", "centre_m": [9, 5, 1], "size_m": [1, 2, 2], "heading_deg": 10,
         "potential": "floating"},
        {"kind": "cylinder", "name": "drum", "from_m": [9, 8, 0], "to_m": [9, 8, 1], "radius_m": 0.4},
        {"kind": "mesh", "name": "shed", "file": "shed.stl", "units": "mm", "at_m": [3, -6, 0.5], "heading_deg": 45,
         "solid": True},
        {"kind": "cylinder", "name": "pipe", "from_m": [8, 8, 0], "to_m": [8, 8, 1], "radius_m": 0.1},
    ]  # fmt: skip
    solids = [{"uncertainty_m": 0.02, "potential": "earth", **one} for one in solids]
    cloud = {"name": "trees", "file": "scan.las", "classes": [5], "height_m": [0.5, 3.5], "potential": "earth",
             "polygon_m": [[20, 20], [30.2, 20], [30.2, 40], [20, 40]], "survey_error_m": 0.1, "thin_m": 0.3,
             "uncovered_m": 0.2}  # fmt: skip
    ladder = {
        **LADDER,
        "wet_or_dirty_m": 0.5,
        "tilt_deg": 5,
        "platform_m": 2.0,
        "platform_depth_m": 0.5,
        "foot_radius_m": 0.9,
        "insulation_basis": "tested",
        "clear_m": 6.0,
        "name": "ladder",
        "fittings": [{"name": "hook", "from_m": 7, "to_m": 7.2, "radius_m": 0.35, "potential": "earth"}],
    }
    rope = {"name": "guy", "from_m": "ladder @ 6", "to_m": [5, 5, 0], "diameter_m": 0.016, "hangs_from": "hook", "wet_or_dirty_m": 0.2, "slack_m": 0.05, "guy": True}  # fmt: skip  # noqa: E501
    other = {"name": "other", "from_m": [8, 8, 5], "to_m": [9, 8, 0.2], "diameter_m": 0.02}
    line = {"name": "line", "from_m": [8, 9, 5], "to_m": [9, 9, 0.2], "diameter_m": 0.02}  # fmt: skip
    bonded = {"bonded": {"worker": "A"}, "bonding_lead_m": 2.0, "clamp_m": [0.5, 0, 6.0]}
    work = {**STAGE, "name": "work", "kind": "work", "climb_m": [3, 4], "lean_along_deg": [-1, 1],
            "workers": ["worker"],
            "lean_across_deg": [-1, 1], "heading_deg": [-2, 2], "swing_m": 0.3,
            "note": "look", "hauled": "bag", "haul_m": [0, 2], **bonded}  # fmt: skip
    rides = {**STAGE, "name": "ride", "kind": "travel", "travel_m": [4, 6], "hauled": "bag", "workers": ["worker"],
             "rides": BY, "anew": True, "bonded": None}  # fmt: skip
    second = {"name": "second", "sex": "woman", "percentile": 95, "trunk_lean_m": 0.2}
    climbs = {**STAGE, "name": "climb", "anew": True, "workers": ["second"], "hauled": "can"}
    goes = [{"who": "one", "at_m": [4, -4], "radius_m": 0.6},
            {"who": "truck", "at_m": [13, -8], "radius_m": 0.4, "heading_deg": 15}]  # fmt: skip
    area = [{"who": "two", "at_m": [3.7, -8.2], "area_m": [[2, -9], [4, -9], [4, -7.2], [3, -7]]}]
    looks = {"name": "look", "kind": "work", "potentials": {"cabinet": "earth"}, **ALONE, "travel_m": 5}
    walks = {**looks, "name": "walk", "stands": goes}
    looks_on = {**looks, "name": "look on", "stands": area}
    worker = {**WORKER, "tool_m": 0.3, "trunk_lean_m": 0.2, "hanging_m": 0.4}
    crew = [{"name": "one", "stature_m": 1.8, "suit_m": 0.03, "boots_m": 0.03, "helmet_m": 0.05, "at_m": [3, -4], "radius_m": 0.5, "tool_m": 0.2}, {"name": "two", "sex": "man", "percentile": 95, "at_m": [3, -6], "area_m": [[2, -7], [4, -7], [3, -5]]}]  # fmt: skip  # noqa: E501
    tests = [{"what": "ladder", "name": "7", "on": "May", "result": "held", "by": BY, "leakage_uA": 60.0,
              "at_kV": 130.0}]  # fmt: skip
    bay = {
        "circuits": [*TWO, {"name": "old", "phases": ["A2", "B2"], "nominal_kV": 110, "state": "dead, not earthed"}],
        "rule": ["osha-1910.269", "iec-61472"], "altitude_m": 140, "frequency_Hz": 50, "notes": ["for the tests"],
        "rule_inputs": {"k_f": 0.9, "ergonomic_m": 0.5, "k_a": 0.98, "employer_basis": "rules", "employer_by": BY},
        "origin": {"easting_m": 0.5, "northing_m": 0.5, "height_m": 0.0, "epsg": 25832, "vertical": "DHHN2016"},
        "ground": {"kind": "level", "height_m": 0.0, "extent_m": 60, "uncertainty_m": 0.02},
        "structures": structures, "solids": solids, "clouds": [cloud], "ladder": LADDER,
        "track": TRACK, "crew": crew, "workers": None, "stages": [looks, walks, looks_on],
        "statements": [{"kind": "restrained reach", "person": "one", "arms": "down", **SAID}],
        "vehicles": [{"name": "truck", "centre_m": [12, -8, 1.5], "size_m": [7, 2.5, 3], "heading_deg": 5,
                      "radius_m": 0.5}],
        "insulators": [{"name": "post", "from_m": [0, 20, 2.5], "to_m": [0, 20, 5], "insulating_m": 2.1,
                        "diameter_m": 0.3}],
    }  # fmt: skip
    aloft = {
        "circuits": TWO, "solids": [FAR_A, FAR_B], "ladder": ladder, "workers": [worker, second],
        "crew": [{"name": "waits", "stature_m": 1.8, "at_m": [3, -6], "radius_m": 0.5, "worker": "second"}],
        "track": {**TRACK, "fit_m": 0.05, "settlement_m": 0.02}, "ropes": [rope, other, line], "tests": tests,
        "tools": [{"name": name, "line": "guy", "radius_m": size, "swing_m": 0.3, "note": "a bag"}
                  for name, size in (("bag", 0.2), ("can", 0.1))],
        "stages": [work, rides, climbs],
        "statements": [{"kind": "insulating", "body": name, **SAID} for name in ("guy", "line")],
    }  # fmt: skip
    lift = {
        "name": "lift", "base_m": [1.0, 2.0], "chassis_m": [6, 2.4, 1.8], "chassis_deg": 10, "turret_m": 2.0,
        "boom_m": 5.0, "boom_radius_m": 0.1, "extend_m": [2.0, 6.0], "raise_deg": [-10, 75], "insulating_m": 3.0,
        "tip_m": 0.3, "wet_or_dirty_m": 0.2, "platform_m": [1.2, 0.8, 1.0], "ahead_m": 0.8, "drop_m": 0.9,
        "room_m": 0.1, "bending_m": 0.1, "insulation_basis": "tested",
    }  # fmt: skip
    aerial = {"name": "up", "kind": "climb", "turret_deg": 90, "boom_deg": 60, "extend_m": 4.0, "posture": "standing"}
    hung = {"kind": "span", "name": "wire A", "phase": "A", "from_m": [-30, 0, 10], "to_m": [30, 4, 11], "sag_m": 1.6,
            "diameter_m": 0.03, "uncertainty_m": 0.04,
            "bundle": {"count": 2, "spacing_m": 0.4, "arrangement": "horizontal pair"}}  # fmt: skip
    beside = {**hung, "name": "wire C", "from_m": [-30, 1, 10], "bundle": {"count": 2, "spacing_m": 0.4}}
    third = {**beside, "name": "wire D", "from_m": [-30, 2, 10]}
    moved = [{"wire": "wire A", "movement_m": 0.3, "basis": "estimate"}]
    moved += [{"wire": "wire C", "movement_m": 0.3, "basis": "estimate"}]
    hanging = {**STAGE, "travel_m": [20, 24], "climb_m": [2, 3], "disturbed": moved, "lean_along_deg": [-5, 5]}
    own = {"name": "Bay 27", "kind": "ACSR", "diameter_m": 0.0281, "weight_N_m": 15.97, "rated_strength_kN": 140.0,
           "outer": 26, "outer_strand_m": 0.00444, "core": 7, "core_strand_m": 0.00345, "outer_area_mm2": 402.8,
           "core_area_mm2": 65.4, "modulus_GPa": 74.0, "expansion_per_degC": 18.9e-6,
           "resistance_ohm_km": [0.0728, 0.0870], "source": "maker"}  # fmt: skip
    weather = {"air_C": [5, 25], "wind_m_s": [0, 8], "wind_from_deg": [250, 300], "gust_factor": 1.3,
               "current_A": [100, 400], "sun_W_m2": [0, 900], "basis": "forecast", "ice_m": [0, 0.004],
               "ice_kg_m3": 700}  # fmt: skip
    spans = [
        {"kind": "span", "name": "bus A", "phase": "A", "from_m": [-25, 8, 12], "to_m": [25, 8, 12], "sag_m": 1.2,
         "weight_N_m": 15.97, "diameter_m": 0.0281, "conductor": "Bay 27", "uncertainty_m": 0.03,
         "known": {"conductor_C": 10, "basis": "survey"}, "from_string": STRAIN, "to_string": STRAIN,
         "checks": [{"sag_m": 1.3, "at_C": 30, "by": "team"}], "ice_m": [0, 0.006]},
        {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": "bus A @ 30", "to_m": [5, 8, 5], "length_m": 6.5,
         "weight_N_m": 15.97, "diameter_m": 0.0281, "conductor": "Drake", "ice_m": [0, 0.005]},
        {"kind": "span", "name": "shield", "potential": "earth", "insulated": True, "from_m": [-25, 9, 18],
         "to_m": [25, 9, 18], "catenary_constant_m": 900, **DRAKE, "conductor": "Bay 27",
         "known": {"conductor_C": 10, "basis": "survey"}},
    ]  # fmt: skip
    heated = {k: v for k, v in weather.items() if k not in ("current_A", "ice_m", "sun_W_m2")}
    heated |= {"conductor_C": [0, 60], "ice_weight_N_m": [0, 3]}
    stranded = ("outer_area_mm2", "core_area_mm2", "modulus_GPa", "expansion_per_degC", "resistance_ohm_km")
    stranded_own = {key: value for key, value in own.items() if key not in stranded}
    no_ice = [{key: value for key, value in span.items() if key != "ice_m"} for span in spans]
    bare = {key: value for key, value in own.items() if key not in ("outer", "outer_strand_m", "core", "core_strand_m")}
    loaded = {"kind": "span", "name": "bus A", "phase": "A", "from_m": [-30, 8, 12], "to_m": [30, 8, 12], **DRAKE,
              "horizontal_tension_kN": 8.0, "from_string": STRAIN, "to_string": STRAIN,
              "loads": [{"what": "spacer", "at_m": 20.0, "weight_kN": 0.2, "when_stated": "on", "basis": "maker"},
                        {"wire": "dropper", "when_stated": "on"}]}  # fmt: skip
    drops = {"kind": "jumper", "name": "dropper", "phase": "A", "from_m": "bus A @ 40", "to_m": [11, 8, 5],
             "length_m": 7.5, "diameter_m": 0.0281, "weight_N_m": 15.97}  # fmt: skip
    more = {**drops, "name": "other dropper", "from_m": "bus A @ 10", "to_m": [-19, 8, 5]}
    man = {"what": "man", "at_m": 15.0, "weight_kN": 1.0, "basis": "weighed"}
    cart = {"what": "cart", "at_m": 25.0, "weight_kN": 0.9, "basis": "weighed"}
    shifts = [{"name": name, "kind": "work", **ALONE, "anew": True,
               "disturbed": [{"wire": "bus A", "carries": [cart], **change}]}
              for name, change in (("on", {"puts_on": [man]}), ("off", {"takes_off": ["spacer"]}))]  # fmt: skip
    empty: dict[str, Any] = {"ladder": None, "track": None, "workers": None}
    found = {
        "ladder": aloft,
        "bay": bay,
        "plain": {"circuits": TWO, "solids": [FAR_A, FAR_B], "rule": ["osha-1910.269"]},
        "tail": {**empty, "circuits": TWO, "frequency_Hz": 50, "solids": [FAR_B, stand, mast, trap], "crew": crew[:1],
                 "wires": [tail, second_tail, lead, taut],
                 "statements": [{"kind": "insulating", "body": "tail rope", **SAID}],
                 "stages": [opens, lowers, parked, lifted, aside, there]},
        "by hand": {"circuits": TWO, "solids": [FAR_B, stand, mast], "wires": [tail], "stages": [by_hand]},
        "device": {**empty, "circuits": [{**TWO[0], "highest_kV": None, "highest_basis": None}],
                   "solids": [FAR_A, FAR_B], "workers": [WORKER], "aerial_device": lift,
                   "stages": [aerial]},
        "hung": {"circuits": TWO, "wires": [hung, beside, third], "solids": [FAR_B], "track": None, "stages": [hanging],
                 "ladder": {**LADDER, "hangs_on": "wire A", "heading_deg": 30, "length_m": 7.5, "insulating_to_m": 7.5}},  # noqa: E501
        "weather": {**empty, "circuits": TWO, "solids": [FAR_B], "wires": spans, "weather": weather,
                    "conductors": [bare], "stages": [{"name": "look", "kind": "work", **ALONE}]},
        "heated": {**empty, "circuits": TWO, "solids": [FAR_B], "wires": no_ice, "weather": heated,
                   "conductors": [stranded_own], "stages": [{"name": "look", "kind": "work", **ALONE}]},
        "loads": {**empty, "circuits": TWO, "solids": [FAR_B], "wires": [loaded, drops, more], "stages": shifts},
    }  # fmt: skip
    crates = [{"kind": "box", "name": name, "centre_m": [9, y, 1], "size_m": [1, 1, 1]}
              for name, y in (("crate", 3), ("keg", 7))]  # fmt: skip
    found["comes and goes"] = {**empty, "circuits": TWO, "solids": [FAR_A, FAR_B, *crates], "stages": [
        {"name": "look", "kind": "work", **ALONE}, {"name": "bring", "kind": "bring", "bodies": ["crate"], **ALONE},
        {"name": "wait", "kind": "work", **ALONE},
        {"name": "help", "kind": "work", "rescue": "wait", "rope_m": 5, **ALONE},
    ]}  # fmt: skip
    found["put right"] = {**empty, "circuits": TWO, "solids": [FAR_B], "wires": [hung], "stages": [
        {"name": "pull", "kind": "work", "disturbed": moved[:1], **ALONE},
        {"name": "let go", "kind": "work", "disturbed": moved[:1], "restores": ["wire A"], **ALONE},
        {"name": "look", "kind": "work", **ALONE},
    ]}  # fmt: skip
    found["far up"] = {"circuits": TWO, "solids": [FAR_A, FAR_B], "altitude_m": 140, "stages": [{**STAGE, "climb_m": None, "posture": None, "workers": []}],  # noqa: E501
                       "origin": {"height_m": 3900.0, "vertical": "dam datum"}}  # fmt: skip
    grounds = {
        "plane": {"kind": "plane", "through_m": [0, 0, 0.1], "slope_deg": 3, "uncertainty_m": 0.1, "uphill_deg": 40, "extent_m": 60},  # noqa: E501
        "grid": {"kind": "grid", "heights_m": [[0, 0, 0], [0, 0.5, 0], [0, 0, 0]], "corner_m": [-50, -50],
                 "spacing_m": 50, "uncertainty_m": 0.05},
        "grid file": {"kind": "grid", "file": "heights.csv", "corner_m": [-50, -50], "spacing_m": 50},
        "points": {"kind": "points", "file": "scan.las", "classes": [2], "uncertainty_m": 0.1},
        "mesh": {"kind": "mesh", "file": "plate.stl", "units": "m", "uncertainty_m": 0.1},
    }  # fmt: skip
    for name, ground in grounds.items():
        found[f"ground as {name}"] = {"circuits": TWO, "solids": [FAR_A, FAR_B], "ground": ground,
                                      "stages": [{**STAGE, "workers": [], "climb_m": None, "posture": None}]}  # fmt: skip  # noqa: E501
    return found


def read(folder: Path, table: Mapping[str, Any]) -> Scene:
    """A table as a scene, in the folder of its files."""
    path = folder / f"{hashlib.sha256(repr(table).encode()).hexdigest()[:12]}.toml"
    path.write_text(text(**table))
    try:
        return read_scene(path)
    finally:
        path.unlink()


def digest(prepared: Prepared) -> str:
    """Bodies, question and limits of a scene: all that its verdicts are found from."""
    site, scene = prepared.site, prepared.site.scene
    bench = Bench(site, None, 0.01)  # type: ignore[arg-type]  # nothing is swept here
    found: list[Any] = [site.bodies, site.strings, site.live, site.ground.shape]
    # A wire that comes off may be at a potential of its own, which has its name.
    potentials = [*site.live, EARTH, *(wire.name for wire in scene.wires if wire.release is not None)]
    for one in site.live:
        for other in potentials:
            if other != one:
                for kind in ("air", "tool", "object"):
                    required = required_between(scene, site.circuit_of, one, other, kind)
                    found.append((required.limit_m, required.electrical_m, required.assumed_m))
    for stage, settings in zip(scene.stages, prepared.stages, strict=True):
        found += [opening.kept_away(site, stage), opening.drop_zones(site, stage), whip.whips(site, stage)]
        found += [parting.opened(site, wire) for wire in stage.released if parting.opens(stage)]
        found += [
            parting.open_points(site, stage, [setting.parting for setting in settings]),
            tail_ropes.open_points(site, stage),
        ]
        found += [(one.left_m, one.required_m) for one in insulation.sticks(site, stage)]
        for setting in settings:
            there = insulators.insulators(site, stage, setting)
            found += [there.members, there.touches, sorted(there.judged), sorted(there.ropes.items())]
            asked = questions(bench, stage, setting)
            found += [setting.bodies, setting.motion, setting.box, setting.rated, setting.touching, asked]
            found.append(toppling.topplings(site, stage, setting))
    total = hashlib.sha256()
    _feed(total, found, {})
    return total.hexdigest()


PLAIN = {str, float, int, bool, type(None)}


def _feed(total: Any, value: Any, known: dict[int, tuple[Any, bytes]]) -> None:
    """A value into a hash: arrays by their bytes, sets in order, notes left out. What many stages share is hashed once:
    `known` holds the records met so far by their identity, and keeps them alive meanwhile."""
    if type(value) in PLAIN:  # most of what there is, and asked first as the questions below take their time
        total.update(repr(value).encode() + b";")
    elif isinstance(value, np.ndarray):
        total.update(np.ascontiguousarray(value).tobytes())
    elif is_dataclass(value):
        if id(value) not in known:
            own = hashlib.sha256()
            for one in fields(value):
                if one.name not in ("note", "notes", "steps"):
                    _feed(own, getattr(value, one.name), known)
            known[id(value)] = value, own.digest()
        total.update(known[id(value)][1])
    elif isinstance(value, Mapping):
        for key in value:
            _feed(total, (key, value[key]), known)
    elif isinstance(value, frozenset | set):
        _feed(total, sorted(map(repr, (sorted(one) if isinstance(one, frozenset) else one for one in value))), known)
    elif isinstance(value, list | tuple) or hasattr(value, "__next__"):
        total.update(b"[")
        for one in value:
            _feed(total, one, known)
    else:
        total.update(repr(value).encode() + b";")


def judged(folder: Path, table: Mapping[str, Any]) -> str:
    """The digest of a table; raises InputError for one that is refused."""
    return digest(prepare(read(folder, table)))


def changed(value: Any, place: tuple[str | int, ...], made: Any) -> Any:
    """A table with another value at a place; None takes the key out."""
    if not place:
        return made
    first, *rest = place
    if isinstance(value, dict):
        return {**value, first: changed(value[first], tuple(rest), made)}
    return [changed(item, tuple(rest), made) if number == first else item for number, item in enumerate(value)]


def others(annotation: Any, value: Any) -> Iterator[Any]:
    """Other values that a key might have, the least change first; None is the key left out."""
    words = [word for part in _literals(annotation) for word in get_args(part)]
    yield from (word for word in words if word != value)
    if isinstance(value, bool):
        yield not value
    elif isinstance(value, int | float):
        yield from (value + 1, value - 1, value * 1.03, value * 0.97, value + 0.05)
    elif isinstance(value, list) and value and all(isinstance(one, int | float) for one in value):
        for k in reversed(range(len(value))):
            yield from ([*value[:k], value[k] + by, *value[k + 1 :]] for by in (0.1, -0.1, 1))
    elif isinstance(value, list) and len(value) > 1:
        yield value[:-1]
        yield value[1:]
    yield None


def _literals(annotation: Any) -> Iterator[Any]:
    if get_origin(annotation) is Literal:
        yield annotation
    for part in get_args(annotation):
        yield from _literals(part)
