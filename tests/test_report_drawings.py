"""The drawings as files: all there, the same bytes every time, what they must say, no label over another."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.collections import PolyCollection
from report_example import example_result, example_scene, example_settings

from clearance import shapes
from clearance.bodies import Body
from clearance.errors import InputError
from clearance.job.setting import Setting
from clearance.motion import Joint, Link, Motion, pose
from clearance.report import drawings, margin_map, paper, views
from clearance.report.findings import SUPPORTS, Word, leading_drawn, word
from clearance.report.gap_lines import GapLine, gap_lines, moved_on, setting_of
from clearance.report.ink import draw_bodies, draw_footing
from clearance.report.numbers import down
from clearance.report.projections import projection
from clearance.report.style import COLOURS, HATCHES, MARKERS, PLAIN_SIGNS, SIGNS
from clearance.report.track import draw_track, track_of
from clearance.report.true_length import true_length
from clearance.report.views import Window
from clearance.result import Cell, Map


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out: Path = tmp_path_factory.mktemp("drawings")
    drawings.draw_all(example_scene(), example_result(), example_settings(), out)
    return out


@pytest.fixture
def sheets(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> dict[str, paper.Sheet]:
    """Every sheet by name, as it would be saved."""
    kept: dict[str, paper.Sheet] = {}

    def save(on: paper.Sheet, out: Path, name: str) -> list[Path]:
        kept[name] = on
        return [out / name]

    monkeypatch.setattr(paper, "save", save)
    drawings.draw_all(example_scene(), example_result(), example_settings(), tmp_path)
    return kept


def text_of(svg: Path) -> str:
    return " ".join(re.findall(r"<text[^>]*>([^<]*)</text>", svg.read_text(encoding="utf-8")))


def test_every_drawing_is_there_as_svg_and_pdf(folder: Path) -> None:
    names = {path.stem for path in folder.iterdir()}
    assert {path.name for path in folder.iterdir()} == {f"{n}.{kind}" for n in names for kind in ("svg", "pdf")}
    for stage in ("02-climb", "03-bond-to-b"):
        assert {f"{stage}-plan", f"{stage}-elevation", f"{stage}-section", f"{stage}-margin"} <= names
    assert {"03-bond-to-b-gap-1-b-to-earth", "03-bond-to-b-gap-2-a-to-b", "04-work-gap-1-b-to-earth"} <= names


@pytest.mark.slow
def test_same_bytes_every_time_whatever_the_readers_settings(folder: Path, tmp_path: Path) -> None:
    import matplotlib

    with matplotlib.rc_context({"font.size": 20, "axes.facecolor": "black", "svg.hashsalt": None}):
        files = drawings.draw_all(example_scene(), example_result(), example_settings(), tmp_path)
    assert files
    for file in files:
        assert file.read_bytes() == (folder / file.name).read_bytes(), file.name


def test_nothing_half_written_is_left(folder: Path) -> None:
    assert not [path for path in folder.iterdir() if path.name.startswith(".") or path.suffix == ".part"]


def test_no_dates_in_the_files(folder: Path) -> None:
    for path in folder.iterdir():
        content = path.read_bytes()
        assert b"CreationDate" not in content
        assert b"<dc:date>" not in content


@pytest.mark.parametrize("kind", ["plan", "elevation", "section"])
def test_a_projection_names_stage_digest_version_and_the_trap(folder: Path, kind: str) -> None:
    text = text_of(folder / f"03-bond-to-b-{kind}.svg")
    result = example_result()
    for words in (result.scene, result.sha256[:12], f"clearance {result.version}", "stage 3 of 4", "foreshortened"):
        assert words in text
    assert "× breach 1: 3D distance" in text
    assert "× breach 2: 3D distance" in text
    assert "short by" in text
    assert "within survey error" in text
    assert ("N" in re.findall(r">([^<]*)</text>", (folder / f"03-bond-to-b-{kind}.svg").read_text())) == (
        kind == "plan"
    )
    for phase in "ABC":
        assert f"bus {phase} (phase {phase})" in text or (kind == "section" and f" {phase} " in text)


def test_a_breach_that_is_no_gap_is_drawn_too(folder: Path) -> None:
    text = text_of(folder / "02-climb-section.svg")
    assert "1 × breach: approach of worker to B" in text
    assert "△ low margin 2: 3D distance" in text


def test_true_length_view_gives_gap_limit_and_margin(folder: Path) -> None:
    gap = example_result().stages[2].gaps[0]
    text = text_of(folder / "03-bond-to-b-gap-1-b-to-earth.svg")
    assert f"3D distance {down(gap.posture.gap_lower_m)} m, limit" in text
    assert f" {down(gap.posture.gap_lower_m)} m " in text
    assert "× breach, short by" in text
    assert gap.rule["edition"] in text


def test_no_label_lies_over_another_or_is_left_out(sheets: dict[str, paper.Sheet]) -> None:
    for name, sheet in sheets.items():
        assert not sheet.unplaced, name
        renderer = sheet.figure.canvas.get_renderer()  # type: ignore[attr-defined]
        extents = [(text.get_text(), text.get_window_extent(renderer)) for text, _ in sheet.placed]
        for i, (words, one) in enumerate(extents):
            for other_words, other in extents[:i]:
                assert not one.overlaps(other), (name, words, other_words)


def test_titles_keys_and_notes_do_not_run_into_each_other(sheets: dict[str, paper.Sheet]) -> None:
    """Texts placed by hand on the figure, in the key column and above axes; axes texts have the placer."""
    for name, sheet in sheets.items():
        renderer = sheet.figure.canvas.get_renderer()  # type: ignore[attr-defined]
        texts = list(sheet.figure.texts)
        for ax in sheet.figure.axes:
            if not ax.axison:
                texts += ax.texts
            texts += [t for t in ax.texts if t.get_transform() == ax.transAxes]
        extents = [(t.get_text(), t.get_window_extent(renderer)) for t in texts if t.get_text()]
        width, height = sheet.figure.bbox.width, sheet.figure.bbox.height
        for i, (words, one) in enumerate(extents):
            assert one.x0 >= 0, (name, words)
            assert one.x1 <= width, (name, words)
            assert one.y0 >= 0, (name, words)
            assert one.y1 <= height, (name, words)
            for other_words, other in extents[:i]:
                overlap_x = min(one.x1, other.x1) - max(one.x0, other.x0)
                overlap_y = min(one.y1, other.y1) - max(one.y0, other.y0)
                # Lines of a column may touch by the leading of the font, a pixel or two.
                assert overlap_x <= 0 or overlap_y <= 2.5, (name, words, other_words)


def test_axes_are_to_one_scale(sheets: dict[str, paper.Sheet]) -> None:
    for name, sheet in sheets.items():
        if "margin" in name:
            continue
        ax = sheet.figure.axes[0]
        (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
        assert (x1 - x0) / ax.bbox.width == pytest.approx((y1 - y0) / ax.bbox.height, rel=1e-6), name
        assert "[m]" in ax.get_xlabel()
        assert "[m]" in ax.get_ylabel()


@pytest.mark.slow
def test_maps_side_by_side_do_not_run_into_each_other() -> None:
    one = example_result().stages[2].maps[0]
    for count in range(1, 12):
        with paper.settings():
            made = margin_map.sheets(("title", "subtitle"), [one] * count)
            for sheet in made:
                renderer = sheet.figure.canvas.get_renderer()  # type: ignore[attr-defined]
                extents = [ax.get_tightbbox(renderer) for ax in sheet.figure.axes]
                for i, first in enumerate(extents):
                    assert not any(first.overlaps(other) for other in extents[:i]), count


def test_gap_lines_on_the_axes_are_the_projected_points(sheets: dict[str, paper.Sheet]) -> None:
    """The breaching gap of the plan is found on the axes, point for point."""
    points = np.array(example_result().stages[2].gaps[0].posture.points)[:, :2]
    ax = sheets["03-bond-to-b-plan"].figure.axes[0]
    drawn = [np.asarray(path.vertices) for c in ax.collections for path in c.get_paths()]
    assert any(d.shape == points.shape and np.allclose(d, points) for d in drawn)


def test_every_clear_gap_drawn_has_its_figures_in_the_key(sheets: dict[str, paper.Sheet]) -> None:
    """A line whose label is its number alone must be told of beside; what has no room there is not drawn."""
    for name, sheet in sheets.items():
        told = {t.get_text().split(" ")[0] for ax in sheet.figure.axes if not ax.axison for t in ax.texts}
        for text, _ in sheet.placed:
            found = re.match(r"^(?:○ )?(\d+)(?::|$)", text.get_text())
            if found:
                assert found[1] in told, (name, text.get_text())


def test_gaps_outside_of_the_window_are_named() -> None:
    """One gap near by, one 80 m off: the sheet says which of the two numbers will be looked for in vain."""
    stage = example_result().stages[2]
    near, *_ = gap_lines(stage, leading_drawn(stage))
    far = GapLine(2, near.finding, near.air + np.array([80.0, 0.0, 0.0]), near.over, True)
    with paper.settings():
        sheet = projection("plan", ("title", "subtitle"), (), [near, far], tuple("ABC"), np.array([1.0, 0.0]), "N")
    words = " ".join(t.get_text() for t in sheet.figure.texts)
    assert "Gaps outside of what is shown: 2." in words.replace("\n", " ")


def test_a_track_has_its_stations_where_travel_takes_the_ladder() -> None:
    """A mark's place along a bent, sloping track is that of the engine's own joint at that travel."""
    knots = np.array([[0.0, 0, 0, 0], [5.0, 3, 0, 4], [9.0, 3, 4, 4]])
    motion = Motion((Link("ladder", None, (Joint("track", "travel_m", knots=knots),)),), ("travel_m",))
    setting = Setting("s", "posture", (), motion, {"travel_m": (0.0, 9.0)}, {})
    frame = Window(-2.0, 10.0, -4.0, 8.0)
    with paper.settings():
        sheet = paper.sheet("title", "", [])
        ax = paper.axes(sheet, frame, "x [m]", "y [m]")
        assert draw_track(sheet, ax, track_of({"s": setting}), views.plan(), frame)
    words = {float(t.get_text().removesuffix(" m")): np.array(t.get_position()) for t in ax.texts}
    assert set(words) >= {2.0, 4.0, 6.0, 8.0}
    marks = [np.mean(line.get_xydata(), axis=0) for line in ax.lines]
    for station, beside in words.items():
        place = pose(motion, "ladder", {"travel_m": station})[1][:2]
        assert min(np.linalg.norm(mark - place) for mark in marks) < 1e-9
        assert np.linalg.norm(beside - place) < 0.6
    assert len(track_of({"s": Setting("s", "posture", (), Motion((), ()), {}, {})})) == 0


@pytest.mark.parametrize("kind", ["crew", "vehicle"])
def test_who_stands_on_ground_is_drawn_down_to_it(kind: str) -> None:
    """Soles 1.2 m below the ground that the view cuts: a stroke of ground under them, and nothing of them below it."""
    ground = Body("ground", "ground", shapes.triangles([[[-50, -50, 0], [50, -50, 0], [50, 50, 0]],
                                                        [[-50, -50, 0], [50, 50, 0], [-50, 50, 0]]]))  # fmt: skip
    for low, apart in ((-1.2, True), (0.05, False)):
        crew = Body("rope crew", kind, shapes.segments([[1.0, 0, low]], [[1.0, 0, low + 2.0]], 0.3), job=True)
        view, frame = views.elevation([1.0, 0.0]), Window(-5.0, 5.0, -3.0, 5.0)
        with paper.settings():
            sheet = paper.sheet("title", "", [])
            ax = paper.axes(sheet, frame, "x [m]", "z [m]")
            drawn = draw_bodies(sheet, ax, [ground, crew], view, frame, (), ())
            lowest = min(
                path.vertices[:, 1].min()
                for c in ax.collections
                if isinstance(c, PolyCollection)
                for path in c.get_paths()
                if np.ptp(path.vertices[:, 0]) < 1.0
            )
            assert lowest == pytest.approx(low)
            assert draw_footing(ax, [ground, crew], view, frame, 0.0) == apart
        assert kind in drawn.samples


def test_scan_points_say_their_uncertainty_and_labels_keep_off_the_crew() -> None:
    scan = Body("hedge", "cloud", shapes.points(np.random.default_rng(1).uniform(-4, 4, (200, 3)), 0.0, 0.123))
    crew = Body("dedicated observer", "crew", shapes.segments([[0.0, 0, 0]], [[0.0, 0, 2]], 0.4), job=True)
    frame = Window(-5.0, 5.0, -4.0, 4.0)
    with paper.settings():
        sheet = paper.sheet("title", "", [])
        ax = paper.axes(sheet, frame, "x [m]", "y [m]")
        drawn = draw_bodies(sheet, ax, [scan, crew], views.plan(), frame, (), ())
        paper.settle(sheet, ax)
    assert "scan points, hedge, uncertainty 0.13 m" in drawn.samples  # a length of doubt is rounded up
    ((_, box),) = sheet.placed
    x, y = ax.transData.transform((0.0, 0.0))
    reach = 0.4 * ax.bbox.width / frame.width
    nearest = np.hypot(max(box.left - x, 0.0, x - box.right), max(box.bottom - y, 0.0, y - box.top))
    assert nearest >= 0.9 * reach


def test_a_stretch_where_bodies_touch_is_told_and_not_drawn() -> None:
    stage = example_result().stages[2]
    leading = leading_drawn(stage)
    line = gap_lines(stage, leading)[0]
    start, end = line.air[0]
    air = np.stack([[start, start], [start, end]])
    measure = replace(line.finding.measure, through=("worker",), ends=("bus B", "gantry"))
    touching = GapLine(1, replace(line.finding, measure=measure), air, np.stack([[start, start]]), True)
    with paper.settings():
        sheet = true_length(("title", "subtitle"), (), touching, tuple("ABC"), np.array([1.0, 0.0]))
    words = [t.get_text() for ax in sheet.figure.axes for t in ax.texts]
    assert "stretch 1 of 2, not drawn" in words
    assert "bus B and worker touch: 0.00 m" in words
    assert any(w.startswith("stretch 2 of 2: worker > gantry") for w in words)
    assert not any("0.00 m" in text.get_text() for text, _ in sheet.placed)


def test_no_circle_of_approach_is_drawn(sheets: dict[str, paper.Sheet]) -> None:
    from matplotlib.patches import Circle, Ellipse

    for sheet in sheets.values():
        for ax in sheet.figure.axes:
            assert not [patch for patch in ax.patches if isinstance(patch, Circle | Ellipse)]


def test_map_bins_are_where_the_result_has_them() -> None:
    cell = Cell({"travel_m": (1.0, 1.5), "climb_m": (3.0, 4.0)}, "breach", -0.2, {"travel_m": 1.2})
    assert margin_map.rectangle(cell, ("travel_m", "climb_m")) == (1.0, 3.0, 0.5, 1.0)
    assert margin_map.cell_word(cell) == "breach"


def test_a_map_along_one_axis_is_drawn_unless_both_are() -> None:
    def made(axes: tuple[str, ...], what: str = "whole limit", margin: float = 0.6) -> Map:
        ranges = {name: (0.0, 1.0) for name in axes}
        return Map(("A", "earth"), "tool", what, axes, (Cell(ranges, "clear", 0.5), Cell(ranges, "clear", margin)))

    both, travel, other = made(("travel_m", "climb_m")), made(("travel_m",)), made(("travel_m",), "electrical part")
    assert margin_map.widest([travel, both, other]) == [both, other]
    assert margin_map.widest([travel]) == [travel]
    # Clear by the same margin everywhere: nothing to see, unless a bin is not clear.
    assert margin_map.widest([made(("travel_m",), margin=0.53)]) == []
    breach = Map(
        ("A", "earth"), "tool", "whole limit", ("travel_m",), (Cell({"travel_m": (0.0, 1.0)}, "breach", -0.1),)
    )
    assert margin_map.widest([breach]) == [breach]


def test_map_words_and_hatches(sheets: dict[str, paper.Sheet]) -> None:
    found = example_result().stages[2].maps[0]
    ax = sheets["03-bond-to-b-margin"].figure.axes[0]
    boxes = [p for p in ax.patches if p.get_width() > 0]
    assert len(boxes) == len(found.cells)
    for patch, cell in zip(boxes, found.cells, strict=True):
        what = word(cell.verdict, cell.margin_lower_m)
        assert (patch.get_hatch() or "") == HATCHES[what]
    figures = {t.get_text() for t in ax.texts}
    assert {down(cell.margin_lower_m) for cell in found.cells} <= figures


def test_every_word_has_its_own_sign_mark_and_fill() -> None:
    """So a copy in black and white still tells them apart."""
    words: list[Word] = ["clear of limit", "low margin", "breach", "undecided"]
    for table in (SIGNS, PLAIN_SIGNS, MARKERS, HATCHES, COLOURS):
        assert len({table[w] for w in words}) == len(words)


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 definition."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_coloured_words_have_enough_contrast() -> None:
    """WCAG 2.2, 1.4.3: text at least 4.5 to 1; amber is never used for text."""
    for what in ("clear of limit", "breach", "undecided"):
        assert 1.05 / (luminance(COLOURS[what]) + 0.05) >= 4.5, what  # type: ignore[index]


@pytest.mark.slow
def test_a_million_points_draw_thinned_and_say_so(tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    xyz = rng.uniform([-40, -40, 0], [40, 40, 12], (1_000_000, 3))
    cloud = Body("scan", "cloud", shapes.points(xyz, uncertainty=0.1))
    settings = {key: replace(s, bodies=(*s.bodies, cloud)) for key, s in example_settings().items()}
    result = example_result()
    files = drawings.draw_all(example_scene(), replace(result, stages=(result.stages[2],)), settings, tmp_path)
    text = text_of(next(f for f in files if f.name.endswith("plan.svg")))
    assert re.search(r"scan: [\d,]+ of [\d,]+ points in view are drawn, one in each 0\.\d\d m; all are checked\.", text)
    assert max(f.stat().st_size for f in files) < 5_000_000


def test_names_that_look_like_formulas_or_markup_are_drawn_as_they_are(tmp_path: Path) -> None:
    result = replace(example_result(), scene="bay $x_1$ <b> & 試験", stages=(example_result().stages[3],))
    files = drawings.draw_all(example_scene(), result, example_settings(), tmp_path)
    assert "bay $x_1$ &lt;b&gt; &amp; 試験" in files[0].read_text(encoding="utf-8")


def test_a_stage_without_a_setting_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="a setting for every stage"):
        drawings.draw_all(example_scene(), example_result(), {}, tmp_path)


def test_settings_may_be_by_stage_alone(tmp_path: Path) -> None:
    by_stage = {stage: setting for (stage, check), setting in example_settings().items() if check == "posture"}
    result = replace(example_result(), stages=(example_result().stages[0],))
    assert drawings.draw_all(example_scene(), result, by_stage, tmp_path)


def test_of_several_pieces_of_a_stage_the_one_that_holds_the_instant_is_drawn() -> None:
    (whole,) = [s for key, s in example_settings().items() if key == ("climb", "posture")]
    low = replace(whole, box={**whole.box, "climb_m": (0.3, 3.0)})
    high = replace(whole, box={**whole.box, "climb_m": (3.0, 7.0)})
    leading = leading_drawn(example_result().stages[1])
    assert leading is not None
    assert leading.at["climb_m"] == 7.0
    assert setting_of({("climb", "posture"): (low, high)}, "climb", leading) is high
    assert moved_on(high, leading.at) == ""
    assert moved_on(low, leading.at).startswith("What changes shape is drawn as it is for climb 0.3 to 3 m, not")


def test_progress_is_told_every_drawing(tmp_path: Path) -> None:
    told: list[str] = []
    result = replace(example_result(), stages=(example_result().stages[1],))
    files = drawings.draw_all(example_scene(), result, example_settings(), tmp_path, told.append)
    assert [f.stem for f in files if f.suffix == ".svg"] == told


def test_the_closing_words_support_and_do_not_replace(folder: Path) -> None:
    assert "does not replace" in SUPPORTS
    for path in folder.glob("*.svg"):
        assert "supports, and does not replace" in text_of(path), path.name


def test_nothing_is_called_safe(folder: Path) -> None:
    for path in folder.glob("*.svg"):
        assert not re.search(r"\bsafe\b|\bcaution\b", text_of(path), re.IGNORECASE), path.name
