"""On a ladder that is tilted somebody stands anywhere between upright and along it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from small_scenes import LADDER, scene, slab, stage

from clearance.job.rig import HANGS_DEG, UPRIGHT_DEG
from clearance.motion import placed
from clearance.pipeline import prepare

TWO = {"solids": [slab("bus A", bottom_m=30.0), slab("bus B", bottom_m=40.0, potential="B")]}


def box_of(tilt=0.0, **told):
    (setting, *_) = prepare(scene(**TWO, ladder={**LADDER, "tilt_deg": tilt}, stages=[stage(**told)])).stages[0]
    return setting.box


@pytest.mark.parametrize(
    ("tilt", "told", "span"),
    [
        (0.0, {}, None),
        (10.0, {}, (-10.0, 0.0)),
        (-10.0, {"lean_along_deg": [-1, 1]}, (0.0, 11.0)),
        (0.0, {"lean_along_deg": [-UPRIGHT_DEG + 0.1, 0]}, None),
        (0.0, {"lean_along_deg": [-UPRIGHT_DEG - 1, 0]}, (0.0, UPRIGHT_DEG + 1)),
        (HANGS_DEG + 1, {}, None),
        (10.0, {"workers": []}, None),
    ],
)
def test_from_upright_to_along_the_ladder(tilt, told, span):
    found = box_of(tilt, **told).get("stance_deg")
    assert (found is None) if span is None else found == pytest.approx(np.radians(span))


@pytest.mark.parametrize("tilt", [12.0, -12.0])
def test_the_head_comes_as_far_forward_as_the_ladder_leans(tilt):
    """Whatever is ahead of the ladder, or behind it, is nearer to a head that goes along with the ladder, or stays
    behind: both are in the range, and no nearer pose is between them than the furthest of both."""
    (setting, *_) = prepare(scene(**TWO, ladder={**LADDER, "tilt_deg": tilt}, stages=[stage()])).stages[0]
    (worker,) = [body for body in setting.bodies if body.kind == "worker"]
    q = {name: 0.5 * (low + high) for name, (low, high) in setting.box.items()}
    at = {}
    for stance in setting.box["stance_deg"]:
        shape = placed(worker.shape, setting.motion, worker.link, {**q, "stance_deg": stance})
        top = shape.vertices[:, :2].reshape(-1, 3)
        at[stance != 0.0] = top[np.argmax(top[:, 2])]
    upright, along = at[True], at[False]
    above = float(np.linalg.norm(upright - along)) / (2 * math.sin(math.radians(12.0) / 2))
    assert above == pytest.approx(math.hypot(1.62, 0.25), abs=0.15), "turned about the feet"
    assert (along[0] - upright[0]) * tilt > 0.0
