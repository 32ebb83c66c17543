"""The page's file: its numbers, its positions, its policy. What a browser makes of it is in test_page_browser."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from dataclasses import replace
from html import escape, unescape

import numpy as np
import pytest
from page_example import example

from clearance import shapes, zones
from clearance.bodies import Body
from clearance.job.setting import standing
from clearance.report import findings
from clearance.view import geometry, page
from clearance.view.figures import FOOT_M, numbers, paths, rows
from clearance.view.page_zones import PageZone, inflated, packed_zones, page_zones, region_of_job
from clearance.view.scene_data import page_data
from clearance.view.steps import holding


@pytest.fixture(scope="module")
def data():
    found = example()
    return page_data(found.prepared, found.result)


@pytest.fixture(scope="module")
def text(data):
    return page.page_text(data, 0.05)


def at_path(stage: dict, path: str) -> dict:
    found = stage
    for key in path.split("/"):
        found = found[int(key)] if key.isdigit() else found[key]
    return found


def test_every_judged_thing_is_in_the_table_with_the_numbers_of_the_json(text):
    """The same unrounded numbers, and nothing of the JSON missing."""
    whole = json.loads(example().result.to_json())
    seen = set()
    attributes = "".join(f' data-{name}="([^"]*)"' for name in ("path", "gap", "required", "margin"))
    for row in re.finditer(r'<tr data-row="(\d+) \d+"' + attributes, text):
        stage, path = whole["stages"][int(row[1])], row[2]
        entry = at_path(stage, path)
        insulation = path.startswith("insulation")
        gap = entry["left_m" if insulation else "gap_lower_m"]
        assert row[3] == ("" if gap is None else repr(gap))
        required = entry["limit_m"] if "limit_m" in entry else entry["required_m"]
        assert row[4] == ("" if required is None else repr(required))
        if not insulation:
            margin = entry["margin_lower_m"]
            assert row[5] == ("" if margin is None or gap is None else repr(margin))
        seen.add((int(row[1]), path))

    expected = {(k, path) for k, stage in enumerate(example().result.stages) for path in paths(stage)}
    assert seen == expected
    assert len(seen) > 60


def test_the_example_has_a_breach_and_a_clear_stage(data):
    """Otherwise the tests here would show less than they say."""
    words = [stage["word"] for stage in data["stages"]]
    assert "breach" in words
    assert {"clear of limit", "low margin"} & set(words)


@pytest.mark.parametrize(("gap", "limit"), [(2.0199, 2.02), (2.02, 2.02), (1.0, 0.61), (3.2, None), (math.inf, 1.5)])
def test_feet_round_as_carefully_as_metres(gap, limit):
    """A gap is never shown above what it is, nor a limit below, in either unit; the margin is their difference."""
    for unit in (1.0, FOOT_M):
        shown_gap, shown_limit, margin, short = numbers(gap, limit, unit)
        if math.isfinite(gap):
            assert float(shown_gap) * unit <= gap + 1e-9
        if limit is not None:
            assert float(shown_limit) * unit >= limit - 1e-8
        if limit is not None and math.isfinite(gap):
            assert (float(margin) < 0) == (gap < limit)
            assert bool(short) == (gap < limit)
            # A gap exactly at its limit has no exact number of feet: both are then shown to a millionth.
            assert math.isclose(float(shown_gap) - float(shown_limit), float(margin), abs_tol=1.1e-6)


def test_riding_parts_are_where_the_motion_has_them(data):
    """A part under the matrix of its link is the body where `standing` puts it, to float32."""
    prepared, checked = example().prepared, 0
    offset = np.array(data["offset"])
    for stage, pieces in zip(data["stages"], prepared.stages, strict=True):
        posture = [piece for piece in pieces if piece.check == "posture"]
        frames = geometry.unpacked(stage["links"]).reshape(len(stage["steps"]), -1, 3, 4)
        for number, step in enumerate(stage["steps"]):
            stands = {body.name: body for body in standing(holding(posture, step["at"]), step["at"])}
            for ride in stage["riding"]:
                part = data["parts"][ride["part"]]
                if part["kind"] == "reach envelope" or "rods" not in part:
                    continue
                rods = geometry.unpacked(part["rods"]).reshape(-1, 7)
                frame = frames[number, ride["link"]]
                shape = stands[part["name"]].shape
                expected = shape.vertices[shape.corners == 2, :2] - offset
                found = rods[:, :6].reshape(-1, 2, 3) @ frame[:, :3].T + frame[:, 3]
                assert np.abs(found - expected).max() < 2e-5
                checked += 1
    assert checked > 50


def test_a_wire_being_lowered_is_where_the_motion_has_it(data):
    prepared = example().prepared
    stage = next(s for s in data["stages"] if s["name"] == "lower dropper A")
    pieces = [p for p in prepared.stages[data["stages"].index(stage)] if p.check == "posture"]
    offset, lowest = np.array(data["offset"]), []
    for step in stage["steps"]:
        bent = next(one for one in step["bent"] if one["name"] == "dropper A")  # its ropes bend with it
        body = next(b for b in standing(holding(pieces, step["at"]), step["at"]) if b.name == bent["name"])
        rods = geometry.unpacked(bent["rods"]).reshape(-1, 7)
        assert np.abs(rods[:, :6].reshape(-1, 2, 3) - (body.shape.vertices[:, :2] - offset)).max() < 2e-5
        lowest.append(rods[:, [2, 5]].min())
    # Its free end goes from 2.75 to 3.05 m of its way, nearly straight down, and its middle about half as far.
    assert lowest[-1] < lowest[0] - 0.1


def test_every_recorded_instant_is_a_step(data):
    """The parameters of a step are those of the result, to the last bit."""
    for stage, result in zip(data["stages"], example().result.stages, strict=True):
        for row, path in zip(stage["rows"], paths(result), strict=True):
            if "air" not in row:
                continue
            entry = at_path(json.loads(example().result.to_json())["stages"][data["stages"].index(stage)], path)
            step = stage["steps"][row["step"]]
            assert {name: step["at"][name] for name in entry["at"]} == entry["at"]


def test_lines_are_the_points_of_the_result(data):
    for stage in json.loads(example().result.to_json())["stages"]:
        made = next(s for s in data["stages"] if s["name"] == stage["name"])
        for row in made["rows"]:
            if "air" in row:
                points = np.array(at_path(stage, row["path"])["points"])
                assert np.allclose(np.array(row["air"]).reshape(-1, 3), points[: len(row["air"]) * 2], atol=1e-5)


def test_only_this_script_and_this_style_are_let_in(text):
    policy = unescape(re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', text)[1])
    script = re.search(r"<script>(.*)</script>", text, re.DOTALL)[1]
    style = re.search(r"<style>(.*?)</style>", text, re.DOTALL)[1]

    def digest(part: str) -> str:
        return "'sha256-" + base64.b64encode(hashlib.sha256(part.encode()).digest()).decode() + "'"

    found = {part.split()[0]: part.split()[1:] for part in policy.split("; ")}
    assert found["default-src"] == ["'none'"]
    assert found["script-src"] == [digest(script)]
    assert found["style-src"] == [digest(style)]
    assert "connect-src" not in found
    assert not re.search(r"\son\w+=", text.split("<script", 1)[0])
    assert " style=" not in text.split("<script", 1)[0]


def test_the_page_names_no_address_to_load_from(text):
    head = re.sub(r'src="data:[^"]*"', "", text.split('<script type="application/json"', 1)[0])
    assert not re.findall(r"(?:src|href)=\"(?!data:|#)[^\"]*\"", head)
    assert "@import" not in text
    assert "url(" not in text.split("<script", 1)[0]


def test_names_cannot_break_out_of_the_page(data):
    """A scene may be called anything."""
    nasty = '</script><script>alert(1)</script><img src=x onerror="a">&'
    text = page.page_text({**data, "scene": nasty}, 0.05)
    assert "<script>alert" not in text
    assert "<img src=x" not in text
    block = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)[1]
    assert json.loads(block)["scene"] == nasty


def test_same_result_same_bytes(data, tmp_path):
    found = example()
    one = page.write_page(found.prepared, found.result, tmp_path / "one.html").read_bytes()
    two = page.write_page(found.prepared, found.result, tmp_path / "two.html").read_bytes()
    assert one == two
    assert list(tmp_path.glob(".*")) == []


def test_a_scan_of_any_size_stays_under_five_megabytes_and_says_what_is_left_out():
    found = example()
    scan = np.random.default_rng(3).uniform([-80, -80, 0], [80, 80, 6], (400_000, 3))
    cloud = Body("scan", "cloud", shapes.points(scan))
    prepared = replace(
        found.prepared,
        stages=tuple(
            tuple(replace(piece, bodies=(*piece.bodies, cloud)) for piece in pieces) for pieces in found.prepared.stages
        ),
    )
    data = page_data(prepared, found.result)

    assert len(page.page_text(data, 0.05).encode()) < 5_000_000
    (note,) = data["notes"]
    assert "200,000 of 400,000 points" in note
    (part,) = [p for p in data["parts"] if p["kind"] == "cloud"]
    drawn = geometry.unpacked(part["cloud"]["xyz"], "<u2").reshape(-1, 3) * part["cloud"]["step"] + part["cloud"]["low"]
    drawn = drawn + data["offset"]
    assert len(drawn) == 200_000
    # Near the wires all are kept: as many drawn as there are.
    near = geometry.near_places(found.prepared.site.bodies, [])
    assert (near.query(drawn)[0] < 2.0).sum() == pytest.approx((near.query(scan)[0] < 2.0).sum(), abs=3)
    # 160 m in 65,535 steps of 2.4 mm, half of it either way, and float32.
    from scipy.spatial import cKDTree

    assert cKDTree(scan).query(drawn)[0].max() < 0.0013 * np.sqrt(3)


def test_zones_stand_in_the_page_and_give_way_when_it_grows(tmp_path, monkeypatch):
    found = example()
    region = np.array([-2.0, -8, 4]), np.array([6.0, -1, 12])
    (zone,) = zones.zones_of(found.prepared.site, found.prepared.stages[0][0], zones.Person("earth"), 0.5, region)
    made = [PageZone(zone, (0, 1)), PageZone(zone, (2,))]
    text = page.write_page(found.prepared, found.result, tmp_path / "a.html", (), made).read_text(encoding="utf-8")
    whole = json.loads(re.search(r'id="data">(.*?)</script>', text, re.DOTALL)[1])
    assert [(shown["stages"], shown["surface"]) for shown in whole["zones"]] == [([0, 1], 0), ([2], 0)]
    (surface,) = whole["surfaces"]
    corners = np.cumsum(inflated(surface["xyz"], "<u2").reshape(3, -1), axis=1, dtype="<u2").T
    drawn = corners * surface["step"] + surface["low"] + whole["offset"]
    assert np.abs(drawn - zone.mesh.vertices).max() < 2e-4
    begun, second, third = inflated(surface["faces"], "<u2").reshape(3, -1)
    first = np.cumsum(begun, dtype="<u2")
    faces = {tuple(face) for face in np.column_stack([first, first + second, first + third]).tolist()}
    # The same faces, turned the same way, whichever corner they begin at.
    assert faces == {min((a, b, c), (b, c, a), (c, a, b)) for a, b, c in zone.mesh.faces.tolist()}

    bare = page.write_page(found.prepared, found.result, tmp_path / "bare.html").stat().st_size
    monkeypatch.setattr(page, "LARGEST", bare + 1000)
    small = page.write_page(found.prepared, found.result, tmp_path / "b.html", (), made).read_text(encoding="utf-8")
    whole = json.loads(re.search(r'id="data">(.*?)</script>', small, re.DOTALL)[1])
    assert whole["zones"] == []
    left_out = "left out, so that the page stays small: "
    assert whole["notes"] == [
        f"{left_out}{zone.title} (lower dropper A)",
        f"{left_out}{zone.title} (climb to A, bond to A)",
    ]


def test_every_stage_has_the_zones_of_those_who_are_there():
    """Somebody on the ground always; aloft, floating; bonded to A where the stage bonds; as the stages say."""
    found = example()
    made = page_zones(found.prepared)
    there = {
        name: {shown.zone.person.words.split(",")[0] for shown in made if k in shown.stages}
        for k, name in enumerate(s.name for s in found.result.stages)
    }
    loose = {"person at earth", "person floating on the ladder"}
    assert there == {
        "climb to A": loose,
        "bond to A": loose | {"person bonded to phase A"},
        "lower dropper A": loose | {"person bonded to phase A"},
    }
    # What rides or bends in a stage is not counted in it, and said so there.
    lowered = next(k for k, s in enumerate(found.result.stages) if s.name == "lower dropper A")
    for shown in made:
        moving = {word.removesuffix(" moves in this stage and is not counted") for word in shown.zone.left_out}
        assert ("dropper A" in moving) == (lowered in shown.stages)
    # The air to earth of somebody bonded: one surface for both stages, as ropes and pulleys are there in all of them.
    packed = packed_zones(made, np.zeros(3))
    used = {z["surface"] for z in packed["zones"] if "bonded" in z["title"] and z["exposure"] == "phase-earth"}
    assert len(used) == 1
    assert len(packed["surfaces"]) <= len(packed["zones"])


def test_a_zone_of_the_page_is_that_of_its_stage():
    """On each surface the margin, asked anew among what stands in each of its stages, is 0 to the error it states."""
    found, checked = example(), 0
    for shown in page_zones(found.prepared):
        zone = shown.zone
        places = zone.mesh.vertices[zone.mesh.faces].mean(axis=1)[::97]
        for stage in shown.stages:
            setting = found.prepared.stages[stage][0]
            low, high = region_of_job(found.prepared)
            inside = ((places > low + zone.step_m) & (places < high - zone.step_m)).all(axis=1)
            spare = zones.margin(zones.around(found.prepared.site, setting), zone.needs, zone.person.reach_m, places)
            assert spare[inside].min() >= -1e-6
            assert spare[inside].max() <= zone.mesh.excess_m + 1e-6
            assert zone.mesh.excess_m < 1.0
            checked += inside.sum()
    assert checked > 300


def test_the_overview_has_the_least_margin_that_the_text_has(data, text):
    """An insulating length has no place to draw, and may be least all the same."""
    table = text.partition('id="overview"')[2].partition("</table>")[0].split("<tr>")[2:]
    others = 0
    for made, stage, line in zip(data["stages"], example().result.stages, table, strict=True):
        first = findings.leading(stage)
        assert made["rows"][made["least"]]["what"] == first.what
        assert made["rows"][made["least"]]["exact"]["margin"] == first.margin_m
        assert escape(first.what) in line
        others += made["least"] != made["lead"]
    assert others > 0


def test_rows_say_which_body_and_which_rule(data):
    stage = next(s for s in data["stages"] if s["word"] == "breach")
    worst = stage["rows"][stage["lead"]]
    assert worst["verdict"] == "breach"
    assert worst["sign"] == "×"
    assert "worker" in worst["chain"]
    assert "1910.269" in worst["rule"]
    assert float(worst["m"][3]) > 0
    assert rows(example().result.stages[0])[0]["what"]
