"""The plot plan to print: true to its scale, with every distance that counts."""

import io
import json
import math
import re
from dataclasses import replace
from html import escape
from pathlib import Path

import geopandas
import numpy as np
import pypdfium2
import pytest
import shapely
from affine import Affine
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from geoseptic.io.sites import read_lots, read_site
from geoseptic.model.frame import Frame
from geoseptic.model.grid import Grid, Raster
from geoseptic.run.cli import main
from geoseptic.sheets.contours import contours_of, no_contours
from geoseptic.sheets.distances import kept_distances, part_shapes
from geoseptic.sheets.drafting import INCH_MM, drawn, scale_for, scales, text_mm
from geoseptic.sheets.drawing import PENS, Words
from geoseptic.sheets.page import site_page
from geoseptic.sheets.pdf import PAPERS_MM, plot_plan, write_drawing
from geoseptic.sheets.plan import Mark, plan_of, sides_of
from geoseptic.sheets.words import sections_of
from geoseptic.units import FOOT_M
from tests.sheets.finished import HOSTILE_ID, HOSTILE_REASON
from tests.sheets.test_bearings import azimuth_of

DOTS = 300
"""To an inch, of the pictures that are measured."""


@pytest.fixture(scope="module")
def lots(run):
    return read_lots(run)


@pytest.fixture(scope="module")
def fitting(run, lots):
    """The smallest site on which all is drawn."""
    return read_site(run, lots, lots[lots.verdict.str.startswith("fits by")].sort_values("lot_ft2").parcel_id.iloc[0])


def pages(content: bytes) -> list[str]:
    document = pypdfium2.PdfDocument(content)
    return [" ".join(page.get_textpage().get_text_range().split()) for page in document]


def picture(content: bytes, number: int = 0) -> np.ndarray:
    """A page as shades of grey, shape (rows, columns)."""
    return np.asarray(pypdfium2.PdfDocument(content)[number].render(scale=DOTS / 72, grayscale=True).to_numpy()).squeeze()


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_a_line_of_known_length_measures_so_on_the_paper(run, fitting, paper):
    """The check line is an inch of dots on either paper, and the stated scale is the one that is drawn by."""
    plan = plan_of(fitting, no_contours("not asked"))
    content = plot_plan(plan, run, paper)
    dark = picture(content) < 200
    assert dark.shape == pytest.approx([side / INCH_MM * DOTS for side in reversed(PAPERS_MM[paper])], abs=2)
    # Right of the bar scale and below the frame, the only flat line of about an inch is that of the check.
    corner = dark[int(dark.shape[0] * 0.75) :, dark.shape[1] // 2 :]
    longest = [max((len(part) for part in "".join("x" if cell else " " for cell in row).split()), default=0) for row in corner]
    assert any(abs(length - DOTS) <= 3 for length in longest)
    feet = int(re.search(r"1 inch = (\d+) feet", pages(content)[0])[1])
    scale = next(scale for scale in scales("ft") if scale.words == f"1 inch = {feet} feet")
    assert scale.mm_per_m * FOOT_M * feet == pytest.approx(INCH_MM, rel=1e-12)


def test_the_lot_on_the_picture_has_the_area_of_the_lot_on_the_ground(fitting):
    """Drawn alone and rasterised, the lot covers as many dots as its square feet ask for at the scale of the sheet."""
    lot = fitting.lot_m
    plan = replace(plan_of(fitting, no_contours("not asked")), marks=(Mark(lot, "scale"),), dimensions=(), sides=())
    width, height = 190.0, 180.0
    scale = scale_for(plan.whole_m, width, height, "ft")
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=(width * mm, height * mm), invariant=1)
    write_drawing(canvas, drawn(plan, plan.whole_m, width, height, scale))
    canvas.save()
    dots = picture(buffer.getvalue())[8:-8, 8:-8] < 128
    feet = int(scale.words.split()[3])
    half_a_line_m = PENS["scale"].width_mm / 2 / scale.mm_per_m
    assert dots.sum() / DOTS**2 * feet**2 == pytest.approx((lot.area + lot.length * half_a_line_m) / FOOT_M**2, rel=0.004)


def test_every_required_thing_stands_on_the_sheet(run, fitting):
    """Verdict, scale, each well, each setback with its source, sizes, holes, cautions and the notice that it is no permit."""
    plan = plan_of(fitting, no_contours("not asked"))
    found = pages(plot_plan(plan, run, "letter"))
    text = " ".join(found)
    for words in (
        fitting.parcel_id,
        "Verdict: fits by gravity",
        "Scale 1 inch =",
        "1 inch on paper",
        "north of the grid",
        "No contours are drawn",
    ):
        assert words in found[0], words
    for kept in kept_distances(fitting):
        if kept.feature == "private_well" and not kept.presumed:
            assert kept.feature_id in text
    for words in (
        "Setbacks",
        "Required, ft",
        "Provided, ft",
        "Sizes",
        "Septic tank",
        "Test holes",
        "Sources",
        "[1]",
        "Kept",
        "To be checked",
    ):
        assert words in text, words
    assert text.count("A screening aid, not a permit or a design") >= len(found)
    assert "Never enter or lean into a tank" in text and "utilities marked" in text
    assert "NO" not in re.findall(r"\b(?:yes|NO)\b", text)


def test_the_same_screening_gives_the_same_bytes(run, fitting):
    """No date, no number of chance."""
    plan = plan_of(fitting, no_contours("not asked"))
    assert plot_plan(plan, run, "letter") == plot_plan(plan_of(fitting, no_contours("not asked")), run, "letter")


def test_provided_distances_are_those_of_the_raw_layers(run, lots):
    """Measured again from the county's own wells and buildings with plain shapely: no sheet says more than there is, and none required is
    broken."""
    county = Path("sample_data/county.gpkg")
    wells = geopandas.read_file(county, layer="wells").set_index("well_id")
    asked = 0
    for parcel_id in lots.parcel_id[lots.verdict.str.startswith("fits")]:
        site = read_site(run, lots, parcel_id)
        shapes = part_shapes(site)
        for kept in kept_distances(site):
            if kept.status == "required":
                assert kept.is_kept, (parcel_id, kept)
            if kept.feature_id in wells.index:
                straight_m = float(shapely.distance(shapes[kept.part], wells.geometry[kept.feature_id]))
                assert kept.measured_m == pytest.approx(straight_m, abs=0.002)
                assert kept.provided_m == pytest.approx(straight_m - float(wells.location_error_m[kept.feature_id]), abs=0.03)
                asked += 1
    assert asked > 20


def test_a_lot_without_room_gets_a_sheet_that_says_why(run, lots):
    """Nothing is drawn for it, and reasons and limits stand there all the same."""
    for verdict in ("does not fit", "cannot say"):
        row = lots[lots.verdict == verdict].iloc[0]
        site = read_site(run, lots, row.parcel_id)
        text = " ".join(pages(plot_plan(plan_of(site, no_contours("not asked")), run, "letter")))
        assert f"Verdict: {verdict}" in text and "Reasons" in text and "Setbacks" in text
        assert row.reasons.split("; ")[0].split()[0] in text


def test_no_words_stand_on_each_other(run, lots):
    """The boxes of all upright words of a plan are apart."""
    for parcel_id in lots.parcel_id[:6]:
        plan = plan_of(read_site(run, lots, parcel_id), no_contours("not asked"))
        scale = scale_for(plan.whole_m, 190, 180, "ft")
        upright = [
            piece for piece in drawn(plan, plan.whole_m, 190, 180, scale).pieces if isinstance(piece, Words) and piece.turn_degrees == 0
        ]
        boxes = []
        for words in upright:
            width = text_mm(words.text, words.height_mm, words.bold)
            left = words.at[0] - {"start": 0.0, "middle": width / 2, "end": width}[words.anchor]
            boxes.append(shapely.box(left, words.at[1] - words.height_mm * 0.35, left + width, words.at[1] + words.height_mm * 0.35))
        pairs = shapely.STRtree(boxes).query(boxes, predicate="overlaps")
        assert len(pairs[0]) == 0, parcel_id


def word_boxes(drawing) -> list[shapely.Geometry]:
    """What each word covers, turned as it stands."""
    boxes = []
    for words in (piece for piece in drawing.pieces if isinstance(piece, Words)):
        width = text_mm(words.text, words.height_mm, words.bold)
        left = words.at[0] - {"start": 0.0, "middle": width / 2, "end": width}[words.anchor]
        box = shapely.box(left, words.at[1] - words.height_mm * 0.35, left + width, words.at[1] + words.height_mm * 0.35)
        boxes.append(shapely.affinity.rotate(box, words.turn_degrees, origin=words.at))
    return boxes


def test_bearings_stand_along_the_lot_lines_and_on_no_other_words(run, lots):
    """Turned words as they are turned; no length is lost for a bearing, and most lots have a bearing on each line that has room."""
    with_bearings = 0
    for parcel_id in lots.parcel_id[:12]:
        site = read_site(run, lots, parcel_id)
        plain, told = (plan_of(site, no_contours("not asked"), bearings=wanted) for wanted in (False, True))
        scale = scale_for(plain.whole_m, 190, 180, "ft")
        texts = []
        for plan in (plain, told):
            drawing = drawn(plan, plan.whole_m, 190, 180, scale)
            boxes = word_boxes(drawing)
            pairs = shapely.STRtree(boxes).query(boxes, predicate="intersects")
            assert len(pairs[0]) == len(boxes), parcel_id
            texts.append([piece.text for piece in drawing.pieces if isinstance(piece, Words) and piece.bold])
        bearing = re.compile(r"[NS] \d+°\d\d' [EW]")
        assert not any(bearing.search(text) for text in texts[0])
        known = {side.bearing for side in told.sides}
        found = {match[0] for text in texts[1] if (match := bearing.search(text))}
        assert found <= known
        with_bearings += len(found) >= len({side.bearing for side in told.sides if side.length_m > 25})
        lengths = re.compile(r"\d+\.\d'$")
        assert sum(bool(lengths.search(text)) for text in texts[1]) >= sum(bool(lengths.search(text)) for text in texts[0])
    assert with_bearings >= 10


def test_bearings_and_lengths_of_the_sheet_lead_round_the_lot(run, fitting):
    """Walked from the corners that the table has: each line ends at the next corner, within what the rounding allows."""
    (section,) = [
        found for found in sections_of(plan_of(fitting, no_contours("not asked"), bearings=True), run) if found.title == "Lot lines"
    ]
    rows = section.table.rows
    corners = [tuple(float(number.replace(",", "")) for number in re.findall(r"[\d,]+\.\d", row[0])) for row in rows]
    assert len(rows) >= 4
    straight = 0
    for row, corner, following in zip(rows, corners, [*corners[1:], corners[0]], strict=True):
        azimuth = math.radians(azimuth_of(row[1].removesuffix(" chord")))
        length_m = math.dist(corner, following) if "chord" in row[1] else float(row[2].rstrip("'")) * FOOT_M
        reached = (corner[0] + length_m * math.sin(azimuth), corner[1] + length_m * math.cos(azimuth))
        assert math.dist(reached, following) < 0.2, row
        straight += "chord" not in row[1]
    assert straight >= 2
    assert corners[0][1] == max(corner[1] for corner in corners)
    area = sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(corners, [*corners[1:], corners[0]], strict=True))
    assert area < 0, "clockwise"


def test_bearings_are_there_where_they_are_asked_for_and_say_what_they_are(run, fitting, tmp_path):
    """On paper and on the page: that they are of the grid and not from true north, and how exact they are; without the option nothing."""
    told = plan_of(fitting, no_contours("not asked"), bearings=True)
    for paper in PAPERS_MM:
        text = " ".join(pages(plot_plan(told, run, paper)))
        for words in (
            "not from true or magnetic north",
            "rounded to a minute",
            "No survey was made",
            "True north",
            "grid north here",
            "Lot lines",
        ):
            assert words in text, words
    assert "Bearings go clockwise" in pages(plot_plan(told, run, "letter"))[0]
    page = site_page(told, run, "x.pdf").decode()
    assert page.count("not from true or magnetic north") == 2 and all(escape(side.bearing) in page for side in told.sides)
    plain = " ".join(pages(plot_plan(plan_of(fitting, no_contours("not asked")), run, "letter")))
    assert "earings" not in plain
    given = ["--screening", run.folder, "--parcel", fitting.parcel_id, "--bearings", "yes", "--out", str(tmp_path / "out"), "-q"]
    assert main("site_sheet", given) == 0
    (sheet,) = (tmp_path / "out").glob("*.pdf")
    assert "Bearings go clockwise" in pages(sheet.read_bytes())[0]


def test_sides_of_a_lot_are_those_between_its_corners():
    """A rectangle with points along its lines has four sides; their lengths make up its outline."""
    lot = shapely.segmentize(shapely.box(0, 0, 60, 40), 7)
    assert sorted(round(side.length_m, 6) for side in sides_of(lot)) == [40, 40, 60, 60]


def test_contours_of_a_plane_lie_where_its_heights_say():
    """On ground that rises a foot in ten, contours run straight and an interval apart; beyond unknown ground there are none."""
    grid = Grid((80, 80), Affine(1.0, 0, 500000.0, 0, -1.0, 5200000.0), Frame.of(26910, "test"))
    x = np.arange(80) + 0.5
    heights = np.broadcast_to((100 + 0.1 * x).astype(np.float32), (80, 80)).copy()
    found = contours_of(Raster(heights, grid), 5.0, "m")
    assert found.interval == 1.0
    for level, line in found.lines:
        inner = line.intersection(shapely.box(500005, 5199925, 500075, 5199995))
        if not inner.is_empty:
            assert shapely.get_coordinates(inner)[:, 0] == pytest.approx(500000 + (level - 100) / 0.1, abs=0.05)
    heights[:, 40:] = np.nan
    assert all(line.bounds[2] < 500040 for _, line in contours_of(Raster(heights, grid), 5.0, "m").lines)


def test_the_command_writes_sheets_and_refuses_unknown_parcels(run, lots, tmp_path, capsys):
    """A file a parcel, listed in run.json; a name that is in no screening is refused and nothing written."""
    names = list(lots.parcel_id[:2])
    options = ["--screening", run.folder, *[word for name in names for word in ("--parcel", name)], "--out", str(tmp_path / "a"), "-q"]
    assert main("site_sheet", options) == 0
    outputs = json.loads((tmp_path / "a" / "run.json").read_text())["outputs"]
    assert [name for name in outputs if name.endswith(".pdf")] == sorted(f"site_{name}.pdf" for name in names)
    assert main("site_sheet", options) == 2
    assert main("site_sheet", ["--screening", run.folder, "--parcel", "nowhere", "--out", str(tmp_path / "b"), "-q"]) == 3
    assert "nowhere" in capsys.readouterr().err
    assert not (tmp_path / "b" / "run.json").exists()


def test_hostile_words_of_the_data_are_inert_on_paper(run, fitting):
    """Markup in a parcel's name and reasons stands on the sheet as it was written, and starts no link and no script."""
    row = {
        **fitting.row,
        "parcel_id": HOSTILE_ID,
        "reasons": HOSTILE_REASON,
        "notes": "</para><font size=40>loud</font>",
        "verdict": "cannot say",
    }
    content = plot_plan(plan_of(replace(fitting, parcel_id=HOSTILE_ID, row=row), no_contours("not asked")), run, "letter")
    text = " ".join(pages(content))
    assert "<script>document.title" in text and "<font size=40>loud</font>" in text and "<b>no room</b>" in text
    for act in (b"/JavaScript", b"/JS", b"/Launch", b"/URI", b"/OpenAction"):
        assert act not in content
