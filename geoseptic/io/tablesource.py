"""Tables of wells and other points, CSV or spreadsheets, as a source of a layer."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import geopandas
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from geopandas import GeoDataFrame
from pyproj import CRS

from geoseptic.errors import LayerContractError
from geoseptic.io import gdalsource
from geoseptic.io.placecolumns import PLACE_COLUMNS, find_columns
from geoseptic.io.places import Places, locate, row_names, widened_m
from geoseptic.io.placesstated import PlacesStated
from geoseptic.io.rawtables import RawTable, is_table, read_table
from geoseptic.io.sheets import column_name
from geoseptic.io.sources import Bounds, LayerHeader, LayerSource, Stated, split_source
from geoseptic.units import METRES_PER_UNIT, in_both_units

ERROR: Final = "location_error"
ERROR_UNITS: Final = ("m", "ft")
SHAPES: Final = ("wkt", "wkt_geometry", "_wkt")
IDS: Final = ("well_id", "wellid", "id", "well_no", "well_number", "well")


@dataclass(frozen=True)
class TableLayer:
    """A table whose rows are points; see LayerSource. It is read whole when it is opened: what is wrong with it is known at once."""

    header: LayerHeader
    frame: GeoDataFrame

    def read(self, columns: Sequence[str], bounds: Bounds | None) -> GeoDataFrame:
        found = self._within(bounds)
        return GeoDataFrame(found[list(columns)], geometry=found.geometry, crs=self.header.crs).reset_index(drop=True)

    def read_table(self, columns: Sequence[str], bounds: Bounds | None) -> pd.DataFrame:
        return pd.DataFrame(self._within(bounds)[list(columns)]).reset_index(drop=True)

    def bounds(self) -> Bounds | None:
        if not len(self.frame):
            return None
        left, bottom, right, top = (float(value) for value in shapely.total_bounds(self.frame.geometry.values))
        return left, bottom, right, top

    def without_shape(self) -> tuple[int, ...]:
        """None: rows without a place are refused or told when the table is opened."""
        return ()

    def _within(self, bounds: Bounds | None) -> GeoDataFrame:
        if bounds is None:
            return self.frame
        return self.frame[shapely.intersects(self.frame.geometry.values, shapely.box(*bounds))]


def takes(source: str) -> bool:
    return is_table(source) or is_table(split_source(source)[0])


def open_layer(source: str, stated: Stated) -> LayerSource:
    """The points of a table. One of a layer that is no points, or with a column of shapes, is left to GDAL.

    Raises
    ------
    FileUnreadableError : no such file, or no table in it.
    LayerContractError : what its columns, its datum or its rows are wanting, all at once, each row by its name and line.
    """
    path, sheet = split_source(source)
    places = stated.places
    if places is None:
        return gdalsource.open_layer(source, stated)
    table = read_table(path, sheet)
    if any(name.lower() in SHAPES for name in table.names):
        return gdalsource.open_layer(source, stated)
    columns, problems = find_columns(table.names, {name: column for name, column in places.columns if name in PLACE_COLUMNS})
    if problems:
        problems = {problem.replace("LAYER", places.layer): found for problem, found in problems.items()}
        raise LayerContractError(places.layer, problems, source)
    mapped = {name: column for name, column in places.columns if name not in PLACE_COLUMNS}
    names = row_names(table, _id_column(table, mapped))
    found = locate(table, columns, places, places.datum or stated.crs or "", names)
    notes = [*table.notes, _told(columns, found.crs, bool(stated.crs or places.datum)), *found.notes]
    notes += _refuse_or_tell(found, places, source)
    frame, more = _frame(table, mapped, found, places)
    fields = tuple(str(name) for name in frame.columns if name != "geometry")
    header = LayerHeader(source, path, table.sheet or Path(path).stem, found.crs, fields, "Point", len(frame), (*notes, *more), stated)
    return TableLayer(header, frame)


def _told(columns: dict[str, str], crs: CRS, stated: bool) -> str:
    taken = ", ".join(f"{place} from '{column}'" for place, column in columns.items())
    return f"places are taken as {taken}, in {crs.name}" + ("" if stated or "datum" in columns else " (that of the sections)")


def _refuse_or_tell(found: Places, places: PlacesStated, source: str) -> list[str]:
    """Raises LayerContractError for rows without a place, unless they are to be left out: then what is to be told of them."""
    if not found.faults:
        return []
    rows = {kind: names for kind, names in found.faults.items() if names}
    if len(rows) < len(found.faults) or places.unplaced != "leave-out":
        faults: dict[str, Sequence[object]] = dict(found.faults)
        if rows and len(rows) == len(found.faults):
            faults[
                f"each of these {places.layer} is somewhere, and nobody knows where: mend the cells, or say --places "
                f"{places.layer}.unplaced=leave-out, and nothing is kept clear of them"
            ] = []
        raise LayerContractError(places.layer, faults, source)
    count = sum(map(len, rows.values()))
    first = [name for names in rows.values() for name in names][:20]
    told = "; ".join(first) + (f"; and {count - len(first)} more" if count > len(first) else "")
    return [
        f"{count} {places.layer} are in an unknown place, were left out, and nothing is kept clear of them. Find them on the ground. "
        f"{', '.join(f'{kind} ({len(names)})' for kind, names in rows.items())}: {told}"
    ]


def _frame(table: RawTable, mapped: dict[str, str], found: Places, places: PlacesStated) -> tuple[GeoDataFrame, list[str]]:
    """The rows that have a place, with the columns of the table; a location error is widened where the place asks for it."""
    cells = pd.DataFrame(list(table.rows), columns=list(table.names), dtype=object)
    cells = cells.where(cells != "", None)
    notes = []
    if places.keeps_error:
        notes = _widen(cells, mapped, found, places)
    for name in table.names:
        plain = column_name(name)
        if plain not in {str(other).lower() for other in cells.columns}:
            cells[plain] = cells[name]
    there = np.isfinite(found.x)
    points = shapely.points(found.x[there], found.y[there])
    frame = geopandas.GeoDataFrame(cells[there].reset_index(drop=True), geometry=points, crs=found.crs)
    return frame, notes


def _widen(cells: pd.DataFrame, mapped: dict[str, str], found: Places, places: PlacesStated) -> list[str]:
    """Writes the location errors into the cells, in metres as the contract's own column."""
    by_name = {column_name(str(name)): str(name) for name in cells.columns}
    stated_m = np.full(len(cells), np.nan)
    notes = []
    for name, unit in ((ERROR, ""), *((f"{ERROR}_{unit}", unit) for unit in ERROR_UNITS)):
        column = by_name.get(column_name(mapped.get(name, name)))
        if column is None:
            continue
        units = by_name.get(column_name(mapped.get(f"{ERROR}_unit", f"{ERROR}_unit")))
        if not unit and units is None:
            return []  # refused by the contract, since nobody knows the unit
        factors = np.array(
            [METRES_PER_UNIT.get(unit or str(word).strip(), np.nan) for word in (cells[units] if units else [""] * len(cells))]
        )
        numbers = pd.to_numeric(cells[column].astype("string").str.replace(",", ".", regex=False), errors="coerce").to_numpy(
            np.float64, na_value=np.nan
        )
        wrong = cells[column].notna().to_numpy() & ~(np.isfinite(numbers * factors) & (numbers >= 0))
        if wrong.any():
            return []  # likewise
        stated_m = numbers * factors
        wide = widened_m(stated_m, found, places.assumed_error_m)
        cells[column] = _words(np.where(np.isnan(wide), np.nan, wide / np.where(np.isnan(factors), 1.0, factors)))
        if units is not None:
            cells[units] = cells[units].where(cells[units].notna() | np.isnan(wide), "m")
        break
    else:
        wide = widened_m(stated_m, found, places.assumed_error_m)
        cells[f"{ERROR}_m"] = _words(wide)
    there = np.isfinite(found.x)
    more = there & ~np.isnan(wide) & ~(wide <= np.where(np.isnan(stated_m), places.assumed_error_m, stated_m))
    if more.any():
        notes.append(
            f"the location error of {int(more.sum())} {places.layer} was widened to at least what the digits of their places or their "
            f"datum leave open (up to {in_both_units(float(wide[more].max()))})"
        )
    return notes


def _words(numbers: npt.NDArray[np.float64]) -> list[float | None]:
    return [None if np.isnan(number) else float(number) for number in numbers]


def _id_column(table: RawTable, mapped: dict[str, str]) -> str | None:
    by_name = {column_name(name): name for name in table.names}
    wanted = [mapped[name] for name in ("well_id", "id") if name in mapped]
    return next((by_name[column_name(name)] for name in (*wanted, *IDS) if column_name(name) in by_name), None)
