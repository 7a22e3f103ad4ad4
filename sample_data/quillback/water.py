"""Wells, springs and the water mains."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString, MultiLineString, Point
from shapely.geometry.base import BaseGeometry

from quillback.ground import Ground
from quillback.homes import Home
from quillback.layout import VILLAGE, Floats, Road

GPS_M, AIR_PHOTO_M, QUARTER_QUARTER_M = 3.0, 15.0, 284.0


@dataclass
class Well:
    place: Point
    kind: str
    in_house: bool = False
    location_error_m: float | None = None
    depth_ft: int | None = None
    casing_depth_ft: int | None = None


MISSING_SHARE = 0.08
DUG_IN_CELLARS = 6


def household_wells(homes: Sequence[Home], ground: Ground, wet: BaseGeometry, rng: np.random.Generator) -> list[Well]:
    """A well for the houses without public water, save the share that the records lack; a forgotten one for some that have it."""
    lived_in = [home for home in homes if home.house is not None]
    on_wells = [home for home in lived_in if not home.public_water]
    absent = set(rng.choice(len(on_wells), round(MISSING_SHARE * len(on_wells)), replace=False).tolist())
    recorded = [home for number, home in enumerate(on_wells) if number not in absent]
    # Dug wells in a cellar or crawl space: the house was built over them.
    oldest = [number for number, home in enumerate(recorded) if home.built is not None and home.built < 1945]
    in_cellars = set(rng.choice(oldest, DUG_IN_CELLARS, replace=False).tolist())
    wells: list[Well] = []
    for number, home in enumerate(recorded):
        well = drilled(well_near(home, ground, wet, rng), "private", home.built, rng)
        if number in in_cellars:
            well.place, well.in_house = home.house.buffer(-2).representative_point(), True
            well.depth_ft, well.casing_depth_ft = int(rng.integers(16, 40)), None
        wells.append(well)
    for home in lived_in:
        if home.public_water and rng.random() < 0.25:
            wells.append(drilled(well_near(home, ground, wet, rng), "unused", home.built, rng))
        if home.lot.kind == "farm" and home.lot.shape.area > 25000 and rng.random() < 0.35:
            spot = home.lot.shape.buffer(-25).representative_point()
            if spot.distance(wet) > 15 and all(spot.distance(barn) > 3 for barn in home.outbuildings):
                wells.append(drilled(spot, "irrigation", 1985, rng))
    return wells


def well_near(home: Home, ground: Ground, wet: BaseGeometry, rng: np.random.Generator) -> Point:
    """A spot in the yard; later drillers looked for the higher side of the house, earlier ones did not walk far."""
    old = home.built is None or home.built < 1965
    yard = home.lot.shape.buffer(-1.5 if home.lot.in_village or old else -3.0)
    obstacles = shapely.union_all(
        [shape for shape in (home.house, home.garage, home.drive, home.pool, *home.outbuildings) if shape is not None]
    )
    middle = np.array([home.house.centroid.x, home.house.centroid.y])
    radius_m = float(np.sqrt(home.house.area) / 2)
    spots: list[Point] = []
    for _ in range(200):
        angle = rng.uniform(0, 2 * np.pi)
        away_m = radius_m + (rng.uniform(2, 14) if old and rng.random() < 0.5 else rng.uniform(9, 34))
        spot = Point(middle + away_m * np.array([np.cos(angle), np.sin(angle)]))
        if yard.contains(spot) and spot.distance(obstacles) > 1.5 and spot.distance(wet) > 6:
            spots.append(spot)
        if len(spots) == (1 if old else 4):
            break
    if not spots:
        return Point(middle)
    return max(spots, key=lambda spot: float(ground.at(np.array([[spot.x, spot.y]]))[0]))


def drilled(place: Point, kind: str, built: int | None, rng: np.random.Generator) -> Well:
    """A well with its record; dug ones are shallow, old records have gaps."""
    year = built or 1950
    dug = year < 1945 and rng.random() < 0.3
    depth = int(rng.integers(16, 42)) if dug else int(np.clip(rng.lognormal(5.1, 0.4), 60, 520))
    casing = None if dug or rng.random() < (0.3 if year < 1970 else 0.06) else int(np.clip(rng.normal(48, 18), 19, min(depth - 10, 120)))
    draw = rng.random()
    error = None if draw < 0.03 else (AIR_PHOTO_M if draw < 0.28 else GPS_M)
    return Well(place, kind, False, error, None if rng.random() < 0.08 else depth, casing)


def wells_beyond_the_line(township: BaseGeometry, rng: np.random.Generator) -> list[Well]:
    """Neighbours of the county: their wells count, their parcels are on somebody else's map."""
    wells = []
    for northing in (118, 262, 371, 428, 563, 702, 801, 846, 1015, 1187, 1340, 1522):
        edge = LineString([(1800, northing), (2100, northing)]).intersection(township).coords[-1]
        wells.append(drilled(Point(edge[0] + rng.uniform(7, 95), northing + rng.uniform(-12, 12)), "private", 1978, rng))
    wells.append(drilled(Point(1180.0, 1672.0), "private", 1940, rng))
    wells.append(drilled(Point(300.0, 26.0), "private", 1955, rng))
    return wells


def roughly_located(township: BaseGeometry, wells: Sequence[Well], rng: np.random.Generator) -> list[Well]:
    """Mark three old records beyond the line and add two in the fields: only the quarter of a quarter section is known.

    The stated place is the middle of that square of 402 m, the well anywhere in it: 284 m is half its diagonal.
    """
    # Far from the denser streets: one such record rules out everything within some 300 m.
    beyond = [well for well in wells if well.place.x > 1930 and not 200 < well.place.y < 1300]
    in_fields = [drilled(Point(822.0, 168.0), "unused", 1938, rng), drilled(Point(1838.0, 1452.0), "private", 1951, rng)]
    for well in (*beyond, *in_fields):
        well.location_error_m = QUARTER_QUARTER_M
    return in_fields


def public_wells(rng: np.random.Generator) -> list[Well]:
    """The two wells behind the village main."""
    return [
        Well(Point(838.0, 735.0), "public", False, GPS_M, int(rng.integers(220, 300)), 110),
        Well(Point(852.0, 712.0), "public", False, GPS_M, int(rng.integers(220, 300)), 104),
    ]


def mains(roads: Sequence[Road], homes: Sequence[Home]) -> list[tuple[str, LineString | MultiLineString]]:
    """(name, line): the main along each village street, and a service line to each house on it."""
    lines: list[tuple[str, LineString | MultiLineString]] = []
    served = [home for home in homes if home.public_water and home.house is not None]
    for road in roads:
        main = road.centre.intersection(VILLAGE).offset_curve(2.2)
        users = [home for home in served if home.lot.road is road]
        if not users:
            continue
        lines.append((f"main, {road.name}", main))
        lines += [(f"service, {home.situs}", shapely.shortest_line(main, home.house)) for home in users]
    return lines


def spring_places() -> Floats:
    """Two seeps at the foot of the slopes."""
    return np.array([[1162.0, 1120.0], [905.0, 395.0]])
