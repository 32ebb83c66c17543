"""How many steps a second the 3D page draws with software rendering, in a headless Chromium, with scans of three sizes.

    python tests/bench/bench_page.py [--points 0 50000 200000] [--seconds 4] [--against BUNDLE.js]

The page of a short job of the demonstration, with a scan of its own round the track, 1440 by 900 px, its 3D view. Two
things are asked for at every animation frame, through the page's own request to draw: the next step of the slider, and
a turn of the view. What is counted is frames over time, with the browser's own holding back where drawing falls behind;
60 is the most a screen shows. Beside it stands the processor time that all of the browser's processes took for a frame,
which depends less on what else the machine does. With another bundle the same pages are measured in turn with it, and
the ratio is given: quote that, machines and their load differ. Goals: 30 steps a second with 50,000 points, 10 with
200,000.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from browser import Browser
from page_example import example

from clearance import shapes
from clearance.bodies import Body
from clearance.view import page
from clearance.view.scene_data import page_data

SIZE_PX = (1440, 900)
ROUNDS = 3
"""Times each is measured, the bundles in turn; the median is given."""

LOOP = """new Promise((done) => {
  const page = clearance.page, draw = %s;
  let step = 0, frames = page.frames, began = 0;
  const go = (now) => {
    if (step === 10) { began = now; frames = page.frames; }
    if (step > 10 && now - began > %d) { done((page.frames - frames) / ((now - began) / 1000)); return; }
    step += 1;
    draw(step);
    requestAnimationFrame(go);
  };
  requestAnimationFrame(go);
})"""

DRAWS = {
    "slider": "(n) => page.setStep(n % page.stage.steps.length)",
    "turning": "(n) => { page.look.rotate(0.02, 0); page.request(); }",
}


def pages(folder: Path, points: list[int], bundles: dict[str, str]) -> dict[tuple[int, str], Path]:
    """A page for each number of points and each bundle."""
    found, made = example(), {}
    for count in points:
        prepared = found.prepared
        if count:
            draw = np.random.default_rng(5)
            scan = draw.uniform([-60, -60, 0], [60, 60, 1], (count, 3)) * [1, 1, 12] ** draw.uniform(0, 1, (count, 1))
            cloud = Body("scan", "cloud", shapes.points(scan))
            prepared = replace(
                prepared,
                stages=tuple(
                    tuple(replace(piece, bodies=(*piece.bodies, cloud)) for piece in pieces)
                    for pieces in prepared.stages
                ),
            )
        data = page_data(prepared, found.result)
        for name, text in bundles.items():
            page.bundle = lambda text=text: text
            made[count, name] = folder / f"{count}-{name}.html"
            made[count, name].write_text(page.page_text(data, 0.05), encoding="utf-8")
    return made


def rate(tab: Browser, file: Path, draw: str, seconds: float) -> tuple[float, float]:
    """Frames a second, and processor time [ms] of each."""
    tab.go(f"{file.as_uri()}#theme=light")
    if tab.errors:
        raise RuntimeError(tab.errors)
    frames, spent = tab.js("clearance.page.frames"), processor_ms(tab)
    found = float(tab.js(LOOP % (DRAWS[draw], int(1000 * seconds)), timeout_s=120))
    spent = processor_ms(tab) - spent
    return found, spent / (tab.js("clearance.page.frames") - frames)


def processor_ms(tab: Browser) -> float:
    """Processor time [ms] of all processes of the browser so far: those of the session it leads."""
    ticks = 0
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            fields = stat.read_text().rsplit(")", 1)[1].split()
            ticks += int(fields[11]) + int(fields[12]) if int(fields[3]) == tab.process.pid else 0
    return 1000.0 * ticks / os.sysconf("SC_CLK_TCK")


def main() -> None:
    """Measure and print a markdown table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--points", type=int, nargs="+", default=[0, 50_000, 200_000])
    parser.add_argument("--seconds", type=float, default=4.0)
    parser.add_argument("--against", type=Path)
    asked = parser.parse_args()
    bundles = {"this": page.bundle()}
    if asked.against is not None:
        bundles["other"] = asked.against.read_text(encoding="utf-8").replace("</script", "<\\/script")
    print(f"load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    heads = ["points", "drawn", *(f"{name}, frames/s (ms)" for name in bundles)]
    heads += ["ratio"] if len(bundles) > 1 else []
    print("| " + " | ".join(heads) + " |\n" + "|---" * len(heads) + "|")
    with tempfile.TemporaryDirectory() as folder:
        files = pages(Path(folder), asked.points, bundles)
        tab = Browser(*SIZE_PX)
        try:
            for count in asked.points:
                for draw in DRAWS:
                    rates: dict[str, list[tuple[float, float]]] = {name: [] for name in bundles}
                    for _ in range(ROUNDS):
                        for name in bundles:
                            rates[name].append(rate(tab, files[count, name], draw, asked.seconds))
                    middle = {name: np.median(values, axis=0) for name, values in rates.items()}
                    cells = [f"{count:,}", draw, *(f"{a:.1f} ({b:.0f})" for a, b in middle.values())]
                    if len(bundles) > 1:
                        faster = middle["this"] / middle["other"]
                        cells.append(f"{faster[0]:.2f} ({faster[1]:.2f})")
                    print("| " + " | ".join(cells) + " |", flush=True)
        finally:
            tab.close()
    print(f"load after: {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
