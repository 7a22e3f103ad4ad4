"""What stands on the lots: houses, garages, barns, drives, pools; and what the assessor's roll says about them."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely.affinity import rotate
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from quillback.layout import CELL_M, HEIGHT_M, Floats, points_along
from quillback.lots import SNAP_M, Lot

PAVEMENT_EDGE_M = 3.0
STEEPEST_HOUSE_PERCENT = 19.0


@dataclass
class Home:
    """A lot with its buildings and its line in the assessor's roll."""

    lot: Lot
    parcel_id: str
    situs: str
    house: Polygon | None = None
    garage: Polygon | None = None
    outbuildings: list[Polygon] = field(default_factory=list)
    drive: Polygon | None = None
    pool: Polygon | None = None
    built: int | None = None
    year_built: int | None = None
    bedrooms: int | None = None
    permit_on_file: bool = False
    public_sewer: bool = False
    public_water: bool = False


@dataclass(frozen=True)
class Site:
    """What a building has to keep clear of."""

    slope_percent: Floats
    wet: BaseGeometry

    def fits(self, shape: Polygon, lot: BaseGeometry, steepest_percent: float = STEEPEST_HOUSE_PERCENT) -> bool:
        if not lot.contains(shape) or shape.distance(self.wet) < 9:
            return False
        xy = shapely.get_coordinates(shape)
        steepness = self.slope_percent[((HEIGHT_M - xy[:, 1]) / CELL_M).astype(int), (xy[:, 0] / CELL_M).astype(int)]
        return float(steepness.max()) < steepest_percent


def turned_box(centre: Floats, width_m: float, depth_m: float, inward: Floats, turn_degrees: float = 0.0) -> Polygon:
    """A rectangle whose long side faces the road."""
    along = np.array([-inward[1], inward[0]])
    half_w, half_d = width_m / 2 * along, depth_m / 2 * inward
    corners = [centre - half_w - half_d, centre + half_w - half_d, centre + half_w + half_d, centre - half_w + half_d]
    return rotate(Polygon(corners), turn_degrees)


def settle(lots: Sequence[Lot], ids: Sequence[str], site: Site, rng: np.random.Generator) -> list[Home]:
    """Build on most lots; steep and wet ones stay empty."""
    homes: list[Home] = []
    addresses: set[str] = set()
    for lot, parcel_id in zip(lots, ids, strict=True):
        number = 100 + 2 * int(lot.station_m / 6) + (1 if lot.side > 0 else 0)
        while f"{number} {lot.road.name}" in addresses:
            number += 2
        home = Home(lot, parcel_id, f"{number} {lot.road.name}")
        addresses.add(home.situs)
        if rng.random() < 0.95:
            place_house(home, site, rng)
        if home.house is not None:
            record(home, rng)
            place_garage_and_drive(home, site, rng)
            place_extras(home, site, rng)
        homes.append(home)
    return homes


def place_house(home: Home, site: Site, rng: np.random.Generator) -> None:
    lot = home.lot
    inward = lot.inward
    yard = lot.home_ground if lot.home_ground is not None else lot.shape
    side_yard_m = 2.0 if lot.in_village else 5.0
    buildable = yard.buffer(-side_yard_m)
    along = np.array([-inward[1], inward[0]])
    for attempt in range(40):
        if lot.in_village:
            width_m, depth_m, setback_m, sideways_m = rng.uniform(8, 12), rng.uniform(8, 11), rng.uniform(5, 10), rng.normal(0, 3)
        else:
            width_m, depth_m = rng.uniform(11, 18), rng.uniform(8.5, 12)
            setback_m, sideways_m = rng.uniform(8, 25) + 0.6 * attempt, rng.normal(0, 6)
        if lot.kind == "flag":
            centre = flag_spot(lot, rng)
        else:
            if lot.kind == "farm":
                setback_m += rng.uniform(0, 40)
            centre = lot.front + (lot.road.reach_m + setback_m + depth_m / 2) * inward + sideways_m * along
        house = turned_box(centre, width_m, depth_m, inward, rng.normal(0, 2.5))
        if rng.random() < 0.4:
            wing = turned_box(
                centre + rng.choice([-1, 1]) * width_m * 0.28 * along + 0.6 * depth_m * inward, 0.45 * width_m, depth_m, inward
            )
            house = house.union(wing)
        if house.geom_type == "Polygon" and site.fits(house, buildable):
            home.house = shapely.set_precision(house, SNAP_M)
            return


def flag_spot(lot: Lot, rng: np.random.Generator) -> Floats:
    """A place on the rear land within reach of the pole's inner end."""
    inner = shapely.shortest_line(lot.pole.buffer(0.1), lot.home_ground.centroid).coords[0]
    toward = np.array([lot.home_ground.centroid.x, lot.home_ground.centroid.y]) - np.array(inner)
    toward /= np.hypot(*toward)
    turn = rng.normal(0, 0.5)
    turned = np.array([toward[0] * np.cos(turn) - toward[1] * np.sin(turn), toward[0] * np.sin(turn) + toward[1] * np.cos(turn)])
    return np.array(inner) + rng.uniform(18, 60) * turned


def record(home: Home, rng: np.random.Generator) -> None:
    """The roll: year, bedrooms, permit; some of it missing."""
    first, last = home.lot.road.years
    if home.lot.kind == "farm":
        first, last = 1890, min(last, 1960)
    if home.lot.kind == "flag":
        first = 1985
        last = 2022
    built = int(rng.integers(first, last + 1))
    if rng.random() < 0.08:
        built = int(rng.integers(1985, 2023))  # Rebuilt or filled in late.
    home.built = built
    home.year_built = None if rng.random() < 0.06 else built
    home.bedrooms = None if rng.random() < 0.07 else int(rng.choice([2, 3, 4, 5], p=[0.16, 0.5, 0.27, 0.07]))
    # Few permits before counties began to keep them.
    share = float(np.interp(built, [1890, 1965, 1980, 1995, 2005], [0.02, 0.06, 0.42, 0.88, 0.98]))
    home.permit_on_file = bool(rng.random() < share)


def place_garage_and_drive(home: Home, site: Site, rng: np.random.Generator) -> None:
    lot, house = home.lot, home.house
    inward = lot.inward
    along = np.array([-inward[1], inward[0]])
    yard = lot.home_ground if lot.home_ground is not None else lot.shape
    clear = yard.buffer(-1.0)
    relative = shapely.get_coordinates(house) - lot.front
    across, ahead = relative @ along, relative @ inward
    spot: Floats | None = None
    for _ in range(14):
        side = rng.choice([-1.0, 1.0])
        width_m, depth_m = (4.5, 6.5) if lot.in_village else (rng.uniform(6, 8), rng.uniform(6.5, 8))
        gap_m = 0.0 if home.built is not None and home.built > 1965 and rng.random() < 0.7 else rng.uniform(2.5, 7)
        edge = across.max() if side > 0 else across.min()
        sideways = edge + side * (gap_m + width_m / 2)
        back = ahead.min() + rng.uniform(0, 4) + depth_m / 2 + (rng.uniform(4, 10) if gap_m else 0)
        centre = lot.front + sideways * along + back * inward
        garage = turned_box(centre, width_m, depth_m, inward)
        if site.fits(garage, clear, 26) and garage.intersection(house).area < 6:
            home.garage = garage.difference(house, grid_size=SNAP_M)
            if home.garage.geom_type != "Polygon":
                home.garage = None
                continue
            spot = centre - (depth_m / 2) * inward
            break
    if spot is None:
        # No room for a garage: the drive ends beside the house, where the lot lets it.
        side = 1.0 if rng.random() < 0.5 else -1.0
        edge = across.max() if side > 0 else across.min()
        spot = lot.front + (edge + side * 2.2) * along + (ahead.min() + 3) * inward
        if not lot.shape.contains(Point(spot).buffer(1.8)):
            spot = lot.front + (edge - side * 2.2) * along + (ahead.min() - 1.2) * inward
    home.drive = drive_to(lot, house, spot, wide=home.garage is not None and not lot.in_village)


def drive_to(lot: Lot, house: Polygon, door: Floats, wide: bool) -> Polygon | None:
    """Pavement from the road's edge to the garage door."""
    inward = lot.inward
    before_door = door - 7 * inward
    if lot.kind == "flag":
        middle = lot.pole.minimum_rotated_rectangle
        ends = np.asarray(middle.exterior.coords)
        sides = np.diff(ends[:3], axis=0)
        shorter = int(np.argmin(np.hypot(*sides.T)))
        one = (ends[shorter] + ends[shorter + 1]) / 2
        other = one + (ends[2] - ends[1] if shorter == 0 else ends[3] - ends[2])
        near, far = sorted((one, other), key=lambda end: lot.road.centre.distance(Point(end)))
        heading = (far - near) / np.hypot(*(far - near))
        start = points_along(lot.road.centre, np.array([lot.road.centre.project(Point(near))]))[0]
        bend = far + 6 * heading
        path = LineString([start, near, far, bend, door])
    else:
        # From the road opposite the door, unless that way leads over a neighbour's land or the brook.
        own = lot.shape.union(lot.road.centre.buffer(lot.road.reach_m))
        starts = [nearest_on_centre(lot, door), lot.front]
        ways = [LineString([start, before_door, door]) for start in starts]
        path = min(ways, key=lambda way: way.difference(own).length)
    track = path.buffer(1.6, cap_style="flat", join_style="round", quad_segs=4)
    if wide:
        track = track.union(LineString([before_door, door]).buffer(2.9, cap_style="flat"))
    pavement = lot.road.centre.buffer(PAVEMENT_EDGE_M)
    clipped = track.intersection(lot.shape.union(lot.road.centre.buffer(lot.road.reach_m + 0.1)))
    clipped = clipped.difference(pavement.union(house), grid_size=SNAP_M)
    parts = [part for part in shapely.get_parts(clipped) if part.geom_type == "Polygon" and part.area > 8]
    return max(parts, key=lambda part: part.area) if parts else None


def nearest_on_centre(lot: Lot, door: Floats) -> Floats:
    """Where the drive leaves the road: opposite the door, or toward the middle of a turnaround."""
    centre = lot.road.centre
    return points_along(centre, np.array([centre.project(Point(door))]))[0]


def place_extras(home: Home, site: Site, rng: np.random.Generator) -> None:
    """Barns on farms, a shed here and there, a pool behind some newer houses."""
    lot, house = home.lot, home.house
    inward = lot.inward
    along = np.array([-inward[1], inward[0]])
    yard = lot.home_ground if lot.home_ground is not None else lot.shape
    if lot.kind == "farm":
        yard = lot.shape
    clear = yard.buffer(-4 if not lot.in_village else -0.8)
    middle = np.array([house.centroid.x, house.centroid.y])
    built = [shape for shape in (house, home.garage, home.drive) if shape is not None]

    def put(width_m: float, depth_m: float, ahead_m: tuple[float, float], aside_m: float, steepest: float, gap_m: float) -> Polygon | None:
        for _ in range(15):
            centre = middle + rng.uniform(*ahead_m) * inward + rng.uniform(-aside_m, aside_m) * along
            shape = turned_box(centre, width_m, depth_m, inward, rng.normal(0, 6))
            if site.fits(shape, clear, steepest) and all(shape.distance(other) > gap_m for other in built):
                built.append(shape)
                return shape
        return None

    wanted: list[tuple[float, float, tuple[float, float], float]] = []
    if lot.kind == "farm" and lot.shape.area > 12000:
        wanted += [(rng.uniform(10, 14), rng.uniform(18, 30), (22, 70), 45.0) for _ in range(int(rng.integers(1, 3)))]
    if rng.random() < (0.2 if lot.in_village else 0.3):
        wanted.append((rng.uniform(3, 5), rng.uniform(3, 4), (10, 18) if lot.in_village else (14, 38), 10.0 if lot.in_village else 18.0))
    for width_m, depth_m, ahead_m, aside_m in wanted:
        shape = put(width_m, depth_m, ahead_m, aside_m, 22, 2.5)
        if shape is not None:
            home.outbuildings.append(shape)
    if not lot.in_village and home.built is not None and home.built > 1962 and rng.random() < 0.11:
        home.pool = put(rng.uniform(8, 11), rng.uniform(4, 5), (14, 24), 8.0, 14, 3.0)
        if home.pool is not None and rng.random() < 0.4:
            home.pool = home.pool.centroid.buffer(3.6, quad_segs=8)


def connect_utilities(homes: Sequence[Home], rng: np.random.Generator) -> None:
    """Water mains serve most of the village, the sewer only its older middle."""
    for home in homes:
        if home.house is None or not home.lot.in_village:
            continue
        home.public_water = bool(rng.random() < 0.68)
        middle = home.house.centroid
        home.public_sewer = (
            home.public_water and home.lot.road.name in ("Tenter Street", "Marl Hollow Road") and bool(790 < middle.y < 1010)
        )
