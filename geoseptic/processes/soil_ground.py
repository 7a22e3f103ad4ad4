"""What is mapped below the ground of a run: soil polygons, flood zones and groundwater, all of them optional."""

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely
from geopandas import GeoDataFrame

from geoseptic.errors import GridError
from geoseptic.model import layers
from geoseptic.model.checking import CheckedLayer, check, empty_told, source_of
from geoseptic.model.frame import Frame, Geometries
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.rules import RuleSet
from geoseptic.model.sizing_rules import soil_key
from geoseptic.model.soil_rules import UNKNOWN, Criterion, SoilProperties, SoilRating, Span, VerticalSeparation
from geoseptic.parcels import burn
from geoseptic.parcels.repair import keep_clear, polygons_only
from geoseptic.parcels.soilmap import FloodKind, SoilUnder, flood_kinds, flood_under, groundwater_under, soils_under
from geoseptic.parcels.tank import on_lots
from geoseptic.stages import stage
from geoseptic.systems.soils import Separation, SeparationCheck, VerticalVerdict, interpretation, is_dual, soil_properties, vertical_verdict

Mask = npt.NDArray[np.bool_]

TOO_SHALLOW = "too little soil over rock or high water"
FLOODED = "flood zone"
NOT_KNOWN = "soil not known"
ALL_OF = 0.999
"""A soil map that covers so much of a lot covers it: its edges do not run along the lot lines."""

OF_DEPTH = frozenset({"bedrock_m", "pan_m", "water_m", "restriction_m"})
"""Properties that a code's vertical separation judges too, with its own numbers."""

WORST = ("holds", "unknown", "fails")


@dataclass(frozen=True)
class SoilLayers:
    """The layers as they were brought, None where they were not; soils with what follows from them, one entry a polygon."""

    soils: CheckedLayer | None
    properties: tuple[SoilProperties, ...]
    soil_shapes_m: Geometries
    flood: CheckedLayer | None
    flood_kinds: tuple[FloodKind, ...]
    flood_shapes_m: Geometries
    groundwater: Raster | None
    lines: tuple[VerticalSeparation, ...]
    criteria: tuple[Criterion, ...]
    facts: Mapping[str, bool]
    trench_bottom_m: float
    notes: tuple[str, ...]
    lots_m: Geometries
    """Lots on which somebody found the soil; `lot_soils`: its name by the rules."""
    lot_soils: tuple[str, ...]

    @cached_property
    def too_shallow_m(self) -> list[shapely.Geometry]:
        """Mapped ground with too little soil over rock or high water, found once a run."""
        return _too_shallow(self)

    @property
    def told(self) -> bool:
        """Whether anything is known of the soil."""
        return self.soils is not None or self.groundwater is not None


@dataclass(frozen=True)
class Under:
    """What lies under one field. `separation` is None where no soil or groundwater was brought.

    `against` says what speaks against a field there: the code's separation that fails; water mapped above the trench bottom; a soil that
    is surely severe, unless for its slope, which is measured, or for depths that the code's own separation has been held against; a flood
    zone that nobody has studied. `warning` is what a reader must know besides.
    """

    soil: str
    rating: str
    separation: Separation | None
    separation_words: str
    flood: FloodKind | None
    against: str = ""
    warning: str = ""


@stage("checking soils")
def check_soils(
    soils: GeoDataFrame | None,
    floodplain: GeoDataFrame | None,
    groundwater: Raster | None,
    frame: Frame,
    rules: RuleSet,
    criteria: tuple[Criterion, ...],
    facts: Mapping[str, bool],
    trench_bottom_m: float,
) -> SoilLayers:
    """Hold the soil layers against their contracts; raises the errors of `check`, and GridError for groundwater in another CRS."""
    if groundwater is not None and groundwater.grid.frame.crs != frame.crs:
        raise GridError(
            f"groundwater is in {groundwater.grid.frame.name}, the elevation in {frame.name}. Reproject the groundwater raster to the "
            "elevation's CRS first."
        )
    soil = None if soils is None else check(soils, layers.SOILS, frame, source_of(soils))
    # A layer without a zone says nothing: it is not known that all is dry.
    zoned = floodplain is not None and len(floodplain)
    flood = check(floodplain, layers.FLOODPLAIN, frame, source_of(floodplain)) if floodplain is not None and zoned else None
    nothing = np.empty(0, object)
    return SoilLayers(
        soil,
        tuple(soil_properties(soil)) if soil else (),
        _valid(soil.shapes_m) if soil else nothing,
        flood,
        flood_kinds(flood) if flood else (),
        _flood_shapes(flood) if flood else nothing,
        groundwater,
        rules.vertical_separation,
        criteria,
        facts,
        trench_bottom_m,
        (
            *(note for layer in (soil, flood) if layer is not None for note in layer.notes),
            *([] if floodplain is None or zoned else [empty_told(layers.FLOODPLAIN)]),
        ),
        nothing,
        (),
    )


def with_notes(soil: SoilLayers, notes: Sequence[str]) -> SoilLayers:
    """With more to tell of the layers."""
    return replace(soil, notes=(*soil.notes, *notes))


def with_found(soil: SoilLayers, lots: Geometries, names: npt.NDArray[np.object_]) -> SoilLayers:
    """With the soil that was found on lots, by the name that the rules have for it: it outweighs that of a map."""
    found = [place for place, name in enumerate(names) if name]
    return replace(soil, lots_m=lots[found], lot_soils=tuple(str(names[place]) for place in found))


def _found_under(soil: SoilLayers, fields_m: Geometries) -> list[str | None]:
    """The soil that was found on the lot of each field, None where there is none."""
    names: list[str | None] = [None] * len(fields_m)
    field, lot = shapely.STRtree(soil.lots_m).query(shapely.point_on_surface(fields_m), predicate="intersects")
    for number, place in zip(field.tolist(), lot.tolist(), strict=True):
        names[number] = soil.lot_soils[place]
    return names


def forbidden_ground(soil: SoilLayers, grid: Grid, floodplain_excluded: bool) -> dict[str, Mask]:
    """Why -> cells where a field may not go for it: too little soil over rock or water; floodway, and floodplain where asked."""
    mask = burn.touched(soil.too_shallow_m, grid)
    if soil.groundwater is not None:
        mask |= _too_wet(soil, soil.groundwater, grid)
    return {TOO_SHALLOW: mask, FLOODED: burn.touched(_flooded(soil, floodplain_excluded), grid)}


def flooded_lots(soil: SoilLayers, lots: Geometries, floodplain_excluded: bool) -> Geometries:
    """The ground round each lot where floods forbid a tank, as one shape; empty where there is none."""
    return on_lots(lots, _flooded(soil, floodplain_excluded))


def floodways(soil: SoilLayers) -> Geometries:
    """The mapped floodways."""
    return _zones_of(soil, "floodway")


def _flooded(soil: SoilLayers, floodplain_excluded: bool) -> Geometries:
    return _zones_of(soil, "floodway", *(("floodplain",) if floodplain_excluded else ()))


def _zones_of(soil: SoilLayers, *kinds: FloodKind) -> Geometries:
    return soil.flood_shapes_m[np.array([kind in kinds for kind in soil.flood_kinds], bool)]


def unknown_ground(soil: SoilLayers, grid: Grid) -> Mask:
    """Cells in flood zones that nobody has studied."""
    return burn.touched(_zones_of(soil, "undetermined"), grid)


def named_soils(soil: SoilLayers, rules: RuleSet, lots: Geometries) -> npt.NDArray[np.object_]:
    """The soil of each lot by a name of the rules' sizing table, where mapped soils of that one name cover all of the lot; else None."""
    found = np.full(len(lots), None, object)
    if soil.soils is None or "soil" not in soil.soils.columns:
        return found
    known = {soil_key(name): name for name in rules.sizing.soils}
    names = [known.get(soil_key(str(name))) if name else None for name in soil.soils.texts("soil")]
    lot, polygon = shapely.STRtree(soil.soil_shapes_m).query(lots, predicate="intersects")
    shared_m2 = shapely.area(shapely.intersection(lots[lot], soil.soil_shapes_m[polygon]))
    lot, polygon, shared_m2 = lot[shared_m2 > 0], polygon[shared_m2 > 0], shared_m2[shared_m2 > 0]
    covered_m2 = np.bincount(lot, shared_m2, minlength=len(lots))
    whole = covered_m2 >= ALL_OF * shapely.area(lots)
    met: dict[int, set[str | None]] = {}
    for owner, number in zip(lot.tolist(), polygon.tolist(), strict=True):
        met.setdefault(owner, set()).add(names[number])
    for owner, several in met.items():
        if whole[owner] and len(several) == 1:
            found[owner] = next(iter(several))
    return found


def under(soil: SoilLayers, fields_m: Geometries, percolation_min_per_in: Sequence[float | None], falls_m: Sequence[float]) -> list[Under]:
    """What lies under each of the fields, worst first where several soils meet there.

    `falls_m` : how far the ground of each falls along a trench, at whose upper end the level bottom lies that much deeper. [m]
    """
    if not len(fields_m):
        return []
    water = [UNKNOWN] * len(fields_m) if soil.groundwater is None else groundwater_under(fields_m, soil.groundwater)
    floods: Sequence[FloodKind | None] = (
        [None] * len(fields_m) if soil.flood is None else flood_under(fields_m, soil.flood_shapes_m, soil.flood_kinds)
    )
    ratings = [interpretation(properties, soil.criteria) for properties in soil.properties]
    mapped: Sequence[SoilUnder | None] = (
        [None] * len(fields_m) if soil.soils is None else soils_under(fields_m, soil.soil_shapes_m, ratings)
    )
    symbols = [] if soil.soils is None else _symbols(soil.soils)
    tested = _found_under(soil, fields_m)
    return [
        _under(replace(soil, trench_bottom_m=soil.trench_bottom_m + fall), below, symbols, depth, flood, rate, name)
        for below, depth, flood, rate, name, fall in zip(mapped, water, floods, percolation_min_per_in, tested, falls_m, strict=True)
    ]


def _under(
    soil: SoilLayers,
    below: SoilUnder | None,
    symbols: Sequence[str],
    depth: Span,
    flood: FloodKind | None,
    rate: float | None,
    found: str | None,
) -> Under:
    """What lies under one field; `below` is None where there is no soil map, `found` is the soil that was found on the lot."""
    names, rating, worst = NOT_KNOWN, None, None
    properties_there = [SoilProperties()]
    if below is not None:
        rating = below.rating
        names = ", ".join(dict.fromkeys(_named(symbols[number], soil.properties[number]) for number in below.counted)) or NOT_KNOWN
        bare = [SoilProperties()] if below.uncovered_share > 0 or not below.counted else []
        properties_there = [*(soil.properties[number] for number in below.counted), *bare]
    if found is not None:
        properties_there = [replace(one, soil=found) for one in properties_there]
    if soil.told:
        verdicts = [vertical_verdict(soil.lines, one, soil.trench_bottom_m, soil.facts, rate, depth) for one in properties_there]
        worst = max(verdicts, key=lambda verdict: WORST.index(verdict.verdict))
    return Under(
        names,
        NOT_KNOWN if rating is None else rating.words,
        None if worst is None else worst.verdict,
        NOT_KNOWN if worst is None else _words(worst),
        flood,
        _against(soil, worst, rating, depth, flood),
        _warning(soil, rating, properties_there, flood),
    )


def _named(symbol: str, properties: SoilProperties) -> str:
    return symbol if properties.hydrologic_group is None else f"{symbol} (hydrologic group {properties.hydrologic_group})"


def worse(field: Under, reserve: Under | None) -> Under:
    """What is told of a lot: that of the field, or of the reserve where that is worse."""
    if reserve is None or field.separation is None or reserve.separation is None:
        return field
    return reserve if WORST.index(reserve.separation) > WORST.index(field.separation) else field


def _against(soil: SoilLayers, verdict: VerticalVerdict | None, rating: SoilRating | None, water: Span, flood: FloodKind | None) -> str:
    reasons = []
    if verdict is not None and verdict.verdict == "fails":
        reasons.append(_words(verdict))
    if water.high < soil.trench_bottom_m:
        reasons.append("mapped groundwater lies above the trenches' bottom")
    if rating is not None and rating.at_best == "severe":
        judged = _judged_elsewhere(soil, verdict)
        if any(feature not in judged for feature in rating.limiting):
            reasons.append(f"rated {rating.words} by the federal classes")
    if flood == "undetermined":
        reasons.append("a flood zone that nobody has studied, or beyond the map of floods")
    return "; ".join(reasons)


def _judged_elsewhere(soil: SoilLayers, verdict: VerticalVerdict | None) -> set[str]:
    """Features of the federal table that the run judges by better means: slope by the elevation, depths by the code where it holds."""
    properties = {"slope_percent"} | (OF_DEPTH if verdict is not None and verdict.verdict == "holds" else set())
    return {line.feature for line in soil.criteria if line.property in properties}


def _warning(soil: SoilLayers, rating: SoilRating | None, soils: Sequence[SoilProperties], flood: FloodKind | None) -> str:
    words = []
    dual = sorted({str(one.hydrologic_group) for one in soils if is_dual(one.hydrologic_group)})
    if dual:
        words.append(f"soil map: hydrologic group {', '.join(dual)}: high water unless drained")
    if rating is not None and rating.at_worst == "severe":
        words.append(f"soil map: {rating.words} by the federal classes")
    if flood is None:
        words.append("flood zone not known")
    elif flood == "outside" and "outside" not in soil.flood_kinds:
        words.append("no flood zone is drawn there: whether the layer covers it is not known")
    return "; ".join(words)


def _too_shallow(soil: SoilLayers) -> list[shapely.Geometry]:
    """Mapped ground that fails in whatever soil, or in the soil of its name; but there not the lots of which the soil was found."""
    shallow = []
    tested = shapely.STRtree(soil.lots_m)
    for shape, there in zip(soil.soil_shapes_m, soil.properties, strict=True):
        if _fails(soil, replace(there, soil=None)):
            shallow.append(shape)
        elif there.soil is not None and _fails(soil, there):
            shallow.append(shapely.difference(shape, shapely.union_all(soil.lots_m[tested.query(shape, predicate="intersects")])))
    return shallow


def _fails(soil: SoilLayers, there: SoilProperties) -> bool:
    return vertical_verdict(soil.lines, there, soil.trench_bottom_m, soil.facts).verdict == "fails"


def _too_wet(soil: SoilLayers, depth: Raster, grid: Grid) -> Mask:
    """Cells whose nearest cell of mapped groundwater lies too high for the least that the code asks in any case."""
    there = depth.grid.transform_m
    # North-up grids of one frame: a row's y and a column's x are all that it takes.
    x_m, _ = grid.middles_m(np.zeros(grid.shape[1], np.int64), np.arange(grid.shape[1]))
    _, y_m = grid.middles_m(np.arange(grid.shape[0]), np.zeros(grid.shape[0], np.int64))
    there_col, there_row = np.floor((x_m - there.c) / there.a).astype(np.int64), np.floor((y_m - there.f) / there.e).astype(np.int64)
    on_row = (there_row >= 0) & (there_row < depth.grid.shape[0])
    on_col = (there_col >= 0) & (there_col < depth.grid.shape[1])
    values = np.full(grid.shape, np.nan, np.float32)
    values[np.ix_(on_row, on_col)] = depth.values[np.ix_(there_row[on_row], there_col[on_col])]
    depths = np.unique(values[~np.isnan(values)])
    # Deeper water is never worse, so the first depth that does not fail parts the two.
    first = bisect_left(
        depths,
        True,
        key=lambda value: (
            vertical_verdict(soil.lines, SoilProperties(), soil.trench_bottom_m, soil.facts, None, Span.of(float(value))).verdict != "fails"
        ),
    )
    wet: Mask = values < (depths[first] if first < len(depths) else np.inf)
    # Whatever the code says or leaves unsaid, no trench is dug into water.
    return wet | (values < soil.trench_bottom_m)


def _words(verdict: VerticalVerdict) -> str:
    if verdict.verdict == "holds":
        return "holds by the map"
    parts = [f"{check.needed.above.replace('_', ' ')} {_why(check)}" for check in verdict.checks if check.verdict == verdict.verdict]
    parts += [f"nothing read of {name.replace('_', ' ')}" for name in verdict.silent_on if verdict.verdict == "unknown"]
    return f"{verdict.verdict}: {', '.join(parts)}"


def _why(check: SeparationCheck) -> str:
    if check.verdict == "fails":
        return "too near"
    if math.isinf(check.needed.least_m):
        return "at no depth deep enough for a gravity field in this soil without further treatment"
    return "not known to be deep enough" + (", for the soil is not known" if math.isinf(check.needed.most_m) else "")


def _symbols(soils: CheckedLayer) -> list[str]:
    columns = (soils.texts("musym"), soils.texts("soil"), soils.texts("mukey"))
    return [str(next((word for word in words if word), identifier)) for *words, identifier in zip(*columns, soils.ids, strict=True)]


def _flood_shapes(flood: CheckedLayer) -> Geometries:
    """Valid shapes of the zones: those that may flood lose nothing, those outside of floods gain nothing."""
    dry = np.array([kind == "outside" for kind in flood_kinds(flood)], bool)
    shapes_m, _ = keep_clear(flood.ids, flood.shapes_m, flood.contract.name)
    shapes_m[dry] = polygons_only(flood.shapes_m[dry])
    return shapes_m


def _valid(shapes_m: Geometries) -> Geometries:
    return np.asarray(shapely.make_valid(shapes_m, method="structure", keep_collapsed=False))
