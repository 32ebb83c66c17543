"""A law of jobs: the scene that `clearance expand` writes gives the same bytes as the scene with its jobs, but for
what it is called, its digest, and what is doubted, as a doubt names the entry that a number stands in."""

from __future__ import annotations

import json
from pathlib import Path
from unittest.mock import patch

from hypothesis import assume, note
from hypothesis import strategies as st
from judged_scenes import TOLERANCE_M, text
from law_scenes import Table, law, on_a_ladder, ranges

from clearance.errors import InputError
from clearance.job.written import written_out
from clearance.pipeline import check
from clearance.scene.reading import scene_of
from clearance.scene.writing import toml

CRATE = {"kind": "box", "name": "crate", "centre_m": [-5.0, 5.0, 0.6], "size_m": [0.8, 0.8, 0.8], "heading_deg": 15.0,
         "potential": "earth", "uncertainty_m": 0.03}  # fmt: skip


@st.composite
def with_jobs(draw: st.DrawFn) -> tuple[Table, list[Table]]:
    """A ladder that is set up, moved and struck, a crate that is brought, and a stage of one's own among them."""
    site = draw(on_a_ladder())
    for gone in ("ropes", "tests", "workers"):
        site.pop(gone, None)
    site["statements"] = [said for said in site["statements"] if said.get("person", "Ben") == "Ben"]
    site["statements"] = [said for said in site["statements"] if said.get("body") != "guy"]
    site["crew"] = [person for person in site["crew"] if person["name"] == "Ben"]
    site["solids"] = [*site.get("solids", ()), CRATE]
    leans = {"lean_along_deg": draw(ranges(-2.0, 1.0, 1.5)), "lean_across_deg": draw(ranges(-2.0, 1.0, 1.5))}
    here, there = draw(ranges(3.7, 4.0, 0.2)), draw(ranges(4.1, 4.5, 0.2))
    jobs: list[Table] = [{"kind": "set up ladder", "lean_along_deg": [-80.0, leans["lean_along_deg"][1]],
                          "lean_across_deg": leans["lean_across_deg"], "station_m": here}]  # fmt: skip
    middle: list[Table] = [
        {"kind": "move ladder", **leans, "station_m": there},
        {"kind": "bring", "name": "bring it", "bodies": ["crate"], **leans},
        {"kind": "written stages", "stages": ["the step"]},
    ]
    jobs += draw(st.permutations(middle))[: draw(st.integers(1, 3))]
    site["stages"] = [{"name": "the step", "kind": "travel", "travel_m": [here[0], there[1]], **leans}]
    if not any(job["kind"] == "written stages" for job in jobs):
        del site["stages"]
    return site, jobs


def in_tables(site: Table, jobs: list[Table]) -> str:
    """A scene file with its jobs and stages under headers of their own, as `expand` needs them."""
    found = text({name: value for name, value in site.items() if name != "stages"})
    for name, entries in (("jobs", jobs), ("stages", site.get("stages", ()))):
        for entry in entries:
            found += f"\n[[{name}]]\n" + "".join(f"{key} = {toml(value)}\n" for key, value in entry.items())
    return found


@law(2, with_jobs())
def test_the_expanded_scene_gives_the_same_bytes_as_its_jobs(made: tuple[Table, list[Table]]) -> None:
    whole = in_tables(*made)
    note(whole)

    def told(content: str) -> Table:
        with patch("clearance.job.maps.maps_of", lambda *asked: ()):
            scene = scene_of(content.encode(), Path("scene.toml"))
            found: Table = json.loads(check(scene, TOLERANCE_M, withdraw=False).to_json())
            return found

    try:
        one = told(whole)
    except InputError:
        assume(False)
    other = told(written_out(scene_of(whole.encode(), Path("scene.toml")), whole))
    assert len(one["stages"]) > len(made[0].get("stages", ()))
    assert one.pop("scene")["name"] == other.pop("scene")["name"]
    for found in (one, other):
        found["open_points"] = [point for point in found["open_points"] if "is unlikely" not in point["what"]]
    assert json.dumps(one) == json.dumps(other)
