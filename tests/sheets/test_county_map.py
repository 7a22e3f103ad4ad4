"""The county map in a browser without a network: it opens, finds, filters and tells why, and nothing from outside is run."""

import base64
import hashlib
import html
import json
import re
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import geopandas
import pytest

from geoseptic.errors import FileUnreadableError, InputError
from geoseptic.io import maplibrary
from geoseptic.run.cli import main
from geoseptic.sheets.names import file_name
from tests.sheets.finished import HOSTILE_ID, HOSTILE_REASON, write_screening

SHAPELESS = "1 parcels have no outline: they are found by their name, not on the map"


def made(screening: Path, out: Path, *options: str) -> str:
    assert main("county_map", ["--screening", str(screening), "--out", str(out), "-q", *options]) == 0
    return (out / "county_map.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def ranked(screening: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ranking of the first four lots, and of one that nobody screened."""
    lots = geopandas.read_file(screening / "screening.gpkg", layer="parcels")[["parcel_id", "geometry"]].iloc[[0, 1, 2, 3, 6]].copy()
    lots["parcel_id"] = [*lots.parcel_id[:4], "ELSEWHERE"]
    lots["rank"], lots["priority"] = [3, 1, 2, 4, 5], ["first", "first", "second half", "no house on record", "first"]
    lots["cesspool"], lots["wells_exposed"] = "likely", 2
    path = tmp_path_factory.mktemp("ranked") / "priority.gpkg"
    lots.to_file(path, layer="parcels", driver="GPKG", engine="pyogrio")
    return path


@pytest.fixture(scope="module")
def page_file(screening: Path, ranked: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("map")
    made(screening, out, "--ranked", f"{ranked}|parcels", "--overwrite")
    return out / "county_map.html"


@pytest.fixture
def opened(browser: Any, page_file: Path) -> Iterator[SimpleNamespace]:
    """The page, opened and ready, and what it complained of or asked of a network."""
    context = browser.new_context(viewport={"width": 1280, "height": 800}, offline=True)
    page = context.new_page()
    heard: list[str] = []
    page.on("console", lambda message: heard.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: heard.append(f"error: {error}"))
    page.on("request", lambda request: None if request.url.startswith("file:") else heard.append(f"request: {request.url}"))
    page.goto(page_file.as_uri())
    page.wait_for_selector("html[data-ready-ms]", state="attached")
    yield SimpleNamespace(page=page, heard=heard)
    context.close()


def test_the_page_opens_without_a_network_and_says_whose_rules_and_when(opened):
    """No error, no request, not even for a picture; rule set, edition, date, warnings and the caution are in words."""
    page = opened.page
    assert page.inner_text("#shown") == "9 of 9 parcels"
    told = page.inner_text("body")
    for words in (
        "2026-03-04",
        "Rules <of nowhere> (invented)",
        "first",
        "A screening aid, not a permit or a design",
        "Unknown is never clear",
    ):
        assert words in told, words
    assert page.locator("#warnings li").all_text_contents() == ["3 wells state <no> location error"]
    assert opened.heard == []


def test_searching_a_number_finds_and_opens_the_parcel(opened):
    """An equal number comes before those that hold it, and Enter opens it with verdict, meaning and numbers."""
    page = opened.page
    page.fill("#search", "c-1")
    assert page.locator("#found bdi").all_text_contents() == ["C-1", "C-1 UPPER"]
    page.press("#search", "Enter")
    assert page.inner_text("#parcel-title") == "Parcel C-1"
    assert "Does not fit" in page.inner_text("#parcel-body") and "slope" in page.inner_text("#parcel-body")
    page.keyboard.press("Escape")
    assert page.locator("#parcel").is_hidden()
    page.fill("#search", "nowhere")
    assert page.inner_text("#found-count") == "0 parcels with this in the number"


def test_the_filter_changes_the_counts_and_the_spread(opened):
    """Unticked verdicts leave the count, the counts of the priorities and the histogram; unknown sizes stay a row of their own."""
    page = opened.page
    counts = page.locator("#facets .count").all_text_contents
    assert counts() == ["1", "1", "1", "3", "3", "2", "0", "0", "1", "1", "5"]
    page.get_by_label("Does not fit").uncheck()
    assert page.inner_text("#shown") == "6 of 9 parcels"
    assert counts() == ["1", "1", "1", "3", "3", "2", "0", "0", "1", "0", "3"]
    assert page.locator("#bars tr").last.inner_text().split() == ["not", "known", "1"]
    page.get_by_label("Not ranked").uncheck()
    assert page.inner_text("#shown") == "3 of 9 parcels"
    page.click("#all")
    assert page.inner_text("#shown") == "9 of 9 parcels"


def test_the_shown_parcels_are_listed_in_the_order_of_the_ranking(opened):
    """What the map shows is there as a list too, the first parcel first, those without a rank last; it follows the filter."""
    page = opened.page
    page.get_by_text("List of the shown parcels").click()
    # The browser tells of an opened part a moment later.
    page.locator("#listed bdi").first.wait_for()
    names = page.locator("#listed bdi").all_text_contents
    assert names() == ["A-2", "A-3", "A-1", HOSTILE_ID, "B-2", "B-3", "C-1", "C-1 UPPER", "C-3"]
    page.get_by_label("Fits by gravity").uncheck()
    assert names()[0] == "A-2" and page.inner_text("#list-count") == "8 parcels shown, by place in the order"
    page.get_by_role("button", name="A-3").click()
    assert page.inner_text("#parcel-title") == "Parcel A-3"
    assert "300,000,000 square feet" in page.inner_text("#parcel-body")


def test_what_has_no_outline_is_found_all_the_same(opened):
    """A parcel without a shape is opened by its number, its unknown size is told as that, and no layout is said to be drawn."""
    page = opened.page
    page.fill("#search", "C-3")
    page.press("#search", "Enter")
    assert page.inner_text("#parcel-title") == "Parcel C-3" and "no outline" in page.inner_text("#status")
    assert page.locator("#parcel dd.unknown").first.inner_text() == "not known"
    assert "No layout was drawn" in page.inner_text("#parcel-body")


def test_a_click_on_the_map_tells_why_and_what_lies_on_the_same_ground(opened):
    """The parcel under the click is opened: the smaller of two on the same ground, with the other beside it; a hole is no parcel."""
    page = opened.page
    box = page.locator("#map").bounding_box()
    scale = min(box["width"], box["height"]) / 298 * 0.92
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)

    def click(x_m: float, y_m: float) -> None:
        page.mouse.click(middle[0] + (x_m - 149) * scale, middle[1] - (y_m - 149) * scale)

    click(150, 150)
    assert page.inner_text("#parcel-title") == "Parcel B-2"
    assert page.locator("#parcel-body li").all_text_contents()[:2] == ["an open question: a well", "elevation"]
    assert "This is not a clearance" in page.inner_text("#parcel-body")
    click(40, 40)
    assert page.inner_text("#parcel-title") == "Parcel C-1 UPPER"
    page.get_by_role("button", name="C-1", exact=True).click()
    assert page.inner_text("#parcel-title") == "Parcel C-1"
    click(145, 245)
    assert page.inner_text("#parcel-title") == "Parcel C-1"
    click(120, 220)
    assert page.inner_text("#parcel-title") == "Parcel A-2"
    assert opened.heard == []


def test_the_keyboard_alone_is_enough(opened):
    """Enter on the map opens the parcel at the cross in its middle, and the arrows move it there."""
    page = opened.page
    page.focus("#map")
    page.keyboard.press("Enter")
    assert page.inner_text("#parcel-title") == "Parcel B-2"
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.id") == "map"


def test_numbers_and_reasons_from_outside_stay_text(opened):
    """A parcel whose number and reason are markup shows them letter by letter, and nothing of it is run."""
    page = opened.page
    page.fill("#search", "<IMG")
    page.press("#search", "Enter")
    assert page.inner_text("#parcel-title") == f"Parcel {HOSTILE_ID}"
    assert page.locator("#parcel-body li").first.text_content() == HOSTILE_REASON
    assert page.locator("#parcel img, #parcel b, #found img").count() == 0
    assert page.title().startswith("County map") and opened.heard == []


def test_colours_are_those_of_the_declared_legend_and_a_hidden_parcel_has_none(opened):
    """The middle of a lot that fits is drawn in the colour of the layer's style, and in none of them when it is filtered out."""
    page = opened.page
    pixel = """() => {
        const map = document.querySelector('#map').getBoundingClientRect(), scale = Math.min(map.width, map.height) / 298 * 0.92;
        const x = map.x + map.width / 2 + (50 - 149) * scale, y = map.y + map.height / 2 - (250 - 149) * scale;
        for (const tile of document.querySelectorAll('.leaflet-tile')) {
            const box = tile.getBoundingClientRect();
            if (x >= box.x && x < box.right && y >= box.y && y < box.bottom)
                return [...tile.getContext('2d').getImageData(x - box.x, y - box.y, 1, 1).data];
        }
    }"""
    assert page.evaluate(pixel) == [0x12, 0x4A, 0x80, 255]
    page.get_by_label("Fits by gravity").uncheck()
    assert page.evaluate(pixel) == [0xF3, 0xF2, 0xEC, 255]


def test_a_link_with_a_number_opens_that_parcel(browser, page_file):
    """Pages of single parcels may link back to their place on the map; a narrow screen has nothing beyond its edge."""
    context = browser.new_context(viewport={"width": 360, "height": 740}, offline=True, is_mobile=True, has_touch=True)
    page = context.new_page()
    page.goto(f"{page_file.as_uri()}#parcel=A-3")
    page.wait_for_selector("html[data-ready-ms]", state="attached")
    assert page.inner_text("#parcel-title") == "Parcel A-3"
    assert page.evaluate("document.documentElement.scrollWidth") == 360
    context.close()


def test_sheets_of_parcels_are_linked_to_where_there_are_any(browser, screening, tmp_path):
    """The link leads from the map's folder to the sheet, whatever the number; a parcel without a sheet has none; stale sheets are told."""
    sites = tmp_path / "sheets of 50%"
    sites.mkdir()
    names = [file_name("A-1", "pdf"), file_name(HOSTILE_ID, "pdf"), file_name(HOSTILE_ID, "html")]
    digest = hashlib.sha256((screening / "screening.gpkg").read_bytes()).hexdigest()
    record = {"process": "site_sheet", "inputs": {"screening": {"sha256": digest}}, "parameters": {}, "rules": None, "outputs": names}
    (sites / "run.json").write_text(json.dumps(record), encoding="utf-8")
    for name in names:
        (sites / name).write_text("<title>a sheet</title>", encoding="utf-8")
    out = tmp_path / "maps" / "one"
    made(screening, out, "--sites", str(sites))
    assert json.loads((out / "run.json").read_text(encoding="utf-8"))["warnings"] == [SHAPELESS]
    context = browser.new_context(viewport={"width": 1280, "height": 800}, offline=True)
    page = context.new_page()
    page.goto((out / "county_map.html").as_uri())
    page.wait_for_selector("html[data-ready-ms]", state="attached")
    for number, wanted in (("A-1", names[:1]), (HOSTILE_ID, names[:0:-1]), ("A-2", [])):
        page.fill("#search", number)
        page.press("#search", "Enter")
        links = page.locator("#parcel a").evaluate_all("links => links.map((link) => link.href)")
        assert links == [(sites / name).as_uri() for name in wanted]
    page.fill("#search", HOSTILE_ID)
    page.press("#search", "Enter")
    page.get_by_role("link", name="Page of this parcel").click()
    page.wait_for_load_state()
    assert page.title() == "a sheet"
    context.close()
    record["inputs"]["screening"]["sha256"] = "other"
    (sites / "run.json").write_text(json.dumps(record), encoding="utf-8")
    made(screening, out, "--sites", str(sites), "--overwrite")
    assert "were made of another screening than this map" in (out / "run.json").read_text(encoding="utf-8")


def test_the_policy_allows_the_pages_own_scripts_and_nothing_else(page_file):
    """Every script and style is allowed by its hash alone, nothing may be fetched, and what comes from outside is nowhere as it was."""
    text = page_file.read_text(encoding="utf-8")
    policy = html.unescape(re.search(r'Content-Security-Policy" content="([^"]+)"', text)[1])
    assert policy.startswith("default-src 'none'; ") and "unsafe" not in policy and "http" not in policy
    for element in ("script", "style"):
        found = re.findall(rf"<{element}>(.*?)</{element}>", text, re.DOTALL)
        hashes = [base64.b64encode(hashlib.sha256(content.encode()).digest()).decode() for content in found]
        allowed = " ".join(f"'sha256-{digest}'" for digest in hashes)
        assert len(found) == 2 and f"{element}-src {allowed};" in policy
    assert HOSTILE_ID not in text and HOSTILE_REASON not in text and "<of nowhere>" not in text


def test_the_same_screening_makes_the_same_page(screening, tmp_path):
    """The page has no time and no place of its own."""
    assert made(screening, tmp_path / "one") == made(screening, tmp_path / "two")


@pytest.mark.source("leaflet194", where="hashes for pages that load it")
def test_the_map_library_is_the_one_that_its_makers_publish():
    """The installed files are those whose hashes are published, licence and makers' names with them."""
    parts = maplibrary.county_map_parts()
    assert "Leaflet 1.9.4" in parts.library and "BSD 2-Clause License" in parts.licence and "Agafonkin" in parts.licence


def test_another_map_library_is_refused(monkeypatch):
    """A library that anyone changed would run with whoever opens the page."""
    monkeypatch.setitem(maplibrary.PUBLISHED, "leaflet.js", "AAAA")
    with pytest.raises(FileUnreadableError, match="not the file that the makers"):
        maplibrary.county_map_parts()


def test_a_verdict_of_another_version_is_refused(tmp_path):
    """A word that the map does not know would have to be drawn as something that it is not."""
    write_screening(tmp_path / "run")
    path = tmp_path / "run" / "screening.gpkg"
    lots = geopandas.read_file(path, layer="parcels")
    lots.loc[0, "verdict"] = "fits"
    lots.to_file(path, layer="parcels", driver="GPKG", engine="pyogrio")
    from geoseptic.catalog import PROCESSES
    from geoseptic.io.runfolders import read_finished_run

    with pytest.raises(InputError, match="no verdict of this version"):
        PROCESSES["county_map"](read_finished_run(str(path.parent), "screen_county"))
