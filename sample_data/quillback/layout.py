"""The hand-drawn part of the county: where the brook, the pond and the roads run. Local metres, origin at the south-west corner."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.interpolate import CubicSpline
from shapely.affinity import rotate
from shapely.geometry import LineString, Point, Polygon

Floats = npt.NDArray[np.float64]

WIDTH_M, HEIGHT_M, CELL_M = 2100.0, 1700.0, 2.0
EAST_M, NORTH_M = 500000.0, 5200000.0

# The county line runs near the eastern edge: ground and wells go on beyond it, parcels do not.
TOWNSHIP = Polygon([(46, 48), (1938, 44), (1916, 1656), (44, 1650)])
VILLAGE = Polygon(
    [(560, 470), (730, 480), (870, 760), (955, 800), (950, 880), (930, 1010), (960, 1160), (780, 1170), (560, 900), (450, 560)]
)
BASIN_CENTRE = Point(468, 1330)
POND_CENTRE = Point(690, 1312)


@dataclass(frozen=True)
class Road:
    """A centre line with what is built along it; lengths in metres, years as (first, last)."""

    name: str
    centre: LineString
    right_of_way_m: float
    lot_width_m: tuple[float, float]
    lot_depth_m: tuple[float, float]
    years: tuple[int, int]
    dead_end: bool = False

    @property
    def reach_m(self) -> float:
        """From the centre line to the edge of the right of way."""
        return self.right_of_way_m / 2


def curve(points: Sequence[tuple[float, float]], step_m: float = 6.0) -> LineString:
    """A smooth line through `points`, with a vertex about every `step_m`."""
    xy = np.asarray(points, dtype=float)
    chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    stations = np.linspace(0.0, chord[-1], max(3, round(chord[-1] / step_m)))
    return LineString(CubicSpline(chord, xy)(stations))


def joined(points: Sequence[tuple[float, float]], start: LineString | None = None, end: LineString | None = None) -> LineString:
    """A curve whose first and last points are moved onto other centre lines."""
    moved = list(points)
    for at, line in ((0, start), (-1, end)):
        if line is not None:
            met = line.interpolate(line.project(Point(moved[at])))
            moved[at] = (met.x, met.y)
    return curve(moved)


def roads() -> list[Road]:
    """All roads, through roads first: a later road ends on an earlier one."""
    marl = curve(
        [
            (1225, 1760),
            (1150, 1540),
            (1062, 1400),
            (960, 1250),
            (880, 1090),
            (812, 960),
            (752, 830),
            (690, 710),
            (640, 580),
            (560, 400),
            (480, 220),
            (420, -60),
        ]
    )
    mill = curve(
        [
            (-60, 742),
            (150, 790),
            (300, 812),
            (480, 790),
            (640, 796),
            (752, 830),
            (860, 842),
            (990, 822),
            (1110, 770),
            (1250, 790),
            (1430, 850),
            (1600, 795),
            (1780, 745),
            (1960, 765),
            (2160, 730),
        ]
    )
    osier = joined([(290, 811), (268, 950), (318, 1100), (290, 1290), (345, 1470), (330, 1760)], start=mill)
    basket = joined([(215, 800), (205, 640), (272, 470), (222, 280), (262, 120), (250, -60)], start=mill)
    curlew = joined([(318, 1100), (470, 1142), (640, 1152), (790, 1120), (893, 1112)], start=osier, end=marl)
    tenter = joined([(645, 797), (700, 915), (748, 1010), (790, 1118)], start=mill, end=curlew)
    saltbox = joined([(612, 793), (570, 690), (530, 590), (508, 520), (538, 468), (590, 462)], start=mill, end=marl)
    ridge = joined(
        [(1330, 822), (1352, 940), (1450, 1060), (1462, 1200), (1575, 1330), (1592, 1480), (1690, 1610), (1720, 1760)], start=mill
    )
    larkspur = joined([(1205, 776), (1150, 650), (1205, 510), (1135, 380), (1178, 220), (1130, 60), (1140, -60)], start=mill)
    gantry = joined([(1170, 450), (1320, 430), (1480, 490), (1640, 400), (1800, 410), (1960, 330), (2160, 330)], start=larkspur)
    thimble = joined([(1470, 1215), (1560, 1170), (1650, 1110), (1760, 1090)], start=ridge)
    pintle = joined([(1500, 487), (1540, 580), (1620, 640), (1740, 625)], start=gantry)
    withy = joined([(277, 480), (380, 500), (440, 450)], start=basket)
    bodkin = joined([(1148, 340), (1290, 300), (1400, 220), (1530, 205)], start=larkspur)
    old, mid, new = (1890, 1968), (1938, 1992), (1971, 2016)
    return [
        Road("Marl Hollow Road", marl, 18, (44, 70), (85, 120), old),
        Road("Fulling Mill Road", mill, 18, (44, 70), (85, 125), old),
        Road("Osier Road", osier, 16, (42, 66), (80, 120), mid),
        Road("Basket Hill Road", basket, 16, (42, 66), (80, 120), mid),
        Road("Curlew Way", curlew, 15, (40, 62), (70, 95), mid),
        Road("Tenter Street", tenter, 14, (22, 29), (40, 48), (1890, 1955)),
        Road("Saltbox Lane", saltbox, 14, (22, 29), (40, 48), (1898, 1962)),
        Road("Quillback Ridge Road", ridge, 16, (40, 64), (80, 110), new),
        Road("Larkspur Road", larkspur, 16, (40, 64), (80, 110), mid),
        Road("Gantry Hill Road", gantry, 16, (40, 64), (85, 115), new),
        Road("Thimble Court", thimble, 15, (42, 56), (75, 95), (1996, 2022), dead_end=True),
        Road("Pintle Court", pintle, 15, (42, 56), (72, 90), (1994, 2022), dead_end=True),
        Road("Withy Lane", withy, 15, (40, 52), (65, 80), (1974, 2019), dead_end=True),
        Road("Bodkin Drive", bodkin, 15, (42, 58), (75, 95), (1988, 2022), dead_end=True),
    ]


def valley_line() -> LineString:
    """The axis of the valley, upstream end first."""
    return curve(
        [
            (1520, 1900),
            (1470, 1740),
            (1400, 1580),
            (1305, 1420),
            (1195, 1250),
            (1110, 1080),
            (1020, 900),
            (950, 740),
            (880, 570),
            (800, 400),
            (720, 230),
            (650, 60),
            (600, -140),
        ]
    )


def brook_line(rng: np.random.Generator) -> LineString:
    """The valley line with meanders, upstream end first, a vertex every 4 m."""
    axis = valley_line()
    stations = np.arange(0.0, axis.length, 4.0)
    xy = points_along(axis, stations)
    sideways = normals_along(axis, stations)
    swing = 11 * np.sin(stations / 24 + 2.2 * np.sin(stations / 170) + rng.uniform(0, 6)) + 8 * np.sin(stations / 53 + rng.uniform(0, 6))
    return LineString(xy + sideways * swing[:, None])


def brook_width_m(share_downstream: Floats) -> Floats:
    """Full width of the water, 3 m at the top and 6 m at the bottom of the map."""
    return 3.0 + 3.0 * np.clip(share_downstream, 0, 1)


def pond(rng: np.random.Generator) -> Polygon:
    """An uneven oval, about 80 by 50 m."""
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    wobble = 1 + 0.10 * np.sin(2 * angle + rng.uniform(0, 6)) + 0.07 * np.sin(3 * angle + rng.uniform(0, 6)) + 0.04 * np.sin(5 * angle)
    x, y = 40 * wobble * np.cos(angle), 24 * wobble * np.sin(angle)
    oval = Polygon(np.column_stack([POND_CENTRE.x + x, POND_CENTRE.y + y]))
    return rotate(oval, 35)


def map_frame() -> Polygon:
    """The edge of the elevation raster."""
    return Polygon([(0, 0), (WIDTH_M, 0), (WIDTH_M, HEIGHT_M), (0, HEIGHT_M)])


def points_along(line: LineString, stations_m: Floats) -> Floats:
    return shapely.get_coordinates(shapely.line_interpolate_point(line, stations_m))


def normals_along(line: LineString, stations_m: Floats, smooth_m: float = 12.0) -> Floats:
    """Unit vectors to the left of the line, taken over `smooth_m` each way so that a kink does not cross its neighbours."""
    ahead = points_along(line, np.clip(stations_m + smooth_m, 0, line.length))
    behind = points_along(line, np.clip(stations_m - smooth_m, 0, line.length))
    along = ahead - behind
    along /= np.hypot(*along.T)[:, None]
    return np.column_stack([-along[:, 1], along[:, 0]])
