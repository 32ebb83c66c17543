"""The job scene with its droppers connected again in the reverse order, for tests of what follows from what."""

from __future__ import annotations

import tempfile
from pathlib import Path

from clearance.job import templates
from clearance.scene.builtin import builtin_scene
from clearance.scene.reading import read_scene

JOB = builtin_scene("job_three_phases")
HEAD = """[[jobs]]
kind = "reconnect"
lean_along_deg = [-1.5, 1.5]
lean_across_deg = [-1.5, 1.5]
mount_m = [0.0, 1.0]
clear_m = 5.2
work_m = [5.8, 6.6]
bonding_lead_m = 1.7
opened = "by stick or rope"
opening_distance_m = 4.0
by = "rope crew west"
stick_m = 5.0
"""
TURN = """
[[jobs.turns]]
wire = "dropper {0}"
station_m = {1}
clamp_m = "east bus {0} @ 1.2"
opened_m = 2.75
lowered_m = 3.05
disturbed = [{{ wire = "east bus {0}", movement_m = 0.15, basis = "estimate" }}]
"""
STATIONS = {"C": "[10.9, 11.1]", "B": "[6.4, 6.6]", "A": "[1.9, 2.1]"}


def text() -> str:
    """The scene file."""
    told = JOB.read_text()
    start = told.index('[[jobs]]\nkind = "strike ladder"')
    turns = "".join(TURN.format(phase, at) for phase, at in STATIONS.items())
    return told[:start] + HEAD + turns + "\n" + told[start:].replace(STATIONS["C"], STATIONS["A"])


def job():
    """Its stages."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scene.toml"
        path.write_text(text())
        return templates.expanded(read_scene(path))
