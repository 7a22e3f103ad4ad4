"""What a run writes beside its outputs with --also: the same layers in other formats, and an item for catalogues."""

import hashlib
import json
from pathlib import Path

import fiona
import geopandas
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import rasterio
import shapely

from geoseptic.io.layercopies import CopiedLayer, write_flatgeobuf, write_geoparquet
from geoseptic.run import copies, outputs
from geoseptic.run.cli import main
from tests.run.conftest import CRS, LEFT, TOP, arguments, hillside_in, write
from tests.run.stac_schemas import geoparquet_faults, item_faults

pyarrow = pytest.importorskip("pyarrow")
parquet = pytest.importorskip("pyarrow.parquet")

ALL = ["--also", "geoparquet", "--also", "flatgeobuf", "--also", "stac"]


def envelopes(folder: Path, out: Path, *more: str) -> list[str]:
    return [*arguments(folder, out, elevation=None, elevation_unit=None), *more]


def layers_of(out: Path) -> list[tuple[Path, str]]:
    return [(path, name) for path in sorted(out.glob("*.gpkg")) for name, shapes in pyogrio.list_layers(path) if shapes is not None]


def record_of(out: Path) -> dict:
    return json.loads((out / "run.json").read_text())


def contents(out: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in out.iterdir() if path.is_file()}


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return hillside_in(tmp_path_factory.mktemp("ground"))


@pytest.fixture(scope="module")
def screened(ground) -> Path:
    """The outputs of a screening with all that can be written beside them. No test changes them."""
    out = ground / "out"
    assert main("screen_county", [*arguments(ground, out, workers="1"), *ALL]) in (0, 1)
    return out


def shapes_as_bytes(frame: geopandas.GeoDataFrame, *, empty_is_missing: bool = False) -> list[bytes | None]:
    shapes = frame.geometry.to_numpy()
    if empty_is_missing:
        shapes = np.where(shapely.is_empty(shapes), None, shapes)
    return [None if shape is None else shapely.to_wkb(shape) for shape in shapes]


def assert_same(copy: geopandas.GeoDataFrame, package: geopandas.GeoDataFrame, *, empty_is_missing: bool = False) -> None:
    """Columns, their types, cells and shapes, in the same order of rows."""
    plain, wanted = (pd.DataFrame(frame.drop(columns=frame.geometry.name)) for frame in (copy, package))
    # A column in which all is missing has no type of its own in pandas; its type in the file is looked at elsewhere.
    empty = [name for name in wanted if wanted[name].isna().all()]
    plain, wanted = (frame.astype(dict.fromkeys(empty, object)) for frame in (plain, wanted))
    pd.testing.assert_frame_equal(plain, wanted, check_exact=True)
    assert shapes_as_bytes(copy, empty_is_missing=empty_is_missing) == shapes_as_bytes(package, empty_is_missing=empty_is_missing)
    assert copy.crs == package.crs


def in_order(frame: geopandas.GeoDataFrame) -> geopandas.GeoDataFrame:
    """Rows in an order that depends on what they hold alone."""
    keys = [
        f"{shape!s}{row!r}" for shape, row in zip(frame.geometry, frame.drop(columns=frame.geometry.name).to_numpy().tolist(), strict=True)
    ]
    return frame.iloc[np.argsort(np.array(keys, dtype=object), kind="stable")].reset_index(drop=True)


def test_every_layer_of_a_screening_is_there_as_geoparquet_as_in_the_package(screened):
    """Read by GeoPandas and held against the package, which GDAL reads: rows, columns, types, cells, shapes to the last bit."""
    layers = layers_of(screened)
    assert len(layers) == 17
    for package, name in layers:
        copy = geopandas.read_parquet(screened / f"{package.stem}_{name}.parquet")
        assert_same(copy, pyogrio.read_dataframe(package, layer=name))
        with pyogrio.raw.open_arrow(package, layer=name, use_pyarrow=False) as (_, reader):
            kinds = {field.name: field.type for field in pyarrow.RecordBatchReader.from_stream(reader).schema}
        assert {field.name: field.type for field in parquet.read_schema(screened / f"{package.stem}_{name}.parquet")} == kinds


def test_every_layer_of_a_screening_is_there_as_flatgeobuf_with_the_rows_of_the_package(screened):
    """Read by Fiona's own GDAL: columns and shapes; by pyogrio: types and cells, in whatever order the index has them."""
    for package, name in layers_of(screened):
        path = screened / f"{package.stem}_{name}.fgb"
        wanted, found = pyogrio.read_dataframe(package, layer=name), pyogrio.read_dataframe(path)
        if len(wanted):
            bare = wanted.assign(geometry=[None if shape is None or shape.is_empty else shape for shape in wanted.geometry])
            assert_same(in_order(found), in_order(bare.set_geometry("geometry", crs=wanted.crs)), empty_is_missing=True)
        with fiona.open(path) as file:
            assert len(list(file)) == len(wanted) and list(file.schema["properties"]) == [
                column for column in wanted if column != "geometry"
            ]
            assert pyproj.CRS(file.crs_wkt).to_epsg() == 26910


@pytest.mark.source("geoparquet11", where="JSON schema of the metadata, version 1.1.0")
def test_metadata_of_every_geoparquet_file_holds_the_published_schema(screened):
    """Version, primary column, CRS as PROJJSON, kinds of shape; and the bounds are those of the shapes."""
    for package, name in layers_of(screened):
        schema = parquet.read_schema(screened / f"{package.stem}_{name}.parquet")
        geo = json.loads(schema.metadata[b"geo"])
        assert geoparquet_faults(geo) == []
        told = geo["columns"][geo["primary_column"]]
        assert pyproj.CRS.from_json_dict(told["crs"]).to_epsg() == 26910
        wanted = pyogrio.read_dataframe(package, layer=name)
        if len(wanted) and not wanted.geometry.is_empty.all():
            assert told["bbox"] == wanted.total_bounds.tolist()
            assert set(told["geometry_types"]) == set(wanted.geometry.geom_type)
        else:
            assert "bbox" not in told


def test_the_schema_of_geoparquet_objects_to_what_is_wrong():
    right = {"version": "1.1.0", "primary_column": "geom", "columns": {"geom": {"encoding": "WKB", "geometry_types": ["Point"]}}}
    assert geoparquet_faults(right) == []
    for wrong in ({"version": "9"}, {"primary_column": ""}, {"columns": {"geom": {"encoding": "WKT", "geometry_types": []}}}):
        assert geoparquet_faults({**right, **wrong})


def test_fields_of_the_copies_have_the_titles_and_notes_of_the_package(screened):
    """In Parquet as metadata of each field, in FlatGeobuf where GDAL finds alias and comment."""
    path = screened / "screening_parcels"
    fields = {field.name: field.metadata or {} for field in parquet.read_schema(path.with_suffix(".parquet"))}
    assert fields["lot_ft2"][b"title"] == "Lot [ft²]".encode() and len(fields["verdict"][b"description"]) > 10
    with pyogrio.raw.open_arrow(path.with_suffix(".fgb"), use_pyarrow=False) as (_, reader):
        aliases = {
            field.name: field.metadata[b"GDAL:OGR:alternative_name"]
            for field in pyarrow.RecordBatchReader.from_stream(reader).schema
            if field.metadata and b"GDAL:OGR:alternative_name" in field.metadata
        }
    assert aliases == {name: metadata[b"title"] for name, metadata in fields.items() if b"title" in metadata} and len(aliases) > 20


def mixed(folder: Path) -> Path:
    """A package with columns of every kind, missing values, an empty and a missing shape, heights, and letters beyond ASCII."""
    shapes = [shapely.Point(LEFT, TOP, 12.5), shapely.from_wkt("POINT Z EMPTY"), None, shapely.Point(LEFT + 1, TOP - 2, -3.0)]
    columns = {
        "words": ["a", None, "Grüße, 井", ""],
        "flag": [True, False, True, False],
        "whole": np.array([1, 2, 3, -(2**40)], dtype=np.int64),
        "small": np.array([1, 2, 3, 4], dtype=np.int32),
        "real": [0.1, np.nan, 3.5, -1e300],
        "when": pd.to_datetime(["2026-11-26T01:02:03.456Z", None, "1969-12-31T23:59:59Z", "2000-02-29T00:00:00Z"], format="ISO8601"),
    }
    frame = geopandas.GeoDataFrame(columns, geometry=shapes, crs=CRS)
    path = folder / "mixed.gpkg"
    pyogrio.write_dataframe(frame, path, layer="all kinds", geometry_type="Point Z", layer_options={"GEOMETRY_NAME": "geom"})
    return path


def test_times_truth_values_and_missing_ones_are_in_the_copies_as_in_the_package(tmp_path):
    """Columns that no output has today; FlatGeobuf has no empty shapes and no time zones, so those are missing and in UTC."""
    package = mixed(tmp_path)
    layer = CopiedLayer(package, "all kinds", "All", "Every kind of column")
    write_geoparquet(tmp_path / "all.parquet", layer)
    write_flatgeobuf(tmp_path / "all.fgb", layer)
    wanted = pyogrio.read_dataframe(package, layer="all kinds")
    found = geopandas.read_parquet(tmp_path / "all.parquet")
    assert_same(found, wanted)
    assert found["flag"].dtype == bool and str(found["when"].dtype) == "datetime64[ms, UTC]" and found["whole"].dtype == np.int64
    geo = json.loads(parquet.read_schema(tmp_path / "all.parquet").metadata[b"geo"])
    assert geoparquet_faults(geo) == [] and geo["columns"]["geom"]["bbox"] == [LEFT, TOP - 2, -3.0, LEFT + 1, TOP, 12.5]
    flat = pyogrio.read_dataframe(tmp_path / "all.fgb")
    flat["when"] = pd.to_datetime(flat["when"], utc=True)
    assert_same(flat, wanted, empty_is_missing=True)


def test_copies_of_one_package_are_the_same_bytes(tmp_path):
    layer = CopiedLayer(mixed(tmp_path), "all kinds", "All", "Every kind of column")
    for name, writer in (("parquet", write_geoparquet), ("fgb", write_flatgeobuf)):
        for number in (1, 2):
            writer(tmp_path / f"{number}.{name}", layer)
        assert (tmp_path / f"1.{name}").read_bytes() == (tmp_path / f"2.{name}").read_bytes()


def test_a_gdal_that_cannot_copy_layers_is_told_before_the_run(hillside, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(pyogrio, "__gdal_version__", (3, 6, 2))
    assert main("setback_envelopes", envelopes(hillside, tmp_path / "out", "--also", "flatgeobuf")) == 2
    assert "need GDAL 3.8 or later; this is 3.6.2" in capsys.readouterr().err and not (tmp_path / "out").exists()


def test_geoparquet_without_pyarrow_is_refused_with_what_to_install(hillside, tmp_path, monkeypatch, capsys):
    """Before anything is read; FlatGeobuf needs no pyarrow, and is written."""
    monkeypatch.setattr("geoseptic.run.arguments.find_spec", lambda name: None)
    assert main("setback_envelopes", envelopes(hillside, tmp_path / "out", "--also", "geoparquet")) == 2
    told = capsys.readouterr().err
    assert "Install geoseptic[parquet], or leave it out." in told and "reading" not in told and not (tmp_path / "out").exists()
    assert main("setback_envelopes", envelopes(hillside, tmp_path / "out", "--also", "flatgeobuf")) == 0


@pytest.mark.parametrize(("words", "said"), [(["shapefile"], "--also: 'shapefile' is not known"), (["geoparket"], "geoparquet")])
def test_a_format_that_nobody_knows_is_told_with_those_that_are(hillside, tmp_path, capsys, words, said):
    assert main("setback_envelopes", envelopes(hillside, tmp_path / "out", "--also", *words)) == 2
    assert said in capsys.readouterr().err


def test_a_process_of_tables_alone_has_no_copies(capsys):
    assert main("size_field", ["--rules", "us-ny", "--also", "stac"]) == 2
    assert "--also" in capsys.readouterr().err


def test_a_dry_run_tells_the_copies_and_a_second_run_is_refused(hillside, tmp_path, capsys):
    """Also where only a copy is there, of a run whose record somebody took away."""
    out = tmp_path / "out"
    assert main("setback_envelopes", envelopes(hillside, out, *ALL, "--dry-run")) == 0
    told = json.loads(capsys.readouterr().out)["outputs"]
    assert {"envelopes_field_envelope.parquet", "envelopes_pit_envelope.fgb", "repairs_failures.fgb", "item.json"} <= set(told)
    assert main("setback_envelopes", envelopes(hillside, out, *ALL)) == 0
    for path in [*out.glob("*.gpkg"), *out.glob("*.fgb"), *out.glob("*.json")]:
        path.unlink()
    assert main("setback_envelopes", envelopes(hillside, out, *ALL)) == 2
    assert "already holds" in capsys.readouterr().err


def test_the_record_lists_the_copies_with_their_hashes_and_overwrite_takes_them_away(hillside, tmp_path):
    out = tmp_path / "out"
    assert main("setback_envelopes", envelopes(hillside, out, *ALL)) == 0
    record = record_of(out)
    files = record["also"]["files"]
    assert record["also"]["wanted"] == ["geoparquet", "flatgeobuf", "stac"]
    expected = {f"{path.stem}_{name}.{ending}" for path, name in layers_of(out) for ending in ("parquet", "fgb")}
    assert set(files) == expected | {"item.json"} and set(files) <= set(record["outputs"])
    for name, found in files.items():
        assert found == {"bytes": (out / name).stat().st_size, "sha256": hashlib.sha256((out / name).read_bytes()).hexdigest()}
    assert main("setback_envelopes", envelopes(hillside, out, "--overwrite")) == 0
    assert not [path for path in out.iterdir() if path.suffix in (".parquet", ".fgb") or path.name == "item.json"]
    assert record_of(out)["also"] is None


@pytest.mark.parametrize("step", ["layers", "item"])
def test_a_copy_that_cannot_be_written_leaves_everything_as_it_was(hillside, tmp_path, monkeypatch, capsys, step):
    out = tmp_path / "out"
    assert main("setback_envelopes", envelopes(hillside, out)) == 0
    before = contents(out)

    def fail(*args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(copies, "_write_layers" if step == "layers" else "_write_item", fail)
    assert main("setback_envelopes", envelopes(hillside, out, "--overwrite", *ALL)) == 3
    assert "could not be written" in capsys.readouterr().err and contents(out) == before
    assert not list(out.glob(f"{outputs.PARTIAL}*"))


def test_copies_are_the_same_bytes_with_kept_results_pieces_and_workers(hillside, tmp_path):
    """Also where the kept GeoPackage has its rows in other places of the file, after one well has moved."""
    keep = ["--keep", str(tmp_path / "kept")]
    assert main("screen_county", [*arguments(hillside, tmp_path / "first", workers="1"), *ALL, *keep]) in (0, 1)
    wells = [shapely.Point(LEFT + 61, TOP - 60), shapely.Point(LEFT + 290, TOP - 200)]
    write(hillside, "wells", {"well_id": ["w1", "w2"], "kind": ["private", "private"], "location_error_m": [3.0, 3.0]}, wells)
    ways = {
        "plain": ["--workers", "1"],
        "kept": [*keep, "--workers", "1"],
        "resumed": ["--resume", "--workers", "1"],
        "two": ["--workers", "2"],
    }
    found = {}
    for name, words in ways.items():
        assert main("screen_county", [*arguments(hillside, tmp_path / name), *ALL, *words]) in (0, 1)
        found[name] = {file: data for file, data in contents(tmp_path / name).items() if file.endswith((".parquet", ".fgb"))}
    assert found["kept"] == found["resumed"] == found["two"] == found["plain"] and len(found["plain"]) == 34
    assert found["plain"] != {name: (tmp_path / "first" / name).read_bytes() for name in found["plain"]}


@pytest.mark.source("stac11", where="JSON schemas of the item and of the extensions that it names")
def test_the_item_of_a_screening_holds_the_published_schemas(screened):
    item = json.loads((screened / "item.json").read_text())
    assert item_faults(item) == [] and len(item["stac_extensions"]) == 4


def test_the_schemas_object_to_what_is_wrong_with_an_item(screened):
    item = json.loads((screened / "item.json").read_text())
    for wrong in ({"stac_version": "0.9"}, {"geometry": None}, {"properties": {**item["properties"], "datetime": "yesterday"}}):
        assert item_faults({**item, **wrong}), wrong
    raster = {**item["assets"]["slope.tif"], "proj:shape": "square"}
    assert item_faults({**item, "assets": {**item["assets"], "slope.tif": raster}})


def test_assets_of_the_item_are_the_outputs_with_their_hashes_and_places(screened):
    """Everything but the record, which is its provenance, and itself; grids by another reader than the one that wrote the item."""
    item, record = json.loads((screened / "item.json").read_text()), record_of(screened)
    assert set(item["assets"]) == set(record["outputs"]) - {"item.json"}
    for name, asset in item["assets"].items():
        data = (screened / name).read_bytes()
        assert asset["href"] == f"./{name}" and asset["roles"] and asset["type"] != "application/octet-stream"
        assert asset["file:size"] == len(data) and asset["file:checksum"] == "1220" + hashlib.sha256(data).hexdigest()
    (link,) = item["links"]
    assert link["rel"] == "processing-execution" and (screened / link["href"]).resolve() == (screened / "run.json").resolve()
    assert item["properties"]["datetime"] == record["started"]
    slope = item["assets"]["slope_class.tif"]
    with rasterio.open(screened / "slope_class.tif") as file:
        assert slope["proj:code"] == "EPSG:26910" and slope["proj:shape"] == list(file.shape)
        assert rasterio.Affine(*slope["proj:transform"]) == file.transform and slope["raster:spatial_resolution"] == 5.0
        assert slope["bands"][0]["nodata"] == file.nodata and slope["bands"][0]["data_type"] == file.dtypes[0]


def test_the_footprint_holds_every_parcel_and_no_more_than_the_data(screened, ground):
    item = json.loads((screened / "item.json").read_text())
    footprint = shapely.geometry.shape(item["geometry"])
    parcels = geopandas.read_file(ground / "county.gpkg", layer="parcels").to_crs(4326)
    assert footprint.contains(parcels.union_all()) and shapely.box(*item["bbox"]).equals(footprint)
    raster = shapely.box(LEFT, TOP - 300, LEFT + 300, TOP)
    degrees = geopandas.GeoSeries([raster], crs=CRS).to_crs(4326).union_all()
    assert footprint.contains(degrees) and footprint.area < 1.2 * degrees.area and footprint.exterior.is_ccw


def test_an_item_of_a_run_without_a_place_has_none(tmp_path):
    """A sketch in feet from any mark is nowhere on the Earth; STAC wants that said as null."""
    out = tmp_path / "out"
    sheets = ["--points", "sample_data/findings_points.csv", "--runs", "sample_data/findings_runs.csv"]
    assert main("judge_findings", [*sheets, "--rules", "us-nj", "--out", str(out), *ALL]) in (0, 1)
    item = json.loads((out / "item.json").read_text())
    assert item_faults(item) == [] and item["geometry"] is None and "bbox" not in item
    for package, name in layers_of(out):
        path = out / f"{package.stem}_{name}.parquet"
        assert geoparquet_faults(json.loads(parquet.read_schema(path).metadata[b"geo"])) == []


def test_a_process_of_rasters_has_an_item_and_no_copies(hillside, tmp_path, capsys):
    given = ["--elevation", str(hillside / "elevation.tif"), "--elevation-unit", "m", "--rules", "us-ny", "--out", str(tmp_path / "out")]
    assert main("slope_suitability", [*given, "--also", "flatgeobuf"]) == 2
    assert "Use any of stac" in capsys.readouterr().err
    assert main("slope_suitability", [*given, "--also", "stac"]) == 0
    assert item_faults(json.loads((tmp_path / "out" / "item.json").read_text())) == []
