"""Envelopes, zones and wells as layers: lengths and areas in the rule set's unit, which each column's name states."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from geopandas import GeoDataFrame
from shapely import GeometryType

from geoseptic.errors import listed
from geoseptic.io.digests import A_DISC, Hashed, told
from geoseptic.io.keptgroups import hashed_shapes
from geoseptic.io.laterframes import LaterShapes
from geoseptic.model import legend_table
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.frame import Frame, Geometries
from geoseptic.model.legends import Swatch, VectorLegend
from geoseptic.model.results import LayerResult
from geoseptic.model.rownumbers import FID, spaced
from geoseptic.model.rules import PARTS, RuleSet
from geoseptic.parcels.byplace import grown
from geoseptic.parcels.envelope import DISPUTED, LOT_LINE, Envelopes
from geoseptic.parcels.repair import Fabric, Fault
from geoseptic.parcels.zones import REQUIRED, Texts, Zones
from geoseptic.processes.kept_envelopes import hashed
from geoseptic.units import from_metres, metres_per

ENVELOPE_LAYERS: Mapping[str, str] = {
    "drain_field": "field_envelope",
    "septic_tank": "tank_envelope",
    "reserve": "reserve_envelope",
    "building_sewer": "sewer_envelope",
    "distribution_box": "box_envelope",
    "seepage_pit": "pit_envelope",
    "cesspool": "cesspool_envelope",
}

OPEN_FROM_M2 = 0.01
"""An envelope that could grow by less has no open question."""


def envelope_layer(
    envelopes: Envelopes,
    zones: Zones,
    well_not_on_record: npt.NDArray[np.bool_],
    claims: Mapping[int, str],
    rules: RuleSet,
    frame: Frame,
) -> LayerResult:
    """One row a parcel, in the order of the parcels; a parcel with no room has an empty geometry. `claims` has who else claims its
    ground."""
    unit, square = rules.unit, f"{rules.unit}2"
    per_m2 = 1 / metres_per(unit) ** 2
    part, nothing = PARTS[envelopes.part].lower(), np.zeros(len(envelopes.parcel_ids))
    columns: dict[str, object] = {
        "parcel_id": envelopes.parcel_ids,
        f"area_{square}": np.round(envelopes.area_m2 * per_m2, 1),
        f"largest_{square}": np.round(envelopes.largest_m2 * per_m2, 1),
        f"possible_{square}": np.round(envelopes.possible_area_m2 * per_m2, 1),
        "bound_by": of_few(envelopes.binding()),
        "open_questions": of_few(_open_questions(envelopes, well_not_on_record, claims)),
    }
    notes = {
        "parcel_id": "Parcel",
        f"area_{square}": f"Area clear of every setback of a {part}, those that only may be required included",
        f"largest_{square}": "Area of the largest single piece of it",
        f"possible_{square}": "Area if every open question (soil, a well's place) is answered in the lot's favour",
        "bound_by": "Features that take ground from the parcel, the greediest first",
        "open_questions": "What must be known before the area can be relied on",
    }
    # One for each feature that is there, whether or not it takes ground, so that which columns there are does not hang on a single parcel.
    for feature in sorted({*envelopes.takes_m2, *zones.feature, LOT_LINE, DISPUTED}):
        name = f"takes_{feature}_{square}"
        columns[name] = np.round(envelopes.takes_m2.get(feature, nothing) * per_m2, 1)
        notes[name] = f"Area that setbacks from the feature '{feature.replace('_', ' ')}' alone take"
    columns["code_silent_on"] = of_few([", ".join(zones.silent)] * len(envelopes.parcel_ids))
    notes["code_silent_on"] = (
        "Features present in the layers for which the rule set has no value: only the features themselves are kept out"
    )
    name = ENVELOPE_LAYERS[envelopes.part]
    return LayerResult(
        "envelopes",
        name,
        GeoDataFrame(columns, geometry=LaterShapes(hashed(envelopes)[0], polygons, frame), crs=frame.crs),
        _envelope_legend(envelopes.part),
        f"Room for a {part}",
        f"What the setbacks of {rules.title} leave of each parcel for a {part}. {SCREENING_AID}",
        notes,
    )


def _open_questions(envelopes: Envelopes, well_not_on_record: npt.NDArray[np.bool_], claims: Mapping[int, str]) -> Texts:
    longer = envelopes.possible_area_m2 > envelopes.area_m2 + OPEN_FROM_M2
    well, zones = "where is the well? none is on record", "a longer setback may apply: see the zones"
    usual = np.array(["", well, zones, f"{well}; {zones}"], object)
    found: Texts = usual[well_not_on_record + 2 * longer]
    for row in {*envelopes.why, *claims}:
        own = [f"nothing is known of its ground: {envelopes.why[row]}"] if row in envelopes.why else []
        own += [claims[row]] if row in claims else []
        found[row] = "; ".join([*own, found[row]] if found[row] else own)
    return found


def claims_of(fabric: Fabric) -> dict[int, str]:
    """Parcel -> who else claims its ground, in words; those alone of whose ground others claim some."""
    found: dict[int, list[str]] = {}
    for lot, others in fabric.stacked_with.items():
        found.setdefault(lot, []).append(f"the same ground is also that of {listed(fabric.ids[list(others)].tolist())}")
    overlaps = [fault for fault in fabric.faults if fault.kind == "overlap"]
    rows = {name: row for row, name in enumerate(fabric.ids)} if overlaps else {}
    for fault in overlaps:
        found.setdefault(rows[fault.feature_id], []).append(f"claimed by several lots: {fault.note}, left out of the envelopes")
    return {lot: "; ".join(words) for lot, words in found.items()}


def _envelope_legend(part: str) -> VectorLegend:
    declared = {"drain_field": legend_table.FIELD_ENVELOPE, "septic_tank": legend_table.TANK_ENVELOPE}
    title = f"Room for a {PARTS[part].lower()}"
    plain = VectorLegend(title, "polygon", None, (Swatch("", f"Clear of every setback for a {PARTS[part].lower()}", "#4a6fa5"),))
    return declared.get(part, plain)


def zone_layer(
    parts: list[tuple[Envelopes, Zones, Hashed, Hashed]], obstacle_error_m: npt.NDArray[np.float64], rules: RuleSet, frame: Frame
) -> LayerResult:
    """Every setback zone of every part, of these shapes, the strips along the lot lines included (last of each entry).

    Rows are numbered run by run, so that a feature or parcel more at the end of its layer gives no other row another number.
    """
    unit = rules.unit
    names = ("part", "feature", "feature_id", f"distance_{unit}", f"location_error_{unit}", "status", "why", "citation", "checked")
    columns: dict[str, list[npt.NDArray[Any]]] = {name: [] for name in names}
    shapes: list[Hashed] = []
    lengths: list[int] = []
    for envelopes, zones, own, strips in parts:
        shapes += [own, strips]
        lengths += [*zones.run_lengths.tolist(), len(strips)]
        error_m = obstacle_error_m[zones.source]
        citation, checked = _lot_line_texts(rules, envelopes)
        # Of the zones, and of the strips along the lot lines.
        runs: tuple[tuple[Any, Any], ...] = (
            ([zones.part], [zones.part]),
            (zones.feature, [LOT_LINE]),
            (zones.feature_id, envelopes.parcel_ids),
            (_rounded(zones.distance_m, 2, unit), _rounded(np.array([envelopes.lot_line_m]), 2, unit)),
            (_rounded(error_m, 1, unit), [0.0]),
            (zones.status, [REQUIRED]),
            (zones.why, ["in any case"]),
            (zones.citation, [citation]),
            (zones.checked, [checked]),
        )
        for name, run in zip(names, runs, strict=True):
            columns[name] += [_column(values, count) for values, count in zip(run, (len(zones), len(strips)), strict=True) if count]
    notes = {
        "part": "Part of the system that keeps the distance",
        "feature": "What it is kept from",
        "feature_id": "Which one",
        f"distance_{unit}": "Distance that the code asks for, horizontally",
        f"location_error_{unit}": "How far the feature's true place may be from the point; added to the distance",
        "status": "required, or may be required: a fact that nobody has stated decides",
        "why": "In which case the distance applies",
        "citation": "Where the value was read",
        "checked": "Whether the value was checked against the code's own text",
    }
    rows = np.flatnonzero(~np.concatenate([one.is_empty for one in shapes])) if shapes else np.zeros(0, np.int64)
    of_run = np.repeat(np.arange(len(lengths)), lengths)[rows]
    index = pd.Index(spaced(np.bincount(of_run, minlength=len(lengths))), name=FID)
    kinds = {f"distance_{unit}": np.float64, f"location_error_{unit}": np.float64, "checked": np.bool_}
    there: dict[str, Any] = {
        name: np.concatenate([np.empty(0, kinds.get(name, object)), *values])[rows] for name, values in columns.items()
    }
    there |= {name: _shared(there[name]) for name in ("part", "feature", "status", "why", "citation")}
    return LayerResult(
        "envelopes",
        "setback_zones",
        GeoDataFrame(there, index=index, geometry=LaterShapes(Hashed.joined(shapes)[rows], polygons, frame), crs=frame.crs),
        legend_table.SETBACK_ZONES,
        "Setback zones",
        f"Ground that each feature keeps from each part under {rules.title}. {SCREENING_AID}",
        notes,
    )


def of_few(texts: Sequence[str] | Texts) -> Any:
    """The texts, of which there are few different ones, as the column that a frame makes of them; none is made anew for each row."""
    if not len(texts):
        return texts
    codes, words = pd.factorize(np.asarray(texts, object))
    return pd.Series(words).array.take(codes)


def _shared(texts: npt.NDArray[np.object_]) -> pd.Categorical:
    """Texts that very many rows share, most of them with the one before, each of them once. Not left to pandas, which would copy all of
    them first."""
    first = np.flatnonzero(np.append(True, texts[1:] != texts[:-1])) if len(texts) else np.zeros(0, np.int64)
    codes, words = pd.factorize(texts[first])
    return pd.Categorical.from_codes(np.repeat(codes, np.diff(first, append=len(texts))), words)


def _column(values: Sequence[Any], count: int) -> npt.NDArray[Any]:
    """So many values, each or all of them alike."""
    one = np.asarray(values, object if isinstance(next(iter(values), None), str) else None)
    return np.broadcast_to(one, count) if len(one) == 1 else one


def _rounded(lengths_m: npt.NDArray[np.float64], digits: int, unit: str) -> npt.NDArray[np.float64]:
    """The lengths in `unit`; most of them occur many times."""
    codes, told_m = pd.factorize(lengths_m, use_na_sentinel=False)
    return np.array([round(from_metres(length_m, unit), digits) for length_m in told_m.tolist()], np.float64)[codes]


def _lot_line_texts(rules: RuleSet, envelopes: Envelopes) -> tuple[str, bool]:
    entries = [entry for entry in rules.setbacks if (entry.part, entry.feature) == (envelopes.part, LOT_LINE) and not entry.relief]
    if not entries:
        return "no value in the rule set: only the line itself is kept", True
    return str(entries[0].citation), entries[0].citation.checked


def disc_layer(
    ids: npt.NDArray[np.object_],
    numbers: npt.NDArray[np.int32],
    places_m: Geometries,
    radius_m: npt.NDArray[np.float64],
    presumed: npt.NDArray[np.bool_],
    cells: npt.NDArray[np.int64],
    cell_size_m: float,
    unit: str,
    frame: Frame,
) -> LayerResult:
    """The discs that stand for the wells, with the ground that drains to each nearest. The place of a presumed well is its whole lot."""
    square = f"{unit}2"
    columns = {
        "number": numbers.astype(np.int64),
        "well_id": ids,
        "record": np.where(presumed, "presumed", "on record").astype(object),
        f"radius_{unit}": np.round(radius_m / metres_per(unit), 1),
        f"drains_here_{square}": np.round(cells * cell_size_m**2 / metres_per(unit) ** 2, 0),
    }
    notes = {
        "number": "Value of this well in well_path_well.tif; it follows from the name of the well alone",
        "well_id": "Well",
        "record": "on record, or presumed: a built lot that must have a well of which nobody knows the place",
        f"radius_{unit}": "Radius of the disc: the well's location error, at least the sanitary radius; of a presumed well, round its lot",
        f"drains_here_{square}": "Ground within the reach whose nearest well down the flow path is this one",
    }
    places = hashed_shapes(places_m)
    discs = Hashed(
        np.arange(len(ids)),
        lambda rows: shapely.buffer(places_m[rows], radius_m[rows], quad_segs=16),
        lambda: told(places.hashes["of"], A_DISC, radius_m),
        lambda: grown(places.bounds_m, radius_m),
    )
    legend = VectorLegend(
        "Wells as discs",
        "polygon",
        "record",
        (
            Swatch("on record", "Disc that stands for a well", "#722473"),
            Swatch("presumed", "Lot with a well on no record, and the ground round it", "#b58fbf", hatch=True),
        ),
    )
    return LayerResult(
        "well_discs",
        "well_discs",
        GeoDataFrame(columns, geometry=LaterShapes(discs, polygons, frame), crs=frame.crs),
        legend,
        "Wells as discs",
        f"A flow path that enters a disc is taken to reach its well. {SCREENING_AID}",
        notes,
    )


def repair_records(faults: Iterable[Fault]) -> tuple[Mapping[str, object], ...]:
    """Faults of the layers as plain mappings."""
    records: list[Mapping[str, object]] = []
    for fault in faults:
        records.append(
            {
                "layer": fault.layer,
                "feature": fault.feature_id,
                "fault": fault.kind,
                "note": fault.note,
                "area_before_m2": round(fault.area_before_m2, 2),
                "area_after_m2": round(fault.area_after_m2, 2),
                "share_changed": round(fault.share_changed, 4),
            }
        )
    return tuple(records)


def polygons(shapes: Geometries) -> Geometries:
    """What is area of each shape; the writer makes polygons multipolygons, which is ten times as fast as copying them here."""
    out = shapes.copy()
    out[shapely.is_empty(shapes)] = shapely.MultiPolygon()
    mixed = np.flatnonzero(~np.isin(shapely.get_type_id(out), (GeometryType.POLYGON, GeometryType.MULTIPOLYGON)))
    if not len(mixed):
        return out
    pieces, owner = shapely.get_parts(out[mixed], return_index=True)
    parts, piece = shapely.get_parts(pieces, return_index=True)
    areas = shapely.get_type_id(parts) == GeometryType.POLYGON
    out[mixed] = shapely.MultiPolygon()
    out[mixed] = shapely.multipolygons(parts[areas], indices=owner[piece][areas], out=out[mixed])
    return out
