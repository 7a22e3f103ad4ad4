"""The suitability raster beside the envelopes it shows: no cell reads better than the vectors, whatever the ground and the code."""

from collections.abc import Mapping

import geopandas
import numpy as np
import pytest
import shapely
import shapely.affinity
from affine import Affine
from scipy import ndimage

from geoseptic.io.rulefiles import load_rules
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.reasons import BIT
from geoseptic.model.results import Results
from geoseptic.parcels import burn, envelope
from geoseptic.processes.suitability_map import suitability_map
from geoseptic.terrain import rating
from tests.parcels.worlds import FT

CRS = "EPSG:26915"
LEFT, TOP = 500_000.0, 4_700_000.0
LOT_LINE_M = 5 * FT


def elevation_of(heights_m: np.ndarray, cell_m: float) -> Raster:
    grid = Grid.of(heights_m.shape, Affine(cell_m, 0, LEFT, 0, -cell_m, TOP), CRS, "elevation")
    return Raster(heights_m.astype(np.float32), grid)


def layer(shapes: list[shapely.Geometry], **columns: list[object]) -> geopandas.GeoDataFrame:
    return geopandas.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def at(x: float, y: float, right: float, bottom: float) -> shapely.Geometry:
    """A box in metres east and south of the corner of the raster."""
    return shapely.box(LEFT + x, TOP - bottom, LEFT + right, TOP - y)


def well_at(x: float, y: float) -> shapely.Geometry:
    return shapely.Point(LEFT + x, TOP - y)


def gentle(side: int = 150, cell_m: float = 1.0) -> Raster:
    row = np.mgrid[:side, :side][0]
    return elevation_of(100 + 0.03 * cell_m * row, cell_m)


def mapped(parcels: list[shapely.Geometry], wells: list[shapely.Geometry], elevation: Raster, rules: str = "us-wa", **options) -> Results:
    names = [f"lot {number}" for number in range(len(parcels))]
    well_columns = options.pop("well_columns", {"kind": ["private"] * len(wells), "location_error_m": [0.0] * len(wells)})
    return suitability_map(
        layer(parcels, parcel_id=names, public_water=options.pop("public_water", [True] * len(parcels))),
        layer(wells, well_id=[f"w{number}" for number in range(len(wells))], **well_columns),
        elevation,
        rules=load_rules(rules),
        reach_m=20.0,  # else most of so small a raster drains off the data, and is unknown for that
        **options,
    )


def values_of(results: Results, name: str) -> np.ndarray:
    return np.asarray(results[name].raster.values)


def bit(results: Results, name: str) -> np.ndarray:
    return np.asarray(values_of(results, "reasons") >> np.uint32(BIT[name]) & np.uint32(1) == 1)


def cells_of(grid: Grid) -> np.ndarray:
    row, col = np.mgrid[: grid.shape[0], : grid.shape[1]]
    to_m = grid.transform_m
    return np.asarray(
        shapely.box(to_m.c + col * to_m.a, to_m.f + (row + 1) * to_m.e, to_m.c + (col + 1) * to_m.a, to_m.f + row * to_m.e), object
    )


def rated(results: Results) -> np.ndarray:
    values = values_of(results, "suitability")
    return np.asarray((values != rating.EXCLUDED) & (values != rating.UNKNOWN))


# ------------------------------------------------------------------------------------------------------- disputed and unproven ground


def test_ground_beside_disputed_ground_is_closed_in_the_raster_as_in_the_envelope():
    left, right = at(10, 10, 74, 130), at(70, 10, 134, 130)
    results = mapped([left, right], [well_at(140, 145)], gentle())
    disputed = at(70, 10, 74, 130)
    cells = cells_of(results["suitability"].raster.grid)
    away_m = shapely.distance(cells, disputed)
    closed = bit(results, "disputed_ground")
    # What the envelope leaves out for the dispute begins at the lot line distance: a cell that reaches into it is closed, none beyond.
    assert closed[away_m < LOT_LINE_M].all()
    assert not closed[away_m > LOT_LINE_M + 0.1].any()
    assert not rated(results)[closed].any()
    assert rated(results)[(away_m > LOT_LINE_M + 0.1) & shapely.covered_by(cells, at(20, 30, 120, 100))].any()


def test_parcel_whose_envelope_could_not_be_proven_is_unknown_in_the_raster(monkeypatch):
    lots, wells = [at(10, 10, 70, 130), at(80, 10, 140, 130)], [well_at(5, 70)]
    proven = mapped(lots, wells, gentle())
    cells = cells_of(proven["suitability"].raster.grid)
    # The last test never passes for the first lot: nothing on it may be rated, though no zone says so.
    honest = envelope._Cutter._short

    def never_for_the_first(self, shapes, zone):
        return np.concatenate([honest(self, shapes, zone), [[0], [zone[0]]]], axis=1)

    monkeypatch.setattr(envelope._Cutter, "_short", never_for_the_first)
    failed = mapped(lots, wells, gentle())
    first = shapely.intersects(cells, lots[0]) & ~shapely.touches(cells, lots[0])
    assert (proven["suitability"].raster.values[first] > 0).any() and rated(proven)[first].any()
    assert bit(failed, "setback_open")[first].all()
    assert not rated(failed)[first].any()
    # Ground that no zone closes is not closed by law either: nobody knows.
    only_unknown = first & ~bit(failed, "lot_line") & ~bit(failed, "private_well") & ~bit(failed, "slope") & ~bit(failed, "ponding")
    assert only_unknown.any() and (values_of(failed, "suitability")[only_unknown & ~bit(failed, "outside_parcels")] == rating.UNKNOWN).all()
    beyond = ~shapely.dwithin(cells, lots[0], 1.0)
    assert np.array_equal(values_of(failed, "suitability")[beyond], values_of(proven, "suitability")[beyond])
    assert [failure["feature"] for failure in failed.failures if "drain field" in str(failure["stage"])] == ["lot 0"]


# --------------------------------------------------------------------------------------------------------------------- random worlds

RULES: Mapping[str, Mapping[str, bool]] = {
    "us-wa": {},
    "us-ny": {"coarse_gravel": False, "shallow_aquifer": False},
    "us-or": {},
    "us-nc": {},
}


def random_world(seed: int, cell_m: float) -> tuple[list[shapely.Geometry], list[shapely.Geometry], Raster, dict[str, object]]:
    """Lots of uneven make, some overlapping; wells on and off them, placed well or roughly; houses, a ditch, a cut; hills with a hole."""
    rng = np.random.default_rng(seed)
    side = int(360 / cell_m)
    row, col = np.mgrid[:side, :side]
    heights = ndimage.gaussian_filter(rng.normal(size=(side, side)), 12 / cell_m) * 9 / cell_m + 200 + cell_m * (0.04 * row + 0.02 * col)
    heights[: int(20 / cell_m), : int(30 / cell_m)] = np.nan
    lots, houses = [], []
    for y in (6.3, 122.7, 239.1):
        x = rng.uniform(4, 9)
        while x < 300:
            wide, deep = rng.uniform(50, 90), rng.uniform(90, 112)
            lot = shapely.affinity.rotate(at(x, y, x + wide, y + deep), rng.uniform(-4, 4))
            lots.append(lot if rng.random() < 0.8 else lot.difference(shapely.Point(lot.centroid).buffer(6)))
            houses.append(shapely.affinity.rotate(at(x + 12, y + 9, x + 24, y + 18), rng.uniform(0, 90)))
            x += wide + rng.uniform(-1.5, 2.5)
    wells = [well_at(*rng.uniform(-30, 390, 2)) for _ in range(5)]
    kinds = list(rng.choice(np.array(["private", "irrigation", "public", None], object), 5, p=[0.7, 0.1, 0.1, 0.1]))
    line = lambda a, b: shapely.LineString([(LEFT + a[0], TOP - a[1]), (LEFT + b[0], TOP - b[1])])  # noqa: E731
    options: dict[str, object] = {
        "public_water": list(rng.random(len(lots)) < 0.9),
        "well_columns": {"kind": kinds, "location_error_m": rng.choice([0.0, 3.0, 12.0, 35.0], 5)},
        "buildings": layer(houses),
        "drains": layer([line(rng.uniform(0, 360, 2), rng.uniform(0, 360, 2))]),
        "cut_banks": layer([line(rng.uniform(0, 360, 2), rng.uniform(0, 360, 2))]),
    }
    return lots, wells, elevation_of(heights, cell_m), options


@pytest.mark.parametrize("rules", list(RULES))
@pytest.mark.parametrize(("seed", "cell_m"), [(1, 2.0), (2, 2.5), (3, 1.7)])
def test_every_rated_cell_lies_wholly_inside_one_field_envelope(rules, seed, cell_m):
    lots, wells, elevation, options = random_world(seed, cell_m)
    results = mapped(lots, wells, elevation, rules, facts=RULES[rules], **options)
    envelopes = results["field_envelope"].frame.geometry.values
    cells = cells_of(elevation.grid)[rated(results)]
    assert len(cells) >= 200
    tree = shapely.STRtree(envelopes)
    cell, parcel = tree.query(cells, predicate="intersects")
    left_m2 = shapely.area(cells)
    np.minimum.at(left_m2, cell, shapely.area(shapely.difference(cells[cell], envelopes[parcel])))
    assert left_m2.max() < 1e-6 * cell_m**2


@pytest.mark.parametrize("rules", list(RULES))
def test_every_zone_in_the_layer_has_its_cells_in_the_raster(rules):
    lots, wells, elevation, options = random_world(3, 1.7)
    results = mapped(lots, wells, elevation, rules, facts=RULES[rules], **options)
    zones = results["setback_zones"].frame.query("part == 'drain_field'")
    required = zones[zones["status"] == "required"]
    for name, own in required.groupby("feature"):
        assert np.array_equal(bit(results, str(name)), burn.touched(own.geometry.values, elevation.grid)), name
    unsure = burn.touched(zones.geometry.values[zones["status"] != "required"], elevation.grid)
    assert len(set(required["feature"])) >= 5 and unsure.any()
    assert np.array_equal(bit(results, "setback_open"), unsure)


@pytest.mark.parametrize("rules", ["us-tx", "us-wa"])
def test_cell_on_a_lot_line_is_never_rated_whether_or_not_the_code_asks_for_a_distance(rules, monkeypatch):
    if rules == "us-tx":
        monkeypatch.setattr("geoseptic.model.rules.RuleSet.requirement", without_lot_line())
    lots = [at(10.3, 10.4, 70.7, 130.2), at(70.7, 10.4, 139.6, 130.2)]
    results = mapped(lots, [well_at(5, 5)], gentle(), rules)
    cells = cells_of(results["suitability"].raster.grid)
    on_line = shapely.intersects(cells, lots[0].boundary) | shapely.intersects(cells, lots[1].boundary)
    assert bit(results, "lot_line")[on_line].all()
    assert not rated(results)[on_line].any() and rated(results).any()


def without_lot_line():
    from geoseptic.errors import CodeSilentError
    from geoseptic.model.rules import Requirement, RuleSet

    honest = RuleSet.requirement

    def requirement(self: RuleSet, part: str, feature: str) -> Requirement:
        if feature == "lot_line":
            raise CodeSilentError(self.id, "lot lines")
        return honest(self, part, feature)

    return requirement
