"""A plan of one parcel as values: what is drawn, in metres on the ground, with the words that belong to it."""

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from geoseptic.io.chances import Place
from geoseptic.io.sites import Item, Site
from geoseptic.model.rules import FEATURES
from geoseptic.sheets.bearings import azimuth_degrees, quadrant
from geoseptic.sheets.contours import Contours
from geoseptic.sheets.distances import Kept, kept_distances, part_shapes
from geoseptic.sheets.sureness import OFF_SIGMAS, Doubts, place_words
from geoseptic.units import from_metres, metres_per

XY = tuple[float, float]
"""East and north in the run's frame. [m]"""

WATERS: Final = frozenset(
    {
        "surface_water", "intermittent_water", "water_supply_reservoir", "water_supply_tributary", "irrigation_canal", "wetland",
        "vernal_pool", "spring", "public_spring",
    }
)  # fmt: skip

FEATURE_PENS: Final = {"building": "building", "driveway": "paving", "pool": "water", **dict.fromkeys(WATERS, "water")}

CORNER_DEGREES: Final = 20.0
"""Where the outline of a lot turns by more, one side ends and the next begins."""

NEAREST_WELLS: Final = 4
"""Wells to which the field is dimensioned."""

LINES_DIMENSIONED: Final = 3
"""Sides of the lot to which the field is dimensioned: more would hide the plan, and the setback table has the nearest."""

BENT_M: Final = 0.005

SURROUND_M: Final = 6.0
"""What is shown round a lot at the least."""


@dataclass(frozen=True)
class Mark:
    """Something drawn. `name` is written beside it; `about` says what it is in words."""

    shape_m: shapely.Geometry
    pen: str
    about: str = ""
    name: str = ""


@dataclass(frozen=True)
class Dimension:
    """A straight distance that is drawn with arrows and its length. `error_m` is how far the end may be from where it is drawn."""

    start_m: XY
    end_m: XY
    text: str
    about: str
    error_m: float = 0.0


@dataclass(frozen=True)
class Side:
    """One side of the lot with its length, in the direction that goes clockwise round the lot."""

    line_m: shapely.Geometry
    length_m: float

    @property
    def ends_m(self) -> tuple[XY, XY]:
        first, last = self.line_m.coords[0], self.line_m.coords[-1]
        return (first[0], first[1]), (last[0], last[1])

    @property
    def bearing(self) -> str:
        """From its first end straight to its last, from the north of the grid."""
        return quadrant(azimuth_degrees(*self.ends_m))

    @property
    def bearing_words(self) -> str:
        return f"{self.bearing} chord" if self.is_bent else self.bearing

    @property
    def is_bent(self) -> bool:
        """Whether it is longer than the straight line between its ends by what a length on a plan shows."""
        return self.length_m - math.dist(*self.ends_m) > BENT_M


@dataclass(frozen=True)
class Plan:
    """What is drawn of a site.

    marks : in the order in which they are drawn.
    whole_m : bounds of what a plan of the whole lot shows; `works_m` those of the layout with the buildings by it, the lot's own where
        nothing is laid out.
    contours : of the ground, or why there are none.
    bearings : whether the sides have their bearings beside their lengths.
    doubts : how sure it all is, where a run tells it.
    """

    site: Site
    marks: tuple[Mark, ...]
    dimensions: tuple[Dimension, ...]
    sides: tuple[Side, ...]
    distances: tuple[Kept, ...]
    whole_m: tuple[float, float, float, float]
    works_m: tuple[float, float, float, float]
    contours: Contours
    bearings: bool = False
    doubts: Doubts | None = None


def plan_of(site: Site, contours: Contours, *, bearings: bool = False, doubts: Doubts | None = None) -> Plan:
    """The plan of a site whose parcel has a shape."""
    distances = kept_distances(site)
    sides = sides_of(site.lot_m)
    marks = (
        *_ground(contours, site.unit),
        *_surroundings(site),
        *_neighbours(site),
        *_grounds(site, doubts),
        *_limits(site, distances),
        *_line_band(site, doubts),
        Mark(site.lot_m, "lot line", f"Lot {site.parcel_id}"),
        *_layout(site),
        *_wells(site, doubts),
    )
    if doubts is not None and doubts.said.in_doubt:
        marks = tuple(map(_in_doubt, marks))
    left, bottom, right, top = site.lot_m.bounds
    whole_m = (left - SURROUND_M, bottom - SURROUND_M, right + SURROUND_M, top + SURROUND_M)
    return Plan(
        site, marks, _dimensions(site, sides, distances), sides, distances, whole_m, _works(site, whole_m), contours, bearings, doubts
    )


def length_text(length_m: float, unit: str) -> str:
    """A length as it stands on a plan: feet with a tenth, or metres with two digits behind the point."""
    return f"{from_metres(length_m, unit):.1f}'" if unit == "ft" else f"{length_m:.2f} m"


def shown(identifier: str, longest: int = 18) -> str:
    """A name as a label has room for: its start and its end."""
    one_line = re.sub(r"\s+", " ", identifier).strip()
    return one_line if len(one_line) <= longest else f"{one_line[: longest // 2]}..{one_line[-(longest - longest // 2 - 2) :]}"


def named(feature_id: str) -> str:
    """A feature without a name of its own is called by its layer and its number there; the number is enough beside what it is."""
    return re.sub(r"^[a-z_]+ (?=\d+$)", "", feature_id)


def sides_of(lot_m: shapely.Geometry) -> tuple[Side, ...]:
    """The outline of a lot, parted where it turns: clockwise, from the northernmost corner on, part by part."""
    found = []
    for ring in (polygon.exterior for polygon in _polygons(lot_m)):
        corners = np.asarray(ring.simplify(0.02).coords)[:-1]
        if ring.is_ccw:
            corners = corners[::-1]
        steps = np.roll(corners, -1, axis=0) - corners
        heading = np.degrees(np.arctan2(steps[:, 1], steps[:, 0]))
        turn = np.abs((heading - np.roll(heading, 1) + 180) % 360 - 180)
        ends = np.flatnonzero(turn > CORNER_DEGREES)
        if len(ends) < 2:
            ends = np.array([0, len(corners) // 2])
        northernmost = max(range(len(ends)), key=lambda place: (corners[ends[place]][1], -corners[ends[place]][0]))
        ends = np.roll(ends, -northernmost)
        for start, end in zip(ends, np.roll(ends, -1), strict=True):
            number = (end - start) % len(corners) or len(corners)
            line = shapely.LineString(corners[(start + np.arange(number + 1)) % len(corners)])
            found.append(Side(line, float(line.length)))
    return tuple(found)


def _polygons(shape: shapely.Geometry) -> list[shapely.Polygon]:
    return [part for part in shapely.get_parts(shape) if isinstance(part, shapely.Polygon)]


def _ground(contours: Contours, unit: str) -> Iterator[Mark]:
    for height, line in contours.lines:
        index = contours.is_index(height)
        yield Mark(line, "index contour" if index else "contour", f"Ground at {height:g} {unit}", f"{height:g}" if index else "")


def _surroundings(site: Site) -> Iterator[Mark]:
    """What is there, wells apart: paving below, buildings on top."""
    order = {"driveway": 0, "building": 2}
    there = [item for item in site.features if not _is_well(item) and item.row["record"] != "presumed"]
    for item in sorted(there, key=lambda item: order.get(item.row["feature"], 1)):
        feature, identifier = str(item.row["feature"]), str(item.row["feature_id"])
        pen = FEATURE_PENS.get(feature, "other")
        if pen == "water" and item.shape_m.geom_type.endswith("LineString"):
            pen = "water line"
        name = {"building": "", "driveway": "DRIVE", "pool": "POOL"}.get(feature, FEATURES[feature].upper())
        yield Mark(item.shape_m, pen, f"{FEATURES[feature]} {named(identifier)}{_error_words(item, site.unit)}", name)


def _neighbours(site: Site) -> Iterator[Mark]:
    for item in site.neighbours:
        yield Mark(item.shape_m, "neighbour", f"Lot {item.row['parcel_id']}", shown(str(item.row["parcel_id"])))


def _limits(site: Site, distances: Iterable[Kept]) -> Iterator[Mark]:
    """The ground that is clear of every setback of the field, and the arcs that the wells cut out of it."""
    for item in site.layers["field_envelope"]:
        yield Mark(item.shape_m, "envelope", "Clear of every setback of a drain field")
    told: set[tuple[str, str, float]] = set()
    for zone in site.zones:
        row = zone.row
        key = (str(row["feature_id"]), str(row["status"]), float(row[f"distance_{site.unit}"]))
        if row["part"] != "drain_field" or not str(row["feature"]).endswith("well") or key in told:
            continue
        told.add(key)
        pen = "setback" if row["status"] == "required" else "open setback"
        distance = f"{row[f'distance_{site.unit}']:g} {site.unit}"
        error = float(row[f"location_error_{site.unit}"])
        more = f" and {error:g} {site.unit} of doubt about its place" if error else ""
        yield Mark(zone.shape_m, pen, f"{distance} from {row['feature_id']}{more}, {row['status']}", f"{distance} {shown(key[0], 14)}")


def _layout(site: Site) -> Iterator[Mark]:
    unit = site.unit
    for item in site.layers["fields"]:
        reserve = item.row["area"] == "reserve"
        words = "Reserve, to be left undisturbed" if reserve else "Primary field"
        yield Mark(item.shape_m, "reserve" if reserve else "field", words, "RESERVE" if reserve else "FIELD")
    for item in site.layers["trenches"]:
        reserve = item.row["area"] == "reserve"
        yield Mark(
            item.shape_m,
            "reserve trench" if reserve else "trench",
            f"Trench {item.row['number']} of the {'reserve' if reserve else 'field'}, {item.row[f'length_{unit}']:g} {unit}",
        )
    for item in site.layers["sewer_lines"]:
        sewer = item.row["run"] == "house to tank"
        length = item.row[f"length_{unit}"]
        yield Mark(item.shape_m, "sewer" if sewer else "effluent", f"{str(item.row['run']).capitalize()}, {length:g} {unit}")
    for item in site.layers["tanks"]:
        yield Mark(item.shape_m, "tank", "Septic tank", "TANK")
    for item in site.layers["flow_paths"]:
        yield Mark(item.shape_m, "way of water", f"Way of the water from the field to {item.row['well_id']}")
    for item in site.layers["test_holes"]:
        pit = item.row["kind"] == "soil pit"
        name, note = hole_name(site, item), item.row["note"]
        words = f"{str(item.row['kind']).capitalize()} {name}{f': {note}' if isinstance(note, str) and note else ''}"
        yield Mark(item.shape_m, "pit" if pit else "hole", words, name)


def hole_name(site: Site, hole: Item) -> str:
    """The label of a test hole without the parcel's identifier, which stands at the top of the sheet."""
    return shown(str(hole.row["label"]).removeprefix(site.parcel_id).strip(" -_"), 8)


def wells_of(site: Site) -> list[Item]:
    """The wells on record, each once, the nearest to the lot first."""
    first: dict[str, Item] = {}
    for item in site.features:
        if _is_well(item) and item.row["record"] != "presumed":
            first.setdefault(str(item.row["feature_id"]), item)
    return sorted(first.values(), key=lambda item: (item.shape_m.distance(site.lot_m), str(item.row["feature_id"])))


def presumed_wells_of(site: Site) -> list[Item]:
    """Grounds near the lot on which a well is presumed that is on no record."""
    return [item for item in site.features if _is_well(item) and item.row["record"] == "presumed"]


def error_m(item: Item, unit: str) -> float:
    """How far a feature's true place may be from where it is drawn. [m]"""
    return float(item.row[f"location_error_{unit}"]) * metres_per(unit)


WELL_PENS: Final = {"gaussian": "circle of well", "disc": "circle of well", "square": "square of well", "in ground": "lot of well"}


def _grounds(site: Site, doubts: Doubts | None) -> Iterator[Mark]:
    """Where wells may be, by the form of their error."""
    if doubts is not None:
        for place in drawn_places(site, doubts):
            name = f"WELL {shown(place.name, 14)} IS IN HERE" if place.what == "well" else "A WELL IS PRESUMED HERE"
            yield Mark(place.shape_m, WELL_PENS.get(place.form, "circle of well"), place_words(place), name)


def drawn_places(site: Site, doubts: Doubts) -> tuple[Place, ...]:
    """The grounds of wells that matter to the lot: those whose setback reaches it, or that it may itself hold."""
    asking = {str(zone.row["feature_id"]) for zone in site.zones}
    return tuple(place for place in doubts.places if place.name in asking or place.shape_m.intersects(site.lot_m))


def _line_band(site: Site, doubts: Doubts | None) -> Iterator[Mark]:
    """How far the lines of the lot may be off, to both sides."""
    if doubts is not None and doubts.line_sigma_m > 0:
        off_m = OFF_SIGMAS * doubts.line_sigma_m
        band = site.lot_m.boundary.buffer(off_m, quad_segs=8)
        yield Mark(band, "line in doubt", f"The lot line is within {length_text(off_m, site.unit)} of where it is drawn in 95 of 100 cases")


DOUBTED: Final = {"envelope": "envelope in doubt", "field": "field in doubt", "trench": "trench in doubt"}


def _in_doubt(mark: Mark) -> Mark:
    """A mark that says of itself that it holds only where everything lies as it is drawn."""
    if mark.pen not in (*DOUBTED, "reserve", "reserve trench", "tank"):
        return mark
    name = f"{mark.name}?" if mark.name else ""
    return Mark(mark.shape_m, DOUBTED.get(mark.pen, mark.pen), f"{mark.about}, only if all lies as drawn", name)


def _wells(site: Site, doubts: Doubts | None) -> Iterator[Mark]:
    places = () if doubts is None else doubts.places
    placed, rough = {place.name for place in places}, {place.name for place in places if place.rough}
    for item in wells_of(site):
        if str(item.row["feature_id"]) not in placed and (error := error_m(item, site.unit)) > 0:
            yield Mark(item.shape_m.buffer(error, quad_segs=32), "place of well", f"{item.row['feature_id']} is somewhere in here")
        kinds = {str(other.row["feature"]) for other in site.features if other.row["feature_id"] == item.row["feature_id"]}
        kind = "Well of unknown kind" if len(kinds) > 1 else FEATURES[str(item.row["feature"])]
        words = f"{kind} {item.row['feature_id']}{_error_words(item, site.unit)}"
        doubt = "?" if str(item.row["feature_id"]) in rough else ""
        yield Mark(item.shape_m.representative_point(), "well", words, f"WELL {shown(str(item.row['feature_id']), 14)}{doubt}")


def _is_well(item: Item) -> bool:
    return str(item.row["feature"]).endswith("_well")


def _error_words(item: Item, unit: str) -> str:
    error = float(item.row[f"location_error_{unit}"])
    return f", known to {error:g} {unit}" if error else ""


def _works(site: Site, whole_m: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    drawn = [item.shape_m for name in ("fields", "tanks", "sewer_lines") for item in site.layers[name]]
    if not drawn:
        return whole_m
    around = shapely.union_all(drawn)
    near = around.buffer(SURROUND_M)
    houses = [item.shape_m for item in site.features if item.row["feature"] == "building" and item.shape_m.intersects(near)]
    left, bottom, right, top = shapely.union_all([around, *houses]).bounds
    return (left - SURROUND_M, bottom - SURROUND_M, right + SURROUND_M, top + SURROUND_M)


def _dimensions(site: Site, sides: tuple[Side, ...], distances: tuple[Kept, ...]) -> tuple[Dimension, ...]:
    """From the primary field to the nearest wells and sides of the lot, and from the tank to the house."""
    shapes = part_shapes(site)
    field = shapes.get("drain_field")
    if field is None:
        return ()
    found = []
    asked = {kept.feature_id for kept in distances if kept.part == "drain_field"}
    wells = sorted(wells_of(site), key=lambda item: (item.row["feature_id"] not in asked, item.shape_m.distance(field)))
    for item in wells[:NEAREST_WELLS]:
        error = error_m(item, site.unit)
        found.append(_between(field, item.shape_m, site.unit, f"field to {item.row['feature_id']}", error))
    for side in sorted(sides, key=lambda side: side.line_m.distance(field))[:LINES_DIMENSIONED]:
        found.append(_between(field, side.line_m, site.unit, "field to lot line"))
    houses = [item.shape_m for item in site.features if item.row["feature"] == "building"]
    if "septic_tank" in shapes and houses:
        nearest = min(houses, key=lambda shape: shape.distance(shapes["septic_tank"]))
        found.append(_between(shapes["septic_tank"], nearest, site.unit, "tank to house"))
    return tuple(found)


def _between(part: shapely.Geometry, other: shapely.Geometry, unit: str, about: str, error: float = 0.0) -> Dimension:
    line = shapely.shortest_line(part, other)
    start, end = (tuple(map(float, point)) for point in line.coords)
    return Dimension((start[0], start[1]), (end[0], end[1]), length_text(line.length, unit), about, error)
