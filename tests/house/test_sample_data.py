"""The sample county holds what its README promises, and its script makes it again."""

import importlib
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from pyproj import CRS
from scipy import ndimage

from tests.house.tree import ROOT

FOLDER = ROOT / "sample_data"
LAYERS = {
    "parcels": ["parcel_id", "situs", "year_built", "bedrooms", "permit_on_file", "public_sewer", "public_water"],
    "wells": ["well_id", "kind", "location_error_m", "in_house", "depth_ft", "casing_depth_ft"],
    "buildings": ["building_id", "parcel_id", "use"],
    "driveways": ["parcel_id"],
    "pools": ["parcel_id"],
    "surface_water": ["name", "kind"],
    "springs": ["name"],
    "roads": ["name"],
    "culverts": ["name"],
    "cut_banks": ["height_m"],
    "soils": [
        "musym", "muname", "soil", "slopegraddcp", "brockdepmin", "wtdepannmin", "wtdepaprjunmin", "resdept_r", "reskind", "described_cm",
        "hzdept_r", "hzdepb_r", "ksat_r", "flodfreqdcd", "pondfreqprs", "frag_over_3in", "totalsub_r", "hydgrpdcd", "drclassdcd",
    ],
    "floodplain": ["kind", "zone", "subtype"],
    "water_lines": ["name"],
}  # fmt: skip


@pytest.fixture(scope="module")
def layers() -> dict[str, gpd.GeoDataFrame]:
    return read_layers(FOLDER)


@pytest.fixture(scope="module")
def heights_m() -> np.ndarray:
    with rasterio.open(FOLDER / "elevation.tif") as raster:
        return raster.read(1)


@pytest.fixture(scope="module")
def script() -> Iterator[ModuleType]:
    """sample_data/make_county.py, imported as it runs: with its own folder first on the path."""
    sys.path.insert(0, str(FOLDER))
    yield importlib.import_module("make_county")
    sys.path.remove(str(FOLDER))


@pytest.fixture(scope="module")
def made_again(script: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("county")
    script.write(script.make(), folder)
    return folder


def read_layers(folder: Path) -> dict[str, gpd.GeoDataFrame]:
    return {name: gpd.read_file(folder / "county.gpkg", layer=name) for name in LAYERS}


def only_in_own_ground(parcels: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return parcels[parcels.is_valid]


def test_committed_files_stay_under_five_megabytes():
    files = [path for path in FOLDER.rglob("*") if path.is_file() and "__pycache__" not in path.parts]
    assert {"elevation.tif", "county.gpkg", "make_county.py", "README.md"} <= {path.name for path in files}
    assert sum(path.stat().st_size for path in files) < 5_000_000


def test_geopackage_holds_the_promised_layers_and_no_others():
    assert {str(name) for name, _ in pyogrio.list_layers(FOLDER / "county.gpkg")} == set(LAYERS)


def test_readme_names_every_layer_and_column():
    words = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert [name for name, columns in LAYERS.items() for word in (name, *columns) if f"`{word}`" not in words] == []


@pytest.mark.parametrize("name", LAYERS)
def test_layer_has_its_columns_and_crs(name: str, layers: dict[str, gpd.GeoDataFrame]):
    layer = layers[name]
    assert list(layer.columns) == [*LAYERS[name], "geometry"]
    assert layer.crs.to_authority() == ("EPSG", "6339")
    assert not layer.geometry.is_empty.any()


@pytest.mark.parametrize(
    ("name", "fewest", "most"),
    [
        ("parcels", 370, 430),
        ("wells", 270, 330),
        ("pools", 5, 40),
        ("springs", 2, 2),
        ("culverts", 1, 2),
        ("cut_banks", 3, 20),
        ("roads", 10, 20),
    ],
)
def test_layer_has_about_as_many_features_as_promised(name: str, fewest: int, most: int, layers: dict[str, gpd.GeoDataFrame]):
    assert fewest <= len(layers[name]) <= most


def test_elevation_declares_metres_nodata_and_small_cells(heights_m: np.ndarray):
    with rasterio.open(FOLDER / "elevation.tif") as raster:
        crs = CRS.from_wkt(raster.crs.to_wkt())
        assert [part.to_authority() for part in crs.sub_crs_list] == [("EPSG", "6339"), ("EPSG", "5703")]
        assert raster.res == (2.0, 2.0) and raster.bounds == (500000, 5200000, 502100, 5201700)
        assert raster.nodata == -9999 and raster.dtypes == ("float32",)
    assert np.isfinite(heights_m).all() and 100 < heights_m.min() < heights_m.max() < 500


def test_ids_and_addresses_are_unique(layers: dict[str, gpd.GeoDataFrame]):
    parcels = layers["parcels"]
    assert parcels.parcel_id.is_unique and parcels.situs.is_unique and layers["wells"].well_id.is_unique
    assert all(re.fullmatch(r"MH-\d{3}-\d{2}", parcel_id) for parcel_id in parcels.parcel_id)


def test_lots_are_of_mixed_size(layers: dict[str, gpd.GeoDataFrame]):
    acres = only_in_own_ground(layers["parcels"]).area / 4046.8564224
    assert (acres < 0.35).sum() >= 50 and acres.between(0.5, 2).sum() >= 150 and acres.between(5, 20).sum() >= 20


def test_three_parcel_faults_are_there_on_purpose_and_no_others(layers: dict[str, gpd.GeoDataFrame]):
    parcels = layers["parcels"].set_index("parcel_id")
    assert list(parcels.index[~parcels.is_valid]) == ["MH-013-02"]
    assert list(parcels.index[parcels.count_geometries() > 1]) == ["MH-015-04"]
    sound = only_in_own_ground(parcels)
    one, other = sound.sindex.query(sound.geometry, predicate="overlaps")
    assert {frozenset((sound.index[a], sound.index[b])) for a, b in zip(one, other, strict=True)} == {frozenset(("MH-009-03", "MH-009-04"))}
    strip = sound.geometry["MH-009-03"].intersection(sound.geometry["MH-009-04"])
    # Coordinates are rounded to the centimetre.
    assert 2 * strip.area / strip.length == pytest.approx(0.4, abs=0.02)


def test_other_parcels_share_boundaries_vertex_for_vertex(layers: dict[str, gpd.GeoDataFrame]):
    parcels = layers["parcels"]
    sound = parcels[parcels.is_valid & ~parcels.parcel_id.isin(["MH-009-03"])]
    assert shapely.coverage_is_valid(sound.geometry.explode().to_numpy())


def test_roll_has_gaps_and_few_old_permits(layers: dict[str, gpd.GeoDataFrame]):
    parcels = layers["parcels"]
    assert parcels.year_built.min() >= 1890 and parcels.year_built.max() <= 2022
    assert parcels.year_built.isna().any() and parcels.bedrooms.isna().any()
    assert parcels.permit_on_file[parcels.year_built < 1960].mean() < 0.15 < 0.8 < parcels.permit_on_file[parcels.year_built > 2000].mean()
    assert 0 < parcels.public_sewer.sum() < parcels.public_water.sum() < len(parcels) / 2
    assert not (parcels.public_sewer & ~parcels.public_water).any()


def test_wells_have_every_kind_and_every_quality_of_place(layers: dict[str, gpd.GeoDataFrame]):
    wells = layers["wells"]
    assert set(wells.kind) == {"private", "public", "irrigation", "unused"}
    assert set(wells.location_error_m.dropna()) == {3.0, 15.0, 284.0} and wells.location_error_m.isna().any()
    assert (wells.location_error_m == 284).sum() == 5
    assert wells.casing_depth_ft.isna().any() and (wells.casing_depth_ft < wells.depth_ft).sum() > 100


def test_some_wells_lie_outside_every_parcel_and_some_inside_a_house(layers: dict[str, gpd.GeoDataFrame]):
    wells, land = layers["wells"], only_in_own_ground(layers["parcels"]).union_all()
    houses = layers["buildings"].query("use == 'dwelling'").union_all()
    assert (wells.distance(land) > 7).sum() >= 10
    assert list(wells.within(houses)) == list(wells.in_house) and wells.in_house.sum() >= 3


def test_most_houses_without_public_water_have_a_well_and_some_do_not(layers: dict[str, gpd.GeoDataFrame]):
    dwellings = layers["buildings"].query("use == 'dwelling'").parcel_id
    parcels = layers["parcels"]
    need = parcels[parcels.parcel_id.isin(dwellings) & ~parcels.public_water & parcels.is_valid]
    watered = need.sjoin(layers["wells"].query("kind == 'private'")).parcel_id.nunique()
    assert 0.04 < 1 - watered / len(need) < 0.12


def test_houses_stand_on_their_own_lot_off_steep_ground_and_off_the_water(layers: dict[str, gpd.GeoDataFrame], heights_m: np.ndarray):
    houses = layers["buildings"].query("use == 'dwelling'")
    sound = only_in_own_ground(layers["parcels"]).set_index("parcel_id").geometry
    own = houses[houses.parcel_id.isin(sound.index)]
    assert own.geometry.reset_index(drop=True).within(sound.loc[own.parcel_id].reset_index(drop=True)).all()
    assert houses.distance(layers["surface_water"].union_all()).min() > 5
    rows, cols = ((5201700 - houses.centroid.y) // 2).astype(int), ((houses.centroid.x - 500000) // 2).astype(int)
    # Over 20 m, so that neither the pad nor the noise decides.
    down, right = heights_m[rows + 5, cols] - heights_m[rows - 5, cols], heights_m[rows, cols + 5] - heights_m[rows, cols - 5]
    assert (100 * np.hypot(down, right) / 20).max() < 20


def test_water_is_flat_on_the_pond_and_falls_along_the_brook(layers: dict[str, gpd.GeoDataFrame], heights_m: np.ndarray):
    water = layers["surface_water"]
    x, y = np.meshgrid(np.arange(500001, 502100, 2), np.arange(5201699, 5200000, -2))
    pond = water.geometry[water.name == "Dabchick Pond"].union_all()
    assert np.ptp(heights_m[shapely.contains_xy(pond, x, y)]) == 0
    bed = shapely.contains_xy(water.geometry[water.name == "Fettle Brook"].union_all(), x, y)
    reaches = [heights_m[bed & (y // 100 == hundred)].mean() for hundred in range(52016, 51999, -1)]
    assert all(np.diff(reaches) < 0)


def rise_until_joined_m(heights_m: np.ndarray, start: tuple[int, int], goal: np.ndarray) -> float:
    """How high water must rise over a cell before it reaches a goal cell, found by raising the level 5 cm at a time."""
    for level in np.arange(heights_m[start], heights_m.max(), 0.05):
        parts, _ = ndimage.label(heights_m <= level)
        if (parts[goal] == parts[start]).any():
            return float(level - heights_m[start])
    raise AssertionError("the goal is never reached")


def test_basin_is_closed(heights_m: np.ndarray):
    # 200 m square about 500468 E, 5201330 N.
    window = heights_m[135:235, 184:284]
    edge = np.ones(window.shape, dtype=bool)
    edge[1:-1, 1:-1] = False
    row, col = np.unravel_index(np.argmin(window[35:65, 35:65]), (30, 30))
    assert 1.0 <= rise_until_joined_m(window, (int(row) + 35, int(col) + 35), edge) <= 2.0


@pytest.mark.parametrize(("water", "least_m"), [("Fettle Brook", 1.5), ("Sallow Ditch", 0.5)])
def test_embankment_dams_the_water_until_the_culvert_is_opened(
    water: str, least_m: float, layers: dict[str, gpd.GeoDataFrame], heights_m: np.ndarray
):
    culvert = layers["culverts"].query("name.str.startswith(@water)").geometry.iloc[0]
    # Lines run downstream.
    cells = [(int((5201700 - y) // 2), int((x - 500000) // 2)) for x, y in culvert.coords]
    inlet, outlet = cells[0], cells[-1]
    rows, cols = slice(inlet[0] - 75, inlet[0] + 75), slice(inlet[1] - 75, inlet[1] + 75)
    window, goal = heights_m[rows, cols], np.zeros((150, 150), dtype=bool)
    goal[75 + outlet[0] - inlet[0], 75 + outlet[1] - inlet[1]] = True
    assert rise_until_joined_m(window, (75, 75), goal) > least_m
    x, y = np.meshgrid(np.arange(500001, 502100, 2)[cols], np.arange(5201699, 5200000, -2)[rows])
    pipe = shapely.contains_xy(culvert.buffer(2), x, y)
    opened = np.where(pipe, np.minimum(window, window[75, 75]), window)
    assert rise_until_joined_m(opened, (75, 75), goal) < 0.3


def test_script_makes_the_same_files_twice(script: ModuleType, made_again: Path, tmp_path: Path):
    """The committed files are one time, unless other libraries made them: then it is made once more."""
    names = ("county.gpkg", "elevation.tif")
    made = {name: (made_again / name).read_bytes() for name in names}
    if made != {name: (FOLDER / name).read_bytes() for name in names}:
        script.write(script.make(), tmp_path)
        assert made == {name: (tmp_path / name).read_bytes() for name in names}


def test_committed_files_are_what_the_script_makes(made_again: Path, layers: dict[str, gpd.GeoDataFrame], heights_m: np.ndarray):
    with rasterio.open(made_again / "elevation.tif") as raster:
        # Another numpy may round a sine the other way, hence a step of 1/64 m here and there.
        assert np.abs(raster.read(1) - heights_m).max() <= 2 / 64
    for name, again in read_layers(made_again).items():
        assert again.drop(columns="geometry").equals(layers[name].drop(columns="geometry")), name
        # Another GEOS may begin a ring elsewhere: the same place to the centimetre, not the same bytes.
        assert (shapely.hausdorff_distance(again.geometry.to_numpy(), layers[name].geometry.to_numpy()) <= 0.02).all(), name
    for name in ("points", "runs"):
        assert (made_again / f"findings_{name}.csv").read_bytes() == (FOLDER / f"findings_{name}.csv").read_bytes()
        again, kept = (gpd.read_file(folder / "findings.gpkg", layer=name) for folder in (made_again, FOLDER))
        assert again.drop(columns="geometry").equals(kept.drop(columns="geometry"))
        assert (shapely.hausdorff_distance(again.geometry.to_numpy(), kept.geometry.to_numpy()) <= 0.02).all()
