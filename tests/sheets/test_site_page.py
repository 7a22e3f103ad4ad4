"""The page of one parcel: inert, complete, and good to use on a phone."""

import json
import re
from dataclasses import replace

import pytest

from geoseptic.io.sites import read_lots, read_site
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.sheets.contours import no_contours
from geoseptic.sheets.distances import kept_distances
from geoseptic.sheets.page import site_page
from geoseptic.sheets.plan import plan_of
from tests.sheets.finished import HOSTILE_ID, HOSTILE_REASON


@pytest.fixture(scope="module")
def fitting(run):
    lots = read_lots(run)
    return read_site(run, lots, lots[lots.verdict.str.startswith("fits by")].sort_values("lot_ft2").parcel_id.iloc[0])


def page_of(site, run) -> str:
    return site_page(plan_of(site, no_contours("not asked")), run, "site_A.pdf").decode("utf-8")


def test_the_page_says_first_what_it_finds_and_what_to_do(run, fitting):
    """The verdict in words stands before the plan, and the plan before the tables; each well that asks for a distance is in them."""
    page = page_of(fitting, run).partition("<body>")[2]
    places = [
        page.index(words) for words in (SCREENING_AID, "by what is on record.</strong>", '<svg viewBox="0 0 135', '<h2 id="setbacks"')
    ]
    assert places == sorted(places)
    for kept in kept_distances(fitting):
        if kept.feature == "private_well":
            assert kept.feature_id in page
    assert "Never enter or lean into a tank" in page and 'href="site_A.pdf"' in page


def test_hostile_words_of_the_data_are_inert(run, fitting):
    """A parcel named like a script, and reasons that close elements, come out as text; nothing but one style is allowed to act."""
    row = {**fitting.row, "parcel_id": HOSTILE_ID, "reasons": HOSTILE_REASON, "notes": HOSTILE_REASON, "verdict": "cannot say"}
    page = page_of(replace(fitting, parcel_id=HOSTILE_ID, row=row), run)
    assert "<script" not in page and "<img" not in page and 'onerror="' not in page.replace("onerror=&quot;", "")
    assert "&lt;script&gt;" in page
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)[1]
    assert policy.startswith("default-src 'none'; style-src 'sha256-") and "unsafe" not in policy
    assert "http:" not in page.replace("http://www.w3.org/2000/svg", "") and " style=" not in page


@pytest.mark.parametrize("width", [360, 1280])
def test_a_browser_shows_the_page_without_asking_anybody(run, fitting, browser, tmp_path, width):
    """No request leaves, nothing is complained of, the policy lets its styles act, and the page scrolls sideways at neither width."""
    file = tmp_path / "page.html"
    file.write_text(page_of(fitting, run), encoding="utf-8")
    context = browser.new_context(viewport={"width": width, "height": 800}, offline=True)
    page = context.new_page()
    asked, said = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.goto(file.as_uri())
    assert asked == [file.as_uri()] and said == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert page.evaluate("getComputedStyle(document.querySelector('svg .pen-lot-line')).strokeDasharray") != "none"
    assert page.locator("svg text").filter(has_text="TANK").count() == 1
    assert json.loads(page.evaluate("JSON.stringify([...document.querySelectorAll('h1, h2')].map(found => found.textContent))"))[
        0
    ].startswith("Lot MH-")
    context.close()
