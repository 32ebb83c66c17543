"""A test whose result says that it failed does not count as a test: the scene is refused."""

from __future__ import annotations

import pytest
from small_scenes import scene

from clearance.errors import InputError

TEST = {"what": "ladder", "name": "L1", "on": "2026-11-01", "by": "the laboratory"}


@pytest.mark.parametrize("result", ["FAILED, do not use", "failure at 80 kV", "Fail"])
def test_a_failed_test_is_refused(result):
    with pytest.raises(InputError, match="test 'L1': result: expected a test that was passed, found"):
        scene(tests=[{**TEST, "result": result}])


@pytest.mark.parametrize("result", ["passed", "dry, undamaged"])
def test_a_passed_test_is_taken(result):
    assert scene(tests=[{**TEST, "result": result}]).tests[0].result == result
