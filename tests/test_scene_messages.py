"""Every wrong scene in `messages/` gives the message its first lines state, word for word; the right one gives none."""

from __future__ import annotations

from pathlib import Path

import pytest

from clearance.errors import InputError
from clearance.scene.reading import read_scene

FOLDER = Path(__file__).parent / "messages"
SCENES = sorted(FOLDER.glob("*.toml"))


def said_in(path: Path) -> str:
    mark = "# says: "
    return "\n".join(line.removeprefix(mark) for line in path.read_text().splitlines() if line.startswith(mark))


@pytest.mark.parametrize("path", [path for path in SCENES if path.stem != "nothing_wrong"], ids=lambda path: path.stem)
def test_a_wrong_scene_gives_its_message(path, monkeypatch):
    monkeypatch.chdir(FOLDER)
    assert said_in(path), "a scene in this folder states its message"
    with pytest.raises(InputError) as caught:
        read_scene(path.name)
    assert str(caught.value) == said_in(path)


def test_the_scene_they_are_made_from_is_right():
    assert said_in(FOLDER / "nothing_wrong.toml") == ""
    assert read_scene(FOLDER / "nothing_wrong.toml").name == "bay"


def test_each_wrong_scene_differs_in_what_it_says():
    said = [said_in(path).split(": ", 1)[-1] for path in SCENES]
    assert len(set(said)) == len(said)
