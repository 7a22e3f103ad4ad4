"""Real plots, buildings and points: refused in Web Mercator, cut without a violated setback once reprojected, every fault told."""

import geopandas
import numpy as np
import pandas
import pytest
import shapely
import shapely.affinity
from scipy.spatial import cKDTree

from geoseptic.errors import LayerContractError, WebMercatorError
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.results import Results
from geoseptic.processes.setback_envelopes import setback_envelopes
from tests.outside import meuse_path, momepy_path

FT = 0.3048
LOCATION_ERROR_M = 3.0
KROVAK, UTM = "EPSG:5514", "EPSG:32633"

# Distances of Washington's table from a drain field and from a tank, in feet.
FIELD_FT = {"private_well": 100, "building": 10, "lot_line": 5}
TANK_FT = {"private_well": 50, "building": 5, "lot_line": 5}

bubenec = pytest.mark.source("momepy_bubenec", where="layers plots and buildings")
meuse = pytest.mark.source("meuse", where="columns x and y, 155 rows")


# -------------------------------------------------------------------------------------------------------------- a town quarter


def plots(crs: str | None = None) -> geopandas.GeoDataFrame:
    layer = geopandas.read_file(momepy_path(), layer="plots").rename(columns={"ID": "parcel_id"})[["parcel_id", "geometry"]]
    return layer.to_crs(crs) if crs else layer


def buildings(crs: str | None = None) -> geopandas.GeoDataFrame:
    layer = geopandas.read_file(momepy_path(), layer="buildings")[["geometry"]]
    return layer.to_crs(crs) if crs else layer


def wells(crs: str) -> geopandas.GeoDataFrame:
    """A well beside every sixth building, in the yard or in the street as it falls."""
    houses = buildings("EPSG:32633").geometry.iloc[::6]
    places = [shapely.Point(house.bounds[2] + 4, house.bounds[1] - 3) for house in houses]
    columns = {"kind": "private", "location_error_m": LOCATION_ERROR_M}
    return geopandas.GeoDataFrame(columns, index=range(len(places)), geometry=places, crs="EPSG:32633").to_crs(crs)


@pytest.fixture(scope="module", params=[KROVAK, UTM])
def town(request) -> tuple[str, Results]:
    crs = request.param
    # Nothing is said of public water: presumed wells would leave all of the town open.
    options = {"rules": load_rules("us-wa"), "buildings": buildings(crs), "unrecorded_wells": "warn"}
    return crs, setback_envelopes(plots(crs), wells(crs), **options)


@bubenec
def test_plots_as_they_come_are_refused_for_web_mercator():
    with pytest.raises(WebMercatorError, match=r"parcels is in Web Mercator \(EPSG:3857\)"):
        setback_envelopes(plots(), wells(UTM), rules=load_rules("us-wa"))


@bubenec
def test_layer_with_no_plot_left_is_refused_by_name():
    with pytest.raises(LayerContractError, match="parcels cannot be used:\n  - the layer holds no parcel"):
        setback_envelopes(plots(UTM).iloc[:0], wells(UTM), rules=load_rules("us-wa"))


@bubenec
def test_plots_in_web_mercator_are_more_than_half_too_long():
    # Why they are refused: at 50 degrees north 100 ft of Web Mercator are 64 ft on the ground.
    stretched = np.sqrt(plots().area / plots(UTM).area)
    assert stretched.min() > 1.5 and stretched.max() < 1.6


@bubenec
def test_as_many_plots_come_out_as_went_in_and_in_their_order(town):
    crs, results = town
    ids = [str(value) for value in plots()["parcel_id"]]
    for name in ("field_envelope", "tank_envelope"):
        layer = results[name].frame
        assert layer["parcel_id"].tolist() == ids and len(ids) == 407
        assert layer.crs == crs
    assert results.counts["parcels"] == 407 and results.counts["buildings"] == 144 and results.counts["wells"] == 24
    assert results.failures == ()


@bubenec
@pytest.mark.parametrize(("name", "distances_ft"), [("field_envelope", FIELD_FT), ("tank_envelope", TANK_FT)])
def test_no_plots_envelope_violates_a_setback(town, name, distances_ft):
    crs, results = town
    left = results[name].frame.geometry.values
    assert shapely.is_valid(left).all()
    everywhere = shapely.union_all(left)
    assert not shapely.dwithin(everywhere, wells(crs).geometry.values, distances_ft["private_well"] * FT + LOCATION_ERROR_M).any()
    assert not shapely.dwithin(everywhere, buildings(crs).geometry.values, distances_ft["building"] * FT).any()
    assert not shapely.dwithin(left, shapely.boundary(plots(crs).geometry.values), distances_ft["lot_line"] * FT).any()
    assert (shapely.area(left) > 0).sum() == results.counts[f"parcels_with_room_for_{'drain_field' if name[0] == 'f' else 'septic_tank'}"]


@bubenec
def test_no_room_is_lost_beyond_the_declared_overshoot(town):
    crs, results = town
    left, shapes = results["field_envelope"].frame.geometry.values, plots(crs).geometry.values
    more = 1.004
    kept_out = shapely.union_all(
        [
            *shapely.buffer(wells(crs).geometry.values, (100 * FT + LOCATION_ERROR_M) * more + 0.01, quad_segs=64),
            *shapely.buffer(buildings(crs).geometry.values, 10 * FT * more + 0.01, quad_segs=64),
        ]
    )
    least = shapely.difference(shapely.buffer(shapes, -(5 * FT * more + 0.01), join_style="mitre", mitre_limit=5.0), kept_out)
    assert shapely.area(least).sum() > 0.3 * shapely.area(shapes).sum()
    assert shapely.area(shapely.difference(least, left)) == pytest.approx(0, abs=1e-6)


@bubenec
def test_two_projections_give_the_same_areas_up_to_their_scale():
    areas = {}
    for crs in (KROVAK, UTM):
        options = {"buildings": buildings(crs), "parts": ("drain_field",), "unrecorded_wells": "warn"}
        results = setback_envelopes(plots(crs), wells(crs), rules=load_rules("us-wa"), **options)
        areas[crs] = results["field_envelope"].frame.area.to_numpy()
    scale = (plots(KROVAK).area / plots(UTM).area).median()
    assert abs(scale - 1) < 0.001
    # Rims lie where the projection puts them, to within its scale of 31 m and the overshoot.
    assert np.abs(areas[KROVAK] / scale - areas[UTM]).max() < 25
    assert areas[KROVAK].sum() / scale == pytest.approx(areas[UTM].sum(), rel=0.002)


@bubenec
def test_slivers_of_the_fabric_are_told_and_nothing_else(town):
    crs, results = town
    shapes = plots(crs)
    width_m = 2 * shapes.area / shapes.length
    wanted = {str(value) for value in shapes["parcel_id"][width_m < 1.0]}
    assert {(record["feature"], record["fault"]) for record in results.repairs} == {(identifier, "sliver") for identifier in wanted}
    assert len(wanted) == 4


@bubenec
def test_faults_made_in_the_real_fabric_are_each_told():
    layer, taken = plots(UTM), {}
    big = layer.index[layer.area > 300]
    moved = max(big, key=lambda number: layer.geometry.touches(layer.geometry[number]).sum())
    doubled, crossed = big[40], big[70]
    layer.loc[moved, "geometry"] = shapely.affinity.translate(layer.geometry[moved], 2.0, 1.0)
    extra = layer.loc[[doubled]].assign(parcel_id="stacked")
    corners = shapely.get_coordinates(layer.geometry[crossed])
    corners[[1, 2]] = corners[[2, 1]]
    layer.loc[crossed, "geometry"] = shapely.Polygon(corners)
    layer = pandas.concat([layer, extra], ignore_index=True)
    results = setback_envelopes(layer, wells(UTM), rules=load_rules("us-wa"), parts=("drain_field",))
    for record in results.repairs:
        taken.setdefault(record["fault"], set()).add(record["feature"])
    ids = layer["parcel_id"].astype(str)
    assert taken["mended outline"] == {ids[crossed]}
    assert taken["same ground as another"] == {ids[doubled], "stacked"}
    # Whoever shares ground with the moved plot, found pair by pair.
    neighbours = {
        ids[number]
        for number, shape in layer.geometry.items()
        if number != moved and number != crossed and shape.intersection(layer.geometry[moved]).area > 0.5
    }
    assert neighbours and {ids[moved], *neighbours} <= taken["overlap"]
    envelope = results["field_envelope"].frame
    assert len(envelope) == 408
    disputed = [layer.geometry[moved].intersection(layer.geometry[number]) for number in layer.index[ids.isin(neighbours)]]
    claimed = envelope[ids.isin({ids[moved], *neighbours})].geometry.values
    assert not any(shapely.dwithin(claimed, shape, 5 * FT).any() for shape in disputed)


# ------------------------------------------------------------------------------------------------------------------ a flood plain


@pytest.fixture(scope="module")
def points() -> np.ndarray:
    """Places of the 155 samples, shape (155, 2). [m]"""
    return pandas.read_csv(meuse_path())[["x", "y"]].to_numpy(float)


@pytest.fixture(scope="module")
def plain(points) -> Results:
    """Every sample as a well, on hectare lots over the middle of the plain, so that some wells lie beyond the last lot."""
    left, bottom = points.min(axis=0) + 200
    right, top = points.max(axis=0) - 200
    x, y = np.meshgrid(np.arange(left, right, 100), np.arange(bottom, top, 100))
    lots = shapely.box(x.ravel(), y.ravel(), x.ravel() + 100, y.ravel() + 100)
    fields = geopandas.GeoDataFrame({"parcel_id": np.arange(len(lots))}, geometry=lots, crs="EPSG:28992")
    places = geopandas.GeoDataFrame(
        {"kind": "private", "location_error_m": 0.0}, index=range(155), geometry=shapely.points(points), crs="EPSG:28992"
    )
    return setback_envelopes(fields, places, rules=load_rules("us-typical"), parts=("drain_field",))


@meuse
def test_nearest_of_all_real_points_decides_every_place(points, plain):
    zones = plain["setback_zones"].frame
    rings = shapely.union_all(zones.geometry.values[zones["feature"] == "private_well"])
    assert (zones["feature"] == "private_well").sum() == 155
    shapely.prepare(rings)
    rng = np.random.default_rng(155)
    # Anywhere on the plain, and close round the points, where the rims are.
    anywhere = rng.uniform(points.min(axis=0) - 50, points.max(axis=0) + 50, (20_000, 2))
    near_rims = points[rng.integers(0, 155, 20_000)] + rng.normal(0, 30, (20_000, 2))
    places = np.vstack([anywhere, near_rims])
    nearest_m, _ = cKDTree(points).query(places)
    inside = shapely.contains_xy(rings, places[:, 0], places[:, 1])
    assert inside[nearest_m <= 100 * FT].all()
    assert not inside[nearest_m > 100 * FT * 1.004].any()
    assert 1000 < inside.sum() < 39_000


@meuse
def test_no_corner_of_an_envelope_is_nearer_to_a_real_point_than_the_setback(points, plain):
    layer = plain["field_envelope"].frame
    corners, owner = shapely.get_coordinates(layer.geometry.values, return_index=True)
    nearest_m, _ = cKDTree(points).query(corners)
    assert nearest_m.min() > 100 * FT
    everywhere = shapely.union_all(layer.geometry.values)
    assert not shapely.dwithin(everywhere, shapely.points(points), 100 * FT).any()
    assert len(np.unique(owner)) > 100


@meuse
def test_real_points_beyond_every_lot_count_too(points, plain):
    layer = plain["field_envelope"].frame
    fields = shapely.box(*shapely.total_bounds(layer.geometry.values))
    outside = ~shapely.contains_xy(fields, points[:, 0], points[:, 1])
    assert outside.any()
    reach_m = shapely.distance(shapely.points(points[outside]), fields)
    assert (reach_m < 100 * FT).any()  # some of them cut a lot from outside
    assert plain.counts["wells"] == 155


@meuse
def test_what_wells_take_from_each_lot_is_the_ground_near_their_points(points, plain):
    layer = plain["field_envelope"].frame
    square_m = FT**2
    taken_m2 = layer["takes_private_well_ft2"].to_numpy() * square_m
    left, bottom = points.min(axis=0) + 200
    # A fine lattice of places in each lot, each the middle of 4 m2.
    offsets = np.stack(np.meshgrid(np.arange(1, 100, 2), np.arange(1, 100, 2)), axis=-1).reshape(-1, 2)
    columns = len(np.arange(left, points[:, 0].max() - 200, 100))
    tree = cKDTree(points)
    for lot in range(0, len(layer), 7):
        corner = np.array([left + 100 * (lot % columns), bottom + 100 * (lot // columns)])
        nearest_m, _ = tree.query(corner + offsets)
        least, most = 4 * (nearest_m < 100 * FT - 1.5).sum(), 4 * (nearest_m < 100 * FT + 1.5).sum()
        assert least <= taken_m2[lot] + 0.1 and taken_m2[lot] <= most + 0.1
