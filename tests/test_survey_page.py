"""The pictures of a survey: dots where the returns are, read back by another decoder; scales; pages of odd findings."""

from __future__ import annotations

import base64
import io
import re
import xml.etree.ElementTree

import numpy as np
import pytest
from PIL import Image
from survey_scenes import Truth, scan_of, write_scan

from clearance.report.survey import page
from clearance.report.survey_canvas import PIXELS_A_POINT, Canvas, Panel, extent, png, ticks
from clearance.survey.run import Options, survey_scans


@pytest.mark.parametrize("columns", [1, 4, 37])
def test_pixels_are_read_back_by_another_decoder(columns):
    """Pillow's decoder, with palette and clear pixels."""
    pixels = np.random.default_rng(columns).integers(0, 4, (23, columns)).astype(np.uint8)
    image = np.asarray(Image.open(io.BytesIO(png(pixels, ["#0072B2", "#E69F00", "#8B1A1A"]))).convert("RGBA"))
    assert ((image[..., 3] == 0) == (pixels == 0)).all()
    for number, colour in ((1, (0, 0x72, 0xB2)), (2, (0xE6, 0x9F, 0)), (3, (0x8B, 0x1A, 0x1A))):
        assert (image[pixels == number][:, :3] == colour).all()


def test_every_dot_is_drawn_where_its_values_are():
    """Each dot's place by the scales of the panel, and nothing anywhere else."""
    rng = np.random.default_rng(1)
    canvas = Canvas(300.0, 200.0)
    panel = Panel(canvas, (40.0, 10.0, 290.0, 160.0), (100.0, -100.0), (0.0, 50.0))
    x, y = rng.uniform(-150, 150, 300), rng.uniform(-20, 60, 300)
    panel.dots(x, y, "#0072B2", 0.4)
    panel.show_dots()
    found = re.search(r'<image x="([\d.]+)" y="([\d.]+)" .*base64,([^"]+)"', canvas.svg("dots"))
    image = np.asarray(Image.open(io.BytesIO(base64.b64decode(found[3]))).convert("RGBA"))[..., 3] > 0
    rows, columns = np.nonzero(image)
    drawn = np.column_stack([columns + 0.5, rows + 0.5]) / PIXELS_A_POINT + (float(found[1]), float(found[2]))
    inside = (np.abs(x) < 100) & (y > 0) & (y < 50)
    true = np.column_stack([40.0 + (100.0 - x) * 250.0 / 200.0, 160.0 - y * 150.0 / 50.0])[inside]
    away = np.abs(drawn[:, None] - true[None]).max(axis=2)
    assert away.min(axis=0).max() <= 0.51 / PIXELS_A_POINT + 1e-3
    assert away.min(axis=1).max() <= 0.51 / PIXELS_A_POINT + 1e-3


def test_ticks_are_round_few_and_say_what_they_are():
    rng = np.random.default_rng(0)
    for _ in range(2000):
        low = rng.uniform(-1, 1) * 10 ** rng.uniform(-2, 5)
        high = low + 10 ** rng.uniform(-1, 5)
        most = int(rng.integers(2, 14))
        found = ticks(low, high, most)
        assert len(found) <= most
        for value, words in found:
            assert low - 1e-9 <= value <= high + 1e-9
            assert float(words.replace("\N{MINUS SIGN}", "-")) == pytest.approx(value, abs=1e-9 * max(1, abs(value)))
        assert len({words for _, words in found}) == len(found)


def test_scales_reach_beyond_all_data():
    assert extent(np.array([1.0, 3.0]), np.zeros(0), np.array([11.0])) == pytest.approx((0.5, 11.5))
    assert extent(np.zeros(0)) == (-1.0, 1.0)
    assert extent(np.array([4.0])) == (3.5, 4.5)


def field(number, height):
    rng = np.random.default_rng(2)
    return np.column_stack([rng.uniform(0, 150, (number, 2)), height + rng.uniform(0, 0.1, number)])


@pytest.mark.parametrize("case", ["no wires", "only wires", "a line"])
def test_a_page_comes_out_of_every_finding_and_its_pictures_are_sound(case, tmp_path):
    path = tmp_path / "a.laz"
    if case == "no wires":
        write_scan(path, {1: np.concatenate([field(20_000, 10.0), field(500, 14.0)])})
    elif case == "only wires":
        write_scan(path, {1: np.concatenate(list(Truth().returns(0.3, 0.03).values()))})
    else:
        scan_of(Truth(), path, spacing=1.5)
    finding = survey_scans([path], Options(classes="ignore")).finding
    text = page(finding, case)
    pictures = re.findall(r"<svg role=.*?</svg>", text, re.DOTALL)
    assert len(pictures) == 1 + 3 * len({wire.span for wire in finding.wires})
    for picture in pictures:
        root = xml.etree.ElementTree.fromstring(picture)
        _, _, wide, tall = map(float, root.get("viewBox").split())
        for element in root:
            if element.tag.endswith("text"):
                assert 0 <= float(element.get("x")) <= wide
                assert 0 <= float(element.get("y")) <= tall
            if element.tag.endswith("polyline"):
                places = np.array([pair.split(",") for pair in element.get("points").split()], float)
                assert (places >= -0.01).all()
                assert (places <= (wide + 0.01, tall + 0.01)).all()
