"""Every scene that ships has the verdict its header promises, and `clearance check` ends with the code of it.

Then what the headers of the companion at full overvoltage and of the steep span claim. The track near a column and the
measured span have tests of their own.
"""

from __future__ import annotations

import json

import pytest
from checked_scenes import LARGE, NAMES, changed, each, expected, path_of, prepared, result, scene, stage
from typer.testing import CliRunner

from clearance import pipeline
from clearance.cli import app
from clearance.cli.check import CODES, worst
from clearance.pipeline import check
from clearance.scene.records import Circuit, Range

runner = CliRunner()


def test_the_scenes_are_there():
    assert {
        "demo", "demo_full_overvoltage", "measured_span", "sloping_double_circuit", "track_near_column",
    } <= set(NAMES)  # fmt: skip


@pytest.mark.parametrize("name", each())
def test_a_scene_has_the_verdict_its_header_promises(name):
    assert result(name).verdict == expected(name)


@pytest.fixture
def checked_before(monkeypatch):
    """The command on what was checked already: reading, showing and codes are real, the sweep is not run again."""
    known = {scene(name).sha256: name for name in NAMES}
    monkeypatch.setattr(pipeline, "prepare", lambda given: prepared(known[given.sha256]))
    monkeypatch.setattr(
        pipeline, "check_prepared", lambda given, tolerance_m, progress: result(known[given.site.scene.sha256])
    )


@pytest.mark.parametrize("name", each())
def test_the_command_ends_with_the_code_of_the_verdict(checked_before, name):
    done = runner.invoke(app, ["check", str(path_of(name)), "-q"])
    assert done.exit_code == CODES[expected(name)], done.output


@pytest.mark.parametrize(
    "names",
    [[name for name in NAMES if name not in LARGE], pytest.param(NAMES, marks=pytest.mark.slow)],
    ids=["without the large ones", "all"],
)
def test_the_command_on_many_scenes_ends_with_the_worst_code(checked_before, tmp_path, names):
    file = tmp_path / "all.json"
    # One by one, in this process: in others they would all be checked again.
    alone = ["-q", "--workers", "1", "--json", str(file)]
    done = runner.invoke(app, ["check", *(str(path_of(name)) for name in names), *alone])
    assert done.exit_code == worst(CODES[expected(name)] for name in names) == 1
    found = {one["scene"]["name"]: one["verdict"] for one in json.loads(file.read_text())["results"]}
    assert found == {scene(name).name: expected(name) for name in names}
    assert "breach" in found.values()


# The companion of the demo at the rule's assumed overvoltage.


def test_the_companion_is_the_demo_s_bay():
    demo, companion = scene("demo"), scene("demo_full_overvoltage")
    same = ["rule", "altitude_m", "ground", "structures", "insulators", "solids", "ladder", "track", "workers"]
    for field in same:
        assert getattr(companion, field) == getattr(demo, field), field
    # The guides of what comes off, and the worker while not aloft, are the demonstration's alone.
    assert set(companion.crew) < set(demo.crew)
    assert companion.wires == tuple(wire.model_copy(update={"release": None}) for wire in demo.wires)
    (stated,), (assumed,) = demo.circuits, companion.circuits
    unstated = {"overvoltage_per_unit": None, "overvoltage_basis": None, "overvoltage_by": None}
    assert assumed == stated.model_copy(update=unstated)


def test_at_full_overvoltage_an_outstretched_arm_fails_while_bonding():
    """OSHA at 245 kV and 3.5 per unit: 2.82 m electrical between phases in air, 3.10 m with an object in the gap (the
    equations of Table R-3 without their ergonomic 0.31 m). The stated posture still holds; the reach does not."""
    found = result("demo_full_overvoltage")
    before = [one for one in found.stages if one.kind in ("step on", "climb")]
    assert before
    assert all(one.verdict == "clear" for one in before)
    bonding = stage(found, "bond to B")
    assert bonding.kind == "bond on"
    assert bonding.verdict == "breach"
    failed = [gap for gap in bonding.gaps if gap.verdict == "breach"]
    assert {(gap.between, gap.kind) for gap in failed} == {
        (("A", "B"), "air"), (("B", "C"), "air"), (("A", "B"), "object"), (("B", "C"), "object"),
    }  # fmt: skip
    for gap in failed:
        assert gap.posture.verdict == "clear"
        assert gap.reach.verdict == "breach"
        assert "3.5 per unit as the rule assumes" in gap.voltage
        assert gap.electrical_m == pytest.approx({"air": 2.82, "object": 3.10}[gap.kind], abs=0.01)
        assert "worker" in (*gap.reach.ends, *gap.reach.through)


def test_the_companion_holds_with_the_demo_s_overvoltage():
    stages = tuple(one.name for one in scene("demo_full_overvoltage").stages)
    circuits = scene("demo").circuits
    again = changed("demo_full_overvoltage", stages).model_copy(update={"circuits": circuits})
    assert check(again, withdraw=False).verdict == "clear"


# The steep span of two circuits.


def test_between_circuits_the_limit_is_that_of_the_higher_voltage_and_says_so():
    """Phase to phase at 245 kV and 3.5 per unit, OSHA: 3.13 m in air; at 123 kV it would be 1.4 m."""
    higher, lower = scene("sloping_double_circuit").circuits
    assert (higher.highest_kV, lower.highest_kV) == (245, 123)
    between = 0
    for one in result("sloping_double_circuit").stages:
        for gap in one.gaps:
            if gap.between[0] in higher.phases and gap.between[1] in lower.phases:
                between += 1
                assert "two circuits" in gap.voltage
                assert "245 kV" in gap.voltage
                assert gap.limit_m == pytest.approx(3.13 if gap.kind == "air" else 3.41, abs=0.01)
    assert between > 10


def test_the_ladder_stands_on_the_slope():
    """13 degrees along x: tan 13 = 0.23087."""
    site = prepared("sloping_double_circuit").site
    from clearance.job.rig import track_knots

    knots, misfit = track_knots(site)
    assert knots[:, 3] == pytest.approx(0.230868 * knots[:, 1], abs=1e-5)
    assert misfit < 1e-9


def test_nearer_to_the_tower_an_outstretched_arm_fails():
    margin = min(gap.reach.margin_lower_m for gap in stage(result("sloping_double_circuit"), "bond to C").gaps)
    assert 0.0 < margin < 0.5
    found = check(changed("sloping_double_circuit", ("bond to C",), travel_m=Range(1.6, 2.2)), withdraw=False)
    failed = [gap for gap in found.stages[0].gaps if gap.verdict == "breach"]
    assert {gap.between for gap in failed} == {("C", "earth")}
    assert all("lower tower" in (*gap.reach.ends, *gap.reach.through) for gap in failed)
    assert all(gap.reach.verdict == "breach" for gap in failed)


def test_a_higher_voltage_on_the_other_circuit_is_taken():
    """With 245 kV on the other circuit and 123 kV on the worker's own, gaps between them still take 245 kV."""
    higher, lower = scene("sloping_double_circuit").circuits

    def with_voltage(circuit: Circuit, of: Circuit) -> Circuit:
        return circuit.model_copy(update={"nominal_kV": of.nominal_kV, "highest_kV": of.highest_kV})

    swapped = changed("sloping_double_circuit", ("work at C",)).model_copy(
        update={"circuits": (with_voltage(higher, lower), with_voltage(lower, higher))}
    )
    gaps = {(gap.between, gap.kind): gap for gap in check(swapped, withdraw=False).stages[0].gaps}
    assert gaps[("C", "C2"), "air"].limit_m == pytest.approx(3.13, abs=0.01)
    assert "circuit mill line, highest 245 kV" in gaps[("C", "C2"), "air"].voltage
    assert gaps[("B", "C"), "air"].limit_m < 1.6
