"""The law of the sweep: lower <= every value in the box, the value at `at` is the upper bound, on random scenes and
motions."""

from __future__ import annotations

import numpy as np
import pytest
import reference
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from random_scenes import samples, scenes

from clearance.engine import _question, build_engine, compile_setting, enclose
from clearance.kernel import sweep

BUDGET = 2500
TINY = 1e-9
"""[m] Rounding of the reference itself (coordinates are under 100 m, pseudo-inverses lose some digits)."""

quick = settings(max_examples=50, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
many = settings(max_examples=600, deadline=None, suppress_health_check=list(HealthCheck))


def check_enclosed(scene, tolerance=0.003, count=12):
    engine = build_engine([scene.setting])
    compiled = compile_setting(engine, scene.setting)
    found = enclose(engine, compiled, scene.paths, tolerance_m=tolerance, budget=BUDGET)

    for q in samples(scene.setting.box, count, 0):
        assert reference.value(scene.setting, scene.paths, q) >= found.lower_m - TINY, q
    assert found.lower_m <= found.upper_m
    if np.isfinite(found.upper_m):
        at = found.at
        assert all(low <= at[name] <= high for name, (low, high) in scene.setting.box.items())
        assert reference.value(scene.setting, scene.paths, at) <= found.upper_m + TINY
        assert reference.value(scene.setting, scene.paths, at) >= found.lower_m - TINY
    assert found.outcome in ("enclosed", "exhausted")
    if found.outcome == "enclosed":
        assert found.upper_m - found.lower_m <= tolerance
    return found


@quick
@given(scenes())
def test_the_least_value_lies_between_its_bounds(scene):
    check_enclosed(scene)


@quick
@given(scenes(dense=True))
def test_the_least_value_lies_between_its_bounds_among_clouds(scene):
    check_enclosed(scene, count=8)


@pytest.mark.slow
@many
@given(scenes(dense=True))
def test_the_least_value_lies_between_its_bounds_among_many_clouds(scene):
    check_enclosed(scene, count=8)


@pytest.mark.slow
@many
@given(scenes(most_parameters=4))
def test_the_least_value_lies_between_its_bounds_on_many_scenes(scene):
    check_enclosed(scene, count=8)


def check_target(scene, share):
    engine = build_engine([scene.setting])
    compiled = compile_setting(engine, scene.setting)
    found = enclose(engine, compiled, scene.paths, tolerance_m=0.02, budget=BUDGET)
    target = found.upper_m + share
    judged = enclose(engine, compiled, scene.paths, tolerance_m=1e-6, target_m=target, budget=BUDGET)

    if judged.outcome == "passed":
        assert judged.upper_m < target
        assert found.lower_m < target
        assert reference.value(scene.setting, scene.paths, judged.at) <= judged.upper_m + TINY
    if judged.outcome == "reached":
        assert judged.lower_m >= target
        assert found.upper_m >= target
    assert judged.lower_m <= found.upper_m + TINY
    if found.outcome == "enclosed" and share > 0.021:
        assert judged.outcome == "passed"


@quick
@given(scenes(), st.sampled_from([-0.5, -0.05, -0.01, 0.0, 0.01, 0.03, 0.5]))
def test_a_verdict_agrees_with_the_enclosure(scene, share):
    check_target(scene, share)


@pytest.mark.slow
@many
@given(scenes(most_parameters=4), st.sampled_from([-0.5, -0.05, -0.01, 0.0, 0.01, 0.03, 0.5]))
def test_a_verdict_agrees_with_the_enclosure_on_many_scenes(scene, share):
    check_target(scene, share)


def check_exhausted(scene, budget):
    engine = build_engine([scene.setting])
    compiled = compile_setting(engine, scene.setting)
    found = enclose(engine, compiled, scene.paths, tolerance_m=1e-4, budget=budget)

    assert found.outcome in ("enclosed", "exhausted")
    for q in samples(scene.setting.box, 6, 1):
        assert reference.value(scene.setting, scene.paths, q) >= found.lower_m - TINY
    if np.isfinite(found.upper_m):
        assert reference.value(scene.setting, scene.paths, found.at) <= found.upper_m + TINY


@quick
@given(st.one_of(scenes(), scenes(dense=True)), st.sampled_from([1, 7, 60]))
def test_an_exhausted_budget_leaves_a_valid_enclosure(scene, budget):
    check_exhausted(scene, budget)


@pytest.mark.slow
@many
@given(st.one_of(scenes(), scenes(dense=True)), st.sampled_from([1, 7, 60]))
def test_an_exhausted_budget_leaves_a_valid_enclosure_on_many_scenes(scene, budget):
    check_exhausted(scene, budget)


@settings(quick, max_examples=25)
@given(st.one_of(scenes(), scenes(dense=True)))
def test_the_number_of_threads_changes_no_bit(scene):
    engine = build_engine([scene.setting])
    compiled = compile_setting(engine, scene.setting)
    question = _question(engine, compiled, scene.paths)
    found = [
        sweep.least(
            question,
            engine.store,
            compiled.moving,
            compiled.chain,
            compiled.low,
            compiled.high,
            tolerance=1e-3,
            budget=BUDGET,
            threads=threads,
        )
        for threads in (1, 2, 3)
    ]

    for other in found[1:]:
        assert (other.lower, other.upper, other.boxes, other.outcome) == (
            found[0].lower,
            found[0].upper,
            found[0].boxes,
            found[0].outcome,
        )
        assert other.at.tobytes() == found[0].at.tobytes()
        assert other.pairs.tobytes() == found[0].pairs.tobytes()
