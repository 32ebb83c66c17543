"""The witness law: at the pose that is printed with a gap, the engine alone finds the gap that is printed, asked
through a file with ranges of one value, and asked of the live page. What text and drawings print is what the JSON has,
gaps rounded down and limits up; the page is held to the JSON in `test_page`, the briefing in `test_briefing`."""

from __future__ import annotations

import http.client
import io
import json
import math
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from hypothesis import assume, note
from hypothesis import strategies as st
from judged_scenes import ROUNDING_M, TOLERANCE_M, Judged, Row, as_it_is, judged, text
from law_scenes import Table, law, scenes
from rich.console import Console
from small_scenes import CIRCUIT, LADDER, scene, slab, stage, wall

from clearance.job.tails import TAIL_ERROR_M
from clearance.pipeline import Prepared, all_settings, check_prepared, prepare
from clearance.report import drawings
from clearance.report.findings import CHECKS, findings
from clearance.report.text import print_result
from clearance.result import Measure, Result
from clearance.scene.reading import scene_of
from clearance.view.live import ADDRESS, server, session
from clearance.view.posing import free_ranges

HULLS = {"guy", "rope one", "rope two", "dropper"}
"""What is the hull of all its places where something moves: it is smaller at one pose. A gap to it is never below what
was proved, and may be above what was seen."""


def _cut_anew(measure: Measure) -> float:
    """[m] How much less a gap may be told at one pose: a tail is cut into pieces anew there, each with its error."""
    return TAIL_ERROR_M if "dropper" in {*measure.ends, *measure.through} else 0.0


def at_its_pose(table: Table, row: Row) -> Table:
    """The scene with every range of its stage drawn in to the pose of a row."""
    assert row.measure is not None
    (step,) = table["stages"]
    drawn_in = {key: value for key, value in row.measure.at.items() if key in step}
    return {**table, "stages": [{**step, **drawn_in}]}


@law(2, scenes, st.data())
def test_at_the_printed_pose_the_engine_finds_the_printed_gap(table: Table, data: st.DataObject) -> None:
    """Every gap as it is: a bound that is cheaper to find may do at one pose where it does not over the range."""
    note(text(table))
    found = judged(table, exactly=True)
    assume(isinstance(found, Judged))
    assert isinstance(found, Judged)
    placed = {key: row for key, row in found.rows.items() if row.measure and row.measure.at and row.gap[1] < math.inf}
    assume(placed)
    key = data.draw(st.sampled_from(sorted(placed)))
    there = judged(at_its_pose(table, placed[key]), exactly=True)
    if isinstance(there, str):  # over a range it is enough that a clamp is within reach somewhere
        assert "within reach" in there
        return
    for same, row in placed.items():
        if row.measure is None or placed[key].measure is None or dict(row.measure.at) != dict(placed[key].measure.at):
            continue
        if same[1] == "collision" and same not in there.rows:
            continue  # a rope or a wire that stands still meets nothing
        lower, upper = row.gap
        again = there.rows[same].gap
        seen = f"{same} {row.through}: {row.gap}, at its pose {again}"
        assert again[1] >= lower - _cut_anew(row.measure) - ROUNDING_M, seen
        if not HULLS & {*row.through, *there.rows[same].through}:
            assert again[0] <= upper + ROUNDING_M, seen
            assert abs(again[1] - upper) <= TOLERANCE_M + ROUNDING_M, seen


@contextmanager
def served(prepared: Prepared, result: Result) -> Iterator[Any]:
    """The live page of a scene: what it answers to a pose of its first stage."""
    made = server(session(prepared, result))
    thread = threading.Thread(target=made.serve_forever, daemon=True)
    thread.start()
    here = f"{ADDRESS}:{made.server_address[1]}"

    def ask(at: dict[str, float]) -> Any:
        connection = http.client.HTTPConnection(here, timeout=60)
        headers = {"Origin": f"http://{here}", "Content-Type": "application/json"}
        connection.request("POST", "/pose", json.dumps({"stage": 0, "at": at}), headers)
        answer = connection.getresponse()
        found = json.loads(answer.read())
        connection.close()
        assert answer.status == 200, found
        return found

    try:
        yield ask
    finally:
        made.shutdown()
        made.server_close()
        thread.join(5)


@law(2, scenes, st.data())
def test_the_live_page_gives_the_recorded_gap_at_the_recorded_pose(table: Table, data: st.DataObject) -> None:
    note(text(table))
    assume(isinstance(judged(table), Judged))
    with as_it_is(), patch("clearance.job.maps.maps_of", lambda *asked: ()):
        prepared = prepare(scene_of(text(table).encode(), Path("scene.toml")))
        result = check_prepared(prepared, TOLERANCE_M, withdraw=False)
        free = free_ranges(prepared, 0)
        placed = [f for f in findings(result.stages[0]) if f.measure is not None and free.keys() <= f.measure.at.keys()]
        assume(placed)
        finding = data.draw(st.sampled_from(placed))
        assert finding.measure is not None
        with served(prepared, result) as ask:
            found = ask({key: value for key, value in finding.measure.at.items() if key in free})
    told = {(row["what"], row["check"]): row["exact"]["gap"] for row in found["found"]}
    for other in placed:
        measure, names = other.measure, (other.what, CHECKS.get(other.check, ""))
        assert measure is not None
        if dict(measure.at) != dict(finding.measure.at) or measure.gap_upper_m == math.inf:
            continue
        if other.subject == "collision" and names not in told:  # there it is nearest to something else
            continue
        gap = told[names]
        seen = f"{names}: {measure.gap_lower_m} to {measure.gap_upper_m}, at its pose {gap}"
        # What is told is a lower bound here too, as not all is at one pose: feet settle.
        assert gap >= measure.gap_lower_m - _cut_anew(measure) - TOLERANCE_M, seen
        if not HULLS & {*measure.ends, *measure.through}:
            assert gap <= measure.gap_upper_m + ROUNDING_M, seen


BOTH = {**CIRCUIT, "phases": ["A", "B"]}
LOW = {**LADDER, "length_m": 5.0, "insulating_to_m": 5.0}
PLATES = [slab("plate A", bottom_m=6.0), slab("plate B", bottom_m=24.0, potential="B"), wall("wall", -1.2, z=(0, 4))]


@pytest.fixture(scope="module")
def climbing() -> tuple[Prepared, Result]:
    """Somebody on a ladder below a plate of phase A, too near to it and to a wall."""
    step = stage(kind="climb", travel_m=[4.9, 5.2], climb_m=[2.1, 3.3], lean_along_deg=[-1.5, 0.7])
    with patch("clearance.job.maps.maps_of", lambda *asked: ()):
        prepared = prepare(scene(circuits=[BOTH], ladder=LOW, solids=PLATES, stages=[step]))
        return prepared, check_prepared(prepared, 0.005, withdraw=False)


def shown(value: float, up: bool = False) -> str:
    """To the centimetre: a gap down, a limit up."""
    exact = Decimal(value).quantize(Decimal("1e-9"))
    return f"{exact.quantize(Decimal('0.01'), ROUND_CEILING if up else ROUND_FLOOR)}"


def pose_shown(at: dict[str, float]) -> str:
    """A pose to the millimetre and the hundredth of a degree."""
    words = []
    for key, value in at.items():
        name, unit, places = (key[:-4], "°", 2) if key.endswith("_deg") else (key[:-2], " m", 3)
        words.append(f"{name.replace('_', ' ')} {round(value, places) + 0.0:.{places}f}{unit}")
    return ", ".join(words)


def triples(gap: dict[str, Any]) -> list[list[str]]:
    """What is printed of a gap in the JSON: gap, limit and margin of the posture, and of the reach."""
    found = []
    for lower, limit in (
        (gap["gap_lower_m"], gap["limit_m"]),
        (gap["reach"]["gap_lower_m"], gap["reach"]["required_m"]) if gap["reach"] else (None, None),
    ):
        if lower is not None:
            one, other = shown(lower), shown(limit, up=True)
            found.append([one, other, f"{Decimal(one) - Decimal(other)}"])
    return found


def test_the_text_prints_what_the_json_has(climbing: tuple[Prepared, Result]) -> None:
    (step,) = json.loads(climbing[1].to_json())["stages"]
    console = Console(file=io.StringIO(), width=240)
    print_result(climbing[1], console)
    printed = console.file.getvalue()  # type: ignore[attr-defined]
    for gap in step["gaps"]:
        line = rf"^ +{gap['between'][0]} to {gap['between'][1]} +{gap['kind']} +(.*)$"
        (row,) = re.findall(line, printed, re.MULTILINE)
        numbers = re.findall(r"(?<!\S)-?\d+\.\d+", row)
        posture, *reach = triples(gap)
        # Between the posture and the reach stands the margin at the assumed overvoltage.
        assert numbers == [*posture, shown(gap["margin_at_assumed_overvoltage_m"]), *(reach[0] if reach else [])]
    wrong = [gap for gap in step["gaps"] if gap["verdict"] == "breach"]
    assert wrong
    for gap in wrong:
        measure = gap if gap["posture_verdict"] == "breach" else gap["reach"]
        assert f"At {pose_shown(measure['at'])}" in printed


def test_the_drawings_print_what_the_json_has(climbing: tuple[Prepared, Result], tmp_path: Path) -> None:
    (step,) = json.loads(climbing[1].to_json())["stages"]
    prepared, result = climbing
    drawings.draw_all(prepared.site.scene, result, all_settings(prepared), tmp_path)
    every = {tuple(triple): gap for gap in step["gaps"] for triple in triples(gap)}
    seen = set()
    poses = {pose_shown(measure["at"]) for gap in step["gaps"] for measure in (gap, gap["reach"]) if measure}
    for file in tmp_path.glob("*.svg"):
        words = " ".join(" ".join(re.findall(r"<text[^>]*>([^<]*)</text>", file.read_text(encoding="utf-8"))).split())
        for gap, limit, word, margin in re.findall(
            r"3D distance (\S+) m, limit (\S+) m, (short by|margin) (\S+) m", words
        ):
            margin = f"-{margin}" if word == "short by" else margin
            assert (gap, limit, margin) in every, file.name
            seen.add((gap, limit, margin))
        for pose in re.findall(r"travel [-\d.]+ m(?:, [a-z ]+ [-\d.]+(?: m|°))*", words):
            assert any(pose in whole for whole in poses), (file.name, pose)
    assert {triple for triple, gap in every.items() if gap["verdict"] == "breach"} & seen
