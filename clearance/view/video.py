"""Owns an animation of a stage: all its steps as a GIF, or as an MP4 where there is an encoder.

A recorded instant stays for a second, every other step for a fifth of one. An MP4 is what slides and telephones play;
it is made by ffmpeg, the one on the path or the one that comes with the extra `video`.
"""

from __future__ import annotations

import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from PIL import Image

from clearance.errors import InputError, MissingExtra, Mistake
from clearance.view import pictures, probe, viewpoint
from clearance.view.page_zones import PageZone

STEP_MS: Final = 200
INSTANT_MS: Final = 1000

SIZE: Final = (900, 620)
"""[px] Of an animation; even, as the encoder asks."""


def animation(
    data: Mapping[str, Any],
    stage: int,
    view: str,
    path: Path,
    size: tuple[int, int] = SIZE,
    zones: Sequence[PageZone] = (),
) -> Path:
    """All steps of a stage from a named view, as the file's ending asks. Raises as `ready` and `pictures.picture`."""
    encoder = ready(path)
    steps = data["stages"][stage]["steps"]
    frames = [Image.fromarray(pictures.picture(data, stage, k, view, size, zones)) for k in range(len(steps))]
    lasting = [INSTANT_MS if step.get("rows") else STEP_MS for step in steps]
    if encoder is None:
        colours = frames[viewpoint.lead_step(data, stage)].quantize(128)
        quantised = [frame.quantize(palette=colours, dither=Image.Dither.NONE) for frame in frames]
        quantised[0].save(path, save_all=True, append_images=quantised[1:], duration=lasting, loop=0, optimize=False)
        return path
    return _encoded(encoder, frames, lasting, path)


def ready(path: Path) -> str | None:
    """The encoder for an animation, None for a GIF, which needs none.

    Raises InputError for another ending, MissingExtra for an MP4 where there is no encoder.
    """
    kind = path.suffix.lower()
    if kind == ".gif":
        return None
    if kind != ".mp4":
        raise InputError(Mistake(("--animation", str(path)), "a file that ends in .gif or .mp4", kind or "no ending"))
    found = probe.encoder()
    if found is None:
        lacking = "MP4 needs an ffmpeg that has libx264, which is not here"
        raise MissingExtra(f"{lacking}: {probe.VIDEO_LINE}; or name a file that ends in .gif")
    return found


def _encoded(encoder: str, frames: Sequence[Image.Image], lasting: Sequence[int], path: Path) -> Path:
    """Frames of one size through ffmpeg, each as often as it lasts; the same frames give the same bytes."""
    wide, high = frames[0].size
    command = [
        encoder, "-loglevel", "error", "-y",
        "-f", "rawvideo", "-pix_fmt", "rgb24", "-s", f"{wide}x{high}", "-r", str(1000 // STEP_MS), "-i", "-",
        "-c:v", "libx264", "-preset", "medium", "-crf", "20", "-pix_fmt", "yuv420p", "-threads", "1",
        "-map_metadata", "-1", "-fflags", "+bitexact", "-flags:v", "+bitexact", "-movflags", "+faststart",
        "-f", "mp4", str(path),
    ]  # fmt: skip
    with subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        assert running.stdin is not None
        assert running.stderr is not None
        try:
            for frame, lasts in zip(frames, lasting, strict=True):
                for _ in range(lasts // STEP_MS):
                    running.stdin.write(frame.convert("RGB").tobytes())
            running.stdin.close()
        except BrokenPipeError:
            pass  # it has ended, and says why below
        said = running.stderr.read().decode("utf-8", "replace").strip()
        code = running.wait()
    if code:
        path.unlink(missing_ok=True)
        raise OSError(None, f"ffmpeg could not write it: {said.splitlines()[-1] if said else f'code {code}'}")
    return path
