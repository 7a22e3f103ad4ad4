"""The parcel fabric: land between the roads, cut into lots along each frontage, the rest into farms and flag lots."""

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import shapely
from shapely import STRtree
from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from quillback.layout import TOWNSHIP, VILLAGE, Floats, Road, normals_along, points_along

SNAP_M = 0.01
VILLAGE_WIDTH_M, VILLAGE_DEPTH_M = (22.0, 30.0), (39.0, 47.0)
POLE_M = 7.0
Parts = Polygon | MultiPolygon


@dataclass(frozen=True)
class Lot:
    """One lot and where it meets its road: the point on the centre line, the unit vector inward, the station along the road."""

    shape: Parts
    road: Road
    front: Floats
    inward: Floats
    station_m: float
    side: int
    in_village: bool
    kind: str = "lot"  # lot, farm or flag
    home_ground: Polygon | None = None  # where the house of a flag lot or a farm stands, if not just anywhere in it
    pole: Polygon | None = None

    @property
    def sheet(self) -> tuple[str, int]:
        return self.road.name, self.side


def right_of_way(roads: Sequence[Road]) -> BaseGeometry:
    strips = [road.centre.buffer(road.reach_m, cap_style="flat", join_style="mitre") for road in roads]
    turnarounds = [Point(road.centre.coords[-1]).buffer(16, quad_segs=6) for road in roads if road.dead_end]
    return shapely.union_all(strips + turnarounds, grid_size=SNAP_M)


def blocks(roads: Sequence[Road], brook: LineString) -> list[Polygon]:
    """The township without its roads, also divided by the thread of the brook."""
    land = shapely.set_precision(TOWNSHIP, SNAP_M).difference(right_of_way(roads))
    lines = shapely.union_all([land.boundary, brook], grid_size=SNAP_M)
    faces = shapely.get_parts(shapely.polygonize([lines]))
    return [face for face in faces if land.buffer(0.05).contains(face.representative_point()) and face.area > 50]


class LandBook:
    """Blocks, and how much of each is already laid out."""

    def __init__(self, blocks: Sequence[Polygon]) -> None:
        self.blocks = blocks
        self._tree = STRtree(blocks)
        self._taken: list[BaseGeometry] = [Polygon() for _ in blocks]

    def claim(self, outline: Polygon, foothold: Point, fits: Callable[[Polygon], bool]) -> Polygon | None:
        """The largest free part of `outline` in the block under `foothold`, booked as taken if it `fits`."""
        block = next(iter(self._tree.query(foothold, predicate="within")), None)
        if block is None:
            return None
        inside = outline.intersection(self.blocks[block], grid_size=SNAP_M)
        free = [part for part in shapely.get_parts(inside.difference(self._taken[block], grid_size=SNAP_M)) if part.geom_type == "Polygon"]
        largest = max(free, key=lambda part: part.area, default=None)
        if largest is None or not fits(largest):
            return None
        self._taken[block] = self._taken[block].union(largest, grid_size=SNAP_M)
        return largest


def frontage_lots(roads: Sequence[Road], land: Sequence[Polygon], rng: np.random.Generator) -> list[Lot]:
    """Lots by perpendicular cuts along both sides of each road; a lot keeps only ground that no earlier lot has."""
    book = LandBook(land)
    # Village streets first, so that the corner lots face them.
    by_width = sorted(roads, key=lambda road: road.lot_width_m[0])
    return [lot for road in by_width for side in (1, -1) for lot in road_side_lots(road, side, book, rng)]


def road_side_lots(road: Road, side: int, book: LandBook, rng: np.random.Generator) -> list[Lot]:
    """Lots along one side of a road, from its start to its end."""
    lots: list[Lot | None] = []
    station_m, depth_m, left_in_run = 0.0, 0.0, 0
    while station_m < road.centre.length - 8:
        here = points_along(road.centre, np.array([station_m]))[0]
        in_village = bool(VILLAGE.contains(Point(here)))
        width_m = rng.uniform(*(VILLAGE_WIDTH_M if in_village else road.lot_width_m))
        if in_village:
            width_m *= rng.choice([1.0, 1.5, 2.0], p=[0.85, 0.09, 0.06])
        if left_in_run == 0:
            # Neighbours were laid out together: a run of lots has one rear line.
            depth_m = rng.uniform(*(VILLAGE_DEPTH_M if in_village else road.lot_depth_m))
            left_in_run = int(rng.integers(2, 6))
        end_m = min(station_m + width_m, road.centre.length)
        if road.centre.length - end_m < 0.6 * width_m:
            end_m = road.centre.length
        # A gap now and then is the frontage of the farm behind.
        is_gap = not in_village and not road.dead_end and rng.random() < 0.07
        if not is_gap:
            lots.append(one_lot(road, side, (station_m, end_m), depth_m, in_village, book))
        station_m, left_in_run = end_m, left_in_run - 1
    if road.dead_end:
        lots += turnaround_lots(road, side, book, rng)
    return [lot for lot in lots if lot is not None]


def one_lot(road: Road, side: int, span_m: tuple[float, float], depth_m: float, in_village: bool, book: LandBook) -> Lot | None:
    """The lot between two stations: the road in front, straight sides square to it, a straight rear line."""
    stations = np.linspace(*span_m, max(2, round((span_m[1] - span_m[0]) / 6)))
    front, inward = points_along(road.centre, stations), side * normals_along(road.centre, stations, 20)
    rear = front[[0, -1]] + (road.reach_m + depth_m) * inward[[0, -1]]
    middle_m = float(np.mean(span_m))
    at = points_along(road.centre, np.array([middle_m]))[0]
    into = side * normals_along(road.centre, np.array([middle_m]), 20)[0]
    return claimed(Lot(Polygon(np.vstack([front, rear[::-1]])), road, at, into, middle_m, side, in_village), book)


def turnaround_lots(road: Road, side: int, book: LandBook, rng: np.random.Generator) -> list[Lot | None]:
    """Wedges round the end of a court, half of them for each side."""
    end = np.array(road.centre.coords[-1])
    ahead = end - np.array(road.centre.coords[-3])
    reach_m = 18 + rng.uniform(*road.lot_depth_m)
    lots = []
    for first, last in pairwise(np.arctan2(ahead[1], ahead[0]) + side * np.linspace(np.pi / 2, 0, 3)):
        rim = [end + reach_m * np.array([np.cos(angle), np.sin(angle)]) for angle in (first, last)]
        into = np.array([np.cos((first + last) / 2), np.sin((first + last) / 2)])
        lots.append(claimed(Lot(Polygon([end, *rim]), road, end + 8 * into, into, road.centre.length + 5, side, False), book))
    return lots


def claimed(wished: Lot, book: LandBook) -> Lot | None:
    """The lot cut back to free ground, or None where too little of it is left."""
    outline = wished.shape
    if not outline.is_valid or outline.area < 100:
        return None
    least_m2, least_m = (560.0, 15.0) if wished.in_village else (1600.0, 26.0)
    front, reach_m = Point(wished.front), wished.road.reach_m

    def fits(shape: Polygon) -> bool:
        return (
            shape.area > max(least_m2, 0.55 * outline.area)
            and shape.distance(front) < reach_m + 3
            and not shape.buffer(-least_m / 2).is_empty
        )

    shape = book.claim(outline, Point(wished.front + (reach_m + 2.5) * wished.inward), fits)
    return None if shape is None else replace(wished, shape=shape)


def rear_land(land: Sequence[Polygon], lots: Sequence[Lot], rng: np.random.Generator) -> list[Polygon]:
    """What the frontage lots left over, without slivers, cut to farm size."""
    used = shapely.union_all([lot.shape for lot in lots], grid_size=SNAP_M)
    pieces: list[Polygon] = []
    for block in land:
        left = block.difference(used, grid_size=SNAP_M)
        opened = left.buffer(-9, join_style="mitre").buffer(9.2, join_style="mitre").intersection(left, grid_size=SNAP_M)
        for part in shapely.get_parts(opened):
            if part.geom_type == "Polygon" and part.area > 1800:
                pieces += split_to(part, rng.uniform(20000, 62000), rng)
    return pieces


def split_to(piece: Polygon, most_m2: float, rng: np.random.Generator) -> list[Polygon]:
    """Halve a piece across its long axis until each part is small enough."""
    if piece.area <= most_m2:
        return [piece]
    box = np.asarray(piece.minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(box[:3], axis=0)
    longer = int(np.argmax(np.hypot(*sides.T)))
    start = box[longer] + sides[longer] * rng.uniform(0.4, 0.6)
    across = sides[1 - longer]
    tilt = sides[longer] / np.hypot(*sides[longer]) * np.hypot(*across) * rng.uniform(-0.08, 0.08)
    cut = LineString([start - 2 * across - 2 * tilt, start + 2 * across + 2 * tilt])
    lines = shapely.union_all([piece.boundary, cut], grid_size=SNAP_M)
    parts = [part for part in shapely.get_parts(shapely.polygonize([lines])) if piece.contains(part.representative_point())]
    if len(parts) < 2 or min(part.area for part in parts) < 1500:
        return [piece]
    return [small for part in parts for small in split_to(part, most_m2, rng)]


def shared_m(one: BaseGeometry, other: BaseGeometry, slack_m: float = 0.05) -> float:
    return float(one.buffer(slack_m).intersection(other.boundary).length)


def with_access(lots: list[Lot], pieces: Sequence[Polygon], roads: Sequence[Road], rng: np.random.Generator) -> list[Lot]:
    """Each rear piece gets a road: its own frontage, a pole between two lots, or a front lot that it belongs to."""
    ways = right_of_way(roads)
    waiting = sorted(pieces, key=lambda piece: ways.distance(piece))
    for piece in waiting:
        if shared_m(piece, ways) > 12:
            lots.append(farm(piece, ways, roads))
            continue
        near = [(shared_m(lot.shape, piece), index) for index, lot in enumerate(lots) if lot.shape.distance(piece) < 0.05]
        near = sorted((found for found in near if found[0] > 8), reverse=True)
        if not near:
            continue  # An island: the clean-up gives it to whichever neighbour shares the longest side.
        poles = [(index, pair) for _, index in near if (pair := pole_lot(lots[index], piece)) is not None]
        if poles and rng.random() < 0.55:
            donor, (rest, flag) = poles[0]
            lots[donor] = rest
            lots.append(flag)
            continue
        front_lots = [index for _, index in near if lots[index].kind == "lot" and not lots[index].in_village]
        host = front_lots[0] if front_lots else min((index for _, index in near), key=lambda index: lots[index].shape.area)
        lot = lots[host]
        home = lot.home_ground or (lot.shape if isinstance(lot.shape, Polygon) else None)
        whole = lot.shape.union(piece, grid_size=SNAP_M)
        lots[host] = replace(lot, shape=whole, kind="farm", home_ground=home)
    return lots


def farm(piece: Polygon, ways: BaseGeometry, roads: Sequence[Road]) -> Lot:
    """A rear piece with its own frontage."""
    frontage = piece.boundary.intersection(ways.buffer(0.05))
    runs = shapely.get_parts(shapely.line_merge(frontage) if frontage.geom_type == "MultiLineString" else frontage)
    middle = max(runs, key=lambda run: run.length).interpolate(0.5, normalized=True)
    road = min(roads, key=lambda road: road.centre.distance(middle))
    station = road.centre.project(middle)
    front = points_along(road.centre, np.array([station]))[0]
    normal = normals_along(road.centre, np.array([station]))[0]
    side = 1 if np.dot(np.array([middle.x, middle.y]) - front, normal) > 0 else -1
    inward = side * normal
    if road.dead_end and station > road.centre.length - 2:
        inward = (np.array([middle.x, middle.y]) - front) / np.hypot(*(np.array([middle.x, middle.y]) - front))
    return Lot(piece, road, front, inward, station, side, bool(VILLAGE.contains(middle)), kind="farm")


def pole_lot(lot: Lot, piece: Polygon) -> tuple[Lot, Lot] | None:
    """Take a pole along one side of `lot` for `piece`: (what is left of the lot, the flag lot), or None if it does not fit."""
    if lot.kind != "lot" or lot.in_village or not isinstance(lot.shape, Polygon) or piece.area > 70000:
        return None
    for edge in side_lines(lot):
        begin, end = edge[0], edge[1]
        inward = (end - begin) / np.hypot(*(end - begin))
        strip = LineString([begin - 15 * inward, end + 15 * inward]).buffer(POLE_M, cap_style="flat")
        pole = lot.shape.intersection(strip, grid_size=SNAP_M)
        rest = lot.shape.difference(pole, grid_size=SNAP_M)
        if pole.geom_type != "Polygon" or rest.geom_type != "Polygon" or rest.area < 1500 or rest.buffer(-13).is_empty:
            continue
        whole = pole.union(piece, grid_size=SNAP_M)
        on_road = shared_m(pole, lot.road.centre.buffer(lot.road.reach_m), slack_m=0.5)
        if whole.geom_type != "Polygon" or shared_m(pole, piece) < 0.8 * POLE_M or on_road < 0.8 * POLE_M:
            continue
        station = lot.road.centre.project(Point(begin))
        centre = points_along(lot.road.centre, np.array([station]))[0]
        flag = replace(lot, shape=whole, front=centre, kind="flag", home_ground=piece, pole=pole, station_m=station)
        return replace(lot, shape=rest), flag
    return None


def side_lines(lot: Lot) -> list[Floats]:
    """The straight edges of a lot that run away from its road, front end first, longest first."""
    ring = shapely.get_coordinates(lot.shape.simplify(0.1).exterior)
    steps = np.diff(ring, axis=0)
    lengths = np.hypot(*steps.T)
    run = steps @ lot.inward
    steep = np.nonzero((np.abs(run) > 0.85 * lengths) & (lengths > 30))[0]
    edges = [ring[[index, index + 1]] if run[index] > 0 else ring[[index + 1, index]] for index in steep]
    return sorted(edges, key=lambda edge: -float(np.hypot(*(edge[1] - edge[0]))))


def fitted(lots: Sequence[Lot], land: Sequence[Polygon]) -> list[Lot]:
    """The lots again, but sharing every boundary vertex for vertex and leaving no gap inside a block."""
    edges = [polygon.boundary for polygon in land] + [lot.shape.boundary for lot in lots]
    network = shapely.union_all(edges, grid_size=SNAP_M)
    faces = [face for face in shapely.get_parts(shapely.polygonize([network])) if face.area > 0]
    inside = shapely.point_on_surface(faces)
    block_of = np.full(len(faces), -1)
    owner = np.full(len(faces), -1)
    for target, areas in ((block_of, list(land)), (owner, [lot.shape for lot in lots])):
        found, which = STRtree(areas).query(inside, predicate="within")
        target[found[::-1]] = which[::-1]
    faces = [face for face, block in zip(faces, block_of, strict=True) if block >= 0]
    owner = owner[block_of >= 0]
    main = largest_faces(faces, owner, len(lots))
    owner[[index for index in range(len(faces)) if index not in main]] = -1
    give_to_neighbours(faces, owner)
    fitted_lots = []
    for number, lot in enumerate(lots):
        mine = [face for face, holder in zip(faces, owner, strict=True) if holder == number]
        fitted_lots.append(replace(lot, shape=shapely.coverage_union_all(mine)))
    return fitted_lots


def largest_faces(faces: Sequence[Polygon], owner: np.ndarray, count: int) -> set[int]:
    """Faces of the largest connected part of each lot; loose bits are given away like gaps."""
    kept: set[int] = set()
    for number in range(count):
        mine = np.nonzero(owner == number)[0]
        whole = shapely.coverage_union_all([faces[index] for index in mine])
        largest = max(shapely.get_parts(whole), key=lambda part: part.area)
        kept |= {int(index) for index in mine if largest.contains(faces[index].representative_point())}
    return kept


def give_to_neighbours(faces: Sequence[Polygon], owner: np.ndarray) -> None:
    """Each face without an owner goes to the owned neighbour in its block with which it shares the longest edge."""
    tree = STRtree(faces)
    while (owner < 0).any():
        best = (0.0, -1, -1)
        for index in np.nonzero(owner < 0)[0]:
            for other in tree.query(faces[index], predicate="intersects"):
                if owner[other] >= 0:
                    edge_m = faces[index].boundary.intersection(faces[other].boundary).length
                    best = max(best, (float(edge_m), int(index), int(other)))
        if best[1] < 0:
            raise RuntimeError(f"{(owner < 0).sum()} faces have no neighbour with an owner")
        owner[best[1]] = owner[best[2]]


def numbered(lots: Sequence[Lot]) -> list[str]:
    """Parcel ids: one map sheet for each side of a road, lots in order along it."""
    sheets = {sheet: number for number, sheet in enumerate(dict.fromkeys(lot.sheet for lot in lots), start=1)}
    ids = [""] * len(lots)
    count: dict[int, int] = defaultdict(int)
    for index in sorted(range(len(lots)), key=lambda index: (sheets[lots[index].sheet], lots[index].station_m, index)):
        sheet = sheets[lots[index].sheet]
        count[sheet] += 1
        ids[index] = f"MH-{sheet:03d}-{count[sheet]:02d}"
    return ids


def overlapping(one: Polygon, other: Polygon, by_m: float) -> Polygon:
    """`one` with its shared side moved `by_m` into `other`."""
    side = shapely.line_merge(one.boundary.intersection(other.boundary))
    return shapely.set_precision(one.union(other.intersection(side.buffer(by_m, cap_style="flat"))), SNAP_M)


def bow_tie(lot: Lot) -> Polygon:
    """The outline of a lot with its rear corners entered in the wrong order: it crosses itself near the rear line."""
    ring = shapely.get_coordinates(lot.shape.exterior)[:-1]
    lengths = np.hypot(*(np.roll(ring, -1, axis=0) - ring).T)
    depth = ((ring + np.roll(ring, -1, axis=0)) / 2 - lot.front) @ lot.inward
    rear = int(np.argmax(np.where(lengths > 10, depth, -np.inf)))
    before, one, other, after, *rest = np.roll(ring, 1 - rear, axis=0)
    return Polygon([before, before + 0.9 * (one - before), other, one, after + 0.9 * (other - after), after, *rest])
