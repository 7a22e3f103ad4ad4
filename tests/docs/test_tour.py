"""The tour of the sample county: every block still runs, and what the page quotes is what comes out."""

import importlib
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from PIL import Image, ImageDraw

from tests.house.tree import ROOT

TOUR = ROOT / "sample_data" / "tour"
TEXT = (TOUR / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def tour() -> Iterator[SimpleNamespace]:
    """The modules of sample_data/tour, imported as make_tour.py does."""
    sys.path.insert(0, str(TOUR.parent))
    yield SimpleNamespace(page=importlib.import_module("tour.page"), likeness=importlib.import_module("tour.likeness"))
    sys.path.remove(str(TOUR.parent))


@pytest.mark.slow
def test_every_block_runs_and_prints_what_the_page_quotes(tour: SimpleNamespace, tmp_path: Path):
    """All commands and all Python of the tour, in order; then each quoted output is held against what was printed."""
    (tmp_path / "sample_data").symlink_to(ROOT / "sample_data", target_is_directory=True)
    made = tour.page.run(TEXT, tmp_path)
    quoted = [(block.content, now.content) for block, now in zip(tour.page.blocks(TEXT), tour.page.blocks(made), strict=True)]
    assert [now for before, now in quoted if before != now] == [], "python sample_data/make_tour.py writes them anew"


def test_no_number_in_the_prose_is_without_a_block_that_has_it(tour: SimpleNamespace):
    """So no number in a sentence can go stale: its block would print another one."""
    assert tour.page.stray_numbers(TEXT) == []
    assert tour.page.stray_numbers("## A\n\nOf 398 lots 6 fit.\n\n```text\n398 lots\n```\n") == ["6"]
    assert tour.page.stray_numbers("## A\n\n```text\n6\n```\n\n## B\n\nOnly 6 fit on MH-001-11.\n") == ["6"]


def test_a_block_that_fails_stops_the_tour(tour: SimpleNamespace, tmp_path: Path):
    """A command with a fault, another program, and Python that raises are no quiet blocks."""
    for block, words in (("geoseptic size_field --rules nowhere --out out", "nowhere"), ("ls", "geoseptic alone")):
        with pytest.raises(RuntimeError, match=words):
            tour.page.run(f"```sh\n{block}\n```\n", tmp_path)
    with pytest.raises(ZeroDivisionError):
        tour.page.run("```python\n1 / 0\n```\n", tmp_path)


def test_text_blocks_are_filled_with_what_the_block_before_them_prints(tour: SimpleNamespace, tmp_path: Path):
    page = "a\n\n```python\nx = 2\nprint(x)\n```\n\n```text\n9\n```\n\nb\n\n```python\nprint(x + 1)\n```\n\n```text\n```\n"
    assert tour.page.run(page, tmp_path) == page.replace("9\n", "2\n").replace("```text\n```", "```text\n3\n```")


def test_pictures_are_there_small_and_shown():
    """Each picture of the page exists, none lies about unused, and all together are below a megabyte and a half."""
    pictures = sorted(path.name for path in TOUR.glob("*.png"))
    assert pictures and all(f"]({name})" in TEXT for name in pictures) and TEXT.count(".png)") == len(pictures)
    assert sum((TOUR / name).stat().st_size for name in pictures) < 1_500_000
    for name in pictures:
        with Image.open(TOUR / name) as picture:
            assert picture.mode == "P" and picture.size[0] <= 900


def test_a_picture_that_is_not_current_is_told(tour: SimpleNamespace, tmp_path: Path):
    """A line that moved by a dot is the same picture; an area in another colour, another size and a missing file are not."""
    picture = Image.new("RGB", (400, 300), "white")
    ImageDraw.Draw(picture).line((10, 10, 390, 290), "black", 1)
    picture.save(tmp_path / "a.png")
    moved, coloured = Image.new("RGB", (400, 300), "white"), picture.copy()
    ImageDraw.Draw(moved).line((11, 10, 391, 290), "black", 1)
    ImageDraw.Draw(coloured).rectangle((100, 100, 170, 170), "brown")
    assert tour.likeness.differences({"a": moved}, tmp_path) == []
    assert "4 percent" in tour.likeness.differences({"a": coloured}, tmp_path)[0]
    assert "100 percent" in tour.likeness.differences({"a": picture.resize((500, 300))}, tmp_path)[0]
    assert tour.likeness.differences({"b": picture}, tmp_path) == ["b.png is not there"]
