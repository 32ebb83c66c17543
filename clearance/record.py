"""Owns the record of a check: scene, every file it names, and the result, in one archive that can be replayed.

To keep a record use `write_record`; to replay one, `opened` and then `compared`. The archive is a plain zip, stored
without compression and without dates, so the same check gives the same bytes anywhere, and any tool opens it:

- record.json: format, version, where the scene is, its digest, the tolerance, the digest of every file
- result.json: the result as `clearance check --json` writes it
- inputs/...: the scene and the files it names, where they stood to one another

The digest of the scene is that of its content (`clearance.scene.digest`); those of files are of their bytes.

Format history
1: first format.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Final

from clearance.errors import InputError, Mistake
from clearance.result import Result
from clearance.scene.checks import named_files
from clearance.scene.reading import read_scene, scene_of
from clearance.scene.records import Scene, where
from clearance.scene.writing import scene_text

FORMAT: Final = 1
DATE: Final = (1980, 1, 1, 0, 0, 0)
MOST_BYTES: Final = 2_000_000_000
"""[bytes] Most that is unpacked: a damaged or hostile archive may claim any size."""


@dataclass(frozen=True)
class Record:
    """An archive that was opened.

    scene: the scene, unpacked; tolerance_m: the tolerance it was checked at [m]; version: of the tool that wrote it
    result: the recorded result, as its JSON text
    """

    scene: Scene
    tolerance_m: float
    version: str
    result: str


def packed(scene: Scene, result: Result) -> bytes:
    """The archive of a checked scene: its file as it was read, or its text where it was made or changed in Python.

    Raises: InputError for the result of another scene, and for a scene that names a file by a path that holds on this
    machine only.
    """
    if result.sha256 != scene.sha256:
        place, expected = where(scene), f"the result of this scene, {scene.sha256[:12]}"
        raise InputError(Mistake(place, expected, f"that of {result.sha256[:12]}", "check the scene as it is"))
    files = _inputs(scene)
    result_json = result.to_json().encode()
    contents = {**files, "result.json": result_json}
    about = {
        "format": FORMAT,
        "version": result.version,
        "scene": next(iter(files)),
        "scene_sha256": scene.sha256,
        "tolerance_m": result.tolerance_m,
        "files": {name: hashlib.sha256(content).hexdigest() for name, content in sorted(contents.items())},
    }
    contents["record.json"] = (json.dumps(about, indent=1, ensure_ascii=False) + "\n").encode()
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as archive:
        for name in sorted(contents):
            entry = zipfile.ZipInfo(name, DATE)
            entry.external_attr = 0o644 << 16
            entry.create_system = 3  # else the bytes would tell which system wrote them
            archive.writestr(entry, contents[name])
    made = stream.getvalue()
    _reads_back(scene, made)
    return made


def _inputs(scene: Scene) -> dict[str, bytes]:
    """The scene file first, then the files it names, by their names in the archive."""
    path = (scene.path or scene.folder / "scene.toml").resolve()
    files = {path: _text(scene), **{file.resolve(): file.read_bytes() for _, file in named_files(scene)}}
    top = Path(os.path.commonpath([str(file.parent) for file in files]))
    return {str(PurePosixPath("inputs", *file.relative_to(top).parts)): content for file, content in files.items()}


def _text(scene: Scene) -> bytes:
    """The scene's file, comments and all, where it still says what the scene does; else what the scene says."""
    if scene.path is not None and scene.path.is_file():
        content = scene.path.read_bytes()
        try:
            if scene_of(content, scene.path).sha256 == scene.sha256:
                return content
        except InputError:
            pass  # it was changed since, to something that is no scene
    return scene_text(scene).encode()


def _reads_back(scene: Scene, archive: bytes) -> None:
    """What was packed must read back as the same scene, from its own files alone."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "record.zip"
        path.write_bytes(archive)
        with opened(path) as record:
            inside = Path(record.scene.folder).resolve()
            for place, file in named_files(record.scene):
                top = next(parent for parent in [inside, *inside.parents] if parent.name == "inputs")
                if not file.resolve().is_relative_to(top):
                    expected = "a path from the folder of the scene, so that it holds wherever the record is opened"
                    raise InputError(
                        Mistake((*where(scene), *place[1:]), expected, str(file), "move the file beside it")
                    )


@contextmanager
def opened(path: Path) -> Iterator[Record]:
    """The record in an archive, unpacked while the context lasts.

    Raises: InputError for what is no record, is damaged, or holds another scene than it says.
    """
    with tempfile.TemporaryDirectory() as folder:
        about = _unpacked(path, Path(folder))
        scene = read_scene(Path(folder) / about["scene"])
        if scene.sha256 != about["scene_sha256"]:
            found = f"{scene.sha256}"
            raise InputError(Mistake((str(path), about["scene"]), f"the scene {about['scene_sha256']}", found, ""))
        result = (Path(folder) / "result.json").read_text(encoding="utf-8")
        yield Record(scene, float(about["tolerance_m"]), str(about["version"]), result)


def _unpacked(path: Path, folder: Path) -> dict[str, Any]:
    """Every file of an archive that its record names, with the digest it must have, put into a folder."""

    def wrong(place: str, expected: str, found: str) -> InputError:
        return InputError(Mistake((str(path), place), expected, found, "take a whole copy of the record"))

    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
            if "record.json" not in names:
                raise wrong("record.json", "a record written by `clearance record`", "no such file in it")
            about: dict[str, Any] = json.loads(archive.read("record.json"))
            if about.get("format") != FORMAT:
                raise wrong("format", f"{FORMAT}", f"{about.get('format')!r}")
            for key in ("version", "scene", "scene_sha256", "tolerance_m", "files"):
                if key not in about:
                    raise wrong(f"record.json: {key}", "an entry", "nothing")
            for name in [about["scene"], "result.json"]:
                if name not in about["files"]:
                    raise wrong(str(name), "a file of the record", "nothing")
            if sum(info.file_size for info in archive.infolist()) > MOST_BYTES:
                raise wrong("size", f"at most {MOST_BYTES:,} bytes", "more")
            for name, digest in about["files"].items():
                parts = PurePosixPath(name).parts
                if name not in names or ".." in parts or PurePosixPath(name).is_absolute() or "\\" in name:
                    raise wrong(name, "a file of the record", "none of that name")
                content = archive.read(name)
                if hashlib.sha256(content).hexdigest() != digest:
                    raise wrong(name, f"the content with digest {digest[:12]}", "another")
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (folder / name).write_bytes(content)
    except (OSError, zipfile.BadZipFile, ValueError) as error:
        raise wrong("archive", "a record written by `clearance record`", str(error).lower() or "nothing") from None
    return about


@dataclass(frozen=True)
class Comparison:
    """How a replay compares with its record.

    same: the same bytes; verdicts: stages whose verdict is another, as (stage, recorded, now)
    most_m: the largest difference of a proven gap [m], None where the stages or gaps are not the same ones
    """

    same: bool
    verdicts: tuple[tuple[str, str, str], ...]
    most_m: float | None


def compared(record: Record, result: Result) -> Comparison:
    """A replayed result beside the recorded one."""
    now = result.to_json()
    if now == record.result:
        return Comparison(True, (), 0.0)
    old, new = json.loads(record.result), json.loads(now)
    before = {stage["name"]: stage for stage in old["stages"]}
    after = {stage["name"]: stage for stage in new["stages"]}
    verdicts = tuple(
        (name, before.get(name, {}).get("verdict", "not there"), after.get(name, {}).get("verdict", "not there"))
        for name in dict.fromkeys((*before, *after))
        if before.get(name, {}).get("verdict") != after.get(name, {}).get("verdict")
    )
    most = 0.0
    for name, stage in before.items():
        one, other = _gaps(stage), _gaps(after.get(name, {}))
        if one.keys() != other.keys():
            return Comparison(False, verdicts, None)
        most = max([most, *(abs(one[key] - other[key]) for key in one)])
    return Comparison(False, verdicts, most)


def _gaps(stage: dict[str, Any]) -> dict[tuple[str, ...], float]:
    found: dict[tuple[str, ...], float] = {}
    for gap in stage.get("gaps", []):
        for check, measure in (("posture", gap), ("reach", gap["reach"])):
            if measure is not None and measure["gap_lower_m"] is not None:
                found[(*gap["between"], gap["kind"], check)] = measure["gap_lower_m"]
    return found
