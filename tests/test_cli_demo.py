"""The demonstration's briefing is the same whether a second process makes it or this one has to."""

from __future__ import annotations

import multiprocessing
import sys

import pytest
import small_scenes as small
from test_briefing import PARTS

from clearance.cli import app  # noqa: F401  (the commands' modules come with it)
from clearance.pipeline import check
from clearance.scene.reading import read_scene

demo = sys.modules["clearance.cli.demo"]


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    path = small.written(tmp_path_factory.mktemp("scene"), **PARTS)
    return path, check(read_scene(path), 0.005)


def contents(files):
    return {file.name: file.read_bytes() for file in files}


def made_here(checked, folder):
    path, result = checked
    folder.mkdir()
    return contents(demo.briefed(path, result, folder))


def made_apart(checked, folder, spoil=lambda: None):
    path, result = checked
    folder.mkdir()
    with demo.second_process(path) as brief:
        waiting = brief(result, folder)
        spoil()
        return contents(waiting())


def test_a_second_process_makes_the_same_bytes(checked, tmp_path):
    here = made_here(checked, tmp_path / "here")
    assert set(here) == {"briefing.html", "result.json"}
    assert here["result.json"].decode() == checked[1].to_json()
    assert made_apart(checked, tmp_path / "apart") == here
    assert not multiprocessing.active_children()


def test_a_second_process_that_dies_is_done_without(checked, tmp_path):
    def kill():
        for child in multiprocessing.active_children():
            child.kill()

    assert made_apart(checked, tmp_path / "apart", kill) == made_here(checked, tmp_path / "here")


def test_where_there_can_be_no_second_process_it_is_made_here(checked, tmp_path, monkeypatch):
    def refuse(*_):
        raise OSError("no semaphores here")

    monkeypatch.setattr(demo, "ProcessPoolExecutor", refuse)
    assert made_apart(checked, tmp_path / "apart") == made_here(checked, tmp_path / "here")


def test_an_interrupt_leaves_no_process_behind(checked):
    with pytest.raises(KeyboardInterrupt), demo.second_process(checked[0]):
        raise KeyboardInterrupt
    for child in multiprocessing.active_children():
        child.join(60)
    assert not multiprocessing.active_children()
