"""How sure it is, on sheets and map: words before numbers, never surer than what is known, and other layers' chances are refused."""

import json
from dataclasses import replace
from pathlib import Path

import geopandas
import numpy as np
import pypdfium2
import pytest
import shapely
from reportlab.pdfbase.pdfmetrics import stringWidth

from geoseptic.chance.answers import CERTAIN, LIKELY
from geoseptic.chance.errors import KIND_NAMES, exact_places, in_grounds, well_errors
from geoseptic.errors import InputError
from geoseptic.io.chances import LotChance, chances_of
from geoseptic.io.runfolders import read_finished_run
from geoseptic.io.sites import read_lots, read_site
from geoseptic.model.frame import Frame
from geoseptic.processes.chance_places import grounds_of
from geoseptic.processes.map_rows import map_results
from geoseptic.processes.site_files import sheets
from geoseptic.run.cli import main
from geoseptic.sheets.pdf import SMALLEST_PT, _fitted
from geoseptic.sheets.plan import wells_of
from geoseptic.sheets.sureness import NO_CLEARANCE, numbers_of, said_of
from geoseptic.systems.verdict import CANNOT_SAY, DOES_NOT_FIT, FITS_BY_GRAVITY, FITS_WITHOUT_FULL_RESERVE, VERDICTS
from tests.sheets import chanced
from tests.sheets.chanced import write_chances
from tests.sheets.finished import HOSTILE_ID, HOSTILE_REASON

ROWS = {
    "A-1": chanced.CERTAIN,
    "A-2": chanced.LIKELY,
    "A-3": chanced.LIKELY_NOT,
    HOSTILE_ID: (*chanced.OPEN[:2], HOSTILE_REASON, *chanced.OPEN[3:]),
    "B-2": chanced.CERTAIN,
    "B-3": chanced.UNKNOWN,
    "C-1": chanced.CERTAIN,
}
VISITS = (
    (1, "well", "W-1", 2.4, "A-2, B-2", "locate the neighbour's well W-1: settles 2 lots"),
    (2, "lot line", "A-3", 0.4, "A-3", f"find the corners {HOSTILE_REASON}"),
)


def lot(row) -> LotChance:
    answer, sure, words, primary, both, low, high, smallest, never, decides, _ = (np.nan if value is None else value for value in row)
    texts = ("" if text is np.nan else text for text in (never, decides))
    return LotChance(answer, sure, words, primary, both, low, high, smallest, np.nan, np.nan, np.nan, *texts)


def of(screening, folder):
    run = read_finished_run(str(screening), "screen_county")
    return chances_of(run, read_finished_run(str(folder), "uncertainty"), Frame.of(read_lots(run).crs, "parcels", run.folder))


@pytest.mark.parametrize("verdict", [*VERDICTS, "of another version"])
@pytest.mark.parametrize("row", [chanced.CERTAIN, chanced.LIKELY, chanced.LIKELY_NOT, chanced.OPEN, chanced.UNKNOWN, None])
def test_the_answer_is_never_surer_than_the_screening_and_the_chances_both_are(verdict, row):
    """Only where both find room does it say "fits", and only as sure as the chances are; all else is no clearance, in as many words."""
    said = said_of(verdict, None if row is None else lot(row))
    if said.answer == "fits":
        assert verdict.startswith("fits") and verdict != FITS_WITHOUT_FULL_RESERVE and row[:2] == ("fits", said.sure)
    if CANNOT_SAY in (verdict, "cannot say" if row is None else row[0]) and verdict != DOES_NOT_FIT:
        assert said.in_doubt
    if said.in_doubt:
        assert said.headline == NO_CLEARANCE and "treat the lot as one without room" in said.sentences[-1]
        assert "fit" not in said.headline
    else:
        assert not any(letter.isdigit() for letter in said.headline)
    if verdict == FITS_BY_GRAVITY and row is not None and row[0] == "does not fit":
        assert said.sure == LIKELY
    if row is chanced.CERTAIN and verdict == FITS_BY_GRAVITY:
        assert said.sure == CERTAIN


def test_numbers_come_last_with_their_interval_and_round_to_no_certainty():
    """87 of 100 has the ends that the draws leave; 99.6 is said as more than 99; what nobody knows has no number."""
    told = numbers_of(lot(chanced.LIKELY))
    assert "87 of 100" in told and "82 to 91 by the draws" in told and "alone in 95" in told
    eased = numbers_of(replace(lot(chanced.OPEN), if_not_required=99.6))
    assert eased.endswith("; without the distances that hang on what is not known in more than 99.") and "not known" not in told
    assert "more than 99 of 100" in numbers_of(lot(("fits", "likely", "", 100.0, 99.6, 97.0, 99.9, 100.0, None, None, 0.0)))
    assert numbers_of(lot(chanced.UNKNOWN)) == "" == numbers_of(None)


def test_ends_of_an_interval_round_to_no_certainty_and_presumed_wells_are_called_wells():
    """As the run's own sentence says both: 99.9 is more than 99, and what is presumed on a lot is a well."""
    odd = replace(lot(chanced.LIKELY), both_low=99.4, both_high=99.9, never_certain="W-1, presumed on A-1, presumed at B-2 and 3 more")
    assert "(more than 99 to more than 99 by the draws" in numbers_of(odd)
    why = said_of(FITS_BY_GRAVITY, odd).why
    assert "Nothing is certain here before somebody has found W-1, the well presumed on A-1, the well presumed at B-2 and 3 more." in why


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"inputs": {"parcels": {"sha256": "other", "file": "x"}}}, "other parcels"),
        ({"inputs": {"wells": {"sha256": "other", "file": "x"}}}, "other wells"),
        ({"rules": {"id": "invented", "title": "Rules", "edition": "second", "summary": ""}}, "by the rules"),
        ({"crs": "EPSG:26911"}, "another coordinate reference system"),
    ],
)
def test_chances_of_something_else_are_refused_with_what_to_do(screening, tmp_path, changed, words):
    """Other parcels, other wells, another rule set or another reference system: no answer is put on a lot that it is not of."""
    folder = write_chances(tmp_path / "chances", screening, ROWS, **changed)
    with pytest.raises(InputError, match=words) as refused:
        of(screening, folder)
    assert "Run uncertainty again" in str(refused.value)


def test_what_else_differs_is_told(screening, tmp_path):
    """Other buildings or another way with presumed wells are no other lots: they are warned of, with the lots that have no chance."""
    changed = {"inputs": {"buildings": {"sha256": "other", "file": "x"}}, "parameters": {"unrecorded_wells": "warn"}}
    _, told = of(screening, write_chances(tmp_path / "chances", screening, ROWS, **changed))
    assert "buildings" in told[0] and "--unrecorded-wells" in told[1] and "C-1 UPPER, C-3" in told[2]


def test_a_run_without_the_layer_is_refused(screening, tmp_path, capsys):
    """A run of a version that wrote no chances of parcels: the fault names it, and the way on."""
    folder = write_chances(tmp_path / "chances", screening, ROWS)
    (folder / "chances.gpkg").unlink()
    options = ["--screening", str(screening), "--chances", str(folder), "--out", str(tmp_path / "map")]
    assert main("county_map", options) == 3
    assert "Run uncertainty again" in capsys.readouterr().err


def test_the_ground_of_a_well_has_the_form_of_its_error():
    """Against areas known by themselves: the circle of 95 of 100 cases has 2.4477 standard deviations, a square its side, a lot its lot."""
    lot_m = shapely.box(0, 0, 50, 40)
    ids = np.array(["A", "B", "C", "D"], object)
    points = shapely.points([[10.0, 10.0], [500, 500], [1500, 500], [20, 20]])
    method = np.array(["gps", "unknown", "quarter_quarter", "parcel_centroid"], object)
    stated = np.array([11.774, 30.0, np.nan, np.nan])
    alone = np.array([], object)
    wells, _ = well_errors(
        ids, points, method, stated, moved_by_m=0.0, assumed_m=15.24, reading="cep50", lots_m=np.array([lot_m], object), houses_m=alone
    )
    found = grounds_of(wells)
    assert [KIND_NAMES[kind] for kind in wells.kind] == ["gaussian", "disc", "square", "in ground"]
    assert shapely.area(found) == pytest.approx([np.pi * 24.477**2, np.pi * 900, 402.336**2, 2000], rel=2e-3)
    presumed = in_grounds(ids[:1], np.array([lot_m], object), alone)
    assert grounds_of(presumed)[0].equals(lot_m) and len(grounds_of(exact_places(ids[:0], np.empty((0, 2))))) == 0


@pytest.fixture(scope="module")
def sure_map(screening, tmp_path_factory):
    folder = tmp_path_factory.mktemp("sure")
    write_chances(folder / "chances", screening, ROWS, visits=VISITS)
    options = ["--screening", str(screening), "--chances", str(folder / "chances"), "--out", str(folder / "map"), "-q"]
    assert main("county_map", options) == 0
    return folder / "map"


def test_the_counts_of_the_map_are_those_of_the_answers(sure_map):
    """A lot that the screening cannot judge stays "cannot say" though its chance is 100, and one that is in no run is no clearance."""
    counts = json.loads((sure_map / "run.json").read_text(encoding="utf-8"))["counts"]
    found = {name.removeprefix("how sure: "): count for name, count in counts.items() if name.startswith("how sure")}
    assert found == {"fits, certain": 1, "fits, likely": 1, "does not fit, likely": 1, "does not fit, certain": 0, "cannot say": 6}


@pytest.mark.parametrize("width", [360, 1200])
def test_the_map_filters_by_how_sure_and_says_what_to_find_first(sure_map, browser, width):
    """In a browser: the words come before the numbers, the verdict stands under "if everything lies as it is drawn", a visit leads to its
    parcels, the filter counts, hostile words stay text, nothing is complained of, and the page has the window's width."""
    page = browser.new_context(viewport={"width": width, "height": 800}, offline=True).new_page()
    heard = []
    page.on("console", lambda message: heard.append(message.text))
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.goto((sure_map / "county_map.html").as_uri())
    page.wait_for_selector("html[data-ready-ms]", state="attached")
    page.locator("#facets label").filter(has_text="Fits: likely").locator("input").uncheck()
    assert page.inner_text("#shown") == "8 of 9 parcels"
    page.locator("#visits li").first.locator("button", has_text="A-2").click()
    told = page.inner_text("#parcel")
    places = [
        told.index(words) for words in ("Fits: likely, not certain", "the place of well W-1", "Find first", "87 of 100", "as it is drawn")
    ]
    assert places[:2] == sorted(places[:2]) and max(places[:2]) < places[3] < places[4]
    page.locator("#visits li").first.locator("button", has_text="B-2").click()
    assert page.inner_text("#parcel .verdict") == "Cannot say: this is no clearance"
    assert page.title().startswith("County map") and heard == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.context.close()


def test_without_chances_the_map_says_nothing_of_them(screening):
    """The same facets and data as ever: nobody reads of a sureness that was not reckoned."""
    run = read_finished_run(str(screening), "screen_county")
    results = map_results(run, None, None)
    assert not any("sure" in name for name in results.counts)
    assert geopandas.read_file(screening / "screening.gpkg", layer="parcels").shape[0] == results.counts["parcels"]


@pytest.fixture(scope="module")
def doubted(run, tmp_path_factory):
    """A lot with a drawn layout, and the wells near it placed by a square round the whole plan, by its lot, and by a circle."""
    folder = Path(run.folder)
    lots = read_lots(run)
    own = lots[lots.verdict.str.startswith("fits by")].sort_values("lot_ft2").iloc[0]
    site = read_site(run, lots, own.parcel_id)
    asking = {str(zone.row["feature_id"]) for zone in site.zones}
    first, second, third = [item for item in wells_of(site) if str(item.row["feature_id"]) in asking][:3]
    x, y = site.lot_m.centroid.x, site.lot_m.centroid.y
    places = (
        ("well", str(first.row["feature_id"]), "square", 1, shapely.box(x - 800, y - 800, x + 800, y + 800)),
        ("well", str(second.row["feature_id"]), "in ground", 1, site.lot_m),
        ("well", str(third.row["feature_id"]), "gaussian", 0, third.shape_m.buffer(9.0)),
    )
    return folder, own.parcel_id, places


def pages_of(run, doubted, tmp_path, row):
    folder, parcel_id, places = doubted
    write_chances(tmp_path / "chances", folder, {parcel_id: row}, places=places, line_sigma_m=0.5)
    made = sheets(run, [parcel_id], "letter", uncertainty=read_finished_run(str(tmp_path / "chances"), "uncertainty"))
    contents = {Path(file.name).suffix: file.content for file in made.files}
    return contents[".html"].decode("utf-8").partition("<body>")[2], contents[".pdf"]


def test_nothing_on_a_sheet_reads_as_a_clearance_where_nobody_can_say(run, doubted, tmp_path):
    """Field, reserve and tank have a question mark, the open ground is "only if all lies as drawn", and the table keeps "as drawn"."""
    page, pdf = pages_of(run, doubted, tmp_path, chanced.OPEN)
    assert f"<strong>{NO_CLEARANCE}.</strong>" in page and "pen-envelope-in-doubt" in page and "Kept as drawn" in page
    for word in ("FIELD", "RESERVE", "TANK"):
        assert f">{word}?<" in page and f">{word}<" not in page
    for words in ("Clear of all setbacks of a field", "Primary field<", 'class="pen-envelope outline"', 'class="pen-trench"', ">Kept<"):
        assert words not in page
    assert page.index(NO_CLEARANCE) < page.index("Find first") < page.index("55 of 100") < page.index("<svg")
    told = "".join(text for number in range(2) for text in pdf_words(pdf, number))
    assert "Cannot say. This is no clearance" in told and "Verdict:" not in told


def test_wells_are_drawn_by_the_form_of_their_error(run, doubted, tmp_path):
    """A square that holds the whole plan is told in words on it, a lot is hatched, a circle dotted; the lot line has its band, 1.96 sigma
    to both sides; and where it is likely, the layout stands as ever."""
    page, _ = pages_of(run, doubted, tmp_path, chanced.LIKELY)
    square, lot_of, circle = (name for _, name, *_ in doubted[2])
    assert f"WELL {square} IS IN HERE, ANYWHERE ON THIS PLAN OR BEYOND" in page
    assert "pen-lot-of-well-hatch" in page and f"Well {lot_of} is anywhere on this lot" in page
    assert f"Well {circle} is in this circle in 95 of 100 cases" in page and f">WELL {circle}<" in page and f">WELL {square}?<" in page
    assert "within 3.2&#x27; of where it is drawn" in page and "pen-line-in-doubt" in page
    assert ">FIELD<" in page and "Likely, not certain: field and reserve fit" in page and "in-doubt outline" in page
    assert NO_CLEARANCE not in page


def pdf_words(content: bytes, page: int) -> str:
    return str(pypdfium2.PdfDocument(content)[page].get_textpage().get_text_range())


def test_a_head_line_never_runs_off_the_paper_and_says_where_the_rest_is():
    """Chances with all their clauses are wider than the paper: the line is set smaller, then ends with a whole clause."""
    wide = 190 * 72 / 25.4
    for clauses in range(1, 9):
        text = "; ".join(["Field and reserve have room in 12 of 100 cases (8 to 17 by the draws)"] * clauses) + "."
        line, size = _fitted(text, wide)
        assert stringWidth(line, "Helvetica", size) <= wide + 1e-6 and size >= SMALLEST_PT
        assert line == text if clauses <= 2 else line.endswith("; more on the next page.")
    assert _fitted(text, wide)[0].startswith(text[:70])
