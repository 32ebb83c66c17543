"""The briefing: ranges proved at exactly the printed numbers, numbers of the result, pages that are complete."""

from __future__ import annotations

import html
import json
import math
import re
import sys
import types

import pytest
import small_scenes as small
from typer.testing import CliRunner

from clearance import permitted as permits_of
from clearance.cli import app
from clearance.errors import MissingExtra
from clearance.job.site_gaps import between, site_gaps
from clearance.permitted import inward, permitted, proved, rungs, with_stages
from clearance.pipeline import check_prepared, prepare
from clearance.report import briefing, pdf
from clearance.report.findings import findings, leading
from clearance.report.numbers import exact, figures
from clearance.scene.records import Range
from clearance.shapes import points, segments

# A slab of phase A overhead to which the worker bonds, a wall at earth beside the track: near it nothing holds.
SLAB = small.slab("plate A", bottom_m=7.0, potential="A", at=(0.0, -3.0), size=(2.0, 6.0))
FAR = small.slab("plate B", bottom_m=7.0, potential="B", at=(0.0, -20.0), size=(2.0, 2.0))
WALL = small.box("wall", [0.0, 7.0, 4.0], [8.0, 0.2, 8.0])
CLIMB = {"name": "climb", "kind": "climb", "travel_m": [1.0, 5.0], "climb_m": [1.0, 1.6]}
BOND = {
    "name": "bond", "kind": "bond on", "travel_m": [1.0, 2.0], "climb_m": [4.6, 4.8], "posture": "reaching",
    "bonded": {"worker": "A"}, "bonding_lead_m": 1.4, "clamp_m": [0.0, -3.5, 7.0],
    "anew": True,
}  # fmt: skip
TRACK = {"points_m": [[0, -5], [0, 6]], "heading_deg": 0}


LADDER = {**small.LADDER, "length_m": 6.0, "insulating_to_m": 6.0}
PARTS = {"solids": [SLAB, FAR, WALL], "stages": [CLIMB, BOND], "track": TRACK, "ladder": LADDER,
         "circuits": [{**small.CIRCUIT, "phases": ["A", "B"]}]}  # fmt: skip


def scene(**parts):
    return small.scene(**{**PARTS, **parts})


@pytest.fixture(scope="module")
def clear():
    return permitted(prepare(scene()), 0.005)


@pytest.fixture(scope="module")
def partly():
    """The ladder may stand anywhere up to the wall, where an arm's length of air is missing."""
    return permitted(prepare(scene(stages=[{**BOND, "travel_m": [1.0, 10.4]}])), 0.005)


@pytest.fixture(scope="module")
def page(clear):
    return briefing.briefing_page(clear, briefing.drawn(clear, lambda _: None))


def words_of(text):
    """What a reader sees: no pictures, no styles, no markup."""
    text = re.sub(r"<svg.*?</svg>|<style.*?</style>", " ", text, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", text)))


def printed_ranges(text):
    """The swept ranges of each stage, as the page carries them, and the words of the stage."""
    found = re.findall(r'<div class="stage" id="stage-(\d+)" data-swept="([^"]*)".*?>(.*?)</ul>', text, flags=re.DOTALL)
    return [(json.loads(html.unescape(swept)), words_of(words)) for _, swept, words in found]


@pytest.mark.parametrize(
    ("name", "span", "expected"),
    [
        ("travel_m", (1.904, 2.117), (1.91, 2.11)),
        ("travel_m", (1.9, 2.1), (1.9, 2.1)),  # 1.9 * 100 is 189.99999999999997: on the grid, it stays
        ("climb_m", (0.0, 0.3048), (0.0, 0.3)),
        ("lean_along_deg", (-1.55, 1.55), (-1.5, 1.5)),
        ("travel_m", (1.001, 1.009), (1.001, 1.009)),  # hundredths would leave nothing
        ("travel_m", (2.0625, 2.0625), (2.0625, 2.0625)),
    ],
)
def test_ranges_are_rounded_inward(name, span, expected):
    found = inward(name, Range(*span))
    assert (found.lo, found.hi) == expected
    assert found.lo >= span[0]
    assert found.hi <= span[1]


def test_rungs_lie_within_the_range():
    for low, high in ((5.2, 6.6), (0.0, 1.0), (5.25, 5.35), (0.9, 0.9)):
        found = rungs(Range(low, high), 0.3)
        inside = [k for k in range(40) if low - 1e-9 <= 0.3 * k <= high + 1e-9]
        assert found == ((inside[0], inside[-1]) if inside else None)


def test_every_printed_range_is_proved_by_a_sweep_of_exactly_these_numbers(clear, page):
    stages = [one.stage for one in clear.stages]
    found = printed_ranges(page)
    assert len(found) == len(stages)
    for (swept, words), stage, one in zip(found, stages, clear.stages, strict=True):
        # The words hold the numbers that were swept, and these are the ones the page carries.
        for name, (low, high) in swept.items():
            assert exact(low) in words
            assert exact(high) in words or (low == -high and f"±{exact(high)}" in words)
            assert getattr(stage, name) == Range(low, high)
        assert one.found.verdict == "clear"
    # The same stages made from the page alone, swept anew, give the very result that the page shows.
    again = [
        stage.model_copy(update={name: Range(*span) for name, span in swept.items()})
        for (swept, _), stage in zip(found, stages, strict=True)
    ]
    assert check_prepared(with_stages(clear.prepared, tuple(again)), 0.005) == clear.result


def test_the_printed_part_of_a_stage_that_is_not_clear_is_proved_too(partly):
    (one,) = partly.stages
    assert partly.result.verdict == "breach"
    assert one.outcome == "narrowed"
    assert one.found.verdict == "clear"
    assert proved(partly.prepared, one.stage).verdict == "clear"
    assert one.stage.travel_m.lo == 1.0
    # The wall's face is at 11.9 m; what is left out is at least the limit and the half breadth of a worker, and no more
    # than a bin of the map over it.
    assert 5.0 < one.stage.travel_m.hi < 11.9 - 1.5
    text = briefing.briefing_page(partly, {})
    assert "Only a part of this stage as planned is clear" in text
    assert "DANGER" in text
    assert exact(one.stage.travel_m.hi) in words_of(text)


def test_what_the_narrower_ranges_rest_on_is_written_beside_the_result(partly, tmp_path):
    files, _ = briefing.write_briefing(partly, tmp_path, pdf=False)
    assert [file.name for file in files] == ["briefing.html", "result.json", "permitted.json"]
    asked, printed = (
        json.loads((tmp_path / name).read_text())["stages"][0] for name in ("result.json", "permitted.json")
    )
    assert (asked["verdict"], printed["verdict"]) == ("breach", "clear")
    high = partly.stages[0].stage.travel_m.hi
    assert printed["parameters"]["travel_m"] == [1.0, high] != asked["parameters"]["travel_m"]


def test_a_stage_with_no_part_that_is_clear_is_not_permitted():
    plate = small.wall("near wall", 1.0)
    found = permitted(prepare(scene(solids=[SLAB, FAR, plate], stages=[BOND])), 0.005)
    assert [one.outcome for one in found.stages] == ["none"]
    text = words_of(briefing.briefing_page(found, {}))
    assert "Not permitted: no part of this stage was proved clear" in text
    assert "Clear of every limit" not in text


def test_the_numbers_of_the_briefing_are_those_of_the_result(clear, page):
    whole = json.loads(clear.result.to_json())
    text = words_of(page)
    for stage, one in zip(whole["stages"], clear.stages, strict=True):
        least = leading(one.found)
        found = [gap for gap in stage["gaps"] for gap in (gap, gap["reach"]) if gap and gap["gap_lower_m"] is not None]
        found += stage["approaches"]
        values = [(row["gap_lower_m"], row.get("required_m", row.get("limit_m"))) for row in found]
        values += [(row["left_m"], row["required_m"]) for row in stage["insulation"]]
        assert (least.gap_m, least.required_m) in values
        shown = figures(least.gap_m, least.required_m)
        assert f"Least margin {shown.margin} m" in text
        assert f"{shown.gap} m where {shown.limit} m are required" in text
        assert float(shown.gap) <= least.gap_m
        assert float(shown.limit) >= least.required_m - 1e-9
    limits = {(gap["limit_m"], gap["electrical_m"]) for stage in whole["stages"] for gap in stage["gaps"]}
    rows = briefing.required_distances(clear.stages)
    assert rows
    for row in rows:
        assert (row["limit"], row["electrical"]) in {
            (f"{math.ceil(round(a * 100, 6)) / 100:.2f}", f"{math.ceil(round(b * 100, 6)) / 100:.2f}")
            for a, b in limits
        }
        assert f"{row['limit']} {row['electrical']}" in text


def test_the_page_says_all_that_a_crew_must_be_told(clear, page):
    text = words_of(page)
    for words in (
        "treat it as live", "without speaking to the person in charge", "observer is named below", "Thunder heard",
        "wind over 10 m/s", "humidity over 80 %", "Rain, snow, fog", "arrester or protective gap",
        "Switching on this line",         "reclosing found not blocked", "switching study", "insulating stick",
        "Stop if any is outside",
        "step and touch",
        "strength and overturning", "person in charge", "Signatures", "worker aloft", "network studies", "bonding lead",
        clear.result.sha256, f"clearance {clear.result.version}", "does not replace",
    ):  # fmt: skip
        assert words in text, words
    assert page.count('type="checkbox"') == 0  # boxes to tick on paper
    assert len(briefing.contents(clear)["checks"]) >= 10
    assert not re.search(r"\bsafe(ly|ty|r|st)?\b", text, flags=re.IGNORECASE)
    assert "CAUTION" not in text


def test_digest_and_version_stand_in_the_margin_of_every_page(clear, page):
    margin = re.search(r"@page \{.*?@bottom-left \{ content: \"([^\"]*)\"", page, flags=re.DOTALL)
    assert margin[1] == f"scene {clear.result.sha256[:16]}, clearance {clear.result.version}"
    assert "counter(page)" in page


def test_the_page_needs_nothing_from_elsewhere(page):
    assert not re.search(r"<script|<link|@import|url\((?!#)", page)
    assert set(re.findall(r'https?://[^"\s<]+', page)) <= {"http://www.w3.org/1999/xlink", "http://www.w3.org/2000/svg"}
    assert page.count("<svg") == 2 + 2  # plan, elevation, and one for each stage


def test_the_same_scene_gives_the_same_page(clear, page):
    assert briefing.briefing_page(clear, briefing.drawn(clear, lambda _: None)) == page


def test_names_from_a_scene_are_text():
    worker = {**small.WORKER, "name": "A<script>&"}
    bond = {**BOND, "bonded": {"A<script>&": "A"}}
    found = permitted(prepare(scene(workers=[worker], stages=[bond])), 0.005)
    assert "<script" not in briefing.briefing_page(found, {})


def test_three_gaps_to_measure_with_what_to_expect():
    # Wires straight and level to a millimetre: A above the ground at 9 m, B 4.5 m beside it, a wall 3 m from A.
    def wire(phase, y):
        ends = {"from_m": [-20, y, 9.0], "to_m": [20, y, 9.0]}
        return {"name": f"bus {phase}", "kind": "span", "phase": phase, **ends, "sag_m": 0.001, "diameter_m": 0.03,
                "uncertainty_m": 0.05}  # fmt: skip

    stage = {**BOND, "clamp_m": [0.0, -3.0, 9.0]}  # never swept
    wall = small.box("wall", [0.0, -6.1, 5.0], [8.0, 0.2, 10.0], uncertainty_m=0.02)
    made = scene(solids=[wall], wires=[wire("A", -3.0), wire("B", 1.5)], stages=[stage])
    prepared = prepare(made)
    found = site_gaps(prepared.site, made.stages[0])
    assert [gap.ends for gap in found] == [("bus A", "ground"), ("bus A", "wall"), ("bus A", "bus B")]
    expected = [9.0 - 0.015, 3.0 - 0.015, 4.5 - 0.03]
    assert [gap.expected_m for gap in found] == pytest.approx(expected, abs=0.002)  # the sag
    assert [gap.uncertainty_m for gap in found] == pytest.approx(
        [0.05, 0.07, 0.10], abs=0.003
    )  # stated, and chord error
    row = briefing.measure_row(found[1])
    assert float(row["least"]) >= found[1].expected_m - found[1].uncertainty_m
    assert float(row["most"]) <= found[1].expected_m + found[1].uncertainty_m


def test_the_distance_between_shapes_is_the_least_of_all_pairs():
    one = points([[0, 0, 0], [5, 0, 0]], radius=[0.1, 0.2], uncertainty=[0.01, 0.02])
    other = segments([[7, -1, 0]], [[7, 1, 0]], 0.3, 0.04)
    gap, uncertainty, ends = between(one, other)
    assert (gap, uncertainty) == (pytest.approx(2.0 - 0.5), pytest.approx(0.06))
    assert ends == ((5.0, 0.0, 0.0), (7.0, 0.0, 0.0))


def test_without_a_browser_the_page_comes_out_and_says_what_to_install(tmp_path, monkeypatch):
    def missing(*_):
        raise MissingExtra(pdf.INSTALL)

    monkeypatch.setattr(briefing, "print_pdf", missing)
    path = small.written(tmp_path, **{**PARTS, "stages": [CLIMB]})
    done = CliRunner().invoke(app, ["brief", str(path), "--out", str(tmp_path / "out")])
    assert done.exit_code == 3
    assert (tmp_path / "out" / "briefing.html").is_file()
    assert "apt-get install -y --no-install-recommends chromium" in done.stderr
    assert "pip install 'clearance[brief]'" in done.stderr
    assert CliRunner().invoke(app, ["brief", str(path), "--out", str(tmp_path / "out"), "--no-pdf"]).exit_code == 0


def test_dates_and_identity_of_a_pdf_are_settled_in_place():
    made = b"/CreationDate (D:20260102030405+01'00') /ID [ <0aF1> <93bC> ]"
    found = pdf.settled(made)
    assert found == b"/CreationDate (D:20000101000000+01'00') /ID [ <0000> <0000> ]"
    assert len(found) == len(made)


def test_without_a_browser_weasyprint_prints_it(tmp_path, monkeypatch):
    class Printer:
        def __init__(self, string):
            self.string = string

        def write_pdf(self):
            return f"%PDF {self.string} (D:20260102030405)".encode()

    monkeypatch.setattr(pdf, "browser", lambda: None)
    monkeypatch.setattr(pdf.importlib.util, "find_spec", lambda name: name)
    monkeypatch.setitem(sys.modules, "weasyprint", types.SimpleNamespace(HTML=Printer))
    pdf.print_pdf("<p>page</p>", tmp_path / "one.pdf")
    assert (tmp_path / "one.pdf").read_bytes() == b"%PDF <p>page</p> (D:20000101000000)"


def test_weasyprint_without_its_libraries_is_a_missing_extra(tmp_path, monkeypatch):
    def fail(name):
        raise OSError("cannot load library 'libpango-1.0-0'\nand more")

    monkeypatch.setattr(pdf, "browser", lambda: None)
    monkeypatch.setattr(pdf.importlib.util, "find_spec", lambda name: name)
    monkeypatch.setattr(pdf.importlib, "import_module", fail)
    with pytest.raises(MissingExtra, match=r"apt-get install .* libpango-1\.0-0 .*cannot load library") as caught:
        pdf.print_pdf("<p>page</p>", tmp_path / "one.pdf")
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "one.pdf").exists()


@pytest.mark.slow
@pytest.mark.skipif(pdf.browser() is None, reason="no Chromium that is new enough")
def test_the_pdfs_have_the_size_and_the_same_bytes_twice(clear, page, tmp_path):
    for size, wide, tall in (("A4", 595, 842), ("Letter", 612, 792)):
        made = briefing.briefing_page(clear, {}, size)
        pdf.print_pdf(made, tmp_path / "one.pdf")
        pdf.print_pdf(made, tmp_path / "two.pdf")
        content = (tmp_path / "one.pdf").read_bytes()
        assert content == (tmp_path / "two.pdf").read_bytes()
        boxes = set(re.findall(rb"/MediaBox \[([\d. ]+)\]", content))
        assert boxes
        for box in boxes:
            _, _, right, top = (float(v) for v in box.split())
            assert (right, top) == (pytest.approx(wide, abs=1), pytest.approx(tall, abs=1))


def test_a_result_that_is_known_is_taken_only_where_rounding_changed_nothing(clear):
    assert permitted(clear.prepared, 0.005, known=clear.result).result is clear.result
    assert permitted(clear.prepared, 0.01, known=clear.result).result is not clear.result
    rough = clear.stages[0].stage.model_copy(update={"travel_m": Range(1.0, 1.204)})
    prepared = with_stages(clear.prepared, (rough,))
    known = check_prepared(prepared, 0.005)
    found = permitted(prepared, 0.005, known=known)
    assert found.result is not known
    assert found.stages[0].stage.travel_m == Range(1.0, 1.2)


def test_stages_may_be_changed_without_preparing_the_site_again(clear):
    found = with_stages(clear.prepared, (clear.stages[0].stage,))
    assert found.site.bodies is clear.prepared.site.bodies
    assert len(found.stages) == 1
    assert permits_of.SPANS[0] == "travel_m"
    assert findings(clear.stages[0].found)
