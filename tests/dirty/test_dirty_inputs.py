"""Every dirty input of the corpus is used as it should be or refused with a sentence: no traceback, and no wrong answer."""

import json
from pathlib import Path

import geopandas
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.features import geometry_mask
from shapely.geometry.base import BaseGeometry

from geoseptic.run.cli import main
from tests.dirty import doubtful, files, formats, grounds, heights, lost, screened, tables, vectors  # noqa: F401 - they fill the corpus
from tests.dirty.cases import CASES, Dirty, Options, table
from tests.dirty.county import CRS, county, write_county

CLEAN_LOTS = tuple(county().parcels.parcel_id)


def words(options: Options, out: Path) -> list[str]:
    given = [
        word
        for name, value in options.items()
        for one in ((value,) if isinstance(value, str) else value or ())
        for word in (f"--{name.replace('_', '-')}", one)
    ]
    return [*given, "--out", str(out), "--quiet"]


def envelopes(out: Path) -> dict[str, geopandas.GeoSeries]:
    """What is open for field and tank, by part, in the order of the lots."""
    found = {}
    for part in ("field_envelope", "tank_envelope"):
        layer = geopandas.read_file(out / "envelopes.gpkg", layer=part).set_index("parcel_id")
        found[part] = layer.geometry.to_crs(CRS)
    return found


def slopes_in(out: Path, ground: BaseGeometry) -> np.ndarray:
    """The slopes that were found there, NaN where unknown."""
    with rasterio.open(out / "slope.tif") as file:
        inside = geometry_mask([ground], (file.height, file.width), file.transform, invert=True)
        return file.read(1)[inside]


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> dict[str, geopandas.GeoSeries]:
    folder = tmp_path_factory.mktemp("clean")
    assert main("setback_envelopes", words(write_county(folder), folder / "out")) == 0
    return envelopes(folder / "out")


def test_table_of_the_corpus_is_up_to_date():
    assert (Path(__file__).parent / "README.md").read_text(encoding="utf-8") == table(CASES)


def test_corpus_holds_sixty_inputs_at_least():
    assert len(CASES) >= 60


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_dirty_input_is_used_or_refused_as_the_table_says(case: Dirty, clean, tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    options = case.build(tmp_path)
    before = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*") if path.is_file()}
    capsys.readouterr()
    code = main(case.process, words(options, tmp_path / "out"))
    printed = capsys.readouterr()
    assert "Traceback" not in printed.err
    if case.happens == "refused":
        assert code in (2, 3)
        assert not (tmp_path / "out").exists()
        said = printed.err
    else:
        assert code in (0, 1), printed.err
        said = (tmp_path / "out" / "run.json").read_text(encoding="utf-8")
        compare(case, clean, envelopes(tmp_path / "out"))
        if case.unmeasured is not None:
            assert len(slopes := slopes_in(tmp_path / "out", case.unmeasured))
            assert np.isnan(slopes).all()
        if case.unfit or case.unsaid:
            judged(case, geopandas.read_file(tmp_path / "out" / "screening.gpkg", layer="parcels").set_index("parcel_id"))
    assert [part for part in case.says if part not in json_text(said)] == [], said[-3000:]
    assert {
        path for path, changed in before.items() if not path.exists() or (path.stat().st_mtime_ns != changed and path.is_file())
    } == set()


@pytest.mark.parametrize("name", ["parcels with bedrooms below zero", "parcels with a strange soil"])
def test_what_no_lot_can_be_sized_for_is_said_alike_by_run_dry_run_and_check(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    # Nobody should look at the files first, hear nothing, and have the night run refused.
    case = next(case for case in CASES if case.name == name)
    options = case.build(tmp_path)
    capsys.readouterr()
    assert main(case.process, [*words(options, tmp_path / "out"), "--dry-run"]) == 3
    said = capsys.readouterr().err
    assert [part for part in case.says if part not in said] == []
    assert main("check_inputs", words(options, tmp_path / "out")) == 1
    found = (tmp_path / "out" / "problems.csv").read_text(encoding="utf-8")
    assert "hinders" in found and all(part in found for part in case.says)


def judged(case: Dirty, lots: geopandas.GeoDataFrame) -> None:
    """No lot is said to fit that may not be, the others are, or nothing would be proven; and none has words that nothing bears out."""
    assert {name for name, verdict in lots.verdict.items() if not verdict.startswith("fits")} == set(case.unfit)
    assert not case.unsaid or not lots.separation.str.contains(case.unsaid).any()


def json_text(said: str) -> str:
    """The words of a record as a person reads them."""
    try:
        return json.dumps(json.loads(said), ensure_ascii=False).replace('\\"', '"')
    except ValueError:
        return said


def compare(case: Dirty, clean: dict[str, geopandas.GeoSeries], found: dict[str, geopandas.GeoSeries]) -> None:
    """Every lot is there once, and none has ground that the truth keeps closed; for `same`, all that the truth has."""
    lots = case.lots or CLEAN_LOTS
    for part, truth in clean.items():
        assert sorted(found[part].index) == sorted(lots)
        for name, true in zip(lots, truth.loc[list(CLEAN_LOTS)], strict=False):
            open_now = found[part].loc[name]
            assert case.shut is None or not shapely.intersects(open_now, case.shut), f"{name} is open where it must not be"
            if case.happens == "told":
                continue
            more_m2 = shapely.area(shapely.difference(open_now, true))
            assert more_m2 <= case.slack_m2, f"{name} has {more_m2:.2f} m2 too much for {part}"
            if case.happens == "same":
                less_m2 = shapely.area(shapely.difference(true, open_now))
                assert less_m2 <= max(case.slack_m2, 1e-3 * true.area), f"{name} lacks {less_m2:.2f} m2 for {part}"
