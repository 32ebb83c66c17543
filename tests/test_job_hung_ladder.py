"""A ladder hung on a conductor: where its joints put it is where a pendulum on the wire is, and what it refuses."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid
from scipy.optimize import fsolve
from scipy.spatial.transform import Rotation
from small_scenes import CIRCUIT, LADDER, box, only, scene, stage

from clearance.conductor.catenary import nodes
from clearance.errors import InputError
from clearance.job import footing, site_gear
from clearance.motion import pose
from clearance.pipeline import prepare
from clearance.scene.assemble import place
from clearance.scene.records import Range, Reference

TWO = {**CIRCUIT, "phases": ["A", "B"]}
WIRE = {"kind": "span", "name": "wire A", "phase": "A", "from_m": [-30, 0, 10], "to_m": [30, 4, 11], "sag_m": 1.6,
        "diameter_m": 0.03, "uncertainty_m": 0.04,
        "from_string": {"kind": "strain", "length_m": 2.0, "insulating_m": 1.8, "diameter_m": 0.2, "units": 14},
        "to_string": {"kind": "strain", "length_m": 2.0, "insulating_m": 1.8, "diameter_m": 0.2, "units": 14},
        }  # fmt: skip
MOVED = [{"wire": "wire A", "movement_m": 0.3, "basis": "estimate"}]
HANGS = {
    **LADDER,
    "hangs_on": "wire A",
    "heading_deg": 30,
    "length_m": 7.5,
    "insulating_to_m": 7.5,
    "insulating_from_m": 0.4,
}


def parts(told=None, **changes):
    climb = {"kind": "climb", "travel_m": [20, 24], "climb_m": [2, 3], "disturbed": MOVED,
             "lean_along_deg": [-5, 5], "lean_across_deg": [-5, 5]}  # fmt: skip
    return {"circuits": [TWO], "wires": [WIRE], "ladder": HANGS, "track": None,
            "solids": [box("bus B", [0, 30, 9], [9, 0.2, 0.2], "B")], "stages": [stage(**{**climb, **(told or {})})],
            **changes}  # fmt: skip


def test_it_hangs_from_the_wire_and_swings_about_its_hooks():
    prepared = prepare(scene(**parts()))
    setting = prepared.stages[0][0]
    site = prepared.site
    curve = nodes(site.wires["wire A"].catenary, 1e-4).points
    along = np.array([60.0, 4.0]) / np.hypot(60, 4)
    stations = (curve[:, :2] - [-30, 0]) @ along
    uncertainty = next(float(b.shape.uncertainty.min()) for b in setting.bodies if b.name == "ladder")
    rng = np.random.default_rng(2)
    for _ in range(300):
        q = {name: rng.uniform(low, high) for name, (low, high) in setting.box.items()}
        hook = np.array([np.interp(q["travel_m"], stations, curve[:, k]) for k in range(3)])
        faces = Rotation.from_euler("z", 30, degrees=True)
        lean = Rotation.from_rotvec([0, q["lean_along_deg"], 0]) * Rotation.from_rotvec([q["lean_across_deg"], 0, 0])
        for link, at, up in (("ladder", [0.03, 0.2, 2.0], 2.0), ("worker", [0.4, 0.1, 1.5], q["climb_m"] + 1.5)):
            true = hook + faces.apply(lean.apply([at[0], at[1], up - 7.5]))
            rotation, translation = pose(setting.motion, link, q)
            assert np.linalg.norm(rotation @ np.array(at) + translation - true) <= uncertainty
    # The uncertainty holds the wire's own, what the weight on it does, and what chords of half a metre leave out of it.
    assert 0.34 < uncertainty < 0.36


def test_chords_leave_out_no_more_than_they_say():
    site = prepare(scene(**parts())).site
    knots, left_out = footing.wire_knots(site)
    curve = nodes(site.wires["wire A"].catenary, 1e-5).points
    along = np.array([60.0, 4.0]) / np.hypot(60, 4)
    stations = (curve[:, :2] - [-30, 0]) @ along
    kept = (stations >= knots[0, 0]) & (stations <= knots[-1, 0])
    chords = np.stack([np.interp(stations[kept], knots[:, 0], knots[:, 1 + k]) for k in range(3)], axis=1)
    apart = np.linalg.norm(chords - curve[kept], axis=1).max()
    assert kept.sum() > 10
    assert 0.0 < apart <= left_out - 0.04 + 1e-5
    assert left_out - 0.04 < 5 * apart + 1e-3


@pytest.mark.parametrize(("share", "least"), [(0.0, 0.0), (0.5, 0.98)])
def test_a_weight_between_two_stations_hangs_as_far_below_its_chord_as_chords_leave_out(share, least):
    """80 kg at 5 kN bend the wire by 0.157: half way along a chord of 0.5 m that is 0.0196 m below it, and what is left
    out is that and hardly more; under the end of a chord it is nothing, and so much is left out all the same."""
    laden = {"sag_m": None, "horizontal_tension_kN": 5.0, "conductor": "Drake", "diameter_m": 0.0281,
             "weight_N_m": 15.97}  # fmt: skip
    load = {"what": "clamp", "weight_kg": 80.0, "when_stated": "on", "basis": "weighed"}
    at = 21.0 + share * footing.WIRE_STEP_M
    site = prepare(scene(**parts(wires=[{**WIRE, **laden, "loads": [{**load, "at_m": at}]}]))).site
    knots, left_out = footing.wire_knots(site)
    assert np.abs(knots[:, 0] - 21.0).min() < 1e-9
    stations = np.linspace(knots[0, 0], knots[-1, 0], 401)
    heights = [place(site, site.scene.ladder, Reference("wire A", float(one)))[2] for one in stations]
    below = float((np.interp(stations, knots[:, 0], knots[:, 3]) - heights).max())
    bend = 80.0 * 9.80665 / 5000.0 * footing.WIRE_STEP_M / 4.0
    assert (below > 0.9 * bend) == (share > 0.0)
    assert max(below, 0.98 * bend) <= left_out - WIRE["uncertainty_m"] < 1.1 * bend
    assert least * (left_out - WIRE["uncertainty_m"]) <= below


def test_its_insulation_ends_where_the_wire_touches_it():
    found = only(**parts({"travel_m": 22, "lean_along_deg": 0, "lean_across_deg": 0}))
    ladder = next(one for one in found.insulation if one.body == "ladder")
    assert "'wire A' touches it" in " ".join(ladder.steps)
    # 7.5 m, less 0.4 m at its foot, less what the climber shorts (about 2 m), less a piece of its hull and uncertainty.
    shorted = next(step for step in ladder.steps if "shorts" in step)
    length = float(shorted.split()[1])
    assert 7.5 - 0.4 - length - 1.3 < ladder.left_m < 7.5 - 0.4 - length


@pytest.mark.parametrize("near", [True, False])
def test_hands_of_those_below_reach_up_a_ladder_that_hangs(near):
    crew = [{"name": "helper", "stature_m": 1.8, "at_m": [-8, 2 if near else 9]}]
    found = only(**parts({"travel_m": 22, "lean_along_deg": 0, "lean_across_deg": 0}, crew=crew))
    ladder = next(one for one in found.insulation if one.body == "ladder")
    assert ("hands of 'helper'" in ladder.steps[0]) == near


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"ladder": {**HANGS, "hangs_on": "wire Q"}}, "hangs_on: expected a wire of this scene, found \"wire Q\""),
        ({"track": {"points_m": [[0, -5], [0, 5]], "heading_deg": 0}}, "a ladder on a track or on a wire, found both"),
        ({"ladder": {**HANGS, "tilt_deg": 3}}, "tilt_deg: expected no tilt of a ladder that hangs, found 3 deg"),
        ({"ladder": {**HANGS, "heading_deg": None}}, "heading_deg: expected the way the climber faces, found nothing"),
        ({"ladder": {**LADDER, "heading_deg": 3}}, "expected a heading of a ladder that hangs, found 3 deg and no"),
        ({"told": {"disturbed": []}}, "disturbed: expected how far the weight on it moves \"wire A\", found nothing"),
        ({"told": {"travel_m": [1, 3]}}, "travel_m: expected stations on the wire, 2"),
    ],
)  # fmt: skip
def test_what_it_refuses(changes, said):
    with pytest.raises(InputError, match="expected") as caught:
        prepare(scene(**parts(**changes)))
    assert said in str(caught.value)


def rod_lowered_m(span, rise, constant, unit, area, elastic, weight, station):
    """How far a weight lowers an elastic rope between fixed ends, by integrating its statics and shooting at its end.

    Source: the elastic catenary, dx/ds = H / T (1 + T / EA), dz/ds = V / T (1 + T / EA), of any textbook of cables.
    """

    def shape(tension, shear, at, length, load):
        s = np.concatenate([np.linspace(0.0, at, 4001)[:-1], np.linspace(at, length, 4001)])
        v = shear + unit * s + np.where(s > at, load, 0.0)
        pull = np.hypot(tension, v)
        grown = 1.0 + pull / (elastic * area)
        return s, *(cumulative_trapezoid(part / pull * grown, s, initial=0.0) for part in (tension, v))

    def bare(unknown):
        _, x, z = shape(unit * constant, 1e3 * unknown[0], 0.5 * unknown[1], unknown[1], 0.0)
        return [x[-1] - span, z[-1] - rise]

    shear, length = fsolve(bare, [-unit * span / 2e3, span], xtol=1e-12)
    _, x0, z0 = shape(unit * constant, 1e3 * shear, 0.5 * length, length, 0.0)

    def laden(unknown):
        s, x, z = shape(1e3 * unknown[0], 1e3 * unknown[1], unknown[2], length, weight)
        return [x[-1] - span, z[-1] - rise, np.interp(unknown[2], s, x) - station]

    tension, shear, at = fsolve(laden, [1.3e-3 * unit * constant, shear - weight / 2e3, station], xtol=1e-12)
    s, _, z = shape(1e3 * tension, 1e3 * shear, at, length, weight)
    return float(np.interp(station, x0, z0) - np.interp(at, s, z))


@pytest.mark.parametrize("heavy", [False, True])
def test_a_wire_is_asked_about_that_moves_less_than_the_least_the_weight_moves_it(heavy):
    """The least is that of a rod of steel, worked out by shooting; one of aluminium is lowered further."""
    weight, area = 20.0 * 7.5 + 600.0, np.pi / 4 * 0.03**2
    wire = {**WIRE, "weight_N_m": 13.0} if heavy else WIRE
    site = prepare(scene(**parts(wires=[wire]))).site
    held = site.wires["wire A"].catenary
    unit = 13.0 if heavy else 9000.0 * 9.80665 * area
    shot = [rod_lowered_m(held.span_m, held.rise_m, held.constant_m, unit, area, e, weight, 24.0 - 2.0)
            for e in (210e9, 60e9)]  # fmt: skip
    assert site_gear._least_move_m(site, "wire A", weight, Range(24, 24)) == pytest.approx(shot[0], rel=0.02)
    assert shot[1] > 1.05 * shot[0]
    least = site_gear._least_move_m(site, "wire A", weight, Range(20, 24))
    assert least > shot[0]  # nearer to an end the wire is less of a line already

    def told(movement, *said):
        moved = [{**MOVED[0], "movement_m": movement}]
        made = scene(**parts({"disturbed": moved}, wires=[wire], statements=list(said)))
        return [one for one in site_gear.of_gear(prepare(made).site) if "moves it" in one.what]

    assert not told(least + 0.005)
    (point,) = told(least - 0.005)
    assert f"{least:.2f} m" in point.what
    said = {"kind": "confirmed", "entry": "stage", "field": "disturbed 1.movement_m", "value": least - 0.005,
            "doubt": "moves too little"}  # fmt: skip
    assert not told(least - 0.005, said)
    assert told(least - 0.005, {**said, "doubt": "put there"})
