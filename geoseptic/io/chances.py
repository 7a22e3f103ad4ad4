"""What a finished run of `uncertainty` says of the parcels of a screening."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyproj
import shapely

from geoseptic.errors import FileUnreadableError, InputError, listed
from geoseptic.io.gdalsource import UNREADABLE
from geoseptic.io.runfolders import FinishedRun
from geoseptic.model.frame import Frame

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

Bounds = tuple[float, float, float, float]

FILE: Final = "chances.gpkg"
PLACES: Final = "places"
SURVEY_FIRST: Final = "survey_first"

AS_SCREENED: Final = ("parcels", "wells")
"""Inputs without which the chances are those of something else."""

WORDS: Final = ("answer", "sure", "in_words", "never_certain", "decides")
CHANCES: Final = ("chance_primary", "chance_both", "both_low", "both_high", "chance_if_smallest", "chance_if_not_required")
ERRORS: Final = ("line_error_m", "building_error_m")

SETTINGS: Final = ("facts", "granted", "unrecorded_wells", "assumed_location_error_m")
"""Parameters of both that change an answer."""


@dataclass(frozen=True)
class LotChance:
    """What the run says of one lot; chances in percent, NaN where nobody knows. Texts are empty where nothing is said.

    line_sigma_m, building_sigma_m : how far its lines, and the buildings seen from there, lie off, one standard deviation along each axis.
    """

    answer: str
    sure: str
    in_words: str
    primary: float
    both: float
    both_low: float
    both_high: float
    if_smallest: float
    if_not_required: float
    line_sigma_m: float
    building_sigma_m: float
    never_certain: str
    decides: str


@dataclass(frozen=True)
class Place:
    """Where a well may be.

    what : well or presumed well. form : how its true place spreads, in the words of `chance.errors.KIND_NAMES`. rough : it is placed by a
    section, a lot or presumption alone. shape_m : the ground in which it is, or is in 95 of 100 cases where `form` is gaussian.
    """

    what: str
    name: str
    form: str
    rough: bool
    shape_m: shapely.Geometry


@dataclass(frozen=True)
class Visit:
    """Something to find on the ground, and for how many parcels that would settle the answer."""

    rank: int
    what: str
    name: str
    settles: float
    parcels: tuple[str, ...]
    words: str


@dataclass(frozen=True)
class Chances:
    """A finished run of `uncertainty` of the same parcels as a screening.

    line_sigma_m, building_sigma_m : how far lot lines and buildings lie off, one standard deviation along each axis. [m]
    visits : what to survey first, the weightiest first; none where the run has no such list.
    """

    run: FinishedRun
    lots: Mapping[str, LotChance]
    visits: tuple[Visit, ...]
    line_sigma_m: float
    building_sigma_m: float
    draws: int
    seed: int
    frame: Frame

    def places_near(self, bounds_m: Bounds) -> tuple[Place, ...]:
        """Wells of uncertain place whose ground touches the bounds. Raises FileUnreadableError."""
        bounds = tuple(value / self.frame.metres_per_unit for value in bounds_m)
        rows = _read(self.run, PLACES, bounds)
        shapes_m = self.frame.to_metres(np.asarray(rows.geometry.array, object))
        return tuple(
            Place(str(row["what"]), str(row["feature_id"]), str(row["form"]), bool(row["rough"]), shape_m)
            for row, shape_m in zip(rows.drop(columns=rows.geometry.name).to_dict("records"), shapes_m, strict=True)
            if shape_m is not None
        )


def chances_of(screening: FinishedRun, run: FinishedRun, frame: Frame) -> tuple[Chances, list[str]]:
    """What the run says of the parcels of the screening, whose frame is given, and what the two do not have in common, in words.

    Raises
    ------
    InputError : it is of other parcels, other wells, another rule set or another reference system than the screening.
    FileUnreadableError : its layers cannot be read.
    """
    again = f"Run uncertainty again with the layers and the rules of {screening.folder}, and name its folder."
    other = [name for name in AS_SCREENED if run.inputs.get(name) != screening.inputs.get(name)]
    if other:
        raise InputError(f"{run.folder}: its chances are of other {' and other '.join(other)} than the screening. {again}")
    if _rules_of(run) != _rules_of(screening):
        raise InputError(
            f"{run.folder}: its chances are by the rules {run.rules}, the screening by {screening.rules} as they then stood. {again}"
        )
    if not _crs_of(run).equals(frame.crs, ignore_axis_order=True):
        raise InputError(f"{run.folder}: its chances are in another coordinate reference system than the screening. {again}")
    counts = run.record["counts"]
    found = Chances(
        run,
        {str(name): _lot(row) for name, row in zip(run.rows.index, run.rows.to_dict("records"), strict=True)},
        _visits(run),
        float(counts["parcel_line_sigma_m"]),
        float(counts["building_sigma_m"]),
        int(counts["draws"]),
        int(counts["seed"]),
        frame,
    )
    return found, _told(screening, run, found)


def _told(screening: FinishedRun, run: FinishedRun, found: Chances) -> list[str]:
    told = []
    names = sorted(set(screening.inputs) | set(run.inputs))
    differ = [name for name in names if screening.inputs.get(name) != run.inputs.get(name)]
    if differ:
        told.append(f"the chances in {run.folder} were not made with the same {listed(differ)} as the screening")
    settings = [name for name in SETTINGS if screening.parameters.get(name) != run.parameters.get(name)]
    if settings:
        options = [f"--{name.replace('_', '-')}" for name in settings]
        told.append(f"the chances in {run.folder} were made with other {listed(options)}")
    without = [str(name) for name in screening.rows.index if name not in found.lots]
    if without:
        told.append(f"{len(without)} parcels of the screening have no chance in {run.folder}: nobody can say of them ({listed(without)})")
    return told


def _rules_of(run: FinishedRun) -> dict[str, Any]:
    return {name: value for name, value in (run.record.get("rules") or {}).items() if name != "summary"}


def _crs_of(run: FinishedRun) -> pyproj.CRS:
    import pyogrio

    path = Path(run.folder) / FILE
    try:
        return pyproj.CRS.from_user_input(pyogrio.read_info(path, layer=PLACES)["crs"])
    except (*UNREADABLE, pyproj.exceptions.CRSError) as error:
        raise _unreadable(path, error) from error


def _lot(row: Mapping[str, Any]) -> LotChance:
    answer, sure, in_words, never_certain, decides = (_text(row.get(name)) for name in WORDS)
    primary, both, low, high, smallest, not_required = (_number(row.get(name)) for name in CHANCES)
    line_m, building_m = (_number(row.get(name)) for name in ERRORS)
    return LotChance(answer, sure, in_words, primary, both, low, high, smallest, not_required, line_m, building_m, never_certain, decides)


def _visits(run: FinishedRun) -> tuple[Visit, ...]:
    import pyogrio

    path = Path(run.folder) / FILE
    try:
        if SURVEY_FIRST not in {str(name) for name in pyogrio.list_layers(path)[:, 0]}:
            return ()
        rows = pyogrio.read_dataframe(path, layer=SURVEY_FIRST, read_geometry=False).to_dict("records")
    except UNREADABLE as error:
        raise _unreadable(path, error) from error
    found = [
        Visit(
            int(row["rank"]),
            _text(row["what"]),
            _text(row["id"]),
            _number(row["settles"]),
            tuple(name.strip() for name in _text(row["parcels"]).split(", ") if name.strip()),
            _text(row["words"]),
        )
        for row in rows
    ]
    return tuple(sorted(found, key=lambda visit: visit.rank))


def _read(run: FinishedRun, layer: str, bounds: tuple[float, ...]) -> "GeoDataFrame":
    import pyogrio

    path = Path(run.folder) / FILE
    try:
        return pyogrio.read_dataframe(path, layer=layer, bbox=bounds, fid_as_index=True).sort_index()
    except UNREADABLE as error:
        raise _unreadable(path, error) from error


def _unreadable(path: Path, error: Exception) -> FileUnreadableError:
    return FileUnreadableError(str(path), str(error), "Run uncertainty again, with this version.")


def _text(value: Any) -> str:
    return "" if value is None or (isinstance(value, float) and math.isnan(value)) else str(value)


def _number(value: Any) -> float:
    return math.nan if value is None or value == "" else float(value)
