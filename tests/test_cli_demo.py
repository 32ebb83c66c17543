"""The demonstration's briefing is the same whether a second process makes it or this one has to."""

from __future__ import annotations

import multiprocessing
import signal
import sys
import time
from dataclasses import replace

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


@pytest.mark.slow
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


def interrupted(checked, folder, waiting, there):
    """Interrupts the work beside a second process, and adds what processes there were."""
    path, result = checked
    with demo.second_process(path) as brief:
        there += multiprocessing.active_children()
        if waiting:
            # More than the pipe to the second process holds, so that it is still being written when that ends.
            brief(replace(result, skipped=("x" * 10_000_000,)), folder)
        raise KeyboardInterrupt


@pytest.mark.parametrize("waiting", [False, True], ids=["while it stages the scene", "with a briefing to make"])
def test_an_interrupt_leaves_no_process_behind(checked, tmp_path, waiting):
    """Gone when the interrupt goes on, without a further wait; a process that somebody else began is left alone."""
    other = multiprocessing.get_context("spawn").Process(target=time.sleep, args=(600,))
    other.start()
    try:
        there = []
        with pytest.raises(KeyboardInterrupt):
            interrupted(checked, tmp_path, waiting, there)
        (second,) = set(there) - {other}
        assert second.exitcode == -signal.SIGTERM, "not ended by itself, after its work"
        assert multiprocessing.active_children() == [other]
    finally:
        other.kill()
        other.join()


def test_where_no_second_process_can_begin_it_is_made_here(checked, tmp_path, monkeypatch):
    """The pool is made, but the system has no process left for it."""

    def refuse(_):
        raise OSError("no process")

    monkeypatch.setattr(multiprocessing.get_context("spawn").Process, "_Popen", staticmethod(refuse))
    assert made_apart(checked, tmp_path / "apart") == made_here(checked, tmp_path / "here")
