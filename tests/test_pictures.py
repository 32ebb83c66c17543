"""3D pictures off screen: what is on them, by their pixels and by where their geometry is projected to."""

from __future__ import annotations

import importlib.util
import subprocess
from itertools import pairwise

import numpy as np
import pytest
from page_example import example
from PIL import Image

from clearance.errors import InputError, MissingExtra
from clearance.view import pictures, probe, video, viewpoint
from clearance.view.page_zones import page_zones
from clearance.view.scene_data import page_data

SMALL = (700, 520)


@pytest.fixture(scope="module")
def data():
    if importlib.util.find_spec("pyvista") is None:
        pytest.skip(f"pyvista is not installed: {probe.VIEW_LINE}")
    try:
        pictures.probe_once()
    except MissingExtra as error:
        pytest.skip(str(error))
    found = example()
    return page_data(found.prepared, found.result)


@pytest.fixture(scope="module")
def stage(data) -> int:
    return next(k for k, s in enumerate(data["stages"]) if s["word"] == "breach")


def colour(pixels: np.ndarray, name: str) -> int:
    """How many pixels are of a colour, give or take what smoothing does."""
    wanted = np.array([int(name[k : k + 2], 16) for k in (1, 3, 5)])
    return int((np.abs(pixels.astype(int) - wanted).max(axis=2) < 12).sum())


def test_a_breach_is_drawn_with_its_colour_its_word_and_its_figures(data, stage):
    step = viewpoint.lead_step(data, stage)
    rows = viewpoint.lines_at(data, stage, step)
    made = pictures.picture(data, stage, step, "3d", SMALL)
    assert made.shape == (SMALL[1], SMALL[0], 3)
    assert colour(made, "#8B1A1A") > 60
    words = pictures.label_of(rows[0])
    assert words.startswith("× breach: ")
    assert f"short by {rows[0]['m'][3]} m" in words


def test_every_view_holds_the_leading_gap_where_its_projection_says(data, stage):
    """The line's ends lie on the picture, and pixels of the line's colour lie between them."""
    step = viewpoint.lead_step(data, stage)
    offset = np.array(data["offset"])
    row = viewpoint.lines_at(data, stage, step)[0]
    legs = np.array(row["air"]).reshape(-1, 2, 3) - offset
    leg = max(legs, key=lambda pair: np.linalg.norm(pair[1] - pair[0]))
    size = (SMALL[0], SMALL[1] - 2 * pictures.BAND)
    seen = []
    for view in ("3d", "plan", "elevation", "section", "true"):
        eye = viewpoint.look_from(data, stage, step, view)
        pixels, project = pictures.rendered(data, stage, step, eye, size)
        ends = project(leg)
        assert ((ends >= 0) & (ends <= size)).all(), view
        if eye.half_m is not None and view == "true":
            drawn = np.linalg.norm(ends[1] - ends[0]) * 2 * eye.half_m / size[1]
            assert drawn == pytest.approx(np.linalg.norm(leg[1] - leg[0]), rel=1e-3)
        seen.append(pixels)
    assert all(np.abs(a.astype(int) - b).mean() > 1.0 for a, b in pairwise(seen))


def test_a_projected_place_is_where_the_renderer_draws_it(data, stage):
    """A single wire's thin line is found where its ends are projected to: the two agree to two pixels."""
    step = viewpoint.lead_step(data, stage)
    eye = viewpoint.look_from(data, stage, step, "elevation")
    size = (SMALL[0], SMALL[1] - 2 * pictures.BAND)
    pixels, project = pictures.rendered(data, stage, step, eye, size)
    part = next(p for p in data["parts"] if p["name"] == "dropper C")
    rods = pictures.unpacked(part["rods"]).reshape(-1, 7)[:, :3].astype(float)
    places = project(rods)
    inside = ((places > 5) & (places < np.array(size) - 5)).all(axis=1)
    assert inside.sum() >= 3
    dark = pixels.astype(int).max(axis=2) < 70
    for x, y in places[inside]:
        row, column = int(size[1] - 1 - y), int(x)
        assert dark[row - 2 : row + 3, column - 2 : column + 3].any()


@pytest.mark.slow
def test_same_picture_same_bytes(data, stage, tmp_path):
    step = viewpoint.lead_step(data, stage)
    files = [
        pictures.save(pictures.picture(data, stage, step, "section", SMALL), tmp_path / f"{k}.png") for k in range(2)
    ]
    assert files[0].read_bytes() == files[1].read_bytes()


def test_the_worker_does_not_stand_in_the_workers_own_eye(data, stage):
    step = viewpoint.lead_step(data, stage)
    eye = viewpoint.look_from(data, stage, step, "eye")
    assert "worker" in eye.hidden
    assert np.allclose(eye.position, data["stages"][stage]["eye"][step][:3])


@pytest.mark.slow
def test_zones_asked_for_are_drawn_in_the_stages_that_have_them_and_named(data, stage):
    """More of their colour, and only in a stage that has the person; what is written says who, and what is left out."""
    shown = [z for z in page_zones(example().prepared) if z.zone.person.state == "bonded"]
    lowered = next(k for k, s in enumerate(data["stages"]) if s["name"] == "lower dropper A")
    climb = next(k for k, s in enumerate(data["stages"]) if s["name"] == "climb to A")
    size = (SMALL[0], SMALL[1] - 2 * pictures.BAND)
    for number, there in ((lowered, True), (climb, False)):
        step = viewpoint.lead_step(data, number)
        eye = viewpoint.look_from(data, number, step, "elevation")
        here = [z.zone for z in shown if number in z.stages]
        assert bool(here) == there
        bare, _ = pictures.rendered(data, number, step, eye, size)
        drawn, _ = pictures.rendered(data, number, step, eye, size, here)
        # Red weighs more over green and blue where a red surface is seen through.
        redder = (drawn[..., 0].astype(int) - drawn[..., 2]) - (bare[..., 0].astype(int) - bare[..., 2])
        assert (redder > 15).mean() > 0.05 if there else (redder == 0).all()
    one = pictures.picture(data, lowered, viewpoint.lead_step(data, lowered), "3d", SMALL)
    two = pictures.picture(data, lowered, viewpoint.lead_step(data, lowered), "3d", SMALL, shown)
    assert np.abs(one.astype(int) - two).mean() > 1.0


@pytest.mark.slow
def test_an_mp4_has_every_frame_as_long_as_it_lasts(data, tmp_path):
    """Decoded by ffmpeg again: five frames for a recorded instant, one for any other step; near the pictures drawn."""
    try:
        encoder = video.ready(tmp_path / "a.mp4")
    except MissingExtra as error:
        pytest.skip(str(error))
    size = (420, 400)
    path = video.animation(data, 0, "elevation", tmp_path / "a.mp4", size)
    again = video.animation(data, 0, "elevation", tmp_path / "b.mp4", size)
    assert path.read_bytes() == again.read_bytes()
    raw = subprocess.run(
        [encoder, "-loglevel", "error", "-i", str(path), "-f", "rawvideo", "-pix_fmt", "rgb24", "-"],
        capture_output=True, check=True,
    ).stdout  # fmt: skip
    frames = np.frombuffer(raw, np.uint8).reshape(-1, size[1], size[0], 3)
    steps = data["stages"][0]["steps"]
    assert len(frames) == sum(5 if step.get("rows") else 1 for step in steps)
    first = pictures.picture(data, 0, 0, "elevation", size)
    assert np.abs(frames[0].astype(int) - first).mean() < 6.0


def test_an_animation_of_another_kind_and_one_without_an_encoder_are_refused(monkeypatch, tmp_path):
    with pytest.raises(InputError, match=r"ends in \.gif or \.mp4"):
        video.ready(tmp_path / "a.avi")
    assert video.ready(tmp_path / "a.gif") is None
    monkeypatch.setattr(probe, "encoder", lambda: None)
    with pytest.raises(MissingExtra, match=r"pip install 'clearance\[video\]'"):
        video.ready(tmp_path / "a.mp4")


@pytest.mark.slow
def test_an_animation_has_every_step_and_a_sheet_every_stage(data, tmp_path):
    with Image.open(video.animation(data, 0, "elevation", tmp_path / "a.gif", (420, 400))) as made:
        assert made.n_frames == len(data["stages"][0]["steps"])
    with Image.open(pictures.contact_sheet(data, "3d", tmp_path / "s.png", 2)) as sheet:
        assert sheet.size == (2 * 888, 2 * 608)


def test_views_and_steps_there_are_none_of_are_refused(data):
    with pytest.raises(InputError, match="--view: expected one of 3d, plan"):
        pictures.picture(data, 0, 0, "front")
    with pytest.raises(InputError, match="step: expected 0 to"):
        pictures.picture(data, 0, 999, "3d")


def test_without_pyvista_the_message_ends_with_the_line_that_installs_it(monkeypatch):
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(MissingExtra, match=r"pip install 'clearance\[view\]'$"):
        probe.ready()


def test_where_nothing_can_be_drawn_the_message_ends_with_the_line_that_mends_it(monkeypatch):
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: object())
    monkeypatch.setattr(probe, "rendered", lambda window: (False, "ended by signal 11"))
    with pytest.raises(MissingExtra, match=r"ended by signal 11.*libegl1 libgl1-mesa-dri$"):
        probe.ready()
