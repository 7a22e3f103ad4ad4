"""The shape of the ground: valley, ridge, gullies, brook, pond, closed basin, roads, house pads. All heights in metres."""

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree
from shapely import contains_xy
from shapely.geometry import LineString, Point, Polygon

from quillback.layout import (
    BASIN_CENTRE,
    CELL_M,
    HEIGHT_M,
    WIDTH_M,
    Floats,
    Road,
    brook_width_m,
    normals_along,
    points_along,
    valley_line,
)

COARSE_M, PAD_M = 16.0, 160.0
OUTLET_HEIGHT_M = 208.0
PAVEMENT_HALF_M = 4.0
CUT_SLOPE, FILL_SLOPE = 0.65, 0.5


@dataclass
class Ground:
    """Heights on the map's grid (row 0 in the north), changed in place while the county is built."""

    height_m: Floats
    cut_banks: list[tuple[LineString, float]] = field(default_factory=list)

    def at(self, xy: Floats) -> Floats:
        """Height at points, bilinear."""
        row_col = np.stack([(HEIGHT_M - xy[:, 1]) / CELL_M - 0.5, xy[:, 0] / CELL_M - 0.5])
        return ndimage.map_coordinates(self.height_m, row_col, order=1, mode="nearest")

    def slope_percent(self, smooth_m: float = 8.0) -> Floats:
        down, right = np.gradient(ndimage.gaussian_filter(self.height_m, smooth_m / CELL_M), CELL_M)
        return 100 * np.hypot(down, right)


def cell_centres() -> tuple[Floats, Floats]:
    x = np.arange(CELL_M / 2, WIDTH_M, CELL_M)
    y = np.arange(HEIGHT_M - CELL_M / 2, 0, -CELL_M)
    return np.meshgrid(x, y)


def fractal(shape: tuple[int, int], cell_m: float, longest_m: float, shortest_m: float, power: float, rng: np.random.Generator) -> Floats:
    """Noise of unit spread whose spectrum falls as wavelength to the `power`, between two wavelengths."""
    white = np.fft.rfft2(rng.standard_normal(shape))
    frequency = np.hypot(np.fft.fftfreq(shape[0], cell_m)[:, None], np.fft.rfftfreq(shape[1], cell_m)[None, :])
    kept = (frequency > 1 / longest_m) & (frequency < 1 / shortest_m)
    weight = np.where(kept, np.maximum(frequency, 1e-9) ** (-power / 2), 0.0)
    noise = np.fft.irfft2(white * weight, s=shape)
    return noise / noise.std()


def rough_surface(rng: np.random.Generator) -> Floats:
    """The broad shape before water worked on it, on the padded coarse grid."""
    x, y = np.meshgrid(np.arange(-PAD_M, WIDTH_M + PAD_M + 1, COARSE_M), np.arange(HEIGHT_M + PAD_M, -PAD_M - 1, -COARSE_M))
    axis = valley_line()
    stations = np.arange(0.0, axis.length, 4.0)
    line = points_along(axis, stations)
    left = normals_along(axis, stations)
    away, nearest = cKDTree(line).query(np.column_stack([x.ravel(), y.ravel()]))
    # The line runs south-west, so its left is the east side.
    east = np.sum((np.column_stack([x.ravel(), y.ravel()]) - line[nearest]) * left[nearest], axis=1) > 0
    fall = np.interp(stations, [0, 700, 1300, axis.length], [41, 23, 12, 0])
    floor = OUTLET_HEIGHT_M + ndimage.gaussian_filter1d(fall, 25)[nearest]
    reach = np.maximum(away - 34, 0)
    northing = y.ravel() / HEIGHT_M
    crest_m = 500 + 60 * np.sin(y.ravel() / 210)
    climb = np.clip((reach - 30) / (0.85 * crest_m), 0, 1)
    east_side = (38 + 24 * northing) * (climb**2 * (3 - 2 * climb)) * 0.8 + 0.028 * reach - 0.10 * np.maximum(reach - crest_m - 60, 0)
    west_side = 27 * (1 - np.exp(-reach / 300)) + 0.012 * reach
    surface = floor + np.where(east, east_side, west_side) + 0.015 * np.minimum(away, 34)
    hills = fractal(x.shape, COARSE_M, 700, 60, 3.4, rng).ravel()
    surface += 4.6 * hills * np.clip(reach / 160, 0.0, 1.0)
    return surface.reshape(x.shape)


def filled(height_m: Floats) -> Floats:
    """Every hollow raised so that each cell has a lower neighbour (priority flood with a small step)."""
    rows, cols = height_m.shape
    out = height_m.ravel().tolist()
    rim = np.ones(height_m.shape, dtype=bool)
    rim[1:-1, 1:-1] = False
    done = bytearray(rim.ravel())
    queue = [(out[cell], cell) for cell in np.flatnonzero(rim).tolist()]
    heapq.heapify(queue)
    while queue:
        level, cell = heapq.heappop(queue)
        row, col = divmod(cell, cols)
        left, right = max(col - 1, 0), min(col + 2, cols)
        for r in range(max(row - 1, 0), min(row + 2, rows)):
            for other in range(r * cols + left, r * cols + right):
                if not done[other]:
                    done[other] = True
                    out[other] = max(out[other], level + 1e-4)
                    heapq.heappush(queue, (out[other], other))
    return np.array(out).reshape(rows, cols)


def worn(height_m: Floats, steps: int, strength: float, source: tuple[int, int], source_m2: float) -> Floats:
    """Gullies cut by running water: stream power with exponent 1/2, implicit in time, then creep."""
    offsets = [(-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1)]
    rows, cols = height_m.shape
    number = np.arange(rows * cols).reshape(rows, cols)
    surface = height_m
    for _ in range(steps):
        surface = filled(surface)
        best, receiver, run = np.zeros((rows, cols)), number.copy(), np.full((rows, cols), COARSE_M)
        inner = (slice(1, -1), slice(1, -1))
        for down, right in offsets:
            step_m = COARSE_M * float(np.hypot(down, right))
            there = (slice(1 + down, rows - 1 + down), slice(1 + right, cols - 1 + right))
            drop = (surface[inner] - surface[there]) / step_m
            better = drop > best[inner]
            best[inner][better] = drop[better]
            receiver[inner][better] = number[there][better]
            run[inner][better] = step_m
        order = np.argsort(surface, axis=None, kind="stable")
        area = np.full(rows * cols, COARSE_M**2)
        area[number[source]] += source_m2
        to = receiver.ravel().tolist()
        gathered = area.tolist()
        for cell in order[::-1].tolist():
            if to[cell] != cell:
                gathered[to[cell]] += gathered[cell]
        pull = (strength * np.sqrt(np.asarray(gathered)) / run.ravel()).tolist()
        level = surface.ravel().tolist()
        for cell in order.tolist():
            if to[cell] != cell:
                level[cell] = (level[cell] + pull[cell] * level[to[cell]]) / (1 + pull[cell])
        surface = ndimage.gaussian_filter(np.asarray(level).reshape(rows, cols), 0.45, mode="nearest")
    return surface


def bare_ground(rng: np.random.Generator) -> Ground:
    """Hills and gullies on the fine grid, before the brook bed and anything that people made."""
    coarse = rough_surface(rng)
    source = (round((PAD_M) / COARSE_M), round((1455 + PAD_M) / COARSE_M))
    coarse = ndimage.gaussian_filter(worn(coarse, 14, 0.018, source, 3e6), 0.7, mode="nearest")
    x, y = cell_centres()
    row_col = np.stack([(HEIGHT_M + PAD_M - y) / COARSE_M, (x + PAD_M) / COARSE_M])
    fine = ndimage.map_coordinates(coarse, row_col, order=3, mode="nearest")
    fine += 0.22 * fractal(fine.shape, CELL_M, 90, 7, 2.6, rng)
    return Ground(fine)


def near_line(line: LineString, within_m: float, step_m: float = 1.0) -> tuple[tuple[np.ndarray, np.ndarray], Floats, np.ndarray, Floats]:
    """Cells within a distance of a line: their (rows, cols), distance, index of the nearest station; and the stations."""
    stations = np.arange(0.0, line.length + step_m / 2, step_m)
    tree = cKDTree(points_along(line, stations))
    x, y = cell_centres()
    left, bottom, right, top = line.buffer(within_m).bounds
    rows, cols = np.flatnonzero((y[:, 0] >= bottom) & (y[:, 0] <= top)), np.flatnonzero((x[0] >= left) & (x[0] <= right))
    rows, cols = np.repeat(rows, len(cols)), np.tile(cols, len(rows))
    away, nearest = tree.query(np.column_stack([x[rows, cols], y[rows, cols]]), distance_upper_bound=within_m)
    found = np.isfinite(away)
    return (rows[found], cols[found]), away[found], nearest[found], stations


def carve_channel(ground: Ground, line: LineString, width_m: tuple[float, float], depth_m: float, bank_slope: float) -> None:
    """Cut a bed that never rises downstream; `width_m` at the upper and the lower end."""
    cells, away, nearest, stations = near_line(line, 40)
    along = ndimage.gaussian_filter1d(ground.at(points_along(line, stations)), 10)
    bed = np.minimum.accumulate(along - depth_m) - 0.0015 * stations
    half = np.interp(stations, [0, stations[-1]], [width_m[0] / 2, width_m[1] / 2])
    ceiling = bed[nearest] + bank_slope * np.maximum(away - half[nearest], 0)
    ground.height_m[cells] = np.minimum(ground.height_m[cells], ceiling)


def run_off(ground: Ground, start: Polygon, brook: LineString) -> LineString:
    """The way that water takes from the edge of the pond to the brook: steepest descent over the filled ground, smoothed."""
    skip = 4
    step_m = skip * CELL_M
    surface = filled(ndimage.gaussian_filter(ground.height_m, 3)[::skip, ::skip])
    x, y = (values[::skip, ::skip] for values in cell_centres())
    shore = np.asarray(start.exterior.coords)
    lowest = shore[np.argmin(ground.at(shore + 0.25 * (shore - np.asarray(start.centroid.coords[0]))))]
    row, col = round((y[0, 0] - lowest[1]) / step_m), round((lowest[0] - x[0, 0]) / step_m)
    way = [tuple(lowest)]
    while True:
        if not start.buffer(6).contains(Point(x[row, col], y[row, col])):
            way.append((x[row, col], y[row, col]))
        near = [(r, c) for r in (row - 1, row, row + 1) for c in (col - 1, col, col + 1)]
        below = min(near, key=lambda cell: (surface[cell] - surface[row, col]) / max(1.0, np.hypot(cell[0] - row, cell[1] - col)))
        if below == (row, col) or brook.distance(Point(x[below], y[below])) < 9:
            break
        row, col = below
    met = brook.interpolate(brook.project(Point(way[-1])) + 6)
    line = np.array([*way, (met.x, met.y)])
    even = points_along(LineString(line), np.linspace(0, LineString(line).length, len(line) * 2))
    return LineString(ndimage.gaussian_filter1d(even, 2.5, axis=0, mode="nearest"))


def sink_basin(ground: Ground) -> None:
    """A closed hollow without an outlet: level the ground round it first, then press it in."""
    x, y = cell_centres()
    away = np.hypot((x - BASIN_CENTRE.x) / 1.25, y - BASIN_CENTRE.y)
    level = float(ground.at(np.array([[BASIN_CENTRE.x, BASIN_CENTRE.y]]))[0])
    share = np.exp(-((away / 70) ** 4))
    ground.height_m += share * 0.8 * (level - ground.height_m) - 3.6 * np.exp(-((away / 34) ** 2))


def level_pond(ground: Ground, outline: Polygon) -> float:
    """Flatten the pond, raise its shore above the water, return the water level."""
    x, y = cell_centres()
    inside = contains_xy(outline, x, y)
    level = float(np.percentile(ground.height_m[inside], 30))
    away = ndimage.distance_transform_edt(~inside, sampling=CELL_M)
    shore = level + 0.35 + 0.04 * away
    share = np.exp(-((away / 26) ** 2))
    ground.height_m += share * (np.maximum(shore, ground.height_m - 0.5 * share) - ground.height_m)
    ground.height_m[:] = np.where(away < 30, np.minimum(ground.height_m, level + 0.35 + 0.22 * away + 0.02 * away**2), ground.height_m)
    ground.height_m[inside] = level
    return level


def build_road(ground: Ground, road: Road, crossings: Sequence[tuple[LineString, float]]) -> None:
    """Grade a road into the ground: pavement along a smooth profile, ditches, cut and fill slopes.

    `crossings`: a watercourse and how high above its bed the embankment stands there.
    """
    cells, away, nearest, stations = near_line(road.centre, 34)
    centre = points_along(road.centre, stations)
    under = ground.at(centre)
    profile = ndimage.gaussian_filter1d(under, 17, mode="nearest")
    for water, dam_m in crossings:
        met = road.centre.intersection(water)
        if not met.is_empty:
            at = road.centre.project(met.centroid)
            top = float(under[max(0, int(at) - 6) : int(at) + 7].min()) + dam_m
            lift = max(0.0, top - float(profile[int(at)]))
            profile = profile + lift * np.exp(-(((stations - at) / 42) ** 2))
    # A side road starts at the height of the road that it leaves.
    profile += (under[0] - profile[0]) * np.exp(-stations / 25)
    ground.cut_banks += cut_bank_tops(ground, road, stations, profile)
    beyond = np.maximum(away - PAVEMENT_HALF_M, 0)
    ditch = 0.28 * np.exp(-(((away - 6.0) / 1.1) ** 2))
    low, high = profile[nearest] - FILL_SLOPE * beyond, profile[nearest] + CUT_SLOPE * beyond
    ground.height_m[cells] = np.clip(ground.height_m[cells], low, high) - ditch * (away > PAVEMENT_HALF_M)


def cut_bank_tops(ground: Ground, road: Road, stations: Floats, profile: Floats) -> list[tuple[LineString, float]]:
    """Upper edges of road cuts at least 1 m high for 30 m, each with its greatest height."""
    tops: list[tuple[LineString, float]] = []
    centre, left = points_along(road.centre, stations), normals_along(road.centre, stations)
    offsets = np.arange(PAVEMENT_HALF_M + 0.5, 24, 0.5)
    for side in (1, -1):
        above = np.stack(
            [ground.at(centre + side * offset * left) - profile - CUT_SLOPE * (offset - PAVEMENT_HALF_M) for offset in offsets]
        )
        top_m = ndimage.gaussian_filter1d(offsets[np.argmax(above <= 0, axis=0)], 4)
        height_m = (top_m - PAVEMENT_HALF_M) * CUT_SLOPE
        runs, count = ndimage.label(height_m >= 1.0)
        for run in range(1, count + 1):
            at = np.nonzero(runs == run)[0]
            if len(at) >= 30:
                edge = LineString((centre + side * top_m[:, None] * left)[at[::5]])
                tops.append((edge, round(float(height_m[at].max()), 1)))
    return tops


def level_pads(ground: Ground, houses: Sequence[Polygon]) -> None:
    """Take out most of the slope under each house."""
    x, y = cell_centres()
    for house in houses:
        left, bottom, right, top = house.buffer(16).bounds
        rows = slice(max(0, int((HEIGHT_M - top) / CELL_M)), int((HEIGHT_M - bottom) / CELL_M) + 1)
        cols = slice(max(0, int(left / CELL_M)), int(right / CELL_M) + 1)
        half_m = np.sqrt(house.area) / 2
        away = np.hypot(x[rows, cols] - house.centroid.x, y[rows, cols] - house.centroid.y)
        level = float(ground.at(np.array([[house.centroid.x, house.centroid.y]]))[0])
        share = 0.8 / (1 + np.exp((away - half_m - 3.5) / 1.3))
        ground.height_m[rows, cols] += share * (level - ground.height_m[rows, cols])


def surveyed(ground: Ground, still_water: Polygon, rng: np.random.Generator) -> np.ndarray:
    """What a survey from the air would give: 5 cm of noise off the water, heights to 1/64 m (1.6 cm), float32.

    A power of two leaves the low bits of each float zero, so the file packs to half of what whole centimetres need.
    """
    x, y = cell_centres()
    noise = 0.05 * rng.standard_normal(ground.height_m.shape)
    noise[contains_xy(still_water, x, y)] = 0
    return (np.round((ground.height_m + noise) * 64) / 64).astype(np.float32)


def channel_outline(line: LineString) -> Polygon:
    """The brook as a polygon, widening downstream."""
    stations = np.append(np.arange(0.0, line.length, 4.0), line.length)
    half = brook_width_m(stations / line.length)[:, None] / 2
    xy, left = points_along(line, stations), normals_along(line, stations, 4.0)
    return Polygon(np.vstack([xy + half * left, (xy - half * left)[::-1]])).buffer(0)
