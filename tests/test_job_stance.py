"""On a ladder that is tilted somebody stands anywhere between upright and along it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from small_scenes import LADDER, scene, slab, stage

from clearance.job.rig import HANGS_DEG, UPRIGHT_DEG, stance
from clearance.motion import placed
from clearance.pipeline import prepare
from clearance.shapes import points

TWO = {"solids": [slab("bus A", bottom_m=30.0), slab("bus B", bottom_m=40.0, potential="B")]}


def setting_of(tilt=0.0, **told):
    (setting, *_) = prepare(scene(**TWO, ladder={**LADDER, "tilt_deg": tilt}, stages=[stage(**told)])).stages[0]
    return setting


def worker_of(setting):
    (found,) = [body for body in setting.bodies if body.kind == "worker"]
    return found


@pytest.mark.parametrize(
    ("tilt", "told", "span"),
    [
        (0.0, {}, (0.0, 0.0)),
        (10.0, {}, (-10.0, 0.0)),
        (-10.0, {"lean_along_deg": [-1, 1]}, (0.0, 11.0)),
        (0.0, {"lean_along_deg": [-UPRIGHT_DEG + 0.1, 0]}, (0.0, 0.0)),
        (0.0, {"lean_along_deg": [-UPRIGHT_DEG - 1, 0]}, (0.0, UPRIGHT_DEG + 1)),
        (UPRIGHT_DEG - 1, {}, (1 - UPRIGHT_DEG, 1 - UPRIGHT_DEG)),
        (HANGS_DEG + 1, {}, (-HANGS_DEG - 1, -HANGS_DEG - 1)),
    ],
)
def test_from_upright_to_along_the_ladder(tilt, told, span):
    site = prepare(scene(**TWO, ladder={**LADDER, "tilt_deg": tilt}, stages=[stage(**told)])).site
    middle, more = stance(site, site.scene.stages[0])
    assert np.degrees((middle - more, middle + more)) == pytest.approx(span, abs=1e-9)


@pytest.mark.parametrize("tilt", [12.0, -12.0, 25.0])
def test_the_body_upright_and_the_body_along_the_ladder_are_within_what_is_judged(tilt):
    """Turned about the feet by the tilt and back: every corner of every part, with the part's own thickness."""
    setting, plain = setting_of(tilt), worker_of(setting_of()).shape
    judged = worker_of(setting)
    q = {name: 0.5 * (low + high) for name, (low, high) in setting.box.items()}
    there = placed(judged.shape, setting.motion, judged.link, q)
    feet = placed(points([[0.0, 0.0, 0.0]]), setting.motion, judged.link, q).vertices[0, 0]
    for angle in np.radians((0.0, 0.5 * tilt, tilt)):
        turn = np.array([[np.cos(angle), 0, np.sin(angle)], [0, 1, 0], [-np.sin(angle), 0, np.cos(angle)]])
        corners = plain.vertices @ turn.T + feet
        off = np.linalg.norm(corners - there.vertices, axis=2).max(axis=1)
        assert (off + plain.uncertainty <= there.uncertainty + 1e-9).all()
    assert there.uncertainty.max() < plain.uncertainty.max() + 2.1 * math.radians(abs(tilt)) / 2, "and little more"
