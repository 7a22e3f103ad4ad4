"""Whether a drain field and its reserve fit on a lot, and where: trenches along the contour, inside what the law and the ground leave."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.parcels import fitgrid
from geoseptic.terrain.slope import LEAST_KNOWN_SHARE, half_window_cells, plane_at

Floats = npt.NDArray[np.float32]

COARSE_CELL_M: Final = 1.0
FINE_CELL_M: Final = 0.3
MOST_CELLS: Final = 400
"""Side of the largest search grid; a lot too large for it is searched on larger cells, which only misses tight spots."""

MOST_SPOTS: Final = 150
"""Spots weighed for each layout and orientation; room is looked for everywhere, the best is chosen among so many."""

LEVEL_PERCENT: Final = 2.0
"""Ground so level that trenches may also run along a lot line. Common practice, no source."""

MOST_TURNS: Final = 5
MOST_LAYOUTS: Final = 6
SHORTEST_TRENCH_M: Final = 6.0
"""No layout has trenches shorter than 20 ft. Common practice, no source."""

DROP_ALONG_TRENCH_M: Final = 0.3
"""How far the fitted ground may fall from one end of a trench to the other: the bottom must be level, so one end lies that much deeper.
Common practice, no source."""

Decision = Literal["area", "disc", "grid", "fine grid"]


@dataclass(frozen=True)
class FieldNeed:
    """What has to fit. Trench lengths are totals; spacing is between the walls of neighbouring trenches. [m]"""

    trench_length_m: float
    trench_width_m: float
    max_trench_m: float
    spacing_m: float
    reserve_share: float


@dataclass(frozen=True)
class Layout:
    """One way to lay the trenches: `count` of `length_m` each, covering `length_m` x `depth_m`; the reserve likewise."""

    count: int
    length_m: float
    depth_m: float
    reserve_count: int
    reserve_depth_m: float


@dataclass(frozen=True)
class Site:
    """One lot: envelopes in metres, where the tank's outlet is (NaN where there is no house), and what its pipe starts at."""

    field: shapely.Geometry
    reserve: shapely.Geometry
    outlet_x_m: float
    outlet_y_m: float
    outlet_invert_m: float


@dataclass(frozen=True)
class Terrain:
    """Rasters of one shape that the search reads at its spots; `good` holds the codes of `fitgrid`."""

    elevation_m: Floats
    good: npt.NDArray[np.uint8]
    path_m: Floats
    left_m: float
    top_m: float
    cell_size_m: float
    window_m: float

    @property
    def half_window(self) -> int:
        return half_window_cells(self.cell_size_m, self.window_m)


@dataclass(frozen=True)
class Pipes:
    """Fall of the effluent line, and how deep below ground the pipe of a trench lies."""

    fall_m_per_m: float
    depth_m: float


@dataclass(frozen=True)
class Placement:
    """Where it fits. `lift_m` is 0 by gravity, NaN where the house or its outlet is not known."""

    field: shapely.Polygon
    reserve: shapely.Polygon | None
    trenches: tuple[shapely.Polygon, ...]
    reserve_trenches: tuple[shapely.Polygon, ...]
    layout: Layout
    slope_percent: float
    path_m: float
    lift_m: float
    run_m: float


@dataclass(frozen=True)
class Fit:
    """The answer for one lot: a placement or none, what decided it, and whether unknown ground stood in the way."""

    placement: Placement | None
    decided_by: Decision
    met_unknown_ground: bool


def layouts(need: FieldNeed) -> tuple[Layout, ...]:
    """Numbers of trenches from the fewest that the longest trench allows to the most that keep the shortest, longest trenches first."""
    fewest = math.ceil(need.trench_length_m / need.max_trench_m - 1e-9)
    most = max(fewest, math.floor(need.trench_length_m / SHORTEST_TRENCH_M))
    found = []
    for count in sorted({round(number) for number in np.geomspace(fewest, most, MOST_LAYOUTS)}):
        length_m = need.trench_length_m / count
        reserve_count = math.ceil(need.reserve_share * count - 1e-9)
        found.append(Layout(count, length_m, _depth_m(need, count), reserve_count, _depth_m(need, reserve_count)))
    return tuple(found)


def fit(site: Site, need: FieldNeed, terrain: Terrain, pipes: Pipes) -> Fit:
    """Find room for the field and its reserve on one lot.

    Two exact negatives come first: too little area, and no disc as wide as the narrowest layout. Then a search on a turned grid, coarse
    and, where that finds less than field and reserve, fine. Among spots a field with its reserve comes before one without, gravity
    before a pump, a longer flow path to a well before a shorter one, gentler slope, shorter run of pipe.
    """
    options = layouts(need)
    area_m2 = shapely.area(site.field)
    if area_m2 < min(option.length_m * option.depth_m for option in options):
        return Fit(None, "area", False)
    narrowest_m = min(min(option.length_m, option.depth_m) for option in options)
    if shapely.is_empty(shapely.buffer(site.field, -0.499 * narrowest_m)):
        return Fit(None, "disc", False)
    best: tuple[float, float, Placement] | None = None
    unknown = False
    for cell_m, name in ((COARSE_CELL_M, "grid"), (FINE_CELL_M, "fine grid")):
        for turn in turns(site.field, terrain):
            kind, score, placement, blind = _search(site, need, options, terrain, pipes, turn, cell_m)
            unknown |= blind
            if placement is not None and (best is None or (kind, score) > best[:2]):
                best = (kind, score, placement)
        if best is not None and best[0] == 2:
            return Fit(best[2], name, unknown)  # type: ignore[arg-type]
    return Fit(best[2] if best else None, "fine grid", unknown)


def turns(envelope: shapely.Geometry, terrain: Terrain) -> Iterator[float]:
    """Directions to try for the trenches, in radians from east: along the contour where the ground falls, along the envelope's sides where
    it is level."""
    left, bottom, right, top = shapely.bounds(envelope)
    step = max(5.0, math.sqrt((right - left) * (top - bottom) / 36))
    x, y = np.meshgrid(np.arange(left + step / 2, right, step), np.arange(bottom + step / 2, top, step))
    inside = shapely.contains_xy(envelope, x.ravel(), y.ravel())
    angles: list[float] = []
    level = not inside.any()
    for px, py in zip(x.ravel()[inside], y.ravel()[inside], strict=True):
        row = math.floor((terrain.top_m - py) / terrain.cell_size_m)
        col = math.floor((px - terrain.left_m) / terrain.cell_size_m)
        _, along, down = plane_at(terrain.elevation_m, row, col, terrain.half_window, LEAST_KNOWN_SHARE)
        if not math.isnan(along):
            if 100 * math.hypot(along, down) / terrain.cell_size_m < LEVEL_PERCENT:
                level = True
            else:
                angles.append(math.atan2(along, down) % math.pi)
    bins: dict[int, list[float]] = {}
    for angle in angles:
        bins.setdefault(int(angle / (math.pi / 18)), []).append(angle)
    common = sorted(bins, key=lambda number: (-len(bins[number]), number))[: MOST_TURNS - 1 if level else MOST_TURNS]
    yield from (sum(bins[number]) / len(bins[number]) for number in common)
    if level:
        corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(envelope))
        side = math.atan2(corners[1, 1] - corners[0, 1], corners[1, 0] - corners[0, 0])
        yield side % math.pi
        yield (side + math.pi / 2) % math.pi


def _search(
    site: Site, need: FieldNeed, options: tuple[Layout, ...], terrain: Terrain, pipes: Pipes, turn: float, cell_m: float
) -> tuple[float, float, Placement | None, bool]:
    centre = shapely.centroid(shapely.envelope(site.field))
    centre_x, centre_y = shapely.get_x(centre), shapely.get_y(centre)
    cosine, sine = math.cos(turn), math.sin(turn)
    x, y, starts = _turned(site.field, centre_x, centre_y, cosine, sine)
    left, bottom, right, top = x.min(), y.min(), x.max(), y.max()
    cell_m = max(cell_m, (right - left) / MOST_CELLS, (top - bottom) / MOST_CELLS)
    rows, cols = math.ceil((top - bottom) / cell_m), math.ceil((right - left) / cell_m)
    ground = (centre_x, centre_y, terrain.good, terrain.left_m, terrain.top_m, terrain.cell_size_m)
    free = fitgrid.inside_cells(x, y, starts, left, bottom, cell_m, rows, cols)
    unknown = fitgrid.keep_good_ground(free, left, bottom, cell_m, cosine, sine, *ground)
    table = fitgrid.summed(free)
    reserve_table = table
    if site.reserve is not site.field:
        x, y, starts = _turned(site.reserve, centre_x, centre_y, cosine, sine)
        spare = fitgrid.inside_cells(x, y, starts, left, bottom, cell_m, rows, cols)
        fitgrid.keep_good_ground(spare, left, bottom, cell_m, cosine, sine, *ground)
        reserve_table = fitgrid.summed(spare)
    shapes = np.array(
        [
            (
                _cells(option.length_m, cell_m),
                _cells(option.depth_m, cell_m),
                _cells(option.length_m, cell_m),
                _cells(option.reserve_depth_m, cell_m),
            )
            for option in options
        ],
        np.int64,
    )
    gap = _cells(need.spacing_m, cell_m)
    found = fitgrid.search(
        table,
        reserve_table,
        shapes,
        gap,
        (left, bottom, cell_m),
        (cosine, sine, centre_x, centre_y),
        terrain.elevation_m,
        (terrain.left_m, terrain.top_m, terrain.cell_size_m),
        terrain.half_window,
        terrain.path_m,
        DROP_ALONG_TRENCH_M,
        (site.outlet_x_m, site.outlet_y_m, site.outlet_invert_m, pipes.fall_m_per_m, pipes.depth_m),
        MOST_SPOTS,
    )
    if found[0] == 0:
        return 0.0, 0.0, None, unknown > 0
    option = options[int(found[1])]
    row, col = int(found[2]), int(found[3])

    def world(across: float, up: float, length_m: float, depth_m: float) -> shapely.Polygon:
        box = shapely.box(across, up, across + length_m, up + depth_m)
        turned: shapely.Polygon = shapely.transform(
            box,
            lambda uv: np.column_stack([centre_x + uv[:, 0] * cosine - uv[:, 1] * sine, centre_y + uv[:, 0] * sine + uv[:, 1] * cosine]),
        )
        return turned

    def trenches(at: tuple[int, int], count: int) -> tuple[shapely.Polygon, ...]:
        across, up = left + at[1] * cell_m, bottom + at[0] * cell_m
        pitch = need.trench_width_m + need.spacing_m
        return tuple(world(across, up + pitch * number, option.length_m, need.trench_width_m) for number in range(count))

    def area(at: tuple[int, int], depth_m: float) -> shapely.Polygon:
        return world(left + at[1] * cell_m, bottom + at[0] * cell_m, option.length_m, depth_m)

    reserve, reserve_trenches = None, ()
    if found[0] == 2 and option.reserve_count:
        spot = fitgrid.best_reserve(reserve_table, shapes[int(found[1])], row, col, gap)
        reserve, reserve_trenches = area(spot, option.reserve_depth_m), trenches(spot, option.reserve_count)
    placement = Placement(
        area((row, col), option.depth_m),
        reserve,
        trenches((row, col), option.count),
        reserve_trenches,
        option,
        float(found[5]),
        float(found[6]),
        float(found[7]),
        float(found[8]),
    )
    return float(found[0]), float(found[4]), placement, unknown > 0


def _turned(
    shape: shapely.Geometry, centre_x: float, centre_y: float, cosine: float, sine: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """Ring coordinates turned so that the trenches' direction is +x, and where each ring starts."""
    rings = shapely.get_rings(shapely.get_parts(shape))
    counts = shapely.get_num_coordinates(rings)
    away = shapely.get_coordinates(rings) - (centre_x, centre_y)
    starts = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    return away[:, 0] * cosine + away[:, 1] * sine, -away[:, 0] * sine + away[:, 1] * cosine, starts


def _depth_m(need: FieldNeed, count: int) -> float:
    return count * need.trench_width_m + max(0, count - 1) * need.spacing_m


def _cells(length_m: float, cell_m: float) -> int:
    return max(0, math.ceil(length_m / cell_m - 1e-9))
