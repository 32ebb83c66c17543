"""A short job for tests of pages: three stages of the demonstration at the overvoltage at which bonding is a breach."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from checked_scenes import once_a_run

from clearance.pipeline import Prepared, check_prepared, prepare
from clearance.result import Result
from clearance.scene.builtin import builtin_scene
from clearance.scene.reading import read_scene

STAGES = ("climb to A", "bond to A", "lower dropper A")


@dataclass(frozen=True, eq=False)
class Example:
    """A prepared scene and its result."""

    prepared: Prepared
    result: Result


@lru_cache(maxsize=1)
def example() -> Example:
    """The job, checked to 50 mm: a page shows what it is given, so how sharp the bounds are does not matter."""
    scene = read_scene(builtin_scene("demo"))
    circuit = scene.circuits[0].model_copy(update={"overvoltage_per_unit": 3.5})
    # The connection that opens before the lowering is left out, so the lowering begins afresh; and somebody stays aloft
    # meanwhile, so that a page has a wire that moves beside a worker who does. The carriage stands still then and leans
    # only along the track: the maps of this breach over all that the other stages sweep would take a minute.
    climb, bond, lower = (next(stage for stage in scene.stages if stage.name == name) for name in STAGES)
    keys = ("climb_m", "posture", "bonded", "bonding_lead_m", "clamp_m")
    still = {"travel_m": 2.0, "lean_across_deg": 0.0}
    aloft = {"anew": True, "workers": None, **still, **{key: getattr(bond, key) for key in keys}}
    stages = (climb, bond, lower.model_copy(update=aloft))
    said = tuple(entry for entry in scene.statements if not getattr(entry, "stages", None))
    prepared = prepare(scene.changed(asks="stages", stages=stages, circuits=(circuit,), statements=said))
    return Example(prepared, once_a_run("page example", lambda: check_prepared(prepared, 0.05)))
