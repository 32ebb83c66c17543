"""The commands `page`, `zones` and `show`: what they write, what they refuse, how they end."""

from __future__ import annotations

import json
import re
import sys

import numpy as np
import pytest
from page_example import example
from typer.testing import CliRunner

from clearance.cli import app
from clearance.report.style import COLOURS
from clearance.scene.builtin import builtin_scene
from clearance.view.page import SOURCES


@pytest.fixture
def given(monkeypatch):
    """The commands check the example instead of a file."""
    found = example()
    for name in ("page", "show"):
        module = sys.modules[f"clearance.cli.{name}"]
        monkeypatch.setattr(module, "checked", lambda *_: (found.prepared, found.result))
    return found


def run(*arguments: object):
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.mark.slow
def test_page_writes_one_file_with_drawings_and_zones_and_ends_with_the_verdict(given, tmp_path):
    file = tmp_path / "job.html"
    done = run("page", "any.toml", "--out", file, "-q")
    assert done.exit_code == 1, done.output
    assert "verdict: breach" in done.output
    text = file.read_text(encoding="utf-8")
    assert len(text.encode()) < 5_000_000
    data = json.loads(re.search(r'id="data">(.*?)</script>', text, re.DOTALL)[1])
    assert len(data["zones"]) >= 5
    assert len(re.findall(r'<img alt="[^"]+" src="data:image/png', text)) >= 3
    assert [p.name for p in tmp_path.iterdir()] == ["job.html"]


def test_page_refuses_a_folder_that_is_not_there_before_it_checks(tmp_path):
    done = run("page", builtin_scene("demo"), "--out", tmp_path / "none" / "job.html")
    assert done.exit_code == 2
    assert "its folder is not there" in done.output


def test_zones_writes_every_file_and_says_the_error(tmp_path):
    scene = builtin_scene("demo")
    done = run("zones", scene, "--out", tmp_path, "--person", "earth", "--person", "bonded:B", "--step-m", 0.6, "-q")
    assert done.exit_code == 0, done.output
    names = {p.name for p in tmp_path.iterdir()}
    assert {"zones.glb", "standing.geojson", "zones.gpkg", "zones.dxf", "zones.json", "earth-phase-earth.ply"} <= names
    assert "bonded-B-phase-phase.ply" in names
    found = json.loads((tmp_path / "zones.json").read_text())
    assert [z["name"] for z in found["zones"]] == ["earth-phase-earth", "bonded-B-phase-earth", "bonded-B-phase-phase"]
    for zone in found["zones"]:
        assert 0 < zone["margin_on_surface_m"][1] < 0.7
        assert all(need["limit_m"] > 1.0 for need in zone["limits"])
    assert "on the surface the margin is 0 m at least and" in done.output


def test_zones_at_a_pose_say_so_everywhere(tmp_path):
    scene = builtin_scene("demo")
    stage = ("--stage", "lower dropper A", "--at", "lower_m=2.9", "--person", "earth", "--step-m", 1.0)
    done = run("zones", scene, "--out", tmp_path, *stage, "-q")
    assert done.exit_code == 0, done.output
    assert "moves in this stage" not in done.output
    found = json.loads((tmp_path / "zones.json").read_text())
    assert found["pose"]["lower_m"] == 2.9
    assert all(zone["title"].endswith("lower 2.900 m alone") for zone in found["zones"])
    assert all("lower 2.900 m alone" in area["what"] for area in found["areas"])
    assert b"lower 2.900 m alone" in (tmp_path / "earth-phase-earth.ply").read_bytes()[:600]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--person", "asleep"), "--person: expected earth, floating, or bonded:PHASE (A, B, C), found asleep"),
        (("--person", "bonded:D"), "found bonded:D"),
        (("--stage", "tea"), "--stage: expected one of set up ladder"),
        (("--stage", "climb to A", "--at", "climb_m=99"), "--at: expected climb_m from"),
        (("--at", "tea_m=1"), "--at: expected one of travel_m"),
    ],
)
def test_zones_refuses_what_there_is_none_of(tmp_path, arguments, said):
    done = run("zones", builtin_scene("demo"), "--out", tmp_path, *arguments, "-q")
    assert done.exit_code == 2
    assert said in done.output


@pytest.mark.slow
def test_show_draws_instead_of_serving_where_a_picture_is_asked_for(given, tmp_path, monkeypatch):
    from clearance.view import pictures

    monkeypatch.setattr(pictures, "probe_once", lambda: None)
    asked = []

    def picture(data, stage, step, view, size=(4, 3), zones=()):
        asked.append((data["stages"][stage]["name"], view, {shown.zone.person.state for shown in zones}))
        return np.zeros((3, 4, 3), np.uint8)

    monkeypatch.setattr(pictures, "picture", picture)
    done = run("show", "any.toml", "--picture", tmp_path / "a.png", "--view", "plan", "--stage", "climb to A", "-q")
    assert done.exit_code == 0, done.output
    assert asked == [("climb to A", "plan", set())]
    done = run("show", "any.toml", "--picture", tmp_path / "a.png", "--zones", "floating", "-q")
    assert done.exit_code == 0, done.output
    assert asked[1][2] == {"floating"}
    assert (tmp_path / "a.png").is_file()
    assert run("show", "any.toml", "--picture", tmp_path / "b.png", "--view", "front").exit_code == 2
    assert run("show", "any.toml", "--sheet", tmp_path / "no" / "b.png").exit_code == 2
    assert "ends in .gif or .mp4" in run("show", "any.toml", "--animation", tmp_path / "b.avi").output
    assert "--zones: expected --picture" in run("show", "any.toml", "--zones", "earth").output


def test_show_says_where_it_serves_and_ends_on_interrupt(given, monkeypatch, tmp_path):
    from clearance.view import live

    monkeypatch.setattr(
        live.ThreadingHTTPServer, "serve_forever", lambda self: (_ for _ in ()).throw(KeyboardInterrupt)
    )
    done = run("show", "any.toml", "--record", tmp_path / "rounds.jsonl", "-q")
    assert done.exit_code == 0, done.output
    assert re.search(r"http://127\.0\.0\.1:\d+/ and on this machine only", done.output)
    assert (tmp_path / "rounds.jsonl").is_file()


MACHADO = {
    "normal": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
"""Machado, Oliveira, Fernandes, IEEE TVCG 15 (2009), table of severity 1.0, in linear RGB; the digits from memory."""


def linear(name: str) -> np.ndarray:
    value = np.array([int(name[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE L*a*b* under D65, of linear sRGB (IEC 61966-2-1)."""
    to_xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    x, y, z = np.cbrt(np.maximum(np.array(to_xyz) @ rgb / [0.9505, 1.0, 1.089], 0.008856))
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


@pytest.mark.parametrize("vision", MACHADO)
def test_the_three_words_stay_apart_in_every_vision(vision):
    """At least 30 in CIE 1976 difference; naive green, amber and red come to 12 for deutans and would fail."""
    names = [COLOURS[w] for w in ("clear of limit", "low margin", "breach")]
    seen = [lab(np.clip(np.array(MACHADO[vision]) @ linear(name), 0, 1)) for name in names]
    for i, one in enumerate(seen):
        for other in seen[i + 1 :]:
            assert np.linalg.norm(one - other) > 30


def test_badges_are_read_by_their_contrast():
    """WCAG 2.2, 1.4.3: text at 4.5 to 1 on its ground; the style sheet's own colours."""
    style = (SOURCES / "page.css").read_text(encoding="utf-8")
    found = re.findall(r'\.badge\[data-word="[^"]+"\] \{ background: (#\w+); color: (#\w+);', style)
    assert len(found) == 4

    def luminance(name: str) -> float:
        name = name if len(name) == 7 else "#" + "".join(c * 2 for c in name[1:])
        return float(linear(name) @ [0.2126, 0.7152, 0.0722])

    for ground, ink in found:
        high, low = sorted((luminance(ground), luminance(ink)), reverse=True)
        assert (high + 0.05) / (low + 0.05) >= 4.5
