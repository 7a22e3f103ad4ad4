"""The main job on real ground, held against brute force: distance by distance, plane by plane, path by path.

The ground is a tile of airborne laser scanning; lots, wells, houses, a drive and a creek are laid over it here. Nothing below calls a
kernel of the package to check another: distances are measured to the features themselves, planes fitted by linear algebra, and water is
led downhill by code written here from the published formulas.
"""

import heapq
import math
from functools import cache

import geopandas
import numpy as np
import pytest
import shapely
import shapely.affinity

from geoseptic.io.rasters import read_elevation
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.reasons import BIT, UNKNOWN_REASONS
from geoseptic.processes.suitability_map import suitability_map
from tests.outside import lidar_dem_path

CRS = "EPSG:26915"
LEFT, BOTTOM, RIGHT, TOP = 429_252.313370022, 5_150_485.424942633, 429_652.313370022, 5_150_885.424942633
FT = 0.3048
REACH_M, DISC_M, MIN_SHARE, WINDOW_M = 180.0, 30.48, 0.2, 15.0
RING = 1.004
"""Rings may take up to this much of their distance, and a cell counts as touched from this many metres: a few hundredths of its side."""
TOUCH_M = 0.1

# Distances from a drain field in feet, as the two codes print them: well, public well, building, surface water, lot line.
WASHINGTON = {"private_well": 100, "public_well": 100, "building": 10, "surface_water": 100, "lot_line": 5}
NEW_YORK = {"private_well": 100, "public_well": 200, "building": 20, "surface_water": 100, "lot_line": 10}
NEW_YORK_DRAINAGE_PATH = 200
STATED = {"coarse_gravel": False, "shallow_aquifer": False}


# --------------------------------------------------------------------------------------------------------------------- the place


def lots() -> geopandas.GeoDataFrame:
    """Six by five lots with two streets between them, seven degrees off the raster; the last column lies half beyond the tile."""
    shapes = []
    for row in range(5):
        for column in range(6):
            x, y = LEFT + 30 + 62 * column, BOTTOM - 10 + 68 * row + 14 * (row // 2)
            shapes.append(shapely.box(x, y, x + 62, y + 68))
    turned = [shapely.affinity.rotate(shape, 7, origin=(LEFT + 200, BOTTOM + 200)) for shape in shapes]
    return geopandas.GeoDataFrame({"parcel_id": [f"L{number}" for number in range(len(turned))]}, geometry=turned, crs=CRS)


WELLS = {
    # id: (x and y from the corner of the tile, kind, location error in metres)
    "in the house": (118.0, 92.0, "private", 3.0),
    "by the creek": (232.0, 140.0, "private", 0.0),
    "north": (151.0, 322.0, "private", 6.0),
    "middle": (205.0, 226.0, "private", 15.0),
    "east": (331.0, 262.0, "domestic", 1.0),
    "of a school": (62.0, 205.0, "public", 4.0),
    "unused": (297.0, 47.0, "unused", 10.0),
    "somewhere on the farm": (78.0, 330.0, "private", 61.0),
    "of no known kind": (370.0, 358.0, None, 2.0),
    "west of the tile": (-18.0, 120.0, "private", 0.0),
    "south of the tile": (240.0, -22.0, "public", 3.0),
    "far off": (900.0, 900.0, "private", 0.0),
}


def wells() -> geopandas.GeoDataFrame:
    places = [shapely.Point(LEFT + x, BOTTOM + y) for x, y, _, _ in WELLS.values()]
    corner = shapely.get_coordinates(lots().geometry.values[14])[1]  # one more on the corner of four lots
    return geopandas.GeoDataFrame(
        {
            "well_id": [*WELLS, "on the lot line"],
            "kind": [*(kind for *_, kind, _ in WELLS.values()), "private"],
            "location_error_m": [*(error_m for *_, error_m in WELLS.values()), 2.0],
        },
        geometry=[*places, shapely.Point(corner)],
        crs=CRS,
    )


def houses() -> geopandas.GeoDataFrame:
    shapes = []
    for number, lot in enumerate(lots().geometry):
        if number % 3 != 1:
            middle = lot.centroid
            house = shapely.box(middle.x - 6, middle.y + 8, middle.x + 7, middle.y + 17)
            shapes.append(shapely.affinity.rotate(house, 11 * number))
    return geopandas.GeoDataFrame(geometry=shapes, crs=CRS)


def creek() -> geopandas.GeoDataFrame:
    bends = [(-20, 180), (60, 150), (140, 165), (250, 110), (330, 120), (420, 60)]
    return geopandas.GeoDataFrame(geometry=[shapely.LineString([(LEFT + x, BOTTOM + y) for x, y in bends])], crs=CRS)


@cache
def drive() -> geopandas.GeoDataFrame:
    return geopandas.GeoDataFrame(
        geometry=[shapely.LineString([(LEFT + 172, BOTTOM + 330), (LEFT + 178, BOTTOM + 352)]).buffer(1.8)], crs=CRS
    )


class Run:
    """The results of the main job under one rule set, and the place that they are of."""

    def __init__(self, rules_id: str, distances_ft: dict[str, int]) -> None:
        self.elevation = read_elevation(lidar_dem_path(), unit="m")
        self.distances_m = {name: feet * FT for name, feet in distances_ft.items()}
        self.lots, self.wells = lots(), wells()
        self.features = self._features()
        self.results = suitability_map(
            self.lots,
            self.wells,
            self.elevation,
            rules=load_rules(rules_id),
            buildings=houses(),
            surface_water=creek(),
            driveways=drive(),
            facts=STATED,
            reach_m=REACH_M,
            well_radius_m=DISC_M,
            min_share=MIN_SHARE,
            window_m=WINDOW_M,
            building_height_m=0.0,
            # Nothing is said of public water: presumed wells would leave all of this open, and are tested elsewhere.
            unrecorded_wells="warn",
        )
        names = ("suitability", "reasons", "slope", "well_path", "well_path_code", "suitability_class")
        self.values, self.reasons, self.slope, self.path, self.code, self.classes = (self.results[name].raster.values for name in names)

    def _features(self) -> dict[str, list[tuple[shapely.Geometry, float]]]:
        """Feature -> (shape, location error) of all that a field keeps clear of; a well of unknown kind is of both kinds."""
        found: dict[str, list[tuple[shapely.Geometry, float]]] = {"private_well": [], "public_well": []}
        for kind, error_m, place in zip(self.wells["kind"], self.wells["location_error_m"], self.wells.geometry, strict=True):
            if kind != "public":
                found["private_well"].append((place, error_m))
            if kind == "public" or not isinstance(kind, str):
                found["public_well"].append((place, error_m))
        found["building"] = [(shape, 0.0) for shape in houses().geometry]
        found["surface_water"] = [(shape, 0.0) for shape in creek().geometry]
        return found

    def bit(self, name: str, row: int, col: int) -> bool:
        return bool(self.reasons[row, col] >> BIT[name] & 1)


def cell_box(row: int, col: int) -> shapely.Geometry:
    return shapely.box(LEFT + col, TOP - row - 1, LEFT + col + 1, TOP - row)


@pytest.fixture(scope="module")
def washington() -> Run:
    return Run("us-wa", WASHINGTON)


@pytest.fixture(scope="module")
def new_york() -> Run:
    return Run("us-ny", NEW_YORK)


def sample() -> list[tuple[int, int]]:
    """400 cells anywhere and all cells of a window where lots, a street, wells and a house meet."""
    rng = np.random.default_rng(42)
    anywhere = [(int(row), int(col)) for row, col in rng.integers(0, 400, (400, 2))]
    return anywhere + [(row, col) for row in range(40, 70) for col in range(165, 195)]


# ----------------------------------------------------------------------------------------------------- water, by the formulas alone

EAST_FIRST = [(0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0), (1, 1)]
FACETS = [(0, 1), (2, 1), (2, 3), (4, 3), (4, 5), (6, 5), (6, 7), (0, 7)]
"""Cardinal and diagonal neighbour of each of the eight facets."""


class Water:
    """Where water runs over a surface without pits, cell by cell and only where asked."""

    def __init__(self, heights_m: np.ndarray) -> None:
        self.size = heights_m.shape
        self.z = self._flooded(heights_m.astype(float).tolist())
        self.downhill = cache(self._downhill)
        self.next = cache(self._next)
        self._level_steps: dict[tuple[int, int], int] = {}

    def _flooded(self, z: list[list[float]]) -> list[list[float]]:
        """Every cell at the lowest height from which water gets out: a flood that rises from the rim, lowest cell first."""
        rows, cols = self.size
        wet = [[row in (0, rows - 1) or col in (0, cols - 1) for col in range(cols)] for row in range(rows)]
        rim = [(z[row][col], row, col) for row in range(rows) for col in range(cols) if wet[row][col]]
        heapq.heapify(rim)
        while rim:
            level, row, col = heapq.heappop(rim)
            for step_row, step_col in EAST_FIRST:
                r, c = row + step_row, col + step_col
                if 0 <= r < rows and 0 <= c < cols and not wet[r][c]:
                    wet[r][c] = True
                    z[r][c] = max(z[r][c], level)
                    heapq.heappush(rim, (z[r][c], r, c))
        return z

    def height(self, row: int, col: int) -> float:
        inside = 0 <= row < self.size[0] and 0 <= col < self.size[1]
        return self.z[row][col] if inside else math.nan

    def on_edge(self, cell: tuple[int, int]) -> bool:
        return cell[0] in (0, self.size[0] - 1) or cell[1] in (0, self.size[1] - 1)

    def _downhill(self, cell: tuple[int, int]) -> tuple[int, ...]:
        """Neighbours that take at least MIN_SHARE by the steepest of the eight facets (D-infinity), or the steepest neighbour."""
        here = self.height(*cell)
        near = [here - self.height(cell[0] + step_row, cell[1] + step_col) for step_row, step_col in EAST_FIRST]  # drops
        best, takers = 0.0, ()
        for cardinal, diagonal in FACETS:
            if math.isnan(near[cardinal]) or math.isnan(near[diagonal]):
                continue
            along, across = near[cardinal], near[diagonal] - near[cardinal]
            angle = math.atan2(across, along)
            steep = math.hypot(along, across)
            if angle < 0:
                angle, steep = 0.0, along
            elif angle > math.pi / 4:
                angle, steep = math.pi / 4, near[diagonal] / math.sqrt(2)
            if steep > best * (1 + 1e-12):
                best = steep
                share = angle / (math.pi / 4)
                takers = (*([cardinal] if 1 - share >= MIN_SHARE else []), *([diagonal] if share >= MIN_SHARE else []))
        if not takers:
            drops = [drop / math.sqrt(2) if k % 2 else drop for k, drop in enumerate(near)]
            steepest = max((drop for drop in drops if not math.isnan(drop)), default=0.0)
            takers = (drops.index(steepest),) if steepest > 0 else ()
        return takers

    def _next(self, cell: tuple[int, int]) -> tuple[tuple[tuple[int, int], float], ...]:
        """(neighbour, length of the step) for every neighbour that takes water; on level ground the way of fewest steps out of it."""
        takers = self.downhill(cell)
        if not takers and not self.on_edge(cell):
            if cell not in self._level_steps:
                self._walk_level(cell)
            takers = next(
                (k,) for k, other in self._level_neighbours(cell) if self._level_steps.get(other, -1) == self._level_steps[cell] - 1
            )
        return tuple(((cell[0] + EAST_FIRST[k][0], cell[1] + EAST_FIRST[k][1]), math.sqrt(2) if k % 2 else 1.0) for k in takers)

    def _level_neighbours(self, cell: tuple[int, int]) -> list[tuple[int, tuple[int, int]]]:
        here = self.height(*cell)
        around = [(k, (cell[0] + step_row, cell[1] + step_col)) for k, (step_row, step_col) in enumerate(EAST_FIRST)]
        return [(k, other) for k, other in around if self.height(*other) == here]

    def _walk_level(self, cell: tuple[int, int]) -> None:
        """Steps out of the level ground that the cell lies in: 0 for a cell that drains or lies on the edge."""
        ground, waiting, outlets = {cell}, [cell], set()
        while waiting:
            for _, other in self._level_neighbours(waiting.pop()):
                if self.downhill(other) or self.on_edge(other):
                    outlets.add(other)
                elif other not in ground:
                    ground.add(other)
                    waiting.append(other)
        steps, ring = 0, outlets
        self._level_steps |= dict.fromkeys(outlets, 0)
        while ring:
            steps += 1
            ring = {other for one in ring for _, other in self._level_neighbours(one) if other in ground and other not in self._level_steps}
            self._level_steps |= dict.fromkeys(ring, steps)

    def least(self, cell: tuple[int, int], start, known: dict[tuple[int, int], float]) -> float:
        """Length of the shortest path from the cell down to a cell for which `start` gives a number; infinite where none. [cells]"""
        waiting = [cell]
        while waiting:
            here = waiting[-1]
            if here in known:
                waiting.pop()
                continue
            unknown = [other for other, _ in self.next(here) if other not in known]
            if unknown:
                waiting += unknown
                continue
            known[here] = min([start(here), *(known[other] + step for other, step in self.next(here))])
            waiting.pop()
        return known[cell]


@pytest.fixture(scope="module")
def water(washington) -> Water:
    return Water(washington.elevation.values)


def disc_distance_m(run: Run):
    """Straight distance to the nearest possible place of a well, for cells in a well's disc; infinite elsewhere."""
    places = [
        (point.x - LEFT, TOP - point.y, error_m) for point, error_m in zip(run.wells.geometry, run.wells["location_error_m"], strict=True)
    ]

    def start(cell: tuple[int, int]) -> float:
        nearest = math.inf
        for x, y, error_m in places:
            straight = math.hypot(cell[1] + 0.5 - x, cell[0] + 0.5 - y)
            if straight <= max(DISC_M, error_m) or (math.floor(x), math.floor(y)) == (cell[1], cell[0]):
                nearest = min(nearest, max(0.0, straight - error_m))
        return nearest

    return start


# ---------------------------------------------------------------------------------------------------------------------- the checks

lidar = pytest.mark.source("lidar_package", where="lidar/data/dem.tif, 400 x 400 cells of 1 m")


@lidar
def test_ground_is_the_real_tile_and_the_job_answers_every_cell(washington):
    assert washington.elevation.grid.bounds == pytest.approx((LEFT, BOTTOM, RIGHT, TOP))
    assert washington.values.shape == (400, 400)
    seen = set(np.unique(washington.values))
    assert 0 in seen and 255 in seen and len(seen) > 20
    counts = washington.results.counts
    assert (counts["parcels"], counts["wells"], counts["buildings"]) == (30, 13, 20)
    assert len(washington.results["field_envelope"].frame) == 30


@lidar
@pytest.mark.parametrize("rules", ["washington", "new_york"])
def test_every_distance_measured_by_itself_excludes_the_cell_or_not(rules, request):
    run: Run = request.getfixturevalue(rules)
    lot_shapes = run.lots.geometry.values
    outlines = shapely.boundary(lot_shapes)
    hit = dict.fromkeys((*run.distances_m, "outside_parcels", "driveway"), 0)
    for row, col in sample():
        cell = cell_box(row, col)
        for name, features in run.features.items():
            asked_m = run.distances_m[name]
            must, may = False, False
            for shape, error_m in features:
                away_m = cell.distance(shape)
                # A well known less well than its setback keeps the setback; what its error adds is an open question.
                near_m = asked_m + (0.0 if error_m > max(asked_m, 15.24) else error_m)
                must |= away_m < near_m
                may |= away_m < near_m * RING + TOUCH_M
                if rules == "new_york" and name == "private_well":  # the direct path of drainage is held against water below
                    may |= away_m < (NEW_YORK_DRAINAGE_PATH * FT + error_m) * RING + TOUCH_M
            assert must <= run.bit(name, row, col) <= may, (name, row, col)
            hit[name] += must
        asked_m = run.distances_m["lot_line"]
        inside = shapely.intersection(cell, lot_shapes)
        away_m = np.where(shapely.is_empty(inside), np.inf, shapely.distance(inside, outlines))
        assert (away_m < asked_m).any() <= run.bit("lot_line", row, col), (row, col)
        if run.bit("lot_line", row, col):
            assert (shapely.distance(cell, outlines) < asked_m * RING + TOUCH_M).any(), (row, col)
        outside = not shapely.contains(lot_shapes, cell.centroid).any()
        assert run.bit("outside_parcels", row, col) == outside
        on_drive = drive().geometry.values[0]
        hit["driveway"] += cell.intersects(on_drive)
        assert cell.intersects(on_drive) <= run.bit("driveway", row, col) <= (cell.distance(on_drive) < TOUCH_M)
        by_law = any(run.bit(name, row, col) for name in (*run.distances_m, "outside_parcels", "driveway"))
        assert not by_law or run.values[row, col] == 0
        hit["lot_line"] += bool((away_m < asked_m).any())
        hit["outside_parcels"] += outside
    assert all(count >= 10 for count in hit.values()), str(hit)


@lidar
def test_cells_wholly_farther_than_every_setback_are_not_excluded_by_law(washington):
    free = 0
    lot_shapes = washington.lots.geometry.values
    for row, col in sample():
        cell = cell_box(row, col)
        clear = shapely.contains(lot_shapes, cell).any() and not cell.intersects(drive().geometry.values[0].buffer(TOUCH_M))
        clear &= bool((shapely.distance(cell, shapely.boundary(lot_shapes)) > 5 * FT * RING + TOUCH_M).all())
        for name, features in washington.features.items():
            asked_m = washington.distances_m[name]
            clear &= all(cell.distance(shape) > (asked_m + error_m) * RING + TOUCH_M for shape, error_m in features)
        if clear:
            free += 1
            excluding = washington.reasons[row, col] & ~np.uint32(sum(1 << BIT[name] for name in UNKNOWN_REASONS))
            assert int(excluding) & ~(1 << BIT["slope"] | 1 << BIT["ponding"]) == 0, (row, col)
    assert free >= 30


@lidar
def test_roughly_known_well_leaves_the_ground_round_it_open(washington):
    rough, error_m = next((shape, error_m) for shape, error_m in washington.features["private_well"] if error_m > 100 * FT)
    seen = 0
    for row, col in sample():
        away_m = cell_box(row, col).distance(rough)
        inside = away_m < 100 * FT + error_m
        assert inside <= washington.bit("setback_open", row, col) <= (away_m < (100 * FT + error_m) * RING + TOUCH_M)
        seen += inside
    assert seen >= 20


@lidar
def test_slope_is_that_of_the_plane_that_linear_algebra_fits(washington):
    heights = washington.elevation.values.astype(float)
    half = int((WINDOW_M - 1) / 2)
    fitted = 0
    for row, col in [*sample(), *((0, col) for col in range(0, 400, 40)), (0, 0), (399, 399), (5, 3)]:
        rows, cols = np.mgrid[max(0, row - half) : min(400, row + half + 1), max(0, col - half) : min(400, col + half + 1)]
        if rows.size < 0.5 * 15 * 15:
            assert np.isnan(washington.slope[row, col])
            continue
        unknowns = np.column_stack([np.ones(rows.size), cols.ravel() - col, rows.ravel() - row])
        _, east, south = np.linalg.lstsq(unknowns, heights[rows, cols].ravel(), rcond=None)[0]
        # Rounded up to a 64th of a percent.
        assert -2e-3 <= washington.slope[row, col] - 100 * math.hypot(east, south) < 1 / 64 + 2e-3
        fitted += 1
    assert fitted >= 1300


@lidar
def test_every_path_followed_downhill_gives_the_same_answer(washington, water):
    start, edge = disc_distance_m(washington), lambda cell: 0.0 if water.on_edge(cell) else math.inf
    to_well: dict[tuple[int, int], float] = {}
    to_edge: dict[tuple[int, int], float] = {}
    for cell in sample():
        water.least(cell, start, to_well)
        water.least(cell, edge, to_edge)
    seen = dict.fromkeys((1, 2, 3), 0)
    # Every cell on the way was answered as well.
    for cell, well_m in to_well.items():
        edge_m = to_edge[cell]
        if min(abs(well_m - REACH_M), abs(edge_m - REACH_M)) < 0.05:
            continue  # single precision may put these on either side of the reach
        answer = 1 if well_m <= REACH_M else 3 if edge_m <= REACH_M else 2
        assert washington.code[cell] == answer, cell
        if answer == 1:
            assert washington.path[cell] * FT == pytest.approx(well_m, abs=0.02), cell
        else:
            assert np.isnan(washington.path[cell])
        seen[answer] += 1
    assert all(count >= 100 for count in seen.values()), seen


def reaches(water: Water, cell: tuple[int, int], goal, within, known: dict[tuple[int, int], bool]) -> bool:
    """Whether water from the cell gets to a goal by a path that stays within; `known` is the memory of this goal."""
    waiting = [cell]
    while waiting:
        here = waiting[-1]
        if here not in known:
            if goal(here):
                known[here] = True
            else:
                ahead = [other for other, _ in water.next(here) if within(other)]
                unknown = [other for other in ahead if other not in known]
                if unknown:
                    waiting += unknown
                    continue
                known[here] = any(known[other] for other in ahead)
        waiting.pop()
    return known[cell]


@lidar
def test_new_yorks_direct_path_of_drainage_is_where_water_runs_to_the_well(new_york, water):
    required, opened = 0, 0
    explained: dict[tuple[int, int], bool] = {}
    cells = sample() + [(row, col) for row in range(220, 340, 3) for col in range(0, 45, 3)]  # these drain west, off the tile
    for shape, error_m in new_york.features["private_well"]:
        far_m = NEW_YORK_DRAINAGE_PATH * FT + error_m
        disc_m = max(DISC_M, error_m)
        x, y = shape.x - LEFT, TOP - shape.y
        bounds = (math.floor(y - far_m), math.ceil(y + far_m), math.floor(x - far_m), math.ceil(x + far_m))
        certain, touched, leaves, anywhere = {}, {}, {}, {}  # one memory a goal

        def within(cell, bounds=bounds):
            return bounds[0] <= cell[0] < bounds[1] and bounds[2] <= cell[1] < bounds[3]

        def on_tile(cell):
            return 0 <= cell[0] < 400 and 0 <= cell[1] < 400

        def away_m(cell, shape=shape):
            return cell_box(*cell).distance(shape)

        def surely_in_the_disc(cell, away_m=away_m, disc_m=disc_m):
            return away_m(cell) < disc_m - 0.2

        def perhaps_in_the_disc(cell, away_m=away_m, disc_m=disc_m):
            return away_m(cell) < disc_m + 0.2

        for cell in cells:
            if not within(cell) or not away_m(cell) < far_m:
                continue
            if reaches(water, cell, surely_in_the_disc, within, certain):
                # Where the place is known worse than the distance itself, the outer part only may be required.
                rough = error_m > NEW_YORK_DRAINAGE_PATH * FT and away_m(cell) > NEW_YORK_DRAINAGE_PATH * FT
                assert new_york.bit("setback_open" if rough else "private_well", *cell), cell
                required += away_m(cell) > 100 * FT + error_m
            elif not reaches(water, cell, perhaps_in_the_disc, within, touched) and reaches(water, cell, water.on_edge, within, leaves):
                assert new_york.bit("setback_open", *cell), cell
                opened += 1
        for cell in cells:
            if new_york.bit("private_well", *cell) and not explained.get(cell):
                # A cell that touches one from which water runs to the well is excluded with it.
                near = [(row, col) for row in range(cell[0] - 1, cell[0] + 2) for col in range(cell[1] - 1, cell[1] + 2)]
                near = [one for one in near if within(one) and 0 <= one[0] < 400 and 0 <= one[1] < 400]
                kept_m = 100 * FT + (0.0 if error_m > 100 * FT else error_m)
                # A path may leave the ring's box and come back.
                wet = any(reaches(water, one, perhaps_in_the_disc, on_tile, anywhere) for one in near)
                explained[cell] = away_m(cell) < kept_m * RING + TOUCH_M or (wet and away_m(cell) < far_m * RING + TOUCH_M)
    assert all(explained.values()), [cell for cell in explained if not explained[cell]]
    assert len(explained) >= 100 and required >= 50 and opened >= 50


@lidar
def test_new_york_excludes_what_is_steeper_than_its_limit(new_york):
    known = ~np.isnan(new_york.slope)
    steep = (new_york.reasons >> BIT["slope"] & 1).astype(bool)
    assert np.array_equal(steep[known], new_york.slope[known] > 15)
    assert not steep[~known].any()
    assert steep.any() and not steep[known].all()


@lidar
def test_hollows_that_hold_water_are_excluded(washington, water):
    depth_m = np.array(water.z) - washington.elevation.values
    ponds = (washington.reasons >> BIT["ponding"] & 1).astype(bool)
    assert np.array_equal(ponds, depth_m >= 0.15)
    assert ponds.any()


@lidar
@pytest.mark.parametrize("rules", ["washington", "new_york"])
def test_every_answer_has_its_reason(rules, request):
    run: Run = request.getfixturevalue(rules)
    unknown_bits = np.uint32(sum(1 << BIT[name] for name in UNKNOWN_REASONS))
    excluding, unknown = run.reasons & ~unknown_bits, run.reasons & unknown_bits
    assert ((run.values == 0) == (excluding != 0)).all()
    assert ((run.values == 255) == ((unknown != 0) & (excluding == 0))).all()
    rated = (run.values >= 1) & (run.values <= 100)
    assert (rated == (run.reasons == 0)).all()
    assert not ((run.values > 100) & (run.values < 255)).any()
    assert rated.sum() > 500


@lidar
@pytest.mark.parametrize(("rules", "limit"), [("washington", 45.0), ("new_york", 15.0)])
def test_rating_is_that_of_the_worse_factor(rules, limit, request):
    run: Run = request.getfixturevalue(rules)
    rated = (run.values >= 1) & (run.values <= 100)
    slope, path_m = run.slope[rated].astype(float), run.path[rated].astype(float) * FT
    points = [(0, 100), (8, 70), *([(15, 40)] if limit > 15 else []), (limit, 10)]
    by_slope = np.interp(slope, *zip(*points, strict=True))
    # No path within the reach is the best; at the longest setback from a well and nearer, 10; at the reach, 60.
    longest_m = max(run.distances_m["private_well"], NEW_YORK_DRAINAGE_PATH * FT if rules == "new_york" else 0)
    by_path = np.where(np.isnan(path_m), 100, np.interp(path_m, [longest_m, REACH_M], [10, 60]))
    assert np.abs(np.minimum(by_slope, by_path) - run.values[rated]).max() <= 0.51
    assert (by_path < by_slope).any() and (by_slope < by_path).any()


@lidar
def test_envelopes_of_the_job_keep_every_distance(washington):
    layer = washington.results["field_envelope"].frame
    for name, features in washington.features.items():
        for shape, error_m in features:
            assert not shapely.dwithin(layer.geometry.values, shape, washington.distances_m[name] + error_m).any()
    assert not shapely.dwithin(layer.geometry.values, shapely.boundary(washington.lots.geometry.values), 5 * FT).any()
    assert (~layer.geometry.is_empty).sum() >= 8
