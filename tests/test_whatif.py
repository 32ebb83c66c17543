"""What would have to change: borders worked out by hand, each proved, the step before it refuted; orders of a job."""

from __future__ import annotations

import json

import pytest
import small_scenes as small
from test_briefing import BOND, CLIMB, PARTS
from test_job_templates import CLIMB as HEIGHTS
from test_job_templates import A, B, job, read
from typer.testing import CliRunner

from clearance import whatif
from clearance.bodies import worker
from clearance.cli import app
from clearance.errors import InputError
from clearance.job import templates
from clearance.permitted import proved
from clearance.pipeline import check, check_prepared, prepare
from clearance.result import least_margin
from clearance.rules import required
from clearance.scene.records import Range
from clearance.verdict import worst


def asked(**parts):
    prepared = prepare(small.scene(**{**PARTS, **parts}))
    return prepared, whatif.changes(prepared, check_prepared(prepared, 0.002, withdraw=False), 0.002)


@pytest.fixture(scope="module")
def near_wall():
    """Bonded at A beneath the plate; the ladder may stand up to 10.4 m, and the wall's face is at 11.9 m."""
    return asked(stages=[{**BOND, "travel_m": [1.0, 10.4], "climb_m": [4.6, 4.8]}])


def change(found, parameter, end=""):
    (stage,) = found
    (one,) = [c for c in stage.changes if c.parameter == parameter and end in c.what]
    return one


def test_travel_alone_is_drawn_in_to_where_the_worker_has_the_limit(near_wall):
    _, found = near_wall
    one = change(found, "travel_m", "upper")
    assert one.now == (1.0, 10.4)
    # What reaches furthest toward the wall, against the electrical part: a hand with suit and lean, about the shoulder
    # joint; its distance from the ladder's line is that of the reach envelope along y.
    electrical = required("osha-1910.269", "phase-earth", gap="tool", voltage_kV=220, highest_kV=245,
                          per_unit_overvoltage=2.5, inputs={"per_unit_basis": "study"}).electrical_m  # fmt: skip
    reach = worker.reach_envelope(small.body(), 0.0)
    furthest = float((reach.vertices[:, :, 1].max(axis=1) + reach.radius + reach.uncertainty).max())
    assert one.needed[1] == pytest.approx(11.9 - electrical - furthest, abs=0.02)
    assert one.needed[0] == 1.0


def test_a_value_needed_is_proved_and_the_step_before_it_is_not_clear(near_wall):
    prepared, found = near_wall
    one = change(found, "travel_m", "upper")
    (stage,) = prepared.site.scene.stages
    at = stage.model_copy(update={"travel_m": Range(*one.needed)})
    assert proved(prepared, at, 0.002).verdict == one.verdict == "clear"
    beyond = stage.model_copy(update={"travel_m": Range(one.needed[0], one.needed[1] + 0.01)})
    assert proved(prepared, beyond, 0.002).verdict == one.beyond != "clear"


def test_what_cannot_make_it_clear_says_so(near_wall):
    _, found = near_wall
    assert change(found, "travel_m", "lower").needed is None  # raising the lower end only brings it nearer the wall
    assert change(found, "climb_m", "upper").needed is None
    assert change(found, "climb_m", "lower").verdict == "breach"


def test_a_lower_overvoltage_makes_it_clear_when_the_limit_meets_the_gap(near_wall):
    # The ladder 0.05 m nearer the wall than T = 2.5 allows: the gap stays, the limit falls with T until it meets it.
    top = change(near_wall[1], "travel_m", "upper").needed[1] + 0.05
    prepared, found = asked(stages=[{**BOND, "travel_m": [1.0, top]}])
    one = change(found, "overvoltage_per_unit")
    lowered = one.needed[0]
    assert 1.5 <= lowered < 2.5
    gaps = check_prepared(prepared, 0.002, withdraw=False).stages[0].gaps
    (tool,) = [gap for gap in gaps if gap.between == ("A", "earth") and gap.kind == "tool"]

    def limits(per_unit):
        found = required("osha-1910.269", "phase-earth", gap="tool", voltage_kV=220, highest_kV=245,
                         per_unit_overvoltage=per_unit, inputs={"per_unit_basis": "study"})  # fmt: skip
        return tool.posture.gap_lower_m >= found.limit_m, tool.reach.gap_lower_m >= found.electrical_m

    assert all(limits(lowered))
    assert not all(limits(lowered + 0.02))


def test_a_clear_scene_needs_no_change():
    _, found = asked(stages=[CLIMB])
    assert found == ()


def test_less_wind_makes_it_clear():
    # A wire swings toward an earthed fitting of the ladder; the hook is level with it, and 0.1 m or so further than the
    # limit from where it hangs at rest.
    wire = {"name": "bus A", "kind": "span", "phase": "A", "from_m": [-30, -3.0, 9.0], "to_m": [30, -3.0, 9.0],
            "sag_m": 1.5, "diameter_m": 0.0281, "conductor": "Drake",
            "known": {"conductor_C": 20, "basis": "survey"}}  # fmt: skip
    other = {**wire, "name": "bus B", "phase": "B", "from_m": [-30, -14.0, 9.0], "to_m": [30, -14.0, 9.0]}
    weather = {"air_C": [20, 20], "wind_m_s": [0, 12], "conductor_C": [20, 20], "basis": "made up"}
    fitting = {"name": "hook", "from_m": 7.4, "to_m": 7.5, "radius_m": 0.05, "potential": "earth"}
    stage = {"name": "move", "kind": "travel", "travel_m": [3.94, 3.96]}
    parts = {"wires": [wire, other], "solids": [], "weather": weather, "stages": [stage],
             "ladder": {**small.LADDER, "fittings": [fitting]}}  # fmt: skip
    _, found = asked(**parts)
    one = change(found, "wind_m_s")
    assert one.now == (0.0, 12.0)
    assert 0.0 < one.needed[1] < 12.0
    again = small.scene(**{**PARTS, **parts, "weather": {**weather, "wind_m_s": [0, one.needed[1]]}})
    assert [one.verdict for one in check(again, 0.002, withdraw=False).stages] == ["clear"]
    windy = small.scene(**{**PARTS, **parts, "weather": {**weather, "wind_m_s": [0, round(one.needed[1] + 0.1, 1)]}})
    assert check(windy, 0.002, withdraw=False).verdict != "clear"


TAKE_OFF = job("take off", **HEIGHTS, opening_distance_m=4.0, turns=f"[{A}, {B}]")


def test_orders_need_a_job_with_turns(tmp_path):
    with pytest.raises(InputError) as caught:
        whatif.orders(small.scene(**PARTS))
    assert "expected a job with several turns to reorder, found stages written out" in str(caught.value)


def test_an_order_moves_the_ladder_and_carries_what_is_off(tmp_path):
    scene = read(tmp_path, TAKE_OFF)
    found = templates.expanded(whatif.reordered(scene, ("dropper B", "dropper A"))).stages
    assert [stage.name for stage in found if stage.kind == "bond on"] == ["bond to B", "bond to A"]
    assert [stage.off for stage in found if stage.kind == "bond on"] == [(), ("dropper B",)]


@pytest.mark.slow
def test_every_order_has_the_verdict_and_margin_of_its_own_check(tmp_path):
    scene = read(tmp_path, TAKE_OFF)
    ways = whatif.orders(scene, 0.005)
    assert [way.wires for way in ways] == [("dropper A", "dropper B"), ("dropper B", "dropper A")]
    for way in ways:
        alone = check(whatif.reordered(scene, way.wires), 0.005, withdraw=False)
        margin, _ = least_margin([(stage.name, stage) for stage in alone.stages])
        # What is open of the job as a whole is open in every order: an order is as bad as its worst stage.
        assert way.verdict == worst([one.verdict for one in alone.stages])
        assert way.margin_m == pytest.approx(margin, abs=0.005)  # both bounds are to the tolerance
        assert (way.why == "") == (way.verdict == "clear")


@pytest.mark.slow
def test_an_order_that_does_not_hold_says_where(tmp_path):
    scene = read(tmp_path, TAKE_OFF.replace("opening_distance_m = 4.0", "opening_distance_m = 3.0"))
    ways = whatif.orders(scene, 0.01)
    assert [way.verdict for way in ways] == ["undecided", "breach"]
    # A breach is told before what is only open: B's rope hangs where the ladder goes on its way to A.
    assert "dropper A hung on it and goes, and nothing says how it springs" in ways[0].why
    assert ways[1].why == "move to A: ladder meets lowering rope B"


@pytest.mark.slow
def test_the_command_prints_what_it_proved(tmp_path):
    path = small.written(tmp_path, **{**PARTS, "stages": [{**BOND, "travel_m": [1.0, 10.4]}]})
    done = CliRunner().invoke(
        app, ["whatif", str(path), "--json", str(tmp_path / "found.json"), "--tolerance-m", "0.01"]
    )
    assert done.exit_code == 1, done.output
    (stage,) = json.loads((tmp_path / "found.json").read_text())["changes"]
    upper = next(c for c in stage["changes"] if c["what"] == "travel, its upper end")
    assert f"travel 1 to {upper['needed'][1]:g} m" in done.stdout
    assert "no value of it" in done.stdout
