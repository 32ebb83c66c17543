"""The page in a headless Chromium with software rendering: what a person sees and does."""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from browser import NPM_S, Browser, barriers, installed
from page_example import example
from scipy.ndimage import binary_dilation

from clearance import shapes
from clearance.bodies import Body
from clearance.report.numbers import up
from clearance.view.drawn import Drawing
from clearance.view.page import SOURCES, bundle, write_page
from clearance.view.page_zones import PageZone
from clearance.zones import Person, zones_of

SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="40" height="20"><path d="M0 0H40V20H0" style="fill:#0072B2"/></svg>'
)


@cache
def the_zone():
    """The zone that stands in the page: of somebody at earth, near where the worker climbs."""
    found, region = example(), (np.array([-2.0, -8, 4]), np.array([6.0, -1, 12]))
    (zone,) = zones_of(found.prepared.site, found.prepared.stages[0][0], Person("earth"), 0.5, region)
    return zone


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page")
    (folder / "plan.svg").write_text(SVG)
    found, plan, zone = example(), Drawing("Plan of stage 2", folder / "plan.svg"), the_zone()
    zones = [PageZone(zone, (0, 1)), PageZone(replace(zone, left_out=("dropper A moves",)), (2,))]
    return write_page(found.prepared, found.result, folder / "job.html", [plan], zones)


@pytest.fixture(scope="module")
def tab():
    made = Browser()
    yield made
    made.close()


@pytest.fixture
def opened(tab, file):
    tab.go(f"{file.as_uri()}#theme=light")
    yield tab
    assert tab.errors == []
    assert [a for a in tab.asked if not a.startswith(("file:", "data:", "blob:"))] == []


def text(tab, selector: str) -> str:
    return tab.js(f"document.querySelector({json.dumps(selector)}).innerText")


def click(tab, selector: str) -> None:
    tab.js(f"document.querySelector({json.dumps(selector)}).click()")
    tab.drawn()


def slide(tab, value: int) -> None:
    tab.js(f"(s => {{ s.value = '{value}'; s.dispatchEvent(new Event('input')); }})(document.getElementById('step'))")
    tab.drawn()


def frame(tab) -> np.ndarray:
    """The picture at rest, its own part of the screen."""
    tab.drawn()
    tab.js("clearTimeout(clearance.page.resting); clearance.page.refine(1); clearance.page.render()")
    tab.drawn()
    left, top, right, bottom = tab.js(
        "(b => [b.left, b.top, b.right, b.bottom].map(Math.round))"
        "(document.getElementById('frame').getBoundingClientRect())"
    )
    return tab.picture()[top:bottom, left:right]


def differing(one: np.ndarray, two: np.ndarray) -> float:
    """Part of the pixels that differ by more than 24 of 255 in some colour."""
    return float((np.abs(one - two).max(axis=2) > 24).mean())


def test_it_opens_from_disk_at_the_least_margin_of_the_job(opened, file):
    stage = json.loads(example().result.to_json())["stages"][opened.js("+document.documentElement.dataset.stage")]
    least = min(stage["gaps"], key=lambda g: min(g["margin_lower_m"], (g["reach"] or g)["margin_lower_m"]))

    assert stage["verdict"] == "breach"
    assert opened.js("document.documentElement.dataset.gl") == "on"
    assert "× breach" in text(opened, "#word")
    assert " to ".join(least["between"]) in text(opened, "#here li")
    assert [a for a in opened.asked if not a.startswith("data:")] == [f"{file.as_uri()}"]


def test_the_slider_goes_through_every_step_and_shows_what_was_recorded(opened):
    last = int(opened.js("document.getElementById('step').max"))
    frames = int(opened.js("document.documentElement.dataset.frames"))
    places, recorded = set(), 0
    for step in range(last + 1):
        slide(opened, step)
        places.add(text(opened, "#steptext"))
        if "recorded instant" in text(opened, "#steptext"):
            recorded += 1
            assert opened.js("document.querySelectorAll('#here li').length") > 0
        else:
            assert "No gap is recorded at this step" in text(opened, "#nothing")
    assert len(places) == last + 1
    assert recorded == opened.js("document.querySelectorAll('#marks span').length") > 0
    assert int(opened.js("document.documentElement.dataset.frames")) >= frames + last


def test_figures_on_the_page_are_those_of_the_json(opened):
    """Each row shown at a step: gap down to the centimetre, limit up, of the JSON's own numbers."""
    from clearance.report.numbers import figures

    whole = json.loads(example().result.to_json())
    checked = 0
    for number, stage in enumerate(whole["stages"]):
        opened.js(f"clearance.page.setStage({number})")
        for step in range(int(opened.js("document.getElementById('step').max")) + 1):
            opened.js(f"clearance.page.setStep({step})")
            shown = opened.js(
                "[...document.querySelectorAll('#here .gap')]"
                ".map((b) => [+b.dataset.row, b.querySelector('.figures').innerText])"
            )
            for k, words in shown:
                path = opened.js(f"clearance.page.stage.rows[{k}].path").split("/")
                entry = stage
                for key in path:
                    entry = entry[int(key)] if key.isdigit() else entry[key]
                required = entry["limit_m"] if "limit_m" in entry else entry["required_m"]
                expected = figures(entry["gap_lower_m"], required)
                assert words.startswith(f"gap {expected.gap} m")
                assert f"limit {expected.limit} m" in words
                assert (f"short by {expected.short} m" if expected.short else f"margin {expected.margin} m") in words
                checked += 1
    assert checked > 25


@pytest.mark.slow
def test_views_differ_and_hold_the_gap(opened):
    pictures = {}
    for name in ("3d", "plan", "elevation", "section", "eye", "true"):
        click(opened, f'[data-view="{name}"]')
        assert opened.js("document.documentElement.dataset.look") == name
        assert opened.js(f"document.querySelector('[data-view=\"{name}\"]').getAttribute('aria-pressed')") == "true"
        pictures[name] = frame(opened)
        if name != "eye":
            inside = opened.js(
                "(() => { const p = clearance.page, r = p.drawnRows()[0].row;"
                " const { ends, longest } = p.view.placesOf(r);"
                " return ends.slice(2 * longest, 2 * longest + 2).every((e) => {"
                " const s = p.overlay.onScreen(p.look, e);"
                " return s && s[0] >= 0 && s[1] >= 0 && s[0] <= p.look.width && s[1] <= p.look.height; }); })()"
            )
            assert inside, name
    names = list(pictures)
    for i, one in enumerate(names):
        for other in names[i + 1 :]:
            assert differing(pictures[one], pictures[other]) > 0.02, (one, other)


def test_true_length_is_to_scale(opened):
    """Pixels between the ends of the line, times the view's metres a pixel, are the length the check found."""
    click(opened, '[data-view="true"]')
    pixels, metres, k, leg = opened.js(
        "(() => { const p = clearance.page, d = p.drawnRows()[0]; const { ends, longest } = p.view.placesOf(d.row);"
        " const [a, b] = ends.slice(2 * longest, 2 * longest + 2).map((e) => p.overlay.onScreen(p.look, e));"
        " return [Math.hypot(a[0] - b[0], a[1] - b[1]), p.look.metresPerPixel, d.k, longest]; })()"
    )
    air = opened.js(f"clearance.page.rows[{k}].air[{leg}]")
    assert pixels * metres == pytest.approx(np.linalg.norm(np.array(air[:3]) - air[3:]), rel=1e-3)


@pytest.mark.slow
def test_layers_take_away_and_give_back(opened):
    before = frame(opened)
    for layer in ("wires", "structures", "ladder", "worker", "labels", "gaps"):
        click(opened, f"#layer-{layer}")
        assert differing(before, frame(opened)) > 0.0005, layer
        click(opened, f"#layer-{layer}")
    assert differing(before, frame(opened)) < 0.002


def test_a_zone_is_shown_with_its_error_and_hidden_again(opened):
    before = frame(opened)
    choose = "((s, v) => { s.value = v; s.dispatchEvent(new Event('change')); })(document.getElementById('zone'), %s)"
    opened.js(choose % "document.querySelector('#zone option:last-child').value")
    opened.wait("document.documentElement.dataset.zone !== ''")
    assert differing(before, frame(opened)) > 0.01
    assert f"on the surface it is 0 m to {up(the_zone().mesh.excess_m)} m." in text(opened, "#zoned")
    opened.js(choose % "''")
    assert differing(before, frame(opened)) < 0.002


def test_a_zone_drawn_is_the_zone_made(opened):
    """Unpacked by the page: every triangle's corners are those of the mesh, to the 16-bit step of its box."""
    zone = the_zone()
    opened.js("clearance.page.setStage(0); clearance.page.zones.choose('0')")
    opened.wait("clearance.page.zones.made.size > 0")
    corners, low, step, offset = opened.js(
        "(() => { const m = clearance.page.zones.made.get(0), g = m.geometry, p = g.getAttribute('position').array;"
        " return [[...g.index.array].flatMap((k) => [p[3 * k], p[3 * k + 1], p[3 * k + 2]]),"
        " m.position.toArray(), m.scale.toArray(),"
        " JSON.parse(document.getElementById('data').textContent).offset]; })()"
    )
    drawn = np.array(corners).reshape(-1, 3, 3) * step + low + offset
    made = zone.mesh.vertices[zone.mesh.faces]
    assert len(drawn) == len(made)
    # Triangles in no order, each beginning anywhere: compared by their middles, and by the volume they enclose.

    assert np.abs(np.sort(drawn.mean(axis=1), axis=0) - np.sort(made.mean(axis=1), axis=0)).max() < 2e-4
    volume = [np.einsum("ij,ij->i", t[:, 0], np.cross(t[:, 1], t[:, 2])).sum() / 6 for t in (drawn, made)]
    assert volume[0] == pytest.approx(volume[1], rel=1e-3)


def test_a_stage_offers_its_own_zones_and_keeps_the_person_chosen(opened):
    offered = "[...document.querySelectorAll('#zone option')].map((o) => o.value)"
    opened.js("clearance.page.setStage(0)")
    assert opened.js(offered) == ["", "0"]
    opened.js("clearance.page.zones.choose('0'); document.getElementById('zone').value = '0'")
    opened.wait("document.documentElement.dataset.zone !== ''")
    assert "dropper A" not in text(opened, "#zoned")
    opened.js("clearance.page.setStage(2)")
    assert opened.js(offered) == ["", "1"]
    assert opened.js("document.getElementById('zone').value") == "1"
    assert "Not counted: " in text(opened, "#zoned")
    assert "dropper A" in text(opened, "#zoned")
    opened.wait("document.documentElement.dataset.zone !== ''")


@pytest.mark.slow
def test_the_same_page_gives_the_same_picture(opened, file):
    one = frame(opened)
    opened.go(f"{file.as_uri()}#theme=light&again")
    assert differing(one, frame(opened)) < 0.002


WRITTEN = """(() => {
  const page = clearance.page, box = (e) => e.getBoundingClientRect(), frame = box(document.getElementById('frame'));
  const buttons = [...document.querySelectorAll('#frame button')].filter((e) => e.offsetParent !== null).map(box);
  return [page.overlay.written.filter((w) => w.box).map((w) => [w.text, w.box]), buttons.map((b) =>
    ({ left: b.left - frame.left, right: b.right - frame.left, top: b.top - frame.top, bottom: b.bottom - frame.top })),
    [page.look.width, page.look.height], [Math.floor(frame.width), Math.floor(frame.height)]];
})()"""


@pytest.mark.parametrize("size", [(1440, 900), (1024, 768)])
def test_words_on_the_picture_lie_over_nothing(opened, size):
    """No label on another nor under a button, in any view of any stage, in the very picture that is drawn first: words
    below it take more lines in one view than in another, and the buttons move with its lower edge."""
    opened.call("Emulation.setDeviceMetricsOverride", width=size[0], height=size[1], deviceScaleFactor=1, mobile=False)
    heights = set()
    try:
        opened.js("dispatchEvent(new Event('resize'))")
        for stage in range(3):
            opened.js(f"clearance.page.setStage({stage})")
            opened.js("clearance.page.jump(clearance.page.stage.lead)")
            for view in ("3d", "plan", "elevation", "section", "true"):
                words, buttons, drawn, there = opened.js(
                    f"(() => {{ clearance.page.setView('{view}'); clearance.page.render(); return {WRITTEN}; }})()"
                )
                assert drawn == there
                heights.add(there[1])
                assert any(" m" in one for one, _ in words)
                assert len(buttons) == 12
                boxes = [box for _, box in words]
                for i, a in enumerate(boxes):
                    for b in boxes[i + 1 :] + buttons:
                        beside = a["right"] <= b["left"] or b["right"] <= a["left"]
                        assert beside or a["bottom"] <= b["top"] or b["bottom"] <= a["top"], (stage, view, a, b)
    finally:
        opened.call("Emulation.setDeviceMetricsOverride", width=1400, height=900, deviceScaleFactor=1, mobile=False)
    assert size[0] > 1150 or len(heights) > 1, "on a narrow page the height of the picture changes"


@pytest.fixture(scope="module")
def scanned(tmp_path_factory):
    """A page with a scan of 4,000 points about the place of work."""
    found = example()
    scan = np.random.default_rng(4).uniform([-20, -20, 0], [20, 20, 8], (4000, 3))
    cloud = Body("scan", "cloud", shapes.points(scan))
    stages = tuple(
        tuple(replace(piece, bodies=(*piece.bodies, cloud)) for piece in pieces) for pieces in found.prepared.stages
    )
    prepared = replace(found.prepared, stages=stages)
    return write_page(prepared, found.result, tmp_path_factory.mktemp("scan") / "scan.html")


# Where the points of the scan fall in the picture [px from its lower left], worked out from the page's data alone.
FALLEN = """(() => {
  const p = clearance.page, data = JSON.parse(document.getElementById('data').textContent);
  const { cloud } = data.parts.find((part) => part.cloud);
  const xyz = new Uint16Array(Uint8Array.from(atob(cloud.xyz), (c) => c.charCodeAt(0)).buffer);
  const { width, height } = p.renderer.domElement, camera = p.look.camera;
  const found = [];
  for (let n = 0; n < xyz.length; n += 3) {
    const at = p.look.target.clone().set(...[0, 1, 2].map((k) => xyz[n + k] * cloud.step[k] + cloud.low[k]));
    at.project(camera);
    if (Math.max(Math.abs(at.x), Math.abs(at.y), Math.abs(at.z)) < 1)
      found.push([(at.x + 1) / 2 * width, (at.y + 1) / 2 * height]);
  }
  return [xyz.length / 3, found];
})()"""


@pytest.mark.parametrize("view", ["3d", "plan", "elevation"])
@pytest.mark.slow
def test_scan_points_while_it_moves_are_all_there_and_hidden_as_by_the_renderer(tab, scanned, view):
    """Without a graphics card the page puts points into their pixels itself: each point of the page's data that falls
    into the picture, and behind the same things as the renderer's own."""
    tab.go(f"{scanned.as_uri()}#theme=light&view={view}")
    assert tab.js("document.documentElement.dataset.software") == "true"
    grab = (
        "(() => { const p = clearance.page, gl = p.renderer.getContext(); %s"
        " const { width, height } = p.renderer.domElement, raw = new Uint8Array(4 * width * height);"
        " gl.readPixels(0, 0, width, height, gl.RGBA, gl.UNSIGNED_BYTE, raw);"
        " return [width, height, btoa(Array.from(raw, (v) => String.fromCharCode(v)).join(''))]; })()"
    )

    def picture(how: str) -> np.ndarray:
        width, height, raw = tab.js(grab % how)
        return np.frombuffer(base64.b64decode(raw), np.uint8).reshape(height, width, 4)[..., :3].astype(np.int16)

    def differ(one: np.ndarray, other: np.ndarray) -> np.ndarray:
        return np.abs(one - other).max(axis=2) > 6

    def near(pixels: np.ndarray) -> np.ndarray:
        """With the pixels beside them: renderers round to pixels as they please."""
        return binary_dilation(pixels, np.ones((3, 3)))

    again = "p.renderer.render(p.scene, p.look.camera);"
    ours = picture("clearTimeout(p.resting); p.refine(0.5); p.render();")
    bare = "const others = p.scene.children.filter((o) => o !== p.splat.object && !o.isLight && o.visible);"
    alone = picture(f"{bare} others.forEach((o) => {{ o.visible = false; }}); {again}")
    hidden = "p.splat.object.visible = false; p.view.clouds.forEach((c) => { c.visible = %s; });"
    empty = picture(f"p.splat.object.visible = false; {again}")
    show = "p.scene.children.forEach((o) => { o.visible = true; });"
    theirs = picture(f"{show} {hidden % 'true'} {again}")
    none = picture(f"{hidden % 'false'} {again}")

    count, fallen = tab.js(FALLEN)
    assert count == 4000
    expected = np.zeros(alone.shape[:2], bool)
    expected[tuple(np.floor(np.array(fallen).T[::-1]).astype(int))] = True
    shown = differ(alone, empty)
    assert not (expected & ~near(shown)).any()
    assert not (shown & ~near(expected)).any()
    assert shown.sum() == pytest.approx(expected.sum(), rel=0.02)

    one, other = differ(ours, none), differ(theirs, none)
    assert other.sum() > 0
    assert one.sum() < shown.sum(), "some points are behind other things"
    for these, those in ((one, other), (other, one)):
        assert (these & near(those)).sum() > 0.98 * these.sum()
    assert np.abs(np.median(ours[one], axis=0) - np.median(theirs[other], axis=0)).max() <= 3
    assert tab.errors == []


def test_feet_are_shown_everywhere(opened):
    click(opened, "[name=units][value=ft]")
    side, overview = text(opened, "#here"), text(opened, "#overview")
    assert " ft" in side
    assert " ft" in overview
    for words in (side, overview, text(opened, "#steptext"), text(opened, "#range")):
        assert not re.search(r"\d m\b", words)
    click(opened, "[name=units][value=m]")
    assert " ft" not in text(opened, "#here")


@pytest.mark.slow
def test_dark_page_and_back(opened):
    light = frame(opened)
    click(opened, "#theme")
    assert opened.js("document.documentElement.dataset.theme") == "dark"
    assert frame(opened).mean() < light.mean() - 60
    click(opened, "#theme")
    assert differing(light, frame(opened)) < 0.002


def test_keys_alone_do_everything(opened):
    opened.js("clearance.page.setStage(0)")
    opened.key(".")
    assert opened.js("document.documentElement.dataset.step") == "1"
    opened.key("End")
    assert opened.js("document.documentElement.dataset.step") == opened.js("document.getElementById('step').max")
    opened.key("2")
    assert opened.js("document.documentElement.dataset.look") == "plan"
    before = frame(opened)
    opened.key("ArrowLeft")
    assert differing(before, frame(opened)) > 0.001
    opened.key("1")
    before = frame(opened)
    opened.key("ArrowUp")
    assert differing(before, frame(opened)) > 0.01
    opened.key("w")
    assert "× breach" in text(opened, "#word")


def test_measuring_says_that_it_is_no_gap(opened):
    opened.js("clearance.page.setView('elevation')")
    opened.key("m")
    places = opened.js(
        "((p) => p.labels().slice(0, 2).map((l) => p.overlay.onScreen(p.look, l.at).map(Math.round)))(clearance.page)"
    )
    left, top = opened.js("(b => [b.left, b.top])(document.getElementById('canvas').getBoundingClientRect())")
    for x, y in places:
        opened.mouse("mousePressed", left + x, top + y, button="left", clickCount=1)
        opened.mouse("mouseReleased", left + x, top + y, button="left", clickCount=1)
    opened.drawn()
    said = text(opened, "#measured")
    found = opened.js("clearance.page.measure.points.map((p) => [p.at.x, p.at.y, p.at.z])")
    assert f"{np.floor(100 * np.linalg.norm(np.subtract(*found))) / 100:.2f} m between drawn points" in said
    assert "not a gap of the check" in said
    assert "E 5119" in said or "E 5120" in said  # the scene's zero is at easting 512000


def test_a_drag_turns_and_a_pinch_comes_nearer(opened):
    canvas = "document.getElementById('canvas').getBoundingClientRect()"
    left, top = opened.js(f"[{canvas}.left + 300, {canvas}.top + 250]")
    yaw, distance = opened.js("[clearance.page.look.yaw, clearance.page.look.distance]")
    opened.mouse("mousePressed", left, top, button="left", buttons=1, clickCount=1)
    opened.mouse("mouseMoved", left + 80, top, button="left", buttons=1)
    opened.mouse("mouseReleased", left + 80, top, button="left")
    assert opened.js("clearance.page.look.yaw") != yaw
    for kind, apart in (("touchStart", 40), ("touchMove", 120), ("touchEnd", 0)):
        points = [{"x": left + side * apart, "y": top, "id": side + 1} for side in (-1, 1) if apart]
        opened.call("Input.dispatchTouchEvent", type=kind, touchPoints=points)
    assert opened.js("clearance.page.look.distance") < 0.8 * distance


def test_a_row_of_the_table_leads_to_its_instant(opened):
    opened.js("clearance.page.setStage(0)")
    opened.js("document.querySelector('tr[data-row^=\"1 \"] button').click()")
    opened.drawn()
    assert opened.js("document.documentElement.dataset.stage") == "1"
    assert "recorded instant" in text(opened, "#steptext")


def test_drawings_in_the_page_are_shown_under_its_own_policy(opened):
    opened.js("document.querySelector('#drawings details').open = true")
    opened.wait("document.querySelector('#drawings img').complete")
    colour = opened.js(
        "(() => { const i = document.querySelector('#drawings img');"
        " const c = document.createElement('canvas').getContext('2d');"
        " c.drawImage(i, 0, 0, 40, 20); return [...c.getImageData(10, 10, 1, 1).data].slice(0, 3); })()"
    )
    assert colour == [0x00, 0x72, 0xB2]


def test_without_webgl_it_says_so_and_keeps_tables_and_drawings(file):
    blind = Browser(webgl=False)
    try:
        blind.go(file.as_uri())
        assert blind.js("document.documentElement.dataset.gl") == "off"
        assert "WebGL is missing" in text(blind, "#nogl")
        assert not blind.js("document.getElementById('viewer').checkVisibility()")
        assert blind.js("document.querySelector('#drawings details').open")
        assert "breach" in text(blind, "#overview")
        click(blind, "[name=units][value=ft]")
        assert " ft" in text(blind, "#overview")
    finally:
        blind.close()


def test_nothing_is_ever_called_safe(file):
    words = re.sub(r"base64,[^\"]*|\"[\w+/=]{80,}\"", "", file.read_text(encoding="utf-8").replace(bundle(), ""))
    assert "clear of limit" in words
    assert not re.search("safe", words, re.IGNORECASE)


@pytest.mark.slow
def test_the_bundle_is_what_its_sources_make(tmp_path):
    for source in (*SOURCES.glob("*.js"), SOURCES / "build.mjs", SOURCES / "package.json"):
        if source.name != "bundle.js":
            shutil.copy(source, tmp_path)
    installed(tmp_path)
    subprocess.run(["node", "build.mjs"], cwd=tmp_path, check=True, timeout=NPM_S, capture_output=True)
    assert (tmp_path / "bundle.js").read_bytes() == (SOURCES / "bundle.js").read_bytes()


@pytest.mark.slow
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_no_barrier(tab, file, tmp_path, theme):
    """WCAG 2.2 A and AA, as far as axe-core can tell, with every table open."""
    tab.go(f"{file.as_uri()}#theme={theme}&axe")
    tab.js("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert barriers(tab, tmp_path) == []


@pytest.mark.slow
def test_axe_finds_what_it_is_for(tab, file, tmp_path):
    """A picture without words and pale grey on white, put into the page, are found: the test above is no empty one."""
    tab.go(f"{file.as_uri()}#theme=light&axe")
    tab.js(
        "document.querySelector('main').append(Object.assign(document.createElement('img'), { src: 'data:,' }));"
        "Object.assign(document.querySelector('h1').style, { color: '#bbb' })"
    )
    found = " ".join(barriers(tab, tmp_path))
    assert "image-alt" in found
    assert "color-contrast" in found


def test_a_lost_picture_is_said_and_comes_back(opened):
    """A tablet takes the graphics away from a page in the background, and gives them back."""
    opened.js(
        "globalThis.lose = clearance.page.renderer.getContext().getExtension('WEBGL_lose_context'); lose.loseContext()"
    )
    opened.wait("document.getElementById('nogl').checkVisibility()")
    opened.js("lose.restoreContext()")
    opened.wait("!document.getElementById('nogl').checkVisibility()")
    opened.drawn()
    assert frame(opened).std() > 10
    opened.errors = [e for e in opened.errors if "CONTEXT_LOST" not in e and "Context Lost" not in e]
