"""The county screening as layers: lengths and areas in the rule set's unit, which each column's name states."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from geopandas import GeoDataFrame

from geoseptic.io.gpx import to_wgs84
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.citation import Citation
from geoseptic.model.frame import Frame
from geoseptic.model.legends import VectorLegend
from geoseptic.model.results import LayerResult, PointsResult, Results
from geoseptic.model.rules import RuleSet
from geoseptic.parcels.fit import Layout
from geoseptic.parcels.onelot import one_by_one
from geoseptic.processes import screening_legends as legends
from geoseptic.processes.accounts import failure
from geoseptic.processes.land import Land
from geoseptic.processes.lot_sizes import AS_A_BED
from geoseptic.processes.screening import Screened, Screening
from geoseptic.processes.sizing_tables import unchecked
from geoseptic.processes.soil_ground import SoilLayers
from geoseptic.processes.steps import Cut
from geoseptic.processes.ways_down import NOT_FOLLOWED, STAGE, Downslope
from geoseptic.systems.sizing import trench_layout_rule
from geoseptic.systems.testholes import Hole, propose_holes
from geoseptic.systems.verdict import VERDICTS
from geoseptic.units import CUBIC_METRES_PER_UNIT, SQUARE_METRES_PER_UNIT, from_metres

FILE = "screening"


@dataclass(frozen=True)
class _Units:
    """The rule set's units and their names in columns."""

    rules: RuleSet

    @property
    def length(self) -> str:
        return self.rules.unit

    @property
    def area(self) -> str:
        return f"{self.rules.unit}2"

    @property
    def volume(self) -> str:
        return "gal" if self.rules.unit == "ft" else "L"

    def lengths(self, values_m: Sequence[float | None], digits: int = 1) -> list[float | None]:
        return [None if value is None or not np.isfinite(value) else round(from_metres(value, self.length), digits) for value in values_m]

    def areas(self, values_m2: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.round(values_m2 / SQUARE_METRES_PER_UNIT[self.area], 0)


def screening_results(
    land: Land,
    rules: RuleSet,
    found: Screening,
    field_cut: Cut,
    assumed_of_lots: Sequence[str],
    paths: Sequence[Downslope],
    soil: SoilLayers,
) -> Results:
    """Every layer of the screening, its counts, and what could not be proven."""
    ids = [str(identifier) for identifier in land.fabric.ids]
    holes_of, no_holes = one_by_one(lambda rows: [_holes_of(ids[row], found.lots[row], rules) for row in rows], len(ids))
    proposed = [(ids[row], hole) for row, several in sorted(holes_of.items()) for hole in several]
    owners, holes = [owner for owner, _ in proposed], [hole for _, hole in proposed]
    units = _Units(rules)
    counts: dict[str, object] = {f"parcels: {verdict}": sum(lot.verdict == verdict for lot in found.lots) for verdict in VERDICTS}
    decided = sorted({lot.decided_by for lot in found.lots})
    counts["parcels_decided_by"] = {name: sum(lot.decided_by == name for lot in found.lots) for name in decided}
    unproven = [(row, "layout", "; ".join(lot.unproven)) for row, lot in enumerate(found.lots) if lot.unproven]
    failures = tuple(
        failure(land, *one) for one in (*unproven, *found.failures, *((row, "test holes", why) for row, why in no_holes.items()))
    )
    return Results(
        layers=(
            _parcels(land, rules, found, field_cut, assumed_of_lots, paths, soil, units),
            _fields(land, found, units),
            _trenches(land, found, units),
            _tanks(land, found, units),
            _lines(land, found, units),
            _holes(land.frame, holes, owners),
            _paths(land, paths, units),
        ),
        points=(
            PointsResult(
                "waypoints",
                land.frame,
                tuple(hole.label for hole in holes),
                np.array([(hole.point.x, hole.point.y) for hole in holes], np.float64).reshape(-1, 2),
                tuple(hole.description for hole in holes),
                tuple(hole.kind for hole in holes),
                "Proposed test holes",
            ),
        ),
        citations=tuple(dict.fromkeys(line.citation for line in soil.criteria)) if soil.soils else (),
        counts=counts,
        warnings=(
            *soil.notes,
            *(() if soil.told else ("soil not known: no soil layer was given, see the column assumptions",)),
            *unchecked(_in_use(rules, found, soil, bool(holes))),
        ),
        failures=failures,
    )


def _holes_of(identifier: str, lot: Screened, rules: RuleSet) -> Sequence[Hole]:
    drawn = lot.placement
    return propose_holes(identifier, drawn.field, drawn.reserve, rules.sizing.percolation, rules.sizing.test_pits) if drawn else ()


def _in_use(rules: RuleSet, found: Screening, soil: SoilLayers, are_holes: bool) -> list[Citation]:
    """Where the values beside the setbacks were read that the verdicts and drawings of this run rest on."""
    cited = {citation for lot in found.lots for citation in lot.sizes.size.citations}
    if found.burial.sewer_rule is not None:
        cited.add(found.burial.sewer_rule.citation)
    if soil.told:
        cited.update(line.citation for line in soil.lines)
    if are_holes:
        cited.update(rule.citation for rule in (rules.sizing.percolation, rules.sizing.test_pits) if rule is not None)
    return sorted(cited, key=lambda citation: (citation.key, str(citation)))


def _parcels(
    land: Land,
    rules: RuleSet,
    found: Screening,
    cut: Cut,
    assumed_of_lots: Sequence[str],
    paths: Sequence[Downslope],
    soil: SoilLayers,
    units: _Units,
) -> LayerResult:
    deepest_m = trench_layout_rule(rules).max_depth_m
    lots = found.lots
    length, area, volume = units.length, units.area, units.volume
    way = {path.lot: path for path in paths}
    not_followed = {row for row, stage, _ in found.failures if stage == STAGE}
    near_m, near_well = _nearest_wells(land, lots)
    gravity = found.burial.in_words()
    sizes = [lot.sizes.size for lot in lots]
    trench = [size.trench_length_m for size in sizes]
    tank_m3 = [size.tank_volume_m3 for size in sizes]
    unit_m3 = CUBIC_METRES_PER_UNIT[volume]
    per_area = SQUARE_METRES_PER_UNIT[area]
    columns: dict[str, object] = {
        "parcel_id": land.fabric.ids,
        "verdict": [lot.verdict for lot in lots],
        "reasons": ["; ".join(lot.reasons) for lot in lots],
        "fits_without": [", ".join(name.replace("_", " ") for name in lot.would_fit_without) for lot in lots],
        "assumptions": [
            "; ".join(word for word in (*lot.sizes.assumptions, own, _soil_words(lot), gravity if lot.profile else "") if word)
            for lot, own in zip(lots, assumed_of_lots, strict=True)
        ],
        "public_sewer": [None if flag is None else "yes" if flag else "no" for flag in land.parcels.flags("public_sewer")],
        "bedrooms": [size.bedrooms.plan for size in sizes],
        f"lot_{area}": units.areas(shapely.area(land.fabric.shapes_m)),
        f"envelope_{area}": units.areas(cut.envelopes.area_m2),
        f"largest_{area}": units.areas(cut.envelopes.largest_m2),
        f"trench_{length}": units.lengths([None if span is None else span.plan for span in trench], 0),
        f"trench_low_{length}": units.lengths([None if span is None else span.low for span in trench], 0),
        f"trench_high_{length}": units.lengths([None if span is None else span.high for span in trench], 0),
        "drawn_for": [lot.drawn_for for lot in lots],
        f"tank_{volume}": [None if span is None else round(span.high / unit_m3) for span in tank_m3],
        f"field_{area}": [None if lot.placement is None else round(shapely.area(lot.placement.field) / per_area) for lot in lots],
        f"fall_along_{length}": units.lengths([lot.fall_along_m if lot.placement else None for lot in lots]),
        "slope_percent": [None if lot.placement is None else _round(lot.placement.slope_percent, 1) for lot in lots],
        f"lift_{length}": units.lengths([None if lot.profile is None else lot.profile.lift_m for lot in lots]),
        f"fall_to_spare_{length}": units.lengths(
            [lot.profile.to_spare_m if lot.profile is not None and lot.profile.by_gravity else None for lot in lots]
        ),
        f"reserve_lift_{length}": units.lengths([None if lot.to_reserve is None else lot.to_reserve.lift_m for lot in lots]),
        f"run_{length}": units.lengths(
            [
                None if lot.profile is None else float(shapely.length(sewer) + shapely.length(effluent))
                for lot, sewer, effluent in zip(lots, found.tanks.sewers_m, found.tanks.effluents_m, strict=True)
            ]
        ),
        "nearest_well": near_well,
        f"well_{length}": units.lengths(near_m),
        "downslope_well": [
            way[number].well if number in way else NOT_FOLLOWED if number in not_followed else "" for number in range(len(lots))
        ],
        f"path_{length}": units.lengths([way[number].length_m if number in way else None for number in range(len(lots))], 0),
        "soil": [lot.under.soil if lot.under else "" for lot in lots],
        "soil_rating": [lot.under.rating if lot.under else "" for lot in lots],
        "separation": [lot.under.separation_words if lot.under else "" for lot in lots],
        "flood_zone": [_flood_zone(lot, soil) for lot in lots],
        "notes": ["; ".join(_notes(lot, deepest_m, soil, length)) for lot in lots],
        "decided_by": [lot.decided_by for lot in lots],
    }
    notes = {
        "parcel_id": "Parcel",
        "verdict": "fits by gravity, fits with pump, fits only without full reserve, does not fit, or cannot say",
        "reasons": "What binds, or what is missing",
        "fits_without": "Kinds of feature whose setbacks alone, if the authority relaxed them, would let field and reserve fit",
        "assumptions": "What nobody has stated or measured and the verdict rests on",
        "public_sewer": "Whether the parcel is on a public sewer, as the parcel layer says",
        "bedrooms": "Bedrooms that were planned with",
        f"lot_{area}": "Area of the lot",
        f"envelope_{area}": "Area clear of every setback of a drain field, those that only may be required included",
        f"largest_{area}": "Area of the largest single piece of it",
        f"trench_{length}": "Length of all trenches together that was planned with",
        f"trench_low_{length}": "The same for the smallest house on the best soil that the assumptions leave open",
        f"trench_high_{length}": "The same for the largest house on the worst soil that the code allows: what a verdict of fits holds for",
        "drawn_for": "Which of the three the drawn layout is for, empty where nothing could be placed",
        f"tank_{volume}": "Volume of the septic tank, at the largest house that the assumptions leave open",
        f"field_{area}": "Area of the primary field as drawn, the soil between its trenches included",
        f"fall_along_{length}": "Most that the ground falls along one trench of field or reserve, whose bottom is level",
        "slope_percent": "Slope of the ground under it",
        f"lift_{length}": "How far a pump has to lift; 0 by gravity, empty where a height is not known",
        f"fall_to_spare_{length}": "How much higher than the field's pipe the line arrives by gravity; empty where a pump is needed",
        f"reserve_lift_{length}": "The lift to the reserve along a straight line; 0 by gravity, empty where it is not known",
        f"run_{length}": "Pipe from house to tank and on to the field, as drawn",
        "nearest_well": "Well nearest to the field, presumed ones included",
        f"well_{length}": "Straight distance from the field to it, less its location error",
        "downslope_well": "First well, presumed ones included, that water from the field is known to come to within the reach",
        f"path_{length}": "Length of that way to the nearest place where the well may be; it is drawn to the edge of its disc",
        "soil": "Mapped soils under the field, with their hydrologic group: of a dual one such as B/D, D holds unless the soil is drained",
        "soil_rating": "Federal interpretive class of these soils for absorption fields, with what limits it",
        "separation": "Whether the code's separation from rock and high water holds by the map",
        "flood_zone": "Flood zone that the field touches; none drawn where the layer has no zone there and maps no dry ground",
        "notes": "What else a reader must know",
        "decided_by": "Test that decided the search: area, disc, grid, fine grid, or soil",
    }
    return _layer(
        "parcels",
        GeoDataFrame(columns, geometry=land.frame.from_metres(land.fabric.shapes_m), crs=land.frame.crs),
        legends.PARCELS,
        f"Does a system fit? By {rules.title}",
        notes,
    )


def _of_depth(lot: Screened, deepest_m: float | None, soil: SoilLayers, unit: str) -> tuple[str, ...]:
    """Told where the upper end of a level trench would lie deeper than the code lets one."""
    deep_m = soil.trench_bottom_m + lot.fall_along_m
    if lot.placement is None or deepest_m is None or deep_m <= deepest_m:
        return ()
    deep, most = (from_metres(value, unit) for value in (deep_m, deepest_m))
    return (f"the upper end of a trench would lie {deep:.1f} {unit} deep, the code allows {most:.1f}: follow the contour closely",)


def _flood_zone(lot: Screened, soil: SoilLayers) -> str:
    if lot.under is None:
        return ""
    undrawn = lot.under.flood == "outside" and "outside" not in soil.flood_kinds
    return "none drawn" if undrawn else lot.under.flood or "not known"


def _notes(lot: Screened, deepest_m: float | None, soil: SoilLayers, unit: str) -> tuple[str, ...]:
    """What else a reader must know."""
    of_run = lot.profile.notes if lot.profile else ()
    return (*lot.sizes.size.notes, *of_run, *_of_reserve(lot, unit), *_of_depth(lot, deepest_m, soil, unit), *lot.notes)


def _of_reserve(lot: Screened, unit: str) -> tuple[str, ...]:
    """Told where the field needs no pump and its reserve would."""
    if lot.profile is None or lot.to_reserve is None or not lot.profile.by_gravity or lot.to_reserve.by_gravity:
        return ()
    return (f"the reserve would need a pump with a lift of {from_metres(lot.to_reserve.lift_m, unit):.1f} {unit}",)


def _soil_words(lot: Screened) -> str:
    """What the verdict assumes of the soil; a map is no test hole."""
    if lot.placement is None or lot.under is None:
        return ""
    if lot.under.separation is None:
        depth = "soil not known: depth to rock and high water must be found in test holes"
    elif lot.under.separation == "unknown":
        depth = f"separation from rock and high water {lot.under.separation_words}"
    else:
        depth = "separation from rock and high water by the map alone"
    return f"{depth}; {lot.under.warning}" if lot.under.warning else depth


def _nearest_wells(land: Land, lots: Sequence[Screened]) -> tuple[list[float | None], list[str]]:
    distances: list[float | None] = [None] * len(lots)
    names = [""] * len(lots)
    drawn = {number: lot.placement.field for number, lot in enumerate(lots) if lot.placement}
    if not drawn:
        return distances, names
    placed, fields = list(drawn), np.empty(len(drawn), object)
    fields[:] = list(drawn.values())
    discs = shapely.buffer(land.wells.shapes_m, land.location_error_m)
    # A well known to nothing better than a point has a disc without area; a presumed one may be anywhere on its lot.
    places = np.concatenate([np.where(shapely.is_empty(discs), land.wells.shapes_m, discs), land.presumed_m])
    field, well = shapely.STRtree(places).query_nearest(fields, all_matches=False)
    for number, nearest in zip(field.tolist(), well.tolist(), strict=True):
        distances[placed[number]] = float(shapely.distance(fields[number], places[nearest]))
        names[placed[number]] = str(land.names[nearest])
    return distances, names


@dataclass(frozen=True)
class _Area:
    """The primary field or the reserve of one lot, as drawn."""

    name: str
    shape_m: shapely.Polygon
    trenches: Sequence[shapely.Polygon]
    layout: Layout


def _areas(land: Land, found: Screening) -> Iterator[tuple[object, Screened, _Area]]:
    """Every drawn area with its parcel and that parcel's answer."""
    for identifier, lot in zip(land.fabric.ids, found.lots, strict=True):
        drawn = lot.placement
        if drawn is None:
            continue
        yield identifier, lot, _Area(legends.PRIMARY, drawn.field, drawn.trenches, drawn.layout)
        if drawn.reserve is not None and drawn.reserve_layout is not None:
            yield identifier, lot, _Area(legends.RESERVE, drawn.reserve, drawn.reserve_trenches, drawn.reserve_layout)


def _fields(land: Land, found: Screening, units: _Units) -> LayerResult:
    rows: list[tuple[object, ...]] = []
    shapes = []
    for identifier, lot, drawn in _areas(land, found):
        length, area = from_metres(drawn.layout.length_m, units.length), shapely.area(drawn.shape_m) / SQUARE_METRES_PER_UNIT[units.area]
        rows.append((identifier, drawn.name, lot.verdict, drawn.layout.count, round(length, 1), round(area, 0)))
        shapes.append(drawn.shape_m)
    notes = {
        "parcel_id": "Parcel",
        "area": "primary, or reserve",
        "verdict": "Verdict on the parcel",
        "trenches": "Number of trenches",
        f"trench_{units.length}": "Length of each",
        f"area_{units.area}": "Area, the soil between the trenches included",
    }
    return _table(land.frame, "fields", notes, rows, shapes, legends.FIELDS, "Areas for the field and its reserve")


def _trenches(land: Land, found: Screening, units: _Units) -> LayerResult:
    rows: list[tuple[object, ...]] = []
    shapes = []
    for identifier, lot, drawn in _areas(land, found):
        kind, length = "bed" if lot.drawn_for == AS_A_BED else "trench", round(from_metres(drawn.layout.length_m, units.length), 1)
        for number, trench in enumerate(drawn.trenches, 1):
            rows.append((identifier, drawn.name, kind, number, length))
            shapes.append(trench)
    notes = {
        "parcel_id": "Parcel",
        "area": "primary, or reserve",
        "kind": "trench, or bed",
        "number": "Number",
        f"length_{units.length}": "Length",
    }
    return _table(land.frame, "trenches", notes, rows, shapes, legends.TRENCHES, "Trenches, along the contour")


def _tanks(land: Land, found: Screening, units: _Units) -> LayerResult:
    placed = np.flatnonzero(found.tanks.placed)
    rows: list[tuple[object, ...]] = []
    for lot in placed:
        along, volume = found.lots[lot].profile, found.lots[lot].sizes.size.tank_volume_m3
        gallons = None if volume is None else round(volume.high / CUBIC_METRES_PER_UNIT[units.volume])
        cover = None if along is None else round(from_metres(along.tank_cover_m, units.length), 1)
        rows.append((land.fabric.ids[lot], gallons, cover, found.burial.in_words()))
    notes = {
        "parcel_id": "Parcel",
        f"volume_{units.volume}": "Least volume by the rule set",
        f"inlet_depth_{units.length}": "Ground to the tank's inlet",
        "assumptions": "What the depth rests on",
    }
    return _table(land.frame, "tanks", notes, rows, list(found.tanks.footprints_m[placed]), legends.TANKS, "Septic tanks")


def _lines(land: Land, found: Screening, units: _Units) -> LayerResult:
    rows: list[tuple[object, ...]] = []
    shapes = []
    for lot in np.flatnonzero(found.tanks.placed):
        along = found.lots[lot].profile
        inlet, outlet = (None, None) if along is None else (along.tank_inlet_m, along.tank_outlet_m)
        for name, line in ((legends.SEWER, found.tanks.sewers_m[lot]), (legends.EFFLUENT, found.tanks.effluents_m[lot])):
            if not shapely.is_empty(line) and shapely.length(line) > 0:
                lift = None if along is None else round(from_metres(along.lift_m, units.length), 1)
                length = round(from_metres(float(shapely.length(line)), units.length), 1)
                at_tank = inlet if name == legends.SEWER else outlet
                height = None if at_tank is None else round(from_metres(at_tank, units.length), 2)
                rows.append(
                    (land.fabric.ids[lot], name, length, height, lift if name == legends.EFFLUENT else None, found.burial.in_words())
                )
                shapes.append(line)
    notes = {
        "parcel_id": "Parcel",
        "run": "house to tank, or tank to field",
        f"length_{units.length}": "Length as drawn, horizontally",
        f"invert_{units.length}": "Height of the pipe at the tank, in the elevation's datum",
        f"lift_{units.length}": "How far a pump has to lift; 0 by gravity",
        "assumptions": "What heights and lift rest on",
    }
    return _table(land.frame, "sewer_lines", notes, rows, shapes, legends.SEWER_LINES, "Sewer lines, a guess until the exit is found")


def _holes(frame: Frame, holes: Sequence[Hole], owners: Sequence[str]) -> LayerResult:
    points = np.array([(hole.point.x, hole.point.y) for hole in holes], np.float64).reshape(-1, 2)
    lon, lat = to_wgs84(frame, points)
    rows: list[tuple[object, ...]] = [
        (owner, hole.label, hole.kind, hole.area, round(float(x), 7), round(float(y), 7), hole.note)
        for owner, hole, x, y in zip(owners, holes, lon, lat, strict=True)
    ]
    notes = {
        "parcel_id": "Parcel",
        "label": "For the stake and the field sheet",
        "kind": "percolation hole, or soil pit",
        "area": "primary, or reserve",
        "longitude": "WGS 84, degrees",
        "latitude": "WGS 84, degrees",
        "note": "What the code asks of such holes and could not be kept here, or what whoever digs must know",
    }
    return _table(frame, "test_holes", notes, rows, [hole.point for hole in holes], legends.TEST_HOLES, "Proposed test holes")


def _paths(land: Land, paths: Sequence[Downslope], units: _Units) -> LayerResult:
    rows: list[tuple[object, ...]] = [
        (land.fabric.ids[path.lot], path.well, round(from_metres(path.length_m, units.length), 0)) for path in paths
    ]
    notes = {
        "parcel_id": "Parcel",
        "well_id": "Well",
        f"length_{units.length}": "Length to the nearest place where the well may be; the line is drawn to the edge of its disc",
    }
    return _table(
        land.frame, "flow_paths", notes, rows, [path.line_m for path in paths], legends.FLOW_PATHS, "From each field down to a well"
    )


def _table(
    frame: Frame,
    name: str,
    notes: dict[str, str],
    rows: list[tuple[object, ...]],
    shapes: Sequence[shapely.Geometry],
    legend: VectorLegend,
    title: str,
) -> LayerResult:
    geometry = np.empty(len(shapes), object)
    geometry[:] = shapes
    columns = {column: [row[number] for row in rows] for number, column in enumerate(notes)}
    return _layer(name, GeoDataFrame(columns, geometry=frame.from_metres(geometry), crs=frame.crs), legend, title, notes)


def _layer(name: str, table: GeoDataFrame, legend: VectorLegend, title: str, notes: dict[str, str]) -> LayerResult:
    return LayerResult(FILE, name, table, legend, title, f"{title}. {SCREENING_AID}", notes)


def _round(value: float, digits: int) -> float | None:
    return round(value, digits) if np.isfinite(value) else None
