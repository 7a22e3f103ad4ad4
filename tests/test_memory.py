"""Freed memory goes back to the system, so that it does not count in the peak of what comes after."""

import gc
import os
import platform
import weakref
from pathlib import Path

import pytest

from geoseptic.memory import NEW_OBJECTS, give_back, never_freed, seldom_searched
from geoseptic.run import cli, runner

BLOCK, BLOCKS = 100_000, 600


def resident_mib() -> float:
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other C libraries have no such call")
def test_blocks_freed_below_one_that_is_kept_go_back():
    """The C library keeps such blocks by itself: the heap shrinks from its upper end only."""
    blocks = [bytearray(BLOCK) for _ in range(BLOCKS)]
    kept = blocks.pop()
    full_mib = resident_mib()
    del blocks
    give_back()
    assert resident_mib() < full_mib - 0.8 * BLOCK * BLOCKS / 2**20
    assert len(kept) == BLOCK


def test_garbage_is_searched_for_seldom_only_while_it_is_asked_for():
    """Also where what goes on meanwhile ends in an error."""
    before = gc.get_threshold()
    with pytest.raises(ImportError), seldom_searched():
        assert gc.get_threshold() == (NEW_OBJECTS, *before[1:])
        raise ImportError("nothing there")
    assert gc.get_threshold() == before


def test_what_came_in_a_time_of_few_searches_is_not_searched_at_once_afterwards():
    """Not by one search for young objects, nor is anything left where it is never searched."""
    searched: list[int] = []
    gc.callbacks.append(lambda phase, told: searched.append(told["generation"]) if phase == "start" else None)
    try:
        with seldom_searched():
            kept = [[] for _ in range(NEW_OBJECTS // 2)]
            searched.clear()
        more = [[] for _ in range(gc.get_threshold()[0] // 2)]
        assert searched == [] and len(kept) + len(more) > NEW_OBJECTS // 2
    finally:
        gc.callbacks.pop()
    assert gc.get_freeze_count() == 0


WORDS = ["--elevation", "dem.tif", "--rules", "us-wa", "--out", "there"]


class Thing:
    """Something that can be watched going."""


def test_what_is_never_freed_outlives_its_last_name():
    kept, gone = Thing(), Thing()
    watched = weakref.ref(kept), weakref.ref(gone)
    never_freed(kept, 1)
    del kept, gone
    gc.collect()
    assert watched[0]() is not None and watched[1]() is None


@pytest.mark.parametrize("argv", [None, ["slope_suitability", *WORDS]])
def test_only_a_run_of_the_words_of_this_python_process_is_its_last(monkeypatch, argv):
    asked = []
    monkeypatch.setattr(runner, "run", lambda *_, is_last: asked.append(is_last) or {})
    monkeypatch.setattr("sys.argv", ["geoseptic", "slope_suitability", *WORDS])
    assert cli.main(argv=argv) == 0
    assert asked == [argv is None]
