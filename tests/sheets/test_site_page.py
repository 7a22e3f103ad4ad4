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


def opened(browser, tmp_path, content: str, width: int, **options):
    file = tmp_path / "page.html"
    file.write_text(content, encoding="utf-8")
    page = browser.new_context(viewport={"width": width, "height": 800}, offline=True, **options).new_page()
    page.goto(file.as_uri())
    return page


def lit(page, anchor: str) -> bool:
    """Whether a thing on the plan is drawn red and heavy."""
    style = f"getComputedStyle(document.querySelector('#{anchor} :is(path, circle)'))"
    return page.evaluate(f"[{style}.stroke, {style}.strokeWidth]") == ["rgb(176, 0, 32)", "0.9px"]


def test_every_thing_on_the_plan_leads_to_its_words_and_back(run, fitting):
    """Without a script: a link from each to its description, and from there to it; wells, tank and trenches are among them."""
    page = page_of(fitting, run)
    things = dict(re.findall(r'<a id="(plan-\d+)" class="thing" href="#(plan-\d+-about)">', page))
    back = dict(re.findall(r'<li id="(plan-\d+-about)" tabindex="-1"><a href="#(plan-\d+)">', page))
    assert len(things) > 15 and back == {words: thing for thing, words in things.items()}
    titles = re.findall(r'class="thing" href="[^"]*"><title>([^<]+)</title>', page)
    listed = re.findall(r'-about" tabindex="-1"><a href="[^"]*">([^<]+)</a>', page)
    assert sorted(titles) == sorted(listed)
    for words in (
        "Septic tank",
        "Primary field",
        "Trench 1 of the field",
        "House to tank",
        f"Lot {fitting.parcel_id}",
        "Field to lot line",
    ):
        assert any(words in title for title in titles), words
    assert "<script" not in page and 'role="img"' not in page


def test_the_plan_can_be_gone_through_by_keys(run, fitting, browser, tmp_path):
    """Tab reaches a way round the plan, then the plan, then its things; Enter shows the words of one in the window and lights it, and the
    close link goes back."""
    page = opened(browser, tmp_path, page_of(fitting, run), 1280)
    focused = "document.activeElement"
    page.keyboard.press("Tab")
    assert page.evaluate(f"{focused}.className") == "skip"
    page.keyboard.press("Tab")
    assert page.evaluate(f"{focused}.id") == "plan"
    page.keyboard.press("Tab")
    assert page.evaluate(f"{focused}.id") == "plan-1" and lit(page, "plan-1") and not lit(page, "plan-2")
    page.keyboard.press("Enter")
    words = page.locator("#plan-1-about")
    assert page.evaluate(f"{focused}.id") == "plan-1-about" and lit(page, "plan-1")
    box = words.bounding_box()
    assert box["y"] + box["height"] == pytest.approx(800, abs=1) and box["width"] == pytest.approx(1280, abs=20)
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    assert page.evaluate(f"{focused}.textContent") == "Close"
    page.keyboard.press("Enter")
    assert page.evaluate("location.hash") == "#plan" and not lit(page, "plan-1")
    page.context.close()


def test_a_finger_on_the_plan_gets_the_words_without_losing_the_plan(run, fitting, browser, tmp_path):
    """At the width of a phone: the page stays where it is, the words stand at the foot of the window, and the next tap changes them."""
    page = opened(browser, tmp_path, page_of(fitting, run), 360, has_touch=True, is_mobile=True)
    tank = page.locator("a.thing", has=page.locator("title", has_text="Septic tank"))
    tank.scroll_into_view_if_needed()
    before = page.evaluate("window.scrollY")
    tank.tap()
    panel = page.locator(f"#{tank.get_attribute('id')}-about")
    assert (
        panel.inner_text().startswith("Septic tank")
        and page.evaluate("getComputedStyle(document.querySelector(':target')).position") == "fixed"
    )
    assert abs(page.evaluate("window.scrollY") - before) < 2 and lit(page, tank.get_attribute("id"))
    close = panel.get_by_role("link", name="Close").bounding_box()
    assert min(close["width"], close["height"]) >= 24
    # Another thing that nothing lies on, and that is in the window.
    other = page.evaluate(
        """own => [...document.querySelectorAll('a.thing')].find(thing => {
            const box = thing.getBoundingClientRect();
            const there = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
            return thing.id !== own && there && there.closest('a.thing') === thing;
        }).id""",
        tank.get_attribute("id"),
    )
    box = page.locator(f"#{other}").bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert page.evaluate("document.querySelector(':target').id") == f"{other}-about"
    assert lit(page, other) and not lit(page, tank.get_attribute("id"))
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.context.close()


def test_a_thin_line_has_room_for_a_finger(run, fitting):
    """A line without a fill has a wide one above it, as long as it is itself."""
    page = page_of(fitting, run)
    (sewer,) = re.findall(r'<a id="plan-\d+" class="thing" href="[^"]*"><title>House to tank[^<]*</title>(.*?)</a>', page)
    shapes = re.findall(r'<path class="([^"]*)" fill-rule="evenodd" d="([^"]*)">', sewer)
    assert [classes for classes, _ in shapes] == ["pen-sewer outline", "hit"] and shapes[0][1] == shapes[1][1]
    assert ".hit { fill: none; stroke: transparent; stroke-width: 3.0; pointer-events: stroke; }" in page
